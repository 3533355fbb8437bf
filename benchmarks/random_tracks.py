"""Random closed kart circuits from a seed, as a survey would give them: two edges, a start line, kerbs [m].

Nothing here comes from linelab.  A polygon grows by fingers (hairpins), bumps, kinks, chicanes and cut corners; its
corners are rounded; the road is the union of short quadrilaterals along that line, and what it encloses is rounded to
the radius its kind allows.  Shapely decides whether the outcome is a ring that touches itself nowhere.

``python benchmarks/random_tracks.py sheet.png 24 1`` draws 24 circuits from seed 1 on.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Proj
from scipy.ndimage import gaussian_filter1d
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import substring

Array = NDArray[np.float64]

#: Step along the line the road is made from [m].
STEP = 0.25


@dataclass(frozen=True, kw_only=True)
class Kind:
    """What a circuit of a kind is like: how tight it is, how wide, and how it was surveyed."""

    radius: float  #: smallest radius of an edge that bends into the road [m]
    spacing: tuple[float, float]  #: distance between an edge's vertices, drawn evenly between both [m]
    noise: float = 0.0  #: largest standard deviation of a vertex, on each axis [m]
    varying: float = 0.0  #: share the width varies by
    kerbs: bool = False


KINDS = {
    "flowing": Kind(radius=4.0, spacing=(1.0, 1.0), varying=0.25),
    "tight": Kind(radius=0.85, spacing=(0.5, 0.5)),
    "fine": Kind(radius=0.85, spacing=(0.3, 0.3), varying=0.25),
    "coarse": Kind(radius=3.0, spacing=(2.0, 4.0), varying=0.2),
    "coarse tight": Kind(radius=0.85, spacing=(2.0, 4.0)),
    "noisy": Kind(radius=0.85, spacing=(0.8, 1.2), noise=0.02, varying=0.2),
    "kerbed": Kind(radius=0.85, spacing=(0.5, 0.5), varying=0.15, kerbs=True),
}


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A kerb: vertices (K, 2) along the edge of its side, usable width beyond it [m], factor on grip."""

    side: str
    line: Array
    width: float
    grip: float


@dataclass(frozen=True, kw_only=True)
class Circuit:
    """A circuit as surveyed: edges (M, 2) in driving order without the first point again, start line (2, 2) [m]."""

    name: str
    kind: str
    left: Array
    right: Array
    start: Array
    kerbs: tuple[Strip, ...] = ()


def circuit(seed: int) -> Circuit:
    """Circuit of a seed; its kind is the seed's remainder by the number of kinds."""
    kind = list(KINDS)[seed % len(KINDS)]
    for attempt in range(200):
        found = _attempt(np.random.default_rng([seed, attempt]), KINDS[kind], f"{kind} {seed}", kind)
        if found is not None:
            return found
    raise RuntimeError(f"seed {seed} grows no circuit")


def mirrored(given: Circuit) -> Circuit:
    """The circuit in a mirror: east is west, left is right."""
    flip = np.array([-1.0, 1.0])
    other = {"left": "right", "right": "left"}
    kerbs = tuple(replace(k, side=other[k.side], line=k.line * flip) for k in given.kerbs)
    return replace(given, left=given.right * flip, right=given.left * flip, start=given.start[::-1] * flip, kerbs=kerbs)


def begun_elsewhere(given: Circuit, seed: int) -> Circuit:
    """The same circuit, each edge beginning at another of its vertices."""
    rng = np.random.default_rng([seed, 77])
    left, right = (np.roll(edge, rng.integers(1, len(edge)), axis=0) for edge in (given.left, given.right))
    return replace(given, left=left, right=right)


def road(given: Circuit) -> Polygon:
    """The polygon between the edges as given."""
    outer, inner = sorted((given.left, given.right), key=lambda edge: -Polygon(edge).area)
    return Polygon(outer, [inner])


def usable(given: Circuit) -> Any:
    """The road with the usable strips of its kerbs: the edge from a kerb's one end to the other, widened outwards."""
    return shapely.union_all([road(given), *(strip(given, kerb) for kerb in given.kerbs)])


def strip(given: Circuit, kerb: Strip) -> Any:
    """Area of a kerb's strip, both sides of its edge, ends cut square."""
    edge = given.left if kerb.side == "left" else given.right
    ring, twice = (LineString(np.vstack([*[edge] * turns, edge[:1]])) for turns in (1, 2))
    first, last = (ring.project(Point(p)) for p in (kerb.line[0], kerb.line[-1]))
    if (last - first) % ring.length > 0.5 * ring.length:  # drawn against the driving direction
        first, last = last, first
    part = substring(twice, first, first + (last - first) % ring.length)
    return part.buffer(kerb.width, cap_style="flat", quad_segs=32)


def save(given: Circuit, path: Path) -> None:
    """Write the circuit as a track file (GeoJSON), in local metres about longitude 0, latitude 0."""
    plane = Proj(proj="aeqd", lon_0=0.0, lat_0=0.0, ellps="WGS84")

    def feature(role: str, line: Array, **properties: object) -> dict[str, object]:
        lon, lat = plane(line[:, 0], line[:, 1], inverse=True)
        points = [[round(float(a), 11), round(float(b), 11)] for a, b in zip(lon, lat)]
        shape = {"type": "LineString", "coordinates": points}
        return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": shape}

    head = {"role": "track", "name": given.name, "closed": True, "georeferenced": False}
    head |= {"origin_lon": 0.0, "origin_lat": 0.0}
    features = [
        {"type": "Feature", "properties": head, "geometry": None},
        *(feature(f"{s}_edge", np.vstack([e, e[:1]])) for s, e in (("left", given.left), ("right", given.right))),
        feature("start_line", given.start),
        *(feature("kerb", k.line, side=k.side, width_m=k.width, grip=k.grip) for k in given.kerbs),
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


def load(path: Path) -> Circuit:
    """Read a track file's edges, start line and kerbs as given, without linelab."""
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    head = next(f["properties"] for f in features if f["properties"]["role"] == "track")
    plane = Proj(proj="aeqd", lon_0=head["origin_lon"], lat_0=head["origin_lat"], ellps="WGS84")
    lines: dict[str, Array] = {}
    kerbs = []
    for item in features:
        role = item["properties"]["role"]
        if item["geometry"] is None:
            continue
        raw = np.array(item["geometry"]["coordinates"], dtype=float)
        line = np.column_stack(plane(raw[:, 0], raw[:, 1]))
        if role == "kerb":
            p = item["properties"]
            kerbs.append(Strip(side=p["side"], line=line, width=p["width_m"], grip=p["grip"]))
        else:
            lines[role] = line[:-1] if role.endswith("edge") and np.allclose(line[0], line[-1], atol=1e-3) else line
    return Circuit(
        name=head["name"],
        kind="bundled",
        left=lines["left_edge"],
        right=lines["right_edge"],
        start=lines["start_line"],
        kerbs=tuple(kerbs),
    )


# --- growing the polygon ------------------------------------------------------------------------------------------

#: Corners (K, 3): east, north, wanted radius of the line round them [m].
Corners = list[tuple[float, float, float]]


def _attempt(rng: np.random.Generator, kind: Kind, name: str, label: str) -> Circuit | None:
    width = float(rng.uniform(5.0, 12.0) if kind.varying == 0.0 else rng.uniform(6.0, 10.5))
    corners = _grown(rng, kind, width, float(np.exp(rng.uniform(np.log(330.0), np.log(1500.0)))))
    line = _rounded(corners)
    if line is None or not 300.0 <= len(line) * STEP <= 1500.0:
        return None
    sigma = float(rng.choice([0.0, 1.0, 2.0])) / STEP
    if sigma:
        line = np.column_stack([gaussian_filter1d(line[:, k], sigma, mode="wrap") for k in (0, 1)])
    wide = _widths(rng, kind, width, len(line))
    area = _area(line, wide, kind.radius)
    if area is None:
        return None
    outer, inner = (np.array(ring.coords)[:-1] for ring in (area.exterior, area.interiors[0]))
    clockwise = not shapely.LinearRing(line).is_ccw
    outer, inner = (e if shapely.LinearRing(e).is_ccw != clockwise else e[::-1] for e in (outer, inner))
    if rng.random() < 0.5:
        line, outer, inner, clockwise = line[::-1], outer[::-1], inner[::-1], not clockwise
    noise = kind.noise * float(rng.uniform(0.5, 1.0))
    outer, inner = (_sampled(rng, e, kind.spacing) for e in (outer, inner))
    outer, inner = (e + rng.normal(0.0, noise, e.shape) if noise else e for e in (outer, inner))
    left, right = (outer, inner) if clockwise else (inner, outer)
    given = Circuit(name=name, kind=label, left=left, right=right, start=_start(line, wide, corners))
    if not _sound(given):
        return None
    return replace(given, kerbs=_kerbs(rng, given, line)) if kind.kerbs else given


def _grown(rng: np.random.Generator, kind: Kind, width: float, length: float) -> Corners:
    """Corners of a simple polygon of about that length, its sides apart enough for the road."""
    clear = 1.25 * width + 2.0 * kind.radius if kind.varying else width + 2.0 * kind.radius
    aspect = float(rng.uniform(1.0, 2.6))
    side = 0.2 * length / (1.0 + aspect)
    box = np.array([[0.0, 0.0], [aspect, 0.0], [aspect, 1.0], [0.0, 1.0]]) * side
    angle = rng.uniform(0.0, 2.0 * np.pi)
    box = box @ np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    box += rng.normal(0.0, 0.12 * side, box.shape)
    corners: Corners = [(float(x), float(y), _radius(rng, kind, width)) for x, y in box]
    steps: list[Callable[..., Corners | None]] = [_finger, _bump, _kink, _chicane, _cut]
    share = np.array([0.3, 0.42, 0.08, 0.1, 0.1])
    for _ in range(600):
        if _length(corners) > 1.07 * length:
            break
        step = steps[int(rng.choice(len(steps), p=share))]
        changed = step(rng, corners, kind, width)
        if changed is not None and _length(changed) < 1.2 * length and _clear(changed, clear, kind):
            corners = changed
    return corners


def _radius(rng: np.random.Generator, kind: Kind, width: float) -> float:
    """Wanted radius of the line in a corner: some as tight as the kind has them, most wider [m]."""
    if rng.random() < 0.4:
        return width / 2.0 + kind.radius + float(rng.uniform(0.0, 2.2))
    return float(width / 2.0 + np.exp(rng.uniform(np.log(3.0), np.log(30.0))))


def _points(corners: Corners) -> Array:
    return np.array(corners)[:, :2]


def _length(corners: Corners) -> float:
    points = _points(corners)
    return float(np.hypot(*(np.roll(points, -1, axis=0) - points).T).sum())


def _side(rng: np.random.Generator, corners: Corners) -> tuple[int, Array, Array, float, Array]:
    """A side, longer ones more often: its number, first corner, direction, length, normal to a random hand."""
    points = _points(corners)
    steps = np.roll(points, -1, axis=0) - points
    lengths = np.hypot(*steps.T)
    i = int(rng.choice(len(corners), p=lengths**1.5 / (lengths**1.5).sum()))
    along = steps[i] / lengths[i]
    return i, points[i], along, float(lengths[i]), rng.choice([-1.0, 1.0]) * np.array([-along[1], along[0]])


def _put(corners: Corners, i: int, new: list[tuple[Array, float]]) -> Corners:
    return [*corners[: i + 1], *((float(p[0]), float(p[1]), r) for p, r in new), *corners[i + 1 :]]


def _finger(rng: np.random.Generator, corners: Corners, kind: Kind, width: float) -> Corners | None:
    """Out and back round a hairpin."""
    i, at, along, length, out = _side(rng, corners)
    across = (1.0 + 0.5 * kind.varying) * width + 2.0 * (kind.radius + float(rng.uniform(0.0, 2.15)))
    if length < across + 24.0:
        return None
    a, depth = float(rng.uniform(12.0, length - across - 12.0)), float(rng.uniform(1.3, 7.0)) * across
    lean = along * float(rng.uniform(-0.45, 0.45)) * depth
    base = [at + a * along, at + (a + across) * along]
    tips = [p + depth * out + lean for p in base]
    r = [_radius(rng, kind, width) for _ in range(2)]
    return _put(corners, i, [(base[0], r[0]), (tips[0], np.inf), (tips[1], np.inf), (base[1], r[1])])


def _bump(rng: np.random.Generator, corners: Corners, kind: Kind, width: float) -> Corners | None:
    """Four corners round a piece of land."""
    i, at, along, length, out = _side(rng, corners)
    if length < 4.0 * width + 10.0:
        return None
    a, b = np.sort(rng.uniform(10.0, length - 10.0, 2))
    if b - a < 2.2 * width:
        return None
    depth = float(rng.uniform(1.6, 9.0)) * width
    lean = rng.uniform(-0.5, 0.5, 2) * depth
    new = [at + a * along, at + (a + lean[0]) * along + depth * out]
    new += [at + (b + lean[1]) * along + float(rng.uniform(0.6, 1.3)) * depth * out, at + b * along]
    return _put(corners, i, [(p, _radius(rng, kind, width)) for p in new])


def _kink(rng: np.random.Generator, corners: Corners, kind: Kind, width: float) -> Corners | None:
    """One corner more."""
    i, at, along, length, out = _side(rng, corners)
    if length < 36.0:
        return None
    a, off = float(rng.uniform(0.25, 0.75)) * length, float(rng.uniform(0.06, 0.4)) * length
    return _put(corners, i, [(at + a * along + off * out, _radius(rng, kind, width))])


def _chicane(rng: np.random.Generator, corners: Corners, kind: Kind, width: float) -> Corners | None:
    """Two to four quick corners, left and right in turn."""
    i, at, along, length, out = _side(rng, corners)
    count, gap = int(rng.integers(2, 5)), float(rng.uniform(1.5, 2.3)) * width
    if length < (count - 1) * gap + 24.0:
        return None
    a, off = float(rng.uniform(12.0, length - (count - 1) * gap - 12.0)), float(rng.uniform(0.3, 0.75)) * width
    hands = (-1.0) ** np.arange(count)
    return _put(
        corners,
        i,
        [(at + (a + k * gap) * along + off * h * out, _radius(rng, kind, width)) for k, h in enumerate(hands)],
    )


def _cut(rng: np.random.Generator, corners: Corners, kind: Kind, width: float) -> Corners | None:
    """A corner becomes two with a short straight between: a double apex."""
    i, points = int(rng.integers(len(corners))), _points(corners)
    before, after = points[i - 1] - points[i], points[(i + 1) % len(points)] - points[i]
    reach = float(rng.uniform(0.9, 2.0)) * width
    sizes = np.hypot(*before), np.hypot(*after)
    if min(sizes) < reach + 10.0 or np.isinf(corners[i][2]):
        return None
    new = [points[i] + reach * v / size for v, size in zip((before, after), sizes)]
    changed = _put(corners, i, [(p, _radius(rng, kind, width)) for p in new])
    return changed[:i] + changed[i + 1 :]


def _clear(corners: Corners, clear: float, kind: Kind) -> bool:
    """Whether sides that do not meet are apart, and corners are not too sharp."""
    points = _points(corners)
    steps = np.roll(points, -1, axis=0) - points
    if np.hypot(*steps.T).min() < 4.0:
        return False
    if np.abs(_turns(points)).max() > np.radians(115.0 if kind.radius > 1.0 else 140.0):
        return False
    sides = shapely.linestrings(np.stack([points, np.roll(points, -1, axis=0)], axis=1))
    apart = shapely.distance(sides[:, None], sides[None, :])
    n = len(points)
    gap = np.abs(np.arange(n)[:, None] - np.arange(n)[None, :])
    return bool(apart[np.minimum(gap, n - gap) > 1].min() >= clear)


def _turns(points: Array) -> Array:
    """Change of direction at each corner, positive to the left [rad]."""
    steps = np.roll(points, -1, axis=0) - points
    heading = np.arctan2(steps[:, 1], steps[:, 0])
    return (heading - np.roll(heading, 1) + np.pi) % (2.0 * np.pi) - np.pi


# --- from corners to edges ----------------------------------------------------------------------------------------


def _rounded(corners: Corners) -> Array | None:
    """Line (N, 2) round the corners, a point every STEP; corners turn on arcs that share a side half and half."""
    points = _points(corners)
    sides = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    pieces = []
    for i, turn in enumerate(_turns(points)):
        into = points[i] - points[i - 1]
        u = into / np.hypot(*into)
        bend = np.tan(abs(turn) / 2.0)
        t = min(corners[i][2] * bend, 0.5 * min(sides[i - 1], sides[i]))
        if bend < 1e-6:
            pieces.append(points[i][None, :])
            continue
        r, hand = t / bend, np.sign(turn)
        centre = points[i] - t * u + hand * r * np.array([-u[1], u[0]])
        first = np.arctan2(*(points[i] - t * u - centre)[::-1])
        angles = first + np.linspace(0.0, turn, max(int(abs(turn) * r / 0.05), 8))
        pieces.append(centre + r * np.column_stack([np.cos(angles), np.sin(angles)]))
    line = np.vstack(pieces)
    if not shapely.LinearRing(line).is_simple:
        return None
    return _spaced(line, STEP)


def _spaced(ring: Array, spacing: float) -> Array:
    """Ring resampled at equal distances near that spacing [m]."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([ring, ring[:1]]), axis=0).T))])
    at = np.linspace(0.0, along[-1], round(along[-1] / spacing), endpoint=False)
    return np.column_stack([np.interp(at, along, np.append(ring[:, k], ring[0, k])) for k in (0, 1)])


def _widths(rng: np.random.Generator, kind: Kind, width: float, count: int) -> Array:
    """Width at each point of the line [m]."""
    t = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    wave = sum(rng.normal() * np.cos(k * t + rng.uniform(0.0, 6.3)) for k in range(1, 8))
    return np.clip(width * (1.0 + kind.varying * np.asarray(wave) / np.abs(wave).max()), 5.0, 12.0)


def _area(line: Array, wide: Array, radius: float) -> Polygon | None:
    """The road: quadrilaterals along the line, then corners of the land beside it rounded to a radius [m]."""
    step = np.roll(line, -1, axis=0) - np.roll(line, 1, axis=0)
    unit = step / np.hypot(*step.T)[:, None]
    normal = np.column_stack([-unit[:, 1], unit[:, 0]]) * wide[:, None] / 2.0
    four = np.stack([line + normal, line - normal, *(np.roll(line + s * normal, -1, axis=0) for s in (1, -1))], axis=1)
    whole = shapely.union_all(shapely.convex_hull(shapely.multipoints(four))).buffer(0.002)
    if whole.geom_type != "Polygon" or len(whole.interiors) != 1:
        return None
    smooth = whole.buffer(radius, quad_segs=32).buffer(-radius, quad_segs=32)
    if smooth.geom_type != "Polygon" or len(smooth.interiors) != 1:
        return None
    filled = smooth.difference(whole)
    largest = max((part.area for part in getattr(filled, "geoms", [filled])), default=0.0)
    return smooth if largest < 2.5 * radius**2 + 1.0 else None


def _sampled(rng: np.random.Generator, ring: Array, spacing: tuple[float, float]) -> Array:
    """Vertices along a ring from a random one on, at distances drawn evenly from a range [m]."""
    ring = np.roll(ring, int(rng.integers(len(ring))), axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.vstack([ring, ring[:1]]), axis=0).T))])
    gaps = rng.uniform(*spacing, int(along[-1] / spacing[0]) + 2)
    at = np.concatenate([[0.0], np.cumsum(gaps)])
    at = at[at < along[-1] - 0.5 * spacing[0]]
    return np.column_stack([np.interp(at, along, np.append(ring[:, k], ring[0, k])) for k in (0, 1)])


def _start(line: Array, wide: Array, corners: Corners) -> Array:
    """Start line across the middle of the longest side, a little beyond both edges, left end first (2, 2) [m]."""
    points = _points(corners)
    ends = np.roll(points, -1, axis=0)
    i = int(np.argmax(np.hypot(*(ends - points).T)))
    k = int(np.argmin(np.hypot(*(line - (points[i] + ends[i]) / 2.0).T)))
    ahead = line[(k + 1) % len(line)] - line[k - 1]
    left = np.array([-ahead[1], ahead[0]]) / np.hypot(*ahead)
    return line[k] + np.outer([1.0, -1.0], left) * (wide[k] / 2.0 + 0.4)


def _sound(given: Circuit) -> bool:
    """Whether both edges are simple rings, one inside the other and nowhere near it, each crossed once at the start."""
    rings = [shapely.LinearRing(edge) for edge in (given.left, given.right)]
    start = LineString(given.start)
    crossed = all(start.intersection(ring).geom_type == "Point" for ring in rings)
    whole = road(given)
    return all(r.is_simple for r in rings) and whole.is_valid and rings[0].distance(rings[1]) > 4.0 and crossed


def _kerbs(rng: np.random.Generator, given: Circuit, line: Array) -> tuple[Strip, ...]:
    """Kerbs at apexes and exits: runs of an edge's own vertices, nowhere two on one piece of edge."""
    step = np.roll(line, -1, axis=0) - line
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    bend = gaussian_filter1d(np.gradient(heading) / STEP, 2.0 / STEP, mode="wrap")
    peaks = np.flatnonzero((np.abs(bend) > 0.05) & (np.abs(bend) >= np.maximum(*_beside(np.abs(bend)))))
    kerbs: list[Strip] = []
    used = {"left": np.zeros(len(given.left), dtype=bool), "right": np.zeros(len(given.right), dtype=bool)}
    for k in peaks:
        inside, outside = ("left", "right") if bend[k] > 0.0 else ("right", "left")
        for side, place in ((inside, k), (outside, k + int(12.0 / STEP))):
            edge = given.left if side == "left" else given.right
            middle = int(np.argmin(np.hypot(*(edge - line[place % len(line)]).T)))
            half = int(rng.integers(5, 13))
            run = np.arange(middle - half, middle + half + 1) % len(edge)
            if rng.random() < 0.75 and not used[side][run].any():
                used[side][run] = True
                width, grip = round(float(rng.uniform(0.3, 0.6)), 2), round(float(rng.uniform(0.8, 1.0)), 2)
                kerbs.append(Strip(side=side, line=edge[run], width=width, grip=grip))
    return tuple(kerbs)


def _beside(values: Array) -> tuple[Array, Array]:
    return np.roll(values, 1), np.roll(values, -1)


def sheet(first: int, count: int, path: Path) -> None:
    """Draw circuits side by side, to be looked at."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(24, 4.0 * -(-count // 6)), layout="constrained")
    for k in range(count):
        given = circuit(first + k)
        axes = figure.add_subplot(-(-count // 6), 6, k + 1)
        outer, inner = (np.array(r.coords) for r in (road(given).exterior, road(given).interiors[0]))
        axes.fill(*outer.T, color="0.8")
        axes.fill(*inner.T, color="white")
        for edge, colour in ((given.left, "tab:blue"), (given.right, "tab:red")):
            axes.plot(*np.vstack([edge, edge[:1]]).T, ".-", color=colour, markersize=1.5, linewidth=0.6)
        for kerb in given.kerbs:
            axes.plot(*kerb.line.T, color="tab:green", linewidth=2.5)
        axes.plot(*given.start.T, "k", linewidth=2)
        axes.set_aspect("equal")
        whole = road(given)
        axes.set_title(f"{given.name}: {whole.exterior.length:.0f} / {whole.interiors[0].length:.0f} m", fontsize=9)
    figure.savefig(path, dpi=70)


def main() -> None:
    """Arguments in, picture out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("picture", type=Path)
    parser.add_argument("count", type=int, nargs="?", default=24)
    parser.add_argument("first", type=int, nargs="?", default=1)
    options = parser.parse_args()
    sheet(options.first, options.count, options.picture)


if __name__ == "__main__":
    main()
