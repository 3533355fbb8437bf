"""The lap times in the order they were driven: dots, and the range of 0.1 s from the best and about the median."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linelab.coaching.values import LapReview, SessionReview
from linelab.report.display import lap_time_text

#: Size of the drawing, and its margins [units].
WIDTH, HIGH, LEFT, TOP, BOTTOM = 720, 200, 84, 14, 30
#: Laps slower than the median by more than this are drawn at the lower edge, with their time [s].
SLOWEST = 0.5
#: Laps this close to the best, or to the median, count as repeated [s].
REPEATED = 0.1


@dataclass(frozen=True, kw_only=True, slots=True)
class Dot:
    """One lap: place, half the height of its ±, and its name and time."""

    x: float
    y: float
    low: float
    high: float
    label: str
    time: str
    repeated: bool
    place: int  #: among the laps that can be chosen, -1 otherwise
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
    """The drawing, in its own units."""

    width: int
    height: int
    left: int
    dots: tuple[Dot, ...]
    bands: tuple[Range, ...]
    base: float


def laps_strip(review: SessionReview, chosen: Sequence[LapReview]) -> LapsStrip:
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

    step = (WIDTH - LEFT - 24) / max(len(times) - 1, 1)
    dots = tuple(
        Dot(
            x=round(LEFT + 12 + k * step, 1), y=y(time), low=y(time - sigma), high=y(time + sigma),
            label=lap.label, time=lap_time_text(time), repeated=time - best <= REPEATED, beyond=time > bottom,
            place=places.get(id(review.laps[k]), -1),
        )
        for k, (lap, time, sigma) in enumerate(zip(review.laps, times, sigmas))
    )  # fmt: skip
    first, second = (y(best), y(best + REPEATED)), (y(median - REPEATED), y(median + REPEATED))
    names = max(0.5 * sum(second), 0.5 * sum(first) + 13.0)
    return LapsStrip(
        width=WIDTH, height=HIGH, left=LEFT, dots=dots, base=HIGH - BOTTOM,
        bands=(
            Range(name="best + 0.1 s", top=first[0], height=first[1] - first[0], middle=0.5 * sum(first)),
            Range(name="median ± 0.1 s", top=second[0], height=second[1] - second[0], middle=names),
        ),
    )  # fmt: skip
