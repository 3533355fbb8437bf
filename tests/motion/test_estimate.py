"""The smoother and the driven lap: recovery of a known motion, stated uncertainty, lag, and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import BSpline
from simulated import drive, make_track, record

from linelab.errors import RecordingError
from linelab.files.tracks.track_build import reversed_track
from linelab.files.tracks.track_file import load_track
from linelab.geometry.plane_spline import derived_pieces
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_lap, estimate_laps
from linelab.motion.normal_equations import BAND, add_components, add_error, add_positions, no_information
from linelab.motion.sensors import read_sensors
from linelab.motion.smoother import Model, smooth
from linelab.motion.streams import SPEED_ERROR, Grid, Streams, evaluate
from linelab.recorded.laps import complete_laps, split_laps
from linelab.recorded.samples import drift, scatter

TRACK = make_track()


def lively(s):
    return 15.0 + 5.0 * np.sin(2.0 * np.pi * 5.0 * s / TRACK.length)


def weaving(s):
    return 1.5 * np.sin(2.0 * np.pi * 3.0 * s / TRACK.length)


TRUTH = drive(TRACK, offset=weaving, speed=lively)


def driven(seed=0, **receiver):
    laps = complete_laps(split_laps(record([TRUTH] * 3, seed=seed, **receiver), TRACK))
    return estimate_lap(TRACK, laps[1], sensors=read_sensors(laps[1].samples))


@pytest.mark.parametrize("order", [0, 1, 2, 3])
def test_splines_are_sums_of_the_pieces_that_the_normal_equations_are_made_of(order):
    rng = np.random.default_rng(2)
    grid, coefficients = Grid(1.0, 0.1, 20), rng.standard_normal((25, 2))
    when = np.linspace(1.0, 3.0, 333)
    index, u = grid.locate(when)
    pieces = derived_pieces(order) / 0.1**order
    basis = u[:, None] ** np.arange(pieces.shape[1]) @ pieces.T
    expected = np.einsum("ma,mac->mc", basis, coefficients[index[:, None] + np.arange(6)])
    np.testing.assert_allclose(
        evaluate(grid, coefficients, when, (order,))[0], expected, rtol=1e-9, atol=1e-9 * 10**order
    )


def test_information_is_the_sum_over_samples():
    """Independent check: the normal equations put together densely, sample by sample, from scipy's basis functions."""
    rng = np.random.default_rng(4)
    grid, t = Grid(0.0, 0.1, 8), np.sort(rng.uniform(0.0, 0.8, 40))
    x, y, weight, angle = rng.standard_normal((4, 40)) ** 2
    info = no_information(grid)
    add_positions(info, t, x, y, weight)
    add_components(info, t, 1, (np.cos(angle), np.sin(angle)), y, weight, blur=0.003, error=SPEED_ERROR[0])
    found = np.zeros((info.right.size, info.right.size))
    for row, below in np.ndindex(len(found), BAND + 1):
        if row + below < len(found):
            found[row + below, row] = found[row, row + below] = info.columns()[row, below]
    basis = BSpline(0.1 * np.arange(-5, 14), np.eye(13), 5)
    hats = np.array([np.interp(t, 0.1 * np.arange(9), row) for row in np.eye(9)]).T
    rows = np.zeros((3, 40, 13, 5))
    for axis in (0, 1):
        rows[axis, :, :, axis] = basis(t)
        rows[axis, :, 2:11, 2 + axis] = hats
    shown = basis.derivative()(t) + 0.003 * basis.derivative(3)(t)
    rows[2, :, :, 0], rows[2, :, :, 1] = (f(angle)[:, None] * shown for f in (np.cos, np.sin))
    rows[2, :, 2:11, 4] = hats
    rows = rows.reshape(3 * 40, -1)
    weights, values = np.tile(weight, 3), np.concatenate([x, y, y])
    np.testing.assert_allclose(found, rows.T @ (weights[:, None] * rows), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(info.right.ravel(), rows.T @ (weights * values), rtol=1e-9, atol=1e-9)
    assert info.square == pytest.approx(float(weights @ values**2))


@pytest.mark.parametrize("rounding", [0.0, 0.4])
def test_an_error_has_its_deviation_and_is_kept_and_rounded_as_stated(rounding):
    """Independent check: the covariance of a process filtered twice, from its definition kick by kick."""
    grid, sigma, time = Grid(0.0, 0.15, 30), 1.3, 8.0
    info = no_information(grid)
    add_error(info, (2,), sigma, time, rounding)
    columns = info.columns().reshape(-1, BAND + 1)
    dense = np.zeros((len(columns), len(columns)))
    for k, below in np.ndindex(*columns.shape):
        if k + below < len(columns):
            dense[k + below, k] = dense[k, k + below] = columns[k, below]
    knots = 5 * (2 + np.arange(grid.count + 1)) + 2
    found = np.linalg.inv(dense[np.ix_(knots, knots)])
    roots = [np.exp(-0.15 / one) if one else 0.0 for one in (time, rounding)]
    kicked = np.convolve(*(root ** np.arange(3000.0) for root in roots))[:3000]
    own = np.array([kicked[: 3000 - lag] @ kicked[lag:] for lag in range(31)])
    expected = sigma**2 * own[np.abs(np.subtract.outer(np.arange(31), np.arange(31)))] / own[0]
    np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-9)


def test_spread_of_the_draws_is_the_inverse_of_the_information():
    """Independent check: the covariance from a dense inverse of the same model, built by propagation."""
    rng = np.random.default_rng(0)
    t = np.arange(12) * 0.1
    streams = Streams(t=t, x=0.1 * rng.standard_normal(12), y=0.1 * rng.standard_normal(12), position_sigma=0.2)
    motion = smooth(streams, Model(jerk=50.0, lively=False), draws=6000, knots=0.025)
    h, q = 0.1, 50.0
    step = np.array([[1, h, h * h / 2], [0, 1, h], [0, 0, 1.0]])
    noise = q * np.array([[h**5 / 20, h**4 / 8, h**3 / 6], [h**4 / 8, h**3 / 3, h**2 / 2], [h**3 / 6, h**2 / 2, h]])
    information = np.zeros((36, 36))
    inverse = np.linalg.inv(noise)
    for k in range(11):
        both = np.hstack([-step, np.eye(3)])
        information[3 * k : 3 * k + 6, 3 * k : 3 * k + 6] += both.T @ inverse @ both
    for k in range(12):
        information[3 * k, 3 * k] += 1.0 / 0.2**2
    expected = np.sqrt(np.diag(np.linalg.inv(information)).reshape(12, 3))
    found = motion.departures(t).std(axis=0)[:, :3]
    # 6000 draws know a standard deviation within 1 %; 36 of them stay within four times that.
    np.testing.assert_allclose(found, expected, rtol=0.04)


def test_scatter_finds_white_noise_under_a_motion():
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 60.0, 0.05)
    assert scatter(t, 50.0 * np.sin(0.5 * t) + 0.3 * rng.standard_normal(t.size)) == pytest.approx(0.3, rel=0.07)


@pytest.mark.parametrize(("tau", "expected"), [(60.0, 1.60), (300.0, 0.83), (1200.0, 0.43)])
def test_drift_of_the_bias_between_laps(tau, expected):
    """Lap-to-lap difference of a 1.5 m Ornstein-Uhlenbeck error over 50 s: sigma·sqrt(2(1 - exp(-T/tau)))."""
    assert drift(1.5, tau, 50.0) == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("rate", [10.0, 18.18, 25.0])
def test_recovery_beats_raw_samples(rate):
    lap = driven(rate=rate, noise=0.3, speed_noise=0.15)
    s = lap.lap.line.s
    speed = lap.lap.v - np.interp(s, TRUTH.s, TRUTH.v)
    offset = lap.lap.line.n - np.interp(s, TRUTH.s, TRUTH.n)
    assert np.sqrt(np.mean(speed**2)) < 0.075  # half the channel's noise
    assert np.sqrt(np.mean(offset**2)) < 0.15  # half the positions' noise
    assert lap.lap.lap_time == pytest.approx(TRUTH.lap_time, abs=4.0 * lap.lap_time_sigma)


@pytest.mark.slow
def test_intervals_cover_the_truth():
    inside_n, inside_v, lap_errors = [], [], []
    for seed in range(8):
        lap = driven(seed=seed, noise=0.3, speed_noise=0.15)
        s = lap.lap.line.s
        inside_n.append(np.abs(lap.lap.line.n - np.interp(s, TRUTH.s, TRUTH.n)) < 1.96 * lap.sigma_n)
        inside_v.append(np.abs(lap.lap.v - np.interp(s, TRUTH.s, TRUTH.v)) < 1.96 * lap.sigma_v)
        lap_errors.append((lap.lap.lap_time - TRUTH.lap_time) / lap.lap_time_sigma)
    assert 0.88 < np.mean(inside_n) < 0.995
    assert np.mean(inside_v) > 0.93  # the channel's own disagreement is added, so this one is wide
    assert np.max(np.abs(lap_errors)) < 4.0


@pytest.mark.parametrize("lag", [0.0, 0.2, 0.4])
def test_lag_of_the_speed_channel_is_found_and_taken_off(lag):
    laps = complete_laps(split_laps(record([TRUTH] * 4, lag=lag, noise=0.1), TRACK))
    sensors = read_sensors(laps[0].samples)
    assert sensors.speed_lag == pytest.approx(lag, abs=0.03)
    lap = estimate_lap(TRACK, laps[1], sensors=sensors)
    off = lap.lap.v - np.interp(lap.lap.line.s, TRUTH.s, TRUTH.v)
    assert np.sqrt(np.mean(off**2)) < 0.12


def test_without_a_speed_channel_the_speed_is_less_certain():
    with_channel, without = driven(noise=0.3), driven(noise=0.3, channel=False)
    assert np.median(np.std(without.draws_v, axis=0)) > 2.0 * np.median(np.std(with_channel.draws_v, axis=0))
    assert any("no speed channel" in note for note in without.notes)


def test_an_outlier_does_not_bend_the_line():
    recording = record([TRUTH] * 3, noise=0.1)
    x = np.array(recording.x)
    clean = complete_laps(split_laps(recording, TRACK))[1]
    middle = int(np.searchsorted(recording.t, 0.5 * (clean.t_start + clean.t_end)))
    x[middle] += 8.0
    spoilt = type(recording)(t=recording.t, x=x, y=recording.y, speed=recording.speed)
    lap = estimate_lap(TRACK, complete_laps(split_laps(spoilt, TRACK))[1])
    off = lap.lap.line.n - np.interp(lap.lap.line.s, TRUTH.s, TRUTH.n)
    assert np.abs(off).max() < 0.5


def test_a_bias_moves_the_line_but_not_the_speed():
    lap = driven(noise=0.05, bias=(1.0, 0.0))
    s = lap.lap.line.s
    off = lap.lap.line.n - np.interp(s, TRUTH.s, TRUTH.n)
    assert np.abs(off).max() > 0.8
    assert lap.bias.sigma >= 1.0  # and the stated bias covers it


def test_a_line_beyond_the_centre_of_a_tight_bend_still_has_times_that_increase():
    """A receiver's error larger than the bend's radius: there stations run backwards along the line (n·kappa > 1)."""
    track = load_track("tinmarsh_rental")
    bend = int(np.argmax(np.abs(track.reference.kappa)))
    kappa, psi = track.reference.kappa[bend], track.reference.psi[bend]
    beyond = -1.1 / kappa * np.array([-np.sin(psi), np.cos(psi)])
    laps = complete_laps(split_laps(record([drive(track, speed=lambda s: 14.0 + 0.0 * s)] * 2, noise=0.05), track))
    found = estimate_laps(track, laps[:1], draws=2, shifts=beyond[None])[0]
    assert (found.lap.line.n * np.interp(found.lap.line.s, track.s, track.reference.kappa)).max() > 1.0
    assert (np.diff(found.lap.t) > 0.0).all()


def test_laps_that_are_none_are_refused():
    laps = split_laps(record([TRUTH] * 2), TRACK)
    with pytest.raises(RecordingError, match="out lap is out: before the first crossing"):
        estimate_lap(TRACK, laps[0])
    with pytest.raises(RecordingError, match="against the track's direction"):
        estimate_lap(reversed_track(TRACK), laps[1])
    assert PositionBias(sigma=1.0, time=300.0).change(0.0) == 0.0


def test_many_laps_are_as_uncertain_as_few():
    """Of more than forty laps a few are drawn from, and stand for all: the intervals still hold the truth."""
    laps = complete_laps(split_laps(record([TRUTH] * 44, noise=0.3, speed_noise=0.15), TRACK))
    sensors = read_sensors(laps[0].samples)
    some, every = (estimate_laps(TRACK, chosen, sensors=sensors) for chosen in (laps[:6], laps))
    for name in ("draws_t", "draws_v", "draws_n", "draws_kappa"):
        spread = [np.sqrt(np.mean([getattr(lap, name) ** 2 for lap in found])) for found in (some, every[20:26])]
        assert spread[1] == pytest.approx(spread[0], rel=0.2), name
    s = TRUTH.s[::20]
    inside = [
        np.abs(np.interp(s, lap.lap.line.s, lap.lap.line.n) - np.interp(s, TRUTH.s, TRUTH.n))
        < 1.96 * np.interp(s, lap.lap.line.s, np.std(lap.draws_n, axis=0))
        for lap in every
    ]
    assert 0.9 < np.mean(inside) < 0.99
