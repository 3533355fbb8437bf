"""Without surveyed edges each corner is held against the own quickest pass of it, and the cards name its lap."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from shared import solved

from linelab.coaching.session import review_session
from linelab.drive.driver import drive_session
from linelab.drive.faults import BrakesEarly, Habits, LatePower
from linelab.drive.receiver import Receiver, record
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.track import Survey
from linelab.motion.channels import PositionBias
from linelab.motion.placing import estimate_placed_laps
from linelab.output.display import evidence_text
from linelab.recorded.laps import complete_laps, split_laps

SURVEYED, KART = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
TRACK = replace(SURVEYED, survey=Survey(kind="estimated", assumed_width=7.0, uncertainty=0.5, shape_sigma=0.2))
#: The only lap without the faults.
SOUND = 4
SPOILT = tuple(lap for lap in range(1, 9) if lap != SOUND)


def reviewed(*faults):
    """Eight laps as a good receiver shows them, reviewed without surveyed edges."""
    reference = solved("tinmarsh_rental", "rental-four-stroke").lap
    manner = Habits(faults=faults, power_build=1.5, pace_scatter=0.003, line_scatter=0.05)
    session = drive_session(SURVEYED, KART, reference, manner, laps=8, seed=5)
    recorded = split_laps(record(session, Receiver(rate=20.0, white=0.1, bias=0.1, speed_noise=0.07), seed=2), SURVEYED)
    bias = PositionBias(sigma=0.1, note="as stated for this receiver")
    laps = estimate_placed_laps(SURVEYED, complete_laps(recorded), bias=bias)
    return review_session(TRACK, KART, laps, reference, target=None)


@pytest.fixture(scope="module")
def faulty():
    return reviewed(LatePower(corner=1, metres=14.0, laps=SPOILT), BrakesEarly(corner=7, metres=14.0, laps=SPOILT))


def said_of(review, corner):
    """All evidence of the cards of a corner."""
    return [evidence_text(line) for item in review.priorities if corner in item.corners for line in item.evidence]


@pytest.mark.parametrize("corner", [1, 7])
def test_the_lap_to_do_again_is_named_with_what_was_done_on_it(faulty, corner):
    assert faulty.target.kind == "own_parts"
    again = [line for line in said_of(faulty, corner) if line.startswith(f"On lap {SOUND} you took")]
    assert len(again) == 1, said_of(faulty, corner)
    part = next(part for part in faulty.laps[0].corners if part.corner.number == corner)
    assert part.target_lap == f"lap {SOUND}"


def test_what_is_said_of_the_pass_agrees_with_what_was_done(faulty):
    """On the sound lap the power came sooner out of corner 1, and the brake later into corner 7."""
    (power,) = [line for line in said_of(faulty, 1) if line.startswith("On lap")]
    (brake,) = [line for line in said_of(faulty, 7) if line.startswith("On lap")]
    assert re.search(r"back on the power \d+ ±\d+ m sooner|came out [\d.]+ ±[\d.]+ km/h faster", power), power
    assert re.search(r"braked [\d.]+ ±[\d.]+ m later|came in [\d.]+ ±[\d.]+ km/h faster", brake), brake


def test_the_usual_lap_opens_the_page_and_both_gaps_are_said(faulty):
    assert faulty.laps[faulty.opening].label != faulty.laps[faulty.best].label
    assert re.match(r"Your usual lap is [\d.]+ ±[\d.]+ s slower than your best one\.", faulty.verdict)
    assert "your best corners joined" in faulty.verdict


def test_a_driver_who_repeats_well_is_not_sent_after_his_best_passes():
    assert all(item.kind not in ("own_pass", "scatter") for item in reviewed().priorities)
