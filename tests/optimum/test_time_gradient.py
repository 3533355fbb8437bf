"""Derivatives of the lap time from the multipliers, against finite differences of re-solved laps."""

from __future__ import annotations

from dataclasses import replace

import pytest

from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.grip import kart_numbers
from linelab.optimum.minimum_time import solve_min_time, time_gradient
from linelab.optimum.path import solved_path, solved_time
from linelab.optimum.runs import unpacked


@pytest.fixture(scope="module")
def solved():
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    return track, kart, solve_min_time(track, kart)


def solver_time(track, solution) -> float:
    """Lap time of the optimiser's own speed, whose derivative the multipliers give [s]."""
    return solved_time(solved_path(track, solution.iterate.mesh, *unpacked(solution.iterate)))


@pytest.mark.parametrize("name", ["mu_lateral", "mu_longitudinal"])
def test_grip_derivative_matches_finite_difference(solved, name):
    """Central difference of two warm re-solves on the same mesh; the second-order term is far below the tolerance."""
    track, kart, base = solved
    step = 0.004 * getattr(kart, name)
    times = [
        solve_min_time(track, replace(kart, **{name: getattr(kart, name) + side * step}), warm=base, verify=False)
        for side in (-1.0, 1.0)
    ]
    difference = (solver_time(track, times[1]) - solver_time(track, times[0])) / (2.0 * step)
    gradient = time_gradient(base)
    derivative = float(gradient.mu_y if name == "mu_lateral" else gradient.mu_x)
    assert derivative < 0.0
    assert derivative == pytest.approx(difference, rel=0.02)


def test_more_power_is_faster(solved):
    _, _, base = solved
    assert float(time_gradient(base).force_at_zero) <= 1e-9
    assert float(time_gradient(base).mass) > 0.0


def test_top_speed_derivative_matches_finite_difference(solved):
    """A rev limit low enough to hold on the straights, moved to either side; its drive curve stays the same below."""
    track, kart, _ = solved
    low = 0.85 * kart.engine.rev_limit

    def limited(by: float):
        return replace(kart, engine=replace(kart.engine, rev_limit=by * low))

    base = solve_min_time(track, limited(1.0))
    tops = [float(kart_numbers(limited(by)).top_speed) for by in (0.998, 1.002)]
    times = [solver_time(track, solve_min_time(track, limited(by), warm=base, verify=False)) for by in (0.998, 1.002)]
    difference = (times[1] - times[0]) / (tops[1] - tops[0])
    assert difference < -0.1
    assert float(time_gradient(base).top_speed) == pytest.approx(difference, rel=0.05)
