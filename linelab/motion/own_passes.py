"""The driver's own passes of each corner: how long each took, which was quickest, and what the usual one lacks to it.

The smallest of several measured times is too small: errors help to make it the smallest.  So the times are taken
together: passes of one corner scatter about its usual time, some laps are quicker all round, measured times scatter
about the true ones by errors that are known, and what is said of the quickest pass is said after all three.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import ByValue, freeze
from linelab.measured import Measured
from linelab.model.timed import time_at
from linelab.motion.estimate import DrivenLap
from linelab.units import Array

#: Passes of a corner follow Student's distribution with so many degrees of freedom: a few are spoilt [-].
FREEDOM = 4.0
#: Degrees of freedom with which one corner's scatter keeps to that of the others [-], and what that is taken for before
#: anything is seen [s].
ALIKE, BEFORE = 3.0, 0.05
#: Draws kept, one of so many made, after so many thrown away, and the seed that makes them the same every time.
DRAWS, OF, BEGINNING, SEED = 600, 3, 150, 20
#: Times are not known better than this [s].
LEAST = 1e-4
#: Stations at which a lap's mean bias is looked at.
_AROUND = 60


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OwnPasses(ByValue):
    """Times of the driver's passes.

    ``draws``, ``usual`` and ``best`` are worked out when they are first asked for: where laps are compared with a
    computed one nobody does.

    Parameters
    ----------
    measured : (E, C) array
        Time of each lap in each corner's stretch, the same stations for all laps, so that they compare [s].
    covariance : (C, C) array
        Errors of the times of one lap, as far as they differ from lap to lap [s²].
    """

    measured: Array
    covariance: Array

    @property
    def sigma(self) -> Array:
        """What measuring makes uncertain in one pass of each corner (C,) [s]."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def draws(self) -> Array:
        """Equally likely sets of the true times (K, E, C) [s]."""
        return _drawn(self)[0]

    @property
    def usual(self) -> Array:
        """Equally likely sets of the time of each corner's usual pass (K, C) [s]."""
        return _drawn(self)[1]

    @property
    def best(self) -> NDArray[np.intp]:
        """On which lap each corner was quickest, most likely (C,)."""
        return _drawn(self)[2]

    @property
    def joined(self) -> Array:
        """Draws of the time of each corner's quickest pass (K, C) [s]."""
        return np.asarray(self.draws[:, self.best, np.arange(self.best.size)])

    def behind(self, laps: NDArray[np.intp], corner: int) -> Measured:
        """What the given laps lose in a corner on average to the quickest pass of it [s]."""
        lost = self.draws[:, laps, corner].mean(axis=1) - self.draws[:, self.best[corner], corner]
        return Measured(float(lost.mean()), float(lost.std()))


def pass_covariance(driven: Sequence[DrivenLap], edges: Array, heading: Array, owners: NDArray[np.intp]) -> Array:
    """Errors of the measured times of one lap's passes (C, C), as far as they differ from lap to lap [s²].

    A pass is timed from the end of one stretch to the end of the next; each of these instants is off by what the
    position is off along the track there, divided by the speed: by the receiver's noise, and by its bias, which stays
    nearly the same from one end to the next.  What is late at an end is early for the stretch after it.

    Parameters
    ----------
    driven : sequence of DrivenLap
    edges : (M + 1,) array
        Stations of the ends of all segments [m].
    heading : (M + 1,) array
        Yaw angle of the reference line there [rad].
    owners : (M,) array of int
        To which corner each segment belongs.
    """
    along = np.column_stack([np.cos(heading), np.sin(heading)])
    middles = np.array([drive.t_start + 0.5 * drive.lap.lap_time for drive in driven])
    found = np.mean([_instants(drive, edges, along, middles) for drive in driven], axis=0)
    steps = from_ends(owners)
    return np.asarray(steps @ found @ steps.T)


def from_ends(owners: NDArray[np.intp]) -> Array:
    """What makes passes of corners from values at the ends of segments (C, M + 1): last minus first end of each one's.

    ``owners`` (M,) says to which corner each segment belongs.
    """
    sums = (owners[None, :] == np.arange(owners.max() + 1)[:, None]).astype(np.float64)
    return np.asarray(sums @ np.diff(np.eye(owners.size + 1), axis=0))


def _instants(drive: DrivenLap, edges: Array, along: Array, middles: Array) -> Array:
    """Covariance of the errors of one lap's instants at the ends of segments (M + 1, M + 1) [s²].

    ``middles`` are the times of the middles of all laps (E,) [s].
    """
    lap, bias = drive.lap, drive.bias
    when = time_at(lap.line.s, lap.t, edges)
    pace = along / np.maximum(np.interp(edges, lap.line.s, lap.v), 1.0)[:, None]
    drawn = np.array([np.interp(edges, lap.line.s, row) for row in drive.draws_t]).reshape(-1, edges.size)
    noise = np.var(drawn, axis=0) if drawn.shape[0] else np.zeros(edges.size)
    every = np.linspace(when[0], when[-1], _AROUND)
    # Half the variance of a change between two instants is what the bias does not have in common there: about its mean
    # over the lap, and that about all laps', of which placing the laps on the track leaves what is known.
    apart, around, within = (
        0.5 * bias.changes(one[:, None] - other) ** 2 for one, other in ((when, when), (when, every), (every, every))
    )
    from_mean = around.mean(axis=1)
    wander = from_mean[:, None] + from_mean - apart - within.mean()
    placed = max(bias.sigma**2 - bias.about_mean(lap.lap_time) ** 2 - bias.shared**2, 0.0)
    unplaced = 0.5 * float(np.mean(bias.changes(middles[:, None] - middles) ** 2))
    whole = wander + (unplaced if bias.wander is None else placed)
    return np.asarray(np.diag(noise) + (pace @ pace.T) * whole)


def measured_times(driven: Sequence[DrivenLap], edges: Array, owners: NDArray[np.intp]) -> Array:
    """Measured times of the passes of laps (E, C) [s]; arguments as for :func:`pass_covariance`."""
    found = np.diff([time_at(drive.lap.line.s, drive.lap.t, edges) for drive in driven], axis=1)
    return np.stack([found[:, owners == k].sum(axis=1) for k in range(int(owners.max()) + 1)], axis=1)


def own_passes(driven: Sequence[DrivenLap], edges: Array, heading: Array, owners: NDArray[np.intp]) -> OwnPasses:
    """The passes of a session; arguments as for :func:`pass_covariance`."""
    times, covariance = measured_times(driven, edges, owners), pass_covariance(driven, edges, heading, owners)
    return OwnPasses(measured=freeze(times), covariance=freeze(covariance))


@lru_cache(maxsize=4)
def _drawn(passes: OwnPasses) -> tuple[Array, Array, NDArray[np.intp]]:
    """Draws of passes and the quickest ones, kept for the sessions asked about last: equal passes have equal ones."""
    draws, usual = likely_times(passes.measured, passes.covariance)
    best = np.asarray(draws.mean(axis=0).argmin(axis=0))
    best.flags.writeable = False
    return freeze(np.asarray(draws)), freeze(usual), best


def likely_times(times: Array, covariance: Array) -> tuple[Array, Array]:
    """Equally likely sets of the true times of passes (K, E, C), and of the usual time of each corner (K, C) [s].

    Parameters
    ----------
    times : (E, C) array
        Measured time of every lap in every corner's stretch [s].
    covariance : (C, C) array
        Errors of the times of one lap [s²].

    References
    ----------
    A normal-measurement model over passes of Student's distribution, as a scale mixture of normal ones, with an effect
    of the whole lap, shared out by time, drawn by turns (Gibbs sampling): A. Gelman and others, Bayesian Data Analysis,
    third edition, 2013, sections 5.4, 11.6, 15.1 and 17.2 (from memory).
    """
    rng = np.random.default_rng(SEED)
    laps, corners = times.shape
    exact = not covariance.any()
    information = np.linalg.inv(covariance + LEAST**2 * np.eye(corners))
    seen = times @ information
    middle, variance, weight = np.median(times, axis=0), np.full(corners, BEFORE**2), np.ones((laps, corners))
    share = middle / middle.sum()
    lap, spread, sway = np.zeros(laps), BEFORE**2, np.ones(laps)
    level, kept, usual = BEFORE**2, [], []
    true: Array = times
    for turn in range(BEGINNING + DRAWS * OF):
        own = weight / variance
        if not exact:
            root = np.linalg.cholesky(information + own[:, :, None] * np.eye(corners))
            around = seen + own * (middle + lap[:, None] * share)
            half_way = np.linalg.solve(root, around[:, :, None]) + rng.standard_normal((laps, corners, 1))
            true = np.asarray(np.linalg.solve(np.swapaxes(root, 1, 2), half_way)[:, :, 0], dtype=np.float64)
        middle, lap = _levels(rng, true, own, share, sway / spread)
        weighed = lap**2
        sway = rng.gamma(0.5 * (FREEDOM + 1.0), 2.0 / (FREEDOM + weighed / spread))
        spread = 0.5 * (ALIKE * BEFORE**2 + float((sway * weighed).sum())) / rng.gamma(0.5 * (ALIKE + laps))
        off = (true - middle - lap[:, None] * share) ** 2
        weight = rng.gamma(0.5 * (FREEDOM + 1.0), 2.0 / (FREEDOM + off / variance))
        half = 0.5 * (ALIKE * level + (weight * off).sum(axis=0))
        variance = np.maximum(half / rng.gamma(0.5 * (ALIKE + laps), 1.0, corners), LEAST**2)
        level = rng.gamma(0.5 * ALIKE * corners + 1.0) / (0.5 * ALIKE * (1.0 / variance).sum() + 1.0 / BEFORE**2)
        if turn >= BEGINNING and turn % OF == 0:
            kept.append(true)
            usual.append(middle)
    return (times[None] if exact else np.array(kept)), np.array(usual)


def _levels(rng: np.random.Generator, true: Array, own: Array, share: Array, tie: Array) -> tuple[Array, Array]:
    """The corners' usual times (C,) and the laps' effects (E,) [s], drawn together.

    ``own`` (E, C) and ``tie`` (E,) are the precisions of a pass about both and of a lap's effect about none [1/s²].
    """
    cross = own * share
    corners = np.diag(own.sum(axis=0))
    laps = np.diag((cross * share).sum(axis=1) + tie)
    precision = np.block([[corners, cross.T], [cross, laps]])
    right = np.concatenate([(own * true).sum(axis=0), (cross * true).sum(axis=1)])
    root = np.linalg.cholesky(precision)
    level = np.linalg.solve(root, right) + rng.standard_normal(right.size)
    found = np.asarray(np.linalg.solve(root.T, level), dtype=np.float64)
    return found[: share.size], found[share.size :]


def consistent_loss(laps: int, share: Array, repeats: float) -> Array:
    """What a driver who repeats well loses in each corner on average to the quickest of so many passes (C,) [s].

    Parameters
    ----------
    laps : int
    share : (C,) array
        Each corner's share of the lap's time [-]; variances of independent corners add up to the lap's.
    repeats : float
        Standard deviation of his lap times [s].

    References
    ----------
    Expected largest of n normal values, G. Blom, Statistical Estimates and Transformed Beta-Variables, 1958 (from
    memory): the quantile at (n - 3/8)/(n + 1/4).
    """
    from scipy.special import ndtri

    farthest = float(ndtri((laps - 0.375) / (laps + 0.25))) if laps > 1 else 0.0
    return np.asarray(farthest * repeats * np.sqrt(share))
