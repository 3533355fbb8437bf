"""Reading GPX: versions, extensions, and files meant to harm."""

from __future__ import annotations

import math
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelab.errors import FileFormatError, LinelabError
from linelab.io.recordings import load_recording

SHARED = Path(os.environ.get("LINELAB_SHARED", Path(__file__).parents[3] / "shared")) / "data" / "recordings_odd"

POINT = '<trkpt lat="45.00{i}" lon="7.00{i}"><ele>100</ele><time>2024-05-01T10:00:0{i}Z</time>{more}</trkpt>'


def gpx(more="", points=4, head='<?xml version="1.0"?>', version="1.1"):
    body = "\n".join(POINT.format(i=i, more=more) for i in range(points))
    return f'{head}\n<gpx version="{version}" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>\n{body}\n</trkseg></trk></gpx>'


def write(tmp_path, text):
    path = tmp_path / "run.gpx"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "more",
    [
        "<speed>12.5</speed><course>90</course>",  # GPX 1.0, speed in m/s and course in degrees
        "<extensions><a:TrackPointExtension xmlns:a='urn:a'><a:speed>12.5</a:speed><a:course>90</a:course>"
        "</a:TrackPointExtension></extensions>",
    ],
)
def test_speed_and_course_wherever_they_stand(tmp_path, more):
    recording = load_recording(write(tmp_path, gpx(more)))
    np.testing.assert_allclose(recording.speed, 12.5)
    np.testing.assert_allclose(recording.channels["course"], math.pi / 2)
    np.testing.assert_array_equal(recording.t, [0, 1, 2, 3])
    np.testing.assert_allclose(recording.lat, [45.0, 45.001, 45.002, 45.003])


def test_no_speed_is_said(tmp_path):
    recording = load_recording(write(tmp_path, gpx()))
    assert recording.speed is None
    assert "no speed in the file" in recording.notes


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (gpx(head='<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a "b">]>'), "document type"),
        (gpx("<extensions>" + "<e>" * 80 + "</e>" * 80 + "</extensions>"), "nested too deeply"),
        (gpx("<speed>" + "1" * 400_000 + "</speed>"), "too long"),
        (gpx().replace('lat="45.002"', 'lat="nan"'), "line 5.*'lat'.*'nan'"),
        (gpx().replace('lon="7.002"', ""), "line 5.*'lon'.*nothing"),
        (gpx().replace('lat="45', 'lat="145'), "latitude 145.*swapped"),
        (gpx().replace("<time>", "<name>").replace("</time>", "</name>"), "no track point has a time"),
        (gpx().replace("trkpt", "wpt"), r"no track points \(found 4 waypoints"),
        (gpx()[:-30], "breaks off"),
        ("<html><body>log in first</body></html>", "not GPX.*html"),
    ],
)
def test_unusable_files_are_told_why(tmp_path, text, words):
    with pytest.raises(FileFormatError, match=words) as caught:
        load_recording(write(tmp_path, text))
    assert "\n" not in str(caught.value)


def test_points_without_a_time_are_left_out_and_counted(tmp_path):
    recording = load_recording(write(tmp_path, gpx().replace("<time>2024-05-01T10:00:02Z</time>", "")))
    assert recording.t.size == 3
    assert any("1 point without a time" in note and "line 5" in note for note in recording.notes)


@settings(max_examples=200, deadline=None)
@given(data=st.data())
def test_damaged_files_raise_only_our_errors(tmp_path_factory, data):
    base = bytearray(gpx("<speed>12</speed>").encode())
    for _ in range(data.draw(st.integers(1, 4))):
        i = data.draw(st.integers(0, len(base) - 1))
        base[i : i + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=4))
    path = tmp_path_factory.mktemp("damaged") / "run.gpx"
    path.write_bytes(bytes(base))
    try:
        recording = load_recording(path)
    except LinelabError:
        return
    assert np.isfinite(recording.t).all()


@pytest.mark.skipif(not SHARED.is_dir(), reason="the folder of outside recordings is not here")
def test_outside_files_are_read_or_refused_in_words():
    files = sorted(path for path in SHARED.rglob("*") if path.is_file())
    assert len(files) > 30
    read = 0
    refused: list[tuple[Path, str]] = []
    for path in files:
        try:
            read += load_recording(path).t.size > 0
        except LinelabError as error:
            refused.append((path, str(error)))
    assert all(str(path) in message for path, message in refused)
    assert read >= 10  # the GPX files with timed track points
