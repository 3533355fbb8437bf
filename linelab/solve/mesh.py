"""Where the nodes of the minimum-time problem lie, and the track's numbers there.

Stations are a cubic B-spline s(ξ) of the same kind as the offset n(ξ), so that derivatives by station follow from the
chain rule exactly: n' = n_ξ/s_ξ, n'' = (n_ξξ - n'·s_ξξ)/s_ξ².  Its control points are spaced in equal steps of a
cost: mostly time at the speed the reference line allows, so that a hairpin gets short steps and a straight long ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab import gripfield
from linelab.geometry.curve import curve_at
from linelab.solve.stage import GAUSS, Structure
from linelab.track import Track, along
from linelab.units import Array
from linelab.values import frozen_array, set_field


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Mesh:
    """Control points of s(ξ) [m]: (N,) unrolled over one lap when closed, (N+3,) when open."""

    control: Array
    closed: bool
    length: float

    def __post_init__(self) -> None:
        set_field(self, "control", frozen_array("Mesh", "control", self.control, shape=(None,)))

    @property
    def intervals(self) -> int:
        """Number of intervals."""
        return self.control.size if self.closed else self.control.size - 3


def padded(mesh: Mesh) -> Array:
    """Control points b[-1..N+1] (N+3,), continued over the start line when closed."""
    if not mesh.closed:
        return mesh.control
    b = mesh.control
    return np.concatenate([[b[-1] - mesh.length], b, b[:2] + mesh.length])


def spline_nodes(coefficients: Array) -> tuple[Array, Array, Array]:
    """Value and derivatives by ξ of a cubic B-spline at its nodes; (N+3,) coefficients, three (N+1,) results."""
    a, b, c = coefficients[:-2], coefficients[1:-1], coefficients[2:]
    return (a + 4.0 * b + c) / 6.0, 0.5 * (c - a), a - 2.0 * b + c


def spline_at(coefficients: Array, xi: Array) -> tuple[Array, Array, Array]:
    """Value and derivatives by ξ of a cubic B-spline: (N+3,) coefficients, any shape of ξ in [0, N]."""
    index = np.clip(xi.astype(np.intp), 0, coefficients.size - 4)
    u = xi - index
    w = 1.0 - u
    a, b, c, d = (coefficients[index + k] for k in range(4))
    value = (a * w**3 + b * (3 * u**3 - 6 * u**2 + 4) + c * (3 * w**3 - 6 * w**2 + 4) + d * u**3) / 6.0
    slope = 0.5 * (-a * w**2 + b * (3 * u**2 - 4 * u) - c * (3 * w**2 - 4 * w) + d * u**2)
    bend = a * w + b * (3 * u - 2) + c * (3 * w - 2) + d * u
    return value, slope, bend


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


def node_density(track: Track, speed: Array) -> Array:
    """Nodes per metre wanted, up to a factor (N-1,): by time, by turning, and some everywhere.

    ``speed`` (N,) is what a first line allows at ``track.s`` [m/s].
    """
    h = np.diff(track.s)
    middle = 0.5 * (speed[1:] + speed[:-1])
    bend = np.abs(0.5 * (track.reference.kappa[1:] + track.reference.kappa[:-1]))
    cost = h / middle / np.sum(h / middle) + 0.25 * h / track.length
    turning = h * np.minimum(bend, 0.5)
    if turning.sum() > 0.0:
        cost = cost + 0.35 * turning / turning.sum()
    return np.asarray(cost / h)


def make_mesh(track: Track, density: Array, intervals: int) -> Mesh:
    """Mesh with nodes in proportion to a density (N-1,), smoothed so that steps change gradually."""
    smooth = _smooth(density, track.s, track.closed)
    ramp = np.concatenate([[0.0], np.cumsum(smooth * np.diff(track.s))])
    ramp /= ramp[-1]
    if track.closed:
        control = np.interp(np.arange(intervals) / intervals, ramp, track.s)
        return Mesh(control=control - control[0], closed=True, length=track.length)
    inner = np.interp(np.arange(intervals + 1) / intervals, ramp, track.s)
    # end control points such that s(0) = 0 and s(N) = length exactly: b[-1] = 2 b[0] - b[1]
    control = np.concatenate([[2 * inner[0] - inner[1]], inner, [2 * inner[-1] - inner[-2]]])
    return Mesh(control=control, closed=False, length=track.length)


def _smooth(density: Array, s: Array, closed: bool, reach: float = 6.0) -> Array:
    """Moving average of a density over about ``reach`` metres, twice, so that steps change gradually."""
    width = max(round(reach / float(s[1] - s[0])), 1) | 1
    half = width // 2
    if 2 * half + 1 >= density.size:
        return np.full_like(density, density.mean())
    for _ in range(2):
        ends = (density[-half:], density[:half]) if closed else (density[:half][::-1], density[-half:][::-1])
        wide = np.concatenate([ends[0], density, ends[1]]) if half else density
        total = np.concatenate([[0.0], np.cumsum(wide)])
        density = (total[width:] - total[:-width]) / width
    return density


def node_stations(mesh: Mesh) -> Array:
    """Stations of the nodes (N+1,) [m]; the last of a closed mesh is the first plus the length."""
    return spline_nodes(padded(mesh))[0]


def surface_slopes(track: Track) -> tuple[Array, Array]:
    """Derivatives of slope and bank by station (N,) [1/m]."""
    if track.closed:
        step = track.reference.step

        def derivative(values: Array) -> Array:
            wide = np.concatenate([[values[-2]], values, [values[1]]])
            return np.asarray((wide[2:] - wide[:-2]) / (2.0 * step))

        return derivative(track.slope), derivative(track.bank)
    return np.gradient(track.slope, track.s), np.gradient(track.bank, track.s)


def node_parameters(track: Track, mesh: Mesh, structure: Structure, half_width: float, grip_factor: float) -> Array:
    """Parameters of every stage's node (stages, node_size), in the order of ``stage.NODE_FIELDS``."""
    s, s1, s2 = (values[: structure.stages] for values in spline_nodes(padded(mesh)))
    at = curve_at(track.reference, s)
    dslope, dbank = surface_slopes(track)
    base, profile = np.full(s.size, grip_factor), []
    if structure.profile:
        across = gripfield.grip_profile(track, s, half_width)
        base = base * across.base
        profile = [across.knots, across.changes * grip_factor]
    fields = [at.kappa, at.dkappa, s1, s2]
    fields += [along(track, values, s) for values in (track.slope, track.bank, dslope, dbank)]
    return np.column_stack([*fields, base, *profile])


def gauss_parameters(track: Track, mesh: Mesh, structure: Structure, weight: float) -> Array:
    """Parameters of every stage's interval (stages, GAUSS_SIZE); ``weight`` of time in the objective [1/s]."""
    s, s1, _ = spline_at(padded(mesh), np.arange(mesh.intervals)[:, None] + np.array(GAUSS))
    kappa = curve_at(track.reference, s).kappa
    rows = np.column_stack([kappa[:, 0], s1[:, 0], kappa[:, 1], s1[:, 1], np.full(mesh.intervals, weight)])
    if not structure.closed:
        rows = np.vstack([rows, [*rows[-1, :4], 0.0]])
    return rows


def corridor(track: Track, s: Array, half_width: float, use_kerbs: bool = True) -> tuple[Array, Array]:
    """Lowest and highest offset of the kart's middle at stations ``s`` (M,) [m], kerbs included."""
    high, low = along(track, track.w_left, s), -along(track, track.w_right, s)
    if use_kerbs:
        high = high + gripfield.kerb_width(track, "left", s)
        low = low - gripfield.kerb_width(track, "right", s)
    return low + half_width, high - half_width
