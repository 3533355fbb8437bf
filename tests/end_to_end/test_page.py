"""From a recording to the page: what it says adds up, nothing in it is foreign, and hostile names stay names."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re
import time
from html.parser import HTMLParser

import jsonschema
import matplotlib
import numpy as np
import pytest
from shared import REAL, demo_review, real_review

from linelab.coaching.coach_words import MARKS
from linelab.coaching.consistency import least_repeatable_first
from linelab.measured import Measured, withheld
from linelab.model.track import Survey
from linelab.output.display import CAUTIONS, IMPERIAL, METRIC, evidence_text
from linelab.output.draw import review_pictures
from linelab.output.draw.corner_closeup import plot_corner
from linelab.output.page.content import MOST_LAPS, beside_texts
from linelab.output.page.corner_rows import corner_parts, figures_table
from linelab.output.page.html_file import review_page
from linelab.output.review_data import review_as_dict, review_schema
from linelab.output.review_print import review_pages
from linelab.output.review_report import beside_earlier, beside_other, save_review
from linelab.output.review_text import review_lines, work_heading
from linelab.output.sheet.track_sheet import sheet_pages

NAUGHTY = '"><img src=x onerror="window.hacked=1"></script><script>window.hacked=1</script>&amp;{{7*7}}\u2028'
VOID = {"meta", "input", "path", "rect", "circle", "use", "br", "link", "img"}


class Page(HTMLParser):
    """Tags with their attributes, and the text of every script and style."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.blocks: list[tuple[str, dict[str, str | None], str]] = []
        self.cells: list[list[str]] = []
        self.text = ""
        self._open: tuple[str, dict[str, str | None]] | None = None
        self._cell = False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._open = (tag, dict(attrs))
        if tag == "tr":
            self.cells.append([])
        self._cell = tag in ("td", "th") or (self._cell and tag not in ("tr", "table"))
        if tag in ("td", "th"):
            self.cells[-1].append("")

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self._cell = False

    def handle_data(self, data):
        self.text += data
        if self._open and self._open[0] in ("script", "style"):
            self.blocks.append((*self._open, data))
            self._open = None
        elif self._cell and self.cells:
            self.cells[-1][-1] += data


@pytest.fixture(scope="module")
def review():
    return demo_review()


@pytest.fixture(scope="module")
def text(review):
    return review_page(review, source="practice.csv", recorded=review.recorded)


#: Words of ours that stop a reader, and names that a thing has no longer: each has one name (DEVELOPERS.md).
STOPPING = ("told", "ideal lap", "ideal line", "reference lap", "held against", "brake mark", "standard deviations of")


def test_what_a_user_reads_has_no_words_of_our_own(review, text):
    """On the demo's page, terminal, JSON, CSV, print and track sheet."""
    pages = [*review_pages(review), *sheet_pages(review.track, review.kart, review.solution)]
    printed = [part.get_text() for page in pages for part in page.findobj(matplotlib.text.Text)]
    words = [re.sub(r"<(style|script).*?</\1>", "", text, flags=re.DOTALL), *review_lines(review, review.recorded)]
    words += [json.dumps(review_as_dict(review), ensure_ascii=False), *printed]
    found = re.findall(rf"\b(?:{'|'.join(STOPPING)})\b", "\n".join(words), flags=re.IGNORECASE)
    assert found == []


def number(cell: str) -> float:
    return float(re.match(r"[+−]?[\d.]+", cell).group().replace("−", "-"))


def test_every_part_is_there(review, text):
    page = Page(text)
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert {"verdict", "work", "round", "corners", "figures", "again", "doubts", "map", "place", "lap"} <= set(ids)
    assert {f"corner-{corner.number}" for corner in review.track.corners} <= set(ids)
    assert ids.index("verdict") < ids.index("work") < ids.index("round") < ids.index("corners") < ids.index("figures")
    assert text.count(CAUTIONS) == 3  # above, below, and on the driver card, which is printed alone
    order = [text.index(part) for part in (review.verdict[:30], 'id="map"', 'id="table"')]
    assert order == sorted(order)
    targets = {attributes["href"][1:] for tag, attributes in page.tags if tag in ("a", "use")}
    assert targets <= set(ids)  # no link leads nowhere


def test_losses_add_up_as_shown(review, text):
    """Of every lap, in both directions of the table: corners to the gap, phases to the corner, line and speed too."""
    body = Page(text[text.index('<table id="table"') : text.index("</table>", text.index('<table id="table"'))])
    varied = json.loads(re.search(r'id="by-lap">(.*?)</script>', text).group(1))
    for lap in review.laps:
        assert lap.gap.value == pytest.approx(sum(part.time_lost.value for part in lap.corners), abs=1e-9)
    rows = [row for row in body.cells[1:] if row[1]]
    *corners, total = rows
    assert round(sum(number(row[1]) for row in corners), 2) == number(total[1])
    for row in rows:
        if "–" not in row[2:6]:
            assert round(sum(map(number, row[2:6])), 2) == number(row[1])
        if "–" not in row[6:8]:
            assert round(number(row[6]) + number(row[7]), 2) == number(row[1])
    assert len({len(numbers) for numbers in varied["laps"]}) == 1
    assert len(varied["laps"]) == len(review.laps)
    assert text.count("data-by-lap=") == len(varied["laps"][0])


def test_no_braking_is_advised_where_nobody_brakes(review):
    """In one fast corner neither the demo driver nor the computed lap brakes: words and marks agree."""
    session = review
    index, corner = next((k, corner) for k, corner in enumerate(session.track.corners) if corner.number == 13)
    points = [lap.corners[index].marks.brake_point for lap in session.laps]
    assert all(point.driven.value is None and point.reference is None for point in points)
    (card,) = [item for item in session.priorities if item.corners == (corner.number,)]
    assert card.title == "Stay on the power longer in corner 13"
    assert not any("brak" in line.text for line in card.evidence)
    rolled = session.laps[0].corners[index].marks.coasting_before
    assert rolled.gap.value > 1.0  # well over a second of way with neither pedal down


def test_what_had_no_room_is_named_everywhere(review, text):
    """The demo driver's fourth habit is as clear of the noise as the first three: it is not dropped unsaid."""
    session = review
    (line,) = session.priorities[-1].close
    said = evidence_text(line)
    assert said.startswith(("After these: get closer", "Worth about as much: get closer"))
    assert "to the inside edge in corner 8" in said
    assert said in text
    assert f"   {said}" in review_lines(session)
    assert said in review_as_dict(session)["priorities"][-1]["evidence"]
    printed = " ".join(part.get_text() for part in review_pages(session)[0].findobj(matplotlib.text.Text))
    assert said in " ".join(printed.split())
    first, second = session.priorities[:2]
    for less, said in ((0.8, "in about this order"), (0.2, "in this order")):
        stake = Measured(less * first.at_stake.value, first.at_stake.sigma)
        two = (first, dataclasses.replace(second, at_stake=stake))
        assert said in work_heading(dataclasses.replace(session, priorities=two))


def test_the_least_repeatable_corner_leads_its_table(review, text):
    """By one measure, how much its time varies; corners not clear of noise come last, however much theirs may."""
    part = text[text.index('<section id="again"') : text.index('<section id="doubts"')]
    number_said = re.search(r'time varies most is <a href="#corner-(\d+)"', part).group(1)
    rows = re.findall(r'<th scope="row"><a href="#corner-(\d+)">.*?</th><td>(.*?)</td>', part)
    assert rows[0][0] == number_said == str(review.consistency.least_repeatable)
    clear_first = [item for item in review.consistency.corners if item.time.value > 2.0 * item.time.sigma]
    shown = [number(cell) for _, cell in rows]
    assert shown[: len(clear_first)] == sorted(shown[: len(clear_first)], reverse=True)
    noisy = dataclasses.replace(clear_first[0], time=Measured(9.0, 5.0))
    assert least_repeatable_first([noisy, *clear_first[1:]])[-1] is noisy


def test_nothing_foreign_in_the_file(text):
    page = Page(text)
    policy = next(a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv"))
    hashes = {
        kind: "sha256-" + base64.b64encode(hashlib.sha256(block.encode("utf-8")).digest()).decode()
        for kind, attributes, block in page.blocks
        if "type" not in attributes
    }
    assert policy == (
        f"default-src 'none'; style-src '{hashes['style']}'; script-src '{hashes['script']}'; "
        "base-uri 'none'; form-action 'none'"
    )
    for _, attributes in page.tags:
        assert not {"src", "style", "srcset", "action"} & attributes.keys()
        assert not any(name.startswith("on") for name in attributes)
    assert "http:" not in text
    assert "https:" not in text
    style = next(block for kind, _, block in page.blocks if kind == "style")
    assert "url(" not in style
    assert "@import" not in style


def _covered(page) -> list[tuple[str, ...]]:
    """Texts that leave a printed page, and pairs of texts that cover each other."""
    page.canvas.draw()
    texts = [text for text in page.findobj(matplotlib.text.Text) if text.get_text().strip() and text.get_visible()]
    boxes = [(text.get_text(), text.get_window_extent()) for text in texts]
    width, height = page.bbox.x1, page.bbox.y1
    beyond = [(name,) for name, box in boxes if box.x0 < 0 or box.y0 < 0 or box.x1 > width or box.y1 > height]
    plain = [(name, box) for name, box in boxes if len(name) > 1]  # letters of marks may touch in a tight corner
    overlaps = [
        (one, other)
        for k, (one, a) in enumerate(plain)
        for other, b in plain[k + 1 :]
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 1.0 and min(a.y1, b.y1) - max(a.y0, b.y0) > 2.5
    ]
    return beyond + overlaps


def _withheld_everywhere(session, reasons):
    """The session with every mark withheld for one reason or another."""
    laps = []
    for lap in session.laps:
        corners = []
        for part in lap.corners:
            said = [reasons[k % len(reasons)].format(MARKS[name].name) for k, name in enumerate(MARKS)]
            named = part.marks.named()
            marks = {name: dataclasses.replace(named[name], driven=withheld(why)) for name, why in zip(MARKS, said)}
            corners.append(dataclasses.replace(part, marks=dataclasses.replace(part.marks, **marks)))
        laps.append(dataclasses.replace(lap, comparison=dataclasses.replace(lap.comparison, corners=tuple(corners))))
    return dataclasses.replace(session, laps=tuple(laps))


def test_reasons_are_printed_whole(review):
    """Where a mark is withheld the print says why, to the last word, without repeating the row's heading."""
    reasons = (
        "position error ±2.2 m: {} not reported",
        "{} only known within ±24 m",
        "the speed has no lowest point here",
        "{} not clear in this recording",
    )
    pages = review_pages(_withheld_everywhere(review, reasons))
    printed = " ".join(text.get_text() for page in pages[2:] for text in page.findobj(matplotlib.text.Text))
    assert "..." not in printed
    for words in ("position error ±2.2 m", "only known within ±24 m", "not clear in this", "no lowest point"):
        assert words in printed
    assert "not reported" not in printed
    for page in pages[2:]:
        assert _covered(page) == []


@pytest.mark.slow
def test_another_session_is_printed_as_the_page_has_it(review):
    """The same words and rows as on the page, none on top of another; what became of earlier cards too."""
    session = review
    for held in (beside_other(session, session, "your team mate"), beside_earlier(session, session)):
        before, page = review_pages(session), review_pages(session, beside=held)
        assert len(page) == len(before)  # it stands below the g-g diagram
        texts = [text.get_text() for text in page[-1].findobj(matplotlib.text.Text) if text.get_text()]
        said = beside_texts(held.source, held.difference, METRIC)
        printed = " ".join(" ".join(texts).split())
        for line in (said["words"], *said["shown"], *said["since"]):
            assert line in printed
        for name, text, _ in said["rows"]:
            assert name in texts
            assert text in texts
        assert texts.count("no") + texts.count("yes") == len(said["rows"]) == len(session.track.corners) + 2
        assert _covered(page[-1]) == []
        html = Page(review_page(session, beside=held)).text
        for line in (said["words"], *said["shown"], *said["since"]):
            assert line in html


def test_names_from_files_stay_text(review):
    """Names of track, corners, kart, recording, laps and notes with markup in them come out as text."""
    session = review
    corners = tuple(dataclasses.replace(corner, name=NAUGHTY) for corner in session.track.corners)
    by_number = {corner.number: corner for corner in corners}
    laps = tuple(
        dataclasses.replace(
            lap,
            label=NAUGHTY + lap.label,
            comparison=dataclasses.replace(
                lap.comparison,
                corners=tuple(dataclasses.replace(part, corner=by_number[part.corner.number]) for part in lap.corners),
            ),
        )
        for lap in session.laps
    )
    naughty = dataclasses.replace(
        session,
        track=dataclasses.replace(session.track, name=NAUGHTY, corners=corners),
        kart=dataclasses.replace(session.kart, name=NAUGHTY),
        laps=laps,
        verdict=NAUGHTY,
        cleaning=(NAUGHTY,),
        notes=(NAUGHTY,),
    )
    text = review_page(naughty, source=NAUGHTY)
    page = Page(text)
    assert sum(tag == "script" for tag, _ in page.tags) == 3
    assert not any(tag == "img" for tag, _ in page.tags)
    assert not any("onerror" in attributes for _, attributes in page.tags)
    assert "{{7*7}}" in page.text  # nothing is taken for a template
    data = json.loads(next(b for _, a, b in page.blocks if a.get("id") == "readings"))
    assert data["laps"][0]["label"].startswith(NAUGHTY)
    assert data["corners"][0]["label"].endswith(NAUGHTY.strip())


def test_json_obeys_the_published_schema(review):
    schema = review_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    data = json.loads(json.dumps(review_as_dict(review, settings={"kart": "plain"})))
    jsonschema.validate(data, schema)
    broken = json.loads(json.dumps(data))
    broken["laps"][0]["gap_s"] = {"value": 1.0}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, schema)
    for lap in data["laps"]:
        parts = sum(corner["time_lost_s"]["value"] for corner in lap["corners"])
        assert parts == pytest.approx(lap["gap_s"]["value"], abs=1e-9)


@pytest.mark.slow
def test_twenty_laps_are_light_and_quickly_written(review):
    laps = review.laps
    twenty = dataclasses.replace(
        review,
        laps=tuple(dataclasses.replace(laps[k % len(laps)], label=f"lap {k + 1}") for k in range(20)),
    )

    def spent(shown):
        """Least processor time of three pages [s], and the last one."""
        times = []
        for _ in range(3):
            start = time.process_time()
            text = review_page(shown)
            times.append(time.process_time() - start)
        return min(times), text

    few, _ = spent(review)
    many, text = spent(twenty)
    assert len(text.encode("utf-8")) < 1_500_000
    assert many < 1.5 * few * 20 / len(laps)  # by laps at most, whatever the machine; 0.3 s measured


def test_of_very_many_laps_the_page_holds_some(review):
    laps = review.laps
    many = dataclasses.replace(
        review,
        laps=tuple(dataclasses.replace(laps[k % len(laps)], label=f"lap {k + 1}") for k in range(60)),
    )
    text = review_page(many)
    data = json.loads(re.search(r'id="readings">(.*?)</script>', text).group(1))
    assert len(data["laps"]) == MOST_LAPS
    assert laps[review.best].comparison.driven.lap.v.size > 0
    assert f"60 laps, {MOST_LAPS} of them" in text
    assert len(text.encode("utf-8")) < 1_500_000


def test_imperial(review):
    text = review_page(review, IMPERIAL)
    assert "km/h" not in text[: text.index('id="doubts"')]  # what was done to the recording is told in its own units
    assert " mph" in text
    assert json.loads(re.search(r'id="readings">(.*?)</script>', text).group(1))["units"]["length"][1] == "ft"
    metric = re.compile(r"\d[ \u00a0](?:m|km/h|m/s|m/s²)(?![\w/²])")
    assert metric.findall(text) == []
    noted = [note for note in review.notes if metric.search(note)]
    assert len(noted) >= 2  # what is known of the receiver, worded in metres where it arises
    assert len(metric.findall(review_page(review))) >= len(noted)
    told = "\n".join(review_lines(review, review.recorded, IMPERIAL))
    assert metric.findall(told) == []


def test_pictures_tell_what_the_page_tells(review, tmp_path, monkeypatch):
    """The same losses as the table, the marks where the driver has them, and no mark that the table does not have."""
    drawn = []

    def kept(*arguments, **named):
        drawn.append((arguments, named))
        return plot_corner(*arguments, **named)

    monkeypatch.setattr(review_pictures, "plot_corner", kept)
    session = review
    names = [path.name for path in review_pictures.save_pictures(tmp_path, session)]
    lap = session.laps[session.best]
    worst = sorted(lap.corners, key=lambda part: -part.time_lost.value)[:3]
    numbers = [part.corner.number for part in worst]
    assert names == ["time_lost_map.png", "speed_and_time.png", *(f"corner_{number:02d}.png" for number in numbers)]
    table = {row[0]: row[1:] for row in figures_table(session, corner_parts(session, METRIC), session.best, METRIC)}
    driven = lap.comparison.driven.lap.line
    for (_, corner, *_), named in drawn:
        lost, *phases = table[corner.label][:5]
        assert named["subtitle"].startswith(f"{lost} s: ")
        assert all(f" {phase}" in named["subtitle"] for phase in phases)
        marks = next(part.marks for part in lap.corners if part.corner.number == corner.number)
        frame = next(part.frame for part in lap.corners if part.corner.number == corner.number)
        apexes = [f"{name} distance" for name in frame.apex_names() if name]
        assert {c.name for c in named["reference_marks"]} == {"turn-in", *apexes, "exit speed"} | {
            MARKS[name].name
            for name, mark in (("brake_point", marks.brake_point), ("drive_point", marks.drive_point),
                               ("min_speed", marks.min_speed_place))
            if mark.reference is not None
        }  # fmt: skip
        own = {c.name: c for c in named["driven_marks"]}
        for name, apex in zip(apexes, (frame.apex, frame.other_apex)):
            assert own[name].x == pytest.approx(float(np.interp(apex, driven.s, driven.x)))  # measured there
        assert ("brake point" in own) == marks.brake_point.driven.known
        if "brake point" in own:
            at = np.interp(marks.brake_point.driven.value, driven.s, driven.x)
            assert own["brake point"].x == pytest.approx(float(at))


def test_files_of_a_review(review, tmp_path):
    names = save_review(review, tmp_path / "out", print_file=True, formats=("csv", "geojson"))
    assert names == ["corners.csv", "laps.csv", "lines.geojson", "review.html", "review.json", "review.pdf"]
    pdf = (tmp_path / "out" / "review.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 4
    assert b"/FontFile2" in pdf  # TrueType: text stays text
    assert save_review(review, tmp_path / "out") == ["corners.csv", "review.html", "review.json"]


@pytest.mark.skipif(not REAL.is_file(), reason="the folder of outside recordings is not here")
def test_a_real_session_without_a_survey_of_the_track(tmp_path):
    review = real_review()
    text = review_page(review, source=REAL.name, recorded=review.recorded)
    assert "estimated" in text
    assert "the track&#39;s edges were not surveyed" in text  # lines are not rated, with the reason
    assert "stood still" in text  # the spin is told
    assert len(text.encode("utf-8")) < 1_000_000
    jsonschema.validate(review_as_dict(review), review_schema())
    assert "review.html" in save_review(review, tmp_path / "real")


@pytest.mark.parametrize("units", [METRIC, pytest.param(IMPERIAL, marks=pytest.mark.slow)])
def test_nothing_on_the_printed_pages_covers_other_text_or_leaves_the_page(review, units):
    """With a survey note of three lines, and more notes than a page holds."""
    survey = Survey(kind="estimated", note="estimated from laps, " + "about their median " * 8, assumed_width=7.0)
    track = dataclasses.replace(review.track, survey=survey)
    notes = tuple(f"note number {k} about the receiver and the positions" for k in range(60))
    width = "assumed width 7 m" if units is METRIC else "assumed width 23 ft"
    for page in review_pages(dataclasses.replace(review, track=track, notes=notes), units, source="a.csv"):
        assert _covered(page) == []
        assert any(width in text.get_text() for text in page.findobj(matplotlib.text.Text))
