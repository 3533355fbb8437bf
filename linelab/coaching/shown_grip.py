"""The grip the driver demonstrably had that day, read off the corners that are limited by it."""

from __future__ import annotations

import numpy as np

from linelab.coaching.pedals import Index
from linelab.coaching.profiles import lowest_points
from linelab.coaching.values import ShownGrip
from linelab.comparison.measured import Measured
from linelab.lap import Lap
from linelab.units import Array

#: Quantile over the corners that is taken as shown: above the middle, because a fault takes speed from a corner and
#: nothing but more grip adds any; not the top, which is the luckiest error.
SHOWN = 0.6
#: Speeds are averaged over this many stations on either side of a corner's slowest point: noise ripples an estimated
#: line.
ABOUT = 4
#: Fewest corners to judge by, and the factors believed.
LEAST_CORNERS, BELIEVED = 3, (0.5, 1.3)


def demonstrated_grip(
    speed: Array, best: list[Lap], laps: int, rooms: list[Index], numbers: tuple[int, ...]
) -> ShownGrip:
    """Grip as a factor on the kart's, from the minimum speed in each corner that is limited by cornering grip.

    Where the best possible lap slows for a corner it is at the limit of grip there, ``v² = mu·g/kappa`` (flat ground),
    so the square of driven over best possible speed on the same line is the share of the grip that was used.  A
    corner's figure is its median over the laps, divided by the same figure of a faultless lap seen by the same
    receiver.

    Parameters
    ----------
    speed : (R, N) array
        Of the driven laps, then of receptions of a faultless lap [m/s].
    best : list of Lap
        Best possible on each row's own line at the kart's own grip.
    laps : int
        How many of the rows are driven laps.
    rooms : list of (M,) index arrays
        Where each corner's minimum speed is looked for.
    numbers : tuple of int
        The corners' numbers.
    """
    able = np.array([lap.v for lap in best])
    rows = np.arange(able.shape[0])[:, None]
    low = lowest_points(able, rooms)
    found: list[tuple[int, float]] = []
    for k, number in enumerate(numbers):
        if low.real[:, k].mean() < 0.5:
            continue
        near = (low.index[:, k, None] + np.arange(-ABOUT, ABOUT + 1)) % (able.shape[1] - 1)
        share = (speed[rows, near].mean(axis=1) / able[rows, near].mean(axis=1)) ** 2
        found.append((number, float(np.median(share[:laps]) / np.mean(share[laps:]))))
    factors = np.array([factor for _, factor in found])
    if factors.size < LEAST_CORNERS:
        return ShownGrip(
            factor=Measured(None, None, "too few corners are limited by grip to tell how much there was"),
            low=1.0, high=1.0, corners=tuple(found),
        )  # fmt: skip
    least, shown, most = (float(value) for value in np.quantile(factors, (0.1, SHOWN, 0.9)))
    if not BELIEVED[0] <= shown <= BELIEVED[1]:
        reason = f"the corner speeds would need {shown:.2f} times this kart's grip: check the kart and its grip"
        return ShownGrip(factor=Measured(None, None, reason), low=least, high=most, corners=tuple(found))
    return ShownGrip(
        factor=Measured(shown, _middle_error(factors)),
        low=least,
        high=most,
        corners=tuple(found),
        note=f"from the minimum speeds in {factors.size} corners limited by grip, eight in ten of which show "
        f"{least:.2f} to {most:.2f} of the kart's grip",
    )


def _middle_error(values: Array) -> float:
    """Standard deviation of a quantile near the middle, from the spread of the values (normal approximation) [-]."""
    quarter, three = np.quantile(values, (0.25, 0.75))
    return float(1.25 * (three - quarter) / 1.349 / np.sqrt(values.size))
