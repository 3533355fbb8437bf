"""Laps that differ: spoilt passes told from a consistent driver's, whatever the trend, and what measuring adds."""

from __future__ import annotations

import re

import numpy as np
import pytest
from scipy.stats import theilslopes
from shared import solved

from linelab.coaching.analysis import analyse
from linelab.coaching.consistency import spoilt_passes
from linelab.coaching.session import review_session
from linelab.diagnosis.losses import segment_edges
from linelab.diagnosis.marks import find_marks
from linelab.diagnosis.stretches import segments_of
from linelab.drive.driver import drive_session
from linelab.drive.faults import BrakesEarly, Habits, LatePower
from linelab.drive.receiver import Receiver, record
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_laps, track_heading, without_uncertainty
from linelab.motion.own_passes import own_passes
from linelab.recorded.laps import complete_laps, split_laps

TRACK, KART = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
SURE = np.zeros(3)


def passes(seed=1, laps=9):
    """A consistent driver's: a hundredth of a second of scatter."""
    return np.array([5.0, 4.0, 6.0]) + np.random.default_rng(seed).normal(0.0, 0.01, (laps, 3))


def test_spoilt_passes_are_found_with_what_they_cost():
    times = passes()
    times[[1, 4, 6], [0, 1, 2]] += [0.2, 0.3, 0.15]
    behind = spoilt_passes(times, SURE)
    assert [tuple(place) for place in np.argwhere(behind)] == [(1, 0), (4, 1), (6, 2)]
    assert behind[behind > 0.0] == pytest.approx([0.2, 0.3, 0.15], abs=0.04)


def test_a_tenth_is_nothing_where_passes_differ_by_as_much_or_are_not_measured_as_well():
    times = passes()
    times[3, 1] += 0.12
    assert spoilt_passes(times, SURE)[3, 1] > 0.0
    assert not spoilt_passes(times, np.full(3, 0.06)).any()
    wide = 5.0 + 0.05 * np.array([[-2.0], [-1.5], [-1.0], [0.0], [0.3], [1.0], [1.5], [2.0], [2.4]])[::-1]
    assert not spoilt_passes(wide[[4, 0, 8, 2, 6, 1, 7, 3, 5]], SURE[:1]).any()


def test_learning_spoils_no_pass_and_hides_none():
    """The trend taken off is the Theil-Sen slope: SciPy's is the outside value."""
    slope = -0.05
    times = passes() + slope * np.arange(9)[:, None]
    assert np.ptp(times[:, 0]) > 0.3
    assert not spoilt_passes(times, SURE).any()
    times[7, 2] += 0.25
    level = times[:, 2] - theilslopes(times[:, 2]).slope * np.arange(9)
    behind = spoilt_passes(times, SURE)
    assert np.argwhere(behind).tolist() == [[7, 2]]
    assert behind[7, 2] == pytest.approx(level[7] - np.median(level), abs=1e-9)


@pytest.fixture(scope="module")
def reference():
    return solved("tinmarsh_rental", "rental-four-stroke").lap


def driven(reference, *faults, seed=5, laps=9):
    manner = Habits(faults=faults, power_build=1.5, pace_scatter=0.003, line_scatter=0.05)
    return drive_session(TRACK, KART, reference, manner, laps=laps, seed=seed)


def mean_time(session):
    return float(np.mean([lap.lap_time for lap in session.laps]))


def test_a_driver_with_another_fault_on_every_lap_is_told_so_though_his_laps_hardly_differ(reference):
    """Each lap has one fault, of about the same cost, in another place: the lap times alone show nothing."""
    places = [(LatePower, 1), (LatePower, 4), (LatePower, 7), (LatePower, 9), (BrakesEarly, 2), (LatePower, 5),
              (BrakesEarly, 1), (LatePower, 10), (LatePower, 8)]  # fmt: skip
    base, wanted, faults = mean_time(driven(reference, laps=2)), 0.2, []
    for lap, (fault, corner) in enumerate(places, start=1):
        tried = mean_time(driven(reference, fault(corner=corner, metres=8.0), laps=2)) - base
        faults.append(fault(corner=corner, metres=8.0 * wanted / tried, laps=(lap,)))
    session = driven(reference, *faults)
    cost = mean_time(session) - mean_time(driven(reference))
    assert np.std([lap.lap_time for lap in session.laps], ddof=1) < 0.1
    first = review_session(TRACK, KART, [without_uncertainty(lap) for lap in session.laps], reference).priorities[0]
    assert first.kind == "scatter"
    # What is spoilt by a few hundredths only is left out: never more than the truth.
    assert 0.5 * cost < first.at_stake.value < cost + 2.0 * first.at_stake.sigma
    assert "own usual pass" in first.evidence[1].text
    # What was done otherwise on the worst pass of a corner comes from the driver model, and agrees with what was done.
    done = {(lap, fault.corner): type(fault) for fault in faults for lap in fault.laps}
    told = 0
    for shown in first.evidence[2:]:
        corner, lap = (int(re.search(rf"{word} (\d+)", shown.text)[1]) for word in ("Corner", "on lap"))
        for words, fault in (("wait", LatePower), ("braking begins", BrakesEarly)):
            if words in shown.text:
                told += 1
                assert done[lap, corner] is fault, shown.text
    assert told >= 2


def test_one_corner_spoilt_on_some_laps_is_that_corners_fault_and_not_scatter(reference):
    session = driven(reference, LatePower(corner=1, metres=12.0, laps=(2, 5, 8)))
    analysis = analyse(TRACK, KART, [without_uncertainty(lap) for lap in session.laps], reference)
    assert (spoilt_passes(analysis.passes.measured, analysis.passes.sigma) > 0.0).any(axis=1).sum() == 3
    review = review_session(TRACK, KART, [without_uncertainty(lap) for lap in session.laps], reference)
    assert all(item.kind != "scatter" for item in review.priorities)


@pytest.mark.slow
def test_pass_errors_are_what_the_same_laps_received_anew_scatter_by(reference):
    """One session received six times: the times of passes vary by about the stated error."""
    session = driven(reference, laps=4)
    receiver = Receiver(rate=18.0, white=0.1, bias=0.2, speed_noise=0.07)
    bias = PositionBias(sigma=receiver.bias, note="as stated for this receiver")
    received = [split_laps(record(session, receiver, seed=seed), TRACK) for seed in range(6)]
    sessions = [estimate_laps(TRACK, complete_laps(laps), bias=bias) for laps in received]
    segments = segments_of(TRACK, find_marks(TRACK, reference, KART))
    edges = segment_edges(segments)
    owners = np.array([segment.corner for segment in segments])
    owners = np.searchsorted(np.unique(owners), owners)
    found = [own_passes(laps, edges, track_heading(TRACK, edges), owners) for laps in sessions]
    times = [passes.measured - passes.measured.mean(axis=0) for passes in found]
    errors = [passes.sigma for passes in found]
    seen, stated = np.sqrt(np.mean(np.var(times, axis=0, ddof=1), axis=0)), np.mean(errors, axis=0)
    assert 0.7 < np.median(stated / seen) < 1.5
