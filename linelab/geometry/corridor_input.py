"""Edges as handed in: cleaned, checked, and walked by arc length."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

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
