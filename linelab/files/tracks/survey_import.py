"""Tracks from other sources: a centre line with widths, or two edges walked with a receiver.

Imports make a :class:`Track`; ``save_track`` keeps it in the native format.
Walked edges may be tracks or routes of GPX files.  They are read with the standard library's expat: a document type
declaration is refused (it could define entities that grow without bound), depth and number of points are bounded, and
each position is checked with its line number.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np

from linelab.arrays import distance_along
from linelab.errors import FileFormatError, InputError, LinelabError, TrackError, legible
from linelab.files.projection import LocalPlane, on_plane, plane_about, to_plane
from linelab.files.text import read_text
from linelab.files.tracks.centre_line import Columns, read_centre_csv
from linelab.files.tracks.track_build import in_file, track_from_centre, track_from_edges
from linelab.files.tracks.track_features import read_lines
from linelab.files.tracks.track_ranges import UNSTATED_WIDTH, refuse_feet
from linelab.geometry.facing import relation
from linelab.model.track import Survey, Track
from linelab.units import Array

MAX_DEPTH = 32
MAX_POINTS = 500_000


def read_gpx_lines(path: str | Path) -> list[tuple[str, Array, bool]]:
    """Tracks and routes of a GPX file, each as (name, points, ring); GPX knows no rings, so that is False.

    ``points`` is (K, 2) longitude and latitude [deg], or (K, 3) with elevation [m] where every point has one.
    The segments of a track are joined in order.

    Raises
    ------
    FileFormatError
        Not GPX, a DOCTYPE, a position that is no place on Earth (with its line), or too large.
    """
    text = read_text(path, "GPX")
    reader = _Reader(Path(path))
    try:
        reader.parser.Parse(text.encode("utf-8"), True)
    except expat.ExpatError as error:
        raise FileFormatError(
            f"not valid XML: {expat.ErrorString(error.code)}",
            path=path,
            line=error.lineno,
            expected="GPX",
            remedy="Export the walk as GPX again",
        ) from error
    if reader.root != "gpx":
        raise FileFormatError(
            "this XML is not GPX",
            path=path,
            found=f"<{reader.root}>",
            expected="<gpx>",
            remedy="Export the walk as GPX or GeoJSON",
        )
    return [(name, _as_array(rows), False) for name, rows in reader.lines if rows]


def _as_array(rows: list[tuple[float, float, float]]) -> Array:
    array = np.array(rows, dtype=np.float64)
    return array if np.isfinite(array[:, 2]).all() else array[:, :2]


class _Reader:
    """Collects points while expat walks the file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.parser = expat.ParserCreate(encoding="utf-8")
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.stack: list[str] = []
        self.root = ""
        self.words: list[str] = []
        self.lines: list[tuple[str, list[tuple[float, float, float]]]] = []
        self.count = 0

    def _fault(self, what: str, remedy: str) -> FileFormatError:
        return FileFormatError(what, path=self.path, line=self.parser.CurrentLineNumber, remedy=remedy)

    def _doctype(self, *_: object) -> None:
        raise self._fault("a document type declaration is not accepted", "Remove the DOCTYPE; GPX needs none")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        self.root = self.root or name
        self.stack.append(name)
        if len(self.stack) > MAX_DEPTH:
            raise self._fault("nested too deeply", "Export the walk as GPX again")
        if name in ("trk", "rte"):
            self.lines.append(("", []))
        elif name in ("trkpt", "rtept") and self.lines:
            self.count += 1
            if self.count > MAX_POINTS:
                raise self._fault(f"more than {MAX_POINTS} points", "Give one walk in a file")
            lon, lat = self._degrees(attributes, "lon", 180.0), self._degrees(attributes, "lat", 90.0)
            self.lines[-1][1].append((lon, lat, math.nan))
        self.words.clear()

    def _degrees(self, attributes: dict[str, str], name: str, limit: float) -> float:
        try:
            value = float(attributes.get(name, ""))
        except ValueError:
            value = math.nan
        if not abs(value) <= limit:
            raise self._fault(
                f"{name} is {attributes.get(name, 'missing')[:40]!r}, not within ±{limit:g} degrees",
                "Remove that point",
            )
        return value

    def _text(self, text: str) -> None:
        if len(self.words) < 1000:
            self.words.append(text)

    def _end(self, _: str) -> None:
        name = self.stack.pop()
        parent = self.stack[-1] if self.stack else ""
        if name == "name" and parent in ("trk", "rte"):
            self.lines[-1] = ("".join(self.words).strip(), self.lines[-1][1])
        elif name == "ele" and parent in ("trkpt", "rtept") and self.lines and self.lines[-1][1]:
            try:
                height = float("".join(self.words))
            except ValueError:
                height = math.nan
            lon, lat, _height = self.lines[-1][1][-1]
            self.lines[-1][1][-1] = (lon, lat, height)
        self.words.clear()


#: A walk that ends this near to where it began went all the way round [m].
WALK_GAP = 15.0

LonLat2 = tuple[tuple[float, float], tuple[float, float]]


def load_centre_line(
    path: str | Path,
    *,
    columns: Columns | None = None,
    assumed_width: float | None = None,
    metres_per_unit: float | None = None,
    closed: bool | None = None,
    name: str = "",
) -> Track:
    """Import a centre line from CSV (with widths), GeoJSON or GPX (one line, with an assumed width).

    Parameters
    ----------
    path : str or Path
    columns : Columns, optional
        Names of the CSV columns; what is left empty is recognised from the header.
    assumed_width : float, optional
        Width of the track where the file has none [m]; stated on every output.
    metres_per_unit : float, optional
        Unit of the lengths in a CSV: 1 for metres, 0.3048 for feet.  None goes by the titles of the columns; without a
        unit there metres are taken, and a road too wide for that is refused.
    closed : bool, optional
        None decides from the gap between the ends.
    name : str, optional
        The file's name when empty.

    Raises
    ------
    FileFormatError, TrackError, InputError
        With the file, the line and what to try.
    """
    file = Path(path)
    if assumed_width is not None and not 1.0 <= assumed_width <= 60.0:
        raise InputError(f"an assumed width of {assumed_width:g} m is outside 1 to 60 m", remedy="Give it in metres")
    widths: tuple[Array, Array] | None = None
    degrees, titles = True, ""
    if file.suffix.lower() in (".geojson", ".json", ".gpx"):
        lines = read_lines_of(file)
        if len(lines) != 1:
            raise FileFormatError(
                f"holds {len(lines)} lines", path=path, expected="one centre line", remedy="Keep only the centre line"
            )
        _, points, ring = lines[0]
        closed = True if ring and closed is None else closed
    else:
        table = read_centre_csv(path, columns or Columns(), metres_per_unit)
        points = np.column_stack([table.first, table.second, *([] if table.z is None else [table.z])])
        if table.w_left is not None and table.w_right is not None:
            widths = (table.w_left, table.w_right)
            _check_unit(file, table.unit_stated, widths[0] + widths[1])
        degrees, titles = table.degrees, f"columns {', '.join(table.titles)}"
    if widths is None and assumed_width is None:
        raise FileFormatError(
            "no widths",
            path=path,
            found=titles,
            expected="columns for the width left and right",
            remedy="Name them: --column width=TITLE (in Python Columns(width=TITLE)), or give an assumed width: "
            "--width METRES (assumed_width); for a recording of laps use 'linelab review'",
        )
    return _centre_track(file, points, widths, degrees, assumed_width, closed, name)


def _check_unit(file: Path, stated: bool, width: Array) -> None:
    """Refuse widths that look like feet where the file says no unit."""
    if stated:
        return
    how = "State the unit: --feet, or --metres if it is meant (in Python metres_per_unit=0.3048 or 1.0)"
    try:
        refuse_feet(width, UNSTATED_WIDTH, how)
    except TrackError as error:
        raise in_file(error, file) from error


def _centre_track(
    file: Path,
    points: Array,
    widths: tuple[Array, Array] | None,
    degrees: bool,
    assumed: float | None,
    closed: bool | None,
    name: str,
) -> Track:
    try:
        path, plane = _to_metres(points, degrees)
    except InputError as error:
        raise in_file(error, file) from error
    if closed is None:
        closed = _ends_meet(path, 1.5)
    common: dict[str, Any] = {"closed": closed, "georeferenced": degrees}
    if plane is not None:
        common["origin"] = (plane.origin_lon, plane.origin_lat)
    title = name or _title(file)
    try:
        if widths is not None:
            survey = Survey(kind="widths", note=f"Imported from {legible(file.name)}.")
            return track_from_centre(title, path, widths[0], widths[1], survey=survey, **common)
        assert assumed is not None
        half = np.full(len(path), assumed / 2.0)
        survey = Survey(
            kind="estimated", note=f"Centre line only, imported from {legible(file.name)}.", assumed_width=assumed
        )
        return track_from_centre(title, path, half, half, survey=survey, **common)
    except LinelabError as error:
        raise in_file(error, file) from error


def load_walked_edges(
    left: str | Path,
    right: str | Path | None = None,
    *,
    closed: bool | None = None,
    name: str = "",
    uncertainty: float | None = None,
    start: LonLat2 | None = None,
) -> Track:
    """Import two edges walked with a receiver, from GPX or GeoJSON lines.

    Parameters
    ----------
    left : str or Path
        The left edge, or one file with both lines.  In one file the lines are named by "left" and "right" in
        their names; unnamed, the first line is taken to run in driving direction.
    right : str or Path, optional
        The right edge.
    closed : bool, optional
        None: closed when both walks end within ``WALK_GAP`` of where they began.
    name : str, optional
    uncertainty : float, optional
        One standard deviation of the walked positions, where known [m].
    start : ((lon, lat), (lon, lat)), optional
        Ends of the start line, left first [deg].

    Raises
    ------
    FileFormatError, TrackError
    """
    file = Path(left)
    notes: list[str] = []
    lines, sides_known, rings = _two_lines(file, None if right is None else Path(right))
    points = np.vstack([line[:, :2] for line in lines])
    plane = plane_about(points[:, 0], points[:, 1])
    edges = [on_plane(line, plane) for line in lines]
    if closed is None:
        closed = rings or all(_ends_meet(edge, 1.5, WALK_GAP) for edge in edges)
    if closed and not rings:
        edges = [_closed_walk(edge, f"{side} edge", notes) for edge, side in zip(edges, ("left", "right"))]
    if not sides_known:
        edges = _sides_by_direction(edges, closed, notes)
    ends = None
    if start is not None:
        x, y = to_plane(plane, [start[0][0], start[1][0]], [start[0][1], start[1][1]])
        ends = ((float(x[0]), float(y[0])), (float(x[1]), float(y[1])))
    try:
        return track_from_edges(
            name or _title(file),
            edges[0],
            edges[1],
            closed=closed,
            start=ends,
            origin=(plane.origin_lon, plane.origin_lat),
            georeferenced=True,
            survey=Survey(kind="surveyed", note="Edges walked with a receiver.", uncertainty=uncertainty),
            notes=notes,
        )
    except LinelabError as error:
        raise in_file(error, file) from error


def _title(file: Path) -> str:
    return re.sub(r"[_-]+", " ", legible(file.stem))


def read_lines_of(file: str | Path) -> list[tuple[str, Array, bool]]:
    """Lines (name, points, ring) of a GPX or GeoJSON file with at least two points."""
    file = Path(file)
    suffix = file.suffix.lower()
    if suffix not in (".gpx", ".geojson", ".json"):
        raise FileFormatError(
            f"cannot import lines from '{suffix or 'a file without suffix'}'",
            path=file,
            expected="GPX or GeoJSON",
            remedy="Export the walk as GPX or GeoJSON",
        )
    lines = read_gpx_lines(file) if suffix == ".gpx" else read_lines(file)
    usable = [line for line in lines if len(line[1]) > 1]
    if not usable:
        raise FileFormatError(
            "no line with two points or more", path=file, remedy="Export the walk as a track or route, not waypoints"
        )
    return usable


def _two_lines(file: Path, other: Path | None) -> tuple[list[Array], bool, bool]:
    """Left and right line, whether their sides are known, and whether both are rings."""
    if other is not None:
        both: list[tuple[str, Array, bool]] = []
        for path in (file, other):
            lines = read_lines_of(path)
            if len(lines) != 1:
                raise FileFormatError(f"holds {len(lines)} lines", path=path, expected="one edge in each file")
            both.append(lines[0])
        return [line[1] for line in both], True, all(line[2] for line in both)
    lines = read_lines_of(file)
    if len(lines) != 2:
        raise FileFormatError(
            f"holds {len(lines)} lines", path=file, expected="two edges", remedy="Keep one line for each edge"
        )
    names = [line[0].lower() for line in lines]
    points = [line[1] for line in lines]
    rings = all(line[2] for line in lines)
    for i, j in ((0, 1), (1, 0)):
        if ("left" in names[i] and "left" not in names[j]) or ("right" in names[j] and "right" not in names[i]):
            return [points[i], points[j]], True, rings
    return points, False, rings


def _to_metres(points: Array, degrees: bool) -> tuple[Array, LocalPlane | None]:
    """Points in metres, and the plane where they came in degrees."""
    if not degrees:
        largest = float(np.abs(points[:, :2]).max())
        if largest > 1e6:  # a map grid: keep the numbers small, the shape is what counts
            points = points - np.concatenate([np.round(points[0, :2]), np.zeros(points.shape[1] - 2)])
        return points, None
    lon, lat = np.abs(points[:, 0]).max(), np.abs(points[:, 1]).max()
    if lat > 90.0 or lon > 180.0:
        swapped = lon <= 90.0 and lat <= 180.0
        raise InputError(
            "latitude and longitude are swapped" if swapped else "the coordinates are not degrees",
            remedy="Name the columns the other way round" if swapped else "Name them as x and y if they are metres",
        )
    plane = plane_about(points[:, 0], points[:, 1])
    return on_plane(points, plane), plane


def _ends_meet(path: Array, steps: float, least: float = 0.0) -> bool:
    """Whether a line ends about where it began, measured by its own point spacing [m]."""
    gap = float(np.hypot(*(path[0, :2] - path[-1, :2])))
    spacing = np.hypot(*np.diff(path[:, :2], axis=0).T)
    return len(path) > 3 and gap <= max(steps * float(spacing.max()), least) and float(spacing.sum()) > 4.0 * gap


def _closed_walk(edge: Array, what: str, notes: list[str]) -> Array:
    """A walk round the track made to end where it began: overlap cut off, or a small gap filled."""
    along = distance_along(*edge[:, :2].T)
    late = np.flatnonzero(along > max(along[-1] - 2.0 * WALK_GAP, along[-1] / 2.0))
    gaps = np.hypot(*(edge[late, :2] - edge[0, :2]).T)
    last = int(late[np.argmin(gaps)])
    cut = along[-1] - along[last]
    if cut > 0.0:
        notes.append(f"{what}: the walk went {cut:.1f} m past its beginning, cut off")
    edge, gap = edge[: last + 1], float(gaps.min())
    if gap > 3.0:
        notes.append(f"{what}: the last {gap:.1f} m are a straight line, the walk ended there")
        share = np.linspace(0.0, 1.0, int(gap / 2.0) + 2)[1:-1, None]
        edge = np.vstack([edge, edge[-1] + share * (edge[0] - edge[-1])])
    return edge


def _sides_by_direction(edges: list[Array], closed: bool, notes: list[str]) -> list[Array]:
    """Left and right of two unnamed lines, the first taken to run in driving direction."""
    along, side, _ = relation(edges[0], edges[1], closed)
    first_is_left = side * along > 0.0
    hand = "left" if first_is_left else "right"
    notes.append(f"the lines are not named: the first, taken in driving direction, is the {hand} edge")
    return edges if first_is_left else edges[::-1]
