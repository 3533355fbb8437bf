"""Requests for what-ifs, walks and sheets: looked up, answered, refused; never a path from outside."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from app_server import RunningApp, running_app

GROUND = {"track": "tinmarsh_rental", "kart": "rental-four-stroke", "units": "metric"}


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningApp]:
    with running_app(tmp_path_factory.mktemp("around") / "library") as running:
        yield running


def started(app: RunningApp, path: str, **values: Any) -> tuple[int, dict[str, Any]]:
    status, content, _ = app.ask("POST", path, json.dumps(GROUND | values).encode())
    return status, json.loads(content)


def ended(app: RunningApp, job: int) -> dict[str, Any]:
    """The last thing a piece of work says."""
    _, content, _ = app.ask("POST", f"/api/jobs/{job}/follow")
    last: dict[str, Any] = [json.loads(line) for line in content.decode().splitlines() if line][-1]
    return last


def test_an_answer_comes_from_the_process_that_stays(app: RunningApp) -> None:
    """What cannot be is a failure of that question, and not of the next one."""
    first = ended(app, started(app, "/api/what-if/prepare")[1]["job"])
    assert first["done"]["track"] == "Tinmarsh Rental Track"
    wrong = ended(app, started(app, "/api/what-if/answer", set={"apex": 1.0, "apex_corner": 77})[1]["job"])
    assert wrong["failed"]["what"] == "there is no corner 77"
    found = ended(app, started(app, "/api/what-if/answer", set={"grip": -2})[1]["job"])["done"]
    assert 0.1 < found["lost"] < 0.5
    assert ended(app, started(app, "/api/what-if/answer", set=["grip"])[1]["job"])["failed"]["where"] == "set"


@pytest.mark.parametrize("path", ["/api/what-if/prepare", "/api/what-if/answer", "/api/before", "/api/before/sheet"])
@pytest.mark.parametrize(
    "values",
    [{"track": "../../etc/passwd"}, {"kart": "nobody"}, {"units": "cubits"}, {"track": 7}, {"kart": "x" * 900}],
)
def test_what_is_not_in_the_library_is_refused(app: RunningApp, path: str, values: dict[str, Any]) -> None:
    status, answer = started(app, path, **values)
    assert status == 400
    assert answer["what"]


@pytest.mark.slow
def test_a_sheet_is_made_once_kept_and_shown(app: RunningApp) -> None:
    assert json.loads(app.ask("GET", "/api/before/sheets/tinmarsh_rental--rental-four-stroke")[1]) == []
    one, other = (started(app, "/api/before/sheet")[1]["job"] for _ in range(2))
    assert one == other  # two windows follow one piece of work
    made = ended(app, one)["done"]
    assert made["sheet"] == "tinmarsh_rental--rental-four-stroke"
    files = json.loads(app.ask("GET", f"/api/before/sheets/{made['sheet']}")[1])
    assert files == made["files"]
    status, content, headers = app.ask("GET", f"/sheets/{made['sheet']}/{files[0]}?save")
    assert (status, content[:5], headers["content-type"]) == (200, b"%PDF-", "application/pdf")
    assert "attachment" in headers["content-disposition"]
    status, content, headers = app.ask("GET", f"/sheets/{made['sheet']}/{files[1]}")
    assert (status, content[1:4], headers["content-type"]) == (200, b"PNG", "image/png")


@pytest.mark.parametrize(
    "path", ["/sheets/..%2F..%2Fetc/passwd", "/sheets/%2e%2e/tracks", "/sheets/none/track_sheet.pdf",
             "/sheets/tinmarsh_rental--rental-four-stroke/..%2F..%2F..%2Fsecret",
             "/sheets/tinmarsh_rental--rental-four-stroke/linelab_files.json"]
)  # fmt: skip
def test_nothing_beside_a_sheets_pages_is_served(app: RunningApp, path: str) -> None:
    assert app.ask("GET", path)[0] == 404
