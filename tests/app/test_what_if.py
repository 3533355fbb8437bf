"""What-ifs of the app against the library's own functions, and against laps solved without anything kept."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from staged import corner_edges

from linelab.app.library import Library
from linelab.app.tasks import what_if
from linelab.app.tasks.what_if import Driving, KartChange, answer_what_if, found_lap, place_of, prepare_what_if
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track, save_track
from linelab.model.engine import with_force
from linelab.model.kart import Kart
from linelab.optimum.minimum_time import solve_min_time
from linelab.optimum.verify import usage
from linelab.study.habit_costs import chosen_marks, habit_costs
from linelab.study.sprockets import sprocket_laps
from linelab.units import KMH

TRACK, KART = "tinmarsh_rental", "rental-four-stroke"
KEPT = (
    what_if.scene_at, what_if.changed_at, what_if.base_at, what_if._tried, what_if._slowed_free, what_if._every_mark,
)  # fmt: skip


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("library")
    Library(folder).prepare()
    return folder


@pytest.fixture(autouse=True)
def nothing_kept() -> Iterator[None]:
    """Other tests' laps out of the way, but those of the track and kart as they are."""
    yield
    for kept in KEPT[1:]:
        kept.cache_clear()


def asked(
    library: Path, track: str = TRACK, kart: str = KART, units: str = "metric", **values: float
) -> dict[str, Any]:
    given = {"track": track, "kart": kart, "units": units, "set": values}
    return answer_what_if(library, given, lambda text: None)


def gripping(kart: Kart, factor: float) -> Kart:
    return replace(kart, mu_lateral=factor * kart.mu_lateral, mu_longitudinal=factor * kart.mu_longitudinal)


def test_nothing_changed_is_exactly_nothing(library: Path) -> None:
    given = {"track": TRACK, "kart": KART, "units": "metric"}
    bench, found = prepare_what_if(library, given, lambda text: None), asked(library)
    assert found["lost"] == found["by_kart"] == found["by_driver"] == 0.0
    assert set(found["lost_along"]) == {0.0}
    assert found["after"] == bench["before"]
    assert found["lap_time"] == found["before"] == bench["lap_time"]
    assert {control["name"]: control["none"] for control in bench["controls"]}["braking"] == 100.0
    assert "Nothing is changed" in found["words"][0]


def test_small_changes_are_small(library: Path) -> None:
    """Nothing jumps beside none: what a what-if shows is the change, not the way it was solved."""
    for values in ({"grip": -1}, {"mass": 1}, {"apex": 0.05, "apex_corner": 2}, {"entry": -0.5, "entry_corner": 2}):
        lost = asked(library, **values)["lost"]
        assert 0.0 < lost < 0.2, values
    assert asked(library, apex=0.05, apex_corner=2)["lost"] < 0.01
    assert asked(library, grip=1)["lost"] == pytest.approx(-asked(library, grip=-1)["lost"], rel=0.05)


@pytest.mark.parametrize(("values", "change"), [
    ({"grip": -5.0}, lambda kart: gripping(kart, 0.95)),
    ({"power": 10.0}, lambda kart: replace(kart, engine=with_force(kart.engine, 1.1))),
    ({"mass": 10.0}, lambda kart: replace(kart, mass=kart.mass + 10.0)),
    ({"braking": 70.0}, lambda kart: replace(kart, driver=replace(kart.driver, braking_share=0.7))),
    ({"grip": 8.0, "mass": -5.0}, lambda kart: gripping(replace(kart, mass=kart.mass - 5.0), 1.08)),
])  # fmt: skip
def test_a_changed_kart_is_that_kart_solved_from_nothing(library: Path, values, change) -> None:
    track, kart = load_track(TRACK), load_kart(KART)
    before, after = solve_min_time(track, kart), solve_min_time(track, change(kart))
    found = asked(library, **values)
    assert found["lost"] == pytest.approx(after.lap_time - before.lap_time, abs=before.time_error + after.time_error)
    assert found["by_driver"] == 0.0


@pytest.mark.slow
def test_teeth_are_those_of_the_sprocket_study(library: Path) -> None:
    track, kart = load_track("ostrelle_sprint"), load_kart("senior-single-speed")
    laps = sprocket_laps(track, kart, solve_min_time(track, kart), around=2)
    own = kart.engine.ratios.axle_teeth
    for lap in (laps[0], laps[-1]):
        found = asked(library, "ostrelle_sprint", "senior-single-speed", teeth=lap.axle_teeth)
        assert found["lost"] == pytest.approx(lap.apart, abs=3e-4)
        assert ("fewer" if lap.axle_teeth < own else "more") in found["words"][0]


@pytest.mark.parametrize(("corner", "size"), [(2, 0.5), (3, 1.0), (7, 0.35)])
def test_a_missed_apex_costs_what_the_habit_costs(library: Path, corner: int, size: float) -> None:
    sizes = [*np.arange(0.25, size, 0.25), size]
    cost = habit_costs(load_track(TRACK), load_kart(KART), sizes=sizes, corners=[corner])[0]
    found = asked(library, apex=size, apex_corner=corner)
    assert found["lost"] == found["by_driver"]
    assert found["lost"] == pytest.approx(cost.at(size), abs=5e-4)


def test_arriving_fast_costs_what_the_habit_costs(library: Path) -> None:
    size = 3.0 * KMH
    cost = habit_costs(load_track(TRACK), load_kart(KART), habit="arrives_fast", sizes=[0.5, size], corners=[7])[0]
    assert asked(library, entry=3.0, entry_corner=7)["lost"] == pytest.approx(cost.at(size), abs=1e-3)


def test_arriving_slowly_is_slow_there_and_possible(library: Path) -> None:
    """No slower lap than it must be: the speed at the turn-in is the one asked for, and no tyre is asked for more."""
    place = place_of(library, {"track": TRACK, "kart": KART})
    scene, before = what_if.scene_at(place), 0.0
    station = what_if.local(scene.track, chosen_marks(scene.track, scene.kart, scene.own, [7])[0].turn_in)
    free = float(np.interp(station, scene.own.lap.line.s, scene.own.lap.v))
    for slower in (0.5, 1.0, 1.6):
        lap = found_lap(place, KartChange(), Driving(entry_corner=7, entry=-slower)).held
        assert np.interp(station, lap.line.s, lap.v) == pytest.approx(free - slower, abs=0.02)
        used = usage(scene.kart, lap.line, lap.v, lap.ax)
        assert used.grip.max() < 1.02
        assert used.power[lap.ax > 0.0].max() < 1.02
        lost = asked(library, entry=-slower / KMH, entry_corner=7)["lost"]
        assert lost > before
        before = lost


@pytest.mark.parametrize("change", [{"grip": -5.0}, {"power": 5.0, "mass": -3.0}])
def test_a_habit_on_a_changed_kart_is_the_habit_of_that_kart(library: Path, change: dict[str, float]) -> None:
    """Kart and habit together against the changed kart solved from nothing, and the habit from its lap."""
    track, kart = load_track(TRACK), load_kart(KART)
    if "mass" in change:
        kart = replace(kart, mass=kart.mass + change["mass"], engine=with_force(kart.engine, 1.05))
    own = solve_min_time(track, kart, grip=1.0 + change.get("grip", 0.0) / 100.0)
    cost = habit_costs(track, kart, own, sizes=(0.25, 0.5), corners=[4])[0]
    found = asked(library, apex=0.5, apex_corner=4, **change)
    assert found["by_driver"] == pytest.approx(cost.at(0.5), abs=1e-3)
    assert found["by_kart"] == asked(library, **change)["lost"]
    assert found["lost"] == pytest.approx(found["by_kart"] + found["by_driver"], abs=1e-12)


def test_two_habits_together_cost_no_less_than_either(library: Path) -> None:
    one, other = {"apex": 0.5, "apex_corner": 2}, {"entry": -3.0, "entry_corner": 7}
    both = asked(library, **one, **other)
    apart = [asked(library, **each)["lost"] for each in (one, other)]
    assert both["lost"] > max(apart)
    assert both["lost"] == pytest.approx(sum(apart), abs=0.01)  # five corners lie between them
    assert len(both["words"]) == 3


@pytest.mark.slow
def test_an_answer_does_not_hang_on_what_was_asked_before(library: Path) -> None:
    values = {"apex": 0.6, "apex_corner": 4, "grip": -7.0}
    first = asked(library, **values)
    for kept in KEPT:
        kept.cache_clear()
    for other in ({"grip": -30.0}, {"apex": 1.0, "apex_corner": 4}, {"grip": -7.0, "entry": -2.0, "entry_corner": 4}):
        asked(library, **other)
    assert asked(library, **values)["lost"] == pytest.approx(first["lost"], abs=1e-7)


@pytest.mark.parametrize(
    "values", [{"grip": -5.0}, {"apex": 0.5, "apex_corner": 4}, {"entry": -2.0, "entry_corner": 2}]
)
def test_corners_and_the_curve_add_up_to_the_answer(library: Path, values: dict[str, float]) -> None:
    found = asked(library, **values)
    assert sum(corner["lost"] for corner in found["corners"]) == pytest.approx(found["lost"], abs=1e-9)
    assert found["lost_along"][0] == 0.0
    assert found["lost_along"][-1] == pytest.approx(found["lost"], abs=1e-4)
    assert found["lap_time"] == pytest.approx(found["before"] + found["lost"])


def test_what_cannot_be_is_said_and_the_next_answer_comes(library: Path) -> None:
    with pytest.raises(InputError, match="the kart cannot be faster there: at full power it arrives at"):
        asked(library, entry=6.0, entry_corner=5)
    with pytest.raises(InputError, match="30 % is outside -30 to 15 %"):
        asked(library, grip=30.0)
    with pytest.raises(InputError, match="there is no corner 99"):
        asked(library, apex=0.5, apex_corner=99)
    with pytest.raises(InputError, match="is no number"):
        asked(library, grip="much")  # type: ignore[arg-type]
    assert asked(library, grip=-2.0)["lost"] > 0.0


def test_units_change_what_is_said_and_not_what_it_is(library: Path) -> None:
    metric = asked(library, apex=0.3048, apex_corner=2)
    feet = asked(library, units="imperial", apex=1.0, apex_corner=2)
    assert feet["lost"] == pytest.approx(metric["lost"], abs=1e-9)
    assert "by 1 ft costs" in feet["words"][0]
    assert "m farther" in metric["words"][0]
    assert "ft farther" in feet["words"][0]
    slow = [asked(library, units=units, entry=-2.0, entry_corner=7)["words"][0] for units in ("metric", "imperial")]
    assert ["km/h" in text for text in slow] == [True, False]
    assert "mph" in slow[1]
    assert max(feet["after"]["v"]) == pytest.approx(max(metric["after"]["v"]) / 1.609344, abs=0.02)


def test_words_say_what_it_costs_where_and_why(library: Path) -> None:
    found = asked(library, "ostrelle_sprint", "senior-single-speed", apex=0.5, apex_corner=3)
    assert found["words"][0].startswith("Missing the apex of corner 3 by 0.5 m costs 0.01 s: you ")
    slippery = asked(library, "ostrelle_sprint", "senior-single-speed", grip=-5.0)
    largest = max(slippery["corners"], key=lambda corner: corner["lost"])["label"]
    assert slippery["words"][0].startswith("With 5 % less grip the lap takes 0.8")
    assert f"most of it at corners {largest} (" in slippery["words"][0]


def test_an_open_road_is_timed_between_its_lines(library: Path) -> None:
    whole = track_from_edges("hairpin", *corner_edges(6.0, 14.0, 2.6, 60.0), closed=False)
    road = replace(whole, start_station=10.0, finish_station=whole.length - 10.0)
    save_track(road, library / "tracks" / "hairpin.geojson")
    kart = load_kart(KART)
    before, after = (solve_min_time(load_track(library / "tracks" / "hairpin.geojson"), each) for each in (
        kart, replace(kart, mass=kart.mass + 20.0)))  # fmt: skip
    found = asked(library, "hairpin", mass=20.0)
    assert found["before"] == pytest.approx(before.lap_time, abs=1e-3)
    assert found["lost"] == pytest.approx(after.lap_time - before.lap_time, abs=before.time_error + after.time_error)
    assert sum(corner["lost"] for corner in found["corners"]) == pytest.approx(found["lost"], abs=1e-9)


def test_answers_come_soon(library: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Processor time of a slider's answer, the process being warm; a crowded machine takes longer by the clock."""
    taken = {}
    for track, kart in (("ostrelle_sprint", "senior-single-speed"), (TRACK, KART), ("marrowdown_club", "gearbox")):
        prepare_what_if(library, {"track": track, "kart": kart, "units": "metric"}, lambda text: None)
        asked(library, track, kart, apex=0.3, apex_corner=4)
        for values in (
            {"grip": -3.0}, {"power": 5.0}, {"braking": 90.0}, {"mass": 5.0}, {"apex": 0.5, "apex_corner": 4},
            {"apex": 0.75, "apex_corner": 4}, {"entry": -2.0, "entry_corner": 4},
            {"apex": 0.5, "apex_corner": 4, "grip": -5.0},
        ):  # fmt: skip
            begun = time.process_time()
            asked(library, track, kart, **values)
            taken[track, str(values)] = time.process_time() - begun
    with capsys.disabled():
        print()
        for (track, values), seconds in taken.items():
            print(f"what-if, {track}, {values}: {1000.0 * seconds:.0f} ms of processor time")
    assert max(taken.values()) < 2.0
