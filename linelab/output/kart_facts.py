"""A kart in numbers and words: what it can brake, corner and pull, and how fast it gets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from linelab.fitted.fitted_kart import FittedKart, Shown
from linelab.measured import PLUS_MINUS, TO_95, plus_minus
from linelab.model.axles import axle_limits, least_radius
from linelab.model.engine import drive_curve, drive_force, gear_forces, road_speed
from linelab.model.grip import FLAT, brake_friction, drive_friction, drive_power, kart_numbers, loads, pull
from linelab.model.kart import Kart, TorqueEngine
from linelab.output.display import METRIC, Units
from linelab.units import STANDARD_GRAVITY, Array

#: Speeds to which the standing start is timed, as shown: 60 km/h and 40 mph.
SPRINT_SHOWN = {"metric": 60.0, "imperial": 40.0}

#: Speeds at which braking is quoted, as shown.
BRAKING_SHOWN = {"metric": (40.0, 80.0), "imperial": (25.0, 50.0)}


class Boundary(NamedTuple):
    """The g-g diagram of a kart at one speed on the flat; arrays (N,), axes ISO 8855."""

    ay: Array  #: lateral acceleration, positive left [m/s²]
    braking: Array  #: lowest dv/dt [m/s²]
    driving: Array  #: greatest dv/dt [m/s²]


def gg_boundary(kart: Kart, v: float, count: int = 181) -> Boundary:
    """Greatest and lowest dv/dt over lateral acceleration at speed ``v`` [m/s], flat ground, all drag included.

    Returns
    -------
    Boundary
        Arrays (count,).
    """
    numbers = kart_numbers(kart)
    share = np.sin(np.linspace(-0.5 * np.pi, 0.5 * np.pi, count))
    ay = share * numbers.mu_y * STANDARD_GRAVITY
    load = loads(numbers, v * v, ay / (v * v), FLAT)
    left_over = np.sqrt(np.maximum(1.0 - share * share, 0.0)) * load.normal
    power = max(float(drive_power(numbers, v)), 0.0) if v <= numbers.top_speed else 0.0
    drive = np.minimum(drive_friction(numbers, 1.0) * left_over, power / (numbers.mass * v))
    brake = -brake_friction(numbers, 1.0) * left_over
    return Boundary(ay, (brake - load.resistance) / numbers.inertia, (drive - load.resistance) / numbers.inertia)


#: Shares of top speed at which the g-g diagram is drawn.
GG_SPEEDS = (0.35, 0.65, 0.92)


def gg_outlines(kart: Kart, units: Units, grip: float = 1.0) -> tuple[tuple[str, Array], ...]:
    """The g-g diagram at three round speeds: each in words, and its driving and braking limits (2, 2, N) as lateral and
    longitudinal acceleration [m/s²].

    ``grip`` is a factor on the kart's [-].
    """
    held = replace(kart, mu_lateral=grip * kart.mu_lateral, mu_longitudinal=grip * kart.mu_longitudinal)
    top = top_speed(kart).v
    speeds = [max(round(share * top / units.speed / 5.0) * 5.0, 5.0) * units.speed for share in GG_SPEEDS]
    bounds = [gg_boundary(held, v) for v in speeds]
    return tuple(
        (units.speed_text(v, 0), np.array([[bound.ay, bound.driving], [bound.ay, bound.braking]]))
        for v, bound in zip(speeds, bounds)
    )


def straight_line_drive(kart: Kart, v: Array) -> Array:
    """Greatest dv/dt straight ahead on the flat at speeds ``v`` > 0 (N,) [m/s²]: grip or engine, less all drag."""
    one = pull(kart, v)
    return np.asarray((np.minimum(one.engine, one.tyres) - one.resistance) / (1.0 + kart.rotating_mass_factor))


def straight_line_braking(kart: Kart, v: float) -> float:
    """Greatest deceleration straight ahead on the flat at speed ``v`` [m/s], positive, drag included [m/s²]."""
    numbers = kart_numbers(kart)
    load = loads(numbers, v * v, 0.0, FLAT)
    return float((brake_friction(numbers, 1.0) * load.normal + load.resistance) / numbers.inertia)


class TopSpeed(NamedTuple):
    """Where a kart stops accelerating on a flat straight."""

    v: float  #: [m/s]
    limited_by: Literal["revs", "drag"]


def top_speed(kart: Kart) -> TopSpeed:
    """Highest speed held on the flat: where drive equals drag, or the rev limit if that comes first.

    Drive may meet drag more than once (a torque curve with a hole in it); the first time is meant, since a kart
    cannot accelerate past it.
    """
    top = drive_curve(kart.engine).top_speed
    v = np.linspace(0.5, top, 3001)
    spare = straight_line_drive(kart, v)
    short = np.flatnonzero(spare <= 0.0)
    if short.size == 0:
        return TopSpeed(float(top), "revs")
    if short[0] == 0:
        return TopSpeed(0.0, "drag")
    low, high = float(v[short[0] - 1]), float(v[short[0]])
    for _ in range(60):
        middle = 0.5 * (low + high)
        if straight_line_drive(kart, np.array([middle]))[0] > 0.0:
            low = middle
        else:
            high = middle
    return TopSpeed(0.5 * (low + high), "drag")


class DriveLines(NamedTuple):
    """Forces at the wheels by speed straight ahead on the flat at full throttle; arrays (N,)."""

    v: Array  #: [m/s]
    drive: Array  #: of the engine [N]
    resistance: Array  #: rolling and air [N]
    grip: float  #: what the driven tyres hold [N]
    gears: tuple[Array, ...]  #: of each gear, NaN where it does not pull [N]; empty with one
    top: TopSpeed


def drive_lines(kart: Kart, count: int = 600) -> DriveLines:
    """What pulls a kart and what holds it back, from a crawl to a little beyond its top speed."""
    numbers, top, curve = kart_numbers(kart), top_speed(kart), drive_curve(kart.engine)
    end = min(curve.top_speed, top.v * 1.12)
    v = np.linspace(0.02 * end, end, count)
    gears = []
    if isinstance(kart.engine, TorqueEngine) and len(kart.engine.ratios) > 1:
        for number, force in enumerate(gear_forces(kart.engine, v), start=1):
            engaged = float(road_speed(kart.engine, kart.engine.clutch_engagement, number))
            gears.append(np.where((force > 0.0) & ((v >= engaged) | (number == 1)), force, np.nan))
    return DriveLines(
        v=v,
        drive=drive_force(curve, v),
        resistance=loads(numbers, v * v, 0.0, FLAT).resistance * numbers.mass,
        grip=float(drive_friction(numbers, 1.0) * numbers.mass * STANDARD_GRAVITY),
        gears=tuple(gears),
        top=top,
    )


class Sprint(NamedTuple):
    """A standing start."""

    v: float  #: speed reached [m/s]
    t: float  #: [s]
    distance: float  #: [m]


def standing_start(kart: Kart, target: float) -> Sprint | None:
    """Time and distance from rest to ``target`` [m/s] on the flat; None where the kart does not get there."""
    if target >= top_speed(kart).v:
        return None
    v = np.linspace(0.0, target, 2001)
    ax = straight_line_drive(kart, np.maximum(v, 1e-3))
    return Sprint(target, float(np.trapezoid(1.0 / ax, v)), float(np.trapezoid(v / ax, v)))


@dataclass(frozen=True, kw_only=True, slots=True)
class KartFacts:
    """What a kart can do on flat ground.

    ``braking`` pairs speeds [m/s] with decelerations [g]; ``cornering`` is the lateral grip [g].
    """

    name: str
    description: str
    mass: float
    cornering: float
    braking: tuple[tuple[float, float], ...]
    top: TopSpeed
    peak_wheel_power: float
    peak_power_speed: float
    sprint: Sprint | None
    gears: int


def kart_facts(kart: Kart, units: Units = METRIC) -> KartFacts:
    """Collect a kart's facts; ``units`` only chooses the round speeds that are quoted."""
    numbers = kart_numbers(kart)
    top = top_speed(kart)
    v = np.linspace(0.5, float(min(numbers.top_speed, 1.5 * max(top.v, 1.0))), 2000)
    power = drive_power(numbers, v)
    quoted = [shown * units.speed for shown in BRAKING_SHOWN[units.name] if shown * units.speed < top.v]
    return KartFacts(
        name=kart.name,
        description=kart.description,
        mass=kart.mass,
        cornering=float(numbers.mu_y),
        braking=tuple((speed, straight_line_braking(kart, speed) / STANDARD_GRAVITY) for speed in quoted),
        top=top,
        peak_wheel_power=float(power.max()),
        peak_power_speed=float(v[int(np.argmax(power))]),
        sprint=standing_start(kart, SPRINT_SHOWN[units.name] * units.speed),
        gears=len(kart.engine.ratios) if isinstance(kart.engine, TorqueEngine) else 1,
    )


def kart_words(kart: Kart, units: Units = METRIC) -> list[str]:
    """The facts as plain sentences, for a terminal or a page."""
    facts = kart_facts(kart, units)
    brakes = "all four wheels" if kart.four_wheel_brakes else "the rear axle only"
    braking = " and ".join(f"{g:.2f} g at {units.speed_text(v, 0)}" for v, g in facts.braking)
    why = "where the engine reaches its rev limit" if facts.top.limited_by == "revs" else "where drag equals drive"
    words = [
        f"{facts.name}: {units.mass_text(facts.mass)} with driver.",
        f"Cornering: up to {facts.cornering:.2f} g.",
        f"Braking on {brakes}: up to {braking}." if braking else f"Brakes on {brakes}.",
        f"Power at the wheels: up to {units.power_text(facts.peak_wheel_power)}"
        + (f" through {facts.gears} gears." if facts.gears > 1 else "."),
        f"Top speed on the flat: {units.speed_text(facts.top.v)}, {why}.",
    ]
    if kart.axles is not None:
        words.append(_axle_words(kart, units))
    if facts.sprint is not None:
        run = facts.sprint
        reached = units.speed_text(run.v, 0)
        words.append(f"Standing start to {reached}: {run.t:.1f} s and {units.length_text(run.distance)}.")
    return words


def _axle_words(kart: Kart, units: Units) -> str:
    """What the axles give in corners of some radii, without the driver's share."""
    limits, steered = axle_limits(kart), least_radius(kart)
    shown = [
        f"{limits.cornering[at]:.2f} g on a radius of {units.length_text(limits.radii[at])}"
        for at in (0, limits.radii.size // 2, -1)
    ]
    turns = f" It turns on {units.length_text(steered, 1)} at least." if steered else ""
    return f"From its axles: {', '.join(shown[:-1])} and {shown[-1]}; laps are computed with the mean.{turns}"


def fitted_words(fitted: FittedKart, recordings: str, units: Units = METRIC) -> list[str]:
    """What a kart was fitted to and what the laps show, as plain sentences."""
    laps = "1 lap" if fitted.laps == 1 else f"{fitted.laps} laps"
    low, high = fitted.slowest, fitted.fastest
    speeds = [low + share * (high - low) for share in (0.1, 0.5, 0.9)]
    pulls = [f"{_shown(fitted.full_throttle(v), STANDARD_GRAVITY)} at {units.speed_text(v, 0)}" for v in speeds]
    power, top = fitted.power, fitted.top_speed
    soft = ": this driver never brakes to the limit, so the file keeps its share of the cornering grip"
    words = [
        f"Fitted to {laps} of {recordings}, from '{fitted.base.name}'. Nearest bundled class: {fitted.nearest}.",
        f"Cornering: {_shown(fitted.lateral)}, with what drivers keep in hand.",
        f"Braking grip: {_shown(fitted.braking)}{soft if fitted.braking.at_least else ''}.",
        f"Driving grip: {_shown(fitted.driving)}.",
        f"Full throttle gains {', '.join(pulls)}.",
        f"Both feet up it loses {_shown(fitted.roll_down(speeds[1]), STANDARD_GRAVITY)} at "
        f"{units.speed_text(speeds[1], 0)}.",
        f"Top speed: {'at least ' if top.at_least else ''}{units.speed_text(top.value.value or 0.0)}"
        + ("" if top.at_least else f" {plus_minus(top.value.sigma, 1, units.speed)}") + ".",
    ]  # fmt: skip
    if power.value is not None:
        words.append(f"The engine pulls {power.value:.2f} {plus_minus(power.sigma, 2)} times as hard as the file's.")
    return [
        *words,
        f"Misfit at full throttle: {fitted.misfit_ax / STANDARD_GRAVITY:.3f} g rms, of which the recording explains "
        f"{fitted.noise_ax / STANDARD_GRAVITY:.3f} g; the speed along each run {fitted.misfit_v:.2f} m/s rms.",
        PLUS_MINUS,
    ]


def _shown(shown: Shown, size: float = 1.0) -> str:
    """A figure in g with its interval, or as a lower bound."""
    value, sigma = shown.value.value or 0.0, shown.value.sigma or 0.0
    if shown.at_least:
        return f"at least {(value - TO_95 * sigma) / size:.2f} g"
    return f"{value / size:.2f} {plus_minus(sigma, 2, size)} g" + (
        " (mostly the kart file's)" if shown.origin == "kart file" else ""
    )
