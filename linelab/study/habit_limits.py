"""Why a habit cannot be larger, or is none at a corner, in words for a coach."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from linelab.diagnosis.marks import CornerMarks
from linelab.model.lap import FULL_POWER, Lap, mapped_line
from linelab.speed.profile import speed_profiles
from linelab.study.held_line import Base, local
from linelab.units import KMH

#: Halvings by which the largest size is found that there is room for: to a thousandth of what was asked.
HALVINGS = 10


def no_room(size: float, fits: Callable[[float], bool]) -> str:
    """Why the line cannot be held away by ``size`` [m], from whether the road has room for other sizes."""
    low, high = 0.0, size
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    if f"{low:.1f}" == "0.0":
        return "the road has no room: the computed line already runs along the edge there"
    return f"the road has room for only {low:.1f} m beside the computed line there"


def too_fast(base: Base, mark: CornerMarks, size: float) -> str:
    """Why the kart cannot arrive faster by ``size`` [m/s]: the engine, or the corner."""
    at = local(base.track, mark.turn_in)
    most = fastest_arrival(base, at)
    if most < base.speed(at) + size:
        return f"the kart cannot be faster there: at full power it arrives at {most / KMH:.1f} km/h"
    return "the kart finds no way round on the road when it arrives faster"


def fastest_arrival(base: Base, at: float) -> float:
    """Speed at a station on the computed line, if nothing had to be slowed for from there on [m/s]."""
    lap = base.solution.lap
    line, last = lap.line, int(np.searchsorted(lap.line.s, at))
    nodes = np.arange(last + 1)
    if line.closed:  # from half a lap before
        nodes = np.mod(np.arange(last - line.s.size // 2, last + 1), line.s.size - 1)
    way = np.append(0.0, np.cumsum(np.diff(line.distance)[nodes[:-1]]))
    open_line = mapped_line(line, lambda values: way if values is line.distance or values is line.s else values[nodes],
                            closed=False)  # fmt: skip
    return float(speed_profiles([open_line], base.task.kart, v_start=float(lap.v[nodes[0]]))[0].v[-1])


def no_slowest_point(lap: Lap, mark: CornerMarks) -> str:
    """Why feet have nothing to do in a corner: the kart does not slow for it."""
    s, line = np.linspace(mark.turn_in, mark.track_out, 50), lap.line
    period = float(line.s[-1] - line.s[0]) if line.closed else None
    v, full = (np.interp(s, line.s, each, period=period) for each in (lap.v, np.isin(lap.limited_by, FULL_POWER)))
    if full.all():
        return "the computed lap is at full power there"
    if (np.diff(v) >= 0.0).all():
        return "the computed lap only gets faster there"
    if (np.diff(v) <= 0.0).all():
        return "the computed lap slows all the way through, for a corner that follows"
    return "the computed lap has no clear slowest point of its own there"
