"""Values that no kart could show: each is put in by hand, so that what must be found, and what left alone, is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import drive, make_track, record

from linelab.model.lap import Recording
from linelab.motion.estimate import estimate_laps
from linelab.motion.sensors import read_sensors
from linelab.recorded.cleaning import Cleaning, clean_recording
from linelab.recorded.laps import complete_laps, split_laps
from linelab.recorded.robust_series import cost, judge_series, robust_path, robust_scatter, weight

TRACK = make_track()
TRUTH = drive(TRACK, speed=lambda s: 15.0 + 5.0 * np.sin(2.0 * np.pi * 5.0 * s / TRACK.length))


def session(laps=3, **receiver):
    """Laps with every channel that is judged, each with its noise."""
    recording = record([TRUTH] * laps, **receiver)
    t, rng = np.asarray(recording.t), np.random.default_rng(9)
    exact = record([TRUTH] * laps, **{**receiver, "noise": 0.0, "speed_noise": 0.0})
    vx, vy = np.gradient(exact.x, t), np.gradient(exact.y, t)
    ax, ay, square = np.gradient(vx, t), np.gradient(vy, t), vx**2 + vy**2
    true = {
        "course": np.mod(0.5 * np.pi - np.arctan2(vy, vx), 2.0 * np.pi),
        "ax": (vx * ax + vy * ay) / np.sqrt(square),
        "ay": (vx * ay - vy * ax) / np.sqrt(square),
        "yaw_rate": (vx * ay - vy * ax) / square,
    }
    noise = {"course": 0.02, "ax": 0.5, "ay": 0.5, "yaw_rate": 0.02}
    return replace(recording, channels={k: v + noise[k] * rng.standard_normal(t.size) for k, v in true.items()})


def changed(recording, channel, at, values):
    """The recording with some values of a channel put in."""
    found = np.array(recording.speed if channel == "speed" else recording.channels[channel])
    found[at] = values
    if channel == "speed":
        return replace(recording, speed=found)
    return replace(recording, channels={**recording.channels, channel: found})


def values_of(recording, channel):
    return recording.speed if channel == "speed" else recording.channels[channel]


@pytest.mark.parametrize("rate", [5.0, 10.0, 25.0])
@pytest.mark.parametrize("lag", [0.0, 0.2])
def test_sound_values_stay(rate, lag):
    before = session(rate=rate, lag=lag)
    after, report = clean_recording(before)
    assert dict(report.values_set_aside) == {}
    assert report.kept == before.t.size
    for channel in ("speed", *before.channels):
        np.testing.assert_array_equal(values_of(after, channel), values_of(before, channel))


@pytest.mark.parametrize("value", [655.35, 1e9, -12.0, 1e308])
def test_absurd_speeds_are_set_aside_and_counted(value):
    before = session()
    at = np.arange(5, before.t.size, 37)
    after, report = clean_recording(changed(before, "speed", at, value))
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(after.speed)), at)
    said = f"{at.size} of {before.t.size} speeds set aside: no kart could have shown them there"
    assert said in report.sentences
    assert dict(report.values_set_aside) == {"speed": at.size}


@pytest.mark.parametrize("value", [655.35, 0.0, -5.0])
def test_a_whole_second_of_them_is_set_aside_too(value):
    """Alike among themselves, they still do not fit the positions."""
    before = session()
    after, _ = clean_recording(changed(before, "speed", slice(700, 718), value))
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(after.speed)), np.arange(700, 718))


@pytest.mark.parametrize("channel", ["speed", "course"])
def test_a_value_held_for_a_second_goes_but_for_the_first(channel):
    before = session()
    values = values_of(before, channel)
    k = 100 + int(np.argmax(np.abs(np.unwrap(values)[120:-100] - np.unwrap(values)[100:-120])))
    after, _ = clean_recording(changed(before, channel, slice(k, k + 20), values[k]))
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(values_of(after, channel))), np.arange(k + 1, k + 20))


@pytest.mark.parametrize("step", [0.28, 1.0])
def test_coarse_and_slow_speeds_repeat_themselves_and_stay(step):
    """Whole km/h or m/s, and one value for every two rows."""
    before = session(rate=10.0)
    coarse = step * np.round(np.array(before.speed) / step)
    course = np.radians(np.round(np.degrees(before.channels["course"])))
    for speed in (coarse, np.repeat(before.speed[::2], 2)[: before.t.size]):
        changed_one = replace(before, speed=speed, channels={**before.channels, "course": course})
        assert dict(clean_recording(changed_one)[1].values_set_aside) == {}


@pytest.mark.parametrize(
    ("channel", "low", "high", "apart"),
    [
        ("speed", 0.0, 60.0, 2.5), ("course", 0.0, 6.28, 0.5), ("ax", -60.0, 60.0, 25.0), ("ay", -60.0, 60.0, 25.0),
        ("yaw_rate", -10.0, 10.0, 2.5),
    ],
)  # fmt: skip
def test_of_arbitrary_values_those_far_from_the_truth_go_and_no_others(channel, low, high, apart):
    before, rng = session(), np.random.default_rng(2)
    at = np.sort(rng.choice(before.t.size, before.t.size // 50, replace=False))
    spoilt = changed(before, channel, at, rng.uniform(low, high, at.size))
    after, _ = clean_recording(spoilt)
    gone = np.flatnonzero(np.isnan(values_of(after, channel)))
    off = np.abs(values_of(spoilt, channel)[at] - values_of(before, channel)[at])
    if channel == "course":
        off = np.minimum(off, 2.0 * np.pi - off)
    assert set(at[off > apart]) <= set(gone) <= set(at)
    assert (off > apart).sum() > 5


@pytest.mark.parametrize("rate", [5.0, 18.0])
def test_a_standing_kart_and_one_that_is_braked_hard_are_believed(rate):
    t = np.arange(0.0, 60.0, 1.0 / rate)
    speed = np.interp(t, [0.0, 20.0, 22.0, 30.0, 33.0, 60.0], [20.0, 20.0, 0.0, 0.0, 12.0, 12.0])
    x = np.append(0.0, np.cumsum(0.5 * (speed[1:] + speed[:-1]) / rate))
    rng = np.random.default_rng(3)
    noisy = [0.1 * rng.standard_normal(t.size) for _ in range(4)]
    course = np.where(
        speed > 0.5, 0.5 * np.pi + 0.1 * noisy[3], rng.uniform(0.0, 6.28, t.size)
    )  # means nothing where it stands
    before = Recording(
        t=t, x=x + noisy[0], y=noisy[1], speed=np.maximum(speed + noisy[2], 0.0), channels={"course": course}
    )
    _, report = clean_recording(before)
    assert dict(report.values_set_aside) == {}
    assert report.kept == t.size


@pytest.mark.parametrize("away", [3.0, 6.0, 12.0])
@pytest.mark.parametrize("rate", [5.0, 10.0, 25.0])
def test_positions_off_the_path_are_left_out_and_no_others(rate, away):
    before, rng = session(rate=rate), np.random.default_rng(4)
    at = np.sort(rng.choice(np.arange(3, before.t.size - 3), 9, replace=False))
    x = np.array(before.x)
    x[at] += away
    _, report = clean_recording(replace(before, x=x))
    np.testing.assert_array_equal(np.flatnonzero(report.codes == Cleaning.OFF_PATH), at)


def test_between_two_bad_stretches_nothing_is_lost():
    """Each lies just within a leap on one side and beyond it on the other; what is between them was dropped whole."""
    before = record([drive(TRACK)] * 3, rate=25.0, noise=0.0)
    x = np.array(before.x)
    for first in (1000, 2500):
        step = np.sign(x[first + 3] - x[first])
        x[first : first + 3] -= 14.0 * step  # 14 m back, then 14 m and the way driven forward
    _, report = clean_recording(replace(before, x=x))
    assert report.kept >= before.t.size - 10


@pytest.mark.parametrize("rate", [5.0, 10.0, 25.0])
@pytest.mark.parametrize("channel", [True, False])
def test_one_bad_position_costs_no_lap_and_moves_no_lap_time(rate, channel):
    before = record([TRUTH] * 5, rate=rate, channel=channel)
    clean = complete_laps(split_laps(before, TRACK))
    x, y, rng = np.array(before.x), np.array(before.y), np.random.default_rng(6)
    middles = [int(np.searchsorted(before.t, lap.t_start + 0.5 * lap.duration)) for lap in clean]
    lines = [int(np.searchsorted(before.t, lap.t_start)) for lap in clean]
    for k in (*middles, *lines):
        angle, away = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(4.0, 15.0)
        x[k] += away * np.cos(angle)
        y[k] += away * np.sin(angle)
    found = complete_laps(split_laps(replace(before, x=x, y=y), TRACK))
    assert len(found) == len(clean) == 5
    for one, other in zip(found, clean):
        assert one.duration == pytest.approx(other.duration, abs=4.0 * other.sigma_scatter + 0.005)


@pytest.mark.parametrize("rate", [5.0, 18.0])
def test_a_spin_is_found_beside_bad_positions(rate):
    """Brakes to a stop on its way, rolls back by 3 m and drives off again, with positions off the path all round."""
    lap = drive(TRACK)
    before = record([lap] * 5, rate=25.0, noise=0.0)
    t, place = np.asarray(before.t), 1.3 * lap.lap_time + 20.0
    # The same way by another clock: 15 m/s down to -1.5 m/s and back, at 5 m/s².
    clock = np.arange(0.0, t[-1] + 3.0, 1.0 / rate)
    pace = np.interp(clock - place, [0.0, 2.8, 3.3, 5.3, 5.8, 8.6], [1.0, 0.0, -0.1, -0.1, 0.0, 1.0])
    where = np.append(0.0, np.cumsum(0.5 * (pace[1:] + pace[:-1]) / rate))
    keep = where < t[-1]
    rng = np.random.default_rng(1)
    x, y = (np.interp(where, t, values) + 0.1 * rng.standard_normal(clock.size) for values in (before.x, before.y))
    for k in rng.choice(np.flatnonzero(keep), 8, replace=False):
        x[k] += 8.0
    speed = np.abs(15.0 * pace) + 0.1 * rng.standard_normal(clock.size)
    for channel in (np.where(keep, speed, 0.0)[keep], None):
        laps = split_laps(Recording(t=clock[keep], x=x[keep], y=y[keep], speed=channel), TRACK)
        assert [one.status for one in laps[1:-1]] == ["complete", "aborted", "complete", "complete", "complete"]


def test_marks_of_a_lap_keep_within_their_uncertainty():
    """Two in a hundred speeds arbitrary: the speed of a lap moves by less than what is stated for it."""
    before, rng = session(rate=10.0), np.random.default_rng(8)
    at = rng.choice(before.t.size, before.t.size // 50, replace=False)
    spoilt = changed(before, "speed", at, rng.uniform(0.0, 60.0, at.size))
    read = []
    for one in (before, spoilt):
        laps = complete_laps(split_laps(one, TRACK))
        read.append(estimate_laps(TRACK, laps, sensors=read_sensors(laps[0].samples)))
    for clean, other in zip(*read):
        assert np.abs(clean.lap.v - other.lap.v).max() < 1.96 * other.sigma_v.max()
        assert np.quantile(np.abs(clean.lap.v - other.lap.v) / (1.96 * other.sigma_v), 0.99) < 1.0


def test_weights_are_the_slope_of_the_cost():
    """Independent check: the weight of a residual is the derivative of the cost with respect to its square."""
    for dimension in (1, 2):
        off = np.array([0.3, 1.9, 2.1, 5.0, 40.0])
        square = off**2
        up, down = (
            np.array([cost(np.sqrt(np.array([s + step])), dimension) for s in square]) for step in (1e-4, -1e-4)
        )
        np.testing.assert_allclose((up - down) / 2e-4, weight(off, dimension), rtol=1e-4)


def test_a_series_without_bad_values_is_the_dense_least_squares_one():
    """Independent check: values well within their errors weigh alike, and the fit solves the dense normal equations."""
    rng = np.random.default_rng(5)
    t = np.cumsum(rng.uniform(0.08, 0.12, 60))
    values = np.sin(t) + 0.05 * rng.standard_normal(60)
    found = judge_series(t, values[:, None], 0.1, order=3, density=20.0, wide=10.0)
    rows = np.zeros((57, 60))
    for i in range(57):
        for k in range(4):
            others = [j for j in range(4) if j != k]
            rows[i, i + k] = 6.0 / np.prod([t[i + k] - t[i + j] for j in others])
        rows[i] *= np.sqrt((t[i + 3] - t[i]) / 3.0 / 20.0)
    expected = np.linalg.solve(rows.T @ rows + np.eye(60) / 0.01, values / 0.01)
    np.testing.assert_allclose(found.fit[:, 0], expected, atol=1e-8)
    assert not found.arbitrary.any()


def test_scatter_is_not_moved_by_a_value_in_fifty():
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 200.0, 0.1)
    values = np.sin(t) + 0.2 * rng.standard_normal(t.size)
    values[::50] = 1e9
    assert robust_scatter(t, values) == pytest.approx(0.2, rel=0.15)


def test_where_samples_come_slowly_nothing_is_said_against_them():
    """A walk with a fix every ten seconds: any place may be reached in between."""
    t, rng = 10.0 * np.arange(100.0), np.random.default_rng(11)
    assert not robust_path(t, *np.cumsum(20.0 * rng.standard_normal((2, 100)), axis=1)).arbitrary.any()
