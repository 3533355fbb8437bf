"""Several files of one session joined into one recording."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from linelab.errors import FileFormatError, InputError
from linelab.io.recordings import load_recording
from linelab.lap import Recording
from linelab.units import Array
from linelab.values import counted


def load_session(
    paths: Sequence[str | os.PathLike[str]],
    *,
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Recording:
    """Read files that continue one session and join them.

    Files that know the absolute time are put in its order.  Others must continue one clock in the order given, as a
    recorder's does that cuts a long session into files without starting its clock anew.

    Parameters
    ----------
    paths : sequence of path
    columns, units, progress
        As for :func:`linelab.io.recordings.load_recording`, for every file.

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
    """
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
        known.sort(key=lambda pair: pair[0])
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
        start_clock=placed[0].start_clock,
    )


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


def _notes(known: Sequence[tuple[float, Recording]]) -> list[str]:
    """How the files follow each other, then what is said of each, once where all say the same."""
    breaks = [
        f"{after - start - float(part.t.max()):.1f} s before {Path(follower.source).name}"
        for (start, part), (after, follower) in pairwise(known)
    ]
    notes = [f"joined from {counted(len(known), 'file')}; breaks of {', '.join(breaks)}"]
    common = set.intersection(*(set(part.notes) for _, part in known))
    notes += [note for note in known[0][1].notes if note in common]
    for _, part in known:
        notes += [f"{Path(part.source).name}: {note}" for note in part.notes if note not in common]
    return notes
