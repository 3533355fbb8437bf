"""What pays, and where, as pictures: bars of the ranking, strips along the lap, the line by what one number brings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.output.display import METRIC, Units, in_units, lap_time_text, number_text
from linelab.output.draw.ground_map import (
    corner_bands,
    draw_corner_numbers,
    draw_direction,
    draw_ground,
    draw_lost,
    draw_scale,
    frame_track,
    lost_colours,
    lost_legend,
    map_figure,
    survey_note,
)
from linelab.output.draw.style import FAINT, GAIN, INK, LOSS, footer, heading, new_figure, tidy
from linelab.output.lap_curves import station_title
from linelab.output.pays.pays_report import known, leading, saved, shown
from linelab.study.what_pays import Worth
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Strips along the lap, and the length over which they tell the change of time [m].
STRIPS, OVER = 5, 10.0
ALONE = "One number changed at a time, line and speed found anew."


def plot_ranking(
    track: Track, kart: Kart, worths: Sequence[Worth], units: Units = METRIC, *, notes: str = ""
) -> Figure:
    """Bars of what one per cent more of each number is worth, faster to the left, slower to the right."""
    tall = 1.0 + 0.3 * len(worths) + 0.7
    figure = new_figure(8.6, tall)
    heading(figure, f"{track.name}: what one per cent more is worth", kart.name)
    axes = figure.add_axes((0.34, 0.95 / tall, 0.43, 0.3 * len(worths) / tall))
    time = np.array([1e3 * worth.lap for worth in worths])
    rows = np.arange(len(worths))
    faster = time < 0.0
    axes.barh(rows[faster], time[faster], height=0.62, color=GAIN)
    axes.barh(rows[~faster], time[~faster], height=0.62, color=LOSS, edgecolor=INK, hatch="////", linewidth=0.4)
    most = float(np.abs(time).max())
    axes.set_xlim(-1.3 * most, 1.3 * most)
    axes.set_ylim(len(worths) - 0.4, -0.6)
    axes.set_yticks(rows, [f"{worth.words}  {shown(worth, units).value(worth)}" for worth in worths])
    for row, worth in zip(rows, worths):
        side = 1.0 if worth.lap > 0.0 else -1.0
        axes.annotate(
            number_text(1e3 * worth.lap, 1, signed=True), (1e3 * worth.lap, row), xytext=(3 * side, 0),
            textcoords="offset points", size=7.5, color=INK, va="center", ha="left" if side > 0 else "right",
        )  # fmt: skip
        look = shown(worth, units)
        axes.text(
            1.04, int(row), f"{look.change()} more: {number_text(look.worth(worth), 3, signed=True)} s", size=7.5,
            color=INK, va="center", transform=axes.get_yaxis_transform(),
        )  # fmt: skip
    axes.axvline(0.0, color=INK, linewidth=0.8)
    tidy(axes, grid="x")
    axes.spines["left"].set_visible(False)
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    axes.set_xlabel("faster      lap time for 1 % more [ms]      slower")
    footer(figure, " ".join(part for part in (ALONE, notes) if part))
    return figure


def plot_along(track: Track, kart: Kart, worths: Sequence[Worth], units: Units = METRIC, *, notes: str = "") -> Figure:
    """Where on the lap one per cent of the leading numbers is worth most: a strip each, the corners as bands."""
    told = leading(worths, STRIPS)
    each = 1.25
    tall = 0.75 + each * len(told) + 0.95
    figure = new_figure(10.5, tall)
    heading(figure, f"{track.name}: where one per cent is worth most", kart.name)
    for k, worth in enumerate(told):
        bottom = 0.95 + each * (len(told) - 1 - k)
        axes = figure.add_axes((0.075, bottom / tall, 0.905, (each - 0.42) / tall))
        _strip(axes, track, worth, units, numbers=k == 0)
        if k < len(told) - 1:
            axes.tick_params(labelbottom=False)
        else:
            axes.set_xlabel(station_title(track, units))
    said = f"Change of time [ms] over each {OVER:g} m of the lap, up is faster; each strip has its own scale."
    footer(figure, " ".join(part for part in (in_units(said, units), ALONE, notes) if part))
    return figure


def _rate(worth: Worth) -> tuple[Array, Array]:
    """Stations (N,) [m], and what one per cent the faster way saves there, over OVER metres (N,) [s/m]."""
    s, half = worth.s, 0.5 * OVER
    ends = np.clip([s - half, s + half], s[0], s[-1])
    low, high = np.interp(ends, s, worth.gained)
    return s, (low - high) / (ends[1] - ends[0]) * (1.0 if worth.lap < 0.0 else -1.0)


def _strip(axes: Axes, track: Track, worth: Worth, units: Units, *, numbers: bool) -> None:
    s, rate = _rate(worth)
    at, brought = s / units.length, 1e3 * OVER * rate
    tidy(axes)
    corner_bands(axes, track, units, numbers=numbers)
    axes.fill_between(at, np.maximum(brought, 0.0), color=GAIN, linewidth=0)
    axes.fill_between(at, np.minimum(brought, 0.0), facecolor=FAINT, edgecolor=LOSS, hatch="////", linewidth=0.5)
    axes.axhline(0.0, color=INK, linewidth=0.7)
    axes.set_xlim(0.0, track.length / units.length)
    pad = 0.08 * float(np.ptp(brought))
    axes.set_ylim(min(0.0, float(brought.min())) - pad, max(0.0, float(brought.max())) + pad)
    axes.locator_params(axis="y", nbins=4)
    axes.annotate(
        f"{worth.words}: {saved(worth)}", (0.0, 1.0), xytext=(0, 15 if numbers else 3), xycoords="axes fraction",
        textcoords="offset points", size=8.5, weight="bold", color=INK, va="bottom",
    )  # fmt: skip


def plot_map(track: Track, kart: Kart, lap: Lap, worth: Worth, units: Units = METRIC, *, notes: str = "") -> Figure:
    """The computed line, wide and teal where one per cent of a number saves time, thin and orange where it costs some.

    Parameters
    ----------
    track : Track
    kart : Kart
    lap : Lap
        The computed lap of the kart as it is.
    worth : Worth
        Its corners are known.
    units : Units
    notes : str
        Added to the small print.

    Returns
    -------
    matplotlib Figure
    """
    figure, axes = map_figure(track)
    s, rate = _rate(worth)
    colours = lost_colours().reversed()
    heading(
        figure,
        f"{track.name}: {worth.words}",
        f"{kart.name}, {lap_time_text(lap.lap_time)}; {saved(worth)}; beside the corners: ms saved",
        room=0.57,
    )
    draw_ground(axes, track)
    peak = draw_lost(axes, lap, s, rate, colours=colours)
    better = 1.0 if worth.lap < 0.0 else -1.0
    by_corner = {
        number: number_text(-better * 1e3 * float(time), 1, signed=True) if sure else "-"
        for number, time, sure in zip(worth.numbers, worth.corners, known(worth))
    }
    draw_corner_numbers(axes, track, by_corner)
    draw_direction(axes, track)
    frame_track(axes, track)
    draw_scale(axes, units, north=0.5 * np.pi if track.georeferenced else None)
    end = f"{1e3 * OVER * peak:.1f}"
    lost_legend(figure, in_units(f"[ms over {OVER:g} m]", units), (f"costs {end}", "nothing", f"saves {end}"), colours)
    footer(figure, " ".join(part for part in (ALONE, survey_note(track, units), notes) if part))
    return figure
