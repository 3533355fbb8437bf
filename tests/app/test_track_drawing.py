"""Drawings: the same track as the file they become, every fault with its place, nothing saved that is not sound."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from linelab.app.library import Library, StaleError
from linelab.app.tasks.drawn.track_cards import list_tracks
from linelab.app.tasks.drawn.track_drawing import check_drawing, drawing_of, open_track, save_drawing, track_text
from linelab.errors import InputError
from linelab.files.bundled import bundled_tracks
from linelab.files.tracks.track_file import load_track


def silent(_: str) -> None:
    """Steps are for people."""


def circle(radius: float, count: int = 48) -> list[list[float]]:
    """An anticlockwise circle about the origin [m]."""
    turn = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    return np.column_stack([1.6 * radius * np.cos(turn), radius * np.sin(turn)]).tolist()  # type: ignore[no-any-return]


def drawing(**changes: Any) -> dict[str, Any]:
    """A sound drawing of an oval, 8 m wide or more, driven anticlockwise."""
    shapes = [
        {"id": "s1", "role": "left_edge", "points": circle(30.0), "ring": True, "properties": {}},
        {"id": "s2", "role": "right_edge", "points": circle(38.0), "ring": True, "properties": {}},
        {"id": "s3", "role": "start_line", "points": [[0.0, -29.5], [0.0, -38.5]], "ring": False, "properties": {}},
    ]
    known = {"name": "Oval", "closed": True, "origin": [63.5, 51.25], "head": {}, "shapes": shapes}
    return {**known, "picture": None, "laps": None, "saved_as": "", **changes}


def shape(number: int, role: str, points: list[list[float]], ring: bool = False, **properties: Any) -> dict[str, Any]:
    return {"id": f"s{number}", "role": role, "points": points, "ring": ring, "properties": properties}


@pytest.fixture
def library(tmp_path: Path) -> Library:
    found = Library(tmp_path / "library")
    found.prepare()
    return found


def kept(library: Library, name: str, value: dict[str, Any]) -> str:
    return library.save("drawing", name, json.dumps(value)).revision


@pytest.mark.parametrize("name", [*bundled_tracks()])
def test_a_bundled_track_is_saved_as_a_copy_of_the_same_track(library: Library, name: str) -> None:
    made = open_track(library.folder, {"track": name}, silent)["name"]
    assert made != name
    revision = library.read("drawing", made).revision
    save_drawing(library.folder, {"name": made, "revision": revision}, silent)
    before, after = load_track(name), load_track(library.path("track", made))
    assert np.allclose(after.left_edge, before.left_edge, atol=3e-4)
    assert np.allclose(after.right_edge, before.right_edge, atol=3e-4)
    assert after.survey == before.survey
    assert after.length == pytest.approx(before.length, abs=0.01)
    assert [c.label for c in after.corners] == [c.label for c in before.corners]
    for one, other in zip(after.kerbs, before.kerbs, strict=True):
        assert (one.side, one.width, one.grip, one.name) == (other.side, other.width, other.grip, other.name)
        assert (one.s_start, one.s_end) == pytest.approx((other.s_start, other.s_end), abs=0.05)
    assert len(after.grip_zones) == len(before.grip_zones)
    assert (after.groove is None) == (before.groove is None)


def test_elevations_and_unknown_properties_survive(library: Library) -> None:
    heights = [[x, y, 100.0 + 0.01 * x] for x, y in circle(30.0)], [[x, y, 100.0 + 0.01 * x] for x, y in circle(38.0)]
    value = drawing(head={"survey": "surveyed", "survey_note": "walked", "survey_sigma_m": 0.2})
    value["shapes"][0]["points"], value["shapes"][1]["points"] = heights
    path = library.folder / "tracks" / "hill.geojson"
    path.write_text(track_text(value), encoding="utf-8")
    again = drawing_of(path)
    assert again["head"]["survey_note"] == "walked"
    assert np.allclose(again["shapes"][0]["points"], heights[0], atol=2e-4)
    assert load_track(path).slope.max() > 0.005
    assert load_track(path).survey.uncertainty == 0.2


def test_a_sound_drawing_has_facts_and_places() -> None:
    found = check_drawing(Path(), {"drawing": drawing()}, silent)
    assert (found["state"], found["faults"], found["todo"]) == ("valid", [], [])
    # The oval's middle is an ellipse with half axes of 54.4 and 34 m: its girth by Ramanujan's second formula.
    a, b = 54.4, 34.0
    h = ((a - b) / (a + b)) ** 2
    girth = np.pi * (a + b) * (1.0 + 3.0 * h / (10.0 + np.sqrt(4.0 - 3.0 * h)))
    assert float(found["length"].split()[0]) == pytest.approx(girth, rel=0.01)
    assert found["direction"] == "anticlockwise"
    assert found["narrowest"]["text"] == found["width"][0] == "8.0 m"
    assert abs(found["narrowest"]["place"][0]) < 15.0  # above or below the middle
    reference = np.array(found["reference"])
    assert ((reference[:, 0] / 48.0) ** 2 + (reference[:, 1] / 30.0) ** 2 > 0.98).all()
    assert ((reference[:, 0] / 60.8) ** 2 + (reference[:, 1] / 38.0) ** 2 < 1.02).all()
    in_feet = check_drawing(Path(), {"drawing": drawing(), "units": "imperial"}, silent)
    assert float(in_feet["length"].split()[0]) == pytest.approx(girth / 0.3048, rel=0.01)


def test_every_fault_is_found_at_once_with_its_place() -> None:
    value = drawing()
    value["shapes"] += [
        shape(4, "kerb", [[0.0, 0.0], [3.0, 0.0]], width_m=0.6, name="lost"),
        shape(5, "kerb", [[0.0, -30.0], [4.0, -29.9]], width_m=9.0),
        shape(6, "grip_zone", [[0.0, 31.0], [4.0, 31.0], [4.0, 36.0]], True, factor=7.0),
        shape(7, "kerb", [[0.0, 30.0], [-4.0, 29.9]], width_m=0.5),
    ]
    found = check_drawing(Path(), {"drawing": value}, silent)
    assert found["state"] == "faulty"
    faults = {fault["shape"]: fault for fault in found["faults"]}
    assert set(faults) == {"s4", "s5", "s6"}
    assert faults["s4"]["where"] == "kerb lost"
    assert faults["s4"]["place"] == pytest.approx([1.5, 0.0])
    assert "geojson" not in json.dumps(found)
    assert "feature" not in json.dumps(found["faults"])
    assert found["reference"]  # what is sound is shown all the same


def test_a_start_line_off_the_road_hides_nothing() -> None:
    value = drawing()
    value["shapes"][2]["points"] = [[0.0, 0.0], [0.0, 5.0]]
    found = check_drawing(Path(), {"drawing": value}, silent)
    assert [fault["shape"] for fault in found["faults"]] == ["s3"]
    assert found["faults"][0]["place"] == pytest.approx([0.0, 2.5])
    assert found["corners"]


@pytest.mark.parametrize(
    ("moved", "place", "within"),
    [
        ((0.0, 12.0), (0.0, -38.0), 13.0),  # a point of the right edge pulled across the left one
        ((0.0, 6.9), (0.0, -31.1), 2.0),  # or nearly: the road is too narrow there
    ],
)
def test_a_fault_of_the_edges_shows_where_it_is(
    moved: tuple[float, float], place: tuple[float, float], within: float
) -> None:
    value = drawing()
    points = value["shapes"][1]["points"]
    lowest = int(np.argmin([y for _, y in points]))
    points[lowest] = [points[lowest][0] + moved[0], points[lowest][1] + moved[1]]
    found = check_drawing(Path(), {"drawing": value}, silent)
    assert found["state"] == "faulty"
    (fault,) = found["faults"]
    assert np.hypot(*np.subtract(fault["place"], place)) < within


def test_what_is_missing_is_said_before_any_fault() -> None:
    value = drawing(picture={"placed": False})
    value["shapes"] = [shape(1, "left_edge", circle(30.0))]
    found = check_drawing(Path(), {"drawing": value}, silent)
    assert found["state"] == "unfinished"
    text = " ".join(found["todo"])
    assert "Place the picture" in text
    assert "Close the left edge" in text
    assert "Draw the right edge" in text


def test_unsound_drawings_are_not_saved(library: Library) -> None:
    value = drawing()
    value["shapes"].append(shape(4, "kerb", [[0.0, 0.0], [3.0, 0.0]], width_m=0.6))
    with pytest.raises(InputError, match="within"):
        save_drawing(library.folder, {"name": "oval", "revision": kept(library, "oval", value)}, silent)
    assert "oval" not in library.names("track")


def test_a_track_changed_elsewhere_is_not_overwritten(library: Library) -> None:
    revision = kept(library, "oval", drawing())
    first = save_drawing(library.folder, {"name": "oval", "revision": revision}, silent)
    path = library.path("track", "oval")
    path.write_text(path.read_text().replace("Oval", "Oval of somebody else"))
    with pytest.raises(StaleError):
        save_drawing(library.folder, {"name": "oval", "revision": first["revision"]}, silent)
    with pytest.raises(StaleError):  # and a drawing that another window changed is not saved either
        save_drawing(library.folder, {"name": "oval", "revision": revision}, silent)
    assert "somebody else" in path.read_text()


@pytest.mark.parametrize(
    ("under", "survey"),
    [
        ({"picture": {"placed": True, "pixel": 0.21}}, "surveyed"),
        ({"laps": {"session": "one", "shift": [0.0, 0.0]}}, "estimated"),
        ({}, "estimated"),
        ({"head": {"survey": "surveyed"}}, "surveyed"),
    ],
)
def test_only_a_picture_makes_a_survey(library: Library, under: dict[str, Any], survey: str) -> None:
    save_drawing(library.folder, {"name": "oval", "revision": kept(library, "oval", drawing(**under))}, silent)
    track = load_track(library.path("track", "oval"))
    assert track.survey.kind == survey
    if survey == "estimated":  # so that reviews know how far a line may be off
        assert track.survey.assumed_width == pytest.approx(float(np.median(track.width)), abs=0.06)


def test_a_plan_in_metres_has_no_place_on_earth(library: Library) -> None:
    save_drawing(library.folder, {"name": "hall", "revision": kept(library, "hall", drawing(origin=None))}, silent)
    assert not load_track(library.path("track", "hall")).georeferenced


def test_the_list_shows_tracks_drawings_and_broken_files(library: Library) -> None:
    revision = kept(library, "oval", drawing())
    kept(library, "begun", drawing(name="Begun", shapes=[shape(1, "left_edge", circle(20.0)[:9])]))
    save_drawing(library.folder, {"name": "oval", "revision": revision}, silent)
    (library.folder / "tracks" / "broken.geojson").write_text("{")
    cards = {card["name"]: card for card in list_tracks(library.folder, {}, silent)}
    assert set(cards) == {"oval", "begun", "broken", *bundled_tracks()}
    assert cards["oval"]["drawn"]
    assert not cards["oval"]["bundled"]
    assert cards["oval"]["outline"][0].startswith("M")
    assert cards["begun"]["unfinished"]
    assert "JSON" in cards["broken"]["fault"]
    assert str(library.folder) not in json.dumps(cards)
    for name in bundled_tracks():
        assert cards[name]["corners"] == len(load_track(name).corners)


def test_no_drawing_of_nonsense() -> None:
    for nonsense in (
        {},
        {"shapes": 3},
        drawing(origin=["a"]),
        drawing(shapes=[shape(1, "robot", [])]),
        drawing(closed=1),
    ):
        with pytest.raises(InputError):
            check_drawing(Path(), {"drawing": nonsense}, silent)
    value = drawing()
    value["shapes"][0]["points"][3] = [float("nan"), 0.0]
    with pytest.raises(InputError):
        check_drawing(Path(), {"drawing": value}, silent)
