"""From spline coefficients to a lap: states at any station, the clock, and what limits each node."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.grip import Surface, brake_friction, drive_friction, drive_power, kart_numbers, loads, tyre_longitudinal
from linelab.kart import Kart
from linelab.lap import Lap, Limit, Line
from linelab.solve import mesh as meshes
from linelab.solve.lines import Offsets, line_from_offsets
from linelab.solve.mesh import Mesh
from linelab.solve.stage import Z_SCALE
from linelab.track import Track
from linelab.units import Array


class Motion(NamedTuple):
    """The solved functions sampled at stations (M,)."""

    offsets: Offsets
    z: Array  #: v² [m²/s²]
    z1: Array  #: dz/ds [m/s²]


def motion_at(mesh: Mesh, path: Array, speed: Array, s: Array) -> Motion:
    """Evaluate the path and speed splines at stations ``s`` (M,)."""
    xi = meshes.mesh_coordinate(mesh, s)
    return motion_at_coordinate(mesh, path, speed, xi, s)


def motion_at_coordinate(mesh: Mesh, path: Array, speed: Array, xi: Array, s: Array) -> Motion:
    """:func:`motion_at` where the mesh coordinate is known."""
    _, s1, s2 = meshes.spline_at(meshes.padded(mesh), xi)
    n, nx, nxx = meshes.spline_at(path, xi)
    z, zx = meshes.quadratic_at(speed, xi)
    n1 = nx / s1
    return Motion(Offsets(s, n, n1, (nxx - n1 * s2) / s1**2), Z_SCALE * z, Z_SCALE * zx / s1)


def output_stations(track: Track, mesh: Mesh) -> Array:
    """Stations of a lap's nodes: the mesh nodes and the middles between them, from line to line."""
    control = meshes.padded(mesh)
    xi = np.arange(2 * mesh.intervals + 1) / 2.0
    s = meshes.spline_at(control, xi)[0]
    if mesh.closed:
        s = np.unique(np.mod(s[:-1], mesh.length))
    inner = s[(s > 1e-3) & (s < track.length - 1e-3)]
    return np.concatenate([[0.0], inner, [track.length]])


def lap_from_spline(track: Track, kart: Kart, mesh: Mesh, path: Array, speed: Array, *, grip: float, label: str) -> Lap:
    """Sample a solution as a lap."""
    s = output_stations(track, mesh)
    motion = motion_at(mesh, path, speed, s)
    line = line_from_offsets(track, motion.offsets, half_width=0.5 * kart.width, grip=grip)
    stretch = np.sqrt((1.0 - line.n * _reference_kappa(track, s)) ** 2 + motion.offsets.n1**2)
    ax = motion.z1 / (2.0 * stretch)
    v = np.sqrt(motion.z)
    return Lap(
        line=line,
        t=_clock(track, mesh, path, speed, s),
        v=v,
        ax=ax,
        limited_by=limits(kart, line, v, ax),
        label=label,
    )


def _reference_kappa(track: Track, s: Array) -> Array:
    from linelab.geometry.curve import curve_at

    return curve_at(track.reference, s).kappa


def _clock(track: Track, mesh: Mesh, path: Array, speed: Array, s: Array) -> Array:
    """Time at stations (M,) by three-point Gauss quadrature of J/v between them [s]."""
    h = np.diff(s)[:, None]
    u = np.array([0.5 - np.sqrt(0.15), 0.5, 0.5 + np.sqrt(0.15)])
    at = s[:-1, None] + u * h
    motion = motion_at(mesh, path, speed, at.ravel())
    room = 1.0 - motion.offsets.n * _reference_kappa(track, at.ravel())
    slowness = np.sqrt((room**2 + motion.offsets.n1**2) / motion.z).reshape(at.shape)
    return np.concatenate([[0.0], np.cumsum(h[:, 0] * (slowness @ np.array([5.0, 8.0, 5.0]) / 18.0))])


class Usage(NamedTuple):
    """Shares of what is available at each node (M,): 1 is the limit."""

    grip: Array
    power: Array
    along: Array  #: longitudinal share of the ellipse, signed
    revs: Array


def usage(kart: Kart, line: Line, v: Array, ax: Array) -> Usage:
    """How much of the grip, the power and the revs a lap uses (M,) [-]."""
    numbers = kart_numbers(kart)
    surface = Surface(line.slope, line.bank, line.vertical_curvature, line.grip)
    load = loads(numbers, v * v, line.kappa, surface)
    force = tyre_longitudinal(numbers, load, ax)
    friction = np.where(force >= 0.0, drive_friction(numbers, line.grip), brake_friction(numbers, line.grip))
    along = force / (friction * load.normal)
    across = load.lateral / (numbers.mu_y * line.grip * load.normal)
    power = force * v * kart.mass / np.asarray(drive_power(numbers, v))
    return Usage(np.hypot(along, across), power, along, v / float(numbers.top_speed))


def limits(kart: Kart, line: Line, v: Array, ax: Array, near: float = 0.985) -> Array:
    """:class:`Limit` codes of a solved lap's nodes (M,)."""
    used = usage(kart, line, v, ax)
    codes = np.full(v.size, int(Limit.NONE))
    codes[used.power >= near] = Limit.DRIVE
    held = used.grip >= near
    codes[held & (used.along > 0.25)] = Limit.TRACTION
    codes[held & (used.along < -0.25)] = Limit.BRAKING
    codes[held & (np.abs(used.along) <= 0.25)] = Limit.GRIP
    codes[used.revs >= 0.999] = Limit.REVS
    driver = kart.driver
    if driver.limits_force_rates or driver.curvature_rate is not None:
        codes[codes == Limit.NONE] = Limit.DRIVER
    return codes.astype(np.int8)
