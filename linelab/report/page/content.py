"""What the page says, in the order it says it: plain texts and drawings for the template, one entry a lap where laps
differ."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from linelab.coaching.values import LapReview, Priority, SessionReview
from linelab.comparison.laps import RecordedLap
from linelab.comparison.measured import Measured
from linelab.comparison.segments import PHASES
from linelab.report.display import CAUTIONS, Units, lap_time_text
from linelab.report.measured_text import measured_text, typeset
from linelab.report.page.closeups import LETTERS, CloseUp, close_ups
from linelab.report.page.curves import ALONG, bends, curves, loss_boxes, station_ticks
from linelab.report.page.ground import map_ground
from linelab.report.page.laps_strip import laps_strip
from linelab.report.page.lines import BOUNDS, CLASSES, band_outline, full_rate, lap_paths, target_path
from linelab.report.page.losses_text import CAUSE_NAMES, PHASE_NAMES, LossText, loss_texts, seconds
from linelab.report.page.mark_rows import MarkRow, mark_rows, spread_text
from linelab.report.page.readings import readings
from linelab.report.track_facts import survey_sentence

#: Corners whose close-up is open from the start.
OPEN = 3

#: Marks whose spread over the laps is shown, and what the column is called.
SPREADS = {
    "brake_point": "brake point",
    "turn_in": "turn-in",
    "apex_distance": "apex distance",
    "min_speed": "minimum speed",
    "drive_point": "drive point",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerPart:
    """Everything about one corner; sequences have one entry a lap."""

    number: int
    label: str
    direction: str
    close_up: CloseUp
    mean_lost: str
    losses: tuple[LossText, ...]
    sentences: tuple[str, ...]
    by_part: tuple[str, ...]
    by_cause: tuple[str, ...]
    rows: tuple[MarkRow, ...]
    start_open: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class TableRow:
    """A row of the table of all corners: its heading, and one text a lap for each column."""

    number: int
    label: str
    cells: tuple[tuple[str, ...], ...]


def page_content(
    review: SessionReview, units: Units, *, source: str = "", recorded: Sequence[RecordedLap] = ()
) -> dict[str, Any]:
    """The template's variables.

    Parameters
    ----------
    review : SessionReview
    units : Units
    source : str
        Name of the recording.
    recorded : sequence of RecordedLap
        All laps of the recording, also those left out, with their status.
    """
    losses = [loss_texts(lap) for lap in review.laps]
    corners = _corners(review, losses, units)
    peak = full_rate(review)
    return {
        "track": review.track.name,
        "kart": review.kart.name,
        "source": source,
        "units": units,
        "shown": review.best,
        "laps": [_lap_heading(review, lap) for lap in review.laps],
        "target": review.target,
        "target_time": _target_time(review),
        "verdict": review.verdict,
        "priorities": [_priority(priority) for priority in review.priorities],
        "strengths": review.strengths,
        "ground": map_ground(review.track, units),
        "target_line": target_path(review.target.lap),
        "lap_lines": tuple(zip(*(lap_paths(review, lap, peak) for lap in review.laps))),
        "classes": CLASSES,
        "class_bounds": _class_bounds(peak, units),
        "band_outline": band_outline(review) if len(review.laps) > 2 else "",
        "panels": (loss_boxes(review), *curves(review, units)),
        "station_ticks": station_ticks(review.track, units),
        "bends": bends(review.track),
        "extent": round(ALONG * review.track.length),
        "letters": LETTERS,
        "corners": corners,
        "by_cost": sorted(corners, key=lambda part: -_mean_cost(review, part.number)),
        "columns": _columns(units),
        "table": _table(review, corners, units),
        "totals": _totals(review, losses, units),
        "withheld": tuple(_reasons(lap) for lap in review.laps),
        "consistency": review.consistency,
        "strip": laps_strip(review) if len(review.laps) > 1 else None,
        "spreads": _spreads(review, units),
        "spread_names": tuple(SPREADS.values()),
        "recorded": [_recorded(lap) for lap in recorded],
        "grip": review.grip,
        "survey": survey_sentence(review.track.survey),
        "cleaning": tuple(dict.fromkeys(review.cleaning)),
        "notes": tuple(dict.fromkeys(review.notes)),
        "cautions": CAUTIONS,
        "readings": readings(review, units),
        "figure": lambda value, digits=2: typeset(measured_text(value, 1.0, digits)),
        "signed": lambda value, digits=2: seconds(value, digits),
        "clock": lap_time_text,
    }


def _target_time(review: SessionReview) -> str:
    text = lap_time_text(review.target.lap_time)
    return f"{text} ±{review.target.sigma:.3f}" if review.target.sigma else text


def _lap_heading(review: SessionReview, lap: LapReview) -> dict[str, str]:
    """One lap's headline."""
    time = lap.lap_time.value or 0.0
    gap = lap.gap.value or 0.0
    word = "behind" if gap >= 0.0 else "ahead of"
    parts = f"{seconds(lap.line_loss)} s by the line, {seconds(lap.speed_loss)} s by the speed on it"
    if lap.line_loss.value is None:
        parts = f"Line and speed are not told apart: {lap.line_loss.reason}"
    return {
        "label": lap.label,
        "time": lap_time_text(time),
        "sigma": f"±{max(lap.lap_time.sigma or 0.0, 0.001):.3f}",
        "gap": typeset(measured_text(Measured(abs(gap), lap.gap.sigma), 1.0, 2)),
        "word": word,
        "parts": parts,
        "option": f"{lap.label}: {lap_time_text(time)}" + (" (best)" if lap is review.laps[review.best] else ""),
    }


def _priority(priority: Priority) -> dict[str, Any]:
    return {
        "rank": priority.rank,
        "title": priority.title,
        "corners": priority.corners,
        "at_stake": typeset(measured_text(priority.at_stake, 1.0, 2)),
        "reason": priority.at_stake.reason,
        "evidence": priority.evidence,
        "feel": priority.feel,
        "exercise": priority.exercise,
        "laps": ", ".join(priority.laps),
    }


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


def _mean_cost(review: SessionReview, number: int) -> float:
    return next((lost.value or 0.0 for corner, lost in review.corners if corner.number == number), 0.0)


def _corners(review: SessionReview, losses: Sequence[tuple[LossText, ...]], units: Units) -> tuple[CornerPart, ...]:
    """All corners in driving order."""
    means = {corner.number: lost for corner, lost in review.corners}
    first = sorted(means, key=lambda number: -(means[number].value or 0.0))[:OPEN]
    parts = []
    for index, drawing in enumerate(close_ups(review, units)):
        corner = drawing.corner
        texts = tuple(lap[index] for lap in losses)
        parts.append(
            CornerPart(
                number=corner.number,
                label=corner.label,
                direction="left" if corner.left else "right",
                close_up=drawing,
                mean_lost=seconds(means[corner.number]) if corner.number in means else "–",
                losses=texts,
                sentences=tuple(_sentence(lap, text) for lap, text in zip(review.laps, texts)),
                by_part=tuple(_listed(PHASE_NAMES, PHASES, text.phases) for text in texts),
                by_cause=tuple(_causes(text, lap.corners[index].line_loss) for lap, text in zip(review.laps, texts)),
                rows=mark_rows(review.laps, index, units),
                start_open=corner.number in first,
            )
        )
    return tuple(parts)


def _sentence(lap: LapReview, text: LossText) -> str:
    return f"{lap.label}: {text.lost} s"


def _listed(names: dict[str, str], keys: Sequence[str], texts: Sequence[str]) -> str:
    return " · ".join(f"{names[key]} {text}" for key, text in zip(keys, texts))


def _causes(text: LossText, line: Measured) -> str:
    """The split into line and speed, and the speed's causes."""
    if line.value is None:
        return f"line and speed not told apart: {line.reason}"
    listed = _listed(CAUSE_NAMES, tuple(CAUSE_NAMES), text.causes)
    return f"line {text.line} · speed {text.speed}" + (f", of which {listed}" if listed else "")


def _columns(units: Units) -> tuple[tuple[str, str], ...]:
    """Names and units of the table's columns after the corner's."""
    names = [("lost", "s"), *((PHASE_NAMES[phase], "s") for phase in PHASES), ("line", "s"), ("speed", "s")]
    more = [("minimum speed", units.speed_unit), ("against target", units.speed_unit)]
    return (*names, *more, ("apex missed by", units.length_unit), ("mean lost, all laps", "s"))


def _table(review: SessionReview, corners: Sequence[CornerPart], units: Units) -> tuple[TableRow, ...]:
    rows = []
    for index, part in enumerate(corners):
        cells = []
        for lap, text in zip(review.laps, part.losses):
            marks = lap.corners[index].marks
            cells.append(
                (
                    text.lost, *text.phases, text.line, text.speed,
                    typeset(measured_text(marks.min_speed.driven, units.speed, 1)),
                    typeset(measured_text(marks.min_speed.gap, units.speed, 1, signed=True)),
                    typeset(measured_text(marks.apex_miss.driven, units.length, 1, signed=True)),
                    part.mean_lost,
                )
            )  # fmt: skip
        rows.append(TableRow(number=part.number, label=part.label, cells=tuple(zip(*cells))))
    return tuple(rows)


def _totals(review: SessionReview, losses: Sequence[tuple[LossText, ...]], units: Units) -> tuple[TableRow, ...]:
    """The road outside all corners, where there is one, and the whole lap."""
    blank = ("",) * 4
    outside = [(lap[-2].lost, *("",) * 6, *blank) for lap in losses]
    whole = [(lap[-1].lost, *lap[-1].phases, lap[-1].line, lap[-1].speed, *blank) for lap in losses]
    rows = [TableRow(number=0, label="whole lap", cells=tuple(zip(*whole)))]
    if any(lap.elsewhere.value for lap in review.laps):
        rows.insert(0, TableRow(number=0, label="before corner 1", cells=tuple(zip(*outside))))
    return tuple(rows)


def _reasons(lap: LapReview) -> str:
    """Every reason for withholding a figure of the table, once, with the corners it concerns."""
    found: dict[str, list[str]] = {}
    for part in lap.corners:
        figures = [part.line_loss, part.speed_loss, part.marks.min_speed.driven, part.marks.apex_miss.driven]
        figures += [figure for _, figure in part.phases]
        for reason in dict.fromkeys(figure.reason for figure in figures if figure.value is None):
            found.setdefault(reason, []).append(str(part.corner.number))
    every = len(lap.corners)
    told = [
        f"{reason} ({'all corners' if len(numbers) == every else 'corner ' + ', '.join(numbers)})"
        for reason, numbers in found.items()
    ]
    return "Not told: " + "; ".join(told) + "." if told else "Nothing withheld in this table."


def _spreads(review: SessionReview, units: Units) -> list[dict[str, Any]]:
    """Repeatability by corner, the costliest first."""
    rows = []
    for spread in sorted(review.consistency.corners, key=lambda item: -(item.cost.value or 0.0)):
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


def _recorded(lap: RecordedLap) -> dict[str, str]:
    time = lap.lap_time
    shown = "–" if time.value is None else f"{lap_time_text(time.value)} ±{max(time.sigma or 0.0, 0.001):.3f}"
    return {"label": lap.label, "time": shown, "status": lap.status, "reason": lap.reason}
