"""Each corner's stretch of the lap by the track alone, so that times in it compare between karts, grips and lines."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

from linelab.track import Track, lap_ends


class Stretch(NamedTuple):
    """A corner's stretch: stations [m]; on a closed track one over the start line has ``s_end < s_start``."""

    corner: int  #: the corner's number
    s_start: float
    s_end: float


def corner_stretches(track: Track) -> tuple[Stretch, ...]:
    """Stretches of all corners in driving order, meeting half-way from the end of a corner to the start of the next.

    Together they are the timed lap: on an open track the first begins at its start and the last ends at its finish.  A
    closed track with one corner has one stretch from half-way round to there again.
    """
    corners = sorted(track.corners, key=lambda corner: corner.s_apex)
    if not corners:
        return ()
    cuts = [_half_way(track, one.s_end, other.s_start) for one, other in pairwise(corners)]
    begin, end = lap_ends(track)
    if track.closed:
        home = _half_way(track, corners[-1].s_end, corners[0].s_start)
        edges = [home, *cuts, home]
    else:
        edges = [begin, *(min(max(cut, begin), end) for cut in cuts), end]
    return tuple(
        Stretch(corner=corner.number, s_start=start, s_end=stop)
        for corner, (start, stop) in zip(corners, pairwise(edges))
    )


def _half_way(track: Track, end: float, start: float) -> float:
    """The station half-way from the end of a corner to the start of the next, which may overlap a little [m]."""
    if not track.closed:
        return 0.5 * (end + start)
    ahead = (start - end) % track.length
    ahead -= track.length * (ahead > 0.9 * track.length)  # an overlap, not a lap
    return (end + 0.5 * ahead) % track.length
