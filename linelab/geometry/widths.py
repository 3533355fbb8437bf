"""Distances from the reference line to the edges, and the surface between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.geometry.curve import Curve, curve_at
from linelab.geometry.edges import Edge
from linelab.geometry.frenet import foot
from linelab.units import Array


@dataclass(frozen=True, slots=True, eq=False)
class EdgeTrace:
    """One edge in curvilinear coordinates, densely sampled in driving order.

    ``s`` (M,) is unwrapped [m], ``n`` (M,) the distance on the edge's own side, positive [m] (negative: the
    reference line left the corridor), ``arc`` (M,) the distance along the edge [m], ``vertex`` (M,) true where the
    survey has a point.
    """

    s: Array
    n: Array
    arc: Array
    vertex: NDArray[np.bool_]


def trace_edge(curve: Curve, edge: Edge, side: float, rung_arc: Array, rung_s: Array) -> EdgeTrace:
    """Express an edge in (s, n), every point starting from its own rung's station.

    Parameters
    ----------
    curve : Curve
    edge : Edge
    side : float
        +1 for the left edge, -1 for the right one.
    rung_arc, rung_s : (K,) array
        Arc along this edge and station of the rungs, both non-decreasing over one lap [m].
    """
    count = max(int(np.ceil(edge.length / curve.step)), 2)
    even = np.linspace(0.0, edge.length, count + 1)
    size = -1 if edge.closed else None
    arc = np.concatenate([even[:size], edge.arc[:size]])
    vertex = np.arange(arc.size) >= even[:size].size
    if edge.closed:
        arc = rung_arc[0] + np.mod(arc - rung_arc[0], edge.length)
        rung_arc = np.append(rung_arc, rung_arc[0] + edge.length)
        rung_s = np.append(rung_s, rung_s[0] + curve.length)
    order = np.argsort(arc, kind="stable")
    arc, vertex = arc[order], vertex[order]
    x, y = edge.at(arc).T
    s, n = foot(curve, x, y, np.interp(arc, rung_arc, rung_s))
    # Points beyond the centre of curvature have no normal of their own: stations there are not theirs.
    good = n * curve_at(curve, s).kappa < 0.98
    if int(good.sum()) < 4:
        good[:] = True
    return EdgeTrace(s[good], side * n[good], arc[good], vertex[good])


def width_at_stations(curve: Curve, trace: EdgeTrace) -> Array:
    """Distance to one edge at the curve's stations (N,) [m]; the nearest where the edge folds over a normal.

    Between stations the width is interpolated linearly; where that would reach beyond the edge (inside
    vertices), the two stations beside it are drawn in.
    """
    size = curve.s.size - 1 if curve.closed else curve.s.size
    s0, n0 = trace.s, trace.n
    if curve.closed:
        s1 = np.concatenate([s0[1:], s0[:1] + curve.length])
        n1 = np.concatenate([n0[1:], n0[:1]])
    else:
        s0, n0, s1, n1 = s0[:-1], n0[:-1], s0[1:], n0[1:]
    step = curve.step
    first = np.ceil(np.minimum(s0, s1) / step - 1e-9).astype(np.intp)
    final = np.floor(np.maximum(s0, s1) / step + 1e-9).astype(np.intp)
    covers = np.maximum(final - first + 1, 0)
    segment = np.repeat(np.arange(s0.size), covers)
    station = np.arange(segment.size) - np.repeat(np.cumsum(covers) - covers, covers) + first[segment]
    span = s1[segment] - s0[segment]
    share = np.where(np.abs(span) > 1e-12, (station * step - s0[segment]) / np.where(span == 0.0, 1.0, span), 0.5)
    value = n0[segment] + np.clip(share, 0.0, 1.0) * (n1[segment] - n0[segment])
    inside = slice(None) if curve.closed else (station >= 0) & (station < size)
    width = np.full(size, np.inf)
    np.minimum.at(width, np.mod(station[inside], size), value[inside])
    width = _fill(width, curve.closed)
    width = _draw_in(width, trace, curve, size)
    return np.concatenate([width, width[:1]]) if curve.closed else width


def _fill(width: Array, closed: bool) -> Array:
    """Stations no edge point covers take the value between (or, at open ends, beside) their neighbours."""
    known = np.isfinite(width)
    if known.all():
        return width
    index = np.arange(width.size)
    if not known.any():
        return np.full(width.size, -1.0)
    period = width.size if closed else None
    return np.interp(index, index[known], width[known], period=period)


def _draw_in(width: Array, trace: EdgeTrace, curve: Curve, size: int) -> Array:
    """Lower the stations beside points of the edge that the interpolated width would overrun."""
    n = trace.n
    where = trace.s / curve.step
    keep = np.ones(n.size, dtype=bool) if curve.closed else (where >= 0.0) & (where < size - 1)
    where, n = where[keep], n[keep]
    low = np.floor(where).astype(np.intp)
    share = where - low
    i, j = np.mod(low, size), np.mod(low + 1, size)
    before, after = width[i], width[j]
    excess = (1.0 - share) * before + share * after - n
    over = excess > np.where(trace.vertex[keep], 0.005, 0.01)
    i, j = i[over], j[over]
    n, share, before, after, excess = (v[over] for v in (n, share, before, after, excess))
    # Small excesses are shared.  Otherwise a station already short of the point stays, and the other one comes in
    # until the line between them meets the point.
    small = excess < 0.1
    new_before = np.where(after < n, (n - share * after) / np.maximum(1.0 - share, 1e-9), n)
    new_after = np.where(before < n, (n - (1.0 - share) * before) / np.maximum(share, 1e-9), n)
    out = width.copy()
    np.minimum.at(out, i, np.where(small, before - excess, np.where(before > n, new_before, np.inf)))
    np.minimum.at(out, j, np.where(small, after - excess, np.where(after > n, new_after, np.inf)))
    return out


def heights_at_stations(curve: Curve, trace: EdgeTrace, edge: Edge) -> Array:
    """Elevation of one edge at the curve's stations (N,) [m]."""
    order = np.argsort(trace.s, kind="stable")
    period = curve.length if curve.closed else None
    return np.interp(curve.s, trace.s[order], edge.height_at(trace.arc)[order], period=period)


def smooth(values: Array, step: float, sigma: float, *, closed: bool) -> Array:
    """Gaussian smoothing along the stations (N,) with standard deviation ``sigma`` [m].

    A closed array repeats its first value at the end.  Open ends are continued by reflection through the end point,
    which keeps a constant slope.
    """
    core = values[:-1] if closed else values
    reach = min(int(np.ceil(4.0 * sigma / step)), core.size - 1)
    if reach < 1:
        return values
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) * step / sigma) ** 2)
    padded = np.pad(core, reach, "wrap") if closed else np.pad(core, reach, "reflect", reflect_type="odd")
    out = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    return np.concatenate([out, out[:1]]) if closed else out
