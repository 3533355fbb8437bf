"""Cost of a missed apex: beside common practice, beside the problem solved again, and what holds by definition."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from linelab.comparison.compare import compare
from linelab.comparison.marks import find_marks
from linelab.errors import InputError
from linelab.io.kart_files import load_kart
from linelab.io.track_files import load_track
from linelab.solve.mintime import solve_min_time
from linelab.solve.speed import speed_profile
from linelab.study.apex_cost import apex_costs, missed_apex_line


@pytest.fixture(scope="module")
def rental():
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    return track, kart, solve_min_time(track, kart)


@pytest.fixture(scope="module")
def costs(rental):
    return apex_costs(*rental)


def test_half_a_metre_costs_hundredths_as_drivers_say():
    """Common practice of the trade, no source: half a metre is worth a few hundredths a corner, and a tenth or more
    where it also leaves the grip (CHECKS 30)."""
    track, kart = load_track("ostrelle_sprint"), load_kart("senior-single-speed")
    found = apex_costs(track, kart, solve_min_time(track, kart, verify=False), misses=(0.5,))
    lost = np.array([cost.at(0.5) for cost in found])
    assert lost.size == len(track.corners)
    assert 0.02 < np.median(lost) < 0.09
    assert lost.max() < 0.15


def test_cost_starts_at_nothing_and_rises_with_the_miss(rental, costs):
    assert [cost.corner for cost in costs] == [corner.number for corner in rental[0].corners]
    for cost in costs:
        assert cost.at(0.0) == 0.0
        known = cost.time_lost[np.isfinite(cost.time_lost)]
        assert known.size >= 3
        assert known[0] > 0.0
        assert (np.diff(known) > 0.0).all()


def test_bound_lies_above_the_problem_solved_again(rental, costs):
    """The inside edge moved in by half a metre at the apex, falling to nothing 4 m away, and solved anew: the moved
    line of the bound, wider than that, could have been chosen, so it cannot be quicker."""
    track, kart, solution = rental
    mark = find_marks(track, solution.lap)[0]
    side = "left" if mark.corner.left else "right"
    away = np.abs(np.mod(track.s - mark.apex + 0.5 * track.length, track.length) - 0.5 * track.length)
    u = np.clip(1.0 - np.maximum(away - 0.5, 0.0) / 4.0, 0.0, 1.0)
    widths = getattr(track, f"w_{side}") - 0.5 * u * u * (3.0 - 2.0 * u)
    kerbs = tuple(
        kerb
        for kerb in track.kerbs
        if kerb.side != side or not kerb.s_start - 5.0 < mark.corner.s_apex < kerb.s_end + 5.0
    )
    here = dataclasses.replace(track, kerbs=kerbs)
    free = solve_min_time(here, kart, warm=solution, verify=False)
    held = solve_min_time(dataclasses.replace(here, **{f"w_{side}": widths}), kart, warm=free, verify=False)
    true = held.lap_time - free.lap_time
    bound = apex_costs(here, kart, free, misses=(0.5,), corners=[1])[0].at(0.5)
    assert 0.3 * bound < true < bound + 1e-3


def test_where_the_reference_line_keeps_off_the_inside_edge_the_record_says_so(costs):
    """Corners 4 and 5 of this circuit are turned as one, so the line does not reach the inside of the second."""
    room = {cost.corner: cost.room for cost in costs}
    assert room[5] > 0.3
    assert max(value for corner, value in room.items() if corner != 5) < 0.1


def test_a_missed_apex_is_lost_by_the_line_and_not_by_the_speed(rental, costs):
    """A driver as quick as the grip allows, half a metre off one apex, without noise: the review gives the corner's
    loss to the line, the speed part staying under 0.01 s, and measures the miss."""
    track, kart, solution = rental
    # Both laps by the same passes, so that nothing but the line differs.
    reference = speed_profile(solution.lap.line, kart, label="reference")
    for number in (2, 7, 9):
        line = missed_apex_line(track, kart, solution, number, 0.5)
        result = compare(track, reference, speed_profile(line, kart, label="driven"), kart)
        total = sum(review.line_loss.value for review in result.corners) + sum(
            review.speed_loss.value for review in result.corners
        )
        assert total == pytest.approx(result.driven.lap.lap_time - reference.lap_time, abs=1e-9)
        review = next(review for review in result.corners if review.corner.number == number)
        assert review.apex_miss.value == pytest.approx(0.5, abs=0.05)
        for other in result.corners:
            assert abs(other.speed_loss.value) < 0.01
        expected = next(cost.at(0.5) for cost in costs if cost.corner == number)
        assert sum(review.line_loss.value for review in result.corners) == pytest.approx(expected, abs=0.01)


def test_no_room_for_a_miss_is_not_a_number(rental):
    cost = apex_costs(*rental, misses=(0.5, 5.0), corners=[5])[0]
    assert np.isfinite(cost.time_lost[0])
    assert np.isnan(cost.time_lost[1])
    assert cost.at(5.0) is None
    assert cost.at(6.0) is None
    with pytest.raises(InputError, match="no room"):
        missed_apex_line(*rental, corner=5, miss=5.0)


@pytest.mark.parametrize("misses", [(), (0.0, 1.0), (1.0, 0.5), (6.0,), (float("nan"),)])
def test_misses_that_make_no_sense_are_refused(rental, misses):
    with pytest.raises(InputError):
        apex_costs(*rental, misses=misses)


def test_a_corner_the_track_does_not_have_is_refused(rental):
    with pytest.raises(InputError, match="no corner 99"):
        apex_costs(*rental, corners=[99])
