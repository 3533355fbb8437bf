"""A track as it is drawn: checked while it grows, saved as an ordinary track file, opened again to be changed.

A drawing is what the page keeps and autosaves::

    {"name": "Practice oval", "closed": true,
     "origin": [lon, lat] or null,            of the local plane [deg]; null for a plan in metres
     "head": {...},                           further properties of the file's track feature
     "shapes": [{"id": "s1", "role": "left_edge", "points": [[x, y], ...], "ring": true, "properties": {...}}],
     "picture": {...} or null, "laps": {...} or null,      what lies under the drawing
     "saved_as": ""}                          revision of the track file that was saved last

Points are east and north of the origin [m], perhaps with an elevation.  Roles and properties are the track file's own.
"""

from __future__ import annotations

import json
import math
import re
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from linelab.app.library import Library, StaleError
from linelab.errors import InputError, LinelabError
from linelab.files.projection import LocalPlane, on_plane, to_lonlat
from linelab.files.tracks.track_features import ROLES, Feature, add_features, read_features
from linelab.files.tracks.track_file import DECIMALS, load_track
from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.model.drawing import thinned
from linelab.model.facts import square_width, track_facts
from linelab.model.track import Track, along
from linelab.output.display import Units, in_units, units_named
from linelab.output.track_facts import track_words
from linelab.units import Array

Step = Callable[[str], None]
Drawing = dict[str, Any]

EDGES = ("left_edge", "right_edge")
#: The outline: what the track is built from; everything else is placed on it.
_OUTLINE = (*EDGES, "start_line")
#: What shapes are called in messages.
NAMES = {
    "left_edge": "left edge",
    "right_edge": "right edge",
    "start_line": "start line",
    "finish_line": "finish line",
    "timing_line": "timing line",
    "kerb": "kerb",
    "grip_zone": "grip patch",
    "groove": "groove",
    "corner": "corner name",
}
#: A drawing may hold so many points [-]; the browser shows each of them.
MOST_POINTS = 20_000
#: Lines across the road are shown about so far apart [m].
_ACROSS = 8.0
#: A corner's number stands so far outside the road [m].
_LABEL_GAP = 4.0


def drawing_plane(drawing: Drawing) -> LocalPlane:
    """The plane of a drawing's points; a plan in metres is stored about longitude 0, latitude 0."""
    lon, lat = drawing["origin"] or (0.0, 0.0)
    return LocalPlane(origin_lon=float(lon), origin_lat=float(lat))


def check_shape_of(value: Any) -> Drawing:
    """A drawing as a page sent it, or as a file held it.

    Raises
    ------
    InputError
        It is none, or too large.
    """
    try:
        shapes = value["shapes"]
        count = 0
        for shape in shapes:
            assert shape["role"] in ROLES
            assert isinstance(shape["id"], str)
            assert isinstance(shape["properties"], dict)
            count += len(shape["points"])
            assert all(2 <= len(p) <= 3 and all(math.isfinite(v) for v in p) for p in shape["points"])
        assert value["origin"] is None or all(math.isfinite(v) for v in value["origin"])
        assert isinstance(value["closed"], bool)
        assert isinstance(value["name"], str)
        assert isinstance(value.get("head", {}), dict)
    except (AssertionError, KeyError, TypeError) as error:
        raise InputError("this is no drawing of a track", where="drawing", remedy="Load the page again") from error
    if count > MOST_POINTS:
        raise InputError(
            f"the drawing has {count} points", where="drawing", remedy=f"Thin its lines: {MOST_POINTS} are the most"
        )
    found: Drawing = value
    return found


# A drawing as a track file, and the other way


def track_text(drawing: Drawing, *, roles: tuple[str, ...] = tuple(ROLES), road: float | None = None) -> str:
    """The track file (GeoJSON) of a drawing, a feature a line; only shapes of ``roles``.

    ``road`` is the usual distance between the edges [m], stated as the assumed width of a track that nobody surveyed.
    """
    plane = drawing_plane(drawing)
    head: dict[str, Any] = {"role": "track", "name": drawing["name"], "closed": drawing["closed"]}
    head |= _origin_of_edges(drawing)
    head |= {key: value for key, value in drawing.get("head", {}).items() if value not in (None, "")}
    if head["survey"] == "estimated" and road is not None:
        head.setdefault("assumed_width_m", round(road, 1))
    head["georeferenced"] = drawing["origin"] is not None
    head["origin_lon"], head["origin_lat"] = plane.origin_lon, plane.origin_lat
    features = [{"type": "Feature", "properties": head, "geometry": None}]
    features += [_feature(shape, plane) for shape in drawing["shapes"] if shape["role"] in roles and shape["points"]]
    rows = ",\n".join(json.dumps(feature, ensure_ascii=False) for feature in features)
    return f'{{"type": "FeatureCollection", "features": [\n{rows}\n]}}\n'


def _origin_of_edges(drawing: Drawing) -> dict[str, Any]:
    """Where the edges come from unless the drawing says it: a placed picture shows them, laps show where karts ran."""
    picture, under = drawing.get("picture"), drawing.get("laps")
    if picture and picture.get("placed"):
        return {"survey": "surveyed", "survey_note": f"Drawn over a picture, pixels of {picture['pixel']:.2g} m"}
    return {"survey": "estimated", "survey_note": f"Drawn by hand{' over recorded laps' if under else ''}"}


def _feature(shape: dict[str, Any], plane: LocalPlane) -> dict[str, Any]:
    points = np.array([point[:2] for point in shape["points"]], dtype=np.float64)
    lon, lat = to_lonlat(plane, points[:, 0], points[:, 1])
    rows = [
        [round(float(a), DECIMALS), round(float(b), DECIMALS), *(round(float(z), 4) for z in point[2:])]
        for a, b, point in zip(lon, lat, shape["points"])
    ]
    ring = rows + rows[:1] if shape.get("ring") and len(rows) > 2 else rows
    geometry: dict[str, Any]
    if shape["role"] == "grip_zone" or (shape["role"] == "kerb" and shape.get("ring")):
        geometry = {"type": "Polygon", "coordinates": [ring if ring is not rows else rows + rows[:1]]}
    elif len(rows) == 1:
        geometry = {"type": "Point", "coordinates": rows[0]}
    else:
        geometry = {"type": "LineString", "coordinates": ring}
    properties = {key: value for key, value in shape["properties"].items() if value not in (None, "")}
    return {"type": "Feature", "properties": {"role": shape["role"], **properties}, "geometry": geometry}


def drawing_of(path: Path) -> Drawing:
    """A track file as a drawing.  A centre line with widths becomes its two edges.

    Raises
    ------
    FileFormatError, TrackError
    """
    track = load_track(path)
    features, _ = read_features(path)
    plane = LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1])
    by_role = {feature.role: feature for feature in features}
    shapes = [
        _shape(feature.role, on_plane(feature.points, plane), feature.ring, feature.properties)
        for feature in features
        if feature.role not in ("track", "centre_line")
    ]
    if not all(role in by_role for role in EDGES):
        shapes = [shape for shape in shapes if shape["role"] not in EDGES]
        for role, edge, z in (
            ("right_edge", track.right_edge, track.right_z),
            ("left_edge", track.left_edge, track.left_z),
        ):
            points = edge if z is None else np.column_stack([edge, z])
            shapes.insert(0, _shape(role, points, track.closed, {}))
    for number, shape in enumerate(shapes, start=1):
        shape["id"] = f"s{number}"
        if track.closed and shape["role"] in EDGES:
            shape["ring"] = True
    given = by_role["track"].properties if "track" in by_role else {}
    own = ("role", "name", "closed", "georeferenced", "origin_lon", "origin_lat")
    head = {key: value for key, value in given.items() if key not in own}
    head.setdefault("survey", track.survey.kind)
    return {
        "name": track.name,
        "closed": track.closed,
        "origin": list(track.origin) if track.georeferenced else None,
        "head": head,
        "shapes": shapes,
        "picture": None,
        "laps": None,
        "saved_as": "",
    }


def _shape(role: str, points: Array, ring: bool, properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "id": "",
        "role": role,
        "points": np.round(points, 4).tolist(),
        "ring": ring,
        "properties": {key: value for key, value in properties.items() if key != "role"},
    }


# Tasks


def open_track(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Make the drawing of a track of the library; a bundled one becomes a copy of another name.

    Raises
    ------
    LinelabError
    """
    library, name = Library(folder), given["track"]
    stored = library.read("track", name)
    step("reading the track")
    drawing = drawing_of(library.path("track", name))
    if stored.bundled:
        name = library.free_track_name(f"{name}-copy")
        drawing["name"] = f"{drawing['name']} (copy)"
    else:
        drawing["saved_as"] = stored.revision
    standing = library.names("drawing").get(name)
    if standing is None:
        began_from = ""
    elif given.get("again"):
        began_from = library.read("drawing", name).revision
        known = json.loads(standing.read_bytes())
        drawing |= {key: known.get(key) for key in ("picture", "laps") if known.get("origin") == drawing["origin"]}
    else:
        return {"name": name}
    library.save("drawing", name, drawing_text(drawing), began_from=began_from)
    return {"name": name}


def drawing_text(drawing: Drawing) -> str:
    """A drawing as its file's text."""
    return json.dumps(drawing, ensure_ascii=False) + "\n"


def check_drawing(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """What is known of a drawing so far: what is missing, every fault with its place, or the track's facts.

    ``state`` is "unfinished", "faulty" or "valid".  Faults are ``{"what", "where", "remedy", "place", "shape"}``, with
    ``place`` a point of the drawing or None, ``shape`` an id or "".
    """
    drawing = check_shape_of(given["drawing"])
    units = units_named(given.get("units", "metric"))
    todo = missing(drawing)
    if todo:
        return {"state": "unfinished", "todo": todo, "faults": []}
    track, faults = build(drawing)
    for fault in faults:
        fault |= {key: in_units(fault[key], units) for key in ("what", "remedy")}
    found = {"state": "faulty" if faults else "valid", "todo": [], "faults": faults}
    return found if track is None else found | _shown(track, units)


def save_drawing(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Save a drawing of the library as a track file, when nothing is wrong with it.

    Raises
    ------
    InputError
        Something is missing or wrong.
    StaleError
        The drawing or the track file was changed in another window.
    """
    library, name = Library(folder), given["name"]
    stored = library.read("drawing", name)
    if stored.revision != given["revision"]:
        raise StaleError(name, stored.revision)
    drawing = check_shape_of(json.loads(stored.text))
    if todo := missing(drawing):
        raise InputError("the drawing is not finished", where=drawing["name"], remedy="; ".join(todo))
    step("checking the track")
    track, faults = build(drawing)
    if faults or track is None:
        first = faults[0]
        raise InputError(first["what"], where=first["where"] or drawing["name"], remedy=first["remedy"])
    text = track_text(drawing, road=float(np.median(track.width)))
    standing = library.names("track").get(name)
    removed = standing is None or library.is_bundled(standing)  # the file was taken away since: saved as a new one
    saved = library.save("track", name, text, began_from="" if removed else drawing["saved_as"])
    drawing["saved_as"] = saved.revision
    kept = library.save("drawing", name, drawing_text(drawing), began_from=stored.revision)
    return {"revision": kept.revision, "saved_as": saved.revision, "file": library.path("track", name).name}


def missing(drawing: Drawing) -> list[str]:
    """What is still to be drawn before a drawing can be checked as a track."""
    todo = []
    picture = drawing.get("picture")
    if picture and not picture.get("placed"):
        todo.append("Place the picture: its scale is not known yet")
    for role in EDGES:
        edges = [shape for shape in drawing["shapes"] if shape["role"] == role]
        least = 3 if drawing["closed"] else 2
        if not edges or len(edges[0]["points"]) < least:
            todo.append(f"Draw the {NAMES[role]}")
        elif drawing["closed"] and not edges[0]["ring"]:
            todo.append(f"Close the {NAMES[role]}: click its first point")
    return todo


# Building


def build(drawing: Drawing) -> tuple[Track | None, list[dict[str, Any]]]:
    """The track of a drawing, without what is faulty in it (None where its edges are), and all faults.

    What is checked is the file that would be saved, read by :func:`linelab.load_track`; after the outline each shape is
    placed by itself, so that one fault does not hide the others.
    """
    with tempfile.TemporaryDirectory(prefix="linelab-drawing-") as name:
        path = Path(name) / "drawing.geojson"
        faults: list[dict[str, Any]] = []
        roles: tuple[str, ...] = _OUTLINE
        try:
            track = _loaded(drawing, roles, path)
        except LinelabError as error:
            roles = EDGES
            try:
                track = _loaded(drawing, roles, path)
            except LinelabError as of_edges:
                return None, [_fault(of_edges, drawing, path)]
            start = next(shape for shape in drawing["shapes"] if shape["role"] == "start_line")
            faults.append(_fault(error, drawing, path, start))
        plane, sound = drawing_plane(drawing), []
        for shape in drawing["shapes"]:
            if shape["role"] in EDGES or (shape["role"] == "start_line" and "start_line" not in roles):
                continue
            try:
                feature = _read(drawing, shape, path)
                if shape["role"] != "finish_line":  # of an open track: only together with the start line
                    add_features(track, [feature], plane)
                sound.append(feature)
            except LinelabError as error:
                faults.append(_fault(error, drawing, path, shape))
        try:
            track = add_features(track, _apart(sound), plane)
        except LinelabError as error:
            faults.append(_fault(error, drawing, path))
    return track, faults


def _loaded(drawing: Drawing, roles: tuple[str, ...], path: Path) -> Track:
    path.write_text(track_text(drawing, roles=roles), encoding="utf-8")
    return load_track(path)


def _read(drawing: Drawing, shape: dict[str, Any], path: Path) -> Feature:
    path.write_text(track_text({**drawing, "shapes": [shape]}), encoding="utf-8")
    features, _ = read_features(path)
    return next(feature for feature in features if feature.role == shape["role"])


def _apart(features: list[Feature]) -> list[Feature]:
    """The same features, numbered as they come."""
    return [replace(feature, number=number) for number, feature in enumerate(features, start=1)]


def _fault(error: LinelabError, drawing: Drawing, path: Path, shape: dict[str, Any] | None = None) -> dict[str, Any]:
    """An error as the page shows it: with a place of the drawing where there is one."""
    where = error.where.replace(str(path), "").strip(", ")
    what = re.sub(r"^feature \d+ \((\w+)\):? ?", "", error.what)
    place = getattr(error, "place", None)
    if shape is None:
        shape = next((one for one in drawing["shapes"] if NAMES[one["role"]] in where), None)
        if shape is not None and (vertex := re.search(rf"{NAMES[shape['role']]}, vertex (\d+)", where)):
            number = int(vertex[1]) - 1
            place = place or (shape["points"][number][:2] if number < len(shape["points"]) else None)
    else:
        where = named(shape)
        place = place or np.mean([point[:2] for point in shape["points"]], axis=0).tolist()
    return {
        "what": what,
        "where": where,
        "remedy": error.remedy,
        "place": None if place is None else [float(place[0]), float(place[1])],
        "shape": "" if shape is None else shape["id"],
    }


def named(shape: dict[str, Any]) -> str:
    """What messages call a shape: what it is, and its name where it has one."""
    return " ".join(part for part in (NAMES[shape["role"]], str(shape["properties"].get("name") or "")) if part)


def _shown(track: Track, units: Units) -> dict[str, Any]:
    """What the page draws and says of a track that could be built."""
    facts = track_facts(track)
    words = track_words(facts, units)
    norms = words.index("") if "" in words else len(words)
    line = track.reference
    keep = thinned(line.x, line.y, 0.03)
    width = square_width(track)
    s = np.linspace(0.0, track.length, max(round(track.length / _ACROSS), 2), endpoint=not track.closed)
    left, right = (sn_to_xy(line, s, n) for n in (along(track, track.w_left, s), -along(track, track.w_right, s)))
    return {
        "words": words[:norms],
        "norms": "\n".join(words[norms + 1 :]),
        "notes": [in_units(note, units) for note in track.notes],
        "length": units.length_text(facts.length),
        "width": [units.length_text(value, 1) for value in facts.width],
        "direction": facts.direction,
        "reference": _rounded(line.x[keep], line.y[keep]),
        "across": np.round(np.column_stack([*left, *right]), 2).tolist(),
        "narrowest": {"place": _place(track, int(np.argmin(width))), "text": units.length_text(facts.width[0], 1)},
        "corners": _corners(track, units),
    }


def _place(track: Track, k: int) -> list[float]:
    """Where station k of the reference line is."""
    return [round(float(track.reference.x[k]), 2), round(float(track.reference.y[k]), 2)]


def _corners(track: Track, units: Units) -> list[dict[str, Any]]:
    """Corners with the place of their apex, and one outside the road for their number."""
    found = []
    for corner in track.corners:
        at, s = curve_at(track.reference, corner.s_apex), np.array([corner.s_apex])
        side = -1.0 if corner.left else 1.0
        n = side * (float(along(track, track.w_right if corner.left else track.w_left, s)[0]) + _LABEL_GAP)
        label = [float(at.x) - n * math.sin(float(at.psi)), float(at.y) + n * math.cos(float(at.psi))]
        found.append(
            {
                "number": corner.number,
                "name": corner.name,
                "left": corner.left,
                "turn": round(abs(math.degrees(corner.turn))),
                "from_start": units.length_text(corner.s_apex),
                "apex": [round(float(at.x), 2), round(float(at.y), 2)],
                "label": [round(value, 2) for value in label],
            }
        )
    return found


def _rounded(x: Array, y: Array) -> list[list[float]]:
    return np.round(np.column_stack([x, y]), 2).tolist()  # type: ignore[no-any-return]
