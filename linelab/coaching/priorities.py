"""What to work on first: habits that cost clearly, put together by kind, with the evidence."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.definitions import MARKS
from linelab.coaching.faults import Finding
from linelab.coaching.marked import SessionMarks
from linelab.coaching.pedals import Mask
from linelab.coaching.scatter import scatter_priority
from linelab.coaching.shown import CLEAR, stands_out, turns_back_and_forth, usual_gap
from linelab.coaching.typical import typical_laps
from linelab.coaching.values import Evidence, FaultKind, Priority, Quantity
from linelab.coaching.words import ADVICE, UNBRAKED, Advice, corners_text, laps_text
from linelab.comparison.measured import Measured

#: Most priorities, and what all corners of one must cost together at least [s].
MOST, LEAST = 3, 0.04
#: A slide is called one, and a missed apex shown, where its own mark is off by more than this many standard deviations
#: on several laps [-].
LIKELY = 1.0
#: Power stays where the acceleration, one standard deviation included, falls by less than this once it is in [m/s²].
STAYS = 1.0
#: What each habit is shown by: a mark, and the sign of the difference that shows it.
SHOWN_BY: dict[FaultKind, tuple[tuple[str, int], ...]] = {
    "apex_missed": (("apex_miss", 1), ("exit_speed", -1)),
    "turns_in_early": (("turn_in", -1), ("min_speed_place", -1), ("steering_effort", 1), ("exit_speed", -1)),
    "line_other": (("steering_effort", 1), ("exit_speed", -1)),
    "brakes_early": (("brake_point", -1), ("entry_speed", -1)),
    "brakes_softly": (("brake_mean", -1), ("brake_point", -1), ("entry_speed", -1)),
    "coasts": (("coasting_before", 1), ("entry_speed", -1)),
    "too_slow_in_corner": (("min_speed", -1),),
    "power_late": (("drive_point", 1), ("coasting_after", 1), ("exit_speed", -1)),
    "power_abrupt": (("power_dip", 1), ("exit_speed", -1)),
    "slide": (("slide", 1), ("exit_speed", -1)),
    "scatter": (),
}


def priorities(analysis: Analysis, marked: SessionMarks, findings: list[Finding]) -> tuple[Priority, ...]:
    """At most three things to work on, the dearest first; empty where nothing is clear of the noise."""
    groups: dict[FaultKind, list[Finding]] = {}
    for finding in findings:
        if finding.significant:
            groups.setdefault(_named(analysis, marked, finding), []).append(finding)
    found = [_priority(analysis, marked, kind, group) for kind, group in groups.items()]
    scattered = scatter_priority(analysis, marked)
    if scattered is not None:
        found.append(scattered)
    found = [item for item in found if (item.at_stake.value or 0.0) >= LEAST]
    found.sort(key=lambda item: -(item.at_stake.value or 0.0))
    first = [replace(item, rank=rank + 1) for rank, item in enumerate(found[:MOST])]
    if len(found) > MOST:
        first[-1] = replace(first[-1], close=tuple(map(_left_out, filter(_close_to(first[-1]), found[MOST:]))))
    return tuple(first)


def order_certain(first: Sequence[Priority]) -> bool:
    """Whether what is at stake tells the order of what is to be worked on."""
    return not any(_close_to(one)(other) for one, other in pairwise(first))


def _close_to(item: Priority) -> Callable[[Priority], bool]:
    """Whether another may cost as much as an item, or more."""

    def close(other: Priority) -> bool:
        stake, less = item.at_stake, other.at_stake
        apart = (stake.value or 0.0) - (less.value or 0.0)
        return apart <= math.hypot(stake.sigma or 0.0, less.sigma or 0.0)

    return close


def _left_out(item: Priority) -> Evidence:
    """Something that had no room, though its place is not certain."""
    title = item.title[:1].lower() + item.title[1:]
    return Evidence(f"Worth about as much: {title} ({{}} a lap).", ((item.at_stake, "time"),))


def _named(analysis: Analysis, marked: SessionMarks, finding: Finding) -> FaultKind:
    """A finding's kind, or a plainer one where its marks do not show that.

    Too little speed ahead of a corner that nobody brakes for is a matter of the power alone; and a kart that loses no
    more speed than the recording is uncertain by has not been seen to slide, nor one whose power comes late, and is
    seen to stay, to be upset by it: the time is lost before the power comes.
    """
    ahead: tuple[FaultKind, ...] = ("brakes_early", "brakes_softly")
    if finding.kind in ahead and not _braked(analysis, marked, finding.corner):
        return "coasts"
    typical = typical_laps(analysis.sheet.t[:, -1])
    needed = LIKELY if typical.sum() > 1 else CLEAR  # a lap alone is no habit yet
    gaps = {name: usual_gap(marked, typical, name, finding.corner) for name in ("slide", "power_dip", "drive_point")}
    if finding.kind == "slide" and not stands_out(gaps["slide"], 1, needed):
        return "power_late"
    dip = gaps["power_dip"]
    stays = dip.value is not None and dip.value + LIKELY * (dip.sigma or 0.0) < STAYS
    late = stands_out(gaps["drive_point"], 1) and stays
    return "power_late" if finding.kind == "power_abrupt" and late else finding.kind


def _priority(analysis: Analysis, marked: SessionMarks, kind: FaultKind, group: list[Finding]) -> Priority:
    """One kind of habit over its corners, the costliest corner first."""
    group = sorted(group, key=lambda finding: -(finding.cost.value or 0.0))
    numbers = tuple(analysis.marks[finding.corner].corner.number for finding in group)
    value = sum(finding.cost.value or 0.0 for finding in group)
    sigma = math.sqrt(sum((finding.cost.sigma or 0.0) ** 2 for finding in group))
    advice = _advice(analysis, marked, kind, group)
    each = np.sum([finding.laps for finding in group], axis=0)
    labels = [drive.lap.label for drive in analysis.sheet.driven]
    # A lap held up or with a mistake on it is no example of a habit.
    each = np.where(typical_laps(analysis.sheet.t[:, -1]), each, -np.inf)
    worst = [k for k in np.argsort(-each, kind="stable")[:2] if np.isfinite(each[k])]
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


def _advice(analysis: Analysis, marked: SessionMarks, kind: FaultKind, group: list[Finding]) -> Advice:
    """What to say of a habit: nothing of the brake where one of its corners has no braking to speak of."""
    unbraked = any(not _braked(analysis, marked, finding.corner) for finding in group)
    return UNBRAKED.get(kind, ADVICE[kind]) if unbraked else ADVICE[kind]


def _braked(analysis: Analysis, marked: SessionMarks, k: int) -> bool:
    """Whether a corner is braked for, on the usual laps or on the ideal lap."""
    points = marked.figures["brake_point"][typical_laps(analysis.sheet.t[:, -1]), k]
    return bool(np.isfinite(marked.reference["brake_point"][k]) or np.isfinite(points).mean() >= 0.5)


def _evidence(analysis: Analysis, marked: SessionMarks, kind: FaultKind, finding: Finding) -> Evidence:
    """One corner in a sentence: the cost, how often, and the mark that shows it."""
    k, number = finding.corner, analysis.marks[finding.corner].corner.number
    typical = typical_laps(analysis.sheet.t[:, -1])
    laps = finding.laps[typical]
    half = 0.5 * (finding.cost.value or 0.0)
    shown = int((laps > max(half, 0.01)).sum())
    said = [f"Corner {number}: {{}} a lap", laps_text(shown, laps.size, "lap" if typical.all() else "usual lap")]
    figures: list[tuple[Measured, Quantity]] = [(finding.cost, "time")]
    for name, way in SHOWN_BY[kind]:
        mark = _mark_evidence(marked, typical, name, way, k)
        if mark is not None:
            said.append(mark.text)
            figures += mark.figures
            break
    return Evidence("; ".join(said) + ".", tuple(figures))


def _mark_evidence(marked: SessionMarks, typical: Mask, name: str, way: int, k: int) -> Evidence | None:
    """How a mark differs from the reference lap's, in words; None where it does not, or is not known."""
    gap = usual_gap(marked, typical, name, k)
    # A missed apex is named by its mark: that is told, with its ±, wherever it is more likely than not.
    if not stands_out(gap, way, LIKELY if name == "apex_miss" else CLEAR):
        return None
    if name == "steering_effort" and not turns_back_and_forth(marked, typical, k):
        return None
    part, error = (100.0 * abs(x or 0.0) / max(float(marked.reference[name][k]), 1e-6) for x in (gap.value, gap.sigma))
    error = max(error, 1.0)
    words = {
        "apex_miss": "you pass the apex {} farther out than the ideal lap",
        "turn_in": "you turn in {} before the ideal lap does",
        "min_speed_place": "you are slowest {} before the place where the ideal lap is",
        "steering_effort": "the wheel is turned back and forth more than the corner needs",
        "brake_point": "you brake {} before the ideal lap does",
        "brake_mean": f"you brake with {100.0 - part:.0f} ±{error:.0f} % of the ideal lap's force",
        "coasting_before": "on the way in the kart rolls {} longer than on the ideal lap, neither pedal down",
        "min_speed": f"at the slowest point you are {part:.0f} ±{error:.0f} % below the ideal lap",
        "entry_speed": "where the ideal lap turns in you are {} slower",
        "exit_speed": "where the ideal lap has tracked out you are {} slower",
        "drive_point": "the power comes in {} later than on the ideal lap",
        "coasting_after": "the kart rolls {} longer than on the ideal lap before the power comes",
        "power_dip": "the kart gains speed, loses it again, and gains it once more",
        "slide": "about the slowest point the kart loses {} more than rolling explains: a slide, or the brake held on",
    }
    figure = (Measured(abs(gap.value or 0.0), gap.sigma), MARKS[name].quantity)
    return Evidence(words[name], (figure,) if "{}" in words[name] else ())
