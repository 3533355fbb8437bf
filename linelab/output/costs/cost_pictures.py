"""What habits cost as pictures: every corner by size on one strip, and one corner with what the habit changes there."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from linelab.model.lap import Lap
from linelab.output.costs.cost_words import CostStudy, done_text, driver_note, effect_words, shown_size, size_text
from linelab.output.display import METRIC, Units, lap_time_words
from linelab.output.draw.ground_map import draw_ground, draw_lost, draw_scale, fit_limits, survey_note
from linelab.output.draw.style import FAINT, INK, LOSS, PAPER, SOFT, arrow, footer, heading, new_figure, tidy
from linelab.output.lap_curves import time_gap
from linelab.output.outlines import corner_view, spread
from linelab.output.reference_report import conditions
from linelab.study.habit_costs import LINE_HABITS, SCALES, WITH_HABIT
from linelab.study.habit_effect import HabitEffect, at_stations, lost_along
from linelab.units import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Share of a corner's slot on the strip that its curve takes.
SLOT = 0.78
#: The way shown before the turn-in and after the track-out at least and, for the curves, at most [m].
BEFORE, AFTER, MOST = 25.0, 12.0, 120.0
#: The curves show where all of the time is lost but this share at either end [-].
LEFT_OUT = 0.02
#: Room for the name of a mark over a curve, as a share of its width [-].
NAME = 0.085
#: How far beside the line the arrow runs that shows which way it is driven [m].
ASIDE = 1.2
#: Radii on the axis of bending [m].
RADII = (4.0, 6.0, 8.0, 10.0, 13.0, 18.0, 25.0, 40.0, 80.0)
#: Dashes of the computed lap, on all pictures the same.
DASHES = (0, (6, 1.5))


def plot_costs(study: CostStudy, units: Units = METRIC) -> Figure:
    """Time lost at every corner by one habit's size, or by several habits at one size each.

    Returns
    -------
    matplotlib Figure
    """
    return _strip(study, units) if len(study.habits) == 1 else _matrix(study, units)


def _notes(study: CostStudy, units: Units) -> str:
    words = [
        survey_note(study.track, units), driver_note(study),
        *conditions(study.track, study.solution, study.use_kerbs),
    ]  # fmt: skip
    return " ".join(part for part in words if part)


def _strip(study: CostStudy, units: Units) -> Figure:
    """A small curve for each corner; the size that is explained stands out as a bar with its figure."""
    costs, habit = study.costs, study.habits[0]
    figure = new_figure(max(7.0, 1.2 + 0.62 * len(costs)), 4.3)
    size = shown_size(costs[0])
    sizes = costs[0].sizes
    span = f" ({size_text(habit, float(sizes[0]), units)} to {size_text(habit, float(sizes[-1]), units)})"
    heading(
        figure,
        f"{study.track.name}: what {done_text(habit, size, units)} costs",
        f"{study.kart.name}, computed lap {lap_time_words(study.solution.lap_time)}. Bar and figure: "
        f"{size_text(habit, size, units)}" + (f"; curve: smaller and larger sizes{span}" if sizes.size > 1 else ""),
    )
    wide = float(figure.get_size_inches()[0])
    axes = figure.add_axes((0.75 / wide, 0.2, 1.0 - 0.95 / wide, 0.6))
    tidy(axes)
    most = max([float(value) for cost in costs for value in cost.time_lost if math.isfinite(value)], default=0.1)
    for place, cost in enumerate(costs):
        x = place - 0.5 * SLOT + SLOT * np.append(0.0, cost.sizes) / cost.sizes[-1]
        lost = np.append(0.0, cost.time_lost)
        axes.fill_between(x, 0.0, lost, color=FAINT, alpha=0.75, linewidth=0)
        axes.plot(x, lost, color=INK, linewidth=1.1)
        axes.plot([x[0], x[-1]], [0.0, 0.0], color=SOFT, linewidth=0.8)
        value, at = cost.at(size), place - 0.5 * SLOT + SLOT * size / cost.sizes[-1]
        if value is None:
            axes.text(place, 0.02 * most, "none", size=7, color=SOFT, ha="center", va="bottom", rotation=90)
            continue
        axes.plot([at, at], [0.0, value], color=LOSS, linewidth=3.2, solid_capstyle="butt", zorder=4)
        axes.annotate(
            f"{value:.2f}", (at, value), xytext=(0, 3), textcoords="offset points", size=8, weight="bold", color=LOSS,
            ha="center", va="bottom", zorder=5,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
        )  # fmt: skip
    axes.set_xlim(-0.6, len(costs) - 0.4)
    axes.set_ylim(0.0, 1.1 * max(most, 1e-3))
    names = [f"{cost.corner}\n{'left' if study.corner(cost.corner).left else 'right'}" for cost in costs]
    axes.set_xticks(range(len(costs)), names)
    axes.set_xlabel("corner")
    axes.set_ylabel("time lost over the lap [s]")
    early = any(not math.isfinite(value) for cost in costs for value in cost.time_lost)
    note = " A curve ends where no lap has a larger size, for the reason in habit_costs.csv." if early else ""
    footer(figure, _notes(study, units) + note)
    return figure


def _matrix(study: CostStudy, units: Units) -> Figure:
    """Corners across, habits down, the figure on a tint of its own darkness."""
    habits = study.habits
    numbers = list(dict.fromkeys(cost.corner for cost in study.costs))
    lost = np.full((len(habits), len(numbers)), np.nan)
    for cost in study.costs:
        lost[habits.index(cost.habit), numbers.index(cost.corner)] = cost.time_lost[0]
    wide, tall = 3.9 + 0.46 * len(numbers), 1.75 + 0.32 * len(habits)
    figure = new_figure(max(wide, 8.0), tall)
    wide = max(wide, 8.0)
    heading(
        figure,
        f"{study.track.name}: what habits cost, corner by corner [s]",
        f"{study.kart.name}, computed lap {lap_time_words(study.solution.lap_time)}. The darker, the more time is lost",
    )
    axes = figure.add_axes((3.6 / wide, 0.55 / tall, 1.0 - 3.8 / wide, 1.0 - 1.55 / tall))
    from matplotlib.colors import LinearSegmentedColormap

    tints = LinearSegmentedColormap.from_list("cost", [PAPER, LOSS])
    most = float(np.nanmax(lost)) if np.isfinite(lost).any() else 1.0
    # The root tells small costs apart as well as large ones.
    axes.imshow(np.sqrt(lost / most), cmap=tints, vmin=0.0, vmax=1.15, aspect="auto")
    for row, column in np.ndindex(*lost.shape):
        value = float(lost[row, column])
        dark = math.isfinite(value) and value > 0.5 * most
        text = f"{value:.2f}" if math.isfinite(value) else "–"
        axes.text(column, row, text, size=7.5, color=PAPER if dark else INK, ha="center", va="center")
    axes.set_xticks(range(len(numbers)), [str(number) for number in numbers])
    axes.set_yticks(range(len(habits)), [done_text(habit, SCALES[habit].usual, units) for habit in habits])
    axes.xaxis.tick_top()
    axes.tick_params(length=0, labelsize=8, labelcolor=INK)
    for side in axes.spines.values():
        side.set_visible(False)
    footer(figure, _notes(study, units))
    return figure


def plot_effect(study: CostStudy, effect: HabitEffect, units: Units = METRIC) -> Figure:
    """One corner with both lines from above; below it speed, radius and time lost along the way.

    Returns
    -------
    matplotlib Figure
    """
    mark, on_line = effect.marks, effect.habit in LINE_HABITS
    figure = new_figure(9.4, 11.6)
    heading(
        figure,
        f"{study.track.name}, corner {mark.corner.label}: {done_text(effect.habit, effect.size, units)}",
        f"Dashed: the computed lap, {study.kart.name}. Solid: {WITH_HABIT}",
    )
    _write(figure, effect_words(study, effect, units))
    _draw_map(figure.add_axes((0.02, 0.5, 0.96, 0.405)), study, effect, units)
    s = _stations_shown(study, effect)
    shown = (s - mark.apex) / units.length
    speed = figure.add_axes((0.09, 0.335, 0.88, 0.135))
    radius = figure.add_axes((0.09, 0.2, 0.88, 0.115))
    lost = figure.add_axes((0.09, 0.085, 0.88, 0.095))
    laps = (study.solution.lap, effect.lap)
    track = study.track
    own, other = (at_stations(track, lap, lap.v, s) / units.speed for lap in laps)
    _draw_pair(speed, shown, own, other)
    speed.fill_between(shown, own, other, where=other < own, color=LOSS, alpha=0.25, linewidth=0)
    speed.set_ylabel(f"speed [{units.speed_unit}]")
    bent, bends = (np.abs(at_stations(track, lap, lap.line.kappa, s)) for lap in laps)
    _draw_pair(radius, shown, -bent, -bends)
    _radius_axis(radius, float(max(bent.max(), bends.max())), units)
    behind = lost_along(track, *laps, s)
    tidy(lost)
    lost.fill_between(shown, 0.0, behind, color=LOSS, alpha=0.25, linewidth=0)
    lost.plot(shown, behind, color=LOSS, linewidth=1.8)
    lost.axhline(0.0, color=SOFT, linewidth=0.6)
    lost.set_ylabel("time lost [s]")
    lost.annotate(
        f"{behind[-1]:.2f} s so far", (float(shown[-1]), float(behind[-1])), xytext=(-4, 4),
        textcoords="offset points", size=8, weight="bold", color=INK, ha="right", va="bottom",
    )  # fmt: skip
    lost.margins(y=0.3)
    lost.set_xlabel(f"distance from the {mark.apex_names()[0]} along the track [{units.length_unit}]")
    for axes in (speed, radius, lost):
        axes.set_xlim(float(shown[0]), float(shown[-1]))
        for station, _ in _marked(effect):
            axes.axvline((station - mark.apex) / units.length, color=SOFT, linewidth=0.7, linestyle=(0, (2, 2)))
        if axes is not lost:
            axes.tick_params(labelbottom=False)
    marked = [(station, name) for station, name in _marked(effect) if s[0] <= station <= s[-1]]
    places = (np.array([station for station, _ in marked]) - s[0]) / (s[-1] - s[0])
    for place, (_, name) in zip(spread(places, NAME, 0.03, 0.97), marked):
        speed.text(place, 1.03, name, transform=speed.transAxes, size=7.5, color=INK, ha="center", va="bottom")
    note = "" if on_line else "With a habit of the feet the line stays the computed one."
    footer(figure, " ".join(part for part in (_notes(study, units), note) if part))
    return figure


def _stations_shown(study: CostStudy, effect: HabitEffect) -> Array:
    """The way along which nearly all of the time is lost, the corner in it [m]."""
    mark, track = effect.marks, study.track
    s = np.linspace(mark.turn_in - MOST, mark.track_out + MOST, 1200)
    if not track.closed:
        s = s[(s >= 0.0) & (s <= track.length)]
    moved = np.cumsum(np.abs(np.diff(lost_along(track, study.solution.lap, effect.lap, s), prepend=0.0)))
    first, last = (s[int(np.searchsorted(moved, share * moved[-1]))] for share in (LEFT_OUT, 1.0 - LEFT_OUT))
    begin = min(float(first), min(mark.brake_point, mark.slows_from, mark.turn_in) - BEFORE)
    end = max(float(last), mark.track_out + AFTER)
    return np.linspace(max(begin, float(s[0])), min(end, float(s[-1])), 1200)


def _write(figure: Figure, text: str) -> None:
    """The sentences under the title."""
    import textwrap

    figure.text(0.03, 0.945, "\n".join(textwrap.wrap(text, 150)), size=8.8, color=INK, va="top", linespacing=1.35)


def _marked(effect: HabitEffect) -> list[tuple[float, str]]:
    """Marks of the computed lap that the map and the curves share."""
    mark = effect.marks
    found = [(mark.turn_in, "turn-in"), (mark.apex, mark.apex_names()[0]), (mark.track_out, "track-out")]
    if mark.brakes:
        found.append((mark.brake_point, "brake point"))
    return sorted(found)


def _beside(lap: Lap) -> tuple[Array, Array]:
    """A place beside the line: east and north [m]."""
    line = lap.line
    return line.x - ASIDE * np.sin(line.psi), line.y + ASIDE * np.cos(line.psi)


def _draw_pair(axes: Axes, x: Array, own: Array, other: Array) -> None:
    tidy(axes)
    axes.plot(x, other, color=LOSS, linewidth=1.8)
    axes.plot(x, own, color=INK, linewidth=1.3, linestyle=DASHES)


def _radius_axis(axes: Axes, tightest: float, units: Units) -> None:
    """An axis of bending whose ticks are radii, the tighter the lower."""
    radii = [radius for radius in RADII if 1.0 / (radius * units.length) <= 1.25 * tightest]
    while len(radii) > 5:
        radii = radii[::2]
    axes.set_yticks([0.0, *(-1.0 / (radius * units.length) for radius in radii)],
                    ["straight", *(f"{radius:g}" for radius in radii)])  # fmt: skip
    axes.set_ylim(-1.08 * tightest, 0.06 * tightest)
    axes.set_ylabel(f"radius [{units.length_unit}]")


def _draw_map(axes: Axes, study: CostStudy, effect: HabitEffect, units: Units) -> None:
    """The corner from above, turned to be driven upwards, with both lines."""
    track, mark, laps = study.track, effect.marks, (study.solution.lap, effect.lap)
    view, _ = corner_view(track, mark.corner)
    draw_ground(axes, track, view, edge_width=1.4)
    s = np.linspace(mark.turn_in - BEFORE, mark.track_out + AFTER, 600)
    if not track.closed:
        s = np.clip(s, 0.0, track.length)
    ways = [view(*(at_stations(track, lap, values, s) for values in (lap.line.x, lap.line.y))) for lap in laps]
    if effect.habit in LINE_HABITS:
        around = [np.concatenate([one, other[::-1]]) for one, other in zip(*ways)]
        axes.fill(*around, color=LOSS, alpha=0.3, linewidth=0, zorder=3)
        axes.plot(*ways[1], color=LOSS, linewidth=1.8, zorder=3.6)
    else:
        gap = time_gap(*laps)
        draw_lost(axes, effect.lap, gap.s, gap.rate, view)
    axes.plot(*view(laps[0].line.x, laps[0].line.y), color=INK, linewidth=1.3, linestyle=DASHES, zorder=3.8)
    points = np.hstack([np.vstack(way) for way in ways])
    fit_limits(axes, points.min(axis=1) - 5.0, points.max(axis=1) + 5.0)
    draw_scale(axes, units, north=0.5 * np.pi + view.angle if track.georeferenced else None)
    tail, tip = (
        [at_stations(track, laps[0], values, np.array([mark.turn_in - place]))[0] for values in _beside(laps[0])]
        for place in (0.9 * BEFORE, 0.9 * BEFORE - 6.0)
    )
    begin, end = (np.ravel(view(np.array(x), np.array(y))) for x, y in (tail, tip))
    arrow(axes, begin, end, INK)
    for station, name in _marked(effect):
        at = np.array([station])
        x, y = view(*(at_stations(track, laps[0], values, at) for values in (laps[0].line.x, laps[0].line.y)))
        axes.plot(x, y, marker="o", markersize=5.5, markerfacecolor=PAPER, markeredgecolor=INK, zorder=7)
        if not (axes.get_xlim()[0] < x[0] < axes.get_xlim()[1] and axes.get_ylim()[0] < y[0] < axes.get_ylim()[1]):
            continue
        axes.annotate(
            name, (float(x[0]), float(y[0])), xytext=(9, 0), textcoords="offset points", size=8, color=INK,
            va="center", zorder=8, bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8, "alpha": 0.8},
        )  # fmt: skip
