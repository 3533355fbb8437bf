"""A simulated session: the motion of a kart known exactly at any time, and the laps it is made of."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import freeze_fields
from linelab.drive.faults import BrakesSoftly, Fault, Habits
from linelab.errors import InputError
from linelab.model.lap import Lap, Limit, Line, mapped_line
from linelab.model.track import Corner, Track
from linelab.units import Array


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


#: Spacing of the nodes of a simulated session [m], a whole number of them a lap.
STEP = 0.25


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Plan:
    """Stations of a session and what is done where.

    Parameters
    ----------
    s : (N,) array
        Stations, counted on from lap to lap; flying lap k runs from (k - 1) to k lap lengths [m].
    step : float
        Spacing [m].
    laps : int
        Flying laps.
    faults : tuple of (lap, Fault)
        Every fault of every lap with the size it has there.
    """

    s: Array
    step: float
    laps: int
    faults: tuple[tuple[int, Fault], ...]

    def index(self, station: float) -> int:
        """Nearest node."""
        return int(np.clip(round((station - float(self.s[0])) / self.step), 0, self.s.size - 1))

    def between(self, start: float, end: float) -> slice:
        """Nodes from ``start`` to ``end``, both included."""
        return slice(self.index(start), self.index(end) + 1)


def plan_session(track: Track, habits: Habits, laps: int, ends: tuple[float, float], rng: np.random.Generator) -> Plan:
    """Lay out an out lap, flying laps and an in lap.

    ``ends`` are the shares of a lap driven before the first and after the last crossing of the start line.

    Raises
    ------
    InputError
        An open track, no lap, or a fault at a corner that the track does not have.
    """
    if not track.closed:
        raise InputError("a session needs a circuit", where=f"track {track.name}", remedy="Choose a closed track")
    if laps < 1 or not all(0.02 <= share <= 1.0 for share in ends):
        raise InputError(
            f"{laps} laps with ends {ends} make no session",
            where="drive_session",
            remedy="At least one lap, ends 0.02 to 1",
        )
    numbers = {corner.number for corner in track.corners}
    for fault in habits.faults:
        if fault.corner not in numbers:
            raise InputError(f"the track has no corner {fault.corner}", where=f"track {track.name}")
    count = round(track.length / STEP)
    step = track.length / count
    nodes = np.arange(-round(ends[0] * count), laps * count + round(ends[1] * count) + 1)
    sizes = [
        (lap, _sized(fault, rng.normal(0.0, habits.fault_scatter)))
        for lap in range(1, laps + 1)
        for fault in habits.faults
        if fault.on(lap)
    ]
    return Plan(s=np.asarray(nodes * step, dtype=np.float64), step=step, laps=laps, faults=tuple(sizes))


def _sized(fault: Any, change: float) -> Fault:
    """The fault with its size changed by a share; a braking share stays a share."""
    (name,) = (item.name for item in fields(fault) if item.name not in ("corner", "laps"))
    size = getattr(fault, name)
    if isinstance(fault, BrakesSoftly):
        size = float(np.clip(size + (1.0 - size) * change, 0.05, 1.0))
    else:
        size = float(size * (1.0 + change))
    changed: Fault = replace(fault, **{name: size})
    return changed


def smooth_noise(size: int, step: float, length: float, rng: np.random.Generator) -> Array:
    """Unit-variance Gaussian noise (size,), smooth over ``length`` [m] at nodes ``step`` apart."""
    from scipy.ndimage import gaussian_filter1d

    width = length / step
    pad = int(4.0 * width) + 1
    rough = rng.standard_normal(size + 2 * pad)
    # White noise through a Gaussian kernel of width w nodes has the variance 1/(2·sqrt(pi)·w).
    scale = np.sqrt(2.0 * np.sqrt(np.pi) * width)
    return np.asarray(scale * gaussian_filter1d(rough, width)[pad : pad + size])


def corner_of(track: Track, number: int) -> Corner:
    """The corner with a number."""
    return next(corner for corner in track.corners if corner.number == number)


def extent(track: Track, corner: Corner) -> tuple[float, float]:
    """Start and end of a corner, unwrapped about its apex [m]."""
    start = corner.s_start - track.length * (corner.s_start > corner.s_apex)
    return start, corner.s_end + track.length * (corner.s_end < corner.s_apex)
