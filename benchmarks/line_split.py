"""Whether the line and speed parts of lost time hold the truth: the exact profile on the line that was driven.

Run ``python benchmarks/line_split.py [sessions] [first seed]``.  Sessions of both simulated drivers, each recorded by a
random receiver.  The true line part of a stretch is the time of the exact speed profile (not the driver model) on the
line driven, less the same on the reference line; the true speed part is the rest of the true lost time.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import NamedTuple

import judged_sessions as sessions
import numpy as np
import second_driver as judge
from scipy.interpolate import CubicSpline
from simulated_sessions import Circuit, circuits, random_receiver, random_session
from surroundings import surroundings

from linelab.coaching.results import Review
from linelab.coaching.session import review_session
from linelab.diagnosis.losses import segment_edges
from linelab.drive.receiver import record
from linelab.errors import LinelabError
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import time_at
from linelab.model.track import Track
from linelab.motion.channels import stated_bias
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.recorded.laps import complete_laps, split_laps
from linelab.speed.lines import Offsets, line_from_offsets
from linelab.speed.profile import speed_profiles

WORKERS = 2
CIRCUITS = (11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22)
LAPS = 6


class Row(NamedTuple):
    """A figure, by its name: stated value and standard deviation, and the truth [s]; NaN where withheld."""

    name: str
    value: float
    sigma: float
    truth: float


def rows_of(track: Track, kart: Kart, reference: Lap, review: Review, exact: list[Lap]) -> list[Row]:
    """Line and speed part of every lap and corner beside the truth."""
    segments = review.laps[0].comparison.losses.segments
    edges = segment_edges(segments)
    owner = np.array([segment.corner for segment in segments])
    entry = float(reference.v[0])
    lines = [replace(reference.line, closed=False)]
    for lap in exact:
        curve = CubicSpline(lap.line.s, lap.line.n)
        s = np.linspace(lap.line.s[0], lap.line.s[-1], round(lap.line.s[-1] / 0.25) + 1)
        offsets = Offsets(s, curve(s), curve(s, 1), curve(s, 2))
        lines.append(replace(line_from_offsets(track, offsets, half_width=0.5 * kart.width, grip=1.0), closed=False))
    best = speed_profiles(lines, kart, v_start=entry, label="best")
    clock = np.array([np.diff(time_at(lap.line.s, lap.t, edges)) for lap in best])
    wanted = np.diff(time_at(reference.line.s, reference.t, edges))
    found = []
    for k, (lap, one) in enumerate(zip(exact, review.laps)):
        line = clock[k + 1] - clock[0]
        speed = np.diff(time_at(lap.line.s, lap.t, edges)) - wanted - line
        parts = [("lap", one.line_loss, one.speed_loss, np.ones(owner.size, dtype=bool))]
        parts += [("corner", part.line_loss, part.speed_loss, owner == part.corner.number) for part in one.corners]
        for name, by_line, by_speed, own in parts:
            for what, figure, truth in (("line", by_line, line), ("speed", by_speed, speed)):
                value, sigma = (np.nan, np.nan) if figure.value is None else (figure.value, figure.sigma or 0.0)
                found.append(Row(f"{what} part of a {name}", value, sigma, float(truth[own].sum())))
    return found


_FIRST: list[Circuit] = []


def first_driver(seed: int) -> list[Row] | str:
    """A session of the first simulator."""
    if not _FIRST:
        _FIRST.extend(circuits(3))
    circuit = _FIRST[seed % len(_FIRST)]
    rng = np.random.default_rng([seed, 11])
    driven = random_session(circuit, LAPS, rng)
    receiver = random_receiver(rng)
    try:
        recorded = complete_laps(
            split_laps(record(driven, receiver, seed=int(rng.integers(2**31))), circuit.track, bias=receiver.bias)
        )
        sensors = read_sensors(recorded[0].samples)
        bias = stated_bias(receiver.bias, sensors)
        laps = estimate_placed_laps(circuit.track, recorded, sensors=sensors, bias=bias)
        review = review_session(circuit.track, circuit.kart, laps, circuit.reference)
    except LinelabError as error:
        return f"seed {seed}: {error}"
    exact = [driven.laps[lap.number - 1] for lap in recorded]
    return rows_of(circuit.track, circuit.kart, circuit.reference, review, exact)


def second_driver(seed: int) -> list[Row] | str:
    """A session of the second simulator."""
    rng = np.random.default_rng([seed, 12])
    number = int(rng.choice(CIRCUITS))
    habits = [*judge.HABITS, None]
    habit = habits[int(rng.integers(len(habits)))]
    try:
        at = sessions.venue(number, hilly=number % 3 == 0)
        session = judge.plan_session(
            seed, circuit=at.circuit, kart=at.kart_driven, habit=habit, clean=habit is None, cache=sessions.LINES
        )
        laps = sessions.recorded_laps(session, at.track, judge.any_receiver(rng), seed)
        exact = [one.lap for one in sessions.exact_laps(session, at.track, at.kart)]
        if len(exact) != len(laps):
            return f"seed {seed}: {len(laps)} laps of {len(exact)} were recorded"
        review = review_session(at.track, at.kart, laps, at.reference)
    except (LinelabError, ValueError) as error:
        return f"seed {seed}: {error}"
    return rows_of(at.track, at.kart, at.reference, review, exact)


def described(title: str, rows: list[Row]) -> str:
    """One line of the table."""
    value, sigma, truth = (np.array(column) for column in list(zip(*rows))[1:])
    known = np.isfinite(value)
    if not known.any():
        return f"{title:34} {len(rows):6d}  all withheld"
    off, sigma = (value - truth)[known], sigma[known]
    inside = 100.0 * np.mean(np.abs(off) <= 1.96 * sigma)
    return (
        f"{title:34} {len(rows):6d} {100.0 * (1.0 - known.mean()):8.1f} {inside:7.1f} "
        f"{off.mean():+8.3f} {np.sqrt((off**2).mean()):7.3f} {np.median(sigma):7.3f} {np.mean(truth[known]):7.3f}"
    )


def main(count: int = 40, first: int = 90000) -> None:
    """Run and print."""
    print(surroundings("scipy"))
    print(f"{'':34} {'values':>6} {'withheld':>8} {'inside':>7} {'bias':>8} {'rms':>7} {'stated':>7} {'truth':>7}")
    with ProcessPoolExecutor(WORKERS) as pool:
        for title, work in (("first driver", first_driver), ("second driver", second_driver)):
            found = list(pool.map(work, range(first, first + count), chunksize=1))
            rows = [row for one in found if not isinstance(one, str) for row in one]
            for name in dict.fromkeys(row.name for row in rows):
                print(described(f"{title}: {name}", [row for row in rows if row.name == name]))
            print(*[one for one in found if isinstance(one, str)], sep="\n")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
