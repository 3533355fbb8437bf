"""A GPS receiver on the kart and the recording it leaves."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .circuit import Array
from .session import Session


@dataclass(frozen=True)
class Receiver:
    """What a receiver does to the truth."""

    rate: float  # [Hz]
    white: float  # [m] noise of each position coordinate
    drift: float  # [m] size of the slow error
    drift_time: float  # [s] its time constant
    speed_noise: float  # [m/s]
    smoothing: float  # [s] length over which the speed is averaged
    lag: float  # [s] how late speed and course are
    course_noise: float | None  # [rad] at speed; None: no course
    jitter: float = 0.002  # [s] of the time stamps
    gaps: int = 0  # holes in a recording of ten minutes
    outliers: int = 0  # positions far off in a recording of ten minutes
    has_speed: bool = True


def good_receiver(rng: np.random.Generator) -> Receiver:
    """Return a fast and steady receiver."""
    u = rng.uniform
    return Receiver(
        float(rng.choice([18, 20, 25])), u(0.05, 0.1), u(0.2, 0.4), u(120, 600), u(0.03, 0.06), u(0, 0.05), u(0, 0.05),
        np.radians(u(0.5, 1.0)), u(0, 0.001),
    )  # fmt: skip


def poor_receiver(rng: np.random.Generator) -> Receiver:
    """Return a slow receiver with drift, lag and gaps, sometimes without a course."""
    u = rng.uniform
    course = None if rng.random() < 0.35 else np.radians(u(1.0, 2.0))
    return Receiver(
        float(rng.choice([5, 8, 10])), u(0.15, 0.3), u(0.5, 2.0), u(60, 400), u(0.08, 0.15), u(0.05, 0.12),
        u(0.08, 0.2), course, u(0.002, 0.008), int(rng.integers(1, 5)), int(rng.integers(1, 6)),
    )  # fmt: skip


def any_receiver(rng: np.random.Generator) -> Receiver:
    """Return a receiver anywhere between the best and the worst."""
    u = rng.uniform
    course = None if rng.random() < 0.2 else np.radians(u(0.5, 2.0))
    return Receiver(
        float(rng.choice([5, 8, 10, 18, 20, 25])), u(0.05, 0.3), np.exp(u(np.log(0.2), np.log(2.0))), u(60, 600),
        u(0.03, 0.15), u(0, 0.12), u(0, 0.2), course, u(0, 0.005), int(rng.integers(0, 4)), int(rng.integers(0, 4)),
    )  # fmt: skip


@dataclass(frozen=True)
class Log:
    """A recording: t [s], lon and lat [degrees], speed [m/s] or None, course [rad, clockwise from north] or None."""

    t: Array
    lon: Array
    lat: Array
    speed: Array | None
    course: Array | None

    def to_csv(self, path: str | Path) -> None:
        """Write the recording; columns the receiver does not give are left out."""
        head, columns = ["time_s", "latitude", "longitude"], [(self.t, 3), (self.lat, 8), (self.lon, 8)]
        if self.speed is not None:
            head.append("speed_m_s")
            columns.append((self.speed, 3))
        if self.course is not None:
            head.append("course_deg")
            columns.append((np.degrees(self.course), 2))
        rows = [",".join(f"{c[k]:.{d}f}" for c, d in columns) for k in range(len(self.t))]
        Path(path).write_text("\n".join([",".join(head), *rows]) + "\n", encoding="utf-8")


def log(session: Session, receiver: Receiver, seed: int) -> Log:
    """Record a session with a receiver."""
    rng = np.random.default_rng([seed, 8089])
    true = session.drive
    period = 1 / receiver.rate
    t = np.arange(true.t[0] + rng.uniform(0.3, 0.3 + period), true.t[-1] - 0.3, period)
    minutes = (t[-1] - t[0]) / 600
    keep = np.ones(len(t), bool)
    for _ in range(rng.poisson(receiver.gaps * minutes)):
        begin = rng.uniform(t[0], t[-1])
        keep &= ~((t > begin) & (t < begin + rng.uniform(0.4, 2.5)))
    x, y = np.interp(t, true.t, true.x), np.interp(t, true.t, true.y)
    fade = np.exp(-period / receiver.drift_time)
    for axis in (x, y):
        kick = rng.normal(size=len(t)) * receiver.drift * np.sqrt(1 - fade**2)
        error = receiver.drift * rng.normal()
        wander = np.empty(len(t))
        for k, push in enumerate(kick.tolist()):
            wander[k] = error
            error = fade * error + push
        axis += wander + rng.normal(size=len(t)) * receiver.white
    for _ in range(rng.poisson(receiver.outliers * minutes)):
        k = int(rng.integers(len(t)))
        away, angle = rng.uniform(3, 12), rng.uniform(0, 2 * np.pi)
        x[k] += away * np.cos(angle)
        y[k] += away * np.sin(angle)
    lon, lat = session.circuit.to_lonlat(x, y)

    def delayed(values: Array) -> Array:
        span = max(1, round(receiver.smoothing / (true.t[1] - true.t[0])))
        total = np.append(0.0, np.cumsum(values))
        at = np.arange(len(values))
        first = np.maximum(at - span + 1, 0)
        mean = (total[at + 1] - total[first]) / (at + 1 - first)
        return np.interp(t - receiver.lag, true.t, mean)

    speed = delayed(true.v)
    course = None
    if receiver.course_noise is not None:
        noise = receiver.course_noise * np.maximum(1, 10 / np.maximum(speed, 1)) * rng.normal(size=len(t))
        course = np.mod(np.pi / 2 - delayed(true.psi) + noise, 2 * np.pi)[keep]
    speed = np.maximum(speed + rng.normal(size=len(t)) * receiver.speed_noise, 0)
    stamps = t + rng.normal(size=len(t)) * receiver.jitter
    stamps = np.maximum.accumulate(stamps + np.arange(len(t)) * 1e-9)
    return Log(stamps[keep], lon[keep], lat[keep], speed[keep] if receiver.has_speed else None, course)
