"""How repeatable the session was: laps, corners, marks, the line, and the trend."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.definitions import MARKS
from linelab.coaching.marked import EDGES, TOO_SLOW, SessionMarks, spread_over_laps
from linelab.coaching.scatter import corner_times, pass_errors
from linelab.coaching.values import Consistency, CornerSpread, LineBand
from linelab.comparison.measured import Measured, withheld
from linelab.comparison.onsets import Mask
from linelab.units import Array

#: Laps within this of each other repeat: common practice for a lap of under a minute [s].
ALIKE = 0.1
#: Fewest laps for spreads and for a trend.
LEAST_LAPS, LEAST_TREND = 3, 5


def consistency(analysis: Analysis, marked: SessionMarks) -> Consistency:
    """Repeatability of a session.

    Parameters
    ----------
    analysis : Analysis
    marked : SessionMarks
    """
    sheet = analysis.sheet
    times = sheet.t[:, -1]
    typical = analysis.usual
    labels = [drive.lap.label for drive in sheet.driven]
    sigma = np.array([drive.lap_time_sigma for drive in sheet.driven])
    best, median = float(times.min()), float(np.median(times))
    trend, words = _trend(times, typical, sigma)
    lost = corner_times(analysis)
    errors = np.broadcast_to(pass_errors(analysis), lost.shape)
    corners = tuple(
        CornerSpread(
            corner=mark.corner,
            time=_spread(lost[typical, k], errors[typical, k]),
            cost=_cost(lost[typical, k]),
            marks=tuple((name, _mark_spread(marked, typical, name, k)) for name in MARKS),
        )
        for k, mark in enumerate(analysis.marks)
    )  # fmt: skip
    return Consistency(
        laps=len(labels),
        within_best=tuple(label for label, time in zip(labels, times) if time <= best + ALIKE),
        within_median=tuple(label for label, time in zip(labels, times) if abs(time - median) <= ALIKE),
        median=median,
        spread=_spread(times[typical], sigma[typical]),
        trend=trend,
        trend_words=words,
        corners=corners,
        least_repeatable=next((item.corner.number for item in least_repeatable_first(corners) if _varies(item)), None),
        band=line_band(analysis, typical),
    )


def _mark_spread(marked: SessionMarks, typical: Mask, name: str, k: int) -> Measured:
    """How a mark varies over the laps that tell it; what takes all of them alike does not keep it from being told."""
    marks = [laps[k].named()[name].driven for laps, kept in zip(marked.laps, typical) if kept]
    values = np.where(
        [mark.known or (name in EDGES and TOO_SLOW not in mark.reason) for mark in marks],
        marked.figures[name][typical, k],
        np.nan,
    )
    if marks and not np.isfinite(values).any():
        return withheld(marks[0].reason or f"no {MARKS[name].name} found here")
    return _spread(values, marked.sigma[name][typical, k])


def _spread(values: Array, sigma: Array) -> Measured:
    """Standard deviation over laps, what measuring adds taken off."""
    if np.isfinite(values).sum() < LEAST_LAPS:
        return withheld(f"fewer than {LEAST_LAPS} laps to compare")
    left, error = spread_over_laps(values, sigma)
    return Measured(left, error)


def _cost(lost: Array) -> Measured:
    """Mean time lost against the mean of the fastest quarter of the laps."""
    if lost.size < LEAST_LAPS:
        return withheld(f"fewer than {LEAST_LAPS} laps to compare")
    quarter = np.sort(lost)[: max(lost.size // 4, 1)]
    return Measured(float(lost.mean() - quarter.mean()), float(np.std(lost, ddof=1) / math.sqrt(lost.size)))


def _trend(times: Array, typical: Mask, sigma: Array) -> tuple[Measured, str]:
    """Straight line through the typical laps' times, and what it may mean."""
    index = np.flatnonzero(typical)
    if index.size < LEAST_TREND:
        return withheld(f"fewer than {LEAST_TREND} laps for a trend"), "too few laps for a trend"
    away = index - index.mean()
    slope = float((away * times[index]).sum() / (away**2).sum())
    rest = times[index] - times[index].mean() - slope * away
    error = math.sqrt(float((rest**2).sum()) / (index.size - 2) / float((away**2).sum()))
    error = math.hypot(error, float(sigma[index].mean()) / math.sqrt(float((away**2).sum())))
    if abs(slope) < 2.0 * error:
        words = "no clear trend over the session"
    elif slope > 0.0:
        words = "getting slower lap by lap: tyres going off, or the driver tiring"
    else:
        words = "getting faster lap by lap: tyres or track coming in, or the driver learning"
    return Measured(slope, error), words


def least_repeatable_first(corners: Sequence[CornerSpread]) -> list[CornerSpread]:
    """Corners by how much their time varies; those where that is not clear of noise last."""
    return sorted(corners, key=lambda item: (_varies(item), item.time.value or 0.0), reverse=True)


def _varies(item: CornerSpread) -> bool:
    """Whether a corner's time varies by clearly more than measuring does."""
    return item.time.value is not None and item.time.value > 2.0 * (item.time.sigma or 0.0)


def line_band(analysis: Analysis, typical: Mask) -> LineBand:
    """Mean line of the typical laps and its spread."""
    sheet = analysis.sheet
    n = sheet.laps.n[typical]
    spread = np.std(n, axis=0, ddof=1) if n.shape[0] > 1 else np.zeros(sheet.s.size)
    chosen = [drive for drive, kept in zip(sheet.driven, typical) if kept]
    across = [np.interp(sheet.s, drive.lap.line.s, drive.sigma_n) for drive in chosen]
    span = float(np.mean(np.diff(np.flatnonzero(typical)))) if len(chosen) > 1 else 1.0
    drift = [drive.bias.change(span * drive.lap.lap_time) / math.sqrt(2.0) for drive in chosen]
    noise = np.sqrt(np.mean(np.square(across), axis=0) + float(np.mean(np.square(drift))))
    return LineBand(s=sheet.s, n=n.mean(axis=0), spread=spread, noise=noise)
