"""The filter line search of the interior-point method: which step from an iterate is taken.

Wächter & Biegler 2006, as in :mod:`linelab.solve.interior`; sections and equations named here are theirs.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from linelab.solve.bounds import Duals, Gaps, central, gaps_of, longest, longest_dual, within_span
from linelab.solve.newton import Aim, Newton, Point, Step, residuals
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
    return f - mu * float(np.log(gaps.low * gaps.high).sum())


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
