"""The lap times in the order they were driven: dots, and the range of 0.1 s from the best and about the median."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linelab.coaching.results import LapReview, Review
from linelab.measured import TO_95
from linelab.output.display import lap_time_text

#: Height of the drawing and its margins [CSS pixels], the margin at either end [per cent of its width], and the most
#: numbers of laps that stand beside each other on a phone.
HIGH, TOP, BOTTOM, END, MOST_NAMED = 200, 14, 30, 3.0, 14
#: Laps slower than the median by more than this are drawn at the lower edge, with their time [s].
SLOWEST = 0.5
#: Laps this close to the best, or to the median, count as repeated [s].
REPEATED = 0.1


@dataclass(frozen=True, kw_only=True, slots=True)
class Dot:
    """One lap: place along [per cent] and down, the ends of its ±, name and time; ``named`` where that is written."""

    x: float
    y: float
    low: float
    high: float
    label: str
    time: str
    repeated: bool
    place: int  #: among the laps that can be chosen, -1 otherwise
    named: bool
    beyond: bool  #: too slow for the drawing, and so drawn at its lower edge


@dataclass(frozen=True, kw_only=True, slots=True)
class Range:
    """A band of lap times, and the height at which its name is written."""

    name: str
    top: float
    height: float
    middle: float


@dataclass(frozen=True, kw_only=True, slots=True)
class LapsStrip:
    """The drawing: as wide as there is room, with heights in CSS pixels, so that its letters are of one size."""

    height: int
    dots: tuple[Dot, ...]
    bands: tuple[Range, ...]
    base: float


def laps_strip(review: Review, chosen: Sequence[LapReview]) -> LapsStrip:
    """Draw the lap times; slower is lower on the page, as it is worse.

    ``chosen`` are the laps that can be chosen on the page.
    """
    places = {id(lap): place for place, lap in enumerate(chosen)}
    times = [lap.lap_time.value or 0.0 for lap in review.laps]
    sigmas = [lap.lap_time.sigma or 0.0 for lap in review.laps]
    best, median = min(times), review.consistency.median
    top = best - 0.08
    bottom = min(max(*times, median + REPEATED, best + 0.3), median + SLOWEST) + 0.06
    span = HIGH - TOP - BOTTOM

    def y(time: float) -> float:
        return round(TOP + span * (min(time, bottom) - top) / (bottom - top), 1)

    step = (100.0 - 2.0 * END) / max(len(times) - 1, 1)
    every = -(-len(times) // MOST_NAMED)
    dots = tuple(
        Dot(
            x=round(END + k * step, 2), y=y(time), low=y(time - TO_95 * sigma), high=y(time + TO_95 * sigma),
            label=lap.label, time=lap_time_text(time), repeated=time - best <= REPEATED, beyond=time > bottom,
            place=places.get(id(review.laps[k]), -1), named=k % every == 0,
        )
        for k, (lap, time, sigma) in enumerate(zip(review.laps, times, sigmas))
    )  # fmt: skip
    first, second = (y(best), y(best + REPEATED)), (y(median - REPEATED), y(median + REPEATED))
    names = max(0.5 * sum(second), 0.5 * sum(first) + 15.0)
    return LapsStrip(
        height=HIGH, dots=dots, base=HIGH - BOTTOM,
        bands=(
            Range(name="best + 0.1 s", top=first[0], height=first[1] - first[0], middle=0.5 * sum(first)),
            Range(name="0.1 s off median", top=second[0], height=second[1] - second[0], middle=names),
        ),
    )  # fmt: skip
