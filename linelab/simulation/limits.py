"""Forward and backward pass over a session with what the driver holds back: one long line, plain floats.

The solver's passes (:mod:`linelab.solve.speed`) know a kart at its limit; here braking and driving grip, resistance and
a cap on the speed vary along the line.  Explicit steps of a quarter of a metre are good to about a thousandth.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt

import numpy as np

from linelab.grip import KartNumbers, LoadLines, Surface, brake_friction, drive_friction, drive_power, load_lines
from linelab.lap import Line
from linelab.units import Array

#: Lowest speed considered [m/s]; power over speed is taken at no less.
CREEP = 0.3
#: Steps of the table of drive force per m/s.
_PER_SPEED = 20


@dataclass(kw_only=True, slots=True, eq=False)
class Demands:
    """A kart's limits along a line and how the driver uses them: node arrays (N,), worked on in place."""

    numbers: KartNumbers
    h: Array  #: steps (N-1,) [m]
    load: LoadLines  #: loads as polynomials in v²
    friction: tuple[Array, Array, Array]  #: driving, braking, lateral friction over normal load [-]
    limit: Array  #: greatest v² [m²/s²]
    drive: Array = field(init=False)  #: factor on the driving force [-]
    brake: Array = field(init=False)  #: factor on the braking friction [-]
    resist: Array = field(init=False)  #: added resistance [m/s²]
    slip: Array = field(init=False)  #: slip angle of the body [rad]
    held: list[slice] = field(default_factory=list)  #: stretches gone through no faster than they are begun

    def __post_init__(self) -> None:
        one = np.ones_like(self.limit)
        self.drive, self.brake, self.resist, self.slip = one.copy(), one.copy(), 0.0 * one, 0.0 * one


def demands_on(line: Line, numbers: KartNumbers, share: Array) -> Demands:
    """The kart's own limits on a line, ``share`` (N,) of the grip used [-], nothing else held back."""
    grip = line.grip * share
    load = load_lines(numbers, line.kappa, Surface(line.slope, line.bank, line.vertical_curvature, grip))
    load = LoadLines(*(np.broadcast_to(np.asarray(values, dtype=np.float64), grip.shape) for values in load))
    side = np.asarray(numbers.mu_y * grip)
    friction = (np.asarray(drive_friction(numbers, grip)), np.asarray(brake_friction(numbers, grip)), side)
    top = np.full_like(grip, numbers.top_speed**2)
    return Demands(
        numbers=numbers, h=np.diff(line.distance), load=load, friction=friction,
        limit=np.minimum(top, _cornering(load, side)),
    )  # fmt: skip


def _cornering(load: LoadLines, side: Array) -> Array:
    """Greatest v² (N,) at which ``|b0 + b1 z| <= side·(n0 + n1 z)`` [m²/s²]: a banked curve's limit."""
    found = np.full_like(side, np.inf)
    for sign in (1.0, -1.0):
        demand = sign * load.b1 - side * load.n1
        room = side * load.n0 - sign * load.b0
        found = np.minimum(found, np.where(demand > 1e-9, room / np.maximum(demand, 1e-9), np.inf))
    return np.maximum(found, CREEP**2)


def fastest(demands: Demands, start: float) -> Array:
    """Greatest v² (N,) within the demands, begun at the speed ``start`` [m/s]."""
    z = _forward(demands, start)
    return np.asarray(_backward(demands, z))


def hold(demands: Demands, z: Array) -> None:
    """Cap the speed over the held stretches at what it is at their beginning, ``z`` (N,) being v² [m²/s²]."""
    for part in demands.held:
        demands.limit[part] = np.minimum(demands.limit[part], z[part.start])


def _columns(demands: Demands, force: Array) -> zip[tuple[float, ...]]:
    """Per node, as plain floats: loads, lateral friction, ``force`` over normal load, added resistance."""
    columns = (*demands.load, demands.friction[2], force, demands.resist)
    return zip(*(np.asarray(column).tolist() for column in columns))


def _forward(demands: Demands, start: float) -> list[float]:
    """Driving from each node to the next."""
    v = np.maximum(np.arange(int(float(demands.numbers.top_speed) * _PER_SPEED) + 60) / _PER_SPEED, CREEP)
    push = (np.asarray(drive_power(demands.numbers, v)) / (v * float(demands.numbers.mass))).tolist()
    inertia, limits = float(demands.numbers.inertia), demands.limit.tolist()
    columns = _columns(demands, demands.friction[0])
    z = min(start * start, limits[0])
    found = [z]
    for h, share, bound, column in zip(demands.h.tolist(), demands.drive.tolist(), limits[1:], columns):
        n0, n1, b0, b1, r0, r1, r2, side, friction, resist = column
        normal = n0 + n1 * z
        spare = 1.0 - ((b0 + b1 * z) / (side * normal)) ** 2
        tyre = friction * normal * sqrt(spare) if spare > 0.0 else 0.0
        engine = push[int(sqrt(z) * _PER_SPEED + 0.5)]
        force = share * (engine if engine < tyre else tyre)
        z += 2.0 * h * (force - resist - r0 - z * (r1 + z * r2)) / inertia
        z = bound if z > bound else (z if z > CREEP * CREEP else CREEP * CREEP)
        found.append(z)
    return found


def _backward(demands: Demands, ahead: list[float]) -> list[float]:
    """Braking down to each node from the one before."""
    inertia = float(demands.numbers.inertia)
    columns = list(_columns(demands, demands.friction[1] * demands.brake))
    steps = demands.h.tolist()
    found = ahead.copy()
    z = found[-1]
    for i in range(len(steps) - 1, -1, -1):
        n0, n1, b0, b1, r0, r1, r2, side, friction, resist = columns[i]
        normal = n0 + n1 * z
        spare = 1.0 - ((b0 + b1 * z) / (side * normal)) ** 2
        tyre = friction * normal * sqrt(spare) if spare > 0.0 else 0.0
        before = z + 2.0 * steps[i] * (tyre + resist + r0 + z * (r1 + z * r2)) / inertia
        z = ahead[i] if ahead[i] < before else before
        found[i] = z
    return found
