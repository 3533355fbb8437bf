"""A delimited text file in blocks of whole lines, and regular blocks turned into numbers without a loop over rows.

A block is regular when every line has the same number of fields and every wanted field is a number, a gap or a time of
one layout.  Anything else is left to the careful reader of rows, block by block, so that one odd cell costs little.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from io import TextIOWrapper
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.errors import FileFormatError
from linelab.units import Array

_BLOCK = 1 << 21
_LONGEST_LINE = 1 << 20

_STAMP = re.compile(r"(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?(?:Z|([+-])(\d\d):(\d\d))?")
_CLOCK = re.compile(r"()()()(\d{1,3}):(\d\d):(\d\d)(?:[.,](\d{1,9}))?()()()")
_EPOCH_DAY = date(1970, 1, 1).toordinal()


def text_blocks(
    path: Path, encoding: str, skip: int, progress: Callable[[str], None] = lambda text: None
) -> Iterator[str]:
    """Blocks of whole lines, each line ending with a line feed, after ``skip`` lines.

    Raises
    ------
    FileFormatError
        A line of more than a million letters.
    """
    size = max(path.stat().st_size, 1)
    with path.open("rb") as raw, TextIOWrapper(raw, encoding=encoding, errors="replace") as file:
        for _ in range(skip):
            file.readline(_LONGEST_LINE)
        rest = ""
        while block := file.read(_BLOCK):
            cut = block.rfind("\n") + 1
            if cut == 0:
                rest += block
                if len(rest) > _LONGEST_LINE:
                    raise FileFormatError(
                        "a line is longer than a million letters", path=path, remedy="Export the recording as CSV"
                    )
                continue
            yield rest + block[:cut]
            rest = block[cut:]
            progress(f"reading {path.name}: {min(raw.tell() / size, 1.0):.0%}")
        if rest:
            yield rest + "\n"


def regular_block(
    text: str, delimiter: str, width: int, wanted: Sequence[int], times: Mapping[int, str], decimal_comma: bool
) -> dict[int, Array] | None:
    """Columns of a regular block, or None when it is not regular.

    Parameters
    ----------
    text : str
        Whole lines.
    delimiter : str
    width : int
        Fields of a line.
    wanted : sequence of int
        Indices of the columns to read.
    times : mapping of int to str
        Which of them are times, and how they are written: "stamp" or "clock".
    decimal_comma : bool

    Returns
    -------
    dict of int to (K,) array, or None
        By column, one number a line; gaps are NaN, times are in seconds.
    """
    if delimiter == " " or '"' in text or "\0" in text:
        return None
    raw = text.encode("ascii", errors="replace")
    if decimal_comma:
        raw = raw.replace(b",", b".")
    letters = np.frombuffer(raw, dtype=np.uint8)
    marks = np.flatnonzero((letters == ord(delimiter)) | (letters == 10))
    if marks.size % width:
        return None
    ends = marks.reshape(-1, width)
    kinds = letters[ends] == 10
    if not kinds[:, -1].all() or kinds[:, :-1].any():
        return None
    starts = np.concatenate([[0], marks[:-1] + 1]).reshape(-1, width)
    if (letters[starts[:, 0]] == ord("#")).any():
        return None
    numbers = sorted({index for index in wanted if index not in times})
    found = _numbers(letters, starts, ends, numbers)
    if found is None:
        return None
    for index, kind in times.items():
        seconds = _times(letters, starts[:, index], ends[:, index], kind)
        if seconds is None:
            return None
        found[index] = seconds
    return found


def _numbers(
    letters: NDArray[np.uint8], starts: NDArray[np.intp], ends: NDArray[np.intp], columns: Sequence[int]
) -> dict[int, Array] | None:
    """Numbers of some columns: their letters are drawn together and parsed in one go."""
    if not columns:
        return {}
    if len(columns) == ends.shape[1]:
        chosen, cuts = letters.copy(), ends.ravel()
    else:
        steps = np.zeros(letters.size + 1, dtype=np.int8)
        for index in columns:
            steps[starts[:, index]] += 1
            steps[ends[:, index] + 1] -= 1
        chosen = letters[np.cumsum(steps[:-1], dtype=np.int8).view(np.bool_)]
        cuts = np.flatnonzero((chosen == letters[ends[0, 0]]) | (chosen == letters[ends[0, -1]]))
    chosen[cuts] = ord(",")
    text = b"," + chosen.tobytes()[:-1]
    if b",," in text or text.endswith(b","):
        text = (text + b",").replace(b",,", b",nan,").replace(b",,", b",nan,")[:-1]
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            values = np.fromstring(text[1:], sep=" , ")
    except (ValueError, DeprecationWarning):  # a ValueError is announced for what is a warning today
        return None
    if values.size != cuts.size or np.isinf(values).any():
        return None
    table = values.reshape(-1, len(columns))
    return {index: table[:, i].copy() for i, index in enumerate(columns)}


def _times(letters: NDArray[np.uint8], starts: NDArray[np.intp], ends: NDArray[np.intp], kind: str) -> Array | None:
    """Seconds of a column of times of one layout; None when the layout changes or is not known."""
    length = int(ends[0] - starts[0])
    if not 0 < length <= 40 or not (ends - starts == length).all():
        return None
    cells = letters[starts[:, None] + np.arange(length)]
    first = cells[0].tobytes().decode("ascii")
    match = (_STAMP if kind == "stamp" else _CLOCK).fullmatch(first)
    if match is None:
        return None
    digit = np.array([letter.isdigit() for letter in first])
    if not (cells[:, ~digit] == cells[0, ~digit]).all() or ((cells[:, digit] < 48) | (cells[:, digit] > 57)).any():
        return None

    def group(number: int) -> Array:
        a, b = match.span(number)
        out = np.zeros(cells.shape[0])
        for at in range(max(a, 0), max(b, 0)):
            out = 10.0 * out + (cells[:, at] - 48.0)
        return out

    hours, minutes, seconds = group(4), group(5), group(6)
    if (minutes >= 60.0).any() or (seconds >= 60.0).any() or (kind == "stamp" and (hours >= 24.0).any()):
        return None
    total = 3600.0 * hours + 60.0 * minutes + seconds
    if match.group(7):
        total += group(7) / 10.0 ** len(match.group(7))
    if kind == "clock":
        return total
    days = _days(group(1), group(2), group(3))
    if days is None:
        return None
    if match.group(8):
        total -= (1.0 if match.group(8) == "+" else -1.0) * (3600.0 * group(9) + 60.0 * group(10))
    return 86400.0 * days + total


def _days(years: Array, months: Array, days: Array) -> Array | None:
    """Days since 1970-01-01; None when one is no date."""
    keys, where = np.unique((years * 100.0 + months) * 100.0 + days, return_inverse=True)
    try:
        ordinals = [date(int(k) // 10000, int(k) // 100 % 100, int(k) % 100).toordinal() - _EPOCH_DAY for k in keys]
    except ValueError:
        return None
    return np.array(ordinals, dtype=np.float64)[where]
