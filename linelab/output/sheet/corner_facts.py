"""What the track sheet says about each corner: where the marks are, how fast, what limits the kart, what a miss costs.

Distances are along the computed lap's own line, so that a walker on that line can count them.  All is read from one
lap, in SI units; :mod:`linelab.output.sheet.sheet_words` puts it into words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Limit
from linelab.model.track import Side as TrackSide
from linelab.model.track import Track
from linelab.output.lap_curves import UpShift, gear_at, gears, up_shifts
from linelab.output.sheet.caution_marks import CautiousMark, cautious_marks
from linelab.output.sheet.how_driven import Driving, Slowing, Way, driving, feet
from linelab.output.sheet.kerb_places import KerbPlace, KerbUse, edge_gap, kerbs_used, nearest_kerb
from linelab.output.sheet.landmarks import Landmark, Sight, landmarks, nearest_sight
from linelab.study.habit_costs import HabitCost

MarkName = Literal["brake", "lift", "turn in", "apex", "first apex", "second apex", "track out"]
#: What else a mark may be counted from; an open road begins before its start line, if that lies inside.
Place = Literal["start line", "road's start"]

#: The miss whose cost the sheet gives [m].
MISS = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetMark:
    """One mark of a corner.

    ``station`` lies within the lap, ``along`` is the same unwrapped about the corner, so that a corner's marks can be
    put in order [m].  ``place`` is (x, y) on the ground [m] and ``heading`` the line's there [rad]; ``since`` the
    distance from the mark before it, ``after`` that mark's name, and ``after_corner`` its corner where it is another
    one (0: a place).  ``sight`` is the nearest thing that can be seen.
    """

    name: MarkName
    station: float
    along: float
    place: tuple[float, float]
    heading: float
    speed: float
    since: float
    after: MarkName | Place
    after_corner: int | None
    kerb: KerbPlace | None
    sight: Sight


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetShift:
    """Where to shift up into a gear after a corner's apex: speed [m/s], distance after its track-out, negative before
    it [m], and the nearest thing that can be seen."""

    gear: int
    speed: float
    after: float
    sight: Sight


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetCorner:
    """One corner of the sheet.

    Parameters
    ----------
    marks : CornerMarks
    brake : SheetMark or None
        Named "lift" where the kart slows that much without brakes; None where it slows little or not at all.
    turn_in, apex, track_out : SheetMark
    other_apex : SheetMark or None
        Of a corner with two apexes, which are then named first and second.
    fastest_before : float
        Highest speed since the corner before [m/s].
    min_speed : float
        [m/s]
    slows : Slowing or None
        How the kart gets slower for the corner; None where it does not.
    limits : tuple of Limit
        What limits the lap from the corner's first mark to its track-out, in that order.
    gaps : tuple of (SheetMark, str, float)
        At turn-in and track-out the side the road's outside lies on, at each apex that of its inside, and how far the
        kart's side is from that edge, negative over it [m]; in the order driven.
    cost : float or None
        Time lost by missing the apex by MISS [s]; None where it is withheld, for the reason ``no_cost``.
    no_cost : str
    slope : float or None
        Mean slope from the brake or lift point (or turn-in) to the apex, positive uphill [rad]; None without elevation.
    bank : float or None
        Mean cross slope from turn-in to track-out, positive where it helps the turn [rad].
    kerbs_used : tuple of KerbUse
        Kerbs that the computed line runs over, and which part of them.
    caution : CautiousMark or None
        Where to begin to slow with less grip; None where that is not slowed for either.
    gears : tuple of (SheetMark, int)
        The gear at the brake or lift point, each apex and the track-out of a kart with several.
    shifts : tuple of SheetShift
        Up-shifts from the apex to the next corner's.
    beside_groove : float or None
        At the slowest place, from the middle of the dry line, positive towards the outside [m]; None without a groove
        or where it is dry.
    """

    marks: CornerMarks
    brake: SheetMark | None
    turn_in: SheetMark
    apex: SheetMark
    other_apex: SheetMark | None
    track_out: SheetMark
    fastest_before: float
    min_speed: float
    slows: Slowing | None
    limits: tuple[Limit, ...]
    gaps: tuple[tuple[SheetMark, TrackSide, float], ...]
    cost: float | None
    no_cost: str
    slope: float | None
    bank: float | None
    kerbs_used: tuple[KerbUse, ...]
    caution: CautiousMark | None = None
    gears: tuple[tuple[SheetMark, int], ...] = ()
    shifts: tuple[SheetShift, ...] = ()
    beside_groove: float | None = None

    @property
    def earlier(self) -> float | None:
        """How much before the brake or lift point the cautious one lies, along the road [m]; None without one of
        them."""
        return None if self.brake is None or self.caution is None else self.brake.along - self.caution.along

    @property
    def number(self) -> int:
        """The corner's number."""
        return self.marks.corner.number

    @property
    def driven(self) -> tuple[SheetMark, ...]:
        """Its marks in the order they are driven: a kart that only lifts may do so after its turn-in."""
        marks = (self.brake, self.turn_in, self.apex, self.other_apex, self.track_out)
        return tuple(sorted((mark for mark in marks if mark is not None), key=_along))


def sheet_corners(track: Track, lap: Lap, kart: Kart, costs: Sequence[HabitCost] = ()) -> tuple[SheetCorner, ...]:
    """Everything the sheet says about each corner of a computed lap, in driving order.

    Parameters
    ----------
    track : Track
    lap : Lap
        On the track.
    kart : Kart
        Its width decides what is over an edge.
    costs : sequence of HabitCost
        Of apexes missed by MISS; corners without one have no cost.
    """
    way = Way(track=track, lap=lap)
    found = find_marks(track, lap, kart)
    lost = {cost.corner: cost for cost in costs}
    seen = feet(way, kart)
    driven = [driving(seen, marks, found[k - 1] if k > 0 or track.closed else None) for k, marks in enumerate(found)]
    around = _Around(_chain(way, found, driven), landmarks(way, found))
    careful = cautious_marks(track, lap, kart)
    chosen, shifts = gears(lap, kart), up_shifts(lap, kart)
    corners = []
    for k, (marks, how) in enumerate(zip(found, driven)):
        corner = _corner(way, kart, marks, how, around, lost.get(marks.corner.number))
        later = found[(k + 1) % len(found)] if track.closed or k + 1 < len(found) else None
        corner = replace(
            corner,
            caution=careful.get(corner.number),
            gears=() if chosen is None else _gears(way, corner, chosen),
            shifts=tuple(_shift(way, marks, shift, around) for shift in shifts if _between(way, marks, later, shift)),
        )
        corners.append(corner)
    return tuple(corners)


def _gears(way: Way, corner: SheetCorner, chosen: NDArray[np.intp]) -> tuple[tuple[SheetMark, int], ...]:
    return tuple(
        (mark, gear_at(way.track, way.lap, chosen, mark.station)) for mark in corner.driven if mark.name != "turn in"
    )


def _between(way: Way, marks: CornerMarks, later: CornerMarks | None, shift: UpShift) -> bool:
    """Whether a shift lies between a corner's apex and the next one's, or the road's end."""
    away = way.ahead(marks.apex, shift.station)
    if later is None:
        return away >= 0.0
    if later is marks:  # the only corner of a circuit
        return True
    return 0.0 <= away < way.ahead(marks.apex, later.apex)


def _shift(way: Way, marks: CornerMarks, shift: UpShift, around: _Around) -> SheetShift:
    apex_to_it, apex_to_out = way.ahead(marks.apex, shift.station), way.ahead(marks.apex, marks.track_out)
    sight = nearest_sight(way, around.landmarks, shift.station)
    return SheetShift(gear=shift.gear, speed=shift.speed, after=apex_to_it - apex_to_out, sight=sight)


class _Around(NamedTuple):
    """What marks are counted from: all marks and the start line in the order they are walked, and what can be seen."""

    chain: list[tuple[float, MarkName | Place, int]]
    landmarks: tuple[Landmark, ...]


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
        chain += [(way.local(station), name, number) for name, station in _apexes(marks)]
        chain.append((way.local(marks.track_out), "track out", number))
    return sorted(chain, key=lambda entry: entry[0])


def _apexes(marks: CornerMarks) -> list[tuple[MarkName, float]]:
    """The apex with its name, then the other one where there is one."""
    names: tuple[MarkName, MarkName] = ("first apex", "second apex")
    if marks.other_apex is None:
        return [("apex", marks.apex)]
    late = marks.apex > marks.other_apex
    return [(names[late], marks.apex), (names[not late], marks.other_apex)]


def _mark(way: Way, marks: CornerMarks, name: MarkName, station: float, around: _Around) -> SheetMark:
    number, chain = marks.corner.number, around.chain
    at = next(k for k, entry in enumerate(chain) if entry[1:] == (name, number))
    before = chain[at - 1] if at > 0 or way.track.closed else (float(way.line.s[0]), "road's start", 0)
    return SheetMark(
        name=name,
        station=way.local(station),
        along=station,
        place=(way.value(way.line.x, station), way.value(way.line.y, station)),
        heading=way.value(way.line.psi, station),
        speed=way.value(way.lap.v, station),
        since=way.ahead(before[0], station),
        after=before[1],
        after_corner=None if before[2] == number else before[2],
        kerb=nearest_kerb(way, marks, station),
        sight=nearest_sight(way, around.landmarks, station),
    )


def _corner(
    way: Way,
    kart: Kart,
    marks: CornerMarks,
    how: Driving,
    around: _Around,
    cost: HabitCost | None,
) -> SheetCorner:
    value, reason = _cost(cost)
    track = way.track
    elevation = track.left_z is not None
    start = min(marks.slows_from, marks.turn_in)
    sign = 1.0 if marks.corner.left else -1.0
    line = way.line
    turn_in = _mark(way, marks, "turn in", marks.turn_in, around)
    track_out = _mark(way, marks, "track out", marks.track_out, around)
    apexes = [_mark(way, marks, name, station, around) for name, station in _apexes(marks)]
    return SheetCorner(
        marks=marks,
        brake=None if how.mark is None else _mark(way, marks, how.mark, how.begins, around),
        turn_in=turn_in,
        apex=apexes[0],
        other_apex=apexes[1] if len(apexes) > 1 else None,
        track_out=track_out,
        fastest_before=how.fastest,
        min_speed=way.value(way.lap.v, marks.minimum_speed),
        slows=how.slows,
        limits=how.limits,
        gaps=tuple((mark, *_gap(way, kart, marks, mark)) for mark in (turn_in, *sorted(apexes, key=_along), track_out)),
        cost=value,
        no_cost=reason,
        slope=float(way.between(start, max(marks.apex, start + 1.0), line.slope).mean()) if elevation else None,
        bank=sign * float(way.between(marks.turn_in, marks.track_out, line.bank).mean()) if elevation else None,
        kerbs_used=kerbs_used(way, kart, marks),
        beside_groove=_beside_groove(way, marks),
    )


def _beside_groove(way: Way, marks: CornerMarks) -> float | None:
    groove, day = way.track.groove, way.track.conditions
    if groove is None or day is None or not day.needs_groove:
        return None
    local = np.array([way.local(marks.minimum_speed)])
    inwards = way.value(way.line.n, marks.minimum_speed) - groove.middle(local, way.track.length, way.track.closed)[0]
    return float(-inwards if marks.corner.left else inwards)


def _along(mark: SheetMark) -> float:
    return mark.along


def _gap(way: Way, kart: Kart, marks: CornerMarks, mark: SheetMark) -> tuple[TrackSide, float]:
    """The side of the road that matters at a mark, and the kart's distance from its edge [m]."""
    left = marks.corner.left == (mark.name not in ("turn in", "track out"))
    return "left" if left else "right", edge_gap(way, kart, mark.along, left=left)


def _cost(cost: HabitCost | None) -> tuple[float | None, str]:
    if cost is None:
        return None, "not computed"
    value = cost.at(MISS)
    return value, "" if value is not None else cost.reason
