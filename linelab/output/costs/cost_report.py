"""What habits cost at each corner as data, written with its pictures into one folder."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict
from os import PathLike
from typing import Any

from linelab.diagnosis.kinds import Quantity
from linelab.files.text import csv_text
from linelab.files.writing import results_folder, write_text
from linelab.model.grip_field import kerbs_allowed
from linelab.output.costs.cost_words import CostStudy, cost_of
from linelab.output.display import CAUTIONS, METRIC, Units
from linelab.study.habit_costs import SCALES
from linelab.study.habit_effect import HabitEffect

#: Name and version of the layout of habit_costs.json.
FORMAT, VERSION = "linelab habit costs", 1
#: SI units of sizes, as files name them.
SI_UNITS: dict[Quantity, str] = {"place": "m", "length": "m", "speed": "m/s", "time": "s", "number": "share"}


def cost_data(study: CostStudy) -> dict[str, Any]:
    """The costs as plain data for JSON, SI units, the unit in every name or beside the sizes."""
    track, solution = study.track, study.solution
    return {
        "format": FORMAT,
        "version": VERSION,
        "cautions": CAUTIONS,
        "track": {"name": track.name, "length_m": track.length, "edges": track.survey.kind},
        "kart": {"name": study.kart.name, "mass_kg": study.kart.mass, "mu_lateral": study.kart.mu_lateral},
        "driver": _driver_data(study),
        "grip_factor": solution.grip,
        "conditions": None if track.conditions is None else asdict(track.conditions),
        "kerbs_allowed": study.use_kerbs and kerbs_allowed(track),
        "lap_time_s": solution.lap_time,
        "costs": [
            {
                **_named(study, cost.corner),
                "habit": cost.habit,
                "at_least": cost.sizes.tolist(),
                "unit": SI_UNITS[cost.quantity],
                "time_lost_s": [value if math.isfinite(value) else None for value in cost.time_lost.tolist()],
                "reason": cost.reason or None,
            }
            for cost in study.costs
        ],
        "explained": [_effect_data(study, effect) for effect in study.effects],
    }


def _driver_data(study: CostStudy) -> dict[str, Any] | None:
    """Whose numbers were used, with standard deviations; none where they are the kart file's."""
    found = study.driver
    if found is None:
        return None
    names = (
        "grip_share",
        "braking_factor",
        "engine_factor",
        "roll_down_factor",
        "half_pedal_change_s",
        "power_build_s",
    )
    return {
        "recordings": list(study.recordings),
        "laps": found.laps,
        **{
            name: {"value": float(value), "sigma": float(sigma)}
            for name, value, sigma in zip(names, found.values, found.sigma)
        },
    }


def _named(study: CostStudy, number: int) -> dict[str, Any]:
    corner = study.corner(number)
    return {"corner": number, "name": corner.name, "direction": "left" if corner.left else "right"}


def _effect_data(study: CostStudy, effect: HabitEffect) -> dict[str, Any]:
    radius = effect.radius or (None, None)
    return {
        **_named(study, effect.marks.corner.number),
        "habit": effect.habit,
        "at_least": effect.size,
        "unit": SI_UNITS[SCALES[effect.habit].quantity],
        "time_lost_s": cost_of(study, effect),
        "lost_before_apex_s": effect.before_apex,
        "lost_after_apex_s": effect.after_apex,
        "tightest_radius_m": radius[0],
        "tightest_radius_with_it_m": radius[1],
        "way_longer_m": effect.longer,
        "slowest_mps": effect.slowest[0],
        "slowest_with_it_mps": effect.slowest[1],
        "gains_speed_for_m": effect.straight,
        "slower_there_mps": effect.straight_slower,
    }


def cost_csv(study: CostStudy) -> str:
    """The costs as CSV, a row for each corner, habit and size, in SI units."""
    rows: list[list[Any]] = [["corner", "name", "direction", "habit", "at_least", "unit", "time_lost_s", "reason"]]
    for cost in study.costs:
        for size, value in zip(cost.sizes.tolist(), cost.time_lost.tolist()):
            known = math.isfinite(value)
            rows.append(
                [*_named(study, cost.corner).values(), cost.habit, f"{size:g}", SI_UNITS[cost.quantity],
                 f"{value:.4f}" if known else "", "" if known else cost.reason]
            )  # fmt: skip
    return csv_text(rows, line_end="\n")


def save_costs(
    folder: str | PathLike[str],
    study: CostStudy,
    units: Units = METRIC,
    *,
    pictures: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> list[str]:
    """Write habit_costs.json, habit_costs.csv and the pictures; returns the names of the files.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    with results_folder(folder) as stage:
        text = json.dumps(cost_data(study), indent=1, ensure_ascii=False, allow_nan=False)
        write_text(stage / "habit_costs.json", text + "\n")
        write_text(stage / "habit_costs.csv", cost_csv(study))
        if pictures and study.costs:
            from linelab.output.costs.cost_pictures import plot_costs, plot_effect
            from linelab.output.draw.style import save_figure

            progress("drawing")
            save_figure(plot_costs(study, units), stage / "habit_costs.png")
            for effect in study.drawn:
                name = f"cost_corner_{effect.marks.corner.number:02d}.png"
                save_figure(plot_effect(study, effect, units), stage / name)
        return sorted(item.name for item in stage.iterdir())
