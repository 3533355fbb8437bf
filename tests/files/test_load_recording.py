"""Several files that continue one session, and files that do not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from shared import REAL

from linelab.cli import main as cli
from linelab.cli.demo import demo_recording
from linelab.errors import FileFormatError, InputError
from linelab.files.recordings.load_recording import load_recording, load_session

NOON = 1_780_000_000  # seconds since 1970


def write(tmp_path, name, start, count=5, head="time,lat,lon,speed_kmh", lon=7.0):
    rows = [f"{start + 0.1 * i:.1f},{45 + 1e-5 * i:.5f},{lon},36" for i in range(count)]
    if "speed" not in head:
        rows = [row.rpartition(",")[0] for row in rows]
    path = tmp_path / name
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def test_files_with_absolute_time_are_put_in_its_order(tmp_path):
    second, first = write(tmp_path, "a.csv", NOON + 60), write(tmp_path, "b.csv", NOON)
    joined = load_session([second, first])
    np.testing.assert_allclose(joined.t, [0.0, 0.1, 0.2, 0.3, 0.4, 60.0, 60.1, 60.2, 60.3, 60.4], atol=1e-6)
    np.testing.assert_array_equal(joined.channels["file"], [1] * 5 + [2] * 5)
    assert joined.start_utc == pytest.approx(NOON, abs=1e-6)
    assert "59.6 s before a.csv" in joined.notes[0]
    assert joined.source == f"{first} + {second.name}"


def test_different_formats_join_by_absolute_time(tmp_path):
    csv = write(tmp_path, "a.csv", 1_714_557_601)  # 2024-05-01 10:00:01 UTC
    gpx = tmp_path / "b.gpx"
    point = '<trkpt lat="45" lon="7"><time>2024-05-01T10:00:0{i}Z</time><ele>3</ele></trkpt>'
    points = "".join(point.format(i=i) for i in (4, 5))
    gpx.write_text(f'<gpx version="1.1"><trk><trkseg>{points}</trkseg></trk></gpx>', encoding="utf-8")
    joined = load_session([gpx, csv])
    np.testing.assert_allclose(joined.t, [0.0, 0.1, 0.2, 0.3, 0.4, 3.0, 4.0], atol=1e-6)
    np.testing.assert_allclose(joined.speed, [10.0] * 5 + [np.nan] * 2)
    np.testing.assert_array_equal(joined.channels["altitude"], [np.nan] * 5 + [3.0] * 2)


def test_one_clock_that_runs_on_is_joined_in_the_order_given(tmp_path):
    joined = load_session([write(tmp_path, "a.csv", 0), write(tmp_path, "b.csv", 100)])
    assert joined.t[5] == pytest.approx(100.0)
    assert joined.start_utc is None


def test_overlaps_and_a_clock_that_starts_anew_are_refused(tmp_path):
    early, late = write(tmp_path, "a.csv", NOON), write(tmp_path, "b.csv", NOON + 0.2)
    with pytest.raises(FileFormatError, match=r"b\.csv: overlaps a\.csv by 0\.2 s.*two recorders") as caught:
        load_session([early, late])
    assert caught.value.path == late
    with pytest.raises(FileFormatError, match="overlaps"):
        load_session([early, early])
    with pytest.raises(FileFormatError, match=r"overlaps a\.csv.*the clock starts anew"):
        load_session([write(tmp_path, "a.csv", 0), write(tmp_path, "b.csv", 0)])


def test_positions_of_two_kinds_are_refused(tmp_path):
    metres = write(tmp_path, "b.csv", NOON + 60, head="time,y,x,speed_kmh")
    with pytest.raises(FileFormatError, match=r"another kind.*local metres"):
        load_session([write(tmp_path, "a.csv", NOON), metres])


def test_one_file_is_itself_and_none_is_an_error(tmp_path):
    assert load_session([write(tmp_path, "a.csv", NOON)]).t.size == 5
    with pytest.raises(InputError, match="no recording"):
        load_session([])


@pytest.fixture
def halves(tmp_path):
    """The demo recording cut into two files."""
    lines = demo_recording().read_text(encoding="utf-8").splitlines(keepends=True)
    first = next(i for i, line in enumerate(lines) if line[0].isdigit())
    middle = len(lines) // 2
    parts = tmp_path / "part1.csv", tmp_path / "part2.csv"
    parts[0].write_text("".join(lines[:middle]), encoding="utf-8")
    parts[1].write_text("".join([*lines[:first], *lines[middle:]]), encoding="utf-8")
    return parts


def test_a_recording_cut_in_two_is_whole_again(halves):
    whole, joined = load_recording(demo_recording()), load_session(halves)
    np.testing.assert_allclose(joined.t, whole.t, atol=1e-9)
    np.testing.assert_array_equal(joined.lon, whole.lon)
    np.testing.assert_array_equal(joined.speed, whole.speed)
    np.testing.assert_array_equal(joined.channels["course"], whole.channels["course"])


def test_joined_in_the_wrong_order_is_refused_by_the_command(halves, capsys):
    files = [str(part) for part in reversed(halves)]
    code = cli.run(["review", *files, "--joined", "--track", "ostrelle_sprint", "--kart", "senior-single-speed"])
    assert code == 2
    assert "part1.csv: overlaps part2.csv" in capsys.readouterr().err


def _labelled(tmp_path, name: str, begin: float, step: float = 0.1):
    """Ten seconds by a clock that starts anew, with a label of absolute time in whole seconds on every tenth line."""
    rows = []
    for k in range(100):
        label = np.datetime64(int(NOON + begin + k * step), "s") if k % 10 == 3 else ""
        rows.append(f"{k * step:.2f},{f'{label}Z' if label else ''},{63.5 + 1e-6 * k:.7f},51.2,10.0")
    path = tmp_path / name
    path.write_text("\n".join(["t_s,stamp_here,lon,lat,speed_mps", *rows]) + "\n", encoding="utf-8")
    return path


def test_clocks_that_start_anew_are_joined_by_their_labels_of_absolute_time(tmp_path):
    """Labels cut to whole seconds are up to a second early: the join is right within that, and says so."""
    joined = load_session([_labelled(tmp_path, "b.csv", 12.4), _labelled(tmp_path, "a.csv", 0.0)])
    assert joined.source.endswith("b.csv")
    assert joined.channels["file"][0] == 1.0
    assert joined.t[100] == pytest.approx(12.4, abs=0.8)  # within the ± said: 1.96 * sqrt(2 / 12) s
    assert "(±0.80 s, as coarse as the files' labels of time are) before b.csv" in joined.notes[0]
    plain = load_recording(_labelled(tmp_path, "c.csv", 0.0, step=0.13))
    assert 0.1 < plain.start_utc_sigma < 0.4  # whole seconds at steps of 1.3 s: evenly spread, 0.29 s
    assert plain.start_utc == pytest.approx(NOON - 0.5, abs=0.5)


def test_parts_that_overlap_by_less_than_their_labels_scatter_follow_each_other(tmp_path):
    first, second = _labelled(tmp_path, "a.csv", 0.0, step=0.13), _labelled(tmp_path, "b.csv", 12.7, step=0.13)
    joined = load_session([first, second])
    assert (np.diff(joined.t) > 0.0).all()
    with pytest.raises(FileFormatError, match=r"overlaps a\.csv"):
        load_session([first, _labelled(tmp_path, "c.csv", 5.0, step=0.13)])


@pytest.mark.skipif(not REAL.exists(), reason="the real session is not beside the project")
def test_a_real_session_in_two_files_is_joined_where_the_clock_starts_anew():
    parts = [REAL.with_name(name) for name in ("GX030410.csv", "GX020410.csv")]
    joined = load_session(parts)
    assert Path(joined.source.split(" + ")[0]).name == "GX020410.csv"
    k = int(np.flatnonzero(np.diff(joined.channels["file"]))[0])
    # One sample of 0.055 s apart, as far as the labels say; at 15 m/s the positions are as far apart.
    assert joined.t[k + 1] - joined.t[k] == pytest.approx(0.055, abs=0.08)
    north = (joined.lat[k + 1] - joined.lat[k]) * 111_200.0
    assert abs(north) < 3.0
