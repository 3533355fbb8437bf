"""Make the demo recording: an invented driver's practice at the Ostrelle sprint circuit, as a receiver would log it.

Run from the checkout: ``python tracks/drawing/make_demo_recording.py``.  The driver is a sensible club driver with the
faults listed in FAULTS, which a review should find, and a session with its usual mishaps (INCIDENTS).  The receiver
logs ten times a second, with white noise, a drifting bias and an accurate Doppler speed.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from linelab.cli.demo import DEMO_KART, DEMO_POSITION_ERROR, DEMO_TRACK
from linelab.drive.driver import careful_lap, drive_session
from linelab.drive.faults import ApexMissed, BrakesSoftly, Coasts, Habits, LatePower, Spin, Traffic
from linelab.drive.motion import SimulatedSession
from linelab.drive.receiver import Receiver, record
from linelab.files.kart_file import load_kart
from linelab.files.recordings.table import save_recording
from linelab.files.tracks.track_file import load_track
from linelab.optimum.minimum_time import solve_min_time

TARGET = Path(__file__).resolve().parents[2] / "linelab" / "data" / "recordings" / "ostrelle_practice.csv"
LAPS, SEED = 10, 20
#: Metres kept from the edges beside the apexes that are missed outright.
MARGIN = 0.15
FAULTS = (
    LatePower(corner=3, metres=14.0),
    ApexMissed(corner=8, metres=1.1),
    BrakesSoftly(corner=12, share=0.6),
    Coasts(corner=13, metres=35.0),
)
INCIDENTS = (
    Traffic(lap=3, station=330.0, metres=200.0, speed_share=0.85),
    Spin(lap=8, station=212.0, seconds=6.0),
)
HABITS = Habits(grip_share=0.975, faults=FAULTS, incidents=INCIDENTS)
RECEIVER = Receiver(
    rate=10.0, white=0.08, bias=DEMO_POSITION_ERROR, bias_time=300.0, speed_noise=0.06, course_noise=0.01, time_step=0.1
)
NOTE = "Simulated practice session of an invented driver at an invented circuit"


def demo_session() -> SimulatedSession:
    """The session as it was really driven."""
    track, kart = load_track(DEMO_TRACK), load_kart(DEMO_KART)
    reference = solve_min_time(track, kart).lap
    return drive_session(
        track,
        kart,
        reference,
        HABITS,
        followed=careful_lap(track, kart, MARGIN),
        laps=LAPS,
        ends=(0.45, 0.35),
        seed=SEED,
    )


def main() -> None:
    """Write the recording."""
    recording = record(demo_session(), RECEIVER, seed=SEED)
    save_recording(replace(recording, notes=(NOTE,)), TARGET, rounded=True)


if __name__ == "__main__":
    main()
