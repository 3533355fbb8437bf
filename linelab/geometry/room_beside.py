"""How far a road's edges may lie from those assumed about driven lines.

Drivers use the whole road, but not in every place: the line runs from edge to edge and back.  Where in the road it runs
is a matter of the place, the same on every lap and nearly the same for every driver.  So it is no error that more laps
or more sessions lessen.  What they do lessen is the room that is left: the road holds every line that was driven.
"""

from __future__ import annotations

import numpy as np

from linelab.measured import TO_95
from linelab.units import Array

#: Half a kart [m]: common practice, wheels' outer sides are 1.2 to 1.4 m apart.
HALF_KART = 0.65
#: Free room beside the kart where a line comes nearest to an edge: evenly likely up to this [m], common practice.
LARGEST_SPARE = 0.6
#: Points of the grids over widths of the road, spare room and phases of the swing from edge to edge.
_WIDTHS, _SPARES, _PHASES = 7, 3, 24
#: A standard deviation as small as this is none [m].
_TINY = 0.01


def edge_sigma(
    left: Array, right: Array, outer_left: Array, outer_right: Array, *, widths: tuple[float, float], noise: float,
    ground: float, share: float = 0.95,
) -> float:  # fmt: skip
    """Standard deviation whose 95 % interval holds the true edges at that share of the places [m].

    At each place the middle of the driven lines lies ``a cos(phase)`` from the road's middle, with all phases equally
    likely and ``a`` what the road's half width leaves beside half a kart and the spare room.  The road's width is
    evenly likely between two limits.  Combinations in which the outermost line would have left the road are ruled out,
    as surely as that line is known.  The distance from an assumed edge to the true one is bounded, not normal: so the
    interval is worked out, and the standard deviation is that of a normal error with the same one.

    Parameters
    ----------
    left, right : (N,) array
        Assumed distances from the middle of the driven lines to the edges [m].
    outer_left, outer_right : (N,) array
        How far to the left and to the right of that middle the outermost line ran [m].
    widths : (float, float)
        Limits of the road's width [m].
    noise : float
        Standard deviation of a single line's offset [m].
    ground : float
        Standard deviation of where the middle lies on the ground [m].
    share : float

    References
    ----------
    The prior is common practice; the weighing is Bayes' rule on a grid.

    Examples
    --------
    More sessions make the middle better known, not the edges:

    >>> half, none = np.full(50, 3.5), np.full(50, 0.3)
    >>> sizes = [edge_sigma(half, half, none, none, widths=(7.0, 9.0), noise=0.2, ground=g) for g in (1.0, 0.1, 0.01)]
    >>> [f"{size:.1f}" for size in sizes]
    ['2.2', '1.9', '1.9']
    """
    from scipy.optimize import brentq
    from scipy.special import ndtr

    def even(low: float, high: float, count: int) -> Array:
        return low + (high - low) * (np.arange(count) + 0.5) / count

    width, spare, phase = np.meshgrid(
        even(*widths, _WIDTHS), even(0.0, LARGEST_SPARE, _SPARES), even(0.0, np.pi, _PHASES), indexing="ij"
    )
    swing = np.maximum(0.5 * width - HALF_KART - spare, 0.0) * np.cos(phase)
    rooms = (0.5 * width + swing).ravel(), (0.5 * width - swing).ravel()
    known = max(noise, _TINY)
    log = sum(
        np.log(np.maximum(ndtr((room - HALF_KART - outer[:, None]) / known), 1e-300))
        for room, outer in zip(rooms, (outer_left, outer_right))
    )
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    off = [room - assumed[:, None] for room, assumed in zip(rooms, (left, right))]
    unsure = max(ground, _TINY)

    def held(reach: float) -> float:
        inside = sum(ndtr((reach - each) / unsure) - ndtr((-reach - each) / unsure) for each in off)
        return float(np.mean(np.sum(weight * inside, axis=1)) / len(off)) - share

    top = max(float(np.abs(each).max()) for each in off) + 6.0 * unsure
    return float(brentq(held, 0.0, top, xtol=1e-3)) / TO_95
