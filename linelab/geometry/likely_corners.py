"""Corners of a track whose middle is uncertain: those that nearly all draws of the middle have.

A bend that is a corner on one draw and none on the next is none, nor is one corner two that are only sometimes two.
Noise makes dips and kinks, it does not fill them up: the fewest corners that the draws allow are the ones that stay.
"""

from __future__ import annotations

import numpy as np

from linelab.geometry.corners import FoundCorner, find_corners
from linelab.geometry.curve import Curve
from linelab.units import Array

#: What fewer draws than this share show is ruled out [-].
IMPROBABLE = 0.05


def likely_corners(
    reference: Curve, w_left: Array, w_right: Array, draws: Array, *, driven: bool = False
) -> tuple[FoundCorner, ...]:
    """The smallest set of corners that the draws do not rule out.

    Draws in order of their number of corners, the estimate being one of them: the first twentieth is passed over, as
    improbable at 95 %.

    Parameters
    ----------
    reference : Curve
        Reference line with N stations.
    w_left, w_right : (N,) array
        Distance to the edges [m].
    draws : (K, N) array
        How far the middle lies to the left of the estimated one in each draw [m].
    driven : bool
        As for :func:`linelab.geometry.corners.find_corners`.

    Returns
    -------
    tuple of FoundCorner
        Of the estimate itself where it has that number, else of the draw of that number that differs least from it.
    """
    shifts = np.vstack([np.zeros_like(w_left), draws])
    found = [find_corners(reference, w_left + shift, w_right - shift, driven=driven) for shift in shifts]
    counts = np.array([len(corners) for corners in found])
    fewest = np.sort(counts)[int(IMPROBABLE * counts.size)]
    size = np.where(counts == fewest, np.mean(shifts**2, axis=1), np.inf)
    return found[int(np.argmin(size))]
