"""Which habits explain a driven speed, and how large they are: the driver model fitted, place by place.

A place has no habit unless one pays for itself: habits are added one at a time, each the one that is likeliest, and
fitted together with those the place has.  How likely a set of habits is says its evidence: its misfit, what is likely
of its numbers beforehand, and how finely those have to be tuned (Laplace's approximation; MacKay, Bayesian
interpolation, 1992).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import (
    COAST,
    EARLY,
    EASES,
    FOOT,
    GRIP,
    HABITS,
    HOLDS,
    LASTS,
    LATE,
    LIFTS,
    LOST,
    ROLLS,
    SHARE,
    SIZE,
    SLIDES,
    SLOW,
    SOFT,
    UNTIL,
    WHEN,
    WHERE,
    Course,
    Index,
    drive_laps,
    ideal_places,
)
from linelab.diagnosis.fitting import (
    Driven,
    Fit,
    Hypothesis,
    Pushes,
    Scene,
    cleaned,
    cost_of,
    fit_abreast,
    habits_of,
    hypothesis_of,
    kinds_of,
    prior_cost,
    pushes_at,
    wave_sizes,
)
from linelab.diagnosis.kinds import FaultKind
from linelab.units import Array

#: Manners that a fit of each habit is begun with: those that lead to different optima.
_STARTS: dict[int, tuple[dict[int, float], ...]] = {
    EARLY: ({ROLLS: 0.0}, {ROLLS: 1.0}),
    SOFT: ({},),
    COAST: ({UNTIL: 0.0}, {UNTIL: -10.0}, {UNTIL: -25.0}),
    SLOW: ({WHERE: 0.0}, {WHERE: -3.0}),
    LATE: (
        {WHERE: 0.0, ROLLS: 0.9, EASES: 0.1},
        {WHERE: 0.0, ROLLS: 0.1, EASES: 0.1},
        {WHERE: -2.5, ROLLS: 0.5, EASES: 0.1},
    ),
    LOST: (
        {WHEN: -0.3, FOOT: SLIDES},
        {WHEN: 0.2, FOOT: SLIDES},
        {WHEN: 0.8, FOOT: SLIDES},
        {WHEN: 0.5, FOOT: LIFTS},
        {WHEN: 0.5, FOOT: HOLDS},
    ),
}
#: Steps of a fit, and how many hypotheses of each place go on after them: most are soon seen to be hopeless.
_RACE = ((2, 8), (3, 4), (3, 4), (3, 0))
#: A fit that gained less than this by its last steps has arrived [-].
_ARRIVED = 0.1
#: Steps of a fit of a single lap's habits, of one pass, and of the session's numbers.
_LAP_ROUNDS, _PASS_ROUNDS, _SESSION_ROUNDS = 2, 6, 2
#: How many rivals of a place are weighed again when the session's numbers have changed, and steps of their fits.
_AGAIN, _AGAIN_ROUNDS = 6, 4
#: Times the places are gone through, and most habits of a place.
_SWEEPS, _MOST = 2, 3
#: A misfit that has changed by less than this, against prices of as much and more, is as it was.
_SETTLED = 3.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Explained:
    """A driven speed explained.

    Parameters
    ----------
    driven : Driven
    places : (K,) array
        Nodes of the slow places, in driving order.
    sizes : (K, SIZE) array
        Habits of each and the manner they are done in.
    session : (len(SESSION),) array
    covariance : (len(SESSION), len(SESSION)) array
        Of the session's numbers.
    errors : (K, SIZE) array
        What a lap's time may be off by with each size [s], the session's numbers and the ground as unknown as they are.
    rivals : tuple of (place, tuple of Rival)
        What may explain each place, the likeliest first.
    """

    driven: Driven
    places: Index
    sizes: Array
    session: Array
    covariance: Array
    errors: Array
    rivals: tuple[tuple[int, tuple[Rival, ...]], ...] = ()

    def laps(self, sizes: Array, session: Array | None = None) -> Array:
        """Speeds of laps with other sizes (L, K, SIZE) on the same course (N, L) [m/s]."""
        numbers = np.repeat(self.session[None], len(sizes), axis=0) if session is None else session
        given = self.driven
        return drive_laps(given.model, [given.course], self.places, sizes, numbers, entry=given.entry)


class Rival(NamedTuple):
    """What else may explain a place: habits, misfit with their price [-], numbers (SIZE,)."""

    habits: tuple[int, ...]
    cost: float
    sizes: Array


def slow_places(course: Course, v: Array) -> Index:
    """Nodes of the minima of an ideal speed (N,) that stand out, in driving order."""
    apart = max(round(priors.LEAST_APART / float(np.median(course.h))), 1)
    shift = int(np.argmax(v)) if course.closed else 0
    turned = np.append(np.roll(v, -shift), v[shift]) if course.closed else v
    return np.sort((_peaks(-turned, priors.LEAST_PROMINENCE, apart) + shift) % v.size)


def _with_driven(given: Driven, places: Index) -> Index:
    """Slow places, and the slowest driven points of corners without: done well, those are taken flat out."""
    slow = slow_places(given.course, given.v)
    more = [
        _within(given.course, slow, first, last)
        for first, last in given.corners
        if not _within(given.course, places, first, last).size
    ]
    return np.unique(np.concatenate([places, *more]))


def _within(course: Course, nodes: Index, first: float, last: float) -> Index:
    """Those nodes that lie from one station to another [m], round a closed lap."""
    ahead = course.s[nodes] - first
    if course.closed:
        ahead = np.mod(ahead, course.s[-1] - course.s[0] + course.h[-1])
    return nodes[(ahead >= 0.0) & (ahead <= last - first)]


def _peaks(values: Array, prominence: float, apart: int) -> Index:
    """Maxima (K,) within a series (N,): of those closer than ``apart`` the highest, where the series falls by
    ``prominence`` on both sides before it is higher again or ends.  (What scipy.signal finds, which loads scipy.stats
    and most of scipy.)"""
    begins = np.flatnonzero(np.append(True, np.diff(values) != 0.0))  # of runs of one value
    level = values[begins]
    top = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])) + 1
    middle = (begins[top] + begins[top + 1] - 1) // 2
    kept: list[int] = []
    for k in middle[np.argsort(values[middle], kind="stable")[::-1]].tolist():
        if all(abs(k - other) >= apart for other in kept):
            kept.append(k)
    return np.array([k for k in sorted(kept) if values[k] - _saddle(values, k) >= prominence], dtype=np.intp)


def _saddle(values: Array, k: int) -> float:
    """The higher of the lowest values on either side of a maximum, as far as nothing is higher than it."""
    higher = np.flatnonzero(values > values[k])
    at = int(np.searchsorted(higher, k))
    low, high = higher[at - 1] + 1 if at else 0, higher[at] if at < higher.size else values.size
    return float(max(values[low : k + 1].min(), values[k:high].min()))


def _one_more(scene: Scene, place: int) -> list[Hypothesis]:
    """Every habit that a place does not have yet, added to those it has."""
    sizes, sure = scene.sizes[place], scene.given.sure
    own = habits_of(sizes)
    if len(own) >= _MOST:
        return []
    before, level = float(scene.likely.before[place]), float(scene.ideal.level[place, 0])
    # In a long corner it may have been long before the slowest place.
    more: dict[int, list[dict[int, float]]] = {
        SLOW: [{WHERE: -way} for way in np.arange(before, 8.0, -8.0)],
        LOST: [{WHEN: -when, FOOT: SLIDES} for when in np.arange(before / level - 0.2, 0.6, -0.5)],
    }
    return [
        hypothesis_of(place, sizes, (*own, habit), manners)
        for habit, starts in _STARTS.items()
        if habit not in own and (sure or habit != SLOW)
        for manners in (*starts, *more.get(habit, ()))
    ]


def _raced(scene: Scene, hypotheses: list[Hypothesis], known: list[Fit]) -> list[Fit]:
    """Hypotheses fitted, the worst of each place left behind on the way: rivals are near each other at the end.

    Those ``known`` from a race before, the best of their places, join where that many are left.
    """
    fits = [*fit_abreast(scene, hypotheses, _RACE[0][0]), *known]
    moving = [True] * len(fits)
    for (_, most), (rounds, _) in pairwise(_RACE):
        near: dict[int, list[int]] = {}
        for row in sorted(range(len(fits)), key=lambda row: cost_of(fits[row])):
            near.setdefault(fits[row].hypothesis.place, []).append(row)
        rows = [row for each in near.values() for row in each[:most] if moving[row]]
        again = fit_abreast(scene, [fits[row].hypothesis._replace(begin=fits[row].sizes) for row in rows], rounds)
        for row, fit in zip(rows, again):
            moving[row] = fit.misfit < fits[row].misfit - _ARRIVED
            if fit.misfit < fits[row].misfit + 1e-6:
                fits[row] = fit
    return fits


class _Numbers(NamedTuple):
    """Numbers that are fitted together (P,): the session's, some of places' habits and grip, and the ground's waves."""

    place: Index  #: of those that belong to places
    what: Index
    normal: NDArray[np.bool_]  #: which are likely to be near their middle; sizes of habits are likely to be small
    middle: Array
    scale: Array
    step: Array
    longest: Array
    lowest: Array
    highest: Array

    def pull(self, theta: Array) -> Array:
        """Half of the derivatives of what numbers cost beforehand."""
        return np.asarray(np.where(self.normal, (theta - self.middle) / self.scale, 1.0) / self.scale)


def _numbers(given: Driven, sizes: Array, scene: Scene | None) -> _Numbers:
    """The session's numbers, in a scene the sizes of its habits and the grip of its corners, and the ground's waves."""
    own = np.zeros(sizes.shape, dtype=bool)
    scale, lowest, highest = np.zeros((3, *sizes.shape))
    if scene is not None:
        own[:, : len(HABITS)] = sizes[:, : len(HABITS)] > 0.0
        own[:, GRIP] = True
        scale, lowest, highest = scene.scale(np.arange(len(sizes)), sizes), scene.likely.lowest, scene.likely.highest
    place, what = np.nonzero(own)
    waves = np.repeat(given.hills, given.ground.size // 2)
    size, far = place.size + waves.size, np.full(waves.size, np.inf)
    return _Numbers(
        place, what, np.concatenate([np.ones(given.scale.size), what == GRIP, np.ones(waves.size)]) > 0.0,
        np.append(given.middle, np.zeros(size)), np.concatenate([given.scale, scale[own], waves]),
        np.concatenate([priors.SESSION_STEP, priors.STEP[what], 0.2 * waves]),
        np.concatenate([priors.SESSION_LONGEST, priors.LONGEST[what], 2.0 * waves]),
        np.concatenate([priors.SESSION_LOWEST, lowest[own], -far]),
        np.concatenate([priors.SESSION_HIGHEST, highest[own], far]),
    )  # fmt: skip


class Settled(NamedTuple):
    """What is fitted together: the ground, where it is not known, in what is given; sizes of habits, numbers."""

    given: Driven
    sizes: Array
    session: Array
    covariance: Array  #: of the session's numbers
    errors: Array  #: what the lap's time may be off by with each size (K, SIZE) [s]; 0 of those that are not fitted


def fit_session(given: Driven, places: Index, sizes: Array, session: Array, scene: Scene | None = None) -> Settled:
    """Sizes of the habits, the session's numbers and the ground, fitted together where there is a scene.

    Fitted alone the session's numbers would keep what a habit had drawn them to before it was known.
    """
    course, count, numbers = given.course, session.size, _numbers(given, sizes, scene)
    own = count + numbers.place.size
    use = (course.h if course.closed else np.append(course.h, course.h[-1])) / priors.SPACING
    theta: Array = np.concatenate([session, sizes[numbers.place, numbers.what], given.ground])
    best, least, damp = theta.copy(), np.inf, 1e-3
    ideal = ideal_places(given.model, [course], places, session[None], entry=given.entry)
    known = np.where(numbers.normal, 1.0, 1e-6) / numbers.scale**2
    covariance, worth = np.diag(numbers.scale**2), np.zeros(numbers.scale.size)
    for turn in range(_SESSION_ROUNDS + 1):
        rows = np.concatenate([theta[None], theta + np.diag(numbers.step)])[: 1 if turn == _SESSION_ROUNDS else None]
        every = np.repeat(sizes[None], len(rows), axis=0)
        every[:, numbers.place, numbers.what] = rows[:, count:own]
        here = ideal.at(rows[:, :count], session[None], every)
        courses = [given.on(row[own:]).course for row in rows] if given.ground.size else [course]
        v = drive_laps(given.model, courses, places, every, rows[:, :count], entry=given.entry, ideal=here)
        off = (v[:, 0] - given.v) / given.sigma
        prior = prior_cost(theta, numbers.middle, numbers.scale, normal=numbers.normal)
        misfit = float((use * priors.TAIL * np.log1p(off**2 / priors.TAIL)).sum() + prior.sum())
        better = misfit < least
        if better:
            best, least = theta.copy(), misfit
        damp *= 0.3 if better else 10.0
        if turn == _SESSION_ROUNDS:
            break
        if better:
            slope = (v[:, 1:] - v[:, :1]) / numbers.step / given.sigma[:, None]
            weight = use / (1.0 + off**2 / priors.TAIL)
            a = slope.T @ (weight[:, None] * slope) + np.diag(known)
            g = slope.T @ (weight * off) + numbers.pull(theta)
            covariance = np.asarray(np.linalg.inv(a))
            # What each number does to the lap's time [s]: where it does nothing, its error does not matter either.
            worth = np.abs((use * priors.SPACING / v[:, 0] ** 2 * given.sigma) @ slope)
        move = -np.linalg.solve(a + damp * np.diag(np.diag(a)), g)
        move = np.clip(move, -numbers.longest, numbers.longest)
        theta = np.asarray(np.clip(best + move, numbers.lowest, numbers.highest))
    found, errors = sizes.copy(), np.zeros_like(sizes)
    found[numbers.place, numbers.what] = best[count:own]
    errors[numbers.place, numbers.what] = (worth * np.sqrt(np.diag(covariance)))[count:own]
    seen = 1.0 - (np.diag(covariance) * known)[own:]
    return Settled(_as_hilly(given.on(best[own:]), seen), found, best[:count], covariance[:count, :count], errors)


def _as_hilly(given: Driven, seen: Array) -> Driven:
    """Ground with waves likely to be as large as those that are seen; ``seen`` (2W,) is how well each is determined,
    from 0 to 1.

    (MacKay, Bayesian interpolation, 1992, section 4.3: squares over the number of well determined parameters.)
    """
    if not given.ground.size:
        return given
    usual = priors.GROUND_COUNT * wave_sizes(given.waves.shape[1]) ** 2
    squares, well = ((values.reshape(2, -1)).sum(axis=1) for values in (given.ground**2, seen))
    return replace(given, hills=np.sqrt((usual + squares) / (priors.GROUND_COUNT + well)))


def explain(given: Driven) -> Explained:
    """Session numbers and the habits of every slow place."""
    session = given.middle
    none = np.zeros(0, dtype=np.intp)
    ideal = drive_laps(given.model, [given.course], none, np.zeros((1, 0, SIZE)), session[None], entry=given.entry)
    places = slow_places(given.course, ideal[:, 0])
    places = _with_driven(given, places)
    if not given.sure and places.size:
        # The file's grip may be another kart's: the corners' own speeds say what is likely.
        shown = session[SHARE] * float(np.median((given.v[places] / ideal[places, 0]) ** 2))
        session = np.where(np.arange(session.size) == SHARE, shown, session)
        session = np.clip(session, priors.SESSION_LOWEST, priors.SESSION_HIGHEST)
        given = replace(given, middle=session)
    found = fit_session(given, places, np.zeros((places.size, SIZE)), session)
    # Ground that is fitted before any habit is known takes up habits.
    found = found._replace(given=found.given.unlevelled())
    rivals: dict[int, list[Fit]] = {}
    if not places.size:
        return _explained(found, places, {})
    for _ in range(_SWEEPS):
        # Begun again with the session's numbers known: the first habits were found while numbers stood for them.
        scene = Scene(found.given, places, np.zeros_like(found.sizes), found.session)
        rivals = _explain_places(scene)
        found = _settled_on(scene)
    scene = Scene(found.given, places, found.sizes, found.session)
    if _weighed_again(scene, rivals):
        found = _settled_on(scene)
    return _explained(found, places, rivals)


def _explained(found: Settled, places: Index, rivals: dict[int, list[Fit]]) -> Explained:
    """What has settled, with what else may explain each place."""
    return Explained(
        driven=found.given, places=places, sizes=found.sizes, session=found.session, covariance=found.covariance,
        errors=found.errors, rivals=_rivals(rivals),
    )  # fmt: skip


def _settled_on(scene: Scene) -> Settled:
    """A scene's habits, the session's numbers and the ground, fitted together."""
    sizes = np.array([cleaned(row) for row in scene.sizes])
    found = fit_session(scene.given, scene.places, sizes, scene.session, scene)
    return found._replace(sizes=np.array([cleaned(row) for row in found.sizes]))


def _explain_places(scene: Scene) -> dict[int, list[Fit]]:
    """Add habits one at a time, all over the lap, until none pays for itself; the fits of each place that was raced.

    A place whose misfit stays what it was when nothing paid for itself there is not gone through again.  A place that
    still has the habits it had in its last race goes on from the best fits of that.
    """
    rivals: dict[int, list[Fit]] = {}
    settled: dict[int, float] = {}
    raced: dict[int, list[Fit]] = {}
    count = scene.places.size
    active = list(range(count))
    pushes = pushes_at(scene.given, scene.places, scene.session)
    for _ in range(_MOST + 1):
        own = [hypothesis_of(k, scene.sizes[k], habits_of(scene.sizes[k])) for k in active]
        left = scene.misfits()
        open_to = [k for k in active if left[k] > priors.PRICE and abs(left[k] - settled.get(k, np.inf)) > _SETTLED]
        more = {k: _one_more(scene, k) for k in open_to}
        again = [k for k in open_to if k in raced and _same_habits(raced[k], more[k])]
        known = [fit._replace(misfit=math.inf) for k in again for fit in raced[k]]
        fits = _raced(scene, own + [item for k in open_to if k not in again for item in more[k]], known)
        kept = {fit.hypothesis.place: fit for fit in fits[: len(own)]}
        gains: dict[int, tuple[float, Fit]] = {}
        for k in open_to:
            new = [fit for fit in fits[len(own) :] if fit.hypothesis.place == k]
            rivals.setdefault(k, []).extend(new)
            # The place's own habits, fitted as they are, take part in the race as well.
            raced[k] = sorted(new, key=cost_of)[: _RACE[1][1]]
            if new:
                best, _ = _likeliest(new, pushes[k])
                gain = cost_of(kept[k]) - cost_of(best)
                if gain > 0.0:
                    gains[k] = (gain, best)
        for k, fit in kept.items():
            scene.sizes[k] = fit.sizes
        settled |= {k: float(left[k]) for k in open_to}
        for k in gains:
            del settled[k]
        taken = _taken(scene, gains)
        if not taken:
            break
        near = {(k + step) % count for k in taken for step in (-1, 0, 1)}
        active = sorted(near | set(gains))
    return rivals


def _weighed_again(scene: Scene, rivals: dict[int, list[Fit]]) -> bool:
    """Hold the best rivals of each place against its habits again, as the session and the other places are now.

    What was likeliest at first, when one fault had drawn the session's numbers to it, need not be so at the end.
    ``rivals`` are fitted anew; whether any place has other habits now.
    """
    pushes = pushes_at(scene.given, scene.places, scene.session)
    ways: list[Hypothesis] = []
    for k, each in rivals.items():
        likely = [rival.sizes for rival in _best_of_each(each)[:_AGAIN]]
        begins = [scene.sizes[k], *likely] if habits_of(scene.sizes[k]) else []
        ways += [hypothesis_of(k, begin, habits_of(cleaned(begin))) for begin in begins]
    again: dict[int, list[Fit]] = {}
    for fit in fit_abreast(scene, ways, _AGAIN_ROUNDS):
        again.setdefault(fit.hypothesis.place, []).append(fit)
    gains: dict[int, tuple[float, Fit]] = {}
    for k, fits in again.items():
        rivals[k] = fits
        best, _ = _likeliest(fits, pushes[k])
        if _kinds(best.sizes, pushes[k]) != _kinds(scene.sizes[k], pushes[k]):
            gains[k] = (cost_of(fits[0]) - cost_of(best), best)
    return bool(_taken(scene, gains))


def _kinds(sizes: Array, pushes: Pushes) -> frozenset[FaultKind]:
    """What the habits are called that a place with these numbers (SIZE,) has."""
    return kinds_of(habits_of(cleaned(sizes)), sizes, pushes)


def _taken(scene: Scene, gains: dict[int, tuple[float, Fit]]) -> set[int]:
    """Places that take a better explanation; where neighbours have one, the one that gains more goes first.

    The exit of one place and the way to the next compete for the same straight.
    """
    count, taken = scene.places.size, set[int]()
    for k, (_, fit) in sorted(gains.items(), key=lambda item: -item[1][0]):
        if not {(k - 1) % count, (k + 1) % count} & taken:
            scene.sizes[k] = fit.sizes
            taken.add(k)
    if taken:
        scene.refresh()
    return taken


def _same_habits(raced: Sequence[Fit], more: Sequence[Hypothesis]) -> bool:
    """Whether hypotheses fitted before are among those a place has now."""
    return {fit.hypothesis.habits for fit in raced} <= {item.habits for item in more}


def _likeliest(fits: Sequence[Fit], pushes: Pushes) -> tuple[Fit, float]:
    """The best fit of the likeliest kinds of habits, and how likely those are beside the others [-].

    One kind may be done in several manners.
    """
    least: dict[tuple[frozenset[FaultKind], tuple[int, ...], float], Fit] = {}
    for fit in fits:
        kinds = _kinds(fit.sizes, pushes)
        manner = (kinds, fit.hypothesis.habits, float(fit.sizes[FOOT]))
        if manner not in least or cost_of(fit) < cost_of(least[manner]):
            least[manner] = fit
    lowest = min(cost_of(fit) for fit in least.values())
    weights: dict[frozenset[FaultKind], float] = {}
    for (kinds, _, _), fit in least.items():
        weights[kinds] = weights.get(kinds, 0.0) + math.exp(-0.5 * (cost_of(fit) - lowest))
    likeliest = max(weights, key=lambda kinds: weights[kinds])
    best = min((fit for (kinds, _, _), fit in least.items() if kinds == likeliest), key=cost_of)
    return best, weights[likeliest] / sum(weights.values())


def _rivals(fits: dict[int, list[Fit]]) -> tuple[tuple[int, tuple[Rival, ...]], ...]:
    """The best of each set of habits, and of each manner to lose speed, at each place; what costs least first."""
    return tuple((k, tuple(_best_of_each(each))) for k, each in sorted(fits.items()))


def _best_of_each(fits: Sequence[Fit]) -> list[Rival]:
    """The best of each set of habits, and of each manner to lose speed; what costs least first."""
    least: dict[tuple[object, ...], Rival] = {}
    for fit in fits:
        there = habits_of(cleaned(fit.sizes))
        lost = (float(fit.sizes[FOOT]), bool(fit.sizes[WHEN] > fit.sizes[LASTS])) if LOST in there else ()
        rival = Rival(there, cost_of(fit), fit.sizes)
        if (there, lost) not in least or rival.cost < least[there, lost].cost:
            least[there, lost] = rival
    return sorted(least.values(), key=lambda rival: rival.cost)


def by_lap(explained: Explained, v: Array) -> Array:
    """Sizes of the habits on single laps (L, K, SIZE), drawn to the session's as far as a lap alone does not tell.

    Parameters
    ----------
    v : (L, N) array
        Speeds of the laps at the course's nodes [m/s].
    """
    found = np.repeat(explained.sizes[None], len(v), axis=0)
    spots = [k for k in range(explained.places.size) if habits_of(explained.sizes[k])]
    if not spots:
        return found
    scene = Scene(explained.driven, explained.places, explained.sizes, explained.session)
    pairs = [(lap, k) for lap in range(len(v)) for k in spots]
    each = []
    for _, k in pairs:
        habits = habits_of(explained.sizes[k])
        each.append(Hypothesis(k, habits, (*habits, GRIP), explained.sizes[k]))
    own = np.array([v[lap][scene.windows.node[:, k]] for lap, k in pairs]).T
    fits = fit_abreast(scene, each, _LAP_ROUNDS, own, np.array([item.begin for item in each]))
    for (lap, k), fit in zip(pairs, fits):
        found[lap, k] = fit.sizes
    return found


def on_passes(explained: Explained, v: Array, places: Sequence[int]) -> list[tuple[Array, float]]:
    """Numbers (SIZE,) that explain one lap's passes of places best, and how likely their kinds are beside others [-].

    A pass has the session's habits, or one more of them.

    Parameters
    ----------
    v : (N,) array
        Speed of the lap at the course's nodes [m/s].
    places : sequence of int
        Indices into the slow places.
    """
    scene = Scene(explained.driven, explained.places, explained.sizes, explained.session)
    pushes, found = pushes_at(explained.driven, explained.places, explained.session), []
    for k in places:
        usual = explained.sizes[k]
        ways = [hypothesis_of(k, usual, habits_of(usual)), *_one_more(scene, k)]
        own = np.repeat(v[scene.windows.node[:, k]][:, None], len(ways), axis=1)
        fit, likely = _likeliest(fit_abreast(scene, ways, _PASS_ROUNDS, own), pushes[k])
        found.append((cleaned(fit.sizes), likely))
    return found


def without(sizes: Array, place: int, habits: Index | Sequence[int]) -> Array:
    """The numbers of all places (K, SIZE) with some habits of one taken away."""
    changed = sizes.copy()
    changed[place, habits] = 0.0
    return changed
