"""What is written for other programs: laps with their uncertainty and the reference lap's marks, on the Earth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from linelab.comparison.marks import CornerMarks, find_marks
from linelab.comparison.timed import timed_lap
from linelab.io.projection import LocalPlane, to_lonlat
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.report.display import CAUTIONS, lap_time_text
from linelab.report.track_facts import survey_sentence
from linelab.track import Track
from linelab.units import Array

if TYPE_CHECKING:
    from linelab.comparison.estimate import DrivenLap

#: Decimals of a degree: 1 cm on the ground, finer than any line is known.
DECIMALS = 7

#: Marks of a corner: attribute of CornerMarks and name in the files.
MARKS = (
    ("brake_point", "brake point"),
    ("slows_from", "lift"),
    ("turn_in", "turn-in"),
    ("apex", "apex"),
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
        "reference line" or "driven line".
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
    kind: Literal["reference line", "driven line"]
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
        bias = "" if self.position_bias is None else f", all shifted together by ±{self.position_bias:.1f} m"
        return f"{text}; positions ±{float(np.median(self.sigma_n)):.1f} m across the track{bias} (one sigma)"


@dataclass(frozen=True, kw_only=True, slots=True)
class ExportMark:
    """A mark of the reference lap: speed [m/s], station [m], longitude and latitude [deg]."""

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
    """Gather what is written; arguments as :func:`linelab.report.exports_geo.save_lines`."""
    plane = LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1]) if track.georeferenced else None
    lines = [
        ExportLine(
            name=f"{track.name}: {reference.label or 'reference'}",
            kind="reference line",
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
    """The reference lap's marks; a brake point only where it brakes, a lift only where it just lifts."""
    found = []
    line = lap.line
    for marks in find_marks(track, lap, kart):
        for attribute, what in MARKS:
            if not _has(marks, attribute):
                continue
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
    """Whether a corner has the mark on the reference lap."""
    return {"brake_point": marks.brakes, "slows_from": marks.lifts}.get(attribute, True)
