"""Iterates of the interior-point method, the Newton steps from them, and how far a step may go between bounds.

See :mod:`linelab.optimum.interior` for the method and its sources.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.geometry.banded import Factor, factorised, solved
from linelab.optimum.assembly import Stages
from linelab.units import Array

#: Bounds are relaxed by this share of their size (Wächter & Biegler 2006, section 3.5).
RELAXED = 1.0e-9
#: Multipliers of bounds stay within this factor of what the barrier asks for (eq. 16).
SPAN = 1.0e10


class Box(NamedTuple):
    """Bounds of v (m,), 0 where there are none, and where there are any."""

    low: Array
    high: Array
    has_low: NDArray[np.bool_]
    has_high: NDArray[np.bool_]

    @property
    def bounds(self) -> int:
        """Number of bounds."""
        return int(np.count_nonzero(self.has_low) + np.count_nonzero(self.has_high))


class Gaps(NamedTuple):
    """Distances of v (m,) to its bounds, 1 where there are none."""

    low: Array
    high: Array


class Duals(NamedTuple):
    """Multipliers (m,) of the lower and of the upper bounds, 0 where there are none; or a step of them."""

    low: Array
    high: Array


def box_of(low: Array, high: Array) -> Box:
    """Bounds (m,), infinite where there are none, relaxed by a hair."""
    has_low, has_high = np.isfinite(low), np.isfinite(high)
    low = np.where(has_low, low, 0.0)
    high = np.where(has_high, high, 0.0)
    return Box(
        np.where(has_low, low - RELAXED * np.maximum(1.0, np.abs(low)), 0.0),
        np.where(has_high, high + RELAXED * np.maximum(1.0, np.abs(high)), 0.0),
        has_low,
        has_high,
    )


def gaps_of(box: Box, v: Array) -> Gaps:
    """Distances to the bounds."""
    return Gaps(np.where(box.has_low, v - box.low, 1.0), np.where(box.has_high, box.high - v, 1.0))


def inside(box: Box, v: Array, push: float, share: float) -> Array:
    """v moved off its bounds by ``push`` (relative to large ones), or by a share of the way to the other (sec. 3.6)."""
    width = np.where(box.has_low & box.has_high, box.high - box.low, np.inf)
    off_low, off_high = (np.minimum(push * np.maximum(1.0, np.abs(b)), share * width) for b in (box.low, box.high))
    least = np.where(box.has_low, box.low + off_low, -np.inf)
    return np.clip(v, least, np.where(box.has_high, box.high - off_high, np.inf))


def central(box: Box, gaps: Gaps, mu: float) -> Duals:
    """Multipliers of the barrier ``mu`` at these distances."""
    return Duals(np.where(box.has_low, mu / gaps.low, 0.0), np.where(box.has_high, mu / gaps.high, 0.0))


def within_span(box: Box, gaps: Gaps, duals: Duals, mu: float) -> Duals:
    """Multipliers kept within SPAN of the barrier's."""
    low, high = central(box, gaps, mu)
    return Duals(np.clip(duals.low, low / SPAN, low * SPAN), np.clip(duals.high, high / SPAN, high * SPAN))


def longest(box: Box, gaps: Gaps, step: Array, tau: float) -> float:
    """Longest share of a step of v that leaves 1 - tau of every distance (eq. 15a); at most 1."""
    closer = max(float(np.max(-step / gaps.low * box.has_low)), float(np.max(step / gaps.high * box.has_high)))
    return 1.0 if closer <= tau else tau / closer


def longest_dual(duals: Duals, step: Duals, tau: float) -> float:
    """Longest share of a step of the multipliers that leaves 1 - tau of each (eq. 15b); at most 1."""
    # where there is no bound neither there is a step
    less = max(float(np.max(-change / np.maximum(value, 1e-300))) for value, change in zip(duals, step))
    return 1.0 if less <= tau else tau / less


def products(gaps: Gaps, duals: Duals) -> tuple[Array, Array]:
    """Complementarity products of the lower and of the upper bounds (m,), 0 where there are none."""
    return gaps.low * duals.low, gaps.high * duals.high


def mean_product(box: Box, gaps: Gaps, duals: Duals) -> float:
    """Mean of the complementarity products."""
    return float(gaps.low @ duals.low + gaps.high @ duals.high) / max(box.bounds, 1)


def recentred(box: Box, v: Array, slopes: Duals, movable: NDArray[np.bool_], mu: float) -> Array:
    """v near where the barrier ``mu`` has it, given the multipliers of a solution nearby.

    A bound whose multiplier exceeds the distance to it is taken as active: there the barrier keeps v off by
    mu/multiplier, here by the root of mu at most.  Only ``movable`` entries are put there; others are moved inside.
    """
    width = np.where(box.has_low & box.has_high, box.high - box.low, np.inf)
    start = np.where(movable, inside(box, v, mu**0.5, 1e-2), inside(box, v, 1e-3, 1e-2))
    gaps = gaps_of(box, v)
    for bound, sign, gap, slope, other, has in (
        (box.low, 1.0, gaps.low, slopes.low, slopes.high, box.has_low),
        (box.high, -1.0, gaps.high, slopes.high, slopes.low, box.has_high),
    ):
        active = movable & has & (slope >= gap) & (slope > other)
        start = np.where(active, bound + sign * np.minimum(mu / np.maximum(slope, mu**0.5), 0.4 * width), start)
    return start


#: Smallest barrier.
LEAST_BARRIER = 5.0e-8
#: In one step the barrier falls no lower than this share of what it was, or this share of the infeasibility if less.
FALL, AHEAD = 0.1, 1.0e-2
#: A step is centred so many times at most, each for a share longer by this factor and this much; products within this
#: factor of the barrier are left alone, and the shares together must gain this much.
CENTRED, LONGER, FARTHER, APART, GAIN = 2, 1.5, 0.3, 10.0, 0.02
#: A fixed row's multiplier counts this much in its own equation (section 3.1: delta_c).
SOFT = 1.0e-9


class Frame(NamedTuple):
    """What stays the same: the problem, the bounds of v = (x, s), and which rows have a slack, or are fixed."""

    stages: Stages
    box: Box
    slack: NDArray[np.bool_]
    unslack: NDArray[np.intp]  #: rows without a slack, few
    fixed: NDArray[np.intp]  #: rows that are fixed, fewer
    free: NDArray[np.intp]  #: rows without any bound
    target: Array  #: what the fixed rows are fixed at (m,)


class Point(NamedTuple):
    """An iterate: v = (x, s), multipliers y of ``g - s`` and of the bounds."""

    v: Array
    y: Array
    duals: Duals


class Local(NamedTuple):
    """Functions at an iterate."""

    f: float
    slope: Array
    miss: Array  #: g - s, or g less what it is fixed at; 0 in rows without bounds
    gaps: Gaps


class Step(NamedTuple):
    v: Array
    y: Array
    duals: Duals


class Aim(NamedTuple):
    """A barrier, what the products of multipliers and distances are to become, over the distances, and the step."""

    mu: float
    shift: Duals
    step: Step


class Newton(NamedTuple):
    """A factored Newton system."""

    frame: Frame
    at: Local
    point: Point
    factor: Factor
    rows: Array  #: weights of the constraint rows in it

    def step(self, miss: Array, push: Array, shift: Duals) -> Step:
        """Step for constraint residuals ``miss``; ``push`` the slope of the barrier, ``shift`` what the products of
        multipliers and distances are to become, over the distances."""
        frame, duals, gaps = self.frame, self.point.duals, self.at.gaps
        n = frame.stages.size
        pull = push[n:] + self.rows * miss
        pull[frame.fixed] += self.point.y[frame.fixed]
        dx = solved(self.factor, -self.at.slope - push[:n] - frame.stages.back(pull))
        along = frame.stages.forward(dx)
        dv = np.concatenate([dx, along + miss])
        dv[n:][frame.unslack] = 0.0
        # where there is no bound both the multiplier and its aim are 0
        change = Duals(shift.low - duals.low * (1.0 + dv / gaps.low), shift.high - duals.high * (1.0 - dv / gaps.high))
        return Step(dv, self.rows * along + pull - self.point.y, change)


class StuckError(Exception):
    """The method does not get on."""


def local_at(frame: Frame, v: Array) -> Local:
    f, slope, g = frame.stages.linear(v[: frame.stages.size])
    return Local(f, slope, residuals(frame, g, v), gaps_of(frame.box, v))


def residuals(frame: Frame, g: Array, v: Array) -> Array:
    miss = g - v[frame.stages.size :]
    miss[frame.unslack] = (g - frame.target)[frame.unslack]
    miss[frame.free] = 0.0
    return miss


class Shift:
    """How much was last added to the Hessian's diagonal to make it positive definite (section 3.1)."""

    def __init__(self) -> None:
        self.last = 0.0

    def factor(self, band: Array, ring: bool) -> Factor:
        """Factor of the band, shifted as little as it takes."""
        shift, found = 0.0, factorised(band, ring)
        while found is None:
            if shift == 0.0:
                shift = 1e-4 if self.last == 0.0 else max(1e-20, self.last / 3.0)
            else:
                shift *= 100.0 if self.last == 0.0 else 8.0
            if not shift < 1e20:
                raise StuckError("the Newton system cannot be made regular")
            moved = band.copy()
            moved[:, 0] += shift
            found = factorised(moved, ring)
        self.last = shift or self.last
        return found


def newton_at(frame: Frame, at: Local, point: Point, shift: Shift) -> Newton:
    stages, n = frame.stages, frame.stages.size
    bend = point.duals.low / at.gaps.low + point.duals.high / at.gaps.high
    rows = bend[n:].copy()  # 0 where there is no bound
    rows[frame.fixed] = 1.0 / SOFT
    band = stages.newton(point.y, rows)
    band[:, 0] += bend[:n]
    return Newton(frame, at, point, shift.factor(band, stages.structure.closed), rows)


def aimed(newton: Newton, mu: float, shift: Duals) -> Aim:
    """The step to given products."""
    return Aim(mu, shift, newton.step(newton.at.miss, shift.high - shift.low, shift))


def predicted(newton: Newton, tau: float, infeasible: float) -> Aim:
    """Barrier by Mehrotra's rule, and a step to it less the products that his predictor leaves over.

    The predictor aims at no barrier at all; the barrier is the cube of the share of complementarity it would leave,
    and its second-order error counts as much as the step it allows.  While the iterate is far from feasible (largest
    error ``infeasible``), the barrier falls by no more than FALL a step: run ahead, it leaves the iterate at a wall.
    """
    frame, point, gaps = newton.frame, newton.point, newton.at.gaps
    none = Duals(np.zeros(point.v.size), np.zeros(point.v.size))
    ahead = newton.step(newton.at.miss, none.low, none)
    share, share_dual = longest(frame.box, gaps, ahead.v, tau), longest_dual(point.duals, ahead.duals, tau)
    before = mean_product(frame.box, gaps, point.duals)
    after = mean_product(
        frame.box,
        Gaps(gaps.low + share * ahead.v, gaps.high - share * ahead.v),
        Duals(*(value + share_dual * change for value, change in zip(point.duals, ahead.duals))),
    )
    slowest = min(FALL * before, AHEAD * infeasible)
    mu = float(np.clip((after / before) ** 3 * before, max(LEAST_BARRIER, slowest), 1e3))
    weight = min(share, share_dual)
    wanted = Duals(
        np.where(frame.box.has_low, (mu - weight * ahead.v * ahead.duals.low) / gaps.low, 0.0),
        np.where(frame.box.has_high, (mu + weight * ahead.v * ahead.duals.high) / gaps.high, 0.0),
    )
    return _centred(newton, aimed(newton, mu, wanted), tau)


def _centred(newton: Newton, aim: Aim, tau: float) -> Aim:
    """A step whose products at the end of a longer share are nearer to the barrier, while that lengthens the share.

    J. Gondzio, "Multiple centrality corrections in a primal-dual method for linear programming", Computational
    Optimization and Applications 6, 1996: a further right-hand side costs a fraction of a factor.
    """
    box, gaps, duals = newton.frame.box, newton.at.gaps, newton.point.duals
    share, share_dual = longest(box, gaps, aim.step.v, tau), longest_dual(duals, aim.step.duals, tau)
    for _ in range(CENTRED):
        far, far_dual = (min(1.0, LONGER * each + FARTHER) for each in (share, share_dual))
        shift = []
        for sign, has, gap, dual, change, before in zip((1.0, -1.0), box[2:], gaps, duals, aim.step.duals, aim.shift):
            product = (gap + sign * far * aim.step.v) * (dual + far_dual * change)
            missing = np.clip(product, aim.mu / APART, aim.mu * APART) - product
            shift.append(np.where(has, before + np.maximum(missing, -aim.mu * APART) / gap, 0.0))
        other = aimed(newton, aim.mu, Duals(*shift))
        longer, longer_dual = longest(box, gaps, other.step.v, tau), longest_dual(duals, other.step.duals, tau)
        if longer + longer_dual < share + share_dual + GAIN:
            break
        aim, share, share_dual = other, longer, longer_dual
    return aim
