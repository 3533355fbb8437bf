"""What measurements and models say about a motion spline: banded normal equations, put together by sums over samples.

Unknowns come five to a knot: the spline's coefficients east and north, and at the knot the position bias east and north
and the speed channel's error.  A measurement touches six coefficients and two knots of an error, so the matrix has
``BAND`` diagonals below the main one, and its rows are sums of ``w·u^m`` over the samples of an interval (u the place
within it): nothing is done sample by sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from linelab.geometry.plane_spline import DEGREE, derived_pieces
from linelab.motion.streams import BIAS, Grid
from linelab.units import Array

#: Basis functions that are not zero on an interval.
SPAN = DEGREE + 1
#: Unknowns a knot, and the group in which an interval's first error knot is kept: amid the coefficients it meets.
UNKNOWNS, _ERROR_GROUP = 5, 2
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


def _put(
    band: Array, count: int, row: tuple[int, int], column: tuple[int, int], values: Array | float, alike: int = 1
) -> None:
    """Add an interval's entry for two of its unknowns, each (group after the interval's own, component); the same for
    so many components ``alike`` that follow each other, such as both axes."""
    below = UNKNOWNS * (row[0] - column[0]) + row[1] - column[1]
    group, component = column if below >= 0 else row
    band[component : component + alike, abs(below), group : group + count] += values


def _put_pairs(band: Array, count: int, first: int, second: int, values: Array, alike: int = 1) -> None:
    """Add an interval's entries for two components of the motion, by _PAIRS (21, count)."""
    for b in range(SPAN):
        some, groups = values[_LATER[b]], slice(b, b + count)
        band[first : first + alike, second - first :: UNKNOWNS][:, : SPAN - b, groups] += some
        if first != second:
            band[second, UNKNOWNS + first - second :: UNKNOWNS][: SPAN - b - 1, groups] += some[1:]


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
#: By basis function, where its pairs with itself and with later ones are among them.
_LATER = [[_PAIRS.index((a, b)) for a in range(b, SPAN)] for b in range(SPAN)]


@lru_cache(maxsize=64)
def _pieces(order: int, blur: float, step: float) -> tuple[Array, Array, Array]:
    """Basis functions of a derivative plus ``blur`` [s²] times that two orders higher, by time: coefficients of u^m
    (6, 6 - order); their products by _PAIRS (21, degree + 1), and with the hats (12, degree + 1)."""
    pieces = derived_pieces(order) * step**-order
    if blur:
        pieces[:, :-2] += blur * derived_pieces(order + 2) * step ** -(order + 2)
    return pieces, np.stack([np.convolve(pieces[a], pieces[b]) for a, b in _PAIRS]), _products(pieces, _HATS)


@cache
def _jerk_information(count: int, step: float) -> Array:
    """Band (5, BAND + 1, n) of white jerk of a density of 1 m²/s⁵ (read-only)."""
    grid = Grid(0.0, step, count)
    band = no_information(grid).band
    _put_pairs(band, count, 0, 0, _squared(3, step)[:, None], alike=2)
    band.flags.writeable = False
    return band


def _squared(order: int, step: float) -> Array:
    """Integrals over an interval of the products of a derivative's basis functions, by _PAIRS (21,)."""
    products = _pieces(order, 0.0, step)[1]
    return np.asarray(step * (products @ (1.0 / np.arange(1, products.shape[1] + 1))))


def add_positions(info: Information, t: Array, x: Array, y: Array, weight: Array) -> None:
    """Positions, each the motion plus the bias; ``weight`` is 1/variance per axis (M,) [1/m²]."""
    grid, place = info.grid, info.grid.locate(t)
    pieces, products, hatted = _pieces(0, 0.0, grid.step)
    sums = _moments(*place, weight, 2 * (pieces.shape[1] - 1), grid.count)
    _put_pairs(info.band, grid.count, 0, 0, products @ sums, alike=2)
    knots = [(_ERROR_GROUP + a, BIAS[0]) for a in range(2)]
    for (a, knot), entry in zip(product(range(SPAN), knots), hatted @ sums[: hatted.shape[1]]):
        _put(info.band, grid.count, (a, 0), knot, entry, alike=2)
    _add_hats(info, knots, _HAT_SQUARES @ sums[: _HAT_SQUARES.shape[1]], alike=2)
    for direction, value, error in zip(((1.0, 0.0), (0.0, 1.0)), (x, y), BIAS):
        info.right += right_side(grid, place, 0, direction, weight * value, blur=0.0, error=error)
        info.square += float(weight @ (value * value))


def _add_hats(info: Information, knots: list[tuple[int, int]], values: Array, alike: int = 1) -> None:
    """Add the products (4, count) of an error's two hat functions at its knots."""
    for pair, entry in zip(((0, 0), (1, 0), (1, 1)), values[[0, 2, 3]]):
        _put(info.band, info.grid.count, knots[pair[0]], knots[pair[1]], entry, alike)


def add_components(
    info: Information,
    t: Array,
    order: int,
    direction: tuple[Array | float, Array | float],
    value: Array,
    weight: Array,
    *,
    blur: float = 0.0,
    error: int | None = None,
) -> None:
    """Components of the motion or a derivative of it along unit vectors.

    Parameters
    ----------
    info : Information
    t : (M,) array
        [s].
    order : int
        0 for position, 1 for velocity, 2 for acceleration.
    direction : pair of (M,) array or float
        East and north component of the unit vector.
    value, weight : (M,) array
        Measured component and 1/variance; zero weight leaves one out.
    blur : float
        Half the second central moment of the kernel that the channel is smoothed with [s²]: it shows the derivative
        plus ``blur`` times that two orders higher, to second order in the kernel's length.
    error : int, optional
        Which of the unknowns at the knots is an error of the channel's own that lasts.
    """
    grid = info.grid
    index, u = place = info.grid.locate(t)
    pieces, products, hatted = _pieces(order, blur, grid.step)
    degree = pieces.shape[1] - 1
    for first, second in ((0, 0), (0, 1), (1, 1)):
        factor = direction[first] * direction[second]
        if not np.any(factor):
            continue
        values = products @ _moments(index, u, weight * factor, 2 * degree, grid.count)
        _put_pairs(info.band, grid.count, first, second, values)
    info.right += right_side(grid, place, order, direction, weight * value, blur=blur, error=error)
    info.square += float(weight @ (value * value))
    if error is None:
        return
    knots = [(_ERROR_GROUP + a, error) for a in range(2)]
    for axis, factor in enumerate(direction):
        if np.any(factor):
            values = hatted @ _moments(index, u, weight * factor, hatted.shape[1] - 1, grid.count)
            for (a, knot), entry in zip(product(range(SPAN), knots), values):
                _put(info.band, grid.count, (a, axis), knot, entry)
    _add_hats(info, knots, _HAT_SQUARES @ _moments(index, u, weight, _HAT_SQUARES.shape[1] - 1, grid.count))


def right_side(
    grid: Grid,
    place: tuple[NDArray[np.intp], Array],
    order: int,
    direction: tuple[Array | float, Array | float],
    value: Array,
    *,
    blur: float,
    error: int | None,
) -> Array:
    """Right side (n, 5) that weighted components make at a ``place`` of the grid; see :func:`add_components`."""
    index, u = place
    pieces = _pieces(order, blur, grid.step)[0]
    right = np.zeros((grid.size, UNKNOWNS))
    parts = [(0, axis, pieces, value * factor) for axis, factor in enumerate(direction)]
    if error is not None:
        parts.append((_ERROR_GROUP, error, _HATS, value))
    for first, component, polynomials, some in parts:
        if np.any(some):
            values = polynomials @ _moments(index, u, some, polynomials.shape[1] - 1, grid.count)
            for a, entry in enumerate(values):
                right[first + a : first + a + grid.count, component] += entry
    return right


def add_jerk(info: Information, density: Array | float) -> None:
    """The motion model: white jerk of a density (count,), or one for all, per axis [m²/s⁵]."""
    grid = info.grid
    if isinstance(density, float):
        info.band += _jerk_information(grid.count, grid.step) / density
        return
    inverse = 1.0 / density
    _put_pairs(info.band, grid.count, 0, 0, _squared(3, grid.step)[:, None] * inverse, alike=2)


def add_slowness(info: Information) -> None:
    """A whisper on speed and acceleration, so that a stretch without samples has a solution."""
    grid = info.grid
    slow = 1e-7 * (_squared(2, grid.step) + _squared(1, grid.step))
    _put_pairs(info.band, grid.count, 0, 0, slow[:, None], alike=2)


def add_error(info: Information, components: tuple[int, ...], sigma: float, time: float, rounding: float = 0.0) -> None:
    """Errors of a standard deviation and correlation time [s]: first-order Gauss-Markov, or, passed through a filter of
    the time constant ``rounding`` [s], of second order: their rate then lasts about as long."""
    grid = info.grid
    first, then, kick, unit = _kicks(grid, sigma, time, rounding)
    steps = np.array([first * then, -(first + then), 1.0])
    start = (first + then) / (1.0 + first * then)
    begun = unit / (1.0 - start * start)
    alike, component = len(components), components[0]
    places = [(_ERROR_GROUP + a, component) for a in range(3)]
    for a in range(3):
        for b in range(a + 1):
            _put(info.band, grid.count - 1, places[a], places[b], kick * steps[a] * steps[b], alike)
    for a, b, value in ((0, 0, start * start * begun + unit), (1, 0, -start * begun), (1, 1, begun)):
        _put(info.band, 1, places[a], places[b], value, alike)
    # Groups without an error knot.
    info.band[component : component + alike, 0, :_ERROR_GROUP] = 1.0
    info.band[component : component + alike, 0, _ERROR_GROUP + grid.count + 1 :] = 1.0


def _kicks(grid: Grid, sigma: float, time: float, rounding: float) -> tuple[float, float, float, float]:
    """What is kept of an error, and of its change, from knot to knot; 1/variance of its kicks, and of itself.

    A second-order autoregression with the roots ``first`` and ``then`` (derived from its stationary variance).
    """
    first = float(np.exp(-grid.step / time))
    then = float(np.exp(-grid.step / rounding)) if rounding else 0.0
    unit = 1.0 / max(sigma, 1e-4) ** 2
    fresh = (
        -float(np.expm1(-2.0 * grid.step / time)) * (1.0 - then * then) * (1.0 - first * then) / (1.0 + first * then)
    )
    return first, then, unit / fresh, unit


def error_values(grid: Grid, unknowns: Array, components: tuple[int, ...]) -> Array:
    """Errors at the knots (count + 1, C, ...) out of the unknowns (n, 5, ...)."""
    return np.asarray(unknowns[_ERROR_GROUP : _ERROR_GROUP + grid.count + 1, components[0] : components[-1] + 1])


def error_log(grid: Grid, sigma: float, time: float, rounding: float = 0.0) -> float:
    """Twice the logarithm of one error's normalising factor, up to a constant."""
    first, then, kick, unit = _kicks(grid, sigma, time, rounding)
    start = (first + then) / (1.0 + first * then)
    return (grid.count - 1) * float(np.log(kick)) + 2.0 * float(np.log(unit)) - float(np.log1p(-start * start))
