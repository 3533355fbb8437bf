"""What times of laps say of two setups: a model of outings, tyres, the driver's scatter and measuring errors.

A time is the setup's, plus what differs from one outing to the next though nothing was changed, plus a trend within the
outing, plus what carries over from one lap to the next, plus a lap's own scatter with spoilt laps in it, plus what
measuring adds.  The setup's part is what remains after all of these, each as uncertain as the laps leave it.  With one
outing of each setup no number of laps tells the setup from the outing: only a further outing does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import ByValue
from linelab.motion.own_passes import FREEDOM
from linelab.units import Array

#: What is expected of a lap time before it is seen, as shares of it: medians and standard deviations of the logarithm.
#: Common practice, from memory: unchanged karts come back some tenths of a per cent quicker or slower.
#: Slope: by lap, beyond what all outings have in common.  Carried: what a lap passes on to the next.  Scatter: of a
#: single lap.
SLOPE, CARRIED, SCATTER = (1e-4, 1.0), (1.5e-3, 1.0), (2.5e-3, 1.0)
#: The change from one outing to the next, as a share of a lap, where nobody states it: its density falls as one over it
#: plus the first of these, up to the second.  It is wide on purpose: a few outings hardly show how much outings change,
#: and an expectation of some tenths of a per cent calls equal setups different where that is too small.
OUTING = (3e-3, 3e-2)
#: Stated, it is known to so much: standard deviation of its logarithm.
STATED = 0.3
#: At most this share of its variance lasts for the outings after [-]: the same kart comes back to about the same time.
LASTING = 0.5
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
    driven : (D, S) array
        Equally likely differences between the outings of the second and of the first setup as they were driven, with
        what changed from one outing to the next in them [s].
    states : (K, S, 6) array
        Equally likely states of what is unknown else, each standard normal before anything is seen; see :func:`sizes`.
    scale : (S,) array
        Usual time of each stretch [s].
    relax : (S,) array
        By how much more a stretch's time varies than a lap's, as a share of it [-].
    outing : float or None
        The stated change from one outing to the next [-].
    """

    draws: Array
    driven: Array
    states: Array
    scale: Array
    relax: Array
    outing: float | None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sizes:
    """What varies times, as shares of them; each (...,)."""

    outing: Array  #: standard deviation of the change from one outing to the next
    lasting: Array  #: share of that variance that stays for the outings after
    slope: Array  #: by lap
    carried: Array
    correlation: Array
    scatter: Array


def sizes(states: Array, relax: Array, outing: float | None) -> Sizes:
    """What states (..., 6) mean; ``relax`` (...,) and ``outing`` as in :class:`SetupEffects`."""
    from scipy.special import expit, ndtr

    z = np.moveaxis(states, -1, 0)

    def size(k: int, prior: tuple[float, float]) -> Array:
        return np.asarray(relax * prior[0] * np.exp(prior[1] * z[k]))

    if outing is None:
        change = relax * OUTING[0] * np.expm1(np.log1p(OUTING[1] / OUTING[0]) * ndtr(z[0]))
    else:
        change = size(0, (outing, STATED))
    return Sizes(
        outing=change + LEAST, lasting=np.asarray(LASTING * ndtr(z[1])), slope=size(2, SLOPE),
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
        self.gap = np.diff(number, axis=1)
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
        self._pairs = np.einsum("jap,jcq->jacpq", turn, turn).reshape(9 * count, -1)
        # What is asked for: the setup's part, and that with the outings' own.
        self.asked = np.zeros((4 + 2 * count, 2))
        self.asked[1] = 1.0
        self.asked[4 : 4 + count, 1] = np.where(second, 1.0 / max(sum(second), 1), -1.0 / max(count - sum(second), 1))
        place = np.arange(1.0, count + 1.0)
        self.walk = np.minimum(place[:, None], place)

    def steps(self, now: Sizes) -> Array:
        """What of the part that is carried over is left from each lap to the next (n - 1, B, J)."""
        return np.asarray(now.correlation[:, None] ** self.gap.T[:, None, :])

    def filtered(self, now: Sizes, single: Array, columns: Array) -> Iterator[tuple[Array, ...]]:
        """Lap by lap: what a column's value departs from what the laps before it say (B, J, c), the variance of that
        (B, J), and mean (B, J, c) and variance (B, J) of the part that is carried over once the lap is seen.

        ``single`` (B, J, n) is the variance of each lap's own, ``columns`` (B, J, n, c) what is filtered.  Laps that
        fill up an outing change nothing.

        References
        ----------
        The Kalman filter of an autoregressive state of first order (from memory).
        """
        whole = np.broadcast_to(now.carried[:, None] ** 2, single.shape[:2])
        mean, variance, left = np.zeros((*single.shape[:2], columns.shape[-1])), whole, self.steps(now)
        for i in range(self.most):
            if i:
                mean = left[i - 1][..., None] * mean
                variance = whole + left[i - 1] ** 2 * (variance - whole)
            total = variance + single[:, :, i]
            apart = columns[:, :, i] - mean
            gain = np.where(self.there[:, i], variance / total, 0.0)
            mean, variance = mean + gain[..., None] * apart, variance * (1.0 - gain)
            yield apart, total, mean, variance

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
        root = np.diagonal(np.linalg.cholesky(apart), axis1=1, axis2=2)
        log = -2.0 * (np.log(fixed).sum(axis=1) + np.log(root).sum(axis=1) + count * np.log(now.slope))
        return precision, log

    def seen(self, now: Sizes, single: Array, y: Array) -> tuple[Array, Array, Array]:
        """What the laps add: precision (B, p, p), its right side (B, p), and what of the likelihood is left (B,).

        ``single`` (B, J, n) is the variance of each lap's own.
        """
        basis = np.broadcast_to(self.basis, (*y.shape, 3))
        known, log = np.zeros((self.most, *y.shape[:2], 4)), np.zeros(y.shape[:2])
        for i, (apart, total, _, _) in enumerate(
            self.filtered(now, single, np.concatenate([basis, y[..., None]], axis=-1))
        ):
            here = self.there[:, i]
            known[i] = apart * (here / np.sqrt(total))[..., None]
            log += np.where(here, np.log(total), 0.0)
        found = np.einsum("ibja,ibjc->bjac", known, known)
        rows, size = len(y), self.turn.shape[2]
        precision = (found[..., :3, :3].reshape(rows, -1) @ self._pairs).reshape(rows, size, size)
        right = found[..., :3, 3].reshape(rows, -1) @ self.turn.reshape(-1, size)
        return precision, right, log.sum(axis=1) + found[..., 3, 3].sum(axis=1)

    def departures(self, now: Sizes, own: Array, error: Array, left: Array, rng: np.random.Generator) -> Array:
        """What each lap departs by itself (B, J, n), drawn: not carried over and not added by measuring.

        ``own`` and ``error`` (B, J, n) are the variances of both, ``left`` (B, J, n) what the trend leaves of times.

        References
        ----------
        Forward filtering, backward sampling (from memory: S. Fruehwirth-Schnatter, Data augmentation and dynamic linear
        models, 1994).
        """
        steps, whole = self.steps(now), now.carried[:, None] ** 2
        past = [(m[..., 0], v) for _, _, m, v in self.filtered(now, own + error, left[..., None])]
        normal = rng.standard_normal((2, self.most, *left.shape[:2]))
        carried = np.empty((self.most, *left.shape[:2]))
        for i in range(self.most - 1, -1, -1):
            mean, variance = past[i]
            if i < self.most - 1:
                ahead = whole + steps[i] ** 2 * (variance - whole)
                gain = steps[i] * variance / ahead
                mean = mean + gain * (carried[i + 1] - steps[i] * mean)
                variance = np.maximum(variance - gain**2 * ahead, 0.0)
            carried[i] = mean + np.sqrt(variance) * normal[0, i]
        share = own / (own + error)
        alone = share * (left - np.moveaxis(carried, 0, 2))
        return np.asarray(alone + np.sqrt(share * error) * np.moveaxis(normal[1], 0, 2))


def setup_effects(outings: Sequence[OutingLaps], *, outing: float | None = None, seed: int = SEED) -> SetupEffects:
    """What the second setup's times lack to the first's, in each of S stretches; the first one is the whole lap.

    Parameters
    ----------
    outings : sequence of OutingLaps
        In the order in which they were driven.
    outing : float, optional
        What is known to change from one outing to the next though nothing is changed, as a share of the lap time
        (standard deviation) [-]; otherwise the laps have to show it.
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
    both = (means + spreads * normal).reshape(-1, 2, stretches, CHAINS)
    draws, driven = (scale * both[:, k].swapaxes(1, 2).reshape(-1, stretches) for k in range(2))
    kept = states.reshape(-1, stretches, CHAINS, 6).swapaxes(1, 2).reshape(-1, stretches, 6)
    return SetupEffects(draws=draws, driven=driven, states=kept, scale=scale, relax=relax, outing=outing)


def _drawn(
    layout: _Layout,
    y: Array,
    error: Array,
    shared: Array,
    relax: Array,
    outing: float | None,
    rng: np.random.Generator,
) -> tuple[Array, Array, Array]:
    """Means and standard deviations (K, 2, B) of the setup's part and of the outings' difference as driven, one of each
    kept state (K, B, 6).
    """
    rows, weight = len(y), np.ones(y.shape)
    z = 0.7 * rng.standard_normal((rows, 6))
    step = np.full((2, rows), 0.5)

    def likelihood(at: Array, prior: tuple[Array, Array], seen: tuple[Array, Array, Array]) -> tuple[Array, ...]:
        root = np.asarray(np.linalg.cholesky(seen[0] + prior[0]), dtype=np.float64)
        half = np.linalg.solve(root, seen[1][..., None])[..., 0]
        whole = 2.0 * np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=1)
        value = 0.5 * (prior[1] - seen[2] - whole + (half**2).sum(axis=1) - (at**2).sum(axis=1))
        return np.asarray(value), root, np.asarray(half)

    def laps_say(now: Sizes) -> tuple[Array, Array, Array]:
        return layout.seen(now, now.scatter[:, None, None] ** 2 / weight + error, y)

    means, spreads, states = [], [], []
    prior = layout.before(sizes(z, relax, outing), shared, relax)
    for turn in range(BEGINNING + KEPT * OF):
        seen = laps_say(sizes(z, relax, outing))
        value, root, half = likelihood(z, prior, seen)
        for part, block in enumerate((slice(0, 3), slice(3, 6))):
            tried = z.copy()
            tried[:, block] += step[part][:, None] * rng.standard_normal((rows, 3))
            now = sizes(tried, relax, outing)  # of outings and their slopes the laps know nothing by themselves
            its_prior = layout.before(now, shared, relax) if part == 0 else prior
            its_seen = seen if part == 0 else laps_say(now)
            its, its_root, its_half = likelihood(tried, its_prior, its_seen)
            taken = np.log(rng.random(rows)) < its - value
            z, value, half = (
                np.where(taken[:, None], tried, z),
                np.where(taken, its, value),
                _taken(taken, its_half, half),
            )
            root = _taken(taken, its_root, root)
            prior = (_taken(taken, its_prior[0], prior[0]), np.where(taken, its_prior[1], prior[1]))
            if turn < BEGINNING:
                step[part] *= np.exp((taken - ACCEPTED) / np.sqrt(turn + 1.0))
                step[part] = np.clip(step[part], 0.05, 3.0)
        if turn >= BEGINNING and turn % OF == 0:
            known = np.linalg.solve(root, np.broadcast_to(layout.asked, (rows, *layout.asked.shape)))
            means.append(np.einsum("bpk,bp->kb", known, half))
            spreads.append(np.sqrt((known**2).sum(axis=1)).T)
            states.append(z)
        # The weights of the laps: draw the unknowns, then each lap's own departure, then its weight.
        now = sizes(z, relax, outing)
        level = np.linalg.solve(np.swapaxes(root, 1, 2), (half + rng.standard_normal(half.shape))[..., None])[..., 0]
        trend = np.einsum("jap,bp->bja", layout.turn, level)
        left = y - np.einsum("jna,bja->bjn", layout.basis, trend)
        departure = layout.departures(now, now.scatter[:, None, None] ** 2 / weight, error, left, rng)
        size = (departure / now.scatter[:, None, None]) ** 2
        weight = rng.gamma(0.5 * (FREEDOM + 1.0), 2.0 / (FREEDOM + size))
    return np.array(means), np.array(spreads), np.array(states)


def _taken(taken: NDArray[np.bool_], its: Array, old: Array) -> Array:
    """Rows (B, ...) of ``its`` where the step is taken, else of ``old``."""
    return np.where(taken.reshape(-1, *[1] * (its.ndim - 1)), its, old)


def spread_with(
    found: SetupEffects,
    second: Sequence[bool],
    numbers: Sequence[Array],
    variance: float,
    states: NDArray[np.intp],
    stretch: int = 0,
) -> Array:
    """Standard deviation that a stretch's difference would have after outings of some laps (K,) [s], by drawn state.

    Parameters
    ----------
    found : SetupEffects
    second : sequence of bool
        Which of the outings are of the second setup, in their order.
    numbers : sequence of (n,) arrays
        Numbers of their laps.
    variance : float
        Measuring error of one time [s²].
    states : (K,) array of int
        For which of the drawn states.
    stretch : int
        The first one is the whole lap.

    References
    ----------
    A value of Student's distribution about a level tells (f + 1)/(f + 3) as much of it as a normal one of its scale:
    Fisher information of a location (from memory).
    """
    layout = _Layout(second, numbers)
    scale, loose = float(found.scale[stretch]), np.full(states.size, found.relax[stretch])
    now = sizes(found.states[states, stretch], loose, found.outing)
    own = now.scatter**2 * (FREEDOM + 3.0) / (FREEDOM + 1.0) + variance / scale**2
    single = np.broadcast_to(own[:, None, None], (states.size, layout.count, layout.most))
    prior, _ = layout.before(now, np.zeros((states.size, layout.count)), loose)
    precision, _, _ = layout.seen(now, single, np.zeros(single.shape))
    return np.asarray(np.sqrt(np.linalg.inv(precision + prior)[:, 1, 1]) * scale)
