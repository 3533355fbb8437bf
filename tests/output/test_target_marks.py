"""Marks and rings are those of the chosen target, in the table and in the drawing alike."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated import as_lap, drive, make_track, record

from linelab.coaching.session import review_session
from linelab.coaching.targets import TITLES
from linelab.measured import Measured
from linelab.model.kart import Kart, PowerEngine
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_laps
from linelab.optimum.line_profile import speed_profile
from linelab.output.page.closeups import driven_stations, target_stations
from linelab.output.page.html_file import review_page
from linelab.recorded.laps import complete_laps, split_laps
from linelab.speed.lines import reference_line

TRACK = make_track()
KART = Kart(name="plain", mass=160.0, mu_lateral=1.6, mu_longitudinal=1.6, engine=PowerEngine(power=15000.0))
REFERENCE = speed_profile(reference_line(TRACK), KART, label="computed lap")


def slower(share, offset, label):
    at = REFERENCE.line.s
    truth = drive(
        TRACK,
        offset=lambda s: offset * np.sin(8.0 * np.pi * s / TRACK.length),
        speed=lambda s: share * np.interp(s, at, REFERENCE.v),
    )
    return truth, as_lap(truth, label=label)


@pytest.fixture(scope="module")
def driven():
    shares = ((0.93, 0.8), (0.95, 0.4), (0.94, 1.2))
    truths = [slower(share, offset, f"lap {k + 1}")[0] for k, (share, offset) in enumerate(shares)]
    laps = complete_laps(split_laps(record(truths, rate=20.0), TRACK))
    return estimate_laps(TRACK, laps, bias=PositionBias(sigma=0.2, note="known in this test"))


@pytest.fixture(scope="module")
def reviews(driven):
    laps = {"other_lap": driven[1].lap.label}
    return {kind: review_session(TRACK, KART, driven, REFERENCE, target=kind, other=laps.get(kind)) for kind in TITLES}


def test_the_own_best_lap_is_held_against_its_own_marks(reviews):
    review = reviews["own_best"]
    best = review.laps[review.best]
    for lap in review.laps:
        for part, own in zip(lap.corners, best.corners):
            for name, mark in part.marks.named().items():
                driven = getattr(own.marks, name).driven
                if name == "apex_miss":
                    assert mark.reference == 0.0
                elif driven.known:
                    assert (mark.reference, mark.reference_sigma) == (driven.value, driven.sigma)
                else:
                    assert mark.reference is None
    for part in best.corners:
        assert part.marks.apex_miss.driven.value == pytest.approx(0.0, abs=1e-12)
        assert part.marks.min_speed.gap.value == pytest.approx(0.0, abs=1e-12)
    other = review.laps[0].corners[0].marks
    assert other.min_speed.gap.value < 0.0  # slower than the own best lap, not than the ideal one
    assert other.min_speed.gap.sigma == pytest.approx(
        math.hypot(other.min_speed.driven.sigma, other.min_speed.reference_sigma)
    )


def test_misses_of_apexes_are_against_the_target(reviews):
    """Relative to the own best lap, two laps differ as they do relative to the ideal one."""
    ideal, own = reviews["computed"], reviews["own_best"]
    for k in range(len(ideal.reference_marks)):
        apart = [
            review.laps[0].corners[k].marks.apex_miss.driven.value
            - review.laps[2].corners[k].marks.apex_miss.driven.value
            for review in (ideal, own)
        ]
        assert apart[0] == pytest.approx(apart[1], abs=1e-12)


def test_the_best_of_the_own_corners_has_the_marks_of_each_quickest_pass(reviews):
    """Every corner is held against the lap on which that corner was quickest."""
    review, ideal = reviews["own_parts"], reviews["computed"]
    for k, part in enumerate(review.laps[0].corners):
        quickest = int(np.argmin([lap.corners[k].time_lost.value for lap in ideal.laps]))
        own = ideal.laps[quickest].corners[k].marks.min_speed.driven
        assert part.marks.min_speed.reference == own.value
        assert part.marks.min_speed.reference_sigma == own.sigma
        # within what a pass is measured with
        assert review.laps[quickest].corners[k].time_lost.value == pytest.approx(0.0, abs=5e-3)
        assert part.target_lap == review.laps[quickest].label
    assert min(lap.gap.value for lap in review.laps) > -5e-3
    spent = [[lap.corners[k].time_lost.value for lap in ideal.laps] for k in range(len(ideal.reference_marks))]
    best = ideal.target.lap_time + sum(map(min, spent))
    assert review.target.lap_time == pytest.approx(best, abs=0.02)


def test_less_grip_has_marks_of_its_own(reviews):
    shown, ideal = reviews["shown_grip"], reviews["computed"]
    assert 0.0 < shown.grip.factor.value < 1.0
    pairs = [(a.marks, b.marks) for a, b in zip(shown.laps[0].corners, ideal.laps[0].corners)]
    assert all(a.min_speed.reference < b.min_speed.reference for a, b in pairs)
    assert all(a.min_speed.driven == b.min_speed.driven for a, b in pairs)
    assert all(a.apex_miss.reference == 0.0 for a, _ in pairs)


@pytest.mark.parametrize("kind", TITLES)
def test_rings_stand_where_the_table_has_the_marks(reviews, kind):
    """One story on the page: a letter is drawn if and only if the table has the mark, and at that place."""
    review = reviews[kind]
    for part in review.laps[0].corners:
        brake, turn_in, apex, minimum, power, out = target_stations(part, review.target)
        marks = part.marks
        references = [m.reference for m in (marks.brake_point, marks.turn_in, marks.apex_place, marks.drive_point)]
        assert [brake, turn_in, apex, power] == references
        assert (minimum is None) == (marks.min_speed_place.reference is None)
        assert (out is None) == (kind in ("own_best", "own_parts", "other_lap"))
    if kind == "own_best":
        for part in review.laps[review.best].corners:
            assert target_stations(part, review.target)[:5] == driven_stations(part)


def test_the_own_best_lap_is_level_with_itself(reviews):
    """A lap held against itself has lost nothing, and nothing of that is uncertain."""
    review = reviews["own_best"]
    best = review.laps[review.best]
    assert best.gap == Measured(0.0, 0.0)
    assert all(part.time_lost == Measured(0.0, 0.0) for part in best.corners)
    assert all(lap.gap.sigma > 0.0 for lap in review.laps if lap is not best)
    page = review_page(review, source="a.csv")
    assert "level with" in page
    assert "behind" in page
