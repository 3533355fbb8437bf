"""Edges of invented tracks for tests, made with shapely (a general-purpose geometry library), and its verdict."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from linelab.geometry.frenet import sn_to_xy
from linelab.geometry.reference_line import Corridor


def circle(radius, count=400, phase=0.0):
    angle = phase + np.arange(count) * 2.0 * np.pi / count
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def oval(inside, width, straight=60.0):
    """Two straights and two half circles, driven anticlockwise: left edge, right edge."""
    angle = np.linspace(-np.pi / 2.0, np.pi / 2.0, 60)

    def ring(radius):
        right = np.column_stack([straight + radius * np.cos(angle), radius * np.sin(angle)])
        left = np.column_stack([-radius * np.cos(angle), -radius * np.sin(angle)])
        return np.vstack([right, left])

    return ring(inside), ring(inside + width)


def ring_road(corners, width, join="round", anticlockwise=True):
    """Road of constant width about a polygon; None where its edges would not both be single rings."""
    shape = Polygon(corners)
    inner = shape.buffer(-width / 2.0, join_style=join, quad_segs=16)
    outer = shape.buffer(width / 2.0, join_style=join, quad_segs=16)
    if not shape.is_valid or inner.is_empty or inner.geom_type != "Polygon" or inner.interiors or outer.interiors:
        return None
    # A lobe narrower than the road vanishes from the inner edge: not a road any more.
    if inner.buffer(width / 2.0 + 0.01, join_style="mitre").area < shape.area - 0.01 * shape.length:
        return None
    left, right = (np.array(part.exterior.coords)[:-1] for part in (inner, outer))
    left, right = (part if Polygon(part).exterior.is_ccw else part[::-1] for part in (left, right))
    return (left, right) if anticlockwise else (right[::-1], left[::-1])


def serpentine(width=8.0, gap=1.5, stretches=6, length=50.0, join="round", anticlockwise=True):
    """Parallel stretches ``gap`` apart, joined by hairpins of inside radius gap/2 or square, and a way back."""
    pitch = width + gap
    points = []
    for i in range(stretches):
        ends = (0.0, length) if i % 2 == 0 else (length, 0.0)
        points += [(end, i * pitch) for end in ends]
    points += [(-width - 7.0, (stretches - 1) * pitch), (-width - 7.0, 0.0)]
    return ring_road(points, width, join, anticlockwise)


def along(centre, width, closed):
    """Edges of a smooth centre line (N, 2) dense enough that central differences give its normal."""
    ahead = np.roll(centre, -1, axis=0) - np.roll(centre, 1, axis=0) if closed else np.gradient(centre, axis=0)
    ahead = ahead / np.hypot(*ahead.T)[:, None]
    normal = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    return centre + 0.5 * width * normal, centre - 0.5 * width * normal


def figure_of_eight(size=60.0, width=8.0, count=600):
    angle = 0.3 + np.arange(count) * 2.0 * np.pi / count
    centre = np.column_stack([size * np.sin(angle), size * np.sin(angle) * np.cos(angle)])
    return along(centre, width, True)


def spiral(turns=4, width=8.0, gap=1.5, count=1200):
    """Open: neighbouring stretches run the same way, ``gap`` apart."""
    angle = np.linspace(0.0, 2.0 * np.pi * turns, count)
    radius = 12.0 + (width + gap) * angle / (2.0 * np.pi)
    return along(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]), width, False)


def winding(kilometres, width=10.0):
    """Open road of gentle bends, as long as asked."""
    s = np.arange(0.0, 1000.0 * kilometres, 2.0)
    psi = 2.0 * np.cumsum(0.02 * np.sin(s / 37.0) + 0.01 * np.sin(s / 91.0 + 1.0) + 0.008 * np.sin(s / 23.0))
    return along(2.0 * np.column_stack([np.cumsum(np.cos(psi)), np.cumsum(np.sin(psi))]), width, False)


@dataclass(frozen=True)
class Match:
    """Distances between the edges as surveyed and as reproduced from (s, n) [m]."""

    outwards: float  # furthest a reproduced edge strays beyond the surveyed road
    rms_smooth: float  # root mean square where the survey is smooth
    lost: float  # furthest a surveyed edge lies from the reproduced one


def match(corridor: Corridor, left, right, closed=True, smooth_angle=0.35) -> Match:
    """Compare by shapely's distances, both ways, on a four times finer table."""
    curve = corridor.reference
    s = np.linspace(0.0, curve.length, 4 * curve.s.size - 3)
    errors, strays, losses = [], [], []
    road = road_polygon(left, right) if closed else None
    shapely.prepare(road)
    for edge, width, sign in ((left, corridor.w_left, 1.0), (right, corridor.w_right, -1.0)):
        points = np.asarray(edge)[:, :2]
        line = LineString(np.vstack([points, points[:1]]) if closed else points)
        x, y = sn_to_xy(curve, s, sign * np.interp(s, curve.s, width))
        ends = slice(None) if closed else slice(20, -20)
        reproduced = shapely.points(x, y)[ends]
        distance = distances(reproduced, line)
        corner = sharp_points(line, smooth_angle)
        far = shapely.distance(reproduced, corner) > 3.0 if len(corner.geoms) else np.ones(distance.size, bool)
        errors.append(distance[far])
        if road is not None:
            strays.append(np.where(shapely.contains(road, reproduced), 0.0, distance).max())
        dense = shapely.points(np.array(line.segmentize(0.25).coords))[slice(None) if closed else slice(40, -40)]
        losses.append(distances(dense, LineString(np.column_stack([x, y]))).max())
    rms = float(np.sqrt(np.mean(np.concatenate(errors) ** 2)))
    return Match(outwards=float(max(strays, default=0.0)), rms_smooth=rms, lost=float(max(losses)))


def distances(points, line):
    """Distance of points from a line, by an index over its segments."""
    xy = np.array(line.coords)
    tree = shapely.STRtree(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)))
    return tree.query_nearest(points, return_distance=True, all_matches=False)[1]


def road_polygon(left, right):
    """The road's area between two closed edges; None where the track crosses itself."""
    a, b = Polygon(np.asarray(left)[:, :2]), Polygon(np.asarray(right)[:, :2])
    return a.symmetric_difference(b) if a.is_valid and b.is_valid else None


def knife_edge(width=8.0, thickness=0.02):
    """A wall of almost no thickness with the track all round it: inside corners of 180 degrees about a point."""
    wall = [(0.0, 0.0), (60.0, 0.0), (60.0, thickness), (0.0, thickness)]
    outer = np.array(LineString([(0.0, 0.5 * thickness), (60.0, 0.5 * thickness)]).buffer(width).exterior.coords)[:-1]
    return np.array(wall), outer if Polygon(outer).exterior.is_ccw else outer[::-1]


def sharp_points(line, angle):
    """Vertices of a line that turn by more than ``angle`` [rad]."""
    xy = np.array(line.coords)
    legs = np.diff(np.vstack([xy[-2:-1], xy]), axis=0) if line.is_ring else np.diff(xy, axis=0)
    vertices = xy[:-1] if line.is_ring else xy[1:-1]
    cross = legs[:-1, 0] * legs[1:, 1] - legs[:-1, 1] * legs[1:, 0]
    turn = np.arctan2(cross, np.einsum("ij,ij->i", legs[:-1], legs[1:]))
    return shapely.MultiPoint(vertices[np.abs(turn) > angle])
