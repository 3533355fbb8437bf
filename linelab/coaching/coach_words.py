"""What a coach says about each habit, and what every mark, cause and fault is called and means."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from linelab.diagnosis.kinds import Cause, FaultKind, Quantity


@dataclass(frozen=True, kw_only=True, slots=True)
class Advice:
    """An instruction (``{where}`` is "in corner 3", ``{lap}`` "lap 2"), what to feel or look for, and one exercise."""

    title: str
    feel: str
    exercise: str


ADVICE: dict[FaultKind, Advice] = {
    "apex_missed": Advice(
        title="Get closer to the inside edge {where}",
        feel="At the tightest point the inside wheels should run right beside the edge or kerb. If you could still put "
        "a helmet between wheel and kerb, you are too far out.",
        exercise="Three laps at nine tenths of your pace: look at the apex before you turn, and touch it every time. "
        "Only then go faster.",
    ),
    "turns_in_early": Advice(
        title="Turn in a little later {where}",
        feel="If you have to wind on more steering after the apex, or run out of road at the exit, you turned in too "
        "soon.",
        exercise="Pick something fixed beside the track for your turn-in, a kart's length later than now. Keep it for "
        "five laps before you judge it.",
    ),
    "exit_unused": Advice(
        title="Use all of the road on the way out {where}",
        feel="Unwind the wheel as the power comes in, and let the kart run out to the edge. A kart held in is slow.",
        exercise="Three laps at nine tenths of your pace: look at the outside edge from the apex on and let the kart "
        "run there. Only then go faster.",
    ),
    "line_other": Advice(
        title="Work on your line {where}",
        feel="One smooth turn of the wheel, wide on the way in, close at the apex, and all the road on the way out.",
        exercise="Walk the corner, then drive three slow laps using all of the road on entry and exit, and build up.",
    ),
    "brakes_early": Advice(
        title="Brake a little later {where}",
        feel="If the kart is already slow enough and you wait for the corner, you braked too early.",
        exercise="Move your brake point one long stride later every two laps. Stop when you can no longer reach the "
        "apex, and go back one step.",
    ),
    "brakes_softly": Advice(
        title="Brake harder, and for less time, {where}",
        feel="A firm first push, just short of locking, then let go smoothly as you turn. A soft, long push wastes "
        "track.",
        exercise="On a clear straight: five stops from the same mark, each a little firmer, without locking a wheel. "
        "Then use that first push for the corner.",
    ),
    "coasts": Advice(
        title="Stay on the power until you brake {where}",
        feel="There should be no quiet moment before the corner: from power straight to brake, or to the turn.",
        exercise="Five laps listening to the engine only: the sound must not fade before you brake. Keep the brake "
        "point where it is at first.",
    ),
    "too_slow_in_corner": Advice(
        title="Carry more speed through the middle {where}",
        feel="If the tyres are quiet and the steering light in the middle of the corner, there is grip you do not use.",
        exercise="Let go of the brake a little earlier for three laps, same brake point; feel whether the kart still "
        "holds the line. Build up step by step.",
    ),
    "power_late": Advice(
        title="Back on the power sooner {where}",
        feel="As soon as you can unwind the steering, the power comes in. A kart that only rolls at that point is "
        "losing time down the whole straight.",
        exercise="Say 'now' aloud at the moment you start to unwind the wheel, and squeeze the pedal with the word. "
        "Five laps.",
    ),
    "power_abrupt": Advice(
        title="Squeeze the power in gently {where}",
        feel="If the kart steps sideways or the engine note jumps and sags again, the power came too suddenly.",
        exercise="Take two heartbeats from no power to full power for five laps, then shorten it as long as the kart "
        "stays quiet.",
    ),
    "slide": Advice(
        title="Keep the kart from sliding {where}",
        feel="A slide feels fast and is slow: the back moves out, the engine note drops and you wait for it.",
        exercise="Enter slightly slower and turn the wheel more slowly for five laps; look for the lap in which "
        "nothing slides, and compare its time.",
    ),
    "own_pass": Advice(
        title="Do again what you did on {lap} {where}",
        feel="You have driven it once: where you braked, how the kart turned, when the power came in.",
        exercise="Look at both passes of this corner on the page before you go out. Then drive three laps with only "
        "this corner in mind, and build up to it.",
    ),
    "scatter": Advice(
        title="Do the same thing every lap",
        feel="Same brake point, same turn-in, same apex: a good lap should feel boring.",
        exercise="Ten laps a little below your usual pace in which no corner goes wrong and the time is the same to a "
        "tenth; only then take the pace up again, step by step.",
    ),
}

#: The same where a corner is driven without the brake, by the driver and on the computed lap alike.
UNBRAKED: dict[FaultKind, Advice] = {
    "coasts": Advice(
        title="Stay on the power longer {where}",
        feel="There should be no quiet moment before the corner: the engine pulls until the kart has to slow down.",
        exercise="Five laps listening to the engine only. Lift a kart's length later every two laps; stop when you can "
        "no longer reach the apex, and go back one step.",
    ),
    "too_slow_in_corner": Advice(
        title=ADVICE["too_slow_in_corner"].title,
        feel=ADVICE["too_slow_in_corner"].feel,
        exercise="Lift at the same place, but a little less, for three laps; feel whether the kart still holds the "
        "line. Build up step by step.",
    ),
}


def corners_text(numbers: tuple[int, ...]) -> str:
    """ "in corner 3", "in corners 3, 5 and 8"."""
    return f"in corner{'s' if len(numbers) > 1 else ''} {listed([str(number) for number in numbers])}"


def listed(items: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def labels_text(labels: Sequence[str]) -> str:
    """Labels of laps: "lap 3", "laps 3, 5 and 8"; labels that are not numbered laps are listed as they are."""
    numbers = [label.removeprefix("lap ") for label in labels]
    if len(labels) > 1 and all(label.startswith("lap ") for label in labels):
        return f"laps {listed(numbers)}"
    return listed(labels)


def laps_text(shown: int, laps: int, name: str = "lap") -> str:
    """How many laps show it; of a single lap nothing is said of others."""
    if laps == 1:
        return f"on this {name}"
    return f"on every {name}" if shown == laps else f"on {shown} of {laps} {name}s"


@dataclass(frozen=True, kw_only=True, slots=True)
class Definition:
    """A mark's plain name, what it is measured in, and the rule it is found by."""

    name: str
    quantity: Quantity
    rule: str


#: Marks by their name in :class:`linelab.coaching.results.DrivenMarks`.
MARKS: dict[str, Definition] = {
    "brake_point": Definition(
        name="brake point",
        quantity="place",
        rule="where the main braking begins: the acceleration, averaged over 0.2 s, is half-way from its highest "
        "before the braking to its first lowest in it",
    ),
    "brake_peak": Definition(
        name="hardest braking", quantity="deceleration", rule="largest deceleration of the corner's main braking"
    ),
    "brake_mean": Definition(
        name="mean braking",
        quantity="deceleration",
        rule="mean deceleration while the main braking is above half of its peak",
    ),
    "brake_build": Definition(
        name="brake build-up", quantity="time", rule="time from 20 % to 90 % of the hardest braking"
    ),
    "brake_release": Definition(
        name="brake release", quantity="time", rule="time from the last 90 % of the hardest braking to 20 %"
    ),
    "coasting_before": Definition(
        name="coasting before",
        quantity="time",
        rule="time with neither pedal down between power and braking; without braking, up to the minimum speed",
    ),
    "coasting_after": Definition(
        name="coasting after",
        quantity="time",
        rule="time with neither pedal down between braking and the power after the minimum speed",
    ),
    "turn_in": Definition(
        name="turn-in",
        quantity="place",
        rule="where the line's curvature first exceeds 30 % of the corner's sharpest",
    ),
    "apex_place": Definition(
        name="own apex",
        quantity="place",
        rule="where the kart is closest to the inside edge: the middle of all places within 5 cm of the closest",
    ),
    "apex_distance": Definition(
        name="apex distance",
        quantity="length",
        rule="from the kart's path to the inside edge at the computed lap's apex",
    ),
    "apex_miss": Definition(
        name="apex miss",
        quantity="length",
        rule="how much farther the kart is from the inside edge than the computed lap, at that lap's apex",
    ),
    "other_apex_place": Definition(
        name="own other apex",
        quantity="place",
        rule="own apex on the other apex's side, where the computed lap has two apexes: it comes to the inside edge "
        "twice and clearly leaves it in between. Places count from the slower one",
    ),
    "other_apex_distance": Definition(
        name="other apex distance", quantity="length", rule="apex distance at the other apex, where there are two"
    ),
    "other_apex_miss": Definition(
        name="other apex miss", quantity="length", rule="apex miss at the other apex, where there are two"
    ),
    "min_speed": Definition(name="minimum speed", quantity="speed", rule="lowest speed in the corner"),
    "min_speed_place": Definition(
        name="place of minimum speed", quantity="place", rule="distance after the computed lap's apex"
    ),
    "drive_point": Definition(
        name="drive point",
        quantity="place",
        rule="where the power comes in: the acceleration after the minimum speed, averaged over 0.2 s, first reaches a "
        "quarter of its peak on the way out; none where the kart is on power all through the corner",
    ),
    "power_take_up": Definition(
        name="power take-up",
        quantity="time",
        rule="time from 25 % to 80 % of the peak acceleration on the way out",
    ),
    "power_dip": Definition(
        name="dip after the power",
        quantity="deceleration",
        rule="the power came in and went again: largest drop of the acceleration between two rises on the way out",
    ),
    "track_out_room": Definition(
        name="room left at the exit",
        quantity="length",
        rule="least distance from the kart's outer side to the outside edge, from the apex to a little past the "
        "track-out; negative beyond the edge",
    ),
    "kerb_used": Definition(
        name="kerb used", quantity="length", rule="how far the kart's side reaches over an edge with a kerb, at most"
    ),
    "reversals": Definition(
        name="steering reversals",
        quantity="number",
        rule="how often winding on changes to winding off or back, by at least an eighth of the sharpest curvature",
    ),
    "steering_effort": Definition(
        name="steering effort",
        quantity="number",
        rule="total change of the line's curvature through the corner, divided by that of the straightest line there",
    ),
    "slide": Definition(
        name="speed lost in a slide",
        quantity="speed",
        rule="speed lost beyond coasting after the main braking, from the computed lap's apex or slowest point on",
    ),
    "entry_speed": Definition(name="entry speed", quantity="speed", rule="speed at the computed lap's turn-in"),
    "exit_speed": Definition(name="exit speed", quantity="speed", rule="speed at the computed lap's track-out"),
}

#: What a corner's speed loss is made of.
CAUSES: dict[Cause, str] = {
    "braking": "braking too early or too softly",
    "coasting": "neither pedal down before the kart has to slow",
    "minimum_speed": "a slowest point slower than the driven line allows: its cost before, in and after the corner",
    "power": "power late, or so abrupt that the kart slides, on the way out of this corner or of the one before",
    "all_round": "a little grip left unused everywhere, and the moments between the pedals: no single corner's fault",
    "rest": "none of these: the kart, the day, or something else the driver does",
}

#: Faults in plain words: what the driver does.
FAULTS: dict[FaultKind, str] = {
    "apex_missed": "stays away from the inside edge at the apex",
    "turns_in_early": "comes in from too far inside, or steers into the corner too soon",
    "exit_unused": "leaves road unused on the way out",
    "line_other": "takes a line that costs time",
    "brakes_early": "brakes too early",
    "brakes_softly": "brakes less hard than the tyres allow",
    "coasts": "rolls before the braking, or before a corner that needs none, with neither pedal down",
    "too_slow_in_corner": "slows more than the line needs",
    "power_late": "goes back to the power late or slowly",
    "power_abrupt": "goes back to the power so abruptly that the kart slides",
    "slide": "lets the kart slide in the corner",
    "own_pass": "is slower than on the own quickest pass",
    "scatter": "drives the corner differently from lap to lap",
}

#: Habits of the feet by name.
NAMES: dict[FaultKind, str] = {
    "brakes_early": "early braking",
    "brakes_softly": "soft braking",
    "coasts": "coasting",
    "power_late": "late power",
    "power_abrupt": "abrupt power",
    "slide": "a slide",
}


def shown_text(least: Mapping[FaultKind, float]) -> tuple[str, ...]:
    """How much habits have to cost a lap for a recording to show them, and which it cannot show.

    ``least`` is as of :func:`linelab.diagnosis.causes.least_shown` [s].
    """
    shown = [f"{NAMES[kind]} of {cost:.2f} s a lap" for kind, cost in least.items() if math.isfinite(cost)]
    hidden = [NAMES[kind] for kind, cost in least.items() if not math.isfinite(cost)]
    said = [f"in a usual corner this recording would show {listed(shown)}"] if shown else []
    if hidden:
        said.append(f"it cannot show {listed(hidden)}: too little would change in its corners")
    return tuple(said)


#: What is said to cost so much, by habit: {} is its size.
PLANNED: dict[str, str] = {
    "apex_missed": "passing the apex {} too far out",
    "apex_early": "doing everything {} too early up to the apex",
    "apex_late": "doing everything {} too late up to the apex",
    "turns_in_early": "turning in from {} too far inside",
    "line_defended": "defending {} inside the line up to the turn-in",
    "exit_unused": "leaving {} of the road unused at the exit",
    "arrives_fast": "arriving {} too fast at the turn-in",
    "brakes_early": "braking {} too early",
    "brakes_softly": "braking {} less hard than the tyres allow",
    "coasts": "rolling for {} before slowing",
    "too_slow_in_corner": "slowing {} more than the line needs",
    "power_late": "going back to the power {} late",
    "power_abrupt": "losing {} to power that comes too abruptly",
    "slide": "losing {} in a slide",
}

#: Unit of a mark by its quantity, as the end of its key.
_ENDS = {"place": "_m", "length": "_m", "speed": "_mps", "time": "_s", "deceleration": "_mps2", "number": ""}
#: Key of each mark, its unit in it.
MARK_KEYS = {name: name + _ENDS[definition.quantity] for name, definition in MARKS.items()}


class Done(NamedTuple):
    """How a difference in a mark is put: what you did, what you do, what somebody else does, more of it and less."""

    did: str
    do: str
    does: str
    more: str
    less: str

    def said(self, verb: str, gap: float) -> str:
        """ "braked {} later", "brake {} earlier"."""
        return f"{verb} {self.less if gap < 0.0 else self.more}"


#: What a pass may have over another one, in driving order: marks by name.
OVER: dict[str, Done] = {
    "coasting_before": Done("rolled", "roll", "rolls", "{} longer before slowing", "{} less before slowing"),
    "brake_point": Done("braked", "brake", "brakes", "{} later", "{} earlier"),
    "brake_mean": Done("braked", "brake", "brakes", "harder, by {}", "less hard, by {}"),
    "entry_speed": Done("came in", "come in", "comes in", "{} faster", "{} slower"),
    "min_speed": Done("were", "are", "is", "{} faster at the slowest point", "{} slower at the slowest point"),
    "drive_point": Done("were", "are", "is", "back on the power {} later", "back on the power {} sooner"),
    "exit_speed": Done("came out", "come out", "comes out", "{} faster", "{} slower"),
}
