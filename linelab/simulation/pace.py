"""How fast an invented driver goes along a line: the kart's own limits, used with habits and faults.

A coasting driver has no drive, a gentle one less braking grip, and a slide costs as if it were a resistance; see
:mod:`linelab.simulation.limits`.  What the pedals do is then rounded in time.
"""

from __future__ import annotations

import numpy as np

from linelab.grip import closed_throttle, kart_numbers
from linelab.kart import Kart
from linelab.lap import Line
from linelab.simulation.habits import (
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
from linelab.simulation.limits import CREEP, Demands, demands_on, fastest, hold
from linelab.simulation.plan import Plan, extent, smooth_noise
from linelab.track import Track
from linelab.units import Array

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
