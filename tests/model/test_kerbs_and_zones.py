"""Kerbs and grip zones in odd places: all round a circuit, across its start line, reversed, and impossible."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from linelab.errors import InputError
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track, reversed_track, save_track
from linelab.model.grip_field import grip_at, kerb_width
from linelab.model.track import GripZone, Kerb, Track, length_along
from linelab.output.outlines import stations_between

TRACK = replace(load_track("ostrelle_sprint"), kerbs=())
S = np.linspace(0.0, TRACK.length, 700)


def drawn(path: Path, points: list[list[float]]) -> Track:
    """The track with a kerb drawn along these points."""
    save_track(TRACK, path)
    file = json.loads(path.read_text(encoding="utf-8"))
    kerb = {"role": "kerb", "width_m": 0.5, "grip": 0.8}
    file["features"].append(
        {"type": "Feature", "properties": kerb, "geometry": {"type": "LineString", "coordinates": points}}
    )
    path.write_text(json.dumps(file), encoding="utf-8")
    return load_track(path)


def edge(path: Path) -> list[list[float]]:
    """The left edge as a file has it, its first point not repeated."""
    save_track(TRACK, path)
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    ring = next(f for f in features if f["properties"]["role"] == "left_edge")["geometry"]["coordinates"]
    return ring[:-1] if ring[0] == ring[-1] else ring


@pytest.mark.parametrize("first", [0, 5, 40])
@pytest.mark.parametrize("more", [1, 4])
@pytest.mark.parametrize("way", [1, -1])
def test_a_kerb_drawn_all_round_goes_all_round(tmp_path, first, more, way):
    """Its line ends where it begins, or a little beyond; that left a kerb of a few metres, or of none."""
    ring = edge(tmp_path / "edges.geojson")
    ring = ring[first:] + ring[:first]
    track = drawn(tmp_path / "track.geojson", (ring + ring[:more])[::way])
    (kerb,) = track.kerbs
    assert length_along(track, kerb) == pytest.approx(track.length)
    assert kerb_width(track, "left", S) == pytest.approx(0.5)
    back = reversed_track(track)
    assert kerb_width(back, "right", S) == pytest.approx(0.5)
    save_track(back, tmp_path / "again.geojson")
    assert kerb_width(load_track(tmp_path / "again.geojson"), "right", S) == pytest.approx(0.5)


def test_half_a_kerb_is_half_a_kerb(tmp_path):
    ring = edge(tmp_path / "edges.geojson")
    (kerb,) = drawn(tmp_path / "track.geojson", ring[: len(ring) // 2]).kerbs
    assert 0.2 * TRACK.length < length_along(TRACK, kerb) < 0.8 * TRACK.length


def test_what_ends_where_it_begins_goes_all_round():
    for start in (0.0, 400.0):
        kerb = Kerb(side="left", s_start=start, s_end=start, width=0.5, grip=0.8)
        track = replace(TRACK, kerbs=(kerb,))
        assert kerb_width(track, "left", S) == pytest.approx(0.5)
        assert kerb_width(reversed_track(track), "right", S) == pytest.approx(0.5)
        assert np.ptp(stations_between(track, start, start)) == pytest.approx(TRACK.length)
        wet = replace(TRACK, grip_zones=(GripZone(s_start=start, s_end=start, n_right=-99.0, n_left=99.0, factor=0.6),))
        assert grip_at(wet, S, 0.0 * S, 0.7) == pytest.approx(0.6, abs=1e-4)


def test_a_kerb_across_the_start_line():
    kerb = Kerb(side="right", s_start=TRACK.length - 20.0, s_end=15.0, width=0.8)
    track = replace(TRACK, kerbs=(kerb,))
    assert length_along(track, kerb) == pytest.approx(35.0)
    at = np.array([TRACK.length - 25.0, TRACK.length - 10.0, TRACK.length, 0.0, 8.0, 20.0])
    assert kerb_width(track, "right", at) == pytest.approx([0.0, 0.8, 0.8, 0.8, 0.8, 0.0])
    assert kerb_width(track, "right", at + TRACK.length) == pytest.approx(kerb_width(track, "right", at))
    assert kerb_width(reversed_track(track), "left", TRACK.length - at) == pytest.approx(kerb_width(track, "right", at))


def test_a_zone_beyond_the_edge_changes_nothing_on_the_track():
    zone = GripZone(s_start=100.0, s_end=900.0, n_right=14.0, n_left=30.0, factor=0.3)
    assert TRACK.w_left.max() < 12.0
    inside = grip_at(replace(TRACK, grip_zones=(zone,)), S, np.interp(S, TRACK.s, TRACK.w_left), 0.7)
    assert inside == pytest.approx(1.0, abs=2e-3)


NAN = float("nan")


@pytest.mark.parametrize(
    ("what", "match"),
    [
        (lambda: Kerb(side="left", s_start=NAN, s_end=10.0, width=0.5), "not finite"),
        (lambda: Kerb(side="middle", s_start=0.0, s_end=10.0, width=0.5), "left or right"),  # type: ignore[arg-type]
        (lambda: GripZone(s_start=0.0, s_end=NAN, n_right=0.0, n_left=1.0, factor=0.5), "not finite"),
        (lambda: GripZone(s_start=0.0, s_end=9.0, n_right=NAN, n_left=1.0, factor=0.5), "not finite"),
        (lambda: GripZone(s_start=0.0, s_end=9.0, n_right=0.0, n_left=np.inf, factor=0.5), "not finite"),
    ],
)
def test_impossible_places_are_refused(what, match):
    with pytest.raises(InputError, match=match):
        what()


def straight() -> Track:
    x = np.linspace(0.0, 100.0, 51)
    sides = [np.column_stack([x, np.full(x.size, y)]) for y in (4.0, -4.0)]
    return track_from_edges("straight", *sides, closed=False)


@pytest.mark.parametrize(
    ("start", "finish"), [(60.0, 40.0), (50.0, 50.0), (-1.0, 40.0), (0.0, 120.0), (NAN, 40.0), (0.0, NAN)]
)
def test_the_clock_of_an_open_track_runs_forwards_on_it(start, finish):
    with pytest.raises(InputError, match="timing from station"):
        replace(straight(), start_station=start, finish_station=finish)
    turned = reversed_track(replace(straight(), start_station=20.0, finish_station=90.0))
    assert (turned.start_station, turned.finish_station) == pytest.approx((10.0, 80.0), abs=1e-6)
    assert reversed_track(turned).start_station == pytest.approx(20.0)


@pytest.mark.parametrize("name", ["kerbs", "grip_zones"])
def test_on_an_open_track_nothing_runs_backwards(name):
    track = straight()
    items = {
        "kerbs": Kerb(side="left", s_start=60.0, s_end=20.0, width=0.5),
        "grip_zones": GripZone(s_start=60.0, s_end=20.0, n_right=-1.0, n_left=1.0, factor=0.5),
    }
    with pytest.raises(InputError, match=r"from station 60\.0 back to 20\.0 m"):
        replace(track, **{name: (items[name],)})
