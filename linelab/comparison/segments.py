"""The lap divided into corner phases, and the time spent in each: pieces cover the lap and add up to it exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.comparison.corner_stretches import corner_stretches
from linelab.comparison.marks import CornerMarks
from linelab.track import Track, lap_ends

Phase = Literal["braking", "entry", "exit", "straight"]
PHASES: tuple[Phase, ...] = ("braking", "entry", "exit", "straight")


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """A stretch of the lap that belongs to one phase of one corner.

    ``corner`` is the corner's number, 0 on a track without corners; "braking" is all of the way up to the turn-in.
    A phase that runs across the start line is two segments.
    """

    corner: int
    phase: Phase
    s_start: float
    s_end: float


def segments_of(track: Track, marks: Sequence[CornerMarks]) -> tuple[Segment, ...]:
    """Divide the timed lap: corners by the track alone, a corner's phases by its marks on the reference lap.

    A corner's stretch is that of :func:`~linelab.comparison.corner_stretches.corner_stretches`: the same for all laps,
    karts and targets.  What a corner before or after it has caused there is the driver model's to say.
    """
    begin, end = lap_ends(track)
    if not marks:
        return (Segment(corner=0, phase="straight", s_start=begin, s_end=end),)
    length = end - begin
    stretches = {stretch.corner: stretch for stretch in corner_stretches(track)}
    found: list[Segment] = []
    for mark in marks:
        stretch = stretches[mark.corner.number]
        start, stop = stretch.s_start, stretch.s_end
        if track.closed:  # unwrapped about the apex, as the marks are
            start += length * math.floor((mark.apex - start) / length)
            stop += length * math.ceil((start - stop) / length + 1e-12)
        ends = np.clip(np.maximum.accumulate([mark.turn_in, mark.apex, mark.track_out]), start, stop)
        for phase, a, b in zip(PHASES, [start, *ends.tolist()], [*ends.tolist(), stop]):
            for low in (begin - length, begin, begin + length) if track.closed else (begin,):
                first, last = max(a, low), min(b, low + length)
                if last > first:
                    at = (first - low + begin, last - low + begin)
                    found.append(Segment(corner=mark.corner.number, phase=phase, s_start=at[0], s_end=at[1]))
    found.sort(key=lambda segment: segment.s_start)
    return _joined(found, begin, end)


def _joined(found: list[Segment], begin: float, end: float) -> tuple[Segment, ...]:
    """The same segments with each end exactly the next one's start, so that times add up without a remainder."""
    edges = [begin, *(segment.s_start for segment in found[1:]), end]
    return tuple(
        Segment(corner=segment.corner, phase=segment.phase, s_start=a, s_end=b)
        for segment, a, b in zip(found, edges, edges[1:])
    )
