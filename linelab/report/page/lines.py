"""The laps on the map: the target's line, and driven lines in classes of time lost by the metre."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.values import LapReview, SessionReview
from linelab.geometry.frenet import sn_to_xy
from linelab.lap import Lap
from linelab.report.figures_data import runs, time_gap
from linelab.report.page.ground import TOLERANCE
from linelab.report.page.paths import map_path, thinned
from linelab.units import Array

#: Classes of time lost by the metre, as shares of the session's strong losses: below the first a gain, then level, then
#: two of loss.
CLASSES = ("gains", "level", "loses", "loses-much")
BOUNDS = (-0.2, 0.2, 0.6)


def target_path(lap: Lap) -> str:
    """A whole line on the map."""
    keep = thinned(lap.line.x, lap.line.y, TOLERANCE)
    return map_path(lap.line.x[keep], lap.line.y[keep])


def full_rate(review: SessionReview) -> float:
    """Time lost by the metre that counts as much: the 97 % quantile over the laps [s/m]."""
    rates = [np.abs(time_gap(review.target.lap, lap.comparison.driven.lap).rate) for lap in review.laps]
    return max(float(np.quantile(np.concatenate(rates), 0.97)), 1e-4)


def lap_paths(review: SessionReview, lap: LapReview, peak: float) -> tuple[str, ...]:
    """The driven line's pieces, one path a class of CLASSES."""
    line = lap.comparison.driven.lap.line
    paths = ["" for _ in CLASSES]
    for code, index in classed_pieces(review.target.lap, lap.comparison.driven.lap, peak):
        paths[code] += map_path(line.x[index], line.y[index])
    return tuple(path or "M0 0" for path in paths)


def classed_pieces(target: Lap, driven: Lap, peak: float) -> list[tuple[int, NDArray[np.intp]]]:
    """The driven line in pieces of one class each: the class's number, and the indices of the points to draw."""
    line = driven.line
    lost = time_gap(target, driven)
    codes = np.digitize(np.interp(line.s, lost.s, lost.rate) / peak, BOUNDS).astype(np.int8)
    keep = thinned(line.x, line.y, TOLERANCE)
    found = []
    for code, first, last in runs(codes):
        inside = keep[(keep > first) & (keep < last + 1)]
        index = np.unique(np.concatenate([[first], inside, [min(last + 1, line.s.size - 1)]]))
        if index.size > 1:
            found.append((code, index))
    return found


def band_outline(review: SessionReview) -> str:
    """Where the laps ran: mean line plus and minus its spread, as an area on the map."""
    band = review.consistency.band
    left = sn_to_xy(review.track.reference, band.s, band.n + band.spread)
    right = sn_to_xy(review.track.reference, band.s, band.n - band.spread)
    keep = [thinned(*side, TOLERANCE) for side in (left, right)]

    def joined(k: int) -> Array:
        return np.concatenate([left[k][keep[0]], right[k][keep[1]][::-1]])

    return map_path(joined(0), joined(1), close=True)
