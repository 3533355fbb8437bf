"""What the track sheet says about each corner: where the marks are, how fast, what limits the kart, what a miss costs.

Distances are measured along the reference lap's own line, so that a person who walks that line can count them; where
a kerb begins is its station's place on that line.  SI units; :mod:`linelab.report.sheet_words` puts them into words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.comparison.marks import CornerMarks, find_marks
from linelab.kart import Kart
from linelab.lap import Lap, Limit
from linelab.report.outlines import along_closed
from linelab.report.sheet_limits import Driving, Slowing, driving, feet
from linelab.report.sheet_way import Way
from linelab.study.apex_cost import ApexCost
from linelab.track import Kerb, Track, length_along
from linelab.units import Array

MarkName = Literal["brake", "lift", "turn in", "apex", "track out"]
#: What else a mark may be counted from; an open road begins before its start line, if that lies inside.
Place = Literal["start line", "road's start"]
Side = Literal["inside", "entry", "exit"]

#: The miss whose cost the sheet gives [m].
MISS = 0.5
#: A kerb is named as a landmark of a mark when it begins or ends this near [m].
NEAR_KERB = 40.0
#: Where the reference line keeps farther than this from the inside edge no cost of a miss is given [m].
OFF_THE_EDGE = 0.3
#: Why no cost is given there.
KEEPS_OFF = "line keeps off the inside edge"
#: A kart's body over the road's edge by this much uses the kerb [m].
ON_KERB = 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class KerbPlace:
    """Where a mark lies along one of its corner's kerbs.

    ``distance`` is from the kerb's start, negative before it, or ``past_end`` from its end [m].
    """

    side: Side
    distance: float
    past_end: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetMark:
    """One mark of a corner.

    ``place`` is (x, y) on the ground [m] and ``heading`` the line's there [rad]; ``since`` the distance from the mark
    before it, ``after`` that mark's name, and ``after_corner`` its corner where it is another one (0: a place).
    """

    name: MarkName
    station: float
    place: tuple[float, float]
    heading: float
    speed: float
    since: float
    after: MarkName | Place
    after_corner: int | None
    kerb: KerbPlace | None


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetCorner:
    """One corner of the sheet.

    Parameters
    ----------
    marks : CornerMarks
    brake : SheetMark or None
        Named "lift" where the kart slows that much without brakes; None where it slows little or not at all.
    turn_in, apex, track_out : SheetMark
    fastest_before : float
        Highest speed since the corner before [m/s].
    min_speed : float
        [m/s]
    slows : Slowing or None
        How the kart gets slower for the corner; None where it does not.
    limits : tuple of Limit
        What limits the lap from the corner's first mark to its track-out, in that order.
    apex_gap : float
        Between the kart and the road's inside edge at the apex, negative over a kerb [m].
    cost : float or None
        Time lost by missing the apex by MISS [s]; None where it is withheld, for the reason ``no_cost``.
    no_cost : str
    cost_is_bound : bool
        Whether the cost is an upper bound.
    slope : float or None
        Mean slope from the brake or lift mark (or turn-in) to the apex, positive uphill [rad]; None without elevation.
    bank : float or None
        Mean cross slope from turn-in to track-out, positive where it helps the turn [rad].
    kerbs_used : tuple of Side
        Kerbs that the reference line runs over.
    """

    marks: CornerMarks
    brake: SheetMark | None
    turn_in: SheetMark
    apex: SheetMark
    track_out: SheetMark
    fastest_before: float
    min_speed: float
    slows: Slowing | None
    limits: tuple[Limit, ...]
    apex_gap: float
    cost: float | None
    no_cost: str
    cost_is_bound: bool
    slope: float | None
    bank: float | None
    kerbs_used: tuple[Side, ...]

    @property
    def number(self) -> int:
        """The corner's number."""
        return self.marks.corner.number


def sheet_corners(track: Track, lap: Lap, kart: Kart, costs: Sequence[ApexCost] = ()) -> tuple[SheetCorner, ...]:
    """Everything the sheet says about each corner of a reference lap, in driving order.

    Parameters
    ----------
    track : Track
    lap : Lap
        On the track.
    kart : Kart
        Its width decides what is over an edge.
    costs : sequence of ApexCost
        From :mod:`linelab.study.apex_cost` or :mod:`linelab.study.apex_solved`; corners without one have no cost.
    """
    way = Way(track=track, lap=lap)
    found = find_marks(track, lap, kart)
    lost = {cost.corner: cost for cost in costs}
    seen = feet(way, kart)
    driven = [driving(seen, marks, found[k - 1] if k > 0 or track.closed else None) for k, marks in enumerate(found)]
    chain = _chain(way, found, driven)
    return tuple(
        _corner(way, kart, marks, how, chain, lost.get(marks.corner.number)) for marks, how in zip(found, driven)
    )


def _chain(
    way: Way, found: Sequence[CornerMarks], driven: Sequence[Driving]
) -> list[tuple[float, MarkName | Place, int]]:
    """All marks and the start line in the order they are walked: station within the lap, name, corner."""
    chain: list[tuple[float, MarkName | Place, int]] = [(way.track.start_station, "start line", 0)]
    for marks, how in zip(found, driven):
        number = marks.corner.number
        if how.mark is not None:
            chain.append((way.local(how.begins), how.mark, number))
        chain.append((way.local(marks.turn_in), "turn in", number))
        chain.append((way.local(marks.apex), "apex", number))
        chain.append((way.local(marks.track_out), "track out", number))
    return sorted(chain, key=lambda entry: entry[0])


def _mark(
    way: Way,
    marks: CornerMarks,
    name: MarkName,
    station: float,
    chain: Sequence[tuple[float, MarkName | Place, int]],
) -> SheetMark:
    number = marks.corner.number
    at = next(k for k, entry in enumerate(chain) if entry[1:] == (name, number))
    before = chain[at - 1] if at > 0 or way.track.closed else (float(way.line.s[0]), "road's start", 0)
    return SheetMark(
        name=name,
        station=way.local(station),
        place=(way.value(way.line.x, station), way.value(way.line.y, station)),
        heading=way.value(way.line.psi, station),
        speed=way.value(way.lap.v, station),
        since=way.ahead(before[0], station),
        after=before[1],
        after_corner=None if before[2] == number else before[2],
        kerb=_nearest_kerb(way, marks, station),
    )


def _kerb_side(way: Way, marks: CornerMarks, kerb: Kerb) -> Side:
    """Which of a corner's kerbs this is."""
    if (kerb.side == "left") == marks.corner.left:
        return "inside"
    length = length_along(way.track, kerb)
    return "entry" if way.apart(marks.apex, kerb.s_start + 0.5 * length) < 0.0 else "exit"


def _own_kerbs(way: Way, marks: CornerMarks) -> list[tuple[Kerb, Side]]:
    """Kerbs that lie along a corner, from a little before its first mark to a little after its last."""
    first, last = min(marks.slows_from, marks.turn_in) - 10.0, marks.track_out + 10.0
    size = last - first
    return [
        (kerb, _kerb_side(way, marks, kerb))
        for kerb in way.track.kerbs
        if (way.ahead(first, kerb.s_start) < size if way.track.closed else first < kerb.s_start < last)
    ]


def _nearest_kerb(way: Way, marks: CornerMarks, station: float) -> KerbPlace | None:
    """Place by the nearest of the corner's kerbs."""
    places = []
    for kerb, side in _own_kerbs(way, marks):
        from_start, from_end = way.apart(kerb.s_start, station), way.apart(kerb.s_end, station)
        past = from_end > 0.0
        places.append(KerbPlace(side=side, distance=from_end if past else from_start, past_end=past))
    near = [place for place in places if abs(place.distance) <= NEAR_KERB]
    return min(near, key=lambda place: abs(place.distance), default=None)


def _corner(
    way: Way,
    kart: Kart,
    marks: CornerMarks,
    how: Driving,
    chain: Sequence[tuple[float, MarkName | Place, int]],
    cost: ApexCost | None,
) -> SheetCorner:
    value, reason = _cost(cost)
    track = way.track
    elevation = track.left_z is not None
    start = min(marks.slows_from, marks.turn_in)
    sign = 1.0 if marks.corner.left else -1.0
    line = way.line
    return SheetCorner(
        marks=marks,
        brake=None if how.mark is None else _mark(way, marks, how.mark, how.begins, chain),
        turn_in=_mark(way, marks, "turn in", marks.turn_in, chain),
        apex=_mark(way, marks, "apex", marks.apex, chain),
        track_out=_mark(way, marks, "track out", marks.track_out, chain),
        fastest_before=how.fastest,
        min_speed=way.value(way.lap.v, marks.minimum_speed),
        slows=how.slows,
        limits=how.limits,
        apex_gap=float(_body_gap(way, kart, marks.apex, left=marks.corner.left)),
        cost=value,
        no_cost=reason,
        cost_is_bound=cost is not None and cost.method == "moved line",
        slope=float(way.between(start, max(marks.apex, start + 1.0), line.slope).mean()) if elevation else None,
        bank=sign * float(way.between(marks.turn_in, marks.track_out, line.bank).mean()) if elevation else None,
        kerbs_used=_kerbs_used(way, kart, marks),
    )


def _cost(cost: ApexCost | None) -> tuple[float | None, str]:
    if cost is None:
        return None, "not computed"
    if cost.room > OFF_THE_EDGE and cost.method == "moved line":
        return None, KEEPS_OFF
    value = cost.at(MISS)
    return value, "" if value is not None else "no line found that misses it so far"


def _body_gap(way: Way, kart: Kart, station: float, *, left: bool) -> Array:
    """Distance between the kart's side and the road's edge, negative over it [m]."""
    widths = way.track.w_left if left else way.track.w_right
    n = way.value(way.line.n, station)
    edge = along_closed(way.track, widths, np.array([way.local(station)]))[0]
    return np.asarray(edge - (n if left else -n) - 0.5 * kart.width)


def _kerbs_used(way: Way, kart: Kart, marks: CornerMarks) -> tuple[Side, ...]:
    """Kerbs of a corner that the kart's body reaches over."""
    used = []
    for kerb, side in _own_kerbs(way, marks):
        end = kerb.s_end + (way.track.length if kerb.s_end < kerb.s_start else 0.0)
        stations = np.arange(kerb.s_start, end, 1.0)
        gaps = [float(_body_gap(way, kart, float(s), left=kerb.side == "left")) for s in stations]
        if min(gaps, default=0.0) < -ON_KERB:
            used.append(side)
    order: tuple[Side, ...] = ("entry", "inside", "exit")
    return tuple(side for side in order if side in used)
