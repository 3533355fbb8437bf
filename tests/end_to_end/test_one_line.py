"""Whatever is wrong with a command, one line says what and what to try; nothing is written."""

from __future__ import annotations

import dataclasses
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from linelab.cli.demo import demo_recording
from linelab.cli.main import run
from linelab.errors import InputError
from linelab.files.kart_file import load_kart, save_kart
from linelab.files.tracks.track_file import load_track, save_track

SPEED_WITHOUT_UNIT = "time,lon,lat,speed\n" + "\n".join(f"{i},{10 + 1e-4 * i},{50},{40}" for i in range(9))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["reference", "ostrelle_sprint", "senior-single-speed", "--grip", "moist"], "dry, damp, drying, wet"),
        (["reference", "ostrelle_sprint", "senior-single-speed", "--grip", "50"], "outside 0.05 to 3"),
        (
            ["reference", "ostrelle_sprint", "senior-single-speed", "--units", "furlongs"],
            "See 'linelab reference --help'.",
        ),
        (["reference", "ostrelle_sprint"], "KART"),
        (["refrence"], "No such command"),
        (["reference", "ostrelle_sprint", "sennior-single-speed"], "Did you mean senior-single-speed"),
    ],
)
def test_wrong_usage_is_one_line(folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str):
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("linelab: ")
    assert err.count("\n") == 1
    assert said in err
    assert list(folder.iterdir()) == []


def test_remedies_are_for_the_command_line_too(folder: Path, capsys: pytest.CaptureFixture[str]):
    Path("session.csv").write_text(SPEED_WITHOUT_UNIT, encoding="utf-8")
    assert run(["review", "session.csv", "--track", "ostrelle_sprint", "--kart", "senior-single-speed"]) == 2
    assert "--unit speed=km/h" in capsys.readouterr().err
    assert [path.name for path in folder.iterdir()] == ["session.csv"]


def oval(header: str, *, scale: float) -> str:
    """A round track of 240 by 150 m and 8 m width in a unit of 1/``scale`` metres, as CSV."""
    angle = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    rows = [
        f"{scale * 120 * np.cos(a):.2f},{scale * 75 * np.sin(a):.2f},{scale * 4:.2f},{scale * 4:.2f}" for a in angle
    ]
    return "\n".join([header, *rows])


def test_a_track_in_feet_is_refused_until_the_unit_is_stated(folder: Path, capsys: pytest.CaptureFixture[str]):
    Path("track.csv").write_text(oval("x,y,w_left,w_right", scale=1 / 0.3048), encoding="utf-8")
    assert run(["track", "track.csv", "--out", "facts", "--save", "track.geojson"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "26 m wide" in err
    assert "--feet" in err
    assert [path.name for path in folder.iterdir()] == ["track.csv"]
    assert run(["track", "track.csv", "--feet"]) == 0
    assert "Width 8.0 m all along" in capsys.readouterr().out


def test_a_title_states_the_unit(folder: Path, capsys: pytest.CaptureFixture[str]):
    Path("track.csv").write_text(oval("x_ft,y_ft,w_left [ft],w_right (feet)", scale=1 / 0.3048), encoding="utf-8")
    assert run(["track", "track.csv"]) == 0
    assert "Width 8.0 m all along" in capsys.readouterr().out
    Path("track.csv").write_text(oval("x_m,y_m,w_left_m,w_right_m", scale=2.0), encoding="utf-8")
    assert run(["track", "track.csv"]) == 0
    assert "Width 16.0 m all along" in capsys.readouterr().out
    Path("track.csv").write_text(oval("x_m,y_m,w_left [kg],w_right_m", scale=1.0), encoding="utf-8")
    assert run(["track", "track.csv"]) == 2
    assert "a length" in capsys.readouterr().err


def test_a_wide_road_is_kept_when_it_is_meant(folder: Path, capsys: pytest.CaptureFixture[str]):
    Path("track.csv").write_text(oval("x,y,w_left,w_right", scale=1 / 0.3048), encoding="utf-8")
    assert run(["track", "track.csv", "--metres", "--save", "wide.geojson"]) == 0
    assert run(["track", "wide.geojson"]) == 0
    text = Path("wide.geojson").read_text(encoding="utf-8")
    Path("drawn.geojson").write_text(text.replace('"wide_road": true', '"wide_road": false'), encoding="utf-8")
    capsys.readouterr()
    assert run(["track", "drawn.geojson"]) == 2
    assert "wide_road" in capsys.readouterr().err


def test_messages_end_with_one_mark():
    assert str(InputError("no such thing", remedy="Did you mean this?")) == "no such thing. Did you mean this?"
    assert str(InputError("unknown field, did you mean mass_kg?")) == "unknown field, did you mean mass_kg?"


def demo_rows(count: int | None = None) -> list[str]:
    """Title and rows of the bundled demo recording."""
    lines = demo_recording().read_text(encoding="utf-8").splitlines()[1:]
    return lines if count is None else lines[: count + 1]


REVIEW = ["--track", "ostrelle_sprint", "--kart", "senior-single-speed"]


def test_no_session_is_reviewed_where_one_of_them_cannot_be(folder: Path, capsys: pytest.CaptureFixture[str]):
    Path("good.csv").write_text("\n".join(demo_rows(1600)), encoding="utf-8")
    Path("short.csv").write_text("\n".join(demo_rows(300)), encoding="utf-8")
    assert run(["review", "good.csv", "short.csv", *REVIEW, "--out", "both"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "short.csv: no complete lap" in err
    assert not Path("both").exists()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"PK\x03\x04\x14\0\0\0\0\0,time,lon,lat\n1,2,3\n", "save the sheet as CSV"),
        (b"\x1f\x8b\x08\x08rest", "Unpack it"),
        (b'<?xml version="1.0"?><kml><Placemark/></kml>', "Export the recording as GPX or CSV"),
        (b"", "the file is empty"),
        (b"Dear coach,\nhere is my session.\n", "Export the recording as CSV"),
    ],
)
def test_what_is_no_recording_is_told_apart(
    folder: Path, capsys: pytest.CaptureFixture[str], content: bytes, said: str
):
    Path("session.csv").write_bytes(content)
    assert run(["review", "session.csv", *REVIEW]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert said in err
    assert [path.name for path in folder.iterdir()] == ["session.csv"]


def test_laps_the_other_way_round_name_the_option(folder: Path, capsys: pytest.CaptureFixture[str]):
    title, *rows = demo_rows(2000)
    times = [row.split(",", 1)[0] for row in rows]
    turned = [f"{time},{row.split(',', 1)[1]}" for time, row in zip(times, reversed(rows))]
    Path("session.csv").write_text("\n".join([title, *turned]), encoding="utf-8")
    assert run(["review", "session.csv", *REVIEW]) == 2
    assert "Turn the track round: add --reverse, or leave it out" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["reference", "senior-single-speed", "ostrelle_sprint"], "name the track first, then the kart"),
        (["reference", "my_kart.toml", "ostrelle_sprint"], "name the track first, then the kart"),
        (["sheet", "session.csv", "gearbox"], "linelab sheet --from-laps"),
        (["track", "session.csv"], "linelab review"),
        (["track", "ostrelle_print"], "Did you mean ostrelle_sprint?"),
        (["review", "-o.csv", *REVIEW], "write ./-o.csv"),
        (["sheet", "ostrelle_sprint", "gearbox", "--pace", "0,75m"], "not a number of metres"),
        (["review", "session.csv", "--kart", "gearbox", "--width", "26"], "outside 2 to 20 metres"),
        (["track", "dot.geojson"], "has 1 vertex"),
        (["review", "minutes.csv", *REVIEW], "Export decimal degrees"),
        (
            ["review", "long.csv", "--kart", "gearbox", "--start-line", "1", "2", "3", "4"],
            "longitude before latitude each",
        ),
        (
            ["review", "long.csv", "--kart", "gearbox", "--start-line", "51.23", "63.41", "51.2301", "63.4101"],
            "Check both ends of the line: longitude before latitude, or x before y in metres",
        ),
        (
            ["review", "long.csv", "--kart", "gearbox", "--start-line", "63.40964", "51.23073", "63.40959", "51.2308"],
            "always against its direction. Swap the two ends of the start line.\n",
        ),
        (
            ["review", "long.csv", "--kart", "gearbox", "--start-line", "63.40964", "51.2407", "63.40959", "51.2408"],
            "m. Move or widen the start line.\n",
        ),
        (["reference", "metres.geojson", "gearbox", "--also", "gpx"], "choose parquet, which holds metres"),
    ],
)
def test_the_remedy_is_what_to_type(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
):
    for name in ("session.csv", "-o.csv"):
        Path(name).write_text("\n".join(demo_rows(20)), encoding="utf-8")
    Path("long.csv").write_text("\n".join(demo_rows(600)), encoding="utf-8")
    minutes = ["time,lat,lon,speed km/h", *(f"{k},51°13'{k}\"N,63°24'{k}\"E,40" for k in range(20))]
    Path("minutes.csv").write_text("\n".join(minutes), encoding="utf-8")
    save_kart(load_kart("gearbox"), "my_kart.toml")
    edge = {"type": "LineString", "coordinates": [[64.87, 50.62]] * 9}
    features = [
        {"type": "Feature", "properties": {"role": f"{side}_edge"}, "geometry": edge} for side in ("left", "right")
    ]
    Path("dot.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    save_track(dataclasses.replace(load_track("tinmarsh_rental"), georeferenced=False), "metres.geojson")
    before = sorted(folder.iterdir())
    monkeypatch.setattr("sys.argv", ["linelab", *arguments])
    assert run(arguments) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert said in err
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize("name", ["Ostrelle Sprint", "ostrelle-sprint", "OSTRELLE_SPRINT"])
def test_bundled_names_are_found_as_people_write_them(folder: Path, capsys: pytest.CaptureFixture[str], name: str):
    assert run(["track", name]) == 0
    assert run(["kart", "Senior Single-Speed"]) == 0


@pytest.mark.parametrize(
    ("arguments", "changed"),
    [
        (["kart", "gearbox", "--save", "mine.toml"], "mine.toml"),
        (["track", "tinmarsh_rental", "--save", "mine.geojson"], "mine.geojson"),
    ],
)
def test_saving_never_loses_what_the_user_changed(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], changed: str
):
    assert run(arguments) == 0
    Path(changed).write_text("changed by hand", encoding="utf-8")
    capsys.readouterr()
    assert run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "add --replace" in err
    assert Path(changed).read_text(encoding="utf-8") == "changed by hand"
    assert run([*arguments, "--replace"]) == 0
    assert Path(changed).read_text(encoding="utf-8") != "changed by hand"
    assert run([*arguments[:2], "--replace"]) == 2


@pytest.mark.parametrize(
    "arguments",
    [
        ["track", "tinmarsh_rental", "--save", "new.geojson"],
        ["track", "tinmarsh_rental", "--save", "new.csv"],
        ["kart", "gearbox", "--save", "new.toml"],
        ["reference", "tinmarsh_rental", "rental-four-stroke"],
        ["sheet", "tinmarsh_rental", "rental-four-stroke"],
        ["review", "taken", *REVIEW],
        ["demo"],
    ],
)
def test_a_place_that_takes_no_results_is_told_before_the_work(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, arguments: list[str]
):
    def too_late(*_: object, **__: object) -> None:
        raise AssertionError("computed first")

    monkeypatch.setattr("linelab.optimum.minimum_time.solve_min_time", too_late)
    Path("taken").write_text("a file", encoding="utf-8")
    assert run([*arguments, "--out", "taken/results"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert [path.name for path in folder.iterdir()] == ["taken"]


def test_a_reader_that_has_had_enough_is_no_failure(folder: Path):
    """As when output is piped into head: the results are written, and nothing is said of the broken pipe."""
    command = [sys.executable, "-m", "linelab", "reference", "tinmarsh_rental", "rental-four-stroke", "--no-pictures"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=os.environ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
    assert process.returncode == 0
    assert said == b""
    assert len(list(folder.glob("linelab_results/*/reference_lap.csv"))) == 1


def test_recordings_of_one_name_do_not_take_each_others_place(
    folder: Path, capsys: pytest.CaptureFixture[str], coarse_session: Path
):
    for name in ("morning", "noon", "evening"):
        Path(name).mkdir()
        Path(name, "my run.csv").write_bytes(coarse_session.read_bytes())
    recordings = [f"{name}/my run.csv" for name in ("morning", "noon", "evening")]
    ground = ["--track", "tinmarsh_rental", "--kart", "rental-four-stroke"]
    assert run(["review", *recordings, *ground, "--out", "reviews"]) == 0
    assert sorted(path.name for path in Path("reviews").iterdir()) == ["my_run", "my_run_no_2", "my_run_no_3"]
    assert all((path / "review.html").exists() for path in Path("reviews").iterdir())
