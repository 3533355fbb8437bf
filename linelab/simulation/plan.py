"""A session laid out along the track: which grid node lies on which lap, and each lap's own faults."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from linelab.errors import InputError
from linelab.simulation.habits import BrakesSoftly, Fault, Habits
from linelab.track import Corner, Track
from linelab.units import Array

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
