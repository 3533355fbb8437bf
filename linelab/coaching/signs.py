"""What a driver does otherwise in a corner: the mean of the laps beside the mean of a faultless lap's receptions.

A habit is what the laps have in common, so their mean shows it, with the noise of one lap divided by the root of their
number.  Everything is read from two curves an engineer would lay over each other: how hard the kart is pushed beyond
rolling (:func:`linelab.coaching.pedals.push`), and how far inside the faultless line it runs.  Where the driver's push
first falls short of the faultless lap's, and what the push is there, says what the foot did.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.pedals import Index, Mask, push
from linelab.coaching.typical import typical_laps
from linelab.comparison.corner_review import edge_reason
from linelab.units import Array

#: A kart that is pushed by no more than this beyond rolling has neither pedal down [m/s²].
ROLLS = 0.5
#: Turning in early shows within this much road before the turn-in, as a swing towards the inside over no more than
#: SWING [m]: over more road, a constant position bias turns with the corner and looks like one.
AHEAD, SWING = 20.0, 15.0
#: Where the foot's work in and after a corner is looked for, from its slowest point [m]: before, at least after, at
#: most after; and how far past the track-out.
BEFORE, LEAST_AFTER, MOST_AFTER, PAST = 15.0, 15.0, 50.0, 20.0
#: A slide or a lift may begin this far before the slowest point [m].
ABOUT = 9.0
#: The power was in where the push had reached POWERED, and went again where it fell by DIPPED [m/s²].  A foot that
#: has come off stays off, and the push STEADY, for longer than LIFTED [s].
POWERED, DIPPED, STEADY, LIFTED = 0.8, 0.5, 0.25, 0.25
#: A fall of the push smaller than this is ripple [m/s²]; its least lies within NEAREST of where most is missing [m].
RIPPLE, NEAREST = 0.15, 5.0
#: Speed that must be missing for the foot to be judged at all [m/s].
MISSING = 0.25

Middle = Literal["", "slid", "waited", "dipped"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Signs:
    """What one corner shows, laps' mean against the faultless lap; NaN if unknown.

    Parameters
    ----------
    swing : float
        How far the line swings towards the inside ahead of the faultless line on the way in [m].
    miss : float
        How much farther from the inside edge it is at the apex [m].
    place_sigma : float
        Standard deviation of an offset that does not change along the way [m].
    turned : float
        What a position bias of one metre would make of the swing [-].
    ahead : float
        Share of the speed that the line costs which it costs before the apex [-].
    rolled : float
        Share of the speed missing on the way in that is lost with neither pedal down [-].
    braking : float
        Strength of the braking over the faultless lap's [-].
    middle : str
        From the slowest point on: "slid", "waited" (rolled on), "dipped" (power in, out and in again), or "".
    """

    swing: float
    miss: float
    place_sigma: float
    turned: float
    ahead: float
    rolled: float
    braking: float
    middle: Middle


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Means:
    """Laps' mean and faultless mean at the sheet's stations, each (N,), with the laps' and receptions' rows."""

    laps: Index
    again: Index
    push: Array
    wanted: Array
    v: Array
    off: Array
    forces: Array  #: of all rows (R, N)


def session_means(analysis: Analysis) -> Means:
    """Means over the typical laps and over the receptions of a faultless lap."""
    rows = analysis.rows
    laps = np.flatnonzero(typical_laps(analysis.sheet.t[:, -1]))
    again = np.arange(rows.v.shape[0] - analysis.receptions, rows.v.shape[0])
    forces = push(rows)
    return Means(
        laps=laps, again=again, push=forces[laps].mean(axis=0), wanted=forces[again].mean(axis=0),
        v=rows.v[laps].mean(axis=0), off=rows.n[laps].mean(axis=0) - rows.n[again].mean(axis=0), forces=forces,
    )  # fmt: skip


def read_signs(analysis: Analysis, means: Means, k: int) -> Signs:
    """What corner ``k`` shows."""
    blind = any(edge_reason(analysis.sheet.track, drive) for drive in analysis.sheet.driven)
    swing, miss, turned = _line(analysis, means, k)
    rolled, braking = _approach(analysis, means, k)
    return Signs(
        swing=math.nan if blind else swing,
        miss=math.nan if blind else miss,
        place_sigma=float(np.mean([drive.bias.sigma for drive in analysis.sheet.driven])),
        turned=turned,
        ahead=_ahead(analysis, means, k),
        rolled=rolled,
        braking=braking,
        middle=_middle(analysis, means, k),
    )


def _span(analysis: Analysis, low: float, high: float) -> tuple[Array, Index]:
    """Unwrapped stations and the sheet's indices from ``low`` to ``high`` [m]."""
    s, track = analysis.sheet.s, analysis.sheet.track
    step, count = float(s[1] - s[0]), s.size - 1
    index = np.arange(round((low - float(s[0])) / step), round((high - float(s[0])) / step) + 1)
    local = index % count if track.closed else np.unique(np.clip(index, 0, count))
    return np.asarray(float(s[0]) + step * (index if track.closed else local), dtype=np.float64), local


def _neighbour(analysis: Analysis, k: int, way: int) -> float:
    """Unwrapped station of the apex before (-1) or after (1) corner ``k``'s, or where an open track ends."""
    marks, sheet = analysis.marks, analysis.sheet
    j = k + way
    if 0 <= j < len(marks):
        return marks[j].apex
    if not sheet.track.closed:
        return float(sheet.s[0 if way < 0 else -1])
    return marks[j % len(marks)].apex + way * sheet.track.length


def _slowest(analysis: Analysis, means: Means, k: int) -> float:
    """Unwrapped station of the faultless lap's slowest point."""
    s, count = analysis.sheet.s, analysis.windows.count
    return float(s[0] + (s[1] - s[0]) * np.median(analysis.windows.low[means.again, k])) if count else math.nan


def _line(analysis: Analysis, means: Means, k: int) -> tuple[float, float, float]:
    """Swing towards the inside before the apex, apex miss [m], and what a metre of bias makes of the swing."""
    mark = analysis.marks[k]
    inwards = 1.0 if mark.corner.left else -1.0
    begin = max(min(mark.turn_in - AHEAD, mark.apex - SWING), _neighbour(analysis, k, -1))
    stations, local = _span(analysis, begin, max(mark.apex - 2.0, begin + 2.0))
    inside = inwards * means.off[local]
    width = max(round(SWING / float(stations[1] - stations[0])), 1)
    back = [int(inside[max(j - width, 0) : j + 1].argmin()) + max(j - width, 0) for j in range(inside.size)]
    swing = inside - inside[back]
    j = int(swing.argmax())
    psi = analysis.rows.psi[means.laps[0], local]
    turned = 2.0 * abs(math.sin(0.5 * float(psi[j] - psi[back[j]])))
    _, apex = _span(analysis, mark.apex, mark.apex)
    return float(swing[j]), -inwards * float(means.off[apex[0]]), turned


def _ahead(analysis: Analysis, means: Means, k: int) -> float:
    """Share of what the line takes off the able v² about a corner that it takes before the apex."""
    mark, able = analysis.marks[k], analysis.speeds.able
    begin = max(mark.turn_in - AHEAD, _neighbour(analysis, k, -1))
    stations, local = _span(analysis, begin, max(mark.track_out, mark.apex + 2.0))
    less = able[means.again].mean(axis=0)[local] ** 2 - able[means.laps].mean(axis=0)[local] ** 2
    built = np.maximum(np.diff(less), 0.0)
    return float(built[stations[1:] <= mark.apex].sum() / max(float(built.sum()), 1e-9))


def _approach(analysis: Analysis, means: Means, k: int) -> tuple[float, float]:
    """Share of the missing speed lost by rolling on the way in, and the strength of the braking."""
    windows, s = analysis.windows, analysis.sheet.s
    step = float(s[1] - s[0])
    rows = np.concatenate([means.laps, means.again])
    begin = float(s[0]) + step * float(windows.begin[rows, k].min())
    low = _slowest(analysis, means, k)
    if low - begin < 2.0 * step:
        return 0.0, 1.0
    _, local = _span(analysis, begin, low)
    lost = np.maximum(means.wanted[local] - means.push[local], 0.0)
    rolling = (means.push[local] > -ROLLS) & (lost > ROLLS)
    rolled = float(lost[rolling].sum() / max(lost.sum(), 1e-9))
    slowing = np.maximum(-means.forces[:, local], 0.0)
    strength = (slowing**2).sum(axis=1) / np.maximum(slowing.sum(axis=1), 1e-9)
    return rolled, float(np.median(strength[means.laps]) / max(float(strength[means.again].mean()), 1e-9))


def _middle(analysis: Analysis, means: Means, k: int) -> Middle:
    """What the kart does from shortly before the slowest point on."""
    low = _slowest(analysis, means, k)
    end = min(analysis.marks[k].track_out + PAST, _neighbour(analysis, k, 1) - 5.0, low + MOST_AFTER)
    stations, local = _span(analysis, low - BEFORE, max(end, low + LEAST_AFTER))
    own, wanted, v = means.push[local], means.wanted[local], means.v[local]
    step = float(stations[1] - stations[0])
    missing = np.where(stations >= low - ABOUT, wanted - own, 0.0)
    if float((np.maximum(missing, 0.0) * step / v).sum()) < MISSING:
        return ""
    at = _bottom(own, int(missing.argmax()), round(NEAREST / step))
    before, depth = _dip(own, at)
    rolling = float(np.where(_about(np.abs(own - own[at]) < STEADY, at), step / v, 0.0).sum())
    if stations[at] > low and own[before] > POWERED and depth > DIPPED:
        # The power was in and went again: at once, or the foot came off at the slowest point and stayed off.
        return "dipped" if stations[before] > low or rolling < LIFTED else "waited"
    if own[at] < -ROLLS:
        return "slid"
    return "waited" if own[at] < ROLLS else ""


def _bottom(own: Array, at: int, reach: int) -> int:
    """Index of the least push within ``reach`` of an index."""
    first = max(at - reach, 0)
    return first + int(own[first : at + reach + 1].argmin())


def _dip(own: Array, at: int) -> tuple[int, float]:
    """Where the push was highest before it fell to what it is at an index, and how far it fell and rose again."""
    highest, j = at, at
    while j > 0 and own[j - 1] > own[highest] - RIPPLE:
        j -= 1
        if own[j] > own[highest]:
            highest = j
    return highest, float(min(own[highest], own[at:].max()) - own[at])


def _about(mask: Mask, at: int) -> Mask:
    """The run of True about an index."""
    outside = np.flatnonzero(~mask)
    low, high = outside[outside < at], outside[outside > at]
    found = np.zeros(mask.size, dtype=bool)
    found[int(low[-1]) + 1 if low.size else 0 : int(high[0]) if high.size else mask.size] = True
    return found
