"""(s, n) <-> (x, y): exact both ways, and never onto the stretch next door."""

from __future__ import annotations

import time

import numpy as np
import pytest
from edge_shapes import circle, figure_of_eight, oval, serpentine, spiral

from linelab.errors import InputError
from linelab.geometry.frenet import sn_to_xy, xy_to_sn
from linelab.geometry.reference_line import corridor_from_edges

TRACKS = {
    "serpentine": corridor_from_edges(*serpentine(), closed=True),
    "figure of eight": corridor_from_edges(*figure_of_eight(), closed=True),
    "small figure of eight": corridor_from_edges(*figure_of_eight(25.0, 6.0), closed=True),
    "spiral": corridor_from_edges(*spiral(), closed=False),
    "hairpins": corridor_from_edges(*oval(1.0, 8.0), closed=True),
}


def drive(corridor, laps=3.0, step=1.2, seed=0, begin=0.3):
    """Stations and offsets of a wandering driver (N,) [m]."""
    rng = np.random.default_rng(seed)
    curve = corridor.reference
    first = begin * curve.length if curve.closed else 0.0
    s = np.arange(first, first + (laps if curve.closed else 1.0) * curve.length, step)
    share = 0.5 + 0.45 * np.sin(np.cumsum(0.1 * rng.normal(size=s.size)))
    local = np.mod(s, curve.length)
    left, right = np.interp(local, curve.s, corridor.w_left), np.interp(local, curve.s, corridor.w_right)
    return s, share * left - (1.0 - share) * right


def station_error(curve, found, true):
    error = found - true
    return error - curve.length * np.round(np.median(error) / curve.length) if curve.closed else error


@pytest.mark.parametrize("name", TRACKS)
def test_round_trip_is_exact(name):
    corridor = TRACKS[name]
    s, n = drive(corridor)
    found_s, found_n = xy_to_sn(
        corridor.reference, *sn_to_xy(corridor.reference, s, n), widths=(corridor.w_left, corridor.w_right)
    )
    assert np.abs(station_error(corridor.reference, found_s, s)).max() < 1e-5
    assert np.abs(found_n - n).max() < 1e-6


@pytest.mark.parametrize("name", TRACKS)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_biased_noisy_recording_stays_on_its_own_stretch(name, seed):
    # Bias 2 m, white noise 1 m: usual for a consumer receiver (common practice); the next stretch is 1.5 m away.
    corridor = TRACKS[name]
    rng = np.random.default_rng(seed)
    s, n = drive(corridor, seed=seed)
    x, y = sn_to_xy(corridor.reference, s, n)
    angle = rng.uniform(0.0, 2.0 * np.pi)
    x, y = x + 2.0 * np.cos(angle) + rng.normal(size=s.size), y + 2.0 * np.sin(angle) + rng.normal(size=s.size)
    found, _ = xy_to_sn(corridor.reference, x, y, widths=(corridor.w_left, corridor.w_right))
    assert np.abs(station_error(corridor.reference, found, s)).max() < 18.0


def test_start_given_decides_between_stretches_that_cross():
    corridor = TRACKS["figure of eight"]
    curve = corridor.reference
    gaps = np.hypot(curve.x[:, None] - curve.x, curve.y[:, None] - curve.y)
    apart = np.abs(curve.s[:, None] - curve.s)
    gaps[(apart < 60.0) | (apart > curve.length - 60.0)] = np.inf
    i, j = np.unravel_index(int(np.argmin(gaps)), gaps.shape)  # the crossing
    for k in (i, j):
        s, _ = xy_to_sn(curve, curve.x[k : k + 1], curve.y[k : k + 1], start=float(curve.s[k]))
        assert s[0] == pytest.approx(curve.s[k], abs=1.0)


def test_direction_of_travel_finds_the_start_at_a_crossing():
    corridor = TRACKS["small figure of eight"]
    curve = corridor.reference
    for begin in np.linspace(0.0, 0.95, 20):
        s, n = drive(corridor, laps=0.4, begin=begin)
        found, _ = xy_to_sn(curve, *sn_to_xy(curve, s, n))
        assert np.abs(station_error(curve, found, s)).max() < 1e-4


def test_stations_grow_over_the_laps_and_may_start_anywhere():
    corridor = TRACKS["hairpins"]
    s, n = drive(corridor, laps=7.0)
    found, _ = xy_to_sn(corridor.reference, *sn_to_xy(corridor.reference, s, n))
    assert found[-1] - found[0] == pytest.approx(s[-1] - s[0], abs=1e-4)
    assert np.diff(found).min() > 0.0


def test_a_stop_does_not_lose_the_track():
    corridor = TRACKS["serpentine"]
    curve = corridor.reference
    rng = np.random.default_rng(4)
    s, n = drive(corridor, laps=1.0)
    s, n = np.insert(s, 100, np.full(400, s[100])), np.insert(n, 100, np.full(400, n[100]))
    x, y = sn_to_xy(curve, s, n)
    x, y = x + 0.5 * rng.normal(size=s.size), y + 0.5 * rng.normal(size=s.size)
    found, _ = xy_to_sn(curve, x, y, widths=(corridor.w_left, corridor.w_right))
    assert np.abs(station_error(curve, found, s)).max() < 8.0


def test_an_excursion_returns_and_shows_in_n():
    corridor = TRACKS["hairpins"]
    curve = corridor.reference
    s, n = drive(corridor, laps=1.0, begin=0.1)
    k = s.size // 4
    n = n - 15.0 * np.exp(-(((s - s[k]) / 12.0) ** 2))  # 15 m off on the outside
    found, offset = xy_to_sn(curve, *sn_to_xy(curve, s, n))
    assert np.abs(station_error(curve, found, s)).max() < 1e-3
    assert offset.min() < -10.0


def test_a_recording_of_another_place_is_plain_to_see():
    curve = TRACKS["hairpins"].reference
    x = np.linspace(5000.0, 6000.0, 4000)
    begin = time.perf_counter()
    _, n = xy_to_sn(curve, x, x)
    assert time.perf_counter() - begin < 3.0
    assert np.abs(n).min() > 100.0


def test_beyond_the_ends_of_an_open_curve_the_tangent_goes_on():
    curve = corridor_from_edges([(0, 4), (100, 4)], [(0, -4), (100, -4)], closed=False).reference
    s, n = xy_to_sn(curve, np.arange(-20.0, 121.0, 2.0), np.full(71, 1.0))
    base = np.interp(0.0, curve.x, curve.s) - 0.0
    assert s == pytest.approx(np.arange(-20.0, 121.0, 2.0) + base, abs=0.05)
    assert np.ptp(n + curve.y[0]) == pytest.approx(0.0, abs=0.05)


def test_empty_single_and_bad_points():
    curve = TRACKS["hairpins"].reference
    assert xy_to_sn(curve, [], [])[0].size == 0
    s, n = xy_to_sn(curve, [curve.x[10]], [curve.y[10]])
    assert (s[0], n[0]) == (pytest.approx(curve.s[10], abs=1e-6), pytest.approx(0.0, abs=1e-6))
    with pytest.raises(InputError, match="point 1 is not finite"):
        xy_to_sn(curve, [0.0, np.nan], [0.0, 0.0])
    with pytest.raises(InputError, match="in pairs"):
        xy_to_sn(curve, [0.0, 1.0], [0.0])


def test_circle_in_closed_form():
    corridor = corridor_from_edges(circle(22.0), circle(30.0), closed=True)
    rng = np.random.default_rng(0)
    angle, radius = np.sort(rng.uniform(0.0, 6.0, 200)), rng.uniform(22.0, 30.0, 200)
    _, n = xy_to_sn(corridor.reference, radius * np.cos(angle), radius * np.sin(angle))
    middle = np.hypot(corridor.reference.x, corridor.reference.y)
    assert np.ptp(middle) < 0.05  # the reference line is a concentric circle
    assert n == pytest.approx(middle.mean() - radius, abs=0.05)


@pytest.mark.slow
def test_a_hundred_thousand_points_in_about_a_second():
    corridor = TRACKS["serpentine"]
    s, n = drive(corridor, laps=120.0, step=0.4)
    x, y = sn_to_xy(corridor.reference, s[:100000], n[:100000])
    begin = time.perf_counter()
    xy_to_sn(corridor.reference, x, y)
    assert time.perf_counter() - begin < 3.0
