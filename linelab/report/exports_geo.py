"""Lines and marks for maps and tables made by other programs: GeoJSON, GPX, KML, CSV and Parquet.

What is written is the same everywhere: the reference line, driven lines with their uncertainty, and the reference lap's
marks.  Positions are longitude and latitude (WGS 84) in GeoJSON (RFC 7946), GPX 1.1 and KML 2.2 (OGC 07-147r2), and
local metres in the tables, whose columns carry their units in their names (SI).
"""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linelab.errors import InputError
from linelab.io.atomic import write_text
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.report.exports_laps import laps_csv, save_parquet
from linelab.report.exports_lines import Export, ExportLine, collect
from linelab.report.exports_xml import gpx_text, kml_text
from linelab.track import Track

if TYPE_CHECKING:
    from linelab.comparison.estimate import DrivenLap

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
    """Write the reference line, driven lines and the reference lap's marks in each of the formats.

    Parameters
    ----------
    folder : path
    formats : sequence of str
        Any of "geojson", "gpx", "kml" (lines.geojson, ...: lines and marks) and "csv", "parquet" (laps.csv, ...:
        one row a node, all laps in one table with the column ``lap``).
    track : Track
    reference : Lap
        The reference lap on this track.
    kart : Kart
        The reference lap's: its roll-down tells a brake point from a lift.
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
    """GeoJSON (RFC 7946): a LineString a lap and a Point a mark, told apart by the property ``kind``.

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
