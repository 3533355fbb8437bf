"""Placing laps on the track: the receiver's bias found from laps, edges and an anchor, and what remains is stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import centre_points, drive, make_track, record

from linelab.errors import InputError, RecordingError
from linelab.files.tracks.track_build import track_from_centre
from linelab.geometry.frenet import xy_to_sn
from linelab.model.lap import Recording
from linelab.model.track import Survey, along
from linelab.motion.channels import PositionBias, stated_bias
from linelab.motion.estimate import estimate_laps
from linelab.motion.placing import Anchor, estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.recorded.laps import complete_laps, split_laps

TRACK = make_track()
BIAS = PositionBias(sigma=1.5, time=300.0)


def wide(s):
    """A line that uses the 8 m of the track but for a metre on either side (the reference line is not its middle)."""
    middle = 0.5 * (along(TRACK, TRACK.w_left, s) - along(TRACK, TRACK.w_right, s))
    return middle + 3.0 * np.sin(2.0 * np.pi * 3.0 * s / TRACK.length)


TRUTH = drive(TRACK, offset=wide)


def laps_of(bias=(0.0, 0.0), drift=0.0, seed=0, count=6):
    return complete_laps(split_laps(record([TRUTH] * count, noise=0.2, bias=bias, drift=drift, seed=seed), TRACK))


def misses(laps):
    """How far the laps lie beside the truth (L, N) [m]."""
    placed = [xy_to_sn(TRACK.reference, lap.lap.line.x, lap.lap.line.y, start=0.0) for lap in laps]
    return np.array([n - np.interp(np.mod(s, TRACK.length), TRUTH.s, TRUTH.n) for s, n in placed])


@pytest.mark.parametrize("bias", [(1.2, -0.9), (-1.5, 0.8), (0.0, 2.0)])
def test_a_bias_is_taken_off_where_the_line_uses_the_track(bias):
    laps = laps_of(bias)
    before = misses(estimate_laps(TRACK, laps, bias=BIAS))
    placed = estimate_placed_laps(TRACK, laps, bias=BIAS)
    after = misses(placed)
    assert np.sqrt(np.mean(after**2)) < 0.4 * np.sqrt(np.mean(before**2))
    for lap, off in zip(placed, after):
        assert lap.bias.sigma < 0.75
        assert (np.abs(off) < 1.96 * np.hypot(lap.sigma_n, lap.bias.sigma)).mean() > 0.95
    assert any("moved together onto the track" in note for note in placed[0].notes)


@pytest.mark.slow
def test_drift_between_laps_is_taken_off_and_the_rest_stated():
    """A bias of 1 m that drifts: laps are placed to each other to what their own scatter allows."""
    inside, raw, left = [], [], []
    for seed in range(5):
        laps = laps_of(drift=1.0, seed=seed)
        sensors = read_sensors(laps[0].samples)
        raw.append(misses(estimate_laps(TRACK, laps, sensors=sensors)))
        placed = estimate_placed_laps(TRACK, laps, sensors=sensors, bias=stated_bias(1.0, sensors))
        left.append(misses(placed))
        whole = np.array([np.hypot(lap.sigma_n, lap.bias.sigma) for lap in placed])
        inside.append(np.abs(left[-1]) < 1.96 * whole)
    assert np.sqrt(np.mean(np.square(left))) < 0.6 * np.sqrt(np.mean(np.square(raw)))
    assert np.mean(inside) > 0.92


def test_on_an_estimated_corridor_laps_are_placed_to_each_other_only():
    """Two of four laps recorded 1.2 m to the east: that goes; what all share stays."""
    recording = record([TRUTH] * 4, noise=0.1, bias=(2.0, 0.0))
    moved = 1.2 * (np.asarray(recording.t) - 0.3 * TRUTH.lap_time > 2.0 * TRUTH.lap_time)
    shifted = Recording(t=recording.t, x=recording.x + moved, y=recording.y, speed=recording.speed)
    corridor = replace(TRACK, survey=Survey(kind="estimated", assumed_width=8.0))
    laps = complete_laps(split_laps(shifted, corridor))
    offsets = np.array([lap.lap.line.n for lap in estimate_placed_laps(corridor, laps, bias=BIAS)])
    untouched = np.array([lap.lap.line.n for lap in estimate_laps(corridor, laps, bias=BIAS)])
    assert np.std(offsets, axis=0).mean() < 0.4 * np.std(untouched, axis=0).mean()
    assert np.abs(offsets.mean(axis=0) - untouched.mean(axis=0)).max() < 0.3


def test_an_anchor_pins_the_bias():
    """Parked for 20 s on a known spot before the session, on a track too wide for its edges to tell anything."""
    track = track_from_centre("Windmere Meadow", centre_points(), 14.0, 14.0, closed=True)
    bias = (1.4, -1.1)
    recording = record([TRUTH] * 4, noise=0.2, bias=bias)
    rng = np.random.default_rng(1)
    standing = np.arange(0.0, 20.0, 1.0 / 18.0)
    spot = TRUTH.x[0] - 60.0, TRUTH.y[0]
    parked = Recording(
        t=np.concatenate([standing, np.asarray(recording.t) + 30.0]),
        x=np.concatenate([spot[0] + bias[0] + 0.2 * rng.standard_normal(standing.size), recording.x]),
        y=np.concatenate([spot[1] + bias[1] + 0.2 * rng.standard_normal(standing.size), recording.y]),
        speed=np.concatenate([np.zeros(standing.size), recording.speed]),
    )
    laps = complete_laps(split_laps(parked, track))
    without = estimate_placed_laps(track, laps, bias=BIAS)
    pinned = estimate_placed_laps(track, laps, bias=BIAS, anchor=Anchor(x=spot[0], y=spot[1], start=1.0, end=19.0))
    assert pinned[0].bias.sigma < 0.7 * without[0].bias.sigma
    first, last = misses(pinned)[0], misses(pinned)[-1]
    assert np.sqrt(np.mean(first**2)) < 0.5
    assert np.sqrt(np.mean(last**2)) < 0.8
    assert pinned[-1].bias.sigma > pinned[0].bias.sigma  # the bias has drifted on since
    with pytest.raises(InputError, match="the kart stands from"):
        Anchor(x=0.0, y=0.0, start=5.0, end=5.0)


def test_another_layout_is_said():
    """The recorded circuit runs 9 m beside the drawn one for a fifth of the lap."""
    detour = drive(TRACK, offset=lambda s: 11.0 * np.exp(-(((s - 350.0) / 70.0) ** 4)))
    laps = complete_laps(split_laps(record([detour] * 3, noise=0.1), TRACK))
    with pytest.raises(RecordingError, match=r"beyond the edges of 'Windmere Loop' on \d+ % of its length.*layout"):
        estimate_placed_laps(TRACK, laps, bias=BIAS)
