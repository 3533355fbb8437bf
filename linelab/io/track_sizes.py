"""Sizes that tell a mistaken unit: a kart track in feet is three times too wide to be one."""

from __future__ import annotations

import numpy as np

from linelab.errors import TrackError
from linelab.units import FOOT, Array

#: A track wider or narrower than this on average is refused: a unit was mistaken [m].
WIDTH_LIMITS = (1.2, 60.0)
#: A road wider than this without a stated unit is refused [m]: published norms for kart tracks end at 12 m, and a
#: narrow hall of 4.3 m, taken for metres in feet, begins here.
UNSTATED_WIDTH = 14.0
#: A road wider than this in a track file, whose units are fixed, is refused unless the file says that it is meant [m]:
#: 6.4 m taken in feet, and wider than any car circuit's average.
UNUSUAL_WIDTH = 21.0


def check_widths(width: Array) -> None:
    """Refuse widths (M,) [m] that can only come from a mistaken unit.

    Raises
    ------
    TrackError
    """
    typical = float(np.median(width))
    low, high = WIDTH_LIMITS
    if not low <= typical <= high:
        raise TrackError(
            f"the track is {typical:.2f} m wide on average, outside {low:g} to {high:g} m",
            remedy="Check the unit of the coordinates and widths (metres are expected, not feet) "
            "and that both edges belong to one track",
        )


def refuse_feet(width: Array, limit: float, remedy: str) -> None:
    """Refuse a road that is far wider than kart tracks are, as one in feet comes out.

    Parameters
    ----------
    width : (M,) array
        Distance between the edges [m].
    limit : float
        UNSTATED_WIDTH or UNUSUAL_WIDTH [m].
    remedy : str
        How to state the unit, or that the width is meant.

    Raises
    ------
    TrackError
    """
    typical = float(np.median(width))
    if typical > limit:
        raise TrackError(
            f"the track is {typical:.0f} m wide on average, where published norms for kart tracks end at 12 m: "
            f"in feet it would be {typical * FOOT:.1f} m",
            remedy=remedy,
        )
