"""Recordings as GPX 1.0 and 1.1 (GPS Exchange Format), read as a stream with the standard library's expat.

GPX 1.0 has ``speed`` [m/s] and ``course`` [deg] in a track point; 1.1 dropped both, and loggers put them into
``extensions``.  Elements are told apart by their local names, so any namespace of an extension will do.

Safe against hostile files: a DOCTYPE (and with it every entity declaration) is refused, nesting depth, text length and
the number of points are bounded.
"""

from __future__ import annotations

import math
from array import array
from pathlib import Path
from xml.parsers import expat

import numpy as np

from linelab.errors import FileFormatError
from linelab.io.recordings_checks import check_degrees
from linelab.io.recordings_time import parse_stamp
from linelab.lap import Recording
from linelab.units import Array

_BLOCK = 1 << 18
_MAX_DEPTH = 64
_MAX_TEXT = 10_000
_MAX_POINTS = 50_000_000

#: Numbers kept from a track point and the factor to the unit kept inside.
_FIELDS = {
    "speed": 1.0,
    "course": math.pi / 180.0,
    "ele": 1.0,
    "hdop": 1.0,
    "sat": 1.0,
}
_CHANNELS = {"ele": "altitude", "hdop": "hdop", "sat": "satellites", "course": "course"}


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
        self.inside = False
        self.reading = ""
        self.text: list[str] = []
        self.others = 0
        self.segments = 0
        self.root = ""
        self.values = {name: array("d") for name in ("lon", "lat", "t", "line", "segment", *_FIELDS)}
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
        elif self.inside and (name == "time" or name in _FIELDS):
            self.reading = name
            self.text.clear()

    def _open_point(self, attributes: dict[str, str]) -> None:
        if len(self.values["t"]) >= _MAX_POINTS:
            raise self.fault("too many track points", expected=f"at most {_MAX_POINTS}", remedy="Split the file")
        self.inside = True
        self.point = dict.fromkeys(self.values, math.nan)
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
        if self.reading and name == self.reading:
            text = "".join(self.text).strip()
            if name == "time":
                self.point["t"] = parse_stamp(text)
            else:
                self.point[name] = _number(text) * _FIELDS[name]
            self.reading = ""
        elif name == "trkpt" and self.inside:
            for key, column in self.values.items():
                column.append(self.point[key])
            self.inside = False


def _number(text: str) -> float:
    """A finite number, or NaN."""
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def read_gpx(path: Path) -> Recording:
    """Read the track points of a GPX file; see :func:`linelab.io.recordings.load_recording`."""
    points = _Points(path)
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                points.parser.Parse(block, False)
        points.parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise FileFormatError(
            f"the XML breaks off here ({expat.ErrorString(error.code)})",
            path=path,
            line=error.lineno,
            remedy="Export the recording again; the file may be cut short",
        ) from error
    if points.root != "gpx":
        raise FileFormatError("this XML is not GPX", path=path, line=1, found=f"<{points.root[:40]}>", expected="<gpx>")
    columns = {name: np.frombuffer(values, dtype=np.float64) for name, values in points.values.items()}
    return _recording(path, columns, points.others)


def _recording(path: Path, columns: dict[str, Array], others: int) -> Recording:
    """Check the collected points and hand them on."""
    if columns["t"].size == 0:
        there = f" (it has {others} waypoints or route points)" if others else ""
        raise FileFormatError(f"no track points{there}", path=path, remedy="Export the recorded track, not waypoints")
    timed = np.isfinite(columns["t"])
    if not timed.any():
        raise FileFormatError(
            "no track point has a time",
            path=path,
            remedy="Export the track with its times",
        )
    check_degrees(path, columns["lon"], columns["lat"], columns["line"])
    notes = ["time: ISO 8601 stamps", "units: speed m/s and course deg (GPX 1.0)"]
    if not timed.all():
        first = int(columns["line"][~timed][0])
        notes.append(f"{int((~timed).sum())} points without a time left out, the first at line {first}")
    kept = {name: column[timed] for name, column in columns.items()}
    if not np.isfinite(kept["speed"]).any():
        notes.append("no speed in the file")
    channels = {_CHANNELS[name]: kept[name] for name in _CHANNELS if np.isfinite(kept[name]).any()}
    if kept["segment"].max() > kept["segment"].min():
        channels["segment"] = kept["segment"]
    return Recording(
        t=kept["t"] - kept["t"][0],
        lon=kept["lon"],
        lat=kept["lat"],
        speed=kept["speed"] if np.isfinite(kept["speed"]).any() else None,
        channels=channels,
        source=str(path),
        notes=tuple(notes),
    )
