"""What of a track and of a lap is timed: on an open track from its start line to its finish line, which need not be its
ends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linelab.arrays import Table
from linelab.model.lap import Lap, mapped_line
from linelab.model.track import Track, lap_ends
from linelab.units import Array

#: A line this close to an end of the lap is that end [m].
SAME_PLACE = 1.0e-6
#: Corners with their apex this close to a timing line, or beyond it, are not reviewed: there is no room for marks [m].
LEAST_ROOM = 5.0


def timed_lap(track: Track, lap: Lap) -> Lap:
    """A lap from the track's start line to its finish line.

    Parameters
    ----------
    track : Track
    lap : Lap
        (N,) nodes, stations increasing.

    Returns
    -------
    Lap
        The same one on a circuit, and where it does not reach beyond both lines; else with a node at each line (where
        it reaches beyond that), time from the first.
    """
    begin, end = lap_ends(track)
    s = lap.line.s
    if track.closed or (begin <= s[0] + SAME_PLACE and end >= s[-1] - SAME_PLACE) or (np.diff(s) <= 0.0).any():
        return lap
    first, last = max(begin, float(s[0])), min(end, float(s[-1]))
    nodes = np.concatenate([[first], s[(s > first + SAME_PLACE) & (s < last - SAME_PLACE)], [last]])
    nearest = np.abs(s[:, None] - nodes[[0, -1]]).argmin(axis=0)
    kept = np.concatenate([nearest[:1], np.searchsorted(s, nodes[1:-1]), nearest[1:]])

    def cut(values: Array) -> Array:
        return np.asarray(np.interp(nodes, s, values))

    line = mapped_line(lap.line, cut, closed=False)
    clock = time_at(s, lap.t, nodes)
    return replace(
        lap,
        line=replace(line, distance=line.distance - line.distance[0]),
        t=clock - clock[0],
        v=np.sqrt(cut(lap.v**2)),
        ax=cut(lap.ax),
        limited_by=lap.limited_by[kept],
    )


def timed_track(track: Track) -> Track:
    """The track with those of its corners that lie between the timing lines, numbered as they were."""
    if track.closed:
        return track
    begin, end = lap_ends(track)
    corners = Table(c for c in track.corners if begin + LEAST_ROOM <= c.s_apex <= end - LEAST_ROOM)
    return track if len(corners) == len(track.corners) else replace(track, corners=corners)


def timing_words(track: Track) -> str:
    """Where the clock runs on an open track whose timing lines are not its ends; empty on all others."""
    begin, end = lap_ends(track)
    if track.closed or (begin <= SAME_PLACE and end >= track.length - SAME_PLACE):
        return ""
    return f"from the start line at station {begin:.0f} m to the finish line at {end:.0f} m"


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
