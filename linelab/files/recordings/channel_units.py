"""Names and units of recorded channels: which column is what, the factor to SI, and times as seconds."""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from linelab.errors import InputError
from linelab.units import FOOT, KMH, KNOT, MPH, RPM, STANDARD_GRAVITY, Array

_DEG = math.pi / 180.0

#: Factor to the unit of :class:`linelab.Recording` by kind of quantity; the first unit is kept inside.
UNITS: dict[str, dict[str, float]] = {
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0},
    "speed": {"m/s": 1.0, "km/h": KMH, "mph": MPH, "knots": KNOT, "ft/s": FOOT},
    "degrees": {"deg": 1.0, "1e-7deg": 1e-7, "rad": 1.0 / _DEG},
    "angle": {"rad": 1.0, "deg": _DEG},
    "length": {"m": 1.0, "km": 1000.0, "cm": 0.01, "mm": 0.001, "ft": FOOT},
    "acceleration": {"m/s2": 1.0, "g": STANDARD_GRAVITY},
    "yaw rate": {"rad/s": 1.0, "deg/s": _DEG},
    "engine speed": {"rad/s": 1.0, "rpm": RPM},
    "share": {"-": 1.0, "%": 0.01},
    "temperature": {"degC": 1.0},
    "number": {"-": 1.0},
}

_UNIT_ALIASES = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millis": "ms", "milliseconds": "ms",
    "µs": "us", "μs": "us", "mps": "m/s", "ms-1": "m/s", "m/sec": "m/s", "kmh": "km/h", "kph": "km/h", "km/hr": "km/h",
    "kmph": "km/h", "mi/h": "mph", "miles/h": "mph", "kn": "knots", "kt": "knots", "kts": "knots", "knot": "knots",
    "fps": "ft/s", "°": "deg", "degree": "deg", "degrees": "deg", "radians": "rad", "metre": "m", "metres": "m",
    "meter": "m", "meters": "m", "feet": "ft", "foot": "ft", "m/s²": "m/s2", "m/s^2": "m/s2", "mps2": "m/s2",
    "m/s/s": "m/s2", "°/s": "deg/s", "dps": "deg/s", "degps": "deg/s", "radps": "rad/s", "1/min": "rpm", "pct": "%",
    "percent": "%", "°c": "degC", "c": "degC", "degc": "degC", "": "-", "count": "-", "1e-7°": "1e-7deg",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Role:
    """What a column can stand for: its kind of quantity, names it goes by, and the unit taken when none is stated."""

    kind: str
    names: frozenset[str]
    default_unit: str | None  #: None: the unit must be stated in the file or by the caller


def _role(kind: str, names: str, default_unit: str | None = None) -> Role:
    return Role(kind, frozenset(names.split()), default_unit)


#: Roles by name; ``names`` are compared after lower-casing and dropping units, punctuation and accents.
ROLES: dict[str, Role] = {
    "time": _role(
        "time",
        "t time timestamp elapsed elapsedtime sessiontime utc utctime datetime epoch unixtime zeit temps tiempo tijd",
    ),
    "lon": _role(
        "degrees",
        "lon long lng longitude gpslon gpslongitude lange laenge langengrad laengengrad longitud longitudine",
        "deg",
    ),
    "lat": _role("degrees", "lat latitude gpslat gpslatitude breite breitengrad latitud latitudine", "deg"),
    "x": _role("length", "x east easting posx", "m"),
    "y": _role("length", "y north northing posy", "m"),
    "speed": _role(
        "speed",
        "speed v velocity gpsspeed groundspeed speedoverground sog vel speed2d "
        "geschwindigkeit vitesse velocidad velocita snelheid",
    ),
    "course": _role("angle", "course heading bearing track cog courseoverground gpsheading", "deg"),
    "altitude": _role("length", "alt altitude ele elevation height z gpsaltitude", "m"),
    "accuracy": _role("length", "accuracy hacc horizontalaccuracy posaccuracy", "m"),
    "hdop": _role("number", "hdop dop pdop", "-"),
    "satellites": _role("number", "sat sats satellites nsat numsats numsv gpssats", "-"),
    "fix": _role("number", "fix fixtype fixquality gpsfix", "-"),
    "ax": _role("acceleration", "ax accx accelx accelerationx longacc lonacc longitudinalacceleration longitudinalg"),
    "ay": _role("acceleration", "ay accy accely accelerationy latacc lateralacc lateralacceleration lateralg"),
    "az": _role("acceleration", "az accz accelz accelerationz vertacc verticalacceleration verticalg"),
    "yaw_rate": _role("yaw rate", "yawrate gyroz gyrz rotz"),
    "engine_speed": _role("engine speed", "rpm enginespeed enginerpm revs", "rpm"),
    "throttle": _role("share", "throttle throttleposition throttlepos pedal"),
    "brake": _role("share", "brake brakeposition brakepos"),
    "steering": _role("angle", "steering steer steeringangle steerangle"),
    "temperature": _role("temperature", "watertemp watertemperature enginetemp coolanttemp cooltemp", "degC"),
    "date": _role("number", "date utcdate gpsdate", "-"),
}

_BRACKETED = re.compile(r"[\[(]([^\])]*)[\])]")


def canonical_unit(text: str) -> str:
    """One spelling for a unit; unknown text comes back lower-cased."""
    key = text.strip().lower().replace(" ", "")
    return _UNIT_ALIASES.get(key, key)


def is_unit(text: str) -> bool:
    """True for text that is a known unit of some quantity."""
    unit = canonical_unit(text)
    return bool(text.strip()) and any(unit in table for table in UNITS.values())


def split_header(text: str) -> tuple[str, str]:
    """Split a column title into a plain name and a unit ("" when none): ``speed [km/h]``, ``speed_kmh``.

    Returns
    -------
    (name, unit)
        Name lower-cased without punctuation and accents; unit in its one spelling.
    """
    bracket = _BRACKETED.search(text)
    unit = ""
    if bracket is not None:
        unit = canonical_unit(bracket.group(1))
        text = text[: bracket.start()] + text[bracket.end() :]
    words = [word for word in re.split(r"[\s_.\-]+", text.strip().strip('"').lower()) if word]
    if not unit and len(words) > 1:
        for size in (2, 1):
            tail = "/".join(words[-size:]) if size == 2 else words[-1]
            if len(words) > size and is_unit(tail):
                unit, words = canonical_unit(tail), words[:-size]
                break
    bare = unicodedata.normalize("NFD", "".join(words))
    return re.sub(r"[^0-9a-zµ°]", "", bare), unit


def role_of(name: str) -> str | None:
    """Role of a plain column name, or None."""
    return next((role for role, facts in ROLES.items() if name in facts.names), None)


def check_roles(names: Iterable[str]) -> None:
    """Refuse a name that is a known role misspelt, or what titles call one: the role would go without its column.

    Raises
    ------
    InputError
    """
    for name in names:
        near = difflib.get_close_matches(name, ROLES, n=1, cutoff=0.75)
        meant = role_of(split_header(name)[0]) or (near[0] if near else None)
        if name not in ROLES and meant is not None:
            raise InputError(f"unknown role '{name}' of a column", remedy=f"Did you mean '{meant}'?")


def unit_factor(role: str, unit: str) -> float:
    """Factor from ``unit`` to the unit kept inside.

    Raises
    ------
    InputError
        The unit is not one of the quantity's.
    """
    table = UNITS[ROLES[role].kind] if role in ROLES else UNITS["number"]
    factor = table.get(canonical_unit(unit))
    if factor is None:
        raise InputError(
            f"'{unit}' is not a unit of {role}", where=f"unit of {role}", remedy=f"Use one of {', '.join(table)}"
        )
    return factor


def near_miss(wanted: str, names: Sequence[str]) -> str:
    """A closing sentence listing what is there and the closest name."""
    close = difflib.get_close_matches(wanted.lower(), [name.lower() for name in names], n=1, cutoff=0.5)
    match = next((name for name in names if close and name.lower() == close[0]), None)
    shown = ", ".join(f"'{name}'" for name in names[:20]) + (" and more" if len(names) > 20 else "")
    return (f"did you mean '{match}'? " if match else "") + f"the file has {shown}"


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
