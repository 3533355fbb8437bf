"""Load a recording, or the files of one session as one: facts only, nothing cleaned, nothing guessed that matters."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from linelab.arrays import counted
from linelab.errors import FileFormatError, InputError, check_kinds
from linelab.files.bundled import bundled, bundled_recordings
from linelab.files.recordings.channel_units import check_roles
from linelab.files.recordings.geojson_times import read_geojson
from linelab.files.recordings.gpx import read_gpx
from linelab.files.recordings.nmea import is_nmea, read_nmea
from linelab.files.recordings.table import read_csv
from linelab.files.text import read_head
from linelab.measured import TO_95, plus_minus
from linelab.model.lap import Recording
from linelab.units import Array

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

    The content decides which of them it is, not the name.

    Parameters
    ----------
    path : path
        A file, or a name of :func:`linelab.bundled_recordings`.
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

    References
    ----------
    RFC 4180 (CSV), GPX 1.1, NMEA 0183, RFC 7946 (GeoJSON).

    Examples
    --------
    >>> import linelab
    >>> linelab.load_recording("ostrelle_practice")
    Recording 'ostrelle_practice.csv', 5565 samples over 556 s, positions, speed, course

    Titles that are not recognised are named:

    >>> from pathlib import Path
    >>> rows = [f"{0.1 * k:.1f},{5.0 + 1e-5 * k:.5f},51,36" for k in range(50)]
    >>> _ = Path("session.csv").write_text("\\n".join(["zeit,laenge,breite,tempo", *rows]))
    >>> recording = linelab.load_recording("session.csv", columns={"speed": "tempo"}, units={"speed": "km/h"})
    >>> float(recording.speed[0])
    10.0
    """
    check_kinds("load_recording", path=(path, (str, os.PathLike)))
    check_kinds("load_recording", columns=(columns or {}, Mapping), units=(units or {}, Mapping))
    check_roles((*(columns or {}), *(units or {})))
    file = Path(path)
    if not file.exists():
        file = bundled(file, bundled_recordings()) or file
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


def load_session(
    paths: Sequence[str | os.PathLike[str]],
    *,
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Recording:
    """Read files that continue one session and join them.

    Files that know the absolute time are put in its order, also where it only labels some of their samples and their
    own clocks start anew; how uncertain the join is stands in the notes.  Others must continue one clock in the order
    given, as a recorder's does that cuts a long session into files without starting its clock anew.

    Parameters
    ----------
    paths : sequence of path
    columns, units : mapping, optional
    progress : callable
        As for :func:`linelab.load_recording`, for every file.

    Returns
    -------
    Recording
        The channel ``file`` numbers the files from 1 in order of time; channels that a file lacks are gaps.

    Raises
    ------
    FileFormatError
        A file cannot be read, starts before the one before it ends, or does not say when it was recorded.
    InputError
        No path.

    Examples
    --------
    >>> import dataclasses, linelab
    >>> whole = linelab.load_recording("ostrelle_practice")
    >>> halves = [slice(0, 3000), slice(3000, None)]
    >>> for number, half in enumerate(halves):
    ...     part = linelab.Recording(t=whole.t[half], lon=whole.lon[half], lat=whole.lat[half], speed=whole.speed[half])
    ...     linelab.save_recording(part, f"part{number}.csv")
    >>> linelab.load_session(["part0.csv", "part1.csv"]).t.size == whole.t.size
    True
    """
    if isinstance(paths, str | os.PathLike):
        raise InputError(
            f"paths is one path, {str(paths)!r}",
            where="load_session",
            remedy="Give a list, or use linelab.load_recording",
        )
    if not paths:
        raise InputError("no recording given", where="paths", remedy="Name the files of the session")
    parts = [load_recording(path, columns=columns, units=units, progress=progress) for path in paths]
    return join_recordings(parts) if len(parts) > 1 else parts[0]


def join_recordings(parts: Sequence[Recording]) -> Recording:
    """Join recordings of one session; see :func:`load_session`."""
    absolute = all(part.start_utc is not None for part in parts)
    starts = [part.start_utc if absolute else part.start_clock for part in parts]
    known = [(start, part) for start, part in zip(starts, parts) if start is not None]
    if len(known) < len(parts):
        lacking = next(part for start, part in zip(starts, parts) if start is None)
        raise FileFormatError(
            "the file does not say when it was recorded", path=lacking.source, expected="times since 1970 or ISO 8601",
            remedy="Review the files one by one",
        )  # fmt: skip
    if absolute:
        known = _in_order(known)
    _check_order(known, absolute)
    _check_positions([part for _, part in known])
    first = known[0][0]
    sizes = [part.t.size for _, part in known]
    placed = [part for _, part in known]
    channels = {
        name: np.concatenate([part.channels.get(name, np.full(part.t.size, np.nan)) for part in placed])
        for name in dict.fromkeys(name for part in placed for name in part.channels)
    }
    channels["file"] = np.repeat(np.arange(1.0, len(placed) + 1), sizes)
    return Recording(
        t=np.concatenate([part.t + (start - first) for start, part in known]),
        lon=_joined([part.lon for part in placed], sizes),
        lat=_joined([part.lat for part in placed], sizes),
        x=_joined([part.x for part in placed], sizes),
        y=_joined([part.y for part in placed], sizes),
        speed=_joined([part.speed for part in placed], sizes),
        channels=channels,
        source=" + ".join([placed[0].source, *(Path(part.source).name for part in placed[1:])]),
        notes=tuple(_notes(known)),
        start_utc=first if absolute else None,
        start_utc_sigma=placed[0].start_utc_sigma if absolute else 0.0,
        start_clock=placed[0].start_clock,
    )


def _in_order(known: Sequence[tuple[float, Recording]]) -> list[tuple[float, Recording]]:
    """Parts by absolute time; one that begins before the last one ends by no more than the times are uncertain follows
    it at a sample's distance."""
    placed: list[tuple[float, Recording]] = []
    for start, part in sorted(known, key=lambda pair: pair[0]):
        if placed:
            before, last = placed[-1]
            end = before + float(last.t.max())
            if end - TO_95 * _apart_sigma(last, part) < start <= end:
                start = end + float(np.median(np.diff(last.t)))
        placed.append((start, part))
    return placed


def _apart_sigma(part: Recording, follower: Recording) -> float:
    """Standard deviation of the time between two recordings' beginnings [s]."""
    return math.hypot(part.start_utc_sigma, follower.start_utc_sigma)


def _check_order(known: Sequence[tuple[float, Recording]], absolute: bool) -> None:
    """Refuse parts that begin before the one before them ends."""
    for (start, part), (after, follower) in pairwise(known):
        end = start + float(part.t.max())
        if after > end:
            continue
        name = Path(part.source).name
        if absolute:
            remedy = "Leave out one of the two, or review them one by one: they may be two recorders of one session"
        else:
            remedy = "Give the files in the order they were recorded, or review them one by one: the clock starts anew"
        raise FileFormatError(
            f"overlaps {name} by {end - after:.1f} s",
            path=follower.source,
            found=f"a start {after - start:+.1f} s after that of {name}",
            expected=f"more than {end - start:.1f} s",
            remedy=remedy,
        )


def _check_positions(parts: Sequence[Recording]) -> None:
    """Refuse a mixture of longitude and latitude with local metres."""
    kinds = {part.lon is None for part in parts}
    if len(kinds) > 1:
        odd = next(part for part in parts if (part.lon is None) != (parts[0].lon is None))
        raise FileFormatError(
            "positions are of another kind than in the first file", path=odd.source,
            found="local metres" if odd.lon is None else "longitude and latitude",
            remedy="Export all files alike",
        )  # fmt: skip


def _joined(columns: Sequence[Array | None], sizes: Sequence[int]) -> Array | None:
    """Columns after each other, gaps for those that lack it; None where all do."""
    if all(column is None for column in columns):
        return None
    return np.concatenate([np.full(n, np.nan) if c is None else c for c, n in zip(columns, sizes)])


def _doubt(part: Recording, follower: Recording) -> str:
    """How uncertain the time between two files is, where their labels of absolute time scatter; else empty."""
    sigma = _apart_sigma(part, follower)
    return f" ({plus_minus(sigma, 2)} s, as coarse as the files' labels of time are)" if sigma > 0.0 else ""


def _notes(known: Sequence[tuple[float, Recording]]) -> list[str]:
    """How the files follow each other, then what is said of each, once where all say the same."""
    breaks = [
        f"{after - start - float(part.t.max()):.1f} s{_doubt(part, follower)} before {Path(follower.source).name}"
        for (start, part), (after, follower) in pairwise(known)
    ]
    notes = [f"joined from {counted(len(known), 'file')}; breaks of {', '.join(breaks)}"]
    common = set.intersection(*(set(part.notes) for _, part in known))
    notes += [note for note in known[0][1].notes if note in common]
    for _, part in known:
        notes += [f"{Path(part.source).name}: {note}" for note in part.notes if note not in common]
    return notes
