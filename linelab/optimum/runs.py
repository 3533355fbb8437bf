"""Runs of the interior-point solvers, cold, from a coarser mesh and after a change, and the line they start from.

The project's own method (:mod:`linelab.optimum.interior`) is asked first, being several times faster; where it does not
converge, IPOPT is, from the same start.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

import numpy as np

from linelab.errors import InputError, SolveError
from linelab.geometry.curve import Curve
from linelab.model.grip import LEAST_SPARE, Surface, stuck_error
from linelab.model.lap import Lap, Limit
from linelab.optimum import mesh as meshes
from linelab.optimum.assembly import stages_of
from linelab.optimum.interior import Bounds, minimise
from linelab.optimum.mesh import Mesh, Rhythm
from linelab.optimum.path import base_of, displaced, line_at, solved_path
from linelab.optimum.stage import Z_SCALE, Structure
from linelab.optimum.task import SLOWEST, Task, bounds_of, parameters_of, structure_of
from linelab.optimum.transcription import Problem, build_problem
from linelab.speed.lines import line_on_track
from linelab.speed.profile import LONGEST_STAND, speed_profiles
from linelab.units import Array


class Guess(NamedTuple):
    """Where the optimiser starts: a smooth line inside the edges and its speed, by station (K,)."""

    s: Array
    n: Array
    v: Array
    ay: Array

    @property
    def rhythm(self) -> Rhythm:
        """What spaces the nodes of a mesh."""
        return Rhythm(self.s, self.v, self.ay)


#: Wavelengths below about this are smoothed out of the first line [m / 2 pi].
GUESS_SMOOTHING = 4.0


#: How far beside the reference line another first line runs, as a share of the corridor's width.
ASIDE = 0.35


def first_guess(task: Task, aside: float = 0.0, *, by_groove: bool = False) -> Guess:
    """First line and speed.

    The reference line clipped into the kart's corridor and smoothed; its speed profile is then nearly feasible
    everywhere, which is what keeps the interior-point iterations few.  With ``aside`` 1 the line runs ASIDE to its
    left, with -1 to its right; ``by_groove`` a metre beside the track's groove.
    """
    track = task.track
    s = np.linspace(0.0, track.length, max(int(np.ceil(track.length)), 16) + 1)
    low, high = meshes.corridor(track, s, task.half_width)
    margin = np.clip(0.3 * (high - low), 0.0, 0.5)
    wanted = aside * ASIDE * (high - low)
    if by_groove and track.groove is not None:
        wanted = track.groove.middle(s, track.length, track.closed) + aside
    n = _smooth_offset(np.clip(wanted, low + margin, high - margin), s[1], track.closed)
    line = line_on_track(track, s, n, half_width=task.half_width, grip=task.grip)
    ideal = speed_profiles([line], task.kart, v_start=task.start.v, v_end=task.end.v)[0]
    _require_moving(task, ideal)
    # To the centimetre a second: where the optimiser ends up must not hang on a profile's last digits.
    return Guess(s, n, np.round(ideal.v, 2), np.round(ideal.ay, 2))


def _require_moving(task: Task, lap: Lap) -> None:
    """Refuse a kart that does not get on somewhere: the passes go on at their lowest speed where drive does not."""
    driving = (lap.limited_by == Limit.DRIVE) | (lap.limited_by == Limit.TRACTION)
    stands = (driving & (lap.v < SLOWEST) & (np.abs(lap.ax) < LEAST_SPARE))[:-1]
    step = np.diff(lap.line.distance)
    if step[stands].sum() > LONGEST_STAND:
        at = int(np.argmax(stands))
        surface = Surface(*(float(getattr(lap.line, name)[at]) for name in Surface._fields))
        raise stuck_error(task.kart, SLOWEST, surface, f"station {lap.line.s[at]:.1f} m")


def _smooth_offset(n: Array, step: float, closed: bool) -> Array:
    """Minimise sum((m - n)²) + l⁴·sum(m''²): in Fourier space a division by 1 + (l·w)⁴; open ends are mirrored."""
    wave = n[:-1] if closed else np.concatenate([n, n[-2:0:-1]])
    frequency = 2.0 * np.pi * np.fft.rfftfreq(wave.size, step)
    smooth = np.fft.irfft(np.fft.rfft(wave) / (1.0 + (GUESS_SMOOTHING * frequency) ** 4), wave.size)
    return np.append(smooth, smooth[0]) if closed else smooth[: n.size]


def starting_point(mesh: Mesh, guess: Guess, share: float) -> tuple[Array, Array]:
    """Coefficients of n [m] and of z [Z_SCALE m²/s²] for a share of the guessed speed."""
    offset = np.interp(meshes.wrapped(mesh, meshes.path_stations(mesh)), guess.s, guess.n)
    speed = share * np.interp(meshes.wrapped(mesh, meshes.speed_stations(mesh)), guess.s, guess.v)
    return offset, np.maximum(speed**2 / Z_SCALE, 1.01 * SLOWEST**2 / Z_SCALE)


#: Cold starts are tried with these shares of the guessed speed and barrier parameters, in turn.
COLD_STARTS = ((0.9, 1e-1), (0.7, 1.0), (0.5, 1e-2))


#: IPOPT is not started with less processor time than this [s].
LEAST_LEFT = 1.0


class Barriers(NamedTuple):
    """First barrier parameters of a warm start: of the project's own method, and of IPOPT's attempts in turn."""

    own: float
    ipopt: tuple[float, ...]


#: After a change of parameters, and from a coarser mesh.  From 1e-2 fifteen changes of karts took 177 iterations, from
#: 1e-3 216 and from 1e-4 256.
AGAIN, FINER = Barriers(1e-2, (1e-5, 1e-3)), Barriers(3e-2, (1e-3, 1e-2))
#: A path folds where its curvature half-way between two nodes exceeds theirs so many times, and by so much [1/m].
FOLD, FOLD_LEAST = 2.0, 0.1
#: The speed of a changed kart is worked out at every fourth node: from all of them it took as many iterations.
EVERY = 4
#: Most iterations of the project's own method: about twice what the hardest solve took.
MOST_COLD, MOST_WARM = 150, 100


class Iterate(NamedTuple):
    """A converged programme: what a warm start needs."""

    mesh: Mesh
    reference: Curve
    structure: Structure
    x: Array
    lam_x: Array
    lam_g: Array
    parameters: Array
    moved: Array | None  #: how far the corridor was moved from the widths' to the edges as given, :func:`bounds_of`
    iterations: int
    method: str  #: "bands" for the project's own, or "ipopt"


class Start(NamedTuple):
    """Where an attempt starts from: unknowns, barrier parameter, and the iterate whose multipliers it takes."""

    x: Array
    barrier: float
    warm: Iterate | None = None


class Posed(NamedTuple):
    """A task on a mesh in numbers: what every attempt at it shares."""

    problem: Problem
    mesh: Mesh
    reference: Curve
    bounds: dict[str, Array]
    parameters: Array
    moved: Array | None
    until: float

    def iterate(self, x: Array, lam_x: Array, lam_g: Array, iterations: int, method: str) -> Iterate:
        """A solution of it."""
        problem = self.problem.structure
        return Iterate(
            self.mesh, self.reference, problem, x, lam_x, lam_g, self.parameters, self.moved, iterations, method
        )  # fmt: skip


def posed(task: Task, mesh: Mesh, moved: Array | None = None) -> Posed:
    """Work out a task's numbers on a mesh."""
    problem = build_problem(structure_of(task, mesh.intervals))
    bounds, parameters = bounds_of(task, mesh, problem, moved), parameters_of(task, mesh, problem.structure)
    return Posed(problem, mesh, task.track.reference, bounds, parameters, moved, task.until)


def solve_cold(task: Task, guess: Guess, mesh: Mesh, skip: int = 0) -> Iterate:
    """Solve from a guess; further starting points are tried before giving up, the first ``skip`` left out.

    Raises
    ------
    SolveError
        From the last attempt.
    """
    starts = list(_cold_starts(mesh, guess, skip))
    attempts = ((method, start) for method in (in_bands, by_ipopt) for start in starts)
    return _first_success(posed(task, mesh), attempts)


def solve_once(task: Task, guess: Guess, mesh: Mesh) -> Iterate:
    """One attempt from a guess, by the project's own method.

    Raises
    ------
    SolveError
    """
    return in_bands(posed(task, mesh), next(_cold_starts(mesh, guess, 0)))


def solve_finer(task: Task, guess: Guess, coarse: Iterate, mesh: Mesh, moved: Array) -> Iterate:
    """Solve on a finer mesh from a coarser solution, or from the guess where that fails."""
    path, speed = unpacked(coarse)
    offset = meshes.spline_at(path, meshes.mesh_coordinate(coarse.mesh, meshes.path_stations(mesh)))[0]
    squared = meshes.quadratic_at(speed, meshes.mesh_coordinate(coarse.mesh, meshes.speed_stations(mesh)))[0]
    x = np.concatenate([offset, np.maximum(squared, 1.01 * SLOWEST**2 / Z_SCALE)])
    multipliers = finer_multipliers(coarse, mesh, structure_of(task, mesh.intervals))
    start = coarse._replace(x=x, lam_x=np.zeros(x.size), lam_g=multipliers)
    return _warm_or_cold(task, guess, posed(task, mesh, moved), start, FINER)


def solve_again(
    task: Task, guess: Guess | None, before: Iterate, moved: Array | None = None, *, own_speed: bool = True
) -> Iterate:
    """Solve on the same mesh after a change of kart, grip or bounds; the corridor moved as before unless ``moved``.

    Without ``own_speed`` it begins at the earlier speed: numbers changed by themselves have no kart to drive a profile.
    """
    if not _alike(task.track.reference, before.reference):
        raise InputError(
            "the earlier solution is of another track, or of the other direction",
            where="warm",
            remedy="Solve without a warm start",
        )
    structure = structure_of(task, before.structure.intervals)
    if structure != before.structure:
        raise InputError(
            "the earlier solution is of another kind of problem (zones, groove, kerbs, or driver limits on or off)",
            where="warm",
            remedy="Solve without a warm start",
        )
    numbers = posed(task, before.mesh, before.moved if moved is None else moved)
    start = _at_its_speed(task, numbers, before) if own_speed else before
    return _warm_or_cold(task, guess, numbers, start, AGAIN)


def _at_its_speed(task: Task, numbers: Posed, before: Iterate) -> Iterate:
    """An earlier solution with the exact speed profile of a changed kart or grip on its path.

    A kart with less grip is beyond its limits everywhere at the earlier speed: 42 changes of mass and grip by up to
    10 % took 12 to 15 iterations in the mean and 32 at most, from their own profiles 10 and 14. A driver whose rates
    are limited has another speed than the profile.
    """
    if task.limited or np.array_equal(numbers.parameters, before.parameters):
        return before
    size = before.structure.intervals
    nodes = np.linspace(0.0, size, size // EVERY + 1)
    solved = solved_path(task.track, before.mesh, *unpacked(before))
    line = line_at(task.track, solved, nodes, half_width=task.half_width, grip=task.grip)
    v = speed_profiles([line], task.kart, v_start=task.start.v, v_end=task.end.v)[0].v
    path = size if before.structure.closed else size + 3
    # The coefficients of z sit between the nodes; rounded for the reason that a first guess is.
    at = np.arange(before.x.size - path) + (0.5 if before.structure.closed else -0.5)
    speed = np.round(np.interp(at, nodes, v), 2)
    return before._replace(x=np.concatenate([before.x[:path], np.maximum(speed**2, 1.01 * SLOWEST**2) / Z_SCALE]))


def _alike(one: Curve, other: Curve) -> bool:
    """Whether two reference lines are the same, be it read twice from one file."""
    return one is other or (np.array_equal(one.x, other.x) and np.array_equal(one.y, other.y))


def _warm_or_cold(task: Task, guess: Guess | None, numbers: Posed, start: Iterate, barriers: Barriers) -> Iterate:
    """A warm start, then cold ones, by the project's own method; then IPOPT in the same order."""

    def attempts() -> Iterator[_Attempt]:
        yield in_bands, Start(start.x, barriers.own, start)
        cold = list(_cold_starts(numbers.mesh, first_guess(task) if guess is None else guess, 0))
        yield from ((in_bands, each) for each in cold)
        yield from ((by_ipopt, Start(start.x, barrier, start)) for barrier in barriers.ipopt)
        yield from ((by_ipopt, each) for each in cold)

    return _first_success(numbers, attempts())


_Attempt = tuple[Callable[[Posed, Start], Iterate], Start]


def _cold_starts(mesh: Mesh, guess: Guess, skip: int) -> Iterator[Start]:
    for share, barrier in COLD_STARTS[skip:]:
        yield Start(np.concatenate(starting_point(mesh, guess, share)), barrier)


def _first_success(numbers: Posed, attempts: Iterable[_Attempt]) -> Iterate:
    """The solution of the first attempt that converges; the last one's error where none does."""
    failure = SolveError("no attempt was made")
    for method, start in attempts:
        try:
            return method(numbers, start)
        except SolveError as error:
            failure = error
    raise failure


def require_unfolded(task: Task, found: Iterate) -> None:
    """Refuse a path that folds between two nodes, where nothing holds it: no kart could follow it.

    Raises
    ------
    SolveError
    """
    x, y = displaced(base_of(task.track, found.mesh), unpacked(found)[0])
    xi = 0.5 * np.arange(2.0 * found.mesh.intervals + 1.0)
    (_, x1, x2), (_, y1, y2) = meshes.spline_at(x, xi), meshes.spline_at(y, xi)
    bend = np.abs((x1 * y2 - y1 * x2) / np.maximum(np.hypot(x1, y1), 1e-9) ** 3)
    excess = bend[1::2] - FOLD * np.maximum(bend[:-1:2], bend[2::2])
    if excess.max() > FOLD_LEAST:
        station = float(meshes.spline_at(meshes.padded(found.mesh), xi[1::2][[np.argmax(excess)]])[0][0])
        raise SolveError(
            "no minimum-time line found (the solver settled on a path that folds)",
            status="folds",
            iterations=found.iterations,
            violation=float(excess.max()),
            remedy=f"Check the track near station {station:.1f} m, and any fixed end state",
        )


def finer_multipliers(coarse: Iterate, mesh: Mesh, after: Structure) -> Array:
    """Multipliers interpolated: with the objective's weight they do not depend on the step."""
    before = coarse.structure
    rows = coarse.lam_g[: before.stages * before.constraints].reshape(before.stages, before.constraints)
    at = meshes.node_stations(coarse.mesh)[: before.stages]
    wanted = meshes.node_stations(mesh)[: after.stages]
    columns = [np.interp(wanted, at, column) for column in rows.T]
    ends = coarse.lam_g[before.stages * before.constraints :]
    return np.concatenate([np.column_stack(columns).ravel(), ends])


def in_bands(posed: Posed, start: Start) -> Iterate:
    """Run the project's own method once and accept nothing but convergence."""
    warm, bounds = start.warm, posed.bounds
    stages = stages_of(posed.problem.structure)
    order = stages.order
    limits = Bounds(bounds["lbx"][order], bounds["ubx"][order], bounds["lbg"], bounds["ubg"])
    multipliers = None if warm is None else (warm.lam_x[order], warm.lam_g)
    most = MOST_COLD if warm is None else MOST_WARM
    with stages.lock:
        stages.load(posed.parameters)
        found = minimise(
            stages, limits, start.x[order], barrier=start.barrier, warm=multipliers, most=most, until=posed.until
        )
    solution, multiplier = np.empty(stages.size), np.empty(stages.size)
    solution[order], multiplier[order] = found.x, found.lam_x
    return posed.iterate(solution, multiplier, found.lam_g, found.iterations, "bands")


def by_ipopt(posed: Posed, start: Start) -> Iterate:
    """Run IPOPT once and accept nothing but convergence."""
    warm, bounds = start.warm, posed.bounds
    left = posed.until - time.thread_time()
    if left < LEAST_LEFT:
        raise SolveError(
            "no minimum-time line found in the time allowed",
            status="out of time",
            remedy="Check the track with 'linelab track', above all its narrowest place",
        )
    solver = posed.problem.make_solver(warm is not None, start.barrier, left)
    multipliers = {} if warm is None else {"lam_x0": warm.lam_x, "lam_g0": warm.lam_g}
    result = solver(x0=start.x, p=posed.parameters, **bounds, **multipliers)
    stats = solver.stats()
    status, iterations = str(stats["return_status"]), int(stats["iter_count"])
    if status == "User_Requested_Stop":
        raise KeyboardInterrupt
    if not stats["success"]:
        value = np.asarray(result["g"]).ravel()
        violation = float(np.max(np.maximum(bounds["lbg"] - value, value - bounds["ubg"]), initial=0.0))
        raise SolveError(
            f"no minimum-time line found ({status} after {iterations} iterations, violation {violation:.2g})",
            status=status,
            iterations=iterations,
            violation=violation,
            remedy="Check the track's edges, above all at its narrowest place",
        )
    x, lam_x, lam_g = (np.asarray(result[name]).ravel() for name in ("x", "lam_x", "lam_g"))
    return posed.iterate(x, lam_x, lam_g, iterations, "ipopt")


def unpacked(iterate: Iterate) -> tuple[Array, Array]:
    """Displacements of the path's control points (N+3,) [m] and z (N+2,) [Z_SCALE m²/s²], continued when closed."""
    size = iterate.structure.intervals
    if not iterate.structure.closed:
        return iterate.x[: size + 3], iterate.x[size + 3 :]
    path, speed = iterate.x[:size], iterate.x[size:]
    return np.concatenate([path[-1:], path, path[:2]]), np.concatenate([speed[-1:], speed, speed[:1]])
