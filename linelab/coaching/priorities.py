"""What to work on first: habits that cost clearly, put together by kind, with the evidence."""

from __future__ import annotations

import math

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.faults import Finding
from linelab.coaching.marked import SessionMarks, common
from linelab.coaching.pedals import Mask
from linelab.coaching.typical import typical_laps
from linelab.coaching.values import FaultKind, Priority
from linelab.coaching.words import ADVICE, corners_text, laps_text
from linelab.comparison.measured import Measured

#: Most priorities, and what all corners of one must cost together at least [s].
MOST, LEAST = 3, 0.04
#: A driver repeats well where typical laps lie within this standard deviation [s]: common practice calls laps within a
#: tenth of a second of each other consistent.
REPEATS, LEAST_LAPS = 0.1, 5
#: What each habit is shown by: a mark, and the sign of the difference that shows it.
SHOWN_BY: dict[FaultKind, tuple[tuple[str, int], ...]] = {
    "apex_missed": (("apex_miss", 1),),
    "turns_in_early": (("min_speed_place", -1), ("steering_effort", 1)),
    "line_other": (("steering_effort", 1),),
    "brakes_early": (("brake_point", -1),),
    "brakes_softly": (("brake_mean", -1), ("brake_point", -1)),
    "coasts": (("coasting_before", 1),),
    "too_slow_in_corner": (("min_speed", -1),),
    "power_late": (("drive_point", 1), ("coasting_after", 1)),
    "power_abrupt": (("power_dip", 1),),
    "slide": (("slide", 1),),
    "scatter": (),
}


def priorities(analysis: Analysis, marked: SessionMarks, findings: list[Finding]) -> tuple[Priority, ...]:
    """At most three things to work on, the dearest first; empty where nothing is clear of the noise."""
    groups: dict[FaultKind, list[Finding]] = {}
    for finding in findings:
        if finding.significant:
            groups.setdefault(finding.kind, []).append(finding)
    found = [_priority(analysis, marked, kind, group) for kind, group in groups.items()]
    scattered = _scatter(analysis)
    if scattered is not None:
        found.append(scattered)
    found = [item for item in found if (item.at_stake.value or 0.0) >= LEAST]
    found.sort(key=lambda item: -(item.at_stake.value or 0.0))
    return tuple(_ranked(item, rank + 1) for rank, item in enumerate(found[:MOST]))


def _ranked(item: Priority, rank: int) -> Priority:
    """The same with its rank."""
    return Priority(
        rank=rank, kind=item.kind, title=item.title, corners=item.corners, at_stake=item.at_stake,
        evidence=item.evidence, feel=item.feel, exercise=item.exercise, laps=item.laps,
    )  # fmt: skip


def _priority(analysis: Analysis, marked: SessionMarks, kind: FaultKind, group: list[Finding]) -> Priority:
    """One kind of habit over its corners, the costliest corner first."""
    group = sorted(group, key=lambda finding: -(finding.cost.value or 0.0))
    numbers = tuple(analysis.marks[finding.corner].corner.number for finding in group)
    value = sum(finding.cost.value or 0.0 for finding in group)
    sigma = math.sqrt(sum((finding.cost.sigma or 0.0) ** 2 for finding in group))
    advice = ADVICE[kind]
    each = np.sum([finding.laps for finding in group], axis=0)
    labels = [drive.lap.label for drive in analysis.sheet.driven]
    worst = np.argsort(-each, kind="stable")[:2]
    return Priority(
        rank=0,
        kind=kind,
        title=advice.title.format(where=corners_text(numbers)),
        corners=numbers,
        at_stake=Measured(value, sigma),
        evidence=tuple(_evidence(analysis, marked, kind, finding) for finding in group[:3]),
        feel=advice.feel,
        exercise=advice.exercise,
        laps=tuple(labels[int(k)] for k in worst),
    )


def _evidence(analysis: Analysis, marked: SessionMarks, kind: FaultKind, finding: Finding) -> str:
    """One corner in a sentence: the cost, how often, and the mark that shows it."""
    k, number = finding.corner, analysis.marks[finding.corner].corner.number
    typical = typical_laps(analysis.sheet.t[:, -1])
    laps = finding.laps[typical]
    half = 0.5 * (finding.cost.value or 0.0)
    shown = int((laps > max(half, 0.01)).sum())
    said = [f"Corner {number}: {finding.cost.value or 0.0:.2f} s ± {max(finding.cost.sigma or 0.0, 0.005):.2f} s a lap"]
    said.append(laps_text(shown, laps.size))
    for name, way in SHOWN_BY[kind]:
        text = _mark_text(marked, typical, name, way, k)
        if text:
            said.append(text)
            break
    return "; ".join(said) + "."


def _mark_text(marked: SessionMarks, typical: Mask, name: str, way: int, k: int) -> str:
    """How a mark differs from the reference lap's, in words; empty where it does not, or is not known."""
    told = [laps[k].named()[name].driven.known for laps, kept in zip(marked.laps, typical) if kept]
    gap = common(marked.figures[name][typical, k]) - float(marked.reference[name][k])
    sigma = common(marked.sigma[name][typical, k])
    if not told or np.mean(told) < 0.5 or not math.isfinite(gap) or gap * way <= sigma:
        return ""
    reference, size = float(marked.reference[name][k]), abs(gap)
    words = {
        "apex_miss": f"you pass the apex {size:.1f} m ± {sigma:.1f} m farther out than the ideal lap",
        "min_speed_place": f"you are slowest {size:.0f} m before the place where the ideal lap is",
        "steering_effort": "the wheel is turned back and forth more than the corner needs",
        "brake_point": f"you brake {size:.0f} m ± {sigma:.0f} m before the ideal lap does",
        "brake_mean": f"you brake with {100.0 * (1.0 - size / max(reference, 1e-6)):.0f} % of the ideal lap's force",
        "coasting_before": f"the kart rolls for {size:.1f} s with neither pedal down before you brake",
        "min_speed": f"at the slowest point you are {100.0 * size / max(reference, 1e-6):.0f} % below the ideal lap",
        "drive_point": f"the power comes in {size:.0f} m ± {sigma:.0f} m later than on the ideal lap",
        "coasting_after": f"the kart rolls for {size:.1f} s before the power comes",
        "power_dip": "the kart gains speed, loses it again, and gains it once more",
        "slide": "the kart loses speed in the middle of the corner without the brake",
    }
    return words[name]


def _scatter(analysis: Analysis) -> Priority | None:
    """Laps that differ more than a consistent driver's: what the usual lap loses to the own good laps."""
    times = analysis.sheet.t[:, -1]
    typical = typical_laps(times)
    laps = times[typical]
    if laps.size < LEAST_LAPS:
        return None
    index = np.arange(laps.size)
    slope = np.polyfit(index, laps, 1)[0]
    level = laps - slope * (index - index.mean())  # tyres and learning are no scatter
    noise = float(np.mean([drive.lap_time_sigma for drive, kept in zip(analysis.sheet.driven, typical) if kept]))
    spread = math.sqrt(max(float(np.var(level, ddof=2)) - noise**2, 0.0))
    error = spread / math.sqrt(2.0 * (laps.size - 2))
    if spread - error < REPEATS:
        return None
    good = np.sort(level)[: max(laps.size // 4, 1)]
    # A driver who repeats well has good laps and worse ones too: only what is beyond that can be won.
    beyond = 1.0 - REPEATS / spread
    cost = Measured(beyond * float(level.mean() - good.mean()), float(np.hypot(error, noise / math.sqrt(laps.size))))
    advice = ADVICE["scatter"]
    labels = [drive.lap.label for drive, kept in zip(analysis.sheet.driven, typical) if kept]
    slowest, fastest = labels[int(laps.argmax())], labels[int(laps.argmin())]
    return Priority(
        rank=0,
        kind="scatter",
        title=advice.title,
        corners=_uneven(analysis, typical),
        at_stake=cost,
        evidence=(
            f"Your laps differ by ±{spread:.2f} s; a driver who repeats well stays within about ±0.1 s.",
            f"Between {fastest} and {slowest} lie {float(np.ptp(laps)):.2f} s.",
        ),
        feel=advice.feel,
        exercise=advice.exercise,
        laps=(fastest, slowest),
    )


def _uneven(analysis: Analysis, typical: Mask) -> tuple[int, ...]:
    """Numbers of the three corners whose time differs most from lap to lap."""
    lost = analysis.ledger.by_corner(analysis.ledger.total, len(analysis.marks))[: analysis.count][typical]
    order = np.argsort(-np.std(lost, axis=0))[:3] if lost.size else np.empty(0, dtype=int)
    return tuple(analysis.marks[int(k)].corner.number for k in order)
