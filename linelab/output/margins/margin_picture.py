"""The line for a driver who scatters beside the computed lap's, in the corners where they differ most."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from linelab.geometry.frenet import sn_to_xy
from linelab.measured import TO_95
from linelab.model.track import Corner, Track
from linelab.output.display import METRIC, Units
from linelab.output.draw.ground_map import draw_ground, draw_reference, draw_scale, fit_limits, survey_note
from linelab.output.draw.style import GAIN, INK, footer, heading, new_figure
from linelab.output.outlines import corner_view
from linelab.study.scattering.margins import MarginLap
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Width and height of the picture [inches], and how many corners it shows.
SHEET, SHOWN = (13.0, 6.6), 3
#: Colour of the band of passes.
BAND = "#b3cfcf"
#: Edges of a panel beyond the corner's outline [m].
AROUND = 2.0


def plot_margin(track: Track, found: MarginLap, units: Units = METRIC) -> Figure:
    """The corners where the two lines differ most, with the band of passes.

    Parameters
    ----------
    track : Track
    found : MarginLap
    units : Units

    Returns
    -------
    matplotlib Figure
    """
    figure = new_figure(*SHEET)
    heading(
        figure,
        f"{track.name}: a line with room for scatter",
        "Dashed: the computed lap. Solid: the line with room. Shaded: 95 % of passes that grip (kart's middle).",
    )
    chosen = _most_different(track, found)
    width = 0.96 / max(len(chosen), 1)
    for index, (corner, moved) in enumerate(chosen):
        axes = figure.add_axes((0.02 + index * width, 0.1, 0.94 * width, 0.74))
        _draw(axes, track, found, corner, units)
        own = next(each for each in found.corners if each.corner == corner.number)
        axes.set_title(
            f"Corner {corner.label}: up to {units.length_text(moved, 1)} apart, {own.time_lost:+.2f} s",
            size=10, color=INK, loc="left",
        )  # fmt: skip
    notes = f"Scatter: {found.scatter.origin}."
    footer(figure, " ".join(part for part in (survey_note(track, units), notes) if part))
    return figure


def _most_different(track: Track, found: MarginLap) -> list[tuple[Corner, float]]:
    """The corners where the lines are farthest apart, in driving order, and how far [m]."""
    away = np.abs(found.n - np.interp(found.s, found.computed.line.s, found.computed.line.n))
    apart = []
    for corner in track.corners:
        inside = (found.s >= corner.s_start) & (found.s <= corner.s_end)
        if corner.s_end < corner.s_start:
            inside = (found.s >= corner.s_start) | (found.s <= corner.s_end)
        apart.append((corner, float(away[inside].max(initial=0.0))))
    most = sorted(apart, key=lambda each: -each[1])[:SHOWN]
    return sorted(most, key=lambda each: each[0].s_apex)


def _draw(axes: Axes, track: Track, found: MarginLap, corner: Corner, units: Units) -> None:
    from matplotlib.collections import PolyCollection

    view, outline = corner_view(track, corner)
    draw_ground(axes, track, view, edge_width=1.4)

    def beside(n: Array) -> tuple[Array, Array]:
        return view(*sn_to_xy(track.reference, found.s, n))

    low, high = (beside(found.n + side * TO_95 * found.sigma) for side in (-1.0, 1.0))
    edges = np.stack([np.column_stack(low), np.column_stack(high)])
    # A piece at a time: the polygon of a whole lap would fill its infield.
    band = np.stack([edges[0, :-1], edges[0, 1:], edges[1, 1:], edges[1, :-1]], axis=1)
    axes.add_collection(PolyCollection(list(band), facecolors=BAND, edgecolors=BAND, linewidths=0.4, zorder=2.9))
    draw_reference(axes, found.computed, view, width=1.6)
    x, y = view(found.lap.line.x, found.lap.line.y)
    axes.plot(x, y, color=GAIN, linewidth=1.8, zorder=3.4)
    fit_limits(axes, outline.min(axis=0) - AROUND, outline.max(axis=0) + AROUND)
    draw_scale(axes, units, north=0.5 * np.pi + view.angle if track.georeferenced else None)
