"""Lines as SVG path data: whole numbers, relative steps, and only as many points as the eye can tell.

A small drawing of a track or a lap for notebooks.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from linelab.errors import on_one_line
from linelab.units import Array


def path_data(x: Array, y: Array, *, close: bool = False) -> str:
    """A polyline (N,) in drawing units as path data, rounded to whole units without the error adding up."""
    points = np.rint(np.column_stack([x, y])).astype(np.int64)
    steps = np.diff(points, axis=0)
    steps = steps[steps.any(axis=1)]
    first, rest = (" ".join(map(str, part.ravel().tolist())).replace(" -", "-") for part in (points[0], steps))
    return f"M{first}" + (f"l{rest}" if rest else "") + ("z" if close else "")


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


#: Longer side of a small drawing and its margin [pixels]; lines are thinned to a quarter of a pixel.
SIDE, MARGIN, FINE = 320.0, 14.0, 0.25


def small_drawing(
    caption: str, road: Sequence[Array] = (), line: Array | None = None, labels: Sequence[tuple[str, Array]] = ()
) -> str:
    """A drawing (SVG) over its caption, as HTML; colours are the page's own.

    Parameters
    ----------
    caption : str
        Escaped here.
    road : sequence of (M, 2) arrays
        Rings: what lies between them is the road, east and north [m].
    line : (N, 2) array, optional
        A path over it [m].
    labels : sequence of (str, (2,) array)
        Texts and their middles [m].
    """
    every = np.vstack([*road, *([] if line is None else [line])])
    low, high = every.min(axis=0), every.max(axis=0)
    scale = SIDE / max(float((high - low).max()), 1e-9)
    # Tenths of a pixel, y downwards.
    wide, tall = (10.0 * (scale * (high - low) + 2.0 * MARGIN)).round().astype(int)

    def placed(points: Array) -> Array:
        return np.asarray(10.0 * ((points - [low[0], high[1]]) * [scale, -scale] + MARGIN))

    def path(points: Array, *, close: bool) -> str:
        x, y = placed(points).T
        keep = thinned(x, y, 10.0 * FINE)
        return path_data(x[keep], y[keep], close=close)

    shapes = []
    if road:
        rings = "".join(path(ring, close=True) for ring in road)
        shapes.append(f'<path d="{rings}" fill="currentColor" fill-opacity="0.25" fill-rule="evenodd"/>')
    if line is not None:
        shapes.append(f'<path d="{path(line, close=False)}" fill="none" stroke="currentColor" stroke-width="15"/>')
    for text, middle in labels:
        x, y = placed(middle).round().astype(int)
        shapes.append(
            f'<text x="{x}" y="{y}" font-size="110" text-anchor="middle" dominant-baseline="central" '
            f'fill="currentColor">{escape(text)}</text>'
        )
    words = escape(on_one_line(caption))
    return (
        f'<figure style="margin:0"><svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{words}" '
        f'viewBox="0 0 {wide} {tall}" width="{wide / 10:.0f}">{"".join(shapes)}</svg>'
        f"<figcaption>{words}</figcaption></figure>"
    )
