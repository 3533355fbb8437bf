"""Runs of the interior-point solver: cold, from a coarser mesh, and after a change of parameters."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.errors import InputError, SolveError
from linelab.solve import mesh as meshes
from linelab.solve.guess import Guess, first_guess, starting_point
from linelab.solve.mesh import Mesh
from linelab.solve.stage import Z_SCALE, Structure
from linelab.solve.task import SLOWEST, Task, bounds_of, parameters_of, structure_of
from linelab.solve.transcription import Problem, build_problem
from linelab.units import Array

#: Cold starts are tried with these shares of the guessed speed and barrier parameters, in turn.
COLD_STARTS = ((0.9, 1e-1), (0.7, 1.0), (0.5, 1e-2))
#: Barrier parameters of warm starts, in turn: after a change of parameters and from a coarser mesh.
AGAIN_BARRIERS, FINER_BARRIERS = (1e-5, 1e-3), (1e-3, 1e-2)


class Iterate(NamedTuple):
    """A converged programme: what a warm start needs."""

    mesh: Mesh
    structure: Structure
    x: Array
    lam_x: Array
    lam_g: Array
    parameters: Array
    iterations: int


def solve_cold(task: Task, guess: Guess, mesh: Mesh) -> Iterate:
    """Solve from a guess; further starting points are tried before giving up.

    Raises
    ------
    SolveError
        From the last attempt.
    """
    problem = build_problem(structure_of(task, mesh.intervals))
    bounds = bounds_of(task, mesh, problem)
    for attempt, (share, barrier) in enumerate(COLD_STARTS, start=1):
        x = np.concatenate(starting_point(mesh, guess, share))
        try:
            return _run(task, problem, mesh, bounds, x, barrier=barrier)
        except SolveError:
            if attempt == len(COLD_STARTS):
                raise
    raise AssertionError("unreachable")


def solve_finer(task: Task, guess: Guess, coarse: Iterate, mesh: Mesh) -> Iterate:
    """Solve on a finer mesh from a coarser solution, or from the guess where that fails."""
    problem = build_problem(structure_of(task, mesh.intervals))
    path, speed = unpacked(coarse)
    offset = meshes.spline_at(path, meshes.mesh_coordinate(coarse.mesh, meshes.path_stations(mesh)))[0]
    squared = meshes.quadratic_at(speed, meshes.mesh_coordinate(coarse.mesh, meshes.speed_stations(mesh)))[0]
    x = np.concatenate([offset, np.maximum(squared, 1.01 * SLOWEST**2 / Z_SCALE)])
    start = coarse._replace(x=x, lam_x=np.zeros(x.size), lam_g=finer_multipliers(coarse, mesh, problem))
    return _warm_or_cold(task, guess, problem, mesh, start, FINER_BARRIERS)


def solve_again(task: Task, guess: Guess | None, before: Iterate) -> Iterate:
    """Solve on the same mesh after a change of kart, grip or bounds."""
    structure = structure_of(task, before.structure.intervals)
    if structure != before.structure:
        raise InputError(
            "the earlier solution is of another kind of problem (track, or driver limits on or off)",
            where="warm",
            remedy="Solve without a warm start",
        )
    return _warm_or_cold(task, guess, build_problem(structure), before.mesh, before, AGAIN_BARRIERS)


def _warm_or_cold(
    task: Task, guess: Guess | None, problem: Problem, mesh: Mesh, start: Iterate, barriers: tuple[float, ...]
) -> Iterate:
    """A warm start with ever larger barriers, then a cold one: each stands on its own."""
    bounds = bounds_of(task, mesh, problem)
    for barrier in barriers:
        try:
            return _run(task, problem, mesh, bounds, start.x, barrier=barrier, warm=start)
        except SolveError:
            continue
    return solve_cold(task, first_guess(task) if guess is None else guess, mesh)


def finer_multipliers(coarse: Iterate, mesh: Mesh, problem: Problem) -> Array:
    """Multipliers interpolated: with the objective's weight they do not depend on the step."""
    before, after = coarse.structure, problem.structure
    rows = coarse.lam_g[: before.stages * before.constraints].reshape(before.stages, before.constraints)
    at = meshes.node_stations(coarse.mesh)[: before.stages]
    wanted = meshes.node_stations(mesh)[: after.stages]
    columns = [np.interp(wanted, at, column) for column in rows.T]
    ends = coarse.lam_g[before.stages * before.constraints :]
    return np.concatenate([np.column_stack(columns).ravel(), ends])


def _run(
    task: Task,
    problem: Problem,
    mesh: Mesh,
    bounds: dict[str, Array],
    x: Array,
    *,
    barrier: float,
    warm: Iterate | None = None,
) -> Iterate:
    """Run IPOPT once and accept nothing but convergence."""
    parameters = parameters_of(task, mesh, problem.structure)
    solver = problem.make_solver(warm is not None, barrier)
    multipliers = {} if warm is None else {"lam_x0": warm.lam_x, "lam_g0": warm.lam_g}
    result = solver(x0=x, p=parameters, **bounds, **multipliers)
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
            remedy="Check the track with 'linelab track', above all its narrowest place",
        )
    x, lam_x, lam_g = (np.asarray(result[name]).ravel() for name in ("x", "lam_x", "lam_g"))
    return Iterate(mesh, problem.structure, x, lam_x, lam_g, parameters, iterations)


def unpacked(iterate: Iterate) -> tuple[Array, Array]:
    """Displacements of the path's control points (N+3,) [m] and z (N+2,) [Z_SCALE m²/s²], continued when closed."""
    size = iterate.structure.intervals
    if not iterate.structure.closed:
        return iterate.x[: size + 3], iterate.x[size + 3 :]
    path, speed = iterate.x[:size], iterate.x[size:]
    return np.concatenate([path[-1:], path, path[:2]]), np.concatenate([speed[-1:], speed, speed[:1]])
