"""A smooth plane curve through points in order, tabulated by arc length.

Uniform quintic B-spline (C. de Boor, *A Practical Guide to Splines*, 1978, ch. IX-X): four continuous derivatives,
so curvature has two.  The coefficients minimise squared distances to the points plus a penalty on the squared third
difference (P. Eilers & B. Marx, *Flexible smoothing with B-splines and penalties*, Statistical Science 11(2), 1996,
eq. 8), which is blind to circles of any radius that the spacing resolves.

Symmetric positive definite band systems, plain or cyclic.

A cyclic band matrix (corners filled, as every closed track gives) becomes an ordinary band matrix of twice the
half-bandwidth when its indices are taken alternately from both ends: 0, N-1, 1, N-2, ...  So one banded Cholesky
factorisation, of cost linear in N, serves open and closed tracks alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.geometry.curve import Curve
from linelab.units import Array

Index = NDArray[np.intp]


def fold(size: int) -> Index:
    """Return the order 0, N-1, 1, N-2, ... as indices (N,)."""
    order = np.empty(size, dtype=np.intp)
    order[0::2] = np.arange((size + 1) // 2)
    order[1::2] = size - 1 - np.arange(size // 2)
    return order


def solve_spd(diagonals: list[Array], rhs: Array, *, closed: bool) -> Array:
    """Solve ``H x = rhs`` for a symmetric positive definite band matrix.

    Parameters
    ----------
    diagonals : list of (N,) array
        ``diagonals[o][i] = H[i, i + o]``, the column taken modulo N when ``closed``; for an open system entries
        that would fall outside are ignored.
    rhs : (N,) or (N, k) array
    closed : bool

    Returns
    -------
    array
        Same shape as ``rhs``.

    Raises
    ------
    numpy.linalg.LinAlgError
        The matrix is not positive definite.
    """
    from scipy.linalg import solveh_banded

    size = diagonals[0].size
    half = len(diagonals) - 1
    if not closed:
        bands = np.zeros((half + 1, size))
        for offset, values in enumerate(diagonals):
            bands[offset, : size - offset] = values[: size - offset]
        return np.asarray(solveh_banded(bands, rhs, lower=True, check_finite=False))
    if size <= 4 * half:
        return _solve_dense(diagonals, rhs)
    order = fold(size)
    place = np.empty(size, dtype=np.intp)
    place[order] = np.arange(size)
    bands = np.zeros((2 * half + 1, size))
    rows = np.arange(size)
    for offset, values in enumerate(diagonals):
        i, j = place, place[(rows + offset) % size]
        low, high = np.minimum(i, j), np.maximum(i, j)
        bands[high - low, low] = values
    solution = solveh_banded(bands, rhs[order], lower=True, check_finite=False)
    return np.asarray(solution[place])


def _solve_dense(diagonals: list[Array], rhs: Array) -> Array:
    """Tiny cyclic systems, where the folded bands would overlap."""
    size = diagonals[0].size
    matrix = np.zeros((size, size))
    rows = np.arange(size)
    for offset, values in enumerate(diagonals):
        np.add.at(matrix, (rows, (rows + offset) % size), values)
        if offset:
            np.add.at(matrix, ((rows + offset) % size, rows), values)
    return np.asarray(np.linalg.solve(matrix, rhs))


#: Quintic B-spline on one interval: row r is the coefficient of c[i + r], columns are powers u^0..u^5, times 120.
_QUINTIC = (
    np.array(
        [
            [1, -5, 10, -10, 5, -1],
            [26, -50, 20, 20, -20, 5],
            [66, 0, -60, 0, 30, -10],
            [26, 50, 20, -20, -20, 10],
            [1, 5, 10, 10, 5, -5],
            [0, 0, 0, 0, 0, 1],
        ],
        dtype=np.float64,
    )
    / 120.0
)

#: Gauss-Legendre nodes and weights on [0, 1], five points.
_NODES, _WEIGHTS = (0.5 * (v + shift) for v, shift in zip(np.polynomial.legendre.leggauss(5), (1.0, 0.0)))


@dataclass(frozen=True, slots=True, eq=False)
class Spline:
    """A quintic spline as polynomial pieces (I, 6, 2), powers u^0..u^5 of the parameter within each; parameter 0..I."""

    pieces: Array
    closed: bool

    @property
    def intervals(self) -> int:
        """Number of polynomial pieces."""
        return int(self.pieces.shape[0])


def _make_spline(coefficients: Array, closed: bool) -> Spline:
    """Interval i uses the B-spline coefficients i..i+5 (C, 2), wrapped when closed."""
    size = coefficients.shape[0]
    index = np.arange(size if closed else size - 5)[:, None] + np.arange(6)
    local = coefficients[index % size]
    return Spline(np.ascontiguousarray(_QUINTIC.T @ local), closed)


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
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    count = max(int(np.ceil(chord[-1] / spacing)), 12)
    parameter = chord / chord[-1] * count
    # One datum a knot, evenly spaced: dense parts of the path must not outweigh sparse ones.
    even = np.arange(count) + 0.0 if closed else np.linspace(0.0, count, count + 1)
    data = np.column_stack([np.interp(even, parameter, ring[:, i]) for i in (0, 1)])
    coefficients = _solve_coefficients(data, count, (smoothing * count / chord[-1]) ** 6, closed)
    return _make_spline(coefficients, closed), parameter[: points.shape[0]]


def _solve_coefficients(data: Array, count: int, penalty: float, closed: bool) -> Array:
    """Penalised least squares; data sit on the knots."""
    knot = _QUINTIC[:5, 0]  # 1, 26, 66, 26, 1 over 120
    size = count if closed else count + 5
    third = np.array([-1.0, 3.0, -3.0, 1.0])
    diagonals = [np.zeros(size) for _ in range(5)]
    fit_rows = np.arange(data.shape[0])
    penalty_rows = np.arange(size if closed else size - 3)
    rhs = np.zeros((size, 2))
    for i in range(5):
        np.add.at(rhs, (fit_rows + i) % size, knot[i] * data)
        for j in range(i, 5):
            np.add.at(diagonals[j - i], (fit_rows + i) % size, knot[i] * knot[j])
    for i in range(4):
        for j in range(i, 4):
            np.add.at(diagonals[j - i], (penalty_rows + i) % size, penalty * third[i] * third[j])
    diagonals[0] += 1e-12
    return solve_spd(diagonals, rhs, closed=closed)


def evaluate(spline: Spline, parameter: Array, order: int) -> list[Array]:
    """Value and derivatives with respect to the parameter, up to ``order``; each (..., 2)."""
    index = np.clip(np.floor(parameter), 0, spline.intervals - 1).astype(np.intp)
    u = (parameter - index)[..., None]
    piece = spline.pieces[index]
    out: list[Array] = []
    powers = np.arange(6)
    factor = np.ones(6)
    for n in range(order + 1):
        value = factor[5] * piece[..., 5, :]
        for p in range(4, n - 1, -1):
            value = value * u + factor[p] * piece[..., p, :]
        out.append(value)
        factor = factor * np.maximum(powers - n, 0)
    return out


def arc_length(spline: Spline) -> Array:
    """Arc length at every knot (intervals + 1,), five-point Gauss quadrature [m]."""
    where = np.arange(spline.intervals)[:, None] + _NODES
    return np.concatenate([[0.0], np.cumsum(_speed(spline, where) @ _WEIGHTS)])


def parameter_at(spline: Spline, arc: Array, knots_arc: Array) -> Array:
    """Invert arc length: parameter (N,) at distances ``arc`` (N,) within the spline [m].

    A cubic guess between knots (whose slopes are known exactly), then one Newton step on the quadrature.
    """
    last = spline.intervals - 1
    index = np.clip(np.searchsorted(knots_arc, arc, side="right") - 1, 0, last)
    span = knots_arc[index + 1] - knots_arc[index]
    knots = np.arange(spline.intervals + 1, dtype=np.float64)
    rate = 1.0 / _speed(spline, knots)
    w = (arc - knots_arc[index]) / span
    d0, d1 = rate[index] * span, rate[index + 1] * span
    u = np.clip(w * (d0 + w * (3.0 - 2.0 * d0 - d1 + w * (d0 + d1 - 2.0))), 0.0, 1.0)
    covered = u * (_speed(spline, index[:, None] + u[:, None] * _NODES) @ _WEIGHTS)
    u = np.clip(u - (knots_arc[index] + covered - arc) / _speed(spline, index + u), 0.0, 1.0)
    return np.asarray(index + u)


def _speed(spline: Spline, parameter: Array) -> Array:
    """Length per unit of parameter, same shape as ``parameter`` [m]."""
    d = evaluate(spline, parameter, 1)[1]
    return np.asarray(np.sqrt(d[..., 0] ** 2 + d[..., 1] ** 2))


def tabulate(spline: Spline, start: float, step: float) -> tuple[Curve, Array]:
    """Table of the curve at uniform stations, station 0 at the parameter ``start`` (closed splines only).

    Returns
    -------
    Curve
    (N,) array
        The parameter at each station (wrapped on a closed spline).
    """
    knots_arc = arc_length(spline)
    length = float(knots_arc[-1])
    count = max(int(np.ceil(length / step)), 8)
    s = np.linspace(0.0, length, count + 1)
    if spline.closed:
        begin = _arc_of(spline, start, knots_arc)
        parameter = parameter_at(spline, np.mod(begin + s, length), knots_arc)
    else:
        parameter = parameter_at(spline, s, knots_arc)
    if spline.closed:
        parameter[-1] = parameter[0]
    return _curve(spline, s, parameter), parameter


def _arc_of(spline: Spline, parameter: float, knots_arc: Array) -> float:
    """Arc length at one parameter [m]."""
    index = min(int(np.floor(parameter)), spline.intervals - 1)
    u = parameter - index
    return float(knots_arc[index] + u * (_speed(spline, index + u * _NODES) @ _WEIGHTS))


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
