"""What the driver does well: said only where the recording shows it."""

from __future__ import annotations

from linelab.coaching.analysis import Analysis
from linelab.coaching.diagnosis import Finding
from linelab.coaching.values import Consistency, Evidence, Strength
from linelab.coaching.words import corners_text
from linelab.comparison.measured import Measured

#: A corner is driven well where all habits together cost no more than this [s].
WELL = 0.04
#: Braking marks repeat well within this [m].
SAME_MARK = 2.0
MOST = 3


def strengths(analysis: Analysis, findings: list[Finding], repeat: Consistency) -> tuple[Strength, ...]:
    """At most three things done well."""
    found = [item for item in (_corners(analysis, findings), _repeats(repeat), _marks(repeat), _feet(findings)) if item]
    return tuple(found[:MOST])


def _corners(analysis: Analysis, findings: list[Finding]) -> Strength | None:
    """Corners in which next to nothing is lost at the grip shown."""
    if analysis.untold:
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
                f"What you do there yourself, line, braking and power, costs less than {WELL} s at the grip you had."
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
        evidence=(
            Evidence("Your brake points vary by less than {} there (one standard deviation).", ((known, "place"),)),
        ),
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
