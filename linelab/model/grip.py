"""The g-g diagram: what a kart can do at a speed on a surface, one source for arrays and for CasADi.

Every function below uses only ``+ - * /``, ``**`` and ``abs``, so the same code runs on floats, NumPy arrays
and CasADi expressions.  Axes follow ISO 8855 (x forward, y left).

References
----------
.. [1] R. N. Jazar, *Vehicle Dynamics: Theory and Application*, 3rd ed., Springer, 2017, ch. 2: load transfer under
   braking and acceleration, from which the rear-axle limits below follow.
.. [2] J. C. Dixon, *Tires, Suspension and Handling*, 2nd ed., SAE, 1996, ch. 2: friction ellipse.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from linelab.errors import KartError
from linelab.model.axles import axle_limits
from linelab.model.engine import KNOTS, drive_curve
from linelab.model.kart import TOP_SPEED, Kart, PowerEngine
from linelab.units import KMH, STANDARD_GRAVITY, Array

#: Half-width of the rounding of the drive curve's corners [m/s]: smooth for Newton steps; tests/model/test_engine.py
#: has what it adds to the power, most of it at a change of gear.
ROUNDING = 0.05

#: Rounding of the change from driving to braking, as a share of the longitudinal friction: takes less than 2e-4 of the
#: cornering grip, on the safe side.
PEDAL_ROUNDING = 0.013

#: Rounding of the driving limit where the front wheels lift, as a share of mu [-]: at most half of it is lost.
SHARE_ROUNDING = 0.01
#: Least value of 1 - mu·h/L that the driving limit is worked out with: the front wheels are off the ground long before.
LEAST_TRANSFER = 0.05

#: Friction of a kart with axles over its driving limit, at least [-]: the cut at all the weight takes 3e-4 there.
MOST_OF_FRICTION = 1.1

#: Engine braking is full at the top speed of the gearing, and at this speed where there is none [m/s].
HIGHEST_TOP = 60.0

#: Rounding of the ellipse's norm near no demand at all [g].
NORM_ROUNDING = 0.1
#: Rounding of the normal load where the kart takes off [g]: less than 1e-4 of the grip from half the kart's weight on.
LEAST_LOAD = 0.03
#: Share of the load at rest that a kart must keep over a crest: what the rounding leaves it with, rolling resistance
#: and air drag overcome.
LIGHTEST = 0.035


class KartNumbers(NamedTuple):
    """The kart as the numbers the limits need; floats, or CasADi symbols of the same meaning.

    Order and units are those of :func:`pack`.
    """

    mass: Any  #: [kg]
    mu_x: Any  #: longitudinal friction times the driver's share [-]
    mu_y: Any  #: lateral friction times the driver's share [-]
    rear_share: Any  #: [-]
    height_ratio: Any  #: cg_height/wheelbase [-]
    four_wheel: Any  #: 1 for four-wheel brakes, else 0
    drag: Any  #: rho·CdA/(2 m) [1/m]
    rolling_resistance: Any  #: [-]
    scrub: Any  #: [-]
    inertia: Any  #: 1 + rotating mass factor [-]
    braking: Any  #: factor on the braking limit: the driver's share, or braking grip looked at by itself [-]
    top_speed: Any  #: [m/s]
    power_at_zero: Any  #: [W]
    force_at_zero: Any  #: [N]
    knots: Any  #: (KNOTS,) [m/s]
    slope_changes: Any  #: (KNOTS,) [N]


#: Numbers before the drive curve's knots, and length of the flat parameter vector.
SCALARS = 14
SIZE = SCALARS + 2 * KNOTS


def kart_numbers(kart: Kart) -> KartNumbers:
    """Numbers of a kart; of one with axles, those that give the limits of its axles."""
    curve = drive_curve(kart.engine)
    share = kart.driver.grip_share
    numbers = KartNumbers(
        mass=kart.mass,
        mu_x=kart.mu_longitudinal * share,
        mu_y=kart.mu_lateral * share,
        rear_share=kart.rear_share,
        height_ratio=kart.cg_height / kart.wheelbase,
        four_wheel=1.0 if kart.four_wheel_brakes else 0.0,
        drag=0.5 * kart.air_density * kart.cda / kart.mass,
        rolling_resistance=kart.rolling_resistance,
        scrub=kart.scrub,
        inertia=1.0 + kart.rotating_mass_factor,
        braking=kart.driver.braking_share,
        top_speed=curve.top_speed,
        power_at_zero=curve.power_at_zero,
        force_at_zero=curve.force_at_zero,
        knots=curve.knots,
        slope_changes=curve.slope_changes,
    )
    return numbers if kart.axles is None else _of_axles(kart, numbers)


def _of_axles(kart: Kart, numbers: KartNumbers) -> KartNumbers:
    """The numbers with which :func:`brake_friction` and :func:`drive_friction` give the limits of the axles.

    Solved for what they hold the weight and its transfer to be: nothing that works out a lap needs to know where its
    limits come from.  Friction is set above the driving limit, which they cut off there.
    """
    limits, share = axle_limits(kart), kart.driver.grip_share
    brake, drive = limits.braking, limits.driving
    mu = max(kart.mu_longitudinal, MOST_OF_FRICTION * drive)
    if kart.four_wheel_brakes:
        rear_share, ratio, wheels = drive / mu, 0.0, (brake - drive) / (mu - drive)
    else:
        rear_share = 2.0 / (mu * (1.0 / brake + 1.0 / drive))
        ratio, wheels = 0.5 * rear_share * (1.0 / brake - 1.0 / drive), 0.0
    return numbers._replace(
        mu_x=mu * share, mu_y=limits.mu_y * share, rear_share=rear_share, height_ratio=ratio, four_wheel=wheels
    )


def pack(numbers: KartNumbers) -> Array:
    """Flat parameter vector (SIZE,) in the order of the fields."""
    return np.concatenate([np.atleast_1d(np.asarray(value, dtype=np.float64)) for value in numbers])


def unpack(vector: Any) -> KartNumbers:
    """Inverse of :func:`pack`; works on a CasADi vector of length SIZE as well."""
    scalars = [vector[i] for i in range(SCALARS)]
    return KartNumbers(*([*scalars, vector[SCALARS : SCALARS + KNOTS], vector[SCALARS + KNOTS : SIZE]]))


class Surface(NamedTuple):
    """The ground under the kart along its own path; floats, arrays or symbols."""

    slope: Any  #: [rad]
    bank: Any  #: [rad]
    vertical_curvature: Any  #: [1/m]
    grip: Any  #: factor on mu [-]


FLAT = Surface(slope=0.0, bank=0.0, vertical_curvature=0.0, grip=1.0)


def _sin(x: Any) -> Any:
    """Sine by its series (error below 2e-7 up to 0.35 rad, steeper than any track), plain arithmetic for CasADi."""
    x2 = x * x
    return x * (1.0 - x2 / 6.0 * (1.0 - x2 / 20.0))


def _cos(x: Any) -> Any:
    """Cosine by its series (error below 6e-9 up to 0.35 rad)."""
    x2 = x * x
    return 1.0 - x2 / 2.0 * (1.0 - x2 / 12.0 * (1.0 - x2 / 30.0))


class Loads(NamedTuple):
    """What a speed on a curve asks of the tyres, per unit mass."""

    normal: Any  #: normal load per mass [m/s²]
    lateral: Any  #: lateral tyre force per mass, positive left [m/s²]
    resistance: Any  #: air, rolling and scrub drag per mass [m/s²]
    climb: Any  #: g·sin(slope) [m/s²]


def loads(kart: KartNumbers, v2: Any, kappa: Any, surface: Surface) -> Loads:
    """Tyre loads of steady motion on a path (Newton's second law in the road's axes).

    Parameters
    ----------
    kart : KartNumbers
    v2 : speed squared [m²/s²]
    kappa : path curvature [1/m]
    surface : Surface

    Returns
    -------
    Loads
    """
    g = STANDARD_GRAVITY
    sin_bank, cos_bank = _sin(surface.bank), _cos(surface.bank)
    normal = g * _cos(surface.slope) * cos_bank + v2 * (kappa * sin_bank + surface.vertical_curvature)
    lateral = v2 * kappa * cos_bank - g * sin_bank
    resistance = kart.drag * v2 + kart.rolling_resistance * normal + kart.scrub * lateral * lateral / g
    return Loads(normal, lateral, resistance, g * _sin(surface.slope))


class LoadLines(NamedTuple):
    """:func:`loads` written out as polynomials in z = v², for a given path and surface.

    ``normal = n0 + n1 z``, ``lateral = b0 + b1 z``, ``resistance + climb = r0 + r1 z + r2 z²``.
    """

    n0: Any
    n1: Any
    b0: Any
    b1: Any
    r0: Any
    r1: Any
    r2: Any


def load_lines(kart: KartNumbers, kappa: Any, surface: Surface) -> LoadLines:
    """Coefficients of the loads in v² (tested against :func:`loads`)."""
    still = loads(kart, 0.0 * kappa, kappa, surface)
    b1 = kappa * _cos(surface.bank)
    n1 = kappa * _sin(surface.bank) + surface.vertical_curvature
    scrub = kart.scrub / STANDARD_GRAVITY
    return LoadLines(
        n0=still.normal,
        n1=n1,
        b0=still.lateral,
        b1=b1,
        r0=still.resistance + still.climb,
        r1=kart.drag + kart.rolling_resistance * n1 + 2.0 * scrub * still.lateral * b1,
        r2=scrub * b1 * b1,
    )


def brake_friction(kart: KartNumbers, grip: Any) -> Any:
    """Braking limit over normal load [-]: ``mu f/(1 + mu h/L)`` on the rear axle, ``mu`` on four wheels."""
    mu = kart.mu_x * grip
    rear = mu * kart.rear_share / (1.0 + mu * kart.height_ratio)
    return kart.braking * (kart.four_wheel * mu + (1.0 - kart.four_wheel) * rear)


def drive_friction(kart: KartNumbers, grip: Any) -> Any:
    """Driving limit over normal load [-]: ``mu f/(1 - mu h/L)``, at most ``mu`` (all the weight on the rear axle).

    The corner where the front wheels lift is rounded over SHARE_ROUNDING, for Newton's sake.
    """
    mu = kart.mu_x * grip
    # Past the grip that lifts the front wheels the transfer may be anything; past mu·h/L = 1 it would change its sign.
    transfer = 1.0 - mu * kart.height_ratio - LEAST_TRANSFER
    transfer = LEAST_TRANSFER + 0.5 * (transfer + (transfer * transfer + SHARE_ROUNDING**4) ** 0.5)
    lifted = 1.0 - kart.rear_share / transfer
    return mu * (1.0 - 0.5 * (lifted + (lifted * lifted + SHARE_ROUNDING**2) ** 0.5))


def tyre_longitudinal(kart: KartNumbers, load: Loads, ax: Any) -> Any:
    """Longitudinal tyre force per mass for an acceleration ``ax`` = dv/dt [m/s²]; negative when braking."""
    return kart.inertia * ax + load.climb + load.resistance


def grip_excess(kart: KartNumbers, load: Loads, ax_tyre: Any, grip: Any) -> Any:
    """How far outside the friction ellipse: the norm of ``(ax/mu_x, ay/mu_y)`` less ``gn``, in g [-]; <= 0 is held.

    A norm, not its square: far outside the ellipse it grows linearly, which keeps Newton steps sound; both terms are
    rounded by NORM_ROUNDING alike, which leaves the limit itself exact.

    Braking and driving have their own longitudinal limit.  The change between them is rounded over PEDAL_ROUNDING:
    without it Newton steps cycle between two curvatures where a kart corners with neither pedal.

    Over a crest that throws the kart off the ground the load is negative and nothing holds: its positive part counts,
    rounded over LEAST_LOAD, and below it the excess goes on growing, so that Newton steps find their way down.
    """
    rounding = PEDAL_ROUNDING * STANDARD_GRAVITY * kart.mu_x * grip
    size = (ax_tyre * ax_tyre + rounding * rounding) ** 0.5
    drive = 0.5 * (size + ax_tyre) / drive_friction(kart, grip)
    brake = 0.5 * (size - ax_tyre) / brake_friction(kart, grip)
    side = load.lateral / (kart.mu_y * grip)
    demand = (drive * drive + brake * brake + side * side) / STANDARD_GRAVITY**2
    normal = load.normal / STANDARD_GRAVITY
    pressed = 0.5 * (normal + (normal * normal + LEAST_LOAD**2) ** 0.5)
    # The second term pulls down a flying kart, and takes back what the rounding gave the others.
    supply = (pressed * pressed + NORM_ROUNDING**2) ** 0.5 - (pressed - normal) / (1.0 + NORM_ROUNDING**2) ** 0.5
    return (demand + NORM_ROUNDING**2) ** 0.5 - supply


def grip_share(kart: KartNumbers, load: Loads, ax_tyre: Array, grip: Array | float) -> Array:
    """Share of the g-g diagram that a motion uses [-]: 1 on the friction ellipse of :func:`grip_excess`, without its
    roundings; arguments as there, arrays alike.

    A share of the tyres' grip: full power on a straight uses little of it.
    """
    along = np.where(ax_tyre > 0.0, ax_tyre / drive_friction(kart, grip), ax_tyre / brake_friction(kart, grip))
    return np.asarray(np.hypot(along, load.lateral / (kart.mu_y * grip)) / load.normal)


def used_knots(kart: KartNumbers) -> int:
    """How many knots of the drive curve change its slope, rounded up to a multiple of four."""
    return -(-int(np.count_nonzero(kart.slope_changes)) // 4) * 4


def drive_power(kart: KartNumbers, v: Any, knots: int = KNOTS) -> Any:
    """Greatest wheel power at speed v, its corners rounded over ROUNDING, by its first ``knots`` knots [W]."""
    power = kart.power_at_zero + kart.force_at_zero * v
    for i in range(knots):
        past = v - kart.knots[i]
        power = power + kart.slope_changes[i] * 0.5 * (past + (past * past + ROUNDING**2) ** 0.5)
    return power


def power_slope(kart: KartNumbers, v: Any, knots: int = KNOTS) -> Any:
    """Derivative of :func:`drive_power` by speed [N]."""
    slope = kart.force_at_zero
    for i in range(knots):
        past = v - kart.knots[i]
        slope = slope + kart.slope_changes[i] * 0.5 * (1.0 + past / (past * past + ROUNDING**2) ** 0.5)
    return slope


def closed_throttle(kart: Kart, v: Array | float) -> Array:
    """What the closed throttle holds a kart back by, per unit mass, positive [m/s²]."""
    top = min(float(kart_numbers(kart).top_speed), HIGHEST_TOP)
    return np.asarray(kart.engine_braking * np.minimum(np.asarray(v, dtype=np.float64) / top, 1.0))


def roll_down(kart: Kart, v: Array | float, kappa: Array | float = 0.0, surface: Surface = FLAT) -> Array:
    """Deceleration with the throttle closed and the brake off [m/s²].

    Air, rolling and scrub of the cornering, the closed throttle and the climb; negative where a descent outdoes them.

    Parameters
    ----------
    kart : Kart
    v : array
        Speed [m/s].
    kappa : array
        Path curvature, of any shape that goes with the speed's [1/m].
    surface : Surface
        Likewise.
    """
    numbers = kart_numbers(kart)
    speed = np.asarray(v, dtype=np.float64)
    load = loads(numbers, speed * speed, kappa, surface)
    return np.asarray((load.resistance + load.climb + closed_throttle(kart, speed)) / numbers.inertia)


#: A kart that has less than this left to accelerate with at walking pace does not get away: level roads climb 1 %
#: in places [m/s²].
LEAST_SPARE = 0.1


class Pull(NamedTuple):
    """What moves a kart straight on and what holds it back, per unit mass, of the shape of the speeds [m/s²]."""

    engine: Array  #: full throttle
    tyres: Array  #: what the driven tyres pass on
    resistance: Array  #: air, rolling and climb


def pull(kart: Kart, v: Array, surface: Surface = FLAT) -> Pull:
    """Drive and resistance straight ahead at speeds ``v`` > 0 (any shape) [m/s]."""
    numbers = kart_numbers(kart)
    load = loads(numbers, v * v, 0.0, surface)
    engine = np.where(v <= numbers.top_speed, np.maximum(drive_power(numbers, v), 0.0) / (numbers.mass * v), 0.0)
    return Pull(engine, drive_friction(numbers, surface.grip) * load.normal, load.resistance + load.climb)


def stuck_error(kart: Kart, v: float, surface: Surface = FLAT, where: str = "") -> KartError:
    """Why a kart does not get on at ``v`` [m/s], naming the field that limits it most."""
    one = pull(kart, np.asarray(v), surface)
    engine, tyres, resistance = (kart.mass * float(value) for value in one)
    if tyres < engine:
        field, what = "tyres.mu_longitudinal", f"the driven tyres transmit {tyres:.0f} N"
    elif isinstance(kart.engine, PowerEngine):
        capped = kart.engine.max_force is not None and kart.engine.max_force * v < kart.engine.power
        field, what = f"simple_drive.{'max_force_n' if capped else 'power_kw'}", f"the engine pulls with {engine:.0f} N"
    else:
        field, what = "engine.torque_nm", f"the engine pulls with {engine:.0f} N"
    rolling = kart.mass * kart.rolling_resistance * STANDARD_GRAVITY
    against = "tyres.rolling_resistance" if rolling > 0.5 * resistance else "the slope and air.cda_m2"
    return KartError(
        f"the kart does not get going: at {v / KMH:.1f} km/h {what}, rolling, air and climb take {resistance:.0f} N "
        f"and a slope of 1 % {0.01 * STANDARD_GRAVITY * kart.mass:.0f} N",
        field=field,
        where=where,
        remedy=f"Check it and {against}"
        + (", and the ratios" if field.startswith("engine") else "")
        + ("" if surface.grip == 1.0 else f"; the grip there is {surface.grip:.2g} of the kart's"),
    )


def require_going(kart: Kart) -> None:
    """Refuse a kart that does not get up to the lowest top speed on a level road at full grip.

    Raises
    ------
    KartError
        Naming the field.
    """
    v = np.linspace(0.5, TOP_SPEED.low, 60)
    one = pull(kart, v)
    spare = np.minimum(one.engine, one.tyres) - one.resistance
    at = int(np.argmin(spare))
    if spare[at] < LEAST_SPARE:
        raise stuck_error(kart, float(v[at]))
