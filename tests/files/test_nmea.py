"""Reading NMEA 0183 logs: printed sentences with their checksums, epochs merged, and what loggers make of them."""

from __future__ import annotations

import functools
import math
import operator
import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelab.errors import FileFormatError
from linelab.files.recordings.load_recording import load_recording
from linelab.files.recordings.nmea import checksum

SHARED = Path(os.environ.get("LINELAB_SHARED", Path(__file__).parents[3] / "shared")) / "data" / "recordings_odd"

# Example sentences as printed in descriptions of NMEA 0183 (a collection of outside values; the standard itself is
# not free), each with the checksum printed with it.
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = "$GPRMC,220516,A,5133.82,N,00042.24,W,173.8,231.8,130694,004.2,W*70"
RMC_OLD = "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68"
VTG = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
#: Widely copied, and wrong: the right sum is 2B.
WRONG = "$GPRMC,225446.33,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E,A*68"


def sentence(body):
    """A sentence with its checksum."""
    return f"${body}*{functools.reduce(operator.xor, body.encode('ascii')):02X}"


def rmc(time, date="010524", speed="10.0", status="A", lat="4500.0000", talker="GP"):
    return sentence(f"{talker}RMC,{time},{status},{lat},N,00700.0000,E,{speed},90.0,{date},,,A")


def gga(time, lat="4500.0000", quality="1", talker="GP", satellites="08"):
    return sentence(f"{talker}GGA,{time},{lat},N,00700.0000,E,{quality},{satellites},0.9,100.0,M,0.0,M,,")


def write(tmp_path, *lines, end="\r\n"):
    path = tmp_path / "log.nmea"
    data = b"".join((line if isinstance(line, bytes) else line.encode("ascii")) + end.encode() for line in lines)
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("text", [GGA, RMC, RMC_OLD, VTG])
def test_checksums_as_printed(text):
    body, _, given_sum = text[1:].partition("*")
    assert checksum(body.encode()) == int(given_sum, 16)


def test_the_widely_copied_wrong_sentence():
    assert checksum(WRONG[1:].partition("*")[0].encode()) == 0x2B


def test_the_wrong_sentence_is_refused_with_line_found_and_expected(tmp_path):
    with pytest.raises(FileFormatError) as caught:
        load_recording(write(tmp_path, WRONG))
    assert (caught.value.line, caught.value.found, caught.value.expected) == (1, "*68", "*2B")


def test_printed_sentences_are_read(tmp_path):
    recording = load_recording(write(tmp_path, GGA))
    assert recording.lat[0] == pytest.approx(48 + 7.038 / 60, abs=1e-12)
    assert recording.lon[0] == pytest.approx(11 + 31.0 / 60, abs=1e-12)
    values = {name: float(channel[0]) for name, channel in recording.channels.items()}
    assert values == {"fix": 1.0, "satellites": 8.0, "hdop": 0.9, "altitude": 545.4}
    assert recording.start_utc is None
    assert recording.start_clock == 12 * 3600 + 35 * 60 + 19
    recording = load_recording(write(tmp_path, RMC))
    assert recording.lat[0] == pytest.approx(51 + 33.82 / 60, abs=1e-12)
    assert recording.lon[0] == pytest.approx(-(42.24 / 60), abs=1e-12)
    assert recording.speed[0] == pytest.approx(173.8 * 1852 / 3600)
    assert recording.channels["course"][0] == pytest.approx(math.radians(231.8))
    assert recording.start_utc == datetime(1994, 6, 13, 22, 5, 16, tzinfo=UTC).timestamp()


def test_sentences_of_one_time_are_one_sample_and_slow_ones_leave_gaps(tmp_path):
    lines = [rmc("120000.00"), gga("120000.00"), gga("120000.10"), gga("120000.20"), rmc("120001.00"), gga("120001.00")]
    recording = load_recording(write(tmp_path, *lines))
    np.testing.assert_allclose(recording.t, [0.0, 0.1, 0.2, 1.0], atol=1e-6)
    np.testing.assert_array_equal(np.isfinite(recording.speed), [True, False, False, True])
    np.testing.assert_array_equal(recording.channels["satellites"], [8.0] * 4)


def test_the_position_with_more_digits_is_taken(tmp_path):
    recording = load_recording(write(tmp_path, rmc("120000", lat="4500.12"), gga("120000", lat="4500.123456")))
    assert recording.lat[0] == pytest.approx(45 + 0.123456 / 60, abs=1e-12)


def test_the_combined_talker_is_preferred(tmp_path):
    lines = [gga("120000", talker="GP"), gga("120000", talker="GL", satellites="03"), rmc("120000")]
    assert load_recording(write(tmp_path, *lines)).channels["satellites"][0] == 8.0
    lines.insert(2, gga("120000", talker="GN", satellites="11", lat="4500.0010"))
    recording = load_recording(write(tmp_path, *lines))
    assert recording.t.size == 1
    assert recording.channels["satellites"][0] == 11.0
    assert recording.lat[0] == pytest.approx(45 + 0.001 / 60, abs=1e-12)


@pytest.mark.parametrize("leads", [False, True])
def test_vtg_belongs_to_its_burst(tmp_path, leads):
    def burst(second, knots):
        vtg = sentence(f"GPVTG,90.0,T,,M,{knots},N,,K,A")
        lines = [gga(f"12000{second}.00")]
        return [vtg, *lines] if leads else [*lines, vtg]

    recording = load_recording(write(tmp_path, *burst(0, "10.0"), *burst(1, "20.0"), *burst(2, "30.0")))
    np.testing.assert_allclose(recording.speed, np.array([10.0, 20.0, 30.0]) * 1852 / 3600)


def test_days_roll_over_at_midnight_with_and_without_dates(tmp_path):
    lines = [rmc("235959.90", date="311223"), gga("000000.00"), rmc("000000.10", date="010124")]
    recording = load_recording(write(tmp_path, *lines))
    np.testing.assert_allclose(recording.t, [0.0, 0.1, 0.2], atol=1e-6)
    assert recording.start_utc == pytest.approx(datetime(2023, 12, 31, 23, 59, 59, 900000, tzinfo=UTC).timestamp())
    bare = load_recording(write(tmp_path, gga("235959.90"), gga("000000.00"), gga("000000.10")))
    np.testing.assert_allclose(bare.t, [0.0, 0.1, 0.2], atol=1e-6)
    assert "no date in the file: times are times of day" in bare.notes
    zda = load_recording(write(tmp_path, gga("120000.00"), sentence("GPZDA,120000.00,05,02,2024,00,00")))
    assert zda.start_utc == datetime(2024, 2, 5, 12, tzinfo=UTC).timestamp()


def test_no_fix_is_told_not_hidden(tmp_path):
    recording = load_recording(write(tmp_path, rmc("120000", status="V"), gga("120001", quality="0"), gga("120002")))
    np.testing.assert_array_equal(recording.channels["fix"], [0.0, 0.0, 1.0])
    gns = sentence("GNGNS,120000.00,4500.0,N,00700.0,E,RNNN,12,0.6,100.0,0.0,,")
    assert load_recording(write(tmp_path, gns)).channels["fix"][0] == 4.0


def test_prefixes_suffixes_noise_and_other_sentences_are_passed_over(tmp_path):
    lines = [
        "NMEA," + rmc("120000.00") + ",1714564800000",
        "12:00:00.123 > " + gga("120000.00"),
        b"\xb5b\x01\x07\x5c\x00$GP" + bytes(range(20)) + rmc("120001.00").encode(),
        rmc("120002.00").lower(),  # not an address, which is in capitals
        "$GPGSV,1,1,00*79",
        "$PSTI,030,120000.00*00",
        "\\s:name,c:1*00\\" + gga("120003.00"),
    ]
    recording = load_recording(write(tmp_path, *lines))
    np.testing.assert_allclose(recording.t, [0.0, 1.0, 3.0])
    assert recording.channels["altitude"][0] == 100.0


def test_faults_are_counted_with_their_first_line(tmp_path):
    good = [rmc(f"12000{i}.00") for i in range(4)]
    broken = good[1][:-2] + "00"
    cut = good[2][:30]
    odd = sentence("GPRMC,120004.00,A,4500.0,N,00700.0,E,X.1,90.0,010524,,,A")
    recording = load_recording(write(tmp_path, good[0], broken, cut, good[3], odd, end="\n"))
    np.testing.assert_allclose(recording.t, [0.0, 3.0, 4.0])
    notes = " / ".join(recording.notes)
    assert "1 sentence with a wrong checksum left out, the first at line 2 (*00" in notes
    assert "1 broken sentence left out, the first at line 3" in notes
    assert "1 field read as gaps, the first at line 5" in notes


def test_a_file_without_checksums_is_read_and_says_so(tmp_path):
    lines = [line.partition("*")[0] for line in (rmc("120000.00"), gga("120000.00"))]
    assert "2 sentences without a checksum taken unchecked" in load_recording(write(tmp_path, *lines)).notes


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["$GPGSV,1,1,00*79", "$GPGSA,A,1,,,,,,,,,,,,,0.0,0.0,0.0*30"], r"no complete RMC.*found GSA, GSV"),
        ([sentence("GNRMC,,V,,,,,,,,,,N"), sentence("GNGGA,,,,,,0,00,99.99,,,,,,")], "no sentence has a time"),
        ([sentence("GPGGA,120000,,,,,0,00,,,M,,M,,")], "no sample has a position"),
    ],
)
def test_logs_without_positions_are_refused_with_the_cause(tmp_path, lines, words):
    with pytest.raises(FileFormatError, match=words):
        load_recording(write(tmp_path, *lines))


def test_sentences_cut_by_a_block_are_whole(tmp_path, monkeypatch):
    monkeypatch.setattr("linelab.files.recordings.nmea._BLOCK", 37)
    lines = [line for i in range(60) for line in (rmc(f"1200{i:02d}.00"), gga(f"1200{i:02d}.00"))]
    recording = load_recording(write(tmp_path, *lines, lines[0][:-2] + "00"))
    np.testing.assert_allclose(recording.t, np.arange(60.0))
    assert any("the first at line 121" in note for note in recording.notes)


@settings(max_examples=200, deadline=None)
@given(
    seconds=st.integers(0, 86399),
    lat=st.floats(-89.99, 89.99),
    lon=st.floats(-179.99, 179.99),
    knots=st.floats(0, 200),
    course=st.floats(0, 359.9),
)
def test_values_as_an_independent_parser_reads_them(tmp_path_factory, seconds, lat, lon, knots, course):
    """pynmea2 as the independent reader of the same sentence."""

    def angle(value, digits):
        degrees, minutes = divmod(abs(value) * 60.0, 60.0)
        return f"{int(degrees):0{digits}d}{min(minutes, 59.99999):08.5f}"

    time = f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.25"
    sides = "S" if lat < 0 else "N", "W" if lon < 0 else "E"
    text = sentence(
        f"GNRMC,{time},A,{angle(lat, 2)},{sides[0]},{angle(lon, 3)},{sides[1]},{knots:.3f},{course:.2f},290224,,,A"
    )
    there = pynmea2.parse(text, check=True)
    path = tmp_path_factory.mktemp("nmea") / "one.nmea"
    path.write_text(text + "\r\n", encoding="ascii")
    here = load_recording(path)
    assert here.lat[0] == pytest.approx(there.latitude, abs=1e-11)
    assert here.lon[0] == pytest.approx(there.longitude, abs=1e-11)
    assert here.speed[0] == pytest.approx(there.spd_over_grnd * 1852 / 3600)
    assert here.channels["course"][0] == pytest.approx(math.radians(there.true_course))
    assert here.start_utc == pytest.approx(datetime.combine(there.datestamp, there.timestamp).timestamp(), abs=1e-5)


@pytest.mark.skipif(not SHARED.is_dir(), reason="the folder of outside recordings is not here")
@pytest.mark.parametrize("name", ["nmea_gpsd/nmea-rtk.log", "nmea_gpsd/sirfstarv-nmea.log", "nmea_gpsd/rst39.log"])
def test_outside_logs_as_an_independent_parser_reads_them(name):
    """Every GGA of the file, read by pynmea2, is found at its time with its position."""
    path = SHARED / name
    recording = load_recording(path)
    stamps = recording.start_utc + recording.t
    checked = 0
    for line in path.read_text(encoding="ascii", errors="replace").splitlines():
        if line[3:6] != "GGA" or line[1:3] == "GL":
            continue
        there = pynmea2.parse(line, check=True)
        seconds = there.timestamp.hour * 3600 + there.timestamp.minute * 60 + there.timestamp.second
        seconds += there.timestamp.microsecond / 1e6
        at = int(np.argmin(np.abs(stamps % 86400.0 - seconds)))
        assert stamps[at] % 86400.0 == pytest.approx(seconds, abs=1e-4)
        assert recording.lat[at] == pytest.approx(there.latitude, abs=1e-11)
        assert recording.lon[at] == pytest.approx(there.longitude, abs=1e-11)
        assert recording.channels["fix"][at] == there.gps_qual
        checked += 1
    assert checked >= 40
