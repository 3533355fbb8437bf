"""Independent acceptance of a solved lap: simulate it, look between its nodes, and race two methods against each other.

The controls (path curvature and acceleration) are integrated once more, the kart moving in the plane and in time, and
the simulated finish is compared with the lap's; edges and grip are checked in the middle of every fine step; and the
lap time, which comes from the forward and backward passes along the solved path, is held against the time
of the optimiser's own speed on it: two methods that share nothing but the kart must agree.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.errors import VerificationError
from linelab.lap import Lap, Line, mapped_line
from linelab.solve import mesh as meshes
from linelab.solve.outcome import usage
from linelab.solve.path import Solved, solved_time
from linelab.solve.task import Task
from linelab.units import Array

#: What is accepted: lap time by simulation [s], position after one lap [m] (on a long one, as a share of it), edge
#: excess [m], share of grip beyond the limit [-], and lap time away from the optimiser's own, as a share and at least
#: [s].
ACCEPT_TIME = 1.0e-3
ACCEPT_POSITION = 0.05
ACCEPT_POSITION_SHARE = 1.0e-5
ACCEPT_EDGE = 0.03
ACCEPT_GRIP = 0.03
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
        Farthest any fine node lies outside the corridor; 0 when none does [m].
    edge_station : float
        Where [m].
    grip_excess : float
        Largest use of grip beyond the limit in the middle of a fine step [-].
    grip_station : float
        Where [m].
    solver_time : float
        Lap time of the optimiser's own speed on the same path [s].
    """

    simulated_time: float
    time_defect: float
    position_defect: float
    edge_excess: float
    edge_station: float
    grip_excess: float
    grip_station: float
    solver_time: float


def verify_lap(task: Task, solved: Solved, lap: Lap) -> Verification:
    """Check a lap on its fine nodes against the task and the solution it came from.

    Raises
    ------
    VerificationError
        It does not hold.
    """
    line = lap.line
    low, high = meshes.corridor(task.track, line.s, task.half_width)
    outside = np.maximum(line.n - high, low - line.n)
    middle, v, ax = _middles(lap)
    excess = usage(task.kart, middle, v, ax).grip - 1.0
    time, defect = simulate(lap)
    result = Verification(
        simulated_time=time,
        time_defect=time - lap.lap_time,
        position_defect=defect,
        edge_excess=float(max(outside.max(), 0.0)),
        edge_station=float(line.s[np.argmax(outside)]),
        grip_excess=float(max(excess.max(), 0.0)),
        grip_station=float(middle.s[np.argmax(excess)]),
        solver_time=solved_time(solved),
    )
    _judge(result, lap)
    return result


def _middles(lap: Lap) -> tuple[Line, Array, Array]:
    """The line, speed and acceleration in the middle of every step."""
    line = lap.line
    middle = mapped_line(line, lambda values: 0.5 * (values[1:] + values[:-1]), closed=False)
    z = lap.v**2
    return middle, np.sqrt(0.5 * (z[1:] + z[:-1])), np.diff(z) / (2.0 * np.diff(line.distance))


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
    apart = abs(lap.lap_time - found.solver_time)
    far = ACCEPT_POSITION_SHARE * lap.line.length
    checks = [
        (abs(found.time_defect), ACCEPT_TIME, "s between the lap time and the simulated lap time", None),
        (found.position_defect, max(ACCEPT_POSITION, far), "m between the lap's and the simulated finish", None),
        (found.edge_excess, ACCEPT_EDGE, "m outside the edge", found.edge_station),
        (found.grip_excess, ACCEPT_GRIP, "of the grip beyond the limit", found.grip_station),
        (
            apart / max(lap.lap_time, ACCEPT_SOLVER_TIME / ACCEPT_SOLVER),
            ACCEPT_SOLVER,
            "of the lap time between the speed profile and the optimiser's speed",
            None,
        ),
    ]
    for value, allowed, what, station in checks:
        if not value <= allowed:
            at = "" if station is None else f" at station {station:.1f} m"
            raise VerificationError(
                f"the solved lap failed its check: {value:.4g} {what}{at} (allowed {allowed:g})",
                status="not verified",
                violation=value,
                remedy="Check the track's edges there with 'linelab track'",
            )
