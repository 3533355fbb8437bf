"""Checks on a pair of edges, each with a cause, a place and a remedy."""

from __future__ import annotations

import numpy as np

from linelab.errors import TrackError
from linelab.geometry.corridor_input import Edge
from linelab.geometry.corridor_pairs import Rungs, edge_grid, headings
from linelab.geometry.curve import Curve
from linelab.units import Array

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
    reach = max(min(left.length, right.length) / 400.0, 0.5)
    arcs_l = np.linspace(0.0, left.length, 64, endpoint=False) + 0.5 * left.length / 64
    arcs_r = np.arange(0.0, right.length, reach)
    points_l, points_r = left.at(arcs_l), right.at(arcs_r)
    square = (points_l[:, None, 0] - points_r[None, :, 0]) ** 2 + (points_l[:, None, 1] - points_r[None, :, 1]) ** 2
    nearest = square.argmin(axis=1)
    same = np.einsum("ij,ij->i", headings(left, arcs_l, reach), headings(right, arcs_r, reach)[nearest])
    if float(np.mean(same > 0.0)) < 0.3:
        raise TrackError(
            "the edges run in opposite directions",
            where="edges",
            remedy="Reverse one of them so that both run in driving order",
        )
    if not left.closed:
        _check_ends(left, right, float(np.sqrt(np.median(square.min(axis=1)))))
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


def _check_ends(left: Edge, right: Edge, usual: float) -> None:
    """Raise TrackError when two open edges do not begin or end together; ``usual`` is their usual distance [m]."""
    for word, index in (("begin", 0), ("end", -1)):
        gap = float(np.hypot(*(left.xy[index] - right.xy[index])))
        if gap > 4.0 * usual + 5.0:
            raise TrackError(
                f"the edges {word} {gap:.0f} m apart (left edge {left.length:.0f} m long, right edge "
                f"{right.length:.0f} m)",
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
    spacing = 0.5 * (rungs.lap_a + rungs.lap_b) / rungs.a.size
    for offset in range(-int(2.0 * width / spacing) - 1, int(2.0 * width / spacing) + 2):
        p, q = rungs.left, np.roll(rungs.right, -offset, axis=0)
        hit = _segments_cross(p, np.roll(p, -1, axis=0), q, np.roll(q, -1, axis=0))
        if not rungs.closed:
            index = np.arange(hit.size)
            hit &= (index < hit.size - 1) & (index + offset >= 0) & (index + offset < hit.size - 1)
        if hit.any():
            k = int(np.argmax(hit))
            other = (k + offset) % rungs.a.size
            raise TrackError(
                f"the edges cross at ({rungs.left[k, 0]:.1f}, {rungs.left[k, 1]:.1f})",
                where=f"left edge, vertex {_vertex(left, rungs.a[k])}, "
                f"right edge, vertex {_vertex(right, rungs.b[other])}",
                remedy="Move or remove the point that is out of place",
            )


def _segments_cross(p0: Array, p1: Array, q0: Array, q1: Array) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether segments p0 p1 and q0 q1 (K, 2) properly cross, one by one."""

    def side(a: Array, b: Array, c: Array) -> Array:
        return np.asarray((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))

    a, b, c, d = side(p0, p1, q0), side(p0, p1, q1), side(q0, q1, p0), side(q0, q1, p1)
    clear = np.minimum(np.minimum(np.abs(a), np.abs(b)), np.minimum(np.abs(c), np.abs(d))) > 1e-6  # not in one line
    return np.asarray(clear & (a * b < 0.0) & (c * d < 0.0))


def _vertex(edge: Edge, arc: float) -> int:
    """Number of the vertex nearest to an arc length, counted from 1."""
    nearest = int(np.argmin(np.abs(edge.arc - np.mod(arc, edge.length)))) + 1
    return 1 if edge.closed and nearest == edge.arc.size else nearest


def check_loops(edge: Edge, width: float) -> None:
    """Raise TrackError where an edge crosses itself within a short way (a loop or a fold in the survey).

    Loops shorter than half the width (a walker standing still) pass: the widths take their inner side.
    """
    step = max(width / 8.0, edge.length / 40000.0)
    arcs, p0 = edge_grid(edge, 0.0, step)
    if edge.closed:
        arcs, p0 = arcs[:-1], p0[:-1]
    p1 = np.roll(p0, -1, axis=0)
    for offset in range(max(int(0.5 * width / step), 2), int(3.5 * width / step)):
        hit = _segments_cross(p0, p1, np.roll(p0, -offset, axis=0), np.roll(p1, -offset, axis=0))
        if not edge.closed:
            hit[-offset - 1 :] = False
        if hit.any():
            k = int(np.argmax(hit))
            raise TrackError(
                f"it crosses itself near ({p0[k, 0]:.1f}, {p0[k, 1]:.1f})",
                where=f"{edge.name}, vertex {_vertex(edge, arcs[k])}",
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
            remedy=f"Check near ({curve.x[k]:.1f}, {curve.y[k]:.1f}) for a point out of place or a piece of edge "
            "missing or folded",
        )
    width = w_left + w_right
    k = int(np.argmin(width))
    if width[k] < NARROWEST:
        raise TrackError(
            f"the road is only {width[k]:.2f} m wide",
            station=float(curve.s[k]),
            remedy=f"Check for a point out of place; {NARROWEST} m is the least",
        )
    k = int(np.argmax(width))
    if width[k] > WIDEST_PLACE:
        raise TrackError(
            f"the road is {width[k]:.0f} m wide",
            station=float(curve.s[k]),
            remedy="Check for a point out of place or a missing piece of edge",
        )
