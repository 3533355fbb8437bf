"""The columns of a delimited file as numbers: regular blocks in one go, the others cell by cell with their faults.

A block is regular when every line has the same number of fields and every wanted field is a number, a gap or a time of
one layout.  Anything else is left to the careful reader of rows, block by block, so that one odd cell costs little.
"""

from __future__ import annotations

import csv
import re
import warnings
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from io import TextIOWrapper
from itertools import chain, islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import counted
from linelab.errors import FileFormatError
from linelab.files.recordings.channel_units import parse_times
from linelab.files.recordings.table_layout import GAPS, Layout
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


_CHUNK = 20_000


@dataclass(slots=True)
class Faults:
    """What could not be read, counted, with the first line of each kind."""

    short: int = 0
    short_line: int = 0
    unread: Counter[str] = field(default_factory=Counter)
    first: dict[str, tuple[int, str]] = field(default_factory=dict)

    def notes(self) -> list[str]:
        """Sentences on what was left out or read as a gap."""
        notes = [
            f"{counted(count, 'cell')} of {role} read as gaps, the first at line {line} ('{text}')"
            for (role, count), (line, text) in zip(self.unread.items(), self.first.values())
        ]
        if self.short:
            notes.append(
                f"{counted(self.short, 'line')} with too few columns left out, the first at line {self.short_line}"
            )
        return notes


def check_short(path: Path, faults: Faults, rows: int, *, certain: bool = True) -> None:
    """Refuse a file with more lines too short than usable ones; while reading, only where they are very many more.

    Raises
    ------
    FileFormatError
    """
    if faults.short > (rows if certain else max(10 * rows, 100_000)):
        raise FileFormatError(
            f"{faults.short} lines have too few columns",
            path=path,
            line=faults.short_line,
            found=f"{rows} usable lines",
            expected="as many columns as in the first line of data",
            remedy="Check the delimiter",
        )


@dataclass(slots=True)
class _Gathered:
    """Columns read so far, in pieces, and the number of the next line."""

    layout: Layout
    chosen: Mapping[str, int]
    times: Mapping[int, str]
    line: int
    pieces: dict[str, list[Array]]
    numbers: list[NDArray[np.int64]] = field(default_factory=list)
    faults: Faults = field(default_factory=Faults)


def read_columns(
    path: Path, layout: Layout, chosen: Mapping[str, int], kind: str, progress: Callable[[str], None]
) -> tuple[dict[str, Array], NDArray[np.int64], Faults]:
    """Stream the file into one array a role.

    Parameters
    ----------
    path, layout
    chosen : mapping of role to index of its column
    kind : str
        How the time column is written: "number", "stamp" or "clock".
    progress : callable
        Told how far the reading is.

    Returns
    -------
    columns : dict of role to (N,) array
        As written, times other than numbers in seconds; gaps are NaN.
    lines : (N,) array of int
        Line number of each row.
    faults : Faults

    Raises
    ------
    FileFormatError
        A line that cannot be split, no line of data.
    """
    got = _Gathered(
        layout=layout,
        chosen=chosen,
        times={chosen["time"]: kind} if kind != "number" else {},
        line=layout.first_data_line,
        pieces={role: [] for role in chosen},
    )
    blocks = text_blocks(path, layout.encoding, got.line - 1, progress)
    for text in blocks:
        if '"' in text and layout.delimiter != " ":
            # A quoted field may hold line ends, even those between blocks: from here on row by row.
            _gather_rows(path, got, chain(_lines(text), chain.from_iterable(map(_lines, blocks))))
        elif not text.strip("\n"):
            got.line += len(text)
        elif not _gather_block(got, text):
            _gather_rows(path, got, _lines(text))
        check_short(path, got.faults, sum(part.size for part in got.numbers), certain=False)
    if not got.numbers:
        raise FileFormatError("no line of data could be read", path=path, remedy="Check the delimiter and the columns")
    columns = {role: np.concatenate(got.pieces.pop(role)) for role in chosen}
    return columns, np.concatenate(got.numbers), got.faults


def _gather_block(got: _Gathered, text: str) -> bool:
    """Take a regular block; False when it is not regular."""
    layout, wanted = got.layout, sorted(set(got.chosen.values()))
    columns = regular_block(text, layout.delimiter, len(layout.first_row), wanted, got.times, layout.decimal_comma)
    if columns is None:
        return False
    count = text.count("\n")
    for role, index in got.chosen.items():
        got.pieces[role].append(columns[index])
    got.numbers.append(np.arange(got.line, got.line + count))
    got.line += count
    return True


def _gather_rows(path: Path, got: _Gathered, lines: Iterable[str]) -> None:
    """Read rows cell by cell; faults are noted with their lines."""
    for rows, taken in _rows(path, got.layout, lines, got.line):
        kept, numbers = _drop_short(rows, got.line, max(got.chosen.values()) + 1, got.faults)
        got.line += taken
        if not kept:
            continue
        got.numbers.append(np.array(numbers, dtype=np.int64))
        for role, index in got.chosen.items():
            cells = [row[index] for row in kept]
            timed = index in got.times
            column = parse_times(cells, got.times[index]) if timed else _floats(cells, got.layout.decimal_comma)
            got.pieces[role].append(column)
            _note_unread(got.faults, role, cells, column, numbers)


def _lines(text: str) -> list[str]:
    """Lines of a block, without what ends them."""
    return text.split("\n")[:-1]


def _rows(path: Path, layout: Layout, lines: Iterable[str], line: int) -> Iterator[tuple[list[list[str]], int]]:
    """Rows in chunks, each with the number of lines it took."""
    if layout.delimiter == " ":
        plain: Iterator[list[str]] = (text.split() for text in lines)
        while rows := list(islice(plain, _CHUNK)):
            yield [row or [""] for row in rows], len(rows)
        return
    reader = csv.reader((text.replace("\0", "") + "\n" for text in lines), delimiter=layout.delimiter)
    done = 0
    while True:
        try:
            rows = list(islice(reader, _CHUNK))
        except csv.Error as error:
            raise FileFormatError(
                f"the line cannot be split into columns ({error})",
                path=path,
                line=line + reader.line_num - 1 - done,
                remedy="Look for a stray quotation mark",
            ) from error
        if not rows:
            return
        yield [row or [""] for row in rows], reader.line_num - done
        line += reader.line_num - done
        done = reader.line_num


def _drop_short(rows: list[list[str]], line: int, widest: int, faults: Faults) -> tuple[list[list[str]], list[int]]:
    """Leave out comment lines, blank lines and lines with too few columns; count the last."""
    kept, numbers = [], []
    for number, row in enumerate(rows, start=line):
        if row[0].startswith("#"):
            continue
        if len(row) >= widest:
            kept.append(row)
            numbers.append(number)
        elif any(row):
            faults.short_line = faults.short_line or number
            faults.short += 1
    return kept, numbers


def _floats(cells: Sequence[str], decimal_comma: bool) -> Array:
    """Numbers of a column; NaN where a cell is none."""
    texts = [cell.replace(",", ".") for cell in cells] if decimal_comma else cells
    try:
        column = np.fromiter(map(float, texts), dtype=np.float64, count=len(texts))
    except ValueError:
        column = np.fromiter(map(_float_or_nan, texts), dtype=np.float64, count=len(texts))
    column[~np.isfinite(column)] = np.nan
    return column


def _float_or_nan(text: str) -> float:
    """The number, or NaN."""
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _note_unread(faults: Faults, role: str, cells: Sequence[str], column: Array, lines: Sequence[int]) -> None:
    """Count the cells that hold text which is neither a number nor a mark for a gap."""
    for i in map(int, np.flatnonzero(np.isnan(column))):
        text = " ".join(cells[i].split())  # a quoted cell may hold line ends, a message must not
        if text.lower() not in GAPS:
            faults.unread[role] += 1
            faults.first.setdefault(role, (lines[i], text[:40]))
