"""Before a new track, in a real browser: the walk plays, stops and is stepped through; the sheet is made and kept."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import pytest
from app_server import running_app
from webdriver import Browser

#: Each test has an app of its own, which solves a lap anew.
pytestmark = pytest.mark.slow

GROUND = "track=marrowdown_club&kart=gearbox"
CLOCK = "return Number(document.getElementById('clock').textContent.split(' ')[0])"
CORNER = "return document.querySelector('#corner h3').textContent"
CURRENT = "return document.querySelector('#corner li[aria-current] strong')?.textContent ?? ''"
SHOWN = (
    "return [...document.querySelectorAll('#close .marks circle')].filter(c => c.style.visibility === 'visible').length"
)
PAGES = (
    "return [...document.querySelectorAll('#pages img')]"
    ".filter(i => { i.scrollIntoView(); return i.naturalWidth > 500; }).length >= 3"
)
KART = "return document.querySelector('#close .kart').getAttribute('transform')"


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """The address that lets a browser in, and where the app is."""
    with running_app(tmp_path_factory.mktemp("around") / "library") as running:
        yield running.address, running.origin


@pytest.fixture
def walk(browser: Browser, app: tuple[str, str]) -> Browser:
    """The page at the beginning of the walk."""
    browser.open(app[0])
    opened(browser, app[1])
    return browser


def opened(browser: Browser, origin: str) -> None:
    browser.open(f"{origin}/before?{GROUND}")
    browser.wait("return !document.getElementById('walk').hidden", seconds=120.0)


def test_nothing_moves_unless_asked(walk: Browser) -> None:
    assert "Not to be looked at while driving" in walk.run("return document.querySelector('main').textContent")
    assert "Begin by braking far earlier" in walk.run("return document.getElementById('caution').textContent")
    before = walk.run(KART)
    time.sleep(0.4)
    assert walk.run(KART) == before
    assert walk.run(SHOWN) == 0
    assert walk.log("browser") == []


@pytest.mark.parametrize("pace", ["1", "0.5", "0.25"])
def test_plays_as_fast_as_chosen(walk: Browser, pace: str) -> None:
    """The lap's own clock against the page's, through the whole of corner 1."""
    ran = walk.run(
        "const pace = document.getElementById('pace'); pace.value = arguments[0];"
        "pace.dispatchEvent(new Event('change'));"
        "const clock = () => Number(document.getElementById('clock').textContent.split(' ')[0]);"
        "document.getElementById('play').click();"
        "return new Promise(done => setTimeout(() => { const a = [clock(), performance.now()];"
        "  setTimeout(() => { const b = [clock(), performance.now()]; document.getElementById('play').click();"
        "  done([(b[0] - a[0]), (b[1] - a[1]) / 1000]); }, 2500); }, 500))",
        pace,
    )
    assert ran[0] == pytest.approx(float(pace) * ran[1], abs=0.25 + 0.15 * float(pace) * ran[1])
    stood = walk.run(CLOCK)
    time.sleep(0.3)
    assert walk.run(CLOCK) == stood


def test_marks_come_up_one_by_one_with_what_to_do(walk: Browser) -> None:
    assert walk.run(CORNER) == "Corner 1, left"
    seen = []
    for count in range(1, 4):
        walk.click("#mark-on")
        seen.append(walk.run(CURRENT))
        assert walk.run(SHOWN) == count
    assert seen == ["Brake point", "Turn-in", "Apex"]
    said = walk.run("return document.querySelector('#corner li[aria-current]').textContent")
    assert "Clip the inside" in said
    assert re.search(r"\d+ km/h, gear \d", said)
    assert re.fullmatch(r"\d+ km/h", walk.run("return document.getElementById('speed').textContent"))
    assert walk.run("return document.getElementById('gear').textContent").startswith("gear ")
    assert "Corner 1, Apex" in walk.run("return document.getElementById('spoken').textContent")
    walk.click("#mark-back")
    assert (walk.run(CURRENT), walk.run(SHOWN)) == ("Turn-in", 2)


def test_every_mark_of_the_lap_is_reached_by_steps(walk: Browser) -> None:
    """Once round: each corner in its order, each of its marks once, whatever lies close together."""
    seen = walk.run(
        "const seen = [], on = document.getElementById('mark-on');"
        "for (let k = 0; k < 200; k += 1) { on.click();"
        "  const corner = document.querySelector('#corner h3').textContent;"
        "  const items = [...document.querySelectorAll('#corner li')];"
        "  const at = items.findIndex(i => i.hasAttribute('aria-current'));"
        "  const place = corner + '/' + at + '/' + items.length; if (seen[0] === place) break; seen.push(place); }"
        "return seen"
    )
    corners = [int(re.match(r"Corner (\d+)", place)[1]) for place in seen]
    assert corners == sorted(corners)
    assert set(corners) == set(range(1, 13))
    for number in range(1, 13):
        own = [place.split("/")[1:] for place, corner in zip(seen, corners) if corner == number]
        assert [int(at) for at, _ in own] == list(range(int(own[0][1])))


def test_everything_by_keys(walk: Browser) -> None:
    walk.run("document.activeElement.blur()")
    walk.keys("Right")
    assert walk.run(CURRENT) == "Brake point"
    walk.keys("Right", "Left")
    assert walk.run(CURRENT) == "Brake point"
    walk.run(
        "document.body.dispatchEvent("
        "new KeyboardEvent('keydown', {key: 'ArrowRight', shiftKey: true, bubbles: true, cancelable: true}))"
    )
    assert walk.run(CORNER) == "Corner 2, left"
    before = walk.run(CLOCK)
    walk.keys("Space")
    time.sleep(1.0)
    walk.keys("Space")
    assert walk.run(CLOCK) > before
    assert walk.run("return document.getElementById('play').textContent") == "Play"
    walk.run("document.getElementById('corner-on').focus()")
    walk.keys("Enter")
    assert walk.run(CORNER).startswith("Corner 3")


def test_stops_at_each_mark_where_asked(walk: Browser) -> None:
    walk.click("#stops")
    walk.run("document.getElementById('pace').value = '1'")
    walk.click("#play")
    walk.wait("return document.getElementById('play').textContent === 'Play'", seconds=20.0)
    assert walk.run(CURRENT) == "Brake point"


def test_without_motion_it_goes_step_by_step(walk: Browser, app: tuple[str, str]) -> None:
    walk.devtools("Emulation.setEmulatedMedia", features=[{"name": "prefers-reduced-motion", "value": "reduce"}])
    try:
        opened(walk, app[1])
        assert walk.run("return document.getElementById('play').textContent") == "Next mark"
        walk.click("#play")
        first = walk.run(KART)
        time.sleep(0.4)
        assert walk.run(KART) == first
        assert walk.run(CURRENT) == "Brake point"
        walk.click("#play")
        assert walk.run(CURRENT) == "Turn-in"
    finally:
        walk.media("light")


def test_the_sheet_is_made_shown_and_found_again(walk: Browser, app: tuple[str, str]) -> None:
    walk.click("#make")
    walk.wait(PAGES, seconds=240.0)
    assert "track_sheet.pdf?save" in walk.run("return document.querySelector('#save a').href")
    opened(walk, app[1])
    walk.wait(PAGES, seconds=60.0)
    assert walk.run("return document.getElementById('make').textContent") == "Make it again"
    assert walk.log("browser") == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_has_room_for_it(browser: Browser, app: tuple[str, str], scheme: str) -> None:
    browser.open(app[0])
    browser.size(390, 844, phone=True)
    browser.media(scheme)
    opened(browser, app[1])
    browser.click("#corner-on")
    bounds = browser.run("return [document.documentElement.scrollWidth, innerWidth]")
    assert bounds[0] <= bounds[1] == 390
    assert browser.log("browser") == []
