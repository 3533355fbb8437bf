"""Track files: GeoJSON (RFC 7946), so that any GIS can draw one.

A FeatureCollection in WGS 84 longitude and latitude [deg].  The property ``role`` says what a feature is; features
without a role linelab knows, and properties it does not know, are left out with a note.

| role | geometry | properties |
|---|---|---|
| ``track`` | none (null) | ``name``, ``closed`` (true, false), ``georeferenced``, ``origin_lon``, ``origin_lat``, ``survey`` (surveyed, widths, estimated), ``survey_note``, ``assumed_width_m``, ``survey_sigma_m``, ``wide_road`` (true: wider than 21 m is meant, no mistake) |
| ``left_edge``, ``right_edge`` | line in driving order, or polygon; third coordinate = elevation [m] | |
| ``centre_line`` (instead of edges) | line in driving order | ``width_m``, or ``w_left_m`` and ``w_right_m``: numbers, or lists with one for each vertex |
| ``start_line``, ``finish_line`` (open tracks), ``timing_line`` | line across the track | ``name`` |
| ``kerb`` | line along an edge, or polygon | ``width_m`` (usable), ``grip`` (factor, 1), ``side`` (left, right; else from the drawing), ``name`` |
| ``grip_zone`` | polygon | ``factor``, ``name`` |
| ``corner`` | line of three points: start, apex, end; or a point near a corner to name it | ``number``, ``name`` |

Every property but ``role`` is optional unless shown without a default.  Only ``left_edge`` and ``right_edge`` (or a
``centre_line``) are needed.  A track is closed when it says so or when an edge ends where it began.

A track in local metres (an indoor hall, a plan without a map) is stored about longitude 0, latitude 0 with
``georeferenced`` false: a valid file for any GIS, in which only the place is fictitious.
"""  # noqa: E501

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from linelab.errors import FileFormatError, LinelabError, legible
from linelab.geometry.locate import crossing
from linelab.io.bundled import bundled, bundled_karts, bundled_tracks, suggestion
from linelab.io.geojson import plain_text, shown
from linelab.io.projection import LocalPlane, plane_about, to_plane
from linelab.io.track_build import Line2, in_file, reversed_track, track_from_centre, track_from_edges
from linelab.io.track_features import add_features
from linelab.io.track_geojson import Feature, read_features
from linelab.io.track_sizes import LARGEST_NUMBER, UNUSUAL_WIDTH, refuse_feet
from linelab.io.track_write import save_track
from linelab.track import Survey, Track
from linelab.units import Array

__all__ = ["load_track", "reversed_track", "save_track", "track_from_centre", "track_from_edges"]

_SURVEYS = ("surveyed", "widths", "estimated")


def load_track(path: str | Path) -> Track:
    """Load a track file, or a bundled track by name.

    Parameters
    ----------
    path : str or Path
        A GeoJSON file, or a name of :func:`bundled_tracks`.

    Returns
    -------
    Track
        ``notes`` says what in the file was left out or repaired.

    Raises
    ------
    FileFormatError
        The file is no usable GeoJSON track; names the file, the line or feature, and what to try.
    TrackError
        The geometry is impossible; names the file and the station.
    """
    file = _find(path)
    features, notes = read_features(file)
    by_role = {feature.role: feature for feature in features}
    head = by_role.get("track")
    lines = _outline(file, by_role)
    plane = _plane(head, lines)
    closed = _closed(head, lines)
    try:
        track = _build(file, by_role, lines, plane, closed, notes)
        if head is None or head.properties.get("wide_road") is not True:
            remedy = "Draw the track in metres; if it is as wide, give the track feature wide_road = true"
            refuse_feet(track.w_left + track.w_right, UNUSUAL_WIDTH, remedy)
        return add_features(track, features, plane)
    except FileFormatError:
        raise
    except LinelabError as error:
        raise in_file(error, file) from error


def _find(path: str | Path) -> Path:
    """File of a path or of a bundled name; other formats are pointed at their import."""
    file = Path(path)
    if not file.exists():
        known = bundled_tracks()
        found = bundled(path, known)
        if found is not None:
            return found
        if bundled(path, bundled_karts()) is None:
            raise FileFormatError(
                "no such track file or bundled track", path=path, remedy=suggestion(path, known, "tracks")
            )
    suffix = file.suffix.lower()
    if suffix == ".toml" or not file.exists():
        raise FileFormatError("this is a kart, not a track", path=path, remedy="Name the track first, then the kart")
    if suffix in (".csv", ".gpx", ".txt"):
        raise FileFormatError(
            f"a {suffix[1:].upper()} file is not a track file",
            path=path,
            expected="GeoJSON",
            remedy="Import it with 'linelab track FILE --save my_track.geojson': a centre line with widths from CSV, "
            "two walked edges from GPX; a recording of laps goes to 'linelab review', or 'linelab sheet --from-laps'",
        )
    return file


def _outline(file: Path, by_role: dict[str, Feature]) -> list[Feature]:
    """Both edges, or the centre line alone."""
    edges = [by_role[role] for role in ("left_edge", "right_edge") if role in by_role]
    if len(edges) == 2:
        return edges
    if "centre_line" in by_role:
        return [by_role["centre_line"]]
    missing = "left_edge" if edges and edges[0].role == "right_edge" else "right_edge" if edges else "left_edge"
    raise FileFormatError(
        f"no feature has the role '{missing}'",
        path=file,
        expected="left_edge and right_edge, or centre_line with widths",
        remedy=f"Give the line of that edge the property role = {missing}",
    )


def _plane(head: Feature | None, lines: list[Feature]) -> LocalPlane:
    """Plane the file asks for, or one about its lines."""
    if head is not None and "origin_lon" in head.properties and "origin_lat" in head.properties:
        return LocalPlane(origin_lon=head.number_of("origin_lon"), origin_lat=head.number_of("origin_lat"))
    points = np.vstack([line.points[:, :2] for line in lines])
    return plane_about(points[:, 0], points[:, 1])


def _closed(head: Feature | None, lines: list[Feature]) -> bool:
    """As declared by the track feature or a line, else closed when a line ends where it began."""
    for feature in ([head] if head is not None else []) + lines:
        value = feature.properties.get("closed")
        if value is None:
            continue
        if isinstance(value, bool) or value in (0, 1):
            return bool(value)
        word = plain_text(value).lower()
        if word in ("true", "yes", "false", "no"):
            return word in ("true", "yes")
        raise feature.fault(f"property 'closed' is {shown(value)}", "Use true or false")
    return any(line.ring for line in lines)


def _build(
    file: Path, by_role: dict[str, Feature], lines: list[Feature], plane: LocalPlane, closed: bool, notes: list[str]
) -> Track:
    """Track without the things along it."""
    head = by_role.get("track")
    paths = [in_plane(line, plane) for line in lines]
    for line, path in zip(lines, paths):
        check_closing(line, path, closed)
    common: dict[str, Any] = {
        "closed": closed,
        "origin": (plane.origin_lon, plane.origin_lat),
        "georeferenced": head is None or head.properties.get("georeferenced", True) is not False,
        "survey": _survey(head, by_role),
        "notes": notes,
    }
    name = (head.text_of("name") if head is not None else "") or re.sub(r"[_-]+", " ", legible(file.stem))
    if len(lines) == 2:
        start = _start(by_role.get("start_line"), paths[0], paths[1], plane, closed)
        if start is None and closed:
            notes.append("no start line: station 0 is at the beginning of the left edge")
        return track_from_edges(name, paths[0], paths[1], start=start, **common)
    w_left, w_right = _widths(lines[0])
    track = track_from_centre(name, paths[0], w_left, w_right, **common)
    start = _start(by_role.get("start_line"), track.left_edge, track.right_edge, plane, closed)
    if start is not None:
        track = track_from_centre(name, paths[0], w_left, w_right, start=start, **common)
    elif closed:
        track = replace(track, notes=(*track.notes, "no start line: station 0 is at the beginning of the centre line"))
    return track


def in_plane(feature: Feature, plane: LocalPlane) -> Array:
    """Vertices of a feature in the plane, (K, 2) or with elevation (K, 3) [m]."""
    x, y = to_plane(plane, feature.points[:, 0], feature.points[:, 1])
    return np.column_stack([x, y, *feature.points[:, 2:].T])


def check_closing(line: Feature, path: Array, closed: bool) -> None:
    """Refuse a line that is declared closed although its ends lie far apart."""
    if not closed or line.ring or len(path) < 3:
        return
    gap = float(np.hypot(*(path[0, :2] - path[-1, :2])))
    steps = np.hypot(*np.diff(path[:, :2], axis=0).T)
    if gap > max(10.0, 1.5 * float(steps.max())):
        raise line.fault(
            f"the track is declared closed, but the ends of this line are {gap:.0f} m apart",
            "Draw the missing part, or set closed to false",
        )


def _start(feature: Feature | None, left: Array, right: Array, plane: LocalPlane, closed: bool) -> Line2 | None:
    """Where the start line meets the edges."""
    if feature is None:
        return None
    drawn = in_plane(feature, plane)[:, :2]
    ends = ((float(drawn[0, 0]), float(drawn[0, 1])), (float(drawn[-1, 0]), float(drawn[-1, 1])))
    found = crossing(ends, left[:, :2], right[:, :2], closed=closed)
    if found is None:
        distance = float(np.min(np.hypot(*(left[:, :2] - drawn.mean(axis=0)).T)))
        raise feature.fault(
            f"the line does not cross the track (its middle is {distance:.0f} m from the left edge)",
            "Draw it from one edge to the other",
        )
    return found


def _widths(line: Feature) -> tuple[Array | float, Array | float]:
    """Distances from a centre line to the edges [m], numbers or one for each vertex."""
    if "w_left_m" in line.properties or "w_right_m" in line.properties:
        return _numbers(line, "w_left_m"), _numbers(line, "w_right_m")
    if "width_m" not in line.properties:
        raise line.fault(
            "neither 'width_m' nor 'w_left_m' and 'w_right_m' are given", "Give the track width in metres as 'width_m'"
        )
    half = np.asarray(_numbers(line, "width_m")) / 2.0
    return half, half


def _numbers(line: Feature, key: str) -> Array | float:
    value = line.properties.get(key)
    if not isinstance(value, list):
        return line.number_of(key)
    count = len(line.points)
    if line.ring and len(value) == count + 1:
        value = value[:-1]
    try:
        array = np.array(value, dtype=np.float64)
    except (TypeError, ValueError):
        array = np.array([])
    if array.shape != (count,) or not (np.abs(array) < LARGEST_NUMBER).all():
        raise line.fault(
            f"'{key}' has {len(value)} usable or unusable entries for {count} vertices", "Give one number a vertex"
        )
    return array


def _survey(head: Feature | None, by_role: dict[str, Feature]) -> Survey:
    """Where the edges come from."""
    default = "surveyed" if "left_edge" in by_role and "right_edge" in by_role else "widths"
    if head is None:
        return Survey(kind="surveyed" if default == "surveyed" else "widths")
    kind = head.text_of("survey").lower() or default
    if kind not in _SURVEYS:
        raise head.fault(f"property 'survey' is {shown(kind)}", f"Use one of {', '.join(_SURVEYS)}")
    optional = {
        key: head.number_of(name) if head.properties.get(name) is not None else None
        for key, name in (("assumed_width", "assumed_width_m"), ("uncertainty", "survey_sigma_m"))
    }
    return Survey(kind=kind, note=head.text_of("survey_note"), **optional)  # type: ignore[arg-type]
