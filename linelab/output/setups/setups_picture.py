"""Two setups as a picture: the laps in the order in which they were driven, and the difference in each corner."""

from __future__ import annotations

from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from linelab.measured import PLUS_MINUS, TO_95
from linelab.output.display import lap_time_text
from linelab.output.draw.style import FAINT, GAIN, INK, LOSS, SOFT, footer, heading, new_figure, tidy
from linelab.output.setups.setups_drawing import slowest_shown
from linelab.output.setups.setups_words import BY_ITSELF
from linelab.study.setups.setup_verdict import SetupDifference

#: Colour and marker of each setup.
LOOKS = {"A": (LOSS, "s"), "B": (GAIN, "o")}


def plot_setups(found: SetupDifference) -> Figure:
    """Draw laps and corners."""
    figure = new_figure(8.0, 6.4)
    said = " ".join(filter(None, (found.words, found.condition)))
    heading(figure, f"A and B on {found.track.name}", "\n".join(wrap(said, 110)))
    draw_laps(figure.add_axes((0.1, 0.56, 0.86, 0.3)), found)
    draw_differences(figure.add_axes((0.1, 0.14, 0.86, 0.29)), found)
    footer(figure, f"{PLUS_MINUS} {BY_ITSELF} Filled marks: a real difference.")
    return figure


def draw_laps(axes: Axes, found: SetupDifference) -> None:
    """Lap times in the order driven, faster above, bars for medians; spoilt laps stand at the foot."""
    place, ticks = 0, []
    every = np.array([lap.lap_time.value or 0.0 for lap in found.laps])
    low, top = float(every.min()), slowest_shown(every.tolist())
    for number, setup in enumerate(found.order, 1):
        laps = [lap for lap in found.laps if lap.outing == number]
        times = [lap.lap_time.value or 0.0 for lap in laps]
        colour, marker = LOOKS[setup]
        at = np.arange(place, place + len(laps))
        errors = [TO_95 * (lap.lap_time.sigma or 0.0) for lap in laps]
        axes.errorbar(
            at, np.minimum(times, top), errors, color=colour, marker=marker, markersize=4, linewidth=0.8, capsize=2,
            label=f"setup {setup}" if setup not in found.order[: number - 1] else None,
        )  # fmt: skip
        axes.hlines(float(np.median(times)), at[0] - 0.4, at[-1] + 0.4, color=colour, linewidth=2.2, alpha=0.5)
        ticks += [(int(k), str(lap.number)) for k, lap in zip(at, laps)]
        axes.text(float(at.mean()), 1.01, f"outing {number}: {setup}", transform=axes.get_xaxis_transform(),
                  ha="center", va="bottom", size=8, color=colour)  # fmt: skip
        for k, one in zip(at, times):
            if one > top:
                axes.annotate(lap_time_text(one)[:-1], (float(k), top), (0, -10), textcoords="offset points", size=7,
                              ha="center", color=colour)  # fmt: skip
        place += len(laps)
        if number < len(found.order):
            axes.axvline(place - 0.5, color=FAINT, linewidth=1.0)
    axes.set_ylim(top + 0.18 * (top - low), low - 0.12 * (top - low))
    axes.set_xlim(-0.7, place - 0.3)
    few = max(len(ticks) // 40 + 1, 1)
    axes.set_xticks([k for k, _ in ticks[::few]], [text for _, text in ticks[::few]])
    axes.yaxis.set_major_formatter(lambda value, _: lap_time_text(value)[:-1])
    axes.set_xlabel("lap of the outing")
    axes.set_ylabel("lap time [s], faster above")
    tidy(axes)


def draw_differences(axes: Axes, found: SetupDifference) -> None:
    """B minus A in each corner, with its 95 % interval."""
    for k, one in enumerate(found.corners):
        value, colour = one.time.value or 0.0, INK
        if one.clear:
            colour = GAIN if value < 0.0 else LOSS
        axes.errorbar(
            [k], [value], [TO_95 * (one.time.sigma or 0.0)], color=colour, marker="o", markersize=5, linewidth=1.2,
            capsize=3, markerfacecolor=colour if one.clear else "none",
        )  # fmt: skip
    axes.axhline(0.0, color=SOFT, linewidth=0.8)
    axes.set_xticks(range(len(found.corners)), [str(one.number) for one in found.corners])
    axes.set_xlabel("corner")
    axes.set_ylabel("B minus A [s]")
    axes.set_title("below zero: B is faster", loc="left", size=8, color=SOFT)
    tidy(axes)
