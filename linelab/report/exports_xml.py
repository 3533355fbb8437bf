"""Lines and marks as GPX 1.1 and as KML 2.2.

Element order follows the two schemas (gpx.xsd version 1.1 of topografix.com, *memory*; ogckml22.xsd of OGC 07-147r2,
against which the tests validate).
"""

from __future__ import annotations

import re
from xml.etree import ElementTree

from linelab.report.display import METRIC
from linelab.report.exports_lines import Export, ExportLine, ExportMark

GPX = "http://www.topografix.com/GPX/1/1"
KML = "http://www.opengis.net/kml/2.2"
#: Names of what GPX 1.1 has no element for: time since the start of the lap and speed.
OWN = "urn:linelab:track-point:1"

#: Line colours of KML (alpha, blue, green, red) and widths: the reference dark, driven lines bright and thinner.
_STYLES = {"reference line": ("ff3c3022", "4"), "driven line": ("ff0e47b4", "2")}


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
        _text(folder, "name", "Marks of the reference lap")
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
    return f"reference lap: {METRIC.speed_text(mark.speed)} here"


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    """A child that holds text; characters that XML 1.0 does not allow are left out."""
    ElementTree.SubElement(parent, name).text = re.sub(
        r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", text
    )


def _document(root: ElementTree.Element) -> str:
    ElementTree.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"
