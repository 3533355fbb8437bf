"""What the track sheet says about each corner: where the marks are, how fast, what limits the kart, what a miss costs.

Distances are along the computed lap's own line, so that a walker on that line can count them.  All is read from one
lap, in SI units; :mod:`linelab.output.sheet.sheet_words` puts it into words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.model.kart import Kart
from linelab.model.lap import Codes, Lap, Limit, Line
from linelab.model.track import Kerb, Track, length_along
from linelab.output.lap_curves import Pedal, pedal_codes, runs
from linelab.output.outlines import along_closed
from linelab.study.habit_costs import HabitCost
from linelab.units import Array


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Way:
    """Distances and values along a lap's line by station, over the start line of a closed track too."""

    track: Track
    lap: Lap

    @property
    def line(self) -> Line:
        """The line that is walked."""
        return self.lap.line

    def local(self, station: float) -> float:
        """Station within the lap [m]."""
        return station % self.track.length if self.track.closed else station

    def walked(self, station: float) -> float:
        """Distance walked along the line from station 0, laps before and after included [m]."""
        laps = station // self.track.length if self.track.closed else 0.0
        return float(np.interp(self.local(station), self.line.s, self.line.distance)) + laps * self.line.length

    def ahead(self, start: float, stop: float) -> float:
        """Distance from one station to another, on a closed track the next time round and never negative [m]."""
        distance = self.walked(stop) - self.walked(start)
        if not self.track.closed:
            return distance
        round_lap = distance % self.line.length
        return 0.0 if self.line.length - round_lap < 1e-6 else round_lap  # rounding must not make it a whole lap

    def apart(self, start: float, stop: float) -> float:
        """Signed distance by the shorter way round [m]."""
        ahead = self.ahead(start, stop)
        return ahead - self.line.length if self.track.closed and ahead > 0.5 * self.line.length else ahead

    def value(self, values: Array, station: float) -> float:
        """One of the lap's arrays (N,) at a station."""
        return float(np.interp(self.local(station), self.line.s, values))

    def between(self, start: float, stop: float, values: Array) -> Array:
        """Values every half metre from one station to the next one (unwrapped)."""
        s = np.linspace(start, stop, max(int(2.0 * (stop - start)) + 1, 2))
        return np.interp(np.mod(s, self.track.length) if self.track.closed else s, self.line.s, values)


Slowing = Literal["brakes", "off the power", "part power", "full power"]

#: Speed lost on the way to the slowest point that is called slowing [m/s].
SLOWING = 0.3
#: A limit that holds for less of a corner's time than this is not named.
LEAST_SHARE = 0.15
#: What the feet do for less than this all together is a change of pedals [s].
LEAST_TIME = 0.15
#: Nothing more to ask of the engine.
FULL_POWER = (Limit.DRIVE, Limit.REVS)
#: What is named among a corner's limits however short it is, by how the kart slows.
_NAMED: dict[Slowing | None, Limit] = {
    "brakes": Limit.BRAKING,
    "off the power": Limit.GRIP,
    "part power": Limit.TRACTION,
}
_STEP = 0.5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Feet:
    """What the driver does and what holds the kart back, at the lap's nodes (N,).

    ``limits`` are :class:`Limit` codes in which braking grip is named only where the brakes are on: at low grip the
    closed throttle alone asks for a good share of it.
    """

    way: Way
    pedals: Codes
    limits: Codes

    def times(self, start: float, stop: float) -> tuple[Codes, Codes, Array]:
        """Pedals, limits and time [s] of short steps (M,) from one station to the next one (unwrapped)."""
        line, track = self.way.line, self.way.track
        edges = np.linspace(start, stop, max(round((stop - start) / _STEP), 1) + 1)
        s = 0.5 * (edges[1:] + edges[:-1])
        local = np.mod(s, track.length) if track.closed else np.clip(s, line.s[0], line.s[-1])
        node = np.clip(np.searchsorted(line.s, local, side="right") - 1, 0, line.s.size - 2)
        pace = (np.diff(self.way.lap.t) / np.diff(line.s))[node]
        return self.pedals[node], self.limits[node], np.diff(edges) * pace


def feet(way: Way, kart: Kart) -> Feet:
    """Read pedals and limits off a lap."""
    foot = pedal_codes(way.lap, kart)
    codes = np.array(way.lap.limited_by)
    codes[(codes == Limit.BRAKING) & (foot != Pedal.BRAKE)] = Limit.GRIP
    return Feet(way=way, pedals=foot, limits=codes)


class Driving(NamedTuple):
    """How a corner is approached and driven.

    ``fastest`` is the highest speed since the corner before [m/s]; ``slows`` None where the kart does not get slower;
    ``mark`` what the place is where it begins to slow by more than a little, at ``begins`` [m]; ``limits`` from there,
    or from turn-in, to track-out.
    """

    fastest: float
    slows: Slowing | None
    mark: Literal["brake", "lift"] | None
    begins: float
    limits: tuple[Limit, ...]


def driving(seen: Feet, marks: CornerMarks, before: CornerMarks | None) -> Driving:
    """How a corner is driven; ``before`` is the corner before it, None for the first one of an open track."""
    way = seen.way
    fastest, place = _fastest_before(way, marks, before)
    slows, mark, start = _slowing(seen, marks, fastest, place)
    limits = limits_in_order(seen, min(start, marks.turn_in), marks.track_out, slows)
    return Driving(fastest, slows, mark, start, limits)


def _slowing(
    seen: Feet, marks: CornerMarks, fastest: float, place: float
) -> tuple[Slowing | None, Literal["brake", "lift"] | None, float]:
    """How the kart slows, what its mark is called, and where it begins to [m]."""
    if marks.brakes:
        return "brakes", "brake", marks.brake_point
    if marks.lifts:
        begin = marks.slows_from
        # A corner may be slowest at its turn-in and be slowed for, a little, farther in.
        slows = slowing_of(seen, begin, marks.minimum_speed if marks.minimum_speed > begin else marks.track_out)
        return slows, None if slows == "full power" else "lift", begin
    if fastest - seen.way.value(seen.way.lap.v, marks.minimum_speed) <= SLOWING:
        return None, None, marks.turn_in
    return slowing_of(seen, place, marks.minimum_speed), None, leaves_power(seen, place, marks.minimum_speed)


def _fastest_before(way: Way, marks: CornerMarks, before: CornerMarks | None) -> tuple[float, float]:
    """Highest speed from the slowest point of the corner before to this one's [m/s], and where [m]."""
    if before is None:
        start = float(way.line.s[0])
    else:
        start = marks.minimum_speed - max(way.ahead(before.minimum_speed, marks.minimum_speed), 0.0)
    speeds = way.between(start, marks.minimum_speed, way.lap.v)
    at = int(np.argmax(speeds))
    return float(speeds[at]), float(np.linspace(start, marks.minimum_speed, speeds.size)[at])


def limits_in_order(seen: Feet, start: float, stop: float, slows: Slowing | None) -> tuple[Limit, ...]:
    """What limits the lap between two stations, each for a good part of that time.

    How the kart slows for the corner is among it however short: braking grip, or cornering grip off the power.
    """
    _, codes, time = seen.times(start, stop)
    known = codes != Limit.NONE
    if not known.any():
        return (Limit.NONE,)
    codes, time = codes[known].astype(np.int8), time[known]
    spans = [(code, float(time[first : last + 1].sum())) for code, first, last in runs(codes)]
    named = _NAMED.get(slows)
    least = LEAST_SHARE * float(time.sum())
    while len(spans) > 1:
        kept = max((span for span in spans if span[0] == named), key=_length, default=None)
        shortest = min((span for span in spans if span is not kept), key=_length)
        if _length(shortest) >= least:
            break
        spans = _without(spans, spans.index(shortest))
    return tuple(Limit(code) for code, _ in spans)


def _length(span: tuple[int, float]) -> float:
    return span[1]


def _without(spans: list[tuple[int, float]], at: int) -> list[tuple[int, float]]:
    """The spans without one, its neighbours joined where they are of one kind."""
    rest = spans[:at] + spans[at + 1 :]
    if 0 < at < len(rest) and rest[at - 1][0] == rest[at][0]:
        rest[at - 1 : at + 1] = [(rest[at][0], rest[at - 1][1] + rest[at][1])]
    return rest


def slowing_of(seen: Feet, start: float, stop: float) -> Slowing:
    """How the kart gets slower from one station to a later one [m]."""
    foot, codes, time = seen.times(start, stop)
    least = min(LEAST_TIME, 0.5 * float(time.sum()))
    if float(time[foot == Pedal.BRAKE].sum()) > least:
        return "brakes"
    if float(time[foot == Pedal.COAST].sum()) > least:
        return "off the power"
    return "part power" if float(time[_eased(codes)].sum()) > least else "full power"


def leaves_power(seen: Feet, start: float, stop: float) -> float:
    """Station between two where the driver first asks for less than full power, or ``stop`` [m]."""
    foot, codes, _ = seen.times(start, stop)
    less = np.flatnonzero((foot != Pedal.DRIVE) | _eased(codes))
    return start + (stop - start) * float(less[0]) / foot.size if less.size else stop


def _eased(codes: Codes) -> NDArray[np.bool_]:
    """Where something else than the engine holds the kart back."""
    return ~np.isin(codes, (*FULL_POWER, Limit.NONE))


MarkName = Literal["brake", "lift", "turn in", "apex", "first apex", "second apex", "track out"]
#: What else a mark may be counted from; an open road begins before its start line, if that lies inside.
Place = Literal["start line", "road's start"]
Side = Literal["inside", "entry", "exit"]

#: The miss whose cost the sheet gives [m].
MISS = 0.5
#: A kerb is named as a landmark of a mark when it begins or ends this near [m].
NEAR_KERB = 40.0
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

    ``station`` lies within the lap, ``along`` is the same unwrapped about the corner, so that a corner's marks can be
    put in order [m].  ``place`` is (x, y) on the ground [m] and ``heading`` the line's there [rad]; ``since`` the
    distance from the mark before it, ``after`` that mark's name, and ``after_corner`` its corner where it is another
    one (0: a place).
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
    apex_gap : float
        Between the kart and the road's inside edge at the apex, negative over a kerb [m].
    cost : float or None
        Time lost by missing the apex by MISS [s]; None where it is withheld, for the reason ``no_cost``.
    no_cost : str
    slope : float or None
        Mean slope from the brake or lift point (or turn-in) to the apex, positive uphill [rad]; None without elevation.
    bank : float or None
        Mean cross slope from turn-in to track-out, positive where it helps the turn [rad].
    kerbs_used : tuple of Side
        Kerbs that the computed line runs over.
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
    apex_gap: float
    cost: float | None
    no_cost: str
    slope: float | None
    bank: float | None
    kerbs_used: tuple[Side, ...]

    @property
    def number(self) -> int:
        """The corner's number."""
        return self.marks.corner.number

    @property
    def driven(self) -> tuple[SheetMark, ...]:
        """Its marks in the order they are driven: a kart that only lifts may do so after its turn-in."""
        marks = (self.brake, self.turn_in, self.apex, self.other_apex, self.track_out)
        return tuple(sorted((mark for mark in marks if mark is not None), key=lambda mark: mark.along))


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
        along=station,
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
    cost: HabitCost | None,
) -> SheetCorner:
    value, reason = _cost(cost)
    track = way.track
    elevation = track.left_z is not None
    start = min(marks.slows_from, marks.turn_in)
    sign = 1.0 if marks.corner.left else -1.0
    line = way.line
    apexes = [_mark(way, marks, name, station, chain) for name, station in _apexes(marks)]
    return SheetCorner(
        marks=marks,
        brake=None if how.mark is None else _mark(way, marks, how.mark, how.begins, chain),
        turn_in=_mark(way, marks, "turn in", marks.turn_in, chain),
        apex=apexes[0],
        other_apex=apexes[1] if len(apexes) > 1 else None,
        track_out=_mark(way, marks, "track out", marks.track_out, chain),
        fastest_before=how.fastest,
        min_speed=way.value(way.lap.v, marks.minimum_speed),
        slows=how.slows,
        limits=how.limits,
        apex_gap=float(_body_gap(way, kart, marks.apex, left=marks.corner.left)),
        cost=value,
        no_cost=reason,
        slope=float(way.between(start, max(marks.apex, start + 1.0), line.slope).mean()) if elevation else None,
        bank=sign * float(way.between(marks.turn_in, marks.track_out, line.bank).mean()) if elevation else None,
        kerbs_used=_kerbs_used(way, kart, marks),
    )


def _cost(cost: HabitCost | None) -> tuple[float | None, str]:
    if cost is None:
        return None, "not computed"
    value = cost.at(MISS)
    return value, "" if value is not None else cost.reason


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
