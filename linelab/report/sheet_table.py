"""The sheet's table: a block a corner with its marks side by side and one line of remarks under them."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from linelab.report.display import Units
from linelab.report.sheet_facts import SheetCorner, SheetMark
from linelab.report.sheet_map import BLACK, GREY
from linelab.report.sheet_words import (
    brake_words,
    lowest_words,
    mark_words,
    pace_text,
    slowing_words,
    summary_words,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Left ends of the columns and the right end of the table [inches].
COLUMNS = (0.5, 1.06, 2.47, 3.9, 5.32, 6.73)
RIGHT = 7.77
#: Letters that fit on a line of a cell, of the last column, and of the remarks.
CELL, LAST, REMARKS = 29, 20, 134
#: Size of the text [points], its lines and the air between blocks [inches].
SIZE, LINE, AIR = 6.3, 0.11, 0.1
#: Scales of the type: the largest is taken with which all corners fit a page; the smallest can still be read on a walk.
SCALES = (1.2, 1.1, 1.0, 0.93, 0.86, 0.8)


def table_head(page: Figure, top: float, units: Units, pace: float, length: str) -> float:
    """The columns' titles, ``length`` how long the line is in words; returns where the first block may start
    [inches]."""
    wide, high = page.get_size_inches()
    note = (
        f"Distances in {units.length_unit}, in brackets in paces of {pace_text(pace, units)}, along the line as driven "
        f"({length}); speeds in {units.speed_unit} at the mark."
    )
    page.text(COLUMNS[0] / wide, top / high, note, size=SIZE + 0.6, color=GREY, va="top")
    y = top - 0.2
    for x, title in zip(COLUMNS, ("corner", "brake or lift", "turn in", "apex", "track out", "slowest")):
        page.text(x / wide, y / high, title, size=SIZE + 1.2, weight="bold", color=BLACK, va="top")
    return y - 0.17


def table_scale(corners: Sequence[SheetCorner], units: Units, pace: float, room: float) -> float:
    """The largest scale of the type with which all corners fit into a height [inches]; 1 where none does."""

    def fits(scale: float) -> bool:
        return sum(_Block(corner, units, pace, scale).height for corner in corners) <= room

    return next((scale for scale in SCALES if fits(scale)), 1.0)


def draw_corners(
    page: Figure, corners: Sequence[SheetCorner], units: Units, pace: float, *, top: float, bottom: float, scale: float
) -> int:
    """Blocks from ``top`` down to ``bottom`` [inches]; returns how many corners found room, at least one."""
    y = top
    for count, corner in enumerate(corners):
        block = _Block(corner, units, pace, scale)
        if count and y - block.height < bottom:
            return count
        _rule(page, y)
        block.draw(page, y - 0.5 * block.air)
        y -= block.height
    _rule(page, y)
    return len(corners)


class _Block:
    """A corner's cells and remarks, wrapped for a scale of the type."""

    def __init__(self, corner: SheetCorner, units: Units, pace: float, scale: float) -> None:
        self.corner, self.scale = corner, scale
        self.line, self.air = LINE * scale**1.3, AIR * scale**2  # small type is set closer
        self.cells = _cells(corner, units, pace, scale)
        self.remarks = textwrap.wrap(summary_words(corner, units), int(REMARKS / scale))

    @property
    def height(self) -> float:
        """[inches]"""
        return float(self.line * (max(len(cell) for cell in self.cells) + len(self.remarks)) + self.air)

    def draw(self, page: Figure, top: float) -> None:
        """Write the block down from a height [inches]."""
        wide, high = page.get_size_inches()
        size, line, scale = self.scale * SIZE, self.line, self.scale
        hand = "left" if self.corner.marks.corner.left else "right"
        place = (COLUMNS[0] / wide, top / high)
        page.text(*place, str(self.corner.number), size=13 * scale, weight="bold", color=BLACK, va="top")
        under = textwrap.wrap(f"{hand} {self.corner.marks.corner.name}".strip(), int(11 / scale))[:2]
        place = (COLUMNS[0] / wide, (top - 0.2 * scale) / high)
        page.text(*place, "\n".join(under), size=size, color=BLACK, va="top")
        for x, lines in zip(COLUMNS[1:], self.cells):
            page.text(x / wide, top / high, lines[0], size=size + 1.5 * scale, weight="bold", color=BLACK, va="top")
            for k, text in enumerate(lines[1:], start=1):
                y = top - 0.02 * scale - line * k
                page.text(x / wide, y / high, text, size=size, color=BLACK, va="top")
        y = top - 0.02 * scale - line * max(len(cell) for cell in self.cells)
        for k, text in enumerate(self.remarks):
            place = (COLUMNS[1] / wide, (y - line * k) / high)
            page.text(*place, text, size=size, color=GREY, va="top", style="italic")


def _cells(corner: SheetCorner, units: Units, pace: float, scale: float) -> list[list[str]]:
    """Lines of each column but the first; the first line of each is its speed."""

    def wrapped(lines: Sequence[str], letters: int = CELL) -> list[str]:
        return [part for line in lines for part in textwrap.wrap(line, int(letters / scale), break_on_hyphens=False)]

    def cell(mark: SheetMark) -> list[str]:
        return [_speed(mark.speed, units), *wrapped(mark_words(mark, units, pace))]

    return [
        [_slowing(corner, units), *wrapped(brake_words(corner, units, pace))],
        cell(corner.turn_in),
        cell(corner.apex),
        cell(corner.track_out),
        [_speed(corner.min_speed, units), *wrapped(lowest_words(corner, units, pace), LAST)],
    ]


def _slowing(corner: SheetCorner, units: Units) -> str:
    """Speed at the brake or lift mark, and which of them it is."""
    return f"{_speed(corner.brake.speed, units)}  {slowing_words(corner)}".strip() if corner.brake else "-"


def _speed(value: float, units: Units) -> str:
    return f"{value / units.speed:.0f}"


def _rule(page: Figure, y: float) -> None:
    from matplotlib.lines import Line2D

    wide, high = page.get_size_inches()
    page.add_artist(Line2D([COLUMNS[0] / wide, RIGHT / wide], [y / high, y / high], color=GREY, linewidth=0.5))
