"""A review as text for a terminal: laps, what to work on first, and two tables that fit eighty columns."""

from __future__ import annotations

from collections.abc import Sequence

from linelab.comparison.compare import Comparison, rank_corners
from linelab.comparison.corner_review import CornerReview
from linelab.comparison.laps import RecordedLap
from linelab.comparison.measured import Measured
from linelab.comparison.segments import PHASES
from linelab.report.display import CAUTIONS, METRIC, Units, lap_time_text
from linelab.report.exports import FIGURES
from linelab.report.measured_text import clear, measured_text
from linelab.report.tables import text_table

#: Columns of :func:`review_rows` in each of the two tables.
TIMES, PLACES = (0, 1, 2, 3, 4, 5, 6, 7), (0, 1, 8, 9, 10, 11, 12)

PLACES_OF_LOSS = {
    "braking": "in braking",
    "entry": "in the entry",
    "exit": "in the exit",
    "straight": "on the straight after",
}

#: Corners that are named first, and what a corner must cost at least [s].
FIRST, LEAST = 3, 0.02


def review_rows(comparison: Comparison, *, units: Units = METRIC) -> list[list[str]]:
    """The review as rows of text, corners ranked by time lost, the first row the header; "-" where withheld."""
    speed = units.speed_unit
    header = ["corner", "lost s", *(f"{phase} s" for phase in PHASES), "line s", "speed s"]
    header += [f"min {speed}", f"ref {speed}", f"after apex {units.length_unit}", f"entry over {speed}"]
    header += [f"apex miss {units.length_unit}"]
    return [header, *(_text_row(review, units) for review in rank_corners(comparison))]


def _text_row(review: CornerReview, units: Units) -> list[str]:
    """One corner as text."""
    phases = [measured_text(figure, 1.0, 2, signed=True, sigma=False) for _, figure in review.phases]
    return [
        review.corner.label,
        measured_text(review.time_lost, 1.0, 2, signed=True),
        *phases,
        measured_text(review.line_loss, 1.0, 2, signed=True),
        measured_text(review.speed_loss, 1.0, 2, signed=True),
        measured_text(review.min_speed, units.speed, 1),
        f"{review.min_speed_reference / units.speed:.1f}",
        measured_text(review.min_speed_place, units.length, 0, signed=True),
        measured_text(review.entry_overspeed, units.speed, 1, signed=True),
        measured_text(review.apex_miss, units.length, 1, signed=True),
    ]


def review_text(comparison: Comparison, *, units: Units = METRIC) -> str:
    """The review for a terminal: heading, first things, tables, reasons for what is withheld, notes, cautions."""
    gap = comparison.lap_gap
    driven, reference = comparison.driven.lap, comparison.reference
    apart = measured_text(gap, 1.0, 3, signed=True)
    rows = review_rows(comparison, units=units)
    lines = [
        f"{comparison.track_name}: {driven.label or 'driven lap'} {lap_time_text(driven.lap_time)}, "
        f"{reference.label or 'reference'} {lap_time_text(reference.lap_time)}, gap {apart} s",
        *review_words(comparison, units=units),
    ]
    for columns in (TIMES, PLACES):
        chosen = [[row[k] for k in columns] for row in rows]
        lines += ["", text_table([_two_lines(title) for title in chosen[0]], chosen[1:])]
    lines += [
        "",
        "± is one standard deviation. lost: from this corner's brake point to the next one's, driven minus reference.",
    ]
    lines += [f"- withheld: {reason}" for reason in _reasons(comparison)]
    lines += [f"- {note}" for note in dict.fromkeys(comparison.notes)]
    return "\n".join([*lines, "", CAUTIONS])


def _two_lines(title: str) -> str:
    """A title with its unit, the last word, in a line of its own."""
    words, _, unit = title.rpartition(" ")
    return f"{words}\n[{unit}]" if words else title


def review_words(comparison: Comparison, *, units: Units = METRIC) -> list[str]:
    """The corners to look at first in sentences that say only what the recording shows clearly; [] where none does."""
    ranked = [review for review in rank_corners(comparison) if clear(review.time_lost, LEAST)]
    if not ranked:
        return []
    estimated = comparison.survey.kind == "estimated"
    against = ", against what the assumed corridor allows," if estimated else ""
    return ["", f"Most time is lost{against} in", *(f"  {_sentence(review, units)}" for review in ranked[:FIRST])]


def _sentence(review: CornerReview, units: Units) -> str:
    """One corner: what it costs, in which part, and what differs there."""
    said = [f"corner {review.corner.label}: {measured_text(review.time_lost, 1.0, 2, signed=True)} s{_where(review)}"]
    if clear(review.entry_overspeed, 0.0, both=True):
        said.append(f"{_apart(review.entry_overspeed.value, units)} at the turn-in")
    slower = _minus(review.min_speed, review.min_speed_reference)
    if clear(slower, 0.0, both=True):
        said.append(f"minimum {_apart(slower.value, units)}")
    if clear(review.apex_miss, 0.0):
        said.append(f"apex missed by {measured_text(review.apex_miss, units.length, 1)} {units.length_unit}")
    return "; ".join(said)


def _where(review: CornerReview) -> str:
    """The phases that make up most of a corner's loss, in driving order."""
    lost = [(name, figure.value or 0.0) for name, figure in review.phases]
    total = sum(max(value, 0.0) for _, value in lost)
    named = [name for name, value in lost if value > 0.3 * total]
    return ", mostly " + " and ".join(PLACES_OF_LOSS[name] for name in named) if named else ""


def _minus(figure: Measured, reference: float) -> Measured:
    """A measured figure less an exact one."""
    return figure if figure.value is None else Measured(figure.value - reference, figure.sigma)


def _apart(value: float | None, units: Units) -> str:
    """A difference of speed in words."""
    change = value or 0.0
    return f"{abs(change) / units.speed:.1f} {units.speed_unit} {'faster' if change > 0.0 else 'slower'}"


def _reasons(comparison: Comparison) -> list[str]:
    """Every reason for withholding, once, with the corners it concerns."""
    found: dict[str, list[str]] = {}
    for review in comparison.corners:
        figures = [getattr(review, name) for name in FIGURES] + [figure for _, figure in review.phases]
        for reason in dict.fromkeys(figure.reason for figure in figures if figure.value is None):
            found.setdefault(reason, []).append(str(review.corner.number))
    return [f"{reason} (corner {', '.join(numbers)})" for reason, numbers in found.items()]


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as lines with columns lined up, the first to the left, the others to the right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if k == 0 else cell.rjust(width) for k, (cell, width) in enumerate(zip(row, widths))
        ).rstrip()
        for row in rows
    ]


def lap_rows(laps: Sequence[RecordedLap]) -> list[list[str]]:
    """Laps of a recording as rows of text, the first row the header."""
    rows = [["lap", "time", "±", "status", "reason"]]
    for lap in laps:
        time = lap.lap_time
        shown = ["-", "-"] if time.value is None else [lap_time_text(time.value), f"{time.sigma or 0.0:.3f}"]
        rows.append([lap.label, *shown, lap.status, lap.reason])
    return rows
