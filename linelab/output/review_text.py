"""A review in a few lines for a terminal: the verdict, what to work on, the laps; everything else is on the page."""

from __future__ import annotations

from collections.abc import Sequence

from linelab.coaching.advice import order_certain
from linelab.coaching.results import Priority, Review
from linelab.coaching.side_by_side import unusual_laps
from linelab.measured import PLUS_MINUS
from linelab.output.display import (
    CAUTIONS,
    METRIC,
    Units,
    evidence_text,
    in_units,
    lap_time_text,
    lap_time_within,
    measured_text,
)
from linelab.output.setups.setups_words import OF_REVIEW, verdict_words
from linelab.output.tables import text_table
from linelab.recorded.laps import RecordedLap
from linelab.study.other_sessions import SessionDifference
from linelab.study.setups.setup_verdict import SetupDifference

#: Letters to a line.
WIDTH = 96


def review_lines(review: Review, recorded: Sequence[RecordedLap] = (), units: Units = METRIC) -> list[str]:
    """The lines: heading, verdict, priorities, laps with their gaps or why they are left out, cautions.

    Parameters
    ----------
    review : Review
    recorded : sequence of RecordedLap
        All laps of the recording; those left out are listed with the reason.
    units : Units
    """
    best = review.laps[review.best]
    lines = [
        f"{review.track.name}: {best.label} {lap_time_text(best.lap_time.value or 0.0)}, {review.target.title} "
        f"{lap_time_text(review.target.lap_time)}, gap {measured_text(best.gap, 1.0, 2, signed=True)} s",
        PLUS_MINUS,
        review.verdict,
        "",
    ]
    for item in review.priorities:
        lines += _priority(item, units)
    if not review.priorities:
        lines.append(nothing_found(review))
    lines += ["", *lap_table(review, recorded).split("\n"), "", CAUTIONS]
    return [lines[0], *(in_units(line, units) for line in lines[1:])]  # the first holds the track's name


def beside_lines(source: str, found: SessionDifference, units: Units = METRIC) -> list[str]:
    """Another session beside this one: how the usual laps differ, and in which corners clearly, with the marks."""
    lines = [f"Beside {source}: {found.words}.", *(f"- {evidence_text(line, units)}" for line in found.shown)]
    return lines if found.shown else [*lines, "No corner differs clearly."]


def setup_lines(found: SetupDifference) -> list[str]:
    """This session's setup and another one: the verdicts on the lap and on the corners."""
    return ["This setup and the other one:", *(f"- {line}" for line in (*verdict_words(found), OF_REVIEW))]


def since_lines(source: str, found: SessionDifference, units: Units = METRIC) -> list[str]:
    """What became of the things to work on since an earlier session; empty where there were none."""
    if not found.since:
        return []
    return [f"Since {source}:", *(f"- {evidence_text(line, units)}" for line in found.since), ""]


def is_fastest(review: Review, recorded: Sequence[RecordedLap]) -> bool:
    """Whether the best lap reviewed is the best of the recording: of chosen laps it need not be."""
    reviewed, best = {lap.label for lap in review.laps}, review.laps[review.best].lap_time.value or 0.0
    others = [lap.duration for lap in recorded if lap.status == "complete" and lap.label not in reviewed]
    return not others or best < min(others)


def work_heading(review: Review) -> str:
    """Heading of the priorities, on the page and in print."""
    if not review.priorities:
        return "Not rated" if _not_judged(review) else "Nothing stands out"
    if len(review.priorities) == 1:
        return "Work on this"
    return f"Work on these, in {'' if order_certain(review.priorities) else 'about '}this order"


def nothing_found(review: Review) -> str:
    """What to say where there is nothing to work on: that nothing stands out, or that nothing could be judged."""
    reason = _not_judged(review)
    if reason:
        return f"What to work on cannot be said: {reason}."
    return "No habit costs clearly more time than chance would in this recording."


def _not_judged(review: Review) -> str:
    """Why nothing is judged; empty where the feet are at least."""
    return dict(review.withheld).get("feet", "")


def _priority(item: Priority, units: Units) -> list[str]:
    """One thing to work on, with its first evidence and what may cost as much."""
    stake = "time not known" if item.at_stake.value is None else f"{measured_text(item.at_stake, 1.0, 2)} s a lap"
    shown = (*item.evidence[:1], *item.close)
    return [f"{item.rank}. {item.title} ({stake})", *(f"   {evidence_text(line, units)}" for line in shown)]


def lap_table(review: Review, recorded: Sequence[RecordedLap] = ()) -> str:
    """Laps with time and gap; laps left out of the review, or of the usual lap, with the reason."""
    reviewed, unusual = {lap.label: lap for lap in review.laps}, unusual_laps(review.laps)
    rows = []
    for label in [lap.label for lap in recorded] or list(reviewed):
        if label in reviewed:
            lap = reviewed[label]
            rows.append(
                [
                    label,
                    lap_time_within(lap.lap_time),
                    measured_text(lap.gap, 1.0, 2, signed=True),
                    unusual.get(label, ""),
                ]
            )
        else:
            out = next(lap for lap in recorded if lap.label == label)
            time = "-" if out.lap_time.value is None else lap_time_text(out.lap_time.value)
            rows.append([label, time, "-", out.reason or out.status])
    return text_table(["lap", "time", "gap s", "remark"], rows, left=(0, 3))
