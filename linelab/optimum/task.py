"""One minimum-time task in numbers: parameters and bounds of the programme for a track, a kart and a mesh."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from linelab.errors import InputError, TrackError
from linelab.model.grip import KartNumbers, pack, used_knots
from linelab.model.grip_field import knots_needed
from linelab.model.kart import Kart
from linelab.model.track import Track
from linelab.optimum import mesh as meshes
from linelab.optimum.clearance import Limits
from linelab.optimum.mesh import Mesh
from linelab.optimum.path import (
    gauss_parameters,
    node_parameters,
    offset_stations,
    offset_weights,
    path_rows,
)
from linelab.optimum.stage import Z_SCALE, Structure
from linelab.optimum.transcription import OFFSET_ROWS, Problem, bounds_template
from linelab.units import Array

#: Slowest speed the problem considers [m/s].
SLOWEST = 0.5
#: The objective is the time over this, times the intervals [s]: an interval's share is of order one on every mesh, and
#: so are the multipliers and the barrier's effect on the lap time.
TYPICAL_TIME = 50.0
#: How far outside the corridor the spline's coefficients may go [m]: keeps trial steps of the solver where the
#: reference line's coordinates make sense; the offsets themselves are held to the corridor.
LEASH = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class End:
    """State at an end of an open track; None leaves it to the optimiser.

    ``n`` offset [m]; ``xi`` heading relative to the reference line [rad], needs ``n``; ``v`` speed [m/s].
    """

    n: float | None = None
    xi: float | None = None
    v: float | None = None

    def __post_init__(self) -> None:
        if self.xi is not None and self.n is None:
            raise InputError("a heading at an end needs an offset", where="End.xi", remedy="Give n as well")
        if self.v is not None and not self.v >= 0.0:
            raise InputError(f"{self.v} m/s is not a speed", where="End.v")


class Task(NamedTuple):
    """The arguments of one solve."""

    track: Track
    kart: Kart
    numbers: KartNumbers
    grip: float
    start: End
    end: End
    until: float = np.inf  #: this thread's processor time at which solving it is given up [s]

    @property
    def half_width(self) -> float:
        return 0.5 * self.kart.width

    @property
    def limited(self) -> bool:
        """Whether the driver's rates are limited."""
        driver = self.kart.driver
        return driver.limits_force_rates or driver.curvature_rate is not None


def structure_of(task: Task, intervals: int) -> Structure:
    return Structure(
        intervals=intervals,
        closed=task.track.closed,
        level=not (task.track.slope.any() or task.track.bank.any()),
        profile=knots_needed(task.track),
        knots=used_knots(task.numbers),
        rates=task.limited,
    )


def parameters_of(task: Task, mesh: Mesh, structure: Structure) -> Array:
    """Numbers of the programme, in the order of ``transcription.parameter_sizes``."""
    node = node_parameters(task.track, mesh, structure, task.half_width, task.grip)
    gauss = gauss_parameters(task.track, mesh, mesh.intervals / TYPICAL_TIME)
    limits = [0.0 if rate is None else rate for rate in rates_of(task)]
    ends = np.ravel([_heading_row(node[k], end)[1:] for k, end in ((0, task.start), (-1, task.end))])
    return np.concatenate([node.ravel(), gauss.ravel(), pack(task.numbers), limits, ends])


def rates_of(task: Task) -> list[float | None]:
    """The driver's limits in the order of the programme's."""
    driver = task.kart.driver
    return [driver.brake_build_rate, driver.brake_release_rate, driver.drive_build_rate, driver.curvature_rate]


def bounds_of(task: Task, mesh: Mesh, problem: Problem, moved: Array | None = None) -> dict[str, Array]:
    """Bounds on variables and constraints.

    ``moved`` (2, stages, 2) is added to the lowest and to the highest offset that the widths along the normals leave at
    the offset stations [m]: see :func:`moved_by`.
    """
    structure, place = problem.structure, problem.layout
    low, high = bounds_template(structure)
    s = offset_stations(mesh, structure.stages)
    right, left = offset_room(task, mesh, structure.stages, moved)
    if (left < right).any():
        worst = np.unravel_index(np.argmin(left - right), s.shape)
        raise TrackError(
            f"the track is {left[worst] - right[worst] + task.kart.width:.2f} m wide, the kart {task.kart.width:.2f} m",
            station=float(s[worst]),
            remedy="Check the edges there, or the kart's width",
        )
    rows = (structure.stages, structure.constraints)
    constant = offset_weights(task.track, mesh, structure.stages)[1]
    low[: place.stage_rows].reshape(rows)[:, OFFSET_ROWS] = right - constant
    high[: place.stage_rows].reshape(rows)[:, OFFSET_ROWS] = left - constant
    if structure.rates:  # what has no limit needs no row
        high[: place.stage_rows].reshape(rows)[:, 4:][:, [rate is None for rate in rates_of(task)]] = np.inf
    if not structure.closed:
        _bound_ends(task, structure, path_rows(task.track, mesh, structure.stages), low, high)
    right, left = _around(mesh, right[:, 0], left[:, 0], place.path)
    top = float(task.numbers.top_speed) ** 2 / Z_SCALE
    speed_low, speed_high = np.full(place.speed, SLOWEST**2 / Z_SCALE), np.full(place.speed, top)
    return {
        "lbx": np.concatenate([right - LEASH, speed_low]),
        "ubx": np.concatenate([left + LEASH, speed_high]),
        "lbg": low,
        "ubg": high,
    }


def offset_room(task: Task, mesh: Mesh, stages: int, moved: Array | None) -> tuple[Array, Array]:
    """Lowest and highest offset of the kart's middle at the offset stations, each (stages, 2) [m]."""
    right, left = _by_widths(task.track, mesh, stages, task.half_width)
    return (right, left) if moved is None else (right + moved[0], left + moved[1])


@lru_cache(maxsize=8)
def _by_widths(track: Track, mesh: Mesh, stages: int, half_width: float) -> tuple[Array, Array]:
    """Corridor at the offset stations (stages, 2) by the widths along the reference line's normals."""
    ends = _offset_ends(mesh, stages)
    s = np.interp(np.arange(4 * ends.size - 3) / 4.0, np.arange(ends.size), ends)
    return _sampled(mesh, stages, Limits(s, np.zeros_like(s), *meshes.corridor(track, s, half_width)), False)


def moved_by(task: Task, mesh: Mesh, stages: int, limits: Limits) -> Array:
    """How far the corridor is moved by the limits along a path near the solution (2, stages, 2) [m]."""
    by_widths = _by_widths(task.track, mesh, stages, task.half_width)
    return np.array(_sampled(mesh, stages, limits, True)) - np.array(by_widths)


def _offset_ends(mesh: Mesh, stages: int) -> Array:
    """The offset stations one after the other, and the end of the last stretch between two (2·stages+1,) [m]."""
    s = offset_stations(mesh, stages).ravel()
    return np.append(s, s[0] + mesh.length if mesh.closed else mesh.length)


def _sampled(mesh: Mesh, stages: int, limits: Limits, known: bool) -> tuple[Array, Array]:
    """A corridor at the offset stations (stages, 2), less what its bulges between them would give away.

    Where the room beside a path that is ``known`` is less between two stations than on the chord from one to the other,
    both are drawn in by what keeps it inside, and the one with more room by more: were it to touch there, each would
    stop it where it is.  Of a path not known yet half leaves the lap time unbiased: it may follow the edge, or cut it.
    """
    ends = _offset_ends(mesh, stages)
    inner, begun = limits.s, ends
    if mesh.closed:
        inner = np.mod(limits.s - ends[0], mesh.length) + ends[0]
        begun = np.mod(ends - limits.s[0], mesh.length) + limits.s[0]
    stretch = np.clip(np.searchsorted(ends, inner, side="right") - 1, 0, ends.size - 2)
    share = np.clip((inner - ends[stretch]) / np.maximum(np.diff(ends)[stretch], 1e-9), 1e-6, 1.0 - 1e-6)
    order = np.argsort(stretch, kind="stable")
    first_in = np.flatnonzero(np.diff(stretch[order], prepend=-1))
    edges = []
    for limit, sign in ((limits.low, -1.0), (limits.high, 1.0)):
        between = sign * (limit - limits.n)
        room = np.interp(begun, limits.s, between)
        short = (room[stretch] + share * np.diff(room)[stretch] - between)[order]
        most = np.repeat(np.maximum.reduceat(short, first_in), np.diff(first_in, append=order.size))
        worst = order[short == most]
        worst = worst[np.flatnonzero(np.diff(stretch[worst], append=ends.size))]
        short = room[stretch[worst]] + share[worst] * np.diff(room)[stretch[worst]] - between[worst]
        where, bulge, part = stretch[worst], np.maximum(short, 0.0), share[worst]
        more = (room[:-1] - room[1:])[where] if known else 0.0
        first, last = np.zeros(ends.size - 1), np.zeros(ends.size - 1)
        first[where] = np.clip(bulge + part * more, 0.0, bulge / (1.0 - part))
        last[where] = np.clip(bulge - (1.0 - part) * more, 0.0, bulge / part)
        before = np.roll(last, 1) if mesh.closed else np.concatenate([[0.0], last[:-1]])
        at = np.interp(begun[:-1], limits.s, limit)
        edges.append((at - sign * (1.0 if known else 0.5) * np.maximum(first, before)).reshape(stages, -1))
    return edges[0], edges[1]


def _around(mesh: Mesh, right: Array, left: Array, count: int) -> tuple[Array, Array]:
    """Widest corridor around each coefficient of n: at its own node and the two beside it."""
    if mesh.closed:
        low, high = (np.stack([np.roll(edge, k) for k in (-1, 0, 1)]) for edge in (right, left))
    else:
        padded = [np.concatenate([[edge[0]] * 2, edge, [edge[-1]] * 2]) for edge in (right, left)]
        low, high = (np.stack([edge[k : k + count] for k in range(3)]) for edge in padded)
    return low.min(axis=0), high.max(axis=0)


def _heading_row(node: Array, end: End) -> Array:
    """Constant and weights (3,) of ``P' across·cos xi - P' along·sin xi``, zero at the end's heading."""
    xi = end.xi or 0.0
    return np.asarray(np.cos(xi) * node[3:6] - np.sin(xi) * node[0:3])


def _bound_ends(task: Task, structure: Structure, node: Array, low: Array, high: Array) -> None:
    """Fix the end states of an open track; rows -4.. are heading and z/Z_SCALE at the first and the last node."""
    for state, index, row in ((task.start, 0, -4), (task.end, structure.intervals, -2)):
        if state.n is not None:
            low[2 + index * structure.constraints] = high[2 + index * structure.constraints] = state.n
        if state.xi is not None:
            low[low.size + row] = high[high.size + row] = -_heading_row(node[index], state)[0]
        if state.v is not None:
            low[low.size + row + 1] = high[high.size + row + 1] = max(state.v, 2.0 * SLOWEST) ** 2 / Z_SCALE
