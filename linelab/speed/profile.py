"""Grip-limited speed profile of a given line: exact forward and backward passes on a grid of their own.

The line's own intervals are subdivided where the lap's time is decided (:mod:`linelab.speed.grid`) and its curvature
interpolated smoothly, so that a line sampled every metre takes the time of the same line sampled ten times finer.

Laps side by side are columns, so that the passes work on contiguous rows, a few at a time, within the processor's
caches.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.errors import InputError
from linelab.model.grip import kart_numbers
from linelab.model.kart import Kart
from linelab.model.lap import Codes, Lap, Limit, Line
from linelab.speed.grid import Grids, Index, ground_under, subdivide
from linelab.speed.passes import MANY, run_passes
from linelab.speed.step import CREEP, Node, Passes, Road
from linelab.units import Array

#: Laps copied between rows and columns together, and numbers worked on together.
_LAPS, _NUMBERS = 16, 16384
#: Length that stands for the empty steps after a short lap's end [m].
_NO_STEP = 1e-12


class Columns(NamedTuple):
    """Laps as the columns of a road, each from its cut on, shorter ones padded with empty steps."""

    road: Road
    cuts: Index  #: where each lap is cut, on its internal grid (L,)
    sizes: Index  #: steps of each (L,)


class Shown(NamedTuple):
    """What laps show: times over steps (M, L) [s], dv/dt at nodes (M+1, L) [m/s²] and :class:`Limit` codes."""

    times: Array
    ax: Array
    codes: Codes


def side_by_side(groups: Sequence[Grids], *, closed: bool) -> Columns:
    """All laps of all groups in order; closed ones are cut at their lowest limit."""
    sizes = np.concatenate([np.diff(grids.starts) - 1 for grids in groups])
    cuts = np.zeros(sizes.size, dtype=np.intp)
    steps = int(sizes.max())
    varies = [isinstance(field, np.ndarray) for field in groups[0].node]
    fields = [np.empty((steps + 1, sizes.size)) for _ in range(2 + sum(varies))]
    first = 0
    for grids in groups:
        flat = [np.append(np.diff(grids.distance), 0.0), grids.limit]
        flat += [field for field, is_array in zip(grids.node, varies) if is_array]
        rows = np.empty((len(flat), grids.starts.size - 1, steps + 1))
        for lap, (begin, end) in enumerate(zip(grids.starts[:-1], grids.starts[1:] - 1)):
            cut = begin + int(np.argmin(grids.limit[begin:end])) if closed else begin
            cuts[first + lap] = cut - begin
            for row, values in zip(rows[:, lap], flat):
                row[: end - cut] = values[cut:end]
                row[end - cut : end - begin] = values[begin:cut]
                row[end - begin :] = values[cut if closed else end]
            rows[0, lap, end - begin :] = 0.0
        for field, block in zip(fields, rows):
            field[:, first : first + rows.shape[1]] = block.T
        first += rows.shape[1]
    stacked = iter(fields[2:])
    node = Node(*(next(stacked) if is_array else field for field, is_array in zip(groups[0].node, varies)))
    return Columns(Road(fields[0][:-1], fields[1], node), cuts, sizes)


def shown(columns: Columns, passes: Passes, top_speed: float, *, closed: bool) -> Shown:
    """Times, accelerations and what limits each node.

    Within a step v² is a parabola, or has a peak where braking starts inside it.
    """
    h, limit = columns.road.h, columns.road.limit
    z, forward, reach, spare = passes
    found = Shown(np.empty(h.shape), np.empty(z.shape), np.empty(z.shape, dtype=np.int8))
    beyond = _beyond(h, z, columns.sizes, closed)
    rows = max(_NUMBERS // h.shape[1], 16)
    for begin in range(0, h.shape[0], rows):
        end = min(begin + rows, h.shape[0])
        steps, nodes = slice(begin, end), slice(begin, end + 1)
        length, slope = _slopes(h, z, begin, end, beyond, columns.sizes)
        both = length[1:] + length[:-1]
        bend = 2.0 * (slope[1:] - slope[:-1]) / both
        found.ax[nodes] = 0.5 * (slope[:-1] * length[1:] + slope[1:] * length[:-1]) / both
        bend = _limited(bend[:-1], bend[1:])
        v = np.sqrt(z[nodes])
        inverse = h[steps] / np.maximum(v[1:] + v[:-1], _NO_STEP)  # both ends of an empty step may stand still
        times = inverse * (2.0 + inverse * inverse * bend / 3.0)
        braking = z[nodes] < forward[nodes] * (1.0 - 1e-12)
        peaks = np.nonzero(braking[1:] > braking[:-1])
        if peaks[0].size:
            ahead = tuple(values[begin + 1 :][peaks] for values in (z, forward))
            here = tuple(values[begin:][peaks] for values in (h, z, reach))
            times[peaks] = _peak_times(here[0], here[1], ahead[0], ahead[1], here[2])
        found.times[steps] = times
        found.codes[nodes] = _codes(z[nodes], forward[nodes], spare[nodes], limit[nodes], top_speed)
    return found


class _Beyond(NamedTuple):
    """Lengths and slopes of v² (L,) of the steps before each lap's first and after its last."""

    before: tuple[Array, Array]
    after: tuple[Array, Array]


def _beyond(h: Array, z: Array, sizes: Index, closed: bool) -> _Beyond:
    """A closed lap meets itself; an open one goes on as the parabola at its end does."""
    lap = np.arange(sizes.size)

    def step(place: Index) -> tuple[Array, Array]:
        length = h[place, lap]
        return length, (z[place + 1, lap] - z[place, lap]) / length

    first, last = step(np.zeros_like(sizes)), step(sizes - 1)
    if closed:
        return _Beyond(last, first)
    second, before_last = step(np.minimum(1, sizes - 1)), step(np.maximum(sizes - 2, 0))

    def continued(end: tuple[Array, Array], inside: tuple[Array, Array]) -> tuple[Array, Array]:
        return end[0], end[1] + 2.0 * end[0] * (end[1] - inside[1]) / (end[0] + inside[0])

    return _Beyond(continued(first, second), continued(last, before_last))


def _slopes(h: Array, z: Array, begin: int, end: int, beyond: _Beyond, sizes: Index) -> tuple[Array, Array]:
    """Lengths and slopes of v² of the steps from ``begin`` - 1 up to and with ``end``."""
    low, high = max(begin - 1, 0), min(end + 1, h.shape[0])
    length = np.full((end - begin + 2, h.shape[1]), _NO_STEP)
    slope = np.zeros_like(length)
    inside = slice(low - begin + 1, high - begin + 1)
    np.maximum(h[low:high], _NO_STEP, out=length[inside])
    np.divide(z[low + 1 : high + 1] - z[low:high], length[inside], out=slope[inside])
    if begin == 0:
        length[0], slope[0] = beyond.before
    over = np.flatnonzero((sizes >= begin) & (sizes <= end))
    at = sizes[over] - begin + 1
    length[at, over], slope[at, over] = beyond.after[0][over], beyond.after[1][over]
    return length, slope


def _limited(before: Array, after: Array) -> Array:
    """Bend within steps from the bends at their ends: the mean, unless a kink at one end makes it no parabola.

    At most twice the lesser of the two, none where they differ in sign (B. van Leer, "Towards the ultimate conservative
    difference scheme IV", J. Comput. Phys. 23, 1977: his limiter for slopes, eq. 66; cited from memory).
    """
    up, down = np.maximum(np.minimum(before, after), 0.0), np.minimum(np.maximum(before, after), 0.0)
    return np.maximum(np.minimum(0.5 * (before + after), 2.0 * up), 2.0 * down)


def _peak_times(h: Array, z0: Array, z1: Array, ahead: Array, behind: Array) -> Array:
    """Time over steps driven from z0 towards ``ahead`` up to a peak, and braked from there, as if from ``behind``."""
    rise, fall = ahead - z0, behind - z1
    share = np.clip((behind - z0) / np.maximum(rise + fall, 1e-9), 0.0, 1.0)
    v0, peak, v1 = np.sqrt(z0), np.sqrt(np.maximum(z0 + rise * share, 0.25 * z0)), np.sqrt(z1)
    return np.asarray(2.0 * h * (share / (v0 + peak) + (1.0 - share) / (peak + v1)))


def _codes(z: Array, forward: Array, spare: Array, limit: Array, top_speed: float) -> Codes:
    """What limits each node."""
    codes = np.where(spare < 0.0, np.int8(Limit.TRACTION), np.int8(Limit.DRIVE))
    codes[z < forward * (1.0 - 1e-9)] = Limit.BRAKING
    codes[z >= limit * (1.0 - 1e-6)] = Limit.GRIP
    codes[z >= top_speed**2 * (1.0 - 1e-6)] = Limit.REVS
    return codes


class Own(NamedTuple):
    """One lap at its line's own nodes (N,): time [s], v² [m²/s²], dv/dt [m/s²] and :class:`Limit` codes."""

    t: Array
    z: Array
    ax: Array
    codes: Codes


def at_own_nodes(columns: Columns, groups: Sequence[Grids], z: Array, found: Shown) -> Iterator[Own]:
    """Laps in order, from their lines' first nodes on."""
    own = [places for grids in groups for places in grids.own]
    for begin in range(0, len(own), _LAPS):
        block = slice(begin, begin + _LAPS)
        rows = [_transposed(values[:, block]) for values in (found.times, z, found.ax, found.codes)]
        for lap, (places, cut, size) in enumerate(zip(own[block], columns.cuts[block], columns.sizes[block])):
            clock = np.zeros(size + 1)
            np.cumsum(rows[0][lap, :size], out=clock[1:])
            if cut:
                begun = places < cut
                places = places - cut + size * begun
                t = clock[places] - clock[size - cut] + clock[size] * ~begun
                t[0] = 0.0
            else:
                t = clock[places]
            yield Own(t, *(row[lap, places] for row in rows[1:]))


def _transposed(columns: NDArray[np.generic]) -> NDArray[np.generic]:
    """Columns as contiguous rows; copied first, which reads memory in order and is four times faster."""
    return np.ascontiguousarray(columns.copy().T)


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
            f"the kart stops {at:.0f} m along the line: its drive, or the grip there, is not enough",
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
