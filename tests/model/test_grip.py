"""Grip limits against closed forms and published tables (numbers as printed)."""

from __future__ import annotations

import dataclasses

import casadi as ca
import numpy as np
import pytest

from linelab.files.kart_file import bundled_karts, load_kart
from linelab.model import grip
from linelab.model.kart import Driver, Kart, PowerEngine
from linelab.model.lap import Line
from linelab.speed.profile import speed_profiles
from linelab.units import KMH, STANDARD_GRAVITY

G = STANDARD_GRAVITY
PLAIN = Kart(
    name="plain",
    mass=160.0,
    engine=PowerEngine(power=20e3),
    mu_lateral=1.5,
    mu_longitudinal=1.5,
    cda=0.0,
    rolling_resistance=0.0,
    scrub=0.0,
    rotating_mass_factor=0.0,
)


def _corner_speed(mu: float, radius: float, bank: float) -> float:
    """Speed at which the lateral ellipse is just full, by bisection on the library's own residual."""
    kart = grip.kart_numbers(PLAIN)._replace(mu_y=mu)
    surface = grip.Surface(slope=0.0, bank=bank, vertical_curvature=0.0, grip=1.0)
    low, high = 0.1, 100.0
    for _ in range(80):
        v = 0.5 * (low + high)
        inside = grip.grip_excess(kart, grip.loads(kart, v * v, 1.0 / radius, surface), 0.0, 1.0) < 0.0
        low, high = (v, high) if inside else (low, v)
    return low


@pytest.mark.parametrize(("slope_percent", "printed"), [(0, 21.007), (10, 23.533), (-10, 18.925)])
def test_banked_curve(slope_percent, printed):
    """CHECKS 5 (derived): v² = gR(tan phi + mu)/(1 - mu tan phi), R = 30 m, mu = 1.5."""
    bank = np.arctan(slope_percent / 100.0)
    closed = np.sqrt(G * 30.0 * (np.tan(bank) + 1.5) / (1.0 - 1.5 * np.tan(bank)))
    assert closed == pytest.approx(printed, abs=5e-4)
    # The rounding between braking and driving takes up to 2e-4 of the grip, so 1e-4 of the speed, and gives nothing.
    speed = _corner_speed(1.5, 30.0, bank)
    assert closed * (1.0 - 1e-4) <= speed <= closed


def test_bank_helps_the_turn_towards_its_lower_side_only():
    bank = np.arctan(0.1)
    assert _corner_speed(1.5, 30.0, bank) > _corner_speed(1.5, 30.0, 0.0) > _corner_speed(1.5, -30.0, bank)


@pytest.mark.parametrize(("mu", "printed"), [(1.2, 0.54), (1.5, 0.64), (1.8, 0.73)])
def test_rear_only_brake(mu, printed):
    """CHECKS 6 (derived): a/g = mu f/(1 + mu h/L), f 0.58, h 0.25, L 1.05."""
    kart = grip.kart_numbers(dataclasses.replace(PLAIN, mu_longitudinal=mu))
    assert grip.brake_friction(kart, 1.0) == pytest.approx(mu * 0.58 / (1 + mu * 0.25 / 1.05), rel=1e-12)
    assert grip.brake_friction(kart, 1.0) == pytest.approx(printed, abs=0.005)


def test_rear_brake_limit_balances_moments():
    """The same limit from the wheel loads themselves: rear load = m(f g - a h/L), brake force = mu · rear load."""
    kart = grip.kart_numbers(PLAIN)
    a = grip.brake_friction(kart, 1.0) * G
    rear_load = 0.58 * G - a * 0.25 / 1.05
    assert a == pytest.approx(1.5 * rear_load, rel=1e-12)
    drive = 1.5 * 0.58 * G / (1.0 - 1.5 * 0.25 / 1.05)
    assert drive == pytest.approx(1.5 * (0.58 * G + drive * 0.25 / 1.05), rel=1e-12)
    # The rounding where the front wheels lift takes r²/(4 d) of mu at most, d the share of weight still on them.
    most = 1.5 * G * grip.SHARE_ROUNDING**2 / (4.0 * (1.0 - drive / (1.5 * G)))
    assert 0.0 <= drive - grip.drive_friction(kart, 1.0) * G <= most


def test_driving_limit_never_exceeds_all_the_weight_on_the_rear_axle():
    kart = grip.kart_numbers(dataclasses.replace(PLAIN, mu_longitudinal=3.0, cg_height=0.25, wheelbase=1.05))
    assert 3.0 * (1.0 - 0.5 * grip.SHARE_ROUNDING) <= grip.drive_friction(kart, 1.0) <= 3.0


def test_four_wheel_brakes_use_the_whole_weight():
    kart = grip.kart_numbers(dataclasses.replace(PLAIN, four_wheel_brakes=True))
    assert grip.brake_friction(kart, 1.0) == pytest.approx(1.5)


def test_a_driver_who_uses_half_of_the_braking_stops_in_twice_the_way():
    """v²/(2 a) with a closed form for a: the rear brakes' limit, of a kart without any drag, times the share."""
    way = np.linspace(0.0, 120.0, 2401)
    none = np.zeros_like(way)
    ground = {"slope": none, "bank": none, "vertical_curvature": none, "grip": none + 1.0}
    line = Line(distance=way, x=way, y=none, psi=none, kappa=none, s=way, n=none, **ground, closed=False)
    for share in (1.0, 0.5):
        kart = dataclasses.replace(PLAIN, driver=Driver(braking_share=share))
        lap = speed_profiles([line], kart, v_start=20.0, v_end=5.0)[0]
        fastest = int(np.argmax(lap.v))
        mu, height = PLAIN.mu_longitudinal, PLAIN.cg_height / PLAIN.wheelbase
        limit = share * G * mu * PLAIN.rear_share / (1.0 + mu * height)
        assert way[-1] - way[fastest] == pytest.approx((lap.v[fastest] ** 2 - 25.0) / (2.0 * limit), abs=0.3)
    assert grip.drive_friction(grip.kart_numbers(kart), 1.0) == grip.drive_friction(grip.kart_numbers(PLAIN), 1.0)


@pytest.mark.parametrize(("v_kmh", "friction", "printed_radius"), [(85, 0.14, 320), (100, 0.12, 490), (120, 0.10, 810)])
def test_minimum_radius_of_a_published_road_design_table(v_kmh, friction, printed_radius):
    """CHECKS 7: Ethiopian Roads Authority, Geometric Design Manual (2002), table 8-2, superelevation 4 %.

    The manual's e + f = V²/(127 R) drops the product e·f and rounds g, and prints radii rounded to 10 m.
    """
    assert v_kmh**2 / (127.0 * (0.04 + friction)) == pytest.approx(printed_radius, abs=5.0)
    bank = np.arctan(0.04)
    low, high = 10.0, 5000.0
    for _ in range(60):
        radius = 0.5 * (low + high)
        low, high = (low, radius) if _corner_speed(friction, radius, bank) > v_kmh * KMH else (radius, high)
    exact = v_kmh**2 / (127.094 * (0.04 + friction)) * (1 - 0.04 * friction)  # with e·f kept, 127.094 = 3.6² g
    assert radius == pytest.approx(exact, rel=1e-3)
    assert radius == pytest.approx(printed_radius, abs=0.006 * printed_radius + 5.0)


@pytest.mark.parametrize(("v_kmh", "printed"), [(50, 28.7), (80, 73.4), (120, 165.2)])
def test_braking_distance_of_a_published_table(v_kmh, printed):
    """CHECKS 8 (*memory*): AASHTO Green Book metric table, 3.4 m/s².

    The table is 0.039 V²/a with the constant rounded from 1/(2·3.6²) = 0.03858, which alone makes 1.1 %.
    """
    assert 0.039 * v_kmh**2 / 3.4 == pytest.approx(printed, abs=0.05)
    mu = 3.4 / G
    kart = grip.kart_numbers(dataclasses.replace(PLAIN, mu_longitudinal=mu, four_wheel_brakes=True))
    v = np.linspace(0.0, v_kmh * KMH, 2001)
    load = grip.loads(kart, v * v, 0.0, grip.FLAT)
    tyre = -grip.brake_friction(kart, 1.0) * load.normal
    ax = (tyre - load.resistance) / kart.inertia
    assert grip.tyre_longitudinal(kart, load, ax) == pytest.approx(tyre)
    distance = np.trapezoid(v / -ax, v)
    assert distance * 0.039 * 2 * 3.6**2 == pytest.approx(printed, abs=0.05)


def test_excess_is_zero_on_the_ellipse_and_counts_in_g():
    kart = grip.kart_numbers(PLAIN)
    angle = np.linspace(0.0, 2 * np.pi, 41)
    side = 1.5 * G * np.cos(angle)
    limit = np.where(np.sin(angle) > 0, grip.drive_friction(kart, 1.0), grip.brake_friction(kart, 1.0))
    load = grip.Loads(normal=G, lateral=side, resistance=0.0, climb=0.0)
    # Rounded over PEDAL_ROUNDING, on the safe side: a full ellipse counts as a little too much, never as too little.
    excess = grip.grip_excess(kart, load, limit * G * np.sin(angle), 1.0)
    assert (excess >= 0.0).all()
    assert excess.max() < 3e-4
    # Twice the cornering limit is one g too much, but for the rounding of the norm near no demand.
    rounded = np.hypot(2.0, grip.NORM_ROUNDING) - np.hypot(1.0, grip.NORM_ROUNDING)
    assert rounded == pytest.approx(1.0, abs=3e-3)
    assert grip.grip_excess(kart, load._replace(lateral=2 * 1.5 * G), 0.0, 1.0) == pytest.approx(rounded, abs=3e-4)


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_arrays_and_symbols_give_the_same_numbers(name):
    """One source for arrays and CasADi: every limit evaluated both ways."""
    kart = load_kart(name)
    vector = grip.pack(grip.kart_numbers(kart))
    assert vector.shape == (grip.SIZE,)
    p, x = ca.SX.sym("p", grip.SIZE), ca.SX.sym("x", 7)

    def limits(numbers, v, kappa, ax, slope, bank, vertical, factor):
        surface = grip.Surface(slope=slope, bank=bank, vertical_curvature=vertical, grip=factor)
        load = grip.loads(numbers, v * v, kappa, surface)
        tyre = grip.tyre_longitudinal(numbers, load, ax)
        power = grip.drive_power(numbers, v)
        return [*load, tyre, grip.grip_excess(numbers, load, tyre, factor), power]

    symbolic = ca.Function("limits", [p, x], limits(grip.unpack(p), *[x[i] for i in range(7)]))
    rng = np.random.default_rng(5)
    points = rng.uniform(
        [0.5, -0.3, -8.0, -0.1, -0.15, -0.01, 0.6], [38.0, 0.3, 5.0, 0.1, 0.15, 0.01, 1.1], size=(200, 7)
    )
    arrays = limits(grip.kart_numbers(kart), *points.T)
    for index, values in enumerate(arrays):
        other = [float(symbolic(vector, point)[index]) for point in points]
        assert np.asarray(values) == pytest.approx(other, rel=1e-12, abs=1e-9)


def test_series_for_sine_and_cosine_hold_up_to_a_wall():
    x = np.linspace(-0.35, 0.35, 701)
    assert np.abs(grip._sin(x) - np.sin(x)).max() < 2e-7
    assert np.abs(grip._cos(x) - np.cos(x)).max() < 6e-9


def test_roll_down_is_positive_and_grows_with_speed():
    kart = load_kart("senior-single-speed")
    rolling = grip.roll_down(kart, np.array([0.0, 10.0, 30.0]))
    assert rolling[0] == pytest.approx(0.02 * G / 1.05)
    assert (np.diff(rolling) > 0).all()


def test_no_grip_drives_harder_than_all_the_weight_on_the_rear():
    """Beyond the grip that lifts the front wheels all the weight is on the rear axle, and no more (statics)."""
    kart = grip.kart_numbers(load_kart("senior-single-speed"))
    grips = np.linspace(0.2, 6.0, 300)
    most = grip.drive_friction(kart, grips)
    assert (most > 0.0).all()
    assert (most <= kart.mu_x * grips).all()
    assert (np.diff(most) > 0.0).all()


def test_roll_down_is_newtons_second_law_with_no_pedal():
    """Every resistance and the climb, over the mass with its turning parts: written out here term by term."""
    kart = dataclasses.replace(load_kart("senior-single-speed"), engine_braking=1.5)
    v, kappa, climb = 18.0, 1.0 / 25.0, 0.05
    side = v * v * kappa
    normal = G * np.cos(climb)
    air = 0.5 * kart.air_density * kart.cda * v * v / kart.mass
    closed = kart.engine_braking * v / min(float(grip.kart_numbers(kart).top_speed), 60.0)
    force = air + kart.rolling_resistance * normal + kart.scrub * side * side / G + closed
    expected = (force + G * np.sin(climb)) / (1.0 + kart.rotating_mass_factor)
    surface = grip.Surface(slope=climb, bank=0.0, vertical_curvature=0.0, grip=1.0)
    assert float(grip.roll_down(kart, v, kappa, surface)) == pytest.approx(expected, rel=1e-6)
    steep = grip.Surface(slope=-0.3, bank=0.0, vertical_curvature=0.0, grip=1.0)
    assert float(grip.roll_down(kart, 5.0, 0.0, steep)) < 0.0  # it rolls on, faster and faster
