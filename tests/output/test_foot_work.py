"""Pedals and grip along the lap: they agree with the marks of the corners, and with the solver's own limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shared import demo_review

from linelab.model.grip import Surface, grip_excess, grip_share, kart_numbers, loads, tyre_longitudinal
from linelab.output.page.foot_work import foot_work
from linelab.output.page.html_file import review_page


@pytest.fixture(scope="module")
def review():
    return demo_review()


@pytest.fixture(scope="module")
def work(review):
    return foot_work(review)


def test_the_brake_begins_where_the_marks_say(review, work):
    """Marks and strip are read at different places of the code; both must know the same foot."""
    seen = 0
    for k, lap in enumerate(review.laps):
        for part in lap.corners:
            mark, minimum = part.marks.brake_point.driven, part.marks.min_speed_place.driven
            if mark.value is None or minimum.value is None or mark.value < 15.0 or mark.sigma > 1.0:
                continue
            before, after = np.interp([mark.value - 8.0, mark.value + 4.0], work.s, work.brake[k])
            assert after > 0.5, (lap.label, part.corner.number)
            assert before < 0.5, (lap.label, part.corner.number)
            seen += 1
    assert seen > 4 * len(review.laps)


def test_rolling_into_the_corner_that_nobody_brakes_for(review, work):
    """The demo driver rolls into corner 13: the time with neither pedal is the mark's."""
    index = next(k for k, corner in enumerate(review.track.corners) if corner.number == 13)
    for k, lap in enumerate(review.laps):
        part = lap.corners[index]
        wanted = part.marks.coasting_before.driven
        until = part.frame.apex + part.marks.min_speed_place.driven.value
        near = (work.s > until - 80.0) & (work.s < until)
        speed = np.interp(work.s, lap.comparison.driven.lap.line.s, lap.comparison.driven.lap.v)
        neither = (1.0 - work.power[k] - work.brake[k]) / speed * (work.s[1] - work.s[0])
        assert neither[near].sum() == pytest.approx(wanted.value, abs=0.25)


def test_shares_are_shares(review, work):
    total = work.power + work.brake
    assert float(total.min()) >= 0.0
    assert float(total.max()) <= 1.0 + 1e-12
    assert 0.5 < float(work.power.mean()) < 0.95
    assert work.no_feet == work.no_grip == ""


def test_laps_without_draws_have_pedals_and_no_grip(review):
    """Without laps as likely as this one there is no certainty to show, and a share of the grip is withheld."""

    def bare(lap):
        driven = lap.comparison.driven
        none = {name: getattr(driven, name)[:0] for name in ("draws_t", "draws_v", "draws_n", "draws_kappa")}
        return replace(lap, comparison=replace(lap.comparison, driven=replace(driven, **none)))

    work = foot_work(replace(review, laps=[bare(lap) for lap in review.laps]))
    assert set(np.unique(work.power)) == {0.0, 1.0}
    assert "uncertainty" in work.no_grip
    assert "Not shown: grip used" in review_page(replace(review, laps=[bare(lap) for lap in review.laps]))


def test_grip_of_the_computed_lap_is_its_limit(review):
    """All of it where the solver's own constraint holds, never more, and less where it does not."""
    lap, numbers = review.reference, kart_numbers(review.kart)
    line = lap.line
    ground = Surface(slope=line.slope, bank=line.bank, vertical_curvature=line.vertical_curvature, grip=line.grip)
    load = loads(numbers, lap.v**2, line.kappa, ground)
    force = tyre_longitudinal(numbers, load, lap.ax)
    share, excess = grip_share(numbers, load, force, line.grip), grip_excess(numbers, load, force, line.grip)
    assert float(share.max()) < 1.02  # where one pedal gives way to the other the limit is rounded
    assert float(np.mean(share > 0.98)) > 0.2
    clear = np.abs(excess) > 0.01
    np.testing.assert_array_equal((share > 1.0)[clear], (excess > 0.0)[clear])
    assert np.corrcoef(share, excess)[0, 1] > 0.99


def test_grip_by_hand():
    """Half the sideways grip, and braking and cornering by Pythagoras: from the ellipse, on paper."""
    kart = demo_review().kart
    numbers = kart_numbers(kart)
    flat = Surface(slope=0.0, bank=0.0, vertical_curvature=0.0, grip=1.0)
    side = 0.5 * numbers.mu_y * 9.80665
    load = loads(numbers, 100.0, side / 100.0, flat)
    assert grip_share(numbers, load, np.array(0.0), 1.0) == pytest.approx(0.5, abs=1e-6)
    rear = numbers.mu_x * kart.rear_share / (1.0 + numbers.mu_x * kart.cg_height / kart.wheelbase)
    brake = -0.5 * (numbers.mu_x if kart.four_wheel_brakes else rear) * 9.80665
    assert grip_share(numbers, load, np.array(brake), 1.0) == pytest.approx(np.hypot(0.5, 0.5), abs=1e-6)


def test_grip_stays_about_what_the_session_shows(review, work):
    """The session's own factor, found by fitting the laps, is near what the corners are driven with."""
    shown = review.grip.factor.value
    hardest = np.quantile(work.grip, 0.9, axis=1)
    assert np.all(np.abs(hardest - shown) < 0.1)
    assert float(np.median(work.grip_sigma)) < 0.06
