"""How fast an invented driver goes along a line: the kart's own limits, used with habits and faults.

A coasting driver has no drive, a gentle one less braking grip, and a slide costs as if it were a resistance.  What the
pedals do is then rounded in time.  The passes run over a session as one long line, in plain floats.  The solver's
passes (:mod:`linelab.speed.profile`) know a kart at its limit; here braking and driving grip, resistance and a cap on
the speed vary along the line.  Explicit steps of a quarter of a metre are good to about a thousandth.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import sqrt

import numpy as np

from linelab.drive.faults import (
    AbruptPower,
    BrakesEarly,
    BrakesSoftly,
    Coasts,
    Fault,
    Habits,
    LatePower,
    Slides,
    Spin,
    Stop,
    Traffic,
)
from linelab.drive.motion import Plan, extent, smooth_noise
from linelab.model.grip import (
    KartNumbers,
    LoadLines,
    Surface,
    brake_friction,
    closed_throttle,
    drive_friction,
    drive_power,
    kart_numbers,
    load_lines,
)
from linelab.model.kart import Kart
from linelab.model.lap import Line
from linelab.model.track import Track
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


#: Speed at which the out lap begins [m/s].
ROLLING = 6.0
#: Deceleration of a braking [m/s²]: gentler is rolling down.
BRAKING = 1.5
#: Length of a slide [m], and the slip angle it has for each m/s lost [rad s/m].
SLIDE, SLIP = 10.0, 0.12
#: Share of the braking grip left to a kart that slides to a stop sideways [-]; speed of one that "stands" [m/s].
SIDEWAYS, STANDING = 0.7, 0.03
#: Time step on which the pedals are rounded [s].
PEDAL_STEP = 0.005


def driven_speed(
    track: Track, kart: Kart, line: Line, habits: Habits, plan: Plan, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Speed (N,) [m/s] and slip angle of the kart's body (N,) [rad] at the nodes."""
    numbers = kart_numbers(kart)
    demands = demands_on(line, numbers, _grip_used(track, habits, plan, rng))
    plain = fastest(demands, ROLLING)
    corners = _slowest(track, plan, plain)
    for _, slowest in corners.values():
        if plain[slowest - 1] > plain[slowest] - 1e-9 and plain[slowest - 20] > plain[slowest] + 0.5:  # slowed for
            _power_built(demands, plan, slowest, habits.power_build)
    closed = closed_throttle(kart, np.sqrt(plain))  # the other resistances are the kart's always
    for lap, fault in plan.faults:
        _apply(fault, demands, plan, plain, corners[lap, fault.corner], closed)
    for incident in habits.incidents:
        _spoil(incident, demands, plan, plain, track.length)
    fast = fastest(demands, ROLLING)
    hold(demands, fast)
    gentle = rounded(line.distance, np.sqrt(np.minimum(fast, demands.limit)), habits.pedal_time)
    # Rounding moves a braking a little: where it now meets more cornering than the grip allows, the passes correct it.
    demands.limit = np.minimum(demands.limit, gentle**2)
    v = rounded(line.distance, np.sqrt(fastest(demands, ROLLING)), 0.2 * habits.pedal_time)
    for incident in habits.incidents:
        if isinstance(incident, Stop | Spin):
            _stand(v, plan, (incident.lap - 1) * track.length + incident.station, incident.seconds)
    return v, demands.slip


def _grip_used(track: Track, habits: Habits, plan: Plan, rng: np.random.Generator) -> Array:
    """Share of the grip used at each node."""
    noise = smooth_noise(plan.s.size, plan.step, habits.pace_scatter_length, rng)
    share = habits.grip_share * (1.0 + habits.pace_scatter * np.clip(noise, -3.0, 3.0))
    share = np.minimum(share, 1.0)
    end, ramp = plan.laps * track.length, 40.0
    cool = np.clip(np.maximum(-plan.s, plan.s - end - ramp) / ramp, 0.0, 1.0)
    return np.asarray(share + cool * (habits.cool_share - share))


def _slowest(track: Track, plan: Plan, z: Array) -> dict[tuple[int, int], tuple[int, int]]:
    """Node of the corner's apex by its geometry, and of its lowest speed, by (lap, corner number)."""
    found = {}
    for lap in range(plan.laps + 2):
        for corner in track.corners:
            base = (lap - 1) * track.length
            start, end = extent(track, corner)
            part = plan.between(base + start, base + end)
            if part.stop - part.start > 4 and plan.s[0] < base + start and base + end < plan.s[-1]:
                at = part.start + int(np.argmin(z[part]))
                found[lap, corner.number] = (plan.index(base + corner.s_apex), at)
    return found


def _power_built(demands: Demands, plan: Plan, slowest: int, length: float) -> None:
    """Drive that grows over a distance after the lowest speed."""
    count = round(length / plan.step)
    part = slice(slowest, min(slowest + count, plan.s.size))
    size = part.stop - part.start
    demands.drive[part] = np.minimum(demands.drive[part], (np.arange(size) + 1.0) / (count + 1.0))


def _coast(demands: Demands, part: slice, engine: Array) -> None:
    """Neither pedal."""
    demands.drive[part] = 0.0
    demands.resist[part] += engine[part]


def _apply(fault: Fault, demands: Demands, plan: Plan, plain: Array, corner: tuple[int, int], engine: Array) -> None:
    """Put one fault of one lap into the demands."""
    apex, slowest = corner
    at = float(plan.s[slowest])
    if isinstance(fault, BrakesEarly):
        brake = float(plan.s[_braking_since(plan, plain, slowest)])
        part = plan.between(brake - fault.metres, at)
        ahead = np.minimum(np.arange(part.start, part.stop) + round(fault.metres / plan.step), slowest)
        demands.limit[part] = np.minimum(demands.limit[part], plain[ahead])
    elif isinstance(fault, BrakesSoftly):
        part = slice(_braking_since(plan, plain, slowest, pauses=True), slowest)
        longer = plan.between(float(plan.s[part.start]) - (at - float(plan.s[part.start])) / fault.share, at)
        demands.brake[longer] *= fault.share
    elif isinstance(fault, Coasts):
        brake = float(plan.s[_braking_since(plan, plain, slowest)])
        demands.drive[plan.between(brake - fault.metres, 0.5 * (brake + at))] = 0.0  # braking begins later now
        part = plan.between(brake - fault.metres, min(brake + 4.0, at))
        _coast(demands, part, engine)
        demands.held.append(slice(part.stop - 1, slowest + 1))  # no more power before the corner's own
    elif isinstance(fault, LatePower):
        _coast(demands, plan.between(at, at + fault.metres), engine)
    elif isinstance(fault, AbruptPower):
        demands.drive[plan.between(at, at + 6.0)] = 1.0
        _slide(demands, plan, plain, at + 2.0, fault.speed_lost)
    elif isinstance(fault, Slides):
        part = _slide(demands, plan, plain, float(plan.s[apex]) - 0.5 * SLIDE, fault.speed_lost)
        demands.drive[part] = 0.0


def _braking_since(plan: Plan, z: Array, slowest: int, *, pauses: bool = False) -> int:
    """Node where the braking that ends before the lowest speed begins; that node itself where nothing is braked."""
    low = max(slowest - round(150.0 / plan.step), 0)
    ax = np.diff(z[low : slowest + 1]) / (2.0 * plan.step)
    braking = np.flatnonzero(ax < -BRAKING)
    if not braking.size or braking[-1] < ax.size - round(25.0 / plan.step):
        return slowest
    breaks = np.flatnonzero(np.diff(braking) > round((8.0 if pauses else 4.0) / plan.step))
    return low + int(braking[breaks[-1] + 1 if breaks.size else 0])


def _slide(demands: Demands, plan: Plan, plain: Array, start: float, lost: float) -> slice:
    """A slide from a station on: a resistance that takes ``lost`` [m/s], the body turned in; the nodes."""
    part = plan.between(start, start + SLIDE)
    size = part.stop - part.start
    shape = np.sin(np.linspace(0.0, np.pi, size)) ** 2
    v = float(np.sqrt(plain[part].mean()))
    demands.resist[part] += 2.0 * shape * v * lost / SLIDE
    demands.slip[part] += SLIP * lost * shape
    return part


def _spoil(incident: object, demands: Demands, plan: Plan, plain: Array, length: float) -> None:
    """Put an incident into the demands."""
    if isinstance(incident, Traffic):
        start = (incident.lap - 1) * length + incident.station
        part = plan.between(start, start + incident.metres)
        demands.limit[part] = np.minimum(demands.limit[part], incident.speed_share**2 * plain[part])
    elif isinstance(incident, Stop | Spin):
        at = (incident.lap - 1) * length + incident.station
        part = plan.between(at, at + max(incident.seconds * STANDING, 2.0 * plan.step))
        demands.limit[part] = CREEP**2
        away = plan.between(at, at + 40.0)  # whoever has stopped drives off, whatever the habits here
        demands.drive[away], demands.resist[away] = 1.0, 0.0
        if isinstance(incident, Spin):
            slide = plan.between(at - 12.0, at)
            demands.brake[slide] *= SIDEWAYS
            turn = np.linspace(0.0, 1.0, slide.stop - slide.start)
            demands.slip[slide] += 2.0 * np.pi * turn**2 * (3.0 - 2.0 * turn)
            demands.slip[slide.stop :] += 2.0 * np.pi


def _stand(v: Array, plan: Plan, station: float, seconds: float) -> None:
    """Slow the creeping kart so that it spends ``seconds`` at the station."""
    part = plan.between(station, station + max(seconds * STANDING, 2.0 * plan.step))
    v[part] = (part.stop - part.start - 1) * plan.step / seconds


def rounded(distance: Array, v: Array, time: float) -> Array:
    """Speed (N,) rounded in time so that a pedal takes twice ``time`` [s] to change, nowhere faster than before.

    The least speed within ``time`` on either side is taken, then a Hann-weighted mean over the same window: a mean of
    values none of which exceeds the speed at the middle.
    """
    from scipy.ndimage import convolve1d, minimum_filter1d

    count = round(time / PEDAL_STEP)
    if count < 1:
        return v.copy()
    t = times(distance, v)
    even = np.arange(0.0, t[-1] + PEDAL_STEP, PEDAL_STEP)
    lowest = minimum_filter1d(np.interp(even, t, v), 2 * count + 1, mode="nearest")
    weights = np.hanning(2 * count + 3)[1:-1]
    return np.asarray(np.interp(t, even, convolve1d(lowest, weights / weights.sum(), mode="nearest")))


def times(distance: Array, v: Array) -> Array:
    """Time of passing each node (N,) [s]: the acceleration is constant between nodes, so this is exact."""
    return np.concatenate([[0.0], np.cumsum(2.0 * np.diff(distance) / (v[1:] + v[:-1]))])
