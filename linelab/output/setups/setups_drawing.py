"""Two setups as drawings for a page: the laps in the order in which they were driven, and the difference by corner.

Both are as wide as there is room, with heights in CSS pixels, so that their letters are of one size.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from linelab.measured import TO_95
from linelab.output.display import lap_time_text, number_text, typeset
from linelab.output.outlines import round_length
from linelab.study.setups.setup_verdict import SetupDifference

#: Heights of the drawings, their margins [CSS pixels], and the margin at either end [per cent of the width].
LAPS_HIGH, CORNERS_HIGH, BOTTOM, END = 230, 200, 26, 3.0
#: Room above: for the outings' names, and for little [CSS pixels].
NAMES, LITTLE = 26, 8
#: Room between two outings, in laps.
APART = 1.0
#: Numbers of laps and of corners that stand beside each other on a phone at most.
MOST_NAMED, MOST_CORNERS = 14, 16


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """A value of the vertical axis: its text and height on the drawing [px]."""

    text: str
    y: float


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnLap:
    """One lap: place along [per cent] and down, the ends of its ± [px], setup, number and time."""

    x: float
    y: float
    low: float
    high: float
    setup: str
    number: int
    time: str
    named: bool
    beyond: bool  #: too slow for the drawing, and so drawn at its lower edge


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnOuting:
    """One outing: its ends and middle along [per cent], the height of its median lap time [px], and its name."""

    left: float
    right: float
    middle: float
    median: float
    name: str


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnCorner:
    """One corner: place along [per cent], the difference and the ends of its interval down [px]."""

    x: float
    y: float
    low: float
    high: float
    number: int
    text: str
    real: bool
    named: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class SetupsDrawing:
    """Both drawings: laps above, corners below (none on a track without corners)."""

    laps_height: int
    laps_base: float
    laps: tuple[DrawnLap, ...]
    outings: tuple[DrawnOuting, ...]
    times: tuple[Level, ...]
    corners_height: int
    corners_base: float
    corners: tuple[DrawnCorner, ...]
    differences: tuple[Level, ...]
    matters: tuple[float, float]  #: heights of the smallest differences that matter


def draw_setups(found: SetupDifference) -> SetupsDrawing:
    """Draw laps, faster above as on the review page, and corners, B faster below."""
    laps, outings, times = _laps(found)
    corners, differences, matters = _corners(found)
    return SetupsDrawing(
        laps_height=LAPS_HIGH, laps_base=LAPS_HIGH - BOTTOM, laps=laps, outings=outings, times=times,
        corners_height=CORNERS_HIGH if corners else 0, corners_base=CORNERS_HIGH - BOTTOM, corners=corners,
        differences=differences, matters=matters,
    )  # fmt: skip


def slowest_shown(times: Sequence[float]) -> float:
    """The slowest lap time that is drawn at its place: a spoilt lap would leave no room for the others [s]."""
    low, usual = min(times), float(np.quantile(times, 0.8))
    return min(max(times), usual + 2.0 * (usual - low))


def _laps(found: SetupDifference) -> tuple[tuple[DrawnLap, ...], tuple[DrawnOuting, ...], tuple[Level, ...]]:
    every = [lap.lap_time.value or 0.0 for lap in found.laps]
    top, low = slowest_shown(every), min(every)
    room = max(0.08 * (top - low), 0.02)
    y = _Heights(top + room, low - room, NAMES, LAPS_HIGH - BOTTOM)
    places, at = [], 0.0
    for k, lap in enumerate(found.laps):
        at += APART if k and lap.outing != found.laps[k - 1].outing else 0.0
        places.append(at)
        at += 1.0
    step = (100.0 - 2.0 * END) / max(places[-1], 1.0)
    every_so_many = -(-len(every) // MOST_NAMED)
    drawn = tuple(
        DrawnLap(
            x=round(END + place * step, 2), y=y(min(time, top)),
            low=y(min(time, top) - TO_95 * (lap.lap_time.sigma or 0.0)),
            high=y(min(time, top) + TO_95 * (lap.lap_time.sigma or 0.0)),
            setup=lap.setup, number=lap.number, time=lap_time_text(time), named=k % every_so_many == 0,
            beyond=time > top,
        )
        for k, (lap, time, place) in enumerate(zip(found.laps, every, places))
    )  # fmt: skip
    outings = []
    for number, setup in enumerate(found.order, 1):
        own = [k for k, lap in enumerate(found.laps) if lap.outing == number]
        left, right = (END + (places[k] + way) * step for k, way in ((own[0], -0.4), (own[-1], 0.4)))
        median = float(np.median([every[k] for k in own]))
        outings.append(
            DrawnOuting(
                left=round(left, 2), right=round(right, 2), middle=round(0.5 * (left + right), 2),
                median=y(min(median, top)), name=f"{number}: {setup}",
            )
        )  # fmt: skip
    return drawn, tuple(outings), y.levels(lambda value, digits: lap_time_text(value)[: digits - 3 or None])


def _corners(found: SetupDifference) -> tuple[tuple[DrawnCorner, ...], tuple[Level, ...], tuple[float, float]]:
    if not found.corners:
        return (), (), (0.0, 0.0)
    reach = [((one.time.value or 0.0), TO_95 * (one.time.sigma or 0.0)) for one in found.corners]
    ends = [(value - half, value + half) for value, half in reach]
    low, high = min(0.0, *(end[0] for end in ends)), max(0.0, *(end[1] for end in ends))
    y = _Heights(low - 0.05 * (high - low), high + 0.05 * (high - low), LITTLE, CORNERS_HIGH - BOTTOM)
    step = (100.0 - 2.0 * END) / max(len(ends) - 1, 1)
    every_so_many = -(-len(ends) // MOST_CORNERS)
    drawn = tuple(
        DrawnCorner(
            x=round(END + k * step, 2), y=y(one.time.value or 0.0), low=y(end[0]), high=y(end[1]), number=one.number,
            text=f"{typeset(number_text(one.time.value or 0.0, 3, signed=True))} s, {one.words}",
            real=one.verdict == "real", named=k % every_so_many == 0,
        )
        for k, (one, end) in enumerate(zip(found.corners, ends))
    )  # fmt: skip
    levels = y.levels(lambda value, digits: typeset(number_text(value, digits, signed=True)))
    return drawn, levels, (y(found.matters), y(-found.matters))


class _Heights:
    """Heights on a drawing, from ``above`` to ``below`` [px], of values from ``top`` to ``bottom``."""

    def __init__(self, bottom: float, top: float, above: int, below: int) -> None:
        self.bottom, self.top, self.above, self.below = bottom, top if top != bottom else bottom + 1e-3, above, below

    def __call__(self, value: float) -> float:
        share = (self.top - value) / (self.top - self.bottom)
        return round(self.above + (self.below - self.above) * min(max(share, 0.0), 1.0), 1)

    def levels(self, text: Callable[[float, int], str]) -> tuple[Level, ...]:
        """Round values; ``text`` makes one of a value and its decimals."""
        low, high = sorted((self.bottom, self.top))
        step = round_length((high - low) / 3.0)
        digits = min(max(1, -int(np.floor(np.log10(step)))), 3)
        values = np.arange(np.ceil(low / step), np.floor(high / step) + 0.5) * step
        return tuple(Level(text=text(value, digits), y=self(value)) for value in (values + 0.0).tolist())
