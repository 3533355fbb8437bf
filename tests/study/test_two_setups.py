"""Two setups: equal ones are left in peace, planted differences are found, and more laps help as far as they can."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from shared import demo_ground, demo_review

from linelab.cli.main import run
from linelab.errors import InputError, RecordingError
from linelab.files.recordings.load_recording import load_recording
from linelab.files.recordings.table import save_recording
from linelab.measured import TO_95
from linelab.model.track import Survey
from linelab.motion.own_passes import measured_times
from linelab.output.setups.setups_report import setups_as_dict, setups_lines
from linelab.study.setup_model import OutingLaps, SetupEffects, setup_effects, spread_with
from linelab.study.two_setups import _stretches, compare_setups

BENCHMARKS = str(Path(__file__).resolve().parents[2] / "benchmarks")


@pytest.fixture
def bench(monkeypatch):
    """Lap times from a generator that shares nothing with the model."""
    monkeypatch.syspath_prepend(BENCHMARKS)
    return import_module("two_setups")


def slower(recording, factor, start=None):
    """The same laps, driven so much slower all round."""
    return replace(recording, t=recording.t * factor, speed=recording.speed / factor, start_utc=start)


@pytest.fixture(scope="module")
def outing(small_session):
    return load_recording(small_session)


@pytest.mark.parametrize("order", ["AB", "ABA"])
def test_equal_setups_are_rarely_told_apart(bench, order):
    found = bench.run(11, 30, order, 8, None)
    assert found.told.sum() <= 4  # of 30, where 1.5 are expected: more than 4 come in 1.6 % of honest cases
    assert np.mean(np.abs(found.value - found.truth) <= TO_95 * found.sigma) >= 0.87


def test_without_the_change_between_outings_most_would_be(bench):
    """The first test can fail: laps taken for independent ones call most equal setups different."""
    rng, told = np.random.default_rng(3), []
    numbers = [np.arange(1.0, 13.0)] * 2
    for _ in range(40):
        first, second = bench.drive_pair(rng, "AB", numbers, np.zeros(bench.CORNERS), 0.003).times
        spread = np.sqrt(sum(laps[:, 0].var(ddof=1) / len(laps) for laps in (first, second)))
        told.append(abs(second[:, 0].mean() - first[:, 0].mean()) > TO_95 * spread)
    assert np.mean(told) > 0.2


def test_a_planted_difference_is_found_with_its_sign(bench):
    found = bench.run(12, 20, "ABAB", 12, 0.0005, 0.3)
    right = found.told & (found.value * found.truth > 0.0)
    assert right.mean() >= 0.7
    assert not (found.told & (found.value * found.truth < 0.0)).any()


def test_a_difference_planted_in_one_corner_is_found_there(bench):
    found = bench.run(13, 6, "ABAB", 10, 0.001, 0.3, corners=True, place=3)
    assert found.clear[:, 3].mean() >= 0.7
    assert np.delete(found.clear, 3, axis=1).any(axis=1).sum() <= 2
    assert found.within.mean() >= 0.88


def state(**changed):
    """What is expected of laps of 50 s before they are seen, as if it were known."""
    z = np.zeros((1, 1, 6))
    for place, value in changed.items():
        z[0, 0, int(place[1:])] = value
    return SetupEffects(draws=np.zeros((1, 1)), states=z, scale=np.array([50.0]), relax=np.ones(1), outing=0.002)


def test_no_number_of_laps_in_one_outing_each_beats_the_change_between_outings():
    known = state(_2=-6.0)  # no trend of one outing alone
    spreads = {}
    for order in ("AB", "ABA", "ABAB"):
        second = [letter == "B" for letter in order]
        for laps in (5, 20, 400):
            numbers = [np.arange(1.0, laps + 1.0)] * len(order)
            spreads[order, laps] = float(spread_with(known, second, numbers, 1e-4, np.zeros(1, dtype=int))[0])
    assert spreads["AB", 5] > spreads["AB", 20] > spreads["AB", 400]
    assert spreads["AB", 400] == pytest.approx(0.002 * 50.0, rel=0.02)  # the change itself
    # Half of its variance lasts: A-B-A has 0.25 + 0.25 / 2 of what passes and half of a step that lasts.
    assert spreads["ABA", 400] == pytest.approx(0.1 * np.sqrt(0.375 + 0.25), rel=0.03)
    assert spreads["ABAB", 5] < spreads["ABA", 5] < spreads["AB", 5]


def test_draws_do_not_hang_on_the_seed():
    rng = np.random.default_rng(4)
    outings = [
        OutingLaps(
            second=second, number=np.arange(1.0, 9.0), times=50.0 + 0.1 * rng.standard_normal((8, 1)),
            variance=np.full(1, 1e-4), shared=np.zeros(1),
        )
        for second in (False, True, False)
    ]  # fmt: skip
    one, two = (setup_effects(outings, seed=seed).draws[:, 0] for seed in (1, 2))
    assert abs(one.mean() - two.mean()) < 0.1 * one.std()
    assert one.std() == pytest.approx(two.std(), rel=0.12)


def test_an_error_that_an_outings_laps_share_widens_its_corner():
    rng = np.random.default_rng(5)
    times = [np.hstack([50.0 + 0.1 * rng.standard_normal((9, 1)), 5.0 + 0.02 * rng.standard_normal((9, 1))])] * 2

    def width(shared):
        outings = [
            OutingLaps(second=k == 1, number=np.arange(1.0, 10.0), times=one, variance=np.full(2, 1e-5),
                       shared=np.array([0.0, shared]))
            for k, one in enumerate(times)
        ]  # fmt: skip
        return float(setup_effects(outings).draws[:, 1].std())

    assert width(0.1) ** 2 == pytest.approx(width(0.0) ** 2 + 2.0 * 0.1**2, rel=0.15)


def test_stretches_are_those_of_the_review():
    review, (_, ground) = demo_review(), demo_ground()
    numbers, edges, owners = _stretches(ground.track)
    assert numbers == tuple(mark.corner.number for mark in review.reference_marks)
    laps = [lap.comparison.driven for lap in review.laps]
    passes = measured_times(laps, edges, owners)
    assert passes == pytest.approx(review.passes.measured[: len(laps)], abs=1e-6)


def test_a_slower_setup_is_called_slower_and_every_output_says_the_same(outing, tmp_path, capsys):
    files = {"a1": outing, "b1": slower(outing, 1.03), "a2": slower(outing, 1.001)}
    for name, recording in files.items():
        save_recording(recording, tmp_path / f"{name}.csv")
    arguments = ["--track", "tinmarsh_rental", "--position-error", "0.25", "--order", "aba"]
    out = tmp_path / "out"
    given = ["--a", tmp_path / "a1.csv", "--b", tmp_path / "b1.csv", "--a", tmp_path / "a2.csv", "--out", out]
    assert run(["compare-setups", *arguments, *map(str, given)]) == 0
    printed = capsys.readouterr().out
    held = json.loads((out / "setups.json").read_text(encoding="utf-8"))
    assert held["verdict"] == "real"
    assert held["order"] == "ABA"
    assert printed.startswith("A real difference: A is faster by")
    assert printed.splitlines()[0] == held["words"]
    value, sigma = held["lap_time_s"]["value"], held["lap_time_s"]["sigma"]
    lap = np.median([one["lap_time_s"]["value"] for one in held["laps"] if one["setup"] == "A"])
    assert abs(value - 0.0295 * lap) < TO_95 * sigma
    assert held["faster_probability"] < 0.03
    with (out / "setup_laps.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert [row["setup"] for row in rows] == [one["setup"] for one in held["laps"]]
    for row in rows:
        parts = [float(text) for title, text in row.items() if title.startswith("stretch_")]
        assert sum(parts) == pytest.approx(float(row["lap_time_s"]), abs=0.02)
    assert (out / "setups.png").stat().st_size > 10_000


def test_dates_put_outings_in_order(outing):
    day = 1.6e9
    found = compare_setups(
        [slower(outing, 1.0, day), slower(outing, 1.0, day + 7200)], [slower(outing, 1.0, day + 3600)],
        "tinmarsh_rental", position_error=0.25,
    )  # fmt: skip
    assert (found.order, found.order_from) == ("ABA", "dates")
    assert found.verdict == "few"
    assert abs(found.lap_time.value) < 0.05
    assert not any(corner.clear for corner in found.corners)
    assert found.more is not None
    assert "in the order of their dates" in "\n".join(setups_lines(found))
    json.dumps(setups_as_dict(found), allow_nan=False)
    guessed = replace(found, track=replace(found.track, survey=Survey(kind="estimated", note="estimated from laps")))
    assert "Track: estimated from laps" in setups_lines(guessed)


def test_what_matters_decides_whether_nothing_is_there(outing):
    found = compare_setups([outing], [outing], "tinmarsh_rental", position_error=0.25, matters=5.0)
    assert found.verdict == "none"
    assert found.words.startswith("No difference bigger than")
    assert found.order_from == "files"
    assert found.more is None


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"a": "run.csv"}, "a is a str, not a list of recordings"),
        ({"b": []}, "b holds no recording"),
        ({"order": "ABA"}, "does not fit 1 recording of A and 1 of B"),
        ({"order": "AC"}, "does not fit"),
        ({"outing_change": 0.0}, "a share"),
        ({"matters": -1.0}, "above 0"),
    ],
)
def test_usual_mistakes_are_named(outing, arguments, said):
    given = {"a": [outing], "b": [outing], "track": "tinmarsh_rental"} | arguments
    with pytest.raises(InputError, match=said):
        compare_setups(**given)


def test_a_recording_of_another_place_is_refused(outing):
    elsewhere = replace(outing, lat=outing.lat + 2.0)
    with pytest.raises(RecordingError, match="another place"):
        compare_setups([outing], [elsewhere], "tinmarsh_rental")
