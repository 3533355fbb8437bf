"""Close-ups of corners: the map turned so that a corner is driven upwards, with lettered marks of both laps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linelab.coaching.results import CornerReview, LapReview, Review, Target
from linelab.geometry.frenet import sn_to_xy
from linelab.model.lap import Lap
from linelab.model.track import Corner, Track
from linelab.output.display import Units
from linelab.output.outlines import View, along_closed, corner_view, round_length, spread
from linelab.output.page.svg_map import PER_METRE
from linelab.units import Array

#: Letter of each mark and what it stands for, in driving order.
LETTERS = (
    ("B", "brake point"),
    ("T", "turn-in"),
    ("A", "apex"),
    ("2", "second apex"),
    ("M", "minimum speed"),
    ("P", "drive point"),
    ("O", "track-out"),
)
#: Radius of a letter's badge as a share of the picture's longer side.
BADGE = 0.026
#: Where a badge goes that has no place: off the picture.
NOWHERE = "translate(-9e5 0)"


@dataclass(frozen=True, kw_only=True, slots=True)
class Badge:
    """A mark's letter: one transform a lap (a single one for the target's)."""

    letter: str
    name: str
    places: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class CloseUp:
    """The drawing of one corner, in map units.

    Parameters
    ----------
    corner : Corner
    turn : str
        Transform of the map.
    box : (x, y, width, height)
        Of the turned map.
    radius : int
        Of a badge.
    target, driven : tuple of Badge
    target_leaders : str
        Lines from the marks to their badges.
    driven_leaders : tuple of str
        One a lap.
    bar, bar_text : int, str
        A scale bar.
    """

    corner: Corner
    turn: str
    box: tuple[int, int, int, int]
    radius: int
    target: tuple[Badge, ...]
    driven: tuple[Badge, ...]
    target_leaders: str
    driven_leaders: tuple[str, ...]
    bar: int
    bar_text: str


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """What all badges of one corner share: the turned view and the rings outside the corner."""

    track: Track
    corner: Corner
    view: View
    radius: float  #: [m]

    def ring(self, s: Array, order: int) -> tuple[Array, Array]:
        """Points outside the corner at stations (K,), the ``order``-th ring from the road, turned [m]."""
        local = np.mod(s, self.track.length) if self.track.closed else np.clip(s, 0.0, self.track.length)
        left = self.corner.left
        width = along_closed(self.track, self.track.w_right if left else self.track.w_left, local)
        beyond = width + self.radius * (1.7 + 2.3 * order)
        return self.view(*sn_to_xy(self.track.reference, s, -beyond if left else beyond))

    def on(self, lap: Lap, s: Array) -> tuple[Array, Array]:
        """Points of a lap's line at stations (K,), turned [m]."""
        return self.view(*on_line(self.track, lap, s))


def on_line(track: Track, lap: Lap, s: Array) -> tuple[Array, Array]:
    """Points of a lap's line at unwrapped stations [m]."""
    local, line = np.mod(s, track.length) if track.closed else s, lap.line
    return np.interp(local, line.s, line.x), np.interp(local, line.s, line.y)


def close_ups(review: Review, units: Units) -> tuple[CloseUp, ...]:
    """Close-ups of all corners in driving order."""
    count = len(review.laps[0].corners)
    return tuple(_close_up(review, k, units) for k in range(count))


def _close_up(review: Review, index: int, units: Units) -> CloseUp:
    """One corner."""
    parts = [lap.corners[index] for lap in review.laps]
    corner = parts[0].corner
    view, outline = corner_view(review.track, corner)
    low, high = outline.min(axis=0) - 3.0, outline.max(axis=0) + 3.0
    radius = BADGE * float((high - low).max())
    place = Rings(review.track, corner, view, radius)
    wanted = [(letter, at) for letter, at in zip(LETTERS, target_stations(parts[0], review.target)) if at is not None]
    ends, dots = mark_spots(place, review.target.lap, [at for _, at in wanted], 0)
    driven = [_driven(place, lap, part) for lap, part in zip(review.laps, parts)]
    low, high = _room(place, (low, high), [ends, *(spots[0] for spots in driven)])
    width = float(high[0] - low[0])
    bar = round_length(0.25 * width / units.length)
    return CloseUp(
        corner=corner,
        turn=f"rotate({-math.degrees(view.angle):.2f} {_unit(view.centre[0])} {-_unit(view.centre[1])})",
        box=(_unit(low[0]), -_unit(high[1]), _unit(width), _unit(high[1] - low[1])),
        radius=_unit(radius),
        target=_badges([letter for letter, _ in wanted], [ends]),
        driven=_badges(LETTERS[:-1], [spots[0] for spots in driven]),
        target_leaders=_leaders(ends, dots),
        driven_leaders=tuple(_leaders(*spots) for spots in driven),
        bar=_unit(bar * units.length),
        bar_text=f"{bar:g} {units.length_unit}",
    )


def _unit(metres: float) -> int:
    return round(float(metres) * PER_METRE)


def ring_text(review: Review) -> str:
    """What the rings stand for."""
    return f"Ring: {review.target.title}"


def target_stations(part: CornerReview, target: Target) -> list[float | None]:
    """Stations of the target's marks in the order of LETTERS, None where it has no such mark [m].

    They are those of the table of marks; the track-out is known of the computed line only.
    """
    marks = part.marks
    minimum = marks.min_speed_place.reference
    return [
        marks.brake_point.reference,
        marks.turn_in.reference,
        *_in_order(part, marks.apex_place.reference, marks.other_apex_place.reference),
        None if minimum is None else part.frame.apex + minimum,
        marks.drive_point.reference,
        part.frame.track_out if target.computed else None,
    ]


def driven_stations(part: CornerReview) -> list[float | None]:
    """Stations of the driver's marks in the order of LETTERS without the track-out, None where withheld [m]."""
    marks = part.marks
    minimum = marks.min_speed_place.driven.value
    return [
        marks.brake_point.driven.value,
        marks.turn_in.driven.value,
        *_in_order(part, marks.apex_place.driven.value, marks.other_apex_place.driven.value),
        None if minimum is None else part.frame.apex + minimum,
        marks.drive_point.driven.value,
    ]


def _in_order(part: CornerReview, apex: float | None, other: float | None) -> tuple[float | None, float | None]:
    """What belongs to the apex and to the other one, in driving order."""
    return (apex, other) if part.frame.apex_names()[0] != "second apex" else (other, apex)


Spots = list[tuple[float, float] | None]


def _driven(place: Rings, lap: LapReview, part: CornerReview) -> tuple[Spots, Spots]:
    return mark_spots(place, lap.comparison.driven.lap, driven_stations(part), 1)


def mark_spots(place: Rings, lap: Lap, wanted: Sequence[float | None], order: int) -> tuple[Spots, Spots]:
    """Ends of the leaders outside the corner, moved apart, and the marks' points on the line; None without a mark."""
    known = np.array([station for station in wanted if station is not None])
    if known.size == 0:
        return [None] * len(wanted), [None] * len(wanted)
    low, high = float(known.min()) - 60.0, float(known.max()) + 60.0
    apart = spread(known, 2.4 * place.radius, low, high)
    ends, dots = iter(np.column_stack(place.ring(apart, order))), iter(np.column_stack(place.on(lap, known)))
    spots = [(_pair(next(ends)), _pair(next(dots))) if station is not None else (None, None) for station in wanted]
    return [end for end, _ in spots], [dot for _, dot in spots]


def _pair(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _badges(letters: Sequence[tuple[str, str]], laps: Sequence[Spots]) -> tuple[Badge, ...]:
    """Badges from their ends, one list a lap."""
    return tuple(
        Badge(letter=letter, name=name, places=tuple(_moved(spots[k]) for spots in laps))
        for k, (letter, name) in enumerate(letters)
    )


def _moved(spot: tuple[float, float] | None) -> str:
    return NOWHERE if spot is None else f"translate({_unit(spot[0])} {-_unit(spot[1])})"


def _leaders(ends: Spots, dots: Spots) -> str:
    """Lines from dots to badges."""
    lines = [
        f"M{_unit(dot[0])} {-_unit(dot[1])}L{_unit(end[0])} {-_unit(end[1])}"
        for end, dot in zip(ends, dots)
        if end is not None and dot is not None
    ]
    return "".join(lines) or "M0 0"


def _room(place: Rings, box: tuple[Array, Array], spots: Sequence[Spots]) -> tuple[Array, Array]:
    """The box widened so that every badge is inside."""
    points = np.array([spot for some in spots for spot in some if spot is not None]).reshape(-1, 2)
    if points.size == 0:
        return box
    pad = 1.5 * place.radius
    low, high = np.minimum(box[0], points.min(axis=0) - pad), np.maximum(box[1], points.max(axis=0) + pad)
    return low - np.array([0.0, 2.0 * place.radius]), high  # the scale bar stands below
