"""What to work on first and what is done well, each with its evidence, and the verdict on the session."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.coach_words import (
    ADVICE,
    FAULTS,
    MARKS,
    UNBRAKED,
    Advice,
    corners_text,
    labels_text,
    laps_text,
)
from linelab.coaching.consistency import clear_passes, own_pass_priorities, scatter_priority
from linelab.coaching.envelope import fit_offer, misfit
from linelab.coaching.mark_figures import MISSES, SessionMarks, counted_from, usual_mark
from linelab.coaching.results import Consistency, DrivenMarks, Evidence, LapReview, Mark, Priority, Strength, Target
from linelab.coaching.targets import OWN, grip_error
from linelab.diagnosis.causes import all_round
from linelab.diagnosis.findings import LINE_KINDS, Finding
from linelab.diagnosis.kinds import FaultKind
from linelab.diagnosis.marks import CornerMarks, Mask
from linelab.measured import Measured, plus_minus, withheld
from linelab.model.track import Corner

#: A mark is off where it is so by more than this many of its standard deviations [-].
CLEARLY_OFF = 2.0
#: A wheel that turns more by this share than on the computed lap turns back and forth [-]; less is another line.
BACK_AND_FORTH = 0.1


def usual(marked: SessionMarks, typical: Mask, name: str, k: int) -> Mark:
    """A corner's mark on the usual lap beside the computed lap's."""
    return usual_mark([laps[k] for laps, kept in zip(marked.laps, typical) if kept], name)


def off_from(name: str) -> float:
    """A usual mark is off where it is so by more than this many of its standard deviations [-].

    A missed apex is named by its mark, which is shown with its ± wherever it is more likely than not.
    """
    return LIKELY if name in MISSES else CLEARLY_OFF


def stands_out(gap: Measured, way: int, deviations: float = CLEARLY_OFF) -> bool:
    """Whether a difference has the sign ``way`` and is more than so many of its standard deviations."""
    return gap.value is not None and gap.value * way > deviations * (gap.sigma or 0.0)


def turns_back_and_forth(mark: Mark) -> bool:
    """Whether the wheel is turned clearly, and by a good deal, more than on the computed lap."""
    return stands_out(mark.gap, 1) and (mark.gap.value or 0.0) > BACK_AND_FORTH * (mark.reference or 0.0)


#: A corner is driven well where all habits together cost no more than this [s].
WELL = 0.04
#: Brake points repeat well within this [m].
SAME_MARK = 2.0
MOST_PRAISE = 3


def strengths(analysis: Analysis, findings: list[Finding], repeat: Consistency) -> tuple[Strength, ...]:
    """At most three things done well."""
    found = [item for item in (_corners(analysis, findings), _repeats(repeat), _marks(repeat), _feet(findings)) if item]
    return tuple(found[:MOST_PRAISE])


def _corners(analysis: Analysis, findings: list[Finding]) -> Strength | None:
    """Corners in which next to nothing is lost at the grip shown."""
    if analysis.unrated:
        return None
    well = []
    for k, mark in enumerate(analysis.marks):
        own = [max(finding.cost.value or 0.0, 0.0) for finding in findings if finding.corner == k]
        if own and sum(own) < WELL:
            well.append((sum(own), mark.corner.number))
    if not well:
        return None
    numbers = tuple(sorted(number for _, number in sorted(well)[:4]))
    return Strength(
        title=f"Good driving {corners_text(numbers)}",
        corners=numbers,
        evidence=(
            Evidence(
                f"Your line, braking and power cost less than {WELL} s there. The rest is lost all round the lap."
            ),
        ),
    )


def _repeats(repeat: Consistency) -> Strength | None:
    """Laps alike."""
    alike = len(repeat.within_median)
    if repeat.laps < 5 or alike < 0.6 * repeat.laps:
        return None
    return Strength(
        title="You repeat your laps well",
        corners=(),
        evidence=(Evidence(f"{alike} of {repeat.laps} laps lie within a tenth of a second of your usual lap."),),
    )


def _marks(repeat: Consistency) -> Strength | None:
    """Braking at the same place every lap."""
    same = []
    for item in repeat.corners:
        spread = dict(item.marks)["brake_point"]
        if spread.value is not None and spread.value + (spread.sigma or 0.0) < SAME_MARK:
            same.append((spread.value, item.corner.number))
    if not same:
        return None
    numbers = tuple(sorted(number for _, number in sorted(same)[:4]))
    known = Measured(SAME_MARK, 0.0)
    return Strength(
        title=f"You brake at the same place every lap {corners_text(numbers)}",
        corners=numbers,
        evidence=(Evidence("Your brake points there usually lie within {} of their average.", ((known, "place"),)),),
    )


def _feet(findings: list[Finding]) -> Strength | None:
    """No time lost rolling."""
    rolled = [finding.cost.value or 0.0 for finding in findings if finding.kind == "coasts"]
    if not findings or any(cost >= 0.015 for cost in rolled):
        return None
    return Strength(
        title="You lose no time rolling before the corners",
        corners=(),
        evidence=(Evidence("From power to brake there is hardly a moment with neither pedal down."),),
    )


#: A corner taken this much quicker than on the computed lap shows that the kart, grip or track assumed is wrong [s].
BEATS = 0.15
#: What is lost all round is reported from this share of the gap on [-].
ALL_ROUND = 0.1


def verdict(
    best: LapReview, goal: Target, first: tuple[Priority, ...], analysis: Analysis, *, quickest: bool = True
) -> str:
    """The gap, what may be said of it, and what stands out; ``quickest`` is whether no lap of the session is quicker
    than the best of these."""
    gap, sigma = best.gap.value or 0.0, best.gap.sigma or 0.0
    side = "behind" if gap >= 0.0 else "ahead of"
    which = f"{'Your best lap' if quickest else 'The best of the laps chosen'}, {best.label},"
    which = which if analysis.count > 1 else best.label[:1].upper() + best.label[1:]
    if goal.kind in ("own_best", "other_lap") and any(
        goal.lap is drive.lap and drive.lap.label == best.label for drive in analysis.sheet.driven
    ):
        said = [f"{which} is the lap that the others are compared with."]
    else:
        apart = f"{abs(gap):.2f} {plus_minus(sigma, 2)} s {side}"
        # Nobody is ahead of his own best corners: that is what measuring leaves open.
        apart = f"level within {plus_minus(sigma, 2)} s with" if goal.kind == "own_parts" and gap < 0.0 else apart
        said = [f"{which} is {apart} {goal.title}{_taken(goal, analysis)}."]
    if goal.kind in OWN and analysis.usual.sum() > 1:
        lack, error = _usual_lack(analysis, best)
        said.insert(0, f"Your usual lap is {lack:.2f} {plus_minus(error, 2)} s slower than your best one.")
    if goal.kind in ("computed", "shown_grip") and analysis.sheet.track.survey.estimated:
        said.append("The track's edges were estimated from these laps: the gap is a rough guide only.")
    elif goal.kind == "computed":
        said.append(
            "The ± covers the recording only: with 1 % less grip than the kart file says, the computed lap is "
            f"{grip_error(analysis):.2f} s slower."
        )
    quicker = _quicker(best, goal)
    if quicker:
        where = corners_text(quicker)
        said.append(f"You are faster than the computed lap {where}: the kart file, the grip or the track is wrong.")
    other, offer = misfit(analysis.engine.power), fit_offer(analysis.engine.power, analysis.engine.nearest)[0]
    if other and goal.kind in ("computed", "shown_grip"):
        said.append(f"The gap means little: {other}.")
    if analysis.reason:
        said.append(f"This recording is too coarse to say why ({analysis.reason}).")
    elif analysis.line_reason:
        why = (
            ""
            if analysis.line_reason == other and goal.kind in ("computed", "shown_grip")
            else f": {analysis.line_reason}"
        )
        said.append(f"Your line and corner speeds are not rated{why}. Braking, coasting and power are.")
    if other:
        new = "" if any(other in text for text in said) else f"{other[:1].upper()}{other[1:]}. "
        said.append(f"{new}{offer[:1].upper()}{offer[1:]}.")
    if first:
        things = ("one thing first:", "two things first: together", "three things first: together")[len(first) - 1]
        said += [
            f"Work on {things} about {_stakes(first):.2f} {plus_minus(_stakes_error(first), 2)} s a lap.",
            *_beyond(first, goal, analysis, "your best one" if quickest else "the best of these"),
        ]
    elif not analysis.reason:
        said.append("No single fault stands out in this recording.")
    if goal.kind == "computed" and not analysis.unrated:
        said += _spread(analysis, abs(gap))
    return " ".join(said)


def _taken(goal: Target, analysis: Analysis) -> str:
    """From how many laps the joined corners are."""
    if goal.kind != "own_parts":
        return ""
    laps = np.unique(analysis.passes.best)
    return f", which come from {labels_text([analysis.every[k].lap.label for k in laps])}" if laps.size > 1 else ""


def _usual_lack(analysis: Analysis, best: LapReview) -> tuple[float, float]:
    """What the usual lap, the median of the usual ones, lacks to the best one, and how well that is known [s]."""
    usual = float(np.median(analysis.sheet.t[analysis.usual, -1]))
    # The best lap's time and the middle of a few: each about as certain as one.
    return usual - (best.lap_time.value or 0.0), math.sqrt(2.0) * (best.lap_time.sigma or 0.0)


def _spread(analysis: Analysis, gap: float) -> list[str]:
    """What is lost all round and is no single corner's fault, named, where it is a good part of the gap."""
    if analysis.diagnosis is None:
        return []
    large = [item for item in all_round(analysis.diagnosis.explained) if (item.cost.value or 0.0) >= ALL_ROUND * gap]
    words = {
        "grip": "All round the lap you use {} % of the grip. That costs {} s a lap.",
        "braking": "All round the lap you brake with {} % of what the tyres allow. That costs {} s a lap.",
        "feet": "All round the lap you need {} s to change pedals, and you press the power slowly. "
        "That costs {} s a lap.",
    }
    parts = []
    for item in large:
        value, error, digits = item.number.value or 0.0, item.number.sigma or 0.0, 2
        if item.name != "feet":
            value, error, digits = 100.0 * value, 100.0 * error, 0
        size = f"{value:.{digits}f} {plus_minus(error, digits)}"
        cost = f"{item.cost.value or 0.0:.2f} {plus_minus(item.cost.sigma, 2)}"
        parts.append(words[item.name].format(size, cost))
    return parts


def _quicker(best: LapReview, goal: Target) -> tuple[int, ...]:
    """Numbers of the corners in which a lap clearly beats one that should be the fastest possible."""
    if goal.kind != "computed":
        return ()
    lost = {part.corner.number: part.time_lost for part in best.corners}
    return tuple(k for k, figure in lost.items() if -(figure.value or 0.0) > max(BEATS, 3.0 * (figure.sigma or 0.0)))


def _stakes(first: tuple[Priority, ...]) -> float:
    """What all priorities are worth together [s]."""
    return sum(item.at_stake.value or 0.0 for item in first)


def _stakes_error(first: tuple[Priority, ...]) -> float:
    """Standard deviation of what all priorities are worth together, their errors taken as apart [s]."""
    return math.hypot(*(item.at_stake.sigma or 0.0 for item in first))


def _beyond(first: tuple[Priority, ...], goal: Target, analysis: Analysis, best: str) -> list[str]:
    """Why the stakes add up to more than the gap they stand beside, where they do, or overlap."""
    times, said = analysis.sheet.t[:, -1], []
    usual = float(np.mean(times[analysis.usual]))
    stakes = _stakes(first)
    if stakes > float(times.min()) - goal.lap_time:
        if goal.kind in ("computed", "shown_grip"):
            said.append(f"This counts from your usual lap, {usual - float(times.min()):.2f} s slower than {best}.")
        elif any(item.kind not in ("scatter", "own_pass") for item in first):
            other = "that lap" if goal.kind == "other_lap" else "your own laps"
            said.append(f"Habits are compared with what this kart could do on your line, not with {other}.")
    if goal.kind in ("computed", "shown_grip") and stakes > usual - analysis.reference.lap_time:
        said.append("It is more than the whole gap, because you are faster than the computed lap elsewhere.")
    if len(first) > 1 and any(item.kind == "scatter" for item in first):
        said.append("Part of it is counted twice: a fault on only some laps also makes your laps differ.")
    return said


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
    "own_pass": (),
    "scatter": (),
}


#: Marks that measure a habit itself.
OWN_MARK: dict[FaultKind, tuple[str, ...]] = {
    "apex_missed": ("apex_miss", "other_apex_miss"),
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
    "power": "late or rushed power, here or out of the corner before",
    "all_round": "grip and pedals all round",
    "rest": "what no habit explains",
}


def priorities(
    analysis: Analysis, marked: SessionMarks, findings: list[Finding], own: Callable[[], Sequence[DrivenMarks]]
) -> tuple[Priority, ...]:
    """At most three things to work on, the dearest first; empty where nothing is clearly above the noise.

    Where nothing better than the driver's own passes is at hand, they are what each corner is held against: a habit
    that the quickest pass does not have, or less of, is said with it.

    Parameters
    ----------
    own : callable
        Gives the marks of the quickest pass of each corner.
    """
    clear = [finding for finding in findings if finding.significant]
    again = own_pass_priorities(analysis, marked, own)
    found = _with_passes(analysis, clear, [_priority(analysis, marked, finding) for finding in clear], again)
    scattered = None if again else scatter_priority(analysis, marked, own)
    if scattered is not None:
        found.append(scattered)
    found = [item for item in found if (item.at_stake.value or 0.0) >= LEAST]
    found.sort(key=lambda item: -(item.at_stake.value or 0.0))
    first = [replace(item, rank=rank + 1) for rank, item in enumerate(found[:MOST])]
    if len(found) > MOST:
        near, rest = _close_to(first[-1]), found[MOST:]
        likely = [item for item in rest if near(item)]
        after = [item for item in rest if not near(item)]
        said = [_left_out("Worth about as much", [item]) for item in likely]
        first[-1] = replace(first[-1], close=(*said, *([_left_out("After these", after)] if after else [])))
    return tuple(first)


def _with_passes(
    analysis: Analysis, findings: Sequence[Finding], found: Sequence[Priority], again: Mapping[int, Priority]
) -> list[Priority]:
    """Habits, and quickest passes of corners (by index), as things to work on: one thing where the pass has less of
    the habit than usual, by what the pass shows if that is more.

    The pass shows what the corner costs whatever its cause is; a habit that it has as well is another thing.
    """
    every, alone = list(found), list[Priority]()
    for corner, own in again.items():
        best = int(analysis.passes.best[corner])
        without = [
            k
            for k, finding in enumerate(findings)
            if finding.corner == corner
            and finding.laps[best] < float(np.median(finding.laps[: analysis.count][analysis.usual]))
        ]
        if not without:
            alone.append(own)
            continue
        item = found[without[0]]  # the dearest
        item = replace(item, evidence=(*item.evidence, *own.evidence))
        if (own.at_stake.value or 0.0) > (item.at_stake.value or 0.0):
            item = replace(item, title=f"{item.title}, as on {own.laps[0]}", at_stake=own.at_stake, laps=own.laps)
        every[without[0]] = item
    return every + alone


def without_card(
    analysis: Analysis,
    laps: Sequence[LapReview],
    first: Sequence[Priority],
    findings: Sequence[Finding],
    by_corner: Sequence[tuple[Corner, Measured]],
) -> tuple[Evidence, ...]:
    """Corners that cost more than one with a card and have none, the dearest first, and what their time goes into.

    A corner whose habit is named behind the last card is no such corner.

    Parameters
    ----------
    laps : sequence of LapReview
        All laps that are reviewed.
    by_corner : sequence of (corner, Measured)
        What each corner costs on the usual laps [s].
    """
    kept = [lap for lap, keep in zip(laps, analysis.usual) if keep]
    lost = {corner.number: figure for corner, figure in by_corner}
    numbers = [mark.corner.number for mark in analysis.marks]
    carded = {number for item in first for number in item.corners}
    with_card = [lost[number].value or 0.0 for number in carded]
    if not with_card:
        return ()
    worth = [(k, item.cost) for item in findings if item.significant for k in (item.corner, item.other)]
    worth += clear_passes(analysis)
    named = carded | {numbers[k] for k, stake in worth if k is not None and (stake.value or 0.0) >= LEAST}
    least = max(min(with_card), LEAST)
    dear = [number for number in numbers if number not in named and (lost[number].value or 0.0) > least]
    dear.sort(key=lambda number: -(lost[number].value or 0.0))
    return tuple(_parts_of(number, lost[number], kept) for number in dear)


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
    largest = sorted(parts.items(), key=lambda item: -(item[1].value or 0.0))[:2]
    said = f"Corner {number} costs {lost.value or 0.0:.2f} {plus_minus(lost.sigma, 2)} s a lap"
    if any(figure.value is None for _, figure in largest):
        return Evidence(f"{said}. This recording does not show the cause.")
    words = " and ".join(f"{PARTS[name]} (about {figure.value or 0.0:.2f} s)" for name, figure in largest)
    return Evidence(f"{said} without one clear fault. Most of it is {words}.")


def order_certain(first: Sequence[Priority]) -> bool:
    """Whether the order of the things to work on is certain by what is at stake."""
    return not any(_close_to(one)(other) for one, other in pairwise(first))


def _close_to(item: Priority) -> Callable[[Priority], bool]:
    """Whether another may cost as much as an item, or more."""

    def close(other: Priority) -> bool:
        stake, less = item.at_stake, other.at_stake
        apart = (stake.value or 0.0) - (less.value or 0.0)
        return apart <= math.hypot(stake.sigma or 0.0, less.sigma or 0.0)

    return close


def _left_out(said: str, items: Sequence[Priority]) -> Evidence:
    """Things that had no room, and what they are worth."""
    titles = [f"{item.title[:1].lower()}{item.title[1:]} ({{}} a lap)" for item in items]
    return Evidence(f"{said}: {'; '.join(titles)}.", tuple((item.at_stake, "time") for item in items))


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
    """Whether a corner is braked for, on the usual laps or on the computed lap."""
    points = marked.figures["brake_point"][analysis.usual, k]
    return bool(np.isfinite(marked.reference["brake_point"][k]) or np.isfinite(points).mean() >= 0.5)


def _evidence(analysis: Analysis, marked: SessionMarks, finding: Finding) -> list[Evidence]:
    """How often and how much; the mark that shows it; what else it might be."""
    frame = analysis.marks[finding.corner]
    number, apex = frame.corner.number, frame.apex_names()[finding.other_apex]
    typical = analysis.usual
    laps = finding.laps[: analysis.count][typical]
    half = 0.5 * (finding.cost.value or 0.0)
    shown = int((laps > max(half, 0.01)).sum())
    often = laps_text(shown, laps.size, "lap" if typical.all() else "usual lap")
    done = _done_evidence(finding, apex)
    found = [replace(done, text=f"{done.text} It shows {often}.")]
    # Where lines are not rated the marks are not compared with the computed lap.
    for name, way in () if analysis.unrated else SHOWN_BY[finding.kind]:
        if name == "apex_miss" and finding.other_apex:
            name = "other_apex_miss"
        mark = _mark_evidence(usual(marked, typical, name, finding.corner), name, way, frame, apex)
        if mark is not None:
            # The figure is the median of the usual laps; no single one need have it.
            said = f"Usually, {mark.text}. It shows {often}." if laps.size > 1 else f"On this lap {mark.text}."
            by_mark = replace(mark, text=said)
            # One thing has one figure: the mark's, where a mark measures it.
            found = [by_mark] if name in OWN_MARK.get(finding.kind, ()) else [by_mark, done]
            break
    if finding.other is not None:
        other = analysis.marks[finding.other].corner.number
        found.append(
            Evidence(
                f"From corner {min(number, other)} to corner {max(number, other)} the speed only falls. There, late "
                "power and an early lift look the same."
            )
        )
    if finding.rival is not None:
        share = round(100.0 * finding.likely)
        found.append(
            Evidence(
                f"A driver who {FAULTS[finding.rival]} would show nearly the same speeds: {100 - share} % likely, "
                f"the fault named here {share} %."
            )
        )
    return found


def _done_evidence(finding: Finding, apex: str) -> Evidence:
    """How much of a habit there is, by the model that its cost comes from: beyond what the driver's own line needs, so
    it is said as that, and not as a mark."""
    if finding.kind in LINE_KINDS:
        place = {"turns_in_early": "farther in on the way in", "apex_missed": f"farther out at the {apex}"}
        place |= {"exit_unused": "farther in on the way out", "line_other": "off it there"}
        text = f"Compared with the best line at your grip you are {{}} {place[finding.kind]}."
    elif finding.kind == "brakes_softly":
        share = 100.0 * (finding.done.size.value or 0.0)
        return Evidence(f"You brake with about {share:.0f} % of the force you use elsewhere.")
    else:
        text = {
            "brakes_early": "On your own line the braking could begin {} later.",
            "coasts": "You roll with neither pedal down for {} longer than your own line needs.",
            "too_slow_in_corner": "At the slowest point you are {} slower than your own line allows.",
            "power_late": "On your own line the power could come {} sooner.",
            "slide": "The speed in the corner is best explained by a slide that costs you {}.",
            "power_abrupt": "The speed is best explained by a slide that costs you {} once the power is on.",
        }[finding.kind]
    return Evidence(text, ((finding.done.size, finding.done.quantity),))


def _mark_evidence(mark: Mark, name: str, way: int, frame: CornerMarks, apex: str = "apex") -> Evidence | None:
    """How a usual mark differs from the computed lap's, in words; None where it does not, or is not known.

    ``apex`` is what the apex that the line is judged at is called.
    """
    gap = mark.gap
    if not stands_out(gap, way, off_from(name)) or (name == "steering_effort" and not turns_back_and_forth(mark)):
        return None
    part, error = (100.0 * abs(x or 0.0) / max(mark.reference or 0.0, 1e-6) for x in (gap.value, gap.sigma))
    passed = f"you pass the {apex} {{}} farther out than the computed lap"
    words = {
        "apex_miss": passed,
        "other_apex_miss": passed,
        "turn_in": "you turn in {} before the computed lap does",
        "min_speed_place": "your slowest point is {} before that of the computed lap",
        "steering_effort": "the wheel is turned back and forth more than the corner needs",
        "brake_point": "you brake {} before the computed lap does",
        "brake_mean": f"you brake with {100.0 - part:.0f} {plus_minus(error, 0)} % of the computed lap's force",
        "track_out_room": "on the way out you leave {} of road free that the computed lap uses",
        "coasting_before": "on the way in the kart rolls {} longer than on the computed lap, with neither pedal down",
        "min_speed": "at the slowest point you are {} slower than the computed lap",
        "entry_speed": "at the computed lap's turn-in you are {} slower",
        "exit_speed": "at the computed lap's track-out you are {} slower",
        "drive_point": "the power comes in {} later than on the computed lap",
        "coasting_after": "the kart rolls {} longer than on the computed lap before the power comes",
        "power_dip": "the kart gains speed, loses it again, and gains it once more",
        "slide": "near the slowest point you lose {} more than a rolling kart would: a slide, or the brake still on",
    }
    figure = (mark.from_place(counted_from(name, frame)), MARKS[name].quantity)
    return Evidence(words[name], (figure,) if "{}" in words[name] else ())
