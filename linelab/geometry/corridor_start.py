"""Where a line drawn across the track meets the reference line."""

from __future__ import annotations

import numpy as np

from linelab.errors import TrackError
from linelab.geometry.corridor_pairs import Rungs
from linelab.geometry.corridor_spline import Spline, evaluate
from linelab.geometry.curve import Curve, curve_at
from linelab.units import Array

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
    table = np.column_stack([curve.x, curve.y])
    station = _crossing(table, line, name) * curve.step
    a, along = _frame(line)
    for _ in range(3):
        at = curve_at(curve, station)
        offset = along[0] * (at.y - a[1]) - along[1] * (at.x - a[0])
        rate = along[0] * np.sin(at.psi) - along[1] * np.cos(at.psi)
        station -= float(offset / rate)
    return float(np.mod(station, curve.length) if curve.closed else np.clip(station, 0.0, curve.length))


def start_parameter(spline: Spline, rungs: Rungs, parameter: Array, line: StartLine | None) -> float:
    """Spline parameter of station 0 on a closed track (0 on an open one, whose start line is only checked)."""
    if line is not None:
        table = evaluate(spline, np.arange(spline.intervals + 1, dtype=np.float64), 0)[0]
        where = _crossing(table, line, "start line")
        if not spline.closed:
            return 0.0
        a, along = _frame(line)
        for _ in range(3):
            p, d = evaluate(spline, np.array([where]), 1)
            offset = along[0] * (p[0, 1] - a[1]) - along[1] * (p[0, 0] - a[0])
            rate = along[0] * d[0, 1] - along[1] * d[0, 0]
            where = float(np.mod(where - offset / rate, spline.intervals))
        return where
    if not spline.closed:
        return 0.0
    arcs = np.concatenate([rungs.a - rungs.lap_a, rungs.a, rungs.a + rungs.lap_a])
    laps = float(spline.intervals)
    parameters = np.concatenate([parameter - laps, parameter, parameter + laps])
    return float(np.mod(np.interp(0.0, arcs, parameters), laps))


def _frame(line: StartLine) -> tuple[Array, Array]:
    """First point and unit direction of a line."""
    a, b = (np.array(point, dtype=np.float64)[:2] for point in line)
    if a.shape != (2,) or b.shape != (2,) or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise TrackError("needs two points with x and y", where="start line", remedy="Give its left and right end")
    length = float(np.hypot(*(b - a)))
    if length < 0.1:
        raise TrackError(
            "its two ends are the same point", where="start line", remedy="Give its left and its right end"
        )
    return a, (b - a) / length


def _crossing(table: Array, line: StartLine, name: str) -> float:
    """Fractional row of ``table`` (N, 2) where the polyline crosses the line.

    Of several crossings the one driven with the line's left end on the left wins, then the one nearest its middle.
    """
    a, along = _frame(line)
    length = float(np.hypot(line[1][0] - line[0][0], line[1][1] - line[0][1]))
    rel = table - a
    across = along[0] * rel[:, 1] - along[1] * rel[:, 0]
    reach = rel @ along
    change = across[1:] - across[:-1]
    crosses = (across[:-1] < 0.0) != (across[1:] < 0.0)
    share = np.where(crosses, -across[:-1] / np.where(change == 0.0, 1.0, change), 0.0)
    place = reach[:-1] + share * (reach[1:] - reach[:-1])
    crosses &= (place > -0.5) & (place < length + 0.5)
    if not crosses.any():
        miss = float(np.hypot(*(table - (a + 0.5 * length * along)).T).min())
        raise TrackError(
            f"it does not cross the track (the track passes {miss:.1f} m from its middle)",
            where=name,
            remedy="Draw it from the left edge to the right edge",
        )
    rows = np.flatnonzero(crosses)
    # Driving across from the line's right-hand side, seen from left end to right end, puts the left end on the left.
    wrong_way = change[rows] < 0.0
    off_middle = np.abs(place[rows] - 0.5 * length) / length
    best = rows[int(np.argmin(off_middle + 10.0 * wrong_way))]
    return float(best + share[best])
