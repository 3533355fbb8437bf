"""From a recording to laps and to a review, in one call each."""

from __future__ import annotations

import json

import numpy as np
import pytest

import linelab
from linelab.cli.main import run


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


@pytest.mark.slow
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


@pytest.mark.slow
def test_another_lap_of_the_recording_is_compared_with_as_by_the_command(small_session, tmp_path):
    """What ``--against-lap`` does; laps are then compared with that one, corner by corner."""
    kart, track = "rental-four-stroke", "tinmarsh_rental"
    found = linelab.review(small_session, kart, track, other_lap=2, position_error=0.25)
    chosen = ["--kart", kart, "--track", track, "--position-error", "0.25", "--out", str(tmp_path / "out")]
    assert run(["review", str(small_session), *chosen, "--against-lap", "2"]) == 0
    kept = json.loads((tmp_path / "out" / "review.json").read_text(encoding="utf-8"))
    assert (found.target.kind, kept["target"]["kind"]) == ("other_lap", "other_lap")
    assert found.target.title == kept["target"]["title"] == "your lap 2"
    second = next(lap for lap in found.laps if lap.label == "lap 2")
    assert found.target.lap_time == second.lap_time.value
    for lap, saved in zip(found.laps, kept["laps"], strict=True):
        assert lap.gap.value == pytest.approx(lap.lap_time.value - second.lap_time.value, abs=1e-9)
        assert saved["gap_s"]["value"] == pytest.approx(lap.gap.value, abs=1e-9)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"other_lap": 2, "against": "own_best"}, "each say what the laps are compared with"),
        ({"against": "other_lap"}, "needs the number of that lap"),
        ({"other_lap": "two"}, "no lap number"),
    ],
)
def test_what_laps_are_compared_with_is_said_once(small_session, asked, words):
    with pytest.raises(linelab.InputError, match=words):
        linelab.review(small_session, "rental-four-stroke", "tinmarsh_rental", **asked)


@pytest.mark.slow
def test_sessions_are_compared_mine_minus_the_other(small_session):
    """Both ways round the same differences with the other sign; sessions of other ground are refused."""
    kart, track = "rental-four-stroke", "tinmarsh_rental"
    one, two = (
        linelab.review(small_session, kart, track, laps=laps, position_error=0.25) for laps in ((1, 2, 3), (1, 3))
    )
    there, back = linelab.compare_sessions(one, two), linelab.compare_sessions(two, one, name="yesterday")
    assert there.best.value == -back.best.value
    assert there.lap_time.value == pytest.approx(-back.lap_time.value, abs=0.02)
    frame = there.corners.to_dataframe()
    assert frame["time_s"].sum() == pytest.approx(there.lap_time.value, abs=1e-9)
    assert list(frame["corner"]) == [corner.number for corner in there.corners]
    with pytest.raises(linelab.InputError, match="same track, kart and grip"):
        linelab.compare_sessions(one, linelab.review(small_session, kart))
