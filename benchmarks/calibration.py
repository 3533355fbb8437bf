"""How often the stated 95 % intervals hold the truth, over simulated sessions of varied track, rate, noise and bias.

Every session is driven by the simulated driver (random faults on bundled and drawn circuits), logged by a random
receiver, and read by the same functions as a user's file; each figure is compared with the same figure computed from
the exact lap.  The receiver's typical error per axis is given, as a user would state it; its drift, noises and lag are
not.

Brake and drive points are those of an acceleration averaged over a fifth of a second, on exact laps too; the rows
"sharp" hold the same intervals against the exact lap's points without that mean.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from simulated_sessions import Circuit, circuits, random_receiver, random_session
from surroundings import surroundings

from linelab.coaching.driven_marks import all_figures
from linelab.coaching.session import review_session
from linelab.coaching.side_by_side import session_sheet
from linelab.diagnosis.marks import find_marks, minimum_rooms
from linelab.drive.receiver import Receiver, record
from linelab.errors import LinelabError
from linelab.measured import Measured
from linelab.model.lap import Lap
from linelab.motion.channels import stated_bias
from linelab.motion.estimate import DrivenLap, without_uncertainty
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.recorded.laps import complete_laps, split_laps

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
    """Figures of each lap by name and corner (0 for the whole lap), as the review of the session has them."""
    found = []
    for lap in review_session(circuit.track, circuit.kart, laps, circuit.reference).laps:
        values = {("lap time", 0): lap.lap_time}
        for corner in lap.corners:
            number = corner.corner.number
            values |= {(title, number): getattr(corner.marks, name).driven for name, title in MARKS.items()}
            values["time lost", number] = corner.time_lost
            values["time lost by the line", number] = corner.line_loss
            values["time lost by the speed", number] = corner.speed_loss
        found.append(values)
    return found


def sharp_points(circuit: Circuit, laps: Sequence[Lap]) -> list[dict[tuple[str, int], Measured]]:
    """Brake and drive points of exact laps by name and corner, from the accelerations as they are."""
    track = circuit.track
    sheet = session_sheet(track, circuit.kart, [without_uncertainty(lap) for lap in laps])
    marks = find_marks(track, circuit.reference, circuit.kart)
    found = all_figures(sheet, sheet.laps, marks, minimum_rooms(track, marks), foot_time=0.0)
    return [
        {
            (MARKS[name], mark.corner.number): Measured(float(found[name][lap, k]))
            for name in ("brake_point", "drive_point")
            for k, mark in enumerate(marks)
            if np.isfinite(found[name][lap, k])
        }
        for lap in range(len(laps))
    ]


def session_rows(circuit: Circuit, number: int) -> list[Row]:
    """Every figure of one random session."""
    rng = np.random.default_rng([number, 7])
    drive = random_session(circuit, LAPS, rng)
    receiver = random_receiver(rng)
    recording = record(drive, receiver, seed=int(rng.integers(2**31)))
    recorded = complete_laps(split_laps(recording, circuit.track, bias=receiver.bias))
    sensors = read_sensors(recorded[0].samples)
    laps = estimate_placed_laps(circuit.track, recorded, sensors=sensors, bias=stated_bias(receiver.bias, sensors))
    driven = [drive.laps[lap.number - 1] for lap in recorded]
    exact = figures(circuit, [without_uncertainty(lap) for lap in driven])
    rows: list[Row] = []
    for found, true, sharp in zip(figures(circuit, laps), exact, sharp_points(circuit, driven)):
        for key, value in found.items():
            rows += _row(key[0], number, receiver, value, true[key])
        for key, value in sharp.items():
            rows += _row(f"{key[0]}, sharp", number, receiver, found[key], value)
    return rows


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
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=208)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--drawn", type=int, default=6, help="circuits drawn at random beside the three bundled ones")
    options = parser.parse_args()
    print(surroundings("scipy"))
    made = circuits(options.drawn)
    begin = time.perf_counter()
    with ProcessPoolExecutor(options.processes, initializer=_start, initargs=(made,)) as pool:
        results = list(pool.map(_work, range(options.sessions), chunksize=4))
    rows = [row for result in results if isinstance(result, list) for row in result]
    refused = [result for result in results if isinstance(result, str)]
    took = time.perf_counter() - begin
    print(f"{options.sessions - len(refused)} sessions of {LAPS} laps at {len(made)} circuits in {took:.0f} s")
    print("\n".join([*table(rows), *refused]))


if __name__ == "__main__":
    main()
