"""What habits cost: beside common practice, a track redrawn, the diagnosis, and what holds by definition."""

from __future__ import annotations

import dataclasses
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from shared import solved
from widely import widely

from linelab.coaching.session import review_session
from linelab.diagnosis.fitting import Pushes, kind_of
from linelab.diagnosis.marks import find_marks
from linelab.errors import InputError
from linelab.files.bundled import bundled_karts, bundled_tracks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.geometry.frenet import sn_to_xy
from linelab.model.track import Kerb
from linelab.motion.estimate import without_uncertainty
from linelab.optimum.minimum_time import solve_min_time
from linelab.study import habit_costs as habit_costs_module
from linelab.study.habit_costs import FOOT_HABITS, LINE_HABITS, SCALES, habit_costs, habit_lap, with_habit


@pytest.fixture(scope="module")
def rental():
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    return track, kart, solved("tinmarsh_rental", "rental-four-stroke")


@pytest.fixture(scope="module")
def sprint():
    track, kart = load_track("ostrelle_sprint"), load_kart("senior-single-speed")
    return track, kart, solved("ostrelle_sprint", "senior-single-speed")


def test_half_a_metre_costs_hundredths_as_drivers_say(sprint):
    """Common practice of the trade, no source: half a metre is worth a few hundredths a corner, and a tenth or more
    where it also leaves the grip (CHECKS 30)."""
    found = habit_costs(*sprint, sizes=[0.5])
    lost = np.array([cost.at(0.5) for cost in found])
    assert lost.size == len(sprint[0].corners)
    assert 0.01 < np.median(lost) < 0.09
    assert lost.max() < 0.15


@pytest.mark.parametrize("habit", widely([*LINE_HABITS, *FOOT_HABITS], {"apex_missed", "exit_unused", *FOOT_HABITS}))
def test_a_cost_is_nothing_for_none_and_never_falls_with_the_size(rental, habit):
    for cost in habit_costs(*rental, habit=habit, corners=[2, 7] if habit in LINE_HABITS else None):
        known = cost.time_lost[np.isfinite(cost.time_lost)]
        assert cost.at(0.0) == 0.0
        assert (known >= 0.0).all()
        assert (np.diff(known) >= 0.0).all()
        assert known.size == cost.sizes.size or cost.reason
        # What is not known is the largest sizes, never one in between.
        assert np.isfinite(cost.time_lost[: known.size]).all()


@pytest.mark.parametrize("habit", ["apex_missed", "apex_early", "apex_late"])
@pytest.mark.slow
def test_a_size_costs_the_same_whatever_other_sizes_are_looked_at(sprint, habit):
    """Optima are local: found straight away and by smaller sizes they must be the same one."""
    last = SCALES[habit].sizes[-1]
    corners = [2, 12, 15]
    alone = habit_costs(*sprint, habit=habit, sizes=[last], corners=corners)
    stepped = habit_costs(*sprint, habit=habit, corners=corners)
    assert [cost.at(last) for cost in alone] == pytest.approx([cost.at(last) for cost in stepped], abs=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("kart", bundled_karts())
@pytest.mark.parametrize("track", bundled_tracks())
def test_the_solver_itself_finds_that_a_farther_missed_apex_costs_more(monkeypatch, track, kart):
    """Before a larger habit's smaller cost is taken for that of a smaller one: by the minima that were found."""
    found: list[np.ndarray] = []
    taken = habit_costs_module._at_least
    monkeypatch.setattr(habit_costs_module, "_at_least", lambda lost: found.append(lost.copy()) or taken(lost))
    given = load_track(track), load_kart(kart)
    costs = habit_costs(*given, solve_min_time(*given))
    assert len(found) == len(costs) == len(given[0].corners)
    for cost, lost in zip(costs, found):
        known = lost[np.isfinite(lost)]
        assert (np.diff(np.append(0.0, known)) >= -2e-4).all(), (cost.corner, lost)
        assert known.size == lost.size or "room for only" in cost.reason, (cost.corner, cost.reason)


@pytest.mark.slow
def test_every_habit_costs_time_somewhere(sprint):
    for habit in SCALES:
        hairpin = habit_costs(*sprint, habit=habit, corners=[3, 12])
        assert max(np.nanmax(np.append(cost.time_lost, 0.0)) for cost in hairpin) > 0.01, habit


def test_the_apex_is_missed_by_at_least_what_was_asked_for(sprint):
    track, _, solution = sprint
    marks = {mark.corner.number: mark for mark in find_marks(track, solution.lap)}
    for number in (2, 7):
        lap = habit_lap(*sprint, number, "apex_missed", 0.5)
        apex = marks[number].apex % track.length
        one, other = (float(np.interp(apex, each.line.s, each.line.n)) for each in (solution.lap, lap))
        missed = (one - other) * (1.0 if marks[number].corner.left else -1.0)
        assert 0.49 < missed < 0.6
        cost = habit_costs(*sprint, sizes=[0.5], corners=[number])[0].at(0.5)
        assert lap.lap_time - solution.lap.lap_time == pytest.approx(cost, abs=1e-3)


@pytest.mark.parametrize("number", [2, 7])
def test_the_same_as_on_a_track_redrawn_with_cones_at_the_apex(sprint, number):
    """The inside edge moved to where the missed line's inside is, and the whole problem solved anew from nothing."""
    track, kart, _ = sprint
    plain = dataclasses.replace(track, kerbs=())
    bare = solve_min_time(plain, kart)
    mark = next(mark for mark in find_marks(plain, bare.lap) if mark.corner.number == number)
    cost = habit_costs(plain, kart, bare, sizes=[0.5], corners=[number])[0].at(0.5)
    left = mark.corner.left
    widths = plain.w_left if left else plain.w_right
    off = np.abs(np.mod(plain.s - mark.apex + 0.5 * plain.length, plain.length) - 0.5 * plain.length)
    u = np.clip(1.0 - np.maximum(off - 1.0, 0.0) / 5.0, 0.0, 1.0)
    line = np.interp(plain.s, bare.lap.line.s, bare.lap.line.n) * (1.0 if left else -1.0)
    gap = widths - 0.5 * kart.width - line
    drawn = widths - u * u * (3.0 - 2.0 * u) * np.maximum(gap + 0.5, 0.0)
    edge = np.column_stack(sn_to_xy(plain.reference, plain.s, drawn if left else -drawn))[:-1]
    side = {"w_left": drawn, "left_edge": edge} if left else {"w_right": drawn, "right_edge": edge}
    again = solve_min_time(dataclasses.replace(plain, **side, left_z=None, right_z=None), kart)
    assert again.lap_time - bare.lap_time == pytest.approx(cost, abs=0.004)


def test_kerbs_count_as_road(rental):
    track, kart, _ = rental
    with_kerb = habit_costs(*rental, sizes=[0.5], corners=[6])[0].at(0.5)
    bare = dataclasses.replace(track, kerbs=())
    plain = habit_costs(bare, kart, solve_min_time(bare, kart, verify=False), sizes=[0.5], corners=[6])[0].at(0.5)
    assert with_kerb == pytest.approx(plain, abs=0.01)
    # Without ends it costs what a kerb of sixty metres there costs.
    corner = track.corners[5]
    lost = []
    for ends in ((0.0, track.length), (corner.s_apex - 30.0, corner.s_apex + 30.0)):
        kerb = Kerb(side="left" if corner.left else "right", s_start=ends[0], s_end=ends[1], width=0.5)
        ground = dataclasses.replace(track, kerbs=(kerb,))
        again = solve_min_time(ground, kart, verify=False)
        lost.append(habit_costs(ground, kart, again, sizes=[0.5], corners=[corner.number])[0].at(0.5))
    assert lost[1] > 0.01
    assert lost[0] == pytest.approx(lost[1], abs=0.01)


@pytest.mark.parametrize("number", widely([2, 5, 7, 13], [7]))
def test_what_it_would_cost_is_what_the_diagnosis_says_it_did(sprint, number):
    """The lap with the apex missed, driven exactly: its line costs what was planned, and so does the corner's card."""
    track, kart, solution = sprint
    cost = habit_costs(*sprint, sizes=[0.5], corners=[number])[0].at(0.5)
    lap = habit_lap(*sprint, number, "apex_missed", 0.5)
    review = review_session(track, kart, [without_uncertainty(lap)], solution.lap)
    plain = review_session(track, kart, [without_uncertainty(solution.lap)], solution.lap)
    line, none = (sum(part.line_loss.value for part in each.laps[0].corners) for each in (review, plain))
    assert line - none == pytest.approx(cost, abs=0.005)
    first = review.priorities[0] if review.priorities else None
    if first is not None:  # a card is shown where its cost is clear of what the model may be off by
        assert (first.kind, first.corners) == ("apex_missed", (number,))
        assert first.at_stake.value == pytest.approx(cost, abs=0.01)
    else:
        assert cost < 0.09


@pytest.mark.parametrize("habit", FOOT_HABITS)
def test_a_habit_of_the_feet_has_the_name_that_the_diagnosis_gives_it(habit):
    row = with_habit(habit, SCALES[habit].sizes[2], Pushes(2.5, 2.0))
    active = np.flatnonzero(row[:6])
    assert active.size == 1
    assert kind_of(int(active[0]), row, Pushes(2.5, 2.0)) == habit


def test_corners_are_solved_side_by_side_as_one_after_the_other(rental):
    one = habit_costs(*rental, sizes=[0.5, 1.0], corners=[2, 7])
    with ThreadPoolExecutor(2) as pool:
        assert habit_costs(*rental, sizes=[0.5, 1.0], corners=[2, 7], executor=pool) == one


def test_no_room_is_not_a_number_and_says_so(rental):
    cost = habit_costs(*rental, sizes=[0.5, 5.0], corners=[5])[0]
    assert np.isfinite(cost.time_lost[0])
    assert np.isnan(cost.time_lost[1])
    assert cost.at(5.0) is None
    assert cost.at(6.0) is None
    assert "room for only" in cost.reason
    with pytest.raises(InputError, match="room for only"):
        habit_lap(*rental, 5, "apex_missed", 5.0)


@pytest.mark.parametrize("sizes", [(), (0.0, 1.0), (1.0, 0.5), (6.0,), (float("nan"),)])
def test_sizes_that_make_no_sense_are_refused(rental, sizes):
    with pytest.raises(InputError):
        habit_costs(*rental, sizes=sizes)


def test_corners_and_habits_that_there_are_not_are_refused(rental):
    with pytest.raises(InputError, match="no corner 99"):
        habit_costs(*rental, corners=[99])
    with pytest.raises(InputError, match="no habit"):
        habit_costs(*rental, habit="dreams")
