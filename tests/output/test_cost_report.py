"""What habits cost, as sentences, data and pictures: beside the two laps they are read from."""

from __future__ import annotations

import csv
import json
import re

import numpy as np
import pytest
from shared import solved

from linelab.cli import main as cli
from linelab.coaching.coach_words import FAULTS, PLANNED
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.files.writing import MANIFEST
from linelab.output.costs.cost_pictures import plot_costs, plot_effect
from linelab.output.costs.cost_words import cost_lines, done_text, study_costs
from linelab.output.display import CAUTIONS, IMPERIAL, METRIC
from linelab.study.habit_costs import FOOT_HABITS, LINE_HABITS, SCALES, chosen_marks, habit_costs, habit_lap, imposed
from linelab.study.habit_effect import effect_of
from linelab.study.held_line import base_of


@pytest.fixture(scope="module")
def rental():
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    return track, kart, solved("tinmarsh_rental", "rental-four-stroke")


@pytest.fixture(scope="module")
def apexes(rental):
    return study_costs(*rental, sizes=[0.5, 5.0], corners=[2, 5])


def test_the_command_writes_what_it_prints(capsys, tmp_path):
    out = tmp_path / "costs"
    code = cli.run(
        ["cost", "tinmarsh_rental", "rental-four-stroke", "--corner", "2", "--size", "1", "--size", "0.5",
         "--grip", "0.6", "--no-kerbs", "--out", str(out)]
    )  # fmt: skip
    printed, err = capsys.readouterr()
    assert code == 0, err
    names = [MANIFEST, "habit_costs.csv", "habit_costs.json", "habit_costs.png", "cost_corner_02.png"]
    assert sorted(item.name for item in out.iterdir()) == sorted(names)
    assert CAUTIONS in printed
    assert "No kerb is used." in printed
    data = json.loads((out / "habit_costs.json").read_text(encoding="utf-8"))
    assert (data["format"], data["version"]) == ("linelab habit costs", 1)
    assert (data["grip_factor"], data["kerbs_allowed"]) == (0.6, False)
    assert data["cautions"] == CAUTIONS
    (cost,) = data["costs"]
    assert (cost["corner"], cost["habit"], cost["at_least"], cost["unit"]) == (2, "apex_missed", [0.5, 1.0], "m")
    row = next(line for line in printed.splitlines() if line.startswith("2 left"))
    assert [float(cell) for cell in row.split()[2:]] == pytest.approx(cost["time_lost_s"], abs=0.0051)
    rows = list(csv.DictReader((out / "habit_costs.csv").open(encoding="utf-8")))
    assert [float(row["time_lost_s"]) for row in rows] == pytest.approx(cost["time_lost_s"], abs=1e-4)
    (why,) = data["explained"]
    assert why["lost_before_apex_s"] + why["lost_after_apex_s"] == pytest.approx(why["time_lost_s"], abs=2e-3)


@pytest.mark.parametrize(
    "arguments",
    [["--habit", "dreams"], ["--size", "0"], ["--size", "99"], ["--corner", "99"], ["--habit", "all", "--size", "1"]],
)
def test_what_makes_no_sense_is_refused(capsys, tmp_path, arguments):
    out = tmp_path / "out"
    assert cli.run(["cost", "tinmarsh_rental", "rental-four-stroke", "--out", str(out), *arguments]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert not out.exists()


def test_sizes_of_several_habits_are_refused(rental):
    with pytest.raises(InputError, match="one habit"):
        study_costs(*rental, ["coasts", "slide"], sizes=[0.5])


def test_the_figures_are_those_of_the_two_laps(rental):
    """Read off the laps' own nodes, not by the stations that the module reads them at."""
    track, kart, solution = rental
    cost = habit_costs(*rental, sizes=[0.5], corners=[2])[0]
    effect = effect_of(track, kart, solution, cost, 0.5)
    own, lap, mark = solution.lap, habit_lap(*rental, 2, "apex_missed", 0.5), effect.marks
    for k, each in enumerate((own, lap)):
        inside = (each.line.s >= mark.turn_in) & (each.line.s <= mark.track_out)
        assert effect.slowest[k] == pytest.approx(each.v[inside].min(), abs=0.02)
        bend = each.line.kappa[inside] * (1.0 if mark.corner.left else -1.0)
        assert effect.radius[k] == pytest.approx(1.0 / bend.max(), rel=0.01)
    assert effect.longer == pytest.approx(lap.line.length - own.line.length)
    assert effect.before_apex + effect.after_apex == pytest.approx(lap.lap_time - own.lap_time, abs=1e-9)
    # The lap is closed: what is lost up to the apex since the start line is all of it but what is lost before that.
    at_apex = np.interp(mark.apex, lap.line.s, lap.t) - np.interp(mark.apex, own.line.s, own.t)
    assert effect.before_apex == pytest.approx(at_apex, abs=0.01)


@pytest.mark.parametrize("habit", FOOT_HABITS)
def test_a_habit_of_the_feet_leaves_the_line_and_costs_what_the_lap_loses(rental, habit):
    track, kart, solution = rental
    cost = habit_costs(*rental, habit=habit, corners=[1])[0]
    size = SCALES[habit].usual
    effect = effect_of(track, kart, solution, cost, size)
    assert effect.lap.line == solution.lap.line
    assert effect.radius is None
    assert effect.time_lost == pytest.approx(cost.at(size), abs=2e-3)
    assert (effect.lap.v <= solution.lap.v * 1.001).all()
    # The clock goes with the speed.
    steps = np.diff(effect.lap.line.distance) * 2.0 / (effect.lap.v[1:] + effect.lap.v[:-1])
    assert steps.sum() == pytest.approx(effect.lap.lap_time, abs=5e-3)


def test_a_corner_without_the_habit_says_why(rental):
    study = study_costs(*rental, ["power_late"], corners=[5, 6])
    text = "\n".join(cost_lines(study))
    assert "Corners 5 and 6: the computed lap is at full power there." in text
    assert study.effects == ()
    with pytest.raises(InputError, match="full power"):
        habit_lap(*rental, 5, "power_late", 0.3)


def test_where_the_road_ends_it_is_said_from_which_size_on_and_how_much_there_is(apexes, rental):
    text = "\n".join(cost_lines(apexes))
    room = float(re.search(r"Corner 5, 5 m and more: the road has room for only (\d+\.\d) m", text)[1])
    mark, base = chosen_marks(*rental, [5])[0], base_of(*rental)
    assert imposed(base, mark, "apex_missed", room - 0.06) is not None
    assert imposed(base, mark, "apex_missed", room + 0.06) is None


def test_units_are_those_asked_for(apexes):
    text = "\n".join(cost_lines(apexes, IMPERIAL))
    assert "1.64 ft" in text
    assert not re.search(r"\d (m|km/h)\b", text)


def test_every_habit_has_words():
    assert set(PLANNED) == {*LINE_HABITS, *FOOT_HABITS}
    assert set(SCALES) == set(PLANNED)
    assert set(FAULTS) & set(PLANNED) == set(PLANNED) - {"apex_early", "apex_late", "line_defended", "arrives_fast"}
    assert done_text("brakes_softly", 0.3, METRIC) == "braking 30 % less hard than the tyres allow"
    assert done_text("arrives_fast", 1.0, METRIC) == "arriving 3.6 km/h too fast at the turn-in"


def test_the_usual_size_is_one_looked_at():
    assert all(scale.usual in scale.sizes for scale in SCALES.values())


def test_pictures_show_both_laps_and_the_cautions(apexes, rental):
    strip, corner = plot_costs(apexes), plot_effect(apexes, apexes.effects[0])
    for figure in (strip, corner):
        assert any("not targets" in text.get_text() for text in figure.texts)
    speed = corner.axes[1]
    shown = [line for line in speed.get_lines() if len(line.get_xdata()) > 100]
    mark = apexes.effects[0].marks
    lowest = []
    for line in shown:
        x, y = (np.asarray(values) for values in (line.get_xdata(), line.get_ydata()))
        lowest.append(float(y[(x >= mark.turn_in - mark.apex) & (x <= mark.track_out - mark.apex)].min()))
    lowest.sort()
    assert lowest == pytest.approx(sorted(3.6 * v for v in apexes.effects[0].slowest), abs=0.3)
    several = study_costs(*rental, ["coasts", "slide"], corners=[1, 5])
    cells = [text.get_text() for text in plot_costs(several).axes[0].texts]
    assert len(cells) == 4
    assert cells.count("–") == 2
