"""Two setups held against each other: the verdict and tables for a terminal, as JSON, CSV and a picture."""

from __future__ import annotations

import json
from os import PathLike
from typing import Any

import numpy as np

from linelab.errors import on_one_line
from linelab.files.text import csv_text
from linelab.files.writing import results_folder, write_text
from linelab.measured import PLUS_MINUS, plus_minus
from linelab.output.display import CAUTIONS, lap_time_text, measured_text, number_text
from linelab.output.review_data import figure
from linelab.output.tables import text_table
from linelab.study.two_setups import SetupDifference

#: Name and version of the layout of setups.json.
FORMAT, VERSION = "linelab setups", 1
#: What a size is given as: ends and middle of its 95 % interval.
RANGE = ("low", "middle", "high")
#: Where the order of the outings is from, in words.
ORDERED = {
    "given": "in the given order",
    "dates": "in the order of their dates",
    "files": "all of A first: the recordings have no dates that tell them apart, and no order was given",
}


def setups_lines(found: SetupDifference) -> list[str]:
    """The verdict, the corners, the outings, and what the verdict rests on."""
    lines = [found.words, corner_words(found), ""]
    if found.corners:
        lines.append(
            text_table(
                ["corner", "B minus A s", "at most s", "clear"],
                [
                    [str(one.number), measured_text(one.time, 1.0, 3, signed=True), number_text(one.at_most, 3),
                     "yes" if one.clear else ""]
                    for one in found.corners
                ],
                left=[0, 3],
            )
        )  # fmt: skip
        lines += ["Each corner is worked out by itself: they need not add up to the lap.", ""]
    lines += [_outings(found), f"Outings {ORDERED[found.order_from]}.", "", *_rests_on(found)]
    survey = found.track.survey.note
    return [*lines, *([f"Track: {survey}"] if survey else []), PLUS_MINUS, CAUTIONS]


def corner_words(found: SetupDifference) -> str:
    """Which corners clearly differ."""
    clear = [one for one in found.corners if one.clear]
    if not clear:
        return "No corner shows a clear difference." if found.corners else "The track has no corners to compare."
    said = [
        f"corner {one.number} ({'B' if (one.time.value or 0.0) < 0.0 else 'A'} faster by "
        f"{abs(one.time.value or 0.0):.3f} {plus_minus(one.time.sigma, 3)} s)"
        for one in clear
    ]
    return f"Clear in {'; '.join(said)}."


def _outings(found: SetupDifference) -> str:
    """The outings as a table."""
    rows = []
    for number, setup in enumerate(found.order, 1):
        laps = [lap for lap in found.laps if lap.outing == number]
        times = [lap.lap_time.value or 0.0 for lap in laps]
        rows.append(
            [str(number), setup, on_one_line(laps[0].source), str(len(laps)), lap_time_text(min(times)),
             lap_time_text(float(np.median(times)))]
        )  # fmt: skip
    return text_table(["outing", "setup", "recording", "laps", "best", "median"], rows, left=[0, 1, 2])


def _rests_on(found: SetupDifference) -> list[str]:
    """What was learnt of outings and laps, and what was taken for granted."""
    low, middle, high = found.outing
    lines = [
        f"With nothing changed, a lap changes from one outing to the next by {middle:.2f} s (standard deviation; "
        f"{low:.2f} to {high:.2f} s; {found.outing_before:.2f} s was expected before these laps were seen)."
    ]
    if len(found.order) == 2:
        lines.append(
            "With one outing of each setup, that figure comes from the expectation alone. More laps in the same "
            "outings hardly help: drive A again after B."
        )
    low, middle, high = found.scatter
    return [
        *lines,
        f"About the trend of their outing, laps scatter by {middle:.2f} s ({low:.2f} to {high:.2f} s).",
        f"A difference below {found.matters:.3f} s a lap counts as none.",
    ]


def setups_as_dict(found: SetupDifference) -> dict[str, Any]:
    """The comparison as plain dictionaries, lists, numbers and text; times in seconds, B minus A."""
    more = found.more
    return {
        "format": FORMAT,
        "version": VERSION,
        "cautions": CAUTIONS,
        "track": found.track.name,
        "survey": found.track.survey.kind,
        "verdict": found.verdict,
        "words": found.words,
        "lap_time_s": figure(found.lap_time),
        "at_most_s": found.at_most,
        "faster_probability": found.faster,
        "matters_s": found.matters,
        "more": None if more is None else {"laps": more.laps, "order": more.order, "enough": more.enough},
        "order": found.order,
        "order_from": found.order_from,
        "outing_change_s": dict(zip(RANGE, found.outing)),
        "outing_change_expected_s": found.outing_before,
        "scatter_s": dict(zip(RANGE, found.scatter)),
        "correlation": dict(zip(RANGE, found.correlation)),
        "corners": [
            {"number": one.number, "time_s": figure(one.time), "at_most_s": one.at_most, "clear": one.clear}
            for one in found.corners
        ],
        "laps": [
            {"outing": lap.outing, "setup": lap.setup, "recording": lap.source, "lap": lap.number,
             "lap_time_s": figure(lap.lap_time), "corners_s": list(lap.corners)}
            for lap in found.laps
        ],
    }  # fmt: skip


def save_setups(found: SetupDifference, folder: str | PathLike[str]) -> list[str]:
    """Write setups.json, setup_corners.csv, setup_laps.csv and setups.png; returns the names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    from linelab.output.draw.style import save_figure
    from linelab.output.setups.setups_picture import plot_setups

    with results_folder(folder) as stage:
        text = json.dumps(setups_as_dict(found), ensure_ascii=False, allow_nan=False)
        write_text(stage / "setups.json", text + "\n")
        write_text(stage / "setup_laps.csv", _csv(found, [lap.row() for lap in found.laps]))
        if found.corners:
            write_text(stage / "setup_corners.csv", _csv(found, [one.row() for one in found.corners]))
        save_figure(plot_setups(found), stage / "setups.png")
        return sorted(item.name for item in stage.iterdir())


def _csv(found: SetupDifference, rows: list[dict[str, Any]]) -> str:
    """Rows as CSV under what a reader must know."""
    cells = [[f"{v:.7g}" if isinstance(v, float) else v for v in row.values()] for row in rows]
    about = (f"{found.track.name}: {found.words}", CAUTIONS, PLUS_MINUS, found.track.survey.note)
    return csv_text([list(rows[0]), *cells], filter(None, about))
