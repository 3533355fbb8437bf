"""Times that repeat, run backwards or are set back: which samples stay, and at what time."""

from __future__ import annotations

from enum import IntEnum
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

#: Samples that must lie behind the clock before it is taken for set back; fewer are stray samples.
_LASTING = 5
#: Put between the parts of a recording whose clock was set back [s]: longer than the longest gap a timed lap may hold,
#: because how long the break really lasted is not known.
SEAM = 3.0
#: More backward steps than this are disorder, in which no single set-back can be told.
_MOST_STEPS = 1000


class Cleaning(IntEnum):
    """What was done with a sample."""

    KEPT = 0
    NO_POSITION = 1  #: left out: no position
    NO_FIX = 2  #: left out: the receiver says it had no fix
    ZERO_POSITION = 3  #: left out: longitude and latitude both zero
    DUPLICATE = 4  #: left out: time and position of an earlier sample
    REPEATED_TIME = 5  #: left out: time of an earlier sample, another position
    BACK_IN_TIME = 6  #: left out: earlier than the sample before
    TELEPORT = 7  #: left out: too far from its neighbours to have been driven
    FROZEN = 8  #: left out: position held while the kart moved
    NO_TIME = 9  #: left out: a stray time far ahead of the samples after it, or thousands of years away
    OFF_PATH = 10  #: left out: its position lies off the path of those around it
    REORDERED = 11  #: kept, put in its place by time
    CLOCK_SHIFTED = 12  #: kept at a later time, because the clock had been set back


def runs_backwards(t: Array) -> bool:
    """True when the times (N,) [s] mostly fall from one sample to the next."""
    falls, rises = int((t[1:] < t[:-1]).sum()), int((t[1:] > t[:-1]).sum())
    return bool(falls > rises and falls > 1 and t[-1] < t[0])


def clock_jumps(t: Array, x: Array, y: Array) -> list[str]:
    """Sentences on gaps in which the kart can hardly have gone on driving: the clock leapt ahead, not the kart.

    Parameters
    ----------
    t, x, y : (N,) array
        Cleaned: increasing times [s] and positions [m].
    """
    if t.size < 4:
        return []
    steps, ways = np.diff(t), np.hypot(np.diff(x), np.diff(y))
    step = float(np.median(steps))
    gaps = np.flatnonzero(steps[1:-1] > max(20.0 * step, 1.0)) + 1
    slowest = np.minimum(ways[gaps - 1] / steps[gaps - 1], ways[gaps + 1] / steps[gaps + 1])
    # Driving before and after, and in between no farther than in a few steps; a lap driven in the gap ends elsewhere.
    leapt = gaps[(slowest > 5.0) & (ways[gaps] < 5.0 * step * slowest)]
    return [
        f"the clock leaps ahead by {steps[i]:.6g} s at {t[i]:.1f} s, in which the kart moves {ways[i]:.1f} m: "
        "no time across it can be trusted"
        for i in leapt[:10]
    ]


def settle_times(t: Array, x: Array, y: Array) -> tuple[NDArray[np.intp], Array, NDArray[np.int8], list[str]]:
    """Bring times into increasing order.

    Parameters
    ----------
    t : (M,) array
        [s].
    x, y : (M,) array
        Positions [m], without gaps.

    Returns
    -------
    order : (K,) array of int
        Samples that stay, in order of time.
    times : (K,) array
        Their times, increasing [s].
    codes : (M,) array of int
        :class:`Cleaning` codes.
    notes : list of str
        About the clock; what was left out is told by the codes.
    """
    codes = np.zeros(t.size, dtype=np.int8)
    out = np.array(t, dtype=np.float64)
    order = np.arange(t.size)
    notes: list[str] = []
    backward = np.flatnonzero(np.diff(out) < 0.0) + 1
    if backward.size:
        by_time = np.argsort(out, kind="stable")
        if _path(x, y, by_time) < _path(x, y, order) - 1.0:
            codes[out < np.maximum.accumulate(out)] = Cleaning.REORDERED
            order = by_time
            notes.append("samples lie out of order in the file: put in order of time, which makes the shorter path")
        elif backward.size <= _MOST_STEPS:
            notes += _set_backs(out, x, y, backward, codes)
        else:
            notes.append(f"times go back {backward.size} times: the recording is in disorder")
    _leave_out(order, out, x, y, codes)
    kept = order[(codes[order] == Cleaning.KEPT) | (codes[order] >= Cleaning.REORDERED)]
    return kept, out[kept], codes, notes


def _path(x: Array, y: Array, order: NDArray[np.intp]) -> float:
    """Length of the way through the positions in an order [m]."""
    return float(np.hypot(np.diff(x[order]), np.diff(y[order])).sum())


def _set_backs(out: Array, x: Array, y: Array, backward: NDArray[np.intp], codes: NDArray[np.int8]) -> list[str]:
    """Move on what follows a lasting set-back of the clock; changes ``out`` and ``codes``."""
    notes = []
    step = float(np.median(np.diff(out)[np.diff(out) > 0.0])) if (np.diff(out) > 0.0).any() else 0.0
    shift, latest = 0.0, float(out[0])
    bounds = [0, *map(int, backward), out.size]
    for a, b in pairwise(bounds):
        out[a:b] += shift
        behind = int(np.searchsorted(out[a:b], latest, side="right")) if a else 0
        lasting = behind >= _LASTING and latest - out[a] > max(3.0 * step, 0.1)
        if lasting and (stray := _strays(out, codes, a, behind)).size:
            codes[stray] = Cleaning.NO_TIME
            rest = out[:a][codes[:a] != Cleaning.NO_TIME]
            latest = float(rest.max()) if rest.size else -np.inf
        elif behind >= _LASTING and _seen_before(out, x, y, a, behind):
            codes[a : a + behind] = Cleaning.DUPLICATE
        elif lasting and _runs_on(out[a:b], behind, step):
            back = latest - float(out[a])
            notes.append(
                f"the clock is set back by {back:.6g} s at {latest:.1f} s: what follows was moved on and a pause of "
                f"{SEAM:.0f} s put in, so that no lap across it is timed"
            )
            out[a:b] += back + SEAM
            shift += back + SEAM
        if shift:
            part = codes[a:b]
            part[part == Cleaning.KEPT] = Cleaning.CLOCK_SHIFTED
        latest = max(latest, float(out[b - 1]))
    return notes


def _strays(out: Array, codes: NDArray[np.int8], a: int, behind: int) -> NDArray[np.intp]:
    """The few samples before ``a`` whose times run ahead of many that follow; none when they are more than a few."""
    window = np.arange(max(a - 2 * _LASTING, 0), a)
    ahead = window[(out[window] >= out[a]) & (codes[window] != Cleaning.NO_TIME)]
    few = ahead.size < _LASTING and (ahead.size == 0 or ahead[0] > window[0] or window[0] == 0)
    return np.asarray(ahead if few and ahead.size < behind else ahead[:0], dtype=np.intp)


def _seen_before(out: Array, x: Array, y: Array, a: int, behind: int) -> bool:
    """True when most of the samples behind the clock repeat earlier ones, time and place."""
    earlier = np.argsort(out[:a], kind="stable")
    at = np.minimum(np.searchsorted(out[:a][earlier], out[a : a + behind]), a - 1)
    same = earlier[at]
    part = slice(a, a + behind)
    return bool(((out[same] == out[part]) & (x[same] == x[part]) & (y[same] == y[part])).mean() > 0.5)


def _runs_on(times: Array, behind: int, step: float) -> bool:
    """True when times pass the old clock without a leap: set back, not a stray block."""
    return behind == times.size or float(times[behind] - times[behind - 1]) <= 3.0 * step + 1e-9


def _leave_out(order: NDArray[np.intp], out: Array, x: Array, y: Array, codes: NDArray[np.int8]) -> None:
    """Code the samples whose time does not advance."""
    free = order[(codes[order] != Cleaning.DUPLICATE) & (codes[order] != Cleaning.NO_TIME)]
    if free.size < 2:
        return
    times = out[free]
    before = np.maximum.accumulate(times)[:-1]
    repeated, earlier = times[1:] == before, times[1:] < before
    same = repeated & (np.diff(x[free]) == 0.0) & (np.diff(y[free]) == 0.0)
    codes[free[1:][repeated]] = Cleaning.REPEATED_TIME
    codes[free[1:][same]] = Cleaning.DUPLICATE
    codes[free[1:][earlier]] = Cleaning.BACK_IN_TIME
