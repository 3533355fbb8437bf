"""Recordings as delimited text: any delimiter, preamble, unit row, decimal comma, named or numbered columns."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np

from linelab.errors import FileFormatError
from linelab.io.recordings_checks import check_degrees
from linelab.io.recordings_columns import choose_columns
from linelab.io.recordings_layout import GAPS, Layout, find_layout
from linelab.io.recordings_time import epoch_unit, parse_times, time_kind, unroll_midnight
from linelab.io.recordings_units import ROLES, canonical_unit, unit_factor
from linelab.lap import Recording
from linelab.units import Array

_CHUNK = 50_000


@dataclass(slots=True)
class _Faults:
    """What could not be read, counted, with the first line of each kind."""

    short: int = 0
    short_line: int = 0
    unread: Counter[str] = field(default_factory=Counter)
    first: dict[str, tuple[int, str]] = field(default_factory=dict)


def read_csv(
    path: Path,
    head: bytes,
    *,
    columns: Mapping[str, str | int] | None = None,
    units: Mapping[str, str] | None = None,
) -> Recording:
    """Read a delimited text file; see :func:`linelab.io.recordings.load_recording`."""
    layout = find_layout(path, head)
    chosen = choose_columns(path, layout, columns or {})
    kind = _time_kind(path, layout, chosen["time"])
    texts = {chosen["time"]} if kind != "number" else set()
    data, lines, faults = _read_columns(path, layout, chosen, texts, kind)
    _check_faults(path, layout, chosen, faults, lines.size)
    notes = _fault_notes(faults)
    t, time_note = _to_seconds(path, data["time"], kind, _stated_unit("time", chosen, layout, units or {}))
    values, unit_notes = _to_si(path, data, chosen, layout, units or {})
    keep = np.isfinite(t)
    if not keep.any():
        raise FileFormatError("no line has a readable time", path=path, remedy="Check which column holds the time")
    if not keep.all():
        notes.append(f"{int((~keep).sum())} lines without a time left out, the first at line {int(lines[~keep][0])}")
    values = {name: column[keep] for name, column in values.items()}
    if "lon" in values:
        check_degrees(path, values["lon"], values["lat"], lines[keep])
    elif not (np.isfinite(values["x"]) & np.isfinite(values["y"])).any():
        raise FileFormatError("no sample has a position", path=path, remedy="Check the columns of x and y")
    fixed = {name: values.pop(name) for name in ("lon", "lat", "x", "y", "speed") if name in values}
    seconds = t[keep]
    return Recording(
        t=seconds - seconds[0],
        channels=values,
        source=str(path),
        notes=(*_choice_notes(layout, chosen), time_note, *unit_notes, *notes),
        **fixed,
    )


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


def _read_columns(
    path: Path, layout: Layout, chosen: Mapping[str, int], texts: set[int], kind: str
) -> tuple[dict[str, Array], Array, _Faults]:
    """Stream the file into one array a role, with the line number of each row."""
    faults = _Faults()
    pieces: dict[str, list[Array]] = {role: [] for role in chosen}
    numbers: list[Array] = []
    widest = max(chosen.values()) + 1
    for rows, lines in _chunks(path, layout):
        rows, lines = _drop_short(rows, lines, widest, faults)
        if not rows:
            continue
        numbers.append(np.array(lines, dtype=np.float64))
        for role, index in chosen.items():
            cells = [row[index] for row in rows]
            timed = index in texts
            column = parse_times(cells, kind) if timed else _floats(cells, layout.decimal_comma)
            pieces[role].append(column)
            _note_unread(faults, role, cells, column, lines)
    if not numbers:
        raise FileFormatError("no line of data could be read", path=path, remedy="Check the delimiter and the columns")
    return {role: np.concatenate(parts) for role, parts in pieces.items()}, np.concatenate(numbers), faults


def _drop_short(
    rows: list[list[str]], lines: list[int], widest: int, faults: _Faults
) -> tuple[list[list[str]], list[int]]:
    """Leave out comment lines, blank lines and lines with too few columns; count the last."""
    keep = [len(row) >= widest and not row[0].startswith("#") for row in rows]
    if all(keep):
        return rows, lines
    for row, line, kept in zip(rows, lines, keep):
        if not kept and any(row) and not row[0].startswith("#"):
            faults.short_line = faults.short_line or line
            faults.short += 1
    return [row for row, kept in zip(rows, keep) if kept], [line for line, kept in zip(lines, keep) if kept]


def _chunks(path: Path, layout: Layout) -> Iterator[tuple[list[list[str]], list[int]]]:
    """Rows in chunks with their line numbers."""
    with path.open(encoding=layout.encoding, errors="replace", newline="") as file:
        for _ in islice(file, layout.first_data_line - 1):
            pass
        if layout.delimiter == " ":
            reader: Iterator[list[str]] = (line.split() for line in file)
        else:
            reader = csv.reader((line.replace("\0", "") for line in file), delimiter=layout.delimiter)
        line = layout.first_data_line
        while True:
            try:
                rows = list(islice(reader, _CHUNK))
            except (csv.Error, UnicodeError) as error:
                raise FileFormatError(
                    f"the line cannot be split into columns ({error})",
                    path=path,
                    line=line + int(getattr(reader, "line_num", 0)),
                    remedy="Look for a stray quotation mark",
                ) from error
            if not rows:
                return
            yield [row if row else [""] for row in rows], list(range(line, line + len(rows)))
            line += len(rows)


def _floats(cells: Sequence[str], decimal_comma: bool) -> Array:
    """Numbers of a column; NaN where a cell is none."""
    texts = [cell.replace(",", ".") for cell in cells] if decimal_comma else cells
    try:
        column = np.fromiter(map(float, texts), dtype=np.float64, count=len(texts))
    except ValueError:
        column = np.fromiter(map(_float_or_nan, texts), dtype=np.float64, count=len(texts))
    column[~np.isfinite(column)] = np.nan
    return column


def _float_or_nan(text: str) -> float:
    """The number, or NaN."""
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _note_unread(faults: _Faults, role: str, cells: Sequence[str], column: Array, lines: Sequence[int]) -> None:
    """Count the cells that hold text which is neither a number nor a mark for a gap."""
    for i in map(int, np.flatnonzero(np.isnan(column))):
        text = cells[i].strip()
        if text.lower() not in GAPS:
            faults.unread[role] += 1
            faults.first.setdefault(role, (lines[i], text[:40]))


def _check_faults(path: Path, layout: Layout, chosen: Mapping[str, int], faults: _Faults, rows: int) -> None:
    """Refuse a file where more than half of a needed column cannot be read."""
    for role in ("time", "lat", "lon", "x", "y", "speed"):
        if role in chosen and faults.unread[role] > 0.5 * rows:
            line, text = faults.first[role]
            title = layout.titles[chosen[role]] if layout.titles else f"number {chosen[role] + 1}"
            raise FileFormatError(
                f"column '{title}' taken as {role} is mostly unreadable",
                path=path,
                line=line,
                found=f"'{text}'",
                expected="a number",
                remedy=f"Name another column with --column {role}=TITLE (in Python: columns={{'{role}': 'TITLE'}})",
            )
    if faults.short > rows:
        raise FileFormatError(
            f"{faults.short} lines have too few columns",
            path=path,
            line=faults.short_line,
            remedy="Check the delimiter",
        )


def _fault_notes(faults: _Faults) -> list[str]:
    """Sentences on what was left out or read as a gap."""
    notes = [
        f"{count} cells of {role} read as gaps, the first at line {faults.first[role][0]} ('{faults.first[role][1]}')"
        for role, count in faults.unread.items()
    ]
    if faults.short:
        notes.append(f"{faults.short} lines with too few columns left out, the first at line {faults.short_line}")
    return notes


def _choice_notes(layout: Layout, chosen: Mapping[str, int]) -> list[str]:
    """Which column was taken for what."""
    name = [f"'{title}'" for title in layout.titles] or [f"number {i + 1}" for i in range(len(layout.first_row))]
    notes = ["columns: " + ", ".join(f"{role} from {name[index]}" for role, index in chosen.items())]
    if layout.encoding == "cp1252":
        notes.append("text read as Windows-1252")
    return notes


def _stated_unit(role: str, chosen: Mapping[str, int], layout: Layout, units: Mapping[str, str]) -> str | None:
    """Unit of a role: the caller's, else the file's, else None."""
    if role in units:
        return units[role]
    index = chosen[role]
    unit = layout.units[index] if index < len(layout.units) else ""
    return unit if unit not in ("", "-") else None


def _to_seconds(path: Path, raw: Array, kind: str, unit: str | None) -> tuple[Array, str]:
    """Seconds and a note on how they were read."""
    if kind == "stamp":
        return raw, "time: ISO 8601 stamps"
    if kind == "clock":
        return unroll_midnight(raw), "time: clock times"
    known = raw[np.isfinite(raw)]
    guess = epoch_unit(float(np.median(known))) if known.size else None
    if unit is None:
        unit = guess
    if unit is None:
        step = float(np.median(np.diff(known))) if known.size > 1 else 0.0
        if step >= 5.0:
            raise FileFormatError(
                "the unit of time is not stated",
                path=path,
                found=f"steps of {step:g}",
                expected="seconds, or a stated unit",
                remedy="State it with --unit time=ms (in Python: units={'time': 'ms'})",
            )
        return raw, "time: no unit stated, seconds assumed"
    return (raw - (known[0] if known.size else 0.0)) * unit_factor("time", unit), f"time: {canonical_unit(unit)}"


def _to_si(
    path: Path, data: Mapping[str, Array], chosen: Mapping[str, int], layout: Layout, units: Mapping[str, str]
) -> tuple[dict[str, Array], list[str]]:
    """Every column but the time in the unit kept inside."""
    values: dict[str, Array] = {}
    notes = []
    for role in (name for name in chosen if name != "time"):
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
            notes.append(f"{role} left out: its unit is not stated")
            continue
        taken = unit or default or "-"
        values[role] = data[role] * (unit_factor(role, taken) if role in ROLES else 1.0)
        notes.append(f"{role}: {canonical_unit(taken)}" + ("" if unit else " assumed"))
    return values, ["units: " + ", ".join(note for note in notes if "left out" not in note)] + [
        note for note in notes if "left out" in note
    ]
