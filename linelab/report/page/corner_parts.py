"""The corners on the page: each one's drawing, losses and marks, and the rows of the table of all corners."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linelab.coaching.values import CornerReview, LapReview, SessionReview
from linelab.comparison.segments import PHASES
from linelab.report.display import Units
from linelab.report.measured_text import measured_text, typeset
from linelab.report.page.closeups import CloseUp, close_ups
from linelab.report.page.losses_text import CAUSE_NAMES, PHASE_NAMES, LossText, loss_texts, seconds
from linelab.report.page.mark_rows import MarkRow, mark_rows
from linelab.report.restated import in_units

#: Corners whose close-up is open from the start.
OPEN = 3

#: A cause that costs nothing, as told.
NOTHING = "0.00"


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerPart:
    """Everything about one corner; sequences have one entry a lap."""

    number: int
    label: str
    direction: str
    close_up: CloseUp
    mean_lost: str
    losses: tuple[LossText, ...]
    sentences: tuple[str, ...]
    by_part: tuple[str, ...]
    by_cause: tuple[str, ...]
    rows: tuple[MarkRow, ...]
    start_open: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class TableRow:
    """A row of the table of all corners: its heading, and one text a lap for each column."""

    number: int
    label: str
    cells: tuple[tuple[str, ...], ...]


def mean_cost(review: SessionReview, number: int) -> float:
    return next((lost.value or 0.0 for corner, lost in review.corners if corner.number == number), 0.0)


def costliest(lap: LapReview) -> list[int]:
    """Indices of a lap's corners, the one that costs it most first."""
    return sorted(range(len(lap.corners)), key=lambda k: -(lap.corners[k].time_lost.value or 0.0))


def corner_parts(review: SessionReview, units: Units) -> tuple[CornerPart, ...]:
    """All corners in driving order."""
    losses = [loss_texts(lap) for lap in review.laps]
    means = {corner.number: lost for corner, lost in review.corners}
    first = sorted(means, key=lambda number: -(means[number].value or 0.0))[:OPEN]
    parts = []
    for index, drawing in enumerate(close_ups(review, units)):
        corner = drawing.corner
        texts = tuple(lap[index] for lap in losses)
        parts.append(
            CornerPart(
                number=corner.number,
                label=corner.label,
                direction="left" if corner.left else "right",
                close_up=drawing,
                mean_lost=seconds(means[corner.number]) if corner.number in means else "–",
                losses=texts,
                sentences=tuple(_sentence(lap, text) for lap, text in zip(review.laps, texts)),
                by_part=tuple(_listed(PHASE_NAMES, PHASES, text.phases) for text in texts),
                by_cause=tuple(
                    in_units(_causes(lap, lap.corners[index], text), units) for lap, text in zip(review.laps, texts)
                ),
                rows=mark_rows(review.laps, index, units),
                start_open=corner.number in first,
            )
        )
    return tuple(parts)


def _sentence(lap: LapReview, text: LossText) -> str:
    return f"{lap.label}: {text.lost} s"


def _listed(names: dict[str, str], keys: Sequence[str], texts: Sequence[str]) -> str:
    return " · ".join(f"{names[key]} {text}" for key, text in zip(keys, texts))


def _causes(lap: LapReview, part: CornerReview, text: LossText) -> str:
    """The split into line and speed, and the speed's causes; a reason that holds for the whole lap is told there."""
    reason = part.line_loss.reason
    if part.line_loss.value is None:
        return "line and speed not told apart" + ("" if reason == lap.line_loss.reason else f": {reason}")
    there = [(cause, told) for cause, told in zip(CAUSE_NAMES, text.causes) if not told.startswith(NOTHING)]
    listed = _listed(CAUSE_NAMES, [cause for cause, _ in there], [told for _, told in there])
    return f"line {text.line} · speed {text.speed}" + (f", of which {listed}" if listed else "") + " s"


def table_columns(units: Units) -> tuple[tuple[str, str], ...]:
    """Names and units of the table's columns after the corner's."""
    names = [("lost", "s"), *((PHASE_NAMES[phase], "s") for phase in PHASES), ("line", "s"), ("speed", "s")]
    more = [("minimum speed", units.speed_unit), ("against target", units.speed_unit)]
    return (*names, *more, ("apex miss", units.length_unit), ("usual lap", "s"))


def corner_rows(review: SessionReview, corners: Sequence[CornerPart], units: Units) -> tuple[TableRow, ...]:
    rows = []
    for index, part in enumerate(corners):
        cells = []
        for lap, text in zip(review.laps, part.losses):
            marks = lap.corners[index].marks
            cells.append(
                (
                    text.lost, *text.phases, text.line, text.speed,
                    typeset(measured_text(marks.min_speed.driven, units.speed, 1)),
                    typeset(measured_text(marks.min_speed.gap, units.speed, 1, signed=True)),
                    typeset(measured_text(marks.apex_miss.driven, units.length, 1, signed=True)),
                    part.mean_lost,
                )
            )  # fmt: skip
        rows.append(TableRow(number=part.number, label=part.label, cells=tuple(zip(*cells))))
    return tuple(rows)


def total_rows(review: SessionReview) -> tuple[TableRow, ...]:
    """The whole lap."""
    losses = [loss_texts(lap) for lap in review.laps]
    blank = ("",) * 4
    whole = [(lap[-1].lost, *lap[-1].phases, lap[-1].line, lap[-1].speed, *blank) for lap in losses]
    return (TableRow(number=0, label="whole lap", cells=tuple(zip(*whole))),)


def figures_table(review: SessionReview, parts: Sequence[CornerPart], lap: int, units: Units) -> list[list[str]]:
    """The table of all corners on one lap as rows of text, the first row the header, the last the whole lap."""
    head = ["corner", *(f"{name}\n[{unit}]" for name, unit in table_columns(units))]
    rows = (*corner_rows(review, parts, units), *total_rows(review))
    return [head, *([row.label, *(cell[lap] for cell in row.cells)] for row in rows)]


def withheld_reasons(lap: LapReview) -> str:
    """Every reason for withholding a figure of the table, once, with the corners it concerns."""
    found: dict[str, list[str]] = {}
    for part in lap.corners:
        figures = [part.line_loss, part.speed_loss, part.marks.min_speed.driven, part.marks.apex_miss.driven]
        figures += [figure for _, figure in part.phases]
        for reason in dict.fromkeys(figure.reason for figure in figures if figure.value is None):
            found.setdefault(reason, []).append(str(part.corner.number))
    every = len(lap.corners)
    told = [
        f"{reason} ({'all corners' if len(numbers) == every else 'corner ' + ', '.join(numbers)})"
        for reason, numbers in found.items()
    ]
    return "Not told: " + "; ".join(told) + "." if told else "Nothing withheld in this table."
