"""Real circuits from open data (read where present): published lengths and numbers of corners (CHECKS 21, 22)."""

import json
import os
from pathlib import Path

import numpy as np
import pytest

from linelab.files.projection import plane_about, to_plane
from linelab.files.tracks.survey_import import load_centre_line
from linelab.model.facts import track_facts

SHARED = Path(os.environ.get("LINELAB_SHARED", Path(__file__).resolve().parents[3] / "shared")) / "data"
WIDTHS, CENTRES = SHARED / "circuits_xyw" / "tracks", SHARED / "circuits_geojson" / "circuits"

needs_widths = pytest.mark.skipif(not WIDTHS.is_dir(), reason="open circuit data (circuits_xyw) not present")
needs_centres = pytest.mark.skipif(not CENTRES.is_dir(), reason="open circuit data (circuits_geojson) not present")

#: Published lap lengths [m] of the circuits in circuits_xyw (the circuits' own figures, CHECKS 22).
PUBLISHED = {
    "Spa": 7004, "Silverstone": 5891, "Monza": 5793, "Montreal": 4361, "Budapest": 4381, "Suzuka": 5807,
    "Sepang": 5543, "Shanghai": 5451, "Sochi": 5848, "MexicoCity": 4304,
}  # fmt: skip

#: Official numbers of corners, from memory.  Kinks and long double apexes are counted differently from place to
#: place, so the whole set is compared, and the few whose count is beyond dispute one by one.
OFFICIAL_CORNERS = {
    "Austin": 20, "Budapest": 14, "Catalunya": 16, "Hockenheim": 17, "MexicoCity": 17, "Montreal": 14, "Monza": 11,
    "Nuerburgring": 15, "Oschersleben": 14, "Sakhir": 15, "SaoPaulo": 15, "Sepang": 15, "Shanghai": 16,
    "Silverstone": 18, "Sochi": 18, "Spa": 19, "Spielberg": 10, "Suzuka": 18, "IMS": 4,
}  # fmt: skip


@needs_widths
@pytest.mark.parametrize("name", sorted(PUBLISHED))
def test_length_along_the_middle_against_the_published_length(name: str) -> None:
    length = track_facts(load_centre_line(WIDTHS / f"{name}.csv")).length
    assert length == pytest.approx(PUBLISHED[name], rel=2e-3)


@needs_widths
@pytest.mark.parametrize(("name", "margin"), [("IMS", 0), ("Monza", 0), ("Budapest", 1), ("Suzuka", 2)])
def test_number_of_corners(name: str, margin: int) -> None:
    assert abs(len(load_centre_line(WIDTHS / f"{name}.csv").corners) - OFFICIAL_CORNERS[name]) <= margin


@needs_widths
@pytest.mark.slow
def test_number_of_corners_is_in_the_neighbourhood_of_the_official_one() -> None:
    found = {name: len(load_centre_line(WIDTHS / f"{name}.csv").corners) for name in OFFICIAL_CORNERS}
    off = {name: found[name] - official for name, official in OFFICIAL_CORNERS.items()}
    assert max(map(abs, off.values())) <= 5, off
    assert np.mean([abs(value) for value in off.values()]) < 1.5, off


@needs_centres
def test_projected_lengths_of_40_circuits() -> None:
    # Within 0.5 % of the published length for 32 of 40 (the others are other layouts).
    within = 0
    files = sorted(CENTRES.glob("*.geojson"))
    for file in files:
        item = json.loads(file.read_text(encoding="utf-8"))["features"][0]
        lon, lat = np.array(item["geometry"]["coordinates"]).T[:2]
        x, y = to_plane(plane_about(lon, lat), lon, lat)
        length = float(np.hypot(np.diff(x), np.diff(y)).sum())
        within += abs(length / item["properties"]["length"] - 1.0) < 5e-3
    assert len(files) == 40
    assert within == 32


@needs_centres
@pytest.mark.parametrize("name", ["be-1925", "it-1922", "jp-1962", "hu-1986"])
def test_a_centre_line_alone_with_an_assumed_width(name: str) -> None:
    file = CENTRES / f"{name}.geojson"
    published = json.loads(file.read_text(encoding="utf-8"))["features"][0]["properties"]["length"]
    facts = track_facts(load_centre_line(file, assumed_width=10.0))
    assert facts.closed
    assert facts.length == pytest.approx(published, rel=5e-3)
    assert facts.survey.assumed_width == 10.0
    assert facts.direction == ("figure of eight" if name == "jp-1962" else "clockwise")
