"""The review page in a real browser: what is linked moves together, by mouse, touch and keyboard, without a network."""

from __future__ import annotations

import dataclasses
import json
import re
from itertools import pairwise
from pathlib import Path

import pytest
from shared import REAL, demo_review, real_review
from webdriver import Browser
from widely import widely

from linelab.output.display import lap_time_text
from linelab.output.page.html_file import review_page

READOUT = "return document.getElementById('readout').textContent"
PLACE = "return Number(document.getElementById('place').value)"
COUNT = "return Number(document.getElementById('place').max)"


@pytest.fixture(scope="module")
def review(demo_folder: Path) -> dict:
    return json.loads((demo_folder / "review.json").read_text(encoding="utf-8"))


def cursors(page: Browser) -> set[str]:
    return set(page.run("return [...document.querySelectorAll('.cursor')].map(c => c.getAttribute('transform'))"))


def number(text: str) -> float:
    """A number as the page shows it."""
    return float(re.match(r"[+−]?[\d.]+", text).group().replace("−", "-"))


def test_loads_quickly_quietly_and_from_one_file(page: Browser, demo_folder: Path):
    assert page.requests() == [(demo_folder / "review.html").as_uri()]
    assert page.log("browser") == []
    ready = page.run("const n = performance.getEntriesByType('navigation')[0]; return n.loadEventEnd")
    assert 0.0 < ready < 1000.0  # interactive in under a second; the script has run by then
    assert page.run("return document.getElementById('controls').hidden") is False


def test_works_without_a_network(browser: Browser, demo_folder: Path):
    browser.devtools("Network.enable")
    offline = {"latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    browser.devtools("Network.emulateNetworkConditions", offline=True, **offline)
    try:
        browser.open(demo_folder / "review.html")
        browser.click("#next")
        assert "corner" in browser.run(READOUT)
        browser.requests()
        for control in ("#play", "#play", "#times", "#grid .choose", "#work .save", "#whole", "#theme"):
            browser.click(control)
        assert [address for address in browser.requests() if not address.startswith("blob:")] == []
        assert browser.log("browser") == []
        browser.run("localStorage.clear()")
    finally:
        browser.devtools("Network.emulateNetworkConditions", offline=False, **(offline | {"downloadThroughput": -1}))


def test_policy_stops_what_is_not_in_the_file(page: Browser):
    """Neither an image nor a script of another origin is fetched, whatever got into the page."""
    page.run(
        "const i = new Image(); i.src = 'https://example.org/a.png'; document.body.append(i);"
        "const s = document.createElement('script'); s.textContent = 'window.strange = 1'; document.body.append(s)"
    )
    assert page.run("return window.strange === undefined")
    page.wait("return [...document.images].every(i => i.complete && i.naturalWidth === 0)")
    said = " ".join(entry["message"] for entry in page.log("browser"))
    assert "Content Security Policy" in said
    assert not any(address.startswith("http") for address in page.requests())


def test_one_cursor_for_curves_and_map(page: Browser):
    page.drag(".speed .plot", [(0.2, 0.5), (0.3, 0.4), (0.4, 0.5)])
    place, count = page.run(PLACE), page.run(COUNT)
    assert place == pytest.approx(0.4 * count, abs=2)
    assert len(cursors(page)) == 1
    spot = page.run(
        "const s = document.getElementById('spot-driven').getBoundingClientRect(),"
        "m = document.getElementById('map').getBoundingClientRect();"
        "return [(s.x + s.width / 2 - m.x) / m.width, (s.y + s.height / 2 - m.y) / m.height]"
    )
    page.run("document.getElementById('place').value = 0; "
             "document.getElementById('place').dispatchEvent(new Event('input'))")  # fmt: skip
    assert page.run(PLACE) == 0
    page.drag("#map", [(spot[0], spot[1])])
    assert page.run(PLACE) == pytest.approx(place, abs=2)


def test_readout_agrees_with_the_figures(page: Browser, review: dict):
    """At the finish the time behind is the lap's gap, whose figure comes by another way."""
    page.run("document.getElementById('place').focus()")
    page.keys("End")
    best = next(lap for lap in review["laps"] if lap["label"] == review["best"])
    behind = re.search(r"([\d.]+) ±[\d.]+ s (behind|ahead)", page.run(READOUT))
    assert float(behind.group(1)) == pytest.approx(abs(best["gap_s"]["value"]), abs=0.011)


def test_every_lap_of_the_chooser(page: Browser, review: dict):
    for index, lap in enumerate(review["laps"]):
        page.run(
            "const s = document.getElementById('lap'); s.value = arguments[0]; s.dispatchEvent(new Event('change'))",
            str(index),
        )
        facts = page.run("return document.querySelector('.facts').textContent")
        assert facts.startswith(f"{lap['label'].capitalize()} took {lap_time_text(lap['lap_time_s']['value'])} ")
        *column, total = page.run(
            "return [...document.querySelectorAll('#table tbody tr, #table tfoot tr')].map(r => r.cells[1].textContent)"
        )
        assert round(sum(map(number, column)), 2) == number(total)  # as shown, not as computed
        assert number(total) == pytest.approx(lap["gap_s"]["value"], abs=0.00501)
    assert page.run("return document.getElementById('later').disabled") is True


def test_another_lap_is_drawn_everywhere(page: Browser, review: dict):
    if len(review["laps"]) < 2:
        pytest.skip("one lap")
    drawn = (
        "return [...document.querySelectorAll('#driven path, .trace, .box-loss, .leader.mine')]"
        ".map(p => p.getAttribute('d'))"
    )
    before = page.run(drawn)
    page.click("#later" if page.run("return !document.getElementById('later').disabled") else "#earlier")
    after = page.run(drawn)
    assert len(after) == len(before)
    assert sum(a != b for a, b in zip(before, after)) > 0.8 * len(before)


def test_by_keyboard_alone(page: Browser):
    page.keys("Tab")
    assert "skip" in page.run("return document.activeElement.className")
    seen = set()
    for _ in range(60):
        page.keys("Tab")
        seen.add(page.run("const a = document.activeElement; return a.id || a.tagName"))
    assert {"print-card", "play", "stops"} <= seen
    assert {"lap", "theme", "place", "whole", "next", "before", "nearer", "farther", "SUMMARY"} <= seen
    page.run("document.getElementById('place').focus()")
    page.keys("Home")
    page.keys("Right", "Right", "Right")
    assert page.run(PLACE) == 3
    assert page.run("return document.getElementById('place').getAttribute('aria-valuetext')") == page.run(READOUT)
    page.run("document.querySelector('details.corner:not([open]) > summary').focus()")
    page.keys("Enter")
    assert page.run("return document.activeElement.parentElement.open") is True
    page.run("document.getElementById('every-figure').open = true")
    page.run("document.querySelectorAll('#table thead button')[1].focus()")
    page.keys("Enter")
    assert page.run("return document.querySelectorAll('#table thead th')[1].getAttribute('aria-sort')") == "descending"


def test_sorting_by_time_lost(page: Browser):
    column = "return [...document.querySelectorAll('#table tbody tr')].map(r => r.cells[arguments[0]].textContent)"
    page.click("#every-figure > summary")
    in_order = page.run(column, 0)
    page.click("#table thead th:nth-child(2) button")
    lost = [number(text) for text in page.run(column, 1)]
    assert lost == sorted(lost, reverse=True)
    page.click("#table thead th:nth-child(2) button")
    assert [number(text) for text in page.run(column, 1)] == sorted(lost)
    page.click("#table thead th:nth-child(1) button")
    assert page.run(column, 0) == in_order


def test_close_up_view_follows_the_corners(page: Browser):
    box = "return document.getElementById('map').getAttribute('viewBox')"
    whole = page.run(box)
    page.click("#next")
    first = page.run(box)
    page.click("#next")
    assert len({whole, first, page.run(box)}) == 3
    assert page.run(PLACE) > 0
    fields = page.run("return [...document.querySelectorAll('.field')].map(f => f.getAttribute('viewBox').split(' '))")
    assert len({(field[0], field[2]) for field in fields}) == 1
    page.click("#whole")
    assert page.run(box) == whole


def test_links_open_their_corner(page: Browser):
    closed = page.run("return document.querySelector('details.corner:not([open])').id")
    page.run("document.querySelector(`#table a[href='#${arguments[0]}']`).click()", closed)
    assert page.run("return document.getElementById(arguments[0]).open", closed) is True


def test_dark_and_light(browser: Browser, demo_folder: Path):
    paper = "return getComputedStyle(document.body).backgroundColor"
    browser.open(demo_folder / "review.html")
    light = browser.run(paper)
    browser.media("dark")
    browser.open(demo_folder / "review.html")
    dark = browser.run(paper)
    assert light != dark
    browser.click("#theme")
    assert browser.run(paper) == light
    browser.click("#theme")
    assert browser.run(paper) == dark
    browser.run("localStorage.clear()")


def test_on_a_phone_by_touch(browser: Browser, demo_folder: Path):
    browser.size(390, 844, phone=True)
    browser.open(demo_folder / "review.html")
    assert browser.run("return document.documentElement.scrollWidth") <= 390
    small = browser.run(
        "return [...document.querySelectorAll('button, select, input, summary')]"
        ".filter(e => e.offsetParent && !e.closest('thead') && e.getBoundingClientRect().height < 24)"
        ".map(e => e.id || e.textContent)"
    )
    assert small == []  # WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 CSS pixels
    browser.drag(".speed .plot", [(0.5, 0.5), (0.6, 0.5), (0.7, 0.5)], kind="touch")
    assert browser.run(PLACE) == pytest.approx(0.7 * browser.run(COUNT), abs=4)


@pytest.mark.parametrize("phone", [False, True])
@pytest.mark.parametrize("zoomed", [False, True])
def test_labels_of_the_curves_are_whole_apart_and_beside_them(
    browser: Browser, demo_folder: Path, phone: bool, zoomed: bool
):
    if phone:
        browser.size(390, 844, phone=True)
    browser.open(demo_folder / "review.html")
    if zoomed:
        browser.click("#next")
    rows = browser.run(
        "return [...document.querySelectorAll('.boxes, .stations')].map(row => [...row.querySelectorAll('.along')]"
        ".filter(e => getComputedStyle(e).visibility === 'visible').map(e => e.getBoundingClientRect())"
        ".map(r => [r.left, r.right]).sort((a, b) => a[0] - b[0]))"
    )
    wide = browser.run("return document.documentElement.clientWidth")
    for row in rows:
        assert row
        assert row[0][0] >= 0.0
        assert row[-1][1] <= wide
        assert all(right <= left + 1.0 for (_, right), (left, _) in pairwise(row))
    cut = browser.run(
        "return [...document.querySelectorAll('.stations, .plot')]"
        ".filter(e => getComputedStyle(e).overflow !== 'visible').length"
    )
    assert cut == 0
    over = browser.run(
        "const box = e => e.getBoundingClientRect(); return [...document.querySelectorAll('.height')]"
        ".filter(e => box(e).right > box(e.closest('.plot')).left || box(e).left < 0).map(e => e.textContent)"
    )
    assert over == []


@pytest.mark.parametrize("phone", [False, True])
def test_labels_of_the_lap_times_can_be_read(browser: Browser, demo_folder: Path, phone: bool):
    """As large as other small print, within the page and apart, on any screen."""
    if phone:
        browser.size(360, 700, phone=True)
    browser.open(demo_folder / "review.html")
    boxes = browser.run(
        "return [...document.querySelectorAll('.strip text')].map(e => e.getBoundingClientRect().toJSON())"
    )
    wide = browser.run("return document.documentElement.clientWidth")
    assert len(boxes) > 9
    assert all(box["height"] >= 12.0 and box["left"] >= 0.0 and box["right"] <= wide for box in boxes)
    for k, a in enumerate(boxes):
        for b in boxes[k + 1 :]:
            across = min(a["right"], b["right"]) - max(a["left"], b["left"])
            assert across <= 0.0 or min(a["bottom"], b["bottom"]) - max(a["top"], b["top"]) <= 3.0


def test_no_line_breaks_between_a_figure_and_its_unit(page: Browser):
    cells = page.run("return [...document.querySelectorAll('.marks td')].map(e => e.textContent)")
    assert any("\N{NO-BREAK SPACE}km/h" in cell for cell in cells)
    assert not [cell for cell in cells if re.search(r"\d (km/h|m|s|g)\b", cell)]


def test_names_roles_and_tables(page: Browser):
    """What assistive technology needs: every control, picture and scrolled region named, tables with headings."""
    unnamed = page.run(
        "const named = e => e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.textContent.trim()"
        " || (e.labels && e.labels.length);"
        "return [...document.querySelectorAll('button, select, input, svg[role=img], section, [role=region]')]"
        ".filter(e => !named(e)).map(e => e.outerHTML.slice(0, 80))"
    )
    assert unnamed == []
    loose = page.run(
        "return [...document.querySelectorAll('svg')].filter(e => !e.closest('[aria-hidden=true], [role=img]')).length"
    )
    assert loose == 0
    bare = page.run("return [...document.querySelectorAll('th')].filter(e => !e.scope).length")
    assert bare == 0
    levels = page.run("return [...document.querySelectorAll('h1, h2, h3')].map(e => Number(e.tagName[1]))")
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert page.run("return document.documentElement.lang") == "en"


def test_prints_without_its_controls(page: Browser, tmp_path: Path):
    page.media(kind="print")
    shown = page.run(
        "return ['.bar', '.controls', '#theme', '#map', '#table', '.verdict', '.caution']"
        ".map(s => document.querySelector(s).getClientRects().length > 0)"
    )
    page.media("light")
    assert shown == [False, False, False, True, True, True, True]
    page.printed(tmp_path / "page.pdf")
    pdf = (tmp_path / "page.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 12


def test_without_script_the_best_lap_is_all_there(browser: Browser, demo_folder: Path, tmp_path: Path):
    """Scripts are refused by a policy of the copy's own: to switch them off in the browser races with its loading."""
    text = (demo_folder / "review.html").read_text(encoding="utf-8")
    policy = '<meta http-equiv="Content-Security-Policy" content="script-src \'none\'">'
    copy = tmp_path / "review.html"
    copy.write_text(text.replace("<head>", f"<head>{policy}", 1), encoding="utf-8")
    assert policy in copy.read_text(encoding="utf-8")
    browser.open(copy)
    assert browser.run("return document.getElementById('controls').hidden") is True
    lengths = browser.run("return [...document.querySelectorAll('.trace')].map(p => p.getAttribute('d').length)")
    assert min(lengths) > 200
    assert "took" in browser.run("return document.querySelector('.facts').textContent")


def test_grid_of_times_chooses_laps_and_shows_times(page: Browser, review: dict):
    rows = page.run("return [...document.querySelectorAll('#grid tr[data-lap]')].map(r => Number(r.dataset.lap))")
    assert rows == list(range(len(review["laps"])))
    page.click("#grid .choose[data-lap='1']")
    assert page.run("return document.getElementById('lap').value") == "1"
    assert page.run("return [...document.querySelectorAll('#grid tr.chosen')].map(r => r.dataset.lap)") == ["1"]
    cells = "return [...document.querySelectorAll('#grid tbody tr:nth-child(2) td')].map(c => c.textContent)"
    apart = page.run(cells)
    page.click("#times")
    times = [float(text) for text in page.run(cells)]
    assert times[-1] == pytest.approx(review["laps"][0]["lap_time_s"]["value"], abs=0.0051)
    best = page.run("return [...document.querySelectorAll('#grid .best-times td')].map(c => Number(c.textContent))")
    for shown, time, least in zip(apart, times, best):
        assert (0.0 if shown == "best" else number(shown)) == pytest.approx(time - least, abs=0.0101)
    page.click("#times")
    assert page.run(cells) == apart


def test_pedals_and_grip_are_read_out(page: Browser, review: dict):
    best = next(lap for lap in review["laps"] if lap["label"] == review["best"])
    corner = next(c for c in best["corners"] if (c["marks"]["brake_point_m"]["driven"]["value"] or 0.0) > 20.0)
    step = page.run("return JSON.parse(document.getElementById('readings').textContent).step")
    for metres, wanted in ((-14.0, "power"), (5.0, "brake")):
        at = round((corner["marks"]["brake_point_m"]["driven"]["value"] + metres) / step)
        page.run(
            "const p = document.getElementById('place'); p.value = arguments[0]; p.dispatchEvent(new Event('input'))",
            str(at),
        )
        assert f"Pedals: {wanted} (" in page.run(READOUT)
    assert 20.0 < float(re.search(r"Grip used: (\d+) ±\d+ %", page.run(READOUT)).group(1)) < 130.0
    drawn = (
        "return [...document.querySelectorAll('.feet [data-by-lap], .grip [data-by-lap]')]"
        ".map(p => p.getAttribute('d'))"
    )
    before = page.run(drawn)
    page.click("#earlier")
    assert all(a != b for a, b in zip(before, page.run(drawn)) if a)


def test_the_g_g_diagram_follows_lap_cursor_and_part(page: Browser):
    """Another lap has other points; a touch on a point moves every cursor there; a corner shows its way through it."""
    drawn = "return [...document.querySelectorAll('#gg [data-by-lap]')].map(p => p.getAttribute('d'))"
    before = page.run(drawn)
    page.click("#earlier")
    assert all(a != b for a, b in zip(before, page.run(drawn)))
    page.drag(".speed .plot", [(0.3, 0.5), (0.35, 0.5)])
    spot = "const r = e => { const b = e.getBoundingClientRect(); return [b.x + b.width / 2, b.y + b.height / 2] };"
    place, read = page.run(PLACE), page.run(READOUT)
    assert re.search(r"Acceleration along: −?[\d.]+ ±[\d.]+ g; across: [\d.]+ ±[\d.]+ g to the (left|right)\.", read)
    at = page.run(
        f"{spot} const g = document.getElementById('gg'), b = g.getBoundingClientRect(),"
        " [x, y] = r(g.querySelector('.spot-driven')); return [(x - b.x) / b.width, (y - b.y) / b.height]"
    )
    page.run("document.getElementById('place').value = 0; "
             "document.getElementById('place').dispatchEvent(new Event('input'))")  # fmt: skip
    page.drag("#gg", [(at[0], at[1])])
    # Another place may have the same accelerations.
    assert page.run(READOUT).split("along:")[-1] == read.split("along:")[-1] or abs(page.run(PLACE) - place) < 3
    part = "return document.getElementById('gg-part').getAttribute('d')"
    assert page.run(part) == ""
    page.click("#next")
    one = page.run(part)
    assert one.startswith("M")
    page.click("#next")
    assert page.run(part) not in ("", one)
    page.click("#whole")
    assert page.run(part) == ""


def test_zooming_rescales_the_time_curve(page: Browser):
    """The curve fills its panel on every part of the lap, and the values beside it are where they stand."""
    scale = "return [...document.querySelectorAll('.gap .height')]"
    scale += ".map(t => [t.textContent, parseFloat(t.getAttribute('y'))])"
    field = "return document.querySelector('.gap .field').getAttribute('viewBox').split(' ').map(Number)"
    whole = page.run(field), page.run(scale)
    heights = []
    for _ in range(4):
        page.click("#next")
        left, low, wide, reach = page.run(field)
        heights.append(reach)
        gaps = page.run(
            "const d = JSON.parse(document.getElementById('readings').textContent), lap = d.laps[arguments[0]];"
            "let g = 0; return lap.gap.map(step => g += step)",
            int(page.run("return Number(document.getElementById('lap').value)")),
        )
        step = page.run("return JSON.parse(document.getElementById('readings').textContent).step") * 10.0
        part = gaps[round(left / step) : round((left + wide) / step) + 1]
        assert -low - reach <= min(part)
        assert -low >= max(part)
        assert (max(part) - min(part)) > 0.4 * reach or reach < 150.0
        ticks = page.run(scale)
        assert 2 <= len(ticks) <= 6
        for text, share in ticks:
            assert number(text) * 1000.0 == pytest.approx(-(low + reach * share / 100.0), abs=0.6)
    assert max(heights) < 0.5 * whole[0][3]
    page.click("#whole")
    assert page.run(field) == whole[0]
    assert page.run(scale) == whole[1]


def test_any_lap_changes_every_sentence_that_it_should(browser: Browser, tmp_path: Path):
    """The page with a lap chosen says word for word what a page made with that lap on show says."""
    session = demo_review()
    said = "return [...document.querySelectorAll('main, .bar .against')]"
    said += ".map(e => e.textContent.replace(/\\s+/g, '')).join(' ')"
    drawn = (
        "return [...document.querySelectorAll('path, g.badge')]"
        ".map(p => p.getAttribute('d') || p.getAttribute('transform'))"
    )
    (tmp_path / "page.html").write_text(review_page(session), encoding="utf-8")
    for chosen in (session.typical, 0):
        made = dataclasses.replace(session, best=chosen)
        (tmp_path / "made.html").write_text(review_page(made), encoding="utf-8")
        browser.open(tmp_path / "made.html")
        wanted = browser.run(said), browser.run(drawn)
        browser.open(tmp_path / "page.html")
        assert browser.run(said) != wanted[0]
        browser.run(
            "const s = document.getElementById('lap'); s.value = arguments[0]; s.dispatchEvent(new Event('change'))",
            str(chosen),
        )
        assert browser.run(said) == wanted[0]
        assert browser.run(drawn) == wanted[1]


def test_the_usual_lap_can_be_chosen(page: Browser, review: dict):
    (usual,) = page.run(
        "return [...document.getElementById('lap').options].filter(o => o.text.includes('usual lap') && "
        "!o.text.includes('not a')).map(o => o.text)"
    )
    times = sorted(lap["lap_time_s"]["value"] for lap in review["laps"])
    assert lap_time_text(times[len(times) // 2]) in usual


@pytest.mark.parametrize("session", widely(["demo", "real"], ["demo"]))
def test_verdict_map_and_first_card_on_two_screens_of_a_phone(browser: Browser, tmp_path: Path, session: str):
    if session == "real" and not REAL.exists():
        pytest.skip("no outside recording here (LINELAB_SHARED)")
    review = real_review() if session == "real" else demo_review()
    (tmp_path / "page.html").write_text(review_page(review), encoding="utf-8")
    browser.size(390, 844, phone=True)
    browser.open(tmp_path / "page.html")
    ends = browser.run(
        "return ['.verdict', '.glance', '.priorities > li'].map(s => document.querySelector(s).getBoundingClientRect())"
        ".map(r => [r.height, r.bottom + scrollY])"
    )
    assert all(height > 60.0 and bottom <= 2 * 844 for height, bottom in ends)


def test_details_come_on_demand(page: Browser):
    """A first look has under two thirds of the words and a quarter of the figures; nothing is lost by it."""
    counts = "const t = document.querySelector('main').innerText; return [t.split(/\\s+/).length, t.split('±').length]"
    words, figures = page.run(counts)
    page.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    all_words, all_figures = page.run(counts)
    assert words < 2000
    assert figures < 120
    assert all_words > 3 * words
    assert all_figures > 4 * figures
