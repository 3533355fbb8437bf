"""Hypotheses of what a driver does at a slow place, fitted to a driven speed.

All hypotheses of all places are fitted abreast: Gauss-Newton steps (Levenberg, A method for the solution of certain
non-linear problems in least squares, 1944; Marquardt, 1963) with numerical derivatives, which are learnt from the steps
in between (Broyden, A class of methods for solving nonlinear simultaneous equations, 1965), and heavy-tailed misfits.

What the habits of the driver model are called.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import (
    COAST,
    DRIVE,
    EARLY,
    EASES,
    FOOT,
    GRIP,
    HABITS,
    HOLDS,
    LASTS,
    LATE,
    LOST,
    ROLL,
    ROLLS,
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
    climb_on,
    drive,
    drive_laps,
    ideal_places,
    way_of,
)
from linelab.diagnosis.kinds import FaultKind
from linelab.model.grip import Surface
from linelab.speed.step import Node, nodes_on, push_at
from linelab.units import Array

#: Numbers that are sizes of habits, which are positive.
_SIZES = np.arange(SIZE) < len(HABITS)
#: Manners that go with each habit.
_WITH = {EARLY: (ROLLS,), SOFT: (), COAST: (UNTIL,), SLOW: (WHERE,), LATE: (WHERE, ROLLS, EASES), LOST: (WHEN, LASTS)}
#: Derivatives are worked out anew every so many steps, and between them learnt from the steps.
_EVERY = 3


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
    bend : (N,) array or float
        What the course's curvature may be larger by [1/m]: a corner's own grip may be lower by as much.
    corners : (C, 2) array
        Where the track's corners begin and end [m]; none where they do not matter.
    waves : (N, W) array
        Waves of the ground that nobody has measured, of size one; none where its height is known [-].
    ground : (2W,) array
        How much of each wave the course's surface has in its slope [rad], then in its grip [-]; none before the waves
        are fitted.
    hills : (2,) array
        What each of these is likely to be within.
    """

    model: Model
    course: Course
    v: Array
    sigma: Array
    entry: float = 100.0
    middle: Array = field(default_factory=priors.SESSION_MIDDLE.copy)
    scale: Array = field(default_factory=priors.SESSION_SCALE.copy)
    sure: bool = True
    bend: Array | float = 0.0
    corners: Array = field(default_factory=lambda: np.zeros((0, 2)))
    waves: Array = field(default_factory=lambda: np.zeros((0, 0)))
    ground: Array = field(default_factory=lambda: np.zeros(0))
    hills: Array = field(default_factory=lambda: np.zeros(2))

    def model_error(self, *, slides: bool) -> tuple[float, float]:
        """What a stake may be off by besides all else: a share of it [-], and a time [s]; more for slides where the
        ground is not surveyed."""
        if slides and not self.sure:
            return priors.GROUND_SHARE, priors.GROUND_TIME
        return priors.MODEL_SHARE, priors.MODEL_TIME

    def on(self, ground: Array) -> Driven:
        """The same on ground with other waves (2W,)."""
        if not ground.size:
            return self
        more, surface = (ground - self.ground).reshape(2, -1), self.course.surface
        surface = surface._replace(slope=surface.slope + self.waves @ more[0], grip=surface.grip + self.waves @ more[1])
        return replace(self, course=self.course._replace(surface=surface), ground=ground)

    def unlevelled(self) -> Driven:
        """The same with the ground's waves to be fitted, level to begin with."""
        count = self.waves.shape[1]
        return replace(self, ground=np.zeros(2 * count), hills=wave_sizes(count)) if count else self


class Hypothesis(NamedTuple):
    """Habits at a place: which numbers are free, and where they begin (SIZE,)."""

    place: int
    habits: tuple[int, ...]
    free: tuple[int, ...]
    begin: Array


class Fit(NamedTuple):
    """A hypothesis fitted: its numbers (SIZE,), misfit with what is likely beforehand, and how finely it is tuned."""

    hypothesis: Hypothesis
    sizes: Array
    misfit: float
    spread: float


class Windows(NamedTuple):
    """The stretch of each place, from the place before to the one after, shorter ones filled up with empty steps."""

    node: Index  #: nodes (M, K)
    h: Array  #: (M - 1, K) [m]
    away: Array  #: signed path length from the place before, the own and the one after (3, M, K) [m]
    use: Array  #: weight of each node's misfit (M, K) [-]
    who: Index  #: those places (3, K); -1 where there is none


def windows_of(given: Driven, places: Index) -> Windows:
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
    return Windows(node % count, h, away, use, who)


def misfits(given: Driven, windows: Windows, v: Array) -> Array:
    """What a speed (N,) leaves to be explained about each place (K,)."""
    off = (v[windows.node] - given.v[windows.node]) / given.sigma[windows.node]
    return np.asarray((windows.use * priors.TAIL * np.log1p(off**2 / priors.TAIL)).sum(axis=0))


class Scene:
    """Everything a fit of places needs: the state of the others, and the levels of the places without habits."""

    def __init__(self, given: Driven, places: Index, sizes: Array, session: Array) -> None:
        self.given, self.places, self.sizes, self.session = given, places, sizes, session
        self.windows = windows_of(given, places)
        nodes, course = self.windows.node, given.course
        ground = Surface(*(np.asarray(field)[nodes] for field in course.surface))
        self.node, self.climb = (
            nodes_on(given.model.kart, course.kappa[nodes], ground),
            climb_on(given.model.kart, ground),
        )
        self.driven = given.v[self.windows.node]
        self.sigma = given.sigma[self.windows.node]
        self.ideal = ideal_places(given.model, [given.course], places, session[None], entry=given.entry)
        self.likely = _likely(given, places, self.ideal.level[:, 0])
        self.refresh()

    def refresh(self) -> None:
        """Drive the lap again as it is explained now."""
        given, numbers, sizes = self.given, self.session[None], self.sizes[None]
        ideal = self.ideal.at(numbers, numbers, sizes)
        v = drive_laps(given.model, [given.course], self.places, sizes, numbers, entry=given.entry, ideal=ideal)
        self.v = v[:, 0]

    def misfits(self) -> Array:
        """What the speed about each place leaves to be explained (K,)."""
        return misfits(self.given, self.windows, self.v)

    def scale(self, place: Index, theta: Array) -> Array:
        """Scales of the priors of numbers (C, SIZE) of places (C,): of a loss by the foot most may be cut off."""
        scale = self.likely.scale[place]
        scale[:, LOST] *= np.where(theta[:, FOOT] == SLIDES, 1.0, priors.CUT_OFF)
        # A receiver takes from a line's curvature, and seldom adds to it: only less grip may be the line's.
        scale[:, GRIP] = np.hypot(scale[:, GRIP], np.where(theta[:, GRIP] < 0.0, self.likely.bend[place], 0.0))
        return scale

    def windows_driven(self, place: Index, theta: Array) -> Array:
        """Speeds in the windows of places (C,) with these numbers (C, SIZE), the others as they are (M, C) [m/s]."""
        windows, course = self.windows, self.given.course
        index = windows.node.take(place, axis=1)
        others = np.concatenate([self.sizes, np.zeros((1, SIZE))])
        sizes = np.array([others[windows.who[0][place]], theta, others[windows.who[2][place]]])
        who = windows.who[:, place]
        level, onset, slowed = (np.append(field[:, 0], 100.0)[who] for field in self.ideal)
        level = level * np.sqrt(1.0 + sizes[:, :, GRIP])
        columns = Drives(
            h=windows.h.take(place, axis=1), node=Node(*(field.take(place, axis=1) for field in self.node)),
            climb=self.climb.take(place, axis=1), from_place=windows.away.take(place, axis=2),
            sizes=sizes, level=level, onset=onset, slowed=slowed,
            session=np.repeat(self.session[None], place.size, axis=0), start=self.v[index[0]] ** 2,
            end=self.v[index[-1]] ** 2, step=float(np.median(course.h)),
        )  # fmt: skip
        return drive(self.given.model, columns)


class Likely(NamedTuple):
    """What is likely of the numbers of each place beforehand, and their bounds: each (K, SIZE)."""

    middle: Array
    scale: Array
    lowest: Array
    highest: Array
    before: Array  #: how far before and after the slowest place the corner is nearly as tight as there (K,) [m]
    after: Array
    bend: Array  #: what the curvature there may be larger by than the line shows, as a share (K,) [-]


def _likely(given: Driven, places: Index, level: Array) -> Likely:
    """Beforehand a slide, or a speed that is too low, may come anywhere in a corner, however long it is."""
    count = places.size
    before, after = _extents(given.course, places)
    middle, scale, lowest, highest = (
        np.tile(row, (count, 1)) for row in (priors.MIDDLE, priors.SCALE, priors.LOWEST, priors.HIGHEST)
    )
    if not given.sure:
        scale[:, GRIP], lowest[:, GRIP], highest[:, GRIP] = priors.UNSURE, -3.0 * priors.UNSURE, 3.0 * priors.UNSURE
    bend = bend_at(given, places)
    lowest[:, GRIP] = np.minimum(lowest[:, GRIP], -3.0 * np.hypot(scale[:, GRIP], bend)).clip(priors.LEAST_GRIP)
    since, until = before / level, after / level
    middle[:, WHEN] += 0.5 * (until - since)
    scale[:, WHEN] = np.hypot(scale[:, WHEN], (since + until) / math.sqrt(12.0))
    lowest[:, WHEN] = np.minimum(lowest[:, WHEN], -since - 0.3)
    highest[:, WHEN] = np.maximum(highest[:, WHEN], until + 1.0)
    scale[:, WHERE] = np.hypot(scale[:, WHERE], before / math.sqrt(12.0))
    lowest[:, WHERE] = np.minimum(lowest[:, WHERE], -before)
    return Likely(middle, scale, lowest, highest, before, after, bend)


def waves_of(course: Course) -> Array:
    """Waves that unknown ground may have round a closed course (N, W): a lap ends at the height it began at."""
    if not course.closed:
        return np.zeros((course.s.size, 0))
    way = way_of(course)
    angle = 2.0 * math.pi / way[-1] * way[:-1, None] * np.arange(1, max(int(way[-1] / priors.GROUND_WAVE), 1) + 1)
    return np.concatenate([np.cos(angle), np.sin(angle)], axis=1)


def wave_sizes(count: int) -> Array:
    """What each of so many waves is likely to be within beforehand (2,): together they make GROUND_SPREAD."""
    return np.array(priors.GROUND_SPREAD) * math.sqrt(2.0 / count)


def bend_at(given: Driven, places: Index) -> Array:
    """What the line's curvature at places may be off by, as a share of it (K,) [-]."""
    bend = np.broadcast_to(given.bend, given.course.kappa.shape)
    return np.asarray(bend[places] / np.abs(given.course.kappa[places]))


def _extents(course: Course, places: Index) -> tuple[Array, Array]:
    """How far before and after each place the line is nearly as tight as there (K,) [m]."""
    count, step = course.kappa.size, float(np.median(course.h))
    farthest = round(priors.LONGEST_CORNER / step)
    found = []
    for way in (-1, 1):
        index = places[:, None] + way * np.arange(1, farthest + 1)
        index = index % count if course.closed else np.clip(index, 0, count - 1)
        own = course.kappa[places]
        tight = course.kappa[index] * np.sign(own)[:, None] > priors.NEARLY * np.abs(own)[:, None]
        found.append(step * np.cumprod(tight, axis=1).sum(axis=1))
    return found[0], found[1]


def hypothesis_of(
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


def habits_of(sizes: Array) -> tuple[int, ...]:
    """The habits that numbers (SIZE,) have."""
    return tuple(int(i) for i in np.flatnonzero(sizes[: len(HABITS)] > 0.0))


def fit_abreast(
    scene: Scene, hypotheses: list[Hypothesis], rounds: int, own: Array | None = None,
    about: Array | None = None,
) -> list[Fit]:  # fmt: skip
    """Fit hypotheses abreast, the other places as they are.

    ``own`` (M, C) are the speeds that each is to explain, where they are not the scene's; ``about`` (C, SIZE) what
    sizes are then likely to be near.
    """
    if not hypotheses:
        return []
    # The longest windows come first: they are driven abreast as far as there are any.
    length = np.count_nonzero(scene.windows.h, axis=0)
    order = np.argsort([-length[item.place] for item in hypotheses], kind="stable")
    hypotheses = [hypotheses[row] for row in order]
    own, about = own if own is None else own[:, order], about if about is None else about[order]
    place = np.array([item.place for item in hypotheses])
    theta = np.array([item.begin for item in hypotheses])
    free = np.zeros(theta.shape, dtype=bool)
    for row, item in enumerate(hypotheses):
        free[row, list(item.free)] = True
    one = _Fitted(scene, place, free, own, about)
    shown = one.show(theta)
    slope, damp = one.slopes(theta, shown.v), np.full(len(theta), 0.01)
    count = len(theta)
    for turn in range(1, rounds + 1):
        # Of the first step two are tried at once, a bold one and a careful one: how far slopes hold is not known yet.
        a, pull, fixed = one.normal(theta, shown, slope)
        factors = np.array([1.0, 30.0] if turn == 1 else [1.0])
        ahead = np.stack([one.stepped(theta, a, pull, fixed, factor * damp) for factor in factors], axis=1)
        tried = one.show(ahead.reshape(-1, SIZE), np.repeat(np.arange(count), factors.size))
        best = tried.cost.reshape(count, -1).argmin(axis=1)
        moved, found = ahead[np.arange(count), best], tried.of(best + factors.size * np.arange(count))
        slope = one.learnt(slope, moved - theta, found, shown)
        better = found.cost < shown.cost
        damp = np.clip(damp * np.where(better, np.where(best == 0, 0.3, 10.0), 10.0 * factors[-1]), 1e-4, 1e6)
        theta, shown = np.where(better[:, None], moved, theta), found.where(better, shown)
        if turn < rounds and turn % _EVERY == 0:
            slope = one.slopes(theta, shown.v)
    spread = one.spread(theta, shown, slope)
    fits = zip(hypotheses, theta, shown.cost.tolist(), spread.tolist())
    return [fit for _, fit in sorted(zip(order, map(Fit._make, fits)), key=lambda pair: pair[0])]


class _Shown(NamedTuple):
    """What numbers (C, SIZE) make: speeds (M, C), misfits (M, C), time (C,) and cost (C,)."""

    v: Array
    off: Array
    late: Array
    cost: Array

    def of(self, rows: Index) -> _Shown:
        """Some of them."""
        return _Shown(self.v[:, rows], self.off[:, rows], self.late[rows], self.cost[rows])

    def where(self, better: NDArray[np.bool_], other: _Shown) -> _Shown:
        """These where they are better, else the others."""
        return _Shown(*(np.where(better, mine, own) for mine, own in zip(self, other)))


class _Fitted:
    """Hypotheses that are fitted abreast: what each is to explain, and what is likely beforehand."""

    def __init__(
        self, scene: Scene, place: Index, free: NDArray[np.bool_], own: Array | None, about: Array | None
    ) -> None:
        self.scene, self.place, self.free = scene, place, free
        self.use, self.sigma = scene.windows.use[:, place], scene.sigma[:, place]
        self.h = scene.windows.h[:, place]
        self.driven = scene.driven[:, place] if own is None else own
        likely = scene.likely
        self.lowest, self.highest = likely.lowest[place], likely.highest[place]
        self.plain: NDArray[np.bool_] = ~_SIZES if about is None else np.ones_like(_SIZES)
        self.middle = likely.middle[place] if about is None else about

    def scale(self, theta: Array, rows: Index | None = None) -> Array:
        """Scales of the priors of numbers (R, SIZE): of a loss by the foot most may be cut off."""
        return self.scene.scale(self.place if rows is None else self.place[rows], theta)

    def show(self, theta: Array, rows: Index | None = None) -> _Shown:
        """Drive with numbers (R, SIZE), which belong to these hypotheses (R,)."""
        rows = np.arange(len(theta)) if rows is None else rows
        v = self.scene.windows_driven(self.place[rows], theta)
        off = (v - self.driven[:, rows]) / self.sigma[:, rows]
        late = _time(self.h[:, rows], v, self.driven[:, rows]) / priors.TIME
        cost = (self.use[:, rows] * priors.TAIL * np.log1p(off**2 / priors.TAIL)).sum(axis=0) + late**2
        prior = prior_cost(theta, self.middle[rows], self.scale(theta, rows), normal=self.plain)
        cost += (prior * self.free[rows]).sum(axis=1)
        return _Shown(v, off, late, cost)

    def slopes(self, theta: Array, base: Array) -> tuple[Array, Array]:
        """Numerical derivatives of misfits (C, SIZE, M) and of time (C, SIZE)."""
        who, what = np.nonzero(self.free)
        step = priors.STEP[what]
        moved = theta[who]
        # A size grows, a manner at its bound moves back from it.
        step = np.where(moved[np.arange(who.size), what] + step > self.highest[who, what], -step, step)
        moved[np.arange(who.size), what] += step
        v = self.scene.windows_driven(self.place[who], moved)
        slope, timed = np.zeros((*theta.shape, len(v))), np.zeros(theta.shape)
        slope[who, what] = ((v - base[:, who]) / step / self.sigma[:, who]).T
        timed[who, what] = _time(self.h[:, who], v, base[:, who]) / step / priors.TIME
        return slope, timed

    def normal(self, theta: Array, shown: _Shown, slope: tuple[Array, Array]) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Normal equations (C, SIZE, SIZE), (C, SIZE) of a step, and which numbers stay (C, SIZE)."""
        rise, timed = slope
        weight = (self.use / (1.0 + shown.off**2 / priors.TAIL)).T
        weighted = rise * weight[:, None, :]
        a = weighted @ rise.transpose(0, 2, 1) + timed[:, :, None] * timed[:, None, :]
        pull = (weighted @ shown.off.T[:, :, None])[:, :, 0] + timed * shown.late[:, None]
        scale = self.scale(theta)
        pull += np.where(self.plain, (theta - self.middle) / scale**2, 1.0 / scale)
        # A number at its bound that is pushed farther stays there.
        fixed = ~self.free | ((theta <= self.lowest) & (pull > 0.0)) | ((theta >= self.highest) & (pull < 0.0))
        a = np.where(fixed[:, :, None] | fixed[:, None, :], 0.0, a)
        return a, np.where(fixed, 0.0, pull), fixed

    def spread(self, theta: Array, shown: _Shown, slope: tuple[Array, Array]) -> Array:
        """How much narrower numbers are known than beforehand (C,): what a fine-tuned explanation costs."""
        a, _, _ = self.normal(theta, shown, slope)
        scale = self.scale(theta)
        known = scale[:, :, None] * a * scale[:, None, :]
        known += np.eye(a.shape[1])
        return np.asarray(np.linalg.slogdet(known)[1])

    def stepped(self, theta: Array, a: Array, pull: Array, fixed: NDArray[np.bool_], damp: Array) -> Array:
        """Numbers after a damped step."""
        a = a.copy()
        diagonal = np.einsum("cpp->cp", a)
        diagonal += np.where(self.plain, 1.0 / self.scale(theta) ** 2, 0.0)
        diagonal *= 1.0 + damp[:, None]
        diagonal += np.where(fixed, 1.0, 1e-9)
        move = -np.linalg.solve(a, pull[:, :, None])[:, :, 0]
        return np.asarray(np.clip(theta + np.clip(move, -priors.LONGEST, priors.LONGEST), self.lowest, self.highest))

    def learnt(self, slope: tuple[Array, Array], way: Array, found: _Shown, shown: _Shown) -> tuple[Array, Array]:
        """Derivatives that agree with what a step has shown (Broyden's update)."""
        rise, timed = slope
        along = way * self.free / priors.SCALE**2
        along /= np.maximum((way * along).sum(axis=1, keepdims=True), 1e-12)
        seen = (found.off - shown.off).T - (way[:, None, :] @ rise)[:, 0]
        return (
            rise + along[:, :, None] * seen[:, None, :],
            timed + along * (found.late - shown.late - (way * timed).sum(axis=1))[:, None],
        )


def _time(h: Array, v: Array, other: Array) -> Array:
    """Time of one speed over the other's (C,) [s]."""
    return np.asarray((2.0 * h / (v[1:] + v[:-1]) - 2.0 * h / (other[1:] + other[:-1])).sum(axis=0))


def prior_cost(theta: Array, middle: Array, scale: Array, *, normal: NDArray[np.bool_]) -> Array:
    """What each number costs beforehand: sizes have exponential priors, where they are not ``normal``."""
    return np.where(normal, ((theta - middle) / scale) ** 2, 2.0 * theta / scale)


def cost_of(fit: Fit) -> float:
    """Misfit, what fine tuning costs, and the price of the habits that are there."""
    return fit.misfit + fit.spread + priors.PRICE * int(np.count_nonzero(fit.sizes[: len(HABITS)] > priors.NONE))


def cleaned(sizes: Array) -> Array:
    """Numbers without habits that are none."""
    kept = sizes.copy()
    kept[: len(HABITS)] = np.where(sizes[: len(HABITS)] > priors.NONE, sizes[: len(HABITS)], 0.0)
    return kept


#: What habits are called; a loss of speed by when it comes.
KINDS: dict[int, FaultKind] = {
    EARLY: "brakes_early",
    SOFT: "brakes_softly",
    COAST: "coasts",
    SLOW: "too_slow_in_corner",
    LATE: "power_late",
}


class Pushes(NamedTuple):
    """Acceleration that the engine gives at a slow place, and what is left of it to gain speed with [m/s²]."""

    push: float
    gain: float


def pushes_at(given: Driven, places: Index, session: Array) -> list[Pushes]:
    """The same at every slow place (K,)."""
    ground = Surface(*(np.asarray(field)[places] for field in given.course.surface))
    nodes, v = nodes_on(given.model.kart, given.course.kappa[places], ground), given.v[places]
    push = session[DRIVE] * push_at(given.model.kart, v)
    climb = climb_on(given.model.kart, ground)
    rolling = climb + session[ROLL] * (nodes.r0 - climb + v**2 * (nodes.r1 + v**2 * nodes.r2))
    return [Pushes(float(one), float(one - other)) for one, other in zip(push, np.broadcast_to(rolling, push.shape))]


def kind_of(habit: int, sizes: Array, pushes: Pushes) -> FaultKind:
    """What a habit is called that a place has with these numbers (SIZE,).

    Whoever holds the speed waits with the power.  A loss that begins before any speed is gained is a slide, or, by the
    foot, a wait too; later it is abrupt power, whether the kart slides or the foot comes off.  A slide that takes less
    than the engine gives is the same drive as a lift, and a loss that never lets the speed fall the same as holding it.
    """
    if habit != LOST:
        return KINDS[habit]
    peak, gained = sizes[LOST] / sizes[LASTS], pushes.gain * (sizes[WHEN] - sizes[LASTS])
    under_power = gained > priors.LEAST_PROMINENCE
    if sizes[FOOT] == HOLDS or (under_power and peak <= pushes.gain):
        return "power_late"
    if under_power:
        return "power_abrupt"
    return "slide" if sizes[FOOT] == SLIDES and peak > pushes.push else "power_late"


def kinds_of(habits: tuple[int, ...], sizes: Array, pushes: Pushes) -> frozenset[FaultKind]:
    """What all habits of a place are called."""
    return frozenset(kind_of(habit, sizes, pushes) for habit in habits)
