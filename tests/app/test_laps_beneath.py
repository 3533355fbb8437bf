"""Laps under a drawing: in its plane, broken where the kart stood, and shifted between the edges."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from widely import widely

from linelab.app.library import FRESH, Library
from linelab.app.tasks.drawn.laps_beneath import driven_lines, fit_laps, laps_beneath
from linelab.app.tasks.drawn.track_drawing import drawing_of
from linelab.errors import InputError
from linelab.files.bundled import DEMO_RECORDING, DEMO_TRACK, bundled_recordings, bundled_tracks
from linelab.files.projection import LocalPlane, to_plane
from linelab.files.recordings.load_recording import load_recording


def silent(_: str) -> None:
    """Steps are for people."""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    folder = tmp_path_factory.mktemp("library")
    found = Library(folder)
    found.prepare()
    source = bundled_recordings()[DEMO_RECORDING]
    copy = folder / "copy.csv"
    shutil.copyfile(source, copy)
    found.new_session("demo", dict(FRESH), [(copy, source.name)])
    metres = folder / "metres.csv"
    recording = load_recording(source)
    assert recording.lon is not None
    x, y = to_plane(
        LocalPlane(origin_lon=float(recording.lon[0]), origin_lat=float(recording.lat[0])), recording.lon, recording.lat
    )  # type: ignore[index, arg-type]
    rows = "\n".join(f"{t:.3f},{a:.3f},{b:.3f}" for t, a, b in zip(recording.t, x, y))
    metres.write_text(f"time_s,x_m,y_m\n{rows}\n")
    found.new_session("metres", dict(FRESH), [(metres, "metres.csv")])
    return found


def test_laps_lie_on_the_track_they_were_driven_on(library: Library) -> None:
    drawing = drawing_of(bundled_tracks()[DEMO_TRACK])
    found = laps_beneath(library.folder, {"session": "demo", "origin": drawing["origin"], "empty": False}, silent)
    assert found["origin"] == drawing["origin"]
    points = np.vstack([np.array(line) for line in found["lines"]])
    edges = np.vstack([np.array(shape["points"])[:, :2] for shape in drawing["shapes"] if "edge" in shape["role"]])
    assert (points.min(axis=0) > edges.min(axis=0) - 40.0).all()
    assert (points.max(axis=0) < edges.max(axis=0) + 40.0).all()
    assert 1000 < len(points) <= 9000


def test_an_empty_drawing_takes_its_plane_from_the_laps(library: Library) -> None:
    found = laps_beneath(library.folder, {"session": "demo", "origin": None, "empty": True}, silent)
    points = np.vstack([np.array(line) for line in found["lines"]])
    assert np.hypot(*np.median(points, axis=0)) < 400.0
    assert found["origin"] == [round(value, 6) for value in found["origin"]]


@pytest.mark.parametrize(
    ("session", "origin", "empty", "word"),
    [
        ("demo", None, False, "no place on Earth"),
        ("demo", [10.0, 5.0], False, "km from the drawing"),
        ("metres", [63.5, 51.25], False, "local metres"),
    ],
)
def test_laps_of_another_kind_of_place(
    library: Library, session: str, origin: list[float] | None, empty: bool, word: str
) -> None:
    with pytest.raises(InputError, match=word):
        laps_beneath(library.folder, {"session": session, "origin": origin, "empty": empty}, silent)


def test_local_metres_go_on_a_plan(library: Library) -> None:
    found = laps_beneath(library.folder, {"session": "metres", "origin": None, "empty": False}, silent)
    assert found["origin"] is None
    assert sum(map(len, found["lines"])) > 1000


def test_lines_are_broken_where_the_kart_stood_or_the_recording_paused() -> None:
    t = np.concatenate([np.arange(0.0, 10.0, 0.1), np.arange(20.0, 30.0, 0.1)])
    x = np.concatenate([10.0 * np.arange(0.0, 5.0, 0.1), np.full(50, 49.0), 300.0 + 10.0 * np.arange(0.0, 10.0, 0.1)])
    lines = driven_lines(t, x, np.zeros_like(x))
    assert [line[0][0] for line in lines] == [0.0, 300.0]
    assert lines[0][-1][0] == pytest.approx(49.0, abs=1.0)
    assert max(np.diff([point[0] for point in lines[1]])) <= 2.0
    assert min(np.diff([point[0] for point in lines[1]])) >= 0.99


@pytest.mark.parametrize("off", widely([(2.4, -1.3), (-5.5, 3.0), (0.0, 0.0)], [(2.4, -1.3)]))
def test_a_fit_takes_back_a_known_shift(library: Library, off: tuple[float, float]) -> None:
    """The demo's laps, wherever they are shifted to, come back to the same place between the edges."""
    drawing = drawing_of(bundled_tracks()[DEMO_TRACK])
    found = laps_beneath(library.folder, {"session": "demo", "origin": drawing["origin"], "empty": False}, silent)
    points = np.vstack([np.array(line) for line in found["lines"]])
    unmoved = fit_laps(library.folder, {"drawing": drawing, "points": points.tolist(), "shift": [0.0, 0.0]}, silent)
    given = {"drawing": drawing, "points": (points + off).tolist(), "shift": [0.0, 0.0]}
    fitted = fit_laps(library.folder, given, silent)
    back = np.add(fitted["shift"], off)
    print(off, unmoved, fitted)
    assert np.hypot(*np.subtract(back, unmoved["shift"])) < 0.25
    assert fitted["after"] <= fitted["before"]
    assert fitted["after"] < 0.12


def test_a_fit_needs_finished_edges(library: Library) -> None:
    drawing = drawing_of(bundled_tracks()[DEMO_TRACK])
    drawing["shapes"] = drawing["shapes"][:1]
    with pytest.raises(InputError, match="not finished"):
        fit_laps(library.folder, {"drawing": drawing, "points": [[0, 0], [1, 1]], "shift": [0, 0]}, silent)
