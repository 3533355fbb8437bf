"""The walk through a lap and the sheet of the app against the library's computed lap and its track sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shared import solved

from linelab.app.library import Library
from linelab.app.tasks.walking import make_sheet, walk_through
from linelab.diagnosis.marks import find_marks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.engine import best_gear
from linelab.output.display import METRIC
from linelab.output.sheet.corner_facts import sheet_corners
from linelab.output.sheet.sheet_words import mark_words
from linelab.output.sheet.track_sheet import track_sheet
from linelab.study.scattering.margins import margin_lap

RENTAL: dict[str, Any] = {
    "track": "tinmarsh_rental", "kart": "rental-four-stroke", "units": "metric", "reverse": False, "begin": False,
}  # fmt: skip
SUBJECTS = [("marrowdown_club", "gearbox"), ("tinmarsh_rental", "rental-four-stroke")]


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("library")
    Library(folder).prepare()
    return folder


@pytest.fixture(scope="module", params=SUBJECTS, ids=lambda pair: pair[0])
def subject(request: pytest.FixtureRequest, library: Path) -> tuple[str, str, dict[str, Any]]:
    track, kart = request.param
    given = {"track": track, "kart": kart, "units": "metric", "reverse": False, "begin": False}
    return track, kart, walk_through(library, given, lambda text: None)


def test_the_kart_moves_as_the_computed_lap_does(subject: tuple[str, str, dict[str, Any]]) -> None:
    """Place, speed and gear at any moment, and the time from one place to another."""
    track, kart, walk = subject
    lap, engine = solved(track, kart).lap, load_kart(kart).engine
    clock = np.linspace(0.0, lap.lap_time, 10 * lap.t.size)
    road = [np.interp(clock, lap.t, values) for values in (lap.line.x, lap.line.y)]
    assert walk["t"][-1] == pytest.approx(lap.lap_time, abs=1e-3)
    assert np.diff(walk["t"]).max() <= walk["tick"] + 1e-9
    x, y = np.array(walk["x"]) / 100.0, -np.array(walk["y"]) / 100.0
    nearest = np.array([np.hypot(road[0] - a, road[1] - b).argmin() for a, b in zip(x, y)])
    assert np.hypot(road[0][nearest] - x, road[1][nearest] - y).max() < 0.06
    passed = np.mod(clock[nearest] - clock[nearest[0]], lap.lap_time)
    apart = np.mod(passed - walk["t"] + 1.0, lap.lap_time) - 1.0
    assert np.abs(apart[:-1]).max() < 0.01
    assert np.array(walk["v"]) == pytest.approx(3.6 * np.interp(clock[nearest], lap.t, lap.v), abs=0.2)
    if walk["gear"] is None:
        assert len(engine.ratios) == 1
    else:
        agree = np.array(walk["gear"]) == best_gear(engine, np.array(walk["v"]) / 3.6)
        assert agree.mean() > 0.98  # at a shift the shown speed is rounded


def test_marks_come_up_where_and_when_they_are_passed(subject: tuple[str, str, dict[str, Any]]) -> None:
    walk = subject[2]
    before = -1.0
    for corner in walk["corners"]:
        assert corner["begins"] == corner["marks"][0]["t"]
        assert corner["begins"] > before
        before = corner["begins"]
        times = [mark["t"] for mark in corner["marks"]]
        assert times == sorted(times)
        left, top, width, height = corner["box"]
        for mark in corner["marks"]:
            at = [float(np.interp(mark["t"], walk["t"], walk[name])) for name in ("x", "y")]
            assert np.hypot(mark["x"] - at[0], mark["y"] - at[1]) < 15.0  # centimetres
            assert np.interp(mark["t"], walk["t"], walk["v"]) == pytest.approx(float(mark["speed"].split()[0]), abs=1.5)
            assert left < mark["x"] < left + width
            assert top < mark["y"] < top + height
    kinds = {mark["kind"] for corner in walk["corners"] for mark in corner["marks"]}
    assert {"brake", "turn-in", "apex", "slowest", "drive", "track-out"} <= kinds


def test_marks_are_the_track_sheets(subject: tuple[str, str, dict[str, Any]]) -> None:
    """The same places in the same words as on paper."""
    track, kart, walk = subject
    ground, vehicle, lap = load_track(track), load_kart(kart), solved(track, kart).lap
    sheet = {corner.number: corner for corner in sheet_corners(ground, lap, vehicle)}
    found = {marks.corner.number: marks for marks in find_marks(ground, lap, vehicle)}
    assert [corner["number"] for corner in walk["corners"]] == list(sheet)
    for corner in walk["corners"]:
        paper, shown = sheet[corner["number"]], {mark["kind"]: mark for mark in corner["marks"]}
        assert ("brake" in shown) == (paper.brake is not None and paper.brake.name == "brake")
        assert ("brake" in shown) <= found[corner["number"]].brakes
        for text in mark_words(paper.turn_in, METRIC):
            assert text.lower() in shown["turn-in"]["where"].lower()
        assert corner["hand"] in shown["turn-in"]["do"]
        if paper.brake is None:
            assert corner["before"]
        if "slowest" in shown:
            assert shown["slowest"]["speed"] == METRIC.speed_text(paper.min_speed, 0)


def test_a_walk_begins_before_corner_1_and_after_all_other_marks(subject: tuple[str, str, dict[str, Any]]) -> None:
    walk = subject[2]
    assert 0.0 < walk["corners"][0]["begins"] <= 3.0
    last = max(mark["t"] for corner in walk["corners"] for mark in corner["marks"])
    assert last == walk["corners"][-1]["marks"][-1]["t"]


def test_caution_comes_first(subject: tuple[str, str, dict[str, Any]]) -> None:
    assert "Begin by braking far earlier" in subject[2]["caution"]


@pytest.mark.slow
def test_the_other_way_round_is_another_walk(library: Path) -> None:
    given = {
        "track": "tinmarsh_rental",
        "kart": "rental-four-stroke",
        "units": "imperial",
        "reverse": True,
        "begin": False,
    }
    walk = walk_through(library, given, lambda text: None)
    assert {corner["hand"] for corner in walk["corners"]} == {"left", "right"}
    assert walk["speed_unit"] == "mph"
    forwards = load_track("tinmarsh_rental").corners
    assert [corner["hand"] for corner in walk["corners"]] == [
        "right" if corner.left else "left" for corner in reversed(forwards)
    ]


@pytest.mark.slow
def test_the_sheet_is_the_librarys_and_is_kept(library: Path, tmp_path: Path) -> None:
    given = {
        "track": "tinmarsh_rental",
        "kart": "rental-four-stroke",
        "units": "metric",
        "reverse": False,
        "begin": False,
    }
    made = make_sheet(library, given | {"sheet": "tinmarsh_rental--rental-four-stroke"}, lambda text: None)
    folder = library / "sheets" / made["sheet"]
    expected = track_sheet(load_track(RENTAL["track"]), load_kart(RENTAL["kart"]), tmp_path / "walk")
    assert made["files"] == expected
    assert set(expected) <= {path.name for path in folder.iterdir()}
    for name in expected:
        if name.endswith(".png"):
            assert (folder / name).read_bytes() == (tmp_path / "walk" / name).read_bytes()


@pytest.mark.slow
def test_marks_to_begin_with_leave_room(library: Path) -> None:
    """The walk is along the library's line with room, slower than the perfect one, and says what comes later."""
    perfect, first = (walk_through(library, RENTAL | {"begin": begin}, lambda text: None) for begin in (False, True))
    track, kart = RENTAL["track"], RENTAL["kart"]
    careful = margin_lap(load_track(track), load_kart(kart), solution=solved(track, kart))
    assert first["t"][-1] == pytest.approx(careful.lap.lap_time, abs=2e-3)
    assert first["t"][-1] > perfect["t"][-1]
    assert "marks to begin with" in first["caution"]
    assert f"{careful.time_lost:.1f} s a lap" in first["notes"][0]
    later = [mark["later"] for corner in first["corners"] for mark in corner["marks"] if mark["later"]]
    assert len(later) > len(first["corners"])
    assert all(text.startswith("Later") for text in later)
    assert not [mark for corner in perfect["corners"] for mark in corner["marks"] if mark["later"]]
    slowest = [
        [min(float(mark["speed"].split()[0]) for mark in corner["marks"]) for corner in walk["corners"]]
        for walk in (perfect, first)
    ]
    assert np.mean(slowest[1]) < np.mean(slowest[0])
