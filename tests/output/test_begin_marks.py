"""The sheet's marks to begin with: where the line with room has them, said before the computed lap's, on every page."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
import shapely
from paper import nothing_cut_or_covered, texts_of, winding
from shared import solved

import linelab
from linelab.cli import main as cli
from linelab.errors import InputError
from linelab.model.track import Survey
from linelab.output.display import IMPERIAL, METRIC
from linelab.output.draw.style import A4
from linelab.output.sheet.begin_marks import begin_corners, begin_summary, later_words, power_words, room_words
from linelab.output.sheet.corner_facts import sheet_corners
from linelab.output.sheet.sheet_map import BLACK, LATER
from linelab.output.sheet.track_sheet import sheet_pages
from linelab.study.the_day import on_the_day

TRACK, KART = "tinmarsh_rental", "rental-four-stroke"


@pytest.fixture(scope="module")
def rental():
    track, kart, solution = linelab.load_track(TRACK), linelab.load_kart(KART), solved(TRACK, KART)
    return track, kart, solution, linelab.margin_lap(track, kart, chance=0.02, solution=solution)


@pytest.fixture(scope="module")
def rows(rental):
    track, kart, solution, found = rental
    return begin_corners(track, kart, found, sheet_corners(track, solution.lap, kart))


@pytest.fixture(scope="module")
def pages(rental):
    track, kart, solution, found = rental
    return sheet_pages(track, kart, solution, begin=found)


def test_the_marks_are_on_the_line_with_room_and_as_far_from_the_edge_as_said(rental, rows):
    """shapely measures from the edge's own vertices to the end of the kart's width on the margin lap's own points."""
    track, kart, _, found = rental
    line = found.lap.line
    path = shapely.LineString(np.column_stack([line.x, line.y]))
    rings = {"left": shapely.LinearRing(track.left_edge), "right": shapely.LinearRing(track.right_edge)}
    for row in rows:
        for mark in row.first.driven:
            assert path.distance(shapely.Point(mark.place)) < 0.02
            at = np.argmin(np.hypot(line.x - mark.place[0], line.y - mark.place[1]))
            assert mark.speed == pytest.approx(found.lap.v[at], abs=0.3)
        mark = row.first.apex
        inside = "left" if row.first.marks.corner.left else "right"
        reach = 0.5 * kart.width * (1.0 if inside == "left" else -1.0)
        end = shapely.Point(mark.place[0] - reach * np.sin(mark.heading), mark.place[1] + reach * np.cos(mark.heading))
        words = re.fullmatch(rf"(\d\.\d) m from {inside} edge", *room_words(row.first, mark, METRIC))
        assert float(words[1]) == pytest.approx(rings[inside].distance(end), abs=0.08)


def test_power_comes_in_where_the_lap_begins_to_gain_speed(rental, rows):
    found = rental[3]
    for row in rows:
        if "turn-in" in " ".join(power_words(row, METRIC, 0.75)) or not power_words(row, METRIC, 0.75):
            continue
        s = (row.first.apex.along + row.power) % rental[0].length
        before, after = (np.interp((s + by) % rental[0].length, found.lap.line.s, found.lap.ax) for by in (-4.0, 4.0))
        assert after > max(before, 0.0)


def test_later_is_where_the_computed_lap_has_its_mark(rental, rows):
    """The way from one turn-in to the other by the points' own distance, and the later words about it."""
    track, _, solution, found = rental
    line = found.lap.line
    for row in rows:
        by = row.moved.turned
        first, later = row.first.turn_in, row.later.turn_in
        s = np.linspace(first.along, later.along, 60) % track.length
        x, y = (np.interp(s, line.s, values) for values in (line.x, line.y))
        assert abs(by) == pytest.approx(float(np.hypot(np.diff(x), np.diff(y)).sum()), abs=0.05)
        assert np.sign(by) == np.sign(later.along - first.along)
        words = later_words(row, first, METRIC, 0.75).replace("\N{NO-BREAK SPACE}", " ")
        assert words.startswith(f"later {3.6 * np.interp(later.station, solution.lap.line.s, solution.lap.v):.0f}")
        assert ("farther" in words, "sooner" in words) == (by >= 1.0, by <= -1.0)


def test_what_comes_later_in_words(rows):
    row = next(row for row in rows if row.first.brake and row.later.brake)
    turned = dataclasses.replace(row, moved=row.moved._replace(slowed=4.2))
    assert later_words(turned, row.first.brake, METRIC, 0.75).endswith("4\N{NO-BREAK SPACE}m (6) farther")
    assert later_words(
        dataclasses.replace(row, moved=row.moved._replace(slowed=0.2)), row.first.brake, METRIC, 0.75
    ).endswith(": here")
    flat = dataclasses.replace(row, later=dataclasses.replace(row.later, brake=None, slows=None))
    assert later_words(flat, row.first.brake, METRIC, 0.75).startswith("later: ")
    lifts = dataclasses.replace(row, first=dataclasses.replace(row.first, brake=None))
    assert later_words(lifts, None, METRIC, 0.75).endswith(row.later.brake.name)
    summary = begin_summary(row, METRIC, 0.75)
    assert summary.startswith(f"Slowest {3.6 * row.first.min_speed:.0f} km/h")
    assert f"(later {3.6 * row.later.min_speed:.0f})" in summary
    assert f"room costs {row.margin.time_lost:.2f} s" in summary


def test_the_sheet_says_which_marks_come_first_and_how_often_they_leave_the_track(rental, pages):
    found = rental[3]
    first, table, closer = texts_of(pages[0]), texts_of(pages[1]), texts_of(pages[-1])
    assert "Which marks first" in first
    assert re.search(r"leaves the track on 1 in 5\d laps \(on the computed lap's line on most\)", first)
    assert "marks to begin with; in a circle: corner" in first
    assert "0.30 m of the line" in first
    assert "typical values, from memory" in first
    assert "At first brake far earlier" in first
    assert "Black: begin with these marks" in table
    assert "begin with this line and its marks" in closer
    assert "later: the computed lap's" in closer
    for page in pages:
        time = rental[2].lap_time + found.time_lost
        assert f"to begin with {time:.3f} s, computed lap {rental[2].lap_time:.3f} s" in texts_of(page)


def test_in_the_table_every_later_mark_is_grey_and_below_the_one_to_begin_with(rental, pages):
    wide = A4[0] * pages[1].dpi
    count = 0
    for page in pages[1:-1]:
        bold = [text for text in page.texts if text.get_weight() == "bold" and "  " in text.get_text()]
        for text in page.texts:
            if not text.get_text().startswith("later"):
                continue
            count += 1
            assert text.get_color() == LATER
            above = [one for one in bold if abs(one.get_position()[0] - text.get_position()[0]) * wide < 1.0]
            assert any(one.get_position()[1] > text.get_position()[1] and one.get_color() == BLACK for one in above)
    assert count >= 3 * len(rental[0].corners)


def test_close_ups_show_both_lines_and_the_first_ones_marks_on_top(rental, pages):
    found, solution = rental[3], rental[2]
    axes = pages[-1].axes[0]
    lines = {}
    for line in axes.lines:
        if len(line.get_xdata()) == found.lap.line.x.size or len(line.get_xdata()) == solution.lap.line.x.size:
            lines.setdefault(line.get_color(), line)
    assert {BLACK, LATER} <= set(lines)
    dots = {line.get_markerfacecolor(): line.get_zorder() for line in axes.lines if line.get_marker() == "o"}
    assert dots[BLACK] > dots[LATER]


@pytest.fixture(scope="module")
def six():
    track, kart = winding(3, radius=55.0, swing=24.0), linelab.load_kart(KART)
    assert len(track.corners) == 6
    solution = linelab.solve_min_time(track, kart, verify=False)
    return track, kart, solution, linelab.margin_lap(track, kart, solution=solution)


@pytest.fixture(scope="module")
def sixteen():
    name, vehicle = "ostrelle_sprint", "senior-single-speed"
    track, kart, solution = linelab.load_track(name), linelab.load_kart(vehicle), solved(name, vehicle)
    return track, kart, solution, linelab.margin_lap(track, kart, solution=solution)


@pytest.mark.parametrize("units", [METRIC, IMPERIAL])
@pytest.mark.parametrize("which", ["six", "rental", "sixteen"])
@pytest.mark.slow
def test_no_text_covers_another_or_leaves_the_page(request, which, units):
    track, kart, solution, found = request.getfixturevalue(which)
    drawn = sheet_pages(track, kart, solution, units, begin=found)
    for page in drawn:
        nothing_cut_or_covered(page)
    numbers = [text.get_text() for page in drawn[1:] for text in page.texts if text.get_size() > 9.0]
    assert {str(corner.number) for corner in track.corners} <= set(numbers)


@pytest.mark.slow
def test_no_text_covers_another_on_the_sheet_of_a_wet_day(rental):
    track, kart, *_ = rental
    day = on_the_day(track, kart, "wet", "wets")
    solution = linelab.solve_min_time(day, kart, verify=False)
    drawn = sheet_pages(day, kart, solution, begin=linelab.margin_lap(day, kart, chance=0.05, solution=solution))
    for page in drawn:
        nothing_cut_or_covered(page)
        assert "wet track, on wet tyres, no kerb used" in texts_of(page)


def test_marks_of_another_lap_and_room_to_edges_that_nobody_knows_are_refused(rental):
    track, kart, solution, found = rental
    other = linelab.solve_min_time(track, kart, grip=0.9, verify=False)
    with pytest.raises(InputError, match="another computed lap"):
        sheet_pages(track, kart, other, begin=found)
    guessed = dataclasses.replace(track, survey=Survey(kind="estimated", note="estimated from 4 laps"))
    with pytest.raises(InputError, match="nobody knows how much room"):
        sheet_pages(guessed, kart, solution, begin=found)


@pytest.mark.slow
def test_the_command_makes_the_sheet_and_refuses_what_does_not_go_together(tmp_path, capsys):
    assert cli.run(["sheet", TRACK, KART, "--lateral", "0.2", "--out", str(tmp_path / "no")]) == 2
    assert "need --begin-with" in capsys.readouterr().err
    assert cli.run(["sheet", "session.csv", KART, "--begin-with", "--from-laps"]) == 2
    assert "needs a track" in capsys.readouterr().err
    out = tmp_path / "walk"
    chosen = ["--begin-with", "--lateral", "0.2", "--chance", "0.05", "--no-kerbs", "--grip", "0.9"]
    assert cli.run(["sheet", TRACK, KART, *chosen, "--out", str(out)]) == 0
    assert (out / "track_sheet.pdf").read_bytes().startswith(b"%PDF")
