"""Grip-limited speed profile of a given line: exact forward and backward passes on a grid of their own.

The line's own intervals are subdivided where the lap's time is decided (:mod:`linelab.solve.refine`) and its curvature
interpolated smoothly, so that a line sampled every metre takes the time of the same line sampled ten times finer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.errors import InputError
from linelab.grip import KartNumbers, kart_numbers
from linelab.kart import Kart
from linelab.lap import Lap, Limit, Line
from linelab.solve.passes import MANY, Road, run_passes
from linelab.solve.reach import Node
from linelab.solve.refine import Grid, ground_under, subdivide
from linelab.units import Array

#: Laps driven side by side, and laps copied between rows and columns together: what fits the processor's caches.
_CHUNK, _BLOCK = 1024, 16


class _Run(NamedTuple):
    """One lap on its internal grid, from its first node to its last: times (M,) [s], nodes (M+1,), own nodes (N,)."""

    times: Array
    z: Array
    forward: Array
    spare: Array
    grid: Grid
    top_speed: float


def speed_profile(
    line: Line, kart: Kart, *, v_start: float | None = None, v_end: float | None = None, label: str = ""
) -> Lap:
    """Fastest lap of a kart on a given line.

    Parameters
    ----------
    line : Line
        (N,) nodes; a closed line gives a flying lap.
    kart : Kart
    v_start, v_end : float or None
        Speeds at the ends of an open line [m/s]; None leaves them as fast as the line allows.
    label : str

    Returns
    -------
    Lap
        At the line's nodes; times are integrated over the finer internal grid.

    Raises
    ------
    InputError
        End speeds given for a closed line, or not positive.
    SolveError
        With a driver whose rates of braking or drive are limited: no profile within them was found.
    """
    ideal = speed_profiles([line], kart, v_start=v_start, v_end=v_end, label=label)[0]
    if not kart.driver.limits_force_rates:
        return ideal
    from linelab.solve.pinned import pinned_profile

    return pinned_profile(line, kart, ideal, v_start=v_start, v_end=v_end)


def speed_profiles(
    lines: Sequence[Line], kart: Kart, *, v_start: float | None = None, v_end: float | None = None, label: str = ""
) -> list[Lap]:
    """Profiles of many lines at once, all open or all closed, for a driver without rate limits."""
    if not lines:
        return []
    closed = lines[0].closed
    if any(line.closed != closed for line in lines):
        raise InputError(
            "open and closed lines cannot be mixed", where="speed_profiles", remedy="Call it once for each"
        )
    if closed and not (v_start is None and v_end is None):
        raise InputError("a closed line has no ends", where="speed_profile", remedy="Leave v_start and v_end out")
    for name, speed in (("v_start", v_start), ("v_end", v_end)):
        if speed is not None and not speed >= 0.0:
            raise InputError(f"{speed} m/s is not a speed", where=name)
    return [_lap(line, run, label) for line, run in zip(lines, _runs(lines, kart, v_start, v_end))]


def profile_times(lines: Sequence[Line], kart: Kart) -> Array:
    """Lap times of :func:`speed_profiles` alone (L,) [s]: what sweeps over many lines need."""
    return np.array([run.times.sum() for run in _runs(lines, kart, None, None)], dtype=np.float64)


def _runs(lines: Sequence[Line], kart: Kart, v_start: float | None, v_end: float | None) -> Iterator[_Run]:
    """Laps of all lines: one after the other, or side by side in chunks where there are many."""
    if not lines:
        return
    numbers = kart_numbers(kart)
    ground = ground_under(lines, numbers)
    abreast = _CHUNK if len(lines) >= MANY else 1
    for begin in range(0, len(lines), abreast):
        grids = [subdivide(line, ground) for line in lines[begin : begin + abreast]]
        yield from _chunk(grids, numbers, lines[0].closed, v_start, v_end)


def _chunk(
    grids: list[Grid], kart: KartNumbers, closed: bool, v_start: float | None, v_end: float | None
) -> Iterator[_Run]:
    """Laps of one chunk."""
    cuts = [int(np.argmin(grid.limit[:-1])) if closed else 0 for grid in grids]
    road = _stack(grids, cuts, closed)
    if v_end is not None:
        road.limit[-1] = np.minimum(road.limit[-1], v_end**2)
    first = None if v_start is None else np.full(len(grids), max(v_start, 1e-3) ** 2)
    passes = run_passes(kart, road, closed=closed, first=first)
    for begin in range(0, len(grids), _BLOCK):
        block = slice(begin, begin + _BLOCK)
        rows = [_transposed(values[:, block]) for values in (*passes, road.h)]
        for lap, (grid, cut) in enumerate(zip(grids[block], cuts[block])):
            size = grid.distance.size - 1
            z, forward, reach, spare = (values[lap, : size + 1] for values in rows[:4])
            times = _times(rows[4][lap, :size], z, forward, reach, closed)
            if cut:
                times = np.concatenate([times[size - cut :], times[: size - cut]])
                z, forward, spare = (
                    np.concatenate([values[size - cut : size], values[: size - cut + 1]])
                    for values in (z, forward, spare)
                )
            yield _Run(times, z, forward, spare, grid, float(kart.top_speed))


def _stack(grids: list[Grid], cuts: list[int], closed: bool) -> Road:
    """All laps side by side, closed ones from their cut; shorter laps are padded with empty steps."""
    size = max(grid.distance.size for grid in grids) - 1
    varies = [isinstance(field, np.ndarray) for field in grids[0].node]
    fields = [np.empty((size + 1, len(grids))) for _ in range(2 + sum(varies))]
    for begin in range(0, len(grids), _BLOCK):
        block = grids[begin : begin + _BLOCK]
        rows = np.empty((len(fields), len(block), size + 1))
        for lap, (grid, cut) in enumerate(zip(block, cuts[begin : begin + _BLOCK])):
            own = grid.distance.size - 1
            nodes = [field for field, is_array in zip(grid.node, varies) if is_array]
            steps = grid.distance[1:] - grid.distance[:-1]
            for row, values in zip(rows[:, lap], (np.append(steps, 0.0), grid.limit, *nodes)):
                row[: own - cut] = values[cut:own]
                row[own - cut : own] = values[:cut]
                row[own:] = values[cut] if closed else values[own]
            rows[0, lap, own:] = 0.0
        for field, block_rows in zip(fields, rows):
            field[:, begin : begin + _BLOCK] = block_rows.T
    stacked = iter(fields[2:])
    node = Node(*(next(stacked) if is_array else field for field, is_array in zip(grids[0].node, varies)))
    return Road(fields[0][:-1], fields[1], node)


def _transposed(columns: Array) -> Array:
    """Columns as contiguous rows; copied first, which reads memory in order and is four times faster."""
    return np.ascontiguousarray(columns.copy().T)


def _times(h: Array, z: Array, forward: Array, reach: Array, closed: bool) -> Array:
    """Time over each step (M,) [s]: v² is a parabola within it, or has a peak where braking starts inside it."""
    v = np.sqrt(z)
    inverse = h / (v[1:] + v[:-1])
    slope = (z[1:] - z[:-1]) / h
    bend = 2.0 * (slope[1:] - slope[:-1]) / (h[1:] + h[:-1])
    ends = [2.0 * (slope[0] - slope[-1]) / (h[0] + h[-1])] if closed else []
    bend = np.concatenate([ends, bend, ends]) if closed else np.concatenate([bend[:1], bend, bend[-1:]])
    before, after = bend[:-1], bend[1:]
    # the lesser of the bends at both ends, none where they differ in sign: a kink at one end is no parabola
    least = np.maximum(np.minimum(before, after), 0.0) + np.minimum(np.maximum(before, after), 0.0)
    times = inverse * (2.0 + inverse * inverse * least / 3.0)
    braking = z < forward * (1.0 - 1e-12)
    peaks = np.flatnonzero(~braking[:-1] & braking[1:])
    if peaks.size:
        times[peaks] = _peak_times(h[peaks], z[peaks], z[peaks + 1], forward[peaks + 1], reach[peaks])
    return np.asarray(times)


def _peak_times(h: Array, z0: Array, z1: Array, ahead: Array, behind: Array) -> Array:
    """Time over steps driven from z0 towards ``ahead`` up to a peak, and braked from there, as if from ``behind``."""
    rise, fall = ahead - z0, behind - z1
    share = np.clip((behind - z0) / np.maximum(rise + fall, 1e-9), 0.0, 1.0)
    v0, peak, v1 = np.sqrt(z0), np.sqrt(np.maximum(z0 + rise * share, 0.25 * z0)), np.sqrt(z1)
    return np.asarray(2.0 * h * (share / (v0 + peak) + (1.0 - share) / (peak + v1)))


def _lap(line: Line, run: _Run, label: str) -> Lap:
    """A run at the line's own nodes."""
    own = run.grid.own
    clock = np.concatenate([[0.0], np.cumsum(run.times)])
    z, forward, spare, limit = (values[own] for values in (run.z, run.forward, run.spare, run.grid.limit))
    codes = np.where(spare < 0.0, int(Limit.TRACTION), int(Limit.DRIVE))
    codes[z < forward * (1.0 - 1e-9)] = Limit.BRAKING
    codes[z >= limit * (1.0 - 1e-6)] = Limit.GRIP
    codes[z >= run.top_speed**2 * (1.0 - 1e-6)] = Limit.REVS
    return Lap(
        line=line,
        t=clock[own],
        v=np.sqrt(z),
        ax=0.5 * _slopes_at(run.z, run.grid.distance, own, line.closed),
        limited_by=codes,
        label=label,
    )


def _slopes_at(z: Array, distance: Array, own: NDArray[np.intp], closed: bool) -> Array:
    """dz/ds at the places ``own`` of a table whose first and last are among them, of second order."""
    h = distance[1:] - distance[:-1]
    slope = (z[1:] - z[:-1]) / h
    inner = (slope[:-1] * h[1:] + slope[1:] * h[:-1]) / (h[1:] + h[:-1])
    seam = (slope[-1] * h[0] + slope[0] * h[-1]) / (h[0] + h[-1])
    ends = (seam, seam) if closed else (slope[0], slope[-1])
    return np.concatenate([[ends[0]], inner, [ends[1]]])[own]
