"""Imports: centre lines with widths, walked edges, and what goes wrong with them."""

from pathlib import Path

import numpy as np
import pytest

from linelab.errors import FileFormatError, InputError, TrackError
from linelab.files.projection import LocalPlane, to_lonlat
from linelab.files.tracks.centre_line import Columns
from linelab.files.tracks.survey_import import load_centre_line, load_walked_edges
from linelab.files.tracks.track_build import repeated_share
from linelab.files.tracks.track_file import load_track, save_track
from linelab.motion.track_import import import_track

PLANE = LocalPlane(origin_lon=61.0, origin_lat=49.0)


def stadium(radius: float, spacing: float = 2.0, half_straight: float = 40.0) -> np.ndarray:
    """Ring driven anticlockwise from the middle of the lower straight, points ``spacing`` apart."""
    corners = [(np.array([half_straight, 0.0]), -np.pi / 2), (np.array([-half_straight, 0.0]), np.pi / 2)]
    line = [np.array([[0.0, -radius]])]
    for centre, first in corners:
        angle = np.linspace(first, first + np.pi, 200)
        line.append(centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]))
    ring = np.vstack([*line, line[0]])
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))))
    at = np.linspace(0.0, along[-1], int(along[-1] / spacing), endpoint=False)
    return np.column_stack([np.interp(at, along, ring[:, k]) for k in (0, 1)])


def table(path: Path, header: str, columns: list[np.ndarray], delimiter: str = ",", comma: bool = False) -> Path:
    rows = [delimiter.join(f"{v:.9f}" for v in row) for row in zip(*columns)]
    text = "\n".join([header, *rows]) + "\n"
    path.write_text(text.replace(".", ",") if comma else text, encoding="utf-8")
    return path


def gpx(path: Path, lines: list[tuple[str, np.ndarray]], route: bool = False) -> Path:
    outer, point = ("rte", "rtept") if route else ("trk", "trkpt")
    parts = ['<?xml version="1.0"?>', '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">']
    for name, points in lines:
        lon, lat = to_lonlat(PLANE, points[:, 0], points[:, 1])
        parts.append(f"<{outer}><name>{name}</name>" + ("" if route else "<trkseg>"))
        parts += [f'<{point} lat="{b:.9f}" lon="{a:.9f}"><ele>12</ele></{point}>' for a, b in zip(lon, lat)]
        parts.append(("" if route else "</trkseg>") + f"</{outer}>")
    path.write_text("\n".join([*parts, "</gpx>"]), encoding="utf-8")
    return path


CENTRE = stadium(16.0)
LENGTH = 160.0 + 2.0 * np.pi * 16.0
WIDTHS = [np.full(len(CENTRE), 3.0), np.full(len(CENTRE), 5.0)]


@pytest.mark.parametrize(
    ("header", "order", "delimiter", "comma"),
    [
        ("# x_m,y_m,w_tr_right_m,w_tr_left_m", "rl", ",", False),
        ("x_m,y_m,w_left_m,w_right_m", "lr", ",", False),
        ("East [m];North [m];Width left [m];Width right [m]", "lr", ";", True),
        ("x\ty\tleft\tright", "lr", "\t", False),
    ],
)
def test_centre_line_tables(header: str, order: str, delimiter: str, comma: bool, tmp_path: Path) -> None:
    left, right = WIDTHS
    widths = [right, left] if order == "rl" else [left, right]
    path = table(tmp_path / "my track.csv", header, [*CENTRE.T, *widths], delimiter, comma)
    track = load_centre_line(path)
    assert track.closed
    assert not track.georeferenced
    assert track.name == "my track"
    assert track.survey.kind == "widths"
    # Inside edge of the stadium (left, anticlockwise) 3 m in, outside edge 5 m out.
    assert np.hypot(track.left_edge[:, 1], 0).max() == pytest.approx(13.0, abs=0.05)
    assert np.hypot(track.right_edge[:, 1], 0).max() == pytest.approx(21.0, abs=0.05)


def test_columns_named_by_the_user_and_degrees(tmp_path: Path) -> None:
    lon, lat = to_lonlat(PLANE, *CENTRE.T)
    path = table(tmp_path / "c.csv", "laenge,breite,li,re", [lon, lat, *WIDTHS])
    with pytest.raises(FileFormatError, match="columns laenge, breite, li, re"):
        load_centre_line(path)
    with pytest.raises(FileFormatError, match="Did you mean 'breite'"):
        load_centre_line(path, columns=Columns(lon="laenge", lat="briete"))
    track = load_centre_line(path, columns=Columns(lon="laenge", lat="breite", w_left="li", w_right="re"))
    assert track.georeferenced
    assert track.origin == pytest.approx((61.0, 49.0), abs=1e-3)
    far = table(tmp_path / "far.csv", "lat,lon,left,right", [lon + 60.0, lat, *WIDTHS])
    with pytest.raises(InputError, match=r"far\.csv: latitude and longitude are swapped"):
        load_centre_line(far)


def test_feet_are_refused_and_can_be_declared(tmp_path: Path) -> None:
    feet = 0.3048
    columns = [
        *(stadium(100.0, half_straight=300.0).T / feet),
        *(np.full(len(stadium(100.0, half_straight=300.0)), 13.0 / feet) for _ in "lr"),
    ]
    path = table(tmp_path / "feet.csv", "x,y,left,right", columns)
    with pytest.raises(TrackError, match="feet"):
        load_centre_line(path)
    track = load_centre_line(path, metres_per_unit=feet)
    assert np.median(track.width) == pytest.approx(26.0, abs=0.2)


def test_a_centre_line_alone_needs_an_assumed_width_and_says_so(tmp_path: Path) -> None:
    path = table(tmp_path / "c.csv", "x,y", [*CENTRE.T])
    with pytest.raises(FileFormatError, match="assumed width"):
        load_centre_line(path)
    track = load_centre_line(path, assumed_width=7.0)
    assert (track.survey.kind, track.survey.assumed_width) == ("estimated", 7.0)
    save_track(track, tmp_path / "c.geojson")
    assert load_track(tmp_path / "c.geojson").survey == track.survey
    with pytest.raises(InputError, match="assumed width"):
        load_centre_line(path, assumed_width=700.0)


@pytest.mark.parametrize("route", [False, True])
def test_two_walked_edges(route: bool, tmp_path: Path) -> None:
    # The walker of the left edge went 6 m past the beginning; the right edge was walked the other way round.
    left = np.vstack([stadium(12.0), stadium(12.0)[:4]])
    right = stadium(20.0)[::-1]
    a = gpx(tmp_path / "left.gpx", [("inner", left)], route)
    b = gpx(tmp_path / "right.gpx", [("outer", right)], route)
    track = load_walked_edges(a, b, uncertainty=0.5)
    assert track.closed
    assert np.median(track.width) == pytest.approx(8.0, abs=0.1)
    assert track.survey.uncertainty == 0.5
    assert any("past its beginning" in note for note in track.notes)
    assert any("reversed" in note for note in track.notes)
    assert [c.left for c in track.corners] == [True, True]


def test_two_lines_in_one_file(tmp_path: Path) -> None:
    named = gpx(tmp_path / "n.gpx", [("the Right side", stadium(20.0)), ("the Left side", stadium(12.0))])
    assert all(c.left for c in load_walked_edges(named).corners)
    unnamed = gpx(tmp_path / "u.gpx", [("a", stadium(20.0)), ("b", stadium(12.0)[::-1])])
    track = load_walked_edges(unnamed)
    assert all(c.left for c in track.corners)
    assert any("is the right edge" in note for note in track.notes)


def test_swapped_walks_are_refused(tmp_path: Path) -> None:
    a = gpx(tmp_path / "left.gpx", [("", stadium(20.0))])
    b = gpx(tmp_path / "right.gpx", [("", stadium(12.0))])
    with pytest.raises(TrackError, match=r"(?i)swap"):
        load_walked_edges(a, b)


GPX_FAULTS = [
    ('<?xml version="1.0"?>\n<!DOCTYPE gpx [<!ENTITY a "b">]>\n<gpx/>', "document type"),
    ('<gpx><trk><trkseg>\n<trkpt lat="95" lon="0"/></trkseg></trk></gpx>', "line 2.*lat is '95'"),
    ('<gpx><trk><trkseg>\n<trkpt lat="nan" lon="0"/></trkseg></trk></gpx>', "line 2.*lat is 'nan'"),
    ("<gpx><trk>", "not valid XML"),
    ("<kml/>", "<kml>"),
    ("<gpx>" + "<a>" * 50 + "</a>" * 50 + "</gpx>", "nested"),
    ('<gpx><wpt lat="1" lon="1"/></gpx>', "no line"),
    ('<gpx><trk><trkseg><trkpt lat="1" lon="1"/></trkseg></trk></gpx>', "no line"),
]


@pytest.mark.parametrize(("text", "words"), GPX_FAULTS, ids=[words for _, words in GPX_FAULTS])
def test_gpx_faults(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "x.gpx").write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError, match=words):
        load_walked_edges(tmp_path / "x.gpx", tmp_path / "x.gpx")


CSV_FAULTS = [
    ("x,y,left,right\n0,0,4,4\n1,abc,4,4\n", "line 3.*'abc'"),
    ("x,y,left,right\n0,0,4,4\n1,nan,4,4\n", "line 3.*'nan'"),
    ("x,y,left,right\n0,0,4,4\n1,1\n", "line 3"),
    ("x,y,left,right\n", "no rows"),
    ("0,0,4,4\n1,1,4,4\n", "no header"),
    ("", "empty"),
    ("x,y,left,right\n0,0,4,4\n", "1 vertex"),
]


@pytest.mark.parametrize(("text", "words"), CSV_FAULTS, ids=[words for _, words in CSV_FAULTS])
def test_csv_faults(text: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text(text, encoding="utf-8")
    with pytest.raises((FileFormatError, TrackError), match=words) as caught:
        load_centre_line(tmp_path / "x.csv", closed=False)
    assert "\n" not in str(caught.value)
    assert "x.csv" in str(caught.value)


def test_widths_under_a_title_of_the_users_own_are_asked_for_by_name(tmp_path: Path) -> None:
    path = tmp_path / "survey.csv"
    path.write_text("x_m,y_m,corridor\n" + "".join(f"{10 * k},0,7\n" for k in range(9)), encoding="utf-8")
    with pytest.raises(FileFormatError, match="found columns x_m, y_m, corridor") as caught:
        load_centre_line(path)
    assert "--column width=TITLE" in str(caught.value)
    track = load_centre_line(path, columns=Columns(width="corridor"), closed=False)
    assert float(np.median(track.width)) == pytest.approx(7.0)


@pytest.mark.parametrize("rounds", [2, 5])
def test_a_recording_of_laps_is_no_centre_line(rounds: int, tmp_path: Path) -> None:
    """Laps 2 m beside each other; one of them, and a circuit that crosses itself, are centre lines."""
    rng = np.random.default_rng(7)
    laps = np.vstack([CENTRE + rng.normal(scale=1.0, size=2) for _ in range(rounds)])
    with pytest.raises(TrackError, match="run where it has been before, as a recording of laps"):
        load_centre_line(table(tmp_path / "laps.csv", "x,y", [*laps.T]), assumed_width=8.0)
    angle = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
    eight = np.column_stack([90.0 * np.sin(angle), 60.0 * np.sin(2.0 * angle)]) + 2.0
    assert 0.0 < repeated_share(eight, 8.0) < 0.1
    assert repeated_share(CENTRE, 8.0) == 0.0


def test_import_track_takes_each_source_for_what_it_is(tmp_path: Path) -> None:
    centre = table(tmp_path / "centre.csv", "x_m,y_m,w_left_m,w_right_m", [*CENTRE.T, *WIDTHS])
    text = table(tmp_path / "centre.txt", "x_m,y_m,w_left_m,w_right_m", [*CENTRE.T, *WIDTHS])
    assert import_track(centre) == load_centre_line(centre)
    assert import_track(text).survey.kind == "widths"
    feet = import_track(text, metres_per_unit=0.3048, columns={"w_left": "w_left_m"}, closed=True, name="Feet")
    assert feet.length == pytest.approx(0.3048 * import_track(centre).length, rel=0.02)
    assert feet.name == "Feet"
    line = gpx(tmp_path / "line.gpx", [("middle", CENTRE)])
    assert import_track(line, width=7.0).survey.assumed_width == 7.0
    both = gpx(tmp_path / "both.gpx", [("left", stadium(12.0)), ("right", stadium(20.0))])
    assert import_track(both, uncertainty=0.3).survey.uncertainty == 0.3
    left, right = (gpx(tmp_path / f"{n}.gpx", [(n, stadium(r))]) for n, r in (("left", 12.0), ("right", 20.0)))
    walked = import_track(left, right)
    assert walked.survey.kind == "surveyed"
    assert walked.width.mean() == pytest.approx(8.0, abs=0.2)


@pytest.mark.parametrize(
    ("source", "given", "said"),
    [
        ("centre.csv", {"uncertainty": 0.1}, "uncertainty is given, but it has no use for a centre line"),
        ("centre.csv", {"columns": {"wide": "w"}}, "unknown role 'wide' of a column. Choose among x, y"),
        ("both.gpx", {"width": 7.0}, "width is given, but it has no use for walked edges"),
        ("line.gpx", {}, "no widths"),
        ("none.csv", {}, "no such file"),
        ("none.gpx", {}, "no such file"),
    ],
)
def test_import_track_says_what_it_cannot_use(source: str, given: dict, said: str, tmp_path: Path) -> None:
    table(tmp_path / "centre.csv", "x_m,y_m,w_left_m,w_right_m", [*CENTRE.T, *WIDTHS])
    gpx(tmp_path / "line.gpx", [("middle", CENTRE)])
    gpx(tmp_path / "both.gpx", [("left", stadium(12.0)), ("right", stadium(20.0))])
    with pytest.raises(InputError, match=said):
        import_track(tmp_path / source, **given)
