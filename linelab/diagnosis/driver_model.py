"""How fast a driver with given habits goes along a line: the one model behind causes, stakes and the line's share.

A driver without habits drives the line at its limit: the forward and backward passes of :mod:`linelab.speed.step` with
a share of the grip, a braking capacity and an engine that the session shows.  A habit changes what enters those passes
at one *slow place*, a minimum of the line's own ideal speed: less braking capacity on the way to it, both pedals up
before the braking, a lower speed at it, both pedals up after it.  Feet take their time from pedal to pedal, which
rounds the speed in time.  With every habit at zero the result is the target, so what a habit costs is what driving
again without it gains.

Many drives are worked out abreast, a column each: an array operation a node serves them all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.model.grip import HIGHEST_TOP, KartNumbers, Surface
from linelab.speed.column_passes import Feet, both_passes
from linelab.speed.step import Node, cornering_limit, nodes_on, push_at
from linelab.units import STANDARD_GRAVITY, Array

Index = NDArray[np.intp]

#: Habits of one slow place, in the order of a row of sizes, all zero for a driver without them.
HABITS = (
    "early",  # metres by which the braking is moved forward [m]
    "soft",  # minus the logarithm of the braking capacity used [-]
    "coast",  # both pedals up before the slowing begins [s]
    "slow",  # lower speed than the line allows at the slowest place [m/s]
    "late",  # no power until so long after the slowest place [s]
    "lost",  # speed lost to a slide, or to a lift, once through the slowest place [m/s]
)
EARLY, SOFT, COAST, SLOW, LATE, LOST = range(len(HABITS))
#: How a habit is done, beside its size: where the lower speed is reached or the waiting begins [m after the line's own
#: slowest place], the corner's grip as a factor less one [-], when speed is lost [s after the slowest place], how much
#: of rolling there is in the waiting before (early) and after (late) it: 0 holds the speed, 1 rolls [-], half the time
#: that a loss of speed lasts [s], how it comes about: see SLIDES, LIFTS and HOLDS, and how long the power that was
#: waited for takes to come in [s], and where the rolling before a corner ends [m after the slowest place].
MANNERS = ("where", "grip", "when", "rolls", "lasts", "foot", "eases", "until")
WHERE, GRIP, WHEN, ROLLS, LASTS, FOOT, EASES, UNTIL = range(len(HABITS), len(HABITS) + len(MANNERS))
#: Speed is lost to a slide, whatever the engine gives, or by the foot: to no less than both pedals up make of it, or to
#: no less than holds the speed.
SLIDES, LIFTS, HOLDS = 0.0, 1.0, 2.0
SIZE = len(HABITS) + len(MANNERS)

#: Session numbers, in the order of a row: share of the grip, factors on braking capacity, engine force (as
#: :func:`linelab.model.engine.with_force`) and roll-down [-], half the time of a change of pedals, and time in which
#: the power is built up [s].
SESSION = ("grip", "brake", "drive", "roll", "pedal", "build")
SHARE, BRAKE, DRIVE, ROLL, PEDAL, BUILD = range(len(SESSION))
PLAIN = np.array([1.0, 1.0, 1.0, 1.0, 0.0, 0.0])

#: Half the length over which a lower speed is held at the slowest place, and a corner's own grip reaches [m].
HELD, REACH = 1.5, 12.0
#: A lower speed is reached no later than this after the line's own slowest place [m]: later it is another habit; and
#: waiting with the power begins so near it.
LATEST, WAITED = 2.0, (-8.0, 1.0)
#: Acceleration with which a lower speed after a place is let go: more than karts have [m/s²].
RELEASE = 6.0
#: Points at which a change of pedals is rounded, on either side.
_POINTS = 3


class Course(NamedTuple):
    """A line on evenly spaced stations, ready for the passes: fields (N,), on a closed lap the first not repeated."""

    s: Array  #: stations [m]
    h: Array  #: path length from each node to the next [m]
    kappa: Array  #: [1/m]
    surface: Surface
    closed: bool


class Drives(NamedTuple):
    """Columns to drive: windows of courses, each field (M, L) unless said otherwise."""

    h: Array  #: (M - 1, L) path length to the next node [m]
    node: Node
    climb: Array  #: (M, L) what of the node's resistance is the ground's rise [m/s²]
    from_place: Array  #: (P, M, L) signed path length from each slow place [m]
    sizes: Array  #: (P, L, SIZE) habits of those places
    level: Array  #: (P, L) speed at those places without habits [m/s]
    onset: Array  #: (P, L) how far before them the slowing begins without habits [m]
    slowed: Array  #: (P, L) speed where it begins [m/s]
    session: Array  #: (L, len(SESSION))
    start: Array  #: (L,) v² at the first node at most [m²/s²]
    end: Array  #: (L,) v² at the last node at most [m²/s²]
    step: float  #: usual distance of nodes [m]


class _Work(NamedTuple):
    """What habits make of the nodes (M, L)."""

    throttle: Array  #: [-]
    brake: Array  #: braking capacity [-]
    cap: Array  #: greatest v² [m²/s²]
    drag: Array  #: extra deceleration [m/s²]
    keeps: Array  #: 1 where the throttle is closed no farther than the speed is held [-]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Model:
    """What a kart brings: numbers, and its closed throttle."""

    kart: KartNumbers
    engine_braking: float

    def closed(self, z: Array) -> Array:
        """What the closed throttle holds the kart back by at v² (any shape) [m/s²]."""
        top = min(float(self.kart.top_speed), HIGHEST_TOP)
        return np.asarray(self.engine_braking / float(self.kart.inertia) * np.minimum(np.sqrt(z) / top, 1.0))


def climb_on(kart: KartNumbers, surface: Surface) -> Array:
    """What the ground's rise takes of the acceleration [m/s²]."""
    return np.asarray(STANDARD_GRAVITY / float(kart.inertia) * np.sin(surface.slope))


def drive(model: Model, columns: Drives) -> Array:
    """Speeds of every column (M, L) [m/s]."""
    node = _nodes(columns)
    limit = cornering_limit(node, float(model.kart.top_speed))
    rolling = _rolling(model, columns, node)
    work = _worked(columns, limit, rolling, _engine(model, columns))
    z = _passes(model, columns, node, work)
    return _rounded(columns, _moved_forward(columns, np.sqrt(z), rolling))


def _rolling(model: Model, columns: Drives, node: Node) -> Array:
    """Deceleration with both pedals up at each place's own speed, where a habit asks for it (P, L) [m/s²]."""
    found = np.zeros(columns.level.shape)
    for k, (away, sizes) in enumerate(zip(columns.from_place, columns.sizes)):
        some = np.flatnonzero((sizes[:, EARLY] > 0.0) | (sizes[:, LATE] > 0.0))
        if some.size:
            z, there = columns.level[k, some] ** 2, np.abs(away.take(some, axis=1)).argmin(axis=0)
            r0, r1, r2, climb = (field[there, some] for field in (node.r0, node.r1, node.r2, columns.climb))
            rolls = r0 - climb + z * (r1 + z * r2) + model.closed(z)
            found[k, some] = columns.session[some, ROLL] * rolls + climb
    return found


def _engine(model: Model, columns: Drives) -> Array:
    """What closing the throttle takes off at each place where speed is lost (P, L) [m/s²]."""
    found, lost = np.zeros(columns.level.shape), columns.sizes[:, :, LOST] > 0.0
    v, session = columns.level[lost], columns.session[np.nonzero(lost)[1]]
    found[lost] = session[:, DRIVE] * push_at(model.kart, v) + session[:, ROLL] * model.closed(v**2)
    return found


def _nodes(columns: Drives) -> Node:
    """Coefficients of the passes, the session's and the corners' own grip in them."""
    node = columns.node
    factor = np.broadcast_to(columns.session[:, SHARE], node.hold0.shape).copy()
    for away, sizes in zip(columns.from_place, columns.sizes):
        if (sizes[:, GRIP] != 0.0).any():
            factor *= 1.0 + sizes[:, GRIP] * np.exp(-0.5 * (away / REACH) ** 2)
    return node._replace(hold0=node.hold0 * factor, hold1=node.hold1 * factor)


def _worked(columns: Drives, limit: Array, rolling: Array, engine: Array) -> _Work:
    """What all habits make of the nodes, but a braking moved forward.

    ``rolling`` and ``engine`` as of :func:`_rolling` and :func:`_engine`.
    """
    shape, step = columns.node.hold0.shape, columns.step
    build = columns.session[:, BUILD]
    work = _Work(
        np.ones(shape), np.broadcast_to(columns.session[:, BRAKE], shape).copy(), limit.copy(), np.zeros(shape),
        np.zeros(shape),
    )  # fmt: skip
    for k, (away, sizes, v) in enumerate(zip(columns.from_place, columns.sizes, columns.level)):
        some = np.flatnonzero(sizes[:, SOFT] > 0.0)
        if some.size:
            weaker = np.where(_ahead(columns, k, some), np.exp(-sizes[some, SOFT]), 1.0)
            work.brake[:, some] = work.brake.take(some, axis=1) * weaker
        some = np.flatnonzero(sizes[:, COAST] > 0.0)
        if some.size:
            begin = -columns.onset[k, some] - sizes[some, COAST] * columns.slowed[k, some]
            since = away.take(some, axis=1)
            up = np.clip((begin - since) / step + 0.5, 0.0, 1.0)
            # The power comes again where the rolling ends, at the place or some way before it.
            again = np.clip((since - sizes[some, UNTIL]) / step + 0.5, 0.0, 1.0)
            throttle, up = work.throttle.take(some, axis=1), np.maximum(up, again)
            work.throttle[:, some] = np.where(_ahead(columns, k, some), np.minimum(throttle, up), throttle)
        some = np.flatnonzero(sizes[:, SLOW] > 0.0)
        if some.size:
            off = np.abs(away.take(some, axis=1) - np.minimum(sizes[some, WHERE], LATEST)) - HELD
            held = np.maximum(v[some] - sizes[some, SLOW], 1.0) + np.maximum(off, 0.0) / step
            work.cap[:, some] = np.minimum(work.cap.take(some, axis=1), held**2)
        some = np.flatnonzero(sizes[:, LATE] > 0.0)
        if some.size:
            waited, here = sizes[some, LATE] * v[some], away.take(some, axis=1)
            since = here - np.maximum(np.clip(sizes[some, WHERE], *WAITED), -waited)
            past = np.maximum(here - waited, 0.0) / step
            falling = v[some] ** 2 - 2.0 * sizes[some, ROLLS] * rolling[k, some] * np.maximum(since, 0.0)
            # Beyond it the cap rises a little faster than the kart can: a fraction of a node more waiting counts too.
            held = np.sqrt(np.maximum(falling, 1.0)) + past * step * RELEASE / v[some]
            cap = np.where(since >= 0.0, held**2, np.inf)
            work.cap[:, some] = np.minimum(work.cap.take(some, axis=1), cap)
        some = np.flatnonzero(build > 0.0)
        if some.size:
            since = away if some.size == away.shape[1] else away.take(some, axis=1)
            _ease_in(work.throttle, some, since, build[some] * v[some], step)
        some = np.flatnonzero((sizes[:, LATE] > 0.0) & (sizes[:, EASES] > 0.0))
        if some.size:
            since = away.take(some, axis=1) - sizes[some, LATE] * v[some]
            _ease_in(work.throttle, some, since, sizes[some, EASES] * v[some], step)
        some = np.flatnonzero(sizes[:, LOST] > 0.0)
        if some.size:
            middle, length = sizes[some, WHEN] * v[some], sizes[some, LASTS] * v[some]
            part = np.clip(1.0 - np.abs(away.take(some, axis=1) - middle) / length, 0.0, 1.0)
            less, how = part * sizes[some, LOST] / sizes[some, LASTS], sizes[some, FOOT]
            work.drag[:, some] += np.where(how == SLIDES, less, 0.0)
            foot = np.where(how == SLIDES, 1.0, np.maximum(1.0 - less / engine[k, some], 0.0))
            work.throttle[:, some] = np.minimum(work.throttle.take(some, axis=1), foot)
            work.keeps[:, some] = np.maximum(work.keeps.take(some, axis=1), (how == HOLDS) & (part > 0.0))
    return work


def _ease_in(throttle: Array, some: Index, since: Array, over: Array, step: float) -> None:
    """Build the power up in some columns of the throttle (M, L), over so much way from where ``since`` is zero [m]."""
    up = np.clip((since + 0.5 * step) / (over + step), 0.0, 1.0)
    np.copyto(up, 1.0, where=since < 0.0)
    if some.size == throttle.shape[1]:
        np.minimum(throttle, up, out=throttle)
    else:
        throttle[:, some] = np.minimum(throttle.take(some, axis=1), up)


def _ahead(columns: Drives, k: int, some: Index) -> NDArray[np.bool_]:
    """The way to a place from the one before, in some of the columns."""
    ahead = columns.from_place[k].take(some, axis=1) <= 0.0
    return np.asarray(ahead & (columns.from_place[k - 1].take(some, axis=1) > 0.0) if k else ahead)


def _passes(model: Model, columns: Drives, node: Node, work: _Work) -> Array:
    """v² of the columns (M, L)."""
    roll, shape = columns.session[:, ROLL], columns.node.hold0.shape
    top = min(float(model.kart.top_speed), HIGHEST_TOP)
    feet = Feet(
        work.throttle, np.broadcast_to(columns.session[:, DRIVE], shape),
        np.broadcast_to(roll * model.engine_braking / float(model.kart.inertia) / top, shape), work.keeps,
    )  # fmt: skip
    node = node._replace(r0=columns.climb + (node.r0 - columns.climb) * roll, r1=node.r1 * roll, r2=node.r2 * roll)
    cap = work.cap.copy()
    cap[0] = np.minimum(columns.start, cap[0])
    return both_passes(model.kart, columns.h, node, node.brake * work.brake, work.drag, cap, feet, columns.end)


def _moved_forward(columns: Drives, v: Array, rolling: Array) -> Array:
    """Speeds with the braking for a place moved forward, and the kart then let roll, or held, at what is left."""
    if not (columns.sizes[:, :, EARLY] > 0.0).any():
        return v
    v = v.copy()
    for k, (away, sizes) in enumerate(zip(columns.from_place, columns.sizes)):
        some = np.flatnonzero(sizes[:, EARLY] > 0.0)
        ahead = _ahead(columns, k, some)
        for c, first, count in zip(some.tolist(), ahead.argmax(axis=0).tolist(), ahead.sum(axis=0).tolist()):
            if count < 2:
                continue
            way = slice(first, first + count)
            x, own = away[way, c], v[way, c]
            moved = np.interp(x + sizes[c, EARLY], x, own)
            waits = np.sqrt(own[-1] ** 2 + 2.0 * sizes[c, ROLLS] * rolling[k, c] * np.maximum(-x, 0.0))
            v[way, c] = np.minimum(own, np.maximum(moved, waits))
    return v


def _rounded(columns: Drives, v: Array) -> Array:
    """Speeds (M, L) rounded in time by the feet: nowhere faster than before, see :data:`PEDAL`."""
    half = columns.session[:, PEDAL]
    if not (half > 0.0).any():
        return v
    about = _About(half * v / columns.step)
    lowest = about(v, None, np.minimum)
    weights_of = 1.0 + np.cos(np.linspace(-np.pi, np.pi, 2 * _POINTS + 3)[1:-1])
    return np.asarray(np.minimum(about(lowest, weights_of / weights_of.sum(), np.add), v))


class _About:
    """Places within ``reach`` nodes on either side of each node (M, L): 2·_POINTS + 1 of them."""

    def __init__(self, reach: Array) -> None:
        count, self.width = reach.shape
        row = np.arange(float(count))[:, None]
        column = np.arange(self.width)
        self.spots = []
        for share in np.linspace(-1.0, 1.0, 2 * _POINTS + 1):
            at = share * reach
            at += row
            np.clip(at, 0.0, count - 1.001, out=at)
            low = at.astype(np.intp)
            at -= low
            low *= self.width
            low += column
            self.spots.append((low, at))

    def __call__(self, v: Array, weight: Array | None, join: np.ufunc) -> Array:
        """Values (M, L) there, weighted and joined."""
        rise = np.zeros(v.shape)
        np.subtract(v[1:], v[:-1], out=rise[:-1])
        found = None
        for k, (low, part) in enumerate(self.spots):
            value = rise.take(low)
            value *= part
            value += v.take(low)
            if weight is not None:
                value *= weight[k]
            found = value if found is None else join(found, value, out=found)
        return np.asarray(found)


#: Nodes by which a closed lap is driven on past its beginning, so that its first nodes are not those of a start.
_OVERLAP = 8


def way_of(course: Course) -> Array:
    """Path length at the nodes and, last, of the whole of a closed lap (N + 1,) [m]."""
    return np.concatenate([[0.0], np.cumsum(course.h)])


class Ideal(NamedTuple):
    """What habits are counted from: the slow places of lines driven without habits, each field (K, L)."""

    level: Array  #: speed at the places [m/s]
    onset: Array  #: how far before them the slowing begins [m]
    slowed: Array  #: speed where it begins [m/s]

    def at(self, session: Array, before: Array, sizes: Array) -> Ideal:
        """For other session numbers (L, len(SESSION)) and habits (L, K, SIZE) than the ones ``before`` (L or 1, ...).

        Slow places are limited by grip: other grip changes their speed by its root, and nothing else does.
        """
        own = (1.0 + sizes[:, :, GRIP].T) * session[:, SHARE] / before[:, SHARE]
        return Ideal(
            *(np.broadcast_to(field, own.shape) for field in (self.level * np.sqrt(own), self.onset, self.slowed))
        )


def ideal_places(
    model: Model, courses: Sequence[Course], places: Index, session: Array, *, entry: float = 100.0
) -> Ideal:
    """The slow places of lines, driven without habits; ``session`` is (L, len(SESSION)), a row a course."""
    laps, count = session.shape[0], places.size
    blank = _not_driven_yet(model, courses, places, session)
    v = _laps(model, courses, places, np.zeros((laps, count, SIZE)), session, blank, entry)
    course = courses[0]
    onset, slowed = np.zeros((count, laps)), np.zeros((count, laps))
    for k, place in enumerate(places):
        before = int(places[k - 1]) if k or course.closed else 0
        stretch = (before + np.arange((int(place) - before) % v.shape[0] + 1)) % v.shape[0]
        peak = v[stretch].argmax(axis=0)
        slowed[k] = v[stretch[peak], np.arange(laps)]
        for lap in range(laps):
            h = courses[min(lap, len(courses) - 1)].h
            onset[k, lap] = h[stretch[peak[lap] : -1] % h.size].sum()
    return Ideal(v[places], onset, slowed)


def _not_driven_yet(model: Model, courses: Sequence[Course], places: Index, session: Array) -> Ideal:
    """The slow places of lines that have not been driven: the power is built up from the speed that grip allows there.

    Where slowing begins matters to habits alone: it is put far ahead.
    """
    kappa = np.array([course.kappa[places] for course in courses]).T
    fields = zip(*(course.surface for course in courses))
    ground = Surface(*(np.array([values[places] for values in field]).T for field in fields))
    node = nodes_on(model.kart, kappa, ground)
    share = session[:, SHARE]
    node = node._replace(hold0=node.hold0 * share, hold1=node.hold1 * share)
    wide = np.full((places.size, session.shape[0]), 100.0)
    limit = np.broadcast_to(cornering_limit(node, float(model.kart.top_speed)), wide.shape)
    return Ideal(np.sqrt(limit), wide, wide)


def drive_laps(
    model: Model, courses: Sequence[Course], places: Index, sizes: Array, session: Array, *, entry: float = 100.0,
    ideal: Ideal | None = None,
) -> Array:  # fmt: skip
    """Speeds of whole laps (N, L) [m/s].

    Parameters
    ----------
    courses : sequence of Course
        The line of each lap, all on the same stations; a single one serves all laps.
    places : (K,) array
        Nodes of the slow places, in driving order.
    sizes : (L, K, SIZE) array
        Habits of the places.
    session : (L, len(SESSION)) array
    entry : float
        Speed at the start of an open line at most [m/s].
    ideal : Ideal, optional
        Of each lap, where it is known.
    """
    if ideal is None and places.size and (sizes[:, :, : len(HABITS)] > 0.0).any():
        own = slice(0, 1) if len(courses) == 1 else slice(None)
        ideal = ideal_places(model, courses, places, session[own], entry=entry).at(session, session[own], sizes)
    elif ideal is None:
        ideal = _not_driven_yet(model, courses, places, session)
    return _laps(model, courses, places, sizes, session, ideal, entry)


def _laps(
    model: Model, courses: Sequence[Course], places: Index, sizes: Array, session: Array, ideal: Ideal, entry: float
) -> Array:
    """As :func:`drive_laps`."""
    laps, first = sizes.shape[0], courses[0]
    count, closed = first.s.size, first.closed
    tightest = int(np.argmin(np.where(first.kappa == 0.0, np.inf, 1.0 / np.maximum(np.abs(first.kappa), 1e-9))))
    turn = int(np.argmin(np.abs(places - tightest))) if closed and places.size else 0
    begin = int(places[turn]) if closed and places.size else tightest if closed else 0
    index = (begin + np.arange(count + _OVERLAP * closed)) % count
    turns = (begin + np.arange(index.size)) // count
    if len(courses) == 1:
        ways = np.repeat(way_of(first)[:, None], laps, axis=1)
        kappa = first.kappa[index][:, None]
        surface = Surface(*(np.asarray(field)[index][:, None] for field in first.surface))
    else:
        ways = np.array([way_of(course) for course in courses]).T
        kappa = np.array([course.kappa for course in courses]).T[index]
        fields = zip(*(course.surface for course in courses))
        surface = Surface(*(np.array(field).T[index] for field in fields))
    node = Node(*(np.broadcast_to(field, (index.size, laps)) for field in nodes_on(model.kart, kappa, surface)))
    lap = ways[-1]
    at = ways[index] + turns[:, None] * lap
    spots = ways[places]
    if closed and places.size:
        order = np.roll(np.arange(places.size), -turn)
        spots = spots[order] + np.where(order < turn, 1.0, 0.0)[:, None] * lap
        order = np.append(order, order[0])
        spots = np.concatenate([spots, spots[:1] + lap])
        sizes, ideal = sizes[:, order], Ideal(*(field[order] for field in ideal))
    columns = Drives(
        h=np.diff(at, axis=0), node=node, climb=np.broadcast_to(climb_on(model.kart, surface), (index.size, laps)),
        from_place=at[None] - spots[:, None],
        sizes=np.swapaxes(sizes, 0, 1), **ideal._asdict(), session=session, start=np.full(laps, entry**2),
        end=np.full(laps, np.inf), step=float(np.median(first.h)),
    )  # fmt: skip
    v = drive(model, columns)
    if not closed:
        return v
    if (v[0] > v[-_OVERLAP] * 1.02).any():  # not at the limit where the lap was begun: driven on from its end
        v = drive(model, columns._replace(start=v[-_OVERLAP] ** 2))
    found = np.empty((count, laps))
    found[index[_OVERLAP // 2 : -_OVERLAP // 2]] = v[_OVERLAP // 2 : -_OVERLAP // 2]
    return found


def interval_times(h: Array, v: Array, *, closed: bool) -> Array:
    """Time over each interval of laps (N, L) [s]; on a closed lap the last one leads back to the first node."""
    if closed:
        return np.asarray(2.0 * h / (v + np.roll(v, -1, axis=0)))
    return np.asarray(2.0 * h / (v[1:] + v[:-1]))
