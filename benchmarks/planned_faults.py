"""Whether the first priority names the fault that costs most: simulated sessions with known faults, and clean ones.

Run ``python benchmarks/planned_faults.py [sessions] [clean sessions] [first seed]``.  Every session is driven by the
simulated driver on a bundled circuit, with one to three faults of random size at random corners (or with laps that
scatter), logged by a random receiver of 10 to 25 samples a second whose typical error is stated as a user would state
it, and read by the same functions as a user's file.

The truth is the driver's own lap without noise or scatter: what a fault costs is the lap time with it less the lap
time without it.  The dearest fault costs at least LEAST and a fifth more than the next, so that there is a largest one
to be named; a fault costs at most MOST.  It is named when the first priority is of its kind and lists its corner.  Laps
that scatter have one to three faults each, on every lap others.  A clean driver has no fault, but uses 93 to 99 % of
the grip, takes some tenths of a second between pedals and for the power, and varies a little from lap to lap.  Faults
of the feet are planned where the computed lap slows for the corner, braking faults where it brakes.

What stays hard, and is counted as missed: faults near LEAST, since feet that take a tenth longer than others' cost as
much in every corner and are let pass; an early turn-in that moves the line by a decimetre, which no receiver here
resolves; a fault in one of several corners within a kart's braking distance, which shows in its neighbour; and power
so little abrupt that the kart never stops gaining speed, which in the speed alone is late power. No kinds are merged:
a slide at the apex and one under power have different remedies, though their speed differs by some metres only.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
from surroundings import surroundings

from linelab.coaching.results import Review
from linelab.coaching.session import review_session
from linelab.diagnosis.marks import find_marks
from linelab.drive import faults as manner
from linelab.drive.driver import careful_lap, drive_session
from linelab.drive.faults import Fault, Habits
from linelab.drive.motion import SimulatedSession
from linelab.drive.receiver import Receiver, record
from linelab.errors import TrackError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.motion.channels import stated_bias
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.optimum.minimum_time import solve_min_time
from linelab.recorded.laps import complete_laps, split_laps

PLACES = (
    ("ostrelle_sprint", "senior-single-speed"),
    ("marrowdown_club", "junior-single-speed"),
    ("tinmarsh_rental", "rental-four-stroke"),
)
LEAST, MOST, AHEAD = 0.08, 0.45, 1.2
WORKERS = 2
#: Flying laps of a session, least and one more than most.
LAPS = (8, 13)

#: Kind as the review calls it, the simulated fault, and the range of its size.
KINDS = {
    "apex_missed": (manner.ApexMissed, "metres", 0.5, 1.3),
    "turns_in_early": (manner.TurnsInEarly, "metres", 3.0, 7.0),
    "brakes_early": (manner.BrakesEarly, "metres", 5.0, 14.0),
    "brakes_softly": (manner.BrakesSoftly, "share", 0.4, 0.7),
    "coasts": (manner.Coasts, "metres", 12.0, 30.0),
    "power_late": (manner.LatePower, "metres", 5.0, 15.0),
    "power_abrupt": (manner.AbruptPower, "speed_lost", 1.0, 3.0),
    "slide": (manner.Slides, "speed_lost", 0.6, 1.8),
}
ALL_KINDS = (*KINDS, "scatter")


class Place(NamedTuple):
    """A circuit with its kart, the computed lap, and one that keeps a hand's breadth off the edges."""

    track: Track
    kart: Kart
    reference: Lap
    careful: Lap
    corners: dict[str, list[int]]


class Outcome(NamedTuple):
    """What was planned, and what the first priority was."""

    seed: int
    place: str
    kind: str
    corner: int
    cost: float
    named: str
    corners: tuple[int, ...]
    stake: float
    sigma: float

    @property
    def hit(self) -> bool:
        """Whether the largest fault was named."""
        same = {"power_late", "coasts"} if len(self.corners) > 1 else {self.kind}  # one card that names both
        return (self.named == self.kind or {self.named, self.kind} == same) and (
            self.kind in ("scatter", "none") or self.corner in self.corners
        )


@cache
def place(index: int) -> Place:
    """A circuit, solved once a process."""
    track, kart = load_track(PLACES[index][0]), load_kart(PLACES[index][1])
    reference = solve_min_time(track, kart).lap
    return Place(track, kart, reference, careful_lap(track, kart, 0.1), sensible(track, kart, reference))


def sensible(track: Track, kart: Kart, reference: Lap) -> dict[str, list[int]]:
    """Corners by kind: a line can be missed anywhere, but feet only where the computed lap slows for the corner."""
    every, slowed, braked = [], [], []
    for mark in find_marks(track, reference, kart):
        s = np.arange(mark.turn_in - 50.0, mark.minimum_speed + 1.0)
        v = np.interp(np.mod(s, track.length), reference.line.s, reference.v)
        every.append(mark.corner.number)
        if mark.turn_in < mark.minimum_speed and v.max() - v[-1] > 1.0 and v[-1] < v.min() + 0.2:
            slowed.append(mark.corner.number)
            if mark.brakes and mark.minimum_speed - mark.brake_point > 8.0:
                braked.append(mark.corner.number)
    by_feet = {kind: braked if kind.startswith("brakes") else slowed for kind in KINDS}
    return by_feet | dict.fromkeys(("apex_missed", "turns_in_early"), every)


def random_habits(rng: np.random.Generator, at: Place) -> Habits:
    """A sound driver."""
    slow = float(np.quantile(at.reference.v, 0.1))
    return Habits(
        grip_share=rng.uniform(0.93, 0.99),
        line_scatter=rng.uniform(0.05, 0.2),
        pace_scatter=rng.uniform(0.004, 0.012),
        pedal_time=rng.uniform(0.06, 0.16),
        power_build=slow * rng.uniform(0.1, 0.25),
    )


def exact_time(at: Place, followed: Lap, habits: Habits) -> float:
    """Lap time of a driver without noise or scatter [s]; no time at all where that leaves the track."""
    still = replace(habits, line_scatter=0.0, pace_scatter=0.0, fault_scatter=0.0)
    try:
        return drive_session(at.track, at.kart, at.reference, still, followed=followed, laps=1).laps[0].lap_time
    except TrackError:
        return float("nan")


def random_fault(rng: np.random.Generator, at: Place, kind: str) -> Fault:
    """A fault of a kind at a random corner where it makes sense."""
    of, name, low, high = KINDS[kind]
    corner = int(rng.choice(at.corners[kind]))
    return of(corner=corner, **{name: float(rng.uniform(low, high))})


def planned(rng: np.random.Generator, at: Place, followed: Lap, kind: str) -> tuple[Habits, Fault | None, float]:
    """Habits whose dearest fault is of the kind, that fault and its cost."""
    sound = random_habits(rng, at)
    base = exact_time(at, followed, sound)
    if kind == "scatter":
        return scattered(rng, at, followed, sound, base)
    for _ in range(200):
        first = random_fault(rng, at, kind)
        cost = exact_time(at, followed, replace(sound, faults=(first,))) - base
        if not LEAST <= cost <= MOST:
            continue
        faults, corners = [first], [first.corner]
        for other in rng.permutation([name for name in KINDS if name != kind])[: rng.integers(0, 3)]:
            fault = random_fault(rng, at, str(other))
            apart = all(abs(fault.corner - corner) > 1 for corner in corners)
            if apart and exact_time(at, followed, replace(sound, faults=(fault,))) - base < cost / AHEAD:
                faults.append(fault)
                corners.append(fault.corner)
        return replace(sound, faults=tuple(faults)), first, cost
    raise RuntimeError(f"no {kind} costs {LEAST} s on {at.track.name}")


def scattered(
    rng: np.random.Generator, at: Place, followed: Lap, sound: Habits, base: float
) -> tuple[Habits, None, float]:
    """A driver who does something else wrong on every lap, and what that costs a lap."""
    while True:
        faults, costs = [], []
        for lap in range(1, LAPS[1] + 1):
            for kind in rng.choice(list(KINDS), rng.integers(1, 4), replace=False):
                fault = random_fault(rng, at, str(kind))
                cost = exact_time(at, followed, replace(sound, faults=(fault,))) - base
                if cost <= MOST:
                    faults.append(replace(fault, laps=(lap,)))
                    costs.append(cost)
        if sum(costs) / LAPS[1] >= LEAST:
            return replace(sound, faults=tuple(faults)), None, sum(costs) / LAPS[1]


def driven(rng: np.random.Generator, at: Place, followed: Lap, habits: Habits, laps: int) -> SimulatedSession:
    """A session that stays on the track: another one where scatter leads off it."""
    for _ in range(20):
        seed = int(rng.integers(1 << 30))
        try:
            return drive_session(at.track, at.kart, at.reference, habits, followed=followed, laps=laps, seed=seed)
        except TrackError:
            continue
    raise RuntimeError(f"the driver does not stay on {at.track.name}: {habits}")


def reviewed(rng: np.random.Generator, at: Place, followed: Lap, habits: Habits) -> Review:
    """The session driven, logged and reviewed."""
    session = driven(rng, at, followed, habits, int(rng.integers(*LAPS)))
    receiver = Receiver(
        rate=float(rng.choice([10.0, 18.0, 25.0])),
        white=rng.uniform(0.05, 0.2),
        bias=rng.uniform(0.1, 0.4),
        speed_noise=rng.uniform(0.04, 0.1),
        latency=float(rng.choice([0.0, 0.1])),
    )
    cut = split_laps(record(session, receiver, seed=int(rng.integers(1 << 30))), at.track)
    sensors = read_sensors(cut[0].samples)
    bias = stated_bias(receiver.bias, sensors)
    laps = estimate_placed_laps(at.track, complete_laps(cut), sensors=sensors, bias=bias)
    return review_session(at.track, at.kart, laps, at.reference)


def one(job: tuple[int, str]) -> Outcome | str:
    """One session; kind "none" is a clean driver.  A driver whom his faults lead off the road is told instead."""
    try:
        return outcome(job)
    except RuntimeError as error:
        return f"seed {job[0]}: {error}"


def outcome(job: tuple[int, str]) -> Outcome:
    """As :func:`one`."""
    seed, kind = job
    rng = np.random.default_rng([seed, 11])
    index = int(rng.integers(len(PLACES)))
    at = place(index)
    followed = at.reference if rng.uniform() < 0.5 else at.careful
    fault: Fault | None = None
    if kind == "none":
        habits, cost = random_habits(rng, at), 0.0
    else:
        habits, fault, cost = planned(rng, at, followed, kind)
    first = reviewed(rng, at, followed, habits).priorities
    corner = fault.corner if fault is not None else 0
    if not first:
        return Outcome(seed, PLACES[index][0], kind, corner, cost, "none", (), 0.0, 0.0)
    stake = first[0].at_stake
    return Outcome(
        seed, PLACES[index][0], kind, corner, cost, first[0].kind, first[0].corners, stake.value or 0.0,
        stake.sigma or 0.0,
    )  # fmt: skip


def table(outcomes: list[Outcome]) -> str:
    """The confusion table: planned down, named across."""
    counts = Counter((item.kind, item.named) for item in outcomes)
    named = sorted({item.named for item in outcomes} | set(ALL_KINDS), key=lambda name: (name == "none", name))
    rows = [f"{'planned':16}" + "".join(f"{name[:13]:>14}" for name in named)]
    for kind in (*ALL_KINDS, "none"):
        if any(item.kind == kind for item in outcomes):
            rows.append(f"{kind:16}" + "".join(f"{counts[kind, name] or '.':>14}" for name in named))
    return "\n".join(rows)


def main(sessions: int = 100, clean: int = 100, first: int = 0) -> None:
    """Run and print."""
    print(surroundings())
    jobs = [(first + k, ALL_KINDS[k % len(ALL_KINDS)]) for k in range(sessions)]
    jobs += [(first + 10_000 + k, "none") for k in range(clean)]
    begun = time.perf_counter()
    with ProcessPoolExecutor(WORKERS) as pool:
        found = list(pool.map(one, jobs, chunksize=4))
    outcomes = [item for item in found if not isinstance(item, str)]
    print(*[item for item in found if isinstance(item, str)], sep="\n")
    faults = [item for item in outcomes if item.kind != "none"]
    sound = [item for item in outcomes if item.kind == "none"]
    print(f"{len(outcomes)} sessions in {time.perf_counter() - begun:.0f} s\n")
    print(table(outcomes))
    if faults:
        named = sum(item.hit for item in faults)
        print(f"\nlargest fault named first: {named} of {len(faults)} ({100.0 * named / len(faults):.0f} %)")
        near = [item for item in faults if item.hit]
        off = np.array([item.stake - item.cost for item in near])
        print(
            f"time at stake less true cost where named: mean {off.mean():+.3f} s, RMS {np.sqrt((off**2).mean()):.3f} s"
        )
    if sound:
        quiet = sum(item.named == "none" for item in sound)
        print(f"clean drivers without a priority: {quiet} of {len(sound)} ({100.0 * quiet / len(sound):.0f} %)")
    for item in outcomes:
        if not item.hit:
            print(
                f"  seed {item.seed} {item.place}: {item.kind} in corner {item.corner} costs {item.cost:.2f} s; "
                f"named {item.named} in {item.corners} {item.stake:.2f} ± {item.sigma:.2f} s"
            )


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
