"""Pictures of a kart: its g-g diagram and its drive force against resistance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from linelab.model.kart import Kart
from linelab.output.display import METRIC, Units
from linelab.output.draw.style import BRAKE, FAINT, GAIN, INK, LOSS, PAPER, SOFT, footer, heading, new_figure, tidy
from linelab.output.kart_facts import DriveLines, drive_lines, gg_outlines, kart_words
from linelab.units import STANDARD_GRAVITY

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Looks of the g-g diagram's outlines, the slowest first.
_LOOKS = ((2.4, "-"), (1.6, "-"), (1.2, (0, (4, 2))))


def plot_kart(kart: Kart, units: Units = METRIC) -> Figure:
    """Both pictures of a kart on one sheet, with its facts in words.

    Parameters
    ----------
    kart : Kart
    units : Units

    Returns
    -------
    matplotlib Figure
    """
    figure = new_figure(10.5, 5.9)
    words = kart_words(kart, units)
    heading(figure, kart.name, kart.description)
    left = figure.add_axes((0.075, 0.27, 0.36, 0.56))
    right = figure.add_axes((0.53, 0.27, 0.44, 0.56))
    draw_gg(left, kart, units)
    draw_drive_force(right, kart, units)
    figure.text(0.03, 0.165, "   ".join(words[1:3]), size=8.5, color=INK, va="top")
    figure.text(0.03, 0.125, "   ".join(words[3:]), size=8.5, color=INK, va="top")
    footer(figure, "Flat ground, still air, warm dry tyres; values from the kart file, not measured.")
    return figure


def draw_gg(axes: Axes, kart: Kart, units: Units = METRIC, grip: float = 1.0, *, limits: bool = True) -> None:
    """The g-g diagram at three speeds: left turns on the left, driving up, braking down; axes alone without limits."""
    tidy(axes, grid="both")
    for k, (speed, bound) in enumerate(gg_outlines(kart, units, grip) if limits else ()):
        side, along = np.concatenate([bound[0], bound[1][:, ::-1]], axis=1) / STANDARD_GRAVITY
        if k == 0:
            axes.fill(side, along, color=FAINT, alpha=0.35, linewidth=0)
        axes.plot(side, along, color=INK, linewidth=_LOOKS[k][0], linestyle=_LOOKS[k][1], label=speed)
    axes.axhline(0.0, color=SOFT, linewidth=0.6)
    axes.axvline(0.0, color=SOFT, linewidth=0.6)
    axes.set_aspect("equal", adjustable="datalim")
    axes.invert_xaxis()
    axes.set_xlabel("left turn                cornering [g]                right turn")
    axes.set_ylabel("braking          speeding up [g]")
    if limits:
        axes.legend(
            loc="lower center",
            bbox_to_anchor=(0.5, 1.0),
            ncols=3,
            frameon=False,
            fontsize=8,
            labelcolor=INK,
            handlelength=2,
        )


def draw_drive_force(axes: Axes, kart: Kart, units: Units = METRIC) -> None:
    """Drive force at full throttle by speed, gear by gear, against resistance and the rear tyres' grip."""
    tidy(axes)
    lines = drive_lines(kart)
    top, shown = lines.top, lines.v / units.speed
    _draw_gears(axes, lines, units)
    axes.plot(shown, lines.drive / units.force, color=INK, linewidth=2.2, label="drive, full throttle")
    axes.plot(shown, lines.resistance / units.force, color=LOSS, linewidth=1.8, label="resistance")
    highest = float(np.max(lines.drive))
    if lines.grip < highest * 1.45:
        axes.axhline(
            lines.grip / units.force, color=GAIN, linewidth=1.2, linestyle=(0, (5, 3)), label="grip of the rear tyres"
        )
        highest = max(highest, lines.grip)
    axes.plot([top.v / units.speed] * 2, [0.0, highest * 1.1 / units.force], color=BRAKE, linewidth=0.9)
    cause = "rev limit" if top.limited_by == "revs" else "drive equals drag"
    axes.annotate(
        f"{units.speed_text(top.v, 0)}\n{cause}",
        (top.v / units.speed, highest * 1.11 / units.force),
        ha="right",
        size=8,
        color=BRAKE,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
    )
    axes.set_xlim(0.0, shown[-1] * 1.02)
    axes.set_ylim(0.0, highest * 1.26 / units.force)
    axes.set_xlabel(f"speed [{units.speed_unit}]")
    axes.set_ylabel(f"force at the wheels [{units.force_unit}]")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False, fontsize=8, labelcolor=INK)


def _draw_gears(axes: Axes, lines: DriveLines, units: Units) -> None:
    """One thin curve a gear, numbered at its strongest point."""
    for number, force in enumerate(lines.gears, start=1):
        axes.plot(lines.v / units.speed, force / units.force, color=SOFT, linewidth=0.7)
        at = int(np.argmax(np.nan_to_num(force) * lines.v))
        axes.annotate(
            str(number),
            (lines.v[at] / units.speed, force[at] / units.force),
            xytext=(0, 7),
            textcoords="offset points",
            ha="center",
            size=8,
            color=INK,
            bbox={"boxstyle": "circle,pad=0.15", "facecolor": PAPER, "edgecolor": FAINT, "linewidth": 0.6},
        )
