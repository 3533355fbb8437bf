"""Marks of a corner in words beside their place on the map, for the close-ups."""

from __future__ import annotations

import numpy as np

from linelab.comparison.marks import CornerMarks
from linelab.lap import Lap
from linelab.report.display import METRIC, Units
from linelab.report.figures_corner import Callout
from linelab.track import Track

#: Marks this close together are called out as one [m].
SAME_PLACE = 1.5


def reference_callouts(track: Track, lap: Lap, marks: CornerMarks, units: Units = METRIC) -> list[Callout]:
    """The reference's marks from the brake point, or the lift, to the track-out, with speeds and places.

    Marks within SAME_PLACE of each other share one callout.
    """
    wanted = [(marks.turn_in, "turn-in"), (marks.apex, "apex"), (marks.minimum_speed, "minimum speed")]
    wanted.append((marks.track_out, "track-out"))
    if marks.brakes:
        wanted.append((marks.brake_point, "brake point"))
    elif marks.lifts:
        wanted.append((marks.slows_from, "lift"))
    if marks.drive_point > marks.minimum_speed:
        wanted.append((marks.drive_point, "drive point"))
    callouts = []
    for places, names in _gathered(sorted(wanted, key=lambda pair: pair[0])):
        at = marks.minimum_speed if "minimum speed" in names else places[0]
        note = "closest to the inside edge" if "apex" in names else _before_apex(at - marks.apex, units)
        speed = units.speed_text(_speed(track, lap, at))
        callouts.append(Callout(*_place(track, lap, at), ", ".join(names), speed, note))
    return callouts


def _gathered(marks: list[tuple[float, str]]) -> list[tuple[list[float], list[str]]]:
    """Marks in order of station, those close together in one entry."""
    found: list[tuple[list[float], list[str]]] = []
    for station, name in marks:
        if found and station - found[-1][0][0] <= SAME_PLACE:
            found[-1][0].append(station)
            found[-1][1].append(name)
        else:
            found.append(([station], [name]))
    return found


def _before_apex(distance: float, units: Units) -> str:
    """A place relative to the apex, in words."""
    shown = round(abs(distance) / units.length)
    if shown == 0:
        return "at the apex"
    return f"{shown} {units.length_unit} {'after' if distance > 0.0 else 'before'} the apex"


def _local(track: Track, station: float) -> float:
    return station % track.length if track.closed else station


def _speed(track: Track, lap: Lap, station: float) -> float:
    return float(np.interp(_local(track, station), lap.line.s, lap.v))


def _place(track: Track, lap: Lap, station: float) -> tuple[float, float]:
    """Point of a lap's line at a station [m]."""
    local = _local(track, station)
    return float(np.interp(local, lap.line.s, lap.line.x)), float(np.interp(local, lap.line.s, lap.line.y))
