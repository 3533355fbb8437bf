"""Cautious brake points: where to begin to slow on the computed line with less than the computed lap's grip.

Two laps on the same line at CAUTION of its grip are read.  One is driven all round at that grip: it says how the
corner is slowed for, and from where.  But it leaves the corner before more slowly, arrives more slowly, so it may brake
no earlier.  The other has an engine that never limits it: where that lap brakes for the corner, its speed is the most
from which the kart still gets slow enough.  Where the computed lap's speed meets it, a kart that arrives as fast as the
computed lap has to brake.  The earlier of the two places is the cautious one.  In corners that follow each other
so closely that the grip is used all the way the speeds do not meet: only arriving more slowly helps there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from linelab.diagnosis.marks import find_marks
from linelab.model.kart import POWER_BOUNDS, Kart, PowerEngine
from linelab.model.lap import Lap, Limit
from linelab.model.track import Track
from linelab.output.sheet.how_driven import Driving, Way, driving, feet
from linelab.speed.profile import speed_profiles

#: Share of the computed lap's grip that the cautious brake points are for [-].
CAUTION = 0.9
#: An engine that never limits a kart: the strongest that a kart file may have [W].
STRONGEST = POWER_BOUNDS["power"].high


@dataclass(frozen=True, kw_only=True, slots=True)
class CautiousMark:
    """Where to begin to slow for a corner at CAUTION of the grip.

    ``name`` is "brake" or "lift"; ``along`` the station, unwrapped about the corner [m]; ``place`` (x, y) on the ground
    [m] and ``heading`` the line's there [rad].  ``as_fast`` is whether the kart may arrive as fast as the computed lap;
    ``speed`` is that lap's there, or the lap's with less grip [m/s].
    """

    name: Literal["brake", "lift"]
    along: float
    place: tuple[float, float]
    heading: float
    speed: float
    as_fast: bool


def cautious_marks(track: Track, lap: Lap, kart: Kart) -> dict[int, CautiousMark]:
    """Cautious marks by corner number, of the corners that are slowed for at CAUTION of the lap's grip.

    Parameters
    ----------
    track : Track
    lap : Lap
        Computed, on the track.
    kart : Kart
    """
    line = replace(lap.line, grip=CAUTION * lap.line.grip)
    begin = None if line.closed else float(lap.v[0])
    careful = speed_profiles([line], kart, v_start=begin)[0]
    able = speed_profiles([line], replace(kart, engine=PowerEngine(power=STRONGEST)), v_start=begin)[0]
    way, slow = Way(track=track, lap=lap), Way(track=track, lap=careful)
    found, seen = find_marks(track, careful, kart), feet(slow, kart)
    marks = {}
    for k, own in enumerate(found):
        how = driving(seen, own, found[k - 1] if k > 0 or track.closed else None)
        if how.mark is None:
            continue
        met = _met(way, able, how)
        along = how.begins if met is None else min(met, how.begins)
        marks[own.corner.number] = CautiousMark(
            name=how.mark,
            along=along,
            place=(way.value(line.x, along), way.value(line.y, along)),
            heading=way.value(line.psi, along),
            speed=slow.value(careful.v, along) if met is None else way.value(lap.v, along),
            as_fast=met is not None,
        )
    return marks


def _met(way: Way, able: Lap, how: Driving) -> float | None:
    """Where the computed lap's speed meets that from which the kart can still slow for the corner, or None [m].

    Followed backwards from where the careful lap begins to slow, as long as braking is what limits.
    """
    line = able.line
    first = how.begins - 0.5 * line.length if way.track.closed else float(line.s[0])
    back = np.arange(how.begins, first, -0.5)
    local = np.mod(back, way.track.length) if way.track.closed else back
    spare = np.interp(local, line.s, able.v) - np.interp(local, line.s, way.lap.v)
    node = np.clip(np.searchsorted(line.s, local, side="right") - 1, 0, line.s.size - 1)
    brakes = able.limited_by[node] == Limit.BRAKING
    meets = np.flatnonzero(spare >= 0.0)
    if not meets.size or not brakes[1 : meets[0]].all():
        return None
    return float(back[meets[0]])
