"""The app as a user starts it: a process of its own, and its address as the terminal shows it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

Headers = dict[str, str]


@dataclass(frozen=True)
class RunningApp:
    """Where an app listens (``address`` with its key), and its process."""

    address: str
    process: subprocess.Popen[str]

    @property
    def origin(self) -> str:
        parts = urlsplit(self.address)
        return f"{parts.scheme}://{parts.netloc}"

    @property
    def port(self) -> int:
        return int(urlsplit(self.address).port or 0)

    @property
    def key(self) -> str:
        return parse_qs(urlsplit(self.address).query)["key"][0]

    def trusted(self) -> Headers:
        """Headers of a request from the app's own page."""
        return {"Cookie": _cookie(self.port, self.key), "Origin": self.origin, "X-Linelab-Key": self.key}

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: Headers | None = None
    ) -> tuple[int, bytes, Headers]:
        """Status, content and headers (in small letters) of an answer; headers as of the app's page unless given."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=120)
        try:
            connection.request(method, path, body, self.trusted() if headers is None else headers)
            answer = connection.getresponse()
            return answer.status, answer.read(), {name.lower(): value for name, value in answer.getheaders()}
        finally:
            connection.close()

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


@cache
def _cookie(port: int, key: str) -> str:
    """What the entrance hands the browser."""
    connection = HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", f"/enter?key={key}")
    return str(connection.getresponse().getheader("Set-Cookie")).split(";")[0]


@contextmanager
def running_app(folder: Path, options: Sequence[str] = ()) -> Iterator[RunningApp]:
    """Start ``linelab app`` on a folder, on any free port, and end it."""
    command = [sys.executable, "-m", "linelab", "app", str(folder), "--no-browser", "--port", "0", *options]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"}
    )
    assert process.stdout is not None
    first = process.stdout.readline()
    found = re.search(r"http://\S+", first)
    try:
        if found is None:
            process.kill()
            raise RuntimeError(f"the app did not start: {first}{process.communicate()[1]}")
        yield RunningApp(found[0], process)
    finally:
        if process.poll() is None:
            process.terminate()
        process.communicate()
