"""A real kart session, from CSV to ranked corners, without a survey of the track."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from shared import REAL, REAL_LINE, real_review

from linelab.coaching.compare import compare, rank_corners
from linelab.coaching.mark_figures import driven_marks
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.marks import find_marks
from linelab.files.kart_file import load_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.motion.channels import smooth_session
from linelab.motion.estimate import estimate_lap, estimate_laps
from linelab.motion.track_from_laps import corridor_from_laps
from linelab.output.display import evidence_text
from linelab.output.review_data import review_as_dict
from linelab.recorded.laps import complete_laps, split_laps
from linelab.recorded.samples import own_plane
from linelab.recorded.start_line import start_line_at

pytestmark = pytest.mark.skipif(not REAL.is_file(), reason="the folder of outside recordings is not here")

#: Plain linear crossing times of the start line below, computed from the file by others (its SOURCES note) [s].
CROSSINGS = (83.768, 84.609, 85.833, 83.848, 106.626)


@pytest.fixture(scope="module")
def recording():
    return load_recording(REAL)


@pytest.fixture(scope="module")
def line(recording):
    return start_line_at(own_plane(recording), *REAL_LINE)


@pytest.fixture(scope="module")
def corridor(recording, line):
    return corridor_from_laps(recording, start_line=line)


@pytest.fixture(scope="module")
def review():
    return real_review()


def test_five_laps_and_the_spin_is_told(recording, line):
    laps = split_laps(recording, line)
    assert [lap.status for lap in laps] == ["out", "complete", "complete", "complete", "complete", "aborted", "in"]
    np.testing.assert_allclose([lap.duration for lap in laps[1:-1]], CROSSINGS, atol=0.002)
    assert "stood still" in laps[5].reason


def test_the_spin_does_not_spoil_the_corridor(recording, line, corridor):
    assert corridor.used == (1, 2, 3, 4)
    assert corridor.track.survey.assumed_width == 7.0
    # Kart circuits are 700 to 1500 m long (national norms for kart circuits).
    assert 700.0 < corridor.track.length < 1500.0
    spin = next(lap for lap in corridor.laps if lap.status == "aborted")
    kept = np.asarray(recording.t) < spin.t_start + 0.2
    before = type(recording)(
        t=recording.t[kept], lon=recording.lon[kept], lat=recording.lat[kept], speed=recording.speed[kept]
    )
    # Its own plane differs by the median position, so only what does not depend on the plane is compared.
    without = corridor_from_laps(before, start_line=start_line_at(own_plane(before), *REAL_LINE))
    assert without.used == corridor.used
    assert without.track.length == pytest.approx(corridor.track.length, abs=0.5)
    assert without.bias.sigma == pytest.approx(corridor.bias.sigma, rel=0.05)


def test_from_csv_to_ranked_corners(corridor):
    laps = {
        lap.number: estimate_lap(corridor.track, lap, sensors=corridor.sensors, bias=corridor.bias)
        for lap in corridor.laps
        if lap.status in ("complete", "aborted")
    }
    for recorded in corridor.laps:
        if recorded.number in laps and recorded.status not in ("in", "out"):
            assert laps[recorded.number].lap.lap_time == pytest.approx(recorded.duration, abs=0.015)
    reference = laps[1].lap
    kart = load_kart("rental-four-stroke")
    for number in (2, 3, 4, 5):
        review = compare(corridor.track, reference, laps[number], kart)
        total = laps[number].lap.lap_time - reference.lap_time
        assert float(review.losses.loss.sum()) == pytest.approx(total, abs=1e-9)
        assert len(review.corners) >= 8
        assert any("an assumed width of 7 m" in note for note in review.notes)
        assert all("no surveyed edge" in corner.marks.apex_miss.driven.reason for corner in review.corners)
    # The spin costs nearly all of the last lap's loss, in one corner's stretch.
    worst = rank_corners(review)[0]
    assert worst.time_lost.value > 0.5 * total
    assert worst.time_lost.sigma > 0.0


def test_speeds_are_in_metres_a_second(corridor):
    """The channel against the smoothed positions alone: one unit, no factor between them."""
    samples = corridor.laps[0].samples
    alone = replace(corridor.sensors, speed_sigma=None)
    motion = smooth_session(samples, alone)
    speed = np.hypot(*motion.states(samples.t - corridor.sensors.speed_lag)[20:-20, [1, 4]].T)
    channel = samples.speed[20:-20]
    fast = speed > 5.0
    assert np.median(channel[fast] / speed[fast]) == pytest.approx(1.0, abs=0.01)
    assert np.corrcoef(channel[fast], speed[fast])[0, 1] > 0.99
    assert not any("unit" in note for note in samples.notes)


def test_where_speed_and_positions_disagree_the_positions_are_taken_to_drift(corridor):
    """The way by the speed channel and by the positions stay within a metre of each other, so the difference is an
    error of the positions that lasts, and not of the speed: that one's would add up."""
    samples, sensors = corridor.laps[0].samples, corridor.sensors
    motion = smooth_session(samples, replace(sensors, speed_sigma=None))
    lap = corridor.laps[1]
    t = np.arange(lap.t_start, lap.t_end, 0.05)
    own = np.hypot(*motion.states(t)[:, [1, 4]].T)
    gap = 0.05 * np.cumsum(np.interp(t + sensors.speed_lag, samples.t, samples.speed) - own)
    apart = [np.std(gap[n:] - gap[:-n]) for n in (20, 320)]  # over 1 and 16 s: white errors would grow fourfold
    assert apart[1] < 3.3 * apart[0]
    assert sensors.drift_rounding > 0.0
    assert sensors.speed_wander <= sensors.speed_sigma
    assert any("the receiver filters its positions" in note for note in sensors.notes)


def test_minimum_speeds_are_those_of_the_drivers_own_display(corridor):
    """The channel's lowest sample of each corner lies within the interval of the minimum speed."""
    samples, track = corridor.laps[0].samples, corridor.track
    laps, kart = complete_laps(corridor.laps), load_kart("rental-four-stroke")
    driven = estimate_laps(track, laps, sensors=corridor.sensors, bias=corridor.bias)
    sheet, reference = session_sheet(track, kart, driven), driven[0].lap
    marks = find_marks(track, reference, kart)
    inside = []
    for lap, corners in zip(driven, driven_marks(sheet, computed_rows(sheet, [reference]), marks).laps):
        for mark, corner in zip(marks, corners):
            place, speed = corner.min_speed_place.driven, corner.min_speed.driven
            if place.known and 0.0 < mark.apex + place.value < track.length:
                at = np.interp(mark.apex + place.value, lap.lap.line.s, lap.lap.t) + lap.t_start
                near = np.abs(samples.t - corridor.sensors.speed_lag - at) < 0.3
                inside.append(abs(samples.speed[near].min() - speed.value) < 1.96 * speed.sigma)
    assert len(inside) > 20
    assert np.mean(inside) > 0.9


def test_lag_and_noise_are_stated(corridor):
    sensors = corridor.sensors
    # Positions are rounded to about 0.3 m at source: uniform rounding has a standard deviation of step/sqrt(12).
    assert sensors.position_sigma == pytest.approx(0.31 / np.sqrt(12.0), abs=0.02)
    assert 0.05 < sensors.speed_lag < 0.35
    assert any("behind the positions" in note for note in sensors.notes)


def test_without_edges_the_line_is_not_judged_and_the_feet_are(review):
    """A corridor made of the laps themselves cannot tell what lines cost; what the feet do shows in the speed."""
    assert "edges were not surveyed" in review.verdict
    assert "Braking, coasting and power are." in review.verdict
    lines = {"apex_missed", "turns_in_early", "exit_unused", "line_other", "too_slow_in_corner"}
    assert review.priorities
    assert not {item.kind for item in review.priorities} & lines
    assert {what for what, _ in review.withheld} == {"line", "corner speed"}
    # The computed lap of such a corridor is nothing to hold a mark against.
    assert not any("computed lap" in line.text for item in review.priorities for line in item.evidence)
    for lap in review.laps:
        assert "not surveyed" in lap.line_loss.reason
        for part in lap.corners:
            assert part.line_loss.value is None
            assert part.speed_loss.value is None
            assert all(cost.value is None for _, cost in part.causes)
            assert part.time_lost.known
    assert not any("Good driving" in item.title for item in review.strengths)
    told = review_as_dict(review)
    assert all(part["line_loss_s"]["value"] is None for lap in told["laps"] for part in lap["corners"])


def test_what_the_record_supports_is_coached(review):
    """Three things in named corners, each with what shows it, and with the lap on which it was done better."""
    assert len(review.priorities) == 3
    assert all(item.corners and item.kind != "scatter" for item in review.priorities)
    times = [lap.lap_time.value for lap in review.laps]
    said = [evidence_text(line) for item in review.priorities for line in (*item.evidence, *item.close)]
    again = [line for line in said if re.search(r"[Dd]o again what you did on lap|On lap \d you took", line)]
    assert again
    # What a corner's best pass has over the usual one cannot be more than between the best and the worst lap.
    assert all(float(re.search(r"([0-9.]+) ±", line)[1]) < max(times) - min(times) for line in again)
    for item in review.priorities:
        assert item.at_stake.value > item.at_stake.sigma


def test_every_corner_names_the_lap_on_which_it_was_quickest(review):
    labels = {lap.label for lap in review.laps}
    for k, part in enumerate(review.laps[0].corners):
        assert part.target_lap in labels
        own = next(lap for lap in review.laps if lap.label == part.target_lap).corners[k]
        # level with itself, within what measuring makes uncertain
        assert abs(own.time_lost.value) < 1.96 * own.time_lost.sigma


def test_without_a_survey_laps_are_compared_with_the_best_corners_joined(review):
    """A lap computed between assumed edges is known within seconds; what the driver has done, within some tenths: a
    drifting receiver times every corner of every lap."""
    best = review.laps[review.best]
    assert review.target.kind == "own_parts"
    assert 0.0 < best.gap.value < 3.0
    assert best.lap_time.sigma < best.gap.sigma < 0.3
    assert review.target.lap_time < best.lap_time.value
