"""The track sheet in words: each corner's marks with distances to pace out, what limits it, what to look at on foot."""

from __future__ import annotations

from collections.abc import Sequence

from linelab.model.lap import FULL_POWER, Limit
from linelab.model.track import Track
from linelab.output.display import Units
from linelab.output.sheet.caution_marks import CAUTION
from linelab.output.sheet.corner_facts import MISS, SheetCorner, SheetMark, SheetShift
from linelab.output.sheet.kerb_places import KerbUse
from linelab.output.sheet.landmarks import Sight
from linelab.output.track_facts import day_title

#: Length of a walker's step unless another is given [m]; common practice is to count one's own over a known length.
PACE = 0.75
#: Distances under this are "at" the other thing [m].
SAME_PLACE = 1.0
#: Slopes and banks under this share are level.
LEVEL = 0.005
#: Nearer to the dry line's middle a kart is on it [m].
ON_LINE = 0.3
#: More paces than this are not counted; the surest of walkers loses count (common practice).
MOST_PACES = 60
#: How many corners are named as those where the aim matters most.
MOST = 3

LIMIT_WORDS: dict[Limit, str] = {
    Limit.GRIP: "cornering grip",
    Limit.BRAKING: "braking grip",
    Limit.DRIVE: "engine power",
    Limit.TRACTION: "grip under power",
    Limit.REVS: "the rev limit",
    Limit.DRIVER: "how fast the driver can act",
}
_NAMES = {"brake": "brake point", "lift": "lift point", "turn in": "turn-in", "apex": "apex", "track out": "track-out"}


def mark_words(mark: SheetMark, units: Units, pace: float = PACE) -> list[str]:
    """Where a mark is: after the mark before it, and by a kerb's start or end; distance and (paces).

    Nobody counts more than MOST_PACES: such a mark is placed by its kerb, or by what else can be seen near it.
    """
    kerb = _kerb_place(mark, units, pace)
    if mark.since > MOST_PACES * pace:
        near = mark.kerb is not None and abs(mark.kerb.distance) <= MOST_PACES * pace
        if near or abs(mark.sight.distance) < mark.since:
            return kerb if near else [sight_words(mark.sight, units, pace), *kerb]
    before = _NAMES.get(mark.after, mark.after)
    if mark.after_corner:
        before += f" {mark.after_corner}"
    return [f"at {before}" if mark.since < SAME_PLACE else f"{distance(mark.since, units, pace)} after {before}", *kerb]


def _kerb_place(mark: SheetMark, units: Units, pace: float) -> list[str]:
    if mark.kerb is None:
        return []
    kerb, away = f"{mark.kerb.side} kerb", mark.kerb.distance
    if abs(away) < SAME_PLACE:
        return [f"where {kerb} {'ends' if mark.kerb.past_end else 'starts'}"]
    side = "past" if mark.kerb.past_end else "before" if away < 0.0 else "into"
    return [f"{distance(abs(away), units, pace)} {side} {kerb}"]


def sight_words(sight: Sight, units: Units, pace: float = PACE) -> str:
    """Where a mark is from a thing that can be seen: before or after it."""
    name, end, away = sight.landmark.name, sight.landmark.end, sight.distance
    if abs(away) < SAME_PLACE:
        return f"where {name} {end}s" if end else f"at {name}"
    after, before = {"": ("after", "before"), "start": ("into", "before"), "end": ("past", "before end of")}[end]
    return f"{distance(abs(away), units, pace)} {after if away > 0.0 else before} {name}"


def caution_note(grip: float) -> str:
    """What the cautious brake points are, for a lap at a factor on the kart file's grip [-]."""
    share = f"{CAUTION:.0%} of the kart file's grip" if grip == 1.0 else f"{CAUTION:.0%} of this lap's grip"
    return (
        f'"{CAUTION:.0%} grip": the cautious brake or lift point, on the same line with {share}; "here": only if you '
        "arrive that slowly. Start before it."
    )


def pace_text(pace: float, units: Units) -> str:
    """The length of a pace, as everywhere on the sheet."""
    return units.length_text(pace, 2)


def distance(value: float, units: Units, pace: float = PACE) -> str:
    """A distance to walk: length with its unit, and paces in brackets unless nobody counts so many."""
    paces = f" ({value / pace:.0f})" if value <= MOST_PACES * pace else ""
    return f"{units.length_text(value)}{paces}"


def caution_words(corner: SheetCorner, units: Units, pace: float = PACE) -> list[str]:
    """Where to begin to slow at CAUTION of the grip, beside the brake or lift point or, without one, the turn-in."""
    mark, earlier = corner.caution, corner.earlier
    if mark is None:
        return []
    if earlier is None or corner.brake is None:
        away = mark.along - corner.turn_in.along
        side = "after" if away > 0.0 else "before"
        place = "at turn-in" if abs(away) < SAME_PLACE else f"{distance(abs(away), units, pace)} {side} turn-in"
        return [f"{CAUTION:.0%} grip: {mark.name} {place}"]
    if earlier >= SAME_PLACE:
        name = "" if mark.name == corner.brake.name else f"{mark.name} "
        speed = "" if mark.as_fast else f", at {units.speed_text(mark.speed, 0)}"
        return [f"{CAUTION:.0%} grip: {name}{distance(earlier, units, pace)} earlier{speed}"]
    return [f"{CAUTION:.0%} grip: here at {units.speed_text(mark.speed, 0)}"]


def brake_words(corner: SheetCorner, units: Units, pace: float = PACE) -> list[str]:
    """The brake point's place, or why there is none."""
    if corner.brake is not None:
        return mark_words(corner.brake, units, pace)
    drop = f"{units.speed_text(corner.fastest_before - corner.min_speed, 0)} slower"
    if flat_out(corner):
        return ["full power all the way" + (f", {drop}" if corner.slows else "")]
    if corner.slows is None:
        late = Limit.BRAKING in corner.limits
        return (
            ["no braking for this one,", "but for the next"] if late else ["no braking:", "gaining speed all the way"]
        )
    if corner.slows == "brakes":
        return ["light braking,", drop]
    return [f"no braking: {corner.slows},", drop]


def slowing_words(corner: SheetCorner) -> str:
    """What stands beside the speed at a brake or lift point; nothing where there is none."""
    if corner.brake is None:
        return ""
    if corner.brake.name == "brake":
        return "brake"
    return {"brakes": "lift, light brake", "part power": "part power"}.get(corner.slows or "", "lift, no brake")


def flat_out(corner: SheetCorner) -> bool:
    """Whether the computed lap takes a corner at full power, grip to spare."""
    steady = corner.brake is None and corner.slows in (None, "full power")
    return steady and set(corner.limits) <= set(FULL_POWER)


def lowest_words(corner: SheetCorner, units: Units, pace: float = PACE) -> str:
    """How fast the kart is where it is slowest, and where that is, relative to the apex; nothing where it is flat
    out."""
    if flat_out(corner):
        return ""
    return f"Slowest {units.speed_text(corner.min_speed, 0)} {_lowest_place(corner, units, pace)}"


def _lowest_place(corner: SheetCorner, units: Units, pace: float) -> str:
    place = corner.marks.minimum_speed - corner.marks.apex
    if abs(corner.marks.minimum_speed - corner.marks.turn_in) < SAME_PLACE and not corner.slows:
        return "at turn-in, then faster all the way"
    apex = corner.apex.name
    if abs(place) < SAME_PLACE:
        return f"at the {apex}"
    return f"{distance(abs(place), units, pace)} {'before' if place < 0.0 else 'after'} the {apex}"


def summary_words(corner: SheetCorner, units: Units, pace: float = PACE) -> str:
    """Under a corner: where it is slowest, what limits it, what a missed apex costs, the ground."""
    parts = [
        lowest_words(corner, units, pace),
        _limits(corner),
        _apex(corner, units),
        *ground_words(corner, units),
    ]
    text = "; ".join(part for part in parts if part) + "."
    return text[0].upper() + text[1:]


#: A kerb's thirds by the first and the last one used.
_PARTS = {
    (0, 0): "first third",
    (1, 1): "middle third",
    (2, 2): "last third",
    (0, 1): "first two thirds",
    (1, 2): "last two thirds",
    (0, 2): "all of it",
}
#: What is used of a third by less than this share of the kerb is not named.
_LITTLE = 0.05


def kerb_words(corner: SheetCorner) -> str:
    """Which part of which kerb the kart's body reaches over."""
    words = [f"{use.side} kerb: {_part(use)}" for use in corner.kerbs_used]
    return "over " + "; ".join(words) if words else "over no kerb"


def _part(use: KerbUse) -> str:
    """The thirds of a kerb that are used; of a very short use the one it lies in."""
    little = min(_LITTLE, 0.5 * (use.last - use.first))
    first, last = (min(int(3.0 * share), 2) for share in (use.first + little, use.last - little))
    return _PARTS[first, last]


def gap_words(corner: SheetCorner, units: Units) -> str:
    """How far the kart's side is from the road's edge at its turn-in, apexes and track-out."""
    words = [
        f"{_NAMES.get(mark.name, mark.name)} {units.length_text(abs(gap), 1)}{' over' if gap < 0.0 else ''} {side}"
        for mark, side, gap in corner.gaps
    ]
    return "kart's side to edge: " + ", ".join(words)


def gear_words(corner: SheetCorner, units: Units, pace: float = PACE) -> list[str]:
    """The gear at a corner's marks and where to shift up after its apex; nothing for a kart with one ratio."""
    if not corner.gears:
        return []
    at = [f"{gear} at {_NAMES.get(mark.name, mark.name)}" for mark, gear in corner.gears]
    up = [
        f"{shift.gear} at {units.speed_text(shift.speed, 0)}, {_shift_place(shift, units, pace)}"
        for shift in corner.shifts
    ]
    return [f"gear {', '.join(at)}", *([f"shift up: {'; '.join(up)}"] if up else [])]


def _shift_place(shift: SheetShift, units: Units, pace: float) -> str:
    away = abs(shift.after)
    if away < SAME_PLACE:
        return "at track-out"
    if away > MOST_PACES * pace and abs(shift.sight.distance) < away:
        return sight_words(shift.sight, units, pace)
    return f"{distance(away, units, pace)} {'after' if shift.after > 0.0 else 'before'} track-out"


def gear_note(corners: Sequence[SheetCorner], units: Units) -> list[str]:
    """What the gears are and how fast each up-shift is; nothing for a kart with one ratio."""
    speeds = {shift.gear: shift.speed for corner in corners for shift in corner.shifts}
    if not any(corner.gears for corner in corners):
        return []
    up = [f"into {gear} at {units.speed_text(speeds[gear], 0)}" for gear in sorted(speeds)]
    shift = f" Shift up {_and(up)}." if up else ""
    return [f"Gears (with the close-ups) are those that pull hardest; a shift is taken to cost no time.{shift}"]


def _limits(corner: SheetCorner) -> str:
    if corner.limits == (Limit.NONE,):
        return "below every limit"
    words = [LIMIT_WORDS[limit] for limit in corner.limits]
    if flat_out(corner):
        return f"flat out: {words[-1]} is the limit"
    return f"limit: {words[0]} throughout" if len(words) == 1 else f"limits in order: {', '.join(words)}"


def _apex(corner: SheetCorner, units: Units) -> str:
    if corner.cost is not None:
        lost = f"{corner.cost:.2f} s" if corner.cost >= 0.005 else "hardly any time"
        return f"{corner.apex.name} missed by {miss_text(units)} costs {lost}"
    return f"cost of a missed apex: {corner.no_cost}"


def miss_text(units: Units) -> str:
    """The miss whose cost is given."""
    return units.length_text(MISS, 1)


def ground_words(corner: SheetCorner, units: Units) -> list[str]:
    """The ground of a corner, and where its slowest place lies beside the dry line; empty where nothing is known."""
    return [_ground(corner), _groove(corner, units)]


def _ground(corner: SheetCorner) -> str:
    if corner.slope is None or corner.bank is None:
        return ""
    words = []
    if abs(corner.slope) >= LEVEL:
        words.append(f"{'up' if corner.slope > 0.0 else 'down'}hill {abs(corner.slope):.0%} on the way in")
    if abs(corner.bank) >= LEVEL:
        words.append(f"banked {corner.bank:.0%}" if corner.bank > 0.0 else f"leans out {-corner.bank:.0%}")
    return ", ".join(words) or "level"


def _groove(corner: SheetCorner, units: Units) -> str:
    if corner.beside_groove is None:
        return ""
    far = units.length_text(abs(corner.beside_groove), 1)
    side = "outside" if corner.beside_groove > 0.0 else "inside"
    return f"slowest {far} {side} the dry line" if abs(corner.beside_groove) >= ON_LINE else "slowest on the dry line"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]


def time_words(track: Track, corners: Sequence[SheetCorner], units: Units) -> list[str]:
    """Where the time is: the corners in which a missed apex costs most, those taken flat out, the slowest one."""
    if not corners:
        return ["This track has no corners: full power all the way."]
    words = []
    costly = sorted((c for c in corners if (c.cost or 0.0) >= 0.005), key=lambda c: -(c.cost or 0.0))[:MOST]
    if costly:
        words.append(_aim(track, costly, units, alike=_alike(corners)))
    flat = [str(c.number) for c in corners if flat_out(c)]
    if flat:
        words.append(f"Full power through {_numbers(flat)}: once you can do that safely, any lift there loses time.")
    slowest = min(corners, key=lambda c: c.min_speed)
    words.append(f"Slowest point: corner {slowest.number}, {units.speed_text(slowest.min_speed, 0)}.")
    longest = max(
        (c for c in corners if c.brake is not None), key=lambda c: c.fastest_before - c.min_speed, default=None
    )
    if longest is not None:
        words.append(
            f"Largest drop in speed: before corner {longest.number}, from {longest.fastest_before / units.speed:.0f} "
            f"to {units.speed_text(longest.min_speed, 0)}."
        )
    return words


def _alike(corners: Sequence[SheetCorner]) -> bool:
    """Whether a missed apex costs the same in every corner, as shown."""
    return len(corners) > 1 and len({"" if corner.cost is None else f"{corner.cost:.2f}" for corner in corners}) == 1


def _aim(track: Track, costly: Sequence[SheetCorner], units: Units, *, alike: bool) -> str:
    """What a missed apex costs in the corners where it costs most."""
    missed = "On the assumed track a missed apex" if track.survey.estimated else "A missed apex"
    named = _and([f"{corner.number} ({corner.cost:.2f}\N{NO-BREAK SPACE}s)" for corner in costly])
    most = f"most in corner{'s' if len(costly) > 1 else ''} {named}"
    if alike:
        most = f"the same in every corner ({costly[0].cost:.2f}\N{NO-BREAK SPACE}s)"
    return (
        f"{missed} costs {most}. That is the time lost by passing {miss_text(units)} farther out, with the rest of the "
        "lap perfect."
    )


def _numbers(numbers: Sequence[str]) -> str:
    return f"corner{'s' if len(numbers) > 1 else ''} {_and(numbers)}"


def day_caution(track: Track) -> list[str]:
    """What stands on top of a sheet for a track that is not dry."""
    day = track.conditions
    if day is None or day.weather == "dry":
        return []
    groove = ""
    if track.groove is not None and day.needs_groove:
        groove = (
            "The dry line (grey band) is the slippery place: cross it straight. "
            if day.groove < day.asphalt
            else "Only the dry line (grey band) has grip: off it the track is wet. "
        )
    return [
        f"{day_title(day).capitalize()}. {groove}Keep off kerbs and painted lines. The grip is assumed, not measured: "
        "find out slowly how much there is, and expect less in standing water. This lap knows no puddles and no spray."
    ]


def walk_words(track: Track, corners: Sequence[SheetCorner], pace: float, units: Units) -> list[str]:
    """What to look at on a track walk, this track's own points first."""
    words = [
        f"One pace here is {pace_text(pace, units)}. Count your own over a known length and compare.",
    ]
    if track.survey.estimated:
        words.append("No edge or kerb was surveyed: find each corner's real apex yourself and mark it on the map.")
    used = {
        side: [str(c.number) for c in corners if any(use.side == side for use in c.kerbs_used)]
        for side in ("entry", "inside", "exit")
    }
    over = [
        f"{side} {'at every corner' if len(numbers) == len(corners) else _and(numbers)}"
        for side, numbers in used.items()
        if numbers
    ]
    if over:
        words.append(
            f"Kerbs the line runs over ({'; '.join(over)}): look at height, edges and grip. If you cannot use one, "
            "the marks there are wrong."
        )
    if track.left_z is None:
        words.append("The track file has no heights: note crests, dips and which way each corner leans.")
    if track.conditions is not None and track.conditions.weather != "dry":
        words.append("In the wet look for coarse asphalt beside the dry line, for standing water and for paint.")
    if track.grip_zones:
        words.append("The track file has patches of other grip: look where they are today.")
    words += [
        "At each brake point, turn-in and apex find something that does not move and can be seen from the seat.",
        "Surface: joins, patches, bumps, gravel, puddles and where water runs.",
        "Marshal posts and flags, pit entry and exit, run-off and barriers.",
    ]
    return words
