"""The marks to begin with: those of a line with room for a driver who scatters, beside the computed lap's for later.

The line is that of :func:`linelab.margin_lap`.  Its marks are read as the computed lap's are, and are what the driver
uses first; what changes from each of them to the computed lap's is said in its grey line, "later".
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from linelab.errors import InputError
from linelab.model.kart import Kart
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution
from linelab.output.display import Units
from linelab.output.margins.margin_report import one_in, two_of_three
from linelab.output.sheet.corner_facts import SheetCorner, SheetMark, sheet_corners
from linelab.output.sheet.how_driven import Way
from linelab.output.sheet.sheet_words import (
    SAME_PLACE,
    brake_words,
    distance,
    flat_out,
    ground_words,
    lowest_words,
)
from linelab.study.scattering.margins import CornerMargin, MarginLap

#: Time that the room costs in a corner is named from here on [s].
COUNTS = 0.005
#: Nearer to an edge than this the kart's side is at it [m].
AT_EDGE = 0.05


class Moves(NamedTuple):
    """From each mark to begin with to the computed lap's, along the line with room, negative towards the start [m]."""

    slowed: float  #: the brake or lift point; 0 where one has none
    turned: float
    aimed: float  #: the apex
    powered: float  #: the drive point
    out: float


@dataclass(frozen=True, kw_only=True, slots=True)
class BeginCorner:
    """One corner as it is driven at first and later.

    Parameters
    ----------
    first : SheetCorner
        On the line with room.
    later : SheetCorner
        On the computed lap.
    margin : CornerMargin
    moved : Moves
    power : float
        The drive point from the apex of ``first``, negative before it [m].
    """

    first: SheetCorner
    later: SheetCorner
    margin: CornerMargin
    moved: Moves
    power: float

    @property
    def number(self) -> int:
        """The corner's number."""
        return self.first.number


#: A corner of the sheet: its marks on the computed lap, or those to begin with and for later.
Row = SheetCorner | BeginCorner


def first_of(row: Row) -> SheetCorner:
    """The corner as it is driven at first."""
    return row.first if isinstance(row, BeginCorner) else row


def begin_corners(track: Track, kart: Kart, found: MarginLap, later: Sequence[SheetCorner]) -> tuple[BeginCorner, ...]:
    """The marks to begin with beside those of the computed lap, corner by corner.

    Parameters
    ----------
    track : Track
    kart : Kart
    found : MarginLap
        On the track, with the kart.
    later : sequence of SheetCorner
        Of the computed lap.
    """
    way = Way(track=track, lap=found.lap)
    margins = {margin.corner: margin for margin in found.corners}
    after = {corner.number: corner for corner in later}
    return tuple(
        BeginCorner(
            first=first,
            later=after[first.number],
            margin=margins[first.number],
            moved=_moves(way, first, after[first.number]),
            power=way.apart(first.apex.along, first.marks.drive_point),
        )
        for first in sheet_corners(track, found.lap, kart)
    )


def _moves(way: Way, first: SheetCorner, later: SheetCorner) -> Moves:
    return Moves(
        slowed=0.0 if first.brake is None or later.brake is None else way.apart(first.brake.along, later.brake.along),
        turned=way.apart(first.turn_in.along, later.turn_in.along),
        aimed=way.apart(first.apex.along, later.apex.along),
        powered=way.apart(first.marks.drive_point, later.marks.drive_point),
        out=way.apart(first.track_out.along, later.track_out.along),
    )


def check_begin(track: Track, solution: Solution, found: MarginLap) -> None:
    """Refuse marks to begin with that do not belong to a computed lap.

    Raises
    ------
    InputError
        They are of another lap, or room would be left to edges that nobody knows.
    """
    if track.survey.estimated:
        raise InputError(
            "the edges were estimated from laps, so nobody knows how much room there is",
            where="the marks to begin with",
            remedy="Draw the track file from an aerial picture, or leave these marks out",
        )
    same = abs(found.computed.lap_time - solution.lap.lap_time) < 1e-6
    if not same or {each.corner for each in found.corners} != {each.number for each in track.corners}:
        raise InputError(
            "they belong to another computed lap", where="the marks to begin with",
            remedy="Give margin_lap the same track, kart, solution and use of kerbs",
        )  # fmt: skip


def room_words(corner: SheetCorner, mark: SheetMark, units: Units) -> list[str]:
    """How far the kart's side is from the edge that matters at a mark; nothing at a brake or lift point."""
    return [
        f"at {side} edge"
        if abs(gap) < AT_EDGE
        else f"{units.length_text(abs(gap), 1)} {'over' if gap < 0.0 else 'from'} {side} edge"
        for other, side, gap in corner.gaps
        if other is mark
    ]


def power_words(corner: BeginCorner, units: Units, pace: float) -> list[str]:
    """Where the power comes in on the line with room; nothing where it is never off."""
    first = corner.first
    if flat_out(first):
        return []
    if abs(first.marks.drive_point - first.turn_in.along) < SAME_PLACE:
        return ["power from turn-in"]
    if abs(corner.power) < SAME_PLACE:
        return [f"power from {first.apex.name}"]
    side = "after" if corner.power > 0.0 else "before"
    return [f"power {distance(abs(corner.power), units, pace)} {side} {first.apex.name}"]


def later_words(corner: BeginCorner, mark: SheetMark | None, units: Units, pace: float) -> str:
    """The computed lap's mark beside one to begin with: speed, how far on or sooner, distance to the edge; of the brake
    or lift point where there is no mark."""
    first, later = corner.first, corner.later
    moved = corner.moved
    if mark is None or mark is first.brake:
        return _later_slowing(corner, units, pace)
    if mark is first.turn_in:
        return _later(later.turn_in, [_move(moved.turned, units, pace), *_room(later, later.turn_in, units)], units)
    if mark is first.track_out:
        return _later(later.track_out, [_move(moved.out, units, pace), *_room(later, later.track_out, units)], units)
    if mark is not first.apex:
        return ""
    name = "" if first.apex.name == later.apex.name else later.apex.name
    power = "" if flat_out(first) or flat_out(later) else _move(moved.powered, units, pace)
    parts = [name, _move(moved.aimed, units, pace), *_room(later, later.apex, units), f"power {power}" if power else ""]
    return _later(later.apex, parts, units)


def _later(mark: SheetMark, parts: Sequence[str], units: Units) -> str:
    kept = ", ".join(part for part in parts if part)
    kept = re.sub(r"(?<=\d) (?=[a-z])", "\N{NO-BREAK SPACE}", kept)  # cells are narrow: a figure stays with its unit
    return f"later {mark.speed / units.speed:.0f}" + (f": {kept}" if kept else "")


def _later_slowing(corner: BeginCorner, units: Units, pace: float) -> str:
    first, later = corner.first, corner.later
    if later.brake is None:
        if first.brake is None:
            return ""
        return f"later: {' '.join(brake_words(later, units, pace))}"
    if first.brake is None:
        return _later(later.brake, [later.brake.name], units)
    other = "" if first.brake.name == later.brake.name else f"{later.brake.name} "
    return _later(later.brake, [f"{other}{_move(corner.moved.slowed, units, pace) or 'here'}"], units)


def _move(by: float, units: Units, pace: float) -> str:
    """From a mark to its later place; nothing where it stays."""
    return "" if abs(by) < SAME_PLACE else f"{distance(abs(by), units, pace)} {'farther' if by > 0.0 else 'sooner'}"


def _room(corner: SheetCorner, mark: SheetMark, units: Units) -> list[str]:
    return [words.replace("left ", "").replace("right ", "") for words in room_words(corner, mark, units)]


def begin_summary(corner: BeginCorner, units: Units, pace: float) -> str:
    """Under a corner: where it is slowest, at first and later, what the room costs there, how often it is left."""
    first, later, margin = corner.first, corner.later, corner.margin
    slowest = lowest_words(first, units, pace)
    then = f"later {later.min_speed / units.speed:.0f}"
    parts = [
        f"{slowest} ({then})" if slowest and not flat_out(later) else slowest,
        f"room costs {margin.time_lost:.2f} s" if margin.time_lost >= COUNTS else "room costs hardly any time",
        f"off the track on {one_in(margin.chance)} laps",
        *ground_words(first, units),
    ]
    text = "; ".join(part for part in parts if part) + "."
    return text[0].upper() + text[1:]


def begin_note(found: MarginLap) -> str:
    """Over the table: which marks come first, and what they are for."""
    return (
        f"Black: begin with these marks; who scatters as said on page 1 leaves the track on {one_in(found.chance)} "
        'laps. Grey, "later": the computed lap\'s.'
    )


def begin_paragraphs(found: MarginLap, units: Units) -> list[str]:
    """On the first page: which marks to use first, for whom they are, and when to go on."""
    return [
        "Begin with the marks on this map. They leave room to the edges for a driver whose passes differ: "
        f"{two_of_three(found.scatter, units)}.",
        f"Such a driver leaves the track on {one_in(found.chance)} laps (on the computed lap's line on "
        f"{one_in(found.chance_on_computed)}). The room costs {found.time_lost:.1f}\N{NO-BREAK SPACE}s a lap.",
        "The computed lap's marks are for later; they are grey on the next pages. Go on to them one corner at a time, "
        "when your passes there lie closer together.",
    ]
