"""A GPS receiver on the kart and the recording it leaves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.signal import bilinear, lfilter, lfilter_zi

from .circuit import Array
from .driver import TICK
from .session import Session


@dataclass(frozen=True)
class Filter:
    """How a channel follows the truth: causally, and late by `lag` [s] on top.

    Kinds, with T = `length` [s]: "mean" is the mean of the last T; "triangle" two such means of T / 2 one after the
    other; "low_pass" 1 / (1 + T p); "two_pole" 1 / (1 + T p)^2; "tracker" (1 + 2 T p) / (1 + T p)^2, a filter that
    estimates the rate of change too: a steady rate makes it no error, an acceleration a makes one of a T^2.
    """

    kind: str
    length: float
    lag: float = 0.0

    @property
    def delay(self) -> float:
        """How late [s] the channel is when the truth changes steadily; means count the ticks of a drive."""
        if self.kind in ("mean", "triangle"):
            parts = 1 if self.kind == "mean" else 2
            return self.lag + parts * (max(1, round(self.length / parts / TICK)) - 1) * TICK / 2
        return self.lag + {"low_pass": 1.0, "two_pole": 2.0, "tracker": 0.0}[self.kind] * self.length

    def follow(self, values: Array, step: float) -> Array:
        """Return the filtered values of a truth sampled every `step` [s], the lag not in it."""
        if self.kind == "mean":
            return _mean(values, max(1, round(self.length / step)))
        if self.kind == "triangle":
            half = max(1, round(self.length / 2 / step))
            return _mean(_mean(values, half), half)
        if self.length < step / 2:
            return values
        upper = {"low_pass": [1.0], "two_pole": [1.0], "tracker": [2 * self.length, 1.0]}[self.kind]
        lower = [self.length, 1.0] if self.kind == "low_pass" else [self.length**2, 2 * self.length, 1.0]
        b, a = bilinear(upper, lower, 1 / step)
        before = round(12 * self.length / step)  # runs in on a steady rate, so that it begins as if long switched on
        early = values[0] + (values[1] - values[0]) * np.arange(-before, 0)
        whole = np.append(early, values)
        return lfilter(b, a, whole, zi=lfilter_zi(b, a) * whole[0])[0][before:]


def _mean(values: Array, span: int) -> Array:
    """Return the mean of the last `span` values, of fewer at the beginning."""
    total = np.append(0.0, np.cumsum(values))
    at = np.arange(len(values))
    first = np.maximum(at - span + 1, 0)
    return (total[at + 1] - total[first]) / (at + 1 - first)


@dataclass(frozen=True)
class Receiver:
    """What a receiver does to the truth.

    A channel without a filter of its own is treated as `smoothing` and `lag` say; positions without one are neither
    averaged nor late.
    """

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
    position_filter: Filter | None = None
    speed_filter: Filter | None = None
    course_filter: Filter | None = None
    course_floor: float = 1.0  # [m/s] the course grows no worse below this speed

    def filter_of(self, channel: str) -> Filter:
        """Return the filter of "position", "speed" or "course"."""
        common = Filter("mean", 0.0) if channel == "position" else Filter("mean", self.smoothing, self.lag)
        return getattr(self, f"{channel}_filter") or common


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


def mixed_receiver(rng: np.random.Generator) -> Receiver:
    """Return a receiver whose channels are treated each in its own way, one of four builds.

    A speed from the carrier wave as a moving average, beside a bare course; a speed through a first-order low-pass,
    beside an averaged course; both through short weighted windows; or everything from a navigation filter, whose
    positions too run wide in manoeuvres. Lags are drawn apart: positions are often ready before or after the speed.
    """
    u = rng.uniform
    base = any_receiver(rng)
    build = str(rng.choice(["average", "low_pass", "window", "navigation"]))
    late = [u(0, 0.15) if rng.random() < 0.6 else 0.0 for _ in range(3)]
    position: Filter | None = Filter("mean", 0.0, late[0]) if rng.random() < 0.5 else None
    if build == "average":
        speed, course = Filter("mean", u(0.03, 0.3), late[1]), Filter("mean", 0.0, late[2])
    elif build == "low_pass":
        speed, course = Filter("low_pass", u(0.03, 0.15), late[1]), Filter("mean", u(0, 0.12), late[2])
    elif build == "window":
        speed, course = Filter("triangle", u(0.06, 0.3), late[1]), Filter("triangle", u(0.04, 0.2), late[2])
    else:
        length = u(0.04, 0.15)
        position = Filter("tracker", length, late[0])
        speed, course = Filter("two_pole", 0.5 * length, late[0]), Filter("low_pass", u(0.02, 0.1), late[0])
    return replace(
        base, position_filter=position, speed_filter=speed, course_filter=course,
        course_floor=float(rng.choice([0.1, 0.3, 1.0])),
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
    step = true.t[1] - true.t[0]

    def channel(name: str, values: Array) -> Array:
        own = receiver.filter_of(name)
        return np.interp(t - own.lag, true.t, own.follow(values, step))

    bare = receiver.position_filter is None  # a mean of one is not the value to the last bit
    x, y = (np.interp(t, true.t, a) if bare else channel("position", a) for a in (true.x, true.y))
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

    speed = channel("speed", true.v)
    course = None
    if receiver.course_noise is not None:
        noise = (
            receiver.course_noise
            * np.maximum(1, 10 / np.maximum(speed, receiver.course_floor))
            * rng.normal(size=len(t))
        )
        course = np.mod(np.pi / 2 - channel("course", true.psi) + noise, 2 * np.pi)[keep]
    speed = np.maximum(speed + rng.normal(size=len(t)) * receiver.speed_noise, 0)
    stamps = t + rng.normal(size=len(t)) * receiver.jitter
    stamps = np.maximum.accumulate(stamps + np.arange(len(t)) * 1e-9)
    return Log(stamps[keep], lon[keep], lat[keep], speed[keep] if receiver.has_speed else None, course)
