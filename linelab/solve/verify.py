"""Independent acceptance of a solved lap: simulate it, look between its nodes, and race two methods against each other.

- The path's curvature and the change of speed are integrated once more, the kart moving in the plane and in time; the
  simulated finish is compared with the lap's.
- What the lap asks of the kart is worked out from how its speed changes: of the tyres in the middle of every fine step,
  of the engine's power and revs over every tenth of a second.
- The ends of the kart's width, square to its path, are held against the edges as given (:mod:`linelab.solve.edges`).
- The acceleration that the lap states must be the one its speed shows, and a driver's rates must hold, also over every
  tenth of a second.
- The lap time, which comes from the forward and backward passes along the solved path, is held against the time of the
  optimiser's own speed on it: two methods that share nothing but the kart must agree.  A driver whose rates are
  limited drives the optimiser's speed, which nothing else knows; it must then not be faster than the passes, which know
  no rates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.errors import VerificationError
from linelab.lap import Lap
from linelab.solve.demands import (
    beyond_curvature_rate,
    beyond_force_rates,
    mean_over_window,
    middles,
    unaccounted_speed,
)
from linelab.solve.edges import room_beside
from linelab.solve.outcome import unlimited_lap, usage
from linelab.solve.path import Solved, solved_time
from linelab.solve.task import Task
from linelab.units import Array

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
