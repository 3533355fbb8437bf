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


def test_a_track_in_feet_is_remarked_on(folder: Path, capsys: pytest.CaptureFixture[str]):
    angle = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    rows = [f"{400 * np.cos(a):.2f},{250 * np.sin(a):.2f},13,13" for a in angle]  # 26 ft wide
    Path("track.csv").write_text("\n".join(["x,y,w_left,w_right", *rows]), encoding="utf-8")
    assert run(["track", "track.csv"]) == 0
    assert "not in feet" in capsys.readouterr().err
    assert run(["track", "track.csv", "--feet"]) == 0
    assert "not in feet" not in capsys.readouterr().err


def test_messages_end_with_one_mark():
    assert str(InputError("no such thing", remedy="Did you mean this?")) == "no such thing. Did you mean this?"
    assert str(InputError("unknown field, did you mean mass_kg?")) == "unknown field, did you mean mass_kg?"
