"""What the engine gives the passes: the greatest acceleration by drive force at a speed, tyres and resistance apart."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np

from linelab import grip
from linelab.grip import KartNumbers
from linelab.solve.reach import Calculus
from linelab.units import Array

#: Acceleration beyond which no engine is asked for: no tyre holds it [m/s²].
MOST_PUSH = 60.0

#: Entries of the drive table per m/s.
_PER_SPEED = 100.0


def push_at(kart: KartNumbers, v: Array) -> Array:
    """Greatest acceleration by the engine at a speed [m/s²]."""
    return np.asarray(np.minimum(grip.drive_power(kart, v) / (v * float(kart.mass) * float(kart.inertia)), MOST_PUSH))


@lru_cache(maxsize=16)
def _push_table(packed: bytes) -> tuple[Array, Array]:
    """:func:`push_at` as intercepts and slopes on a grid of _PER_SPEED steps per m/s, from a kart's packed numbers.

    Linear interpolation errs by at most h²/8·d²F/dv²: 1e-4 m/s² for 20 kW at 5 m/s.
    """
    kart = grip.unpack(np.frombuffer(packed))
    v = np.arange(1, int((float(kart.top_speed) + 2.0) * _PER_SPEED) + 2) / _PER_SPEED
    push = push_at(kart, v)
    push = np.concatenate([push[:1], push])
    slopes = np.diff(push) * _PER_SPEED
    return push[:-1] - slopes * np.arange(slopes.size) / _PER_SPEED, slopes


def push_lookup(kart: KartNumbers) -> Callable[[Array], Array]:
    """Acceleration by the engine as a function of an array of v²."""
    base, slope = _push_table(grip.pack(kart).tobytes())

    def push(z: Array) -> Array:
        v = np.sqrt(z)
        index = (v * _PER_SPEED).astype(np.intp)
        return slope.take(index, mode="clip") * v + base.take(index, mode="clip")

    return push


def engine_numbers(kart: KartNumbers) -> tuple[Array, int]:
    """The drive curve for :func:`push_symbol`, and how many knots it has below top speed.

    Every rounded corner is half a straight line and half a hyperbola; the lines are summed up here.
    """
    used = np.asarray(kart.knots) < float(kart.top_speed)
    knots, halves = np.asarray(kart.knots)[used], 0.5 * np.asarray(kart.slope_changes)[used]
    head = [kart.power_at_zero - halves @ knots, kart.force_at_zero + halves.sum(), kart.mass * kart.inertia]
    return np.concatenate([head, knots, halves]), int(used.sum())


def push_symbol(engine: Any, knots: int, z: Any, use: Calculus) -> Any:
    """:func:`push_at` v² = ``z`` from :func:`engine_numbers`, written out for CasADi."""
    v = use.root(z)
    power = engine[0] + engine[1] * v
    for i in range(knots):
        past = v - engine[3 + i]
        power = power + engine[3 + knots + i] * use.root(past * past + grip.ROUNDING**2)
    return use.least(power / (v * engine[2]), MOST_PUSH)
