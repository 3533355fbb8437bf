"""A sweep of one or two fields as a picture: lap time against them, and where the quickest lap gains on the slowest."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation

from linelab.output.display import lap_time_text
from linelab.output.draw.style import FAINT, GAIN, INK, LOSS, SOFT, footer, heading, new_figure, tidy
from linelab.study.sweeping.sweep_plan import SweptCase
from linelab.units import Array

#: Size of a panel, what stands above and below all of them [inches], and the most panels of one picture.
WIDE, HIGH, ABOVE, BELOW, MOST = 9.0, 3.5, 0.6, 0.25, 6


def drawn_fields(cases: Sequence[SweptCase]) -> list[str]:
    """The fields with numbers that differ; a picture shows one or two."""
    names = list(cases[0].values) if cases else []
    columns = {name: [case.values[name] for case in cases] for name in names}
    numeric = [name for name, column in columns.items() if all(type(value) in (int, float) for value in column)]
    return [name for name in numeric if len(set(columns[name])) > 1]


def plot_sweep(cases: Sequence[SweptCase], fields: Sequence[str]) -> Figure:
    """Draw lap times against one field or two, a panel a track, kart and values in words, up to MOST of them."""
    groups: dict[tuple[str, ...], list[SweptCase]] = {}
    for case in cases:
        words = (_said(name, value) for name, value in case.values.items() if type(value) not in (int, float))
        groups.setdefault((case.track, case.kart, *words), []).append(case)
    shown = list(groups.items())[:MOST]
    tall = ABOVE + HIGH * len(shown) + BELOW
    figure = new_figure(WIDE, tall)
    lines = ". Lines join equal lap times [s]." if len(fields) == 2 else ""
    heading(figure, f"Computed lap times by {' and '.join(fields)}", f"{_counts(cases)}{lines}")
    for k, (names, group) in enumerate(shown):
        bottom, height = (BELOW + HIGH * (len(shown) - 1 - k) + 0.6) / tall, (HIGH - 1.05) / tall
        left = figure.add_axes((0.09, bottom, 0.42, height))
        left.set_title(", ".join(names), loc="left", size=9, color=INK)
        solved = sorted((c for c in group if c.lap_time is not None), key=lambda c: [c.values[f] for f in fields])
        failed = [case for case in group if case.lap_time is None]
        (_against_one if len(fields) == 1 else _against_two)(left, solved, failed, fields)
        right = figure.add_axes((0.62, bottom, 0.35, height))
        _by_corner(right, solved, fields)
    left_out = len(groups) - len(shown)
    footer(figure, f"{left_out} more are in the tables only." if left_out else "")
    return figure


def _said(name: str, value: Any) -> str:
    """A value in words: of the conditions the word alone."""
    return value if isinstance(value, str) else f"{name} {value}"


def _counts(cases: Sequence[SweptCase]) -> str:
    failed = sum(case.lap_time is None for case in cases)
    return f"{len(cases)} laps" + (f", of which {failed} could not be computed (×)" if failed else "")


def _column(cases: Sequence[SweptCase], field: str) -> Array:
    return np.array([float(case.values[field]) for case in cases])


def _times(cases: Sequence[SweptCase]) -> Array:
    return np.array([np.nan if case.lap_time is None else case.lap_time for case in cases])


def _against_one(axes: Axes, solved: Sequence[SweptCase], failed: Sequence[SweptCase], fields: Sequence[str]) -> None:
    """Lap time against a field; what failed stands at the foot."""
    (field,) = fields
    axes.plot(_column(solved, field), _times(solved), color=INK, marker="o", markersize=4, linewidth=1.2)
    foot = axes.get_xaxis_transform()
    axes.plot(_column(failed, field), [0.04] * len(failed), "x", color=LOSS, markersize=6, transform=foot)
    axes.set_xlabel(field)
    axes.set_ylabel("lap time [s]")
    axes.ticklabel_format(useOffset=False)
    tidy(axes, grid="both")


def _against_two(axes: Axes, solved: Sequence[SweptCase], failed: Sequence[SweptCase], fields: Sequence[str]) -> None:
    """Lines of equal lap time over two fields."""
    x, y = (_column(solved, field) for field in fields)
    axes.plot(x, y, "o", color=FAINT, markersize=3.5)
    axes.plot(*(_column(failed, field) for field in fields), "x", color=LOSS, markersize=6)
    if len(set(x)) > 1 and len(set(y)) > 1 and len(solved) > 3:
        # Triangles between neighbours in shares of each range: a kilogram is no unit of friction.
        shares = [(value - value.min()) / np.ptp(value) for value in (x, y)]
        mesh = Triangulation(x, y, Triangulation(*shares).triangles)
        lines = axes.tricontour(mesh, _times(solved), levels=9, colors=INK, linewidths=1.0)
        axes.clabel(lines, fmt=lambda value: f"{value:g}", fontsize=7)
    axes.set_xlabel(fields[0])
    axes.set_ylabel(fields[1])
    tidy(axes, grid=None)
    # Contours leave no margin.
    axes.set_xlim(*_beyond(_column([*solved, *failed], fields[0])))
    axes.set_ylim(*_beyond(_column([*solved, *failed], fields[1])))


def _beyond(values: Array) -> tuple[float, float]:
    """The range of values and a little more."""
    margin = 0.05 * float(np.ptp(values))
    return float(values.min()) - margin, float(values.max()) + margin


def _by_corner(axes: Axes, solved: Sequence[SweptCase], fields: Sequence[str]) -> None:
    """What the quickest lap gains on the slowest in each corner."""
    tidy(axes, grid="x")
    if len(solved) < 2:
        axes.set_axis_off()
        return
    times = _times(solved)
    best, worst = solved[int(np.argmin(times))], solved[int(np.argmax(times))]
    numbers = [corner.number for corner in best.corners]
    gained = np.array([slow.time - quick.time for quick, slow in zip(best.corners, worst.corners)])
    at = np.arange(len(numbers))
    for chosen, colour, thick in ((gained >= 0.0, GAIN, 0.45), (gained < 0.0, LOSS, 0.85)):
        axes.barh(at[chosen], gained[chosen], thick, color=colour)
    axes.axvline(0.0, color=SOFT, linewidth=0.7)
    axes.set_yticks(at, [str(number) for number in numbers])
    axes.tick_params(axis="y", labelsize=7 if len(numbers) < 13 else 5.5)
    axes.invert_yaxis()
    axes.set_ylabel("corner")
    axes.set_xlabel("gained (right) and lost (left) [s]")
    quick, slow = (", ".join(f"{case.values[field]:g}" for field in fields) for case in (best, worst))
    total = lap_time_text(float(np.ptp(times)))
    axes.set_title(f"{quick} against {slow}: {total} s quicker", loc="left", size=8.5, color=INK)
