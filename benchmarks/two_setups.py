"""Two setups held against each other: is what is called a difference one, and how many laps does it take?

Run ``python benchmarks/two_setups.py [all|alarms|corners|power|sessions] [pairs] [picture.png]``.  Lap and corner times
come from a generator of this file alone, which shares nothing with the model that judges them: a driver whose pace
wanders from lap to lap, cold tyres, laps that a slide or another kart spoils, outings that differ though nothing was
changed, a track that changes over the day.  Printed are how often equal setups are told apart, on the lap and in any of
its corners, how many of the 95 % intervals hold the truth, and how often a planted difference is found by its size, the
number of laps and the order of the outings.  With one outing of each the change between outings is also stated, as what
this generator makes it.  With a picture's name that is drawn as well.  The last part takes whole
recorded sessions of the second driver, a tenth as many.
"""

from __future__ import annotations

import sys
import time
from typing import NamedTuple

import numpy as np
from surroundings import surroundings

from linelab.motion.pass_difference import clear_among
from linelab.study.setups.setup_model import OutingLaps, setup_effects
from linelab.study.setups.setup_verdict import middle_interval

#: Lap time [s], corners, and standard deviation of an error of a lap time [s].
LAP, CORNERS, ERROR = 48.7, 8, 0.012
#: Pairs that are worked out at a time.
AT_ONCE = 100
#: By how much outings differ, as a standard deviation and a share of the lap time; None: for each pair from VARIED.
SHIFTS = (0.001, 0.002, 0.003, 0.005, None)
VARIED = (0.0005, 0.003)
ORDERS = ("AB", "ABA", "ABAB", "ABABAB")
SIZES = (0.05, 0.1, 0.2, 0.3)
LAPS = (5, 10, 15)


class Pair(NamedTuple):
    """Times of all laps (outing by outing, (n, 1 + C): the lap, then its corners) and what B truly lacks to A [s]."""

    times: list[np.ndarray]
    truth: np.ndarray


def outing_numbers(order: str, laps: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Numbers of the laps of each outing: not all equally long, and now and then a lap is missing."""
    found = []
    for _ in order:
        count = max(int(laps + rng.integers(-1, 2)), 3)
        numbers = np.arange(1, count + 1)
        if count > 5 and rng.random() < 0.4:
            numbers = np.delete(numbers, rng.integers(1, count - 1))
        found.append(numbers.astype(float))
    return found


def drive_pair(
    rng: np.random.Generator, order: str, numbers: list[np.ndarray], planted: np.ndarray, shift: float | None
) -> Pair:
    """Lap by lap; ``planted`` (C,) is what B takes longer in each corner [s]."""
    shift = float(rng.uniform(*VARIED)) if shift is None else shift
    share = rng.dirichlet(np.full(CORNERS, 12.0))
    base = LAP * share
    own = rng.uniform(0.015, 0.05, CORNERS)  # scatter of a corner's passes
    wander = rng.uniform(0.01, 0.05)  # of the pace, from lap to lap
    cold = rng.uniform(0.1, 0.6) * rng.dirichlet(np.full(CORNERS, 3.0))
    over_day = rng.normal(0.0, shift * LAP / 2.0)
    times = []
    for place, (setup, at) in enumerate(zip(order, numbers)):
        weather = rng.normal(0.0, shift * LAP) * (0.7 * share + 0.3 * rng.dirichlet(np.full(CORNERS, 2.0)))
        rubber = over_day * (place - 0.5 * (len(order) - 1)) * share
        pace = np.cumsum(rng.normal(0.0, wander, int(at[-1]) + 1))
        pace -= pace[0]
        rows = []
        for number in at.astype(int):
            lap = base + weather + rubber + pace[number - 1] * share + (planted if setup == "B" else 0.0)
            lap = lap + cold * 0.45 ** (number - 1) + rng.normal(0.0, own)
            if rng.random() < 0.12:
                lap[rng.integers(CORNERS)] += rng.lognormal(np.log(0.18), 0.8)
            late = rng.normal(0.0, ERROR / np.sqrt(2.0), CORNERS + 1)  # at the stretches' ends
            lap = lap + np.diff(late)
            rows.append([lap.sum(), *lap])
        times.append(np.array(rows))
    return Pair(times, np.array([planted.sum(), *planted]))


def judged(
    pairs: list[Pair], order: str, numbers: list[np.ndarray], corners: bool, stated: float | None
) -> list[np.ndarray]:
    """Draws (D, 1 or 1 + C) of each pair's differences; pairs share the numbers of their laps."""
    kept = slice(None) if corners else slice(0, 1)
    width = 1 + CORNERS if corners else 1
    variance = np.full(1 + CORNERS, ERROR**2)[kept]
    outings = [
        OutingLaps(
            second=setup == "B", number=numbers[k],
            times=np.hstack([pair.times[k][:, kept] for pair in pairs]),
            variance=np.tile(variance, len(pairs)), shared=np.zeros(width * len(pairs)),
        )
        for k, setup in enumerate(order)
    ]  # fmt: skip
    draws = setup_effects(outings, outing=stated).draws
    return [draws[:, k * width : (k + 1) * width] for k in range(len(pairs))]


class Outcome(NamedTuple):
    """Of many pairs: the lap's difference, its standard deviation, the truth; clear corners; corners within."""

    value: np.ndarray
    sigma: np.ndarray
    truth: np.ndarray
    clear: np.ndarray  #: (pairs, C)
    within: np.ndarray  #: (pairs, C)

    @property
    def told(self) -> np.ndarray:
        """Which laps' differences are called real."""
        return np.abs(self.value) > 1.96 * self.sigma


def run(
    seed: int, count: int, order: str, laps: int, shift: float | None, size: float = 0.0, *, corners: bool = False,
    place: int | None = None, stated: float | None = None,
) -> Outcome:  # fmt: skip
    """Pairs of sessions; a planted difference is in one corner (``place``) or in all by chance.

    ``stated`` is what is said of the change from one outing to the next.
    """
    rng = np.random.default_rng([seed, len(order), laps, round((shift or 0.0) * 1e5), round(size * 1e3)])
    found = []
    for first in range(0, count, AT_ONCE):
        numbers = outing_numbers(order, laps, rng)
        pairs = []
        for _ in range(min(AT_ONCE, count - first)):
            share = np.eye(CORNERS)[place] if place is not None else rng.dirichlet(np.full(CORNERS, 2.0))
            sign = rng.choice([-1.0, 1.0])
            pairs.append(drive_pair(rng, order, numbers, sign * size * share, shift))
        for pair, draws in zip(pairs, judged(pairs, order, numbers, corners, stated)):
            every = [middle_interval(draws[:, k]) for k in range(draws.shape[1])]
            off = [abs(one.value - true) <= 1.96 * one.sigma for one, true in zip(every, pair.truth)]
            clear = clear_among(every[1:], draws[:, 1:]) if corners else []
            found.append((every[0].value, every[0].sigma, pair.truth[0], clear, off[1:]))
    value, sigma, truth, clear, within = zip(*found)
    return Outcome(np.array(value), np.array(sigma), np.array(truth), np.array(clear), np.array(within))


def per_cent(flags: np.ndarray) -> str:
    """How many of how many."""
    return f"{np.sum(flags):4d} of {np.size(flags):<5d} {100.0 * np.mean(flags):5.1f} %"


def named(shift: float | None) -> str:
    """In per cent."""
    return f"{100 * VARIED[0]:.2f}-{100 * VARIED[1]:.2f}" if shift is None else f"     {100 * shift:.2f}"


def false_alarms(count: int) -> None:
    """Equal setups."""
    print("\nEqual setups, 10 laps an outing: called different; 95 % intervals that hold none; median half width")
    cells = [(order, shift, None) for order in ORDERS for shift in SHIFTS]
    # Each outing is off by the shift, and the day's trend by half of it from one to the next.
    cells += [("AB", shift, shift * np.sqrt(2.0 + 0.25)) for shift in SHIFTS if shift is not None]
    for order, shift, stated in cells:
        found = run(1, count, order, 10, shift, stated=stated)
        held = np.abs(found.value - found.truth) <= 1.96 * found.sigma
        print(
            f"  {order:7s} outings differ by {named(shift)} %{' (stated)' if stated else ''}: {per_cent(found.told)}   "
            f"{per_cent(held)}   {1.96 * np.median(found.sigma):.2f} s",
            flush=True,
        )


def in_corners(count: int) -> None:
    """Equal setups by corner, and differences planted in one corner."""
    print("\nCorners, outings differ by 0.15 %: pairs with a false one; intervals that hold; the planted one found")
    for order in ("AB", "ABAB"):
        for size in (0.0, 0.2):
            found = run(2, count, order, 10, 0.0015, size, corners=True, place=3)
            other = np.delete(found.clear, 3, axis=1) if size else found.clear
            planted = per_cent(found.clear[:, 3]) if size else "-"
            print(
                f"  {order:7s} {size:.2f} s: {per_cent(other.any(axis=1))}   {per_cent(found.within)}   {planted}",
                flush=True,
            )


def power(count: int) -> dict[tuple[str, int, float], float]:
    """How often a difference is called real with its sign.

    It is added to what equal setups gave, once with either sign: a difference moves what is found by itself and leaves
    its interval, since nothing is expected of it beforehand.  The tests plant differences in the laps.
    """
    print("\nA planted difference of the lap called real with its sign, outings differ by 0.1 %")
    print("  order    laps an outing  " + "  ".join(f"{size:.2f} s" for size in SIZES))
    found = {}
    for order in ORDERS:
        for laps in LAPS:
            one = run(3, count, order, laps, 0.001)
            for size in SIZES:
                right = [size + sign * one.value > 1.96 * one.sigma for sign in (-1.0, 1.0)]
                found[order, laps, size] = float(np.mean(right))
            row = "  ".join(f"{100 * found[order, laps, size]:4.0f} %" for size in SIZES)
            print(f"  {order:7s}  {laps:14d}  {row}", flush=True)
    return found


def draw(found: dict[tuple[str, int, float], float], path: str) -> None:
    """Power against the number of laps, a panel a size."""
    from linelab.output.draw.style import COAST, GAIN, LOSS, SOFT, heading, new_figure, save_figure, tidy

    figure = new_figure(11.0, 3.9)
    heading(
        figure,
        "How often a difference is found",
        "Outings of 5, 10 and 15 laps of 49 s, which differ by 0.1 % though nothing is changed",
        room=0.82,
    )
    drawn = zip(ORDERS, "osD^", ("-", "--", "-.", ":"), (SOFT, COAST, GAIN, LOSS))
    figure.subplots_adjust(left=0.07, right=0.985, top=0.72, bottom=0.15, wspace=0.12)
    panels = list(figure.subplots(1, len(SIZES), sharey=True))
    for order, mark, style, color in drawn:
        at = [laps * len(order) for laps in LAPS]
        for axes, size in zip(panels, SIZES):
            shares = [100 * found[order, laps, size] for laps in LAPS]
            axes.plot(at, shares, style, marker=mark, color=color, label="-".join(order))
    for axes, size in zip(panels, SIZES):
        axes.set_title(f"{size:.2f} s a lap", fontsize=11)
        axes.set(xlabel="laps in all", xlim=(0, 95), ylim=(-4, 104))
        axes.set_xticks([0, 30, 60, 90])
        tidy(axes)
    panels[0].set_ylabel("called a real difference [%]")
    panels[0].legend(frameon=False, fontsize=10, loc="upper left")
    save_figure(figure, path)


def whole_sessions(first: int, count: int) -> None:
    """Recorded pairs of the second driver through the public function, equal or with a fault in one corner."""
    import judged_sessions
    import team_mates

    from linelab.study.setups.two_setups import compare_setups

    print("\nSessions of the second driver, each logged by its own receiver; the fault's cost beside what is said")
    for seed in range(first, first + count):
        rng = np.random.default_rng([seed, 5])
        number = int(rng.choice(team_mates.CIRCUITS))
        at = judged_sessions.venue(number, hilly=number % 3 == 0)
        try:
            one, two, habit, cost, _ = team_mates.drives(seed, at)
        except ValueError as error:
            print(f"  {seed}: {error}")
            continue
        pair = [
            team_mates.recorded(session, team_mates.RECEIVERS["good"](rng), 10 * seed + k)
            for k, session in enumerate((one, two))
        ]
        found = compare_setups(pair[:1], pair[1:], at.track)
        lap, clear = found.lap_time, [corner.number for corner in found.corners if corner.clear]
        print(
            f"  {seed} {habit or 'equal':12s} {cost:+.3f} s: {lap.value:+.3f} ±{1.96 * lap.sigma:.3f} s, "
            f"{found.verdict}, clear corners {clear}",
            flush=True,
        )


def main(part: str = "all", count: int = 120, picture: str = "") -> None:
    """Run and print."""
    print(surroundings())
    start = time.perf_counter()
    if part in ("all", "alarms"):
        false_alarms(count)
    if part in ("all", "corners"):
        in_corners(count)
    if part in ("all", "power"):
        found = power(count)
        if picture:
            draw(found, picture)
    if part in ("all", "sessions"):
        whole_sessions(700000, count // 10)
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main(*(int(value) if k == 1 else value for k, value in enumerate(sys.argv[1:])))
