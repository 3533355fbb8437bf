"""Marks of driven corners: found where a known motion has them, withheld where the recording cannot support them."""

from __future__ import annotations

import dataclasses
from typing import get_args

import numpy as np
import pytest
from shared import solved
from simulated import as_lap, drive, make_track, record

from linelab.coaching.coach_words import ADVICE, FAULTS, MARKS, corners_text, laps_text
from linelab.coaching.coach_words import CAUSES as CAUSE_RULES
from linelab.coaching.driven_marks import FOOT_TIME, PAST_TRACK_OUT
from linelab.coaching.mark_figures import driven_marks
from linelab.coaching.results import DrivenMarks, Mark
from linelab.coaching.session import review_session
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.kinds import CAUSES, Cause, FaultKind
from linelab.diagnosis.marks import find_marks
from linelab.diagnosis.received import as_seen
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.measured import Apart, Measured, withheld
from linelab.model.kart import Kart, PowerEngine
from linelab.model.track import along
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_laps, without_uncertainty
from linelab.optimum.line_profile import speed_profile
from linelab.recorded.laps import complete_laps, split_laps
from linelab.speed.lines import reference_line

TRACK = make_track()
KART = Kart(name="plain", mass=160.0, mu_lateral=1.6, mu_longitudinal=1.6, engine=PowerEngine(power=15000.0))
REFERENCE = speed_profile(reference_line(TRACK), KART, label="computed lap")
CORNER = max(find_marks(TRACK, REFERENCE), key=lambda mark: abs(mark.corner.turn))

#: The known motion about the sharpest corner: brake, hold, drive.  Speeds [m/s], decelerations [m/s²].
FAST, SLOW, BRAKED, DRIVEN = 20.0, 13.0, 6.0, 2.5
LOW = CORNER.apex - 2.0  # where the braking ends
BRAKE = LOW - (FAST**2 - SLOW**2) / (2.0 * BRAKED)
HELD = 6.0  # the lowest speed is held for this long
WAY_OUT = LOW + HELD


#: Marks that say how sharp something is or how rippled: a receiver rounds them, as it does the computed lap's.
ROUNDED = (
    *("brake_peak", "brake_mean", "brake_build", "brake_release", "power_take_up", "power_dip"),
    *("reversals", "steering_effort", "turn_in", "apex_place", "min_speed_place"),
)


def speed(s, slowed=BRAKED):
    """Speed by station: driven, braked or rolled, held, and driven again, at constant accelerations."""
    around = (s - CORNER.apex + 0.5 * TRACK.length) % TRACK.length - 0.5 * TRACK.length + CORNER.apex
    begin = LOW - (FAST**2 - SLOW**2) / (2.0 * slowed)
    braking = FAST**2 - 2.0 * slowed * np.clip(around - begin, 0.0, LOW - begin)
    braking -= 2.0 * DRIVEN * np.clip(begin - around, 0.0, 45.0)
    driving = 2.0 * DRIVEN * np.clip(around - WAY_OUT, 0.0, (FAST**2 - SLOW**2) / (2.0 * DRIVEN))
    return np.sqrt(braking + driving)


def marks_of(laps) -> list[DrivenMarks]:
    """What each lap did in the sharpest corner, as a review of these laps has it."""
    sheet, frames = session_sheet(TRACK, KART, laps), find_marks(TRACK, REFERENCE, KART)
    seen = computed_rows(sheet, [as_seen(TRACK, REFERENCE, laps[0])])
    own = [frame.corner.number for frame in frames].index(CORNER.corner.number)
    return [marks[own] for marks in driven_marks(sheet, seen, frames).laps]


@pytest.fixture(scope="module")
def exact():
    return marks_of([without_uncertainty(as_lap(drive(TRACK, speed=speed), label="known"))])[0]


def test_definitions_cover_every_mark_cause_and_fault():
    names = {item.name for item in dataclasses.fields(DrivenMarks)} - {"corner"}
    assert set(MARKS) == names
    assert tuple(CAUSE_RULES) == get_args(Cause) == CAUSES
    assert set(FAULTS) == set(ADVICE) == set(get_args(FaultKind))
    for advice in ADVICE.values():
        for text in (advice.title.format(where="in corner 1", lap="lap 2"), advice.feel, advice.exercise):
            assert "{" not in text
            assert text[0].isupper()
    assert corners_text((3,)) == "in corner 3"
    assert corners_text((3, 5, 8)) == "in corners 3, 5 and 8"
    assert laps_text(3, 8) == "on 3 of 8 laps"


def test_braking_is_found_where_it_is(exact):
    assert exact.brake_point.driven.value == pytest.approx(BRAKE, abs=1.0)
    assert exact.brake_peak.driven.value == pytest.approx(BRAKED, rel=0.05)
    assert exact.brake_mean.driven.value == pytest.approx(BRAKED, rel=0.05)
    # A step of the pedal: what is left is the metre between the nodes, and the triangular mean's own rise, which takes
    # 0.92 of its half-width from a fifth to nine tenths (its distribution function).
    assert exact.brake_build.driven.value < 2.0 / FAST + 0.92 * FOOT_TIME
    assert exact.brake_release.driven.value < 3.0 / SLOW + 0.92 * FOOT_TIME
    assert exact.coasting_before.driven.value < 0.15


def test_the_lowest_speed_and_the_power_are_found_where_they_are(exact):
    assert exact.min_speed.driven.value == pytest.approx(SLOW, abs=0.02)
    assert LOW - 1.0 <= exact.min_speed_place.driven.value + CORNER.apex <= WAY_OUT + 1.0
    # The mean of a step reaches a quarter 0.29 of its half-width early, and takes 0.66 of it from there to four fifths
    # (the triangle's distribution function).
    assert exact.drive_point.driven.value == pytest.approx(WAY_OUT - 0.29 * FOOT_TIME * SLOW, abs=1.0)
    assert exact.power_take_up.driven.value < 2.0 / SLOW + 0.66 * FOOT_TIME
    assert exact.slide.driven.value == pytest.approx(0.0, abs=0.1)
    assert exact.entry_speed.driven.value == pytest.approx(float(speed(np.array(CORNER.turn_in))), abs=0.1)
    assert exact.exit_speed.driven.value == pytest.approx(float(speed(np.array(CORNER.track_out))), abs=0.1)


def test_the_line_is_read_against_the_edges():
    """A lap 0.6 m outside the reference line: the apex is missed by that, and the road outside is closer by it."""
    side = 1.0 if CORNER.corner.left else -1.0
    lap = as_lap(drive(TRACK, offset=lambda s: np.full_like(s, -0.6 * side), speed=speed), label="outside")
    marks = marks_of([without_uncertainty(lap)])[0]
    assert marks.apex_miss.driven.value == pytest.approx(0.6, abs=1e-3)
    assert marks.apex_miss.reference == 0.0
    assert marks.apex_distance.gap.value == pytest.approx(0.6, abs=1e-3)
    # The corridor's normals are those of the reference line: an offset moves the path by exactly that.
    way_out = np.linspace(CORNER.apex, CORNER.track_out + PAST_TRACK_OUT, 200)
    free = along(TRACK, TRACK.w_right if CORNER.corner.left else TRACK.w_left, way_out).min()
    assert marks.track_out_room.driven.value == pytest.approx(free - 0.6 - 0.5 * KART.width, abs=0.05)
    # The offset changes the curvature by a few per cent, not its course.
    assert marks.turn_in.gap.value == pytest.approx(0.0, abs=3.0)
    assert marks.reversals.gap.value == 0.0
    assert marks.steering_effort.driven.value == pytest.approx(1.0, abs=0.15)
    assert not marks.kerb_used.driven.known


def test_a_slower_second_dip_on_the_way_out_is_a_dip_of_the_power(exact):
    def dipped(s):
        around = (s - CORNER.apex + 0.5 * TRACK.length) % TRACK.length - 0.5 * TRACK.length + CORNER.apex
        return speed(s) - 0.8 * np.exp(-0.5 * ((around - WAY_OUT - 10.0) / 2.5) ** 2)

    lap = as_lap(drive(TRACK, speed=dipped), label="dipped")
    marks = marks_of([without_uncertainty(lap)])[0]
    assert marks.power_dip.driven.value > 2.0
    assert exact.power_dip.driven.value < 0.3


def driven(rate=20.0, bias=0.2, slowed=BRAKED, **receiver):
    truth = drive(TRACK, speed=lambda s: speed(s, slowed))
    laps = complete_laps(split_laps(record([truth] * 3, rate=rate, **receiver), TRACK))
    return estimate_laps(TRACK, laps, bias=PositionBias(sigma=bias, note="known in this test"))


def test_recorded_marks_lie_within_their_uncertainty(exact):
    """Every mark of three recorded laps against the exact motion: within four of its standard deviations."""
    known = exact.named()
    told = 0
    for lap in marks_of(driven()):
        for name, mark in lap.named().items():
            truth = known[name].driven
            if mark.driven.known and truth.known and name not in ROUNDED:
                told += 1
                room = 4.0 * mark.driven.sigma + {"place": 1.0, "time": 0.1}.get(MARKS[name].quantity, 0.05)
                assert mark.driven.value == pytest.approx(truth.value, abs=room), name
    assert told > 25


def test_rolling_down_is_not_told_as_braking_for_the_noise_that_is_on_it():
    """1.3 m/s² is half a metre per second squared above what this kart rolls down by: no brake.  Positions alone, five
    times a second, show that much and more of either; a full braking stands out of it."""
    told = {}
    for slowed in (1.3, BRAKED):
        marks = [
            lap.named()
            for seed in range(3)
            for lap in marks_of(driven(rate=5.0, channel=False, slowed=slowed, seed=seed))
        ]
        told[slowed] = [[lap[name].driven.known for name in ("brake_point", "brake_peak")] for lap in marks]
        reasons = {lap["brake_peak"].driven.reason for lap in marks}
        assert slowed == BRAKED or any("lift" in reason for reason in reasons)
    assert np.sum(told[1.3]) == 0
    assert np.all(told[BRAKED])


def test_what_the_ideal_lap_brakes_for_is_one_answer():
    """Beside the driver's marks as in its own: a dab too short to be a braking has no brake point in either."""
    kart = load_kart("senior-single-speed")
    track = load_track("ostrelle_sprint")
    reference = solved("ostrelle_sprint", "senior-single-speed").lap
    marks = find_marks(track, reference, kart)
    assert 0 < sum(mark.brakes for mark in marks) < len(marks)
    review = review_session(track, kart, [without_uncertainty(reference)], reference)
    for mark, part in zip(marks, review.laps[0].corners):
        assert (part.marks.brake_point.reference is not None) == mark.brakes
        assert (part.marks.brake_peak.reference is not None) == mark.brakes
        assert (part.marks.brake_point.absent == "the target only lifts") == mark.lifts


def test_a_bad_position_withholds_the_edges_only():
    marks = marks_of(driven(bias=1.5))[0]
    for name in ("apex_distance", "apex_miss", "track_out_room"):
        figure = marks.named()[name].driven
        assert not figure.known
        assert figure.reason.startswith("position error ±2.9 m")
    assert marks.min_speed.driven.known
    assert marks.brake_point.driven.known


def test_one_sample_a_second_withholds_every_mark_and_cause():
    laps = driven(rate=1.0, channel=False)
    assert all(not mark.driven.known for mark in marks_of(laps)[0].named().values())
    review = review_session(TRACK, KART, laps, REFERENCE)
    assert review.priorities == ()
    assert "too coarse" in review.verdict
    for corner in review.laps[0].corners:
        assert corner.time_lost.known
        assert not corner.line_loss.known
        assert all(not figure.known for _, figure in corner.causes)


def test_a_mark_without_a_reference_has_no_gap():
    assert Mark(Measured(3.0, 0.5), 1.0).gap == Apart(2.0, 0.5, target=1.0)
    assert not Mark(Measured(3.0, 0.5), None).gap.known
    assert Mark(withheld("too slow"), 1.0).gap.reason == "too slow"
