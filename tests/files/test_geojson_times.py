"""Reading GeoJSON lines with times, in the ways they are written in practice."""

from __future__ import annotations

import json

import numpy as np
import pytest

from linelab.errors import FileFormatError
from linelab.files.recordings.load_recording import load_recording

POSITIONS = [[7.0, 45.0, 100.0], [7.001, 45.001, 101.0], [7.002, 45.002, 102.0]]
STAMPS = ["2024-05-01T10:00:00Z", "2024-05-01T10:00:00.100Z", "2024-05-01T10:00:00.200Z"]
EPOCH = 1_714_557_600  # of the first stamp


def line(positions=POSITIONS, kind="LineString", **properties):
    return {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": positions}}


def write(tmp_path, *features):
    path = tmp_path / "run.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": list(features)}), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "feature",
    [
        line(coordTimes=STAMPS),
        line(times=STAMPS),
        line(coordinateProperties={"times": STAMPS}),
        line(timestamps=[EPOCH * 1000, EPOCH * 1000 + 100, EPOCH * 1000 + 200]),
        line([POSITIONS], "MultiLineString", coordTimes=[STAMPS]),
        line([[*p, EPOCH + 0.1 * i] for i, p in enumerate(POSITIONS)]),
        {
            "type": "Feature",
            "properties": {},
            "temporalGeometry": {"type": "MovingPoint", "coordinates": POSITIONS, "datetimes": STAMPS},
        },
    ],
)
def test_the_ways_of_writing_times(tmp_path, feature):
    recording = load_recording(write(tmp_path, feature))
    np.testing.assert_allclose(recording.t, [0.0, 0.1, 0.2], atol=1e-6)
    np.testing.assert_allclose(recording.lon, [7.0, 7.001, 7.002])
    np.testing.assert_allclose(recording.lat, [45.0, 45.001, 45.002])
    np.testing.assert_allclose(recording.channels["altitude"], [100.0, 101.0, 102.0])
    assert recording.start_utc == pytest.approx(EPOCH, abs=1e-6)


def test_points_with_a_time_each(tmp_path):
    points = [line(p, "Point", time=t, speed_kmh=36.0) for p, t in zip(POSITIONS, STAMPS)]
    recording = load_recording(write(tmp_path, *points))
    np.testing.assert_allclose(recording.t, [0.0, 0.1, 0.2], atol=1e-6)
    np.testing.assert_allclose(recording.speed, 10.0)


def test_channels_by_name_and_unit(tmp_path):
    feature = line(coordTimes=STAMPS, **{"speed [km/h]": [36, 36, None], "course": [0, 90, 180], "ax": [1, 2, 3]})
    recording = load_recording(write(tmp_path, feature))
    np.testing.assert_allclose(recording.speed, [10.0, 10.0, np.nan])
    np.testing.assert_allclose(recording.channels["course"], [0.0, np.pi / 2, np.pi])
    assert "ax" not in recording.channels
    assert any(note.startswith("ax left out") for note in recording.notes)


def test_several_lines_are_segments_and_lines_without_times_are_counted(tmp_path):
    later = [stamp.replace("10:00", "10:01") for stamp in STAMPS]
    recording = load_recording(write(tmp_path, line(coordTimes=STAMPS), line(), line(coordTimes=later)))
    np.testing.assert_array_equal(recording.channels["segment"], [1, 1, 1, 2, 2, 2])
    assert "1 feature without times left out" in recording.notes


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (json.dumps(line()), r"no line with times \(found 1 feature without times, expected.*coordTimes"),
        (json.dumps(line(coordTimes=STAMPS[:2])), r"feature 1: positions and times differ.*2 times, expected 3"),
        (json.dumps(line([[7.0], [7.0], [7.0]], coordTimes=STAMPS)), r"position 1 is no position.*\[7\.0\]"),
        (json.dumps(line([[45.0, 97.0]] * 3, coordTimes=STAMPS)), "outside the globe"),
        (json.dumps(line(coordTimes=[0, 100, 200])), "unit of the times is not clear.*steps of 100"),
        (json.dumps(line(coordTimes=["soon"] * 3)), "no time can be read"),
        ('{"type": "Feature"', "line 1: not valid JSON"),
        ('{"type": "Feature", "a": NaN}', "NaN is no number"),
        ('{"a":' * 100_000, "nested too deeply|not valid JSON"),
        ('{"type": "Feature", "properties": {"coordTimes": [' + "9" * 5000 + "]}}", "no line with times"),
        ('{"type": "Feature", "geometry": null, "properties": null}', "no line with times"),
    ],
)
def test_unusable_files_are_told_why(tmp_path, text, words):
    path = tmp_path / "run.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError, match=words) as caught:
        load_recording(path)
    assert "\n" not in str(caught.value)


def test_a_file_too_large_to_be_held_is_refused_unread(tmp_path, monkeypatch):
    monkeypatch.setattr("linelab.files.recordings.geojson_times.MAX_BYTES", 100)
    with pytest.raises(FileFormatError, match=r"too large for a GeoJSON recording.*GPX or CSV"):
        load_recording(write(tmp_path, line(coordTimes=STAMPS)))
