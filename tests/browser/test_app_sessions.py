"""A coach drops a file and sees the review: the app's sessions in a real browser."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from app_server import RunningApp, running_app
from webdriver import Browser

from linelab.files.bundled import bundled_recordings

SHARED = Path(os.environ.get("LINELAB_SHARED", Path(__file__).parents[3] / "shared")) / "data"
REAL = SHARED / "kart_recording" / "GX030390.csv"
#: Longest that work may take on a machine that does much else [s].
PATIENT = 120.0
UNDERSTOOD = "return !!document.querySelector('#asking')?.children.length && document.querySelector('#work').hidden"
REVIEWED = "return document.querySelector('#reviewed') && !document.querySelector('#reviewed').hidden"
FAILED = "return !document.querySelector('#failure').hidden && document.querySelector('#failure').innerText"


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningApp]:
    with running_app(tmp_path_factory.mktemp("app")) as running:
        yield running


@pytest.fixture
def page(browser: Browser, app: RunningApp) -> Browser:
    """The list of sessions."""
    browser.open(app.address)
    browser.wait("return location.pathname === '/' && document.readyState === 'complete'")
    return browser


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording of a few laps: quick to read and to review."""
    lines = bundled_recordings()["ostrelle_practice"].read_text(encoding="utf-8").splitlines(keepends=True)
    path = tmp_path_factory.mktemp("short") / "three laps.csv"
    path.write_text("".join(lines[:2100]), encoding="utf-8")
    return path


def choose(page: Browser, *paths: Path) -> None:
    """Hand files to the page as its file dialogue would."""
    page.choose_files("#files", *paths)


def drop(page: Browser, path: Path) -> str:
    """Drop one file, see it understood; its session's address."""
    choose(page, path)
    page.wait("return location.pathname.startsWith('/session/')", seconds=PATIENT)
    page.wait(UNDERSTOOD, seconds=PATIENT)
    return str(page.run("return location.href"))


def pick(page: Browser, label: str, value: str) -> None:
    """Choose in a list by the text before it."""
    page.run(
        "const [label, value] = arguments;"
        "const select = [...document.querySelectorAll('label')].find((one) => one.textContent.startsWith(label))"
        ".querySelector('select'); select.value = value; select.dispatchEvent(new Event('change'))",
        label,
        value,
    )


def errors(page: Browser) -> list[str]:
    """What the console complains of, but for answers that are refusals on purpose."""
    return [entry["message"] for entry in page.log("browser") if "status of 4" not in entry["message"]]


def test_demo_to_review(page: Browser, app: RunningApp) -> None:
    page.wait("return !document.querySelector('#none').hidden")  # an empty library says what to do
    page.click("#demo")
    page.wait("return location.pathname === '/session/demo'", seconds=PATIENT)
    page.wait(REVIEWED, seconds=PATIENT)
    page.wait("return document.querySelector('#page').src.includes('review.html')")
    assert "Ostrelle Sprint Circuit" in page.run("return document.querySelector('h1').innerText")
    status, content, headers = app.ask("GET", "/files/demo/review.html")
    assert status == 200
    assert b"Invented driver of the demo" in content
    assert headers["content-security-policy"].startswith("sandbox ")  # the page has none of the app's rights
    asked = [address for address in page.requests() if not address.startswith(("data:", "blob:", app.origin))]
    assert not asked, "something was asked of another machine"
    assert not errors(page)


@pytest.mark.slow
@pytest.mark.skipif(not REAL.is_file(), reason="the folder of outside recordings is not here")
def test_real_recording(page: Browser) -> None:
    """A recording of a venue that nobody surveyed: the track is estimated, and the review is there."""
    begun = time.monotonic()
    drop(page, REAL)
    facts = page.run("return document.querySelector('#facts').innerText")
    assert "estimated from the laps" in facts
    assert page.run("return document.querySelectorAll('#laps input:checked').length") >= 3
    assert page.run("return document.querySelector('#drawing').children.length") == 3
    print(f"dropped to understood: {time.monotonic() - begun:.1f} s")
    begun = time.monotonic()
    page.click("#review")
    page.wait(REVIEWED, seconds=PATIENT)
    print(f"asked to reviewed: {time.monotonic() - begun:.1f} s")
    assert not errors(page)


def test_dropped_by_mouse(page: Browser, short: Path) -> None:
    """A drop event of the browser, as a mouse makes it."""
    text = short.read_text(encoding="utf-8")
    page.run(
        "const data = new DataTransfer(); data.items.add(new File([arguments[0]], 'by mouse.csv'));"
        "document.dispatchEvent(new DragEvent('drop', { dataTransfer: data, bubbles: true, cancelable: true }))",
        text,
    )
    page.wait("return location.pathname.includes('by-mouse')", seconds=PATIENT)
    page.wait(UNDERSTOOD, seconds=PATIENT)
    assert "by mouse.csv" in page.run("return document.querySelector('#facts').innerText")


@pytest.mark.slow
def test_recognised_corrected_and_reviewed(page: Browser, short: Path, app: RunningApp) -> None:
    """The track is recognised; a wrong one is refused in words; names, laps and notes typed are on the page."""
    address = drop(page, short)
    assert "Ostrelle Sprint Circuit" in page.run("return document.querySelector('#facts').innerText")
    pick(page, "Track", "tinmarsh_rental")
    assert page.wait(FAILED, seconds=PATIENT)
    page.wait(UNDERSTOOD, seconds=PATIENT)
    assert page.run("return document.querySelector('#review').disabled")
    pick(page, "Track", "ostrelle_sprint")
    page.wait("return !document.querySelector('#review').disabled", seconds=PATIENT)
    pick(page, "Kart", "senior-single-speed")
    page.run(
        "const type = (element, text) => { element.value = text; element.dispatchEvent(new Event('change')) };"
        "type(document.querySelector('#asking input'), 'Ilse Brandvoort');"
        "setTimeout(() => type(document.querySelector('#asking textarea'), 'Look at corner 3 first.'), 300)"
    )
    page.wait("return document.querySelector('h1').innerText.includes('Ilse Brandvoort')")
    name = address.rsplit("/", 1)[1]
    page.wait(
        "const [name] = arguments; const ask = new XMLHttpRequest(); ask.open('GET', '/api/sessions/' + name, false);"
        "ask.send(); return ask.responseText.includes('Look at corner 3')",
        name,
    )
    page.click("#review")
    page.wait(REVIEWED, seconds=PATIENT)
    content = app.ask("GET", f"/files/{name}/review.html")[1].decode()
    assert "Ilse Brandvoort" in content
    assert "Look at corner 3 first." in content
    page.click("#pdf")
    page.wait("return !!document.querySelector('#exports a[href*=\"review.pdf\"]')", seconds=PATIENT)
    assert app.ask("GET", f"/files/{name}/review.pdf")[1].startswith(b"%PDF")


def test_wrong_file(page: Browser, tmp_path: Path) -> None:
    wrong = tmp_path / "holiday.csv"
    wrong.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40)
    drop(page, wrong)
    said = page.run(FAILED)
    assert "holiday" in said or "recording-1" in said
    assert page.run("return document.querySelector('#review').disabled")
    page.open(page.run("return location.origin"))
    page.wait("return document.querySelectorAll('#sessions li').length > 0")


@pytest.mark.slow
def test_cancel_and_reload(page: Browser, short: Path, app: RunningApp) -> None:
    """Work goes on while the page is loaded again, and ends when it is cancelled."""
    address = drop(page, short)
    page.click("#review")
    page.wait("return !document.querySelector('#work').hidden")
    page.open(address)  # in the middle
    page.wait(REVIEWED, seconds=PATIENT)
    page.click("#review")
    working = (
        "return !document.querySelector('#work').hidden && document.querySelector('#step').innerText !== 'starting'"
    )
    page.wait(working, seconds=PATIENT)
    page.click("#cancel")
    page.wait("return document.querySelector('#work').hidden", seconds=PATIENT)
    name = address.rsplit("/", 1)[1]
    assert app.ask("GET", f"/files/{name}/review.html")[0] == 200  # the earlier one still stands


def test_two_windows(page: Browser, short: Path) -> None:
    """What one window has saved is not lost by what another saves after it."""
    address = drop(page, short)
    page.run(
        "const key = document.querySelector('meta[name=\"linelab-key\"]').content;"
        "const path = '/api/sessions/' + location.pathname.split('/').pop();"
        "fetch(path).then((answer) => answer.json()).then((one) => fetch(path, { method: 'PUT', headers: "
        "{ 'X-Linelab-Key': key }, body: JSON.stringify({ driver: 'Other', revision: one.revision }) }))"
        ".then(() => { window.saved = true })"
    )
    page.wait("return window.saved")
    page.run(
        "const field = document.querySelector('#asking input'); field.value = 'Mine';"
        "field.dispatchEvent(new Event('change'))"
    )
    assert "another window" in page.wait(FAILED)
    page.wait("return document.querySelector('#asking input').value === 'Other'")
    page.open(address)
    page.wait(UNDERSTOOD, seconds=PATIENT)
    assert page.run("return document.querySelector('#asking input').value") == "Other"


@pytest.mark.slow
def test_keyboard_only(page: Browser) -> None:
    """From the first key to the demo's review without a mouse."""
    for _ in range(20):
        page.keys("Tab")
        if page.run("return document.activeElement.id") == "demo":
            break
    page.keys("Enter")
    page.wait("return location.pathname === '/session/demo'", seconds=PATIENT)
    page.wait(REVIEWED, seconds=PATIENT)
    page.wait("return !document.querySelector('#review').disabled", seconds=PATIENT)
    seen: list[str] = []
    while "review" not in seen and len(seen) < 60:
        page.keys("Tab")
        seen.append(page.run("const one = document.activeElement; return one.id || one.innerText || one.tagName"))
        if seen[-1] == "Past the review":
            page.keys("Enter")
    assert seen[-1] == "review"
    assert "Open by itself" in seen
    page.run("document.querySelector('#reviewed').hidden = true")
    page.keys("Enter")
    page.wait(REVIEWED, seconds=PATIENT)


def test_phone(page: Browser, app: RunningApp) -> None:
    page.size(390, 844, phone=True)
    for path in ("/", "/session/demo"):
        page.open(app.origin + path)
        page.wait("return document.readyState === 'complete'")
        time.sleep(0.5)
        assert page.run("return document.documentElement.scrollWidth") <= 390, path


def test_without_the_app(page: Browser, tmp_path: Path, short: Path) -> None:
    """The server is gone: the page says so and loses nothing."""
    with running_app(tmp_path / "other") as other:
        page.open(other.address)
        page.wait("return location.pathname === '/' && document.readyState === 'complete'")
        other.kill()
        choose(page, short)
        page.wait("return document.querySelector('.failure')?.innerText.includes('does not answer')")
