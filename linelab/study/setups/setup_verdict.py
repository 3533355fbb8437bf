"""What draws of two setups' difference say: verdicts on lap and corners, and how many more laps would settle them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from linelab.arrays import ByValue, Table, set_field
from linelab.measured import TO_95, Measured, plus_minus
from linelab.model.track import Track
from linelab.motion.pass_difference import beyond_chance
from linelab.study.setups.setup_model import OUTING, OutingLaps, SetupEffects, sizes, spread_with
from linelab.units import Array

#: What a difference must be to matter, where nobody says, as a share of the lap time [-].
MATTERS = 1e-3
#: Further outings that are thought through at most, states they are worked out for, and the probability with which they
#: are to settle the question: common practice in planning trials.
MOST_OUTINGS, STATES, SETTLED = 12, 80, 0.8

Verdict = Literal["real", "none", "few"]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SetupLap(ByValue):
    """One lap: in which outing it was, with which setup ("A" or "B"), its number there, and its times [s]."""

    outing: int
    setup: str
    source: str
    number: int
    lap_time: Measured
    corners: tuple[float, ...]

    def row(self) -> dict[str, Any]:
        """The lap as a row of a table; corners in driving order."""
        time = {"lap_time_s": self.lap_time.value, "lap_time_s_sigma": self.lap_time.sigma}
        stretches = {f"stretch_{k + 1}_s": value for k, value in enumerate(self.corners)}
        name = {"outing": self.outing, "setup": self.setup, "recording": self.source, "lap": self.number}
        return {**name, **time, **stretches}


@dataclass(frozen=True, kw_only=True, slots=True)
class MoreLaps:
    """What would probably settle the question: so many laps in further outings, in this order ("AB").

    ``enough`` is False where even these would not.
    """

    laps: int
    order: str
    enough: bool


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SetupCorner(ByValue):
    """One corner.

    Parameters
    ----------
    number : int
    time : Measured
        B minus A [s].
    at_most : float
        No difference is bigger than this, 19 times in 20 [s].
    clear : bool
        Whether the difference is clear although so many corners were looked at.
    verdict : "real", "none" or "few"
        As for the lap; real where it is clear.
    words : str
        The verdict in a few words.
    more : MoreLaps or None
        Where laps are too few: what would settle it.
    """

    number: int
    time: Measured
    at_most: float
    clear: bool
    verdict: Verdict
    words: str
    more: MoreLaps | None

    def row(self) -> dict[str, Any]:
        """The corner as a row of a table."""
        time = {"time_s": self.time.value, "time_s_sigma": self.time.sigma}
        said = {"at_most_s": self.at_most, "clear": self.clear, "verdict": self.verdict, "words": self.words}
        return {"corner": self.number, **time, **said}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SetupDifference(ByValue):
    """Two setups, B minus A.

    Parameters
    ----------
    lap_time : Measured
        Per lap [s].
    at_most : float
        No difference per lap is bigger than this, 19 times in 20 [s].
    faster : float
        Probability that B is the faster one [-].
    matters : float
        The smallest difference that matters, on the lap and in a corner [s].
    verdict : "real", "none" or "few"
        A real difference; none that matters; too few laps to say.
    words : str
        The verdict as a sentence or two.
    condition : str
        With one outing of each setup: what the verdict rests on; otherwise empty.
    real_below : float or None
        With one outing of each setup: the two outings differ beyond chance as long as a lap time changes by less than
        this (standard deviation) from one outing to the next with nothing changed [s].  None where there are more
        outings, or where the outings do not differ beyond chance anyway.
    corners : tuple of SetupCorner
        In driving order.  Each is worked out by itself: they need not add up to ``lap_time``.
    laps : tuple of SetupLap
        In the order in which they were driven.
    order : str
        The setups of the outings in their order, such as "ABA".
    order_from : str
        "given", "dates" or "files".
    more : MoreLaps or None
        Where laps are too few: what would settle it.
    outing, scatter, correlation : (float, float, float)
        Standard deviation of what changes from one outing to the next, and of a lap about its outing's trend [s];
        correlation from one lap to the next, of what is carried over [-].  Of each the middle and the ends of the 95 %
        interval, in order.
    outing_stated : float or None
        What the first one was said to be [s].
    outing_possible : float
        Without that: what was held possible at most before the laps were seen [s].
    track : Track
    """

    lap_time: Measured
    at_most: float
    faster: float
    matters: float
    verdict: Verdict
    words: str
    condition: str
    real_below: float | None
    corners: Table[SetupCorner]
    laps: Table[SetupLap]
    order: str
    order_from: str
    more: MoreLaps | None
    outing: tuple[float, float, float]
    scatter: tuple[float, float, float]
    correlation: tuple[float, float, float]
    outing_stated: float | None
    outing_possible: float
    track: Track

    def __post_init__(self) -> None:
        set_field(self, "corners", Table(self.corners))
        set_field(self, "laps", Table(self.laps))

    def __repr__(self) -> str:
        lap = self.lap_time
        return (
            f"SetupDifference: B minus A {lap.value:+.3f} {plus_minus(lap.sigma, 3)} s a lap, {self.order}, "
            f"{self.verdict!r}"
        )


def judge_setups(
    found: SetupEffects,
    outings: Sequence[OutingLaps],
    corners: Sequence[int],
    rows: Sequence[SetupLap],
    order: tuple[str, str],
    matters: float | None,
    track: Track,
) -> SetupDifference:
    """The verdict on the lap and on each corner.

    Parameters
    ----------
    found : SetupEffects
        Of the lap, and of the stretches of the corners after it.
    outings : sequence of OutingLaps
    corners : sequence of int
        Numbers of the corners.
    rows : sequence of SetupLap
    order : (str, str)
        Setups of the outings, and where that order is from.
    matters : float or None
        The smallest difference that matters [s].
    track : Track
    """
    scale = float(found.scale[0])
    least = MATTERS * scale if matters is None else float(matters)
    every = [middle_interval(found.draws[:, k]) for k in range(found.draws.shape[1])]
    at_most = np.quantile(np.abs(found.draws), 0.95, axis=0).tolist()
    # A corner must stand out although all of them were looked at.
    beyond = [TO_95] + [beyond_chance(every[1:], found.draws[:, 1:])] * len(corners)
    verdicts = [_verdict(one, size, most, least) for one, size, most in zip(every, beyond, at_most)]
    open_ones = [k for k, verdict in enumerate(verdicts) if verdict == "few"]
    more = _more(found, outings, open_ones, [every[k].value or 0.0 for k in open_ones], beyond, least)
    now = sizes(found.states[:, 0], np.ones(len(found.states)), found.outing)
    condition, below = _condition(found, order[0], scale)
    return SetupDifference(
        lap_time=every[0], at_most=at_most[0], faster=float((found.draws[:, 0] < 0.0).mean()), matters=least,
        verdict=verdicts[0], words=_words(verdicts[0], every[0], at_most[0], more.get(0)),
        condition=condition, real_below=below,
        corners=Table(
            SetupCorner(
                number=number, time=every[k], at_most=at_most[k], clear=verdicts[k] == "real", verdict=verdicts[k],
                words=short_words(verdicts[k], every[k], at_most[k], more.get(k)), more=more.get(k),
            )
            for k, number in enumerate(corners, 1)
        ),
        laps=Table(rows), order=order[0], order_from=order[1], more=more.get(0), outing=_range(now.outing * scale),
        scatter=_range(np.hypot(now.carried, now.scatter) * scale), correlation=_range(now.correlation),
        outing_stated=None if found.outing is None else found.outing * scale, outing_possible=OUTING[1] * scale,
        track=track,
    )  # fmt: skip


def middle_interval(draws: Array) -> Measured:
    """Median of draws, and the standard deviation of which 1.96 reach the farther end of their 95 % interval.

    With few outings the draws have long tails, whose mean says nothing.
    """
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975]).tolist()
    return Measured(middle, max(high - middle, middle - low) / TO_95)


def _verdict(one: Measured, beyond: float, at_most: float, least: float) -> Verdict:
    """Whether a difference is more than so many standard deviations from none, or smaller than what matters."""
    if abs(one.value or 0.0) > beyond * (one.sigma or 0.0):
        return "real"
    return "none" if at_most < least else "few"


def _range(draws: Array) -> tuple[float, float, float]:
    """Ends and middle of what is equally likely."""
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975]).tolist()
    return low, middle, high


def _condition(found: SetupEffects, order: str, scale: float) -> tuple[str, float | None]:
    """What a verdict on one outing of each setup rests on, and below which change of outings they differ [s].

    The outings' own difference d has a standard deviation s that their laps show.  A change between outings of standard
    deviation c adds to it, so d is beyond chance while 1.96 hypot(s, c) < abs(d).
    """
    if len(order) > 2:
        return "", None
    driven = middle_interval(found.driven[:, 0])
    value, sigma = driven.value or 0.0, driven.sigma or 0.0
    room = (value / TO_95) ** 2 - sigma**2
    said = "Each setup was driven in one outing, and these laps cannot tell a setup from its outing. "
    which = f"{'B' if value < 0.0 else 'A'} was quicker by {abs(value):.2f} {plus_minus(sigma, 2)} s a lap as driven"
    if room <= 0.0:
        said += "The two outings themselves do not differ beyond chance."
    else:
        limit = math.sqrt(room)
        said += f"{which}. That is the setup only if, with nothing changed, a lap time changes from one outing to the "
        said += f"next by less than {limit:.2f} s ({100.0 * limit / scale:.2f} %, standard deviation)."
    if found.outing is not None:
        said += f" You stated {found.outing * scale:.2f} s ({100.0 * found.outing:.2g} %)."
    return said, math.sqrt(room) if room > 0.0 else None


def _more(
    found: SetupEffects,
    outings: Sequence[OutingLaps],
    stretches: Sequence[int],
    values: Sequence[float],
    beyond: Sequence[float],
    least: float,
) -> dict[int, MoreLaps]:
    """How many more laps would probably settle each of some stretches, as further outings are worked out by the model.

    Each drawn state foretells how far a difference will have moved and how well it will be known.
    """
    states = np.linspace(0, len(found.states) - 1, STATES).astype(np.intp)
    second, numbers = [one.second for one in outings], [one.number for one in outings]
    variance = np.mean([one.variance for one in outings], axis=0)
    each = round(float(np.median([number.size for number in numbers])))
    settled: dict[int, MoreLaps] = {}
    left = dict(zip(stretches, values))
    before = {k: spread_with(found, second, numbers, float(variance[k]), states, k) for k in left}
    added = ""
    while left and len(added) < MOST_OUTINGS:
        second.append(sum(second) * 2 < len(second) or (sum(second) * 2 == len(second) and not second[-1]))
        numbers.append(np.arange(1.0, each + 1.0))
        added += "B" if second[-1] else "A"
        for k, value in tuple(left.items()):
            after = spread_with(found, second, numbers, float(variance[k]), states, k)
            if _settled(value, before[k], after, beyond[k], least) >= SETTLED:
                settled[k] = MoreLaps(laps=each * len(added), order=added, enough=True)
                del left[k]
    return settled | {k: MoreLaps(laps=each * len(added), order=added, enough=False) for k in left}


def _settled(value: float, before: Array, after: Array, beyond: float, least: float) -> float:
    """With which probability a difference will be called real, or too small to matter, once it is known better."""
    from scipy.special import ndtr

    moves = np.sqrt(np.maximum(before**2 - after**2, 1e-12))
    real = ndtr((value - beyond * after) / moves) + ndtr((-value - beyond * after) / moves)
    room = np.maximum(least - TO_95 * after, 0.0)
    none = ndtr((room - value) / moves) - ndtr((-room - value) / moves)
    return float((real + none).mean())


def _words(verdict: Verdict, lap: Measured, at_most: float, more: MoreLaps | None) -> str:
    """The verdict as a sentence or two."""
    value = lap.value or 0.0
    if verdict == "real":
        quicker = "B" if value < 0.0 else "A"
        return f"A real difference: {quicker} is faster by {abs(value):.2f} {plus_minus(lap.sigma, 2)} s a lap."
    if verdict == "none":
        return f"No difference bigger than {at_most:.3f} s a lap."
    shown = round(value, 2) + 0.0  # no negative zero
    said = f"Too few laps to tell: B minus A is {shown:+.2f} {plus_minus(lap.sigma, 2)} s a lap."
    if more is None:
        return said
    count = len(more.order)
    if not more.enough:
        return f"{said} Even {more.laps} more laps, {count} outings of {more.laps // count}, may not settle it."
    outings = "one more outing with" if count == 1 else f"{count} more outings in the order"
    return f"{said} About {more.laps} more would settle it: {outings} {'-'.join(more.order)}."


def short_words(verdict: Verdict, time: Measured, at_most: float, more: MoreLaps | None) -> str:
    """A verdict in a few words."""
    if verdict == "real":
        return f"a real difference: {'B' if (time.value or 0.0) < 0.0 else 'A'} is faster"
    if verdict == "none":
        return f"no difference bigger than {at_most:.3f} s"
    if more is None:
        return "too few laps"
    if not more.enough:
        return f"too few laps: even {more.laps} more may not settle it"
    return f"too few laps: about {more.laps} more would settle it"
