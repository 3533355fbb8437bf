"""Two sessions on one track: planted differences are found with their sign and their marks, none is invented."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from shared import solved

from linelab.coaching.session import review_session
from linelab.coaching.targets import OtherLap
from linelab.diagnosis.marks import find_marks
from linelab.drive.driver import drive_session
from linelab.drive.faults import BrakesEarly, Habits, LatePower
from linelab.drive.receiver import Receiver, record
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.measured import TO_95
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_laps
from linelab.motion.placing import estimate_placed_laps
from linelab.output.display import evidence_text
from linelab.recorded.laps import complete_laps, split_laps
from linelab.study.other_sessions import compare_sessions

TRACK, KART = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")


@pytest.fixture(scope="module")
def reference():
    return solved("tinmarsh_rental", "rental-four-stroke").lap


def driven(reference, *faults, seed, laps=8):
    return drive_session(TRACK, KART, reference, Habits(faults=faults, power_build=1.5), laps=laps, seed=seed)


def reviewed(session, reference, seed, **options):
    receiver = Receiver(rate=18.0, white=0.1, bias=0.8)
    laps = complete_laps(split_laps(record(session, receiver, seed=seed), TRACK))
    bias = PositionBias(sigma=receiver.bias, note="as stated for this receiver")
    return review_session(TRACK, KART, estimate_placed_laps(TRACK, laps, bias=bias), reference, **options)


@pytest.fixture(scope="module")
def corner(reference):
    """The corner that the computed lap loses most speed for."""
    marks = [mark for mark in find_marks(TRACK, reference, KART) if mark.brakes and mark.apex - mark.brake_point > 5.0]
    s, v = reference.line.s, reference.v
    return max(marks, key=lambda mark: np.ptp(v[(s > mark.brake_point) & (s < mark.apex)])).corner.number


@pytest.fixture(scope="module")
def good(reference):
    return reviewed(driven(reference, seed=5), reference, 3)


@pytest.fixture(scope="module")
def early(reference, corner):
    return reviewed(driven(reference, BrakesEarly(corner=corner, metres=9.0), seed=9), reference, 4)


def test_the_corner_in_which_a_team_mate_is_quicker_is_found_with_what_he_does(good, early, corner):
    found = compare_sessions(early, good, name="your team mate")
    assert corner in found.clear
    part = next(item for item in found.corners if item.number == corner)
    assert part.time.value > 0.0
    shown = next(text for text in map(evidence_text, found.shown) if f"corner {corner}:" in text)
    assert re.match(r"Your team mate .*brakes \d+ ±\d+ m later.*: 0\.\d+ ±0\.\d+ s quicker there\.", shown)
    assert found.words.endswith("slower than that of your team mate")


def test_the_other_way_round_it_is_the_driver(good, early, corner):
    there, back = compare_sessions(early, good), compare_sessions(good, early, name="A {strange} name")
    assert back.clear == there.clear
    for one, other in zip(there.corners, back.corners):
        assert one.time.value == pytest.approx(-other.time.value, abs=0.002)
    assert evidence_text(back.shown[0]).startswith("You ")
    assert evidence_text(back.shown[0]).endswith("quicker there than A {strange} name.")


def test_corners_add_up_to_the_lap(good, early):
    found = compare_sessions(early, good)
    assert sum(item.time.value for item in found.corners) == pytest.approx(found.lap_time.value, abs=1e-9)
    usual = [np.median([lap.lap_time.value for lap in review.laps]) for review in (good, early)]
    assert found.lap_time.value == pytest.approx(usual[1] - usual[0], abs=2.0 * TO_95 * found.lap_time.sigma)


def test_identical_drivers_do_not_differ(reference, good):
    found = compare_sessions(reviewed(driven(reference, seed=11), reference, 6), good)
    assert found.clear == ()
    assert found.words.startswith("no clear difference")


@pytest.mark.slow
def test_a_displaced_recording_is_no_quicker_driver(reference):
    """The same laps shown 0.7 m aside differ by nothing: the displacement is seen in the lines and taken off."""
    recording = record(driven(reference, seed=5), Receiver(rate=18.0, white=0.1, bias=0.8), seed=3)
    degree = np.radians(1.0) * 6371e3  # [m]
    east, north = 0.5 / degree / np.cos(np.radians(recording.lat[0])), -0.5 / degree
    aside = replace(recording, lon=recording.lon + east, lat=recording.lat + north)
    bias = PositionBias(sigma=0.8, note="as stated for this receiver")
    cut = [complete_laps(split_laps(item, TRACK)) for item in (aside, recording)]
    unplaced = [review_session(TRACK, KART, estimate_laps(TRACK, laps, bias=bias), reference) for laps in cut]
    found = compare_sessions(unplaced[0], unplaced[1])
    assert found.moved == pytest.approx([0.5, -0.5], abs=0.03)
    assert max(abs(item.time.value) for item in found.corners) < 0.008
    raw = np.abs(unplaced[0].passes.usual.mean(axis=0) - unplaced[1].passes.usual.mean(axis=0))
    assert raw.max() > 0.02


def test_what_was_to_be_worked_on_is_said_to_be_better_where_it_is(good, early, corner):
    assert early.priorities[0].corners[0] == corner
    since = [evidence_text(line) for line in compare_sessions(good, early, cards=True).since]
    assert re.match(
        rf"Corner {corner} \(“.*”\): 0\.\d+ ±0\.\d+ s better than last time; you brake \d+ ±\d+ m later", since[0]
    )
    assert compare_sessions(good, early).since == ()


@pytest.mark.slow
def test_what_is_as_it_was_is_no_clear_change(reference, early, corner):
    again = reviewed(driven(reference, BrakesEarly(corner=corner, metres=9.0), seed=21), reference, 8)
    since = [evidence_text(line) for line in compare_sessions(again, early, cards=True).since]
    assert since[0].startswith(f"Corner {corner} (")
    assert "no clear change (" in since[0]


def test_another_drivers_lap_is_a_target_with_its_marks(reference, good, early, corner):
    lap = good.laps[good.best]
    found = reviewed(
        driven(reference, BrakesEarly(corner=corner, metres=9.0), seed=9), reference, 4,
        target="other_lap", other=OtherLap(title="the best lap of your team mate", lap=lap),
    )  # fmt: skip
    assert found.target.kind == "other_lap"
    assert found.target.lap_time == lap.lap_time.value
    for mine in found.laps:
        assert mine.gap.value == pytest.approx(mine.lap_time.value - lap.lap_time.value, abs=1e-9)
    part = next(item for item in found.laps[found.best].corners if item.corner.number == corner)
    theirs = next(item for item in lap.corners if item.corner.number == corner)
    assert part.marks.brake_point.reference == theirs.marks.brake_point.driven.value
    assert part.marks.brake_point.gap.value < -3.0
    assert [item.kind for item in found.priorities] == [item.kind for item in early.priorities]
    split = part.line_loss.value + part.speed_loss.value
    assert split == pytest.approx(part.time_lost.value, abs=1e-9)
    assert sum(lost.value for _, lost in part.causes) == pytest.approx(part.speed_loss.value, abs=1e-9)


@pytest.mark.slow
def test_own_lap_by_number_is_a_target(reference, good):
    session = driven(reference, seed=5)
    found = reviewed(session, reference, 3, target="other_lap", other="lap 2")
    assert found.target.title == "your lap 2"
    assert found.laps[1].label == "lap 2"
    assert found.laps[1].gap.value == 0.0
    with pytest.raises(InputError, match="lap 77"):
        reviewed(session, reference, 3, target="other_lap", other="lap 77")


def test_sessions_of_different_tracks_are_refused(good):
    with pytest.raises(InputError, match="sessions are of"):
        compare_sessions(replace(good, track=load_track("ostrelle_sprint")), good)


def test_late_power_shows_in_the_drive_point(reference, good, corner):
    late = reviewed(driven(reference, LatePower(corner=corner, metres=12.0), seed=9), reference, 5)
    shown = [evidence_text(line) for line in compare_sessions(good, late).shown]
    assert any("on the power" in text and "sooner" in text for text in shown)
