"""Internal grid of a line for the passes: finer where a lap's time is decided, interpolated smoothly in between.

An apex's sharpest point lies between nodes, and the way out of it starts there.  Steps are therefore a small share of
the length over which the cornering limit rises beside an apex within reach, grow with the distance from it, and stay
at half a metre wherever corners use the grip.  The shares were measured against grids of 20 mm: with them a smooth
lap on nodes 1 m apart is within 0.1 ms of the same lap on nodes 0.1 m apart (tests/speed/test_profile.py).

Integrals over the steps of a grid are by three-point Gauss-Legendre quadrature, of fifth order.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.model.grip import KartNumbers, Surface, drive_power
from linelab.model.lap import Line
from linelab.speed.step import Node, cornering_limit, level_node, nodes_on, on_level
from linelab.units import Array

Index = NDArray[np.intp]

#: Longest internal step where corners use the grip, and elsewhere [m].
STEP_CORNER, STEP_STRAIGHT = 0.5, 1.0
#: Shortest internal step [m]; lines with nodes as close as FINE are taken as they are.
STEP_MIN, FINE = 0.06, 0.25
#: Step at an apex over the distance from it at which the limit of v² has doubled, and its growth by distance [-].
APEX_SHARE, APEX_GROWTH = 0.015, 0.4
#: The same for limits that bend upwards without an apex, as where an arc ends, in steps at an apex [-].
FLANK = 3.0
#: Limits of v² so many times above what can be reached touch nothing, and those so many times above are straights [-].
NEAR, IDLE = 1.1, 3.0
#: Slope that is left to a node beside a jump, as a share of its value over the interval: the cubic passes the value by
#: at most 0.3 % of it, and sharp bends keep the accuracy that they have on nodes 1 m apart [-].
SPARE = 0.02
#: Speed at which a kart's drive is taken for that, or half its top speed if that is less [m/s].
TYPICAL_SPEED = 15.0


class Grids(NamedTuple):
    """Lines of N nodes each, subdivided, one after the other."""

    starts: Index  #: place of each line's first node, and where another would begin (L+1,)
    own: Index  #: places of its own nodes, counted from its first (L, N)
    distance: Array  #: [m], as all below (sum of the lines' M+1 nodes,)
    limit: Array  #: of v² [m²/s²]
    node: Node  #: fields are arrays, numbers where all nodes are alike, or None


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


def subdivide(lines: Sequence[Line], ground: Ground) -> Grids:
    """Internal grids of lines with the same number of nodes, all open or all closed."""
    closed = lines[0].closed
    names = ("distance", "kappa") if ground.level else ("distance", "kappa", *Surface._fields)
    rows = {name: np.array([getattr(line, name) for line in lines]) for name in names}
    distance, kappa = rows["distance"], rows["kappa"]
    gaps = distance[:, 1:] - distance[:, :-1]
    counts = np.ones(distance.shape, dtype=np.intp)  # each line's last node is an interval of its own, of no length
    counts[:, :-1] = _counts(distance, gaps, kappa, closed, ground)
    places = np.concatenate([[0], np.cumsum(counts)])
    starts = places[:: distance.shape[1]]
    own = places[:-1].reshape(distance.shape) - starts[:-1, None]
    if places[-1] == counts.size:
        between = {name: values.ravel() for name, values in rows.items()}
    else:
        at = _Inside.of(places, counts)
        between = {
            name: at.linear(values) if name in ("distance", "grip") else at.smooth(values, gaps, closed)
            for name, values in rows.items()
        }
    if ground.level:
        node = on_level(ground.node, between["kappa"])
    else:
        node = nodes_on(ground.kart, between["kappa"], Surface(*(between[name] for name in Surface._fields)))
    return Grids(starts, own, between["distance"], cornering_limit(node, float(ground.kart.top_speed)), node)


class _Inside(NamedTuple):
    """Nodes inside intervals: the interval's place among those of all lines, and the fraction of it passed."""

    places: Index
    u: Array

    @classmethod
    def of(cls, places: Index, counts: Index) -> _Inside:
        inside = np.repeat(np.arange(counts.size), counts.ravel())
        return cls(inside, (np.arange(inside.size) - places[inside]) / counts.ravel()[inside])

    def linear(self, values: Array) -> Array:
        """Linear interpolation of values (L, N)."""
        rise = _ended(values[:, 1:] - values[:, :-1])
        return np.asarray(values.ravel()[self.places] + self.u * rise[self.places])

    def smooth(self, values: Array, gaps: Array, closed: bool) -> Array:
        """Cubic Hermite interpolation of values (L, N)."""
        slopes = _slopes(values, gaps, closed)
        rise = values[:, 1:] - values[:, :-1]
        tilt, turn = gaps * slopes[:, :-1], gaps * slopes[:, 1:]
        square, cube = 3.0 * rise - 2.0 * tilt - turn, tilt + turn - 2.0 * rise
        at, u = self.places, self.u
        tilt, square, cube = (_ended(each)[at] for each in (tilt, square, cube))
        return np.asarray(values.ravel()[at] + u * (tilt + u * (square + u * cube)))


def _ended(values: Array) -> Array:
    """Values of intervals (L, N-1) with a zero after each line's last, in one row."""
    return np.concatenate([values, np.zeros((values.shape[0], 1))], axis=1).ravel()


def _counts(distance: Array, gaps: Array, kappa: Array, closed: bool, ground: Ground) -> Index:
    """Steps in each of the lines' intervals (L, N-1), judged as if they were level."""
    fine = gaps.max(axis=1) <= FINE
    if fine.all():
        return np.ones(gaps.shape, dtype=np.intp)
    node = on_level(ground.node, kappa)
    limit = cornering_limit(node, float(ground.kart.top_speed))
    resist = node.r0 + limit * (node.r1 + node.r2 * limit)
    roll = gaps * (resist[:, 1:] + resist[:, :-1])
    loss = 2.0 * (node.hold0 * node.brake + resist.max(axis=1, keepdims=True))
    reachable = _within(limit, distance, closed, ground.gain, loss)
    size = _bend_sizes(limit, roll, gaps, closed)
    size[limit > NEAR * reachable] = np.inf
    wanted = np.where(limit < IDLE * reachable, STEP_CORNER, STEP_STRAIGHT)
    graded = _within(APEX_SHARE * size, distance, closed, APEX_GROWTH, APEX_GROWTH)
    wanted = np.maximum(np.minimum(wanted, graded), STEP_MIN)
    counts = np.maximum(np.ceil(gaps / np.minimum(wanted[:, 1:], wanted[:, :-1]) - 0.1), 1.0).astype(np.intp)
    counts[fine] = 1
    return counts


def _within(values: Array, distance: Array, closed: bool, rise: Array | float, fall: Array | float) -> Array:
    """Greatest function below ``values`` (L, N) that rises and falls by at most so much a metre along each line."""
    up, down = rise * (distance - distance[:, :1]), fall * (distance[:, -1:] - distance)
    forward = np.minimum.accumulate(values - up, axis=1) + up
    backward = np.minimum.accumulate((values - down)[:, ::-1], axis=1)[:, ::-1] + down
    if closed:
        forward, backward = np.minimum(forward, forward[:, -1:] + up), np.minimum(backward, backward[:, :1] + down)
    return np.asarray(np.minimum(forward, backward))


def _bend_sizes(limit: Array, roll: Array, gaps: Array, closed: bool) -> Array:
    """Distance at which the limit has doubled, by the parabola at each node (L, N) [m]; infinite where it bends down.

    A kart that touches the limit rolls, hence slows down: it touches where the limit falls as rolling does, and
    ``roll`` (L, N-1) is added to its rise.
    """
    rise = limit[:, 1:] - limit[:, :-1] + roll
    if closed:
        rise, gaps = _wrapped(rise, 1), _wrapped(gaps, 1)
    here = limit if closed else limit[:, 1:-1]
    before, after, both = rise[:, :-1], rise[:, 1:], gaps[:, 1:] + gaps[:, :-1]
    bend = np.maximum((after / gaps[:, 1:] - before / gaps[:, :-1]) * both, 4e-6 * here)
    size = both * np.sqrt(here / bend)
    size[(before > 0.0) | (after < 0.0)] *= FLANK
    if closed:
        return np.asarray(size)
    ends = np.full((limit.shape[0], 1), np.inf)
    return np.concatenate([ends, size, ends], axis=1)


def _wrapped(intervals: Array, count: int) -> Array:
    """Values of closed lines' intervals (L, N-1) with ``count`` more from beyond either end."""
    return np.concatenate([intervals[:, -count:], intervals, intervals[:, :count]], axis=1)


def _slopes(values: Array, gaps: Array, closed: bool) -> Array:
    """Derivative at nodes (L, N): of the quartic through five of them, fewer near the ends of an open line.

    Limited where values jump: beyond a step in curvature the quartic would make a corner tighter than there is.
    """
    closed = closed and values.shape[1] > 3
    if closed:
        values = np.concatenate([values[:, -3:-1], values, values[:, 1:3]], axis=1)
        gaps = _wrapped(gaps, 2)
    first = (values[:, 1:] - values[:, :-1]) / gaps
    if values.shape[1] < 3:
        return np.concatenate([first, first], axis=1)
    two = gaps[:, 1:] + gaps[:, :-1]
    middle = (first[:, :-1] * gaps[:, 1:] + first[:, 1:] * gaps[:, :-1]) / two
    if values.shape[1] >= 5:
        second = (first[:, 1:] - first[:, :-1]) / two
        three = two[:, 1:] + gaps[:, :-2]
        third = (second[:, 1:] - second[:, :-1]) / three
        fourth = (third[:, 1:] - third[:, :-1]) / (three[:, 1:] + gaps[:, :-3])
        left, right = gaps[:, 1:-2], gaps[:, 2:-1]
        middle[:, 1:-1] -= left * right * (third[:, :-1] + fourth * (left + gaps[:, :-3]))
    middle = _without_overshoot(values, middle, first, gaps)
    return middle[:, 1:-1] if closed else np.concatenate([first[:, :1], middle, first[:, -1:]], axis=1)


def _without_overshoot(values: Array, slopes: Array, first: Array, gaps: Array) -> Array:
    """Slopes at inner nodes (L, N-2) that keep a cubic between its nodes' values (L, N) where these jump; ``first`` are
    the divided differences over the intervals (L, N-1).

    Smooth values keep theirs, at peaks too (H. T. Huynh, "Accurate monotone cubic interpolation", SIAM J. Numer. Anal.
    30, 1993: his limiter M3; cited from memory).
    """
    before, after = first[:, :-1], first[:, 1:]
    second = (after - before) / (gaps[:, 1:] + gaps[:, :-1])
    bend = np.concatenate([second[:, :1], _lesser(second[:, :-1], second[:, 1:]), second[:, -1:]], axis=1)
    seen = _lesser(before + bend[:, :-1] * gaps[:, :-1], after - bend[:, 1:] * gaps[:, 1:])
    most = np.maximum(3.0 * np.abs(_lesser(before, after)), 1.5 * np.abs(seen))
    kept = _lesser(slopes, np.copysign(most, seen))
    spare = SPARE * np.abs(values[:, 1:-1]) / np.maximum(gaps[:, 1:], gaps[:, :-1])
    return np.asarray(kept + np.clip(slopes - kept, -spare, spare))


def _lesser(one: Array, other: Array) -> Array:
    """The one nearer to zero, zero where their signs differ."""
    least = np.minimum(np.abs(one), np.abs(other))
    return np.asarray(np.where(one * other > 0.0, np.copysign(least, one), 0.0))


#: Where a step is sampled, as shares of it, and what the samples weigh.
POINTS = np.array([0.5 - np.sqrt(0.15), 0.5, 0.5 + np.sqrt(0.15)])
WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0


def between(grid: Array) -> Array:
    """Sample points inside each step of a grid (M,): (M-1, 3)."""
    return np.asarray(grid[:-1, None] + np.diff(grid)[:, None] * POINTS)


def integrated(grid: Array, rates: Array) -> Array:
    """Running integral (M,) of rates (M-1, 3) given at :func:`between`."""
    return np.concatenate([[0.0], np.cumsum(np.diff(grid) * (rates @ WEIGHTS))])
