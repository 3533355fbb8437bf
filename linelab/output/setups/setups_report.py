"""Two setups held against each other: the verdict and tables for a terminal, a page, JSON, CSV and a picture."""

from __future__ import annotations

import json
from os import PathLike
from typing import Any

from linelab.files.text import csv_text
from linelab.files.writing import results_folder, write_text
from linelab.measured import PLUS_MINUS
from linelab.output.display import CAUTIONS
from linelab.output.review_data import setups_figures
from linelab.output.setups.setups_words import (
    BY_ITSELF,
    DIFFERENCES,
    OUTINGS,
    difference_rows,
    outing_rows,
    rests_on,
    verdict_words,
)
from linelab.output.tables import text_table
from linelab.study.setups.setup_verdict import SetupDifference

#: Name and version of the layout of setups.json.
FORMAT, VERSION = "linelab setups", 2


def setups_lines(found: SetupDifference) -> list[str]:
    """The verdicts, the corners, the outings, and what the verdict rests on."""
    table = text_table(DIFFERENCES, [cells for cells, _ in difference_rows(found)], left=[0, 3])
    survey = found.track.survey.note
    return [
        *verdict_words(found), "", table, BY_ITSELF, "", text_table(OUTINGS, outing_rows(found), left=[0, 1, 2]),
        *rests_on(found), *([f"Track: {survey}"] if survey else []), PLUS_MINUS, CAUTIONS,
    ]  # fmt: skip


def setups_as_dict(found: SetupDifference) -> dict[str, Any]:
    """The comparison as plain dictionaries, lists, numbers and text; times in seconds, B minus A."""
    about = {"format": FORMAT, "version": VERSION, "cautions": CAUTIONS}
    return {**about, "track": found.track.name, "survey": found.track.survey.kind, **setups_figures(found)}


def save_setups(found: SetupDifference, folder: str | PathLike[str]) -> list[str]:
    """Write setups.html, setups.json, setup_corners.csv, setup_laps.csv and setups.png; returns the names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    from linelab.output.draw.style import save_figure
    from linelab.output.page.html_file import setups_page
    from linelab.output.setups.setups_picture import plot_setups

    with results_folder(folder) as stage:
        text = json.dumps(setups_as_dict(found), ensure_ascii=False, allow_nan=False)
        write_text(stage / "setups.json", text + "\n")
        write_text(stage / "setups.html", setups_page(found))
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
