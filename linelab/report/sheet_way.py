"""The way a walker takes: distances along a lap's line between stations, over the start line of a closed track too."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.lap import Lap, Line
from linelab.track import Track
from linelab.units import Array


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Way:
    """Distances and values along a lap's line by station, over the start line of a closed track too."""

    track: Track
    lap: Lap

    @property
    def line(self) -> Line:
        """The line that is walked."""
        return self.lap.line

    def local(self, station: float) -> float:
        """Station within the lap [m]."""
        return station % self.track.length if self.track.closed else station

    def walked(self, station: float) -> float:
        """Distance walked along the line from station 0, laps before and after included [m]."""
        laps = station // self.track.length if self.track.closed else 0.0
        return float(np.interp(self.local(station), self.line.s, self.line.distance)) + laps * self.line.length

    def ahead(self, start: float, stop: float) -> float:
        """Distance from one station to another, on a closed track the next time round and never negative [m]."""
        distance = self.walked(stop) - self.walked(start)
        if not self.track.closed:
            return distance
        round_lap = distance % self.line.length
        return 0.0 if self.line.length - round_lap < 1e-6 else round_lap  # rounding must not make it a whole lap

    def apart(self, start: float, stop: float) -> float:
        """Signed distance by the shorter way round [m]."""
        ahead = self.ahead(start, stop)
        return ahead - self.line.length if self.track.closed and ahead > 0.5 * self.line.length else ahead

    def value(self, values: Array, station: float) -> float:
        """One of the lap's arrays (N,) at a station."""
        return float(np.interp(self.local(station), self.line.s, values))

    def between(self, start: float, stop: float, values: Array) -> Array:
        """Values every half metre from one station to the next one (unwrapped)."""
        s = np.linspace(start, stop, max(int(2.0 * (stop - start)) + 1, 2))
        return np.interp(np.mod(s, self.track.length) if self.track.closed else s, self.line.s, values)
