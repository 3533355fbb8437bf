"""Recorded laps under a drawing: their points in its plane, and the shift by which they lie between its edges."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from linelab.app.library import Library
from linelab.app.tasks.drawn.track_drawing import build, check_shape_of, missing
from linelab.app.tasks.understanding import session_recording
from linelab.errors import InputError
from linelab.files.projection import LocalPlane
from linelab.geometry.locate import shift_onto_road
from linelab.geometry.room_beside import HALF_KART
from linelab.recorded.samples import own_plane, place_samples
from linelab.units import Array

Step = Callable[[str], None]

#: Points no nearer than this to the one before are shown [m], and so many at most.
_SPACING, _MOST = 1.0, 8000
#: A kart that is slower than this is in the pits or off the track [m/s].
_MOVING = 3.0
#: Laps farther from the drawing than this are of another place [m].
_ELSEWHERE = 5000.0
#: Digits of a new plane's origin [deg].
_DIGITS = 6


def laps_beneath(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """The driven lines of a session in a drawing's plane.

    Parameters
    ----------
    given : dict
        ``session``; ``origin`` of the drawing's plane or None; ``empty``: True where nothing is drawn or placed yet, so
        that the plane may become one about the laps.

    Returns
    -------
    dict
        ``lines`` of [x, y] [m], broken where the kart stood or the recording has a gap; ``origin``.

    Raises
    ------
    InputError
        One of drawing and recording has a place on Earth, the other has not; or the laps are of another place.
    """
    library = Library(folder)
    recording = session_recording(library, library.session(given["session"]), step)
    origin = given["origin"]
    if recording.lon is None:
        if origin is not None:
            raise InputError(
                "this recording has local metres, the drawing longitude and latitude", where=given["session"],
                remedy="Draw these laps' track in a new drawing",
            )  # fmt: skip
        plane = None
    elif origin is not None:
        plane = LocalPlane(origin_lon=origin[0], origin_lat=origin[1])
    elif given["empty"]:
        own = own_plane(recording)
        origin = [round(own.origin_lon, _DIGITS), round(own.origin_lat, _DIGITS)]
        plane = LocalPlane(origin_lon=origin[0], origin_lat=origin[1])
    else:
        raise InputError(
            "the drawing has no place on Earth yet, the laps have one", where=given["session"],
            remedy="Place the picture by points with longitude and latitude, then show the laps",
        )  # fmt: skip
    samples = place_samples(recording, plane)
    away = float(np.hypot(np.median(samples.x), np.median(samples.y)))
    if plane is not None and away > _ELSEWHERE:
        raise InputError(
            f"these laps are {away / 1000.0:.0f} km from the drawing", where=given["session"],
            remedy="Choose a session of this track",
        )  # fmt: skip
    return {"origin": origin, "lines": driven_lines(samples.t, samples.x, samples.y)}


def driven_lines(t: Array, x: Array, y: Array) -> list[list[list[float]]]:
    """Where the kart moved, as lines of [x, y] [m], thinned for a drawing.

    Parameters
    ----------
    t, x, y : (N,) array
        Time [s], position [m].
    """
    step, time = np.hypot(np.diff(x), np.diff(y)), np.diff(t)
    usual = float(np.median(time))
    moving = (step > _MOVING * time) & (time < max(2.0, 4.0 * usual))
    along = np.concatenate([[0.0], np.cumsum(step)])
    spacing = max(_SPACING, float(along[-1]) / _MOST)
    lines: list[list[list[float]]] = []
    last = -1
    for k in np.flatnonzero(moving).tolist():
        if k != last or not lines:
            lines.append([[round(float(x[k]), 2), round(float(y[k]), 2)]])
            shown = along[k]
        if along[k + 1] - shown >= spacing:
            lines[-1].append([round(float(x[k + 1]), 2), round(float(y[k + 1]), 2)])
            shown = along[k + 1]
        last = k + 1
    return [line for line in lines if len(line) > 1]


def fit_laps(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """The least shift by which laps lie between the edges of a drawing, in the sense of least squares.

    Parameters
    ----------
    given : dict
        ``drawing``; ``points``: of the laps, [x, y] [m]; ``shift``: where the search begins [m].

    Returns
    -------
    dict
        ``shift`` [m]; ``before``, ``after``: share of points outside the edges, from none to 1.
    """
    drawing = check_shape_of(given["drawing"])
    points = np.array(given["points"], dtype=np.float64).reshape(-1, 2)
    track = None if missing(drawing) else build(drawing)[0]
    if track is None:
        raise InputError(
            "the edges are not finished, or not sound yet", where="drawing",
            remedy="Finish both edges, then fit the laps",
        )  # fmt: skip
    step("fitting the laps")
    found = shift_onto_road(track, points, start=np.array(given["shift"], dtype=np.float64), margin=HALF_KART)
    return {
        "shift": np.round(found.shift, 2).tolist(),
        "before": round(found.outside_before, 3),
        "after": round(found.outside_after, 3),
    }
