"""GeoJSON (RFC 7946): the object of a file, its features, and their vertices, checked.

Nothing here knows what a feature is for.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from linelab.errors import FileFormatError
from linelab.files.text import read_text
from linelab.units import Array


def parse_geojson(path: Path) -> dict[str, Any]:
    """JSON object of a file.

    Raises
    ------
    FileFormatError
        Not JSON, NaN or Infinity in it, nested too deeply, too large.
    """
    text = read_text(path, "GeoJSON")

    def refuse(word: str) -> NoReturn:
        line = text[: max(text.find(word), 0)].count("\n") + 1
        raise FileFormatError(
            f"{word} is no number", path=path, line=line, expected="a finite number", remedy="Repair that vertex"
        )

    try:
        document = json.loads(text, parse_constant=refuse, parse_int=_whole_number)
    except json.JSONDecodeError as error:
        raise FileFormatError(
            f"not valid JSON: {error.msg} at column {error.colno}",
            path=path,
            line=error.lineno,
            remedy="Repair that place, or export the file again from the GIS",
        ) from error
    except RecursionError as error:
        raise FileFormatError("nested too deeply", path=path, remedy="Export the file again from the GIS") from error
    if not isinstance(document, dict):
        raise FileFormatError(
            "no GeoJSON object",
            path=path,
            found=type(document).__name__,
            expected="a FeatureCollection",
            remedy="Export the layer as GeoJSON (RFC 7946)",
        )
    return document


def _whole_number(text: str) -> int | float:
    """An integer; one of more digits than any use has comes back as a float, possibly infinite."""
    return int(text) if len(text) < 20 else float(text)


def plain_text(value: Any) -> str:
    """A text or number of a file as text, empty for anything else, which may be nested to any depth."""
    return str(value).strip() if isinstance(value, str | int | float) else ""


def shown(value: Any) -> str:
    """A value of a file as messages show it: shortened, and not what is nested in it."""
    if isinstance(value, list) and all(isinstance(v, str | int | float | None) for v in value[:4]):
        text = repr(value[:4])[:-1] + (", ...]" if len(value) > 4 else "]")
    elif isinstance(value, list | dict):
        text = "a list of lists" if isinstance(value, list) else "an object"
    else:
        text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def raw_features(document: dict[str, Any], path: Path) -> list[dict[str, Any]]:
    """The features of a GeoJSON object, a bare geometry made one."""
    kind = document.get("type")
    if kind == "FeatureCollection" and isinstance(document.get("features"), list):
        raw = document["features"]
    elif kind == "Feature":
        raw = [document]
    elif kind in ("LineString", "Polygon", "MultiLineString"):
        raw = [{"type": "Feature", "properties": {}, "geometry": document}]
    else:
        raise FileFormatError(
            "this JSON holds no features",
            path=path,
            found=f"type {shown(kind)}",
            expected="'FeatureCollection'",
            remedy="Export the layer as GeoJSON (RFC 7946)",
        )
    return [item for item in raw if isinstance(item, dict)]


def check_crs(document: dict[str, Any], path: Path) -> None:
    """Refuse the outdated 'crs' member when it names anything but WGS 84 longitude and latitude."""
    crs = document.get("crs")
    if not isinstance(crs, dict):
        return
    properties = crs.get("properties")
    name = plain_text(properties.get("name", "") if isinstance(properties, dict) else "")
    if name and not any(mark in name for mark in ("CRS84", ":4326", "4979")):
        raise FileFormatError(
            "coordinates are in another reference system",
            path=path,
            found=name,
            expected="WGS 84 longitude and latitude (EPSG:4326)",
            remedy="Save the layer again with EPSG:4326",
        )


def coordinates(geometry: dict[str, Any], place: str, path: Path) -> tuple[Array, bool]:
    """Vertices of a geometry, a ring's first point not repeated, and whether it is a ring."""
    kind, values = geometry.get("type"), geometry.get("coordinates")
    if kind == "Point":
        values = [values]
    elif kind in ("Polygon", "MultiLineString"):
        if not isinstance(values, list) or len(values) != 1:
            count = len(values) if isinstance(values, list) else 0
            raise FileFormatError(
                f"{place} has {count} parts", path=path, expected="one", remedy="Join the parts or remove the holes"
            )
        values = values[0]
    rows = values if isinstance(values, list) else []
    points = [_vertex(row, f"{place}, vertex {i}", path) for i, row in enumerate(rows, start=1)]
    dimension = 3 if points and all(len(p) >= 3 for p in points) else 2
    array = np.array([p[:dimension] for p in points], dtype=np.float64).reshape(-1, dimension)
    _check_degrees(array, place, path)
    ring = kind == "Polygon" or (len(array) > 3 and bool(np.all(array[0, :2] == array[-1, :2])))
    if len(array) > 1 and ring and np.all(array[0, :2] == array[-1, :2]):
        array = array[:-1]
    return array, ring


def _vertex(row: Any, place: str, path: Path) -> list[float]:
    numbers = isinstance(row, list) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in row)
    if not numbers or len(row) < 2 or not all(math.isfinite(v) for v in row):
        raise FileFormatError(
            f"{place} is no position",
            path=path,
            found=shown(row),
            expected="[longitude, latitude] or [longitude, latitude, elevation]",
            remedy="Repair that vertex",
        )
    return [float(v) for v in row]


#: No track reaches as far [deg]; a hall drawn in metres about its middle does, and its numbers pass for degrees.
_LONGEST_REACH = 5.0


def _check_reach(points: Array, place: str, path: Path) -> None:
    """Refuse a line over a good part of the globe."""
    lon = points[:, 0]
    reach = max(min(float(np.ptp(lon)), float(np.ptp(lon % 360.0))), float(np.ptp(points[:, 1])))
    if reach > _LONGEST_REACH:
        raise FileFormatError(
            f"{place} reaches over {reach:.0f} degrees, thousands of kilometres: its coordinates look like metres",
            path=path,
            found=f"{points[0, 0]:g}, {points[0, 1]:g}",
            expected="longitude and latitude in degrees",
            remedy="Save the layer in WGS 84 (EPSG:4326); import a track in local metres from CSV",
        )


def _check_degrees(points: Array, place: str, path: Path) -> None:
    """Refuse coordinates that are no degrees, or degrees in the wrong order."""
    if points.size == 0:
        return
    lon, lat = np.abs(points[:, 0]).max(), np.abs(points[:, 1]).max()
    if lon <= 180.0 and lat <= 90.0:
        _check_reach(points, place, path)
        return
    at = int(np.argmax((np.abs(points[:, 0]) > 180.0) | (np.abs(points[:, 1]) > 90.0)))
    found = f"{points[at, 0]:g}, {points[at, 1]:g}"
    if lon <= 90.0 and lat <= 180.0:
        raise FileFormatError(
            f"{place}: latitude comes before longitude",
            path=path,
            found=found,
            expected="longitude first",
            remedy="Swap the two numbers of every vertex",
        )
    raise FileFormatError(
        f"{place}: the coordinates are not degrees",
        path=path,
        found=found,
        expected="longitude within 180 and latitude within 90",
        remedy="Save the layer in WGS 84 (EPSG:4326); import a track in local metres from CSV",
    )
