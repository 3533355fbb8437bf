"""What must not pass: requests of other pages and names, uploads that are too large, names that are paths."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import quote

import pytest
from app_server import RunningApp, running_app
from mutations import mutate, mutate_numbers, seeds

from linelab.files.bundled import bundled_recordings


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("around")


@pytest.fixture(scope="module")
def app(place: Path) -> Iterator[RunningApp]:
    with running_app(place / "library", ["--largest", "1"]) as running:
        yield running


def outside(place: Path) -> set[Path]:
    """All there is beside the app's folder."""
    return {path for path in place.rglob("*") if place / "library" not in (path, *path.parents)}


def without(headers: dict[str, str], name: str) -> dict[str, str]:
    return {key: value for key, value in headers.items() if key != name}


def test_own_page_is_answered(app: RunningApp) -> None:
    status, content, headers = app.ask("GET", "/")
    assert status == 200
    assert app.key in content.decode()
    assert "script-src 'self'" in headers["content-security-policy"]
    assert app.ask("POST", "/api/sessions", b'{"files": []}')[0] == 400  # let in, and refused for what it says


def test_a_wrong_address_shows_the_way_on(app: RunningApp) -> None:
    status, content, headers = app.ask("GET", "/progres", headers=app.trusted() | {"Accept": "text/html,*/*"})
    assert status == 404
    assert "There is no such page" in content.decode()
    assert '<a href="/">' in content.decode()
    assert "script-src 'self'" in headers["content-security-policy"]
    assert app.ask("GET", "/api/nothing")[0] == 404
    untrusted = without(app.trusted(), "Cookie") | {"Accept": "text/html"}
    assert app.key not in app.ask("GET", "/progres", headers=untrusted)[1].decode()


@pytest.mark.parametrize(
    "host", ["linelab.example", "127.0.0.1.example:{port}", "127.0.0.1", "127.0.0.1:1", "", "0.0.0.0:{port}"]
)
@pytest.mark.parametrize("path", ["/", "/api/sessions", "/static/app.js", "/enter"])
def test_foreign_host(app: RunningApp, host: str, path: str) -> None:
    named = app.trusted() | {"Host": host.format(port=app.port)}
    status, content, _ = app.ask("GET", path, headers=named)
    assert status in (400, 421)
    assert app.key not in content.decode()


@pytest.mark.parametrize(
    "origin", ["https://linelab.example", "null", "http://127.0.0.1:1", "http://localhost", "file://"]
)
@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/"),
        ("GET", "/api/sessions"),
        ("POST", "/api/demo"),
        ("POST", "/api/recordings"),
        ("POST", "/api/jobs/1/follow"),
    ],
)
def test_foreign_origin(app: RunningApp, origin: str, method: str, path: str) -> None:
    assert app.ask(method, path, headers=app.trusted() | {"Origin": origin})[0] == 403


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/api/demo"),
        ("POST", "/api/recordings"),
        ("PUT", "/api/sessions/x"),
        ("DELETE", "/api/sessions/x"),
        ("POST", "/api/jobs/1/follow"),
        ("POST", "/api/jobs/1/cancel"),
    ],
)
@pytest.mark.parametrize("missing", ["Cookie", "Origin", "X-Linelab-Key"])
def test_without_a_key(app: RunningApp, method: str, path: str, missing: str) -> None:
    assert app.ask(method, path, headers=without(app.trusted(), missing))[0] == 403
    assert app.ask(method, path, headers=app.trusted() | {missing: "guessed"})[0] == 403
    assert json.loads(app.ask("GET", "/api/jobs")[1]) == []


def test_reading_needs_the_cookie_too(app: RunningApp) -> None:
    for path in ("/", "/api/sessions", "/api/jobs", "/files/x/review.html"):
        status, content, _ = app.ask("GET", path, headers={})
        assert status == 403
        assert app.key not in content.decode()
    for key in ("", "?key=", "?key=guessed"):
        assert app.ask("GET", f"/enter{key}", headers={})[0] == 403
    status, _, headers = app.ask("GET", f"/enter?key={app.key}", headers={})
    assert (status, headers["location"]) == (303, "/")
    assert "HttpOnly" in headers["set-cookie"]
    assert app.key not in headers["set-cookie"]  # other ports of this machine are sent it too (RFC 6265, 8.5)
    assert "SameSite=strict" in headers["set-cookie"]


def test_only_this_machine(app: RunningApp) -> None:
    """The address is of the loopback block (RFC 1122, 3.2.1.3), and nothing listens on another."""
    import socket

    with socket.socket() as probe:
        probe.settimeout(2)
        name = socket.gethostbyname(socket.gethostname())
        if not name.startswith("127."):
            assert probe.connect_ex((name, app.port)) != 0


def test_upload_too_large(app: RunningApp, place: Path) -> None:
    many = b"1,2,3\n" * 200_000
    status, content, _ = app.ask("POST", "/api/recordings", many, app.trusted() | {"X-File-Name": "long.csv"})
    assert status == 400
    assert "larger than 1 MB" in json.loads(content)["what"]
    # Without its size stated first, and with a wrong one.
    connection = HTTPConnection("127.0.0.1", app.port, timeout=60)
    connection.request("POST", "/api/recordings", (many for _ in range(3)), app.trusted(), encode_chunked=True)
    assert connection.getresponse().status == 400
    connection.close()
    assert not [*(place / "library" / ".arriving").glob("*/work/*")]


def test_requests_that_are_no_json(app: RunningApp) -> None:
    for body in (b"[", b"[1]", b'"x"', b"\xff", b"[" * 100_000, b"{" + b" " * (17 * 2**20)):
        assert app.ask("POST", "/api/sessions", body)[0] == 400
    for body in (b"{}", b'{"files": "x"}', b'{"files": [1]}', b'{"files": ["../../x"]}'):
        assert app.ask("POST", "/api/sessions", body)[0] == 400


def test_names_are_no_paths(app: RunningApp, place: Path) -> None:
    (place / "secret.txt").write_text("secret")
    before = outside(place)
    names = [
        "../../evil.csv",
        "/etc/evil.csv",
        "..\\..\\evil.csv",
        "a\x00b.csv",
        "evil\n.csv",
        "x" * 5000 + ".csv",
        ".",
        "..",
        "",
        "\u202ecsv.exe",
    ]
    for name in names:
        headers = app.trusted() | {"X-File-Name": quote(name)}
        status, content, _ = app.ask("POST", "/api/recordings", b"t,x\n1,2\n", headers)
        assert status == 200, name
        made = app.ask("POST", "/api/sessions", json.dumps({"files": [json.loads(content)["file"]]}).encode())
        assert made[0] == 200
        session = json.loads(app.ask("GET", f"/api/sessions/{json.loads(made[1])['name']}")[1])
        shown = session["recordings"][0]["name"]
        assert "/" not in shown
        assert "\\" not in shown
        assert shown.isprintable()
        assert len(shown) <= 120
    for path in ("../secret.txt", "..%2fsecret.txt", "%2e%2e%2fsecret.txt", "..%5csecret.txt", "%00", "..", "library"):
        for root in ("/static/", "/files/demo/", "/files/", "/api/sessions/", "/session/"):
            status, content, _ = app.ask("GET", root + path)
            assert b"secret" not in content.lower().replace(b"secret.txt", b"")
            assert status in (200, 400, 404)
    assert outside(place) == before


def drop_and_understand(app: RunningApp, name: str, content: bytes) -> dict[str, object]:
    """What comes of a dropped file: the last line of its being understood, or the refusal of the upload."""
    status, answer, _ = app.ask("POST", "/api/recordings", content, app.trusted() | {"X-File-Name": name})
    if status != 200:
        return dict(json.loads(answer))
    made = app.ask("POST", "/api/sessions", json.dumps({"files": [json.loads(answer)["file"]]}).encode())
    session = json.loads(made[1])["name"]
    job = json.loads(app.ask("POST", f"/api/sessions/{session}/understand", b"{}")[1])["job"]
    lines = app.ask("POST", f"/api/jobs/{job}/follow")[1].splitlines()
    return dict(json.loads([line for line in lines if line][-1]))


def damaged(count: int) -> Iterator[tuple[str, bytes]]:
    """Damaged files: small ones of every format, and two laps with numbers changed."""
    source = random.Random(20)
    small = seeds()
    session = b"".join(bundled_recordings()["ostrelle_practice"].read_bytes().splitlines(keepends=True)[:1300])
    for number in range(count):
        name = source.choice([*small])
        if number % 4:
            yield name, mutate(source, small[name], [*small.values()])
        else:
            yield "session.csv", mutate_numbers(source, session)


def hold(place: Path, app: RunningApp, count: int) -> None:
    before, ends = outside(place), {"done": 0, "failed": 0, "what": 0}
    for name, content in damaged(count):
        last = drop_and_understand(app, name, content)
        kind = next((word for word in ends if word in last), None)
        assert kind is not None, (name, last)
        ends[kind] += 1
        if kind == "failed":
            assert "fault" not in last["failed"]["what"], (name, last)  # type: ignore[index]
            assert last["failed"]["what"], (name, content[:200])  # type: ignore[index]
    print(f"{count} damaged recordings: {ends}")
    assert app.process.poll() is None
    assert app.ask("GET", "/api/sessions")[0] == 200
    assert outside(place) == before


def test_damaged_recordings(app: RunningApp, place: Path) -> None:
    hold(place, app, 12)


@pytest.mark.slow
def test_a_thousand_damaged_recordings(app: RunningApp, place: Path) -> None:
    hold(place, app, 1000)
