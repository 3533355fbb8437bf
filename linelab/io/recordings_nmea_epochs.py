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
from linelab.units import KMH, KNOT, Array

#: How many epochs back a late sentence may belong.
_RECENT = 64
_NAN = math.nan
#: Places in the list of numbers that an epoch is while sentences may still come.
_TIME, _LAT, _LON, _SPEED, _COURSE, _ALTITUDE, _HDOP, _SATELLITES, _FIX, _DAY, _LINE, _DIGITS, _RANK, _VOID = range(14)
_NAMES = ("time", "lat", "lon", "speed", "course", "altitude", "hdop", "satellites", "fix", "day", "line")
_EMPTY = [_NAN] * 11 + [-1.0, 0.0, 0.0]

#: Mode letters of GNS as the quality numbers of GGA (NMEA 0183 v4; table from memory).
_MODES = {b"N": 0.0, b"A": 1.0, b"D": 2.0, b"P": 3.0, b"R": 4.0, b"F": 5.0, b"E": 6.0, b"M": 7.0, b"S": 8.0}

_Epoch = list[float]


class Epochs:
    """Collects sentences; what they held is had from :meth:`columns`."""

    def __init__(self) -> None:
        self.count = 0
        self.unread = 0
        self.first_unread = 0
        self.shared = 0
        self.timeless = 0
        self.first_timeless = 0
        self._closed = array("d")
        self._recent: dict[float, _Epoch] = {}
        self._last: _Epoch | None = None
        self._waiting: tuple[float, float] | None = None
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
        epoch = self._epoch_at(fields[0])
        if epoch is None:
            return
        self._place(epoch, fields[2:6])
        speed, course = self._number(fields[6]), self._number(fields[7])
        if speed == speed:
            epoch[_SPEED] = speed * KNOT
        if course == course:
            epoch[_COURSE] = math.radians(course)
        if fields[1] == b"V":
            epoch[_VOID] = 1.0
        else:
            _fill(epoch, _FIX, 1.0)
        if fields[8] != self._date_text:  # it changes once a day
            self._date_text = fields[8]
            self._date_day = self._day_of(fields[8][:2], fields[8][2:4], fields[8][4:])
        _fill(epoch, _DAY, self._date_day)

    def _gga(self, talker: bytes, fields: list[bytes]) -> None:
        self._fix(talker, fields, self._number(fields[5]))

    def _gns(self, talker: bytes, fields: list[bytes]) -> None:
        modes = [_MODES.get(fields[5][i : i + 1], _NAN) for i in range(len(fields[5]))]
        self._fix(talker, fields, max((mode for mode in modes if mode == mode), default=_NAN))

    def _fix(self, talker: bytes, fields: list[bytes], quality: float) -> None:
        """Position, quality, satellites, dilution and altitude of GGA and GNS; rank 1 of one system, 2 combined."""
        epoch = self._epoch_at(fields[0])
        if epoch is None:
            return
        rank, before = (2.0 if talker == b"GN" else 1.0), epoch[_RANK]
        self.shared += before > 0.0
        epoch[_RANK] = max(rank, before)
        self._place(epoch, fields[1:5], prefer=rank > before and rank == 2.0)
        if quality == quality and (rank > before or epoch[_FIX] != epoch[_FIX]):
            epoch[_FIX] = quality
        for at, text in ((_SATELLITES, fields[6]), (_HDOP, fields[7]), (_ALTITUDE, fields[8])):
            value = self._number(text)
            if value == value and (rank > before or epoch[at] != epoch[at]):
                epoch[at] = value

    def _vtg(self, talker: bytes, fields: list[bytes]) -> None:
        if self._vtg_leads is None:
            self._vtg_leads = self._last is None
        speed = self._number(fields[4]) * KNOT
        if speed != speed:
            speed = self._number(fields[6]) * KMH
        course = math.radians(self._number(fields[0]))
        if self._vtg_leads:
            self._waiting = (speed, course)
        elif self._last is not None:
            _fill(self._last, _SPEED, speed)
            _fill(self._last, _COURSE, course)

    def _zda(self, talker: bytes, fields: list[bytes]) -> None:
        day, time = self._day_of(fields[1], fields[2], fields[3]), self._number(fields[0])
        epoch = self._recent.get(time)
        if epoch is not None:
            _fill(epoch, _DAY, day)
        elif day == day and time == time:
            self._date = (time, day)

    def _epoch_at(self, text: bytes) -> _Epoch | None:
        """The epoch of a time, a new one where it is not among the recent ones; None without a time."""
        time = self._number(text)
        epoch = self._recent.get(time)
        if epoch is None:
            if not _is_clock(time):
                self.timeless += 1
                self.first_timeless = self.first_timeless or self._line
                return None
            epoch = self._new_epoch(time)
        self._last = epoch
        return epoch

    def _new_epoch(self, time: float) -> _Epoch:
        epoch = _EMPTY.copy()
        epoch[_TIME], epoch[_LINE] = time, self._line
        if self._waiting is not None:
            epoch[_SPEED], epoch[_COURSE] = self._waiting
            self._waiting = None
        if self._date is not None:
            if time >= self._date[0]:
                epoch[_DAY] = self._date[1]
            self._date = None
        if len(self._recent) >= _RECENT:
            self._closed.extend(self._recent.pop(next(iter(self._recent))))
        self._recent[time] = epoch
        self.count += 1
        return epoch

    def _place(self, epoch: _Epoch, fields: list[bytes], *, prefer: bool = False) -> None:
        """Set the position where it is the first, has more digits, or comes from the preferred talker."""
        north, side, east, other = fields
        if not north or not east:
            return
        digits = len(north.partition(b".")[2])
        if digits <= epoch[_DIGITS] and not (prefer and digits == epoch[_DIGITS]):
            return
        lat = _degrees(self._number(north), side, b"NS", 90.0)
        lon = _degrees(self._number(east), other, b"EW", 180.0)
        if lat != lat or lon != lon:
            self._fault()
            return
        epoch[_LAT], epoch[_LON], epoch[_DIGITS] = lat, lon, digits

    def _number(self, text: bytes) -> float:
        """A finite number; NaN for an empty field, and for one that cannot be read, which is counted."""
        if not text:
            return _NAN
        try:
            value = float(text)
        except ValueError:
            value = _NAN
        if value - value != 0.0:  # not finite
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
        for epoch in self._recent.values():
            self._closed.extend(epoch)
        self._recent.clear()
        table = np.frombuffer(self._closed, dtype=np.float64).reshape(-1, len(_EMPTY))
        out = {name: table[:, at].copy() for at, name in enumerate(_NAMES)}
        out["time"] = _clock_seconds(out["time"])
        out["fix"][table[:, _VOID] == 1.0] = 0.0
        falls = np.diff(out["time"])
        days = np.concatenate([[0.0], np.cumsum((falls < -0.5 * DAY).astype(float) - (falls > 0.5 * DAY))])
        known = np.flatnonzero(np.isfinite(out["day"]))
        if known.size:
            at = known[np.maximum(np.searchsorted(known, np.arange(days.size), side="right") - 1, 0)]
            days = out["day"][at] + days - days[at]
        out["time"] += DAY * days
        return out


def _fill(epoch: _Epoch, at: int, value: float) -> None:
    """Set what is still missing."""
    if epoch[at] != epoch[at]:
        epoch[at] = value


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
