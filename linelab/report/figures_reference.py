"""The reference lap alone: its line by what limits it, its speed, and each corner's minimum."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from linelab.comparison.marks import find_marks
from linelab.comparison.timed import timed_lap
from linelab.lap import Lap, Limit
from linelab.report.display import METRIC, Units, lap_time_words
from linelab.report.figures_data import pieces, runs, station_title
from linelab.report.figures_lines import survey_note
from linelab.report.figures_map import (
    corner_bands,
    draw_corner_numbers,
    draw_direction,
    draw_ground,
    draw_scale,
    frame_track,
)
from linelab.report.outlines import NORTH_UP, View
from linelab.report.style import BRAKE, COAST, DRIVE, GAIN, INK, LOSS, SOFT, footer, heading, new_figure, tidy
from linelab.track import Track
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: What limits a lap, as shown: name, colour and line width; wide means the tyres are the limit.
LIMIT_LOOKS: dict[Limit, tuple[str, str, float]] = {
    Limit.BRAKING: ("braking on the limit", BRAKE, 3.4),
    Limit.GRIP: ("cornering on the limit", INK, 3.4),
    Limit.TRACTION: ("power limited by grip", COAST, 3.4),
    Limit.DRIVE: ("full power", DRIVE, 1.6),
    Limit.REVS: ("rev limit", GAIN, 1.6),
    Limit.DRIVER: ("limited by the driver", LOSS, 1.6),
    Limit.NONE: ("below every limit", SOFT, 1.6),
}


def plot_reference(track: Track, lap: Lap, units: Units = METRIC, *, kart_name: str = "", notes: str = "") -> Figure:
    """The reference lap alone: a map by what limits it, with each corner's minimum speed, above its speed.

    Parameters
    ----------
    track : Track
    lap : Lap
        A solved lap on the track.
    units : Units
    kart_name : str
        Named in the heading.
    notes : str
        Added to the small print.

    Returns
    -------
    matplotlib Figure
    """
    points = np.vstack([track.left_edge, track.right_edge])
    across, up = points.max(axis=0) - points.min(axis=0) + 30.0
    map_height = float(np.clip(9.9 * up / across, 3.6, 7.6))
    height = map_height + 3.45
    figure = new_figure(10.5, height)
    axes = figure.add_axes((0.03, 2.7 / height, 0.94, (map_height - 0.1) / height))
    subtitle = f"Reference lap {lap_time_words(timed_lap(track, lap).lap_time)}" + (
        f", {kart_name}" if kart_name else ""
    )
    heading(figure, track.name, subtitle, room=0.51)
    draw_ground(axes, track)
    used = draw_limits(axes, lap)
    lowest = {number: f"{v / units.speed:.0f}" for number, v in corner_minima(track, lap).items()}
    draw_corner_numbers(axes, track, lowest)
    draw_direction(axes, track)
    frame_track(axes, track)
    draw_scale(axes, units, north=0.5 * np.pi if track.georeferenced else None)
    _limit_legend(figure, used, units)
    speed = figure.add_axes((0.07, 0.95 / height, 0.9, 1.5 / height))
    draw_speed_by_limit(speed, track, lap, units)
    footer(figure, " ".join(part for part in (survey_note(track), notes) if part))
    return figure


def corner_minima(track: Track, lap: Lap) -> dict[int, float]:
    """Minimum speed of each corner by its number [m/s], at the same mark as in tables."""
    s, v = lap.line.s, lap.v
    return {
        marks.corner.number: float(
            np.interp(marks.minimum_speed % track.length if track.closed else marks.minimum_speed, s, v)
        )
        for marks in find_marks(track, lap)
    }


def draw_limits(axes: Axes, lap: Lap, view: View = NORTH_UP) -> list[Limit]:
    """A line coloured by what limits the lap; returns the limits that occur."""
    from matplotlib.collections import LineCollection

    codes = [Limit(code) for code in lap.limited_by[:-1]]
    axes.add_collection(
        LineCollection(
            pieces(*view(lap.line.x, lap.line.y)),
            colors=[LIMIT_LOOKS[code][1] for code in codes],
            linewidths=[LIMIT_LOOKS[code][2] for code in codes],
            capstyle="round",
            zorder=3.5,
        )
    )
    return [limit for limit in LIMIT_LOOKS if limit in codes]


def _limit_legend(figure: Figure, used: list[Limit], units: Units) -> None:
    """Key of the limits, at the top right."""
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=LIMIT_LOOKS[limit][1], linewidth=LIMIT_LOOKS[limit][2], label=LIMIT_LOOKS[limit][0])
        for limit in used
    ]
    height = figure.get_size_inches()[1]
    legend = figure.legend(
        handles=handles,
        loc="upper right",
        bbox_to_anchor=(0.985, 1.0 - 0.1 / height),
        ncols=min(len(handles), 3),
        frameon=False,
        fontsize=8,
        labelcolor=INK,
        title=f"Small numbers: minimum speed [{units.speed_unit}]",
        title_fontsize=7.5,
        alignment="right",
    )
    legend.get_title().set_color(SOFT)


def draw_speed_by_limit(axes: Axes, track: Track, lap: Lap, units: Units) -> None:
    """Speed along the lap, the ground under the curve tinted by what limits the lap."""
    from matplotlib.collections import PolyCollection

    tidy(axes)
    s, v = lap.line.s / units.length, lap.v / units.speed
    shapes: dict[int, list[Array]] = {}
    for code, first, last in runs(lap.limited_by.astype(np.int8)):
        at, high = (values[first : min(last + 2, s.size)] for values in (s, v))
        outline = np.column_stack([np.concatenate([at, at[[-1, 0]]]), np.concatenate([high, [0.0, 0.0]])])
        shapes.setdefault(int(code), []).append(outline)
    for code, outlines in shapes.items():
        colour = LIMIT_LOOKS[Limit(code)][1]
        axes.add_collection(PolyCollection(outlines, facecolors=colour, alpha=0.45, linewidths=0))
    axes.plot(s, v, color=INK, linewidth=1.2)
    corner_bands(axes, track, units)
    axes.set_xlim(float(s[0]), float(s[-1]))
    axes.set_ylim(0.0, float(v.max()) * 1.08)
    axes.set_xlabel(station_title(track, units))
    axes.set_ylabel(f"speed [{units.speed_unit}]")
