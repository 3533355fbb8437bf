"""Sentences of NMEA 0183 merged into epochs: one sample for each time a receiver gave, whatever sentences it came in.

Sentences of one burst carry the same time, except VTG, which carries none and belongs to the sentences before it (or
after it, where a log begins with one).  Several talkers may report the same second; the combined one (GN) is preferred.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np

from linelab.io.recordings_time import DAY
from linelab.units import KNOT, Array

#: How many epochs back a late sentence may belong.
_RECENT = 64
_NAN = math.nan
_NUMBERS = ("time", "lat", "lon", "speed", "course", "altitude", "hdop", "satellites", "fix", "day", "line")

#: Mode letters of GNS as the quality numbers of GGA (NMEA 0183 v4; table from memory).
_MODES = {b"N": 0.0, b"A": 1.0, b"D": 2.0, b"P": 3.0, b"R": 4.0, b"F": 5.0, b"E": 6.0, b"M": 7.0, b"S": 8.0}


class Epochs:
    """Collects sentences; columns are as written until :meth:`columns` is asked for them."""

    def __init__(self) -> None:
        self.values = {name: array("d") for name in _NUMBERS}
        self.unread = 0
        self.first_unread = 0
        self.shared = 0
        self.timeless = 0
        self.first_timeless = 0
        self._digits = array("b")
        self._full = bytearray()  # 0: no GGA or GNS yet, 1: from one system, 2: from the combined talker
        self._void = bytearray()
        self._recent: dict[float, int] = {}
        self._row = -1
        self._waiting: dict[str, float] = {}
        self._vtg_leads: bool | None = None
        self._date: tuple[float, float] | None = None
        self._date_text, self._date_day = b"", _NAN
        self._line = 0
        self._readers: dict[bytes, Callable[[bytes, list[bytes]], None]] = {
            b"RMC": self._rmc, b"GGA": self._gga, b"GNS": self._gns, b"VTG": self._vtg, b"ZDA": self._zda,
        }  # fmt: skip

    def take(self, talker: bytes, kind: bytes, fields: list[bytes], line: int) -> None:
        """Merge one sentence (its fields after the address)."""
        self._line = line
        self._readers[kind](talker, fields)

    def _rmc(self, talker: bytes, fields: list[bytes]) -> None:
        row = self._row_at(fields[0])
        if row < 0:
            return
        self._place(row, fields[2:6])
        for name, text, factor in (("speed", fields[6], KNOT), ("course", fields[7], math.pi / 180.0)):
            value = self._number(text)
            if value == value:
                self.values[name][row] = value * factor
        if fields[1] == b"V":
            self._void[row] = 1
        elif self.values["fix"][row] != self.values["fix"][row]:
            self.values["fix"][row] = 1.0
        if fields[8] != self._date_text:  # it changes once a day
            self._date_text = fields[8]
            self._date_day = self._day_of(fields[8][:2], fields[8][2:4], fields[8][4:])
        self._set(row, "day", self._date_day)

    def _gga(self, talker: bytes, fields: list[bytes]) -> None:
        self._fix(talker, fields, self._number(fields[5]), fields[6:9])

    def _gns(self, talker: bytes, fields: list[bytes]) -> None:
        modes = [_MODES.get(fields[5][i : i + 1], _NAN) for i in range(len(fields[5]))]
        known = [mode for mode in modes if mode == mode]
        self._fix(talker, fields, max(known, default=_NAN), fields[6:9])

    def _fix(self, talker: bytes, fields: list[bytes], quality: float, rest: list[bytes]) -> None:
        """Position, quality, satellites, dilution and altitude of GGA and GNS."""
        row = self._row_at(fields[0])
        if row < 0:
            return
        rank = 2 if talker == b"GN" else 1
        if self._full[row]:
            self.shared += 1
        better = rank > self._full[row]
        self._full[row] = max(rank, self._full[row])
        self._place(row, fields[1:5], prefer=better and rank == 2)
        named = zip(("satellites", "hdop", "altitude"), rest)
        for name, value in (("fix", quality), *((name, self._number(text)) for name, text in named)):
            if value == value and (better or self.values[name][row] != self.values[name][row]):
                self.values[name][row] = value

    def _vtg(self, talker: bytes, fields: list[bytes]) -> None:
        if self._vtg_leads is None:
            self._vtg_leads = self._row < 0
        speed = self._number(fields[4]) * KNOT
        if speed != speed:
            speed = self._number(fields[6]) / 3.6
        course = math.radians(self._number(fields[0]))
        if self._vtg_leads:
            self._waiting = {"speed": speed, "course": course}
        elif self._row >= 0:
            self._set(self._row, "speed", speed)
            self._set(self._row, "course", course)

    def _zda(self, talker: bytes, fields: list[bytes]) -> None:
        day, time = self._day_of(fields[1], fields[2], fields[3]), self._number(fields[0])
        row = self._recent.get(time, -1)
        if row >= 0:
            self._set(row, "day", day)
        elif day == day and time == time:
            self._date = (time, day)

    def _row_at(self, text: bytes) -> int:
        """Row of the epoch of a time, a new one where it is not among the recent ones; -1 without a time."""
        time = self._number(text)
        if not _is_clock(time):
            self.timeless += 1
            self.first_timeless = self.first_timeless or self._line
            return -1
        row = self._recent.get(time, -1)
        if row < 0:
            row = len(self._digits)
            for column in self.values.values():
                column.append(_NAN)
            self._digits.append(-1)
            self._full.append(0)
            self._void.append(0)
            self.values["time"][row] = time
            self.values["line"][row] = self._line
            self._recent[time] = row
            if len(self._recent) > _RECENT:
                del self._recent[next(iter(self._recent))]
            for name, value in self._waiting.items():
                self.values[name][row] = value
            self._waiting = {}
            if self._date is not None and time >= self._date[0]:
                self.values["day"][row] = self._date[1]
            self._date = None
        self._row = row
        return row

    def _place(self, row: int, fields: list[bytes], *, prefer: bool = False) -> None:
        """Set the position where it is the first, has more digits, or comes from the preferred talker."""
        if not fields[0] or not fields[2]:
            return
        digits = min(len(fields[0].partition(b".")[2]), 100)
        if digits <= self._digits[row] and not (prefer and digits == self._digits[row]):
            return
        lat = _degrees(self._number(fields[0]), fields[1], b"NS", 90.0)
        lon = _degrees(self._number(fields[2]), fields[3], b"EW", 180.0)
        if lat != lat or lon != lon:
            self._fault()
            return
        self._digits[row] = digits
        self.values["lat"][row], self.values["lon"][row] = lat, lon

    def _set(self, row: int, name: str, value: float) -> None:
        """Set what is still missing."""
        if self.values[name][row] != self.values[name][row]:
            self.values[name][row] = value

    def _number(self, text: bytes) -> float:
        """A finite number; NaN for an empty field, and for one that cannot be read, which is counted."""
        if not text:
            return _NAN
        try:
            value = float(text)
        except ValueError:
            value = _NAN
        if not math.isfinite(value):
            self._fault()
            return _NAN
        return value

    def _fault(self) -> None:
        self.first_unread = self.first_unread or self._line
        self.unread += 1

    def _day_of(self, day: bytes, month: bytes, year: bytes) -> float:
        """Days since 1970 of a date; years of two digits are 1980 to 2079."""
        if not (day and month and year):
            return _NAN
        try:
            number = int(year)
            if len(year) <= 2:
                number += 1900 if number >= 80 else 2000
            return datetime(number, int(month), int(day), tzinfo=UTC).timestamp() / DAY
        except (ValueError, OverflowError):
            self._fault()
            return _NAN

    def columns(self) -> dict[str, Array]:
        """The epochs as arrays (N,): time as seconds since 1970, or of the first day where no date is given."""
        out = {name: np.frombuffer(values, dtype=np.float64).copy() for name, values in self.values.items()}
        out["time"] = _clock_seconds(out["time"])
        out["fix"][np.frombuffer(self._void, dtype=np.uint8) == 1] = 0.0
        falls = np.diff(out["time"])
        days = np.concatenate([[0.0], np.cumsum((falls < -0.5 * DAY).astype(float) - (falls > 0.5 * DAY))])
        known = np.flatnonzero(np.isfinite(out["day"]))
        if known.size:
            at = known[np.maximum(np.searchsorted(known, np.arange(days.size), side="right") - 1, 0)]
            days = out["day"][at] + days - days[at]
        out["time"] += DAY * days
        return out


def _is_clock(time: float) -> bool:
    """True for a number that reads as hours, minutes and seconds (a leap second included)."""
    return 0.0 <= time < 240000.0 and time % 10000.0 < 6000.0 and time % 100.0 < 61.0


def _clock_seconds(time: Array) -> Array:
    """Seconds of the day of hhmmss.sss."""
    hours, rest = np.divmod(time, 10000.0)
    minutes, seconds = np.divmod(rest, 100.0)
    return np.asarray(np.round(3600.0 * hours + 60.0 * minutes + seconds, 9))


def _degrees(value: float, side: bytes, sides: bytes, most: float) -> float:
    """Degrees of ddmm.mmmm and a side, positive on the first of ``sides``; NaN when it cannot be."""
    whole, minutes = divmod(value, 100.0)
    degrees = whole + minutes / 60.0
    if not (0.0 <= degrees <= most and minutes < 60.0) or len(side) != 1 or side not in sides:
        return _NAN
    return degrees if side == sides[:1] else -degrees
