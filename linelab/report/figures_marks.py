"""Marks of a corner in words beside their place on the map, for the close-ups."""

from __future__ import annotations

import math
import textwrap

import numpy as np

from linelab.comparison.compare import Comparison
from linelab.comparison.corner_review import CornerReview
from linelab.comparison.marks import CornerMarks
from linelab.comparison.measured import Measured
from linelab.lap import Lap
from linelab.report.display import METRIC, Units
from linelab.report.figures_corner import Callout
from linelab.track import Track

#: Letters to a line of a note on a picture, and the most lines.
NOTE_WIDTH, NOTE_LINES = 36, 2

#: Marks this close together are called out as one [m].
SAME_PLACE = 1.5


def reference_callouts(track: Track, lap: Lap, marks: CornerMarks, units: Units = METRIC) -> list[Callout]:
    """The reference's brake point, turn-in, apex, minimum speed, drive point and track-out, with speeds and places.

    Marks within SAME_PLACE of each other share one callout.
    """
    wanted = [(marks.turn_in, "turn-in"), (marks.apex, "apex"), (marks.minimum_speed, "minimum speed")]
    wanted.append((marks.track_out, "track-out"))
    if marks.brakes:
        wanted.append((marks.brake_point, "brake point"))
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


def driven_callouts(track: Track, comparison: Comparison, review: CornerReview, units: Units = METRIC) -> list[Callout]:
    """What the driver did at the reference's marks, each figure with ± one standard deviation or why it is withheld."""
    drive, marks = comparison.driven, review.marks
    lap = drive.lap
    callouts = []
    together = marks.brakes and abs(marks.turn_in - marks.brake_point) <= SAME_PLACE
    if marks.brakes and not together:
        callouts.append(_at_reference_mark(track, comparison, "at the brake point", marks.brake_point, units))
    callouts.append(
        Callout(
            *_place(track, lap, marks.turn_in),
            "at the brake point, turn-in" if together else "at the turn-in",
            _figure(review.turn_in_speed, units.speed, units.speed_unit),
            _difference(review.turn_in_speed, review.turn_in_speed_reference, units),
        )
    )
    apex = review.apex_distance
    callouts.append(
        Callout(
            *_place(track, lap, marks.apex),
            "at the apex",
            _figure(apex, units.length, f"{units.length_unit} to the edge", 1) if apex.known else "",
            _miss(review.apex_miss, units) if review.apex_miss.known else _short(apex.reason),
        )
    )
    place = review.min_speed_place
    if review.min_speed.known and place.value is not None:
        callouts.append(
            Callout(
                *_place(track, lap, marks.apex + place.value),
                "minimum speed",
                _figure(review.min_speed, units.speed, units.speed_unit),
                f"{_difference(review.min_speed, review.min_speed_reference, units)}, "
                f"{_before_apex(place.value, units)}",
            )
        )
    if marks.drive_point > max(marks.minimum_speed, marks.apex) + SAME_PLACE:
        callouts.append(_at_reference_mark(track, comparison, "at the drive point", marks.drive_point, units))
    return callouts


def _at_reference_mark(track: Track, comparison: Comparison, name: str, station: float, units: Units) -> Callout:
    """Driven speed where the reference has a mark, with the uncertainty of speed and of place."""
    drive = comparison.driven
    lap, local = drive.lap, _local(track, station)
    slope = float(np.interp(local, lap.line.s, np.gradient(lap.v, lap.line.s)))
    sigma = math.hypot(float(np.interp(local, lap.line.s, drive.sigma_v)), slope * drive.bias.sigma)
    speed = Measured(_speed(track, lap, station), sigma)
    reference = _speed(track, comparison.reference, station)
    return Callout(
        *_place(track, lap, station),
        name,
        _figure(speed, units.speed, units.speed_unit),
        _difference(speed, reference, units),
    )


def _figure(figure: Measured, size: float, unit: str, digits: int = 1) -> str:
    """A measured figure as shown."""
    if figure.value is None:
        return "not reported"
    text = f"{figure.value / size:.{digits}f}"
    return f"{text} ±{figure.sigma / size:.{digits}f} {unit}" if figure.sigma else f"{text} {unit}"


def _miss(figure: Measured, units: Units) -> str:
    """How much farther from the inside edge than the reference; says so when the recording cannot tell."""
    miss = figure.value or 0.0
    if abs(miss) < 2.0 * (figure.sigma or 0.0):
        return "no clear difference"
    far = _figure(Measured(abs(miss), figure.sigma), units.length, units.length_unit)
    return f"{far} {'wider' if miss > 0.0 else 'closer'} than the reference"


def _difference(figure: Measured, reference: float, units: Units) -> str:
    """How much faster or slower than the reference; says so when the recording cannot tell."""
    if figure.value is None:
        return _short(figure.reason)
    change = figure.value - reference
    if figure.sigma and abs(change) < 2.0 * figure.sigma:
        return "no clear difference"
    return f"{units.speed_text(abs(change))} {'faster' if change > 0.0 else 'slower'}"


def _before_apex(distance: float, units: Units) -> str:
    """A place relative to the apex, in words."""
    shown = round(abs(distance) / units.length)
    if shown == 0:
        return "at the apex"
    return f"{shown} {units.length_unit} {'after' if distance > 0.0 else 'before'} the apex"


def _short(reason: str) -> str:
    """A reason in at most NOTE_LINES lines."""
    return "\n".join(textwrap.wrap(reason, NOTE_WIDTH, max_lines=NOTE_LINES, placeholder=" ..."))


def _local(track: Track, station: float) -> float:
    return station % track.length if track.closed else station


def _speed(track: Track, lap: Lap, station: float) -> float:
    return float(np.interp(_local(track, station), lap.line.s, lap.v))


def _place(track: Track, lap: Lap, station: float) -> tuple[float, float]:
    """Point of a lap's line at a station [m]."""
    local = _local(track, station)
    return float(np.interp(local, lap.line.s, lap.line.x)), float(np.interp(local, lap.line.s, lap.line.y))
