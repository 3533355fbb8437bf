"""What the page says, in the order it says it: plain texts and drawings for the template, one entry a lap where laps
differ."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from linelab.arrays import Table
from linelab.coaching.coach_words import CAUSES, MARKS, labels_text
from linelab.coaching.consistency import least_repeatable_first
from linelab.coaching.results import Evidence, LapReview, Priority, Review
from linelab.coaching.side_by_side import unusual_laps
from linelab.measured import PLUS_MINUS, Measured, plus_minus
from linelab.output.display import (
    CAUTIONS,
    Units,
    clear,
    evidence_text,
    in_units,
    lap_time_text,
    lap_time_within,
    measured_text,
    number_text,
    typeset,
)
from linelab.output.lap_curves import station_title
from linelab.output.page.closeups import LETTERS, ring_text
from linelab.output.page.corner_grid import time_grid
from linelab.output.page.corner_rows import (
    CAUSE_NAMES,
    CornerPart,
    LossText,
    corner_parts,
    corner_rows,
    loss_texts,
    mean_cost,
    seconds,
    spread_text,
    table_columns,
    total_rows,
    usual_laps,
    withheld_reasons,
)
from linelab.output.page.curves import ALONG, bends, curves, loss_boxes, station_ticks
from linelab.output.page.foot_work import FootWork, foot_work
from linelab.output.page.gg_diagram import gg_diagram
from linelab.output.page.laps_strip import laps_strip
from linelab.output.page.readings import readings
from linelab.output.page.setups_part import setups_content
from linelab.output.page.svg_map import BOUNDS, CLASSES, band_outline, full_rate, lap_paths, map_ground, target_path
from linelab.output.review_text import is_fastest, nothing_found, work_heading
from linelab.output.setups.setups_words import OF_REVIEW
from linelab.output.track_facts import survey_sentence
from linelab.recorded.laps import RecordedLap
from linelab.study.other_sessions import SessionDifference
from linelab.study.setups.setup_verdict import SetupDifference

#: Laps that can be chosen on one page; of more the fastest, with those that evidence names.
MOST_LAPS = 24

#: Marks whose spread over the laps is shown.
SPREADS = ("brake_point", "turn_in", "apex_distance", "min_speed", "drive_point")


@dataclass(frozen=True, kw_only=True, slots=True)
class Beside:
    """What a session is held against on the same track.

    Parameters
    ----------
    source : str
        Whose the other session is.
    difference : SessionDifference, optional
        How this session differs from it.
    setups : SetupDifference, optional
        Outings with another setup: B is this session's, A the other one.
    """

    source: str = ""
    difference: SessionDifference | None = None
    setups: SetupDifference | None = None


def page_content(
    review: Review,
    units: Units,
    *,
    source: str = "",
    recorded: Sequence[RecordedLap] = (),
    beside: Beside | None = None,
) -> dict[str, Any]:
    """The template's variables; parameters as in :func:`linelab.output.page.html_file.review_page`."""
    whole, review = review, chosen_laps(review)
    usual = usual_laps(whole)
    corners = corner_parts(review, units, usual)
    peak, work = full_rate(review), foot_work(review)
    unusual = unusual_laps(whole.laps)
    remarks = dict.fromkeys(unusual, "not a usual lap")
    if len(whole.laps) > 2:
        remarks[whole.laps[whole.typical].label] = "the usual lap"
    if is_fastest(whole, recorded):
        fastest = whole.laps[whole.best].label
        remarks[fastest] = "best, and the usual lap" if remarks.get(fastest) == "the usual lap" else "best"
    return {
        "track": review.track.name,
        "kart": review.kart.name,
        "source": source,
        "units": units,
        "shown": review.opening,
        "laps": [_lap_heading(lap, loss_texts(lap)[-1], remarks.get(lap.label, ""), units) for lap in review.laps],
        "target": review.target,
        "target_time": _target_time(review),
        "verdict": in_units(review.verdict, units),
        "work_heading": work_heading(review),
        "priorities": [_priority(priority, units) for priority in review.priorities],
        "without_card": _shown(review.without_card, units),
        "nothing": in_units(nothing_found(review), units),
        "first_corners": {number for priority in review.priorities for number in priority.corners},
        "strengths": [{"title": item.title, "evidence": _shown(item.evidence, units)} for item in review.strengths],
        "ground": map_ground(review.track, units),
        "target_line": target_path(review.target.lap),
        "lap_lines": tuple(zip(*(lap_paths(review, lap, peak) for lap in review.laps))),
        "classes": CLASSES,
        "class_bounds": _class_bounds(peak, units),
        "band_outline": band_outline(review) if len(review.laps) > 2 else "",
        "panels": (loss_boxes(review), *curves(review, units, work)),
        "not_drawn": _not_drawn(work, units),
        "gg": gg_diagram(review, units, work),
        "station_title": station_title(review.track, units),
        "station_ticks": station_ticks(review.track, units),
        "bends": bends(review.track),
        "extent": round(ALONG * review.track.length),
        "letters": LETTERS,
        "ring_text": ring_text(review),
        "corners": corners,
        "by_cost": sorted(corners, key=lambda part: -mean_cost(review, part.number)),
        "card": _driver_card(review, corners, units),
        "usually": len(usual) > 1,
        "columns": table_columns(units),
        "table": corner_rows(review, corners, units),
        "totals": total_rows(review),
        "withheld": tuple(in_units(withheld_reasons(lap), units) for lap in review.laps),
        "consistency": review.consistency,
        "strip": laps_strip(whole, review.laps) if len(whole.laps) > 1 else None,
        "grid": time_grid(whole, review.laps) if len(whole.laps) > 1 else None,
        "lap_count": len(whole.laps),
        "laps_named": labels_text,
        "spreads": _spreads(review, units),
        "spread_names": [MARKS[name].name for name in SPREADS],
        "definitions": [(item.name, item.rule) for item in MARKS.values()],
        "causes": [(CAUSE_NAMES[cause], words) for cause, words in CAUSES.items()],
        "beside": beside_texts(beside.source, beside.difference, units) if beside and beside.difference else None,
        "setups": setups_content(beside.setups, OF_REVIEW) if beside and beside.setups else None,
        "clear": CLEAR,
        "recorded": [_recorded(lap, whole, unusual, units) for lap in recorded],
        "grip": review.grip,
        "survey": survey_sentence(review.track.survey, units),
        "cleaning": tuple(in_units(note, units) for note in dict.fromkeys(review.cleaning)),
        "notes": tuple(in_units(note, units) for note in dict.fromkeys(review.notes)),
        "cautions": CAUTIONS,
        "plus_minus": PLUS_MINUS,
        "readings": readings(review, units, work),
        "figure": lambda value, digits=2: typeset(measured_text(value, 1.0, digits)),
        "signed": lambda value, digits=2: seconds(value, digits),
        "clock": lap_time_text,
    }


def chosen_laps(review: Review) -> Review:
    """The review with the laps that the page holds, in order of time: all, or the best, the typical one, those named as
    evidence and as many of the fastest as there is room for."""
    laps = review.laps
    if len(laps) <= MOST_LAPS:
        return review
    named = {label for priority in review.priorities for label in priority.laps}
    first = {review.best, review.typical, *(k for k, lap in enumerate(laps) if lap.label in named)}
    by_time = sorted(range(len(laps)), key=lambda k: (k not in first, laps[k].lap_time.value or 0.0))
    kept = sorted(by_time[:MOST_LAPS])
    return replace(
        review,
        laps=Table(laps[k] for k in kept),
        best=kept.index(review.best),
        typical=kept.index(review.typical),
    )


def _not_drawn(work: FootWork, units: Units) -> list[str]:
    """Which curves are left out, and why."""
    said = {"pedals": work.no_feet, "grip used": work.no_grip, "g-g diagram": work.no_gg}
    return [in_units(f"Not shown: {what}: {reason}.", units) for what, reason in said.items() if reason]


#: When a corner is called clear.
CLEAR = "A corner is clear where chance would hardly make any of all corners differ so much."


def beside_texts(source: str, found: SessionDifference, units: Units) -> dict[str, Any]:
    """Another session beside this one, as text."""
    figures = [("usual lap", found.lap_time, clear(found.lap_time, both=True))]
    figures += [("best lap", found.best, clear(found.best, both=True))]
    figures += [(f"corner {corner.number}", corner.time, corner.clear) for corner in found.corners]
    return {
        "source": source,
        "words": found.words[:1].upper() + found.words[1:],
        "spread": [typeset(measured_text(figure, 1.0, 2)) for figure in found.spread],
        # Means of many laps are known to milliseconds: with fewer decimals the same text would be clear and not clear.
        "rows": [(name, seconds(figure, 3), shown) for name, figure, shown in figures],
        "shown": _shown(found.shown, units),
        "since": _shown(found.since, units),
    }


def _target_time(review: Review) -> str:
    return lap_time_within(Measured(review.target.lap_time, review.target.sigma))


def _lap_heading(lap: LapReview, whole: LossText, remark: str, units: Units) -> dict[str, str]:
    """One lap's headline; its parts as the table shows them."""
    time = lap.lap_time.value or 0.0
    gap = lap.gap.value or 0.0
    same = gap == 0.0 and not lap.gap.sigma  # the lap that the others are compared with
    word = "level with" if same else "behind" if gap >= 0.0 else "ahead of"
    parts = f"{whole.line} s by the line, {whole.speed} s by the speed on it"
    if lap.line_loss.value is None:
        parts = f"Line and speed are not separated: {in_units(lap.line_loss.reason, units)}"
    return {
        "label": lap.label,
        "name": lap.label[:1].upper() + lap.label[1:],
        "time": lap_time_text(time),
        "sigma": plus_minus(lap.lap_time.sigma, 3),
        "gap": number_text(abs(gap)),
        "gap_sigma": "" if same else f"{plus_minus(lap.gap.sigma, 2)} s",
        "word": word,
        "parts": parts,
        "option": f"{lap.label}: {lap_time_text(time)}" + (f" ({remark})" if remark else ""),
    }


def _priority(priority: Priority, units: Units) -> dict[str, Any]:
    return {
        "rank": priority.rank,
        "title": priority.title,
        "corners": priority.corners,
        "at_stake": typeset(measured_text(priority.at_stake, 1.0, 2)),
        "reason": in_units(priority.at_stake.reason, units),
        "evidence": _shown(priority.evidence, units),
        "feel": priority.feel,
        "exercise": priority.exercise,
        "laps": f"{'Compare' if priority.kind == 'own_pass' else 'Clearest on'} {labels_text(priority.laps)}."
        if priority.laps
        else "",
        "close": _shown(priority.close, units),
    }


#: Pictures on the driver card.
PICTURES = 3


def _driver_card(review: Review, corners: Sequence[CornerPart], units: Units) -> list[dict[str, Any]]:
    """What a driver takes along: the things to work on, or else the corners that cost most, each with its picture."""
    parts = {part.number: part for part in corners}
    rows = []
    for priority in review.priorities[:PICTURES]:
        number = priority.corners[0] if priority.corners else 0
        said = _priority(priority, units)
        stake = "" if said["reason"] else said["at_stake"]
        rows.append({"number": number, "stake": stake, **{key: said[key] for key in ("title", "feel", "exercise")}})
    if not rows:
        dearest = sorted(corners, key=lambda part: -mean_cost(review, part.number))[:PICTURES]
        rows = [
            {
                "number": part.number,
                "stake": part.mean_lost,
                "title": f"Corner {part.label}",
                "feel": "",
                "exercise": "",
            }
            for part in dearest
        ]
    return [row | {"box": parts[row["number"]].close_up.box if row["number"] else None} for row in rows]


def _shown(evidence: Sequence[Evidence], units: Units) -> tuple[str, ...]:
    return tuple(evidence_text(line, units) for line in evidence)


def _class_bounds(peak: float, units: Units) -> tuple[str, ...]:
    """What the classes of the driven line mean, in seconds by a hundred of the shown length."""
    per = 100.0 * units.length
    low, level, much = (bound * peak * per for bound in BOUNDS)
    unit = f"s in 100 {units.length_unit}"
    return (
        f"gains more than {-low:.2f} {unit}",
        "level",
        f"loses {level:.2f} to {much:.2f} {unit}",
        f"loses more than {much:.2f} {unit}",
    )


def _spreads(review: Review, units: Units) -> list[dict[str, Any]]:
    """Repeatability by corner, in the order of the sentence above the table."""
    rows = []
    for spread in least_repeatable_first(review.consistency.corners):
        marks = dict(spread.marks)
        shown: Callable[[str], str] = lambda name, marks=marks: (  # type: ignore[misc]  # noqa: E731
            spread_text(name, marks[name], units) if name in marks else "–"
        )
        rows.append(
            {
                "label": spread.corner.label,
                "number": spread.corner.number,
                "time": typeset(measured_text(spread.time, 1.0, 2)),
                "cost": typeset(measured_text(spread.cost, 1.0, 2)),
                "marks": [shown(name) for name in SPREADS],
            }
        )
    return rows


def _recorded(lap: RecordedLap, review: Review, unusual: dict[str, str], units: Units) -> dict[str, str]:
    """A lap of the recording; a reviewed one with the lap time it has everywhere on the page."""
    times = {reviewed.label: reviewed.lap_time for reviewed in review.laps}
    time = times.get(lap.label, lap.lap_time)
    reason = in_units(unusual.get(lap.label, lap.reason), units)
    return {"label": lap.label, "time": typeset(lap_time_within(time)), "status": lap.status, "reason": reason}
