"""Make the demo recording: an invented driver's practice at the Ostrelle sprint circuit, as a receiver would log it.

Run from the checkout: ``python tracks/drawing/make_demo_recording.py``.  The driver follows a sensible line with
habits that a review should find (listed in HABITS), varies from lap to lap, and uses about 97 % of the grip.  The
receiver logs ten times a second with white noise, a drifting bias (Ornstein-Uhlenbeck) and an accurate Doppler speed.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from linelab.io.kart_files import load_kart
from linelab.io.projection import LocalPlane, to_lonlat
from linelab.io.track_files import load_track
from linelab.lap import Lap
from linelab.report.demo_data import DEMO_KART, DEMO_POSITION_ERROR, DEMO_TRACK
from linelab.solve.lines import line_on_track
from linelab.solve.mintime import solve_min_time
from linelab.solve.speed import speed_profile
from linelab.track import Track
from linelab.units import KMH, Array

TARGET = Path(__file__).resolve().parents[2] / "linelab" / "data" / "recordings" / "ostrelle_practice.csv"
LAPS = 5
RATE = 10.0
#: Habits by corner number: metres by which the apex is missed, and the share of the grip used on the way in.
HABITS = {3: (1.2, 1.0), 8: (1.0, 1.0), 12: (0.4, 0.7), 13: (0.6, 0.9)}
#: Receiver: white noise [m], bias [m] with its correlation time [s], speed noise [m/s].
WHITE, BIAS, BIAS_TIME, SPEED = 0.08, DEMO_POSITION_ERROR, 300.0, 0.06


def drive(track: Track, rng: np.random.Generator) -> Lap:
    """The whole session: part of an out lap, LAPS laps, part of an in lap."""
    kart = load_kart(DEMO_KART)
    best = solve_min_time(track, kart).lap.line
    s = np.arange(0.55 * track.length, (LAPS + 1.35) * track.length, 0.5)
    n = np.interp(np.mod(s, track.length), best.s, best.n)
    share = np.full_like(s, 0.97)
    for lap in range(LAPS + 2):
        for corner in track.corners:
            miss, grip = HABITS.get(corner.number, (0.2, 1.0))
            miss = max(miss + rng.normal(0.0, 0.15), 0.0)
            inside = 1.0 if corner.left else -1.0
            apex = corner.s_apex + lap * track.length
            n -= inside * miss * np.exp(-(((s - apex) / 14.0) ** 2))
            share *= 1.0 - (1.0 - grip * (1.0 + rng.normal(0.0, 0.01))) * np.exp(-(((s - apex + 25.0) / 16.0) ** 2))
        share *= 1.0 - abs(rng.normal(0.0, 0.01)) * (np.abs(s - (lap + 0.5) * track.length) < 0.5 * track.length)
    kernel = np.hanning(17)
    n = np.convolve(np.pad(n, 8, mode="edge"), kernel / kernel.sum(), mode="valid")
    line = line_on_track(track, s, n)
    line = dataclasses.replace(line, grip=line.grip * np.clip(share, 0.5, 1.0))
    return speed_profile(line, kart, v_start=12.0)


def recorded(track: Track, lap: Lap, rng: np.random.Generator) -> Array:
    """Samples (N, 5): time [s], longitude, latitude [deg], speed [km/h], course [deg]."""
    t = np.arange(0.0, lap.t[-1], 1.0 / RATE)
    x, y = np.interp(t, lap.t, lap.line.x), np.interp(t, lap.t, lap.line.y)
    psi, v = np.interp(t, lap.t, lap.line.psi), np.interp(t, lap.t, lap.v)
    for axis in (x, y):
        keep = np.exp(-1.0 / (RATE * BIAS_TIME))
        bias = np.empty(t.size)
        bias[0] = rng.normal(0.0, BIAS)
        for i in range(1, t.size):
            bias[i] = keep * bias[i - 1] + BIAS * np.sqrt(1.0 - keep**2) * rng.normal()
        axis += bias + rng.normal(0.0, WHITE, t.size)
    plane = LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1])
    lon, lat = to_lonlat(plane, x, y)
    speed = np.maximum(v + rng.normal(0.0, SPEED, t.size), 0.0) / KMH
    course = np.mod(90.0 - np.degrees(psi + rng.normal(0.0, 0.01, t.size)), 360.0)
    return np.column_stack([t, lon, lat, speed, course])


def main() -> None:
    """Write the recording."""
    rng = np.random.default_rng(20)
    track = load_track(DEMO_TRACK)
    table = recorded(track, drive(track, rng), rng)
    head = "# Simulated practice session of an invented driver at an invented circuit\n"
    rows = [f"{t:.1f},{lon:.8f},{lat:.8f},{v:.2f},{course:.1f}" for t, lon, lat, v, course in table]
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    TARGET.write_text(
        head + "\n".join(["time [s],longitude [deg],latitude [deg],speed [km/h],course [deg]", *rows]) + "\n"
    )


if __name__ == "__main__":
    main()
