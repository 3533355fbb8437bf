"""Two drivers on one circuit: where one is quicker, and that nothing is made up between equal ones.

Run ``python benchmarks/team_mates.py [pairs] [first seed] [good|consumer] [file|shared|kept]``.  The second driver
drives a clean session and another one, with one fault in one corner or, on every second seed, none: same circuit, kart
and driver, other scatter.  Each session is logged by a receiver of its own, of that kind, and read with the track's
file, with one track estimated from both recordings, or with a track kept from a third one of the clean session.
Printed are how often corners without a true difference are called clear, how often a planted difference is found with
its sign, by its size, and how many of the 95 % intervals hold the truth: of equal drivers no difference in any corner
and the lap, and of all pairs the true median passes of the very laps that were driven, for which
the scatter of a few laps is no error.
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import judged_sessions as sessions
import numpy as np
import second_driver as judge
from second_driver.driver import practise
from second_driver.line import best_line
from second_driver.session import _drive_all, _find_size, _Stage
from second_judge import CIRCUITS, WORKERS
from surroundings import surroundings

from linelab.coaching.from_recording import Ground, choose_laps, find_ground, find_grounds
from linelab.coaching.session import review_session
from linelab.diagnosis.losses import segment_edges
from linelab.errors import LinelabError
from linelab.files.recordings.load_recording import load_recording
from linelab.model.lap import Recording
from linelab.motion.channels import stated_bias
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.optimum.minimum_time import solve_min_time
from linelab.study.other_sessions import compare_sessions

RECEIVERS = {"good": judge.good_receiver, "consumer": judge.poor_receiver}
#: What a planted fault costs [s], one after the other.
SIZES = (0.1, 0.15, 0.2, 0.3)
FAULTS = ("brake_early", "power_late", "overslow", "coast", "apex_wide")


class Pair(NamedTuple):
    """What was said of a pair, second minus first: by corner (value, sigma, clear, true difference of medians)."""

    seed: int
    habit: str
    cost: float
    corner: int  #: index, -1 for none
    corners: np.ndarray
    lap: tuple[float, float, float]
    moved: tuple[float, float]  #: sigma of the displacement [m], receivers' drift [m]


def drives(seed: int, at: sessions.Venue) -> tuple[judge.Session, judge.Session, str, float, tuple[float, float]]:
    """A clean session and the same driver's other one, with what is planted in it, what that costs and where."""
    rng = np.random.default_rng([seed, 6])
    first = judge.plan_session(seed, circuit=at.circuit, kart=at.kart_driven, clean=True, cache=sessions.LINES)
    driver, road, kart = first.driver, at.circuit.road, at.kart_driven
    line = best_line(at.circuit, kart, extra=driver.extra_room, hands=driver.hands_length, cache=sessions.LINES)
    stage = _Stage(road, kart, driver, line, practise(road, kart, driver.feet, line, driver.grip_share))
    clean_time, drive = stage.lap([], None)
    lap = (drive.s > -2) & (drive.s < road.length + 2)
    around = road.periodic(np.interp(road.s, drive.s[lap], drive.v[lap]))

    def speed(s: np.ndarray) -> np.ndarray:
        return np.asarray(around(np.mod(s, road.length)))

    chosen, habit, cost, place = [], "", 0.0, (0.0, 0.0)
    if seed % 2:
        wanted = SIZES[seed // 2 % len(SIZES)]
        for name in rng.permutation(FAULTS).tolist():
            for k in rng.permutation(len(first.corners)).tolist():
                found = _find_size(stage, first.corners[k], name, wanted, clean_time, speed)
                if found and not chosen:
                    chosen, habit, cost = [(first.corners[k], name, found[0])], name, found[1]
            if chosen:
                break
        if not chosen:
            raise ValueError("no fault makes sense here")
        step = round(chosen[0][0].apex / stage.step) % len(road.s)
        place = (float(road.x[step]), float(road.y[step]))
    number = int(rng.integers(8, 13))
    done = _drive_all(stage, chosen, [tuple(range(1, number + 1))] * len(chosen), number, False, clean_time, speed, rng)
    times = [judge.session._crossing(at.circuit, done, k * road.length) for k in range(number + 1)]
    laps = [
        {"number": k + 1, "start": times[k], "end": times[k + 1], "time": times[k + 1] - times[k]}
        for k in range(number)
    ]
    second = judge.Session(
        at.circuit, kart, driver, [], first.corners, done, laps, first.clean_lap, first.clean_time, cost
    )
    return first, second, habit, cost, place


def recorded(session: judge.Session, receiver: judge.Receiver, seed: int) -> Recording:
    """Logged and read from its file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"session_{seed}.csv"
        judge.log(session, receiver, seed).to_csv(path)
        return load_recording(path)


def grounds_of(pair: list[Recording], at: sessions.Venue, form: str, third: Recording | None) -> list[Ground]:
    """The recordings' laps on the track's file, on one estimated from both, or on one kept from a third."""
    if form == "file":
        return [find_ground(recording, at.track) for recording in pair]
    if form == "shared":
        return find_grounds(pair)
    assert third is not None
    kept = find_ground(third, None).track
    return [find_ground(recording, kept) for recording in pair]


def one(job: tuple[int, str, str]) -> Pair | str:
    """One pair."""
    seed, kind, form = job
    rng = np.random.default_rng([seed, 5])
    number = int(rng.choice(CIRCUITS))
    try:
        at = sessions.venue(number, hilly=number % 3 == 0)
        first, second, habit, cost, place = drives(seed, at)
    except ValueError as error:
        return f"seed {seed}: {error}"
    receivers = [RECEIVERS[kind](rng) for _ in range(3)]
    pair = [recorded(session, receivers[k], 10 * seed + k) for k, session in enumerate((first, second))]
    try:
        third = recorded(first, receivers[2], 10 * seed + 2) if form == "kept" else None
        grounds = grounds_of(pair, at, form, third)
        reference = at.reference if form == "file" else solve_min_time(grounds[0].track, at.kart).lap
        reviews = []
        for ground, receiver in zip(grounds, receivers):
            sensors = ground.sensors or read_sensors(ground.laps[0].samples)
            bias = stated_bias(receiver.drift, sensors) if form == "file" else ground.bias
            laps = estimate_placed_laps(
                ground.track, choose_laps(ground.laps), sensors=sensors, bias=bias, refused=lambda *_: None
            )
            reviews.append(review_session(ground.track, at.kart, laps, reference))
        found = compare_sessions(*reversed(reviews))
    except LinelabError as error:
        return f"seed {seed}: refused: {error}"
    segments, marks = reviews[0].laps[0].comparison.losses.segments, reviews[0].reference_marks
    numbers = [mark.corner.number for mark in marks]
    owners = np.array([numbers.index(segment.corner) for segment in segments])
    edges, true = segment_edges(segments), []
    for session, review in zip((first, second), reviews):
        rows = np.array([[int(lap.label.split()[1]), lap.lap_time.value] for lap in review.laps])
        passes = sessions.true_passes(session, review.track, edges, owners, rows)
        true.append(np.median(passes, axis=0))
    difference = true[1] - true[0]
    corner = numbers.index(sessions.corner_at(at.circuit, reviews[0].track, marks, place)) if habit else -1
    told = [(item.time.value, item.time.sigma, item.clear, difference[k]) for k, item in enumerate(found.corners)]
    lap = (found.lap_time.value or 0.0, found.lap_time.sigma or 0.0, cost)
    return Pair(
        seed, habit, cost, corner, np.array(told), lap, (found.moved_sigma, max(r.drift for r in receivers[:2]))
    )


def share(flags: np.ndarray | list[bool]) -> str:
    """How many of how many."""
    return f"{sum(flags)} of {len(flags)}" + (f" ({100.0 * np.mean(flags):.0f} %)" if len(flags) else "")


def far_from(item: Pair) -> np.ndarray:
    """Corners that are not the fault's, nor beside it."""
    count = len(item.corners)
    apart = (np.arange(count) - item.corner) % count
    return np.flatnonzero(np.minimum(apart, count - apart) > 1)


def found_right(pairs: list[Pair], low: float, high: float) -> list[bool]:
    """Whether faults whose corner truly takes so much longer are clear, with the right sign."""
    at = [item.corners[item.corner] for item in pairs]
    return [bool(clear and value > 0.0) for value, _, clear, truth in at if low <= truth < high]


def held(rows: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Whether 95 % intervals of rows (value, sigma, ...) hold the truth."""
    return np.abs(rows[:, 0] - truth) <= 1.96 * rows[:, 1]


def main(count: int = 40, first: int = 400000, kind: str = "good", form: str = "file") -> None:
    """Run and print."""
    print(surroundings())
    with ProcessPoolExecutor(WORKERS) as pool:
        found = list(pool.map(one, [(seed, kind, form) for seed in range(first, first + count)], chunksize=1))
    pairs = [item for item in found if isinstance(item, Pair)]
    equal, planted = [item for item in pairs if not item.habit], [item for item in pairs if item.habit]
    print(f"{kind} receivers, {form}: {len(equal)} equal pairs, {len(planted)} with a fault in one corner")
    print("equal drivers left in peace:", share([not item.corners[:, 2].any() for item in equal]))
    beside = [not item.corners[far_from(item), 2].any() for item in planted]
    print("nothing made up away from the fault and the corners beside it:", share(beside))
    for low, high in ((0.0, 0.05), (0.05, 0.1), (0.1, 0.15), (0.15, 0.2), (0.2, 0.6)):
        right = found_right(planted, low, high)
        print(f"true difference {low:.2f} to {high:.2f} s there: clear with the right sign {share(right)}")
    rows, every = (np.concatenate([item.corners for item in some] or [np.zeros((0, 4))]) for some in (equal, pairs))
    off, laps = every[:, 0] - every[:, 3], np.array([item.lap for item in pairs])
    print("equal drivers, 95 % intervals of corners that hold 0:", share(held(rows, np.zeros(len(rows)))))
    print("all pairs, that hold the true difference of these laps:", share(held(every, every[:, 3])))
    print(f"  RMS error {1e3 * np.sqrt(np.mean(off**2)):.0f} ms, median sigma {1e3 * np.median(every[:, 1]):.0f} ms")
    print("95 % intervals of the usual lap that hold the fault's cost:", share(held(laps, laps[:, 2])))
    moved = np.median([item.moved for item in pairs], axis=0)
    print(f"displacement between the recordings known within {moved[0]:.2f} m, the receivers drift by {moved[1]:.1f} m")
    for item in pairs:
        if item.corners[:, 2].any() and not item.habit:
            print(item.seed, "made up", item.corners[item.corners[:, 2] > 0].round(3).tolist())
        if item.habit and not item.corners[item.corner, 2]:
            print(item.seed, item.habit, "missed", item.corners[item.corner].round(3).tolist())
    print(*(item for item in found if isinstance(item, str)), sep="\n")


if __name__ == "__main__":
    main(*(value if k > 1 else int(value) for k, value in enumerate(sys.argv[1:])))
