"""Grip zones and kerbs across the track: each counts where it lies, whatever their order, and no more than it says."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track, reversed_track
from linelab.model.grip_field import (
    RAMP_ALONG,
    ROUNDING_N,
    factor_across,
    grip_at,
    grip_profile,
    kerb_width,
    knots_needed,
)
from linelab.model.track import GripZone, Kerb, Track

BARE = replace(load_track("ostrelle_sprint"), kerbs=())
HALF = 0.7
#: Farther than this from a bound, rounding leaves less than 2 % of what changes there.
CLEAR = 0.7


def zone(n_right: float, n_left: float, factor: float, s_start: float = 600.0, s_end: float = 640.0) -> GripZone:
    return GripZone(s_start=s_start, s_end=s_end, n_right=n_right, n_left=n_left, factor=factor)


def across(track: Track, *zones: GripZone, s: float = 620.0, n: np.ndarray) -> np.ndarray:
    return grip_at(replace(track, grip_zones=zones), np.full(n.size, s), n, HALF)


def straight(length: float = 160.0) -> Track:
    x = np.linspace(0.0, length, int(length / 2.0) + 1)
    edges = [np.column_stack([x, np.full(x.size, y)]) for y in (5.0, -5.0)]
    return track_from_edges("straight", *edges, closed=False)


@pytest.mark.parametrize("width", [0.1, 0.3, 0.5, 2.0])
def test_a_zone_does_no_more_than_it_says(width):
    n = np.linspace(-3.0, 3.0, 601)
    factor = across(BARE, zone(-0.5 * width, 0.5 * width, 0.5), n=n)
    # corners are rounded over a decimetre: a zone no wider than that is weaker than it says, never of the other sign
    assert factor.min() >= 0.5 - 1e-9
    assert factor.max() <= 1.0 + 1e-9
    assert factor[np.abs(n) > 0.5 * width + 1.0].min() > 0.99
    if width >= 2.0:
        assert factor.min() < 0.52


@pytest.mark.parametrize(("width", "said"), [(0.1, 0.41), (0.3, 0.72), (0.5, 0.90), (1.0, 0.98)])
def test_a_narrow_zone_is_weaker_in_its_middle_and_nothing_is_lost(width, said):
    n = np.linspace(-30.0, 30.0, 60_001)
    effect = 1.0 - across(BARE, zone(-0.5 * width, 0.5 * width, 0.6), n=n)
    assert effect.max() / 0.4 == pytest.approx(said, abs=0.005)
    assert np.trapezoid(effect, n) == pytest.approx(0.4 * width, rel=1e-4)


def test_a_zone_without_width_has_no_effect():
    n = np.linspace(-1.0, 1.0, 201)
    assert across(BARE, zone(0.0, 1e-12, 0.1), n=n) == pytest.approx(1.0, abs=6e-3)


def test_two_lanes_side_by_side_each_count():
    """A dry lane left and a wet lane right, and a gap between them; one behind the other they have fewer knots."""
    n = np.linspace(-4.0, 4.0, 801)
    factor = across(BARE, zone(-4.5, -1.0, 0.6), zone(1.0, 4.5, 1.2), n=n)
    for where, expected in ((n < -1.0 - CLEAR, 0.6), (np.abs(n) < 1.0 - CLEAR, 1.0), (n > 1.0 + CLEAR, 1.2)):
        assert factor[where] == pytest.approx(expected, abs=0.02)
    assert np.interp([-1.0, 1.0], n, factor) == pytest.approx([0.8, 1.1], abs=0.01)  # half-way at their bounds


def plain(zones: list[GripZone], s: float, n: float) -> float:
    """The definition without ramps or rounding: of the zones at a point, the one with the strongest effect."""
    here = [z.factor for z in zones if z.s_start <= s <= z.s_end and z.n_right <= n <= z.n_left]
    return min(here, key=lambda factor: (-abs(factor - 1.0), factor), default=1.0)


@pytest.mark.parametrize("seed", range(6))
def test_any_zones_are_as_defined_away_from_their_bounds(seed):
    rng = np.random.default_rng(seed)
    zones = []
    for _ in range(7):
        s, n = np.sort(rng.uniform(600.0, 700.0, 2)), np.sort(rng.uniform(-8.0, 8.0, 2))
        zones.append(zone(n[0], n[1] + 1.5, float(rng.uniform(0.4, 1.5)), s[0], s[1] + 12.0))
    s, n = rng.uniform(590.0, 720.0, 4000), rng.uniform(-9.0, 10.0, 4000)
    clear = np.ones(s.size, dtype=bool)
    for z in zones:
        for bound in (z.s_start, z.s_end):
            clear &= np.abs(s - bound) > 0.5 * RAMP_ALONG
        for bound in (z.n_right, z.n_left):
            clear &= np.abs(n - bound) > CLEAR
    expected = np.array([plain(zones, *point) for point in zip(s, n)])
    found = grip_at(replace(BARE, grip_zones=tuple(zones)), s, n, HALF)
    assert clear.sum() > 500
    assert np.unique(expected[clear]).size > 2
    assert np.abs(found - expected)[clear].max() < 0.03


def test_the_order_in_the_file_decides_nothing():
    zones = (zone(-4.0, 1.0, 0.7), zone(0.0, 4.0, 1.3), zone(-1.0, 2.0, 0.7, 610.0, 630.0), zone(2.5, 3.0, 0.9))
    kerbs = (
        Kerb(side="left", s_start=600.0, s_end=630.0, width=0.6, grip=0.9),
        Kerb(side="left", s_start=612.0, s_end=650.0, width=0.6, grip=0.7),
        Kerb(side="right", s_start=590.0, s_end=650.0, width=0.5, grip=0.8),
        Kerb(side="right", s_start=600.0, s_end=640.0, width=1.0, grip=1.0),
    )
    rng = np.random.default_rng(5)
    s, n = rng.uniform(580.0, 660.0, 500), rng.uniform(-6.0, 6.0, 500)
    first = grip_at(replace(BARE, kerbs=kerbs, grip_zones=zones), s, n, HALF)
    assert np.unique(first.round(6)).size > 100
    for order in itertools.permutations(range(4)):
        track = replace(BARE, kerbs=tuple(kerbs[i] for i in order), grip_zones=tuple(zones[i] for i in order))
        assert np.array_equal(grip_at(track, s, n, HALF), first)


def test_a_patch_in_pieces_is_the_patch():
    """Pieces that adjoin leave no seam, and pieces that overlap are no more slippery where they do."""
    whole = replace(BARE, grip_zones=(zone(-3.0, 3.0, 0.6, 600.0, 660.0),))
    pieces = (
        zone(-3.0, 0.5, 0.6, 600.0, 625.0), zone(0.5, 3.0, 0.6, 600.0, 625.0),
        zone(-3.0, 3.0, 0.6, 625.0, 660.0), zone(-1.0, 2.8, 0.6, 640.0, 650.0),
    )  # fmt: skip
    s, n = (each.ravel() for each in np.meshgrid(np.linspace(590.0, 670.0, 161), np.linspace(-5.0, 5.0, 101)))
    found = grip_at(replace(BARE, grip_zones=pieces), s, n, HALF)
    assert found == pytest.approx(grip_at(whole, s, n, HALF), abs=1e-9)


def test_the_factor_is_smooth_in_the_offset_and_positive():
    """A kerb multiplies the zone it lies in: the least of both is still grip."""
    kerbs = tuple(Kerb(side=side, s_start=590.0, s_end=650.0, width=1.0, grip=0.1) for side in ("left", "right"))
    track = replace(BARE, kerbs=kerbs, grip_zones=(zone(-9.0, 0.0, 0.1), zone(0.0, 0.05, 2.0), zone(0.3, 9.0, 0.1)))
    n = np.linspace(-7.0, 7.0, 2801)
    factor = grip_at(track, np.full(n.size, 620.0), n, HALF)
    assert factor.min() == pytest.approx(0.1 * 0.55, abs=0.01)
    bend = np.abs(np.diff(factor, 2)).max() / (n[1] - n[0]) ** 2
    assert bend < np.ptp(factor) / ROUNDING_N**2  # a corner or a jump would be many times that


def test_knots_grow_with_the_zones_abreast_only():
    assert knots_needed(BARE) == 0
    kerb = Kerb(side="left", s_start=10.0, s_end=30.0, width=0.5, grip=0.9)
    assert knots_needed(replace(BARE, kerbs=(kerb,))) == 4
    row = tuple(zone(-2.0, 2.0, 0.9, s, s + 20.0) for s in (100.0, 130.0, 160.0))
    assert knots_needed(replace(BARE, grip_zones=row)) == 8
    around = zone(-2.0, 2.0, 0.9, BARE.length - 10.0, 10.0)
    for many, knots in ((1, 12), (2, 20), (3, 20), (4, 36)):
        beside = tuple(zone(2.0 + k, 3.0 + k, 0.8, 5.0, 40.0) for k in range(many))
        track = replace(BARE, grip_zones=(*row, around, *beside))
        assert knots_needed(track) == knots
        profile = grip_profile(track, BARE.s, HALF)
        assert profile.knots.shape == profile.changes.shape == (BARE.s.size, knots)
        assert (np.diff(profile.knots, axis=1) >= 0.0).all()


def test_the_widest_kerb_gives_width_and_grip():
    kerbs = (
        Kerb(side="left", s_start=600.0, s_end=640.0, width=0.5, grip=0.6),
        Kerb(side="left", s_start=620.0, s_end=660.0, width=1.0, grip=0.9),
    )
    track = replace(BARE, kerbs=kerbs)
    s = np.array([612.0, 632.0, 650.0])
    assert kerb_width(track, "left", s) == pytest.approx([0.5, 1.0, 1.0])
    n = np.interp(s, track.s, track.w_left) - HALF + 0.8
    assert grip_at(track, s, n, HALF) == pytest.approx([0.8, 0.95, 0.95], abs=0.005)
    along = np.linspace(595.0, 665.0, 1401)
    edge = np.interp(along, track.s, track.w_left) - HALF + 0.8
    assert np.abs(np.diff(grip_at(track, along, edge, HALF))).max() < 0.015  # no jump from one to the other


def test_a_zone_across_the_start_line_and_one_all_round():
    length = BARE.length
    split = (zone(-9.0, 9.0, 0.7, length - 30.0, length), zone(-9.0, 9.0, 0.7, 0.0, 20.0))
    s = np.linspace(-60.0, 60.0, 241)
    one = grip_at(replace(BARE, grip_zones=(zone(-9.0, 9.0, 0.7, length - 30.0, 20.0),)), s, 0.0 * s, HALF)
    assert one.min() == pytest.approx(0.7, abs=0.001)
    assert grip_at(replace(BARE, grip_zones=split), s, 0.0 * s, HALF) == pytest.approx(one, abs=1e-9)
    for start in (0.0, 400.0):
        ring = replace(BARE, grip_zones=(zone(-99.0, 99.0, 0.7, start, start + length),))
        assert grip_at(ring, np.linspace(0.0, length, 500), np.zeros(500), HALF) == pytest.approx(0.7, abs=1e-5)
    nearly = replace(BARE, grip_zones=(zone(-99.0, 99.0, 0.7, 400.0, 399.99),))
    assert grip_at(nearly, np.linspace(390.0, 410.0, 500), np.zeros(500), HALF) == pytest.approx(0.7, abs=1e-3)


def test_a_zone_and_a_kerb_go_on_at_the_ends_of_an_open_track():
    track = straight()
    wet = (zone(-9.0, 9.0, 0.7, 0.0, 40.0), zone(-9.0, 9.0, 0.7, 100.0, track.length))
    kerb = Kerb(side="left", s_start=0.0, s_end=30.0, width=0.5)
    track = replace(track, grip_zones=wet, kerbs=(kerb,))
    s = np.array([0.0, 10.0, 40.0, 70.0, 100.0, 140.0, track.length])
    assert grip_at(track, s, 0.0 * s, HALF) == pytest.approx([0.7, 0.7, 0.85, 1.0, 0.85, 0.7, 0.7], abs=0.001)
    assert kerb_width(track, "left", np.array([0.0, 20.0, 30.0])) == pytest.approx([0.5, 0.5, 0.0])


@pytest.mark.parametrize("name", ["closed", "open"])
def test_a_reversed_track_has_the_same_grip(name):
    track = BARE if name == "closed" else straight()
    end = track.length - 10.0
    zones = (zone(-9.0, 0.5, 0.7, end if name == "closed" else 0.0, 20.0), zone(0.0, 3.0, 1.2, 10.0, 50.0))
    kerbs = (
        Kerb(side="left", s_start=20.0, s_end=50.0, width=0.5, grip=0.7),
        Kerb(side="left", s_start=30.0, s_end=45.0, width=0.8, grip=0.9),
    )
    track = replace(track, grip_zones=zones, kerbs=kerbs)
    back = reversed_track(track)
    rng = np.random.default_rng(2)
    s, n = rng.uniform(0.0, 70.0, 800), rng.uniform(-5.0, 6.0, 800)
    there = grip_at(track, s, n, HALF)
    assert np.unique(there.round(6)).size > 100
    assert grip_at(back, track.length - s, -n, HALF) == pytest.approx(there, abs=1e-9)
    assert knots_needed(back) == knots_needed(track)


def test_arrays_and_single_values_agree():
    track = replace(BARE, grip_zones=(zone(-1.0, 2.0, 0.7), zone(1.0, 3.0, 1.3)))
    profile = grip_profile(track, np.array([620.0]), HALF)
    n = np.linspace(-3.0, 5.0, 9)
    single = [float(factor_across(profile.base[0], profile.knots[0], profile.changes[0], at)) for at in n]
    assert single == pytest.approx(list(grip_at(track, np.full(9, 620.0), n, HALF)))
