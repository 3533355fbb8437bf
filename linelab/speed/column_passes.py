"""Forward and backward passes of many columns: a few one after the other, many abreast.

A few columns go through CasADi's virtual machine, which takes one step of one column after the other for some
nanoseconds an operation.  They make one long scan: where the next one begins a step of no length takes over its first
node.  Many go abreast in NumPy, a row of them at a time: an operation on a row costs little more than its call.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.model.grip import KartNumbers
from linelab.speed.step import (
    ARRAYS,
    CREEP,
    Braking,
    Calculus,
    Driving,
    Node,
    Resistance,
    brake_from,
    drive_on,
    engine_numbers,
    push_lookup,
    push_symbol,
    step_fields,
    step_of,
    weights,
)
from linelab.units import Array

#: Steps written out in one expression, and expressions in one call.
_UNROLLED, _CALLS = 16, 16
_CHUNK = _UNROLLED * _CALLS
#: Fields of a step besides the two of its own, and of the feet.
_STEP, _FEET = 13, 4
#: From so many columns on a row of them takes less time than the machine, and rows whose steps are prepared together.
_ABREAST, _BLOCK = 200, 8


class Feet(NamedTuple):
    """What the throttle does at nodes, (M, L) each."""

    share: Any  #: of the engine's force [-]
    power: Any  #: factor on the engine's force [-]
    closed: Any  #: deceleration by a closed throttle over speed [1/s]
    keeps: Any  #: 1 where the throttle is closed no farther than the speed is held [-]


def _by_foot(feet: Feet, resistance: Resistance, engine: Callable[[Any], Any], use: Calculus) -> Callable[[Any], Any]:
    """Acceleration by the engine at v², as the throttle has it; ``engine`` gives what it can at v²."""

    def push(z: Any) -> Any:
        share, full = feet.share, feet.power * engine(z)
        given = share * full - (1.0 - share) * feet.closed * use.root(z)
        resist = resistance.r0 + z * (resistance.r1 + z * resistance.r2)
        return use.where(feet.keeps > 0.0, use.greatest(given, use.least(resist, full)), given)

    return push


@lru_cache(maxsize=16)
def _scan(knots: int | None):  # type: ignore[no-untyped-def]
    """CasADi function running _CHUNK steps: state, steps' fields (F, _CHUNK), engine -> states, v² (1, _CHUNK).

    ``knots`` of the drive curve; None for the backward pass.
    """
    import casadi as ca

    use = Calculus(ca.fmin, ca.fmax, ca.sqrt, ca.if_else)
    forward = knots is not None
    fields = ca.SX.sym("fields", _STEP + 1 + (_FEET if forward else 1), _UNROLLED)
    engine = ca.SX.sym("engine", 3 + 2 * knots if knots is not None else 0)
    start = ca.SX.sym("state", 5 if forward else 3)
    state, found = start, []
    for i in range(_UNROLLED):
        row = ca.vertsplit(fields[:, i])
        step, ellipse, resistance = step_of(row[:_STEP])
        limit = row[_STEP]
        z, *moving = ca.vertsplit(state)
        z = ca.if_else(step.h > 0.0, z, limit)
        after: Driving | Braking
        if knots is not None:
            push = _by_foot(Feet(*row[_STEP + 1 :]), resistance, lambda z: push_symbol(engine, knots, z, use), use)
            reached, after = drive_on(z, Driving(*moving), step, ellipse, resistance, limit, push, use)
        else:
            reached, after = brake_from(z, Braking(*moving), step, ellipse, resistance, limit, use, row[-1])
        here = ca.fmin(ca.fmax(reached, CREEP**2), limit)
        state = ca.vertcat(here, *after)
        found.append(here)
    one = ca.Function("steps", [start, fields, engine], ca.cse([state, ca.horzcat(*found)]))
    return one.mapaccum("chunk", _CALLS)


def both_passes(
    kart: KartNumbers, h: Array, node: Node, brake: Array, drag: Array, cap: Array, feet: Feet, end: Array
) -> Array:
    """v² of columns (M, L): forward with what the throttle gives, backward with what the brake does.

    Parameters
    ----------
    h : (M - 1, L) array
        Steps [m]; those of no length at the end of a column fill it up.
    node : Node
        Fields (M, L).
    brake : (M, L) array
        The share of the tyres' force that braking uses, in place of the node's own [-].
    drag : (M, L) array
        What slides take [m/s²].
    cap : (M, L) array
        Greatest v² [m²/s²].
    feet : Feet
    end : (L,) array
        v² at the last node at most [m²/s²].
    """
    if h.shape[1] >= _ABREAST:
        return _abreast(kart, h, node, brake, drag, cap, feet, end)
    count = 1 + np.where(h > 0.0, np.arange(1, h.shape[0] + 1)[:, None], 0).max(axis=0)
    real = np.arange(cap.shape[0])[:, None] < count
    pick = np.flatnonzero(real.T)  # column after column
    nothing = np.zeros((1, h.shape[1]))

    def packed(field: Array) -> Array:
        return np.asarray(field.T.ravel().take(pick))

    to, on = packed(np.concatenate([nothing, h])), packed(np.concatenate([h, nothing]))
    last = np.cumsum(count) - 1
    on[last] = 0.0
    packs, limit, slid = Node(*(packed(field) for field in node)), packed(cap), packed(drag)
    engine, knots = engine_numbers(kart)
    on_power = _rows(to, packs._replace(r0=packs.r0 + slid), packs.drive, limit, *(packed(field) for field in feet))
    z = _run(on_power, to.size, knots, engine)
    z[last] = np.minimum(z[last], end)
    back = Node(*(field[::-1] for field in packs))
    z = _run(_rows(on[::-1], back, packed(brake)[::-1], z[::-1], slid[::-1]), to.size, None, np.zeros(0))[::-1]
    found = np.empty(real.T.shape)
    found.ravel()[pick] = z
    short = count < cap.shape[0]
    if short.any():
        found = np.where(real.T, found, z[last][:, None])
    return np.ascontiguousarray(found.T)


def _abreast(
    kart: KartNumbers, h: Array, node: Node, brake: Array, drag: Array, cap: Array, feet: Feet, end: Array
) -> Array:
    """As :func:`both_passes`, a row of columns at a time.

    Rows reach as far as there are columns that have not ended: the longest columns should come first.
    """
    count, nothing, engine = cap.shape[0], np.zeros((1, h.shape[1])), push_lookup(kart)
    last = np.where(h > 0.0, np.arange(1, count)[:, None], 0).max(axis=0)
    cap = np.where(np.arange(count)[:, None] > last, np.inf, cap)  # what fills a column up holds nothing
    begins = range(0, int(last.max()) + 1, _BLOCK)
    parts = [(slice(i, min(i + _BLOCK, count)), slice(int(np.flatnonzero(last >= i)[-1]) + 1)) for i in begins]
    to, on = np.concatenate([nothing, h]), np.concatenate([h, nothing])
    before, after = np.concatenate([nothing, to[:-1]]), np.concatenate([on[1:], nothing])
    found, z, driving = np.empty(cap.shape), cap[0], Driving(*np.zeros((4, h.shape[1])))
    with np.errstate(divide="ignore", invalid="ignore"):
        for part in parts:
            rows, few = part[0], part[1].stop
            found[rows.start :, few : z.size] = np.minimum(z[few:], end[few : z.size])
            z, driving = z[:few], Driving(*(field[:few] for field in driving))
            here = Node(*(field[part] for field in node))
            here = here._replace(r0=here.r0 + drag[part])
            more = (found[part], cap[part], *(field[part] for field in feet))
            for step, ellipse, resistance, row, limit, *foot in _steps(to[part], before[part], here, here.drive, *more):
                push = _by_foot(Feet(*foot), resistance, engine, ARRAYS)
                reached, driving = drive_on(z, driving, step, ellipse, resistance, limit, push, ARRAYS)
                z = row[:] = np.minimum(np.maximum(reached, CREEP**2), limit)
        found[rows.stop - 1 :, : z.size] = np.minimum(z, end[: z.size])
        z, braking = z[:0], Braking(*np.zeros((2, 0)))
        for part in reversed(parts):
            new = slice(z.size, part[1].stop)
            ends = found[part][-1, new] = np.minimum(found[part][-1, new], end[new])
            z, braking = np.append(z, ends), Braking(*(np.append(field, 0.0 * ends) for field in braking))
            here = Node(*(field[part][::-1] for field in node))
            way, behind, share, ahead, slid = (field[part][::-1] for field in (on, after, brake, found, drag))
            for step, ellipse, resistance, row, least in _steps(way, behind, here, share, ahead, slid):
                reached, braking = brake_from(z, braking, step, ellipse, resistance, row, ARRAYS, least)
                z = row[:] = np.minimum(np.maximum(reached, CREEP**2), row)
    return found


def _steps(h: Array, before: Array, node: Node, share: Array, *more: Array) -> Iterator[Any]:
    """Steps of these lengths, after those ``before``, to nodes (M, L), row after row, and what ``more`` is there."""
    for row in zip(*step_fields(weights(h, before), node, share), *more):
        yield *step_of(row[:_STEP]), *row[_STEP:]


def _rows(h: Array, node: Node, share: Array, limit: Array, *more: Array) -> Array:
    """Fields of steps (n, F), filled up to whole chunks."""
    before = np.concatenate([np.zeros(1), h[:-1]])
    step = weights(h, before)
    fields = (*step_fields(step, node, share), limit, *more)
    rows = np.zeros((-(-h.size // _CHUNK) * _CHUNK, len(fields)))
    for place, field in enumerate(fields):
        rows[: h.size, place] = field
    rows[h.size :, _STEP] = 1.0
    return rows


def _run(rows: Array, count: int, knots: int | None, engine: Array) -> Array:
    """v² after the first ``count`` steps (count,)."""
    size = 3 if knots is None else 5
    state, states = np.zeros(size), np.empty((_CALLS, size))
    repeated: NDArray[np.float64] = np.tile(engine, (_CALLS, 1))
    found = np.empty(rows.shape[0])
    buffer, evaluate = _scan(knots).buffer()
    buffer.set_arg(0, state.data)
    buffer.set_arg(2, repeated.data)
    buffer.set_res(0, states.data)
    for begin in range(0, rows.shape[0], _CHUNK):
        buffer.set_arg(1, rows[begin : begin + _CHUNK].data)
        buffer.set_res(1, found[begin : begin + _CHUNK].data)
        evaluate()
        state[:] = states[-1]
    return found[:count]
