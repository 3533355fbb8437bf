"""How a delimited text file is laid out: encoding, delimiter, header, unit row, first data line, roles of columns."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from linelab.errors import FileFormatError
from linelab.files.recordings.channel_units import canonical_unit, is_unit, near_miss, role_of, split_header, time_kind
from linelab.files.text import HEAD, text_encoding

_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
GAPS = frozenset({"", "-", "--", "na", "n/a", "nan", "null", "none"})  #: cells that mean "nothing recorded"
_MAX_COLUMNS = 2000


@dataclass(frozen=True, slots=True)
class Layout:
    """How a delimited file is laid out; lines are counted from 1."""

    encoding: str
    delimiter: str
    decimal_comma: bool
    titles: tuple[str, ...]  #: empty when the file has no header line
    units: tuple[str, ...]  #: from the unit row or the titles; "" where none is stated
    first_data_line: int
    first_row: tuple[str, ...]


def find_layout(path: Path, head: bytes) -> Layout:
    """Work out encoding, delimiter, header and unit row from the first bytes.

    Raises
    ------
    FileFormatError
        No table of numbers is found.
    """
    encoding = text_encoding(path, head)
    text = head.decode(encoding, errors="replace")
    lines = re.split(r"\r\n|\n|\r", text)
    if len(head) >= HEAD and len(lines) > 1:
        lines = lines[:-1]
    best = max(",;\t| ", key=lambda mark: _table_score(lines, mark))
    rows = [_fields(line, best) for line in lines]
    width = _table_width(rows)
    first = next((i for i, row in enumerate(rows) if len(row) == width and _is_data(row)), None)
    if first is None or width < 2:
        filled = next((i for i, line in enumerate(lines) if line.strip()), None)
        raise FileFormatError(
            "no table of numbers found",
            path=path,
            line=None if filled is None else filled + 1,
            found="nothing" if filled is None else f"'{lines[filled].strip()[:60]}'",
            expected="a line of column names, then lines of numbers with one delimiter",
            remedy="Export the recording as CSV",
        )
    above = [row for row in rows[:first] if len(row) == width]
    unit_row: list[str] = []
    if len(above) >= 2 and _is_unit_row(above[-1]):
        unit_row = above.pop()
    titles = tuple(cell.strip().lstrip("#").strip() for cell in above[-1]) if above else ()
    stated = [canonical_unit(cell.strip("[]() ")) if cell.strip() else "" for cell in unit_row]
    if titles and not stated:
        stated = [split_header(title)[1] for title in titles]
    comma = best != "," and any(re.fullmatch(r"[+-]?\d*,\d+", cell.strip()) for row in rows[first:] for cell in row)
    return Layout(encoding, best, comma, titles, tuple(stated), first + 1, tuple(rows[first]))


def _fields(line: str, delimiter: str) -> list[str]:
    """Fields of one line, as :mod:`csv` splits it."""
    if delimiter == " ":
        return line.split()
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:
        return []


def _table_width(rows: Sequence[Sequence[str]]) -> int:
    """Most frequent number of fields among lines of two or more."""
    counts = Counter(len(row) for row in rows if 2 <= len(row) <= _MAX_COLUMNS)
    return counts.most_common(1)[0][0] if counts else 0


def _table_score(lines: Sequence[str], delimiter: str) -> float:
    """How table-like the lines are under a delimiter: share of numbers in rows of one width, more columns first.

    By their commas ``0,1;5,2;51,3`` are four fields, but two of them are no numbers.
    """
    rows = [_fields(line, delimiter) for line in lines[-400:]]
    width = _table_width(rows)
    if width < 2:
        return 0.0
    good = sum(_numbers(row) for row in rows if len(row) == width and _is_data(row))
    return good / len(rows) + 0.001 * min(width, 100) * (good > 0)


def _is_data(row: Sequence[str]) -> bool:
    """True when at least half of the filled fields are numbers or times."""
    return 2.0 * _numbers(row) >= 1.0 and not row[0].lstrip().startswith("#")


def _numbers(row: Sequence[str]) -> float:
    """Share of the filled fields that are numbers or times; 0 where none is filled."""
    cells = [cell.strip() for cell in row if cell.strip().lower() not in GAPS]
    hits = sum(bool(_NUMBER.match(cell)) or (len(cell) > 3 and time_kind(cell) is not None) for cell in cells)
    return hits / len(cells) if cells else 0.0


def _is_unit_row(row: Sequence[str]) -> bool:
    """True when most of the filled fields are units."""
    cells = [cell.strip("[]() ") for cell in row if cell.strip("[]() ")]
    return bool(cells) and sum(is_unit(cell) for cell in cells) >= 0.6 * len(cells)


def choose_columns(path: Path, layout: Layout, wanted: Mapping[str, str | int]) -> dict[str, int]:
    """Column index by role: the caller's choice first, then the names of the header.

    Raises
    ------
    FileFormatError
        A named column is missing, or time or positions cannot be found.
    """
    chosen = {role: _column_index(path, layout, role, column) for role, column in wanted.items()}
    for index, title in enumerate(layout.titles):
        role = role_of(split_header(title)[0])
        if role is not None and role not in chosen and index not in chosen.values():
            chosen[role] = index
    if "time" not in chosen and "date" in chosen:
        chosen["time"] = chosen.pop("date")
    if "lon" in chosen and "lat" in chosen and not {"x", "y"} <= wanted.keys():
        chosen.pop("x", None)
        chosen.pop("y", None)
    elif "x" in chosen and "y" in chosen:
        chosen.pop("lon", None)
        chosen.pop("lat", None)
    placed = "x" in chosen and "y" in chosen
    if "time" not in chosen:
        raise _unfound(path, layout, "no column is recognised as the time", "time", _naming("time"))
    if not placed and "lat" not in chosen and "lon" not in chosen:
        remedy = f"{_naming('lat', 'lon')}, or x and y alike"
        raise _unfound(path, layout, "no columns are recognised as positions", "latitude", remedy)
    for role, word in (("lat", "latitude"), ("lon", "longitude")):
        if not placed and role not in chosen:
            raise _unfound(path, layout, f"no column is recognised as the {word}", word, _naming(role))
    return chosen


def _naming(*roles: str) -> str:
    """How to name columns, at the command line and in Python."""
    options = " ".join(f"--column {role}=TITLE" for role in roles)
    return f"{options} (in Python: columns={{{', '.join(f'{role!r}: ...' for role in roles)}}})"


def _unfound(path: Path, layout: Layout, what: str, wanted: str, remedy: str) -> FileFormatError:
    """The error for a role that no column fills."""
    listing = near_miss(wanted, layout.titles) if layout.titles else _unnamed(layout)
    return FileFormatError(
        what,
        path=path,
        line=layout.first_data_line,
        found=f"{len(layout.first_row)} columns",
        expected=f"one titled '{wanted}'",
        remedy=f"Name it with {remedy}; {listing}",
    )


def _unnamed(layout: Layout) -> str:
    """What to say of a file without a header."""
    return f"the file has no column names, so give numbers from 1 to {len(layout.first_row)}"


def _column_index(path: Path, layout: Layout, role: str, column: str | int) -> int:
    """Index of the caller's column: a title, or a number counted from 1."""
    titles = [title.lower() for title in layout.titles]
    text = str(column).strip()
    if text.lower() in titles:
        return titles.index(text.lower())
    plain = [split_header(title)[0] for title in layout.titles]
    if split_header(text)[0] in plain and not text.isdigit():
        return plain.index(split_header(text)[0])
    if text.isdigit() and 1 <= int(text) <= len(layout.first_row):
        return int(text) - 1
    listing = near_miss(text, layout.titles) if layout.titles else _unnamed(layout)
    raise FileFormatError(
        f"no column '{text}' for {role}",
        path=path,
        line=layout.first_data_line,
        remedy=listing[0].upper() + listing[1:],
    )
