"""How well a recorded lap comes back: errors of the estimate and of the raw samples against the exact lap.

Raw samples are read as one would without a smoother: straight lines between them, the speed channel as logged (or the
distance between positions over time), accelerations as differences, the line crossed between two samples.  The truth
for a raw reading is the same reading of the exact lap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.coaching.driven_marks import all_figures
from linelab.coaching.mark_figures import driven_marks
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.marks import find_marks, minimum_rooms
from linelab.drive.motion import SimulatedSession
from linelab.drive.receiver import Receiver, record
from linelab.geometry.frenet import xy_to_sn
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Limit, Line
from linelab.model.track import Track
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import DrivenLap, estimate_laps, without_uncertainty
from linelab.motion.sensors import read_sensors
from linelab.recorded.laps import RecordedLap, complete_laps, split_laps

NAMES = ("speed", "apex", "brake", "drive", "lap time")


@dataclass(frozen=True)
class Errors:
    """Departures from the truth by name.

    Speed [m/s], apex miss between laps [m], brake and drive point [m], lap time [s].
    """

    estimated: dict[str, np.ndarray]
    raw: dict[str, np.ndarray]

    def rms(self) -> dict[str, tuple[float, float]]:
        """Root mean square of both, by name."""
        return {name: (_rms(self.estimated[name]), _rms(self.raw[name])) for name in NAMES}

    def typical(self) -> dict[str, tuple[float, float]]:
        """The same as 1.4826 times the median magnitude, which equals the standard deviation of normal errors."""
        return {name: (_typical(self.estimated[name]), _typical(self.raw[name])) for name in NAMES}


def _rms(values):
    return float(np.sqrt(np.mean(values**2)))


def _typical(values):
    return float(1.4826 * np.median(np.abs(values)))


def joined(several: list[Errors]) -> Errors:
    """The errors of many sessions."""

    def together(kind):
        return {name: np.concatenate([getattr(one, kind)[name] for one in several]) for name in NAMES}

    return Errors(together("estimated"), together("raw"))


def recover(session: SimulatedSession, kart: Kart, reference: Lap, receiver: Receiver, *, seed: int = 0) -> Errors:
    """Record a session and read it back both ways."""
    track = session.track
    recording = record(session, receiver, seed=seed)
    recorded = complete_laps(split_laps(recording, track, bias=receiver.bias))
    sensors = read_sensors(recorded[0].samples)
    bias = PositionBias(sigma=max(receiver.bias, 0.05), time=receiver.bias_time)
    estimated = estimate_laps(track, recorded, sensors=sensors, bias=bias)
    raw = [without_uncertainty(raw_lap(session, lap)) for lap in recorded]
    truth = [without_uncertainty(session.laps[lap.number - 1]) for lap in recorded]
    true, own = (_feet(track, kart, reference, laps) for laps in (truth, estimated))
    sharp, plain = (_raw_feet(track, kart, reference, laps) for laps in (truth, raw))
    told = {name: np.isfinite(own[name]) & np.isfinite(true[name]) for name in own}
    kinds = []
    for laps, feet, exact in ((estimated, own, true), (raw, plain, sharp)):
        pairs = [(a.lap, b.lap) for a, b in zip(laps, truth)]
        kinds.append(_against(track, reference, pairs))
        off = {name: (feet[name] - exact[name])[told[name]] for name in told}
        kinds[-1] |= {name: values[np.isfinite(values)] for name, values in off.items()}
    return Errors(*kinds)


def raw_lap(session: SimulatedSession, lap: RecordedLap) -> Lap:
    """A lap of the raw samples, straight lines between them; ends where those lines cross the start line."""
    track = session.track
    part = lap.samples.between(lap.t_start - 1.0, lap.t_end + 1.0)
    s, n = xy_to_sn(track.reference, part.x, part.y, widths=(track.w_left, track.w_right))
    s = s - track.length * np.round(s[0] / track.length + 0.1)
    s = s - track.length * np.floor(s[s.size // 2] / track.length)
    speed = part.speed
    if not part.has_speed:
        speed = np.hypot(np.gradient(part.x, part.t), np.gradient(part.y, part.t))
    # Noise can step back along the track; a lap needs stations that grow.
    ahead = np.maximum.accumulate(s + 1e-6 * np.arange(s.size))
    ahead += 1e-6 * np.arange(s.size)
    inside = (ahead > 0.0) & (ahead < track.length)
    stations = np.concatenate([[0.0], ahead[inside], [track.length]])
    t, x, y, v, offset = (np.interp(stations, ahead, values) for values in (part.t, part.x, part.y, speed, n))
    way = np.cumsum(np.concatenate([[0.0], np.maximum(np.hypot(np.diff(x), np.diff(y)), 1e-6)]))
    zero = np.zeros(t.size)
    line = Line(
        distance=way, x=x, y=y, psi=zero, kappa=np.interp(stations, track.reference.s, track.reference.kappa),
        s=stations, n=offset, slope=zero, bank=zero, vertical_curvature=zero, grip=zero + 1.0, closed=False,
    )  # fmt: skip
    return Lap(
        line=line, t=t - t[0], v=np.maximum(v, 0.1), ax=np.gradient(v, t), limited_by=np.full(t.size, Limit.NONE)
    )  # fmt: skip


def _feet(track: Track, kart: Kart, reference: Lap, laps: Sequence[DrivenLap]) -> dict[str, np.ndarray]:
    """Brake and drive points by lap and corner (L, C) [m]; NaN where there is none, or it is not known."""
    sheet = session_sheet(track, kart, laps)
    seen = computed_rows(sheet, [reference])
    marks = driven_marks(sheet, seen, find_marks(track, reference, kart)).laps

    def places(name):
        values = [[getattr(corner, name).driven.value for corner in corners] for corners in marks]
        return np.array(values, dtype=float)

    return {"brake": places("brake_point"), "drive": places("drive_point")}


def _raw_feet(track: Track, kart: Kart, reference: Lap, laps: Sequence[DrivenLap]) -> dict[str, np.ndarray]:
    """The same by the accelerations as they are, averaged over nothing."""
    sheet, marks = session_sheet(track, kart, laps), find_marks(track, reference, kart)
    found = all_figures(sheet, sheet.laps, marks, minimum_rooms(track, marks), foot_time=0.0)
    return {"brake": found["brake_point"], "drive": found["drive_point"]}


def _against(track: Track, reference: Lap, pairs: list[tuple[Lap, Lap]]) -> dict[str, np.ndarray]:
    """Errors of laps against the true ones."""
    stations = np.arange(5.0, track.length - 5.0, 1.0)
    speed = [np.interp(stations, a.line.s, a.v) - np.interp(stations, b.line.s, b.v) for a, b in pairs]
    apexes = np.array([mark.apex for mark in find_marks(track, reference)]) % track.length
    miss = np.array([np.interp(apexes, a.line.s, a.line.n) - np.interp(apexes, b.line.s, b.line.n) for a, b in pairs])
    return {
        "speed": np.concatenate(speed),
        "apex": np.diff(miss, axis=0).ravel(),  # what all laps share is the bias, not a difference between laps
        "lap time": np.array([a.lap_time - b.lap_time for a, b in pairs]),
    }


class Tight(NamedTuple):
    """Departures of the speed [m/s] on tight bends: of the channel (K,), by the chord's length (K,), estimated (M,)."""

    logged: np.ndarray
    expected: np.ndarray
    estimated: np.ndarray


def chord_speed(speed, radius, time):
    """The chord over a time on a circle, divided by it: 2·R·sin(v·t/(2R))/t (plane geometry)."""
    return 2.0 * radius * np.sin(speed * time / (2.0 * radius)) / time


def tight(session: SimulatedSession, receiver: Receiver, *, radius: float = 8.0, seed: int = 3) -> Tight:
    """Speed worked out from positions, where the path bends more sharply than ``radius`` [m].

    The channel is held against the truth in the middle of its stretch of time.
    """
    recording = record(session, receiver, seed=seed)
    start = np.random.default_rng(seed).uniform(0.0, 1.0 / receiver.rate)  # record's first draw sets the clock
    over = max(round(receiver.derived_over * receiver.rate), 1) / receiver.rate
    middle = session.at(np.clip(recording.t + start - 0.5 * over, 0.0, session.duration))
    end = len(session.laps) * session.track.length
    bends = (np.abs(middle.kappa) > 1.0 / radius) & (middle.s > 0.0) & (middle.s < end)
    v, kappa = middle.v[bends], np.abs(middle.kappa[bends])
    recorded = complete_laps(split_laps(recording, session.track))
    estimated = []
    for lap, split in zip(estimate_laps(session.track, recorded), recorded):
        truth = session.laps[split.number - 1]
        nodes = np.abs(truth.line.kappa) > 1.0 / radius
        estimated.append(np.interp(truth.line.s[nodes], lap.lap.line.s, lap.lap.v) - truth.v[nodes])
    return Tight(recording.speed[bends] - v, chord_speed(v, 1.0 / kappa, over) - v, np.concatenate(estimated))
