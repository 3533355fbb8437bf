"""Each corner's stretch of the lap by the track alone, so that times in it compare between karts, grips and lines."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

from linelab.comparison.timed import timed_track
from linelab.track import Track, lap_ends


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
