"""Runs the forward and backward passes: a compiled scan for a few laps, arrays of laps for many.

Both drivers run the same step (:mod:`linelab.solve.reach`).  A pass is sequential along the lap, so a few laps are
done by a CasADi virtual-machine scan, and many laps side by side in NumPy, one vector operation for all of them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from linelab import grip
from linelab.grip import KartNumbers, LoadLines
from linelab.solve.reach import Interval, backward_reach, forward_reach
from linelab.units import Array

#: From this many laps on, NumPy across laps is faster than the scan (measured in benchmarks/speed_profile.py).
MANY = 24

_CHUNK = 256  #: intervals per call of the compiled scan; a lap is padded with empty intervals


class Passes(NamedTuple):
    """Result of both passes, each (N+1, L): v² of the profile, and v² that driving alone would give [m²/s²]."""

    z: Array
    forward: Array


def run_passes(kart: KartNumbers, steps: Interval, limit: Array, *, first: Array | None = None) -> Passes:
    """Forward then backward pass over L laps.

    Parameters
    ----------
    kart : KartNumbers
    steps : Interval
        Fields broadcastable to (N, L).
    limit : (N+1, L) array
        Cornering limit as v² at the nodes [m²/s²].
    first : (L,) array or None
        v² at the first node, at most ``limit[0]``; None for the limit itself.

    Returns
    -------
    Passes
    """
    forward_pass, backward_pass = (
        (_forward_many, _backward_many) if limit.shape[1] >= MANY else (_forward_scan, _backward_scan)
    )
    start = limit[0] if first is None else np.minimum(first, limit[0])
    ahead = forward_pass(kart, steps, limit, start)
    return Passes(backward_pass(kart, steps, ahead), ahead)


def push_table(kart: KartNumbers) -> tuple[Array, float]:
    """Greatest drive force per mass on a uniform grid of speeds [m/s²], and the grid's steps per m/s.

    Linear interpolation errs by at most h²/8·d²F/dv²: 1e-4 m/s² for 20 kW at 5 m/s.
    """
    per_speed = 100.0
    v = np.arange(1, int(160.0 * per_speed) + 2) / per_speed
    force = np.asarray(grip.drive_power(kart, v)) / (v * float(kart.mass))
    return np.concatenate([force[:1], force]), per_speed


def _push_lookup(kart: KartNumbers):  # type: ignore[no-untyped-def]
    """Drive force per mass as a function of an array of speeds."""
    table, per_speed = push_table(kart)
    rises = np.diff(table, append=table[-1])
    last = table.size - 2

    def push(v: Array) -> Array:
        place = v * per_speed
        index = np.minimum(place.astype(np.intp), last)
        return table.take(index) + rises.take(index) * (place - index)

    return push


def _row(steps: Interval, i: int) -> Interval:
    """Interval ``i`` of all laps."""
    return Interval(
        h=steps.h[i],
        load=LoadLines(*(field[i] for field in steps.load)),
        drive=steps.drive[i],
        brake=steps.brake[i],
        side=steps.side[i],
    )


def _forward_many(kart: KartNumbers, steps: Interval, limit: Array, start: Array) -> Array:
    push = _push_lookup(kart)
    z = np.empty_like(limit)
    z[0] = start
    change = np.zeros_like(start)
    for i in range(limit.shape[0] - 1):
        reached, change = forward_reach(kart.inertia, push, z[i], change, _row(steps, i), np.where)
        np.minimum(reached, limit[i + 1], out=z[i + 1])
    return z


def _backward_many(kart: KartNumbers, steps: Interval, ahead: Array) -> Array:
    z = np.empty_like(ahead)
    z[-1] = ahead[-1]
    change = np.zeros_like(ahead[0])
    for i in range(ahead.shape[0] - 2, -1, -1):
        reached, change = backward_reach(kart.inertia, z[i + 1], change, _row(steps, i), np.where)
        np.minimum(reached, ahead[i], out=z[i])
    return z


def _columns(steps: Interval) -> Array:
    """Interval fields as rows (11, N, L) in the order the compiled scan expects."""
    fields = [steps.h, *steps.load, steps.drive, steps.brake, steps.side]
    return np.stack([np.asarray(field, dtype=np.float64) for field in fields])


@lru_cache(maxsize=2)
def _scan(forward: bool):  # type: ignore[no-untyped-def]
    """CasADi function running _CHUNK intervals: (z, change), kart, intervals (12, _CHUNK) -> states (2, _CHUNK)."""
    import casadi as ca

    state, numbers, column = ca.SX.sym("state", 2), ca.SX.sym("kart", grip.SIZE), ca.SX.sym("column", 12)
    kart = grip.unpack(numbers)
    step = Interval(column[0], LoadLines(*(column[i] for i in range(1, 8))), column[8], column[9], column[10])
    if forward:

        def push(v):  # type: ignore[no-untyped-def]
            return grip.drive_power(kart, v) / (v * kart.mass)

        reached, change = forward_reach(kart.inertia, push, state[0], state[1], step, ca.if_else)
    else:
        reached, change = backward_reach(kart.inertia, state[0], state[1], step, ca.if_else)
    result = ca.vertcat(ca.fmin(reached, column[11]), change)
    one = ca.Function("step", [state, column, numbers], [result])
    return one.mapaccum("chunk", _CHUNK)


def _run_scan(kart: KartNumbers, columns: Array, z0: float, *, forward: bool) -> Array:
    """v² after each interval (N,) of one lap.

    Goes through CasADi's buffer interface: converting the arrays would cost more than the scan itself.
    """
    count = columns.shape[1]
    padded = np.zeros((-(-count // _CHUNK) * _CHUNK, 12))
    padded[:count] = columns.T
    padded[count:, 1:] = padded[count - 1, 1:]
    numbers = np.tile(grip.pack(kart), (_CHUNK, 1))
    state, states = np.array([z0, 0.0]), np.empty((padded.shape[0], 2))
    buffer, evaluate = _scan(forward).buffer()
    buffer.set_arg(0, state.data)
    buffer.set_arg(2, numbers.data)
    for begin in range(0, padded.shape[0], _CHUNK):
        chunk = states[begin : begin + _CHUNK]
        buffer.set_arg(1, padded[begin : begin + _CHUNK].data)
        buffer.set_res(0, chunk.data)
        evaluate()
        state[:] = chunk[-1]
    return states[:count, 0]


def _forward_scan(kart: KartNumbers, steps: Interval, limit: Array, start: Array) -> Array:
    fields = _columns(steps)
    z = np.empty_like(limit)
    z[0] = start
    for lap in range(limit.shape[1]):
        columns = np.vstack([fields[:, :, lap], limit[1:, lap]])
        z[1:, lap] = _run_scan(kart, columns, start[lap], forward=True)
    return z


def _backward_scan(kart: KartNumbers, steps: Interval, ahead: Array) -> Array:
    fields = _columns(steps)[:, ::-1]
    z = np.empty_like(ahead)
    z[-1] = ahead[-1]
    for lap in range(ahead.shape[1]):
        columns = np.vstack([fields[:, :, lap], ahead[-2::-1, lap]])
        z[-2::-1, lap] = _run_scan(kart, columns, z[-1, lap], forward=False)
    return z
