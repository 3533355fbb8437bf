"""What is driven on: a track by name, or the ground under a recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from linelab.coaching.recorded import Ground
    from linelab.lap import Recording
    from linelab.track import Track

#: Ends of a start line, left first: longitude, latitude [deg] twice, or x, y [m] twice.
FourNumbers = tuple[float, float, float, float]


def named_track(name: str, reverse: bool) -> Track:
    """A track file or bundled track, driven the other way round if so wished."""
    from linelab.io.track_files import load_track, reversed_track

    track = load_track(name)
    return reversed_track(track) if reverse else track


def refuse_corridor_options(start_line: FourNumbers | None, width: float | None, instead: str) -> None:
    """Wrong usage where options of an estimated corridor are given without one."""
    if start_line is not None or width is not None:
        raise click.UsageError(f"--start-line and --width are for a corridor estimated from the laps, {instead}")


def recorded_ground(
    recording: Recording,
    track: Track | None,
    *,
    start_line: FourNumbers | None = None,
    width: float | None = None,
    position_error: float | None = None,
) -> Ground:
    """The track and the laps of a recording on it; without a track a corridor estimated from the laps."""
    from linelab.coaching.recorded import find_ground, recording_start_line
    from linelab.comparison.corridor_laps import ASSUMED_WIDTH

    line = None if start_line is None else recording_start_line(recording, start_line[:2], start_line[2:])
    return find_ground(
        recording,
        track,
        start_line=line,
        assumed_width=ASSUMED_WIDTH if width is None else width,
        name=Path(recording.source).stem,
        position_error=position_error,
    )
