"""How repeatable the session was: laps, corners, marks, the line, the trend, and what differing laps cost.

Lap times may hardly differ although every lap has another mistake; so each corner's passes are also compared with the
driver's own usual pass.  Only times and speeds are used: this needs neither a rated line nor a fitted driver model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.coach_words import ADVICE, MARKS
from linelab.coaching.mark_figures import EDGES, TOO_SLOW, SessionMarks, spread_over_laps
from linelab.coaching.results import Consistency, CornerSpread, Evidence, LineBand, Priority
from linelab.diagnosis.findings import Slip, slip_on
from linelab.diagnosis.kinds import FaultKind, Quantity
from linelab.diagnosis.losses import segment_edges
from linelab.diagnosis.marks import Mask
from linelab.measured import Measured, withheld
from linelab.model.lap import Lap
from linelab.model.timed import time_at
from linelab.motion.estimate import DrivenLap
from linelab.units import Array

#: A driver repeats well where typical laps lie within this standard deviation [s]: common practice calls laps within a
#: tenth of a second of each other consistent.
REPEATS, LEAST_SCATTERED, LEAST_DRIFTED = 0.1, 4, 6
#: Corners named, and how many standard deviations a difference between laps must have.
MOST_CORNERS, CLEARLY_APART = 3, 2.0
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
    """How typical laps differ: standard deviation, its error, and what is lost by it [s]; whether that is reported."""

    value: float
    error: float
    stake: Measured
    clear: bool


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
    if laps.size < LEAST_SCATTERED:
        return None
    kept = [drive for drive, usual in zip(analysis.sheet.driven, typical) if usual]
    spread = _own_spread(laps, float(np.mean([drive.lap_time_sigma for drive in kept])))
    sigma = pass_errors(analysis)
    behind = spoilt_passes(corner_times(analysis)[typical], sigma)
    changing = _changing(behind)
    if not (spread.clear or changing):
        return None
    labels = [drive.lap.label for drive in kept]
    slowest, fastest = labels[int(laps.argmax())], labels[int(laps.argmin())]
    if changing:
        corners, shown = _spoilt_evidence(analysis, behind, sigma, kept)
    else:
        uneven = _uneven(analysis, marked, sigma, typical)
        corners = [k for k, _ in uneven]
        shown = [_evidence(analysis, marked, typical, k, lost) for k, lost in uneven]
    stakes = [stake for stake, counts in ((spread.stake, spread.clear), (_stake(behind, sigma), changing)) if counts]
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
    limit = np.maximum(SPOILT, np.maximum(FAR * usual, CLEARLY_APART * math.sqrt(2.0) * sigma))
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


def _own_spread(laps: Array, noise: float) -> _Spread:
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
    said = f"Your fastest and slowest usual laps, {fastest} and {slowest}, are {float(np.ptp(laps)):.2f} s apart."
    if spread.clear:
        said = (
            f"Your laps usually lie within {spread.value:.2f} s of their average; those of a driver who repeats well, "
            f"within about {REPEATS} s. " + said
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
            f"On {int(spoilt.any(axis=1).sum())} of {len(labels)} laps you lose more than {SPOILT} s to your own usual "
            f"pass of a corner, in {int(spoilt.any(axis=0).sum())} different corners. It is not one habit, but "
            "different mistakes."
        )
    ]
    for k in corners:
        worst = int(behind[:, k].argmax())
        others = int(spoilt[:, k].sum()) - 1
        text = f"Corner {analysis.marks[k].corner.number}: on {labels[worst]} you are {{}} behind your usual pass"
        text += f", on {others} other lap{'s' if others > 1 else ''} less." if others else "."
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
    if times.shape[0] < LEAST_DRIFTED:
        return times
    first, second = np.triu_indices(times.shape[0], 1)
    slope = np.median((times[second] - times[first]) / (second - first)[:, None], axis=0)
    index = np.arange(times.shape[0])
    return np.asarray(times - slope * (index - index.mean())[:, None])


def _without_trend(laps: Array) -> tuple[Array, int]:
    """Lap times without their trend, and how many unknowns that took: tyres and learning are no scatter.

    A few laps show no trend that can be distinguished from scatter.
    """
    if laps.size < LEAST_DRIFTED:
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
        if behind > CLEARLY_APART * sigma or (behind > sigma and _slower(best, usual)):
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
    return gap > CLEARLY_APART * math.hypot(best.sigma or 0.0, usual.sigma or 0.0)


def _evidence(analysis: Analysis, marked: SessionMarks, typical: Mask, k: int, behind: Measured) -> Evidence:
    """What the best pass has over the usual one: time, and the minimum speed where that is clearly higher."""
    times = corner_times(analysis)[typical, k]
    labels = [drive.lap.label for drive, kept in zip(analysis.sheet.driven, typical) if kept]
    at = int(times.argmin())
    number = analysis.marks[k].corner.number
    text = f"Corner {number}: your usual pass takes {{}} longer than your best, on {labels[at]}"
    figures: list[tuple[Measured, Quantity]] = [(behind, "time")]
    best, usual = _minimum_speeds(marked, typical, k, at)
    if _slower(best, usual):
        text += ". Your minimum speed was {} then. Usually it is {}"
        figures += [(best, "speed"), (usual, "speed")]
    return Evidence(text + ".", tuple(figures))


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
    """How a mark varies over the laps that show it; an error that all laps share does not matter."""
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
