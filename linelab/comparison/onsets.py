"""Where feet begin: how marks of the reference lap and of driven laps are read alike from a speed's changes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

#: Shares of a peak from which a braking and the power count as begun [-].
BRAKE_ONSET, POWER_ONSET = 0.5, 0.25
#: How long before a braking's onset its beginning is looked for, and how long after it its first peak [s].
ONSET_TIME = 0.6


def brake_onset(foot: Array, hardest: Index, reach: Array) -> Array:
    """Fractional index (R,) at which a braking begins whose hardest node is given (R,); NaN where it has no beginning.

    Half-way between the highest acceleration before and the lowest after its first rise: whatever rounds the step
    evenly, a receiver, an estimate or a foot, leaves that place where it is; a level counted from rest would move with
    the rounding.

    Parameters
    ----------
    foot : (R, W) array
        Acceleration as a foot makes it [m/s²].
    reach : (R, W) array
        How many nodes ONSET_TIME is about each node [-].
    """
    row, index = np.arange(hardest.size), np.arange(foot.shape[1])
    near = crossing(-foot, -BRAKE_ONSET * foot[row, hardest], hardest, -1)
    at = np.where(np.isfinite(near), near, 0.0)
    wide = reach[row, at.astype(np.intp)]
    before = (index <= at[:, None]) & (index >= (at - wide)[:, None])
    after = (index >= at[:, None]) & (index <= (at + wide)[:, None])
    highest = np.where(before, foot, -np.inf).max(axis=1)
    lowest = np.where(after, foot, np.inf)
    level = 0.5 * (highest + lowest.min(axis=1))
    onset = crossing(-foot, -level, np.asarray(lowest.argmin(axis=1)), -1)
    return np.where(np.isfinite(near), onset, np.nan)


def power_onset(foot: Array, slowest: Index, peak: Array) -> Array:
    """Fractional index (R,) at which the power comes in after the slowest node (R,); ``peak`` (R,) is its most."""
    return crossing(-foot, -POWER_ONSET * peak, slowest, 1)  # below a level where the acceleration is above it


def crossing(values: Array, level: Array, start: Index, way: int) -> Array:
    """Fractional index where values (R, W) fall below a level (R,), going ``way`` (1 or -1) from ``start``; NaN if
    never."""
    width = values.shape[1]
    index = np.arange(width)
    ahead = (index >= start[:, None]) if way > 0 else (index <= start[:, None])
    below = ahead & (values < level[:, None])
    i = first_true(below, -1) if way > 0 else last_true(below)
    row = np.arange(values.shape[0])
    j = np.clip(i - way, 0, width - 1)
    inside, outside = values[row, j], values[row, np.maximum(i, 0)]
    share = np.where(inside != outside, (inside - level) / np.where(inside != outside, inside - outside, 1.0), 0.0)
    return np.where(i < 0, np.nan, j + way * np.clip(share, 0.0, 1.0))


def last_true(mask: Mask) -> Index:
    """Index of each row's last True (R,); -1 where there is none."""
    last = mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1)
    return np.asarray(np.where(mask.any(axis=1), last, -1))


def first_true(mask: Mask, otherwise: int) -> Index:
    """Index of each row's first True (R,)."""
    return np.asarray(np.where(mask.any(axis=1), mask.argmax(axis=1), otherwise))
