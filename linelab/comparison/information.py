"""What measurements and models say about a motion spline: banded normal equations, put together by sums over samples.

Unknowns come five to a knot: the spline's coefficients east and north, and at the knot the position bias east and north
and the speed channel's error.  A measurement touches six coefficients and two knots of an error, so the matrix has
``BAND`` diagonals below the main one, and its rows are sums of ``w·u^m`` over the samples of an interval (u the place
within it): nothing is done sample by sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from linelab.comparison.splines import DEGREE, SPAN, Grid, derived_pieces
from linelab.units import Array

#: Unknowns a knot, and the group in which an interval's first error knot is kept: amid the coefficients it meets.
UNKNOWNS, _ERROR_GROUP = 5, 2
#: Which of the unknowns are the position bias, and which the error of the speed channel.
BIAS, SPEED_ERROR = (2, 3), (4,)
BAND = UNKNOWNS * DEGREE + 1


@dataclass(slots=True, eq=False)
class Information:
    """Normal equations ``A z = b`` over a grid, to which the functions below add.

    ``band`` (5, BAND + 1, n) holds ``A[5g + c + d, 5g + c]`` at [c, d, g], so that what is added for all intervals lies
    together in memory; ``right`` is (n, 5); ``square`` the weighted square of the measurements.
    """

    grid: Grid
    band: Array
    right: Array
    square: float = 0.0

    def columns(self) -> Array:
        """The band by column of the matrix: ``A[k + d, k]`` at [k, d], (5 n, BAND + 1)."""
        return np.ascontiguousarray(self.band.transpose(2, 0, 1)).reshape(-1, BAND + 1)


def no_information(grid: Grid) -> Information:
    """Information of nothing at all."""
    return Information(grid, np.zeros((UNKNOWNS, BAND + 1, grid.size)), np.zeros((grid.size, UNKNOWNS)))


def _put(band: Array, count: int, row: tuple[int, int], column: tuple[int, int], values: Array | float) -> None:
    """Add an interval's entry for two of its unknowns, each (group after the interval's own, component)."""
    below = UNKNOWNS * (row[0] - column[0]) + row[1] - column[1]
    group, component = column if below >= 0 else row
    band[component, abs(below), group : group + count] += values


def _moments(index: NDArray[np.intp], u: Array, weight: Array, most: int, count: int) -> Array:
    """Sums of ``weight·u^m`` by interval, m = 0 to ``most``: (count, most + 1)."""
    term = weight.astype(np.float64, copy=True)
    sums = np.empty((most + 1, count))
    sums[0] = np.bincount(index, term, minlength=count)
    for m in range(1, most + 1):
        term *= u
        sums[m] = np.bincount(index, term, minlength=count)
    return sums


def _products(left: Array, right: Array) -> Array:
    """Polynomial coefficients of every product of two sets of polynomials: (len(left)·len(right), degree + 1)."""
    return np.stack([np.convolve(a, b) for a, b in product(left, right)])


#: Polynomials of the two hat functions on an interval: falling and rising.
_HATS = np.array([[1.0, -1.0], [0.0, 1.0]])
_HAT_SQUARES = _products(_HATS, _HATS)
#: Pairs of basis functions, the later one first.
_PAIRS = tuple((a, b) for a in range(SPAN) for b in range(a + 1))


@cache
def _squares(order: int) -> Array:
    """Products of the basis functions' derivatives with respect to u, by _PAIRS: (21, degree + 1)."""
    pieces = derived_pieces(order)
    return np.stack([np.convolve(pieces[a], pieces[b]) for a, b in _PAIRS])


@cache
def _with_hats(order: int) -> Array:
    """Products of the basis functions' derivatives with respect to u and the hats: (12, degree + 1)."""
    return _products(derived_pieces(order), _HATS)


@cache
def _position_blocks() -> tuple[tuple[Array, tuple[tuple[int, tuple[int, int], tuple[int, int]], ...]], ...]:
    """Products of all functions that a position is a sum of, and where each goes: its number, row and column."""
    motion = (derived_pieces(0), [(a, 0) for a in range(SPAN)])
    bias = (_HATS, [(_ERROR_GROUP + a, BIAS[0]) for a in range(2)])
    blocks = []
    for (left, rows), (right, columns) in ((motion, motion), (motion, bias), (bias, bias)):
        pairs = enumerate(product(rows, columns))
        kept = tuple((k, row, column) for k, (row, column) in pairs if rows is not columns or row >= column)
        blocks.append((_products(left, right), kept))
    return tuple(blocks)


def add_positions(info: Information, t: Array, x: Array, y: Array, weight: Array) -> None:
    """Positions, each the motion plus the bias; ``weight`` is 1/variance per axis (M,) [1/m²]."""
    index, u = info.grid.locate(t)
    count = info.grid.count
    sums = _moments(index, u, weight, 2 * DEGREE, count)
    right = [_moments(index, u, weight * value, DEGREE, count) for value in (x, y)]
    for table, places in _position_blocks():
        values = table @ sums[: table.shape[1]]
        for k, row, column in places:
            for axis in (0, 1):
                _put(info.band, count, (row[0], row[1] + axis), (column[0], column[1] + axis), values[k])
    for axis in (0, 1):
        for first, component, polynomials in ((0, 0, derived_pieces(0)), (_ERROR_GROUP, BIAS[0], _HATS)):
            values = polynomials @ right[axis][: polynomials.shape[1]]
            for k, entry in enumerate(values):
                info.right[first + k : first + k + count, component + axis] += entry
    info.square += float(weight @ (x * x + y * y))


def add_components(
    info: Information, t: Array, order: int, direction: tuple[Array, Array], value: Array, weight: Array
) -> None:
    """Components of a derivative of the motion along unit vectors.

    Parameters
    ----------
    info : Information
    t : (M,) array
        [s].
    order : int
        1 for velocity, 2 for acceleration.
    direction : pair of (M,) array
        East and north component of the unit vector.
    value, weight : (M,) array
        Measured component and 1/variance; zero weight leaves one out.
    """
    grid = info.grid
    index, u = grid.locate(t)
    scale = grid.step**-order
    pieces = derived_pieces(order) * scale
    degree = pieces.shape[1] - 1
    table = _squares(order) * scale**2
    east, north = direction
    for components, factor in (((0, 0), east * east), ((0, 1), east * north), ((1, 1), north * north)):
        values = table @ _moments(index, u, weight * factor, 2 * degree, grid.count)
        for (a, b), entry in zip(_PAIRS, values):
            _put(info.band, grid.count, (a, components[0]), (b, components[1]), entry)
            if components[0] != components[1] and a != b:
                _put(info.band, grid.count, (b, components[0]), (a, components[1]), entry)
    for axis, factor in enumerate((east, north)):
        values = pieces @ _moments(index, u, weight * factor * value, degree, grid.count)
        for a in range(SPAN):
            info.right[a : a + grid.count, axis] += values[a]
    info.square += float(weight @ (value * value))


def add_jerk(info: Information, density: Array) -> None:
    """The motion model: white jerk of a density (count,) per axis [m²/s⁵], a whisper on speed and acceleration."""
    grid = info.grid
    powers = 1.0 / np.arange(1, 2 * DEGREE + 2)
    third, second, first = (
        _squares(order) @ powers[: 11 - 2 * order] * grid.step ** (1 - 2 * order) for order in (3, 2, 1)
    )
    inverse = 1.0 / density
    for (a, b), bent, slow in zip(_PAIRS, third, 1e-7 * (second + first)):
        value = bent * inverse + slow
        for axis in (0, 1):
            _put(info.band, grid.count, (a, axis), (b, axis), value)


def add_speeds(info: Information, t: Array, direction: tuple[Array, Array], value: Array, weight: Array) -> None:
    """Speeds along unit vectors, each with the channel's own error; see :func:`add_components`."""
    add_components(info, t, 1, direction, value, weight)
    grid = info.grid
    index, u = grid.locate(t)
    table = _with_hats(1) / grid.step
    knots = [(_ERROR_GROUP + a, SPEED_ERROR[0]) for a in range(2)]
    for axis, factor in enumerate(direction):
        values = table @ _moments(index, u, weight * factor, table.shape[1] - 1, grid.count)
        for (a, knot), entry in zip(product(range(SPAN), knots), values):
            _put(info.band, grid.count, (a, axis), knot, entry)
    values = _HAT_SQUARES @ _moments(index, u, weight, 2, grid.count)
    for pair, entry in zip(((0, 0), (1, 0), (1, 1)), values[[0, 2, 3]]):
        _put(info.band, grid.count, knots[pair[0]], knots[pair[1]], entry)
    values = _HATS @ _moments(index, u, weight * value, 1, grid.count)
    for (group, component), entry in zip(knots, values):
        info.right[group : group + grid.count, component] += entry


def add_error(info: Information, components: tuple[int, ...], sigma: float, time: float) -> None:
    """First-order Gauss-Markov errors: standard deviation and correlation time [s]."""
    grid = info.grid
    keep = np.exp(-grid.step / time)
    unit = 1.0 / max(sigma, 1e-4) ** 2
    kick = unit / (1.0 - keep * keep)
    for component in components:
        here, after = (_ERROR_GROUP, component), (_ERROR_GROUP + 1, component)
        _put(info.band, grid.count, here, here, keep * keep * kick)
        _put(info.band, grid.count, after, here, -keep * kick)
        _put(info.band, grid.count, after, after, kick)
        info.band[component, 0, _ERROR_GROUP] += unit
        # Groups without an error knot.
        info.band[component, 0, :_ERROR_GROUP] = 1.0
        info.band[component, 0, _ERROR_GROUP + grid.count + 1 :] = 1.0


def bias_values(grid: Grid, unknowns: Array) -> Array:
    """The position bias at the knots (count + 1, 2, ...) out of the unknowns (n, 5, ...)."""
    return np.asarray(unknowns[_ERROR_GROUP : _ERROR_GROUP + grid.count + 1, BIAS[0] : BIAS[1] + 1])


def speed_errors(grid: Grid, unknowns: Array) -> Array:
    """The speed channel's error at the knots (count + 1, 1) out of the unknowns (n, 5)."""
    return np.asarray(unknowns[_ERROR_GROUP : _ERROR_GROUP + grid.count + 1, SPEED_ERROR[0] :])


def error_log(grid: Grid, sigma: float, time: float) -> float:
    """Twice the logarithm of one error's normalising factor, up to a constant."""
    variance = max(sigma, 1e-4) ** 2
    return -grid.count * float(np.log(-np.expm1(-2.0 * grid.step / time) * variance)) - float(np.log(variance))
