"""A session's recordings read: what the file says, what was assumed, which track it is, and the laps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from linelab.app.library import Library
from linelab.coaching.from_recording import Ground, find_ground
from linelab.errors import LinelabError, RecordingError
from linelab.files.recordings.load_recording import load_session
from linelab.files.recordings.table_layout import find_layout
from linelab.files.text import read_head
from linelab.files.tracks.track_file import load_track, reversed_track
from linelab.model.facts import track_facts
from linelab.model.lap import Recording
from linelab.model.track import Track
from linelab.motion.track_from_laps import ASSUMED_WIDTH
from linelab.output.display import in_units, units_named
from linelab.recorded.laps import complete_laps
from linelab.recorded.start_line import StartLine

Step = Callable[[str], None]

#: Points of a drawing of the laps.
DRAWN_POINTS = 2000
#: What a session's track is called where it is to be estimated although a known one fits.
ESTIMATED = "estimated"


def understand(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """What is in a session's recordings, before anything is computed from them."""
    library = Library(folder)
    session = library.session(given["session"])
    recording = session_recording(library, session, step)
    track_name, ground = session_ground(library, session, recording, step)
    units = units_named(session["shown_units"])
    return {
        "notes": [in_units(note, units) for note in recording.notes],
        "file": _file_facts(recording),
        "track": {
            "name": track_name,
            "title": ground.track.name,
            "length_text": units.length_text(track_facts(ground.track).length),
            "corners": len(ground.track.corners),
            "estimated": ground.track.survey.estimated,
        },
        "ground_notes": [in_units(note, units) for note in ground.notes],
        "laps": [
            {
                "number": lap.number,
                "label": lap.label,
                "time": lap.lap_time.value,
                "sigma": lap.lap_time.sigma,
                "status": lap.status,
                "reason": in_units(lap.reason, units),
            }
            for lap in ground.laps
        ],
        "drawing": _drawing(ground),
    }


def columns(folder: Path, given: dict[str, Any], step: Step) -> list[str]:
    """Titles of the columns of a session's first recording; none where it is no table."""
    library = Library(folder)
    session = library.session(given["session"])
    path = library.session_folder(session["name"]) / session["recordings"][0]["file"]
    step("looking for columns")
    try:
        return list(find_layout(path, read_head(path)).titles)
    except LinelabError:
        return []


def session_recording(library: Library, session: dict[str, Any], step: Step) -> Recording:
    """The recording of a session, its parts joined, read as the session says.

    Raises
    ------
    FileFormatError, RecordingError, InputError
    """
    folder = library.session_folder(session["name"])
    paths = [folder / item["file"] for item in session["recordings"]]
    step("reading the recording")
    read = load_session(paths, columns=session["columns"] or None, units=session["units"] or None, progress=step)
    return replace(read, source=", ".join(item["name"] for item in session["recordings"]))


def session_ground(library: Library, session: dict[str, Any], recording: Recording, step: Step) -> tuple[str, Ground]:
    """The track a session was driven on and its laps; the name is empty where the track is estimated.

    Where the session names no track, the known ones are tried: a recording of another place fits none of them.

    Raises
    ------
    RecordingError, TrackError, InputError
        Of the named track, or of the estimate.
    """
    error = session["position_error"]
    if session["track"] not in ("", ESTIMATED):
        step("cutting the laps")
        track = named_track(library, session["track"], session["reverse"])
        return session["track"], find_ground(recording, track, position_error=error)
    if session["track"] == "":
        found = _known_ground(library, recording, error, step)
        if found is not None:
            return found
    step("estimating the track from the laps")
    width = session["width"] or ASSUMED_WIDTH
    ends = session["start_line"]
    if ends is None:
        return "", find_ground(recording, None, assumed_width=width, position_error=error)
    line = StartLine(left=np.array(ends[0]), right=np.array(ends[1]))
    try:
        return "", find_ground(recording, None, start_line=line, assumed_width=width, position_error=error)
    except RecordingError:  # clicked from right to left: which way round the laps go was not known
        line = StartLine(left=line.right, right=line.left)
        return "", find_ground(recording, None, start_line=line, assumed_width=width, position_error=error)


def named_track(library: Library, name: str, reverse: bool = False) -> Track:
    """A track of the library, the other way round if so wished.

    Raises
    ------
    InputError, TrackError
    """
    track = load_track(library.path("track", name))
    return reversed_track(track) if reverse else track


def _known_ground(
    library: Library, recording: Recording, position_error: float | None, step: Step
) -> tuple[str, Ground] | None:
    """The known track on which most laps are complete; None where the recording is of none of them."""
    fitting: list[tuple[int, str, Ground]] = []
    for name, path in library.names("track").items():
        step(f"looking for the track: {name}?")
        try:
            ground = find_ground(recording, load_track(path), position_error=position_error)
        except LinelabError:
            continue
        fitting.append((len(complete_laps(ground.laps)), name, ground))
    if not fitting:
        return None
    _, name, ground = max(fitting, key=lambda item: item[0])
    return name, ground


def _file_facts(recording: Recording) -> dict[str, Any]:
    """What a file holds, in plain values."""
    steps, start = np.diff(recording.t), recording.start_utc
    moving = steps[steps > 0.0]
    channels = ["positions", *(["speed"] if recording.speed is not None else []), *sorted(recording.channels)]
    return {
        "samples": int(recording.t.size),
        "duration": round(float(recording.t.max() - recording.t.min()), 1),
        "rate": round(1.0 / float(np.median(moving)), 2) if moving.size else None,
        "day": None if start is None else datetime.fromtimestamp(start, UTC).date().isoformat(),
        "channels": channels,
    }


def _drawing(ground: Ground) -> dict[str, Any]:
    """The laps and the track's edges as lists of x, y [m], thinned for a small picture."""
    samples = ground.laps[0].samples
    every = max(1, samples.x.size // DRAWN_POINTS)
    driven = np.column_stack([samples.x, samples.y])[::every]
    left, right = ground.track.left_edge, ground.track.right_edge
    return {
        "driven": np.round(driven[np.isfinite(driven).all(axis=1)], 1).tolist(),
        "edges": [np.round(np.asarray(edge)[:, :2], 1).tolist() for edge in (left, right)],
    }
