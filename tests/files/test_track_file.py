"""Track files: what is saved loads back, what a GIS adds does no harm, and every fault is named on one line."""

import gzip
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from linelab.errors import FileFormatError, InputError, LinelabError, TrackError
from linelab.files.projection import LocalPlane, to_lonlat
from linelab.files.tracks.track_build import reversed_track, track_from_edges
from linelab.files.tracks.track_file import bundled_tracks, load_track, save_track
from linelab.model.track import GripZone, Groove, Kerb, Track

PLANE = LocalPlane(origin_lon=61.0, origin_lat=49.0)


def ring(radius: float, count: int = 120, z: float | None = None) -> np.ndarray:
    """A stadium driven anticlockwise: straights of 80 m and ends of the given radius."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, count // 2)
    end = np.column_stack([40.0 + radius * np.cos(angle), radius * np.sin(angle)])
    points = np.vstack([end, -end])
    return points if z is None else np.column_stack([points, np.full(len(points), z)])


def degrees(points: np.ndarray) -> list[list[float]]:
    lon, lat = to_lonlat(PLANE, points[:, 0], points[:, 1])
    rows = np.column_stack([lon, lat, points[:, 2:]])
    return [[float(v) for v in row] for row in rows]


def feature(role: str | None, points: np.ndarray | None, kind: str = "LineString", **properties: object) -> dict:
    coordinates = None if points is None else degrees(np.atleast_2d(np.asarray(points, dtype=float)))
    if kind == "Polygon":
        coordinates = [[*coordinates, coordinates[0]]]
    elif kind == "Point":
        coordinates = coordinates[0]
    geometry = None if points is None else {"type": kind, "coordinates": coordinates}
    named = {} if role is None else {"role": role}
    return {"type": "Feature", "properties": {**named, **properties}, "geometry": geometry}


def basic(closed: bool = True) -> list[dict]:
    """Left edge inside (driven anticlockwise), right edge outside."""
    return [
        feature("track", None, name="Hall", closed=closed),
        feature("left_edge", ring(12.0)),
        feature("right_edge", ring(20.0)),
        feature("start_line", np.array([[0.0, -12.0], [0.0, -20.0]])),
    ]


def write(path: Path, features: list[dict]) -> Path:
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    return path


def saved(tmp_path: Path, features: list[dict], name: str = "t.geojson") -> Track:
    return load_track(write(tmp_path / name, features))


def same_points(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.max(np.hypot(*(a - b).T)))


def test_a_drawn_track_loads(tmp_path: Path) -> None:
    track = saved(tmp_path, basic())
    assert track.name == "Hall"
    assert track.closed
    assert track.georeferenced
    assert track.length == pytest.approx(2 * 80.0 + 2 * np.pi * 16.0, rel=0.12)
    assert [c.left for c in track.corners] == [True, True]
    start = np.array([track.reference.x[0], track.reference.y[0]])
    # Start line in the plane of the file's own middle: x = 0 is half-way along the lower straight.
    assert abs(start[0]) < 0.5
    assert -20.0 < start[1] < -12.0


@pytest.mark.parametrize("name", sorted(bundled_tracks()))
def test_round_trip_of_the_bundled_tracks(name: str, tmp_path: Path) -> None:
    track = load_track(name)
    save_track(track, tmp_path / "again.geojson")
    again = load_track(tmp_path / "again.geojson")
    metres = 1e-8 * 111132.0  # 1e-8 degrees of latitude
    assert same_points(track.left_edge, again.left_edge) < metres
    assert same_points(track.right_edge, again.right_edge) < metres
    assert again.length == pytest.approx(track.length, abs=1e-3)
    assert (again.name, again.survey, again.origin) == (track.name, track.survey, track.origin)
    for a, b in zip(track.corners, again.corners, strict=True):
        assert (b.number, b.name) == (a.number, a.name)
        assert (b.s_start, b.s_apex, b.s_end, b.turn) == pytest.approx((a.s_start, a.s_apex, a.s_end, a.turn), abs=5e-3)
    for a, b in zip(track.kerbs, again.kerbs, strict=True):
        assert (b.side, b.width, b.grip, b.name) == (a.side, a.width, a.grip, a.name)
        assert (b.s_start, b.s_end) == pytest.approx((a.s_start, a.s_end), abs=0.02)
    assert again.timing_stations == pytest.approx(track.timing_stations, abs=0.02)
    assert np.abs(again.bank - track.bank).max() < 1e-3
    assert np.abs(again.slope - track.slope).max() < 1e-3


def test_round_trip_of_zones_and_a_track_in_local_metres(tmp_path: Path) -> None:
    start = ((0.0, -12.0), (0.0, -20.0))
    track = track_from_edges("Indoor", ring(12.0), ring(20.0), closed=True, start=start)
    length = track.length
    zone = GripZone(s_start=length - 8.0, s_end=6.0, n_right=-1.0, n_left=1.5, factor=0.7, name="oil")
    kerb = Kerb(side="left", s_start=length - 5.0, s_end=5.0, width=0.5)
    track = replace(track, grip_zones=(zone,), kerbs=(kerb,), timing_stations=(70.0,))
    save_track(track, tmp_path / "indoor.geojson")
    again = load_track(tmp_path / "indoor.geojson")
    assert not again.georeferenced
    assert same_points(again.left_edge, track.left_edge) < 1e-3
    back = again.grip_zones[0]
    assert (back.s_start, back.s_end, back.n_right, back.n_left) == pytest.approx(
        (zone.s_start, zone.s_end, -1.0, 1.5), abs=0.02
    )
    assert (again.kerbs[0].s_start, again.kerbs[0].s_end) == pytest.approx((length - 5.0, 5.0), abs=0.02)
    assert again.timing_stations == pytest.approx((70.0,), abs=0.02)
    document = json.loads((tmp_path / "indoor.geojson").read_text(encoding="utf-8"))
    for item in document["features"]:  # RFC 7946: longitude within 180, latitude within 90
        if item["geometry"] and item["geometry"]["type"] == "LineString":
            assert np.abs(np.array(item["geometry"]["coordinates"])[:, :2]).max() < 1.0


def test_round_trip_of_a_groove(tmp_path: Path) -> None:
    """It waves about the middle of a ring, and begins 20 m before the start line."""
    start = ((0.0, -12.0), (0.0, -20.0))
    track = track_from_edges("Indoor", ring(12.0), ring(20.0), closed=True, start=start)
    s = np.linspace(-20.0, track.length - 20.0, 101)
    n = np.sin(4.0 * np.pi * (s + 20.0) / track.length)
    n[-1] = n[0]
    groove = Groove(s=s, n=n, width=2.5, fade=1.2, grip=1.02, beside=0.9, marbles=0.8, name="Sunday's")
    save_track(replace(track, groove=groove), tmp_path / "indoor.geojson")
    back = load_track(tmp_path / "indoor.geojson").groove
    assert back is not None
    names = ("width", "fade", "grip", "beside", "marbles", "name")
    assert [getattr(back, name) for name in names] == [getattr(groove, name) for name in names]
    at = np.linspace(0.0, track.length, 333)
    assert np.abs(back.middle(at, track.length, True) - groove.middle(at, track.length, True)).max() < 0.02
    save_track(load_track(tmp_path / "indoor.geojson"), tmp_path / "again.geojson")
    again = load_track(tmp_path / "again.geojson").groove
    assert again is not None
    assert np.abs(again.middle(at, track.length, True) - back.middle(at, track.length, True)).max() < 0.02


def test_a_groove_runs_from_end_to_end_of_a_road_and_over_kerbs(tmp_path: Path) -> None:
    x = np.linspace(0.0, 150.0, 40)
    left, right = (np.column_stack([x, np.full(x.size, y)]) for y in (4.0, -4.0))
    road = track_from_edges("Road", left, right, closed=False)
    groove = Groove(s=np.array([0.0, 75.0, 150.0]), n=np.array([-3.0, 4.5, 0.0]))
    save_track(replace(road, groove=groove), tmp_path / "road.geojson")
    back = load_track(tmp_path / "road.geojson").groove
    assert back is not None
    at = np.linspace(0.0, 150.0, 80)
    assert np.abs(back.middle(at, 150.0, False) - groove.middle(at, 150.0, False)).max() < 0.02


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda rows: rows[::-1], "against the driving direction"),
        (lambda rows: rows[: len(rows) // 2], "covers .* m of .* m.*once round"),
        (lambda rows: [[rows[0][0] + 0.01, rows[0][1]], *rows[1:]], "off the track"),
    ],
)
def test_a_groove_drawn_wrongly_is_named(tmp_path: Path, change: Callable[[list], list], said: str) -> None:
    track = track_from_edges("Indoor", ring(12.0), ring(20.0), closed=True)
    s = np.linspace(0.0, track.length, 60)
    save_track(replace(track, groove=Groove(s=s, n=0.0 * s)), tmp_path / "indoor.geojson")
    document = json.loads((tmp_path / "indoor.geojson").read_text(encoding="utf-8"))
    (groove,) = (each for each in document["features"] if each["properties"]["role"] == "groove")
    groove["geometry"]["coordinates"] = change(groove["geometry"]["coordinates"])
    (tmp_path / "wrong.geojson").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(FileFormatError, match=f"(?s)groove.*{said}"):
        load_track(tmp_path / "wrong.geojson")


def test_an_open_track_with_start_and_finish(tmp_path: Path) -> None:
    x = np.linspace(0.0, 200.0, 41)
    features = [
        feature("left_edge", np.column_stack([x, 4.0 + 0 * x])),
        feature("right_edge", np.column_stack([x, -4.0 + 0 * x])),
        feature("start_line", np.array([[20.0, -4.0], [20.0, 4.0]])),
        feature("finish_line", np.array([[180.0, -5.0], [180.0, 3.0]])),
        feature("timing_line", np.array([[100.0, 4.0], [100.0, -4.0]])),
    ]
    track = saved(tmp_path, features)
    assert not track.closed
    assert (track.start_station, track.finish_station) == pytest.approx((20.0, 180.0), abs=0.05)
    assert track.timing_stations == pytest.approx((100.0,), abs=0.05)
    save_track(track, tmp_path / "open.geojson")
    again = load_track(tmp_path / "open.geojson")
    assert (again.start_station, again.finish_station) == pytest.approx((20.0, 180.0), abs=0.05)
    back = reversed_track(track)
    assert (back.start_station, back.finish_station) == pytest.approx((20.0, 180.0), abs=0.05)


def test_what_a_gis_adds_is_left_out_with_a_note(tmp_path: Path) -> None:
    extras = [
        feature(None, np.array([[0.0, 0.0]]), kind="Point", fid=7),
        feature("pit_lane", np.array([[0.0, 0.0], [9.0, 0.0]])),
        feature(None, None),
    ]
    features = basic()
    features[1]["properties"].update({"fid": 1, "layer": "asphalt", "stroke": "#ff0000"})
    track = saved(tmp_path, features + extras)
    assert any("pit_lane" in note for note in track.notes)
    number = len(features) + 1
    assert f"features {number}, {number + 2} have no role: left out" in track.notes


def test_polygons_and_an_edge_drawn_the_other_way_will_do(tmp_path: Path) -> None:
    features = [
        feature("Left-Edge", ring(12.0)[::-1], kind="Polygon"),
        feature("right edge", ring(20.0), kind="Polygon"),
    ]
    track = saved(tmp_path, features)
    assert track.closed
    assert all(c.left for c in track.corners)
    assert any("reversed" in note for note in track.notes)
    assert any("no start line" in note for note in track.notes)


def test_a_centre_line_with_widths(tmp_path: Path) -> None:
    centre = ring(16.0)
    for properties in ({"width_m": 8.0}, {"w_left_m": [4.0] * len(centre), "w_right_m": 4.0}):
        track = saved(tmp_path, [feature("centre_line", centre, kind="Polygon", **properties)])
        assert track.survey.kind == "widths"
        assert np.median(track.width) == pytest.approx(8.0, abs=0.15)


def test_corners_of_the_file_take_the_place_of_those_found(tmp_path: Path) -> None:
    bend = np.array([[40.0, -16.0], [56.0, 0.0], [40.0, 16.0]])
    track = saved(tmp_path, [*basic(), feature("corner", bend, number=7, name="Old oak")])
    assert [(c.number, c.name) for c in track.corners] == [(7, "Old oak")]
    assert track.corners[0].turn > np.radians(150.0)


def test_a_point_names_a_corner(tmp_path: Path) -> None:
    point = feature("corner", np.array([[-54.0, 1.0]]), kind="Point", name="Mill")
    track = saved(tmp_path, [*basic(), point])
    assert [c.name for c in track.corners] == ["", "Mill"]


def test_a_kerb_between_two_stretches_goes_to_the_edge_it_lies_on(tmp_path: Path) -> None:
    # In the rental track two stretches pass 1.5 m apart; each of their kerbs must stay on its own stretch.
    track = load_track("tinmarsh_rental")
    stations = np.arange(2.0, track.length - 10.0, 5.0)
    kerbs = tuple(
        Kerb(side=side, s_start=float(s), s_end=float(s) + 6.0, width=0.3)
        for side in ("left", "right")
        for s in stations
    )
    save_track(replace(track, kerbs=kerbs), tmp_path / "k.geojson")
    for kerb, back in zip(kerbs, load_track(tmp_path / "k.geojson").kerbs, strict=True):
        assert back.side == kerb.side
        assert (back.s_start, back.s_end) == pytest.approx((kerb.s_start, kerb.s_end), abs=0.05)


def test_reversing_twice_gives_the_track_back() -> None:
    track = load_track("marrowdown_club")
    once = reversed_track(track)
    twice = reversed_track(once)
    assert (once.name, twice.name) == (f"{track.name} (driven the other way round)", track.name)
    for name in ("w_left", "w_right", "slope", "bank", "z", "left_edge", "right_edge", "left_z"):
        assert np.array_equal(getattr(twice, name), getattr(track, name))
    for name in ("x", "y", "kappa"):
        assert np.array_equal(getattr(twice.reference, name), getattr(track.reference, name))
    assert np.allclose(np.cos(once.reference.psi), -np.cos(track.reference.psi[::-1]), atol=1e-9)
    assert np.all(once.bank == -track.bank[::-1])
    assert [c.turn for c in once.corners] == [-c.turn for c in reversed(track.corners)]
    assert [c.number for c in once.corners] == list(range(1, len(track.corners) + 1))
    rebuilt = track_from_edges("r", once.left_edge, once.right_edge, closed=True)
    assert rebuilt.length == pytest.approx(once.length, rel=2e-3)


FAULTS = [
    ("missing role", [basic()[1]], "right_edge"),
    ("no role at all", [feature(None, ring(12.0)), feature(None, ring(20.0))], "left_edge"),
    ("role misspelt", [feature("left_egde", ring(12.0)), basic()[2]], "left_edge"),
    ("wrong geometry", [feature("left_edge", np.array([[0.0, 0.0]]), kind="Point"), basic()[2]], "LineString"),
    ("one vertex", [feature("left_edge", np.array([[0.0, 0.0]])), basic()[2]], "1 vertex"),
    ("role twice", [*basic(), basic()[1]], "both have the role"),
    ("swapped edges", [basic()[0], feature("left_edge", ring(20.0)), feature("right_edge", ring(12.0))], "swap"),
    ("edges cross", [basic()[0], feature("left_edge", ring(12.0)), feature("right_edge", ring(20.0) + 9.0)], "cross"),
    (
        "open line declared closed",
        [basic()[0], feature("left_edge", ring(12.0)[:60]), feature("right_edge", ring(20.0)[:60])],
        "closed",
    ),
    ("start line elsewhere", [*basic()[:3], feature("start_line", np.array([[0.0, 90.0], [0.0, 99.0]]))], "cross"),
    ("kerb elsewhere", [*basic(), feature("kerb", np.array([[0.0, 60.0], [5.0, 60.0]]), width_m=1.0)], "kerb"),
    (
        "kerb without width",
        [*basic(), feature("kerb", np.array([[0.0, -12.0], [9.0, -12.0]]), width=1.0)],
        "there is 'width'",
    ),
    (
        "kerb in feet",
        [*basic(), feature("kerb", np.array([[0.0, -12.0], [9.0, -12.0]]), width_m=4.0)],
        "outside 0 to 3 m",
    ),
    ("widths in feet", [feature("centre_line", 9 * ring(16.0), width_m=110.0, closed=True)], "feet"),
    ("no widths", [feature("centre_line", ring(16.0), closed=True)], "width_m"),
]


@pytest.mark.parametrize(("what", "features", "words"), FAULTS, ids=[fault[0] for fault in FAULTS])
def test_faults_are_named(what: str, features: list[dict], words: str, tmp_path: Path) -> None:
    path = write(tmp_path / "bad track.geojson", features)
    with pytest.raises((FileFormatError, TrackError)) as caught:
        load_track(path)
    message = str(caught.value)
    assert words.lower() in message.lower()
    assert "bad track.geojson" in message
    assert "\n" not in message
    assert caught.value.remedy


TEXTS = [
    ("", "empty"),
    ("\n\n", "empty"),
    ("\x00\x01binary", "binary"),
    ('{"type": "FeatureCollection",\n "features": [\n {]}', "line 3"),
    ('{"type": "FeatureCollection", "features": [\n{"x": NaN}]}', "line 2"),
    ("[1, 2]", "no GeoJSON object"),
    ('{"type": "Topology"}', "FeatureCollection"),
    ("[" * 100000, "nested"),
]


@pytest.mark.parametrize(("text", "words"), TEXTS, ids=[words for _, words in TEXTS])
def test_files_that_are_no_geojson(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "x.geojson").write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError, match=words):
        load_track(tmp_path / "x.geojson")


def test_other_reference_systems_and_swapped_order(tmp_path: Path) -> None:
    swapped = [dict(item) for item in basic()[1:3]]
    for item in swapped:
        item["geometry"] = {
            "type": "LineString",
            "coordinates": [[40.0 + 1e-5 * k, 120.0 + 1e-5 * k] for k in range(9)],
        }
    with pytest.raises(FileFormatError, match="latitude comes before longitude"):
        saved(tmp_path, swapped)
    swapped[0]["geometry"]["coordinates"] = [[512345.0 + k, 5412345.0] for k in range(9)]
    with pytest.raises(FileFormatError, match="not degrees"):
        saved(tmp_path, swapped)
    document = {
        "type": "FeatureCollection",
        "features": basic(),
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::3857"}},
    }
    (tmp_path / "c.geojson").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(FileFormatError, match="EPSG::3857"):
        load_track(tmp_path / "c.geojson")


def test_no_such_track_names_the_bundled_ones() -> None:
    with pytest.raises(FileFormatError, match="ostrelle_sprint"):
        load_track("nowhere")


def test_saving_never_leaves_half_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    track = load_track("tinmarsh_rental")
    target = tmp_path / "new folder" / "a b.geojson"
    save_track(track, target)
    before = target.read_bytes()
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError("disk gone")))
    with pytest.raises(LinelabError):
        save_track(replace(track, name="other"), target)
    assert target.read_bytes() == before
    assert [p.name for p in target.parent.iterdir()] == ["a b.geojson"]
    with pytest.raises(InputError, match=r"\.csv"):
        save_track(track, tmp_path / "a.csv")


def test_hundreds_of_features_that_are_no_part_of_the_track_are_one_note(tmp_path: Path) -> None:
    trees = [feature(None, np.zeros(2), "Point", fid=k) for k in range(300)]
    huts = [feature("hut", np.zeros(2), "Point") for _ in range(2)]
    track = saved(tmp_path, [*basic(), *trees, *huts])
    first = len(basic()) + 1
    assert track.notes == (
        f"features {first}, {first + 1}, {first + 2} and 297 more have no role: left out",
        f"features {first + 300}, {first + 301} have the role 'hut', which means nothing here: left out",
    )


def test_a_hall_drawn_in_metres_is_not_taken_for_degrees(tmp_path: Path) -> None:
    """About its middle its coordinates pass for degrees: a road of thousands of kilometres."""
    features = basic()
    for item in features[1:]:
        plain = ring(12.0) if item["properties"]["role"] == "left_edge" else ring(20.0)
        item["geometry"]["coordinates"] = plain[: len(item["geometry"]["coordinates"])].tolist()
    with pytest.raises(FileFormatError, match=r"reaches over .* its coordinates look like metres") as caught:
        load_track(write(tmp_path / "hall.geojson", features))
    assert "import a track in local metres from CSV" in str(caught.value)


def test_a_track_across_the_date_line_is_no_line_around_the_globe(tmp_path: Path) -> None:
    features = basic()
    for item in features[1:]:
        item["geometry"]["coordinates"] = [
            [lon + 119.0 - 360.0 * (lon + 119.0 > 180.0), lat] for lon, lat in item["geometry"]["coordinates"]
        ]
    assert saved(tmp_path, features).length == pytest.approx(saved(tmp_path, basic()).length, abs=0.01)


def test_a_packed_track_is_to_be_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "track.geojson"
    path.write_bytes(gzip.compress(b"{}"))
    with pytest.raises(FileFormatError, match=r"packed file .* Unpack it"):
        load_track(path)
