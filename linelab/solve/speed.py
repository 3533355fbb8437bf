"""Grip-limited speed profile of a given line: exact forward and backward passes on a subdivided line.

The line's own intervals are subdivided where it bends (about 50 steps a radian, at least 0.1 m and at most 1 m
each), its curvature interpolated by cubic Hermite polynomials.  A solved line sampled every metre gives a lap 1.1 ms
of 47 s shorter than the same line sampled ten times finer (tests/physics/test_speed_profile.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.errors import InputError
from linelab.grip import KartNumbers, Surface, drive_friction, drive_power, kart_numbers, loads
from linelab.kart import Kart
from linelab.lap import Lap, Limit, Line
from linelab.solve.passes import Passes, run_passes
from linelab.solve.reach import Interval, backward_reach, cornering_limit, forward_reach, interval
from linelab.units import Array

#: Turn of the path per internal step [rad], and the steps' bounds [m].
STEP_TURN = 0.02
STEP_MIN, STEP_MAX = 0.1, 1.0
#: Most that the cornering limit may rise beside an apex for it to be taken as smooth there [-].
SMOOTH_APEX = 1.1


Index = NDArray[np.intp]


class _Stack(NamedTuple):
    """Laps side by side: limits (M+1, L) as v² [m²/s²], intervals (M, L), and where each closed lap was cut."""

    limit: Array
    steps: Interval
    starts: list[int]


class _Grid(NamedTuple):
    """A line subdivided: nodes (M+1,), middles (M,), and where the line's own nodes are (N,)."""

    distance: Array
    kappa: Array
    kappa_middle: Array
    surface: Surface
    surface_middle: Surface
    own: Index


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
    numbers = kart_numbers(kart)
    grids = [_subdivide(line) for line in lines]
    stack, passes, times = _run(grids, numbers, closed, v_start, v_end)
    return [
        _lap(line, grid, numbers, label, _unroll(column, stack, grid, closed, times, passes))
        for column, (line, grid) in enumerate(zip(lines, grids))
    ]


def profile_times(lines: Sequence[Line], kart: Kart) -> Array:
    """Lap times of :func:`speed_profiles` alone (L,) [s]: what sweeps over many lines need."""
    if not lines:
        return np.zeros(0)
    grids = [_subdivide(line) for line in lines]
    return np.asarray(_run(grids, kart_numbers(kart), lines[0].closed, None, None)[2].sum(axis=0))


def _run(
    grids: list[_Grid], kart: KartNumbers, closed: bool, v_start: float | None, v_end: float | None
) -> tuple[_Stack, Passes, Array]:
    """Stack, pass and time all laps; times (M, L) [s]."""
    stack = _stack(grids, kart, closed)
    limit = stack.limit.copy()
    if v_end is not None:
        limit[-1] = np.minimum(limit[-1], v_end**2)
    passes = _periodic(kart, stack.steps, limit) if closed else _open(kart, stack.steps, limit, v_start)
    return stack, passes, _interval_times(kart, stack.steps, passes)


def _subdivide(line: Line) -> _Grid:
    """Internal grid of a line."""
    gaps = np.diff(line.distance)
    bend = np.maximum(np.abs(line.kappa[1:]), np.abs(line.kappa[:-1]))
    wanted = np.clip(STEP_TURN / np.maximum(bend, 1e-9), STEP_MIN, STEP_MAX)
    counts = np.ceil(gaps / wanted - 1e-9).astype(np.intp)
    first = np.concatenate([[0], np.cumsum(counts)])
    index = np.repeat(np.arange(counts.size), counts)
    u = (np.arange(first[-1]) - first[index]) / counts[index]
    middle = u + 0.5 / counts[index]
    kappa = _hermite_table(line)
    last = Surface(*(getattr(line, name)[-1:] for name in _SURFACE))
    nodes = Surface(*(_blend(getattr(line, name), index, u) for name in _SURFACE))
    return _Grid(
        distance=np.append(_blend(line.distance, index, u), line.distance[-1]),
        kappa=np.append(kappa(index, u), line.kappa[-1]),
        kappa_middle=kappa(index, middle),
        surface=Surface(*(np.append(a, b) for a, b in zip(nodes, last))),
        surface_middle=Surface(*(_blend(getattr(line, name), index, middle) for name in _SURFACE)),
        own=first,
    )


_SURFACE = ("slope", "bank", "vertical_curvature", "grip")


def _blend(values: Array, index: Index, u: Array) -> Array:
    """Linear interpolation at fraction ``u`` of interval ``index``."""
    return np.asarray(values[index] + u * (values[index + 1] - values[index]))


def _hermite_table(line: Line):  # type: ignore[no-untyped-def]
    """Curvature within intervals by cubic Hermite polynomials with second-order slopes."""
    k, d, gaps = line.kappa, line.distance, np.diff(line.distance)
    if k.size < 3:
        return lambda index, u: _blend(k, index, u)
    if line.closed:
        k, gaps = np.concatenate([[k[-2]], k, [k[1]]]), np.concatenate([[gaps[-1]], gaps, [gaps[0]]])
        d = np.concatenate([[d[0] - gaps[0]], d, [d[-1] + gaps[-1]]])
    rate = np.diff(k) / gaps
    inner = (rate[:-1] * gaps[1:] + rate[1:] * gaps[:-1]) / (gaps[:-1] + gaps[1:])
    slopes = inner if line.closed else np.concatenate([[rate[0]], inner, [rate[-1]]])
    own, own_gaps = line.kappa, np.diff(line.distance)

    def kappa(index: Index, u: Array) -> Array:
        w = 1.0 - u
        bend = own_gaps[index] * u * w * (slopes[index] * w - slopes[index + 1] * u)
        ends = own[index] * w * w * (1.0 + 2.0 * u) + own[index + 1] * u * u * (3.0 - 2.0 * u)
        return np.asarray(ends + bend)

    return kappa


def _stack(grids: list[_Grid], kart: KartNumbers, closed: bool) -> _Stack:
    """All laps side by side; a closed lap is cut at its slowest corner, where the profile touches the limit.

    Shorter laps are padded with empty intervals.
    """
    size = max(grid.kappa_middle.size for grid in grids)
    limits = np.empty((len(grids), size + 1))
    middles = np.empty((2 + len(_SURFACE), len(grids), size))
    starts = []
    for lap, grid in enumerate(grids):
        own = grid.kappa_middle.size
        limit = _sharpened(np.asarray(cornering_limit(kart, grid.kappa, grid.surface, np.where)), closed)
        start = int(np.argmin(limit[:-1])) if closed else 0
        starts.append(start)
        order = np.arange(start, start + own)
        order[order >= own] -= own
        rows = np.stack([np.diff(grid.distance), grid.kappa_middle, *grid.surface_middle])[:, order]
        middles[:, lap, :own] = rows
        middles[:, lap, own:] = rows[:, -1:]
        middles[0, lap, own:] = 0.0
        limits[lap, :own] = limit[order]
        limits[lap, own:] = limit[start] if closed else limit[-1]
    h, kappa, *surface = (np.ascontiguousarray(rows.T) for rows in middles)
    return _Stack(np.ascontiguousarray(limits.T), interval(kart, h, kappa, Surface(*surface)), starts)


def _sharpened(limit: Array, closed: bool) -> Array:
    """Cornering limit with each local minimum lowered to that of the parabola through it and its neighbours.

    An apex hardly ever falls on a node; without this its speed is overestimated by up to the sagitta between nodes.
    """
    before, after = (np.roll(limit[:-1], 1), np.roll(limit[:-1], -1)) if closed else (limit[:-2], limit[2:])
    here = limit[:-1] if closed else limit[1:-1]
    bend, slope = 0.5 * (before + after) - here, 0.5 * (after - before)
    smooth = np.maximum(before, after) < SMOOTH_APEX * here  # a jump of curvature is no parabola
    apex = smooth & (here <= before) & (here <= after) & (bend > 0.0)
    lowest = np.where(apex, here - slope**2 / (4.0 * np.where(apex, bend, 1.0)), here)
    return np.append(lowest, lowest[0]) if closed else np.concatenate([limit[:1], lowest, limit[-1:]])


def _open(kart: KartNumbers, steps: Interval, limit: Array, v_start: float | None) -> Passes:
    first = None if v_start is None else np.full(limit.shape[1], max(v_start, 1e-3) ** 2)
    return run_passes(kart, steps, limit, first=first)


def _periodic(kart: KartNumbers, steps: Interval, limit: Array) -> Passes:
    """Repeat the passes until each lap ends at the speed it starts with."""
    passes = run_passes(kart, steps, limit)
    for _ in range(30):
        lower = np.minimum(passes.z[0], passes.z[-1])
        if (np.maximum(passes.z[0], passes.z[-1]) - lower <= 1e-6 * lower).all():
            break
        limit = limit.copy()
        limit[0] = np.minimum(limit[0], lower)
        limit[-1] = np.minimum(limit[-1], lower)
        passes = run_passes(kart, steps, limit)
    return passes


def _interval_times(kart: KartNumbers, steps: Interval, passes: Passes) -> Array:
    """Time over each interval (M, L) [s]: v² is linear within it, with a peak where braking starts inside it."""
    v = np.sqrt(passes.z)
    times = 2.0 * steps.h / (v[1:] + v[:-1])
    braking = passes.z < passes.forward * (1.0 - 1e-12)
    switch = np.nonzero(~braking[:-1] & braking[1:] & (steps.h > 0.0))
    if switch[0].size:
        i, lap = switch
        z0, z1 = passes.z[i, lap], passes.z[i + 1, lap]
        times[i, lap] = _peak_time(kart, _pick(steps, switch), z0, z1)
    return np.asarray(times)


def _pick(steps: Interval, where: tuple[Index, ...]) -> Interval:
    """The intervals at the given indices, one-dimensional."""
    shape = steps.h.shape
    fields = [np.broadcast_to(field, shape)[where] for field in (*steps.load, steps.drive, steps.brake, steps.side)]
    return Interval(steps.h[where], type(steps.load)(*fields[:7]), *fields[7:])


def _peak_time(kart: KartNumbers, step: Interval, z0: Array, z1: Array) -> Array:
    """Time over intervals driven from z0 to a peak and braked from there to z1."""

    def push(v: Array) -> Array:
        return np.asarray(drive_power(kart, v) / (v * kart.mass))

    guess = (z1 - z0) / (2.0 * step.h)
    ahead, _ = forward_reach(kart.inertia, push, z0, np.maximum(guess, 0.0), step, np.where)
    behind, _ = backward_reach(kart.inertia, z1, np.maximum(-guess, 0.0), step, np.where)
    rise, fall = ahead - z0, behind - z1
    peaked = (ahead > z1) & (behind > z0) & (ahead < 1e5) & (behind < 1e5)
    share = np.where(peaked, (behind - z0) / np.where(peaked, rise + fall, 1.0), 0.0)
    share = np.clip(share, 0.0, 1.0)
    peak = np.sqrt(np.where(peaked, z0 + rise * share, z0))
    v0, v1 = np.sqrt(z0), np.sqrt(z1)
    over = share / (v0 + peak) + (1.0 - share) / (peak + v1)
    return np.asarray(2.0 * step.h * np.where(peaked, over, 1.0 / (v0 + v1)))


class _Column(NamedTuple):
    """One lap on its own internal grid, cut undone (M+1,)."""

    t: Array
    z: Array
    forward: Array
    limit: Array


def _unroll(column: int, stack: _Stack, grid: _Grid, closed: bool, times: Array, passes: Passes) -> _Column:
    """One lap from line to line again."""
    size, start = grid.kappa_middle.size, stack.starts[column]
    steps = times[:size, column]
    fields = [values[: size + 1, column] for values in (passes.z, passes.forward, stack.limit)]
    if closed and start:
        fields = [np.append(np.roll(values[:-1], start), values[size - start]) for values in fields]
        steps = np.roll(steps, start)
    return _Column(np.concatenate([[0.0], np.cumsum(steps)]), *fields)


def _lap(line: Line, grid: _Grid, kart: KartNumbers, label: str, column: _Column) -> Lap:
    """Sample a column at the line's own nodes."""
    z = column.z
    slope = np.gradient(z, grid.distance) if not line.closed else _periodic_gradient(z, grid.distance)
    own = grid.own
    codes = _labels(grid, kart, column)
    return Lap(
        line=line,
        t=column.t[own],
        v=np.sqrt(z[own]),
        ax=0.5 * slope[own],
        limited_by=codes,
        label=label,
    )


def _periodic_gradient(z: Array, distance: Array) -> Array:
    """dz/ds of a closed table whose last entry repeats the first."""
    gap_before, gap_after = distance[-1] - distance[-2], distance[1] - distance[0]
    wide = np.concatenate([[z[-2]], z, [z[1]]])
    at = np.concatenate([[distance[0] - gap_before], distance, [distance[-1] + gap_after]])
    return np.asarray(np.gradient(wide, at)[1:-1])


def _labels(grid: _Grid, kart: KartNumbers, column: _Column) -> Array:
    """What limits each of the line's own nodes."""
    own = grid.own
    z, forward, limit, kappa = (values[own] for values in (column.z, column.forward, column.limit, grid.kappa))
    surface = Surface(*(values[own] for values in grid.surface))
    load = loads(kart, z, kappa, surface)
    resist = load.resistance + load.climb
    by_power = np.asarray(drive_power(kart, np.sqrt(z))) / (np.sqrt(z) * kart.mass) - resist
    used = load.lateral / (kart.mu_y * surface.grip * load.normal)
    spare = np.sqrt(np.maximum(1.0 - used**2, 0.0))
    traction = np.asarray(drive_friction(kart, surface.grip)) * load.normal * spare
    codes = np.where(traction - resist < by_power, Limit.TRACTION, Limit.DRIVE)
    codes = np.where(z < forward * (1.0 - 1e-9), Limit.BRAKING, codes)
    codes = np.where(z >= limit * (1.0 - 1e-6), Limit.GRIP, codes)
    return np.where(z >= kart.top_speed**2 * (1.0 - 1e-6), Limit.REVS, codes).astype(np.int8)
