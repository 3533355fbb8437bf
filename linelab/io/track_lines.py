"""Lines from GPX files: tracks and routes, for edges that were walked with a receiver.

Read with the standard library's expat.  A document type declaration is refused (it could define entities that grow
without bound), depth and number of points are bounded, and each position is checked with its line number.
"""

from __future__ import annotations

import math
from pathlib import Path
from xml.parsers import expat

import numpy as np

from linelab.errors import FileFormatError
from linelab.io.track_text import read_text
from linelab.units import Array

MAX_DEPTH = 32
MAX_POINTS = 500_000


def read_gpx_lines(path: str | Path) -> list[tuple[str, Array, bool]]:
    """Tracks and routes of a GPX file, each as (name, points, ring); GPX knows no rings, so that is False.

    ``points`` is (K, 2) longitude and latitude [deg], or (K, 3) with elevation [m] where every point has one.
    The segments of a track are joined in order.

    Raises
    ------
    FileFormatError
        Not GPX, a DOCTYPE, a position that is no place on Earth (with its line), or too large.
    """
    text = read_text(path, "GPX")
    reader = _Reader(Path(path))
    try:
        reader.parser.Parse(text.encode("utf-8"), True)
    except expat.ExpatError as error:
        raise FileFormatError(
            f"not valid XML: {expat.ErrorString(error.code)}",
            path=path,
            line=error.lineno,
            expected="GPX",
            remedy="Export the walk as GPX again",
        ) from error
    if reader.root != "gpx":
        raise FileFormatError(
            "this XML is not GPX",
            path=path,
            found=f"<{reader.root}>",
            expected="<gpx>",
            remedy="Export the walk as GPX or GeoJSON",
        )
    return [(name, _as_array(rows), False) for name, rows in reader.lines if rows]


def _as_array(rows: list[tuple[float, float, float]]) -> Array:
    array = np.array(rows, dtype=np.float64)
    return array if np.isfinite(array[:, 2]).all() else array[:, :2]


class _Reader:
    """Collects points while expat walks the file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.parser = expat.ParserCreate(encoding="utf-8")
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.stack: list[str] = []
        self.root = ""
        self.words: list[str] = []
        self.lines: list[tuple[str, list[tuple[float, float, float]]]] = []
        self.count = 0

    def _fault(self, what: str, remedy: str) -> FileFormatError:
        return FileFormatError(what, path=self.path, line=self.parser.CurrentLineNumber, remedy=remedy)

    def _doctype(self, *_: object) -> None:
        raise self._fault("a document type declaration is not accepted", "Remove the DOCTYPE; GPX needs none")

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        self.root = self.root or name
        self.stack.append(name)
        if len(self.stack) > MAX_DEPTH:
            raise self._fault("nested too deeply", "Export the walk as GPX again")
        if name in ("trk", "rte"):
            self.lines.append(("", []))
        elif name in ("trkpt", "rtept") and self.lines:
            self.count += 1
            if self.count > MAX_POINTS:
                raise self._fault(f"more than {MAX_POINTS} points", "Give one walk in a file")
            lon, lat = self._degrees(attributes, "lon", 180.0), self._degrees(attributes, "lat", 90.0)
            self.lines[-1][1].append((lon, lat, math.nan))
        self.words.clear()

    def _degrees(self, attributes: dict[str, str], name: str, limit: float) -> float:
        try:
            value = float(attributes.get(name, ""))
        except ValueError:
            value = math.nan
        if not abs(value) <= limit:
            raise self._fault(
                f"{name} is {attributes.get(name, 'missing')[:40]!r}, not within ±{limit:g} degrees",
                "Remove that point",
            )
        return value

    def _text(self, text: str) -> None:
        if len(self.words) < 1000:
            self.words.append(text)

    def _end(self, _: str) -> None:
        name = self.stack.pop()
        parent = self.stack[-1] if self.stack else ""
        if name == "name" and parent in ("trk", "rte"):
            self.lines[-1] = ("".join(self.words).strip(), self.lines[-1][1])
        elif name == "ele" and parent in ("trkpt", "rtept") and self.lines and self.lines[-1][1]:
            try:
                height = float("".join(self.words))
            except ValueError:
                height = math.nan
            lon, lat, _height = self.lines[-1][1][-1]
            self.lines[-1][1][-1] = (lon, lat, height)
        self.words.clear()
