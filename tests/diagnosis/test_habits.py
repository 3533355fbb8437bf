"""What a habit is called must not contradict the marks that the same page shows."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.signal import find_peaks
from shared import solved

from linelab.coaching.session import review_session
from linelab.diagnosis.habits import _peaks
from linelab.drive.driver import careful_lap, drive_session
from linelab.drive.faults import ApexMissed, Coasts, Habits, LatePower, TurnsInEarly
from linelab.drive.receiver import Receiver, record
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.motion.channels import stated_bias
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.output.display import METRIC
from linelab.output.page.corner_rows import mark_rows
from linelab.recorded.laps import complete_laps, split_laps


@pytest.fixture(scope="module")
def place():
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    return track, kart, solved("tinmarsh_rental", "rental-four-stroke").lap, careful_lap(track, kart, 0.2)


def reviewed(place, habits, receiver, seed, laps=8):
    track, kart, reference, careful = place
    session = drive_session(track, kart, reference, habits, followed=careful, laps=laps, seed=seed)
    cut = split_laps(record(session, receiver, seed=seed), track)
    sensors = read_sensors(cut[0].samples)
    bias = stated_bias(receiver.bias, sensors)
    driven = estimate_placed_laps(track, complete_laps(cut), sensors=sensors, bias=bias)
    return review_session(track, kart, driven, reference)


@pytest.fixture(scope="module")
def faulty(place):
    """An early turn-in in 4, a missed apex in 7, coasting ahead of 1 and late power in 9."""
    faults = (
        TurnsInEarly(corner=4, metres=2.5),
        ApexMissed(corner=7, metres=1.0),
        Coasts(corner=1, metres=12.0),
        LatePower(corner=9, metres=8.0),
    )
    habits = Habits(grip_share=0.93, line_scatter=0.15, pace_scatter=0.01, faults=faults)
    return reviewed(place, habits, Receiver(rate=10.0, bias=0.4), 1)


@pytest.fixture(scope="module")
def sound(place):
    """A line a hand's breadth off every edge, well driven, seen by a good receiver."""
    habits = Habits(grip_share=0.985, line_scatter=0.05, pace_scatter=0.004)
    return reviewed(place, habits, Receiver(rate=20.0, white=0.03, bias=0.1, speed_noise=0.03), 4)


def told(review, kind):
    return {corner for item in review.priorities if item.kind == kind for corner in item.corners}


def test_an_early_turn_in_is_named_and_a_missed_apex_is_none(faulty):
    """Both swing inside early.  By the simulated driver's own laps the early turn-in costs 0.39 s."""
    assert told(faulty, "turns_in_early") == {4}
    marks = {part.corner.number: part.marks for part in faulty.laps[faulty.best].corners}
    assert marks[7].apex_miss.gap.value > 2.0 * marks[7].apex_miss.gap.sigma


@pytest.mark.xfail(
    strict=True,
    reason="told with 0.09 s and its error of 0.04 s: the model drives out of the hairpin sooner than he does",
)
def test_a_missed_apex_that_costs_nothing_is_not_told(faulty):
    """By the simulated driver's own laps to miss the apex of the wide hairpin by a metre gains 0.03 s."""
    assert 7 not in told(faulty, "apex_missed")


def test_power_that_never_goes_again_is_not_called_abrupt(faulty):
    marks = {part.corner.number: part.marks for part in faulty.laps[faulty.best].corners}
    assert marks[1].power_dip.gap.value < marks[1].power_dip.gap.sigma
    assert 1 not in told(faulty, "power_abrupt")


def test_nobody_is_told_to_turn_in_later_who_turns_in_no_earlier(sound):
    assert told(sound, "turns_in_early") == set()
    for part in sound.laps[sound.best].corners:
        gap = part.marks.turn_in.gap
        assert gap.value is None or gap.value > -1.0


@pytest.mark.parametrize(("session", "share"), [("faulty", 0.93), ("sound", 0.985)])
def test_grip_not_used_all_round_is_named_with_its_share(request, session, share):
    review = request.getfixturevalue(session)
    # Known: beside many faults the share comes out too low, by 0.06 here.
    assert review.grip.factor.value == pytest.approx(share, abs=0.07 if session == "faulty" else 0.04)
    spread = sum(dict(part.causes)["all_round"].value for part in review.laps[review.best].corners)
    assert spread > 0.0
    found = re.search(r"you use (\d+) ±\d+ % of the grip\. That costs (\d+\.\d+) ±", review.verdict)
    if share < 0.95:
        assert found is not None
        assert float(found[1]) == pytest.approx(100.0 * review.grip.factor.value, abs=0.51)
        assert float(found[2]) < spread + 0.1


def figure(text):
    """The number a mark's text begins with; places before the apex are negative."""
    value = float(text.split()[0].replace("−", "-"))
    return -value if text.endswith(("before apex", "earlier")) else value


def test_differences_of_marks_are_those_of_the_figures_shown(faulty, sound):
    """Who takes one figure of a row from the other gets the third, and none is a difference of nothing."""
    seen = 0
    for review in (faulty, sound):
        for index in range(len(review.reference_marks)):
            for row in mark_rows(review.laps, index, METRIC):
                for driven, target, apart in zip(row.driven, row.target, row.apart):
                    if not apart[:1].isdigit() and apart[:1] not in "+−":
                        continue
                    assert figure(apart) == pytest.approx(figure(driven) - figure(target), abs=1e-9)
                    assert figure(apart) != 0.0
                    seen += 1
    assert seen > 100


def test_nothing_is_said_of_marks_that_are_withheld(place):
    """One sample a second shows no brake point: neither its spread nor that it is the same every lap."""
    review = reviewed(place, Habits(), Receiver(rate=1.0, bias=0.4, white=0.05), 3, laps=6)
    for part in review.laps[0].corners:
        assert not part.marks.brake_point.driven.known
    for item in review.consistency.corners:
        assert all("too few for marks" in figure.reason for _, figure in item.marks)
    assert not any("brake" in item.title for item in review.strengths)


@pytest.mark.parametrize("seed", range(20))
def test_peaks_are_those_of_a_signal_library(seed):
    """Random walks with spans of one value; where peaks are of exactly one height, which of them goes is a matter of
    taste, and the walks have none."""
    random = np.random.default_rng(seed)
    walk = np.repeat(random.normal(size=random.integers(1, 120)).cumsum(), random.integers(1, 4))
    for apart, prominence in ((1, 0.0), (4, 0.5), (9, 1.5)):
        expected, _ = find_peaks(walk, prominence=prominence, distance=apart)
        np.testing.assert_array_equal(_peaks(walk, prominence, apart), expected)
