"""An open track timed between lines inside its ends: every time, computed or driven, is between the same two lines."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from linelab.cli.main import run
from linelab.coaching.compare import compare
from linelab.coaching.session import review_session
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.projection import plane_about, to_lonlat
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track, reversed_track, save_track
from linelab.model.lap import Lap
from linelab.model.timed import timed_lap, timed_track
from linelab.model.track import Track
from linelab.optimum.line_profile import speed_profile
from linelab.output.display import METRIC
from linelab.output.sheet.corner_facts import sheet_corners
from linelab.output.sheet.sheet_words import mark_words, time_words
from linelab.speed.lines import reference_line

KART = load_kart("senior-single-speed")
ORIGIN = (5.0, 50.0)
#: Of its own speed, the share at which the reference line is driven in the recording.
PACE = 0.95


def road(start: float, finish: float) -> Track:
    """Half a kilometre with four bends, timed from ``start`` to ``finish`` [m] before its end."""
    s = np.linspace(0.0, 500.0, 1001)
    wave = np.sin(2.0 * np.pi * s / 250.0)
    kappa = 0.03 * wave * (np.abs(wave) > 0.3)
    psi = np.concatenate([[0.0], np.cumsum(0.25 * (kappa[1:] + kappa[:-1]))])
    middle = 0.5 * (psi[1:] + psi[:-1])
    x, y = (np.concatenate([[0.0], np.cumsum(0.5 * f(middle))]) for f in (np.cos, np.sin))
    left, right = (np.column_stack([x - w * np.sin(psi), y + w * np.cos(psi)])[::4] for w in (4.0, -4.0))
    track = track_from_edges("Moor road", left, right, closed=False, origin=ORIGIN, georeferenced=True)
    return replace(track, start_station=start, finish_station=track.length - finish)


@pytest.fixture(scope="module")
def track() -> Track:
    return road(40.0, 70.0)


@pytest.fixture(scope="module")
def lap(track: Track) -> Lap:
    return speed_profile(reference_line(track), KART)


def time_between(lap: Lap, begin: float, end: float) -> float:
    """By integrating 1/v between two stations, apart from the lap's own clock."""
    at = np.linspace(begin, end, 20_001)
    way, v2 = np.interp(at, lap.line.s, lap.line.distance), np.interp(at, lap.line.s, lap.v**2)
    return float(np.trapezoid(1.0 / np.sqrt(v2), way))


def test_a_lap_is_cut_at_the_timing_lines(track, lap):
    cut = timed_lap(track, lap)
    begin, end = track.start_station, track.finish_station
    assert cut.line.s[[0, -1]] == pytest.approx([begin, end])
    assert cut.t[0] == cut.line.distance[0] == 0.0
    assert cut.lap_time == pytest.approx(time_between(lap, begin, end), abs=2e-4)
    assert cut.lap_time < lap.lap_time - 2.0
    inside = (lap.line.s > begin) & (lap.line.s < end)
    assert np.array_equal(cut.v[1:-1], lap.v[inside])
    assert np.array_equal(cut.limited_by[1:-1], lap.limited_by[inside])
    assert timed_lap(track, cut) is cut


def test_nothing_is_cut_where_the_timing_lines_are_the_ends():
    whole, circuit = road(0.0, 0.0), load_track("ostrelle_sprint")
    for each in (whole, circuit):
        lap = speed_profile(reference_line(each), KART)
        assert timed_lap(each, lap) is lap
        assert timed_track(each) is each


def test_a_reversed_road_is_timed_between_the_same_lines(track):
    back = reversed_track(track)
    there, again = (
        timed_lap(each, replace(lap, v=0.0 * lap.v + 10.0, t=lap.line.distance / 10.0))
        for each, lap in ((each, speed_profile(reference_line(each), KART)) for each in (track, back))
    )
    assert again.lap_time == pytest.approx(there.lap_time, abs=1e-3)


def test_a_driven_lap_is_held_against_the_timed_part_of_the_reference(track, lap):
    cut = timed_lap(track, lap)
    driven = replace(cut, t=cut.t / PACE, v=PACE * cut.v)
    result = compare(track, lap, driven, KART)
    assert result.lap_gap.value == pytest.approx((1.0 / PACE - 1.0) * cut.lap_time, abs=1e-6)
    assert result.gap[-1] == pytest.approx(result.lap_gap.value)
    assert len(result.corners) == 3  # the last one's apex lies behind the finish


def recorded(lap: Lap, path: Path) -> Path:
    """Two runs at a share of the lap's speed, 10 Hz."""
    rows, begun = ["time [s],longitude [deg],latitude [deg],speed [m/s]"], 0.0
    for _ in range(2):
        clock = lap.t / PACE
        t = np.arange(0.0, clock[-1], 0.1)
        x, y, v = (np.interp(t, clock, values) for values in (lap.line.x, lap.line.y, PACE * lap.v))
        lon, lat = to_lonlat(plane_about(*ORIGIN), x, y)
        rows += [f"{a + begun:.2f},{b:.8f},{c:.8f},{d:.3f}" for a, b, c, d in zip(t, lon, lat, v)]
        begun += float(clock[-1]) + 60.0
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_reference_and_review_tell_times_between_the_same_lines(track, tmp_path, capsys):
    save_track(track, tmp_path / "road.geojson")
    command = ["reference", str(tmp_path / "road.geojson"), "senior-single-speed", "--no-pictures"]
    assert run([*command, "--out", str(tmp_path / "lap")]) == 0
    printed = capsys.readouterr().out
    said = json.loads((tmp_path / "lap" / "reference_lap.json").read_text(encoding="utf-8"))
    assert said["lap_time_s"] == pytest.approx(sum(corner["time_s"] for corner in said["corners"]), abs=1e-3)
    assert said["whole_road_time_s"] > said["lap_time_s"] + 2.0
    assert (said["timed_from_m"], said["timed_to_m"]) == pytest.approx((40.0, track.finish_station), abs=0.05)
    assert f"{said['lap_time_s']:.3f} s" in printed
    assert "from the start line at station 40 m" in printed

    rows = [line for line in (tmp_path / "lap" / "reference_lap.csv").open() if not line.startswith("#")]
    table = np.genfromtxt(rows, delimiter=",", names=True, dtype=None, encoding="utf-8")
    solved = driven_from(track, table)
    recording = recorded(solved, tmp_path / "runs.csv")
    command = ["review", str(recording), "--track", str(tmp_path / "road.geojson"), "--kart", "senior-single-speed"]
    assert run([*command, "--out", str(tmp_path / "review")]) == 0
    review = json.loads((tmp_path / "review" / "review.json").read_text(encoding="utf-8"))
    assert review["reference_lap_time_s"] == pytest.approx(said["lap_time_s"], abs=1e-6)
    assert review["laps"][0]["lap_time_s"]["value"] == pytest.approx(said["lap_time_s"] / PACE, abs=0.01)
    assert "outside the timing lines, not reviewed: corner 4" in json.dumps(review, ensure_ascii=False)


def driven_from(track: Track, table: np.ndarray) -> Lap:
    """The lap that was written, as far as it is needed to drive it."""
    plain = speed_profile(reference_line(track), KART)
    at = np.linspace(0.0, 1.0, table.size)
    grid = np.linspace(0.0, 1.0, plain.t.size)
    x, y, t, v = (np.interp(grid, at, table[name]) for name in ("x_m", "y_m", "t_s", "v_mps"))
    return replace(plain, line=replace(plain.line, x=x, y=y), t=t, v=v)


def test_a_road_without_a_timed_corner_is_not_reviewed(lap):
    with pytest.raises(InputError, match="no corner lies between the timing lines"):
        review_session(road(190.0, 230.0), KART, (), lap)


def test_what_lies_before_the_start_line_is_not_counted_from_it(track, lap):
    """The sheet walks from the road's beginning to its start line, and on from there."""
    corners = sheet_corners(track, lap, KART)
    kinds = ("brake", "turn_in", "apex", "track_out")
    marks = [mark for corner in corners for kind in kinds if (mark := getattr(corner, kind)) is not None]
    for mark in marks:
        if mark.station < track.start_station:
            assert mark.after != "start line"
    first = min(marks, key=lambda mark: mark.station)
    assert first.station < track.start_station
    assert mark_words(first, METRIC)[0].endswith("road's start")
    begin = float(np.interp(first.station, lap.line.s, lap.line.distance))
    assert first.since == pytest.approx(begin)
    assert sum(mark.after == "start line" for mark in marks) == 1


def test_a_ranking_is_told_only_where_the_costs_differ_as_shown(track, lap):
    corners = [replace(corner, cost=0.041 + 0.001 * k) for k, corner in enumerate(sheet_corners(track, lap, KART))]
    assert "the same in every corner (0.04" in time_words(track, corners, METRIC)[0]
    corners[0] = replace(corners[0], cost=0.06)
    assert "costs most in corners 1 (0.06" in time_words(track, corners, METRIC)[0]
