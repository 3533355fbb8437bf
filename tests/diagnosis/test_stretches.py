"""A corner's stretch: by the track alone, meeting half-way between corners, together the whole lap."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from shared import solved

from linelab.diagnosis.corner_figures import corner_marks
from linelab.diagnosis.stretches import corner_stretches
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track
from linelab.model.track import Corner
from linelab.optimum.minimum_time import solve_min_time
from linelab.output.reference_report import reference_data, table_words


@pytest.fixture(scope="module")
def track():
    return load_track("tinmarsh_rental")


def _open_road(corners=()):
    x = np.linspace(0.0, 200.0, 41)
    left, right = (np.column_stack([x, np.full(x.size, y)]) for y in (4.0, -4.0))
    road = track_from_edges("road", left, right, closed=False)
    made = tuple(
        Corner(number=k, s_start=a, s_apex=0.5 * (a + b), s_end=b, turn=0.5)
        for k, (a, b) in enumerate(corners, start=1)
    )
    return dataclasses.replace(road, corners=made, start_station=20.0, finish_station=180.0)


def test_neighbours_meet_half_way(track):
    found = corner_stretches(track)
    assert [stretch.corner for stretch in found] == [corner.number for corner in track.corners]
    for before, after, one, other in zip(found, found[1:], track.corners, track.corners[1:]):
        assert before.s_end == after.s_start == pytest.approx(0.5 * (one.s_end + other.s_start))
    home = found[0].s_start
    assert home == found[-1].s_end
    back, ahead = track.corners[-1].s_end - track.length, track.corners[0].s_start
    assert home == pytest.approx(0.5 * (back + ahead) % track.length)


def test_on_a_road_they_run_from_start_to_finish():
    two = corner_stretches(_open_road([(40.0, 60.0), (100.0, 120.0)]))
    assert [end for stretch in two for end in stretch[1:]] == pytest.approx([20.0, 80.0, 80.0, 180.0])
    outside = corner_stretches(_open_road([(2.0, 8.0), (10.0, 16.0), (40.0, 60.0)]))
    assert [s.s_end - s.s_start for s in outside] == pytest.approx([0.0, 0.0, 160.0])
    assert corner_stretches(_open_road()) == ()


def test_corners_that_overlap_across_the_start_line_share_its_middle(track):
    first, *_, last = track.corners
    length = track.length
    pair = (dataclasses.replace(first, s_start=length - 2.0), dataclasses.replace(last, s_end=4.0))
    found = corner_stretches(dataclasses.replace(track, corners=pair))
    assert found[0].s_start == pytest.approx(1.0)
    assert found[-1].s_end == pytest.approx(1.0)


@pytest.mark.parametrize("changed", [{"grip": 0.97}, {"grip": 0.6}, {"use_kerbs": False}])
def test_times_are_taken_between_the_same_places_whatever_the_lap(track, changed):
    """With 3 % less grip, or no kerbs, no corner is quicker; with marks as ends some were, by half a second."""
    kart = load_kart("rental-four-stroke")
    laps = [
        solved("tinmarsh_rental", "rental-four-stroke").lap,
        solve_min_time(track, kart, verify=False, **changed).lap,
    ]
    rows = [corner_marks(track, lap, kart) for lap in laps]
    for lap, found in zip(laps, rows):
        assert sum(row.time for row in found) == pytest.approx(lap.lap_time, abs=1e-9)
        assert min(row.time for row in found) > 0.5
    for one, other in zip(*rows):
        assert one.stretch == other.stretch
        assert other.time > one.time - 0.02


def test_a_single_corner_has_the_whole_lap(track):
    kart = load_kart("rental-four-stroke")
    lap = solved("tinmarsh_rental", "rental-four-stroke").lap
    (row,) = corner_marks(dataclasses.replace(track, corners=track.corners[:1]), lap, kart)
    assert row.time == pytest.approx(lap.lap_time)


def test_files_and_table_say_between_which_stations(track):
    kart = load_kart("rental-four-stroke")
    solution = solved("tinmarsh_rental", "rental-four-stroke")
    data = reference_data(track, kart, solution)
    ends = [(corner["stretch_start_m"], corner["stretch_end_m"]) for corner in data["corners"]]
    assert ends == [(s.s_start, s.s_end) for s in corner_stretches(track)]
    assert data["kerbs_allowed"]
    words = table_words(track)
    assert words[0] == "Places [m] are distances round the lap, 402 m in all."
    assert "half-way to the next" in words[1]
    assert len(table_words(dataclasses.replace(track, corners=()))) == 1
