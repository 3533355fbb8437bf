"""The minimum-time lap solved again with its line held somewhere, or its speed kept up or down at a place.

The corridor of the solved problem is drawn in, or the lowest or highest speed moved, at a few stations; line and speed
are free everywhere else.  The mesh stays the same, so the time lost is the difference of two optima of one discretised
problem: it is not negative, and it grows as the corridor shrinks, for whatever is possible in the smaller one is
possible in the larger: minima over nested sets.  The edges as given are where the solution's own path has them: another
line sees them some millimetres elsewhere.
"""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from linelab.arrays import smoothstep
from linelab.errors import SolveError
from linelab.model.grip import kart_numbers
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track, since
from linelab.optimum.mesh import speed_stations
from linelab.optimum.minimum_time import FREE, Solution, ground_of
from linelab.optimum.path import offset_stations, solved_path, solved_time
from linelab.optimum.runs import AGAIN, Iterate, Start, in_bands, posed, unpacked
from linelab.optimum.stage import Z_SCALE, Structure
from linelab.optimum.task import Task, offset_room
from linelab.optimum.transcription import parameter_sizes
from linelab.optimum.verify import fine_lap, fine_path, solved_lap
from linelab.units import Array

#: A line is held fully within so far of a station, and by less and less over the next metres [m].
HELD, RAMP = 1.0, 5.0
#: Processor time after which one try is given up [s]: twenty times what one takes.
TIME_TRIED = 1.5
#: Where a solution is not found at once, half of the change is made first, and half of that.
HALVED = 2
#: Corridors are not drawn in to less than this [m]: what is left must be wider than nothing.
LEAST_ROOM = 0.01


class Base(NamedTuple):
    """A solution to hold lines against: its task, its iterate solved to the end once more, and the corridor it has.

    ``s``, ``low`` and ``high`` are (stages, 2): stations of the corridor's bounds, and what they are of the kart's
    middle [m].
    """

    track: Track
    solution: Solution
    task: Task
    iterate: Iterate
    time: float
    s: Array
    low: Array
    high: Array

    def line(self) -> Array:
        """Offsets of the computed line at the stations of the bounds (stages, 2) [m]."""
        s = np.mod(self.s, self.track.length) if self.track.closed else self.s
        return np.asarray(np.interp(s, self.solution.lap.line.s, self.solution.lap.line.n))

    def speed(self, station: float) -> float:
        """Speed of the computed lap at a station within the lap [m/s]."""
        return float(np.interp(station, self.solution.lap.line.s, self.solution.lap.v))

    def away(self, first: float, last: float) -> Array:
        """How far the stations of the bounds lie from a stretch (stages, 2) [m]."""
        middle, half = 0.5 * (first + last), 0.5 * (last - first)
        return np.maximum(np.abs(since(self.track, middle, self.s)) - half, 0.0)


class Bounds(NamedTuple):
    """What the corridor's bounds are drawn in by (stages, 2) [m], a speed to keep up: (station, least) or none, the
    share of the grip that may be used at each node (stages,) or none [-], and a speed to keep to: (station, most)."""

    low: Array
    high: Array
    speed: tuple[float, float] | None = None
    share: Array | None = None
    slowed: tuple[float, float] | None = None

    def and_also(self, other: Bounds, base: Base) -> Bounds | None:
        """Both of them, where that leaves room."""
        low, high = np.maximum(self.low, other.low), np.maximum(self.high, other.high)
        fits = (base.high - base.low - low - high >= LEAST_ROOM).all()
        share = other.share if self.share is None else self.share
        found = Bounds(low, high, self.speed or other.speed, share, self.slowed or other.slowed)
        return found if fits else None

    def half_way(self, base: Base, other: Bounds) -> Bounds:
        """Half-way to other bounds, which may keep up a speed where these do not."""
        speeds = []
        for own, wanted in ((self.speed, other.speed), (self.slowed, other.slowed)):
            now = None if wanted is None else own[1] if own else base.speed(wanted[0])
            speeds.append(None if wanted is None or now is None else (wanted[0], 0.5 * (wanted[1] + now)))
        shares = [1.0 if each.share is None else each.share for each in (self, other)]
        share = None if self.share is None and other.share is None else np.asarray(0.5 * (shares[0] + shares[1]))
        return Bounds(0.5 * (self.low + other.low), 0.5 * (self.high + other.high), speeds[0], share, speeds[1])


class Held(NamedTuple):
    """A solution within bounds."""

    bounds: Bounds
    iterate: Iterate


def local(track: Track, station: float) -> float:
    """A station within the lap [m]."""
    return station % track.length if track.closed else min(max(station, 0.0), track.length)


def base_of(track: Track, kart: Kart, solution: Solution, *, use_kerbs: bool = True, again: bool = True) -> Base:
    """Get a solution ready; it must be of this kart, grip and use of kerbs.

    A solution that was itself solved from another one on its mesh need not be solved ``again``.

    Raises
    ------
    InputError
        The solution is of another track.
    SolveError
    """
    task = Task(ground_of(track, use_kerbs), kart, kart_numbers(kart), solution.grip, FREE, FREE)
    given = solution.iterate
    iterate = _again(task, given, given, given.moved, None) if again else given
    low, high = offset_room(task, given.mesh, given.structure.stages, given.moved)
    s = offset_stations(given.mesh, given.structure.stages)
    return Base(track, solution, task, iterate, _time(task, iterate), s, low, high)


def squeezed(
    base: Base, stretch: tuple[float, float], by: float | Array, *, from_left: bool, ramp: float = RAMP
) -> Bounds | None:
    """The corridor drawn in from one side along a stretch, by one figure or by as many (stages, 2) [m], and opening
    again over some metres before and behind it.  None where that leaves no room."""
    away = base.away(*stretch)
    share = smoothstep(1.0 - np.maximum(away - HELD, 0.0) / ramp) if ramp else (away == 0.0).astype(float)
    drawn = share * np.maximum(by, 0.0)
    if (base.high - base.low - drawn < LEAST_ROOM).any():
        return None
    none = np.zeros(base.s.shape)
    return Bounds(none, drawn) if from_left else Bounds(drawn, none)


def solve_held(base: Base, bounds: Bounds, before: Held | None = None) -> Held:
    """The minimum-time lap within bounds, from a solution nearby.

    Raises
    ------
    SolveError
        No line was found: the bounds may leave none.
    """
    none = np.zeros(base.s.shape)
    free = Held(Bounds(none, none), base.iterate)
    if before is not None:
        with suppress(SolveError):
            return _stepped(base, bounds, before, HALVED)
    return _stepped(base, bounds, free, HALVED)


def _stepped(base: Base, bounds: Bounds, start: Held, halvings: int) -> Held:
    """From one solution to other bounds; where that fails, half-way first."""
    try:
        return Held(bounds, solve_within(base, bounds, start.iterate))
    except SolveError:
        if halvings == 0:
            raise
    nearer = _stepped(base, start.bounds.half_way(base, bounds), start, halvings - 1)
    return _stepped(base, bounds, nearer, halvings - 1)


def time_lost(base: Base, iterate: Iterate) -> float:
    """How much longer such a lap takes than the computed one [s]."""
    return _time(base.task, iterate) - base.time


def held_lap(base: Base, iterate: Iterate, share: Array | None = None, *, slowed: bool = False) -> Lap:
    """The lap of an iterate, with the exact speed of its line; its grip is what may be used of it.

    One that is ``slowed`` at a place has the optimiser's own speed, which alone knows of that.
    """
    solved = solved_path(base.task.track, iterate.mesh, *unpacked(iterate))
    path = fine_path(base.task, solved)
    if share is not None:
        period = iterate.structure.intervals if base.track.closed else None
        used = np.interp(path.xi, np.arange(share.size), share, period=period)
        path = path._replace(line=replace(path.line, grip=path.line.grip * used))
    return solved_lap(base.task, solved, *path) if slowed else fine_lap(base.task, solved, path)


def solve_within(base: Base, bounds: Bounds, start: Iterate) -> Iterate:
    """The minimum-time lap within bounds, in one try from an iterate.

    Raises
    ------
    SolveError
    """
    given = base.iterate
    none = np.zeros((2, *base.s.shape))
    moved = (none if given.moved is None else given.moved) + np.array([bounds.low, -bounds.high])
    return _again(base.task, given, start, moved, bounds)


def _again(
    task: Task,
    given: Iterate,
    start: Iterate,
    moved: Array | None,
    bounds: Bounds | None,
) -> Iterate:
    numbers = posed(task._replace(until=time.thread_time() + TIME_TRIED), given.mesh, moved)
    if bounds is not None:
        numbers = numbers._replace(bounds=numbers.bounds | _speeds_kept(task, given, numbers.bounds, bounds))
        if bounds.share is not None:
            numbers = numbers._replace(parameters=with_share(given.structure, numbers.parameters, bounds.share))
    return in_bands(numbers, Start(start.x, AGAIN.own, start))


def with_share(structure: Structure, parameters: Array, share: Array) -> Array:
    """The programme's numbers with a share of the grip at each node (stages,)."""
    changed = parameters.copy()
    node = changed[: parameter_sizes(structure)[0]].reshape(structure.stages, structure.node_size)
    # the last columns: grip, then the places and the changes of its profile across the track
    node[:, structure.node_size - 2 * structure.profile - 1] *= share
    if structure.profile:
        node[:, -structure.profile :] *= share[:, None]
    return changed


def _speeds_kept(task: Task, given: Iterate, known: dict[str, Array], bounds: Bounds) -> dict[str, Array]:
    """The unknowns' own bounds that change for the speed at a station to be no lower, or no higher, than asked for."""
    at, found = speed_stations(given.mesh), {}
    for name, tighter, kept in (("lbx", np.maximum, bounds.speed), ("ubx", np.minimum, bounds.slowed)):
        if kept is not None:
            # v² at a place is a mean of the three coefficients about it.
            about = np.argsort(np.abs(since(task.track, kept[0], at)))[:3]
            found[name] = known[name].copy()
            speeds = found[name][-at.size :]
            speeds[about] = tighter(speeds[about], kept[1] ** 2 / Z_SCALE)
    return found


def _time(task: Task, iterate: Iterate) -> float:
    return solved_time(solved_path(task.track, iterate.mesh, *unpacked(iterate)))
