"""A faultless lap as a good driver's hands and feet would drive it, and how it comes out of the driver's receiver."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from linelab.coaching.grid import Sheet, session_sheet
from linelab.coaching.profiles import LEAST_DIP, able_speed, interval_clock
from linelab.comparison.estimate import without_uncertainty
from linelab.comparison.seen import as_seen
from linelab.lap import Lap, Line
from linelab.solve.lines import line_on_track
from linelab.solve.speed import speed_profiles
from linelab.units import Array

#: Receptions of a faultless lap, for what the estimate does and what noise is worth.
RECEPTIONS = 5
#: Way over which hands and a kart's front wheels round a line's offsets: standard deviation of a Gaussian, about a
#: wheelbase and a half; and the spacing it is worked out on [m].
HAND_WAY, _HAND_STEP = 1.5, 0.5
#: Time in which a sound driver presses the power in [s]; common practice: squeezed, not stamped on.
TAKE_UP = 0.15


def ideal_lap(sheet: Sheet, reference: Lap, factor: float) -> Lap:
    """The reference line driven without a fault at a share of its grip, by hands and feet that take their time."""
    line = _by_hand(sheet, reference)
    line = replace(line, grip=line.grip * factor)
    lap = speed_profiles([line], sheet.kart, label="faultless")[0]
    v = _squeezed(line.distance, able_speed(line.distance[None], lap.v[None])[0])
    return replace(lap, v=v, t=interval_clock(line.distance, v), ax=np.gradient(0.5 * v**2, line.distance))


def receptions_of(sheet: Sheet, ideal: Lap) -> Sheet:
    """Noisy receptions of the faultless lap on the same stations; the lap itself where the driven laps are exact."""
    exact = not np.isfinite(sheet.driven[0].rate)
    seen = as_seen(sheet.track, ideal, sheet.driven[0], times=1 if exact else RECEPTIONS, noise=True)
    laps = [without_uncertainty(lap) for lap in seen]
    return session_sheet(sheet.track, sheet.kart, laps, grip=sheet.grip, stations=sheet.s)


def _squeezed(distance: Array, v: Array) -> Array:
    """Speeds (N,) of a foot that presses the power in over TAKE_UP after each slowest point, instead of at once.

    Of the gain in v² over the way of that time half is lost, and missing until the kart slows for the next corner.
    """
    turns = np.flatnonzero(np.diff(np.sign(np.diff(v)))) + 1
    found, ends = v.copy(), [*turns.tolist(), v.size - 1]
    for start, end in pairwise(ends):
        if v[end] - v[start] < LEAST_DIP:
            continue
        way = distance[start:end] - distance[start]
        length = TAKE_UP * v[start]
        gain = np.gradient(v[start:end] ** 2, way) if way.size > 2 else np.zeros_like(way)
        lost = np.concatenate([[0.0], np.cumsum((gain * np.maximum(1.0 - way / length, 0.0))[:-1] * np.diff(way))])
        reached = np.sqrt(np.maximum(v[start:end] ** 2 - lost, 1.0))
        found[start:end] = np.minimum(found[start:end], reached)
        found[end:] = np.where(np.arange(end, v.size) < end + _until(v[end:], reached[-1]), reached[-1], found[end:])
    return np.minimum(found, v)


def _until(v: Array, level: float) -> int:
    """How many values it takes to fall to a level."""
    below = np.flatnonzero(v <= level)
    return int(below[0]) if below.size else 0


def _by_hand(sheet: Sheet, reference: Lap) -> Line:
    """The reference line as hands can steer it: its offsets averaged over HAND_WAY."""
    from scipy.ndimage import gaussian_filter1d

    track, own = sheet.track, reference.line
    s = np.linspace(own.s[0], own.s[-1], max(round((own.s[-1] - own.s[0]) / _HAND_STEP), 8) + 1)
    n = np.interp(s, own.s, own.n)
    width = HAND_WAY / float(s[1] - s[0])
    if track.closed:
        n = gaussian_filter1d(n[:-1], width, mode="wrap")
        n = np.append(n, n[0])
    else:
        n = gaussian_filter1d(n, width, mode="nearest")
    line = line_on_track(track, s, n, half_width=0.5 * sheet.kart.width, grip=sheet.grip)
    return replace(line, closed=own.closed)
