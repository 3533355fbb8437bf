"""Pictures: the numbers behind them, and that each is drawn, labelled and saved whole."""

from __future__ import annotations

import dataclasses
import itertools
import types

import matplotlib
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from linelab.coaching.compare import compare, rank_corners
from linelab.coaching.driven_marks import pedals
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.corner_figures import corner_marks
from linelab.diagnosis.marks import beyond_rolling, find_marks
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.geometry.curve import curve_at
from linelab.model.kart import Driver
from linelab.model.lap import Limit
from linelab.model.track import Survey
from linelab.motion.estimate import without_uncertainty
from linelab.optimum.line_profile import speed_profile
from linelab.output.display import CAUTIONS, IMPERIAL, METRIC, lap_time_text
from linelab.output.draw.corner_closeup import plot_corner, reference_callouts
from linelab.output.draw.ground_map import lost_colours, plot_ground, plot_lines
from linelab.output.draw.kart_diagrams import plot_kart
from linelab.output.draw.pictures import save_overview, save_reference_pictures
from linelab.output.draw.style import save_figure
from linelab.output.draw.traces import LIMIT_LOOKS, corner_minima, plot_reference, plot_traces
from linelab.output.lap_curves import Pedal, pedal_codes, pieces, runs, station_title, time_gap
from linelab.output.outlines import View, corner_places, corner_ticks, label_places, round_length, spread
from linelab.output.tables import text_table
from linelab.output.track_facts import survey_sentence
from linelab.speed.lines import line_on_track, reference_line


@pytest.fixture(scope="module")
def track():
    return load_track("tinmarsh_rental")


@pytest.fixture(scope="module")
def kart():
    return load_kart("rental-four-stroke")


@pytest.fixture(scope="module")
def reference(track, kart):
    return speed_profile(reference_line(track), kart, label="computed lap")


@pytest.fixture(scope="module")
def driven(track, kart):
    """A slower lap half a metre to the left of the reference line."""
    s = np.linspace(0.0, track.length, 800)
    slower = dataclasses.replace(kart, driver=Driver(grip_share=0.9))
    return speed_profile(line_on_track(track, s, 0.2 * np.sin(6 * np.pi * s / track.length)), slower, label="lap 3")


def _texts(figure):
    """Every text on a figure."""
    return " | ".join(text.get_text() for text in figure.findobj(matplotlib.text.Text) if text.get_text())


def test_time_gap_ends_at_the_difference_of_the_lap_times(reference, driven):
    gap = time_gap(reference, driven)
    assert gap.total[0] == 0.0
    assert gap.total[-1] == pytest.approx(driven.lap_time - reference.lap_time, abs=1e-9)
    assert np.trapezoid(gap.rate, gap.s) == pytest.approx(gap.total[-1], abs=0.02 * gap.total[-1])


def test_pedals_of_a_lap_at_the_limit(kart, reference):
    found = pedal_codes(reference, kart)
    braking = reference.limited_by == Limit.BRAKING
    driving = np.isin(reference.limited_by, [Limit.DRIVE, Limit.TRACTION])
    # The last of a trailed brake is less than counts as braking: of the work of the brakes it is little.
    held = np.maximum(-beyond_rolling(reference, kart), 0.0) * reference.v * np.gradient(reference.t)
    assert held[braking & (found == Pedal.BRAKE)].sum() > 0.9 * held[braking].sum()
    assert (found[driving] == Pedal.DRIVE).mean() > 0.9


def test_a_computed_lap_and_a_driven_one_have_their_pedals_by_one_rule(track, kart, reference):
    """The strip of the computed lap, and the page's row of a driven lap with the same speed and line."""
    sheet = session_sheet(track, kart, [without_uncertainty(reference)])
    rows = computed_rows(sheet, [reference])
    powered, braked = pedals(rows.ax - rows.roll, rows.full)
    there = pedal_codes(reference, kart)[np.clip(np.searchsorted(reference.line.s, sheet.s), 0, reference.v.size - 1)]
    assert np.mean((there == Pedal.DRIVE) == powered[0]) > 0.97  # nodes beside an onset may go either way
    assert np.mean((there == Pedal.BRAKE) == braked[0]) > 0.97


def test_rolling_with_the_throttle_closed_is_coasting(kart, reference):
    from linelab.model import grip

    line = dataclasses.replace(
        reference.line,
        kappa=np.zeros_like(reference.v),
        slope=np.zeros_like(reference.v),
        bank=np.zeros_like(reference.v),
    )
    rolling = dataclasses.replace(reference, line=line, ax=-grip.roll_down(kart, reference.v))
    assert (pedal_codes(rolling, kart) == Pedal.COAST).all()


def test_runs_cover_every_node_once():
    codes = np.array([1, 1, 2, 0, 0, 0], dtype=np.int8)
    assert runs(codes) == [(1, 0, 1), (2, 2, 2), (0, 3, 5)]


def test_pieces_join_up():
    parts = pieces(np.array([0.0, 1.0, 3.0]), np.array([0.0, 2.0, 2.0]))
    assert [part.tolist() for part in parts] == [[[0.0, 0.0], [1.0, 2.0]], [[1.0, 2.0], [3.0, 2.0]]]


def test_corner_minima_are_the_lowest_speeds(track, kart, reference):
    minima = corner_minima(track, reference)
    assert set(minima) == {corner.number for corner in track.corners}
    # Marks are found every half metre, where the slowest node need not lie.
    assert min(minima.values()) == pytest.approx(reference.v.min(), rel=3e-3)
    assert minima == {row.marks.corner.number: row.min_speed for row in corner_marks(track, reference, kart)}


def test_a_view_turns_about_its_centre_and_keeps_distances():
    view = View(0.7, (3.0, -2.0))
    x, y = view(np.array([3.0, 8.0]), np.array([-2.0, 10.0]))
    assert (x[0], y[0]) == (3.0, -2.0)
    assert np.hypot(x[1] - 3.0, y[1] + 2.0) == pytest.approx(13.0)
    quarter = View(np.pi / 2)(np.array([1.0]), np.array([0.0]))
    assert quarter[0][0] == pytest.approx(0.0, abs=1e-12)
    assert quarter[1][0] == pytest.approx(1.0)


@given(st.lists(st.floats(-0.5, 1.5), min_size=1, max_size=8))
@settings(max_examples=100, deadline=None)
def test_labels_are_spread_apart_in_order_and_inside(wanted):
    wanted = np.array(wanted)
    placed = spread(wanted, 0.1, 0.0, 1.0)
    order = np.argsort(wanted, kind="stable")
    assert (np.diff(placed[order]) >= 0.1 - 1e-9).all()
    assert placed.min() >= -1e-9
    assert placed.max() <= 1.0 + 1e-9


def test_labels_that_do_not_collide_stay_where_they_are():
    assert spread(np.array([0.8, 0.2, 0.5]), 0.1, 0.0, 1.0) == pytest.approx([0.8, 0.2, 0.5])


@pytest.mark.parametrize(("value", "bar"), [(37.0, 20.0), (10.0, 10.0), (99.0, 50.0), (0.7, 0.5), (200.0, 200.0)])
def test_scale_bars_are_round(value, bar):
    assert round_length(value) == pytest.approx(bar)


def test_corner_numbers_keep_clear_of_the_track(track):
    places = label_places(track, np.vstack([track.left_edge, track.right_edge]), 5.0)
    edges = np.vstack([track.left_edge, track.right_edge])
    nearest = np.sqrt(((places[:, None, :] - edges[None, :, :]) ** 2).sum(axis=2)).min(axis=1)
    assert np.median(nearest) > 3.0
    assert nearest.min() > 0.8


def test_time_lost_colours_differ_in_lightness_for_colour_blind_readers():
    """Relative luminance (IEC 61966-2-1 weights): both ends are much darker than the middle, and no two are equal."""

    def luminance(colour):
        linear = np.where(
            np.array(colour[:3]) <= 0.04045,
            np.array(colour[:3]) / 12.92,
            ((np.array(colour[:3]) + 0.055) / 1.055) ** 2.4,
        )
        return float(linear @ [0.2126, 0.7152, 0.0722])

    gain, level, lost = (luminance(lost_colours()(u)) for u in (0.0, 0.5, 1.0))
    assert level > 2.0 * max(gain, lost)


def test_every_limit_has_a_look():
    assert set(LIMIT_LOOKS) == set(Limit)


def test_map_of_time_lost_says_how_well_the_times_are_known(track, reference, driven):
    ideal = dataclasses.replace(reference, label="the computed lap")
    text = _texts(plot_lines(track, ideal, driven, lap_time_sigma=0.022, gap_sigma=0.031))
    assert f"{lap_time_text(driven.lap_time)} ±0.043 against" in text
    assert f"for the computed lap, {driven.lap_time - reference.lap_time:+.3f} ±0.061 s" in text
    assert "±" not in _texts(plot_lines(track, reference, driven))


def test_time_behind_at_the_finish_carries_its_uncertainty(track, reference, driven):
    kart, ends = load_kart("senior-single-speed"), np.array([0.0, track.length])
    text = _texts(plot_traces(track, reference, driven, kart, gap_sigma=np.array([0.0, 0.027]), gap_stations=ends))
    assert f"{driven.lap_time - reference.lap_time:+.3f} ±0.053 s at the finish" in text
    assert "± " not in _texts(plot_traces(track, reference, driven, kart))


def test_map_of_time_lost_says_what_it_shows(track, reference, driven):
    text = _texts(plot_lines(track, reference, driven, IMPERIAL, notes="Good to a yard."))
    assert CAUTIONS[:40] in text.replace("\n", " ")
    assert "where lap 3 loses time" in text
    assert f"{driven.lap_time - reference.lap_time:+.3f} s" in text
    assert "s per 100 ft" in text
    assert "Good to a yard." in text
    assert all(f"| {corner.number} |" in f"| {text} |" for corner in track.corners)


def test_estimated_edges_are_declared_on_every_picture(track, kart, reference, driven):
    estimated = dataclasses.replace(track, survey=Survey(kind="estimated", assumed_width=7.0))
    corner = estimated.corners[2]
    for figure in (
        plot_ground(estimated),
        plot_lines(estimated, reference, driven),
        plot_reference(estimated, reference),
        plot_traces(estimated, reference, driven, kart),
        plot_corner(estimated, corner, reference, driven),
    ):
        text = _texts(figure).replace("\n", " ")
        assert "assumed width 7 m" in text
        assert "Computed limits are not targets" in text


def test_every_picture_is_saved_whole(tmp_path, track, kart, reference, driven):
    comparison = compare(track, reference, driven, kart)
    files = save_overview(tmp_path, track, comparison, kart)
    files += save_reference_pictures(tmp_path, track, reference, kart, corners=[track.corners[0].number])
    assert [path.name for path in files[:2]] == ["time_lost_map.png", "speed_and_time.png"]
    for path in files:
        data = path.read_bytes()
        assert data.startswith(b"\x89PNG")
        assert data.rstrip().endswith(b"IEND\xaeB`\x82")
    assert len(list(tmp_path.iterdir())) == len({path.name for path in files})


def test_pictures_are_the_same_each_time(tmp_path, track, kart):
    for name in ("a.svg", "b.svg"):
        with matplotlib.rc_context({"svg.hashsalt": "same"}):
            save_figure(plot_kart(kart), tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


def test_callouts_of_the_reference_are_its_own_figures(track, kart, reference, driven):
    exact = compare(track, reference, driven, kart)
    review = rank_corners(exact)[0]
    marks = reference_callouts(track, reference, review.frame, METRIC)
    slowest = next(callout for callout in marks if "minimum speed" in callout.name)
    at = review.frame.minimum_speed % track.length
    assert slowest.text == METRIC.speed_text(float(np.interp(at, reference.line.s, reference.v)))
    assert next(callout for callout in marks if "apex" in callout.name).note == "closest to the inside edge"


def test_marks_at_one_place_share_a_callout(track, reference):
    marks = find_marks(track, reference)[0]
    same = dataclasses.replace(marks, brakes=True, brake_point=marks.turn_in - 0.5)
    names = [callout.name for callout in reference_callouts(track, reference, same, METRIC)]
    assert "brake point, turn-in" in names
    assert len(", ".join(names).split(", ")) == len(set(", ".join(names).split(", ")))


def test_marks_of_every_corner_can_be_called_out(track, kart, reference):
    for mark in find_marks(track, reference, kart):
        for callout in reference_callouts(track, reference, mark, IMPERIAL):
            assert "mph" in callout.text
            assert "km/h" not in callout.text + callout.note
        names = ", ".join(callout.name for callout in reference_callouts(track, reference, mark))
        assert {"turn-in", "apex", "minimum speed", "track-out"} <= set(names.split(", "))


def test_numbers_over_a_curve_keep_off_each_other_and_in_order(track, reference):
    """Corners of a long circuit lie closer on the sheet than their numbers are wide."""
    close = [dataclasses.replace(track.corners[0], number=n, s_apex=s) for n, s in ((14, 90), (15, 200), (16, 200.5))]
    close.append(dataclasses.replace(close[0], number=17, s_apex=track.length - 0.1))
    figure = plot_reference(dataclasses.replace(track, corners=tuple(close)), reference)
    figure.canvas.draw()
    renderer, speed = figure.canvas.get_renderer(), figure.axes[1]
    boxes = [text.get_window_extent(renderer) for text in speed.texts if text.get_text() in ("14", "15", "16", "17")]
    assert len(boxes) == 4
    assert all(after.x0 > before.x1 for before, after in itertools.pairwise(boxes))
    at = speed.transData.inverted().transform([[0.5 * (box.x0 + box.x1), 0.0] for box in boxes])[:, 0]
    assert at[0] == pytest.approx(90.0, abs=0.5)  # alone, hence over its apex
    assert np.mean(at[1:3]) == pytest.approx(200.25, abs=0.5)


def test_a_long_title_keeps_off_the_key(track, reference):
    name = "Kart Circuit of a Town With a Long Name (driven the other way round)"
    figure = plot_reference(dataclasses.replace(track, name=name), reference)
    figure.canvas.draw()
    title = next(text for text in figure.texts if text.get_text() == name)
    renderer = figure.canvas.get_renderer()
    assert not title.get_window_extent(renderer).overlaps(figure.legends[0].get_window_extent(renderer))


def test_pictures_cannot_be_saved_under_a_file(tmp_path, kart):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="this is a file, not a folder"):
        save_figure(plot_kart(kart), tmp_path / "file" / "kart.png")


def test_tables_line_up():
    text = text_table(["name", "a\nb"], [["x", "1"], ["longer", "100"]])
    assert text.splitlines() == [
        "          a",
        "name      b",
        "------  ---",
        "x         1",
        "longer  100",
    ]


def test_numbers_are_tied_to_the_apexes_they_name(track):
    places = corner_places(track)
    ticks = corner_ticks(track, places)
    edges = shapely.MultiLineString([track.left_edge, track.right_edge])
    assert ticks.shape == (len(track.corners), 2, 2)
    for corner, place, (first, last) in zip(track.corners, places, ticks):
        away = np.hypot(*(first - place))
        assert 0.4 * away < np.hypot(*(last - place)) < 0.8 * away  # towards the number, not into it
        apex = curve_at(track.reference, corner.s_apex)
        along = np.array([np.cos(apex.psi), np.sin(apex.psi)])
        assert abs(along @ (first - [apex.x, apex.y])) < 1e-6  # straight across the road from the apex
        assert shapely.Point(first).distance(edges) < 0.2 * away


def test_where_edges_come_from_is_told_in_whole_sentences():
    survey = Survey(kind="estimated", note="made from laps: not known", assumed_width=7.0, uncertainty=0.8654)
    assert survey_sentence(survey) == (
        "Edges estimated, not surveyed, assumed width 7 m, ±1.7 m (95 % interval). Made from laps: not known."
    )
    assert survey_sentence(Survey(kind="surveyed")) == "Edges as given in the track file."


@pytest.mark.parametrize("units", [METRIC, IMPERIAL])
def test_axes_along_a_lap_name_their_stations(track, kart, reference, driven, units):
    """A circuit's stations are distances round the lap, an open road's along it."""
    figures = [plot_traces(track, reference, driven, kart, units), plot_reference(track, reference, units)]
    for figure in figures:
        (title,) = {axes.get_xlabel() for axes in figure.axes} - {""}
        assert title == f"distance round the lap [{units.length_unit}]"
    road = types.SimpleNamespace(closed=False)
    assert station_title(road, units) == f"distance along the road [{units.length_unit}]"


def test_the_picture_of_speed_and_time_names_what_the_lap_is_held_against(track, kart, reference, driven):
    own = dataclasses.replace(reference, label="your own best lap, lap 3")
    for lap, name in ((reference, "the computed lap"), (own, "your own best lap, lap 3")):
        text = _texts(plot_traces(track, lap, driven, kart))
        assert f"against {name}" in text
        assert f"the pedals of {name}" in text
        assert "the computed lap" not in text or lap is reference
