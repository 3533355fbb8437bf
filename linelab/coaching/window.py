"""Laps cut out about one corner, from the corner before to the corner after, and reading values off them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.coaching.grid import Rows, Sheet
from linelab.comparison.marks import CornerMarks
from linelab.comparison.onsets import Index, Mask
from linelab.units import Array


class Feet(NamedTuple):
    """What the feet do on each row (R, N)."""

    ax: Array  #: [m/s²]
    driven: Mask
    braked: Mask


class Window(NamedTuple):
    """Rows cut out about one corner: unwrapped stations (W,), everything else (R, W)."""

    s: Array
    local: Index
    steps: Array  #: path length to the next node [m]
    rows: Rows
    foot: Array  #: acceleration as a foot makes it, see ``averaged`` [m/s²]
    driven: Mask
    braked: Mask
    side: float  #: 1 in a left-hand corner, -1 in a right-hand one


def corner_window(sheet: Sheet, rows: Rows, marks: tuple[CornerMarks, ...], k: int, feet: Feet) -> Window:
    """From the corner before to the corner after."""
    lap, closed = float(sheet.s[-1] - sheet.s[0]), sheet.track.closed
    step, count = float(sheet.s[1] - sheet.s[0]), sheet.s.size - 1
    mark, after = marks[k], marks[(k + 1) % len(marks)]
    low = marks[k - 1].apex - (lap if k == 0 else 0.0) if k or closed else float(sheet.s[0])
    high = after.apex + (lap if k == len(marks) - 1 else 0.0) if k < len(marks) - 1 or closed else float(sheet.s[-1])
    span = np.arange(int(np.ceil((low - sheet.s[0]) / step)), int((high - sheet.s[0]) / step) + 1)
    local = span % count if closed else np.clip(span, 0, count)
    cut = Rows(*(field[:, local] for field in rows))
    return Window(
        s=np.asarray(float(sheet.s[0]) + span * step, dtype=np.float64), local=local, steps=cut.stretch * step,
        rows=cut, foot=feet.ax[:, local], driven=feet.driven[:, local], braked=feet.braked[:, local],
        side=1.0 if mark.corner.left else -1.0,
    )  # fmt: skip


def value_at(part: Window, values: Array, station: float) -> Array:
    """Values (R,) at a station."""
    place = np.clip((station - part.s[0]) / (part.s[1] - part.s[0]), 0.0, part.s.size - 1.001)
    i = int(place)
    return np.asarray(values[:, i] + (place - i) * (values[:, i + 1] - values[:, i]))


def between(part: Window, low: float, high: float) -> Mask:
    """Nodes between two stations (W,)."""
    return np.asarray((part.s >= low) & (part.s <= high))


def clock_of(part: Window) -> Array:
    """Time since the window's first node (R, W) [s]."""
    v = part.rows.v
    steps = 2.0 * part.steps[:, :-1] / (v[:, 1:] + v[:, :-1])
    return np.concatenate([np.zeros((v.shape[0], 1)), np.cumsum(steps, axis=1)], axis=1)


def at_index(table: Array, place: Array) -> Array:
    """Values of (W,) or (R, W) at fractional indices (R,); NaN stays NaN."""
    known = np.isfinite(place)
    at = np.where(known, place, 0.0)
    i = np.clip(at.astype(np.intp), 0, table.shape[-1] - 2)
    row = np.arange(place.size)
    a, b = (table[i], table[i + 1]) if table.ndim == 1 else (table[row, i], table[row, i + 1])
    return np.where(known, a + (at - i) * (b - a), np.nan)
