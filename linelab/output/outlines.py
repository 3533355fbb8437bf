"""Where things of a track lie on a drawing, whatever draws it: outlines, a turned view, places for corner numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.model.track import Corner, Track, along
from linelab.units import Array

#: Spacing of the points that outline the surface [m].
OUTLINE_STEP = 0.5

#: Track shown before and after a corner [m].
BEFORE, AFTER = 35.0, 22.0


@dataclass(frozen=True, slots=True)
class View:
    """A turn of the map about a point, so that a corner can be shown driven upwards.

    ``angle`` turns anticlockwise [rad]; ``centre`` stays in place [m].
    """

    angle: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)

    def __call__(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Turned coordinates, same shapes."""
        if self.angle == 0.0:
            return x, y
        cos, sin = np.cos(self.angle), np.sin(self.angle)
        dx, dy = x - self.centre[0], y - self.centre[1]
        return self.centre[0] + cos * dx - sin * dy, self.centre[1] + sin * dx + cos * dy


NORTH_UP = View()

#: Where the line from the road to a corner's number begins and ends, as shares of the way.
TICK = (0.06, 0.42)


def stations_between(track: Track, start: float, end: float, step: float = OUTLINE_STEP) -> Array:
    """Stations from ``start`` to ``end``, unwrapped across the start line of a closed track [m]."""
    stop = end + track.length if track.closed and end <= start else end
    return np.linspace(start, stop, max(int(np.ceil((stop - start) / step)) + 1, 2))


def along_closed(track: Track, values: Array, s: Array) -> Array:
    """:func:`linelab.model.track.along`, with the end of a closed track taken as its last entry, not its first."""
    return np.asarray(along(track, values, np.where(s == track.length, s - 1e-9, s)))


def round_length(value: float) -> float:
    """A scale bar's length: the largest of 1, 2, 5 times a power of ten that does not exceed ``value``."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step for step in (1.0, 2.0, 5.0) if step * power <= value * (1 + 1e-9)) * power)


def corner_places(track: Track) -> Array:
    """Where to write the corners' numbers (C, 2) beside the whole track, see :func:`label_places` [m]."""
    edges = np.vstack([track.left_edge, track.right_edge])
    span = float((edges.max(axis=0) - edges.min(axis=0)).max())
    s = stations_between(track, 0.0, track.length, step=2.0)
    sides = (along_closed(track, track.w_left, s), -along_closed(track, track.w_right, s))
    outline = np.vstack([np.column_stack(sn_to_xy(track.reference, s, n)) for n in sides])
    return label_places(track, outline, 0.032 * span)


def corner_ticks(track: Track, places: Array) -> Array:
    """Short lines (C, 2, 2) that join the road at each apex to its number at ``places`` (C, 2), where numbers of two
    corners stand close to each other [m]."""
    if not track.corners:
        return np.zeros((0, 2, 2))
    s = np.array([corner.s_apex for corner in track.corners])
    edges = np.stack(
        [
            np.column_stack(sn_to_xy(track.reference, s, n))
            for n in (along_closed(track, track.w_left, s), -along_closed(track, track.w_right, s))
        ]
    )
    nearer = np.argmin(np.hypot(*np.moveaxis(edges - places, 2, 0)), axis=0)
    edge = edges[nearer, np.arange(len(places))]
    return np.stack([edge + share * (places - edge) for share in TICK], axis=1)


def label_places(track: Track, avoid: Array, gap: float) -> Array:
    """Where to write each corner's number: beside the apex, on whichever side is freer.

    Parameters
    ----------
    avoid : (K, 2) array
        Points that labels should keep away from [m].
    gap : float
        Wanted distance of a label from the nearer edge [m].

    Returns
    -------
    (C, 2) array
        One place a corner, in driving order [m].
    """
    taken = avoid
    places = []
    for corner in track.corners:
        s = np.array([corner.s_apex])
        left = float(along_closed(track, track.w_left, s)[0])
        right = float(along_closed(track, track.w_right, s)[0])
        offsets = [side * factor for factor in (1.0, 1.5, 2.2) for side in (1.0, -1.0)]
        n = np.array([(left if o > 0 else -right) + o * gap for o in offsets])
        at = curve_at(track.reference, corner.s_apex)
        options = np.column_stack([at.x - n * np.sin(at.psi), at.y + n * np.cos(at.psi)])
        distance = np.sqrt(((options[:, None, :] - taken[None, :, :]) ** 2).sum(axis=2)).min(axis=1)
        cost = -np.minimum(distance, gap) + 0.15 * gap * np.abs(offsets)
        outside = np.sign(offsets) == -np.sign(corner.turn)
        best = options[int(np.argmin(cost - 0.1 * gap * outside))]
        places.append(best)
        taken = np.vstack(
            [taken, best[None, :], best[None, :] + [[0.4 * gap, 0.0]], best[None, :] - [[0.4 * gap, 0.0]]]
        )
    return np.array(places).reshape(-1, 2)


def corner_view(track: Track, corner: Corner) -> tuple[View, Array]:
    """The turn that lets a corner be driven upwards, and the outline (K, 2) of the track shown, turned [m]."""
    stop = corner.s_end + track.length if corner.s_end < corner.s_start else corner.s_end
    start, end = corner.s_start - BEFORE, stop + AFTER
    if not track.closed:
        start, end = max(start, 0.0), min(end, track.length)
    s = np.linspace(start, end, max(int((end - start) / 1.0), 8))
    apex = curve_at(track.reference, corner.s_apex)
    view = View(0.5 * np.pi - _way_in(track, corner), (float(apex.x), float(apex.y)))
    local = np.mod(s, track.length) if track.closed else s
    left = view(*sn_to_xy(track.reference, s, along_closed(track, track.w_left, local)))
    right = view(*sn_to_xy(track.reference, s, -along_closed(track, track.w_right, local)))
    return view, np.vstack([np.column_stack(left), np.column_stack(right)])


def _way_in(track: Track, corner: Corner) -> float:
    """Direction of the middle of the track on the way into a corner, anticlockwise from east [rad]."""
    s = np.array([corner.s_start - 20.0, corner.s_start])
    local = np.mod(s, track.length) if track.closed else np.maximum(s, 0.0)
    middle = 0.5 * (along_closed(track, track.w_left, local) - along_closed(track, track.w_right, local))
    x, y = sn_to_xy(track.reference, s, middle)
    return float(np.arctan2(y[1] - y[0], x[1] - x[0]))


def spread(wanted: Array, gap: float, low: float, high: float) -> Array:
    """Heights as near as possible to those wanted (K,), at least ``gap`` apart, in the same order, inside the bounds.

    Least squares under order constraints by pooling neighbours (pool-adjacent-violators; R. E. Barlow et al.,
    *Statistical Inference under Order Restrictions*, 1972, *memory*).
    """
    order = np.argsort(wanted, kind="stable")
    step = min(gap, (high - low) / max(wanted.size - 1, 1))
    target = wanted[order] - step * np.arange(wanted.size)
    blocks: list[list[float]] = []
    for value in target:
        blocks.append([float(value)])
        while len(blocks) > 1 and np.mean(blocks[-2]) > np.mean(blocks[-1]):
            last = blocks.pop()
            blocks[-1] += last
    level = np.concatenate([np.full(len(block), np.mean(block)) for block in blocks])
    level = np.clip(level, low, high - step * (wanted.size - 1))
    result = np.empty(wanted.size)
    result[order] = level + step * np.arange(wanted.size)
    return result
