"""The start line: given, taken from a track, or proposed where none is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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

    The longest run of travel in which the heading changes by less than 6 degrees, among runs taken at more than
    half the typical speed.

    Raises
    ------
    RecordingError
        The recording moves less than 100 m.
    """
    distance = distance_along(samples.x, samples.y)
    grid = np.arange(0.0, distance[-1], 4.0)
    if grid.size < 25:
        raise RecordingError(
            "the recording moves less than 100 m",
            where=samples.source,
            remedy="Choose the recording of a session on track",
        )
    x, y = np.interp(grid, distance, samples.x), np.interp(grid, distance, samples.y)
    kernel = np.ones(3) / 3.0
    x, y = np.convolve(x, kernel, "valid"), np.convolve(y, kernel, "valid")
    psi = np.unwrap(np.arctan2(np.diff(y), np.diff(x)))
    start, best = 0, (0, 0)
    for end in range(1, psi.size):
        while np.ptp(psi[start : end + 1]) > np.radians(6.0):
            start += 1
        if end - start > best[1] - best[0]:
            best = (start, end)
    middle = (best[0] + best[1]) // 2
    heading = float(psi[best[0] : best[1] + 1].mean())
    across = 0.5 * width * np.array([-np.sin(heading), np.cos(heading)])
    centre = np.array([x[middle], y[middle]])
    return StartLine(left=centre + across, right=centre - across, origin="proposed")
