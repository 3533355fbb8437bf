"""Recordings nobody would wish for: outside files with faults, and more than a hundred thousand damaged ones.

Whatever a file holds, it is read or refused in words; nothing else is raised, nothing hangs, memory stays bounded.
"""

from __future__ import annotations

import json
import os
import random
import signal
import time
import tracemalloc
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mutations import TOKENS, mutate, seeds

from linelab.errors import FileFormatError, LinelabError
from linelab.files.recordings.load_recording import load_recording
from linelab.recorded.cleaning import clean_recording
from linelab.recorded.samples import own_plane, place_samples

SHARED = Path(os.environ.get("LINELAB_SHARED", Path(__file__).parents[3] / "shared")) / "data" / "recordings_odd"
needs_shared = pytest.mark.skipif(not SHARED.is_dir(), reason="the folder of outside recordings is not here")

#: Samples read from each outside file, counted in the file itself (points or epochs that carry a time).
READ = {
    "Mojstrovka.gpx": 184,
    "around-visnjan-with-car.gpx": 104,
    "cerknicko-jezero-no-creator.gpx": 296,
    "cerknicko-jezero-with-elevations-zero.gpx": 296,
    "cerknicko-jezero-without-elevations.gpx": 295,
    "cerknicko-jezero.gpx": 296,
    "cerknicko-without-times.gpx": 5,
    "first_and_last_elevation.gpx": 10,
    "gpx-with-node-with-comments.gpx": 1,
    "gpx1.0_with_all_fields.gpx": 1,
    "gpx1.1_with_all_fields.gpx": 1,
    "korita-zbevnica.gpx": 513,
    "track-with-empty-segment.gpx": 9,
    "track-with-less-sec-time.gpx": 2,
    "track_with_speed.gpx": 3,
    "nmea_no_checksum.nmea": 2,
    "nmea_w_correct_checksum.nmea": 2,
    "nmea_w_wrong_checksum.nmea": 2,
    "pixel6.nmea": 48,
    "nmea-rtk.log": 122,
    "rst39.log": 41,
    "sirfstarv-nmea.log": 59,
    "skytraq.log": 17,
    "pygpsdata-BADHDR.log": 2,
    "pygpsdata-badeof.log": 1,
    "pygpsdata-mixed.log": 2,
    "pygpsdata-nmea4.log": 1,
    "pygpsdata-nmea4lc.log": 1,
    "pygpsdata-nmeabadck.log": 1,
    "pygpsdata-nmeabadck2.log": 1,
    "pygpsdata-nmeafoo1.log": 1,
    "pygpsdata-nmeafoo2.log": 1,
}
#: Why each of the others is refused.
REFUSED = {
    "custom_schema_locations.gpx": "no track points",
    "default_schema_locations.gpx": "no track points",
    "gpx1.1_with_extensions.gpx": "no track points .found 1 waypoint",
    "gpx1.1_with_extensions_without_namespaces.gpx": "no track points .found 1 waypoint",
    "gpx_with_garmin_extension.gpx": "no track points .found 1 waypoint",
    "route.gpx": "no track points .found 55 waypoints or route points",
    "track-with-extremes.gpx": "no track point has a time",
    "track-with-small-floats.gpx": "no track point has a time",
    "track_with_dilution_errors.gpx": "no track point has a time",
    "unicode.gpx": "no track points",
    "unicode2.gpx": "no track points",
    "unicode_with_bom.gpx": "no track points",
    "unicode_with_bom_noencoding.gpx": "no track points",
    "pygpsdata-nmeastartup.log": "no sentence has a time",
    "LICENSE": "no table of numbers",
    "LICENSE.txt": "no table of numbers",
    "NOTICE.txt": "no table of numbers",
    "COPYING": "no column is recognised as the time",
}


def outside(name):
    """A file below the folder of odd recordings by its name."""
    return next(SHARED.rglob(name))


@needs_shared
def test_every_outside_file_is_accounted_for():
    names = {path.name for path in SHARED.rglob("*") if path.is_file()}
    assert names == READ.keys() | REFUSED.keys()


@needs_shared
@pytest.mark.parametrize("name", READ)
def test_outside_files_that_are_read(name):
    recording = load_recording(outside(name))
    assert recording.t.size == READ[name]
    cleaned, report = clean_recording(recording)
    assert report.codes.size == recording.t.size
    assert (np.diff(cleaned.t) > 0.0).all()


@needs_shared
@pytest.mark.parametrize("name", REFUSED)
def test_outside_files_that_are_refused_say_file_line_found_and_expected(name):
    for path in SHARED.rglob(name):
        with pytest.raises(FileFormatError, match=REFUSED[name]) as caught:
            load_recording(path)
        assert caught.value.path == path
        assert caught.value.line is not None
        assert caught.value.found
        assert caught.value.expected


@needs_shared
@pytest.mark.parametrize(
    ("name", "left", "words"),
    [
        ("Mojstrovka.gpx", 1, "182 samples whose time does not advance"),
        ("first_and_last_elevation.gpx", 9, "1 sample that go back in time"),
        ("skytraq.log", 0, "17 samples without a fix"),
        ("nmea-rtk.log", 121, "the longest of 629.9 s"),
        ("cerknicko-jezero.gpx", 296, "the longest of 894 s"),
    ],
)
def test_cleaning_says_what_is_wrong_with_outside_files(name, left, words):
    cleaned, report = clean_recording(load_recording(outside(name)))
    assert cleaned.t.size == left
    assert any(words in sentence for sentence in report.sentences)


def use(path):
    """Read a file, clean and place it; True when it was read."""
    refused = ""
    try:
        recording = load_recording(path)
    except FileFormatError as error:
        refused = str(error)
    if refused:
        assert refused.startswith(str(path))
        assert "\n" not in refused
        return False
    assert np.isfinite(recording.t).all()
    cleaned, report = clean_recording(recording)
    assert report.codes.size == recording.t.size
    assert report.kept == cleaned.t.size
    with suppress(LinelabError):
        place_samples(recording, own_plane(recording) if recording.lon is not None else None)
    return True


@contextmanager
def no_longer_than(seconds):
    """End whatever takes longer, as a failure."""

    def stop(*_):
        raise TimeoutError(f"more than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def bases():
    """Own small files, and beginnings of the outside ones where they are here."""
    found = list(seeds().values())
    if SHARED.is_dir():
        found += [path.read_bytes()[:3000] for path in sorted(SHARED.rglob("*")) if path.name in READ]
    return found


def fuzz(folder, count, seed):
    """Read ``count`` damaged files; returns how many were read and the longest time."""
    rng, files = random.Random(seed), bases()
    read, slowest = 0, 0.0
    path = folder / "damaged"
    for i in range(count):
        data = mutate(rng, files[i % len(files)], files)
        path.write_bytes(data)
        begin = time.perf_counter()
        try:
            with no_longer_than(20.0):
                read += use(path)
        except BaseException:
            (folder / "culprit").write_bytes(data)
            print(f"input {i} of seed {seed}, kept in {folder / 'culprit'}")
            raise
        slowest = max(slowest, time.perf_counter() - begin)
    return read, slowest


def test_sound_seeds_are_read(tmp_path):
    for name, data in seeds().items():
        path = tmp_path / name
        path.write_bytes(data)
        assert use(path), name


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_damaged_files_raise_nothing_else(tmp_path):
    read, _ = fuzz(tmp_path, 2000, seed=1)
    assert 200 < read < 1900


@pytest.mark.slow
@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_hundred_thousand_damaged_files(tmp_path):
    resource = pytest.importorskip("resource", reason="no resource module on this system")
    fuzz(tmp_path, 200, seed=2)  # libraries are loaded and caches filled
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    read, slowest = fuzz(tmp_path, 100_000, seed=3)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0
    assert 10_000 < read < 95_000
    assert slowest < 10.0
    assert grown < 150.0  # [MB]


def test_memory_of_damaged_files_is_bounded_by_their_size(tmp_path):
    rng, files = random.Random(4), bases()
    path = tmp_path / "damaged"
    tracemalloc.start()
    try:
        for i in range(150):
            data = mutate(rng, files[i % len(files)], files)
            path.write_bytes(data)
            tracemalloc.reset_peak()
            before = tracemalloc.get_traced_memory()[0]
            use(path)
            assert tracemalloc.get_traced_memory()[1] - before < 20e6 + 200 * len(data)
    finally:
        tracemalloc.stop()


cells = st.sampled_from([token.decode("latin-1") for token in TOKENS]) | st.floats().map(repr) | st.text(max_size=6)


@pytest.mark.slow
@settings(max_examples=4000, deadline=None)
@given(
    titles=st.lists(
        st.sampled_from(["time", "t [s]", "lat", "lon", "x", "y", "speed [km/h]", "fix", "hdop", "?", ""]), max_size=6
    ),
    rows=st.lists(st.lists(cells, max_size=6), max_size=8),
    delimiter=st.sampled_from([",", ";", "\t", " ", "|"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "utf-16-le", "utf-8-sig"]),
)
def test_tables_of_odd_cells(tmp_path_factory, titles, rows, delimiter, encoding):
    path = tmp_path_factory.getbasetemp() / "odd.csv"
    text = "\n".join(delimiter.join(row) for row in [titles, *rows])
    path.write_bytes(text.encode(encoding, errors="replace"))
    use(path)


anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False)
    | st.text(max_size=5)
    | st.just("2024-05-01"),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["type", "coordinates", "geometry", "properties", "features", "coordTimes", "times", "speed"]
            ),
            inner | st.sampled_from(["Feature", "LineString", "MultiLineString", "Point", "FeatureCollection"]),
            max_size=5,
        )
    ),
    max_leaves=20,
)


@pytest.mark.slow
@settings(max_examples=4000, deadline=None)
@given(properties=anything, geometry=anything, kind=st.sampled_from(["Feature", "FeatureCollection"]))
def test_geojson_of_anything(tmp_path_factory, properties, geometry, kind):
    feature = {"type": "Feature", "properties": properties, "geometry": geometry, "temporalGeometry": geometry}
    document = feature if kind == "Feature" else {"type": kind, "features": [feature, properties]}
    path = tmp_path_factory.getbasetemp() / "odd.geojson"
    path.write_text(json.dumps(document), encoding="utf-8", errors="replace")
    use(path)
