"""Two setups: equal ones are left in peace, planted differences are found, and more laps help as far as they can."""

from __future__ import annotations

import ast
import csv
import json
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from shared import demo_ground, demo_review

from linelab.cli.main import run
from linelab.coaching.from_recording import review
from linelab.errors import InputError, RecordingError
from linelab.files.kart_file import load_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.files.recordings.table import save_recording
from linelab.files.tracks.track_file import load_track
from linelab.measured import TO_95
from linelab.model.track import Survey
from linelab.motion.own_passes import measured_times
from linelab.output.setups.setups_report import setups_as_dict, setups_lines
from linelab.study.other_sessions import compare_sessions
from linelab.study.setups.setup_model import (
    OUTING,
    OutingLaps,
    SetupEffects,
    _Layout,
    setup_effects,
    sizes,
    spread_with,
)
from linelab.study.setups.setup_verdict import middle_interval
from linelab.study.setups.two_setups import _stretches, compare_setups

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


def test_the_generator_knows_nothing_of_the_model():
    """What drives the laps uses no name that comes from linelab."""
    tree = ast.parse((Path(BENCHMARKS) / "two_setups.py").read_text(encoding="utf-8"))
    from_linelab = {
        alias.asname or alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("linelab")
        for alias in node.names
    }
    drivers = [node for node in tree.body if getattr(node, "name", "") in ("outing_numbers", "drive_pair", "Pair")]
    used = {node.id for driver in drivers for node in ast.walk(driver) if isinstance(node, ast.Name)}
    assert len(drivers) == 3
    assert from_linelab >= {"setup_effects", "OutingLaps"}
    assert not used & from_linelab


@pytest.mark.parametrize(("order", "shift"), [("ABA", None), ("ABAB", 0.003), ("ABAB", 0.005)])
@pytest.mark.slow
def test_equal_setups_are_rarely_told_apart(bench, order, shift):
    """Also where outings differ by more than is usual; `benchmarks/two_setups.py` counts many more pairs."""
    found = bench.run(11, 40, order, 8, shift)
    assert found.told.sum() <= 5  # of 40, where 2 are expected: more than 5 come in 1.4 % of honest cases
    assert np.mean(np.abs(found.value - found.truth) <= TO_95 * found.sigma) >= 0.87


@pytest.mark.slow
def test_a_narrow_expectation_would_call_them_different(bench):
    """The test above can fail: with outings that are stated to differ by a tenth of what they do, many are."""
    found = bench.run(11, 40, "ABAB", 8, 0.005, stated=0.0005)
    assert found.told.sum() > 8


@pytest.mark.slow
def test_one_outing_of_each_is_told_apart_only_by_what_is_stated(bench):
    """Nothing in the laps shows what an outing changes.  Stated right, equal setups are rarely told apart; stated too
    small, they are."""
    shift = 0.004
    truly = shift * np.sqrt(2.25)  # as the generator says
    assert bench.run(14, 40, "AB", 8, shift).told.sum() <= 1
    assert bench.run(14, 40, "AB", 8, shift, stated=truly).told.sum() <= 5
    assert bench.run(14, 40, "AB", 8, shift, stated=0.1 * truly).told.sum() > 5


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
    found = bench.run(12, 20, "ABAB", 12, 0.0005, 0.5)
    right = found.told & (found.value * found.truth > 0.0)
    assert right.mean() >= 0.7
    assert not (found.told & (found.value * found.truth < 0.0)).any()


@pytest.mark.slow
def test_a_difference_planted_in_one_corner_is_found_there(bench):
    found = bench.run(13, 6, "ABAB", 10, 0.001, 0.4, corners=True, place=3)
    assert found.clear[:, 3].mean() >= 0.7
    assert np.delete(found.clear, 3, axis=1).any(axis=1).sum() <= 2
    assert found.within.mean() >= 0.88


def state(**changed):
    """What is expected of laps of 50 s before they are seen, as if it were known."""
    z = np.zeros((1, 1, 6))
    for place, value in changed.items():
        z[0, 0, int(place[1:])] = value
    return SetupEffects(
        draws=np.zeros((1, 1)), driven=np.zeros((1, 1)), states=z, scale=np.array([50.0]), relax=np.ones(1),
        outing=0.002,
    )  # fmt: skip


def test_laps_filtered_one_by_one_are_as_likely_as_all_at_once():
    """Precision, its right side and the likelihood against the whole covariance, with laps missing."""
    rng = np.random.default_rng(6)
    numbers = [np.arange(1.0, 7.0), np.array([1.0, 2.0, 5.0, 8.0])]
    layout = _Layout([False, True], numbers)
    z = rng.standard_normal((3, 6))
    now = sizes(z, np.ones(3), None)
    single = rng.uniform(1e-6, 1e-5, (3, 2, 6))
    y = np.where(layout.there, 1e-3 * rng.standard_normal((3, 2, 6)), 0.0)
    precision, right, left = layout.seen(now, single, y)
    for row in range(3):
        known, said, rest = np.zeros((8, 8)), np.zeros(8), 0.0
        for j, number in enumerate(numbers):
            size = number.size
            lag = np.abs(number[:, None] - number)
            covariance = now.carried[row] ** 2 * now.correlation[row] ** lag + np.diag(single[row, j, :size])
            basis = layout.basis[j, :size] @ layout.turn[j]
            inverse = np.linalg.inv(covariance)
            known += basis.T @ inverse @ basis
            said += basis.T @ inverse @ y[row, j, :size]
            rest += np.linalg.slogdet(covariance)[1] + y[row, j, :size] @ inverse @ y[row, j, :size]
        assert precision[row] == pytest.approx(known, rel=1e-9, abs=1e-6)
        assert right[row] == pytest.approx(said, rel=1e-9, abs=1e-6)
        assert left[row] == pytest.approx(rest, rel=1e-9)


def test_departures_are_drawn_as_the_whole_covariance_says():
    rng = np.random.default_rng(7)
    layout = _Layout([False, True], [np.arange(1.0, 6.0), np.array([1.0, 2.0, 4.0])])
    now = sizes(rng.standard_normal((1, 6)), np.ones(1), 0.002)
    own, error = np.full((1, 2, 5), 4e-6), np.full((1, 2, 5), 1e-6)
    left = np.where(layout.there, 3e-3 * rng.standard_normal((1, 2, 5)), 0.0)
    drawn = np.array([layout.departures(now, own, error, left, rng) for _ in range(4000)])[:, 0]
    for j, number in enumerate((np.arange(1.0, 6.0), np.array([1.0, 2.0, 4.0]))):
        size = number.size
        lag = np.abs(number[:, None] - number)
        inverse = np.linalg.inv(now.carried[0] ** 2 * now.correlation[0] ** lag + 5e-6 * np.eye(size))
        variance = 4e-6 - 4e-6**2 * np.diag(inverse)
        off = drawn[:, j, :size].mean(axis=0) - 4e-6 * inverse @ left[0, j, :size]
        assert np.abs(off / np.sqrt(variance / 4000)).max() < 4.0
        assert drawn[:, j, :size].var(axis=0) == pytest.approx(variance, rel=0.12)


def test_what_is_held_possible_of_outings_before_they_are_seen():
    """Its density falls as one over the change plus the first number, up to the second."""
    z = np.zeros((20000, 6))
    z[:, 0] = np.random.default_rng(1).standard_normal(20000)
    change = np.sort(sizes(z, np.ones(20000), None).outing)
    share = np.log1p(change / OUTING[0]) / np.log1p(OUTING[1] / OUTING[0])
    assert np.abs(share - (np.arange(20000) + 0.5) / 20000).max() < 0.02
    assert change[-1] <= OUTING[1] * (1.0 + 1e-3)


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
    # A quarter of its variance lasts: of the rest A-B-A has a half and another half of that, and half of a step.
    assert spreads["ABA", 400] == pytest.approx(0.1 * np.sqrt(0.375 * 1.5 + 0.25 * 0.5), rel=0.03)
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
    assert abs(np.median(one) - np.median(two)) < 0.1 * one.std()
    half_widths = [middle_interval(draws).sigma for draws in (one, two)]
    assert half_widths[0] == pytest.approx(half_widths[1], rel=0.15)


def test_an_error_that_an_outings_laps_share_widens_its_corner():
    rng = np.random.default_rng(5)
    times = [np.hstack([50.0 + 0.1 * rng.standard_normal((9, 1)), 5.0 + 0.02 * rng.standard_normal((9, 1))])] * 2

    def width(shared):
        outings = [
            OutingLaps(second=k == 1, number=np.arange(1.0, 10.0), times=one, variance=np.full(2, 1e-5),
                       shared=np.array([0.0, shared]))
            for k, one in enumerate(times)
        ]  # fmt: skip
        return float(setup_effects(outings, outing=0.001).draws[:, 1].std())

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


@pytest.mark.slow
def test_dates_put_outings_in_order(outing):
    day = 1.6e9
    found = compare_setups(
        [slower(outing, 1.0, day + 7200), slower(outing, 1.0, day)], [slower(outing, 1.0, day + 3600)],
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
    assert found.condition.startswith("Each setup was driven in one outing")
    assert found.condition.endswith("do not differ beyond chance.")
    assert found.real_below is None


@pytest.mark.slow
def test_one_outing_of_each_says_below_which_change_it_would_be_the_setup(outing):
    """A limit that holds is one with which the stated comparison calls the difference real, and no larger one does."""
    given = ([outing], [slower(outing, 1.01)], "tinmarsh_rental")
    found = compare_setups(*given, position_error=0.25)
    assert found.verdict == "few"
    assert f"less than {found.real_below:.2f} s" in found.condition
    share = found.real_below / float(np.median([lap.lap_time.value for lap in found.laps]))
    below, above = (compare_setups(*given, position_error=0.25, outing_change=way * share) for way in (0.6, 1.4))
    assert (below.verdict, above.verdict) == ("real", "few")
    assert "You stated" in below.condition
    assert below.outing_stated == pytest.approx(0.6 * found.real_below, rel=0.01)


@pytest.mark.slow
def test_the_difference_is_that_of_two_sessions_side_by_side_and_less_certain(outing):
    """One outing of each: a session's comparison with another measures the same, and knows nothing of outings."""
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    other = slower(outing, 1.01)
    setups = compare_setups([outing], [other], track, position_error=0.25)
    first, second = (review(one, kart, track, position_error=0.25) for one in (outing, other))
    sessions = compare_sessions(second, first)
    assert setups.lap_time.value == pytest.approx(sessions.lap_time.value, abs=0.02)
    assert setups.lap_time.sigma > 2.0 * sessions.lap_time.sigma
    assert [one.number for one in setups.corners] == [one.number for one in sessions.corners]
    for one, beside in zip(setups.corners, sessions.corners):
        assert one.time.value == pytest.approx(beside.time.value, abs=0.02)
        assert one.time.sigma > beside.time.sigma


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
