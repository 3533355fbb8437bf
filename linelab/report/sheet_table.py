"""The sheet's table: a block a corner with its marks side by side and one line of remarks under them."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from linelab.report.display import Units
from linelab.report.sheet_facts import SheetCorner, SheetMark
from linelab.report.sheet_words import brake_words, lowest_words, mark_words, summary_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BLACK, GREY = "#000000", "#4d4d4d"
#: Left ends of the columns and the right end of the table [inches].
COLUMNS = (0.5, 1.08, 2.45, 3.9, 5.28, 6.66)
RIGHT = 7.77
#: Letters that fit on a line of a cell, and of the remarks.
CELL, REMARKS = 29, 134
#: Size of the text [points] and its lines [inches].
SIZE, LINE = 6.3, 0.11


def table_head(page: Figure, top: float, units: Units, pace: float) -> float:
    """The columns' titles; returns where the first block may start [inches]."""
    wide, high = page.get_size_inches()
    note = (
        f"Distances in {units.length_unit}, in brackets in paces of {units.length_text(pace, 2)}, along the line; "
        f"speeds in {units.speed_unit} at the mark."
    )
    page.text(COLUMNS[0] / wide, top / high, note, size=SIZE + 0.6, color=GREY, va="top")
    y = top - 0.2
    for x, title in zip(COLUMNS, ("corner", "brake", "turn in", "apex", "track out", "slowest")):
        page.text(x / wide, y / high, title, size=SIZE + 1.2, weight="bold", color=BLACK, va="top")
    return y - 0.17


def draw_corners(
    page: Figure, corners: Sequence[SheetCorner], units: Units, pace: float, *, top: float, bottom: float
) -> int:
    """Blocks from ``top`` down to ``bottom`` [inches]; returns how many corners found room, at least one."""
    y = top
    for count, corner in enumerate(corners):
        cells = _cells(corner, units, pace)
        remarks = textwrap.wrap(summary_words(corner, units), REMARKS)
        height = LINE * (max(len(cell) for cell in cells) + len(remarks)) + 0.1
        if count and y - height < bottom:
            return count
        _rule(page, y)
        _block(page, corner, cells, remarks, y - 0.05)
        y -= height
    _rule(page, y)
    return len(corners)


def _cells(corner: SheetCorner, units: Units, pace: float) -> list[list[str]]:
    """Lines of each column but the first; the first line of each is its speed."""

    def cell(mark: SheetMark) -> list[str]:
        return [_speed(mark.speed, units), *_wrapped(mark_words(mark, units, pace))]

    brake = brake_words(corner, units, pace)
    return [
        [_speed(corner.brake.speed, units) if corner.brake else "-", *_wrapped(brake)],
        cell(corner.turn_in),
        cell(corner.apex),
        cell(corner.track_out),
        [_speed(corner.min_speed, units), *_wrapped(lowest_words(corner, units, pace), 22)],
    ]


def _speed(value: float, units: Units) -> str:
    return f"{value / units.speed:.0f}"


def _wrapped(lines: Sequence[str], width: int = CELL) -> list[str]:
    return [part for line in lines for part in textwrap.wrap(line, width)]


def _block(page: Figure, corner: SheetCorner, cells: list[list[str]], remarks: list[str], top: float) -> None:
    wide, high = page.get_size_inches()
    hand = "left" if corner.marks.corner.left else "right"
    page.text(COLUMNS[0] / wide, top / high, str(corner.number), size=13, weight="bold", color=BLACK, va="top")
    under = textwrap.wrap(f"{hand} {corner.marks.corner.name}".strip(), 11)[:2]
    page.text(COLUMNS[0] / wide, (top - 0.2) / high, "\n".join(under), size=SIZE, color=BLACK, va="top")
    for x, lines in zip(COLUMNS[1:], cells):
        page.text(x / wide, top / high, lines[0], size=SIZE + 1.5, weight="bold", color=BLACK, va="top")
        for k, line in enumerate(lines[1:], start=1):
            page.text(x / wide, (top - 0.02 - LINE * k) / high, line, size=SIZE, color=BLACK, va="top")
    y = top - 0.02 - LINE * max(len(cell) for cell in cells)
    for k, line in enumerate(remarks):
        page.text(COLUMNS[1] / wide, (y - LINE * k) / high, line, size=SIZE, color=GREY, va="top", style="italic")


def _rule(page: Figure, y: float) -> None:
    from matplotlib.lines import Line2D

    wide, high = page.get_size_inches()
    page.add_artist(Line2D([COLUMNS[0] / wide, RIGHT / wide], [y / high, y / high], color=GREY, linewidth=0.5))
