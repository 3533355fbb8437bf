"""Speed profile of a fixed line: linelab's passes beside toppra, the same limits in one run.

Run ``python benchmarks/speed_profile.py``.  toppra (H. Pham & Q.-C. Pham, "A new approach to time-optimal path
parameterization based on reachability analysis", IEEE Trans. Robotics 34(3), 2018) takes linear limits, so the kart
here has a drive force instead of an engine curve, no scrub, and its friction ellipse becomes a polygon as large.
"""

from __future__ import annotations

import argparse
import dataclasses
import time
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import toppra
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from surroundings import surroundings
from toppra.algorithm import TOPPRA
from toppra.constraint import LinearConstraint

from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.grip import brake_friction, drive_friction, kart_numbers
from linelab.model.kart import Kart, PowerEngine
from linelab.model.lap import Line
from linelab.optimum.line_profile import speed_profile
from linelab.optimum.minimum_time import solve_min_time
from linelab.speed.profile import profile_times, speed_profiles
from linelab.units import STANDARD_GRAVITY

Array = NDArray[np.float64]

FORCE = 700.0  #: drive force [N]
ENDS = 12.0  #: speed at both ends of the lap, so that both solve the very same problem [m/s]
FACETS = (8, 16, 32, 64, 128, 256, 512)
STEPS = (1.0, 0.5, 0.2, 0.1, 0.05)  #: node distances [m]
CLOSE = 1e-4  #: lap times this close count as the same [s]


class Peer(NamedTuple):
    """What a lap costs toppra: from line and limits to speeds, and the solve in that [s]."""

    lap: float
    solve: float

    def times(self, own: float) -> str:
        """How many times faster ``own`` is."""
        return f"{self.lap / own:.1f} times faster ({self.solve / own:.1f} than the solve alone)"


def best_of(work: Callable[[], object], repeats: int) -> float:
    """Shortest processor time of ``repeats`` runs, all threads [s]: both sides use one thread."""
    times = []
    for _ in range(repeats):
        started = time.process_time()
        work()
        times.append(time.process_time() - started)
    return min(times)


def solved_curvature(kart: Kart, track: str = "ostrelle_sprint") -> CubicSpline:
    """Curvature of a lap of a demo circuit, smooth between points 5 m apart."""
    line = solve_min_time(load_track(track), kart, verify=False).lap.line
    distance = np.linspace(0.0, line.length, int(line.length / 5.0) + 1)
    return CubicSpline(distance, np.interp(distance, line.distance, line.kappa))


def line_of(curvature: CubicSpline, step: float, scale: float = 1.0) -> Line:
    """The lap as an open flat line with a node about every ``step`` metres; bends scaled by ``scale``."""
    length = curvature.x[-1] / scale
    distance = np.linspace(0.0, length, round(length / step) + 1)
    kappa = scale * curvature(distance * scale)
    middle = 0.5 * (kappa[1:] + kappa[:-1])
    psi = np.append(0.0, np.cumsum(middle * np.diff(distance)))
    ahead = psi[:-1] + 0.5 * np.diff(psi)
    x, y = (np.append(0.0, np.cumsum(turn(ahead) * np.diff(distance))) for turn in (np.cos, np.sin))
    zero = np.zeros_like(distance)
    return Line(
        distance=distance, x=x, y=y, psi=psi, kappa=kappa, s=distance, n=zero, slope=zero, bank=zero,
        vertical_curvature=zero, grip=zero + 1.0, closed=False,
    )  # fmt: skip


class Tyres(LinearConstraint):
    """Friction polygon and drive force, linear in u = dv/dt and x = v²."""

    def __init__(self, line: Line, kart: Kart, facets: int) -> None:
        super().__init__()
        self.identical = True  # the same polygon everywhere, which toppra sets up faster
        self.line, self.numbers, self.mass, self.facets = line, kart_numbers(kart), kart.mass, facets

    def compute_constraint_params(self, path: object, grid: Array) -> tuple[Array, ...]:
        """Coefficients of F·(a·u + b·x + c) <= g at the grid's stations."""
        kart, one = self.numbers, np.ones_like(grid)
        angle = (np.arange(self.facets) + 0.5) * 2.0 * np.pi / self.facets
        along = np.where(np.cos(angle) > 0.0, drive_friction(kart, 1.0), brake_friction(kart, 1.0))
        sides = np.column_stack([np.cos(angle) / along, np.sin(angle) / kart.mu_y]) / STANDARD_GRAVITY
        same_area = np.sqrt(np.pi / self.facets / np.tan(np.pi / self.facets))
        bounds = np.append(np.full(self.facets, same_area), FORCE / self.mass)
        sides = np.vstack([sides, [1.0, 0.0]])
        kappa = np.interp(grid, self.line.distance, self.line.kappa)
        a = np.column_stack([kart.inertia * one, 0.0 * one])
        b = np.column_stack([kart.drag * one, kappa])
        c = np.column_stack([kart.rolling_resistance * STANDARD_GRAVITY * one, 0.0 * one])
        u_bounds, x_bounds = np.tile([-50.0, 50.0], (grid.size, 1)), np.tile([0.0, 2500.0], (grid.size, 1))
        return a, b, c, sides, bounds, u_bounds, x_bounds


def peer(line: Line, kart: Kart, facets: int) -> TOPPRA:
    """toppra's problem on the line's own nodes, with its fastest solver (compiled, seidel)."""
    path = toppra.SplineInterpolator([0.0, line.length], [0.0, line.length])
    return TOPPRA([Tyres(line, kart, facets)], path, gridpoints=line.distance, solver_wrapper="seidel")


def peer_time(line: Line, kart: Kart, facets: int) -> float:
    """Lap time by toppra [s]."""
    v = peer(line, kart, facets).compute_parameterization(ENDS, ENDS)[1]
    return float(np.sum(2.0 * np.diff(line.distance) / (v[1:] + v[:-1])))


def own_time(line: Line, kart: Kart) -> float:
    """Lap time by linelab [s]."""
    return speed_profile(line, kart, v_start=ENDS, v_end=ENDS).lap_time


def grids(curvature: CubicSpline, kart: Kart, real: Kart) -> tuple[float, float]:
    """Print how much the grid matters; the converged lap time [s] and toppra's coarsest step as close to it [m]."""
    print("\nLap time by distance between the nodes handed in [s]")
    print("  step [m]   linelab      toppra (512 facets)   linelab, engine curve and scrub on")
    theirs = {}
    for step in STEPS:
        line = line_of(curvature, step)
        theirs[step] = peer_time(line, kart, FACETS[-1])
        print(f"  {step:8.2f} {own_time(line, kart):10.5f} {theirs[step]:15.5f} {own_time(line, real):22.5f}")
    converged = 2.0 * peer_time(line_of(curvature, 0.5 * STEPS[-1]), kart, FACETS[-1]) - theirs[STEPS[-1]]
    print(f"  toppra is of first order in the step; extrapolated to none: {converged:.5f}")
    own = own_time(line_of(curvature, 1.0), kart)
    print(f"  linelab at 1 m is {1e3 * (own - converged):+.3f} ms from that")
    close = (step for step in STEPS if all(abs(theirs[s] - converged) < CLOSE for s in STEPS if s <= step))
    return converged, next(close, STEPS[-1])


def smooth_lines(real: Kart) -> None:
    """Lap times of the demo circuits' solved lines, smoothed, on nodes 1 m and 0.1 m apart."""
    print("\nlinelab: the same smooth line on nodes 1 m and 0.1 m apart [s]")
    for name in ("ostrelle_sprint", "tinmarsh_rental", "marrowdown_club"):
        curvature = solved_curvature(real, name)
        coarse, fine = (own_time(line_of(curvature, step), real) for step in (1.0, 0.1))
        print(f"  {name:16s} {coarse:10.5f} {fine:10.5f}   {1e3 * (coarse - fine):+.3f} ms")


def facets_needed(line: Line, kart: Kart, repeats: int) -> int:
    """Print time and lap time by number of facets; the least number close to the finest."""
    print("\ntoppra at 1 m by facets of the friction polygon")
    exact = peer_time(line, kart, FACETS[-1])
    chosen = FACETS[-1]
    for facets in reversed(FACETS):
        lap = peer_time(line, kart, facets)
        if abs(lap - exact) < CLOSE and chosen >= facets:
            chosen = facets
        cost = solve_cost(line, kart, facets, repeats)
        print(f"  {facets:4d} facets: {1e3 * cost:8.2f} ms a lap, lap time {lap:.5f} s ({1e3 * (lap - exact):+.3f} ms)")
    print(f"  within {1e3 * CLOSE:.1f} ms from {chosen} facets on")
    return chosen


def solve_cost(line: Line, kart: Kart, facets: int, repeats: int) -> float:
    """toppra's solve alone, its problem built beforehand [s]."""
    problem = peer(line, kart, facets)
    return best_of(lambda: problem.compute_parameterization(ENDS, ENDS), repeats)


def lap_cost(line: Line, kart: Kart, facets: int, repeats: int) -> float:
    """toppra from the line and the limits to the speeds, as linelab's figures are: every line is a problem [s]."""
    return best_of(lambda: peer(line, kart, facets).compute_parameterization(ENDS, ENDS), repeats)


def main() -> None:
    """Arguments in, figures out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--laps", type=int, default=1000, help="laps done at once")
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    toppra.setup_logging("ERROR")
    print(surroundings("toppra", "scipy"))
    real = load_kart("senior-single-speed")
    kart = dataclasses.replace(real, scrub=0.0, engine=PowerEngine(power=2e5, max_force=FORCE))
    curvature = solved_curvature(real)
    line = line_of(curvature, 1.0)
    print(f"line of {line.length:.0f} m, {line.distance.size} nodes, from {ENDS:g} to {ENDS:g} m/s")
    facets = facets_needed(line, kart, options.repeats)
    theirs = Peer(lap_cost(line, kart, facets, options.repeats), solve_cost(line, kart, facets, options.repeats))
    scales = np.linspace(0.97, 1.03, options.laps)
    lines = [line_of(curvature, 1.0, float(scale)) for scale in scales]
    span = f"{min(x.length for x in lines):.0f} to {max(x.length for x in lines):.0f} m"
    print(f"\nSame line and limits, 1 m, linelab beside toppra with {facets} facets")
    print(f"  toppra, from line to lap:   {1e3 * theirs.lap:8.3f} ms, of these its solve {1e3 * theirs.solve:.3f} ms")
    single = best_of(lambda: speed_profile(line, kart, v_start=ENDS, v_end=ENDS), 5 * options.repeats)
    print(f"  linelab, one lap:           {1e3 * single:8.3f} ms, {theirs.times(single)}")
    many = np.inf
    for name, which in (("engine curve and scrub", real), ("force cap", kart)):
        many = best_of(lambda w=which: speed_profiles(lines, w, v_start=ENDS, v_end=ENDS), options.repeats) / len(lines)
        print(f"  linelab, {len(lines)} laps of {span}, {name}: {1e3 * many:.3f} ms a lap, {theirs.times(many)}")
    times = best_of(lambda: profile_times(lines, kart), options.repeats) / len(lines)
    print(f"  the same as closed laps, lap times alone: {1e3 * times:.3f} ms a lap, {theirs.times(times)}")
    laps = speed_profiles(lines, kart, v_start=ENDS, v_end=ENDS)
    some = range(0, len(lines), max(len(lines) // 5, 1))
    worst = max(abs(laps[i].lap_time - own_time(lines[i], kart)) for i in some)
    print(f"  laps done at once against one at a time: at most {1e3 * worst:.4f} ms apart")
    converged, step = grids(curvature, kart, real)
    finer = line_of(curvature, step)
    fine = Peer(lap_cost(finer, kart, facets, 1), solve_cost(finer, kart, facets, 1))
    print(f"\nAs close to the converged lap time of {converged:.5f} s ({1e3 * CLOSE:.1f} ms)")
    print(f"  toppra with nodes {step:g} m apart: {1e3 * fine.lap:.1f} ms a lap, its solve {1e3 * fine.solve:.1f} ms")
    print(f"  linelab with nodes 1 m apart, alone: {fine.times(single)}")
    print(f"  linelab with nodes 1 m apart, in bulk: {fine.times(many)}")
    smooth_lines(real)
    print("\nlinelab, one lap on fine nodes")
    for step in (0.1, 0.02):
        line = line_of(curvature, step)
        cost = best_of(lambda w=line: speed_profile(w, real, v_start=ENDS, v_end=ENDS), options.repeats)
        print(f"  {line.distance.size} nodes: {1e3 * cost:.1f} ms, {1e6 * cost / line.distance.size:.2f} ms a thousand")


if __name__ == "__main__":
    main()
