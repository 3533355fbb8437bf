"""Laps that differ more than a consistent driver's: the driver held against his own good laps.

Nothing but times and speeds enters, so this is told where neither the line nor the technique can be judged.
"""

from __future__ import annotations

import math

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.marked import SessionMarks
from linelab.coaching.pedals import Mask
from linelab.coaching.split import LapSplit
from linelab.coaching.typical import typical_laps
from linelab.coaching.values import Evidence, Priority, Quantity
from linelab.coaching.words import ADVICE
from linelab.comparison.measured import Measured
from linelab.units import Array

#: A driver repeats well where typical laps lie within this standard deviation [s]: common practice calls laps within a
#: tenth of a second of each other consistent.
REPEATS, LEAST_LAPS, LEAST_TREND = 0.1, 4, 6
#: Corners told, and how many standard deviations a difference between laps must have.
MOST_CORNERS, CLEAR = 3, 2.0


def corner_times(analysis: Analysis) -> Array:
    """Time of each lap in each corner (L, C) [s], from where the corner is usually prepared for to the next such place.

    The same stations for all laps, so that laps can be told apart by them.
    """
    windows, sheet = analysis.windows, analysis.sheet
    begin = np.median(windows.begin[: sheet.count], axis=0).astype(np.intp)
    if not begin.size:
        return np.zeros((sheet.count, 0))
    end = np.append(begin[1:], begin[0] + windows.count if windows.closed else windows.count)
    turns, at = np.divmod(np.array([begin, end]), windows.count) if windows.closed else (0.0, np.array([begin, end]))
    clock = sheet.t[:, at] + turns * sheet.t[:, -1:, None]
    return np.asarray(clock[:, 1] - clock[:, 0])


def scatter_priority(analysis: Analysis, marked: SessionMarks, splits: list[LapSplit]) -> Priority | None:
    """What the usual lap loses to the own good laps, where that is clearly more than a consistent driver loses."""
    times = analysis.sheet.t[:, -1]
    typical = typical_laps(times)
    laps = times[typical]
    if laps.size < LEAST_LAPS:
        return None
    level, unknowns = _without_trend(laps)
    noise = float(np.mean([drive.lap_time_sigma for drive, kept in zip(analysis.sheet.driven, typical) if kept]))
    spread = math.sqrt(max(float(np.var(level, ddof=unknowns)) - noise**2, 0.0))
    error = spread / math.sqrt(2.0 * (laps.size - unknowns))
    if spread - error < REPEATS:
        return None
    good = np.sort(level)[: max(laps.size // 4, 1)]
    # A driver who repeats well has good laps and worse ones too: only what is beyond that can be won.
    beyond = 1.0 - REPEATS / spread
    advice = ADVICE["scatter"]
    labels = [drive.lap.label for drive, kept in zip(analysis.sheet.driven, typical) if kept]
    slowest, fastest = labels[int(laps.argmax())], labels[int(laps.argmin())]
    uneven = _uneven(analysis, splits, typical)
    return Priority(
        rank=0,
        kind="scatter",
        title=advice.title,
        corners=tuple(analysis.marks[k].corner.number for k, _ in uneven),
        at_stake=Measured(
            beyond * float(level.mean() - good.mean()), float(np.hypot(error, noise / math.sqrt(laps.size)))
        ),
        evidence=(
            Evidence(
                f"Your laps differ by ±{spread:.2f} s; a driver who repeats well stays within about ±{REPEATS} s. "
                f"Between {fastest} and {slowest} lie {float(np.ptp(laps)):.2f} s."
            ),
            *(_evidence(analysis, marked, typical, k, behind) for k, behind in uneven),
        ),
        feel=advice.feel,
        exercise=advice.exercise,
        laps=(fastest, slowest),
    )


def _without_trend(laps: Array) -> tuple[Array, int]:
    """Lap times without their trend, and how many unknowns that took: tyres and learning are no scatter.

    A few laps show no trend that could be told from scatter.
    """
    if laps.size < LEAST_TREND:
        return laps, 1
    index = np.arange(laps.size)
    slope = np.polyfit(index, laps, 1)[0]
    return laps - slope * (index - index.mean()), 2


def _uneven(analysis: Analysis, splits: list[LapSplit], typical: Mask) -> list[tuple[int, Measured]]:
    """Corners where the usual lap is clearly behind the driver's best pass, the most first, and by how much."""
    times, found = corner_times(analysis)[typical], []
    for k in range(times.shape[1]):
        behind = float(np.median(times[:, k]) - times[:, k].min())
        # A median of a few and the smallest of a few: each about as certain as one.
        sigma = math.sqrt(2.0) * float(np.mean([split.corners[k].time_lost.sigma or 0.0 for split in splits]))
        if behind > CLEAR * sigma:
            found.append((k, Measured(behind, sigma)))
    return sorted(found, key=lambda item: -(item[1].value or 0.0))[:MOST_CORNERS]


def _evidence(analysis: Analysis, marked: SessionMarks, typical: Mask, k: int, behind: Measured) -> Evidence:
    """What the best pass has over the usual one: time, and the minimum speed where that differs clearly."""
    times = corner_times(analysis)[typical, k]
    labels = [drive.lap.label for drive, kept in zip(analysis.sheet.driven, typical) if kept]
    best = int(times.argmin())
    text = (
        f"Corner {analysis.marks[k].corner.number}: your usual pass takes {{}} longer than your best, on {labels[best]}"
    )
    speeds, errors = (table["min_speed"][typical, k] for table in (marked.figures, marked.sigma))
    figures: list[tuple[Measured, Quantity]] = [(behind, "time")]
    usual, error = float(np.median(speeds)), float(np.median(errors))
    if abs(speeds[best] - usual) > CLEAR * math.hypot(float(errors[best]), error):
        text += "; your minimum speed was {} then, usually {}"
        figures += [(Measured(float(speeds[best]), float(errors[best])), "speed"), (Measured(usual, error), "speed")]
    return Evidence(text + ".", tuple(figures))
