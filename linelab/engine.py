"""What the engine delivers at the rear wheels, as wheel power over speed.

Wheel power is stored as a piecewise linear function of speed with a fixed number of knots: it is exact for
a power and force cap (P = F·v, then constant), natural for a torque curve, and small enough to enter the
optimal-control problem as parameters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.kart import PowerEngine, TorqueEngine
from linelab.units import Array
from linelab.values import frozen_array, set_field

#: Knots of a drive curve: enough for a six-speed gearbox within 0.5 % (tested).
KNOTS = 20


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DriveCurve:
    """Greatest wheel power by speed: ``power_at_zero + force_at_zero·v + sum(slope_change·max(v - knot, 0))``.

    Parameters
    ----------
    power_at_zero : float
        [W]; zero for a real drive.
    force_at_zero : float
        Slope of wheel power at standstill, the greatest drive force there [N].
    knots : (KNOTS,) array
        Speeds where the slope changes, increasing; unused ones lie beyond top speed [m/s].
    slope_changes : (KNOTS,) array
        Changes of slope at the knots [N].
    top_speed : float
        Where revs end [m/s].
    """

    power_at_zero: float
    force_at_zero: float
    knots: Array
    slope_changes: Array
    top_speed: float

    def __post_init__(self) -> None:
        for name in ("knots", "slope_changes"):
            set_field(self, name, frozen_array("DriveCurve", name, getattr(self, name), shape=(KNOTS,)))


#: Stands for "no rev limit": faster than any vehicle on a track [m/s].
NO_REV_LIMIT = 150.0


def drive_curve(engine: PowerEngine | TorqueEngine) -> DriveCurve:
    """Greatest wheel power of an engine over speed.

    Parameters
    ----------
    engine : PowerEngine or TorqueEngine

    Returns
    -------
    DriveCurve
    """
    if isinstance(engine, PowerEngine):
        return _from_power(engine)
    raise NotImplementedError


def _from_power(engine: PowerEngine) -> DriveCurve:
    """Constant power below a force cap: one knot where the two meet."""
    top = engine.top_speed if engine.top_speed is not None else NO_REV_LIMIT
    knots = NO_REV_LIMIT + 1.0 + np.arange(KNOTS, dtype=np.float64)
    changes = np.zeros(KNOTS)
    if engine.max_force is None:
        return DriveCurve(
            power_at_zero=engine.power, force_at_zero=0.0, knots=knots, slope_changes=changes, top_speed=top
        )
    knots[0] = engine.power / engine.max_force
    changes[0] = -engine.max_force
    return DriveCurve(
        power_at_zero=0.0, force_at_zero=engine.max_force, knots=knots, slope_changes=changes, top_speed=top
    )


def wheel_power(curve: DriveCurve, v: Array | float) -> Array:
    """Greatest wheel power at speed ``v`` [m/s] (any shape) [W]."""
    speed = np.asarray(v, dtype=np.float64)
    rise = np.maximum(speed[..., None] - curve.knots, 0.0) @ curve.slope_changes
    return curve.power_at_zero + curve.force_at_zero * speed + rise
