"""Recordings as NMEA 0183 logs: RMC, GGA, VTG, GNS and ZDA from any talker, found among whatever else is in the file.

A sentence is ``$`` talker, kind, fields and ``*`` with two hexadecimal digits: the exclusive or of the bytes between.
Prefixes and suffixes of a logger, other sentences and binary messages between them are passed over.  Where the file
has checksums a sentence without one is a broken one and is left out like one with a wrong checksum.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.errors import FileFormatError, legible
from linelab.io.recordings_checks import check_degrees
from linelab.io.recordings_nmea_epochs import Epochs
from linelab.lap import Recording
from linelab.values import counted, freeze

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
    """Read an NMEA 0183 log; see :func:`linelab.io.recordings.load_recording`."""
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
