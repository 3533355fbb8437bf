"""A corner's marks as rows of text: what the driver did, what the target does, and how far apart that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from linelab.coaching.values import CornerLap, LapReview, Mark
from linelab.comparison.measured import Measured
from linelab.report.display import Units
from linelab.report.measured_text import clear, measured_text, number_text, typeset
from linelab.units import STANDARD_GRAVITY

Kind = Literal["station", "place", "speed", "length", "time", "braking", "count", "ratio"]

#: Name in DrivenMarks, what the page calls it, and how it is shown; in driving order.
MARKS: tuple[tuple[str, str, Kind], ...] = (
    ("coasting_before", "Coasting before it", "time"),
    ("brake_point", "Brake point", "station"),
    ("brake_peak", "Hardest braking", "braking"),
    ("brake_mean", "Mean braking", "braking"),
    ("brake_build", "Braking builds up in", "time"),
    ("brake_release", "Braking let off in", "time"),
    ("entry_speed", "Speed at the turn-in", "speed"),
    ("turn_in", "Turn-in", "station"),
    ("apex_place", "Closest to the inside", "station"),
    ("apex_distance", "Distance to the inside edge", "length"),
    ("apex_miss", "Apex missed by", "length"),
    ("min_speed", "Minimum speed", "speed"),
    ("min_speed_place", "Where that is", "place"),
    ("coasting_after", "Coasting after it", "time"),
    ("drive_point", "Drive point", "station"),
    ("power_take_up", "Power taken up in", "time"),
    ("slide", "Speed lost in a slide", "speed"),
    ("exit_speed", "Speed at the track-out", "speed"),
    ("track_out_room", "Road left at the track-out", "length"),
    ("kerb_used", "Kerb used", "length"),
    ("reversals", "Changes of steering direction", "count"),
    ("steering_effort", "Steering, least possible = 1", "ratio"),
)

#: Marks shown without asking for more.
FIRST = (
    "coasting_before",
    "brake_point",
    "entry_speed",
    "turn_in",
    "apex_miss",
    "min_speed",
    "min_speed_place",
    "drive_point",
    "exit_speed",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkRow:
    """One mark of a corner, one text a lap; ``first`` marks those shown without asking for more."""

    title: str
    target: tuple[str, ...]
    driven: tuple[str, ...]
    apart: tuple[str, ...]
    first: bool


def mark_rows(laps: Sequence[LapReview], index: int, units: Units) -> tuple[MarkRow, ...]:
    """Rows of the corner at ``index`` for every lap; marks that neither lap has anywhere are left out."""
    rows = []
    parts = [lap.corners[index] for lap in laps]
    for name, title, kind in MARKS:
        marks = [getattr(part.marks, name) for part in parts]
        if all(mark.driven.value is None and mark.reference is None for mark in marks):
            continue
        cells = [_cells(mark, kind, part, units) for mark, part in zip(marks, parts)]
        target, driven, apart = zip(*cells)
        rows.append(MarkRow(title=title, target=target, driven=driven, apart=apart, first=name in FIRST))
    return tuple(rows)


def _cells(mark: Mark, kind: Kind, part: CornerLap, units: Units) -> tuple[str, str, str]:
    """The target's figure, the driver's, and the difference or the reason why there is none."""
    apex = part.review.marks.apex
    target = "–" if mark.reference is None else _absolute(Measured(mark.reference, 0.0), kind, apex, units)
    if mark.driven.value is None:
        return target, "–", mark.driven.reason
    driven = _absolute(mark.driven, kind, apex, units)
    if mark.reference is None:
        return target, driven, "the target has none"
    return target, driven, _apart(mark.gap, kind, units)


def _shown(kind: Kind, units: Units) -> tuple[float, str, int]:
    """Size of the unit in SI, its name, and decimals."""
    return {
        "station": (units.length, units.length_unit, 0),
        "place": (units.length, units.length_unit, 0),
        "speed": (units.speed, units.speed_unit, 1),
        "length": (units.length, units.length_unit, 1),
        "time": (1.0, "s", 2),
        "braking": (STANDARD_GRAVITY, "g", 2),
        "count": (1.0, "", 0),
        "ratio": (1.0, "", 2),
    }[kind]


def _absolute(figure: Measured, kind: Kind, apex: float, units: Units) -> str:
    """A figure by itself; places count from the target's apex."""
    size, unit, digits = _shown(kind, units)
    if kind not in ("station", "place") or figure.value is None:
        return typeset(f"{measured_text(figure, size, digits)} {unit}".strip())
    after = figure.value - (apex if kind == "station" else 0.0)
    text = measured_text(Measured(abs(after), figure.sigma), size, digits)
    return f"{text} {unit} {'after' if after > 0.0 else 'before'} apex"


def _apart(gap: Measured, kind: Kind, units: Units) -> str:
    """Driven minus target in words; what the recording cannot tell from nothing is said to be so."""
    size, unit, digits = _shown(kind, units)
    if not clear(gap, both=True):
        return "no clear difference"
    if kind in ("station", "place"):
        text = measured_text(Measured(abs(gap.value or 0.0), gap.sigma), size, digits)
        return f"{text} {unit} {'later' if (gap.value or 0.0) > 0.0 else 'earlier'}"
    return typeset(f"{measured_text(gap, size, digits, signed=True)} {unit}".strip())


def spread_text(name: str, figure: Measured, units: Units) -> str:
    """A mark's standard deviation over the laps, or why it is withheld."""
    kind = next(kind for known, _, kind in MARKS if known == name)
    size, unit, digits = _shown(kind, units)
    if figure.value is None:
        return "–"
    return f"{number_text(figure.value / size, max(digits, 1))} {unit}".strip()
