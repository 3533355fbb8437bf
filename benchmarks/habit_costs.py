"""What habits cost at every corner: one process beside two, and what the computed lap and the costs take.

Run ``python benchmarks/habit_costs.py``; ``--habit line_defended`` looks at another habit, ``--corners 4`` at the first
four corners only.
"""

from __future__ import annotations

import argparse
import multiprocessing
import time
from concurrent.futures import Executor, ProcessPoolExecutor

import numpy as np
from surroundings import surroundings

from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.kart import Kart
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.study.habit_costs import LINE_HABITS, Habit, habit_costs

SIZES = 9  #: of every habit
STEP = 0.25  #: between them [m, m/s]


def timed(
    track: Track, kart: Kart, solution: Solution, habit: Habit, corners: list[int], executor: Executor | None
) -> tuple[float, float, list[list[float]]]:
    """Elapsed and this process' processor time of all corners [s], and the costs [s]."""
    sizes = STEP * np.arange(1, SIZES + 1)
    started, used = time.perf_counter(), time.process_time()
    found = habit_costs(track, kart, solution, habit=habit, sizes=sizes.tolist(), corners=corners, executor=executor)
    return time.perf_counter() - started, time.process_time() - used, [cost.time_lost.tolist() for cost in found]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--track", default="ostrelle_sprint")
    parser.add_argument("--kart", default="senior-single-speed")
    parser.add_argument("--habit", default="apex_missed", choices=LINE_HABITS)
    parser.add_argument("--corners", type=int, default=99)
    given = parser.parse_args()
    print(surroundings("scipy"))
    track, kart = load_track(given.track), load_kart(given.kart)
    corners = [corner.number for corner in track.corners][: given.corners]
    begun = time.process_time()
    solution = solve_min_time(track, kart)
    print(f"computed lap: {time.process_time() - begun:.2f} s of processor time")
    wall, used, one = timed(track, kart, solution, given.habit, corners, None)
    count = len(corners) * SIZES
    print(f"{given.habit}, {len(corners)} corners x {SIZES} sizes, one process: {wall:.2f} s elapsed, {used:.2f} s of")
    print(f"  processor time ({1e3 * used / count:.0f} ms a cost); the rest of the elapsed time went to other work")
    started = time.perf_counter()
    before = children()
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        shared, own, two = timed(track, kart, solution, given.habit, corners, pool)
    both = time.perf_counter() - started
    spent = children() - before
    print(f"two processes (spawn): {shared:.2f} s elapsed, {both:.2f} s with their end; {spent:.2f} s of")
    print(f"  processor time in both together, their start included, {own:.2f} s in the one that starts them")
    print(f"elapsed, one to two: {wall / shared:.2f}; half of the processor time of two: {0.5 * spent + own:.2f} s")
    print(f"same costs: {np.array_equal(np.array(one), np.array(two), equal_nan=True)}")


def children() -> float:
    """Processor time of ended child processes [s]."""
    import resource

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
