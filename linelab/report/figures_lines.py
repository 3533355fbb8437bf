"""Maps with driving lines: a lap against the reference coloured by time lost, and the reference by what limits it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from linelab.lap import Lap
from linelab.report.display import METRIC, Units, lap_time_text
from linelab.report.figures_data import called, pieces, plus_minus, time_gap
from linelab.report.figures_map import (
    draw_corner_numbers,
    draw_direction,
    draw_ground,
    draw_scale,
    frame_track,
)
from linelab.report.outlines import NORTH_UP, View
from linelab.report.style import (
    GAIN,
    INK,
    LOSS,
    SOFT,
    footer,
    heading,
    new_figure,
)
from linelab.report.track_facts import middle_line, square_width, survey_sentence
from linelab.track import Track
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.figure import Figure


def survey_note(track: Track, units: Units = METRIC) -> str:
    """Where the edges come from, and what that means for distances to them, for the small print."""
    text = survey_sentence(track.survey, units)
    if track.survey.kind == "estimated":
        text += " Distances to edges and apexes are not measured."
    return text


def map_figure(track: Track, width: float = 10.5) -> tuple[Figure, Axes]:
    """A sheet whose height suits the track's shape, and the axes of its map."""
    points = np.vstack([track.left_edge, track.right_edge])
    across, up = points.max(axis=0) - points.min(axis=0) + 30.0
    height = float(np.clip(width * 0.94 * up / across, 4.2, 8.6)) + 1.35
    figure = new_figure(width, height)
    axes = figure.add_axes((0.03, 0.55 / height, 0.94, 1.0 - 1.3 / height))
    return figure, axes


def plot_ground(track: Track, units: Units = METRIC) -> Figure:
    """The track alone: edges, kerbs, start line, direction and numbered corners, to scale.

    Parameters
    ----------
    track : Track
    units : Units

    Returns
    -------
    matplotlib Figure
    """
    figure, axes = map_figure(track)
    width = square_width(track)
    length = float(np.hypot(*np.diff(middle_line(track), axis=0).T).sum())
    heading(
        figure,
        track.name,
        f"{units.length_text(length)} along the middle, {width.min() / units.length:.1f} to "
        f"{units.length_text(width.max(), 1)} wide, {len(track.corners)} corners",
    )
    draw_ground(axes, track)
    draw_corner_numbers(axes, track, {corner.number: corner.name for corner in track.corners})
    draw_direction(axes, track)
    frame_track(axes, track)
    draw_scale(axes, units, north=0.5 * np.pi if track.georeferenced else None)
    footer(figure, survey_note(track, units))
    return figure


def plot_lines(
    track: Track,
    reference: Lap,
    driven: Lap,
    units: Units = METRIC,
    *,
    notes: str = "",
    lap_time_sigma: float = 0.0,
    gap_sigma: float = 0.0,
) -> Figure:
    """Map with the reference line and the driven line, the driven one coloured and widened by time lost.

    Parameters
    ----------
    track : Track
    reference, driven : Lap
        Both on the track (their ``line.s`` are its stations).
    units : Units
    notes : str
        Added to the small print, such as the position uncertainty of the recording.
    lap_time_sigma, gap_sigma : float
        Standard deviations of the driven lap's time and of the gap [s]; 0 where both laps are exact.

    Returns
    -------
    matplotlib Figure
    """
    figure, axes = map_figure(track)
    gap = time_gap(reference, driven)
    name = driven.label or "driven lap"
    heading(
        figure,
        f"{track.name}: where {name} loses time",
        f"{lap_time_text(driven.lap_time)}{plus_minus(lap_time_sigma)} against "
        f"{lap_time_text(reference.lap_time)} for {called(reference)}, "
        f"{driven.lap_time - reference.lap_time:+.3f}{plus_minus(gap_sigma)} s",
        room=0.57,
    )
    draw_ground(axes, track)
    draw_reference(axes, reference)
    peak = draw_lost(axes, driven, gap.s, gap.rate)
    draw_corner_numbers(axes, track)
    draw_direction(axes, track)
    frame_track(axes, track)
    draw_scale(axes, units, north=0.5 * np.pi if track.georeferenced else None)
    _lost_legend(figure, peak, units, f"{name} [s per 100 {units.length_unit}]; dashed: {called(reference)}")
    footer(figure, " ".join(part for part in (survey_note(track, units), notes) if part))
    return figure


def draw_reference(axes: Axes, lap: Lap, view: View = NORTH_UP, *, width: float = 1.1) -> None:
    """The reference line, thin ink."""
    x, y = view(lap.line.x, lap.line.y)
    axes.plot(x, y, color=INK, linewidth=width, linestyle=(0, (6, 1.5)), zorder=3.2)


def lost_colours() -> LinearSegmentedColormap:
    """Teal for time gained, stone for none, burnt orange for time lost; ordered by lightness within each half."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("lost", [GAIN, "#7fa6a6", "#bdb6a8", "#d08c5a", LOSS])


def draw_lost(
    axes: Axes, driven: Lap, s: Array, rate: Array, view: View = NORTH_UP, *, peak: float | None = None
) -> float:
    """The driven line, coloured and widened by time lost per metre; returns the rate of the full colour [s/m]."""
    from matplotlib.collections import LineCollection

    if peak is None:
        peak = max(float(np.quantile(np.abs(rate), 0.97)), 1e-4)
    x, y = view(driven.line.x, driven.line.y)
    shown = np.interp(driven.line.s, s, rate) / peak
    middle = np.clip(0.5 * (shown[1:] + shown[:-1]), -1.0, 1.0)
    axes.add_collection(
        LineCollection(
            pieces(x, y),
            colors=lost_colours()(0.5 + 0.5 * middle),
            linewidths=1.4 + 3.6 * np.maximum(middle, 0.0),
            capstyle="round",
            zorder=3.6,
        ),
        autolim=True,
    )
    return peak


def _lost_legend(figure: Figure, peak: float, units: Units, title: str) -> None:
    """A wedge that widens with time lost, with round numbers, and a key of the two lines."""
    height = figure.get_size_inches()[1]
    per = 100.0 * units.length
    axes = figure.add_axes((0.62, 1.0 - 0.52 / height, 0.33, 0.13 / height))
    u = np.linspace(-1.0, 1.0, 201)
    colours = lost_colours()(0.5 + 0.5 * u)
    thick = 1.4 + 3.6 * np.maximum(u, 0.0)
    axes.bar(u, thick, width=0.0105, bottom=-0.5 * thick, color=colours)
    axes.set_ylim(-2.6, 2.6)
    axes.set_xlim(-1.0, 1.0)
    axes.set_facecolor("none")
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_yticks([])
    axes.set_xticks([-1.0, 0.0, 1.0])
    axes.set_xticklabels([f"gains {peak * per:.2f}", "level", f"loses {peak * per:.2f}"])
    axes.tick_params(length=0, labelsize=7.5, labelcolor=SOFT, pad=1)
    axes.set_title(title, size=7.5, color=SOFT, loc="center", pad=3)
