"""Where the nodes of the minimum-time problem lie, and the track's corridor there.

Stations are a cubic B-spline s(ξ).  Its control points are spaced by the time of a simple lap, closer where the kart
corners, and smoothly: where steps change quickly from one interval to the next, the path's curvature is not linear
between nodes and the grip that holds at the nodes is exceeded between them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from linelab.arrays import ByValue, frozen_array, set_field
from linelab.model import grip_field as gripfield
from linelab.model.track import Track, along
from linelab.units import Array

#: Share of the nodes that go with time alone; the rest goes with lateral acceleration, up to MOST_LATERAL [m/s²].
TIME_SHARE, MOST_LATERAL = 0.4, 13.0
#: Steps are smoothed over this many intervals, and over this time at least [s].
SMOOTH_INTERVALS, SMOOTH_TIME = 3.0, 0.8
#: Where the offset is held to the corridor unless an edge sticks out elsewhere, as fractions of the interval, and the
#: greatest such fraction.
OFFSETS_AT, MOST_FRACTION = (0.0, 0.5), 0.98
#: Sub-steps of an interval in which the smoothing is done.
_FINER = 4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Mesh(ByValue):
    """Control points of s(ξ) [m]: (N,) unrolled over one lap when closed, (N+3,) when open.

    ``pace`` (N,) is about the time the kart takes over each interval [s].  ``offsets_at`` (N, 2) are the fractions of
    each interval at which the offset is held to the corridor, the first one below the second.
    """

    control: Array
    closed: bool
    length: float
    pace: Array
    offsets_at: Array

    def __post_init__(self) -> None:
        set_field(self, "offsets_at", frozen_array("Mesh", "offsets_at", self.offsets_at, shape=(self.intervals, 2)))
        set_field(self, "control", frozen_array("Mesh", "control", self.control, shape=(None,)))
        set_field(self, "pace", frozen_array("Mesh", "pace", self.pace, shape=(self.intervals,)))

    @property
    def intervals(self) -> int:
        """Number of intervals."""
        return self.control.size if self.closed else self.control.size - 3


class Rhythm(NamedTuple):
    """A simple lap by station (K,): speed [m/s] and lateral acceleration [m/s²], which space the nodes."""

    s: Array
    v: Array
    ay: Array


def padded(mesh: Mesh) -> Array:
    """Control points b[-1..N+1] (N+3,), continued over the start line when closed."""
    if not mesh.closed:
        return mesh.control
    b = mesh.control
    return np.concatenate([[b[-1] - mesh.length], b, b[:2] + mesh.length])


def path_stations(mesh: Mesh) -> Array:
    """Stations at which the displacements of the path sit, unrolled: the control points."""
    return mesh.control if mesh.closed else np.clip(mesh.control, 0.0, mesh.length)


def speed_stations(mesh: Mesh) -> Array:
    """Stations at which the coefficients of z sit, unrolled: middles of the control points."""
    control = padded(mesh)
    middles = 0.5 * (control[:-1] + control[1:])
    return middles[1 : 1 + mesh.intervals] if mesh.closed else np.clip(middles, 0.0, mesh.length)


def wrapped(mesh: Mesh, s: Array) -> Array:
    """Stations within the lap."""
    return np.mod(s, mesh.length) if mesh.closed else s


def spline_nodes(coefficients: Array) -> tuple[Array, Array, Array]:
    """Value and derivatives by ξ of a cubic B-spline at its nodes; (N+3,) coefficients, three (N+1,) results."""
    a, b, c = coefficients[:-2], coefficients[1:-1], coefficients[2:]
    return (a + 4.0 * b + c) / 6.0, 0.5 * (c - a), a - 2.0 * b + c


def spline_at(coefficients: Array, xi: Array) -> tuple[Array, Array, Array]:
    """Value and derivatives by ξ of a cubic B-spline: (N+3,) coefficients, any shape of ξ in [0, N]."""
    value, slope, bend = spline_nodes(coefficients)
    third = np.diff(bend)
    index = np.clip(xi.astype(np.intp), 0, third.size - 1)
    u = xi - index
    a, b, c, d = value.take(index), slope.take(index), bend.take(index), third.take(index)
    e, f = 0.5 * u, u * d
    return a + u * (b + e * (c + f / 3.0)), b + u * (c + 0.5 * f), c + f


def spline_slope_at(coefficients: Array, xi: Array) -> Array:
    """The first derivative alone of :func:`spline_at`."""
    _, slope, bend = spline_nodes(coefficients)
    third = 0.5 * np.diff(bend)
    index = np.clip(xi.astype(np.intp), 0, third.size - 1)
    u = xi - index
    return np.asarray(slope.take(index) + u * (bend.take(index) + u * third.take(index)))


def quadratic_at(coefficients: Array, xi: Array) -> tuple[Array, Array]:
    """Value and derivative by ξ of a quadratic B-spline: (N+2,) coefficients, any shape of ξ in [0, N]."""
    index = np.clip(xi.astype(np.intp), 0, coefficients.size - 3)
    u = xi - index
    a, b, c = (coefficients[index + k] for k in range(3))
    value = 0.5 * (a * (1.0 - u) ** 2 + b * (1.0 + 2.0 * u * (1.0 - u)) + c * u**2)
    return value, -a * (1.0 - u) + b * (1.0 - 2.0 * u) + c * u


def mesh_coordinate(mesh: Mesh, s: Array) -> Array:
    """ξ where the mesh reaches stations ``s`` (M,), by Newton's method from the nodes."""
    control = padded(mesh)
    stations = spline_nodes(control)[0]
    base = np.floor((s - stations[0]) / mesh.length) * mesh.length if mesh.closed else np.zeros_like(s)
    xi = np.interp(s - base, stations, np.arange(stations.size, dtype=np.float64))
    for _ in range(6):
        value, slope, _ = spline_at(control, xi)
        xi = np.clip(xi - (value - (s - base)) / slope, 0.0, stations.size - 1.0)
    return xi


def make_mesh(track: Track, rhythm: Rhythm, intervals: int) -> Mesh:
    """Mesh with steps in proportion to time, shorter where the kart corners, changing smoothly."""
    h, slowness = np.diff(rhythm.s), 0.5 * (1.0 / rhythm.v[1:] + 1.0 / rhythm.v[:-1])
    bend = np.minimum(np.abs(rhythm.ay), MOST_LATERAL) / MOST_LATERAL
    ramp = np.concatenate([[0.0], np.cumsum(h * slowness * (TIME_SHARE + 0.5 * (bend[1:] + bend[:-1])))])
    fine = np.interp(np.linspace(0.0, ramp[-1], intervals * _FINER + 1), ramp, rhythm.s)
    time = float(np.sum(h * slowness))
    width = _FINER * max(SMOOTH_INTERVALS, SMOOTH_TIME * intervals / time)
    steps = np.exp(_smoothed(np.log(np.diff(fine)), min(width, 0.1 * intervals * _FINER), track.closed))
    s = np.concatenate([[0.0], np.cumsum(steps)])[::_FINER] * track.length / steps.sum()
    if track.closed:
        control = s[:-1]
        wide = np.concatenate([[s[-2] - track.length], s, [s[1] + track.length]])
    else:
        # end control points such that s(0) = 0 and s(N) = length exactly: b[-1] = 2 b[0] - b[1]
        control = wide = np.concatenate([[2.0 * s[0] - s[1]], s, [2.0 * s[-1] - s[-2]]])
    nodes = spline_nodes(wide)[0]
    middle = 0.5 * (nodes[1:] + nodes[:-1])
    at = np.mod(middle, track.length) if track.closed else middle
    pace = np.diff(nodes) / np.interp(at, rhythm.s, rhythm.v)
    even = np.tile(OFFSETS_AT, (intervals, 1))
    return Mesh(control=control, closed=track.closed, length=track.length, pace=pace, offsets_at=even)


def held_at(mesh: Mesh, s: Array) -> Mesh:
    """The mesh with the offset held to the corridor at stations ``s`` (K,) [m] in place of the nearest usual ones."""
    xi = mesh_coordinate(mesh, s)
    interval = np.minimum(xi.astype(np.intp), mesh.intervals - 1)
    fraction, at = xi - interval, mesh.offsets_at.copy()
    early = fraction < 0.5 * OFFSETS_AT[1]
    usable = ~early | mesh.closed | (interval > 0)  # an open track's first node may have its offset given
    at[interval[early & usable], 0] = fraction[early & usable]
    at[interval[~early], 1] = np.minimum(fraction[~early], MOST_FRACTION)
    return replace(mesh, offsets_at=at)


def _smoothed(values: Array, width: float, closed: bool) -> Array:
    """Gaussian smoothing over ``width`` entries, by Fourier transform; open ends are mirrored."""
    wave = values if closed else np.concatenate([values, values[::-1]])
    frequency = np.fft.rfftfreq(wave.size)
    smooth = np.fft.irfft(np.fft.rfft(wave) * np.exp(-2.0 * (np.pi * frequency * width) ** 2), wave.size)
    return np.asarray(smooth[: values.size])


def node_stations(mesh: Mesh) -> Array:
    """Stations of the nodes (N+1,) [m]; the last of a closed mesh is the first plus the length."""
    return spline_nodes(padded(mesh))[0]


def corridor(track: Track, s: Array, half_width: float, use_kerbs: bool = True) -> tuple[Array, Array]:
    """Lowest and highest offset of the kart's middle at stations ``s`` (M,) [m], kerbs included."""
    high, low = along(track, track.w_left, s), -along(track, track.w_right, s)
    if use_kerbs:
        high = high + gripfield.kerb_width(track, "left", s)
        low = low - gripfield.kerb_width(track, "right", s)
    return low + half_width, high - half_width
