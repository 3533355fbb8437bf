"""Sessions of the second driver as linelab reads them: circuit and kart by file, laps by recording or exact."""

from __future__ import annotations

import math
import tempfile
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import second_driver as judge

from linelab.coaching.from_recording import choose_laps, find_ground, review_recording
from linelab.coaching.results import Review
from linelab.diagnosis.marks import CornerMarks
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track
from linelab.geometry.frenet import xy_to_sn
from linelab.model.kart import Kart, PowerEngine
from linelab.model.lap import Lap, Limit
from linelab.model.track import Track
from linelab.motion.channels import stated_bias
from linelab.motion.estimate import DrivenLap, without_uncertainty
from linelab.motion.placing import estimate_placed_laps
from linelab.motion.sensors import read_sensors
from linelab.optimum.minimum_time import solve_min_time
from linelab.recorded.laps import complete_laps, split_laps
from linelab.speed.lines import line_on_track
from linelab.units import STANDARD_GRAVITY

#: Where the second driver's lines are kept between runs.
LINES = Path(tempfile.gettempdir()) / "second_driver_lines"
NAMES = sorted(judge.KARTS)


class Venue(NamedTuple):
    """A circuit with a kart, as the second driver and as linelab know them."""

    circuit: judge.Circuit
    kart_driven: judge.Kart
    track: Track
    kart: Kart
    reference: Lap


def kart_of(driven: judge.Kart) -> Kart:
    """The kart file that its owner would write: peak grip, braking, engine, drag; no word of exponents and loads."""
    facts = judge.kart_file_values(driven)
    share, height = float(facts["rear_share"]), float(facts["cg_height_m"]) / float(facts["wheelbase_m"])
    braking = float(facts["mu_brake_total_decel"])
    return Kart(
        name=str(facts["name"]),
        mass=float(facts["mass_kg"]),
        engine=PowerEngine(
            power=1e3 * float(facts["power_kw"]),
            max_force=float(facts["force_max_n"]),
            top_speed=1.05 * float(facts["top_speed_m_s"]),
        ),
        mu_lateral=float(facts["mu_lateral"]),
        mu_longitudinal=braking / (share - braking * height),
        rear_share=share,
        cg_height=float(facts["cg_height_m"]),
        wheelbase=float(facts["wheelbase_m"]),
        width=float(facts["width_m"]),
        cda=float(facts["cda_m2"]),
        air_density=float(facts["air_density_kg_m3"]),
        rolling_resistance=float(facts["crr"]),
        scrub=float(facts["scrub_s2_m"]) * STANDARD_GRAVITY,
        rotating_mass_factor=0.0,
        engine_braking=1.5 * float(facts["engine_brake_n"]) / float(facts["mass_kg"]),
    )


@cache
def venue(number: int, hilly: bool = False) -> Venue:
    """One of the second driver's circuits with one of its karts, surveyed and solved."""
    circuit = judge.make_circuit(number, hilly=hilly)
    driven = judge.KARTS[NAMES[number % len(NAMES)]]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "circuit.geojson"
        judge.write_geojson(circuit, path)
        track = load_track(path)
    kart = kart_of(driven)
    return Venue(circuit, driven, track, kart, solve_min_time(track, kart).lap)


def recorded_laps(session: judge.Session, track: Track, receiver: judge.Receiver, seed: int) -> tuple[DrivenLap, ...]:
    """The session logged, read from its file and estimated, its typical drift stated as a user would state it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "session.csv"
        judge.log(session, receiver, seed).to_csv(path)
        recording = load_recording(path)
    cut = split_laps(recording, track)
    sensors = read_sensors(cut[0].samples)
    bias = stated_bias(receiver.drift, sensors)
    return estimate_placed_laps(track, complete_laps(cut), sensors=sensors, bias=bias, refused=lambda *_: None)


def exact_laps(session: judge.Session, track: Track, kart: Kart) -> list[DrivenLap]:
    """The flying laps without a receiver."""
    lon, lat = session.circuit.to_lonlat(session.x, session.y)
    east, north = _to_track(track, lon, lat)
    found = []
    for number, lap in enumerate(session.laps, start=1):
        part = (session.t >= lap["start"] - 0.3) & (session.t <= lap["end"] + 0.3)
        s, n = xy_to_sn(track.reference, east[part], north[part])
        s = np.unwrap(s, period=track.length)
        s -= track.length * math.floor((s[s.size // 2]) / track.length)
        from scipy.interpolate import CubicSpline

        order = np.concatenate([[True], np.diff(s) > 1e-6])
        stations = np.linspace(0.0, track.length, round(track.length / 0.5) + 1)
        line = line_on_track(track, stations, CubicSpline(s[order], n[order])(stations), half_width=0.5 * kart.width)
        v = CubicSpline(s[order], session.v[part][order])(stations)
        t = CubicSpline(s[order], session.t[part][order])(stations)
        made = Lap(
            line=line, t=t - t[0], v=v, ax=np.gradient(0.5 * v**2, line.distance),
            limited_by=np.full(t.size, Limit.NONE), label=f"lap {number}",
        )  # fmt: skip
        found.append(without_uncertainty(made))
    return found


def without_survey(session: judge.Session, receiver: judge.Receiver, seed: int, kart: Kart) -> Review:
    """The session reviewed from its file alone."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "session.csv"
        judge.log(session, receiver, seed).to_csv(path)
        recording = load_recording(path)
    ground = find_ground(recording, None)
    return review_recording(recording, ground, kart, choose_laps(ground.laps))


def corner_at(circuit: judge.Circuit, track: Track, marks: tuple[CornerMarks, ...], place: tuple[float, float]) -> int:
    """Number of the corner whose apex is nearest to a place in the second driver's plane."""
    lon, lat = circuit.to_lonlat(np.array([place[0]]), np.array([place[1]]))
    s, _ = xy_to_sn(track.reference, *_to_track(track, lon, lat))
    length = track.length
    off = (float(s[0]) - np.array([mark.apex for mark in marks]) + 0.5 * length) % length - 0.5 * length
    return int(marks[int(np.abs(off).argmin())].corner.number)


def _to_track(track: Track, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Longitude and latitude in the track's plane [m]."""
    from linelab.files.projection import LocalPlane, to_plane

    return to_plane(LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1]), lon, lat)


def true_passes(
    session: judge.Session, track: Track, edges: np.ndarray, owners: np.ndarray, laps: np.ndarray
) -> np.ndarray:
    """True times of the passes of recorded laps (L, C), cut at the stations of a track's segments (M + 1,) [s].

    ``owners`` (M,) says whose each segment is, ``laps`` (L, 2) are the laps' numbers and measured times: which lap of
    the truth has number one is found by the times.
    """
    s, _ = xy_to_sn(track.reference, *_to_track(track, *session.circuit.to_lonlat(session.x, session.y)))
    s = np.unwrap(s, period=track.length)
    onward = np.concatenate([[True], np.diff(np.maximum.accumulate(s)) > 1e-6])
    s, t = s[onward], session.t[onward]
    begins = np.arange(math.ceil((s[0] - edges[0]) / track.length), math.floor((s[-1] - edges[-1]) / track.length) + 1)
    steps = np.array([np.diff(np.interp(edges + begin * track.length, s, t)) for begin in begins])
    numbers = (laps[:, 0] - laps[0, 0]).astype(int)
    rows = [k + numbers for k in range(len(begins) - int(numbers.max()))]
    best = min(rows, key=lambda at: float(np.abs(steps[at].sum(axis=1) - laps[:, 1]).sum()))
    return np.stack([steps[best][:, owners == k].sum(axis=1) for k in range(int(owners.max()) + 1)], axis=1)
