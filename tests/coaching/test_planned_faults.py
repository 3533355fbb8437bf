"""What faults of known size cost, what they are called, and that a missed apex is a matter of the line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from shared import solved
from widely import widely

from linelab.coaching.compare import compare
from linelab.coaching.session import review_session
from linelab.diagnosis.marks import find_marks
from linelab.drive.driver import drive_session
from linelab.drive.faults import (
    AbruptPower,
    ApexMissed,
    BrakesEarly,
    BrakesSoftly,
    Coasts,
    Habits,
    LatePower,
    Slides,
    TurnsInEarly,
)
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.motion.estimate import without_uncertainty
from linelab.optimum.line_profile import speed_profile
from linelab.speed.lines import Offsets, line_from_offsets

TRACK, KART = load_track("ostrelle_sprint"), load_kart("senior-single-speed")
#: Standard deviation of the bump by which the line is moved off the apex [m].
WIDTH = 10.0


@pytest.fixture(scope="module")
def reference():
    return solved("ostrelle_sprint", "senior-single-speed").lap


def beside_the_apex(reference, mark, metres):
    """The reference line moved off one apex by a smooth bump, driven as fast as it allows."""
    s = np.linspace(0.0, TRACK.length, round(TRACK.length / 0.5) + 1)
    nodes, n = reference.line.s, np.append(reference.line.n[:-1], reference.line.n[0])
    solved = CubicSpline(nodes, n, bc_type="periodic")
    away = (s - mark.apex + 0.5 * TRACK.length) % TRACK.length - 0.5 * TRACK.length
    bump = -metres * (1.0 if mark.corner.left else -1.0) * np.exp(-0.5 * (away / WIDTH) ** 2)
    slope, bend = -away / WIDTH**2 * bump, (away**2 / WIDTH**2 - 1.0) / WIDTH**2 * bump
    offsets = Offsets(s, solved(s) + bump, solved(s, 1) + slope, solved(s, 2) + bend)
    line = line_from_offsets(TRACK, offsets, half_width=0.5 * KART.width, grip=1.0)
    lap = speed_profile(line, KART, label=f"{metres:g} m off")
    return replace(lap, line=replace(lap.line, closed=False))


def reviewed(reference, lap):
    """The review of a session of this lap alone."""
    return review_session(TRACK, KART, [without_uncertainty(lap)], reference).laps[0]


def compared(reference, lap):
    """The comparison of the lap, without a session around it."""
    return compare(TRACK, reference, without_uncertainty(lap), KART)


def half_a_metre_off(reference):
    """The lap moved off no apex, and for each corner the lap moved off its apex by half a metre."""
    marks = find_marks(TRACK, reference)
    return beside_the_apex(reference, marks[0], 0.0), [beside_the_apex(reference, mark, 0.5) for mark in marks]


def assert_line_not_speed(reference, base, laps, told):
    """All of the difference is line: the driver is as fast as the line allows."""
    plain = told(reference, base)
    for lap in laps:
        found = told(reference, lap)
        cost = lap.lap_time - base.lap_time
        assert found.line_loss.value - plain.line_loss.value == pytest.approx(cost, abs=0.01)
        assert found.speed_loss.value - plain.speed_loss.value == pytest.approx(0.0, abs=0.01)
        assert found.speed_loss.value == pytest.approx(0.0, abs=0.015)


@pytest.mark.slow
def test_half_a_metre_from_the_apex_costs_hundredths_and_is_line_not_speed(reference):
    """Common practice: missing an apex by about half a metre is worth a few hundredths of a second per corner.

    That it is line is asked of every corner's comparison, and of the review where the miss costs most and least.
    """
    base, laps = half_a_metre_off(reference)
    costs = np.array([lap.lap_time - base.lap_time for lap in laps])
    assert_line_not_speed(reference, base, laps, compared)
    assert_line_not_speed(reference, base, [laps[costs.argmax()], laps[costs.argmin()]], reviewed)
    # In the turns that are taken at the limit; a kink taken flat costs next to nothing, whatever its line.
    assert 0.01 < np.median(costs) < 0.10
    assert costs.max() < 0.25
    assert costs.min() > -0.02


@pytest.mark.slow
def test_half_a_metre_from_any_apex_is_line_not_speed_in_its_review(reference):
    assert_line_not_speed(reference, *half_a_metre_off(reference), reviewed)


def test_the_plain_comparison_agrees(reference):
    """The comparison of one lap, without a session around it, calls the same loss line as well."""
    mark = max(find_marks(TRACK, reference), key=lambda one: abs(one.corner.turn))
    base, lap = (beside_the_apex(reference, mark, metres) for metres in (0.0, 0.5))
    found = compare(TRACK, reference, without_uncertainty(lap), KART)
    every = np.ones(len(found.losses.segments), dtype=bool)
    line, speed = found.losses.split(every)
    assert speed.value == pytest.approx(0.0, abs=0.01)
    assert line.value - (base.lap_time - reference.lap_time) == pytest.approx(lap.lap_time - base.lap_time, abs=0.01)
    review = next(one for one in found.corners if one.corner.number == mark.corner.number)
    assert review.marks.apex_miss.driven.value == pytest.approx(0.5, abs=0.05)


#: One fault of each kind at the hairpin, 3, or in the fast 11; what the review must call it.
PLANNED = {
    "apex_missed": ApexMissed(corner=11, metres=0.9),
    "turns_in_early": TurnsInEarly(corner=5, metres=5.0),
    "brakes_early": BrakesEarly(corner=3, metres=9.0),
    "brakes_softly": BrakesSoftly(corner=3, share=0.55),
    "coasts": Coasts(corner=3, metres=25.0),
    "power_late": LatePower(corner=3, metres=10.0),
    "power_abrupt": AbruptPower(corner=3, speed_lost=2.5),
    "slide": Slides(corner=3, speed_lost=1.5),
}


def driven_laps(reference, *faults):
    """Exact laps of a sound driver, with or without faults, who varies a little."""
    habits = Habits(faults=faults, line_scatter=0.05, pace_scatter=0.004)
    return drive_session(TRACK, KART, reference, habits, laps=6, seed=4).laps


@pytest.fixture(scope="module")
def sound_time(reference):
    return float(np.mean([lap.lap_time for lap in driven_laps(reference)]))


@pytest.mark.parametrize("kind", widely(PLANNED, ["apex_missed", "coasts"]))
def test_a_planned_fault_is_named_with_its_corner_and_cost(reference, sound_time, kind):
    """The simulated driver knows what the fault costs: the same laps with it and without."""
    laps = driven_laps(reference, PLANNED[kind])
    review = review_session(TRACK, KART, [without_uncertainty(lap) for lap in laps], reference)
    first = review.priorities[0]
    assert (first.kind, first.corners[0]) == (kind, PLANNED[kind].corner)
    cost = float(np.mean([lap.lap_time for lap in laps])) - sound_time
    # Feet that take a tenth or two between the pedals are no fault: a sound driver's are quicker than allowed for.
    assert first.at_stake.value == pytest.approx(cost, abs=max(0.05, 0.3 * cost))


def test_a_sound_driver_is_told_nothing(reference):
    review = review_session(TRACK, KART, [without_uncertainty(lap) for lap in driven_laps(reference)], reference)
    assert review.priorities == ()
    assert "No single fault stands out" in review.verdict
