"""How far a kart's speed can go over one short interval: the step of the forward and backward passes.

With z = v² the passes solve dz/ds = 2·a from node to node, a the greatest acceleration (forwards) or deceleration
(backwards) within the friction ellipse.  The step is the implicit two-step Adams-Moulton rule of third order: a runs
as a parabola through the last two nodes and the one to be reached.  There, with F the tyre force over
mass and rotating parts, R the resistance and W the rule's weight,

    (ρF)² + (b0 + b1·(K + W·(F - R)))² = (mu_y·gn)²,   ρ = (1 + rotating mass factor)·mu_y/mu_x,

is a quadratic equation in F, solved in closed form; only gn and R are taken at a predicted speed.  The lateral force
enters implicitly because near an apex a falls with the square root of what is left of it, where explicit steps fail.
Plain arithmetic plus the functions of :class:`Calculus`: one code for arrays and for CasADi.

References
----------
.. [1] E. Hairer, S. P. Nørsett & G. Wanner, *Solving Ordinary Differential Equations I*, 2nd ed., Springer, 1993,
   III.1 and III.5: implicit Adams methods, and their weights for unequal steps.
.. [2] J. E. Bobrow, S. Dubowsky & J. S. Gibson, "Time-optimal control of robotic manipulators along specified paths",
   Int. J. Robotics Research 4(3), 1985: the forward and backward construction.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from linelab.grip import KartNumbers, Surface, brake_friction, drive_friction, load_lines
from linelab.units import STANDARD_GRAVITY, Array

#: Lowest speed the passes consider [m/s]: below it a point mass says nothing about a kart.
CREEP = 0.3

#: A step that is longer than the one before by more than this falls back to the trapezoidal rule [-].
LONGEST_RATIO = 4.0


class Calculus(NamedTuple):
    """The functions that arrays and CasADi spell differently."""

    least: Callable[[Any, Any], Any]
    greatest: Callable[[Any, Any], Any]
    root: Callable[[Any], Any]
    where: Callable[[Any, Any, Any], Any]


ARRAYS = Calculus(np.minimum, np.maximum, np.sqrt, np.where)


class Node(NamedTuple):
    """What a node asks of the tyres and gives them, per unit mass, as polynomials in z = v².

    None stands for a zero that is not worth computing: on level ground ``b0`` and ``hold1``.
    """

    b0: Any  #: lateral tyre force b0 + b1·z [m/s²]
    b1: Any  #: [1/m]
    hold0: Any  #: lateral force that the tyres hold, hold0 + hold1·z [m/s²]
    hold1: Any  #: [1/m]
    r0: Any  #: resistance and climb over (1 + rotating mass factor), r0 + r1·z + r2·z² [m/s²]
    r1: Any  #: [1/m]
    r2: Any  #: [s²/m³]
    drive: Any  #: 1/ρ while driving [-]
    brake: Any  #: 1/ρ while braking [-]


class Step(NamedTuple):
    """Length of a step [m] and what the rule needs of the one before it (:func:`weights`)."""

    h: Any
    ratio: Any
    extra: Any


class Driving(NamedTuple):
    """State of the forward pass: acceleration by the engine, grip left beside it, and their last changes [m/s²]."""

    engine: Any
    spare: Any
    engine_change: Any
    spare_change: Any


class Braking(NamedTuple):
    """State of the backward pass: deceleration and its last change [m/s²]."""

    slow: Any
    change: Any


def nodes_on(kart: KartNumbers, kappa: Array, surface: Surface) -> Node:
    """Coefficients of nodes from the path's curvature [1/m] and surface; arrays of one shape."""
    load = load_lines(kart, kappa, surface)
    side = kart.mu_y * surface.grip
    across = side * kart.inertia
    return Node(
        load.b0,
        load.b1,
        side * load.n0,
        side * load.n1,
        load.r0 / kart.inertia,
        load.r1 / kart.inertia,
        load.r2 / kart.inertia,
        drive_friction(kart, surface.grip) / across,
        brake_friction(kart, surface.grip) / across,
    )


def level_node(kart: KartNumbers, grip: float) -> Node:
    """Node of a straight on level ground with this factor on mu, all numbers, for :func:`on_level`."""
    zero = np.zeros(1)
    one = nodes_on(kart, zero, Surface(slope=zero, bank=zero, vertical_curvature=zero, grip=zero + grip))
    numbers = [float(field[0]) for field in one]
    scrub = float(kart.scrub) / STANDARD_GRAVITY / float(kart.inertia)
    return Node(*numbers)._replace(b0=None, hold1=None, r2=scrub)


def on_level(level: Node, kappa: Array) -> Node:
    """:func:`nodes_on` level ground, everything but b1 and r2 a number."""
    return level._replace(b1=kappa, r2=level.r2 * kappa * kappa)


def weights(h: Array, before: Array) -> Step:
    """Steps of length ``h`` after steps of length ``before`` (any shape), 0 for none [m].

    A step is the trapezoidal rule when there was none before it, or a much shorter one.
    """
    known = h <= LONGEST_RATIO * before
    ratio = np.divide(h, before, out=np.zeros(h.shape), where=known & (before > 0.0))
    return Step(h, ratio, h * ratio / (3.0 + 3.0 * ratio))


def start_driving(node: Node, z: Any, push: Callable[[Any], Any], use: Calculus) -> Driving:
    """State of the forward pass at its first node, passed at ``z`` = v²."""
    engine = push(z)
    force = _held(node, node.drive, z, use)
    return Driving(engine - _resistance(node, z), force - engine, 0.0 * z, 0.0 * z)


def start_braking(node: Node, z: Any, use: Calculus) -> Braking:
    """State of the backward pass at its first node, the last of the line."""
    return Braking(_held(node, node.brake, z, use) + _resistance(node, z), 0.0 * z)


def drive_on(
    z: Any, state: Driving, step: Step, node: Node, limit: Any, push: Callable[[Any], Any], use: Calculus
) -> tuple[Any, Driving]:
    """Greatest v² at ``node``, a step after ``z``, and the state there; the caller holds it to ``limit``.

    Engine and grip are integrated separately, and where the weaker of the two changes within the step the kink is cut
    off.  Where even rolling would leave the ellipse, rolling is what is returned: the limit holds there.
    """
    h, ratio, extra = step
    engine, spare = state.engine, state.spare
    more_engine, more_spare = state.engine_change * ratio, state.spare_change * ratio
    rate = engine + engine + more_engine + use.least(spare + spare + more_spare, 0.0)
    middle = use.greatest(use.least(z + h * rate, limit), CREEP**2)
    resist = _resistance(node, middle)
    weight, other = h - extra, h + extra
    by_engine = z + other * engine + extra * more_engine
    left = other * spare + extra * more_spare
    force = _ellipse_force(node, node.drive, by_engine + left - weight * resist, weight, middle, use)
    power = push(middle)
    engine1, spare1 = power - resist, force - power
    change = spare1 - spare
    lowest = use.least(spare, spare1)
    cut = h * lowest * lowest / abs(change)
    less = use.where(spare * spare1 < 0.0, -cut, use.least(left + weight * spare1, 0.0))
    return by_engine + weight * engine1 + less, Driving(engine1, spare1, engine1 - engine, change)


def brake_from(z: Any, state: Braking, step: Step, node: Node, limit: Any, use: Calculus) -> tuple[Any, Braking]:
    """Greatest v² at ``node``, a step before ``z``, from where braking still leads to ``z``; and the state there."""
    h, ratio, extra = step
    slow = state.slow
    more = state.change * ratio
    middle = use.greatest(use.least(z + h * (slow + slow + more), limit), CREEP**2)
    resist = _resistance(node, middle)
    weight = h - extra
    known = z + (h + extra) * slow + extra * more
    force = _ellipse_force(node, node.brake, known + weight * resist, weight, middle, use)
    slow1 = force + resist
    return known + weight * slow1, Braking(slow1, slow1 - slow)


def _resistance(node: Node, z: Any) -> Any:
    return node.r0 + z * (node.r1 + z * node.r2)


def _side(node: Node, share: Any, z: Any) -> tuple[Any, Any]:
    """Lateral force over ρ, and its slope by z."""
    slope = node.b1 * share
    return slope * z if node.b0 is None else slope * z + node.b0 * share, slope


def _hold_squared(node: Node, share: Any, z: Any) -> Any:
    hold = (node.hold0 if node.hold1 is None else node.hold0 + node.hold1 * z) * share
    return hold * hold


def _held(node: Node, share: Any, z: Any, use: Calculus) -> Any:
    """Longitudinal force left on the ellipse at speed ``z``."""
    side, _ = _side(node, share, z)
    return use.root(use.greatest(_hold_squared(node, share, z) - side * side, 0.0))


def _ellipse_force(node: Node, share: Any, rolling: Any, weight: Any, middle: Any, use: Calculus) -> Any:
    """Force on the ellipse at z = ``rolling`` + ``weight``·force, at least 0: the other pedal is the other pass's."""
    side, slope = _side(node, share, rolling)
    lean = slope * weight
    size = 1.0 + lean * lean
    inside = size * _hold_squared(node, share, middle) - side * side
    return use.greatest((use.root(use.greatest(inside, 0.0)) - lean * side) / size, 0.0)


def cornering_limit(node: Node, top_speed: float) -> Array:
    """Greatest v² that the nodes' curvature allows with no longitudinal force [m²/s²], at most the top speed's.

    On a bank phi it is v² = g R (tan phi + mu)/(1 - mu tan phi) for R = 1/kappa (force balance of a banked curve).
    """
    top = top_speed * top_speed
    if node.b0 is None:
        return np.asarray(np.maximum(node.hold0 / np.maximum(np.abs(node.b1), node.hold0 / top), CREEP**2))
    limit = np.full(node.b1.shape, top)
    for side in (1.0, -1.0):
        demand = side * node.b1 - node.hold1
        margin = node.hold0 - side * node.b0
        limit = np.minimum(limit, np.where(demand > 1e-12, margin / np.where(demand > 1e-12, demand, 1.0), top))
    return np.maximum(limit, CREEP**2)
