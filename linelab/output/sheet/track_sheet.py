"""The track sheet: A4 pages for a driver who has never been there, to print and carry on the track walk.

The first page has the map and what to know, then a table has a block a corner with its marks side by side, and the last
pages have close-ups.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linelab.errors import InputError, check_kinds
from linelab.files.writing import replacing, results_folder
from linelab.model.conditions import Conditions
from linelab.model.facts import circuit_direction
from linelab.model.grip_field import kerbs_allowed
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.output.display import CAUTIONS, METRIC, Units, UnitsName, lap_time_words, units_named
from linelab.output.draw.ground_map import TIMING, groove_sign, survey_note
from linelab.output.draw.style import A4, WHITE, new_figure, plain, save_book
from linelab.output.sheet.begin_marks import (
    Row,
    begin_corners,
    begin_note,
    begin_paragraphs,
    check_begin,
    first_of,
)
from linelab.output.sheet.caution_marks import CAUTION
from linelab.output.sheet.corner_facts import MISS, MarkName, SheetCorner, sheet_corners
from linelab.output.sheet.corner_maps import close_up_pages, draw_close_ups
from linelab.output.sheet.sheet_map import (
    BARS,
    BLACK,
    CAUTIOUS,
    DASHES,
    GREY,
    LATER,
    LOOKS,
    best_view,
    draw_map,
    outline_points,
    shows_caution,
)
from linelab.output.sheet.sheet_table import SIZE, draw_corners, table_head, table_scale
from linelab.output.sheet.sheet_words import PACE, caution_note, day_caution, gear_note, time_words, walk_words
from linelab.output.track_facts import day_title
from linelab.study.habit_costs import habit_costs
from linelab.study.scattering.margins import MarginLap

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

#: The margin kept free for printers [inches].
MARGIN = 0.5
#: The map's box on the first page: left, bottom, width, height [inches]; the same whatever the track, but for warnings.
MAP_BOX = (MARGIN, 4.0, A4[0] - 2.0 * MARGIN, 6.0)
#: What the map gives up for each line of a warning beyond the first [inches].
WARNING_LINE = 0.13
#: And what it gives up for what is said of the marks to begin with [inches].
BEGIN_ROOM = 1.0
#: Letters on a line of a paragraph in one of two columns, and across both.
ONE_COLUMN, BOTH_COLUMNS = 66, 138
#: Facts about the place in a row over the map, and how high over it the upper row is [inches].
FACTS, FACTS_OVER = 3, 0.38
#: Most signs of the map on one line.
KEY = 8
#: Width of a sign in a key [letters]: of a mark, and of a dashed line with one on it.
SHORT_SIGN, LONG_SIGN = 1.3, 4.0
#: Resolution of the bitmaps [dots per inch].
DPI = 160
#: Size of a track's name and of the line under it [points], and the letters that fit on a line in that size.
NAME_SIZE, NAME_LETTERS = 15.0, 58
LINE_SIZE, LINE_LETTERS = 8.5, 108


@dataclass(frozen=True, kw_only=True, slots=True)
class _Subject:
    """What a sheet is about."""

    track: Track
    kart: Kart
    solution: Solution
    use_kerbs: bool
    begin: MarginLap | None

    @property
    def driven(self) -> Lap:
        """The lap whose marks are used first."""
        return self.solution.lap if self.begin is None else self.begin.lap

    @property
    def without_kerbs(self) -> bool:
        """Whether the track has kerbs that the lap keeps off."""
        return bool(self.track.kerbs) and not (self.use_kerbs and kerbs_allowed(self.track))


def marks_caution(
    grip: float, *, without_kerbs: bool = False, day: Conditions | None = None, begin: bool = False
) -> str:
    """What is said beside the marks of a lap at a factor on the kart file's grip [-], or in a day's conditions; with
    ``begin`` beside those to begin with."""
    share = "the full grip of the kart file" if grip == 1.0 else f"{grip:.0%} of the kart file's grip"
    if day is not None:
        share = f"assumed grip ({day_title(day)})"
    kerbs = ", off the kerbs" if without_kerbs else ""
    if begin:
        return (
            f"The marks to begin with are computed too, at {share}{kerbs}. At first brake far earlier and stay "
            "farther from the edges; come up to them lap by lap, never past what you see and feel."
        )
    return (
        f"The marks belong to a computed perfect lap at {share}{kerbs}. Begin by braking far earlier, leave a margin "
        "to every edge, and move towards the marks lap by lap, never past what you see and feel."
    )


def sheet_pages(
    track: Track,
    kart: Kart,
    solution: Solution,
    units: Units = METRIC,
    *,
    pace: float = PACE,
    use_kerbs: bool = True,
    begin: MarginLap | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> list[Figure]:
    """Draw the sheet: a page with the map and what to know, a page with every corner, and close-ups of all corners.

    The type of the second page is as large as the number of corners allows; from about two dozen corners on, with which
    it could no longer be read, the table goes on to another page.

    Parameters
    ----------
    track : Track
    kart : Kart
    solution : Solution
        The computed lap of this kart on this track.
    units : Units
    pace : float
        Length of a walker's pace, 0.4 to 1.5 [m].
    use_kerbs : bool
        As in the solution.
    begin : MarginLap, optional
        The line for a driver who scatters: its marks are shown as those to begin with, the computed lap's beside them
        for later.
    progress : callable
        Called with a short text at each step.

    Returns
    -------
    list of matplotlib Figure

    Raises
    ------
    InputError
        A pace out of range; marks to begin with of another lap, or on a track estimated from laps.
    """
    if not 0.4 <= pace <= 1.5:
        raise InputError(f"a pace of {pace:g} m is outside 0.4 to 1.5 m", where="pace", remedy="0.75 m is usual")
    if begin is not None:
        check_begin(track, solution, begin)
    progress("what a missed apex costs")
    costs = habit_costs(
        track, kart, solution, habit="apex_missed", sizes=(MISS,), use_kerbs=use_kerbs, progress=progress
    )
    subject = _Subject(track=track, kart=kart, solution=solution, use_kerbs=use_kerbs, begin=begin)
    # A kerb that is kept off may be covered or coned: no mark is placed by one.
    ground = replace(track, kerbs=()) if subject.without_kerbs else track
    corners = sheet_corners(ground, solution.lap, kart, costs)
    rows: Sequence[Row] = corners if begin is None else begin_corners(ground, kart, begin, corners)
    progress("drawing the sheet")
    pages = [_first_page(subject, rows, corners, units, pace)]
    notes = [*([begin_note(begin)] if begin else []), caution_note(solution.grip)]
    rest = rows
    scale = 1.0
    while rest:
        page = _page(subject, "corner by corner")
        length = units.length_text(subject.driven.line.length)
        whole = f"{length} a lap" if track.closed else f"{length} from end to end"
        top = table_head(page, A4[1] - 0.95, units, pace, whole, notes)
        bottom = _foot(page, survey_note(track) if track.survey.estimated else "") + 0.1
        if rest is rows:
            scale = table_scale(rows, units, pace, top - bottom)
        drawn = draw_corners(page, rest, units, pace, top=top, bottom=bottom, scale=scale)
        rest = rest[drawn:]
        pages.append(page)
    turn = best_view(outline_points(track), *_map_box(subject)[2:]).angle
    laps = [subject.driven, *([solution.lap] if begin else [])]
    for part in close_up_pages(rows):
        page = _page(subject, "close-ups")
        note = "They lie as on the map, with its signs; turn-in points the way you drive. Thin lines: the kart's sides."
        page.text(MARGIN / A4[0], (A4[1] - 0.95) / A4[1], note, size=SIZE + 0.6, color=GREY, va="top")
        top = A4[1] - 1.15
        if begin is not None:
            _legend(page, _lines_key(), A4[1] - 1.06, 1, LONG_SIGN)
            top -= 0.2
        bottom = _foot(page, survey_note(track)) + 0.1
        draw_close_ups(page, part, track, laps, kart, units, pace, turn=turn, top=top, bottom=bottom)
        pages.append(page)
    return pages


def track_sheet(
    track: Track,
    kart: Kart,
    folder: str | PathLike[str],
    *,
    solution: Solution | None = None,
    grip: float = 1.0,
    use_kerbs: bool = True,
    units: Units | UnitsName = "metric",
    pace: float = PACE,
    begin: MarginLap | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write a track on A4 pages, to print and carry on the track walk: one PDF, and a PNG a page.

    Parameters
    ----------
    track : Track
    kart : Kart
    folder : path
        Files of an earlier run there are replaced; others are not touched.
    solution : Solution, optional
        The computed lap, where it is solved already with the same ``use_kerbs``.
    grip : float
        Factor on the kart's grip to solve for [-].
    use_kerbs : bool
        Whether the kart may use the kerbs.
    units : str
        "metric" or "imperial".
    pace : float
        Length of a walker's pace, 0.4 to 1.5 [m].
    begin : MarginLap, optional
        What :func:`linelab.margin_lap` has found for the driver with the same solution: the sheet then shows the marks
        of that line as those to begin with, and the computed lap's beside them for later.
    progress : callable
        Called with a short text at each step.

    Returns
    -------
    list of str
        Names of the files.

    Raises
    ------
    InputError
        A pace out of range, other units, or a folder that cannot be written; marks to begin with of another lap, or on
        a track estimated from laps.
    TrackError, KartError, SolveError
        As :func:`linelab.solve_min_time`.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> linelab.track_sheet(track, kart, "walk")
    ['track_sheet.pdf', 'track_sheet_1.png', 'track_sheet_2.png', 'track_sheet_3.png']
    """
    check_kinds(
        "track_sheet", track=(track, Track), kart=(kart, Kart), folder=(folder, (str, PathLike)),
        begin=(begin, (MarginLap, type(None))),
    )  # fmt: skip
    found = solution or solve_min_time(track, kart, grip=grip, use_kerbs=use_kerbs, progress=progress)
    shown = units_named(units)
    pages = sheet_pages(
        track, kart, found, shown, pace=pace, use_kerbs=use_kerbs, begin=begin, progress=progress
    )  # fmt: skip
    with results_folder(folder) as stage:
        return save_sheet(stage, pages)


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
    day = subject.track.conditions
    grip = f", {day_title(day)}" if day is not None else ""
    grip += "" if solution.grip == 1.0 else f", grip {solution.grip:.0%} of the kart file's"
    kerbs = ", no kerb used" if subject.without_kerbs else ""
    begin = subject.begin
    first = "" if begin is None else f"to begin with {lap_time_words(solution.lap_time + begin.time_lost)}, "
    time = lap_time_words(solution.lap_time)
    line = f"Track sheet, {what}. {subject.kart.name}, {first}computed lap {time}{grip}{kerbs}."
    size = LINE_SIZE * min(1.0, LINE_LETTERS / len(line))
    page.text(MARGIN / A4[0], 1.0 - 0.72 / top, line, size=size, color=GREY, va="top")
    return page


def _first_page(
    subject: _Subject, rows: Sequence[Row], computed: Sequence[SheetCorner], units: Units, pace: float
) -> Figure:
    track, solution, begin = subject.track, subject.solution, subject.begin
    corners = [first_of(row) for row in rows]
    page = _page(subject, "map")
    lines = _warnings(track)
    if lines:
        _framed(page, "\n".join(lines), A4[1] - 0.97 - 0.06 * len(lines))
    box = _map_box(subject)
    _facts(page, known_facts(track), box[1] + box[3] + FACTS_OVER)
    draw_map(page, box, track, subject.driven, subject.kart, corners, units)
    lifts = any(corner.brake is not None and corner.brake.name == "lift" for corner in corners)
    cautious = any(shows_caution(corner) for corner in corners)
    lines_of_key = _key(
        page,
        box[1],
        units,
        begin=begin is not None,
        lifts=lifts,
        cautious=cautious,
        timing=len(track.timing_stations),
        groove=track.groove is not None,
        named_corners=any(c.name for c in track.corners),
    )
    left, right = MARGIN, 0.5 * A4[0] + 0.12
    top = box[1] - 0.36 - 0.16 * (lines_of_key - 1)
    if begin is not None:
        top = _paragraphs(page, left, top, "Which marks first", begin_paragraphs(begin, units), BOTH_COLUMNS) - 0.07
    _paragraphs(page, right, top, "To check on the track walk", walk_words(track, corners, pace, units))
    where = [*time_words(track, computed, units), *gear_note(corners, units)]
    _paragraphs(page, left, top, f"Where the time is{' on the computed lap' if begin else ''}", where)
    caution = marks_caution(
        solution.grip, without_kerbs=subject.without_kerbs, day=track.conditions, begin=begin is not None
    )
    lines = textwrap.wrap(caution, 112)
    _framed(page, "\n".join(lines), _foot(page, survey_note(track)) + 0.12 + 0.07 * len(lines))
    return page


def _warnings(track: Track) -> list[str]:
    """What stands in a frame on top of the map, line by line."""
    warnings = day_caution(track)
    if track.survey.estimated:
        warnings.append(
            "Track estimated from laps: the real edges and kerbs are not known. Do not aim at an edge by this map."
        )
    return [line for text in warnings for line in textwrap.wrap(text, 112)]


def _map_box(subject: _Subject) -> tuple[float, float, float, float]:
    """Where the map lies on its page [inches]: lower where the warnings over it need more than a line, higher where
    something has to be said of the marks to begin with."""
    left, bottom, wide, high = MAP_BOX
    under = BEGIN_ROOM if subject.begin is not None else 0.0
    return left, bottom + under, wide, high - under - WARNING_LINE * max(len(_warnings(subject.track)) - 1, 0)


def known_facts(track: Track) -> list[tuple[str, str]]:
    """What a driver notes about a place, and what the track file says about it: nothing for what it misses."""
    direction = circuit_direction(track)
    return [
        ("Direction", "one way, start to finish" if direction == "open" else direction),
        ("Surface", ""),
        ("Altitude", ""),
        ("Club", ""),
        ("Emergency number", ""),
        ("Date, weather", ""),
    ]


def _facts(page: Figure, facts: Sequence[tuple[str, str]], top: float) -> None:
    """Facts in two rows from a height down [inches], with a line to fill in where one is missing."""
    from matplotlib.lines import Line2D

    wide, high = page.get_size_inches()
    across = (wide - 2.0 * MARGIN + 0.15) / FACTS
    for k, (name, known) in enumerate(facts):
        left, y = MARGIN + across * (k % FACTS), top - 0.25 * (k // FACTS)
        page.text(left / wide, y / high, f"{name}: {known}".strip(), size=7.5, color=BLACK, va="baseline")
        if not known:
            ends = [(left + 0.12 + 0.066 * len(name)) / wide, (left + across - 0.15) / wide]
            dots = (0, (1, 2))
            page.add_artist(Line2D(ends, [(y - 0.02) / high] * 2, color=GREY, linewidth=0.7, linestyle=dots))


def _framed(page: Figure, text: str, height: float) -> None:
    """A warning in a frame across the page, its middle at a height [inches]."""
    frame = {"boxstyle": "square,pad=0.35", "facecolor": WHITE, "edgecolor": BLACK, "linewidth": 1.2}
    place = (0.5, height / A4[1])
    page.text(*place, text, size=8.0, weight="bold", color=BLACK, ha="center", va="center", bbox=frame)


def _key(
    page: Figure,
    top: float,
    units: Units,
    *,
    begin: bool,
    lifts: bool,
    cautious: bool,
    timing: int,
    groove: bool,
    named_corners: bool,
) -> int:
    """What the signs on the map mean, under it: on one line, or two where there are many; how many lines.

    ``top`` is where the map ends [inches].
    """
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

    named: tuple[tuple[MarkName, str], ...]
    named = (("turn in", "turn-in"), ("apex", "apex"), ("track out", "track-out"))
    handles = [
        bar("brake", "brake point"),
        Line2D([], [], color=BLACK, linewidth=2.6, label="braking"),
        *([bar("lift", "lift point")] if lifts else []),
        *([_cautious_bar()] if cautious else []),
        *(sign(*LOOKS[name], label) for name, label in named),
        *([groove_sign()] if groove else []),
        *(
            [Line2D([], [], color=BLACK, linewidth=0.8, linestyle=TIMING, label=_timing_words(timing))]
            if timing
            else []
        ),
    ]
    lines = 1 if len(handles) <= KEY else 2
    _legend(page, handles, top - 0.03, lines, SHORT_SIGN)
    text = f"in a circle: corner; below it: minimum speed [{units.speed_unit}]{' and name' if named_corners else ''}"
    text = f"marks to begin with; {text}" if begin else text
    height = top + 0.06  # a line over the signs, which may need all of theirs
    page.text(1.0 - MARGIN / A4[0], height / A4[1], text, size=7.5, color=BLACK, ha="right", va="center")
    return lines


def _legend(page: Figure, handles: Sequence[Line2D], top: float, lines: int, sign: float) -> None:
    """Signs, ``sign`` letters wide, and what they mean beside each other, from a height down [inches]."""
    page.legend(
        handles=handles,
        loc="upper left",
        bbox_to_anchor=((MARGIN - 0.05) / A4[0], top / A4[1]),
        ncols=-(-len(handles) // lines),
        frameon=False,
        fontsize=7.5,
        handlelength=sign,
        columnspacing=1.1,
        borderpad=0.0,
        title=None,
    )


def _lines_key() -> list[Line2D]:
    """Which line and marks of a close-up come first."""
    from matplotlib.lines import Line2D

    shape, size, fill = LOOKS["track out"]

    def sign(colour: str, width: float, style: Any, label: str) -> Line2D:
        return Line2D(
            [], [], color=colour, linewidth=width, linestyle=style, marker=shape, markersize=size,
            markerfacecolor=fill, label=label,
        )  # fmt: skip

    return [
        sign(BLACK, 1.4, "-", "begin with this line and its marks"),
        sign(LATER, 0.9, DASHES, "later: the computed lap's"),
    ]


def _timing_words(count: int) -> str:
    """What the dashed lines across the road are."""
    return "timing line" if count == 1 else f"timing lines 1 to {count}, as driven"


def _cautious_bar() -> Line2D:
    """The sign of a cautious brake or lift point."""
    from matplotlib.lines import Line2D
    from matplotlib.patheffects import Normal, Stroke

    wide, inner = CAUTIOUS
    return Line2D(
        [], [], linestyle="", marker="|", markersize=9, markeredgewidth=inner, color=WHITE, label=f"{CAUTION:.0%} grip",
        path_effects=[Stroke(linewidth=wide, foreground=BLACK), Normal()],
    )  # fmt: skip


def _paragraphs(
    page: Figure, left: float, top: float, title: str, paragraphs: Sequence[str], wide: int = ONE_COLUMN
) -> float:
    """A column of short paragraphs, ``wide`` letters, from a height down; returns where it ends [inches]."""
    page.text(left / A4[0], top / A4[1], title, size=9.5, weight="bold", color=BLACK, va="top")
    y = top - 0.22
    for paragraph in paragraphs:
        lines = textwrap.wrap(paragraph, wide)
        page.text(left / A4[0], y / A4[1], "-", size=7.4, color=BLACK, va="top")
        page.text((left + 0.1) / A4[0], y / A4[1], "\n".join(lines), size=7.4, color=BLACK, va="top", linespacing=1.25)
        y -= 0.128 * len(lines) + 0.035
    return y


def _foot(page: Figure, notes: str) -> float:
    """Where the edges come from, and the cautions; returns where they end at the top [inches]."""
    lines = [*textwrap.wrap(notes, 144), *textwrap.wrap(CAUTIONS, 144)]
    page.text(MARGIN / A4[0], 0.32 / A4[1], "\n".join(lines), size=6.6, color=GREY, va="bottom", linespacing=1.25)
    return 0.32 + 0.115 * len(lines)
