"""Losses as text that adds up as shown: corners to the gap, phases and causes to the corner."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from linelab.coaching.values import CornerReview, LapReview
from linelab.comparison.measured import Measured
from linelab.report.measured_text import measured_text, rounded_parts, typeset

#: What the page calls the phases and the causes.
PHASE_NAMES = {"braking": "approach", "entry": "entry", "exit": "exit", "straight": "straight after"}
CAUSE_NAMES = {
    "braking": "braking",
    "coasting": "coasting",
    "minimum_speed": "minimum speed",
    "power": "late or rushed power",
    "all_round": "grip and feet all round",
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
        phases=tuple("–" if value is None else _text(value, _apart(lap, k)) for k, value in enumerate(columns)),
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


def _apart(lap: LapReview, phase: int) -> Measured:
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
