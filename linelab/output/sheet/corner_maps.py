"""The sheet's close-ups: a small map a corner with the computed line, the kart's sides, edges, kerbs and marks.

They lie as the track does on the sheet's map.  Lengths on the page are in inches.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from linelab.geometry.frenet import sn_to_xy
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.output.display import Units
from linelab.output.draw.ground_map import draw_ground, draw_scale, fit_limits
from linelab.output.draw.style import WHITE
from linelab.output.outlines import View, along_closed
from linelab.output.sheet.begin_marks import BeginCorner, Row, first_of
from linelab.output.sheet.corner_facts import SheetCorner
from linelab.output.sheet.sheet_map import BLACK, GREY, draw_later, draw_line, draw_marks
from linelab.output.sheet.sheet_words import gap_words, gear_words, kerb_words
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Close-ups beside each other and above each other on a page.
ACROSS, DOWN = 3, 4
#: Left and right end of the page's room, and the air between close-ups [inches].
LEFT, RIGHT, AIR = 0.5, 7.77, 0.14
#: The highest close-up, its title and a line of its words [inches].
HIGHEST, TITLE, LINE = 3.3, 0.19, 0.11
#: Sizes of the title and the words [points], and the letters that fit on a line of either.
TITLE_SIZE, SIZE, TITLE_LETTERS, LETTERS = 8.5, 6.3, 31, 53
#: Road shown before a corner's first mark and after its last [m].
BEFORE, AFTER = 8.0, 8.0

#: Places of a close-up's scale and half the room it takes, as shares of the close-up.
SCALE_PLACES = ((0.02, 0.02), (0.78, 0.02), (0.02, 0.87), (0.78, 0.87))
SCALE_ROOM = np.array([0.1, 0.06])


def close_up_pages(corners: Sequence[Row]) -> list[Sequence[Row]]:
    """The corners of each page, as even as can be."""
    if not corners:
        return []
    pages = math.ceil(len(corners) / (ACROSS * DOWN))
    size = math.ceil(len(corners) / pages)
    return [corners[k : k + size] for k in range(0, len(corners), size)]


def draw_close_ups(
    page: Figure,
    corners: Sequence[Row],
    track: Track,
    laps: Sequence[Lap],
    kart: Kart,
    units: Units,
    pace: float,
    *,
    turn: float,
    top: float,
    bottom: float,
) -> None:
    """Draw close-ups of at most ACROSS * DOWN corners between two heights of a page [inches].

    ``turn`` is that of the sheet's map [rad]; ``laps`` are the one to begin with, and the computed lap where that is
    for later.
    """
    rows = math.ceil(len(corners) / ACROSS)
    high = min((top - bottom) / rows, HIGHEST)
    wide = (RIGHT - LEFT + AIR) / ACROSS
    for k, corner in enumerate(corners):
        left, upper = LEFT + wide * (k % ACROSS), top - high * (k // ACROSS)
        _draw(page, corner, track, laps, kart, units, pace, turn, (left, upper - high + AIR, wide - AIR, high - AIR))


def _draw(
    page: Figure,
    row: Row,
    track: Track,
    laps: Sequence[Lap],
    kart: Kart,
    units: Units,
    pace: float,
    turn: float,
    box: tuple[float, float, float, float],
) -> None:
    """One close-up in a box (left, bottom, width, height) of the page [inches]."""
    wide, high = (float(size) for size in page.get_size_inches())
    left, bottom, width, height = box
    corner, lap = first_of(row), laps[0]
    hand = "left" if corner.marks.corner.left else "right"
    title = textwrap.wrap(f"{corner.marks.corner.label}, {hand}", TITLE_LETTERS)
    words = [line for text in close_up_words(corner, track, units, pace) for line in textwrap.wrap(text, LETTERS)]
    upper = bottom + height
    text_place = (left / wide, upper / high)
    page.text(*text_place, "\n".join(title), size=TITLE_SIZE, weight="bold", color=BLACK, va="top", linespacing=1.1)
    lower = bottom + LINE * len(words) + 0.05
    upper -= TITLE * len(title)
    page.text(left / wide, (lower - 0.04) / high, "\n".join(words), size=SIZE, color=BLACK, va="top", linespacing=1.25)
    axes = page.add_axes((left / wide, lower / high, width / wide, (upper - lower) / high))
    shown = [corner, *([row.later] if isinstance(row, BeginCorner) else [])]
    start = min(each.driven[0].along for each in shown)
    stop = max(each.track_out.along for each in shown)
    if corner.caution is not None:
        start = min(start, corner.caution.along)
    outline = _outline(track, start - BEFORE, stop + AFTER)
    centre = outline.mean(axis=0)
    view = View(turn, (float(centre[0]), float(centre[1])))
    draw_ground(axes, track, view, edge_width=0.9)
    axes.set_facecolor(WHITE)
    turned = np.column_stack(view(outline[:, 0], outline[:, 1]))
    fit_limits(axes, turned.min(axis=0) - 2.0, turned.max(axis=0) + 2.0)
    _draw_sides(page, lap, kart, view)
    draw_line(axes, lap, kart, view)
    per_inch = (axes.get_xlim()[1] - axes.get_xlim()[0]) / width
    for later in laps[1:]:
        draw_later(axes, later, shown[1:], view, per_inch)
    draw_marks(axes, corner, view, per_inch)
    draw_scale(axes, units, place=_free_corner(axes, track, view))
    for side in axes.spines.values():
        side.set(visible=True, color=GREY, linewidth=0.5)
    axes.set_axis_on()
    axes.set_xticks([])
    axes.set_yticks([])


def close_up_words(corner: SheetCorner, track: Track, units: Units, pace: float) -> list[str]:
    """What stands under a close-up: how near the edges the kart is, which part of the kerbs it uses, the gears."""
    geared = gear_words(corner, units, pace)
    if track.survey.estimated:
        return ["edges assumed: no distance to them is known", *geared]
    return [gap_words(corner, units), *([kerb_words(corner)] if track.kerbs else []), *geared]


def _outline(track: Track, start: float, stop: float) -> Array:
    """Points along both edges between two stations, unwrapped (K, 2) [m]."""
    if not track.closed:
        start, stop = max(start, 0.0), min(stop, track.length)
    s = np.linspace(start, stop, max(int(stop - start), 8))
    local = np.mod(s, track.length) if track.closed else s
    sides = (along_closed(track, track.w_left, local), -along_closed(track, track.w_right, local))
    return np.vstack([np.column_stack(sn_to_xy(track.reference, local, n)) for n in sides])


def _free_corner(axes: Axes, track: Track, view: View) -> tuple[float, float]:
    """Which corner of a close-up has least road, for its scale, as shares of the axes."""
    s = np.arange(0.0, track.length, 1.0)
    left, right = along_closed(track, track.w_left, s), along_closed(track, track.w_right, s)
    rows = [view(*sn_to_xy(track.reference, s, left - share * (left + right))) for share in np.linspace(-0.15, 1.15, 8)]
    x, y = (np.concatenate([row[k] for row in rows]) for k in (0, 1))
    low, high = np.array([axes.get_xlim(), axes.get_ylim()]).T
    shares = (np.column_stack([x, y]) - low) / (high - low)
    covered = [int((np.abs(shares - place - SCALE_ROOM) < SCALE_ROOM).all(axis=1).sum()) for place in SCALE_PLACES]
    return SCALE_PLACES[int(np.argmin(covered))]


def _draw_sides(page: Figure, lap: Lap, kart: Kart, view: View) -> None:
    """Where the kart's sides run, thin."""
    line = lap.line
    for half in (0.5 * kart.width, -0.5 * kart.width):
        x, y = view(line.x - half * np.sin(line.psi), line.y + half * np.cos(line.psi))
        page.axes[-1].plot(x, y, color=GREY, linewidth=0.4, zorder=3.1)
