"""Lines and marks for maps and tables made by other programs: GeoJSON, GPX, KML, CSV and Parquet.

Every format holds the computed line, driven lines with their uncertainty, and the computed lap's marks.  Positions are
longitude and latitude (WGS 84) in GeoJSON (RFC 7946), GPX 1.1 and KML 2.2 (OGC 07-147r2), and local metres in the
tables, whose column names carry the units (SI).  Element order in GPX and KML follows their schemas (gpx.xsd version
1.1 of topografix.com, *memory*; ogckml22.xsd of OGC 07-147r2, against which the tests validate).
"""

from __future__ import annotations

import importlib.util
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from xml.etree import ElementTree

import numpy as np

from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.errors import InputError
from linelab.files.projection import LocalPlane, to_lonlat
from linelab.files.text import csv_text
from linelab.files.writing import replacing, write_text
from linelab.measured import plus_minus
from linelab.model.kart import Kart
from linelab.model.lap import Lap, lap_columns
from linelab.model.timed import timed_lap
from linelab.model.track import Track
from linelab.output.display import CAUTIONS, METRIC, lap_time_text
from linelab.output.track_facts import survey_sentence
from linelab.units import Array

if TYPE_CHECKING:
    from linelab.motion.estimate import DrivenLap

#: Decimals of a degree: 1 cm on the ground, finer than any line is known.
DECIMALS = 7

#: Marks of a corner: attribute of CornerMarks and name in the files.
MARKS = (
    ("brake_point", "brake point"),
    ("slows_from", "lift point"),
    ("turn_in", "turn-in"),
    ("apex", "apex"),
    ("other_apex", "other apex"),
    ("minimum_speed", "minimum speed"),
    ("drive_point", "drive point"),
    ("track_out", "track-out"),
)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ExportLine:
    """A lap to be written.

    Parameters
    ----------
    name : str
    kind : str
        "computed line" or "driven line".
    lap : Lap
    lap_time : float
        Between the timing lines, beyond which a computed lap of an open track goes on [s].
    place : (N, 2) array
        Longitude and latitude of the lap's nodes [deg]; (0, 2) where the track has no place on the Earth.
    sigma_n, sigma_v : (N,) array or None
        Standard deviation across the track [m] and of the speed [m/s]; None for a computed lap.
    position_bias : float or None
        Standard deviation of the position error that all nodes share [m].
    """

    name: str
    kind: Literal["computed line", "driven line"]
    lap: Lap
    lap_time: float
    place: Array
    sigma_n: Array | None = None
    sigma_v: Array | None = None
    position_bias: float | None = None

    @property
    def remark(self) -> str:
        """Lap time and, for a driven lap, how well its positions are known."""
        text = f"{self.kind}, lap time {lap_time_text(self.lap_time)}"
        if self.sigma_n is None:
            return text
        bias = "" if self.position_bias is None else f", all shifted together by {plus_minus(self.position_bias, 1)} m"
        return f"{text}; positions {plus_minus(float(np.median(self.sigma_n)), 1)} m across the track{bias} (95 %)"


@dataclass(frozen=True, kw_only=True, slots=True)
class ExportMark:
    """A mark of the computed lap: speed [m/s], station [m], longitude and latitude [deg]."""

    corner: int
    what: str
    station: float
    speed: float
    lon: float
    lat: float

    @property
    def name(self) -> str:
        """Corner and mark."""
        return f"{self.corner} {self.what}"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Export:
    """All that is written, ready for any format; ``notes`` are the survey's sentence and the cautions."""

    title: str
    notes: tuple[str, ...]
    lines: tuple[ExportLine, ...]
    marks: tuple[ExportMark, ...]


def collect(track: Track, reference: Lap, kart: Kart, driven: Sequence[DrivenLap] = ()) -> Export:
    """Gather what is written; arguments as :func:`linelab.output.lap_files.save_lines`."""
    plane = LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1]) if track.georeferenced else None
    lines = [
        ExportLine(
            name=f"{track.name}: {reference.label or 'computed lap'}",
            kind="computed line",
            lap=reference,
            lap_time=timed_lap(track, reference).lap_time,
            place=_degrees(plane, reference.line.x, reference.line.y),
        )
    ]
    for drive in driven:
        lines.append(
            ExportLine(
                name=f"{track.name}: {drive.lap.label or 'driven lap'}",
                kind="driven line",
                lap=drive.lap,
                lap_time=drive.lap.lap_time,
                sigma_n=drive.sigma_n,
                sigma_v=drive.sigma_v,
                position_bias=drive.bias.sigma,
                place=_degrees(plane, drive.lap.line.x, drive.lap.line.y),
            )
        )
    return Export(
        title=track.name,
        notes=(survey_sentence(track.survey), CAUTIONS),
        lines=tuple(lines),
        marks=_marks(track, reference, kart, plane) if plane is not None else (),
    )


def _degrees(plane: LocalPlane | None, x: Array, y: Array) -> Array:
    """Longitude and latitude (N, 2), rounded; (0, 2) without a plane."""
    if plane is None:
        return np.zeros((0, 2))
    return np.asarray(np.round(np.column_stack(to_lonlat(plane, x, y)), DECIMALS), dtype=np.float64)


def _marks(track: Track, lap: Lap, kart: Kart, plane: LocalPlane) -> tuple[ExportMark, ...]:
    """The computed lap's marks; a brake point only where it brakes, a lift only where it just lifts."""
    found = []
    line = lap.line
    for marks in find_marks(track, lap, kart):
        for attribute, what in MARKS:
            if not _has(marks, attribute):
                continue
            if "apex" in what:
                what = marks.apex_names()[attribute == "other_apex"]
            station = getattr(marks, attribute)
            station = station % track.length if track.closed else station
            x, y, v = (float(np.interp(station, line.s, values)) for values in (line.x, line.y, lap.v))
            place = _degrees(plane, np.array([x]), np.array([y]))[0]
            found.append(
                ExportMark(
                    corner=marks.corner.number,
                    what=what,
                    station=station,
                    speed=v,
                    lon=float(place[0]),
                    lat=float(place[1]),
                )
            )
    return tuple(found)


def _has(marks: CornerMarks, attribute: str) -> bool:
    """Whether a corner has the mark on the computed lap."""
    own = {"brake_point": marks.brakes, "slows_from": marks.lifts, "other_apex": marks.other_apex is not None}
    return own.get(attribute, True)


def lap_table(export: Export) -> dict[str, list[Any] | Array]:
    """All laps as one table: the columns of :func:`linelab.model.lap.lap_columns` after ``lap`` and ``kind``, then
    longitude and latitude and the standard deviations, NaN where there are none."""
    parts = []
    for line in export.lines:
        size = line.lap.t.size
        nothing = np.full(size, np.nan)
        parts.append(
            {
                "lap": [line.lap.label or line.kind] * size,
                "kind": [line.kind] * size,
                **lap_columns(line.lap),
                "lon_deg": line.place[:, 0] if line.place.size else nothing,
                "lat_deg": line.place[:, 1] if line.place.size else nothing,
                "n_sigma_m": nothing if line.sigma_n is None else line.sigma_n,
                "v_sigma_mps": nothing if line.sigma_v is None else line.sigma_v,
            }
        )
    table: dict[str, list[Any] | Array] = {}
    for name, first in parts[0].items():
        if isinstance(first, list):
            table[name] = [word for part in parts for word in part[name]]
        else:
            table[name] = np.concatenate([np.asarray(part[name]) for part in parts])
    return table


def laps_csv(export: Export) -> str:
    """The table of :func:`lap_table` as CSV (RFC 4180) under comment lines that start with '#'; gaps are empty."""
    table = lap_table(export)
    shown = [
        values
        if isinstance(values, list)
        else ["" if v != v else f"{v:.9g}" if name.endswith("_deg") else f"{v:.7g}" for v in values.tolist()]
        for name, values in table.items()
    ]
    return csv_text([list(table), *zip(*shown)], (export.title, *export.notes))


def save_parquet(target: Path, export: Export) -> None:
    """The table of :func:`lap_table` as Parquet; title and notes are in the file's metadata."""
    import pyarrow
    import pyarrow.parquet

    table = pyarrow.table({name: pyarrow.array(values, from_pandas=True) for name, values in lap_table(export).items()})
    about = {"title": export.title, "notes": "\n".join(export.notes)}
    with replacing(target) as temporary:
        pyarrow.parquet.write_table(table.replace_schema_metadata(about), temporary, compression="zstd")


GPX = "http://www.topografix.com/GPX/1/1"
KML = "http://www.opengis.net/kml/2.2"
#: Names of what GPX 1.1 has no element for: time since the start of the lap and speed.
OWN = "urn:linelab:track-point:1"

#: Line colours of KML (alpha, blue, green, red) and widths: the computed line dark, driven lines bright and thinner.
_STYLES = {"computed line": ("ff3c3022", "4"), "driven line": ("ff0e47b4", "2")}


def gpx_text(export: Export) -> str:
    """GPX 1.1: marks as waypoints, each line as a track of one segment.

    Track points have no ``time``, since a lap's clock starts at its start line; seconds since then and the speed are
    extensions.
    """
    root = ElementTree.Element("gpx", {"version": "1.1", "creator": "linelab", "xmlns": GPX, "xmlns:l": OWN})
    about = ElementTree.SubElement(root, "metadata")
    _text(about, "name", export.title)
    _text(about, "desc", " ".join(export.notes))
    for mark in export.marks:
        point = ElementTree.SubElement(root, "wpt", _place(mark.lon, mark.lat))
        _text(point, "name", mark.name)
        _text(point, "desc", _speed(mark))
        _text(point, "type", mark.what)
    for line in export.lines:
        track = ElementTree.SubElement(root, "trk")
        _text(track, "name", line.name)
        _text(track, "desc", line.remark)
        _text(track, "type", line.kind)
        segment = ElementTree.SubElement(track, "trkseg")
        for (lon, lat), t, v in zip(line.place, line.lap.t - line.lap.t[0], line.lap.v):
            point = ElementTree.SubElement(segment, "trkpt", _place(float(lon), float(lat)))
            more = ElementTree.SubElement(point, "extensions")
            _text(more, "l:lap_time_s", f"{t:.3f}")
            _text(more, "l:speed_mps", f"{v:.3f}")
    return _document(root)


def kml_text(export: Export) -> str:
    """KML 2.2: a placemark with a line string a lap, and a folder of placemarks for the marks."""
    root = ElementTree.Element("kml", {"xmlns": KML})
    document = ElementTree.SubElement(root, "Document")
    _text(document, "name", export.title)
    _text(document, "description", " ".join(export.notes))
    for kind, (colour, width) in _STYLES.items():
        style = ElementTree.SubElement(document, "Style", {"id": kind.replace(" ", "_")})
        look = ElementTree.SubElement(style, "LineStyle")
        _text(look, "color", colour)
        _text(look, "width", width)
    for line in export.lines:
        _line_placemark(document, line)
    if export.marks:
        folder = ElementTree.SubElement(document, "Folder")
        _text(folder, "name", "Marks of the computed lap")
        for mark in export.marks:
            place = ElementTree.SubElement(folder, "Placemark")
            _text(place, "name", mark.name)
            _text(place, "description", _speed(mark))
            _data(place, {"corner": f"{mark.corner}", "station_m": f"{mark.station:.2f}", "v_mps": f"{mark.speed:.3f}"})
            _text(ElementTree.SubElement(place, "Point"), "coordinates", f"{mark.lon:.7f},{mark.lat:.7f}")
    return _document(root)


def _line_placemark(document: ElementTree.Element, line: ExportLine) -> None:
    place = ElementTree.SubElement(document, "Placemark")
    _text(place, "name", line.name)
    _text(place, "description", line.remark)
    _text(place, "styleUrl", "#" + line.kind.replace(" ", "_"))
    _data(place, {"kind": line.kind, "lap_time_s": f"{line.lap_time:.4f}"})
    path = ElementTree.SubElement(place, "LineString")
    _text(path, "tessellate", "1")
    _text(path, "coordinates", " ".join(f"{lon:.7f},{lat:.7f}" for lon, lat in line.place))


def _data(place: ElementTree.Element, values: dict[str, str]) -> None:
    more = ElementTree.SubElement(place, "ExtendedData")
    for name, value in values.items():
        _text(ElementTree.SubElement(more, "Data", {"name": name}), "value", value)


def _place(lon: float, lat: float) -> dict[str, str]:
    return {"lat": f"{lat:.7f}", "lon": f"{lon:.7f}"}


def _speed(mark: ExportMark) -> str:
    return f"computed lap: {METRIC.speed_text(mark.speed)} here"


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    """A child that holds text; characters that XML 1.0 does not allow are left out."""
    ElementTree.SubElement(parent, name).text = re.sub(
        r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", text
    )


def _document(root: ElementTree.Element) -> str:
    ElementTree.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


#: Formats with positions on the Earth, and tables in local metres.
MAP_FORMATS = ("geojson", "gpx", "kml")
TABLE_FORMATS = ("csv", "parquet")


def save_lines(
    folder: str | Path,
    formats: Sequence[str],
    track: Track,
    reference: Lap,
    kart: Kart,
    driven: Sequence[DrivenLap] = (),
) -> list[str]:
    """Write the computed line, driven lines and the computed lap's marks in each of the formats.

    Parameters
    ----------
    folder : path
    formats : sequence of str
        Any of "geojson", "gpx", "kml" (lines.geojson, ...: lines and marks) and "csv", "parquet" (laps.csv, ...:
        one row a node, all laps in one table with the column ``lap``).
    track : Track
    reference : Lap
        The computed lap on this track.
    kart : Kart
        The computed lap's: its roll-down separates a brake point from a lift.
    driven : sequence of DrivenLap
        Written with their uncertainty.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    InputError
        An unknown format, positions on the Earth of a track that has none, pyarrow missing, or a folder that cannot
        be written.
    """
    check_formats(formats, track)
    export = collect(track, reference, kart, driven)
    names = []
    for form in dict.fromkeys(formats):
        names.append(f"{'laps' if form in TABLE_FORMATS else 'lines'}.{form}")
        target = Path(folder) / names[-1]
        if form == "parquet":
            save_parquet(target, export)
        else:
            write_text(target, _TEXTS[form](export))
    return names


def check_formats(formats: Sequence[str], track: Track) -> None:
    """Whether :func:`save_lines` can write these formats for a track; raises InputError as it does."""
    for form in formats:
        if form not in MAP_FORMATS + TABLE_FORMATS:
            known = ", ".join(MAP_FORMATS + TABLE_FORMATS)
            raise InputError(f"no such format: {form}", where="formats", remedy=f"Choose among {known}")
        if form in MAP_FORMATS and not track.georeferenced:
            raise InputError(
                f"{track.name} was given in local metres, so its place on the Earth is not known",
                where=form,
                remedy="Import the track with longitude and latitude, or choose parquet, which holds metres",
            )
    if "parquet" in formats and importlib.util.find_spec("pyarrow") is None:
        raise InputError(
            "pyarrow is not installed", where="parquet", remedy="Install it with: pip install 'linelab[tables]'"
        )


def geojson_text(export: Export) -> str:
    """GeoJSON (RFC 7946): a LineString a lap and a Point a mark; the property ``kind`` says which.

    Times and speeds of a line's vertices are lists among its properties, as long as its coordinates.  Members of the
    collection that the standard does not define (section 6.1 allows them): ``name`` and ``notes``.
    """
    features: list[dict[str, Any]] = [_line_feature(line) for line in export.lines]
    features += [
        _feature(
            "Point",
            [mark.lon, mark.lat],
            {
                "kind": "mark",
                "name": mark.name,
                "corner": mark.corner,
                "mark": mark.what,
                "station_m": round(mark.station, 2),
                "speed_mps": round(mark.speed, 3),
            },
        )
        for mark in export.marks
    ]
    rows = ",\n".join(json.dumps(feature, ensure_ascii=False, allow_nan=False) for feature in features)
    head = json.dumps({"name": export.title, "notes": list(export.notes)}, ensure_ascii=False)[1:-1]
    return f'{{"type": "FeatureCollection", {head}, "features": [\n{rows}\n]}}\n'


def _line_feature(line: ExportLine) -> dict[str, Any]:
    lap = line.lap
    properties: dict[str, Any] = {
        "kind": line.kind,
        "name": line.name,
        "remark": line.remark,
        "lap_time_s": round(line.lap_time, 4),
        "position_bias_sigma_m": line.position_bias,
        "t_s": [round(float(t), 3) for t in lap.t - lap.t[0]],
        "v_mps": [round(float(v), 3) for v in lap.v],
    }
    if line.sigma_n is not None:
        properties["n_sigma_m"] = [round(float(sigma), 3) for sigma in line.sigma_n]
    return _feature("LineString", line.place.tolist(), properties)


def _feature(kind: str, coordinates: list[Any], properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": {"type": kind, "coordinates": coordinates}, "properties": properties}


_TEXTS: dict[str, Callable[[Export], str]] = {
    "geojson": geojson_text,
    "gpx": gpx_text,
    "kml": kml_text,
    "csv": laps_csv,
}
