"""Corners with two apexes: known shapes, small changes of grip, mirrored ground, and real circuits where present."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from shared import OUTSIDE, solved

from linelab.diagnosis.findings import _line_kind
from linelab.diagnosis.marks import TO_95, CornerMarks, clear_departure, find_marks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.survey_import import load_centre_line
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.output.reference_report import two_apex_words

KARTS = ("gearbox", "junior-single-speed", "rental-four-stroke", "senior-single-speed")
CIRCUITS = OUTSIDE / "circuits_xyw" / "tracks"
WIDTH, TIGHT, CHUTE = 8.0, 5.0, 11.0


def bend(chute: float, *, mirrored: bool = False, backwards: bool = False) -> Track:
    """A half turn to the left between straights of 90 m: two quarter circles, ``chute`` apart [m], 0 for one arc.

    The inside edge is a circle of radius TIGHT [m] about each quarter's centre: with a chute its two kinks are known.
    """
    quarter = np.linspace(-0.5 * np.pi, 0.0, 40)

    def edge(radius: float) -> np.ndarray:
        first = np.column_stack([radius * np.cos(quarter), radius * np.sin(quarter)])
        second = np.column_stack(
            [radius * np.cos(quarter + 0.5 * np.pi), chute + radius * np.sin(quarter + 0.5 * np.pi)]
        )
        way = np.linspace(90.0, 1.0, 90)
        start = np.column_stack([-way, np.full(90, -radius)])
        end = np.column_stack([-way[::-1], np.full(90, chute + radius)])
        between = np.linspace(0.0, chute, max(int(chute), 2))[1:-1]
        middle = np.column_stack([np.full(between.size, radius), between])
        return np.vstack([start, first, middle, second if chute else second[1:], end])

    left, right = edge(TIGHT), edge(TIGHT + WIDTH)
    if mirrored:
        left, right = right * [1.0, -1.0], left * [1.0, -1.0]
    if backwards:
        left, right = right[::-1], left[::-1]
    return track_from_edges("bend", left, right, closed=False)


def one_corner(track: Track, kart: str = "senior-single-speed", **options) -> tuple[Solution, CornerMarks]:
    solution = solve_min_time(track, load_kart(kart), verify=False, **options)
    (mark,) = find_marks(track, solution.lap, load_kart(kart))
    return solution, mark


@pytest.mark.parametrize("kart", KARTS)
def test_two_kinks_of_the_inside_edge_are_two_apexes_where_they_are_drawn(kart: str) -> None:
    track = bend(CHUTE)
    solution, mark = one_corner(track, kart)
    assert mark.other_apex is not None
    line = solution.lap.line
    for station, (x, y) in zip(mark.apexes, ((TIGHT, 0.0), (TIGHT, CHUTE))):
        kart_x, kart_y = (float(np.interp(station, line.s, values)) for values in (line.x, line.y))
        assert np.hypot(kart_x - x, kart_y - y) < TIGHT  # beside this kink's own quarter, not the other's
    assert mark.turn_in <= mark.apexes[0] < mark.apexes[1] <= mark.track_out
    slower, faster = (np.interp(at, line.s, solution.lap.v) for at in (mark.apex, mark.other_apex))
    assert slower <= faster
    assert set(mark.apex_names()) == {"first apex", "second apex"}
    assert mark.apex_names()[0] == ("first apex" if mark.apex < mark.other_apex else "second apex")


@pytest.mark.parametrize("kart", KARTS)
def test_a_hairpin_of_one_radius_has_one_apex(kart: str) -> None:
    _, mark = one_corner(bend(0.0), kart)
    assert mark.other_apex is None
    assert mark.apexes == (mark.apex,)


@pytest.mark.parametrize("chute", [0.0, CHUTE])
def test_the_mirrored_corner_has_its_apexes_at_the_same_places(chute: float) -> None:
    _, mark = one_corner(bend(chute))
    _, mirrored = one_corner(bend(chute, mirrored=True))
    assert mirrored.corner.left != mark.corner.left
    assert mirrored.apexes == pytest.approx(mark.apexes, abs=0.5)


def test_driven_the_other_way_it_still_has_two() -> None:
    assert one_corner(bend(CHUTE, backwards=True))[1].other_apex is not None


def test_a_coarser_mesh_changes_nothing() -> None:
    _, mark = one_corner(bend(CHUTE))
    _, coarse = one_corner(bend(CHUTE), tolerance=0.05)
    assert coarse.apexes == pytest.approx(mark.apexes, abs=1.0)


def test_edges_that_are_poorly_known_or_estimated_show_no_second_apex() -> None:
    track = bend(CHUTE)
    solution, mark = one_corner(track)
    kart = load_kart("senior-single-speed")
    assert mark.other_apex is not None
    unsure = replace(track, survey=replace(track.survey, uncertainty=2.0))
    assert clear_departure(unsure) > TO_95 * 2.0
    estimated = replace(track, survey=replace(track.survey, kind="estimated", assumed_width=8.0))
    for other in (unsure, estimated):
        assert find_marks(other, solution.lap, kart)[0].other_apex is None


def test_one_apex_corners_do_not_know_of_the_others() -> None:
    # The same lap with and without second apexes: corners with one are the same to the last bit.
    for name in ("ostrelle_sprint", "tinmarsh_rental", "marrowdown_club"):
        track, kart, lap = load_track(name), load_kart("gearbox"), solved(name, "gearbox").lap
        unsure = replace(track, survey=replace(track.survey, uncertainty=5.0))
        pairs = list(zip(find_marks(track, lap, kart), find_marks(unsure, lap, kart)))
        assert all(plain.other_apex is None for _, plain in pairs)
        for mark, plain in pairs:
            if mark.other_apex is None:
                assert mark == plain
        two = [mark.corner.number for mark, _ in pairs if mark.other_apex is not None]
        assert two == {"ostrelle_sprint": [3, 12], "tinmarsh_rental": [8], "marrowdown_club": []}[name]


@pytest.mark.parametrize("name", ["ostrelle_sprint", "tinmarsh_rental", "marrowdown_club"])
@pytest.mark.parametrize("kart", KARTS)
def test_a_tenth_of_grip_makes_no_apex_and_takes_none(name: str, kart: str) -> None:
    track, driven, warm = load_track(name), load_kart(kart), solved(name, kart)
    usual = find_marks(track, warm.lap, driven)
    for grip in (0.9, 1.1):
        lap = solve_min_time(track, driven, grip=grip, warm=warm, verify=False).lap
        for mark, other in zip(usual, find_marks(track, lap, driven)):
            assert len(other.apexes) == len(mark.apexes), f"corner {mark.corner.number} at grip {grip}"
            if mark.other_apex is not None:
                assert other.apexes == pytest.approx(mark.apexes, abs=1.5)
                assert other.apex_names() == mark.apex_names()


def test_both_are_in_the_words_in_driving_order() -> None:
    track = bend(CHUTE)
    solution, mark = one_corner(track)
    first, last = two_apex_words(track, solution.lap, load_kart("senior-single-speed"))
    places = [f"{station:.0f} m" for station in mark.apexes]
    assert first.index(places[0]) < first.index(places[1])
    assert "slower" in last
    straight = bend(0.0)
    assert two_apex_words(straight, one_corner(straight)[0].lap, load_kart("senior-single-speed")) == []


@pytest.mark.parametrize("which", [0, 1])
def test_a_line_that_is_wide_at_one_of_two_apexes_is_told_at_that_one(which: int) -> None:
    track = bend(CHUTE)
    _, mark = one_corner(track)
    s = np.arange(0.0, track.length, 0.5)
    wide = 0.6 * np.exp(-(((s - mark.apexes[which]) / 3.0) ** 2))
    own = SimpleNamespace(s=s, track=track, departure=-wide)  # outwards in a left-hand corner
    off = _line_kind(own, mark)
    assert off.kind == "apex_missed"
    assert off.off == pytest.approx(0.6, abs=0.02)
    assert mark.apex_names()[off.other_apex] == ("first apex", "second apex")[which]


@pytest.mark.slow
@pytest.mark.skipif(not CIRCUITS.is_dir(), reason="open circuit data (circuits_xyw) not present")
def test_long_double_corners_of_real_circuits() -> None:
    # Corners that drivers know for two apexes, by where they are, and an oval that has none.
    kart = load_kart("gearbox")
    found = {}
    for name in ("Sepang", "Oschersleben", "Sakhir", "IMS", "Spielberg"):
        track = load_centre_line(CIRCUITS / f"{name}.csv")
        marks = find_marks(track, solve_min_time(track, kart, verify=False).lap, kart)
        found[name] = [mark.corner.number for mark in marks if mark.other_apex is not None]
        assert all(mark.turn_in <= mark.apexes[0] and mark.apexes[-1] <= mark.track_out for mark in marks)
    assert found["IMS"] == found["Spielberg"] == []
    assert {1, 5} <= set(found["Sepang"])
    assert 3 in found["Oschersleben"]
    assert 7 in found["Sakhir"]
