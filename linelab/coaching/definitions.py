"""What each mark, cause and fault means: the one place, from the glossary; tests read it, pages print it."""

from __future__ import annotations

from dataclasses import dataclass

from linelab.coaching.kinds import Cause, FaultKind, Quantity


@dataclass(frozen=True, kw_only=True, slots=True)
class Definition:
    """A mark's plain name, what it is measured in, and the rule it is found by."""

    name: str
    quantity: Quantity
    rule: str


#: Marks by their name in :class:`linelab.coaching.values.DrivenMarks`.
MARKS: dict[str, Definition] = {
    "brake_point": Definition(
        name="brake point",
        quantity="place",
        rule="where the acceleration, averaged over a fifth of a second, passes half-way from its highest before the "
        "corner's main braking to its first lowest in it",
    ),
    "brake_peak": Definition(
        name="hardest braking", quantity="deceleration", rule="largest deceleration of the corner's main braking"
    ),
    "brake_mean": Definition(
        name="mean braking",
        quantity="deceleration",
        rule="speed squared lost while the main braking is above half of its peak, over twice the way",
    ),
    "brake_build": Definition(
        name="brake build-up", quantity="time", rule="time from a fifth to nine tenths of the hardest braking"
    ),
    "brake_release": Definition(
        name="brake release", quantity="time", rule="time from the last nine tenths of the hardest braking to a fifth"
    ),
    "coasting_before": Definition(
        name="coasting before",
        quantity="time",
        rule="time with neither pedal down from the last driving to the braking, or to the minimum speed if nothing is "
        "braked",
    ),
    "coasting_after": Definition(
        name="coasting after",
        quantity="time",
        rule="time with neither pedal down from the end of the braking to the driving after the minimum speed",
    ),
    "turn_in": Definition(
        name="turn-in",
        quantity="place",
        rule="where the line's curvature first exceeds three tenths of the corner's sharpest",
    ),
    "apex_place": Definition(
        name="own apex",
        quantity="place",
        rule="middle of the stretch within 5 cm of the closest approach to the inside edge",
    ),
    "apex_distance": Definition(
        name="apex distance",
        quantity="length",
        rule="from the kart's path to the inside edge at the reference lap's apex",
    ),
    "apex_miss": Definition(
        name="apex miss",
        quantity="length",
        rule="how much farther from the inside edge than the reference lap, at the reference lap's apex",
    ),
    "min_speed": Definition(name="minimum speed", quantity="speed", rule="lowest speed in the corner"),
    "min_speed_place": Definition(
        name="place of minimum speed", quantity="place", rule="metres after the reference lap's apex"
    ),
    "drive_point": Definition(
        name="drive point",
        quantity="place",
        rule="where the acceleration after the minimum speed, averaged over a fifth of a second, first reaches a "
        "quarter of its peak on the way out; none where the kart is driven all through the corner",
    ),
    "power_take_up": Definition(
        name="power take-up",
        quantity="time",
        rule="time from a quarter to four fifths of the peak acceleration on the way out",
    ),
    "power_dip": Definition(
        name="dip after the power",
        quantity="deceleration",
        rule="largest fall of the acceleration between a first and a second rise of it on the way out: the power came "
        "in, and went again",
    ),
    "track_out_room": Definition(
        name="room left at the exit",
        quantity="length",
        rule="least distance from the kart's outer side to the outside edge between apex and a little past the "
        "track-out; negative beyond the edge",
    ),
    "kerb_used": Definition(
        name="kerb used", quantity="length", rule="farthest the kart's side reaches over an edge with a kerb"
    ),
    "reversals": Definition(
        name="steering reversals",
        quantity="number",
        rule="changes between winding on and winding off of at least an eighth of the corner's sharpest curvature",
    ),
    "steering_effort": Definition(
        name="steering effort",
        quantity="number",
        rule="total change of the line's curvature through the corner over that of the straightest line there",
    ),
    "slide": Definition(
        name="speed lost in a slide",
        quantity="speed",
        rule="speed lost after the main braking, from the reference lap's apex or slowest point on, beyond what both "
        "pedals up would lose",
    ),
    "entry_speed": Definition(name="entry speed", quantity="speed", rule="speed at the reference lap's turn-in"),
    "exit_speed": Definition(name="exit speed", quantity="speed", rule="speed at the reference lap's track-out"),
}

#: What a corner's speed loss is made of.
CAUSES: dict[Cause, str] = {
    "braking": "braking too early or too softly",
    "coasting": "neither pedal down before the slowing has to begin",
    "minimum_speed": "what a minimum speed below what the own line could hold costs, before, in and after the corner",
    "power": "power late, or so abruptly that the kart slides, out of this corner or, down the straight, out of the "
    "one before",
    "all_round": "grip and braking not used to the last all the way round, and the time feet take between pedals: no "
    "single corner's doing",
    "rest": "what none of these explains: the kart, the day, or the driver doing something else",
}

#: Faults in plain words: what the driver does.
FAULTS: dict[FaultKind, str] = {
    "apex_missed": "stays away from the inside edge at the apex",
    "turns_in_early": "comes in from too far inside, or steers into the corner too soon",
    "exit_unused": "leaves road unused on the way out",
    "line_other": "takes a line that costs time",
    "brakes_early": "brakes before it is needed",
    "brakes_softly": "brakes with less than the tyres can give",
    "coasts": "rolls before the braking, or before a corner that needs none, with neither pedal down",
    "too_slow_in_corner": "slows more than the line needs",
    "power_late": "goes back to the power late or slowly",
    "power_abrupt": "goes back to the power so abruptly that the kart slides",
    "slide": "lets the kart slide in the corner",
    "scatter": "drives the corner differently from lap to lap",
}
