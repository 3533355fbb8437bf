"""A close-up of one corner, turned so that it is driven upwards, with each lap's marks called out at the side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from linelab.diagnosis.marks import CornerMarks
from linelab.geometry.frenet import sn_to_xy
from linelab.model.lap import Lap
from linelab.model.track import Corner, Track
from linelab.output.display import METRIC, Units
from linelab.output.draw.ground_map import draw_ground, draw_lost, draw_scale, fit_limits, survey_note
from linelab.output.draw.style import INK, LOSS, PAPER, SOFT, arrow, footer, heading, new_figure
from linelab.output.lap_curves import called, time_gap
from linelab.output.outlines import BEFORE, View, along_closed, corner_view, spread, stations_between
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Width and height of the sheet and of its map [inches].
SHEET = (10.5, 8.2)
MAP = (0.24, 0.09, 0.52, 0.8)

#: Letters of a callout that fit on one line beside the map.
LONGEST_LABEL = 29


class Callout(NamedTuple):
    """One mark of a lap, ready to be written: where it is [m], what it is, and the figures in words."""

    x: float
    y: float
    name: str
    text: str
    note: str = ""


def plot_corner(
    track: Track,
    corner: Corner,
    reference: Lap,
    driven: Lap | None,
    units: Units = METRIC,
    *,
    reference_marks: Sequence[Callout] = (),
    driven_marks: Sequence[Callout] = (),
    subtitle: str = "",
    notes: str = "",
) -> Figure:
    """One corner with the computed lap's line, a driven line and their marks.

    Parameters
    ----------
    track : Track
    corner : Corner
    reference : Lap
    driven : Lap or None
        None shows the computed lap alone.
    units : Units
    reference_marks, driven_marks : sequences of Callout
        Called out at the left and at the right.
    subtitle, notes : str
        Under the title; in the small print.

    Returns
    -------
    matplotlib Figure
    """
    figure = new_figure(*SHEET)
    heading(figure, f"{track.name}, corner {corner.label}", subtitle)
    axes = figure.add_axes(MAP if driven is not None else (MAP[0], MAP[1], 0.98 - MAP[0], MAP[3]))
    view, outline = corner_view(track, corner)
    marked = [view(np.array([mark.x]), np.array([mark.y])) for mark in (*reference_marks, *driven_marks)]
    outline = np.vstack([outline, *(np.column_stack(point) for point in marked)])
    draw_ground(axes, track, view, edge_width=1.4)
    x, y = view(reference.line.x, reference.line.y)
    axes.plot(x, y, color=INK, linewidth=1.8, linestyle=(0, (6, 1.5)), zorder=3.2)
    if driven is not None:
        gap = time_gap(reference, driven)
        draw_lost(axes, driven, gap.s, gap.rate, view)
    low, high = outline.min(axis=0) - 4.0, outline.max(axis=0) + 4.0
    fit_limits(axes, low, high)
    draw_scale(
        axes,
        units,
        north=0.5 * np.pi + view.angle if track.georeferenced else None,
        place=(-0.4 if driven is not None else -0.28, 0.01),
    )
    _draw_way_in(axes, track, corner, view)
    draw_callouts(figure, axes, reference_marks, view, column=0.03, right=False, title=called(reference))
    if driven is not None:
        title = driven.label or "driven lap"
        draw_callouts(figure, axes, driven_marks, view, column=0.97, right=True, title=title)
    footer(figure, " ".join(part for part in (survey_note(track, units), notes) if part))
    return figure


def _draw_way_in(axes: Axes, track: Track, corner: Corner, view: View) -> None:
    """An arrow beside the edge that shows where the kart comes from."""
    start = corner.s_start - 0.9 * BEFORE
    s = np.array([start, start + 7.0])
    local = np.mod(s, track.length) if track.closed else np.maximum(s, 0.0)
    x, y = view(*sn_to_xy(track.reference, s, _free_offset(track, s, local)))
    arrow(axes, (x[0], y[0]), (x[1], y[1]), INK, annotation_clip=True)


def _free_offset(track: Track, s: Array, local: Array) -> Array:
    """Offsets (2,) for the arrow: beside the track, or on it where a neighbouring stretch would get the arrow."""
    left, right = along_closed(track, track.w_left, local), along_closed(track, track.w_right, local)
    around = stations_between(track, 0.0, track.length, 1.0)
    edges = [
        sn_to_xy(track.reference, around, sign * along_closed(track, width, around))
        for sign, width in ((1.0, track.w_left), (-1.0, track.w_right))
    ]
    edge_x, edge_y = (np.concatenate([edge[k] for edge in edges]) for k in (0, 1))
    options = (-right - 2.0, left + 2.0, 1.5 - right, left - 1.5)
    room = []
    for n in options:
        x, y = sn_to_xy(track.reference, s, n)
        room.append(min(float(np.hypot(x[:, None] - edge_x, y[:, None] - edge_y).min()), 1.9))
    return options[int(np.argmax(room))]


def draw_callouts(
    figure: Figure, axes: Axes, marks: Sequence[Callout], view: View, *, column: float, right: bool, title: str
) -> None:
    """Marks as numbered dots on the line, each joined by a thin leader to its words in a column at the side.

    The words stand in the order of the dots from bottom to top, moved apart where they would overlap.
    """
    colour = LOSS if right else INK
    side = "right" if right else "left"
    top = MAP[1] + MAP[3]
    figure.text(column, top + 0.005, title, size=10, weight="bold", color=colour, ha=side, va="bottom")
    if not marks:
        return
    to_figure = axes.transData + figure.transFigure.inverted()
    dots = np.array([to_figure.transform([float(c) for c in view(np.array(m.x), np.array(m.y))]) for m in marks])
    heights = spread(dots[:, 1], 0.085, MAP[1] + 0.1, top - 0.045)
    for mark, dot, height in zip(marks, dots, heights):
        axes.plot(
            *[float(c) for c in view(np.array(mark.x), np.array(mark.y))],
            marker="s" if right else "o",
            markersize=6,
            markerfacecolor=PAPER,
            markeredgecolor=colour,
            markeredgewidth=1.6,
            zorder=7,
        )
        elbow = column - 0.205 if right else column + 0.205
        figure.add_artist(_leader([elbow, dot[0]], [height, dot[1]], colour))
        joint = "  " if len(mark.name) + len(mark.text) <= LONGEST_LABEL else "\n"
        label = f"{mark.name}{joint}{mark.text}".rstrip()
        figure.text(column, height + 0.004, label, size=9, color=colour, ha=side, va="bottom")
        figure.text(column, height - 0.004, mark.note, size=7.5, color=SOFT, ha=side, va="top")


def _leader(x: list[float], y: list[float], colour: str):  # type: ignore[no-untyped-def]
    """A thin line in figure coordinates."""
    from matplotlib.lines import Line2D

    return Line2D(x, y, color=colour, linewidth=0.6, alpha=0.75)


#: Marks this close together are called out as one [m].
SAME_PLACE = 1.5


def reference_callouts(track: Track, lap: Lap, marks: CornerMarks, units: Units = METRIC) -> list[Callout]:
    """The computed lap's marks from the brake point, or the lift, to the track-out, with speeds and places.

    Marks within SAME_PLACE of each other share one callout.
    """
    wanted = [(marks.turn_in, "turn-in"), (marks.minimum_speed, "minimum speed")]
    apexes = [(marks.apex, marks.apex_names()[0])]
    if marks.other_apex is not None:
        apexes.append((marks.other_apex, marks.apex_names()[1]))
    wanted += apexes
    wanted.append((marks.track_out, "track-out"))
    if marks.brakes:
        wanted.append((marks.brake_point, "brake point"))
    elif marks.lifts:
        wanted.append((marks.slows_from, "lift point"))
    if marks.drive_point > marks.minimum_speed:
        wanted.append((marks.drive_point, "drive point"))
    callouts = []
    for places, names in _gathered(sorted(wanted, key=lambda pair: pair[0])):
        at = marks.minimum_speed if "minimum speed" in names else places[0]
        inside = any(name in names for _, name in apexes)
        note = "closest to the inside edge" if inside else _before_apex(at - marks.apex, apexes[0][1], units)
        speed = units.speed_text(_speed(track, lap, at))
        callouts.append(Callout(*_place(track, lap, at), ", ".join(names), speed, note))
    return callouts


def _gathered(marks: list[tuple[float, str]]) -> list[tuple[list[float], list[str]]]:
    """Marks in order of station, those close together in one entry."""
    found: list[tuple[list[float], list[str]]] = []
    for station, name in marks:
        if found and station - found[-1][0][0] <= SAME_PLACE:
            found[-1][0].append(station)
            found[-1][1].append(name)
        else:
            found.append(([station], [name]))
    return found


def _before_apex(distance: float, apex: str, units: Units) -> str:
    """A place relative to an apex, in words."""
    shown = round(abs(distance) / units.length)
    if shown == 0:
        return f"at the {apex}"
    return f"{shown} {units.length_unit} {'after' if distance > 0.0 else 'before'} the {apex}"


def _local(track: Track, station: float) -> float:
    return station % track.length if track.closed else station


def _speed(track: Track, lap: Lap, station: float) -> float:
    return float(np.interp(_local(track, station), lap.line.s, lap.v))


def _place(track: Track, lap: Lap, station: float) -> tuple[float, float]:
    """Point of a lap's line at a station [m]."""
    local = _local(track, station)
    return float(np.interp(local, lap.line.s, lap.line.x)), float(np.interp(local, lap.line.s, lap.line.y))
