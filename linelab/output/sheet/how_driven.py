"""How a lap is driven between two stations: what the feet do, what limits it, how it slows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.diagnosis.marks import CornerMarks
from linelab.model.kart import Kart
from linelab.model.lap import FULL_POWER, Codes, Lap, Limit, Line
from linelab.model.track import Track
from linelab.output.lap_curves import Pedal, pedal_codes, runs
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
