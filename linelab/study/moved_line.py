"""The reference line moved off an apex, smoothly: by most at the apex, by less before and after it, and back again."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.comparison.marks import CornerMarks
from linelab.geometry.curve import curve_at
from linelab.kart import Kart
from linelab.lap import Line
from linelab.solve.lines import Offsets, line_from_offsets
from linelab.solve.mesh import corridor
from linelab.solve.mintime import Solution
from linelab.track import Track
from linelab.units import Array

#: Lengths of the move tried, as shares of the way from the apex to where the line next meets the outside edge.
REACHES = (0.4, 0.6, 0.8, 1.0, 1.2)
#: Smaller exponent of the move's shape x^a (1 - x)^b; above 2 its curvature starts and ends without a jump.
SHAPES = (2.5, 3.5)
#: A move reaches at most this far from the apex [m], and counts as the other side of the track from this gap on [m].
LONGEST, TOUCHING = 80.0, 0.1
#: A moved line may lie this far over the outside edge [m]; solved lines are accepted with a little more.
OVER_EDGE = 0.02
#: Nothing moved.
NO_MOVE = (np.zeros(1), np.zeros(1), np.zeros(1))


class Base(NamedTuple):
    """The reference line as an offset function with its derivatives, and the room on either side of it (N,) [m]."""

    offsets: Offsets
    left_room: Array
    right_room: Array


def base_of(track: Track, kart: Kart, solution: Solution, use_kerbs: bool) -> Base:
    """Derivatives of the solved offset from its heading and curvature: :func:`linelab.solve.kinematics.path_state`."""
    line = solution.lap.line
    at = curve_at(track.reference, line.s)
    q = 1.0 - line.n * at.kappa
    n1 = q * np.tan(line.psi - at.psi)
    stretch = np.hypot(q, n1)
    q1 = -(n1 * at.kappa + line.n * at.dkappa)
    n2 = ((line.kappa * stretch - at.kappa) * stretch**2 + n1 * q1) / q
    low, high = corridor(track, line.s, 0.5 * kart.width, use_kerbs)
    return Base(Offsets(line.s, line.n, n1, n2), high - line.n, line.n - low)


def moved(track: Track, kart: Kart, solution: Solution, base: Base, move: tuple[Array, Array, Array]) -> Line:
    """The reference line moved by offsets with their first and second derivatives by station, each (N,)."""
    s, n, n1, n2 = base.offsets
    offsets = Offsets(s, n + move[0], n1 + move[1], n2 + move[2])
    return line_from_offsets(track, offsets, half_width=0.5 * kart.width, grip=solution.grip)


def fits(base: Base, move: Array) -> bool:
    """Whether a moved line stays on the track; where the reference itself lies over the edge it need not come back."""
    room = np.where(move > 0.0, base.left_room, base.right_room)
    touched = np.abs(move) > 1e-3
    return bool((np.abs(move) <= np.maximum(room, 0.0) + OVER_EDGE)[touched].all())


def shapes(track: Track, base: Base, mark: CornerMarks) -> list[tuple[Array, Array, Array]]:
    """Moves by one metre away from the inside edge at the apex, with derivatives; one a length and shape."""
    s = base.offsets.s
    u = s - mark.apex
    if track.closed:
        u = np.mod(u + 0.5 * track.length, track.length) - 0.5 * track.length
    away = -1.0 if mark.corner.left else 1.0
    room = base.right_room if mark.corner.left else base.left_room
    before, after = _reach(u, room < TOUCHING)
    found = []
    for share in REACHES:
        for least in SHAPES:
            value, slope, bend = _hump(u, share * before, share * after, least)
            found.append((away * value, away * slope, away * bend))
    return found


def _reach(u: Array, touching: NDArray[np.bool_]) -> tuple[float, float]:
    """How far before and after the apex the line meets the outside edge, or the line or the search ends [m]."""
    limits = []
    for side in (-u, u):
        met = side[touching & (side > 1.0)]
        limits.append(min([LONGEST, float(side.max()), *([float(met.min())] if met.size else [])]))
    return max(limits[0], 2.0), max(limits[1], 2.0)


def _hump(u: Array, before: float, after: float, least: float) -> tuple[Array, Array, Array]:
    """x^a (1 - x)^b scaled to 1 at its top, which lies at u = 0, with derivatives by u; zero outside its ends.

    A single smooth function whose top may lie off its middle: a/(a + b) is the top's place, the smaller exponent
    ``least``.
    """
    width = before + after
    top = float(np.clip(before / width, 0.15, 0.85))
    x = np.clip((u + top * width) / width, 0.0, 1.0)
    a, b = (least * top / min(top, 1.0 - top), least * (1.0 - top) / min(top, 1.0 - top))
    scale = top**a * (1.0 - top) ** b
    y = 1.0 - x
    value = x**a * y**b
    slope = a * x ** (a - 1.0) * y**b - b * x**a * y ** (b - 1.0)
    bend = (
        a * (a - 1.0) * x ** (a - 2.0) * y**b
        - 2.0 * a * b * x ** (a - 1.0) * y ** (b - 1.0)
        + b * (b - 1.0) * x**a * y ** (b - 2.0)
    )
    return value / scale, slope / (scale * width), bend / (scale * width**2)
