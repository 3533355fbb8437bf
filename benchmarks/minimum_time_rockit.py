"""The minimum-time problem in rockit, a general-purpose optimal control library on CasADi.

The same states, limits and track as linelab's: states (n, xi, v, kappa) by station, controls (ax, dkappa/ds), the
friction ellipse and the engine curve of linelab.model.grip, edges at the collocation points, a flying lap.  Reference
curvature and widths are interpolants of the track's own samples; it starts from the reference line and nine tenths of
that line's speed.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import casadi as ca
import numpy as np
from rockit import DirectCollocation, MultipleShooting, Ocp

from linelab.geometry.curve import curve_at
from linelab.model.grip import FLAT, drive_power, grip_excess, kart_numbers, loads, tyre_longitudinal
from linelab.model.kart import Kart
from linelab.model.track import Track, along
from linelab.optimum.line_profile import speed_profile
from linelab.speed.lines import reference_line

#: Scales of the states n, xi, v, kappa and of the controls.
SCALES = {"n": 1.0, "xi": 0.1, "v": 20.0, "kappa": 0.05, "ax": 5.0, "dkappa": 0.01}


@dataclass(frozen=True, kw_only=True)
class PeerResult:
    """What one solve in rockit gave; times in seconds."""

    intervals: int
    build: float
    solve: float
    lap_time: float
    iterations: int


def peer_solve(
    track: Track, kart: Kart, intervals: int, *, method: str = "collocation", expand: bool = True
) -> PeerResult:
    """Build and solve the problem with so many intervals, uniform in the station."""
    started = time.perf_counter()
    ocp, lap_time = _problem(track, kart)
    options = {"expand": expand, "print_time": False, "ipopt.print_level": 0, "ipopt.sb": "yes", "ipopt.max_iter": 1000}
    ocp.solver("ipopt", options)
    if method == "collocation":
        ocp.method(DirectCollocation(N=intervals, degree=2, scheme="radau"))
    else:
        ocp.method(MultipleShooting(N=intervals, intg="rk"))
    ocp.transcribe()
    built = time.perf_counter()
    solution = ocp.solve()
    done = time.perf_counter()
    found = float(np.asarray(solution.value(lap_time)))
    stats = solution.stats
    return PeerResult(
        intervals=intervals,
        build=built - started,
        solve=done - built,
        lap_time=found,
        iterations=int(stats["iter_count"]),
    )


def _problem(track: Track, kart: Kart) -> tuple[Ocp, ca.MX]:
    """States, dynamics, limits and a first guess."""
    ocp = Ocp(t0=0.0, T=track.length)
    states = {name: ocp.state(scale=SCALES[name]) for name in ("n", "xi", "v", "kappa")}
    n, xi, v, kappa = states.values()
    ax = ocp.control(order=1, scale=SCALES["ax"])  # linear between nodes, so that limits at the nodes hold between them
    dkappa = ocp.control(scale=SCALES["dkappa"])
    bend, left, right = _interpolants(track)
    centre = bend(ocp.t)
    room = 1.0 - n * centre
    stretch = room / ca.cos(xi)
    ocp.set_der(n, room * ca.tan(xi))
    ocp.set_der(xi, stretch * kappa - centre)
    ocp.set_der(v, stretch * ax / v)
    ocp.set_der(kappa, dkappa)
    lap_time = ocp.integral(stretch / v)
    ocp.add_objective(lap_time)
    for state in states.values():
        ocp.subject_to(ocp.at_t0(state) == ocp.at_tf(state))
    numbers = kart_numbers(kart)
    load = loads(numbers, v * v, kappa, FLAT)
    force = tyre_longitudinal(numbers, load, ax)
    half = 0.5 * kart.width
    ocp.subject_to(grip_excess(numbers, load, force, 1.0) <= 0.0)
    ocp.subject_to((force * v - drive_power(numbers, v) / kart.mass) / 50.0 <= 0.0)
    ocp.subject_to(n <= left(ocp.t) - half, grid="integrator_roots")
    ocp.subject_to(n >= half - right(ocp.t), grid="integrator_roots")
    for expression, low, high in ((v, 0.5, float(numbers.top_speed)), (xi, -1.2, 1.2), (dkappa, -0.1, 0.1)):
        ocp.subject_to(expression >= low)
        ocp.subject_to(expression <= high)
    _guess(ocp, track, kart, v, kappa)
    return ocp, lap_time


def _interpolants(track: Track) -> tuple[ca.Function, ca.Function, ca.Function]:
    """Reference curvature [1/m], a spline through samples half a metre apart; widths [m], linear in between."""
    s = np.linspace(0.0, track.length, round(2.0 * track.length) + 1)
    bend = ca.interpolant("bend", "bspline", [s], curve_at(track.reference, s).kappa)
    own = np.linspace(0.0, track.length, track.s.size)
    left, right = (
        ca.interpolant(name, "linear", [own], along(track, widths, own))
        for name, widths in (("left", track.w_left), ("right", track.w_right))
    )
    return bend, left, right


def _guess(ocp: Ocp, track: Track, kart: Kart, v: ca.MX, kappa: ca.MX) -> None:
    """The reference line at nine tenths of its speed."""
    lap = speed_profile(reference_line(track), kart)
    for state, name, values in ((v, "speed", 0.9 * lap.v), (kappa, "turn", lap.line.kappa)):
        ocp.set_initial(state, ca.interpolant(name, "linear", [lap.line.s], values)(ocp.t))
