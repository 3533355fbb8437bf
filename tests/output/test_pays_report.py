"""What pays: the command, its files and pictures, and the laps by axle sprocket."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from shared import solved

from linelab.cli import main as cli
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.optimum.minimum_time import solve_min_time
from linelab.output.display import IMPERIAL, METRIC
from linelab.output.pays.pays_pictures import plot_map
from linelab.output.pays.pays_report import most_changed, pays_table, pays_words, shown, table_notes
from linelab.study.sprockets import SprocketLap, sprocket_laps
from linelab.study.what_pays import Worth

PLACE, KART = "tinmarsh_rental", "rental-four-stroke"
MINE = {"moved": (0.001, 0.001, 0.0), "s": np.linspace(0.0, 400.0, 5), "gained": -np.linspace(0.0, 0.1, 5)}


def worth(**changes) -> Worth:
    given = {
        "field": "tyres.mu_lateral", "words": "cornering grip", "value": 1.6, "unit": "", "lap": -0.1,
        "numbers": (1, 2, 3), "corners": (-0.06, 0.01, -0.05), **MINE,
    } | changes  # fmt: skip
    return Worth(**given)


MASS = worth(
    field="mass_kg", words="mass with driver", value=160.0, unit="kg", lap=0.0256, corners=(0.0005, 0.004, 0.0195),
    gained=np.linspace(0.0, 0.024, 5),
)  # fmt: skip


def test_the_first_sentences_say_what_pays_and_where():
    """By arithmetic: 0.0256 s for 1.6 kg are 0.080 s for 5 kg, and 0.073 s for 10 lb."""
    assert pays_words([worth(), MASS], (), None) == [
        "Cornering grip is worth most: 1 % more saves 0.10 s a lap, most of it in corners 1 and 3.",
        "5 kg more cost 0.08 s.",
    ]
    assert pays_words([worth(), MASS], (), None, IMPERIAL)[1] == "10 lb more cost 0.07 s."
    assert shown(MASS, IMPERIAL).worth(MASS) == pytest.approx(0.016 * 0.45359237)
    assert shown(MASS, METRIC).value(MASS) == "160 kg"


def test_a_corner_that_half_the_change_contradicts_is_not_named():
    assert most_changed(MASS) == [(3, 0.0195), (2, 0.004)]
    nothing = (np.nan,) * 3
    hidden = worth(corners=nothing, moved=nothing, gained=(np.nan,) * 5, reason="other limits hold")
    assert most_changed(hidden) == []
    assert pays_table([hidden]).splitlines()[-1].endswith("withheld")
    notes = table_notes([hidden, MASS], load_track(PLACE), solved(PLACE, KART))
    assert "Corners withheld for cornering grip: other limits hold." in notes
    assert pays_words([hidden], (), None) == ["Cornering grip is worth most: 1 % more saves 0.10 s a lap."]


def lap(teeth, apart, reason=""):
    return SprocketLap(
        axle_teeth=teeth, lap_time=47.0 + apart, apart=apart, top_speed=30.0, top_rpm=13e3, reason=reason
    )


@pytest.mark.parametrize(
    ("laps", "said"),
    [
        ([lap(75, -0.02), lap(76, 0.0), lap(77, 0.04)], "75 are fastest: 0.020 s faster than your 76; fewer teeth"),
        (
            [lap(75, 0.02), lap(76, 0.0), lap(77, 0.04)],
            "No axle sprocket of 75 to 77 teeth is faster than yours of 76.",
        ),
        ([lap(75, 0.02), lap(76, 0.0), lap(77, -1e-5)], "No axle sprocket of 75 to 77 teeth"),
        ([lap(75, np.nan, "no"), lap(76, 0.0), lap(77, -0.04), lap(78, 0.0)], "of 76 to 78 teeth, 77 are fastest"),
    ],
)
def test_the_best_sprocket_is_said(laps, said):
    assert said in pays_words([worth(), MASS], laps, 76)[-1]


def test_neighbouring_sprockets_are_laps_of_karts_with_other_teeth():
    """Beside a lap solved from nothing by the public function, and revs by arithmetic."""
    track, kart = load_track(PLACE), load_kart(KART)
    rows = {row.axle_teeth: row for row in sprocket_laps(track, kart, solved(PLACE, KART), around=1)}
    assert sorted(rows) == [56, 57, 58]
    assert rows[57].apart == 0.0
    engine = replace(kart.engine, ratios=(58 / 19,))
    other = solve_min_time(track, replace(kart, engine=engine))
    assert rows[58].lap_time == pytest.approx(other.lap_time, abs=other.time_error + solved(PLACE, KART).time_error)
    assert rows[58].apart == pytest.approx(rows[58].lap_time - rows[57].lap_time)
    assert rows[58].top_rpm == pytest.approx(rows[58].top_speed / 0.86 * 58 / 19 * 60.0)
    plain = replace(kart, engine=replace(kart.engine, ratios=(3.0,)))
    assert sprocket_laps(track, plain, solved(PLACE, KART)) == ()


def test_a_sprocket_that_cannot_be_is_a_row_with_its_reason():
    kart = load_kart(KART)
    small = replace(kart, engine=replace(kart.engine, ratios=replace(kart.engine.ratios, axle_teeth=5, engine_teeth=5)))
    rows = sprocket_laps(load_track(PLACE), small, solved(PLACE, KART), around=1)
    assert [bool(row.reason) for row in rows] == [True, False, False]
    assert "5 to 200 teeth" in rows[0].reason


def test_the_line_is_widest_where_most_is_saved():
    """Readable without colour."""
    track, solution = load_track(PLACE), solved(PLACE, KART)
    s = np.linspace(0.0, track.length, 201)
    place = 0.6 * track.length
    bump = -0.05 * 0.5 * (1.0 + np.tanh((s - place) / 15.0))
    figure = plot_map(track, load_kart(KART), solution.lap, worth(s=s, gained=bump, lap=-0.05))
    lines = max(figure.findobj(LineCollection), key=lambda found: len(found.get_linewidths()))
    widths = np.asarray(lines.get_linewidths())
    nodes = solution.lap.line.s
    assert abs(0.5 * (nodes[1:] + nodes[:-1])[int(np.argmax(widths))] - place) < 12.0
    assert widths.max() > 2.5 * np.median(widths)


def test_the_command_writes_figures_that_add_up(capsys, tmp_path):
    out = tmp_path / "pays"
    assert cli.run(["pays", PLACE, KART, "--out", str(out), "--teeth", "1", "--reverse", "--grip", "0.6"]) == 0
    printed = capsys.readouterr().out
    assert printed.splitlines()[0].endswith(".")
    assert "is worth most: 1 % " in printed.splitlines()[0]
    assert "Grip: 60% of the kart file's." in printed
    assert "Each of these laps is solved." in printed
    names = ["what_pays.csv", "what_pays.json", "what_pays.png", "what_pays_along.png"]
    assert sorted(path.name for path in out.glob("what_pays*")) == [
        *names,
        "what_pays_map_1.png",
        "what_pays_map_2.png",
    ]
    data = json.loads((out / "what_pays.json").read_text(encoding="utf-8"))
    assert (data["format"], data["version"], data["grip_factor"]) == ("linelab what pays", 1, 0.6)
    assert [row["axle_sprocket_teeth"] for row in data["axle_sprockets"]] == [56, 57, 58]
    told = [one for one in data["numbers"] if "withheld" not in one]
    assert len(told) > 0.8 * len(data["numbers"])
    for one in told:
        parts = one["corners_s_for_one_per_cent"]
        assert sum(parts.values()) == pytest.approx(one["gained_s"][-1], abs=1e-5)
        assert len(one["gained_s"]) == len(data["stations_m"])
    with (out / "what_pays.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["words"] for row in rows] == [one["words"] for one in data["numbers"]]
    assert [float(row["lap_s_for_one_per_cent"]) for row in rows] == [
        one["lap_s_for_one_per_cent"] for one in data["numbers"]
    ]
