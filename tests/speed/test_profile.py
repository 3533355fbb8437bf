"""Speed profiles against closed forms, an independent solver and a ten times finer grid."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import ellipk
from shared import solved
from staged import MASS, bare_kart, flat_line

from linelab.files.kart_file import load_kart
from linelab.model.grip import (
    FLAT,
    brake_friction,
    drive_friction,
    drive_power,
    kart_numbers,
    loads,
    tyre_longitudinal,
)
from linelab.model.kart import Driver, Kart, PowerEngine
from linelab.model.lap import Limit, Line
from linelab.optimum.line_profile import speed_profile
from linelab.speed.grid import ground_under, subdivide
from linelab.speed.passes import MANY
from linelab.speed.profile import profile_times, speed_profiles
from linelab.units import KMH, STANDARD_GRAVITY

RADIUS, LIMIT = 30.0, 15.0
CIRCLE_KART = bare_kart(LIMIT / STANDARD_GRAVITY)


def quarter(count: int = 1001) -> Line:
    """π R/4 of a circle: the length on which the friction circle takes a kart from rest to the cornering limit."""
    distance = np.linspace(0.0, np.pi * RADIUS / 4.0, count)
    return flat_line(distance, np.full(count, 1.0 / RADIUS))


def test_circle_from_rest_gains_speed_as_the_friction_circle_allows():
    """CHECKS 2 (derived): (v dv/ds)² + (v²/R)² = a², so z = v² has z' = 2√(a² - z²/R²): v² = a R sin(2s/R)."""
    line = quarter()
    lap = speed_profile(line, CIRCLE_KART, v_start=0.0)
    closed = np.sqrt(LIMIT * RADIUS * np.sin(2.0 * line.distance / RADIUS))
    assert lap.v[25:] == pytest.approx(closed[25:], rel=2e-5)
    # the limit is reached after πR/4, not before
    longer = flat_line(np.linspace(0.0, np.pi * RADIUS / 3.0, 1001), np.full(1001, 1.0 / RADIUS))
    lap = speed_profile(longer, CIRCLE_KART, v_start=0.0)
    first = longer.distance[np.argmax(lap.limited_by == Limit.GRIP)]
    assert first == pytest.approx(np.pi * RADIUS / 4.0, abs=0.1)


def test_circle_from_rest_takes_the_elliptic_time_and_so_does_stopping():
    """CHECKS 2 (derived): T = ½√(R/a)·∫dθ/√sin θ over a quarter turn = K(m = ½)/√2·√(R/a) = 1.311028777·√(R/a).

    The passes know no speed below 0.3 m/s, which takes under 0.1 ms here; braking is the time reverse.
    """
    assert ellipk(0.5) / np.sqrt(2.0) == pytest.approx(1.311028777, abs=5e-10)
    expected = 1.311028777 * np.sqrt(RADIUS / LIMIT)
    assert speed_profile(quarter(), CIRCLE_KART, v_start=0.0).lap_time == pytest.approx(expected, abs=1e-4)
    stopping = speed_profile(quarter(), CIRCLE_KART, v_start=np.sqrt(LIMIT * RADIUS), v_end=1e-3)
    assert stopping.lap_time == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("step", [0.05, 1.0])
def test_constant_power(step):
    """CHECKS 3 (derived): m v dv/dt = P, v³ = v0³ + 3Ps/m; 15 m/s, 20 kW, 160 kg, 100 m."""
    kart = bare_kart(3.0, engine=PowerEngine(power=20e3))
    assert kart.mass == 160.0
    distance = np.arange(0.0, 100.0 + step / 2, step)
    lap = speed_profile(flat_line(distance, 0.0 * distance), kart, v_start=15.0)
    assert lap.v[-1] == pytest.approx(34.4471, abs=5e-5)
    assert lap.lap_time == pytest.approx(3.84641, abs=5e-6)


def test_top_speed():
    """CHECKS 4 (derived): P = v(½ρ CdA v² + crr m g) with 20 kW, 0.55 m², 1.2 kg/m³, 0.02, 160 kg."""
    kart = bare_kart(1.5, engine=PowerEngine(power=20e3), cda=0.55, air_density=1.2, rolling_resistance=0.02)
    distance = np.linspace(0.0, 6000.0, 601)
    lap = speed_profile(flat_line(distance, 0.0 * distance), kart, v_start=36.0)
    assert lap.v[-1] / KMH == pytest.approx(138.503, abs=5e-4)
    assert lap.limited_by[-1] == Limit.DRIVE


@pytest.mark.parametrize(("slope_percent", "printed"), [(0, 21.007), (10, 23.533), (-10, 18.925)])
def test_banked_curve(slope_percent, printed):
    """CHECKS 5 (derived): v² = gR(tan φ + μ)/(1 - μ tan φ), R = 30 m, μ = 1.5; a right turn feels the other sign."""
    angle = np.linspace(0.0, 2.0 * np.pi, 189)
    for turn in (1.0, -1.0):
        bank = turn * np.arctan(slope_percent / 100)
        line = flat_line(30.0 * angle, 0.0 * angle + turn / 30.0, closed=True, bank=bank)
        lap = speed_profile(line, bare_kart(1.5))
        assert lap.v == pytest.approx(np.full(189, printed), abs=5e-4)
        assert lap.lap_time == pytest.approx(line.length / lap.v[0], rel=1e-9)


def test_climbing_straight():
    """On a 5 % slope a frictionless kart loses g sin σ: v² = v0² + 2s(F/m - g sin σ) (energy)."""
    distance, slope = np.linspace(0.0, 80.0, 81), np.arctan(0.05)
    kart = bare_kart(1.5, engine=PowerEngine(power=2e5, max_force=MASS * 2.0))
    line = dataclasses.replace(flat_line(distance, 0.0 * distance), slope=0.0 * distance + slope)
    lap = speed_profile(line, kart, v_start=10.0)
    assert lap.v[-1] == pytest.approx(np.sqrt(100.0 + 160.0 * (2.0 - STANDARD_GRAVITY * np.sin(slope))), rel=1e-5)


# ---- the solved line of the sprint track


@pytest.fixture(scope="module")
def solved_curvature() -> CubicSpline:
    """A smooth line of a whole lap: cubic spline through the solved curvature of the sprint track every 5 m."""
    line = solved("ostrelle_sprint", "senior-single-speed").lap.line
    distance = np.linspace(0.0, line.length, int(line.length / 5.0) + 1)
    kappa = np.interp(distance, line.distance, line.kappa)
    kappa[-1] = kappa[0]
    return CubicSpline(distance, kappa, bc_type="periodic")


def sampled(curvature: CubicSpline, per_metre: int) -> Line:
    """The whole lap at about ``1/per_metre`` metres, every ``per_metre``-th node the same."""
    distance = np.linspace(0.0, curvature.x[-1], per_metre * round(curvature.x[-1]) + 1)
    kappa = curvature(distance)
    kappa[-1] = kappa[0]
    return flat_line(distance, kappa, closed=True)


def test_one_metre_is_fine_enough(solved_curvature):
    """A lap sampled at 1 m against the same lap sampled ten times finer: 0.1 ms."""
    kart = load_kart("senior-single-speed")
    coarse, fine = (speed_profile(sampled(solved_curvature, per), kart).lap_time for per in (1, 10))
    assert coarse == pytest.approx(fine, abs=1e-4)


def test_the_shortest_line_there_is():
    """Two nodes: with a steady force F on mass m from v0 on, m (v² - v0²)/2 = F s and t = m (v - v0)/F."""
    force = 300.0
    kart = dataclasses.replace(bare_kart(3.0), engine=PowerEngine(power=2e5, max_force=force))
    for length in (0.1, 5.0):
        lap = speed_profile(flat_line(np.array([0.0, length]), np.zeros(2)), kart, v_start=12.0)
        v = np.sqrt(12.0**2 + 2.0 * force / kart.mass * length)
        assert lap.v[-1] == pytest.approx(v, rel=1e-6)
        assert lap.lap_time == pytest.approx(kart.mass * (v - 12.0) / force, rel=1e-6)


def test_acceleration_at_the_ends_of_an_open_line():
    """As steep at the first and last node as the same line's speed is when sampled a hundred times finer."""
    kart = load_kart("senior-single-speed")
    coarse, fine = (
        speed_profile(flat_line(np.linspace(0.0, 60.0, 60 * per + 1), np.zeros(60 * per + 1)), kart, v_start=9.0)
        for per in (1, 100)
    )
    for end, inside in ((0, 1), (-1, -2)):
        rise = (fine.v[end] ** 2 - fine.v[inside] ** 2) / (fine.line.distance[end] - fine.line.distance[inside])
        assert coarse.ax[end] == pytest.approx(0.5 * rise, abs=0.005)


@pytest.mark.parametrize("count", [40, 126])
def test_rates_that_cannot_bind_change_nothing_on_coarse_nodes(count):
    """A circle at steady speed asks for no change of either pedal, however far apart its nodes are."""
    radius, kart = 20.0, load_kart("senior-single-speed")
    turn = np.linspace(0.0, 2.0 * np.pi, count + 1)
    line = dataclasses.replace(
        flat_line(radius * turn, np.full(count + 1, 1.0 / radius), closed=True),
        x=radius * np.sin(turn), y=radius - radius * np.cos(turn), psi=turn,
    )  # fmt: skip
    limited = dataclasses.replace(kart, driver=Driver(brake_build_rate=500.0))
    assert speed_profile(line, limited).lap_time == pytest.approx(speed_profile(line, kart).lap_time, rel=2e-3)


def waves(seed: int, length: float = 600.0, shortest: float = 20.0) -> CubicSpline:
    """A closed lap's curvature: cosines of random phase down to ``shortest`` metres; radii of 12 m and more."""
    draw = np.random.default_rng(seed)
    counts = np.arange(3, int(length / shortest) + 1)
    size, phase = draw.normal(size=counts.size) / counts**0.5, draw.uniform(0.0, 2.0 * np.pi, counts.size)
    distance = np.linspace(0.0, length, 20 * round(length) + 1)
    kappa = (size * np.cos(2.0 * np.pi * np.multiply.outer(distance / length, counts) + phase)).sum(axis=1)
    kappa *= 0.08 / np.abs(kappa).max()
    kappa[-1] = kappa[0]
    return CubicSpline(distance, kappa, bc_type="periodic")


@pytest.mark.parametrize("kart", ["senior-single-speed", "rental-four-stroke", "gearbox"])
@pytest.mark.parametrize("seed", range(4))
def test_one_metre_is_fine_enough_on_any_smooth_line(seed, kart):
    curvature, kart = waves(seed), load_kart(kart)
    coarse, fine = (speed_profile(sampled(curvature, per), kart).lap_time for per in (1, 10))
    assert coarse == pytest.approx(fine, abs=1e-4)


def test_one_metre_is_fine_enough_over_hills_and_banks():
    """The same with slope, bank and vertical curvature of 60 m and 40 m waves under it."""
    curvature, kart = waves(7), load_kart("junior-single-speed")

    def lap_time(per_metre: int) -> float:
        line = sampled(curvature, per_metre)
        hill, camber = 2.0 * np.pi * line.distance / 60.0, 2.0 * np.pi * line.distance / 40.0
        shape = {
            "slope": 0.05 * np.sin(hill),
            "vertical_curvature": 0.05 * 2.0 * np.pi / 60.0 * np.cos(hill),
            "bank": 0.06 * np.sin(camber),
        }
        return speed_profile(dataclasses.replace(line, **shape), kart).lap_time

    assert lap_time(1) == pytest.approx(lap_time(10), abs=1e-4)


@pytest.mark.parametrize("kart", ["senior-single-speed", "rental-four-stroke"])
def test_steps_in_curvature_make_no_corner_tighter(kart):
    """Straights and arcs sampled every metre, against the same joined by straight pieces of 0.1 m: 2 ms a joint.

    An interpolation that swings past the values beside a step took 40 ms a joint.
    """
    ends = np.array([31.0, 55.0, 87.0, 109.0, 198.0, 235.0, 261.0])
    arcs = [0.0, 0.07, 0.0, -0.05, 0.0, 0.06, -0.06, 0.0]
    coarse = np.linspace(0.0, 300.0, 301)
    kappa = np.array(arcs)[np.searchsorted(ends, coarse)]
    fine = np.linspace(0.0, 300.0, 3001)
    lines = flat_line(coarse, kappa), flat_line(fine, np.interp(fine, coarse, kappa))
    times = [speed_profile(line, load_kart(kart)).lap_time for line in lines]
    assert times[0] == pytest.approx(times[1], abs=2e-3 * ends.size)


def test_fine_nodes_are_driven_as_they_are():
    """Nodes of 0.25 m and less get no others, and the lap time settles on them: 0.02 ms at 0.1 m."""
    curvature, kart = waves(1), load_kart("senior-single-speed")
    line = sampled(curvature, 10)
    assert subdivide([line], ground_under([line], kart_numbers(kart))).distance.size == line.distance.size
    finest = speed_profile(sampled(curvature, 50), kart).lap_time
    assert speed_profile(line, kart).lap_time == pytest.approx(finest, abs=2e-5)


@pytest.mark.parametrize("kart", ["senior-single-speed", "rental-four-stroke"])
def test_something_limits_every_node_and_nothing_beyond_it(kart):
    """Between changes of what limits: full drive force, the ellipse's edge, or the limit's speed, each to 1 %."""
    kart = load_kart(kart)
    numbers, line = kart_numbers(kart), sampled(waves(2), 10)
    lap = speed_profile(line, kart)
    load = loads(numbers, lap.v**2, line.kappa, FLAT)
    force = tyre_longitudinal(numbers, load, lap.ax)
    friction = np.where(force > 0.0, drive_friction(numbers, 1.0), brake_friction(numbers, 1.0))
    used = np.hypot(force / friction, load.lateral / numbers.mu_y) / load.normal
    steady = np.array([len(set(lap.limited_by[max(i - 3, 0) : i + 4])) == 1 for i in range(lap.v.size)])
    steady[:3] = steady[-3:] = False
    drive, edge = (
        steady & np.isin(lap.limited_by, codes) for codes in ((Limit.DRIVE,), (Limit.BRAKING, Limit.TRACTION))
    )
    assert min(drive.sum(), edge.sum()) > 500
    assert force[drive] == pytest.approx(drive_power(numbers, lap.v[drive]) / (lap.v[drive] * kart.mass), rel=0.01)
    assert used[drive].max() < 1.01
    assert used[edge] == pytest.approx(np.ones(edge.sum()), rel=0.01)
    assert np.sqrt(load.lateral**2).max() < 1.001 * numbers.mu_y * STANDARD_GRAVITY


def test_a_closed_lap_takes_the_same_time_from_any_start():
    curvature, kart = waves(3), load_kart("rental-four-stroke")
    line = sampled(curvature, 1)
    turned = np.roll(line.kappa[:-1], 217)
    other = dataclasses.replace(line, kappa=np.append(turned, turned[0]))
    laps = [speed_profile(line, kart), speed_profile(other, kart)]
    assert laps[1].lap_time == pytest.approx(laps[0].lap_time, abs=2e-6)
    assert laps[1].v[:-1] == pytest.approx(np.roll(laps[0].v[:-1], 217), rel=1e-6)
    for lap in laps:
        assert lap.v[0] == pytest.approx(lap.v[-1], rel=1e-6)


@pytest.mark.filterwarnings("error")
def test_from_a_standstill_to_a_standstill():
    """A straight of 100 m at 15 m/s² of drive and of braking: 2√(s/a), without a warning."""
    line = flat_line(np.linspace(0.0, 100.0, 101), np.zeros(101))
    lap = speed_profile(line, CIRCLE_KART, v_start=0.0, v_end=0.0)
    assert lap.lap_time == pytest.approx(2.0 * np.sqrt(100.0 / LIMIT), rel=1e-3)
    assert lap.v.max() == pytest.approx(np.sqrt(100.0 * LIMIT), rel=1e-3)


def test_many_laps_at_once_are_the_same_as_one(solved_curvature):
    kart = load_kart("senior-single-speed")
    line = sampled(solved_curvature, 1)
    tighter = dataclasses.replace(line, kappa=1.1 * line.kappa)
    many = speed_profiles([line, tighter] * (MANY // 2), kart)
    for lap, own in zip(many[:2], (line, tighter)):
        alone = speed_profile(own, kart)
        assert lap.lap_time == pytest.approx(alone.lap_time, abs=2e-6)
        assert lap.v == pytest.approx(alone.v, rel=1e-5)
    assert profile_times([line, tighter] * (MANY // 2), kart)[:2] == pytest.approx(
        [lap.lap_time for lap in many[:2]], abs=1e-9
    )


def test_laps_of_different_lengths_at_once(solved_curvature):
    """Shorter laps stand beside longer ones without a trace, in any order, open ones too."""
    kart = load_kart("gearbox")
    whole = sampled(solved_curvature, 1)
    lines = []
    for count in np.random.default_rng(4).permutation(np.arange(300, 300 + 3 * MANY, 3)):
        kept = {name: getattr(whole, name)[:count] for name in whole.__dataclass_fields__ if name != "closed"}
        lines.append(type(whole)(**kept, closed=False))
    for end in (None, 0.0):
        for lap, line in zip(speed_profiles(lines, kart, v_start=10.0, v_end=end), lines):
            alone = speed_profile(line, kart, v_start=10.0, v_end=end)
            assert lap.lap_time == pytest.approx(alone.lap_time, abs=2e-5 if end == 0.0 else 2e-6)


# ---- an independent solver

PIECE = 400.0  #: length of line that is handed to both [m]
ENDS = 8.0  #: speed at both ends [m/s]
FORCE = 700.0  #: drive force [N]


def independent_time(curvature: CubicSpline, kart: Kart, step: float, facets: int, factor: float) -> float:
    """Time by toppra: H. Pham & Q.-C. Pham, "A new approach to time-optimal path parameterization based on reachability
    analysis", IEEE Trans. Robotics 34(3), 2018 (PyPI: toppra).

    Station s is the path; with u = dv/dt and x = v² the tyre demand (inertia·u + drag·x + crr·g, kappa·x) is held
    inside a polygon of ``facets`` sides about the two half ellipses (braking, driving), scaled by ``factor``.
    """
    toppra = pytest.importorskip("toppra")
    from toppra.algorithm import TOPPRA
    from toppra.constraint import LinearConstraint

    toppra.setup_logging("ERROR")
    numbers = kart_numbers(kart)
    angle = (np.arange(facets) + 0.5) * 2.0 * np.pi / facets
    along = np.where(np.cos(angle) > 0.0, drive_friction(numbers, 1.0), brake_friction(numbers, 1.0))
    sides = np.column_stack([np.cos(angle) / along, np.sin(angle) / numbers.mu_y]) / STANDARD_GRAVITY
    sides = np.vstack([sides, [1.0, 0.0]])
    bounds = np.append(np.full(facets, factor), FORCE / kart.mass)

    class Tyres(LinearConstraint):
        def compute_constraint_params(self, path, grid):
            one = np.ones_like(grid)
            a = np.column_stack([numbers.inertia * one, 0.0 * one])
            b = np.column_stack([numbers.drag * one, curvature(grid)])
            c = np.column_stack([numbers.rolling_resistance * STANDARD_GRAVITY * one, 0.0 * one])
            limits = np.tile([-50.0, 50.0], (grid.size, 1)), np.tile([0.0, 50.0**2], (grid.size, 1))
            return a, b, c, np.tile(sides, (grid.size, 1, 1)), np.tile(bounds, (grid.size, 1)), *limits

    grid = np.linspace(0.0, PIECE, round(PIECE / step) + 1)
    solver = TOPPRA([Tyres()], toppra.SplineInterpolator([0.0, PIECE], [0.0, PIECE]), gridpoints=grid)
    v = solver.compute_parameterization(ENDS, ENDS)[1]
    return float(np.sum(2.0 * np.diff(grid) / (v[1:] + v[:-1])))


@pytest.fixture(scope="module")
def independent(solved_curvature) -> tuple[Kart, float, float]:
    """Kart, and its time by tangents and by chords of the ellipses, which bracket the exact limit.

    toppra's collocation is of first order in the step (measured: 0.32, 0.17, 0.08 ms at 0.1, 0.05, 0.02 m), so two
    steps are extrapolated to none.
    """
    kart = load_kart("senior-single-speed")
    kart = dataclasses.replace(kart, scrub=0.0, engine=PowerEngine(power=2e5, max_force=FORCE))
    fine, coarse = (
        [independent_time(solved_curvature, kart, step, 256, factor) for factor in (1.0, np.cos(np.pi / 256))]
        for step in (0.05, 0.1)
    )
    return kart, 2.0 * fine[0] - coarse[0], 2.0 * fine[1] - coarse[1]


@pytest.mark.parametrize("per_metre", [10, 1])
def test_independent_solver_finds_the_same_time(solved_curvature, independent, per_metre):
    """CHECKS 10: the same line and limits in toppra, 0.1 ms."""
    kart, tangents, chords = independent
    distance = np.linspace(0.0, PIECE, per_metre * round(PIECE) + 1)
    lap = speed_profile(flat_line(distance, solved_curvature(distance)), kart, v_start=ENDS, v_end=ENDS)
    assert tangents < lap.lap_time + 1e-4
    assert lap.lap_time < chords + 1e-4
    # a polygon between the two has the ellipses' area with a third of the excess of the tangents
    assert lap.lap_time == pytest.approx(tangents + (chords - tangents) / 3.0, abs=1e-4)
