"""The bundled demo circuits: sizes asked of them, published norms, room between stretches; facts and map."""

import dataclasses
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import bundled_tracks, load_track
from linelab.geometry.curve import curve_at
from linelab.model.facts import BRAZILIAN, FRENCH, track_facts
from linelab.model.track import GripZone, Track
from linelab.output.draw.ground_map import plot_ground, survey_note

NAMES = ("marrowdown_club", "ostrelle_sprint", "tinmarsh_rental")


@pytest.fixture(scope="module")
def tracks() -> dict[str, Track]:
    return {name: load_track(name) for name in NAMES}


def gap_between_stretches(track: Track) -> float:
    """Smallest distance between edge points that lie more than 30 m apart along the track [m]."""
    line = track.reference
    pick = slice(None, None, max(1, round(0.5 / line.step)))
    s = line.s[pick]
    points = []
    for sign, width in ((1.0, track.w_left), (-1.0, track.w_right)):
        points.append(
            np.column_stack([line.x - sign * width * np.sin(line.psi), line.y + sign * width * np.cos(line.psi)])[pick]
        )
    apart = np.abs(s[:, None] - s[None, :])
    far = np.minimum(apart, track.length - apart) > 30.0
    best = np.inf
    for a in points:
        for b in points:
            d = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
            best = min(best, float(d[far].min()))
    return best


def test_all_three_are_bundled(tracks: dict[str, Track]) -> None:
    assert set(bundled_tracks()) == set(NAMES)
    for track in tracks.values():
        assert "ictional" in track.survey.note
        assert track.notes == ()
        assert track.georeferenced


def test_sprint(tracks: dict[str, Track]) -> None:
    facts = track_facts(tracks["ostrelle_sprint"])
    assert 1100.0 <= facts.length <= 1300.0
    assert len(facts.corners) >= 10
    assert facts.kerbs >= 10
    assert any(abs(c.turn) > np.radians(160.0) for c in facts.corners)  # hairpin
    hands = [c.left for c in facts.corners]
    assert any(hands[i] != hands[i + 1] != hands[i + 2] != hands[i + 3] for i in range(len(hands) - 3))  # esses
    # Norms as listed in CHECKS 24: French federation category 1.1 and Brazilian A licence.
    assert {n.verdict for n in facts.norms if "gradient" not in n.what} == {"within"}


def test_rental(tracks: dict[str, Track]) -> None:
    track = tracks["tinmarsh_rental"]
    facts = track_facts(track)
    assert 350.0 <= facts.length <= 450.0
    assert facts.tightest_inside_radius == pytest.approx(2.0, abs=0.4)
    assert 6.0 <= facts.width[0] < facts.width[1] <= 7.0
    assert gap_between_stretches(track) == pytest.approx(1.5, abs=0.2)


def test_club(tracks: dict[str, Track]) -> None:
    facts = track_facts(tracks["marrowdown_club"])
    assert facts.slope is not None
    assert facts.bank is not None
    assert 900.0 <= facts.length <= 1100.0
    assert 0.03 < max(map(abs, facts.slope)) <= 0.05
    assert 0.05 < max(map(abs, facts.bank)) <= 0.10
    by_source = {(n.what, n.source): n.verdict for n in facts.norms}
    assert by_source["length", FRENCH] == by_source["width", FRENCH] == "within"
    assert by_source["longitudinal gradient", BRAZILIAN] == by_source["transverse gradient", BRAZILIAN] == "within"


@pytest.mark.parametrize("name", NAMES)
def test_run_off_between_stretches(name: str, tracks: dict[str, Track]) -> None:
    assert gap_between_stretches(tracks[name]) > (1.3 if name == "tinmarsh_rental" else 6.0)


def test_the_script_draws_these_files(tmp_path: Path) -> None:
    folder = Path(__file__).resolve().parents[2] / "tracks"
    script = folder / "drawing" / "make_demo_tracks.py"
    if not script.exists():
        pytest.skip("tracks/drawing/make_demo_tracks.py is in the checkout only")
    copy = tmp_path / "drawing" / script.name
    copy.parent.mkdir()
    copy.write_text(script.read_text(encoding="utf-8"), encoding="utf-8")
    subprocess.run([sys.executable, str(copy)], check=True, cwd=folder.parent, env=_path(folder.parent))
    for name in NAMES:
        drawn, kept = load_track(tmp_path / f"{name}.geojson"), load_track(folder / f"{name}.geojson")
        assert np.abs(drawn.left_edge - kept.left_edge).max() < 1e-3
        assert len(drawn.corners) == len(kept.corners)


def _path(root: Path) -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": str(root)}


def test_facts_of_a_banked_ramp_are_those_it_was_built_with() -> None:
    # Straight of 100 m: 4 % uphill, left side 8 cm per metre lower; 8 m wide.
    x = np.linspace(0.0, 100.0, 51)
    left = np.column_stack([x, np.full_like(x, 4.0), 0.04 * x - 0.32])
    right = np.column_stack([x, np.full_like(x, -4.0), 0.04 * x + 0.32])
    facts = track_facts(track_from_edges("ramp", left, right, closed=False))
    assert facts.slope == pytest.approx((0.04, 0.04), abs=1e-3)
    assert facts.bank == pytest.approx((0.08, 0.08), abs=1e-3)
    assert facts.climb == pytest.approx(4.0, abs=0.02)
    assert (facts.length, facts.direction, facts.corners) == (pytest.approx(100.0, abs=0.01), "open", ())
    assert facts.tightest_inside_radius > 1e4
    assert facts.longest_straight == pytest.approx(100.0, abs=0.5)


def test_the_map_says_what_it_is(tracks: dict[str, Track], tmp_path: Path) -> None:
    track = tracks["ostrelle_sprint"]
    figure = plot_ground(track)
    words = {text.get_text() for text in [*figure.texts, *figure.axes[0].texts]}
    assert survey_note(track) in " ".join(" ".join(words).split())
    assert {track.name, "N", *(str(c.number) for c in track.corners)} <= words
    figure.savefig(tmp_path / "map.pdf")
    assert (tmp_path / "map.pdf").stat().st_size > 5000


def test_corner_numbers_lie_off_the_track_and_apart(tracks: dict[str, Track]) -> None:
    for track in tracks.values():
        axes = plot_ground(track).axes[0]
        spots = np.array([t.get_position() for t in axes.texts if t.get_text().isdigit()])
        edges = np.vstack([track.left_edge, track.right_edge])
        assert len(spots) == len(track.corners)
        for i, spot in enumerate(spots):
            assert np.hypot(*(edges - spot).T).min() > 1.0
            others = np.delete(spots, i, axis=0)
            assert np.hypot(*(others - spot).T).min() > 3.0


def test_a_grip_zone_is_drawn_where_it_lies(tracks: dict[str, Track]) -> None:
    track = tracks["ostrelle_sprint"]
    zone = GripZone(s_start=300.0, s_end=330.0, n_right=-1.0, n_left=2.0, factor=0.6)
    before = len(plot_ground(track).axes[0].patches)
    axes = plot_ground(dataclasses.replace(track, grip_zones=(zone,))).axes[0]
    assert len(axes.patches) == before + 1
    drawn = next(patch for patch in axes.patches if patch.get_hatch())
    point = curve_at(track.reference, 315.0)
    inside = [(point.x - n * np.sin(point.psi), point.y + n * np.cos(point.psi)) for n in (0.0, 1.8, -1.2, 2.2)]
    path = drawn.get_path()
    assert [bool(path.contains_point(place)) for place in inside] == [True, True, False, False]


def test_drawing_loads_no_pyplot() -> None:
    code = (
        "import sys; from linelab.files.tracks.track_file import load_track;"
        "from linelab.output.draw.ground_map import plot_ground;"
        ""
        "plot_ground(load_track('tinmarsh_rental')); assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
