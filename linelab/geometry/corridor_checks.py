"""Checks on a pair of edges, each with a cause, a place and a remedy."""

from __future__ import annotations

import numpy as np

from linelab.errors import TrackError
from linelab.geometry.corridor_input import Edge
from linelab.geometry.corridor_pairs import Rungs
from linelab.geometry.curve import Curve
from linelab.units import Array

#: Narrowest and widest road that is believed [m].
NARROWEST, WIDEST = 1.5, 40.0


def check_pairing(left: Edge, right: Edge, rungs: Rungs, mean_width: float) -> None:
    """Raise TrackError where the edges cannot be the two sides of one road."""
    usual = float(np.median(rungs.width))
    if mean_width < 0.0:
        raise TrackError(
            "the left edge lies to the right of the right edge",
            where="edges",
            remedy="Swap the two edges, or reverse both if the driving direction is wrong",
        )
    if usual > WIDEST:
        raise TrackError(
            f"the edges are {usual:.0f} m apart",
            where="edges",
            remedy="Check the unit (metres) and that both edges belong to the same track in the same direction",
        )
    if usual < NARROWEST:
        raise TrackError(
            f"the edges are only {usual:.2f} m apart",
            where="edges",
            remedy="Check the unit (metres) and that the two edges are not the same line",
        )


def check_widths(curve: Curve, w_left: Array, w_right: Array) -> None:
    """Raise TrackError where the measured road is too narrow to be one."""
    width = w_left + w_right
    k = int(np.argmin(np.minimum(width - NARROWEST, np.minimum(w_left, w_right))))
    if width[k] < NARROWEST or min(w_left[k], w_right[k]) < 0.0:
        raise TrackError(
            f"the road is only {width[k]:.2f} m wide",
            station=float(curve.s[k]),
            remedy=f"Check whether the edges cross there or a point is out of place; {NARROWEST} m is the least",
        )
