"""Edges to reference line: valid inside hairpins, true to the survey, and with errors that say what to do."""

from __future__ import annotations

import numpy as np
import pytest
from edge_shapes import along, circle, figure_of_eight, knife_edge, match, oval, ring_road, serpentine, spiral, winding
from hypothesis import given, settings
from hypothesis import strategies as st

from linelab.errors import TrackError
from linelab.geometry.curve import curve_at
from linelab.geometry.reference_line import LEAST_STRETCH, corridor_from_edges, crossing_station, stretch

SQUARE = [(0.0, 0.0), (60.0, 0.0), (60.0, 40.0), (0.0, 40.0)]
ELL = [(0.0, 0.0), (80.0, 0.0), (80.0, 30.0), (40.0, 30.0), (40.0, 60.0), (0.0, 60.0)]


def worst(corridor):
    return float(stretch(corridor.reference, corridor.w_left, corridor.w_right).min())


def half_circle(radius, width):
    angle = np.linspace(0.0, np.pi, 60)
    return along(np.column_stack([radius * np.sin(angle), radius * np.cos(angle)]), width, False)


CASES = {
    **{f"hairpins of {r} m inside": (*oval(r, 8.0), 0.3, True) for r in (0.5, 1.0, 2.0, 3.0)},
    "square, mitred": (*ring_road(SQUARE, 8.0, "mitre"), 0.5, True),
    "square, clockwise": (*ring_road(SQUARE, 8.0, "round", anticlockwise=False), 0.5, True),
    "two metres wide": (*ring_road(SQUARE, 2.0, "mitre"), 0.5, True),
    "three metres wide": (*ring_road(ELL, 3.0, "round"), 0.5, True),
    "L": (*ring_road(ELL, 8.0, "mitre"), 0.5, True),
    "acute corners": (*ring_road([(0, 0), (150, 0), (75, 60)], 8.0), 0.3, True),
    "serpentine 1.5 m apart": (*serpentine(), 0.3, True),
    "serpentine, square ends, clockwise": (*serpentine(join="mitre", anticlockwise=False), 0.3, True),
    "serpentine half a metre apart": (*serpentine(gap=0.5), 0.25, True),
    "circle of 30 m": (circle(22.0), circle(30.0, 611, 1.0), 0.5, True),
    "figure of eight": (*figure_of_eight(), 0.5, True),
    "small figure of eight": (*figure_of_eight(25.0, 6.0), 0.5, True),
    "spiral": (*spiral(), 0.5, False),
    "straight": (np.array([(0.0, 4.0), (100.0, 4.0)]), np.array([(0.0, -4.0), (100.0, -4.0)]), 0.99, False),
    "open hairpin": (*half_circle(9.0, 8.0), 0.5, False),
    "winding": (*winding(0.8), 0.5, False),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_reference_line_is_valid_and_true_to_the_edges(name):
    left, right, least, closed = CASES[name]
    corridor = corridor_from_edges(left, right, closed=closed)
    assert worst(corridor) >= least
    assert min(corridor.w_left.min(), corridor.w_right.min()) > 0.0
    crosses_itself = "eight" in name
    found = match(corridor, left, right, closed)
    assert found.rms_smooth <= 0.02
    if closed and not crosses_itself:
        assert found.outwards <= 0.05  # never a way over the grass
    assert found.lost <= 0.7  # nor much road given up, even at outside corners


def test_knife_edge_gives_up_a_sliver_but_never_the_wall():
    left, right = knife_edge()
    corridor = corridor_from_edges(left, right, closed=True)
    assert worst(corridor) >= LEAST_STRETCH
    curve = corridor.reference
    tip = np.hypot(curve.x - 60.0, curve.y).argmin()
    assert corridor.w_left[tip] <= np.hypot(curve.x[tip] - 60.0, curve.y[tip]) + 0.3


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    radii=st.lists(st.floats(40.0, 110.0), min_size=5, max_size=11),
    width=st.floats(2.5, 9.0),
    join=st.sampled_from(["round", "mitre"]),
    anticlockwise=st.booleans(),
)
@pytest.mark.slow
def test_random_angular_circuits(radii, width, join, anticlockwise):
    angle = np.arange(len(radii)) * 2.0 * np.pi / len(radii)
    edges = ring_road(np.column_stack([radii * np.cos(angle), radii * np.sin(angle)]), width, join, anticlockwise)
    if edges is None:
        return
    corridor = corridor_from_edges(*edges, closed=True)
    assert worst(corridor) >= 0.2
    found = match(corridor, *edges)
    assert found.rms_smooth <= 0.02
    assert found.outwards <= 0.05


def transformed(points, angle=0.0, shift=(0.0, 0.0), mirror=False):
    flip = np.array([[1.0, 0.0], [0.0, -1.0 if mirror else 1.0]])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.asarray(points) @ flip @ turn.T + shift


@settings(max_examples=8, deadline=None, derandomize=True)
@given(angle=st.floats(-3.0, 3.0), x=st.floats(-5000.0, 5000.0), y=st.floats(-5000.0, 5000.0))
def test_rotation_and_shift_change_nothing(angle, x, y):
    left, right = serpentine()
    base = corridor_from_edges(left, right, closed=True)
    moved = corridor_from_edges(transformed(left, angle, (x, y)), transformed(right, angle, (x, y)), closed=True)
    assert moved.reference.length == pytest.approx(base.reference.length, abs=0.02)
    assert np.abs(moved.w_left - base.w_left).max() < 0.1
    assert worst(moved) == pytest.approx(worst(base), abs=0.02)
    expected = transformed(np.column_stack([base.reference.x, base.reference.y]), angle, (x, y))
    assert np.hypot(moved.reference.x - expected[:, 0], moved.reference.y - expected[:, 1]).max() < 0.1


def test_mirror_swaps_the_sides():
    left, right = serpentine()
    base = corridor_from_edges(left, right, closed=True)
    other = corridor_from_edges(transformed(right, mirror=True), transformed(left, mirror=True), closed=True)
    assert other.reference.length == pytest.approx(base.reference.length, rel=2e-3)
    assert worst(other) == pytest.approx(worst(base), abs=0.03)


def test_reversal_swaps_the_sides():
    left, right = serpentine()
    base = corridor_from_edges(left, right, closed=True)
    other = corridor_from_edges(right[::-1], left[::-1], closed=True)
    assert other.reference.length == pytest.approx(base.reference.length, rel=2e-3)
    assert worst(other) == pytest.approx(worst(base), abs=0.03)


def test_another_first_point_on_the_right_edge_changes_nothing():
    left, right = serpentine()
    base = corridor_from_edges(left, right, closed=True)
    other = corridor_from_edges(left, np.roll(right, 37, axis=0), closed=True)
    assert other.reference.length == pytest.approx(base.reference.length, rel=2e-3)
    assert worst(other) == pytest.approx(worst(base), abs=0.03)


def test_repeated_points_and_a_repeated_first_point_are_tolerated():
    left, right = oval(3.0, 8.0)
    base = corridor_from_edges(left, right, closed=True)
    twice = np.vstack([np.repeat(left, 2, axis=0), left[:1]])
    assert np.abs(corridor_from_edges(twice, right, closed=True).w_left - base.w_left).max() < 1e-6


def test_survey_noise_stays_in_the_widths_and_out_of_the_line():
    rng = np.random.default_rng(1)
    left, right = (edge + 0.03 * rng.normal(size=edge.shape) for edge in oval(3.0, 8.0))
    corridor = corridor_from_edges(left, right, closed=True)
    assert worst(corridor) > 0.5
    assert np.abs(corridor.reference.dkappa).max() < 0.2
    assert match(corridor, left, right, smooth_angle=9.0).rms_smooth < 0.02


@pytest.mark.parametrize("name", ["serpentine 1.5 m apart", "figure of eight", "spiral"])
def test_widths_never_jump_to_another_stretch(name):
    left, right, _, closed = CASES[name]
    corridor = corridor_from_edges(left, right, closed=closed)
    width = corridor.w_left + corridor.w_right
    assert width.min() > 5.5
    assert width.max() < 13.0  # road plus gap plus road would be 17.5 m


def test_curve_is_consistent():
    left, right = serpentine()
    curve = corridor_from_edges(left, right, closed=True).reference
    # x, y, psi integrated from kappa by Simpson's rule on a fine grid must come back to the tables.
    s = np.linspace(0.0, curve.length, 40001)
    h = s[1] - s[0]
    fine = curve_at(curve, s)
    middle = curve_at(curve, s[:-1] + 0.5 * h)

    def integral(at, mid):
        return np.concatenate([[0.0], np.cumsum((at[:-1] + 4.0 * mid + at[1:]) * h / 6.0)])

    psi = curve.psi[0] + integral(fine.kappa, middle.kappa)
    assert np.abs(psi - fine.psi).max() < 1e-4
    x = curve.x[0] + integral(np.cos(fine.psi), np.cos(middle.psi))
    assert np.abs(x - fine.x).max() < 1e-3
    assert curve.psi[-1] - curve.psi[0] == pytest.approx(2.0 * np.pi, abs=1e-12)
    assert (curve.x[0], curve.y[0], curve.kappa[0]) == (curve.x[-1], curve.y[-1], curve.kappa[-1])
    numeric = np.diff(fine.kappa) / h
    assert np.abs(numeric - middle.dkappa).max() < 0.02 * np.abs(curve.dkappa).max()


def test_start_line_sets_station_zero():
    left, right = oval(3.0, 8.0)
    line = ((20.0, 3.0), (20.0, 11.0))  # driven westwards there: left is south
    corridor = corridor_from_edges(left, right, closed=True, start=line)
    assert corridor.reference.x[0] == pytest.approx(20.0, abs=1e-6)
    assert corridor.reference.y[0] > 3.0
    assert crossing_station(corridor.reference, line) == pytest.approx(0.0, abs=1e-6)
    other = crossing_station(corridor.reference, ((20.0, -3.0), (20.0, -11.0)))
    assert curve_at(corridor.reference, other).x == pytest.approx(20.0, abs=1e-6)


def test_default_station_zero_faces_the_first_left_point():
    left, right = oval(3.0, 8.0)
    curve = corridor_from_edges(np.roll(left, -40, axis=0), right, closed=True).reference
    first = np.roll(left, -40, axis=0)[0]
    along_tangent = (first[0] - curve.x[0]) * np.cos(curve.psi[0]) + (first[1] - curve.y[0]) * np.sin(curve.psi[0])
    assert abs(along_tangent) < 1.0


def test_slope_and_bank_from_elevations():
    # A plane climbing 6 % to the east: along the south straight (driven east) the slope is atan(0.06), no bank;
    # where the track runs north, the left (west) side is lower, so the bank is positive.
    left, right = (np.column_stack([edge, 0.06 * edge[:, 0]]) for edge in oval(20.0, 8.0))
    corridor = corridor_from_edges(left, right, closed=True)
    curve = corridor.reference
    east = np.abs(np.angle(np.exp(1j * curve.psi))) < 0.01
    assert np.abs(corridor.slope[east] - np.arctan(0.06)).max() < 1e-3
    assert np.abs(corridor.bank[east]).max() < 2e-3
    north = int(np.argmin(np.abs(np.angle(np.exp(1j * (curve.psi - np.pi / 2.0))))))
    assert corridor.bank[north] == pytest.approx(np.arctan(0.06), abs=3e-3)
    assert corridor.slope[north] == pytest.approx(0.0, abs=3e-3)
    assert np.abs(corridor.z - 0.06 * curve.x).max() < 0.1


def test_elevation_of_one_edge_alone_gives_the_slope():
    left, right = oval(20.0, 8.0)
    corridor = corridor_from_edges(np.column_stack([left, 0.06 * left[:, 0]]), right, closed=True)
    east = np.abs(np.angle(np.exp(1j * corridor.reference.psi))) < 0.01
    assert np.abs(corridor.slope[east] - np.arctan(0.06)).max() < 5e-3
    assert not corridor.bank.any()


def test_no_elevation_means_a_flat_track():
    corridor = corridor_from_edges(*oval(3.0, 8.0), closed=True)
    assert not corridor.z.any()
    assert not corridor.slope.any()
    assert not corridor.bank.any()


def broken_vertex(edge, index, value):
    out = np.array(edge, dtype=float)
    out[index] = value
    return out


LEFT, RIGHT = oval(6.0, 8.0)
BAD = {
    "swapped": (RIGHT, LEFT, True, "Swap the two edges"),
    "opposite directions": (LEFT, RIGHT[::-1], True, "opposite directions"),
    "one point": (LEFT[:1], RIGHT, True, "left edge: 1 distinct point"),
    "no points": (LEFT, np.zeros((0, 2)), True, "right edge: 0 distinct point"),
    "not a number": (broken_vertex(LEFT, 4, np.nan), RIGHT, True, "left edge, vertex 5"),
    "words": ([("a", "b")], RIGHT, True, "not a list of numbers"),
    "open declared closed": (*half_circle(60.0, 8.0), True, "declare the track open"),
    "crossing": (broken_vertex(LEFT, 30, (76.5, 5.0)), RIGHT, True, "the edges cross at"),
    "degrees": (LEFT * 1e-5, RIGHT * 1e-5, True, "Edges are in metres"),
    "same line": (LEFT, LEFT, True, "apart"),
    "millimetres": (LEFT * 1000.0, RIGHT * 1000.0, True, "Check the unit"),
    "another track": (LEFT, RIGHT + 500.0, True, ""),
    "loop": (np.insert(LEFT, 60, [(40.0, 6.0), (42.0, 9.0), (48.0, 9.0), (49.0, 5.0)], axis=0), RIGHT, True, ""),
    "one open edge cut short": (half_circle(60.0, 8.0)[0][:30], half_circle(60.0, 8.0)[1], False, "the edges end"),
    "a point out of place": (LEFT, broken_vertex(RIGHT, 40, RIGHT[40] + 30.0), True, "a point out of place"),
    "open, opposite": (half_circle(60.0, 8.0)[0], half_circle(60.0, 8.0)[1][::-1], False, "opposite directions"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_edges_are_refused_with_a_cause_and_a_remedy(name):
    left, right, closed, expected = BAD[name]
    with pytest.raises(TrackError) as caught:
        corridor_from_edges(left, right, closed=closed)
    message = str(caught.value)
    assert expected in message
    assert "\n" not in message
    assert message.endswith(".")
    assert len(message.split(". ")) >= 2  # cause and remedy


def test_start_line_that_misses_the_track():
    with pytest.raises(TrackError, match="start line: it does not cross the track"):
        corridor_from_edges(LEFT, RIGHT, closed=True, start=((200.0, 0.0), (210.0, 0.0)))
    with pytest.raises(TrackError, match="same point"):
        corridor_from_edges(LEFT, RIGHT, closed=True, start=((20.0, 5.0), (20.0, 5.0)))


def test_a_figure_of_eight_is_no_crossing_of_edges():
    corridor = corridor_from_edges(*figure_of_eight(), closed=True)
    assert corridor.reference.psi[-1] == pytest.approx(corridor.reference.psi[0], abs=1e-12)


@pytest.mark.slow
def test_cost_is_linear():
    import time

    def cost(kilometres):
        edges = winding(kilometres)
        begin = time.perf_counter()
        corridor_from_edges(*edges, closed=False)
        return time.perf_counter() - begin

    cost(1.0)
    assert cost(20.0) / 20.0 < 2.0 * cost(5.0) / 5.0
