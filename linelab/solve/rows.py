"""The passes over many laps: NumPy, a row of all laps at a time."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import repeat

import numpy as np

from linelab.grip import KartNumbers
from linelab.solve.push import push_lookup
from linelab.solve.reach import (
    ARRAYS,
    CREEP,
    Ellipse,
    Resistance,
    Step,
    brake_from,
    drive_on,
    start_braking,
    start_driving,
    step_fields,
    step_of,
    weights,
)
from linelab.solve.road import SAME, Passes, Road, rows_of
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
