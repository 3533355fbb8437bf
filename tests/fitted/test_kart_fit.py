"""A kart fitted to laps put together from closed forms: constant power, constant deceleration, a steady hairpin."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from shared import demo_ground

import linelab
from linelab.coaching.envelope import fit_offer, misfit
from linelab.coaching.from_recording import find_ground, ground_laps, grounds_kart
from linelab.errors import InputError, KartError
from linelab.measured import Measured
from linelab.model.engine import drive_curve, engine_of_force, gear_forces, with_force
from linelab.model.grip import drive_power, kart_numbers
from linelab.model.kart import PowerEngine
from linelab.model.lap import Lap, Limit, Line
from linelab.motion.channels import Sensors
from linelab.motion.estimate import without_uncertainty

KART = linelab.load_kart("senior-single-speed")
G = 9.80665
#: Full power gains POWER/v; the hairpins are taken at SIDE; from FAST to SLOW the kart is braked.
POWER, SIDE, SLOW, FAST = 62.0, 1.4, 10.0, 25.0  # [W/kg], [g], [m/s], [m/s]


def a_lap(braking, rng, sensors, corners=4):
    """A lap of hairpins and straights with noise of known size on what a receiver would show of it."""
    bend, drive, slow = 25.0, (FAST**3 - SLOW**3) / (3.0 * POWER), (FAST**2 - SLOW**2) / (2.0 * braking)
    s = np.arange(0.0, corners * (bend + drive + slow))
    at = s % (bend + drive + slow)
    along, left = np.clip(at - bend, 0.0, drive), np.clip(at - bend - drive, 0.0, slow)
    v = np.where(left > 0.0, np.sqrt(FAST**2 - 2.0 * braking * left), np.cbrt(SLOW**3 + 3.0 * POWER * along))
    ax = np.where(left > 0.0, -braking, np.where(along > 0.0, POWER / v, 0.0)) + rng.normal(0.0, 0.25, s.size)
    kappa = np.where(at < bend, SIDE * G / SLOW**2, 0.0) + rng.normal(0.0, 0.003, s.size)
    flat, psi = np.zeros(s.size), np.cumsum(kappa)
    line = Line(
        distance=s, x=np.cumsum(np.cos(psi)), y=np.cumsum(np.sin(psi)), psi=psi, kappa=kappa, s=s, n=flat, slope=flat,
        bank=flat, vertical_curvature=flat, grip=np.ones(s.size), closed=False,
    )  # fmt: skip
    t = np.concatenate([[0.0], np.cumsum(2.0 / (v[1:] + v[:-1]))])
    lap = Lap(line=line, t=t, v=v, ax=ax, limited_by=np.full(s.size, Limit.NONE), label="lap")
    sigmas = {"sigma_ax": np.full(s.size, 0.25), "sigma_kappa": np.full(s.size, 0.003)}
    return replace(without_uncertainty(lap), sensors=sensors, **sigmas)


def session(seed, *, braking=6.4, laps=4):
    sensors = Sensors(rate=10.0, position_sigma=0.1, speed_sigma=0.05, jerk=1.0)
    rng = np.random.default_rng(seed)
    return [a_lap(braking, rng, sensors) for _ in range(laps)]


def with_full_throttle(lap, gains):
    """The lap with other accelerations where it is at full throttle, speeds and noise as they are."""
    v, ax = lap.lap.v, lap.lap.ax
    on = (ax > 0.5 * POWER / v) & (v > SLOW + 0.01)
    return replace(lap, lap=replace(lap.lap, ax=np.where(on, ax - POWER / v + gains(v), ax)))


@pytest.fixture(scope="module")
def fitted():
    return linelab.fit_kart(session(1), KART)


@pytest.mark.parametrize("v", [15.0, 18.0, 21.0, 24.0])
def test_full_throttle_is_the_power_that_the_laps_were_made_with(fitted, v):
    shown = fitted.full_throttle(v)
    assert shown.holds(POWER / v)
    assert shown.value.value == pytest.approx(POWER / v, rel=0.04)
    assert not shown.at_least


def test_grip_is_what_was_driven_and_what_a_driver_keeps_in_hand(fitted):
    """Nobody drives at the limit all the time: the kart has some per cent more than is shown, give or take.

    The laps of one who drives at 87 % of it look the same as those of one who drives at 97 %.
    """
    assert 1.0 < fitted.lateral.value.value / SIDE < 1.15
    assert fitted.lateral.holds(SIDE / 0.97)
    assert fitted.lateral.holds(SIDE / 0.87)
    assert not fitted.lateral.holds(SIDE / 1.1)
    # The brakes decelerate what rolling and air, which the laps do not tell from the brakes, do not.
    helped = 6.4 * (1.0 + KART.rotating_mass_factor) / G - np.array([1.5, 0.5]) / G
    assert helped[0] < fitted.braking.value.value / 1.05 < helped[1]
    assert not fitted.braking.at_least


def test_who_brakes_softly_shows_a_lower_bound_and_the_file_keeps_its_brakes():
    soft = linelab.fit_kart(session(2, braking=2.5), KART)
    assert soft.braking.at_least
    assert soft.braking.value.value < 0.4
    assert soft.braking.holds(0.7)
    assert not soft.braking.holds(0.1)
    ratio = KART.mu_longitudinal / KART.mu_lateral
    assert soft.kart.mu_longitudinal / soft.kart.mu_lateral == pytest.approx(ratio, rel=1e-4)
    assert "never brakes to the limit" in soft.origins()["mu_longitudinal"]


def test_what_was_not_reached_is_at_least(fitted):
    assert fitted.top_speed.at_least
    assert fitted.top_speed.value.value == pytest.approx(FAST, rel=0.02)
    assert fitted.driving.at_least
    assert fitted.full_throttle(SLOW).at_least
    assert fitted.roll_down(18.0).origin == "kart file"


def test_a_top_speed_is_said_where_the_force_runs_out_soon_beyond_the_laps():
    """Full throttle gains 0.3·(top - v); straights end at 93 % of it.  The file has a tenth more force."""
    top, v = 26.8, np.linspace(0.0, 40.0, 81)
    own = {"cda": 0.0, "rolling_resistance": 0.05, "scrub": 0.0, "rotating_mass_factor": 0.0}
    force = 1.1 * KART.mass * np.maximum(0.3 * (top - v) + 0.05 * G, 0.01)
    made = [with_full_throttle(lap, lambda v: 0.3 * (top - v)) for lap in session(7)]
    shown = linelab.fit_kart(made, replace(KART, engine=engine_of_force(v, force), **own)).top_speed
    assert not shown.at_least
    assert shown.holds(top)
    assert 1.96 * shown.value.sigma < 0.1 * top


def test_more_sessions_narrow_the_intervals(fitted):
    more = linelab.fit_kart([*session(1), *session(3), *session(4), *session(5)], KART)
    for v in (15.0, 20.0):
        assert more.full_throttle(v).value.sigma < fitted.full_throttle(v).value.sigma
    assert more.full_throttle(20.0).holds(POWER / 20.0)
    assert more.laps == 16


def test_axles_of_the_start_are_left_out(fitted):
    """Laps show the limits of the kart, so those of its tyres would count load transfer twice."""
    again = linelab.fit_kart(session(1), linelab.with_axles(KART))
    assert again.kart.axles is None
    assert again.kart.mu_lateral == pytest.approx(fitted.kart.mu_lateral, rel=0.02)


def test_the_start_hardly_matters_where_the_laps_speak(fitted):
    """From a kart of half the force and another mass the same acceleration is found; the factor says the difference."""
    weak = replace(KART, engine=with_force(KART.engine, 0.5))
    other = linelab.fit_kart(session(1), weak)
    assert other.full_throttle(20.0).value.value == pytest.approx(fitted.full_throttle(20.0).value.value, rel=0.02)
    assert other.power.value == pytest.approx(2.0 * fitted.power.value, rel=0.06)
    heavy = linelab.fit_kart(session(1), replace(KART, mass=KART.mass + 20.0))
    assert heavy.full_throttle(20.0).value.value == pytest.approx(fitted.full_throttle(20.0).value.value, rel=0.01)
    # Twenty kilograms gain 3.1 m/s² more by 62 N of force and their rotating share, air being the same.
    force, more = (float(np.interp(20.0, one.speeds, one.force)) for one in (fitted, heavy))
    assert more - force == pytest.approx(20.0 * (POWER / 20.0 * 1.05 + 0.02 * G), rel=0.3)


@pytest.fixture(scope="module")
def demo_laps():
    return ground_laps(demo_ground()[1])


def test_the_demos_engine_is_that_of_its_file(demo_laps):
    """Though its driver is at the end of the revs on every straight, and waits with the power out of corners."""
    shown = linelab.fit_kart(demo_laps, KART)
    assert shown.scrub.holds(1.0)
    assert shown.power.value == pytest.approx(1.0, abs=1.96 * shown.power.sigma)
    assert 1.96 * shown.power.sigma < 0.03


def test_ground_without_heights_widens_what_is_read_of_the_engine(demo_laps):
    """A slope of 1.2 % on a straight is 0.12 m/s² there on every lap: about 1 % of force over the lap's straights."""
    level = [replace(lap.lap.line, slope=np.full(lap.lap.t.size, 1e-6)) for lap in demo_laps]
    known = [replace(lap, lap=replace(lap.lap, line=line)) for lap, line in zip(demo_laps, level)]
    one, other = (linelab.fit_kart(laps, KART).power for laps in (demo_laps, known))
    assert one.value == pytest.approx(other.value, rel=1e-3)
    assert 0.005 < np.sqrt(one.sigma**2 - other.sigma**2) < 0.02


def test_the_saved_file_is_the_kart_and_says_where_each_value_is_from(fitted, tmp_path):
    path = tmp_path / "fitted.toml"
    linelab.save_kart(fitted.kart, path, origins=fitted.origins("morning.csv"))
    assert linelab.load_kart(path) == fitted.kart
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# Fitted to 4 laps of morning.csv, from 'Senior single-speed'.")
    bare = [line for line in text.splitlines() if " = " in line and "#" not in line]
    assert [line.split(" = ")[0] for line in bare] == ["name", "description"]
    assert "mass_kg = 162.0  # kept from 'Senior single-speed'" in text
    # Air and rolling as well as scrub each have a factor of their own, with its interval.
    for name, factor, usual in (("cda_m2", fitted.resistance, KART.cda), ("scrub", fitted.scrub, KART.scrub)):
        line = next(line for line in text.splitlines() if line.startswith(name))
        assert f"{factor.value.value:.2f} ±{1.96 * factor.value.sigma:.2f} times the base's" in line
        assert float(line.split()[2]) == pytest.approx(factor.value.value * usual, rel=1e-4)
    assert tomllib.loads(text)["mass_kg"] == KART.mass
    # The file's engine pulls as the figures say.
    numbers = kart_numbers(linelab.load_kart(path))
    pull = float(drive_power(numbers, 20.0)) / 20.0
    assert pull == pytest.approx(float(np.interp(20.0, fitted.speeds, fitted.force)), rel=0.01)


def test_a_comment_cannot_break_the_file(fitted, tmp_path):
    path = tmp_path / "odd.toml"
    linelab.save_kart(fitted.kart, path, origins={"mass_kg": "two\nlines = 3", "": "one\ntwo"})
    assert linelab.load_kart(path) == fitted.kart


def test_the_quality_is_that_of_the_noise(fitted):
    assert fitted.misfit_ax == pytest.approx(0.25, abs=0.04)
    assert 0.0 < fitted.misfit_v < 0.4


def test_errors_say_what_to_give():
    with pytest.raises(InputError, match=r"no lap to fit a kart to.*read_laps"):
        linelab.fit_kart([])
    lap = session(1, laps=1)[0]
    with pytest.raises(InputError, match=r"computed laps show the kart they were computed for.*recorded"):
        linelab.fit_kart(without_uncertainty(lap.lap))
    with pytest.raises(InputError, match="kart is the text 'senior-single-speed', not a Kart"):
        linelab.fit_kart(lap, "senior-single-speed")
    with pytest.raises(InputError, match="laps is a Lap, not a DrivenLap"):
        linelab.fit_kart([lap.lap])


def test_a_factor_on_engine_force_is_one_at_every_speed():
    v = np.linspace(1.0, 30.0, 40)
    for engine in (KART.engine, PowerEngine(power=9000.0, max_force=700.0), linelab.load_kart("gearbox").engine):
        weak, strong = (kart_numbers(replace(KART, engine=one)) for one in (engine, with_force(engine, 1.3)))
        assert drive_power(strong, v) == pytest.approx(1.3 * drive_power(weak, v), rel=0.01)
        assert drive_curve(with_force(engine, 1.3)).top_speed == drive_curve(engine).top_speed


def test_an_engine_of_forces_gives_them():
    v, force = np.array([0.0, 8.0, 15.0, 30.0]), np.array([600.0, 700.0, 500.0, 250.0])
    engine = engine_of_force(v, force)
    assert gear_forces(engine, v)[0] == pytest.approx(force, rel=1e-4)
    assert drive_curve(engine).top_speed == pytest.approx(30.0, rel=1e-4)
    with pytest.raises(KartError, match="increasing"):
        engine_of_force(v[[0, 2, 1, 3]], force)


def test_a_misfit_offers_the_command_and_names_the_class():
    assert fit_offer(Measured(1.0, 0.02), "gearbox") == ("", "")
    # Shown no more closely than this, a kart that pulls 30 % harder may be of the class all the same.
    assert misfit(Measured(1.30, 0.05)) == ""
    assert misfit(Measured(0.75, 0.05)) == ""
    assert misfit(Measured(1.30, 0.01))
    assert misfit(Measured(0.75, 0.01))
    power = Measured(1.56, 0.05)
    assert "56 % harder" in misfit(power)
    short, keep = fit_offer(power, "gearbox", "morning.csv")
    assert short == "without --kart a kart is fitted to the recording; the nearest bundled class is gearbox"
    assert "linelab kart --from morning.csv --save my_kart.toml" in keep
    assert "class" not in fit_offer(power, "")[0]


def test_a_recording_alone_gives_its_kart(small_session):
    """Laps of a bundled rental kart, without a kart or a track: its class, its cornering and its pull are found."""
    made = grounds_kart([find_ground(linelab.load_recording(small_session), None)])
    true = linelab.load_kart("rental-four-stroke")
    assert made.nearest == "rental-four-stroke"
    assert made.lateral.value.value == pytest.approx(true.mu_lateral, rel=0.12)
    assert made.power.value == pytest.approx(1.0, abs=3.0 * made.power.sigma)
    assert made.kart.mass == true.mass
