"""Which point of the left edge faces which point of the right edge.

The pairs ("rungs") follow the track in order and never skip, so a stretch can only be paired with itself even where
another stretch passes within a metre or the track crosses itself.  They minimise the summed squared rung length over
all monotone pairings (dynamic time warping; Sakoe & Chiba, *Dynamic programming algorithm optimization for spoken
word recognition*, IEEE Trans. ASSP 26(1), 1978, eqs. 10-15 with symmetric weights), first on a coarse grid with a
wide band, then on a fine one within a narrow band.

Checks on a pair of edges, each with a cause, a place and a remedy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from linelab.arrays import distance_along
from linelab.errors import TrackError
from linelab.geometry.curve import Curve
from linelab.geometry.edges import Edge, crossings
from linelab.units import Array

Index = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Rungs:
    """Facing points of the two edges in driving order.

    ``a`` and ``b`` (K,) are arc lengths along the left and right edge [m], both non-decreasing, and may exceed the
    edge's length once round; ``left`` and ``right`` (K, 2) are the points [m].  On a closed track the last rung is
    *before* the first one, not equal to it; ``lap_a`` and ``lap_b`` are the arcs of once round.
    """

    a: Array
    b: Array
    left: Array
    right: Array
    closed: bool
    lap_a: float
    lap_b: float

    @property
    def width(self) -> Array:
        """Rung lengths (K,) [m]."""
        return np.asarray(np.hypot(*(self.right - self.left).T))


def pair_edges(left: Edge, right: Edge, spacing: float, width: float) -> Rungs:
    """Pair two edges.

    Parameters
    ----------
    left, right : Edge
    spacing : float
        Distance between rungs, measured along the middle [m].
    width : float
        Mean width of the road, for choosing where to start on a closed track [m].

    Raises
    ------
    TrackError
        No place was found where the edges face each other the right way round.
    """
    offset = _facing_start(left, right, spacing, width) if left.closed else (0.0, 0.0)
    coarse = max(4.0 * spacing, left.length / 20000.0)
    path = _warp(left, right, offset, coarse, None)
    path = _warp(left, right, offset, spacing, path)
    if not left.closed:
        path = _trim_ends(path)
    return _resample(left, right, path, spacing)


def edge_grid(edge: Edge, start: float, step: float) -> tuple[Array, Array]:
    """Arcs (M,) and points (M, 2) of an edge at a nearly uniform step, sharp vertices kept."""
    count = max(round(edge.length / step), 8)
    arcs = start + np.linspace(0.0, edge.length, count + 1)
    inner = _sharp_arcs(edge)
    if inner.size:
        inner = start + np.mod(inner - start, edge.length)
        nearest = np.clip(np.rint((inner - start) / edge.length * count).astype(np.intp), 1, count - 1)
        arcs[nearest] = inner
        arcs = np.maximum.accumulate(arcs)
    return arcs, edge.at(arcs)


def _sharp_arcs(edge: Edge, angle: float = 0.5) -> Array:
    """Arc lengths of vertices that turn by more than ``angle`` [rad]."""
    x, y = np.diff(edge.xy, axis=0).T
    turn = np.abs(np.arctan2(x[:-1] * y[1:] - y[:-1] * x[1:], x[:-1] * x[1:] + y[:-1] * y[1:]))
    return np.asarray(edge.arc[1:-1][turn > angle])


def _facing_start(left: Edge, right: Edge, spacing: float, width: float) -> tuple[float, float]:
    """Find arcs on the two closed edges that face each other beyond doubt.

    A right point faces a left one when it lies to its right, roughly square to both edges, which run the same way.
    Of some dozens of left points, take the one whose facing point is clearest: the nearest other stretch that also
    qualifies is furthest away in proportion, and its distance is closest to the mean width.
    """
    arcs_r = np.arange(0.0, right.length, spacing)
    points_r, heading_r = right.at(arcs_r), headings(right, arcs_r, spacing)
    best: tuple[float, float, float] | None = None
    for arc in np.linspace(0.0, left.length, 48, endpoint=False):
        here = np.array([arc])
        point, heading = left.at(here)[0], headings(left, here, spacing)[0]
        across = points_r - point
        distance = np.hypot(*across.T)
        side = -(heading[0] * across[:, 1] - heading[1] * across[:, 0])
        side_r = -(heading_r[:, 0] * across[:, 1] - heading_r[:, 1] * across[:, 0])
        same_way = heading_r @ heading
        faces = (side > 0.8 * distance) & (side_r > 0.8 * distance) & (same_way > 0.8)
        if not faces.any():
            continue
        nearest = int(np.argmin(np.where(faces, distance, np.inf)))
        gap = np.abs(arcs_r - arcs_r[nearest])
        elsewhere = np.minimum(gap, right.length - gap) > 3.0 * distance[nearest]
        rivals = distance[elsewhere & (same_way > 0.5) & (side > 0.0)]
        clarity = min(float(rivals.min()) / float(distance[nearest]), 5.0) if rivals.size else 5.0
        clarity -= 3.0 * abs(float(np.log(distance[nearest] / width)))
        if best is None or clarity > best[0]:
            best = (clarity, float(arc), float(arcs_r[nearest]))
    if best is None:
        raise TrackError(
            "nowhere does the right edge lie to the right of the left edge and run the same way",
            where="edges",
            remedy="Give both edges in driving order and check which is left",
        )
    return best[1], best[2]


def headings(edge: Edge, arcs: Array, reach: float) -> Array:
    """Unit tangents (K, 2) of an edge at arc lengths, averaged over ±``reach`` [m]."""
    ahead = edge.at(arcs + reach) - edge.at(arcs - reach)
    return np.asarray(ahead / np.maximum(np.hypot(*ahead.T), 1e-12)[:, None])


class _Path(NamedTuple):
    """A monotone pairing as arcs on both edges (K,) [m], counted from the start pair."""

    a: Array
    b: Array


def _warp(left: Edge, right: Edge, start: tuple[float, float], step: float, guide: _Path | None) -> _Path:
    """Dynamic time warping of two edges sampled at ``step``, within a band around ``guide``."""
    arcs_l, points_l = edge_grid(left, start[0], step)
    arcs_r, points_r = edge_grid(right, start[1], step)
    low, high = _band(arcs_l, arcs_r, guide, step)
    total: list[Array] = []
    costs: list[Array] = []
    x, y = np.ascontiguousarray(points_r[:, 0]), np.ascontiguousarray(points_r[:, 1])
    for i in range(arcs_l.size):
        lo, hi = low[i], high[i]
        cost = (x[lo:hi] - points_l[i, 0]) ** 2 + (y[lo:hi] - points_l[i, 1]) ** 2
        along = np.cumsum(cost)
        costs.append(cost)
        if i == 0:
            total.append(along)
            continue
        shift = lo - low[i - 1]
        before = total[-1]
        entry = np.full(hi - lo, np.inf)
        straight = before[shift : shift + hi - lo]
        entry[: straight.size] = straight + cost[: straight.size]
        first = 1 if shift == 0 else 0
        diagonal = before[shift + first - 1 : shift + hi - lo - 1]
        stop = first + diagonal.size
        np.minimum(entry[first:stop], diagonal + 2.0 * cost[first:stop], out=entry[first:stop])
        total.append(along + np.minimum.accumulate(entry - along))
    rows, columns = _trace(total, costs, low)
    return _Path(arcs_l[rows], arcs_r[columns])


def _band(arcs_l: Array, arcs_r: Array, guide: _Path | None, step: float) -> tuple[list[int], list[int]]:
    """First and one-past-last column for each row; both non-decreasing, corners included."""
    fraction = (arcs_l - arcs_l[0]) / (arcs_l[-1] - arcs_l[0])
    last = arcs_r.size - 1
    if guide is None:
        middle = fraction * last
        reach = max(200.0, 0.06 * float(arcs_r[-1] - arcs_r[0])) / step
        low, high = middle - reach, middle + reach
    else:
        reach_m = 12.0 * step
        first = np.searchsorted(guide.a, arcs_l - reach_m, side="left")
        final = np.searchsorted(guide.a, arcs_l + reach_m, side="right") - 1
        size = guide.b.size - 1
        low = np.searchsorted(arcs_r, guide.b[np.clip(first, 0, size)]) - 4.0
        high = np.searchsorted(arcs_r, guide.b[np.clip(final, 0, size)]) + 4.0
    lo = np.clip(np.floor(low), 0, last).astype(np.intp)
    hi = np.clip(np.ceil(high), 0, last).astype(np.intp) + 1
    lo[0], hi[-1] = 0, last + 1
    lo = np.maximum.accumulate(lo)
    hi = np.maximum.accumulate(hi)
    return lo.tolist(), hi.tolist()


def _trace(total: list[Array], costs: list[Array], low: list[int]) -> tuple[Index, Index]:
    """Walk the cheapest pairing back from the last pair to the first."""
    i, j = len(total) - 1, low[-1] + total[-1].size - 1
    rows, columns = [i], [j]
    while i > 0 or j > 0:
        here = total[i]
        left_cost = here[j - 1 - low[i]] if j > low[i] else np.inf
        if i > 0:
            before, k = total[i - 1], j - low[i - 1]
            up = before[k] if k < before.size else np.inf
            diagonal = before[k - 1] if 0 < k <= before.size else np.inf
        else:
            up = diagonal = np.inf
        diagonal += float(costs[i][j - low[i]])  # a diagonal move counts double
        if diagonal <= up and diagonal <= left_cost:
            i, j = i - 1, j - 1
        elif up <= left_cost:
            i -= 1
        else:
            j -= 1
        rows.append(i)
        columns.append(j)
    return np.array(rows[::-1]), np.array(columns[::-1])


def _trim_ends(path: _Path) -> _Path:
    """Drop the fans at the ends of an open track, where one edge starts or stops before the other."""
    first = max(int(np.searchsorted(path.a, path.a[0], side="right")) - 1, 0)
    first_b = max(int(np.searchsorted(path.b, path.b[0], side="right")) - 1, 0)
    final = int(np.searchsorted(path.a, path.a[-1], side="left"))
    final_b = int(np.searchsorted(path.b, path.b[-1], side="left"))
    begin, end = max(first, first_b), min(final, final_b) + 1
    return _Path(path.a[begin:end], path.b[begin:end])


def _resample(left: Edge, right: Edge, path: _Path, spacing: float) -> Rungs:
    """Rungs at a uniform distance along the middle, freed of the grid's staircase."""
    middle = 0.5 * (path.a - path.a[0] + path.b - path.b[0])
    keep = np.concatenate([[True], np.diff(middle) > 1e-9])
    middle, a, b = middle[keep], path.a[keep], path.b[keep]
    count = max(round(middle[-1] / spacing), 8)
    u = np.linspace(0.0, middle[-1], count + 1)
    a, b = np.interp(u, middle, a), np.interp(u, middle, b)
    if left.closed:
        u, a, b = u[:-1], a[:-1], b[:-1]
    a = _smooth_monotone(a, left.length if left.closed else None)
    b = _smooth_monotone(b, right.length if right.closed else None)
    a, b = _onto_vertices(left, a), _onto_vertices(right, b)
    return Rungs(
        a=a,
        b=b,
        left=left.at(a),
        right=right.at(b),
        closed=left.closed,
        lap_a=left.length,
        lap_b=right.length,
    )


def _onto_vertices(edge: Edge, arcs: Array) -> Array:
    """Move the rung end nearest to each sharp vertex onto it: between two rungs a corner would go unseen."""
    corners = _sharp_arcs(edge)
    if corners.size == 0:
        return arcs
    if edge.closed:
        corners = np.sort(arcs[0] + np.mod(corners - arcs[0], edge.length))
    after = np.clip(np.searchsorted(arcs, corners), 1, arcs.size - 1)
    nearest = np.where(corners - arcs[after - 1] < arcs[after] - corners, after - 1, after)
    moved = arcs.copy()
    moved[nearest] = corners
    return np.asarray(np.maximum.accumulate(moved))


def _smooth_monotone(values: Array, lap: float | None, passes: int = 2) -> Array:
    """Running means (1/4, 1/2, 1/4), which keep the order; ``lap`` is the period of a closed edge."""
    out = values
    for _ in range(passes):
        ends = (out[:1], out[-1:]) if lap is None else (out[-1:] - lap, out[:1] + lap)
        padded = np.concatenate([ends[0], out, ends[1]])
        out = 0.25 * padded[:-2] + 0.5 * padded[1:-1] + 0.25 * padded[2:]
        if lap is None:
            out[0], out[-1] = values[0], values[-1]
    return out


#: Narrowest and widest road that is believed [m].
NARROWEST, WIDEST = 1.5, 40.0

#: Widest place that is believed, at the outside of an acute corner [m].
WIDEST_PLACE = 60.0


def check_direction(left: Edge, right: Edge, mean_width: float) -> None:
    """Raise TrackError when the edges run in opposite directions or are swapped.

    ``mean_width`` is the road's area over its length, negative when left lies right [m].
    """
    if max(left.length, right.length) < 10.0:
        raise TrackError(
            f"both are shorter than 10 m ({left.length:.3g} m and {right.length:.3g} m)",
            where="edges",
            remedy="Edges are in metres: check the unit",
        )
    along, _, usual = relation(left.xy, right.xy, closed=False)
    if along < -0.4:
        raise TrackError(
            "the edges run in opposite directions",
            where="edges",
            remedy="Reverse one of them so that both run in driving order",
        )
    if not left.closed:
        _check_ends(left, right, usual)
    if mean_width < 0.0 and not left.closed and not 0.75 < left.length / right.length < 1.33:
        raise TrackError(
            f"the left edge is {left.length:.0f} m long, the right edge {right.length:.0f} m",
            where="edges",
            remedy="Cut both to the same stretch of road",
        )
    if mean_width < 0.0:
        raise TrackError(
            "the left edge lies to the right of the right edge",
            where="edges",
            remedy="Swap the two edges, or reverse both if the driving direction is wrong; longitude and latitude "
            "the wrong way round look like this too",
        )
    if mean_width > WIDEST:
        raise TrackError(
            f"the edges are {mean_width:.0f} m apart on average",
            where="edges",
            remedy="Check the unit (metres) and that both edges belong to the same track",
        )
    if mean_width < 0.5 * NARROWEST:
        raise TrackError(
            f"the edges are only {mean_width:.2f} m apart on average",
            where="edges",
            remedy="Check the unit (metres) and that the two edges are not the same line",
        )


def relation(left: Array, right: Array, closed: bool) -> tuple[float, float, float]:
    """Mean agreement of direction (-1 to 1), mean side of the left edge seen from the right (-1 to 1), and usual
    distance [m] of two lines (M, 2 or 3).

    Each of 400 places on the left edge looks at the nearest piece of the right edge.  Neighbouring stretches fool some
    of them, never most.
    """
    (places, ahead), (others, ahead_there) = (_even_pieces(line[:, :2], closed) for line in (left, right))
    near, distance = shapely.STRtree(shapely.points(others)).query_nearest(
        shapely.points(places), all_matches=False, return_distance=True
    )
    here, there, gap = ahead[near[0]], ahead_there[near[1]], places[near[0]] - others[near[1]]
    along = np.sign(np.einsum("ij,ij->i", here, there))
    side = np.sign(there[:, 0] * gap[:, 1] - there[:, 1] * gap[:, 0])
    return float(along.mean()), float(side.mean()), float(np.median(distance))


def _even_pieces(line: Array, closed: bool) -> tuple[Array, Array]:
    """Middles and directions of 400 even pieces of a line (400, 2)."""
    path = np.vstack([line, line[:1]]) if closed else line
    along = distance_along(*path.T)
    points = np.column_stack([np.interp(np.linspace(0.0, along[-1], 401), along, column) for column in path.T])
    return 0.5 * (points[1:] + points[:-1]), np.diff(points, axis=0)


def _check_ends(left: Edge, right: Edge, usual: float) -> None:
    """Raise TrackError when two open edges do not begin or end together; ``usual`` is their usual distance [m]."""
    for word, index in (("begin", 0), ("end", -1)):
        gap = float(np.hypot(*(left.xy[index] - right.xy[index])))
        if gap > 4.0 * usual + 5.0:
            raise TrackError(
                f"the edges {word} {gap:.0f} m apart (left edge {left.length:.0f} m long, right edge "
                f"{right.length:.0f} m)",
                place=left.xy[index],
                where="edges",
                remedy="Cut both to the same stretch of road",
            )


def check_pairing(left: Edge, right: Edge, rungs: Rungs, mean_width: float) -> None:
    """Raise TrackError where the paired edges cannot be the two sides of one road."""
    usual = float(np.median(rungs.width))
    if usual > WIDEST:
        raise TrackError(
            f"the edges are {usual:.0f} m apart",
            where="edges",
            remedy="Check the unit (metres) and that both edges belong to the same track",
        )
    if usual < NARROWEST:
        raise TrackError(
            f"the edges are only {usual:.2f} m apart",
            where="edges",
            remedy="Check the unit (metres) and that the two edges are not the same line",
        )
    _check_crossing(left, right, rungs, usual)
    if not 0.5 < mean_width / float(np.mean(rungs.width)) < 2.0:
        raise TrackError(
            f"the edges enclose a road {mean_width:.1f} m wide on average but face each other at {usual:.1f} m",
            where="edges",
            remedy="Check that both edges belong to the same lap and, if the track is open, that it is declared so",
        )


def _check_crossing(left: Edge, right: Edge, rungs: Rungs, width: float) -> None:
    """Raise TrackError where an edge crosses the part of the other edge that faces it.

    Only neighbouring rungs are compared, so a track may cross itself elsewhere.
    """
    if not shapely.intersects(*(shapely.LineString(line) for line in (rungs.left, rungs.right))):
        return
    near = int(4.0 * width * rungs.a.size / (rungs.lap_a + rungs.lap_b)) + 1
    i, j, places = crossings(rungs.left, rungs.right, -near, near, closed=rungs.closed)
    if i.size:
        raise TrackError(
            f"the edges cross at ({places[0, 0]:.1f}, {places[0, 1]:.1f})",
            place=places[0],
            where=f"left edge, vertex {_vertex(left, rungs.a[i[0]])}, "
            f"right edge, vertex {_vertex(right, rungs.b[j[0]])}",
            remedy="Move or remove the point that is out of place",
        )


def _vertex(edge: Edge, arc: float) -> int:
    """Number of the vertex nearest to an arc length, counted from 1."""
    nearest = int(np.argmin(np.abs(edge.arc - np.mod(arc, edge.length)))) + 1
    return 1 if edge.closed and nearest == edge.arc.size else nearest


def check_loops(edge: Edge, width: float) -> None:
    """Raise TrackError where an edge crosses itself within a short way (a loop or a fold in the survey).

    Loops shorter than half the width (a walker standing still) pass: the widths take their inner side.
    """
    if shapely.is_simple(shapely.LineString(edge.xy)):
        return
    step = max(width / 8.0, edge.length / 40000.0)
    arcs, points = edge_grid(edge, 0.0, step)
    size = -1 if edge.closed else None
    least, most = max(int(0.5 * width / step), 2), int(3.5 * width / step) - 1
    i, _, places = crossings(points[:size], points[:size], least, most, closed=edge.closed)
    if i.size:
        raise TrackError(
            f"it crosses itself near ({places[0, 0]:.1f}, {places[0, 1]:.1f})",
            place=places[0],
            where=f"{edge.name}, vertex {_vertex(edge, arcs[i[0]])}",
            remedy="Remove the loop or the points out of order",
        )


def check_widths(curve: Curve, w_left: Array, w_right: Array) -> None:
    """Raise TrackError where the measured road is too narrow or too wide to be one."""
    least = np.minimum(w_left, w_right)
    k = int(np.argmin(least))
    if least[k] < 0.0:
        raise TrackError(
            "no line fits between the edges",
            station=float(curve.s[k]),
            place=(curve.x[k], curve.y[k]),
            remedy=f"Check near ({curve.x[k]:.1f}, {curve.y[k]:.1f}) for a point out of place or a piece of edge "
            "missing or folded",
        )
    width = w_left + w_right
    k = int(np.argmin(width))
    if width[k] < NARROWEST:
        raise TrackError(
            f"the road is only {width[k]:.2f} m wide",
            station=float(curve.s[k]),
            place=(curve.x[k], curve.y[k]),
            remedy=f"Check for a point out of place; {NARROWEST} m is the least",
        )
    k = int(np.argmax(width))
    if width[k] > WIDEST_PLACE:
        raise TrackError(
            f"the road is {width[k]:.0f} m wide",
            station=float(curve.s[k]),
            place=(curve.x[k], curve.y[k]),
            remedy="Check for a point out of place or a missing piece of edge",
        )
