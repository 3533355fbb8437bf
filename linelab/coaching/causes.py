"""Lost time by interval, corner and cause: pieces that add up to the gap exactly.

Every interval between two stations belongs to one corner and one phase, and its time against the target is the sum of
a line part and the causes of :data:`linelab.coaching.values.CAUSES`.  A corner's stretch begins where the driver or
the reference lap first prepares for it, so that what an early lift costs on the straight before is that corner's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from linelab.coaching.grid import Rows
from linelab.coaching.pedals import Index, Mask, main_run, pedals
from linelab.coaching.profiles import Low, interval_times
from linelab.coaching.values import CAUSES, Cause
from linelab.comparison.marks import CornerMarks
from linelab.units import Array

#: A fall of speed of which this much is gained again is over [m/s].
REGAINED = 1.0
#: Speed brought along from the corner before counts from this on [m/s], and while it is most of what is missing [-].
BROUGHT, MOSTLY = 0.1, 0.7


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Windows:
    """Where corners begin on each lap, as unwrapped indices of the sheet's intervals (R, C).

    Parameters
    ----------
    begin : (R, C)
        Where the corner's stretch begins.
    brake : (R, C)
        Where the driver's braking begins; equal to ``low`` where nothing is braked.
    release : (R, C)
        Where it ends.
    low : (R, C)
        Where the corner is slowest at best.
    count : int
        Intervals of a lap.
    closed : bool
    """

    begin: Index
    brake: Index
    release: Index
    low: Index
    count: int
    closed: bool


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ledger:
    """Time against the target by interval (R, M) [s], with its owner: ``total`` is ``line`` plus all of ``causes``.

    ``corner`` is an index into the corners in driving order, -1 before the first of an open track; ``phase`` one of
    linelab.comparison.segments.PHASES.
    """

    corner: Index
    phase: Index
    total: Array
    line: Array
    causes: dict[Cause, Array]

    def by_corner(self, values: Array, corners: int) -> Array:
        """Sums (R, C) over each corner's intervals."""
        return np.array([np.where(self.corner == k, values, 0.0).sum(axis=1) for k in range(corners)]).T

    def pick(self, rows: slice | Index) -> Ledger:
        """Some of the rows."""
        return Ledger(
            corner=self.corner[rows],
            phase=self.phase[rows],
            total=self.total[rows],
            line=self.line[rows],
            causes={name: values[rows] for name, values in self.causes.items()},
        )


def find_windows(rows: Rows, marks: tuple[CornerMarks, ...], low: Low, s: Array, *, closed: bool) -> Windows:
    """Where each corner's stretch begins, and where the driver brakes for it, on every lap."""
    count = s.size - 1
    step = float(s[1] - s[0])
    _, braked = pedals(rows, step)
    slowing = -np.minimum(rows.ax, 0.0) * rows.stretch

    def index(station: float) -> int:
        return round((station - float(s[0])) / step)

    apex = np.array([index(mark.apex) for mark in marks])
    # The slowest point nearest to the apex: one lap on or back where the corner lies across the start line.
    lows = low.index + (count * np.rint((apex - low.index) / count).astype(np.intp) if closed else 0)
    # Where nothing is slowed for, it is where the reference lap is slowest.
    lows = np.where(low.real, lows, [index(mark.minimum_speed) for mark in marks]) if marks else lows
    begin, brake, release = (np.empty_like(lows) for _ in range(3))
    for k, mark in enumerate(marks):
        lap = float(s[-1] - s[0]) if k == 0 else 0.0
        before = marks[k - 1].apex - lap
        first = index(before) if k or closed else 0
        usual = max(index(min(mark.slows_from, mark.turn_in)), first)
        last = max(index(mark.apex), int(lows[:, k].max()), usual + 1)
        span = np.arange(first, last + 1)
        local = span % count if closed else np.clip(span, 0, count)
        # Whatever slows the kart before it is fastest, a slide out of the corner before, is not this corner's braking.
        ahead = span <= np.where(low.real[:, k], lows[:, k], np.maximum(lows[:, k], index(mark.apex)))[:, None]
        leaving = span <= min(index(marks[k - 1].track_out - lap), usual)
        fastest = _prepared_from(np.where(ahead, rows.v[:, local], -np.inf), leaving)
        within = (span <= lows[:, k, None]) & (np.arange(span.size) >= fastest[:, None])
        start, end, any_braked = main_run(braked[:, local] & within, slowing[:, local])
        # Nothing braked: everything up to the slowest point is preparation.
        onset = np.where(any_braked, start, np.minimum(lows[:, k] - first, span.size - 1))
        begin[:, k] = np.minimum(span[fastest], usual)
        brake[:, k] = span[onset]
        release[:, k] = np.where(any_braked, span[end], span[onset])
    return Windows(
        begin=np.maximum.accumulate(begin, axis=1), brake=brake, release=release, low=lows, count=count, closed=closed
    )


def _prepared_from(v: Array, leaving: Mask) -> Index:
    """Where each row (R, W) is fastest before a corner, or again as good as that: what a row loses while it is still
    ``leaving`` (W,) the corner before, and gains again, is that corner's."""
    row, index = np.arange(v.shape[0]), np.arange(v.shape[1])
    fastest = v.argmax(axis=1)
    dip = np.where(leaving & (index >= fastest[:, None]), v, np.inf)
    lowest = dip.argmin(axis=1)
    after = np.where(index >= lowest[:, None], v, -np.inf).argmax(axis=1)
    again = np.isfinite(dip[row, lowest]) & (v[row, after] - v[row, lowest] > REGAINED)
    return np.asarray(np.where(again, after, fastest))


def credited(windows: Windows, low: Low, rows: Rows, able: Array, apex: Index) -> Windows:
    """The windows with each corner begun no earlier than the speed brought along from the corner before is made good.

    A kart that comes slowly out of one corner is slow down the straight and through a kink behind it: that time belongs
    to the corner it was lost in.  The missing v² against the able speed only falls while nothing new is added; the
    stretch over which it is most of what is missing stays with the corner before.  Up to the apex of a corner that is
    not slowed for, a loss already under way at its beginning is still that of the way out of the corner before.

    Parameters
    ----------
    able : (R, N) array
        What each row's line allows [m/s].
    apex : (C,) array
        Unwrapped indices of the reference lap's apexes.
    """
    missing, corners = able**2 - rows.v**2, windows.begin.shape[1]
    least = 2.0 * rows.v * BROUGHT
    after = np.concatenate([windows.begin[:, 1:], windows.begin[:, :1] + windows.count], axis=1)
    until = np.where(low.real, windows.low, after)
    if not windows.closed:
        until = np.minimum(until, windows.count)
    begin = windows.begin.copy()
    row = np.arange(begin.shape[0])[:, None]
    for k in range(0 if windows.closed else 1, corners):
        span = begin[:, k, None] + np.arange(max(int((until[:, k] - begin[:, k]).max()), 1))
        local = span % windows.count if windows.closed else np.clip(span, 0, windows.count)
        here, enough = missing[row, local], least[row, local]
        leaving = ~low.real[:, k, None] & (span <= apex[k]) & (here[:, :1] > enough[:, :1])
        peak = np.where(leaving, here, -np.inf).argmax(axis=1)[:, None]
        growing = leaving & (span - span[:, :1] <= peak)
        brought = np.minimum.accumulate(np.where(growing, np.take_along_axis(here, peak, axis=1), here), axis=1)
        kept = (growing | (brought > np.maximum(MOSTLY * here, enough))) & (span < until[:, k, None])
        begin[:, k] += np.logical_and.accumulate(kept, axis=1).sum(axis=1)
    return replace(windows, begin=np.maximum.accumulate(begin, axis=1))


def owners(windows: Windows, marks: tuple[CornerMarks, ...], s: Array) -> tuple[Index, Index]:
    """Corner and phase of every interval (R, M)."""
    count, step = windows.count, float(s[1] - s[0])
    rows, corners = windows.begin.shape
    place = np.arange(count)
    corner, phase = np.full((rows, count), -1), np.full((rows, count), 3)
    cuts = np.array([[m.turn_in, m.apex, m.track_out] for m in marks]).reshape(-1, 3)
    cuts = np.rint((cuts - float(s[0])) / step).astype(np.intp)
    for r in range(rows):
        start = windows.begin[r]
        if not corners:
            break
        unwrapped = np.where(place < start[0], place + count, place) if windows.closed else place
        if windows.closed:
            unwrapped = start[0] + (place - start[0]) % count
        k = np.searchsorted(start, unwrapped, side="right") - 1
        corner[r] = k
        known = np.maximum(k, 0)
        phase[r] = np.where(k >= 0, (unwrapped[:, None] >= cuts[known]).sum(axis=1), 3)
    return corner, phase


def technique(
    rows: Rows, windows: Windows, corner: Index, distance: Array, held: Array, step: float
) -> dict[Cause, Array]:
    """What separates the driven speed from the held one, by interval (R, M): braking, coasting and power [s]."""
    lost = interval_times(distance, rows.v) - interval_times(distance, held)
    coasting = np.logical_not(np.logical_or(*pedals(rows, step)))
    place = np.arange(windows.count)
    steps = np.diff(distance, axis=1)
    held_ax = np.diff(held**2, axis=1) / (2.0 * steps)
    own_ax = np.diff(rows.v**2, axis=1) / (2.0 * steps)
    # Where the driver falls behind the held speed, and by how much v² [m²/s²].
    build = np.maximum(held_ax - own_ax, 0.0) * 2.0 * steps
    parts: dict[Cause, Array] = {name: np.zeros_like(lost) for name in ("braking", "coasting", "power")}
    for k in range(windows.begin.shape[1]):
        own = corner == k
        unwrapped = place + windows.count * np.rint(
            (windows.low[:, k, None] - place) / windows.count * windows.closed
        ).astype(np.intp)
        ahead = own & (unwrapped < windows.low[:, k, None])
        lifted = coasting[:, :-1] & (unwrapped < windows.brake[:, k, None])
        by_coasting = np.where(ahead & lifted, build, 0.0).sum(axis=1)
        whole = np.maximum(np.where(ahead, build, 0.0).sum(axis=1), 1e-9)
        worth = np.where(ahead, lost, 0.0).sum(axis=1) > 0.0  # time gained before the corner is braking well
        share = np.where(worth, by_coasting / whole, 0.0)[:, None]
        parts["coasting"] += np.where(ahead, share * lost, 0.0)
        parts["braking"] += np.where(ahead, (1.0 - share) * lost, 0.0)
        parts["power"] += np.where(own & ~ahead, lost, 0.0)
    outside = np.ones_like(lost, dtype=bool) & (corner < 0)
    parts["power"] += np.where(outside, lost, 0.0)
    return parts


def against(ledger: Ledger, target: Ledger) -> Ledger:
    """A ledger against another lap's (one row, or as many) instead of the reference lap."""
    causes = {name: ledger.causes[name] - target.causes[name] for name in CAUSES}
    return replace(ledger, total=ledger.total - target.total, line=ledger.line - target.line, causes=causes)
