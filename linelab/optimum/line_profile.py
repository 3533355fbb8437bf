"""The fastest lap on a given line: by passes alone, or for a driver who builds braking and drive at limited rates.

Forward and backward passes cannot look ahead and back at once, so such a driver's profile is the minimum-time problem
itself with the line pinned: the line becomes the reference line and its offset is fixed at zero.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linelab.errors import SolveError, check_kinds
from linelab.geometry.curve import Curve
from linelab.model.grip import kart_numbers
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Limit, Line
from linelab.model.track import Track
from linelab.optimum import mesh as meshes
from linelab.optimum.mesh import Mesh
from linelab.optimum.stage import NODE_FIELDS, NODE_SIZE, Z_SCALE
from linelab.optimum.task import SLOWEST, End, Task, bounds_of, parameters_of, structure_of
from linelab.optimum.transcription import Problem, build_problem
from linelab.speed.grid import between, integrated
from linelab.speed.profile import SAME_SPEED, ideal_profile
from linelab.units import Array

#: Time step of the mesh [s]: short against the quarter of a second in which a driver builds up the brakes, and fine
#: enough for peaks of curvature: on its own line a solved lap within rates was found again to 1 to 9 ms in four cases,
#: to 5 to 30 ms with steps twice as long.
STEP = 0.02
#: Barrier parameters of the attempts, each starting from a share of the unlimited profile.
ATTEMPTS = ((0.95, 1e-1), (0.95, 1e-2), (0.7, 1.0))


def speed_profile(
    line: Line,
    kart: Kart,
    *,
    v_start: float | None = None,
    v_end: float | None = None,
    lower_ends: bool = False,
    label: str = "",
) -> Lap:
    """Fastest lap of a kart on a given line.

    Parameters
    ----------
    line : Line
        (N,) nodes; a closed line gives a flying lap.
    kart : Kart
    v_start, v_end : float or None
        Speeds at the ends of an open line [m/s]; None leaves them as fast as the line allows.  Where a driver's rates
        of braking or drive are limited, speeds below 1 m/s are taken as that.
    lower_ends : bool
        What to do with an end speed that the line or the kart does not allow: refuse it, or take it for "no faster
        than that" and lower it to the most that is possible, as for speeds that come from a recording or another line.
    label : str

    Returns
    -------
    Lap
        At the line's nodes; times are integrated over the finer internal grid.

    Raises
    ------
    InputError
        End speeds given for a closed line, no speeds, or faster (by more than SAME_SPEED of them) than the line, the
        way to the other end's speed, or the drive allows; the message holds the most that is possible.  A line on which
        the kart comes to a stand, because neither drive nor grip takes it up a slope or against resistance.
    SolveError
        With a driver whose rates of braking or drive are limited: no profile within them was found.

    References
    ----------
    J. E. Bobrow, S. Dubowsky & J. S. Gibson, "Time-optimal control of robotic manipulators along specified paths",
    Int. J. Robotics Research 4(3), 1985: forward and backward passes; see :mod:`linelab.speed.step`.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> line = linelab.solve_min_time(track, kart).lap.line
    >>> print(f"{linelab.speed_profile(line, kart).lap_time:.2f} s")
    32.98 s
    """
    check_kinds("speed_profile", line=(line, Line), kart=(kart, Kart))
    if not kart.driver.limits_force_rates:
        return ideal_profile(line, kart, v_start, v_end, lower_ends, label)
    ends = [max(given, 2.0 * SLOWEST) if given is not None and given >= 0.0 else given for given in (v_start, v_end)]
    ideal = ideal_profile(line, kart, ends[0], ends[1], lower_ends, label)
    # An end that had to be lowered is left free: within the rates it is no faster than without them.
    held = [
        None if given is None or reached < given * (1.0 - SAME_SPEED) else min(given, float(reached))
        for given, reached in zip(ends, (ideal.v[0], ideal.v[-1]))
    ]
    return pinned_profile(line, kart, ideal, v_start=held[0], v_end=held[1])


def pinned_profile(line: Line, kart: Kart, ideal: Lap, *, v_start: float | None, v_end: float | None) -> Lap:
    """Fastest lap on a line within the driver's rates of braking and drive.

    Parameters
    ----------
    line : Line
    kart : Kart
        Its driver's curvature rate is not used: the line is given.
    ideal : Lap
        The profile of the same line without the rates.
    v_start, v_end : float or None
        As for ``speed_profile``.

    Returns
    -------
    Lap
        At the line's nodes.

    Raises
    ------
    SolveError
    """
    driver = replace(kart.driver, curvature_rate=None)
    track = _track_of(line)
    free = replace(kart, driver=driver)
    task = Task(track, free, kart_numbers(free), 1.0, End(v=v_start), End(v=v_end))
    speed = np.interp(track.s, line.distance - line.distance[0], ideal.v)
    intervals = -(-int(np.ceil(ideal.lap_time / STEP)) // 16) * 16
    bend = np.interp(track.s, line.distance - line.distance[0], ideal.ay)
    mesh = meshes.make_mesh(track, meshes.Rhythm(track.s, speed, bend), max(intervals, 32))
    problem = build_problem(structure_of(task, mesh.intervals))
    squared = _solve(task, problem, mesh, line, speed)
    return _lap(line, ideal, mesh, squared)


def _track_of(line: Line) -> Track:
    """The line as a track of its own, ten metres wide."""
    from scipy.interpolate import CubicHermiteSpline

    distance = line.distance - line.distance[0]
    s = np.linspace(0.0, distance[-1], max(int(np.ceil(distance[-1] / 0.25)), 16) + 1)

    def at(values: Array) -> Array:
        return np.asarray(np.interp(s, distance, values))

    def smooth(values: Array, slopes: Array) -> Array:
        return np.asarray(CubicHermiteSpline(distance, values, slopes)(s))

    kappa = at(line.kappa)
    # A polyline through the nodes would turn at them alone.
    curve = Curve(
        s=s,
        x=smooth(line.x, np.cos(line.psi)),
        y=smooth(line.y, np.sin(line.psi)),
        psi=smooth(line.psi, line.kappa),
        kappa=kappa,
        dkappa=np.gradient(kappa, s),
        closed=line.closed,
    )
    wide, zero = np.full_like(s, 5.0), np.zeros_like(s)
    corners = np.array([[0.0, 0.0], [1.0, 0.0]])
    return Track(
        name="line",
        reference=curve,
        w_left=wide,
        w_right=wide,
        slope=at(line.slope),
        bank=at(line.bank),
        z=zero,
        left_edge=corners,
        right_edge=corners,
    )


def _line_parameters(task: Task, problem: Problem, mesh: Mesh, line: Line) -> Array:
    """The programme's numbers, with the line's own grip and vertical curvature in place of the track's."""
    structure = problem.structure
    parameters = parameters_of(task, mesh, structure)
    nodes = parameters[: structure.stages * structure.node_size].reshape(structure.stages, structure.node_size)
    distance = line.distance - line.distance[0]
    s = meshes.node_stations(mesh)[: structure.stages]
    s = np.mod(s, distance[-1]) if line.closed else s
    first = NODE_SIZE - len(NODE_FIELDS)
    nodes[:, first + NODE_FIELDS.index("grip")] = np.interp(s, distance, line.grip)
    nodes[:, first + NODE_FIELDS.index("dslope")] = np.interp(s, distance, line.vertical_curvature)
    nodes[:, first + NODE_FIELDS.index("dbank")] = 0.0
    return parameters


def _solve(task: Task, problem: Problem, mesh: Mesh, line: Line, speed: Array) -> Array:
    """Coefficients of z (N+2,) [Z_SCALE m²/s²]."""
    place = problem.layout
    bounds = bounds_of(task, mesh, problem)
    for name in ("lbx", "ubx"):
        bounds[name][: place.path] = 0.0
    at = meshes.wrapped(mesh, meshes.speed_stations(mesh))
    parameters = _line_parameters(task, problem, mesh, line)
    stats: dict[str, object] = {}
    for share, barrier in ATTEMPTS:
        squared = np.maximum((share * np.interp(at, task.track.s, speed)) ** 2, 1.01 * SLOWEST**2) / Z_SCALE
        solver = problem.make_solver(False, barrier, np.inf)
        result = solver(x0=np.concatenate([np.zeros(place.path), squared]), p=parameters, **bounds)
        stats = solver.stats()
        if stats["success"]:
            z = np.asarray(result["x"]).ravel()[place.path :]
            return np.concatenate([z[-1:], z, z[:1]]) if mesh.closed else z
    raise SolveError(
        f"no speed profile found within the driver's rates ({stats['return_status']})",
        status=str(stats["return_status"]),
        iterations=int(str(stats["iter_count"])),
        remedy="Allow higher rates of braking and drive, or leave them out",
    )


def _lap(line: Line, ideal: Lap, mesh: Mesh, squared: Array) -> Lap:
    """Sample at the line's nodes; time by three-point Gauss quadrature of 1/v."""
    distance = line.distance - line.distance[0]
    z, slope = _speed_at(mesh, squared, distance)
    at = between(distance)
    slowness = 1.0 / np.sqrt(_speed_at(mesh, squared, at.ravel())[0].reshape(at.shape))
    v = np.sqrt(z)
    codes = np.where(v < ideal.v * (1.0 - 2e-3), int(Limit.DRIVER), ideal.limited_by)
    return Lap(
        line=line,
        t=integrated(distance, slowness),
        v=v,
        ax=0.5 * slope,
        limited_by=codes,
        label=ideal.label,
    )


def _speed_at(mesh: Mesh, squared: Array, distance: Array) -> tuple[Array, Array]:
    """v² [m²/s²] and its derivative by distance [m/s²]."""
    xi = meshes.mesh_coordinate(mesh, distance)
    z, zx = meshes.quadratic_at(squared, xi)
    s1 = meshes.spline_at(meshes.padded(mesh), xi)[1]
    return Z_SCALE * z, Z_SCALE * zx / s1
