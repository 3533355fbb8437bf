"""Tables of a centre line with widths: CSV with a header, columns named by the user or recognised by name."""

from __future__ import annotations

import csv
import difflib
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linelab.errors import FileFormatError
from linelab.files.recordings.channel_units import UNITS, split_header
from linelab.files.text import read_text
from linelab.files.tracks.track_ranges import LARGEST_NUMBER, TRACK_RANGES
from linelab.units import Array

#: Header words recognised for each quantity, after lower case and without units or signs.
KNOWN = {
    "x": ("x", "east", "easting"),
    "y": ("y", "north", "northing"),
    "lon": ("lon", "long", "lng", "longitude"),
    "lat": ("lat", "latitude"),
    "z": ("z", "ele", "elevation", "alt", "altitude", "height"),
    "w_left": ("wleft", "wl", "left", "wtrleft", "widthleft", "leftwidth"),
    "w_right": ("wright", "wr", "right", "wtrright", "widthright", "rightwidth"),
    "width": ("width", "w", "trackwidth", "breite", "largeur", "ancho", "larghezza", "breedte"),
}
_WIDTHS = ("w_left", "w_right", "width")


@dataclass(frozen=True, kw_only=True, slots=True)
class Columns:
    """Names of the columns in the user's file; empty ones are recognised from the header where possible."""

    x: str = ""
    y: str = ""
    lon: str = ""
    lat: str = ""
    z: str = ""
    w_left: str = ""
    w_right: str = ""
    width: str = ""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CentreTable:
    """A centre line as read: (M,) arrays [m]; ``degrees`` says that the first two are longitude and latitude [deg].

    ``unit_stated`` is False where neither the caller nor the titles say what lengths are in: metres are taken.
    """

    first: Array
    second: Array
    degrees: bool
    z: Array | None
    w_left: Array | None
    w_right: Array | None
    unit_stated: bool
    titles: tuple[str, ...]


def read_centre_csv(path: str | Path, columns: Columns, metres_per_unit: float | None = None) -> CentreTable:
    """Read a table of a centre line.

    Parameters
    ----------
    path : str or Path
    columns : Columns
    metres_per_unit : float, optional
        Unit of all lengths, whatever their titles say; None takes it from the titles (``x_ft``, ``width [m]``).

    Comment lines start with ``#``; the header is the first line that holds words (commented or not).  Comma,
    semicolon, tab and decimal commas beside semicolons are understood.

    Raises
    ------
    FileFormatError
        No table, a column that is not there, an entry that is not a number (with its line), a unit that is no length.
    """
    file = Path(path)
    text = read_text(path, "CSV")
    header, rows, delimiter = _rows(text, file)
    named = _match(header, columns, file)
    need = [key for key in ("lon", "lat") if key in named]
    pair = ("lon", "lat") if len(need) == 2 else ("x", "y")
    for key in pair:
        if key not in named:
            raise FileFormatError(
                f"no column for {key}",
                path=path,
                found=f"columns {', '.join(header)}",
                expected="x and y in metres, or lon and lat in degrees",
                remedy=f"Name the column that holds {key}",
            )
    degrees = pair[0] == "lon"
    used = {key: _column(rows, index, header, delimiter, file) for key, index in named.items()}
    lengths = [key for key in used if key not in ("lon", "lat")]
    for key in lengths:
        used[key] = used[key] * _metres(header[named[key]], metres_per_unit, file)
    sized = [key for key in lengths if key in _WIDTHS or (key in pair and not degrees)]
    half = used["width"] / 2.0 if "width" in used else None
    return CentreTable(
        first=used[pair[0]],
        second=used[pair[1]],
        degrees=degrees,
        z=used.get("z"),
        w_left=used.get("w_left", half),
        w_right=used.get("w_right", half),
        unit_stated=metres_per_unit is not None or all(split_header(header[named[key]])[1] for key in sized),
        titles=tuple(header),
    )


def _metres(title: str, stated: float | None, path: Path) -> float:
    """Metres per unit of a column of lengths: as stated, else by its title, else 1."""
    if stated is not None:
        return stated
    unit = split_header(title)[1]
    if unit and unit not in UNITS["length"]:
        raise FileFormatError(
            f"column '{title}' is in '{unit}'",
            path=path,
            expected=f"a length ({', '.join(UNITS['length'])})",
            remedy="Correct the title, or name another column",
        )
    return UNITS["length"][unit] if unit else 1.0


def _rows(text: str, path: Path) -> tuple[list[str], list[tuple[int, list[str]]], str]:
    """Header, rows with their line numbers, and the delimiter."""
    lines = [(i, line.strip()) for i, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if len(lines) > (most := int(TRACK_RANGES["vertices"].high)):
        remedy = "Give one lap of the line, a point every few centimetres"
        raise FileFormatError(f"{len(lines)} rows", path=path, expected=f"{most} at most", remedy=remedy)
    sample = "\n".join(line for _, line in lines[:20])
    delimiter = max(";\t,", key=sample.count) if any(c in sample for c in ";\t,") else " "
    if ";" in sample and sample.count(";") * 2 >= sample.count(","):
        delimiter = ";"
    header: list[str] = []
    rows: list[tuple[int, list[str]]] = []
    for number, line in lines:
        comment = line.startswith("#")
        cells = [cell.strip() for cell in next(csv.reader([line.lstrip("# ")], delimiter=delimiter))]
        if comment or (not header and not rows and _is_header(cells)):
            if _is_header(cells) and len(cells) > 1 and not rows:
                header = cells
            continue
        rows.append((number, cells))
    if not rows:
        raise FileFormatError("no rows of numbers", path=path, remedy="Give a table with one point of the line a row")
    if not header:
        raise FileFormatError(
            "no header line",
            path=path,
            line=rows[0][0],
            expected="names such as x_m,y_m,w_left_m,w_right_m",
            remedy="Put the names of the columns in the first line",
        )
    return header, rows, delimiter


def _is_header(cells: list[str]) -> bool:
    return any(re.search(r"[A-Za-z]{1,}", cell) and cell.lower() not in ("nan", "inf") for cell in cells) and not any(
        re.fullmatch(r"[-+]?\d+([.,]\d*)?", cell) for cell in cells
    )


def _match(header: list[str], columns: Columns, path: Path) -> dict[str, int]:
    """Index of the column for each quantity that is there."""
    found: dict[str, int] = {}
    plain = [re.sub(r"[^a-z]", "", split_header(name)[0]) for name in header]
    for key, words in KNOWN.items():
        wanted = getattr(columns, key)
        if wanted:
            lower = [name.lower() for name in header]
            if wanted.lower() not in lower:
                near = difflib.get_close_matches(wanted, header, n=1)
                hint = f"Did you mean '{near[0]}'?" if near else "Check the name"
                raise FileFormatError(
                    f"no column '{wanted}'", path=path, found=f"columns {', '.join(header)}", remedy=hint.rstrip("?")
                )
            found[key] = lower.index(wanted.lower())
        else:
            hits = [i for i, name in enumerate(plain) if name in words]
            if hits:
                found[key] = hits[0]
    return found


def _column(rows: list[tuple[int, list[str]]], index: int, header: list[str], delimiter: str, path: Path) -> Array:
    values = np.empty(len(rows))
    for k, (number, cells) in enumerate(rows):
        cell = cells[index] if index < len(cells) else ""
        try:
            values[k] = float(cell.replace(",", ".") if delimiter == ";" else cell)
        except ValueError:
            values[k] = np.nan
        if not abs(values[k]) < LARGEST_NUMBER:  # NaN too
            raise FileFormatError(
                f"column '{header[index]}' holds no usable number",
                path=path,
                line=number,
                found=repr(cell),
                remedy="Repair or remove that row",
            )
    return values
