"""A corner's marks as rows of text: what the driver did, what the target does, and how far apart that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linelab.coaching.definitions import MARKS
from linelab.coaching.values import CornerLap, LapReview, Mark
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


def _cells(mark: Mark, name: str, part: CornerLap, units: Units) -> tuple[str, str, str]:
    """The target's figure, the driver's, and the difference or the reason why there is none."""
    target = "–"
    if mark.reference is not None:
        target = _absolute(Measured(mark.reference, mark.reference_sigma), name, part, units)
    if mark.driven.value is None:
        return target, "–", in_units(mark.driven.reason, units)
    driven = _absolute(mark.driven, name, part, units)
    if mark.reference is None:
        return target, driven, in_units(mark.gap.reason, units)
    return target, driven, _apart(mark.gap, name, units)


def _shown(name: str, units: Units) -> tuple[float, str, int]:
    """Size of a mark's unit in SI, its name, and decimals."""
    if name == "reversals":
        return 1.0, "", 0
    return shown_in(MARKS[name].quantity, units)


def _absolute(figure: Measured, name: str, part: CornerLap, units: Units) -> str:
    """A figure by itself; places count from the target's apex, or the ideal lap's where the target has no marks."""
    size, unit, digits = _shown(name, units)
    if MARKS[name].quantity != "place" or figure.value is None:
        return typeset(f"{measured_text(figure, size, digits)} {unit}".strip())
    ideal, own = part.review.marks.apex, part.marks.apex_place.reference
    after = figure.value + (ideal if name == "min_speed_place" else 0.0) - (ideal if own is None else own)
    text = measured_text(Measured(abs(after), figure.sigma), size, digits)
    return f"{text} {unit} {'after' if after > 0.0 else 'before'} apex"


def _apart(gap: Measured, name: str, units: Units) -> str:
    """Driven minus target in words; what the recording cannot tell from nothing is said to be so."""
    size, unit, digits = _shown(name, units)
    if not clear(gap, both=True):
        return "no clear difference"
    if MARKS[name].quantity == "place":
        text = measured_text(Measured(abs(gap.value or 0.0), gap.sigma), size, digits)
        return f"{text} {unit} {'later' if (gap.value or 0.0) > 0.0 else 'earlier'}"
    return typeset(f"{measured_text(gap, size, digits, signed=True)} {unit}".strip())


def spread_text(name: str, figure: Measured, units: Units) -> str:
    """A mark's standard deviation over the laps with its own, or a dash where it is withheld."""
    size, unit, digits = _shown(name, units)
    if figure.value is None:
        return "–"
    return f"{measured_text(figure, size, max(digits, 1))} {unit}".strip()
