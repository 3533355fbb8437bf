"""The interior-point method and what it stands on, held against NumPy's dense algebra, CasADi and IPOPT."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from linelab.errors import SolveError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.geometry.banded import factorised, solved
from linelab.model.grip import kart_numbers, power_slope
from linelab.optimum import interior
from linelab.optimum import runs as run
from linelab.optimum.assembly import Stages, bound, drive_table, tape_of
from linelab.optimum.assembly import run as run_tape
from linelab.optimum.mesh import make_mesh
from linelab.optimum.minimum_time import solve_min_time
from linelab.optimum.newton import Duals, box_of, gaps_of, inside, longest, longest_dual, recentred
from linelab.optimum.runs import first_guess, starting_point
from linelab.optimum.stage import Structure, stage_functions, whole_stage
from linelab.optimum.task import End, Task

NAMES = ("cost", "constraints", "jacobian", "hessian", "whole")
STRUCTURES = [
    Structure(intervals=1, closed=True, level=True, knots=4),
    Structure(intervals=1, closed=True, profile=4, knots=12),
    Structure(intervals=1, closed=True, knots=4, rates=True),
]


# ---- tapes


def replayed(function, inputs: list[np.ndarray]) -> list[np.ndarray]:
    """Outputs (nonzeros, M) of a function run as a tape on inputs (elements, M)."""
    tape, count = tape_of(function), inputs[0].shape[1]
    outputs = [np.zeros((size, count)) for size in tape.outputs]
    for calls in bound(tape, inputs, outputs, np.zeros((tape.registers, count))):
        run_tape(calls)
    return outputs


def some_inputs(function, count: int) -> list[np.ndarray]:
    rng = np.random.default_rng(3)
    return [rng.uniform(0.5, 1.5, (function.numel_in(i), count)) for i in range(function.n_in())]


@pytest.mark.parametrize("structure", STRUCTURES)
@pytest.mark.parametrize("name", NAMES)
def test_a_tape_gives_casadis_own_numbers(structure, name):
    function = whole_stage(structure).function if name == "whole" else getattr(stage_functions(structure), name)
    inputs = some_inputs(function, 7)
    outputs = replayed(function, inputs)
    for k in range(7):
        expected = function(*(each[:, k] for each in inputs))
        expected = expected if isinstance(expected, tuple) else (expected,)
        for ours, theirs in zip(outputs, expected):
            np.testing.assert_allclose(ours[:, k], np.asarray(theirs.nonzeros()), rtol=1e-14, atol=0.0)


def test_an_operation_without_counterpart_is_refused():
    import casadi as ca

    x = ca.SX.sym("x")
    with pytest.raises(NotImplementedError, match="of tangent"):
        tape_of(ca.Function("tangent", [x], [ca.tan(x)]))


# ---- narrow bands


def dense(band: np.ndarray) -> np.ndarray:
    size, width = band.shape
    full = np.zeros((size, size))
    for j in range(size):
        for d in range(width):
            full[(j + d) % size, j] = full[j, (j + d) % size] = band[j, d]
    return full


def random_band(rng: np.random.Generator, size: int, ring: bool, diagonal: float) -> np.ndarray:
    band = rng.normal(size=(size, 7))
    band[:, 0] = diagonal
    if not ring:
        for d in range(1, 7):
            band[size - d :, d] = 0.0
    return band


@pytest.mark.parametrize("ring", [True, False])
@pytest.mark.parametrize("size", [13, 20, 101])
def test_bands_are_solved_as_dense_matrices_are(ring, size):
    rng = np.random.default_rng(size)
    band, right = random_band(rng, size, ring, 14.0), rng.normal(size=size)
    factor = factorised(band, ring)
    assert factor is not None
    np.testing.assert_allclose(solved(factor, right), np.linalg.solve(dense(band), right), rtol=1e-10)


@pytest.mark.parametrize("ring", [True, False])
def test_only_positive_definite_bands_have_a_factor(ring):
    rng = np.random.default_rng(5)
    seen = set()
    for diagonal in np.linspace(2.0, 9.0, 40):
        band = random_band(rng, 24, ring, diagonal)
        definite = bool(np.linalg.eigvalsh(dense(band)).min() > 0.0)
        assert (factorised(band, ring) is not None) == definite
        seen.add(definite)
    assert seen == {True, False}


# ---- bounds


def test_steps_stop_short_of_the_bounds():
    box = box_of(np.array([0.0, -np.inf, -1.0]), np.array([np.inf, 2.0, 1.0]))
    gaps = gaps_of(box, np.array([1.0, 0.0, 0.0]))
    assert longest(box, gaps, np.array([-2.0, 1.0, 0.5]), 0.99) == pytest.approx(0.495)
    assert longest(box, gaps, np.array([5.0, -9.0, 0.5]), 0.99) == 1.0
    assert longest_dual(Duals(np.array([1.0]), np.array([2.0])), Duals(np.array([-4.0]), np.array([1.0])), 0.8) == 0.2
    np.testing.assert_allclose(inside(box, np.array([-3.0, 9.0, 0.0]), 0.01, 0.01), [0.01, 1.98, 0.0], atol=1e-6)


def test_active_bounds_start_where_the_barrier_has_them():
    box = box_of(np.zeros(3), np.full(3, np.inf))
    slopes = Duals(np.array([2.0, 0.0, 2.0]), np.zeros(3))
    start = recentred(box, np.array([-0.3, 0.7, 0.5]), slopes, np.array([True, True, True]), 1e-2)
    np.testing.assert_allclose(start, [0.005, 0.7, 0.005], atol=1e-8)


# ---- the drive's power by its expansion


@pytest.mark.parametrize("name", ["rental-four-stroke", "junior-single-speed", "senior-single-speed", "gearbox"])
def test_the_tabled_drive_is_the_drive(name):
    from linelab.model.grip import drive_power, used_knots

    numbers = kart_numbers(load_kart(name))
    knots = used_knots(numbers)
    v = np.linspace(0.5, float(numbers.top_speed), 4001)
    power, slope, bend = drive_table(numbers, knots).at(v)
    exact = np.asarray(drive_power(numbers, v, knots))
    np.testing.assert_allclose(power, exact, atol=2e-5 * exact.max())
    known = np.asarray(power_slope(numbers, v, knots))
    np.testing.assert_allclose(slope, known, atol=1e-3 * np.abs(known).max())
    h = 1e-4
    middle = v[(v / 0.02 % 1.0 > 0.05) & (v / 0.02 % 1.0 < 0.95)]
    table = drive_table(numbers, knots)
    np.testing.assert_allclose(
        (table.at(middle + h)[1] - table.at(middle - h)[1]) / (2.0 * h), table.at(middle)[2], rtol=1e-5, atol=1e-3
    )
    assert np.isfinite(bend).all()


# ---- the whole problem


def task_of(track: str = "ostrelle_sprint", kart: str = "senior-single-speed", grip: float = 1.0) -> Task:
    found = load_kart(kart)
    return Task(load_track(track), found, kart_numbers(found), grip, End(), End())


@pytest.fixture(scope="module")
def cold():
    task = task_of()
    guess = first_guess(task)
    mesh = make_mesh(task.track, guess.rhythm, 320)
    return task, run.posed(task, mesh), run.Start(np.concatenate(starting_point(mesh, guess, 0.9)), 0.1)


def test_gradient_jacobian_and_hessian_are_derivatives(cold):
    """Along random directions, by central differences of the values."""
    _, numbers, start = cold
    stages = Stages(numbers.problem.structure)
    stages.load(numbers.parameters)
    rng = np.random.default_rng(1)
    at, y, h = start.x[stages.order], rng.uniform(0.0, 1.0, numbers.problem.layout.stage_rows), 1e-6
    for _ in range(4):
        way = rng.normal(size=at.size)
        below, above = stages.linear(at - h * way), stages.linear(at + h * way)
        pulled = [slope + 0.0 for slope in (below[1], above[1])]
        for sign, total in zip((-1.0, 1.0), pulled):
            stages.linear(at + sign * h * way)
            total += stages.back(y)
        _, slope, _ = stages.linear(at)
        band = stages.newton(y, 0.0 * y)
        along = stages.forward(way)
        assert (above[0] - below[0]) / (2.0 * h) == pytest.approx(slope @ way, rel=1e-6)
        np.testing.assert_allclose((above[2] - below[2]) / (2.0 * h), along, rtol=1e-5, atol=1e-5)
        assert stages.back(y) @ way == pytest.approx(along @ y, rel=1e-10)
        bent = dense(band) @ way
        np.testing.assert_allclose((pulled[1] - pulled[0]) / (2.0 * h), bent, rtol=1e-4, atol=2e-4 * np.abs(bent).max())
        square = dense(stages.newton(0.0 * y, y) - stages.newton(0.0 * y, 0.0 * y)) @ way
        np.testing.assert_allclose(square, stages.back(y * along), rtol=1e-9, atol=1e-9 * np.abs(square).max())


def test_both_solvers_find_the_same_line(cold):
    """IPOPT, with MUMPS's sparse factorisation, shares the stage functions and nothing else."""
    _, numbers, start = cold
    ours, theirs = (method(numbers, start) for method in (run.in_bands, run.by_ipopt))
    assert (ours.method, theirs.method) == ("bands", "ipopt")
    np.testing.assert_allclose(ours.x, theirs.x, atol=1e-2)  # metres: the optimum is flat
    size = ours.structure.intervals
    np.testing.assert_allclose(ours.x[size:], theirs.x[size:], rtol=1e-3)
    stages = Stages(ours.structure)
    stages.load(ours.parameters)
    values = [stages.value(each.x[stages.order])[0] for each in (ours, theirs)]
    assert values[0] == pytest.approx(values[1], rel=6e-6)  # 0.3 ms a lap


def test_ipopt_is_asked_where_the_method_does_not_get_on(monkeypatch):
    def stuck(*arguments, **keywords):
        raise interior.StuckError("a test")

    monkeypatch.setattr(interior, "newton_at", stuck)
    solution = solve_min_time(load_track("tinmarsh_rental"), load_kart("rental-four-stroke"), tolerance=0.5)
    assert solution.iterate.method == "ipopt"
    monkeypatch.undo()
    again = solve_min_time(load_track("tinmarsh_rental"), load_kart("rental-four-stroke"), tolerance=0.5)
    assert again.iterate.method == "bands"
    assert again.lap_time == pytest.approx(solution.lap_time, abs=3e-4)  # as above


def test_no_convergence_raises(cold):
    _, numbers, start = cold
    stages, bounds = Stages(numbers.problem.structure), numbers.bounds
    stages.load(numbers.parameters)
    order = stages.order
    limits = interior.Bounds(bounds["lbx"][order], bounds["ubx"][order], bounds["lbg"], bounds["ubg"])
    with pytest.raises(SolveError, match="not converged after 3 iterations"):
        interior.minimise(stages, limits, start.x[order], barrier=0.1, most=3)


def test_a_warm_start_takes_fewer_iterations(cold):
    task, numbers, start = cold
    first = run.in_bands(numbers, start)
    kart = replace(task.kart, mass=task.kart.mass + 2.0)
    heavier = task._replace(kart=kart, numbers=kart_numbers(kart))
    changed = run.posed(heavier, numbers.mesh)
    warm = run.in_bands(changed, run.Start(first.x, 1e-3, first))
    anew = run.in_bands(changed, start)
    assert warm.iterations < anew.iterations
    np.testing.assert_allclose(warm.x, anew.x, atol=1e-2)
