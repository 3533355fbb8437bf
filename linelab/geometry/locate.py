"""Where things drawn on a map lie along a track.

Neighbouring stretches pass within 1.5 m of each other and tracks cross themselves, so a single point is never
matched by nearness alone: the points of one thing (a kerb, a grip zone) are placed together, along the chain of
stations that jumps least from point to point.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple, Protocol

import numpy as np
import shapely
from numpy.typing import NDArray

from linelab.geometry.curve import Curve, curve_at
from linelab.units import Array

#: Weight of one metre off the wanted offset against one metre of jump along the track in :func:`locate`.
OFFSET_WEIGHT = 3.0


class Placed(NamedTuple):
    """Stations [m], unwrapped along the chain, and offsets [m], positive left, of the points of one thing (K,)."""

    s: Array
    n: Array


class Road(Protocol):
    """What :func:`locate` needs of a track: the reference line and the distances to its edges, (N,) [m]."""

    @property
    def reference(self) -> Curve: ...
    @property
    def w_left(self) -> Array: ...
    @property
    def w_right(self) -> Array: ...


def locate(road: Road, x: Array, y: Array, *, margin: float, side: float = 0.0) -> Placed | None:
    """Place the points of one thing on the track.

    Parameters
    ----------
    road : Road
    x, y : (K,) array
        The points in drawing order [m].
    margin : float
        How far beyond an edge a point may lie [m].
    side : float
        1 prefers places along the left edge, -1 along the right edge, 0 has no preference.

    Returns
    -------
    Placed or None
        None where a point has no place within ``margin`` of the track.
    """
    length = road.reference.length if road.reference.closed else np.inf
    if not len(x):
        return None
    point, s, n = _candidates(road, np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64), margin)
    cuts = np.searchsorted(point, np.arange(1, len(x)))
    stations, offsets, costs = (np.split(each, cuts) for each in (s, n, OFFSET_WEIGHT * _off_edge(road, s, n, side)))
    if any(each.size == 0 for each in stations):
        return None
    total, back = costs[0], []
    for before, here, cost in zip(stations, stations[1:], costs[1:]):
        jump = np.abs(_wrapped(here[:, None] - before[None, :], length)) + total[None, :]
        back.append(np.argmin(jump, axis=1))
        total = jump.min(axis=1) + cost
    chain = [int(np.argmin(total))]
    for link in reversed(back):
        chain.append(int(link[chain[-1]]))
    chain.reverse()
    s, n = (np.array([each[k] for each, k in zip(choices, chain)]) for choices in (stations, offsets))
    return Placed(s[0] + np.concatenate(([0.0], np.cumsum(_wrapped(np.diff(s), length)))), n)


def _wrapped(step: Array, length: float) -> Array:
    """Shortest way from one station to another on a closed track."""
    return step if np.isinf(length) else np.mod(step + length / 2.0, length) - length / 2.0


def _off_edge(road: Road, s: Array, n: Array, side: float) -> Array:
    """Distance from the wanted edge [m], or zeros."""
    if side == 0.0:
        return np.zeros_like(n)
    width = np.interp(s, road.reference.s, road.w_left if side > 0.0 else road.w_right)
    return np.asarray(np.abs(n - np.sign(side) * width))


def _candidates(road: Road, x: Array, y: Array, margin: float) -> tuple[NDArray[np.intp], Array, Array]:
    """Every (s, n) whose normal passes through a point within ``margin`` of the road, and which one, in order (M,)."""
    line, last = road.reference, road.reference.s.size - 1
    reach = float(max(road.w_left.max(), road.w_right.max())) + 2.0 * margin + line.step
    point, a = _tree(line).query(shapely.points(x, y), predicate="dwithin", distance=reach)

    def seen_from(index: NDArray[np.intp]) -> tuple[Array, NDArray[np.bool_]]:
        dx, dy, psi = x[point] - line.x[index], y[point] - line.y[index], line.psi[index]
        cos, sin = np.cos(psi), np.sin(psi)
        offset = dy * cos - dx * sin
        inside = (offset <= road.w_left[index] + margin) & (offset >= -road.w_right[index] - margin)
        return dx * cos + dy * sin, inside

    b = np.minimum(a + 1, last)
    (ahead, inside), (ahead_b, inside_b) = seen_from(a), seen_from(b)
    between = (a < last) & (ahead >= 0.0) & (ahead_b < 0.0) & (inside | inside_b)
    beyond = np.where(a == 0, -ahead, np.where(a == last, ahead, -1.0))
    found = between | (inside & (beyond >= 0.0) & (beyond <= margin) & (not line.closed))
    share = np.where(between, ahead / np.where(between, ahead - ahead_b, 1.0), 0.0)[found]
    point, s = point[found], line.s[a[found]] + line.step * share
    at = curve_at(line, s)
    dx, dy = x[point] - at.x, y[point] - at.y
    n = dy * np.cos(at.psi) - dx * np.sin(at.psi)
    scale = 1.0 - n * at.kappa
    s = s + np.where(scale > 0.05, (dx * np.cos(at.psi) + dy * np.sin(at.psi)) / np.maximum(scale, 0.05), 0.0)
    s = np.mod(s, line.length) if line.closed else np.clip(s, 0.0, line.length)
    order = np.lexsort((s, point))
    return point[order], s[order], n[order]


@lru_cache(maxsize=4)
def _tree(line: Curve) -> shapely.STRtree:
    """The stations of a curve."""
    return shapely.STRtree(shapely.points(line.x, line.y))


def crossing(
    ends: tuple[tuple[float, float], tuple[float, float]], left: Array, right: Array, *, closed: bool
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Where a line drawn across the track meets its left and right edge.

    The line may fall short of an edge by half its length or reach beyond it, across a neighbouring stretch; of
    all pairs of meeting points the one that fits the drawn line best is taken.

    Parameters
    ----------
    ends : ((x, y), (x, y))
        The line as drawn, either end first [m].
    left, right : (M, 2) array
        The edges [m]; closed ones do not repeat the first point.
    closed : bool

    Returns
    -------
    ((x, y), (x, y)) or None
        Points on the left and on the right edge [m]; None when the line misses an edge.
    """
    start, stop = np.asarray(ends[0]), np.asarray(ends[1])
    t_left, t_right = (_cuts(start, stop, edge, closed) for edge in (left, right))
    if t_left.size == 0 or t_right.size == 0:
        return None
    a, b = t_left[:, None], t_right[None, :]
    misfit = np.abs(0.5 * (a + b) - 0.5) + 0.5 * np.abs(np.abs(a - b) - 1.0)
    i, j = np.unravel_index(int(np.argmin(misfit)), misfit.shape)
    p, q = (start + t * (stop - start) for t in (float(t_left[i]), float(t_right[j])))
    return (float(p[0]), float(p[1])), (float(q[0]), float(q[1]))


def _cuts(start: Array, stop: Array, edge: Array, closed: bool) -> Array:
    """Positions along start-stop (0 to 1, extended by a half either way) where it meets a polyline."""
    path, ahead = np.vstack((edge, edge[:1])) if closed else edge, stop - start
    drawn = shapely.LineString([start - 0.5 * ahead, stop + 0.5 * ahead])
    places = shapely.get_coordinates(shapely.intersection(drawn, shapely.LineString(path)))
    return np.asarray((places - start) @ ahead / max(float(ahead @ ahead), 1e-18))


#: Points farther outside than this are of a pit lane or a spin [m], and beyond the second the shift is pulled evenly.
FAR_OUTSIDE, _EVEN = 8.0, 1.5
#: Weight of the shift itself beside that of a point outside [-]: it decides only between shifts that fit alike.
_PULL = 1e-4
#: How far the road's outline may be simplified, since every point is held against all of it [m].
_FINE = 0.02
#: Starts of the search about the given one [m], and the points that are looked at.
_STARTS, _LOOKED_AT = (-4.0, 0.0, 4.0), 1500


class Shifted(NamedTuple):
    """A shift (2,) [m], and the shares of points more than ``margin`` inside no edge, before it and after it."""

    shift: Array
    outside_before: float
    outside_after: float


def shift_onto_road(road: Road, points: Array, *, start: Array, margin: float) -> Shifted:
    """The shift of all points together by which they lie between a road's edges.

    Least squares of the distances outside, by Gauss-Newton from several starts; distances count linearly beyond a
    metre or two (Huber), and not at all where they are far outside.  Of shifts that fit alike the smallest is taken.

    Parameters
    ----------
    road : Road
    points : (K, 2) array
        Where karts drove, the middle of each [m].
    start : (2,) array
        Where the search begins [m].
    margin : float
        How far inside the edges the points are to lie [m]: half a kart.

    Returns
    -------
    Shifted

    References
    ----------
    P. J. Huber (1964), Robust estimation of a location parameter, Ann. Math. Statist. 35(1), 73-101.
    """
    held = road_within(road, margin)
    shapely.prepare(held)
    looked_at = points[:: max(1, len(points) // _LOOKED_AT)]
    tries = [start + np.array([dx, dy]) for dx in _STARTS for dy in _STARTS]
    best = min((_descended(held, looked_at, begin) for begin in tries), key=lambda found: found[1])[0]
    shares = [float((shapely.distance(held, shapely.points(points + at)) > 0.0).mean()) for at in (np.zeros(2), best)]
    return Shifted(best, *shares)


def road_within(road: Road, margin: float) -> shapely.Geometry:
    """The road's surface without a strip along each edge [m], also where it crosses itself."""
    line = road.reference
    left, right = np.maximum(road.w_left - margin, 0.05), np.maximum(road.w_right - margin, 0.05)
    sides = [np.column_stack([line.x - n * np.sin(line.psi), line.y + n * np.cos(line.psi)]) for n in (left, -right)]
    rings = np.stack([sides[0][:-1], sides[0][1:], sides[1][1:], sides[1][:-1]], axis=1)
    return shapely.simplify(shapely.union_all(shapely.make_valid(shapely.polygons(rings))), _FINE)


def _descended(held: shapely.Geometry, points: Array, begin: Array) -> tuple[Array, float]:
    """A shift that cannot be made better by small changes, and its cost a point."""

    def cost(shift: Array) -> tuple[float, Array, Array]:
        moved = points + shift
        ways = shapely.get_coordinates(shapely.shortest_line(shapely.points(moved), held)).reshape(-1, 2, 2)
        way = ways[:, 1] - ways[:, 0]
        off = np.hypot(*way.T)
        each = np.where(off <= _EVEN, off**2, 2.0 * _EVEN * off - _EVEN**2)
        most = 2.0 * _EVEN * FAR_OUTSIDE - _EVEN**2
        return float(np.minimum(each, most).mean() + _PULL * shift @ shift), way, off

    shift = begin.astype(np.float64)
    value, way, off = cost(shift)
    for _ in range(40):
        counted = (off > 1e-6) & (off < FAR_OUTSIDE)
        ahead = way[counted] / off[counted, None]
        weight = np.minimum(1.0, _EVEN / off[counted]) / len(points)
        matrix = np.einsum("k,ki,kj->ij", weight, ahead, ahead) + _PULL * np.eye(2)
        step = np.linalg.solve(matrix, (weight * off[counted]) @ ahead - _PULL * shift)
        for share in (1.0, 0.5, 0.2, 0.05):
            trial = cost(shift + share * step)
            if trial[0] < value:
                break
        else:
            break
        shift, (value, way, off) = shift + share * step, trial
        if share * float(np.hypot(*step)) < 1e-3:
            break
    return shift, value
