"""Two setups: terminal, page, print and JSON say the same of one comparison; the drawings show what was measured."""

from __future__ import annotations

import dataclasses
import json
import re
from xml.etree import ElementTree

import jsonschema
import matplotlib.text
import numpy as np
import pytest
from shared import demo_review

from linelab.files.tracks.track_file import load_track
from linelab.measured import TO_95, Measured
from linelab.output.display import METRIC
from linelab.output.page.content import Beside
from linelab.output.page.html_file import review_page, setups_page
from linelab.output.review_data import review_as_dict, review_schema
from linelab.output.review_print import above_foot, review_pages
from linelab.output.review_text import setup_lines
from linelab.output.setups.setups_drawing import draw_setups, slowest_shown
from linelab.output.setups.setups_report import setups_as_dict, setups_lines
from linelab.output.setups.setups_words import corner_words, difference_rows
from linelab.study.setups.setup_model import OutingLaps, setup_effects
from linelab.study.setups.setup_verdict import SetupLap, judge_setups

TRACK = load_track("tinmarsh_rental")
#: Usual time of each corner's stretch and what B takes less there [s].
CORNERS = np.array([5.0, 4.0, 3.0, 6.0, 3.0, 4.0, 3.0, 4.0, 2.0, 3.0, 3.0])
GAIN = np.array([0.4, 0.0, 0.0, 0.3, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])


def compared(order, **options):
    """Outings with planted differences in two corners and one spoilt lap."""
    rng = np.random.default_rng(8)
    outings, rows = [], []
    for k, setup in enumerate(order):
        parts = CORNERS - (GAIN if setup == "B" else 0.0) + 0.02 * rng.standard_normal((6, CORNERS.size))
        parts[2, 5] += 4.0 if k == 0 else 0.0
        times = np.column_stack([parts.sum(axis=1), parts])
        size = times.shape[1]
        outings.append(
            OutingLaps(second=setup == "B", number=np.arange(1.0, 7.0), times=times, variance=np.full(size, 1e-4),
                       shared=np.zeros(size))
        )  # fmt: skip
        rows += [
            SetupLap(outing=k + 1, setup=setup, source=f"run{k + 1} <b>.csv", number=n + 1,
                     lap_time=Measured(float(row[0]), 0.01), corners=tuple(row[1:].tolist()))
            for n, row in enumerate(times)
        ]  # fmt: skip
    numbers = [corner.number for corner in TRACK.corners]
    found = setup_effects(outings, outing=options.get("outing"))
    return judge_setups(found, outings, numbers, rows, (order, "given"), options.get("matters"), TRACK)


@pytest.fixture(scope="module")
def several():
    return compared("ABAB", matters=0.1)


@pytest.fixture(scope="module")
def single():
    return compared("AB")


def flat(text):
    """Text without tags, with single blanks and plain minus signs."""
    plain = re.sub(r"<[^>]+>", " ", text).replace("−", "-").replace("&#39;", "'")
    return " ".join(plain.split())


def test_the_planted_corners_are_real_and_others_are_none(several):
    assert several.verdict == "real"
    assert [one.number for one in several.corners if one.verdict == "real"] == [1, 4]
    assert {one.verdict for one in several.corners} == {"real", "none"}
    said = corner_words(several)
    assert re.match(r"A real difference in corner 1 \(B faster by 0\.\d+ ±0\.\d+ s\); corner 4 \(B faster by", said)
    assert re.search(r"No difference bigger than 0\.\d+ s in corners 2, 3, 5, 6, 7, 8, 9, 10 and 11\.$", said)
    for one, gain in zip(several.corners, GAIN):
        assert abs(one.time.value + gain) < TO_95 * one.time.sigma
        assert one.clear == (one.verdict == "real")
        assert (one.more is None) == (one.verdict != "few")


@pytest.mark.parametrize("which", ["several", "single"])
def test_terminal_page_print_and_json_say_the_same(which, request):
    found, review = request.getfixturevalue(which), demo_review()
    held = Beside(setups=found)
    terminal = flat(" ".join(setup_lines(found)))
    alone = flat("\n".join(setups_lines(found)))
    data = review_as_dict(review, setups=found)
    page, own = flat(review_page(review, beside=held)), flat(setups_page(found))
    pages = review_pages(review, beside=held)
    paper = flat(" ".join(text.get_text() for page in pages for text in page.findobj(matplotlib.text.Text)))
    for words in filter(None, (found.words, found.condition, corner_words(found))):
        for text in (terminal, alone, page, own, paper):
            assert flat(words) in text
    for (name, value, most, words), _ in difference_rows(found):
        for text in (page, own):
            assert f"{name} {flat(value)} {most} {flat(words)}" in text
        assert f"{name} {flat(value)} {most} {flat(words)}" in alone
        for cell in (name, flat(value), most, flat(words)):
            assert cell in paper
    held_data = json.loads(json.dumps(data["setups"], allow_nan=False))
    assert {key: value for key, value in setups_as_dict(found).items() if key in held_data} == held_data
    assert (held_data["words"], held_data["condition"]) == (found.words, found.condition)
    assert [one["words"] for one in held_data["corners"]] == [one.words for one in found.corners]
    jsonschema.validate(json.loads(json.dumps(data)), review_schema())


def test_a_review_without_setups_has_no_such_section():
    review = demo_review()
    assert 'id="setups"' not in review_page(review)
    assert "setups" not in review_as_dict(review)
    assert len(review_pages(review, beside=Beside())) == len(review_pages(review))


@pytest.mark.slow
def test_what_is_printed_stays_on_the_sheet(several, single):
    """Also where there are so many outings that their table comes overleaf."""
    review = demo_review()
    many = dataclasses.replace(
        several, order="AB" * 9,
        laps=tuple(dataclasses.replace(several.laps[k], outing=k + 1, setup="AB"[k % 2]) for k in range(18)),
    )  # fmt: skip
    before = len(review_pages(review))
    for found, more in ((several, 1), (single, 1), (many, 2)):
        pages = review_pages(review, beside=Beside(setups=found))
        assert len(pages) == before + more
        for page in pages[before:]:
            page.canvas.draw()
            low = min(
                box.y0 / page.dpi
                for text in page.texts
                if (box := text.get_window_extent()) and text.get_position()[1] * page.get_figheight() > 0.9
            )
            assert low > above_foot(review, METRIC) - 0.1
            assert max(text.get_window_extent().x1 for text in page.texts) < page.bbox.width


def test_names_from_files_stay_text(several):
    for text in (setups_page(several), review_page(demo_review(), beside=Beside(setups=several))):
        assert "<b>.csv" not in text
        assert "&lt;b&gt;.csv" in text


def test_the_drawing_shows_what_was_measured(several):
    drawn = draw_setups(several)
    times = np.array([lap.lap_time.value for lap in several.laps])
    top = slowest_shown(times.tolist())
    inside = times <= top
    assert inside.sum() == times.size - 1  # the spoilt lap
    y = np.array([lap.y for lap in drawn.laps])
    slope, level = np.polyfit(times[inside], y[inside], 1)
    assert slope > 0.0  # faster above
    assert np.abs(level + slope * times[inside] - y[inside]).max() < 0.1
    spoilt = drawn.laps[int(np.argmin(inside))]
    assert spoilt.beyond
    assert spoilt.y == max(y)
    assert [lap.x for lap in drawn.laps] == sorted(lap.x for lap in drawn.laps)
    values = np.array([one.time.value for one in several.corners])
    halves = np.array([TO_95 * one.time.sigma for one in several.corners])
    at = np.array([(one.low, one.y, one.high) for one in drawn.corners])
    slope, level = np.polyfit(values, at[:, 1], 1)
    assert slope < 0.0  # B faster below
    for column, ends in enumerate((values - halves, values, values + halves)):
        assert np.abs(level + slope * ends - at[:, column]).max() < 0.15
    for level in (*drawn.times, *drawn.differences):
        assert 0.0 <= level.y <= drawn.laps_height
    assert [one.real for one in drawn.corners] == [one.clear for one in several.corners]


def test_the_drawings_of_the_page_are_whole(several):
    """One mark a lap and a corner, squares for A, and names that assistive technology reads."""
    page = setups_page(several)
    drawings = [
        ElementTree.fromstring(text.replace("\n<figcaption", ""))
        for text in re.findall(r'<svg class="setups".*?</svg>\n<figcaption', page, re.S)
    ]
    assert len(drawings) == 2
    assert all(drawing.get("aria-label") for drawing in drawings)
    count = {setup: sum(lap.setup == setup for lap in several.laps) for setup in "AB"}
    squares = list(drawings[0].iter("rect"))
    assert (len(squares), len(list(drawings[0].iter("circle")))) == (count["A"], count["B"])
    assert len(list(drawings[1].iter("circle"))) == len(several.corners)
    assert "<script" not in page
    assert "style=" not in page
    assert "http" not in page.replace("http-equiv", "")
