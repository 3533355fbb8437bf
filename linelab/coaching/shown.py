"""What the marks of a session show of a habit: how far the usual laps are off the reference lap's, and which way."""

from __future__ import annotations

import math

import numpy as np

from linelab.coaching.marked import SessionMarks, common
from linelab.comparison.measured import Measured
from linelab.comparison.onsets import Mask

#: A mark is off where it is so by more than this many of its standard deviations [-].
CLEAR = 2.0
#: A wheel that turns more by this share than on the reference lap turns back and forth [-]; less is another line.
BACK_AND_FORTH = 0.1


def usual_gap(marked: SessionMarks, typical: Mask, name: str, k: int) -> Measured:
    """How far a mark of the usual laps is off the reference lap's; withheld where most laps do not show it."""
    told = [laps[k].named()[name].driven.known for laps, kept in zip(marked.laps, typical) if kept]
    gap = common(marked.figures[name][typical, k]) - float(marked.reference[name][k])
    if not told or np.mean(told) < 0.5 or not math.isfinite(gap):
        return Measured(None, None, "not seen on most laps")
    return Measured(gap, common(marked.sigma[name][typical, k]))


def stands_out(gap: Measured, way: int, deviations: float = CLEAR) -> bool:
    """Whether a difference has the sign ``way`` and is more than so many of its standard deviations."""
    return gap.value is not None and gap.value * way > deviations * (gap.sigma or 0.0)


def turns_back_and_forth(marked: SessionMarks, typical: Mask, k: int) -> bool:
    """Whether the wheel is turned clearly, and by a good deal, more than on the reference lap."""
    gap = usual_gap(marked, typical, "steering_effort", k)
    return stands_out(gap, 1) and (gap.value or 0.0) > BACK_AND_FORTH * float(marked.reference["steering_effort"][k])
