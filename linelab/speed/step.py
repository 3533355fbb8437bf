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

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from linelab.model import grip
from linelab.model.grip import LIGHTEST, KartNumbers, Surface, brake_friction, drive_friction, load_lines
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
    """Length of a step [m] and what the rule makes of it and the one before (:func:`weights`)."""

    h: Any
    ratio: Any  #: over the step before, 0 where there was none [-]
    double: Any  #: 2 + ratio
    extra: Any  #: weight of what the last two accelerations say of the next [m]
    weight: Any  #: weight of the accelerations at either end [m]


class Ellipse(NamedTuple):
    """The friction ellipse at the end of a step, for :func:`_force`; None for a zero that is not worth computing."""

    tilt: Any
    off: Any
    lean: Any
    room: Any
    rise: Any


class Resistance(NamedTuple):
    """Resistance and climb as a polynomial in z, the fields of :class:`Node`."""

    r0: Any
    r1: Any
    r2: Any


class Driving(NamedTuple):
    """State of the forward pass: acceleration by the engine, grip left beside it, and both a step before [m/s²]."""

    engine: Any
    spare: Any
    engine_before: Any
    spare_before: Any


class Braking(NamedTuple):
    """State of the backward pass: deceleration, and that a step before [m/s²]."""

    slow: Any
    slow_before: Any


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
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = h / before
        unknown = ~(ratio <= LONGEST_RATIO)  # NaN too
        extra = h * h / (3.0 * (h + before))
    if unknown.any():
        ratio[unknown] = extra[unknown] = 0.0
    return Step(h, ratio, 2.0 + ratio, extra, h - extra)


def ellipse_at(node: Node, share: Any, weight: Array) -> Ellipse:
    """Friction ellipse at nodes that steps of this ``weight`` lead to; ``share`` is the node's ``drive`` or ``brake``.

    F² + (side + lean·F)² = hold², where rolling alone asks for ``side``, all over ρ, has the solution of
    :func:`_force`, F = sqrt(hold²/size - (side/size)²) - lean·side/size with size = 1 + lean².
    """
    slope = node.b1 * share
    lean = slope * weight
    part = 1.0 / (1.0 + lean * lean)
    off = None if node.b0 is None else node.b0 * share * part
    if node.hold1 is None:
        return Ellipse(slope * part, off, lean, (node.hold0 * share) ** 2 * part, None)
    root = share * np.sqrt(part)
    return Ellipse(slope * part, off, lean, node.hold0 * root, node.hold1 * root)


def resistance_at(node: Node) -> Resistance:
    """The node's resistance alone."""
    return Resistance(node.r0, node.r1, node.r2)


def step_fields(step: Step, node: Node, share: Any) -> tuple[Any, ...]:
    """All that steps to nodes need besides state, limit and engine, in one row for :func:`step_of`."""
    return (*step, *ellipse_at(node, share, step.weight), *resistance_at(node))


def step_of(fields: Sequence[Any]) -> tuple[Step, Ellipse, Resistance]:
    """One step from its :func:`step_fields`."""
    return Step(*fields[:5]), Ellipse(*fields[5:10]), Resistance(*fields[10:])


def start_driving(node: Node, z: Array, push: Callable[[Any], Any]) -> Driving:
    """State of the forward pass at its first node, passed at ``z`` = v²."""
    power = push(z)
    engine, spare = power - _resistance(resistance_at(node), z), _held(node, node.drive, z) - power
    return Driving(engine, spare, engine, spare)


def start_braking(node: Node, z: Array) -> Braking:
    """State of the backward pass at its first node, the last of the line."""
    slow = _held(node, node.brake, z) + _resistance(resistance_at(node), z)
    return Braking(slow, slow)


def drive_on(
    z: Any,
    state: Driving,
    step: Step,
    ellipse: Ellipse,
    resistance: Resistance,
    limit: Any,
    push: Callable[[Any], Any],
    use: Calculus,
) -> tuple[Any, Driving]:
    """Greatest v² a step after ``z``, and the state there; the caller holds it to ``limit``.

    Engine and grip are integrated separately, and where the weaker of the two changes within the step the kink is cut
    off.  Where even rolling would leave the ellipse, rolling is what is returned: the limit holds there.
    """
    h, ratio, double, extra, weight = step
    engine, spare, engine_before, spare_before = state
    both = double * engine - ratio * engine_before
    both_spare = double * spare - ratio * spare_before
    middle = use.greatest(use.least(z + h * (both + use.least(both_spare, 0.0)), limit), CREEP**2)
    resist = _resistance(resistance, middle)
    by_engine = z + weight * engine + extra * both
    left = weight * spare + extra * both_spare
    force = _force(ellipse, by_engine + left - weight * resist, middle, use)
    power = push(middle)
    engine1, spare1 = power - resist, force - power
    lowest = use.least(spare, spare1)
    cut = h * lowest * lowest / abs(spare1 - spare)
    less = use.where(spare * spare1 < 0.0, -cut, use.least(left + weight * spare1, 0.0))
    return by_engine + weight * engine1 + less, Driving(engine1, spare1, engine, spare)


def brake_from(
    z: Any,
    state: Braking,
    step: Step,
    ellipse: Ellipse,
    resistance: Resistance,
    limit: Any,
    use: Calculus,
    drag: Any = None,
) -> tuple[Any, Braking]:
    """Greatest v² a step before ``z`` from where braking still leads to ``z``; and the state there.

    ``drag`` is what a slide takes [m/s²]: nobody counts on it, so it comes in the brakes' place and not on top of them.
    """
    h, ratio, double, extra, weight = step
    slow, slow_before = state
    both = double * slow - ratio * slow_before
    middle = use.greatest(use.least(z + h * both, limit), CREEP**2)
    resist = _resistance(resistance, middle)
    known = z + weight * slow + extra * both
    force = _force(ellipse, known + weight * resist, middle, use)
    slow1 = (force if drag is None else use.greatest(force, drag)) + resist
    return known + weight * slow1, Braking(slow1, slow)


def _resistance(resistance: Resistance, z: Any) -> Any:
    return resistance.r0 + z * (resistance.r1 + z * resistance.r2)


def _held(node: Node, share: Any, z: Array) -> Array:
    """Longitudinal force left on the ellipse at speed ``z``."""
    return np.asarray(_force(ellipse_at(node, share, np.zeros_like(z)), z, z, ARRAYS))


def _force(ellipse: Ellipse, rolling: Any, middle: Any, use: Calculus) -> Any:
    """Force on the ellipse where z is ``rolling`` and weight·force, at least 0: the other pedal is the other pass's."""
    side = ellipse.tilt * rolling
    if ellipse.off is not None:
        side = side + ellipse.off
    room = ellipse.room
    if ellipse.rise is not None:
        room = room + ellipse.rise * middle
        room = room * room
    return use.greatest(use.root(use.greatest(room - side * side, 0.0)) - ellipse.lean * side, 0.0)


def cornering_limit(node: Node, top_speed: float) -> Array:
    """Greatest v² that the nodes' curvature allows with no longitudinal force [m²/s²], at most the top speed's.

    On a bank phi it is v² = g R (tan phi + mu)/(1 - mu tan phi) for R = 1/kappa (force balance of a banked curve).
    Over a crest the kart keeps LIGHTEST of its load on the ground.
    """
    top = top_speed * top_speed
    if node.b0 is None:
        return np.asarray(np.maximum(node.hold0 / np.maximum(np.abs(node.b1), node.hold0 / top), CREEP**2))
    limit = np.full(node.b1.shape, top)
    held = [(side * node.b1 - node.hold1, node.hold0 - side * node.b0) for side in (1.0, -1.0)]
    for demand, margin in (*held, (-node.hold1, (1.0 - LIGHTEST) * node.hold0)):
        limit = np.minimum(limit, np.where(demand > 1e-12, margin / np.where(demand > 1e-12, demand, 1.0), top))
    return np.maximum(limit, CREEP**2)


#: Acceleration beyond which no engine is asked for: no tyre holds it [m/s²].
MOST_PUSH = 60.0

#: Entries of the drive table per m/s.
_PER_SPEED = 100.0


def push_at(kart: KartNumbers, v: Array) -> Array:
    """Greatest acceleration by the engine at a speed [m/s²]."""
    return np.asarray(np.minimum(grip.drive_power(kart, v) / (v * float(kart.mass) * float(kart.inertia)), MOST_PUSH))


@lru_cache(maxsize=16)
def _push_table(packed: bytes) -> tuple[Array, Array]:
    """:func:`push_at` as intercepts and slopes on a grid of _PER_SPEED steps per m/s, from a kart's packed numbers.

    Linear interpolation errs by at most h²/8·d²F/dv²: 1e-4 m/s² for 20 kW at 5 m/s.
    """
    kart = grip.unpack(np.frombuffer(packed))
    v = np.arange(1, int((float(kart.top_speed) + 2.0) * _PER_SPEED) + 2) / _PER_SPEED
    push = push_at(kart, v)
    push = np.concatenate([push[:1], push])
    slopes = np.diff(push) * _PER_SPEED
    return push[:-1] - slopes * np.arange(slopes.size) / _PER_SPEED, slopes


def push_lookup(kart: KartNumbers) -> Callable[[Array], Array]:
    """Acceleration by the engine as a function of an array of v²."""
    base, slope = _push_table(grip.pack(kart).tobytes())

    def push(z: Array) -> Array:
        v = np.sqrt(z)
        index = (v * _PER_SPEED).astype(np.intp)
        return slope.take(index, mode="clip") * v + base.take(index, mode="clip")

    return push


def engine_numbers(kart: KartNumbers) -> tuple[Array, int]:
    """The drive curve for :func:`push_symbol`, and how many knots it has below top speed.

    Every rounded corner is half a straight line and half a hyperbola; the lines are summed up here.
    """
    used = np.asarray(kart.knots) < float(kart.top_speed)
    knots, halves = np.asarray(kart.knots)[used], 0.5 * np.asarray(kart.slope_changes)[used]
    head = [kart.power_at_zero - halves @ knots, kart.force_at_zero + halves.sum(), kart.mass * kart.inertia]
    return np.concatenate([head, knots, halves]), int(used.sum())


def push_symbol(engine: Any, knots: int, z: Any, use: Calculus) -> Any:
    """:func:`push_at` v² = ``z`` from :func:`engine_numbers`, written out for CasADi."""
    v = use.root(z)
    power = engine[0] + engine[1] * v
    for i in range(knots):
        past = v - engine[3 + i]
        power = power + engine[3 + knots + i] * use.root(past * past + grip.ROUNDING**2)
    return use.least(power / (v * engine[2]), MOST_PUSH)


#: A lap driven again has caught up with the round before when v² agrees to this [-].
SAME = 1e-9


class Road(NamedTuple):
    """Laps side by side: step lengths (M, L) [m], limits of v² (M+1, L) [m²/s²], nodes' coefficients (M+1, L)."""

    h: Array
    limit: Array
    node: Node


class Passes(NamedTuple):
    """Both passes, each (M+1, L) [m²/s²; spare m/s²].

    ``z`` is v² of the profile, ``forward`` what driving alone would give, ``reach`` from how fast braking still
    succeeds, ``spare`` the acceleration that the grip would allow beyond the engine's.
    """

    z: Array
    forward: Array
    reach: Array
    spare: Array


def rows_of(node: Node, rows: int | slice) -> Node:
    """Rows of nodes side by side; on level ground all but b1 and r2 are numbers."""
    return Node(*(field[rows] if isinstance(field, np.ndarray) else field for field in node))
