"""How often the stated 95 % intervals hold the truth, over simulated sessions of varied track, rate, noise and bias.

Run ``python benchmarks/calibration.py [sessions]``.  Every session is driven by the simulated driver (random faults on
bundled and drawn circuits), logged by a random receiver, and read by the same functions as a user's file; each figure
is compared with the same figure computed from the exact lap.  The receiver's typical error per axis is given, as a
user would state it; its drift, noises and lag are not.
"""

from __future__ import annotations

import platform
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import simulated_sessions
from simulated_sessions import Circuit, random_receiver, random_session

from linelab.coaching.grid import computed_rows, session_sheet
from linelab.coaching.marked import driven_marks
from linelab.coaching.seen import as_seen
from linelab.comparison.compare import compare
from linelab.comparison.estimate import DrivenLap, PositionBias, estimate_laps, without_uncertainty
from linelab.comparison.laps import ASSUMED_BIAS, complete_laps, split_laps
from linelab.comparison.marks import find_marks
from linelab.comparison.measured import Measured
from linelab.comparison.sensors import read_sensors
from linelab.errors import LinelabError
from linelab.simulation.receiver import Receiver, record

#: Marks of a driven corner that are told with an uncertainty.
MARKS = {
    "min_speed": "minimum speed",
    "min_speed_place": "place of the minimum speed",
    "apex_miss": "apex miss",
    "brake_point": "brake point",
    "drive_point": "drive point",
    "turn_in": "turn-in",
    "brake_peak": "hardest braking",
    "coasting_before": "coasting before the corner",
    "track_out_room": "room at the track-out",
}
LAPS = 4
DRAWN = 6
WORKERS = 2
#: Half a 95 % interval in standard deviations (normal distribution).
WIDE = 1.96


class Row(NamedTuple):
    """One figure of one corner on one lap."""

    figure: str
    session: int
    rate: float
    white: float
    bias: float
    value: float  #: NaN where withheld
    sigma: float
    truth: float


def figures(circuit: Circuit, laps: Sequence[DrivenLap]) -> list[dict[tuple[str, int], Measured]]:
    """Figures of each lap by name and corner (0 for the whole lap)."""
    track, reference = circuit.track, circuit.reference
    sheet = session_sheet(track, circuit.kart, laps)
    seen = computed_rows(sheet, [as_seen(track, reference, laps[0])])
    marked = driven_marks(sheet, seen, find_marks(track, reference)).laps
    found = []
    for lap, corners in zip(laps, marked):
        values = {("lap time", 0): Measured(lap.lap.lap_time, lap.lap_time_sigma)}
        for corner in corners:
            values |= {(title, corner.corner.number): getattr(corner, name).driven for name, title in MARKS.items()}
        for review in compare(track, reference, lap).corners:
            values["time lost", review.corner.number] = review.time_lost
            values["speed at reference turn-in", review.corner.number] = review.turn_in_speed
        found.append(values)
    return found


def session_rows(circuit: Circuit, number: int) -> list[Row]:
    """Every figure of one random session."""
    rng = np.random.default_rng([number, 7])
    drive = random_session(circuit, LAPS, rng)
    receiver = random_receiver(rng)
    recording = record(drive, receiver, seed=int(rng.integers(2**31)))
    recorded = complete_laps(split_laps(recording, circuit.track, bias=receiver.bias))
    sensors = read_sensors(recorded[0].samples)
    # The recording tells how fast its bias drifts, 2·sigma²/time; with the size stated the time follows.
    drifts = sensors.drift_time * (receiver.bias / ASSUMED_BIAS) ** 2
    bias = PositionBias(sigma=receiver.bias, time=drifts, note="as stated for this receiver")
    laps = estimate_laps(circuit.track, recorded, sensors=sensors, bias=bias)
    exact = figures(circuit, [without_uncertainty(drive.laps[lap.number - 1]) for lap in recorded])
    return [
        row
        for found, true in zip(figures(circuit, laps), exact)
        for key, value in found.items()
        for row in _row(key[0], number, receiver, value, true[key])
    ]


def _row(figure: str, session: int, receiver: Receiver, found: Measured, exact: Measured) -> Iterable[Row]:
    """A row, where the exact lap has the figure too."""
    if exact.value is None:
        return
    value, sigma = (found.value, found.sigma) if found.value is not None else (np.nan, np.nan)
    yield Row(figure, session, receiver.rate, receiver.white, receiver.bias, float(value), float(sigma), exact.value)


_CIRCUITS: list[Circuit] = []


def _start(circuits: list[Circuit]) -> None:
    _CIRCUITS[:] = circuits


def _work(number: int) -> list[Row] | str:
    try:
        return session_rows(_CIRCUITS[number % len(_CIRCUITS)], number)
    except LinelabError as error:  # a recording that is refused is told, and counts as none
        return f"session {number}: {error}"


def describe(name: str, rows: list[Row]) -> str:
    """One line of the table."""
    value, sigma, truth = (np.array([getattr(row, field) for row in rows]) for field in ("value", "sigma", "truth"))
    known = np.isfinite(value)
    if known.sum() < 20:
        return f"{name:40s} {len(rows):6d} {100.0 * (1.0 - known.mean()):8.1f}        -"
    off, sigma = value[known] - truth[known], np.maximum(sigma[known], 1e-12)
    sessions = np.array([row.session for row in rows])[known]
    inside = np.abs(off) <= WIDE * sigma
    each = np.array([inside[sessions == session].mean() for session in np.unique(sessions)])
    shares = f"{100.0 * inside.mean():8.1f} {100.0 * each.std() / np.sqrt(each.size):5.1f}"
    score = off / sigma
    sizes = (np.sqrt(np.mean(off**2)), np.median(np.abs(off)), np.median(sigma))
    return (
        f"{name:40s} {len(rows):6d} {100.0 * (1.0 - known.mean()):8.1f} {shares} "
        f"{sizes[0]:10.4f} {sizes[1]:9.4f} {sizes[2]:9.4f} {np.sqrt(np.mean(score**2)):7.2f} {np.median(score):7.2f}"
    )


HEAD = (
    f"{'figure':40s} {'values':>6s} {'withheld':>8s} {'inside':>8s} {'±':>5s} {'rms error':>10s} {'median':>9s} "
    f"{'stated':>9s} {'rms z':>7s} {'mid z':>7s}"
)


def table(rows: list[Row]) -> Iterable[str]:
    """The whole table, then by rate, by noise and by bias."""
    yield HEAD
    names = list(dict.fromkeys(row.figure for row in rows))
    for name in names:
        yield describe(name, [row for row in rows if row.figure == name])
    splits = {
        "samples a second": ("rate", (0.0, 6.0, 11.0, 15.0, 22.0, 30.0)),
        "white noise [m]": ("white", (0.0, 0.08, 0.2, 1.0)),
        "bias [m]": ("bias", (0.0, 0.3, 0.6, 3.0)),
    }
    for title, (field, edges) in splits.items():
        yield f"by {title}"
        for name in names:
            for low, high in pairwise(edges):
                part = [row for row in rows if row.figure == name and low <= getattr(row, field) < high]
                if part:
                    yield describe(f"  {name}, {low:g} to {high:g}", part)


def main() -> None:
    """Run and print."""
    sessions = int(sys.argv[1]) if len(sys.argv) > 1 else 210
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}, {WORKERS} processes")
    begin = time.perf_counter()
    made = simulated_sessions.circuits(DRAWN)
    print(f"{len(made)} circuits in {time.perf_counter() - begin:.0f} s")
    begin = time.perf_counter()
    with ProcessPoolExecutor(WORKERS, initializer=_start, initargs=(made,)) as pool:
        results = list(pool.map(_work, range(sessions), chunksize=4))
    rows = [row for result in results if isinstance(result, list) for row in result]
    refused = [result for result in results if isinstance(result, str)]
    print(f"{sessions - len(refused)} sessions of {LAPS} laps in {time.perf_counter() - begin:.0f} s")
    print("\n".join(table(rows)))
    print("\n".join(refused))


if __name__ == "__main__":
    main()
