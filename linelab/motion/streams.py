"""The measured channels of a stretch of recording, and what each says about the motion.

A smoothed motion is kept as uniform quintic B-splines of time.  A quintic spline has continuous jerk, so position,
speed, acceleration and curvature at any time come from one smooth function, and the most likely motion under white jerk
through exact positions at its knots *is* such a spline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.geometry.plane_spline import DEGREE
from linelab.units import Array

#: Which of the unknowns at a knot are the position bias east and north, and which the error of the speed channel.
BIAS, SPEED_ERROR = (2, 3), (4,)


@dataclass(frozen=True, slots=True)
class Grid:
    """Uniform knots: ``count`` intervals of ``step`` seconds from ``start`` [s]."""

    start: float
    step: float
    count: int

    @property
    def end(self) -> float:
        """Last knot [s]."""
        return self.start + self.step * self.count

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return self.count + DEGREE

    def locate(self, t: Array) -> tuple[NDArray[np.intp], Array]:
        """Interval (M,) and place within it (M,), 0 to 1, of times within the grid [s]."""
        place = (t - self.start) / self.step
        index = np.clip(place.astype(np.intp), 0, self.count - 1)
        return index, np.clip(place - index, 0.0, 1.0)


def grid_over(start: float, end: float, step: float) -> Grid:
    """The grid from ``start`` to at least ``end`` [s]."""
    return Grid(start, step, max(math.ceil((end - start) / step + 1e-9), 2))


def evaluate(grid: Grid, coefficients: Array, t: Array, orders: tuple[int, ...] = (0,)) -> Array:
    """Splines and their derivatives at times.

    Parameters
    ----------
    grid : Grid
    coefficients : (n, C) array
        One column a spline.
    t : (M,) array
        Times within the grid [s].
    orders : tuple of int
        Orders of the derivatives wanted.

    Returns
    -------
    (len(orders), M, C) array
    """
    from scipy.interpolate import BSpline

    knots = grid.start + grid.step * np.arange(-DEGREE, grid.size + 1)
    spline = BSpline.construct_fast(knots, coefficients, DEGREE)
    inside = np.clip(t, grid.start, grid.end)
    return np.stack([spline(inside, order) for order in orders])


def linear(grid: Grid, values: Array, t: Array) -> Array:
    """Values at the knots (count + 1, C) interpolated linearly at times within the grid: (M, C)."""
    index, u = grid.locate(t)
    before = values[index]
    return np.asarray(before + u[:, None] * (values[index + 1] - before))


#: Below this speed the direction of travel is not known well enough for a channel that needs it [m/s].
_SLOW = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One measured channel: times (M,) [s] in the positions' clock, values (M,) and standard deviation.

    ``blur`` is half the second central moment of the kernel that the receiver smooths the velocity vector with [s²]; to
    second order in its length the channel shows the velocity plus ``blur`` times its second derivative (derived).
    """

    t: Array
    value: Array
    sigma: float
    blur: float = 0.0


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


#: What is known of the channels' timing: what is estimated, lags [s] ("inertial" are accelerations and yaw rate) and
#: the speed's blur [s²]; and what only widens intervals: further smoothing, of the speed itself and of the course [s²].
ESTIMATED = ("speed_lag", "speed_blur", "course_lag", "inertial_lag")
TIMING = (*ESTIMATED, "speed_rounding", "course_rounding")


class Row(NamedTuple):
    """A channel as components of a derivative of the motion: ``order``, unit vectors, values and 1/variance (M,).

    ``blur`` as in :class:`Channel`; ``error`` which unknown is an error of its own that lasts.  ``changes`` are
    derivatives of what the channel shows by its timing, by name in TIMING (M,); none before a motion is known.
    """

    t: Array
    order: int
    direction: tuple[Array, Array]
    value: Array
    weight: Array
    changes: dict[str, Array]
    blur: float = 0.0
    error: int | None = None


def linear_rows(streams: Streams, grid: Grid, path: Array | None = None) -> list[Row]:
    """What the channels say, about the directions and speeds of a motion (coefficients ``path``).

    Without a motion yet, directions are those from sample to sample.  A speed that is smoothed shows its second
    derivative too: the jerk along the travel and what the turning adds, ``a_left²/v`` (derived, as ``u' = a_left/v``).
    """
    rows = []
    if streams.speed is not None:
        one = streams.speed
        at = _travel(streams, grid, path, one.t)
        # Below walking pace the speed says little about a velocity of unknown direction.
        weight = np.minimum(1.0, (at.v / _SLOW) ** 2) / one.sigma**2
        changes = {"speed_lag": -at.ahead, "speed_blur": at.jerk_ahead}
        changes["speed_rounding"] = at.jerk_ahead + at.left**2 / at.pace
        rows.append(Row(one.t, 1, at.travel, one.value, weight, changes, one.blur, SPEED_ERROR[0]))
    if streams.course is not None:
        one = streams.course
        at = _travel(streams, grid, path, one.t)
        across = -np.sin(one.value), np.cos(one.value)
        weight = np.where(at.v > _SLOW, 1.0 / (one.sigma * at.pace) ** 2, 0.0)
        changes = {"course_lag": -at.left, "course_rounding": at.jerk_left}
        rows.append(Row(one.t, 1, across, np.zeros_like(at.v), weight, changes))
    for channel, left in ((streams.ahead, False), (streams.aside, True)):
        if channel is not None:
            at = _travel(streams, grid, path, channel.t)
            rate = at.left / at.pace
            change = at.jerk_left - rate * at.ahead if left else at.jerk_ahead + rate * at.left
            direction = (-at.travel[1], at.travel[0]) if left else at.travel
            weight = np.where(at.v > _SLOW, 1.0 / channel.sigma**2, 0.0)
            rows.append(Row(channel.t, 2, direction, channel.value, weight, {"inertial_lag": -change}))
    if streams.yaw_rate is not None:
        one = streams.yaw_rate
        at = _travel(streams, grid, path, one.t)
        weight = np.where(at.v > _SLOW, 1.0 / (one.sigma * at.pace) ** 2, 0.0)
        changes = {"inertial_lag": 2.0 * at.left * at.ahead / at.pace - at.jerk_left}
        rows.append(Row(one.t, 2, (-at.travel[1], at.travel[0]), one.value * at.v, weight, changes))
    return rows


class _Travel(NamedTuple):
    """Motion at times (M,): unit vector of travel, speed, acceleration and jerk along it and to its left.

    ``pace`` is the speed, _SLOW at least; accelerations are zero without a motion yet.
    """

    travel: tuple[Array, Array]
    v: Array
    pace: Array
    ahead: Array
    left: Array
    jerk_ahead: Array
    jerk_left: Array


def _travel(streams: Streams, grid: Grid, path: Array | None, t: Array) -> _Travel:
    """The motion at times (M,)."""
    zero = np.zeros(t.size)
    ax = ay = jx = jy = zero
    if path is not None:
        (vx, vy), (ax, ay), (jx, jy) = evaluate(grid, path, t, (1, 2, 3)).transpose(0, 2, 1)
    else:
        half = max(round(0.25 * (streams.t.size - 1) / (streams.t[-1] - streams.t[0])), 1)
        i = np.arange(streams.t.size)
        a, b = np.maximum(i - half, 0), np.minimum(i + half, streams.t.size - 1)
        span = np.maximum(streams.t[b] - streams.t[a], 1e-9)
        vx = np.interp(t, streams.t, (streams.x[b] - streams.x[a]) / span)
        vy = np.interp(t, streams.t, (streams.y[b] - streams.y[a]) / span)
    v = np.hypot(vx, vy)
    ux, uy = vx / np.maximum(v, 1e-6), vy / np.maximum(v, 1e-6)
    return _Travel(
        (ux, uy), v, np.maximum(v, _SLOW), ax * ux + ay * uy, ay * ux - ax * uy, jx * ux + jy * uy, jy * ux - jx * uy
    )
