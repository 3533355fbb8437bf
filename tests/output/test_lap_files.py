"""Lines and marks for other programs, read back by independent readers and held against published schemas."""

from __future__ import annotations

import dataclasses
import io
import json
import re
from types import SimpleNamespace

import fastkml
import fastkml.validator
import geographiclib.geodesic
import geojson_pydantic
import gpxpy
import numpy as np
import pandas as pd
import pyarrow.parquet
import pytest
import shapely

from linelab.cli import main as cli
from linelab.diagnosis.marks import find_marks
from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_features import read_features
from linelab.files.tracks.track_file import load_track
from linelab.optimum.line_profile import speed_profile
from linelab.output.display import CAUTIONS
from linelab.output.lap_files import save_lines
from linelab.speed.lines import line_on_track, reference_line

KART = load_kart("rental-four-stroke")
FORMATS = ("geojson", "gpx", "kml", "csv", "parquet")
NASTY = 'Ring <"7"> & Söhne\x07 \U0001f3c1'


@pytest.fixture(scope="module")
def track():
    return dataclasses.replace(load_track("tinmarsh_rental"), name=NASTY)


@pytest.fixture(scope="module")
def laps(track):
    reference = speed_profile(reference_line(track), KART, label="computed lap")
    s = np.linspace(0.0, track.length, 500)
    lap = speed_profile(line_on_track(track, s, 0.3 * np.sin(6 * np.pi * s / track.length)), KART, label="lap 3")
    driven = SimpleNamespace(
        lap=lap,
        sigma_n=np.full(s.size, 0.2),
        sigma_v=np.full(s.size, 0.1),
        bias=SimpleNamespace(sigma=1.5),
    )
    return reference, driven


@pytest.fixture(scope="module")
def folder(track, laps, tmp_path_factory):
    place = tmp_path_factory.mktemp("lines")
    names = save_lines(place, FORMATS, track, laps[0], KART, [laps[1]])
    assert names == ["lines.geojson", "lines.gpx", "lines.kml", "laps.csv", "laps.parquet"]
    return place


def assert_on_the_ground(track, lap, lon, lat):
    """Geodesic distances by GeographicLib (C. F. F. Karney) from the track's origin against local metres."""
    assert len(lon) == lap.t.size
    earth = geographiclib.geodesic.Geodesic.WGS84
    for k in range(0, len(lon), 37):
        found = earth.Inverse(track.origin[1], track.origin[0], lat[k], lon[k])
        bearing = np.radians(found["azi1"])
        assert found["s12"] * np.sin(bearing) == pytest.approx(lap.line.x[k], abs=0.02)
        assert found["s12"] * np.cos(bearing) == pytest.approx(lap.line.y[k], abs=0.02)


def test_geojson_is_what_the_standard_asks_and_lies_where_the_lap_does(folder, track, laps):
    text = (folder / "lines.geojson").read_text(encoding="utf-8")
    document = json.loads(text)
    geojson_pydantic.FeatureCollection.model_validate(document)
    assert "crs" not in document  # RFC 7946 section 4: WGS 84 always
    lines = [f for f in document["features"] if f["geometry"]["type"] == "LineString"]
    assert [f["properties"]["kind"] for f in lines] == ["computed line", "driven line"]
    for feature, lap in zip(lines, (laps[0], laps[1].lap)):
        shape = shapely.geometry.shape(feature["geometry"])
        assert shape.is_valid
        lon, lat = np.array(shape.coords).T
        assert_on_the_ground(track, lap, lon, lat)
        assert len(feature["properties"]["t_s"]) == len(feature["properties"]["v_mps"]) == lap.t.size
        assert feature["properties"]["t_s"][-1] == pytest.approx(lap.lap_time, abs=1e-3)
    assert lines[0]["geometry"]["coordinates"][0] == lines[0]["geometry"]["coordinates"][-1]
    assert lines[1]["properties"]["position_bias_sigma_m"] == 1.5
    assert "±0.4 m across the track, all shifted together by ±2.9 m" in lines[1]["properties"]["remark"]
    assert CAUTIONS in document["notes"]


def test_marks_lie_on_the_reference_line(folder, track, laps):
    document = json.loads((folder / "lines.geojson").read_text(encoding="utf-8"))
    line = shapely.geometry.shape(document["features"][0]["geometry"])
    marks = [f for f in document["features"] if f["properties"]["kind"] == "mark"]
    found = find_marks(track, laps[0], KART)
    assert len(marks) == sum(6 if mark.brakes or mark.lifts else 5 for mark in found)
    metre = 1.0 / 111_000.0  # about a degree of latitude
    for mark in marks:
        assert line.distance(shapely.geometry.shape(mark["geometry"])) < 0.1 * metre
    apex = next(f for f in marks if f["properties"]["mark"] == "apex" and f["properties"]["corner"] == 1)
    assert apex["properties"]["station_m"] == pytest.approx(found[0].apex, abs=0.01)


def test_geojson_of_lines_is_no_track_but_does_no_harm(folder):
    """Opened as a track it holds no feature with a role, and says so."""
    features, _ = read_features(folder / "lines.geojson")
    assert features == []


def test_gpx_by_an_independent_reader(folder, track, laps):
    text = (folder / "lines.gpx").read_text(encoding="utf-8")
    found = gpxpy.parse(text)
    assert found.version == "1.1"
    assert found.creator == "linelab"
    assert CAUTIONS in found.description
    for read, lap in zip(found.tracks, (laps[0], laps[1].lap)):
        points = read.segments[0].points
        assert_on_the_ground(track, lap, [p.longitude for p in points], [p.latitude for p in points])
        assert points[0].time is None  # a lap has no date
        values = {child.tag.split("}")[1]: float(child.text) for child in points[10].extensions}
        assert values["speed_mps"] == pytest.approx(lap.v[10], abs=1e-3)
        assert values["lap_time_s"] == pytest.approx(lap.t[10], abs=1e-3)
    names = [point.name for point in found.waypoints]
    assert "1 apex" in names
    assert all(re.fullmatch(r"computed lap: \d+\.\d km/h here", point.description) for point in found.waypoints)


def test_gpx_keeps_the_order_of_the_schema(folder):
    """Sequences of gpx.xsd 1.1 (topografix.com/GPX/1/1/gpx.xsd, memory)."""
    from xml.etree import ElementTree

    space = "{http://www.topografix.com/GPX/1/1}"
    allowed = {
        "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
        "metadata": ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"],
        "wpt": [
            *(
                "ele",
                "time",
                "magvar",
                "geoidheight",
                "name",
                "cmt",
                "desc",
                "src",
                "link",
                "sym",
                "type",
                "fix",
                "sat",
            ),
            *("hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions"),
        ],
        "trk": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "trkseg"],
        "trkseg": ["trkpt", "extensions"],
    }
    allowed["trkpt"] = allowed["wpt"]
    root = ElementTree.parse(folder / "lines.gpx").getroot()
    assert root.attrib == {"version": "1.1", "creator": "linelab"}
    seen = 0
    for element in root.iter():
        if not element.tag.startswith(space):
            continue
        order = allowed.get(element.tag.removeprefix(space))
        if order is None:
            assert len(element) == 0 or element.tag == space + "extensions"
            continue
        places = [order.index(child.tag.removeprefix(space)) for child in element]
        assert places == sorted(places)
        seen += 1
    assert seen > 100


def test_kml_against_the_schema_of_the_consortium(folder, track, laps):
    """ogckml22.xsd of the Open Geospatial Consortium (OGC 07-147r2), as fastkml carries it."""
    assert fastkml.validator.validate(file_to_validate=folder / "lines.kml")
    read = fastkml.KML.parse(folder / "lines.kml", strict=True)
    document = read.features[0]
    assert CAUTIONS in document.description
    placemarks = [item for item in document.features if isinstance(item, fastkml.Placemark)]
    for place, lap in zip(placemarks, (laps[0], laps[1].lap)):
        lon, lat = np.array(place.geometry.coords)[:, :2].T
        assert_on_the_ground(track, lap, lon, lat)
    folders = [item for item in document.features if isinstance(item, fastkml.Folder)]
    assert "1 apex" in [item.name for item in folders[0].features]


def test_names_with_markup_and_control_characters_survive(folder):
    clean = NASTY.replace("\x07", "")
    assert gpxpy.parse((folder / "lines.gpx").read_text(encoding="utf-8")).name == clean
    assert fastkml.KML.parse(folder / "lines.kml").features[0].name == clean
    assert json.loads((folder / "lines.geojson").read_text(encoding="utf-8"))["name"] == NASTY


def test_tables_by_independent_readers(folder, laps):
    parquet = pyarrow.parquet.read_table(folder / "laps.parquet")
    about = {key.decode(): value.decode() for key, value in parquet.schema.metadata.items()}
    assert CAUTIONS in about["notes"]
    text = (folder / "laps.csv").read_bytes().decode()
    assert CAUTIONS in text
    table = pd.read_csv(io.StringIO(text), comment="#")
    assert list(table.columns) == parquet.column_names
    assert table.shape[0] == parquet.num_rows == laps[0].t.size + laps[1].lap.t.size
    other = parquet.to_pandas()
    for name in table.columns:
        if name in ("lap", "kind", "limited_by"):
            assert list(table[name]) == list(other[name])
        else:
            assert re.search(r"_(s|m|mps|mps2|1pm|rad|deg)$", name) or name == "grip"
            np.testing.assert_allclose(table[name], other[name], rtol=1e-6, atol=1e-9, equal_nan=True)
    reference = other[other["kind"] == "computed line"]
    np.testing.assert_array_equal(reference["v_mps"], laps[0].v)
    assert reference["n_sigma_m"].isna().all()
    assert (other[other["lap"] == "lap 3"]["n_sigma_m"] == 0.2).all()


@pytest.mark.parametrize("form", ["geojson", "gpx", "kml"])
def test_a_track_in_local_metres_has_no_place_on_a_map(track, laps, tmp_path, form):
    local = dataclasses.replace(track, georeferenced=False)
    with pytest.raises(InputError, match="local metres") as caught:
        save_lines(tmp_path, [form], local, laps[0], KART)
    assert "longitude and latitude" in str(caught.value)
    assert list(tmp_path.iterdir()) == []
    assert save_lines(tmp_path, ["csv", "parquet"], local, laps[0], KART) == ["laps.csv", "laps.parquet"]
    assert pyarrow.parquet.read_table(tmp_path / "laps.parquet")["lon_deg"].null_count == laps[0].t.size


def test_an_unknown_format_is_refused(track, laps, tmp_path):
    with pytest.raises(InputError, match="no such format: shp"):
        save_lines(tmp_path, ["shp"], track, laps[0], KART)


def test_parquet_without_its_library_says_how_to_get_it(track, laps, tmp_path, monkeypatch):
    import importlib.util

    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *rest: None if name == "pyarrow" else real(name, *rest)
    )
    with pytest.raises(InputError, match="pip install"):
        save_lines(tmp_path, ["parquet"], track, laps[0], KART)


def test_command(tmp_path, capsys):
    arguments = ["reference", "tinmarsh_rental", "rental-four-stroke", "--no-pictures", "--out", str(tmp_path / "out")]
    assert cli.run([*arguments, "--also", "gpx", "--also", "parquet"]) == 0
    assert "lines.gpx" in capsys.readouterr().out
    assert {"lines.gpx", "laps.parquet"} <= {item.name for item in (tmp_path / "out").iterdir()}
