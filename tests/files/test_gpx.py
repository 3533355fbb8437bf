"""Reading GPX: versions, extensions, and files meant to harm."""

from __future__ import annotations

import math
import os
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelab.errors import FileFormatError, LinelabError
from linelab.files.recordings.load_recording import load_recording

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
        (gpx(head='<?xml version="1.0" encoding="martian"?>'), "encoding"),
        (gpx("<!--" + "x" * 9_000_000 + "-->"), "a tag or comment is too long"),
        (gpx("".join(f"<e{i}/>" for i in range(20_000))), "too many different elements"),
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
def test_outside_files_as_an_independent_parser_reads_them():
    """gpxpy as the independent reader: the same points with times, in the same order."""
    checked = 0
    for path in sorted((SHARED / "gpx_gpxpy").glob("*.gpx")):
        with path.open(encoding="utf-8-sig") as file:
            there = [p for p in gpxpy.parse(file).walk(only_points=True) if p.time is not None]
        if not there:
            continue
        here = load_recording(path)
        assert here.t.size == len(there)
        np.testing.assert_array_equal(here.lon, [p.longitude for p in there])
        np.testing.assert_array_equal(here.lat, [p.latitude for p in there])
        np.testing.assert_allclose(here.start_utc + here.t, [p.time.timestamp() for p in there], atol=1e-6)
        if here.speed is not None:
            np.testing.assert_allclose(here.speed, [np.nan if p.speed is None else p.speed for p in there])
        checked += here.t.size
    assert checked > 1000


@pytest.mark.parametrize(
    ("more", "channel", "value"),
    [
        ("<hdop>1.5</hdop><sat>9</sat><fix>none</fix>", "fix", 0.0),
        ("<extensions><ax unit='g'>1.0</ax></extensions>", "ax", 9.80665),  # exact by convention
        ("<extensions><yaw_rate_dps>180</yaw_rate_dps></extensions>", "yaw_rate", math.pi),
        ("<extensions><b:rpm xmlns:b='urn:b'>60</b:rpm></extensions>", "engine_speed", 2.0 * math.pi),
        ("<extensions><throttle unit='%'>50</throttle></extensions>", "throttle", 0.5),
        ("<extensions><watertemp>61</watertemp></extensions>", "temperature", 61.0),
    ],
)
def test_channels_of_a_point(tmp_path, more, channel, value):
    recording = load_recording(write(tmp_path, gpx(more)))
    np.testing.assert_allclose(recording.channels[channel], value)


def test_a_channel_without_a_unit_is_left_out_and_one_that_starts_late_has_gaps(tmp_path):
    text = gpx("<extensions><ay>3</ay></extensions>")
    text = text.replace("10:00:03Z</time>", "10:00:03Z</time><hdop>2</hdop>")
    recording = load_recording(write(tmp_path, text))
    assert "ay" not in recording.channels
    assert any(note.startswith("ay left out: <ay>") for note in recording.notes)
    np.testing.assert_array_equal(recording.channels["hdop"], [np.nan, np.nan, np.nan, 2.0])


def test_a_time_inside_an_extension_is_not_the_time_of_the_point(tmp_path):
    more = "<extensions><b:time xmlns:b='urn:b'>1999-01-01T00:00:00Z</b:time></extensions>"
    assert load_recording(write(tmp_path, gpx(more))).start_utc == 1_714_557_600  # 2024-05-01 10:00 UTC


def test_gpx_1_1_has_no_speed_of_its_own(tmp_path):
    """GPX 1.0 had speed and course elements, 1.1 has neither; they are read wherever a logger put them."""
    old = load_recording(write(tmp_path, gpx("<speed>3</speed><course>180</course>", version="1.0")))
    new = load_recording(write(tmp_path, gpx("<extensions><speed>3</speed><course>180</course></extensions>")))
    for recording in (old, new):
        np.testing.assert_allclose(recording.speed, 3.0)
        np.testing.assert_allclose(recording.channels["course"], math.pi)
