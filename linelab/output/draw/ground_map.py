"""The ground on a picture: track surface, edges, kerbs, start line, numbered corners, scale and north.

Also the map of a driven lap, coloured by time lost against another lap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.measured import Measured
from linelab.model.facts import middle_line, square_width
from linelab.model.lap import Lap
from linelab.model.track import GripZone, Groove, Kerb, Track
from linelab.output.display import METRIC, Units, lap_time_text, lap_time_within, measured_text
from linelab.output.draw.style import (
    FAINT,
    GAIN,
    INK,
    KERB,
    LOSS,
    PAPER,
    ROAD,
    SOFT,
    arrow,
    footer,
    heading,
    new_figure,
)
from linelab.output.lap_curves import called, pieces, time_gap
from linelab.output.outlines import (
    NORTH_UP,
    View,
    along_closed,
    corner_places,
    corner_ticks,
    round_length,
    spread,
    stations_between,
)
from linelab.output.track_facts import survey_sentence
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

#: Dashes of a timing line: a plain one across the road is taken for a mark of the lap.
TIMING = (0, (2, 1.5))
#: The groove: its colour, the dashes of its middle, and its sides.
GROOVE, DRY, SIDES = "#cbc4b6", (0, (3, 1.5)), np.array([1.0, -1.0])
#: Room for a corner's number beside its neighbours' over a curve [inches].
NUMBER_ROOM = 0.2


def draw_ground(axes: Axes, track: Track, view: View = NORTH_UP, *, edge_width: float = 0.9) -> None:
    """Surface, edges, kerbs, grip zones and lines across; axes get no frame (see fit_limits for equal scales)."""
    axes.set_facecolor(PAPER)
    axes.set_axis_off()
    s = stations_between(track, 0.0, track.length)
    left = view(*sn_to_xy(track.reference, s, along_closed(track, track.w_left, s)))
    right = view(*sn_to_xy(track.reference, s, -along_closed(track, track.w_right, s)))
    axes.fill(
        np.concatenate([left[0], right[0][::-1]]),
        np.concatenate([left[1], right[1][::-1]]),
        color=ROAD,
        linewidth=0,
        zorder=1,
    )
    dashes = (0, (4, 2)) if track.survey.estimated else "-"
    for edge in (track.left_edge, track.right_edge):
        ring = np.vstack([edge, edge[:1]]) if track.closed else edge
        x, y = view(ring[:, 0], ring[:, 1])
        axes.plot(x, y, color=SOFT, linewidth=edge_width, linestyle=dashes, zorder=2)
    if track.groove is not None:
        _draw_groove(axes, track, track.groove, view)
    for zone in track.grip_zones:
        _draw_zone(axes, track, zone, view)
    for kerb in track.kerbs:
        _draw_kerb(axes, track, kerb, view)
    ends = [track.start_station]
    if not track.closed:
        ends.append(track.length if track.finish_station is None else track.finish_station)
    for station in ends:
        _draw_across(axes, track, station, view, width=1.8)
    for station in track.timing_stations:
        _draw_across(axes, track, station, view, width=0.8, linestyle=TIMING)


def _draw_groove(axes: Axes, track: Track, groove: Groove, view: View) -> None:
    """The dark band, between its edges, and the line along its middle."""
    s = stations_between(track, 0.0, track.length, 1.0)
    n = groove.middle(s, track.length, track.closed)
    left, right = (along_closed(track, widths, s) for widths in (track.w_left, track.w_right))
    edges = [np.clip(n + off, -right, left) for off in 0.5 * groove.width * SIDES]
    sides = [np.column_stack(view(*sn_to_xy(track.reference, s, edge))) for edge in edges]
    x, y = np.vstack([sides[0], sides[1][::-1]]).T
    axes.fill(x, y, facecolor=GROOVE, linewidth=0, zorder=1.4)
    middle = view(*sn_to_xy(track.reference, s, n))
    axes.plot(*middle, color=SOFT, linewidth=0.9, linestyle=DRY, zorder=3.1)


def groove_sign() -> Line2D:
    """The groove in a key."""
    from matplotlib.lines import Line2D

    return Line2D([], [], color=SOFT, linewidth=0.9, linestyle=DRY, label="dry line (groove)")


def _draw_zone(axes: Axes, track: Track, zone: GripZone, view: View) -> None:
    """A patch of other grip: dotted, with a dashed outline."""
    s = stations_between(track, zone.s_start, zone.s_end)
    right = view(*sn_to_xy(track.reference, s, np.full(s.size, zone.n_right)))
    left = view(*sn_to_xy(track.reference, s, np.full(s.size, zone.n_left)))
    x, y = np.concatenate([right[0], left[0][::-1]]), np.concatenate([right[1], left[1][::-1]])
    axes.fill(x, y, facecolor="none", edgecolor=SOFT, linewidth=0.7, linestyle=(0, (3, 2)), hatch="..", zorder=1.5)


def _draw_kerb(axes: Axes, track: Track, kerb: Kerb, view: View) -> None:
    """A kerb as a striped strip beyond its edge."""
    s = stations_between(track, kerb.s_start, kerb.s_end)
    sign, widths = (1.0, track.w_left) if kerb.side == "left" else (-1.0, track.w_right)
    inner = along_closed(track, widths, s)
    near = view(*sn_to_xy(track.reference, s, sign * inner))
    far = view(*sn_to_xy(track.reference, s, sign * (inner + kerb.width)))
    x, y = np.concatenate([near[0], far[0][::-1]]), np.concatenate([near[1], far[1][::-1]])
    axes.fill(x, y, facecolor=KERB, edgecolor=KERB, linewidth=1.4, alpha=0.85, zorder=2.2)
    middle = view(*sn_to_xy(track.reference, s, sign * (inner + 0.5 * kerb.width)))
    axes.plot(*middle, color=PAPER, linewidth=1.6, linestyle=(0, (1.2, 1.6)), zorder=2.3)


def _draw_across(axes: Axes, track: Track, station: float, view: View, *, width: float, linestyle: Any = "-") -> None:
    """A line across the track."""
    s = np.array([station, station])
    n = np.array([float(along_closed(track, track.w_left, s)[0]), -float(along_closed(track, track.w_right, s)[0])])
    x, y = view(*sn_to_xy(track.reference, s, n * 1.25))
    axes.plot(x, y, color=INK, linewidth=width, linestyle=linestyle, zorder=4, solid_capstyle="butt")


def draw_direction(axes: Axes, track: Track, view: View = NORTH_UP) -> None:
    """A small arrow beside the start line, pointing the way the track is driven."""
    at = curve_at(track.reference, track.start_station)
    offset = float(along_closed(track, track.w_left, np.array([track.start_station]))[0]) + 5.0
    x, y = float(at.x - offset * np.sin(at.psi)), float(at.y + offset * np.cos(at.psi))
    dx, dy = 12.0 * float(np.cos(at.psi)), 12.0 * float(np.sin(at.psi))
    tail, tip = view(np.array(x), np.array(y)), view(np.array(x + dx), np.array(y + dy))
    arrow(axes, tail, tip, INK)


def frame_track(axes: Axes, track: Track, margin: float = 0.07) -> None:
    """Set limits so that the whole track is in the picture, with a margin as a share of its longer side."""
    points = np.vstack([track.left_edge, track.right_edge])
    low, high = points.min(axis=0), points.max(axis=0)
    pad = margin * float((high - low).max()) + 6.0
    fit_limits(axes, low - pad, high + pad)


def fit_limits(axes: Axes, low: Array, high: Array) -> None:
    """Limits around a box from ``low`` (2,) to ``high`` (2,) [m], widened so that both axes have the same scale."""
    place = axes.get_position(original=True)
    sheet = axes.get_figure(root=True)
    if sheet is None:  # never for axes made by these modules
        return
    width, height = sheet.get_size_inches() * (place.width, place.height)
    size = np.maximum(high - low, 1e-6)
    scale = max(float(size[0]) / width, float(size[1]) / height)
    centre = 0.5 * (low + high)
    axes.set_xlim(centre[0] - 0.5 * scale * width, centre[0] + 0.5 * scale * width)
    axes.set_ylim(centre[1] - 0.5 * scale * height, centre[1] + 0.5 * scale * height)


def draw_scale(
    axes: Axes, units: Units, *, north: float | None = None, place: tuple[float, float] = (0.02, 0.03)
) -> None:
    """A scale bar of a round length at the lower left and, where the map has one, a north mark.

    ``north`` is the direction of north on the picture, anticlockwise from right [rad].  Limits must be set before.
    ``place`` is the bar's left end as shares of the axes, which may lie outside them.
    """
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    bar = round_length((x1 - x0) / units.length * 0.16)
    left, low, tick = x0 + place[0] * (x1 - x0), y0 + place[1] * (y1 - y0), 0.008 * (y1 - y0)
    right = left + bar * units.length
    axes.plot(
        [left, left, right, right],
        [low + tick, low, low, low + tick],
        color=SOFT,
        linewidth=1.0,
        zorder=5,
        clip_on=False,
    )
    axes.text(
        0.5 * (left + right),
        low + 1.5 * tick,
        f"{bar:g} {units.length_unit}",
        size=7.5,
        color=SOFT,
        ha="center",
        va="bottom",
    )
    if north is None:
        return
    size = 0.05 * (y1 - y0)
    x, y = right + 1.2 * size, low + 0.5 * size
    dx, dy = 0.5 * size * np.cos(north), 0.5 * size * np.sin(north)
    axes.annotate(
        "N",
        (x - dx, y - dy),
        (x + dx, y + dy),
        arrowprops={"arrowstyle": "<|-", "color": SOFT, "linewidth": 0.8, "relpos": (0.5, 0.5)},
        size=7.5,
        color=SOFT,
        ha="center",
        va="center",
        annotation_clip=False,
    )


def draw_corner_numbers(axes: Axes, track: Track, notes: dict[int, str] | None = None, *, size: float = 9.0) -> None:
    """Corner numbers beside the track, with a note under each (its minimum speed, the time lost there)."""
    if not track.corners:
        return
    places = corner_places(track)
    for tick in corner_ticks(track, places):
        axes.plot(*tick.T, color=SOFT, linewidth=0.6, zorder=5.5)
    for corner, (x, y) in zip(track.corners, places):
        axes.text(x, y, str(corner.number), size=size, weight="bold", color=INK, ha="center", va="center", zorder=6)
        note = (notes or {}).get(corner.number, "")
        if note:
            axes.annotate(
                note,
                (x, y),
                xytext=(0, -0.62 * size),
                textcoords="offset points",
                size=0.78 * size,
                color=SOFT,
                ha="center",
                va="top",
                zorder=6,
            )


def corner_bands(axes: Axes, track: Track, units: Units, *, numbers: bool = True) -> None:
    """Corners as faint bands on an axes whose x is the station as shown, numbered at the top.

    Numbers of corners too close to each other are moved apart, in their order.
    """
    for corner in track.corners:
        spans = [(corner.s_start, corner.s_end)]
        if corner.s_end < corner.s_start:
            spans = [(corner.s_start, track.length), (0.0, corner.s_end)]
        for start, end in spans:
            axes.axvspan(start / units.length, end / units.length, color=FAINT, alpha=0.28, linewidth=0, zorder=0)
    if not numbers or not track.corners:
        return
    sheet = axes.get_figure(root=True)
    wide = axes.get_position(original=True).width * (1.0 if sheet is None else float(sheet.get_size_inches()[0]))
    apexes = np.array([corner.s_apex for corner in track.corners])
    for corner, place in zip(track.corners, spread(apexes, NUMBER_ROOM * track.length / wide, 0.0, track.length)):
        axes.annotate(
            str(corner.number),
            (float(place) / units.length, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            size=8,
            weight="bold",
            color=INK,
            ha="center",
            va="bottom",
        )


def survey_note(track: Track, units: Units = METRIC) -> str:
    """Where the edges come from, and what that means for distances to them, for the small print."""
    text = survey_sentence(track.survey, units)
    if track.survey.estimated:
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
    """Map with the line of the computed lap and the driven line, the driven one coloured and widened by time lost.

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
    gap, apart = time_gap(reference, driven), Measured(driven.lap_time - reference.lap_time, gap_sigma)
    name = driven.label or "driven lap"
    heading(
        figure,
        f"{track.name}: where {name} loses time",
        f"{lap_time_within(Measured(driven.lap_time, lap_time_sigma))} against "
        f"{lap_time_text(reference.lap_time)} for {called(reference)}, "
        f"{measured_text(apart, 1.0, 3, signed=True)} s",
        room=0.57,
    )
    draw_ground(axes, track)
    draw_reference(axes, reference)
    peak = draw_lost(axes, driven, gap.s, gap.rate)
    draw_corner_numbers(axes, track)
    draw_direction(axes, track)
    frame_track(axes, track)
    draw_scale(axes, units, north=0.5 * np.pi if track.georeferenced else None)
    shown = f"{100.0 * units.length * peak:.2f}"
    lost_legend(
        figure,
        f"{name} [s per 100 {units.length_unit}]; dashed: {called(reference)}",
        (f"gains {shown}", "level", f"loses {shown}"),
        lost_colours(),
    )
    footer(figure, " ".join(part for part in (survey_note(track, units), notes) if part))
    return figure


def draw_reference(axes: Axes, lap: Lap, view: View = NORTH_UP, *, width: float = 1.1) -> None:
    """The line of the computed lap, thin ink."""
    x, y = view(lap.line.x, lap.line.y)
    axes.plot(x, y, color=INK, linewidth=width, linestyle=(0, (6, 1.5)), zorder=3.2)


def lost_colours() -> LinearSegmentedColormap:
    """Teal for time gained, stone for none, burnt orange for time lost; ordered by lightness within each half."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("lost", [GAIN, "#7fa6a6", "#bdb6a8", "#d08c5a", LOSS])


def draw_lost(
    axes: Axes,
    driven: Lap,
    s: Array,
    rate: Array,
    view: View = NORTH_UP,
    *,
    peak: float | None = None,
    colours: LinearSegmentedColormap | None = None,
) -> float:
    """The driven line, coloured and widened by time lost per metre; returns the rate of the full colour [s/m]."""
    colours = lost_colours() if colours is None else colours
    from matplotlib.collections import LineCollection

    if peak is None:
        peak = max(float(np.quantile(np.abs(rate), 0.97)), 1e-4)
    x, y = view(driven.line.x, driven.line.y)
    shown = np.interp(driven.line.s, s, rate) / peak
    middle = np.clip(0.5 * (shown[1:] + shown[:-1]), -1.0, 1.0)
    axes.add_collection(
        LineCollection(
            pieces(x, y),
            colors=colours(0.5 + 0.5 * middle),
            linewidths=1.4 + 3.6 * np.maximum(middle, 0.0),
            capstyle="round",
            zorder=3.6,
        ),
        autolim=True,
    )
    return peak


def lost_legend(figure: Figure, title: str, labels: tuple[str, str, str], colours: LinearSegmentedColormap) -> None:
    """A wedge that widens as the line of :func:`draw_lost` does, with what its ends and middle are."""
    height = figure.get_size_inches()[1]
    axes = figure.add_axes((0.62, 1.0 - 0.52 / height, 0.33, 0.13 / height))
    u = np.linspace(-1.0, 1.0, 201)
    thick = 1.4 + 3.6 * np.maximum(u, 0.0)
    axes.bar(u, thick, width=0.0105, bottom=-0.5 * thick, color=colours(0.5 + 0.5 * u))
    axes.set_ylim(-2.6, 2.6)
    axes.set_xlim(-1.0, 1.0)
    axes.set_facecolor("none")
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_yticks([])
    axes.set_xticks([-1.0, 0.0, 1.0])
    axes.set_xticklabels(labels)
    axes.tick_params(length=0, labelsize=7.5, labelcolor=SOFT, pad=1)
    axes.set_title(title, size=7.5, color=SOFT, loc="center", pad=3)
