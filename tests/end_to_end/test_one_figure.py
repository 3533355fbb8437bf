"""One figure for one thing: whatever tells a corner's time, its parts or a mark tells the same."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from shared import demo_review, solved

from linelab.coaching.compare import compare
from linelab.coaching.driven_marks import all_figures
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.marks import find_marks, minimum_rooms
from linelab.diagnosis.stretches import corner_stretches
from linelab.files.bundled import bundled_tracks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.timed import time_at
from linelab.motion.estimate import without_uncertainty
from linelab.output.display import METRIC
from linelab.output.page.corner_rows import corner_parts
from linelab.output.reference_report import reference_data

MARKS = ("brake_point_m", "turn_in_m", "min_speed_mps", "drive_point_m", "exit_speed_mps")


@pytest.fixture(scope="module")
def result():
    return demo_review()


@pytest.fixture(scope="module")
def written(demo_folder):
    kept = json.loads((demo_folder / "review.json").read_text(encoding="utf-8"))
    text = (demo_folder / "corners.csv").read_text(encoding="utf-8")
    return kept, list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def in_stretch(lap, stretch):
    """Time of a lap from a stretch's start to its end, over the start line where it lies in it [s]."""
    start, end = time_at(lap.line.s, lap.t, np.array([stretch.s_start, stretch.s_end]))
    return end - start + (lap.lap_time if stretch.s_end < stretch.s_start else 0.0)


def test_a_corners_lost_time_is_that_of_its_stretch_of_the_track_everywhere(result, written):
    """By the track's own stretches, in the review, the page, the JSON and the table: over all laps and corners."""
    session, (kept, table) = result, written
    stretches = corner_stretches(session.track)
    parts = corner_parts(session, METRIC)
    rows = iter(table)
    for lap, saved in zip(session.laps, kept["laps"]):
        driven = lap.comparison.driven.lap
        for k, (corner, stretch) in enumerate(zip(lap.corners, stretches)):
            lost = in_stretch(driven, stretch) - in_stretch(session.target.lap, stretch)
            assert corner.corner.number == stretch.corner
            assert corner.time_lost.value == pytest.approx(lost, abs=1e-9)
            assert saved["corners"][k]["time_lost_s"]["value"] == pytest.approx(lost, abs=1e-6)
            row = next(rows)
            assert float(row["time_lost_s"]) == pytest.approx(lost, rel=1e-6, abs=1e-7)
            shown = float(parts[k].losses[session.laps.index(lap)].lost.split()[0].replace("−", "-"))
            assert shown == pytest.approx(lost, abs=0.0101)  # rounded so that corners add up to the lap
    assert len(table) == len(session.laps) * len(stretches) == 144


def test_compare_tells_what_the_review_tells(result):
    session = result
    lap = session.laps[session.best]
    alone = compare(session.track, session.target.lap, lap.comparison.driven, session.kart)
    assert alone.lap_gap == lap.gap
    for one, same in zip(alone.corners, lap.corners):
        assert one.time_lost == same.time_lost
        assert one.phases == same.phases
        for name, mark in one.marks.named().items():
            figure, other = mark.driven, same.marks.named()[name].driven
            if figure.known and other.known:
                assert figure.value == pytest.approx(other.value, abs=1e-6), name
                assert mark.reference == pytest.approx(same.marks.named()[name].reference, abs=1e-6), name


def test_corner_times_of_the_ideal_lap_are_the_references(result):
    """reference_lap.json and the review cut the lap at the same places."""
    session, solution = result, result.solution
    saved = reference_data(session.track, session.kart, solution)["corners"]
    for corner, stretch, row in zip(session.laps[0].corners, corner_stretches(session.track), saved):
        assert row["number"] == corner.corner.number
        assert row["time_s"] == pytest.approx(in_stretch(session.target.lap, stretch), abs=1e-9)


def test_marks_in_the_table_are_those_of_the_review(result, written):
    _, table = written
    rows = iter(table)
    for lap in result.laps:
        for corner in lap.corners:
            row, marks = next(rows), corner.marks.named()
            for key in MARKS:
                figure = marks[key.rsplit("_", 1)[0]].driven
                told = float(row[key]) if row[key] else None
                assert told == (None if figure.value is None else pytest.approx(figure.value, rel=1e-6)), key


def test_causes_add_up_to_the_speed_loss_and_the_cards_are_among_them(result):
    session = result
    for lap in session.laps:
        for corner in lap.corners:
            assert sum(part.value for _, part in corner.causes) == pytest.approx(corner.speed_loss.value, abs=1e-9)
            assert corner.line_loss.value + corner.speed_loss.value == pytest.approx(corner.time_lost.value, abs=1e-9)
    # What no cause explains is small beside what is lost.
    rest = np.array([dict(corner.causes)["rest"].value for lap in session.laps for corner in lap.corners])
    lost = np.array([corner.speed_loss.value for lap in session.laps for corner in lap.corners])
    assert np.sqrt(np.mean(rest**2)) < 0.3 * np.sqrt(np.mean(lost**2))


#: How far a mark of the computed lap may move by the receiver's rounding of it: place [m], speed [m/s].
ROUNDED_PLACE, ROUNDED_SPEED = 2.5, 0.5


def test_the_reference_laps_marks_are_found_alike_with_and_without_the_receivers_rounding(result):
    """The sheet and reference_lap.json tell the lap's own marks, the review those of the lap as the receiver shows it:
    one definition, so they differ by the rounding alone."""
    session, solution = result, result.solution
    saved = reference_data(session.track, session.kart, solution)["corners"]
    compared = 0
    for corner, row in zip(session.laps[0].corners, saved):
        marks = corner.marks.named()
        for name, key in (("brake_point", "brake_point_m"), ("turn_in", "turn_in_m"), ("drive_point", "drive_point_m")):
            place, shown = row[key], marks[name].reference
            if place is not None and shown is not None:
                off = (shown - place + 0.5 * session.track.length) % session.track.length - 0.5 * session.track.length
                assert abs(off) < ROUNDED_PLACE, (row["number"], name, off)
                compared += 1
        if marks["min_speed"].reference is not None:
            assert row["minimum_speed_mps"] == pytest.approx(marks["min_speed"].reference, abs=ROUNDED_SPEED)
            compared += 1
    assert compared > 20


@pytest.mark.parametrize("name", ["marrowdown_club", "ostrelle_sprint", "tinmarsh_rental"])
def test_one_definition_of_marks(name):
    """Frames of a lap and the marks that laps are compared by agree where both read the same exact lap."""
    track = load_track(bundled_tracks()[name])
    driven = "rental-four-stroke" if name == "tinmarsh_rental" else "junior-single-speed"
    kart, lap = load_kart(driven), solved(name, driven).lap
    frames = find_marks(track, lap, kart)
    sheet = session_sheet(track, kart, [without_uncertainty(lap)])
    found = all_figures(sheet, computed_rows(sheet, [lap]), frames, minimum_rooms(track, frames), foot_time=0.0)
    for k, mark in enumerate(frames):
        slowest = mark.minimum_speed % track.length if track.closed else mark.minimum_speed
        assert found["min_speed"][0, k] == pytest.approx(np.interp(slowest, lap.line.s, lap.v), abs=0.25)
        for place, figure in (
            (mark.brake_point if mark.brakes else np.nan, found["brake_point"]),
            (mark.drive_point if mark.minimum_speed > mark.turn_in else np.nan, found["drive_point"]),
            (mark.turn_in, found["turn_in"]),
        ):
            if np.isfinite(place) and np.isfinite(figure[0, k]):
                assert figure[0, k] == pytest.approx(place, abs=0.75), mark.corner.number
