"""A track that lasts: kept from laps and read again, made of several sessions, and made of laps along its edges."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from shared import REAL, REAL_LINE
from simulated import drive, make_track, record

from linelab.coaching.from_recording import find_ground, find_grounds
from linelab.coaching.mark_figures import edge_reason
from linelab.errors import InputError, RecordingError
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track, save_track
from linelab.geometry.frenet import xy_to_sn
from linelab.model.lap import Recording
from linelab.motion.edge_laps import track_from_edge_laps
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.track_from_laps import corridor_from_laps, corridors_from_recordings
from linelab.recorded.laps import complete_laps
from linelab.recorded.start_line import track_line

TRACK = make_track()
START = track_line(TRACK, 0.0)
LAPS = [
    drive(TRACK, offset=lambda s, size=size: size * np.sin(6.0 * np.pi * s / TRACK.length)) for size in (-0.4, 0.0, 0.4)
]


def moved(recording: Recording, east: float, north: float, **more) -> Recording:
    return replace(recording, x=recording.x + east, y=recording.y + north, **more)


def lines(ground):
    return estimate_placed_laps(ground.track, complete_laps(ground.laps), sensors=ground.sensors, bias=ground.bias)


def test_a_saved_estimate_is_read_like_the_one_just_made(tmp_path):
    recording = record(LAPS, noise=0.1)
    made = find_ground(recording, None, start_line=START)
    save_track(made.track, tmp_path / "kept.geojson")
    kept = find_ground(recording, load_track(tmp_path / "kept.geojson"))
    assert kept.track.survey == made.track.survey
    assert [corner.s_apex for corner in kept.track.corners] == pytest.approx(
        [corner.s_apex for corner in made.track.corners], abs=1e-3
    )
    assert kept.bias.sigma == pytest.approx(made.bias.sigma, rel=0.02)
    for here, there in zip(lines(kept), lines(made), strict=True):
        assert here.lap.lap_time == pytest.approx(there.lap.lap_time, abs=2e-3)
        assert here.bias.sigma == pytest.approx(there.bias.sigma, rel=0.05)
        assert edge_reason(kept.track, here) == "no surveyed edge"
        assert np.abs(here.lap.line.n - there.lap.line.n).max() < 0.02


@pytest.mark.slow
def test_a_later_session_is_moved_onto_the_track_that_was_kept():
    """The receiver of another day is 2 m off: the lines read are those of the first day."""
    recording = record(LAPS, noise=0.1)
    track = find_ground(recording, None, start_line=START).track
    first, later = (find_ground(one, track) for one in (recording, moved(recording, 1.6, -1.2)))
    assert [lap.status for lap in later.laps] == [lap.status for lap in first.laps]
    for here, there in zip(lines(later), lines(first), strict=True):
        assert np.abs(here.lap.line.n - there.lap.line.n).max() < 0.1
        (by,) = (
            float(found[1]) for note in here.notes if (found := re.search(r"onto the middle.* by ([\d.]+) m", note))
        )
        assert by == pytest.approx(2.0, abs=0.1)


def test_sessions_of_one_place_share_a_track_in_the_middle_of_them():
    recording = record(LAPS, noise=0.1)
    day = [moved(recording, east, north) for east, north in ((1.5, 0.0), (-1.5, 0.9), (0.0, -0.9))]
    ((numbers, found),) = corridors_from_recordings(day)
    (_, alone) = corridors_from_recordings(day[:1])[0]
    assert (numbers, found.recordings) == ((0, 1, 2), 3)
    assert "9 recorded laps of 3 recordings" in found.track.survey.note
    _, n = xy_to_sn(TRACK.reference, found.track.reference.x, found.track.reference.y)
    middle = n + 0.5 * (found.track.w_left - found.track.w_right)
    assert np.sqrt(np.mean(middle**2)) < 0.15  # alone it is 1.5 m off to the east
    one = alone.track.survey.middle_sigma
    # 6 degrees of freedom, 2 of them the assumption's: the days lie apart by 2·1.5² + 2·0.9² = 6.12 m² in all.
    expected = np.sqrt((2.0 + 6.12 / one**2) / 6.0 / 3.0) * one
    assert found.track.survey.middle_sigma == pytest.approx(expected, rel=0.05)
    assert found.track.survey.uncertainty < alone.track.survey.uncertainty


@pytest.mark.slow
def test_a_stated_error_is_lessened_by_the_number_of_independent_days():
    recording = record(LAPS, noise=0.1)
    one, four = (
        corridors_from_recordings([recording] * count, position_error=1.0)[0][1].track.survey.middle_sigma
        for count in (1, 4)
    )
    assert four == pytest.approx(0.5 * one, rel=0.05)


@pytest.mark.slow
def test_sessions_right_after_each_other_share_their_error():
    """By their stamps the second begins a minute after the first ended: its error is nearly the same."""
    recording = record(LAPS, noise=0.1)
    end = float(recording.t[-1])
    pair = [replace(recording, start_utc=1.7e9), replace(recording, start_utc=1.7e9 + end + 60.0)]
    together = corridors_from_recordings(pair)[0][1].track.survey.middle_sigma
    apart = corridors_from_recordings([recording, recording])[0][1].track.survey.middle_sigma
    assert together > 1.1 * apart


@pytest.mark.slow
def test_other_places_and_the_other_way_round_stay_separate():
    recording = record(LAPS, noise=0.1)
    back = Recording(t=recording.t, x=recording.x[::-1], y=recording.y[::-1], speed=recording.speed[::-1])
    found = corridors_from_recordings([recording, moved(recording, 900.0, 0.0), recording, back])
    assert [numbers for numbers, _ in found] == [(0, 2), (1,), (3,)]
    grounds = find_grounds([recording, moved(recording, 900.0, 0.0), recording])
    assert grounds[0].track is grounds[2].track
    assert grounds[1].track is not grounds[0].track


def test_another_layout_of_the_same_circuit_is_another_track():
    """Far from the start line the second lies tens of metres inwards: both cross the same line."""
    recording = record(LAPS, noise=0.1)
    x, y = recording.x, recording.y
    far = (x - START.centre[0]) ** 2 + (y - START.centre[1]) ** 2
    share = np.clip((np.sqrt(far) - 40.0) / 120.0, 0.0, 1.0) ** 2
    other = replace(recording, x=x + share * (START.centre[0] - x) * 0.2, y=y + share * (START.centre[1] - y) * 0.2)
    assert (0.2 * share * np.sqrt(far)).max() > 20.0
    assert len(corridors_from_recordings([recording, other], start_line=(START.left, START.right))) == 2


def ridden(noise: float = 0.03, inside: float = 0.0) -> Recording:
    """Three laps at 5 m/s: along the left edge, changing sides, along the right edge, a metre wide of nothing."""
    s = np.arange(-30.0, 3.0 * TRACK.length + 30.0, 0.5)
    line = TRACK.reference
    at = np.mod(s, TRACK.length)
    x, y = (np.interp(at, line.s, values) for values in (line.x, line.y))
    psi = np.interp(at, line.s, np.unwrap(line.psi))
    left = np.interp(at, TRACK.s, TRACK.w_left) - inside
    right = inside - np.interp(at, TRACK.s, TRACK.w_right)
    change = np.clip((s / TRACK.length - 1.3) / 0.4, 0.0, 1.0)
    n = left + change * (right - left)
    x, y = x - n * np.sin(psi), y + n * np.cos(psi)
    t = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))]) / 5.0
    clock = np.arange(0.0, t[-1], 0.1)
    rng = np.random.default_rng(5)
    seen = [np.interp(clock, t, values) + noise * rng.normal(size=clock.size) for values in (x, y)]
    return Recording(t=clock, x=seen[0], y=seen[1], source="edges.csv")


@pytest.mark.parametrize("inside", [0.0, 0.6])
def test_laps_along_the_edges_give_them(tmp_path, inside):
    made = track_from_edge_laps(ridden(inside=inside), [1], [3], offset=inside, start_line=START, position_error=0.2)
    save_track(made, tmp_path / "edges.geojson")
    track = load_track(tmp_path / "edges.geojson")
    assert track.survey.kind == "surveyed"
    for edge, sign in ((track.left_edge, 1.0), (track.right_edge, -1.0)):
        s, n = xy_to_sn(TRACK.reference, edge[:, 0], edge[:, 1])
        width = np.interp(np.mod(s, TRACK.length), TRACK.s, TRACK.w_left if sign > 0 else TRACK.w_right)
        # A drifting error of 0.2 m is allowed for: part of the width's changes along the road is taken for it.
        assert np.sqrt(np.mean((sign * n - width) ** 2)) < 0.12
    # The noise that smoothing leaves adds little to the drifting error stated; the two edges show part of that.
    assert 0.15 < track.survey.uncertainty < 0.22
    assert "lap 1 on the left, lap 3 on the right" in track.survey.note
    assert ("0.6 m inside them" in track.survey.note) is (inside > 0.0)
    assert track.length == pytest.approx(TRACK.length, rel=0.01)


def test_an_unknown_receiver_leaves_the_edges_in_doubt():
    made = track_from_edge_laps(ridden(), [1], [3], start_line=START)
    # The width shows how far the error changed from edge to edge, so what is left is nearly that of a mean of two.
    assert 1.5 / np.sqrt(2.0) < made.survey.uncertainty < 1.4
    assert "assumed for a consumer receiver" in made.survey.note


def test_a_second_lap_along_an_edge_lessens_the_doubt():
    """Another lap's drifting error is only partly the same."""
    one = track_from_edge_laps(ridden(), [1], [3], start_line=START, position_error=0.5)
    recording = ridden()
    later = replace(recording, t=recording.t + float(recording.t[-1]) + 7200.0)
    joined = Recording(
        t=np.concatenate([recording.t, later.t]),
        x=np.concatenate([recording.x, later.x]),
        y=np.concatenate([recording.y, later.y]),
        source="twice.csv",
    )
    # Across the hours between them lies a lap 4; the second ride is laps 5 to 7.
    two = track_from_edge_laps(joined, [1, 5], [3, 7], start_line=START, position_error=0.5)
    assert two.survey.uncertainty == pytest.approx(one.survey.uncertainty / np.sqrt(2.0), rel=0.05)


def rode(at: list[tuple[float, tuple[float, float]]], stray: float = 0.0) -> Recording:
    """Rides round both edges as :func:`ridden`, each begun at a time [s] with a displacement [m]; the last one keeps a
    stretch of 25 m of the left edge this far inside [m]."""
    rides = []
    for k, (start, (east, north)) in enumerate(at):
        one = ridden()
        bump = stray * (k == len(at) - 1) * np.exp(-(((one.t * 5.0 - 230.0) / 12.0) ** 2))
        ahead = np.column_stack([np.gradient(one.x, one.t), np.gradient(one.y, one.t)]) / 5.0
        rides.append(
            replace(one, t=one.t + start, x=one.x + east + bump * ahead[:, 1], y=one.y + north - bump * ahead[:, 0])
        )
    t, x, y = (np.concatenate([getattr(ride, name) for ride in rides]) for name in ("t", "x", "y"))
    return Recording(t=t, x=x, y=y, source="rides.csv")


def off(track, side: str) -> np.ndarray:
    """How far the points of an edge lie outside the true one [m]."""
    edge, sign, true = (
        (track.left_edge, 1.0, TRACK.w_left) if side == "left" else (track.right_edge, -1.0, TRACK.w_right)
    )
    s, n = xy_to_sn(TRACK.reference, edge[:, 0], edge[:, 1])
    return sign * n - np.interp(np.mod(s, TRACK.length), TRACK.s, true)


def test_the_width_shows_how_the_error_changed_between_the_edges():
    """The right edge was recorded an hour later, 1.2 m further east: the road would be 1.2 m wider on one side."""
    first, later = ridden(), moved(ridden(), 1.2, 0.0)
    half = first.t < 0.45 * first.t[-1]
    joined = Recording(
        t=np.concatenate([first.t[half], later.t[~half] + 3600.0]), x=np.concatenate([first.x[half], later.x[~half]]),
        y=np.concatenate([first.y[half], later.y[~half]]), source="edges.csv",
    )  # fmt: skip
    made = track_from_edge_laps(joined, [1], [3], start_line=START, position_error=1.0)
    assert np.std(made.width) < 0.25  # taken as recorded it is 1.2 m over the root of two


@pytest.mark.slow
def test_a_stray_lap_counts_less_where_it_strays():
    """One of three rides is 2 m inside the left edge for some metres: the other two decide there."""
    hours = [(0.0, (0.0, 0.0)), (7200.0, (0.0, 0.0)), (14400.0, (0.0, 0.0))]
    for stray in (0.0, 2.0):
        made = track_from_edge_laps(rode(hours, stray), [1, 5, 9], [3, 7, 11], start_line=START, position_error=0.3)
        assert np.abs(off(made, "left")).max() < 0.3  # the mean of the three is 0.67 m off


@pytest.mark.slow
def test_racing_laps_of_other_days_show_where_the_road_is():
    """The edges were ridden 1.2 m too far east; four days' racing laps, right in the mean, ran between them."""
    shifted = moved(ridden(), 1.2, 0.0)
    middle = drive(TRACK, offset=lambda s: np.interp(s, TRACK.s, 0.5 * (TRACK.w_left - TRACK.w_right)))
    racing = record([middle] * 3, noise=0.1)
    days = [moved(racing, east, north) for east, north in ((0.8, 0.3), (-0.8, -0.3), (0.3, -0.7), (-0.3, 0.7))]
    alone, with_laps = (
        track_from_edge_laps(shifted, [1], [3], start_line=START, position_error=1.0, others=others)
        for others in ((), days)
    )
    assert with_laps.survey.uncertainty < 0.9 * alone.survey.uncertainty
    before, after = (np.sqrt(np.mean(np.r_[off(one, "left"), off(one, "right")] ** 2)) for one in (alone, with_laps))
    assert after < 0.75 * before
    assert "12 racing laps of other recordings" in with_laps.survey.note


def test_edge_laps_refused():
    with pytest.raises(InputError, match="each edge needs laps of its own"):
        track_from_edge_laps(ridden(), [1], [1], start_line=START)
    with pytest.raises(RecordingError, match=r"there is no lap 9\. Choose among the laps: 1 \(\d+ s\)"):
        track_from_edge_laps(ridden(), [1], [9], start_line=START)
    with pytest.raises(InputError, match="an offset of 4 m is outside 0 to 3 m"):
        track_from_edge_laps(ridden(), [1], [3], start_line=START, offset=4.0)


@pytest.mark.skipif(not REAL.is_file(), reason="the folder of outside recordings is not here")
@pytest.mark.slow
def test_two_real_days_make_one_track():
    """A year apart, by other receivers' errors: one circuit, all its laps cut at one line."""
    days = [load_recording(REAL.with_name(name)) for name in ("GX030390.csv", "GX020410.csv")]
    first, later = find_grounds(days, start_line=REAL_LINE)
    assert first.track is later.track
    assert (len(complete_laps(first.laps)), len(complete_laps(later.laps))) == (4, 4)
    alone = corridor_from_laps(days[0])
    assert first.track.length == pytest.approx(alone.track.length, rel=0.005)
    assert len(first.track.corners) == len(alone.track.corners)
    assert first.track.survey.middle_sigma < alone.track.survey.middle_sigma
