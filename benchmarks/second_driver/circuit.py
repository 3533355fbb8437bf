"""Fictional kart circuits, and circuits from edge polylines."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import shapely
from pyproj import Transformer
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from shapely import STRtree
from shapely.affinity import rotate, scale
from shapely.geometry import LinearRing, LineString, Point, Polygon
from shapely.ops import unary_union

Array = np.ndarray
STEP = 0.5  # [m] spacing of the stations along the centre line, about


class CircuitError(Exception):
    """The drawn shape cannot be built as a circuit."""


@dataclass(frozen=True)
class Road:
    """The road in stations along a smooth centre line, station 0 on the start line.

    Lengths, speeds and accelerations are taken in the plane: gradients up to some 5 % change them by about 0.1 %.

    All arrays have one value per station: s [m], x and y [m], tx and ty (unit tangent), curv [1/m] (left positive),
    dcurv [1/m^2], left and right (distance to the edges along the normal [m], both positive), room_left and
    room_right (extra room a margin needs where an edge runs at an angle, factor), z [m] and bank (rise towards the
    left, dz/dn).
    """

    length: float
    s: Array
    x: Array
    y: Array
    tx: Array
    ty: Array
    curv: Array
    dcurv: Array
    left: Array
    right: Array
    room_left: Array
    room_right: Array
    z: Array
    bank: Array

    def periodic(self, values: Array) -> CubicSpline:
        """Return a closed spline through one value per station."""
        return CubicSpline(np.append(self.s, self.length), np.append(values, values[0]), bc_type="periodic")

    def bounds(self, margin: float) -> tuple[Array, Array]:
        """Return the lowest and the highest offset [m] (left positive) at a margin [m] to the edges."""
        return -(self.right - margin * self.room_right), self.left - margin * self.room_left

    def station_of(self, x: float, y: float) -> float:
        """Return the station [m] nearest to a point [m]."""
        return float(self.s[np.argmin((self.x - x) ** 2 + (self.y - y) ** 2)])


@dataclass(frozen=True)
class Circuit:
    """A closed kart circuit: edges (N, 2 or 3) in local metres, in the driving direction, first vertex not repeated."""

    name: str
    left: Array
    right: Array
    start_line: Array  # two points [m], left end first
    origin: tuple[float, float]  # longitude and latitude of (0, 0) [degrees]

    @cached_property
    def road(self) -> Road:
        """The road in stations along its centre line."""
        return _survey(self.left, self.right, self.start_line)

    @cached_property
    def _plane(self) -> Transformer:
        lon, lat = self.origin
        plane = f"+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m"
        return Transformer.from_crs("EPSG:4326", plane, always_xy=True)

    def to_lonlat(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return longitude and latitude [degrees] of local metres."""
        lon, lat = self._plane.transform(x, y, direction="INVERSE")
        return np.asarray(lon), np.asarray(lat)

    def to_metres(self, lon: Array, lat: Array) -> tuple[Array, Array]:
        """Return local x and y [m] of longitude and latitude [degrees]."""
        x, y = self._plane.transform(lon, lat)
        return np.asarray(x), np.asarray(y)

    def edge_gap(self, x: Array, y: Array) -> Array:
        """Return the distance [m] of points to the nearer edge, negative outside the road."""
        rings = [LinearRing(edge[:, :2]) for edge in (self.left, self.right)]
        outer, inner = sorted((Polygon(r) for r in rings), key=lambda p: -p.area)
        road = outer.difference(inner)
        points = shapely.points(x, y)
        gap = np.minimum(shapely.distance(points, rings[0]), shapely.distance(points, rings[1]))
        shapely.prepare(road)
        return np.where(shapely.contains(road, points), gap, -gap)


def circuit_from_edges(
    left: Array,
    right: Array,
    name: str,
    *,
    start_line: Array | None = None,
    origin: tuple[float, float] = (0.0, 0.0),
) -> Circuit:
    """Return a circuit from edge polylines [m] in the driving direction.

    Without a start line one is laid across the longest straight.
    """
    left, right = _open_ring(left), _open_ring(right)
    if start_line is None:
        road = _survey(left, right, None)
        near = 12  # [m] only what bends less than a gentle curve over this length counts as straight
        bend = gaussian_filter1d(np.abs(road.curv), near / STEP / 2, mode="wrap")
        begin, size = _longest_run(bend < 0.012)
        k = (begin + int(0.6 * size)) % len(road.s)
        nx, ny = -road.ty[k], road.tx[k]
        start_line = np.array(
            [
                [road.x[k] + nx * road.left[k], road.y[k] + ny * road.left[k]],
                [road.x[k] - nx * road.right[k], road.y[k] - ny * road.right[k]],
            ]
        )
    return Circuit(name, left, right, np.asarray(start_line, float)[:, :2], origin)


def write_geojson(circuit: Circuit, path: str | Path) -> None:
    """Write the circuit as an RFC 7946 FeatureCollection."""

    def line(role: str, points: Array, closed: bool) -> dict:
        points = np.vstack([points, points[:1]]) if closed else points
        lon, lat = circuit.to_lonlat(points[:, 0], points[:, 1])
        columns = [np.round(lon, 9), np.round(lat, 9)]
        if points.shape[1] > 2:
            columns.append(np.round(points[:, 2], 3))
        coordinates = np.column_stack(columns).tolist()
        geometry = {"type": "LineString", "coordinates": coordinates}
        return {"type": "Feature", "properties": {"role": role}, "geometry": geometry}

    about = {
        "role": "track",
        "name": circuit.name,
        "closed": True,
        "georeferenced": True,
        "origin_lon": circuit.origin[0],
        "origin_lat": circuit.origin[1],
    }
    features = [
        {"type": "Feature", "properties": about, "geometry": None},
        line("left_edge", circuit.left, True),
        line("right_edge", circuit.right, True),
        line("start_line", circuit.start_line, False),
    ]
    Path(path).write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


def make_circuit(seed: int, *, hilly: bool = False) -> Circuit:
    """Return an invented circuit; the same seed gives the same circuit."""
    rng = np.random.default_rng([seed, 7411])
    for _ in range(4000):
        try:
            centre, width = _draw(rng)
            break
        except CircuitError:
            continue
    else:
        raise CircuitError(f"no circuit found for seed {seed}")
    tangent = np.gradient(np.vstack([centre[-2:], centre, centre[:2]]), axis=0)[2:-2]
    tangent /= np.hypot(*tangent.T)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    left = centre + normal * width[:, None] / 2
    right = centre - normal * width[:, None] / 2
    if hilly:
        rise, bank = _hills(rng, centre, width)
        left = np.column_stack([left, rise + bank * width / 2])
        right = np.column_stack([right, rise - bank * width / 2])
    parts = ["Wen", "Tar", "Ols", "Bri", "Mor", "Kel", "Fen", "Har", "Dun", "Sel"]
    tails = ["holm", "wick", "dale", "moor", "by", "ford", "ness", "combe", "thorpe", "mere"]
    name = f"{rng.choice(parts)}{rng.choice(tails)} Kart Circuit {seed}"
    origin = (round(float(rng.uniform(-170, 170)), 2), round(float(rng.choice([-1, 1]) * rng.uniform(15, 58)), 2))
    return circuit_from_edges(left, right, name, origin=origin)


# ---------------------------------------------------------------------------------------------------- drawing


def _draw(rng: np.random.Generator) -> tuple[Array, Array]:
    """Draw a centre line (N, 2) [m] and its width [m]: the outline of a small random tree, bent and rounded."""
    unit = rng.uniform(20, 27)
    width = rng.uniform(7.0, min(9.6, unit / 2.4))
    nodes, links = [(0, 0)], []
    for _ in range(int(rng.integers(6, 17))):
        i, j = nodes[int(rng.integers(len(nodes)))] if rng.random() < 0.45 else nodes[-1]
        di, dj = [(1, 0), (-1, 0), (0, 1), (0, -1)][int(rng.integers(4))]
        if (i + di, j + dj) not in nodes:
            nodes.append((i + di, j + dj))
            links.append(LineString([(2 * unit * i, 2 * unit * j), (2 * unit * (i + di), 2 * unit * (j + dj))]))
    if len(links) < 3:
        raise CircuitError
    shape = unary_union([k.buffer(unit / 2, cap_style="square", join_style="mitre") for k in links])
    if not isinstance(shape, Polygon) or shape.interiors:
        raise CircuitError
    shape = rotate(scale(shape.simplify(0.01), rng.uniform(1.0, 1.5), 1.0), rng.uniform(0, 360))
    corners = np.array(shape.exterior.coords)[:-1]
    corners = _drop_steps(corners, rng)
    corners = corners + rng.normal(0, 0.11 * unit, corners.shape)
    if rng.random() < 0.5:
        corners = corners[::-1]
    line = _round_off(corners, width, rng)
    line = _resample_ring(line, STEP)
    soft = rng.uniform(1.6, 3.2)  # [m] turns the arcs' ends into something like transition curves
    line = np.column_stack([gaussian_filter1d(line[:, k], soft / STEP, mode="wrap") for k in range(2)])
    line = _resample_ring(line, 0.7)
    length = len(line) * 0.7
    if not 450 < length < 1300:
        raise CircuitError
    bend = _ring_curvature(line)
    if np.max(np.abs(bend)) > 1 / (width / 2 + 4.0):
        raise CircuitError
    number = len(_bends(bend, 0.7))
    if not 7 <= number <= 13:
        raise CircuitError
    if _longest_run(np.abs(bend) < 0.004)[1] * 0.7 > 155 or _longest_run(np.abs(bend) < 0.004)[1] * 0.7 < 45:
        raise CircuitError
    # neighbouring stretches: centre lines two road widths apart unless they are the two arms of one hairpin
    points = line[::4]
    apart = np.hypot(points[:, None, 0] - points[None, :, 0], points[:, None, 1] - points[None, :, 1])
    along = np.abs(np.subtract.outer(np.arange(len(points)), np.arange(len(points)))) * 2.8
    along = np.minimum(along, length - along)
    if np.min(apart[along > np.pi * width + 18]) < 2 * width:
        raise CircuitError
    wave = gaussian_filter1d(rng.normal(size=len(line)), 60, mode="wrap")
    widths = np.clip(width * (1 + 0.06 * wave / (np.std(wave) + 1e-9)), 7.02, 9.98)
    return line - line.mean(axis=0), widths


def _drop_steps(corners: Array, rng: np.random.Generator) -> Array:
    """Leave out some corners where the outline steps left and right: gives diagonals and medium bends."""
    keep = np.ones(len(corners), bool)
    turn = _turn_angles(corners)
    for k in range(len(corners)):
        other = (k + 1) % len(corners)
        if turn[k] * turn[other] < 0 and keep[k - 1] and keep[k] and keep[other] and rng.random() < 0.4:
            keep[k if rng.random() < 0.5 else other] = False
    return corners[keep]


def _turn_angles(corners: Array) -> Array:
    ahead = np.roll(corners, -1, axis=0) - corners
    back = corners - np.roll(corners, 1, axis=0)
    return np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], (back * ahead).sum(axis=1))


def _round_off(corners: Array, width: float, rng: np.random.Generator) -> Array:
    """Replace every corner of a polygon by an arc of a random radius that fits."""
    turn = _turn_angles(corners)
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    least = width / 2 + 4.4
    points: list[Array] = []
    for k, angle in enumerate(turn):
        if abs(angle) < 0.06:
            continue
        reach = 0.49 * min(sides[k - 1], sides[k])
        most = reach / np.tan(abs(angle) / 2)
        if most < least or abs(angle) > 2.4:
            raise CircuitError
        wish = rng.choice(
            [rng.uniform(least, least + 4), rng.uniform(11, 20), rng.uniform(20, 50)], p=[0.4, 0.35, 0.25]
        )
        radius = float(np.clip(wish, least, most))
        back = (corners[k - 1] - corners[k]) / sides[k - 1]
        cut = radius * np.tan(abs(angle) / 2)
        begin = corners[k] + back * cut
        side = np.sign(angle)
        heading = -back
        middle = begin + radius * side * np.array([-heading[1], heading[0]])
        swing = np.linspace(0, angle, max(4, int(abs(angle) * radius / 0.5)))
        arm = begin - middle
        cos, sin = np.cos(swing), np.sin(swing)
        points.append(middle + np.column_stack([cos * arm[0] - sin * arm[1], sin * arm[0] + cos * arm[1]]))
    return np.vstack(points)


def _bends(bend: Array, step: float) -> list[tuple[int, int]]:
    """Return begin and end of every run of one-sided curvature that turns by at least 25 degrees."""
    side = np.where(np.abs(bend) > 0.015, np.sign(bend), 0)
    zero = np.flatnonzero(side == 0)
    if len(zero) == 0:
        return []
    side, found = np.roll(side, -zero[0]), []
    edges = np.flatnonzero(np.diff(side)) + 1
    for begin, end in itertools.pairwise(edges):
        if side[begin] != 0 and abs(np.roll(bend, -zero[0])[begin:end].sum() * step) > np.radians(25):
            found.append((begin + zero[0], end + zero[0]))
    return found


def _hills(rng: np.random.Generator, centre: Array, width: Array) -> tuple[Array, Array]:
    """Return the height [m] along the centre line and the cross slope (left up)."""
    n, length = len(centre), len(centre) * 0.7
    phase = np.arange(n) / n * 2 * np.pi
    rise = sum(rng.normal() / k**1.3 * np.sin(k * phase + rng.uniform(0, 6.3)) for k in range(1, 6))
    slope = np.gradient(rise, length / n)
    rise = rise * rng.uniform(0.025, 0.045) / np.max(np.abs(slope))
    bank = gaussian_filter1d(-_ring_curvature(centre), 14, mode="wrap")
    wave = gaussian_filter1d(rng.normal(size=n), 50, mode="wrap")
    bank = bank / np.max(np.abs(bank)) * rng.uniform(0, 0.04) + wave / np.max(np.abs(wave)) * 0.018
    return rise, gaussian_filter1d(bank, 8, mode="wrap")


# ---------------------------------------------------------------------------------------------------- surveying


def _open_ring(points: Array) -> Array:
    points = np.asarray(points, float)
    return points[:-1] if np.allclose(points[0, :2], points[-1, :2], atol=1e-6) else points


def _resample_ring(points: Array, step: float) -> Array:
    closed = np.vstack([points, points[:1]])
    gaps = np.hypot(*np.diff(closed[:, :2], axis=0).T)
    closed = closed[np.append(True, gaps > 1e-9)]
    along = np.append(0, np.cumsum(gaps[gaps > 1e-9]))
    count = max(8, round(along[-1] / step))
    where = np.arange(count) * along[-1] / count
    return np.column_stack([np.interp(where, along, closed[:, k]) for k in range(points.shape[1])])


def _ring_curvature(points: Array) -> Array:
    """Return the curvature [1/m] of an evenly spaced ring."""
    ahead = np.roll(points, -1, axis=0) - points
    back = np.roll(ahead, 1, axis=0)
    turn = np.arctan2(back[:, 0] * ahead[:, 1] - back[:, 1] * ahead[:, 0], (back * ahead).sum(axis=1))
    return turn / np.hypot(*ahead.T)


def _longest_run(flags: Array) -> tuple[int, int]:
    """Return begin and size of the longest run of true values on a ring."""
    if not flags.any():
        return 0, 0
    twice = np.concatenate([[False], flags, flags, [False]])
    edges = np.flatnonzero(np.diff(twice.astype(int)))
    sizes = edges[1::2] - edges[::2]
    best = int(np.argmax(sizes))
    return int(edges[::2][best] % len(flags)), int(min(sizes[best], len(flags)))


def _cast(points: Array, tangents: Array, edge: Array, side: int, reach: float) -> tuple[Array, Array]:
    """Return the distance [m] from points along their normals to an edge, and the height or zero there."""
    ring = np.vstack([edge, edge[:1]])
    tree = STRtree([LineString(ring[k : k + 2, :2]) for k in range(len(ring) - 1)])
    normals = side * np.column_stack([-tangents[:, 1], tangents[:, 0]])
    rays = [LineString([p, p + reach * n]) for p, n in zip(points, normals, strict=True)]
    which, segment = tree.query(rays, predicate="intersects")
    a, b = ring[segment, :2], ring[segment + 1, :2]
    d, p, n = b - a, points[which], normals[which]
    cross = d[:, 0] * n[:, 1] - d[:, 1] * n[:, 0]
    cross = np.where(np.abs(cross) < 1e-12, 1e-12, cross)
    share = ((p - a)[:, 0] * n[:, 1] - (p - a)[:, 1] * n[:, 0]) / cross
    share = np.clip(share, 0, 1)
    away = ((a + share[:, None] * d - p) * n).sum(axis=1)
    distance, height = np.full(len(points), np.nan), np.zeros(len(points))
    for k in np.argsort(-away):
        distance[which[k]] = away[k]
        if edge.shape[1] > 2:
            height[which[k]] = ring[segment[k], 2] * (1 - share[k]) + ring[segment[k] + 1, 2] * share[k]
    missing = np.isnan(distance)
    if missing.any():  # a ray that slips through at a vertex: take the neighbours
        if missing.mean() > 0.05:
            raise CircuitError("an edge is out of sight of the centre line")
        good = np.flatnonzero(~missing)
        at = np.flatnonzero(missing)
        distance[at] = np.interp(at, good, distance[good], period=len(points))
        height[at] = np.interp(at, good, height[good], period=len(points))
    return distance, height


def _survey(left: Array, right: Array, start_line: Array | None) -> Road:
    """Measure the road along a smooth centre line found between the edges."""
    dense_left, dense_right = _resample_ring(left, STEP), _resample_ring(right, STEP)
    far = LinearRing(dense_right[:, :2])
    near = [far.interpolate(far.project(Point(p))) for p in dense_left[:, :2]]
    centre = (dense_left[:, :2] + np.array([(p.x, p.y) for p in near])) / 2
    for turn in range(4):
        centre = _resample_ring(centre, STEP)
        soft = (4.0, 2.5, 1.5, 1.2)[turn] / STEP
        centre = np.column_stack([gaussian_filter1d(centre[:, k], soft, mode="wrap") for k in range(2)])
        centre = _resample_ring(centre, STEP)
        tangent = np.roll(centre, -1, axis=0) - np.roll(centre, 1, axis=0)
        tangent /= np.hypot(*tangent.T)[:, None]
        to_left, _ = _cast(centre, tangent, left, 1, 25.0)
        to_right, _ = _cast(centre, tangent, right, -1, 25.0)
        if turn < 3:
            normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
            centre = centre + normal * ((to_left - to_right) / 2)[:, None]
    if start_line is not None:
        cut = LineString(np.asarray(start_line)[:, :2])
        ring = LinearRing(centre)
        hit = ring.intersection(cut)
        at = ring.project(Point(hit.geoms[0] if hasattr(hit, "geoms") else hit) if not hit.is_empty else cut.centroid)
        closed = np.vstack([centre, centre[:1]])
        along = np.append(0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T)))
        k = int(np.searchsorted(along, at, side="right")) - 1
        first = closed[k] + (closed[k + 1] - closed[k]) * (at - along[k]) / (along[k + 1] - along[k])
        centre = _resample_ring(np.vstack([first, np.roll(centre, -(k + 1), axis=0)]), STEP)
    # An even spacing along the spline itself, in two rounds, so that the parameter is the length.
    for _ in range(3):
        closed = np.vstack([centre, centre[:1]])
        along = np.append(0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T)))
        spline = CubicSpline(along, closed, bc_type="periodic")
        fine = np.linspace(0, along[-1], 8 * len(centre) + 1)
        speed = np.hypot(*spline(fine, 1).T)
        true = np.append(0, np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(fine)))
        count = len(centre)
        centre = spline(np.interp(np.arange(count) * true[-1] / count, true, fine))
    length, s = float(true[-1]), np.arange(count) * true[-1] / count
    spline = CubicSpline(np.append(s, length), np.vstack([centre, centre[:1]]), bc_type="periodic")
    first, second = spline(s, 1), spline(s, 2)
    tangent = first / np.hypot(*first.T)[:, None]
    curv = (first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]) / np.hypot(*first.T) ** 3
    dcurv = CubicSpline(np.append(s, length), np.append(curv, curv[0]), bc_type="periodic")(s, 1)
    to_left, z_left = _cast(centre, tangent, left, 1, 25.0)
    to_right, z_right = _cast(centre, tangent, right, -1, 25.0)
    step = length / count
    rooms = []
    for distance, side in ((to_left, 1), (to_right, -1)):
        lean = np.gradient(gaussian_filter1d(distance, 2, mode="wrap"), step) / np.maximum(
            1 - side * distance * curv, 0.2
        )
        rooms.append(np.sqrt(1 + np.minimum(lean**2, 0.5)))
    smooth = 3.0 / step
    bank = gaussian_filter1d((z_left - z_right) / (to_left + to_right), smooth, mode="wrap")
    z = gaussian_filter1d((z_left * to_right + z_right * to_left) / (to_left + to_right), smooth, mode="wrap")
    return Road(
        length,
        s,
        centre[:, 0],
        centre[:, 1],
        tangent[:, 0],
        tangent[:, 1],
        curv,
        dcurv,
        to_left,
        to_right,
        *rooms,
        z,
        bank,
    )
