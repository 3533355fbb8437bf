"""Crossings of a line: when, where across it, and which of them count as passing it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linelab.comparison.samples import Samples
from linelab.comparison.start_line import StartLine
from linelab.errors import RecordingError
from linelab.units import Array

#: A position this far beyond an end of the line still counts: a consumer receiver is off by a metre or two [m].
MARGIN = 4.0
#: A line farther than this from the whole recording is of another place, or its coordinates are swapped [m].
ELSEWHERE = 5000.0
#: The kart must get this far from the line before it can cross it again [m].
CLEAR = 12.0
#: Longest gap between samples that a lap may hold, and over which a crossing may be interpolated [s].
LONGEST_GAP = 2.0

#: What to do about a track that is driven the other way round.
TURN_ROUND = "Turn the track round: add --reverse, or leave it out where it is given (in Python: reversed_track)"
_STATE = "State the line: --start-line with its left and right end (in Python: start_line)"
#: What to do about a line that is crossed the wrong way, and about one that is missed, by the line's origin.
_AGAINST = {"track": TURN_ROUND, "given": "Swap the two ends of the start line", "proposed": _STATE}
_MISSED = {
    "track": "Check that this track was driven, and where its file has the start line",
    "given": "Move or widen the start line",
    "proposed": _STATE,
}


@dataclass(frozen=True, slots=True)
class Crossing:
    """One crossing of a line: when [s], where across it (positive left of its middle) [m], how fast [m/s].

    ``share`` is the share of the sample step that lies before it, ``reach`` half the line's length [m].
    """

    t: float
    across: float
    speed: float
    forward: bool
    index: int  #: sample before the crossing
    share: float
    reach: float


def find_crossings(samples: Samples, line: StartLine, *, longest_gap: float = LONGEST_GAP) -> list[Crossing]:
    """Every crossing of the line stretched by MARGIN at both ends, forwards and backwards, in order of time."""
    ahead, across = line_axes(samples, line)
    before, after = ahead[:-1], ahead[1:]
    turn = np.flatnonzero((before < 0.0) != (after < 0.0))
    turn = turn[np.diff(samples.t)[turn] <= longest_gap]
    found = []
    for i in map(int, turn):
        share = _share_before(-ahead[i] / (ahead[i + 1] - ahead[i]), samples.speed[i], samples.speed[i + 1])
        offset = float(across[i] + share * (across[i + 1] - across[i]))
        if abs(offset) <= 0.5 * line.width + MARGIN:
            step = float(samples.t[i + 1] - samples.t[i])
            speed = math.hypot(samples.x[i + 1] - samples.x[i], samples.y[i + 1] - samples.y[i]) / step
            forward = bool(ahead[i + 1] > ahead[i])
            found.append(
                Crossing(float(samples.t[i]) + share * step, offset, speed, forward, i, share, 0.5 * line.width)
            )
    return found


def line_axes(samples: Samples, line: StartLine) -> tuple[Array, Array]:
    """Distance past the line and offset along it from its middle, of every sample [m]."""
    dx, dy = samples.x - line.centre[0], samples.y - line.centre[1]
    heading, across = line.heading, line.across
    return dx * heading[0] + dy * heading[1], dx * across[0] + dy * across[1]


def _share_before(distance_share: float, speed0: float, speed1: float) -> float:
    """Share of the time step at which a share of its distance is covered, under even acceleration.

    Solves ``u·v0 + u²·(v1 - v0)/2 = share·(v0 + v1)/2``.  Without usable speeds: linear.
    """
    if not (math.isfinite(speed0) and math.isfinite(speed1)) or speed0 + speed1 < 2.0:
        return distance_share
    target = distance_share * 0.5 * (speed0 + speed1)
    change = speed1 - speed0
    return 2.0 * target / (speed0 + math.sqrt(max(speed0 * speed0 + 2.0 * change * target, 0.0)))


def passages(samples: Samples, line: StartLine, length: float | None, longest_gap: float) -> list[Crossing]:
    """The passages over the line in the driving direction: crossings without getting clear of it count as one."""
    crossings = find_crossings(samples, line, longest_gap=longest_gap)
    if not crossings:
        raise _missed(samples, line)
    clear = np.hypot(samples.x - line.centre[0], samples.y - line.centre[1]) > 0.5 * line.width + CLEAR
    cleared = np.cumsum(clear)
    groups: list[list[Crossing]] = []
    for crossing in crossings:
        near = bool(groups) and cleared[crossing.index] == cleared[groups[-1][-1].index]
        if near:
            groups[-1].append(crossing)
        else:
            groups.append([crossing])
    net = [sum(1 if crossing.forward else -1 for crossing in group) for group in groups]
    passes = [[c for c in group if c.forward][-1] for group, sign in zip(groups, net) if sign > 0]
    if not passes and any(sign < 0 for sign in net):
        raise RecordingError(
            f"the start line is crossed {sum(sign < 0 for sign in net)} times, always against its direction",
            where=samples.source,
            remedy=_AGAINST[line.origin],
        )
    if not passes:
        raise _missed(samples, line)
    return passes if length is None else _drop_neighbours(samples, passes, length)


def _drop_neighbours(samples: Samples, passes: list[Crossing], length: float) -> list[Crossing]:
    """Leave out passages of a neighbouring stretch: of two within half a lap, the one farther off the middle."""
    distance = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(samples.x), np.diff(samples.y)))])
    kept: list[Crossing] = []
    for crossing in passes:
        if kept and distance[crossing.index] - distance[kept[-1].index] < 0.5 * length:
            if abs(crossing.across) < abs(kept[-1].across):
                kept[-1] = crossing
            continue
        kept.append(crossing)
    return kept


def _missed(samples: Samples, line: StartLine) -> RecordingError:
    """The error for a recording that never crosses the line."""
    ahead, across = line_axes(samples, line)
    turn = np.flatnonzero((ahead[:-1] < 0.0) != (ahead[1:] < 0.0))
    beside = np.abs(0.5 * (across[turn] + across[turn + 1])) - 0.5 * line.width
    remedy = _MISSED[line.origin]
    if turn.size and beside.min() < 500.0:
        what = f"start line missed: the recording passes {max(beside.min(), 0.0):.1f} m from its end"
    else:
        nearest = np.hypot(samples.x - line.centre[0], samples.y - line.centre[1]).min()
        what = f"start line missed: the recording comes no nearer than {nearest:.0f} m"
        if nearest > ELSEWHERE and line.origin == "given":
            remedy = "Check both ends of the line: longitude before latitude, or x before y in metres, at this place"
    return RecordingError(what, where=samples.source, remedy=remedy)
