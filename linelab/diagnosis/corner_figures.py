"""The computed lap in figures: one row a corner, its marks' stations and speeds, and its time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from linelab.arrays import Table
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.diagnosis.stretches import Stretch, corner_stretches
from linelab.errors import check_kinds
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import time_at
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerRow:
    """One corner of the computed lap; stations [m] within the lap, speeds [m/s], times [s].

    ``time`` is that in the corner's ``stretch``, which the track alone decides.  The brake figures are
    None where the lap does not brake for the corner, the lift's where it does not slow for it by lifting alone, the
    other apex's where there is one apex.
    """

    marks: CornerMarks
    brake_station: float | None
    brake_speed: float | None
    lift_station: float | None
    lift_speed: float | None
    turn_in_station: float
    turn_in_speed: float
    apex_station: float
    apex_speed: float
    other_apex_station: float | None  #: of a corner with two apexes
    other_apex_speed: float | None
    min_speed: float
    min_speed_place: float  #: relative to the apex, positive after it [m]
    drive_station: float
    track_out_station: float
    track_out_speed: float
    stretch: Stretch
    time: float

    def row(self) -> dict[str, Any]:
        """The corner as a row of a table."""
        return {
            "number": self.marks.corner.number,
            "name": self.marks.corner.name,
            "direction": "left" if self.marks.corner.left else "right",
            "brake_point_m": self.brake_station,
            "brake_point_speed_mps": self.brake_speed,
            "lift_point_m": self.lift_station,
            "lift_point_speed_mps": self.lift_speed,
            "turn_in_m": self.turn_in_station,
            "turn_in_speed_mps": self.turn_in_speed,
            "apex_m": self.apex_station,
            "apex_speed_mps": self.apex_speed,
            "other_apex_m": self.other_apex_station,
            "other_apex_speed_mps": self.other_apex_speed,
            "minimum_speed_mps": self.min_speed,
            "minimum_speed_after_apex_m": self.min_speed_place,
            "drive_point_m": self.drive_station,
            "track_out_m": self.track_out_station,
            "track_out_speed_mps": self.track_out_speed,
            "stretch_start_m": self.stretch.s_start,
            "stretch_end_m": self.stretch.s_end,
            "time_s": self.time,
        }

    @property
    def label(self) -> str:
        """Number and name of the corner."""
        return self.marks.corner.label


def corner_marks(track: Track, lap: Lap | Solution, kart: Kart) -> Table[CornerRow]:
    """Brake point, turn-in, apex, drive point and track-out of every corner of a computed lap, with speeds and times.

    Parameters
    ----------
    track : Track
    lap : Lap or Solution
    kart : Kart
        The lap's: how it rolls down with both pedals up tells braking from a lift.

    Returns
    -------
    tuple of CornerRow
        In driving order.  ``.to_dataframe()`` gives a row a corner.

    Raises
    ------
    InputError
        Arguments of another type.

    References
    ----------
    The rules of each mark: :mod:`linelab.diagnosis.marks`.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> marks = linelab.corner_marks(track, linelab.solve_min_time(track, kart), kart)
    >>> print(f"corner {marks[0].label}: {3.6 * marks[0].min_speed:.0f} km/h")
    corner 1: 31 km/h
    """
    check_kinds("corner_marks", track=(track, Track), lap=(lap, (Lap, Solution)), kart=(kart, Kart))
    driven = lap.lap if isinstance(lap, Solution) else lap
    pairs = zip(find_marks(track, driven, kart), corner_stretches(track))
    return Table(_row(track, driven, *pair) for pair in pairs)


def time_in(lap: Lap, stretch: Stretch) -> float:
    """Time a lap spends in a stretch, which may run over the start line [s]."""
    wrapped = lap.line.closed and stretch.s_end <= stretch.s_start
    ends = np.clip([stretch.s_start, stretch.s_end], lap.line.s[0], lap.line.s[-1])
    start, stop = (float(t) for t in time_at(lap.line.s, lap.t, ends))
    return stop - start + (lap.lap_time if wrapped else 0.0)


def _row(track: Track, lap: Lap, mark: CornerMarks, stretch: Stretch) -> CornerRow:
    def local(station: float) -> float:
        return station % track.length if track.closed else station

    def speed(station: float) -> float:
        return float(np.interp(local(station), lap.line.s, lap.v))

    return CornerRow(
        marks=mark,
        brake_station=local(mark.brake_point) if mark.brakes else None,
        brake_speed=speed(mark.brake_point) if mark.brakes else None,
        lift_station=local(mark.slows_from) if mark.lifts else None,
        lift_speed=speed(mark.slows_from) if mark.lifts else None,
        turn_in_station=local(mark.turn_in),
        turn_in_speed=speed(mark.turn_in),
        apex_station=local(mark.apex),
        apex_speed=speed(mark.apex),
        other_apex_station=None if mark.other_apex is None else local(mark.other_apex),
        other_apex_speed=None if mark.other_apex is None else speed(mark.other_apex),
        min_speed=speed(mark.minimum_speed),
        min_speed_place=mark.minimum_speed - mark.apex,
        drive_station=local(mark.drive_point),
        track_out_station=local(mark.track_out),
        track_out_speed=speed(mark.track_out),
        stretch=stretch,
        time=time_in(lap, stretch),
    )
