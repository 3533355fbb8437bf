"""Lanes of different grip side by side, driven: the line goes where the grip is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.model.track import GripZone
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.optimum.task import End

KART = load_kart("senior-single-speed")
LENGTH = 160.0


def lane(n_right: float, n_left: float, factor: float) -> GripZone:
    return GripZone(s_start=0.0, s_end=LENGTH, n_right=n_right, n_left=n_left, factor=factor)


#: A slippery middle and a good lane on either side of it, the left one better; the edges as they are.
MIDDLE, LEFT, RIGHT = lane(-1.5, 1.5, 0.6), lane(1.5, 4.0, 1.2), lane(-4.0, -1.5, 1.1)


def solved(*zones: GripZone, n: float | None = 0.3) -> Solution:
    x = np.linspace(0.0, LENGTH, 81)
    left, right = (np.column_stack([x, np.full(x.size, y)]) for y in (5.0, -5.0))
    track = track_from_edges("straight", left, right, closed=False)
    return solve_min_time(replace(track, grip_zones=zones), KART, start=End(n=n, v=8.0), end=End(v=10.0))


def mirrored(zone: GripZone) -> GripZone:
    return replace(zone, n_right=-zone.n_left, n_left=-zone.n_right)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_kart_leaves_a_slippery_middle_for_a_good_lane(side):
    """It brakes for the end of the straight in the better lane, as late as the grip there allows."""
    lanes = (MIDDLE, LEFT, RIGHT)
    lap = solved(*(lanes if side > 0.0 else (mirrored(each) for each in lanes)), n=0.3 * side)
    assert lap.verification is not None
    braking = lap.lap.ax < -3.0
    assert braking.sum() > 5
    offset = side * lap.lap.line.n[braking]
    assert offset.min() > 1.5 + 0.3
    assert offset.max() < 4.0 - 0.3
    assert lap.lap.line.grip[braking] == pytest.approx(LEFT.factor, abs=0.03)
    plain, slippery = solved(), solved(lane(-9.0, 9.0, 0.6))
    assert lap.lap_time < plain.lap_time - 0.005 < slippery.lap_time - 0.1


def test_the_order_of_lanes_is_nothing_to_the_line():
    first, other = solved(MIDDLE, LEFT, RIGHT), solved(RIGHT, MIDDLE, LEFT)
    assert np.array_equal(first.lap.line.n, other.lap.line.n)
    assert first.lap_time == other.lap_time


def test_a_patch_in_the_very_middle_is_passed_like_one_beside_it():
    """A wet patch 4 m wide on a straight: what five centimetres decide is the side, not the time."""
    x = np.linspace(0.0, 200.0, 101)
    left, right = (np.column_stack([x, np.full(x.size, y)]) for y in (6.0, -6.0))
    road = track_from_edges("patch", left, right, closed=False)
    times = []
    for middle in (0.0, 0.05):
        patch = GripZone(s_start=80.0, s_end=110.0, n_right=middle - 2.0, n_left=middle + 2.0, factor=0.3)
        solution = solve_min_time(replace(road, grip_zones=(patch,)), load_kart("gearbox"), start=End(v=22.0))
        beside = np.abs(np.interp(95.0, solution.lap.line.s, solution.lap.line.n) - middle)
        assert beside > 1.5
        times.append(solution.lap_time)
    assert times[0] == pytest.approx(times[1], abs=2e-3)
