"""A placed motion as a lap: the line with the track's surface under it, and the clock."""

from __future__ import annotations

import numpy as np

from linelab.comparison.align import Placement
from linelab.geometry.curve import curve_at
from linelab.lap import Lap, Limit, Line
from linelab.solve.kinematics import path_beside
from linelab.solve.lines import surface_with
from linelab.track import Track


def placed_lap(track: Track, placed: Placement, label: str) -> Lap:
    """The line with the track's surface under it, and the clock."""
    turn = np.diff(placed.psi)
    chord = np.hypot(np.diff(placed.x), np.diff(placed.y))
    # An arc is longer than its chord by (turn/2)/sin(turn/2).
    distance = np.concatenate(
        [[0.0], np.cumsum(np.maximum(chord, 1e-6) / np.sinc(np.clip(turn, -3.0, 3.0) / (2.0 * np.pi)))]
    )
    beside = path_beside(placed.kappa, placed.xi, placed.n, curve_at(track.reference, placed.s).kappa)
    surface = surface_with(track, placed.s, beside, np.ones_like(distance))
    line = Line(
        distance=distance,
        x=placed.x,
        y=placed.y,
        psi=placed.psi,
        kappa=placed.kappa,
        s=placed.s,
        n=placed.n,
        **surface._asdict(),
        closed=False,
    )
    return Lap(
        line=line,
        t=placed.t - placed.t[0],
        v=placed.v,
        ax=placed.ax,
        limited_by=np.full(distance.size, Limit.NONE),
        label=label,
    )
