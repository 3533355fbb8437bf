"""Whether the first card is right in habit and corner: the second driver's sessions, which share nothing with linelab.

Run ``python benchmarks/second_judge.py [faulted] [clean] [first seed] [good|poor|any|exact|unsurveyed] [change]``.
Every session is driven on one of the second driver's circuits, every third one hilly, logged by a random receiver of
that kind, written to a file and read by the same functions as a user's file; "exact" laps have no receiver.  The kart
file holds what its owner could know: peak grip, braking, engine and drag, not the tyres' load sensitivity nor the shape
of their limit.  "unsurveyed" recordings are read without the track, habits of the feet only; ``change`` alters the kart
file as a wrong guess would: drag, scrub, brakes, force+ or force-.

A card is right where it names the habit, at the corner whose apex is nearest to the place of the fault.  Power late out
of a corner and coasting into the next are the same driving.  A slowest point well after the apex has no own card:
slowing too long, waiting with the power and losing speed once through are what a coach would say.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import NamedTuple

import judged_sessions as sessions
import numpy as np
import second_driver as judge
from surroundings import surroundings

from linelab.coaching.session import review_session
from linelab.diagnosis.marks import find_marks
from linelab.errors import LinelabError
from linelab.model.engine import with_force
from linelab.optimum.minimum_time import solve_min_time

WORKERS = 2
HABITS = tuple(judge.HABITS)
CIRCUITS = (11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22)
RECEIVERS = {"good": judge.good_receiver, "poor": judge.poor_receiver, "any": judge.any_receiver}
#: Cards that are right for each of the second driver's habits.
RIGHT = {
    "apex_wide": {"apex_missed"},
    "entry_inside": {"turns_in_early"},
    "exit_unused": {"exit_unused"},
    "brake_early": {"brakes_early"},
    "brake_soft": {"brakes_softly"},
    "coast": {"coasts"},
    "overslow": {"too_slow_in_corner"},
    "late_minimum": {"too_slow_in_corner", "power_late", "slide"},
    "power_late": {"power_late"},
    "power_rushed": {"power_abrupt", "slide"},
    "slide": {"slide"},
}
CHANGES = {
    "drag": lambda kart: replace(kart, cda=1.15 * kart.cda),
    "scrub": lambda kart: replace(kart, scrub=min(1.3 * kart.scrub, 0.3)),
    "brakes": lambda kart: replace(kart, mu_longitudinal=0.9 * kart.mu_longitudinal),
    "force+": lambda kart: replace(kart, engine=with_force(kart.engine, 1.05)),
    "force-": lambda kart: replace(kart, engine=with_force(kart.engine, 0.95)),
    "": lambda kart: kart,
}
LINES = {"apex_missed", "turns_in_early", "exit_unused", "line_other"}


class Outcome(NamedTuple):
    """What was planted, and what the first card was."""

    seed: int
    habit: str
    corner: int
    cost: float
    card: str
    at: int
    stake: float
    sigma: float
    right: bool
    near: bool  #: the right corner, and a line for a line
    seconds: float


def one(job: tuple[int, str, str, str]) -> Outcome | str:
    """One session; habit "none" is a clean driver."""
    seed, habit, kind, change = job
    rng = np.random.default_rng([seed, 4])
    number = int(rng.choice(CIRCUITS))
    try:
        at = sessions.venue(number, hilly=number % 3 == 0)
        session = judge.plan_session(
            seed, circuit=at.circuit, kart=at.kart_driven, habit=None if habit == "none" else habit,
            clean=habit == "none", cache=sessions.LINES,
        )  # fmt: skip
    except ValueError as error:
        return f"seed {seed}: {error}"
    try:
        kart = CHANGES[change](at.kart)
        reference = solve_min_time(at.track, kart).lap if change else at.reference
        track, marks = at.track, find_marks(at.track, at.reference, at.kart)
        begun = time.process_time()
        if kind == "unsurveyed":
            review = sessions.without_survey(session, judge.any_receiver(rng), seed, kart)
            track, marks = review.track, review.reference_marks
        elif kind == "exact":
            laps = sessions.exact_laps(session, at.track, at.kart)
        else:
            laps = list(sessions.recorded_laps(session, at.track, RECEIVERS[kind](rng), seed))
        if kind != "unsurveyed":
            begun = time.process_time()
            review = review_session(track, kart, laps, reference)
    except LinelabError as error:
        return f"seed {seed}: refused: {error}"
    seconds = time.process_time() - begun
    corner, cost = 0, 0.0
    if session.faults:
        main = session.faults[0]
        corner, cost = sessions.corner_at(at.circuit, track, marks, main.place_xy), main.true_cost
    if not review.priorities:
        return Outcome(seed, habit, corner, cost, "none", 0, 0.0, 0.0, habit == "none", False, seconds)
    first = review.priorities[0]
    numbers = [mark.corner.number for mark in marks]
    right, near = False, False
    if session.faults:
        name = session.faults[0].habit
        apart = (numbers.index(first.corners[0]) - numbers.index(corner)) % len(numbers) if first.corners else -1
        right = apart == 0 and first.kind in RIGHT[name]
        right |= name == "power_late" and first.kind == "coasts" and apart == 1
        right |= name == "coast" and first.kind == "power_late" and apart == len(numbers) - 1
        near = right or (apart == 0 and (first.kind in LINES) == bool(RIGHT[name] & LINES))
    return Outcome(
        seed, habit, corner, cost, first.kind, first.corners[0] if first.corners else 0, first.at_stake.value or 0.0,
        first.at_stake.sigma or 0.0, right, near, seconds,
    )  # fmt: skip


def main(faulted: int = 99, clean: int = 60, first: int = 50000, kind: str = "any", change: str = "") -> None:
    """Run and print."""
    print(surroundings())
    habits = [name for name in HABITS if kind != "unsurveyed" or not RIGHT[name] & (LINES | {"too_slow_in_corner"})]
    jobs = [(first + k, habits[k % len(habits)], kind, change) for k in range(faulted)]
    jobs += [(first + 10_000 + k, "none", kind, change) for k in range(clean)]
    with ProcessPoolExecutor(WORKERS) as pool:
        found = list(pool.map(one, jobs, chunksize=1))
    skipped = [item for item in found if isinstance(item, str)]
    told = [item for item in found if not isinstance(item, str)]
    faults = [item for item in told if item.habit != "none"]
    cards = sorted({item.card for item in told})
    counts = Counter((item.habit, item.card) for item in told)
    print(f"{'planted':14}" + "".join(f"{card[:12]:>13}" for card in cards))
    for habit in (*HABITS, "none"):
        print(f"{habit:14}" + "".join(f"{counts[habit, card] or '.':>13}" for card in cards))
    if faults:
        dear = [item for item in faults if item.cost >= 0.2]
        right, near = sum(item.right for item in faults), sum(item.near for item in faults)
        print(f"first card right in habit and corner: {right} of {len(faults)} ({100.0 * right / len(faults):.0f} %)")
        print(f"right where the fault costs 0.2 s or more: {sum(item.right for item in dear)} of {len(dear)}")
        print(f"right corner, and line told from feet: {near} of {len(faults)}")
        hits = [item for item in faults if item.right]
        off = np.array([item.stake - item.cost for item in hits])
        held = np.mean([abs(item.stake - item.cost) <= 1.96 * item.sigma for item in hits])
        print(f"stake less truth where right: mean {off.mean():+.3f} s, RMS {np.sqrt((off**2).mean()):.3f} s, "
              f"95 % intervals hold {100.0 * held:.0f} %")  # fmt: skip
    sound = [item for item in told if item.habit == "none"]
    if sound:
        quiet = sum(item.card in ("none", "scatter") for item in sound)
        print(f"clean drivers told nothing specific: {quiet} of {len(sound)}")
    print(f"processor time of a review: {np.mean([item.seconds for item in told]):.1f} s")
    for item in told:
        if not item.right and not (item.habit == "none" and item.card in ("none", "scatter")):
            print(f"  seed {item.seed}: {item.habit} in corner {item.corner}, {item.cost:.2f} s; "
                  f"told {item.card} in {item.at}, {item.stake:.2f} ± {item.sigma:.2f} s")  # fmt: skip
    print(*skipped, sep="\n")


if __name__ == "__main__":
    main(*(int(argument) if argument.isdigit() else argument for argument in sys.argv[1:]))  # type: ignore[arg-type]
