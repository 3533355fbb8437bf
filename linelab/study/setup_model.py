"""What times of laps say of two setups: a model of outings, tyres, the driver's scatter and measuring errors.

A time is the setup's, plus what differs from one outing to the next though nothing was changed, plus a trend within the
outing, plus what carries over from one lap to the next, plus a lap's own scatter with spoilt laps in it, plus what
measuring adds.  The setup's part is what remains after all of these, each as uncertain as the laps leave it.  With one
outing of each setup no number of laps tells the setup from the outing: only a further outing does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import ByValue
from linelab.motion.own_passes import FREEDOM
from linelab.units import Array

#: What is expected of a lap time before it is seen, as shares of it: medians and standard deviations of the logarithm.
#: Common practice, from memory: unchanged karts come back some tenths of a per cent quicker or slower.
#: Outing: the change from one to the next.  Slope: by lap, beyond what all outings have in common.  Carried: what a lap
#: passes on to the next.  Scatter: of a single lap.
OUTING, SLOPE, CARRIED, SCATTER = (2.5e-3, 0.7), (1e-4, 1.0), (1.5e-3, 1.0), (2.5e-3, 1.0)
#: Logit of the correlation from one lap to the next: mean and standard deviation.
CORRELATION = (0.5, 1.2)
#: Standard deviations before anything is seen: level, setup, slope by lap that all outings share, and what a first lap
#: is slower by; so many laps take the tyres to a third of that.
LEVEL, SETUP, COMMON_SLOPE, COLD, WARM_LAPS = 0.1, 0.05, 1e-3, 1e-2, 1.5
#: Chains, turns thrown away, turns kept one of so many, draws of the setup's part from each, and the seed.
CHAINS, BEGINNING, KEPT, OF, EACH, SEED = 4, 300, 250, 2, 12, 22
#: Wanted share of accepted steps of a random walk in three dimensions (from memory: A. Gelman and others, Efficient
#: Metropolis Jumping Rules, 1996).
ACCEPTED = 0.35
#: A scatter of a lap's own that is not known better than this share of a lap [-].
LEAST = 1e-6


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OutingLaps(ByValue):
    """Laps of one outing.

    Parameters
    ----------
    second : bool
        Whether it was driven with the second setup.
    number : (n,) array
        Numbers of the laps in the outing [-].
    times : (n, S) array
        Times of S stretches on each lap [s].
    variance : (S,) array
        Measuring error of one lap's times [s²].
    shared : (S,) array
        Standard deviation of the measuring error that all laps of the outing have in common [s].
    """

    second: bool
    number: Array
    times: Array
    variance: Array
    shared: Array


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SetupEffects(ByValue):
    """The second setup minus the first, in S stretches.

    Parameters
    ----------
    draws : (D, S) array
        Equally likely differences [s].
    states : (K, S, 6) array
        Equally likely states of what is unknown else, each standard normal before anything is seen; see :func:`sizes`.
    scale : (S,) array
        Usual time of each stretch [s].
    relax : (S,) array
        By how much more a stretch's time varies than a lap's, as a share of it [-].
    outing : float
        Expected change from one outing to the next [-].
    """

    draws: Array
    states: Array
    scale: Array
    relax: Array
    outing: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sizes:
    """What varies times, as shares of them; each (...,)."""

    outing: Array  #: standard deviation of the change from one outing to the next
    lasting: Array  #: share of that variance that stays for the outings after
    slope: Array  #: by lap
    carried: Array
    correlation: Array
    scatter: Array


def sizes(states: Array, relax: Array, outing: float) -> Sizes:
    """What states (..., 6) mean; ``relax`` (...,) as in :class:`SetupEffects`."""
    from scipy.special import expit, ndtr

    z = np.moveaxis(states, -1, 0)

    def size(k: int, prior: tuple[float, float]) -> Array:
        return np.asarray(relax * prior[0] * np.exp(prior[1] * z[k]))

    return Sizes(
        outing=size(0, (outing, OUTING[1])), lasting=np.asarray(ndtr(z[1])), slope=size(2, SLOPE),
        carried=size(3, CARRIED), correlation=np.asarray(expit(CORRELATION[0] + CORRELATION[1] * z[4])),
        scatter=size(5, SCATTER) + LEAST,
    )  # fmt: skip


class _Layout:
    """Outings side by side, the shorter ones filled up: everything that does not change while drawing."""

    def __init__(self, second: Sequence[bool], numbers: Sequence[Array]) -> None:
        count, most = len(numbers), max(number.size for number in numbers)
        self.count, self.most = count, most
        self.there = np.array([np.arange(most) < number.size for number in numbers])
        number = np.array([np.pad(number, (0, most - number.size), mode="edge") for number in numbers], dtype=float)
        self.lag = np.abs(number[:, :, None] - number[:, None, :])
        self.both = self.there[:, :, None] & self.there[:, None, :]
        middle = float(number[self.there].mean())
        basis = np.stack([np.ones_like(number), number - middle, np.exp(-(number - 1.0) / WARM_LAPS)], axis=-1)
        self.basis = basis * self.there[:, :, None]
        # Unknowns: level, setup, common slope, cold first laps, outings, slopes of outings.
        turn = np.zeros((count, 3, 4 + 2 * count))
        turn[:, 0, 0] = turn[:, 1, 2] = turn[:, 2, 3] = 1.0
        turn[:, 0, 1] = np.where(second, 0.5, -0.5)
        every = np.arange(count)
        turn[every, 0, 4 + every] = turn[every, 1, 4 + count + every] = 1.0
        self.turn = turn
        place = np.arange(1.0, count + 1.0)
        self.walk = np.minimum(place[:, None], place)

    def within(self, now: Sizes, single: Array) -> tuple[Array, Array]:
        """Covariance of an outing's laps about its trend (B, J, n, n), and the part that is carried over.

        ``single`` (B, J, n) is the variance of each lap's own.
        """
        carried = now.carried[:, None, None, None] ** 2 * now.correlation[:, None, None, None] ** self.lag
        carried = np.where(self.both, carried, 0.0)
        own = np.where(self.there, single, 1.0)
        return carried + own[..., None] * np.eye(self.most), carried

    def before(self, now: Sizes, shared: Array, relax: Array) -> tuple[Array, Array]:
        """Precision of the unknowns before the laps are seen (B, p, p) and its logarithmic determinant (B,)."""
        rows, count = now.outing.size, self.count
        change = now.outing[:, None, None] ** 2
        lasting = now.lasting[:, None, None]
        apart = change * (0.5 * (1.0 - lasting) + 1e-6) * np.eye(count) + change * lasting * self.walk
        apart = apart + shared[:, :, None] ** 2 * np.eye(count)
        fixed = np.ones((rows, 4)) * [LEVEL, SETUP, COMMON_SLOPE, COLD]
        fixed[:, 1:] *= relax[:, None]
        precision = np.zeros((rows, 4 + 2 * count, 4 + 2 * count))
        first, every = np.arange(4), np.arange(4 + count, 4 + 2 * count)
        precision[:, first, first] = fixed**-2
        precision[:, 4 : 4 + count, 4 : 4 + count] = np.linalg.inv(apart)
        precision[:, every, every] = now.slope[:, None] ** -2
        log = -2.0 * np.log(fixed).sum(axis=1) - np.linalg.slogdet(apart)[1] - 2.0 * count * np.log(now.slope)
        return precision, log

    def seen(self, covariance: Array, y: Array) -> tuple[Array, Array, Array]:
        """What the laps add: precision (B, p, p), its right side (B, p), and what of the likelihood is left (B,)."""
        root = np.linalg.cholesky(covariance)
        basis = np.broadcast_to(self.basis, (*y.shape, 3))
        known = np.linalg.solve(root, np.concatenate([basis, y[..., None]], axis=-1))
        found = np.swapaxes(known, -1, -2) @ known
        precision = np.einsum("jap,bjac,jcq->bpq", self.turn, found[..., :3, :3], self.turn, optimize=True)
        right = np.einsum("jap,bja->bp", self.turn, found[..., :3, 3])
        log = 2.0 * np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=(1, 2)) + found[..., 3, 3].sum(axis=1)
        return precision, right, log


def setup_effects(outings: Sequence[OutingLaps], *, outing: float = OUTING[0], seed: int = SEED) -> SetupEffects:
    """What the second setup's times lack to the first's, in each of S stretches; the first one is the whole lap.

    Parameters
    ----------
    outings : sequence of OutingLaps
        In the order in which they were driven.
    outing : float
        What is expected to change from one outing to the next though nothing is changed: the median of its standard
        deviation before the laps are seen, as a share of the lap time [-].
    seed : int

    References
    ----------
    A linear mixed model with autoregressive errors and Student's distribution for a lap's own scatter, as a scale
    mixture of normal ones.  The unknown sizes are drawn by a random walk with all that is linear integrated out, the
    rest by turns: A. Gelman and others, Bayesian Data Analysis, third edition, 2013, sections 11.2, 12.1, 15.1 and 17.2
    (from memory).
    """
    layout = _Layout([one.second for one in outings], [one.number for one in outings])
    stretches = outings[0].times.shape[1]
    scale = np.median(np.concatenate([one.times for one in outings]), axis=0)
    shape = (stretches, layout.count, layout.most)
    y, error = np.zeros(shape), np.zeros(shape)
    shared = np.array([one.shared / scale for one in outings]).T
    for j, one in enumerate(outings):
        y[:, j, : one.number.size] = ((one.times - scale) / scale).T
        error[:, j] = (one.variance / scale**2)[:, None]
    # What differs at one place averages out over a lap.
    relax = np.sqrt(np.maximum(scale[0] / scale, 1.0))
    y, error, shared, loose = (np.repeat(one, CHAINS, axis=0) for one in (y, error, shared, relax))
    means, spreads, states = _drawn(layout, y, error, shared, loose, outing, np.random.default_rng(seed))
    rng = np.random.default_rng(seed + 1)
    normal = rng.standard_normal((EACH, *means.shape))
    draws = (means + spreads * normal).reshape(-1, stretches, CHAINS).swapaxes(1, 2).reshape(-1, stretches)
    kept = states.reshape(-1, stretches, CHAINS, 6).swapaxes(1, 2).reshape(-1, stretches, 6)
    return SetupEffects(draws=draws * scale, states=kept, scale=scale, relax=relax, outing=outing)


def _drawn(
    layout: _Layout,
    y: Array,
    error: Array,
    shared: Array,
    relax: Array,
    outing: float,
    rng: np.random.Generator,
) -> tuple[Array, Array, Array]:
    """Mean and standard deviation of the setup's part (K, B) as each kept state (K, B, 6) has them."""
    rows, weight = len(y), np.ones(y.shape)
    z = 0.7 * rng.standard_normal((rows, 6))
    step = np.full((2, rows), 0.5)

    def likelihood(at: Array) -> tuple[Array, Array, Array]:
        now = sizes(at, relax, outing)
        covariance, _ = layout.within(now, now.scatter[:, None, None] ** 2 / weight + error)
        prior, log_prior = layout.before(now, shared, relax)
        precision, right, log = layout.seen(covariance, y)
        precision = precision + prior
        root = np.asarray(np.linalg.cholesky(precision), dtype=np.float64)
        half = np.linalg.solve(root, right[..., None])[..., 0]
        whole = 2.0 * np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=1)
        value = np.asarray(0.5 * (log_prior - log - whole + (half**2).sum(axis=1) - (at**2).sum(axis=1)))
        return value, root, np.asarray(half)

    means, spreads, states = [], [], []
    for turn in range(BEGINNING + KEPT * OF):
        value, root, half = likelihood(z)
        for part, block in enumerate((slice(0, 3), slice(3, 6))):
            tried = z.copy()
            tried[:, block] += step[part][:, None] * rng.standard_normal((rows, 3))
            its, its_root, its_half = likelihood(tried)
            taken = np.log(rng.random(rows)) < its - value
            z = np.where(taken[:, None], tried, z)
            value = np.where(taken, its, value)
            root, half = np.where(taken[:, None, None], its_root, root), np.where(taken[:, None], its_half, half)
            if turn < BEGINNING:
                step[part] *= np.exp((taken - ACCEPTED) / np.sqrt(turn + 1.0))
                step[part] = np.clip(step[part], 0.05, 3.0)
        if turn >= BEGINNING and turn % OF == 0:
            unit = np.zeros((rows, half.shape[1], 1))
            unit[:, 1] = 1.0
            pair = np.linalg.solve(np.swapaxes(root, 1, 2), np.concatenate([half[..., None], 0.0 * unit], axis=2))
            means.append(pair[:, 1, 0])
            spreads.append(np.sqrt((np.linalg.solve(root, unit) ** 2).sum(axis=(1, 2))))
            states.append(z)
        # The weights of the laps: draw the unknowns, then each lap's own departure, then its weight.
        now = sizes(z, relax, outing)
        level = np.linalg.solve(np.swapaxes(root, 1, 2), (half + rng.standard_normal(half.shape))[..., None])[..., 0]
        left = y - np.einsum("jna,jap,bp->bjn", layout.basis, layout.turn, level, optimize=True)
        own = now.scatter[:, None, None] ** 2 / weight
        covariance, carried = layout.within(now, own + error)
        drawn = np.linalg.cholesky(carried + LEAST**2 * np.eye(layout.most))
        normal = rng.standard_normal((3, *y.shape))
        alone = np.sqrt(own) * normal[0]
        made = alone + np.sqrt(error) * normal[1] + (drawn @ normal[2][..., None])[..., 0]
        missing = np.where(layout.there, left - made, 0.0)
        departure = alone + own * np.linalg.solve(covariance, missing[..., None])[..., 0]
        size = (departure / now.scatter[:, None, None]) ** 2
        weight = rng.gamma(0.5 * (FREEDOM + 1.0), 2.0 / (FREEDOM + size))
    return np.array(means), np.array(spreads), np.array(states)


def spread_with(
    found: SetupEffects, second: Sequence[bool], numbers: Sequence[Array], variance: float, states: NDArray[np.intp]
) -> Array:
    """Standard deviation that the lap's difference would have after outings of some laps (K,) [s], by drawn state.

    Parameters
    ----------
    found : SetupEffects
    second : sequence of bool
        Which of the outings are of the second setup, in their order.
    numbers : sequence of (n,) arrays
        Numbers of their laps.
    variance : float
        Measuring error of one lap time [s²].
    states : (K,) array of int
        For which of the drawn states.

    References
    ----------
    A value of Student's distribution about a level tells (f + 1)/(f + 3) as much of it as a normal one of its scale:
    Fisher information of a location (from memory).
    """
    layout = _Layout(second, numbers)
    ones = np.ones(states.size)
    now = sizes(found.states[states, 0], ones, found.outing)
    own = now.scatter**2 * (FREEDOM + 3.0) / (FREEDOM + 1.0) + variance / found.scale[0] ** 2
    single = np.broadcast_to(own[:, None, None], (states.size, layout.count, layout.most))
    covariance, _ = layout.within(now, single)
    prior, _ = layout.before(now, np.zeros((states.size, layout.count)), ones)
    precision, _, _ = layout.seen(covariance, np.zeros(single.shape))
    return np.asarray(np.sqrt(np.linalg.inv(precision + prior)[:, 1, 1]) * found.scale[0])
