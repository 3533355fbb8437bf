"""A review as JSON, as CSV (a row a corner, a row a node) and as plain rows of text.

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
from linelab.comparison.laps import RecordedLap
from linelab.comparison.measured import Measured
from linelab.comparison.segments import PHASES
from linelab.io.atomic import write_text
from linelab.report.display import CAUTIONS, METRIC, Units, lap_time_text

#: Version of the JSON layout; raised when a key changes its meaning or goes.
SCHEMA = 1

#: Measured figures of a corner: attribute and name with its unit.
_FIGURES = {
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
        **{key: _figure(getattr(review, name)) for name, key in _FIGURES.items()},
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
    names = [*_FIGURES.values(), *(f"{phase}_lost_s" for phase in PHASES)]
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
    figures = [getattr(review, name) for name in _FIGURES] + [figure for _, figure in review.phases]
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


def review_rows(comparison: Comparison, *, units: Units = METRIC) -> list[list[str]]:
    """The review as rows of text, corners ranked by time lost, the first row the header; "-" where withheld."""
    speed = units.speed_unit
    header = ["corner", "lost s", *(f"{phase} s" for phase in PHASES), "line s", "speed s"]
    header += [f"min {speed}", f"ref {speed}", f"after apex {units.length_unit}", f"entry over {speed}"]
    header += [f"apex miss {units.length_unit}"]
    return [header, *(_text_row(review, units) for review in rank_corners(comparison))]


def _text_row(review: CornerReview, units: Units) -> list[str]:
    """One corner as text."""
    phases = [_text(figure, 1.0, 2, signed=True, sigma=False) for _, figure in review.phases]
    return [
        review.corner.label,
        _text(review.time_lost, 1.0, 2, signed=True),
        *phases,
        _text(review.line_loss, 1.0, 2, signed=True),
        _text(review.speed_loss, 1.0, 2, signed=True),
        _text(review.min_speed, units.speed, 1),
        f"{review.min_speed_reference / units.speed:.1f}",
        _text(review.min_speed_place, units.length, 0, signed=True),
        _text(review.entry_overspeed, units.speed, 1, signed=True),
        _text(review.apex_miss, units.length, 1, signed=True),
    ]


def _text(figure: Measured, unit: float, digits: int, *, signed: bool = False, sigma: bool = True) -> str:
    """Value ± sigma in a unit, or "-"."""
    if figure.value is None:
        return "-"
    value = round(figure.value / unit, digits) + 0.0
    text = f"{value:+.{digits}f}" if signed and value != 0.0 else f"{value:.{digits}f}"
    if not sigma or not figure.sigma:
        return text
    # A standard deviation is never shown as zero: it would claim certainty.
    return f"{text} ±{max(figure.sigma / unit, 10.0**-digits):.{digits}f}"


def review_text(comparison: Comparison, *, units: Units = METRIC) -> str:
    """The review for a terminal: heading, table, reasons for what is withheld, notes, cautions."""
    gap = comparison.lap_gap
    driven, reference = comparison.driven.lap, comparison.reference
    apart = _text(gap, 1.0, 3, signed=True)
    lines = [
        f"{comparison.track_name}: {driven.label or 'driven lap'} {lap_time_text(driven.lap_time)}, "
        f"{reference.label or 'reference'} {lap_time_text(reference.lap_time)}, gap {apart} s",
        "",
        *aligned(review_rows(comparison, units=units)),
        "",
        "± is one standard deviation. lost: from this corner's brake point to the next one's, driven minus reference.",
    ]
    lines += [f"- withheld: {reason}" for reason in _reasons(comparison)]
    lines += [f"- {note}" for note in dict.fromkeys(comparison.notes)]
    return "\n".join([*lines, "", CAUTIONS])


def _reasons(comparison: Comparison) -> list[str]:
    """Every reason for withholding, once, with the corners it concerns."""
    found: dict[str, list[str]] = {}
    for review in comparison.corners:
        figures = [getattr(review, name) for name in _FIGURES] + [figure for _, figure in review.phases]
        for reason in dict.fromkeys(figure.reason for figure in figures if figure.value is None):
            found.setdefault(reason, []).append(str(review.corner.number))
    return [f"{reason} (corner {', '.join(numbers)})" for reason, numbers in found.items()]


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows as lines with columns lined up, the first to the left, the others to the right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if k == 0 else cell.rjust(width) for k, (cell, width) in enumerate(zip(row, widths))
        )
        for row in rows
    ]


def lap_rows(laps: Sequence[RecordedLap]) -> list[list[str]]:
    """Laps of a recording as rows of text, the first row the header."""
    rows = [["lap", "time", "±", "status", "reason"]]
    for lap in laps:
        time = lap.lap_time
        shown = ["-", "-"] if time.value is None else [lap_time_text(time.value), f"{time.sigma or 0.0:.3f}"]
        rows.append([lap.label, *shown, lap.status, lap.reason])
    return rows
