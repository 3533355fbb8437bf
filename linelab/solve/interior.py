"""A primal-dual interior-point method for the minimum-time problem, on narrow-band Newton systems.

The method is that of A. Wächter & L. T. Biegler, "On the implementation of an interior-point filter line-search
algorithm for large-scale nonlinear programming", Mathematical Programming 106, 2006 (equations and sections named
below), without its restoration phase: where it does not get on it says so, and IPOPT itself is asked.  Two things
differ.  Slacks and multipliers of the constraints, nearly all of them inequalities, are eliminated from the Newton
system, which leaves a symmetric band of the unknowns alone; it is positive definite exactly where the paper asks for
its inertia, so that a Cholesky factor both solves it and checks it.  And the barrier follows the predictor and
corrector of S. Mehrotra, "On the implementation of a primal-dual interior point method", SIAM J. Optimization 2, 1992,
as long as the optimality error falls; where it does not, the barrier is held until its own problem is solved, as
J. Nocedal, A. Wächter & R. A. Waltz, "Adaptive barrier update strategies for nonlinear interior methods", SIAM J.
Optimization 19, 2009, propose.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.errors import SolveError
from linelab.solve.banded import Factor, factorised, solved
from linelab.solve.bounds import (
    Box,
    Duals,
    Gaps,
    box_of,
    central,
    gaps_of,
    inside,
    longest,
    longest_dual,
    products,
    recentred,
    within_span,
)
from linelab.solve.stages import Stages
from linelab.units import Array

#: Convergence: scaled optimality error, and constraint violation.
TOLERANCE, VIOLATION = 3.0e-6, 1.0e-7
#: A solution that stalls a little short of that is taken after so many steps: its lap is verified all the same.
NEARLY, NEARLY_VIOLATION, NEARLY_STEPS = 1.0e-4, 1.0e-6, 10
#: Smallest barrier.
LEAST_BARRIER = TOLERANCE / 11.0
#: A fixed row's multiplier counts this much in its own equation (section 3.1: delta_c).
SOFT = 1.0e-9
#: The optimality error must fall below this share of the worst of so many before it for the barrier to stay free.
PROGRESS, MEMORY = 0.9999, 4


class Bounds(NamedTuple):
    """Bounds of x (n,) and of g (m,); infinite where there are none."""

    x_low: Array
    x_high: Array
    g_low: Array
    g_high: Array


class Found(NamedTuple):
    """A converged solution; multipliers with the sign of ``f + lam_x·x + lam_g·g``."""

    x: Array
    lam_x: Array
    lam_g: Array
    iterations: int


class _Frame(NamedTuple):
    """What stays the same: the problem, the bounds of v = (x, s), and which rows have a slack, or are fixed."""

    stages: Stages
    box: Box
    slack: NDArray[np.bool_]
    fixed: NDArray[np.bool_]
    target: Array  #: what the fixed rows are fixed at


class _Point(NamedTuple):
    """An iterate: v = (x, s), multipliers y of ``g - s`` and of the bounds."""

    v: Array
    y: Array
    duals: Duals


class _Local(NamedTuple):
    """Functions at an iterate."""

    f: float
    slope: Array
    miss: Array  #: g - s, or g less what it is fixed at; 0 in rows without bounds
    gaps: Gaps


class _Errors(NamedTuple):
    """Scaled errors of dual feasibility and of complementarity, and the constraint violation (eq. 5)."""

    dual: float
    complementarity: float
    violation: float

    @property
    def worst(self) -> float:
        return max(self)


class _Step(NamedTuple):
    v: Array
    y: Array
    duals: Duals


class _Newton(NamedTuple):
    """A factored Newton system."""

    frame: _Frame
    at: _Local
    point: _Point
    factor: Factor
    rows: Array  #: weights of the constraint rows in it

    def step(self, miss: Array, push: Array, shift: Duals) -> _Step:
        """Step for constraint residuals ``miss``; ``push`` the slope of the barrier, ``shift`` what the products of
        multipliers and distances are to become, over the distances."""
        frame, point, gaps = self.frame, self.point, self.at.gaps
        n = frame.stages.size
        pull = np.where(frame.fixed, point.y, push[n:]) + self.rows * miss
        pull[~(frame.slack | frame.fixed)] = 0.0
        dx = solved(self.factor, -self.at.slope - push[:n] - frame.stages.back(pull))
        along = frame.stages.forward(dx)
        dv = np.concatenate([dx, np.where(frame.slack, along + miss, 0.0)])
        duals = Duals(
            np.where(frame.box.has_low, shift.low - point.duals.low * (1.0 + dv / gaps.low), 0.0),
            np.where(frame.box.has_high, shift.high - point.duals.high * (1.0 - dv / gaps.high), 0.0),
        )
        return _Step(dv, self.rows * along + pull - point.y, duals)


class _StuckError(Exception):
    """The method does not get on."""


def minimise(
    stages: Stages,
    bounds: Bounds,
    x: Array,
    *,
    barrier: float,
    warm: tuple[Array, Array] | None = None,
    most: int = 300,
) -> Found:
    """Solve the problem that ``stages`` holds.

    Parameters
    ----------
    stages : Stages
        Loaded with the numbers of the problem; n unknowns, m constraint rows.
    bounds : Bounds
    x : (n,) array
        Where to start.
    barrier : float
        First barrier parameter.
    warm : tuple of (n,) and (m,) arrays, or None
        Multipliers of a solution nearby, with the sign of ``f + lam_x·x + lam_g·g``.
    most : int
        Most iterations.

    Raises
    ------
    SolveError
        It does not converge.
    """
    frame = _frame(stages, bounds)
    try:
        return _descend(frame, _start(frame, x, barrier, warm), barrier, most)
    except _StuckError as error:
        raise SolveError(f"no minimum-time line found ({error})", status="stuck") from error


def _frame(stages: Stages, bounds: Bounds) -> _Frame:
    low, high = np.isfinite(bounds.g_low), np.isfinite(bounds.g_high)
    fixed = low & (bounds.g_low == bounds.g_high)
    slack = (low | high) & ~fixed
    box = box_of(
        np.concatenate([bounds.x_low, np.where(slack, bounds.g_low, -np.inf)]),
        np.concatenate([bounds.x_high, np.where(slack, bounds.g_high, np.inf)]),
    )
    return _Frame(stages, box, slack, fixed, np.where(fixed, bounds.g_low, 0.0))


def _start(frame: _Frame, x: Array, barrier: float, warm: tuple[Array, Array] | None) -> _Point:
    """First iterate: inside the bounds, with the barrier's own multipliers there."""
    slack, n = frame.slack, x.size
    v = np.concatenate([x, np.where(slack, frame.stages.value(x)[1], 0.0)])
    if warm is None:
        v = inside(frame.box, v, 1e-2, 1e-2)
    else:
        slopes = np.concatenate([warm[0], np.where(slack, warm[1], 0.0)])
        movable = np.concatenate([np.zeros(n, dtype=np.bool_), slack])
        v = recentred(frame.box, v, Duals(np.maximum(-slopes, 0.0), np.maximum(slopes, 0.0)), movable, barrier)
    duals = central(frame.box, gaps_of(frame.box, v), barrier)
    y = np.where(slack, (duals.high - duals.low)[n:], 0.0)
    return _Point(v, y if warm is None else np.where(frame.fixed, warm[1], y), duals)


def _local(frame: _Frame, v: Array) -> _Local:
    f, slope, g = frame.stages.linear(v[: frame.stages.size])
    return _Local(f, slope, _miss(frame, g, v), gaps_of(frame.box, v))


def _miss(frame: _Frame, g: Array, v: Array) -> Array:
    miss = np.where(frame.slack, g - v[frame.stages.size :], g - frame.target)
    miss[~(frame.slack | frame.fixed)] = 0.0
    return miss


def _errors(frame: _Frame, at: _Local, point: _Point) -> _Errors:
    """Errors of the problem without a barrier."""
    y, (low, high) = point.y, point.duals
    slope = np.concatenate([at.slope + frame.stages.back(y), np.where(frame.slack, -y, 0.0)])
    both = products(frame.box, at.gaps, point.duals)
    total = float(low.sum() + high.sum())
    scale_dual = max(100.0, (float(np.abs(y).sum()) + total) / (y.size + both.size)) / 100.0
    return _Errors(
        float(np.abs(slope - low + high).max()) / scale_dual,
        float(both.max()) / (max(100.0, total / both.size) / 100.0),
        float(np.abs(at.miss).max()),
    )


def _held_problem_solved(frame: _Frame, at: _Local, point: _Point, errors: _Errors, mu: float) -> bool:
    """Whether the problem with this barrier is solved closely enough to lower it (eq. 5 and 7)."""
    off = float(np.abs(products(frame.box, at.gaps, point.duals) - mu).max())
    return max(errors.dual, errors.violation, off) <= 10.0 * mu


class _Shift:
    """How much was last added to the Hessian's diagonal to make it positive definite (section 3.1)."""

    def __init__(self) -> None:
        self.last = 0.0

    def factor(self, band: Array, ring: bool) -> Factor:
        """Factor of the band, shifted as little as it takes."""
        shift, found = 0.0, factorised(band, ring)
        while found is None:
            if shift == 0.0:
                shift = 1e-4 if self.last == 0.0 else max(1e-20, self.last / 3.0)
            else:
                shift *= 100.0 if self.last == 0.0 else 8.0
            if not shift < 1e20:
                raise _StuckError("the Newton system cannot be made regular")
            moved = band.copy()
            moved[:, 0] += shift
            found = factorised(moved, ring)
        self.last = shift or self.last
        return found


def _newton(frame: _Frame, at: _Local, point: _Point, shift: _Shift) -> _Newton:
    stages, n = frame.stages, frame.stages.size
    bend = point.duals.low / at.gaps.low + point.duals.high / at.gaps.high
    rows = np.where(frame.slack, bend[n:], np.where(frame.fixed, 1.0 / SOFT, 0.0))
    band = stages.hessian(point.y) + stages.normal(rows)
    band[:, 0] += bend[:n]
    return _Newton(frame, at, point, shift.factor(band, stages.structure.closed), rows)


def _predicted(newton: _Newton, tau: float) -> tuple[float, Duals]:
    """Barrier by Mehrotra's rule, and the products that his predictor leaves over, over the distances.

    The predictor aims at no barrier at all; the barrier is the cube of the share of complementarity it would leave,
    and its second-order error counts as much as the step it allows.
    """
    frame, point, gaps = newton.frame, newton.point, newton.at.gaps
    none = Duals(np.zeros(point.v.size), np.zeros(point.v.size))
    ahead = newton.step(newton.at.miss, none.low, none)
    share, share_dual = longest(gaps, ahead.v, tau), longest_dual(point.duals, ahead.duals, tau)
    before = products(frame.box, gaps, point.duals).mean()
    after = products(
        frame.box,
        Gaps(gaps.low + share * ahead.v, gaps.high - share * ahead.v),
        Duals(*(value + share_dual * change for value, change in zip(point.duals, ahead.duals))),
    ).mean()
    mu = float(np.clip((after / before) ** 3 * before, LEAST_BARRIER, 1e3))
    weight = min(share, share_dual)
    return mu, Duals(
        np.where(frame.box.has_low, weight * ahead.v * ahead.duals.low / gaps.low, 0.0),
        np.where(frame.box.has_high, -weight * ahead.v * ahead.duals.high / gaps.high, 0.0),
    )


class _Filter:
    """Pairs of violation and barrier function that later iterates of the same barrier must improve on (section 2.3)."""

    def __init__(self, violation: float) -> None:
        self.pairs: list[tuple[float, float]] = []
        self.most, self.small = 1e4 * max(1.0, violation), 1e-4 * max(1.0, violation)

    def allows(self, theta: float, phi: float) -> bool:
        far = not np.isfinite(phi) or theta > self.most
        return not far and all(theta < (1.0 - 1e-5) * t or phi < p - 1e-8 * t for t, p in self.pairs)

    def add(self, theta: float, phi: float) -> None:
        self.pairs.append(((1.0 - 1e-5) * theta, phi - 1e-8 * theta))


class _Merit(NamedTuple):
    """Violation, barrier function and its slope along the step at an iterate."""

    theta: float
    phi: float
    down: float

    def improved(self, filter_: _Filter, theta: float, phi: float, share: float) -> str:
        """What a trial point improves: 'f' the function, 'h' the filter, '' neither (eqs. 18 to 20)."""
        if not filter_.allows(theta, phi):
            return ""
        hair = 1e-13 * abs(self.phi)
        switching = self.down < 0.0 and share * (-self.down) ** 2.3 > self.theta**1.1
        enough = phi - self.phi <= 1e-4 * share * self.down + hair
        if switching and self.theta <= filter_.small:
            return "f" if enough else ""
        if theta <= (1.0 - 1e-5) * self.theta or phi - self.phi <= -1e-8 * self.theta + hair:
            return "f" if switching and enough else "h"
        return ""


#: Trial v and share of the step -> what it improves, and its constraint residuals.
_Judge = Callable[[Array, float], tuple[str, Array]]


def _barrier_function(f: float, gaps: Gaps, mu: float) -> float:
    return f - mu * float(np.log(gaps.low).sum() + np.log(gaps.high).sum())


def _line_search(newton: _Newton, filter_: _Filter, mu: float, products_left: Duals, tau: float) -> _Point | None:
    """The next iterate, or None where no step is short enough to improve (sections 2.3 and 2.4)."""
    frame, at, point = newton.frame, newton.at, newton.point
    target = central(frame.box, at.gaps, mu)
    slope = target.high - target.low
    shift = Duals(target.low - products_left.low, target.high - products_left.high)
    push = shift.high - shift.low
    step = newton.step(at.miss, push, shift)
    theta = float(np.abs(at.miss).sum())
    down = float(at.slope @ step.v[: frame.stages.size] + slope @ step.v)
    merit = _Merit(theta, _barrier_function(at.f, at.gaps, mu), down)

    def judge(v: Array, share: float) -> tuple[str, Array]:
        f, g = frame.stages.value(v[: frame.stages.size])
        miss = _miss(frame, g, v)
        phi = _barrier_function(f, gaps_of(frame.box, v), mu)
        return merit.improved(filter_, float(np.abs(miss).sum()), phi, share), miss

    share = longest(at.gaps, step.v, tau)
    kind, miss = judge(point.v + share * step.v, share)
    if not kind and np.abs(miss).sum() >= theta:
        kind, share, step = _corrected(newton, judge, step, share, miss, push, shift, tau)
    while not kind:
        share *= 0.5
        if share < 1e-8:
            return None
        kind, _ = judge(point.v + share * step.v, share)
    if kind == "h":
        filter_.add(theta, merit.phi)
    dual = longest_dual(point.duals, step.duals, tau)
    v = point.v + share * step.v
    duals = Duals(*(value + dual * change for value, change in zip(point.duals, step.duals)))
    return _Point(v, point.y + share * step.y, within_span(frame.box, gaps_of(frame.box, v), duals, mu))


def _corrected(
    newton: _Newton, judge: _Judge, step: _Step, share: float, miss: Array, push: Array, shift: Duals, tau: float
) -> tuple[str, float, _Step]:
    """Second-order corrections of a full step that moved away from the constraints (section 2.4); else as it was."""
    total, before = share * newton.at.miss + miss, float(np.abs(miss).sum())
    for _ in range(4):
        trial = newton.step(total, push, shift)
        trial = trial._replace(duals=step.duals)
        length = longest(newton.at.gaps, trial.v, tau)
        kind, miss = judge(newton.point.v + length * trial.v, share)
        if kind:
            return kind, length, trial
        now = float(np.abs(miss).sum())
        if now > 0.99 * before:
            break
        total, before = length * total + miss, now
    return "", share, step


def _descend(frame: _Frame, point: _Point, mu: float, most: int) -> Found:
    """Iterate to convergence."""
    n, shift = frame.stages.size, _Shift()
    none = Duals(np.zeros(point.v.size), np.zeros(point.v.size))
    at = _local(frame, point.v)
    first = float(np.abs(at.miss).sum())
    free, near, filter_ = True, 0, _Filter(first)
    recent: list[float] = []
    for iterations in range(most + 1):
        errors = _errors(frame, at, point)
        nearly = max(errors.dual, 10.0 * errors.complementarity) <= NEARLY and errors.violation <= NEARLY_VIOLATION
        near = near + 1 if nearly else 0
        done = max(errors.dual, errors.complementarity) <= TOLERANCE and errors.violation <= VIOLATION
        if done or near >= NEARLY_STEPS:
            return Found(point.v[:n].copy(), (point.duals.high - point.duals.low)[:n], point.y, iterations)
        newton = _newton(frame, at, point, shift)
        if free and recent and errors.worst > PROGRESS * max(recent[-MEMORY:]):
            free, mu, filter_ = False, _held(frame, at, point), _Filter(first)
        recent.append(errors.worst)
        if not free and _held_problem_solved(frame, at, point, errors, mu):
            free = True
        following = None
        if free:
            mu, left = _predicted(newton, max(0.99, 1.0 - mu))
            following = _line_search(newton, _Filter(first), mu, left, max(0.99, 1.0 - mu))
            if following is None:
                free, mu, filter_ = False, _held(frame, at, point), _Filter(first)
        if following is None:
            following = _line_search(newton, filter_, mu, none, max(0.99, 1.0 - mu))
        if following is None:
            raise _StuckError(f"no step improves after {iterations} iterations")
        point = following
        at = _local(frame, point.v)
    raise _StuckError(f"not converged after {most} iterations")


def _held(frame: _Frame, at: _Local, point: _Point) -> float:
    """Barrier to hold when progress falters."""
    return max(LEAST_BARRIER, 0.8 * float(products(frame.box, at.gaps, point.duals).mean()))
