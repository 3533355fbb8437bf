"""A fictional circuit, a known lap on it and recordings of that lap: the truth that tests of comparisons need.

The motion is exact: a smooth closed centre line given by Fourier terms, driven on a known offset at a known speed, so
that times, speeds and offsets at any station are integrals, not results of the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from linelab.files.tracks.track_build import track_from_centre
from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.model.lap import Lap, Limit, Line, Recording


def centre_points(step: float = 1.0):
    """A closed wavy circuit of about 720 m with bends both ways, anticlockwise (N, 2) [m]."""
    a = np.linspace(0.0, 2.0 * np.pi, 4000, endpoint=False)
    radius = 100.0 * (1.0 + 0.20 * np.cos(3.0 * a + 0.4) + 0.07 * np.cos(5.0 * a))
    x, y = 1.2 * radius * np.cos(a), 0.85 * radius * np.sin(a)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x, append=x[0]), np.diff(y, append=y[0])))])
    grid = np.arange(0.0, way[-1] - 0.5 * step, step)
    return np.column_stack([np.interp(grid, way, np.append(c, c[0])) for c in (x, y)])


@cache
def make_track():
    """The circuit, 8 m wide, in local metres."""
    return track_from_centre("Windmere Loop", centre_points(), 4.0, 4.0, closed=True)


@dataclass(frozen=True)
class Truth:
    """A motion known at fine stations: s, n, speed and time."""

    s: np.ndarray
    n: np.ndarray
    v: np.ndarray
    t: np.ndarray
    x: np.ndarray
    y: np.ndarray
    path: np.ndarray

    @property
    def lap_time(self) -> float:
        return float(self.t[-1])


def drive(track, offset=lambda s: 0.0 * s, speed=lambda s: 15.0 + 0.0 * s, step=0.1) -> Truth:
    """One lap on a given offset at a given speed along the path (both functions of station)."""
    s = np.linspace(0.0, track.length, round(track.length / step) + 1)
    n, v = offset(s), speed(s)
    kappa = curve_at(track.reference, s).kappa
    dn = np.gradient(n, s)
    stretch = np.hypot(1.0 - n * kappa, dn)
    rate = stretch / v
    steps = np.diff(s)
    # Trapezium with the end correction of Euler-Maclaurin (fourth order).
    slope = np.gradient(rate, s)
    t = np.concatenate(
        [[0.0], np.cumsum(0.5 * steps * (rate[1:] + rate[:-1]) - steps**2 / 12.0 * (slope[1:] - slope[:-1]))]
    )
    path = np.concatenate([[0.0], np.cumsum(0.5 * steps * (stretch[1:] + stretch[:-1]))])
    x, y = sn_to_xy(track.reference, s, n)
    return Truth(s=s, n=n, v=v, t=t, x=np.asarray(x), y=np.asarray(y), path=path)


def as_lap(truth: Truth, every: int = 10, label: str = "reference") -> Lap:
    """The motion as a Lap on nodes ``every`` fine stations."""
    pick = np.unique(np.append(np.arange(0, truth.s.size, every), truth.s.size - 1))
    psi = np.unwrap(np.arctan2(np.gradient(truth.y, truth.s), np.gradient(truth.x, truth.s)))
    kappa = np.gradient(psi, truth.path)
    zero = np.zeros(pick.size)
    line = Line(
        distance=truth.path[pick], x=truth.x[pick], y=truth.y[pick], psi=psi[pick], kappa=kappa[pick], s=truth.s[pick],
        n=truth.n[pick], slope=zero, bank=zero, vertical_curvature=zero, grip=zero + 1.0, closed=False,
    )  # fmt: skip
    return Lap(
        line=line, t=truth.t[pick], v=truth.v[pick], ax=(truth.v * np.gradient(truth.v, truth.path))[pick],
        limited_by=np.full(pick.size, Limit.NONE), label=label,
    )  # fmt: skip


def record(
    truths, rate=18.0, noise=0.1, speed_noise=0.1, bias=(0.0, 0.0), drift=0.0, lag=0.0, seed=0, lead=0.3, channel=True
) -> Recording:
    """Laps driven one after the other, sampled by a receiver with white noise, constant and drifting bias and lag.

    ``lead`` is the share of a lap driven before the first and after the last crossing.
    """
    rng = np.random.default_rng(seed)
    first, last = truths[0], truths[-1]
    parts = [(first, -first.lap_time), *((lap, start) for lap, start in _starts(truths)), (last, _total(truths))]
    begin, end = -lead * first.lap_time, _total(truths) + lead * last.lap_time
    t = np.arange(begin, end, 1.0 / rate)
    x, y, v = np.empty(t.size), np.empty(t.size), np.empty(t.size)
    for lap, start in parts:
        inside = (t >= start) & (t < start + lap.lap_time)
        x[inside] = np.interp(t[inside] - start, lap.t, lap.x)
        y[inside] = np.interp(t[inside] - start, lap.t, lap.y)
        v[inside] = np.interp(t[inside] - start, lap.t, lap.v)
    if lag:
        v = np.interp(t - lag, t, v)
    walk = np.zeros((t.size, 2))
    if drift:
        keep = np.exp(-1.0 / (rate * 300.0))
        kicks = rng.standard_normal((t.size, 2)) * drift * np.sqrt(1.0 - keep**2)
        walk[0] = 0.0
        for i in range(1, t.size):
            walk[i] = keep * walk[i - 1] + kicks[i]
    x = x + bias[0] + walk[:, 0] + noise * rng.standard_normal(t.size)
    y = y + bias[1] + walk[:, 1] + noise * rng.standard_normal(t.size)
    return Recording(
        t=t - t[0],
        x=x,
        y=y,
        speed=v + speed_noise * rng.standard_normal(t.size) if channel else None,
        source="simulated",
    )


def _starts(truths):
    """Each lap with the time it starts."""
    clock = 0.0
    for lap in truths:
        yield lap, clock
        clock += lap.lap_time


def _total(truths) -> float:
    """Time of all laps together."""
    return float(sum(lap.lap_time for lap in truths))
