"""Which laps of a session are the driver's usual ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

#: A lap slower than the median by more than this many times the usual spread, and this much, is not typical [-], [s].
FAR, FAR_LEAST = 4.0, 0.4


def typical_laps(times: Array) -> NDArray[np.bool_]:
    """Which laps (L,) are typical by their times [s]: not slowed by traffic, a spin or a mistake.

    The usual spread is 1.4826 times the median distance from the median, which is the standard deviation of a normal
    distribution and does not mind a few outliers.
    """
    middle = float(np.median(times))
    usual = 1.4826 * float(np.median(np.abs(times - middle)))
    return np.asarray(times <= middle + max(FAR * usual, FAR_LEAST))
