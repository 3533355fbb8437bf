"""A closed corridor drawn in from both sides: for what its lap would be with edges nearer than they were taken for."""

from __future__ import annotations

import numpy as np

from linelab.geometry.frenet import sn_to_xy
from linelab.io.track_build import track_from_edges
from linelab.track import Track
from linelab.units import Array


def narrowed(track: Track, by: float, least: float) -> Track:
    """The corridor with both edges ``by`` nearer its middle, but never narrower than ``least`` [m].

    Raises
    ------
    TrackError
        The narrower edges make no track.
    """
    middle = 0.5 * (track.w_left - track.w_right)
    half = np.maximum(0.5 * track.width - by, 0.5 * least)
    left, right = (_edge(track, middle + side * half) for side in (1.0, -1.0))
    return track_from_edges(track.name, left, right, closed=True)


def _edge(track: Track, n: Array) -> Array:
    """A line at offsets (N,) from the reference line, its first point not repeated (N-1, 2)."""
    return np.column_stack(sn_to_xy(track.reference, track.s, n))[:-1]
