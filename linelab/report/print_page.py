"""A page of the review for print, and how text, rules and drawings are put on it; places in inches, upwards."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from linelab.coaching.values import SessionReview
from linelab.report.display import CAUTIONS, Units
from linelab.report.figures_lines import survey_note
from linelab.report.style import A4, FAINT, INK, SOFT, WHITE, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: The margin kept free for printers [inches].
MARGIN = 0.55


def blank_page(review: SessionReview, units: Units, source: str, what: str) -> Figure:
    """An empty page with heading and cautions."""
    page = new_figure(*A4)
    page.set_facecolor(WHITE)
    write(page, MARGIN, A4[1] - 0.5, f"{review.track.name}: {what}", size=13, weight="bold", family="serif")
    line = " · ".join(part for part in (review.kart.name, source, f"against {review.target.title}") if part)
    write(page, MARGIN, A4[1] - 0.76, line, size=8, color=SOFT)
    write(page, MARGIN, 0.32, "\n".join(_foot(review, units)), size=6.6, color=SOFT, va="bottom")
    return page


def _foot(review: SessionReview, units: Units) -> list[str]:
    return [*textwrap.wrap(survey_note(review.track, units), 140), *textwrap.wrap(CAUTIONS, 140)]


def above_foot(review: SessionReview, units: Units) -> float:
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
