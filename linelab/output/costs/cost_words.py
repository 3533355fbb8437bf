"""What habits cost at each corner, and why, as text."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from linelab.arrays import counted
from linelab.coaching.coach_words import PLANNED, corners_text, listed
from linelab.coaching.results import DriverNumbers
from linelab.errors import InputError
from linelab.measured import plus_minus
from linelab.model.kart import Kart
from linelab.model.track import Corner, Track
from linelab.optimum.minimum_time import Solution
from linelab.output.display import METRIC, Units, in_units, number_text, rounded_parts
from linelab.output.reference_report import conditions
from linelab.output.tables import text_table
from linelab.study.as_driven import feet_on_own_line, own_kart
from linelab.study.habit_costs import FOOT_HABITS, LINE_HABITS, SCALES, Habit, HabitCost, habit_costs
from linelab.study.habit_effect import HabitEffect, effect_of

#: So many of the dearest corners are explained, and the cheapest one beside them, unless corners are asked for.
EXPLAINED = 3
#: So many corners stand beside each other in a table of several habits.
ABREAST = 10


@dataclass(frozen=True, kw_only=True, slots=True)
class CostStudy:
    """Costs of one habit by size, or of several at one size each; and the effects that explain some of them."""

    track: Track
    kart: Kart
    solution: Solution
    use_kerbs: bool
    costs: tuple[HabitCost, ...]
    effects: tuple[HabitEffect, ...]  #: dearest first
    drawn: tuple[HabitEffect, ...]  #: those that get a picture
    driver: DriverNumbers | None = None  #: whose numbers were used; the kart file's when there is none
    recordings: tuple[str, ...] = ()  #: what these are from

    @property
    def habits(self) -> list[Habit]:
        """In the order asked for."""
        return list(dict.fromkeys(cost.habit for cost in self.costs))

    def corner(self, number: int) -> Corner:
        """A corner by its number."""
        return next(corner for corner in self.track.corners if corner.number == number)


def study_costs(
    track: Track,
    kart: Kart,
    solution: Solution,
    habits: Sequence[Habit] = ("apex_missed",),
    *,
    sizes: Sequence[float] | None = None,
    corners: Sequence[int] = (),
    use_kerbs: bool = True,
    driver: DriverNumbers | None = None,
    recordings: Sequence[str] = (),
    executor: Executor | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> CostStudy:
    """Work out what habits cost and why.

    Parameters
    ----------
    habits : sequence of str
        One habit is looked at by size, several at their usual size.
    sizes : sequence of float, optional
        Of a single habit; see :data:`linelab.study.habit_costs.SCALES`.
    corners : sequence of int
        Numbers of the corners looked at; all of them when there are none.
    driver : DriverNumbers, optional
        Whose laps these are; ``solution`` is then of :func:`linelab.study.as_driven.own_kart` at his share of the grip.
    recordings : sequence of str
        What his numbers are from.

    Raises
    ------
    InputError
        No such habit or corner, or sizes that make no sense.
    """
    if len(habits) > 1 and sizes is not None:
        raise InputError("sizes are of one habit", where="sizes", remedy="Name one habit, or leave the sizes out")
    found: list[HabitCost] = []
    # Lines are solved with the driver's own kart; his feet are driven by the model that his numbers are of.
    own = kart if driver is None else own_kart(kart, driver)
    session = None if driver is None else feet_on_own_line(driver)
    for habit in habits:
        progress(PLANNED[habit].replace(" {}", ""))
        found += habit_costs(
            track,
            own if habit in LINE_HABITS else kart,
            solution,
            habit=habit,
            sizes=[SCALES[habit].usual] if len(habits) > 1 else sizes,
            corners=corners or None,
            use_kerbs=use_kerbs,
            session=session,
            executor=executor,
            progress=progress,
        )
    known = [cost for cost in found if math.isfinite(_at_shown(cost))]
    ranked = sorted(known, key=_at_shown, reverse=True)
    if len(habits) == 1 and not corners:
        chosen = ranked[:EXPLAINED] + ranked[EXPLAINED:][-1:]
    else:
        chosen = ranked if len(habits) == 1 else ranked[:EXPLAINED]
    progress("why")
    effects = tuple(
        effect_of(
            track, own if cost.habit in LINE_HABITS else kart, solution, cost, shown_size(cost), use_kerbs=use_kerbs,
            session=session,
        )
        for cost in chosen
    )  # fmt: skip
    return CostStudy(
        track=track, kart=kart, solution=solution, use_kerbs=use_kerbs, costs=tuple(found), effects=effects,
        drawn=effects if corners and len(habits) == 1 else effects[:1], driver=driver, recordings=tuple(recordings),
    )  # fmt: skip


def shown_size(cost: HabitCost) -> float:
    """The size that is explained: the usual one where it was looked at, else the middle one."""
    sizes, usual = cost.sizes.tolist(), SCALES[cost.habit].usual
    return float(usual if usual in sizes else sizes[(len(sizes) - 1) // 2])


def _at_shown(cost: HabitCost) -> float:
    value = cost.at(shown_size(cost))
    return math.nan if value is None else value


def size_text(habit: Habit, size: float, units: Units) -> str:
    """A habit's size with its unit."""
    factor, unit = {
        "place": (units.length, units.length_unit),
        "length": (units.length, units.length_unit),
        "speed": (units.speed, units.speed_unit),
        "time": (1.0, "s"),
        "number": (0.01, "%"),
    }[SCALES[habit].quantity]
    return f"{size / factor:.3g} {unit}"


def done_text(habit: Habit, size: float, units: Units) -> str:
    """What is done: "passing the apex 0.5 m too far out"."""
    return PLANNED[habit].format(size_text(habit, size, units))


def cost_table(study: CostStudy, units: Units = METRIC) -> list[str]:
    """The costs in lines of text: corners by size, or habits by corner."""
    if not study.costs:
        return ["This track has no corners."]
    habits = study.habits
    if len(habits) == 1:
        habit = habits[0]
        headers = ["corner", *(size_text(habit, size, units) for size in study.costs[0].sizes)]
        rows = [
            [_corner_text(study, cost.corner), *(_cost_text(value) for value in cost.time_lost)] for cost in study.costs
        ]
        return [f"Time lost over the lap [s] by {PLANNED[habit].format('so much')}:", "", text_table(headers, rows)]
    numbers = list(dict.fromkeys(cost.corner for cost in study.costs))
    at = {(cost.habit, cost.corner): float(cost.time_lost[0]) for cost in study.costs}
    lines = ["Time lost over the lap [s] by habit and corner:"]
    for k in range(0, len(numbers), ABREAST):
        some = numbers[k : k + ABREAST]
        rows = [
            [done_text(habit, SCALES[habit].usual, units), *(_cost_text(at[habit, number]) for number in some)]
            for habit in habits
        ]
        lines += ["", text_table(["corner", *map(str, some)], rows)]
    return lines


def _corner_text(study: CostStudy, number: int) -> str:
    corner = study.corner(number)
    return f"{corner.label} {'left' if corner.left else 'right'}"


def _cost_text(value: float) -> str:
    return number_text(value) if math.isfinite(value) else "-"


def reason_lines(study: CostStudy, units: Units = METRIC) -> list[str]:
    """Why there are no figures where there are none, corners with one reason together."""
    found: dict[tuple[Habit, str, str], list[int]] = {}
    for cost in study.costs:
        known = np.isfinite(cost.time_lost)
        if not known.all():
            first = f", {size_text(cost.habit, float(cost.sizes[known.sum()]), units)} and more" if known.any() else ""
            found.setdefault((cost.habit, cost.reason, first), []).append(cost.corner)
    alike: dict[tuple[str, str, tuple[int, ...]], list[Habit]] = {}
    for (habit, reason, first), numbers in found.items():
        alike.setdefault((reason, first, tuple(numbers)), []).append(habit)
    lines = []
    for (reason, first, corners), habits in alike.items():
        named = (
            "habits of the feet"
            if set(habits) == set(FOOT_HABITS)
            else listed([done_text(habit, SCALES[habit].usual, units) for habit in habits])
        )
        doing = f", {named}" if len(study.habits) > 1 else ""
        lines.append(f"{corners_text(corners)[3:].capitalize()}{first}{doing}: {in_units(reason, units)}.")
    return lines


def effect_words(study: CostStudy, effect: HabitEffect, units: Units = METRIC) -> str:
    """Why a habit costs what it costs at a corner, in sentences."""
    lost = cost_of(study, effect)
    total, (before, after) = rounded_parts(lost, [effect.before_apex, lost - effect.before_apex])
    doing = done_text(effect.habit, effect.size, units)
    words = [f"Corner {effect.marks.corner.label}: {doing} costs {total:.2f} s."]
    if total > 0.0:
        words.append(_split_words(before, after, effect.marks.apex_names()[0]))
    if effect.radius is not None:
        own, other = (f"{radius / units.length:.1f}" for radius in effect.radius)
        unit = units.length_unit
        if own == other:
            words.append(f"The tightest radius stays {own} {unit}.")
        else:
            way = "falls" if effect.radius[1] < effect.radius[0] else "grows"
            words.append(f"The tightest radius {way} from {own} to {other} {unit}.")
    if effect.radius is not None:
        words.append(_longer_words(effect.longer, units))
    words.append(f"The slowest point is {_slower(effect.slowest[0] - effect.slowest[1], units)}.")
    if effect.straight < 0.5 * units.length:
        words.append("No straight follows.")
    else:
        words.append(
            f"{units.length_text(effect.straight)} follow before the kart slows again; "
            f"there it is {_slower(effect.straight_slower, units)} on average."
        )
    return " ".join(words)


def _split_words(before: float, after: float, apex: str) -> str:
    if before < 0.0:
        return f"{-before:.2f} s are gained before the {apex}, {after:.2f} s lost after it."
    if after < 0.0:
        return f"{before:.2f} s are lost before the {apex}, {-after:.2f} s gained after it."
    return f"{before:.2f} s are lost before the {apex}, {after:.2f} s after it."


def _longer_words(longer: float, units: Units) -> str:
    shown = round(longer / units.length, 1)
    if shown == 0.0:
        return "The way is as long."
    return f"The way is {abs(shown):.1f} {units.length_unit} {'longer' if shown > 0.0 else 'shorter'}."


def _slower(less: float, units: Units) -> str:
    shown = round(less / units.speed, 1)
    if shown == 0.0:
        return "as fast"
    return f"{abs(shown):.1f} {units.speed_unit} {'slower' if shown > 0.0 else 'faster'}"


def cost_of(study: CostStudy, effect: HabitEffect) -> float:
    """What the table says it costs."""
    cost = next(each for each in study.costs if (each.habit, each.corner) == (effect.habit, effect.marks.corner.number))
    return _at_shown(cost)


#: The numbers of a driver, as :data:`linelab.diagnosis.driver_model.SESSION` has them: name, factor and digits shown.
_SHOWN = (
    ("share of the kart file's grip", 1.0, 2),
    ("its braking, times", 1.0, 2),
    ("its engine force, times", 1.0, 2),
    ("its roll-down, times", 1.0, 1),
    ("change of pedals [s]", 2.0, 2),
    ("power built up in [s]", 1.0, 2),
)


def driver_lines(study: CostStudy) -> list[str]:
    """Whose numbers the costs are for, with their uncertainty."""
    found = study.driver
    if found is None:
        return ["Driver: as the kart file has him, without habits."]
    rows = [
        [name, f"{factor * value:.{digits}f}", plus_minus(factor * sigma, digits)]
        for (name, factor, digits), value, sigma in zip(_SHOWN, found.values, found.sigma)
    ]
    return [
        f"For the driver of {listed(study.recordings)}, with what {counted(found.laps, 'lap')} show of him "
        "(± is the 95 % interval):",
        "",
        text_table(["", "shown", ""], rows),
        "",
        "Habits of the line are solved with his grip, braking and engine force; habits of the feet are driven with all "
        "of these.",
    ]


def driver_note(study: CostStudy) -> str:
    """The same in a few words for the small print; nothing where the driver is the kart file's."""
    if study.driver is None:
        return ""
    return f"With the grip, braking, engine force and feet that the laps of {listed(study.recordings)} show."


def cost_lines(study: CostStudy, units: Units = METRIC) -> list[str]:
    """Everything for a terminal."""
    words = [effect_words(study, effect, units) for effect in study.effects]
    line_habit = any(habit in LINE_HABITS for habit in study.habits)
    return [
        *cost_table(study, units),
        "",
        *driver_lines(study),
        *conditions(study.track, study.solution, study.use_kerbs),
        *(
            ["Line and speed are the best that the habit allows: a driver loses at least so much."]
            if line_habit
            else []
        ),
        *reason_lines(study, units),
        *(["", *words] if words else []),
    ]
