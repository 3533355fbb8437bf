"""What is said of the driver's own quickest passes, against the truth: the second driver's sessions without a track.

Run ``python benchmarks/own_passes.py [sessions] [first seed]``.  Every session is logged by a random receiver, and read
without a track file, so that each corner is held against the driver's own quickest pass of it.  Printed are the errors
of the measured times of passes in their stated standard deviations; what the best lap lacks to the quickest passes
joined, and what the usual laps lose in each corner, against the truth; and the same as it would be said if the smallest
measured time were believed.
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
from second_judge import CIRCUITS, WORKERS
from surroundings import surroundings

from linelab.coaching.analysis import analyse
from linelab.coaching.from_recording import choose_laps, find_ground
from linelab.diagnosis.losses import segment_edges
from linelab.errors import LinelabError
from linelab.files.recordings.load_recording import load_recording
from linelab.motion.placing import estimate_placed_laps
from linelab.optimum.minimum_time import solve_min_time

#: A habit on every lap, on some, or none: of the feet, which need no survey.
HABITS = (None, "brake_early", "power_late", "coast", "overslow")


class Told(NamedTuple):
    """One session: errors of passes (L, C) in standard deviations, and rows of (told, sigma, truth) [s]."""

    errors: np.ndarray
    gap: tuple[float, float, float]
    behind: np.ndarray
    naive: float


def one(seed: int) -> Told | str:
    """One session."""
    rng = np.random.default_rng([seed, 4])
    number, habit = int(rng.choice(CIRCUITS)), HABITS[seed % len(HABITS)]
    try:
        at = sessions.venue(number, hilly=number % 3 == 0)
        session = judge.plan_session(
            seed, circuit=at.circuit, kart=at.kart_driven, habit=habit, clean=habit is None, cache=sessions.LINES
        )
    except ValueError as error:
        return f"seed {seed}: {error}"
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "session.csv"
            judge.log(session, judge.any_receiver(rng), seed).to_csv(path)
            ground = find_ground(load_recording(path), None)
        laps = estimate_placed_laps(
            ground.track, choose_laps(ground.laps), sensors=ground.sensors, bias=ground.bias, refused=lambda *_: None
        )
        found = analyse(ground.track, at.kart, laps, solve_min_time(ground.track, at.kart).lap)
    except LinelabError as error:
        return f"seed {seed}: refused: {error}"
    passes, rows = found.passes, np.array([[int(drive.lap.label.split()[1]), drive.lap.lap_time] for drive in laps])
    true = sessions.true_passes(session, ground.track, segment_edges(found.segments), found.owners, rows)
    measured, best, corners = passes.measured, int(rows[:, 1].argmin()), np.arange(passes.best.size)
    errors = (measured - measured.mean(axis=0)) - (true - true.mean(axis=0))
    quickest, usual = true[passes.best, corners], np.flatnonzero(found.usual)
    told = rows[best, 1] - float(passes.joined.sum(axis=1).mean())
    sigma = float(np.hypot(laps[best].lap_time_sigma, passes.joined.sum(axis=1).std()))
    behind = [(passes.behind(usual, k), true[usual, k].mean() - quickest[k]) for k in corners]
    return Told(
        errors=errors / passes.sigma / np.sqrt(1.0 - 1.0 / len(laps)),
        gap=(told, sigma, float(true[best].sum() - quickest.sum())),
        behind=np.array([(figure.value, figure.sigma, truth) for figure, truth in behind]),
        naive=float((rows[best, 1] - measured.min(axis=0).sum()) - (true[best].sum() - true.min(axis=0).sum())),
    )


def say(name: str, rows: np.ndarray) -> None:
    """Mean and RMS error, and the share of the 95 % intervals that hold."""
    off = rows[:, 0] - rows[:, 2]
    held = 100.0 * np.mean(np.abs(off) <= 1.96 * rows[:, 1])
    print(
        f"{name:44}{len(rows):6}{rows[:, 2].mean():9.3f}{off.mean():+9.3f}{np.sqrt((off**2).mean()):9.3f}{held:8.0f} %"
    )


def main(count: int = 60, first: int = 310000) -> None:
    """Run and print."""
    print(surroundings())
    with ProcessPoolExecutor(WORKERS) as pool:
        found = list(pool.map(one, range(first, first + count), chunksize=1))
    told = [item for item in found if not isinstance(item, str)]
    errors = np.concatenate([item.errors.ravel() for item in told])
    print(f"{len(told)} sessions; errors of measured passes: RMS {np.sqrt((errors**2).mean()):.2f} standard deviations")
    print(f"{'':44}{'cases':>6}{'truth s':>9}{'bias s':>9}{'RMS s':>9}{'hold':>10}")
    say("best lap to the quickest passes joined", np.array([item.gap for item in told]))
    say("usual laps to the quickest pass, by corner", np.concatenate([item.behind for item in told]))
    print(f"the same joined, the smallest times believed: bias {np.mean([item.naive for item in told]):+.3f} s")
    print(*(item for item in found if isinstance(item, str)), sep="\n")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
