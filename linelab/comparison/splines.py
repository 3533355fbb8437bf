"""Uniform quintic B-splines of time: the form in which a smoothed motion is kept.

A quintic spline has continuous jerk, so position, speed, acceleration and curvature at any time come from one smooth
function, and the most likely motion under white jerk through exact positions at its knots *is* such a spline.

References
----------
.. [1] C. de Boor, *A Practical Guide to Splines*, Springer, 1978, ch. 9-10: the recurrence (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

DEGREE = 5
#: Basis functions that are not zero on an interval.
SPAN = DEGREE + 1
#: Of more splines than this all are evaluated in one product a time, which takes a third as long [number].
_MANY = 8


def _pieces() -> Array:
    """Polynomial coefficients (6, 6) of the basis functions on one interval: [function, power of u], u in [0, 1]."""
    pieces = np.zeros((1, 1))
    pieces[0, 0] = 1.0
    for degree in range(1, SPAN):
        higher = np.zeros((degree + 1, degree + 1))
        for k in range(degree):
            # Function k of the lower degree is the right one's rising and the left one's falling part.
            position = degree - 1 - k
            rise, fall = np.zeros(degree + 1), np.zeros(degree + 1)
            rise[1:] += pieces[k]
            rise[:degree] += position * pieces[k]
            fall[:degree] += (degree - position) * pieces[k]
            fall[1:] -= pieces[k]
            higher[k + 1] += rise / degree
            higher[k] += fall / degree
        pieces = higher
    return pieces


PIECES = _pieces()
PIECES.flags.writeable = False


@cache
def derived_pieces(order: int) -> Array:
    """Coefficients (6, 6 - order) of a derivative of the basis functions with respect to u (read-only)."""
    pieces = PIECES
    for _ in range(order):
        pieces = pieces[:, 1:] * np.arange(1, pieces.shape[1])
    pieces.flags.writeable = False
    return pieces


@dataclass(frozen=True, slots=True)
class Grid:
    """Uniform knots: ``count`` intervals of ``step`` seconds from ``start`` [s]."""

    start: float
    step: float
    count: int

    @property
    def end(self) -> float:
        """Last knot [s]."""
        return self.start + self.step * self.count

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return self.count + DEGREE

    def locate(self, t: Array) -> tuple[NDArray[np.intp], Array]:
        """Interval (M,) and place within it (M,), 0 to 1, of times within the grid [s]."""
        place = (t - self.start) / self.step
        index = np.clip(place.astype(np.intp), 0, self.count - 1)
        return index, np.clip(place - index, 0.0, 1.0)


def grid_over(start: float, end: float, step: float) -> Grid:
    """The grid from ``start`` to at least ``end`` [s]."""
    return Grid(start, step, max(math.ceil((end - start) / step + 1e-9), 2))


def evaluate(grid: Grid, coefficients: Array, t: Array, orders: tuple[int, ...] = (0,)) -> Array:
    """Splines and their derivatives at times.

    Parameters
    ----------
    grid : Grid
    coefficients : (n, C) array
        One column a spline.
    t : (M,) array
        Times within the grid [s].
    orders : tuple of int
        Orders of the derivatives wanted.

    Returns
    -------
    (len(orders), M, C) array
    """
    index, u = grid.locate(t)
    weights = [_basis(u, order) / grid.step**order for order in orders]
    if coefficients.shape[1] > _MANY:
        around = coefficients[index[:, None] + np.arange(SPAN)]
        return np.ascontiguousarray(np.matmul(np.stack(weights).transpose(2, 0, 1), around).transpose(1, 0, 2))
    out = np.zeros((len(orders), t.size, coefficients.shape[1]))
    for a in range(SPAN):
        part = coefficients[index + a]
        for k, weight in enumerate(weights):
            out[k] += weight[a][:, None] * part
    return out


def linear(grid: Grid, values: Array, t: Array) -> Array:
    """Values at the knots (count + 1, C) interpolated linearly at times within the grid: (M, C)."""
    index, u = grid.locate(t)
    before = values[index]
    return np.asarray(before + u[:, None] * (values[index + 1] - before))


def _basis(u: Array, order: int) -> Array:
    """Values (6, M) of the derivative of each basis function with respect to u."""
    pieces = derived_pieces(order)
    value = np.broadcast_to(pieces[:, -1:], (SPAN, u.size)).copy()
    for power in range(pieces.shape[1] - 2, -1, -1):
        value *= u
        value += pieces[:, power, None]
    return value
