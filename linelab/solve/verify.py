"""Independent acceptance of a solved lap: simulate it, look between its nodes, and race it against the passes.

Nothing of the optimiser is reused.  The controls (path curvature and acceleration) are handed to a general ODE solver
that integrates the kart in the plane and in time, and the simulated finish is compared with the solved one; edges and
grip are checked on a grid ten times finer than the mesh; and the speed profile of the same line, from the forward and
backward passes, must give the same lap time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.errors import VerificationError
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.solve import mesh as meshes
from linelab.solve.lines import line_from_offsets
from linelab.solve.mesh import Mesh
from linelab.solve.outcome import motion_at_coordinate, usage
from linelab.solve.speed import speed_profiles
from linelab.track import Track
from linelab.units import Array

#: Points per mesh interval of the fine grid.
DENSER = 10

#: What is accepted: lap time by simulation [s], position after one lap [m], edge excess [m], share of grip beyond the
#: limit [-], and lap time beyond the passes' [s per s].
ACCEPT_TIME = 1.0e-3
ACCEPT_POSITION = 0.05
ACCEPT_EDGE = 0.03
ACCEPT_GRIP = 0.03
ACCEPT_PROFILE = 1.0e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Verification:
    """What the independent check found.

    Attributes
    ----------
    simulated_time : float
        Lap time by re-integrating the controls [s].
    time_defect : float
        Its difference from the solved lap time [s].
    position_defect : float
        Distance between the simulated kart's last position and the solved one, over the whole lap [m].
    edge_excess : float
        Farthest any point between nodes lies outside the corridor; 0 when none does [m].
    edge_station : float
        Where [m].
    grip_excess : float
        Largest use of grip beyond the limit between nodes [-].
    grip_station : float
        Where [m].
    profile_time : float
        Lap time of the speed profile on the same line [s].
    """

    simulated_time: float
    time_defect: float
    position_defect: float
    edge_excess: float
    edge_station: float
    grip_excess: float
    grip_station: float
    profile_time: float


def verify_lap(
    track: Track,
    kart: Kart,
    mesh: Mesh,
    path: Array,
    speed: Array,
    *,
    grip: float,
    lap: Lap,
    use_kerbs: bool,
) -> Verification:
    """Check a solution given as spline coefficients; raises VerificationError when it does not hold.

    Parameters
    ----------
    track, kart : Track, Kart
    mesh : Mesh
    path, speed : (N+3,), (N+2,) arrays
        Spline coefficients.
    grip : float
    lap : Lap
        The lap as it will be handed out.
    use_kerbs : bool
    """
    xi = np.arange(mesh.intervals * DENSER + 1) / DENSER
    s = meshes.spline_at(meshes.padded(mesh), xi)[0]
    motion = motion_at_coordinate(mesh, path, speed, xi, s)
    line = line_from_offsets(track, motion.offsets, half_width=0.5 * kart.width, grip=grip)
    v = np.sqrt(motion.z)
    stretch = _stretch(track, line.n, motion.offsets.n1, s)
    ax = motion.z1 / (2.0 * stretch)
    low, high = meshes.corridor(track, s, 0.5 * kart.width, use_kerbs)
    outside = np.maximum(line.n - high, low - line.n)
    excess = usage(kart, line, v, ax).grip - 1.0
    time, defect = simulate(line.distance, line.kappa, ax, v, (line.x, line.y, line.psi))
    v_start, v_end = (None, None) if mesh.closed else (float(lap.v[0]), float(lap.v[-1]))
    profile = speed_profiles([line], kart, v_start=v_start, v_end=v_end)[0]
    result = Verification(
        simulated_time=time,
        time_defect=time - lap.lap_time,
        position_defect=defect,
        edge_excess=float(max(outside.max(), 0.0)),
        edge_station=float(s[np.argmax(outside)]),
        grip_excess=float(max(excess.max(), 0.0)),
        grip_station=float(s[np.argmax(excess)]),
        profile_time=profile.lap_time,
    )
    _judge(result, lap, kart)
    return result


def _stretch(track: Track, n: Array, n1: Array, s: Array) -> Array:
    from linelab.geometry.curve import curve_at

    return np.sqrt((1.0 - n * curve_at(track.reference, s).kappa) ** 2 + n1**2)


def simulate(
    distance: Array, kappa: Array, ax: Array, v: Array, pose: tuple[Array, Array, Array]
) -> tuple[float, float]:
    """Re-integrate the controls in time with SciPy's DOP853 (E. Hairer et al., *Solving ODEs I*, 1993, II.10).

    Every mesh interval is one shot, all integrated side by side as one system over its own duration: path length σ,
    speed, heading and position from the interval's first node, controls as cubic polynomials of σ.  The shots are then
    chained, so heading and position errors add up over the lap as in a single shot.

    Parameters
    ----------
    distance, kappa, ax, v : (K·DENSER+1,) arrays
        Fine samples of the solution.
    pose : three arrays of that shape
        x, y, psi of the solution.

    Returns
    -------
    (lap time [s], distance between the chained and the solved end position [m])
    """
    from scipy.integrate import solve_ivp

    first = np.arange(0, distance.size - 1, DENSER)
    count = first.size
    length = distance[first + DENSER] - distance[first]
    control = [_cubics(distance, values, first) for values in (kappa, ax)]
    slowness = np.diff(distance) * 2.0 / (v[1:] + v[:-1])
    duration = np.add.reduceat(slowness, first)

    def derivative(share: float, state: Array) -> Array:
        sigma, speed, psi, _, _ = state.reshape(5, count)
        at = np.clip(sigma / length, -0.1, 1.1)
        bend, push = (c[0] + at * (c[1] + at * (c[2] + at * c[3])) for c in control)
        return np.concatenate(
            [duration * row for row in (speed, push, speed * bend, speed * np.cos(psi), speed * np.sin(psi))]
        )

    start = np.concatenate([np.zeros(count), v[first], np.zeros(3 * count)])
    end = solve_ivp(derivative, (0.0, 1.0), start, method="DOP853", rtol=1e-9, atol=1e-10).y[:, -1].reshape(5, count)
    sigma, speed, turn, x, y = end
    time = float(np.sum(duration + (length - sigma) / speed))
    # finish each shot exactly at its node: the rest is shorter than a micrometre
    rest = length - sigma
    x, y, turn = x + rest * np.cos(turn), y + rest * np.sin(turn), turn + rest * kappa[first + DENSER]
    heading = pose[2][0] + np.concatenate([[0.0], np.cumsum(turn)[:-1]])
    east = pose[0][0] + float(np.sum(x * np.cos(heading) - y * np.sin(heading)))
    north = pose[1][0] + float(np.sum(x * np.sin(heading) + y * np.cos(heading)))
    return time, float(np.hypot(east - pose[0][-1], north - pose[1][-1]))


def _cubics(distance: Array, values: Array, first: NDArray[np.intp]) -> Array:
    """Cubic through four samples of every interval, in its share of the interval (4, K)."""
    picks = np.array([0, 3, 7, 10])
    at = (distance[first[:, None] + picks] - distance[first, None]) / (distance[first + DENSER] - distance[first])[
        :, None
    ]
    powers = at[:, :, None] ** np.arange(4)
    return np.linalg.solve(powers, values[first[:, None] + picks][:, :, None])[:, :, 0].T


def _judge(found: Verification, lap: Lap, kart: Kart) -> None:
    """Raise VerificationError with the first check that fails."""
    slower = (lap.lap_time - found.profile_time) / lap.lap_time
    limited = kart.driver.limits_force_rates or kart.driver.curvature_rate is not None
    checks = [
        (abs(found.time_defect), ACCEPT_TIME, "s between the solved and the simulated lap time", None),
        (found.position_defect, ACCEPT_POSITION, "m between the solved and the simulated finish", None),
        (found.edge_excess, ACCEPT_EDGE, "m outside the edge", found.edge_station),
        (found.grip_excess, ACCEPT_GRIP, "of the grip beyond the limit", found.grip_station),
        (0.0 if limited else abs(slower), ACCEPT_PROFILE, "of the lap time away from the speed profile's", None),
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
