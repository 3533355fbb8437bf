"""From spline coefficients to a lap: the path sampled finely, the speed it allows, and what limits each node."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from linelab.grip import Surface, brake_friction, drive_friction, drive_power, kart_numbers, loads, tyre_longitudinal
from linelab.kart import Kart
from linelab.lap import Codes, Lap, Limit, Line, mapped_line
from linelab.solve.path import Solved, coordinates, line_at, squared_speed, stretch
from linelab.solve.quadrature import between, integrated
from linelab.solve.speed import speed_profiles
from linelab.solve.task import SLOWEST, Task
from linelab.units import Array

#: Longest step of the path on which the speed is computed [m], and how many of these steps a lap may have.
FINE_STEP, MOST_STEPS = 0.1, 150_000
#: These steps are halved, so many times at most, while a kart that turns as the nodes' curvature says would miss the
#: line's end by more than this, or on a long line by this share of it [m]: one that gets away in a bend turns about
#: itself within a few of them.  The verification accepts a little more.
MOST_HALVINGS, MOST_ASIDE, MOST_ASIDE_SHARE = 4, 0.045, 0.9e-5


class FinePath(NamedTuple):
    """A solved path on fine nodes, and their mesh coordinates (M,)."""

    xi: Array
    line: Line


def fine_path(task: Task, solved: Solved) -> FinePath:
    """The path of a solution on fine nodes."""
    track, size = task.track, solved.mesh.intervals
    per = 2 * max(1, round(min(track.length / FINE_STEP, MOST_STEPS) / (2 * size)))
    for _ in range(MOST_HALVINGS):
        xi = coordinates(track, solved, per)
        line = line_at(track, solved, xi, half_width=task.half_width, grip=task.grip)
        if aside_at_end(line) <= max(MOST_ASIDE, MOST_ASIDE_SHARE * line.length):
            break
        per *= 2
    return FinePath(xi, line)


def fine_lap(task: Task, solved: Solved, path: FinePath) -> Lap:
    """The lap of a solution on fine nodes.

    Its speed is the exact profile of the solved path (:mod:`linelab.solve.speed`), so that the grip holds between the
    mesh's nodes as well as at them.  A driver whose rates are limited drives the solved speed, which alone knows them.
    """
    if task.limited:
        return _solved_lap(task, solved, *path)
    return unlimited_lap(task, path.line)


def aside_at_end(line: Line) -> float:
    """How far from the line's end a path ends whose curvature is linear between its nodes, to first order [m]."""
    step = np.diff(line.distance)
    turned = np.cumsum(0.5 * (line.kappa[1:] + line.kappa[:-1]) * step)
    drift = step * (turned - (line.psi[1:] - line.psi[0]))
    return float(np.hypot(drift @ np.sin(line.psi[1:]), drift @ np.cos(line.psi[1:])))


def unlimited_lap(task: Task, line: Line) -> Lap:
    """The exact profile of a line between the task's end speeds, whatever the driver's rates."""
    ends = [None if end.v is None else max(end.v, 2.0 * SLOWEST) for end in (task.start, task.end)]
    return speed_profiles([line], task.kart, v_start=ends[0], v_end=ends[1], label="reference")[0]


def _solved_lap(task: Task, solved: Solved, xi: Array, line: Line) -> Lap:
    """The lap at the solved speed."""
    z, zx = squared_speed(solved, xi)
    v, ax = np.sqrt(z), zx / (2.0 * stretch(solved, xi))
    at = between(xi)
    return Lap(
        line=line,
        t=integrated(xi, stretch(solved, at) / np.sqrt(squared_speed(solved, at)[0])),
        v=v,
        ax=ax,
        limited_by=limits(task.kart, line, v, ax),
        label="reference",
    )


def thinned(lap: Lap, every: int) -> Lap:
    """A lap with one in ``every`` nodes; its first and last node must be among them."""
    line = mapped_line(lap.line, lambda values: values[::every], closed=lap.line.closed)
    nodes = {name: getattr(lap, name)[::every] for name in ("t", "v", "ax", "limited_by")}
    return replace(lap, line=line, **nodes)


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


def limits(kart: Kart, line: Line, v: Array, ax: Array, near: float = 0.985) -> Codes:
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
