"""The edges as given: how much room the ends of a kart's width, square to its path, have beside it.

Neither the reference line nor the widths measured along it take part: the ground is the polygon between the edges'
own vertices and the kerbs' usable strips beyond them.  It is looked at in pieces along the track, so that a stretch
that passes beside or over another one is never taken for it.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple, get_args

import numpy as np
import shapely
from numpy.typing import NDArray

from linelab.arrays import distance_along
from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import xy_to_sn
from linelab.model.grip_field import kerb_width
from linelab.model.lap import Line
from linelab.model.track import Side, Track
from linelab.optimum.mesh import corridor
from linelab.units import Array

#: Length of a piece of ground, and how far it goes on at both ends [m]: farther than any end of a kart's width reaches.
PIECE, MARGIN = 25.0, 12.0
#: Longest part of an edge that is placed along the track in one, and that a kerb's strip is laid along in one [m].
STEP, STRIP = 3.0, 0.5
#: A vertex sticks out where the edge turns away from the road by more than this [rad]: between two places 0.1 m apart a
#: path could cut it by more than 2 mm.
SHARP = 0.08
#: Where it is looked at about such a vertex [m]: the path cuts deepest a little before or after it.
ABOUT = (-0.06, -0.035, -0.02, -0.01, 0.0, 0.01, 0.02, 0.035, 0.06)
#: Room is measured up to FAR; a limit follows the edges as given where there is less than NEAR [m].
NEAR, FAR = 0.3, 0.6
#: Where the widths along the normals leave this much more, there is no need to look: a path crosses normals slantwise.
SLANT = 0.4


Geometries = NDArray[np.object_]


class Ground(NamedTuple):
    """All P pieces of a track, each ``length`` long [m] and going on some way beyond, their left and right edges, and
    the vertices that stick out into the road (K, 2) with their stations, within the lap and in order (K,) [m]."""

    pieces: Geometries  #: (P,)
    edges: Geometries  #: (P, 2)
    length: float
    sharp: Array
    sharp_s: Array


class Room(NamedTuple):
    """Places along a path (M,): stations, offsets and the lowest and highest offset by the widths [m], and the distance
    of the left and the right end of the kart's width to the edge, negative beyond it, FAR where there is more (M, 2)
    [m]."""

    s: Array
    n: Array
    low: Array
    high: Array
    beside: Array
    sharp: Array  #: stations beside which an edge sticks out into the road (K,) [m]

    @property
    def over(self) -> float:
        """How far the path is over an edge at most [m]."""
        return float(max(-self.beside.min(), 0.0))

    @property
    def worst(self) -> float:
        """Station of the least room [m]."""
        return float(self.s[np.argmin(self.beside.min(axis=1))])


class Limits(NamedTuple):
    """Offset of a path and, for one beside it that touches the edges as given, the lowest and the highest (M,) [m]."""

    s: Array
    n: Array
    low: Array
    high: Array


@lru_cache(maxsize=2)
def room_beside(track: Track, line: Line, half_width: float) -> Room:
    """Distance of both ends of a kart's width, square to its path, to the edges as given.

    It is looked at at the line's nodes and where the path passes a vertex that sticks out into the road, between them.

    Parameters
    ----------
    track : Track
    line : Line
        Path of the kart's middle, its nodes about 0.1 m apart.
    half_width : float
        [m]
    """
    ground = ground_of(track)
    passing = _passing(track, ground, line)
    at = np.sort(np.concatenate([np.arange(line.s.size, dtype=np.float64), passing.ravel()]))
    known = np.arange(line.s.size)
    s, n, x, y, psi = (np.interp(at, known, each) for each in (line.s, line.n, line.x, line.y, line.psi))
    low, high = corridor(track, s, half_width)
    close = np.column_stack([high - n, n - low]) < FAR + SLANT
    across = half_width * np.array([1.0, -1.0])
    x, y = x[:, None] - across * np.sin(psi)[:, None], y[:, None] + across * np.cos(psi)[:, None]
    local = s - track.length * np.floor(s / track.length) if track.closed else s
    piece = np.clip((local / ground.length).astype(np.intp), 0, ground.pieces.size - 1)
    inside = shapely.contains_xy(ground.pieces[piece, None], x, y)
    own = np.nonzero(close | ~inside)
    apart = shapely.distance(ground.edges[piece[own[0]], own[1]], shapely.points(x[own], y[own]))
    room = np.full(x.shape, FAR)
    room[own] = np.where(inside[own], np.minimum(apart, FAR), -apart)
    return Room(s, n, low, high, room, np.interp(passing[:, len(ABOUT) // 2], known, line.s))


def _passing(track: Track, ground: Ground, line: Line) -> Array:
    """Where the path has the vertices that stick out square beside it, and about there: broken node numbers (K, J)."""
    known, last = np.arange(line.s.size), line.s.size - 1.0
    laps = np.floor(line.s[0] / track.length) if track.closed else 0.0
    stations = ground.sharp_s + laps * track.length
    stations = np.where(stations < line.s[0], stations + track.length, stations) if track.closed else stations
    at, fields = np.interp(stations, line.s, known), (line.x, line.y, line.psi, line.kappa, np.gradient(line.distance))
    for _ in range(8):
        x, y, psi, kappa, way = (np.interp(at, known, each) for each in fields)
        cos, sin = np.cos(psi), np.sin(psi)
        ahead, beside = ground.sharp[:, 0] - x, ground.sharp[:, 1] - y
        ahead, beside = ahead * cos + beside * sin, beside * cos - ahead * sin
        at = np.clip(at + ahead / np.maximum(1.0 - kappa * beside, 0.3) / way, 0.0, last)
    found = np.abs(ahead) < 0.1
    return np.asarray(np.clip(at[found, None] + np.array(ABOUT) / way[found, None], 0.0, last))


def limits_beside(room: Room) -> Limits:
    """Limits of the offset for paths near this one: the edges as given where it is near them, else the widths.

    They hold exactly for this path and to first order for those beside it, at whatever angle it crosses the normals.
    """
    low, high = room.low, room.high
    left, right = room.beside.T
    by_right, by_left = (np.clip((FAR - each) / (FAR - NEAR), 0.0, 1.0) for each in (right, left))
    return Limits(room.s, room.n, low + by_right * (room.n - right - low), high + by_left * (room.n + left - high))


@lru_cache(maxsize=8)
def ground_of(track: Track) -> Ground:
    """The ground of a track with its kerbs' usable strips, in pieces."""
    count = max(int(np.ceil(track.length / PIECE)), 4)
    length = track.length / count
    margin = min(MARGIN, track.length / 8.0) if track.closed else MARGIN
    edges = [_with_kerbs(track, side, _followed(track, side, margin)) for side in get_args(Side)]
    pieces, sides = np.empty(count, dtype=np.object_), np.empty((count, 2), dtype=np.object_)
    for k in range(count):
        left, right = (edge.between(k * length - margin, (k + 1) * length + margin) for edge in edges)
        ground = shapely.Polygon(np.vstack([left, right[::-1]]))
        sides[k] = shapely.LineString(left), shapely.LineString(right)
        if not ground.is_valid:  # an edge that folds over itself is no edge there
            ground = shapely.make_valid(ground)
            sides[k] = ground.boundary
        pieces[k] = shapely.simplify(ground, 1e-6, preserve_topology=False)  # most points only divide straight parts
    sides = shapely.simplify(sides, 1e-6, preserve_topology=False)
    shapely.prepare(pieces)
    sharp = [_sticking_out(edge, sign) for edge, sign in zip(edges, (1.0, -1.0))]
    points, s = np.vstack([edge.points for edge in sharp]), np.concatenate([edge.s for edge in sharp])
    here = np.flatnonzero((s >= 0.0) & (s < track.length))
    here = here[np.argsort(s[here])]
    return Ground(pieces, sides, length, points[here], s[here])


class _Followed(NamedTuple):
    """An edge's points (K, 2) in driving order with the stations beside them (K,), non-decreasing [m]."""

    s: Array
    points: Array

    def between(self, begin: float, end: float) -> Array:
        """Its points from one station to another, both included (J, 2)."""
        first, last = np.searchsorted(self.s, begin, side="right"), np.searchsorted(self.s, end, side="left")
        cut = np.column_stack([np.interp((begin, end), self.s, values) for values in self.points.T])
        return np.vstack([cut[:1], self.points[first:last], cut[1:]])


def _followed(track: Track, side: Side, margin: float) -> _Followed:
    """One edge as given, with stations; continued for ``margin`` at both ends, round the lap or straight on."""
    edge = track.left_edge if side == "left" else track.right_edge
    edge = np.vstack([edge, edge[:1]]) if track.closed else edge
    points = shapely.get_coordinates(shapely.segmentize(shapely.LineString(edge), STEP))
    s, _ = xy_to_sn(track.reference, *points.T, widths=(track.w_left, track.w_right))
    s = np.maximum.accumulate(s)
    if not track.closed:
        ends = curve_at(track.reference, np.array([0.0, track.length]))
        ahead = margin * np.column_stack([np.cos(ends.psi), np.sin(ends.psi)])
        points = np.vstack([points[0] - ahead[0], points, points[-1] + ahead[1]])
        return _Followed(np.concatenate([[s[0] - margin], s, [s[-1] + margin]]), points)
    lap = track.length
    s, points = np.minimum(s[:-1], s[0] + lap), points[:-1]
    s = s - lap * np.floor(s[0] / lap)
    return _Followed(np.concatenate([s + k * lap for k in (-2, -1, 0, 1)]), np.tile(points, (4, 1)))


def _sticking_out(edge: _Followed, sign: float) -> _Followed:
    """Vertices at which an edge turns away from the road by more than SHARP; ``sign`` is 1 for the left one."""
    ahead = np.diff(edge.points, axis=0)
    cross = ahead[:-1, 0] * ahead[1:, 1] - ahead[:-1, 1] * ahead[1:, 0]
    turn = np.arctan2(cross, np.einsum("ij,ij->i", ahead[:-1], ahead[1:]))
    at = np.flatnonzero(sign * turn > SHARP) + 1
    return _Followed(edge.s[at], edge.points[at])


def _with_kerbs(track: Track, side: Side, edge: _Followed) -> _Followed:
    """The edge moved out by the usable width of the side's kerbs, square to itself.

    Beyond the centre of a bend tighter than that width it folds over itself, and less is counted as ground.
    """
    if all(kerb.side != side for kerb in track.kerbs):
        return edge
    points = shapely.get_coordinates(shapely.segmentize(shapely.LineString(edge.points), STRIP))
    arc, known = distance_along(*points.T), distance_along(*edge.points.T)
    s = np.interp(arc, known, edge.s)
    ahead = np.diff(points, axis=0)
    ahead = ahead / np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    ahead = np.vstack([ahead[:1], ahead[1:] + ahead[:-1], ahead[-1:]])
    ahead = ahead / np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    out = kerb_width(track, side, s) * (1.0 if side == "left" else -1.0)
    return _Followed(s, points + out[:, None] * np.column_stack([-ahead[:, 1], ahead[:, 0]]))
