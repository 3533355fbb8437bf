"""The solved path in the plane and on the track: from spline coefficients to a line at any mesh coordinates."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.geometry.curve import CurvePoint, curve_at
from linelab.lap import Line
from linelab.solve import mesh as meshes
from linelab.solve.base import base_of, displaced
from linelab.solve.kinematics import path_beside
from linelab.solve.lines import surface_under
from linelab.solve.mesh import Mesh
from linelab.solve.quadrature import between, integrated
from linelab.solve.stage import Z_SCALE
from linelab.track import Track
from linelab.units import Array


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
    return np.mod(xi, mesh.intervals) if mesh.closed else xi


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
    for _ in range(6):
        at = curve_at(track.reference, s)
        dx, dy, cos, sin = x - at.x, y - at.y, np.cos(at.psi), np.sin(at.psi)
        n = dy * cos - dx * sin
        step = (dx * cos + dy * sin) / np.maximum(1.0 - n * at.kappa, 0.1)
        s = s + step
        if np.abs(step).max() < 1e-7:  # the next step would be a billionth of that
            break
    # An open path ends within a hair of the end's normal: past it, where the road no longer bends, it has not come.
    s[0], s[-1] = (0.0, track.length) if s.size > 1 else (s[0], s[-1])
    at = curve_at(track.reference, s)
    n = (y - at.y) * np.cos(at.psi) - (x - at.x) * np.sin(at.psi)
    return s, n, at
