"""From two edges to a reference line that can be driven on mathematically.

The reference line is *not* the middle of the road.  Kart hairpins have inside radii of 1-3 m on an 8 m wide track, so
the centre of a middle line's turning circle lies on the track, and there curvilinear coordinates fold over
(``1 - n kappa <= 0``).  The line built here keeps ``1 - n kappa`` well above zero over the whole corridor.

Steps: clean and check the edges (:mod:`~linelab.geometry.edges`), pair them (:mod:`~linelab.geometry.facing`), find a
path between them, put a smooth curve through it (:mod:`~linelab.geometry.plane_spline`), and measure the distances to
the edges as surveyed (:mod:`~linelab.geometry.widths`).

The path puts one point on every rung, ``p = left + t (right - left)``, and minimises the integral of
``(kappa (w_in + eps))²`` with ``w_in`` the distance to the edge on the inside of the bend: a line of least curvature
that moves towards the inside edge, or straightens, wherever ``w_in`` comes near the radius of the turn, which is
where ``1 - n kappa`` would reach zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from linelab.arrays import freeze_fields
from linelab.errors import TrackError
from linelab.geometry import banded
from linelab.geometry.curve import Curve, curve_at
from linelab.geometry.edges import Edge, edges_from_centre, make_edge, signed_area
from linelab.geometry.facing import Rungs, check_direction, check_loops, check_pairing, check_widths, pair_edges
from linelab.geometry.plane_spline import Spline, arc_length, evaluate, fit_spline, tabulate
from linelab.geometry.widths import EdgeTrace, heights_at_stations, smooth, trace_edge, width_at_stations
from linelab.units import Array

#: Width times curvature at which a bend has a clear inside [-].
_FADE = 0.2

#: How firmly an open track's path leaves its end rungs squarely [-].
_END_WEIGHT = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """Curvature-like residual of a path and what it depends on, per rung (K,)."""

    residual: Array  # kappa (w_in + eps) sqrt(ds weight)
    rows: tuple[Array, Array, Array]  # d residual / d t at the rung before, at, after
    length: Array  # length of path a rung stands for [m]


def path_along(rungs: Rungs, weight: Array, t0: Array, *, share: float, iterations: int) -> Array:
    """Improve the path's positions on the rungs.

    A primal-dual interior-point method with Gauss-Newton curvature and a line search on the barrier function
    (J. Nocedal & S. Wright, *Numerical Optimization*, 2nd ed., 2006, ch. 19, alg. 19.2); every iteration is one
    banded solve.

    Parameters
    ----------
    rungs : Rungs
    weight : (K,) array
        Importance of each rung [-].
    t0 : (K,) array
        Positions to start from, 0 at the left edge, 1 at the right one.
    share : float
        ``eps`` as a share of the rung length [-]: large for a line of least curvature, small for the greatest
        ``1 - n kappa``.
    iterations : int

    Returns
    -------
    (K,) array
        Positions, within the margins of :func:`limits`.
    """
    low, high = limits(rungs)
    room = high - low
    t = np.clip(t0, low + 0.02 * room, high - 0.02 * room)
    shape = _shape(rungs, t, weight, share)
    value = 0.5 * float(shape.residual @ shape.residual)
    last = 1e-3 * value / t.size
    mu, softness = 0.3 * value / t.size, 1.0
    z_low, z_high = mu / (t - low), mu / (high - t)
    for _ in range(iterations):
        gradient, band = _normal_equations([shape.residual], [shape.rows], rungs.closed)
        gap_low, gap_high = t - low, high - t
        band[:, 0] += z_low / gap_low + z_high / gap_high + softness * 1e-5 * shape.length
        step = banded.solve(band, -(gradient - mu / gap_low + mu / gap_high), rungs.closed)
        dz_low = mu / gap_low - z_low - z_low / gap_low * step
        dz_high = mu / gap_high - z_high + z_high / gap_high * step
        reach = min(_furthest(gap_low, step), _furthest(gap_high, -step))
        merit = value - mu * float(np.log(gap_low).sum() + np.log(gap_high).sum())
        for fraction in (1.0, 0.5, 0.2, 0.05):
            trial = t + fraction * reach * step
            trial_shape = _shape(rungs, trial, weight, share)
            trial_value = 0.5 * float(trial_shape.residual @ trial_shape.residual)
            if trial_value - mu * float(np.log(trial - low).sum() + np.log(high - trial).sum()) < merit:
                break
        else:
            if softness > 1e6:
                break
            softness *= 30.0
            continue
        gain = abs(value - trial_value)
        t, shape, value = trial, trial_shape, trial_value
        z_low = z_low + _furthest(z_low, dz_low) * dz_low
        z_high = z_high + _furthest(z_high, dz_high) * dz_high
        softness = max(softness / 10.0, 1.0) if fraction == 1.0 else softness * 3.0
        if mu <= last and gain < 5e-3 * value:
            break
        mu = max(0.3 * mu, last)
    return t


def _furthest(value: Array, step: Array) -> float:
    """Share of a step, at most 1, that keeps positive values positive."""
    down = step < 0.0
    return float(min(1.0, 0.95 * np.min(-value[down] / step[down]))) if down.any() else 1.0


def fair_start(rungs: Rungs) -> Array:
    """Positions (K,) of a first path: least sum of squared second differences, plus a little of first differences.

    A convex problem, so it cannot get stuck, and blind to the corridor's overlong rungs at outside corners.
    """
    across = rungs.right - rungs.left
    low, high = limits(rungs)
    t = np.clip(np.full(rungs.a.size, 0.5), low, high)
    size = t.size
    second, first = (1.0, -2.0, 1.0), (-1.0, 1.0, 0.0)
    rows: list[tuple[Array, Array, Array]] = []
    residuals: list[Array] = []
    p = path_points(rungs, t)
    for stencil, weight in ((second, 1.0), (first, 0.1)):
        scale = np.full(size, weight)
        if not rungs.closed:
            scale[[0, -1]] = 0.0
        for axis in (0, 1):
            d, q = across[:, axis], p[:, axis]
            rows.append(
                (scale * stencil[0] * np.roll(d, 1), scale * stencil[1] * d, scale * stencil[2] * np.roll(d, -1))
            )
            residuals.append(scale * (stencil[0] * np.roll(q, 1) + stencil[1] * q + stencil[2] * np.roll(q, -1)))
    gradient, band = _normal_equations(residuals, rows, rungs.closed)
    band[:, 0] += 1e-4
    move = banded.solve(band, -gradient, rungs.closed)
    return np.asarray(np.clip(t + move, low, high))


def limits(rungs: Rungs) -> tuple[Array, Array]:
    """Least and greatest t on every rung: an eighth of the width, at most 0.6 m, is kept from the edges."""
    width = rungs.width
    margin = np.minimum(0.125 * width, 0.6) / np.maximum(width, 1e-9)
    return margin, 1.0 - margin


def path_points(rungs: Rungs, t: Array) -> Array:
    """Points (K, 2) of the path [m]."""
    return rungs.left + t[:, None] * (rungs.right - rungs.left)


def _shape(rungs: Rungs, t: Array, weight: Array, share: float) -> _Shape:
    """Evaluate the residuals and their exact derivatives.

    Curvature is that of the circle through three successive points: twice the sine of the turn over the chord.
    """
    across = rungs.right - rungs.left
    width = rungs.width
    p = path_points(rungs, t)
    before, after = _neighbours(p, rungs.closed)
    back, ahead, chord = p - before, after - p, after - before
    h0, h1, h2 = (np.maximum(np.hypot(*v.T), 1e-6)[:, None] for v in (back, ahead, chord))
    cross = (back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0])[:, None]
    kappa = 2.0 * cross / (h0 * h1 * h2)
    turn_after = 2.0 * np.column_stack([-back[:, 1], back[:, 0]]) / (h0 * h1 * h2)
    turn_before = -2.0 * np.column_stack([ahead[:, 1], -ahead[:, 0]]) / (h0 * h1 * h2)
    kappa_after = turn_after - kappa * (ahead / h1**2 + chord / h2**2)
    kappa_before = turn_before + kappa * (back / h0**2 + chord / h2**2)

    bend, reach, growth = _reach(t, kappa[:, 0], width, share)
    length = 0.5 * (h0 + h1)
    scale = np.sqrt(length * weight[:, None])
    if not rungs.closed:
        scale[[0, -1]] = 0.0
    gain = scale * (reach + kappa[:, 0] * growth)[:, None]
    spread = 0.25 * scale * reach[:, None] * kappa / length
    to_after = gain * kappa_after + spread * ahead / h1
    to_before = gain * kappa_before - spread * back / h0
    to_here = -(to_after + to_before)
    across_before, across_after = _neighbours(across, rungs.closed)
    rows = (
        np.einsum("ij,ij->i", to_before, across_before),
        np.einsum("ij,ij->i", to_here, across) + (scale * kappa)[:, 0] * width * bend,
        np.einsum("ij,ij->i", to_after, across_after),
    )
    residual = scale[:, 0] * reach * kappa[:, 0]
    if not rungs.closed:
        _square_ends(residual, rows, t, width, (h1[0, 0], h0[-1, 0]))
    return _Shape(residual, rows, length[:, 0])


def _square_ends(
    residual: Array, rows: tuple[Array, Array, Array], t: Array, width: Array, spacing: tuple[float, float]
) -> None:
    """Fill the free end rows of an open track: the path should leave its first and last rung squarely.

    Otherwise the normals at the ends would miss the surveyed edges.
    """
    before, here, after = rows
    first = _END_WEIGHT * width[0] ** 1.5 / spacing[0]
    last = _END_WEIGHT * width[-1] ** 1.5 / spacing[1]
    residual[0], residual[-1] = first * (t[1] - t[0]), last * (t[-1] - t[-2])
    before[0], here[0], after[0] = 0.0, -first, first
    before[-1], here[-1], after[-1] = -last, last, 0.0


def _reach(t: Array, kappa: Array, width: Array, share: float) -> tuple[Array, Array, Array]:
    """Side of the bend in [-1, 1], distance to the inside edge plus eps [m], and its derivative by curvature [m²].

    Which side is inside fades over as the bend straightens, so that the problem stays smooth.
    """
    bend = np.tanh(kappa * width / _FADE)
    reach = (0.5 + share + (t - 0.5) * bend) * width
    return bend, reach, (t - 0.5) * (1.0 - bend**2) * width**2 / _FADE


def _neighbours(values: Array, closed: bool) -> tuple[Array, Array]:
    """The values one rung before and one after (held at open ends, mirrored so that ends look straight)."""
    before, after = np.roll(values, 1, axis=0), np.roll(values, -1, axis=0)
    if not closed:
        before[0] = 2.0 * values[0] - values[1]
        after[-1] = 2.0 * values[-1] - values[-2]
    return before, after


def _normal_equations(
    residuals: list[Array], rows: list[tuple[Array, Array, Array]], closed: bool
) -> tuple[Array, Array]:
    """Gradient ``J^T r`` and the lower band (K, 3) of ``J^T J`` for rows that touch three neighbours."""
    gradient, band = np.zeros(residuals[0].size), np.zeros((residuals[0].size, 3))
    for r, (a, b, c) in zip(residuals, rows):
        if not closed:  # nothing may wrap round
            a[0] = c[-1] = 0.0
        gradient += b * r + np.roll(c * r, 1) + np.roll(a * r, -1)
        band[:, 0] += b * b + np.roll(c * c, 1) + np.roll(a * a, -1)
        band[:, 1] += b * c + np.roll(a * b, -1)  # H[i, i+1]: row k touches columns k-1, k, k+1 with a, b, c
        band[:, 2] += np.roll(a * c, -1)
    band[:, 0] *= 1.0 + 1e-9
    return gradient, band


StartLine = tuple[tuple[float, float], tuple[float, float]]


def crossing_station(curve: Curve, line: StartLine, *, name: str = "start line") -> float:
    """Station at which a line across the track meets a curve [m].

    Parameters
    ----------
    curve : Curve
    line : ((x, y), (x, y))
        Left and right end [m].
    name : str
        What to call it in messages.

    Raises
    ------
    TrackError
        The line misses the curve.
    """

    def at(s: Array) -> tuple[Array, Array]:
        here = curve_at(curve, s)
        return np.column_stack([here.x, here.y]), np.column_stack([np.cos(here.psi), np.sin(here.psi)])

    station = _crossing(at, curve.s, line, name)
    return float(np.mod(station, curve.length) if curve.closed else np.clip(station, 0.0, curve.length))


def start_parameter(spline: Spline, rungs: Rungs, parameter: Array, line: StartLine | None) -> float:
    """Spline parameter of station 0 on a closed track (0 on an open one, whose start line is only checked)."""
    laps = float(spline.intervals)
    if line is not None:

        def at(u: Array) -> tuple[Array, Array]:
            points, ahead = evaluate(spline, np.mod(u, laps) if spline.closed else u, 1)
            return points, ahead

        where = _crossing(at, np.arange(spline.intervals + 1, dtype=np.float64), line, "start line")
        return float(np.mod(where, laps)) if spline.closed else 0.0
    if not spline.closed:
        return 0.0
    arcs = np.concatenate([rungs.a - rungs.lap_a, rungs.a, rungs.a + rungs.lap_a])
    parameters = np.concatenate([parameter - laps, parameter, parameter + laps])
    return float(np.mod(np.interp(0.0, arcs, parameters), laps))


def _crossing(at: Callable[[Array], tuple[Array, Array]], known: Array, line: StartLine, name: str) -> float:
    """Where a curve crosses a line: ``at`` gives its points and tangents (N, 2), ``known`` (N,) is where to look.

    Of several crossings the one driven with the line's left end on the left wins, then the one nearest its middle.
    """
    ends = [np.array(point, dtype=np.float64)[:2] for point in line]
    if any(end.shape != (2,) or not np.isfinite(end).all() for end in ends):
        raise TrackError("needs two points with x and y", where="start line", remedy="Give its left and right end")
    length = float(np.hypot(*(ends[1] - ends[0])))
    if length < 0.1:
        raise TrackError(
            "its two ends are the same point", where="start line", remedy="Give its left and its right end"
        )
    along = (ends[1] - ends[0]) / length
    square = np.array([-along[1], along[0]])
    points = at(known)[0]
    across, reach = (points - ends[0]) @ square, (points - ends[0]) @ along
    change = np.diff(across)
    rows = np.flatnonzero((across[:-1] < 0.0) != (across[1:] < 0.0))
    share = -across[rows] / change[rows]
    off_middle = np.abs(reach[rows] + share * np.diff(reach)[rows] - 0.5 * length)
    near = off_middle < 0.5 * length + 0.5
    if not near.any():
        miss = float(np.hypot(*(points - 0.5 * (ends[0] + ends[1])).T).min())
        raise TrackError(
            f"it does not cross the track (the track passes {miss:.1f} m from its middle)",
            place=0.5 * (ends[0] + ends[1]),
            where=name,
            remedy="Draw it from the left edge to the right edge",
        )
    # Driving across from the line's right-hand side, seen from left end to right end, puts the left end on the left.
    best = int(np.argmin(off_middle / length + 10.0 * (change[rows] < 0.0) + np.where(near, 0.0, np.inf)))
    where = float(known[rows[best]] + share[best] * (known[1] - known[0]))
    for _ in range(3):
        points, ahead = at(np.array([where]))
        where -= float((points[0] - ends[0]) @ square / (ahead[0] @ square))
    return where


__all__ = ["Corridor", "corridor_from_edges", "crossing_station", "edges_from_centre", "stretch"]

#: Least ``1 - n kappa`` that is accepted anywhere between the edges [-].
LEAST_STRETCH = 0.1

#: The value the search is content with [-].
GOOD_STRETCH = 0.35


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
    begin = start_parameter(spline, rungs, parameter, start)
    curve = tabulate(spline, knots_arc, begin, 0.25 if knots_arc[-1] < 4000.0 else 0.5)
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
            place=(curve.x[k], curve.y[k]),
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
