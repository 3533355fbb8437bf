"""The minimum-time line and speed of a kart on a track.

Where no lap is possible, solving again with usual values finds the kart's field that prevents it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import Any, NamedTuple

import numpy as np

from linelab.arrays import ByValue
from linelab.errors import InputError, KartError, LinelabError, SolveError, check_kinds
from linelab.model.conditions import GRIP_RANGE
from linelab.model.grip import kart_numbers
from linelab.model.grip_field import KERB_KNOTS, kerbs_allowed, knots_needed
from linelab.model.kart import Kart, PowerEngine, TorqueEngine
from linelab.model.lap import Lap
from linelab.model.track import Track, lap_ends
from linelab.optimum.clearance import limits_beside, room_beside
from linelab.optimum.mesh import corridor, held_at, make_mesh
from linelab.optimum.path import Solved, solved_path, solved_time
from linelab.optimum.runs import (
    COLD_STARTS,
    Guess,
    Iterate,
    first_guess,
    require_unfolded,
    solve_again,
    solve_cold,
    solve_finer,
    solve_once,
    unpacked,
)
from linelab.optimum.task import SLOWEST, TYPICAL_TIME, End, Task, moved_by, structure_of
from linelab.optimum.transcription import OFFSET_ROWS
from linelab.optimum.verify import (
    ACCEPT_EDGE,
    ACCEPT_SOLVER,
    FinePath,
    Verification,
    fine_lap,
    fine_path,
    thinned,
    time_apart,
    unlimited_lap,
    verify_lap,
)
from linelab.units import Array

#: What karts of the common classes and their drivers have, SI: values outside are tried for the cause (*memory*).
USUAL: Mapping[str, tuple[float, float]] = {
    "mass": (100.0, 270.0),
    "mu_lateral": (0.8, 2.0),
    "mu_longitudinal": (0.8, 2.0),
    "rear_share": (0.5, 0.65),
    "cg_height": (0.15, 0.35),
    "wheelbase": (0.9, 1.3),
    "width": (1.0, 1.45),
    "cda": (0.3, 0.8),
    "air_density": (0.9, 1.4),
    "rolling_resistance": (0.01, 0.04),
    "scrub": (0.0, 0.05),
    "rotating_mass_factor": (0.02, 0.2),
}
USUAL_DRIVER: Mapping[str, tuple[float, float]] = {
    "grip_share": (0.6, 1.0),
    "braking_share": (0.5, 1.0),
    "brake_build_rate": (30.0, 100.0),
    "brake_release_rate": (30.0, 100.0),
    "drive_build_rate": (15.0, 100.0),
    "curvature_rate": (0.5, 5.0),
}
#: Power at the wheels of the common classes [W].
USUAL_POWER = (4.0e3, 40.0e3)
#: Names of the fields in a kart file where they differ.
IN_FILE = {
    "mass": "mass_kg",
    "mu_lateral": "tyres.mu_lateral",
    "mu_longitudinal": "tyres.mu_longitudinal",
    "rear_share": "rear_weight_share",
    "cg_height": "cg_height_m",
    "wheelbase": "wheelbase_m",
    "width": "overall_width_m",
    "cda": "air.cda_m2",
    "air_density": "air.density_kg_per_m3",
    "rolling_resistance": "tyres.rolling_resistance",
    "scrub": "tyres.scrub",
    "grip_share": "driver.grip_share",
    "braking_share": "driver.braking_share",
    "brake_build_rate": "driver.brake_build_rate_mps3",
    "brake_release_rate": "driver.brake_release_rate_mps3",
    "drive_build_rate": "driver.drive_build_rate_mps3",
    "curvature_rate": "driver.curvature_rate_per_m_s",
}


class Change(NamedTuple):
    """Values that replace those of the kart, or of its ``part``; ``field`` is the name in a kart file."""

    field: str
    part: str
    values: dict[str, Any]

    def of(self, kart: Kart) -> Kart:
        """The kart with it."""
        if not self.part:
            return replace(kart, **self.values)
        return replace(kart, **{self.part: replace(getattr(kart, self.part), **self.values)})


def blamed(error: SolveError, kart: Kart, solves: Callable[[Kart], bool], until: float) -> SolveError | KartError:
    """The error that names the fields without whose values a lap is found, or the error as it was.

    Parameters
    ----------
    error : SolveError
    kart : Kart
    solves : callable
        Whether another kart's lap is found.
    until : float
        This thread's processor time to stop at [s].
    """
    changes = _unusual(kart)
    usual = kart
    for change in changes:
        usual = change.of(usual)
    if not changes or not solves(usual):
        return error
    guilty = []
    for change in changes:
        if time.thread_time() > until:
            break
        if solves(change.of(kart)):
            guilty.append(change.field)
    named = guilty[:3] or [change.field for change in changes[:3]]
    if not guilty and len(changes) > 3:
        named.append(f"{len(changes) - 3} more that are unusual")
    return KartError(
        f"{error.what}; a lap is found with a usual {(' or ' if guilty else ' and ').join(named)}",
        field=named[0],
        remedy="Check the value and its unit; 'linelab kart --fields' prints what is usual",
    )


def _unusual(kart: Kart) -> list[Change]:
    """Changes that put what is usual for each unusual field, the engine's and driver's first.

    A rate of the driver's that is unusual is left without limit.
    """
    changes = _unusual_engine(kart.engine)
    for part, owner, ranges in (("driver", kart.driver, USUAL_DRIVER), ("", kart, USUAL)):
        for name, (low, high) in ranges.items():
            given = getattr(owner, name)
            if given is not None and not low <= given <= high:
                usual = None if name.endswith("_rate") else 0.5 * (low + high)
                changes.append(Change(IN_FILE.get(name, name), part, {name: usual}))
    return changes


def _unusual_engine(engine: PowerEngine | TorqueEngine) -> list[Change]:
    """The same of the engine: its power, force and revs; a torque curve with its gearing as a whole."""
    given = engine.power if isinstance(engine, PowerEngine) else float((engine.speed * engine.torque).max())
    power = min(max(given, USUAL_POWER[0]), USUAL_POWER[1])
    if isinstance(engine, TorqueEngine):
        return [Change("engine", "", {"engine": PowerEngine(power=power)})]
    fields = [("power_kw", "power", power), ("max_force_n", "max_force", None), ("top_speed_kmh", "top_speed", None)]
    return [
        Change(f"simple_drive.{field}", "engine", {name: value})
        for field, name, value in fields
        if getattr(engine, name) != value
    ]


#: Accepted estimate of the lap time's discretisation error [s].
TIME_TOLERANCE = 2.0e-3
#: Time step that the first mesh aims at, and the most intervals a mesh may have.
FIRST_STEP = 0.18
#: The tolerance holds for laps up to this long [s] and grows in proportion beyond: 20 km are not asked for 2 ms.
TOLERANCE_LAP = 60.0
#: The second mesh has this many times the intervals of the first, and later ones of those before.  The lap time's error
#: is estimated from the change between two meshes and the order of convergence, the lowest measured on the demo tracks
#: but for one lap in twenty-four (whose error is 5 % more than stated).  It is never less than the time by which the
#: exact profile of the line is behind the optimiser's own speed.
FIRST_FACTOR, NEXT_FACTOR = 6, 2
FIRST_ORDER, NEXT_ORDER = 1.95, 1.8
#: What a mesh of twice the intervals leaves of the stated error at least [-]: half of what the order says.
LEAST_LEFT = 0.15
MOST_INTERVALS = 100_000
#: The corridor is moved to the edges as given beside the path, and solved again, so many times at most: until the path
#: is over them by no more than this [m], and a further move is worth no more than this share of the tolerance.  Meshes
#: are refined while a sharp point of an edge is still cut by more.
MOST_MOVES, MOST_OVER_EDGE, MOST_WORTH = 4, 0.3 * ACCEPT_EDGE, 0.3
#: And while the optimiser's own time is farther from the exact profile's than this share of it.
MOST_APART = 0.8 * ACCEPT_SOLVER
#: Another first line is taken where it gains more than this [s]: less is the coarse mesh's.
LEAST_GAIN = 5.0e-3
#: Meshes are not refined below this mean step [m]; the error estimate then says what was reached.
FINEST_STEP = 0.04
#: Counts are rounded up to a multiple of this, so that similar tracks share one built problem.
ROUND_TO = 32

#: Processor time after which a solve is given up, each try to find the field that makes it impossible, and all of
#: these together [s]; on tracks longer than COMMON_LENGTH [m] in proportion.
TIME_ALLOWED, TIME_TRIED, TIME_BLAMING = 12.0, 1.5, 3.5
COMMON_LENGTH = 2000.0

FREE = End()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Solution(ByValue):
    """A minimum-time lap, verified unless that was switched off.

    Attributes
    ----------
    lap : Lap
        Of the whole road: so are the time that was minimised, its error and gradient, and the verification.
    lap_time : float
        From the start line to the finish line of an open track, which need not be its ends [s].
    time_error : float
        Estimated discretisation error of the lap's time [s].
    iterations : int
        Interior-point iterations, all meshes together.
    verification : Verification or None
    iterate : Iterate
        For warm starts and sensitivities.
    grip : float
        Factor on mu that was solved for.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> solution = linelab.solve_min_time(track, kart)
    >>> solution.lap
    Lap 'computed lap', 32.981 s, 410 m, 5377 nodes
    >>> solution.verification.edge_excess < 0.01
    True
    """

    lap: Lap
    lap_time: float
    time_error: float
    iterations: int
    verification: Verification | None
    iterate: Iterate
    grip: float

    def __repr__(self) -> str:
        checked = "not checked" if self.verification is None else "checked independently"
        grip = "" if self.grip == 1.0 else f", grip {self.grip:.0%}"
        return f"Solution, {self.lap_time:.3f} s, accurate to {self.time_error:.3f} s{grip}, {checked}"


def solve_min_time(
    track: Track,
    kart: Kart,
    *,
    grip: float = 1.0,
    start: End = FREE,
    end: End = FREE,
    use_kerbs: bool = True,
    tolerance: float = TIME_TOLERANCE,
    warm: Solution | None = None,
    verify: bool = True,
    progress: Callable[[str], None] | None = None,
) -> Solution:
    """Fastest line and speed of a kart on a track, within its edges and its grip.

    Parameters
    ----------
    track : Track
    kart : Kart
    grip : float
        Factor on mu for the whole track, beside that of ``track.conditions`` [-].
    start, end : End
        States at the ends of an open track.  A speed below twice SLOWEST, 1 m/s, is taken as that: a point mass says
        nothing of how a kart gets away or comes to a stand.
    use_kerbs : bool
        Whether the kart may use the kerbs' usable width; where not, their grip does not matter either.  A wet track's
        are not used in any case (:mod:`linelab.model.conditions`).
    tolerance : float
        Accepted estimate of the lap time's discretisation error [s]; the mesh is refined until it is met, down to
        steps of FINEST_STEP.  For laps beyond a minute it grows in proportion.
    warm : Solution or None
        An earlier solution on this track to start from: same mesh whatever the tolerance, its estimate of the lap
        time's error, no refinement study, several times faster.
    verify : bool
        Run the independent check of :mod:`linelab.optimum.verify`.
    progress : callable or None
        Called with a short text at each step.

    Returns
    -------
    Solution
        ``.lap`` is the lap, ``.lap_time`` its time [s].

    Raises
    ------
    SolveError
        The solver did not converge; nothing is returned in place of a solution.
    VerificationError
        It converged but the independent check failed.
    TrackError
        The track is narrower than the kart somewhere.
    KartError
        The kart does not get going on this track, or no line is found for it while one is with a usual value of the
        field that is named.
    InputError
        Impossible arguments.

    References
    ----------
    R. Lot & F. Biral, "A curvilinear abscissa approach for the lap time optimization of racing vehicles", IFAC Proc.
    47(3), 2014: the problem's statement, see :mod:`linelab.speed.lines`; :mod:`linelab.optimum.stage`: its
    transcription.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> solution = linelab.solve_min_time(track, kart)
    >>> solution
    Solution, 32.981 s, accurate to 0.001 s, checked independently
    >>> damp = linelab.solve_min_time(track, kart, grip=0.6, warm=solution)
    >>> damp.lap_time > solution.lap_time
    True
    """
    check_kinds("solve_min_time", track=(track, Track), kart=(kart, Kart), warm=(warm, (Solution, type(None))))
    _check_arguments(track, grip, start, end, tolerance)
    say = progress or (lambda text: None)
    task = Task(
        ground_of(track, use_kerbs),
        kart,
        kart_numbers(kart),
        grip,
        _moving(start),
        _moving(end),
        _given_up(track, TIME_ALLOWED),
    )
    _check_ends(task)
    try:
        return _solved(task, tolerance, warm, verify, say)
    except SolveError as error:
        if warm is not None:
            raise
        say("looking for what in the kart makes it impossible")

        def solves(other: Kart) -> bool:
            try:
                changed = task._replace(kart=other, numbers=kart_numbers(other), until=_given_up(track, TIME_TRIED))
                _solved(changed, tolerance, None, True, lambda text: None)
            except LinelabError:
                return False
            return True

        raise blamed(error, kart, solves, _given_up(track, TIME_BLAMING)) from error


def _given_up(track: Track, seconds: float) -> float:
    """This thread's processor time at which a solve is given up that is allowed ``seconds`` on a common track."""
    return time.thread_time() + seconds * max(1.0, track.length / COMMON_LENGTH)


def _solved(task: Task, tolerance: float, warm: Solution | None, verify: bool, say: Callable[[str], None]) -> Solution:
    """The solution of a task, from an earlier one or from nothing."""
    if warm is not None:
        iterate = solve_again(task, None, warm.iterate)
        require_unfolded(task, iterate)
        # The corridor stays unless the path is over an edge: laps of two karts then differ by the karts alone.
        held = _held(task, None, iterate, np.inf)
        found = held.driven
        error = max(warm.time_error, held.worth, found.lap.lap_time - found.solver_time)
        refined = _Refined(held.iterate, found, error, held.iterations)
        return _finish(task, refined, verify, say)
    say("a first line and its speed")
    guess = first_guess(task)
    for skip in range(len(COLD_STARTS)):
        refined = _refined(task, guess, tolerance, skip, say)
        try:
            require_unfolded(task, refined.iterate)
            break
        except SolveError:
            if skip == len(COLD_STARTS) - 1:
                raise
            say("that line folds; another start")
    return _finish(task, refined, verify, say)


def ground_of(track: Track, use_kerbs: bool) -> Track:
    """The track that a lap is solved on, with its kerbs or without: in its conditions a kart may have to keep off."""
    return track if use_kerbs and kerbs_allowed(track) else _without_kerbs(track)


@lru_cache(maxsize=4)
def _without_kerbs(track: Track) -> Track:
    """The same track each time, so that what is worked out from it is found again."""
    return replace(track, kerbs=())


class _Driven(NamedTuple):
    """A converged path, the lap on its fine nodes, and two more times of that path [s]: of its exact profile without
    rates, and of the optimiser's own speed."""

    solved: Solved
    lap: Lap
    unlimited: float
    solver_time: float


def accepted_error(lap_time: float, tolerance: float = TIME_TOLERANCE) -> float:
    """The error that a lap's time may have [s]: longer laps are allowed more."""
    return tolerance * max(1.0, lap_time / TOLERANCE_LAP)


class _Refined(NamedTuple):
    """The solution on the last mesh, with the estimate of the lap time's error [s] and all iterations so far."""

    iterate: Iterate
    driven: _Driven
    error: float
    iterations: int


def _refined(task: Task, guess: Guess, tolerance: float, skip: int, say: Callable[[str], None]) -> _Refined:
    """Solve on ever finer meshes until the lap time's error is small enough and the checks that a mesh decides hold.

    After a line that folds, another start is tried from a finer first mesh: folds are the coarse mesh's.
    """
    track = task.track
    guess, iterate, found = _first(task, guess, skip, say)
    intervals, iterations = iterate.structure.intervals, iterate.iterations
    factor, order, error, over = float(FIRST_FACTOR), FIRST_ORDER, np.inf, np.inf
    while (
        error > accepted_error(found.lap.lap_time, tolerance)
        or over > MOST_OVER_EDGE
        or time_apart(found.lap.lap_time, found.solver_time) > MOST_APART
    ):
        if track.length / (intervals * factor) < FINEST_STEP:
            break
        before, intervals = intervals, _rounded(intervals * factor)
        if intervals > MOST_INTERVALS:
            raise SolveError(
                f"the lap time still changes by {error:.4f} s at {before} mesh intervals",
                remedy="Check the track's edges for spikes (in Python: or raise the tolerance)",
            )
        say(f"refining: {intervals} intervals")
        stages = structure_of(task, intervals).stages
        room = room_beside(track, found.lap.line, task.half_width)
        mesh = held_at(make_mesh(track, guess.rhythm, intervals), room.sharp)
        moved = moved_by(task, mesh, stages, limits_beside(room))
        held = _held(task, guess, solve_finer(task, guess, iterate, mesh, moved), tolerance)
        coarse, (iterate, found, over, worth, iterated) = found, held
        iterations += iterated
        # A limited driver's speed, the optimiser's own, falls short in corners and gains between nodes: where the two
        # make up for each other the exact profiles of the lines still show what the coarse mesh was worth.
        change = max(abs(found.lap.lap_time - coarse.lap.lap_time), abs(found.unlimited - coarse.unlimited))
        told = change / ((intervals / before) ** order - 1.0) + worth
        # Two meshes may agree by chance: no error falls faster than by this from one mesh to the next.
        error = max(told, LEAST_LEFT * error) if np.isfinite(error) else told
        # Where the optimiser's own speed is the faster one it rests on grip that is not there between its nodes.
        error = max(error, found.lap.lap_time - found.solver_time)
        factor, order = NEXT_FACTOR, NEXT_ORDER
    return _Refined(iterate, found, error, iterations)


def _first(task: Task, guess: Guess, skip: int, say: Callable[[str], None]) -> tuple[Guess, Iterate, _Driven]:
    """The solution on the first mesh; where grip varies across the road, the fastest of several first lines."""
    intervals = (1 + skip) * _first_intervals(task.track, guess)
    say(f"first line: {intervals} intervals")
    iterate = solve_cold(task, guess, make_mesh(task.track, guess.rhythm, intervals), skip)
    best = guess, iterate, _of(task, iterate)
    varies = knots_needed(task.track) > KERB_KNOTS and not skip
    lanes = (False,) if task.track.groove is None else (False, True)
    for by_groove, aside in product(lanes, (1.0, -1.0)) if varies else ():
        other = first_guess(task, aside, by_groove=by_groove)
        try:
            iterate = solve_once(task, other, make_mesh(task.track, other.rhythm, intervals))
            require_unfolded(task, iterate)
        except SolveError:
            continue
        found = _of(task, iterate)
        if found.lap.lap_time < best[2].lap.lap_time - LEAST_GAIN:
            best = other, iterate, found
    return best


class _Held(NamedTuple):
    """A solution within the edges as given, as far as its mesh allows: how far over them it is [m], and what a further
    move of the corridor would be worth [s]."""

    iterate: Iterate
    driven: _Driven
    over: float
    worth: float
    iterations: int


def _held(task: Task, guess: Guess | None, iterate: Iterate, tolerance: float) -> _Held:
    """Solve again with the corridor moved to the edges as given beside the path, until that changes nothing.

    A bound moved a little is worth its multiplier (A. V. Fiacco, *Introduction to Sensitivity and Stability Analysis in
    Nonlinear Programming*, 1983, theorem 3.4.1).
    """
    iterations = iterate.iterations
    for moves in range(MOST_MOVES + 1):
        solved = solved_path(task.track, iterate.mesh, *unpacked(iterate))
        path = fine_path(task, solved)
        room = room_beside(task.track, path.line, task.half_width)
        moved = moved_by(task, iterate.mesh, iterate.structure.stages, limits_beside(room))
        worth = _worth(task, iterate, moved)
        if moves == MOST_MOVES or (room.over <= MOST_OVER_EDGE and worth <= MOST_WORTH * tolerance):
            break
        iterate = solve_again(task, guess, iterate, moved)
        iterations += iterate.iterations
    return _Held(iterate, _driven(task, solved, path), room.over, worth, iterations)


def _worth(task: Task, iterate: Iterate, moved: Array) -> float:
    """What moving the corridor on to ``moved`` would change of the lap time, to first order [s]."""
    structure = iterate.structure
    rows = iterate.lam_g[: structure.stages * structure.constraints].reshape(structure.stages, -1)[:, OFFSET_ROWS]
    low, high = moved if iterate.moved is None else moved - iterate.moved
    gained = np.maximum(rows, 0.0) * high + np.minimum(rows, 0.0) * low
    for end, row in ((task.start, 0), (task.end, -1)):  # an offset that is given is no edge
        gained[row] *= end.n is None
    return abs(float(gained.sum())) * TYPICAL_TIME / structure.intervals


def _of(task: Task, iterate: Iterate) -> _Driven:
    solved = solved_path(task.track, iterate.mesh, *unpacked(iterate))
    return _driven(task, solved, fine_path(task, solved))


def _driven(task: Task, solved: Solved, path: FinePath) -> _Driven:
    lap = fine_lap(task, solved, path)
    unlimited = unlimited_lap(task, lap.line).lap_time if task.limited else lap.lap_time
    return _Driven(solved, lap, unlimited, solved_time(solved))


def _check_arguments(track: Track, grip: float, start: End, end: End, tolerance: float) -> None:
    try:
        sensible = GRIP_RANGE[0] <= grip <= GRIP_RANGE[1]
    except TypeError:  # a condition in words
        sensible = False
    if not sensible:
        raise InputError(
            f"grip factor {grip!r} is not a number from {GRIP_RANGE[0]:g} to {GRIP_RANGE[1]:g}",
            where="grip",
            remedy='1 is dry; for a condition in words see linelab.on_the_day(track, kart, "wet")',
        )
    if not tolerance > 0.0:
        raise InputError(f"tolerance {tolerance} s is not positive", where="tolerance")
    if track.closed and (start != FREE or end != FREE):
        raise InputError("a closed track has no ends", where="start, end", remedy="Leave them out for a flying lap")


def _moving(end: End) -> End:
    """The state at no less than the lowest speed of the problem."""
    return end if end.v is None else replace(end, v=max(end.v, 2.0 * SLOWEST))


def _check_ends(task: Task) -> None:
    """Refuse ends that the kart cannot be at."""
    for name, state, station in (("start", task.start, 0.0), ("end", task.end, task.track.length)):
        low, high = (float(edge[0]) for edge in corridor(task.track, np.array([station]), task.half_width))
        if state.n is not None and not low <= state.n <= high:
            raise InputError(
                f"offset {state.n:.2f} m is off the track: the middle of the kart fits from {low:.2f} to {high:.2f} m",
                where=f"{name}.n",
                remedy="Positive is left of the reference line",
            )


def _first_intervals(track: Track, guess: Guess) -> int:
    """Intervals of the first mesh: a time step, and enough to see the track's bends."""
    time = float(np.sum(2.0 * np.diff(guess.s) / (guess.v[1:] + guess.v[:-1])))
    turning = float(np.sum(np.diff(track.s) * np.abs(track.reference.kappa[1:])))
    return _rounded(max(time / FIRST_STEP, turning / 0.12, 24.0))


def _rounded(count: float) -> int:
    return -(-int(np.ceil(count)) // ROUND_TO) * ROUND_TO


def _finish(task: Task, refined: _Refined, verify: bool, say: Callable[[str], None]) -> Solution:
    """Check the last lap and hand it out at the mesh's nodes and the middles between them."""
    iterate, found, checked = refined.iterate, refined.driven, None
    if verify:
        say("verifying")
        checked = verify_lap(task, found.solved, found.lap)
    begin, end = np.interp(lap_ends(task.track), found.lap.line.s, found.lap.t)
    return Solution(
        lap_time=found.lap.lap_time if task.track.closed else float(end - begin),
        lap=thinned(found.lap, (found.lap.t.size - 1) // (2 * iterate.structure.intervals)),
        time_error=refined.error,
        iterations=refined.iterations,
        verification=checked,
        iterate=iterate,
        grip=task.grip,
    )
