"""The sheet's table: a block a corner with its marks side by side, in the order driven, and room to write in."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from linelab.output.display import Units
from linelab.output.sheet.begin_marks import (
    BeginCorner,
    Row,
    begin_summary,
    first_of,
    later_words,
    power_words,
    room_words,
)
from linelab.output.sheet.corner_facts import SheetMark
from linelab.output.sheet.sheet_map import BLACK, GREY, LATER
from linelab.output.sheet.sheet_words import (
    brake_words,
    caution_words,
    flat_out,
    mark_words,
    pace_text,
    slowing_words,
    summary_words,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Left ends of the columns and the right end of the table [inches].
COLUMNS = (0.5, 1.06, 2.45, 3.84, 5.23, 6.62)
RIGHT = 7.77
#: Letters that fit on a line of a cell, and of the remarks, which leave the last column free to write in.
CELL, REMARKS = 29, 113
#: Size of the text [points], its lines and the air between blocks [inches].
SIZE, LINE, AIR = 6.3, 0.11, 0.1
#: Scales of the type: the largest is taken with which all corners fit a page; the smallest can still be read on a walk.
SCALES = (1.2, 1.1, 1.0, 0.93, 0.86, 0.8)


def table_head(page: Figure, top: float, units: Units, pace: float, length: str, notes: Sequence[str]) -> float:
    """The columns' titles, ``length`` how long the line is in words and ``notes`` what the marks are; returns where the
    first block may start [inches]."""
    wide, high = page.get_size_inches()
    note = (
        f"Distances in {units.length_unit} (in brackets: paces of {pace_text(pace, units)}), along the driven line "
        f"({length}). Bold: speed in {units.speed_unit} at each mark."
    )
    for k, line in enumerate((note, *notes)):
        page.text(COLUMNS[0] / wide, (top - 0.13 * k) / high, line, size=SIZE + 0.6, color=GREY, va="top")
    y = top - 0.07 - 0.13 * (1 + len(notes))
    titles = {0: "corner", 1: "marks, in the order driven", 5: "your own marks"}
    for column, title in titles.items():
        x = COLUMNS[column]
        page.text(x / wide, y / high, title, size=SIZE + 1.2, weight="bold", color=BLACK, va="top")
    return y - 0.17


def table_scale(corners: Sequence[Row], units: Units, pace: float, room: float) -> float:
    """The largest scale of the type with which all corners fit on as few pages as can be, ``room`` high [inches]."""

    def pages(scale: float) -> int:
        count, left = 1, room
        for corner in corners:
            height = _Block(corner, units, pace, scale).height
            if height > left:
                count, left = count + 1, room
            left -= height
        return count

    needed = [pages(scale) for scale in SCALES]
    return SCALES[needed.index(min(needed))]


def draw_corners(
    page: Figure, corners: Sequence[Row], units: Units, pace: float, *, top: float, bottom: float, scale: float
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


class _Cell(NamedTuple):
    """A mark in the table: its speed and its name, where it is, and in grey where it is later."""

    title: str
    lines: list[str]
    later: list[str]

    @property
    def size(self) -> int:
        """Lines in all."""
        return 1 + len(self.lines) + len(self.later)


class _Block:
    """A corner's cells and remarks, wrapped for a scale of the type."""

    def __init__(self, row: Row, units: Units, pace: float, scale: float) -> None:
        corner = first_of(row)
        self.corner, self.scale = corner, scale
        self.line, self.air = LINE * scale**1.3, AIR * scale**2  # small type is set closer
        self.cells = _cells(row, units, pace, scale)
        hand = "left" if corner.marks.corner.left else "right"
        self.under = textwrap.wrap(f"{hand} {corner.marks.corner.name}".strip(), int(11 / scale))
        said = begin_summary(row, units, pace) if isinstance(row, BeginCorner) else summary_words(row, units, pace)
        self.remarks = textwrap.wrap(said, int(REMARKS / scale))
        self.said = BLACK if isinstance(row, BeginCorner) else GREY  # black is what to begin with

    @property
    def height(self) -> float:
        """[inches]"""
        beside = self.line * (max(cell.size for cell in self.cells) + len(self.remarks))
        return float(max(beside, 0.2 * self.scale + 1.15 * self.line * len(self.under)) + self.air)

    def draw(self, page: Figure, top: float) -> None:
        """Write the block down from a height [inches]."""
        wide, high = page.get_size_inches()
        size, line, scale = self.scale * SIZE, self.line, self.scale
        place = (COLUMNS[0] / wide, top / high)
        page.text(*place, str(self.corner.number), size=13 * scale, weight="bold", color=BLACK, va="top")
        place = (COLUMNS[0] / wide, (top - 0.2 * scale) / high)
        page.text(*place, "\n".join(self.under), size=size, color=BLACK, va="top")
        for x, cell in zip(COLUMNS[1:], self.cells):
            page.text(x / wide, top / high, cell.title, size=size + 1.5 * scale, weight="bold", color=BLACK, va="top")
            looks = [*((text, BLACK) for text in cell.lines), *((text, LATER) for text in cell.later)]
            for k, (text, colour) in enumerate(looks, start=1):
                y = top - 0.02 * scale - line * k
                page.text(x / wide, y / high, text, size=size, color=colour, va="top")
        y = top - 0.02 * scale - line * max(cell.size for cell in self.cells)
        for k, text in enumerate(self.remarks):
            place = (COLUMNS[1] / wide, (y - line * k) / high)
            page.text(*place, text, size=size, color=self.said, va="top", style="italic")
        bottom = top - self.height + self.air
        for share in (0.5, 1.0):
            _writing_line(page, top + share * (bottom - top))


def _cells(row: Row, units: Units, pace: float, scale: float) -> list[_Cell]:
    """Each column of marks, in the order driven."""
    begin = row if isinstance(row, BeginCorner) else None
    corner = first_of(row)

    def wrapped(lines: Sequence[str]) -> list[str]:
        return [part for line in lines for part in textwrap.wrap(line, int(CELL / scale), break_on_hyphens=False)]

    def words(mark: SheetMark) -> list[str]:
        return [*mark_words(mark, units, pace), *(room_words(corner, mark, units) if begin else [])]

    def later(mark: SheetMark | None) -> list[str]:
        return wrapped([later_words(begin, mark, units, pace)]) if begin else []

    def apexes() -> _Cell:
        both = [mark for mark in corner.driven if mark.name in ("first apex", "second apex")]
        lines = []
        for mark in both:
            first, *rest = words(mark)
            first = first.replace("after first apex", "farther on")
            lines += [f"{mark.name.removesuffix(' apex')}: {first}", *rest]
        lines += power_words(begin, units, pace) if begin else []
        title = f"{', '.join(_speed(mark.speed, units) for mark in both)}  apexes"
        return _Cell(title, wrapped(lines), later(corner.apex))

    names = {"turn in": "turn-in", "apex": "apex", "track out": "track-out"}
    caution = wrapped(caution_words(corner, units, pace))
    cells = []
    if corner.brake is None:
        title = "flat out" if flat_out(corner) else "no mark"
        cells.append(_Cell(title, [*wrapped(brake_words(corner, units, pace)), *caution], later(None)))
    for mark in corner.driven:
        if mark.name == "first apex":
            cells.append(apexes())
        elif mark.name != "second apex":
            name = slowing_words(corner) if mark is corner.brake else names[mark.name]
            more = caution if mark is corner.brake else []
            if begin and mark is corner.apex:
                more = wrapped(power_words(begin, units, pace))
            cells.append(_Cell(f"{_speed(mark.speed, units)}  {name}", [*wrapped(words(mark)), *more], later(mark)))
    return cells


def _speed(value: float, units: Units) -> str:
    return f"{value / units.speed:.0f}"


def _writing_line(page: Figure, y: float) -> None:
    """A dotted line to write on, in the last column."""
    from matplotlib.lines import Line2D

    wide, high = page.get_size_inches()
    ends = [COLUMNS[5] / wide, RIGHT / wide]
    page.add_artist(Line2D(ends, [y / high, y / high], color=GREY, linewidth=0.6, linestyle=(0, (1, 2))))


def _rule(page: Figure, y: float) -> None:
    from matplotlib.lines import Line2D

    wide, high = page.get_size_inches()
    page.add_artist(Line2D([COLUMNS[0] / wide, RIGHT / wide], [y / high, y / high], color=GREY, linewidth=0.5))
