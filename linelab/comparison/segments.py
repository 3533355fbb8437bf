"""The lap divided into corner phases, and the time spent in each: pieces cover the lap and add up to it exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.comparison.marks import CornerMarks
from linelab.units import Array

Phase = Literal["braking", "entry", "exit", "straight"]
PHASES: tuple[Phase, ...] = ("braking", "entry", "exit", "straight")


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """A stretch of the lap that belongs to one phase of one corner.

    ``corner`` is the corner's number; 0 before the first corner of an open track, and on a track without corners.
    A phase that runs across the start line is two segments.
    """

    corner: int
    phase: Phase
    s_start: float
    s_end: float


def segments_of(marks: Sequence[CornerMarks], begin: float, end: float, *, closed: bool) -> tuple[Segment, ...]:
    """Divide the lap from ``begin`` to ``end`` [m] by the corners' marks.

    The straight after a corner belongs to that corner, since its speed is made there.
    """
    if not marks:
        return (Segment(corner=0, phase="straight", s_start=begin, s_end=end),)
    length = end - begin
    cuts: list[tuple[float, int, Phase]] = [] if closed else [(begin, 0, "straight")]
    for mark in marks:
        number = mark.corner.number
        cuts += [(_begin(mark), number, "braking"), (mark.turn_in, number, "entry")]
        cuts += [(mark.apex, number, "exit"), (mark.track_out, number, "straight")]
    last = _begin(marks[0]) + length if closed else end
    stations = [max(cut[0], cuts[0][0]) for cut in cuts] + [last]
    stations = list(np.minimum(np.maximum.accumulate(stations), last))
    found: list[Segment] = []
    for (_, number, phase), a, b in zip(cuts, stations, stations[1:]):
        for low in (begin - length, begin, begin + length) if closed else (begin,):
            start, stop = max(a, low), min(b, low + length)
            if stop > start:
                found.append(Segment(corner=number, phase=phase, s_start=start - low + begin, s_end=stop - low + begin))
    found.sort(key=lambda segment: segment.s_start)
    return _joined(found, begin, end)


def _begin(mark: CornerMarks) -> float:
    """Where a corner begins: where it is first slowed for, or its turn-in where that is inside the corner [m]."""
    return min(mark.slows_from, mark.turn_in)


def _joined(found: list[Segment], begin: float, end: float) -> tuple[Segment, ...]:
    """The same segments with each end exactly the next one's start, so that times add up without a remainder."""
    edges = [begin, *(segment.s_start for segment in found[1:]), end]
    return tuple(
        Segment(corner=segment.corner, phase=segment.phase, s_start=a, s_end=b)
        for segment, a, b in zip(found, edges, edges[1:])
    )


def time_at(s: Array, t: Array, stations: Array) -> Array:
    """Times at stations by cubic Hermite interpolation that keeps time increasing.

    Slopes are three-point estimates, limited to three times the smaller neighbouring secant (Fritsch & Carlson, SIAM J.
    Numer. Anal. 17:238, 1980, from memory).

    Parameters
    ----------
    s, t : (N,) array
        Increasing stations [m] and times [s].
    stations : (M,) array
        Within ``s`` [m].
    """
    secant = np.diff(t) / np.diff(s)
    slope = np.gradient(t, s, edge_order=2) if s.size > 2 else np.full(s.size, secant[0])
    least = np.minimum(np.append(secant, secant[-1]), np.insert(secant, 0, secant[0]))
    slope = np.clip(slope, 0.0, 3.0 * least)
    i = np.clip(np.searchsorted(s, stations, side="right") - 1, 0, s.size - 2)
    h = s[i + 1] - s[i]
    u = np.clip((stations - s[i]) / h, 0.0, 1.0)
    w = 1.0 - u
    # Written about the nearer form of t0 + ..., so that u = 0 and u = 1 give the nodes' times exactly.
    return np.asarray(
        t[i] * (w * w * (1.0 + 2.0 * u))
        + t[i + 1] * (u * u * (3.0 - 2.0 * u))
        + h * u * w * (slope[i] * w - slope[i + 1] * u)
    )
