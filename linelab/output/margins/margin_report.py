"""A line with margins as a table and sentences for a terminal, and written with its picture into one folder."""

from __future__ import annotations

import math
from os import PathLike

import numpy as np

from linelab.files.lap_file import lap_csv
from linelab.files.text import csv_text
from linelab.files.writing import results_folder, write_text
from linelab.model.track import Track
from linelab.output.display import METRIC, Units, lap_time_words
from linelab.output.tables import text_table
from linelab.study.scattering.driver_scatter import Scatter
from linelab.study.scattering.margins import MarginLap


def margin_table(found: MarginLap, units: Units = METRIC) -> str:
    """A careful lap's corners as a text table."""
    length = f"[{units.length_unit}]"
    headers = [
        "corner", f"outside before\napex {length}", f"inside at\napex {length}", f"outside after\napex {length}",
        "grip\nused", "leaves the\ntrack there", "costs\n[s]",
    ]  # fmt: skip
    rows = [
        [
            f"{corner.corner}",
            *(f"{room / units.length:.1f}" for room in (corner.turn_in, corner.apex, corner.track_out)),
            f"{corner.grip_share:.0%}",
            one_in(corner.chance),
            f"{corner.time_lost:+.2f}",
        ]
        for corner in found.corners
    ]
    return text_table(headers, rows)


def margin_words(found: MarginLap, units: Units = METRIC) -> list[str]:
    """A careful lap in sentences."""
    scatter = found.scatter
    beside, speed = _mean_scatter(scatter)
    usual = "" if scatter.lateral.size == 1 else " on average, corner by corner"
    leaves = f"A driver who takes this line leaves the track on {one_in(found.chance)} laps"
    if scatter.lateral_sigma.any():
        leaves += ", the mean over what his scatter may be after so few laps"
    return [
        f"Scatter: {beside / units.length:.2f} {units.length_unit} beside the line, "
        f"{speed / units.speed:.1f} {units.speed_unit} in speed{usual} (standard deviations; {scatter.origin}), and "
        f"{scatter.grip:.0%} in grip from lap to lap (from memory).",
        f"{leaves}; after the computed line on {one_in(found.chance_on_computed)}.",
        f"The lap is {found.time_lost:.2f} s slower than the computed one, "
        f"{lap_time_words(found.computed.lap_time)}. With {found.cost:g} s for each lap that leaves the track the "
        f"expected lap is {lap_time_words(found.expected_time)}; the computed line's is "
        f"{lap_time_words(found.expected_on_computed)}.",
        f"Your limit of {one_in(found.stated_chance)} laps decides."
        if found.binding
        else "The cost of leaving decides: the best line is more careful than your limit asks for.",
        "Room is the least between the kart and the edge that the computed lap may use. Every edge counts alike: a "
        "wall needs more, a flat run-off less.",
    ]


def one_in(chance: float) -> str:
    """A chance in words: "1 in 100"."""
    if chance > 0.5:
        return "most"
    if chance < 1e-5:
        return "fewer than 1 in 100000"
    number = 1.0 / chance
    digits = max(int(math.log10(number)) - 1, 0)
    return f"1 in {round(number, -digits):.0f}"


def two_of_three(scatter: Scatter, units: Units) -> str:
    """How much a driver scatters, for himself: two passes of three lie within one standard deviation."""
    beside, speed = _mean_scatter(scatter)
    usual = "" if scatter.lateral.size == 1 else ", on average of the corners"
    return (
        f"two of three lie within {units.length_text(beside, 2)} of the line, and within {units.speed_text(speed)} at "
        f"the slowest point{usual} ({scatter.origin})"
    )


def _mean_scatter(scatter: Scatter) -> tuple[float, float]:
    """Beside the line [m] and in speed [m/s], root mean square over the corners."""
    beside, speed = (math.sqrt(float(np.mean(values**2))) for values in (scatter.lateral, scatter.speed))
    return beside, speed


def save_margin(folder: str | PathLike[str], track: Track, found: MarginLap, units: Units = METRIC) -> list[str]:
    """Write margin_corners.csv (one row a corner, SI units), margin_lap.csv (one row a node) and margin.png.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    from linelab.output.draw.style import save_figure
    from linelab.output.margins.margin_picture import plot_margin

    rows = [corner.row() for corner in found.corners]
    with results_folder(folder) as stage:
        table = csv_text([list(rows[0]), *(row.values() for row in rows)], line_end="\n")
        write_text(stage / "margin_corners.csv", table)
        write_text(stage / "margin_lap.csv", lap_csv(found.lap, digits=8))
        save_figure(plot_margin(track, found, units), stage / "margin.png")
        return sorted(item.name for item in stage.iterdir())
