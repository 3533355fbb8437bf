"""Laps that differ more than a consistent driver's: the driver held against his own laps and his own usual passes.

A driver who does something else wrong on every lap may have lap times that hardly differ, since every lap has its
fault: his corners tell, most passes of which are alike, and some spoilt.  Nothing but times and speeds enters, so this
is told where neither the line nor the technique can be judged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.diagnosis import Slip, slip_on
from linelab.coaching.kinds import FaultKind, Quantity
from linelab.coaching.marked import SessionMarks
from linelab.coaching.values import Evidence, Priority
from linelab.coaching.words import ADVICE
from linelab.comparison.estimate import DrivenLap
from linelab.comparison.losses import segment_edges
from linelab.comparison.measured import Measured
from linelab.comparison.onsets import Mask
from linelab.comparison.timed import time_at
from linelab.lap import Lap
from linelab.units import Array

#: A driver repeats well where typical laps lie within this standard deviation [s]: common practice calls laps within a
#: tenth of a second of each other consistent.
REPEATS, LEAST_LAPS, LEAST_TREND = 0.1, 4, 6
#: Corners told, and how many standard deviations a difference between laps must have.
MOST_CORNERS, CLEAR = 3, 2.0
#: A pass is spoilt that takes this much longer than the usual one [s], and so many times the usual spread of passes: a
#: sound driver's lie within some hundredths of each other, and a slide, a missed apex or a late foot costs a tenth.
SPOILT, FAR = 0.08, 3.0
#: Spoilt laps, least number and share [-], and corners, that are no accident and no single corner's fault.
SPOILT_LAPS, SPOILT_SHARE, SPOILT_CORNERS = 3, 1.0 / 3.0, 3


#: What is done otherwise than usual on a spoilt pass, in words: how much is filled in.
OTHERWISE: dict[FaultKind, str] = {
    "brakes_early": "the braking begins {} earlier than usual",
    "coasts": "neither pedal is down for {} longer than usual on the way in",
    "too_slow_in_corner": "you are {} slower than usual at the slowest point",
    "power_late": "you wait {} longer than usual with the power",
    "power_abrupt": "you lose {} again once the power is on",
    "slide": "you lose {} more than a rolling kart would",
}


class _Spread(NamedTuple):
    """How typical laps differ: standard deviation, its error, and what is lost by it [s]; whether that is told."""

    value: float
    error: float
    stake: Measured
    told: bool


def corner_times(analysis: Analysis) -> Array:
    """Time of each lap in each corner's stretch (L, C) [s]: the same stations for all laps, so that they compare."""
    edges = segment_edges(analysis.segments)
    laps = [drive.lap for drive in analysis.sheet.driven]
    return analysis.by_corner(np.diff([time_at(lap.line.s, lap.t, edges) for lap in laps], axis=1))


def pass_errors(analysis: Analysis) -> Array:
    """What measuring makes uncertain in one of these times (C,), as far as it differs from lap to lap [s].

    The receiver's noise, and when a position bias that changes lets the ends be passed: within the pass, and from one
    lap to the next where the direction of travel turns.
    """
    losses = analysis.losses[: analysis.count]
    drawn = analysis.by_corner(np.concatenate([each.draws for each in losses]))
    noise = np.std(drawn, axis=0) if drawn.shape[0] else np.zeros(drawn.shape[1])
    drift = np.sqrt(np.mean([analysis.by_corner(each.drift**2) for each in losses], axis=0))
    turned = np.mean([np.hypot(*analysis.by_corner(each.shift.T)) for each in losses], axis=0)
    times = analysis.sheet.t[:, -1]
    change = analysis.sheet.driven[0].bias.change(float(np.median(times)))
    return np.asarray(np.sqrt(noise**2 + drift**2 + (change * turned) ** 2))


def scatter_priority(analysis: Analysis, marked: SessionMarks) -> Priority | None:
    """What the usual lap loses to the own good laps or passes, where that is clearly more than a consistent driver's.

    Both ways of counting leave out what a consistent driver loses as well; the larger is at stake.
    """
    times = analysis.sheet.t[:, -1]
    typical = analysis.usual
    laps = times[typical]
    if laps.size < LEAST_LAPS:
        return None
    kept = [drive for drive, usual in zip(analysis.sheet.driven, typical) if usual]
    spread = _spread(laps, float(np.mean([drive.lap_time_sigma for drive in kept])))
    sigma = pass_errors(analysis)
    behind = spoilt_passes(corner_times(analysis)[typical], sigma)
    changing = _changing(behind)
    if not (spread.told or changing):
        return None
    labels = [drive.lap.label for drive in kept]
    slowest, fastest = labels[int(laps.argmax())], labels[int(laps.argmin())]
    if changing:
        corners, shown = _spoilt_evidence(analysis, behind, sigma, kept)
    else:
        uneven = _uneven(analysis, marked, sigma, typical)
        corners = [k for k, _ in uneven]
        shown = [_evidence(analysis, marked, typical, k, lost) for k, lost in uneven]
    stakes = [stake for stake, told in ((spread.stake, spread.told), (_stake(behind, sigma), changing)) if told]
    advice = ADVICE["scatter"]
    return Priority(
        rank=0,
        kind="scatter",
        title=advice.title,
        corners=tuple(analysis.marks[k].corner.number for k in corners),
        at_stake=max(stakes, key=lambda stake: stake.value or 0.0),
        evidence=(_laps_evidence(spread, laps, fastest, slowest), *shown),
        feel=advice.feel,
        exercise=advice.exercise,
        laps=(fastest, slowest),
    )


def spoilt_passes(times: Array, sigma: Array) -> Array:
    """Time by which passes are behind the usual one of their corner (L, C) [s] where they are spoilt, else zero.

    Parameters
    ----------
    times : (L, C) array
        Time of each lap in each corner [s].
    sigma : (C,) array
        What measuring makes uncertain in one of them [s].
    """
    level = _without_steady_trend(times)
    behind = level - np.median(level, axis=0)
    # Spoilt passes are slow ones: how passes usually differ shows in those no slower than the usual one.  Of a normal
    # distribution this is the standard deviation.
    usual = 1.4826 * np.nanmedian(np.where(behind <= 0.0, -behind, np.nan), axis=0)
    limit = np.maximum(SPOILT, np.maximum(FAR * usual, CLEAR * math.sqrt(2.0) * sigma))
    return np.where(behind > limit, behind, 0.0)


def _changing(behind: Array) -> bool:
    """Whether the driver spoils now this corner, now that one: on enough laps, in enough corners."""
    laps, corners = int((behind > 0.0).any(axis=1).sum()), int((behind > 0.0).any(axis=0).sum())
    return laps >= max(SPOILT_LAPS, SPOILT_SHARE * behind.shape[0]) and corners >= SPOILT_CORNERS


def _stake(behind: Array, sigma: Array) -> Measured:
    """What spoilt passes cost a lap: it is known by so many laps, each measured with an error."""
    count, each = behind.shape[0], behind.sum(axis=1)
    measured = math.sqrt(2.0 * float(((behind > 0.0) * sigma**2).sum())) / count
    return Measured(float(each.mean()), math.hypot(float(np.std(each, ddof=1)) / math.sqrt(count), measured))


def _spread(laps: Array, noise: float) -> _Spread:
    """How typical laps (L,) differ beyond the noise of measuring [s]."""
    level, unknowns = _without_trend(laps)
    spread = math.sqrt(max(float(np.var(level, ddof=unknowns)) - noise**2, 0.0))
    error = spread / math.sqrt(2.0 * (laps.size - unknowns))
    good = np.sort(level)[: max(laps.size // 4, 1)]
    # A driver who repeats well has good laps and worse ones too: only what is beyond that can be won.
    beyond = max(1.0 - REPEATS / max(spread, 1e-9), 0.0)
    stake = Measured(beyond * float(level.mean() - good.mean()), float(np.hypot(error, noise / math.sqrt(laps.size))))
    return _Spread(spread, error, stake, spread - error >= REPEATS)


def _laps_evidence(spread: _Spread, laps: Array, fastest: str, slowest: str) -> Evidence:
    """How far lap times lie apart, and what a driver who repeats well does where that is clearly less."""
    said = f"Between {fastest} and {slowest} lie {float(np.ptp(laps)):.2f} s."
    if spread.told:
        said = (
            f"Your laps differ by ±{spread.value:.2f} s; a driver who repeats well stays within about ±{REPEATS} s. "
            + said
        )
    return Evidence(said)


def _spoilt_evidence(
    analysis: Analysis, behind: Array, sigma: Array, kept: Sequence[DrivenLap]
) -> tuple[list[int], list[Evidence]]:
    """Corners that spoilt passes cost most in, dearest first, and the passes in words."""
    spoilt, labels = behind > 0.0, [drive.lap.label for drive in kept]
    lost = behind.sum(axis=0)
    corners = [int(k) for k in np.argsort(-lost, kind="stable")[:MOST_CORNERS] if lost[k] > 0.0]
    shown = [
        Evidence(
            f"On {int(spoilt.any(axis=1).sum())} of {len(labels)} laps you are more than {SPOILT} s behind your own "
            f"usual pass of a corner, in {int(spoilt.any(axis=0).sum())} different corners: no one habit, but now this "
            "and now that."
        )
    ]
    for k in corners:
        worst = int(behind[:, k].argmax())
        others = int(spoilt[:, k].sum()) - 1
        text = f"Corner {analysis.marks[k].corner.number}: {{}} behind your usual pass on {labels[worst]}"
        text += f", and less on {others} other lap{'s' if others > 1 else ''}." if others else "."
        figure = Measured(float(behind[worst, k]), math.sqrt(2.0) * float(sigma[k]))
        slip = _slip(analysis, kept[worst].lap, k, figure)
        also, done = ("", ()) if slip is None else _otherwise(slip, labels[worst])
        shown.append(Evidence(text + also, ((figure, "time"), *done)))
    return corners, shown


def _slip(analysis: Analysis, lap: Lap, k: int, behind: Measured) -> Slip | None:
    """What was done otherwise on a spoilt pass, where the speed tells."""
    if analysis.diagnosis is None:
        return None
    share = (behind.sigma or 0.0) / max(behind.value or 0.0, 1e-3)
    return slip_on(analysis.diagnosis, lap, k, share)


def _otherwise(slip: Slip, label: str) -> tuple[str, tuple[tuple[Measured, Quantity], ...]]:
    """What was done otherwise on a lap, in words, and the figures in them."""
    if slip.kind == "brakes_softly":
        return (
            f" On {label} you brake with about {100.0 * (slip.done.size.value or 0.0):.0f} % of your usual force.",
            (),
        )
    return f" On {label} {OTHERWISE[slip.kind]}.", ((slip.done.size, slip.done.quantity),)


def _without_steady_trend(times: Array) -> Array:
    """Passes (L, C) without their corner's trend [s]: the median of the slopes between all pairs of laps.

    The estimator of Theil (1950) and Sen (1968): unlike a fitted line it does not follow a few spoilt passes.
    """
    if times.shape[0] < LEAST_TREND:
        return times
    first, second = np.triu_indices(times.shape[0], 1)
    slope = np.median((times[second] - times[first]) / (second - first)[:, None], axis=0)
    index = np.arange(times.shape[0])
    return np.asarray(times - slope * (index - index.mean())[:, None])


def _without_trend(laps: Array) -> tuple[Array, int]:
    """Lap times without their trend, and how many unknowns that took: tyres and learning are no scatter.

    A few laps show no trend that could be told from scatter.
    """
    if laps.size < LEAST_TREND:
        return laps, 1
    index = np.arange(laps.size)
    slope = np.polyfit(index, laps, 1)[0]
    return laps - slope * (index - index.mean()), 2


def _uneven(analysis: Analysis, marked: SessionMarks, errors: Array, typical: Mask) -> list[tuple[int, Measured]]:
    """Corners where the usual lap is clearly behind the driver's best pass, the most first, and by how much.

    In time, or in minimum speed, which a receiver's drift does not touch.
    """
    times, found = corner_times(analysis)[typical], []
    for k in range(times.shape[1]):
        behind = float(np.median(times[:, k]) - times[:, k].min())
        # A median of a few and the smallest of a few: each about as certain as one.
        sigma = math.sqrt(2.0) * float(errors[k])
        best, usual = _minimum_speeds(marked, typical, k, int(times[:, k].argmin()))
        if behind > CLEAR * sigma or (behind > sigma and _slower(best, usual)):
            found.append((k, Measured(behind, sigma)))
    return sorted(found, key=lambda item: -(item[1].value or 0.0))[:MOST_CORNERS]


def _minimum_speeds(marked: SessionMarks, typical: Mask, k: int, best: int) -> tuple[Measured, Measured]:
    """Minimum speed of the best pass and of the usual one [m/s]."""
    speeds, errors = (table["min_speed"][typical, k] for table in (marked.figures, marked.sigma))
    return (
        Measured(float(speeds[best]), float(errors[best])),
        Measured(float(np.median(speeds)), float(np.median(errors))),
    )


def _slower(best: Measured, usual: Measured) -> bool:
    """Whether the usual pass is clearly slower at its slowest than the best one."""
    gap = (best.value or 0.0) - (usual.value or 0.0)
    return gap > CLEAR * math.hypot(best.sigma or 0.0, usual.sigma or 0.0)


def _evidence(analysis: Analysis, marked: SessionMarks, typical: Mask, k: int, behind: Measured) -> Evidence:
    """What the best pass has over the usual one: time, and the minimum speed where that is clearly higher."""
    times = corner_times(analysis)[typical, k]
    labels = [drive.lap.label for drive, kept in zip(analysis.sheet.driven, typical) if kept]
    at = int(times.argmin())
    text = (
        f"Corner {analysis.marks[k].corner.number}: your usual pass takes {{}} longer than your best, on {labels[at]}"
    )
    figures: list[tuple[Measured, Quantity]] = [(behind, "time")]
    best, usual = _minimum_speeds(marked, typical, k, at)
    if _slower(best, usual):
        text += "; your minimum speed was {} then, usually {}"
        figures += [(best, "speed"), (usual, "speed")]
    return Evidence(text + ".", tuple(figures))
