"""Which habits explain a driven speed, and how large they are: the driver model fitted, place by place.

A place has no habit unless one pays for itself: habits are added one at a time, each the one that improves the misfit
most beyond its price, and fitted together with those the place has.  All hypotheses of all places are fitted abreast,
by Gauss-Newton steps with numerical derivatives and heavy-tailed misfits.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from linelab.coaching import priors
from linelab.comparison.driving import (
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
    Drives,
    Index,
    Model,
    drive,
    drive_laps,
    ideal_places,
    way_of,
)
from linelab.grip import Surface
from linelab.solve.reach import Node, nodes_on
from linelab.units import Array

#: Numbers that are sizes of habits, which are positive.
_SIZES = np.arange(SIZE) < len(HABITS)
#: Manners that go with each habit.
_WITH = {EARLY: (ROLLS,), SOFT: (), COAST: (UNTIL,), SLOW: (WHERE,), LATE: (WHERE, ROLLS, EASES), LOST: (WHEN, LASTS)}
#: Manners that a fit of each habit is begun with: those that lead to different optima.
_STARTS: dict[int, tuple[dict[int, float], ...]] = {
    EARLY: ({ROLLS: 0.0}, {ROLLS: 1.0}),
    SOFT: ({},),
    COAST: ({UNTIL: 0.0}, {UNTIL: -10.0}, {UNTIL: -25.0}),
    SLOW: ({WHERE: 0.0}, {WHERE: -3.0}),
    LATE: ({WHERE: 0.0, ROLLS: 0.9, EASES: 0.1}, {WHERE: 0.0, ROLLS: 0.1, EASES: 0.1}),
    LOST: (
        {WHEN: -0.3, FOOT: SLIDES},
        {WHEN: 0.2, FOOT: SLIDES},
        {WHEN: 0.8, FOOT: SLIDES},
        {WHEN: 0.5, FOOT: LIFTS},
        {WHEN: 0.5, FOOT: HOLDS},
    ),
}
#: Gauss-Newton steps of a fit, of its refinement, and of the session's numbers.
_ROUNDS, _LAP_ROUNDS, _SESSION_ROUNDS = 3, 2, 2
#: Derivatives are worked out anew every so many steps, and between them learnt from the steps (Broyden's update).
_EVERY = 3
#: Hypotheses of a place that are taken on to their optimum.
_NEAR = 4
#: Times the places are gone through, and most habits of a place.
_SWEEPS, _MOST = 2, 3
#: A misfit that has changed by less than this, against prices of 6 and more, is as it was.
_SETTLED = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Driven:
    """What is to be explained: a speed on a course.

    Parameters
    ----------
    model : Model
    course : Course
    v, sigma : (N,) array
        Speed, and what it may be off by [m/s].
    entry : float
        Speed at the start of an open line at most [m/s].
    middle, scale : (len(SESSION),) array
        What the session's numbers are likely to be, and within what.
    sure : bool
        Whether line, ground and kart are known so well that how fast a corner can be taken is: where they are not, a
        corner's own grip is free within wide bounds, and speed at its slowest point is no habit.
    """

    model: Model
    course: Course
    v: Array
    sigma: Array
    entry: float = 100.0
    middle: Array = field(default_factory=priors.SESSION_MIDDLE.copy)
    scale: Array = field(default_factory=priors.SESSION_SCALE.copy)
    sure: bool = True


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
    rivals : tuple of (place, tuple of Rival)
        What may explain each place, the likeliest first.
    """

    driven: Driven
    places: Index
    sizes: Array
    session: Array
    covariance: Array
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


class Hypothesis(NamedTuple):
    """Habits at a place: which numbers are free, and where they begin (SIZE,)."""

    place: int
    habits: tuple[int, ...]
    free: tuple[int, ...]
    begin: Array


class Fit(NamedTuple):
    """A hypothesis fitted: its numbers (SIZE,) and its misfit."""

    hypothesis: Hypothesis
    sizes: Array
    misfit: float


def slow_places(course: Course, v: Array) -> Index:
    """Nodes of the minima of an ideal speed (N,) that stand out, in driving order."""
    from scipy.signal import find_peaks

    apart = max(round(priors.LEAST_APART / float(np.median(course.h))), 1)
    shift = int(np.argmax(v)) if course.closed else 0
    turned = np.append(np.roll(v, -shift), v[shift]) if course.closed else v
    found, _ = find_peaks(-turned, prominence=priors.LEAST_PROMINENCE, distance=apart)
    return np.sort((found + shift) % v.size)


class _Windows(NamedTuple):
    """The stretch of each place, from the place before to the one after, shorter ones filled up with empty steps."""

    node: Index  #: nodes (M, K)
    h: Array  #: (M - 1, K) [m]
    away: Array  #: signed path length from the place before, the own and the one after (3, M, K) [m]
    use: Array  #: weight of each node's misfit (M, K) [-]
    who: Index  #: those places (3, K); -1 where there is none


def _windows(given: Driven, places: Index) -> _Windows:
    """Windows of all places: from the place before to the one after, but no farther than their own habits reach.

    Farther down a straight a lower speed only wears off: the last node's misfit stands for half of the way left.
    """
    course, v = given.course, given.v
    count, way, k = course.s.size, way_of(course), places.size
    number, step = np.arange(k), float(np.median(course.h))
    if course.closed:
        before = np.roll(places, 1) - count * (number == 0)
        after = np.roll(places, -1) + count * (number == k - 1)
        who = np.array([(number - 1) % k, number, (number + 1) % k])
    else:
        before, after = np.append(0, places[:-1]), np.append(places[1:], count - 1)
        who = np.array([number - 1, number, np.where(number == k - 1, -1, number + 1)])
    spots = [way[place % count] + (place // count) * way[-1] for place in (before, places, after)]
    fastest = np.array([v[np.arange(a, b + 1) % count].max() for a, b in zip(before, places)])
    ahead = (priors.AHEAD + fastest**2 / (2.0 * priors.GENTLE)) / step
    behind = (priors.BEHIND * v[places]) / step
    first = np.maximum(before, places - np.ceil(ahead).astype(np.intp))
    last = np.minimum(after, places + np.ceil(behind).astype(np.intp))
    row = np.arange(int((last - first).max()) + 1)[:, None]
    node = np.minimum(first + row, last)
    where = way[node % count] + (node // count) * way[-1]
    away = np.array([where - spot for spot in spots])
    away[0] = np.where(who[0] < 0, np.inf, away[0])
    away[2] = np.where(who[2] < 0, -np.inf, away[2])
    h = np.diff(where, axis=0)
    use = np.where(first + row <= last, np.concatenate([h, h[-1:]]), 0.0) / priors.SPACING
    left = spots[2] - where[-1]
    use[last - first, number] += 0.5 * left / priors.SPACING
    return _Windows(node % count, h, away, use, who)


class _Scene:
    """Everything a fit of places needs: the state of the others, and the levels of the places without habits."""

    def __init__(self, given: Driven, places: Index, sizes: Array, session: Array) -> None:
        self.given, self.places, self.sizes, self.session = given, places, sizes, session
        self.windows = _windows(given, places)
        nodes, course = self.windows.node, given.course
        self.node = nodes_on(
            given.model.kart, course.kappa[nodes], Surface(*(np.asarray(field)[nodes] for field in course.surface))
        )
        self.driven = given.v[self.windows.node]
        self.sigma = given.sigma[self.windows.node]
        self.ideal = ideal_places(given.model, [given.course], places, session[None], entry=given.entry)
        self.refresh()

    def refresh(self) -> None:
        """Drive the lap again as it is explained now."""
        given, numbers, sizes = self.given, self.session[None], self.sizes[None]
        ideal = self.ideal.at(numbers, numbers, sizes)
        v = drive_laps(given.model, [given.course], self.places, sizes, numbers, entry=given.entry, ideal=ideal)
        self.v = v[:, 0]

    def misfit(self, place: int) -> float:
        """What the speed about a place leaves to be explained."""
        off = (self.v[self.windows.node[:, place]] - self.driven[:, place]) / self.sigma[:, place]
        return float((self.windows.use[:, place] * priors.TAIL * np.log1p(off**2 / priors.TAIL)).sum())

    def windows_driven(self, place: Index, theta: Array) -> Array:
        """Speeds in the windows of places (C,) with these numbers (C, SIZE), the others as they are (M, C) [m/s]."""
        windows, course = self.windows, self.given.course
        index = windows.node[:, place]
        others = np.concatenate([self.sizes, np.zeros((1, SIZE))])
        sizes = np.array([others[windows.who[0][place]], theta, others[windows.who[2][place]]])
        who = windows.who[:, place]
        level, onset, slowed = (np.append(field[:, 0], 100.0)[who] for field in self.ideal)
        level = level * np.sqrt(1.0 + sizes[:, :, GRIP])
        columns = Drives(
            h=windows.h[:, place], node=Node(*(field[:, place] for field in self.node)),
            from_place=windows.away[:, :, place], sizes=sizes, level=level, onset=onset, slowed=slowed,
            session=np.repeat(self.session[None], place.size, axis=0), start=self.v[index[0]] ** 2,
            end=self.v[index[-1]] ** 2, step=float(np.median(course.h)),
        )  # fmt: skip
        return drive(self.given.model, columns)


def _hypothesis(
    place: int, sizes: Array, habits: tuple[int, ...], manners: dict[int, float] | None = None
) -> Hypothesis:
    """Habits at a place, begun at the sizes it has, new ones at their usual ones."""
    begin = np.where(_SIZES, 0.0, sizes)
    for habit in habits:
        new = sizes[habit] == 0.0
        begin[habit] = priors.BEGIN[habit] if new else sizes[habit]
    how = [WHEN, LASTS, FOOT]
    begin[how] = begin[how] if sizes[LOST] > 0.0 else priors.MIDDLE[how]
    for manner, value in (manners or {}).items():
        begin[manner] = value
    free = {*habits, GRIP, *(manner for habit in habits for manner in _WITH[habit])}
    return Hypothesis(place, habits, tuple(sorted(free)), begin)


def _habits_of(sizes: Array) -> tuple[int, ...]:
    """The habits that numbers (SIZE,) have."""
    return tuple(int(i) for i in np.flatnonzero(sizes[: len(HABITS)] > 0.0))


def _one_more(place: int, sizes: Array, *, sure: bool) -> list[Hypothesis]:
    """Every habit that a place does not have yet, added to those it has."""
    own = _habits_of(sizes)
    if len(own) >= _MOST:
        return []
    return [
        _hypothesis(place, sizes, (*own, habit), manners)
        for habit, starts in _STARTS.items()
        if habit not in own and (sure or habit != SLOW)
        for manners in starts
    ]


def _fit(
    scene: _Scene, hypotheses: list[Hypothesis], rounds: int = _ROUNDS, own: Array | None = None,
    about: Array | None = None,
) -> list[Fit]:  # fmt: skip
    """Fit hypotheses abreast, the other places as they are.

    ``own`` (M, C) are the speeds that each is to explain, where they are not the scene's; ``about`` (C, SIZE) what
    sizes are then likely to be near.
    """
    if not hypotheses:
        return []
    place = np.array([item.place for item in hypotheses])
    theta = np.array([item.begin for item in hypotheses])
    free = np.zeros(theta.shape, dtype=bool)
    for row, item in enumerate(hypotheses):
        free[row, list(item.free)] = True
    who, what = np.nonzero(free)
    step = priors.STEP[what]
    use, sigma = scene.windows.use[:, place], scene.sigma[:, place]
    driven = scene.driven[:, place] if own is None else own
    h = scene.windows.h[:, place]
    scale, (lowest, highest) = _scale(theta, sure=scene.given.sure), _bounds(sure=scene.given.sure)
    damp = np.full(len(hypotheses), 0.01)
    best, least = theta.copy(), np.full(len(hypotheses), np.inf)
    slope, timed = np.zeros((*theta.shape, h.shape[0] + 1)), np.zeros(theta.shape)
    before, was, took = theta, driven, np.zeros(len(hypotheses))
    for turn in range(rounds + 1):
        exact = turn < rounds and turn % _EVERY == 0
        rows, at = theta, place
        if exact:
            moved = theta[who]
            moved[np.arange(who.size), what] += step
            rows, at = np.concatenate([theta, moved]), np.concatenate([place, place[who]])
        v = scene.windows_driven(at, rows)
        base = v[:, : len(theta)]
        off = (base - driven) / sigma
        late = _time(h, base, driven)
        misfit = (use * priors.TAIL * np.log1p(off**2 / priors.TAIL)).sum(axis=0) + (late / priors.TIME) ** 2
        misfit += _prior(theta, free, about, scale)
        better = misfit < least
        best[better], least[better] = theta[better], misfit[better]
        damp = np.where(better, 0.3 * damp, 10.0 * damp)
        if turn == rounds:
            break
        if exact:
            slope[who, what] = ((v[:, len(theta) :] - base[:, who]) / step).T
            slope[who, what] /= sigma.T[who]
            timed[who, what] = _time(h[:, who], v[:, len(theta) :], base[:, who]) / step / priors.TIME
        else:
            way = (theta - before) * free
            along = way / scale**2
            along /= np.maximum((way * along).sum(axis=1, keepdims=True), 1e-12)
            seen = ((base - was) / sigma).T - (way[:, None, :] @ slope)[:, 0]
            slope += along[:, :, None] * seen[:, None, :]
            timed += along * ((late - took) / priors.TIME - (way * timed).sum(axis=1))[:, None]
        before, was, took = theta, base, late
        weight = (use / (1.0 + off**2 / priors.TAIL)).T
        weighted = slope * weight[:, None, :]
        a = weighted @ slope.transpose(0, 2, 1) + timed[:, :, None] * timed[:, None, :]
        pull = (weighted @ off.T[:, :, None])[:, :, 0] + timed * (late / priors.TIME)[:, None]
        normal = ~_SIZES if about is None else np.ones_like(_SIZES)
        middle = priors.MIDDLE if about is None else about
        pull += np.where(normal, (theta - middle) / scale**2, 1.0 / scale)
        # A size at zero that is pushed further down stays there.
        fixed = ~free | ((theta <= lowest) & (pull > 0.0))
        a = np.where(fixed[:, :, None] | fixed[:, None, :], 0.0, a)
        diagonal = np.einsum("cpp->cp", a)
        diagonal += np.where(normal, 1.0 / scale**2, 0.0)
        diagonal *= 1.0 + damp[:, None]
        diagonal += np.where(fixed, 1.0, 1e-9)
        move = -np.linalg.solve(a, np.where(fixed, 0.0, pull)[:, :, None])[:, :, 0]
        ahead = np.clip(theta + np.clip(move, -priors.LONGEST, priors.LONGEST), lowest, highest)
        # A step that has made it worse is tried again at half its length.
        theta = np.where(better[:, None], ahead, 0.5 * (theta + best))
    return [Fit(item, best[row], float(least[row])) for row, item in enumerate(hypotheses)]


def _polished(scene: _Scene, fits: list[Fit]) -> list[Fit]:
    """Fits with the few best of each place taken on to their optimum: rivals are near each other."""
    near: dict[int, list[int]] = {}
    for row in sorted(range(len(fits)), key=lambda row: _cost(fits[row])):
        near.setdefault(fits[row].hypothesis.place, []).append(row)
    rows = [row for each in near.values() for row in each[:_NEAR]]
    again = _fit(scene, [fits[row].hypothesis._replace(begin=fits[row].sizes) for row in rows], _ROUNDS + 2)
    better = {row: fit for row, fit in zip(rows, again) if fit.misfit < fits[row].misfit}
    return [better.get(row, fit) for row, fit in enumerate(fits)]


def _time(h: Array, v: Array, other: Array) -> Array:
    """Time of one speed over the other's (C,) [s]."""
    return np.asarray((2.0 * h / (v[1:] + v[:-1]) - 2.0 * h / (other[1:] + other[:-1])).sum(axis=0))


def _scale(theta: Array, *, sure: bool) -> Array:
    """Scales of the priors of numbers (C, SIZE): of a loss by a foot that holds the speed most is cut off."""
    scale = np.tile(priors.SCALE, (len(theta), 1))
    if not sure:
        scale[:, GRIP] = priors.UNSURE
    scale[:, LOST] *= np.where(theta[:, FOOT] == HOLDS, priors.CUT_OFF, 1.0)
    return scale


def _prior(theta: Array, free: Array, about: Array | None, scale: Array) -> Array:
    """What numbers cost beforehand (C,)."""
    middle = priors.MIDDLE if about is None else about
    each = ((theta - middle) / scale) ** 2
    if about is None:
        each = np.where(_SIZES, 2.0 * theta / scale, each)
    return np.asarray((each * free).sum(axis=1))


def _bounds(*, sure: bool) -> tuple[Array, Array]:
    """Lowest and highest numbers (SIZE,) each."""
    lowest, highest = priors.LOWEST.copy(), priors.HIGHEST.copy()
    if not sure:
        lowest[GRIP], highest[GRIP] = -3.0 * priors.UNSURE, 3.0 * priors.UNSURE
    return lowest, highest


def _cost(fit: Fit) -> float:
    """Misfit, and the price of the habits that are there."""
    there = fit.sizes[: len(HABITS)] > priors.NONE
    price = priors.PRICE.copy()
    if fit.sizes[FOOT] != SLIDES:
        price[LOST] = price[LATE]
    return fit.misfit + float(price[there].sum())


def _cleaned(sizes: Array) -> Array:
    """Numbers without habits that are none."""
    kept = sizes.copy()
    kept[: len(HABITS)] = np.where(sizes[: len(HABITS)] > priors.NONE, sizes[: len(HABITS)], 0.0)
    return kept


def fit_session(given: Driven, places: Index, sizes: Array, session: Array) -> tuple[Array, Array]:
    """Session numbers with habits as they are, and their covariance."""
    course, count = given.course, session.size
    use = (course.h if course.closed else np.append(course.h, course.h[-1])) / priors.SPACING
    theta, best, least, damp = session.copy(), session.copy(), np.inf, 1e-3
    ideal = ideal_places(given.model, [course], places, session[None], entry=given.entry)
    covariance = np.diag(given.scale**2)
    for turn in range(_SESSION_ROUNDS + 1):
        rows = np.concatenate([theta[None], theta + np.diag(priors.SESSION_STEP)])[
            : 1 if turn == _SESSION_ROUNDS else None
        ]
        every = np.repeat(sizes[None], len(rows), axis=0)
        here = ideal.at(rows, session[None], every)
        v = drive_laps(given.model, [course], places, every, rows, entry=given.entry, ideal=here)
        off = (v[:, 0] - given.v) / given.sigma
        pull = (theta - given.middle) / given.scale
        misfit = float((use * priors.TAIL * np.log1p(off**2 / priors.TAIL)).sum() + (pull**2).sum())
        better = misfit < least
        if better:
            best, least = theta.copy(), misfit
        damp *= 0.3 if better else 10.0
        if turn == _SESSION_ROUNDS:
            break
        if better:
            slope = (v[:, 1:] - v[:, :1]) / priors.SESSION_STEP / given.sigma[:, None]
            weight = use / (1.0 + off**2 / priors.TAIL)
            a = slope.T @ (weight[:, None] * slope) + np.diag(1.0 / given.scale**2)
            g = slope.T @ (weight * off) + pull / given.scale
            covariance = np.linalg.inv(a)
        move = -np.linalg.solve(a + damp * np.diag(np.diag(a)), g)
        move = np.clip(move, -priors.SESSION_LONGEST, priors.SESSION_LONGEST)
        theta = np.clip(best + move, priors.SESSION_LOWEST, priors.SESSION_HIGHEST)
    return best, covariance.reshape(count, count)


def explain(given: Driven) -> Explained:
    """Session numbers and the habits of every slow place."""
    session = given.middle
    none = np.zeros(0, dtype=np.intp)
    ideal = drive_laps(given.model, [given.course], none, np.zeros((1, 0, SIZE)), session[None], entry=given.entry)
    places = slow_places(given.course, ideal[:, 0])
    if not given.sure and places.size:
        # The file's grip may be another kart's: the corners' own speeds say what is likely.
        shown = session[SHARE] * float(np.median((given.v[places] / ideal[places, 0]) ** 2))
        session = np.where(np.arange(session.size) == SHARE, shown, session)
        session = np.clip(session, priors.SESSION_LOWEST, priors.SESSION_HIGHEST)
        given = replace(given, middle=session)
    sizes = np.zeros((places.size, SIZE))
    session, covariance = fit_session(given, places, sizes, session)
    if not places.size:
        return Explained(driven=given, places=places, sizes=sizes, session=session, covariance=covariance)
    rivals: dict[int, list[Fit]] = {}
    settled: dict[int, float] = {}
    for _ in range(_SWEEPS):
        scene = _Scene(given, places, sizes, session)
        _explain_places(scene, rivals, settled)
        sizes = np.array([_cleaned(row) for row in scene.sizes])
        session, covariance = fit_session(given, places, sizes, session)
    return Explained(
        driven=given, places=places, sizes=sizes, session=session, covariance=covariance, rivals=_rivals(rivals),
    )  # fmt: skip


def _explain_places(scene: _Scene, rivals: dict[int, list[Fit]], settled: dict[int, float]) -> None:
    """Add habits one at a time, all over the lap, until none pays for itself.

    ``settled`` is what places had left to be explained when nothing paid for itself there: as long as that stays, they
    are not gone through again.
    """
    count = scene.places.size
    active = list(range(count))
    for _ in range(_MOST + 1):
        own = [_hypothesis(k, scene.sizes[k], _habits_of(scene.sizes[k])) for k in active]
        left = {k: scene.misfit(k) for k in active}
        least = float(priors.PRICE.min())
        open_to = [k for k in active if left[k] > least and abs(left[k] - settled.get(k, np.inf)) > _SETTLED]
        fits = _fit(
            scene, own + [item for k in open_to for item in _one_more(k, scene.sizes[k], sure=scene.given.sure)]
        )
        fits = _polished(scene, fits)
        kept = {fit.hypothesis.place: fit for fit in fits[: len(own)]}
        gains: dict[int, tuple[float, Fit]] = {}
        for fit in fits[len(own) :]:
            k = fit.hypothesis.place
            gain = _cost(kept[k]) - _cost(fit)
            rivals.setdefault(k, []).append(fit)
            if gain > gains.get(k, (0.0, fit))[0]:
                gains[k] = (gain, fit)
        for k, fit in kept.items():
            scene.sizes[k] = fit.sizes
        settled |= {k: left[k] for k in open_to}
        for k in gains:
            del settled[k]
        taken: set[int] = set()
        # The exit of one place and the way to the next compete for the same straight: the better goes first.
        for k, (_gain, fit) in sorted(gains.items(), key=lambda item: -item[1][0]):
            if not {(k - 1) % count, (k + 1) % count} & taken:
                scene.sizes[k] = fit.sizes
                taken.add(k)
        if not taken:
            return
        scene.refresh()
        near = {(k + step) % count for k in taken for step in (-1, 0, 1)}
        active = sorted(near | set(gains))


def _rivals(fits: dict[int, list[Fit]]) -> tuple[tuple[int, tuple[Rival, ...]], ...]:
    """The best of each set of habits, and of each manner to lose speed, at each place; what costs least first."""
    found = []
    for k, each in sorted(fits.items()):
        least: dict[tuple[object, ...], Rival] = {}
        for fit in each:
            there = tuple(np.flatnonzero(fit.sizes[: len(HABITS)] > priors.NONE).tolist())
            lost = (float(fit.sizes[FOOT]), under_power(fit.sizes)) if LOST in there else ()
            rival = Rival(there, _cost(fit), fit.sizes)
            if (there, lost) not in least or rival.cost < least[there, lost].cost:
                least[there, lost] = rival
        found.append((k, tuple(sorted(least.values(), key=lambda rival: rival.cost))))
    return tuple(found)


def under_power(sizes: Array) -> bool:
    """Whether speed is lost only once the power is in, by the numbers of a place (SIZE,)."""
    return bool(sizes[WHEN] - sizes[LASTS] > priors.UNDER_POWER)


def by_lap(explained: Explained, v: Array) -> Array:
    """Sizes of the habits on single laps (L, K, SIZE), drawn to the session's as far as a lap alone does not tell.

    Parameters
    ----------
    v : (L, N) array
        Speeds of the laps at the course's nodes [m/s].
    """
    found = np.repeat(explained.sizes[None], len(v), axis=0)
    spots = [k for k in range(explained.places.size) if _habits_of(explained.sizes[k])]
    if not spots:
        return found
    scene = _Scene(explained.driven, explained.places, explained.sizes, explained.session)
    pairs = [(lap, k) for lap in range(len(v)) for k in spots]
    each = []
    for _, k in pairs:
        habits = _habits_of(explained.sizes[k])
        each.append(Hypothesis(k, habits, (*habits, GRIP), explained.sizes[k]))
    own = np.array([v[lap][scene.windows.node[:, k]] for lap, k in pairs]).T
    fits = _fit(scene, each, _LAP_ROUNDS, own, np.array([item.begin for item in each]))
    for (lap, k), fit in zip(pairs, fits):
        found[lap, k] = fit.sizes
    return found


def without(sizes: Array, place: int, habit: int) -> Array:
    """The numbers of all places (K, SIZE) with one habit taken away."""
    changed = sizes.copy()
    changed[place, habit] = 0.0
    return changed
