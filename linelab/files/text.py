"""Text files: reading them with their faults named, and writing tables as CSV."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from linelab.errors import FileFormatError, on_one_line
from linelab.units import Array

#: Bytes read to judge a file.
HEAD = 1 << 16
#: How zip files (workbooks among them), gzip, bzip2, xz and 7z files, and old workbooks begin.
PACKED = (b"PK\x03\x04", b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf", b"\xd0\xcf\x11\xe0")


def read_head(path: Path) -> bytes:
    """First bytes of a file.

    Raises
    ------
    FileFormatError
        The file is missing, a folder, unreadable, packed or empty.
    """
    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
    except FileNotFoundError as error:
        raise FileFormatError("no such file", path=path, remedy="Check the spelling and the folder") from error
    except IsADirectoryError as error:
        raise FileFormatError("this is a folder, not a file", path=path, remedy="Name one recording in it") from error
    except OSError as error:
        reason = error.strerror or "unknown reason"
        raise FileFormatError(
            f"cannot be opened: {reason}", path=path, remedy="Check the file and its rights"
        ) from error
    if head.startswith(PACKED):
        raise FileFormatError(
            "this is a packed file or a workbook, not a recording",
            path=path,
            expected="CSV, GPX, NMEA 0183 or GeoJSON text",
            remedy="Unpack it, or save the sheet as CSV",
        )
    if not head.strip(b" \t\r\n\x00\xef\xbb\xbf"):
        raise FileFormatError("the file is empty", path=path, remedy="Export the recording again from the logger")
    return head


def text_encoding(path: Path, head: bytes) -> str:
    """Encoding of a text file, judged by its first bytes.

    Raises
    ------
    FileFormatError
        The bytes are not text.
    """
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    control = sum(byte < 9 or 13 < byte < 32 for byte in head)
    if control > 0.01 * len(head):
        half = head[1::2].count(0), head[0::2].count(0)
        if min(half) < 0.02 * max(half) and max(half) > 0.3 * len(head) / 2:
            return "utf-16-le" if half[0] > half[1] else "utf-16-be"
        raise FileFormatError(
            "this is not a text file",
            path=path,
            found=f"binary data beginning {head[:4].hex(' ')}",
            expected="CSV or GPX text",
            remedy="Export the recording from the logger as CSV or GPX",
        )
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:
            return "cp1252"
    return "utf-8-sig"


def check_degrees(path: Path, lon: Array, lat: Array, lines: NDArray[Any] | None) -> None:
    """Check that longitudes and latitudes are on the globe; NaN gaps pass.

    Parameters
    ----------
    path : Path
    lon, lat : (N,) array
        [deg].
    lines : (N,) array or None
        Line number of each sample, for the message.

    Raises
    ------
    FileFormatError
        No sample has a position, or values are outside the globe (with the likely cause).
    """
    known = np.isfinite(lon) & np.isfinite(lat)
    if not known.any():
        raise FileFormatError(
            "no sample has a position", path=path, remedy="Check which columns hold latitude and longitude"
        )
    outside = known & ((np.abs(lat) > 90.0) | (np.abs(lon) > 180.0))
    if not outside.any():
        return
    first = int(np.flatnonzero(outside)[0])
    found = f"latitude {lat[first]:.10g}, longitude {lon[first]:.10g}"
    expected = "latitude within 90 and longitude within 180 degrees"
    share = outside.sum() / known.sum()
    swapped = bool((np.abs(lon[known]) <= 90.0).mean() > 0.9 and (np.abs(lat[known]) <= 180.0).mean() > 0.9)
    if share > 0.5 and swapped:
        remedy = "Latitude and longitude look swapped: name the columns the other way round"
    elif share > 0.5 and (np.abs(lat[known]) > 1e5).mean() > 0.5:
        remedy = "These look like degrees times ten million: state the unit 1e-7deg for both"
    elif share > 0.5:
        remedy = "These may be degrees and minutes run together: export decimal degrees"
    else:
        remedy = f"{int(outside.sum())} of {int(known.sum())} samples are off the globe: repair or remove these lines"
    raise FileFormatError(
        "position outside the globe",
        path=path,
        line=None if lines is None else int(lines[first]),
        found=found,
        expected=expected,
        remedy=remedy,
    )


#: Larger files are no track: a kilometre surveyed each centimetre has 20 MB [bytes].
MAX_BYTES = 64 * 2**20


def read_text(path: str | Path, expected: str) -> str:
    """Read a UTF-8 text file (a byte order mark is accepted).

    Parameters
    ----------
    path : str or Path
    expected : str
        What the file should be, for messages: "GeoJSON".

    Raises
    ------
    FileFormatError
        Missing, a folder, empty, too large, binary or in another encoding.
    """
    file = Path(path)
    if not file.exists():
        raise FileFormatError("no such file", path=path, remedy="Check the name and the folder")
    if file.is_dir():
        raise FileFormatError("this is a folder", path=path, remedy=f"Give a {expected} file in it")
    if file.stat().st_size > MAX_BYTES:
        raise FileFormatError(f"larger than {MAX_BYTES // 2**20} MB", path=path, remedy="Give a file with one track")
    try:
        raw = file.read_bytes()
    except OSError as error:
        raise FileFormatError(
            f"cannot be read ({error.strerror})", path=path, remedy="Check its access rights"
        ) from error
    if not raw.strip():
        raise FileFormatError("the file is empty", path=path, remedy=f"Export the {expected} again")
    if raw.startswith(PACKED):
        raise FileFormatError(
            "this is a packed file", path=path, expected=f"{expected} text", remedy="Unpack it and name the file inside"
        )
    if b"\0" in raw[:4096]:
        raise FileFormatError(
            "this is a binary file", path=path, expected=f"{expected} text", remedy=f"Export the track as {expected}"
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise FileFormatError(
            "this is not UTF-8 text",
            path=path,
            line=line,
            expected=f"{expected} in UTF-8",
            remedy=f"Save the file as {expected} with UTF-8 encoding",
        ) from error


#: Where a spreadsheet begins a cell with what makes it a formula, whichever delimiter it goes by; full-width forms
#: too.  Quotes may stand between: split by another delimiter, a doubled quote opens and closes an empty text.
_FORMULA = re.compile(r"(^|[,;\t|])([\s\"]*)(?=[=+\-@\uff1d\uff0b\uff0d\uff20])")
_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?")


def csv_cell(value: object) -> str:
    """A cell of CSV: numbers as they are; text on one line, with an apostrophe where it would begin a formula."""
    text = str(value)
    return text if _NUMBER.fullmatch(text) else _FORMULA.sub(r"\1\2'", on_one_line(text))


def csv_text(rows: Iterable[Iterable[object]], comments: Iterable[str] = (), *, line_end: str = "\r\n") -> str:
    """Rows as CSV (RFC 4180) under comment lines that start with '#'; each comment once.  Cells are
    :func:`csv_cell`."""
    out = io.StringIO()
    out.writelines(f"{csv_cell(f'# {comment}')}{line_end}" for comment in dict.fromkeys(comments))
    csv.writer(out, lineterminator=line_end).writerows([csv_cell(cell) for cell in row] for row in rows)
    return out.getvalue()
