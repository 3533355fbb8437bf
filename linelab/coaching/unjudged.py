"""What a session cannot be judged by, and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linelab.coaching.shown_power import misfit
from linelab.comparison.estimate import DrivenLap
from linelab.comparison.losses import LEAST_RATE
from linelab.comparison.measured import Measured
from linelab.track import Track
from linelab.units import Array

#: A lap faster than the best possible on its own line by this share of its time contradicts the line [-].
BEATEN = 0.005


def too_coarse(driven: Sequence[DrivenLap]) -> str:
    """Why there is no split."""
    slow = min(drive.rate for drive in driven)
    return f"{slow:.1f} samples a second: the line has no usable curvature" if slow < LEAST_RATE else ""


def lines_unjudged(track: Track, times: Array, best: Array, power: Measured) -> str:
    """Why the laps' lines are not judged.

    Nobody is faster than the best possible on his own line: where the laps are, either the line is not the driven one,
    ripples of coarse positions having been read as steering, or the kart is not the one of the kart file.

    Parameters
    ----------
    times, best : (L,) array
        Lap times, and those that were possible at best on the same lines [s].
    """
    if track.survey.kind == "estimated":
        return "the edges are not surveyed, and a corridor estimated from laps cannot judge laps"
    other = misfit(power)
    if other:
        return other
    ahead = float(np.median(best - times))
    if ahead > BEATEN * float(np.median(times)):
        return (
            f"the laps are {ahead:.1f} s faster than this kart could be on the lines recorded: "
            "positions too coarse for the line, or a kart file that does not fit"
        )
    return ""
