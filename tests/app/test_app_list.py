"""The list over HTTP: how fast it is, what it shows of damage, removal and undo, and two apps on one folder."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from app_server import RunningApp, running_app

from linelab.app.library import FRESH, Library

#: Longest that the list of a hundred sessions may take [s]; measured times are a tenth of it on an idle machine.
PATIENT = 3.0
FOUND = {"title": "Ostrelle Sprint Circuit", "track": "ostrelle_sprint", "estimated": False, "laps": 9, "best": 49.9}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A hundred sessions with recordings of half a megabyte and reviews of some."""
    library = Library(tmp_path_factory.mktemp("season") / "library")
    library.prepare()
    for k in range(100):
        file = library.folder / "dropped"
        file.write_bytes(b"0,0,0\n" * 90_000)
        known = FRESH | {
            "day": f"2026-{1 + k // 28:02d}-{1 + k % 28:02d}",
            "driver": f"Driver {k % 7}",
            "notes": "x" * 500,
        }
        name = library.new_session(f"{known['day']}-run", known, [(file, f"run {k}.csv")])
        (library.session_folder(name) / "review").mkdir()
        (library.session_folder(name) / "review" / "review.html").write_bytes(b" " * 300_000)
        (library.session_folder(name) / "found.json").write_text(json.dumps(FOUND))
    return library.folder


@pytest.fixture(scope="module")
def app(folder: Path) -> Iterator[RunningApp]:
    with running_app(folder) as running:
        yield running


def ask(app: RunningApp, method: str, path: str, body: Any = None) -> tuple[int, Any]:
    status, content, _ = app.ask(method, path, None if body is None else json.dumps(body).encode())
    return status, json.loads(content)


def test_a_hundred_sessions_are_listed_at_once(folder: Path) -> None:
    for path in ("/api/library", "/api/sessions"):
        with running_app(folder) as app:
            begun = time.perf_counter()
            status, found = ask(app, "GET", path)
            cold = time.perf_counter() - begun
            begun = time.perf_counter()
            ask(app, "GET", path)
            print(f"{path}: {cold:.3f} s from a cold server, {time.perf_counter() - begun:.3f} s again")
            assert status == 200
            assert len(found["sessions"] if path == "/api/library" else found) == 100
            assert cold < PATIENT


def test_removed_renamed_and_put_back(app: RunningApp) -> None:
    _, before = ask(app, "GET", "/api/sessions")
    one = before[0]
    status, answer = ask(app, "POST", f"/api/sessions/{one['name']}/remove")
    assert status == 200
    _, after = ask(app, "GET", "/api/library")
    assert one["name"] not in [item["name"] for item in after["sessions"]]
    assert [item["name"] for item in after["removed"]] == [one["name"]]
    assert ask(app, "GET", f"/api/sessions/{one['name']}")[0] == 400
    assert ask(app, "POST", f"/api/removed/{answer['word']}/restore")[1] == {"kind": "session", "name": one["name"]}
    assert ask(app, "GET", "/api/sessions")[1] == before
    stale = ask(app, "POST", f"/api/sessions/{one['name']}/rename", {"title": "Final", "revision": "0"})
    assert stale[0] == 409
    assert stale[1]["revision"] == one["revision"]
    status, answer = ask(
        app, "POST", f"/api/sessions/{one['name']}/rename", {"title": "Final", "revision": one["revision"]}
    )
    assert (status, answer["name"]) == (200, f"{one['day']}-final")


def test_two_apps_on_one_folder(app: RunningApp, folder: Path) -> None:
    """A save of one is seen by the other, which then may not save over it."""
    with running_app(folder) as other:
        name = ask(app, "GET", "/api/sessions")[1][5]["name"]
        seen = [ask(one, "GET", f"/api/sessions/{name}")[1] for one in (app, other)]
        assert ask(app, "PUT", f"/api/sessions/{name}", {"driver": "Ilse", "revision": seen[0]["revision"]})[0] == 200
        assert ask(other, "PUT", f"/api/sessions/{name}", {"driver": "Piet", "revision": seen[1]["revision"]})[0] == 409
        assert ask(other, "GET", f"/api/sessions/{name}")[1]["driver"] == "Ilse"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("driver", 3),
        ("driver", "x" * 201),
        ("laps", "all"),
        ("laps", [1.5]),
        ("day", "31.05.2026"),
        ("units", ["m"]),
        ("start_line", [1, 2]),
        ("position_error", "much"),
        ("joined", 1),
    ],
)
def test_a_field_of_another_kind_is_refused_by_name(app: RunningApp, field: str, value: Any) -> None:
    one = ask(app, "GET", "/api/sessions")[1][0]
    status, answer = ask(app, "PUT", f"/api/sessions/{one['name']}", {field: value, "revision": one["revision"]})
    assert (status, answer["where"]) == (400, field)
    assert ask(app, "GET", "/api/sessions")[1][0]["revision"] == one["revision"]


def test_damage_and_recordings_put_in_by_hand(tmp_path: Path) -> None:
    with running_app(tmp_path) as app:
        for name, content in (("bad", b"{"), ("worse", b"\xff"), ("empty", None), ("by-hand", None)):
            place = tmp_path / "sessions" / name
            place.mkdir()
            (place / ("lap.csv" if name == "by-hand" else "recording-1.csv")).write_text("t,x,y\n")
            if content is not None:
                (place / "session.json").write_bytes(content)
        (tmp_path / "sessions" / "Überholen & Co.csv").write_text("t,x,y\n")
        _, found = ask(app, "GET", "/api/library")
        assert [item["name"] for item in found["damaged"]] == ["bad", "empty", "worse"]
        assert [item["word"] for item in found["offered"]] == ["sessions/Überholen & Co.csv", "sessions/by-hand"]
        status, answer = ask(app, "GET", "/api/sessions/bad")
        assert status == 400
        assert "damaged" in answer["what"]
        assert ask(app, "POST", "/api/sessions/bad/anew")[0] == 200
        assert ask(app, "POST", "/api/library/take-in", {"word": "sessions/Überholen & Co.csv"})[0] == 200
        assert ask(app, "POST", "/api/library/take-in", {"word": "../../etc/passwd"})[0] == 400
        assert ask(app, "POST", "/api/sessions/worse/remove")[0] == 200
        _, found = ask(app, "GET", "/api/library")
        assert {item["name"] for item in found["sessions"]} >= {"bad"}
        assert len(found["sessions"]) == 2
        assert ask(app, "POST", "/api/removed/empty")[1] == {"count": 1}


def test_names_that_are_paths(app: RunningApp) -> None:
    for name in ("..", "../..", "a/../..", ".", "%00", "x" * 500):
        for method, path in (
            ("POST", "/api/sessions/{}/remove"),
            ("POST", "/api/sessions/{}/anew"),
            ("POST", "/api/removed/{}/restore"),
            ("POST", "/api/karts/{}/remove"),
            ("POST", "/api/karts/{}/open"),
            ("GET", "/seasons/{}/progress.json"),
        ):
            assert app.ask(method, path.format(quote(name, safe="")))[0] in (400, 404, 405)
