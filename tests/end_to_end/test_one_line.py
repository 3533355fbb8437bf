"""Whatever is wrong with a command, one line says what and what to try; nothing is written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from linelab.cli import run
from linelab.errors import InputError

SPEED_WITHOUT_UNIT = "time,lon,lat,speed\n" + "\n".join(f"{i},{10 + 1e-4 * i},{50},{40}" for i in range(9))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["reference", "ostrelle_sprint", "senior-single-speed", "--grip", "moist"], "dry, damp, wet"),
        (["reference", "ostrelle_sprint", "senior-single-speed", "--grip", "50"], "outside 0.1 to 2"),
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
    assert "on average 8.0 m" in capsys.readouterr().out


def test_a_title_states_the_unit(folder: Path, capsys: pytest.CaptureFixture[str]):
    Path("track.csv").write_text(oval("x_ft,y_ft,w_left [ft],w_right (feet)", scale=1 / 0.3048), encoding="utf-8")
    assert run(["track", "track.csv"]) == 0
    assert "on average 8.0 m" in capsys.readouterr().out
    Path("track.csv").write_text(oval("x_m,y_m,w_left_m,w_right_m", scale=2.0), encoding="utf-8")
    assert run(["track", "track.csv"]) == 0
    assert "on average 16.0 m" in capsys.readouterr().out
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
