"""The start line: given, taken from a track, or proposed where none is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from linelab.arrays import distance_along, frozen_array, set_field
from linelab.errors import InputError, RecordingError
from linelab.files.projection import LocalPlane, to_plane
from linelab.geometry.curve import curve_at
from linelab.model.track import Track, along
from linelab.recorded.samples import Samples
from linelab.units import Array


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StartLine:
    """A line across the track; driving goes over it with ``left`` on the left.

    Parameters
    ----------
    left, right : (2,) array
        Its ends in the plane, east and north [m].
    origin : str
        Where it comes from, which decides what can be done about it: a track, the user, or
        :func:`propose_start_line`.
    """

    left: Array
    right: Array
    origin: Literal["track", "given", "proposed"] = "given"

    def __post_init__(self) -> None:
        for name in ("left", "right"):
            set_field(self, name, frozen_array("StartLine", name, getattr(self, name), shape=(2,)))
        if not 0.5 < self.width < 200.0:
            raise InputError(
                f"the line is {self.width:.2f} m long, not between 0.5 and 200 m",
                where="start line",
                remedy="Give its left end, then its right end: longitude before latitude each, or x before y in metres",
            )

    @property
    def width(self) -> float:
        """Length of the line [m]."""
        return float(np.hypot(*(self.left - self.right)))

    @property
    def centre(self) -> Array:
        """Its middle (2,) [m]."""
        return 0.5 * (self.left + self.right)

    @property
    def across(self) -> Array:
        """Unit vector from right to left (2,)."""
        return (self.left - self.right) / self.width

    @property
    def heading(self) -> Array:
        """Unit vector of driving over the line (2,)."""
        across = self.across
        return np.array([across[1], -across[0]])

    def axes(self, x: Array, y: Array) -> tuple[Array, Array]:
        """How far points (N,) are past the line, and how far along it from its middle, positive left [m]."""
        dx, dy, heading, across = x - self.centre[0], y - self.centre[1], self.heading, self.across
        return dx * heading[0] + dy * heading[1], dx * across[0] + dy * across[1]


def start_line_at(plane: LocalPlane, left: Sequence[float], right: Sequence[float]) -> StartLine:
    """A start line from the longitude and latitude [deg] of its ends."""
    x, y = to_plane(plane, np.array([left[0], right[0]]), np.array([left[1], right[1]]))
    return StartLine(left=np.array([x[0], y[0]]), right=np.array([x[1], y[1]]))


def track_line(track: Track, station: float) -> StartLine:
    """The line across a track at a station, along the normal of the reference line, edge to edge."""
    point = curve_at(track.reference, station)
    normal = np.array([-np.sin(point.psi), np.cos(point.psi)])
    centre = np.array([point.x, point.y])
    left, right = (
        float(along(track, track.w_left, np.array(station))),
        float(along(track, track.w_right, np.array(station))),
    )
    return StartLine(left=centre + left * normal, right=centre - right * normal, origin="track")


def propose_start_line(samples: Samples, *, width: float = 12.0) -> StartLine:
    """A line across the middle of the longest straight of a recording.

    The longest run of travel that stays within a metre of its chord: first of the whole recording, then of the median
    of the laps that this cuts, where there are two or more of about one length.  On one lap alone the noise of that lap
    decides between straights of nearly one length.

    Raises
    ------
    RecordingError
        The recording moves less than 100 m.
    """
    distance = distance_along(samples.x, samples.y)
    if distance[-1] < 100.0:
        raise RecordingError(
            "the recording moves less than 100 m",
            where=samples.source,
            remedy="Choose the recording of a session on track",
        )
    grid = np.arange(0.0, distance[-1], _APART)
    path = np.column_stack([np.interp(grid, distance, values) for values in (samples.x, samples.y)])
    kernel = np.ones(3) / 3.0
    path = np.column_stack([np.convolve(values, kernel, "valid") for values in path.T])
    first = _across_straight(path, width)
    lap = _median_lap(path, first)
    return first if lap is None else _across_straight(np.vstack([lap, lap]), width, most=len(lap))


#: Points of a path in which a straight is sought are about this far apart [m].
_APART = 4.0
#: The same on the median of the laps [m].
_FINE = 1.0
#: Laps are of one length within this share of their median length [-].
_ALIKE = 0.05


#: A stretch is straight where it stays this near to the chord of its ends [m]: far more than the noise of a median.
_SAGITTA = 1.0


def _across_straight(path: Array, width: float, most: int | None = None) -> StartLine:
    """A line across the middle of the longest straight of a path (N, 2) of at most so many steps."""
    most = len(path) if most is None else most
    start, best = 0, (0, 1)
    for end in range(1, len(path)):
        while end - start > most or _bow(path[start : end + 1]) > _SAGITTA:
            start += 1
        if end - start > best[1] - best[0]:
            best = (start, end)
    chord = path[best[1]] - path[best[0]]
    across = 0.5 * width * np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    centre = path[(best[0] + best[1]) // 2]
    return StartLine(left=centre + across, right=centre - across, origin="proposed")


def _bow(path: Array) -> float:
    """Largest distance of a path (N, 2) from the chord of its ends [m]."""
    from_first, chord = path - path[0], path[-1] - path[0]
    length = float(np.hypot(*chord))
    if length < 1e-9:
        return float(np.hypot(*from_first.T).max())
    return float(np.abs(from_first[:, 0] * chord[1] - from_first[:, 1] * chord[0]).max() / length)


def _median_lap(path: Array, line: StartLine) -> Array | None:
    """Median, smoothed, of the laps that a line cuts of a path (N, 2), about _FINE apart; None without two alike."""
    from scipy.ndimage import uniform_filter1d

    ahead, across = line.axes(*path.T)
    over = np.flatnonzero((ahead[:-1] < 0.0) & (ahead[1:] >= 0.0) & (np.abs(across[1:]) < 0.5 * line.width)) + 1
    lengths = np.diff(over)
    if lengths.size == 0:
        return None
    usual = float(np.median(lengths))
    laps = [path[a:b] for a, b in pairwise(over) if abs(b - a - usual) <= _ALIKE * usual]
    if len(laps) < 2:
        return None
    share = np.linspace(0.0, 1.0, round(usual * _APART / _FINE), endpoint=False)
    even = [
        np.column_stack([np.interp(share, np.linspace(0.0, 1.0, len(lap), endpoint=False), v) for v in lap.T])
        for lap in laps
    ]
    return np.asarray(uniform_filter1d(np.median(even, axis=0), round(3.0 * _APART / _FINE), axis=0, mode="wrap"))
