"""Limits from the loads of the four wheels, against another computation of them, closed forms and printed figures."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.optimize import brentq, minimize

from linelab.errors import KartError
from linelab.files.kart_file import bundled_karts, load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model import axles as layer
from linelab.model.grip import brake_friction, drive_friction, kart_numbers
from linelab.model.kart import Axles, Driver, Kart, PowerEngine
from linelab.model.lap import Line
from linelab.optimum.minimum_time import solve_min_time

G = 9.80665
INCH = 0.0254


@pytest.fixture(scope="module")
def senior():
    return layer.with_axles(load_kart("senior-single-speed"))


def _lateral(kart, radius, ax=0.0):
    """Greatest lateral acceleration at one radius and tyre force along, in g."""
    return float(layer.greatest_lateral(kart, kart.axles, np.array([radius]), np.array([ax * G]))[0]) / G


# --- the same kart on four wheels, written down wheel by wheel and solved by a general optimiser ---


def _on_four_wheels(kart, radius, ax, *, steered=False):
    """Greatest ay [g] with forces and moments of four wheels in balance: SLSQP over (ay, front slip, rear slip, spin).

    Wheels have places and slip vectors of their own, loads come from a rolling frame on springs; nothing is shared with
    the layer but the statement of the problem.  ``steered``: front forces are turned by the steering angle too.
    """
    a = kart.axles
    front_length = kart.rear_share * kart.wheelbase  # from the centre of gravity to the front axle
    places = [
        (front_length, a.track_width_front / 2),
        (front_length, -a.track_width_front / 2),
        (front_length - kart.wheelbase, a.track_width_rear / 2),
        (front_length - kart.wheelbase, -a.track_width_rear / 2),
    ]  # a left turn: inside is left
    usual = [a.front_tyre_load] * 2 + [a.rear_tyre_load] * 2

    def loads(ay):
        pitch = kart.mass * ax * G * kart.cg_height
        rear = (kart.mass * G * front_length + pitch) / kart.wheelbase
        front = kart.mass * G - rear
        most = (front * a.track_width_front + rear * a.track_width_rear) / 2
        roll = min(kart.mass * ay * G * kart.cg_height, 0.9999 * most)  # beyond it tips over
        preload = a.jacking * math.atan(kart.wheelbase / radius)

        def carried(share, axle, width, wedge):  # moment of one axle's springs, one-sided
            return lambda angle: max(min(share * angle + wedge, axle * width / 2), -axle * width / 2)

        ahead = carried(a.front_roll_share, front, a.track_width_front, -preload * a.track_width_rear)
        behind = carried(1.0 - a.front_roll_share, rear, a.track_width_rear, preload * a.track_width_rear)
        angle = brentq(lambda angle: ahead(angle) + behind(angle) - roll, -1e5, 1e5)
        moved = (ahead(angle) / a.track_width_front, behind(angle) / a.track_width_rear)
        return front / 2 - moved[0], front / 2 + moved[0], rear / 2 - moved[1], rear / 2 + moved[1]

    def balance(x):
        ay, angle_front, angle_rear, spin = x
        steer = math.atan(kart.wheelbase / radius) if steered else 0.0
        force, moment = np.zeros(2), 0.0
        vertical = loads(ay)
        for wheel, ((along, left), load, own) in enumerate(zip(places, vertical, usual)):
            if wheel < 2:
                slip = np.array([0.0, angle_front])
            else:  # one speed of the axle, ground speed by the radius of each wheel's own circle
                slip = np.array([spin - (radius - left) / radius + 1.0, angle_rear])
            size = math.hypot(*slip)
            grip = load * max(1.0 - a.load_sensitivity * (load / own - 1.0), 0.3)
            x = min(size / a.sliding_slip, 1.0)
            pushed = grip * (3 * x - 3 * x**2 + x**3) * slip / max(size, 1e-12)
            pushed = pushed * np.array([kart.mu_longitudinal, kart.mu_lateral])
            if wheel < 2:
                turn = np.array([[math.cos(steer), -math.sin(steer)], [math.sin(steer), math.cos(steer)]])
                dragged = turn @ pushed
                # the drag of the steered wheels is the file's scrub: its force is left out, its moment stays
                moment -= left * dragged[0]
                pushed = np.array([0.0, dragged[1]])
            force += pushed
            moment += along * pushed[1] - left * pushed[0]
        weight = kart.mass * G
        return np.array([force[0] / weight - ax, force[1] / weight - ay, moment / weight])

    found = []
    s = a.sliding_slip
    for start in ((1.0, 0.6 * s, 0.5 * s, 0.0), (1.4, 0.9 * s, 0.8 * s, 0.2 * s), (1.5, 0.8 * s, 0.6 * s, -0.3 * s)):
        result = minimize(
            lambda x: -x[0],
            start,
            method="SLSQP",
            bounds=[(0.1, 2.5), (0.0, s), (0.0, s), (-4 * s, 4 * s)],
            constraints={"type": "eq", "fun": balance},
            options={"maxiter": 300, "ftol": 1e-10},
        )
        if np.abs(balance(result.x)).max() < 1e-5:
            found.append(result.x[0])
    return max(found)


CASES = [
    (0.54, 8.0, 0.0),
    (0.58, 6.0, 0.2),
    (0.58, 12.0, 0.0),
    (0.58, 20.0, 0.35),
    (0.58, 20.0, -0.3),
    (0.62, 16.0, 0.0),
    (0.62, 30.0, 0.25),
    (0.64, 45.0, -0.4),
]


@pytest.mark.parametrize(("share", "radius", "ax"), CASES)
def test_another_computation_of_the_four_wheels_agrees(senior, share, radius, ax):
    kart = dataclasses.replace(senior, rear_share=share)
    assert _lateral(kart, radius, ax) == pytest.approx(_on_four_wheels(kart, radius, ax), rel=2e-3)


@pytest.mark.parametrize("radius", [8.0, 16.0, 40.0])
def test_what_the_layer_leaves_out_of_a_steered_front_axle_is_small(senior, radius):
    """Turned front forces change the lateral limit by less than 2 %."""
    left_out = _on_four_wheels(senior, radius, 0.0) - _on_four_wheels(senior, radius, 0.0, steered=True)
    assert abs(left_out) < 0.02 * senior.mu_lateral


def test_four_wheel_brakes_agree_straight_ahead_with_all_tyres_at_their_limit():
    kart = layer.with_axles(load_kart("gearbox"))
    a, axles = layer.straight_line(kart, kart.axles, -1.0), kart.axles
    front = kart.mass * G * (1 - kart.rear_share) + kart.mass * a * G * kart.cg_height / kart.wheelbase
    rear = kart.mass * G - front
    held = sum(
        load * (1 - axles.load_sensitivity * (load / 2 / own - 1))
        for load, own in ((front, axles.front_tyre_load), (rear, axles.rear_tyre_load))
    )
    assert a * kart.mass * G == pytest.approx(kart.mu_longitudinal * held, rel=1e-9)


# --- closed forms and printed figures ---


def _bare(**changes):
    """A kart whose axles add nothing to the point mass."""
    axles = Axles(load_sensitivity=0.0, jacking=0.0, **changes.pop("axles", {}))
    return Kart(
        **{
            "name": "bare", "mass": 160.0, "engine": PowerEngine(power=20e3), "mu_lateral": 1.5,
            "mu_longitudinal": 1.5, "axles": axles, **changes,
        }
    )  # fmt: skip


@pytest.mark.parametrize("share", [0.4, 0.5, 0.6])
def test_axles_that_do_nothing_leave_the_point_mass(share):
    """Tyres that know no load, on a large circle: every share corners at mu, brakes at mu f/(1 + mu h/L)."""
    kart = _bare(rear_share=share)
    assert _lateral(kart, 1e5) == pytest.approx(1.5, rel=1e-4)
    ratio = 0.25 / 1.05
    assert layer.straight_line(kart, kart.axles, -1.0) == pytest.approx(1.5 * share / (1 + 1.5 * ratio), rel=1e-9)
    assert layer.straight_line(kart, kart.axles, 1.0) == pytest.approx(
        min(1.5 * share / (1 - 1.5 * ratio), 1.5), rel=1e-9
    )


def test_an_axle_loses_grip_with_the_square_of_its_load_transfer():
    """Milliken & Milliken (1995), ch. 18 (*memory*): a pair of tyres with mu = mu0 (1 - s (F/F0 - 1)) holds
    mu0 N (1 - s (N/2/F0 - 1)) - 2 mu0 s D²/F0 with D moved across: here the rear axle's limit on a large circle."""
    base = _bare(rear_share=0.6, axles={"front_roll_share": 0.0, "front_tyre_load": 400.0, "rear_tyre_load": 400.0})
    kart = dataclasses.replace(base, cg_height=0.1, axles=dataclasses.replace(base.axles, load_sensitivity=0.1))
    ay = _lateral(kart, 1e5) * G
    axle, moved = 0.6 * 160.0 * G, 160.0 * ay * 0.1 / kart.axles.track_width_rear
    held = 1.5 * axle * (1 - 0.1 * (axle / 2 / 400.0 - 1)) - 2 * 1.5 * 0.1 * moved**2 / 400.0
    assert 160.0 * ay * 0.6 == pytest.approx(held, rel=1e-4)


@pytest.mark.parametrize(
    ("height", "tread", "printed"),
    [(18, 60, 1.7), (20, 50, 1.2), (24, 60, 1.2), (20, 65, 1.6), (30, 65, 1.1), (31, 65, 1.1)],
)
def test_rollover_threshold_of_a_published_table(height, tread, printed):
    """T. D. Gillespie (1992), table 9.1 (*memory*): t/(2h) of sports cars 1.2 to 1.7 g at heights of 18 to 20 and
    treads of 50 to 60 inches, of luxury cars 1.2 to 1.6 g at 20 to 24 and 60 to 65 inches, of pickups up to 1.1 g."""
    track = {"track_width_front": tread * INCH, "track_width_rear": tread * INCH, "front_roll_share": 0.5}
    kart = _bare(
        mu_lateral=3.0, mu_longitudinal=3.0, rear_share=0.5, cg_height=height * INCH, wheelbase=2.6, axles=track
    )
    tips = _lateral(kart, 60.0)
    assert tips == pytest.approx(tread / (2 * height), rel=1e-4)
    assert tips == pytest.approx(printed, abs=0.06)


def test_steering_angle_of_a_worked_example():
    """T. D. Gillespie (1992), example 6.1 (*memory*): wheelbase 100.6 inches, an Ackermann angle of 9.6 degrees on 50
    feet, there by the small angle L/R."""
    kart = _bare(wheelbase=100.6 * INCH, axles={"max_steer": math.radians(9.6)})
    assert layer.least_radius(kart) == pytest.approx(50 * 0.3048, rel=0.015)


# --- what the layer is for ---


def test_the_solid_axle_pushes_the_front_away_until_the_inside_rear_wheel_lifts(senior):
    """With more of the weight behind and no jacking the inside rear wheel stays down and takes cornering away."""
    kart = dataclasses.replace(senior, rear_share=0.62)
    flat = dataclasses.replace(kart, axles=dataclasses.replace(kart.axles, jacking=0.0))
    radius, none = np.array([9.0]), np.zeros(1)
    for one, lifted in ((kart, True), (flat, False)):
        ay = layer.greatest_lateral(one, one.axles, radius, none)
        held = layer.steady_turn(one, one.axles, radius, none, ay)
        assert (held.loads.rear_inside[0] < 10.0) == lifted
        assert (held.yaw_moment[0] < -60.0) != lifted
    assert _lateral(kart, 9.0) > 1.03 * _lateral(flat, 9.0)


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_with_axles_a_kart_corners_as_without(name):
    plain = load_kart(name)
    kart = layer.with_axles(plain)
    before, after = kart_numbers(plain), kart_numbers(kart)
    assert after.mu_y == pytest.approx(before.mu_y, rel=1e-5)
    limits = layer.axle_limits(kart)
    assert brake_friction(after, 1.0) == pytest.approx(limits.braking, rel=1e-9)
    assert drive_friction(after, 1.0) == pytest.approx(limits.driving, rel=5e-4)
    assert brake_friction(after, 1.0) == pytest.approx(brake_friction(before, 1.0), rel=1e-4)


def test_the_drivers_share_and_damp_ground_lower_the_limits_alike(senior):
    held = dataclasses.replace(senior, driver=Driver(grip_share=0.8))
    full, part = kart_numbers(senior), kart_numbers(held)
    assert part.mu_y == pytest.approx(0.8 * full.mu_y)
    for limit in (brake_friction, drive_friction):
        assert limit(part, 1.0) == limit(full, 0.8) < limit(full, 1.0)


@pytest.mark.parametrize("radius", [8.0, 17.0, 45.0])
def test_the_ellipse_is_within_the_stated_distance_of_the_four_wheels(senior, radius):
    """Of the lateral limit: 2 % without pedals, 6 % driving.  Braking, the four wheels hold more: 3 % at 0.2 g, 10 % at
    0.35 g, a quarter at 0.5 g."""
    limits = layer.axle_limits(senior)
    stated = ((0.0, 0.98, 1.02), (0.3, 0.94, 1.02), (-0.2, 1.0, 1.04), (-0.35, 1.05, 1.13), (-0.5, 1.2, 1.3))
    for ax, low, high in stated:
        axis = limits.driving if ax > 0 else limits.braking
        assert low <= _lateral(senior, radius, ax) / (limits.mu_y * math.sqrt(1 - (ax / axis) ** 2)) <= high


def test_without_axles_nothing_has_changed():
    """The numbers of a lap are, to the bit, what the fields say."""
    for name in bundled_karts():
        kart = load_kart(name)
        assert kart.axles is None
        numbers = kart_numbers(kart)
        assert (numbers.mu_x, numbers.mu_y) == (kart.mu_longitudinal, kart.mu_lateral)
        assert (numbers.rear_share, numbers.height_ratio) == (kart.rear_share, kart.cg_height / kart.wheelbase)
        assert numbers.four_wheel == float(kart.four_wheel_brakes)


@pytest.mark.parametrize("name", ["marrowdown_club", "ostrelle_sprint", "tinmarsh_rental"])
def test_the_best_weight_share_is_one_that_karts_have(senior, name):
    """More weight on the rear axle was always faster; with axles the lap is quickest inside 0.55 to 0.63."""
    track = load_track(name)
    base = solve_min_time(track, senior)
    laps = {0.55: 0.0, 0.60: 0.0, 0.63: 0.0}
    for share in laps:
        laps[share] = solve_min_time(track, dataclasses.replace(senior, rear_share=share), warm=base).lap_time
    assert laps[0.60] < min(laps[0.55], laps[0.63]) - 0.03


def test_five_kilograms_cost_about_a_tenth(senior):
    """Common practice: about a tenth of a second on a lap of three quarters of a minute."""
    track = load_track("ostrelle_sprint")
    base = solve_min_time(track, senior)
    heavier = solve_min_time(track, dataclasses.replace(senior, mass=senior.mass + 5.0), warm=base)
    assert 0.085 <= (heavier.lap_time - base.lap_time) * 47.0 / base.lap_time <= 0.13


def test_a_line_that_the_front_wheels_cannot_follow_is_named():
    """Wheelbase 1.05 m and 10 degrees are 5.95 m: a circle of 5 m is too tight, one of 7 m is not."""
    kart = _bare(axles={"max_steer": math.radians(10.0)})
    distance = np.linspace(0.0, 10.0, 21)
    for radius, expected in ((5.0, True), (7.0, False)):
        flat = np.zeros_like(distance)
        kappa = np.where(abs(distance - 4.0) < 0.6, 1.0 / radius, 0.0)
        values = dict.fromkeys(("x", "y", "psi", "n", "slope", "bank", "vertical_curvature"), flat)
        line = Line(distance=distance, s=distance, kappa=-kappa, grip=flat + 1.0, closed=False, **values)
        found = layer.too_tight(kart, line)
        assert (found is not None) == expected
        if found is not None:
            assert (found.station, found.radius) == (pytest.approx(4.0, abs=0.6), pytest.approx(5.0))
            assert found.least == pytest.approx(5.955, abs=1e-3)
        assert layer.too_tight(dataclasses.replace(kart, axles=None), line) is None


# --- errors ---


def test_a_kart_that_its_axle_holds_straight_is_refused(senior):
    axles = Axles(jacking=0.0, track_width_rear=2.0)
    with pytest.raises(KartError, match=r"cannot turn on a radius of 6 m.*solid rear axle"):
        kart_numbers(dataclasses.replace(senior, rear_share=0.8, axles=axles))


def test_errors_name_the_field(senior):
    with pytest.raises(KartError, match=r"axles\.load_sensitivity.*outside the allowed range 0 to 0\.5"):
        Axles(load_sensitivity=5.0)
    with pytest.raises(KartError, match=r"kart\.axles.*0\.3 is no Axles.*Give a Axles"):
        dataclasses.replace(senior, axles=0.3)
    with pytest.raises(KartError, match="has axles already"):
        layer.with_axles(senior)
    with pytest.raises(KartError, match=r"has no axles.*with_axles"):
        layer.axle_limits(load_kart("gearbox"))
