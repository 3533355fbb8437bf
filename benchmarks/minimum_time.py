"""The minimum-time lap of the demo circuit: what it costs, cold and warm, and beside rockit in the same run.

Run ``python benchmarks/minimum_time.py``.  rockit (PyPI: rockit-meco) is a general-purpose optimal control library on
CasADi; it gets the same states, limits and track (benchmarks/minimum_time_rockit.py), kerbs left out on both sides.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from surroundings import ROOT, surroundings

from linelab.model.track import Track
from linelab.units import Array

TRACK, KART = "ostrelle_sprint", "senior-single-speed"
EDGE_SMOOTHING = 2.0  #: standard deviation [m]

#: What one fresh process does; prints seconds as JSON.
COLD = """
import time
start = time.perf_counter()
import dataclasses, json
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.optimum.minimum_time import solve_min_time
imported = time.perf_counter()
track, kart = load_track({track!r}), load_kart({kart!r})
loaded = time.perf_counter()
cpu = time.process_time()
first = solve_min_time(track, kart)
solved, cpu = time.perf_counter(), time.process_time() - cpu
again = solve_min_time(track, kart)
repeated = time.perf_counter()
changes = dict(
    mass=dict(mass=1.02 * kart.mass), grip=dict(mu_lateral=0.98 * kart.mu_lateral), drag=dict(cda=1.05 * kart.cda)
)
warm = {{}}
for name, change in changes.items():
    other = dataclasses.replace(kart, **change)
    for verify in (False, True):
        begin = time.perf_counter()
        lap = solve_min_time(track, other, warm=first, verify=verify)
        warm[name + (" verified" if verify else "")] = time.perf_counter() - begin
print(json.dumps(dict(
    imports=imported - start, load=loaded - imported, first=solved - loaded, again=repeated - solved, warm=warm,
    cpu=cpu, lap_time=first.lap_time, time_error=first.time_error, iterations=first.iterations,
    intervals=first.iterate.structure.intervals, length=track.length,
)))
"""


def environment() -> dict[str, str]:
    """Environment in which this checkout is found."""
    return os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])}


def timed(arguments: list[str]) -> tuple[float, str]:
    """Wall time of a process [s] and what it printed."""
    started = time.perf_counter()
    done = subprocess.run(arguments, capture_output=True, text=True, env=environment(), check=True)
    return time.perf_counter() - started, done.stdout


def cold_process(repeats: int) -> dict[str, float]:
    """Fresh processes: what one of them spends on what; the fastest of them."""
    runs = []
    for _ in range(repeats):
        wall, text = timed([sys.executable, "-c", COLD.format(track=TRACK, kart=KART)])
        runs.append(json.loads(text) | {"wall": wall})
    best = min(runs, key=lambda run: run["first"])
    print(f"\n{TRACK} ({best['length']:.0f} m), {KART}; fastest and median of {repeats} fresh processes")
    for key, words in (
        ("imports", "imports"),
        ("load", "track and kart read"),
        ("first", "build, first solve, verification"),
        ("cpu", "  processor time of that"),
        ("again", "the same once more in that process"),
    ):
        middle = statistics.median(run[key] for run in runs)
        print(f"  {words:36} {best[key]:7.3f} s   {middle:7.3f} s")
    for change in best["warm"]:
        middle = statistics.median(run["warm"][change] for run in runs)
        print(f"  {'re-solve, other ' + change:36} {best['warm'][change]:7.3f} s   {middle:7.3f} s")
    print(
        f"  lap time {best['lap_time']:.4f} s, estimated error {1e3 * best['time_error']:.2f} ms, "
        f"{best['intervals']} intervals, {best['iterations']} iterations"
    )
    return best


def command(repeats: int) -> None:
    """The command line from start to written result."""
    print("\nlinelab reference, from start to written result")
    with tempfile.TemporaryDirectory() as folder:
        for words, extra in (("without pictures", ["--no-pictures"]), ("with pictures", [])):
            call = [
                sys.executable,
                "-m",
                "linelab",
                "reference",
                TRACK,
                KART,
                "--out",
                str(Path(folder, "lap")),
                *extra,
            ]
            walls = [timed(call)[0] for _ in range(repeats)]
            print(f"  {words:36} {min(walls):7.3f} s   {statistics.median(walls):7.3f} s")


def bare(track: Track) -> Track:
    """The same track without kerbs, with its widths smoothed along the lap.

    Edges drawn as polygons bulge inwards by a centimetre or two at every vertex.  linelab holds the line to these
    bulges also between its nodes, a general library only at its own points; a centimetre at every apex is 15 ms a lap.
    """
    kernel = np.exp(-0.5 * (np.arange(-60, 61) * track.length / track.s.size / EDGE_SMOOTHING) ** 2)
    kernel /= kernel.sum()

    def smooth(width: Array) -> Array:
        inner = np.convolve(np.concatenate([width[-61:-1], width, width[1:61]]), kernel, mode="valid")
        return np.append(inner[:-1], inner[0])

    return dataclasses.replace(track, kerbs=(), w_left=smooth(track.w_left), w_right=smooth(track.w_right))


def peer(meshes: list[int], method: str, first: float) -> None:
    """Both libraries on finer and finer meshes."""
    from minimum_time_rockit import peer_solve

    from linelab.files.kart_file import load_kart
    from linelab.files.tracks.track_file import load_track
    from linelab.optimum.minimum_time import solve_min_time

    track, kart = bare(load_track(TRACK)), load_kart(KART)
    print(f"\nThe same problem without kerbs, edges smoothed over {EDGE_SMOOTHING:g} m; rockit by {method}")
    print("  linelab, build, solve and verification in this process")
    for tolerance in (5e-2, 2e-3, 2e-4):
        started = time.perf_counter()
        solution = solve_min_time(track, kart, tolerance=tolerance)
        own = time.perf_counter() - started
        first = min(first, own) if tolerance == 2e-3 else first
        print(
            f"    {solution.iterate.structure.intervals:5d} intervals: {own:8.3f} s, lap time "
            f"{solution.lap_time:.4f} s (estimated error {1e3 * solution.time_error:.2f} ms)"
        )
    print("  rockit, build and solve")
    for intervals in meshes:
        other = peer_solve(track, kart, intervals, method=method)
        both = other.build + other.solve
        print(
            f"    {intervals:5d} intervals: {both:8.3f} s ({other.build:.2f} + {other.solve:.2f}), lap time "
            f"{other.lap_time:.4f} s ({1e3 * (other.lap_time - solution.lap_time):+.1f} ms), "
            f"{both / first:5.1f} times linelab's {first:.2f} s",
            flush=True,
        )


def main() -> None:
    """Arguments in, figures out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--meshes", type=int, nargs="*", default=[300, 600, 1200], help="intervals of rockit's meshes")
    parser.add_argument("--method", choices=["collocation", "shooting"], default="collocation")
    options = parser.parse_args()
    print(surroundings("rockit-meco", "scipy"))
    best = cold_process(options.repeats)
    command(options.repeats)
    if options.meshes:
        peer(options.meshes, options.method, best["first"])


if __name__ == "__main__":
    main()
