"""What-ifs live: the lap with a changed kart, a missed apex or another speed at a turn-in, solved again.

A changed kart is solved from the computed lap of the kart as it is, on its mesh; what the driver does is then solved on
the changed kart, both of it together.  Which solution a solve starts from follows from what is asked alone, so that an
answer does not depend on what was asked before; what has been solved is kept as long as this process lives.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from linelab.app.library import Library
from linelab.app.tasks.understanding import named_track
from linelab.app.tasks.what_if_words import answer_words, controls, wanted
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.diagnosis.stretches import corner_stretches
from linelab.errors import InputError, LinelabError, SolveError
from linelab.files.kart_file import load_kart
from linelab.model.engine import with_force
from linelab.model.kart import Gearing, Kart, TorqueEngine
from linelab.model.lap import Lap
from linelab.model.track import Corner, Track, lap_ends
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.output.display import Units, units_named
from linelab.output.lap_curves import station_title
from linelab.output.page.svg_map import PER_METRE, map_ground, target_path
from linelab.output.track_facts import survey_sentence
from linelab.study.habit_costs import Habit, imposed
from linelab.study.habit_effect import HabitEffect, at_stations, effect_between, lost_along
from linelab.study.habit_limits import fastest_arrival, no_room, too_fast
from linelab.study.held_line import Base, Bounds, Held, base_of, held_lap, local, solve_held, solve_within, time_lost
from linelab.units import Array

Step = Callable[[str], None]

#: Spacing of the places at which lines, speeds and lost time are shown [m], and how many of them there may be.
SHOWN_STEP, MOST_SHOWN = 1.0, 3000
#: Habits are imposed in steps of a missed apex [m] and of a higher and a lower speed [m/s]: larger ones at once often
#: fail at first and take longer.
APEX_STEP, FASTER_STEP, SLOWER_STEP = 0.25, 0.5, 1.0
#: A habit gains nothing on the lap that is best without it: more than this is another local optimum [s].
LEAST_LOST = -1.0e-4
#: A turn-in cannot be reached at so many times the speed that full power gives on the computed line [-].
BEYOND = 1.02
#: No slower than this share of the computed lap's speed at a turn-in [-].
SLOWEST_ENTRY = 0.5


#: A close-up of a corner shows this much of the lap before and after it, and this much beside the line [m].
AROUND, ROADSIDE = 12.0, 9.0


class Place(NamedTuple):
    """A track and a kart of the library, as their files stand."""

    folder: Path
    track: str
    reverse: bool
    kart: str
    revisions: tuple[str, str]


class KartChange(NamedTuple):
    """What is changed on the kart: factors on grip, braking and force [-], mass [kg] and teeth of the axle sprocket."""

    grip: float = 1.0
    braking: float = 1.0
    power: float = 1.0
    mass: float = 0.0
    teeth: int = 0


class Driving(NamedTuple):
    """What the driver does otherwise: misses a corner's apex [m], is faster at a corner's turn-in [m/s]."""

    apex_corner: int = 0
    apex: float = 0.0
    entry_corner: int = 0
    entry: float = 0.0


AS_IT_IS, AS_COMPUTED = KartChange(), Driving()


class Scene(NamedTuple):
    """A track and a kart, and the computed lap that everything is compared with."""

    track: Track
    kart: Kart
    own: Solution


class Changed(NamedTuple):
    """A changed kart and its computed lap."""

    kart: Kart
    solution: Solution


class Found(NamedTuple):
    """The lap that was asked for: the changed kart's, and with what the driver does; ``free`` and ``held`` are that
    kart's laps without and with it, by one method."""

    changed: Changed
    free: Lap
    held: Lap


def prepare_what_if(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Solve the computed lap, and say what may be changed and how the track looks.

    Raises
    ------
    LinelabError
        The track or the kart cannot be used.
    """
    units = units_named(given["units"])
    step("computing the fastest lap")
    scene = scene_at(place_of(folder, given))
    track, s = scene.track, _stations(scene.track)
    return {
        "track": track.name,
        "kart": scene.kart.name,
        "lap_time": _timed(track, scene.own.lap),
        "time_error": scene.own.time_error,
        "survey": survey_sentence(track.survey, units),
        "controls": controls(scene.kart, track, units),
        "corners": [
            {"number": corner.number, "label": corner.label, "box": _box(track, scene.own.lap, corner)}
            for corner in track.corners
        ],
        "titles": {"s": station_title(track, units), "v": f"speed [{units.speed_unit}]", "lost": "time lost [s]"},
        "s": np.round((s - s[0]) / units.length, 1).tolist(),
        "marks": _apexes(track, s, units),
        "map": asdict(map_ground(track, units)),
        "before": _drawn(track, scene.own.lap, s, units),
    }


def answer_what_if(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """The lap with what was changed, beside the computed lap.

    Raises
    ------
    InputError
        A value out of range, or one that the road or the kart has no room for.
    SolveError, VerificationError
        No lap was found with it.
    """
    place = place_of(folder, given)
    units = units_named(given["units"])
    scene = scene_at(place)
    asked = wanted(given, scene.kart, scene.track, units)
    change = KartChange(asked.grip, asked.braking, asked.power, asked.mass, asked.teeth)
    driving = Driving(asked.apex_corner, asked.apex, asked.entry_corner, asked.entry)
    step("solving the lap")
    found = found_lap(place, change, driving)
    track, s = scene.track, _stations(scene.track)
    lost = lost_at(scene, found, s)
    by_corner = _by_corner(scene, found)
    kart_lost = float(lost_along(track, scene.own.lap, found.changed.solution.lap, _ends(track))[1])
    total = float(lost_at(scene, found, _ends(track))[1])
    return {
        "before": _timed(track, scene.own.lap),
        "lap_time": _timed(track, scene.own.lap) + total,
        "lost": total,
        "by_kart": kart_lost,
        "by_driver": total - kart_lost,
        "words": answer_words(asked, total, kart_lost, by_corner, _effects(place, change, found, driving), units),
        "corners": [
            {"label": corner.label, "lost": by_corner.get(corner.number, 0.0)} for corner in scene.track.corners
        ],
        "after": _drawn(track, found.held, s, units),
        "lost_along": np.round(lost, 4).tolist(),
    }


def ready_what_if(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Solve ahead what a habit will be solved from, so that its answer comes sooner; a failure is no error yet."""
    with suppress(InputError, SolveError):
        answer_what_if(folder, given, step)
    return {}


def place_of(folder: Path, given: dict[str, Any]) -> Place:
    """The track and the kart that are meant."""
    library = Library(folder)
    track, kart = str(given["track"]), str(given["kart"])
    revisions = (library.read("track", track).revision, library.read("kart", kart).revision)
    return Place(folder, track, bool(given.get("reverse", False)), kart, revisions)


@lru_cache(maxsize=3)
def scene_at(place: Place) -> Scene:
    """The track and the kart, with the computed lap solved to the end once more, as what it is compared with is."""
    library = Library(place.folder)
    track = named_track(library, place.track, place.reverse)
    kart = load_kart(library.path("kart", place.kart))
    first = solve_min_time(track, kart)
    return Scene(track, kart, solve_min_time(track, kart, warm=first))


def found_lap(place: Place, change: KartChange, driving: Driving) -> Found:
    """The lap of a changed kart on which the driver does something else."""
    changed = changed_at(place, change)
    driving = _settled(driving)
    if driving == AS_COMPUTED:
        return Found(changed, changed.solution.lap, changed.solution.lap)
    slowed = driving.entry < 0.0
    free = _slowed_free(place, change) if slowed else changed.solution.lap
    return Found(
        changed, free, held_lap(base_at(place, change), held_at(place, change, driving).iterate, slowed=slowed)
    )


@lru_cache(maxsize=16)
def _slowed_free(place: Place, change: KartChange) -> Lap:
    """The changed kart's lap at the optimiser's own speed, as those have it that are slowed at a place."""
    base = base_at(place, change)
    return held_lap(base, base.iterate, slowed=True)


def lost_at(scene: Scene, found: Found, s: Array) -> Array:
    """Time lost to the computed lap since the first of increasing stations (M,) [s], by the kart and by the driver."""
    by_kart = lost_along(scene.track, scene.own.lap, found.changed.solution.lap, s)
    if found.held is found.free:
        return by_kart
    return np.asarray(by_kart + lost_along(scene.track, found.free, found.held, s))


def _by_corner(scene: Scene, found: Found) -> dict[int, float]:
    """Time lost in each corner's stretch, which begins where the one before ends [s]."""
    stretches = corner_stretches(scene.track)
    if not stretches:
        return {}
    edges = [stretches[0].s_start]
    for each in stretches:
        laps = math.ceil((edges[-1] - each.s_end) / scene.track.length - 1e-9) if scene.track.closed else 0
        edges.append(each.s_end + laps * scene.track.length)
    lost = np.diff(lost_at(scene, found, np.array(edges)))
    return {each.corner: float(value) for each, value in zip(stretches, lost)}


def changed_kart(kart: Kart, change: KartChange) -> Kart:
    """The kart with what is changed; grip is a factor on the road's and no field of the kart.

    Raises
    ------
    KartError
        A value that no kart has.
    """
    engine = kart.engine
    if change.power != 1.0:
        engine = with_force(engine, change.power)
    if change.teeth and isinstance(engine, TorqueEngine) and isinstance(engine.ratios, Gearing):
        teeth = engine.ratios.axle_teeth + change.teeth
        engine = replace(engine, ratios=replace(engine.ratios, axle_teeth=teeth))
    driver = replace(kart.driver, braking_share=kart.driver.braking_share * change.braking)
    return replace(kart, mass=kart.mass + change.mass, driver=driver, engine=engine)


@lru_cache(maxsize=32)
def changed_at(place: Place, change: KartChange) -> Changed:
    """The changed kart's lap, from that of the kart as it is."""
    scene = scene_at(place)
    if change == AS_IT_IS:
        return Changed(scene.kart, scene.own)
    kart = changed_kart(scene.kart, change)
    return Changed(kart, solve_min_time(scene.track, kart, grip=change.grip, warm=scene.own))


@lru_cache(maxsize=16)
def base_at(place: Place, change: KartChange) -> Base:
    """The changed kart's lap, to hold lines against."""
    changed = changed_at(place, change)
    return base_of(scene_at(place).track, changed.kart, changed.solution, again=False)


def held_at(place: Place, change: KartChange, driving: Driving) -> Held:
    """The lap on which the driver does something else, the kart changed.

    Raises
    ------
    InputError
        The road or the kart has no room for it.
    SolveError
        No line was found.
    """
    found = _tried(place, change, driving)
    if isinstance(found, LinelabError):
        raise found
    return found


@lru_cache(maxsize=96)
def _tried(place: Place, change: KartChange, driving: Driving) -> Held | LinelabError:
    """The lap, or why there is none: that takes longest to find out, and is asked for again while a slider moves."""
    try:
        return _solved(place, change, driving)
    except (InputError, SolveError) as error:
        return error


def _solved(place: Place, change: KartChange, driving: Driving) -> Held:
    """The lap, from that of the kart as it is with the same habit, else from the next smaller step of the habit."""
    base = base_at(place, change)
    bounds = _bounds(base, _marks(place, change, driving), driving)
    if change != AS_IT_IS:
        with suppress(InputError, SolveError):
            as_it_is = held_at(place, AS_IT_IS, driving)
            found = Held(bounds, solve_within(base, bounds, as_it_is.iterate))
            if time_lost(base, found.iterate) > LEAST_LOST:
                return found
    smaller = _smaller(driving)
    before = None if smaller == AS_COMPUTED else held_at(place, change, smaller)
    try:
        return solve_held(base, bounds, before)
    except SolveError as error:
        if driving.entry > 0.0:
            mark = _marks(place, change, driving)[driving.entry_corner]
            raise _cannot(mark, too_fast(base, mark, driving.entry)) from error
        raise SolveError(
            "no lap is found with this", remedy="Take a smaller change, or change one thing less"
        ) from error


def _settled(driving: Driving) -> Driving:
    """The same without corners at which nothing is done."""
    if driving.apex == 0.0:
        driving = driving._replace(apex_corner=0)
    return driving if driving.entry else driving._replace(entry_corner=0)


def _smaller(driving: Driving) -> Driving:
    """The step before: less speed first, then less of a missed apex."""
    if driving.entry:
        step = FASTER_STEP if driving.entry > 0.0 else SLOWER_STEP
        less = step * (math.ceil(abs(driving.entry) / step - 1e-9) - 1)
        return _settled(driving._replace(entry=math.copysign(less, driving.entry) if less else 0.0))
    return _settled(driving._replace(apex=APEX_STEP * (math.ceil(driving.apex / APEX_STEP - 1e-9) - 1)))


def _marks(place: Place, change: KartChange, driving: Driving) -> dict[int, CornerMarks]:
    """Marks of the corners at which something is done, on the changed kart's lap."""
    return {
        mark.corner.number: mark
        for mark in _every_mark(place, change)
        if mark.corner.number in (driving.apex_corner, driving.entry_corner)
    }


@lru_cache(maxsize=16)
def _every_mark(place: Place, change: KartChange) -> tuple[CornerMarks, ...]:
    changed = changed_at(place, change)
    return tuple(find_marks(scene_at(place).track, changed.solution.lap, changed.kart))


def _bounds(base: Base, marks: dict[int, CornerMarks], driving: Driving) -> Bounds:
    """What the driver does, as bounds on line and speed."""
    none = np.zeros(base.s.shape)
    bounds: Bounds | None = Bounds(none, none)
    if driving.apex:
        mark = marks[driving.apex_corner]
        bounds = imposed(base, mark, "apex_missed", driving.apex)
        if bounds is None:
            reason = no_room(driving.apex, lambda size: imposed(base, mark, "apex_missed", size) is not None)
            raise _cannot(mark, reason)
    if driving.entry:
        mark = marks[driving.entry_corner]
        entry = _at_entry(base, mark, driving.entry)
        assert bounds is not None
        bounds = bounds.and_also(entry, base)
    assert bounds is not None  # a speed takes no room
    return bounds


def _at_entry(base: Base, mark: CornerMarks, faster: float) -> Bounds:
    """A speed at a turn-in that is higher by at least so much, or lower where it is negative [m/s]."""
    if faster > 0.0:
        found = imposed(base, mark, "arrives_fast", faster)
        at = local(base.track, mark.turn_in)
        if found is None or base.speed(at) + faster > BEYOND * fastest_arrival(base, at):
            raise _cannot(mark, too_fast(base, mark, faster))
        return found
    at, none = local(base.track, mark.turn_in), np.zeros(base.s.shape)
    now = base.speed(at)
    if now + faster < SLOWEST_ENTRY * now:
        raise _cannot(mark, "the kart is slow there as it is")
    return Bounds(none, none, slowed=(at, now + faster))


def _cannot(mark: CornerMarks, reason: str) -> InputError:
    return InputError(reason, where=f"corner {mark.corner.label}", remedy="Take less of it, or another corner")


def _effects(place: Place, change: KartChange, found: Found, driving: Driving) -> dict[str, HabitEffect]:
    """What changes at the corners at which the driver does something else."""
    effects, track, marks = {}, scene_at(place).track, _marks(place, change, driving)
    done: tuple[tuple[str, Habit, int, float], ...] = (
        ("apex", "apex_missed", driving.apex_corner, driving.apex),
        ("entry", "arrives_fast", driving.entry_corner, driving.entry),
    )
    for name, habit, number, size in done:
        if size:
            effects[name] = effect_between(track, marks[number], habit, size, found.free, found.held)
    return effects


def _stations(track: Track) -> Array:
    """Where everything is shown: from the start line round, or from end to end of an open road [m]."""
    return np.linspace(0.0, track.length, int(min(max(track.length / SHOWN_STEP, 100), MOST_SHOWN)) + 1)


def _ends(track: Track) -> Array:
    return np.array(lap_ends(track))


def _timed(track: Track, lap: Lap) -> float:
    """Time between the timing lines [s]."""
    begin, end = np.interp(lap_ends(track), lap.line.s, lap.t)
    return float(end - begin)


def _ahead(track: Track, start: float, end: float) -> float:
    return end + track.length if track.closed and end <= start else end


def _drawn(track: Track, lap: Lap, s: Array, units: Units) -> dict[str, Any]:
    """A lap at the places shown: on the map, its speed, and its line as path data."""
    inside = s if not track.closed else np.where(s >= track.length, s - 1e-9, s)
    at = [at_stations(track, lap, values, inside) for values in (lap.line.x, lap.line.y, lap.v)]
    return {
        "line": target_path(lap),
        "x": np.rint(PER_METRE * at[0]).astype(int).tolist(),
        "y": np.rint(-PER_METRE * at[1]).astype(int).tolist(),
        "v": np.round(at[2] / units.speed, 2).tolist(),
    }


def _box(track: Track, lap: Lap, corner: Corner) -> list[int]:
    return close_up_box(track, lap, corner.s_start - AROUND, _ahead(track, corner.s_start, corner.s_end) + AROUND)


def close_up_box(track: Track, lap: Lap, first: float, last: float) -> list[int]:
    """A close-up of a lap's line from one station to the next one (unwrapped) [m]: left, top, width and height in the
    map's units."""
    s = np.linspace(first, max(last, first + 1.0), 100)
    if not track.closed:
        s = np.clip(s, lap.line.s[0], lap.line.s[-1])
    x, y = (at_stations(track, lap, values, s) for values in (lap.line.x, lap.line.y))
    low = np.array([x.min(), -y.max()]) - ROADSIDE
    high = np.array([x.max(), -y.min()]) + ROADSIDE
    found: list[int] = np.rint(PER_METRE * np.concatenate([low, high - low])).astype(int).tolist()
    return found


def _apexes(track: Track, s: Array, units: Units) -> list[dict[str, Any]]:
    """Where each corner's number stands along the lap."""
    return [
        {"label": str(corner.number), "s": round((corner.s_apex - float(s[0])) / units.length, 1)}
        for corner in track.corners
    ]
