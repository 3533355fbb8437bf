"""The whole review as JSON, and its corners as CSV with a row a corner and lap.

Every figure has its standard deviation, or the reason why it is withheld; units are SI and named in the keys.  The
JSON's layout is published as a JSON Schema (draft 2020-12) in ``linelab/data/schema/review.schema.json``.  The CSV
carries the cautions and the notes as comment lines.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path, PurePath
from typing import Any

from linelab.coaching.coach_words import MARK_KEYS
from linelab.coaching.results import Consistency, CornerReview, CornerSpread, LapReview, Mark, Priority, Review
from linelab.coaching.side_by_side import unusual_laps
from linelab.files.text import csv_text
from linelab.files.writing import write_text
from linelab.measured import PLUS_MINUS, Measured
from linelab.model.track import Track
from linelab.output.display import CAUTIONS, evidence_text
from linelab.study.other_sessions import SessionDifference
from linelab.study.setups.setup_verdict import MoreLaps, SetupDifference

#: Name and version of the layout: the version is raised when a key changes its meaning or goes.
FORMAT, VERSION = "linelab review", 5
#: What a size is given as: ends and middle of its 95 % interval.
RANGE = ("low", "middle", "high")


def review_as_dict(
    review: Review,
    *,
    settings: Mapping[str, Any] | None = None,
    beside: tuple[str, SessionDifference] | None = None,
    setups: SetupDifference | None = None,
) -> dict[str, Any]:
    """A session's review as plain dictionaries, lists, numbers and text.

    Parameters
    ----------
    review : Review
    settings : mapping, optional
        What the caller chose (recording, kart, grip); values are kept as text unless they are plain numbers or lists.
    beside : (str, SessionDifference), optional
        Whose session this one is held against, and how it differs.
    setups : SetupDifference, optional
        Outings with another setup: B is this session's, A the other one.
    """
    unusual = unusual_laps(review.laps)
    return {
        "format": FORMAT,
        "version": VERSION,
        "cautions": CAUTIONS,
        "settings": dict(settings or {}),
        "track": _track(review.track),
        "kart": review.kart.name,
        "target": {
            "kind": review.target.kind,
            "title": review.target.title,
            "words": review.target.words,
            "lap_time_s": review.target.lap_time,
            "sigma_s": review.target.sigma,
        },
        "reference_lap_time_s": review.reference.lap_time,
        "apexes": [
            {"number": mark.corner.number, "apex_m": mark.apex, "other_apex_m": mark.other_apex}
            for mark in review.reference_marks
        ],
        "shown_grip": {
            "factor": figure(review.grip.factor),
            "low": review.grip.low,
            "high": review.grip.high,
            "corners": [{"number": number, "factor": factor} for number, factor in review.grip.corners],
            "note": review.grip.note,
        },
        "verdict": review.verdict,
        "priorities": [_priority(item) for item in review.priorities],
        "withheld": [{"what": what, "reason": reason} for what, reason in review.withheld],
        "without_card": [evidence_text(line) for line in review.without_card],
        "strengths": [
            {
                "title": item.title,
                "corners": list(item.corners),
                "evidence": [evidence_text(line) for line in item.evidence],
            }
            for item in review.strengths
        ],
        "best": review.laps[review.best].label,
        "typical": review.laps[review.typical].label,
        "laps": [_lap(lap, unusual.get(lap.label)) for lap in review.laps],
        "mean_by_corner": [{"number": corner.number, "time_lost_s": figure(lost)} for corner, lost in review.corners],
        "consistency": _consistency(review.consistency),
        "cleaning": list(review.cleaning),
        "notes": list(review.notes),
        **({} if beside is None else {"beside": _beside(*beside)}),
        **({} if setups is None else {"setups": setups_figures(setups)}),
    }


def _beside(name: str, found: SessionDifference) -> dict[str, Any]:
    """Another session beside this one."""
    return {
        "name": name,
        "words": found.words,
        "usual_lap_s": figure(found.lap_time),
        "best_lap_s": figure(found.best),
        "corners": [
            {"number": corner.number, "time_s": figure(corner.time), "clear": corner.clear} for corner in found.corners
        ],
        "shown": [evidence_text(line) for line in found.shown],
        "since": [evidence_text(line) for line in found.since],
    }


def setups_figures(found: SetupDifference) -> dict[str, Any]:
    """The comparison as plain dictionaries, lists, numbers and text; times in seconds, B minus A."""
    return {
        "verdict": found.verdict,
        "words": found.words,
        "condition": found.condition,
        "real_below_s": found.real_below,
        "lap_time_s": figure(found.lap_time),
        "at_most_s": found.at_most,
        "faster_probability": found.faster,
        "matters_s": found.matters,
        "more": _more(found.more),
        "order": found.order,
        "order_from": found.order_from,
        "outing_change_s": dict(zip(RANGE, found.outing)),
        "outing_change_stated_s": found.outing_stated,
        "scatter_s": dict(zip(RANGE, found.scatter)),
        "correlation": dict(zip(RANGE, found.correlation)),
        "corners": [
            {"number": one.number, "time_s": figure(one.time), "at_most_s": one.at_most, "clear": one.clear,
             "verdict": one.verdict, "words": one.words, "more": _more(one.more)}
            for one in found.corners
        ],
        "laps": [
            {"outing": lap.outing, "setup": lap.setup, "recording": lap.source, "lap": lap.number,
             "lap_time_s": figure(lap.lap_time), "corners_s": list(lap.corners)}
            for lap in found.laps
        ],
    }  # fmt: skip


def _more(more: MoreLaps | None) -> dict[str, Any] | None:
    return None if more is None else {"laps": more.laps, "order": more.order, "enough": more.enough}


def save_review_json(
    review: Review,
    path: str | Path,
    *,
    settings: Mapping[str, Any] | None = None,
    beside: tuple[str, SessionDifference] | None = None,
    setups: SetupDifference | None = None,
) -> None:
    """Write :func:`review_as_dict` as JSON.

    Raises
    ------
    InputError
        The place cannot be written to.
    """
    data = review_as_dict(review, settings=settings, beside=beside, setups=setups)
    write_text(path, json.dumps(data, ensure_ascii=False, default=_as_text, allow_nan=False) + "\n")


def _as_text(value: object) -> str:
    """A setting of another type as text; a path's folders are nobody's business whom the file is passed on to."""
    return value.name if isinstance(value, PurePath) else str(value)


def review_schema() -> dict[str, Any]:
    """The published JSON Schema of :func:`review_as_dict`."""
    text = (files("linelab") / "data" / "schema" / "review.schema.json").read_text(encoding="utf-8")
    return json.loads(text)  # type: ignore[no-any-return]


def figure(measured: Measured) -> dict[str, Any]:
    """A figure: value and sigma, or None with the reason."""
    if measured.value is None:
        return {"value": None, "sigma": None, "reason": measured.reason}
    return {"value": measured.value, "sigma": measured.sigma}


def _track(track: Track) -> dict[str, Any]:
    survey = track.survey
    return {
        "name": track.name,
        "closed": track.closed,
        "length_m": track.length,
        "survey": {
            "kind": survey.kind,
            "note": survey.note,
            "assumed_width_m": survey.assumed_width,
            "uncertainty_m": survey.uncertainty,
        },
        "corners": [
            {
                "number": corner.number,
                "name": corner.name,
                "direction": "left" if corner.left else "right",
                "s_start_m": corner.s_start,
                "s_apex_m": corner.s_apex,
                "s_end_m": corner.s_end,
            }
            for corner in track.corners
        ],
    }


def _priority(item: Priority) -> dict[str, Any]:
    return {
        "rank": item.rank,
        "kind": item.kind,
        "title": item.title,
        "corners": list(item.corners),
        "at_stake_s": figure(item.at_stake),
        "evidence": [evidence_text(line) for line in (*item.evidence, *item.close)],
        "feel": item.feel,
        "exercise": item.exercise,
        "laps": list(item.laps),
    }


def _lap(lap: LapReview, unusual: str | None) -> dict[str, Any]:
    driven = lap.comparison.driven
    return {
        "label": lap.label,
        "lap_time_s": figure(lap.lap_time),
        "gap_s": figure(lap.gap),
        "line_loss_s": figure(lap.line_loss),
        "speed_loss_s": figure(lap.speed_loss),
        "position_bias_m": driven.bias.sigma,
        "position_bias_note": driven.bias.note,
        "corners": [_corner(part) for part in lap.corners],
        "notes": [*([unusual] if unusual else []), *lap.comparison.notes],
    }


def _corner(part: CornerReview) -> dict[str, Any]:
    return {
        "number": part.corner.number,
        "time_lost_s": figure(part.time_lost),
        "phases_s": {name: figure(lost) for name, lost in part.phases},
        "line_loss_s": figure(part.line_loss),
        "speed_loss_s": figure(part.speed_loss),
        "causes_s": {name: figure(lost) for name, lost in part.causes},
        "marks": {MARK_KEYS[name]: _mark(mark) for name, mark in part.marks.named().items()},
    }


def _mark(mark: Mark) -> dict[str, Any]:
    return {"driven": figure(mark.driven), "reference": mark.reference}


def _consistency(found: Consistency) -> dict[str, Any]:
    return {
        "laps": found.laps,
        "within_best": list(found.within_best),
        "within_median": list(found.within_median),
        "median_s": found.median,
        "spread_s": figure(found.spread),
        "trend_s_per_lap": figure(found.trend),
        "trend_words": found.trend_words,
        "least_repeatable": found.least_repeatable,
        "corners": [_spread(spread) for spread in found.corners],
    }


def _spread(spread: CornerSpread) -> dict[str, Any]:
    return {
        "number": spread.corner.number,
        "time_s": figure(spread.time),
        "cost_s": figure(spread.cost),
        "marks": {MARK_KEYS[name]: figure(value) for name, value in spread.marks},
    }


def save_corners_csv(review: Review, path: str | Path) -> None:
    """Write one row a corner and lap: every figure with its sigma and, where withheld, the reason.

    Raises
    ------
    InputError
        The place cannot be written to.
    """
    rows = review.rows()
    cells = [[f"{v:.7g}" if isinstance(v, float) else "" if v is None else v for v in row.values()] for row in rows]
    title = f"{review.track.name}, against {review.target.title}"
    about = (title, CAUTIONS, PLUS_MINUS, review.track.survey.note, *review.notes)
    write_text(path, csv_text([list(rows[0]), *cells], filter(None, about)))
