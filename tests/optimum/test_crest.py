"""Over a crest that would throw the kart off the ground the lap is solved and slowed to what keeps it down."""

from __future__ import annotations

import numpy as np
import pytest

from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.model.grip import Loads, grip_excess, kart_numbers
from linelab.optimum.minimum_time import solve_min_time
from linelab.units import STANDARD_GRAVITY

STRAIGHT, RADIUS, WIDTH = 200.0, 20.0, 8.0  #: of an oval [m]


def oval_with_crest(height: float, length: float):
    """Two straights and two half turns; in the middle of the first straight a cosine hump [m]."""
    along, turn = np.arange(0.0, STRAIGHT, 1.0), np.linspace(-0.5 * np.pi, 0.5 * np.pi, 80)

    def edge(radius: float):
        there, back = (np.column_stack([x, 0.0 * x + y]) for x, y in ((along, -radius), (STRAIGHT - along, radius)))
        right = np.column_stack([STRAIGHT + radius * np.cos(turn), radius * np.sin(turn)])
        left = np.column_stack([-radius * np.cos(turn), -radius * np.sin(turn)])
        points = np.vstack([there, right, back, left])
        from_top = points[:, 0] - 0.5 * STRAIGHT
        hump = 0.5 * height * (1.0 + np.cos(2.0 * np.pi * from_top / length))
        z = np.where((np.abs(from_top) < 0.5 * length) & (points[:, 1] < 0.0), hump, 0.0)
        return np.column_stack([points, z])

    return track_from_edges("crest", edge(RADIUS - 0.5 * WIDTH), edge(RADIUS + 0.5 * WIDTH), closed=True)


@pytest.mark.parametrize(("height", "length"), [(4.0, 60.0), (8.0, 80.0)])
def test_a_kart_slows_for_a_crest_it_would_fly_over(height, length):
    """A hump h/2 (1 + cos(2 pi x/l)) bends by 2 h (pi/l)² at its top: v² times that is the fall of gravity (Newton)."""
    kart = load_kart("senior-single-speed")
    lap = solve_min_time(oval_with_crest(height, length), kart).lap
    bend = -lap.line.vertical_curvature
    top = np.argmax(bend)
    # the smoothing of surveyed elevation takes a little off the top
    assert bend[top] == pytest.approx(2.0 * height * (np.pi / length) ** 2, rel=0.25)
    assert lap.v[top] <= np.sqrt(STANDARD_GRAVITY / bend[top])
    assert lap.v[top] >= 0.97 * np.sqrt(STANDARD_GRAVITY / bend[top])
    assert lap.v.max() > 1.2 * lap.v[top], "it is the crest that slows the kart, not its engine"


def test_a_small_crest_costs_nothing_of_the_speed():
    """The same hump ten times lower: the kart stays on the ground at its full speed."""
    kart = load_kart("senior-single-speed")
    lap = solve_min_time(oval_with_crest(0.15, 30.0), kart).lap
    top = np.argmax(-lap.line.vertical_curvature)
    assert lap.v[top] < np.sqrt(STANDARD_GRAVITY / -lap.line.vertical_curvature[top])
    assert np.all(np.diff(lap.v[top - 40 : top + 40]) > 0.0), "it accelerates all over it"


def test_a_flying_kart_holds_nothing():
    """Negative load is not grip: the excess grows with it, with no demand at all; a pressed kart holds up to mu."""
    kart = kart_numbers(load_kart("senior-single-speed"))

    def excess(load: float, side: float) -> float:
        return float(grip_excess(kart, Loads(load * STANDARD_GRAVITY, side * STANDARD_GRAVITY, 0.0, 0.0), 0.0, 1.0))

    flying = [excess(load, 0.0) for load in (-0.1, -0.5, -1.0)]
    assert flying[0] > 0.05
    assert np.all(np.diff(flying) > 0.3)
    for load in (0.5, 1.0, 2.0):
        assert excess(load, 0.999 * kart.mu_y * load) < 0.0 < excess(load, 1.001 * kart.mu_y * load)
