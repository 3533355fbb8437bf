"""A review as JSON and as CSV (a row a corner, a row a node).

Every file carries the cautions, the survey note and the notes of the comparison; a figure is a value with its standard
deviation, or empty with the reason.  Files are written beside and moved into place.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from linelab.comparison.compare import Comparison, rank_corners
from linelab.comparison.corner_review import CornerReview
from linelab.comparison.measured import Measured
from linelab.comparison.segments import PHASES
from linelab.io.atomic import write_text
from linelab.report.display import CAUTIONS

#: Version of the JSON layout; raised when a key changes its meaning or goes.
SCHEMA = 1

#: Measured figures of a corner: attribute and name with its unit.
FIGURES = {
    "time_lost": "time_lost_s",
    "line_loss": "line_loss_s",
    "speed_loss": "speed_loss_s",
    "min_speed": "min_speed_mps",
    "min_speed_place": "min_speed_after_apex_m",
    "turn_in_speed": "turn_in_speed_mps",
    "entry_overspeed": "entry_overspeed_mps",
    "line_overspeed": "line_overspeed_mps",
    "apex_distance": "apex_distance_m",
    "apex_miss": "apex_miss_m",
}
_REFERENCES = {
    "min_speed_reference": "min_speed_reference_mps",
    "min_speed_place_reference": "min_speed_after_apex_reference_m",
    "turn_in_speed_reference": "turn_in_speed_reference_mps",
}
_MARKS = ("brake_point", "turn_in", "apex", "minimum_speed", "drive_point", "track_out")


def review_as_dict(comparison: Comparison, *, settings: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """A comparison as plain dictionaries, lists, numbers and text; units are in the keys.

    Parameters
    ----------
    comparison : Comparison
    settings : mapping, optional
        What the caller chose (files, kart, units); kept as given.
    """
    driven, reference = comparison.driven, comparison.reference
    return {
        "schema": SCHEMA,
        "cautions": CAUTIONS,
        "track": comparison.track_name,
        "survey": {
            "kind": comparison.survey.kind,
            "note": comparison.survey.note,
            "assumed_width_m": comparison.survey.assumed_width,
            "uncertainty_m": comparison.survey.uncertainty,
        },
        "settings": dict(settings or {}),
        "driven": {
            "label": driven.lap.label,
            "lap_time_s": driven.lap.lap_time,
            "sigma_s": driven.lap_time_sigma,
            "samples_per_second": driven.rate if np.isfinite(driven.rate) else None,
            "position_noise_m": driven.sensors.position_sigma,
            "speed_noise_mps": driven.sensors.speed_sigma,
            "speed_lag_s": driven.sensors.speed_lag,
            "position_bias_m": driven.bias.sigma,
            "position_bias_note": driven.bias.note,
        },
        "reference": {"label": reference.label, "lap_time_s": reference.lap_time},
        "lap_gap_s": _figure(comparison.lap_gap),
        "elsewhere_s": _figure(comparison.elsewhere),
        "corners": [_corner(review) for review in comparison.corners],
        "ranking": [review.corner.number for review in rank_corners(comparison)],
        "segments": [
            {
                "corner": segment.corner,
                "phase": segment.phase,
                "s_start_m": segment.s_start,
                "s_end_m": segment.s_end,
                "time_lost_s": float(loss),
            }
            for segment, loss in zip(comparison.losses.segments, comparison.losses.loss)
        ],
        "notes": list(comparison.notes),
    }


def _figure(figure: Measured) -> dict[str, Any]:
    """A figure: value and sigma, or None with the reason."""
    if figure.value is None:
        return {"value": None, "sigma": None, "reason": figure.reason}
    return {"value": figure.value, "sigma": figure.sigma}


def _corner(review: CornerReview) -> dict[str, Any]:
    """One corner for JSON."""
    corner = review.corner
    return {
        "number": corner.number,
        "name": corner.name,
        "direction": "left" if corner.left else "right",
        "phases_s": {name: _figure(figure) for name, figure in review.phases},
        **{key: _figure(getattr(review, name)) for name, key in FIGURES.items()},
        **{key: getattr(review, name) for name, key in _REFERENCES.items()},
        "marks_reference_m": {name: getattr(review.marks, name) for name in _MARKS},
        "brakes_reference": review.marks.brakes,
    }


def save_review_json(comparison: Comparison, path: str | Path, *, settings: Mapping[str, Any] | None = None) -> None:
    """Write :func:`review_as_dict` as JSON (UTF-8, no NaN).

    Raises
    ------
    InputError
        The place cannot be written to.
    """
    text = json.dumps(
        review_as_dict(comparison, settings=settings), indent=2, ensure_ascii=False, allow_nan=False, default=str
    )
    write_text(path, text + "\n")


def save_corners_csv(comparison: Comparison, path: str | Path) -> None:
    """Write one row a corner: every figure with its sigma and, where withheld, the reason.

    Raises
    ------
    InputError
        The place cannot be written to.
    """
    names = [*FIGURES.values(), *(f"{phase}_lost_s" for phase in PHASES)]
    header = ["corner", "name", "direction"]
    for name in names:
        header += [name, f"{name}_sigma", f"{name}_reason"]
    header += _REFERENCES.values()
    rows = [header, *(_corner_row(review) for review in comparison.corners)]
    write_text(path, _csv_text(_comments(comparison), rows))


def _corner_row(review: CornerReview) -> list[Any]:
    """One row of the corners' CSV."""
    corner = review.corner
    row: list[Any] = [corner.number, corner.name, "left" if corner.left else "right"]
    figures = [getattr(review, name) for name in FIGURES] + [figure for _, figure in review.phases]
    for figure in figures:
        row += [_number(figure.value), _number(figure.sigma), figure.reason]
    return row + [_number(getattr(review, name)) for name in _REFERENCES]


def save_nodes_csv(comparison: Comparison, path: str | Path) -> None:
    """Write one row a node of the driven lap, with the reference lap at the same station.

    Raises
    ------
    InputError
        The place cannot be written to.
    """
    driven, reference = comparison.driven, comparison.reference
    lap, s = driven.lap, comparison.s
    at = reference.line.s
    columns = {
        "s_m": s,
        "t_s": lap.t,
        "x_m": lap.line.x,
        "y_m": lap.line.y,
        "n_m": lap.line.n,
        "n_sigma_m": driven.sigma_n,
        "v_mps": lap.v,
        "v_sigma_mps": driven.sigma_v,
        "ax_mps2": lap.ax,
        "kappa_1pm": lap.line.kappa,
        "kappa_sigma_1pm": driven.sigma_kappa,
        "n_reference_m": np.interp(s, at, reference.line.n),
        "v_reference_mps": np.interp(s, at, reference.v),
        "gap_s": comparison.gap,
        "gap_sigma_s": comparison.gap_sigma,
    }
    table = np.column_stack(list(columns.values()))
    rows: Iterable[Sequence[Any]] = ([_number(value) for value in row] for row in table.tolist())
    write_text(path, _csv_text(_comments(comparison), [list(columns), *rows]))


def _comments(comparison: Comparison) -> list[str]:
    """Lines above a CSV table."""
    lines = [f"{comparison.track_name}: {comparison.driven.lap.label} against {comparison.reference.label}", CAUTIONS]
    return [*lines, *([comparison.survey.note] if comparison.survey.note else []), *comparison.notes]


def _csv_text(comments: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Comment lines and rows; line ends as RFC 4180 asks."""
    out = io.StringIO()
    for comment in dict.fromkeys(comments):
        out.write(f"# {comment}\r\n")
    csv.writer(out, lineterminator="\r\n").writerows(rows)
    return out.getvalue()


def _number(value: float | None) -> str:
    """Seven significant digits, empty for None."""
    return "" if value is None else f"{value:.7g}"
