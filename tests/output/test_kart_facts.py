"""A kart's facts against closed forms."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from linelab.files.kart_file import bundled_karts, load_kart
from linelab.model.axles import axle_limits, with_axles
from linelab.model.kart import Kart, PowerEngine
from linelab.output.display import IMPERIAL, METRIC, lap_time_text
from linelab.output.kart_facts import gg_boundary, kart_facts, kart_words, standing_start, top_speed
from linelab.units import KMH, MPH, STANDARD_GRAVITY

G = STANDARD_GRAVITY
PLAIN = Kart(
    name="plain",
    mass=160.0,
    engine=PowerEngine(power=20e3),
    mu_lateral=1.5,
    mu_longitudinal=1.5,
    cda=0.55,
    air_density=1.2,
    rolling_resistance=0.02,
    scrub=0.0,
    rotating_mass_factor=0.0,
)


def test_top_speed_where_drive_equals_drag():
    """CHECKS 4 (derived): P = (rho/2 CdA v² + crr m g) v at 138.503 km/h."""
    top = top_speed(PLAIN)
    assert top.limited_by == "drag"
    assert top.v / KMH == pytest.approx(138.503, abs=5e-4)
    v = top.v
    assert (0.5 * 1.2 * 0.55 * v**2 + 0.02 * 160.0 * G) * v == pytest.approx(20e3, rel=1e-6)


def test_top_speed_at_the_rev_limit():
    kart = dataclasses.replace(PLAIN, engine=PowerEngine(power=20e3, top_speed=30.0))
    assert top_speed(kart) == (30.0, "revs")


def test_kart_that_cannot_move_has_no_top_speed():
    kart = dataclasses.replace(PLAIN, engine=PowerEngine(power=20e3, max_force=20.0))
    assert top_speed(kart) == (0.0, "drag")
    assert standing_start(kart, 10.0) is None
    assert "0.0 km/h" in " ".join(kart_words(kart))


def test_standing_start_with_constant_force():
    """v = a t, s = v²/2a (closed form)."""
    kart = dataclasses.replace(PLAIN, engine=PowerEngine(power=2e5, max_force=800.0), cda=0.0, rolling_resistance=0.0)
    run = standing_start(kart, 20.0)
    assert run is not None
    assert run.t == pytest.approx(20.0 / 5.0, rel=1e-3)
    assert run.distance == pytest.approx(400.0 / 10.0, rel=1e-3)


def test_gg_boundary_touches_the_axes_at_the_limits():
    bound = gg_boundary(PLAIN, 20.0)
    drag = 0.5 * 1.2 * 0.55 * 400.0 / 160.0 + 0.02 * G
    middle = bound.ay.size // 2
    assert bound.ay[middle] == pytest.approx(0.0, abs=1e-12)
    assert -bound.braking[middle] == pytest.approx(1.5 * 0.58 * G / (1 + 1.5 * 0.25 / 1.05) + drag, rel=1e-9)
    assert bound.driving[middle] == pytest.approx(20e3 / (160.0 * 20.0) - drag, rel=1e-9)
    assert np.abs(bound.ay).max() == pytest.approx(1.5 * G)
    assert bound.braking[0] == pytest.approx(-drag)
    assert bound.driving[0] == pytest.approx(-drag)


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_bundled_karts_are_believable(name):
    """Common practice: kart classes reach 60-160 km/h on a sprint track and pull 0.1-1.2 g at the start."""
    facts = kart_facts(load_kart(name))
    assert 60.0 <= facts.top.v / KMH <= 160.0
    assert 1.0 <= facts.cornering <= 2.0
    assert all(0.4 <= g <= 2.0 for _, g in facts.braking)
    assert facts.sprint is not None
    assert 0.1 <= facts.sprint.v / facts.sprint.t / G <= 1.2


def test_words_in_imperial_units_carry_no_metric_ones():
    words = " ".join(kart_words(load_kart("senior-single-speed"), IMPERIAL))
    assert "357 lb" in words
    assert "mph" in words
    assert "hp" in words
    assert not any(unit in words for unit in ("km/h", " kg", "kW", " m."))
    metric = kart_facts(load_kart("senior-single-speed"), METRIC)
    assert f"{metric.top.v / MPH:.1f} mph" in words


def test_units_shown_are_the_defined_ones():
    """Exact: 1 hp = 745.69987158227 W, 1 lbf = 4.4482216152605 N (from the yard, pound and standard gravity)."""
    assert pytest.approx(745.69987158227, rel=1e-13) == IMPERIAL.power
    assert pytest.approx(4.4482216152605, rel=1e-14) == IMPERIAL.force
    assert IMPERIAL.speed_text(44.704) == "100.0 mph"
    assert METRIC.speed_text(10.0) == "36.0 km/h"
    assert IMPERIAL.length_text(30.48) == "100 ft"


@pytest.mark.parametrize(
    ("seconds", "text"), [(54.3214, "54.321"), (64.3, "1:04.300"), (59.9996, "1:00.000"), (0.5, "0.500")]
)
def test_lap_times(seconds, text):
    assert lap_time_text(seconds) == text


def test_axles_are_told_by_radius():
    kart = with_axles(PLAIN)
    words = [line for line in kart_words(kart) if line.startswith("From its axles")]
    assert len(words) == 1
    assert f"{axle_limits(kart).cornering[0]:.2f} g on a radius of 6 m" in words[0]
    steered = dataclasses.replace(kart, axles=dataclasses.replace(kart.axles, max_steer=np.radians(20.0)))
    assert any("It turns on 2.9 m at least." in line for line in kart_words(steered))
    assert not any("axles" in line for line in kart_words(PLAIN))
