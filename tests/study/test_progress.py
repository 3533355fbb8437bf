"""A driver's sessions in order of date: figures of each, venues apart, and no broken file loses the others."""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest

from linelab.cli.main import run
from linelab.errors import FileFormatError
from linelab.files.kart_file import load_kart, save_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.files.recordings.table import save_recording
from linelab.files.session_list import SessionNote, read_session_list
from linelab.files.tracks.track_file import load_track
from linelab.measured import TO_95
from linelab.output.progress_report import progress_lines
from linelab.study.progress import progress_of

DAY = 86400.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory, small_session):
    """Two sessions at one venue, the later one named first, one elsewhere, part of a lap, and no recording at all."""
    place = tmp_path_factory.mktemp("sessions")
    text = small_session.read_text(encoding="utf-8")
    for name, day in (("b_first.csv", 18990.0), ("a_second.csv", 19000.0)):
        (place / name).write_text(text, encoding="utf-8")
        os.utime(place / name, (day * DAY, day * DAY))
    recording = load_recording(small_session)
    save_recording(replace(recording, lat=recording.lat + 2.0, start_utc=19005.0 * DAY), place / "elsewhere.csv")
    (place / "a_bit.csv").write_text("".join(text.splitlines(keepends=True)[:250]), encoding="utf-8")
    (place / "broken.csv").write_text("no, numbers\nhere, at all\n", encoding="utf-8")
    (place / "notes.md").write_text("not looked at", encoding="utf-8")
    return place


@pytest.mark.slow
def test_sessions_stand_in_order_of_date_by_venue(folder):
    found = progress_of(sorted(folder.glob("*.csv")), told={"a_second.csv": SessionNote(weather="damp")})
    assert [[row.source for row in rows] for rows in found.venues] == [
        ["b_first.csv", "a_second.csv"],
        ["elsewhere.csv"],
    ]
    assert [name for name, _ in found.skipped] == ["broken.csv", "a_bit.csv"]
    one, two = found.venues[0]
    assert (one.dated, found.venues[1][0].dated) == ("file", "recording")
    assert one.laps == two.laps == 3
    assert one.best.value == pytest.approx(two.best.value, abs=1e-9)
    assert one.best.value <= one.usual.value + TO_95 * one.usual.sigma
    assert one.spread.known
    assert one.tasks_reason == ""
    lines = "\n".join(progress_lines(found))
    assert "2021-12-29 00:00*" in lines
    assert "2022-01-13 00:00 " in lines
    assert lines.count("damp") == 1
    assert "broken.csv skipped: " in lines


@pytest.mark.slow
def test_what_is_open_is_named_with_a_kart_and_another_place_is_skipped_with_a_track(folder):
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    files = [folder / name for name in ("b_first.csv", "a_second.csv", "elsewhere.csv")]
    found = progress_of(files, track=track, kart=kart, position_error=0.25)
    assert [name for name, _ in found.skipped] == ["elsewhere.csv"]
    (rows,) = found.venues
    assert rows[0].tasks
    assert [task.corners for task in rows[0].tasks] == [task.corners for task in rows[1].tasks]
    lines = "\n".join(progress_lines(found))
    assert "Open after a_second.csv:" in lines
    assert "2 sessions running with a card there" in lines
    assert "weather" not in lines


@pytest.mark.slow
def test_the_command_writes_table_json_and_picture(folder, tmp_path, capsys):
    out = tmp_path / "out"
    assert run(["progress", str(folder), "--weather", "a_second.csv=damp", "--out", str(out)]) == 0
    text = capsys.readouterr().out
    assert "b_first.csv" in text
    assert "notes.md" not in text
    assert {"progress.json", "progress.png"} <= {item.name for item in out.iterdir()}
    data = json.loads((out / "progress.json").read_text(encoding="utf-8"))
    sessions = data["venues"][0]["sessions"]
    assert [row["recording"] for row in sessions] == ["b_first.csv", "a_second.csv"]
    assert "weather" not in sessions[0]
    assert sessions[1]["weather"] == "damp"
    assert np.isfinite(sessions[0]["usual_lap_s"]["sigma"])
    assert data["skipped"][0]["recording"] == "broken.csv"


def test_nothing_usable_is_an_error_with_the_reasons(folder, tmp_path, capsys):
    assert run(["progress", str(folder / "broken.csv"), "--out", str(tmp_path / "out")]) == 2
    assert "broken.csv: " in capsys.readouterr().err
    assert run(["progress", str(folder), "--weather", "other.csv=dry", "--out", str(tmp_path / "out")]) == 2


@pytest.fixture
def listed(folder, tmp_path):
    """The folder with two of its sessions, and a kart file and a list beside them."""
    for name in ("b_first.csv", "a_second.csv"):
        shutil.copy2(folder / name, tmp_path / name)
    kart = load_kart("rental-four-stroke")
    save_kart(replace(kart, name="Heavier rental", mass=kart.mass + 15.0), tmp_path / "heavier.toml")
    return tmp_path


@pytest.mark.slow
def test_a_list_of_sessions_gives_karts_and_columns(listed, capsys):
    """The kart named for a session is the one it is reviewed with; --weather has the last word."""
    (listed / "sessions.csv").write_text(
        "file,kart,weather,tyres,note\nb_first.csv,rental-four-stroke,dry,new,\n"
        'a_second.csv,heavier.toml,dry,"two days, rear swapped",new axle\n',
        encoding="utf-8",
    )
    told = ["--track", "tinmarsh_rental", "--position-error", "0.25", "--weather", "a_second.csv=damp"]
    out = listed / "out"
    assert run(["progress", str(listed), *told, "--out", str(out)]) == 0
    text = capsys.readouterr().out
    head = next(line for line in text.splitlines() if "usual lap" in line and "recording" in line)
    assert re.search(r"to work on +kart +weather +tyres +note", head)
    assert "sessions.csv" not in text
    assert "Not all with one kart" in text
    rows = json.loads((out / "progress.json").read_text(encoding="utf-8"))["venues"][0]["sessions"]
    assert [row["kart"] for row in rows] == ["Rental four-stroke", "Heavier rental"]
    assert [row["weather"] for row in rows] == ["dry", "damp"]
    assert rows[1]["tyres"] == "two days, rear swapped"
    assert "note" not in rows[0]
    alone = progress_of(
        [listed / "a_second.csv"],
        track=load_track("tinmarsh_rental"),
        kart=load_kart(listed / "heavier.toml"),
        position_error=0.25,
    )
    stakes = [task.at_stake.value for task in alone.venues[0][0].tasks]
    assert [task["at_stake_s"]["value"] for task in rows[1]["tasks"]] == pytest.approx(stakes)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("file,tires\nb_first.csv,new\n", 1, "tires, expected each of these columns once"),
        ("kart\nrental-four-stroke\n", 1, "a column named file"),
        ("file,kart\nb_frist.csv,\n", 2, "Did you mean b_first.csv"),
        ("file\nb_first.csv\nb_first.csv\n", 3, "one line a recording"),
        ("file,kart\n\nb_first.csv,rental-five-stroke\n", 3, "rental-four-stroke"),
        ("file;note\nb_first.csv;wet;cold\n", 2, "3 cells, expected 2"),
        ('file,note\nb_first.csv,"wet\n', None, "b_first"),
    ],
)
def test_a_list_that_cannot_be_used_says_where_and_what_to_do(tmp_path, text, line, words):
    path = tmp_path / "sessions.csv"
    path.write_text(text, encoding="utf-8")
    if line is None:  # a quote left open closes at the end
        assert read_session_list(path, ["b_first.csv"])["b_first.csv"].note == "wet"
        return
    with pytest.raises(FileFormatError) as caught:
        read_session_list(path, ["a_second.csv", "b_first.csv"])
    assert caught.value.line == line
    assert words in str(caught.value)
    assert caught.value.remedy
