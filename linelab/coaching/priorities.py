"""What to work on first: habits that cost clearly, put together by kind, with the evidence."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.definitions import FAULTS, MARKS
from linelab.coaching.diagnosis import LINE_KINDS, Finding
from linelab.coaching.kinds import FaultKind, Quantity
from linelab.coaching.marked import SessionMarks
from linelab.coaching.scatter import scatter_priority
from linelab.coaching.shown import CLEAR, stands_out, turns_back_and_forth, usual_gap
from linelab.coaching.values import Evidence, LapReview, Priority
from linelab.coaching.words import ADVICE, UNBRAKED, Advice, corners_text, laps_text
from linelab.comparison.measured import Measured, withheld
from linelab.comparison.onsets import Mask

#: Most priorities, and what all corners of one must cost together at least [s].
MOST, LEAST = 3, 0.04
#: A missed apex is shown where its own mark is off by more than this many standard deviations [-].
LIKELY = 1.0
#: What each habit is shown by: a mark, and the sign of the difference that shows it.
SHOWN_BY: dict[FaultKind, tuple[tuple[str, int], ...]] = {
    "apex_missed": (("apex_miss", 1), ("exit_speed", -1)),
    "turns_in_early": (("turn_in", -1), ("min_speed_place", -1), ("steering_effort", 1), ("exit_speed", -1)),
    "exit_unused": (("track_out_room", 1), ("exit_speed", -1)),
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


#: Marks that measure a habit itself.
OWN_MARK: dict[FaultKind, tuple[str, ...]] = {
    "apex_missed": ("apex_miss",),
    "exit_unused": ("track_out_room",),
    "brakes_early": ("brake_point",),
    "brakes_softly": ("brake_mean",),
    "coasts": ("coasting_before",),
    "too_slow_in_corner": ("min_speed",),
    "power_late": ("drive_point", "coasting_after"),
    "slide": ("slide",),
}
#: What a corner's time is made of, in words.
PARTS: dict[str, str] = {
    "line": "the line",
    "braking": "braking",
    "coasting": "coasting",
    "minimum_speed": "speed at the slowest point",
    "power": "power, out of it or out of the corner before",
    "all_round": "grip and feet all round",
    "rest": "what no habit explains",
}


def priorities(analysis: Analysis, marked: SessionMarks, findings: list[Finding]) -> tuple[Priority, ...]:
    """At most three things to work on, the dearest first; empty where nothing is clear of the noise."""
    found = [_priority(analysis, marked, finding) for finding in findings if finding.significant]
    scattered = scatter_priority(analysis, marked)
    if scattered is not None:
        found.append(scattered)
    found = [item for item in found if (item.at_stake.value or 0.0) >= LEAST]
    found.sort(key=lambda item: -(item.at_stake.value or 0.0))
    first = [replace(item, rank=rank + 1) for rank, item in enumerate(found[:MOST])]
    if len(found) > MOST:
        near = _close_to(first[-1])
        first[-1] = replace(first[-1], close=tuple(_left_out(item, near=near(item)) for item in found[MOST:]))
    return tuple(first)


def without_card(
    laps: Sequence[LapReview], usual: Mask, first: Sequence[Priority], findings: Sequence[Finding]
) -> tuple[Evidence, ...]:
    """Corners that cost as much as one with a card and show no habit of their own, and what their time goes into.

    Parameters
    ----------
    laps : sequence of LapReview
        All laps that are reviewed, ``usual`` (L,) which of them are the driver's usual ones.
    """
    carded = {number for item in first for number in item.corners}
    kept = [lap for lap, keep in zip(laps, usual) if keep]
    corners = [part.corner.number for part in laps[0].corners]
    lost = {number: _mean([lap.corners[k].time_lost for lap in kept]) for k, number in enumerate(corners)}
    with_card = [figure.value or 0.0 for number, figure in lost.items() if number in carded]
    if not with_card:
        return ()
    told = carded | {corners[finding.corner] for finding in findings if finding.significant}
    dear = [number for number in corners if number not in told and (lost[number].value or 0.0) > min(with_card)]
    dear.sort(key=lambda number: -(lost[number].value or 0.0))
    return tuple(_parts_of(number, lost[number], kept) for number in dear[:MOST])


def _mean(figures: Sequence[Measured]) -> Measured:
    """Mean of one figure over laps; what is uncertain in it is the same on all of them."""
    known = [figure for figure in figures if figure.value is not None]
    if len(known) < len(figures) or not known:
        return withheld(next((figure.reason for figure in figures if figure.reason), "not known"))
    value, sigma = (np.mean([getattr(figure, name) or 0.0 for figure in known]) for name in ("value", "sigma"))
    return Measured(float(value), float(sigma))


def _parts_of(number: int, lost: Measured, laps: Sequence[LapReview]) -> Evidence:
    """Where a corner's time goes: the two largest parts."""
    own = [next(part for part in lap.corners if part.corner.number == number) for lap in laps]
    parts = {"line": _mean([part.line_loss for part in own])}
    parts |= {cause: _mean([dict(part.causes)[cause] for part in own]) for cause, _ in own[0].causes}
    told = sorted(parts.items(), key=lambda item: -(item[1].value or 0.0))[:2]
    if any(figure.value is None for _, figure in told):
        return Evidence(f"Corner {number} costs {{}} a lap, and why is not told apart.", ((lost, "time"),))
    words = ", ".join(f"{PARTS[name]} {{}}" for name, _ in told)
    return Evidence(
        f"Corner {number} costs {{}} a lap and has no card: {words}.", ((lost, "time"), *((x, "time") for _, x in told))
    )


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


def _left_out(item: Priority, *, near: bool) -> Evidence:
    """Something that had no room, which may be worth as much as what had."""
    title = item.title[:1].lower() + item.title[1:]
    said = "Worth about as much" if near else "After these"
    return Evidence(f"{said}: {title} ({{}} a lap).", ((item.at_stake, "time"),))


def _priority(analysis: Analysis, marked: SessionMarks, finding: Finding) -> Priority:
    """A habit in a corner."""
    corners = (finding.corner, *(() if finding.other in (None, finding.corner) else (finding.other,)))
    numbers = tuple(analysis.marks[k].corner.number for k in corners if k is not None)
    advice = _advice(analysis, marked, finding)
    labels = [drive.lap.label for drive in analysis.sheet.driven]
    # A lap held up or with a mistake on it is no example of a habit.
    each = np.where(analysis.usual, finding.laps[: analysis.count], -np.inf)
    worst = [k for k in np.argsort(-each, kind="stable")[:2] if np.isfinite(each[k])]
    return Priority(
        rank=0,
        kind=finding.kind,
        title=advice.title.format(where=corners_text(numbers)),
        corners=numbers,
        at_stake=finding.cost,
        evidence=tuple(_evidence(analysis, marked, finding)),
        feel=advice.feel,
        exercise=advice.exercise,
        laps=tuple(labels[int(k)] for k in worst),
    )


def _advice(analysis: Analysis, marked: SessionMarks, finding: Finding) -> Advice:
    """What to say of a habit: nothing of the brake where its corner has no braking to speak of."""
    braked = _braked(analysis, marked, finding.corner)
    return ADVICE[finding.kind] if braked else UNBRAKED.get(finding.kind, ADVICE[finding.kind])


def _braked(analysis: Analysis, marked: SessionMarks, k: int) -> bool:
    """Whether a corner is braked for, on the usual laps or on the ideal lap."""
    points = marked.figures["brake_point"][analysis.usual, k]
    return bool(np.isfinite(marked.reference["brake_point"][k]) or np.isfinite(points).mean() >= 0.5)


def _evidence(analysis: Analysis, marked: SessionMarks, finding: Finding) -> list[Evidence]:
    """The cost, how often, and how much; the mark that shows it; what else it might be."""
    number = analysis.marks[finding.corner].corner.number
    typical = analysis.usual
    laps = finding.laps[: analysis.count][typical]
    half = 0.5 * (finding.cost.value or 0.0)
    shown = int((laps > max(half, 0.01)).sum())
    said = [f"Corner {number}: {{}} a lap", laps_text(shown, laps.size, "lap" if typical.all() else "usual lap")]
    figures: list[tuple[Measured, Quantity]] = [(finding.cost, "time")]
    by = ""
    # Where lines are not judged the ideal lap is none to hold marks against.
    for name, way in () if analysis.untold else SHOWN_BY[finding.kind]:
        mark = _mark_evidence(marked, typical, name, way, finding.corner)
        if mark is not None:
            by = name
            said.append(mark.text)
            figures += mark.figures
            break
    found = [Evidence("; ".join(said) + ".", tuple(figures))]
    if by not in OWN_MARK.get(finding.kind, ()):  # one thing has one figure: the mark's, where a mark shows it
        found.append(_done_evidence(finding))
    if finding.other is not None:
        other = analysis.marks[finding.other].corner.number
        found.append(
            Evidence(
                f"From corner {min(number, other)} to corner {max(number, other)} the speed only falls: late on the "
                "power and off it too soon are the same there."
            )
        )
    if finding.rival is not None:
        share = round(100.0 * finding.likely)
        found.append(
            Evidence(
                f"A driver who {FAULTS[finding.rival]} would leave much the same speeds: {share} to {100 - share} for "
                "what is said here."
            )
        )
    return found


def _done_evidence(finding: Finding) -> Evidence:
    """How much of a habit there is, by the model that its cost comes from."""
    if finding.kind in LINE_KINDS:
        where = {"turns_in_early": "on the way in", "apex_missed": "at the apex", "exit_unused": "on the way out"}
        side = "farther out" if finding.kind == "apex_missed" else "farther in" if finding.kind in where else "off"
        place = where.get(finding.kind, "there")
        text = f"Against the best line for the grip you use, as you would steer it, you are {{}} {side} {place}."
    elif finding.kind == "brakes_softly":
        share = 100.0 * (finding.done.size.value or 0.0)
        return Evidence(f"You brake with about {share:.0f} % of what you reach elsewhere.")
    else:
        text = {
            "brakes_early": "On your own line the braking could begin {} later.",
            "coasts": "Neither pedal is down for {} before you have to slow.",
            "too_slow_in_corner": "At the slowest point you are {} slower than your own line allows.",
            "power_late": "From the slowest point on you wait {} with the power.",
            "slide": "In the corner you lose {} more than a rolling kart would.",
            "power_abrupt": "Once the power is on, you lose {} again.",
        }[finding.kind]
    return Evidence(text, ((finding.done.size, finding.done.quantity),))


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
        "track_out_room": "you leave {} of road free on the way out that the ideal lap uses",
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
