"""A simulated session: the motion of a kart known exactly at any time, and the laps it is made of."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.errors import InputError
from linelab.lap import Lap, Limit, Line, mapped_line
from linelab.simulation.habits import Fault, Habits
from linelab.track import Track
from linelab.units import Array
from linelab.values import freeze_fields


class Motion(NamedTuple):
    """The kart at given times, all (M,)."""

    s: Array  #: station, counted on from lap to lap [m]
    n: Array  #: offset [m]
    x: Array  #: [m]
    y: Array  #: [m]
    psi: Array  #: direction of travel [rad]
    slip: Array  #: yaw angle of the body less the direction of travel [rad]
    kappa: Array  #: [1/m]
    v: Array  #: [m/s]
    ax: Array  #: [m/s²]
    yaw_rate: Array  #: of the body [rad/s]
    slope: Array  #: [rad]
    bank: Array  #: [rad]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SimulatedSession:
    """An out lap, flying laps and an in lap, driven by an invented driver.

    The acceleration is constant between nodes, a quarter of a metre apart: times, speeds and distances belong
    together exactly.

    Parameters
    ----------
    track : Track
    line : Line
        The path of the whole session (N nodes); stations count on from lap to lap, 0 at the first crossing.
    t : (N,) array
        Time from the beginning of the session [s].
    v : (N,) array
        Speed along the path [m/s].
    ax : (N,) array
        dv/dt after each node; the last entry repeats the one before [m/s²].
    slip : (N,) array
        Yaw angle of the kart's body less its direction of travel [rad]; zero but in slides and spins.
    habits : Habits
    faults : tuple of (lap, Fault)
        What was done wrong on which lap, with the size it has there.
    laps : tuple of Lap
        The flying laps, stations from 0 to the track's length.
    """

    track: Track
    line: Line
    t: Array
    v: Array
    ax: Array
    slip: Array
    habits: Habits
    faults: tuple[tuple[int, Fault], ...]
    laps: tuple[Lap, ...]

    def __post_init__(self) -> None:
        freeze_fields(self, ("t", "v", "ax", "slip"), self.line.s.size)

    @property
    def duration(self) -> float:
        """From first to last node [s]."""
        return float(self.t[-1])

    def at(self, t: Array) -> Motion:
        """The motion at times (M,) within the session [s].

        Raises
        ------
        InputError
            A time before the beginning or after the end.
        """
        when = np.asarray(t, dtype=np.float64)
        if when.size and not (self.t[0] <= when.min() and when.max() <= self.t[-1]):
            raise InputError(f"a time is outside 0 to {self.duration:.2f} s", where="SimulatedSession.at")
        i = np.clip(np.searchsorted(self.t, when, side="right") - 1, 0, self.t.size - 2)
        tau, line = when - self.t[i], self.line
        ax = self.ax[i]
        v = self.v[i] + ax * tau
        h = line.distance[i + 1] - line.distance[i]
        u = np.clip((self.v[i] + 0.5 * ax * tau) * tau / h, 0.0, 1.0)

        def between(values: Array) -> Array:
            return np.asarray(values[i] + u * (values[i + 1] - values[i]))

        psi = _hermite(line.psi, line.kappa, i, u, h)
        kappa = between(line.kappa)
        turning = (self.slip[i + 1] - self.slip[i]) / h
        return Motion(
            s=between(line.s), n=between(line.n), x=_hermite(line.x, np.cos(line.psi), i, u, h),
            y=_hermite(line.y, np.sin(line.psi), i, u, h), psi=psi, slip=between(self.slip), kappa=kappa, v=v, ax=ax,
            yaw_rate=v * (kappa + turning), slope=between(line.slope), bank=between(line.bank),
        )  # fmt: skip


def _hermite(values: Array, slopes: Array, i: NDArray[np.intp], u: Array, h: Array) -> Array:
    """Cubic Hermite interpolation in intervals ``i`` at shares ``u``."""
    w = 1.0 - u
    bend = h * u * w * (slopes[i] * w - slopes[i + 1] * u)
    return np.asarray(values[i] * w * w * (1.0 + 2.0 * u) + values[i + 1] * u * u * (3.0 - 2.0 * u) + bend)


def cut_laps(track: Track, line: Line, t: Array, v: Array, laps: int) -> tuple[Lap, ...]:
    """The flying laps of a session as laps of their own."""
    return tuple(_lap(track, line, t, v, number) for number in range(1, laps + 1))


def _lap(track: Track, line: Line, t: Array, v: Array, number: int) -> Lap:
    start = (number - 1) * track.length
    first, last = (int(np.argmin(np.abs(line.s - station))) for station in (start, start + track.length))
    part = slice(first, last + 1)
    distance = line.distance[part]
    return Lap(
        line=replace(
            mapped_line(line, lambda values: values[part], closed=False),
            distance=distance - distance[0],
            s=np.clip(line.s[part] - start, 0.0, track.length),
        ),
        t=t[part] - t[first],
        v=v[part],
        ax=np.gradient(0.5 * v[part] ** 2, distance),
        limited_by=np.full(distance.size, Limit.NONE),
        label=f"lap {number}",
    )
