"""A consumer receiver beside a fused reference pose: what smoothing can take away, and what is said of the rest.

Open data, one minute of nearly straight road; the receiver's error is nearly all bias: 2.2 m by the data's notes.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from linelab.files.projection import to_plane
from linelab.model.lap import Recording
from linelab.motion.align import kinematics
from linelab.motion.channels import assumed_bias, smooth_session
from linelab.motion.sensors import read_sensors
from linelab.recorded.samples import own_plane, place_samples

SHARED = Path(os.environ.get("LINELAB_SHARED", Path(__file__).parents[3] / "shared")) / "data" / "gt_vs_consumer"
FOLDER = SHARED / "comma2k19_seg40"
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="the folder of outside recordings is not here")

#: GPS time began on 1980-01-06; in 2018 it was 18 s ahead of UTC.
GPS_EPOCH, LEAP_SECONDS = 315_964_800.0, 18.0


def table(name):
    path = FOLDER / name
    names = path.read_text(encoding="utf-8").partition("\n")[0].split(",")
    return dict(zip(names, np.genfromtxt(path, delimiter=",", skip_header=1).T))


@pytest.fixture(scope="module")
def pair():
    """The receiver's samples at its own (UTC) times, and the reference's times, positions and speed in one plane."""
    receiver, truth = table("gnss_ublox.csv"), table("truth_pose_20hz.csv")
    utc = receiver["utc_ms"] / 1000.0
    recording = Recording(
        t=utc - utc[0], lon=receiver["lon_deg"], lat=receiver["lat_deg"], speed=receiver["speed_mps"],
        channels={"course": np.radians(receiver["bearing_deg"])},
    )  # fmt: skip
    plane = own_plane(recording)
    t = GPS_EPOCH + truth["gps_week"] * 604_800.0 + truth["gps_tow_s"] - LEAP_SECONDS - utc[0]
    x, y = to_plane(plane, truth["lon_deg"], truth["lat_deg"])
    return place_samples(recording, plane), (t, x, y, truth["speed_mps"])


@pytest.fixture(scope="module")
def smoothed(pair):
    samples, _ = pair
    sensors = read_sensors(samples)
    return sensors, smooth_session(samples, sensors, draws=60)


CLOCK = np.arange(3.0, 54.0, 0.1)


def test_the_bias_is_not_hidden(pair, smoothed):
    """No smoothing takes the 2.2 m away; the stated bias covers them."""
    _, (t, x, y, _) = pair
    sensors, motion = smoothed
    states = motion.states(CLOCK)
    off = np.column_stack([states[:, 0] - np.interp(CLOCK, t, x), states[:, 3] - np.interp(CLOCK, t, y)])
    assert np.median(np.hypot(*off.T)) == pytest.approx(2.2, abs=0.1)
    bias = assumed_bias(sensors)
    assert (np.abs(off) < 1.96 * bias.sigma).mean() > 0.95
    # What moves within the minute is within what is said of drift: its change over half of it.
    changed = off[: CLOCK.size // 2] - off[-(CLOCK.size // 2) :]
    assert np.sqrt(np.mean(changed**2)) < 1.5 * bias.change(25.0)


def test_smoothing_improves_the_speed(pair, smoothed):
    """The receiver runs a constant time beside the reference clock, which no recording can tell: it is taken off first
    for the raw and the smoothed speed alike, at the best time of each."""
    samples, (t, _, _, v) = pair
    _, motion = smoothed
    states = motion.states(CLOCK)
    speed = kinematics(states)[0]
    raw = np.interp(CLOCK, samples.t, samples.speed)
    chords = np.hypot(np.diff(samples.x), np.diff(samples.y)) / np.diff(samples.t)
    by_positions = np.interp(CLOCK, 0.5 * (samples.t[1:] + samples.t[:-1]), chords)

    def best(values):
        return min(
            (float(np.std(values - np.interp(CLOCK + shift, t, v))), shift) for shift in np.arange(-0.3, 0.4, 0.02)
        )

    assert best(speed)[0] < 0.75 * best(raw)[0]
    assert best(speed)[0] < 0.75 * best(by_positions)[0]
    sigma = np.std(kinematics(states + motion.departures(CLOCK))[0], axis=0)
    off = speed - np.interp(CLOCK + best(speed)[1], t, v)
    assert (np.abs(off - off.mean()) < 1.96 * sigma).mean() > 0.85
    assert np.median(sigma) < 0.1


def test_what_the_receiver_is_said_to_be_like(smoothed):
    sensors, _ = smoothed
    assert sensors.rate == pytest.approx(10.0, rel=0.01)
    # Townshend, Worringham & Stewart (2008): nine in ten speeds within 0.1 m/s.
    assert 0.03 < sensors.speed_sigma < 0.12
    assert any("course noise" in note for note in sensors.notes)
