"""Runs the forward and backward passes: a compiled scan for a single lap, arrays of laps for many.

Both run the same step (:mod:`linelab.speed.step`).  A pass is sequential along the lap, so a lap alone is
done by a CasADi virtual-machine scan, and many laps side by side in NumPy, one vector operation for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np

from linelab.model.grip import KartNumbers
from linelab.speed.step import (
    ARRAYS,
    CREEP,
    SAME,
    Braking,
    Calculus,
    Driving,
    Ellipse,
    Node,
    Passes,
    Resistance,
    Road,
    Step,
    brake_from,
    drive_on,
    engine_numbers,
    push_at,
    push_lookup,
    push_symbol,
    rows_of,
    start_braking,
    start_driving,
    step_fields,
    step_of,
    weights,
)
from linelab.units import Array

#: Rows of steps prepared together.
_BLOCK = 8


class Many:
    """Passes over many laps, a row of all laps at a time."""

    def __init__(self, kart: KartNumbers, road: Road, passes: Passes) -> None:
        self.road, self.passes = road, passes
        self.push = push_lookup(kart)

    def forward(self, start: Array, again: bool) -> None:
        limit, z, spare = self.road.limit, self.passes.forward, self.passes.spare
        z[0] = here = start
        state = start_driving(rows_of(self.road.node, 0), here, self.push)
        spare[0] = state.spare
        for i, step, ellipse, resistance in self._steps(forward=True):
            reached, state = drive_on(here, state, step, ellipse, resistance, limit[i], self.push, ARRAYS)
            here = np.minimum(np.maximum(reached, CREEP**2), limit[i])
            if again and i % 8 == 0 and (np.abs(here - z[i]) <= SAME * here).all():
                return
            z[i], spare[i] = here, state.spare

    def backward(self, start: Array, again: bool) -> None:
        ahead, z, reach = self.passes.forward, self.passes.z, self.passes.reach
        z[-1] = reach[-1] = here = start
        state = start_braking(rows_of(self.road.node, -1), here)
        for i, step, ellipse, resistance in self._steps(forward=False):
            reached, state = brake_from(here, state, step, ellipse, resistance, ahead[i], ARRAYS)
            here = np.minimum(np.maximum(reached, CREEP**2), ahead[i])
            if again and i % 8 == 0 and (np.abs(here - z[i]) <= SAME * here).all():
                return
            z[i], reach[i] = here, reached

    def _steps(self, *, forward: bool) -> Iterator[tuple[int, Step, Ellipse, Resistance]]:
        """Node that a step leads to, and the step; prepared _BLOCK rows together."""
        h, node = self.road.h, self.road.node
        count, turn, by = h.shape[0], 1 if forward else -1, -1 if forward else 1
        blocks = range(0, count, _BLOCK)
        for begin in blocks if forward else reversed(blocks):
            end = min(begin + _BLOCK, count)
            step = weights(h[begin:end], _shifted(h, begin, end - begin, by))
            nodes = rows_of(node, slice(begin + 1, end + 1) if forward else slice(begin, end))
            fields = [
                field[::turn] if isinstance(field, np.ndarray) else repeat(field)
                for field in step_fields(step, nodes, nodes.drive if forward else nodes.brake)
            ]
            places = range(begin + 1, end + 1) if forward else range(end - 1, begin - 1, -1)
            for i, *row in zip(places, *fields):
                yield i, *step_of(row)


def _shifted(h: Array, begin: int, count: int, by: int) -> Array:
    """Rows ``begin + by`` on, zero beyond the first and last."""
    rows = np.arange(begin, begin + count) + by
    shifted = h.take(rows, axis=0, mode="clip")
    shifted[(rows < 0) | (rows >= h.shape[0])] = 0.0
    return shifted


#: Steps per call of the scan, and steps written out in one expression of it.
_CHUNK, _UNROLLED = 128, 4


class _Fields(NamedTuple):
    """What a step needs besides the state and the engine (13 fields): which vary along the lap, which are there."""

    varying: tuple[int, ...]
    fixed: tuple[int, ...]

    @classmethod
    def of(cls, values: Sequence[Any]) -> _Fields:
        arrays = [isinstance(value, np.ndarray) for value in values]
        there = [value is not None for value in values]
        return cls(
            tuple(i for i, varies in enumerate(arrays) if varies),
            tuple(i for i, varies in enumerate(arrays) if not varies and there[i]),
        )

    def joined(self, varying: Sequence[Any], fixed: Sequence[Any]) -> tuple[Step, Ellipse, Resistance]:
        values: list[Any] = [None] * 13
        for places, parts in ((self.varying, varying), (self.fixed, fixed)):
            for place, value in zip(places, parts):
                values[place] = value
        return step_of(values)


@lru_cache(maxsize=16)
def _scan(fields: _Fields, knots: int | None):  # type: ignore[no-untyped-def]
    """CasADi function running _CHUNK steps: state, columns (varying fields and limit, _CHUNK), numbers (fixed fields
    and engine) -> states, and two rows (2, _CHUNK): v², and the spare grip (forward) or the v² reached (backward).

    ``knots`` of the drive curve; None for the backward pass.  _UNROLLED steps are written out in one expression: a
    call costs as much as twenty operations.
    """
    import casadi as ca

    use = Calculus(ca.fmin, ca.fmax, ca.sqrt, ca.if_else)
    columns = ca.SX.sym("columns", len(fields.varying) + 1, _UNROLLED)
    fixed = ca.SX.sym("fixed", len(fields.fixed))
    engine = ca.SX.sym("engine", 0 if knots is None else 3 + 2 * knots)
    start = ca.SX.sym("state", 3 if knots is None else 5)

    state, rows = start, []
    for i in range(_UNROLLED):
        *varying, limit = ca.vertsplit(columns[:, i])
        step, ellipse, resistance = fields.joined(varying, ca.vertsplit(fixed))
        z, *moving = ca.vertsplit(state)
        after: Driving | Braking
        if knots is None:
            reached, after = brake_from(z, Braking(*moving), step, ellipse, resistance, limit, use)
        else:
            reached, after = drive_on(
                z, Driving(*moving), step, ellipse, resistance, limit, lambda z: push_symbol(engine, knots, z, use), use
            )
        here = ca.fmin(ca.fmax(reached, CREEP**2), limit)
        state = ca.vertcat(here, *after)
        rows.append(ca.vertcat(here, reached if knots is None else after[1]))
    one = ca.Function("steps", [start, columns, ca.vertcat(fixed, engine)], [state, ca.horzcat(*rows)])
    return one.mapaccum("chunk", _CHUNK // _UNROLLED)


class _Steps(NamedTuple):
    """Steps laid out for the scan: which fields vary, a row for each step (padded to whole chunks), the others."""

    fields: _Fields
    columns: Array
    fixed: Array

    @classmethod
    def of(cls, h: Array, nodes: Node, share: Any, limit: Array) -> _Steps:
        """Steps of length ``h`` to ``nodes``, whose limit of v² is ``limit``, each (M,)."""
        step = weights(h, np.concatenate([[0.0], h[:-1]]))
        values = step_fields(step, nodes, share)
        fields = _Fields.of(values)
        columns = np.zeros((-(-h.size // _CHUNK) * _CHUNK, len(fields.varying) + 1))
        for place, field in enumerate([*(values[i] for i in fields.varying), limit]):
            columns[: h.size, place] = field
        columns[h.size :] = columns[h.size - 1]
        columns[h.size :, : len(step)] = 0.0
        return cls(fields, columns, np.array([float(values[i]) for i in fields.fixed]))


class One:
    """Passes over a single lap.

    Goes through CasADi's buffer interface: converting the arrays would cost more than the scan itself.
    """

    def __init__(self, kart: KartNumbers, road: Road, passes: Passes) -> None:
        self.h, self.limit, self.passes = road.h[:, 0], road.limit, passes
        self.node = Node(*(field[:, 0] if isinstance(field, np.ndarray) else field for field in road.node))
        self.engine, self.knots = engine_numbers(kart)
        self.push = lambda z: push_at(kart, np.sqrt(z))

    def forward(self, start: Array, again: bool) -> None:
        seed = start_driving(rows_of(self.node, slice(0, 1)), start, self.push)
        rows = self.passes.forward[:, 0], self.passes.spare[:, 0]
        rows[0][0], rows[1][0] = start[0], seed.spare[0]
        nodes = rows_of(self.node, slice(1, None))
        steps = _Steps.of(self.h, nodes, nodes.drive, self.limit[1:, 0])
        steps = steps._replace(fixed=np.concatenate([steps.fixed, self.engine]))
        _run(steps, self.knots, np.concatenate([start, *seed]), rows, again)

    def backward(self, start: Array, again: bool) -> None:
        seed = start_braking(rows_of(self.node, slice(-1, None)), start)
        rows = self.passes.z[::-1, 0], self.passes.reach[::-1, 0]
        rows[0][0] = rows[1][0] = start[0]
        nodes = rows_of(self.node, slice(-2, None, -1))
        steps = _Steps.of(self.h[::-1], nodes, nodes.brake, self.passes.forward[-2::-1, 0])
        _run(steps, None, np.concatenate([start, *seed]), rows, again)


def _run(steps: _Steps, knots: int | None, state: Array, into: tuple[Array, Array], again: bool) -> None:
    """Chunks into the two rows, after the first entry of each; ``knots`` None for the backward pass.

    Driven again, it ends where it meets the round before.
    """
    calls = _CHUNK // _UNROLLED
    repeated, states, rows = np.tile(steps.fixed, (calls, 1)), np.empty((calls, state.size)), np.empty((_CHUNK, 2))
    buffer, evaluate = _scan(steps.fields, knots).buffer()
    buffer.set_arg(0, state.data)
    buffer.set_arg(2, repeated.data)
    buffer.set_res(0, states.data)
    buffer.set_res(1, rows.data)
    for begin in range(0, steps.columns.shape[0], _CHUNK):
        buffer.set_arg(1, steps.columns[begin : begin + _CHUNK].data)
        evaluate()
        state[:] = states[-1]
        places = [values[begin + 1 : begin + 1 + _CHUNK] for values in into]
        size = places[0].size
        met = again and abs(rows[size - 1, 0] - places[0][-1]) <= SAME * places[0][-1]
        for place, found in zip(places, rows.T):
            place[:] = found[:size]
        if met:
            break


#: From this many laps on, NumPy across laps is faster than one scan after the other (measured).
MANY = 96


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
    driver = (One if road.limit.shape[1] == 1 else Many)(kart, road, passes)
    with np.errstate(divide="ignore", invalid="ignore"):
        _rounds(driver.forward, start, passes.forward, -1, closed)
        _rounds(driver.backward, passes.forward[-1], passes.z, 0, closed)
    return passes


def _rounds(run: Callable[[Array, bool], None], start: Array, z: Array, end: int, closed: bool) -> None:
    """One pass, and for closed laps again from where it ended until nothing changes any more."""
    run(start, False)
    for _ in range(30 if closed else 0):
        last, begun = z[end], z[-1 - end]
        if (np.abs(last - begun) <= 1e-7 * last).all():
            break
        run(np.minimum(last, begun), True)
