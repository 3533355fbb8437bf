"""Which column of a delimited file is what: the caller's choice first, then the names in the header."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from linelab.errors import FileFormatError
from linelab.io.recordings_layout import Layout
from linelab.io.recordings_units import near_miss, role_of, split_header


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
