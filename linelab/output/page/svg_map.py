"""The map as SVG path data: the ground, corner numbers, the target's line, driven lines in classes of time lost.

Paths are whole numbers in relative steps, with only as many points as the eye can distinguish.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.results import LapReview, Review
from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.measured import TO_95
from linelab.model.drawing import path_data, thinned
from linelab.model.lap import Lap
from linelab.model.track import Kerb, Track
from linelab.output.display import Units
from linelab.output.lap_curves import runs, time_gap
from linelab.output.outlines import along_closed, corner_places, corner_ticks, round_length, stations_between
from linelab.units import Array

#: Map units to the metre: the map's coordinates are centimetres, y downwards as SVG has it.
PER_METRE = 100.0


def map_path(x: Array, y: Array, *, close: bool = False) -> str:
    """A polyline on the ground (N,) [m] as path data of the map."""
    return path_data(PER_METRE * x, -PER_METRE * y, close=close)


def band_path(x: Array, low: Array, high: Array) -> str:
    """The area between two curves over the same x (N,) in drawing units."""
    return path_data(np.concatenate([x, x[::-1]]), np.concatenate([high, low[::-1]]), close=True)


def boxes_path(left: Array, right: Array, top: Array, bottom: Array) -> str:
    """Upright rectangles (K,) in drawing units as one path."""
    edges = np.rint(np.column_stack([left, top, right, bottom])).astype(np.int64)
    return "".join(f"M{a} {t}H{b}V{u}H{a}z" for a, t, b, u in edges.tolist())


#: How far a drawn line may lie from the real one [m].
TOLERANCE = 0.03


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerNumber:
    """A corner's number and where it is written, in map units."""

    number: int
    label: str
    x: int
    y: int


@dataclass(frozen=True, kw_only=True, slots=True)
class MapGround:
    """Path data of everything that no lap changes; lengths in map units.

    Parameters
    ----------
    surface : str
        The road between its edges, to be filled.
    edges, kerbs, lines : tuple of str
        Both edges; strips to be filled; start, finish and timing lines.
    arrow : str
        The driving direction beside the start line.
    numbers : tuple of CornerNumber
    ties : str
        Short lines from the road at each apex towards its number.
    box : (x, y, width, height)
        What the whole map shows.
    bar, bar_text : int, str
        A scale bar of a round length, and that length.
    estimated : bool
        The edges are not surveyed.
    """

    surface: str
    edges: tuple[str, ...]
    kerbs: tuple[str, ...]
    lines: tuple[str, ...]
    arrow: str
    numbers: tuple[CornerNumber, ...]
    ties: str
    box: tuple[int, int, int, int]
    bar: int
    bar_text: str
    estimated: bool


def map_ground(track: Track, units: Units) -> MapGround:
    """Draw the ground of a track."""
    s = stations_between(track, 0.0, track.length)
    left = sn_to_xy(track.reference, s, along_closed(track, track.w_left, s))
    right = sn_to_xy(track.reference, s, -along_closed(track, track.w_right, s))
    sides = [_thin(*side) for side in (left, right)]
    surface = map_path(
        np.concatenate([sides[0][0], sides[1][0][::-1]]), np.concatenate([sides[0][1], sides[1][1][::-1]]), close=True
    )
    crossings = [track.start_station, *track.timing_stations]
    if not track.closed:
        crossings.append(track.length if track.finish_station is None else track.finish_station)
    box = _box(track)
    places = corner_places(track)
    bar = round_length(0.2 * box[2] / PER_METRE / units.length)
    return MapGround(
        surface=surface,
        edges=tuple(map_path(*_thin(*_ring(track, edge)), close=False) for edge in (track.left_edge, track.right_edge)),
        kerbs=tuple(_kerb(track, kerb) for kerb in track.kerbs),
        lines=tuple(_across(track, station) for station in crossings),
        arrow=_arrow(track),
        numbers=tuple(
            CornerNumber(number=corner.number, label=corner.label, x=_unit(x), y=-_unit(y))
            for corner, (x, y) in zip(track.corners, places)
        ),
        ties="".join(map_path(*tick.T, close=False) for tick in corner_ticks(track, places)),
        box=box,
        bar=_unit(bar * units.length),
        bar_text=f"{bar:g} {units.length_unit}",
        estimated=track.survey.estimated,
    )


def _unit(metres: float) -> int:
    return round(float(metres) * PER_METRE)


def _thin(x: Array, y: Array) -> tuple[Array, Array]:
    keep = thinned(x, y, TOLERANCE)
    return x[keep], y[keep]


def _ring(track: Track, edge: Array) -> tuple[Array, Array]:
    """A surveyed edge, closed where the track is."""
    ring = np.vstack([edge, edge[:1]]) if track.closed else edge
    return ring[:, 0], ring[:, 1]


def _kerb(track: Track, kerb: Kerb) -> str:
    """A kerb as a strip beyond its edge."""
    s = stations_between(track, kerb.s_start, kerb.s_end)
    sign, widths = (1.0, track.w_left) if kerb.side == "left" else (-1.0, track.w_right)
    inner = along_closed(track, widths, s)
    near = _thin(*sn_to_xy(track.reference, s, sign * inner))
    far = _thin(*sn_to_xy(track.reference, s, sign * (inner + kerb.width)))
    return map_path(np.concatenate([near[0], far[0][::-1]]), np.concatenate([near[1], far[1][::-1]]), close=True)


def _across(track: Track, station: float) -> str:
    """A line across the track, a little beyond its edges."""
    s = np.array([station, station])
    n = np.array([float(along_closed(track, track.w_left, s)[0]), -float(along_closed(track, track.w_right, s)[0])])
    return map_path(*sn_to_xy(track.reference, s, 1.25 * n))


def _arrow(track: Track) -> str:
    """An arrow beside the start line, the way the track is driven."""
    at = curve_at(track.reference, track.start_station)
    side = float(along_closed(track, track.w_left, np.array([track.start_station]))[0]) + 5.0
    along = np.array([0.0, 12.0, 8.0, 12.0, 8.0])
    across = side + np.array([0.0, 0.0, 2.5, 0.0, -2.5])
    cos, sin = float(np.cos(at.psi)), float(np.sin(at.psi))
    return map_path(float(at.x) + along * cos - across * sin, float(at.y) + along * sin + across * cos)


def _box(track: Track, margin: float = 0.05) -> tuple[int, int, int, int]:
    """The whole track with a margin as a share of its longer side, in map units."""
    points = np.vstack([track.left_edge, track.right_edge])
    low, high = points.min(axis=0), points.max(axis=0)
    pad = margin * float((high - low).max()) + 6.0
    low, high = low - pad, high + pad
    return _unit(low[0]), -_unit(high[1]), _unit(high[0] - low[0]), _unit(high[1] - low[1])


#: Classes of time lost by the metre, as shares of the session's strong losses: below the first a gain, then level, then
#: two of loss.
CLASSES = ("gains", "level", "loses", "loses-much")
BOUNDS = (-0.2, 0.2, 0.6)


def target_path(lap: Lap) -> str:
    """A whole line on the map."""
    keep = thinned(lap.line.x, lap.line.y, TOLERANCE)
    return map_path(lap.line.x[keep], lap.line.y[keep])


def full_rate(review: Review) -> float:
    """Time lost by the metre that counts as much: the 97 % quantile over the laps [s/m]."""
    rates = [np.abs(time_gap(review.target.lap, lap.comparison.driven.lap).rate) for lap in review.laps]
    return max(float(np.quantile(np.concatenate(rates), 0.97)), 1e-4)


def lap_paths(review: Review, lap: LapReview, peak: float) -> tuple[str, ...]:
    """The driven line's pieces, one path a class of CLASSES."""
    line = lap.comparison.driven.lap.line
    paths = ["" for _ in CLASSES]
    for code, index in classed_pieces(review.target.lap, lap.comparison.driven.lap, peak):
        paths[code] += map_path(line.x[index], line.y[index])
    return tuple(path or "M0 0" for path in paths)


def classed_pieces(target: Lap, driven: Lap, peak: float) -> list[tuple[int, NDArray[np.intp]]]:
    """The driven line in pieces of one class each: the class's number, and the indices of the points to draw."""
    line = driven.line
    lost = time_gap(target, driven)
    codes = np.digitize(np.interp(line.s, lost.s, lost.rate) / peak, BOUNDS).astype(np.int8)
    keep = thinned(line.x, line.y, TOLERANCE)
    found = []
    for code, first, last in runs(codes):
        inside = keep[(keep > first) & (keep < last + 1)]
        index = np.unique(np.concatenate([[first], inside, [min(last + 1, line.s.size - 1)]]))
        if index.size > 1:
            found.append((code, index))
    return found


def band_outline(review: Review) -> str:
    """Where 95 % of the laps ran, as an area on the map."""
    band = review.consistency.band
    half = TO_95 * band.spread
    left = sn_to_xy(review.track.reference, band.s, band.n + half)
    right = sn_to_xy(review.track.reference, band.s, band.n - half)
    keep = [thinned(*side, TOLERANCE) for side in (left, right)]

    def joined(k: int) -> Array:
        return np.concatenate([left[k][keep[0]], right[k][keep[1]][::-1]])

    return map_path(joined(0), joined(1), close=True)
