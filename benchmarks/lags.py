"""Lags, brake points, drive points and minimum speeds beside the truth, for receivers that treat each channel alone.

Sessions of the second driver (``second_driver/``), who shares no code, shape or constant with linelab, are logged by
receivers of each kind, written to a file, and read and marked as a user's file is.  A channel's true lag is its
filter's delay less that of the positions.  Marks are held twice against the truth: against the same marks of the exact
laps, and ("pedal") against where the second driver's own record has the brake half built up, the accelerator half down
and the lowest speed about its own corner: other definitions, so that they differ by more than an interval holds.

Run ``python benchmarks/lags.py [sessions of each kind] [first seed] [kind ...]``.  An earlier version, with one lag for
all channels, is measured by the same script from its own checkout.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import judged_sessions as sessions
import numpy as np
import second_driver as judge
from second_judge import CIRCUITS
from surroundings import surroundings

from linelab.coaching.mark_figures import driven_marks
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.diagnosis.received import as_seen
from linelab.errors import LinelabError
from linelab.geometry.frenet import xy_to_sn
from linelab.motion.estimate import DrivenLap

#: Half a 95 % interval in standard deviations (normal distribution).
WIDE = 1.96
MARKS = {"brake_point": "brake point [m]", "drive_point": "drive point [m]", "min_speed": "minimum speed [m/s]"}
Draw = Callable[[np.random.Generator], judge.Receiver]


class Row(NamedTuple):
    """One figure beside its truth."""

    figure: str
    session: int
    value: float  #: NaN where withheld
    sigma: float
    truth: float


def _receiver(rng: np.random.Generator, speed: judge.Filter, course: judge.Filter) -> judge.Receiver:
    base = judge.any_receiver(rng)
    noise = base.course_noise or np.radians(rng.uniform(0.5, 2.0))
    return replace(base, course_noise=noise, speed_filter=speed, course_filter=course)


def _plain(lag: float) -> judge.Filter:
    return judge.Filter("mean", 0.0, lag)


def _no_smoothing(rng: np.random.Generator) -> judge.Receiver:
    lag = rng.uniform(0.0, 0.2)
    return _receiver(rng, _plain(lag), _plain(lag))


def _speed_only(rng: np.random.Generator) -> judge.Receiver:
    lag = rng.uniform(0.0, 0.2)
    return _receiver(rng, judge.Filter("mean", rng.uniform(0.03, 0.3), lag), _plain(lag))


def _course_only(rng: np.random.Generator) -> judge.Receiver:
    lag = rng.uniform(0.0, 0.2)
    return _receiver(rng, _plain(lag), judge.Filter("mean", rng.uniform(0.03, 0.3), lag))


def _both(rng: np.random.Generator) -> judge.Receiver:
    speed, course = (judge.Filter("mean", rng.uniform(0.03, 0.3), rng.uniform(0.0, 0.2)) for _ in range(2))
    return _receiver(rng, speed, course)


def _different(rng: np.random.Generator) -> judge.Receiver:
    return _receiver(rng, _plain(rng.uniform(0.0, 0.3)), _plain(rng.uniform(0.0, 0.3)))


def _low_pass(rng: np.random.Generator) -> judge.Receiver:
    speed, course = (judge.Filter("low_pass", rng.uniform(0.03, 0.15), rng.uniform(0.0, 0.1)) for _ in range(2))
    return _receiver(rng, speed, course)


KINDS: dict[str, Draw] = {
    "no smoothing": _no_smoothing,
    "speed smoothed": _speed_only,
    "course smoothed": _course_only,
    "both smoothed": _both,
    "different lags": _different,
    "low-pass": _low_pass,
    "as ever": judge.any_receiver,
    "mixed": judge.mixed_receiver,
}


def one(kind: str, seed: int) -> list[Row] | str:
    """Every figure of one session, or why it was refused."""
    rng = np.random.default_rng([seed, 12])
    number = int(rng.choice(CIRCUITS))
    try:
        at = sessions.venue(number, hilly=number % 3 == 0)
        session = judge.plan_session(seed, circuit=at.circuit, kart=at.kart_driven, cache=sessions.LINES)
        receiver = KINDS[kind](rng)
        laps = sessions.recorded_laps(session, at.track, receiver, seed)
    except (ValueError, LinelabError) as error:
        return f"{kind}, seed {seed}: {error}"
    sensors = laps[0].sensors
    rows = []
    for channel in ("speed", "course"):
        if getattr(sensors, f"{channel}_sigma") is not None:
            truth = receiver.filter_of(channel).delay - receiver.filter_of("position").delay
            lag, sigma = found_lag(sensors, channel)
            rows.append(Row(f"lag of the {channel} [s]", seed, lag, sigma, truth))
    marks = find_marks(at.track, at.reference, at.kart)
    exact = _figures(at, sessions.exact_laps(session, at.track, at.kart), marks)
    found = _figures(at, laps, marks)
    pedal = _pedals(session, at, marks)
    for (lap, corner, name), (value, sigma) in found.items():
        for other, title in ((exact, ""), (pedal, ", pedal")):
            truth, _ = other.get((lap, corner, name), (np.nan, 0.0))
            if np.isfinite(truth):
                off = _near(value - truth, at.track.length) if name != "min_speed" else value - truth
                rows.append(Row(MARKS[name] + title, seed, truth + off, sigma, truth))
    return rows


def found_lag(sensors: object, channel: str) -> tuple[float, float]:
    """Lag of a channel and its standard deviation [s], of this version or of the one that knew a single lag."""
    if hasattr(sensors, "speed_lag_sigma"):
        return sensors.speed_lag, sensors.speed_lag_sigma
    return getattr(sensors, f"{channel}_lag"), sensors.timing_sigma(f"{channel}_lag")


Figures = dict[tuple[int, int, str], tuple[float, float]]


def _near(off: float, length: float) -> float:
    return (off + 0.5 * length) % length - 0.5 * length if np.isfinite(off) else off


def _figures(
    at: sessions.Venue, laps: list[DrivenLap] | tuple[DrivenLap, ...], marks: tuple[CornerMarks, ...]
) -> Figures:
    """Marks by lap, corner and name: value (NaN where withheld) and standard deviation."""
    sheet = session_sheet(at.track, at.kart, laps)
    seen = computed_rows(sheet, [as_seen(at.track, at.reference, laps[0])])
    found: Figures = {}
    for drive, corners in zip(laps, driven_marks(sheet, seen, marks).laps):
        for corner in corners:
            for name in MARKS:
                told = getattr(corner, name).driven
                value = (told.value, told.sigma) if told.known else (np.nan, np.nan)
                found[int(drive.lap.label.split()[-1]), corner.corner.number, name] = value
    return found


def _pedals(session: judge.Session, at: sessions.Venue, marks: tuple[CornerMarks, ...]) -> Figures:
    """The second driver's own record, in stations of the track: by lap, corner and name."""
    road = session.circuit.road.length
    found: Figures = {}
    tables = (
        ("brake_point", judge.exact_brake_points(session)),
        ("drive_point", judge.exact_drive_points(session)),
        ("min_speed", judge.exact_minimum_speeds(session)),
    )
    for name, rows in tables:
        for row in rows:
            k = int(np.searchsorted(session.drive.s, row["s"] + (row["lap"] - 1) * road))
            corner = session.corners[[c.number for c in session.corners].index(row["corner"])]
            a = int(np.searchsorted(session.drive.s, corner.apex + (row["lap"] - 1) * road))
            number = sessions.corner_at(at.circuit, at.track, marks, (session.x[a], session.y[a]))
            value = row["v"] if name == "min_speed" else _station(session, at, k)
            found[int(row["lap"]), number, name] = (value, 0.0)
    return found


def _station(session: judge.Session, at: sessions.Venue, k: int) -> float:
    lon, lat = session.circuit.to_lonlat(session.x[k : k + 1], session.y[k : k + 1])
    return float(xy_to_sn(at.track.reference, *sessions._to_track(at.track, lon, lat))[0][0])


def describe(figure: str, rows: list[Row]) -> str:
    """One line of a table."""
    value, sigma, truth = (np.array([getattr(row, field) for row in rows]) for field in ("value", "sigma", "truth"))
    known = np.isfinite(value)
    if not known.any():
        return f"  {figure:28s} {len(rows):6d}   none"
    off, sigma = (value - truth)[known], np.maximum(sigma[known], 1e-9)
    number = np.array([row.session for row in rows])[known]
    inside = np.abs(off) <= WIDE * sigma
    each = np.array([inside[number == k].mean() for k in np.unique(number)])
    return (
        f"  {figure:28s} {len(rows):6d} {100.0 * (1.0 - known.mean()):8.1f} {100.0 * inside.mean():7.1f} "
        f"{100.0 * each.std() / np.sqrt(each.size):5.1f} {off.mean():8.4f} {np.median(off):8.4f} "
        f"{np.sqrt(np.mean(off**2)):8.4f} {np.median(np.abs(off)):8.4f} {np.median(sigma):8.4f}"
    )


HEAD = (
    f"  {'figure':28s} {'values':>6s} {'withheld':>8s} {'inside':>7s} {'±':>5s} {'bias':>8s} {'mid bias':>8s} "
    f"{'rms':>8s} {'median':>8s} {'stated':>8s}"
)


def main() -> None:
    """Run and print."""
    words = [*sys.argv[1:], *("12", "300000")[len(sys.argv) - 1 :]]
    count, first, kinds = int(words[0]), int(words[1]), words[2:] or list(KINDS)
    print(surroundings("scipy"))
    print(f"{count} sessions of each kind from seed {first} on; inside: share within the stated 95 % [%]")
    everything: list[Row] = []
    begun = time.process_time()
    for place, kind in enumerate(KINDS):
        if kind not in kinds:
            continue
        results = [one(kind, first + 1000 * place + k) for k in range(count)]
        rows = [row for result in results if not isinstance(result, str) for row in result]
        everything += rows
        print(
            "\n".join([kind, HEAD, *table(rows), *(result for result in results if isinstance(result, str))]),
            flush=True,
        )
    print("\n".join(["all of them", HEAD, *table(everything)]))
    print(f"{time.process_time() - begun:.0f} s of processor time")


def table(rows: list[Row]) -> list[str]:
    """Lines of a table, a figure each."""
    return [
        describe(name, [row for row in rows if row.figure == name]) for name in sorted({row.figure for row in rows})
    ]


if __name__ == "__main__":
    main()
