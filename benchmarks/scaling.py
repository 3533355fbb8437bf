"""Does the cost grow linearly?  Winding roads of 1 to 20 km, each in a process of its own.

Run ``python benchmarks/scaling.py``.  The accepted error of the lap time is 2 ms a kilometre here: on an absolute
tolerance a longer road would need a finer mesh, and the figures would measure that instead.  ``--absolute`` shows it.
A road of 200 m is solved first: loading libraries and building functions happen once, whatever follows.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from pathlib import Path

from surroundings import ROOT, surroundings

ONE = """
import json, time
from odd_shapes import winding, open_track
from surroundings import peak_memory
from linelab.files.kart_file import load_kart
from linelab.optimum.minimum_time import solve_min_time
kart = load_kart("senior-single-speed")
solve_min_time(open_track("short road", winding(200.0), 7.0), kart)
start = time.perf_counter()
track = open_track("winding road", winding({length}), 7.0)
built, before = time.perf_counter(), peak_memory()
cpu = time.process_time()
lap = solve_min_time(track, kart, tolerance={tolerance})
print(json.dumps(dict(
    length=track.length, track=built - start, solve=time.perf_counter() - built, cpu=time.process_time() - cpu,
    before=before, peak=peak_memory(), intervals=lap.iterate.structure.intervals, iterations=lap.iterations,
    lap_time=lap.lap_time,
)))
"""


def one(kilometres: float, tolerance: float) -> dict[str, float]:
    """Solve a road of this length in a fresh process."""
    paths = [str(ROOT), str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]
    script = ONE.format(length=1000.0 * kilometres, tolerance=tolerance)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(paths)}
    call = [sys.executable, "-c", script]
    done = subprocess.run(call, stdout=subprocess.PIPE, text=True, env=environment, check=True)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def main() -> None:
    """Arguments in, table out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kilometres", type=float, nargs="+", default=[1, 2, 5, 10, 20])
    parser.add_argument("--absolute", action="store_true", help="2 ms whatever the length")
    options = parser.parse_args()
    print(surroundings("scipy"))
    print(
        "  km   intervals  iterations   track [s]   solve [s]  ms/m   cpu ms/m   peak [MB]  of it for the solve [kB/m]"
    )
    costs = []
    for kilometres in options.kilometres:
        row = one(kilometres, 2e-3 if options.absolute else 2e-3 * kilometres)
        length = row["length"]
        costs.append((row["cpu"] / length, (row["peak"] - row["before"]) / length))
        print(
            f"{kilometres:5.1f} {row['intervals']:10.0f} {row['iterations']:11.0f} {row['track']:11.2f} "
            f"{row['solve']:11.2f} {1e3 * row['solve'] / length:6.2f} {1e3 * row['cpu'] / length:9.2f} "
            f"{row['peak'] / 1e6:11.0f} {(row['peak'] - row['before']) / length / 1e3:12.1f}",
            flush=True,
        )
    for name, values in zip(("processor time", "memory"), zip(*costs)):
        middle = 0.5 * (max(values) + min(values))
        print(f"{name} per metre: within ±{max(values) / middle - 1.0:.0%} of the middle of its range")


if __name__ == "__main__":
    main()
