"""Times of a recording as seconds: numbers (elapsed or since 1970), ISO 8601 stamps, clock times."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from linelab.units import Array

_CLOCK = re.compile(r"^(?:(\d{1,3}):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)$")
DAY = 86400.0  #: seconds of a day
_NAN = float("nan")

#: Digits before the decimal point of a time since 1970 (between 1973 and 2286) and the unit that gives.
_EPOCH_UNITS = ((1e8, 1e10, "s"), (1e11, 1e13, "ms"), (1e14, 1e16, "us"), (1e17, 1e19, "ns"))


def epoch_unit(value: float) -> str | None:
    """Unit of a number that can only be a time since 1970, or None."""
    return next((unit for low, high, unit in _EPOCH_UNITS if low <= value < high), None)


def time_kind(text: str) -> str | None:
    """How a time is written: "number", "stamp" (ISO 8601), "clock" (h:min:s or min:s), or None."""
    stripped = text.strip()
    try:
        float(stripped.replace(",", "."))
    except ValueError:
        pass
    else:
        return "number"
    if _CLOCK.match(stripped):
        return "clock"
    return "stamp" if parse_stamp(stripped) == parse_stamp(stripped) else None


def parse_stamp(text: str) -> float:
    """Seconds since 1970 of an ISO 8601 stamp (UTC when it names no zone); NaN when it is none."""
    try:
        stamp = datetime.fromisoformat(text.strip())
    except ValueError:
        return _NAN
    if stamp.tzinfo is None:
        stamp = stamp.replace(tzinfo=UTC)
    try:
        return stamp.timestamp()
    except (OverflowError, ValueError):
        return _NAN


def parse_clock(text: str) -> float:
    """Seconds of ``h:min:s`` or ``min:s``; NaN when it is neither."""
    match = _CLOCK.match(text.strip())
    if match is None:
        return _NAN
    hours, minutes, seconds = match.groups()
    return 3600.0 * int(hours or 0) + 60.0 * int(minutes) + float(seconds.replace(",", "."))


def parse_times(texts: Sequence[str], kind: str) -> Array:
    """Seconds of a column of stamps or clock times (N,) [s]; NaN where one cannot be read."""
    parse = parse_stamp if kind == "stamp" else parse_clock
    return np.fromiter(map(parse, texts), dtype=np.float64, count=len(texts))


def unroll_midnight(t: Array) -> Array:
    """Add a day where a clock time falls by more than half a day (a session across midnight)."""
    if t.size < 2:
        return t
    known = np.isfinite(t)
    steps = np.diff(t[known])
    out = t.copy()
    out[known] += DAY * np.concatenate([[0.0], np.cumsum(steps < -0.5 * DAY)])
    return out
