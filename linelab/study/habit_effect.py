"""What a habit changes at one corner: the lap with it beside the computed lap, in figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.diagnosis.habits import slow_places
from linelab.diagnosis.marks import CornerMarks
from linelab.diagnosis.own_line import step_of
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import time_at
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution
from linelab.study.habit_costs import LINE_HABITS, Habit, HabitCost, chosen_marks, course_along, habit_lap
from linelab.units import Array


@dataclass(frozen=True, kw_only=True, slots=True)
class HabitEffect:
    """One habit at one corner; pairs are of the computed lap and of the lap with the habit.

    Parameters
    ----------
    marks : CornerMarks
        Of the computed lap.
    habit : str
    size : float
        At least so large, in the unit of :data:`linelab.study.habit_costs.SCALES`.
    lap : Lap
        With the habit.
    time_lost : float
        Over the lap [s].
    before_apex, after_apex : float
        How much of it is lost before and after the apex of the computed lap [s].
    radius : (float, float) or None
        Tightest radius between turn-in and track-out [m]; None for a habit of the feet, which leaves the line alone.
    slowest : (float, float)
        Lowest speed between turn-in and track-out [m/s].
    leaves : (float, float)
        Speed at the computed lap's track-out [m/s].
    longer : float
        How much longer the way round the lap is [m].
    straight : float
        Path length from the track-out to where the computed lap is fastest before it slows again [m].
    straight_slower : float
        How much slower the kart is along that on average [m/s]; 0 where there is none.
    """

    marks: CornerMarks
    habit: Habit
    size: float
    lap: Lap
    time_lost: float
    before_apex: float
    after_apex: float
    radius: tuple[float, float] | None
    slowest: tuple[float, float]
    leaves: tuple[float, float]
    longer: float
    straight: float
    straight_slower: float


def effect_of(
    track: Track,
    kart: Kart,
    solution: Solution,
    cost: HabitCost,
    size: float,
    *,
    use_kerbs: bool = True,
    session: Array | None = None,
) -> HabitEffect:
    """What a habit of a size changes at its corner; ``cost`` must know what that size costs, with the same feet
    otherwise (``session``, as for :func:`linelab.habit_costs`).

    Raises
    ------
    InputError
        No lap has a habit of that size there.
    SolveError
        No lap was found with it.
    """
    mark = chosen_marks(track, kart, solution, [cost.corner])[0]
    lap = habit_lap(track, kart, solution, cost.corner, cost.habit, size, use_kerbs=use_kerbs, session=session)
    return effect_between(track, mark, cost.habit, size, solution.lap, lap)


def effect_between(track: Track, mark: CornerMarks, habit: Habit, size: float, own: Lap, lap: Lap) -> HabitEffect:
    """What a habit changes at a corner, from the lap without it and the lap with it; ``mark`` is of the former."""
    both = (own, lap)
    inside = np.linspace(mark.turn_in, mark.track_out, 400)
    before, lost = _lost_before(track, own, lap, mark.apex), lap.lap_time - own.lap_time
    peak = _fastest_after(track, own, mark.track_out)
    way = np.linspace(mark.track_out, peak, 400)
    here, there = (at_stations(track, each, each.v, way) for each in both)
    radius = None
    if habit in LINE_HABITS:
        sign = 1.0 if mark.corner.left else -1.0
        bent = [float((sign * at_stations(track, each, each.line.kappa, inside)).max()) for each in both]
        radius = (1.0 / bent[0], 1.0 / bent[1])
    slowest = [float(at_stations(track, each, each.v, inside).min()) for each in both]
    leaves = [float(at_stations(track, each, each.v, np.array([mark.track_out]))[0]) for each in both]
    return HabitEffect(
        marks=mark,
        habit=habit,
        size=size,
        lap=lap,
        time_lost=lost,
        before_apex=before,
        after_apex=lost - before,
        radius=radius,
        slowest=(slowest[0], slowest[1]),
        leaves=(leaves[0], leaves[1]),
        longer=lap.line.length - own.line.length,
        straight=peak - mark.track_out,
        straight_slower=float((here - there).mean()) if peak > mark.track_out else 0.0,
    )


def at_stations(track: Track, lap: Lap, values: Array, stations: Array) -> Array:
    """Values (N,) of a lap's nodes at stations (M,), which may run past the ends of a closed lap."""
    return np.asarray(np.interp(stations, lap.line.s, values, period=track.length if track.closed else None))


def lost_along(track: Track, own: Lap, other: Lap, stations: Array) -> Array:
    """Time lost at increasing stations (M,) since the first of them [s]; they may run past the ends of a closed lap."""

    def clock(lap: Lap) -> Array:
        if not track.closed:
            return time_at(lap.line.s, lap.t, np.clip(stations, lap.line.s[0], lap.line.s[-1]))
        turns = np.floor(stations / track.length)
        return time_at(lap.line.s, lap.t, stations - turns * track.length) + turns * lap.lap_time

    lost = clock(other) - clock(own)
    return np.asarray(lost - lost[0])


def _lost_before(track: Track, own: Lap, other: Lap, apex: float) -> float:
    """Time lost up to the apex: of a closed lap since half a lap before it [s]."""
    begin = apex - 0.5 * track.length if track.closed else float(own.line.s[0])
    return float(lost_along(track, own, other, np.array([begin, apex]))[1])


def _fastest_after(track: Track, lap: Lap, begin: float) -> float:
    """Where the lap is fastest between a station and its next slow place [m]."""
    course = course_along(lap, step_of(track))
    places = course.s[slow_places(course, np.interp(course.s, lap.line.s, lap.v))]
    ahead = np.mod(places - begin, track.length) if track.closed else places - begin
    rest = track.length if track.closed else float(lap.line.s[-1]) - begin
    end = float(np.min(ahead[ahead > 0.0], initial=rest))
    way = begin + np.linspace(0.0, max(end, 0.0), 1000)
    return float(way[int(np.argmax(at_stations(track, lap, lap.v, way)))])
