"""The corners on the page: each one's drawing, losses and marks, and the rows of the table of all corners.

Losses are rounded so that they add up as shown: corners to the gap, phases and causes to the corner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linelab.coaching.advice import off_from
from linelab.coaching.coach_words import MARKS
from linelab.coaching.mark_figures import counted_from, usual_mark
from linelab.coaching.results import CornerReview, LapReview, Mark, Review
from linelab.coaching.side_by_side import typical_laps
from linelab.diagnosis.stretches import PHASES
from linelab.measured import Apart, Measured
from linelab.output.display import Units, clear, in_units, measured_text, rounded_parts, shown_with, typeset
from linelab.output.page.closeups import CloseUp, close_ups

#: Marks shown without asking for more.
FIRST = (
    "coasting_before",
    "brake_point",
    "entry_speed",
    "turn_in",
    "apex_miss",
    "other_apex_miss",
    "min_speed",
    "min_speed_place",
    "drive_point",
    "exit_speed",
)


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkRow:
    """One mark of a corner, one text a lap; ``first`` marks those shown without asking for more.

    ``usual`` is the difference on the usual lap, the same that a card speaks of; empty where there is none.
    """

    name: str
    title: str
    target: tuple[str, ...]
    driven: tuple[str, ...]
    apart: tuple[str, ...]
    usual: str
    first: bool


def usual_laps(review: Review) -> tuple[LapReview, ...]:
    """The laps whose median is the usual mark."""
    kept = typical_laps(np.array([lap.lap_time.value or 0.0 for lap in review.laps]))
    return tuple(lap for lap, usual in zip(review.laps, kept) if usual)


def mark_rows(
    laps: Sequence[LapReview], index: int, units: Units, usual: Sequence[LapReview] = ()
) -> tuple[MarkRow, ...]:
    """Rows of the corner at ``index`` for every lap; marks that neither lap has anywhere are left out.

    ``usual`` are the session's usual laps, chosen or not.
    """
    rows = []
    parts = [lap.corners[index] for lap in laps]
    for name, definition in MARKS.items():
        marks = [getattr(part.marks, name) for part in parts]
        if all(mark.driven.value is None and mark.reference is None for mark in marks):
            continue
        cells = [_cells(mark, name, part, units) for mark, part in zip(marks, parts)]
        cells = [
            (*cell[:2], "this is that lap") if part.target_lap == lap.label else cell
            for cell, part, lap in zip(cells, parts, laps)
        ]
        title = _named(definition.name, parts[0])
        target, driven, apart = zip(*((*cell[:2], cell[2].replace(definition.name, title)) for cell in cells))
        row = MarkRow(
            name=name, title=title, target=target, driven=driven, apart=apart,
            usual=_usual([lap.corners[index] for lap in usual], name, units), first=name in FIRST,
        )  # fmt: skip
        rows.append(row)
    return tuple(rows)


def _named(words: str, part: CornerReview) -> str:
    """Words with "apex" and "other apex" as they are called in this corner, by their order."""
    apex, other = part.frame.apex_names()
    return words.replace("other apex", other) if "other apex" in words else words.replace("apex", apex)


def _usual(usual: Sequence[CornerReview], name: str, units: Units) -> str:
    """How the usual lap differs from the target in a mark; empty where it clearly does not."""
    if len(usual) < 2:
        return ""
    mark = usual_mark([part.marks for part in usual], name)
    if not mark.gap.known:
        return ""
    gap = mark.from_place(counted_from(name, usual[0].frame))
    size, unit, digits = _shown(name, units, gap)
    if abs(gap.value or 0.0) <= off_from(name) * (gap.sigma or 0.0) or not gap.shown(size, digits).value:
        return ""
    return _apart(gap, name, size, unit, digits)


def _cells(mark: Mark, name: str, part: CornerReview, units: Units) -> tuple[str, str, str]:
    """The target's figure, the driver's, and the difference or the reason why there is none."""
    size, unit, digits = _shown(name, units, mark.driven)
    before = -counted_from(name, part.frame) / size
    target, driven = (_value(figure, size, before) for figure in (mark.reference, mark.driven.value))
    known = None if target is None else _absolute(target, mark.reference_sigma / size, name, unit, digits)
    if driven is None:
        return known or "–", "–", in_units(mark.driven.reason, units)
    own = _absolute(driven, (mark.driven.sigma or 0.0) / size, name, unit, digits)
    if known is None or target is None:
        return "–", own, in_units(mark.gap.reason, units)
    gap = mark.from_place(-before * size)
    if not clear(gap, both=True) or not gap.shown(size, digits).value:
        return known, own, "no clear difference"
    return known, own, _apart(gap, name, size, unit, digits)


def _shown(name: str, units: Units, figure: Measured | None = None) -> tuple[float, str, int]:
    """Size of a mark's unit in SI, its name, and decimals, as the cards have them."""
    if name == "reversals":
        return 1.0, "", 0
    return shown_with(MARKS[name].quantity, units, None if figure is None else figure.sigma)


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


def _apart(gap: Apart, name: str, size: float, unit: str, digits: int) -> str:
    """Driven minus target in words."""
    text = f"{measured_text(gap, size, digits, signed=True)} {unit}".strip()
    if MARKS[name].quantity == "place":
        return f"{text.lstrip('+-')} {'later' if (gap.value or 0.0) > 0.0 else 'earlier'}"
    return typeset(text)


def spread_text(name: str, figure: Measured, units: Units) -> str:
    """A mark's standard deviation over the laps with its own, or a dash where it is withheld."""
    size, unit, digits = _shown(name, units)
    if figure.value is None:
        return "–"
    return f"{measured_text(figure, size, max(digits, 1))} {unit}".strip()


#: What the page calls the phases and the causes.
PHASE_NAMES = {"braking": "approach", "entry": "entry", "exit": "exit", "straight": "straight after"}
CAUSE_NAMES = {
    "braking": "braking",
    "coasting": "coasting",
    "minimum_speed": "minimum speed",
    "power": "late or rushed power",
    "all_round": "grip and pedals all round",
    "rest": "not explained",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class LossText:
    """One corner's (or the whole lap's) losses on one lap as shown [s], "–" where withheld."""

    lost: str
    phases: tuple[str, ...]
    line: str
    speed: str
    causes: tuple[str, ...]


def loss_texts(lap: LapReview) -> tuple[LossText, ...]:
    """Every corner in driving order, then the whole lap."""
    gap = round(lap.gap.value or 0.0, 2)
    _, lost = rounded_parts(gap, [corner.time_lost.value or 0.0 for corner in lap.corners])
    rows = [_corner_shares(corner, value) for corner, value in zip(lap.corners, lost)]
    columns = [_sum(column) for column in zip(*(row.phases for row in rows))]
    line = None if lap.line_loss.value is None else _sum([row.line for row in rows])
    total = LossText(
        lost=_text(gap, lap.gap),
        phases=tuple("–" if value is None else _text(value, _measured(lap, k)) for k, value in enumerate(columns)),
        line=_share(lap.line_loss, line),
        speed=_share(lap.speed_loss, None if line is None else gap - round(line, 2)),
        causes=(),
    )
    return (*(_corner_text(corner, row) for corner, row in zip(lap.corners, rows)), total)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Shares:
    """One corner's losses rounded so that they add up; None where withheld [s]."""

    lost: float
    phases: tuple[float | None, ...]
    line: float | None
    speed: float | None
    causes: tuple[float | None, ...]


def _corner_shares(corner: CornerReview, lost: float) -> _Shares:
    """Shares of one corner whose loss is shown as ``lost``."""
    line = None if corner.line_loss.value is None else round(corner.line_loss.value, 2)
    speed = None if line is None or corner.speed_loss.value is None else lost - line
    return _Shares(
        lost=lost,
        phases=_within(lost, [figure for _, figure in corner.phases]),
        line=line,
        speed=speed,
        causes=_within(speed, [figure for _, figure in corner.causes]),
    )


def _within(total: float | None, figures: Sequence[Measured]) -> tuple[float | None, ...]:
    """Figures rounded to add up to a total; all None where one of them is withheld."""
    values = [figure.value for figure in figures if figure.value is not None]
    if total is None or len(values) < len(figures):
        return (None,) * len(figures)
    return tuple(rounded_parts(total, values)[1])


def _sum(column: Sequence[float | None]) -> float | None:
    """Sum of a column as shown; None where a row of it is withheld."""
    known = [value for value in column if value is not None]
    return sum(known) if len(known) == len(column) else None


def _measured(lap: LapReview, phase: int) -> Measured:
    """The uncertainty of one phase over all corners, which lie too far apart for their errors to go together."""
    sigmas = [corner.phases[phase][1].sigma or 0.0 for corner in lap.corners]
    return Measured(0.0, math.hypot(*sigmas))


def _corner_text(corner: CornerReview, row: _Shares) -> LossText:
    """Texts of one corner."""
    return LossText(
        lost=_text(row.lost, corner.time_lost),
        phases=tuple(_share(figure, value) for (_, figure), value in zip(corner.phases, row.phases)),
        line=_share(corner.line_loss, row.line),
        speed=_share(corner.speed_loss, row.speed),
        causes=tuple(_share(figure, value) for (_, figure), value in zip(corner.causes, row.causes)),
    )


def _share(figure: Measured, shown: float | None) -> str:
    return "–" if figure.value is None or shown is None else _text(shown, figure)


def _text(shown: float, figure: Measured) -> str:
    """A loss as rounded before, with the figure's own uncertainty."""
    return seconds(Measured(shown, figure.sigma or 0.0))


def seconds(figure: Measured, digits: int = 2) -> str:
    """A loss in seconds with ±, a gain with a minus sign."""
    return typeset(measured_text(figure, 1.0, digits, signed=True))


#: Corners whose close-up is open from the start.
OPEN = 3

#: A cause that costs nothing, as shown.
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
    target: str
    rated: bool
    start_open: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class TableRow:
    """A row of the table of all corners: its heading, and one text a lap for each column."""

    number: int
    label: str
    cells: tuple[tuple[str, ...], ...]


def mean_cost(review: Review, number: int) -> float:
    return next((lost.value or 0.0 for corner, lost in review.corners if corner.number == number), 0.0)


def costliest(lap: LapReview) -> list[int]:
    """Indices of a lap's corners, the one that costs it most first."""
    return sorted(range(len(lap.corners)), key=lambda k: -(lap.corners[k].time_lost.value or 0.0))


def corner_parts(review: Review, units: Units, usual: Sequence[LapReview] | None = None) -> tuple[CornerPart, ...]:
    """All corners in driving order; ``usual`` are the session's usual laps where the review holds some laps only."""
    usual = usual_laps(review) if usual is None else usual
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
                sentences=tuple(_sentence(lap, index, text) for lap, text in zip(review.laps, texts)),
                by_part=tuple(_listed(PHASE_NAMES, PHASES, text.phases) for text in texts),
                by_cause=tuple(
                    in_units(_causes(lap, lap.corners[index], text), units) for lap, text in zip(review.laps, texts)
                ),
                rows=mark_rows(review.laps, index, units, usual),
                target=review.laps[0].corners[index].target_lap or "target",
                rated=any(lap.line_loss.known or lap.corners[index].line_loss.known for lap in review.laps),
                start_open=corner.number in first,
            )
        )
    return tuple(parts)


def _sentence(lap: LapReview, index: int, text: LossText) -> str:
    quickest = lap.corners[index].target_lap == lap.label and lap.label
    return f"{lap.label}: {text.lost} s{', your quickest pass' if quickest else ''}"


def _listed(names: dict[str, str], keys: Sequence[str], texts: Sequence[str]) -> str:
    return " · ".join(f"{names[key]} {text}" for key, text in zip(keys, texts))


def _causes(lap: LapReview, part: CornerReview, text: LossText) -> str:
    """The split into line and speed, and the speed's causes; a reason that holds for the whole lap is given there."""
    reason = part.line_loss.reason
    if part.line_loss.value is None:
        return "line and speed not separated" + ("" if reason == lap.line_loss.reason else f": {reason}")
    there = [(cause, cost) for cause, cost in zip(CAUSE_NAMES, text.causes) if not cost.startswith(NOTHING)]
    listed = _listed(CAUSE_NAMES, [cause for cause, _ in there], [cost for _, cost in there])
    return f"line {text.line} · speed {text.speed}" + (f", of which {listed}" if listed else "") + " s"


def table_columns(units: Units) -> tuple[tuple[str, str], ...]:
    """Names and units of the table's columns after the corner's."""
    names = [("lost", "s"), *((PHASE_NAMES[phase], "s") for phase in PHASES), ("line", "s"), ("speed", "s")]
    more = [("minimum speed", units.speed_unit), ("against target", units.speed_unit)]
    return (*names, *more, ("apex miss", units.length_unit), ("usual lap", "s"))


def corner_rows(review: Review, corners: Sequence[CornerPart], units: Units) -> tuple[TableRow, ...]:
    rows = []
    for index, part in enumerate(corners):
        cells = []
        for lap, text in zip(review.laps, part.losses):
            marks = lap.corners[index].marks
            (speed, _, digits), (length, _, fine) = (
                _shown(name, units, getattr(marks, name).driven) for name in ("min_speed", "apex_miss")
            )
            cells.append(
                (
                    text.lost, *text.phases, text.line, text.speed,
                    typeset(measured_text(marks.min_speed.driven, speed, digits)),
                    typeset(measured_text(marks.min_speed.gap, speed, digits, signed=True)),
                    typeset(measured_text(marks.apex_miss.driven, length, fine, signed=True)),
                    part.mean_lost,
                )
            )  # fmt: skip
        rows.append(TableRow(number=part.number, label=part.label, cells=tuple(zip(*cells))))
    return tuple(rows)


def total_rows(review: Review) -> tuple[TableRow, ...]:
    """The whole lap."""
    losses = [loss_texts(lap) for lap in review.laps]
    blank = ("",) * 4
    whole = [(lap[-1].lost, *lap[-1].phases, lap[-1].line, lap[-1].speed, *blank) for lap in losses]
    return (TableRow(number=0, label="whole lap", cells=tuple(zip(*whole))),)


def figures_table(review: Review, parts: Sequence[CornerPart], lap: int, units: Units) -> list[list[str]]:
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
    said = [
        f"{reason} ({'all corners' if len(numbers) == every else 'corner ' + ', '.join(numbers)})"
        for reason, numbers in found.items()
    ]
    return "Not known: " + "; ".join(said) + "." if said else "Nothing is withheld in this table."
