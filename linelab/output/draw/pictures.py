"""All pictures of a result, drawn and saved into a folder under fixed names."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from linelab.coaching.results import Comparison
from linelab.diagnosis.marks import find_marks
from linelab.measured import PLUS_MINUS
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.output.display import METRIC, Units
from linelab.output.draw.corner_closeup import plot_corner, reference_callouts
from linelab.output.draw.ground_map import plot_lines
from linelab.output.draw.style import save_figure
from linelab.output.draw.traces import plot_reference, plot_traces
from linelab.output.track_facts import as_sentences, day_title

#: Corners that get a close-up in a review.
WORST = 3


def save_reference_pictures(
    folder: str | Path,
    track: Track,
    lap: Lap,
    kart: Kart,
    units: Units = METRIC,
    *,
    corners: Sequence[int] = (),
    notes: str = "",
    progress: Callable[[str], None] = lambda text: None,
) -> list[Path]:
    """Draw a computed lap into a folder: map with speed, and a close-up of each corner numbered in ``corners``.

    Returns
    -------
    list of Path

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    target = Path(folder)
    progress("drawing the lap")
    subject = kart.name if track.conditions is None else f"{kart.name}, {day_title(track.conditions)}"
    files = [target / "reference_lap.png"]
    save_figure(plot_reference(track, lap, units, kart_name=subject, notes=notes), files[0])
    for mark in find_marks(track, lap, kart) if corners else ():
        if mark.corner.number not in corners:
            continue
        progress(f"drawing corner {mark.corner.number}")
        figure = plot_corner(
            track,
            mark.corner,
            lap,
            None,
            units,
            reference_marks=reference_callouts(track, lap, mark, units),
            subtitle=f"Computed lap, {subject}",
            notes=notes,
        )
        files.append(target / f"corner_{mark.corner.number:02d}.png")
        save_figure(figure, files[-1])
    return files


def save_overview(
    folder: str | Path,
    track: Track,
    comparison: Comparison,
    kart: Kart,
    units: Units = METRIC,
    *,
    progress: Callable[[str], None] = lambda text: None,
) -> list[Path]:
    """Draw a comparison into a folder: the map by time lost, and speed and time along the lap.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    target = Path(folder)
    notes = small_print(comparison)
    reference, driven = comparison.reference, comparison.driven.lap
    progress("drawing the map")
    files = [target / "time_lost_map.png", target / "speed_and_time.png"]
    save_figure(
        plot_lines(
            track,
            reference,
            driven,
            units,
            notes=notes,
            lap_time_sigma=comparison.driven.lap_time_sigma,
            gap_sigma=comparison.lap_gap.sigma or 0.0,
        ),
        files[0],
    )
    progress("drawing speed and time")
    save_figure(
        plot_traces(
            track,
            reference,
            driven,
            kart,
            units,
            gap_sigma=comparison.gap_sigma,
            gap_stations=comparison.s,
            notes=notes,
        ),
        files[1],
    )
    return files


def small_print(comparison: Comparison) -> str:
    """What a reader of a picture must know; how the recording was cleaned stays in the tables and files."""
    known = {*comparison.driven.notes, comparison.survey.note}
    said = [PLUS_MINUS] if comparison.lap_gap.sigma else []
    said += [as_sentences(note) for note in dict.fromkeys(comparison.notes) if note not in known]
    return " ".join(said)
