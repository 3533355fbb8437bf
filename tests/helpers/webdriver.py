"""A real browser, driven over the W3C WebDriver protocol with the standard library alone.

chromedriver speaks that protocol over plain HTTP (W3C Recommendation "WebDriver", 2018); the dozen commands the tests
need are a page of code, so no further product has to be installed.
"""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

#: Names of the browser and its driver on Debian and elsewhere.
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
DRIVER = "chromedriver"
#: Key of the protocol under which elements are named.
_ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
#: Keys (WebDriver, "Keyboard actions").
KEYS = {"Tab": "\ue004", "Enter": "\ue007", "Left": "\ue012", "Right": "\ue014", "End": "\ue010", "Home": "\ue011",
        "Space": "\ue00d", "Down": "\ue015", "Up": "\ue013", "Escape": "\ue00c", "Delete": "\ue017",
        "Shift": "\ue008", "Control": "\ue009"}  # fmt: skip


def browser_path() -> str | None:
    """The browser, where both it and its driver are installed."""
    found = [path for path in map(shutil.which, BROWSERS) if path]
    return found[0] if found and shutil.which(DRIVER) else None


class Browser:
    """One headless browser window; close it with ``close``."""

    def __init__(self, width: int = 1366, height: int = 900) -> None:
        self._profile = tempfile.mkdtemp(prefix="linelab-browser-")
        self._driver = subprocess.Popen(
            [str(shutil.which(DRIVER)), "--port=0"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        self._root = f"http://127.0.0.1:{self._port()}"
        arguments = [
            "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
            "--disable-background-networking", "--disable-component-update", "--hide-scrollbars",
            f"--user-data-dir={self._profile}", f"--window-size={width},{height}",
        ]  # fmt: skip
        options = {
            "goog:chromeOptions": {"binary": browser_path(), "args": arguments},
            "goog:loggingPrefs": {"performance": "ALL", "browser": "ALL"},
        }
        session = self._post("/session", {"capabilities": {"alwaysMatch": options}})
        self._root += f"/session/{session['sessionId']}"
        self.open("about:blank")  # the browser's own first page asks for much; none of that is the tested page's
        self.log("performance")
        self.size(width, height)

    def _port(self) -> int:
        """The port the driver chose, from its first lines."""
        assert self._driver.stdout is not None
        for line in self._driver.stdout:
            if "started successfully on port" in line:
                return int(line.rstrip(".\n").rsplit(" ", 1)[1])
        raise RuntimeError("the browser's driver did not start")

    def _request(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(
            self._root + path, data=data, method=method, headers={"Content-Type": "application/json"}
        )
        opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
        try:
            with opener.open(request, timeout=60) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as error:
            raise RuntimeError(json.load(error)["value"]["message"].split("\n")[0]) from None

    def _post(self, path: str, body: dict[str, Any]) -> Any:
        return self._request("POST", path, body)

    def close(self) -> None:
        """End the session, the driver and the profile."""
        try:
            self._request("DELETE", "")
        finally:
            self._driver.terminate()
            self._driver.wait(timeout=20)
            shutil.rmtree(self._profile, ignore_errors=True)

    def devtools(self, command: str, **parameters: Any) -> Any:
        """A command of the browser's own protocol, for what WebDriver has no word for."""
        return self._post("/goog/cdp/execute", {"cmd": command, "params": parameters})

    def size(self, width: int, height: int, *, phone: bool = False) -> None:
        """Size of the page's view; ``phone`` with touch and a phone's pixel density."""
        self.devtools(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=2 if phone else 1,
            mobile=phone,
        )  # fmt: skip
        self.devtools("Emulation.setTouchEmulationEnabled", enabled=phone)

    def media(self, scheme: str = "", kind: str = "") -> None:
        """Prefer "dark" or "light"; show as for "print"."""
        features = [{"name": "prefers-color-scheme", "value": scheme}] if scheme else []
        self.devtools("Emulation.setEmulatedMedia", media=kind, features=features)

    def open(self, target: Path | str) -> None:
        """Load a file or an address."""
        self._post("/url", {"url": target.resolve().as_uri() if isinstance(target, Path) else target})
        # A key pressed before the first frame goes nowhere.
        frames = "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => done(0)))"
        self._post("/execute/async", {"script": frames, "args": []})

    def run(self, script: str, *arguments: Any) -> Any:
        """The value of a function body run in the page."""
        return self._post("/execute/sync", {"script": script, "args": list(arguments)})

    def find(self, selector: str) -> dict[str, str]:
        """The first element of a CSS selector."""
        return self._post("/element", {"using": "css selector", "value": selector})  # type: ignore[no-any-return]

    def click(self, selector: str) -> None:
        """Click an element as a user would: it must be visible and not covered."""
        element = self.find(selector)
        self._show(element)
        self._post(f"/element/{element[_ELEMENT]}/click", {})

    def _show(self, element: dict[str, str]) -> None:
        """Scroll to an element, at once whatever the page's own way of scrolling."""
        self.run("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", element)

    def choose_files(self, selector: str, *paths: Path) -> None:
        """Choose files in a file input (WebDriver, "Element Send Keys"), hidden as it may be."""
        self._post(f"/element/{self.find(selector)[_ELEMENT]}/value", {"text": "\n".join(map(str, paths))})

    def keys(self, *names: str) -> None:
        """Press and release keys where the focus is."""
        presses = [{"type": kind, "value": KEYS.get(name, name)} for name in names for kind in ("keyDown", "keyUp")]
        self._post("/actions", {"actions": [{"type": "key", "id": "keyboard", "actions": presses}]})

    def held(self, *names: str) -> None:
        """Press keys one after another and release them together: ``held("Control", "z")``."""
        down = [{"type": "keyDown", "value": KEYS.get(name, name)} for name in names]
        up = [{"type": "keyUp", "value": KEYS.get(name, name)} for name in reversed(names)]
        self._post("/actions", {"actions": [{"type": "key", "id": "keyboard", "actions": down + up}]})

    def fill(self, selector: str, text: str) -> None:
        """Type into a field, or choose a file by its path."""
        element = self.find(selector)
        self._post(f"/element/{element[_ELEMENT]}/value", {"text": text})

    def stroke(self, places: list[tuple[float, float]], *, button: int = 0, kind: str = "mouse") -> None:
        """Press at a place of the view [pixels], move over the others and release; one place is a click."""
        moves: list[dict[str, Any]] = [
            {"type": "pointerMove", "duration": 0, "x": round(x), "y": round(y)} for x, y in places
        ]
        moves.insert(1, {"type": "pointerDown", "button": button})
        moves.append({"type": "pointerUp", "button": button})
        pointer = {"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": moves}
        self._post("/actions", {"actions": [pointer]})

    def pinch(self, place: tuple[float, float], before: float, after: float) -> None:
        """Two fingers about a place of the view, so far from it before and after [pixels]."""
        fingers = []
        for number, side in enumerate((-1, 1)):
            steps = [before + (after - before) * k / 4 for k in range(5)]
            moves: list[dict[str, Any]] = [
                {"type": "pointerMove", "duration": 0, "x": round(place[0] + side * far), "y": round(place[1])}
                for far in steps
            ]
            moves.insert(1, {"type": "pointerDown", "button": 0})
            moves.append({"type": "pointerUp", "button": 0})
            kind = {"type": "pointer", "id": f"finger-{number}", "parameters": {"pointerType": "touch"}}
            fingers.append({**kind, "actions": moves})
        self._post("/actions", {"actions": fingers})

    def wheel(self, place: tuple[float, float], turn: int) -> None:
        """Turn the wheel at a place of the view [pixels]; away from the user is negative."""
        about = {
            "type": "scroll",
            "x": round(place[0]),
            "y": round(place[1]),
            "deltaX": 0,
            "deltaY": turn,
            "duration": 0,
        }
        self._post("/actions", {"actions": [{"type": "wheel", "id": "wheel", "actions": [about]}]})

    def drag(self, selector: str, shares: list[tuple[float, float]], *, kind: str = "mouse") -> None:
        """Press on an element and move over it; places as shares of its box from the upper left."""
        element = self.find(selector)
        self._show(element)
        box = self.run("return arguments[0].getBoundingClientRect().toJSON()", element)
        moves: list[dict[str, Any]] = [
            {"type": "pointerMove", "duration": 0, "x": round(box["x"] + x * box["width"]),
             "y": round(box["y"] + y * box["height"])}
            for x, y in shares
        ]  # fmt: skip
        moves.insert(1, {"type": "pointerDown", "button": 0})
        moves.append({"type": "pointerUp", "button": 0})
        pointer = {"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": moves}
        self._post("/actions", {"actions": [pointer]})

    def picture(self, path: Path, *, whole: bool = False) -> None:
        """Save what is shown, or the whole page, as PNG."""
        answer = self.devtools("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(answer["data"]))

    def printed(self, path: Path) -> None:
        """Save the page as it prints on A4, as PDF."""
        page = {"width": 21.0, "height": 29.7}
        path.write_bytes(base64.b64decode(self._post("/print", {"page": page, "background": True})))

    def log(self, kind: str) -> list[dict[str, Any]]:
        """Entries since the last look: "browser" (console) or "performance" (network and page events)."""
        return self._post("/se/log", {"type": kind})  # type: ignore[no-any-return]

    def requests(self) -> list[str]:
        """Addresses the page has asked for since the last look, without those its own policy stopped."""
        events = [json.loads(entry["message"])["message"] for entry in self.log("performance")]
        asked, stopped = {}, set()
        for event in events:
            about = event["params"]
            if event["method"] == "Network.requestWillBeSent":
                asked[about["requestId"]] = about["request"]["url"]
            elif event["method"] == "Network.loadingFailed" and about.get("blockedReason") == "csp":
                stopped.add(about["requestId"])
        return [address for number, address in asked.items() if number not in stopped]

    def wait(self, script: str, *arguments: Any, seconds: float = 5.0) -> Any:
        """The first true value of a function body, or AssertionError after some seconds."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            value = self.run(script, *arguments)
            if value:
                return value
            time.sleep(0.05)
        raise AssertionError(f"never true: {script}")
