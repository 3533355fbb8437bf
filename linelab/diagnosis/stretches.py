"""The lap divided into corner phases, and the time spent in each: pieces cover the lap and add up to it exactly.

A corner's stretch is decided by the track alone, so that times in it are comparable between karts, grips and lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np

from linelab.diagnosis.marks import CornerMarks
from linelab.model.timed import timed_track
from linelab.model.track import Track, lap_ends


class Stretch(NamedTuple):
    """A corner's stretch: stations [m]; on a closed track one over the start line has ``s_end < s_start``."""

    corner: int  #: the corner's number
    s_start: float
    s_end: float


def corner_stretches(track: Track) -> tuple[Stretch, ...]:
    """Stretches of all corners in driving order, meeting half-way from the end of a corner to the start of the next.

    Together they are the timed lap: on an open track the first timed corner's begins at its start, the last one's ends
    at its finish, and corners outside have an empty one.  A closed track with one corner has one stretch from half-way
    round to there again.
    """
    begin, end = lap_ends(track)
    every = sorted(track.corners, key=lambda corner: corner.s_apex)
    timed = {corner.number for corner in timed_track(track).corners}
    corners = [corner for corner in every if corner.number in timed]
    cuts = [_half_way(track, one.s_end, other.s_start) for one, other in pairwise(corners)]
    if track.closed and corners:
        home = _half_way(track, corners[-1].s_end, corners[0].s_start)
        edges = [home, *cuts, home]
    else:
        edges = [begin, *(min(max(cut, begin), end) for cut in cuts), end]
    ends = {corner.number: pair for corner, pair in zip(corners, pairwise(edges))}
    outside = {corner.number: (begin, begin) if corner.s_apex < 0.5 * (begin + end) else (end, end) for corner in every}
    return tuple(Stretch(corner.number, *(outside | ends)[corner.number]) for corner in every)


def _half_way(track: Track, end: float, start: float) -> float:
    """The station half-way from the end of a corner to the start of the next, which may overlap a little [m]."""
    if not track.closed:
        return 0.5 * (end + start)
    ahead = (start - end) % track.length
    ahead -= track.length * (ahead > 0.9 * track.length)  # an overlap, not a lap
    return (end + 0.5 * ahead) % track.length


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
    """Divide the timed lap: corners by the track alone, a corner's phases by its marks on the computed lap.

    A corner's stretch is that of :func:`~linelab.diagnosis.stretches.corner_stretches`: the same for all laps,
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
