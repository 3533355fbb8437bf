"""The review for print: A4 pages with the verdict, the map, the costliest corners and the table of all corners.

Places on a page are in inches, upwards.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from linelab.coaching.coach_words import corners_text
from linelab.coaching.results import LapReview, Priority, Review, Strength
from linelab.measured import PLUS_MINUS, plus_minus
from linelab.output.display import (
    CAUTIONS,
    METRIC,
    Units,
    evidence_text,
    in_units,
    lap_time_text,
    measured_text,
    typeset,
)
from linelab.output.draw.ground_map import (
    draw_corner_numbers,
    draw_direction,
    draw_ground,
    draw_reference,
    draw_scale,
    fit_limits,
    frame_track,
    survey_note,
)
from linelab.output.draw.kart_diagrams import draw_gg
from linelab.output.draw.style import A4, FAINT, GAIN, INK, LOSS, SOFT, WHITE, new_figure
from linelab.output.outlines import NORTH_UP, View, corner_view
from linelab.output.page.closeups import (
    BADGE,
    LETTERS,
    Rings,
    Spots,
    driven_stations,
    mark_spots,
    ring_text,
    target_stations,
)
from linelab.output.page.content import CLEAR, Beside, beside_texts
from linelab.output.page.corner_rows import CornerPart, corner_parts, costliest, figures_table
from linelab.output.page.foot_work import FootWork, foot_work
from linelab.output.page.svg_map import classed_pieces, full_rate
from linelab.output.review_text import nothing_found, work_heading
from linelab.output.setups.setups_picture import draw_differences, draw_laps
from linelab.output.setups.setups_words import (
    BY_ITSELF,
    DIFFERENCES,
    DIFFERENCES_SAY,
    OF_REVIEW,
    OUTINGS,
    corner_words,
    difference_rows,
    outing_rows,
    rests_on,
)
from linelab.study.setups.setup_verdict import SetupDifference
from linelab.units import STANDARD_GRAVITY, Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: The margin kept free for printers [inches].
MARGIN = 0.55


def blank_page(review: Review, units: Units, source: str, what: str) -> Figure:
    """An empty page with heading and cautions."""
    page = new_figure(*A4)
    page.set_facecolor(WHITE)
    write(page, MARGIN, A4[1] - 0.5, f"{review.track.name}: {what}", size=13, weight="bold", family="serif")
    line = " · ".join(part for part in (review.kart.name, source, f"against {review.target.title}") if part)
    write(page, MARGIN, A4[1] - 0.76, line, size=8, color=SOFT)
    write(page, MARGIN, 0.32, "\n".join(_foot(review, units)), size=6.6, color=SOFT, va="bottom")
    return page


def _foot(review: Review, units: Units) -> list[str]:
    return [*textwrap.wrap(survey_note(review.track, units), 140), *textwrap.wrap(CAUTIONS, 140)]


def above_foot(review: Review, units: Units) -> float:
    """Where a page's own matter ends at the latest [inches]."""
    return 0.4 + 0.118 * len(_foot(review, units))


def write(page: Figure, x: float, y: float, text: str, *, size: float = 8.0, color: str = INK, **more: Any) -> None:
    """Text whose upper left is at a place on the page [inches]; in rows ``va="baseline"`` keeps cells level."""
    more = {"va": "top", **more}
    page.text(x / A4[0], y / A4[1], text, size=size, color=color, linespacing=1.3, **more)


def paragraph(
    page: Figure, x: float, y: float, text: str, letters: int, *, size: float = 8.0, color: str = INK
) -> float:
    """Wrapped text; returns where it ends [inches]."""
    lines = textwrap.wrap(text, letters) or [""]
    write(page, x, y, "\n".join(lines), size=size, color=color)
    return y - size * 1.3 / 72.0 * len(lines)


def rule(page: Figure, x: list[float], y: list[float], *, color: str = FAINT, linewidth: float = 0.6) -> None:
    """A straight line from place to place [inches]."""
    from matplotlib.lines import Line2D

    at = ([value / A4[0] for value in x], [value / A4[1] for value in y])
    page.add_artist(Line2D(*at, color=color, linewidth=linewidth))


def page_axes(page: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Axes in a box [inches]."""
    x, y, wide, high = box
    return page.add_axes((x / A4[0], y / A4[1], wide / A4[0], high / A4[1]))


#: Colour and width of each class of the driven line, as on the page.
LOOKS = ((GAIN, 1.2), ("#8f897c", 1.6), ("#cf7a42", 2.6), (LOSS, 4.0))
#: Close-ups to a page.
BY_PAGE = 3
#: Heading of the page of two setups.
SETUPS = "this setup and the other one"


def review_pages(
    review: Review,
    units: Units = METRIC,
    *,
    source: str = "",
    corners: int = BY_PAGE,
    beside: Beside | None = None,
) -> list[Figure]:
    """Draw the review of the best lap for print.

    Parameters
    ----------
    review : Review
    units : Units
    source : str
        Name of the recording.
    corners : int
        How many of the costliest corners get a close-up.
    beside : Beside, optional
        Another session on the same track.

    Returns
    -------
    list of matplotlib Figure
    """
    parts = corner_parts(review, units)
    pages = [_verdict_page(review, units, source), _map_page(review, units, source, parts)]
    worst = costliest(review.laps[review.opening])[:corners]
    for first in range(0, len(worst), BY_PAGE):
        pages.append(_corner_page(review, units, source, parts, worst[first : first + BY_PAGE]))
    work = foot_work(review)
    other = beside if beside and beside.difference else None
    if other is not None or not work.no_gg:
        pages.append(_last_page(review, units, source, work, other))
    if beside is not None and beside.setups is not None:
        pages += _setups_pages(review, units, source, beside.setups)
    return pages


#: Marker, size, colour and name of the points with each pedal: told apart without colour.
_PEDALS = (("+", 22.0, LOSS, "neither pedal"), ("o", 9.0, SOFT, "power"), ("s", 9.0, INK, "brake"))
#: Spacing of the points [m].
_POINTS = 3.0


def _last_page(review: Review, units: Units, source: str, work: FootWork, beside: Beside | None) -> Figure:
    """The accelerations of the lap over what the kart can do, and another session beside this one."""
    lap, top = review.laps[review.opening], A4[1] - 1.15
    what = [] if work.no_gg else [f"accelerations of {lap.label}"]
    what += [] if beside is None else [f"beside {beside.source}"]
    page = blank_page(review, units, source, ", ".join(what))
    if not work.no_gg:
        wide = A4[0] - 2.0 * MARGIN
        axes = page_axes(page, (MARGIN + 0.45, top - 3.3, wide - 0.6, 2.85))
        _draw_accelerations(axes, review, units, work)
        said = "Lines: what the kart file allows on the flat at these speeds. " if not work.no_limits else ""
        said += f"What the kart can do is not drawn: {work.no_limits}. " if work.no_limits else ""
        k = review.opening
        along, across = (float(np.median(s[k])) / STANDARD_GRAVITY for s in (work.ax_sigma, work.ay_sigma))
        said += f"A typical point is known to {plus_minus(along, 2)} g along and {plus_minus(across, 2)} g across."
        top = paragraph(page, MARGIN, top - 3.95, in_units(said, units), 122, size=8.5, color=SOFT) - 0.35
    if beside is not None:
        _write_beside(page, top, review, units, beside)
    return page


def _draw_accelerations(axes: Axes, review: Review, units: Units, work: FootWork) -> None:
    """The g-g diagram with the points of the lap shown."""
    k, step = review.opening, max(round(_POINTS / float(work.s[1] - work.s[0])), 1)
    draw_gg(axes, review.kart, units, work.factor, limits=not work.no_limits)
    axes.set_facecolor(WHITE)
    foot = np.argmax([1.0 - work.power[k] - work.brake[k], work.power[k], work.brake[k]], axis=0)[::step]
    side, along = work.ay[k, ::step] / STANDARD_GRAVITY, work.ax[k, ::step] / STANDARD_GRAVITY
    for code, (marker, size, colour, name) in enumerate(_PEDALS):
        with_it = foot == code
        axes.scatter(
            side[with_it], along[with_it], s=size, marker=marker, color=colour, label=name, zorder=3,
            linewidths=0.9 if marker == "+" else 0.0,
        )  # fmt: skip
    axes.legend(
        loc="lower center",
        bbox_to_anchor=(0.5, 1.0),
        ncols=6,
        frameon=False,
        fontsize=8,
        labelcolor=INK,
        handlelength=2,
    )


def _write_beside(page: Figure, y: float, review: Review, units: Units, beside: Beside) -> None:
    """Another session beside this one, as the page has it."""
    if beside.difference is None:
        return
    said = beside_texts(beside.source, beside.difference, units)
    for heading, lines in ((f"Since {beside.source}", said["since"]), (f"Beside {beside.source}", said["shown"])):
        if heading.startswith("Since") and not lines:
            continue
        write(page, MARGIN, y, heading, size=12, weight="bold", family="serif")
        y -= 0.28
        if heading.startswith("Beside"):
            spread = f"{said['words']}. The standard deviation of the lap times is {said['spread'][0]} s there and "
            y = paragraph(page, MARGIN, y, f"{spread}{said['spread'][1]} s here.", 122, size=8.5) - 0.04
        for line in lines:
            y = paragraph(page, MARGIN, y, f"- {line}", 122, size=8.5) - 0.03
        y -= 0.15
    y = (
        paragraph(
            page,
            MARGIN,
            y,
            f"This session minus {beside.source}; a minus sign means faster here. {CLEAR}",
            140,
            size=7.5,
            color=SOFT,
        )
        - 0.16
    )
    rows = [
        ("where", "differs [s]", "clear"),
        *((name, text, "yes" if clear else "no") for name, text, clear in said["rows"]),
    ]
    room = max(int((y - above_foot(review, units)) / 0.15), 4)
    for k, cells in enumerate(rows[1:]):  # in columns where there are many
        x, low = MARGIN + 2.5 * (k // (room - 1)), y - 0.15 * (1 + k % (room - 1))
        weight = "bold" if cells[2] == "yes" else "normal"
        if k % (room - 1) == 0:
            _beside_row(page, x, y, rows[0], "bold")
        _beside_row(page, x, low, cells, weight)


def _beside_row(page: Figure, x: float, y: float, cells: Sequence[str], weight: str) -> None:
    """One row of the differences."""
    for place, cell, ha in zip((0.0, 1.65, 1.8), cells, ("left", "right", "left")):
        write(page, x + place, y, cell, size=7.0, weight=weight, va="baseline", ha=ha)


def _setups_pages(review: Review, units: Units, source: str, found: SetupDifference) -> list[Figure]:
    """This setup and the other one, as the page has it; what the verdict rests on comes overleaf where it must."""
    pages, wide = [blank_page(review, units, source, SETUPS)], A4[0] - 2.0 * MARGIN
    page, low = pages[0], above_foot(review, units)
    y = paragraph(page, MARGIN, A4[1] - 1.15, found.words, 92, size=11) - 0.06
    for text in (found.condition, corner_words(found), OF_REVIEW):
        y = paragraph(page, MARGIN, y, text, 115, size=8.5) - 0.04 if text else y
    draw_laps(page_axes(page, (MARGIN + 0.45, y - 2.05, wide - 0.5, 1.7)), found)
    y -= 2.55
    if found.corners:
        draw_differences(page_axes(page, (MARGIN + 0.45, y - 1.6, wide - 0.5, 1.35)), found)
        y -= 2.1
    y = paragraph(page, MARGIN, y, f"{DIFFERENCES_SAY} {BY_ITSELF}", 140, size=7.5, color=SOFT) - 0.14
    differences = [(cells, "bold" if real else "normal") for cells, real in difference_rows(found)]
    y = _rows(page, y, (0.0, 1.85, 2.55, 2.75), "lrrl", DIFFERENCES, differences) - 0.12
    if y - 0.15 * (len(found.order) + 6) < low:
        pages.append(blank_page(review, units, source, SETUPS))
        page, y = pages[-1], A4[1] - 1.15
    outings = [(cells, "normal") for cells in outing_rows(found)]
    y = _rows(page, y, (0.0, 0.6, 1.1, 3.6, 4.3, 5.0), "lllrrr", OUTINGS, outings) + 0.02
    for line in rests_on(found):
        y = paragraph(page, MARGIN, y, line, 140, size=7.5, color=SOFT)
    return pages


def _rows(
    page: Figure,
    y: float,
    places: Sequence[float],
    sides: str,
    titles: Sequence[str],
    rows: Sequence[tuple[Sequence[str], str]],
) -> float:
    """A table with cells at places from the margin, "l" or "r" of them; returns where it ends [inches]."""
    for cells, weight in ((titles, "bold"), *rows):
        for place, side, cell in zip(places, sides, cells):
            write(page, MARGIN + place, y, typeset(cell) if side == "r" else cell, size=7.0, weight=weight,
                  va="baseline", ha="left" if side == "l" else "right")  # fmt: skip
        y -= 0.15
    return y


def _verdict_page(review: Review, units: Units, source: str) -> Figure:
    """The gap, the verdict, what to work on, what is good."""
    lap = review.laps[review.opening]
    page = blank_page(review, units, source, "the verdict")
    gap = measured_text(lap.gap, 1.0, 2, signed=True)
    write(page, MARGIN, A4[1] - 1.15, f"{typeset(gap)} s", size=34, color=LOSS, weight="bold", family="serif")
    time = lap_time_text(lap.lap_time.value or 0.0)
    target = review.target
    text = f"{_capital(lap.label)}: {time} s. "
    text += f"{_capital(target.title)}: {lap_time_text(target.lap_time)} s; {target.words}. {PLUS_MINUS}"
    y = paragraph(page, MARGIN, A4[1] - 1.85, text, 118, size=8.5, color=SOFT)
    y = paragraph(page, MARGIN, y - 0.08, in_units(review.verdict, units), 92, size=11)
    y -= 0.3
    write(page, MARGIN, y, work_heading(review), size=12, weight="bold", family="serif")
    # One thing alone takes two of the three columns: a longer line is hard to read.
    columns = max(len(review.priorities), 1.5)
    width = (A4[0] - 2.0 * MARGIN) / columns
    ends = [
        _priority(page, MARGIN + k * width, y - 0.32, item, 3.0 / columns, units)
        for k, item in enumerate(review.priorities)
    ]
    if not review.priorities:
        ends = [paragraph(page, MARGIN, y - 0.3, in_units(nothing_found(review), units), 122, size=8.5)]
    y = min(ends) - 0.1
    for line in review.without_card:
        y = paragraph(page, MARGIN, y, evidence_text(line, units), 130, size=7.5, color=SOFT) - 0.02
    y -= 0.15
    if review.strengths:
        write(page, MARGIN, y, "Keep doing this", size=12, weight="bold", family="serif")
        y -= 0.28
        for strength in review.strengths:
            y = paragraph(page, MARGIN, y, _strength(strength, units), 122, size=8.5) - 0.06
    if review.notes:
        write(page, MARGIN, y - 0.2, "Keep in mind", size=12, weight="bold", family="serif")
        y -= 0.48
        notes = list(dict.fromkeys(review.notes))
        for k, note in enumerate(notes):
            if y < above_foot(review, units) + 0.4 and k < len(notes) - 1:
                rest = f"- {len(notes) - k} {'more' if k else 'notes on accuracy'}, on the page"
                paragraph(page, MARGIN, y, rest, 140, size=7.5)
                break
            y = paragraph(page, MARGIN, y, f"- {in_units(note, units)}", 140, size=7.5) - 0.03
    return page


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _strength(item: Strength, units: Units) -> str:
    """Something done well, with what shows it."""
    return " ".join((f"{item.title}:", *(evidence_text(line, units) for line in item.evidence)))


def _priority(page: Figure, x: float, y: float, item: Priority, wide: float, units: Units) -> float:
    """One thing to work on, in a column ``wide`` thirds of the page wide; returns where it ends [inches]."""
    top = y
    title, plain, small = (round(letters * wide) for letters in (32, 36, 40))
    y = paragraph(page, x + 0.12, y, f"{item.rank}. {item.title}", title, size=9.5)
    stake = f"{typeset(measured_text(item.at_stake, 1.0, 2))} s a lap"
    stake += f" {corners_text(item.corners)}" if item.corners else ""
    y = paragraph(page, x + 0.12, y - 0.04, stake, plain, size=8.5, color=LOSS)
    shown = tuple(evidence_text(line, units) for line in item.evidence)
    blocks = [("What shows it", shown), ("Feel for", (item.feel,)), ("Try this", (item.exercise,))]
    for heading, texts in blocks:
        y = paragraph(page, x + 0.12, y - 0.08, heading, small, size=7.5, color=SOFT) + 0.02
        for text in texts:
            y = paragraph(page, x + 0.12, y - 0.03, text, plain)
    for line in item.close:
        y = paragraph(page, x + 0.12, y - 0.06, evidence_text(line, units), small, size=7.5, color=SOFT)
    rule(page, [x, x], [top, y], color=LOSS, linewidth=3.5 - item.rank)
    return y


def _map_page(review: Review, units: Units, source: str, parts: Sequence[CornerPart]) -> Figure:
    """The whole track with both lines, and the table of all corners."""
    lap = review.laps[review.opening]
    page = blank_page(review, units, source, f"where {lap.label} loses time")
    rows = len(lap.corners) + 2
    table = 0.165 * rows + 0.45
    bottom = above_foot(review, units) + table
    axes = page_axes(page, (MARGIN, bottom + 0.3, A4[0] - 2.0 * MARGIN, A4[1] - 1.25 - bottom))
    draw_ground(axes, review.track)
    axes.set_facecolor(WHITE)
    draw_reference(axes, review.target.lap)
    _draw_driven(axes, review, lap)
    draw_corner_numbers(axes, review.track)
    draw_direction(axes, review.track)
    frame_track(axes, review.track)
    draw_scale(axes, units, north=0.5 * np.pi if review.track.georeferenced else None)
    key = f"Wide and orange: {lap.label} loses time; teal: it gains; dashed: {review.target.title}. "
    write(page, MARGIN, bottom + 0.22, key, size=7.5, color=SOFT)
    _table(page, figures_table(review, parts, review.opening, units), bottom)
    return page


def _draw_driven(axes: Axes, review: Review, lap: LapReview, view: View = NORTH_UP) -> None:
    """The driven line, wider and more orange where it loses time; drawn class by class, which a printer takes faster
    than a colour a metre."""
    driven = lap.comparison.driven.lap
    x, y = view(driven.line.x, driven.line.y)
    for code, index in classed_pieces(review.target.lap, driven, full_rate(review)):
        colour, width = LOOKS[code]
        axes.plot(x[index], y[index], color=colour, linewidth=width, solid_capstyle="round", zorder=3.6)


def _table(page: Figure, table: Sequence[Sequence[str]], top: float) -> None:
    """All corners of the best lap, from ``top`` down [inches]; the mean of all laps stays on the page."""
    titles, *rows = [row[:-1] for row in table]
    right = A4[0] - MARGIN
    step = (right - MARGIN - 0.55) / (len(titles) - 1)
    ends = [right - step * (len(titles) - 2 - k) for k in range(len(titles) - 1)]

    def line(y: float, cells: Sequence[str], weight: str = "normal", va: str = "baseline") -> None:
        size = 6.3 if weight == "normal" else 6.0  # bold figures are wider
        write(page, MARGIN, y, cells[0], size=size, weight=weight, va=va)
        for x, cell in zip(ends, cells[1:]):
            write(page, x, y, cell, size=size, weight=weight, va=va, ha="right")

    line(top, [title.replace(" ", "\n") for title in titles], "bold", "top")
    y = top - 0.42
    for k, row in enumerate(rows):
        rule(page, [MARGIN, right], [y + 0.04, y + 0.04])
        line(y - 0.085, row, "bold" if k == len(rows) - 1 else "normal")
        y -= 0.165


def _corner_page(
    review: Review, units: Units, source: str, parts: Sequence[CornerPart], chosen: Sequence[int]
) -> Figure:
    """Close-ups one above the other, each with its words and marks."""
    lap = review.laps[review.opening]
    page = blank_page(review, units, source, f"corners of {lap.label} close up")
    letters = ", ".join(f"{letter} {name}" for letter, name in LETTERS)
    key = f"{letters}. {ring_text(review)}; filled: {lap.label}."
    write(page, MARGIN, A4[1] - 0.93, key, size=7, color=SOFT)
    high = (A4[1] - 1.15 - above_foot(review, units)) / BY_PAGE
    for k, index in enumerate(chosen):
        bottom = A4[1] - 1.15 - high * (k + 1)
        _close_up(page_axes(page, (MARGIN, bottom + 0.1, 2.85, high - 0.25)), review, index, units)
        _words(page, MARGIN + 3.05, bottom + high - 0.15, review, parts[index])
    return page


def _close_up(axes: Axes, review: Review, index: int, units: Units) -> None:
    """One corner, driven upwards, with both lines and lettered marks."""
    track, lap = review.track, review.laps[review.opening]
    part, target = lap.corners[index], review.target.lap
    driven = lap.comparison.driven.lap
    view, outline = corner_view(track, part.corner)
    low, high = outline.min(axis=0) - 3.0, outline.max(axis=0) + 3.0
    rings = Rings(track, part.corner, view, 1.35 * BADGE * float((high - low).max()))
    draw_ground(axes, track, view)
    axes.set_facecolor(WHITE)
    draw_reference(axes, target, view)
    _draw_driven(axes, review, lap, view)
    kept: list[Array] = [low, high]
    for spots, filled in (
        (mark_spots(rings, target, target_stations(part, review.target), 0), False),
        (mark_spots(rings, driven, driven_stations(part), 1), True),
    ):
        kept += [np.array(spot) for spot in spots[0] if spot is not None]
        _letters(axes, spots, filled)
    corners = np.array(kept)
    fit_limits(axes, corners.min(axis=0) - 3.0, corners.max(axis=0) + 3.0)
    draw_scale(axes, units)


def _letters(axes: Axes, spots: tuple[Spots, Spots], filled: bool) -> None:
    """Letters outside the corner, each joined to its mark by a thin line."""
    for (letter, _), end, dot in zip(LETTERS, *spots):
        if end is None or dot is None:
            continue
        colour = LOSS if filled else INK
        axes.plot([dot[0], end[0]], [dot[1], end[1]], color=colour, linewidth=0.5, zorder=6)
        box = {
            "boxstyle": "circle,pad=0.22",
            "facecolor": colour if filled else WHITE,
            "edgecolor": colour,
            "linewidth": 0.8,
        }
        axes.text(
            *end, letter, size=6.5, weight="bold", ha="center", va="center", zorder=7, bbox=box,
            color=WHITE if filled else INK,
        )  # fmt: skip


def _words(page: Figure, x: float, y: float, review: Review, part: CornerPart) -> None:
    """A corner's losses and marks in words."""
    best = review.opening
    write(page, x, y, f"Corner {part.label}: {part.losses[best].lost} s", size=10, weight="bold", family="serif")
    y = paragraph(page, x, y - 0.22, f"Where: {part.by_part[best]} s", 76, size=7)
    y = paragraph(page, x, y - 0.03, f"Why: {part.by_cause[best]}", 76, size=7) - 0.08
    ends = (0.0, 1.14, 2.32, 3.27)
    head = ("mark", review.laps[best].label, "target", "difference")
    for place, title in zip(ends, head):
        write(page, x + place, y - 0.09, title, size=6.6, weight="bold", va="baseline")
    for row in part.rows:
        if not row.first:
            continue
        y -= 0.15
        apart = textwrap.wrap(_without_title(row.apart[best], row.title), 23)
        for place, cell in zip(ends, (row.title, row.driven[best], row.target[best], *apart[:1])):
            write(page, x + place, y - 0.09, cell, size=6.0, va="baseline")
        usual = [f"usually {row.usual}"] if row.usual else []
        for line, colour in (*((line, INK) for line in apart[1:]), *((line, SOFT) for line in usual)):
            y -= 0.1
            write(page, x + ends[-1], y - 0.09, line, size=6.0, va="baseline", color=colour)


def _without_title(reason: str, title: str) -> str:
    """Why a mark is withheld, without the name that stands at the beginning of its row."""
    return reason.removesuffix(f": {title} not reported").removeprefix(f"{title} ").removeprefix(f"{title}: ")
