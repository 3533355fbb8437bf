"""Exports carry every figure with its uncertainty, the cautions and the survey note, and never leave half a file."""

from __future__ import annotations

import csv
import dataclasses
import json

import numpy as np
import pytest
from simulated import as_lap, drive, make_track, record

from linelab.comparison.compare import compare
from linelab.comparison.estimate import estimate_lap
from linelab.comparison.laps import complete_laps, split_laps
from linelab.comparison.measured import Measured
from linelab.errors import InputError
from linelab.report.display import CAUTIONS, IMPERIAL
from linelab.report.exports import save_corners_csv, save_nodes_csv, save_review_json
from linelab.report.review_text import lap_rows, review_rows, review_text, review_words

TRACK = make_track()
LAPS = split_laps(record([drive(TRACK, speed=lambda s: 14.0 + 0.0 * s)] * 2), TRACK)
REVIEW = compare(TRACK, as_lap(drive(TRACK)), estimate_lap(TRACK, complete_laps(LAPS)[0]))


def test_json_holds_figures_reasons_cautions_and_survey(tmp_path):
    path = tmp_path / "out of season" / "review.json"
    save_review_json(REVIEW, path, settings={"kart": "plain", "file": tmp_path / "run.csv"})
    data = json.loads(path.read_text(encoding="utf-8"))
    assert data["schema"] == 1
    assert data["cautions"] == CAUTIONS
    assert data["survey"]["kind"] == "widths" or data["survey"]["kind"] == "surveyed"
    assert data["settings"]["kart"] == "plain"
    assert data["lap_gap_s"]["value"] == REVIEW.lap_gap.value
    assert sum(segment["time_lost_s"] for segment in data["segments"]) == pytest.approx(REVIEW.lap_gap.value, abs=1e-9)
    first = data["corners"][0]
    assert first["time_lost_s"]["sigma"] > 0.0
    assert first["apex_miss_m"]["value"] is None
    assert "position bias" in first["apex_miss_m"]["reason"]
    assert sorted(data["ranking"]) == [corner["number"] for corner in data["corners"]]


def read(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    comments = [line for line in lines if line.startswith("#")]
    return comments, list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_csv_by_corner_and_by_node(tmp_path):
    save_corners_csv(REVIEW, tmp_path / "corners.csv")
    comments, rows = read(tmp_path / "corners.csv")
    assert f"# {CAUTIONS}" in comments
    assert [int(row["corner"]) for row in rows] == [review.corner.number for review in REVIEW.corners]
    for row, review in zip(rows, REVIEW.corners):
        assert float(row["time_lost_s"]) == pytest.approx(review.time_lost.value, rel=1e-6)
        assert float(row["time_lost_s_sigma"]) == pytest.approx(review.time_lost.sigma, rel=1e-6)
        assert row["apex_miss_m"] == ""
        assert "position bias" in row["apex_miss_m_reason"]
    save_nodes_csv(REVIEW, tmp_path / "nodes.csv")
    _, rows = read(tmp_path / "nodes.csv")
    np.testing.assert_allclose([float(row["gap_s"]) for row in rows], REVIEW.gap, atol=1e-5)


def test_text_in_metric_and_imperial():
    rows, miles = review_rows(REVIEW), review_rows(REVIEW, units=IMPERIAL)
    assert len(rows) == 1 + len(REVIEW.corners)
    assert "min km/h" in rows[0]
    assert "min mph" in miles[0]
    at = rows[0].index("ref km/h")
    # 15 m/s is 54 km/h and 33.6 mph (1609.344 m a mile, exact).
    assert {row[at] for row in rows[1:]} == {"54.0"}
    assert {row[at] for row in miles[1:]} == {"33.6"}
    lost = [float(row[1].split()[0]) for row in rows[1:]]
    assert lost == sorted(lost, reverse=True)
    text = review_text(REVIEW)
    assert CAUTIONS in text
    tables = [line for line in text.split("\n") if line[:1].isdigit()]
    assert len(tables) == 2 * len(REVIEW.corners)
    assert max(len(line) for line in tables) <= 80
    assert "withheld: position bias ±1.5 m: apex distance not reported (corner 1, 2" in text


def test_words_say_only_what_is_clear():
    words = review_words(REVIEW)
    ranked = sorted(REVIEW.corners, key=lambda review: -review.time_lost.value)
    assert words[1] == "Most time is lost in"
    assert f"corner {ranked[0].corner.number}: +" in words[2]
    assert not any("apex" in line for line in words)  # withheld: the position bias does not allow it
    doubt = Measured(ranked[0].time_lost.value, ranked[0].time_lost.value)
    unclear = tuple(dataclasses.replace(review, time_lost=doubt) for review in REVIEW.corners)
    assert review_words(dataclasses.replace(REVIEW, corners=unclear)) == []


def test_laps_as_rows():
    rows = lap_rows(LAPS)
    assert [row[0] for row in rows] == ["lap", "out lap", "lap 1", "lap 2", "in lap"]
    assert rows[1][1] == "-"
    assert rows[1][4] == "before the first crossing of the start line"


def test_a_failed_write_leaves_the_old_file(tmp_path):
    path = tmp_path / "review.json"
    path.write_text("old")
    with pytest.raises(InputError):
        save_review_json(REVIEW, path / "inside a file.json")
    assert path.read_text() == "old"
    assert [item.name for item in tmp_path.iterdir()] == ["review.json"]
