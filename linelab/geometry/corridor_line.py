"""A path down the corridor whose turning circle always reaches past the inside edge.

The path puts one point on every rung, ``p = left + t (right - left)``, and minimises the integral of
``(kappa (w_in + eps))²`` with ``w_in`` the distance to the edge on the inside of the bend: a line of least curvature
that moves towards the inside edge, or straightens, wherever ``w_in`` comes near the radius of the turn, which is
where ``1 - n kappa`` would reach zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.geometry.corridor_banded import solve_spd
from linelab.geometry.corridor_pairs import Rungs
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
        gradient, d0, d1, d2 = _normal_equations([shape.residual], [shape.rows], rungs.closed)
        gap_low, gap_high = t - low, high - t
        d0 = d0 * (1.0 + 1e-9) + z_low / gap_low + z_high / gap_high + softness * 1e-5 * shape.length
        step = solve_spd([d0, d1, d2], -(gradient - mu / gap_low + mu / gap_high), closed=rungs.closed)
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
    gradient, d0, d1, d2 = _normal_equations(residuals, rows, rungs.closed)
    move = solve_spd([d0 * (1.0 + 1e-9) + 1e-4, d1, d2], -gradient, closed=rungs.closed)
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
) -> tuple[Array, Array, Array, Array]:
    """Gradient ``J^T r`` and the diagonals 0, 1, 2 of ``J^T J`` for rows that touch three neighbours."""
    size = residuals[0].size
    gradient, d0, d1, d2 = (np.zeros(size) for _ in range(4))
    for r, (a, b, c) in zip(residuals, rows):
        if not closed:  # nothing may wrap round
            a[0] = c[-1] = 0.0
        gradient += b * r + np.roll(c * r, 1) + np.roll(a * r, -1)
        d0 += b * b + np.roll(c * c, 1) + np.roll(a * a, -1)
        d1 += b * c + np.roll(a * b, -1)  # H[i, i+1]: row k touches columns k-1, k, k+1 with a, b, c
        d2 += np.roll(a * c, -1)
    return gradient, d0, d1, d2
