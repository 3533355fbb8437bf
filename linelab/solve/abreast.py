"""Laps side by side: from internal grids to columns, and from the passes' columns back to what each lap shows.

Columns keep the passes' work on contiguous rows.  Everything here goes through memory a few rows, or a few laps, at a
time, so that what it works on stays in the processor's caches.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.lap import Codes, Limit
from linelab.solve.reach import Node
from linelab.solve.refine import Grids, Index
from linelab.solve.road import Passes, Road
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
