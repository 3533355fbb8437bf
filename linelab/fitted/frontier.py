"""Limits read off a driver who is at one of them part of the time and somewhere below them the rest of it.

Every value is either at one of several limits, give or take noise of known size, or anywhere that no limit forbids, or
a stray.  A driver stays at a limit for a while, and is at it more often in some places than in others: a value's
neighbours speak for it, and each place has its own shares.

References
----------
.. [1] D. Aigner, C. A. K. Lovell & P. Schmidt, Formulation and estimation of stochastic frontier production function
   models, *Journal of Econometrics* 6 (1977) 21-37: one-sided shortfall under noise, here without a shape of its own.
.. [2] A. P. Dempster, N. M. Laird & D. B. Rubin, Maximum likelihood from incomplete data via the EM algorithm, *Journal
   of the Royal Statistical Society B* 39 (1977) 1-38.
.. [3] C. Varin, N. Reid & D. Firth, An overview of composite likelihood methods, *Statistica Sinica* 21 (2011) 5-42:
   the covariance of estimates from dependent values (Godambe's information).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

Mask = NDArray[np.bool_]

#: Share of values that are nothing of this [-], and how many standard deviations wide they lie about a limit.
STRAY, WIDE = 0.005, 20.0
#: Values' worth of the whole session's habits that each place is given beforehand.
SHARED = 4.0
#: Rounds of estimation, and change of a number that ends them.
ROUNDS, ARRIVED = 80, 1e-4
_ROOT_2PI = 0.9189385332046727


class Seen(NamedTuple):
    """Values to be explained by B limits."""

    value: Array  #: what each limit is about (B, M)
    sigma: Array  #: standard deviation of that at the limit (B, M)
    beside: Array  #: logarithm of the density of what each way to drive leaves open (D, M)
    free: Array  #: logarithm of the density of strays (M,)
    place: NDArray[np.intp]  #: where each is from, 0 to P - 1 (M,)
    first: NDArray[np.intp]  #: first and last + 1 of the neighbours that are driven alike (M,)
    last: NDArray[np.intp]
    weight: Array  #: independent values that each stands for (M,) [-]
    shared: Array  #: covariance of an error of the first value that is the same at a place every time (P, P)


class Limits(NamedTuple):
    """Where numbers theta (T,) put each limit (B, M), and its derivatives (B, M, T)."""

    at: Array
    slopes: Array


class Fit(NamedTuple):
    """Estimated numbers."""

    theta: Array  #: (T,)
    covariance: Array  #: (T, T)
    held: Array  #: how likely each value is at each limit (B, M) [-]
    odds: Array  #: how likely each way to drive and a stray are (D + 1, M) [-]
    limits: Limits


def fit_limits(
    model: Callable[[Array], Limits], seen: Seen, states: Mask, upper: Mask, start: Array, precision: Array
) -> Fit:
    """Most likely numbers and their covariance.

    Parameters
    ----------
    model : callable
        Numbers (T,) to :class:`Limits`.
    states : (D, B) array of bool
        Ways to drive: which limits each is at.  None is a way as well.
    upper : (B,) array of bool
        Which limits cannot be exceeded; the others are only kept to.
    start : (T,) array
        The middle of what is likely beforehand; where to begin.
    precision : (T, T) array
        Inverse covariance of what is likely beforehand.
    """
    places, ways = int(seen.place.max()) + 1, len(states)
    theta, shares = start.copy(), np.full((ways + 1, places), (1.0 - STRAY) / ways)
    shares[-1] = STRAY
    for _ in range(ROUNDS):
        limits = model(theta)
        odds, slope, bend = _weighed(seen, limits.at, states, upper, shares)
        shares = _shares(seen, odds, places)
        gradient = np.einsum("bm,bmt->t", slope * seen.weight, limits.slopes) - precision @ (theta - start)
        curved = precision + sum(
            (rows * (one * seen.weight)[:, None]).T @ rows for rows, one in zip(limits.slopes, bend)
        )
        step = np.linalg.solve(curved, gradient)
        step *= min(1.0, 0.3 / max(float(np.abs(step).max()), 1e-9))
        theta = theta + step
        if float(np.abs(step).max()) < ARRIVED:
            break
    limits = model(theta)
    odds, slope, bend = _weighed(seen, limits.at, states, upper, shares)
    score = np.einsum("bm,bmt->mt", slope * seen.weight, limits.slopes)
    held = np.einsum("db,dm->bm", states.astype(float), odds[:-1])
    pull = np.array([np.bincount(seen.place, row, places) for row in (limits.slopes[0].T * bend[0] * seen.weight)])
    covariance = _covariance(score, curved, precision, seen.place, pull @ seen.shared @ pull.T)
    return Fit(theta, covariance, held, odds, limits)


def _weighed(seen: Seen, at: Array, states: Mask, upper: Mask, shares: Array) -> tuple[Array, Array, Array]:
    """How likely each way to drive and a stray are (D + 1, M); slopes and bends of the likelihood by limit (B, M)."""
    from scipy.special import log_ndtr

    off = (seen.value - at) / seen.sigma
    below = np.where(upper[:, None], log_ndtr(-off), 0.0)
    normal = -0.5 * off * off - np.log(seen.sigma) - _ROOT_2PI
    held = states.astype(np.float64)
    # At one limit a value is still below the others.
    log = np.concatenate([held @ normal + (1.0 - held) @ below + seen.beside, seen.free[None]])
    sums = np.concatenate([np.zeros((len(log), 1)), np.cumsum(log * seen.weight, axis=1)], axis=1)
    alike = sums[:, seen.last] - sums[:, seen.first] + np.log(shares[:, seen.place])
    odds = np.exp(alike - alike.max(axis=0))
    odds /= odds.sum(axis=0)
    at_limit = held.T @ odds[:-1]
    not_at = np.where(upper[:, None], 1.0 - held.T @ odds[:-1] - odds[-1], 0.0)
    mills = np.exp(-0.5 * off * off - _ROOT_2PI - log_ndtr(-off))
    slope = (at_limit * off + not_at * mills) / seen.sigma
    bend = (at_limit + not_at * np.maximum(mills * (mills - off), 0.0)) / seen.sigma**2
    return odds, slope, bend


def _shares(seen: Seen, odds: Array, places: int) -> Array:
    """How often each place is driven how (D + 1, P), drawn towards what all places have in common."""
    weighed = odds * seen.weight
    common = weighed.sum(axis=1) / seen.weight.sum()
    own = np.array([np.bincount(seen.place, row, places) for row in weighed])
    shares = np.maximum((own + SHARED * common[:, None]) / (own.sum(axis=0) + SHARED), 1e-9)
    shares[:-1] *= (1.0 - STRAY) / shares[:-1].sum(axis=0)
    shares[-1] = STRAY
    return np.asarray(shares)


def _covariance(score: Array, curved: Array, precision: Array, groups: NDArray[np.intp], shared: Array) -> Array:
    """Godambe's covariance: curvature, and how much the slopes of groups that may share an error differ.

    ``shared`` (T, T) is what an error does to the slopes that no difference between groups shows.
    """
    inverse = np.linalg.inv(0.5 * (curved + curved.T))
    sums = np.array([np.bincount(groups, column) for column in score.T])
    count = sums.shape[1]
    between = count / max(count - 1, 1) * sums @ sums.T + precision + shared
    return np.asarray(inverse @ between @ inverse)
