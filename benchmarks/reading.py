"""What reading and cleaning a long recording costs, by format and length, and beside general-purpose parsers.

Run ``python benchmarks/reading.py``.  A day at 25 Hz (2.16 million samples) of a fictional circuit is written to a
temporary folder in each format, as a whole and in part; each file is read in a process of its own.  ``--samples 10e6``
takes longer files, ``--formats`` fewer formats.
"""

from __future__ import annotations

import argparse
import functools
import json
import operator
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TextIO

import numpy as np
from surroundings import ROOT, surroundings

START = datetime(2026, 5, 1, 9, 0, 0, tzinfo=UTC)
CHUNK = 50_000

OURS = """
import json, sys, time
from surroundings import peak_memory
from linelab.files.recordings.load_recording import load_recording
from linelab.recorded.cleaning import clean_recording
before, begin = peak_memory(), time.process_time()
recording = load_recording(sys.argv[1])
read, middle = time.process_time() - begin, peak_memory()
begin = time.process_time()
report = clean_recording(recording)[1]
print(json.dumps(dict(samples=recording.t.size, read=read, clean=time.process_time() - begin, before=before,
                      reading=middle, peak=peak_memory(), kept=report.kept)))
"""

#: General-purpose parsers of the same file, to the arrays a recording needs.
THEIRS = {
    "csv": ("numpy.loadtxt", "import numpy; n = len(numpy.loadtxt(sys.argv[1], delimiter=',', skiprows=1))"),
    "gpx": ("gpxpy", "import gpxpy; n = sum(1 for p in gpxpy.parse(open(sys.argv[1])).walk(only_points=True))"),
    "nmea": (
        "pynmea2",
        "import pynmea2; n = sum(p.latitude + p.longitude < 270 for p in map(pynmea2.parse, open(sys.argv[1]))) // 2",
    ),
}
PEER = """
import json, sys, time
from surroundings import peak_memory
begin = time.process_time()
{code}
print(json.dumps(dict(samples=n, read=time.process_time() - begin, peak=peak_memory())))
"""


def laps(samples: int) -> Iterator[tuple[np.ndarray, ...]]:
    """Chunks of time [s], longitude, latitude [deg], speed [km/h] and course [deg]."""
    for first in range(0, samples, CHUNK):
        t = np.arange(first, min(first + CHUNK, samples)) / 25.0
        turn = 2.0 * np.pi * t / 57.6
        speed = 33.0 + 2.0 * np.sin(3.0 * turn)
        yield t, 7.0 + 1e-3 * np.cos(turn), 45.0 + 8e-4 * np.sin(turn), speed, np.degrees(-turn) % 360.0


def stamps(t: np.ndarray) -> list[str]:
    """ISO 8601 stamps."""
    return [(START + timedelta(seconds=float(s))).isoformat(timespec="milliseconds")[:23] + "Z" for s in t]


def write_csv(file: TextIO, samples: int) -> None:
    """Numbers only."""
    file.write("time [s],longitude [deg],latitude [deg],speed [km/h],course [deg]\n")
    for chunk in laps(samples):
        file.writelines("%.2f,%.8f,%.8f,%.2f,%.1f\n" % row for row in zip(*chunk))  # noqa: UP031


def write_wide(file: TextIO, samples: int) -> None:
    """Stamps, decimal commas, a text column and gaps."""
    file.write("time;driver;lon;lat;speed_kmh;course;hdop;note\n")
    for t, *numbers in laps(samples):
        rows = zip(stamps(t), *numbers)
        lines = ("{};R. Example;{:.8f};{:.8f};{:.2f};{:.1f};;\n".format(*row).replace(".", ",") for row in rows)
        file.writelines(line.replace(",", ".", 1) for line in lines)


def write_gpx(file: TextIO, samples: int) -> None:
    """GPX 1.0 with speed and course."""
    file.write('<?xml version="1.0"?>\n<gpx version="1.0"><trk><trkseg>\n')
    point = (
        '<trkpt lat="{2:.8f}" lon="{1:.8f}"><time>{0}</time><course>{4:.1f}</course><speed>{3:.3f}</speed></trkpt>\n'
    )
    for t, lon, lat, speed, course in laps(samples):
        file.writelines(point.format(*row) for row in zip(stamps(t), lon, lat, speed / 3.6, course))
    file.write("</trkseg></trk></gpx>\n")


def write_nmea(file: TextIO, samples: int) -> None:
    """RMC and GGA for each sample."""

    def sentence(body: str) -> str:
        return f"${body}*{functools.reduce(operator.xor, body.encode('ascii')):02X}\r\n"

    def angle(value: float, digits: int) -> str:
        return f"{int(value):0{digits}d}{60.0 * (value % 1.0):09.6f}"

    for t, lon, lat, speed, course in laps(samples):
        for seconds, east, north, kmh, deg in zip(t, lon, lat, speed, course):
            now = START + timedelta(seconds=float(seconds))
            clock, day = now.strftime("%H%M%S.%f")[:9], now.strftime("%d%m%y")
            place = f"{angle(north, 2)},N,{angle(east, 3)},E"
            file.write(sentence(f"GNRMC,{clock},A,{place},{kmh / 1.852:.3f},{deg:.1f},{day},,,A"))
            file.write(sentence(f"GNGGA,{clock},{place},1,12,0.8,100.0,M,0.0,M,,"))


def write_geojson(file: TextIO, samples: int) -> None:
    """One line with coordTimes."""
    columns = [np.concatenate(parts) for parts in zip(*laps(samples))]
    places = ",".join("[%.8f,%.8f]" % pair for pair in zip(columns[1], columns[2]))  # noqa: UP031
    times = ",".join(f'"{stamp}"' for stamp in stamps(columns[0]))
    file.write(f'{{"type":"Feature","properties":{{"coordTimes":[{times}]}},')
    file.write(f'"geometry":{{"type":"LineString","coordinates":[{places}]}}}}')


#: Writer and share of the samples asked for (slow to write, or bounded in size).
FORMATS: dict[str, tuple[Callable[[TextIO, int], None], float]] = {
    "csv": (write_csv, 1.0),
    "csv, wide": (write_wide, 1.0),
    "gpx": (write_gpx, 0.5),
    "nmea": (write_nmea, 0.5),
    "geojson": (write_geojson, 0.3),
}


def run(code: str, path: Path) -> dict[str, float]:
    """Run a script on a file in a fresh process."""
    paths = [str(ROOT), str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(paths), "OMP_NUM_THREADS": "1"}
    call = [sys.executable, "-c", code, str(path)]
    found: dict[str, float] = json.loads(
        subprocess.run(call, stdout=subprocess.PIPE, text=True, env=environment, check=True).stdout
    )
    return found


def main() -> None:
    """Arguments in, table out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--samples", type=float, default=2.16e6)
    parser.add_argument("--formats", nargs="+", choices=FORMATS, default=list(FORMATS))
    parser.add_argument("--peers", type=float, default=1e5, help="samples for the general-purpose parsers (0: none)")
    options = parser.parse_args()
    print(surroundings("gpxpy", "pynmea2"))
    print("format       samples     file [MB]   read [s]  µs/sample   clean [s]   peak [MB]  of it for reading")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording"
        for name in options.formats:
            write, share = FORMATS[name]
            for part in (0.25, 1.0):
                with path.open("w", encoding="ascii", newline="") as file:
                    write(file, int(part * share * options.samples))
                row = run(OURS, path)
                print(
                    f"{name:10} {row['samples']:9.0f} {path.stat().st_size / 1e6:13.0f} {row['read']:10.2f} "
                    f"{1e6 * row['read'] / row['samples']:10.2f} {row['clean']:11.2f} {row['peak'] / 1e6:11.0f} "
                    f"{(row['reading'] - row['before']) / 1e6:12.0f}",
                    flush=True,
                )
            if name in THEIRS and options.peers:
                with path.open("w", encoding="ascii", newline="") as file:
                    write(file, int(options.peers))
                peer, code = THEIRS[name]
                ours, theirs = run(OURS, path), run(PEER.format(code=code), path)
                print(
                    f"           {options.peers:9.0f} samples beside {peer}: {theirs['read'] / ours['read']:.1f} times "
                    f"the processor time, {theirs['peak'] / ours['reading']:.1f} times the memory",
                    flush=True,
                )


if __name__ == "__main__":
    main()
