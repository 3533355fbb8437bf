"""What a driven line costs at best: the lap without habits on it, less the same on the reference line.

Both are driven by the one driver model, with all of the grip and feet that take no time, so what the model's nodes are
off by cancels.  What the driver does with the pedals is no part of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.comparison.driving import PLAIN, SIZE, Model, drive_laps, interval_times
from linelab.comparison.estimate import DrivenLap
from linelab.comparison.own_line import OwnLine, course_on, lap_offsets
from linelab.grip import kart_numbers
from linelab.units import Array

#: Lines drawn again for a session, least number, and of one lap at most: noise is the receiver's, so all serve all.
_DRAWN, _OF_ONE = 16, 8
#: Distance of nodes [m]: the tightest point of a hairpin is a few metres long.
NODES = 0.5


class LineCost(NamedTuple):
    """What one lap's line costs by segment (M,) [s]; K departures of it (K, M), as noise draws the line again [s]."""

    line: Array
    draws: Array
    s: Array  #: stations (N,) of the best possible speed [m]
    v: Array  #: and that speed (N,) [m/s]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineCosts:
    """What the lines of laps cost.

    Parameters
    ----------
    s : (N,) array
        Stations from the start to the finish [m].
    behind : (L, N) array
        Time since the start at best on each lap's line, behind the same on the reference line [s].
    drawn : (K, N) array
        Departures of such a time when noise draws the line again [s].
    v : (L, N) array
        Speeds at best on each lap's line [m/s].
    lap_times : (L,) array
        Lap times at best [s].
    """

    s: Array
    behind: Array
    drawn: Array
    v: Array
    lap_times: Array

    def of(self, lap: int, edges: Array) -> LineCost:
        """One lap's cost between successive stations (M + 1,) [m]."""
        return LineCost(self._between(self.behind, edges)[lap], self._between(self.drawn, edges), self.s, self.v[lap])

    def _between(self, clock: Array, edges: Array) -> Array:
        """What clocks (R, N) add between stations (R, M)."""
        read = np.array([np.interp(edges, self.s, row) for row in clock]).reshape(-1, edges.size)
        return np.asarray(np.diff(read, axis=1))


def line_costs(own: OwnLine, laps: Sequence[DrivenLap], *, grip: float = 1.0, entry: float = 100.0) -> LineCosts:
    """What the lines of laps cost against the reference line.

    Parameters
    ----------
    own : OwnLine
        Of the session that the laps belong to.
    laps : sequence of DrivenLap
    grip : float
        Factor on mu that the reference lap was solved for [-].
    entry : float
        Speed at the start of an open line at most [m/s].
    """
    track, kart = own.track, own.kart
    each = min(_OF_ONE, math.ceil(_DRAWN / len(laps)))
    lines, drawn = lap_offsets(own, laps, each)
    offsets = (own.reference, *lines, *drawn.reshape(-1, own.s.size))
    courses = [course_on(own, n, grip=grip, step=NODES) for n in offsets]
    model = Model(kart=kart_numbers(kart), engine_braking=kart.engine_braking)
    count, none = len(courses), np.zeros(0, dtype=np.intp)
    v = drive_laps(model, courses, none, np.zeros((count, 0, SIZE)), np.repeat(PLAIN[None], count, axis=0), entry=entry)
    h = np.array([course.h for course in courses]).T
    steps = interval_times(h, v, closed=track.closed)
    clock = np.concatenate([np.zeros((1, count)), np.cumsum(steps, axis=0)]).T
    s = courses[0].s
    if track.closed:
        s, v = np.append(s, s[0] + track.length), np.concatenate([v, v[:1]])
    behind = clock[1:] - clock[0]
    own_lines = behind[: len(laps)]
    again = behind[len(laps) :].reshape(len(laps), -1, s.size) - own_lines[:, None]
    return LineCosts(
        s=s, behind=own_lines, drawn=again.reshape(-1, s.size), v=v.T[1 : 1 + len(laps)],
        lap_times=clock[1 : 1 + len(laps), -1],
    )  # fmt: skip
