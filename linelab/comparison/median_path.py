"""The median of closed paths that were driven several times, each displaced by the receiver's drift."""

from __future__ import annotations

import numpy as np

from linelab.geometry.curve import Curve
from linelab.geometry.frenet import sn_to_xy, xy_to_sn
from linelab.units import Array

#: Spacing of a path's points [m].
STEP = 0.5


def evenly(points: Array) -> Array:
    """Points of a closed path at even distances of about STEP, the first repeated at the end."""
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    rising = np.concatenate([[True], np.diff(way) > 1e-9])
    grid = np.linspace(0.0, way[-1], max(round(way[-1] / STEP), 50) + 1)
    return np.column_stack([np.interp(grid, way[rising], points[rising, k]) for k in (0, 1)])


def closed_curve(points: Array, *, smoothing: float = 1.5) -> Curve:
    """A smooth closed curve along points (N, 2) whose last repeats the first.

    Positions are low-passed with a periodic Gaussian of standard deviation ``smoothing`` [m] (shapes shorter than a few
    metres are noise at the sampling of a receiver), then differentiated by Fourier series.
    """
    path, _ = _low_passed(evenly(points), smoothing)
    path, series = _low_passed(evenly(path), 0.0)
    count = len(path) - 1
    step = float(np.hypot(*np.diff(path, axis=0).T).sum()) / count
    wave = 2.0 * np.pi * np.fft.rfftfreq(count, d=step)
    first, second = (np.fft.irfft(series * ((1j * wave) ** k)[:, None], n=count, axis=0) for k in (1, 2))
    speed = np.hypot(first[:, 0], first[:, 1])
    kappa = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / speed**3
    psi = np.unwrap(np.arctan2(first[:, 1], first[:, 0]))
    turns = 2.0 * np.pi * round(float(kappa.sum() * step / (2.0 * np.pi)))
    closed = np.append(kappa, kappa[0])
    return Curve(
        s=np.linspace(0.0, step * count, count + 1),
        x=path[:, 0],
        y=path[:, 1],
        psi=np.append(psi, psi[0] + turns),
        kappa=closed,
        dkappa=np.gradient(closed, step),
        closed=True,
    )


def _low_passed(path: Array, smoothing: float) -> tuple[Array, Array]:
    """A closed path after a Gaussian low-pass, and its Fourier series (M, 2)."""
    count = len(path) - 1
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    wave = 2.0 * np.pi * np.fft.rfftfreq(count, d=length / count)
    series = np.fft.rfft(path[:-1], axis=0) * np.exp(-0.5 * (wave * smoothing) ** 2)[:, None]
    low = np.fft.irfft(series, n=count, axis=0)
    return np.vstack([low, low[:1]]), series


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
        base = closed_curve(np.column_stack([np.append(x[:-1], x[0]), np.append(y[:-1], y[0])]), smoothing=1.0)
    final = np.array([_offsets(base, path - shift) for path, shift in zip(paths, shifts)])
    return base, final, shifts


def _offsets(base: Curve, path: Array) -> Array:
    """Offsets of a closed path at the base's stations (N,) [m]."""
    twice = np.vstack([path[:-1], path])
    s, n = xy_to_sn(base, twice[:, 0], twice[:, 1])
    rising = np.maximum.accumulate(s)
    keep = np.concatenate([[True], np.diff(rising) > 1e-9])
    first = base.length * np.ceil(s[0] / base.length)
    return np.asarray(np.interp(first + base.s, s[keep], n[keep]))
