"""Edges as handed in: cleaned, checked, and walked by arc length.

Edges from a centre line and widths.

An offset further than the radius of a bend folds back over itself.  The folded loop is cut off where the offset
crosses itself, which leaves a sharp vertex.  Everything is done along the line, a few widths either way, so that
other stretches close by, or a track that crosses itself, do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linelab.errors import TrackError
from linelab.units import Array

#: Points closer together than this are one point [m].
SAME_POINT = 1e-3

#: Edges shorter than this are not a track; longitude and latitude in degrees end up here [m].
SHORTEST_EDGE = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edge:
    """One edge as a polyline with its arc length.

    ``xy`` is (M, 2) [m], ``z`` (M,) [m] or None; on a closed edge the first point is repeated at the end.
    ``arc`` is (M,), increasing from 0 [m]; ``name`` is "left edge" or "right edge".
    """

    name: str
    xy: Array
    z: Array | None
    arc: Array
    closed: bool

    @property
    def length(self) -> float:
        """Length along the edge [m]."""
        return float(self.arc[-1])

    def at(self, arc: Array) -> Array:
        """Points (K, 2) at arc lengths (K,), wrapped on a closed edge, held at the ends of an open one [m]."""
        where = np.mod(arc, self.length) if self.closed else arc
        return np.column_stack([np.interp(where, self.arc, self.xy[:, i]) for i in (0, 1)])

    def height_at(self, arc: Array) -> Array:
        """Elevation (K,) at arc lengths (K,) [m]; zeros when the edge has none."""
        if self.z is None:
            return np.zeros_like(arc)
        where = np.mod(arc, self.length) if self.closed else arc
        return np.interp(where, self.arc, self.z)


def make_edge(name: str, points: ArrayLike, *, closed: bool) -> Edge:
    """Check one edge and build it.

    Parameters
    ----------
    name : str
        "left edge" or "right edge", for messages.
    points : (M, 2) or (M, 3) array
        East, north and optionally up [m], in driving order.
    closed : bool

    Raises
    ------
    TrackError
        Not a list of points, values that are not finite, too few points, ends far apart on a closed edge.
    """
    array = _as_points(name, points)
    _check_length(name, array)
    array = _without_repeats(array, closed=closed)
    least = 3 if closed else 2
    if array.shape[0] < least:
        raise TrackError(
            f"{array.shape[0]} distinct point(s), at least {least} are needed",
            where=name,
            remedy="Draw or walk the whole edge",
        )
    if closed:
        _check_gap(name, array)
        array = np.vstack([array, array[:1]])
    xy = np.ascontiguousarray(array[:, :2])
    arc = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    z = np.ascontiguousarray(array[:, 2]) if array.shape[1] == 3 else None
    return Edge(name=name, xy=xy, z=z, arc=arc, closed=closed)


def _as_points(name: str, points: ArrayLike) -> Array:
    """Return a (M, 2|3) float array or raise TrackError naming the vertex (counted from 1)."""
    try:
        array = np.array(points, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise TrackError(
            "not a list of numbers", where=name, remedy="Give one x, y (and z) in metres a point"
        ) from error
    if array.ndim != 2 or array.shape[1] not in (2, 3):
        raise TrackError(
            f"array has shape {array.shape}", where=name, remedy="Give one row a point: x, y and optionally z in metres"
        )
    if array.shape[1] == 3 and np.isnan(array[:, 2]).all():
        array = array[:, :2]
    bad = ~np.isfinite(array).all(axis=1)
    if bad.any():
        vertex = int(np.argmax(bad)) + 1
        raise TrackError(
            "a coordinate is not a finite number",
            where=f"{name}, vertex {vertex}",
            remedy="Remove or repair that point",
        )
    return array


def _without_repeats(array: Array, *, closed: bool) -> Array:
    """Drop points that repeat their predecessor, and a closing point that repeats the first."""
    if array.shape[0] < 2:
        return array
    keep = np.ones(array.shape[0], dtype=bool)
    keep[1:] = np.hypot(*np.diff(array[:, :2], axis=0).T) > SAME_POINT
    array = array[keep]
    while closed and array.shape[0] > 1 and np.hypot(*(array[-1, :2] - array[0, :2])) <= SAME_POINT:
        array = array[:-1]
    return array


def _check_length(name: str, array: Array) -> None:
    """Refuse several points that span next to nothing."""
    length = float(np.hypot(*np.diff(array[:, :2], axis=0).T).sum())
    if array.shape[0] > 2 and length < SHORTEST_EDGE:
        raise TrackError(
            f"only {length:.3g} m long",
            where=name,
            remedy="Edges are in metres: project longitude and latitude first, and check the unit",
        )


def _check_gap(name: str, array: Array) -> None:
    """Refuse a closed edge whose ends lie far apart compared with its point spacing."""
    spacing = np.hypot(*np.diff(array[:, :2], axis=0).T)
    gap = float(np.hypot(*(array[-1, :2] - array[0, :2])))
    if gap > max(5.0, 3.0 * float(spacing.max())):
        raise TrackError(
            f"its ends are {gap:.1f} m apart, but the track is declared closed",
            where=name,
            remedy="Finish the lap, or declare the track open",
        )


def signed_area(left: Edge, right: Edge) -> float:
    """Area between the edges [m²], positive when left lies left.

    Offsetting a closed curve of length L by w to its right adds w L (plus a term in w²) to its signed area, however
    often it crosses itself (Steiner's formula for parallel curves), so the difference of the two signed areas is the
    area of the road.  For an open road the polygon left edge, right edge backwards gives the same.
    """
    if left.closed:
        return _shoelace(right.xy) - _shoelace(left.xy)
    return -_shoelace(np.vstack([left.xy, right.xy[::-1], left.xy[:1]]))


def _shoelace(ring: Array) -> float:
    """Signed area of a ring whose last point repeats the first [m²]."""
    x, y = (ring - ring[0]).T
    return 0.5 * float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


Index = NDArray[np.intp]


def edges_from_centre(centre: ArrayLike, w_left: ArrayLike, w_right: ArrayLike, *, closed: bool) -> tuple[Array, Array]:
    """Left and right edge of a road given by its centre line.

    Parameters
    ----------
    centre : (M, 2|3) array
        Centre line in driving order, east, north and optionally up [m].
    w_left, w_right : (M,) array or float
        Distance from the centre line to each edge [m].
    closed : bool

    Returns
    -------
    left, right : (K, 2|3), (L, 2|3) array
        Edges [m]; a closed one does not repeat its first point.

    Raises
    ------
    TrackError
        Unusable points or widths (with the vertex), or an edge that folds over itself for longer than a bend.
    """
    array = np.array(centre, dtype=np.float64)
    count = array.shape[0] if array.ndim == 2 else 0
    widths = [_checked_width(name, value, count) for name, value in (("w_left", w_left), ("w_right", w_right))]
    line = make_edge("centre line", array, closed=closed)
    columns = _on_distinct_points(line, array, widths)
    points, height, left, right = _densify(line, columns)
    normal = _normals(points, closed)
    edges = []
    for name, side, width in (("left edge", 1.0, left), ("right edge", -1.0, right)):
        offset = points + side * width[:, None] * normal
        keep, extra = _unfold(offset, points, float(np.max(width)), closed, name)
        edges.append(_assemble(offset, height, keep, extra))
    return edges[0], edges[1]


def _checked_width(name: str, value: ArrayLike, count: int) -> Array:
    """A width (M,), positive and finite."""
    width = np.array(value, dtype=np.float64)
    if width.ndim == 0:
        width = np.full(max(count, 1), float(width))
    if width.shape != (count,):
        raise TrackError(
            f"{width.size} widths for {count} points", where=f"centre line, {name}", remedy="Give one width a point"
        )
    bad = ~(np.isfinite(width) & (width > 0.0))
    if bad.any():
        vertex = int(np.argmax(bad))
        raise TrackError(
            f"width {width[vertex]:g} m is not a positive number",
            where=f"centre line, {name}, vertex {vertex + 1}",
            remedy="Correct that width",
        )
    return width


def _on_distinct_points(line: Edge, array: Array, widths: list[Array]) -> Array:
    """Columns left, right at the points that :func:`make_edge` kept (first repeated when closed)."""
    index = np.flatnonzero(np.concatenate([[True], np.hypot(*np.diff(array[:, :2], axis=0).T) > 1e-3]))[
        : line.arc.size - (1 if line.closed else 0)
    ]
    both = np.column_stack(widths)[index]
    return np.vstack([both, both[:1]]) if line.closed else both


def _densify(line: Edge, columns: Array) -> tuple[Array, Array | None, Array, Array]:
    """Centre line at about a metre or finer, as a smooth curve through its points, with heights and widths."""
    longest = 1.0
    pieces = np.maximum(np.ceil(np.diff(line.arc) / longest).astype(np.intp), 1)
    segment = np.repeat(np.arange(pieces.size), pieces)
    u = (np.arange(segment.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)) / pieces[segment]
    arc = line.arc[segment] + u * np.diff(line.arc)[segment]
    points = _catmull_rom(line, segment, u)
    if not line.closed:
        arc = np.concatenate([arc, line.arc[-1:]])
        points = np.vstack([points, line.xy[-1:]])
    height = None if line.z is None else line.height_at(arc)
    left, right = (np.interp(arc, line.arc, columns[:, i]) for i in (0, 1))
    return points, height, left, right


def _catmull_rom(line: Edge, segment: Index, u: Array) -> Array:
    """Smooth interpolation: cubic Hermite pieces with slopes from parabolas through three points by chord length.

    (A cubic Catmull-Rom spline with chordal parameters; Barry & Goldman, *A recursive evaluation algorithm for a
    class of Catmull-Rom splines*, SIGGRAPH 1988.)  The slope is a unit vector, so long straights do not bulge.
    """
    xy, chord = line.xy, np.diff(line.arc)
    direction = np.diff(xy, axis=0) / chord[:, None]
    if line.closed:
        before, after = np.vstack([direction[-1:], direction]), np.vstack([direction, direction[:1]])
        h0, h1 = np.concatenate([chord[-1:], chord]), np.concatenate([chord, chord[:1]])
    else:
        before, after = np.vstack([direction[:1], direction]), np.vstack([direction, direction[-1:]])
        h0, h1 = np.concatenate([chord[:1], chord]), np.concatenate([chord, chord[-1:]])
    slope = (before * h1[:, None] + after * h0[:, None]) / (h0 + h1)[:, None]
    slope /= np.maximum(np.hypot(*slope.T), 1e-9)[:, None]
    h = chord[segment][:, None]
    w = u[:, None]
    p0, p1 = xy[:-1][segment], xy[1:][segment]
    m0, m1 = slope[:-1][segment], slope[1:][segment]
    v = 1.0 - w
    return np.asarray(p0 * (1 + 2 * w) * v * v + p1 * w * w * (3 - 2 * w) + h * w * v * (m0 * v - m1 * w))


def _normals(points: Array, closed: bool) -> Array:
    """Left normals (N, 2) of a dense polyline."""
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0) if closed else np.gradient(points, axis=0)
    ahead /= np.maximum(np.hypot(*ahead.T), 1e-12)[:, None]
    return np.column_stack([-ahead[:, 1], ahead[:, 0]])


def _unfold(
    offset: Array, points: Array, width: float, closed: bool, name: str
) -> tuple[NDArray[np.bool_], dict[int, Array]]:
    """Which offset points to keep, and the crossing point to put after kept ones (index -> point (2,))."""
    size = offset.shape[0]
    legs = np.roll(offset, -1, axis=0) - offset
    base = np.roll(points, -1, axis=0) - points
    backwards = np.einsum("ij,ij->i", legs, base) < 0.0
    if not closed:
        backwards[-1] = False
    keep = np.ones(size, dtype=bool)
    extra: dict[int, Array] = {}
    spacing = float(np.mean(np.hypot(*base[: size if closed else -1].T)))
    reach = max(int(np.ceil(6.0 * width / spacing)), 4)
    for begin, end in _runs(backwards, closed, gap=max(int(width / spacing), 1)):
        _cut_loop(offset, points, (begin, end), reach, closed, name, (keep, extra))
    return keep, extra


def _runs(flags: NDArray[np.bool_], closed: bool, gap: int) -> list[tuple[int, int]]:
    """Runs of true legs as (first leg, last leg), joined across gaps of up to ``gap`` legs."""
    index = np.flatnonzero(flags)
    if index.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(index) > gap)
    firsts = index[np.concatenate([[0], breaks + 1])]
    lasts = index[np.concatenate([breaks, [index.size - 1]])]
    runs = list(zip(firsts.tolist(), lasts.tolist()))
    if closed and len(runs) > 1 and runs[0][0] + flags.size - runs[-1][1] <= gap:
        first = runs.pop(0)
        runs[-1] = (runs[-1][0], first[1] + flags.size)
    return runs


def _cut_loop(
    offset: Array,
    points: Array,
    run: tuple[int, int],
    reach: int,
    closed: bool,
    name: str,
    out: tuple[NDArray[np.bool_], dict[int, Array]],
) -> None:
    """Find where the legs before and after a backward run cross, and mark what lies between for removal."""
    size = offset.shape[0]
    keep, extra = out
    begin, end = run
    before = np.arange(begin - 1, begin - 1 - reach, -1)
    after = np.arange(end + 1, end + 1 + reach)
    if closed:
        reach = min(reach, (size - (end - begin) - 2) // 2)
        before, after = before[:reach], after[:reach]
    else:
        before, after = before[before >= 0], after[after < size - 1]
    if before.size == 0 or after.size == 0:
        _drop(keep, begin, end, size)
        return
    p, q = offset[before % size], offset[after % size]
    r = offset[(before + 1) % size] - p
    v = offset[(after + 1) % size] - q
    across = r[:, None, 0] * v[None, :, 1] - r[:, None, 1] * v[None, :, 0]
    dx, dy = q[None, :, 0] - p[:, None, 0], q[None, :, 1] - p[:, None, 1]
    safe = np.where(across == 0.0, 1.0, across)
    t = (dx * v[None, :, 1] - dy * v[None, :, 0]) / safe
    u = (dx * r[:, None, 1] - dy * r[:, None, 0]) / safe
    hit = (across != 0.0) & (t >= 0.0) & (t <= 1.0) & (u >= 0.0) & (u <= 1.0)
    if not hit.any():
        _bridge(offset, points, run, reach // 3, name, keep)
        return
    # The outermost crossing removes loops within the loop as well.
    outwards = np.add.outer(np.arange(before.size), np.arange(after.size))
    i, j = np.unravel_index(int(np.argmax(np.where(hit, outwards, -1))), hit.shape)
    first, last = int(before[i]), int(after[j])
    _drop(keep, first, last, size)
    extra[first % size] = p[i] + t[i, j] * r[i]


def _bridge(offset: Array, points: Array, run: tuple[int, int], most: int, name: str, keep: NDArray[np.bool_]) -> None:
    """Cut a backward step that is no loop (a change of width in a bend): drop points until the gap runs forwards."""
    size = offset.shape[0]
    begin, end = run
    for _ in range(max(most, 1)):
        leg = offset[(end + 1) % size] - offset[begin % size]
        base = points[(end + 1) % size] - points[begin % size]
        if leg @ base > 0.0:
            _drop(keep, begin, end, size)
            return
        begin, end = begin - 1, end + 1
    raise TrackError(
        "the centre line bends so tightly for its width that the edge folds over itself beyond the bend",
        where=f"{name}, near ({offset[begin % size, 0]:.1f}, {offset[begin % size, 1]:.1f})",
        remedy="Smooth the centre line there or give the two edges instead",
    )


def _drop(keep: NDArray[np.bool_], first: int, last: int, size: int) -> None:
    """Remove points first + 1 .. last."""
    keep[np.arange(first + 1, last + 1) % size] = False


def _assemble(offset: Array, height: Array | None, keep: NDArray[np.bool_], extra: dict[int, Array]) -> Array:
    """The kept points with the crossing points in their places."""
    full = offset if height is None else np.column_stack([offset, height])
    if not extra:
        return np.asarray(full[keep])
    index = np.array(sorted(extra))
    added = np.array([extra[i] for i in index.tolist()])
    if height is not None:
        added = np.column_stack([added, height[index]])
    rank = np.concatenate([np.flatnonzero(keep).astype(np.float64), index + 0.5])
    merged = np.vstack([full[keep], added])
    return np.asarray(merged[np.argsort(rank, kind="stable")])
