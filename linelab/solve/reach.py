"""How far a kart's speed can go over one short interval: the step of the forward and backward passes.

The step is the implicit midpoint rule for z = v², dz/ds = 2·ax: with zm = z + h·ax the speed at mid-interval,
the friction ellipse there is a quadratic equation in ax and is solved in closed form,

    ((λ·ax + R)/(mu_x·gn))² + ((b0 + b1·(z + h·ax))/(mu_y·gn))² = 1,

R the resistance, b0 + b1·z the lateral tyre force.  Normal load and resistance are taken at the mid-interval speed
predicted with the previous interval's ax, which keeps second order.  The rule is symmetric, so driving and
braking see the same discretisation.  Plain arithmetic plus ``where``: one code for arrays and for CasADi.

References
----------
.. [1] E. Hairer, C. Lubich & G. Wanner, *Geometric Numerical Integration*, 2nd ed., Springer, 2006, I.1.2:
   implicit midpoint rule.
.. [2] J. E. Bobrow, S. Dubowsky & J. S. Gibson, "Time-optimal control of robotic manipulators along specified paths",
   Int. J. Robotics Research 4(3), 1985: the forward and backward construction.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from linelab.grip import KartNumbers, LoadLines, Surface, brake_friction, drive_friction, load_lines

#: Stands for "not limited by this pass" [m²/s²]; far above any speed.
UNLIMITED = 1.0e6

#: Lowest speed the passes consider [m/s]: below it a point mass says nothing about a kart.
CREEP = 0.3

Where = Callable[[Any, Any, Any], Any]


class Interval(NamedTuple):
    """One interval: its length [m], and what its middle asks of and gives to the tyres."""

    h: Any
    load: LoadLines
    drive: Any  #: driving friction over normal load [-]
    brake: Any  #: braking friction over normal load [-]
    side: Any  #: lateral friction over normal load [-]


def interval(kart: KartNumbers, h: Any, kappa: Any, surface: Surface) -> Interval:
    """Interval from the path's curvature [1/m] and surface at its middle."""
    return Interval(
        h=h,
        load=load_lines(kart, kappa, surface),
        drive=drive_friction(kart, surface.grip),
        brake=brake_friction(kart, surface.grip),
        side=kart.mu_y * surface.grip,
    )


def forward_reach(
    inertia: Any, push: Callable[[Any], Any], z: Any, before: Any, step: Interval, where: Where
) -> tuple[Any, Any]:
    """Greatest v² at the end of an interval entered with ``z`` = v² [m²/s²], driving.

    Parameters
    ----------
    inertia : 1 + rotating mass factor [-]
    push : function of speed [m/s] giving the greatest drive force per mass [m/s²]
    z : v² at the start [m²/s²]
    before : acceleration in the previous interval, the predictor [m/s²]
    step : Interval
    where : elementwise choice

    Returns
    -------
    (v² at the end, or UNLIMITED where only the braking pass limits; acceleration used)
    """
    middle = _floor(z + step.h * before)
    resist = step.load.r0 + middle * (step.load.r1 + middle * step.load.r2)
    by_power = (push(middle**0.5) - resist) / inertia
    by_grip, free = _ellipse_root(inertia, z, middle, resist, step.drive, step, where)
    change = where(by_grip < by_power, by_grip, by_power)
    return where(free, UNLIMITED, _floor(z + 2.0 * step.h * change)), where(free, 0.0 * z, change)


def backward_reach(inertia: Any, z: Any, before: Any, step: Interval, where: Where) -> tuple[Any, Any]:
    """Greatest v² at the start of an interval that must be left with ``z`` = v² [m²/s²], braking.

    ``before`` and the second result are decelerations [m/s²].
    """
    middle = _floor(z + step.h * before)
    resist = step.load.r0 + middle * (step.load.r1 + middle * step.load.r2)
    change, free = _ellipse_root(inertia, z, middle, -resist, step.brake, step, where)
    return where(free, UNLIMITED, _floor(z + 2.0 * step.h * change)), where(free, 0.0 * z, change)


def _ellipse_root(
    inertia: Any, z: Any, middle: Any, resist: Any, friction: Any, step: Interval, where: Where
) -> tuple[Any, Any]:
    """Greatest change of speed on the ellipse, and whether this pass sets no limit.

    It sets none where even pure cornering at this speed is too much, or where only the opposite pedal would
    hold the line: there the other pass decides.
    """
    normal = step.load.n0 + step.load.n1 * middle
    along = 1.0 / (friction * normal)
    across = 1.0 / (step.side * normal)
    side0 = (step.load.b0 + step.load.b1 * z) * across
    side1 = step.load.b1 * step.h * across
    force0, force1 = resist * along, inertia * along
    a2 = force1 * force1 + side1 * side1
    a1 = force1 * force0 + side1 * side0
    inside = a1 * a1 - a2 * (force0 * force0 + side0 * side0 - 1.0)
    root = (abs(inside) ** 0.5 - a1) / a2
    wrong_pedal = inertia * root + resist
    return root, where(inside < wrong_pedal, inside, wrong_pedal) < 0.0


def _floor(z: Any) -> Any:
    """max(z, CREEP²) by plain arithmetic."""
    return 0.5 * (z + CREEP**2 + abs(z - CREEP**2))


def cornering_limit(kart: KartNumbers, kappa: Any, surface: Surface, where: Where) -> Any:
    """Greatest v² that a curvature allows with no longitudinal force [m²/s²], at most the top speed's.

    On a bank phi it is v² = g R (tan phi + mu)/(1 - mu tan phi) for R = 1/kappa (force balance of a banked curve).
    """
    load = load_lines(kart, kappa, surface)
    mu = kart.mu_y * surface.grip
    limit = kart.top_speed * kart.top_speed + 0.0 * kappa
    for side in (1.0, -1.0):
        demand = side * load.b1 - mu * load.n1
        margin = mu * load.n0 - side * load.b0
        bound = where(demand > 1e-12, margin / where(demand > 1e-12, demand, 1.0), UNLIMITED)
        limit = where(bound < limit, bound, limit)
    return _floor(limit)
