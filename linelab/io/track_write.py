"""Writing a track as GeoJSON; see ``track_files`` for the format."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from linelab.errors import InputError
from linelab.geometry.curve import curve_at
from linelab.io.atomic import write_text
from linelab.io.projection import LocalPlane, to_lonlat
from linelab.io.track_sizes import UNUSUAL_WIDTH
from linelab.track import Corner, GripZone, Kerb, Track, along
from linelab.units import Array

#: Decimals of a degree: 0.1 mm on the ground.
DECIMALS = 9


def save_track(track: Track, path: str | Path) -> None:
    """Write a track so that :func:`linelab.io.track_files.load_track` gives the same one back.

    The file is complete or not there at all: it is written beside and moved into place.

    Raises
    ------
    InputError
        A name that does not end in .geojson or .json, or a folder that cannot be written.
    """
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
    point = curve_at(track.reference, s)
    return _degrees(plane, point.x - n * np.sin(point.psi), point.y + n * np.cos(point.psi))


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


def _corner(track: Track, plane: LocalPlane, corner: Corner) -> dict[str, Any]:
    s = np.array([corner.s_start, corner.s_apex, corner.s_end])
    properties = {
        "number": corner.number,
        "name": corner.name,
        "turn_deg": round(float(np.degrees(corner.turn)), 6),
    }
    return _feature("corner", {"type": "LineString", "coordinates": _at(track, plane, s, np.zeros(3))}, properties)
