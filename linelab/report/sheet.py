"""The track sheet: one or two A4 pages for a driver who has never been there, to print and carry on the track walk."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from linelab.errors import InputError
from linelab.io.atomic import replacing
from linelab.kart import Kart
from linelab.report.display import CAUTIONS, METRIC, Units, lap_time_words
from linelab.report.figures_lines import survey_note
from linelab.report.sheet_facts import MISS, MarkName, SheetCorner, sheet_corners
from linelab.report.sheet_map import BARS, BLACK, GREY, LOOKS, draw_map
from linelab.report.sheet_table import draw_corners, table_head, table_scale
from linelab.report.sheet_words import PACE, time_words, walk_words
from linelab.report.style import A4, WHITE, new_figure, plain, save_book
from linelab.solve.mintime import Solution
from linelab.study.apex_cost import apex_costs
from linelab.study.apex_solved import apex_costs_solved
from linelab.track import Track

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: The margin kept free for printers [inches].
MARGIN = 0.5
#: The map's box on the first page: left, bottom, width, height [inches]; always the same, whatever the track.
MAP_BOX = (MARGIN, 4.0, A4[0] - 2.0 * MARGIN, 6.47)
#: Resolution of the bitmaps [dots per inch].
DPI = 160
#: Size of a track's name [points], and the letters of it that fit on a line in that size.
NAME_SIZE, NAME_LETTERS = 15.0, 58


@dataclass(frozen=True, kw_only=True, slots=True)
class _Subject:
    """What a sheet is about."""

    track: Track
    kart: Kart
    solution: Solution
    use_kerbs: bool

    @property
    def without_kerbs(self) -> bool:
        """Whether the track has kerbs that the lap keeps off."""
        return bool(self.track.kerbs) and not self.use_kerbs


def marks_caution(grip: float, *, without_kerbs: bool = False) -> str:
    """What is said beside the marks of a lap at a factor on the kart file's grip [-]."""
    share = "the full grip of the kart file" if grip == 1.0 else f"{grip:.0%} of the kart file's grip"
    kerbs = ", off the kerbs" if without_kerbs else ""
    return (
        f"The marks belong to a computed perfect lap at {share}{kerbs}. Begin braking far earlier, leave a margin to "
        "every edge, and move towards the marks lap by lap, never past what you see and feel."
    )


def sheet_pages(
    track: Track,
    kart: Kart,
    solution: Solution,
    units: Units = METRIC,
    *,
    pace: float = PACE,
    use_kerbs: bool = True,
    quick: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> list[Figure]:
    """Draw the sheet: a page with the map and what to know, and a page with every corner.

    The type of the second page is as large as the number of corners allows; from about two dozen corners on, with which
    it could no longer be read, there are more pages.

    Parameters
    ----------
    track : Track
    kart : Kart
    solution : Solution
        The reference lap of this kart on this track.
    units : Units
    pace : float
        Length of a walker's pace, 0.4 to 1.5 [m].
    use_kerbs : bool
        As in the solution.
    quick : bool
        Bound the cost of a missed apex, instead of computing it by solving the lap again for each corner, which takes
        some tenths of a second a corner.
    progress : callable
        Called with a short text at each step.

    Returns
    -------
    list of matplotlib Figure

    Raises
    ------
    InputError
        A pace out of range.
    """
    if not 0.4 <= pace <= 1.5:
        raise InputError(f"a pace of {pace:g} m is outside 0.4 to 1.5 m", where="pace", remedy="0.75 m is usual")
    progress("what a missed apex costs")
    if quick:
        costs = apex_costs(track, kart, solution, misses=(MISS,), use_kerbs=use_kerbs)
    else:
        costs = apex_costs_solved(track, kart, solution, misses=(MISS,), use_kerbs=use_kerbs, progress=progress)
    subject = _Subject(track=track, kart=kart, solution=solution, use_kerbs=use_kerbs)
    # A kerb that is kept off may be covered or coned: no mark is told by one.
    ground = replace(track, kerbs=()) if subject.without_kerbs else track
    corners = sheet_corners(ground, solution.lap, kart, costs)
    progress("drawing the sheet")
    pages = [_first_page(subject, corners, units, pace)]
    rest: Sequence[SheetCorner] = corners
    scale = 1.0
    while rest:
        page = _page(subject, "corner by corner")
        length = units.length_text(solution.lap.line.length)
        whole = f"{length} a lap" if track.closed else f"{length} from end to end"
        top = table_head(page, A4[1] - 0.95, units, pace, whole)
        bottom = _foot(page, survey_note(track) if track.survey.kind == "estimated" else "") + 0.1
        if rest is corners:
            scale = table_scale(corners, units, pace, top - bottom)
        drawn = draw_corners(page, rest, units, pace, top=top, bottom=bottom, scale=scale)
        rest = rest[drawn:]
        pages.append(page)
    return pages


def save_sheet(folder: str | Path, pages: Sequence[Figure], *, name: str = "track_sheet") -> list[str]:
    """Write the pages as one PDF and a PNG each into a folder; returns the names.

    Text in the PDF stays text (TrueType), so that it can be searched and prints sharp.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    target = Path(folder)
    names = [f"{name}.pdf", *(f"{name}_{k}.png" for k in range(1, len(pages) + 1))]
    save_book(pages, target / names[0], "Track sheet")
    for page, picture in zip(pages, names[1:]):
        with replacing(target / picture) as temporary:
            plain(page).savefig(temporary, dpi=DPI, format="png", facecolor=WHITE, pil_kwargs={"compress_level": 3})
    return names


def _page(subject: _Subject, what: str) -> Figure:
    """An empty page with its heading."""
    name, solution = subject.track.name, subject.solution
    page = new_figure(*A4)
    page.set_facecolor(WHITE)
    top = A4[1]
    size = NAME_SIZE * min(1.0, NAME_LETTERS / len(name))
    page.text(MARGIN / A4[0], 1.0 - 0.45 / top, name, size=size, weight="bold", color=BLACK, va="top")
    grip = "" if solution.grip == 1.0 else f", grip {solution.grip:.0%} of the kart file's"
    kerbs = ", no kerb used" if subject.without_kerbs else ""
    time = lap_time_words(solution.lap_time)
    line = f"Track sheet, {what}. {subject.kart.name}, computed lap {time}{grip}{kerbs}."
    page.text(MARGIN / A4[0], 1.0 - 0.72 / top, line, size=8.5, color=GREY, va="top")
    return page


def _first_page(subject: _Subject, corners: Sequence[SheetCorner], units: Units, pace: float) -> Figure:
    track, solution = subject.track, subject.solution
    page = _page(subject, "map")
    if track.survey.kind == "estimated":
        text = "Corridor estimated from laps: the real edges and kerbs are not known. Do not aim at an edge by it."
        _framed(page, text, A4[1] - 1.03)
    draw_map(page, MAP_BOX, track, solution.lap, subject.kart, corners, units)
    _key(page, units, lifts=any(corner.brake is not None and corner.brake.name == "lift" for corner in corners))
    left, right = MARGIN, 0.5 * A4[0] + 0.12
    top = MAP_BOX[1] - 0.36
    _paragraphs(page, left, top, "Where the time is", time_words(track, corners, units))
    _paragraphs(page, right, top, "To check on the track walk", walk_words(track, corners, pace, units))
    caution = marks_caution(solution.grip, without_kerbs=subject.without_kerbs)
    _framed(page, textwrap.fill(caution, 112), _foot(page, survey_note(track)) + 0.26)
    return page


def _framed(page: Figure, text: str, height: float) -> None:
    """A warning in a frame across the page, its middle at a height [inches]."""
    frame = {"boxstyle": "square,pad=0.35", "facecolor": WHITE, "edgecolor": BLACK, "linewidth": 1.2}
    place = (0.5, height / A4[1])
    page.text(*place, text, size=8.0, weight="bold", color=BLACK, ha="center", va="center", bbox=frame)


def _key(page: Figure, units: Units, *, lifts: bool) -> None:
    """What the signs on the map mean, on one line under it."""
    from matplotlib.lines import Line2D

    def sign(marker: str, size: float, fill: str, label: str) -> Line2D:
        return Line2D(
            [],
            [],
            linestyle="",
            marker=marker,
            markersize=size,
            markerfacecolor=fill,
            markeredgecolor=BLACK,
            label=label,
        )

    def bar(name: MarkName, label: str) -> Line2D:
        return Line2D(
            [], [], linestyle="", marker="|", markersize=9, markeredgewidth=BARS[name], color=BLACK, label=label
        )

    handles = [
        bar("brake", "brake mark"),
        Line2D([], [], color=BLACK, linewidth=2.6, label="braking"),
        *([bar("lift", "lift mark")] if lifts else []),
        *(
            sign(*LOOKS[name], label)
            for name, label in (("turn in", "turn-in"), ("apex", "apex"), ("track out", "track-out"))
        ),
    ]
    page.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=((MARGIN - 0.05) / A4[0], (MAP_BOX[1] - 0.03) / A4[1]),
        ncols=len(handles),
        frameon=False,
        fontsize=7.5,
        handlelength=1.3,
        columnspacing=1.1,
        borderpad=0.0,
        title=None,
    )
    text = f"circled: corner, below: minimum speed [{units.speed_unit}]"
    page.text(1.0 - MARGIN / A4[0], (MAP_BOX[1] - 0.115) / A4[1], text, size=7.5, color=BLACK, ha="right", va="center")


def _paragraphs(page: Figure, left: float, top: float, title: str, paragraphs: Sequence[str]) -> None:
    """A column of short paragraphs, half a page wide, from a height down [inches]."""
    page.text(left / A4[0], top / A4[1], title, size=9.5, weight="bold", color=BLACK, va="top")
    y = top - 0.22
    for paragraph in paragraphs:
        lines = textwrap.wrap(paragraph, 66)
        page.text(left / A4[0], y / A4[1], "-", size=7.4, color=BLACK, va="top")
        page.text((left + 0.1) / A4[0], y / A4[1], "\n".join(lines), size=7.4, color=BLACK, va="top", linespacing=1.25)
        y -= 0.128 * len(lines) + 0.035


def _foot(page: Figure, notes: str) -> float:
    """Where the edges come from, and the cautions; returns where they end at the top [inches]."""
    lines = [*textwrap.wrap(notes, 144), *textwrap.wrap(CAUTIONS, 144)]
    page.text(MARGIN / A4[0], 0.32 / A4[1], "\n".join(lines), size=6.6, color=GREY, va="bottom", linespacing=1.25)
    return 0.32 + 0.115 * len(lines)
