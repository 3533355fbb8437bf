"""The replay on the review page: two karts from the same moment on, started and stopped by finger and key."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from webdriver import Browser

PLACE = "return Number(document.getElementById('place').value)"
PLAYS = "return document.getElementById('play').textContent"
BETWEEN = "return document.querySelector('.map .between').textContent"
SPOTS = (
    "return [...arguments[0].querySelectorAll('.spots circle')]"
    ".map(c => [Number(c.getAttribute('cx')), Number(c.getAttribute('cy'))])"
)


def spots(page: Browser, picture: str) -> list[list[float]]:
    return page.run(SPOTS, page.find(picture))


def go_to(page: Browser, place: int) -> None:
    page.run(
        "const p = document.getElementById('place'); p.value = arguments[0]; p.dispatchEvent(new Event('input'))", place
    )


def test_nothing_moves_unless_asked(page: Browser):
    before = page.run(PLACE), spots(page, "#map")
    page.run("return new Promise(done => setTimeout(done, 400))")
    assert (page.run(PLACE), spots(page, "#map")) == before
    assert page.run(PLAYS) == "Play the lap"


def test_plays_in_real_time_and_stops(page: Browser):
    page.run("document.getElementById('stops').checked = false")
    moved = page.run(
        "const place = document.getElementById('place'), button = document.getElementById('play');"
        "button.click();"
        "return new Promise(done => setTimeout(() => {"
        "  const k = Number(place.value), t = performance.now(); setTimeout(() => {"
        "    const passed = performance.now() - t, went = [k, Number(place.value)];"
        "    button.click(); done([...went, passed, Number(place.max)]); }, 1500); }, 800))"
    )
    first, last, passed, count = moved
    assert 0 < first < last
    data = json.loads(page.run("return document.getElementById('readings').textContent"))
    lap = int(page.run("return document.getElementById('lap').value"))
    times, total = [], 0
    for aim, gap in zip(data["target"]["t"], data["laps"][lap]["gap"]):
        total += aim + gap
        times.append(total)
    assert len(times) == count + 1
    assert times[last] - times[first] == pytest.approx(passed, abs=200.0)
    assert page.run(PLAYS) == "Play the lap"
    stood = page.run(PLACE)
    page.run("return new Promise(done => setTimeout(done, 200))")
    assert page.run(PLACE) == stood
    assert page.log("browser") == []


def test_quarter_speed_is_a_quarter(page: Browser):
    ran = (
        "const place = document.getElementById('place'), button = document.getElementById('play');"
        "document.getElementById('stops').checked = false;"
        "const pace = document.querySelector('.map .pace'); pace.value = arguments[0];"
        "pace.dispatchEvent(new Event('change'));"
        "place.value = 20; place.dispatchEvent(new Event('input')); button.click();"
        "return new Promise(done => setTimeout(() => { button.click(); done(Number(place.value) - 20); }, 1600))"
    )
    whole, quarter = page.run(ran, "1"), page.run(ran, "0.25")
    assert quarter == pytest.approx(0.25 * whole, rel=0.35)
    assert page.run("return [...document.querySelectorAll('.pace')].every(p => p.value === '0.25')")


def test_the_time_between_them_is_the_readouts(page: Browser):
    """Played for a moment from near the finish, the line agrees with the lap's whole gap."""
    page.run("document.getElementById('stops').checked = false")
    go_to(page, int(page.run("return document.getElementById('place').max")) - 15)
    page.click("#play")
    page.wait("return document.getElementById('play').textContent === 'Play the lap'", seconds=12.0)
    shown = re.search(r"([\d.]+) ±[\d.]+ s (behind|ahead of)", page.run(BETWEEN))
    gap = page.run("return document.querySelector('#verdict .big').textContent")
    assert float(shown.group(1)) == pytest.approx(float(re.search(r"[\d.]+", gap).group()), abs=0.011)


def test_stops_before_the_corners_of_the_cards(page: Browser, demo_folder: Path):
    review = json.loads((demo_folder / "review.json").read_text(encoding="utf-8"))
    data = json.loads(page.run("return document.getElementById('readings').textContent"))
    corners = {corner["number"]: corner for corner in data["corners"]}
    card = min(
        (item for item in review["priorities"] if item["corners"]), key=lambda i: corners[i["corners"][0]]["from"]
    )
    begin = corners[card["corners"][0]]["from"] / data["step"]
    go_to(page, int(begin) - 10)
    page.click("#play")
    page.wait("return document.getElementById('stopped').textContent !== ''", seconds=8.0)
    assert card["title"] in page.run("return document.getElementById('stopped').textContent")
    assert page.run(PLACE) == pytest.approx(begin, abs=1.0)
    assert page.run(PLAYS) == "Play the lap"
    page.click("#play")  # goes on, past that corner
    page.wait("return Number(document.getElementById('place').value) > arguments[0]", round(begin) + 5)
    page.click("#play")


def test_a_corner_in_its_close_up(page: Browser):
    figure = "details.corner[open] figure"
    button = f"{figure} button.play"
    assert page.run(f"return document.querySelector('{figure} .spots').getAttribute('visibility')") == "hidden"
    page.click(button)
    page.wait(f"return document.querySelector('{figure} .spots').getAttribute('visibility') === 'visible'")
    start = spots(page, f"{figure} .close-up")
    page.wait(f"return document.querySelector('{button}').textContent !== 'Stop'", seconds=15.0)
    end = spots(page, f"{figure} .close-up")
    assert start != end
    line = page.run(f"return document.querySelector('{figure} .between').textContent")
    shown = re.search(r"([\d.]+) ±[\d.]+ s (behind|ahead of) .* in this corner", line)
    data = json.loads(page.run("return document.getElementById('readings').textContent"))
    number = int(page.run(f"return document.querySelector('{button}').dataset.corner"))
    corner = next(one for one in data["corners"] if one["number"] == number)
    gap = data["laps"][int(page.run("return document.getElementById('lap').value"))]["gap"]
    ends = [sum(gap[: round(corner[end] / data["step"]) + 1]) / 1000.0 for end in ("from", "to")]
    assert float(shown.group(1)) == pytest.approx(abs(ends[1] - ends[0]), abs=0.02)
    assert page.run(PLACE) == 0  # the lap's own cursor stays where it was


def test_by_key_and_by_finger(browser: Browser, demo_folder: Path):
    browser.open(demo_folder / "review.html")
    browser.run("document.getElementById('place').focus()")
    browser.keys("Space")
    browser.wait("return document.getElementById('play').textContent === 'Stop'")
    browser.keys("Escape")
    assert browser.run(PLAYS) == "Play the lap"
    browser.run("document.getElementById('play').focus()")
    browser.keys("Enter")
    assert browser.run(PLAYS) == "Stop"
    browser.keys("Enter")
    assert browser.run(PLAYS) == "Play the lap"
    browser.size(390, 844, phone=True)
    browser.open(demo_folder / "review.html")
    browser.drag("#play", [(0.5, 0.5), (0.5, 0.5)], kind="touch")
    browser.wait("return document.getElementById('play').textContent === 'Stop'")
    browser.drag(".speed .plot", [(0.5, 0.5), (0.5, 0.5)], kind="touch")  # a hand on the curves stops it
    assert browser.run(PLAYS) == "Play the lap"


def test_an_open_road_ends_at_its_timing_lines(browser: Browser, demo_folder: Path, tmp_path: Path):
    """Before the start and beyond the finish no clock runs: the karts wait at the line."""
    text = (demo_folder / "review.html").read_text(encoding="utf-8")
    found = re.search(r'(id="readings">)(.*?)(</script>)', text)
    data = json.loads(found.group(2))
    data |= {"closed": False, "ends": [12.4, data["count"] - 30.5]}

    def within(steps: list[int]) -> list[int]:
        first, last = 12, data["count"] - 30
        return [0 if k <= first or k > last else step for k, step in enumerate(steps)]

    data["target"]["t"] = within(data["target"]["t"])
    for lap in data["laps"]:
        lap["gap"] = within(lap["gap"])
    (tmp_path / "open.html").write_text(
        text.replace(found.group(0), found.group(1) + json.dumps(data) + found.group(3)), encoding="utf-8"
    )
    browser.open(tmp_path / "open.html")
    browser.run("document.getElementById('stops').checked = false")
    browser.click("#play")
    browser.wait("return Number(document.getElementById('place').value) >= 12")
    browser.click("#play")
    go_to(browser, data["count"] - 34)
    browser.click("#play")
    browser.wait(PLAYS.replace("Content", "Content === 'Play the lap'"), seconds=12.0)
    assert browser.run(PLACE) == pytest.approx(data["ends"][1], abs=1.0)
    ends = spots(browser, "#map")
    assert all(abs(a - b) < 1500.0 for a, b in zip(*ends))  # both at the finish, across the road from each other
    go_to(browser, data["count"])
    assert browser.log("browser") == []


def test_another_lap_stops_it(page: Browser):
    page.click("#play")
    page.run("const s = document.getElementById('lap'); s.value = '0'; s.dispatchEvent(new Event('change'))")
    assert page.run(PLAYS) == "Play the lap"


def test_in_steps_where_motion_is_unwelcome(browser: Browser, demo_folder: Path):
    features = [{"name": "prefers-reduced-motion", "value": "reduce"}]
    browser.devtools("Emulation.setEmulatedMedia", media="", features=features)
    try:
        browser.open(demo_folder / "review.html")
        browser.run("document.getElementById('stops').checked = false")
        seen = browser.run(
            "const seen = new Set(), button = document.getElementById('play');"
            "const spot = document.getElementById('spot-driven'); button.click();"
            "const look = setInterval(() => seen.add(spot.getAttribute('cx')), 20);"
            "return new Promise(done => setTimeout(() => {"
            "  clearInterval(look); button.click(); done(seen.size); }, 1300))"
        )
    finally:
        browser.media("light")
    assert 2 <= seen <= 4
