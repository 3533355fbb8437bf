"""What part of the map a close-up shows."""

from __future__ import annotations

import numpy as np

from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.output.page.svg_map import PER_METRE
from linelab.study.habit_effect import at_stations

#: Shown beside the line all round [m].
ROADSIDE = 9.0


def close_up_box(track: Track, lap: Lap, first: float, last: float) -> list[int]:
    """A close-up of a lap's line from one station to the next one (unwrapped) [m]: left, top, width and height in the
    map's units."""
    s = np.linspace(first, max(last, first + 1.0), 100)
    if not track.closed:
        s = np.clip(s, lap.line.s[0], lap.line.s[-1])
    x, y = (at_stations(track, lap, values, s) for values in (lap.line.x, lap.line.y))
    low = np.array([x.min(), -y.max()]) - ROADSIDE
    high = np.array([x.max(), -y.min()]) + ROADSIDE
    found: list[int] = np.rint(PER_METRE * np.concatenate([low, high - low])).astype(int).tolist()
    return found
