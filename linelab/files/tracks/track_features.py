"""Things along a track, read from its file: timing lines, kerbs, grip zones, groove and corners, placed on the track.

They are GeoJSON features (RFC 7946) with a role; a feature without one is left out with a note.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np

from linelab.arrays import Table, distance_along
from linelab.errors import FileFormatError, InputError
from linelab.files.geojson import check_crs, coordinates, parse_geojson, plain_text, raw_features, shown
from linelab.files.projection import LocalPlane, to_plane
from linelab.files.tracks.track_ranges import LARGEST_NUMBER, TRACK_RANGES
from linelab.geometry.corners import turn_between
from linelab.geometry.locate import Placed, crossing, locate
from linelab.geometry.reference_line import crossing_station
from linelab.model.track import GROOVE_GAP, Corner, GripZone, Groove, Kerb, Side, Track
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
    "groove": ("LineString", "Polygon"),
    "corner": ("LineString", "Point"),
}
#: Names and notes are cut after so many characters.
LONGEST_TEXT = 500
_ONCE = ("track", "left_edge", "right_edge", "centre_line", "start_line", "finish_line", "groove")


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


#: How far from an edge a kerb may be drawn [m]: a kerb's outer side is up to 3 m out.
KERB_MARGIN = 3.2
#: How far outside the track a grip zone or a corner's points may reach [m].
ZONE_MARGIN = 10.0
#: A groove's fields and the properties of its feature.
GROOVE_KEYS = {"width": "width_m", "fade": "fade_m", "grip": "grip", "beside": "beside", "marbles": "marbles"}
#: Points of a groove nearer than this to the one before, along the track, are left out [m].
NO_STEP = 1.0e-3
#: What leaves no more of a circuit free than this goes all round [m].
ALL_ROUND = 1.0


def add_features(track: Track, features: list[Feature], plane: LocalPlane) -> Track:
    """Place the features of a track's file on the track.

    Parameters
    ----------
    track : Track
        Built from the outline.
    features : list of Feature
    plane : LocalPlane

    Raises
    ------
    FileFormatError
        A line that misses the track, a kerb that is not along an edge, a property out of range, with the feature.
    """
    kerbs = tuple(_kerb(track, f, plane) for f in features if f.role == "kerb")
    zones = tuple(_zone(track, f, plane) for f in features if f.role == "grip_zone")
    grooves = [_groove(track, f, plane) for f in features if f.role == "groove"]
    lines = sorted(_station(track, f, plane) for f in features if f.role == "timing_line")
    track = replace(
        track,
        kerbs=kerbs,
        grip_zones=zones,
        groove=grooves[0] if grooves else None,
        timing_stations=tuple(lines),
    )
    track = _with_timing(track, features, plane)
    return _with_corners(track, [f for f in features if f.role == "corner"], plane)


def _xy(feature: Feature, plane: LocalPlane) -> tuple[Array, Array]:
    return to_plane(plane, feature.points[:, 0], feature.points[:, 1])


def _station(track: Track, feature: Feature, plane: LocalPlane) -> float:
    """Station where a line across the track meets the reference line."""
    x, y = _xy(feature, plane)
    ends = ((float(x[0]), float(y[0])), (float(x[-1]), float(y[-1])))
    found = crossing(ends, track.left_edge, track.right_edge, closed=track.closed)
    if found is None:
        raise feature.fault("the line does not cross the track", "Draw it from one edge to the other")
    return _within(track, crossing_station(track.reference, found, name=feature.place))


def _within(track: Track, s: float) -> float:
    return float(np.mod(s, track.length)) if track.closed else float(np.clip(s, 0.0, track.length))


def _with_timing(track: Track, features: list[Feature], plane: LocalPlane) -> Track:
    """Start and finish of an open track; on a circuit the start line already is station 0."""
    ends = {f.role: f for f in features if f.role in ("start_line", "finish_line")}
    if track.closed:
        if "finish_line" in ends:
            note = "a finish line counts only on an open track: left out"
            return replace(track, notes=(*track.notes, note))
        return track
    start = _station(track, ends["start_line"], plane) if "start_line" in ends else 0.0
    finish = _station(track, ends["finish_line"], plane) if "finish_line" in ends else track.length
    if finish <= start:
        raise ends.get("finish_line", ends["start_line"]).fault(
            f"the finish (station {finish:.0f} m) is not after the start (station {start:.0f} m)",
            "Swap the roles, or draw the edges in driving order",
        )
    return replace(track, start_station=start, finish_station=finish)


def _stretch(track: Track, placed: Placed) -> tuple[float, float]:
    """First and last station of a placed thing, wrapped on a circuit; all of it where its ends meet or overlap."""
    first, last = float(placed.s.min()), float(placed.s.max())
    if track.closed and last - first > track.length - ALL_ROUND:
        return 0.0, track.length
    return _within(track, first), _within(track, last)


def _dense(x: Array, y: Array, ring: bool) -> tuple[Array, Array]:
    """Add points about 2 m apart, so that the chain of stations cannot jump to a neighbouring stretch."""
    if ring:
        x, y = np.append(x, x[0]), np.append(y, y[0])
    along = distance_along(x, y)
    at = np.union1d(along, np.linspace(0.0, along[-1], min(400, int(along[-1] / 2.0) + 2)))
    return np.interp(at, along, x), np.interp(at, along, y)


def _kerb(track: Track, feature: Feature, plane: LocalPlane) -> Kerb:
    side = feature.text_of("side").lower()
    if side and side not in get_args(Side):
        raise feature.fault(f"property 'side' is {shown(side)}", "Use left or right, seen in driving direction")
    x, y = _dense(*_xy(feature, plane), feature.ring)
    tries: list[tuple[float, Side, Placed]] = []
    for name, sign in (("left", 1.0), ("right", -1.0)):
        if side in ("", name):
            placed = locate(track, x, y, margin=KERB_MARGIN, side=sign)
            if placed is not None:
                edge = np.interp(
                    np.mod(placed.s, track.length) if track.closed else placed.s,
                    track.s,
                    track.w_left if sign > 0 else track.w_right,
                )
                off = float(np.mean(np.abs(placed.n - sign * edge)))
                tries.append((off, "left" if sign > 0 else "right", placed))
    if not tries:
        raise feature.fault(
            f"no part of the track lies within {KERB_MARGIN:.1f} m", "Draw the kerb along the edge it belongs to"
        )
    _, found, placed = min(tries, key=lambda item: item[0])
    s_start, s_end = _stretch(track, placed)
    width = feature.number_of("width_m")
    try:
        return Kerb(
            side=found,
            s_start=s_start,
            s_end=s_end,
            width=width,
            grip=feature.number_of("grip", 1.0),
            name=feature.text_of("name"),
        )
    except InputError as error:
        raise feature.fault(error.what, "Give width_m in metres and grip as a factor on the asphalt's") from error


def _zone(track: Track, feature: Feature, plane: LocalPlane) -> GripZone:
    x, y = _dense(*_xy(feature, plane), True)
    placed = locate(track, x, y, margin=ZONE_MARGIN)
    if placed is None:
        raise feature.fault(
            f"a corner of the polygon is more than {ZONE_MARGIN:.0f} m off the track", "Draw it on the track"
        )
    s_start, s_end = _stretch(track, placed)
    try:
        return GripZone(
            s_start=s_start,
            s_end=s_end,
            n_right=float(placed.n.min()),
            n_left=float(placed.n.max()),
            factor=feature.number_of("factor"),
            name=feature.text_of("name"),
        )
    except InputError as error:
        raise feature.fault(error.what, "Give factor as a factor on the grip, 1 = as elsewhere") from error


def _groove(track: Track, feature: Feature, plane: LocalPlane) -> Groove:
    """The line is drawn by its vertices, so that more of them make it no other line."""
    x, y = _dense(*_xy(feature, plane), feature.ring)
    placed = locate(track, x, y, margin=KERB_MARGIN)  # karts drive on kerbs, too
    if placed is None:
        raise feature.fault("a point of the line is off the track", "Draw it along the dark band, between the edges")
    s, n = placed.s, placed.n
    if s[-1] < s[0]:
        raise feature.fault("the line runs against the driving direction", "Reverse it in the GIS")
    onward = np.concatenate([[True], s[1:] > np.maximum.accumulate(s)[:-1] + NO_STEP])
    s, n = s[onward], n[onward]
    if track.closed:
        if abs(s[-1] - s[0] - track.length) > GROOVE_GAP:
            raise feature.fault(
                f"the line covers {s[-1] - s[0]:.0f} m of {track.length:.0f} m",
                "Draw it once round the lap, and end it where it began",
            )
        before = s < s[0] + track.length - NO_STEP
        s, n = np.append(s[before], s[0] + track.length), np.append(n[before], n[0])
    try:
        return Groove(
            s=s,
            n=n,
            name=feature.text_of("name"),
            **{
                name: feature.number_of(key)
                for name, key in GROOVE_KEYS.items()
                if feature.properties.get(key) is not None
            },
        )
    except InputError as error:
        remedy = "Give widths in metres, and grip, beside and marbles as factors on the kart file's grip"
        raise feature.fault(error.what, remedy) from error


def _with_corners(track: Track, features: list[Feature], plane: LocalPlane) -> Track:
    """Corners of the file take the place of those found; a lone point names the corner it lies in."""
    drawn = [f for f in features if len(f.points) > 1]
    if drawn:
        track = replace(track, corners=Table(_numbered([_corner(track, f, plane) for f in drawn], drawn)))
    for feature in features:
        if len(feature.points) == 1:
            track = _named(track, feature, plane)
    return track


def _corner(track: Track, feature: Feature, plane: LocalPlane) -> Corner:
    if len(feature.points) != 3:
        raise feature.fault(
            f"a corner's line has {len(feature.points)} points", "Give three: where it starts, its apex, where it ends"
        )
    x, y = _xy(feature, plane)
    placed = locate(track, x, y, margin=ZONE_MARGIN)
    if placed is None:
        raise feature.fault(f"a point is more than {ZONE_MARGIN:.0f} m off the track", "Put the points on the track")
    if not placed.s[0] < placed.s[1] < placed.s[2]:
        raise feature.fault("its points are not in driving order", "Draw start, apex and end in driving direction")
    s_start, s_apex, s_end = (_within(track, float(s)) for s in placed.s)
    number = feature.number_of("number", 0.0)
    if number not in range(1000):
        raise feature.fault(f"property 'number' is {number:.6g}", "Number the corners 1, 2, 3")
    turn = turn_between(track.reference, track.w_left, track.w_right, s_start, s_end)
    if feature.properties.get("turn_deg") is not None:
        turn = float(np.radians(feature.number_of("turn_deg")))
    return Corner(
        number=int(number), s_start=s_start, s_apex=s_apex, s_end=s_end, turn=turn, name=feature.text_of("name")
    )


def _numbered(corners: list[Corner], features: list[Feature]) -> tuple[Corner, ...]:
    """Corners in driving order with the numbers given, or 1, 2, 3 where the file gives none at all."""
    order = sorted(range(len(corners)), key=lambda i: corners[i].s_apex)
    given = [corners[i].number for i in order]
    if not any(given):
        return tuple(replace(corners[i], number=k) for k, i in enumerate(order, start=1))
    for previous, this, i in zip(given, given[1:], order[1:]):
        if this <= previous:
            raise features[i].fault(
                f"corner number {this} follows number {previous} in driving order", "Number the corners as they come"
            )
    return tuple(corners[i] for i in order)


def _named(track: Track, feature: Feature, plane: LocalPlane) -> Track:
    x, y = _xy(feature, plane)
    placed = locate(track, x, y, margin=ZONE_MARGIN)
    name = feature.text_of("name")
    if placed is None or not track.corners or not name:
        note = f"{feature.place} names no corner of the track: left out"
        return replace(track, notes=(*track.notes, note))

    def distance(corner: Corner) -> float:
        gap = abs(corner.s_apex - float(placed.s[0]))
        return min(gap, track.length - gap) if track.closed else gap

    nearest = min(track.corners, key=distance)
    renamed = Table(replace(c, name=name) if c is nearest else c for c in track.corners)
    return replace(track, corners=renamed)
