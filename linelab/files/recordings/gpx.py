"""Recordings as GPX 1.0 and 1.1 (GPS Exchange Format), read as a stream with the standard library's expat.

GPX 1.0 has ``speed`` [m/s] and ``course`` [deg] in a track point; 1.1 dropped both, and loggers put them into
``extensions``.  Elements are told apart by their local names, so any namespace of an extension will do; other channels
are taken from extensions whose name says what they are and, by its end or a ``unit`` attribute, in which unit.

Safe against hostile files: a DOCTYPE (and with it every entity declaration) is refused; nesting depth, the length of
texts and tags, the number of points and of different elements are bounded.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from pathlib import Path
from xml.parsers import expat

import numpy as np

from linelab.arrays import counted
from linelab.errors import FileFormatError, legible
from linelab.files.recordings.channel_units import ROLES, UNITS, canonical_unit, parse_stamp, role_of, split_header
from linelab.files.text import check_degrees
from linelab.model.lap import Recording
from linelab.units import Array

_BLOCK = 1 << 18
_MAX_DEPTH = 64
_MAX_TEXT = 10_000
_MAX_POINTS = 50_000_000
_MAX_NAMES = 10_000
_MAX_TAG = 1 << 22

#: Units that GPX itself lays down (1.0; 1.1 has neither speed nor course).
_OWN_UNITS = {"speed": "m/s", "course": "deg"}
_NOT_CHANNELS = ("time", "date", "lon", "lat", "x", "y")
_FIXES = {"none": 0.0, "2d": 2.0, "3d": 3.0, "dgps": 4.0, "pps": 5.0}


class _Points:
    """Collects the track points while expat walks the file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._refuse_doctype
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.depth = 0
        self.inside = 0  # depth of the track point being read, 0 outside
        self.reading = ""
        self.target: tuple[str, float] | None = None
        self.targets: dict[tuple[str, str], tuple[str, float] | None] = {}
        self.left_out: dict[str, None] = {}
        self.text: list[str] = []
        self.others = 0
        self.segments = 0
        self.root = ""
        self.values = {name: array("d") for name in ("lon", "lat", "t", "line", "segment")}
        self.point: dict[str, float] = {}

    def fault(self, what: str, *, found: str = "", expected: str = "", remedy: str = "") -> FileFormatError:
        """An error at the line being read."""
        line = self.parser.CurrentLineNumber
        return FileFormatError(what, path=self.path, line=line, found=found, expected=expected, remedy=remedy)

    def _refuse_doctype(self, name: str, *_: object) -> None:
        raise self.fault(
            "a document type declaration is not accepted",
            found=f"DOCTYPE {name[:40]}",
            expected="plain GPX",
            remedy="Remove the DOCTYPE; GPX needs none",
        )

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        self.depth += 1
        self.root = self.root or name
        if self.depth > _MAX_DEPTH:
            raise self.fault("elements are nested too deeply", expected=f"at most {_MAX_DEPTH} levels")
        if name == "trkpt":
            self._open_point(attributes)
        elif name == "trkseg":
            self.segments += 1
        elif name in ("wpt", "rtept"):
            self.others += 1
        elif self.inside:
            timed = name == "time" and self.depth == self.inside + 1
            self.target = ("t", 1.0) if timed else self._target(name, attributes)
            self.reading = name if self.target is not None else ""
            self.text.clear()

    def _target(self, name: str, attributes: dict[str, str]) -> tuple[str, float] | None:
        """Column an element goes to and the factor to the unit kept inside; None when it is not kept."""
        key = (name, attributes.get("unit", attributes.get("uom", ""))[:20])
        if key not in self.targets:
            if len(self.targets) >= _MAX_NAMES:
                raise self.fault("too many different elements", expected=f"at most {_MAX_NAMES}")
            self.targets[key] = self._new_target(*key)
        return self.targets[key]

    def _new_target(self, name: str, unit: str) -> tuple[str, float] | None:
        plain, stated = split_header(name)
        role = role_of(plain)
        if role is None or role in _NOT_CHANNELS:
            return None
        used = canonical_unit(unit) if unit else stated or _OWN_UNITS.get(role) or ROLES[role].default_unit
        factor = UNITS[ROLES[role].kind].get(used or "")
        if factor is None:
            self.left_out[f"{role} left out: <{name[:40]}> does not state its unit"] = None
            return None
        return role, factor

    def _open_point(self, attributes: dict[str, str]) -> None:
        if len(self.values["t"]) >= _MAX_POINTS:
            raise self.fault("too many track points", expected=f"at most {_MAX_POINTS}", remedy="Split the file")
        self.inside = self.depth
        self.point = {"t": math.nan}
        self.point["line"] = self.parser.CurrentLineNumber
        self.point["segment"] = self.segments
        for name in ("lon", "lat"):
            text = attributes.get(name, "")
            value = _number(text)
            if math.isnan(value):
                raise self.fault(
                    f"track point without a usable '{name}'",
                    found=f"'{text[:40]}'" if text else "nothing",
                    expected="decimal degrees",
                    remedy="Repair or remove this point",
                )
            self.point[name] = value

    def _text(self, data: str) -> None:
        if self.reading:
            self.text.append(data)
            if len(data) > _MAX_TEXT or len(self.text) > _MAX_TEXT:
                raise self.fault(f"the text of '{self.reading}' is too long", expected=f"at most {_MAX_TEXT} letters")

    def _end(self, tag: str) -> None:
        name = tag.rpartition(":")[2]
        self.depth -= 1
        if self.reading and name == self.reading and self.target is not None:
            text = "".join(self.text).strip()
            column, factor = self.target
            value = parse_stamp(text) if column == "t" else _FIXES.get(text.lower(), _number(text)) * factor
            if value == value and self.point.get(column, math.nan) != self.point.get(column, math.nan):
                self.point[column] = value
            self.reading = ""
        elif self.depth < self.inside:
            for column in self.point.keys() - self.values.keys():
                self.values[column] = array("d", [math.nan]) * len(self.values["t"])
            for name, values in self.values.items():
                values.append(self.point.get(name, math.nan))
            self.inside = 0


def _number(text: str) -> float:
    """A finite number, or NaN."""
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def read_gpx(path: Path, progress: Callable[[str], None] = lambda text: None) -> Recording:
    """Read the track points of a GPX file; see :func:`linelab.load_recording`."""
    points = _Points(path)
    size, fed = max(path.stat().st_size, 1), 0
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                points.parser.Parse(block, False)
                fed += len(block)
                if fed - points.parser.CurrentByteIndex > _MAX_TAG:
                    raise points.fault("a tag or comment is too long", expected=f"at most {_MAX_TAG} bytes")
                progress(f"reading {path.name}: {min(fed / size, 1.0):.0%}")
        points.parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise FileFormatError(
            f"the XML breaks off here ({expat.ErrorString(error.code)})",
            path=path,
            line=error.lineno,
            remedy="Export the recording again; the file may be cut short",
        ) from error
    except (LookupError, ValueError) as error:
        raise FileFormatError(
            f"the text encoding that the file names cannot be read ({error})", path=path, line=1, expected="UTF-8"
        ) from error
    if points.root != "gpx":
        raise FileFormatError(
            "this XML is not GPX",
            path=path,
            line=1,
            found=f"<{points.root[:40]}>",
            expected="<gpx>",
            remedy="Export the recording as GPX or CSV, with times",
        )
    columns = {name: np.frombuffer(values, dtype=np.float64) for name, values in points.values.items()}
    return _recording(path, columns, points)


def _recording(path: Path, columns: dict[str, Array], points: _Points) -> Recording:
    """Check the collected points and hand them on."""
    if columns["t"].size == 0:
        raise FileFormatError(
            "no track points",
            path=path,
            line=points.parser.CurrentLineNumber,
            found=f"{points.others} waypoints or route points by the end" if points.others else "the end of the file",
            expected="<trkpt> in <trkseg>",
            remedy="Export the recorded track, not waypoints",
        )
    timed = np.isfinite(columns["t"])
    if not timed.any():
        raise FileFormatError(
            "no track point has a time",
            path=path,
            line=int(columns["line"][0]),
            found=f"{counted(timed.size, 'point')} without a readable <time>",
            expected="an ISO 8601 stamp in each",
            remedy="Export the track with its times",
        )
    check_degrees(path, columns["lon"], columns["lat"], columns["line"])
    notes = ["time: ISO 8601 stamps", *points.left_out]
    if any(np.isfinite(columns[name]).any() for name in ("speed", "course") if name in columns):
        notes.insert(1, "units: speed m/s and course deg, as GPX 1.0 has them")
    if not timed.all():
        first = int(columns["line"][~timed][0])
        notes.append(f"{counted(int((~timed).sum()), 'point')} without a time left out, the first at line {first}")
        columns = {name: column[timed] for name, column in columns.items()}
    t, lon, lat = columns.pop("t"), columns.pop("lon"), columns.pop("lat")
    del columns["line"]
    if columns["segment"].max() == columns["segment"].min():
        del columns["segment"]
    columns = {name: values for name, values in columns.items() if np.isfinite(values).any()}
    if "speed" not in columns:
        notes.append("no speed in the file")
    return Recording(
        t=t - t[0],
        lon=lon,
        lat=lat,
        speed=columns.pop("speed", None),
        channels=columns,
        source=legible(path),
        notes=tuple(notes),
        start_utc=float(t[0]),
        start_clock=float(t[0]),
    )
