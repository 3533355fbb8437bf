"""What a habit costs at each corner, worked out before anybody drives: by how large it is.

A habit of the line is the minimum-time lap solved again with that habit imposed: the line held away from an apex, made
to touch the inside elsewhere, held inside on the way in or out, or the kart arriving too fast.  Line and speed are free
in all else, so the cost is the least that the habit can cost (:mod:`linelab.study.held_line`).  A habit of the feet is
the computed line driven again with it by the driver model that the diagnosis explains sessions with
(:mod:`linelab.diagnosis.driver_model`): what it would cost and what it did cost are the same computation.

Every size means "at least so large": a cost never falls with the size, and is nothing for none.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import ByValue, Table, frozen_array, set_field
from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import (
    COAST,
    EARLY,
    FOOT,
    LASTS,
    LATE,
    LOST,
    PLAIN,
    ROLLS,
    SIZE,
    SLIDES,
    SLOW,
    SOFT,
    WHEN,
    Course,
    Ideal,
    Index,
    Model,
    drive_laps,
    ideal_places,
    interval_times,
    way_of,
)
from linelab.diagnosis.findings import nearest_corners
from linelab.diagnosis.fitting import Driven, Pushes, pushes_at
from linelab.diagnosis.habits import slow_places
from linelab.diagnosis.kinds import Quantity
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.diagnosis.own_line import step_of
from linelab.errors import InputError, SolveError, check_kinds
from linelab.model.grip import Surface, kart_numbers
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Limit
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.study.habit_limits import no_room, no_slowest_point, too_fast
from linelab.study.held_line import Base, Bounds, Held, base_of, held_lap, local, solve_held, squeezed, time_lost
from linelab.units import Array

#: Habits of the line, and of the feet; those that a review names too have the same name there.
LineHabit = Literal[
    "apex_missed", "apex_early", "apex_late", "turns_in_early", "line_defended", "exit_unused", "arrives_fast"
]
FootHabit = Literal[
    "brakes_early", "brakes_softly", "coasts", "too_slow_in_corner", "power_late", "power_abrupt", "slide"
]
Habit = Literal[LineHabit, FootHabit]
LINE_HABITS: tuple[LineHabit, ...] = get_args(LineHabit)
FOOT_HABITS: tuple[FootHabit, ...] = get_args(FootHabit)


class Scale(NamedTuple):
    """What a habit's size is, the sizes looked at unless others are asked for, the most, and what is common."""

    quantity: Quantity
    sizes: tuple[float, ...]
    most: float
    usual: float


#: Sizes in metres, metres a second, seconds; of soft braking the share of the braking that is not used.  What is
#: common is from common practice.
SCALES: dict[Habit, Scale] = {
    "apex_missed": Scale("length", (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0), 5.0, 0.5),
    "apex_early": Scale("place", (0.5, 1.0, 1.5, 2.0, 3.0, 4.0), 15.0, 1.0),
    "apex_late": Scale("place", (0.5, 1.0, 1.5, 2.0, 3.0, 4.0), 15.0, 1.0),
    "turns_in_early": Scale("length", (0.5, 1.0, 1.5, 2.0, 3.0), 10.0, 1.0),
    "line_defended": Scale("length", (1.0, 2.0, 3.0, 4.0, 5.0), 15.0, 2.0),
    "exit_unused": Scale("length", (0.5, 1.0, 1.5, 2.0, 3.0), 10.0, 1.0),
    "arrives_fast": Scale("speed", (0.5, 1.0, 1.5, 2.0, 3.0), 10.0, 1.0),
    "brakes_early": Scale("place", (2.0, 4.0, 6.0, 8.0, 12.0), 40.0, 6.0),
    "brakes_softly": Scale("number", (0.1, 0.2, 0.3, 0.4, 0.5), 0.8, 0.3),
    "coasts": Scale("time", (0.1, 0.2, 0.3, 0.5, 0.8, 1.2), 4.0, 0.3),
    "too_slow_in_corner": Scale("speed", (0.25, 0.5, 1.0, 1.5, 2.0), 6.0, 1.0),
    "power_late": Scale("time", (0.1, 0.2, 0.3, 0.5, 0.8), 4.0, 0.3),
    "power_abrupt": Scale("speed", (0.25, 0.5, 1.0, 1.5), 5.0, 0.5),
    "slide": Scale("speed", (0.25, 0.5, 1.0, 1.5), 5.0, 0.5),
}
#: What the lap with a habit is called.
WITH_HABIT = "with the habit"
#: A corner without braking is defended for so far before its turn-in [m].
UNBRAKED = 20.0
#: A way in that is moved along leaves this much of the road at least [m].
NEAR = 0.3
#: Half of the time that a slide or a lift lasts, and how long after the slowest place abrupt power ends in one [s].
LASTING, UNDER_POWER = float(priors.MIDDLE[LASTS]), 0.5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class HabitCost(ByValue):
    """Time lost over a lap by one habit at one corner.

    Parameters
    ----------
    corner : int
        The corner's number.
    habit : str
        One of LINE_HABITS and FOOT_HABITS.
    sizes : (M,) array
        At least so large: distances [m], speeds [m/s], times [s], or the share of the braking not used [-].
    time_lost : (M,) array
        Never falling with the size [s]; NaN where no lap has a habit of that size.
    reason : str
        Why there is none, where there is none.

    Examples
    --------
    >>> import linelab
    >>> cost = linelab.HabitCost(corner=3, habit="coasts", sizes=[0.2, 0.4], time_lost=[0.05, 0.15])
    >>> f"{cost.at(0.3):.3f} s"
    '0.100 s'
    """

    corner: int
    habit: Habit
    sizes: Array
    time_lost: Array
    reason: str = ""

    def __post_init__(self) -> None:
        set_field(self, "sizes", frozen_array("HabitCost", "sizes", self.sizes, shape=(None,)))
        lost = np.array(self.time_lost, dtype=np.float64)
        if lost.shape != self.sizes.shape:
            raise InputError(f"time_lost has shape {lost.shape}, not {self.sizes.shape}", where="HabitCost.time_lost")
        lost.flags.writeable = False
        set_field(self, "time_lost", lost)

    @property
    def quantity(self) -> Quantity:
        """What the sizes are."""
        return SCALES[self.habit].quantity

    def at(self, size: float) -> float | None:
        """Time lost by a habit of a size within the range looked at [s]; None where it is not known."""
        value = float(np.interp(size, np.append(0.0, self.sizes), np.append(0.0, self.time_lost), right=np.nan))
        return value if np.isfinite(value) else None

    def row(self) -> dict[str, int | float | str]:
        """The costs as a row of a table."""
        lost = {f"time_lost_s_at_{size:g}": float(value) for size, value in zip(self.sizes, self.time_lost)}
        return {"corner": self.corner, "habit": self.habit, **lost, "reason": self.reason}


def habit_costs(
    track: Track,
    kart: Kart,
    solution: Solution | None = None,
    *,
    habit: Habit = "apex_missed",
    sizes: Sequence[float] | None = None,
    corners: Sequence[int] | None = None,
    use_kerbs: bool = True,
    session: Array | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Table[HabitCost]:
    """What a habit costs at each corner, by its size.

    Parameters
    ----------
    track : Track
    kart : Kart
    solution : Solution, optional
        The computed lap of this kart on this track; solved when left out.
    habit : str
        One of LINE_HABITS and FOOT_HABITS.
    sizes : sequence of float, optional
        Increasing, above 0; see SCALES.
    corners : sequence of int, optional
        Numbers of the corners looked at; all of them when left out.
    use_kerbs : bool
        As in the solution: whether the kerbs' usable width counts as road.
    session : (6,) array, optional
        How the feet are otherwise: the numbers of :data:`linelab.diagnosis.driver_model.SESSION`, such as a review's
        ``driver.values``; a driver without habits when left out.  Its share of the grip is of what the solution has.
    executor : concurrent.futures.Executor, optional
        Solves corners side by side; one after the other when left out.
    progress : callable
        Called with a short text at each corner.

    Returns
    -------
    Table of HabitCost
        In driving order.

    Raises
    ------
    InputError
        No such habit or corner; sizes out of range or not increasing; the solution is of another track.
    SolveError
        Without a solution, none was found.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> costs = linelab.habit_costs(track, kart, habit="coasts", sizes=[0.2, 0.4], corners=[1, 4])
    >>> [(cost.corner, cost.at(0.0)) for cost in costs]
    [(1, 0.0), (4, 0.0)]
    """
    check_kinds("habit_costs", track=(track, Track), kart=(kart, Kart), solution=(solution, (Solution, type(None))))
    wanted = check_sizes(habit, sizes)
    found = solve_min_time(track, kart, use_kerbs=use_kerbs) if solution is None else solution
    chosen = chosen_marks(track, kart, found, corners)
    if habit in FOOT_HABITS:
        return Table(_feet(track, kart, found, chosen, habit, wanted, PLAIN if session is None else session))
    base = base_of(track, kart, found, use_kerbs=use_kerbs)
    given: list[_Given] = [(base, mark, habit, wanted) for mark in chosen]
    return Table(_said(_line_cost, given, chosen, executor, progress))


def check_sizes(habit: str, sizes: Sequence[float] | None) -> Array:
    """Sizes as an array; InputError unless the habit is known and they increase within its range."""
    if habit not in SCALES:
        raise InputError(f"there is no habit {habit!r}", where="habit", remedy=f"Take one of {', '.join(SCALES)}")
    scale = SCALES[habit]
    wanted = frozen_array("habit_costs", "sizes", np.asarray(scale.sizes if sizes is None else sizes), shape=(None,))
    if wanted.size == 0 or wanted[0] <= 0.0 or wanted[-1] > scale.most or (np.diff(wanted) <= 0.0).any():
        raise InputError(
            f"sizes {list(sizes or ())} are not increasing within 0 to {scale.most:g}",
            where="sizes",
            remedy=f"Give sizes such as {', '.join(f'{size:g}' for size in scale.sizes[:3])}",
        )
    return wanted


def chosen_marks(track: Track, kart: Kart, solution: Solution, corners: Sequence[int] | None) -> list[CornerMarks]:
    """Marks of the corners asked for."""
    marks = find_marks(track, solution.lap, kart)
    known = {mark.corner.number for mark in marks}
    for number in corners or ():
        if number not in known:
            raise InputError(f"there is no corner {number}", where="corners", remedy="Name corners of this track")
    return [mark for mark in marks if corners is None or mark.corner.number in corners]


def habit_lap(
    track: Track,
    kart: Kart,
    solution: Solution,
    corner: int,
    habit: Habit,
    size: float,
    *,
    use_kerbs: bool = True,
    session: Array | None = None,
) -> Lap:
    """The lap with a habit at one corner, beside which the computed lap shows what it changes.

    With a habit of the line it is the fastest lap with it.  With a habit of the feet it is the computed line, slower
    where the driver model is slower with the habit than without, by the same share.

    Parameters
    ----------
    track : Track
    kart : Kart
    solution : Solution
        The computed lap of this kart on this track.
    corner : int
        The corner's number.
    habit : str
        One of LINE_HABITS and FOOT_HABITS.
    size : float
        At least so large, in the unit of :data:`SCALES` [m, m/s, s, -].
    use_kerbs : bool
        As in the solution.
    session : (6,) array, optional
        As for :func:`habit_costs`.

    Returns
    -------
    Lap

    Raises
    ------
    InputError
        No such habit or corner; a size out of range, one that the road has no room for, or feet that have nothing to
        do there.
    SolveError
        No lap was found with it.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> solution = linelab.solve_min_time(track, kart)
    >>> lap = linelab.habit_lap(track, kart, solution, 2, "apex_missed", 0.5)
    >>> lap.lap_time > solution.lap.lap_time
    True
    """
    check_kinds("habit_lap", track=(track, Track), kart=(kart, Kart), solution=(solution, Solution))
    wanted = check_sizes(habit, [size])
    mark = chosen_marks(track, kart, solution, [corner])[0]
    if habit in FOOT_HABITS:
        driven = _driven(track, kart, solution, [mark], habit, wanted, PLAIN if session is None else session)
        if not driven.rows:
            reason = no_slowest_point(solution.lap, mark)
            raise InputError(f"corner {corner}: {reason}", where="corner", remedy="Take another corner")
        return _slowed(solution.lap, driven)
    base = base_of(track, kart, solution, use_kerbs=use_kerbs)
    bounds = imposed(base, mark, habit, size)
    if bounds is None:
        reason = _no_room(base, mark, habit, size)
        raise InputError(f"corner {corner}: {reason}", where="size", remedy="Take a smaller size")
    return replace(held_lap(base, _held(base, mark, habit, size, bounds).iterate), label=WITH_HABIT)


def imposed(base: Base, mark: CornerMarks, habit: Habit, size: float) -> Bounds | None:
    """The bounds that impose a habit of the line at a corner; None where the road has no room for it."""
    left, line = mark.corner.left, base.line()
    to_inside, to_outside = (base.high - line, line - base.low) if left else (line - base.low, base.high - line)

    def farther_in(first: float, last: float) -> Bounds | None:
        return squeezed(base, (first, last), to_outside + size, from_left=not left)

    if habit == "apex_missed":
        return squeezed(base, (mark.apex, mark.apex), to_inside + size, from_left=left)
    if habit in ("apex_early", "apex_late"):
        return _way_in_moved(base, mark, size if habit == "apex_late" else -size)
    if habit == "exit_unused":
        return farther_in(mark.track_out, mark.track_out)
    if habit == "turns_in_early":
        return farther_in(mark.turn_in, mark.turn_in)
    if habit == "line_defended":
        begin = mark.brake_point if mark.brakes and mark.brake_point < mark.turn_in else mark.turn_in - UNBRAKED
        return farther_in(begin, mark.turn_in)
    at = local(base.track, mark.turn_in)
    v, none = base.speed(at) + size, np.zeros(base.s.shape)
    return Bounds(none, none, (at, v)) if v < float(base.task.numbers.top_speed) else None


def _no_room(base: Base, mark: CornerMarks, habit: Habit, size: float) -> str:
    """Why a habit of the line cannot be imposed."""
    if habit == "arrives_fast":
        return too_fast(base, mark, size)
    return no_room(size, lambda smaller: imposed(base, mark, habit, smaller) is not None)


def _way_in_moved(base: Base, mark: CornerMarks, by: float) -> Bounds | None:
    """The way in to the apex moved along the lap by so much [m], back where that is negative.

    Early, the kart is at least as far in as the computed line is so much later, up to where that is first near the
    inside edge, or to the apex; late, no farther in than the computed line was so much before: as far as the road goes.
    Where the line touches the edge it cannot be farther in: held on both sides of such a place it would have to swerve.
    """
    left, s, line = mark.corner.left, base.s.ravel(), base.line().ravel()
    period = base.track.length if base.track.closed else None
    seen, first, last = base.s - by, mark.turn_in, mark.apex
    if by < 0.0:
        way = np.linspace(first, last, 200)
        gap = np.interp(
            way, s, ((base.high - base.line()) if left else (base.line() - base.low)).ravel(), period=period
        )
        first, last = first + by, float(way[np.argmax(gap <= NEAR)]) if (gap <= NEAR).any() else last
        past = seen - last
        past -= 0.0 if period is None else period * np.round(past / period)
        seen = np.where(past > 0.0, last, seen)
    moved = np.interp(seen, s, line, period=period)
    from_left = left == (by > 0.0)
    room = base.high - base.low - NEAR
    drawn = np.minimum(base.high - moved if from_left else moved - base.low, room)
    return squeezed(base, (first, last), drawn, from_left=from_left, ramp=0.0)


def _held(
    base: Base, mark: CornerMarks, habit: Habit, size: float, bounds: Bounds, before: Held | None = None,
    since: float = 0.0,
) -> Held:  # fmt: skip
    """The minimum-time lap with a habit of the line; where it is not found at once, by the usual sizes from ``since``
    on, which ``before`` has."""
    with suppress(SolveError):
        return solve_held(base, bounds, before)
    for smaller in SCALES[habit].sizes:
        if since < smaller < size and (nearer := imposed(base, mark, habit, smaller)) is not None:
            before = solve_held(base, nearer, before)
    return solve_held(base, bounds, before)


_Given = tuple[Base, CornerMarks, Habit, Array]


def _line_cost(given: _Given) -> HabitCost:
    """A habit of the line at one corner, from size to size."""
    base, mark, habit, sizes = given
    lost, before, reason = np.full(sizes.size, np.inf), None, ""
    for k, size in enumerate(sizes):
        bounds = imposed(base, mark, habit, float(size))
        if bounds is None:
            reason = _no_room(base, mark, habit, float(size))
            break
        try:
            before = _held(base, mark, habit, float(size), bounds, before, float(sizes[k - 1]) if k else 0.0)
        except SolveError:
            reason = "no line was found round the corner with more"
            if habit == "arrives_fast":
                reason = too_fast(base, mark, float(size))
            break
        lost[k] = time_lost(base, before.iterate)
    return HabitCost(corner=mark.corner.number, habit=habit, sizes=sizes, time_lost=_at_least(lost), reason=reason)


def _said(
    work: Callable[[_Given], HabitCost],
    given: Sequence[_Given],
    chosen: Sequence[CornerMarks],
    executor: Executor | None,
    progress: Callable[[str], None],
) -> list[HabitCost]:
    """Costs of all corners, each said when it comes."""
    every: Iterable[HabitCost] = map(work, given) if executor is None else executor.map(work, given)
    found = []
    progress(f"corner {chosen[0].corner.number}" if chosen else "no corners")
    for k, cost in enumerate(every):
        found.append(cost)
        if k + 1 < len(chosen):
            progress(f"corner {chosen[k + 1].corner.number}")
    return found


def _at_least(lost: Array) -> Array:
    """Costs of habits of at least so large a size: a larger one is such a habit too, and none gains time."""
    least = np.maximum(np.minimum.accumulate(lost[::-1])[::-1], 0.0)
    return np.where(np.isfinite(least), least, np.nan)


class _Driven(NamedTuple):
    """The computed line driven without a habit of the feet, and with it at several corners and sizes."""

    course: Course
    v: Array  #: (N, 1 + R), without it first [m/s]
    rows: list[tuple[int, int]]  #: which corner and which size each of the R others has
    spots: list[int | None]  #: the slow place of each corner


def _feet(
    track: Track, kart: Kart, solution: Solution, chosen: Sequence[CornerMarks], habit: Habit, sizes: Array, own: Array
) -> list[HabitCost]:
    """A habit of the feet at all corners, driven abreast."""
    driven = _driven(track, kart, solution, chosen, habit, sizes, own)
    course = driven.course
    spent = interval_times(course.h[:, None], driven.v, closed=course.closed).sum(axis=0)
    lost = np.full((len(chosen), sizes.size), np.inf)
    for (j, i), time in zip(driven.rows, spent[1:]):
        lost[j, i] = time - spent[0]
    return [
        HabitCost(
            corner=mark.corner.number, habit=habit, sizes=sizes, time_lost=_at_least(row),
            reason="" if k is not None else no_slowest_point(solution.lap, mark),
        )
        for mark, k, row in zip(chosen, driven.spots, lost)
    ]  # fmt: skip


def _driven(
    track: Track, kart: Kart, solution: Solution, chosen: Sequence[CornerMarks], habit: Habit, sizes: Array, own: Array
) -> _Driven:
    model = Model(kart=kart_numbers(kart), engine_braking=kart.engine_braking)
    course = course_along(solution.lap, step_of(track))
    entry = 100.0 if track.closed else float(solution.lap.v[0])
    none = np.zeros(0, dtype=np.intp)
    v = drive_laps(model, [course], none, np.zeros((1, 0, SIZE)), own[None], entry=entry)[:, 0]
    places = slow_places(course, v)
    every = chosen_marks(track, kart, solution, None)
    numbers = np.array([mark.corner.number for mark in every])
    corner = numbers[nearest_corners(track, course.s[places], every)] if places.size else numbers[:0]
    spots = [_place_of(v, places, corner == mark.corner.number) for mark in chosen]
    rows = [(j, i) for j, k in enumerate(spots) if k is not None for i in range(sizes.size)]
    pushes = pushes_at(Driven(model=model, course=course, v=v, sigma=np.ones(v.size)), places, own)
    columns = np.zeros((1 + len(rows), places.size, SIZE))
    for column, (j, i) in zip(columns[1:], rows):
        if (k := spots[j]) is not None:
            column[k] = with_habit(habit, float(sizes[i]), pushes[k])
    sessions = np.repeat(own[None], len(columns), axis=0)
    ideal = _slowing(
        course,
        v,
        places,
        {k: mark.slows_from for k, mark in zip(spots, chosen) if k is not None},
        ideal_places(model, [course], places, own[None], entry=entry),
    )
    driven = drive_laps(
        model, [course], places, columns, sessions, entry=entry, ideal=ideal.at(sessions, own[None], columns)
    )
    return _Driven(course, driven, rows, spots)


def _slowed(lap: Lap, driven: _Driven) -> Lap:
    """A lap with the share of its speed that the first habit driven leaves."""
    course, line = driven.course, lap.line
    period = float(line.s[-1] - line.s[0]) if course.closed else None
    v = lap.v * np.interp(line.s, course.s, driven.v[:, 1] / driven.v[:, 0], period=period)
    h = np.diff(line.distance)
    longer = interval_times(h, v, closed=False) - interval_times(h, lap.v, closed=False)
    t = lap.t + np.append(0.0, np.cumsum(longer))
    return replace(lap, t=t, v=v, ax=np.gradient(v, t), limited_by=np.full(v.size, Limit.NONE), label=WITH_HABIT)


def with_habit(habit: Habit, size: float, pushes: Pushes) -> Array:
    """Numbers of a slow place (SIZE,) with one habit of the feet."""
    row = np.zeros(SIZE)
    row[[ROLLS, LASTS]] = priors.MIDDLE[[ROLLS, LASTS]]
    if habit == "brakes_early":
        row[EARLY] = size
    elif habit == "brakes_softly":
        row[SOFT] = -math.log(1.0 - size)
    elif habit == "coasts":
        row[COAST] = size
    elif habit == "too_slow_in_corner":
        row[SLOW] = size
    elif habit == "power_late":
        row[LATE] = size
    else:
        # The loss rises and falls evenly; of that triangle so much is beyond what the engine makes up for.
        engine = pushes.gain if habit == "power_abrupt" else pushes.push
        sum_of_roots = 2.0 * engine + size / LASTING
        row[LOST] = 0.5 * LASTING * (sum_of_roots + math.sqrt(max(sum_of_roots**2 - 4.0 * engine**2, 0.0)))
        row[WHEN] = LASTING + UNDER_POWER if habit == "power_abrupt" else priors.MIDDLE[WHEN]
        row[FOOT] = SLIDES
    return row


def _slowing(course: Course, v: Array, places: Index, begins: dict[int, float], ideal: Ideal) -> Ideal:
    """Slow places before which the slowing begins where the computed lap's marks have it: rolling before a corner is
    counted from there.

    Parameters
    ----------
    begins : dict of int to float
        Stations by slow place, where a corner's marks tell it.
    """
    onset, slowed, way = ideal.onset.copy(), ideal.slowed.copy(), way_of(course)
    lap = float(course.s[-1] - course.s[0]) + float(course.h[-1])
    for k, station in begins.items():
        node = int(np.argmin(np.abs(course.s - (np.mod(station, lap) if course.closed else station))))
        gap = float(way[places[k]] - way[node])
        onset[k], slowed[k] = gap % float(way[-1]) if course.closed else max(gap, 0.0), v[node]
    return ideal._replace(onset=onset, slowed=slowed)


def course_along(lap: Lap, step: float) -> Course:
    """The line of a lap, ready to be driven with other feet, on nodes about ``step`` apart [m]."""
    line = lap.line
    s = np.linspace(line.s[0], line.s[-1], max(round(float(line.s[-1] - line.s[0]) / step), 8) + 1)
    ground = Surface(*(np.interp(s, line.s, getattr(line, name)) for name in Surface._fields))
    kappa, h = np.interp(s, line.s, line.kappa), np.diff(np.interp(s, line.s, line.distance))
    if line.closed:
        s, kappa, ground = s[:-1], kappa[:-1], Surface(*(field[:-1] for field in ground))
    return Course(s=s, h=h, kappa=kappa, surface=ground, closed=line.closed)


def _place_of(v: Array, places: Index, own: NDArray[np.bool_]) -> int | None:
    """The slowest of the slow places (K,) that are a corner's own; None without one."""
    here = np.flatnonzero(own)
    return int(here[np.argmin(v[places[here]])]) if here.size else None
