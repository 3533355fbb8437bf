"""A real kart session without a survey, from the recording to the track sheet on paper, by the command line."""

from __future__ import annotations

import matplotlib.image
import pytest
from shared import REAL, REAL_LINE

from linelab.cli import main as cli

pytestmark = pytest.mark.skipif(not REAL.is_file(), reason="the folder of outside recordings is not here")


@pytest.mark.slow
def test_sheet_of_a_corridor_from_laps(tmp_path, capsys):
    out = tmp_path / "walk"
    line = [str(value) for end in REAL_LINE for value in end]
    arguments = ["sheet", str(REAL), "rental-four-stroke", "--from-laps", "--start-line", *line, "--out", str(out)]
    assert cli.run(arguments) == 0
    said = capsys.readouterr().out
    assert "Edges estimated, not surveyed" in said
    assert (out / "track_sheet.pdf").read_bytes().startswith(b"%PDF")
    for name in ("track_sheet_1.png", "track_sheet_2.png"):
        picture = matplotlib.image.imread(out / name)
        assert picture.shape[0] / picture.shape[1] == pytest.approx(297.0 / 210.0, abs=0.002)
        assert 0.01 < (picture[..., :3].mean(axis=2) < 0.5).mean() < 0.3  # printed, and most of the paper white
