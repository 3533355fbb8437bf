"""A reference lap written out: figures, lap and pictures into one folder."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from os import PathLike

from linelab.io.outputs import results_folder
from linelab.kart import Kart
from linelab.report.display import METRIC, Units
from linelab.report.reference_facts import conditions, corners_csv, lap_csv, reference_data
from linelab.solve.mintime import Solution
from linelab.track import Track


def save_reference(
    folder: str | PathLike[str],
    track: Track,
    kart: Kart,
    solution: Solution,
    units: Units = METRIC,
    *,
    pictures: bool = True,
    corners: Sequence[int] = (),
    formats: Sequence[str] = (),
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write reference_lap.json, reference_lap.csv (one row a node), reference_corners.csv and the pictures.

    Parameters
    ----------
    folder : path
        Replaced as a whole at the end; see :func:`linelab.io.outputs.results_folder`.
    corners : sequence of int
        Numbers of the corners that get a close-up.
    formats : sequence of str
        Further formats of the line and its marks; see :func:`linelab.report.exports_geo.save_lines`.
    use_kerbs : bool
        As in the solution.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        The folder cannot be written, or a format does not suit the track.
    """
    with results_folder(folder) as stage:
        text = json.dumps(
            reference_data(track, kart, solution, use_kerbs=use_kerbs), indent=1, ensure_ascii=False, allow_nan=False
        )
        (stage / "reference_lap.json").write_text(text + "\n", encoding="utf-8")
        (stage / "reference_lap.csv").write_text(lap_csv(solution.lap), encoding="utf-8")
        (stage / "reference_corners.csv").write_text(corners_csv(track, solution.lap, kart), encoding="utf-8")
        if formats:
            from linelab.report.exports_geo import save_lines

            save_lines(stage, formats, track, solution.lap, kart)
        if pictures:
            from linelab.report.figures import save_reference_pictures

            notes = " ".join(conditions(track, solution, use_kerbs))
            save_reference_pictures(
                stage, track, solution.lap, kart, units, corners=corners, notes=notes, progress=progress
            )
        return sorted(item.name for item in stage.iterdir())
