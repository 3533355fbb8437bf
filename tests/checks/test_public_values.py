"""Values of the public types: shown in one line, equal by value, tables of themselves; other types are refused."""

from __future__ import annotations

import copy
import pickle
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

import linelab
from linelab.arrays import Table
from linelab.model.lap import Recording
from linelab.model.track import Corner

TRACK, KART, RECORDING = "ostrelle_sprint", "senior-single-speed", "ostrelle_practice"


@pytest.fixture(scope="module")
def track():
    return linelab.load_track(TRACK)


@pytest.fixture(scope="module")
def kart():
    return linelab.load_kart(KART)


@pytest.fixture(scope="module")
def recording():
    return linelab.load_recording(RECORDING)


@pytest.fixture(scope="module")
def review(recording, track, kart):
    return linelab.review(recording, kart, track, laps=(4, 6), position_error=0.25)


@pytest.fixture(scope="module")
def values(track, kart, recording, review):
    driven = review.laps[0].comparison.driven
    report = linelab.clean_recording(recording)[1]
    kinds = (track, kart, linelab.load_kart("gearbox"), recording, review, review.solution, review.solution.lap)
    beside = linelab.compare_sessions(review, review)
    return [*kinds, driven, review.laps[0].comparison, review.recorded[1], report, driven.lap.line, beside]


def test_values_show_themselves_in_one_short_line(values):
    shown = [repr(value) for value in values]
    assert [text for text in shown if "\n" in text or len(text) > 160 or "array(" in text] == []
    for value, text in zip(values, shown):
        assert re.match(rf"{type(value).__name__}\b", text)
    assert len(set(shown)) == len(shown)


NASTY = 'x"><script>&\x1b[31m\n\u202e'


def test_what_files_say_is_text_in_a_repr(track, kart, recording, review):
    lap = replace(review.solution.lap, label=NASTY)
    named = (replace(track, name=NASTY), replace(kart, name=NASTY), replace(recording, source=NASTY), lap)
    for value in named:
        assert re.search(r"[\n\x1b\u202e]", repr(value)) is None


@pytest.mark.parametrize("what", ["circuit", "road", "lap", "point"])
def test_drawings_are_small_svg_without_anything_a_file_could_smuggle_in(track, review, what):
    lap = replace(review.solution.lap, label=NASTY)
    value = {"circuit": replace(track, name=NASTY), "road": track, "lap": lap, "point": lap}[what]
    if what == "road":
        half = {"left_edge": track.left_edge[:400], "right_edge": track.right_edge[:400]}
        line = replace(track.reference, closed=False)
        value = replace(track, name=NASTY, reference=line, corners=(), kerbs=(), **half)
    if what == "point":  # as small as it gets: nothing to scale by
        value = replace(lap, line=replace(lap.line, x=0.0 * lap.line.x, y=0.0 * lap.line.y))
    text = value._repr_html_()
    assert len(text) < 20_000
    drawn = ElementTree.fromstring(text)  # well-formed, whatever the name
    assert {element.tag.rpartition("}")[2] for element in drawn.iter()} <= {
        "figure",
        "svg",
        "path",
        "text",
        "figcaption",
    }
    assert drawn.findtext("figcaption") == repr(value)


def test_a_drawing_keeps_everything_inside_and_north_up(track):
    svg = ElementTree.fromstring(track._repr_html_())[0]
    _, _, wide, tall = map(int, svg.get("viewBox").split())
    numbers = [(int(t.get("x")), int(t.get("y"))) for t in svg if t.tag.endswith("text")]
    assert all(0 <= x <= wide and 0 <= y <= tall for x, y in numbers)
    assert len(numbers) == len(track.corners)
    s = np.array([corner.s_apex for corner in track.corners])
    y = np.interp(s, track.s, track.reference.y)
    assert np.corrcoef(y, [place[1] for place in numbers])[0, 1] < -0.95


def test_equal_when_loaded_twice(track, kart, recording):
    for load, name, value in (
        (linelab.load_track, TRACK, track),
        (linelab.load_kart, KART, kart),
        (linelab.load_recording, RECORDING, recording),
    ):
        again = load(name)
        assert again == value
        assert again is not value
        assert len({again, value}) == 1
    gearbox = linelab.load_kart("gearbox")  # its torque curve is arrays
    assert gearbox == linelab.load_kart("gearbox") != kart


def test_equal_after_a_copy_and_another_process(values):
    for value in values:
        if type(value).__eq__ is object.__eq__:
            continue
        assert pickle.loads(pickle.dumps(value)) == value
        assert copy.copy(value) == value
        assert value != "something else"


def test_not_equal_when_one_entry_differs(track, review):
    for value, name in ((track, "w_left"), (review.solution.lap, "v")):
        array = getattr(value, name).copy()
        array[7] = np.nextafter(array[7], np.inf)
        assert replace(value, **{name: array}) != value
    longer = replace(track, corners=(*track.corners[:-1], replace(track.corners[-1], name="Last")))
    assert longer != track


def test_gaps_in_a_channel_are_equal_to_gaps():
    made = [Recording(t=[0.0, 1.0], x=[0.0, 1.0], y=[0.0, 0.0], channels={"brake": [np.nan, 0.5]}) for _ in range(2)]
    assert made[0] == made[1]
    assert hash(made[0]) == hash(made[1])
    full = Recording(t=[0.0, 1.0], x=[0.0, 1.0], y=[0.0, 0.0], channels={"brake": [0.0, 0.5]})
    assert made[0] != full


def test_everything_tabular_is_a_table(track, recording, review, kart):
    comparison, driven = review.laps[0].comparison, review.laps[0].comparison.driven
    marks = linelab.corner_marks(track, review.solution, kart)
    corners = len(track.corners)
    for table, rows, column in (
        (track.corners, corners, "s_apex_m"),
        (marks, corners, "minimum_speed_mps"),
        (recording, recording.t.size, "speed_mps"),
        (review.recorded, len(review.recorded), "lap_time_s"),
        (Table([driven]), 1, "lap_time_sigma_s"),
        (driven, driven.lap.t.size, "v_sigma_mps"),
        (driven.lap, driven.lap.t.size, "v_mps"),
        (comparison, comparison.s.size, "gap_s"),
        (comparison.corners, corners, "time_lost_s"),
        (review.laps, 2, "gap_s"),
        (review, 2 * corners, "time_lost_s"),
    ):
        frame = table.to_dataframe()
        assert len(frame) == rows
        assert column in frame


def test_a_table_adds_up_like_the_values_it_shows(review):
    frame = review.to_dataframe()
    for lap in review.laps:
        lost = frame[frame["lap"] == lap.label]["time_lost_s"].sum()
        assert lost == pytest.approx(lap.gap.value, abs=1e-9)


def test_without_pandas_a_table_says_how_to_get_it(track, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pandas", None)
    with pytest.raises(linelab.InputError, match=r"pip install 'linelab\[tables\]'"):
        track.corners.to_dataframe()


def test_corners_may_be_given_as_any_sequence(track):
    corner = Corner(number=1, s_start=1.0, s_apex=2.0, s_end=3.0, turn=1.0)
    assert len(replace(track, corners=[corner]).corners.to_dataframe()) == 1


FIRST = {  # a public function to what its first argument must be
    "clean_recording": "Recording",
    "compare": "Track",
    "compare_sessions": "Review",
    "compare_setups": "list of recordings",
    "corner_marks": "Track",
    "estimate_lap": "Track",
    "fit_kart": "DrivenLap",
    "habit_costs": "Track",
    "habit_lap": "Track",
    "import_track": "Recording or path",
    "load_kart": "path",
    "load_lap": "path",
    "load_recording": "path",
    "load_solution": "path",
    "load_track": "path",
    "groove_along": "Track",
    "off_groove_costs": "Track",
    "on_the_day": "Track",
    "margin_lap": "Track",
    "read_laps": "Recording or path",
    "reversed_track": "Track",
    "review": "Recording or path",
    "save_kart": "Kart",
    "save_lap": "Lap",
    "save_recording": "Recording",
    "save_review": "Review",
    "save_solution": "Solution",
    "save_track": "Track",
    "scatter_of": "Review",
    "solve_min_time": "Track",
    "speed_profile": "Line",
    "split_laps": "Recording or Samples",
    "sweep": "Track",
    "track_facts": "Track",
    "track_sheet": "Track",
    "what_pays": "Track",
    "with_axles": "Kart",
}


def test_every_function_with_a_value_of_ours_is_asked():
    functions = {name for name in linelab.__all__ if name[0].islower()}
    others = {"bundled_karts", "bundled_recordings", "bundled_tracks", "latin_hypercube", "load_session"}
    assert functions - set(FIRST) == others


@pytest.mark.parametrize("name", FIRST)
def test_another_type_is_refused_with_what_to_give(name, kart, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    wrong = kart if FIRST[name] != "Kart" else 5.0
    rest = {
        "compare": 3,
        "compare_sessions": 1,
        "compare_setups": 1,
        "corner_marks": 2,
        "estimate_lap": 1,
        "review": 1,
        "solve_min_time": 1,
        "track_sheet": 2,
        "habit_costs": 1,
        "groove_along": 1,
        "off_groove_costs": 2,
        "on_the_day": 2,
        "what_pays": 1,
        "margin_lap": 1,
        "habit_lap": 5,
        "sweep": 2,
    }
    count = rest.get(name, 1 if name.startswith(("save", "speed", "split", "read")) else 0)
    with pytest.raises(linelab.InputError, match=rf"^{name}: \w+ is a \w+, not a {FIRST[name]}") as caught:
        getattr(linelab, name)(wrong, *["there"] * count)
    named = re.findall(r"linelab\.(\w+)", caught.value.remedy)
    assert set(named) <= set(linelab.__all__)
    assert named or FIRST[name] in ("path", "Line")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda t, k: linelab.solve_min_time(TRACK, k), "track is the text 'ostrelle_sprint'.*linelab.load_track"),
        (lambda t, k: linelab.solve_min_time(t, t), "kart is a Track, not a Kart.*linelab.load_kart"),
        (lambda t, k: linelab.split_laps(Path("run.csv"), t), r"the text 'run\.csv'.*linelab.load_recording"),
        (lambda t, k: linelab.review("run.csv", t), "kart is a Track, not a Kart or path.*linelab.load_kart"),
        (lambda t, k: linelab.review("run.csv", k, k), "track is a Kart, not a Track"),
        (lambda t, k: linelab.review("run.csv", k, t), "no such file"),
        (lambda t, k: linelab.save_track(t, None), "path is a NoneType, not a path. Give the name of a file"),
        (lambda t, k: linelab.load_session("run.csv"), "Give a list"),
        (lambda t, k: linelab.track_sheet(t, k, "x", units="feet"), "Choose among metric, imperial"),
    ],
)
def test_usual_mistakes_are_named(call, said, track, kart, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(linelab.LinelabError, match=said):
        call(track, kart)
    assert not list(tmp_path.iterdir())
