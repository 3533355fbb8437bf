"""linelab sweep: values of fields, tables, picture, and what is refused."""

from __future__ import annotations

import csv
from dataclasses import replace

import matplotlib
import numpy as np
import pytest

import linelab
from linelab.cli import main as cli
from linelab.cli.what_if.run_sweep import _lines, _values
from linelab.output.draw.style import GAIN, LOSS
from linelab.output.draw.sweep_picture import drawn_fields, plot_sweep
from linelab.study.sweeping.sweep_plan import CornerResult, SweptCase

PLACE = ["tinmarsh_rental", "rental-four-stroke"]


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("mass_kg=150:170:5", [150, 155, 160, 165, 170]),
        ("tyres.mu_lateral=1.5:1.8:0.1", [1.5, 1.6, 1.7, 1.8]),  # without the last digits of sums
        ("grip=0.8, 0.9,1", [0.8, 0.9, 1]),
        ("mass_kg=150:151:5", [150]),
        ("four_wheel_brakes=true,false", [True, False]),
        ("engine.axle_sprocket_teeth=74:78:2", [74, 76, 78]),
        ("grip=dry, damp,wet", ["dry", "damp", "wet"]),
        ("tyres=slicks,wets", ["slicks", "wets"]),
    ],
)
def test_values_of_a_field(text, values):
    found = _values(text, "--vary")[1]
    assert found == values
    assert list(map(type, found)) == list(map(type, values))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--vary", "mass_kg=a"], "'a' in 'mass_kg=a' is not a number"),
        (["--vary", "mass_kg=170:150:5"], "upwards"),
        (["--vary", "mass_kg=150:170:0"], "upwards"),
        (["--vary", "mass_kg"], "is not a number"),
        (["--vary", "mass_kg=wet"], "'wet' in 'mass_kg=wet' is not a number"),
        (["--vary", "grip=wet,0.9"], "in words and in numbers"),
        (["--vary", "tyres=slicks,wets", "--grip", "0.9"], "tyres go with a condition in words"),
        (["--vary", "grip=0.9,1", "--tyres", "wets"], "--tyres goes with --grip dry"),
        (["--hypercube", "3", "--between", "grip=0.9:1", "--tyres", "wets"], "--tyres goes with --grip dry"),
        ([], "--hypercube with --between"),
        (["--hypercube", "5"], "--hypercube with --between"),
        (["--between", "mass_kg=150:160"], "--hypercube with --between"),
        (["--vary", "grip=1", "--hypercube", "5", "--between", "mass_kg=150:160"], "--hypercube with --between"),
        (["--hypercube", "5", "--between", "mass_kg=150"], "FIELD=LOW:HIGH"),
        (["--vary", "tyre.mu_lateral=1"], "did you mean tyres?"),
        (["--vary", "grip=1", "--other-track", "tinmarsh_rental"], "two tracks"),
    ],
)
def test_what_cannot_be_is_refused_on_one_line(tmp_path, monkeypatch, capsys, options, said):
    monkeypatch.chdir(tmp_path)
    assert cli.run(["sweep", *PLACE, *options, "--out", "out"]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert said in error


def test_tables_picture_and_a_second_run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    command = ["sweep", *PLACE, "--other-kart", "junior-single-speed", "--vary", "overall_width_m=1.3,1.35"]
    command += ["--vary", "grip=0.9,1", "--jobs", "1", "--out", "out", "--also", "parquet"]
    assert cli.run(command) == 0
    first = capsys.readouterr().out
    assert "8 of 8 laps computed." in first
    assert "Junior" in first
    names = {item.name for item in (tmp_path / "out").iterdir()}
    assert names == {"linelab_files.json", "sweep.csv", "sweep.parquet", "sweep.png", "sweep.sqlite"}
    rows = list(csv.DictReader((tmp_path / "out" / "sweep.csv").open(encoding="utf-8")))
    assert [row["grip"] for row in rows] == ["0.9", "1"] * 4
    wide, narrow = (
        linelab.solve_min_time(
            linelab.load_track(PLACE[0]), replace(linelab.load_kart(PLACE[1]), width=width), grip=1.0
        ).lap_time
        for width in (1.35, 1.3)
    )
    assert float(rows[3]["lap_time_s"]) == pytest.approx(wide, abs=2e-3)
    assert float(rows[1]["lap_time_s"]) == pytest.approx(narrow, abs=2e-3)
    monkeypatch.setattr("linelab.study.sweeping.sweep.solve_case", None)  # nothing is solved again
    assert cli.run(command) == 0
    assert capsys.readouterr().out == first
    assert cli.run([*command, "--grip", "0.6"]) == 2
    assert "another plan (not the same: options)" in capsys.readouterr().err


def _case(number, mass, grip, times, **more):
    corners = tuple(CornerResult(k + 1, time, 10.0) for k, time in enumerate(times))
    values, lap_time = {"mass_kg": mass, "grip": grip}, sum(times) if times else None
    given = {"outcome": "verified" if times else "failed", "time_error": 0.001, **more}
    return SweptCase(number=number, track="T", kart="K", values=values, lap_time=lap_time, corners=corners, **given)


def test_the_picture_shows_laps_failures_and_what_each_corner_gains():
    cases = [
        _case(1, 150.0, 1.0, [10.0, 21.0]),
        _case(2, 170.0, 1.0, [12.0, 20.5]),
        _case(3, 160.0, 1.0, [11.0, 20.8]),
        _case(4, 180.0, 1.0, [], reason="too heavy"),
    ]
    assert drawn_fields(cases) == ["mass_kg"]
    left, right = plot_sweep(cases, ["mass_kg"]).axes
    laps, failed = left.lines
    np.testing.assert_allclose(laps.get_xydata(), [[150.0, 31.0], [160.0, 31.8], [170.0, 32.5]])
    assert list(failed.get_xdata()) == [180.0]
    bars = {bar.get_width(): bar for bar in right.patches}
    assert set(bars) == {2.0, -0.5}
    assert matplotlib.colors.to_hex(bars[2.0].get_facecolor()) == GAIN
    assert matplotlib.colors.to_hex(bars[-0.5].get_facecolor()) == LOSS
    assert bars[2.0].get_height() < bars[-0.5].get_height()  # colours are not needed
    assert "150 against 170: 1.500 s quicker" in right.get_title(loc="left")


def test_two_fields_are_drawn_as_lines_of_equal_lap_time():
    cases = [
        _case(k, m, g, [m / 10.0, 20.0 / g])
        for k, (m, g) in enumerate([(150, 1.0), (150, 0.8), (170, 1.0), (170, 0.8)])
    ]
    assert drawn_fields(cases) == ["mass_kg", "grip"]
    left, _ = plot_sweep(cases, drawn_fields(cases)).axes
    (contours,) = (item for item in left.collections if hasattr(item, "levels"))
    assert 35.0 < min(contours.levels[1:]) < max(contours.levels[:-1]) < 42.0
    low, high = left.get_xlim()
    assert low < 150.0
    assert high > 170.0


def test_each_condition_has_a_panel_of_its_own():
    cases = [
        replace(_case(k, mass, 1.0, [mass / 10.0, more]), values={"mass_kg": mass, "grip": word})
        for k, (mass, word, more) in enumerate(
            [(150.0, "dry", 20.0), (150.0, "wet", 30.0), (170.0, "dry", 20.0), (170.0, "wet", 30.0)]
        )
    ]
    assert drawn_fields(cases) == ["mass_kg"]
    dry, _, wet, _ = plot_sweep(cases, ["mass_kg"]).axes
    assert (dry.get_title(loc="left"), wet.get_title(loc="left")) == ("T, K, dry", "T, K, wet")
    np.testing.assert_allclose(dry.lines[0].get_xydata(), [[150.0, 35.0], [170.0, 37.0]])
    np.testing.assert_allclose(wet.lines[0].get_xydata(), [[150.0, 45.0], [170.0, 47.0]])


@pytest.mark.parametrize("count", [0, 1, 2])
def test_few_laps_are_drawn_too(count):
    cases = [_case(k, 150.0 + k, 1.0 - 0.1 * k, [10.0, 20.0] if k < count else [], reason="no") for k in range(3)]
    for fields in (["mass_kg"], ["mass_kg", "grip"]):
        plot_sweep(cases, fields).canvas.draw()


def test_failures_alike_are_told_once():
    cases = [_case(k, 150.0 + k, 1.0, [], reason="no grip." if k else "other.") for k in range(4)]
    lines = _lines(cases)
    assert lines[0] == "0 of 4 laps computed."
    assert lines[1:] == [
        "No lap with mass_kg = 150, grip = 1: other.",
        "No lap with mass_kg = 151, grip = 1 (2 more alike): no grip.",
    ]
