"""The minimum-time line and speed of a kart on a track."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.errors import InputError, SolveError, TrackError
from linelab.geometry.curve import curve_at
from linelab.grip import KartNumbers, kart_numbers, pack
from linelab.gripfield import is_uniform
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.solve import mesh as meshes
from linelab.solve.lines import line_on_track
from linelab.solve.mesh import Mesh
from linelab.solve.outcome import lap_from_spline
from linelab.solve.speed import speed_profile
from linelab.solve.stage import OFFSETS_AT, Z_SCALE, Structure
from linelab.solve.transcription import OFFSET_ROWS, Problem, bounds_template, build_problem
from linelab.solve.verify import Verification, verify_lap
from linelab.track import Track
from linelab.units import Array

#: Accepted estimate of the lap time's discretisation error [s].
TIME_TOLERANCE = 2.0e-3
#: Time step that the first mesh aims at, and the most intervals a mesh may have.
FIRST_STEP = 0.18
#: The second mesh has four times the intervals, later ones twice those before.  The share of the change that is taken
#: as the error left corresponds to an order of convergence of 1.4, the lowest measured on the demo tracks; in the
#: limit it is 2 (benchmarks/mesh.py).
FIRST_FACTOR, FIRST_SHARE, NEXT_SHARE = 4, 1.0 / 6.0, 0.6
MOST_INTERVALS = 100_000
#: Slowest speed the problem considers [m/s].
SLOWEST = 0.5
#: The objective is the time over this, times the intervals [s]: an interval's share is of order one on every mesh, and
#: so are the multipliers and the barrier's effect on the lap time.
TYPICAL_TIME = 50.0
#: How far outside the corridor the spline's coefficients may go [m]: keeps trial steps of the solver where the
#: reference line's coordinates make sense; the offsets themselves are held to the corridor.
LEASH = 0.5
#: Counts are rounded up to a multiple of this, so that similar tracks share one built problem.
ROUND_TO = 32


@dataclass(frozen=True, kw_only=True, slots=True)
class End:
    """State at an end of an open track; None leaves it to the optimiser.

    ``n`` offset [m]; ``xi`` heading relative to the reference line [rad], needs ``n``; ``v`` speed [m/s].
    """

    n: float | None = None
    xi: float | None = None
    v: float | None = None

    def __post_init__(self) -> None:
        if self.xi is not None and self.n is None:
            raise InputError("a heading at an end needs an offset", where="End.xi", remedy="Give n as well")
        if self.v is not None and not self.v >= 0.0:
            raise InputError(f"{self.v} m/s is not a speed", where="End.v")


FREE = End()


class Iterate(NamedTuple):
    """A converged programme: what a warm start needs."""

    mesh: Mesh
    structure: Structure
    x: Array
    lam_x: Array
    lam_g: Array
    parameters: Array
    time: float
    iterations: int


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Solution:
    """A minimum-time lap, verified unless that was switched off.

    Attributes
    ----------
    lap : Lap
    time_error : float
        Estimated discretisation error of the lap time [s].
    iterations : int
        Interior-point iterations, all meshes together.
    verification : Verification or None
    iterate : Iterate
        For warm starts and sensitivities.
    grip : float
        Factor on mu that was solved for.
    """

    lap: Lap
    time_error: float
    iterations: int
    verification: Verification | None
    iterate: Iterate
    grip: float

    @property
    def lap_time(self) -> float:
        """[s]."""
        return self.lap.lap_time


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
        Factor on mu for the whole track: 1 dry, about 0.6 damp, 0.45 wet [-].
    start, end : End
        States at the ends of an open track.
    use_kerbs : bool
        Whether the kart may use the kerbs' usable width.
    tolerance : float
        Accepted estimate of the lap time's discretisation error [s]; the mesh is refined until it is met.
    warm : Solution or None
        An earlier solution on this track to start from: same mesh, no refinement study, several times faster.
    verify : bool
        Run the independent check of :mod:`linelab.solve.verify`.
    progress : callable or None
        Called with a short text at each step.

    Returns
    -------
    Solution

    Raises
    ------
    SolveError
        The solver did not converge; nothing is returned in place of a solution.
    VerificationError
        It converged but the independent check failed.
    TrackError
        The track is narrower than the kart somewhere.
    InputError
        Impossible arguments.

    References
    ----------
    Problem statement: R. Lot & F. Biral (2014), as in :mod:`linelab.solve.kinematics`; transcription:
    :mod:`linelab.solve.stage`.
    """
    _check_arguments(track, grip, start, end, tolerance)
    say = progress or (lambda text: None)
    task = _Task(track, kart, kart_numbers(kart), grip, start, end, use_kerbs)
    if warm is not None:
        iterate = _resolve(task, warm.iterate)
        return _finish(task, [iterate], warm.time_error, verify, say)
    say("a first line and its speed")
    guess = _guess(task)
    intervals = _first_intervals(track, guess)
    density = meshes.node_density(track, np.interp(track.s, guess.s, guess.v))
    iterates = [_first_solve(task, guess, meshes.make_mesh(track, density, intervals), say)]
    error = np.inf
    factor, share = FIRST_FACTOR, FIRST_SHARE
    while True:
        intervals *= factor
        if intervals > MOST_INTERVALS:
            raise SolveError(
                f"the lap time still changes by {error:.4f} s at {intervals // factor} mesh intervals",
                remedy="Check the track's edges for spikes, or raise the tolerance",
            )
        say(f"refining: {intervals} intervals")
        iterates.append(_refine(task, iterates[-1], meshes.make_mesh(track, density, intervals)))
        error = share * abs(iterates[-1].time - iterates[-2].time)
        if error <= tolerance:
            return _finish(task, iterates, error, verify, say)
        factor, share = 2, NEXT_SHARE


class _Task(NamedTuple):
    """The arguments of one solve."""

    track: Track
    kart: Kart
    numbers: KartNumbers
    grip: float
    start: End
    end: End
    use_kerbs: bool

    @property
    def half_width(self) -> float:
        return 0.5 * self.kart.width


def _check_arguments(track: Track, grip: float, start: End, end: End, tolerance: float) -> None:
    if not 0.05 <= grip <= 3.0:
        raise InputError(f"grip factor {grip} is outside 0.05 to 3", where="grip", remedy="1 is dry, about 0.6 damp")
    if not tolerance > 0.0:
        raise InputError(f"tolerance {tolerance} s is not positive", where="tolerance")
    if track.closed and (start != FREE or end != FREE):
        raise InputError("a closed track has no ends", where="start, end", remedy="Leave them out for a flying lap")


def _structure(task: _Task, intervals: int) -> Structure:
    driver = task.kart.driver
    return Structure(
        intervals=intervals,
        closed=task.track.closed,
        level=not (task.track.slope.any() or task.track.bank.any()),
        profile=not is_uniform(task.track),
        rates=driver.limits_force_rates or driver.curvature_rate is not None,
    )


class _Guess(NamedTuple):
    """Where the optimiser starts: a smooth line inside the edges and nine tenths of its speed, by station (K,)."""

    s: Array
    n: Array
    v: Array


#: Wavelengths below about this are smoothed out of the first line [m / 2 pi].
GUESS_SMOOTHING = 4.0


def _guess(task: _Task) -> _Guess:
    """First line and speed.

    The reference line clipped into the kart's corridor and smoothed; its speed profile is then nearly feasible
    everywhere, which is what keeps the interior-point iterations few.
    """
    track = task.track
    s = np.linspace(0.0, track.length, max(int(np.ceil(track.length)), 16) + 1)
    low, high = meshes.corridor(track, s, task.half_width, task.use_kerbs)
    margin = np.clip(0.3 * (high - low), 0.0, 0.5)
    n = _smooth_offset(np.clip(0.0, low + margin, high - margin), s[1], track.closed)
    line = line_on_track(track, s, n, half_width=task.half_width, grip=task.grip)
    ideal = speed_profile(line, task.kart, v_start=task.start.v, v_end=task.end.v)
    return _Guess(s, n, ideal.v)


def _smooth_offset(n: Array, step: float, closed: bool) -> Array:
    """Minimise sum((m - n)²) + l⁴·sum(m''²): in Fourier space a division by 1 + (l·w)⁴; open ends are mirrored."""
    wave = n[:-1] if closed else np.concatenate([n, n[-2:0:-1]])
    frequency = 2.0 * np.pi * np.fft.rfftfreq(wave.size, step)
    smooth = np.fft.irfft(np.fft.rfft(wave) / (1.0 + (GUESS_SMOOTHING * frequency) ** 4), wave.size)
    return np.append(smooth, smooth[0]) if closed else smooth[: n.size]


def _first_intervals(track: Track, guess: _Guess) -> int:
    """Intervals of the first mesh: a time step, and enough to see the track's bends."""
    time = float(np.sum(2.0 * np.diff(guess.s) / (guess.v[1:] + guess.v[:-1])))
    turning = float(np.sum(np.diff(track.s) * np.abs(track.reference.kappa[1:])))
    count = max(time / FIRST_STEP, turning / 0.12, 24.0)
    return -(-int(np.ceil(count)) // ROUND_TO) * ROUND_TO


def _parameters(task: _Task, mesh: Mesh, structure: Structure) -> Array:
    """Numbers of the programme, in the order of ``transcription.parameter_sizes``."""
    node = meshes.node_parameters(task.track, mesh, structure, task.half_width, task.grip)
    gauss = meshes.gauss_parameters(task.track, mesh, structure, mesh.intervals / TYPICAL_TIME)
    driver = task.kart.driver
    rates = [driver.brake_build_rate, driver.brake_release_rate, driver.drive_build_rate, driver.curvature_rate]
    limits = [1.0e4 if rate is None else rate for rate in rates]
    return np.concatenate([node.ravel(), gauss.ravel(), pack(task.numbers), limits])


def _bounds(task: _Task, mesh: Mesh, problem: Problem) -> dict[str, Array]:
    """Bounds on variables and constraints."""
    structure, place = problem.structure, problem.layout
    low, high = bounds_template(structure)
    s = _offset_stations(mesh, structure)
    right, left = _sampled_corridor(task, mesh, s)
    if (left < right).any():
        worst = np.unravel_index(np.argmin(left - right), s.shape)
        raise TrackError(
            f"the track is {left[worst] - right[worst] + task.kart.width:.2f} m wide, the kart {task.kart.width:.2f} m",
            station=float(s[worst]),
            remedy="Check the edges there, or the kart's width",
        )
    rows = (structure.stages, structure.constraints)
    low[: place.stage_rows].reshape(rows)[:, OFFSET_ROWS] = right
    high[: place.stage_rows].reshape(rows)[:, OFFSET_ROWS] = left
    if not structure.closed:
        _bound_ends(task, mesh, structure, low, high)
    right, left = _around(mesh, right[:, 0], left[:, 0], place.path)
    top = float(task.numbers.top_speed) ** 2 / Z_SCALE
    speed_low, speed_high = np.full(place.speed, SLOWEST**2 / Z_SCALE), np.full(place.speed, top)
    brake_low, brake_high = np.zeros(place.brake), np.full(place.brake, np.inf)
    return {
        "lbx": np.concatenate([right - LEASH, speed_low, brake_low]),
        "ubx": np.concatenate([left + LEASH, speed_high, brake_high]),
        "lbg": low,
        "ubg": high,
    }


def _offset_stations(mesh: Mesh, structure: Structure) -> Array:
    """Stations where the offset is held to the corridor (stages, 3) [m]."""
    xi = np.arange(structure.stages)[:, None] + np.array(OFFSETS_AT)
    return meshes.spline_at(meshes.padded(mesh), np.minimum(xi, float(mesh.intervals)))[0]


def _sampled_corridor(task: _Task, mesh: Mesh, s: Array) -> tuple[Array, Array]:
    """Corridor at the offset stations (stages, 3), less half of what its bulges between them would give away.

    A corridor's edge that bulges inwards by a sagitta between two samples would be cut by up to that much; a path that
    follows the edge would not cut it at all.  Half the sagitta leaves the lap time unbiased.
    """
    ends = np.append(s.ravel(), s.ravel()[0] + mesh.length if mesh.closed else mesh.length)
    parts = np.linspace(0.0, 1.0, 5)[1:-1]
    between = ends[:-1, None] + np.diff(ends)[:, None] * parts
    edges = []
    for side, sign in ((0, 1.0), (1, -1.0)):
        at = meshes.corridor(task.track, ends, task.half_width, task.use_kerbs)[side]
        inner = meshes.corridor(task.track, between.ravel(), task.half_width, task.use_kerbs)[side].reshape(between.shape)
        chord = at[:-1, None] + np.diff(at)[:, None] * parts
        bulge = np.maximum(sign * (inner - chord), 0.0).max(axis=1)
        before = np.roll(bulge, 1) if mesh.closed else np.concatenate([[0.0], bulge[:-1]])
        edges.append((at[:-1] + sign * 0.5 * np.maximum(bulge, before)).reshape(s.shape))
    return edges[0], edges[1]


def _around(mesh: Mesh, right: Array, left: Array, count: int) -> tuple[Array, Array]:
    """Widest corridor around each coefficient of n: at its own node and the two beside it."""
    if mesh.closed:
        low, high = (np.stack([np.roll(edge, k) for k in (-1, 0, 1)]) for edge in (right, left))
    else:
        padded = [np.concatenate([[edge[0]] * 2, edge, [edge[-1]] * 2]) for edge in (right, left)]
        low, high = (np.stack([edge[k : k + count] for k in range(3)]) for edge in padded)
    return low.min(axis=0), high.max(axis=0)


def _bound_ends(task: _Task, mesh: Mesh, structure: Structure, low: Array, high: Array) -> None:
    """Fix the end states of an open track; rows -4.. are dn/dξ and z/Z_SCALE at the first and the last node."""
    s, s1, _ = meshes.spline_nodes(meshes.padded(mesh))
    for state, node, row in ((task.start, 0, -4), (task.end, structure.intervals, -2)):
        if state.n is not None:
            low[2 + node * structure.constraints] = high[2 + node * structure.constraints] = state.n
        if state.xi is not None and state.n is not None:
            room = 1.0 - state.n * float(curve_at(task.track.reference, s[node]).kappa)
            low[low.size + row] = high[high.size + row] = s1[node] * room * np.tan(state.xi)
        if state.v is not None:
            low[low.size + row + 1] = high[high.size + row + 1] = max(state.v, 2.0 * SLOWEST) ** 2 / Z_SCALE


def _first_solve(task: _Task, guess: _Guess, mesh: Mesh, say: Callable[[str], None]) -> Iterate:
    """Cold start from the reference line at nine tenths of its speed."""
    say(f"first line: {mesh.intervals} intervals")
    structure = _structure(task, mesh.intervals)
    problem = build_problem(structure)
    bounds = _bounds(task, mesh, problem)
    control = meshes.padded(mesh)
    at = mesh.control if mesh.closed else np.clip(control, 0.0, mesh.length)
    between = _between(mesh, control)
    offset = np.interp(_wrap(mesh, at), guess.s, guess.n)
    speed = 0.9 * np.interp(_wrap(mesh, between), guess.s, guess.v)
    squared = np.maximum(speed**2 / Z_SCALE, 1.01 * SLOWEST**2 / Z_SCALE)
    x = np.concatenate([offset, squared, np.zeros(problem.layout.brake)])
    return _solve(task, problem, mesh, bounds, x)


def _between(mesh: Mesh, control: Array) -> Array:
    """Stations at which the coefficients of z sit: middles of the control points."""
    middles = 0.5 * (control[:-1] + control[1:])
    return middles[1 : 1 + mesh.intervals] if mesh.closed else np.clip(middles, 0.0, mesh.length)


def _wrap(mesh: Mesh, s: Array) -> Array:
    return np.mod(s, mesh.length) if mesh.closed else s


def _refine(task: _Task, coarse: Iterate, mesh: Mesh) -> Iterate:
    """Solve on a finer mesh, starting from a coarser solution."""
    structure = _structure(task, mesh.intervals)
    problem = build_problem(structure)
    path, speed, brake = unpacked(coarse)
    control = meshes.padded(mesh)
    at = mesh.control if mesh.closed else np.clip(control, 0.0, mesh.length)
    offset = meshes.spline_at(path, meshes.mesh_coordinate(coarse.mesh, at))[0]
    squared = meshes.quadratic_at(speed, meshes.mesh_coordinate(coarse.mesh, _between(mesh, control)))[0]
    braking = np.zeros(0)
    if structure.rates:
        nodes = meshes.node_stations(mesh)[: problem.layout.brake]
        xi = meshes.mesh_coordinate(coarse.mesh, nodes)
        braking = np.interp(xi, np.arange(brake.size), brake)
    x = np.concatenate([offset, np.maximum(squared, 1.01 * SLOWEST**2 / Z_SCALE), braking])
    warm = coarse._replace(lam_x=np.zeros(x.size), lam_g=_finer_multipliers(coarse, mesh, problem))
    return _solve(task, problem, mesh, _bounds(task, mesh, problem), x, warm=warm)


def _finer_multipliers(coarse: Iterate, mesh: Mesh, problem: Problem) -> Array:
    """Multipliers interpolated: with the objective's weight they do not depend on the step."""
    before, after = coarse.structure, problem.structure
    rows = coarse.lam_g[: before.stages * before.constraints].reshape(before.stages, before.constraints)
    at = meshes.node_stations(coarse.mesh)[: before.stages]
    wanted = meshes.node_stations(mesh)[: after.stages]
    columns = [np.interp(wanted, at, column) for column in rows.T]
    ends = coarse.lam_g[before.stages * before.constraints :]
    return np.concatenate([np.column_stack(columns).ravel(), ends])


def _resolve(task: _Task, before: Iterate) -> Iterate:
    """Solve again on the same mesh after a change of kart, grip or bounds."""
    structure = _structure(task, before.structure.intervals)
    if structure != before.structure:
        raise InputError(
            "the earlier solution is of another kind of problem (track, or driver limits on or off)",
            where="warm",
            remedy="Solve without a warm start",
        )
    problem = build_problem(structure)
    bounds = _bounds(task, before.mesh, problem)
    return _solve(task, problem, before.mesh, bounds, before.x, warm=before)


def _solve(
    task: _Task, problem: Problem, mesh: Mesh, bounds: dict[str, Array], x: Array, warm: Iterate | None = None
) -> Iterate:
    """Run IPOPT and accept nothing but convergence."""
    parameters = _parameters(task, mesh, problem.structure)
    solver = problem.make_solver(warm is not None)
    multipliers = {} if warm is None else {"lam_x0": warm.lam_x, "lam_g0": warm.lam_g}
    result = solver(x0=x, p=parameters, **bounds, **multipliers)
    stats = solver.stats()
    if stats["return_status"] == "User_Requested_Stop":
        raise KeyboardInterrupt
    if not stats["success"]:
        if warm is not None:  # a far change of parameters can defeat a warm start; the cold one stands on its own
            return _solve(task, problem, mesh, bounds, x)
        value = np.asarray(result["g"]).ravel()
        violation = float(np.max(np.maximum(bounds["lbg"] - value, value - bounds["ubg"]), initial=0.0))
        raise SolveError(
            f"no minimum-time line found ({stats['return_status']} after {stats['iter_count']} iterations, "
            f"violation {violation:.2g})",
            status=str(stats["return_status"]),
            iterations=int(stats["iter_count"]),
            violation=violation,
            remedy="Check the track with 'linelab track', above all its narrowest place",
        )
    arrays = [np.asarray(result[name]).ravel() for name in ("x", "lam_x", "lam_g")]
    return Iterate(mesh, problem.structure, *arrays, parameters, float(result["f"]) * TYPICAL_TIME / mesh.intervals, int(stats["iter_count"]))


def unpacked(iterate: Iterate) -> tuple[Array, Array, Array]:
    """Coefficients of n (N+3,) [m] and of z (N+2,) [Z_SCALE m²/s²], continued over the line when closed; brake values."""
    size = iterate.structure.intervals
    if not iterate.structure.closed:
        return iterate.x[: size + 3], iterate.x[size + 3 : 2 * size + 5], iterate.x[2 * size + 5 :]
    path, speed, brake = iterate.x[:size], iterate.x[size : 2 * size], iterate.x[2 * size :]
    return np.concatenate([path[-1:], path, path[:2]]), np.concatenate([speed[-1:], speed, speed[:1]]), brake


def _finish(
    task: _Task, iterates: list[Iterate], error: float, verify: bool, say: Callable[[str], None]
) -> Solution:
    """Turn the last iterate into a lap and check it."""
    last = iterates[-1]
    path, speed, _ = unpacked(last)
    lap = lap_from_spline(task.track, task.kart, last.mesh, path, speed, grip=task.grip, label="reference")
    checked = None
    if verify:
        say("verifying")
        checked = verify_lap(
            task.track, task.kart, last.mesh, path, speed, grip=task.grip, lap=lap, use_kerbs=task.use_kerbs
        )
    return Solution(
        lap=lap,
        time_error=error,
        iterations=sum(iterate.iterations for iterate in iterates),
        verification=checked,
        iterate=last,
        grip=task.grip,
    )
