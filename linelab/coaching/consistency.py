"""How repeatable the session was: laps, corners, marks, the line, the trend, and what differing laps cost.

Lap times may hardly differ although every lap has another mistake; so each corner's passes are also compared with the
driver's own usual pass.  Only times and speeds are used: this needs neither a rated line nor a fitted driver model.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.coach_words import ADVICE, MARKS, OVER, corners_text, listed
from linelab.coaching.mark_figures import (
    EDGES,
    TOO_SLOW,
    SessionMarks,
    counted_from,
    spread_over_laps,
    usual_mark,
)
from linelab.coaching.results import Consistency, CornerSpread, DrivenMarks, Evidence, LineBand, Mark, Priority
from linelab.coaching.targets import usual_target
from linelab.diagnosis import priors
from linelab.diagnosis.findings import Slip, slip_on
from linelab.diagnosis.kinds import FaultKind, Quantity
from linelab.diagnosis.marks import Mask
from linelab.diagnosis.stretches import Phase
from linelab.measured import Apart, Measured, withheld
from linelab.model.lap import Lap
from linelab.motion.estimate import DrivenLap
from linelab.motion.own_passes import consistent_loss
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


def clear_passes(analysis: Analysis) -> list[tuple[int, Measured]]:
    """Corners where the driver clearly loses more to his own quickest pass than one who repeats well would, and what
    the usual lap loses there [s]; none where something better than his own passes is at hand."""
    if usual_target(analysis) == "computed":
        return []
    passes, usual = analysis.passes, np.flatnonzero(analysis.usual)
    spent = np.median(passes.measured, axis=0)
    same = consistent_loss(len(analysis.every), spent / spent.sum(), REPEATS)
    lost = [passes.behind(usual, k) for k in range(passes.best.size)]
    return [
        (k, stake)
        for k, stake in enumerate(lost)
        if (stake.value or 0.0) - same[k] > priors.CLEAR * (stake.sigma or 0.0)
    ]


def own_pass_priorities(
    analysis: Analysis, marked: SessionMarks, own: Callable[[], Sequence[DrivenMarks]]
) -> dict[int, Priority]:
    """Those corners, by index, as things to work on.

    Parameters
    ----------
    own : callable
        Gives the marks of the quickest pass of each corner.
    """
    passes, usual, advice = analysis.passes, np.flatnonzero(analysis.usual), ADVICE["own_pass"]
    found: dict[int, Priority] = {}
    for k, stake in clear_passes(analysis):
        lap, number = analysis.every[passes.best[k]].lap.label, analysis.marks[k].corner.number
        slowest = int(usual[passes.measured[usual, k].argmax()])
        found[k] = Priority(
            rank=0, kind="own_pass", title=advice.title.format(where=corners_text((number,)), lap=lap),
            corners=(number,), at_stake=stake, evidence=(pass_evidence(analysis, marked, own()[k], k),),
            feel=advice.feel, exercise=advice.exercise, laps=(lap, analysis.every[slowest].lap.label),
        )  # fmt: skip
    return found


#: Differences named at most.
MOST_NAMED = 3
#: Phases in words, for where a pass was quicker.
WHERE: dict[Phase, str] = {
    "braking": "on the way up to it", "entry": "on the way in", "exit": "on the way out",
    "straight": "on the straight after it",
}  # fmt: skip


def clear_marks(gaps: Mapping[str, Measured], who: str) -> tuple[str, tuple[tuple[Measured, Quantity], ...]]:
    """Marks that clearly differ, in words and with their figures; empty where none does.

    Parameters
    ----------
    gaps : mapping of str to Measured
        Differences by the names of OVER.
    who : str
        "did", "do" or "does": whose doing it is, see :class:`linelab.coaching.coach_words.Done`.
    """
    clear = {
        name: abs(gap.value) / max(gap.sigma or 0.0, 1e-9)
        for name, gap in gaps.items()
        if gap.value is not None and abs(gap.value) > CLEARLY_APART * (gap.sigma or 0.0)
    }
    named = sorted(clear, key=lambda name: -clear[name])[:MOST_NAMED]
    named = [name for name in OVER if name in named]  # in driving order
    if not named:
        return "", ()
    words = [OVER[name].said(getattr(OVER[name], who), gaps[name].value or 0.0) for name in named]
    return listed(words), tuple((_size(gaps[name]), MARKS[name].quantity) for name in named)


def _size(gap: Measured) -> Measured:
    """A difference without its sign, which the words have."""
    return gap if isinstance(gap, Apart) else Measured(abs(gap.value or 0.0), gap.sigma)


def pass_evidence(analysis: Analysis, marked: SessionMarks, own: DrivenMarks, k: int) -> Evidence:
    """What the quickest pass of a corner has over the usual ones: its marks where they differ clearly, else where the
    time is."""
    passes, usual = analysis.passes, np.flatnonzero(analysis.usual)
    best = int(passes.best[k])
    said = f"On {analysis.every[best].lap.label} you took {{}} less than usual here"
    stake = passes.behind(usual, k)
    gaps = {}
    for name in OVER:
        one, others = own.named()[name].driven, usual_mark([marked.laps[lap][k] for lap in usual], name).driven
        if one.known and others.value is not None:
            beside = Mark(one, others.value, others.sigma or 0.0)
            gaps[name] = beside.from_place(counted_from(name, analysis.marks[k]))
    done, figures = clear_marks(gaps, "did")
    if done:
        return Evidence(f"{said}: you {done}.", ((stake, "time"), *figures))
    number = analysis.marks[k].corner.number
    parts = {
        phase: sum(
            float(np.mean([analysis.losses[lap].loss[m] for lap in usual]) - analysis.losses[best].loss[m])
            for m, segment in enumerate(analysis.segments)
            if segment.corner == number and segment.phase == phase
        )
        for phase in WHERE
    }
    most = max(parts, key=lambda phase: parts[phase])
    return Evidence(f"{said}, most of it {WHERE[most]}. No single mark shows how.", ((stake, "time"),))


def scatter_priority(
    analysis: Analysis, marked: SessionMarks, own: Callable[[], Sequence[DrivenMarks]]
) -> Priority | None:
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
    sigma = analysis.passes.sigma
    behind = spoilt_passes(analysis.passes.measured[: analysis.count][typical], sigma)
    changing = _changing(behind)
    if not (spread.clear or changing):
        return None
    labels = [drive.lap.label for drive in kept]
    slowest, fastest = labels[int(laps.argmax())], labels[int(laps.argmin())]
    if changing:
        corners, shown = _spoilt_evidence(analysis, behind, sigma, kept)
    else:
        corners = _uneven(analysis)
        shown = [pass_evidence(analysis, marked, own()[k], k) for k in corners]
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


def _uneven(analysis: Analysis) -> list[int]:
    """Corners where the usual lap is clearly behind the driver's quickest pass, the most first."""
    usual = np.flatnonzero(analysis.usual)
    lost = [analysis.passes.behind(usual, k) for k in range(analysis.passes.best.size)]
    clear = [k for k, each in enumerate(lost) if (each.value or 0.0) > CLEARLY_APART * (each.sigma or 0.0)]
    return sorted(clear, key=lambda k: -(lost[k].value or 0.0))[:MOST_CORNERS]


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
    lost = analysis.passes.measured[: analysis.count]
    errors = np.broadcast_to(analysis.passes.sigma, lost.shape)
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
    return LineBand(s=sheet.s, n=n.mean(axis=0), spread=spread, noise=noise, laps=len(chosen))
