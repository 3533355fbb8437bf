"""A driver's sessions as a picture: best and usual lap by session, a panel a venue."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from linelab.measured import PLUS_MINUS, TO_95
from linelab.output.display import lap_time_text
from linelab.output.draw.style import GAIN, INK, LOSS, footer, heading, new_figure, tidy
from linelab.study.progress import Progress, SessionRow

#: Size of a panel, and what stands above and below all of them [inches].
WIDE, HIGH, ABOVE, BELOW = 8.0, 2.6, 0.8, 0.6
#: What a star at a date means.
_DATED = {"file": "date of the file", "given": "date as typed"}


def plot_progress(progress: Progress) -> Figure:
    """Draw best and usual laps in order of date."""
    count = len(progress.venues)
    figure = new_figure(WIDE, ABOVE + HIGH * count + BELOW)
    tall = ABOVE + HIGH * count + BELOW
    heading(figure, "Progress", progress.kart)
    for k, rows in enumerate(progress.venues):
        bottom = BELOW + HIGH * (count - 1 - k) + 0.55
        _panel(figure.add_axes((0.11, bottom / tall, 0.85, (HIGH - 0.85) / tall)), rows)
    footer(figure, PLUS_MINUS)
    return figure


def _panel(axes: Axes, rows: Sequence[SessionRow]) -> None:
    """One venue."""
    at = list(range(len(rows)))
    for name, colour, marker, figures in (
        ("usual lap", LOSS, "s", [row.usual for row in rows]),
        ("best lap", GAIN, "o", [row.best for row in rows]),
    ):
        values = [math.nan if figure.value is None else figure.value for figure in figures]
        errors = [TO_95 * (figure.sigma or 0.0) for figure in figures]
        axes.errorbar(
            at, values, errors, color=colour, marker=marker, markersize=4, linewidth=1.1, capsize=2, label=name
        )
    axes.set_xlim(-0.5, len(rows) - 0.5)
    axes.set_xticks(at, [_day(row) for row in rows])
    axes.yaxis.set_major_formatter(lambda value, _: lap_time_text(value)[:-1])
    axes.set_title(rows[0].track.name, loc="left", size=9, color=INK)
    starred = sorted({_DATED[row.dated] for row in rows if row.dated in _DATED})
    if starred:
        axes.set_xlabel(f"* {', '.join(starred)}")
    tidy(axes)
    axes.tick_params(axis="x", labelsize=6.5)
    axes.legend(frameon=False, fontsize=7, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2)


def _day(row: SessionRow) -> str:
    """Date and, where it is known, time below it."""
    when = datetime.fromtimestamp(row.when, UTC)
    if row.dated == "given":
        return f"{when:%Y-%m-%d}*"
    return f"{when:%Y-%m-%d}\n{when:%H:%M}{'' if row.dated == 'recording' else '*'}"
