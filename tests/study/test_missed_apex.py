"""Cost of a missed apex: beside common practice, beside the problem solved again, and what holds by definition."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from shared import solved

from linelab.coaching.compare import compare
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.track import Kerb
from linelab.optimum.line_profile import speed_profile
from linelab.optimum.minimum_time import solve_min_time
from linelab.study.missed_apex import apex_costs, apex_costs_solved, missed_apex_line


@pytest.fixture(scope="module")
def rental():
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    return track, kart, solved("tinmarsh_rental", "rental-four-stroke")


@pytest.fixture(scope="module")
def costs(rental):
    return apex_costs(*rental)


def test_half_a_metre_costs_hundredths_as_drivers_say():
    """Common practice of the trade, no source: half a metre is worth a few hundredths a corner, and a tenth or more
    where it also leaves the grip (CHECKS 30)."""
    track, kart = load_track("ostrelle_sprint"), load_kart("senior-single-speed")
    found = apex_costs(track, kart, solved("ostrelle_sprint", "senior-single-speed"), misses=(0.5,))
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


def test_solved_again_costs_hundredths_and_no_more_than_the_bound(rental, costs):
    """The moved lines could have been chosen by the problem solved again; common practice as above."""
    for cost in apex_costs_solved(*rental, misses=(0.5,), corners=[1, 6, 9]):
        bound = next(other.at(0.5) for other in costs if other.corner == cost.corner)
        assert 0.3 * bound < cost.at(0.5) < bound + 1e-3
        assert 0.01 < cost.at(0.5) < 0.1


def test_solved_again_rises_with_the_miss_and_counts_kerbs(rental):
    track, kart, solution = rental
    small, large = apex_costs_solved(track, kart, solution, misses=(0.25, 0.5), corners=[6])[0].time_lost
    assert 0.0 < small < large
    for kerbs in ((), tuple(kerb for kerb in track.kerbs if kerb.name == "apex 6")):
        bare = dataclasses.replace(track, kerbs=kerbs)
        plain = solve_min_time(bare, kart, verify=False)
        assert apex_costs_solved(bare, kart, plain, corners=[6])[0].at(0.5) == pytest.approx(large, abs=0.01)


def test_a_kerb_all_round_is_narrowed_at_the_apex_alone():
    """It costs what a kerb of sixty metres there costs; it cost nothing, because a kerb without ends was at no apex."""
    track, kart = load_track("ostrelle_sprint"), load_kart("senior-single-speed")
    corner = track.corners[5]
    side = "left" if corner.left else "right"
    lost = []
    for ends in ((0.0, track.length), (corner.s_apex - 30.0, corner.s_apex + 30.0)):
        ground = dataclasses.replace(track, kerbs=(Kerb(side=side, s_start=ends[0], s_end=ends[1], width=0.5),))
        solution = solve_min_time(ground, kart, verify=False)
        lost.append(apex_costs_solved(ground, kart, solution, corners=[corner.number])[0].at(0.5))
    assert lost[1] > 0.02
    assert lost[0] == pytest.approx(lost[1], abs=0.01)


def test_an_apex_that_the_line_does_not_touch_costs_nothing_to_miss_by_less(rental, costs):
    """Holding the line off where it does not go anyway changes nothing, which the bound cannot know."""
    cost = apex_costs_solved(*rental, misses=(0.5,), corners=[5])[0]
    assert cost.room > 0.3
    assert cost.at(0.5) < 2e-3


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
    reference = speed_profile(solution.lap.line, kart, label="computed lap")
    for number in (2, 7, 9):
        line = missed_apex_line(track, kart, solution, number, 0.5)
        result = compare(track, reference, speed_profile(line, kart, label="driven"), kart)
        total = sum(review.line_loss.value for review in result.corners) + sum(
            review.speed_loss.value for review in result.corners
        )
        assert total == pytest.approx(result.driven.lap.lap_time - reference.lap_time, abs=1e-9)
        review = next(review for review in result.corners if review.corner.number == number)
        assert review.marks.apex_miss.driven.value == pytest.approx(0.5, abs=0.05)
        for other in result.corners:
            assert abs(other.speed_loss.value) < 0.01
        expected = next(cost.at(0.5) for cost in costs if cost.corner == number)
        # The driver model's nodes are 0.5 m apart: 15 ms of the sharpest of these lines go to the speed.
        assert sum(review.line_loss.value for review in result.corners) == pytest.approx(expected, abs=0.02)


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
