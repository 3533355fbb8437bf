"""Unknowns between bounds: distances, the interior, and how far a step may go; for :mod:`linelab.solve.interior`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

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
    share = 1.0
    for value, change in zip(duals, step):
        falling = change < 0.0
        share = min(share, float(np.min(-tau * value[falling] / change[falling], initial=1.0)))
    return share


def products(box: Box, gaps: Gaps, duals: Duals) -> Array:
    """Complementarity products of all bounds (k,)."""
    return np.concatenate([(gaps.low * duals.low)[box.has_low], (gaps.high * duals.high)[box.has_high]])


def mean_product(box: Box, gaps: Gaps, duals: Duals) -> float:
    """Mean of :func:`products`; multipliers that are missing are 0."""
    count = int(box.has_low.sum() + box.has_high.sum())
    return float(gaps.low @ duals.low + gaps.high @ duals.high) / max(count, 1)


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
