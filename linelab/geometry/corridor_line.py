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


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """Curvature-like residual of a path and what it depends on, per rung (K,)."""

    residual: Array  # kappa (w_in + eps) sqrt(ds weight)
    rows: tuple[Array, Array, Array]  # d residual / d t at the rung before, at, after


def path_along(rungs: Rungs, weight: Array, t0: Array, *, iterations: int) -> Array:
    """Improve the path's positions on the rungs.

    Parameters
    ----------
    rungs : Rungs
    weight : (K,) array
        Importance of each rung [-].
    t0 : (K,) array
        Positions to start from, 0 at the left edge, 1 at the right one.
    iterations : int

    Returns
    -------
    (K,) array
        Positions, within the margins of :func:`limits`.
    """
    low, high = limits(rungs)
    t = np.clip(t0, low, high)
    shape = _shape(rungs, t, weight)
    value = float(shape.residual @ shape.residual)
    for _ in range(iterations):
        step = _bounded_step(shape, t, low, high, rungs.closed)
        for fraction in (1.0, 0.5, 0.25, 0.1, 0.03):
            trial = np.clip(t + fraction * step, low, high)
            trial_shape = _shape(rungs, trial, weight)
            trial_value = float(trial_shape.residual @ trial_shape.residual)
            if trial_value < value:
                break
        else:
            return t
        gain = value - trial_value
        t, shape, value = trial, trial_shape, trial_value
        if gain < 1e-3 * value:
            break
    return t


def limits(rungs: Rungs) -> tuple[Array, Array]:
    """Least and greatest t on every rung: an eighth of the width, at most 0.6 m, is kept from the edges."""
    width = rungs.width
    margin = np.minimum(0.125 * width, 0.6) / np.maximum(width, 1e-9)
    return margin, 1.0 - margin


def path_points(rungs: Rungs, t: Array) -> Array:
    """Points (K, 2) of the path [m]."""
    return rungs.left + t[:, None] * (rungs.right - rungs.left)


def _shape(rungs: Rungs, t: Array, weight: Array) -> _Shape:
    """Evaluate the residuals and their derivatives (spacing and normals taken as they are)."""
    across = rungs.right - rungs.left
    width = rungs.width
    p = path_points(rungs, t)
    before, after = _neighbours(p, rungs.closed)
    back, ahead = p - before, after - p
    h0 = np.maximum(np.hypot(*back.T), 1e-6)
    h1 = np.maximum(np.hypot(*ahead.T), 1e-6)
    tangent = after - before
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    second = 2.0 * (ahead / h1[:, None] - back / h0[:, None]) / (h0 + h1)[:, None]
    kappa = np.einsum("ij,ij->i", second, normal)
    left_turn = kappa > 0.0
    inside = np.where(left_turn, t, 1.0 - t) * width
    reach = inside + 0.3 * width
    scale = np.sqrt(0.5 * (h0 + h1) * weight)
    if not rungs.closed:
        scale[[0, -1]] = 0.0
    lift_before = np.einsum("ij,ij->i", _neighbours(across, rungs.closed)[0], normal)
    lift_here = np.einsum("ij,ij->i", across, normal)
    lift_after = np.einsum("ij,ij->i", _neighbours(across, rungs.closed)[1], normal)
    c0, c1 = 2.0 / (h0 * (h0 + h1)), 2.0 / (h1 * (h0 + h1))
    gain = scale * reach
    middle = -gain * (c0 + c1) * lift_here + scale * kappa * np.where(left_turn, width, -width)
    return _Shape(gain * kappa, (gain * c0 * lift_before, middle, gain * c1 * lift_after))


def _neighbours(values: Array, closed: bool) -> tuple[Array, Array]:
    """The values one rung before and one after (held at open ends, mirrored so that ends look straight)."""
    before, after = np.roll(values, 1, axis=0), np.roll(values, -1, axis=0)
    if not closed:
        before[0] = 2.0 * values[0] - values[1]
        after[-1] = 2.0 * values[-1] - values[-2]
    return before, after


def _bounded_step(shape: _Shape, t: Array, low: Array, high: Array, closed: bool) -> Array:
    """One Gauss-Newton step within the bounds: a projected Newton method on the quadratic model.

    Bertsekas, *Projected Newton methods for optimization problems with simple constraints*, SIAM J. Control Optim.
    20(2), 1982: variables at a bound that the gradient pushes outwards are held, the rest take a Newton step.
    """
    r, (a, b, c) = shape.residual, shape.rows
    gradient = b * r + np.roll(c * r, 1) + np.roll(a * r, -1)
    d0 = b * b + np.roll(c * c, 1) + np.roll(a * a, -1)
    # d1[i] = H[i, i+1]; row k touches columns k-1, k, k+1 with a, b, c
    d1 = b * c + np.roll(a * b, -1)
    d2 = np.roll(a * c, -1)
    if not closed:
        gradient[0], gradient[-1] = (a * r)[1], (c * r)[-2]
        d0[0], d0[-1] = (a * a)[1], (c * c)[-2]
    damp = 1e-4 * float(np.mean(d0)) + 1e-6 * d0 + 1e-12
    x = t
    pull = gradient.copy()
    for _ in range(4):
        held = ((x <= low) & (pull > 0.0)) | ((x >= high) & (pull < 0.0))
        free = ~held
        h0 = np.where(free, d0 + damp, 1.0)
        h1 = d1 * free * np.roll(free, -1)
        h2 = d2 * free * np.roll(free, -2)
        move = solve_spd([h0, h1, h2], np.where(free, -pull, 0.0), closed=closed)
        x_new = np.clip(x + move, low, high)
        if np.abs(x_new - x).max() < 1e-4:
            x = x_new
            break
        x = x_new
        pull = gradient + _apply(d0 + damp, d1, d2, x - t, closed)
    return x - t


def _apply(d0: Array, d1: Array, d2: Array, v: Array, closed: bool) -> Array:
    """Multiply the symmetric band matrix by a vector."""
    e1, e2 = d1.copy(), d2.copy()
    if not closed:
        e1[-1] = 0.0
        e2[-2:] = 0.0
    out = d0 * v + e1 * np.roll(v, -1) + np.roll(e1 * v, 1)
    return np.asarray(out + e2 * np.roll(v, -2) + np.roll(e2 * v, 2))
