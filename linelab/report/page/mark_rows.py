"""A corner's marks as rows of text: what the driver did, what the target does, and how far apart that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linelab.coaching.definitions import MARKS
from linelab.coaching.values import CornerReview, LapReview, Mark
from linelab.comparison.measured import Measured
from linelab.report.display import Units
from linelab.report.measured_text import clear, measured_text, shown_in, typeset
from linelab.report.restated import in_units

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
#: A place less uncertain than this has a decimal [units shown].
FINE = 0.95


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
    for name, definition in MARKS.items():
        marks = [getattr(part.marks, name) for part in parts]
        if all(mark.driven.value is None and mark.reference is None for mark in marks):
            continue
        cells = [_cells(mark, name, part, units) for mark, part in zip(marks, parts)]
        target, driven, apart = zip(*cells)
        rows.append(MarkRow(title=definition.name, target=target, driven=driven, apart=apart, first=name in FIRST))
    return tuple(rows)


def _cells(mark: Mark, name: str, part: CornerReview, units: Units) -> tuple[str, str, str]:
    """The target's figure, the driver's, and the difference or the reason why there is none."""
    size, unit, digits = _shown(name, units, mark.driven)
    before = _from_apex(name, part) / size
    target, driven = (_value(figure, size, before) for figure in (mark.reference, mark.driven.value))
    known = None if target is None else _absolute(target, mark.reference_sigma / size, name, unit, digits)
    if driven is None:
        return known or "–", "–", in_units(mark.driven.reason, units)
    own = _absolute(driven, (mark.driven.sigma or 0.0) / size, name, unit, digits)
    if known is None or target is None:
        return "–", own, in_units(mark.gap.reason, units)
    apart = round(driven, digits) - round(target, digits)  # as a reader would take one from the other
    if not clear(mark.gap, both=True) or round(apart, digits) == 0.0:
        return known, own, "no clear difference"
    return known, own, _apart(Measured(apart, (mark.gap.sigma or 0.0) / size), name, unit, digits)


def _shown(name: str, units: Units, figure: Measured | None = None) -> tuple[float, str, int]:
    """Size of a mark's unit in SI, its name, and decimals: a place known to less than a unit has one."""
    if name == "reversals":
        return 1.0, "", 0
    size, unit, digits = shown_in(MARKS[name].quantity, units)
    sigma = figure.sigma if figure is not None and MARKS[name].quantity == "place" else None
    fine = sigma is not None and sigma / size < FINE
    return size, unit, digits + 1 if fine else digits


def _from_apex(name: str, part: CornerReview) -> float:
    """What to add to a mark's place for its way from the target's apex, or the ideal lap's where that has no marks [m];
    nothing where it is no place."""
    if MARKS[name].quantity != "place":
        return 0.0
    ideal, own = part.frame.apex, part.marks.apex_place.reference
    return (ideal if name == "min_speed_place" else 0.0) - (ideal if own is None else own)


def _value(figure: float | None, size: float, before: float) -> float | None:
    """A figure as shown, before rounding."""
    return None if figure is None else figure / size + before


def _absolute(value: float, sigma: float, name: str, unit: str, digits: int) -> str:
    """A figure by itself; places are counted from the apex."""
    if MARKS[name].quantity != "place":
        return typeset(f"{measured_text(Measured(value, sigma), 1.0, digits)} {unit}".strip())
    text = measured_text(Measured(abs(value), sigma), 1.0, digits)
    side = "after" if value > 0.0 else "before"
    return f"{text} {unit} {side if round(value, digits) else 'from'} apex"


def _apart(gap: Measured, name: str, unit: str, digits: int) -> str:
    """Driven minus target in words."""
    if MARKS[name].quantity == "place":
        text = measured_text(Measured(abs(gap.value or 0.0), gap.sigma), 1.0, digits)
        return f"{text} {unit} {'later' if (gap.value or 0.0) > 0.0 else 'earlier'}"
    return typeset(f"{measured_text(gap, 1.0, digits, signed=True)} {unit}".strip())


def spread_text(name: str, figure: Measured, units: Units) -> str:
    """A mark's standard deviation over the laps with its own, or a dash where it is withheld."""
    size, unit, digits = _shown(name, units)
    if figure.value is None:
        return "–"
    return f"{measured_text(figure, size, max(digits, 1))} {unit}".strip()
