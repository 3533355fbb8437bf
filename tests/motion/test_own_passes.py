"""Own quickest passes: times drawn with known errors, so that what is said of the smallest can be held to the truth."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

import linelab
from linelab.measured import TO_95
from linelab.motion import own_passes
from linelab.motion.own_passes import OwnPasses, consistent_loss, likely_times


def session(rng, laps=8, corners=9, scatter=0.06, instant=0.04):
    """True and measured times of passes, and the covariance of the errors: instants are off, passes lie between."""
    true = rng.uniform(2.0, 6.0, corners) + scatter * rng.standard_t(5, (laps, corners))
    at = instant * rng.normal(size=(laps, corners + 1))
    steps = np.diff(np.eye(corners + 1), axis=0)
    return true, true + np.diff(at, axis=1), instant**2 * steps @ steps.T


#: Scatter of a driver's passes [s], laps and sessions, besides those of every run.
WIDER = [(0.06, 8, 40), (0.02, 8, 40), (0.15, 4, 40), (0.05, 20, 40)]


@pytest.mark.parametrize(
    ("scatter", "laps", "sessions"), [(0.06, 8, 12), *(pytest.param(*case, marks=pytest.mark.slow) for case in WIDER)]
)
def test_what_is_lost_to_the_quickest_pass_is_not_overstated_and_held(scatter, laps, sessions):
    """The smallest measured time makes it look too large by far; the stated interval holds the truth."""
    rng = np.random.default_rng(int(1000 * scatter) + laps)
    off, naive, held = [], [], []
    for _ in range(sessions):
        true, measured, covariance = session(rng, laps, scatter=scatter)
        passes = OwnPasses(measured=measured, covariance=covariance)
        for corner in range(true.shape[1]):
            lost = passes.behind(np.arange(laps), corner)
            truth = true[:, corner].mean() - true[passes.best[corner], corner]
            off.append(lost.value - truth)
            held.append(abs(lost.value - truth) <= TO_95 * lost.sigma)
            at = measured[:, corner].argmin()
            naive.append(measured[:, corner].mean() - measured[at, corner] - true[:, corner].mean() + true[at, corner])
    assert abs(np.mean(off)) < 0.004 + 0.04 * scatter
    assert np.mean(naive) > 0.01
    assert 0.91 < np.mean(held) <= 1.0


def test_exact_times_stay_as_they_are():
    true, _, _ = session(np.random.default_rng(1))
    passes = OwnPasses(measured=true, covariance=np.zeros((9, 9)))
    assert (passes.best == true.argmin(axis=0)).all()
    assert passes.joined.sum() == pytest.approx(true.min(axis=0).sum(), abs=1e-12)
    assert passes.behind(np.arange(8), 0).sigma == 0.0


def test_a_driver_who_repeats_well_loses_as_much_to_his_quickest_pass_as_is_taken_off():
    """Against independent corners of normal times whose laps scatter by a tenth of a second."""
    rng = np.random.default_rng(3)
    share = np.array([0.1, 0.3, 0.6])
    for laps in (3, 8, 20):
        times = 0.1 * np.sqrt(share) * rng.normal(size=(4000, laps, 3))
        lost = (times.mean(axis=1) - times.min(axis=1)).mean(axis=0)
        assert consistent_loss(laps, share, 0.1) == pytest.approx(lost, rel=0.04)
    assert not consistent_loss(1, share, 0.1).any()


def test_draws_are_made_when_asked_for_and_once(small_session, monkeypatch):
    """A review against the computed lap asks for none; equal passes, a pickled copy among them, share theirs."""
    made = []
    monkeypatch.setattr(own_passes, "likely_times", lambda *given: made.append(given) or likely_times(*given))
    own_passes._drawn.cache_clear()
    passes = linelab.review(small_session, "rental-four-stroke", "tinmarsh_rental", position_error=0.25).passes
    assert made == []
    copy = pickle.loads(pickle.dumps(passes))
    assert copy == passes
    assert hash(copy) == hash(passes)
    assert copy.usual is passes.usual
    assert copy.best is passes.best
    assert len(made) == 1
    assert np.array_equal(passes.draws, likely_times(passes.measured, passes.covariance)[0])
    with pytest.raises(ValueError, match="read-only"):
        passes.draws[0] = 0.0
    other = OwnPasses(measured=passes.measured + 0.1, covariance=passes.covariance)
    assert other != passes
    assert not np.array_equal(other.usual, passes.usual)
