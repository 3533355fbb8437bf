"""A smooth plane curve through points in order, tabulated by arc length.

Uniform quintic B-spline (C. de Boor, *A Practical Guide to Splines*, 1978, ch. IX-X): four continuous derivatives,
so curvature has two.  The coefficients minimise squared distances to the points plus a penalty on the squared third
difference (P. Eilers & B. Marx, *Flexible smoothing with B-splines and penalties*, Statistical Science 11(2), 1996,
eq. 8), which is blind to circles of any radius that the spacing resolves.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.polynomial.polynomial import polyder, polyval
from numpy.typing import NDArray

from linelab.arrays import distance_along
from linelab.geometry import banded
from linelab.geometry.curve import Curve, hermite
from linelab.units import Array

Index = NDArray[np.intp]

DEGREE = 5
#: Basis functions on one interval: row r belongs to coefficient c[i + r], columns are powers u^0..u^5, times 120.
_PIECES = (
    (1, -5, 10, -10, 5, -1),
    (26, -50, 20, 20, -20, 5),
    (66, 0, -60, 0, 30, -10),
    (26, 50, 20, -20, -20, 10),
    (1, 5, 10, 10, 5, -5),
    (0, 0, 0, 0, 0, 1),
)

#: Gauss-Legendre nodes and weights on [0, 1], five points.
_NODES, _WEIGHTS = (0.5 * (v + shift) for v, shift in zip(np.polynomial.legendre.leggauss(5), (1.0, 0.0)))


@cache
def derived_pieces(order: int) -> Array:
    """Coefficients (6, 6 - order) of a derivative of the basis functions with respect to u (read-only)."""
    pieces = np.array(polyder(np.array(_PIECES) / 120.0, order, axis=1), dtype=np.float64)
    pieces.flags.writeable = False
    return pieces


@dataclass(frozen=True, slots=True, eq=False)
class Spline:
    """A quintic spline as polynomial pieces (6, I, 2), powers u^0..u^5 of the parameter within each; parameter 0..I."""

    pieces: Array
    closed: bool

    @property
    def intervals(self) -> int:
        """Number of polynomial pieces."""
        return int(self.pieces.shape[1])


def fit_spline(points: Array, spacing: float, smoothing: float, *, closed: bool) -> tuple[Spline, Array]:
    """Fit a spline to points in driving order.

    Parameters
    ----------
    points : (K, 2) array
        [m]; a closed track does not repeat the first point.
    spacing : float
        Distance between knots [m].
    smoothing : float
        Length below which detail is lost [m].
    closed : bool

    Returns
    -------
    Spline
    (K,) array
        The parameter of each point.
    """
    ring = np.vstack([points, points[:1]]) if closed else points
    chord = distance_along(*ring.T)
    count = max(int(np.ceil(chord[-1] / spacing)), 12)
    parameter = chord / chord[-1] * count
    # One datum a knot, evenly spaced: dense parts of the path must not outweigh sparse ones.
    even = np.arange(count if closed else count + 1, dtype=np.float64)
    data = np.column_stack([np.interp(even, parameter, ring[:, i]) for i in (0, 1)])
    coefficients = _solve_coefficients(data, count, (smoothing * count / chord[-1]) ** 6, closed)
    local = coefficients[(np.arange(count)[:, None] + np.arange(DEGREE + 1)) % len(coefficients)]
    return Spline(np.einsum("rp,irk->pik", derived_pieces(0), local), closed), parameter[: points.shape[0]]


def _solve_coefficients(data: Array, count: int, penalty: float, closed: bool) -> Array:
    """Penalised least squares; data sit on the knots."""
    size = count if closed else count + DEGREE
    band, right = np.zeros((size, DEGREE)), np.zeros((size, 2))
    band[:, 0] = 1e-12
    third = np.array([-1.0, 3.0, -3.0, 1.0])
    knot = derived_pieces(0)[:DEGREE, 0]
    for stencil, weight, rows in ((knot, 1.0, len(data)), (third, penalty, size if closed else size - 3)):
        for i, factor in enumerate(stencil):
            at = (np.arange(rows) + i) % size
            band[at, : stencil.size - i] += weight * factor * stencil[i:]
            if stencil is knot:
                right[at] += factor * data
    return banded.solve(band, right, closed)


def evaluate(spline: Spline, parameter: Array, order: int) -> list[Array]:
    """Value and derivatives with respect to the parameter, up to ``order``; each (..., 2)."""
    index = np.clip(np.floor(parameter), 0, spline.intervals - 1).astype(np.intp)
    piece, u = spline.pieces[:, index], (parameter - index)[..., None]
    return [np.asarray(polyval(u, polyder(piece, n), tensor=False), dtype=np.float64) for n in range(order + 1)]


def arc_length(spline: Spline) -> Array:
    """Arc length at every knot (intervals + 1,), five-point Gauss quadrature [m]."""
    return np.concatenate([[0.0], np.cumsum(_covered(spline, np.arange(spline.intervals), np.ones(spline.intervals)))])


def _covered(spline: Spline, index: Index, u: Array) -> Array:
    """Length (N,) from knots ``index`` on to shares ``u`` (N,) of the intervals after them [m]."""
    return u * (_speed(spline, index[:, None] + u[:, None] * _NODES) @ _WEIGHTS)


def _speed(spline: Spline, parameter: Array) -> Array:
    """Length per unit of parameter, same shape as ``parameter`` [m]."""
    return np.asarray(np.hypot(*np.moveaxis(evaluate(spline, parameter, 1)[1], -1, 0)))


def _parameter_at(spline: Spline, arc: Array, knots_arc: Array) -> Array:
    """Invert arc length: parameter (N,) at distances ``arc`` (N,) within the spline [m].

    A cubic guess between knots (whose slopes are known exactly), then one Newton step on the quadrature.
    """
    index = np.clip(np.searchsorted(knots_arc, arc, side="right") - 1, 0, spline.intervals - 1)
    before, span = knots_arc[index], knots_arc[index + 1] - knots_arc[index]
    rate = 1.0 / _speed(spline, np.arange(spline.intervals + 1, dtype=np.float64))
    u = np.clip(hermite(0.0, 1.0, rate[index], rate[index + 1], (arc - before) / span, span), 0.0, 1.0)
    off = before + _covered(spline, index, u) - arc
    return np.asarray(index + np.clip(u - off / _speed(spline, index + u), 0.0, 1.0))


def tabulate(spline: Spline, knots_arc: Array, start: float, step: float) -> Curve:
    """Table of the curve at uniform stations, station 0 at the parameter ``start`` (closed splines only)."""
    length = float(knots_arc[-1])
    s = np.linspace(0.0, length, max(int(np.ceil(length / step)), 8) + 1)
    if not spline.closed:
        return _curve(spline, s, _parameter_at(spline, s, knots_arc))
    at = min(int(start), spline.intervals - 1)
    begin = knots_arc[at] + _covered(spline, np.array([at]), np.array([start - at]))[0]
    parameter = _parameter_at(spline, np.mod(begin + s, length), knots_arc)
    parameter[-1] = parameter[0]
    return _curve(spline, s, parameter)


def _curve(spline: Spline, s: Array, parameter: Array) -> Curve:
    """Exact position, heading, curvature and its rate from the spline's derivatives."""
    p, d1, d2, d3 = evaluate(spline, parameter, 3)
    speed = np.hypot(*d1.T)
    cross12 = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
    cross13 = d1[:, 0] * d3[:, 1] - d1[:, 1] * d3[:, 0]
    dot12 = np.einsum("ij,ij->i", d1, d2)
    kappa = cross12 / speed**3
    dkappa = (cross13 / speed**3 - 3.0 * cross12 * dot12 / speed**5) / speed
    psi = np.unwrap(np.arctan2(d1[:, 1], d1[:, 0]))
    x, y = p.T.copy()
    if spline.closed:
        x[-1], y[-1], kappa[-1], dkappa[-1] = x[0], y[0], kappa[0], dkappa[0]
        psi[-1] = psi[0] + 2.0 * np.pi * np.rint((psi[-1] - psi[0]) / (2.0 * np.pi))
    return Curve(s=s, x=x, y=y, psi=psi, kappa=kappa, dkappa=dkappa, closed=spline.closed)
