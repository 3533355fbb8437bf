"""Grip-limited speed profile of a given line: exact forward and backward passes on a grid of their own.

The line's own intervals are subdivided where the lap's time is decided (:mod:`linelab.solve.refine`) and its curvature
interpolated smoothly, so that a line sampled every metre takes the time of the same line sampled ten times finer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from linelab.errors import InputError
from linelab.grip import kart_numbers
from linelab.kart import Kart
from linelab.lap import Lap, Limit, Line
from linelab.solve.abreast import Columns, Shown, at_own_nodes, shown, side_by_side
from linelab.solve.passes import MANY, run_passes
from linelab.solve.reach import CREEP
from linelab.solve.refine import Grids, Index, ground_under, subdivide
from linelab.units import Array

#: Laps driven side by side, and lines subdivided together: what fits the processor's caches.
_ABREAST, _TOGETHER = 1024, 16
#: An end speed that is missed by no more than this share of it is held: the error of a profile's steps [-].
SAME_SPEED = 1.0e-3
#: A kart that does not get away within this is stuck [m].
LONGEST_STAND = 1.0


class _Run(NamedTuple):
    """Laps driven side by side: which lines' they are, their internal grids, v² (M+1, L) and what follows from it."""

    lines: Index
    groups: list[Grids]
    columns: Columns
    z: Array
    shown: Shown


def ideal_profile(
    line: Line, kart: Kart, v_start: float | None, v_end: float | None, lower_ends: bool, label: str
) -> Lap:
    """The profile without a driver's rates, once it is known to be one that was asked for."""
    lap = speed_profiles([line], kart, v_start=v_start, v_end=v_end, label=label)[0]
    _require_moving(lap)
    if not lower_ends:
        _require_ends(lap, v_start, v_end)
    return lap


def _require_moving(lap: Lap) -> None:
    """Refuse a lap on which the kart stands: the passes go on at their lowest speed where drive and grip do not."""
    driving = (lap.limited_by == Limit.DRIVE) | (lap.limited_by == Limit.TRACTION)
    stands = (driving & (lap.v <= CREEP * (1.0 + 1e-6)))[1:]
    if np.diff(lap.line.distance)[stands].sum() > LONGEST_STAND:
        at = float(lap.line.distance[:-1][stands][0] - lap.line.distance[0])
        raise InputError(
            f"the kart comes to a stand {at:.0f} m along the line: its drive, or the grip there, does not move it on",
            where="speed_profile",
            remedy="Check the line's slope and grip, and the kart's engine and gearing",
        )


def _require_ends(lap: Lap, v_start: float | None, v_end: float | None) -> None:
    """Refuse end speeds that the fastest lap does not reach."""
    cannot = {
        "v_start": "too fast to stay on the line, or to slow down for what follows",
        "v_end": "too fast for the line there, or for the drive on the way to it",
    }
    for (name, why), given, reached in zip(cannot.items(), (v_start, v_end), (lap.v[0], lap.v[-1])):
        if given is not None and reached < given * (1.0 - SAME_SPEED):
            most = np.floor(1000.0 * reached) / 1000.0
            raise InputError(
                f"{given:g} m/s is {why}: the most possible is {most:.3f} m/s",
                where=name,
                remedy="Give that or less, leave it out, or let lower_ends=True lower it",
            )


def speed_profiles(
    lines: Sequence[Line], kart: Kart, *, v_start: float | None = None, v_end: float | None = None, label: str = ""
) -> list[Lap]:
    """Profiles of many lines at once, all open or all closed, for a driver without rate limits.

    The end speeds are the most that each lap may begin and end with: where its line does not allow as much it is as
    fast as the line allows, as :func:`speed_profile` does with ``lower_ends``.  Of many lines some may, some may not.
    """
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
    laps: dict[int, Lap] = {}
    for run in _runs(lines, kart, v_start, v_end):
        for place, own in zip(run.lines, at_own_nodes(run.columns, run.groups, run.z, run.shown)):
            laps[place] = Lap(
                line=lines[place],
                t=own.t,
                v=np.sqrt(own.z),
                ax=own.ax,
                limited_by=own.codes,
                label=label,
            )
    return [laps[place] for place in range(len(lines))]


def profile_times(lines: Sequence[Line], kart: Kart) -> Array:
    """Lap times of :func:`speed_profiles` alone (L,) [s]: what sweeps over many lines need."""
    times = np.empty(len(lines))
    for run in _runs(lines, kart, None, None):
        times[run.lines] = run.shown.times.sum(axis=0)
    return times


def _runs(lines: Sequence[Line], kart: Kart, v_start: float | None, v_end: float | None) -> Iterator[_Run]:
    """Laps of all lines: one after the other, or side by side where there are many, those of like size together."""
    if not lines:
        return
    numbers, closed = kart_numbers(kart), lines[0].closed
    ground = ground_under(lines, numbers)
    counts = np.array([line.distance.size for line in lines])
    order = np.argsort(counts, kind="stable")
    abreast = _ABREAST if len(lines) >= MANY else 1
    for begin in range(0, len(lines), abreast):
        chunk = order[begin : begin + abreast]
        groups = [subdivide([lines[place] for place in group], ground) for group in _alike(chunk, counts)]
        columns = side_by_side(groups, closed=closed)
        road = columns.road
        if v_end is not None:
            ended = np.arange(road.limit.shape[0])[:, None] >= columns.sizes
            road.limit[ended] = np.minimum(road.limit[ended], v_end**2)
        first = None if v_start is None else np.full(chunk.size, max(v_start, 1e-3) ** 2)
        passes = run_passes(numbers, road, closed=closed, first=first)
        yield _Run(chunk, groups, columns, passes.z, shown(columns, passes, float(numbers.top_speed), closed=closed))


def _alike(chunk: Index, counts: Index) -> Iterator[Index]:
    """Lines of a chunk in groups of at most _TOGETHER with the same number of nodes, in order."""
    for same in np.split(chunk, np.flatnonzero(np.diff(counts[chunk])) + 1):
        for begin in range(0, same.size, _TOGETHER):
            yield same[begin : begin + _TOGETHER]
