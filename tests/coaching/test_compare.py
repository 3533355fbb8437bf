"""Comparing laps: known losses are found where they were put, sums are exact, and what is not known is withheld."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from simulated import as_lap, drive, make_track, record

from linelab.coaching.compare import compare, rank_corners
from linelab.coaching.session import review_session
from linelab.diagnosis.marks import _braking_start, _Profile, find_marks
from linelab.diagnosis.stretches import PHASES, segments_of
from linelab.errors import InputError
from linelab.measured import Measured, withheld
from linelab.model.kart import Driver, Kart, PowerEngine
from linelab.model.timed import time_at
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_lap, with_bias, without_uncertainty
from linelab.optimum.line_profile import speed_profile
from linelab.recorded.laps import complete_laps, split_laps
from linelab.speed.lines import reference_line

TRACK = make_track()
KART = Kart(name="plain", mass=160.0, mu_lateral=1.6, mu_longitudinal=1.6, engine=PowerEngine(power=15000.0))


def speed(s):
    """Slower where the track bends."""
    kappa = np.interp(s, TRACK.s, np.abs(TRACK.reference.kappa))
    return 22.0 - 120.0 * np.minimum(kappa, 0.08)


def slowed(centre, half, amount):
    """The same speed, reduced by a smooth dip about one station (cos² of given half-width)."""

    def function(s):
        away = np.abs((s - centre + 0.5 * TRACK.length) % TRACK.length - 0.5 * TRACK.length)
        return speed(s) - amount * np.where(away < half, np.cos(0.5 * np.pi * away / half) ** 2, 0.0)

    return function


REFERENCE = drive(TRACK, speed=speed)
MARKS = find_marks(TRACK, as_lap(REFERENCE))


def test_marks_are_in_driving_order():
    assert len(MARKS) == len(TRACK.corners) >= 4
    for mark in MARKS:
        assert mark.turn_in <= mark.apex <= mark.track_out
        assert max(mark.slows_from, mark.brake_point) <= max(mark.apex, mark.minimum_speed)
        assert mark.slows_from <= mark.brake_point or not mark.brakes
        assert mark.turn_in <= mark.minimum_speed <= mark.track_out
        assert mark.minimum_speed <= mark.drive_point
    for before, after in pairwise(MARKS):
        assert before.track_out <= after.turn_in


def test_a_compound_corner_is_turned_into_once_and_left_once():
    """Two bends the track's own geometry counts as one corner: a pause between them ends nothing."""
    merged_from, merged_to = TRACK.corners[1], TRACK.corners[2]
    compound = dataclasses.replace(merged_from, s_end=merged_to.s_end)
    rest = tuple(corner for corner in TRACK.corners if corner.number not in (merged_from.number, merged_to.number))
    assert merged_from.left
    assert merged_to.left
    track = dataclasses.replace(TRACK, corners=(compound, *rest))
    mark = next(m for m in find_marks(track, as_lap(REFERENCE)) if m.corner.number == compound.number)
    before, after = MARKS[1], MARKS[2]
    # The share of the bend that counts as turning is that of the sharper of both bends: a little later, or earlier.
    assert before.turn_in - 1.0 < mark.turn_in < before.apex
    assert after.apex < mark.track_out < after.track_out + 1.0
    slowest = min((before, after), key=lambda m: float(speed(m.minimum_speed)))
    # It is slowed for where the first bend is; that may be after the turn-in, where the corner's time begins.
    assert mark.slows_from == pytest.approx(before.slows_from, abs=1.0)
    parts = {segment.phase: segment for segment in segments_of(track, (mark,))}
    assert parts["entry"].s_start == pytest.approx(mark.turn_in)
    assert mark.minimum_speed == pytest.approx(slowest.minimum_speed, abs=1.0)


def test_a_road_that_begins_in_the_middle_of_a_braking_has_its_brake_point_there():
    s = np.arange(0.0, 60.0, 0.5)
    ax, flat = np.where(s < 20.0, -6.0, 2.0), np.zeros_like(s)
    profile = _Profile(s=s, kappa=flat, v=flat + 15.0, ax=ax, left_gap=flat, right_gap=flat, pushed=ax)
    assert _braking_start(profile, np.arange(40)) == 0.0


def test_segments_cover_the_lap_without_overlap():
    segments = segments_of(TRACK, MARKS)
    assert segments[0].s_start == 0.0
    assert segments[-1].s_end == TRACK.length
    for before, after in pairwise(segments):
        assert before.s_end == after.s_start
        assert after.s_end > after.s_start
    assert {segment.corner for segment in segments} == {mark.corner.number for mark in MARKS}


def test_time_interpolation_is_exact_at_nodes_and_smooth_between():
    truth = drive(TRACK, speed=speed)
    coarse = as_lap(truth, every=20)  # 2 m between nodes
    stations = np.linspace(0.0, TRACK.length, 4001)
    off = time_at(coarse.line.s, coarse.t, stations) - np.interp(stations, truth.s, truth.t)
    # The speed has kinks where the curvature table has nodes; a tenth of a millisecond is left there.
    assert np.abs(off).max() < 2e-4
    np.testing.assert_array_equal(time_at(coarse.line.s, coarse.t, coarse.line.s), coarse.t)


@pytest.mark.parametrize("k", range(len(MARKS)))
def test_a_known_slow_down_is_found_in_its_corner_and_sums_exactly(k):
    mark = MARKS[k]
    low, high = mark.turn_in, mark.track_out
    half = 0.5 * (high - low)
    slow = drive(TRACK, speed=slowed(0.5 * (low + high), half, 2.0))
    result = compare(TRACK, as_lap(REFERENCE), as_lap(slow, label="slow"), KART)
    lost = slow.lap_time - REFERENCE.lap_time
    assert lost > 0.05
    assert result.lap_gap.value == pytest.approx(lost, abs=1e-9)
    assert float(result.losses.loss.sum()) == pytest.approx(lost, abs=1e-9)
    ranked = rank_corners(result)
    assert ranked[0].corner.number == mark.corner.number
    # The whole of it, up to interpolation at the two ends.
    assert ranked[0].time_lost.value == pytest.approx(lost, abs=2e-4)
    phases = dict(ranked[0].phases)
    assert phases["entry"].value + phases["exit"].value == pytest.approx(lost, abs=2e-4)
    assert all(abs(review.time_lost.value) < 2e-4 for review in ranked[1:])
    parts = sum(figure.value for review in result.corners for _, figure in review.phases) + result.elsewhere.value
    assert parts == pytest.approx(lost, abs=1e-9)
    assert result.gap[0] == 0.0
    assert result.gap[-1] == pytest.approx(lost, abs=1e-9)


def test_computed_laps_have_no_uncertainty():
    result = compare(TRACK, as_lap(REFERENCE), as_lap(REFERENCE), KART)
    assert result.lap_gap == Measured(0.0, 0.0)
    assert all(review.time_lost.sigma == 0.0 for review in result.corners)
    assert any("computed, not recorded" in note for note in result.notes)


def test_minimum_speed_apex_miss_and_turn_in_speed_of_a_known_lap():
    mark = max(MARKS, key=lambda mark: abs(mark.corner.turn))
    side = 1.0 if mark.corner.left else -1.0
    # A lap 0.7 m off the reference line away from the inside edge, slowest 6 m after the apex.
    slow = drive(TRACK, offset=lambda s: np.full_like(s, -0.7 * side), speed=slowed(mark.apex + 6.0, 30.0, 5.0))
    result = compare(TRACK, as_lap(REFERENCE), as_lap(slow), KART)
    review = next(r for r in result.corners if r.corner.number == mark.corner.number)
    assert review.marks.apex_miss.driven.value == pytest.approx(0.7, abs=1e-6)
    edge = np.interp(mark.apex, TRACK.s, TRACK.w_left if side > 0 else TRACK.w_right)
    assert review.marks.apex_distance.driven.value == pytest.approx(edge + 0.7, abs=1e-2)
    near = np.abs(slow.s - mark.apex) < 40.0
    least = slow.s[near][np.argmin(slow.v[near])]
    assert review.marks.min_speed.driven.value == pytest.approx(slow.v[near].min(), abs=0.02)  # between nodes
    assert review.marks.min_speed_place.driven.value == pytest.approx(least - mark.apex, abs=1.0)
    assert review.marks.entry_speed.driven.value == pytest.approx(np.interp(mark.turn_in, slow.s, slow.v), abs=0.02)
    assert review.entry_overspeed.value == pytest.approx(
        np.interp(mark.turn_in, slow.s, slow.v) - speed(np.array(mark.turn_in)), abs=0.03
    )


def driven(truth, bias=None, **receiver):
    laps = complete_laps(split_laps(record([truth] * 3, **receiver), TRACK))
    return estimate_lap(TRACK, laps[1], bias=bias)


def test_a_recorded_slow_down_is_found_within_its_uncertainty():
    mark = MARKS[2]
    middle, half = 0.5 * (mark.turn_in + mark.track_out), 0.5 * (mark.track_out - mark.turn_in)
    slow = drive(TRACK, speed=slowed(middle, half, 3.0))
    lost = slow.lap_time - REFERENCE.lap_time
    lap = driven(slow, noise=0.2, speed_noise=0.1, bias=PositionBias(sigma=0.1, note="known in this test"))
    result = compare(TRACK, as_lap(REFERENCE), lap, KART)
    ranked = rank_corners(result)
    assert ranked[0].corner.number == mark.corner.number
    assert ranked[0].time_lost.value == pytest.approx(lost, abs=4.0 * ranked[0].time_lost.sigma)
    assert ranked[0].time_lost.sigma < 0.05
    assert float(result.losses.loss.sum()) == pytest.approx(lap.lap.lap_time - REFERENCE.lap_time, abs=1e-9)
    for review in ranked[1:]:
        assert abs(review.time_lost.value) < 4.0 * review.time_lost.sigma


@pytest.mark.slow
def test_segment_uncertainty_covers_noise_and_bias():
    """Ten receivers, each with its own constant bias: losses of a lap that loses nothing stay within their sigma."""
    off = []
    rng = np.random.default_rng(5)
    for seed in range(10):
        east, north = rng.standard_normal(2)
        recording = record([REFERENCE] * 2, noise=0.2, seed=seed, bias=(east, north))
        lap = estimate_lap(TRACK, complete_laps(split_laps(recording, TRACK))[0], bias=PositionBias(sigma=1.0))
        result = compare(TRACK, as_lap(REFERENCE), lap, KART)
        off += [review.time_lost.value / review.time_lost.sigma for review in result.corners]
    # Six corners, ten receivers; the drift allowed for is absent here, so the spread stays below one.
    assert 0.4 < np.sqrt(np.mean(np.square(off))) < 1.25


def test_line_and_speed_part_add_up_and_are_told_apart():
    kart_lap = speed_profile(as_lap(REFERENCE).line, KART)
    fast = as_lap(REFERENCE)
    reference = dataclasses.replace(fast, t=kart_lap.t, v=kart_lap.v, ax=kart_lap.ax)
    # On the same line 5 % slower everywhere: all of it is speed.
    slow = dataclasses.replace(reference, t=reference.t / 0.95, v=0.95 * reference.v)
    result = compare(TRACK, reference, slow, KART)
    for review in result.corners:
        assert review.line_loss.value == pytest.approx(0.0, abs=1e-3)
        assert review.line_loss.value + review.speed_loss.value == pytest.approx(review.time_lost.value, abs=1e-9)
    # On a line 1.5 m to one side, driven as fast as that line allows: all of it is line.
    other = drive(TRACK, offset=lambda s: 1.5 * np.sin(6.0 * np.pi * s / TRACK.length))
    line = as_lap(other).line
    driven = speed_profile(line, KART, v_start=float(reference.v[0]), lower_ends=True)
    result = compare(TRACK, reference, driven, KART)
    for review in result.corners:
        assert review.speed_loss.value == pytest.approx(0.0, abs=4e-3)  # the model's nodes are a metre apart


def test_bias_withholds_the_apex_distance():
    lap = driven(REFERENCE)
    result = compare(TRACK, as_lap(REFERENCE), lap, KART)
    for review in result.corners:
        assert review.marks.apex_distance.driven.value is None
        assert review.marks.apex_distance.driven.reason == "position error ±2.9 m: apex distance not reported"
    known = compare(
        TRACK, as_lap(REFERENCE), with_bias(lap, PositionBias(sigma=0.1, note="parked at a known spot")), KART
    )
    for review in known.corners:
        assert review.marks.apex_miss.driven.value == pytest.approx(0.0, abs=4.0 * review.marks.apex_miss.driven.sigma)


def test_one_sample_a_second_withholds_marks_but_keeps_the_sum():
    lap = driven(REFERENCE, rate=1.0, channel=False)
    result = compare(TRACK, as_lap(REFERENCE), lap, KART)
    for review in result.corners:
        assert review.time_lost.value is not None
        assert review.marks.min_speed.driven.value is None
        assert "1.0 samples a second" in review.marks.min_speed.driven.reason
        assert all(figure.value is None for _, figure in review.phases)
        assert review.line_loss.value is None
    assert float(result.losses.loss.sum()) == pytest.approx(lap.lap.lap_time - REFERENCE.lap_time, abs=1e-9)


def test_laps_of_another_length_are_refused():
    lap = as_lap(REFERENCE)
    with pytest.raises(InputError, match=r"driven lap covers 0.0 to .* m of the track"):
        compare(TRACK, lap, dataclasses.replace(lap, line=dataclasses.replace(lap.line, s=0.9 * lap.line.s)), KART)


def test_measured_figures_are_whole_or_withheld():
    assert withheld("too slow").known is False
    with pytest.raises(InputError, match="needs a reason"):
        Measured(None)
    with pytest.raises(InputError, match="standard deviation"):
        Measured(1.0, None)
    assert PHASES == ("braking", "entry", "exit", "straight")


def test_table_of_nodes():
    pytest.importorskip("pandas")
    result = compare(TRACK, as_lap(REFERENCE), as_lap(REFERENCE), KART)
    table = result.to_dataframe()
    assert len(table) == result.s.size
    np.testing.assert_array_equal(table["gap_s"], result.gap)
    assert len(result.driven.lap.to_dataframe()) == result.s.size


def test_what_a_drivers_rates_do_to_the_split_is_said():
    """The computed lap keeps to them, the best possible on the driven line does not: said where there are any."""
    limited = dataclasses.replace(KART, driver=Driver(brake_build_rate=20.0, drive_build_rate=15.0))
    reference = speed_profile(reference_line(TRACK), KART, label="computed lap")
    for kart, said in ((KART, 0), (limited, 1), (dataclasses.replace(KART, driver=Driver(grip_share=0.9)), 0)):
        found = compare(TRACK, reference, reference, kart)
        session = review_session(TRACK, kart, [without_uncertainty(reference)], reference)
        for notes in (found.notes, session.notes):
            assert sum("how quickly the driver builds up" in note for note in notes) == said
