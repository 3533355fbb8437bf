"""Recordings with bad samples: which marks they move beyond their stated ±, and which laps they cost.

``marks``: arbitrary values are put into one channel at a time of real sessions (where present), of the second driver's
and of a simulated one with an inertial sensor; every mark is held against the same recording without them.  A mark
counts as moved when it lies farther from that than its own stated 95 %.

``laps``: the second driver's sessions, sound ones and ones with a spin and a stop, by random receivers of 5 to 25
samples a second, with single positions off by 4 to 15 m, some of them at the start line: sound laps lost, spins and
stops found.

A table of an earlier version comes from running this file with that version's ``linelab`` on the path.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import second_driver as judge
from judged_sessions import LINES, venue
from surroundings import surroundings

from linelab.cli.demo import DEMO_KART, DEMO_TRACK
from linelab.coaching.from_recording import find_ground
from linelab.coaching.mark_figures import driven_marks
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.losses import segment_edges, segment_losses
from linelab.diagnosis.marks import find_marks
from linelab.diagnosis.stretches import segments_of
from linelab.drive.driver import careful_lap, drive_session
from linelab.drive.faults import Habits
from linelab.drive.receiver import Inertial, Receiver, record
from linelab.errors import LinelabError
from linelab.files.kart_file import load_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track
from linelab.measured import Measured
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Recording
from linelab.model.track import Track
from linelab.motion.channels import stated_bias
from linelab.motion.estimate import track_heading
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.optimum.minimum_time import solve_min_time
from linelab.recorded.laps import complete_laps, split_laps

REAL = Path(os.environ.get("LINELAB_SHARED", Path(__file__).parents[2] / "shared")) / "data" / "kart_recording"
NAMES = (
    "brake_point",
    "turn_in",
    "min_speed",
    "min_speed_place",
    "apex_place",
    "apex_miss",
    "drive_point",
    "exit_speed",
)
WIDE = 1.96
#: Only so much of a recording is read [s]: five laps or so.
SPAN = 330.0
RATES = (5.0, 8.0, 10.0, 18.0, 25.0)

Found = dict[tuple[int, int, str], Measured]


class Scene(NamedTuple):
    """A recording with what is needed to read it."""

    name: str
    recording: Recording
    track: Track
    kart: Kart
    reference: Lap
    error: float | None


def marks_of(scene: Scene, recording: Recording) -> Found:
    """Every mark by lap (its start to the half second), corner and name; ``time`` is the corner's."""
    laps = complete_laps(split_laps(recording, scene.track))
    sensors = read_sensors(laps[0].samples)
    bias = None if scene.error is None else stated_bias(scene.error, sensors)
    driven = estimate_placed_laps(scene.track, laps, sensors=sensors, bias=bias, refused=lambda *_: None)
    sheet = session_sheet(scene.track, scene.kart, driven)
    marks = find_marks(scene.track, scene.reference, scene.kart)
    segments = segments_of(scene.track, marks)
    owners, heading = [part.corner for part in segments], track_heading(scene.track, segment_edges(segments))
    found: Found = {}
    for lap, corners in zip(driven, driven_marks(sheet, computed_rows(sheet, [scene.reference]), marks).laps):
        key = round(lap.t_start / 5.0)
        losses = segment_losses(segments, scene.reference, lap, heading)
        for corner in corners:
            number = corner.corner.number
            found |= {(key, number, name): getattr(corner, name).driven for name in NAMES}
            found[key, number, "time"] = losses.total(np.array([owner == number for owner in owners]))
    return found


def spoilt(recording: Recording, channel: str, share: float, rng: np.random.Generator) -> Recording:
    """The recording with a share of one channel's values arbitrary: absurd ones, and ones that a kart might show."""
    count = recording.t.size
    at = rng.choice(count, round(share * count), replace=False)

    def drawn(low: float, high: float, *absurd: float) -> np.ndarray:
        usual = rng.uniform(low, high, at.size)
        odd = rng.choice([*absurd, 0.0, 1e9, -(10.0 ** rng.uniform(0, 6))], at.size)
        return np.where(rng.random(at.size) < 0.5, usual, odd)

    if channel == "position":
        away, angle = 10.0 ** rng.uniform(0.0, 5.0, at.size), rng.uniform(0.0, 2.0 * np.pi, at.size)
        if recording.x is not None:
            moved = {"x": away * np.cos(angle), "y": away * np.sin(angle)}
        else:
            moved = {"lon": away * np.cos(angle) / 80e3, "lat": away * np.sin(angle) / 111e3}
        values = {name: np.array(getattr(recording, name)) for name in moved}
        for name, off in moved.items():
            values[name][at] += off
        return replace(recording, **values)
    values = np.array(recording.speed if channel == "speed" else recording.channels[channel])
    values[at] = {
        "speed": lambda: drawn(0.0, 60.0, 655.35, -5.0), "course": lambda: drawn(0.0, 2.0 * np.pi, 655.35),
        "yaw_rate": lambda: drawn(-10.0, 10.0, 327.67),
    }.get(channel, lambda: drawn(-60.0, 60.0, 327.67))()  # fmt: skip
    if channel == "speed":
        return replace(recording, speed=values)
    return replace(recording, channels={**recording.channels, channel: values})


def shortened(recording: Recording) -> Recording:
    """The first SPAN seconds."""
    part = recording.t < recording.t[0] + SPAN
    names = [name for name in ("t", "lon", "lat", "x", "y", "speed") if getattr(recording, name) is not None]
    channels = {name: values[part] for name, values in recording.channels.items()}
    return replace(recording, channels=channels, **{name: getattr(recording, name)[part] for name in names})


def scenes(count: int, seed: int) -> Iterator[Scene]:
    """Real sessions, one simulated session with an inertial sensor, and ``count`` of the second driver."""
    for path in sorted(REAL.glob("*.csv")):
        recording, kart = shortened(load_recording(path)), load_kart("rental-four-stroke")
        track = find_ground(recording, None).track
        yield Scene(path.stem, recording, track, kart, solve_min_time(track, kart).lap, None)
    track, kart = load_track(DEMO_TRACK), load_kart(DEMO_KART)
    lap = solve_min_time(track, kart).lap
    driven = drive_session(track, kart, lap, Habits(), followed=careful_lap(track, kart, 0.15), laps=5, seed=seed)
    receiver = Receiver(rate=10.0, white=0.1, bias=0.3, inertial=Inertial())
    yield Scene("simulated, inertial", record(driven, receiver, seed=seed), track, kart, lap, 0.3)
    for k in range(seed, seed + count):
        place, rng = venue(k % 7), np.random.default_rng([k, 3])
        receiver = replace(judge.any_receiver(rng), outliers=0, gaps=0, rate=RATES[k % len(RATES)])
        session = judge.plan_session(k, circuit=place.circuit, kart=place.kart_driven, cache=LINES)
        name = f"second driver {k}, {receiver.rate:g} Hz"
        recording = shortened(_read(judge.log(session, receiver, k)))
        yield Scene(name, recording, place.track, place.kart, place.reference, receiver.drift)


def _read(log: judge.Log) -> Recording:
    """A log by way of its file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "session.csv"
        log.to_csv(path)
        return load_recording(path)


def moved_marks(count: int, seed: int, shares: list[float], channels: list[str]) -> None:
    """Print how many marks arbitrary values move, by channel and share."""
    table: dict[tuple[str, float], Counter[str]] = {}
    kinds: Counter[str] = Counter()
    for scene in scenes(count, seed):
        clean = marks_of(scene, scene.recording)
        have = [*scene.recording.channels, "position", *(["speed"] if scene.recording.speed is not None else [])]
        for channel in [name for name in channels if name in have]:
            for share in shares:
                rng = np.random.default_rng([seed, round(1e4 * share), len(channel)])
                row = table.setdefault((channel, share), Counter())
                try:
                    found = marks_of(scene, spoilt(scene.recording, channel, share, rng))
                except (LinelabError, ValueError, IndexError) as error:
                    print(f"  {scene.name}, {share:.1%} of {channel}: {str(error)[:100]}", flush=True)
                    found = {}
                both = {
                    key: abs(found[key].value - mark.value) / max(WIDE * found[key].sigma, 1e-9)
                    for key, mark in clean.items()
                    if mark.known and key in found and found[key].known
                }
                off = [key for key, ratio in both.items() if ratio > 1.0]
                row += Counter(marks=len(both), moved=len(off), gone=sum(m.known for m in clean.values()) - len(both))
                row["worst"] = max(row["worst"], round(100 * max(both.values(), default=0.0)))
                table[channel, share] = row
                kinds.update(f"{channel}: {key[2]}" for key in off)
                print(f"  {scene.name}: {channel} {share:.1%}: {len(off)} of {len(both)}", flush=True)
    print(
        f"{'channel':10s} {'share':>6s} {'marks':>6s} {'moved beyond ±':>15s} {'no longer told':>15s} {'farthest':>9s}"
    )
    for (channel, share), row in sorted(table.items()):
        part = f"{row['moved']:6d} {row['moved'] / max(row['marks'], 1):7.2%}"
        print(f"{channel:10s} {share:6.1%} {row['marks']:6d} {part:>15s} {row['gone']:15d} {row['worst'] / 100:8.1f}x")
    print(dict(kinds.most_common(12)))


@cache
def _drives(number: int) -> list[tuple[judge.Session, list[judge.Incident]]]:
    """A session of the second driver as it was, and with a spin and a stop."""
    place = venue(number)
    session = judge.plan_session(7000 + number, circuit=place.circuit, kart=place.kart_driven, cache=LINES)
    found = [(session, [])]
    for seed in range(3):
        laps = np.random.default_rng([number, seed]).permutation(np.arange(2, len(session.laps)))[:2]
        try:
            found.append(judge.with_incidents(session, [("spin", int(laps[0])), ("stop", int(laps[1]))], seed))
        except judge.IncidentError:
            continue
    return found


def lost_laps(count: int, seed: int) -> None:
    """Print how many sound laps bad positions cost, and how many spins and stops are found, by rate."""
    table = {rate: Counter[str]() for rate in RATES}
    for k in range(seed, seed + count):
        rng = np.random.default_rng([k, 11])
        number, rate = k % 7, RATES[k % len(RATES)]
        drives = _drives(number)
        session, incidents = drives[int(rng.integers(len(drives)))]
        receiver = replace(judge.any_receiver(rng), outliers=0, gaps=0, rate=rate, has_speed=bool(rng.random() < 0.85))
        log = judge.log(session, receiver, k)
        starts = [lap["start"] for lap in session.laps]
        at = [float(rng.choice(starts))] if rng.random() < 0.5 else []
        singles = int(rng.integers(1, 5))
        for _ in range(singles):  # one by one, for each may be two or three samples long
            log, _ = judge.spoil(log, rng, {"outlier": 1}, at=at)
            at = []
        row = table[rate]
        row["sessions"] += 1
        spoilt_laps = {lap for one in incidents for lap in one.laps}
        try:
            laps = split_laps(_read(log), venue(number).track)
        except LinelabError as error:
            print(f"  session {k} at {rate:g} Hz: {error}", flush=True)
            laps = ()
        status = {}
        for j, begin in enumerate(starts, start=1):
            own = [lap for lap in laps if abs(lap.t_start - begin) < 1.0 and lap.status not in ("in", "out")]
            status[j] = own[0] if own else None
        for j, lap in status.items():
            if j not in spoilt_laps:
                row["sound"] += 1
                if lap is None or lap.status != "complete":
                    row["lost"] += 1
                    why = "not cut" if lap is None else f"{lap.status}: {lap.reason}"
                    print(f"  session {k} at {rate:g} Hz, lap {j} of {len(starts)}: {why}", flush=True)
        for one in incidents:
            row[one.kind] += 1
            hit = any(status.get(j) is not None and status[j].status != "complete" for j in one.laps)
            row[f"{one.kind} found"] += hit
            if not hit:
                print(f"  session {k} at {rate:g} Hz: {one.kind} of lap {one.lap} missed, {one.slowest:.1f} m/s, "
                      f"{one.lost:.1f} s lost", flush=True)  # fmt: skip
    total = sum(table.values(), Counter())
    print(f"{'rate':>6s} {'sessions':>9s} {'sound laps':>11s} {'lost':>5s} {'spins found':>12s} {'stops found':>12s}")
    for rate, row in [*((f"{rate:g} Hz", row) for rate, row in table.items()), ("all", total)]:
        spins, stops = (f"{row[f'{kind} found']} of {row[kind]}" for kind in ("spin", "stop"))
        print(f"{rate:>6s} {row['sessions']:9d} {row['sound']:11d} {row['lost']:5d} {spins:>12s} {stops:>12s}")


def main() -> None:
    """Run one part or both."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", nargs="?", choices=("marks", "laps", "both"), default="both")
    parser.add_argument("--sessions", type=int, default=300, help="of the second driver, for the laps")
    parser.add_argument("--judged", type=int, default=6, help="of the second driver, for the marks")
    parser.add_argument("--shares", type=float, nargs="+", default=[0.005, 0.01, 0.02], help="of arbitrary values")
    parser.add_argument("--channels", nargs="+", default=["speed", "course", "position", "ax", "ay", "yaw_rate"])
    parser.add_argument("--seed", type=int, default=300_000)
    options = parser.parse_args()
    print(surroundings())
    begin = time.process_time()
    if options.part != "laps":
        moved_marks(options.judged, options.seed, options.shares, options.channels)
    if options.part != "marks":
        lost_laps(options.sessions, options.seed)
    print(f"{time.process_time() - begin:.0f} s of processor time")


if __name__ == "__main__":
    main()
