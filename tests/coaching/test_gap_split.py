"""The split of the gap: every part adds up exactly, before and after rounding, against every target."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated import as_lap, drive, make_track, record
from widely import widely

from linelab.coaching.session import review_session
from linelab.coaching.targets import TITLES
from linelab.diagnosis.kinds import CAUSES
from linelab.diagnosis.stretches import PHASES
from linelab.errors import InputError
from linelab.model.kart import Kart, PowerEngine
from linelab.model.lap import Lap
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_laps, without_uncertainty
from linelab.optimum.line_profile import speed_profile
from linelab.output.display import rounded_parts
from linelab.recorded.laps import complete_laps, split_laps
from linelab.speed.lines import reference_line

TRACK = make_track()
KART = Kart(name="plain", mass=160.0, mu_lateral=1.6, mu_longitudinal=1.6, engine=PowerEngine(power=15000.0))
REFERENCE = speed_profile(reference_line(TRACK), KART, label="computed lap")


def slower(share, label):
    """The computed lap's speed at a share, on a line that swings a metre to either side."""
    at = REFERENCE.line.s
    truth = drive(
        TRACK,
        offset=lambda s: 0.8 * np.sin(8.0 * np.pi * s / TRACK.length),
        speed=lambda s: share * np.interp(s, at, REFERENCE.v),
    )
    return truth, as_lap(truth, label=label)


TRUTHS = [slower(share, f"lap {k + 1}") for k, share in enumerate((0.93, 0.95, 0.94))]
EXACT = [without_uncertainty(lap) for _, lap in TRUTHS]


def recorded():
    """The same three laps as a receiver logs them."""
    laps = complete_laps(split_laps(record([truth for truth, _ in TRUTHS], rate=20.0), TRACK))
    return estimate_laps(TRACK, laps, bias=PositionBias(sigma=0.2, note="known in this test"))


@functools.cache
def reviewed(kind, target):
    """The three laps as they are or as recorded, and their review."""
    laps = EXACT if kind == "exact" else recorded()
    other = laps[1].lap.label if target == "other_lap" else None
    return laps, review_session(TRACK, KART, laps, REFERENCE, target=target, other=other)


@pytest.mark.parametrize("target", TITLES)
@pytest.mark.parametrize("kind", widely(["exact", "recorded"], ["exact"]))
def test_every_part_adds_up_to_the_gap(kind, target):
    laps, review = reviewed(kind, target)
    for lap, drive_ in zip(review.laps, laps):
        assert lap.gap.value == pytest.approx(drive_.lap.lap_time - review.target.lap_time, abs=1e-9)
        parts = [corner.time_lost.value for corner in lap.corners]
        assert sum(parts) == pytest.approx(lap.gap.value, abs=1e-9)
        for corner in lap.corners:
            assert [name for name, _ in corner.phases] == list(PHASES)
            assert sum(figure.value for _, figure in corner.phases) == pytest.approx(corner.time_lost.value, abs=1e-9)
            if not corner.line_loss.known:
                assert not corner.speed_loss.known
                continue
            both = corner.line_loss.value + corner.speed_loss.value
            assert both == pytest.approx(corner.time_lost.value, abs=1e-9)
            assert [name for name, _ in corner.causes] == list(CAUSES)
            assert sum(figure.value for _, figure in corner.causes) == pytest.approx(corner.speed_loss.value, abs=1e-9)
        if kind == "exact":
            assert lap.line_loss.value + lap.speed_loss.value == pytest.approx(lap.gap.value, abs=1e-9)


@pytest.mark.parametrize("target", ["own_best", "own_parts"])
def test_the_own_best_lap_and_parts_are_lower_bounds(target):
    _, review = reviewed("exact", target)
    best = review.laps[review.best]
    assert best.label == "lap 2"
    if target == "own_best":
        assert best.gap.value == pytest.approx(0.0, abs=1e-12)
        assert review.target.lap_time == pytest.approx(min(drive_.lap.lap_time for drive_ in EXACT))
    assert all(lap.gap.value >= -1e-9 for lap in review.laps)
    assert best.gap.value <= min(lap.gap.value for lap in review.laps) + 1e-12


def test_an_unknown_target_and_no_laps_are_refused():
    with pytest.raises(InputError, match="no target 'fastest'"):
        review_session(TRACK, KART, EXACT, REFERENCE, target="fastest")
    with pytest.raises(InputError, match="no lap to review"):
        review_session(TRACK, KART, [], REFERENCE)
    line = dataclasses.replace(EXACT[0].lap.line, s=0.9 * EXACT[0].lap.line.s)
    short = without_uncertainty(dataclasses.replace(EXACT[0].lap, line=line))
    with pytest.raises(InputError, match=r"covers 0.0 to .* m"):
        review_session(TRACK, KART, [short], REFERENCE)


@given(st.lists(st.floats(-30.0, 30.0), min_size=1, max_size=40), st.integers(1, 3))
@settings(max_examples=300, deadline=None)
def test_rounded_parts_add_up_as_displayed(parts, digits):
    unit = 10.0**-digits
    total, shown = rounded_parts(sum(parts), parts, digits)
    assert f"{sum(round(part / unit) for part in shown) * unit:.{digits}f}" == f"{total + 0.0:.{digits}f}".replace(
        "-0." + "0" * digits, "0." + "0" * digits
    )
    assert all(abs(a - b) < unit * (1.0 + 1e-6) for a, b in zip(shown, parts))
    assert total == pytest.approx(sum(parts), abs=0.5 * unit + 1e-9)


def test_rounded_parts_of_thirds():
    """Thirds of 1.00 are 0.34, 0.33 and 0.33: one of three equal remainders gets the missing hundredth."""
    total, shown = rounded_parts(1.0, [1 / 3, 1 / 3, 1 / 3])
    assert total == 1.0
    assert shown == [0.34, 0.33, 0.33]


def test_the_reference_lap_driven_loses_nothing():
    lap = Lap(line=REFERENCE.line, t=REFERENCE.t, v=REFERENCE.v, ax=REFERENCE.ax, limited_by=REFERENCE.limited_by)
    review = review_session(TRACK, KART, [without_uncertainty(lap)], REFERENCE)
    assert review.laps[0].gap.value == pytest.approx(0.0, abs=1e-12)
    assert all(abs(corner.line_loss.value) < 1e-9 for corner in review.laps[0].corners)


@pytest.mark.slow
def test_a_displaced_line_is_a_matter_of_the_line_and_its_interval_holds_it():
    """Positions a metre off pass the ends of a corner earlier or later, driven and at best alike (plane geometry)."""
    laps = complete_laps(split_laps(record([truth for truth, _ in TRUTHS], rate=20.0), TRACK))
    bias = PositionBias(sigma=1.0 / np.sqrt(2.0), time=1e6, note="known in this test")
    displaced = np.tile([0.8, 0.6], (len(laps), 1))
    there, beside = (
        review_session(TRACK, KART, estimate_laps(TRACK, laps, bias=bias, shifts=shifts), REFERENCE)
        for shifts in (None, displaced)
    )
    moved = {"time_lost": [], "line_loss": [], "speed_loss": []}
    scores = []
    for lap, other in zip(there.laps, beside.laps):
        for corner, same in zip(lap.corners, other.corners):
            for name, values in moved.items():
                values.append(getattr(same, name).value - getattr(corner, name).value)
            scores.append(moved["line_loss"][-1] / same.line_loss.sigma)
    rms = {name: np.sqrt(np.mean(np.square(values))) for name, values in moved.items()}
    assert rms["line_loss"] == pytest.approx(rms["time_lost"], rel=0.25)
    assert rms["speed_loss"] < 0.25 * rms["line_loss"]
    # One displacement of exactly the stated size per axis: no corner's line part moves by much more than its sigma.
    assert 0.3 < np.sqrt(np.mean(np.square(scores))) < 1.5
    assert np.max(np.abs(scores)) < 2.5
