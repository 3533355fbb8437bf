"""Limits of the point mass from the loads of its four wheels: an optional layer below :mod:`linelab.model.grip`.

A kart with :class:`~linelab.model.kart.Axles` has no cornering, braking and driving limits of its own.  They are worked
out here, once per kart: the greatest lateral acceleration at which it can turn steadily on a level road while its tyres
also brake or drive.  The result is three numbers of the same friction ellipse, so nothing that computes laps knows of
the axles.

The relations are quasi-steady (L wheelbase, h height of the centre of gravity, R radius):

* Along: the force m·ax of the tyres moves m·ax·h/L from the front axle to the rear [1]_, ch. 1.
* Across: both axles carry the moment m·ay·h, the front its share of the roll stiffness [2]_, ch. 18.  A kart has no
  suspension: its frame and tyres are the springs, and there is no roll centre above the road.
* Steering unloads the inside rear wheel: caster and the offset of the kingpins press the inside front wheel down and
  raise the outside one, and the frame passes that on.  *Assumed*: the load is proportional to the steering angle, taken
  as atan(L/R); the two axles still carry m·ay·h.  A wheel without load is in the air, and the other axle carries the
  rest.
* Tyres: friction falls linearly with load [2]_, ch. 2.  Force grows with combined slip as in the isotropic brush model,
  mu·F·(1 - (1 - u)³) with u the slip over that at which all of the tyre slides, and points against the slip [3]_,
  ch. 3.
* The solid rear axle turns both wheels at one speed, on radii that differ by the track width t: their slips along
  differ by t/R.  The moment of these forces turns the kart out of the corner, until the inside wheel is in the air.
  Lot & Dal Bianco [4]_ treat both effects.
* Steady turning: forces across add up to m·ay, and yaw moments to zero [1]_, ch. 6.

[1]_ to [4]_ are named from memory, without their page numbers.

What the layer does not know: the drag of the front tyres (it is in the file's ``scrub``), what turned front forces lose
and their moment by the front track, tyre temperature, camber and pressure, the yaw inertia of turning in, a driver who
leans, and how a frame's stiffness makes roll share and jacking.  These two numbers are assumptions until measured.
The ellipse is rounder than the four wheels' diagram: with rear brakes a kart can corner harder at half of the braking
than the ellipse says (tests/model/test_axles.py has figures).

References
----------
.. [1] T. D. Gillespie, *Fundamentals of Vehicle Dynamics*, SAE, 1992.
.. [2] W. F. Milliken & D. L. Milliken, *Race Car Vehicle Dynamics*, SAE, 1995.
.. [3] H. B. Pacejka, *Tyre and Vehicle Dynamics*, Butterworth-Heinemann, 2002.
.. [4] R. Lot & N. Dal Bianco, "Lap time optimisation of a racing go-kart", Vehicle System Dynamics 54(2), 2016.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from linelab.arrays import frozen_array
from linelab.errors import KartError, check_kinds
from linelab.model.engine import drive_curve, wheel_power
from linelab.model.kart import KART_BOUNDS, Axles, Kart
from linelab.model.lap import Line
from linelab.units import STANDARD_GRAVITY, Array

#: Radii of the corners whose limits are averaged: a hairpin to a fast bend, evenly by their logarithm [m].
RADII = np.geomspace(6.0, 48.0, 9)
#: Shares of the greatest driving that the driving limit is fitted at.
SHARES = np.array([0.25, 0.5, 0.75, 1.0])
#: Largest share of the straight-line limit that a corner is driven out with in that fit.
MOST_DRIVE = 0.9
#: A tyre keeps at least this share of its friction however heavily it is loaded: the linear law ends there.
LEAST_FRICTION = 0.3
#: Largest slip along of the rear axle that is looked for, over the one at which a tyre slides [-].
MOST_SLIP = 4.0
#: Rear tyres' share of the load for which :func:`with_axles` takes them: usual tyres are 7.1 and 4.5 inches wide
#: (*memory*).
REAR_TYRES = 7.1 / (7.1 + 4.5)
#: Radius on which the inside rear wheel of its karts just leaves the road at the limit [m].  Karts are set up to lift
#: it in corners (*common practice*); in which is *assumed*, knowing that the best weight share moves with it (for
#: the senior kart 0.59 with 10 m, 0.605 with 12 m) and that karts have 0.57 to 0.6.
LIFTS_ON = 12.0


class Wheels(NamedTuple):
    """Vertical loads [N], arrays of one shape."""

    front_inside: Array
    front_outside: Array
    rear_inside: Array
    rear_outside: Array


class SteadyTurn(NamedTuple):
    """How a kart goes round at the acceleration across that was asked for; arrays of one shape."""

    margin: Array  #: what is left of the weaker axle's lateral force, negative where it cannot [N]
    rear_slip: Array  #: slip angle of the rear tyres, at most the sliding slip [rad]
    yaw_moment: Array  #: of the rear axle's longitudinal forces, positive into the turn [N·m]
    loads: Wheels


class AxleLimits(NamedTuple):
    """What the axles make of a kart, without the driver's share."""

    radii: Array  #: (N,) [m]
    cornering: Array  #: (N,) greatest lateral acceleration without pedals [g]
    mu_y: float  #: their mean [-]
    braking: float  #: straight ahead, tyre force over weight [-]
    driving: float  #: of the ellipse that fits the corners driven out of, at most that straight ahead [-]


def wheel_loads(kart: Kart, axles: Axles, radius: Array, ax: Array, ay: Array) -> Wheels:
    """Vertical loads in a corner.

    Parameters
    ----------
    kart, axles : Kart, Axles
    radius : array
        Of the corner [m].
    ax, ay : array
        Tyre forces over mass along (driving positive) and to the inside [m/s²].
    """
    weight, height = kart.mass * STANDARD_GRAVITY, kart.cg_height
    moved = kart.mass * ax * height / kart.wheelbase
    front = np.clip(weight * (1.0 - kart.rear_share) - moved, 0.0, weight)
    rear = weight - front
    moment = kart.mass * ay * height
    lifted = axles.jacking * np.arctan(kart.wheelbase / radius)
    across = (1.0 - axles.front_roll_share) * moment / axles.track_width_rear + lifted
    across = np.minimum(across, 0.5 * rear)
    ahead = (moment - across * axles.track_width_rear) / axles.track_width_front
    ahead = np.clip(ahead, -0.5 * front, 0.5 * front)
    across = (moment - ahead * axles.track_width_front) / axles.track_width_rear
    across = np.minimum(across, 0.5 * rear)
    return Wheels(0.5 * front - ahead, 0.5 * front + ahead, 0.5 * rear - across, 0.5 * rear + across)


def _hold(axles: Axles, load: Array, usual: float) -> Array:
    """Load times the friction that it leaves of 1 [N]."""
    return np.asarray(np.maximum(1.0 - axles.load_sensitivity * (load / usual - 1.0), LEAST_FRICTION) * load)


def _front_hold(axles: Axles, loads: Wheels) -> Array:
    return _hold(axles, loads.front_inside, axles.front_tyre_load) + _hold(
        axles, loads.front_outside, axles.front_tyre_load
    )


class _Rear(NamedTuple):
    """Forces of the rear axle [N], its yaw moment [N·m]."""

    along: Array
    across: Array
    moment: Array


def _rear(kart: Kart, axles: Axles, loads: Wheels, radius: Array, angle: Array, slip: Array) -> _Rear:
    """Rear axle at a slip angle [rad] and a mean slip along, driving positive."""
    apart = 0.5 * axles.track_width_rear / radius
    along, across = [], []
    for load, own in ((loads.rear_inside, slip + apart), (loads.rear_outside, slip - apart)):
        combined = np.maximum(np.hypot(angle, own), 1e-12)
        adhering = 1.0 - np.minimum(combined / axles.sliding_slip, 1.0)
        force = (1.0 - adhering**3) * _hold(axles, load, axles.rear_tyre_load) / combined
        along.append(kart.mu_longitudinal * force * own)
        across.append(kart.mu_lateral * force * angle)
    moment = 0.5 * axles.track_width_rear * (along[1] - along[0])
    return _Rear(along[0] + along[1], across[0] + across[1], moment)


def _crossing(rising: Callable[[Array], Array], low: Array, high: Array, rounds: int) -> Array:
    """Where a rising function crosses zero, element by element; an end of the interval where it does not.

    T. R. Chandrupatla's method (Advances in Engineering Software 28(3), 1997): inverse quadratic steps where they are
    safe, else halving.
    """
    last, other = low, high
    f_last, f_other = rising(last), rising(other)
    outside, ends = [f_last >= 0.0, f_other <= 0.0], [low, high]
    t = np.full_like(low, 0.5)
    with np.errstate(divide="ignore", invalid="ignore"):
        for _ in range(rounds):
            at = last + t * (other - last)
            value = rising(at)
            same = (value < 0.0) == (f_last < 0.0)
            third, f_third = np.where(same, last, other), np.where(same, f_last, f_other)
            other, f_other = np.where(same, other, last), np.where(same, f_other, f_last)
            last, f_last = at, value
            xi, phi = (last - other) / (third - other), (value - f_other) / (f_third - f_other)
            t = value / (f_other - value) * f_third / (f_other - f_third) + (third - last) / (other - last) * value / (
                f_third - value
            ) * f_other / (f_third - f_other)
            safe = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi) & (t > 0.0) & (t < 1.0)
            t = np.where(safe, t, 0.5)
    return np.select(outside, ends, np.where(abs(f_last) < abs(f_other), last, other))


def steady_turn(kart: Kart, axles: Axles, radius: Array, ax: Array, ay: Array) -> SteadyTurn:
    """Steady turning at given accelerations; arguments as for :func:`wheel_loads`, arrays of one shape."""
    loads = wheel_loads(kart, axles, radius, ax, ay)
    force = kart.mass * ax
    # Four-wheel brakes: ideal, each axle by its load, as in the grip without axles.
    share = (loads.front_inside + loads.front_outside) / (kart.mass * STANDARD_GRAVITY)
    ahead = np.where(ax < 0.0, share * force, 0.0) if kart.four_wheel_brakes else np.zeros_like(force)
    needed = kart.mass * ay * kart.rear_share

    def rear_at(angle: Array) -> _Rear:
        def more(slip: Array) -> Array:
            return _rear(kart, axles, loads, radius, angle, slip).along - (force - ahead)

        most = np.full_like(force, MOST_SLIP * axles.sliding_slip)
        return _rear(kart, axles, loads, radius, angle, _crossing(more, -most, most, ROUNDS))

    def spare(angle: Array) -> Array:
        rear = rear_at(angle)
        return rear.across - rear.moment / kart.wheelbase - needed

    most = np.full_like(force, axles.sliding_slip)
    angle = _crossing(spare, np.zeros_like(force), most, ROUNDS)
    rear, hold = rear_at(angle), _front_hold(axles, loads)
    used = ahead / np.maximum(kart.mu_longitudinal * hold, 1e-9)
    front = kart.mu_lateral * hold * np.sqrt(np.maximum(1.0 - used * used, 0.0))
    left = front - (kart.mass * ay * (1.0 - kart.rear_share) - rear.moment / kart.wheelbase)
    return SteadyTurn(np.minimum(left, spare(most)), angle, rear.moment, loads)


#: Rounds of the inner roots, and of the outer one.
ROUNDS = 8
OUTER_ROUNDS = 18


def greatest_lateral(kart: Kart, axles: Axles, radius: Array, ax: Array) -> Array:
    """Greatest lateral acceleration in corners (any shape, as ``ax``) that the kart holds steadily [m/s²].

    At most what tips it over.
    """
    loads = wheel_loads(kart, axles, radius, ax, np.zeros_like(ax))
    front, rear = loads.front_inside + loads.front_outside, loads.rear_inside + loads.rear_outside
    tips = 0.5 * (front * axles.track_width_front + rear * axles.track_width_rear) / (kart.mass * kart.cg_height + 1e-9)
    most = np.minimum(tips, 2.0 * kart.mu_lateral * STANDARD_GRAVITY)
    return _crossing(lambda ay: -steady_turn(kart, axles, radius, ax, ay).margin, np.zeros_like(ax), most, OUTER_ROUNDS)


def straight_line(kart: Kart, axles: Axles, direction: float) -> float:
    """Greatest tyre force over weight straight ahead, driving (1) or braking (-1) [-]."""
    none, straight = np.zeros(1), np.full(1, np.inf)

    def short(a: Array) -> Array:
        loads = wheel_loads(kart, axles, straight, direction * a * STANDARD_GRAVITY, none)
        hold = 2.0 * _hold(axles, loads.rear_inside, axles.rear_tyre_load)
        if direction < 0.0 and kart.four_wheel_brakes:
            hold = hold + _front_hold(axles, loads)
        return a * kart.mass * STANDARD_GRAVITY - kart.mu_longitudinal * hold

    return float(_crossing(short, none, np.full(1, 2.0 * kart.mu_longitudinal), 60)[0])


@lru_cache(maxsize=64)
def axle_limits(kart: Kart) -> AxleLimits:
    """Limits of a kart with axles, for the friction ellipse.

    Cornering is the mean over RADII without pedals; braking is straight ahead.  Driving is the ellipse's axis that fits
    the lateral limits while driving, over the accelerations that the engine reaches in these corners, by least squares;
    it takes nothing from what the engine may pull straight ahead.

    Raises
    ------
    KartError
        The kart has no axles, or cannot turn with them.
    """
    axles = kart.axles
    if axles is None:
        raise KartError("this kart has no axles", field="kart.axles", remedy="Give it some: linelab.with_axles")
    none = np.zeros_like(RADII)
    free = greatest_lateral(kart, axles, RADII, none)
    if not free.min() > LEAST_CORNERING * STANDARD_GRAVITY:
        raise KartError(
            f"with these axles the kart cannot turn on a radius of {RADII[int(np.argmin(free))]:.0f} m",
            field="axles",
            remedy="Check the loads, the track widths and the jacking: the solid rear axle holds it straight",
        )
    braking, driving = (straight_line(kart, axles, direction) for direction in (-1.0, 1.0))
    v = np.sqrt(free * RADII)
    curve = drive_curve(kart.engine)
    engine = _pull(kart, np.minimum(v, curve.top_speed))
    hardest = float(_pull(kart, np.linspace(0.5, curve.top_speed, 400)).max())
    ax = SHARES[:, None] * np.minimum(engine, MOST_DRIVE * driving)
    left = greatest_lateral(kart, axles, np.broadcast_to(RADII, ax.shape), ax * STANDARD_GRAVITY) / free
    taken = float(np.sum(ax**2 * (1.0 - left**2)) / np.sum(ax**4))
    return AxleLimits(
        frozen_array("AxleLimits", "radii", RADII, shape=(None,)),
        frozen_array("AxleLimits", "cornering", free / STANDARD_GRAVITY, shape=(None,)),
        float(free.mean()) / STANDARD_GRAVITY,
        braking,
        min(max(max(taken, driving**-2) ** -0.5, hardest), driving),
    )


def _pull(kart: Kart, v: Array) -> Array:
    """The engine's force over weight [-]."""
    power = np.maximum(wheel_power(drive_curve(kart.engine), v), 0.0)
    return np.asarray(power / (kart.mass * STANDARD_GRAVITY * v))


#: A kart that corners with less is refused [g].
LEAST_CORNERING = 0.1


def least_radius(kart: Kart) -> float:
    """Smallest radius that the front wheels steer [m]: wheelbase over tan of their greatest angle; 0 for no limit."""
    steer = None if kart.axles is None else kart.axles.max_steer
    return 0.0 if steer is None else kart.wheelbase / math.tan(steer)


class TooTight(NamedTuple):
    """Where a line is tighter than the front wheels steer."""

    station: float  #: [m]
    radius: float  #: of the line there [m]
    least: float  #: that the kart can turn on [m]


def too_tight(kart: Kart, line: Line) -> TooTight | None:
    """The tightest place of a line, if the kart cannot turn as tightly; None elsewhere."""
    at = int(np.argmax(np.abs(line.kappa)))
    sharpest, least = abs(float(line.kappa[at])), least_radius(kart)
    return TooTight(float(line.s[at]), 1.0 / sharpest, least) if sharpest * least > 1.0 else None


def with_axles(kart: Kart) -> Kart:
    """A kart with axles that corners as it did without: a start for one whose axles are not known.

    Its tyres are chosen for its weight as it stands, their loads in the ratio of the usual tyres' widths; its jacking
    lifts the inside rear wheel at the limit on a radius of 12 m.  The frictions are raised until the kart corners and
    brakes as before, since they now belong to one tyre and not to the whole kart.  Change weight, height or axles of
    the result, not of the kart given.

    Parameters
    ----------
    kart : Kart
        Without axles.

    Returns
    -------
    Kart

    Raises
    ------
    KartError
        It has axles already, or would need tyres beyond what a kart may have.
    InputError
        Another type.

    References
    ----------
    :mod:`linelab.model.axles`; the ratio of the widths and the radius are assumptions.

    Examples
    --------
    >>> import dataclasses, linelab
    >>> kart = linelab.with_axles(linelab.load_kart("senior-single-speed"))
    >>> heavier = dataclasses.replace(kart, mass=kart.mass + 5.0)
    """
    check_kinds("with_axles", kart=(kart, Kart))
    if kart.axles is not None:
        raise KartError(
            "this kart has axles already", field="kart.axles", remedy="Change those with dataclasses.replace"
        )
    weight = kart.mass * STANDARD_GRAVITY
    usual = Axles()
    rolls = (1.0 - usual.front_roll_share) * weight * kart.mu_lateral * kart.cg_height / usual.track_width_rear
    axles = Axles(
        front_tyre_load=0.5 * weight * (1.0 - REAR_TYRES),
        rear_tyre_load=0.5 * weight * REAR_TYRES,
        jacking=max(0.5 * weight * kart.rear_share - rolls, 0.0) / math.atan(kart.wheelbase / LIFTS_ON),
    )
    # Where load does not matter a pair of wheels brakes as the point mass does.
    braking = straight_line(kart, replace(axles, load_sensitivity=0.0), -1.0)
    across, along, bound = kart.mu_lateral, kart.mu_longitudinal, KART_BOUNDS["mu_lateral"]
    made = replace(kart, axles=axles)
    for _ in range(SCALINGS):
        across *= kart.mu_lateral / axle_limits(made).mu_y
        along *= braking / straight_line(made, axles, -1.0)
        if not bound.low <= min(across, along) <= max(across, along) <= bound.high:
            raise KartError(
                f"its tyres would need a friction of {max(across, along):.2f}",
                field="kart.mu_lateral",
                remedy=f"Friction may be {bound.low:g} to {bound.high:g} ({bound.why})",
            )
        made = replace(made, mu_lateral=across, mu_longitudinal=along)
    return made


#: Rounds in which :func:`with_axles` finds the frictions: the limits are nearly in proportion to them.
SCALINGS = 6
