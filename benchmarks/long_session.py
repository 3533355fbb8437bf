"""A day of laps: 24 hours at 25 Hz from CSV to laps with estimates, and whether the cost grows with the length alone.

Run ``python benchmarks/long_session.py`` (``--hours 1 6 24`` by default).  A fictional circuit is driven round and
round with lines and speeds that change from lap to lap; positions and speeds get white noise.  Each length is read,
cut and estimated in a process of its own with one thread for linear algebra.  The processor time is what compares on a
busy machine.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from surroundings import ROOT, surroundings

from linelab.files.tracks.track_build import track_from_centre
from linelab.files.tracks.track_file import save_track
from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.model.track import Track
from linelab.units import Array

RATE = 25.0

OURS = """
import json, sys, time
from surroundings import peak_memory
from linelab.motion.estimate import estimate_laps
from linelab.recorded.laps import split_laps
from linelab.motion.sensors import read_sensors
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track
track = load_track(sys.argv[1])
spent, at, cpu = {}, time.perf_counter(), time.process_time()
def stage(name):
    global at, cpu
    spent[name] = time.perf_counter() - at, time.process_time() - cpu
    at, cpu = time.perf_counter(), time.process_time()
recording = load_recording(sys.argv[2])
stage("read")
laps = [lap for lap in split_laps(recording, track) if lap.status in ("complete", "aborted")]
stage("cleaned and cut")
sensors = read_sensors(laps[0].samples)
stage("sensors")
found = estimate_laps(track, laps, sensors=sensors)
stage("estimated")
print(json.dumps(dict(samples=recording.t.size, laps=len(found), spent=spent, peak=peak_memory())))
"""


def circuit() -> Track:
    """A wavy circuit of about 720 m, 8 m wide."""
    a = np.linspace(0.0, 2.0 * np.pi, 4000, endpoint=False)
    radius = 100.0 * (1.0 + 0.20 * np.cos(3.0 * a + 0.4) + 0.07 * np.cos(5.0 * a))
    points = np.column_stack([1.2 * radius * np.cos(a), 0.85 * radius * np.sin(a)])
    return track_from_centre("Long Day Loop", points[::6], 4.0, 4.0, closed=True)


def driven_lap(track: Track, rng: np.random.Generator) -> tuple[Array, Array, Array, Array]:
    """Times, positions and speeds of one lap whose line and pace are a little its own."""
    s = np.linspace(0.0, track.length, 3600)
    share = 2.0 * np.pi * s / track.length
    n = 1.2 * np.sin(3.0 * share) + rng.uniform(-0.6, 0.6) * np.sin(share)
    v = 12.7 + rng.uniform(-0.3, 0.3) + 4.0 * np.sin(5.0 * share)
    x, y = sn_to_xy(track.reference, s, n)
    stretch = np.hypot(1.0 - n * curve_at(track.reference, s).kappa, np.gradient(n, s))
    pace = stretch / v
    t = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(s) * (pace[1:] + pace[:-1]))])
    return t, x, y, v


def write_session(path: Path, track: Track, hours: float) -> None:
    """Hours of laps as CSV in local metres."""
    rng = np.random.default_rng(0)
    laps = [driven_lap(track, rng) for _ in range(20)]
    t = np.arange(0.0, 3600.0 * hours, 1.0 / RATE)
    clock, rows = -20.0, np.empty((t.size, 4))
    while clock < t[-1]:
        own, x, y, v = laps[int(rng.integers(len(laps)))]
        part = slice(*np.searchsorted(t, [clock, clock + own[-1]]))
        when = t[part] - clock
        rows[part] = np.column_stack([t[part], *(np.interp(when, own, values) for values in (x, y, v))])
        clock += own[-1]
    rows[:, 1:] += rng.standard_normal((t.size, 3)) * [0.2, 0.2, 0.1]
    with path.open("w", encoding="utf-8") as file:
        file.write("time_s,x_m,y_m,speed_mps\n")
        for a in range(0, t.size, 100_000):
            np.savetxt(file, rows[a : a + 100_000], fmt="%.3f", delimiter=",")


def main() -> None:
    """Print what each length costs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, nargs="+", default=[1.0, 6.0, 24.0])
    hours = parser.parse_args().hours
    print(surroundings("scipy"))
    track = circuit()
    paths = [str(ROOT), str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]
    one = {"PYTHONPATH": os.pathsep.join(paths), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        drawn, file = Path(folder) / "track.geojson", Path(folder) / "session.csv"
        save_track(track, drawn)
        for length in hours:
            write_session(file, track, length)
            run = subprocess.run(
                [sys.executable, "-c", OURS, str(drawn), str(file)],
                env=os.environ | one, check=True, capture_output=True, text=True,
            )  # fmt: skip
            found = json.loads(run.stdout)
            total = [sum(pair[k] for pair in found["spent"].values()) for k in (0, 1)]
            print(
                f"{length:g} h: {found['samples']} samples, {found['laps']} laps, {found['peak'] / 1e6:.0f} MB at most"
            )
            for name, (wall, cpu) in [*found["spent"].items(), ("together", total)]:
                print(f"  {name:16s} {wall:6.2f} s, processor {cpu:6.2f} s")


if __name__ == "__main__":
    main()
