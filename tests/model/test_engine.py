"""Drive curves against the exact curve and against arithmetic from outside."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from linelab.files.kart_file import bundled_karts, load_kart
from linelab.model.engine import (
    KNOTS,
    SHIFT_BLEND,
    drive_curve,
    drive_force,
    gear_forces,
    road_speed,
    wheel_power,
)
from linelab.model.grip import drive_power, kart_numbers
from linelab.model.kart import PowerEngine, TorqueEngine
from linelab.speed.step import CREEP
from linelab.units import INCH, MPH, RPM


def _bundled_engine(name: str) -> TorqueEngine:
    engine = load_kart(name).engine
    assert isinstance(engine, TorqueEngine)
    return engine


def _flat(ratios: tuple[float, ...], **changes: float) -> TorqueEngine:
    values = {"tyre_circumference": 0.86, "rev_limit": 14000 * RPM, "efficiency": 1.0} | changes
    return TorqueEngine(speed=np.array([1000.0, 14000.0]) * RPM, torque=np.array([10.0, 10.0]), ratios=ratios, **values)


def test_gearing_81_11_teeth_at_13900_rpm_is_61_mph():
    """CHECKS 9 (arithmetic): 13,900 rpm · 34.125 in / (81/11) = 61.00 mph."""
    engine = _flat((81 / 11,), tyre_circumference=34.125 * INCH, rev_limit=13_900 * RPM)
    assert drive_curve(engine).top_speed / MPH == pytest.approx(61.00, abs=0.005)
    assert float(road_speed(engine, 13_900 * RPM, 1)) / MPH == pytest.approx(61.00, abs=0.005)


def gears_used(engine, v):
    """The gear, from 1, with the greatest drive force at each speed."""
    return np.argmax(gear_forces(engine, v), axis=0) + 1


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_power_as_it_is_driven_is_within_what_is_said(name):
    """With its corners rounded, from the lowest speed of the passes to the rev limit, nothing left out."""
    kart, engine = load_kart(name), _bundled_engine(name)
    v = np.linspace(CREEP, drive_curve(engine).top_speed * (1.0 - 1e-9), 100_001)
    exact = v * gear_forces(engine, v).max(axis=0)
    power = np.asarray(drive_power(kart_numbers(kart), v))
    error = np.abs(power / exact - 1.0)
    shift = np.zeros(v.size, dtype=bool)
    for change in v[1:][np.diff(gears_used(engine, v)) > 0]:
        shift |= np.abs(v - change) < 0.25
    assert shift.any() == (len(engine.ratios) > 1)
    assert error[~shift].max() < 0.0065
    assert error.max() < 0.01
    fast = v > 3.0  # slower, the tyres do not hold it
    times = [float(np.trapezoid(v[fast] / watts[fast], v[fast])) for watts in (power, exact)]
    assert times[0] == pytest.approx(times[1], rel=1.5e-3)


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_fitted_power_is_within_a_third_of_a_percent(name):
    engine = _bundled_engine(name)
    curve = drive_curve(engine)
    v = np.linspace(1e-3, curve.top_speed * (1 - 1e-9), 20_001)
    exact = v * gear_forces(engine, v).max(axis=0)
    keep = np.ones(v.size, dtype=bool)
    for gear in range(1, len(engine.ratios)):  # a jump at a lower gear's rev limit is a short ramp instead
        limit = float(road_speed(engine, engine.rev_limit, gear))
        keep &= (v < limit - SHIFT_BLEND) | (v > limit)
    error = np.abs(wheel_power(curve, v) / exact - 1.0)
    assert keep.mean() > 0.95
    assert error[keep].max() <= 0.0035


def test_gearbox_has_six_gears_used_in_order():
    engine = _bundled_engine("gearbox")
    v = np.linspace(0.0, drive_curve(engine).top_speed, 2000)
    gears = gears_used(engine, v)
    assert set(gears.tolist()) == {1, 2, 3, 4, 5, 6}
    assert (np.diff(gears) >= 0).all()


def test_torque_is_linear_between_points_and_work_is_conserved():
    """F·v = efficiency·T·omega in any gear (conservation of energy)."""
    engine = TorqueEngine(
        speed=np.array([4000.0, 8000.0]) * RPM,
        torque=np.array([10.0, 20.0]),
        ratios=(6.0,),
        tyre_circumference=0.86,
        rev_limit=9000 * RPM,
        efficiency=0.9,
    )
    v = float(road_speed(engine, 7000 * RPM, 1))
    assert float(gear_forces(engine, v)[0]) * v == pytest.approx(0.9 * 17.5 * 7000 * RPM, rel=1e-12)


def test_clutch_holds_the_torque_at_engagement_below_it():
    engine = dataclasses.replace(_bundled_engine("senior-single-speed"), clutch_engagement=5000 * RPM)
    engaged = float(road_speed(engine, 5000 * RPM, 1))
    forces = gear_forces(engine, np.array([0.0, 0.3 * engaged, engaged]))[0]
    assert forces == pytest.approx(forces[2])
    expected = 14.3 * engine.efficiency * engine.ratios[0] * 2 * np.pi / engine.tyre_circumference
    assert forces[0] == pytest.approx(expected)
    assert float(drive_force(drive_curve(engine), 0.0)) == pytest.approx(expected, rel=0.005)


def test_no_drive_beyond_the_rev_limit():
    engine = _flat((6.0,))
    top = drive_curve(engine).top_speed
    assert gear_forces(engine, np.array([top * 0.999, top * 1.001]))[0].tolist() == [pytest.approx(438.4, abs=0.1), 0.0]


def test_power_jump_at_a_rev_limit_is_never_overstated():
    engine = _flat((12.0, 6.0))
    curve = drive_curve(engine)
    limit = float(road_speed(engine, engine.rev_limit, 1))
    v = np.linspace(limit - 1.0, limit + 1.0, 401)
    exact = v * gear_forces(engine, v).max(axis=0)
    assert (wheel_power(curve, v) <= exact * 1.003 + 1e-6).all()


def test_simple_power_has_constant_power_below_its_force_cap():
    curve = drive_curve(PowerEngine(power=20e3, max_force=800.0))
    assert drive_force(curve, np.array([0.0, 10.0, 40.0])) == pytest.approx([800.0, 800.0, 500.0])
    uncapped = drive_curve(PowerEngine(power=20e3))
    assert np.isinf(drive_force(uncapped, 0.0))
    assert float(drive_force(uncapped, 40.0)) == pytest.approx(500.0)


def test_ragged_torque_curves_still_give_a_curve():
    rng = np.random.default_rng(3)
    engine = TorqueEngine(
        speed=np.linspace(2000, 14000, 60) * RPM,
        torque=rng.uniform(5.0, 25.0, 60),
        ratios=(18.0, 13.0, 10.0, 8.0, 6.7, 5.8),
        tyre_circumference=0.86,
        rev_limit=14000 * RPM,
    )
    curve = drive_curve(engine)
    v = np.linspace(0.1, curve.top_speed, 2000)
    assert (wheel_power(curve, v) > 0.0).all()
    assert (np.diff(curve.knots) > 0.0).all()
    assert curve.knots.size == KNOTS
