"""Track files: GeoJSON (RFC 7946), so that any GIS can draw one.

A FeatureCollection in WGS 84 longitude and latitude [deg].  The property ``role`` says what a feature is; features
without a role linelab knows, and properties it does not know, are left out with a note.

| role | geometry | properties |
|---|---|---|
| ``track`` | none (null) | ``name``, ``closed`` (true, false), ``georeferenced``, ``origin_lon``, ``origin_lat``, ``survey`` (surveyed, widths, estimated), ``survey_note``, ``assumed_width_m``, ``survey_sigma_m``, ``middle_sigma_m``, ``shape_sigma_m``, ``wide_road`` (true: wider than 21 m is meant, no mistake) |
| ``left_edge``, ``right_edge`` | line in driving order, or polygon; third coordinate = elevation [m] | |
| ``centre_line`` (instead of edges) | line in driving order | ``width_m``, or ``w_left_m`` and ``w_right_m``: numbers, or lists with one for each vertex |
| ``start_line``, ``finish_line`` (open tracks), ``timing_line`` | line across the track | ``name`` |
| ``kerb`` | line along an edge, or polygon | ``width_m`` (usable), ``grip`` (factor, 1), ``side`` (left, right; else from the drawing), ``name`` |
| ``grip_zone`` | polygon | ``factor``, ``name`` |
| ``groove`` | line along the dark band in driving order, all the way round | ``width_m`` (2.2), ``fade_m`` (1.5), ``grip`` (1), ``beside`` (0.95), ``marbles`` (0.85), ``name`` |
| ``corner`` | line of three points: start, apex, end; or a point near a corner to name it | ``number``, ``name`` |

Every property but ``role`` is optional unless shown without a default.  Only ``left_edge`` and ``right_edge`` (or a
``centre_line``) are needed.  A track is closed when it says so or when an edge ends where it began.

A track in local metres (an indoor hall, a plan without a map) is stored about longitude 0, latitude 0 with
``georeferenced`` false: a valid file for any GIS, in which only the place is fictitious.
"""  # noqa: E501

from __future__ import annotations

import json
import re
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np

from linelab.errors import FileFormatError, InputError, LinelabError, check_kinds, legible
from linelab.files.bundled import bundled, bundled_karts, bundled_tracks, suggestion
from linelab.files.geojson import plain_text, shown
from linelab.files.projection import LocalPlane, on_plane, plane_about, to_lonlat
from linelab.files.tracks.track_build import Line2, in_file, reversed_track, track_from_centre, track_from_edges
from linelab.files.tracks.track_features import GROOVE_KEYS, Feature, add_features, read_features
from linelab.files.tracks.track_ranges import LARGEST_NUMBER, UNUSUAL_WIDTH, refuse_feet
from linelab.files.writing import write_text
from linelab.geometry.frenet import sn_to_xy
from linelab.geometry.locate import crossing
from linelab.model.track import Corner, GripZone, Groove, Kerb, Survey, Track, along
from linelab.units import Array

#: Decimals of a degree: 0.1 mm on the ground.
DECIMALS = 9


def save_track(track: Track, path: str | Path) -> None:
    """Write a track as GeoJSON, for :func:`linelab.load_track` and any GIS.

    The file is complete or not there at all: it is written beside and moved into place.  Positions are kept to 0.1 mm.

    Parameters
    ----------
    track : Track
    path : str or Path
        Ends in .geojson or .json.  An earlier file is replaced.

    Raises
    ------
    InputError
        A name with another ending, a folder that cannot be written, or arguments of another type.

    References
    ----------
    RFC 7946, The GeoJSON Format.

    Examples
    --------
    >>> import linelab
    >>> linelab.save_track(linelab.load_track("tinmarsh_rental"), "my_track.geojson")
    >>> linelab.load_track("my_track.geojson")
    Track 'Tinmarsh Rental Track', 402 m, 11 corners, surveyed
    """
    check_kinds("save_track", track=(track, Track), path=(path, (str, PathLike)))
    check_name(path)
    write_text(path, _as_text(_features(track)))


def check_name(path: str | Path) -> None:
    """Refuse a name that does not end as GeoJSON files do (InputError)."""
    suffix = Path(path).suffix.lower()
    if suffix not in (".geojson", ".json"):
        raise InputError(
            f"a track is saved as GeoJSON, not as {suffix or 'a file without suffix'}",
            where=str(path),
            remedy="Use a name ending in .geojson",
        )


def _as_text(features: list[dict[str, Any]]) -> str:
    """One feature a line: readable, and small changes make small differences."""
    rows = ",\n".join(json.dumps(feature, ensure_ascii=False, allow_nan=False) for feature in features)
    return '{"type": "FeatureCollection", "features": [\n' + rows + "\n]}\n"


def _features(track: Track) -> list[dict[str, Any]]:
    plane = LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1])
    features = [
        _feature("track", None, _head(track)),
        _feature("left_edge", _line(plane, track.left_edge, track.left_z, track.closed), {}),
        _feature("right_edge", _line(plane, track.right_edge, track.right_z, track.closed), {}),
    ]
    if track.closed or track.start_station > 0.0:
        features.append(_feature("start_line", _across(track, plane, track.start_station), {}))
    if not track.closed and track.finish_station is not None and track.finish_station < track.length:
        features.append(_feature("finish_line", _across(track, plane, track.finish_station), {}))
    features += [_feature("timing_line", _across(track, plane, s), {}) for s in track.timing_stations]
    features += [_kerb(track, plane, kerb) for kerb in track.kerbs]
    features += [_zone(track, plane, zone) for zone in track.grip_zones]
    if track.groove is not None:
        features.append(_groove(track, plane, track.groove))
    features += [_corner(track, plane, corner) for corner in track.corners]
    return features


def _feature(role: str, geometry: dict[str, Any] | None, properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": geometry}


def _head(track: Track) -> dict[str, Any]:
    survey = track.survey
    head: dict[str, Any] = {
        "name": track.name,
        "closed": track.closed,
        "georeferenced": track.georeferenced,
        "origin_lon": track.origin[0],
        "origin_lat": track.origin[1],
        "survey": survey.kind,
        "survey_note": survey.note,
    }
    if survey.assumed_width is not None:
        head["assumed_width_m"] = survey.assumed_width
    if survey.uncertainty is not None:
        head["survey_sigma_m"] = survey.uncertainty
    if survey.middle_sigma is not None:
        head["middle_sigma_m"] = survey.middle_sigma
    if survey.shape_sigma is not None:
        head["shape_sigma_m"] = survey.shape_sigma
    if float(np.median(track.w_left + track.w_right)) > UNUSUAL_WIDTH:
        head["wide_road"] = True
    return head


def _degrees(plane: LocalPlane, x: Array, y: Array) -> list[list[float]]:
    lon, lat = to_lonlat(plane, x, y)
    return [[round(float(a), DECIMALS), round(float(b), DECIMALS)] for a, b in zip(lon, lat)]


def _line(plane: LocalPlane, points: Array, z: Array | None, closed: bool) -> dict[str, Any]:
    """An edge; a closed one repeats its first vertex, as GIS programs expect of a ring."""
    rows = _degrees(plane, points[:, 0], points[:, 1])
    if z is not None:
        rows = [[*row, round(float(height), 4)] for row, height in zip(rows, z)]
    return {"type": "LineString", "coordinates": rows + rows[:1] if closed else rows}


def _at(track: Track, plane: LocalPlane, s: Array, n: Array) -> list[list[float]]:
    """Positions at stations and offsets (K,) [m]."""
    return _degrees(plane, *sn_to_xy(track.reference, s, n))


def _across(track: Track, plane: LocalPlane, station: float) -> dict[str, Any]:
    s = np.array([station, station])
    n = np.array([along(track, track.w_left, s)[0], -along(track, track.w_right, s)[0]])
    return {"type": "LineString", "coordinates": _at(track, plane, s, n)}


def _run(track: Track, s_start: float, s_end: float) -> Array:
    """Stations about 1 m apart from start to end, across the start line where need be."""
    if track.closed and s_end < s_start:
        s_end += track.length
    return np.linspace(s_start, s_end, max(2, int(np.ceil(s_end - s_start)) + 1))


def _kerb(track: Track, plane: LocalPlane, kerb: Kerb) -> dict[str, Any]:
    s = _run(track, kerb.s_start, kerb.s_end)
    n = along(track, track.w_left, s) if kerb.side == "left" else -along(track, track.w_right, s)
    properties = {"side": kerb.side, "width_m": kerb.width, "grip": kerb.grip, "name": kerb.name}
    return _feature("kerb", {"type": "LineString", "coordinates": _at(track, plane, s, n)}, properties)


def _zone(track: Track, plane: LocalPlane, zone: GripZone) -> dict[str, Any]:
    s = _run(track, zone.s_start, zone.s_end)
    right = _at(track, plane, s, np.full(s.size, zone.n_right))
    left = _at(track, plane, s, np.full(s.size, zone.n_left))
    ring = [*right, *left[::-1], right[0]]
    return _feature("grip_zone", {"type": "Polygon", "coordinates": [ring]}, {"factor": zone.factor, "name": zone.name})


def _groove(track: Track, plane: LocalPlane, groove: Groove) -> dict[str, Any]:
    s = _run(track, float(groove.s[0]), float(groove.s[-1]))
    rows = _at(track, plane, s, groove.middle(s, track.length, track.closed))
    properties = {key: getattr(groove, name) for name, key in GROOVE_KEYS.items()} | {"name": groove.name}
    coordinates = rows[:-1] + rows[:1] if track.closed else rows
    return _feature("groove", {"type": "LineString", "coordinates": coordinates}, properties)


def _corner(track: Track, plane: LocalPlane, corner: Corner) -> dict[str, Any]:
    s = np.array([corner.s_start, corner.s_apex, corner.s_end])
    properties = {
        "number": corner.number,
        "name": corner.name,
        "turn_deg": round(float(np.degrees(corner.turn)), 6),
    }
    return _feature("corner", {"type": "LineString", "coordinates": _at(track, plane, s, np.zeros(3))}, properties)


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
    InputError
        ``path`` is neither text nor a path.

    References
    ----------
    RFC 7946, The GeoJSON Format.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> track
    Track 'Tinmarsh Rental Track', 402 m, 11 corners, surveyed
    >>> print(f"{track.width.min():.1f} m wide at least")
    6.5 m wide at least
    """
    check_kinds("load_track", path=(path, (str, PathLike)))
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
        raise FileFormatError(
            "this is a kart, not a track", path=path, remedy="Swap them: commands name the track first, then the kart"
        )
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
    paths = [on_plane(line.points, plane) for line in lines]
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
    drawn = on_plane(feature.points, plane)[:, :2]
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
        for key, name in (
            ("assumed_width", "assumed_width_m"),
            ("uncertainty", "survey_sigma_m"),
            ("middle_sigma", "middle_sigma_m"),
            ("shape_sigma", "shape_sigma_m"),
        )
    }
    return Survey(kind=kind, note=head.text_of("survey_note"), **optional)  # type: ignore[arg-type]
