"""Laps and solutions in files: equal when read again, text whatever it holds, and refused when it is something else."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import numpy as np
import pytest

import linelab
from linelab.errors import FileFormatError, InputError
from linelab.model.kart import Driver


@pytest.fixture(scope="module")
def track():
    return linelab.load_track("tinmarsh_rental")


@pytest.fixture(scope="module")
def kart():
    return linelab.load_kart("rental-four-stroke")


@pytest.fixture(scope="module")
def solution(track, kart):
    return linelab.solve_min_time(track, kart)


LABELS = [
    "",
    "lap 3",
    'a "b", c; d\n| \t',
    "=1+1",
    "-lap",
    "@x",
    "round \u8d5b\u9053 \U0001f3ce",
    "\\u003d",
    "closed: false",
    "＝1",
]


@pytest.mark.parametrize("label", LABELS)
def test_a_lap_is_read_again_as_it_was(solution, label, tmp_path):
    lap = replace(solution.lap, label=label)
    linelab.save_lap(lap, tmp_path / "lap.csv")
    assert linelab.load_lap(tmp_path / "lap.csv") == lap


@pytest.mark.parametrize("label", LABELS)
@pytest.mark.parametrize("delimiter", ",;\t|")
def test_no_spreadsheet_finds_a_formula(solution, label, delimiter, tmp_path):
    linelab.save_lap(replace(solution.lap, label=label), tmp_path / "lap.csv")
    head = (tmp_path / "lap.csv").read_text(encoding="utf-8").split("\n")[:4]
    cells = [cell.strip() for row in csv.reader(head, delimiter=delimiter) for cell in row]
    assert [cell for cell in cells if cell[:1] in tuple("=+-@＝＋－＠")] == []


def test_an_open_lap_stays_open(solution, tmp_path):
    cut = {name: getattr(solution.lap.line, name)[:900] for name in ("distance", *linelab.model.lap.LINE_FIELDS)}
    nodes = {name: getattr(solution.lap, name)[:900] for name in ("t", "v", "ax", "limited_by")}
    lap = replace(solution.lap, line=replace(solution.lap.line, **cut, closed=False), **nodes)
    linelab.save_lap(lap, tmp_path / "lap.csv")
    assert linelab.load_lap(tmp_path / "lap.csv") == lap != solution.lap


def test_the_lap_that_the_command_writes_can_be_read(track, kart, solution, tmp_path):
    from linelab.output.reference_report import save_reference

    save_reference(tmp_path / "out", track, kart, solution, pictures=False)
    lap = linelab.load_lap(tmp_path / "out" / "reference_lap.csv")
    assert lap.lap_time == pytest.approx(solution.lap.lap_time, abs=1e-5)
    np.testing.assert_allclose(lap.line.x, solution.lap.line.x, atol=1e-4)


@pytest.mark.parametrize("case", ["plain", "unchecked", "rates", "moved"])
def test_a_solution_is_read_again_as_it_was(track, kart, solution, case, tmp_path):
    found = solution
    if case == "unchecked":
        found = linelab.solve_min_time(track, kart, verify=False, grip=0.8)
        assert found.verification is None
    if case == "rates":
        found = linelab.solve_min_time(track, replace(kart, driver=Driver(brake_build_rate=60.0)))
        assert found.verification.unlimited_time is not None
    if case == "moved":
        found = replace(
            solution, iterate=solution.iterate._replace(moved=np.full((2, solution.iterate.structure.stages, 2), 0.1))
        )
    linelab.save_solution(found, tmp_path / "solution.json")
    again = linelab.load_solution(tmp_path / "solution.json")
    assert again == found
    assert hash(again) == hash(found)


def test_a_solution_read_again_starts_another(track, kart, solution, tmp_path):
    linelab.save_solution(solution, tmp_path / "solution.json")
    warm = linelab.load_solution(tmp_path / "solution.json")
    grip = {"grip": 0.97}
    ways = [linelab.solve_min_time(track, kart, warm=start, **grip).lap for start in (solution, warm)]
    assert ways[0] == ways[1]


def test_every_figure_of_a_check_has_its_unit(solution, tmp_path):
    linelab.save_solution(solution, tmp_path / "solution.json")
    checked = json.loads((tmp_path / "solution.json").read_text(encoding="utf-8"))["checked"]
    plain = {name for name in checked if not name.endswith(("_s", "_m", "_mps", "_mps2", "_1pm"))}
    assert plain == {"grip_excess", "engine_excess"}  # shares


def _spoil_lap(text: str, how: str) -> str:
    lines = text.splitlines()
    return {
        "no comments": "\n".join(lines[3:]),
        "no rows": "\n".join(lines[:4]),
        "row cut off": text[: len(text) // 2],
        "a gap": text.replace("0.0", "nan", 1),
        "word": text.replace(",drive\n", ",wings\n", 1),
        "column gone": text.replace("psi_rad", "phi_rad"),
        "time runs back": "\n".join([*lines[:4], lines[6], lines[5], *lines[7:]]),
    }[how]


@pytest.mark.parametrize(
    "how", ["no comments", "no rows", "row cut off", "a gap", "word", "column gone", "time runs back"]
)
def test_a_spoilt_lap_is_refused(solution, how, tmp_path):
    linelab.save_lap(solution.lap, tmp_path / "lap.csv")
    text = (tmp_path / "lap.csv").read_text(encoding="utf-8")
    spoilt = _spoil_lap(text, how)
    assert spoilt != text
    (tmp_path / "lap.csv").write_text(spoilt, encoding="utf-8")
    with pytest.raises(FileFormatError, match=r"lap\.csv: cannot be read .*expected a lap"):
        linelab.load_lap(tmp_path / "lap.csv")


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data.update(version=99),
        lambda data: data.pop("iterate"),
        lambda data: data["iterate"].pop("x"),
        lambda data: data["iterate"].update(x=None),
        lambda data: data["iterate"].update(x=[[1.0]]),
        lambda data: data["iterate"]["mesh"].update(closed=None),
        lambda data: data["iterate"]["structure"].update(intervals="many"),
        lambda data: data["iterate"]["reference"].update(x=[0.0]),
        lambda data: data["iterate"].update(moved=[[[0.0]]]),
        lambda data: data["checked"].pop("edge_excess_m"),
        lambda data: data["lap"].update(t_s=[]),
        lambda data: data.update(lap=[]),
        lambda data: data.update(lap_time_s="soon"),
    ],
)
def test_a_spoilt_solution_is_refused(solution, change, tmp_path):
    linelab.save_solution(solution, tmp_path / "solution.json")
    data = json.loads((tmp_path / "solution.json").read_text(encoding="utf-8"))
    change(data)
    (tmp_path / "solution.json").write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(FileFormatError, match=r"solution\.json: cannot be read .*expected a solution"):
        linelab.load_solution(tmp_path / "solution.json")


@pytest.mark.parametrize("text", ["[]", "1", "null", "{", "\0", "[" * 100_000, '{"format": "linelab review"}'])
def test_another_file_is_no_solution(text, tmp_path):
    (tmp_path / "other.json").write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError):
        linelab.load_solution(tmp_path / "other.json")


@pytest.mark.parametrize("name", ["lap.json", "lap", "lap.csv.gz"])
def test_endings_say_what_is_in_a_file(solution, name, tmp_path):
    with pytest.raises(InputError, match=r"saved as CSV.*Use a name ending in \.csv"):
        linelab.save_lap(solution.lap, tmp_path / name)
    assert not list(tmp_path.iterdir())
