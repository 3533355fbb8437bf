"""What the app costs, and what is left when it is killed."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest
from app_server import RunningApp, running_app

from linelab.files.bundled import bundled_recordings

LINUX = Path("/proc/self/status").exists()
needs_proc = pytest.mark.skipif(not LINUX, reason="this system has no /proc to read processes from")


def kept(app: RunningApp, lines: int = 2100) -> str:
    """A session of a few laps, dropped into the app; its name."""
    content = b"".join(bundled_recordings()["ostrelle_practice"].read_bytes().splitlines(keepends=True)[:lines])
    word = json.loads(app.ask("POST", "/api/recordings", content, app.trusted() | {"X-File-Name": "short.csv"})[1])[
        "file"
    ]
    name = str(json.loads(app.ask("POST", "/api/sessions", json.dumps({"files": [word]}).encode())[1])["name"])
    session = json.loads(app.ask("GET", f"/api/sessions/{name}")[1])
    known = {"track": "ostrelle_sprint", "kart": "senior-single-speed", "revision": session["revision"]}
    assert app.ask("PUT", f"/api/sessions/{name}", json.dumps(known).encode())[0] == 200
    return name


def begin(app: RunningApp, name: str, do: str = "review") -> int:
    return int(json.loads(app.ask("POST", f"/api/sessions/{name}/{do}", b"{}")[1])["job"])


def ended(app: RunningApp, job: int) -> dict[str, object]:
    lines = [line for line in app.ask("POST", f"/api/jobs/{job}/follow")[1].splitlines() if line]
    return dict(json.loads(lines[-1]))


def children(process: int) -> list[int]:
    """Numbers of the processes that a process has started."""
    found = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii")
    return [int(number) for number in found.split()]


def resident(process: int) -> float:
    """Memory of a process [MB]: VmRSS of proc(5)."""
    status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS")) / 1024.0


@needs_proc
def test_start_and_memory(tmp_path: Path) -> None:
    begun = time.monotonic()
    with running_app(tmp_path / "library") as app:
        started = time.monotonic() - begun
        assert app.ask("GET", "/")[0] == 200
        found = ended(app, begin(app, kept(app)))
        assert "done" in found
        end = time.monotonic() + 10.0
        while children(app.process.pid) and time.monotonic() < end:  # the worker is on its way out
            time.sleep(0.05)
        left = [resident(number) for number in (app.process.pid, *children(app.process.pid))]
        print(f"started in {started:.2f} s (1 s wanted); {sum(left):.0f} MB resident after a review (150 MB wanted)")
        assert started < 10.0  # on a machine that does much else
        assert sum(left) < 150.0


@pytest.mark.slow
@needs_proc
def test_killed_in_the_middle_of_a_review(tmp_path: Path) -> None:
    """The worker goes with the app; the session stays, nothing is half there, and the review can be asked for again."""
    folder = tmp_path / "library"
    with running_app(folder) as app:
        name = kept(app)
        begin(app, name)
        end = time.monotonic() + 60.0
        while not json.loads(app.ask("GET", "/api/jobs")[1])[0]["step"] and time.monotonic() < end:
            time.sleep(0.02)
        time.sleep(1.0)
        workers = children(app.process.pid)
        assert workers
        app.kill()
    end = time.monotonic() + 20.0
    while any(Path(f"/proc/{number}/cmdline").exists() for number in workers) and time.monotonic() < end:
        time.sleep(0.1)
    assert not any(Path(f"/proc/{number}/cmdline").exists() for number in workers)
    assert not [*(folder / "sessions" / name / "review").glob("*.html")]
    with running_app(folder) as app:
        session = json.loads(app.ask("GET", f"/api/sessions/{name}")[1])
        assert (session["track"], session["results"]) == ("ostrelle_sprint", [])
        assert "done" in ended(app, begin(app, name))
        assert "review.html" in json.loads(app.ask("GET", f"/api/sessions/{name}")[1])["results"]
        assert not list(folder.rglob(".linelab*"))


def test_work_is_limited_in_time(tmp_path: Path) -> None:
    """Work that takes too long is ended and says so; the app goes on."""
    with running_app(tmp_path / "library", ["--patience", "10"]) as app:
        name = kept(app)
        path = tmp_path / "library" / "sessions" / name / "recording-1.csv"
        path.unlink()
        os.mkfifo(path)  # reading waits for ever
        found = ended(app, begin(app, name, "understand"))
        assert "longer than 10 s" in found["failed"]["what"]  # type: ignore[index]
        assert app.ask("GET", "/")[0] == 200


def test_work_is_limited_in_memory(tmp_path: Path) -> None:
    """A process gets no more memory than the app was started with (setrlimit, POSIX.1-2017)."""
    resource = pytest.importorskip("resource")
    import subprocess
    import sys

    code = (
        "from linelab.app.worker import answer, limit_memory; import linelab.app.worker as worker, pathlib\n"
        "limit_memory(1024)\n"
        "worker.task_named = lambda name: lambda folder, given, step: bytearray(2**31)\n"
        "answer(pathlib.Path('.'), {'do': 'x', 'with': {}}, print)"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert "more memory" in said
    assert resource.RLIMIT_AS
