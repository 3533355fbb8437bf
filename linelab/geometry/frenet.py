"""Between ground coordinates (x, y) and curvilinear ones (s, n) along a curve.

Going from the ground to the curve follows the points in the order they were driven, always carrying on from the last
station: other stretches of a track may pass within a metre or two, or cross, and the nearest point of the whole curve
would then be on the wrong one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from linelab.arrays import distance_along
from linelab.errors import InputError
from linelab.geometry.curve import Curve, curve_at
from linelab.units import Array

Index = NDArray[np.intp]

_TABLE_STEP = 0.75  #: coarse table for searching [m]
_ANCHOR_STEP = 5.0  #: travel between the points that are followed one by one [m]
_LEAD = 80.0  #: an open curve is continued straight on by this much at both ends [m]
_LOST = 25.0  #: further than this from the followed stretch, other stretches are looked at [m]


def sn_to_xy(curve: Curve, s: ArrayLike, n: ArrayLike) -> tuple[Array, Array]:
    """Points at stations and offsets.

    Parameters
    ----------
    curve : Curve
    s, n : array_like
        Station (wrapped on a closed curve) and offset, positive left [m]; shapes that broadcast.

    Returns
    -------
    x, y : array
        [m]
    """
    station, offset = np.broadcast_arrays(np.asarray(s, dtype=np.float64), np.asarray(n, dtype=np.float64))
    at = curve_at(curve, station)
    return at.x - offset * np.sin(at.psi), at.y + offset * np.cos(at.psi)


def xy_to_sn(
    curve: Curve,
    x: ArrayLike,
    y: ArrayLike,
    *,
    start: float | None = None,
    window: float = 5.0,
    widths: tuple[Array, Array] | None = None,
) -> tuple[Array, Array]:
    """Stations and offsets of points in the order they were driven.

    Parameters
    ----------
    curve : Curve
    x, y : (N,) array_like
        East and north [m].
    start : float, optional
        Roughly the station of the first point [m]; without it the start is found from position and direction of
        travel, trying every stretch nearby for some way.
    window : float
        How far a point may lie from the station expected between its followed neighbours [m].
    widths : ((N,) array, (N,) array), optional
        Distance to the left and right edge at ``curve.s`` [m].  With them a point anywhere between the edges counts
        as on the track, which tells neighbouring stretches apart better than the distance from the curve.

    Returns
    -------
    s, n : (N,) array
        Station, unwrapped (it grows by the length each lap of a closed curve; before or beyond the ends of an open
        one it continues along the end tangents), and offset, positive left [m].  Points that left the track keep
        the values of the stretch last followed, or of the one they came back to: ``|n|`` well beyond the edges
        tells that they are off it, and the caller judges.

    Raises
    ------
    InputError
        Shapes differ, or a value is not finite.
    """
    px, py = np.asarray(x, dtype=np.float64).ravel(), np.asarray(y, dtype=np.float64).ravel()
    if px.shape != py.shape:
        raise InputError(f"x has {px.size} points, y has {py.size}", where="xy_to_sn", remedy="Give them in pairs")
    if px.size == 0:
        return px.copy(), py.copy()
    bad = ~(np.isfinite(px) & np.isfinite(py))
    if bad.any():
        raise InputError(
            f"point {int(np.argmax(bad))} is not finite", where="xy_to_sn", remedy="Remove the gaps before"
        )
    table = _make_table(curve, widths)
    anchors = _anchors(px, py)
    track = _Follower(table, px[anchors], py[anchors])
    stations = track.follow(start)
    travel = distance_along(px, py)
    guess = np.interp(travel, travel[anchors], stations)
    s = _nearest_in_window(table, px, py, guess, window)
    return foot(curve, px, py, s, within=2.0 * table.step)


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """The curve at a coarse uniform step, padded at both ends so that windows are plain slices.

    Entry ``k`` has station ``(k - pad) * step``; a closed curve is continued periodically, ``lap`` entries a lap.
    """

    x: Array
    y: Array
    cos: Array
    sin: Array
    left: Array  # offset of the left edge, 0 where unknown
    right: Array  # offset of the right edge, negative
    step: float
    pad: int
    lap: int  # 0 for an open curve


def _make_table(curve: Curve, widths: tuple[Array, Array] | None) -> _Table:
    """Sample a curve for searching."""
    count = max(math.ceil(curve.length / _TABLE_STEP), 8)
    step = curve.length / count
    pad = min(int(200.0 / step), count) if curve.closed else int(_LEAD / step)
    s: Array = np.arange(-pad, count + pad + 1).astype(np.float64) * step
    at = curve_at(curve, s)
    local = np.mod(s, curve.length) if curve.closed else s
    w_left, w_right = widths if widths is not None else (np.zeros_like(curve.s), np.zeros_like(curve.s))
    left, right = np.interp(local, curve.s, w_left), -np.interp(local, curve.s, w_right)
    lap = count if curve.closed else 0
    return _Table(at.x, at.y, np.cos(at.psi), np.sin(at.psi), left, right, step, pad, lap)


def _distance2(t: _Table, where: slice | Index, x: Array | float, y: Array | float) -> Array:
    """Squared distance of points from the road's width at table entries [m²]."""
    dx, dy, cos, sin = x - t.x[where], y - t.y[where], t.cos[where], t.sin[where]
    along = dx * cos + dy * sin
    n = dy * cos - dx * sin
    outside = np.maximum(np.maximum(n - t.left[where], t.right[where] - n), 0.0)
    return np.asarray(along * along + outside * outside)


def _anchors(x: Array, y: Array) -> Index:
    """Indices of points at least a few metres from the previous chosen one; the first and last always among them."""
    chosen = [0]
    ax, ay = float(x[0]), float(y[0])
    least = _ANCHOR_STEP**2
    for i, (px, py) in enumerate(zip(x.tolist(), y.tolist())):
        dx, dy = px - ax, py - ay
        if dx * dx + dy * dy >= least:
            chosen.append(i)
            ax, ay = px, py
    if chosen[-1] != x.size - 1:
        chosen.append(x.size - 1)
    return np.array(chosen, dtype=np.intp)


class _Follower:
    """Follows anchors along the table, one after the other."""

    def __init__(self, table: _Table, x: Array, y: Array) -> None:
        self._table = table
        self._x, self._y = x.tolist(), y.tolist()
        self._chord = [0.0, *np.hypot(np.diff(x), np.diff(y)).tolist()]
        # Direction of travel over several anchors: position noise of 1-3 m makes single chords point anywhere.
        index = np.arange(x.size)
        behind, ahead = np.maximum(index - 2, 0), np.minimum(index + 2, x.size - 1)
        dx, dy = x[ahead] - x[behind], y[ahead] - y[behind]
        size = np.maximum(np.hypot(dx, dy), 1e-9)
        moving = size > 1e-6
        self._dx, self._dy = (np.where(moving, way / size, 0.0).tolist() for way in (dx, dy))
        self._entries = np.arange(float(table.x.size))

    def follow(self, start: float | None) -> Array:
        """Station of every anchor (K,), unwrapped [m]."""
        table = self._table
        out = np.empty(len(self._x))
        if start is None:
            here = self._acquire(0, None)
        else:
            here, _ = self._advance(0, round(start / table.step), 20.0)
        out[0] = here
        wait, patience = 0, 10
        for k in range(1, out.size):
            here, miss = self._advance(k, here, 0.0)
            if miss > _LOST:
                wait -= 1
                if wait <= 0:
                    here = self._acquire(k, here)
                    wait, patience = patience, min(2 * patience, 200)
            else:
                wait, patience = 0, 10
            out[k] = here
        return out * table.step

    def _advance(self, k: int, last: int, slack: float) -> tuple[int, float]:
        """Entry for anchor ``k`` carrying on from entry ``last``, and its distance from the curve [m].

        Minimises squared distance, squared departure from the distance travelled, and disagreement with the
        direction of travel, each scaled by its usual size (4 m; 3 m + half the travel; 40 degrees).
        """
        t = self._table
        travel = self._chord[k]
        back = int((5.0 + slack + 0.5 * travel) / t.step)
        ahead = int((8.0 + slack + 3.0 * travel) / t.step)
        shift = 0
        low, high = last - back, last + ahead + 1
        if t.lap:
            if high - low > t.lap:
                low, high = last - t.lap // 2, last - t.lap // 2 + t.lap
            shift = (low // t.lap) * t.lap
        a = max(low - shift + t.pad, 0)
        b = min(high - shift + t.pad, t.x.size)
        if b - a < 1:
            a, b = (0, 1) if b <= 0 else (t.x.size - 1, t.x.size)
        cut = slice(a, b)
        cos, sin = t.cos[cut], t.sin[cut]
        square = _distance2(t, cut, self._x[k], self._y[k])
        agree = cos * self._dx[k] + sin * self._dy[k]
        moved = (self._entries[cut] - (t.pad - shift + last)) * t.step - travel
        cost = square / 16.0 + (moved / (3.0 + slack + 0.5 * travel)) ** 2 - 2.0 * agree
        best = int(cost.argmin())
        return a + best - t.pad + shift, math.sqrt(float(square[best]))

    def _acquire(self, k: int, last: int | None) -> int:
        """Entry for anchor ``k`` from anywhere on the curve: the stretch that the next anchors fit best."""
        t = self._table
        core = slice(t.pad, t.pad + t.lap) if t.lap else slice(0, t.x.size)
        square = _distance2(t, core, self._x[k], self._y[k])
        agree = t.cos[core] * self._dx[k] + t.sin[core] * self._dy[k]
        cost = square / 16.0 - 2.0 * agree
        before, after = np.roll(cost, 1), np.roll(cost, -1)
        dips = np.flatnonzero((cost <= before) & (cost < after))
        dips = dips[np.argsort(cost[dips])][:6]
        if dips.size == 0:
            dips = np.array([int(cost.argmin())])
        scores = []
        for dip in dips.tolist():
            entry = dip if t.lap else dip - t.pad
            score = float(cost[dip])
            for ahead in range(k + 1, min(k + 16, len(self._x))):
                entry, miss = self._advance(ahead, entry, 0.0)
                at = entry % t.lap + t.pad if t.lap else entry + t.pad
                score += miss * miss / 16.0 - 2.0 * float(t.cos[at] * self._dx[ahead] + t.sin[at] * self._dy[ahead])
            scores.append(score)
        entry = int(dips[int(np.argmin(scores))]) - (0 if t.lap else t.pad)
        if last is None or not t.lap:
            return entry
        # Rejoin on the lap that moves least backwards.
        return entry + t.lap * math.ceil((last - 0.25 * t.lap - entry) / t.lap)


def _nearest_in_window(table: _Table, x: Array, y: Array, guess: Array, window: float) -> Array:
    """Station of the nearest table entry within ±``window`` of every guess (N,) [m]."""
    reach = max(round(window / table.step), 1)
    offsets = np.arange(-reach, reach + 1)
    entry = np.rint(guess / table.step).astype(np.intp)
    out = np.empty(x.size)
    block = 20000
    for a in range(0, x.size, block):
        part = slice(a, a + block)
        index = entry[part, None] + offsets
        where = (np.mod(index, table.lap) if table.lap else index) + table.pad
        np.clip(where, 0, table.x.size - 1, out=where)
        square = _distance2(table, where, x[part, None], y[part, None]) + 0.05 * (offsets * table.step) ** 2
        out[part] = entry[part] + offsets[square.argmin(axis=1)]
    return out * table.step


#: A Newton step of less than this leaves a thousandth of its length at most, as it converges quadratically [m].
_CONVERGED = 1.0e-4


def foot_station(curve: Curve, x: Array, y: Array, guess: Array, *, within: float = np.inf) -> Array:
    """Station of points whose station is roughly known, at most ``within`` from the guess [m].

    Newton's method, in steps of at most 2 m, for ``(p - r(s)) · t(s) = 0``, whose derivative is ``-(1 - n kappa)``.
    """
    station = guess.copy()
    todo = np.arange(guess.size)
    for _ in range(25):
        at = curve_at(curve, station[todo])
        dx, dy = x[todo] - at.x, y[todo] - at.y
        cos, sin = np.cos(at.psi), np.sin(at.psi)
        slack = np.maximum(1.0 - (dy * cos - dx * sin) * at.kappa, 0.15)
        step = np.clip((dx * cos + dy * sin) / slack, -2.0, 2.0)
        moved = np.clip(station[todo] + step, guess[todo] - within, guess[todo] + within)
        if not curve.closed:
            moved = np.clip(moved, -_LEAD, curve.length + _LEAD)
        change = np.abs(moved - station[todo])
        station[todo] = moved
        todo = todo[change > _CONVERGED]
        if todo.size == 0:
            break
    return station


def foot(curve: Curve, x: Array, y: Array, guess: Array, *, within: float = np.inf) -> tuple[Array, Array]:
    """:func:`foot_station`, and the offset there [m]."""
    station = foot_station(curve, x, y, guess, within=within)
    at = curve_at(curve, station)
    return station, (y - at.y) * np.cos(at.psi) - (x - at.x) * np.sin(at.psi)


def near_stations(curve: Curve, x: Array, y: Array, guess: Array, *, window: float = 5.0) -> tuple[Array, Array]:
    """Stations and offsets of points whose stations are known within ``window`` [m]; no order is needed.

    Parameters
    ----------
    curve : Curve
    x, y, guess : (N,) array
        East, north and rough station, unwrapped [m].

    Returns
    -------
    s, n : (N,) array
        As :func:`xy_to_sn`.
    """
    table = _make_table(curve, None)
    return foot(curve, x, y, _nearest_in_window(table, x, y, guess, window), within=2.0 * table.step)
