"""GeoJSON (RFC 7946) as linelab reads it: features with a role, their coordinates and properties, checked.

Nothing here knows what a track is; a feature that says nothing to linelab is left out with a note.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from linelab.errors import FileFormatError
from linelab.io.geojson import check_crs, coordinates, parse_geojson, plain_text, raw_features, shown
from linelab.io.track_sizes import LARGEST_NUMBER, TRACK_RANGES
from linelab.units import Array

#: What a feature can be, and the geometries it may have.
ROLES: dict[str, tuple[str, ...]] = {
    "track": (),
    "left_edge": ("LineString", "Polygon", "MultiLineString"),
    "right_edge": ("LineString", "Polygon", "MultiLineString"),
    "centre_line": ("LineString", "Polygon", "MultiLineString"),
    "start_line": ("LineString",),
    "finish_line": ("LineString",),
    "timing_line": ("LineString",),
    "kerb": ("LineString", "Polygon"),
    "grip_zone": ("Polygon",),
    "corner": ("LineString", "Point"),
}
#: Names and notes are cut after so many characters.
LONGEST_TEXT = 500
_ONCE = ("track", "left_edge", "right_edge", "centre_line", "start_line", "finish_line")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Feature:
    """One feature with a role.

    ``points`` is (K, 2) or (K, 3): longitude, latitude [deg] and, where every vertex has it, elevation [m]; a ring
    does not repeat its first point.  ``ring`` is True for a polygon or a line whose last vertex is its first.
    """

    path: Path
    number: int
    role: str
    points: Array
    ring: bool
    properties: dict[str, Any]

    @property
    def place(self) -> str:
        """How messages name the feature."""
        return f"feature {self.number} ({self.role})"

    def fault(self, what: str, remedy: str) -> FileFormatError:
        """An error about this feature."""
        return FileFormatError(f"{self.place}: {what}", path=self.path, remedy=remedy)

    def number_of(self, key: str, default: float | None = None) -> float:
        """A finite number from the properties; without ``default`` it must be there."""
        value = self.properties.get(key, default)
        if value is None:
            near = difflib.get_close_matches(key, self.properties, n=1, cutoff=0.5)
            hint = f"; there is '{near[0]}'" if near else ""
            raise self.fault(f"property '{key}' is missing{hint}", f"Give '{key}' as a number")
        try:
            number = float(value)
        except (TypeError, ValueError):
            number = math.nan
        if isinstance(value, bool) or not abs(number) < LARGEST_NUMBER:
            raise self.fault(f"property '{key}' is {shown(value)}, not a number", f"Give '{key}' as a plain number")
        return number

    def text_of(self, key: str) -> str:
        """A property as text, empty when missing."""
        return plain_text(self.properties.get(key))[:LONGEST_TEXT]


def read_features(path: str | Path) -> tuple[list[Feature], list[str]]:
    """Read the features that have a role.

    Returns
    -------
    features : list of Feature
    notes : list of str
        What was left out, and why.

    Raises
    ------
    FileFormatError
        Not GeoJSON, a role misspelt, a role given twice, a wrong geometry, coordinates that are no place on Earth.
    """
    file = Path(path)
    document = parse_geojson(file)
    check_crs(document, file)
    features: list[Feature] = []
    left_out: dict[str, list[int]] = {}
    for number, raw in enumerate(_few_features(document, file), start=1):
        feature = _feature(raw, number, file, left_out)
        if feature is not None:
            features.append(feature)
    for role in _ONCE:
        same = [feature.number for feature in features if feature.role == role]
        if len(same) > 1:
            raise FileFormatError(
                f"features {' and '.join(map(str, same))} both have the role '{role}'",
                path=file,
                remedy="Join them into one or remove the role of the others",
            )
    most = int(TRACK_RANGES["kerbs"].high)
    if (count := sum(feature.role not in _ONCE for feature in features)) > most:
        raise FileFormatError(
            f"{count} kerbs, zones, corners and timing lines", path=file, expected=f"{most} at most", remedy="Join some"
        )
    return features, [_left_out_note(why, numbers) for why, numbers in left_out.items()]


def _few_features(document: dict[str, Any], path: Path) -> list[dict[str, Any]]:
    """The features of a file that holds no more than a track's may."""
    found, most = raw_features(document, path), int(TRACK_RANGES["features"].high)
    if len(found) > most:
        raise FileFormatError(f"holds {len(found)} features", path=path, expected=f"{most} at most")
    return found


def _left_out_note(why: str, numbers: list[int]) -> str:
    """One note on all features left out for one reason; a drawing may hold hundreds that are no part of the track."""
    first = ", ".join(map(str, numbers[:3])) + (f" and {len(numbers) - 3} more" if len(numbers) > 3 else "")
    return f"feature {first} has {why}: left out" if len(numbers) == 1 else f"features {first} have {why}: left out"


def read_lines(path: str | Path) -> list[tuple[str, Array, bool]]:
    """Every line and ring of a GeoJSON file as (name, points, ring), whatever its role.

    ``points`` is (K, 2 or 3): longitude, latitude [deg], elevation [m] where every vertex has it; a ring does not
    repeat its first point.
    """
    file = Path(path)
    document = parse_geojson(file)
    check_crs(document, file)
    lines = []
    for number, raw in enumerate(_few_features(document, file), start=1):
        properties, geometry = _properties(raw), raw.get("geometry")
        if isinstance(geometry, dict) and geometry.get("type") in ("LineString", "Polygon", "MultiLineString"):
            points, ring = coordinates(geometry, f"feature {number}", file)
            name = plain_text(properties.get("role")) or plain_text(properties.get("name")) or f"feature {number}"
            lines.append((name, points, ring))
    return lines


def _feature(raw: dict[str, Any], number: int, path: Path, left_out: dict[str, list[int]]) -> Feature | None:
    """One checked feature, or None and why it is left out."""
    properties = _properties(raw)
    role = _role(properties, number, path, left_out)
    if role is None:
        return None
    given = raw.get("geometry")
    geometry: dict[str, Any] = given if isinstance(given, dict) else {}
    kind = geometry.get("type")
    if role == "track":
        points, ring = np.zeros((0, 2)), False
    elif kind not in ROLES[role]:
        raise FileFormatError(
            f"feature {number} ({role}) is a {kind or 'feature without geometry'}",
            path=path,
            expected=" or ".join(ROLES[role]),
            remedy=f"Draw it as a {ROLES[role][0]}",
        )
    else:
        points, ring = coordinates(geometry, f"feature {number} ({role})", path)
        least = 1 if kind == "Point" else 2
        distinct = len(np.unique(points[:, :2], axis=0))
        if distinct < least:
            raise FileFormatError(
                f"feature {number} ({role}) has {distinct} vertex, at least {least} are needed",
                path=path,
                remedy="Draw the whole line",
            )
    return Feature(path=path, number=number, role=role, points=points, ring=ring, properties=properties)


def _properties(raw: dict[str, Any]) -> dict[str, Any]:
    properties = raw.get("properties")
    return properties if isinstance(properties, dict) else {}


def _role(properties: dict[str, Any], number: int, path: Path, left_out: dict[str, list[int]]) -> str | None:
    """Role of a feature, or None and why it is left out; a near miss is an error because something would be missing."""
    given = plain_text(properties.get("role"))[:80]
    if not given:
        left_out.setdefault("no role", []).append(number)
        return None
    role = given.lower().replace(" ", "_").replace("-", "_").replace("center", "centre")
    if role in ROLES:
        return role
    near = difflib.get_close_matches(role, ROLES, n=1, cutoff=0.75)
    if near:
        raise FileFormatError(
            f"feature {number} has the unknown role '{given}'", path=path, remedy=f"Did you mean '{near[0]}'?"
        )
    left_out.setdefault(f"the role '{given}', which means nothing here", []).append(number)
    return None
