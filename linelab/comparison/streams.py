"""The measured channels of a stretch of recording, and what each says about the motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.comparison.splines import Grid, evaluate
from linelab.units import Array

#: Below this speed the direction of travel is not known well enough for a channel that needs it [m/s].
_SLOW = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One measured channel: times (M,) [s] in the positions' clock, values (M,) and standard deviation."""

    t: Array
    value: Array
    sigma: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Streams:
    """Everything a recording has measured of a stretch, gaps left out, delays taken off.

    Parameters
    ----------
    t, x, y : (N,) array
        Positions [s, m].
    position_sigma : float
        White noise per axis [m].
    speed : Channel, optional
        [m/s].
    course : Channel, optional
        Direction of travel, anticlockwise from east [rad].
    ahead, aside : Channel, optional
        Accelerations along and to the left of the travel [m/s²].
    yaw_rate : Channel, optional
        Anticlockwise [rad/s].
    """

    t: Array
    x: Array
    y: Array
    position_sigma: float
    speed: Channel | None = None
    course: Channel | None = None
    ahead: Channel | None = None
    aside: Channel | None = None
    yaw_rate: Channel | None = None


class Row(NamedTuple):
    """A channel as components of a derivative of the motion: ``order``, unit vectors, values and 1/variance (M,).

    ``wanders`` where the channel has an error of its own that lasts.
    """

    t: Array
    order: int
    direction: tuple[Array, Array]
    value: Array
    weight: Array
    wanders: bool = False


def linear_rows(streams: Streams, grid: Grid, path: Array | None = None) -> list[Row]:
    """What the channels say, about the directions and speeds of a motion (coefficients ``path``).

    Without a motion yet, directions are those from sample to sample.
    """
    rows = []
    if streams.speed is not None:
        ahead, v = _travel(streams, grid, path, streams.speed.t)
        # Below walking pace the speed says little about a velocity of unknown direction.
        weight = np.minimum(1.0, (v / _SLOW) ** 2) / streams.speed.sigma**2
        rows.append(Row(streams.speed.t, 1, ahead, streams.speed.value, weight, wanders=True))
    if streams.course is not None:
        _, v = _travel(streams, grid, path, streams.course.t)
        across = -np.sin(streams.course.value), np.cos(streams.course.value)
        weight = np.where(v > _SLOW, 1.0 / (streams.course.sigma * np.maximum(v, _SLOW)) ** 2, 0.0)
        rows.append(Row(streams.course.t, 1, across, np.zeros_like(v), weight))
    for channel, left in ((streams.ahead, False), (streams.aside, True)):
        if channel is not None:
            ahead, v = _travel(streams, grid, path, channel.t)
            direction = (-ahead[1], ahead[0]) if left else ahead
            rows.append(Row(channel.t, 2, direction, channel.value, np.where(v > _SLOW, 1.0 / channel.sigma**2, 0.0)))
    if streams.yaw_rate is not None:
        ahead, v = _travel(streams, grid, path, streams.yaw_rate.t)
        weight = np.where(v > _SLOW, 1.0 / (streams.yaw_rate.sigma * np.maximum(v, _SLOW)) ** 2, 0.0)
        rows.append(Row(streams.yaw_rate.t, 2, (-ahead[1], ahead[0]), streams.yaw_rate.value * v, weight))
    return rows


def _travel(streams: Streams, grid: Grid, path: Array | None, t: Array) -> tuple[tuple[Array, Array], Array]:
    """Unit vector of travel and speed at times (M,)."""
    if path is not None:
        vx, vy = evaluate(grid, path, t, (1,))[0].T
    else:
        half = max(round(0.25 * (streams.t.size - 1) / (streams.t[-1] - streams.t[0])), 1)
        i = np.arange(streams.t.size)
        a, b = np.maximum(i - half, 0), np.minimum(i + half, streams.t.size - 1)
        span = np.maximum(streams.t[b] - streams.t[a], 1e-9)
        vx = np.interp(t, streams.t, (streams.x[b] - streams.x[a]) / span)
        vy = np.interp(t, streams.t, (streams.y[b] - streams.y[a]) / span)
    v = np.hypot(vx, vy)
    size = np.maximum(v, 1e-6)
    return (vx / size, vy / size), v
