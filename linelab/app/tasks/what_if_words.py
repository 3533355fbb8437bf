"""What may be changed in a what-if, what was asked for in SI, and the answer in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from linelab.coaching.coach_words import listed
from linelab.errors import InputError
from linelab.model.kart import Gearing, Kart, TorqueEngine
from linelab.model.track import Track
from linelab.output.display import Units, rounded_parts
from linelab.study.habit_effect import HabitEffect

#: Less than this is no time [s], no speed [m/s], no length [m], and no change of a radius [-].
NO_TIME, NO_SPEED, NO_LENGTH, NO_RADIUS = 0.005, 0.08, 0.1, 0.02
#: So many corners are named as those where most of the time is.
MOST_NAMED = 2
#: A corner is named if it has this share of the time.
LEAST_SHARE = 0.1


class Control(NamedTuple):
    """Something to change: range, step and no change in the unit shown, and that unit's size in SI."""

    name: str
    label: str
    unit: str
    low: float
    high: float
    step: float
    none: float
    size: float = 1.0
    at_corner: bool = False


class Asked(NamedTuple):
    """What was asked for: factors [-], mass [kg], teeth, a missed apex [m], a speed at a turn-in [m/s]."""

    grip: float
    braking: float
    power: float
    mass: float
    teeth: int
    apex_corner: int
    apex: float
    entry_corner: int
    entry: float
    shown: dict[str, float]  #: the same as it was set
    unit: dict[str, str]
    labels: dict[int, str]  #: of the corners


def controls(kart: Kart, track: Track, units: Units) -> list[dict[str, Any]]:
    """What may be changed of a kart on a track, for a page."""
    found = _controls(kart, units)
    return [control._asdict() for control in found if track.corners or not control.at_corner]


def _controls(kart: Kart, units: Units) -> list[Control]:
    metric = units.name == "metric"
    mass = (-20.0, 30.0, 1.0) if metric else (-40.0, 60.0, 2.0)
    miss = (0.0, 1.5, 0.05) if metric else (0.0, 5.0, 0.25)
    faster = (-6.0, 6.0, 0.5) if metric else (-4.0, 4.0, 0.25)
    found = [
        Control("apex", "Apex missed", units.length_unit, *miss, 0.0, units.length, True),
        Control("entry", "Speed at turn-in", units.speed_unit, *faster, 0.0, units.speed, True),
        Control("grip", "Grip", "%", -30.0, 15.0, 1.0, 0.0),
        Control("braking", "Braking used", "%", 60.0, 100.0, 1.0, 100.0),
        Control("power", "Engine power", "%", -20.0, 20.0, 1.0, 0.0),
        Control("mass", "Mass", units.mass_unit, *mass, 0.0, units.mass),
    ]
    engine = kart.engine
    if isinstance(engine, TorqueEngine) and isinstance(engine.ratios, Gearing):
        own = float(engine.ratios.axle_teeth)
        found.append(Control("teeth", "Axle sprocket", "teeth", own - 6.0, own + 6.0, 1.0, own))
    return found


def wanted(given: Mapping[str, Any], kart: Kart, track: Track, units: Units) -> Asked:
    """What a page asks for, in SI.

    Raises
    ------
    InputError
        No number, a number out of range, or a corner that is not there.
    """
    values = given.get("set", {})
    if not isinstance(values, dict):
        raise InputError("this is no set of values", where="set", remedy="Load the page again")
    shown, known = {}, {control.name: control for control in _controls(kart, units)}
    for name, control in known.items():
        value = values.get(name, control.none)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{value!r} is no number", where=control.label, remedy="Give a number")
        if not control.low <= value <= control.high:
            raise InputError(
                f"{value:g} {control.unit} is outside {control.low:g} to {control.high:g} {control.unit}",
                where=control.label,
                remedy="Take less of it",
            )
        shown[name] = float(value)
    labels = {corner.number: corner.label for corner in track.corners}
    corners = {}
    for name in ("apex", "entry"):
        corners[name] = values.get(f"{name}_corner", 0)
        if shown[name] and corners[name] not in labels:
            raise InputError(
                f"there is no corner {corners[name]}", where=known[name].label, remedy="Choose a corner of this track"
            )
    return Asked(
        grip=1.0 + shown["grip"] / 100.0,
        braking=shown["braking"] / 100.0,
        power=1.0 + shown["power"] / 100.0,
        mass=shown["mass"] * units.mass,
        teeth=round(shown["teeth"] - known["teeth"].none) if "teeth" in known else 0,
        apex_corner=corners["apex"] if shown["apex"] else 0,
        apex=shown["apex"] * units.length,
        entry_corner=corners["entry"] if shown["entry"] else 0,
        entry=shown["entry"] * units.speed,
        shown=shown,
        unit={name: control.unit for name, control in known.items()},
        labels=labels,
    )


def answer_words(
    asked: Asked,
    total: float,
    by_kart: float,
    by_corner: Mapping[int, float],
    effects: Mapping[str, HabitEffect],
    units: Units,
) -> list[str]:
    """What it costs or gains, where, and why, in sentences; the first one is the answer."""
    kart, driver = _kart_words(asked), _driver_words(asked, units)
    if not kart and not driver:
        return ["Nothing is changed: this is the computed lap."]
    both = bool(kart and driver)
    whole, (karts, drivers) = rounded_parts(total, [by_kart, total - by_kart])
    words = []
    if both:
        words.append(f"All of it together: {_lap_words(whole)}.")
    if kart:
        lost = karts if both else total
        words.append(f"With {listed(kart)} {_lap_words(lost)}{'' if both else _where(total, by_corner, asked)}.")
    if driver:
        lost = drivers if both else total
        costs = _cost_words(lost, "costs" if len(driver) == 1 else "cost")
        on = " on that kart" if both else ""
        why = _why(effects, units)
        first = listed([words_of for _, words_of in driver])
        if len(driver) == 1:
            words.append(f"{first[0].upper()}{first[1:]}{on} {costs}{': ' + why[0] if why else ''}.")
        else:
            words.append(f"{first[0].upper()}{first[1:]}{on} {costs} together.")
            words += [f"At corner {effect.marks.corner.label}: {text}." for effect, text in zip(effects.values(), why)]
    return words


def _kart_words(asked: Asked) -> list[str]:
    """What is changed on the kart: "5 % less grip"."""
    found = []
    for name, noun in (("grip", "grip"), ("power", "power"), ("mass", "mass")):
        if value := asked.shown[name]:
            found.append(f"{abs(value):g} {asked.unit[name]} {'more' if value > 0.0 else 'less'} {noun}")
    if asked.braking != 1.0:
        found.append(f"only {asked.shown['braking']:g} % of the braking used")
    if asked.teeth:
        teeth = f"{abs(asked.teeth)} {'tooth' if abs(asked.teeth) == 1 else 'teeth'}"
        found.append(f"{teeth} {'more' if asked.teeth > 0 else 'fewer'} on the axle ({asked.shown['teeth']:.0f})")
    return found


def _driver_words(asked: Asked, units: Units) -> list[tuple[str, str]]:
    """What the driver does: "missing the apex of corner 4 by 0.5 m"."""
    found = []
    if asked.apex:
        by = f"{asked.shown['apex']:g} {units.length_unit}"
        found.append(("apex", f"missing the apex of corner {asked.labels[asked.apex_corner]} by {by}"))
    if asked.entry:
        by = f"{abs(asked.shown['entry']):g} {units.speed_unit}"
        way = "too fast" if asked.entry > 0.0 else "too slow"
        found.append(("entry", f"arriving {by} {way} at corner {asked.labels[asked.entry_corner]}"))
    return found


def _lap_words(lost: float) -> str:
    if abs(lost) < NO_TIME:
        return "the lap takes as long"
    return f"the lap takes {abs(lost):.2f} s {'longer' if lost > 0.0 else 'less'}"


def _cost_words(lost: float, costs: str) -> str:
    if abs(lost) < NO_TIME:
        return f"{costs} hardly any time"
    return f"{costs} {lost:.2f} s" if lost > 0.0 else f"{costs.replace('cost', 'gain')} {-lost:.2f} s"


def _where(total: float, by_corner: Mapping[int, float], asked: Asked) -> str:
    """In which corners most of a change of the kart is: ", most of it at corners 3 (0.05 s) and 7 (0.04 s)"."""
    if abs(total) < NO_TIME:
        return ""
    sign = 1.0 if total > 0.0 else -1.0
    ranked = sorted(by_corner, key=lambda number: -sign * by_corner[number])[:MOST_NAMED]
    named = [number for number in ranked if sign * by_corner[number] > max(LEAST_SHARE * abs(total), NO_TIME)]
    if not named:
        return ", a little in every corner"
    places = [f"{asked.labels[number]} ({abs(by_corner[number]):.2f} s)" for number in named]
    return f", most of it at corner{'s' if len(named) > 1 else ''} {listed(places)}"


def _why(effects: Mapping[str, HabitEffect], units: Units) -> list[str]:
    """How the kart goes round each corner otherwise."""
    return [_effect_words(effect, units) for effect in effects.values()]


def _effect_words(effect: HabitEffect, units: Units) -> str:
    """ "you turn tighter there (9.8 m instead of 11.2 m) and leave 2.0 km/h slower"."""
    parts = []
    if effect.radius is not None:
        own, other = effect.radius
        if abs(other / own - 1.0) > NO_RADIUS:
            radii = f"radius {units.length_text(other, 1)} instead of {units.length_text(own, 1)}"
            parts.append(f"turn {'tighter' if other < own else 'wider'} there ({radii})")
    slower = effect.slowest[0] - effect.slowest[1]
    if abs(slower) > NO_SPEED:
        parts.append(f"are {_speed_words(slower, units)} at the slowest point")
    if abs(effect.longer) > NO_LENGTH:
        way = f"{units.length_text(abs(effect.longer), 1)} {'farther' if effect.longer > 0.0 else 'less'}"
        parts.append(f"drive {way}")
    leaves = effect.leaves[0] - effect.leaves[1]
    if abs(leaves) > NO_SPEED:
        parts.append(f"leave {_speed_words(leaves, units)}")
    if not parts:
        return "the way through the corner hardly changes"
    return f"you {listed(parts)}"


def _speed_words(slower: float, units: Units) -> str:
    return f"{units.speed_text(abs(slower))} {'slower' if slower > 0.0 else 'faster'}"
