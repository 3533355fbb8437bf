"""Simulated sessions for the studies of calibration and recovery: circuits, drivers and receivers drawn at random."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.drive.driver import careful_lap, drive_session
from linelab.drive.faults import (
    AbruptPower,
    ApexMissed,
    BrakesEarly,
    BrakesSoftly,
    Coasts,
    Fault,
    Habits,
    LatePower,
    Slides,
    TurnsInEarly,
)
from linelab.drive.motion import SimulatedSession
from linelab.drive.receiver import Receiver
from linelab.errors import LinelabError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_centre
from linelab.files.tracks.track_file import load_track
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.optimum.minimum_time import solve_min_time

#: Bundled circuit to the class of kart on it.
DEMO = {
    "ostrelle_sprint": "senior-single-speed",
    "marrowdown_club": "junior-single-speed",
    "tinmarsh_rental": "rental-four-stroke",
}
RATES = (5.0, 8.0, 10.0, 12.5, 18.18, 20.0, 25.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Circuit:
    """A track with a kart, the computed lap, and the line a driver takes who keeps off the edges."""

    track: Track
    kart: Kart
    reference: Lap
    followed: Lap


def circuits(drawn: int, seed: int = 0) -> list[Circuit]:
    """The three bundled circuits and ``drawn`` invented ones."""
    found = [_solved(load_track(track), load_kart(kart)) for track, kart in DEMO.items()]
    rng = np.random.default_rng(seed)
    karts = [load_kart(name) for name in ("senior-single-speed", "junior-single-speed", "gearbox")]
    while len(found) < len(DEMO) + drawn:
        try:
            track = drawn_track(rng, len(found))
            found.append(_solved(track, karts[len(found) % len(karts)]))
        except (LinelabError, ValueError):  # a drawn shape that is no circuit: draw another
            continue
    return found


def _solved(track: Track, kart: Kart) -> Circuit:
    return Circuit(
        track=track, kart=kart, reference=solve_min_time(track, kart).lap, followed=careful_lap(track, kart, 0.2)
    )


def drawn_track(rng: np.random.Generator, number: int) -> Track:
    """A closed circuit of 500 to 1300 m: a radius in Fourier terms about a centre, 7 to 9 m wide (kart norms)."""
    angle = np.linspace(0.0, 2.0 * np.pi, 4000, endpoint=False)
    radius = np.ones_like(angle)
    for term in range(2, 8):
        radius += rng.normal(0.0, 0.45 / term) * np.cos(term * angle + rng.uniform(0.0, 2.0 * np.pi))
    if radius.min() < 0.25:
        raise ValueError("the circuit would cross itself")
    x, y = radius * np.cos(angle) * rng.uniform(1.0, 1.7), radius * np.sin(angle)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x, append=x[0]), np.diff(y, append=y[0])))])
    scale = rng.uniform(500.0, 1300.0) / way[-1]
    grid = np.arange(0.0, scale * way[-1] - 0.5, 1.0)
    points = np.column_stack([np.interp(grid, scale * way, scale * np.append(c, c[0])) for c in (x, y)])
    half = 0.5 * rng.uniform(7.0, 9.0)
    track = track_from_centre(f"Drawn circuit {number}", points, half, half, closed=True)
    if len(track.corners) < 3:
        raise ValueError("too few corners")
    return track


def random_habits(track: Track, rng: np.random.Generator) -> Habits:
    """A driver with a fault at about every third corner."""
    faults: list[Fault] = []
    for corner in track.corners:
        if rng.random() < 0.4:
            faults.append(_random_fault(corner.number, rng))
    return Habits(
        grip_share=rng.uniform(0.9, 0.99),
        line_scatter=rng.uniform(0.05, 0.2),
        pace_scatter=rng.uniform(0.0, 0.015),
        pedal_time=rng.uniform(0.05, 0.15),
        faults=tuple(faults),
    )


def _random_fault(corner: int, rng: np.random.Generator) -> Fault:
    match int(rng.integers(8)):
        case 0:
            return ApexMissed(corner=corner, metres=rng.uniform(0.3, 1.2))
        case 1:
            return TurnsInEarly(corner=corner, metres=rng.uniform(1.0, 3.0))
        case 2:
            return BrakesEarly(corner=corner, metres=rng.uniform(3.0, 15.0))
        case 3:
            return BrakesSoftly(corner=corner, share=rng.uniform(0.5, 0.85))
        case 4:
            return Coasts(corner=corner, metres=rng.uniform(5.0, 25.0))
        case 5:
            return LatePower(corner=corner, metres=rng.uniform(3.0, 15.0))
        case 6:
            return AbruptPower(corner=corner, speed_lost=rng.uniform(0.3, 1.0))
        case _:
            return Slides(corner=corner, speed_lost=rng.uniform(0.3, 1.5))


def random_receiver(rng: np.random.Generator) -> Receiver:
    """5 to 25 samples a second, white noise 0.03 to 0.5 m, bias 0.1 to 2 m drifting over one to twenty minutes."""

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    return Receiver(
        rate=float(rng.choice(RATES)),
        white=between(0.03, 0.5),
        bias=between(0.1, 2.0),
        bias_time=between(60.0, 1200.0),
        speed_noise=between(0.03, 0.2),
        course_noise=between(0.005, 0.03),
        latency=float(rng.choice([0.0, rng.uniform(0.0, 0.4)])),
        with_speed=bool(rng.random() < 0.9),
        with_course=bool(rng.random() < 0.7),
        dropouts=0.02 if rng.random() < 0.2 else 0.0,
    )


def random_session(circuit: Circuit, laps: int, rng: np.random.Generator) -> SimulatedSession:
    """A session at a circuit; faults that would leave the track are drawn again."""
    for _ in range(20):
        habits = random_habits(circuit.track, rng)
        try:
            return drive_session(
                circuit.track, circuit.kart, circuit.reference, habits, followed=circuit.followed, laps=laps,
                ends=(0.3, 0.2), seed=int(rng.integers(2**31)),
            )  # fmt: skip
        except LinelabError:
            continue
    raise RuntimeError(f"no session found at {circuit.track.name}")
