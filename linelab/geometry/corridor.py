"""From two edges to a reference line that can be driven on mathematically.

The reference line is *not* the middle of the road.  Kart hairpins have inside radii of 1-3 m on an 8 m wide track, so
the centre of a middle line's turning circle lies on the track, and there curvilinear coordinates fold over
(``1 - n kappa <= 0``).  The line built here keeps ``1 - n kappa`` well above zero over the whole corridor.

Steps: clean and check the edges (corridor_input), pair them (corridor_pairs), find a suitable path between them
(corridor_line), put a smooth curve through it (corridor_spline), measure the distances to the edges as surveyed
(corridor_widths).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linelab.errors import TrackError
from linelab.geometry.corridor_checks import check_direction, check_loops, check_pairing, check_widths
from linelab.geometry.corridor_input import Edge, make_edge, signed_area
from linelab.geometry.corridor_line import fair_start, path_along, path_points
from linelab.geometry.corridor_offset import edges_from_centre
from linelab.geometry.corridor_pairs import Rungs, pair_edges
from linelab.geometry.corridor_spline import Spline, arc_length, fit_spline, tabulate
from linelab.geometry.corridor_start import crossing_station, start_parameter
from linelab.geometry.corridor_widths import (
    EdgeTrace,
    heights_at_stations,
    smooth,
    trace_edge,
    width_at_stations,
)
from linelab.geometry.curve import Curve
from linelab.units import Array
from linelab.values import freeze_fields

__all__ = ["Corridor", "corridor_from_edges", "crossing_station", "edges_from_centre", "stretch"]

#: Least ``1 - n kappa`` that is accepted anywhere between the edges [-].
LEAST_STRETCH = 0.1

#: The value the search is content with [-].
GOOD_STRETCH = 0.35

StartLine = tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Corridor:
    """A reference line and what lies to both sides of it; arrays are (N,) at ``reference.s``.

    Parameters
    ----------
    reference : Curve
    w_left, w_right : array
        Distance to the edges along the normal, positive [m].
    slope : array
        Longitudinal slope, positive uphill [rad].
    bank : array
        Cross slope, positive when the left side is lower [rad].
    z : array
        Elevation of the reference line [m].
    """

    reference: Curve
    w_left: Array
    w_right: Array
    slope: Array
    bank: Array
    z: Array

    def __post_init__(self) -> None:
        freeze_fields(self, ("w_left", "w_right", "slope", "bank", "z"), self.reference.s.size)


def stretch(curve: Curve, w_left: Array, w_right: Array) -> Array:
    """Smallest ``1 - n kappa`` between the edges at every station (N,) [-]; it must stay above zero."""
    return np.minimum(1.0 - w_left * curve.kappa, 1.0 + w_right * curve.kappa)


def corridor_from_edges(left: ArrayLike, right: ArrayLike, *, closed: bool, start: StartLine | None = None) -> Corridor:
    """Build the reference line and the widths from surveyed edges.

    Parameters
    ----------
    left, right : (M, 2|3), (K, 2|3) array
        Edges in driving order, east, north and optionally up [m].  They need neither the same number of points nor,
        on a closed track, the same first point.
    closed : bool
        True for a circuit; the first point may be repeated at the end.
    start : ((x, y), (x, y)), optional
        Left and right end of the start line [m].  On a closed track station 0 is where it meets the reference line;
        without it, station 0 faces the first point of the left edge.  An open track keeps station 0 at its beginning
        (use :func:`crossing_station`), but the line must still cross it.

    Raises
    ------
    TrackError
        With the vertex or station, the reason and a remedy: unusable points, edges swapped, crossing, running in
        opposite directions or too far apart, a start line that misses the track, a corridor in which no line keeps
        ``1 - n kappa >= 0.1``.
    """
    edge_l = make_edge("left edge", left, closed=closed)
    edge_r = make_edge("right edge", right, closed=closed)
    mean_width = 2.0 * signed_area(edge_l, edge_r) / (edge_l.length + edge_r.length)
    check_direction(edge_l, edge_r, mean_width)
    road = float(np.clip(abs(mean_width), 2.0, 16.0))
    for edge in (edge_l, edge_r):
        check_loops(edge, road)
    rungs = pair_edges(edge_l, edge_r, road / 8.0, road)
    check_pairing(edge_l, edge_r, rungs, mean_width)
    fitted = _search(edge_l, edge_r, rungs, start)
    curve, w_left, w_right = fitted.curve, fitted.w_left, fitted.w_right
    check_widths(curve, w_left, w_right)
    w_left, w_right = _clip_knife_edges(curve, w_left, w_right)
    z, slope, bank = _surface(curve, fitted, edge_l, edge_r, w_left, w_right)
    return Corridor(reference=curve, w_left=w_left, w_right=w_right, slope=slope, bank=bank, z=z)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One attempt at a reference line, measured."""

    curve: Curve
    w_left: Array
    w_right: Array
    traces: tuple[EdgeTrace, EdgeTrace]
    rung_s: Array
    worst: float  # smallest stretch; below the least accepted, minus the depth that clipping would cost [m]


def _search(left: Edge, right: Edge, rungs: Rungs, start: StartLine | None) -> _Fit:
    """Find a line whose stretch is good, giving tight places more weight until it is."""
    width = float(np.median(rungs.width))
    spacing = 0.5 * (rungs.lap_a + rungs.lap_b) / rungs.a.size
    weight = np.ones(rungs.a.size)
    t = fair_start(rungs)
    smoothing = 0.15 * width
    best: _Fit | None = None
    for share in (1.0, 0.5, 0.25, 0.1, 0.05, 0.05):
        t = path_along(rungs, weight, t, share=share, iterations=40)
        spline, parameter = fit_spline(path_points(rungs, t), spacing, smoothing, closed=rungs.closed)
        fit = _measure(left, right, rungs, spline, parameter, start)
        if best is None or fit.worst > best.worst:
            best = fit
        if fit.worst >= GOOD_STRETCH:
            break
        weight = np.maximum(weight * _emphasis(fit), 1.0)
        if min(fit.w_left.min(), fit.w_right.min()) < 0.2:  # smoothed across an edge
            smoothing *= 0.6
    assert best is not None
    return best


def _emphasis(fit: _Fit) -> Array:
    """Factor on every rung's weight (K,): above 1 where ``n kappa`` exceeds a half, below elsewhere.

    Repeated, this turns the sum of squares into the greatest value (Lawson's weights; J. R. Rice, *The Approximation
    of Functions*, vol. 2, 1969, sec. 13-7).
    """
    lap = fit.curve.length
    load = 1.0 - stretch(fit.curve, fit.w_left, fit.w_right)
    load = smooth(np.clip(load, 0.0, 1.5), fit.curve.step, 0.5, closed=fit.curve.closed)
    at = np.interp(fit.rung_s, fit.curve.s, load, period=lap if fit.curve.closed else None)
    return np.asarray(np.clip(at / 0.5, 0.5, 2.0) ** 2)


def _measure(left: Edge, right: Edge, rungs: Rungs, spline: Spline, parameter: Array, start: StartLine | None) -> _Fit:
    """Tabulate the curve and measure both widths along it."""
    knots_arc = arc_length(spline)
    length = float(knots_arc[-1])
    begin = start_parameter(spline, rungs, parameter, start)
    curve, _ = tabulate(spline, begin, 0.25 if length < 4000.0 else 0.5)
    knots = np.arange(knots_arc.size, dtype=np.float64)
    rung_s = np.interp(parameter, knots, knots_arc)
    if rungs.closed:
        rung_s -= float(np.interp(begin, knots, knots_arc))
    traces = (
        trace_edge(curve, left, 1.0, rungs.a, rung_s),
        trace_edge(curve, right, -1.0, rungs.b, rung_s),
    )
    w_left, w_right = (width_at_stations(curve, trace) for trace in traces)
    worst = float(stretch(curve, w_left, w_right).min())
    if worst < LEAST_STRETCH:
        worst = -float(np.maximum(*_excess(curve, w_left, w_right)).max())
    if min(w_left.min(), w_right.min()) <= 0.0:
        worst = -1000.0
    return _Fit(curve, w_left, w_right, traces, rung_s, worst)


def _clip_knife_edges(curve: Curve, w_left: Array, w_right: Array) -> tuple[Array, Array]:
    """Keep a usable stretch beside walls without thickness, or refuse.

    Where two stretches are parted by a knife edge and the track turns about its tip, no line whatever keeps the
    stretch positive right at the tip.  A sliver at most a metre deep is given up there.
    """
    lost_left, lost_right = _excess(curve, w_left, w_right)
    lost = np.maximum(lost_left, lost_right)
    k = int(np.argmax(lost))
    if lost[k] > 1.0:
        raise TrackError(
            f"the bend is too tight for any reference line: radius {1.0 / abs(curve.kappa[k]):.1f} m with the "
            f"{'left' if lost_left[k] > 0.0 else 'right'} edge "
            f"{w_left[k] if lost_left[k] > 0.0 else w_right[k]:.1f} m inside it",
            station=float(curve.s[k]),
            remedy="Check the inside edge there for missing points or a wall drawn without thickness",
        )
    return w_left - lost_left, w_right - lost_right


def _excess(curve: Curve, w_left: Array, w_right: Array) -> tuple[Array, Array]:
    """How far each edge lies beyond the least stretch accepted (N,), a little is kept in hand [m]."""
    if float(stretch(curve, w_left, w_right).min()) >= LEAST_STRETCH:
        return np.zeros_like(w_left), np.zeros_like(w_right)
    cap = (1.0 - LEAST_STRETCH - 0.02) / np.maximum(np.abs(curve.kappa), 1e-9)
    left = np.where(curve.kappa > 0.0, np.maximum(w_left - cap, 0.0), 0.0)
    return left, np.where(curve.kappa < 0.0, np.maximum(w_right - cap, 0.0), 0.0)


def _surface(
    curve: Curve, fit: _Fit, left: Edge, right: Edge, w_left: Array, w_right: Array
) -> tuple[Array, Array, Array]:
    """Elevation, slope and bank (N,) from the edges' elevations; zeros without any, no bank from one edge alone."""
    if left.z is None and right.z is None:
        return np.zeros_like(curve.s), np.zeros_like(curve.s), np.zeros_like(curve.s)
    heights = [
        heights_at_stations(curve, trace, edge) if edge.z is not None else None
        for trace, edge in zip(fit.traces, (left, right))
    ]
    known = next(height for height in heights if height is not None)
    z_left, z_right = (known if height is None else height for height in heights)
    z = z_right + (z_left - z_right) * w_right / (w_left + w_right)
    z = smooth(z, curve.step, 5.0, closed=curve.closed)
    fall = smooth((z_right - z_left) / (w_left + w_right), curve.step, 5.0, closed=curve.closed)
    if curve.closed:
        ring = np.concatenate([z[-2:-1], z, z[1:2]])
        gradient = (ring[2:] - ring[:-2]) / (2.0 * curve.step)
    else:
        gradient = np.gradient(z, curve.step)
    return z, np.arctan(gradient), np.arctan(fall)
