"""The acceptance check catches laps that do not hold, and the laps it accepts can be driven by a simulator."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline
from staged import corner_edges

from linelab.errors import VerificationError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track
from linelab.model.grip import FLAT, kart_numbers, loads, tyre_longitudinal
from linelab.model.kart import Driver
from linelab.model.lap import Lap
from linelab.optimum.minimum_time import End, solve_min_time
from linelab.optimum.path import solved_path
from linelab.optimum.runs import unpacked
from linelab.optimum.task import Task
from linelab.optimum.verify import fine_lap, fine_path, verify_lap


@pytest.fixture(scope="module")
def corner():
    """A hairpin of 6 m inside radius between two straights."""
    return track_from_edges("hairpin", *corner_edges(6.0, 14.0, 2.6, 60.0), closed=False)


@pytest.fixture(scope="module")
def kart():
    return load_kart("senior-single-speed")


@pytest.fixture(scope="module")
def solved(corner, kart):
    return solve_min_time(corner, kart, start=End(v=22.0))


def task_of(corner, kart) -> Task:
    return Task(corner, kart, kart_numbers(kart), 1.0, End(v=22.0), End())


def check(corner, kart, solved, *, aside=0.0, pace=1.0, clock=1.0, swerve=0.0, push=1.0):
    """The acceptance check of a lap moved aside, driven faster, with a false clock or acceleration, or a swerve."""
    task, (path, speed) = task_of(corner, kart), unpacked(solved.iterate)
    path = path + aside
    path[path.size // 2] += swerve
    found = solved_path(corner, solved.iterate.mesh, path, speed)
    lap = fine_lap(task, found, fine_path(task, found))
    lap = dataclasses.replace(lap, t=clock * lap.t / pace, v=pace * lap.v, ax=push * pace**2 * lap.ax)
    return verify_lap(task, found, lap)


def test_an_untouched_lap_passes(corner, kart, solved):
    found = check(corner, kart, solved)
    assert found.simulated_time == pytest.approx(solved.lap_time, abs=1e-5)
    assert found.position_defect < 5e-3
    assert found.solver_time == pytest.approx(solved.lap_time, rel=1e-3)
    assert found.engine_excess < 3e-3
    assert found.speed_defect < 5e-3
    assert found.unlimited_time is None


def test_a_lap_outside_the_edge_is_caught(corner, kart, solved):
    """Five centimetres to the left: over the inside edge at the apex."""
    with pytest.raises(VerificationError, match="outside the edge") as caught:
        check(corner, kart, solved, aside=0.05)
    assert caught.value.violation == pytest.approx(0.05, abs=0.01)


def test_two_percent_more_speed_is_caught(corner, kart, solved):
    """Four per cent more lateral force than the tyres have."""
    with pytest.raises(VerificationError, match="of the grip beyond the limit"):
        check(corner, kart, solved, pace=1.02)


def test_half_a_percent_more_speed_is_caught(corner, kart, solved):
    """Within the tolerance of grip, but power goes with the third power of the speed."""
    with pytest.raises(VerificationError, match="engine's power or revs"):
        check(corner, kart, solved, pace=1.005)


def test_a_slow_lap_is_caught_by_the_optimiser(corner, kart, solved):
    """Two per cent slower than the optimiser's own speed on that line."""
    with pytest.raises(VerificationError, match="optimiser's speed"):
        check(corner, kart, solved, pace=0.98)


@pytest.mark.parametrize("push", [0.95, 1.05])
def test_a_false_acceleration_is_caught(corner, kart, solved, push):
    with pytest.raises(VerificationError, match="acceleration does not show"):
        check(corner, kart, solved, push=push)


def limited_check(corner, kart, *, driven: Driver, claimed: Driver):
    """The acceptance check of a lap solved for one driver, as if it were another's."""
    solution = solve_min_time(corner, dataclasses.replace(kart, driver=driven), start=End(v=22.0))
    found = solved_path(corner, solution.iterate.mesh, *unpacked(solution.iterate))
    task = task_of(corner, dataclasses.replace(kart, driver=claimed))
    return verify_lap(task, found, fine_lap(task, found, fine_path(task, found)))


def test_a_driver_faster_than_his_rates_is_caught(corner, kart):
    """Solved with 60 m/s³ of braking and 0.6 1/(m·s) of curvature, claimed for 20 and for 0.3."""
    quick, slow = Driver(brake_build_rate=60.0), Driver(brake_build_rate=20.0)
    assert limited_check(corner, kart, driven=quick, claimed=quick).force_rate_excess < 0.5
    with pytest.raises(VerificationError, match="braking or drive beyond the driver's rates"):
        limited_check(corner, kart, driven=quick, claimed=slow)
    quick, slow = Driver(curvature_rate=0.6), Driver(curvature_rate=0.3)
    assert limited_check(corner, kart, driven=quick, claimed=quick).curvature_rate_excess < 2e-3
    with pytest.raises(VerificationError, match="curvature beyond the driver's rate"):
        limited_check(corner, kart, driven=quick, claimed=slow)


def test_a_limited_driver_is_not_faster_than_an_unlimited_one(corner, kart):
    slow = Driver(brake_build_rate=10.0)
    found = limited_check(corner, kart, driven=slow, claimed=slow)
    assert found.unlimited_time is not None
    assert found.unlimited_time < found.solver_time - 5e-3


def test_a_wrong_clock_is_caught(corner, kart, solved):
    with pytest.raises(VerificationError, match="simulated lap time"):
        check(corner, kart, solved, clock=0.999)


def test_a_swerve_between_nodes_is_caught(corner, kart, solved):
    """One coefficient of the path off by 5 cm: a swerve that the tyres cannot hold at the optimiser's speed."""
    with pytest.raises(VerificationError):
        check(corner, kart, solved, swerve=0.05)


# ---- solve, then simulate


def simulate_lap(track, kart, solution) -> tuple[Lap, np.ndarray]:
    """Drive a lap open loop in one shot: curvature and acceleration over the path, x, y, psi, v integrated in time.

    DOP853 (E. Hairer, S. Nørsett & G. Wanner, *Solving Ordinary Differential Equations I*, 1993, II.5); nothing
    steers the kart back.  Returns the lap and the simulated (5, N) states at its nodes: path length, v, psi, x, y.
    """
    task = task_of(track, kart)._replace(start=End(v=float(solution.lap.v[0])) if not track.closed else End())
    found = solved_path(track, solution.iterate.mesh, *unpacked(solution.iterate))
    lap = fine_lap(task, found, fine_path(task, found))
    steer = CubicSpline(lap.line.distance, lap.line.kappa)
    push = CubicSpline(lap.line.distance, lap.v**2).derivative()

    def derivative(t, state):
        sigma, v, psi, _, _ = state
        return [v, 0.5 * push(sigma), v * steer(sigma), v * np.cos(psi), v * np.sin(psi)]

    begin = [0.0, lap.v[0], lap.line.psi[0], lap.line.x[0], lap.line.y[0]]
    times = lap.t
    run = solve_ivp(
        derivative, (0.0, times[-1]), begin, method="DOP853", rtol=1e-8, atol=1e-9, max_step=0.005, t_eval=times
    )
    return lap, run.y


def test_hairpin_can_be_driven(corner, kart, solved):
    lap, state = simulate_lap(corner, kart, solved)
    assert np.hypot(state[3] - lap.line.x, state[4] - lap.line.y).max() < 0.02
    assert state[1] == pytest.approx(lap.v, abs=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["tinmarsh_rental", "ostrelle_sprint", "marrowdown_club"])
def test_whole_lap_can_be_driven(name, kart):
    """A lap of half a minute or more, never corrected, ends within centimetres of where it began."""
    track = load_track(name)
    lap, state = simulate_lap(track, kart, solve_min_time(track, kart))
    assert np.hypot(state[3] - lap.line.x, state[4] - lap.line.y).max() < 0.05
    assert np.hypot(state[3, -1] - state[3, 0], state[4, -1] - state[4, 0]) < 0.05
    assert state[1, -1] == pytest.approx(state[1, 0], abs=0.02)


# ---- driver limits

WINDOW = 0.1  #: over which changes of pedals and steering are looked at [s]
#: Where braking begins the optimiser's rounding lets the force change 1/0.85 times as fast as the driver does, for the
#: first metres per second squared: this much more over the window [m/s²].
ROUNDED = 0.25


def steepest(kart, lap: Lap) -> dict[str, float]:
    """Largest change of braking, driving [m/s²] and curvature [1/m] over WINDOW on a level track."""
    t = np.arange(0.0, lap.t[-1], WINDOW / 10.0)
    numbers = kart_numbers(kart)
    force = tyre_longitudinal(numbers, loads(numbers, lap.v**2, lap.line.kappa, FLAT), lap.ax)
    force, kappa = np.interp(t, lap.t, force), np.interp(t, lap.t, lap.line.kappa)
    brake, drive = np.maximum(-force, 0.0), np.maximum(force, 0.0)
    rise = {"brake": brake, "drive": drive, "left": kappa, "right": -kappa}
    found = {name: float((values[10:] - values[:-10]).max()) for name, values in rise.items()}
    return {"brake": found["brake"], "drive": found["drive"], "steer": max(found["left"], found["right"])}


@pytest.mark.slow
def test_driver_who_builds_up_the_pedals(corner, kart, solved):
    """20 m/s³ of braking and 15 m/s³ of drive: slower than the ideal driver, and no pedal moves faster than that."""
    limited = dataclasses.replace(kart, driver=Driver(brake_build_rate=20.0, drive_build_rate=15.0))
    solution = solve_min_time(corner, limited, start=End(v=22.0))
    assert solution.lap_time > solved.lap_time + solved.time_error + solution.time_error
    assert steepest(kart, solved.lap)["brake"] > 20.0 * WINDOW + 2.0 * ROUNDED, (
        "the ideal driver is faster on the brake"
    )
    found = steepest(kart, solution.lap)
    assert found["brake"] <= 1.05 * 20.0 * WINDOW + ROUNDED
    assert found["drive"] <= 1.05 * 15.0 * WINDOW + ROUNDED


@pytest.mark.parametrize("rate", [0.2, 0.1])
def test_driver_who_steers_slowly(rate):
    """Curvature may change by ``rate`` 1/(m·s): slower, and the line never bends faster."""
    track, kart = load_track("tinmarsh_rental"), load_kart("junior-single-speed")
    ideal = solve_min_time(track, kart)
    solution = solve_min_time(track, dataclasses.replace(kart, driver=Driver(curvature_rate=rate)))
    assert solution.lap_time > ideal.lap_time + ideal.time_error + solution.time_error
    assert steepest(kart, ideal.lap)["steer"] > 2.0 * rate * WINDOW
    assert steepest(kart, solution.lap)["steer"] <= 1.03 * rate * WINDOW
