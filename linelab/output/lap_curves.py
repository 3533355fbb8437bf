"""What the review pictures need to know about laps: times at common stations, pedal zones, time lost along the way."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.driven_marks import pedals
from linelab.coaching.side_by_side import full_power
from linelab.diagnosis.marks import beyond_rolling
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.output.display import Units
from linelab.units import Array


class Pedal(IntEnum):
    """What the driver's feet do."""

    BRAKE = 0
    COAST = 1
    DRIVE = 2


def pedal_codes(lap: Lap, kart: Kart) -> NDArray[np.int8]:
    """Pedal in use at each node (N,) of a computed lap, by the rule that driven laps are read by."""
    driven, braked = pedals(beyond_rolling(lap, kart)[None], full_power(kart, lap.v)[None])
    return np.select([braked[0], driven[0]], [Pedal.BRAKE, Pedal.DRIVE], Pedal.COAST).astype(np.int8)


def station_title(track: Track, units: Units) -> str:
    """What the axis along a lap shows: stations, which count from the track's own zero, mostly its start line."""
    where = "round the lap" if track.closed else "along the road"
    return f"distance {where} [{units.length_unit}]"


class Gap(NamedTuple):
    """Time lost to the computed lap along the lap; arrays (M,)."""

    s: Array  #: station [m]
    total: Array  #: time behind the computed lap since the start line [s]
    rate: Array  #: time lost per metre, smoothed [s/m]


def time_gap(reference: Lap, driven: Lap, *, step: float = 1.0, smoothing: float = 12.0) -> Gap:
    """Time lost along the lap, at even stations that both laps cover.

    Parameters
    ----------
    step : float
        Spacing of the stations [m].
    smoothing : float
        Length over which the rate is averaged [m].
    """
    first = max(float(reference.line.s[0]), float(driven.line.s[0]))
    last = min(float(reference.line.s[-1]), float(driven.line.s[-1]))
    s = np.linspace(first, last, max(round((last - first) / step) + 1, 3))
    total = np.interp(s, driven.line.s, driven.t) - np.interp(s, reference.line.s, reference.t)
    total = total - total[0]
    half = 0.5 * smoothing
    ahead, behind = np.minimum(s + half, last), np.maximum(s - half, first)
    rate = (np.interp(ahead, s, total) - np.interp(behind, s, total)) / (ahead - behind)
    return Gap(s, total, rate)


def runs(codes: NDArray[np.int8]) -> list[tuple[int, int, int]]:
    """Stretches of equal code as (code, first index, last index)."""
    edges = np.flatnonzero(np.diff(codes)) + 1
    starts, stops = np.r_[0, edges], np.r_[edges, codes.size]
    return [(int(codes[a]), int(a), int(b) - 1) for a, b in zip(starts, stops)]


def pieces(x: Array, y: Array) -> list[Array]:
    """A polyline (N,) as its N - 1 straight pieces (2, 2), for drawing each in its own colour."""
    points = np.column_stack([x, y])
    return list(np.stack([points[:-1], points[1:]], axis=1))


def called(reference: Lap) -> str:
    """What a lap that another is compared with is called: "the computed lap", or "your own best lap (lap 3)"."""
    return "the computed lap" if reference.label in ("", "computed lap") else reference.label
