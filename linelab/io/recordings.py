"""Load a recording: facts only, nothing cleaned, nothing guessed that matters."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from linelab.errors import FileFormatError
from linelab.io.recordings_checks import read_head
from linelab.io.recordings_csv import read_csv
from linelab.io.recordings_geojson import read_geojson
from linelab.io.recordings_gpx import read_gpx
from linelab.io.recordings_nmea import is_nmea, read_nmea
from linelab.io.recordings_units import check_roles
from linelab.lap import Recording

#: Default bound on a file's size [bytes].
MAX_BYTES = 4 * 1024**3


def load_recording(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
    max_bytes: int = MAX_BYTES,
    progress: Callable[[str], None] = lambda text: None,
) -> Recording:
    """Read a recording: CSV or other delimited text, GPX, an NMEA 0183 log, or GeoJSON lines with times.

    Which of them it is is told by the content, not by the name.

    Parameters
    ----------
    path : path
    columns : mapping, optional
        CSV only: which column holds what, by title or by number counted from 1, for example
        ``{"time": "t", "lat": "Breite", "lon": "Laenge", "speed": 7}``.  Roles not named are recognised by the titles
        of the header.  Roles: time; lon and lat, or x and y (local metres); speed; course, altitude, accuracy,
        hdop, satellites, fix, ax, ay, az, yaw_rate, engine_speed, throttle, brake, steering, temperature; date (a
        column of ISO dates beside clock times); any other name is kept as a channel as it stands, unless it is close
        to one of these.
    units : mapping, optional
        CSV only: unit of a role where the file does not say or says wrong: time s, ms, us, ns; speed m/s, km/h, mph,
        knots, ft/s; lon and lat deg, rad, 1e-7deg; x, y, altitude m, ft.
    max_bytes : int
        Files larger than this are refused.
    progress : callable
        Told what is being done, every few megabytes; may raise to stop.

    Returns
    -------
    Recording
        ``notes`` says what was taken for what, in which units, and what was left out.

    Raises
    ------
    FileFormatError
        The file is missing, empty, binary or too large; a column is missing; no times; no positions; positions
        outside the globe; the unit of speed is not stated.
    InputError
        A unit that is not one of the quantity's; a role misspelt.
    """
    check_roles((*(columns or {}), *(units or {})))
    file = Path(path)
    head = read_head(file)
    size = file.stat().st_size
    if size > max_bytes:
        raise FileFormatError(
            f"the file has {size / 1e6:.0f} MB, more than the limit of {max_bytes / 1e6:.0f} MB",
            path=file,
            remedy="Cut it into sessions (in Python: or raise max_bytes)",
        )
    start = head.lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n\x00")[:64].replace(b"\x00", b"")
    if start.startswith(b"<"):
        return _with_unused(read_gpx(file, progress), "GPX", columns, units)
    if start.startswith(b"{"):
        return _with_unused(read_geojson(file, units), "GeoJSON", columns, None)
    if is_nmea(head):
        return _with_unused(read_nmea(file, head, progress), "NMEA 0183", columns, units)
    return read_csv(file, head, columns=columns, units=units, progress=progress)


def _with_unused(
    recording: Recording, kind: str, columns: Mapping[str, str | int] | None, units: Mapping[str, str] | None
) -> Recording:
    """The recording with a note where columns or units were stated that files of this kind state themselves."""
    stated = [f"{what} of {', '.join(given)}" for what, given in (("column", columns), ("unit", units)) if given]
    if not stated:
        return recording
    unused = f"{' and '.join(stated)} stated, but not used: {kind} has its own"
    return replace(recording, notes=(*recording.notes, unused))
