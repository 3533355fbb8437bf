"""The columns of a delimited file as numbers: regular blocks in one go, the others cell by cell with their faults."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.errors import FileFormatError
from linelab.io.recordings_blocks import regular_block, text_blocks
from linelab.io.recordings_layout import GAPS, Layout
from linelab.io.recordings_time import parse_times
from linelab.units import Array
from linelab.values import counted

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
