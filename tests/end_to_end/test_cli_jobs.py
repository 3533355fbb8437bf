"""The main jobs through the command line: from names and files to tables, data and pictures."""

from __future__ import annotations

import csv
import dataclasses
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import zlib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from shared import solved

import linelab
from linelab.cli import main as cli
from linelab.cli.demo import demo_recording
from linelab.files.bundled import DEMO_KART, DEMO_TRACK, bundled_karts, bundled_tracks
from linelab.files.recordings.load_recording import load_recording
from linelab.files.recordings.table import save_recording
from linelab.files.tracks.track_file import load_track, save_track
from linelab.files.writing import MANIFEST
from linelab.output.review_data import review_schema

ROOT = Path(__file__).resolve().parents[2]


def _run(capsys, *arguments):
    code = cli.run([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    assert code == 0, captured.err
    return captured.out, captured.err


def _names(folder):
    return sorted(item.name for item in folder.iterdir())


def test_driver_prepares_for_an_unfamiliar_track(capsys, tmp_path):
    out = tmp_path / "my lap"
    text, _ = _run(capsys, "reference", "tinmarsh_rental", "rental-four-stroke", "--out", out, "--corner", "1")
    data = json.loads((out / "reference_lap.json").read_text(encoding="utf-8"))
    track = load_track("tinmarsh_rental")
    assert _names(out) == sorted(
        [
            MANIFEST,
            "corner_01.png",
            "reference_corners.csv",
            "reference_lap.csv",
            "reference_lap.json",
            "reference_lap.png",
        ]
    )
    assert [corner["number"] for corner in data["corners"]] == [corner.number for corner in track.corners]
    assert sum(corner["time_s"] for corner in data["corners"]) == pytest.approx(data["lap_time_s"], abs=1e-6)
    assert data["lap_time_error_s"] <= 2e-3
    assert "Computed limits are not targets" in text
    assert f"{data['lap_time_s']:.3f}" in text
    with (out / "reference_lap.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert float(rows[-1]["t_s"]) == pytest.approx(data["lap_time_s"], abs=1e-3)
    inside = np.array([float(row["n_m"]) for row in rows])
    s = np.array([float(row["s_m"]) for row in rows])
    kerb = 1.5
    assert (inside <= np.interp(s, track.s, track.w_left) + kerb).all()
    assert (inside >= -np.interp(s, track.s, track.w_right) - kerb).all()


def test_a_lap_off_the_kerbs_says_so(capsys, tmp_path):
    for option, allowed in (("--no-kerbs", False), ("--kerbs", True)):
        out = tmp_path / option
        common = ("reference", "tinmarsh_rental", "rental-four-stroke", "--no-pictures", "--out", out)
        text, _ = _run(capsys, *common, option)
        assert ("No kerb is used." in text) is not allowed
        assert json.loads((out / "reference_lap.json").read_text())["kerbs_allowed"] is allowed


def test_a_wet_day_is_named_and_nobody_is_sent_over_kerbs(capsys, tmp_path):
    """Tyres make the difference; with a groove and kerbs in the file the lap says what it keeps off."""
    times = {}
    for tyres in ("slicks", "wets"):
        out = tmp_path / tyres
        common = ("reference", "tinmarsh_rental", "rental-four-stroke", "--no-pictures", "--out", out)
        text, _ = _run(capsys, *common, "--grip", "wet", "--tyres", tyres)
        assert f"Wet track, on {'slicks' if tyres == 'slicks' else 'wet tyres'}: " in text
        assert "No kerb is used" in text
        found = json.loads((out / "reference_lap.json").read_text())
        assert found["kerbs_allowed"] is False
        assert (found["conditions"]["weather"], found["conditions"]["tyres"]) == ("wet", tyres)
        times[tyres] = found["lap_time_s"]
    assert times["wets"] < times["slicks"] - 2.0


@pytest.mark.slow
def test_a_drawn_groove_is_told_with_what_it_costs_to_leave_it(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    line = linelab.solve_min_time(track, kart, verify=False).lap.line
    linelab.save_track(dataclasses.replace(track, groove=linelab.groove_along(track, line)), "rubbered.geojson")
    text, _ = _run(capsys, "track", "rubbered.geojson")
    assert "A rubbered groove 2.2 m wide: grip 1.00 in it, 0.95 beside it, 0.85 on the marbles" in text
    text, _ = _run(capsys, "reference", "rubbered.geojson", "rental-four-stroke", "--no-pictures", "--out", "lap")
    assert "Half a kart's width (0.70 m) outside the groove at the apex costs" in text
    assert all(f"corner {corner.number} 0." in text for corner in track.corners)


def test_less_grip_is_slower_and_display_units_do_not_reach_the_files(capsys, tmp_path):
    dry, wet = tmp_path / "dry", tmp_path / "wet"
    _run(capsys, "reference", "tinmarsh_rental", "rental-four-stroke", "--out", dry, "--no-pictures")
    text, _ = _run(
        capsys,
        *("reference", "tinmarsh_rental", "rental-four-stroke", "--out", wet, "--no-pictures"),
        *("--grip", "0.45", "--units", "imperial"),
    )
    first, second = (json.loads((folder / "reference_lap.json").read_text()) for folder in (dry, wet))
    assert second["lap_time_s"] > first["lap_time_s"] * 1.1
    assert second["grip_factor"] == 0.45
    assert "mph" in text
    assert "km/h" not in text
    assert not any(name.endswith(".png") for name in _names(dry))
    assert max(corner["minimum_speed_mps"] for corner in second["corners"]) < 30.0


#: Says what the small session was driven on.
SMALL = ("--track", "tinmarsh_rental", "--kart", "rental-four-stroke", "--position-error", "0.25")


@pytest.mark.parametrize("against", ["grip-shown", "own-best", "own-parts"])
@pytest.mark.slow
def test_held_against_something_else(capsys, tmp_path, small_session, against):
    out = tmp_path / "review"
    text, _ = _run(capsys, "review", small_session, *SMALL, "--against", against, "--out", out)
    data = json.loads((out / "review.json").read_text(encoding="utf-8"))
    assert data["target"]["kind"] == against.replace("grip-shown", "shown-grip").replace("-", "_")
    assert data["target"]["lap_time_s"] > data["reference_lap_time_s"]
    assert f"against {data['target']['title']}" in (out / "review.html").read_text(encoding="utf-8")
    assert data["target"]["title"] in text
    best = next(lap for lap in data["laps"] if lap["label"] == data["best"])
    if against == "own-best":
        assert best["gap_s"]["value"] == pytest.approx(0.0, abs=1e-9)
    if against == "own-parts":
        assert best["gap_s"]["value"] > 0.0


@pytest.mark.slow
def test_without_edges_the_gap_holds_what_a_survey_gives(capsys, tmp_path):
    """The corridor estimated from the demo's laps, as if nothing else were known, against its surveyed edges."""
    common = ("--kart", "senior-single-speed", "--position-error", "0.25")
    _run(capsys, "review", demo_recording(), *common, "--against", "computed", "--out", tmp_path / "estimated")
    estimated = json.loads((tmp_path / "estimated" / "review.json").read_text(encoding="utf-8"))["target"]
    off = solved(DEMO_TRACK, DEMO_KART).lap_time - estimated["lap_time_s"]
    assert abs(off) < 2.0 * estimated["sigma_s"] < 6.0


@pytest.mark.slow
def test_two_sessions_side_by_side(capsys, tmp_path, small_session):
    """The same recording twice is no different; its page says so in figures too."""
    again = tmp_path / "afternoon.csv"
    again.write_bytes(small_session.read_bytes())
    text, _ = _run(capsys, "review", small_session, again, *SMALL, "--out", tmp_path / "both")
    assert f"Beside {small_session.name}: no clear difference: +0.00 ±" in text
    first, second = (tmp_path / "both" / name / "review.html" for name in ("small_session", "afternoon"))
    assert "beside-title" not in first.read_text(encoding="utf-8")
    assert "no clear change (0.00 ±" in text.split(f"Since {small_session.name}:")[1].splitlines()[1]
    page = second.read_text(encoding="utf-8")
    rows = re.findall(r'<th scope="row">(corner \d+)</th><td data-sign="none">0\.000 ±[\d.]+</td><td>no</td>', page)
    assert len(rows) == len(load_track("tinmarsh_rental").corners)


@pytest.mark.slow
def test_another_drivers_recording_is_the_target_and_stands_beside(capsys, tmp_path, small_session):
    mate = tmp_path / "mate.csv"
    mate.write_bytes(small_session.read_bytes())
    out = tmp_path / "out"
    options = ("--beside", mate, "--beside-name", "your <team> mate", "--beside-lap", "2", "--out", out)
    text, _ = _run(capsys, "review", small_session, *SMALL, *options)
    assert "Beside your <team> mate: no clear difference: +0.00 ±" in text
    assert "ahead of lap 2 of your <team> mate" in text
    data = json.loads((out / "review.json").read_text(encoding="utf-8"))
    jsonschema.validate(data, review_schema())
    assert data["target"]["kind"] == "other_lap"
    assert data["laps"][1]["gap_s"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert [corner["clear"] for corner in data["beside"]["corners"]] == [False] * len(data["mean_by_corner"])
    page = (out / "review.html").read_text(encoding="utf-8")
    assert "Beside your &lt;team&gt; mate" in page
    assert "since-title" not in page


@pytest.mark.slow
def test_a_session_is_held_beside_outings_with_another_setup(capsys, tmp_path, small_session):
    """Terminal, page, print and review.json say what compare-setups says of the same outings."""
    recording = load_recording(small_session)
    for name, factor, hour in (("old1", 1.0, 0), ("new1", 1.05, 1), ("old2", 1.001, 2), ("new2", 1.051, 3)):
        slower = dataclasses.replace(
            recording, t=recording.t * factor, speed=recording.speed / factor, start_utc=1.7e9 + 3600.0 * hour
        )
        save_recording(slower, tmp_path / f"{name}.csv")
    old1, new1, old2, new2 = (tmp_path / f"{name}.csv" for name in ("old1", "new1", "old2", "new2"))
    held = ("--other-setup", old1, "--other-setup", old2, "--same-setup", new1)
    text, _ = _run(capsys, "review", new2, *SMALL, *held, "--print", "--out", tmp_path / "review")
    alone = (
        "--track",
        "tinmarsh_rental",
        "--position-error",
        "0.25",
        "--a",
        old1,
        "--a",
        old2,
        "--b",
        new1,
        "--b",
        new2,
    )
    other, _ = _run(capsys, "compare-setups", *alone, "--out", tmp_path / "setups")
    data = json.loads((tmp_path / "review" / "review.json").read_text(encoding="utf-8"))
    jsonschema.validate(data, review_schema())
    setups = json.loads((tmp_path / "setups" / "setups.json").read_text(encoding="utf-8"))
    assert data["setups"] == {key: value for key, value in setups.items() if key in data["setups"]}
    assert (setups["order"], setups["order_from"], setups["verdict"]) == ("ABAB", "dates", "real")
    assert "beside" not in data
    assert data["target"]["kind"] == "computed"
    assert "This setup and the other one:" in text
    assert "B is this session's setup, A the other one." in text
    for page in ("review/review.html", "setups/setups.html"):
        assert setups["words"] in (tmp_path / page).read_text(encoding="utf-8")
    for printed in (text, other):
        assert setups["words"] in printed
    assert (tmp_path / "review" / "review.pdf").stat().st_size > 20_000


def test_setups_are_for_one_session_and_options_of_theirs_for_them(capsys, tmp_path, small_session):
    for options in (
        ["--same-setup", "x.csv"],
        ["--setup-order", "AB"],
        ["--matters", "0.1"],
        ["--outing-change", "0.2"],
    ):
        assert cli.run(["review", str(small_session), *SMALL, *options]) == 2
        assert "are for --other-setup" in capsys.readouterr().err
    assert cli.run(["review", str(small_session), "b.csv", *SMALL, "--other-setup", "x.csv"]) == 2
    assert "--other-setup is for one session" in capsys.readouterr().err
    wrong = ["--other-setup", str(small_session), "--setup-order", "ABA", "--out", str(tmp_path)]
    assert cli.run(["review", str(small_session), *SMALL, *wrong]) == 2
    assert "does not fit 1 recording of A and 1 of B" in capsys.readouterr().err


@pytest.mark.slow
def test_an_own_lap_by_number_is_the_target(capsys, tmp_path, small_session):
    text, _ = _run(capsys, "review", small_session, *SMALL, "--against-lap", "3", "--lap", "1", "--out", tmp_path)
    assert "your lap 3" in text
    assert cli.run(["review", str(small_session), *SMALL, "--against-lap", "3", "--against", "own-best"]) == 2
    assert cli.run(["review", str(small_session), *SMALL, "--beside-lap", "3"]) == 2
    assert cli.run(["review", str(small_session), *SMALL, "--against-lap", "33", "--out", str(tmp_path / "b")]) == 2


def test_a_second_review_replaces_its_own_files_only(capsys, tmp_path, coarse_session):
    out = tmp_path / "review"
    common = ("review", coarse_session, *SMALL, "--out", out)
    out.mkdir()
    (out / "my notes.txt").write_text("keep")
    _run(capsys, *common, "--lap", "1", "--lap", "3", "--also", "gpx")
    assert "lines.gpx" in _names(out)
    data = json.loads((out / "review.json").read_text(encoding="utf-8"))
    assert [lap["label"] for lap in data["laps"]] == ["lap 1", "lap 3"]
    _run(capsys, *common, "--lap", "1")
    assert _names(out) == sorted(["my notes.txt", MANIFEST, "corners.csv", "review.html", "review.json"])


@pytest.mark.slow
def test_results_do_not_say_where_on_the_machine_the_files_lie(capsys, tmp_path, small_session):
    """They are made to be passed on; only the terminal names folders."""
    private = tmp_path / "private folder"
    private.mkdir()
    sources = (small_session, bundled_tracks()["tinmarsh_rental"], bundled_karts()["rental-four-stroke"])
    recording, track, kart = (shutil.copy(source, private / Path(source).name) for source in sources)
    formats = [f"--also={form}" for form in ("geojson", "gpx", "kml", "csv")]
    out = tmp_path / "out"
    job = ("review", recording, "--track", track, "--kart", kart, "--print", *formats, "--out", out / "review")
    _, notes = _run(capsys, *job)
    assert "columns:" not in notes, "nothing was assumed in reading the file"

    tables = {"laps.csv", "lines.geojson", "lines.gpx", "lines.kml"}
    assert {"corners.csv", "review.html", "review.json", "review.pdf"} | tables < set(_names(out / "review"))
    _run(capsys, "reference", track, kart, *formats[:3], "--out", out / "reference")
    _run(capsys, "sheet", track, kart, "--out", out / "sheet")
    written = [item for item in out.rglob("*") if item.is_file()]
    assert len(written) > 15
    for item in written:
        data = item.read_bytes()
        streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", data, re.DOTALL) if item.suffix == ".pdf" else []
        for part in (data, *map(zlib.decompress, streams)):
            assert b"private folder" not in part, item
            assert bytes(tmp_path) not in part, item
    settings = json.loads((out / "review" / "review.json").read_text(encoding="utf-8"))["settings"]
    assert settings["recording"] == "small_session.csv"


def test_reversed_track_is_driven_the_other_way(capsys, tmp_path):
    out = tmp_path / "back"
    _run(capsys, "reference", "tinmarsh_rental", "rental-four-stroke", "--reverse", "--out", out, "--no-pictures")
    data = json.loads((out / "reference_lap.json").read_text())
    forward = load_track("tinmarsh_rental")
    turns = [corner["direction"] for corner in data["corners"]]
    assert turns == ["right" if corner.left else "left" for corner in reversed(forward.corners)]
    assert data["track"]["name"] == f"{forward.name} (driven the other way round)"


def test_demo_runs_the_main_jobs_and_finds_the_habits_of_its_driver(capsys, tmp_path):
    """The simulated driver is late on the power in 3, misses the apex of 8, brakes softly for 12 and coasts before 13
    (``tracks/drawing/make_demo_recording.py``)."""
    text, _ = _run(capsys, "demo", "--out", tmp_path / "demo")
    out = tmp_path / "demo" / "demo_review"
    data = json.loads((out / "review.json").read_text(encoding="utf-8"))
    planned = {(3, "power_late"), (8, "apex_missed"), (12, "brakes_softly"), (13, "coasts")}
    found = [(item["corners"][0], item["kind"]) for item in data["priorities"]]
    assert found[0] in planned  # how often the first names the largest fault is told in benchmarks/planned_faults.py
    assert len(planned & set(found)) >= 3
    for lap in data["laps"]:
        lost = sum(corner["time_lost_s"]["value"] for corner in lap["corners"])
        assert lost == pytest.approx(lap["lap_time_s"]["value"] - data["target"]["lap_time_s"], abs=1e-6)
    for item in data["priorities"]:
        assert f"{item['rank']}. {item['title']}" in text
    assert data["best"] in text
    assert "stood still" in text  # why lap 8 is not reviewed
    assert len(text.splitlines()) < 50
    assert data["target"]["lap_time_s"] == pytest.approx(solved(DEMO_TRACK, DEMO_KART).lap_time)
    assert data["target"]["sigma_s"] == 0.0
    assert _names(out) == sorted([MANIFEST, "corners.csv", "review.html", "review.json", "review.pdf"])
    assert {"track_sheet.pdf", "track_sheet_1.png"} <= set(_names(tmp_path / "demo" / "demo_sheet"))


def test_recording_of_another_place_is_refused_and_nothing_is_written(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code = cli.run(["review", str(demo_recording()), "--track", "tinmarsh_rental", "--kart", "gearbox"])
    captured = capsys.readouterr()
    assert code == 2
    assert captured.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


#: What ``linelab reference`` writes.
WRITTEN = (
    "linelab_files.json",
    "reference_corners.csv",
    "reference_lap.csv",
    "reference_lap.json",
    "reference_lap.png",
)


@pytest.mark.skipif(os.name == "nt", reason="signals differ")
@pytest.mark.usefixtures("interruptible")
@pytest.mark.parametrize("delay", [0.2, 0.8, 1.1, 1.4, 2.0])
def test_interruption_at_any_moment_leaves_nothing_half_written(tmp_path, delay):
    command = [
        sys.executable,
        "-m",
        "linelab.cli.main",
        "reference",
        "ostrelle_sprint",
        "senior-single-speed",
        "--out",
        "lap",
    ]
    process = subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=_environment()
    )
    time.sleep(delay)
    process.send_signal(signal.SIGINT)
    try:
        _, error = process.communicate(timeout=30)
    finally:
        process.kill()
    left = sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*"))
    if process.returncode == 0 or left:  # it was quicker than the interruption, at least with its files
        assert left == ["lap", *(f"lap/{name}" for name in WRITTEN)]
        return
    if process.returncode != -signal.SIGINT:  # the interpreter itself was still starting
        assert process.returncode == 130
        assert "Traceback" not in error
    assert left == []


def _environment():
    return os.environ | {"PYTHONPATH": str(ROOT)}


def test_track_file_with_spaces_in_its_path(capsys, tmp_path):
    path = tmp_path / "my tracks" / "home track.geojson"
    path.parent.mkdir()
    save_track(load_track("tinmarsh_rental"), path)
    out = tmp_path / "my results"
    _run(capsys, "reference", path, "rental-four-stroke", "--out", out, "--no-pictures")
    assert (out / "reference_lap.json").exists()
