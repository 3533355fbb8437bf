"""What the feet do, read from the speed: driving, braking or neither."""

from __future__ import annotations

import numpy as np

from linelab.coaching.grid import Rows
from linelab.comparison.onsets import Index, Mask
from linelab.comparison.rolling import BRAKED
from linelab.units import Array

#: The kart is driven where it gains this share of what full power gives it [-], and at least this much [m/s²], on
#: what it does with both pedals up; it is braked where it loses BRAKED more.  Between the two it coasts.
DRIVEN_SHARE, DRIVEN = 0.25, 0.3
#: A pedal is down or up for at least this many metres; shorter is ripple.
LEAST_RUN = 4.0
#: Half the width of the triangular mean over which a foot's work is read from the speed [s]: about the time a pedal
#: takes, and what receivers resolve.
FOOT_TIME = 0.1


def averaged(rows: Rows, step: float, time: float = FOOT_TIME) -> Array:
    """Acceleration (R, N) averaged over ``time`` [s] to either side, by a triangle; stations ``step`` apart [m/s²].

    An estimate of a recorded lap rounds an onset over some tenths of a second, and has ripples of that length; a
    computed lap has neither.  Read through the same mean their marks agree, and noise weighs less.
    """
    if time == 0.0:
        return rows.ax
    way = np.cumsum(0.5 * (rows.stretch[:, 1:] + rows.stretch[:, :-1]) * step, axis=1)
    way = np.concatenate([np.zeros((len(rows.v), 1)), way], axis=1)
    half = np.minimum(rows.v * time, np.maximum(np.minimum(way, way[:, -1:] - way), step))
    once = _slopes(0.5 * rows.v**2, way, half)
    gained = np.cumsum(0.5 * (once[:, 1:] + once[:, :-1]) * np.diff(way, axis=1), axis=1)
    return _slopes(np.concatenate([np.zeros((len(once), 1)), gained], axis=1), way, half)


def _slopes(values: Array, way: Array, half: Array) -> Array:
    """Mean slope of values (R, N) over ``half`` (R, N) of the way (R, N) to either side, short of the ends."""
    low, high = np.maximum(way - half, way[:, :1]), np.minimum(way + half, way[:, -1:])
    gains = [np.interp(b, w, v) - np.interp(a, w, v) for a, b, w, v in zip(low, high, way, values)]
    return np.asarray(np.array(gains).reshape(values.shape) / (high - low))


def push(rows: Rows) -> Array:
    """Acceleration beyond that with both pedals up (R, N) [m/s²]."""
    return np.asarray(rows.ax - rows.roll)


def pedals(rows: Rows, step: float) -> tuple[Mask, Mask]:
    """Where the kart is driven and where it is braked (R, N), ripple taken out; stations ``step`` apart [m]."""
    force, least = push(rows), max(round(LEAST_RUN / step), 1)
    driven = force > np.maximum(DRIVEN_SHARE * rows.full, DRIVEN)
    return runs(driven, least), runs(force < -BRAKED, least)


def runs(mask: Mask, least: int) -> Mask:
    """The mask (R, N) without its runs shorter than ``least`` nodes; the ends of the lap are taken as joined."""
    wide = np.concatenate([mask[:, -least:], mask, mask[:, :least]], axis=1)
    kept = wide.copy()
    for shift in range(1, least):  # what survives an erosion ...
        kept[:, :-shift] &= wide[:, shift:]
    grown = kept.copy()
    for shift in range(1, least):  # ... grown again
        grown[:, shift:] |= kept[:, :-shift]
    return grown[:, least:-least]


def main_run(mask: Mask, weight: Array) -> tuple[Index, Index, Mask]:
    """First and last index of each row's weightiest run of True (R,), and whether there is one.

    ``weight`` (R, W) is added up over each run.
    """
    rows, width = mask.shape
    first = mask & ~np.concatenate([np.zeros((rows, 1), dtype=bool), mask[:, :-1]], axis=1)
    label = np.cumsum(first, axis=1) - 1
    most = int(label.max(initial=-1)) + 1
    if most <= 0:
        none = np.zeros(rows, dtype=np.intp)
        return none, none, np.zeros(rows, dtype=bool)
    flat = np.arange(rows)[:, None] * most + np.maximum(label, 0)
    sums = np.bincount(flat[mask], weights=weight[mask], minlength=rows * most).reshape(rows, most)
    chosen = mask & (label == sums.argmax(axis=1)[:, None])
    start = chosen.argmax(axis=1)
    end = width - 1 - chosen[:, ::-1].argmax(axis=1)
    return np.asarray(start), np.asarray(end), np.asarray(mask.any(axis=1))
