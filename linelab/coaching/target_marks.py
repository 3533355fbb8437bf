"""The marks of the chosen target beside the driver's, where that is another lap than the ideal one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from linelab.coaching.definitions import MARKS
from linelab.coaching.grid import computed_rows, session_sheet
from linelab.coaching.marked import ABSENT, BRAKING, LIFTED
from linelab.coaching.marks import all_figures
from linelab.coaching.values import CornerReview, DrivenMarks, LapReview, Mark, SessionReview
from linelab.comparison.marks import find_marks, minimum_rooms
from linelab.comparison.measured import Measured, withheld
from linelab.comparison.seen import as_seen

#: Why a mark of a recorded target is not there where it might be.
UNTOLD = "not known of the target"

Figures = dict[str, Measured]


def with_target_marks(review: SessionReview, own: Sequence[DrivenMarks] = ()) -> SessionReview:
    """The review with its target's marks as each mark's reference; reviews come with the ideal lap's.

    The ideal line at the shown grip is read as the receiver would have shown it; ``own`` are the marks of the driver's
    own pass that each corner is held against, with their uncertainties.  Figures about the apex count from the ideal
    lap's still, except for the apex miss, which is against the target.
    """
    kind = review.target.kind
    if kind == "ideal" or not review.reference_marks:
        return review
    if own:
        return _replaced(review, [_found(marks) for marks in own])
    return _replaced(review, _of_computed_lap(review))


def _found(marks: DrivenMarks) -> Figures:
    """The marks of a corner of a recorded target."""
    figures = {name: mark.driven for name, mark in marks.named().items()}
    return {
        name: figure if figure.known or figure.reason == ABSENT.get(name) else withheld(UNTOLD)
        for name, figure in figures.items()
    }


def _of_computed_lap(review: SessionReview) -> list[Figures]:
    """Marks of a computed target, corner by corner, without uncertainty."""
    track, marks = review.track, review.reference_marks
    driven = [lap.comparison.driven for lap in review.laps]
    sheet = session_sheet(track, review.kart, driven)
    rows = computed_rows(sheet, [as_seen(track, review.target.lap, driven[0])])
    found = all_figures(sheet, rows, marks, minimum_rooms(track, marks))
    own = find_marks(track, review.target.lap, review.kart)
    found |= {name: np.where([mark.brakes for mark in own], found[name], np.nan) for name in BRAKING}
    found["apex_miss"] = np.zeros_like(found["apex_miss"])  # on the ideal line
    return [
        {name: _exact(name, float(found[name][0, k]), lifted=mark.lifts) for name in MARKS}
        for k, mark in enumerate(own)
    ]


def _exact(name: str, value: float, *, lifted: bool) -> Measured:
    if math.isfinite(value):
        return Measured(value)
    return withheld(LIFTED if lifted and name in BRAKING else ABSENT.get(name, UNTOLD))


def _replaced(review: SessionReview, target: list[Figures]) -> SessionReview:
    """The review with every mark of every lap beside the target's of that corner."""

    def lap(one: LapReview) -> LapReview:
        corners = tuple(_corner(part, figures) for part, figures in zip(one.corners, target))
        return replace(one, comparison=replace(one.comparison, corners=corners))

    return replace(review, laps=tuple(lap(one) for one in review.laps))


def _corner(part: CornerReview, target: Figures) -> CornerReview:
    """One corner of one lap beside the target's marks."""
    pairs = {name: _beside(name, mark.driven, target[name]) for name, mark in part.marks.named().items()}
    pairs["apex_miss"] = _miss(part.marks.apex_miss.driven, target["apex_miss"])
    return replace(part, marks=DrivenMarks(corner=part.corner, **pairs))


def _beside(name: str, driven: Measured, target: Measured) -> Mark:
    """A mark beside the target's, or the reason why the target has none where that is not that it has no such thing."""
    absent = "" if target.reason == ABSENT.get(name) else target.reason
    return Mark(driven, target.value, target.sigma or 0.0, absent)


def _miss(driven: Measured, target: Measured) -> Mark:
    """The apex miss against the target's line instead of the ideal one."""
    if target.value is None:
        return Mark(target, absent=target.reason)
    if driven.value is None:
        return Mark(driven, 0.0)
    return Mark(Measured(driven.value - target.value, math.hypot(driven.sigma or 0.0, target.sigma or 0.0)), 0.0)
