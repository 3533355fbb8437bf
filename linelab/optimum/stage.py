"""One stage of the minimum-time problem as CasADi functions: objective and constraints, with exact derivatives.

The path is a cubic B-spline P(ξ) in the plane whose control points move sideways (:mod:`linelab.optimum.path`), and the
squared speed a quadratic B-spline z(ξ), both uniform in the mesh coordinate ξ.  Path curvature is then continuous and
near-linear between nodes, and ax = dz/dξ/(2|P'|) is continuous and near-linear too, so that the convex friction
ellipse, imposed at the nodes, holds between them up to the mesh error that the verification reports.
There are no dynamic equations to collocate: heading, curvature and acceleration follow from P and z exactly.

Local variables of stage i (7): c[i-1..i+2] of the path [m], d[i-1..i+1] of z [100 m²/s²].
Constraints of stage i (4): grip excess [-] and power excess [-], both <= 0, and the offset n [m] at two
places from the node to the next: a corridor's peaks lie between nodes, and two centimetres there are milliseconds.
With driver limits (Structure.rates) the stage has four more constraints.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import casadi as ca

from linelab.model import grip
from linelab.model.engine import KNOTS
from linelab.model.grip_field import factor_across
from linelab.speed.lines import PathState, surface_on_path

#: Scale of the speed variable [m²/s²].
Z_SCALE = 100.0
#: Scale of the power constraint [m²/s³]: of the order of a kart's power per mass.
POWER_SCALE = 50.0

#: Scale of the change of curvature over an interval [1/m].
CURVATURE_STEP = 0.01

#: Rounding between braking and driving where their rates are limited [m/s²]; both begin this much early.
RATE_ROUNDING = 2.0

#: Gauss-Legendre points on [0, 1], both of weight 1/2.
GAUSS = (0.5 - 0.5 / 3.0**0.5, 0.5 + 0.5 / 3.0**0.5)

#: Places in an interval at which the offset is held to the corridor.
OFFSETS = 2

#: Node parameters, in the frame of the reference line's tangent there: first and second derivative of the path by ξ
#: along and across, each a constant and its change with c[i-1], (c[i],) c[i+1]; weights of c[i-1..i+2] in the offset at
#: OFFSETS places; slope, bank and their derivatives; station and turn of the reference line by ξ; grip.
NODE_PATH, NODE_OFFSETS = 14, 8
NODE_FIELDS = ("slope", "bank", "dslope", "dbank", "station", "turn", "grip")
NODE_SIZE = NODE_PATH + NODE_OFFSETS + len(NODE_FIELDS)
#: Interval parameters: the path's derivative by ξ east and north at the two Gauss points, a constant and its change
#: with c[i-1..i+2]; weight of the interval's time in the objective [1/s], 0 after the last node; the lateral jerk over
#: the interval, weighted, a constant and its change with c[i-1..i+2].
GAUSS_SIZE = 26
#: Local variables of a stage.
LOCAL = 7
#: The drive's power near the present speed: that speed [m/s], power [W] and its first two derivatives by speed.
POWER_SIZE = 4
#: Driver limits: brake build-up, brake release, drive build-up [m/s³], curvature rate [1/(m·s)].
RATE_SIZE = 4


@dataclass(frozen=True, slots=True)
class Structure:
    """What fixes the shape of a problem; all else enters as parameters."""

    intervals: int
    closed: bool
    level: bool = False  #: no slope and no bank anywhere: half the work
    profile: int = 0  #: knots of the grip across the track; 0 where it does not vary
    knots: int = KNOTS  #: knots of the drive curve in use
    rates: bool = False  #: driver limits on braking, drive and steering rates

    @property
    def stages(self) -> int:
        """Number of nodes that carry constraints."""
        return self.intervals if self.closed else self.intervals + 1

    @property
    def node_size(self) -> int:
        """Parameters per node."""
        return NODE_SIZE + 2 * self.profile

    @property
    def constraints(self) -> int:
        """Constraints per stage."""
        return 8 if self.rates else 4


class StageFunctions(NamedTuple):
    """CasADi functions of one stage, to be mapped; inputs (w, node, after, gauss, kart, rates)."""

    cost: Any  #: -> f, df/dw
    constraints: Any  #: -> g
    jacobian: Any  #: -> g, nonzeros of dg/dw
    hessian: Any  #: (..., lam_f, lam_g) -> nonzeros of the lower triangle
    jacobian_sparsity: Any
    hessian_sparsity: Any


class WholeStage(NamedTuple):
    """All of a stage in one function, what its parts share worked out once."""

    function: Any  #: (w, node, after, gauss, kart, rates[, power], lam_g) -> f, df/dw, g, nonzeros of dg/dw, of Hessian
    jacobian_sparsity: Any
    hessian_sparsity: Any


class _Node(NamedTuple):
    """State at a node as functions of its course."""

    kappa: Any
    tyre_ax: Any
    v: Any
    load: Any
    grip: Any


class _Stage(NamedTuple):
    """Expressions of one stage."""

    inputs: list[Any]
    lam_g: Any
    cost: list[Any]  #: value and gradient
    constraints: Any
    jacobian: Any
    hessian: Any  #: lower triangle


def stage_functions(structure: Structure) -> StageFunctions:
    """Build the functions of one stage."""
    lam_f = ca.SX.sym("lam_f")
    inputs, lam_g, cost, constraints, jacobian, hessian = _stage(structure, lam_f, expanded=False)
    return StageFunctions(
        cost=ca.Function("cost", inputs, ca.cse(cost)),
        constraints=ca.Function("constraints", inputs, ca.cse([constraints])),
        jacobian=ca.Function("jacobian", inputs, ca.cse([constraints, jacobian.nz[:]])),
        hessian=ca.Function("hessian", [*inputs, lam_f, lam_g], ca.cse([hessian.nz[:]])),
        jacobian_sparsity=jacobian.sparsity(),
        hessian_sparsity=hessian.sparsity(),
    )


def whole_stage(structure: Structure) -> WholeStage:
    """Build one stage as a whole.

    Without driver limits, which look at two nodes, the drive's power is taken by its expansion at the present speed
    (POWER_SIZE more inputs) in place of the whole drive curve: the same values and derivatives for a third of the work.
    """
    inputs, lam_g, cost, constraints, jacobian, hessian = _stage(structure, 1.0, expanded=not structure.rates)
    outputs = ca.cse([*cost, constraints, jacobian.nz[:], hessian.nz[:]])
    function = ca.Function("whole", [*inputs, lam_g], outputs)
    return WholeStage(function, jacobian.sparsity(), hessian.sparsity())


def _stage(structure: Structure, lam_f: Any, *, expanded: bool) -> _Stage:
    w = ca.SX.sym("w", LOCAL)
    node = ca.SX.sym("node", structure.node_size)
    after = ca.SX.sym("after", structure.node_size)
    gauss, kart, rates = ca.SX.sym("gauss", GAUSS_SIZE), ca.SX.sym("kart", grip.SIZE), ca.SX.sym("rates", RATE_SIZE)
    inputs = [w, node, after, gauss, kart, rates]
    power = ca.SX.sym("power", POWER_SIZE) if expanded else None
    inputs += [] if power is None else [power]
    lam_g = ca.SX.sym("lam_g", structure.constraints)
    cost, cost_hessian = _cost(w, gauss)
    if structure.rates:
        constraints = _rate_constraints(structure, w, node, after, kart, rates, gauss)
        hessian = ca.hessian(ca.dot(lam_g, constraints), w)[0]
        jacobian = ca.jacobian(constraints, w)
    else:
        constraints, jacobian, hessian = _node_constraints(structure, w, node, kart, lam_g, power)
        jacobian = ca.sparsify(jacobian)
    lower = ca.sparsify(lam_f * cost_hessian + ca.tril(hessian))
    return _Stage(inputs, lam_g, [cost, ca.gradient(cost, w)], constraints, jacobian, lower)


def _cost(w: Any, gauss: Any) -> tuple[Any, Any]:
    """Time over the interval by two-point Gauss quadrature of |P'|/v, and its Hessian.

    With J = |P'| the second derivatives are those of J/v by hand: across P' it bends by 1/(J v), along it not at all.
    """
    cost, hessian = 0.0, ca.SX(w.numel(), w.numel())
    for j, u in enumerate(GAUSS):
        first = 10 * j
        east, north = gauss[first + 1 : first + 5], gauss[first + 6 : first + 10]
        x, y = gauss[first] + ca.dot(east, w[0:4]), gauss[first + 5] + ca.dot(north, w[0:4])
        squared = ca.DM(quadratic_basis(u))
        z = Z_SCALE * ca.dot(squared, w[4:7])
        stretch, pace = (x * x + y * y) ** 0.5, 0.5 * gauss[20] / z**0.5
        cost = cost + pace * stretch
        across, along = (y * east - x * north) / stretch, (x * east + y * north) / stretch
        slower = -0.5 * Z_SCALE * pace / z
        hessian[0:4, 0:4] += (pace / stretch * across) @ across.T
        hessian[4:7, 0:4] += (slower * squared) @ along.T
        hessian[4:7, 4:7] += (-1.5 * Z_SCALE * slower / z * stretch) * (squared @ squared.T)
    jerk = ca.dot(gauss[22:26], w[0:4]) + gauss[21]
    hessian[0:4, 0:4] += gauss[22:26] @ gauss[22:26].T
    return cost + 0.5 * jerk * jerk, ca.tril(hessian)


def cubic_basis(u: Any) -> list[Any]:
    """Uniform cubic B-spline: weights of four coefficients at fraction u of an interval."""
    return [(1 - u) ** 3 / 6, (3 * u**3 - 6 * u**2 + 4) / 6, (-3 * u**3 + 3 * u**2 + 3 * u + 1) / 6, u**3 / 6]


def cubic_slope(u: float) -> list[float]:
    """Derivative of :func:`cubic_basis` by u."""
    return [-((1 - u) ** 2) / 2, (3 * u**2 - 4 * u) / 2, (-3 * u**2 + 2 * u + 1) / 2, u**2 / 2]


def quadratic_basis(u: float) -> list[float]:
    """Uniform quadratic B-spline: weights of three coefficients at fraction u of an interval."""
    return [(1 - u) ** 2 / 2, (-2 * u**2 + 2 * u + 1) / 2, u**2 / 2]


def _coordinates(node: Any, first: int, size: int) -> tuple[Any, Any]:
    """Matrix (7, size) and constant from local variables to (P' along, across, P'' along, across, z, dz/dξ, n) at the
    node whose coefficients begin at ``first``."""
    matrix, constant = ca.SX(7, size), ca.SX(7, 1)
    for axis in range(2):
        slope, bend = 3 * axis, 6 + 4 * axis
        constant[axis], constant[2 + axis] = node[slope], node[bend]
        matrix[axis, first], matrix[axis, first + 2] = node[slope + 1], node[slope + 2]
        for k in range(3):
            matrix[2 + axis, first + k] = node[bend + 1 + k]
    for column, sign in enumerate((-1.0, 1.0)):
        matrix[4, 4 + first + column] = 0.5 * Z_SCALE
        matrix[5, 4 + first + column] = sign * Z_SCALE
    for k in range(3):
        matrix[6, first + k] = node[NODE_PATH + k]
    return matrix, constant


def _shape(y: Any) -> Any:
    """From the coordinates (P' along, across, P'' along, across, z, dz/dξ, n): P' along, across, P' × P'', |P'|, z,
    dz/dξ, n."""
    return ca.vertcat(y[0:2], y[0] * y[3] - y[1] * y[2], (y[0] * y[0] + y[1] * y[1]) ** 0.5, y[4:7])


def _course(structure: Structure, shape: Any, node: Any) -> Any:
    """What of a :func:`_shape` decides the tyre's demand.

    Path curvature, z and dv/dt; then, where there is slope or bank, the rest of a :class:`PathState`; then, where it
    varies across the track, the grip factor.
    """
    along, across, cross, stretch, z, rise, n = ca.vertsplit(shape)
    course = [cross / stretch**3, z, rise / (2.0 * stretch)]
    if not structure.level:
        station, turn = (node[NODE_SIZE - len(NODE_FIELDS) + NODE_FIELDS.index(name)] for name in ("station", "turn"))
        course += [along / stretch, across / stretch, station / stretch, turn / stretch]
    if structure.profile:
        knots, changes = node[NODE_SIZE : NODE_SIZE + structure.profile], node[NODE_SIZE + structure.profile :]
        course += [factor_across(node[NODE_SIZE - 1], knots, changes, n)]
    return ca.vertcat(*course)


def _node_state(structure: Structure, course: Any, node: Any, numbers: grip.KartNumbers) -> _Node:
    """Tyre demand at a node from its course."""
    slope, bank, dslope, dbank, _, _, factor = (node[NODE_SIZE - len(NODE_FIELDS) + i] for i in range(len(NODE_FIELDS)))
    if structure.profile:
        factor = course[course.numel() - 1]
    if structure.level:
        surface = grip.Surface(0.0, 0.0, 0.0, factor)
    else:
        path = PathState(course[0], *(course[i] for i in range(3, 7)))
        surface = surface_on_path(slope, bank, dslope, dbank, path, factor)
    load = grip.loads(numbers, course[1], course[0], surface)
    tyre_ax = grip.tyre_longitudinal(numbers, load, course[2])
    return _Node(course[0], tyre_ax, course[1] ** 0.5, load, factor)


class _Derived(NamedTuple):
    """Constraints of a stage, their Jacobian, and the Hessian of lam·g."""

    value: Any
    jacobian: Any
    hessian: Any


def _node_constraints(structure: Structure, w: Any, node: Any, kart: Any, lam: Any, power: Any) -> _Derived:
    """Constraints without driver limits, differentiated in steps: by the demand, the course, the shape, and w.

    That is a fraction of the work of differentiating by w at once.
    """
    numbers = grip.unpack(kart)

    def demand(course: Any) -> Any:
        state = _node_state(structure, course, node, numbers)
        return ca.vertcat(state.load.normal, state.load.lateral, state.tyre_ax, state.v, state.grip)

    def excess(demand: Any) -> Any:
        load = grip.Loads(demand[0], demand[1], 0.0, 0.0)
        return _excess(structure, numbers, _Node(None, demand[2], demand[3], load, demand[4]), power)

    matrix, constant = _coordinates(node, 0, w.numel())
    given = [node, kart] if power is None else [node, kart, power]
    layers = [lambda w: _shape(matrix @ w + constant), lambda shape: _course(structure, shape, node), demand, excess]
    value, slope, bend = _chained(layers, w, given, lam[:2])
    offsets = _offsets(w, node)
    return _Derived(ca.vertcat(value, offsets), ca.vertcat(slope, ca.jacobian(offsets, w)), bend)


def _chained(layers: Sequence[Callable[[Any], Any]], at: Any, given: list[Any], lam: Any) -> _Derived:
    """Derivatives of ``lam·f``, f the layers one after the other, at ``at``; ``given`` are the symbols in them.

    Each layer is differentiated by its own argument alone, and the Hessian carried inwards by the chain rule.
    """
    steps = []
    for layer in layers:
        argument = ca.SX.sym("argument", at.numel())
        value = layer(argument)
        pull = ca.SX.sym("pull", value.numel())
        bend = ca.hessian(ca.dot(pull, value), argument)[0]
        step = ca.Function("step", [argument, pull, *given], [value, ca.jacobian(value, argument), bend])
        steps.append((step, at))
        at = step(at, 0.0, *given)[0]
    jacobian, hessian = ca.SX.eye(lam.numel()), ca.SX(lam.numel(), lam.numel())
    for step, reached in reversed(steps):
        _, slope, bend = step(reached, jacobian.T @ lam, *given)
        hessian = ca.tril2symm(ca.tril(slope.T @ hessian @ slope + bend))
        jacobian = jacobian @ slope
    return _Derived(at, jacobian, hessian)


def _offsets(w: Any, node: Any) -> Any:
    """Offset at OFFSETS places, less its constant part [m]."""
    weights = ca.reshape(node[NODE_PATH : NODE_PATH + NODE_OFFSETS], 4, OFFSETS)
    return weights.T @ w[0:4]


def _excess(structure: Structure, numbers: grip.KartNumbers, state: _Node, expansion: Any = None) -> Any:
    """Grip and power excess at a node, both <= 0."""
    held = grip.grip_excess(numbers, state.load, state.tyre_ax, state.grip)
    if expansion is None:
        power = grip.drive_power(numbers, state.v, structure.knots)
    else:
        past = state.v - expansion[0]
        power = expansion[1] + past * (expansion[2] + 0.5 * past * expansion[3])
    return ca.vertcat(held, (state.tyre_ax * state.v - power / numbers.mass) / POWER_SCALE)


def _rate_constraints(structure: Structure, w: Any, node: Any, after: Any, kart: Any, rates: Any, gauss: Any) -> Any:
    """Constraints with driver limits: grip, power, two offsets, then the four rates.

    Braking is the negative part of the tyre's longitudinal force and driving its positive part, rounded where they
    meet; their changes over the interval, and the curvature's, are held to the driver's rates times the
    interval's time.  Lifting off the drive is not limited.
    """
    numbers, size = grip.unpack(kart), w.numel()
    here, there = (
        _node_state(structure, _course(structure, _shape(matrix @ w + constant), at), at, numbers)
        for at, (matrix, constant) in ((node, _coordinates(node, 0, size)), (after, _coordinates(after, 1, size)))
    )
    drive, brake = _pedals(here.tyre_ax)
    drive_after, brake_after = _pedals(there.tyre_ax)
    time = _cost(w, ca.vertcat(gauss[0:20], 1.0, ca.SX(5, 1)))[0]
    return ca.vertcat(
        _excess(structure, numbers, here),
        _offsets(w, node),
        brake_after - brake - rates[0] * time,
        brake - brake_after - rates[1] * time,
        drive_after - drive - rates[2] * time,
        ((there.kappa - here.kappa) ** 2 - (rates[3] * time) ** 2) / CURVATURE_STEP**2,
    )


def _pedals(tyre_ax: Any) -> tuple[Any, Any]:
    """Driving and braking deceleration of a longitudinal tyre force, both >= 0 [m/s²].

    Rounded about the middle, each would change half as fast as the force where the other takes over, and the force
    twice as fast as the driver.  Moved by the rounding, they change with 0.85 of it there and with nearly all of it
    beyond.
    """

    def rounded(force: Any) -> Any:
        return 0.5 * (force + (force * force + RATE_ROUNDING**2) ** 0.5)

    return rounded(RATE_ROUNDING + tyre_ax), rounded(RATE_ROUNDING - tyre_ax)
