"""Recordings as GeoJSON (RFC 7946) with times.

The standard has no place for times.  What is in use, and read here: an array of times as long as the line among the
properties (``coordTimes``, ``times``, ``timestamps``, ``datetimes``, also below ``coordinateProperties``; common
practice), the ``temporalGeometry`` of OGC Moving Features JSON (OGC 19-045r3, from memory), points with a time of their
own, and a fourth number of each position that can only be a time since 1970.  Further arrays of the same length are
channels when their name says what they are and in which unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from linelab.arrays import counted
from linelab.errors import FileFormatError, legible
from linelab.files.geojson import check_crs, parse_geojson, raw_features
from linelab.files.recordings.channel_units import (
    ROLES,
    UNITS,
    epoch_unit,
    parse_stamp,
    role_of,
    split_header,
    unit_factor,
)
from linelab.files.text import MAX_BYTES, check_degrees
from linelab.model.lap import Recording
from linelab.units import Array

_TIMES = ("coordTimes", "times", "timestamps", "datetimes")
_TIME = ("time", "timestamp", "datetime")
_NOT_CHANNELS = ("time", "date", "lon", "lat", "x", "y")


@dataclass(slots=True)
class _Part:
    """One line: its positions, their times, and arrays that may be channels."""

    place: str
    positions: list[Any]
    times: list[Any]
    arrays: dict[str, list[Any]] = field(default_factory=dict)


def read_geojson(path: Path, units: Mapping[str, str] | None = None) -> Recording:
    """Read the timed lines and points of a GeoJSON file; see :func:`load_recording`."""
    if path.stat().st_size > MAX_BYTES:
        raise FileFormatError(
            "too large for a GeoJSON recording",
            path=path,
            found=f"{path.stat().st_size / 2**20:.0f} MB",
            expected=f"at most {MAX_BYTES // 2**20} MB",
            remedy="Export it as GPX or CSV, which are read as a stream",
        )
    document = parse_geojson(path)
    check_crs(document, path)
    parts: list[_Part] = []
    timeless = 0
    for number, feature in enumerate(raw_features(document, path), start=1):
        found = _parts_of(path, feature, f"feature {number}")
        timeless += not found
        parts += found
    if not parts:
        raise FileFormatError(
            "no line with times",
            path=path,
            found=f"{counted(timeless, 'feature')} without times",
            expected="an array 'coordTimes' among the properties, one time for each position",
            remedy="Export the recording with its times, or as GPX or CSV",
        )
    places = np.concatenate([_positions(path, part) for part in parts])
    t, absolute, time_note = _seconds(path, [time for part in parts for time in part.times])
    keep = np.isfinite(t)
    if not keep.any():
        raise FileFormatError("no time can be read", path=path, found=repr(parts[0].times[0])[:40], expected="ISO 8601")
    check_degrees(path, places[keep, 0], places[keep, 1], None)
    channels, notes = _channels(path, parts, units or {})
    if np.isfinite(places[:, 2]).any():
        channels["altitude"] = places[:, 2]
    if len(parts) > 1:
        channels["segment"] = np.repeat(np.arange(1.0, len(parts) + 1), [len(part.times) for part in parts])
    if timeless:
        notes.append(f"{counted(timeless, 'feature')} without times left out")
    if not keep.all():
        notes.append(f"{counted(int((~keep).sum()), 'position')} without a time left out")
    channels = {name: values[keep] for name, values in channels.items() if np.isfinite(values).any()}
    first = float(t[keep][0])
    return Recording(
        t=t[keep] - first,
        lon=places[keep, 0],
        lat=places[keep, 1],
        speed=channels.pop("speed", None),
        channels=channels,
        source=legible(path),
        notes=(f"GeoJSON: {counted(len(parts), 'line')} with times", time_note, *notes),
        start_utc=first if absolute else None,
        start_clock=first,
    )


def _parts_of(path: Path, feature: dict[str, Any], place: str) -> list[_Part]:
    """The timed lines of a feature, none where it has no times."""
    properties, geometry, moving = (
        _mapping(feature.get(key)) for key in ("properties", "geometry", "temporalGeometry")
    )
    if moving:
        return _lines(path, place, [_list(moving.get("coordinates"))], _list(moving.get("datetimes")), properties)
    kind, positions = geometry.get("type"), _list(geometry.get("coordinates"))
    nested = _mapping(properties.get("coordinateProperties"))
    listed = {**properties, **nested}
    times = next((listed[name] for name in _TIMES if isinstance(listed.get(name), list)), None)
    if kind == "Point":
        own = next((listed[name] for name in _TIME if listed.get(name) is not None), None)
        return [] if own is None else [_Part(place, [positions], [own], {k: [v] for k, v in listed.items()})]
    if kind not in ("LineString", "MultiLineString"):
        return []
    lines = [positions] if kind == "LineString" else [_list(line) for line in positions]
    if times is None:
        return [_Part(place, line, list(fourth)) for line in lines if (fourth := _fourth(line))]
    return _lines(path, place, lines, times, listed)


def _lines(path: Path, place: str, lines: list[list[Any]], times: list[Any], listed: Mapping[str, Any]) -> list[_Part]:
    """Lines with their times and arrays, nested like the lines or all in one."""

    def flat(values: list[Any]) -> list[Any]:
        return [item for part in values for item in part] if values and isinstance(values[0], list) else values

    positions, clock = [item for line in lines for item in line], flat(times)
    if len(positions) != len(clock):
        raise FileFormatError(
            f"{place}: positions and times differ in number",
            path=path,
            found=f"{len(clock)} times",
            expected=f"{len(positions)}, one for each position",
            remedy="Export the recording again, or as GPX or CSV",
        )
    if not positions:
        return []
    arrays = {name: flat(values) for name, values in listed.items() if isinstance(values, list)}
    arrays = {name: values for name, values in arrays.items() if len(values) == len(positions)}
    return [_Part(place, positions, clock, arrays)]


def _mapping(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _number(value: Any) -> float:
    """A finite number, or NaN."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return float("nan")
    return float(value) if abs(value) < 1e300 else float("nan")


def _fourth(line: list[Any]) -> list[float]:
    """The fourth numbers of the positions when all can only be times since 1970, else nothing."""
    values = [_number(row[3]) if isinstance(row, list) and len(row) > 3 else float("nan") for row in line]
    return values if values and all(epoch_unit(value) is not None for value in values) else []


def _positions(path: Path, part: _Part) -> Array:
    """Longitude, latitude [deg] and altitude [m] of a line (N, 3); an altitude that is missing is NaN."""
    out = np.full((len(part.positions), 3), np.nan)
    for i, row in enumerate(part.positions):
        numbers = [_number(value) for value in row[:3]] if isinstance(row, list) else []
        if len(numbers) < 2 or numbers[0] != numbers[0] or numbers[1] != numbers[1]:
            raise FileFormatError(
                f"{part.place}, position {i + 1} is no position",
                path=path,
                found=repr(row)[:60],
                expected="[longitude, latitude] or [longitude, latitude, altitude]",
                remedy="Repair that position",
            )
        out[i, : len(numbers)] = numbers
    return out


def _seconds(path: Path, times: list[Any]) -> tuple[Array, bool, str]:
    """Times as seconds, whether they are absolute, and a note on how they were read."""
    if any(isinstance(time, str) for time in times):
        stamps = [parse_stamp(time) if isinstance(time, str) else float("nan") for time in times]
        return np.array(stamps), True, "time: ISO 8601 stamps"
    raw = np.array([_number(time) for time in times])
    known = raw[np.isfinite(raw)]
    unit = epoch_unit(float(np.median(known))) if known.size else None
    if unit is not None:
        return raw * unit_factor("time", unit), True, f"time: {unit} since 1970"
    if known.size > 1 and abs(float(np.median(np.diff(known)))) >= 5.0:
        raise FileFormatError(
            "the unit of the times is not clear",
            path=path,
            found=f"steps of {np.median(np.diff(known)):g}",
            expected="ISO 8601 stamps, seconds, or times since 1970",
            remedy="Export the times as ISO 8601",
        )
    return raw, False, "time: no unit stated, seconds assumed"


def _channels(path: Path, parts: list[_Part], units: Mapping[str, str]) -> tuple[dict[str, Array], list[str]]:
    """Channels that the names of the arrays tell, in SI units."""
    total = sum(len(part.times) for part in parts)
    out: dict[str, Array] = {}
    notes: dict[str, None] = {}
    at = 0
    for part in parts:
        for title, values in part.arrays.items():
            name, stated = split_header(title)
            role = role_of(name)
            if role is None or role in _NOT_CHANNELS:
                continue
            known = UNITS[ROLES[role].kind]
            unit = units.get(role) or (stated if stated != "-" and stated in known else ROLES[role].default_unit)
            if unit is None:
                notes[f"{role} left out: '{title}' does not state its unit, as '{title}_kmh' would"] = None
                continue
            column = out.setdefault(role, np.full(total, np.nan))
            column[at : at + len(values)] = [_number(value) * unit_factor(role, unit) for value in values]
        at += len(part.times)
    return out, list(notes)
