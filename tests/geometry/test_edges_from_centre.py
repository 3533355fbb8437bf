"""Edges from a centre line: loops at tight bends are cut off, other stretches left alone."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from edge_shapes import circle, figure_of_eight
from shapely.geometry import LineString

from linelab.errors import TrackError
from linelab.geometry.reference_line import corridor_from_edges, edges_from_centre, stretch


def hairpin_centre(radius, straight=60.0):
    angle = np.linspace(-np.pi / 2.0, np.pi / 2.0, 25)
    right = np.column_stack([straight + radius * np.cos(angle), radius * np.sin(angle)])
    left = np.column_stack([-radius * np.cos(angle), -radius * np.sin(angle)])
    return np.vstack([right, left])


def test_circle():
    left, right = edges_from_centre(circle(26.0, 80), 4.0, 3.0, closed=True)
    assert np.hypot(*left.T) == pytest.approx(22.0, abs=0.02)
    assert np.hypot(*right.T) == pytest.approx(29.0, abs=0.02)


def test_straight_with_a_width_that_varies():
    centre = np.column_stack([np.linspace(0.0, 100.0, 11), np.zeros(11)])
    left, right = edges_from_centre(centre, np.linspace(3.0, 5.0, 11), 4.0, closed=False)
    assert np.interp(left[:, 0], [0.0, 100.0], [3.0, 5.0]) == pytest.approx(left[:, 1], abs=1e-9)
    assert right[:, 1] == pytest.approx(-4.0, abs=1e-9)


@pytest.mark.parametrize(("radius", "half_width"), [(3.5, 3.0), (3.5, 3.5), (4.0, 3.9), (5.0, 4.5), (5.0, 5.0)])
def test_tight_hairpins_have_clean_edges(radius, half_width):
    left, right = edges_from_centre(hairpin_centre(radius), half_width, half_width, closed=True)
    for edge in (left, right):
        assert LineString(np.vstack([edge, edge[:1]])).is_simple
    corridor = corridor_from_edges(left, right, closed=True)
    assert stretch(corridor.reference, corridor.w_left, corridor.w_right).min() >= 0.1


@pytest.mark.parametrize("turn", [90.0, 120.0, 150.0])
def test_a_bend_tighter_than_the_width_leaves_a_sharp_inside_corner(turn):
    # Straight, arc of radius 2 m, straight; half width 4 m.  The inside offset lines of the two straights meet at
    # distance 4 / cos(turn/2) from the corner of the centre lines (elementary trigonometry).
    angle = np.radians(turn)
    tangent = 2.0 * np.tan(angle / 2.0)
    phi = np.linspace(0.0, angle, 15)
    arc = np.column_stack([2.0 * np.sin(phi), 2.0 * (1.0 - np.cos(phi))]) - [tangent, 0.0]
    far = 60.0 * np.array([np.cos(angle), np.sin(angle)])
    centre = np.vstack([np.linspace((-60.0, 0.0), arc[0], 40), arc[1:-1], np.linspace(arc[-1], far, 40)])
    left, right = edges_from_centre(centre, 4.0, 4.0, closed=False)
    assert LineString(left).is_simple
    inside = 4.0 / np.cos(angle / 2.0) * np.array([-np.sin(angle / 2.0), np.cos(angle / 2.0)])
    assert np.hypot(*(left - inside).T).min() < 0.35
    # Nowhere nearer to the centre line than the half width (the curve through the points wavers by centimetres).
    assert shapely.distance(shapely.points(left), LineString(centre)).min() > 3.75
    assert shapely.distance(shapely.points(right), LineString(centre)).min() > 3.9


def test_a_track_that_crosses_itself_keeps_both_stretches():
    left, right = figure_of_eight(60.0, 0.002)
    centre = 0.5 * (left + right)
    edges = edges_from_centre(centre, 4.0, 4.0, closed=True)
    length = LineString(np.vstack([centre, centre[:1]])).length
    for edge in edges:  # each side is inside of one lobe and outside of the other: as long as the centre line
        assert LineString(np.vstack([edge, edge[:1]])).length == pytest.approx(length, rel=5e-3)


def test_heights_travel_along():
    centre = np.column_stack([circle(30.0, 60), np.arange(60.0)])
    left, right = edges_from_centre(centre, 4.0, 4.0, closed=True)
    assert left.shape[1] == right.shape[1] == 3
    assert right[:, 2].max() > 50.0


@pytest.mark.parametrize(
    ("centre", "width", "expected"),
    [
        (circle(30.0, 60), np.full(59, 4.0), "59 widths for 60 points"),
        (circle(30.0, 60), np.where(np.arange(60) == 7, np.nan, 4.0), "vertex 8"),
        (circle(30.0, 60), -4.0, "not a positive number"),
        (circle(30.0, 60)[:2], 4.0, "at least 3"),
        (hairpin_centre(2.0), 6.0, "folds over itself"),
    ],
)
def test_bad_centre_lines_are_refused(centre, width, expected):
    with pytest.raises(TrackError, match=expected):
        edges_from_centre(centre, width, 4.0, closed=True)
