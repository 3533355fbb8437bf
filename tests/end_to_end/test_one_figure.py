"""One figure for one thing: whatever tells a corner's time, its parts or a mark tells the same."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from shared import demo_review, solved

import linelab
from linelab.coaching.coach_words import MARK_KEYS, MARKS
from linelab.coaching.compare import compare
from linelab.coaching.driven_marks import all_figures
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.marks import find_marks, minimum_rooms
from linelab.diagnosis.stretches import corner_stretches
from linelab.files.bundled import bundled_tracks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.measured import Apart
from linelab.model.timed import time_at
from linelab.motion.estimate import without_uncertainty
from linelab.output.display import IMPERIAL, METRIC, evidence_text, with_unit
from linelab.output.page.corner_rows import corner_parts, corner_rows
from linelab.output.reference_report import reference_data
from linelab.output.review_report import save_review

TABLED = ("brake_point_m", "turn_in_m", "min_speed_mps", "drive_point_m", "exit_speed_mps")


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
            for key in TABLED:
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


def number(text):
    """The figure that a cell begins with; nan where it is withheld or not clear."""
    first = text.split()[0].replace("−", "-") if text else ""
    return float(first) if first.lstrip("+-").replace(".", "").isdigit() else np.nan


@pytest.fixture(scope="module", params=["surveyed", "unsurveyed"])
def told(request, small_session, tmp_path_factory):
    """A session, and what its review.json and corners.csv hold."""
    session = demo_review() if request.param == "surveyed" else linelab.review(small_session, "rental-four-stroke")
    folder = tmp_path_factory.mktemp("told") / "review"
    save_review(session, folder)
    kept = json.loads((folder / "review.json").read_text(encoding="utf-8"))
    text = (folder / "corners.csv").read_text(encoding="utf-8")
    return session, kept, list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


@pytest.mark.parametrize("units", [METRIC, IMPERIAL], ids=lambda units: units.name)
def test_a_corners_block_adds_up_and_is_the_table_and_the_files(told, units):
    """Of every mark: the difference shown is that of the figures shown, the files hold the same, and so does the table
    of all corners."""
    session, kept, table = told
    parts, differences = corner_parts(session, units), 0
    cells = corner_rows(session, parts, units)
    for k, part in enumerate(parts):
        rows = {row.title: row for row in part.rows}
        for lap, review in enumerate(session.laps):
            row = table[lap * len(parts) + k]
            saved = kept["laps"][lap]["corners"][k]["marks"]
            assert row["lap"] == review.label
            for name, key in MARK_KEYS.items():
                if MARKS[name].name not in rows:
                    continue
                shown = rows[MARKS[name].name]
                mark = review.corners[k].marks.named()[name]
                assert (saved[key]["driven"]["value"] is None) == (mark.driven.value is None) == (row[key] == "")
                if MARKS[name].quantity == "place" or np.isnan(number(shown.apart[lap])):
                    continue
                left, right = (number(cell[lap]) for cell in (shown.driven, shown.target))
                assert number(shown.apart[lap]) == pytest.approx(left - right, abs=1e-9), (part.label, name)
                size = units.speed if MARKS[name].quantity == "speed" else None
                if size:
                    assert left == pytest.approx(float(row[key]) / size, abs=0.0501)
                    differences += 1
            if "minimum speed" in rows:
                shown = rows["minimum speed"]
                assert number(cells[k].cells[7][lap]) == number(shown.driven[lap])
                if not np.isnan(number(shown.apart[lap])):
                    assert number(cells[k].cells[8][lap]) == number(shown.apart[lap])
            if "apex miss" in rows and not np.isnan(number(cells[k].cells[9][lap])):
                assert number(cells[k].cells[9][lap]) == number(rows["apex miss"].driven[lap])
    assert differences > 3


def test_the_usual_laps_column_is_the_median_of_the_table(told):
    session, kept, table = told
    usual = {lap["label"] for lap in kept["laps"] if not any("not one of the usual" in note for note in lap["notes"])}
    seen = 0
    for k, part in enumerate(corner_parts(session, METRIC)):
        mine = [row for row in table[k :: len(session.reference_marks)] if row["lap"] in usual]
        for row in part.rows:
            name = row.name
            key = MARK_KEYS[name]
            if MARKS[name].quantity not in ("time", "number") or np.isnan(number(row.usual)):
                continue
            known = [float(line[key]) for line in mine if line[key]]
            median = np.median(known) - float(mine[0][f"{key}_reference"])
            assert number(row.usual) == pytest.approx(median, abs=0.0101), (part.label, name)
            seen += 1
    assert seen


@pytest.mark.parametrize("units", [METRIC, IMPERIAL], ids=lambda units: units.name)
def test_a_card_and_its_corners_block_say_one_figure(told, units):
    """Whatever mark a card speaks of stands in the block of its corner under "usually", to the same digit."""
    session, kept, _ = told
    parts = {part.number: part for part in corner_parts(session, units)}
    found = 0
    for card, saved in zip(session.priorities, kept["priorities"], strict=True):
        for line, text in zip(card.evidence, saved["evidence"]):
            if units is METRIC:
                assert text == evidence_text(line, units)
            for figure, quantity in line.figures:
                if isinstance(figure, Apart):
                    words = with_unit(figure, quantity, units)
                    block = [row.usual.lstrip("+−-") for row in parts[card.corners[0]].rows]
                    assert any(cell.startswith(words) for cell in block), (card.title, words, block)
                    assert words in evidence_text(line, units)
                    found += 1
    assert found or session.track.survey.estimated  # without edges a card speaks of passes and of the driver model


def test_figures_of_the_driver_model_are_not_named_like_marks(told):
    """A habit's size is what the driver's own line does without: no mark has that, and no sentence calls it one."""
    for card in told[0].priorities:
        for line in card.evidence:
            if any(not isinstance(figure, Apart) for figure, quantity in line.figures if quantity != "time"):
                assert "own line" in line.text or "explains" in line.text or "less than usual" in line.text, line.text
