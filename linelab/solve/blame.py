"""Which field of a kart makes a lap impossible: found by solving again with usual values in its place."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from linelab.errors import KartError, SolveError
from linelab.kart import Kart, PowerEngine, TorqueEngine

#: What karts of the common classes and their drivers have, SI: values outside are tried for the cause (*memory*).
USUAL: Mapping[str, tuple[float, float]] = {
    "mass": (100.0, 270.0),
    "mu_lateral": (0.8, 2.0),
    "mu_longitudinal": (0.8, 2.0),
    "rear_share": (0.5, 0.65),
    "cg_height": (0.15, 0.35),
    "wheelbase": (0.9, 1.3),
    "width": (1.0, 1.45),
    "cda": (0.3, 0.8),
    "air_density": (0.9, 1.4),
    "rolling_resistance": (0.01, 0.04),
    "scrub": (0.0, 0.05),
    "rotating_mass_factor": (0.02, 0.2),
}
USUAL_DRIVER: Mapping[str, tuple[float, float]] = {
    "grip_share": (0.6, 1.0),
    "brake_build_rate": (30.0, 100.0),
    "brake_release_rate": (30.0, 100.0),
    "drive_build_rate": (15.0, 100.0),
    "curvature_rate": (0.5, 5.0),
}
#: Power at the wheels of the common classes [W].
USUAL_POWER = (4.0e3, 40.0e3)
#: Names of the fields in a kart file where they differ.
IN_FILE = {
    "mass": "mass_kg",
    "mu_lateral": "tyres.mu_lateral",
    "mu_longitudinal": "tyres.mu_longitudinal",
    "rear_share": "rear_weight_share",
    "cg_height": "cg_height_m",
    "wheelbase": "wheelbase_m",
    "width": "overall_width_m",
    "cda": "air.cda_m2",
    "air_density": "air.density_kg_per_m3",
    "rolling_resistance": "tyres.rolling_resistance",
    "scrub": "tyres.scrub",
    "grip_share": "driver.grip_share",
    "brake_build_rate": "driver.brake_build_rate_mps3",
    "brake_release_rate": "driver.brake_release_rate_mps3",
    "drive_build_rate": "driver.drive_build_rate_mps3",
    "curvature_rate": "driver.curvature_rate_per_m_s",
}


class Change(NamedTuple):
    """Values that replace those of the kart, or of its ``part``; ``field`` is the name in a kart file."""

    field: str
    part: str
    values: dict[str, Any]

    def of(self, kart: Kart) -> Kart:
        """The kart with it."""
        if not self.part:
            return replace(kart, **self.values)
        return replace(kart, **{self.part: replace(getattr(kart, self.part), **self.values)})


def blamed(error: SolveError, kart: Kart, solves: Callable[[Kart], bool], until: float) -> SolveError | KartError:
    """The error that names the fields without whose values a lap is found, or the error as it was.

    Parameters
    ----------
    error : SolveError
    kart : Kart
    solves : callable
        Whether another kart's lap is found.
    until : float
        This thread's processor time to stop at [s].
    """
    changes = _unusual(kart)
    usual = kart
    for change in changes:
        usual = change.of(usual)
    if not changes or not solves(usual):
        return error
    guilty = []
    for change in changes:
        if time.thread_time() > until:
            break
        if solves(change.of(kart)):
            guilty.append(change.field)
    named = guilty[:3] or [change.field for change in changes[:3]]
    if not guilty and len(changes) > 3:
        named.append(f"{len(changes) - 3} more that are unusual")
    return KartError(
        f"{error.what}; a lap is found with a usual {(' or ' if guilty else ' and ').join(named)}",
        field=named[0],
        remedy="Check the value and its unit; 'linelab kart --fields' prints what is usual",
    )


def _unusual(kart: Kart) -> list[Change]:
    """Changes that put what is usual for each unusual field, the engine's and driver's first.

    A rate of the driver's that is unusual is left without limit.
    """
    changes = _unusual_engine(kart.engine)
    for part, owner, ranges in (("driver", kart.driver, USUAL_DRIVER), ("", kart, USUAL)):
        for name, (low, high) in ranges.items():
            given = getattr(owner, name)
            if given is not None and not low <= given <= high:
                usual = None if name.endswith("_rate") else 0.5 * (low + high)
                changes.append(Change(IN_FILE.get(name, name), part, {name: usual}))
    return changes


def _unusual_engine(engine: PowerEngine | TorqueEngine) -> list[Change]:
    """The same of the engine: its power, force and revs; a torque curve with its gearing as a whole."""
    given = engine.power if isinstance(engine, PowerEngine) else float((engine.speed * engine.torque).max())
    power = min(max(given, USUAL_POWER[0]), USUAL_POWER[1])
    if isinstance(engine, TorqueEngine):
        return [Change("engine", "", {"engine": PowerEngine(power=power)})]
    fields = [("power_kw", "power", power), ("max_force_n", "max_force", None), ("top_speed_kmh", "top_speed", None)]
    return [
        Change(f"simple_drive.{field}", "engine", {name: value})
        for field, name, value in fields
        if getattr(engine, name) != value
    ]
