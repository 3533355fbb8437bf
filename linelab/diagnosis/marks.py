"""Marks of each corner on the computed lap: brake point, turn-in, apex, minimum speed, drive point, track-out.

Marks of the computed lap and of driven laps are read alike from the changes of speed.  What a kart does beyond rolling
down with both pedals up separates braking from a lift.

A corner has two apexes where the computed line comes to the inside edge, leaves it, and comes back.  How far it leaves
the edge differs without a gap from corner to corner and kart to kart, and every departure is worth some time to the
computed lap, or it would not be there.  So a driver decides, not a time: the departure counts where it is more than
two passes of one driver differ by when he means to drive the same line (LINE_SCATTER), at 95 %, and more than the
edges are known to.  Below that a driver who stays on the inside edge and one who leaves it as the computed lap does
cannot be told apart.  Where the edges come from laps there is no inside edge, and no second apex.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.measured import TO_95
from linelab.model.grip import Surface, roll_down
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Corner, Track, along
from linelab.units import Array

Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

#: Shares of a peak from which a braking and the power count as begun [-].
BRAKE_ONSET, POWER_ONSET = 0.5, 0.25
#: How long before a braking's onset its beginning is looked for, and how long after it its first peak [s].
ONSET_TIME = 0.6


def brake_onset(foot: Array, hardest: Index, reach: Array) -> Array:
    """Fractional index (R,) at which a braking begins whose hardest node is given (R,); NaN where it has no beginning.

    Half-way between the highest acceleration before and the lowest after its first rise: whatever rounds the step
    evenly, a receiver, an estimate or a foot, leaves that place where it is; a level counted from rest would move with
    the rounding.

    Parameters
    ----------
    foot : (R, W) array
        Acceleration as a foot makes it [m/s²].
    reach : (R, W) array
        How many nodes ONSET_TIME is about each node [-].
    """
    row, index = np.arange(hardest.size), np.arange(foot.shape[1])
    near = crossing(-foot, -BRAKE_ONSET * foot[row, hardest], hardest, -1)
    at = np.where(np.isfinite(near), near, 0.0)
    wide = reach[row, at.astype(np.intp)]
    before = (index <= at[:, None]) & (index >= (at - wide)[:, None])
    after = (index >= at[:, None]) & (index <= (at + wide)[:, None])
    highest = np.where(before, foot, -np.inf).max(axis=1)
    lowest = np.where(after, foot, np.inf)
    level = 0.5 * (highest + lowest.min(axis=1))
    onset = crossing(-foot, -level, np.asarray(lowest.argmin(axis=1)), -1)
    return np.where(np.isfinite(near), onset, np.nan)


def power_onset(foot: Array, slowest: Index, peak: Array) -> Array:
    """Fractional index (R,) at which the power comes in after the slowest node (R,); ``peak`` (R,) is its most."""
    return crossing(-foot, -POWER_ONSET * peak, slowest, 1)  # below a level where the acceleration is above it


def crossing(values: Array, level: Array, start: Index, way: int) -> Array:
    """Fractional index where values (R, W) fall below a level (R,), going ``way`` (1 or -1) from ``start``; NaN if
    never."""
    width = values.shape[1]
    index = np.arange(width)
    ahead = (index >= start[:, None]) if way > 0 else (index <= start[:, None])
    below = ahead & (values < level[:, None])
    i = first_true(below, -1) if way > 0 else last_true(below)
    row = np.arange(values.shape[0])
    j = np.clip(i - way, 0, width - 1)
    inside, outside = values[row, j], values[row, np.maximum(i, 0)]
    share = np.where(inside != outside, (inside - level) / np.where(inside != outside, inside - outside, 1.0), 0.0)
    return np.where(i < 0, np.nan, j + way * np.clip(share, 0.0, 1.0))


def last_true(mask: Mask) -> Index:
    """Index of each row's last True (R,); -1 where there is none."""
    last = mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1)
    return np.asarray(np.where(mask.any(axis=1), last, -1))


def first_true(mask: Mask, otherwise: int) -> Index:
    """Index of each row's first True (R,)."""
    return np.asarray(np.where(mask.any(axis=1), mask.argmax(axis=1), otherwise))


#: A kart that slows by this much more than it does with both pedals up is braked [m/s²].  It is several times what the
#: engine braking and drag of a kart file are off by as a rule (common practice), and a sixth of a full braking.
BRAKED = 1.0


def beyond_rolling(lap: Lap, kart: Kart) -> Array:
    """Acceleration beyond that with both pedals up at this speed, slope and cornering (N,) [m/s²].

    Negative where the kart is braked, positive where it is driven.
    """
    line = lap.line
    ground = Surface(slope=line.slope, bank=line.bank, vertical_curvature=line.vertical_curvature, grip=line.grip)
    return np.asarray(lap.ax + roll_down(kart, lap.v, line.kappa, ground))


#: A corner is being turned where the line bends at more than this share of the corner's sharpest bend.
TURNING_SHARE = 0.3
#: Standard deviation of the kernel that takes ripple off a curvature before steering is read from it [m].
HANDS = 2.5
#: Slowing for a corner: by more than this [m/s²], with the brake or with both pedals up.
SLOWING = 1.5
#: A braking lasts this long at least [s]; shorter is a change of pedals.
LEAST_BRAKING = 0.15
#: What a kart that is not known is taken to lose at most with both pedals up [m/s²] (common practice).
UNKNOWN_ROLLING = 2.0
#: The apex is the middle of the stretch this close to the line's closest approach to the inside edge [m].
APEX_PLATEAU = 0.05
#: Standard deviation across the road of a driver's passes through one place [m] (common practice).
LINE_SCATTER = 0.25
_STEP = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerMarks:
    """Stations of one corner's marks on the computed lap [m], increasing from turn-in to track-out.

    On a closed track they are unwrapped about the corner's apex and may lie before 0 or beyond the lap length.
    The brake point lies before the turn-in as a rule, and inside the corner where the braking begins there.  ``brakes``
    is False where the computed lap does not brake for the corner: slowing by less than BRAKED more than with both
    pedals up is not braking.  The brake point is then the turn-in.

    ``slows_from`` is where the lap begins to slow by more than SLOWING for the corner, by lifting or by braking; the
    turn-in where it does not.  ``lifts`` is True where it only lifts.

    ``apex`` is where the line comes closest to the inside edge; in a corner with two apexes, the one where the kart is
    slower: entry and exit meet there.  ``other_apex`` is then the other one, before or after it; None in all others.
    """

    corner: Corner
    brake_point: float
    turn_in: float
    apex: float
    minimum_speed: float
    drive_point: float
    track_out: float
    brakes: bool
    slows_from: float
    lifts: bool
    other_apex: float | None = None

    @property
    def apexes(self) -> tuple[float, ...]:
        """One station, or two in driving order [m]."""
        return (self.apex,) if self.other_apex is None else tuple(sorted((self.apex, self.other_apex)))

    def apex_names(self) -> tuple[str, str]:
        """What the apex and the other one are called."""
        if self.other_apex is None:
            return "apex", ""
        return ("first apex", "second apex") if self.apex < self.other_apex else ("second apex", "first apex")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Profile:
    """The computed lap on a uniform grid of stations, three laps long on a closed track."""

    s: Array
    kappa: Array
    v: Array
    ax: Array
    left_gap: Array
    right_gap: Array
    pushed: Array  #: acceleration beyond that with both pedals up

    def gap(self, corner: Corner) -> Array:
        """Distance from the inside edge of a corner (N,) [m]."""
        return self.left_gap if corner.left else self.right_gap

    def index(self, station: float) -> int:
        """Nearest grid index."""
        step = float(self.s[1] - self.s[0])  # a whole number of steps makes a lap: not quite _STEP
        return int(np.clip(round((station - float(self.s[0])) / step), 0, self.s.size - 1))


def find_marks(track: Track, reference: Lap, kart: Kart | None = None) -> tuple[CornerMarks, ...]:
    """Marks of every corner of a track on a lap, in driving order.

    Parameters
    ----------
    track : Track
        Its corners are the track's own; an empty tuple gives no marks.
    reference : Lap
        On the track, stations from start to finish.
    kart : Kart, optional
        The lap's: its roll-down separates braking from a lift.  Without it only slowing that no kart does by rolling,
        more than UNKNOWN_ROLLING and BRAKED together, is braking; all other marks are the same.
    """
    corners = sorted(track.corners, key=lambda corner: corner.s_apex)
    if not corners:
        return ()
    profile = _profile(track, reference, kart)
    apexes = [_apex(track, profile, corner) for corner in corners]
    spans = []
    for k, corner in enumerate(corners):
        before, after = _neighbours(track, apexes, k, profile)
        spans.append(_turning(profile, corner, _extent(track, profile, corner), (before, apexes[k], after)))
    marks = []
    for k, corner in enumerate(corners):
        if k > 0:
            earliest = spans[k - 1][1]
        elif track.closed:
            earliest = spans[-1][1] - track.length
        else:
            earliest = float(profile.s[0])
        beside = _neighbours(track, apexes, k, profile)
        pair = _two(track, profile, corner, spans[k], beside) or (apexes[k], None)
        marks.append(_marks(profile, corner, pair, spans[k], (min(earliest, spans[k][0]), beside[1])))
    return tuple(marks)


def _profile(track: Track, lap: Lap, kart: Kart | None) -> _Profile:
    """Resample the lap uniformly; on a closed track repeat it before and after."""
    s = lap.line.s
    grid = np.arange(s[0], s[-1], _STEP)
    left = along(track, track.w_left, s) - lap.line.n
    right = along(track, track.w_right, s) + lap.line.n
    pushed = lap.ax + UNKNOWN_ROLLING if kart is None else beyond_rolling(lap, kart)
    values = (lap.line.kappa, lap.v, lap.ax, left, right, pushed)
    local = grid
    if track.closed:
        grid = np.linspace(-track.length, 2.0 * track.length, 3 * max(round(track.length / _STEP), 8) + 1)
        local = np.mod(grid, track.length)
    kappa, v, ax, left, right, pushed = (np.interp(local, s, column) for column in values)
    kappa = by_hand(kappa, float(grid[1] - grid[0]))
    return _Profile(s=grid, kappa=kappa, v=v, ax=ax, left_gap=left, right_gap=right, pushed=pushed)


def by_hand(kappa: Array, step: float) -> Array:
    """Curvature (..., N) as hands can steer it; stations ``step`` apart [m]."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(kappa, HANDS / step, axis=-1, mode="nearest"))


def _apex(track: Track, profile: _Profile, corner: Corner) -> float:
    """Where the line comes closest to the inside edge within the corner."""
    a, b = _extent(track, profile, corner)
    gap = profile.gap(corner)[a : b + 1]
    return _plateau(profile.s[a:], gap, int(np.argmin(gap)))


def _plateau(s: Array, gap: Array, lowest: int) -> float:
    """Middle of the stretch beside a lowest gap (W,) that is within APEX_PLATEAU of it [m]."""
    first = last = lowest
    while first > 0 and gap[first - 1] < gap[lowest] + APEX_PLATEAU:
        first -= 1
    while last < gap.size - 1 and gap[last + 1] < gap[lowest] + APEX_PLATEAU:
        last += 1
    return float(0.5 * (s[first] + s[last]))


def clear_departure(track: Track) -> float:
    """How far a line leaves the inside edge at least where that shows, from one pass to another [m]."""
    return TO_95 * math.sqrt(2.0) * math.hypot(LINE_SCATTER, track.survey.uncertainty or 0.0)


def _two(
    track: Track, profile: _Profile, corner: Corner, span: tuple[float, float], ends: tuple[float, float]
) -> tuple[float, float] | None:
    """The slower and the faster apex of a corner that has two; ``span`` are its turn-in and track-out and ``ends`` the
    neighbours' apexes [m].

    They lie on either side of the farthest departure, each the nearest place to it that is as close to the edge as any
    on that side.  Where the line has straightened in between, as far as it does on leaving a corner, the farther one is
    none of this corner's.
    """
    if track.survey.estimated:
        return None
    a, b = _extent(track, profile, corner)
    every, least = profile.gap(corner), clear_departure(track)
    gap = every[a : b + 1]
    before, after = np.minimum.accumulate(gap), np.minimum.accumulate(gap[::-1])[::-1]
    top = int(np.argmax(gap - np.maximum(before, after)))
    if gap[top] - max(before[top], after[top]) < least:
        return None
    first = int(np.flatnonzero(gap[:top] < before[top] + APEX_PLATEAU)[-1])
    last = top + int(np.flatnonzero(gap[top:] < after[top] + APEX_PLATEAU)[0])
    low, high = min(profile.index(ends[0]), a), max(profile.index(ends[1]), b)
    if not (_left(every[low : a + first + 1][::-1], least) and _left(every[a + last : high + 1], least)):
        return None
    places = [_plateau(profile.s[a:], gap, at) for at in (first, last)]
    slower, faster = sorted(places, key=lambda station: float(profile.v[profile.index(station)]))
    return (slower, faster) if span[0] <= places[0] and places[1] <= span[1] else None


def _left(gap: Array, least: float) -> bool:
    """Whether a line leaves the inside edge for good from the first place of a gap (W,) on: before it comes closer."""
    closer = np.flatnonzero(gap < gap[0] - APEX_PLATEAU)
    return bool(gap[: int(closer[0]) if closer.size else gap.size].max() > gap[0] + least)


def _extent(track: Track, profile: _Profile, corner: Corner) -> tuple[int, int]:
    """First and last index of the corner as the track's own geometry has it."""
    start, end = corner.s_start, corner.s_end
    if track.closed:
        start -= track.length * (start > corner.s_apex)
        end += track.length * (end < corner.s_apex)
    first = profile.index(start)
    return first, max(profile.index(end), first + 1)


def _neighbours(track: Track, apexes: list[float], k: int, profile: _Profile) -> tuple[float, float]:
    """Apexes before and after corner ``k``, or the ends of an open track."""
    if track.closed:
        before = apexes[k - 1] - (track.length if k == 0 else 0.0)
        after = apexes[(k + 1) % len(apexes)] + (track.length if k == len(apexes) - 1 else 0.0)
        return before, after
    return (
        apexes[k - 1] if k > 0 else float(profile.s[0]),
        apexes[k + 1] if k < len(apexes) - 1 else float(profile.s[-1]),
    )


def _turning(
    profile: _Profile, corner: Corner, extent: tuple[int, int], apexes: tuple[float, float, float]
) -> tuple[float, float]:
    """Turn-in and track-out: where the bend falls below TURNING_SHARE of its peak, or is least before a neighbour.

    A compound corner, one on the track's own geometry, is one here too: it is turned into once and left once, however
    straight the line runs inside it.  ``apexes`` are the previous corner's, this one's and the next one's [m].
    """
    bend = profile.kappa if corner.left else -profile.kappa
    low, i, high = (profile.index(apex) for apex in apexes)
    reach = min(i - low, high - i, round(15.0 / _STEP))
    near = bend[max(i - reach, low) : min(i + reach, high) + 1]
    limit = TURNING_SHARE * max(float(near.max()), 1e-6)
    turned = max(extent[0], low) + np.flatnonzero(bend[max(extent[0], low) : min(extent[1], high) + 1] >= limit)
    first, last = (min(int(turned[0]), i), max(int(turned[-1]), i)) if turned.size else (i, i)
    track_out = i + _leaving(bend[i : high + 1], last - i, limit)
    turn_in = i - _leaving(bend[low : i + 1][::-1], i - first, limit)
    return float(min(profile.s[turn_in], apexes[1])), float(max(profile.s[track_out], apexes[1]))


def _leaving(bend: Array, last: int, limit: float) -> int:
    """Index of ``bend``, from the apex away, where a corner that is turned until ``last`` at least has ended."""
    later = np.flatnonzero(bend[last + 1 :] < limit)
    if later.size:
        return last + 1 + int(later[0])
    pauses = np.flatnonzero(bend[:last] < limit)  # inside a compound corner
    start = int(pauses[-1]) + 1 if pauses.size else 0
    return start + int(np.argmin(bend[start:]))


def _marks(
    profile: _Profile,
    corner: Corner,
    apexes: tuple[float, float | None],
    span: tuple[float, float],
    ends: tuple[float, float],
) -> CornerMarks:
    """Speed marks around the turning marks.

    ``apexes`` are the one and the other, ``ends`` how far back slowing, and how far on power, may be its.
    """
    (apex, other), (turn_in, track_out) = apexes, span
    a, b = profile.index(turn_in), profile.index(track_out)
    slowest = a + int(np.argmin(profile.v[a : b + 1]))
    low, high = profile.index(ends[0]), profile.index(max(apex, profile.s[slowest]))
    braked = profile.pushed < -BRAKED
    brake = _slowing(profile, braked, LEAST_BRAKING, (low, a, high))
    slow = _slowing(profile, braked | (profile.ax < -SLOWING), 0.0, (low, a, high))
    slows_from = turn_in if slow is None else float(profile.s[slow[0]])
    brakes_from = turn_in if brake is None else _braking_start(profile, brake)
    return CornerMarks(
        corner=corner,
        brake_point=brakes_from,
        turn_in=turn_in,
        apex=apex,
        minimum_speed=turn_in if slowest == a else float(profile.s[slowest]),
        drive_point=turn_in if slowest == a else _power_start(profile, slowest, profile.index(ends[1])),
        track_out=track_out,
        brakes=brake is not None,
        slows_from=slows_from if brake is None else min(slows_from, brakes_from),
        lifts=slow is not None and brake is None,
        other_apex=other,
    )


def _braking_start(profile: _Profile, run: Index) -> float:
    """Station at which a braking begins that holds these nodes."""
    hardest = int(run[profile.ax[run].argmin()])
    reach = ONSET_TIME * profile.v / (profile.s[1] - profile.s[0])
    first = max(int(run[0] - 1.5 * reach[run[0]]), 0)
    near = slice(first, hardest + int(reach[hardest]) + 2)
    onset = brake_onset(profile.ax[None, near], np.array([hardest - first]), reach[None, near])[0]
    # A road may begin in the middle of a braking.
    return float(np.interp(first + onset if math.isfinite(onset) else run[0], np.arange(profile.s.size), profile.s))


def _power_start(profile: _Profile, slowest: int, end: int) -> float:
    """Station at which the power comes in after the slowest node."""
    gain = profile.ax[None, slowest : max(end, slowest + 1) + 1]
    onset = float(power_onset(gain, np.zeros(1, dtype=np.intp), gain.max(axis=1))[0])
    return float(np.interp(slowest + (onset if math.isfinite(onset) else 0.0), np.arange(profile.s.size), profile.s))


def _slowing(profile: _Profile, slowing: Mask, least: float, places: tuple[int, int, int]) -> Index | None:
    """Indices of the slowing for a corner; pauses under 4 m do not end one.

    It is the first slowing that reaches the turn-in, or comes within 10 m of it; without one the last before that.
    ``places`` are the indices it is looked for between, with the turn-in's in the middle; one of less than a metre, or
    of less time than ``least`` [s], is none.
    """
    low, turn_in, high = places
    found = low + np.flatnonzero(slowing[low : high + 1])
    if not found.size:
        return None
    runs = np.split(found, np.flatnonzero(np.diff(found) > round(4.0 / _STEP)) + 1)
    runs = [run for run in runs if run.size * _STEP >= 1.0 and (_STEP / profile.v[run]).sum() >= least]
    reaching = [run for run in runs if run[-1] >= turn_in - round(10.0 / _STEP)]
    return (reaching[0] if reaching else runs[-1]) if runs else None


def minimum_rooms(track: Track, marks: tuple[CornerMarks, ...]) -> list[tuple[float, float]]:
    """Where each corner's minimum speed is sought: from its approach to a little past its track-out, short of its
    neighbours' own turning."""
    rooms = []
    for k, mark in enumerate(marks):
        lap = track.length if track.closed else 0.0
        before = marks[k - 1].track_out - (lap if k == 0 else 0.0) if k or track.closed else -math.inf
        following = marks[(k + 1) % len(marks)].turn_in + (lap if k == len(marks) - 1 else 0.0)
        after = following if k < len(marks) - 1 or track.closed else math.inf
        low = max(before, mark.turn_in - 25.0)
        high = min(after, mark.track_out + 15.0)
        rooms.append((min(low, mark.turn_in), max(high, mark.track_out)))
    return rooms
