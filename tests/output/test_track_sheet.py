"""The track sheet: distances by an independent geometry, words for every kind of corner, pages that can be read."""

from __future__ import annotations

import dataclasses
import re

import matplotlib
import numpy as np
import pytest
import shapely
from paper import nothing_cut_or_covered, texts_of, winding
from shared import solved

from linelab.cli import main as cli
from linelab.diagnosis.marks import BRAKED, beyond_rolling
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track
from linelab.geometry.frenet import sn_to_xy
from linelab.model.lap import Limit, mapped_line
from linelab.model.track import Survey
from linelab.optimum.minimum_time import solve_min_time
from linelab.output.display import CAUTIONS, IMPERIAL, METRIC
from linelab.output.draw.style import A4, KERB, ROAD, new_figure
from linelab.output.lap_curves import Pedal, pedal_codes
from linelab.output.sheet.corner_facts import SheetShift, sheet_corners
from linelab.output.sheet.how_driven import Way
from linelab.output.sheet.kerb_places import KerbPlace, KerbUse
from linelab.output.sheet.landmarks import Landmark, Sight
from linelab.output.sheet.sheet_map import CAUTIOUS, label_spots, shows_caution
from linelab.output.sheet.sheet_table import COLUMNS, RIGHT, SCALES, SIZE, draw_corners, table_scale
from linelab.output.sheet.sheet_words import (
    brake_words,
    caution_words,
    distance,
    flat_out,
    gap_words,
    gear_note,
    gear_words,
    kerb_words,
    lowest_words,
    mark_words,
    sight_words,
    slowing_words,
    summary_words,
    time_words,
    walk_words,
)
from linelab.output.sheet.track_sheet import marks_caution, save_sheet, sheet_pages
from linelab.speed.profile import speed_profiles
from linelab.study.habit_costs import habit_costs
from linelab.study.the_day import on_the_day


@pytest.fixture(scope="module")
def rental():
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    return track, kart, solved("tinmarsh_rental", "rental-four-stroke")


@pytest.fixture(scope="module")
def corners(rental):
    track, kart, solution = rental
    return sheet_corners(track, solution.lap, kart, habit_costs(track, kart, solution, sizes=(0.5,)))


@pytest.fixture(scope="module")
def pages(rental):
    return sheet_pages(*rental)


def _marks(corner):
    return [mark for mark in (corner.brake, corner.turn_in, corner.apex, corner.track_out) if mark is not None]


def test_distances_from_mark_to_mark_make_one_lap(rental, corners):
    """Walking from mark to mark, the last stretch to the start line included, is walking the line once."""
    line = rental[2].lap.line
    marks = [mark for corner in corners for mark in _marks(corner)]
    last = max(marks, key=lambda mark: mark.station)
    home = line.length - np.interp(last.station, line.s, line.distance)
    assert sum(mark.since for mark in marks) + home == pytest.approx(line.length, abs=1e-6)
    assert sum(mark.after == "start line" for mark in marks) == 1


def test_distances_along_the_line_by_an_independent_geometry(rental, corners):
    """shapely measures along the line from where the kerb's start and end fall on it."""
    track, _, solution = rental
    path = shapely.LineString(np.column_stack([solution.lap.line.x, solution.lap.line.y]))

    def on_path(station, near):
        across = shapely.LineString(
            np.column_stack(sn_to_xy(track.reference, np.array([station, station]), np.array([8.0, -8.0])))
        )
        met = across.intersection(path)
        hits = list(getattr(met, "geoms", [met]))
        return path.project(min(hits, key=near.distance))

    checked = 0
    for corner in corners:
        kerbs = [
            kerb
            for kerb in track.kerbs
            if (kerb.side == "left") == corner.marks.corner.left
            and kerb.s_start < corner.marks.corner.s_apex < kerb.s_end
        ]
        place = corner.apex.kerb
        if len(kerbs) != 1 or place is None or place.side != "inside":
            continue
        apex = shapely.Point(corner.apex.place)
        assert path.distance(apex) < 0.02
        mark = kerbs[0].s_end if place.past_end else kerbs[0].s_start
        assert place.distance == pytest.approx(path.project(apex) - on_path(mark, apex), abs=0.1)
        checked += 1
    assert checked >= 6


def test_the_way_over_the_start_line(rental):
    track, _, solution = rental
    way = Way(track=track, lap=solution.lap)
    length = solution.lap.line.length
    assert way.ahead(track.length - 5.0, 5.0) == pytest.approx(length - way.ahead(5.0, track.length - 5.0))
    assert way.ahead(20.0, 20.0 - 1e-12) == 0.0
    assert way.ahead(20.0, 20.0 + track.length) == pytest.approx(0.0, abs=1e-9)
    assert way.apart(5.0, track.length - 5.0) == pytest.approx(-way.ahead(track.length - 5.0, 5.0))
    assert way.apart(-3.0, 4.0) == pytest.approx(way.ahead(track.length - 3.0, 4.0))


def test_speeds_are_the_laps_own(rental, corners):
    lap = rental[2].lap
    for corner in corners:
        for mark in _marks(corner):
            nearest = np.argmin(np.hypot(lap.line.x - mark.place[0], lap.line.y - mark.place[1]))
            assert mark.speed == pytest.approx(lap.v[nearest], abs=0.3)
        assert corner.min_speed <= min(corner.turn_in.speed, corner.apex.speed, corner.track_out.speed) + 0.05


def test_paces_are_the_distance_over_the_pace():
    assert distance(30.0, METRIC, 0.75) == "30 m (40)"
    assert distance(30.0, METRIC, 1.0) == "30 m (30)"
    assert distance(30.48, IMPERIAL, 0.762) == "100 ft (40)"


def test_where_a_mark_is_in_words(corners):
    mark = dataclasses.replace(corners[0].turn_in, since=20.2, after="brake", after_corner=None, kerb=None)
    assert mark_words(mark, METRIC) == ["20 m (27) after brake point"]
    places = {
        "3 m (4) before exit kerb": KerbPlace(side="exit", distance=-3.0, past_end=False),
        "3 m (4) into inside kerb": KerbPlace(side="inside", distance=3.0, past_end=False),
        "3 m (4) past entry kerb": KerbPlace(side="entry", distance=3.0, past_end=True),
        "where inside kerb starts": KerbPlace(side="inside", distance=-0.4, past_end=False),
        "where inside kerb ends": KerbPlace(side="inside", distance=0.4, past_end=True),
    }
    for words, place in places.items():
        assert mark_words(dataclasses.replace(mark, kerb=place), METRIC)[1] == words
    together = dataclasses.replace(mark, since=0.3, after="track out", after_corner=7)
    assert mark_words(together, METRIC) == ["at track-out 7"]


def test_marks_stand_in_the_order_they_are_driven():
    """Where the kart lifts after its turn-in the table has the lift after it; nothing is counted "from" a place."""
    name, kart = "ostrelle_sprint", load_kart("senior-single-speed")
    found = sheet_corners(load_track(name), solved(name, "senior-single-speed").lap, kart)
    page = new_figure(*A4)
    draw_corners(page, found, METRIC, 0.75, top=11.0, bottom=-99.0, scale=1.0)
    bold = [text for text in page.texts if text.get_weight() == "bold" and "  " in text.get_text()]
    rows = {}
    for text in bold:
        x, y = text.get_position()
        rows.setdefault(-y, []).append((x, text.get_text().split("  ")[1]))
    shown = [[name for _, name in sorted(rows[y])] for y in sorted(rows)]
    assert len(shown) == len(found)
    late = [corner for corner in found if corner.brake and corner.brake.along > corner.turn_in.along]
    assert late
    for corner, names in zip(found, shown):
        if corner.brake:
            assert names.index("turn-in") == (0 if corner in late else 1), corner.number
    assert not re.search(r"\bfrom\b", texts_of(page))


@pytest.mark.parametrize(
    ("name", "driven"), [("ostrelle_sprint", "senior-single-speed"), ("marrowdown_club", "gearbox")]
)
def test_90_percent_of_the_grip_is_enough_from_the_cautious_brake_point_only(name, driven):
    """Driven anew on an open piece of the line from each, at the computed lap's speed there."""
    track, kart = load_track(name), load_kart(driven)
    lap = solve_min_time(track, kart, verify=False).lap
    line = dataclasses.replace(lap.line, grip=0.9 * lap.line.grip)
    checked = 0
    for corner in sheet_corners(track, lap, kart):
        if corner.brake is None or corner.brake.name != "brake" or not corner.caution or not corner.caution.as_fast:
            continue
        beyond = []
        for along in (corner.caution.along, corner.brake.along):
            first, last = np.searchsorted(line.s, [along, corner.marks.track_out])
            piece = mapped_line(line, lambda values: values[first:last], closed=False)  # noqa: B023
            most = speed_profiles([piece], kart, v_start=float(lap.v[first]) + 5.0)[0].v[0]
            beyond.append(float(lap.v[first] - most))
        assert beyond[0] == pytest.approx(0.0, abs=0.15)
        assert beyond[1] > 0.3
        checked += 1
    assert checked >= 1


def test_the_cautious_brake_point_in_words_and_on_the_map(corners, pages):
    brake = corners[0].brake
    mark = dataclasses.replace(corners[0].caution, name="brake", along=brake.along - 6.0, as_fast=True, speed=20.0)

    def said(**changes):
        return caution_words(dataclasses.replace(corners[0], caution=dataclasses.replace(mark, **changes)), METRIC)[0]

    assert said() == "90% grip: 6 m (8) earlier"
    assert said(name="lift") == "90% grip: lift 6 m (8) earlier"
    assert said(along=brake.along, as_fast=False) == "90% grip: here at 72 km/h"
    flat = dataclasses.replace(corners[0], brake=None, caution=mark)
    assert caution_words(flat, METRIC)[0].endswith("before turn-in")
    assert caution_words(dataclasses.replace(corners[0], caution=None), METRIC) == []
    assert "on the same line with 90% of the kart file's grip" in texts_of(pages[1])
    hollow = [line for line in pages[0].axes[0].lines if line.get_linewidth() == CAUTIOUS[0]]
    assert len(hollow) == sum(shows_caution(corner) for corner in corners) >= 2


def test_the_karts_side_to_the_edge_by_an_independent_geometry(rental, corners):
    """shapely measures from the edge's own vertices to the end of the kart's width, square to its path."""
    track, kart, _ = rental
    rings = {"left": shapely.LinearRing(track.left_edge), "right": shapely.LinearRing(track.right_edge)}
    for corner in corners:
        assert [mark.along for mark, _, _ in corner.gaps] == sorted(mark.along for mark, _, _ in corner.gaps)
        for mark, side, gap in corner.gaps:
            outside = "right" if corner.marks.corner.left else "left"
            assert (side == outside) == (mark.name in ("turn in", "track out"))
            reach = 0.5 * kart.width * (1.0 if side == "left" else -1.0)
            end = shapely.Point(
                mark.place[0] - reach * np.sin(mark.heading), mark.place[1] + reach * np.cos(mark.heading)
            )
            assert abs(gap) == pytest.approx(rings[side].distance(end), abs=0.03)
    assert any(gap < 0.0 for corner in corners for _, _, gap in corner.gaps)
    words = gap_words(corners[0], METRIC)
    assert re.fullmatch(
        r"kart's side to edge: turn-in \d\.\d m left, apex \d\.\d m over right, track-out \d\.\d m left", words
    )


def test_the_part_of_a_kerb_that_is_used_in_words_and_by_its_own_line(rental, corners):
    track, _, solution = rental
    parts = {
        (0.0, 0.3): "first third",
        (0.36, 0.6): "middle third",
        (0.7, 1.0): "last third",
        (0.97, 1.0): "last third",
        (0.1, 0.6): "first two thirds",
        (0.4, 1.0): "last two thirds",
        (0.0, 1.0): "all of it",
        (0.31, 0.36): "middle third",
    }
    for (first, last), words in parts.items():
        use = KerbUse(side="inside", first=first, last=last)
        said = kerb_words(dataclasses.replace(corners[0], kerbs_used=(use,)))
        assert said == f"over inside kerb: {words}"
    assert kerb_words(dataclasses.replace(corners[0], kerbs_used=())) == "over no kerb"
    used = next(corner for corner in corners if corner.kerbs_used and corner.kerbs_used[0].side == "inside")
    kerb = next(
        kerb
        for kerb in track.kerbs
        if (kerb.side == "left") == used.marks.corner.left and kerb.s_start < used.marks.corner.s_apex < kerb.s_end
    )
    outer, inner = sorted((shapely.Polygon(track.left_edge), shapely.Polygon(track.right_edge)), key=lambda p: -p.area)
    line = solution.lap.line
    on = (line.s > kerb.s_start) & (line.s < kerb.s_end)
    reach = 0.5 * rental[1].width * (1.0 if kerb.side == "left" else -1.0)
    ends = shapely.points(line.x - reach * np.sin(line.psi), line.y + reach * np.cos(line.psi))
    over = on & (~shapely.contains(outer, ends) | shapely.contains(inner, ends))
    share = (line.s[over] - kerb.s_start) / (kerb.s_end - kerb.s_start)
    assert used.kerbs_used[0].first == pytest.approx(share.min(), abs=0.1)
    assert used.kerbs_used[0].last == pytest.approx(share.max(), abs=0.1)


def test_every_corner_has_one_close_up_with_its_marks_inside(rental, pages, corners):
    """Small maps after the table, to one scale across and up, and none without the words about the edges."""
    found = [(page, axes) for page in pages[2:] for axes in page.axes]
    assert len(found) == len(corners)
    texts = [text.get_text() for page in pages[2:] for text in page.texts]
    titles = [text for text in texts if re.match(r"\d+.*(left|right)$", text)]
    assert [int(re.match(r"\d+", title).group()) for title in titles] == [corner.number for corner in corners]
    for (_, axes), corner in zip(found, corners):
        box = axes.get_window_extent()
        across, up = np.ptp(axes.get_xlim()) / box.width, np.ptp(axes.get_ylim()) / box.height
        assert across == pytest.approx(up, rel=1e-6)
        apexes = [line for line in axes.lines if line.get_marker() == "o"]
        assert len(apexes) == 1 + (corner.other_apex is not None)
        for line in axes.lines:
            if line.get_marker() in ("o", "s"):
                x, y = line.get_data()
                assert axes.get_xlim()[0] < x[0] < axes.get_xlim()[1]
                assert axes.get_ylim()[0] < y[0] < axes.get_ylim()[1]
    assert texts_of(pages[2]).count("kart's side to edge") == len(pages[2].axes)


def test_a_corridor_from_laps_has_no_distances_to_its_edges(rental):
    track, kart, solution = rental
    drawn = sheet_pages(dataclasses.replace(track, survey=ESTIMATED), kart, solution)
    assert "kart's side to edge" not in texts_of(drawn[-1])
    assert "no distance to them is known" in texts_of(drawn[-1])


def test_a_kerb_of_the_next_corner_is_not_this_ones():
    """Corners 13 and 14 of the demo track turn the same way, and the kerb of 14 begins behind the track-out of 13."""
    found = sheet_corners(
        load_track("ostrelle_sprint"),
        solved("ostrelle_sprint", "senior-single-speed").lap,
        load_kart("senior-single-speed"),
    )
    assert not any("before inside kerb" in words for words in mark_words(found[12].track_out, METRIC))
    for corner in found:  # 9 and 10 too, where one's track-out is the other's apex
        assert sum(use.side == "inside" for use in corner.kerbs_used) <= 1, corner.number


@pytest.mark.parametrize(
    ("name", "driven"), [("ostrelle_sprint", "senior-single-speed"), ("marrowdown_club", "junior-single-speed")]
)
@pytest.mark.slow
def test_no_more_than_sixty_paces_are_counted(name, driven):
    """What lies farther on is placed by what can be seen there, as far from it as shapely says along the line."""
    track, kart = load_track(name), load_kart(driven)
    lap = solved(name, driven).lap
    found = sheet_corners(track, lap, kart)
    page = texts_of(sheet_pages(track, kart, solved(name, driven))[1])
    counts = [int(count) for count in re.findall(r"\d m \((\d+)\)", page)]
    assert len(counts) > 40
    assert max(counts) <= 60
    far = [mark for corner in found for mark in corner.driven if mark.since > 60 * 0.75]
    assert far
    for mark in far:
        words = mark_words(mark, METRIC)
        assert words
        assert not re.search(r"after (track-out|apex|turn-in)", words[0]) or "(" not in words[0]
    path = shapely.LineString(np.column_stack([lap.line.x, lap.line.y]))
    for mark in (mark for corner in found for mark in corner.driven):
        x, y = sn_to_xy(track.reference, np.full(2, mark.sight.landmark.station), np.array([9.0, -9.0]))
        across = shapely.LineString(np.column_stack([x, y]))
        met = path.intersection(across)
        hits = [path.project(point) for point in getattr(met, "geoms", [met])]
        at = path.project(shapely.Point(mark.place))
        ways = [(at - hit + 0.5 * path.length) % path.length - 0.5 * path.length for hit in hits]
        assert min(abs(way - mark.sight.distance) for way in ways) < 0.2


def test_what_can_be_seen_in_words(corners):
    def said(name, end, away):
        return sight_words(Sight(landmark=Landmark(station=0.0, name=name, end=end), distance=away), METRIC)

    assert said("timing line", "", -30.0) == "30 m (40) before timing line"
    assert said("timing line", "", 0.2) == "at timing line"
    assert said("exit kerb 12", "end", 3.0) == "3 m (4) past exit kerb 12"
    assert said("exit kerb 12", "end", -3.0) == "3 m (4) before end of exit kerb 12"
    assert said("inside kerb 2", "start", 3.0) == "3 m (4) into inside kerb 2"
    assert said("grip patch", "start", -0.3) == "where grip patch starts"
    assert said("start line", "", 90.0) == "90 m after start line"
    far = dataclasses.replace(corners[0].turn_in, since=80.0, after="track out", after_corner=7, kerb=None)
    near = Sight(landmark=Landmark(station=0.0, name="grip patch", end="end"), distance=4.5)
    assert mark_words(dataclasses.replace(far, sight=near), METRIC) == ["4 m (6) past grip patch"]
    none = Sight(landmark=near.landmark, distance=200.0)
    assert mark_words(dataclasses.replace(far, sight=none), METRIC) == ["80 m after track-out 7"]


NAMES = ("Old Mill", "The Long Hairpin of the Weir", "Kiln", "Cooper's Yard", "Paddock Bend", "Tithe Barn")


@pytest.mark.slow
def test_corner_names_are_whole_on_every_page_and_cover_nothing():
    name, kart = "ostrelle_sprint", load_kart("senior-single-speed")
    track = load_track(name)
    corners = [dataclasses.replace(c, name=NAMES[k % len(NAMES)]) for k, c in enumerate(track.corners)]
    drawn = sheet_pages(dataclasses.replace(track, corners=corners), kart, solved(name, "senior-single-speed"))
    for page in drawn[:2]:
        for wanted in NAMES:
            count = sum(corner.name == wanted for corner in corners)
            assert texts_of(page).count(wanted) == count, wanted
    closer = " ".join(texts_of(page) for page in drawn[2:])
    assert all(f"{corner.number} {corner.name}, " in closer for corner in corners)
    for page in drawn:
        nothing_cut_or_covered(page)
    assert "minimum speed [km/h] and name" in texts_of(drawn[0])


def test_labels_of_several_sizes_keep_apart():
    anchors = np.array([[2.0, 2.0], [2.4, 2.0], [2.8, 2.0]])
    sizes = np.array([[0.25, 0.31], [1.2, 0.5], [0.9, 0.4]])
    outward = np.tile([0.0, 1.0], (3, 1))
    spots = label_spots(anchors, outward, sizes, anchors, np.array([[0.0, 0.0], [6.0, 6.0]]))
    for k in range(3):
        for j in range(k):
            assert (np.abs(spots[k] - spots[j]) >= 0.5 * (sizes[k] + sizes[j])).any()


@pytest.mark.slow
def test_timing_lines_are_in_the_key(rental):
    track, kart, solution = rental
    for stations, words in (((), None), ((80.0,), "timing line"), ((80.0, 40.0), "timing lines 1 to 2, as driven")):
        page = sheet_pages(dataclasses.replace(track, timing_stations=stations), kart, solution)[0]
        labels = [text.get_text() for text in page.legends[0].get_texts()]
        assert [label for label in labels if label.startswith("timing")] == ([words] if words else [])
        nothing_cut_or_covered(page)


def test_what_the_track_file_does_not_say_has_a_line_to_fill_in(rental, pages):
    """The way round is known from the edges; the others are dotted lines to their right, as wide as a word."""
    track = rental[0]
    texts = {text.get_text(): text for text in pages[0].texts}
    winding_left = np.trapezoid(track.left_edge[:, 0], track.left_edge[:, 1]) < 0.0
    assert f"Direction: {'anticlockwise' if not winding_left else 'clockwise'}" in texts
    dotted = [line for line in pages[0].get_children() if isinstance(line, matplotlib.lines.Line2D)]
    for name in ("Surface:", "Altitude:", "Club:", "Emergency number:", "Date, weather:"):
        box = texts[name].get_window_extent()
        right = [line for line in dotted if abs(line.get_window_extent().y0 - box.y0) < 8.0]
        own = [line.get_window_extent() for line in right if line.get_window_extent().x0 >= box.x1]
        assert own
        assert min(line.width for line in own) > 1.0 * pages[0].dpi


@pytest.fixture(scope="module")
def geared():
    track, kart = load_track("marrowdown_club"), load_kart("gearbox")
    return track, kart, solve_min_time(track, kart, verify=False)


def _force(engine, v, gear):
    """Full-throttle force at the tyres by the work at the crankshaft, from the kart file's own numbers [N]."""
    turns = v / engine.tyre_circumference * engine.ratios[gear - 1]  # of the crankshaft in a second
    if 2.0 * np.pi * turns > engine.rev_limit:
        return 0.0
    return engine.efficiency * np.interp(2.0 * np.pi * turns, engine.speed, engine.torque) * 2.0 * np.pi * turns / v


def test_gears_are_those_that_pull_hardest_and_shifts_where_the_next_one_begins_to(geared):
    track, kart, solution = geared
    engine, lap = kart.engine, solution.lap
    found = sheet_corners(track, lap, kart)
    shifts = [shift for corner in found for shift in corner.shifts]
    assert {shift.gear for shift in shifts} >= {3, 4, 5, 6}
    for corner in found:
        assert [mark.name for mark, _ in corner.gears][-1] == "track out"
        for mark, gear in corner.gears:
            pull = [_force(engine, mark.speed, g) for g in range(1, 7)]
            assert pull[gear - 1] >= 0.98 * max(pull)  # a mark between two nodes about a shift
        for shift in corner.shifts:
            above, below = 1.02 * shift.speed, 0.98 * shift.speed
            assert _force(engine, above, shift.gear) > _force(engine, above, shift.gear - 1)
            assert _force(engine, below, shift.gear) < _force(engine, below, shift.gear - 1)
            out = np.interp(corner.marks.track_out % track.length, lap.line.s, lap.line.distance)
            at = (out + shift.after) % lap.line.length
            assert np.interp(at, lap.line.distance, lap.v) == pytest.approx(shift.speed, abs=0.2)
    # as many as the lap has: every rise of the gear under power
    gear = np.array([1 + int(np.argmax([_force(engine, v, g) for g in range(1, 7)])) for v in lap.v])
    rises = (np.diff(gear) > 0) & (pedal_codes(lap, kart)[1:] == Pedal.DRIVE)
    assert len(shifts) == rises.sum()


@pytest.mark.slow
def test_gears_in_words(geared, corners):
    track, kart, solution = geared
    found = sheet_corners(track, solution.lap, kart)
    text = " ".join(texts_of(page) for page in sheet_pages(track, kart, solution))
    assert "gear 6 at brake point, 3 at apex, 3 at track-out" in text
    assert re.search(r"shift up: 4 at 95 km/h, \d+ m \(\d+\) after track-out", text)
    assert "a shift is taken to cost no time" in text
    assert text.count("gear ") >= len(found)
    assert gear_words(corners[0], METRIC) == []  # a kart with one ratio
    assert gear_note(corners, METRIC) == []
    far = Sight(landmark=Landmark(station=0.0, name="start line", end=""), distance=-12.0)
    shift = SheetShift(gear=6, speed=35.0, after=90.0, sight=far)
    one = dataclasses.replace(found[0], shifts=(shift, dataclasses.replace(shift, after=0.2)))
    assert gear_words(one, METRIC)[1] == (
        "shift up: 6 at 126 km/h, 12 m (16) before start line; 6 at 126 km/h, at track-out"
    )


def test_there_is_room_to_write_beside_every_corner(corners):
    """Dotted lines a hand can write on, in a column that no print runs into."""
    page = new_figure(*A4)
    draw_corners(page, corners, METRIC, 0.75, top=11.0, bottom=-99.0, scale=1.0)
    dotted = [line for line in page.findobj(matplotlib.lines.Line2D) if line.is_dashed()]
    assert len(dotted) == 2 * len(corners)
    for line in dotted:
        assert np.ptp(line.get_xdata()) * A4[0] >= 1.0
    heights = np.array(sorted((line.get_ydata()[0] * A4[1] for line in dotted), reverse=True))
    assert (-np.diff(heights)).min() > 0.2  # five millimetres
    left = COLUMNS[-1] * page.dpi
    assert [text.get_text() for text in page.texts if text.get_window_extent().x1 > left] == []


def test_corners_without_braking_say_what_to_do_instead(corners):
    base = dataclasses.replace(corners[0], brake=None, slows=None, fastest_before=20.0, min_speed=17.5)
    flat = dataclasses.replace(base, limits=(Limit.DRIVE, Limit.REVS))
    assert flat_out(flat)
    assert "full power" in " ".join(brake_words(flat, METRIC))
    assert lowest_words(flat, METRIC) == ""
    assert summary_words(flat, METRIC).startswith("Flat out: the rev limit is the limit")
    uphill = dataclasses.replace(flat, slows="full power")
    assert flat_out(uphill)
    assert "full power all the way, 9 km/h slower" in " ".join(brake_words(uphill, METRIC))
    gaining = dataclasses.replace(base, limits=(Limit.GRIP,))
    assert "gaining speed" in " ".join(brake_words(gaining, METRIC))
    into_next = dataclasses.replace(base, limits=(Limit.DRIVE, Limit.BRAKING))
    assert "for the next" in " ".join(brake_words(into_next, METRIC))
    lifting = dataclasses.replace(base, slows="off the power")
    assert "no braking: off the power, 9 km/h slower" in " ".join(brake_words(lifting, METRIC))
    assert not flat_out(lifting)
    lightly = dataclasses.replace(base, slows="brakes")
    assert "light braking, 9 km/h slower" in " ".join(brake_words(lightly, METRIC))
    lift = dataclasses.replace(corners[0].turn_in, name="lift")
    marked = dataclasses.replace(base, brake=lift, slows="off the power")
    assert slowing_words(marked) == "lift, no brake"
    assert slowing_words(dataclasses.replace(marked, slows="brakes")) == "lift, light brake"
    assert slowing_words(dataclasses.replace(marked, brake=dataclasses.replace(lift, name="brake"))) == "brake"
    after = dataclasses.replace(corners[0].turn_in, after="lift", after_corner=None)
    assert "after lift point" in mark_words(after, METRIC)[0]


def test_limits_in_words(corners):
    def words(*limits):
        return summary_words(dataclasses.replace(corners[1], limits=limits), METRIC)

    assert "; limit: cornering grip throughout;" in words(Limit.GRIP)
    assert "; limits in order: braking grip, engine power;" in words(Limit.BRAKING, Limit.DRIVE)
    assert "; below every limit;" in words(Limit.NONE)
    assert words(Limit.GRIP).startswith("Slowest ")


@pytest.mark.parametrize("grip", [1.0, 0.6])
@pytest.mark.parametrize("name", ["ostrelle_sprint", "tinmarsh_rental"])
def test_limits_agree_with_the_marks_of_their_corner(name, grip):
    """A brake point goes with braking grip, a lift with cornering grip, and no power is full where the kart lifts."""
    track, kart = load_track(name), load_kart("senior-single-speed")
    lap = solve_min_time(track, kart, grip=grip, verify=False).lap
    foot = pedal_codes(lap, kart)
    kinds = set()
    for corner in sheet_corners(track, lap, kart):
        kind = None if corner.brake is None else corner.brake.name
        kinds.add(kind)
        first = corner.brake or corner.turn_in
        way = np.mod(lap.line.s - first.station, track.length) <= np.mod(
            corner.marks.minimum_speed - first.station, track.length
        )
        if kind == "brake":
            assert Limit.BRAKING in corner.limits
        elif kind == "lift":
            assert np.mean(foot[way] == Pedal.BRAKE) < 0.5
            if np.mean(way) > 0.5:  # slowest at its turn-in, and lifted for farther in
                continue
            # a touch of the brake takes off less than 1 m/s; LEAST_BRAKING at a full braking of 7 m/s² does
            pushed = np.minimum(beyond_rolling(lap, kart)[way] + BRAKED, 0.0)
            assert np.sum(-pushed * np.gradient(lap.t)[way]) < 1.0
            assert not set(corner.limits) <= {Limit.DRIVE, Limit.REVS}
        elif corner.slows not in (None, "full power"):
            assert not set(corner.limits) <= {Limit.DRIVE, Limit.REVS}
    assert kinds >= {"brake", "lift", None} or grip < 1.0


def test_slope_and_bank_in_words(corners):
    corner = dataclasses.replace(corners[0], slope=-0.041, bank=0.03)
    assert "downhill 4% on the way in, banked 3%" in summary_words(corner, METRIC)
    assert "uphill 4% on the way in, leans out 3%" in summary_words(
        dataclasses.replace(corner, slope=0.041, bank=-0.03), METRIC
    )
    assert "level" in summary_words(dataclasses.replace(corner, slope=0.0, bank=0.0), METRIC)
    assert "level" not in summary_words(corners[0], METRIC)


def test_bank_helps_a_left_and_a_right_corner_alike():
    """The demo circuit with elevation: positive bank means left side lower, which helps left turns only."""
    track, kart = load_track("marrowdown_club"), load_kart("junior-single-speed")
    solution = solved("marrowdown_club", "junior-single-speed")
    for corner in sheet_corners(track, solution.lap, kart):
        at = np.interp(corner.apex.station, solution.lap.line.s, solution.lap.line.bank)
        if abs(at) > 0.03:
            assert np.sign(corner.bank) == (np.sign(at) if corner.marks.corner.left else -np.sign(at))


def test_the_cost_of_a_missed_apex_is_said_or_why_there_is_none(rental, corners):
    track, kart, solution = rental
    assert re.search(r"apex missed by 0.5 m costs 0\.\d\d s", summary_words(corners[1], METRIC))
    given = habit_costs(track, kart, solution, sizes=(0.5,), corners=[5])[0]
    small = sheet_corners(track, solution.lap, kart, [dataclasses.replace(given, time_lost=[0.001])])
    assert "apex missed by 0.5 m costs hardly any time" in summary_words(small[4], METRIC)
    reason = "the road is too narrow for more"
    none = sheet_corners(track, solution.lap, kart, [dataclasses.replace(given, time_lost=[np.nan], reason=reason)])
    assert f"cost of a missed apex: {reason}" in summary_words(none[4], METRIC)


def test_the_sheet_names_the_corners_where_a_missed_apex_costs_most(pages):
    assert "A missed apex costs most in corners 2 " in texts_of(pages[0])


def test_the_time_is_named_where_it_is(rental, corners):
    words = " ".join(time_words(rental[0], corners, METRIC)).replace("\u00a0", " ")
    worst = max((c for c in corners if c.cost is not None), key=lambda c: c.cost)
    assert f"corners {worst.number} ({worst.cost:.2f} s)" in words
    assert "Slowest point: corner 7, 30 km/h." in words


def test_the_walk_names_the_kerbs_in_use(rental, corners):
    words = " ".join(walk_words(rental[0], corners, 0.75, METRIC))
    used = [str(c.number) for c in corners if any(use.side == "inside" for use in c.kerbs_used)]
    assert ", ".join(used[:-1]) + f" and {used[-1]}" in words
    assert "has no heights" in words


def test_the_sheet_has_pages_of_a4_with_the_cautions_and_every_corner_three_times(pages, corners):
    assert len(pages) == 3
    for page in pages:
        assert tuple(page.get_size_inches()) == pytest.approx(A4)
        assert CAUTIONS in texts_of(page)
        numbers = {text.get_text().split(",")[0] for text in page.findobj(matplotlib.text.Text)}
        assert {str(corner.number) for corner in corners} <= numbers
    assert marks_caution(1.0) in texts_of(pages[0])
    assert "at the full grip of the kart file." in marks_caution(1.0)


def test_the_sheet_says_with_which_grip_kerbs_and_paces(rental):
    track, kart, _ = rental
    damp = solve_min_time(track, kart, grip=0.6, use_kerbs=False, verify=False)
    pages = sheet_pages(track, kart, damp, IMPERIAL, use_kerbs=False)
    for page in pages:
        text = texts_of(page)
        assert re.search(r"computed lap \d\d\.\d{3} s, grip 60% of the kart file's, no kerb used\.", text)
        assert not re.search(r"(inside|entry|exit) kerb", text)
        assert "--" not in text
    assert all("2.46 ft" in texts_of(page) for page in pages[:2])
    assert "perfect lap at 60% of the kart file's grip, off the kerbs." in texts_of(pages[0])
    assert "full grip" not in texts_of(pages[0])
    assert f"({IMPERIAL.length_text(damp.lap.line.length)} a lap)" in texts_of(pages[1])


@pytest.mark.slow
def test_the_sheet_of_a_wet_day_says_so_on_top_and_names_no_kerb(rental):
    track, kart, _ = rental
    day = on_the_day(track, kart, "wet", "wets")
    solution = solve_min_time(day, kart, verify=False)
    first, second, *closeups = sheet_pages(day, kart, solution)
    line = solution.lap.line
    for corner in sheet_corners(day, solution.lap, kart):
        s = corner.marks.minimum_speed % track.length
        out = (np.interp(s, line.s, line.n) - day.groove.middle(np.array([s]), track.length, True)[0]) * (
            -1.0 if corner.marks.corner.left else 1.0
        )
        assert corner.beside_groove == pytest.approx(out, abs=0.02)
    assert "outside the dry line" in texts_of(second)
    for page in (first, second, *closeups):
        assert re.search(r"computed lap \d\d\.\d{3} s, wet track, on wet tyres, no kerb used\.", texts_of(page))
        assert not re.search(r"(inside|entry|exit) kerb", texts_of(page))
    text = texts_of(first).replace("\n", " ")
    for said in ("Wet track, on wet tyres. The dry line", "Keep off kerbs", "dry line (groove)", "not measured"):
        assert said in text
    assert "Kerbs the line runs over" not in text
    frames = [item for item in first.findobj(matplotlib.text.Text) if item.get_text().startswith("Wet track")]
    assert frames[0].get_position()[1] > 0.85
    for page in (first, second, *closeups):
        nothing_cut_or_covered(page)
    drying = on_the_day(track, kart, "drying")
    text = texts_of(sheet_pages(drying, kart, solve_min_time(drying, kart, verify=False))[0]).replace("\n", " ")
    assert "Only the dry line (grey band) has grip" in text


def test_a_track_without_kerbs_has_none_to_leave_out(rental):
    track, kart, solution = rental
    bare = dataclasses.replace(track, kerbs=())
    assert "no kerb used" not in texts_of(sheet_pages(bare, kart, solution, use_kerbs=False)[0])


@pytest.mark.slow
def test_a_long_name_stays_on_the_page(rental):
    track, kart, solution = rental
    named = dataclasses.replace(track, name="A very long name of a circuit in the hills " * 3)
    page = sheet_pages(named, kart, solution)[0]
    page.canvas.draw()
    title = next(text for text in page.texts if text.get_text() == named.name)
    assert title.get_window_extent(page.canvas.get_renderer()).x1 <= page.bbox.x1


ESTIMATED = Survey(
    kind="estimated",
    note="estimated from 14 recorded laps: an assumed width of 7 m about their median. The real edges are not known; "
    "the computed lap is for this assumed track",
    assumed_width=7.0,
    uncertainty=0.865,
)


@pytest.mark.parametrize(
    ("units", "survey"),
    [
        (METRIC, None),
        pytest.param(IMPERIAL, None, marks=pytest.mark.slow),
        pytest.param(METRIC, ESTIMATED, marks=pytest.mark.slow),
    ],
)
def test_no_text_covers_another_or_leaves_the_page(rental, units, survey):
    track, kart, solution = rental
    ground = track if survey is None else dataclasses.replace(track, survey=survey)
    for page in sheet_pages(ground, kart, solution, units):
        nothing_cut_or_covered(page)


@pytest.mark.slow
def test_thirty_corners_take_another_page_of_the_table():
    """More corners than can be read on one page go on to the next, each told once, with nothing cut or covered."""
    track, kart = winding(15), load_kart("senior-single-speed")
    assert len(track.corners) == 30
    drawn = sheet_pages(track, kart, solve_min_time(track, kart, tolerance=0.5, verify=False))
    assert len(drawn) == 6  # the map, two of the table, three of close-ups
    told = []
    for page in drawn:
        nothing_cut_or_covered(page)
        assert "Computed limits are not targets" in texts_of(page)
    for page in drawn[1:3]:
        large = [text for text in page.texts if text.get_text().isdigit() and text.get_size() > 12.0]
        told += [int(text.get_text()) for text in large]
        assert {"corner", "your own marks"} <= {text.get_text() for text in page.texts}
    assert told == list(range(1, 31))


@pytest.mark.parametrize(("count", "least"), [(8, 1.1), (16, 0.9), (20, 0.8)])
def test_the_table_of_corners_fits_a_page_in_the_largest_type(corners, count, least):
    """Text of 5 points is about the least that can be read at arm's length (common practice of printing)."""
    many = (corners * 3)[:count]
    room = 9.6
    scale = table_scale(many, METRIC, 0.75, room)
    assert scale >= least
    assert scale * SIZE >= 5.0
    page = new_figure(*A4)
    assert draw_corners(page, many, METRIC, 0.75, top=room + 0.7, bottom=0.7, scale=scale) == count
    lowest = min(text.get_window_extent().y0 for text in page.texts)
    assert lowest >= 0.7 * page.dpi - 3.0
    assert table_scale(corners * 4, METRIC, 0.75, room) >= 0.8  # on two pages


def test_cells_of_the_table_keep_to_their_columns(corners):
    for scale in SCALES:
        page = new_figure(*A4)
        draw_corners(page, corners, METRIC, 0.75, top=11.0, bottom=-99.0, scale=scale)
        for text in page.texts:
            box = text.get_window_extent()
            left = box.x0 / page.dpi
            column = max(k for k, x in enumerate(COLUMNS) if x <= left + 0.02)
            right = (*COLUMNS[1:], RIGHT)[column] if text.get_style() != "italic" else COLUMNS[-1]
            assert box.x1 / page.dpi <= right + 0.01, (scale, text.get_text())


@pytest.mark.slow
def test_imperial_pages_show_feet_and_mph(rental):
    text = " ".join(texts_of(page) for page in sheet_pages(*rental, IMPERIAL))
    assert "mph" in text
    assert not re.search(r"\d (m|km/h)\b", text)


@pytest.mark.slow
def test_a_corridor_from_laps_says_so_on_every_page(rental):
    track, kart, solution = rental
    survey = Survey(kind="estimated", note="estimated from 4 laps", assumed_width=7.0)
    drawn = sheet_pages(dataclasses.replace(track, survey=survey), kart, solution)
    for page in drawn:
        assert "estimated from 4 laps" in texts_of(page).lower()
    assert "real edges and kerbs are not known" in texts_of(drawn[0])


def test_pdf_is_a4_with_text_that_stays_text(pages, tmp_path):
    """ISO 216: A4 is 210 x 297 mm, 595.28 x 841.89 PDF points of 1/72 inch; TrueType fonts, none of Type 3."""
    names = save_sheet(tmp_path, pages)
    assert names == ["track_sheet.pdf", "track_sheet_1.png", "track_sheet_2.png", "track_sheet_3.png"]
    content = (tmp_path / names[0]).read_bytes()
    sizes = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", content)
    assert len(sizes) == 3
    for width, height in sizes:
        assert float(width) == pytest.approx(595.28, abs=0.01)
        assert float(height) == pytest.approx(841.89, abs=0.01)
    assert b"/FontFile2" in content
    assert b"/Type3" not in content


def test_kerbs_and_road_differ_in_lightness():
    """Relative luminance and contrast ratio of WCAG 2.1; 3 to 1 is asked of graphical objects there (1.4.11)."""

    def luminance(colour):
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in matplotlib.colors.to_rgb(colour)]
        return float(np.dot([0.2126, 0.7152, 0.0722], linear))

    assert (luminance(ROAD) + 0.05) / (luminance(KERB) + 0.05) > 3.0


def test_open_roads_and_roads_without_corners_have_a_sheet():
    kart = load_kart("senior-single-speed")
    x = np.linspace(0.0, 200.0, 201)
    road = track_from_edges("road", np.column_stack([x, 0 * x + 4]), np.column_stack([x, 0 * x - 4]), closed=False)
    page = sheet_pages(road, kart, solve_min_time(road, kart, verify=False))
    assert len(page) == 1
    assert "no corners" in texts_of(page[0])
    y = 25.0 * np.sin(2.0 * np.pi * x / 200.0)
    normal = np.column_stack([-np.gradient(y, x), np.ones_like(x)])
    normal /= np.hypot(*normal.T)[:, None]
    middle = np.column_stack([x, y])
    esses = track_from_edges("esses", middle + 4.0 * normal, middle - 4.0 * normal, closed=False)
    solution = solve_min_time(esses, kart, verify=False)
    found = sheet_corners(esses, solution.lap, kart)
    assert len(found) == len(esses.corners) >= 2
    assert all(mark.since >= 0.0 for corner in found for mark in _marks(corner))
    assert len(sheet_pages(esses, kart, solution)) == 3


def test_labels_keep_off_each_other_and_off_the_road():
    rng = np.random.default_rng(5)
    anchors = rng.uniform(1.0, 5.0, (14, 2))
    outward = np.tile([1.0, 0.0], (14, 1))
    spots = label_spots(anchors, outward, (0.25, 0.31), anchors, np.array([[0.0, 0.0], [6.0, 6.0]]))
    apart = np.abs(spots[:, None] - spots[None])
    apart[np.arange(14), np.arange(14)] = 9.0
    assert not ((apart[:, :, 0] < 0.25) & (apart[:, :, 1] < 0.31)).any()
    covered = np.abs(spots[:, None] - anchors[None])
    assert not ((covered[:, :, 0] < 0.125) & (covered[:, :, 1] < 0.155)).any()


def test_a_pace_nobody_walks_is_refused(rental):
    with pytest.raises(InputError, match="pace"):
        sheet_pages(*rental, pace=4.0)


def test_command(tmp_path, capsys):
    job = ["sheet", "tinmarsh_rental", "rental-four-stroke", "--out", str(tmp_path / "walk")]
    assert cli.run(job) == 0
    said = capsys.readouterr().out
    assert "Track sheet of Tinmarsh Rental Track" in said
    assert CAUTIONS in said
    assert {"track_sheet.pdf", "track_sheet_1.png", "track_sheet_2.png", "track_sheet_3.png"} < {
        item.name for item in (tmp_path / "walk").iterdir()
    }


@pytest.mark.parametrize(
    ("arguments", "word"), [(["--width", "6"], "--from-laps"), (["--from-laps", "--reverse"], "--reverse")]
)
def test_options_that_do_not_fit_are_refused(arguments, word, capsys):
    assert cli.run(["sheet", "tinmarsh_rental", "rental-four-stroke", *arguments]) == 2
    assert word in capsys.readouterr().err
