"""From a recording to the page: 20 laps at 25 Hz, the computed lap included, stage by stage.

A simulated session of an invented driver is written as CSV first (not timed).  Then everything a user waits for is
timed in a fresh process: start of Python, reading, computed lap, cutting, estimating, coaching, page.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from surroundings import surroundings

from linelab.cli.demo import DEMO_KART, DEMO_TRACK
from linelab.drive.driver import careful_lap, drive_session
from linelab.drive.faults import BrakesEarly, Habits, LatePower
from linelab.drive.receiver import Receiver, record
from linelab.files.kart_file import load_kart
from linelab.files.recordings.table import save_recording
from linelab.files.tracks.track_file import load_track
from linelab.optimum.minimum_time import solve_min_time

LAPS, RATE, RUNS = 20, 25.0, 5

STAGES = """
import gc, sys, time
gc.set_threshold(500_000, 50, 50)  # as the command line has it
start = time.perf_counter()
spent = {}
def stage(name, begin):
    spent[name] = time.perf_counter() - begin
    return time.perf_counter()
at = start
from linelab.files.kart_file import load_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track
from linelab.coaching.from_recording import choose_laps, find_ground, review_recording
from linelab.output.review_report import save_review
from linelab.optimum.minimum_time import solve_min_time
at = stage("imports", at)
track, kart = load_track(sys.argv[2]), load_kart(sys.argv[3])
recording = load_recording(sys.argv[1])
at = stage("files read", at)
solution = solve_min_time(track, kart)
at = stage("computed lap", at)
ground = find_ground(recording, track, position_error=0.25)
laps = choose_laps(ground.laps)
at = stage("laps cut", at)
review = review_recording(recording, ground, kart, laps, reference=solution)
at = stage("laps estimated and coached", at)
save_review(review, sys.argv[4])
at = stage("page, JSON and CSV", at)
spent["total"] = time.perf_counter() - start
import json
print(json.dumps([len(laps), spent]))
"""


def session(path: Path) -> None:
    """Drive and record the session."""
    track, kart = load_track(DEMO_TRACK), load_kart(DEMO_KART)
    habits = Habits(grip_share=0.97, faults=(BrakesEarly(corner=12, metres=12.0), LatePower(corner=3, metres=8.0)))
    driven = drive_session(
        track, kart, solve_min_time(track, kart).lap, habits, followed=careful_lap(track, kart, 0.15), laps=LAPS,
        ends=(0.3, 0.3), seed=4,
    )  # fmt: skip
    receiver = Receiver(rate=RATE, white=0.08, bias=0.25, bias_time=300.0, speed_noise=0.06, course_noise=0.01)
    save_recording(replace(record(driven, receiver, seed=4), source="simulated"), path, rounded=True)


def main() -> None:
    """Time the stages; the least of several runs, each in a process of its own."""
    print(surroundings("jinja2"))
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "session.csv"
        session(path)
        best: dict[str, float] = {}
        whole = []
        environment = {"OPENBLAS_NUM_THREADS": "1", **os.environ}  # as the command line has it
        for _ in range(RUNS):
            begin = time.perf_counter()
            command = [sys.executable, "-c", STAGES, str(path), DEMO_TRACK, DEMO_KART, str(Path(name) / "out")]
            done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
            whole.append(time.perf_counter() - begin)
            laps, spent = json.loads(done.stdout)
            best = {key: min(value, best.get(key, value)) for key, value in spent.items()}
        print(f"{laps} laps at {RATE:g} Hz, {path.stat().st_size / 1e6:.1f} MB of CSV; least of {RUNS} runs [s]")
        for key, value in best.items():
            print(f"  {key:28s} {value:6.2f}")
        print(f"  {'with the start of Python':28s} {min(whole):6.2f}")
        print(f"  page: {(Path(name) / 'out' / 'review.html').stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
