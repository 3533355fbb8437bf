"""The sheet's map: the whole track with numbered corners and the marks of the computed lap, in black and grey only.

Labels stand beside what they name, off the road and off each other.  Lengths on the page are in inches.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.output.display import Units
from linelab.output.draw.ground_map import draw_ground, draw_scale, fit_limits
from linelab.output.draw.style import WHITE, arrow
from linelab.output.lap_curves import Pedal, pedal_codes, runs
from linelab.output.outlines import View, along_closed, stations_between
from linelab.output.sheet.caution_marks import CautiousMark
from linelab.output.sheet.corner_facts import MarkName, SheetCorner, SheetMark
from linelab.output.sheet.sheet_words import SAME_PLACE
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Distances of a label's middle from what it names that are tried, and directions [inches, number].
DISTANCES = (0.3, 0.42, 0.55, 0.7, 0.9, 1.15, 1.5)
DIRECTIONS = 24
#: Free room wanted around a label [inches].
PAD = 0.04
#: Rounds over all labels, each placed anew with the others where they are.
ROUNDS = 3


def label_spots(anchors: Array, outward: Array, sizes: ArrayLike, avoid: Array, bounds: Array) -> Array:
    """Middles of labels.

    Parameters
    ----------
    anchors : (C, 2) array
        What each label names.
    outward : (C, 2) array
        Unit vectors; labels lie on that side where it is free.
    sizes : (C, 2) array, or (float, float)
        Width and height of each label, or of all.
    avoid : (K, 2) array
        Points that no label should cover.
    bounds : (2, 2) array
        Lowest and highest corner of the sheet's free area.

    Returns
    -------
    (C, 2) array
    """
    halves = np.broadcast_to(0.5 * np.asarray(sizes, dtype=np.float64), anchors.shape)
    angles = 2.0 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    rays = np.column_stack([np.cos(angles), np.sin(angles)])
    steps = (np.array(DISTANCES)[:, None, None] * rays[None, :, :]).reshape(-1, 2)
    ground = []
    for anchor, side, half in zip(anchors, outward, halves):
        options = anchor + steps
        near = avoid[np.hypot(*(avoid - anchor).T) < DISTANCES[-1] + float(np.hypot(*half)) + 2.0 * PAD]
        cost = 1.2 * np.hypot(*steps.T) - 0.15 * (steps @ side) / np.hypot(*steps.T)
        cost = cost + 2.0 * _covered(options, half + PAD, near) + 20.0 * _outside(options, half, bounds)
        ground.append(cost + 0.12 * _crossed(anchor, options, near))
    spots = np.full_like(anchors, 1e6)  # far off until placed
    for _ in range(ROUNDS):
        for k, anchor in enumerate(anchors):
            options = anchor + steps
            others, theirs = np.delete(spots, k, axis=0), np.delete(halves, k, axis=0)
            cost = ground[k] + 5.0 * _covered(options, halves[k] + theirs + PAD, others)
            cost = cost + 3.0 * _crossed(anchor, options, others, 0.6 * theirs[:, 0])
            spots[k] = options[int(np.argmin(cost))]
    return spots


def _covered(options: Array, half: Array, points: Array) -> Array:
    """How many points lie in a box around each option (P,)."""
    inside = np.abs(options[:, None, :] - points[None, :, :]) < half
    return np.asarray(inside.all(axis=2).sum(axis=1), dtype=np.float64)


def _outside(options: Array, half: Array, bounds: Array) -> Array:
    """1 where a box around an option leaves the bounds (P,)."""
    inside = (options - half >= bounds[0]) & (options + half <= bounds[1])
    return np.asarray(~inside.all(axis=1), dtype=np.float64)


def _crossed(anchor: Array, options: Array, points: Array, reach: Array | float = 0.05) -> Array:
    """How many points a straight leader from the anchor to each option passes within ``reach`` (P,)."""
    way = options - anchor
    length = np.hypot(*way.T)
    rel = points[None, :, :] - anchor
    along = (rel * way[:, None, :]).sum(axis=2) / length[:, None]
    across = np.abs(rel[:, :, 0] * way[:, None, 1] - rel[:, :, 1] * way[:, None, 0]) / length[:, None]
    hit = (along > 0.12) & (along < length[:, None]) & (across < reach)
    return np.asarray(hit.sum(axis=1), dtype=np.float64)


BLACK, GREY = "#000000", "#4d4d4d"
#: What a driver uses only later: the look of the computed lap's line and marks beside those to begin with.
LATER, DASHES = "#757575", (0, (5, 1.4, 1, 1.4))
#: Turns of the map tried, and how much larger a turned map must be to be preferred to north up.
TURNS = np.radians(np.arange(0.0, 180.0, 15.0))
WORTH_TURNING = 1.15
#: A label's size, and the half length of a brake point's bar [inches].
LABEL = (0.25, 0.31)
BAR = 0.075
#: Letters of a corner's name on a line, its size [points], the most a letter takes up and a line's height [inches].
NAME_LETTERS, NAME_SIZE, NAME_LETTER, NAME_LINE = 16, 6.3, 0.062, 0.1
#: Widths of the bars across the line where the kart begins to slow, with brakes and without [points].
BARS: dict[MarkName, float] = {"brake": 1.8, "lift": 0.7}
#: Widths of the hollow bar of a cautious brake or lift point, all of it and its white inside [points].
CAUTIOUS = (2.8, 1.4)
APEXES: tuple[MarkName, ...] = ("apex", "first apex", "second apex")
#: Looks of the other marks: marker, size, fill.
LOOKS: dict[MarkName, tuple[str, float, str]] = {"turn in": ("^", 4.6, WHITE), "track out": ("s", 3.9, WHITE)}
LOOKS |= dict.fromkeys(APEXES, ("o", 4.4, BLACK))


def draw_map(
    figure: Figure,
    box: tuple[float, float, float, float],
    track: Track,
    lap: Lap,
    kart: Kart,
    corners: Sequence[SheetCorner],
    units: Units,
) -> None:
    """Draw the map into a box (left, bottom, width, height) of the sheet [inches]."""
    wide, high = (float(size) for size in figure.get_size_inches())
    axes = figure.add_axes((box[0] / wide, box[1] / high, box[2] / wide, box[3] / high))
    outline = outline_points(track)
    view = best_view(outline, box[2], box[3])
    draw_ground(axes, track, view, edge_width=0.8)
    axes.set_facecolor(WHITE)
    turned = np.column_stack(view(outline[:, 0], outline[:, 1]))
    margin = 0.045 * float(np.ptp(turned, axis=0).max()) + 4.0
    # A strip at the foot of the map stays free for the scale.
    fit_limits(axes, turned.min(axis=0) - [margin, 1.7 * margin], turned.max(axis=0) + margin)
    draw_line(axes, lap, kart, view)
    draw_scale(axes, units, north=0.5 * np.pi + view.angle if track.georeferenced else None, place=(0.0, 0.0))
    per_inch = (axes.get_xlim()[1] - axes.get_xlim()[0]) / box[2]
    arrow = _draw_start(axes, track, view, per_inch)
    spots = [draw_marks(axes, corner, view, per_inch) for corner in corners]
    _draw_labels(axes, track, corners, view, box, np.vstack([turned, arrow, *spots]), units)


def outline_points(track: Track) -> Array:
    """Points along both edges, the middle and the outer sides of kerbs (K, 2) [m]."""
    s = stations_between(track, 0.0, track.length, 1.5)
    left, right = along_closed(track, track.w_left, s), along_closed(track, track.w_right, s)
    rows = [(s, left), (s, -right), (s, 0.5 * (left - right))]
    for kerb in track.kerbs:
        on = stations_between(track, kerb.s_start, kerb.s_end, 1.5)
        sign, widths = (1.0, track.w_left) if kerb.side == "left" else (-1.0, track.w_right)
        rows.append((on, sign * (along_closed(track, widths, on) + kerb.width)))
    return np.vstack([np.column_stack(sn_to_xy(track.reference, at, n)) for at, n in rows])


def best_view(outline: Array, width: float, height: float) -> View:
    """North up, or the turn that shows the track clearly larger in a box of these proportions."""
    centre = 0.5 * (outline.min(axis=0) + outline.max(axis=0))
    scales = []
    for turn in TURNS:
        x, y = View(float(turn), (float(centre[0]), float(centre[1])))(outline[:, 0], outline[:, 1])
        scales.append(min(width / float(np.ptp(x)), height / float(np.ptp(y))))
    best = int(np.argmax(scales))
    turn = float(TURNS[best]) if scales[best] > WORTH_TURNING * scales[0] else 0.0
    return View(turn, (float(centre[0]), float(centre[1])))


def draw_line(axes: Axes, lap: Lap, kart: Kart, view: View) -> None:
    """The computed line, thick where it brakes."""
    x, y = view(lap.line.x, lap.line.y)
    axes.plot(x, y, color=BLACK, linewidth=0.9, zorder=3.2)
    braking = (pedal_codes(lap, kart) == Pedal.BRAKE).astype(np.int8)
    for on, first, last in runs(braking):
        if on and last > first:
            part = slice(first, last + 1)
            axes.plot(x[part], y[part], color=BLACK, linewidth=2.6, zorder=3.3, solid_capstyle="butt")


def _draw_start(axes: Axes, track: Track, view: View, per_inch: float) -> Array:
    """The driving direction as an arrow beside the start line, and its name; returns points that they cover (K, 2)."""
    at = curve_at(track.reference, track.start_station)
    psi = float(at.psi) + view.angle
    left = float(along_closed(track, track.w_left, np.array([track.start_station]))[0])
    edge = np.array(view(at.x - left * np.sin(at.psi), at.y + left * np.cos(at.psi)))
    along, across = np.array([np.cos(psi), np.sin(psi)]), np.array([-np.sin(psi), np.cos(psi)])
    tail = edge + 0.17 * per_inch * across
    tip = tail + 0.33 * per_inch * along
    arrow(axes, tail, tip, BLACK)
    name = tail + per_inch * (0.16 * along + 0.13 * across)
    turn = float(np.degrees(psi) + 90.0) % 180.0 - 90.0  # never upside down
    axes.text(float(name[0]), float(name[1]), "start", size=7, ha="center", va="center", rotation=turn, zorder=5)
    beside = np.linspace(-0.1, 0.4, 8)[:, None] * along
    return np.vstack([edge + per_inch * (beside + height * across) for height in (0.1, 0.2, 0.3)])


def shows_caution(corner: SheetCorner) -> bool:
    """Whether a cautious brake or lift point lies at a place of its own."""
    return corner.caution is not None and (corner.earlier is None or corner.earlier >= SAME_PLACE)


def _draw_bar(
    axes: Axes,
    mark: SheetMark | CautiousMark,
    view: View,
    half: float,
    widths: Sequence[float],
    colour: str = BLACK,
    under: float = 0.0,
) -> None:
    """Bars across the line at a mark, a white one on a black one where there are two; ``half`` their length [m]."""
    x, y = (float(value) for value in view(np.array(mark.place[0]), np.array(mark.place[1])))
    angle = mark.heading + view.angle
    dx, dy = -half * np.sin(angle), half * np.cos(angle)
    for width, ink in zip(widths, (colour, WHITE)):
        ends = [x - dx, x + dx], [y - dy, y + dy]
        axes.plot(*ends, color=ink, linewidth=width, zorder=4.0 - 2.0 * under, solid_capstyle="butt")


def draw_later(axes: Axes, lap: Lap, corners: Sequence[SheetCorner], view: View, per_inch: float) -> None:
    """The computed lap's line and marks, in grey under those to begin with."""
    x, y = view(lap.line.x, lap.line.y)
    axes.plot(x, y, color=LATER, linewidth=0.9, linestyle=DASHES, zorder=3.0)
    for corner in corners:
        draw_marks(axes, corner, view, per_inch, colour=LATER)


def draw_marks(axes: Axes, corner: SheetCorner, view: View, per_inch: float, *, colour: str = BLACK) -> Array:
    """A corner's marks on the line; returns their places (K, 2) [m].

    In another colour than black they lie under those of other corners, and a cautious mark is left out.
    """
    places = []
    under = 0.0 if colour == BLACK else 0.6
    if corner.caution is not None and shows_caution(corner) and not under:
        _draw_bar(axes, corner.caution, view, BAR * per_inch, CAUTIOUS)
    for mark in (corner.brake, corner.track_out, corner.turn_in, corner.other_apex, corner.apex):
        if mark is None:
            continue
        x, y = (float(value) for value in view(np.array(mark.place[0]), np.array(mark.place[1])))
        places.append((x, y))
        angle = mark.heading + view.angle
        if mark.name in BARS:
            _draw_bar(axes, mark, view, BAR * per_inch, (BARS[mark.name],), colour, under)
            continue
        shape, size, fill = LOOKS[mark.name]
        marker = (3, 0, float(np.degrees(angle)) - 90.0) if shape == "^" else shape
        axes.plot(
            x,
            y,
            marker=marker,
            markersize=size,
            markerfacecolor=colour if fill == BLACK else fill,
            markeredgecolor=colour,
            markeredgewidth=0.9,
            zorder=(5.0 if mark.name in APEXES else 4.5) - 2.0 * under,
        )
    return np.array(places)


def _label_size(name: Sequence[str]) -> tuple[float, float]:
    """Width and height of a label with the lines of a corner's name [inches]."""
    wide = max((NAME_LETTER * len(line) for line in name), default=0.0)
    return max(LABEL[0], wide), LABEL[1] + NAME_LINE * len(name)


def _draw_labels(
    axes: Axes,
    track: Track,
    corners: Sequence[SheetCorner],
    view: View,
    box: tuple[float, float, float, float],
    avoid: Array,
    units: Units,
) -> None:
    """Each corner's number in a circle over its minimum speed and its name, joined to its apex by a thin leader."""
    if not corners:
        return
    low = np.array([axes.get_xlim()[0], axes.get_ylim()[0]])
    per_inch = (axes.get_xlim()[1] - low[0]) / box[2]
    apexes = np.array([view(*(np.array(value) for value in corner.apex.place)) for corner in corners])
    headings = np.array([corner.apex.heading for corner in corners]) + view.angle
    side = np.where([corner.marks.corner.left for corner in corners], -1.0, 1.0)
    outward = side[:, None] * np.column_stack([-np.sin(headings), np.cos(headings)])
    strip = np.array([[x, y] for x in np.arange(0.0, 1.8, 0.1) for y in (0.05, 0.15, 0.25)])  # scale and north
    points = np.vstack([(avoid - low) / per_inch, strip])
    bounds = np.array([[0.0, 0.0], [box[2], box[3]]])
    names = [textwrap.wrap(corner.marks.corner.name, NAME_LETTERS) for corner in corners]
    sizes = np.array([_label_size(lines) for lines in names])
    spots = label_spots((apexes - low) / per_inch, outward, sizes, points, bounds) * per_inch + low
    for corner, spot, apex, lines, size in zip(corners, spots, apexes, names, sizes):
        top = spot[1] + 0.5 * size[1] * per_inch
        number = (spot[0], top - 0.09 * per_inch)
        if lines:
            axes.text(
                spot[0],
                top - 0.315 * per_inch,
                "\n".join(lines),
                size=NAME_SIZE,
                ha="center",
                va="top",
                linespacing=1.1,
                zorder=5.9,
                bbox={"boxstyle": "square,pad=0.06", "facecolor": WHITE, "edgecolor": "none"},
            )
        axes.plot([number[0], apex[0]], [number[1], apex[1]], color=GREY, linewidth=0.45, zorder=2.6)
        axes.text(
            number[0],
            number[1],
            str(corner.number),
            size=7.5,
            weight="bold",
            ha="center",
            va="center",
            zorder=6,
            bbox={"boxstyle": "circle,pad=0.18", "facecolor": WHITE, "edgecolor": BLACK, "linewidth": 0.8},
        )
        axes.text(
            spot[0],
            top - 0.255 * per_inch,
            f"{corner.min_speed / units.speed:.0f}",
            size=6.5,
            ha="center",
            va="center",
            zorder=6,
            bbox={"boxstyle": "square,pad=0.06", "facecolor": WHITE, "edgecolor": "none"},
        )
