"""What is said of a computed lap and its track: how good the time is, sums as shown, widths, patches of grip."""

from __future__ import annotations

import csv
import dataclasses
import re

import numpy as np
import pytest
from shared import solved

from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import reversed_track
from linelab.files.tracks.track_file import load_track
from linelab.model.facts import track_facts
from linelab.model.kart import Axles
from linelab.model.track import GripZone
from linelab.optimum.minimum_time import solve_min_time
from linelab.output.reference_report import (
    computed_to,
    conditions,
    corners_csv,
    gear_words,
    reference_table,
    reference_words,
)
from linelab.output.track_facts import track_words


def test_a_lap_is_stated_no_closer_than_two_methods_agree():
    """On a wet, tight track the optimiser's time and the passes' are some milliseconds apart: the ± says so."""
    track = reversed_track(load_track("tinmarsh_rental"))
    solution = solve_min_time(track, load_kart("rental-four-stroke"), grip=0.45)
    apart = abs(solution.verification.solver_time - solution.lap.lap_time)
    assert computed_to(solution) >= max(apart, solution.time_error)
    check = dataclasses.replace(solution.verification, solver_time=solution.lap.lap_time - 0.5)
    assert computed_to(dataclasses.replace(solution, verification=check)) == pytest.approx(0.5)


@pytest.mark.parametrize("name", ["tinmarsh_rental", "marrowdown_club", "ostrelle_sprint"])
def test_corner_times_add_up_to_the_lap_time_as_shown(name):
    track, kart = load_track(name), load_kart("junior-single-speed")
    lap = solved(name, "junior-single-speed").lap
    table = [line.split() for line in reference_table(track, lap, kart).splitlines() if line[:1].isdigit()]
    assert len(table) == len(track.corners)
    assert sum(round(1000 * float(cells[-1])) for cells in table) == round(1000 * lap.lap_time)
    rows = list(csv.DictReader(corners_csv(track, lap, kart).splitlines()))
    assert sum(round(1e4 * float(row["time_s"])) for row in rows) == round(1e4 * lap.lap_time)


def test_a_track_as_wide_all_along_has_one_width():
    facts = track_facts(load_track("ostrelle_sprint"))
    even = dataclasses.replace(facts, width=(8.01, 8.04), mean_width=8.02, kerbs=1)
    said = " ".join(track_words(even))
    assert "Width 8.0 m all along." in said
    assert "1 kerb," in said
    assert "Width 8.1 to 8.7 m, on average 8.2 m." in track_words(facts)


def test_patches_of_other_grip_are_told():
    """A lap over a wet patch is not the lap of the dry track, and says so."""
    track = load_track("tinmarsh_rental")
    zones = [
        GripZone(s_start=s, s_end=s + 20.0, n_right=-1.0, n_left=1.0, factor=f) for s, f in ((50, 0.6), (90, 1.05))
    ]
    patched = dataclasses.replace(track, grip_zones=tuple(zones))
    said = "The track file has 2 patches of other grip: 0.60 to 1.05 times the grip of the road around."
    assert said in track_words(track_facts(patched))
    solution = solved("tinmarsh_rental", "rental-four-stroke")
    assert conditions(patched, solution, True) == [said]
    assert conditions(track, solution, True) == []


def test_a_lap_too_tight_for_the_front_wheels_says_where_and_how_much():
    """Tinmarsh's hairpin is driven on some 6 m; 6 degrees at a wheelbase of 1.08 m turn on 10.3 m."""
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    solution = solved("tinmarsh_rental", "rental-four-stroke")
    steered = dataclasses.replace(kart, axles=Axles(max_steer=np.radians(6.0)))
    said = " ".join(reference_words(track, steered, solution))
    assert "its radius is 6." in said
    assert "this kart turns on 10.3 m at least" in said
    free = dataclasses.replace(kart, axles=Axles(max_steer=np.radians(25.0)))
    assert "front wheels" not in " ".join(reference_words(track, free, solution))


def test_the_gears_of_a_kart_with_several():
    """A row a corner, the shifts in order of their places, and that no time is taken for them; one ratio has none."""
    track, kart = load_track("marrowdown_club"), load_kart("gearbox")
    lap = solve_min_time(track, kart, verify=False).lap
    table, shifts, note = gear_words(track, lap, kart)
    rows = [line.split() for line in table.splitlines() if line[:1].isdigit()]
    assert [int(cells[0]) for cells in rows] == [corner.number for corner in track.corners]
    assert {cells[k] for cells in rows for k in (2, 3, 4)} <= {"-", *"123456"}
    found = re.findall(r"to (\d) at (\d+) m \((\d+) km/h\)", shifts)
    places = [int(place) for _, place, _ in found]
    assert len(found) > 8
    assert places == sorted(places)
    speeds = {}
    for gear, _, speed in found:  # one speed a gear, within how far it rises from node to node
        speeds.setdefault(gear, set()).add(int(speed))
    assert all(max(each) - min(each) <= 1 for each in speeds.values())
    assert sorted(speeds, key=lambda gear: max(speeds[gear])) == sorted(speeds)
    assert "no time for shifting" in note
    single = load_kart("senior-single-speed")
    assert gear_words(track, solved("marrowdown_club", "junior-single-speed").lap, single) == []
