"""The solved path in the plane and on the track: from spline coefficients to a line at any mesh coordinates.

The path is a uniform cubic B-spline P(ξ) whose control points move along fixed directions, P_i = B_i + c_i·N_i: B_i are
the control points of a spline through the reference line at the mesh nodes, N_i its normals there.  One unknown a node
then moves the path sideways, and the path's curvature is near-linear between nodes whatever the reference line does
between them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from linelab.geometry.curve import CurvePoint, curve_at
from linelab.geometry.frenet import foot_station
from linelab.model import grip_field as gripfield
from linelab.model.lap import Line
from linelab.model.track import Track, along
from linelab.optimum import mesh as meshes
from linelab.optimum.mesh import Mesh
from linelab.optimum.stage import GAUSS, Z_SCALE, Structure, cubic_basis, cubic_slope
from linelab.speed.grid import between, integrated
from linelab.speed.lines import path_beside, surface_slopes, surface_under
from linelab.units import Array

#: Weight of the mean squared lateral jerk in the objective [s·(m/s³)⁻²·s⁻¹].  An ideal kart may change its steering at
#: once; finer meshes resolve that ever more sharply, at the price of iterations.  This weight spreads such a change
#: over about 0.05 s, which costs a tenth of a millisecond a lap; a kart's yaw inertia takes longer.
JERK_WEIGHT = 2.0e-8


class Base(NamedTuple):
    """Control points and directions (N+3,), continued over the start line when closed [m]."""

    x: Array
    y: Array
    nx: Array
    ny: Array


@lru_cache(maxsize=8)
def base_of(track: Track, mesh: Mesh) -> Base:
    """Control points of a spline through the reference line at the nodes, and the normals along which they move."""
    control = meshes.padded(mesh)
    nodes, pace, change = meshes.spline_nodes(control)
    at, psi = curve_at(track.reference, nodes), curve_at(track.reference, control).psi
    bend: list[Array | None] = [None, None]
    if not mesh.closed:
        # Beyond an open track's ends the base goes on bending as it does there: straightened at once, it would put into
        # every path a kink that the jerk in the objective makes much of.
        for end, beyond in ((0, 0), (-1, -1)):
            psi[beyond] = at.psi[end] + at.kappa[end] * (control[beyond] - nodes[end])
        cos, sin, turning = np.cos(at.psi), np.sin(at.psi), at.kappa * pace**2
        bend = [cos * change - sin * turning, sin * change + cos * turning]
    x, y = (_through(values, bends) for values, bends in zip((at.x, at.y), bend))
    return Base(x, y, -np.sin(psi), np.cos(psi))


def _through(values: Array, bends: Array | None) -> Array:
    """Coefficients (N+3,) of the uniform cubic B-spline through values (N+1,) at its nodes.

    Closed: the circulant system (1, 4, 1)/6 by Fourier transform.  Open: with the second derivatives ``bends`` at the
    ends.
    """
    from scipy.linalg import solve_banded

    if bends is None:
        size = values.size - 1
        wave = np.fft.rfft(values[:-1])
        inner = np.fft.irfft(wave * 3.0 / (2.0 + np.cos(2.0 * np.pi * np.arange(wave.size) / size)), size)
        return np.concatenate([inner[-1:], inner, inner[:2]])
    band = np.zeros((3, values.size))
    band[0, 2:], band[1], band[2, :-2] = 1.0, 4.0, 1.0
    band[1, [0, -1]] = 6.0
    right = 6.0 * values
    right[[0, -1]] -= bends[[0, -1]]
    inner = solve_banded((1, 1), band, right)
    before, after = (2.0 * inner[k] - inner[k + step] + bends[k] for k, step in ((0, 1), (-1, -1)))
    return np.concatenate([[before], inner, [after]])


def displaced(base: Base, path: Array) -> tuple[Array, Array]:
    """Control points (N+3,) of the path with displacements ``path`` (N+3,) [m]."""
    return base.x + path * base.nx, base.y + path * base.ny


@lru_cache(maxsize=8)
def path_rows(track: Track, mesh: Mesh, stages: int) -> Array:
    """The path's first and second derivatives at the nodes (stages, NODE_PATH), in the order of ``stage.NODE_PATH``."""
    base = base_of(track, mesh)
    psi = curve_at(track.reference, meshes.node_stations(mesh)[:stages]).psi
    cos, sin = np.cos(psi), np.sin(psi)
    slopes, bends = [], []
    for ahead, up in ((cos, sin), (-sin, cos)):
        before, here, after = (ahead * base.nx[k : k + stages] + up * base.ny[k : k + stages] for k in range(3))
        slope = 0.5 * (ahead * (base.x[2:] - base.x[:-2])[:stages] + up * (base.y[2:] - base.y[:-2])[:stages])
        bend = ahead * np.diff(base.x, 2)[:stages] + up * np.diff(base.y, 2)[:stages]
        slopes += [slope, -0.5 * before, 0.5 * after]
        bends += [bend, before, -2.0 * here, after]
    return np.column_stack([*slopes, *bends])


def node_parameters(track: Track, mesh: Mesh, structure: Structure, half_width: float, grip_factor: float) -> Array:
    """Parameters of every stage's node (stages, node_size), in the order of ``stage.NODE_*``."""
    count = structure.stages
    factor, profile = np.full(count, grip_factor * gripfield.road_factor(track)), []
    if structure.profile:
        across = _grip_at_nodes(track, mesh, count, half_width)
        factor = grip_factor * across.base
        profile = [across.knots[:, : structure.profile], across.changes[:, : structure.profile] * grip_factor]
    weights, _ = offset_weights(track, mesh, count)
    ground = _ground_at_nodes(track, mesh, count)
    return np.column_stack([path_rows(track, mesh, count), weights.reshape(count, -1), ground, factor, *profile])


@lru_cache(maxsize=8)
def _ground_at_nodes(track: Track, mesh: Mesh, stages: int) -> Array:
    """Slope, bank and their derivatives by station; station and turn of the reference line by ξ (stages, 6)."""
    s, pace, _ = meshes.spline_at(meshes.padded(mesh), np.arange(float(stages)))
    ground = [along(track, values, s) for values in (track.slope, track.bank, *surface_slopes(track))]
    return np.column_stack([*ground, pace, curve_at(track.reference, s).kappa * pace])


@lru_cache(maxsize=8)
def _grip_at_nodes(track: Track, mesh: Mesh, stages: int, half_width: float) -> gripfield.GripProfile:
    return gripfield.grip_profile(track, meshes.node_stations(mesh)[:stages], half_width)


def offset_stations(mesh: Mesh, stages: int) -> Array:
    """Stations where the offset is held to the corridor (stages, 2) [m]."""
    xi = np.arange(stages)[:, None] + _offsets_at(mesh, stages)
    return meshes.spline_at(meshes.padded(mesh), np.minimum(xi, float(mesh.intervals)))[0]


def _offsets_at(mesh: Mesh, stages: int) -> Array:
    """Fractions of the offset stations (stages, 2); beyond an open track's last node there is no interval."""
    return mesh.offsets_at if mesh.closed else np.vstack([mesh.offsets_at, np.zeros((1, 2))])


@lru_cache(maxsize=8)
def offset_weights(track: Track, mesh: Mesh, stages: int) -> tuple[Array, Array]:
    """The offset at its stations as ``weights·c[i-1..i+2] + constant``: (stages, 2, 4) and (stages, 2) [m]."""
    base = base_of(track, mesh)
    s = offset_stations(mesh, stages)
    at = curve_at(track.reference, s)
    east, north = -np.sin(at.psi), np.cos(at.psi)
    pick = np.minimum(np.arange(stages)[:, None] + np.arange(4), base.x.size - 1)
    basis = np.stack(cubic_basis(_offsets_at(mesh, stages)), axis=-1)
    x, y, nx, ny = (values[pick] for values in base)
    weights = basis * (nx[:, None, :] * east[:, :, None] + ny[:, None, :] * north[:, :, None])
    constant = (np.einsum("ijk,ik->ij", basis, x) - at.x) * east + (np.einsum("ijk,ik->ij", basis, y) - at.y) * north
    return weights, constant


@lru_cache(maxsize=8)
def gauss_parameters(track: Track, mesh: Mesh, weight: float) -> Array:
    """Parameters of every stage's interval (stages, GAUSS_SIZE); ``weight`` of time in the objective [1/s]."""
    size, base = mesh.intervals, base_of(track, mesh)
    pick = np.arange(size)[:, None] + np.arange(4)
    columns = []
    for u in GAUSS:
        slope = np.array(cubic_slope(u))
        for values, normal in ((base.x, base.nx), (base.y, base.ny)):
            columns += [values[pick] @ slope, normal[pick] * slope]
    rows = np.column_stack([*columns, np.full(size, weight), _jerk_rows(track, mesh, base, weight)])
    if not mesh.closed:
        rows = np.vstack([rows, rows[-1]])
        rows[-1, 20:] = 0.0
    return rows


def _jerk_rows(track: Track, mesh: Mesh, base: Base, weight: float) -> Array:
    """Lateral jerk over each interval as constant and weights of c[i-1..i+2] (N, 5), scaled so that half its square is
    the objective's share: the third difference of the path across the road over the third power of the time step."""
    size = mesh.intervals
    third = np.array([-1.0, 3.0, -3.0, 1.0])
    pick = np.arange(size)[:, None] + np.arange(4)
    s = meshes.spline_at(meshes.padded(mesh), np.arange(float(size)) + 0.5)[0]
    psi = curve_at(track.reference, s).psi
    east, north = -np.sin(psi)[:, None], np.cos(psi)[:, None]
    weights = third * (base.nx[pick] * east + base.ny[pick] * north)
    constant = (base.x[pick] * east + base.y[pick] * north) @ third
    scale = np.sqrt(2.0 * weight * JERK_WEIGHT * mesh.pace) / mesh.pace**3
    return np.asarray(scale[:, None] * np.column_stack([constant, weights]))


class Solved(NamedTuple):
    """A solved path and speed: control points (N+3,) [m] and coefficients of z (N+2,) [Z_SCALE m²/s²]."""

    mesh: Mesh
    x: Array
    y: Array
    speed: Array


def solved_path(track: Track, mesh: Mesh, path: Array, speed: Array) -> Solved:
    """From displacements (N+3,) and speed coefficients (N+2,), continued over the start line when closed."""
    return Solved(mesh, *displaced(base_of(track, mesh), path), speed)


def solved_time(solved: Solved) -> float:
    """Time from the first node to the last by the solved speed [s]."""
    xi = np.arange(solved.mesh.intervals + 1.0)
    at = between(xi)
    return float(integrated(xi, stretch(solved, at) / np.sqrt(squared_speed(solved, at)[0]))[-1])


def coordinates(track: Track, solved: Solved, per: int) -> Array:
    """Mesh coordinates from the first to the last station of the track, ``per`` steps an interval (N·per+1,).

    A closed path is sampled from where it crosses station 0, by Newton's method; coordinates then run past N.
    """
    size = solved.mesh.intervals
    xi = np.arange(size * per + 1) / per
    if not solved.mesh.closed:
        return xi
    at = curve_at(track.reference, np.zeros(1))
    first = np.zeros(1)
    for _ in range(20):
        (x, x1, _), (y, y1, _) = (_plane(solved, values, first) for values in (solved.x, solved.y))
        ahead = (x - at.x) * np.cos(at.psi) + (y - at.y) * np.sin(at.psi)
        pace = x1 * np.cos(at.psi) + y1 * np.sin(at.psi)
        first = first - ahead / pace
    return np.asarray(xi + first[0])


def _plane(solved: Solved, values: Array, xi: Array) -> tuple[Array, Array, Array]:
    return meshes.spline_at(values, _local(solved.mesh, xi))


def _local(mesh: Mesh, xi: Array) -> Array:
    return xi - mesh.intervals * np.floor(xi / mesh.intervals) if mesh.closed else xi


def squared_speed(solved: Solved, xi: Array) -> tuple[Array, Array]:
    """z = v² [m²/s²] and dz/dξ at mesh coordinates."""
    z, zx = meshes.quadratic_at(solved.speed, _local(solved.mesh, xi))
    return Z_SCALE * z, Z_SCALE * zx


def stretch(solved: Solved, xi: Array) -> Array:
    """Path length per mesh coordinate [m]."""
    local = _local(solved.mesh, xi)
    return np.asarray(np.hypot(*(meshes.spline_slope_at(values, local) for values in (solved.x, solved.y))))


def line_at(track: Track, solved: Solved, xi: Array, *, half_width: float, grip: float) -> Line:
    """The path as a line on the track at mesh coordinates (M,), increasing."""
    mesh = solved.mesh
    (x, x1, x2), (y, y1, y2) = (_plane(solved, values, xi) for values in (solved.x, solved.y))
    length = np.hypot(x1, y1)
    psi = np.unwrap(np.arctan2(y1, x1))
    s, n, at = _on_track(track, mesh, xi, x, y)
    heading = psi - at.psi
    path = path_beside((x1 * y2 - y1 * x2) / length**3, heading, n, at.kappa)
    surface = surface_under(track, s, n, path, half_width=half_width, grip=grip)
    turns = 2.0 * np.pi * np.round((psi[0] - at.psi[0]) / (2.0 * np.pi))
    return Line(
        distance=integrated(xi, stretch(solved, between(xi))),
        x=x,
        y=y,
        psi=psi - turns,
        kappa=path.kappa,
        s=s,
        n=n,
        **surface._asdict(),
        closed=mesh.closed,
    )


def _on_track(track: Track, mesh: Mesh, xi: Array, x: Array, y: Array) -> tuple[Array, Array, CurvePoint]:
    """Stations and offsets of path points, by Newton's method for the foot of the normal from the mesh's own station,
    and the reference line there."""
    local = _local(mesh, xi)
    s = meshes.spline_at(meshes.padded(mesh), local)[0] + mesh.length * np.round((xi - local) / mesh.intervals)
    # On a few of the points first: what the mesh's own station is wrong by changes smoothly.
    few = np.append(np.arange(0, xi.size - 1, max(xi.size // (2 * mesh.intervals), 1)), xi.size - 1)
    s += np.interp(xi, xi[few], foot_station(track.reference, x[few], y[few], s[few]) - s[few])
    s = foot_station(track.reference, x, y, s)
    # An open path ends within a hair of the end's normal: past it, where the road no longer bends, it has not come.
    s[0], s[-1] = (0.0, track.length) if s.size > 1 else (s[0], s[-1])
    at = curve_at(track.reference, s)
    n = (y - at.y) * np.cos(at.psi) - (x - at.x) * np.sin(at.psi)
    return s, n, at
