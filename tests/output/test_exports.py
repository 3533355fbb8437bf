"""Exports carry every figure with its uncertainty, the cautions and the survey note, and never leave half a file."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re

import hypothesis
import hypothesis.strategies as st
import jsonschema
import pytest
from simulated import as_lap, drive, make_track, record

from linelab.coaching.coach_words import MARK_KEYS, MARKS
from linelab.coaching.session import review_session
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.text import csv_text
from linelab.measured import withheld
from linelab.motion.estimate import estimate_laps
from linelab.output.display import CAUTIONS
from linelab.output.lap_files import collect, laps_csv
from linelab.output.reference_report import corners_csv
from linelab.output.review_data import review_schema, save_corners_csv, save_review_json
from linelab.output.review_text import lap_table, review_lines
from linelab.recorded.laps import complete_laps, split_laps

TRACK = make_track()
DRIVES = [drive(TRACK, speed=lambda s, v=v: v + 0.0 * s) for v in (14.0, 14.1, 13.9)]
LAPS = split_laps(record(DRIVES), TRACK)


@pytest.fixture(scope="module")
def review():
    driven = estimate_laps(TRACK, complete_laps(LAPS))
    kart = load_kart("rental-four-stroke")
    return review_session(TRACK, kart, driven, as_lap(drive(TRACK)), cleaning=("two samples left out",))


def test_json_holds_figures_reasons_cautions_and_survey(review, tmp_path):
    path = tmp_path / "out of season" / "review.json"
    save_review_json(review, path, settings={"kart": "plain", "file": tmp_path / "run.csv"})
    data = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.validate(data, review_schema())
    assert data["cautions"] == CAUTIONS
    assert data["settings"] == {"kart": "plain", "file": "run.csv"}
    assert data["track"]["survey"]["kind"] == TRACK.survey.kind
    assert data["cleaning"] == ["two samples left out"]
    assert [lap["label"] for lap in data["laps"]] == [lap.label for lap in complete_laps(LAPS)]
    first = data["laps"][0]
    parts = sum(corner["time_lost_s"]["value"] for corner in first["corners"])
    assert parts == pytest.approx(first["gap_s"]["value"], abs=1e-9)
    corner = first["corners"][0]
    assert corner["time_lost_s"]["sigma"] > 0.0
    assert corner["marks"]["apex_miss_m"]["driven"]["value"] is None
    assert "position error" in corner["marks"]["apex_miss_m"]["driven"]["reason"]


def test_the_schema_knows_every_mark():
    """A mark that is defined anew must be published too."""
    published = review_schema()["$defs"]["corner"]["properties"]["marks"]["properties"]
    assert set(published) == set(MARK_KEYS.values())
    assert len(MARK_KEYS) == len(MARKS)


def read(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    comments = [line for line in lines if line.startswith("#")]
    return comments, list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_csv_by_corner_and_lap(review, tmp_path):
    save_corners_csv(review, tmp_path / "corners.csv")
    comments, rows = read(tmp_path / "corners.csv")
    assert f"# {CAUTIONS}" in comments
    parts = [(lap.label, part) for lap in review.laps for part in lap.corners]
    assert [(row["lap"], int(row["corner"])) for row in rows] == [(label, part.corner.number) for label, part in parts]
    for row, (_, part) in zip(rows, parts):
        assert float(row["time_lost_s"]) == pytest.approx(part.time_lost.value, rel=1e-6)
        assert float(row["time_lost_s_sigma"]) == pytest.approx(part.time_lost.sigma, rel=1e-6)
        assert row["apex_miss_m"] == ""
        assert "position error" in row["apex_miss_m_reason"]
        phases = sum(float(row[f"{name}_lost_s"]) for name, _ in part.phases)
        assert phases == pytest.approx(part.time_lost.value, abs=1e-5)


def test_the_terminal_says_the_verdict_and_why_laps_are_left_out(review):
    lines = review_lines(review, LAPS)
    assert lines[0].startswith(f"{TRACK.name}: lap 2 ")
    assert review.verdict in lines
    assert lines[-1] == CAUTIONS
    table = lap_table(review, LAPS).split("\n")
    assert [line.split("  ")[0] for line in table[2:]] == ["out lap", "lap 1", "lap 2", "lap 3", "in lap"]
    assert "before the first crossing of the start line" in table[2]
    reason = "this kart file does not fit"
    for kept, said in (
        ((("line", reason),), "than chance"),
        ((("line", reason), ("feet", reason)), "What to work on cannot be said: this kart file does not"),
    ):
        nothing = dataclasses.replace(review, priorities=(), withheld=kept)
        assert any(said in line for line in review_lines(nothing))


def test_a_stake_that_is_withheld_is_said_to_be(review):
    if not review.priorities:
        pytest.skip("nothing to work on in this session")
    first = dataclasses.replace(review.priorities[0], at_stake=withheld("too few laps"))
    lines = review_lines(dataclasses.replace(review, priorities=(first,)))
    assert any("time not known" in line for line in lines)


def test_a_failed_write_leaves_the_old_file(review, tmp_path):
    path = tmp_path / "review.json"
    path.write_text("old")
    with pytest.raises(InputError):
        save_review_json(review, path / "inside a file.json")
    assert path.read_text() == "old"
    assert [item.name for item in tmp_path.iterdir()] == ["review.json"]


def _formulas(text):
    """Cells that a spreadsheet computes, whichever delimiter it splits the lines by; numbers are none, nor is a
    number with the cells after it."""
    rows = [row for delimiter in ",;\t" for row in csv.reader(io.StringIO(text), delimiter=delimiter)]
    cells = [cell.strip() for row in rows for cell in row]
    number = re.compile(r"[-+]?[\d.]+(e[-+]?\d+)?(,.*)?", re.IGNORECASE | re.DOTALL)
    return [cell for cell in cells if cell[:1] in tuple("=+-@＝＋－＠") and not number.fullmatch(cell)]


@hypothesis.given(
    rows=st.lists(st.lists(st.text("=+-@\t\r\n ,;'\"a1＝\x1b"), min_size=1, max_size=3), max_size=3),
    comment=st.text("=,;\r\n@a"),
)
@hypothesis.example(rows=[["", ';"=']], comment="")
def test_no_text_becomes_a_formula(rows, comment):
    assert _formulas(csv_text(rows, [comment])) == []


def test_numbers_stay_numbers_and_text_stays_legible():
    row = [-1.5, "-2.5e-05", "+3", 4, "", "lap 1", "a, b", "turn\n2", "x\x1b[31m"]
    read = next(csv.reader(io.StringIO(csv_text([row]))))
    assert read == ["-1.5", "-2.5e-05", "+3", "4", "", "lap 1", "a, b", "turn 2", "x\ufffd[31m"]


def test_names_from_files_are_no_formulas_in_any_table(review, tmp_path):
    bad, replace = "=HYPERLINK(1);\t@x,+1+1", dataclasses.replace
    track = replace(review.track, name=bad, corners=tuple(replace(corner, name=bad) for corner in review.track.corners))
    laps = []
    for lap in review.laps:
        parts = tuple(replace(part, corner=replace(part.corner, name=bad)) for part in lap.corners)
        laps.append(replace(lap, label=bad, comparison=replace(lap.comparison, corners=parts)))
    save_corners_csv(replace(review, track=track, laps=tuple(laps), notes=(bad,)), tmp_path / "corners.csv")
    exported = collect(track, replace(review.reference, label=bad), review.kart)
    texts = [
        (tmp_path / "corners.csv").read_text(encoding="utf-8"),
        laps_csv(replace(exported, notes=(bad,))),
        corners_csv(track, review.reference, review.kart),
    ]
    assert [_formulas(text) for text in texts] == [[], [], []]
    assert all("'=HYPERLINK" in text for text in texts)
