"""Reading delimited recordings: layouts a user brings, and what an unusable file is told."""

from __future__ import annotations

import os
import sys
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelab.errors import FileFormatError, InputError, LinelabError
from linelab.files.recordings.channel_units import split_header, unit_factor
from linelab.files.recordings.load_recording import load_recording
from linelab.files.recordings.table import save_recording
from linelab.model.lap import Recording

T = [0.0, 0.1, 0.2, 0.3]
LON = [7.001, 7.002, 7.003, 7.004]
LAT = [45.001, 45.002, 45.003, 45.004]


def write(tmp_path, text, name="run one.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding) if isinstance(text, str) else text)
    return path


def table(head, delimiter=",", point=".", speed="36.0"):
    rows = [f"{t}{delimiter}{lat}{delimiter}{lon}{delimiter}{speed}" for t, lat, lon in zip(T, LAT, LON)]
    return "\n".join([head, *(row.replace(".", point) for row in rows)]) + "\n"


def check(recording, speed=10.0):
    np.testing.assert_allclose(recording.t, T, atol=1e-12)
    np.testing.assert_allclose(recording.lon, LON)
    np.testing.assert_allclose(recording.lat, LAT)
    if speed is not None:
        np.testing.assert_allclose(recording.speed, speed, rtol=1e-12)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize(
    ("head", "delimiter", "point"),
    [
        ("time [s],lat [deg],lon [deg],speed [km/h]", ",", "."),
        ("Time;Latitude;Longitude;Speed (km/h)", ";", ","),
        ("t_s\tlat_deg\tlon_deg\tspeed_kmh", "\t", ","),
        ("# t|lat|lon|GPS speed [kph]", "|", "."),
        ("time lat lon speed_kmh", " ", "."),
        ("Session of a windy day\nDriver;R. Example\n\ntime;lat;lon;speed\ns;°;°;km/h", ";", "."),
        ('"time","lat","lon","speed (km/h)"', ",", "."),
    ],
)
def test_layouts_give_the_same_recording(tmp_path, head, delimiter, point, encoding):
    check(load_recording(write(tmp_path, table(head, delimiter, point), encoding=encoding)))


# One knot is 1852 m in 3600 s and one mile 1609.344 m, both by definition.
@pytest.mark.parametrize(
    ("unit", "metres_per_second"),
    [("m/s", 36.0), ("km/h", 10.0), ("mph", 36 * 1609.344 / 3600), ("knots", 36 * 1852 / 3600), ("kn", 18.52)],
)
def test_declared_speed_unit(tmp_path, unit, metres_per_second):
    path = write(tmp_path, table("time,lat,lon,speed"))
    check(load_recording(path, units={"speed": unit}), metres_per_second)


def test_speed_without_a_unit_is_refused_with_the_remedy(tmp_path):
    with pytest.raises(FileFormatError, match=r"unit of speed.*units=\{'speed': 'km/h'\}"):
        load_recording(write(tmp_path, table("time,lat,lon,speed")))


def test_unknown_unit_lists_the_known_ones(tmp_path):
    with pytest.raises(InputError, match=r"'furlongs' is not a unit of speed.*mph"):
        load_recording(write(tmp_path, table("time,lat,lon,speed")), units={"speed": "furlongs"})


def test_columns_by_name_and_by_number(tmp_path):
    path = write(tmp_path, table("Zeit,Breite,Laenge,Tempo"))
    columns = {"time": "zeit", "lat": "Breite", "lon": 3, "speed": "4"}
    check(load_recording(path, columns=columns, units={"speed": "km/h"}))
    bare = write(tmp_path, table("").lstrip("\n"), name="bare.csv")
    numbers = {"time": 1, "lat": 2, "lon": 3}
    check(load_recording(bare, columns=numbers), None)


def test_missing_column_is_named_with_the_closest_title(tmp_path):
    path = write(tmp_path, table("time,Breitengrad,Laengengrad,speed_kmh"))
    with pytest.raises(FileFormatError, match=r"no column 'Breitengrd' for lat.*Did you mean 'Breitengrad'"):
        load_recording(path, columns={"lat": "Breitengrd"})
    path = write(tmp_path, table("time,Leveysaste,Pituusaste,speed_kmh"))
    with pytest.raises(FileFormatError, match=r"positions.*'Leveysaste', 'Pituusaste'"):
        load_recording(path)


@pytest.mark.parametrize(
    "titles",
    [
        "Zeit [s];Längengrad;Breitengrad;Geschwindigkeit [km/h]",
        "temps;longitude;latitude;vitesse [km/h]",
        "Tiempo;Longitud;Latitud;Velocidad (km/h)",
        "time;Longitudine;Latitudine;velocità km/h",
    ],
)
def test_titles_in_other_languages_and_decimal_commas(tmp_path, titles):
    path = write(tmp_path, f"{titles}\n0,0;7,5;45,25;36\n0,1;7,5001;45,2501;72,0\n")
    recording = load_recording(path)
    assert recording.lon is not None
    assert recording.lat is not None
    np.testing.assert_allclose(recording.t, [0.0, 0.1])
    np.testing.assert_allclose([recording.lon[0], recording.lat[0]], [7.5, 45.25])
    np.testing.assert_allclose(recording.speed, [10.0, 20.0])


@pytest.mark.parametrize(
    ("stamps", "unit"),
    [
        (["2024-05-01T10:00:00.000Z", "2024-05-01T10:00:00.100Z", "2024-05-01T10:00:00.200Z"], None),
        (["2024-05-01 12:00:00.000+02:00", "2024-05-01 12:00:00.100+02:00", "2024-05-01 12:00:00.200+02:00"], None),
        (["1714557600.0", "1714557600.1", "1714557600.2"], None),
        (["1714557600000", "1714557600100", "1714557600200"], None),
        (["10:00:00.0", "10:00:00.1", "10:00:00.2"], None),
        (["23:59:59.9", "00:00:00.0", "00:00:00.1"], None),
        (["01:02.0", "01:02.1", "01:02.2"], None),
        (["0", "100", "200"], "ms"),
    ],
)
def test_times(tmp_path, stamps, unit):
    text = "time,lat,lon\n" + "".join(f"{stamp},45.0,7.0\n" for stamp in stamps)
    units = {"time": unit} if unit else None
    # A number since 1970 in seconds keeps about 0.2 microseconds in double precision.
    np.testing.assert_allclose(load_recording(write(tmp_path, text), units=units).t, [0.0, 0.1, 0.2], atol=1e-6)


def test_milliseconds_without_a_unit_are_not_taken_for_seconds(tmp_path):
    text = "time,lat,lon\n0,45,7\n100,45,7\n200,45,7\n"
    with pytest.raises(FileFormatError, match=r"unit of time is not stated.*steps of 100"):
        load_recording(write(tmp_path, text))


def test_gaps_stay_gaps_and_odd_cells_are_counted(tmp_path):
    rows = ["0,45,7,10", "0.1,,,11", "0.2,45,7,fast", "0.3,45,7,inf", ",45,7,9", "0.5,45", "# note", "", "0.6,45,7,12"]
    text = "\n".join(["t_s,lat,lon,speed_mps", *rows])
    recording = load_recording(write(tmp_path, text))
    np.testing.assert_array_equal(recording.t, [0.0, 0.1, 0.2, 0.3, 0.6])
    np.testing.assert_array_equal(np.isnan(recording.lat), [False, True, False, False, False])
    np.testing.assert_array_equal(np.isnan(recording.speed), [False, False, True, True, False])
    notes = " / ".join(recording.notes)
    assert "line 4 ('fast')" in notes
    assert "1 line without a time left out, the first at line 6" in notes
    assert "1 line with too few columns left out, the first at line 7" in notes


def test_facts_are_not_cleaned(tmp_path):
    text = "t_s,lat,lon\n0,0,0\n0.2,45,7\n0.1,45,7\n0.1,45,7\n"
    recording = load_recording(write(tmp_path, text))
    np.testing.assert_array_equal(recording.t, [0.0, 0.2, 0.1, 0.1])
    assert recording.lat[0] == 0.0


def test_local_metres_and_feet(tmp_path):
    path = write(tmp_path, "t_s,x,y,speed_mps\n0,0,0,1\n1,10,20,1\n")
    recording = load_recording(path, units={"x": "ft", "y": "ft"})
    np.testing.assert_allclose([recording.x[1], recording.y[1]], [3.048, 6.096])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\xef\xbb\xbf\r\n \n", "empty"),
        (b"\x00" * 3000, "empty"),
        (b"PK\x03\x04" + bytes(range(256)) * 20, "packed file or a workbook"),
        (b"RIFF" + bytes(range(256)) * 20, "not a text file.*52 49 46 46"),
        (b"Dear coach,\nit rained.\n", "no table of numbers.*Dear coach"),
        (b"t_s,lat,lon\n", "no table of numbers"),
        (b"t_s,lat,lon\n0,145.0,7\n1,145.0,7\n", "latitude 145.*swapped"),
        (b"t_s,lat,lon\n0,4712.34,712.3\n1,4712.35,712.3\n", "degrees and minutes"),
        (b"t_s,lat,lon\n0,450000000,70000000\n1,450000000,70000000\n", "ten million"),
        (b"t_s,lat,lon\n0,,\n1,,\n", "no sample has a position"),
        (b"lat,lon,speed_kmh\n45,7,3\n45,7,3\n", "no column is recognised as the time"),
        (b"t_s,lat,speed_kmh\n0,45,3\n1,45,3\n", "recognised as the longitude"),
        (b"time,lat,lon\nsoon,45,7\nlater,45,7\n", "time cannot be read"),
    ],
)
def test_unusable_files_are_told_why_on_one_line(tmp_path, content, words):
    path = write(tmp_path, content)
    with pytest.raises(FileFormatError, match=words) as caught:
        load_recording(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)
    assert caught.value.path == path


def test_swapped_columns_name_the_line(tmp_path):
    with pytest.raises(FileFormatError) as caught:
        load_recording(write(tmp_path, "junk\n\nt_s,lon,lat\n0,7,45\n1,7,95\n2,7,45\n3,7,45\n"))
    assert caught.value.line == 5


def test_missing_file_folder_and_size(tmp_path):
    with pytest.raises(FileFormatError, match="no such file"):
        load_recording(tmp_path / "none.csv")
    with pytest.raises(FileFormatError, match="folder"):
        load_recording(tmp_path)
    with pytest.raises(FileFormatError, match="more than the limit"):
        load_recording(write(tmp_path, table("time,lat,lon,speed_kmh")), max_bytes=10)


def test_headers_and_units():
    assert split_header("GPS Speed [km/h]") == ("gpsspeed", "km/h")
    assert split_header("speed_mps") == ("speed", "m/s")
    assert split_header("t") == ("t", "")
    assert split_header("lat_deg") == ("lat", "deg")
    assert unit_factor("speed", "kph") == pytest.approx(1 / 3.6)


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_damaged_files_raise_only_our_errors(tmp_path_factory, data):
    base = bytearray(table("time [s],lat,lon,speed [km/h]").encode())
    for _ in range(data.draw(st.integers(1, 6))):
        i = data.draw(st.integers(0, len(base) - 1))
        base[i : i + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=4))
        if not base:
            break
    path = tmp_path_factory.mktemp("damaged") / "run.csv"
    path.write_bytes(bytes(base))
    try:
        recording = load_recording(path)
    except LinelabError:
        return
    assert np.isfinite(recording.t).all()


CELLS = st.one_of(
    st.floats(-1e3, 1e3, allow_nan=False).map(repr),
    st.integers(-1000, 1000).map(str),
    st.sampled_from(
        ["", "1e3", "-.5", "+7.", "nan", "inf", "1,5", " 3 ", "fast", "na", '"4"', "0x10", "1_0", "-", "12a"]
    ),
)


@settings(max_examples=300, deadline=None)
@given(
    rows=st.lists(st.tuples(CELLS, CELLS, CELLS), min_size=1, max_size=12),
    delimiter=st.sampled_from(",;\t|"),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    last=st.booleans(),
)
def test_blocks_in_one_go_read_what_cell_by_cell_reads(tmp_path_factory, rows, delimiter, end, last):
    lines = [f"{0.1 * i:.1f}{delimiter}{delimiter.join(row)}" for i, row in enumerate(rows)]
    head = delimiter.join(["time [s]", "lat", "lon", "speed [m/s]"])
    first = delimiter.join(["-1.0", "45", "7", "3"])
    path = tmp_path_factory.mktemp("cells") / "run.csv"
    path.write_bytes((end.join([head, first, *lines]) + (end if last else "")).encode())

    def outcome():
        try:
            recording = load_recording(path)
        except LinelabError as error:
            return str(error)
        speed = [] if recording.speed is None else recording.speed.tolist()
        return repr([recording.t.tolist(), recording.lat.tolist(), recording.lon.tolist(), speed, recording.notes])

    fast = outcome()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("linelab.files.recordings.table_rows.regular_block", lambda *_: None)
        careful = outcome()
    assert fast == careful


@pytest.mark.parametrize(
    "stamp", ["2024-02-29T23:59:59.{:03d}Z", "2024-12-31 23:59:59.{:03d}+02:00", "23:59:59,{:03d}"]
)
def test_times_in_one_go_are_what_the_parser_of_one_reads(tmp_path, stamp):
    stamps = [stamp.format(i) for i in range(0, 1000, 37)]
    rolled = stamp.replace("-02-29T23:59:59", "-03-01T00:00:00").replace("-12-31 23:59:59", "-12-31 23:58:00")
    stamps += [rolled.format(i) for i in range(0, 1000, 37)]
    path = write(tmp_path, "time;lat;lon\n" + "".join(f"{s};45;7\n" for s in stamps))
    one_go = load_recording(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("linelab.files.recordings.table_rows.regular_block", lambda *_: None)
        careful = load_recording(path)
    np.testing.assert_allclose(one_go.t, careful.t, atol=2e-6)
    assert one_go.start_utc == careful.start_utc


def test_lines_are_counted_across_blocks(tmp_path, monkeypatch):
    monkeypatch.setattr("linelab.files.recordings.table_rows._BLOCK", 50)
    rows = [f"{0.1 * i:.1f},45,7,{'odd' if i == 70 else 3}" for i in range(100)]
    rows[40] = "4.0,45"
    recording = load_recording(write(tmp_path, "\n".join(["time,lat,lon,speed_mps", *rows]) + "\n"))
    np.testing.assert_allclose(recording.t, np.delete(np.arange(100) / 10.0, 40), atol=1e-9)
    assert "1 cell of speed read as gaps, the first at line 72 ('odd')" in recording.notes
    assert "1 line with too few columns left out, the first at line 42" in recording.notes


def test_a_quoted_line_end_across_blocks_is_one_cell(tmp_path, monkeypatch):
    monkeypatch.setattr("linelab.files.recordings.table_rows._BLOCK", 40)
    rows = [f'{i},45,7,"said\nin two lines"' if i % 3 else f"{i},45,7," for i in range(30)]
    recording = load_recording(write(tmp_path, "\n".join(["t_s,lat,lon,note", *rows]) + "\n"))
    np.testing.assert_array_equal(recording.t, np.arange(30.0))


def test_a_message_about_a_cell_of_two_lines_is_on_one(tmp_path):
    rows = [f'{i},45,7,"fast\n, very"' for i in range(4)]
    with pytest.raises(FileFormatError, match=r"mostly unreadable.*'fast , very'") as caught:
        load_recording(write(tmp_path, "\n".join(["t_s,lat,lon,speed_kmh", "0,45,7,3", *rows]) + "\n"))
    assert "\n" not in str(caught.value)


def test_absolute_times(tmp_path):
    """2024-05-01 10:00 UTC is 1714557600 s after 1970 (the definition of POSIX time; date -u gives the same)."""
    text = "time,lat,lon\n{},45,7\n"
    for stamp in ("2024-05-01T10:00:00Z", "1714557600", "1714557600000", "2024-05-01T12:00:00+02:00"):
        assert load_recording(write(tmp_path, text.format(stamp))).start_utc == pytest.approx(1714557600.0)
    elapsed = load_recording(write(tmp_path, text.format("12.5")))
    assert (elapsed.start_utc, elapsed.start_clock) == (None, 12.5)
    dated = load_recording(
        write(tmp_path, "date,time,lat,lon\n2024-05-01,10:00:00.0,45,7\n2024-05-01,10:00:00.1,45,7\n")
    )
    assert dated.start_utc == 1714557600.0
    both = load_recording(write(tmp_path, "t_s,utc_ms,lat,lon\n3.0,1714557600000,45,7\n3.1,1714557600100,45,7\n"))
    assert (both.start_utc, both.start_clock) == (1714557600.0, 3.0)
    whole = load_recording(write(tmp_path, "Date,lat,lon\n2024-05-01 10:00:00,45,7\n2024-05-01 10:00:01,45,7\n"))
    assert whole.start_utc == 1714557600.0
    clock = load_recording(write(tmp_path, "time,lat,lon\n10:00:00.0,45,7\n10:00:00.1,45,7\n"))
    assert (clock.start_utc, clock.start_clock) == (None, 36000.0)


def test_channels_in_si(tmp_path):
    head = "time [s],lat,lon,acc x [g],accY [m/s²],gyro z [deg/s],rpm,throttle [%],steering angle [deg],water temp [°C]"
    recording = load_recording(write(tmp_path, head + ",sats,alt [ft]\n" + "0,45,7,1,2,180,60,50,90,61,9,100\n" * 2))
    expected = {
        "ax": 9.80665, "ay": 2.0, "yaw_rate": np.pi, "engine_speed": 2.0 * np.pi, "throttle": 0.5,
        "steering": np.pi / 2.0, "temperature": 61.0, "satellites": 9.0, "altitude": 30.48,
    }  # fmt: skip
    assert {name: values[0] for name, values in recording.channels.items()} == pytest.approx(expected)


def test_a_channel_without_values_is_left_out(tmp_path):
    recording = load_recording(write(tmp_path, "t_s,lat,lon,hdop,speed_kmh\n0,45,7,,\n1,45,7,,\n"))
    assert recording.speed is None
    assert "hdop" not in recording.channels
    assert {"hdop: nothing recorded", "speed: nothing recorded"} <= set(recording.notes)


@pytest.mark.slow
def test_memory_of_a_long_recording_is_a_few_times_its_own(tmp_path):
    count = 400_000
    path = tmp_path / "long.csv"
    with path.open("w", encoding="ascii") as file:
        file.write("time [s],lat,lon,speed [km/h],course\n")
        file.writelines(f"{0.04 * i:.2f},{45 + 1e-9 * i:.8f},7.12345678,36.5,90.0\n" for i in range(count))
    tracemalloc.start()
    try:
        recording = load_recording(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert recording.t.size == count
    own = 5 * 8 * count
    assert peak < 3 * own + 40e6


def test_a_line_without_end_is_refused_before_it_fills_the_memory(tmp_path):
    path = tmp_path / "run.csv"
    with path.open("wb") as file:
        file.write(b"t_s,lat,lon\n0,45,7\n1,45,7\n")
        file.write(b"1" * 5_000_000)
    with pytest.raises(FileFormatError, match="a line is longer than a million letters"):
        load_recording(path)


def test_progress_is_told_and_may_stop_the_reading(tmp_path, monkeypatch):
    monkeypatch.setattr("linelab.files.recordings.table_rows._BLOCK", 64)
    path = write(tmp_path, "t_s,lat,lon\n" + "".join(f"{i},45,7\n" for i in range(100)))
    told = []
    load_recording(path, progress=told.append)
    assert told[-1] == "reading run one.csv: 100%"

    def stop(text):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        load_recording(path, progress=stop)


def test_endless_short_lines_are_given_up_early(tmp_path, monkeypatch):
    monkeypatch.setattr("linelab.files.recordings.table_rows._BLOCK", 1 << 16)
    path = tmp_path / "run.csv"
    path.write_bytes(b"t_s,lat,lon\n0,45,7\n1,45,7\n" + b"\n" * 5_000_000 + b"7\n" * 2_000_000)
    told = []
    with pytest.raises(FileFormatError, match=r"lines have too few columns.*2 usable lines") as caught:
        load_recording(path, progress=told.append)
    assert caught.value.line == 5_000_004
    assert "100%" not in told[-1]


@pytest.mark.parametrize(
    ("stated", "meant"),
    [({"columns": {"sped": "velocity"}}, "speed"), ({"columns": {"velocity": 4}}, "speed"),
     ({"units": {"spead": "km/h"}}, "speed"), ({"columns": {"Latitude": 2}}, "lat"),
     ({"columns": {"rpm": 4}}, "engine_speed")],
)  # fmt: skip
def test_a_role_misspelt_is_refused(tmp_path, stated, meant):
    """As a channel of its own it would be read and never looked at, and the speed would be missing."""
    path = write(tmp_path, table("time [s],lat,lon,velocity [km/h]"))
    with pytest.raises(InputError, match=f"unknown role '.*' of a column. Did you mean '{meant}'"):
        load_recording(path, **stated)


def test_a_channel_of_the_users_own_is_kept(tmp_path):
    recording = load_recording(write(tmp_path, table("time [s],lat,lon,gear")), columns={"gear": "gear"})
    np.testing.assert_allclose(recording.channels["gear"], 36.0)


def test_columns_of_one_title_are_told(tmp_path):
    text = "time [s],lat,lon,speed [km/h],speed [km/h]\n" + "".join(f"{t},45.0,7.0,36,72\n" for t in T)
    recording = load_recording(write(tmp_path, text))
    np.testing.assert_allclose(recording.speed, 10.0)
    assert "columns 4 and 5 are titled 'speed [km/h]' alike: speed is taken from 4" in recording.notes
    np.testing.assert_allclose(load_recording(tmp_path / "run one.csv", columns={"speed": 5}).speed, 20.0)


def test_what_is_stated_and_not_used_is_told(tmp_path):
    recording = load_recording(write(tmp_path, table("time [s],lat,lon,speed [km/h]")), units={"altitude": "ft"})
    assert "unit of altitude stated, but no column is altitude" in recording.notes
    point = '<trkpt lat="45.0" lon="7.0"><time>2026-05-03T10:00:0{}Z</time></trkpt>'
    track = f'<gpx version="1.1"><trk><trkseg>{"".join(point.format(i) for i in range(4))}</trkseg></trk></gpx>'
    recording = load_recording(
        write(tmp_path, track, name="lap.gpx"), columns={"time": "t"}, units={"speed": "km/h", "time": "s"}
    )
    assert "column of time and unit of speed, time stated, but not used: GPX has its own" in recording.notes


@pytest.mark.skipif(os.name != "posix" or sys.platform == "darwin", reason="names are Unicode there")
def test_a_file_whose_name_is_no_unicode(tmp_path):
    """As they come from an old memory stick: the name must be fit to be written into a page."""
    path = os.path.join(os.fsencode(tmp_path), b"Gel\xe4nde.csv")
    with open(path, "wb") as file:
        file.write(table("time [s],lat,lon,speed [km/h]").encode())
    recording = load_recording(os.fsdecode(path))
    check(recording)
    assert recording.source.encode("utf-8").endswith("Gel\ufffdnde.csv".encode())
    with pytest.raises(FileFormatError) as caught:
        load_recording(os.fsdecode(path) + "x")
    assert "Gel\ufffdnde.csvx: no such file" in str(caught.value)


def test_milliseconds_under_a_title_of_seconds(tmp_path):
    rows = "".join(f"{1000 * t:.0f},{lat},{lon},36\n" for t, lat, lon in zip(T, LAT, LON))
    path = write(tmp_path, "time [s],lat,lon,speed [km/h]\n" + rows)
    with pytest.raises(FileFormatError, match="samples are 100 s apart by the file's own unit of time") as caught:
        load_recording(path)
    assert "--unit time=ms" in str(caught.value)
    check(load_recording(path, units={"time": "ms"}))


@pytest.mark.parametrize("start", [None, 1_780_000_000.25])
def test_a_saved_recording_has_every_digit(tmp_path, start):
    rng = np.random.default_rng(3)
    t = np.arange(50) * 0.1 + rng.normal(size=50) * 1e-3
    channels = {"brake": np.where(rng.random(50) < 0.2, np.nan, rng.random(50)), "my own": rng.random(50)}
    made = Recording(
        t=t - t[0], lon=5.0 + 1e-6 * rng.random(50).cumsum(), lat=51.0 + 1e-6 * rng.random(50).cumsum(),
        speed=10.0 + rng.random(50), channels=channels, start_utc=start, notes=("one\nline",),
    )  # fmt: skip
    save_recording(made, tmp_path / "session.csv")
    read = load_recording(tmp_path / "session.csv", columns={"my own": "my own"})
    np.testing.assert_allclose(read.t, made.t, rtol=0, atol=0.0 if start is None else 5e-7)
    assert read.start_utc == pytest.approx(start) if start else read.start_utc is None
    for name in ("lon", "lat", "speed"):
        np.testing.assert_array_equal(getattr(read, name), getattr(made, name))
    for name in channels:
        np.testing.assert_allclose(read.channels[name], made.channels[name], rtol=1e-15)
