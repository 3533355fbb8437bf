"""Series smoothed sample by sample so that no single value decides, and how likely each value is to be arbitrary.

A series is a motion whose derivative of some order is white, seen with errors whose tails are those of Student's
distribution: the iteration weighs each value by how far it lies off.  A value is either of that kind or arbitrary,
which a wide Cauchy distribution stands for; the odds decide.  One solution is a banded system of half a dozen
diagonals, so that a day at 25 Hz costs seconds.

References
----------
.. [1] K. L. Lange, R. J. A. Little & J. M. G. Taylor, "Robust statistical modeling using the t distribution", J. Amer.
   Statist. Assoc. 84:881, 1989: the weights (from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

Chosen = NDArray[np.bool_]

#: Degrees of freedom of a channel's errors: tails that still let one value in ten thousand lie five deviations off.
FREEDOM = 6.0
#: Within so many standard deviations all errors weigh alike.
CORE = 2.0
#: Spectral density of the jerk where a kart is busy [m²/s⁵]; see :data:`linelab.motion.sensors.JERKS`.
BUSY = 160.0
#: Share of arbitrary values, before anything is known of them, and how many times wider they scatter, at least, than
#: sound ones are foretold: where nothing foretells a value, nothing can be said against it [-].
_ARBITRARY, _WIDER = 0.01, 10.0
#: How often a channel begins to hold a value, before anything is known of it [-].
_HELD = 1e-4
#: Scales at which the weights are taken one after the other, so that the first fit, to all values, decides nothing.
_SCALES = (64.0, 16.0, 4.0, 1.0, 1.0, 1.0)
#: Weights that change by no more than this are not solved for again [-].
_SETTLED = 0.05
#: Values count as at most this far off, whose square a number still holds.
_FARTHEST = 1e100
#: Times count as at least this far apart [s], and this share of the usual step: differences would drown in rounding.
_CLOSEST, _SHARE = 0.005, 0.3
#: Standard deviation of normal noise kept below the quartile of the largest magnitudes (two-sided truncation at 1.15).
_QUARTER, _TRIM = 0.75, 0.6070
#: Fewer values than this say nothing about their own scatter.
LEAST = 40


class Judged(NamedTuple):
    """A smoothed series (N, C), and which of its values are more likely arbitrary than not (N,)."""

    fit: Array
    arbitrary: Chosen


def weight(off: Array, dimension: int = 1) -> Array:
    """Weights of values so many standard deviations off, in ``dimension`` components together.

    Errors are normal within CORE deviations and have tails of Student's kind beyond.
    """
    return np.asarray(np.minimum(1.0, (FREEDOM + dimension) / (FREEDOM + dimension - CORE**2 + off * off)))


def cost(off: Array, dimension: int = 1) -> float:
    """Twice the negative logarithm of the likelihood that has these weights, up to a constant."""
    most = FREEDOM + dimension
    square = off * off
    tail = CORE**2 + most * np.log(np.maximum(1.0 + (square - CORE**2) / most, 1.0))
    return float(np.where(square < CORE**2, square, tail).sum())


def robust_scatter(t: Array, values: Array) -> float:
    """Standard deviation of the white part of a series (N,), whatever up to one value in twenty says.

    From third differences, whose variance is ``sigma²·C(6, 3)``, without the largest quarter of them.
    """
    step = float(np.median(np.diff(t)))
    differences = np.abs(np.diff(np.clip(values, -_FARTHEST, _FARTHEST), 3)[t[3:] - t[:-3] < 3.5 * step])
    differences = differences[np.isfinite(differences)]
    if differences.size < LEAST // 2:
        return math.inf
    kept = differences[differences <= np.quantile(differences, _QUARTER)]
    return float(np.sqrt(np.mean(kept**2))) / _TRIM / math.sqrt(math.comb(6, 3))


def judge_series(
    t: Array,
    values: Array,
    sigma: float,
    *,
    order: int,
    density: Array | float,
    wide: float,
    prior: tuple[Array, float] | None = None,
    lasting: float = 1.0,
) -> Judged:
    """Smooth a series and say which of its values are arbitrary.

    Parameters
    ----------
    t : (N,) array
        Increasing [s].
    values : (N, C) array
        Components that are right or wrong together; NaN where there is none.
    sigma : float
        Standard deviation of their errors.
    order : int
        Of the derivative that is white.
    density : (N,) array or float
        Its spectral density.
    wide : float
        How far arbitrary values lie off, about.
    prior : ((N, C) array, float), optional
        What another source says of the series, and the standard deviation of that.
    lasting : float
        So many values on end the other source errs alike.
    """
    known = np.asarray(np.isfinite(values).all(axis=1), dtype=np.bool_)
    seen = np.where(known[:, None], np.clip(values, -_FARTHEST, _FARTHEST), 0.0)
    band = _stiffness(t, order, density)
    loose = band[0].copy()
    around, certain = (np.zeros_like(values), 0.0) if prior is None else (prior[0], 1.0 / (prior[1] ** 2 * lasting))
    band[0] += certain
    fit = around
    dimension = values.shape[1]
    scales: tuple[float, ...] = _SCALES
    if prior is not None:
        apart = max(prior[1] / sigma, 1.0)
        scales = (apart, math.sqrt(apart), *_SCALES[-2:])
    share = np.full(t.size, math.inf)
    for turn, scale in enumerate(scales):
        off = np.hypot.reduce(seen - fit, axis=1) / (sigma * scale)
        trust = np.ones(t.size) if turn == 0 and prior is None else weight(off, dimension)
        last, share = share, np.where(known, trust, 0.0)
        if np.abs(share - last).max() > _SETTLED:
            sure = share / sigma**2
            fit = _solved(band, sure, sure[:, None] * seen + certain * around)
    off = np.hypot.reduce(seen - fit, axis=1)
    # Left out, a value is foretold by its neighbours no better than the motion can change in between.
    foretold = np.sqrt(sigma**2 + 1.0 / (loose + certain))
    astray = np.hypot(wide, _WIDER * foretold)
    odds = _log_student(off, astray, 1.0, dimension) - _log_student(off, foretold, FREEDOM, dimension)
    return Judged(fit, np.asarray(known & (odds > math.log((1.0 - _ARBITRARY) / _ARBITRARY)), dtype=np.bool_))


def repeats(values: Array) -> Chosen:
    """Which values (N,) repeat the one before in runs that are hardly chance, as often as this channel does so."""
    same = np.diff(values) == 0.0
    first = np.flatnonzero(np.concatenate([[True], ~same]))
    length = np.diff(np.append(first, values.size))
    odd = np.repeat((length - 1) * math.log(max(float(same.mean()), 1e-9)) < math.log(_HELD), length)
    odd[first] = False
    return np.asarray(odd, dtype=np.bool_)


def _log_student(off: Array, scale: Array | float, freedom: float, dimension: int) -> Array:
    """Logarithm of Student's density at a distance from its middle; Cauchy's with one degree of freedom."""
    half = 0.5 * (freedom + dimension)
    constant = math.lgamma(half) - math.lgamma(0.5 * freedom) - 0.5 * dimension * math.log(math.pi * freedom)
    return np.asarray(constant - dimension * np.log(scale) - half * np.log1p((off / scale) ** 2 / freedom))


def _stiffness(t: Array, order: int, density: Array | float) -> Array:
    """Lower band (order + 1, N) of ``∫(f^(order))²/density`` as a form in the values at times (N,), by divided
    differences."""
    steps = np.diff(t)
    usual = float(np.median(steps))
    clock = np.concatenate([[0.0], np.cumsum(np.maximum(steps, max(_SHARE * usual, _CLOSEST)))])
    count = t.size - order
    places = [clock[k : k + count] for k in range(order + 1)]
    factors = []
    for k in range(order + 1):
        product = np.full(count, 1.0 / math.factorial(order))
        for j in range(order + 1):
            if j != k:
                product = product * (places[k] - places[j])
        factors.append(1.0 / product)
    inverse = (places[-1] - places[0]) / order / np.broadcast_to(density, t.size)[:count]
    band = np.zeros((order + 1, t.size))
    for k in range(order + 1):
        for j in range(k, order + 1):
            band[j - k, k : k + count] += inverse * factors[k] * factors[j]
    return band


def _solved(band: Array, share: Array, right: Array) -> Array:
    """Solution (N, C) of the banded system with ``share`` added to its diagonal."""
    from scipy.linalg import solveh_banded

    whole = band.copy()
    whole[0] += share
    return np.asarray(solveh_banded(whole, right, lower=True, overwrite_ab=True, check_finite=False))


class Path(NamedTuple):
    """A robust path by sample: positions (N, 2) [m], velocity (N, 2) [m/s], which positions are arbitrary (N,)."""

    places: Array
    velocity: Array
    arbitrary: Chosen

    def part(self, chosen: slice | Chosen) -> Path:
        """The path at some samples."""
        return Path(self.places[chosen], self.velocity[chosen], self.arbitrary[chosen])


#: A receiver's positions are no better than this [m]; arbitrary ones lie about this far off [m].
_FINEST, _ASTRAY = 0.02, 10.0


def robust_path(t: Array, x: Array, y: Array, rounding: float = 0.0) -> Path:
    """The path through positions, whatever single ones say.

    Parameters
    ----------
    t, x, y : (N,) array
        Increasing times [s] and positions [m]; at least two.
    rounding : float
        Step to which positions are rounded [m].
    """
    seen = np.column_stack([x, y])
    sigma = math.hypot(robust_scatter(t, x), robust_scatter(t, y)) / math.sqrt(2.0) if t.size >= LEAST else math.inf
    if not math.isfinite(sigma):
        return Path(seen, _velocity(t, seen), np.zeros(t.size, dtype=np.bool_))
    middle = seen[t.size // 2]  # far from the origin differences would be rounded
    sigma = max(sigma, _FINEST, rounding / math.sqrt(12.0))
    places, arbitrary = judge_series(t, seen - middle, sigma, order=3, density=BUSY, wide=_ASTRAY)
    return Path(places + middle, _velocity(t, places), arbitrary)


def _velocity(t: Array, places: Array) -> Array:
    """Velocity (N, 2) along positions (N, 2), from the sample before to the one after [m/s]."""
    i = np.arange(t.size)
    a, b = np.maximum(i - 1, 0), np.minimum(i + 1, t.size - 1)
    return np.asarray((places[b] - places[a]) / np.maximum(t[b] - t[a], _CLOSEST)[:, None])
