"""What the review pictures need to know about laps: times at common stations, pedal zones, time lost along the way."""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.driven_marks import pedals
from linelab.coaching.side_by_side import full_power
from linelab.diagnosis.marks import beyond_rolling
from linelab.model.engine import best_gear
from linelab.model.kart import Kart, TorqueEngine
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


class UpShift(NamedTuple):
    """Where the next gear begins to pull harder on a lap: station [m], speed [m/s] and that gear."""

    station: float
    speed: float
    gear: int


def gears(lap: Lap, kart: Kart) -> NDArray[np.intp] | None:
    """The gear that pulls hardest at each node (N,); None for a kart with one ratio or none known.

    As the lap is computed: no time is lost for a shift, so there may be more of them than a driver would make.
    """
    engine = kart.engine
    if isinstance(engine, TorqueEngine) and len(engine.ratios) > 1:
        return best_gear(engine, lap.v)
    return None


def gear_at(track: Track, lap: Lap, chosen: NDArray[np.intp], station: float) -> int:
    """The gear at a station, of those of the lap's nodes (N,): that of the node before it."""
    local = station % track.length if track.closed else station
    return int(chosen[np.clip(np.searchsorted(lap.line.s, local, side="right") - 1, 0, chosen.size - 1)])


def up_shifts(lap: Lap, kart: Kart) -> tuple[UpShift, ...]:
    """Where to shift up on a lap, in order: where a higher gear begins to pull harder and the kart is driven."""
    chosen = gears(lap, kart)
    if chosen is None:
        return ()
    up = np.flatnonzero((np.diff(chosen) > 0) & (pedal_codes(lap, kart)[1:] == Pedal.DRIVE)) + 1
    return tuple(UpShift(float(lap.line.s[k]), float(lap.v[k]), int(chosen[k])) for k in up)


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
