"""Drawings and their pictures over HTTP: kept with revisions, never at a path of a request's making."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from app_server import RunningApp, running_app
from PIL import Image


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("app") / "library" / "tracks"


@pytest.fixture(scope="module")
def app(tracks: Path) -> Iterator[RunningApp]:
    with running_app(tracks.parent) as running:
        yield running


def ask(app: RunningApp, method: str, path: str, body: Any = None, status: int = 200) -> Any:
    raw = body if isinstance(body, bytes) else None if body is None else json.dumps(body).encode()
    got, content, _ = app.ask(method, path, raw)
    assert got == status, content
    return json.loads(content)


def done(app: RunningApp, job: int) -> Any:
    """What a piece of work found."""
    status, content, _ = app.ask("POST", f"/api/jobs/{job}/follow")
    assert status == 200
    last = json.loads(content.decode().strip().splitlines()[-1])
    assert "done" in last, last
    return last["done"]


def png(wide: int = 30) -> bytes:
    made = io.BytesIO()
    Image.new("RGB", (wide, 20), (1, 2, 3)).save(made, format="PNG")
    return made.getvalue()


def test_a_drawing_is_kept_and_never_overwritten_unseen(app: RunningApp) -> None:
    name = ask(app, "POST", "/api/drawings", {"title": "Täst  Circuit/../1"})["name"]
    assert name == "tast-circuit-1"
    assert ask(app, "POST", "/api/drawings", {"title": "Täst Circuit 1"})["name"] == "tast-circuit-1-2"
    found = ask(app, "GET", f"/api/drawings/{name}")
    assert found["drawing"]["shapes"] == []
    changed = {**found["drawing"], "name": "Changed", "secret": 1}
    body = {"drawing": changed, "revision": found["revision"]}
    second = ask(app, "PUT", f"/api/drawings/{name}", body)
    stale = ask(app, "PUT", f"/api/drawings/{name}", body, status=409)
    assert stale["revision"] == second["revision"]
    again = ask(app, "GET", f"/api/drawings/{name}")["drawing"]
    assert again["name"] == "Changed"
    assert "secret" not in again
    for nonsense in ([], {"drawing": 3}, {"drawing": {"shapes": "none"}, "revision": second["revision"]}):
        ask(app, "PUT", f"/api/drawings/{name}", nonsense, status=400)


@pytest.mark.parametrize("name", ["nothing", "..%2F..%2Fsecret", "tinmarsh_rental", ".hidden"])
def test_other_names_are_not_found(app: RunningApp, name: str) -> None:
    for method, path in (
        ("GET", ""),
        ("PUT", ""),
        ("POST", "/remove"),
        ("GET", "/picture"),
        ("PUT", "/picture"),
        ("POST", "/check"),
    ):
        status, _, _ = app.ask(method, f"/api/drawings/{name}{path}", b"{}")
        assert status in (400, 404), (method, path)


def test_a_picture_is_kept_beside_its_drawing(app: RunningApp, tracks: Path) -> None:
    name = ask(app, "POST", "/api/drawings", {"title": "With a picture"})["name"]
    assert app.ask("GET", f"/api/drawings/{name}/picture")[0] == 404
    assert ask(app, "PUT", f"/api/drawings/{name}/picture", png())["file"] == f"{name}.picture.png"
    status, content, headers = app.ask("GET", f"/api/drawings/{name}/picture")
    assert (status, content, headers["content-type"]) == (200, png(), "image/png")
    assert headers["x-content-type-options"] == "nosniff"
    jpeg = io.BytesIO()
    Image.new("RGB", (9, 9)).save(jpeg, format="JPEG")
    assert ask(app, "PUT", f"/api/drawings/{name}/picture", jpeg.getvalue())["file"].endswith(".jpg")
    assert not (tracks / f"{name}.picture.png").exists()
    for content in (b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"<html>", b"RIFF0000WAVE", b"GIF89a"):
        refused = ask(app, "PUT", f"/api/drawings/{name}/picture", content, status=400)
        assert "no picture" in refused["what"]
    assert ask(app, "GET", f"/api/drawings/{name}")["picture"] == f"{name}.picture.jpg"


def test_a_tiff_becomes_a_png(app: RunningApp) -> None:
    name = ask(app, "POST", "/api/drawings", {"title": "With a tiff"})["name"]
    made = io.BytesIO()
    Image.new("RGB", (40, 30), (9, 99, 9)).save(made, format="TIFF")
    found = done(app, ask(app, "PUT", f"/api/drawings/{name}/picture", made.getvalue())["job"])
    assert found["size"] == [40, 30]
    assert app.ask("GET", f"/api/drawings/{name}/picture")[1].startswith(b"\x89PNG")


def test_copies_and_removals_lose_nothing(app: RunningApp, tracks: Path) -> None:
    name = ask(app, "POST", "/api/drawings", {"title": "First"})["name"]
    ask(app, "PUT", f"/api/drawings/{name}/picture", png(50))
    copy = ask(app, "POST", f"/api/drawings/{name}/copy", {"title": "Second"})["name"]
    assert app.ask("GET", f"/api/drawings/{copy}/picture")[1] == png(50)
    word = ask(app, "POST", f"/api/drawings/{name}/remove")["word"]
    assert not (tracks / "first.drawing.json").exists()
    other = ask(app, "POST", "/api/drawings", {"title": "First"})["name"]
    assert other == "first-2"  # the removed one's picture is not taken over
    assert ask(app, "POST", f"/api/removed/{word}/restore")["name"] == "first"
    assert app.ask("GET", f"/api/drawings/{name}/picture")[1] == png(50)
    # Where its name is in use by now it comes back under another one, and is a drawing still.
    word = ask(app, "POST", f"/api/drawings/{other}/remove")["word"]
    shutil.copyfile(tracks / "first.drawing.json", tracks / "first-2.drawing.json")
    assert ask(app, "POST", f"/api/removed/{word}/restore")["name"] == "first-2-2"
    assert ask(app, "GET", "/api/drawings/first-2-2")["drawing"]["name"] == "First"


@pytest.mark.slow
def test_from_a_bundled_track_to_a_saved_copy(app: RunningApp, tracks: Path) -> None:
    begun = ask(app, "POST", "/api/drawings/of", {"track": "tinmarsh_rental"})
    name = done(app, begun["job"])["name"]
    found = ask(app, "GET", f"/api/drawings/{name}")
    checked = done(app, ask(app, "POST", f"/api/drawings/{name}/check", {"drawing": found["drawing"]})["job"])
    assert checked["state"] == "valid"
    saved = done(app, ask(app, "POST", f"/api/drawings/{name}/save", {"revision": found["revision"]})["job"])
    assert (tracks / saved["file"]).is_file()
    after = ask(app, "GET", f"/api/drawings/{name}")
    assert after["track_revision"] == after["drawing"]["saved_as"] == saved["saved_as"]
    assert ask(app, "POST", "/api/drawings/of", {"track": name}) == {"name": name}  # the drawing goes on
    # A file changed outside is read anew when that is asked for.
    path = tracks / saved["file"]
    path.write_text(path.read_text().replace("(copy)", "(changed outside)"))
    assert ask(app, "GET", f"/api/drawings/{name}")["track_revision"] != saved["saved_as"]
    done(app, ask(app, "POST", "/api/drawings/of", {"track": name, "again": True})["job"])
    found = ask(app, "GET", f"/api/drawings/{name}")
    assert "changed outside" in found["drawing"]["name"]
    # A track that was removed is saved as a new file; what comes with linelab stays.
    ask(app, "POST", f"/api/tracks/{name}/remove")
    assert not path.exists()
    done(app, ask(app, "POST", f"/api/drawings/{name}/save", {"revision": found["revision"]})["job"])
    assert path.exists()
    assert "comes with linelab" in ask(app, "POST", "/api/tracks/tinmarsh_rental/remove", status=400)["what"]


def test_pages_answer(app: RunningApp) -> None:
    for path in (
        "/tracks",
        "/draw/anything",
        "/static/drawing.css",
        "/static/draw_track.js",
        "/static/drawing_board.js",
    ):
        assert app.ask("GET", path)[0] == 200
