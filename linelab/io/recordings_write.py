"""A recording written as CSV, so that what was simulated or cut can be read again."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from linelab.io.atomic import write_text
from linelab.io.recordings_units import ROLES, UNITS, unit_factor
from linelab.lap import Recording
from linelab.units import Array

#: Column title, unit and digits after the point by role; other channels are written in the unit they are kept in.
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


def save_recording_csv(recording: Recording, path: str | Path) -> None:
    """Write a recording; gaps become empty cells, notes become comments above the header.

    Parameters
    ----------
    recording : Recording
    path : path
        Replaced as a whole when it exists.

    Raises
    ------
    InputError
        The folder cannot be made or written to.
    """
    roles: dict[str, Array | None] = {
        "time": recording.t, "lon": recording.lon, "lat": recording.lat, "x": recording.x, "y": recording.y,
        "speed": recording.speed, **recording.channels,
    }  # fmt: skip
    titles, columns = [], []
    for role, values in roles.items():
        if values is None:
            continue
        name, unit, digits = _COLUMNS.get(role, (role.replace("_", " "), _kept_unit(role), 4))
        titles.append(f"{name} [{unit}]" if unit else name)
        columns.append(_cells(values / unit_factor(role, unit), digits))
    lines = [*(f"# {note}" for note in recording.notes), ",".join(titles), *map(",".join, zip(*columns))]
    write_text(path, "\n".join(lines) + "\n")


def _kept_unit(role: str) -> str:
    """The unit a channel has inside; "" where it has none."""
    unit = next(iter(UNITS[ROLES[role].kind])) if role in ROLES else "-"
    return "" if unit == "-" else unit


def _cells(values: Array, digits: int) -> list[str]:
    """Numbers as text; a gap is empty."""
    return [f"{value:.{digits}f}" if np.isfinite(value) else "" for value in values]
