"""Edges as handed in, cleaned, checked and walked by arc length; and edges from a centre line and widths.

An offset further than the radius of a bend folds back over itself.  The folded loop is cut off where the offset
crosses itself, which leaves a sharp vertex.  Everything is done along the line, a few widths either way, so that
other stretches close by, or a track that crosses itself, do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from linelab.arrays import distance_along
from linelab.errors import TrackError
from linelab.geometry.curve import hermite
from linelab.units import Array

Index = NDArray[np.intp]

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
    array = as_points(name, points)
    _check_length(name, array)
    array = array[_distinct(array, closed)]
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
    z = np.ascontiguousarray(array[:, 2]) if array.shape[1] == 3 else None
    return Edge(name=name, xy=xy, z=z, arc=distance_along(*xy.T), closed=closed)


def as_points(name: str, points: ArrayLike) -> Array:
    """Points of a line as a (M, 2|3) float array; TrackError, with the vertex counted from 1, where they are none."""
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


def _distinct(array: Array, closed: bool) -> Index:
    """Rows that do not repeat the one before, without closing ones that repeat the first."""
    kept = np.flatnonzero(np.hypot(*np.diff(array[:, :2], axis=0, prepend=np.inf).T) > SAME_POINT)
    while closed and kept.size > 1 and np.hypot(*(array[kept[-1], :2] - array[0, :2])) <= SAME_POINT:
        kept = kept[:-1]
    return kept


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
            place=array[-1],
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
    widths = [checked_width(name, value, count) for name, value in (("w_left", w_left), ("w_right", w_right))]
    line = make_edge("centre line", array, closed=closed)
    kept = _distinct(array, closed)
    arc, points, normal = _densified(line)
    height = [] if line.z is None else [line.height_at(arc)]
    edges = []
    for name, side, width in (("left edge", 1.0, widths[0]), ("right edge", -1.0, widths[1])):
        known = width[np.append(kept, kept[:1]) if closed else kept]
        offset = points + side * np.interp(arc, line.arc, known)[:, None] * normal
        rows, cuts = _unfolded(offset, points, float(width.max()), closed, name)
        whole = np.column_stack([offset, *height])
        added = (
            np.column_stack([[place for _, place in cuts], whole[[row for row, _ in cuts], 2:]]) if cuts else whole[:0]
        )
        order = np.argsort([*rows, *(row + 0.5 for row, _ in cuts)])
        edge = np.vstack([whole[rows], added])[order]
        edges.append(edge[_distinct(edge, closed)])
    return edges[0], edges[1]


def checked_width(name: str, value: ArrayLike, count: int) -> Array:
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


def _densified(line: Edge) -> tuple[Array, Array, Array]:
    """Arc lengths (K,), points and left normals (K, 2) at about a metre along a smooth curve through a line's points.

    Cubic Hermite pieces with slopes from parabolas through three points by chord length (a cubic Catmull-Rom spline
    with chordal parameters; Barry & Goldman, *A recursive evaluation algorithm for a class of Catmull-Rom splines*,
    SIGGRAPH 1988).  The slope is a unit vector, so long straights do not bulge.
    """
    chord, around = np.diff(line.arc), np.arange(-1, line.arc.size)
    around = around % chord.size if line.closed else np.clip(around, 0, chord.size - 1)
    h = chord[around, None]
    leg = np.diff(line.xy, axis=0)[around] / h
    slope = leg[:-1] * h[1:] + leg[1:] * h[:-1]
    slope /= np.maximum(np.hypot(*slope.T), 1e-9)[:, None]
    arc = distance_along(*shapely.get_coordinates(shapely.segmentize(shapely.LineString(line.xy), 1.0)).T)
    arc = arc[:-1] if line.closed else arc
    at = np.clip(np.searchsorted(line.arc, arc, side="right") - 1, 0, chord.size - 1)
    u = ((arc - line.arc[at]) / chord[at])[:, None]
    points = hermite(line.xy[at], line.xy[at + 1], slope[at], slope[at + 1], u, chord[at][:, None])
    ahead = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0) if line.closed else np.gradient(points, axis=0)
    ahead /= np.maximum(np.hypot(*ahead.T), 1e-12)[:, None]
    return arc, points, np.column_stack([-ahead[:, 1], ahead[:, 0]])


def crossings(a: Array, b: Array, least: int, most: int, *, closed: bool) -> tuple[Index, Index, Array]:
    """Legs (K,) of two polylines of as many points that cross, and where (K, 2) [m].

    Only legs of ``b`` that are ``least`` to ``most`` further on than that of ``a`` count, so that a track may cross
    itself elsewhere.  Closed polylines do not repeat the first point.
    """
    last = len(a) if closed else len(a) - 1
    legs = [shapely.linestrings(np.stack([line, np.roll(line, -1, axis=0)], axis=1)[:last]) for line in (a, b)]
    i, j = shapely.STRtree(legs[1]).query(legs[0])
    further = np.mod(j - i - least, len(a)) + least if closed else j - i
    i, j = (rows[(further >= least) & (further <= most)] for rows in (i, j))
    i, j = (rows[shapely.crosses(legs[0][i], legs[1][j])] for rows in (i, j))
    return i, j, shapely.get_coordinates(shapely.intersection(legs[0][i], legs[1][j]))


def _unfolded(
    offset: Array, points: Array, width: float, closed: bool, name: str
) -> tuple[Index, list[tuple[int, Array]]]:
    """Rows of the offset points to keep, and the place (2,) where a loop is cut off after one of them, with its row."""
    legs, base = (np.roll(line, -1, axis=0) - line for line in (offset, points))
    backwards = np.einsum("ij,ij->i", legs, base) < 0.0
    if not closed:
        backwards[-1] = False
    keep, size = np.ones(len(offset), dtype=bool), len(offset)
    if not backwards.any():
        return np.flatnonzero(keep), []
    cuts: list[tuple[int, Array]] = []
    near = max(int(width * size / np.hypot(*base[: None if closed else -1].T).sum()), 1)
    # The longest loops first: they hold those within them.
    loops = crossings(offset, offset, 2, min(18 * near, size // 2), closed=closed)
    length = (loops[1] - loops[0]) % size
    for k in np.argsort(-length):
        inner = (loops[0][k] + 1 + np.arange(length[k])) % size
        if backwards[inner].any() and keep[inner].all():
            keep[inner] = False
            cuts.append((int(loops[0][k]), loops[2][k]))
    # What still runs backwards is no loop (a change of width in a bend): points go until the gap runs forwards.
    left = np.flatnonzero(backwards & keep & np.roll(keep, -1))
    for first, last in zip(left, np.roll(left, -1)):
        if (closed or last >= first) and (last - first) % size <= near:
            keep[np.arange(first + 1, first + 1 + (last - first) % size) % size] = False
    joined = np.isin(np.arange(size), [row for row, _ in cuts])
    for _ in range(2 * near + 1):
        rows = np.flatnonzero(keep)
        ahead = np.roll(rows, -1)
        back = np.einsum("ij,ij->i", offset[ahead] - offset[rows], points[ahead] - points[rows]) < 0.0
        back &= ~joined[rows] & (closed | (ahead > rows))
        if not back.any():
            return rows, cuts
        place = offset[rows[np.argmax(back)]]
        keep[rows[back]] = keep[ahead[back]] = False
        if keep.sum() < 4:
            break
    raise TrackError(
        "the centre line bends so tightly for its width that the edge folds over itself beyond the bend",
        place=place,
        where=f"{name}, near ({place[0]:.1f}, {place[1]:.1f})",
        remedy="Smooth the centre line there or give the two edges instead",
    )
