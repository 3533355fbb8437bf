"""What many tests look at, worked out once in each process and changed by none."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

from linelab.cli.demo import demo_recording
from linelab.coaching.from_recording import choose_laps, find_ground, review_recording
from linelab.files.bundled import DEMO_KART, DEMO_POSITION_ERROR, DEMO_TRACK
from linelab.files.kart_file import load_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track
from linelab.optimum.minimum_time import solve_min_time
from linelab.recorded.samples import own_plane
from linelab.recorded.start_line import start_line_at

#: A real session, where outside recordings lie beside the project, and the ends of a start line (its SOURCES note).
OUTSIDE = Path(os.environ.get("LINELAB_SHARED", Path(__file__).parents[3] / "shared")) / "data"
REAL = OUTSIDE / "kart_recording" / "GX030390.csv"
REAL_LINE = ((-5.931671, 37.557169), (-5.931929, 37.557236))


@cache
def solved(track: str, kart: str):
    """The computed lap of a bundled kart on a bundled track."""
    return solve_min_time(load_track(track), load_kart(kart))


@cache
def demo_ground():
    """The demo's recording and the ground it is read on."""
    recording = load_recording(demo_recording())
    return recording, find_ground(recording, load_track(DEMO_TRACK), position_error=DEMO_POSITION_ERROR)


@cache
def demo_review():
    """The demo's session, reviewed."""
    recording, ground = demo_ground()
    laps = choose_laps(ground.laps)
    return review_recording(recording, ground, load_kart(DEMO_KART), laps, reference=solved(DEMO_TRACK, DEMO_KART))


@cache
def real_review():
    """The real session without a survey of its track, reviewed."""
    recording = load_recording(REAL)
    ground = find_ground(recording, None, start_line=start_line_at(own_plane(recording), *REAL_LINE), name="real")
    return review_recording(recording, ground, load_kart("rental-four-stroke"), choose_laps(ground.laps))
