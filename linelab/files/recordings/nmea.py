"""Recordings as NMEA 0183 logs: RMC, GGA, VTG, GNS and ZDA from any talker, found among whatever else is in the file.

A sentence is ``$`` talker, kind, fields and ``*`` with two hexadecimal digits: the exclusive or of the bytes between.
Prefixes and suffixes of a logger, other sentences and binary messages between them are passed over.  Where the file
has checksums a sentence without one is a broken one and is left out like one with a wrong checksum.

Sentences are merged into epochs, one sample for each time that the receiver gave.  Sentences of one burst carry the
same time, except VTG, which carries none and belongs to the sentences before it (or after it, where a log begins with
one).  Several talkers may report the same second; the combined one (GN) is preferred.
"""

from __future__ import annotations

import math
import re
from array import array
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import counted, freeze
from linelab.errors import FileFormatError, legible
from linelab.files.recordings.channel_units import DAY
from linelab.files.text import check_degrees
from linelab.model.lap import Recording
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


_BLOCK = 1 << 20
#: A sentence has at most 82 characters; loggers overdo it.
_LONGEST = 250
_MOST_EPOCHS = 50_000_000
#: Fields each kind must have to be used.
_FIELDS = {b"RMC": 9, b"GGA": 9, b"GNS": 9, b"VTG": 7, b"ZDA": 4}
_SENTENCE = re.compile(
    rb"\$([A-Z]{2})(RMC|GGA|GNS|VTG|ZDA),([\x20-\x23\x25-\x29\x2b-\x7e]{0,%d})(?:\*([0-9A-Fa-f]{2}))?" % _LONGEST
)
_ANY = re.compile(rb"\$([A-Z]{2})([A-Z]{3}),")


def is_nmea(head: bytes) -> bool:
    """True when the first bytes of a file hold sentences, one in twenty lines at least."""
    found = len(_ANY.findall(head))
    return found > 0 and found >= 0.05 * sum(1 for line in head.splitlines() if line.strip())


def checksum(body: bytes) -> int:
    """Exclusive or of the bytes between ``$`` and ``*``."""
    return int(np.bitwise_xor.reduce(np.frombuffer(body, dtype=np.uint8), initial=0))


class _Log:
    """What became of the sentences."""

    def __init__(self) -> None:
        self.kinds: Counter[str] = Counter()
        self.talkers: Counter[str] = Counter()
        self.wrong = 0
        self.bare = 0
        self.short = 0
        self.first_wrong: tuple[int, str, str] | None = None
        self.first_short = 0
        self.with_checksums: bool | None = None


def read_nmea(path: Path, head: bytes, progress: Callable[[str], None] = lambda text: None) -> Recording:
    """Read an NMEA 0183 log; see :func:`linelab.load_recording`."""
    log, epochs = _Log(), Epochs()
    for data, line in _blocks(path, progress):
        _take_block(data, line, log, epochs)
        if epochs.count > _MOST_EPOCHS:
            raise FileFormatError("too many epochs", path=path, expected=f"at most {_MOST_EPOCHS}", remedy="Split it")
    if not epochs.count:
        raise _nothing(path, head, log, epochs)
    columns = epochs.columns()
    lines = columns.pop("line")
    check_degrees(path, columns["lon"], columns["lat"], lines)
    t, day = columns.pop("time"), columns.pop("day")
    dated = bool(np.isfinite(day).any())
    speed, lon, lat = columns.pop("speed"), columns.pop("lon"), columns.pop("lat")
    has_speed = bool(np.isfinite(speed).any())
    return Recording(
        t=freeze(t - t[0]),
        lon=freeze(lon),
        lat=freeze(lat),
        speed=freeze(speed) if has_speed else None,
        channels={name: freeze(values) for name, values in columns.items() if np.isfinite(values).any()},
        source=legible(path),
        notes=tuple(_notes(log, epochs, dated, has_speed)),
        start_utc=float(t[0]) if dated else None,
        start_clock=float(t[0]),
    )


def _blocks(path: Path, progress: Callable[[str], None]) -> Iterator[tuple[bytes, int]]:
    """Blocks that cut no sentence, with the number of their first line."""
    size = max(path.stat().st_size, 1)
    line, rest = 1, b""
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            data = rest + block
            cut = data.rfind(b"$", max(len(data) - _LONGEST - 20, 0))
            cut = len(data) if cut < 0 else cut
            rest = data[cut:]
            yield data[:cut], line
            line += data.count(b"\n", 0, cut)
            progress(f"reading {path.name}: {min(file.tell() / size, 1.0):.0%}")
    if rest:
        yield rest, line


def _take_block(data: bytes, line: int, log: _Log, epochs: Epochs) -> None:
    """Check the sentences of a block and merge the good ones."""
    matches = list(_SENTENCE.finditer(data))
    if not matches:
        return
    if log.with_checksums is None:
        log.with_checksums = 2 * sum(match.group(4) is not None for match in matches) > len(matches)
    sums = _checksums(data, matches)
    ends = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == 10)
    lines = line + np.searchsorted(ends, [match.start() for match in matches])
    for match, total, at in zip(matches, sums.tolist(), lines.tolist()):
        talker, kind, body, given = match.groups()
        if given is not None and int(given, 16) != total:
            log.wrong += 1
            log.first_wrong = log.first_wrong or (at, given.decode("ascii").upper(), f"{total:02X}")
            continue
        fields = body.split(b",")
        if (given is None and log.with_checksums) or len(fields) < _FIELDS[kind]:
            log.short += 1
            log.first_short = log.first_short or at
            continue
        log.bare += given is None
        log.kinds[kind.decode("ascii")] += 1
        log.talkers[talker.decode("ascii")] += 1
        epochs.take(talker, kind, fields, at)


def _checksums(data: bytes, matches: list[re.Match[bytes]]) -> NDArray[np.uint8]:
    """Checksums of the sentences of a block in one go."""
    letters = np.frombuffer(data + b"\0", dtype=np.uint8)
    spans = np.array([(match.start() + 1, match.end(3)) for match in matches])
    return np.asarray(np.bitwise_xor.reduceat(letters, spans.ravel())[::2])


def _nothing(path: Path, head: bytes, log: _Log, epochs: Epochs) -> FileFormatError:
    """The error for a log without a usable sentence."""
    if log.first_wrong is not None and not log.kinds:
        line, given, right = log.first_wrong
        return FileFormatError(
            "no sentence has the right checksum",
            path=path,
            line=line,
            found=f"*{given}",
            expected=f"*{right}",
            remedy="Copy the log again without changing it",
        )
    if epochs.timeless:
        return FileFormatError(
            "no sentence has a time: the receiver had no fix yet",
            path=path,
            line=epochs.first_timeless,
            found=f"{counted(epochs.timeless, 'sentence')} without a time",
            expected="RMC, GGA or GNS with time and position",
            remedy="Record on after the receiver has found its satellites",
        )
    kinds = sorted({kind.decode("ascii") for _, kind in _ANY.findall(head)})
    return FileFormatError(
        "no complete RMC, GGA or GNS sentence",
        path=path,
        line=log.first_short or None,
        found=", ".join(kinds[:8]) or "none",
        expected="RMC, GGA or GNS",
        remedy="Have the receiver send RMC and GGA",
    )


def _notes(log: _Log, epochs: Epochs, dated: bool, has_speed: bool) -> list[str]:
    """What the log held and what was left out."""
    kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(log.kinds.items()))
    notes = [f"NMEA 0183 from {', '.join(sorted(log.talkers))}: {kinds}", "units: speed knots, course deg, altitude m"]
    if not dated:
        notes.append("no date in the file: times are times of day")
    if not has_speed:
        notes.append("no speed in the file")
    if log.first_wrong is not None:
        line, given, right = log.first_wrong
        notes.append(
            f"{counted(log.wrong, 'sentence')} with a wrong checksum left out, "
            f"the first at line {line} (*{given}, not *{right})"
        )
    if log.short:
        notes.append(f"{counted(log.short, 'broken sentence')} left out, the first at line {log.first_short}")
    if log.bare:
        notes.append(f"{counted(log.bare, 'sentence')} without a checksum taken unchecked")
    if epochs.shared:
        notes.append(
            f"{counted(epochs.shared, 'sentence')} for a time already reported: the combined or first one kept"
        )
    if epochs.timeless:
        notes.append(f"{counted(epochs.timeless, 'sentence')} without a time left out")
    if epochs.unread:
        notes.append(f"{counted(epochs.unread, 'field')} read as gaps, the first at line {epochs.first_unread}")
    return notes
