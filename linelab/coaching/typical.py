"""Which laps of a session are the driver's usual ones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.values import LapReview
from linelab.units import Array

#: A lap slower than the median by more than this many times the usual spread, and this much, is not typical [-], [s].
FAR, FAR_LEAST = 4.0, 0.4
#: Corners in a row that hold this share of what such a lap is behind say where it was lost [-].
MOST = 0.8


def typical_laps(times: Array) -> NDArray[np.bool_]:
    """Which laps (L,) are typical by their times [s]: not slowed by traffic, a spin or a mistake.

    The usual spread is 1.4826 times the median distance from the median, which is the standard deviation of a normal
    distribution and does not mind a few outliers.
    """
    middle = float(np.median(times))
    usual = 1.4826 * float(np.median(np.abs(times - middle)))
    return np.asarray(times <= middle + max(FAR * usual, FAR_LEAST))


def unusual_laps(laps: Sequence[LapReview]) -> dict[str, str]:
    """Laps left out of the usual one, by label, with how much slower they are and where.

    ``laps`` are all laps of the session, in order of time.
    """
    times = np.array([lap.lap_time.value or 0.0 for lap in laps])
    usual = typical_laps(times)
    lost = np.array([[part.time_lost.value or 0.0 for part in lap.corners] for lap in laps])
    numbers = [part.corner.number for part in laps[0].corners]
    found = {}
    for k in np.flatnonzero(~usual).tolist():
        behind = float(times[k] - np.median(times[usual]))
        where = _where(lost[k] - np.median(lost[usual], axis=0), numbers)
        found[laps[k].label] = f"not one of the usual laps: {behind:.1f} s slower{where}"
    return found


def _where(late: Array, numbers: list[int]) -> str:
    """The fewest corners in a row that hold most of what was lost (C,) [s], in words; all of them say nothing."""
    count = late.size
    for width in range(1, count // 2 + 1):
        sums = np.convolve(late, np.ones(width), "valid")
        first = int(sums.argmax())
        if sums[first] >= MOST * late.sum():
            one, last = numbers[first], numbers[first + width - 1]
            return f", most of it in corner {one}" if width == 1 else f", most of it in corners {one} to {last}"
    return ""
