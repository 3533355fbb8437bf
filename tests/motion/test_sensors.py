"""What a recording says about its own sensors, and what each channel does for the estimate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import as_lap, drive, make_track, record

from linelab.motion.align import kinematics
from linelab.motion.channels import find_mounting, smooth_session, streams_of
from linelab.motion.estimate import estimate_laps
from linelab.motion.sensors import lowest_sample, read_sensors
from linelab.motion.smoother import solve, timing_information
from linelab.motion.streams import TIMING
from linelab.recorded.laps import complete_laps, split_laps
from linelab.recorded.samples import Samples

TRACK = make_track()
TRUTH = drive(
    TRACK,
    offset=lambda s: 1.5 * np.sin(2.0 * np.pi * 3.0 * s / TRACK.length),
    speed=lambda s: 15.0 + 5.0 * np.sin(2.0 * np.pi * 5.0 * s / TRACK.length),
)
LAP = as_lap(TRUTH, every=1)
LAPS = 4


def samples_with(rng=None, antenna=(0.0, 0.0), lag=0.0, rate=20.0, noise=0.2, **more):
    """Samples of four exact laps, with channels made from the truth: course, ax, ay, yaw_rate by keyword."""
    rng = np.random.default_rng(5)
    t = np.arange(0.0, LAPS * TRUTH.lap_time, 1.0 / rate)
    now, late = np.mod(t, TRUTH.lap_time), np.mod(t - lag, TRUTH.lap_time)

    def at(when, values):
        return np.interp(when, LAP.t, values)

    psi = np.interp(now, LAP.t, LAP.line.psi)
    x = at(now, LAP.line.x) + antenna[0] * np.cos(psi) - antenna[1] * np.sin(psi)
    y = at(now, LAP.line.y) + antenna[0] * np.sin(psi) + antenna[1] * np.cos(psi)
    rate_of_turn = at(late, LAP.v * LAP.line.kappa)
    speed = np.hypot(at(late, LAP.v) - antenna[1] * rate_of_turn, antenna[0] * rate_of_turn)
    channels = {}
    if "course" in more:
        course = 0.5 * np.pi - np.interp(late, LAP.t, LAP.line.psi) + more["course"] * rng.standard_normal(t.size)
        channels["course"] = np.mod(course, 2.0 * np.pi)
    if "angle" in more:
        ahead, left, turn = at(now, LAP.ax), at(now, LAP.v**2 * LAP.line.kappa), more["angle"]
        channels["ax"] = ahead * np.cos(turn) + left * np.sin(turn) + 0.4 + 0.3 * rng.standard_normal(t.size)
        channels["ay"] = -ahead * np.sin(turn) + left * np.cos(turn) - 0.3 + 0.3 * rng.standard_normal(t.size)
        channels["yaw_rate"] = at(now, LAP.v * LAP.line.kappa) + 0.05 + 0.02 * rng.standard_normal(t.size)
    return Samples(
        t=t,
        x=x + noise * rng.standard_normal(t.size),
        y=y + noise * rng.standard_normal(t.size),
        speed=speed + 0.1 * rng.standard_normal(t.size),
        channels=channels,
    )


def errors(samples, sensors):
    """Root mean squares of what the estimate of the middle of the session is off: n is in metres across the travel."""
    motion = smooth_session(samples, sensors)
    t = np.arange(0.5 * TRUTH.lap_time, (LAPS - 0.5) * TRUTH.lap_time, 0.05)
    states, own = motion.states(t), np.mod(t, TRUTH.lap_time)
    v, psi, ax, kappa = kinematics(states)
    true = {
        name: np.interp(own, LAP.t, values) for name, values in (("v", LAP.v), ("ax", LAP.ax), ("k", LAP.line.kappa))
    }
    heading = np.interp(own, LAP.t, LAP.line.psi)
    dx = states[:, 0] - np.interp(own, LAP.t, LAP.line.x)
    dy = states[:, 3] - np.interp(own, LAP.t, LAP.line.y)
    off = {"v": v - true["v"], "ax": ax - true["ax"], "k": kappa - true["k"], "psi": np.sin(psi - heading)}
    off["n"] = -dx * np.sin(heading) + dy * np.cos(heading)
    return {name: float(np.sqrt(np.mean(values**2))) for name, values in off.items()}


def test_course_lag_and_noise_are_found_and_the_heading_improves():
    samples = samples_with(course=0.02, lag=0.2)
    sensors = read_sensors(samples)
    assert sensors.speed_lag == pytest.approx(0.2, abs=0.01)
    assert sensors.course_sigma == pytest.approx(0.02, rel=0.2)
    without = replace(sensors, course_sigma=None)
    assert errors(samples, sensors)["psi"] < 0.8 * errors(samples, without)["psi"]


def test_lag_of_a_course_without_a_speed_channel():
    samples = samples_with(course=0.01, lag=0.3)
    alone = Samples(
        t=samples.t, x=samples.x, y=samples.y, speed=np.full(samples.t.size, np.nan), channels=samples.channels
    )
    assert read_sensors(alone).course_lag == pytest.approx(0.3, abs=0.03)


def test_a_course_of_something_else_is_not_used():
    samples = samples_with(course=0.01)
    odd = {"course": np.mod(samples.channels["course"] + 1.5, 2.0 * np.pi)}
    sensors = read_sensors(Samples(t=samples.t, x=samples.x, y=samples.y, speed=samples.speed, channels=odd))
    assert sensors.course_sigma is None
    assert any("does not fit the positions" in note for note in sensors.notes)


def test_mounting_is_found_and_accelerations_sharpen_the_estimate():
    samples = samples_with(angle=0.3)
    sensors = read_sensors(samples)
    assert sensors.mounting.angle == pytest.approx(0.3, abs=0.02)
    assert (sensors.mounting.ahead, sensors.mounting.left) == pytest.approx((0.4, -0.3), abs=0.1)
    assert sensors.mounting.yaw == pytest.approx(0.05, abs=0.01)
    assert any("accelerometer turned by 17" in note for note in sensors.notes)
    streams = streams_of(samples, sensors)
    assert streams.ahead is not None
    assert streams.yaw_rate is not None
    blind = read_sensors(Samples(t=samples.t, x=samples.x, y=samples.y, speed=samples.speed))
    sharp, dull = errors(samples, sensors), errors(samples, blind)
    assert sharp["ax"] < 0.8 * dull["ax"]
    assert sharp["k"] < 0.8 * dull["k"]


def test_a_sensor_that_shows_something_else_is_left_out():
    rng = np.random.default_rng(0)
    t = np.arange(0.0, 60.0, 0.05)
    states = np.column_stack(
        [20.0 * np.cos(t), -20.0 * np.sin(t), -20.0 * np.cos(t), 20.0 * np.sin(t), 20.0 * np.cos(t), -20.0 * np.sin(t)]
    )
    junk = rng.standard_normal((3, t.size))
    mounting = find_mounting(states, 0.05, junk[0], junk[1], junk[2])
    assert np.isinf(mounting.accel_sigma)
    assert np.isinf(mounting.yaw_sigma)


def test_the_antennas_place_is_accounted_for():
    """An antenna 0.5 m ahead and 0.6 m to the left of the point whose line is wanted: half a kart's width."""
    samples = samples_with(antenna=(0.5, 0.6), noise=0.1)
    told, not_told = read_sensors(samples, antenna=(0.5, 0.6)), read_sensors(samples)
    off, moved = errors(samples, told), errors(samples, not_told)
    assert moved["n"] > 0.5
    assert off["n"] < 0.1
    assert off["v"] < 0.7 * moved["v"]


def test_lasting_errors_of_the_speed_are_told_from_drift():
    """Speeds 0.3 m/s off for a second or two at a time, positions that do not drift."""
    rng = np.random.default_rng(7)
    samples = samples_with(noise=0.05)
    keep = np.exp(-0.05 / 2.0)
    wander = np.zeros(samples.t.size)
    for k in range(1, wander.size):
        wander[k] = keep * wander[k - 1] + 0.3 * np.sqrt(1.0 - keep**2) * rng.standard_normal()
    sensors = read_sensors(Samples(t=samples.t, x=samples.x, y=samples.y, speed=samples.speed + wander))
    assert 0.15 < sensors.speed_wander < 0.6
    assert read_sensors(samples).speed_wander < 0.05


@pytest.mark.parametrize("window", [0.05, 0.5, 1.0])
def test_a_speed_worked_out_from_positions_is_recognised(window):
    samples = samples_with(noise=0.05)
    back = round(window * 20.0)
    speed = np.full(samples.t.size, np.nan)
    chord = np.hypot(samples.x[back:] - samples.x[:-back], samples.y[back:] - samples.y[:-back])
    speed[back:] = np.round(chord / (samples.t[back:] - samples.t[:-back]), 2)
    sensors = read_sensors(Samples(t=samples.t, x=samples.x, y=samples.y, speed=speed))
    assert sensors.speed_sigma is None
    assert any("computed from the positions" in note for note in sensors.notes)


def test_drift_of_the_positions_is_estimated():
    """A bias of 1 m with a correlation time of 300 s drifts like one of 1.5 m with 300·1.5² = 675 s."""
    laps = complete_laps(split_laps(record([TRUTH] * 6, noise=0.1, drift=1.0, seed=3), TRACK))
    assert 250.0 < read_sensors(laps[0].samples).drift_time < 1800.0


def test_many_laps_at_once_are_the_same_as_one_by_one():
    laps = complete_laps(split_laps(record([TRUTH] * 5, noise=0.1), TRACK))
    sensors = read_sensors(laps[0].samples)
    together = estimate_laps(TRACK, laps, sensors=sensors)
    for lap, found in zip(laps, together):
        alone = estimate_laps(TRACK, [lap], sensors=sensors)[0]
        # Smoothed with its neighbours a lap knows a little more about its ends.
        assert np.abs(alone.lap.v - found.lap.v).max() < 0.05
        assert np.abs(alone.lap.line.n - found.lap.line.n).max() < 0.05
        assert alone.lap.lap_time == pytest.approx(found.lap.lap_time, abs=1e-3)


def test_of_very_many_laps_some_speak_for_all_and_progress_is_told():
    laps = complete_laps(split_laps(record([TRUTH] * 45, noise=0.1, rate=10.0), TRACK))
    told = []
    found = estimate_laps(TRACK, laps, progress=lambda done, total: told.append((done, total)))
    assert len(found) == 45
    assert told[-1] == (45, 45)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert found[10].draws_t is found[2].draws_t  # lent by one of eight, and not copied
    few = estimate_laps(TRACK, laps[:3], sensors=found[0].sensors)
    assert np.median(found[10].sigma_v) == pytest.approx(np.median(few[1].sigma_v), rel=0.25)

    def stop(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        estimate_laps(TRACK, laps, progress=stop)


def mixed(**changes):
    """Samples of 20 a second whose course is 0.05 s late; some of them exchanged."""
    base = samples_with(course=0.01, lag=0.05, noise=0.05)
    parts = {"t": base.t, "x": base.x, "y": base.y, "speed": base.speed, "channels": dict(base.channels)}
    return Samples(**(parts | changes))


def test_each_channel_has_its_own_lag():
    samples = mixed(speed=samples_with(course=0.01, lag=0.17, noise=0.05).speed)
    sensors = read_sensors(samples)
    for name, lag in (("speed_lag", 0.17), ("course_lag", 0.05)):
        assert getattr(sensors, name) == pytest.approx(lag, abs=0.006)
        assert abs(getattr(sensors, name) - lag) < 3.0 * sensors.timing_sigma(name) < 0.02
    assert sum("behind the positions" in note for note in sensors.notes) == 2


def test_a_moving_average_is_a_lag_and_a_doubt_of_the_rounding():
    """Means over the last five samples are two samples late."""
    late = samples_with(course=0.01, noise=0.05)
    speed = np.convolve(late.speed, np.ones(5) / 5.0)[: late.t.size]
    sensors = read_sensors(mixed(speed=speed))
    assert sensors.speed_lag == pytest.approx(0.1, abs=0.006)
    assert sensors.course_lag == pytest.approx(0.05, abs=0.006)
    # The variance of such a mean, halved, is what the doubt has to allow for.
    assert sensors.timing_sigma("speed_rounding") > 0.5 * 0.05**2 * np.var(np.arange(5)) / 2.0


def test_positions_that_a_filter_has_rounded_do_not_draw_the_speed_along():
    """A drift as a navigation filter leaves it: its rate lasts for half a second.  The speed is right all along."""
    rng = np.random.default_rng(3)
    base = samples_with(noise=0.02)
    off = np.zeros((2, base.t.size))
    for keep in (np.exp(-0.05 / 8.0), np.exp(-0.05 / 0.4)):
        kicks = off if off.any() else 0.5 * np.sqrt(1.0 - keep**2) * rng.standard_normal(off.shape)
        gain = 1.0 if not off.any() else 1.0 - keep
        off = np.zeros_like(off)
        for k in range(1, base.t.size):
            off[:, k] = keep * off[:, k - 1] + gain * kicks[:, k]
    samples = Samples(t=base.t, x=base.x + off[0], y=base.y + off[1], speed=base.speed)
    sensors = read_sensors(samples)
    assert sensors.drift_rounding > 0.0
    assert sensors.speed_wander < 0.1
    assert errors(samples, sensors)["v"] < 0.1


def test_the_slope_over_a_lag_is_that_of_the_likelihood():
    samples = mixed().between(10.0, 30.0)
    sensors = replace(read_sensors(mixed()), speed_lag=0.03, course_lag=0.04)
    model = replace(sensors.model, lively=False)
    start = solve(streams_of(samples, sensors), model, iterations=3)
    slope, curvature = timing_information(solve(streams_of(samples, sensors), model, iterations=1, start=start), model)
    for name, lag in (("speed_lag", 0.03), ("course_lag", 0.04)):
        scores = [
            solve(streams_of(samples, replace(sensors, **{name: lag + moved})), model, iterations=1, start=start).score
            for moved in (-0.002, 0.0, 0.002)
        ]
        k = TIMING.index(name)
        assert slope[k] == pytest.approx((scores[2] - scores[0]) / 0.008, rel=0.1)
        assert curvature[k, k] == pytest.approx(-(scores[2] - 2.0 * scores[1] + scores[0]) / (2.0 * 0.002**2), rel=0.2)


def test_draws_hold_the_doubt_of_a_lag():
    """A draw whose lag is off lies where the motion does that is smoothed with that lag."""
    samples = mixed().between(10.0, 40.0)
    sensors = read_sensors(mixed())
    root = np.zeros((len(TIMING), len(TIMING)))
    root[TIMING.index("speed_lag"), 0] = 0.005
    doubted, known = (
        smooth_session(samples, replace(sensors, timing=timing), draws=20)
        for timing in (tuple(map(tuple, root.tolist())), ())
    )
    t = np.arange(12.0, 38.0, 0.1)
    moved = (doubted.departures(t) - known.departures(t))[:, :, 1]
    late = smooth_session(samples, replace(sensors, timing=(), speed_lag=sensors.speed_lag + 0.005))
    expected = (late.states(t) - known.states(t))[:, 1]
    size = moved @ expected / (expected @ expected)
    off = moved - size[:, None] * expected  # directions and weights are renewed with the lag, not with the draw
    assert np.sqrt(np.mean(off**2)) < 0.4 * np.sqrt(np.mean(moved**2))
    assert 0.5 < size.std() < 1.6


def test_the_lowest_of_noisy_samples():
    rng = np.random.default_rng(5)
    below, count = lowest_sample(0.2, 25.0, 4.0)
    at = np.arange(-30, 31) / 25.0
    seen = (2.0 * at**2 + 0.2 * rng.standard_normal((4000, at.size))).min(axis=1)
    assert below == pytest.approx(-seen.mean(), abs=0.02)
    assert 5 < count < 61
    noisy = read_sensors(samples_with(noise=0.05)).notes
    assert any("lowest single sample" in note for note in noisy)


def test_without_a_stretch_on_the_move_a_lag_cannot_be_told():
    base = samples_with(course=0.01, noise=0.05)
    slow = Samples(
        t=20.0 * base.t, x=base.x, y=base.y, speed=base.speed / 20.0, channels={"course": base.channels["course"]}
    )
    sensors = read_sensors(slow)
    assert sensors.timing_sigma("speed_lag") > 0.1
    assert any("speed channel cannot be measured" in note for note in sensors.notes)
