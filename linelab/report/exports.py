"""A review's corners as CSV, a row a corner and lap.

The file carries the cautions, the survey note and the notes of the session as comment lines; a figure is a value with
its standard deviation, or empty with the reason.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from linelab.coaching.kinds import CAUSES
from linelab.coaching.values import CornerReview, LapReview, SessionReview
from linelab.comparison.measured import Measured
from linelab.comparison.segments import PHASES
from linelab.io.atomic import write_text
from linelab.report.display import CAUTIONS
from linelab.report.review_json import MARK_KEYS
from linelab.report.tables import csv_text


def save_corners_csv(review: SessionReview, path: str | Path) -> None:
    """Write one row a corner and lap: every figure with its sigma and, where withheld, the reason.

    Raises
    ------
    InputError
        The place cannot be written to.
    """
    names = ["time_lost_s", "line_loss_s", "speed_loss_s", *(f"{phase}_lost_s" for phase in PHASES)]
    names += [f"{cause}_cost_s" for cause in CAUSES] + list(MARK_KEYS.values())
    header = ["lap", "corner", "name", "direction"]
    for name in names:
        header += [name, f"{name}_sigma", f"{name}_reason"]
    header += [f"{key}_reference" for key in MARK_KEYS.values()]
    rows = [_corner_row(lap, part) for lap in review.laps for part in lap.corners]
    about = (f"{review.track.name}, against {review.target.title}", CAUTIONS, review.track.survey.note, *review.notes)
    write_text(path, csv_text([header, *rows], filter(None, about)))


def _corner_row(lap: LapReview, part: CornerReview) -> list[Any]:
    """One row of the corners' CSV."""
    corner, marks = part.corner, part.marks.named()
    row: list[Any] = [lap.label, corner.number, corner.name, "left" if corner.left else "right"]
    causes = dict(part.causes)
    figures = [part.time_lost, part.line_loss, part.speed_loss, *(lost for _, lost in part.phases)]
    figures += [causes[cause] for cause in CAUSES] + [marks[name].driven for name in MARK_KEYS]
    for figure in figures:
        row += _cells(figure)
    return row + [_number(marks[name].reference) for name in MARK_KEYS]


def _cells(figure: Measured) -> list[str]:
    return [_number(figure.value), _number(figure.sigma), figure.reason]


def _number(value: float | None) -> str:
    """Seven significant digits, empty for None."""
    return "" if value is None else f"{value:.7g}"
