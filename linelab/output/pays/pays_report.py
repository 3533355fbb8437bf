"""What one per cent of every number of a kart is worth, in words and as tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.coach_words import corners_text
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution
from linelab.output.display import (
    CLEARLY_OFF,
    METRIC,
    POUND_FORCE,
    Units,
    lap_time_text,
    lap_time_words,
    number_text,
)
from linelab.output.reference_report import computed_to
from linelab.output.tables import text_table
from linelab.study.sprockets import SprocketLap
from linelab.study.what_pays import Worth
from linelab.units import FOOT, INCH

#: Corners named beside a number.
NAMED = 3
#: What the gearing says the other way round.
TYRE = "engine.tyre_circumference_m"


class Shown(NamedTuple):
    """How a number of a kart is shown."""

    size: float  #: one shown unit, in the unit of the kart file
    unit: str
    digits: int
    step: float  #: a change a tuner would make [shown units]

    def value(self, worth: Worth) -> str:
        """The number as it is."""
        return f"{worth.value / self.size:.{self.digits}f} {self.unit}".strip()

    def change(self) -> str:
        """The change a tuner would make, in words."""
        return f"{self.step:g} {'tooth' if self.unit == 'teeth' else self.unit}".strip()

    def worth(self, worth: Worth) -> float:
        """What that change is worth [s]."""
        return worth.per_unit * self.size * self.step


def shown(worth: Worth, units: Units) -> Shown:
    """How a number is shown, by its unit or, of those that have none, by its name in a kart file."""
    metric = units.name == METRIC.name
    plain = {
        "tyres.rolling_resistance": Shown(1.0, "", 3, 0.001),
        "tyres.scrub": Shown(1.0, "", 3, 0.001),
        "engine.overall_ratios": Shown(1.0, "", 3, 0.1),
    }
    by_unit = {
        "kg": Shown(units.mass, units.mass_unit, 0, 1.0),
        "m": Shown(1e-3, "mm", 0, 10.0) if metric else Shown(INCH, "in", 2, 0.5),
        "m²": Shown(1.0, "m²", 2, 0.01) if metric else Shown(FOOT**2, "ft²", 1, 0.1),
        "N·m": Shown(1.0, "N·m", 1, 1.0) if metric else Shown(FOOT * POUND_FORCE, "lb·ft", 1, 1.0),
        "kW": Shown(units.power / 1e3, units.power_unit, 1, 1.0),
        "teeth": Shown(1.0, "teeth", 0, 1.0),
        "m/s³": Shown(1.0, "m/s³", 0, 10.0),
        "1/(m·s)": Shown(1.0, "1/(m·s)", 2, 0.1),
    }
    return by_unit.get(worth.unit) or plain.get(worth.field, Shown(1.0, "", 2, 0.01))


def leading(worths: Sequence[Worth], count: int) -> list[Worth]:
    """The numbers worth most whose corners are known; a tyre's circumference is the gearing the other way round."""
    return [worth for worth in worths if not worth.reason and worth.field != TYRE][:count]


def way(worth: Worth) -> str:
    """Which way the number makes the lap faster."""
    return "more" if worth.lap < 0.0 else "less"


def saved(worth: Worth) -> str:
    """What one per cent the faster way brings."""
    return f"1 % {way(worth)} saves {1e3 * abs(worth.lap):.1f} ms a lap"


def most_changed(worth: Worth) -> list[tuple[int, float]]:
    """The corners that change most, of those that are known: number, and time for one per cent more [s]."""
    order = np.argsort(-np.abs(worth.corners), kind="stable")
    return [(worth.numbers[k], float(worth.corners[k])) for k in order if known(worth)[k]][:NAMED]


def known(worth: Worth) -> NDArray[np.bool_]:
    """Corners (C,) whose figure is clearly more than what it differs by if the change is halved."""
    return np.asarray(np.abs(worth.corners) > CLEARLY_OFF * worth.moved)


def pays_words(
    worths: Sequence[Worth], sprockets: Sequence[SprocketLap], own_teeth: int | None, units: Units = METRIC
) -> list[str]:
    """What pays, in plain sentences."""
    first = next(worth for worth in worths if worth.field != TYRE)
    words = [
        f"{first.words.capitalize()} is worth most: 1 % {way(first)} saves {abs(first.lap):.2f} s a lap{_where(first)}."
    ]
    mass = next((worth for worth in worths if worth.unit == "kg"), None)
    if mass is not None:
        heavier = 5.0 if units.mass_unit == "kg" else 10.0
        cost = mass.per_unit * heavier * units.mass
        does = "change the lap by less than 0.01 s"
        if abs(cost) >= 0.005:
            does = f"{'cost' if cost > 0.0 else 'save'} {abs(cost):.2f} s"
        words.append(f"{heavier:g} {units.mass_unit} more {does}.")
    found = [lap for lap in sprockets if not lap.reason]
    if found and own_teeth is not None:
        best = min(found, key=lambda lap: lap.lap_time)
        ends = found[0], found[-1]
        span = f"{found[0].axle_teeth} to {found[-1].axle_teeth} teeth"
        words.append(
            f"No axle sprocket of {span} is faster than yours of {own_teeth}."
            if round(best.apart, 3) == 0.0
            else f"Of axle sprockets of {span}, {best.axle_teeth} are fastest: {-best.apart:.3f} s faster than your "
            f"{own_teeth}"
            + ("." if best not in ends else f"; {'fewer' if best is ends[0] else 'more'} teeth were not tried.")
        )
    return words


def _where(worth: Worth) -> str:
    """The corners where most of it is, or which change most."""
    same = sorted(number for number, time in most_changed(worth) if time * worth.lap > 0.0)
    if not same:
        return ""
    share = sum(time for number, time in most_changed(worth) if number in same) / worth.lap
    return f", {'most of it' if share > 0.5 else 'above all'} {corners_text(tuple(same))}"


def pays_table(worths: Sequence[Worth], units: Units = METRIC) -> str:
    """The ranking, aligned for a terminal."""
    rows = []
    for worth in worths:
        look = shown(worth, units)
        corners = ", ".join(
            f"{number}: {number_text(time, 3, signed=True)}"
            for number, time in most_changed(worth)
            if abs(time) >= 5e-4
        )
        rows.append([
            worth.words, look.value(worth), number_text(worth.lap, 3, signed=True), look.change(),
            number_text(look.worth(worth), 3, signed=True), "withheld" if worth.reason else corners or "-",
        ])  # fmt: skip
    head = ["", "now", "1 % more\n[s a lap]", "a change of", "more\n[s a lap]", "corners, 1 % more [s]"]
    return text_table(head, rows, left=(0, 5))


def sprocket_table(sprockets: Sequence[SprocketLap], units: Units = METRIC) -> str:
    """Laps by axle sprocket, aligned for a terminal."""
    failed = any(lap.reason for lap in sprockets)
    rows = [
        [str(lap.axle_teeth), "-", "-", "-", "-", lap.reason]
        if lap.reason
        else [
            str(lap.axle_teeth), lap_time_text(lap.lap_time), number_text(lap.apart, 3, signed=True),
            f"{lap.top_speed / units.speed:.1f}", f"{lap.top_rpm:.0f}", "",
        ]
        for lap in sprockets
    ]  # fmt: skip
    head = ["axle\nteeth", "lap [s]", "apart [s]", f"top speed\n[{units.speed_unit}]", "revs, top\ngear [rpm]", ""]
    return text_table(head if failed else head[:-1], rows if failed else [row[:-1] for row in rows], left=(5,))


def table_notes(worths: Sequence[Worth], track: Track, solution: Solution) -> list[str]:
    """What the tables mean, and what is withheld."""
    reasons: dict[str, list[str]] = {}
    for worth in worths:
        if worth.reason:
            reasons.setdefault(worth.reason, []).append(worth.words)
    return [
        "One number is changed at a time, and the line and the speed are found anew. + is slower.",
        "Corners are named where one per cent and half a per cent agree.",
        f"The {'lap' if track.closed else 'whole road'} takes {lap_time_words(solution.lap.lap_time)}, "
        f"computed to within {computed_to(solution):.3f} s.",
        *(f"Corners withheld for {', '.join(names)}: {reason}." for reason, names in reasons.items()),
    ]
