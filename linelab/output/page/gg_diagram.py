"""The g-g diagram of the driven lap: its accelerations along and across, over what the kart can do at some speeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.coaching.results import Review
from linelab.measured import TO_95
from linelab.model.drawing import path_data
from linelab.output.display import Units
from linelab.output.kart_facts import gg_outlines
from linelab.output.page.foot_work import FootWork
from linelab.units import STANDARD_GRAVITY, Array

#: Drawing units of a metre per second squared.
PER_ACCELERATION = 100.0
#: Spacing of the points [m], and the most of a long lap.
SPACING, MOST = 3.0, 450
#: Half the size of the sign of neither pedal, in drawing units.
SIGN = 18
#: Air about everything drawn, more of it above and below for words, and spacing of the grid [g].
AIR, WORDS, GRID = 0.08, 0.24, 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class Outline:
    """What the kart can do at one speed: how fast, in words, and path data."""

    speed: str
    path: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Diagram:
    """The picture in drawing units: left turns on the left, gaining speed above.

    Parameters
    ----------
    box : (x, y, width, height)
    grid : tuple of (text, place)
        Round accelerations [g] and where they lie, to the right and above.
    outlines : tuple of Outline
        Empty where the kart's limits say nothing of this recording, and then ``reason`` says why.
    power, brake, neither : tuple of str
        Path data of the points with that pedal down, one entry a lap.
    error : tuple of str
        A cross as large as the 95 % interval of a point in the middle of all, one entry a lap.
    """

    box: tuple[int, int, int, int]
    grid: tuple[tuple[str, int], ...]
    outlines: tuple[Outline, ...]
    power: tuple[str, ...]
    brake: tuple[str, ...]
    neither: tuple[str, ...]
    error: tuple[str, ...]
    reason: str


def gg_diagram(review: Review, units: Units, work: FootWork) -> Diagram | None:
    """The diagram of all laps; None where the recording does not carry it."""
    if work.no_gg:
        return None
    outlines = () if work.no_limits else gg_outlines(review.kart, units, work.factor)
    edges = [np.concatenate(bound, axis=1) for _, bound in outlines]
    reach = np.concatenate([np.array([work.ay.ravel(), work.ax.ravel()]), *edges], axis=1)
    most = float(np.abs(reach[0]).max()) + AIR * STANDARD_GRAVITY
    low, high = float(reach[1].min()) - WORDS * STANDARD_GRAVITY, float(reach[1].max()) + WORDS * STANDARD_GRAVITY
    most, low, high = (round(PER_ACCELERATION * value) for value in (most, low, high))
    step = max(round(SPACING / float(work.s[1] - work.s[0])), -(-work.s.size // MOST), 1)
    foot = np.argmax([1.0 - work.power - work.brake, work.power, work.brake], axis=0)[:, ::step]
    x, y = (PER_ACCELERATION * values[:, ::step] for values in (-work.ay, -work.ax))
    steps = np.arange(-4.0, 4.5, 1.0) * GRID
    at = steps * STANDARD_GRAVITY * PER_ACCELERATION
    return Diagram(
        box=(-most, -high, 2 * most, high - low),
        grid=tuple((f"{g:g}".replace("-", "−"), round(place)) for g, place in zip(steps.tolist(), at.tolist())),
        outlines=tuple(
            Outline(speed=speed, path=_ring(np.concatenate([bound[0], bound[1][:, ::-1]], axis=1)))
            for speed, bound in outlines
        ),
        power=tuple(_dots(a[f == 1], b[f == 1]) for a, b, f in zip(x, y, foot)),
        brake=tuple(_dots(a[f == 2], b[f == 2]) for a, b, f in zip(x, y, foot)),
        neither=tuple(_dots(a[f == 0], b[f == 0], _PLUS) for a, b, f in zip(x, y, foot)),
        error=tuple(
            _cross((-most, -low), *(TO_95 * PER_ACCELERATION * float(np.median(s)) for s in pair))
            for pair in zip(work.ay_sigma, work.ax_sigma)
        ),
        reason=work.no_limits,
    )  # fmt: skip


_PLUS = f"m-{SIGN} 0h{2 * SIGN}m-{SIGN}-{SIGN}v{2 * SIGN}m0-{SIGN}"


def _ring(points: Array) -> str:
    """A closed curve through accelerations across and along (2, N)."""
    return path_data(-PER_ACCELERATION * points[0], -PER_ACCELERATION * points[1], close=True)


def _dots(x: Array, y: Array, sign: str = "h0") -> str:
    """A stroke without length at every point, which its round or square ends make visible; or another sign."""
    if not x.size:
        return "M0 0"
    steps = [np.diff(np.rint(values), prepend=0.0).astype(int).tolist() for values in (x, y)]
    return "M0 0" + "".join(f"m{dx} {dy}{sign}" for dx, dy in zip(*steps))


def _cross(corner: tuple[int, int], across: float, along: float) -> str:
    """A cross of these half sizes, a little off the corner at the bottom left."""
    x, y = corner[0] + across + 20.0, corner[1] - along - 20.0
    return f"M{x - across:.0f} {y:.0f}h{2 * across:.0f}M{x:.0f} {y - along:.0f}v{2 * along:.0f}"
