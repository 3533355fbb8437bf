"""The verdict on a session in a few sentences: the gap, what may be said of it, and what stands out."""

from __future__ import annotations

import math

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.causes import all_round
from linelab.coaching.shown_power import misfit
from linelab.coaching.targets import grip_error
from linelab.coaching.values import LapReview, Priority, Target
from linelab.coaching.words import corners_text

#: A corner taken quicker than on the ideal lap by this much says that the ideal lap is not that [s].
BEATS = 0.15
#: What is lost all round is told from this share of the gap on [-].
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
    if goal.kind == "own_best" and any(goal.lap is drive.lap for drive in analysis.sheet.driven):
        said = [f"{which} is what your laps are held against."]
    else:
        said = [f"{which} is {abs(gap):.2f} ±{max(sigma, 0.01):.2f} s {side} {goal.title}."]
    if goal.kind in ("ideal", "shown_grip") and analysis.sheet.track.survey.kind == "estimated":
        said.append("That lap was computed on a corridor estimated from laps: take the gap as a rough guide.")
    elif goal.kind == "ideal":
        said.append(
            f"The ± is the recording's: 1 % less grip than the kart file says makes the ideal lap "
            f"{grip_error(analysis):.2f} s slower."
        )
    quicker = _quicker(best, goal)
    if quicker:
        said.append(f"You beat the ideal lap {corners_text(quicker)}: kart file, grip or track do not fit the day.")
    other = misfit(analysis.power)
    if other and goal.kind in ("ideal", "shown_grip"):
        said.append(f"That gap says little: {other}.")
    if analysis.reason:
        said.append(f"This recording is too coarse to say why ({analysis.reason}).")
    elif analysis.line_reason:
        why = "" if analysis.line_reason == other else f": {analysis.line_reason}"
        said.append(f"Your line, and how fast the corners could be taken, are not judged{why}. What your feet do is.")
    if first:
        things = ("one thing first:", "two things first: together", "three things first: together")[len(first) - 1]
        said += [
            f"Work on {things} about {_stakes(first):.2f} ±{_stakes_error(first):.2f} s a lap.",
            *_beyond(first, goal, analysis, "your best one" if quickest else "the best of these"),
        ]
    elif not analysis.reason:
        said.append("No single fault stands out of what this recording can show.")
    if goal.kind == "ideal" and not analysis.untold:
        said += _spread(analysis, abs(gap))
    return " ".join(said)


def _spread(analysis: Analysis, gap: float) -> list[str]:
    """What is lost all round and is no single corner's fault, named, where it is a good part of the gap."""
    if analysis.diagnosis is None:
        return []
    told = [item for item in all_round(analysis.diagnosis.explained) if (item.cost.value or 0.0) >= ALL_ROUND * gap]
    words = {
        "grip": "you use {} % of the grip ({} s a lap)",
        "braking": "you brake with {} % of what the tyres can do ({} s a lap)",
        "feet": "your feet take {} s from pedal to pedal and squeeze the power in ({} s a lap)",
    }
    parts = []
    for item in told:
        value, error, digits = item.number.value or 0.0, item.number.sigma or 0.0, 2
        if item.name != "feet":
            value, error, digits = 100.0 * value, max(100.0 * error, 1.0), 0
        size = f"{value:.{digits}f} ±{max(error, 10.0**-digits):.{digits}f}"
        cost = f"{item.cost.value or 0.0:.2f} ±{max(item.cost.sigma or 0.0, 0.01):.2f}"
        parts.append(words[item.name].format(size, cost))
    return [f"All round: {'; '.join(parts)}."] if parts else []


def _quicker(best: LapReview, goal: Target) -> tuple[int, ...]:
    """Numbers of the corners in which a lap clearly beats one that should be the fastest possible."""
    if goal.kind != "ideal":
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
        if goal.kind in ("ideal", "shown_grip"):
            said.append(f"That is of your usual lap, {usual - float(times.min()):.2f} s slower than {best}.")
        elif any(item.kind != "scatter" for item in first):
            said.append("That is against the ideal line at the grip you had, not against your own driving.")
    if stakes > usual - analysis.reference.lap_time:
        said.append("It is more than the whole gap, because you are faster than the ideal lap elsewhere.")
    if len(first) > 1 and any(item.kind == "scatter" for item in first):
        said.append("Some of it is the same time told twice: a fault on some laps only also makes laps differ.")
    return said
