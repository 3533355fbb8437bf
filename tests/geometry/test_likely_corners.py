"""Corners of a driven line, and those that most draws of an uncertain middle have."""

from __future__ import annotations

import numpy as np
import pytest

from linelab.geometry.corners import find_corners
from linelab.geometry.likely_corners import likely_corners
from linelab.geometry.median_path import closed_curve


def loop(straight: float, radius: float = 20.0, wave: float = 0.0, seed: int = 0):
    """A stadium with a straight of this length between the two quarter turns at one end; its line wavers [m]."""
    turn = 0.25 * np.pi * radius * 2.0
    lengths = [120.0, turn, straight, turn, 120.0, turn, straight, turn]
    bends = [0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0]
    s = np.arange(0.0, sum(lengths), 0.25)
    kappa = np.array(bends)[np.searchsorted(np.cumsum(lengths), s, side="right")] / radius
    psi = np.cumsum(kappa) * 0.25
    rng = np.random.default_rng(seed)
    steps = np.column_stack([np.cos(psi), np.sin(psi)]) * 0.25
    x, y = np.cumsum(steps - steps.mean(axis=0), axis=0).T
    phases = 2.0 * np.pi * s / s[-1] * np.arange(10, 24)[:, None] + rng.uniform(0.0, 2.0 * np.pi, (14, 1))
    n = wave * np.sqrt(2.0 / 14.0) * np.cos(phases).sum(axis=0)
    points = np.column_stack([x - n * np.sin(psi), y + n * np.cos(psi)])
    return closed_curve(np.vstack([points, points[:1]]))


def count(line, **how) -> int:
    return len(find_corners(line, np.full(line.s.size, 3.5), np.full(line.s.size, 3.5), **how))


def test_a_dip_that_a_line_crosses_slowly_is_a_straight_between_two_corners():
    """With 12 m between arcs of 20 m the road's rule is on its edge: its answer changes with centimetres."""
    lines = [loop(12.0, wave=0.12, seed=seed) for seed in range(12)]
    assert {count(line, driven=True) for line in lines} == {4}
    assert len({count(line) for line in lines}) > 1


def test_one_bend_stays_one_corner():
    assert {count(loop(0.0, wave=0.08, seed=seed), driven=True) for seed in range(6)} == {2}


@pytest.mark.parametrize("noisy", [2, 19])
def test_two_corners_are_one_where_draws_allow_it(noisy):
    """The estimate straightens between two tight parts; some draws of its middle do not."""
    estimate = loop(12.0)
    half = np.full(estimate.s.size, 3.5)
    n = -1.6 * sum(np.exp(-(((estimate.s - at) / 9.0) ** 2)) for at in (157.4, 352.2))  # outwards, as an arc would run
    drawn = find_corners(estimate, half + n, half - n, driven=True)
    assert len(drawn) < len(find_corners(estimate, half, half, driven=True)) == 4
    draws = np.array([n if k < noisy else 0.0 * n for k in range(79)])
    expected = len(drawn) if noisy / 80.0 > 0.05 else 4
    assert len(likely_corners(estimate, half, half, draws, driven=True)) == expected
