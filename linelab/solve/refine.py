"""Internal grid of a line for the passes: finer where a lap's time is decided, interpolated smoothly in between.

An apex's sharpest point lies between nodes, and the way out of it starts there.  Steps are therefore a small share of
the length over which the cornering limit rises beside an apex within reach, grow with the distance from it, and stay
at half a metre wherever corners use the grip.  The shares were measured against grids of 20 mm: with them a smooth
lap on nodes 1 m apart is within 0.1 ms of the same lap on nodes 0.1 m apart (tests/physics/test_speed_profile.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.grip import KartNumbers, Surface, drive_power
from linelab.lap import Line
from linelab.solve.reach import Node, cornering_limit, level_node, nodes_on, on_level
from linelab.units import Array

Index = NDArray[np.intp]

#: Longest internal step where corners use the grip, and elsewhere [m].
STEP_CORNER, STEP_STRAIGHT = 0.5, 1.0
#: Shortest internal step [m]; lines with nodes as close as FINE are taken as they are.
STEP_MIN, FINE = 0.06, 0.15
#: Step at an apex over the distance from it at which the limit of v² has doubled, and its growth by distance [-].
APEX_SHARE, APEX_GROWTH = 0.015, 0.4
#: The same for limits that bend upwards without an apex, as where an arc ends, in steps at an apex [-].
FLANK = 3.0
#: Limits of v² so many times above what can be reached touch nothing, and those so many times above are straights [-].
NEAR, IDLE = 1.1, 3.0
#: Speed at which a kart's drive is taken for that, or half its top speed if that is less [m/s].
TYPICAL_SPEED = 15.0


class Grid(NamedTuple):
    """A line subdivided: distance, curvature, limit of v² and coefficients at nodes (M+1,), own nodes' places (N,)."""

    distance: Array
    limit: Array
    node: Node
    own: Index


class Ground(NamedTuple):
    """What many lines have in common: the kart, its node on level ground, whether they are level, and how fast v²
    rises at a typical speed [m/s²]."""

    kart: KartNumbers
    node: Node
    level: bool
    gain: float


def ground_under(lines: Sequence[Line], kart: KartNumbers) -> Ground:
    """Level where all lines are flat, on the same grip throughout."""
    grip = lines[0].grip[0]
    level = all(
        not (line.slope.any() or line.bank.any() or line.vertical_curvature.any()) and bool((line.grip == grip).all())
        for line in lines
    )
    node = level_node(kart, float(grip) if level else float(np.mean([line.grip.mean() for line in lines])))
    typical = min(0.5 * float(kart.top_speed), TYPICAL_SPEED)
    push = float(drive_power(kart, typical)) / (typical * float(kart.mass) * float(kart.inertia))
    return Ground(kart, node, level, 2.0 * min(push, node.hold0 * node.drive))


def subdivide(line: Line, ground: Ground) -> Grid:
    """Internal grid of a line."""
    kart, level = ground.kart, ground.level
    gaps = line.distance[1:] - line.distance[:-1]
    counts = _counts(line, gaps, ground)
    own = np.concatenate([[0], np.cumsum(counts)])
    if own[-1] == counts.size:
        distance, kappa = line.distance, line.kappa
        surface = None if level else Surface(line.slope, line.bank, line.vertical_curvature, line.grip)
    else:
        index = np.repeat(np.arange(counts.size), counts)
        u = (np.arange(own[-1]) - own[index]) / counts[index]
        distance, kappa = _blend(line.distance, index, u), _hermite(line.kappa, gaps, line.closed, index, u)
        surface = None if level else _surface_between(line, gaps, index, u)
    node = on_level(ground.node, kappa) if surface is None else nodes_on(kart, kappa, surface)
    return Grid(distance, cornering_limit(node, float(kart.top_speed)), node, own)


def _surface_between(line: Line, gaps: Array, index: Index, u: Array) -> Surface:
    """Surface at fraction ``u`` of interval ``index``: its shape smooth, its grip linear."""
    slope, bank, vertical = (
        _hermite(values, gaps, line.closed, index, u) for values in (line.slope, line.bank, line.vertical_curvature)
    )
    return Surface(slope=slope, bank=bank, vertical_curvature=vertical, grip=_blend(line.grip, index, u))


def _counts(line: Line, gaps: Array, ground: Ground) -> Index:
    """Steps in each of the line's intervals (N-1,), judged as if it were level."""
    if gaps.max() <= FINE:
        return np.ones(gaps.size, dtype=np.intp)
    node = on_level(ground.node, line.kappa)
    limit = cornering_limit(node, float(ground.kart.top_speed))
    resist = node.r0 + limit * (node.r1 + node.r2 * limit)
    roll = gaps * (resist[1:] + resist[:-1])
    loss = 2.0 * (node.hold0 * node.brake + float(resist.max()))
    reachable = _within(limit, line.distance, line.closed, ground.gain, loss)
    size = _bend_sizes(limit, roll, gaps, line.closed)
    size[limit > NEAR * reachable] = np.inf
    wanted = np.where(limit < IDLE * reachable, STEP_CORNER, STEP_STRAIGHT)
    graded = _within(APEX_SHARE * size, line.distance, line.closed, APEX_GROWTH, APEX_GROWTH)
    wanted = np.maximum(np.minimum(wanted, graded), STEP_MIN)
    return np.maximum(np.ceil(gaps / np.minimum(wanted[1:], wanted[:-1]) - 0.1), 1.0).astype(np.intp)


def _within(values: Array, distance: Array, closed: bool, rise: float, fall: float) -> Array:
    """Greatest function below ``values`` (N,) that rises and falls by at most so much a metre along the line."""
    up, down = rise * (distance - distance[0]), fall * (distance[-1] - distance)
    forward = np.minimum.accumulate(values - up) + up
    backward = (np.minimum.accumulate((values - down)[::-1]) + down[::-1])[::-1]
    if closed:
        forward, backward = np.minimum(forward, forward[-1] + up), np.minimum(backward, backward[0] + down)
    return np.asarray(np.minimum(forward, backward))


def _bend_sizes(limit: Array, roll: Array, gaps: Array, closed: bool) -> Array:
    """Distance at which the limit has doubled, by the parabola at each node (N,) [m]; infinite where it bends down.

    FLANK times that where the limit is no local minimum.  A kart that touches the limit rolls, hence slows down: it
    touches where the limit falls as rolling does, and ``roll`` (N-1,) is added to its rise.
    """
    rise = limit[1:] - limit[:-1] + roll
    if closed:
        rise, gaps = np.concatenate([rise[-1:], rise, rise[:1]]), np.concatenate([gaps[-1:], gaps, gaps[:1]])
    here = limit if closed else limit[1:-1]
    before, after, both = rise[:-1], rise[1:], gaps[1:] + gaps[:-1]
    bend = np.maximum((after / gaps[1:] - before / gaps[:-1]) * both, 4e-6 * here)
    size = both * np.sqrt(here / bend)
    size[(before > 0.0) | (after < 0.0)] *= FLANK
    return size if closed else np.concatenate([[np.inf], size, [np.inf]])


def _blend(values: Array, index: Index, u: Array) -> Array:
    """Linear interpolation at fraction ``u`` of interval ``index``, then the last value."""
    return np.append(values[index] + u * (values[index + 1] - values[index]), values[-1])


def _hermite(values: Array, gaps: Array, closed: bool, index: Index, u: Array) -> Array:
    """Cubic Hermite interpolation at fraction ``u`` of interval ``index``, then the last value."""
    slopes = _slopes(values, gaps, closed)
    rise = values[1:] - values[:-1]
    tilt, turn = gaps * slopes[:-1], gaps * slopes[1:]
    square, cube = 3.0 * rise - 2.0 * tilt - turn, tilt + turn - 2.0 * rise
    inner = values[index] + u * (tilt[index] + u * (square[index] + u * cube[index]))
    return np.append(inner, values[-1])


def _slopes(values: Array, gaps: Array, closed: bool) -> Array:
    """Derivative at nodes (N,): of the quartic through five of them, fewer near the ends of an open line."""
    closed = closed and values.size > 3
    if closed:
        values = np.concatenate([values[-3:-1], values, values[1:3]])
        gaps = np.concatenate([gaps[-2:], gaps, gaps[:2]])
    if values.size < 3:
        return np.full(values.size, (values[-1] - values[0]) / gaps.sum())
    first = (values[1:] - values[:-1]) / gaps
    two = gaps[1:] + gaps[:-1]
    middle = (first[:-1] * gaps[1:] + first[1:] * gaps[:-1]) / two
    if values.size >= 5:
        second = (first[1:] - first[:-1]) / two
        three = two[1:] + gaps[:-2]
        third = (second[1:] - second[:-1]) / three
        fourth = (third[1:] - third[:-1]) / (three[1:] + gaps[:-3])
        left, right = gaps[1:-2], gaps[2:-1]
        middle[1:-1] -= left * right * (third[:-1] + fourth * (left + gaps[:-3]))
    return middle[1:-1] if closed else np.concatenate([[first[0]], middle, [first[-1]]])
