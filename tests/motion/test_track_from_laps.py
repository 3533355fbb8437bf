"""A corridor from a recording's own laps: it finds the median line, ignores a stray lap and says what it assumes."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import drive, make_track, record

from linelab.coaching.compare import compare
from linelab.errors import InputError, RecordingError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track, save_track
from linelab.geometry.frenet import xy_to_sn
from linelab.geometry.median_path import closed_curve
from linelab.model.lap import Recording
from linelab.motion.estimate import estimate_lap
from linelab.motion.track_from_laps import corridor_from_laps
from linelab.recorded.laps import complete_laps
from linelab.recorded.start_line import track_line

TRACK = make_track()
START = track_line(TRACK, 0.0)


def off_line(size, turns):
    return lambda s: size * np.sin(2.0 * np.pi * turns * s / TRACK.length)


GOOD = [drive(TRACK, offset=off_line(size, 3)) for size in (-0.4, 0.0, 0.4)]


def test_closed_curve_of_a_circle():
    """The smoothing is blind to a circle: third differences of its points all but vanish."""
    a = np.linspace(0.0, 2.0 * np.pi, 400)
    curve = closed_curve(np.column_stack([20.0 * np.cos(a), 20.0 * np.sin(a)]))
    np.testing.assert_allclose(curve.kappa, 1.0 / 20.0, rtol=2e-3)
    assert curve.length == pytest.approx(2.0 * np.pi * 20.0, rel=1e-3)
    assert curve.psi[-1] - curve.psi[0] == pytest.approx(2.0 * np.pi, abs=1e-6)


def test_the_middle_is_the_median_of_the_laps():
    corridor = corridor_from_laps(record(GOOD, noise=0.15), start_line=START, assumed_width=8.0)
    assert corridor.used == (1, 2, 3)
    assert corridor.track.survey.kind == "estimated"
    assert corridor.track.survey.assumed_width == 8.0
    # The middle lap was driven on the true reference line, so the edges lie 4 m to either side of that.
    for edge, side in ((corridor.track.left_edge, 4.0), (corridor.track.right_edge, -4.0)):
        _, n = xy_to_sn(TRACK.reference, edge[:, 0], edge[:, 1])
        assert np.sqrt(np.mean((n - side) ** 2)) < 0.15
    np.testing.assert_allclose(corridor.track.width, 8.0, atol=0.2)


def test_a_stray_slow_lap_does_not_move_it():
    stray = drive(TRACK, offset=off_line(3.5, 2), speed=lambda s: 11.0 + 0.0 * s)
    with_stray = corridor_from_laps(record([*GOOD, stray]), start_line=START, assumed_width=8.0)
    without = corridor_from_laps(record(GOOD), start_line=START, assumed_width=8.0)
    assert with_stray.used == (1, 2, 3)
    assert len(complete_laps(with_stray.laps)) == 4
    _, n = xy_to_sn(without.track.reference, with_stray.track.reference.x, with_stray.track.reference.y)
    assert np.abs(n).max() < 0.3


def test_wider_where_the_laps_spread_wider():
    laps = [drive(TRACK, offset=off_line(size, 2)) for size in (-2.5, 0.0, 2.5)]
    corridor = corridor_from_laps(record(laps), start_line=START, assumed_width=4.0)
    assert corridor.track.width.max() > 5.5
    assert any("widened to" in note for note in corridor.notes)
    assert corridor.spread.max() == pytest.approx(2.5, abs=0.5)


def test_displacement_between_laps_is_found():
    """Two of four laps are recorded 1.2 m to the east: the corridor's laps lie 0.69 m apart per axis in the mean
    (a displacement of ±0.6 m on one axis of two: sqrt(4·0.6²/(2·3)) = 0.49 m), the stated bias a little above."""
    recording = record([GOOD[1]] * 4, noise=0.05)
    clock = np.asarray(recording.t) - 0.3 * GOOD[1].lap_time
    moved = (clock > 2.0 * GOOD[1].lap_time).astype(float)
    shifted = Recording(t=recording.t, x=recording.x + 1.2 * moved, y=recording.y, speed=recording.speed)
    corridor = corridor_from_laps(shifted, start_line=START)
    assert corridor.bias.relative
    assert 0.49 < corridor.bias.sigma < 0.80


def test_every_output_says_what_is_assumed_and_withholds_the_edge():
    corridor = corridor_from_laps(record(GOOD), assumed_width=7.0)
    assert any("start line placed across" in note for note in corridor.notes)
    laps = [
        estimate_lap(corridor.track, lap, sensors=corridor.sensors, bias=corridor.bias)
        for lap in complete_laps(corridor.laps)
    ]
    review = compare(corridor.track, laps[0].lap, laps[1], load_kart("junior-single-speed"))
    assert any("an assumed width of 7 m" in note for note in review.notes)
    assert review.survey.assumed_width == 7.0
    assert review.corners
    for corner in review.corners:
        assert corner.marks.apex_distance.driven.reason == "no surveyed edge: apex distance not reported"


def test_refusals():
    recording = record(GOOD)
    with pytest.raises(InputError, match=r"width of 90.* m is outside 2 to 30 m"):
        corridor_from_laps(recording, assumed_width=90.0)
    short = np.asarray(recording.t) < 30.0
    few = Recording(t=recording.t[short], x=recording.x[short], y=recording.y[short])
    with pytest.raises(RecordingError, match=r"no complete lap|start line missed"):
        corridor_from_laps(few, start_line=START)


def test_its_own_uncertainty_is_stated_carried_and_saved(tmp_path):
    """The median of laps is known no better than 1.25 times their scatter over the root of their number."""
    corridor = corridor_from_laps(record([*GOOD, GOOD[1]], noise=0.15), start_line=START, assumed_width=8.0)
    # Offsets of -0.4, 0, 0.4 and 0 m times a sine: their standard deviation is 0.33 m times it, 0.23 m in the mean.
    expected = 1.25 * 0.327 / np.sqrt(2.0) / np.sqrt(4.0)
    assert np.sqrt(np.mean(corridor.middle_sigma**2)) == pytest.approx(expected, rel=0.35)
    assert corridor.bias.sigma > np.sqrt(np.mean(corridor.middle_sigma**2))
    assert any("the middle of the track is known within ±" in note for note in corridor.notes)
    assert any("its width within ±1.1 m" in note for note in corridor.notes)
    path = tmp_path / "corridor.geojson"
    save_track(corridor.track, path)
    survey = load_track(path).survey
    assert survey.kind == "estimated"
    assert survey.assumed_width == 8.0
    assert survey.uncertainty == pytest.approx(corridor.track.survey.uncertainty)
    assert survey.uncertainty > 0.5 * 2.0 / np.sqrt(12.0)
