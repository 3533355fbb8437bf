"""From a recording to laps and to a review, in one call each."""

from __future__ import annotations

import numpy as np
import pytest

import linelab


@pytest.fixture(scope="module")
def track():
    return linelab.load_track("ostrelle_sprint")


@pytest.fixture(scope="module")
def laps(track):
    return linelab.read_laps("ostrelle_practice", track, position_error=0.25)


def test_every_complete_lap_is_read(track, laps):
    recorded = linelab.split_laps(linelab.load_recording("ostrelle_practice"), track)
    complete = [lap for lap in recorded if lap.status == "complete"]
    assert [lap.lap.label for lap in laps] == [lap.label for lap in complete]
    times = [lap.lap.lap_time for lap in laps]
    np.testing.assert_allclose(times, [lap.duration for lap in complete], atol=0.05)
    assert list(laps.to_dataframe()["lap_time_s"]) == times


def test_they_are_the_laps_that_a_review_holds(track):
    kart = linelab.load_kart("senior-single-speed")
    asked = {"laps": (5,), "position_error": 0.25}
    review = linelab.review("ostrelle_practice", kart, track, **asked)
    (read,) = linelab.read_laps("ostrelle_practice", track, **asked)
    driven = review.laps[0].comparison.driven
    assert driven.lap.lap_time == pytest.approx(read.lap.lap_time, abs=1e-9)
    np.testing.assert_allclose(driven.lap.line.n, read.lap.line.n, atol=1e-9)
    np.testing.assert_allclose(driven.lap.v, read.lap.v, atol=1e-9)


def test_a_lap_asked_for_is_read_or_refused(track):
    assert [lap.lap.label for lap in linelab.read_laps("ostrelle_practice", track, laps=(6, 4))] == ["lap 6", "lap 4"]
    with pytest.raises(linelab.RecordingError, match="no lap 99"):
        linelab.read_laps("ostrelle_practice", track, laps=(99,))
    with pytest.raises(linelab.RecordingError, match="stood still"):
        linelab.read_laps("ostrelle_practice", track, laps=(8,))


def test_another_place_is_refused():
    with pytest.raises(linelab.RecordingError, match="another place"):
        linelab.read_laps("ostrelle_practice", linelab.load_track("tinmarsh_rental"))
