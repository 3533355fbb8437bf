"""Recordings as delimited text: any delimiter, preamble, unit row, decimal comma, named or numbered columns.

Recordings are written as CSV here too, in a form that is read again.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import islice
from os import PathLike
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import counted, freeze
from linelab.errors import FileFormatError, check_kinds, legible, on_one_line
from linelab.files.recordings.channel_units import (
    ROLES,
    UNITS,
    canonical_unit,
    epoch_unit,
    parse_stamp,
    role_of,
    split_header,
    time_kind,
    unit_factor,
    unroll_midnight,
)
from linelab.files.recordings.table_layout import GAPS, Layout, choose_columns, find_layout
from linelab.files.recordings.table_rows import Faults, check_short, read_columns
from linelab.files.text import check_degrees
from linelab.files.writing import write_text
from linelab.model.lap import Recording
from linelab.units import Array

#: Samples of laps are not as far apart [s]; times that are have another unit than was taken.
_LONGEST_STEP = 5.0


def read_csv(
    path: Path,
    head: bytes,
    *,
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Recording:
    """Read a delimited text file; see :func:`linelab.load_recording`."""
    layout = find_layout(path, head)
    chosen = choose_columns(path, layout, columns or {})
    day = _day(layout, chosen.pop("date", None))
    kind = _time_kind(path, layout, chosen["time"])
    data, lines, faults = read_columns(path, layout, chosen, kind, progress)
    _check_faults(path, layout, chosen, faults, lines.size)
    notes = faults.notes()
    t, clock, time_note = _to_seconds(path, data.pop("time"), kind, _stated_unit("time", chosen, layout, units or {}))
    if kind not in ("stamp", "clock") and "time" not in (units or {}):
        _check_steps(path, t)
    unit_notes = _to_si(path, data, chosen, layout, units or {})
    unit_notes += [f"unit of {role} stated, but no column is {role}" for role in units or {} if role not in chosen]
    keep = np.isfinite(t)
    if not keep.any():
        raise FileFormatError("no line has a readable time", path=path, remedy="Check which column holds the time")
    if not keep.all():
        notes.append(
            f"{counted(int((~keep).sum()), 'line')} without a time left out, the first at line {int(lines[~keep][0])}"
        )
        data, lines, t = {name: column[keep] for name, column in data.items()}, lines[keep], t[keep]
    if "lon" in data:
        check_degrees(path, data["lon"], data["lat"], lines)
    elif not (np.isfinite(data["x"]) & np.isfinite(data["y"])).any():
        raise FileFormatError("no sample has a position", path=path, remedy="Check the columns of x and y")
    empty = [name for name, column in data.items() if name not in ("lon", "lat", "x", "y") and np.isnan(column).all()]
    for name in empty:
        del data[name]
        notes.append(f"{name}: nothing recorded")
    data = {name: freeze(column) for name, column in data.items()}
    fixed = {name: data.pop(name) for name in ("lon", "lat", "x", "y", "speed") if name in data}
    start, start_sigma = (clock if kind == "stamp" or epoch_unit(clock) == "s" else None), 0.0
    if kind == "clock" and day is not None:
        start = day + clock
    if start is None:
        start, start_sigma = _absolute_beside(path, layout, chosen["time"], t - t[0], lines)
    return Recording(
        t=freeze(t - t[0]),
        channels=data,
        source=legible(path),
        notes=(*_choice_notes(layout, chosen), time_note, *unit_notes, *notes),
        start_utc=start,
        start_utc_sigma=start_sigma,
        start_clock=clock,
        **fixed,
    )


def _day(layout: Layout, index: int | None) -> float | None:
    """Start of the day in a column of dates since 1970 [s], from the first line; None when it is not ISO 8601."""
    if index is None:
        return None
    try:
        return datetime.fromisoformat(layout.first_row[index].strip()[:10]).replace(tzinfo=UTC).timestamp()
    except (ValueError, OverflowError):
        return None


def _absolute_beside(
    path: Path, layout: Layout, taken: int, t: Array, lines: NDArray[np.int64]
) -> tuple[float | None, float]:
    """Time since 1970 of the first sample by another column of times than the one taken, and its standard deviation
    [s]; None where there is none.

    Parameters
    ----------
    t, lines : (N,) arrays
        Time since the first sample [s], and the line of each sample.
    """
    labels = []
    for index, (title, cell) in enumerate(zip(layout.titles, layout.first_row)):
        if index == taken:
            continue
        if cell.strip().lower() in GAPS or _is_label(cell):
            labels.append(index)
        elif role_of(split_header(title)[0]) == "time" and int(lines[0]) == layout.first_data_line:
            try:
                number = float(cell)
            except ValueError:
                continue
            unit = epoch_unit(number)
            if unit is not None:
                return number * unit_factor("time", unit), 0.0
    return _by_labels(path, layout, labels, t, lines) if labels else (None, 0.0)


def _is_label(cell: str) -> bool:
    """Whether a cell is a stamp with a time of day; a date alone says too little."""
    return ":" in cell and len(cell) > 10 and time_kind(cell) == "stamp"


def _by_labels(
    path: Path, layout: Layout, columns: Sequence[int], t: Array, lines: NDArray[np.int64]
) -> tuple[float | None, float]:
    """What columns of stamps, filled on some lines only, say of the first sample: their median, and their scatter.

    Labels may be rounded, or late by a sample: together they say no more than their scatter about each other, and no
    more than the grid they lie on.
    """
    stamps, says = [], []
    with path.open(encoding=layout.encoding, errors="replace", newline="") as file:
        texts = (text.replace("\0", "") for text in islice(file, layout.first_data_line - 1, None))
        for line, row in enumerate(csv.reader(texts, delimiter=layout.delimiter), start=layout.first_data_line):
            for cell in (row[index] for index in columns if index < len(row) and _is_label(row[index])):
                at = int(np.searchsorted(lines, line))
                if at < lines.size and lines[at] == line:
                    stamps.append(parse_stamp(cell))
                    says.append(stamps[-1] - float(t[at]))
    if not says:
        return None, 0.0
    steps = [10.0**-k for k in range(4) if np.allclose(np.mod(np.array(stamps) * 10**k + 0.5, 1.0), 0.5, atol=1e-3)]
    rounding = steps[0] / 12.0**0.5 if steps else 0.0  # of values evenly spread over a step of the grid
    return float(np.median(says)), round(max(float(np.std(says)), rounding), 6)


def _time_kind(path: Path, layout: Layout, index: int) -> str:
    """How the time column is written, judged on the first data line."""
    kind = time_kind(layout.first_row[index])
    if kind is None:
        raise FileFormatError(
            "the time cannot be read",
            path=path,
            line=layout.first_data_line,
            found=f"'{layout.first_row[index][:40]}'",
            expected="seconds, an ISO 8601 stamp or h:min:s",
            remedy="Name another column with --column time=TITLE (in Python: columns={'time': 'TITLE'})",
        )
    return kind


def _check_faults(path: Path, layout: Layout, chosen: Mapping[str, int], faults: Faults, rows: int) -> None:
    """Refuse a file where more than half of a needed column cannot be read."""
    for role in ("time", "lat", "lon", "x", "y", "speed"):
        if role in chosen and faults.unread[role] > 0.5 * rows:
            line, text = faults.first[role]
            title = layout.titles[chosen[role]] if layout.titles else f"number {chosen[role] + 1}"
            other = f"Name another column with --column {role}=TITLE (in Python: columns={{'{role}': 'TITLE'}})"
            minutes = role in ("lat", "lon") and any(sign in text for sign in "°'′")
            raise FileFormatError(
                f"column '{title}' taken as {role} is mostly unreadable",
                path=path,
                line=line,
                found=f"'{text}'",
                expected="decimal degrees" if minutes else "a number",
                remedy="Export decimal degrees, such as 51.2297" if minutes else other,
            )
    check_short(path, faults, rows)


def _choice_notes(layout: Layout, chosen: Mapping[str, int]) -> list[str]:
    """Which column was taken for what."""
    name = [f"'{title}'" for title in layout.titles] or [f"number {i + 1}" for i in range(len(layout.first_row))]
    notes = ["columns: " + ", ".join(f"{role} from {name[index]}" for role, index in chosen.items())]
    for role, index in chosen.items():
        alike = [i + 1 for i, title in enumerate(layout.titles) if title == layout.titles[index]]
        if len(alike) > 1:
            numbers = " and ".join(map(str, alike))
            notes.append(f"columns {numbers} are titled {name[index]} alike: {role} is taken from {index + 1}")
    if layout.encoding == "cp1252":
        notes.append("text read as Windows-1252")
    return notes


def _stated_unit(role: str, chosen: Mapping[str, int], layout: Layout, units: Mapping[str, str]) -> str | None:
    """Unit of a role: the caller's, else the file's where it is one of the quantity's, else None."""
    if role in units:
        return units[role]
    index = chosen[role]
    unit = layout.units[index] if index < len(layout.units) else ""
    known = UNITS[ROLES[role].kind] if role in ROLES else {}
    return unit if unit != "-" and unit in known else None


def _to_seconds(path: Path, raw: Array, kind: str, unit: str | None) -> tuple[Array, float, str]:
    """Seconds, the first of them on the recorder's own clock, and a note on how they were read."""
    known = raw[np.isfinite(raw)]
    first = float(known[0]) if known.size else 0.0
    if kind == "stamp":
        return raw - first, first, "time: ISO 8601 stamps"
    if kind == "clock":
        return unroll_midnight(raw) - first, first, "time: clock times"
    if unit is None:
        unit = epoch_unit(float(np.median(known))) if known.size else None
    if unit is None:
        step = float(np.median(np.diff(known))) if known.size > 1 else 0.0
        if step >= _LONGEST_STEP:
            raise FileFormatError(
                "the unit of time is not stated",
                path=path,
                found=f"steps of {step:g}",
                expected="seconds, or a stated unit",
                remedy="State it with --unit time=ms (in Python: units={'time': 'ms'})",
            )
        return raw - first, first, "time: no unit stated, seconds assumed"
    factor = unit_factor("time", unit)
    return (raw - first) * factor, first * factor, f"time: {canonical_unit(unit)}"


def _check_steps(path: Path, t: Array) -> None:
    """Refuse times (N,) [s] too far apart for laps where the caller has not stated their unit."""
    known = t[np.isfinite(t)]
    step = float(np.median(np.abs(np.diff(known)))) if known.size > 1 else 0.0
    if step >= _LONGEST_STEP:
        raise FileFormatError(
            f"samples are {step:g} s apart by the file's own unit of time",
            path=path,
            expected=f"less than {_LONGEST_STEP:g} s",
            remedy="State the unit if the file is wrong: --unit time=ms (in Python: units={'time': 'ms'})",
        )


def _to_si(
    path: Path, data: dict[str, Array], chosen: Mapping[str, int], layout: Layout, units: Mapping[str, str]
) -> list[str]:
    """Bring every column into the unit kept inside, leave out those without one, and say which was taken."""
    taken, left_out = [], []
    for role in list(data):
        unit = _stated_unit(role, chosen, layout, units)
        default = ROLES[role].default_unit if role in ROLES else "-"
        if unit is None and default is None:
            if role == "speed":
                raise FileFormatError(
                    "the unit of speed is not stated",
                    path=path,
                    found=f"column '{layout.titles[chosen[role]]}'" if layout.titles else "",
                    expected="m/s, km/h, mph, knots or ft/s",
                    remedy="State it with --unit speed=km/h (in Python: units={'speed': 'km/h'})",
                )
            left_out.append(f"{role} left out: its unit is not stated")
            del data[role]
            continue
        used = unit or default or "-"
        if role in ROLES:
            data[role] = data[role] * unit_factor(role, used)
        if used != "-":  # what is a plain number needs no unit
            taken.append(f"{role}: {canonical_unit(used)}" + ("" if unit else " assumed"))
    return ["units: " + ", ".join(taken), *left_out]


#: Column title by role, and unit and digits after the point of a rounded one.
_COLUMNS = {
    "time": ("time", "s", 3),
    "lon": ("longitude", "deg", 8),
    "lat": ("latitude", "deg", 8),
    "x": ("x", "m", 3),
    "y": ("y", "m", 3),
    "speed": ("speed", "km/h", 2),
    "course": ("course", "deg", 1),
    "ax": ("accel x", "m/s2", 2),
    "ay": ("accel y", "m/s2", 2),
    "yaw_rate": ("yaw rate", "deg/s", 2),
}


def save_recording(recording: Recording, path: str | Path, *, rounded: bool = False) -> None:
    """Write a recording as CSV, so that :func:`linelab.load_recording` reads it again.

    Gaps become empty cells, notes become comments above the header.

    Parameters
    ----------
    recording : Recording
    path : path
        Replaced as a whole when it exists.
    rounded : bool
        Round as loggers do, in km/h and degrees.

    Raises
    ------
    InputError
        The folder cannot be made or written to.

    References
    ----------
    RFC 4180, Common Format and MIME Type for Comma-Separated Values; notes come first, after ``#``.

    Examples
    --------
    >>> import linelab
    >>> recording = linelab.load_recording("ostrelle_practice")
    >>> linelab.save_recording(recording, "copy.csv")
    >>> again = linelab.load_recording("copy.csv")
    >>> bool((again.t == recording.t).all() and (again.speed == recording.speed).all())
    True
    """
    check_kinds("save_recording", recording=(recording, Recording), path=(path, (str, PathLike)))
    roles: dict[str, Array | None] = {
        "time": recording.t + (recording.start_utc or 0.0), "lon": recording.lon, "lat": recording.lat,
        "x": recording.x, "y": recording.y, "speed": recording.speed, **recording.channels,
    }  # fmt: skip
    titles, columns = [], []
    for role, values in roles.items():
        if values is None:
            continue
        name, unit, digits = _COLUMNS.get(role, (role.replace("_", " "), _kept_unit(role), 4))
        unit = unit if rounded else _kept_unit(role)
        titles.append(f"{name} [{unit}]" if unit else name)
        columns.append(_cells(values / unit_factor(role, unit), digits if rounded else None))
    lines = [*(f"# {on_one_line(note)}" for note in recording.notes), ",".join(titles), *map(",".join, zip(*columns))]
    write_text(path, "\n".join(lines) + "\n")


def _kept_unit(role: str) -> str:
    """The unit a channel has inside, for a share per cent, which a title can state; "" where it has none."""
    kind = ROLES[role].kind if role in ROLES else "number"
    unit = "%" if kind == "share" else next(iter(UNITS[kind]))
    return "" if unit == "-" else unit


def _cells(values: Array, digits: int | None) -> list[str]:
    """Numbers as text, with every digit where none are asked for; a gap is empty."""
    shown = repr if digits is None else f"{{:.{digits}f}}".format
    return [shown(value) if np.isfinite(value) else "" for value in values.tolist()]
