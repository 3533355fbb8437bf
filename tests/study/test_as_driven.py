"""Costs with a driver's own numbers: what the laps show of him, from several sessions, and what becomes of it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from shared import demo_review, solved

import linelab
from linelab.cli import main as cli
from linelab.coaching.results import DriverNumbers
from linelab.diagnosis.driver_model import PLAIN, SESSION
from linelab.errors import InputError
from linelab.measured import TO_95
from linelab.model.lap import Limit
from linelab.output.costs.cost_words import cost_lines, study_costs
from linelab.study.as_driven import feet_on_own_line, joint_numbers, own_kart

TRACK, KART = "tinmarsh_rental", "rental-four-stroke"
LASTING = np.array([0.01, 0.03, 0.02, 0.05, 0.02, 0.05])


def numbers(grip, *, error=0.01, brake=1.0, drive=1.0, laps=8, reason=""):
    values = np.array([grip, brake, drive, 1.0, 0.1, 0.1])
    return DriverNumbers(values=values, errors=np.full(6, error), lasting=LASTING, laps=laps, reason=reason)


@pytest.fixture(scope="module")
def rental():
    return linelab.load_track(TRACK), linelab.load_kart(KART)


def test_the_demos_driver_shows_the_grip_he_was_given():
    """The invented driver uses 97.5 % of the grip (tracks/drawing/make_demo_recording.py)."""
    found = demo_review().driver
    assert found.values.size == len(SESSION)
    assert found.reason == ""
    assert abs(found.values[0] - 0.975) < TO_95 * found.sigma[0]
    assert found.sigma[0] < 0.03
    np.testing.assert_allclose(found.sigma, np.hypot(found.errors, found.lasting))
    assert demo_review().grip.factor.value == found.values[0]


def test_sessions_count_by_how_well_they_show_the_driver():
    near = joint_numbers([numbers(0.95, error=0.01), numbers(0.97, error=0.02)])
    assert near.values[0] == pytest.approx(0.95 * 0.8 + 0.97 * 0.2)
    assert near.errors[0] == pytest.approx(0.01 * 0.02 / np.hypot(0.01, 0.02), rel=1e-6)
    assert near.laps == 16
    apart = joint_numbers([numbers(0.90), numbers(1.00)])
    assert apart.errors[0] == pytest.approx(0.05)  # the sessions differ by more than either is off by
    alike = joint_numbers([numbers(0.95)] * 50)
    assert alike.sigma[0] == pytest.approx(LASTING[0], rel=0.02)  # what the model is off by does not average out
    one = numbers(0.93)
    np.testing.assert_allclose(joint_numbers([one]).sigma, one.sigma)


def test_numbers_that_are_not_to_be_used_are_refused():
    with pytest.raises(InputError, match="probably another class"):
        joint_numbers([numbers(0.95), numbers(0.95, reason="it is probably another class")])
    with pytest.raises(InputError, match="no session"):
        joint_numbers([])


def test_the_kart_brakes_and_pulls_as_the_laps_show(rental):
    _, kart = rental
    weak = own_kart(kart, numbers(1.0, brake=0.8, drive=0.9))
    assert weak.mu_longitudinal == pytest.approx(0.8 * kart.mu_longitudinal)
    strong, less = (linelab.speed_profile(solved(TRACK, KART).lap.line, each) for each in (kart, weak))
    pulled = (strong.limited_by == Limit.DRIVE) & (less.limited_by == Limit.DRIVE)
    assert less.lap_time > strong.lap_time + 0.1
    assert less.v[pulled].mean() < strong.v[pulled].mean()
    assert less.ax.min() == pytest.approx(0.8 * strong.ax.min(), rel=0.08)
    assert feet_on_own_line(numbers(0.9, brake=0.8))[:2].tolist() == [1.0, 0.8]


def test_a_driver_who_is_as_the_kart_file_says_has_its_costs(rental):
    track, kart = rental
    solution = solved(TRACK, KART)
    plain = DriverNumbers(values=PLAIN, errors=np.zeros(6), lasting=LASTING, laps=5)
    for habit, size in (("apex_missed", 0.5), ("coasts", 0.3)):
        own, file = (
            study_costs(track, kart, solution, [habit], sizes=[size], corners=[7], driver=driver, recordings=["x.csv"])
            for driver in (plain, None)
        )
        assert own.costs[0].time_lost[0] == pytest.approx(file.costs[0].time_lost[0], abs=1e-6)
        assert own.effects[0].time_lost == pytest.approx(file.effects[0].time_lost, abs=1e-6)


def test_lines_and_feet_are_driven_with_the_drivers_numbers(rental):
    """Beside laps put together by hand: the line's kart at his grip, and his feet on that line."""
    track, kart = rental
    driver = numbers(0.92, brake=0.8, drive=0.95)
    weak = replace(own_kart(kart, driver))
    solution = linelab.solve_min_time(track, weak, grip=0.92, verify=False)
    study = study_costs(
        track, kart, solution, ["apex_missed", "brakes_early"], corners=[7], driver=driver, recordings=["x.csv"]
    )
    line, feet = study.costs
    by_hand = linelab.habit_costs(track, weak, solution, sizes=[0.5], corners=[7])[0]
    assert line.time_lost[0] == pytest.approx(by_hand.time_lost[0], abs=1e-6)
    session = np.array([1.0, 0.8, 0.95, 1.0, 0.1, 0.1])
    alone = linelab.habit_costs(track, kart, solution, habit="brakes_early", sizes=[6.0], corners=[7], session=session)
    assert feet.time_lost[0] == pytest.approx(alone[0].time_lost[0], abs=1e-9)
    plain = linelab.habit_costs(track, kart, solved(TRACK, KART), habit="brakes_early", sizes=[6.0], corners=[7])
    assert abs(feet.time_lost[0] - plain[0].time_lost[0]) > 1e-3
    said = "\n".join(cost_lines(study))
    assert "For the driver of x.csv, with what 8 laps show of him" in said
    assert "share of the kart file's grip   0.92  ±0.03" in said
    assert "its braking, times              0.80  ±0.06" in said
    assert "Grip: 92% of the kart file's." in said
    without = "\n".join(cost_lines(replace(study, driver=None)))
    assert "Driver: as the kart file has him" in without


def test_the_command_reads_the_drivers_recordings(monkeypatch, capsys, tmp_path):
    asked = []

    def review(name, kart, track, *, position_error):
        asked.append((name, position_error))
        return demo_review()

    monkeypatch.setattr("linelab.coaching.from_recording.review", review)
    out = tmp_path / "costs"
    place = ["cost", "ostrelle_sprint", "senior-single-speed", "--corner", "2", "--size", "0.5", "--no-pictures"]
    more = ["--driven", "a/first.csv", "--driven", "second.csv", "--position-error", "0.25", "--out", str(out)]
    assert cli.run([*place, *more]) == 0, capsys.readouterr().err
    printed = capsys.readouterr().out
    assert asked == [("a/first.csv", 0.25), ("second.csv", 0.25)]
    found = demo_review().driver
    assert f"For the driver of first.csv and second.csv, with what {2 * found.laps} laps show of him" in printed
    data = json.loads((out / "habit_costs.json").read_text(encoding="utf-8"))
    assert data["driver"]["recordings"] == ["first.csv", "second.csv"]
    assert data["driver"]["grip_share"]["value"] == pytest.approx(found.values[0])
    assert data["grip_factor"] == pytest.approx(found.values[0])
    assert cli.run([*place, "--position-error", "0.25"]) == 2
    assert "--position-error needs --driven" in capsys.readouterr().err
    wrong = replace(demo_review(), driver=replace(found, reason="it is probably another class"))
    monkeypatch.setattr("linelab.coaching.from_recording.review", lambda *_, **__: wrong)
    assert cli.run([*place, "--driven", "first.csv", "--out", str(tmp_path / "other")]) != 0
    assert "does not show the driver's own numbers: it is probably another class" in capsys.readouterr().err
