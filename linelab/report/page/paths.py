"""Lines as SVG path data: whole numbers, relative steps, and only as many points as the eye can tell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

#: Map units to the metre: the map's coordinates are centimetres, y downwards as SVG has it.
PER_METRE = 100.0


def path_data(x: Array, y: Array, *, close: bool = False) -> str:
    """A polyline (N,) in drawing units as path data, rounded to whole units without the error adding up."""
    points = np.rint(np.column_stack([x, y])).astype(np.int64)
    steps = np.diff(points, axis=0)
    steps = steps[steps.any(axis=1)]
    first, rest = (" ".join(map(str, part.ravel().tolist())).replace(" -", "-") for part in (points[0], steps))
    return f"M{first}" + (f"l{rest}" if rest else "") + ("z" if close else "")


def map_path(x: Array, y: Array, *, close: bool = False) -> str:
    """A polyline on the ground (N,) [m] as path data of the map."""
    return path_data(PER_METRE * x, -PER_METRE * y, close=close)


def thinned(x: Array, y: Array, tolerance: float) -> NDArray[np.intp]:
    """Indices of the points of a smooth polyline (N,) that keep it within about ``tolerance`` of itself.

    A chord of length h lies h²·kappa/8 off an arc of curvature kappa, so a step may be sqrt(8·tolerance/kappa) long;
    near a bend no longer than to the bend and that, lest a chord run from a straight into it.
    """
    if x.size < 3:
        return np.arange(x.size)
    length = np.maximum(np.hypot(np.diff(x), np.diff(y)), 1e-9)
    turn = np.abs(np.diff(np.unwrap(np.arctan2(np.diff(y), np.diff(x)))))
    s = np.concatenate([[0.0], np.cumsum(length)])
    step = np.full(x.size, s[-1])
    step[1:-1] = np.sqrt(8.0 * tolerance * 0.5 * (length[1:] + length[:-1]) / np.maximum(turn, 1e-12))
    step = np.minimum.accumulate(step - s) + s
    step = np.minimum.accumulate((step + s)[::-1])[::-1] - s
    passed = np.concatenate([[0.0], np.cumsum(length / np.minimum(step[1:], step[:-1]))])
    wanted = np.searchsorted(passed, np.arange(1.0, passed[-1]))
    return np.unique(np.concatenate([[0], wanted, [x.size - 1]]))


def band_path(x: Array, low: Array, high: Array) -> str:
    """The area between two curves over the same x (N,) in drawing units."""
    return path_data(np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]]), close=True)


def boxes_path(left: Array, right: Array, top: Array, bottom: Array) -> str:
    """Upright rectangles (K,) in drawing units as one path."""
    edges = np.rint(np.column_stack([left, top, right, bottom])).astype(np.int64)
    return "".join(f"M{a} {t}H{b}V{u}H{a}z" for a, t, b, u in edges.tolist())
