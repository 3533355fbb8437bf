"""Runs the forward and backward passes: a compiled scan for a single lap, arrays of laps for many.

Both run the same step (:mod:`linelab.solve.reach`).  A pass is sequential along the lap, so a lap alone is
done by a CasADi virtual-machine scan, and many laps side by side in NumPy, one vector operation for all of them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from linelab.grip import KartNumbers
from linelab.solve.push import engine_numbers, push_at, push_lookup, push_symbol
from linelab.solve.reach import (
    ARRAYS,
    CREEP,
    Braking,
    Calculus,
    Driving,
    Node,
    Step,
    brake_from,
    drive_on,
    start_braking,
    start_driving,
    weights,
)
from linelab.units import Array

#: From this many laps on, NumPy across laps is faster than one scan after the other (measured).
MANY = 96

#: Rows of steps prepared together, and steps per call of the compiled scan.
_BLOCK, _CHUNK = 8, 128

#: Steps written out in one expression of the scan.
_UNROLLED = 4

#: A lap driven again has caught up with the round before when v² agrees to this [-].
SAME = 1e-9


class Road(NamedTuple):
    """Laps side by side: step lengths (M, L) [m], limits of v² (M+1, L) [m²/s²], nodes' coefficients (M+1, L)."""

    h: Array
    limit: Array
    node: Node


class Passes(NamedTuple):
    """Both passes, each (M+1, L) [m²/s²; spare m/s²].

    ``z`` is v² of the profile, ``forward`` what driving alone would give, ``reach`` from how fast braking still
    succeeds, ``spare`` the acceleration that the grip would allow beyond the engine's.
    """

    z: Array
    forward: Array
    reach: Array
    spare: Array


def run_passes(kart: KartNumbers, road: Road, *, closed: bool, first: Array | None = None) -> Passes:
    """Forward then backward pass over L laps.

    Parameters
    ----------
    kart : KartNumbers
    road : Road
        Closed laps are cut at their lowest limit and driven on until they meet themselves.
    closed : bool
    first : (L,) array or None
        v² at the first node; None for the limit itself.

    Returns
    -------
    Passes
    """
    blank = [np.empty_like(road.limit) for _ in range(4)]
    passes = Passes(*blank)
    start = road.limit[0] if first is None else np.minimum(first, road.limit[0])
    driver = (_One if road.limit.shape[1] == 1 else _Many)(kart, road, passes)
    with np.errstate(divide="ignore", invalid="ignore"):
        _rounds(driver.forward, start, passes.forward, -1, closed)
        _rounds(driver.backward, passes.forward[-1], passes.z, 0, closed)
    return passes


def _rounds(run, start: Array, z: Array, end: int, closed: bool) -> None:  # type: ignore[no-untyped-def]
    """One pass, and for closed laps again from where it ended until nothing changes any more."""
    run(start, False)
    for _ in range(30 if closed else 0):
        last, begun = z[end], z[-1 - end]
        if (np.abs(last - begun) <= 1e-7 * last).all():
            break
        run(np.minimum(last, begun), True)


def row_of(node: Node, i: int) -> Node:
    """Row ``i`` of nodes side by side."""
    b0, b1, hold0, hold1, r0, r1, r2, drive, brake = node
    if b0 is None:  # level ground: all but b1 and r2 are numbers
        return Node(b0, b1[i], hold0, hold1, r0, r1, r2[i], drive, brake)
    return Node._make([field[i] for field in node])


class _Many:
    """Passes over many laps, a row of all laps at a time."""

    def __init__(self, kart: KartNumbers, road: Road, passes: Passes) -> None:
        self.road, self.passes = road, passes
        self.push = push_lookup(kart)

    def forward(self, start: Array, again: bool) -> None:
        h, limit, z, spare = self.road.h, self.road.limit, self.passes.forward, self.passes.spare
        z[0] = here = start
        state = start_driving(row_of(self.road.node, 0), here, self.push, ARRAYS)
        spare[0] = state.spare
        for begin in range(0, h.shape[0], _BLOCK):
            rows = h[begin : begin + _BLOCK]
            steps = weights(rows, _shifted(h, begin, rows.shape[0], -1))
            for i, step in enumerate(zip(*steps), start=begin + 1):
                reached, state = drive_on(
                    here, state, Step(*step), row_of(self.road.node, i), limit[i], self.push, ARRAYS
                )
                here = np.minimum(np.maximum(reached, CREEP**2), limit[i])
                if again and i % 8 == 0 and (np.abs(here - z[i]) <= SAME * here).all():
                    return
                z[i], spare[i] = here, state.spare

    def backward(self, start: Array, again: bool) -> None:
        h, ahead, z, reach = self.road.h, self.passes.forward, self.passes.z, self.passes.reach
        count = h.shape[0]
        z[count] = reach[count] = here = start
        state = start_braking(row_of(self.road.node, count), here, ARRAYS)
        for end in range(count, 0, -_BLOCK):
            begin = max(end - _BLOCK, 0)
            steps = weights(h[begin:end], _shifted(h, begin, end - begin, 1))
            for i in range(end - 1, begin - 1, -1):
                step = Step(*(field[i - begin] for field in steps))
                reached, state = brake_from(here, state, step, row_of(self.road.node, i), ahead[i], ARRAYS)
                here = np.minimum(np.maximum(reached, CREEP**2), ahead[i])
                if again and i % 8 == 0 and (np.abs(here - z[i]) <= SAME * here).all():
                    return
                z[i], reach[i] = here, reached


def _shifted(h: Array, begin: int, count: int, by: int) -> Array:
    """Rows ``begin + by`` on, zero beyond the first and last."""
    rows = np.arange(begin, begin + count) + by
    shifted = h.take(rows, axis=0, mode="clip")
    shifted[(rows < 0) | (rows >= h.shape[0])] = 0.0
    return shifted


@lru_cache(maxsize=16)
def _scan(forward: bool, knots: int):  # type: ignore[no-untyped-def]
    """CasADi function running _CHUNK steps: state, columns (12, _CHUNK), engine -> states, and two rows (2, _CHUNK):
    v², and the spare grip (forward) or the v² reached (backward).

    _UNROLLED steps are written out in one expression: a call costs as much as twenty operations.
    """
    import casadi as ca

    use = Calculus(ca.fmin, ca.fmax, ca.sqrt, ca.if_else)
    columns, engine = ca.SX.sym("columns", 12, _UNROLLED), ca.SX.sym("engine", 3 + 2 * knots)
    start = ca.SX.sym("state", 5 if forward else 3)

    state, rows = start, []
    for i in range(_UNROLLED):
        column = columns[:, i]
        parts = ca.vertsplit(column)
        step, node, limit = Step(*parts[:3]), Node._make([*parts[3:11], parts[10]]), parts[11]
        z, *moving = ca.vertsplit(state)
        after: Driving | Braking
        if forward:
            reached, after = drive_on(
                z, Driving(*moving), step, node, limit, lambda z: push_symbol(engine, knots, z, use), use
            )
        else:
            reached, after = brake_from(z, Braking(*moving), step, node, limit, use)
        here = ca.fmin(ca.fmax(reached, CREEP**2), limit)
        state = ca.vertcat(here, *after)
        rows.append(ca.vertcat(here, after[1] if forward else reached))
    one = ca.Function("steps", [start, columns, engine], [state, ca.horzcat(*rows)])
    return one.mapaccum("chunk", _CHUNK // _UNROLLED)


class _One:
    """Passes over a single lap in the compiled scan.

    Goes through CasADi's buffer interface: converting the arrays would cost more than the scan itself.
    """

    def __init__(self, kart: KartNumbers, road: Road, passes: Passes) -> None:
        self.road, self.passes = road, passes
        self.engine, self.knots = engine_numbers(kart)
        self.push = lambda z: push_at(kart, np.sqrt(z))

    def forward(self, start: Array, again: bool) -> None:
        seed = start_driving(row_of(self.road.node, 0), start, self.push, ARRAYS)
        rows = self.passes.forward[:, 0], self.passes.spare[:, 0]
        rows[0][0], rows[1][0] = start[0], seed.spare[0]
        self._run(self._columns(forward=True), np.concatenate([start, *seed]), rows, self.knots, again)

    def backward(self, start: Array, again: bool) -> None:
        seed = start_braking(row_of(self.road.node, -1), start, ARRAYS)
        rows = self.passes.z[::-1, 0], self.passes.reach[::-1, 0]
        rows[0][0] = rows[1][0] = start[0]
        self._run(self._columns(forward=False), np.concatenate([start, *seed]), rows, None, again)

    def _columns(self, *, forward: bool) -> Array:
        """Steps, a row each: step (3), node (8), limit; padded to whole chunks with empty steps."""
        node, h = self.road.node, self.road.h[:, 0]
        count = h.size
        columns = np.zeros((-(-count // _CHUNK) * _CHUNK, 12))
        turn, ends, limit = slice(None), slice(1, None), self.road.limit
        if not forward:
            turn, ends, limit = slice(None, None, -1), slice(-2, None, -1), self.passes.forward
        h = h[turn]
        for place, values in enumerate(weights(h, np.concatenate([[0.0], h[:-1]]))):
            columns[:count, place] = values
        for place, field in enumerate([*node[:7], node.drive if forward else node.brake, limit], start=3):
            if field is not None:
                columns[:count, place] = field[ends, 0] if isinstance(field, np.ndarray) else field
        columns[count:, 3:] = columns[count - 1, 3:]
        return columns

    def _run(self, columns: Array, state: Array, into: tuple[Array, Array], knots: int | None, again: bool) -> None:
        """Chunks into the two rows, after the first entry of each; ``knots`` None for the backward pass.

        Driven again, it ends where it meets the round before.
        """
        engine = np.zeros(3) if knots is None else self.engine
        calls = _CHUNK // _UNROLLED
        repeated, states, rows = np.tile(engine, (calls, 1)), np.empty((calls, state.size)), np.empty((_CHUNK, 2))
        buffer, evaluate = _scan(knots is not None, knots or 0).buffer()
        buffer.set_arg(0, state.data)
        buffer.set_arg(2, repeated.data)
        buffer.set_res(0, states.data)
        buffer.set_res(1, rows.data)
        for begin in range(0, columns.shape[0], _CHUNK):
            buffer.set_arg(1, columns[begin : begin + _CHUNK].data)
            evaluate()
            state[:] = states[-1]
            places = [values[begin + 1 : begin + 1 + _CHUNK] for values in into]
            size = places[0].size
            met = again and abs(rows[size - 1, 0] - places[0][-1]) <= SAME * places[0][-1]
            for place, values in zip(places, rows.T):
                place[:] = values[:size]
            if met:
                break
