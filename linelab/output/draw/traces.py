"""Curves along the lap: two laps' speeds, pedals and time difference; and the computed lap alone by what limits it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from linelab.diagnosis.marks import find_marks
from linelab.measured import TO_95, Measured
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Limit
from linelab.model.timed import timed_lap
from linelab.model.track import Track
from linelab.output.display import METRIC, Units, lap_time_text, lap_time_words, measured_text
from linelab.output.draw.ground_map import (
    corner_bands,
    draw_corner_numbers,
    draw_direction,
    draw_ground,
    draw_scale,
    frame_track,
    groove_sign,
    lost_colours,
    survey_note,
)
from linelab.output.draw.style import (
    BRAKE,
    COAST,
    DRIVE,
    GAIN,
    INK,
    LOSS,
    PAPER,
    SOFT,
    footer,
    heading,
    new_figure,
    tidy,
)
from linelab.output.lap_curves import Gap, Pedal, called, pedal_codes, pieces, runs, station_title, time_gap
from linelab.output.outlines import NORTH_UP, View
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Name, colour and height in its strip of each pedal zone: the height shows which is which without colour.
PEDAL_LOOKS = {
    Pedal.BRAKE: ("brake", BRAKE, (0.0, 0.4)),
    Pedal.COAST: ("coast", COAST, (0.41, 0.18)),
    Pedal.DRIVE: ("power", DRIVE, (0.6, 0.4)),
}


def plot_traces(
    track: Track,
    reference: Lap,
    driven: Lap,
    kart: Kart,
    units: Units = METRIC,
    *,
    gap_sigma: Array | None = None,
    gap_stations: Array | None = None,
    notes: str = "",
) -> Figure:
    """Speed of both laps, the computed lap's pedals, and the time lost, by station.

    Parameters
    ----------
    track : Track
    reference, driven : Lap
        Both on the track.
    kart : Kart
        Of the computed lap; its roll-down separates braking from coasting.
    units : Units
    gap_sigma, gap_stations : (K,) array or None
        Standard deviation of the time difference [s] and its stations [m], drawn as a band of the 95 % interval.
    notes : str
        Added to the small print.

    Returns
    -------
    matplotlib Figure
    """
    figure = new_figure(11.0, 7.0)
    gap = time_gap(reference, driven)
    name = driven.label or "driven lap"
    against = called(reference)
    heading(
        figure,
        f"{track.name}: speed and time, {name} against {against}",
        f"{lap_time_text(driven.lap_time)} and {lap_time_text(reference.lap_time)}; "
        f"the strip between the curves shows the pedals of {against}",
    )
    speed = figure.add_axes((0.07, 0.475, 0.905, 0.375))
    strip = figure.add_axes((0.07, 0.405, 0.905, 0.055))
    lost = figure.add_axes((0.07, 0.15, 0.905, 0.235))
    draw_speeds(speed, track, reference, driven, units)
    draw_pedals(strip, track, reference, kart, units)
    draw_gap(lost, track, gap, units, spread=_spread(gap, gap_stations, gap_sigma))
    for axes in (speed, strip, lost):
        axes.set_xlim(0.0, track.length / units.length)
    footer(figure, " ".join(part for part in (survey_note(track, units), notes) if part))
    return figure


def _spread(gap: Gap, stations: Array | None, sigma: Array | None) -> Array | None:
    """Half of the 95 % interval at the stations of ``gap``; None where not known or nil."""
    if stations is None or sigma is None or not np.any(sigma > 0.0):
        return None
    return TO_95 * np.interp(gap.s, stations, sigma)


def draw_speeds(axes: Axes, track: Track, reference: Lap, driven: Lap, units: Units) -> None:
    """Both speeds by station, the space between them tinted by which is faster."""
    tidy(axes)
    corner_bands(axes, track, units)
    s = np.linspace(0.0, track.length, 2000)
    own = np.interp(s, driven.line.s, driven.v) / units.speed
    best = np.interp(s, reference.line.s, reference.v) / units.speed
    shown = s / units.length
    axes.fill_between(shown, own, best, where=own < best, color=LOSS, alpha=0.22, linewidth=0, interpolate=True)
    axes.fill_between(shown, own, best, where=own > best, color=GAIN, alpha=0.22, linewidth=0, interpolate=True)
    axes.plot(shown, best, color=INK, linewidth=1.3, linestyle=(0, (6, 1.5)), label=called(reference))
    axes.plot(shown, own, color=LOSS, linewidth=1.7, label=driven.label or "driven lap")
    axes.set_ylim(0.0, float(max(own.max(), best.max())) * 1.05)
    axes.set_ylabel(f"speed [{units.speed_unit}]")
    axes.tick_params(labelbottom=False)
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.07), ncols=2, frameon=False, fontsize=8.5, labelcolor=INK)


def draw_pedals(axes: Axes, track: Track, lap: Lap, kart: Kart, units: Units) -> None:
    """A strip of the lap's pedals: power above, brake below, coasting a thin line between."""
    axes.set_facecolor(PAPER)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.set_yticks([0.14, 0.5, 0.86], ["brake", "coast", "power"])
    axes.set_xticks([])
    axes.tick_params(length=0, labelsize=6.5, labelcolor=SOFT)
    s = lap.line.s / units.length
    for code, first, last in runs(pedal_codes(lap, kart)):
        _, colour, (low, height) = PEDAL_LOOKS[Pedal(code)]
        end = min(last + 1, s.size - 1)
        axes.broken_barh([(float(s[first]), float(s[end] - s[first]))], (low, height), color=colour, linewidth=0)
    axes.set_ylim(-0.05, 1.05)


def draw_gap(axes: Axes, track: Track, gap: Gap, units: Units, *, spread: Array | None = None) -> None:
    """Cumulative time difference; it climbs where the driver loses time."""
    from matplotlib.collections import LineCollection

    tidy(axes)
    corner_bands(axes, track, units, numbers=False)
    shown = gap.s / units.length
    if spread is not None:
        axes.fill_between(shown, gap.total - spread, gap.total + spread, color=SOFT, alpha=0.2, linewidth=0)
    axes.axhline(0.0, color=SOFT, linewidth=0.6)
    peak = max(float(np.quantile(np.abs(gap.rate), 0.97)), 1e-4)
    share = np.clip(0.5 * (gap.rate[1:] + gap.rate[:-1]) / peak, -1.0, 1.0)
    axes.add_collection(
        LineCollection(
            pieces(shown, gap.total),
            colors=lost_colours()(0.5 + 0.5 * share),
            linewidths=1.6 + 2.2 * np.maximum(share, 0.0),
            capstyle="round",
        )
    )
    low, high = float(min(gap.total.min(), 0.0)), float(max(gap.total.max(), 0.0))
    pad = 0.1 * max(high - low, 0.05)
    axes.set_ylim(low - pad, high + pad)
    axes.set_xlabel(station_title(track, units))
    axes.set_ylabel("time behind [s]")
    behind = bool(gap.total[-1] > 0.0)
    finish = Measured(float(gap.total[-1]), 0.0 if spread is None else float(spread[-1]) / TO_95)
    axes.text(
        0.995,
        0.05 if behind else 0.95,
        f"{measured_text(finish, 1.0, 3, signed=True)} s at the finish",
        transform=axes.transAxes,
        ha="right",
        va="bottom" if behind else "top",
        size=9,
        weight="bold",
        color=INK,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0},
    )


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
    """The computed lap alone: a map by what limits it, with each corner's minimum speed, above its speed.

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
    subtitle = f"Computed lap {lap_time_words(timed_lap(track, lap).lap_time)}" + (
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
    _limit_legend(figure, used, units, groove=track.groove is not None)
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


def _limit_legend(figure: Figure, used: list[Limit], units: Units, *, groove: bool) -> None:
    """Key of the limits, at the top right."""
    from matplotlib.lines import Line2D

    handles = [
        Line2D([], [], color=LIMIT_LOOKS[limit][1], linewidth=LIMIT_LOOKS[limit][2], label=LIMIT_LOOKS[limit][0])
        for limit in used
    ]
    handles += [groove_sign()] if groove else []
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
