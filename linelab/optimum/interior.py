"""A primal-dual interior-point method for the minimum-time problem, on narrow-band Newton systems.

The method is that of A. Wächter & L. T. Biegler, "On the implementation of an interior-point filter line-search
algorithm for large-scale nonlinear programming", Mathematical Programming 106, 2006 (equations and sections named
below), without its restoration phase: where it does not get on it says so, and IPOPT itself is asked. Two things
differ. Slacks and multipliers of the constraints, nearly all of them inequalities, are eliminated from the Newton
system, which leaves a symmetric band of the unknowns alone; it is positive definite exactly where the paper asks for
its inertia, so that a Cholesky factor both solves it and checks it. And the barrier follows the predictor and
corrector of S. Mehrotra, "On the implementation of a primal-dual interior point method", SIAM J. Optimization 2, 1992,
with Gondzio's centring (:mod:`linelab.optimum.newton`), as long as the optimality error falls; where it does not, the
barrier is held until its own problem is solved, as J. Nocedal, A. Wächter & R. A. Waltz, "Adaptive barrier update
strategies for nonlinear interior methods", SIAM J. Optimization 19, 2009, propose.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from linelab.errors import SolveError
from linelab.optimum.assembly import Stages
from linelab.optimum.newton import (
    LEAST_BARRIER,
    Aim,
    Duals,
    Frame,
    Gaps,
    Local,
    Newton,
    Point,
    Shift,
    Step,
    StuckError,
    aimed,
    box_of,
    central,
    gaps_of,
    inside,
    local_at,
    longest,
    longest_dual,
    mean_product,
    newton_at,
    predicted,
    products,
    recentred,
    residuals,
    within_span,
)
from linelab.units import Array


class Filter:
    """Pairs of violation and barrier function that later iterates of the same barrier must improve on (section 2.3)."""

    def __init__(self, violation: float) -> None:
        self.pairs: list[tuple[float, float]] = []
        self.most, self.small = 1e4 * max(1.0, violation), 1e-4 * max(1.0, violation)

    def allows(self, theta: float, phi: float) -> bool:
        far = not np.isfinite(phi) or theta > self.most
        return not far and all(theta < (1.0 - 1e-5) * t or phi < p - 1e-8 * t for t, p in self.pairs)

    def add(self, theta: float, phi: float) -> None:
        self.pairs.append(((1.0 - 1e-5) * theta, phi - 1e-8 * theta))


class Merit(NamedTuple):
    """Violation, barrier function and its slope along the step at an iterate."""

    theta: float
    phi: float
    down: float

    def improved(self, filter_: Filter, theta: float, phi: float, share: float) -> str:
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
    both = gaps.low * gaps.high
    tail = both.size % 4
    four = both[tail:].reshape(4, -1)
    with np.errstate(divide="ignore"):  # a step that rounds onto a bound is infinitely bad, and refused
        logs = np.log(four[0] * four[1] * (four[2] * four[3])).sum() + np.log(both[:tail]).sum()
        return f - mu * float(logs)


def line_search(newton: Newton, filter_: Filter, aim: Aim, tau: float) -> Point | None:
    """The next iterate, or None where no step is short enough to improve (sections 2.3 and 2.4)."""
    frame, at, point = newton.frame, newton.at, newton.point
    mu, shift, step = aim
    target = central(frame.box, at.gaps, mu)
    slope, push = target.high - target.low, shift.high - shift.low
    theta = float(np.abs(at.miss).sum())
    down = float(at.slope @ step.v[: frame.stages.size] + slope @ step.v)
    merit = Merit(theta, _barrier_function(at.f, at.gaps, mu), down)

    def judge(v: Array, share: float) -> tuple[str, Array]:
        f, g = frame.stages.value(v[: frame.stages.size])
        miss = residuals(frame, g, v)
        phi = _barrier_function(f, gaps_of(frame.box, v), mu)
        return merit.improved(filter_, float(np.abs(miss).sum()), phi, share), miss

    share = longest(frame.box, at.gaps, step.v, tau)
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
    return Point(v, point.y + share * step.y, within_span(frame.box, gaps_of(frame.box, v), duals, mu))


def _corrected(
    newton: Newton, judge: _Judge, step: Step, share: float, miss: Array, push: Array, shift: Duals, tau: float
) -> tuple[str, float, Step]:
    """Second-order corrections of a full step that moved away from the constraints (section 2.4); else as it was."""
    total, before = share * newton.at.miss + miss, float(np.abs(miss).sum())
    for _ in range(4):
        trial = newton.step(total, push, shift)
        trial = trial._replace(duals=step.duals)
        length = longest(newton.frame.box, newton.at.gaps, trial.v, tau)
        kind, miss = judge(newton.point.v + length * trial.v, share)
        if kind:
            return kind, length, trial
        now = float(np.abs(miss).sum())
        if now > 0.99 * before:
            break
        total, before = length * total + miss, now
    return "", share, step


#: Convergence: scaled errors of dual feasibility and of complementarity, and constraint violation.  What products of
#: multipliers and distances are left costs lap time: about 50 s times their mean for each constraint active throughout.
DUAL, COMPLEMENTARITY, VIOLATION = 1.0e-5, 2.0e-7, 1.0e-6
#: A solution that stalls a little short of that is taken after so many steps: its lap is verified all the same.
NEARLY, NEARLY_VIOLATION, NEARLY_STEPS = 1.0e-4, 1.0e-5, 10
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


class _Errors(NamedTuple):
    """Scaled errors of dual feasibility and of complementarity, and the constraint violation (eq. 5)."""

    dual: float
    complementarity: float
    violation: float

    @property
    def worst(self) -> float:
        return max(self)

    @property
    def solved(self) -> bool:
        return self.dual <= DUAL and self.complementarity <= COMPLEMENTARITY and self.violation <= VIOLATION

    @property
    def nearly_solved(self) -> bool:
        return max(self.dual, 10.0 * self.complementarity) <= NEARLY and self.violation <= NEARLY_VIOLATION


def minimise(
    stages: Stages,
    bounds: Bounds,
    x: Array,
    *,
    barrier: float,
    warm: tuple[Array, Array] | None = None,
    most: int = 300,
    until: float = np.inf,
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
    until : float
        This thread's processor time at which it gives up [s].

    Raises
    ------
    SolveError
        It does not converge.
    """
    frame = _frame(stages, bounds)
    try:
        return _descend(frame, _start(frame, x, barrier, warm), barrier, most, until)
    except StuckError as error:
        raise SolveError(f"no minimum-time line found ({error})", status="stuck") from error


def _frame(stages: Stages, bounds: Bounds) -> Frame:
    low, high = np.isfinite(bounds.g_low), np.isfinite(bounds.g_high)
    fixed = low & (bounds.g_low == bounds.g_high)
    slack = (low | high) & ~fixed
    box = box_of(
        np.concatenate([bounds.x_low, np.where(slack, bounds.g_low, -np.inf)]),
        np.concatenate([bounds.x_high, np.where(slack, bounds.g_high, np.inf)]),
    )
    unslack = np.flatnonzero(~slack)
    free = np.flatnonzero(~(slack | fixed))
    return Frame(stages, box, slack, unslack, np.flatnonzero(fixed), free, np.where(fixed, bounds.g_low, 0.0))


def _start(frame: Frame, x: Array, barrier: float, warm: tuple[Array, Array] | None) -> Point:
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
    if warm is not None:
        y[frame.fixed] = warm[1][frame.fixed]
    return Point(v, y, duals)


def _errors(frame: Frame, at: Local, point: Point) -> _Errors:
    """Errors of the problem without a barrier."""
    y, (low, high), n = point.y, point.duals, frame.stages.size
    slope = high - low
    slope[:n] += at.slope + frame.stages.back(y)
    slope[n:] -= y
    slope[n:][frame.unslack] = 0.0
    total, count = float(low.sum() + high.sum()), max(frame.box.bounds, 1)
    scale_dual = max(100.0, (float(np.abs(y).sum()) + total) / (y.size + count)) / 100.0
    worst = max(float(each.max()) for each in products(at.gaps, point.duals))
    return _Errors(
        float(np.abs(slope).max()) / scale_dual,
        worst / (max(100.0, total / count) / 100.0),
        float(np.abs(at.miss).max()),
    )


class _Barrier:
    """Which barrier a step takes.

    Free, by Mehrotra's rule, as long as the errors fall; held where they do not, until the problem of the held one is
    solved closely enough.
    """

    def __init__(self, mu: float, violation: float) -> None:
        self.mu, self.free = mu, True
        self._first = violation
        self._filter = Filter(violation)
        self._recent: list[float] = []

    def following(self, newton: Newton, errors: _Errors) -> Point:
        """The next iterate.

        Raises
        ------
        StuckError
            No step improves.
        """
        self._watch(newton, errors)
        if self.free:
            aim = predicted(newton, self._tau, max(errors.dual, errors.violation))
            self.mu = aim.mu
            found = line_search(newton, Filter(self._first), aim, self._tau)
            if found is not None:
                return found
            self._hold(newton)
        aim = aimed(newton, self.mu, central(newton.frame.box, newton.at.gaps, self.mu))
        found = line_search(newton, self._filter, aim, self._tau)
        if found is None:
            raise StuckError("no step improves")
        return found

    @property
    def _tau(self) -> float:
        return max(0.99, 1.0 - self.mu)

    def _watch(self, newton: Newton, errors: _Errors) -> None:
        """Hold the barrier or let it go."""
        if self.free and self._recent and errors.worst > PROGRESS * max(self._recent[-MEMORY:]):
            self._hold(newton)
        self._recent.append(errors.worst)
        if not self.free and max(errors.dual, errors.violation) <= 10.0 * self.mu:  # eq. 7
            low, high = products(newton.at.gaps, newton.point.duals)
            apart = np.abs(low - self.mu)[newton.frame.box.has_low], np.abs(high - self.mu)[newton.frame.box.has_high]
            self.free = max(float(each.max(initial=0.0)) for each in apart) <= 10.0 * self.mu

    def _hold(self, newton: Newton) -> None:
        self.free, self._filter = False, Filter(self._first)
        self.mu = max(LEAST_BARRIER, 0.8 * mean_product(newton.frame.box, newton.at.gaps, newton.point.duals))


def _descend(frame: Frame, point: Point, mu: float, most: int, until: float) -> Found:
    """Iterate to convergence."""
    n, shift, near = frame.stages.size, Shift(), 0
    at = local_at(frame, point.v)
    barrier = _Barrier(mu, float(np.abs(at.miss).sum()))
    for iterations in range(most + 1):
        errors = _errors(frame, at, point)
        near = near + 1 if errors.nearly_solved else 0
        if errors.solved or near >= NEARLY_STEPS:
            return Found(point.v[:n].copy(), (point.duals.high - point.duals.low)[:n], point.y, iterations)
        if time.thread_time() > until:
            raise StuckError(f"not converged in the time allowed, after {iterations} iterations")
        point = barrier.following(newton_at(frame, at, point, shift), errors)
        at = local_at(frame, point.v)
    raise StuckError(f"not converged after {most} iterations")
