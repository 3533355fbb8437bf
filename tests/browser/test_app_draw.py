"""A track drawn in the app with a real mouse and real keys, over a picture made here of an invented circuit."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from app_server import RunningApp, running_app
from PIL import Image, ImageDraw
from webdriver import Browser

from linelab.app.library import FRESH, Library
from linelab.files.bundled import DEMO_RECORDING, DEMO_TRACK, bundled_recordings
from linelab.files.projection import LocalPlane, to_lonlat, to_plane
from linelab.files.tracks.track_file import load_track
from linelab.geometry.frenet import near_stations
from linelab.model.drawing import thinned
from linelab.model.facts import track_facts
from linelab.model.track import Track
from linelab.units import Array

#: Size of a pixel of the picture [m], and ground about the track.
PIXEL, GROUND = 0.3, 15.0
#: The machine may be busy [s].
PATIENCE = 60.0


@dataclass(frozen=True)
class Above:
    """A picture from above of a track, and where its pixels lie."""

    path: Path
    track: Track
    west: float
    north: float
    size: tuple[int, int]

    def pixels(self, points: Array) -> Array:
        return np.column_stack([(points[:, 0] - self.west) / PIXEL, (self.north - points[:, 1]) / PIXEL])

    def degrees(self, pixel: tuple[float, float]) -> tuple[float, float]:
        plane = LocalPlane(origin_lon=self.track.origin[0], origin_lat=self.track.origin[1])
        lon, lat = to_lonlat(plane, self.west + PIXEL * pixel[0], self.north - PIXEL * pixel[1])
        return float(lon), float(lat)


def picture_of(track: Track, path: Path) -> Above:
    edges = [track.left_edge, track.right_edge]
    low, high = np.vstack(edges).min(axis=0) - GROUND, np.vstack(edges).max(axis=0) + GROUND
    wide, tall = ((high - low) / PIXEL).astype(int).tolist()
    above = Above(path, track, float(low[0]), float(high[1]), (wide, tall))
    image = Image.new("RGB", (wide, tall), (104, 124, 78))
    draw = ImageDraw.Draw(image)
    rings = sorted((above.pixels(edge) for edge in edges), key=lambda ring: -float(np.prod(np.ptp(ring, axis=0))))
    for ring, colour in zip(rings, ((96, 96, 98), (104, 124, 78))):
        draw.polygon([tuple(point) for point in ring.tolist()], fill=colour)
    for u, v in marks(above):  # two manhole covers, whose places somebody has measured
        draw.ellipse([u - 4, v - 4, u + 4, v + 4], fill=(230, 230, 230))
    image.save(path)
    return above


def marks(above: Above) -> list[tuple[int, int]]:
    return [(40, above.size[1] - 40), (above.size[0] - 50, 60)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("draw") / "library"


@pytest.fixture(scope="module")
def app(folder: Path) -> Iterator[RunningApp]:
    with running_app(folder) as running:
        yield running


def begin(browser: Browser, app: RunningApp, title: str) -> None:
    """From the list of tracks to an empty drawing."""
    browser.open(app.address)
    browser.open(f"{app.origin}/tracks")
    browser.fill("#title", title)
    browser.click("#new button")
    browser.wait(
        "return location.pathname.startsWith('/draw/') && document.querySelector('#tool-kerb')", seconds=PATIENCE
    )


def seen(browser: Browser, place: tuple[float, float]) -> tuple[float, float]:
    """Where a place of the drawing's plane [m] is in the view [pixels]."""
    script = """const board = document.getElementById('board').getScreenCTM();
    const at = new DOMPoint(arguments[0], -arguments[1]).matrixTransform(board);
    return [at.x, at.y]"""
    x, y = browser.run(script, *map(float, place))
    return x, y


def on_picture(browser: Browser, pixel: tuple[float, float]) -> tuple[float, float]:
    """Where a pixel of the picture is in the view."""
    script = """const image = document.querySelector('#board image').getScreenCTM();
    const at = new DOMPoint(arguments[0], arguments[1]).matrixTransform(image);
    return [at.x, at.y]"""
    x, y = browser.run(script, *map(float, pixel))
    return x, y


def bring_in(browser: Browser, pixel: tuple[float, float]) -> tuple[float, float]:
    """Move the view with the middle button until a pixel of the picture is well inside the board; where it is then."""
    box = browser.run("return document.getElementById('board').getBoundingClientRect().toJSON()")
    x, y = on_picture(browser, pixel)
    inside = box["x"] + 60 < x < box["right"] - 90 and max(box["y"], 0) + 60 < y < min(box["bottom"], 900) - 60
    if inside:
        return x, y
    middle = (box["x"] + box["width"] / 2, (max(box["y"], 0) + min(box["bottom"], 900)) / 2)
    for _ in range(8):
        step = (middle[0] - x, middle[1] - y)
        share = min(1.0, 0.45 * box["width"] / max(abs(step[0]), 1), 200 / max(abs(step[1]), 1))
        browser.stroke([middle, (middle[0] + share * step[0], middle[1] + share * step[1])], button=1)
        x, y = on_picture(browser, pixel)
        if share == 1.0:
            break
    return x, y


def place_picture(browser: Browser, above: Above) -> None:
    browser.fill("#picture-file", str(above.path))
    browser.wait("return document.querySelector('#pick-0') && document.querySelector('#board image')", seconds=PATIENCE)
    for k, pixel in enumerate(marks(above)):
        browser.click(f"#pick-{k}")
        browser.run("document.getElementById('board').scrollIntoView({block: 'center'})")
        browser.stroke([on_picture(browser, pixel)])
        for axis, value in enumerate(above.degrees(pixel)):
            browser.fill(f"#known-{k}-{axis}", f"{value:.8f}")
    browser.keys("Tab")
    browser.click("#place")
    browser.wait("return /A pixel is/.test(document.getElementById('picture').textContent)", seconds=PATIENCE)


def kept(app: RunningApp, name: str) -> dict[str, Any]:
    """The drawing as it is kept in the library now."""
    found: dict[str, Any] = json.loads(app.ask("GET", f"/api/drawings/{name}")[1])["drawing"]
    return found


def shapes(app: RunningApp, name: str, role: str) -> list[dict[str, Any]]:
    return [shape for shape in kept(app, name)["shapes"] if shape["role"] == role]


def wait_kept(browser: Browser) -> None:
    browser.wait("return /^Kept/.test(document.getElementById('kept').textContent)", seconds=PATIENCE)


def state(browser: Browser, begins: str) -> None:
    script = "return document.getElementById('state').textContent.startsWith(arguments[0])"
    try:
        browser.wait(script, begins, seconds=PATIENCE)
    except AssertionError:
        raise AssertionError(browser.run("return document.querySelector('.panel').innerText")) from None


def draw_edge(browser: Browser, above: Above, edge: Array) -> int:
    """Click along an edge of the picture and close it; gives the number of clicks."""
    pixels = above.pixels(np.vstack([edge, edge[:1]]))
    keep = thinned(*pixels.T, 0.15 / PIXEL)[:-1]
    for pixel in [*pixels[keep].tolist(), pixels[0].tolist()]:
        browser.stroke([bring_in(browser, tuple(pixel))])
    return len(keep) + 1


@pytest.mark.slow
def test_a_track_from_a_picture_to_a_lap(browser: Browser, app: RunningApp, folder: Path, tmp_path: Path) -> None:
    above = picture_of(load_track("ostrelle_sprint"), tmp_path / "above.png")
    begun = time.monotonic()
    begin(browser, app, "Drawn circuit")
    place_picture(browser, above)
    browser.run("document.getElementById('tools').scrollIntoView({block: 'start'})")
    browser.click("#tool-left_edge")
    for _ in range(4):
        browser.wheel(on_picture(browser, tuple(above.pixels(above.track.left_edge[:1])[0])), -100)
    clicks = draw_edge(browser, above, above.track.left_edge)
    assert browser.run("return document.getElementById('tool-right_edge').getAttribute('aria-pressed')") == "true"
    clicks += draw_edge(browser, above, above.track.right_edge)
    state(browser, "Sound.")
    start = above.pixels(np.array([[above.track.reference.x[0], above.track.reference.y[0]]]))[0]
    normal = np.array([-np.sin(above.track.reference.psi[0]), -np.cos(above.track.reference.psi[0])])
    bring_in(browser, tuple(start))
    for n in (above.track.w_left[0], -above.track.w_right[0]):
        browser.stroke([on_picture(browser, tuple(start + n / PIXEL * normal))])
    assert browser.run("return document.getElementById('tool-choose').getAttribute('aria-pressed')") == "true"
    # A kerb by two clicks on an edge, and a corner's name in the list.
    browser.click("#tool-kerb")
    for pixel in above.pixels(inside_of(above.track, 3)[[0, -1]]).tolist():
        browser.stroke([bring_in(browser, tuple(pixel))])
    state(browser, "Sound.")
    browser.fill("#answer tbody tr:nth-child(3) input", "Barn")
    browser.keys("Enter")
    state(browser, "Working")
    state(browser, "Sound.")
    wait_kept(browser)
    drawn = time.monotonic() - begun
    assert [
        len(shapes(app, "drawn-circuit", role)) for role in ("left_edge", "right_edge", "start_line", "kerb", "corner")
    ] == [1] * 5
    assert len(shapes(app, "drawn-circuit", "kerb")[0]["points"]) > 2  # it follows the edge
    # Undo and again, by keys.
    browser.run("document.getElementById('board').focus({preventScroll: true})")
    browser.held("Control", "z")
    wait_kept(browser)
    browser.wait("return !/Barn/.test(document.getElementById('board').textContent)", seconds=PATIENCE)
    browser.held("Control", "Shift", "z")
    browser.wait("return /Barn/.test(document.getElementById('board').textContent)", seconds=PATIENCE)
    state(browser, "Sound.")
    browser.click("#save")
    browser.wait("return /^Saved/.test(document.getElementById('saved').textContent)", seconds=PATIENCE)
    assert [one for one in browser.log("browser") if one["level"] == "SEVERE"] == []
    # The file is an ordinary one: the circuit of the picture, and the command line drives it.
    saved = folder / "tracks" / "drawn-circuit.geojson"
    track = load_track(saved)
    assert track.survey.kind == "surveyed"
    assert [corner.name for corner in track.corners][2] == "Barn"
    assert len(track.kerbs) == 1
    truth = track_facts(above.track)
    print(f"{clicks} clicks, {drawn:.0f} s from the list to a checked track with {len(track.corners)} corners")
    assert len(track.corners) == len(above.track.corners) >= 15
    assert track_facts(track).length == pytest.approx(truth.length, rel=0.003)
    off = off_edges(track, above.track)
    print(f"edges off by {off:.2f} m (root mean square)")
    assert off < 0.3
    laps = [reference_time(path, tmp_path / f"out-{k}") for k, path in enumerate((str(saved), "ostrelle_sprint"))]
    print(f"lap {laps[0]:.2f} s, on the pictured track {laps[1]:.2f} s")
    assert laps[0] == pytest.approx(laps[1], rel=0.01)


def inside_of(track: Track, number: int) -> Array:
    """The inside edge's vertices near a corner's apex (9, 2) [m]."""
    corner = track.corners[number - 1]
    k = int(np.argmin(np.abs(track.reference.s - corner.s_apex)))
    apex = np.array([track.reference.x[k], track.reference.y[k]])
    edge = track.left_edge if corner.left else track.right_edge
    middle = int(np.argmin(np.hypot(*(edge - apex).T)))
    return np.take(edge, range(middle - 4, middle + 5), axis=0, mode="wrap")


def off_edges(track: Track, truth: Track) -> float:
    """How far the edges drawn lie from the true ones, root mean square [m]; each in its own plane about one place."""
    moved = np.array([off_origin(track, truth)])
    line, offs = truth.reference, []
    for edge, sign, width in ((track.left_edge, 1.0, truth.w_left), (track.right_edge, -1.0, truth.w_right)):
        points = edge + moved
        nearest = [
            int(
                np.argmin(
                    np.hypot(line.x - sign * width * np.sin(line.psi) - x, line.y + sign * width * np.cos(line.psi) - y)
                )
            )
            for x, y in points
        ]
        s, n = near_stations(line, points[:, 0], points[:, 1], line.s[nearest])
        offs.append(n - sign * np.interp(np.mod(s, truth.length), line.s, width))
    return float(np.sqrt(np.mean(np.concatenate(offs) ** 2)))


def off_origin(track: Track, truth: Track) -> tuple[float, float]:
    plane = LocalPlane(origin_lon=truth.origin[0], origin_lat=truth.origin[1])
    x, y = to_plane(plane, track.origin[0], track.origin[1])
    return float(x), float(y)


def reference_time(track: str, out: Path) -> float:
    command = [
        sys.executable,
        "-m",
        "linelab",
        "reference",
        track,
        "rental-four-stroke",
        "--no-kerbs",
        "--out",
        str(out),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found: float = json.loads((out / "reference_lap.json").read_text())["lap_time_s"]
    return found


def started(browser: Browser, app: RunningApp, track: str = "tinmarsh_rental") -> str:
    """A drawing of a copy of a bundled track, opened; its name."""
    browser.open(app.address)
    browser.open(f"{app.origin}/tracks")
    browser.wait("return document.querySelectorAll('#cards li').length > 2", seconds=PATIENCE)
    title = load_track(track).name
    browser.run("document.querySelector(`button[aria-label='Draw on a copy: ${arguments[0]}']`).click()", title)
    browser.wait(
        "return location.pathname.startsWith('/draw/') && document.querySelector('#tool-kerb')", seconds=PATIENCE
    )
    state(browser, "Sound.")
    return str(browser.run("return location.pathname")).rsplit("/", 1)[-1]


@pytest.mark.slow
def test_a_point_moved_by_keys_alone_and_a_reload_that_loses_nothing(browser: Browser, app: RunningApp) -> None:
    name = started(browser, app)
    before = shapes(app, name, "left_edge")[0]["points"]
    order = [shape["role"] for shape in kept(app, name)["shapes"]]
    browser.run("document.getElementById('tool-choose').focus()")
    for _ in range(20):  # along the tools to the board
        if browser.run("return document.activeElement.id") == "board":
            break
        browser.keys("Tab")
    assert browser.run("return document.activeElement.id") == "board"
    steps = 1 + sum(len(shape["points"]) for shape in kept(app, name)["shapes"][: order.index("left_edge")])
    browser.keys(*["Tab"] * (steps + 2))
    assert "Left edge, point 3 of" in browser.run("return document.getElementById('spot').textContent")
    browser.keys("Right", "Right", "Up")
    browser.held("Shift", "Down")
    moved = np.subtract(before[2][:2], [-0.4, 1.8])
    # The page is left before the pause after which a drawing is kept.
    browser.open(f"{app.origin}/draw/{name}")
    browser.wait("return document.querySelector('#board .left_edge')", seconds=PATIENCE)
    after = shapes(app, name, "left_edge")[0]["points"]
    assert after[2][:2] == pytest.approx(moved.tolist(), abs=2e-3)
    assert [point for k, point in enumerate(after) if k != 2] == [point for k, point in enumerate(before) if k != 2]
    # Tab does not hold anybody on the board: Escape lets it leave.
    browser.run("document.getElementById('board').focus()")
    browser.keys("Tab", "Escape", "Tab")
    assert browser.run("return document.activeElement.id") != "board"
    assert [one for one in browser.log("browser") if one["level"] == "SEVERE"] == []


def test_a_line_drawn_by_keys_alone(browser: Browser, app: RunningApp) -> None:
    begin(browser, app, "By keys")
    browser.run("document.getElementById('tool-left_edge').focus()")
    browser.keys("Enter")
    browser.run("document.getElementById('board').focus()")
    browser.keys("Enter", *["Right"] * 9, "Enter", *["Down"] * 9, "Enter", *["Left"] * 9, "Enter")
    browser.keys(*["Up"] * 9, "Enter")  # back at the first point: closed
    wait_kept(browser)
    browser.wait(
        "return document.getElementById('tool-right_edge').getAttribute('aria-pressed') === 'true'", seconds=PATIENCE
    )
    (edge,) = shapes(app, "by-keys", "left_edge")
    assert edge["ring"]
    assert len(edge["points"]) == 4
    a, b, c, d = np.array(edge["points"])
    assert (b - a)[0] > 1.0
    assert (c - b)[1] < -1.0
    assert np.allclose(a - b, d - c)


@pytest.mark.slow
def test_what_is_wrong_shows_where_and_the_last_answer_stays(browser: Browser, app: RunningApp) -> None:
    name = started(browser, app)
    edge = shapes(app, name, "left_edge")[0]["points"]
    browser.run("document.getElementById('tools').scrollIntoView({block: 'start'})")
    x, y = seen(browser, tuple(edge[8][:2]))
    begun = time.monotonic()
    browser.stroke([(x, y), (x + 20, y + 20), (x + 80, y + 60)])
    assert browser.run("return document.querySelector('#board .reference') !== null")  # what was known is still shown
    assert browser.run("return document.querySelector('[data-layer=answer]').classList.contains('stale')")
    state(browser, "One thing is wrong:")
    print(f"from the drop of a point to the answer: {time.monotonic() - begun:.2f} s")
    assert browser.run("return document.querySelector('#board path.fault') !== null")
    assert browser.run("return document.getElementById('save').disabled")
    browser.click(".faults button")
    spot = browser.run("return document.getElementById('board').getBoundingClientRect().toJSON()")
    mark = browser.run("return document.querySelector('#board path.fault').getBoundingClientRect().toJSON()")
    assert mark["x"] + mark["width"] / 2 == pytest.approx(spot["x"] + spot["width"] / 2, abs=3)
    browser.click("#undo")
    state(browser, "Sound.")
    assert browser.run("return document.querySelector('#board path.fault') === null")
    wait_kept(browser)
    assert shapes(app, name, "left_edge")[0]["points"] == edge


@pytest.mark.slow
def test_corners_of_a_file_are_found_anew_when_asked_for(browser: Browser, app: RunningApp) -> None:
    name = started(browser, app, "ostrelle_sprint")
    assert {len(shape["points"]) for shape in shapes(app, name, "corner")} == {3}
    browser.fill("#answer tbody tr:nth-child(2) input", "Mill")
    browser.keys("Enter")
    browser.click("#about-panel summary")
    browser.run("[...document.querySelectorAll('#about button')].find((one) => /anew/.test(one.textContent)).click()")
    browser.wait("return !/anew/.test(document.getElementById('about').textContent)", seconds=PATIENCE)
    wait_kept(browser)
    assert [len(shape["points"]) for shape in shapes(app, name, "corner")] == [1]
    state(browser, "Sound.")
    browser.wait("return /Mill/.test(document.getElementById('board').textContent)", seconds=PATIENCE)


def test_two_windows_never_overwrite_each_other(browser: Browser, app: RunningApp) -> None:
    name = started(browser, app)
    found = json.loads(app.ask("GET", f"/api/drawings/{name}")[1])
    theirs = {**found["drawing"], "name": "Theirs"}
    body = json.dumps({"drawing": theirs, "revision": found["revision"]}).encode()
    assert app.ask("PUT", f"/api/drawings/{name}", body)[0] == 200
    browser.run(
        "const name = document.getElementById('name'); name.value = 'Mine'; name.dispatchEvent(new Event('change'))"
    )
    browser.wait("return !document.getElementById('changed').hidden", seconds=PATIENCE)
    assert kept(app, name)["name"] == "Theirs"
    browser.run("document.querySelectorAll('#changed button')[1].click()")  # keep mine under another name
    browser.wait("return !location.pathname.endsWith(arguments[0])", f"/{name}", seconds=PATIENCE)
    assert kept(app, name)["name"] == "Theirs"
    other = browser.run("return location.pathname").rsplit("/", 1)[-1]
    assert kept(app, other)["name"] == "Mine (copy)"


@pytest.mark.slow
def test_laps_beneath_are_fitted_and_the_drawing_moved_onto_them(
    browser: Browser, app: RunningApp, folder: Path, tmp_path: Path
) -> None:
    source = bundled_recordings()[DEMO_RECORDING]
    copy = tmp_path / source.name
    copy.write_bytes(source.read_bytes())
    Library(folder).new_session("practice", dict(FRESH), [(copy, source.name)])
    name = started(browser, app, DEMO_TRACK)
    browser.click("#laps-panel summary")
    chosen = "list.value = 'practice'; list.dispatchEvent(new Event('change'))"
    browser.run(f"const list = document.getElementById('laps-session'); {chosen}")
    browser.wait("return document.querySelectorAll('#board .lap').length > 0", seconds=PATIENCE)
    before = shapes(app, name, "left_edge")[0]["points"]
    # By hand, far off; then by the fit.
    browser.click("#shift-laps")
    browser.run("document.getElementById('board').focus()")
    for _ in range(2):
        browser.held("Shift", "Right")
    browser.wait("return /4.0 m east/.test(document.getElementById('laps-state').textContent)", seconds=PATIENCE)
    browser.click("#fit-laps")
    browser.wait(
        "return /by 0\\.\\d m (east|west) and 0\\.\\d m/.test(document.getElementById('laps-state').textContent)",
        seconds=PATIENCE,
    )
    wait_kept(browser)
    shift = np.array(kept(app, name)["laps"]["shift"])
    print(f"fitted shift {shift.tolist()}")
    assert np.hypot(*shift) < 1.0
    assert shapes(app, name, "left_edge")[0]["points"] == before  # a shift of the laps changes no track
    browser.click("#move-drawing")
    browser.wait("return /not shifted/.test(document.getElementById('laps-state').textContent)", seconds=PATIENCE)
    state(browser, "Sound.")
    wait_kept(browser)
    after = kept(app, name)
    moved = np.subtract([p[:2] for p in shapes(app, name, "left_edge")[0]["points"]], [p[:2] for p in before])
    assert np.allclose(moved, -shift, atol=2e-3)
    assert "onto recorded laps" in after["head"]["survey_note"]
    browser.click("#undo")
    browser.wait("return /Laps shifted by/.test(document.getElementById('laps-state').textContent)", seconds=PATIENCE)
    wait_kept(browser)
    assert shapes(app, name, "left_edge")[0]["points"] == before


@pytest.mark.slow
def test_a_phone_shows_all_without_scrolling_sideways_and_fingers_draw(browser: Browser, app: RunningApp) -> None:
    browser.size(390, 844, phone=True)
    begin(browser, app, "On a phone")
    assert browser.run("return document.documentElement.scrollWidth") <= 390
    small = """const heights = [...document.querySelectorAll('.tools button, .over button, .below button')]
      .map((one) => one.getBoundingClientRect().height);
    return heights.filter((height) => height && height < 34).length"""
    assert browser.run(small) == 0
    browser.click("#tool-left_edge")
    browser.run("document.getElementById('tools').scrollIntoView({block: 'start'})")
    box = browser.run("return document.getElementById('board').getBoundingClientRect().toJSON()")
    corners = [(0.2, 0.3), (0.7, 0.3), (0.7, 0.6), (0.2, 0.6), (0.2, 0.3)]
    for u, v in corners:
        browser.stroke([(box["x"] + u * box["width"], box["y"] + v * box["height"])], kind="touch")
    wait_kept(browser)
    (edge,) = shapes(app, "on-a-phone", "left_edge")
    assert (edge["ring"], len(edge["points"])) == (True, 4)
    # Two fingers zoom.
    before = browser.run("return document.getElementById('board').viewBox.baseVal.width")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    browser.pinch((x, y), 30, 90)
    after = browser.run("return document.getElementById('board').viewBox.baseVal.width")
    assert after == pytest.approx(before / 3.0, rel=0.1)
    assert len(shapes(app, "on-a-phone", "left_edge")[0]["points"]) == 4
    started(browser, app)
    assert browser.run("return document.documentElement.scrollWidth") <= 390
