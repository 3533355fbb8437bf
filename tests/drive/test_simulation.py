"""The simulated driver and receiver: motion that is exact and possible, faults of the size asked for, known errors."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest
from shared import solved

from linelab.drive.driver import apex_station, drive_session
from linelab.drive.faults import (
    AbruptPower,
    ApexMissed,
    BrakesEarly,
    BrakesSoftly,
    Coasts,
    Habits,
    LatePower,
    Slides,
    Spin,
    Stop,
    Traffic,
    TurnsInEarly,
)
from linelab.drive.receiver import Inertial, Receiver, drifting, record
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.projection import LocalPlane, to_plane
from linelab.files.recordings.load_recording import load_recording
from linelab.files.recordings.table import save_recording
from linelab.files.tracks.track_file import load_track
from linelab.model.grip import (
    Surface,
    brake_friction,
    drive_friction,
    drive_power,
    kart_numbers,
    loads,
    roll_down,
    tyre_longitudinal,
)

TRACK = load_track("marrowdown_club")
KART = load_kart("junior-single-speed")
STEADY = Habits(line_scatter=0.0, pace_scatter=0.0, fault_scatter=0.0)
PERFECT = Receiver(rate=20.0, white=0.0, bias=0.0, speed_noise=0.0, course_noise=0.0)


@cache
def reference():
    return solved("marrowdown_club", "junior-single-speed").lap


def session(habits=STEADY, **options):
    return drive_session(TRACK, KART, reference(), habits, **{"laps": 2, "ends": (0.3, 0.2), **options})


@cache
def plain():
    return session()


def with_fault(*faults, **options):
    return session(replace(STEADY, faults=faults), **options)


def speed_at(lap, station):
    return float(np.interp(station % TRACK.length, lap.line.s, lap.v))


def corner(number):
    return next(item for item in TRACK.corners if item.number == number)


def around(lap, number, before=40.0, after=40.0):
    """Nodes about a corner's apex."""
    return np.abs(lap.line.s - corner(number).s_apex + 0.5 * (before - after)) < 0.5 * (before + after)


# --- the motion


def test_motion_is_the_integral_of_its_speed():
    """Positions sampled finely agree with the speed integrated by a rule the driver knows nothing of (trapezium)."""
    drive = session(Habits(), seed=5)
    t = np.linspace(0.0, drive.duration, 400_001)
    motion = drive.at(t)
    chord = np.hypot(np.diff(motion.x), np.diff(motion.y))
    way = np.concatenate([[0.0], np.cumsum(chord)])
    by_speed = np.concatenate([[0.0], np.cumsum(0.5 * (motion.v[1:] + motion.v[:-1]) * np.diff(t))])
    assert np.abs(way - by_speed).max() < 2e-3 * 1.0
    np.testing.assert_allclose(
        motion.v[1:] - motion.v[:-1], 0.5 * (motion.ax[1:] + motion.ax[:-1]) * np.diff(t), atol=2e-3
    )
    heading = np.unwrap(np.arctan2(np.diff(motion.y), np.diff(motion.x)))
    middle = 0.5 * (motion.psi[1:] + motion.psi[:-1])
    off = heading - middle
    assert np.abs(off - 2.0 * np.pi * np.round(off / (2.0 * np.pi))).max() < 1e-3


def test_curvature_is_the_turn_of_the_path():
    drive = session(Habits(), seed=6)
    psi, way = drive.line.psi, drive.line.distance
    by_angle = np.diff(psi) / np.diff(way)
    assert np.abs(by_angle - 0.5 * (drive.line.kappa[1:] + drive.line.kappa[:-1])).max() < 1e-3


def test_laps_follow_one_another():
    drive = session(Habits(), laps=4, seed=2)
    crossings = np.interp([0.0, 1.0, 2.0, 3.0, 4.0], drive.line.s / TRACK.length, drive.t)
    np.testing.assert_allclose([lap.lap_time for lap in drive.laps], np.diff(crossings), atol=1e-9)
    for lap in drive.laps:
        assert lap.line.s[0] == pytest.approx(0.0, abs=1e-9)
        assert lap.line.s[-1] == pytest.approx(TRACK.length, abs=1e-9)


def grip_used(drive):
    """Share of the kart's friction ellipse, and of its greatest drive force, at every node."""
    numbers, line = kart_numbers(KART), drive.line
    surface = Surface(line.slope, line.bank, line.vertical_curvature, line.grip)
    load = loads(numbers, drive.v**2, line.kappa, surface)
    force = tyre_longitudinal(numbers, load, np.gradient(0.5 * drive.v**2, line.distance))
    along = force / np.where(force > 0.0, drive_friction(numbers, line.grip), brake_friction(numbers, line.grip))
    used = np.hypot(along, load.lateral / (numbers.mu_y * line.grip)) / load.normal
    return used, force * numbers.mass * drive.v / drive_power(numbers, drive.v)


@pytest.mark.parametrize("habits", [STEADY, Habits(grip_share=1.0), Habits(grip_share=0.9, line_scatter=0.2)])
def test_the_kart_can_do_it(habits):
    """The ellipse holds to the share used; rounding the pedals in time mixes neighbouring nodes, hence 5 %."""
    used, power = grip_used(session(habits, seed=9))
    flying = slice(400, -400)
    assert used[flying].max() < 1.05 * min(habits.grip_share + 3.0 * habits.pace_scatter, 1.0)
    assert used[flying].max() > 0.9 * habits.grip_share  # and the grip is used
    assert power[flying].max() < 1.04


def test_same_seed_same_session():
    one, two, other = (session(Habits(), seed=seed) for seed in (4, 4, 5))
    assert np.array_equal(one.t, two.t)
    assert one.laps[0].lap_time != other.laps[0].lap_time
    assert one.laps[0].lap_time != one.laps[1].lap_time
    steady = plain()
    assert steady.laps[0].lap_time == pytest.approx(
        steady.laps[1].lap_time, abs=0.02
    )  # but for the power before line 1


def test_the_follower_is_slower_than_the_reference_and_not_by_much():
    lap = session(replace(STEADY, grip_share=1.0, pedal_time=0.0, power_build=0.0)).laps[1]
    assert reference().lap_time - 0.02 < lap.lap_time < 1.01 * reference().lap_time


def test_scatter_has_the_size_asked_for():
    drive = session(replace(STEADY, line_scatter=0.2), laps=20, seed=1)
    n = np.array([np.interp(np.arange(0.0, TRACK.length, 7.0), lap.line.s, lap.line.n) for lap in drive.laps])
    # Limited to twice the standard deviation by a hyperbolic tangent: 2·tanh(z/2) of a normal z has 0.85 of its spread.
    assert np.std(n - n.mean(axis=0), ddof=0) * math.sqrt(20 / 19) == pytest.approx(0.85 * 0.2, rel=0.05)


# --- faults


@pytest.mark.parametrize(("number", "metres"), [(1, 0.6), (5, 1.2), (8, 0.4), (11, 0.9)])
def test_apex_is_missed_by_the_size_asked_for(number, metres):
    lap = with_fault(ApexMissed(corner=number, metres=metres)).laps[0]
    place = apex_station(TRACK, reference(), number) % TRACK.length
    inside = 1.0 if corner(number).left else -1.0
    best = np.interp(place, reference().line.s, reference().line.n)
    missed = inside * (best - np.interp(place, lap.line.s, lap.line.n))
    assert missed == pytest.approx(metres, abs=0.06)  # the steering's rounding takes some centimetres


def test_missing_an_apex_costs_time_and_only_there():
    lap = with_fault(ApexMissed(corner=5, metres=1.2)).laps[0]
    assert lap.lap_time > plain().laps[0].lap_time + 0.01
    away = np.abs(lap.line.s - apex_station(TRACK, reference(), 5)) > 80.0
    np.testing.assert_allclose(lap.line.n[away], plain().laps[0].line.n[away], atol=1e-6)


def brake_station(lap, number):
    """Where the last braking before a corner begins, by the lap's own acceleration."""
    part = np.flatnonzero(around(lap, number, before=90.0, after=0.0))
    braking = part[lap.ax[part] < -1.5]
    last = np.flatnonzero(np.diff(braking) > 16)
    return float(lap.line.s[braking[last[-1] + 1 if last.size else 0]])


@pytest.mark.parametrize("metres", [4.0, 8.0, 15.0])
def test_braking_begins_earlier(metres):
    lap = with_fault(BrakesEarly(corner=11, metres=metres)).laps[0]
    moved = brake_station(plain().laps[0], 11) - brake_station(lap, 11)
    assert moved == pytest.approx(metres, abs=0.15 * metres + 0.5)


def test_soft_braking_uses_less_of_the_grip():
    lap = with_fault(BrakesSoftly(corner=11, share=0.6)).laps[0]
    part = around(lap, 11, before=60.0, after=0.0)
    usual = plain().laps[0]
    assert 0.5 < lap.ax[part].min() / usual.ax[part].min() < 0.8
    assert brake_station(lap, 11) < brake_station(usual, 11) - 3.0
    assert lap.v[part].min() == pytest.approx(usual.v[part].min(), abs=0.3)


def coasted(lap, number):
    """Metres about a corner with neither pedal: slowing as it rolls down, by what cornering costs, and uphill."""
    part = around(lap, number, before=80.0, after=40.0)
    more = KART.scrub * lap.ay[part] ** 2 / 9.80665 + 9.80665 * lap.line.slope[part]
    off = lap.ax[part] + roll_down(KART, lap.v[part]) + more / (1.0 + KART.rotating_mass_factor)
    return float((np.abs(off) < 0.3).sum() * 0.25)


@pytest.mark.parametrize("fault", [Coasts(corner=11, metres=12.0), LatePower(corner=11, metres=12.0)])
def test_coasting_is_neither_braking_nor_driving(fault):
    usual, lap = plain().laps[0], with_fault(fault).laps[0]
    # After coasting the kart is slower and brakes later, so it coasts some metres more.
    assert 8.0 < coasted(lap, 11) - coasted(usual, 11) < 17.0
    assert lap.lap_time > usual.lap_time + 0.02


@pytest.mark.parametrize("kind", [Slides, AbruptPower])
def test_a_slide_loses_speed_and_turns_the_body(kind):
    usual, drive = plain().laps[0], with_fault(kind(corner=5, speed_lost=1.0))
    lap = drive.laps[0]
    part = around(lap, 5, before=20.0, after=30.0)
    lost = np.interp(lap.line.s[part], usual.line.s, usual.v) - lap.v[part]
    assert 0.5 < lost.max() < 1.8  # abrupt power also gains a little before it slides
    assert 0.08 < np.abs(drive.slip).max() < 0.2


def test_turning_in_early_brings_the_entry_forward():
    usual, lap = plain().laps[0], with_fault(TurnsInEarly(corner=5, metres=3.0)).laps[0]
    start = corner(5).s_start
    table = np.interp(np.array([start + 3.0]), usual.line.s, usual.line.n)
    assert np.interp(start, lap.line.s, lap.line.n) == pytest.approx(table[0], abs=0.05)


def test_a_fault_happens_on_its_laps_only():
    drive = with_fault(ApexMissed(corner=5, metres=1.0, laps=(2,)), laps=3)
    place = apex_station(TRACK, reference(), 5)
    first, second, third = (float(np.interp(place, lap.line.s, lap.line.n)) for lap in drive.laps)
    assert first == pytest.approx(third, abs=1e-6)
    assert abs(second - first) > 0.8
    assert [lap for lap, _ in drive.faults] == [2]


def test_faults_vary_from_lap_to_lap():
    faults = session(replace(STEADY, fault_scatter=0.2, faults=(ApexMissed(corner=5, metres=1.0),)), laps=30).faults
    sizes = np.array([fault.metres for _, fault in faults])
    assert np.std(sizes) == pytest.approx(0.2, rel=0.4)


# --- incidents


def test_a_stop_takes_its_time():
    habits = replace(STEADY, incidents=(Stop(lap=1, station=400.0, seconds=8.0),))
    drive = session(habits)
    slow = drive.v < 0.2
    assert np.diff(drive.t)[slow[1:] & slow[:-1]].sum() == pytest.approx(8.0, abs=0.5)
    assert drive.laps[0].lap_time - plain().laps[0].lap_time > 8.0
    assert drive.laps[1].lap_time == pytest.approx(plain().laps[1].lap_time, abs=0.02)


def test_a_stop_in_a_faulty_corner_is_no_longer_than_asked_for():
    incident = Stop(lap=1, station=corner(11).s_apex, seconds=5.0)
    drive = session(replace(STEADY, faults=(LatePower(corner=11, metres=15.0),), incidents=(incident,)))
    assert 5.0 < drive.laps[0].lap_time - drive.laps[1].lap_time < 13.0


def test_a_spin_turns_the_kart_once_round():
    drive = session(replace(STEADY, incidents=(Spin(lap=2, station=400.0, seconds=4.0),)))
    assert drive.slip[-1] == pytest.approx(2.0 * math.pi)
    assert drive.laps[1].lap_time - plain().laps[1].lap_time > 4.0


def test_traffic_holds_the_kart_up():
    drive = session(replace(STEADY, incidents=(Traffic(lap=1, station=300.0, metres=120.0, speed_share=0.8),)))
    part = (drive.laps[0].line.s > 310.0) & (drive.laps[0].line.s < 410.0)
    usual = np.interp(drive.laps[0].line.s[part], plain().laps[0].line.s, plain().laps[0].v)
    assert (drive.laps[0].v[part] / usual).max() < 0.83


# --- refusals


@pytest.mark.parametrize(
    ("habits", "options", "message"),
    [
        (replace(STEADY, faults=(ApexMissed(corner=99, metres=1.0),)), {}, "no corner 99"),
        (STEADY, {"laps": 0}, "0 laps"),
        (replace(STEADY, faults=(ApexMissed(corner=5, metres=-4.0),)), {}, "leaves the track by"),
    ],
)
def test_sessions_that_cannot_be_driven_are_refused(habits, options, message):
    with pytest.raises(InputError, match=message):
        session(habits, **options)


def test_values_out_of_range_are_refused():
    with pytest.raises(InputError, match="grip_share"):
        Habits(grip_share=1.4)
    with pytest.raises(InputError, match="share 0 is outside"):
        BrakesSoftly(corner=1, share=0)
    with pytest.raises(InputError, match="rate"):
        Receiver(rate=0.0)
    with pytest.raises(InputError, match="outside 0 to"):
        plain().at(np.array([-1.0]))


# --- the receiver


def on_plane(recording):
    plane = LocalPlane(origin_lon=TRACK.origin[0], origin_lat=TRACK.origin[1])
    return to_plane(plane, recording.lon, recording.lat)


def test_a_perfect_receiver_tells_the_truth():
    drive = plain()
    recording = record(drive, PERFECT)
    x, y = on_plane(recording)
    # The clock began somewhere within the first sample.
    starts = np.linspace(0.0, 0.05, 501)
    first = np.array([np.hypot(x[0] - m, y[0] - k) for m, k in zip(*drive.at(starts)[2:4])])
    motion = drive.at(recording.t + starts[np.argmin(first)])
    assert np.hypot(x - motion.x, y - motion.y).max() < 0.02
    assert np.abs(recording.speed - motion.v).max() < 0.02
    course = np.mod(0.5 * math.pi - motion.psi, 2.0 * math.pi)
    off = np.mod(recording.channels["course"] - course + math.pi, 2.0 * math.pi) - math.pi
    assert np.abs(off).max() < 0.01


def test_drifting_bias_has_the_covariance_of_its_process():
    """Ornstein-Uhlenbeck: covariance sigma²·exp(-|t|/tau), whatever the sampling step (closed form)."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 40.0, 0.1)
    many = np.array([drifting(t, 1.5, 20.0, rng) for _ in range(4000)])
    assert many[:, 0].std() == pytest.approx(1.5, rel=0.04)
    assert many[:, -1].std() == pytest.approx(1.5, rel=0.04)
    change = many[:, 200] - many[:, 100]  # 10 s apart
    assert change.std() == pytest.approx(1.5 * math.sqrt(2.0 * (1.0 - math.exp(-0.5))), rel=0.04)


def errors(receiver, drive=None, seed=0):
    """Logged less perfectly logged positions (N, 2) and speeds (N,); the same seed starts the clock alike."""
    drive = drive or plain()
    logged = record(drive, receiver, seed=seed)
    perfect = record(drive, replace(PERFECT, rate=receiver.rate, latency=receiver.latency), seed=seed)
    return np.subtract(on_plane(logged), on_plane(perfect)).T, logged.speed - perfect.speed


def test_white_noise_has_the_size_asked_for():
    place, speed = errors(replace(PERFECT, white=0.3, speed_noise=0.1))
    assert place.std() == pytest.approx(0.3, rel=0.06)
    assert speed.std() == pytest.approx(0.1, rel=0.06)


def test_latency_makes_the_speed_run_behind():
    drive = plain()
    late, prompt = record(drive, replace(PERFECT, latency=0.3), seed=1), record(drive, PERFECT, seed=1)
    shifts = np.arange(0.0, 0.6, 0.02)
    # The late receiver starts its clock 0.3 s later, so that its first speed exists.
    aligned = [
        np.abs(np.interp(prompt.t, late.t + 0.3 - shift, late.speed) - prompt.speed)[20:-20].mean() for shift in shifts
    ]
    assert shifts[int(np.argmin(aligned))] == pytest.approx(0.3, abs=0.021)


def test_an_antenna_at_the_side_moves_positions_and_speed():
    """Half a metre to the left: v_antenna = v - yaw rate·0.5, and the path is a parallel curve half a metre away."""
    drive = plain()
    place, speed = errors(replace(PERFECT, antenna=(0.0, 0.5)))
    np.testing.assert_allclose(np.hypot(*place.T), 0.5, atol=1e-3)
    recording = record(drive, PERFECT)
    turn = speed / 0.5
    yaw = np.gradient(np.unwrap(0.5 * math.pi - recording.channels["course"]), recording.t)
    slow = np.abs(np.gradient(yaw, recording.t)) < 0.5
    assert np.abs(turn + yaw)[slow].max() < 0.1


@pytest.mark.parametrize("back", [1, 5])
def test_speed_from_positions_is_the_chord(back):
    rate = 5.0
    recording = record(plain(), replace(PERFECT, rate=rate, derived_over=back / rate))
    x, y = on_plane(recording)
    chord = np.hypot(x[back:] - x[:-back], y[back:] - y[:-back]) * rate / back
    np.testing.assert_allclose(chord, recording.speed[back:], atol=1e-4)


def test_dropouts_rounding_and_missing_channels():
    recording = record(
        plain(), Receiver(dropouts=0.1, dropout_time=1.0, speed_step=0.5, time_step=0.01, with_course=False, rate=20.0)
    )
    assert np.diff(recording.t).max() > 0.3
    np.testing.assert_allclose(recording.speed % 0.5, 0.0, atol=1e-9)
    assert "course" not in recording.channels
    assert record(plain(), Receiver(with_speed=False)).speed is None


def test_inertial_sensors_feel_what_the_motion_asks():
    """Without mounting angle the left acceleration is v·yaw rate on the flat; a mounting angle rotates both."""
    recording = record(plain(), replace(PERFECT, inertial=Inertial(accel_noise=0.0, yaw_noise=0.0)))
    channels = recording.channels
    off = channels["ay"] - recording.speed * channels["yaw_rate"]
    assert np.abs(off).max() < 9.81 * max(np.abs(TRACK.bank).max(), np.abs(TRACK.slope).max(), 0.01) * 1.6
    turned = record(
        plain(), replace(PERFECT, inertial=Inertial(mounting=0.3, accel_noise=0.0, yaw_noise=0.0, yaw_offset=0.1))
    ).channels
    np.testing.assert_allclose(
        np.hypot(turned["ax"], turned["ay"]), np.hypot(channels["ax"], channels["ay"]), atol=1e-9
    )
    np.testing.assert_allclose(turned["yaw_rate"] - channels["yaw_rate"], 0.1, atol=1e-12)


# --- written and read


def test_written_recordings_are_read_again(tmp_path):
    recording = record(plain(), Receiver(rate=10.0, inertial=Inertial()))
    save_recording(recording, tmp_path / "session.csv")
    found = load_recording(tmp_path / "session.csv")
    np.testing.assert_allclose(found.t, recording.t, atol=1e-3)
    np.testing.assert_allclose(found.lon, recording.lon, atol=1e-8)
    np.testing.assert_allclose(found.speed, recording.speed, atol=0.002)
    assert set(found.channels) == set(recording.channels)
    for name, step in (("course", math.radians(0.06)), ("ax", 0.006), ("yaw_rate", math.radians(0.006))):
        np.testing.assert_allclose(found.channels[name], recording.channels[name], atol=step)


def test_gaps_stay_gaps(tmp_path):
    recording = record(plain(), Receiver(rate=10.0))
    speed = np.array(recording.speed)
    speed[5:9] = np.nan
    spoilt = replace(recording, speed=speed)
    save_recording(spoilt, tmp_path / "gaps.csv")
    found = load_recording(tmp_path / "gaps.csv")
    assert np.isnan(found.speed[5:9]).all()
    assert np.isfinite(found.speed[9:]).all()


def test_every_fault_has_one_size():
    for kind in (AbruptPower, ApexMissed, BrakesEarly, BrakesSoftly, Coasts, LatePower, Slides, TurnsInEarly):
        assert len({item.name for item in fields(kind)} - {"corner", "laps"}) == 1
