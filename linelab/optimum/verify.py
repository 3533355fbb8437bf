"""Independent acceptance of a solved lap: simulate it, look between its nodes, and race two methods against each other.

- The path's curvature and the change of speed are integrated once more, the kart moving in the plane and in time; the
  simulated finish is compared with the lap's.
- What the lap asks of the kart is worked out from how its speed changes: of the tyres in the middle of every fine step,
  of the engine's power and revs over every tenth of a second.
- The ends of the kart's width, square to its path, are compared with the edges as given
  (:mod:`linelab.optimum.clearance`).
- The acceleration that the lap states must be the one its speed shows, and a driver's rates must hold, also over every
  tenth of a second.
- The lap time, which comes from the forward and backward passes along the solved path, is compared with the time of the
  optimiser's own speed on it: two methods that share nothing but the kart must agree.  A driver whose rates are
  limited drives the optimiser's speed, which nothing else knows; it must then not be faster than the passes, which know
  no rates.

The lap is made here too: the path sampled finely, the speed it allows, and what limits each node.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from linelab.errors import VerificationError
from linelab.model.grip import (
    Surface,
    brake_friction,
    drive_friction,
    drive_power,
    kart_numbers,
    loads,
    tyre_longitudinal,
)
from linelab.model.kart import Driver, Kart
from linelab.model.lap import Codes, Lap, Limit, Line, mapped_line
from linelab.optimum.clearance import room_beside
from linelab.optimum.path import Solved, coordinates, line_at, solved_time, squared_speed, stretch
from linelab.optimum.task import SLOWEST, Task
from linelab.speed.grid import between, integrated
from linelab.speed.profile import speed_profiles
from linelab.units import Array

#: Longest step of the path on which the speed is computed [m], and how many of these steps a lap may have.
FINE_STEP, MOST_STEPS = 0.1, 150_000
#: These steps are halved, so many times at most, while a kart that turns as the nodes' curvature says would miss the
#: line's end by more than this, or on a long line by this share of it [m]: one that gets away in a bend turns about
#: itself within a few of them.  The verification accepts a little more.
MOST_HALVINGS, MOST_ASIDE, MOST_ASIDE_SHARE = 4, 0.045, 0.9e-5


class FinePath(NamedTuple):
    """A solved path on fine nodes, and their mesh coordinates (M,)."""

    xi: Array
    line: Line


def fine_path(task: Task, solved: Solved) -> FinePath:
    """The path of a solution on fine nodes."""
    track, size = task.track, solved.mesh.intervals
    per = 2 * max(1, round(min(track.length / FINE_STEP, MOST_STEPS) / (2 * size)))
    for _ in range(MOST_HALVINGS):
        xi = coordinates(track, solved, per)
        line = line_at(track, solved, xi, half_width=task.half_width, grip=task.grip)
        if aside_at_end(line) <= max(MOST_ASIDE, MOST_ASIDE_SHARE * line.length):
            break
        per *= 2
    return FinePath(xi, line)


def fine_lap(task: Task, solved: Solved, path: FinePath) -> Lap:
    """The lap of a solution on fine nodes.

    Its speed is the exact profile of the solved path (:mod:`linelab.speed.profile`), so that the grip holds between the
    mesh's nodes as well as at them.  A driver whose rates are limited drives the solved speed, which alone knows them.
    """
    if task.limited:
        return solved_lap(task, solved, *path)
    return unlimited_lap(task, path.line)


def aside_at_end(line: Line) -> float:
    """How far from the line's end a path ends whose curvature is linear between its nodes, to first order [m]."""
    step = np.diff(line.distance)
    turned = np.cumsum(0.5 * (line.kappa[1:] + line.kappa[:-1]) * step)
    drift = step * (turned - (line.psi[1:] - line.psi[0]))
    return float(np.hypot(drift @ np.sin(line.psi[1:]), drift @ np.cos(line.psi[1:])))


def unlimited_lap(task: Task, line: Line) -> Lap:
    """The exact profile of a line between the task's end speeds, whatever the driver's rates."""
    ends = [None if end.v is None else max(end.v, 2.0 * SLOWEST) for end in (task.start, task.end)]
    return speed_profiles([line], task.kart, v_start=ends[0], v_end=ends[1], label="computed lap")[0]


def solved_lap(task: Task, solved: Solved, xi: Array, line: Line) -> Lap:
    """The lap at the solved speed."""
    z, zx = squared_speed(solved, xi)
    v, ax = np.sqrt(z), zx / (2.0 * stretch(solved, xi))
    at = between(xi)
    return Lap(
        line=line,
        t=integrated(xi, stretch(solved, at) / np.sqrt(squared_speed(solved, at)[0])),
        v=v,
        ax=ax,
        limited_by=limits(task.kart, line, v, ax),
        label="computed lap",
    )


def thinned(lap: Lap, every: int) -> Lap:
    """A lap with one in ``every`` nodes; its first and last node must be among them."""
    line = mapped_line(lap.line, lambda values: values[::every], closed=lap.line.closed)
    nodes = {name: getattr(lap, name)[::every] for name in ("t", "v", "ax", "limited_by")}
    return replace(lap, line=line, **nodes)


class Usage(NamedTuple):
    """Shares of what is available at each node (M,): 1 is the limit."""

    grip: Array
    power: Array
    along: Array  #: longitudinal share of the ellipse, signed
    revs: Array


def usage(kart: Kart, line: Line, v: Array, ax: Array) -> Usage:
    """How much of the grip, the power and the revs a lap uses (M,) [-]."""
    numbers = kart_numbers(kart)
    surface = Surface(line.slope, line.bank, line.vertical_curvature, line.grip)
    load = loads(numbers, v * v, line.kappa, surface)
    force = tyre_longitudinal(numbers, load, ax)
    friction = np.where(force >= 0.0, drive_friction(numbers, line.grip), brake_friction(numbers, line.grip))
    along = force / (friction * load.normal)
    across = load.lateral / (numbers.mu_y * line.grip * load.normal)
    power = force * v * kart.mass / np.asarray(drive_power(numbers, v))
    return Usage(np.hypot(along, across), power, along, v / float(numbers.top_speed))


def limits(kart: Kart, line: Line, v: Array, ax: Array, near: float = 0.985) -> Codes:
    """:class:`Limit` codes of a solved lap's nodes (M,)."""
    used = usage(kart, line, v, ax)
    codes = np.full(v.size, int(Limit.NONE))
    codes[used.power >= near] = Limit.DRIVE
    held = used.grip >= near
    codes[held & (used.along > 0.25)] = Limit.TRACTION
    codes[held & (used.along < -0.25)] = Limit.BRAKING
    codes[held & (np.abs(used.along) <= 0.25)] = Limit.GRIP
    codes[used.revs >= 0.999] = Limit.REVS
    driver = kart.driver
    if driver.limits_force_rates or driver.curvature_rate is not None:
        codes[codes == Limit.NONE] = Limit.DRIVER
    return codes.astype(np.int8)


#: Over how long a change of speed, of the pedals or of the steering is looked at [s].
WINDOW = 0.1


def middles(lap: Lap) -> tuple[Line, Array, Array]:
    """The line (M-1 nodes), speed (M-1,) [m/s] and acceleration (M-1,) [m/s²] in the middle of every step of M nodes.

    The acceleration is the one by which the speed changes, whatever the lap states.
    """
    line = lap.line
    middle = mapped_line(line, lambda values: 0.5 * (values[1:] + values[:-1]), closed=False)
    z = lap.v**2
    return middle, np.sqrt(0.5 * (z[1:] + z[:-1])), np.diff(z) / (2.0 * np.diff(line.distance))


def unaccounted_speed(lap: Lap, ax: Array) -> float:
    """Largest change of speed over WINDOW that the stated acceleration does not account for [m/s].

    In every step the acceleration ``ax`` (M-1,) [m/s²] by which the speed changes belongs between those stated at the
    step's ends, wherever in the step a pedal changes.
    """
    first, last = lap.ax[:-1], lap.ax[1:]
    aside = ax - np.clip(ax, np.minimum(first, last), np.maximum(first, last))
    return float(np.abs(mean_over_window(lap.t, aside)).max()) * WINDOW


def mean_over_window(t: Array, rates: Array) -> Array:
    """Mean over the WINDOW that begins at each step of values (M-1,) in steps between times ``t`` (M,) [s]; (M-1,).

    Beyond the end values count as zero.
    """
    summed = np.append(0.0, np.cumsum(rates * np.diff(t)))
    return np.asarray((np.interp(t + WINDOW, t, summed) - summed)[:-1] / WINDOW)


def largest_rise(t: Array, value: Array) -> float:
    """Largest rise over WINDOW of a value (M,) at times ``t`` (M,) [s], in the value's own unit."""
    return float(np.max(np.interp(t + WINDOW, t, value) - value))


def beyond_force_rates(kart: Kart, lap: Lap) -> float:
    """Largest change of braking or of drive over WINDOW beyond the driver's rates, 0 without any [m/s²]."""
    driver = kart.driver
    if not driver.limits_force_rates:
        return 0.0
    line, v, ax = middles(lap)
    surface = Surface(line.slope, line.bank, line.vertical_curvature, line.grip)
    numbers = kart_numbers(kart)
    force = np.asarray(tyre_longitudinal(numbers, loads(numbers, v * v, line.kappa, surface), ax))
    brake, drive = np.maximum(-force, 0.0), np.maximum(force, 0.0)
    t = 0.5 * (lap.t[1:] + lap.t[:-1])
    limited = (
        (brake, driver.brake_build_rate),
        (-brake, driver.brake_release_rate),
        (drive, driver.drive_build_rate),
    )
    return max([largest_rise(t, pedal) - rate * WINDOW for pedal, rate in limited if rate is not None] + [0.0])


def beyond_curvature_rate(driver: Driver, lap: Lap) -> float:
    """Largest change of curvature over WINDOW beyond the driver's rate, 0 without one [1/m]."""
    if driver.curvature_rate is None:
        return 0.0
    most = max(largest_rise(lap.t, sign * lap.line.kappa) for sign in (1.0, -1.0))
    return max(most - driver.curvature_rate * WINDOW, 0.0)


#: What is accepted: lap time by simulation [s], position after one lap [m] (on a long one, as a share of it), edge
#: excess [m], shares of grip and of engine power or revs beyond the limit [-], change of speed that the stated
#: acceleration does not show [m/s], force and curvature beyond the driver's rates [m/s², 1/m], these from the engine on
#: over WINDOW, and lap time away from the optimiser's own, as a share and at least [s].
ACCEPT_TIME = 1.0e-3
ACCEPT_POSITION = 0.05
ACCEPT_POSITION_SHARE = 1.0e-5
ACCEPT_EDGE = 0.02
ACCEPT_GRIP = 0.03
ACCEPT_ENGINE = 0.01
ACCEPT_SPEED = 0.03
ACCEPT_FORCE_STEP, ACCEPT_CURVATURE_STEP = 1.0, 2.0e-3
ACCEPT_SOLVER = 1.0e-3
ACCEPT_SOLVER_TIME = 5.0e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Verification:
    """What the independent check found.

    Attributes
    ----------
    simulated_time : float
        Lap time by re-integrating the controls [s].
    time_defect : float
        Its difference from the lap time [s].
    position_defect : float
        Distance between the simulated kart's last position and the lap's, over the whole lap [m].
    edge_excess : float
        Farthest an end of the kart's width, square to its path, is beyond an edge as given, the kerbs' usable width
        added, on nodes of 0.1 m; 0 when none is [m].
    edge_station : float
        Where [m].
    grip_excess : float
        Largest use of grip beyond the limit in the middle of a fine step [-].
    grip_station : float
        Where [m].
    engine_excess : float
        Largest share of engine power or of revs beyond what there is, the mean over WINDOW [-].
    engine_station : float
        Where [m].
    speed_defect : float
        Largest change of speed over WINDOW that the lap's stated acceleration does not account for [m/s].
    force_rate_excess : float
        Largest change of braking or of drive over WINDOW beyond the driver's rates; 0 without any [m/s²].
    curvature_rate_excess : float
        The same of the curvature [1/m].
    solver_time : float
        Lap time of the optimiser's own speed on the same path [s].
    unlimited_time : float or None
        Lap time of the exact profile of the same path without the driver's rates [s]; None for a driver without.
    """

    simulated_time: float
    time_defect: float
    position_defect: float
    edge_excess: float
    edge_station: float
    grip_excess: float
    grip_station: float
    engine_excess: float
    engine_station: float
    speed_defect: float
    force_rate_excess: float
    curvature_rate_excess: float
    solver_time: float
    unlimited_time: float | None


def verify_lap(task: Task, solved: Solved, lap: Lap) -> Verification:
    """Check a lap on its fine nodes against the task and the solution it came from.

    Raises
    ------
    VerificationError
        It does not hold.
    """
    line, kart = lap.line, task.kart
    room = room_beside(task.track, line, task.half_width)
    middle, v, ax = middles(lap)
    used = usage(kart, middle, v, ax)
    engine = mean_over_window(lap.t, np.maximum(used.power, used.revs) - 1.0)
    time, defect = simulate(lap)
    result = Verification(
        simulated_time=time,
        time_defect=time - lap.lap_time,
        position_defect=defect,
        edge_excess=room.over,
        edge_station=room.worst,
        grip_excess=float(max(used.grip.max() - 1.0, 0.0)),
        grip_station=float(middle.s[np.argmax(used.grip)]),
        engine_excess=float(max(engine.max(), 0.0)),
        engine_station=float(middle.s[np.argmax(engine)]),
        speed_defect=unaccounted_speed(lap, ax),
        force_rate_excess=beyond_force_rates(kart, lap),
        curvature_rate_excess=beyond_curvature_rate(kart.driver, lap),
        solver_time=solved_time(solved),
        unlimited_time=unlimited_lap(task, line).lap_time if task.limited else None,
    )
    _judge(result, lap)
    return result


def time_apart(lap_time: float, other: float) -> float:
    """How far another time [s] is from a lap's, as a share of it that ACCEPT_SOLVER bounds [-]."""
    return abs(lap_time - other) / max(lap_time, ACCEPT_SOLVER_TIME / ACCEPT_SOLVER)


def simulate(lap: Lap) -> tuple[float, float]:
    """Re-integrate the controls in time by the classical Runge-Kutta method of fourth order (W. Kutta, 1901).

    Every step is one shot, all integrated side by side over their own durations: path length σ, speed, heading and
    position from the step's first node, with the step's acceleration and a curvature linear in σ.  A shot is a few
    centimetres long, which leaves an error below a nanometre.  The shots are then chained, so heading and position
    errors add up over the lap as in a single shot.

    Returns
    -------
    (lap time [s], distance between the chained and the lap's own end position [m])
    """
    line, v = lap.line, lap.v
    length = np.diff(line.distance)
    push = np.diff(v**2) / (2.0 * length)
    bend, twist = line.kappa[:-1], np.diff(line.kappa) / length
    duration, count = 2.0 * length / (v[1:] + v[:-1]), length.size

    def rates(state: Array) -> Array:
        sigma, speed, psi, _, _ = state
        turning = speed * (bend + twist * sigma)
        ahead = np.array([speed, push, turning, speed * np.cos(psi), speed * np.sin(psi)])
        return np.asarray(duration * ahead)

    start = np.zeros((5, count))
    start[1] = v[:-1]
    first = rates(start)
    second = rates(start + 0.5 * first)
    third = rates(start + 0.5 * second)
    sigma, speed, turn, x, y = start + (first + 2.0 * (second + third) + rates(start + third)) / 6.0
    # finish each shot exactly at its node: the rest is shorter than a micrometre
    rest = length - sigma
    time = float(np.sum(duration + rest / speed))
    x, y, turn = x + rest * np.cos(turn), y + rest * np.sin(turn), turn + rest * line.kappa[1:]
    heading = line.psi[0] + np.concatenate([[0.0], np.cumsum(turn)[:-1]])
    east = line.x[0] + float(np.sum(x * np.cos(heading) - y * np.sin(heading)))
    north = line.y[0] + float(np.sum(x * np.sin(heading) + y * np.cos(heading)))
    return time, float(np.hypot(east - line.x[-1], north - line.y[-1]))


def _judge(found: Verification, lap: Lap) -> None:
    """Raise VerificationError with the first check that fails."""
    far = ACCEPT_POSITION_SHARE * lap.line.length
    apart = time_apart(lap.lap_time, found.solver_time)
    ahead = 0.0 if found.unlimited_time is None else time_apart(lap.lap_time, max(found.unlimited_time, lap.lap_time))
    checks = [
        (abs(found.time_defect), ACCEPT_TIME, "s between the lap time and the simulated lap time", None),
        (found.position_defect, max(ACCEPT_POSITION, far), "m between the lap's and the simulated finish", None),
        (found.edge_excess, ACCEPT_EDGE, "m outside the edge", found.edge_station),
        (found.grip_excess, ACCEPT_GRIP, "of the grip beyond the limit", found.grip_station),
        (found.engine_excess, ACCEPT_ENGINE, "of the engine's power or revs beyond what it has", found.engine_station),
        (found.speed_defect, ACCEPT_SPEED, "m/s gained or lost that the acceleration does not show", None),
        (found.force_rate_excess, ACCEPT_FORCE_STEP, "m/s² of braking or drive beyond the driver's rates", None),
        (found.curvature_rate_excess, ACCEPT_CURVATURE_STEP, "1/m of curvature beyond the driver's rate", None),
        (apart, ACCEPT_SOLVER, "of the lap time between the speed profile and the optimiser's speed", None),
        (ahead, ACCEPT_SOLVER, "of the lap time faster than without the driver's rates", None),
    ]
    for value, allowed, what, station in checks:
        if not value <= allowed:
            at = "" if station is None else f" at station {station:.1f} m"
            raise VerificationError(
                f"the solved lap failed its check: {value:.4g} {what}{at} (allowed {allowed:g})",
                status="not verified",
                violation=value,
                remedy=f"Check the track{' there' if at else ''} (in Python: or try another tolerance)",
            )
