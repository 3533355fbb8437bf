"""Pictures of the best lap of a review (PNG): the page's losses and marks, drawn large."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np

from linelab.coaching.results import Review
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.output.display import METRIC, Units
from linelab.output.draw.corner_closeup import Callout, plot_corner
from linelab.output.draw.pictures import WORST, save_overview, small_print
from linelab.output.draw.style import save_figure
from linelab.output.page.closeups import driven_stations, on_line, target_stations
from linelab.output.page.corner_rows import CornerPart, corner_parts, costliest

#: What is written at each mark, in the order of the letters on the page.
TOLD = ("brake_point", "turn_in", "apex_distance", "other_apex_distance", "min_speed", "drive_point", "exit_speed")
APEX = TOLD.index("apex_distance")
#: Letters to a line of a note, and the most lines.
NOTE_WIDTH, NOTE_LINES = 36, 2


def save_pictures(
    folder: Path,
    review: Review,
    units: Units = METRIC,
    *,
    progress: Callable[[str], None] = lambda text: None,
) -> list[Path]:
    """Draw the map by time lost, speed and time, and close-ups of the corners that cost the best lap most.

    Returns
    -------
    list of Path
        ``time_lost_map.png``, ``speed_and_time.png`` and ``corner_NN.png``.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    track, lap = review.track, review.laps[review.opening]
    target = replace(review.target.lap, label=review.target.title)
    comparison = replace(lap.comparison, reference=target)
    files = save_overview(folder, track, comparison, review.kart, units, progress=progress)
    parts = corner_parts(review, units)
    for index in costliest(lap)[:WORST]:
        corner, part = lap.corners[index].corner, parts[index]
        progress(f"drawing corner {corner.number}")
        driven = lap.comparison.driven.lap
        wanted = target_stations(lap.corners[index], review.target)
        own = [*driven_stations(lap.corners[index]), wanted[-1]]  # his exit speed is where the target has tracked out
        # Distances from the inside edge are those at the computed lap's apex, not where each is closest to it.
        frame = lap.corners[index].frame
        for slot, station in enumerate((*frame.apexes, None)[:2], start=APEX):
            own[slot] = station
            wanted[slot] = None if wanted[slot] is None else station
        told = list(TOLD)
        if frame.apex_names()[0] == "second apex":
            told[APEX : APEX + 2] = told[APEX + 1], told[APEX]
        figure = plot_corner(
            track,
            corner,
            target,
            driven,
            units,
            reference_marks=_callouts(track, target, part, zip(told, wanted), "target", review.opening),
            driven_marks=_callouts(track, driven, part, zip(told, own), "driven", review.opening),
            subtitle=f"{part.losses[review.opening].lost} s: {part.by_part[review.opening]} s",
            notes=small_print(comparison),
        )
        files.append(folder / f"corner_{corner.number:02d}.png")
        save_figure(figure, files[-1])
    return files


def _callouts(
    track: Track, lap: Lap, part: CornerPart, marks: Iterable[tuple[str, float | None]], column: str, shown: int
) -> list[Callout]:
    """A lap's marks where they are, with the figures of the page's table; a driver's with how far they are apart."""
    rows = {row.name: row for row in part.rows}
    found = []
    for name, station in marks:
        row = rows.get(name)
        if station is None or row is None:
            continue
        x, y = on_line(track, lap, np.array(station))
        text = getattr(row, column)[shown]
        note = row.apart[shown] if column == "driven" else ""
        note = "\n".join(textwrap.wrap(note, NOTE_WIDTH, max_lines=NOTE_LINES, placeholder=" ..."))
        found.append(Callout(float(x), float(y), row.title, "" if text == "–" else text, note))
    return found
