"""How fast each lap's own line could have been driven: at best, by a human foot, and with the driver's own low points.

Three speeds on the same line, each with its time: ``best`` uses all of the grip at once; ``able`` is best with pedals
that take PEDAL_TIME to change; ``held`` is able, made no faster at each corner's slowest point than the driver was
there, with everything before and after as good as that allows.  What separates driven from held is braking, coasting
and power; held from able the minimum speed, with all it costs before and after; able from best nobody's fault.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.coaching.grid import Rows, Sheet, sheet_line
from linelab.coaching.pedals import Index, Mask
from linelab.grip import Surface, kart_numbers
from linelab.lap import Lap
from linelab.solve.passes import run_passes
from linelab.solve.reach import nodes_on
from linelab.solve.road import Road
from linelab.solve.speed import speed_profiles
from linelab.units import Array

#: Half the time that feet may take from one pedal to the other before it is a fault [s]; common practice puts the whole
#: at 0.2 to 0.3 s.
PEDAL_TIME = 0.14
#: Time step on which a speed is rounded [s].
_CLOCK = 0.01
#: Standard deviation of the Gaussian kernel that takes the finest ripple off an estimated line's curvature [m].
RIPPLE = 1.0
#: A corner is slowed for where the best possible speed falls by more than this [m/s].
LEAST_DIP = 0.7


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Low:
    """Where each corner is slowest at best (R, C): index of the sheet; ``real`` is False in corners taken flat."""

    index: Index
    real: Mask


def best_laps(sheet: Sheet, kappa: Array, surface: Surface, stretch: Array, *, entry: float) -> list[Lap]:
    """Best possible laps on lines with the given curvature (R, N), entered at ``entry`` [m/s]."""
    lines = [
        sheet_line(sheet, kappa[r], Surface(*(np.asarray(values)[r] for values in surface)), stretch[r])
        for r in range(kappa.shape[0])
    ]
    return speed_profiles(lines, sheet.kart, v_start=entry, label="best on the driven line")


def without_ripple(kappa: Array, step: float) -> Array:
    """Curvature (R, N) with the finest ripple of an estimate taken off."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(kappa, RIPPLE / step, axis=-1, mode="nearest"))


def scaled(surface: Surface, factor: float) -> Surface:
    """The same ground with another grip."""
    return surface._replace(grip=np.asarray(surface.grip) * factor)


def able_speed(distance: Array, v: Array) -> Array:
    """Speeds (R, N) rounded in time so that a change of pedals takes twice PEDAL_TIME, nowhere faster than before.

    ``distance`` (R, N) is the path length [m].  The lowest speed within PEDAL_TIME on either side is taken, and then
    its raised-cosine mean over the same time.
    """
    from scipy.ndimage import convolve1d, minimum_filter1d

    count = max(round(PEDAL_TIME / _CLOCK), 1)
    weights = 1.0 + np.cos(np.linspace(-np.pi, np.pi, 2 * count + 3)[1:-1])
    weights /= weights.sum()
    found = np.empty_like(v)
    for row, (path, speed) in enumerate(zip(distance, v)):
        t = interval_clock(path, speed)
        even = np.arange(0.0, t[-1] + _CLOCK, _CLOCK)
        lowest = minimum_filter1d(np.interp(even, t, speed), 2 * count + 1, mode="nearest")
        found[row] = np.interp(t, even, convolve1d(lowest, weights, mode="nearest"))
    return np.minimum(found, v)


def interval_clock(distance: Array, v: Array) -> Array:
    """Time since the start at nodes (..., N), the acceleration constant between them [s]."""
    steps = interval_times(distance, v)
    return np.concatenate([np.zeros((*steps.shape[:-1], 1)), np.cumsum(steps, axis=-1)], axis=-1)


def interval_times(distance: Array, v: Array) -> Array:
    """Time over each interval (..., N-1), the acceleration constant within it [s]."""
    return np.asarray(2.0 * np.diff(distance, axis=-1) / (v[..., 1:] + v[..., :-1]))


def path_length(sheet: Sheet, rows: Rows) -> Array:
    """Path length from the start line (R, N) [m]."""
    steps = np.diff(sheet.s) * 0.5 * (rows.stretch[:, 1:] + rows.stretch[:, :-1])
    return np.concatenate([np.zeros((steps.shape[0], 1)), np.cumsum(steps, axis=1)], axis=1)


def held_speed(sheet: Sheet, rows: Rows, surface: Surface, best: Array, low: Low, rooms: list[Index]) -> Array:
    """Best speed (R, N) made no faster at each corner's slowest point than the driver was about there.

    Parameters
    ----------
    surface : Surface
        With the grip that ``best`` was worked out for, each field (R, N).
    rooms : list of (M,) index arrays
        Where each corner's lowest speed is looked for.
    """
    cap = best.copy()
    lap = np.arange(best.shape[0])
    for k, room in enumerate(rooms):
        slowest = rows.v[:, room].min(axis=1)
        at = low.index[:, k]
        cap[lap, at] = np.where(low.real[:, k], np.minimum(cap[lap, at], slowest), cap[lap, at])
    kart = kart_numbers(sheet.kart)
    limit = np.concatenate([cap, best]).T ** 2
    ground = Surface(*(_twice(np.asarray(values)) for values in surface))
    h = _twice(np.diff(path_length(sheet, rows), axis=1))
    road = Road(h, np.ascontiguousarray(limit), nodes_on(kart, _twice(rows.kappa), ground))
    z = run_passes(kart, road, closed=False, first=limit[0]).z.T
    count = best.shape[0]
    # Both on the same coarse steps: their ratio is what the low points cost, free of the steps' own error.
    return np.asarray(best * np.sqrt(np.minimum(z[:count] / z[count:], 1.0)))


def _twice(values: Array) -> Array:
    """The same columns twice."""
    return np.ascontiguousarray(np.concatenate([values, values]).T)


def lowest_points(best: Array, rooms: list[Index]) -> Low:
    """Each corner's slowest point at best, in its room, and whether the corner is slowed for."""
    rows = np.arange(best.shape[0])
    index = np.empty((best.shape[0], len(rooms)), dtype=np.intp)
    real = np.empty(index.shape, dtype=bool)
    for k, room in enumerate(rooms):
        part = best[:, room]
        at = part.argmin(axis=1)
        index[:, k] = room[at]
        # Falls before and rises after, within the room: a minimum, not the slope of a neighbour's.
        before = np.maximum.accumulate(part, axis=1)[rows, at]
        real[:, k] = (before - part[rows, at] > LEAST_DIP) & (at < room.size - 1)
    return Low(index=index, real=real)
