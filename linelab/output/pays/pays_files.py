"""What one per cent of every number of a kart is worth, as CSV, JSON and pictures in one folder."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict
from os import PathLike
from typing import Any

import numpy as np

from linelab.files.text import csv_text
from linelab.files.writing import results_folder, write_text
from linelab.model.grip_field import kerbs_allowed
from linelab.model.kart import Kart
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution
from linelab.output.display import CAUTIONS, METRIC, Units
from linelab.output.draw.style import save_figure
from linelab.output.pays.pays_pictures import plot_along, plot_map, plot_ranking
from linelab.output.pays.pays_report import leading
from linelab.output.reference_report import conditions
from linelab.study.sprockets import SprocketLap
from linelab.study.what_pays import Worth

#: Name and version of the layout of what_pays.json.
FORMAT, VERSION = "linelab what pays", 1
#: Maps drawn.
MAPS = 2
#: Distance of the stations in what_pays.json [m].
APART = 10.0


def pays_csv(worths: Sequence[Worth]) -> str:
    """One row a number of the kart, in the units of the kart file and seconds."""
    rows = [worth.row() for worth in worths]
    cells = [[_plain(value, 7) for value in row.values()] for row in rows]
    return csv_text([list(rows[0]), *[["" if cell is None else cell for cell in row] for row in cells]], line_end="\n")


def _plain(value: Any, digits: int) -> Any:
    """A figure rounded, None where it is withheld."""
    if not isinstance(value, float):
        return value
    return None if math.isnan(value) else round(value, digits)


def pays_data(
    track: Track,
    kart: Kart,
    solution: Solution,
    worths: Sequence[Worth],
    sprockets: Sequence[SprocketLap] = (),
    *,
    use_kerbs: bool = True,
) -> dict[str, Any]:
    """What pays as plain data for JSON: units of the kart file, seconds and metres."""
    s = np.linspace(0.0, track.length, max(round(track.length / APART), 8) + 1)
    numbers = []
    for worth in worths:
        told = {
            "field": worth.field, "words": worth.words, "value": worth.value, "unit": worth.unit,
            "lap_s_for_one_per_cent": _plain(worth.lap, 7), "lap_s_for_one_unit": _plain(worth.per_unit, 7),
        }  # fmt: skip
        if worth.reason:
            told["withheld"] = worth.reason
        else:
            told["corners_s_for_one_per_cent"] = {
                str(number): _plain(float(time), 7) for number, time in zip(worth.numbers, worth.corners)
            }
            told["moved_s_if_the_change_is_halved"] = {
                str(number): _plain(float(time), 7) for number, time in zip(worth.numbers, worth.moved)
            }
            told["gained_s"] = [_plain(float(time), 7) for time in np.interp(s, worth.s, worth.gained)]
        numbers.append(told)
    return {
        "format": FORMAT,
        "version": VERSION,
        "cautions": CAUTIONS,
        "what": "change of the time for one per cent more of each number of the kart, line and speed found anew",
        "track": {"name": track.name, "length_m": track.length, "edges": track.survey.kind},
        "kart": kart.name,
        "grip_factor": solution.grip,
        "conditions": None if track.conditions is None else asdict(track.conditions),
        "kerbs_allowed": use_kerbs and kerbs_allowed(track),
        "lap_time_s": solution.lap.lap_time,
        "lap_time_error_s": solution.time_error,
        "corner_times": "from half-way after the corner before to half-way to the next, by the track alone",
        "numbers": numbers,
        "stations_m": [round(float(at), 3) for at in s],
        "axle_sprockets": [{key: _plain(value, 7) for key, value in lap.row().items()} for lap in sprockets],
    }


def save_pays(
    folder: str | PathLike[str],
    track: Track,
    kart: Kart,
    solution: Solution,
    worths: Sequence[Worth],
    sprockets: Sequence[SprocketLap] = (),
    units: Units = METRIC,
    *,
    pictures: bool = True,
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write what_pays.json, what_pays.csv and the pictures into a folder; returns the names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    with results_folder(folder) as stage:
        data = pays_data(track, kart, solution, worths, sprockets, use_kerbs=use_kerbs)
        write_text(stage / "what_pays.json", json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
        write_text(stage / "what_pays.csv", pays_csv(worths))
        if pictures:
            progress("drawing")
            notes = " ".join(conditions(track, solution, use_kerbs))
            save_figure(plot_ranking(track, kart, worths, units, notes=notes), stage / "what_pays.png")
            if leading(worths, 1):
                save_figure(plot_along(track, kart, worths, units, notes=notes), stage / "what_pays_along.png")
            for k, worth in enumerate(leading(worths, MAPS), start=1):
                figure = plot_map(track, kart, solution.lap, worth, units, notes=notes)
                save_figure(figure, stage / f"what_pays_map_{k}.png")
        return sorted(item.name for item in stage.iterdir())
