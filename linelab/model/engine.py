"""What the engine delivers at the rear wheels, as wheel power over speed.

Wheel power is stored as a piecewise linear function of speed with a fixed number of knots: it is exact for
a power and force cap (P = F·v, then constant), natural for a torque curve, and small enough to enter the
optimal-control problem as parameters.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import frozen_array, set_field
from linelab.model.kart import PowerEngine, TorqueEngine
from linelab.units import RPM, Array

#: Knots of a drive curve: enough for a six-speed gearbox within 0.35 % (tested).
KNOTS = 24


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

#: Relative error of a fitted drive curve below which no more knots are spent [-].
FIT_FLOOR = 3.0e-3

#: Speeds at which a torque engine's exact wheel power is sampled before fitting.
SAMPLES = 700

#: Speed over which a sudden loss of power at the rev limit of a lower gear is spread [m/s].
SHIFT_BLEND = 0.15


@lru_cache(maxsize=128)
def drive_curve(engine: PowerEngine | TorqueEngine) -> DriveCurve:
    """Greatest wheel power of an engine over speed.

    A torque engine uses the best gear at every speed and loses no time changing it.  Its wheel power, exact from
    :func:`gear_forces`, is fitted by straight pieces with at most KNOTS corners, for the bundled karts within 0.35 %.

    Laps are driven on the curve with its corners rounded (:func:`linelab.model.grip.drive_power`).  That is within
    0.65 % of the engine's power from 0.3 m/s up, but for a quarter of a metre per second about a gear change, where
    rounding fills the notch: within 1 % there.  The time to run up through all speeds is within 0.15 % (all tested).
    A kart of one's own is fitted as closely as KNOTS corners can; the more ratios and the more ragged its torque, the
    less so.

    Engines are immutable, so a curve is kept and returned again for the same engine.

    Parameters
    ----------
    engine : PowerEngine or TorqueEngine

    Returns
    -------
    DriveCurve
    """
    if isinstance(engine, PowerEngine):
        return _from_power(engine)
    return _from_torque(engine)


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


def with_force(engine: PowerEngine | TorqueEngine, factor: float) -> PowerEngine | TorqueEngine:
    """The engine with another force: what every factor on engine force in linelab means.

    Full-throttle force at the tyres times the factor, at each speed alike; gearing, revs and the closed throttle stay.
    """
    if isinstance(engine, TorqueEngine):
        return replace(engine, torque=engine.torque * factor)
    force = None if engine.max_force is None else engine.max_force * factor
    return replace(engine, power=engine.power * factor, max_force=force)


def engine_of_force(v: Array, force: Array) -> TorqueEngine:
    """An engine that gives these full-throttle forces (N,) [N] at the tyres at increasing speeds (N,) [m/s].

    It turns with wheels of a metre's circumference; its revs end at the last speed.  Its numbers are round, so that a
    kart file holds them as they are.
    """
    radius = 0.5 / np.pi  # [m]
    speed = np.round(v / radius / RPM, 2) * RPM
    return TorqueEngine(
        speed=speed, torque=np.round(force * radius, 3), ratios=(1.0,), tyre_circumference=1.0,
        rev_limit=float(speed[-1]), efficiency=1.0,
    )  # fmt: skip


def road_speed(engine: TorqueEngine, crank_speed: Array | float, gear: int) -> Array:
    """Speed over the ground at a crankshaft speed [rad/s] in a gear (1 is the lowest), without slip [m/s]."""
    axle = np.asarray(crank_speed, dtype=np.float64) / engine.ratios[gear - 1]
    return axle * engine.tyre_circumference / (2.0 * np.pi)


def gear_forces(engine: TorqueEngine, v: Array | float) -> Array:
    """Full-throttle drive force at the tyres in every gear.

    ``F = efficiency · T(omega) · ratio · 2 pi / circumference`` (work at the crankshaft equals work at the tyre).
    Torque is linear between the points of the table and held beyond its ends; below the engagement speed the
    clutch slips and passes on the torque at engagement, held; above the rev limit there is none.

    Parameters
    ----------
    v : array
        Speed, any shape S [m/s].

    Returns
    -------
    array (gears, S) [N]
    """
    speed = np.asarray(v, dtype=np.float64)
    ratios = np.asarray(engine.ratios).reshape((-1,) + (1,) * speed.ndim)
    per_metre = 2.0 * np.pi * ratios / engine.tyre_circumference
    omega = speed * per_metre
    torque = np.interp(np.maximum(omega, engine.clutch_engagement), engine.speed, engine.torque)
    return np.where(omega <= engine.rev_limit * (1.0 + 1e-12), engine.efficiency * torque * per_metre, 0.0)


def best_gear(engine: TorqueEngine, v: Array | float) -> NDArray[np.intp]:
    """The gear (1 is the lowest) with the greatest full-throttle force at each speed, of any shape S [m/s].

    The lower one of two that are equal; beyond the rev limit in the highest gear that gear.
    """
    forces = gear_forces(engine, v)
    return np.where(forces.any(axis=0), forces.argmax(axis=0) + 1, len(engine.ratios))


def _from_torque(engine: TorqueEngine) -> DriveCurve:
    """Fit the exact wheel power of a torque curve with gears."""
    top = float(road_speed(engine, engine.rev_limit, len(engine.ratios)))
    speed = _sample_speeds(engine, top)
    power = speed * gear_forces(engine, speed).max(axis=0)
    at, value = _fit_knots(speed, power)
    slopes = np.diff(value) / np.diff(at)
    knots = NO_REV_LIMIT + 1.0 + np.arange(KNOTS, dtype=np.float64)
    changes = np.zeros(KNOTS)
    count = slopes.size - 1
    knots[:count] = at[1:-1]
    changes[:count] = np.diff(slopes)
    return DriveCurve(
        power_at_zero=0.0, force_at_zero=float(slopes[0]), knots=knots, slope_changes=changes, top_speed=top
    )


def _sample_speeds(engine: TorqueEngine, top: float) -> Array:
    """Speeds to sample: an even grid, every corner of the exact curve, and both sides of a jump at a rev limit."""
    corners = [np.linspace(0.0, top, SAMPLES)]
    limits = []
    for gear in range(1, len(engine.ratios) + 1):
        corners.append(road_speed(engine, engine.speed, gear))
        corners.append(np.atleast_1d(road_speed(engine, engine.clutch_engagement, gear)))
        limits.append(float(road_speed(engine, engine.rev_limit, gear)))
    speed = np.unique(np.concatenate(corners))
    for limit in limits[:-1]:
        before, after = gear_forces(engine, np.array([limit * (1 - 1e-9), limit * (1 + 1e-9)])).max(axis=0)
        if before > after * (1.0 + 1e-6):  # power jumps down: a ramp that never gives more than the engine does
            speed = speed[(speed < limit - SHIFT_BLEND) | (speed > limit)]
            speed = np.concatenate([speed, [limit - SHIFT_BLEND, limit * (1.0 + 1e-9)]])
    return np.unique(speed[speed <= top])


def _fit_knots(speed: Array, power: Array) -> tuple[Array, Array]:
    """Speeds and powers of at most KNOTS + 2 points whose joining lines stay closest to the curve, in relative error.

    Halves the (logarithmic) interval of the tolerance until the pieces just suffice.
    """
    low, high = np.log(FIT_FLOOR), np.log(0.3)
    points = _pieces_within(speed, power, FIT_FLOOR)
    best = points
    for _ in range(8 if points is None else 0):
        middle = 0.5 * (low + high)
        points = _pieces_within(speed, power, float(np.exp(middle)))
        if points is None:
            low = middle
        else:
            best, high = points, middle
    if best is None:  # a curve too ragged for any tolerance: even pieces
        index = np.linspace(0, speed.size - 1, KNOTS + 2).astype(np.intp)
        return speed[index], power[index]
    chain = np.asarray(best)
    return chain[:, 0], chain[:, 1]


def _pieces_within(speed: Array, power: Array, tolerance: float) -> list[tuple[float, float]] | None:
    """Joined straight pieces, each as long as the tolerance allows; None if that takes more than KNOTS + 1 of them.

    From a point the slopes that pass within the tolerance of every later sample form a narrowing cone; a piece may
    end at any later sample whose own slope is inside it (H. Imai & M. Iri, *Computational Morphology*, 1988, pp.
    71-86, *memory*).  Pieces end on the curve or one tolerance above or below it; the one that reaches farthest of
    each kind is carried on.
    """
    last = speed.size - 1
    fronts: dict[int, tuple[int, list[tuple[float, float]]]] = {0: (0, [(float(speed[0]), float(power[0]))])}
    for _ in range(KNOTS + 1):
        ahead: dict[int, tuple[int, list[tuple[float, float]]]] = {}
        for i, chain in fronts.values():
            run = speed[i + 1 :] - speed[i]
            slope, margin = (power[i + 1 :] - chain[-1][1]) / run, tolerance * power[i + 1 :] / run
            steepest, flattest = np.minimum.accumulate(slope + margin), np.maximum.accumulate(slope - margin)
            for side in (-1, 0, 1):
                end = slope + side * margin
                reach = np.flatnonzero((end >= flattest) & (end <= steepest))
                j = i + 1 + int(reach[-1]) if reach.size else i
                if j > i and j > ahead.get(side, (0, chain))[0]:
                    ahead[side] = (j, [*chain, (float(speed[j]), float(power[j] * (1.0 + side * tolerance)))])
        for j, chain in ahead.values():
            if j == last:
                return chain
        if not ahead:
            return None
        fronts = ahead
    return None


def wheel_power(curve: DriveCurve, v: Array | float) -> Array:
    """Greatest wheel power at speed ``v`` [m/s] (any shape) [W]."""
    speed = np.asarray(v, dtype=np.float64)
    rise = np.maximum(speed[..., None] - curve.knots, 0.0) @ curve.slope_changes
    return curve.power_at_zero + curve.force_at_zero * speed + rise


def drive_force(curve: DriveCurve, v: Array | float) -> Array:
    """Greatest drive force at speed ``v`` [m/s] (any shape) [N]; infinite at rest for a power without a force cap."""
    speed = np.asarray(v, dtype=np.float64)
    at_rest = np.inf if curve.power_at_zero > 0.0 else curve.force_at_zero
    moving = np.where(speed > 0.0, speed, 1.0)
    return np.where(speed > 0.0, wheel_power(curve, moving) / moving, at_rest)
