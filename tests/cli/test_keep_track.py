"""linelab track: a track kept from a recording's laps, its corners edited, and what cannot be."""

from __future__ import annotations

import pytest

from linelab.cli import main as cli
from linelab.cli.demo import demo_recording
from linelab.files.tracks.track_file import load_track


def test_a_track_is_kept_from_laps_and_its_corners_edited(tmp_path, capsys):
    kept, edited = tmp_path / "kept.geojson", tmp_path / "edited.geojson"
    assert cli.run(["track", str(demo_recording()), "--from-laps", "--width", "8", "--save", str(kept)]) == 0
    said = capsys.readouterr()
    assert "Edges estimated, not surveyed, assumed width 8 m" in said.out
    assert "m on the ground, its width within" in said.err
    track = load_track(kept)
    assert track.survey.estimated
    assert track.survey.middle_sigma > 0.0
    pair = next(k for k, (a, b) in enumerate(zip(track.corners, track.corners[1:]), 1) if a.left == b.left)
    options = ["--name-corner", f"{pair}=Barn", "--merge-corners", str(pair), str(pair + 1), "--save", str(edited)]
    assert cli.run(["track", str(kept), *options]) == 0
    assert f", {pair} Barn" in capsys.readouterr().out
    assert len(load_track(edited).corners) == len(track.corners) - 1
    assert load_track(edited).corners[pair - 1].name == "Barn"
    assert load_track(edited).survey == track.survey


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["ostrelle_sprint", "--left-lap", "2"], "--left-lap: only with --from-laps"),
        (["ostrelle_sprint", "tinmarsh_rental"], "several sources are for recordings, with --from-laps"),
        (["a.csv", "--from-laps", "--left-lap", "1", "--right-lap", "2", "--width", "8"], "need no --width"),
        (["a.csv", "--from-laps", "--edge-offset", "0.5"], "--edge-offset is for laps along the edges"),
        (["a.csv", "--from-laps", "--open"], "--from-laps makes a circuit of recordings"),
        (["ostrelle_sprint", "--name-corner", "Barn"], "'Barn' is not of the form NUMBER=NAME"),
        (["ostrelle_sprint", "--split-corner", "3=x"], "'x' is not a number of metres"),
        (["ostrelle_sprint", "--name-corner", "40=Barn"], "there is no corner 40"),
    ],
)
def test_what_does_not_go_together_is_named(arguments, said, capsys):
    assert cli.run(["track", *arguments]) != 0
    assert said in capsys.readouterr().err
