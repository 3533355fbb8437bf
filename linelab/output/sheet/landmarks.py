"""What can be seen along the road and counted from: lines across it, ends of kerbs and of patches of other grip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from linelab.diagnosis.marks import CornerMarks
from linelab.output.sheet.how_driven import Way
from linelab.output.sheet.kerb_places import Side, own_kerbs

End = Literal["", "start", "end"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Landmark:
    """One thing that can be seen, at a station [m]; ``end`` which end of it, where it has two."""

    station: float
    name: str
    end: End


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """A landmark seen from a mark, which lies ``distance`` after it, negative before it [m]."""

    landmark: Landmark
    distance: float


def landmarks(way: Way, found: Sequence[CornerMarks]) -> tuple[Landmark, ...]:
    """The landmarks of a track; a kerb goes by its corner's number, the one whose inside it lies on before others."""
    track = way.track
    lines = [Landmark(station=track.start_station, name="start line", end="")]
    if not track.closed and track.finish_station is not None:
        lines.append(Landmark(station=track.finish_station, name="finish line", end=""))
    several = len(track.timing_stations) > 1
    for number, station in enumerate(sorted(track.timing_stations), start=1):
        lines.append(Landmark(station=station, name=f"timing line {number}" if several else "timing line", end=""))
    owners: dict[int, tuple[int, str]] = {}
    order: tuple[Side, ...] = ("inside", "exit", "entry")
    for marks in found:
        for kerb, side in own_kerbs(way, marks):
            owner = (order.index(side), f"{side} kerb {marks.corner.number}")
            at = track.kerbs.index(kerb)
            owners[at] = min(owners.get(at, owner), owner)
    both: list[Landmark] = []
    for at, (_, name) in owners.items():
        both += _ends(track.kerbs[at].s_start, track.kerbs[at].s_end, name)
    for zone in track.grip_zones:
        both += _ends(zone.s_start, zone.s_end, f"grip patch {zone.name}".strip())
    return (*lines, *both)


def _ends(start: float, end: float, name: str) -> list[Landmark]:
    return [Landmark(station=start, name=name, end="start"), Landmark(station=end, name=name, end="end")]


def nearest_sight(way: Way, known: Sequence[Landmark], station: float) -> Sight:
    """The landmark nearest to a station, along the line."""
    seen = [Sight(landmark=landmark, distance=way.apart(landmark.station, station)) for landmark in known]
    return min(seen, key=lambda sight: abs(sight.distance))
