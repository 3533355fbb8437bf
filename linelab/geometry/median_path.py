"""The median of closed paths, and where paths pass the stations of one."""

from __future__ import annotations

import numpy as np

from linelab.geometry.curve import Curve
from linelab.geometry.frenet import sn_to_xy, xy_to_sn
from linelab.geometry.plane_spline import arc_length, fit_spline, tabulate
from linelab.units import Array

#: Spacing of a path's points [m].
STEP = 0.5


def closed_curve(points: Array, *, smoothing: float = 1.25) -> Curve:
    """A smooth closed curve along points (N, 2) whose last repeats the first.

    Waves shorter than ``smoothing`` times 2 pi [m] are flattened (shapes shorter than a few metres are noise at the
    sampling of a receiver), bends of any radius are not (:func:`~linelab.geometry.plane_spline.fit_spline`).
    """
    spline, _ = fit_spline(points[:-1], STEP, smoothing, closed=True)
    return tabulate(spline, arc_length(spline), 0.0, STEP)


def median_path(paths: list[Array]) -> tuple[Curve, Array, Array]:
    """Median path, each path's offsets from it (L, N) and each path's mean displacement (L, 2), all in metres.

    The lap of median length is the first guess; three times every lap is placed on it and it is moved to their median.
    Displacements (the receiver's drift between laps) are taken off before the offsets are measured.
    """
    order = np.argsort([len(path) for path in paths])
    base = closed_curve(paths[int(order[len(order) // 2])])
    shifts = np.zeros((len(paths), 2))
    offsets = np.zeros((len(paths), base.s.size))
    for _ in range(3):
        offsets = np.array([_offsets(base, path - shift) for path, shift in zip(paths, shifts)])
        normal = np.column_stack([-np.sin(base.psi), np.cos(base.psi)])
        # Least squares: n(s) of a displaced copy is the displacement along the normal.
        relative = offsets - np.median(offsets, axis=0)
        fitted = np.array([np.linalg.lstsq(normal, row, rcond=None)[0] for row in relative])
        shifts = shifts + fitted - np.mean(shifts + fitted, axis=0)
        offsets = np.array([_offsets(base, path - shift) for path, shift in zip(paths, shifts)])
        x, y = sn_to_xy(base, base.s, np.median(offsets, axis=0))
        base = closed_curve(np.column_stack([x, y]), smoothing=0.85)
    final = np.array([_offsets(base, path - shift) for path, shift in zip(paths, shifts)])
    return base, final, shifts


def _offsets(base: Curve, path: Array) -> Array:
    """Offsets of a closed path at the base's stations (N,) [m]."""
    return passing(base, path)[0]


def passing(base: Curve, path: Array) -> tuple[Array, Array]:
    """Offsets of a closed path (M, 2) at the base's stations (N,) [m], and its rows there, with fractions."""
    twice = np.vstack([path[:-1], path])
    s, n = xy_to_sn(base, twice[:, 0], twice[:, 1])
    rising = np.maximum.accumulate(s)
    keep = np.flatnonzero(np.concatenate([[True], np.diff(rising) > 1e-9]))
    stations = base.length * np.ceil(s[0] / base.length) + base.s
    return np.interp(stations, s[keep], n[keep]), np.mod(np.interp(stations, s[keep], keep), len(path) - 1)
