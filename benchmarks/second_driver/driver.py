"""The driver: a speed plan on the driven line, and the feet that carry it out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, minimum_filter1d, uniform_filter1d

from .circuit import Array, Road
from .kart import AIR, GRAVITY, Kart
from .line import Path2, corner_speed, trace

TICK = 0.01  # [s] time step of the drive
RIPPLE = 7  # grid points, about 2.5 m
GRID = 0.4  # [m] spacing along the path at which the driver plans


Peak = Callable[[float], float]


@dataclass(frozen=True)
class Feet:
    """How a driver's feet work: lags [s] of the first order and the shortest times [s] for a full stroke."""

    gas_lag: float
    gas_stroke: float
    brake_lag: float
    brake_stroke: float
    release_stroke: float
    care: float = 3.0  # [1/s] how keenly the driver corrects a speed that is not the planned one

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Feet:
        """Return a person's feet."""
        return cls(
            *(float(rng.uniform(*r)) for r in ((0.02, 0.05), (0.08, 0.17), (0.02, 0.05), (0.06, 0.15), (0.1, 0.2)))
        )


@dataclass
class Intent:
    """What the driver means to do, one value per station: made neutral, then bent by habits.

    n [m] offset; share of the grip; brake and gas: share of the pedal force allowed; cap [m/s]; scrub [m/s^2]
    extra deceleration by a slide.
    """

    s: Array
    n: Array
    share: Array
    brake: Array
    gas: Array
    cap: Array
    scrub: Array

    @classmethod
    def neutral(cls, s: Array, n: Array, share: float | Array) -> Intent:
        """Return an intent without habits on offsets [m] at stations [m]."""
        one = np.ones(len(s))
        return cls(s, n.copy(), share * one, one.copy(), one.copy(), 99.0 * one, 0.0 * one)


@dataclass(frozen=True)
class Drive:
    """A drive at a fixed time step: t [s], station s [m], x, y, z [m], v [m/s], ax [m/s^2], kappa [1/m],
    psi [rad from east, anticlockwise], gas and brake (0-1), n [m] offset, usage (share of the grip) and
    wished (the share
    the feet asked for)."""

    t: Array
    s: Array
    n: Array
    x: Array
    y: Array
    z: Array
    v: Array
    ax: Array
    kappa: Array
    psi: Array
    gas: Array
    brake: Array
    usage: Array
    wished: Array

    def when(self, station: float) -> float:
        """Return the time [s] at which a station [m] is passed."""
        return float(np.interp(station, self.s, self.t))


def plan(kart: Kart, path: Path2, want: Intent, start_speed: float) -> Array:
    """Return the planned speed [m/s] at the path's grid: backwards for the brake, forwards for the power."""
    top = np.minimum(corner_speed(kart, path, want.share), want.cap)
    # nobody follows every ripple of the limit: the lowest speed of a short stretch, evened out over the same stretch
    top = uniform_filter1d(minimum_filter1d(top, RIPPLE), RIPPLE)
    top[0] = min(top[0], start_speed)
    kappa, grade, bank = path.kappa.tolist(), path.grade.tolist(), path.bank.tolist()
    lift = (path.crest - path.kappa * path.bank).tolist()
    share, gap = want.share.tolist(), np.diff(path.p).tolist()
    side_peak, brake_peak, drive_peak, air = _peaks(kart)
    p, root, idle, m = kart.exponent, 1 / kart.exponent, kart.engine_brake / kart.mass, kart.mass
    z = (top * top).tolist()
    brake = want.brake.tolist()
    for k in range(len(z) - 2, -1, -1):
        e = z[k + 1]
        g_n = GRAVITY + e * lift[k + 1]
        side = kappa[k + 1] * e + GRAVITY * bank[k + 1]
        used = abs(side) / (side_peak(g_n) * share[k + 1])
        room = share[k + 1] * (1 - used**p) ** root if used < 1 else 0.0
        drag = air * e + kart.crr * g_n + kart.scrub * side * side + GRAVITY * grade[k + 1]
        e += 2 * gap[k] * (brake_peak(g_n) * room * brake[k + 1] + drag)
        if e < z[k]:
            z[k] = e
    gas, scrub = want.gas.tolist(), want.scrub.tolist()
    engine, first, step = _engine_table(kart)
    for k in range(len(z) - 1):
        e = z[k]
        g_n = GRAVITY + e * lift[k]
        side = kappa[k] * e + GRAVITY * bank[k]
        used = abs(side) / (side_peak(g_n) * share[k])
        room = share[k] * (1 - used**p) ** root if used < 1 else 0.0
        drag = air * e + kart.crr * g_n + kart.scrub * side * side + GRAVITY * grade[k] + scrub[k]
        push = engine[int((e**0.5 - first) / step)] / m
        push = min(gas[k] * push - (1 - gas[k]) * idle, drive_peak(g_n) * room)
        e += 2 * gap[k] * (push - drag)
        if e < 4.0:
            e = 4.0
        if e < z[k + 1]:
            z[k + 1] = e
    return np.sqrt(np.array(z))


def drive(road: Road, kart: Kart, feet: Feet, want: Intent, start_speed: float) -> tuple[Drive, Array, Path2]:
    """Drive the intended line; return the drive, the planned speed and the path on the stations of the intent."""
    fine = trace(road, want.s, want.n)
    p = np.arange(0, fine.p[-1], GRID)
    s_of_p = CubicHermiteSpline(fine.p, want.s, 1 / fine.stretch)
    names = ("s", "n", "stretch", "kappa", "lean", "grade", "bank", "crest")
    path = Path2(p=p, **{k: np.interp(p, fine.p, getattr(fine, k)) for k in names})
    even = Intent(**{k: np.interp(p, fine.p, getattr(want, k)) for k in vars(want)})
    v_plan = plan(kart, path, even, start_speed)
    at, v, ax, gas, brake, usage, wished = _walk(kart, feet, path, even, v_plan)
    s = s_of_p(at)
    n = CubicHermiteSpline(fine.p, fine.n, np.sin(fine.lean))(at)
    lap = np.mod(s, road.length)
    tx, ty = road.periodic(road.tx)(lap), road.periodic(road.ty)(lap)
    x, y = road.periodic(road.x)(lap) - ty * n, road.periodic(road.y)(lap) + tx * n
    z = road.periodic(road.z)(lap) + n * road.periodic(road.bank)(lap)
    psi = np.unwrap(np.arctan2(ty, tx)) + np.interp(at, fine.p, fine.lean)
    result = Drive(
        np.arange(len(at)) * TICK, s, n, x, y, z, v, ax, np.interp(at, p, path.kappa), psi, gas, brake, usage, wished
    )
    return result, np.interp(fine.p, p, v_plan), fine


def practise(road: Road, kart: Kart, feet: Feet, n: Array, share: float) -> Array:
    """Return the share of the grip to plan for at each station so that the feet end up using `share` on this line.

    Slow feet run ahead of the plan where braking turns into power; a driver learns to leave some room there.
    """
    count = len(road.s)
    step = road.length / count
    index = np.arange(-int(0.3 * count), int(1.2 * count))
    learnt = np.full(count, share)
    for _ in range(4):
        done, _, _ = drive(road, kart, feet, Intent.neutral(index * step, n[index % count], learnt[index % count]), 8.0)
        lap = (done.s >= 0) & (done.s < road.length)
        excess = np.zeros(count)
        np.maximum.at(excess, (done.s[lap] / step).astype(int) % count, done.wished[lap] - share)
        reach = maximum_filter1d(np.maximum(excess, 0), int(8 / step), mode="wrap")
        learnt = learnt - 0.9 * gaussian_filter1d(reach, 3.0 / step, mode="wrap")
        if excess.max() < 0.003:
            break
    return learnt


def _peaks(kart: Kart) -> tuple[Peak, Peak, Peak, float]:
    """Return quick scalar versions of the kart's peaks, and the air drag per v^2 [1/m]."""
    sense, rear = kart.load_sense, kart.rear_share
    arm, lever = (2 * kart.height / kart.track) ** 2 * sense, kart.height / kart.wheelbase

    def side(g_n: float) -> float:
        plain = kart.mu_side * g_n * (1 - sense * (g_n / GRAVITY - 1))
        loss = arm / (g_n * g_n)
        return ((1 + 4 * loss * plain * plain) ** 0.5 - 1) / (2 * loss * plain)

    def brake(g_n: float) -> float:
        mu = kart.mu_along * (1 - sense * (g_n / GRAVITY - 1))
        return mu * rear * g_n / (1 + mu * lever)

    def pull(g_n: float) -> float:
        mu = kart.mu_along * (1 - sense * (g_n / GRAVITY - 1))
        return mu * rear * g_n / (1 - mu * lever)

    return side, brake, pull, 0.5 * AIR * kart.cda / kart.mass


def _engine_table(kart: Kart) -> tuple[list[float], float, float]:
    step = 0.02
    return kart.engine(np.arange(0.0, 100.0, step)).tolist(), 0.0, step


def _walk(kart: Kart, feet: Feet, path: Path2, want: Intent, v_plan: Array) -> tuple[Array, ...]:
    """Go through the drive in time steps: look ahead, move the pedals, feel the grip."""
    # A foot does not follow every ripple of the plan: it aims at the mean over a few metres.
    a_plan = uniform_filter1d(np.append(np.diff(v_plan**2) / (2 * np.diff(path.p)), 0.0), RIPPLE)
    kappa, grade, bank, scrub = (a.tolist() for a in (path.kappa, path.grade, path.bank, want.scrub))
    lift = (path.crest - path.kappa * path.bank).tolist()
    goal_v, goal_a = v_plan.tolist(), a_plan.tolist()
    side_peak, brake_peak, drive_peak, air = _peaks(kart)
    power, root, m = kart.exponent, 1 / kart.exponent, kart.mass
    engine, first, step = _engine_table(kart)
    strongest = m * kart.brake_peak() * 1.15  # [N] the pedal's end lies a little beyond what the tyres can hold
    look = 0.5 * (feet.gas_lag + feet.brake_lag) + 0.25 * (feet.gas_stroke + feet.brake_stroke)
    gas, brake, v, at = 0.5, 0.0, goal_v[0], 0.0
    gas_step, bite, release = TICK / feet.gas_stroke, TICK / feet.brake_stroke, TICK / feet.release_stroke
    gas_mix, brake_mix = TICK / (feet.gas_lag + TICK), TICK / (feet.brake_lag + TICK)
    last = (len(goal_v) - 2) * GRID
    rows = []
    while at + v * look < last - 1:
        k = at / GRID
        i = int(k)
        f = k - i
        bend = kappa[i] + f * (kappa[i + 1] - kappa[i])
        g_n = GRAVITY + v * v * lift[i]
        tilt = GRAVITY * (bank[i] + f * (bank[i + 1] - bank[i]))
        side = bend * v * v + tilt
        slope = GRAVITY * (grade[i] + f * (grade[i + 1] - grade[i]))
        drag = air * v * v + kart.crr * g_n + kart.scrub * side * side
        loss = drag + slope + scrub[i]
        j = (at + v * look) / GRID
        h = int(j)
        wish = goal_a[h] + feet.care * (goal_v[i] + f * (goal_v[i + 1] - goal_v[i]) - v)
        full = engine[int((v - first) / step)]
        force = m * (wish + loss)
        gas_goal = (force + kart.engine_brake) / (full + kart.engine_brake)
        gas_goal = 0.0 if gas_goal < 0 else 1.0 if gas_goal > 1 else gas_goal
        brake_goal = (-force - kart.engine_brake) / strongest if gas_goal == 0.0 else 0.0
        # nobody brakes into a slide: the hands are busy and the foot is off
        brake_goal = 0.0 if brake_goal < 0 or scrub[i] > 0.3 else 1.0 if brake_goal > 1 else brake_goal
        move = gas_mix * (gas_goal - gas)
        gas += gas_step if move > gas_step else -gas_step if move < -gas_step else move
        move = brake_mix * (brake_goal - brake)
        brake += bite if move > bite else -release if move < -release else move
        tyre = (gas * full - (1 - gas) * kart.engine_brake - brake * strongest) / m
        peak = side_peak(g_n)
        used = abs(side) / peak
        # What a slide scrubs off is tyre force too: both together stay within the grip.
        ends = drive_peak(g_n) if tyre > 0 else brake_peak(g_n)
        left = (1 - used**power) ** root if used < 1 else 0.0
        most = ends * left
        slip = scrub[i]
        asked = tyre
        if tyre > most:
            tyre = most
        elif tyre < -most:
            tyre = -most
        if slip > 0 and tyre - slip < -brake_peak(g_n) * left:
            slip = max(0.0, tyre + brake_peak(g_n) * left)
        a = tyre - drag - slope - slip
        wished = ((abs(asked) / (drive_peak(g_n) if asked > 0 else brake_peak(g_n))) ** power + used**power) ** root
        total = (
            (abs(tyre - slip) / (drive_peak(g_n) if tyre > slip else brake_peak(g_n))) ** power + used**power
        ) ** root
        rows.append((at, v, a, gas, brake, total, wished))
        at += v * TICK + 0.5 * a * TICK * TICK
        v += a * TICK
        if v < 1.0:
            v = 1.0
    return tuple(np.array(rows).T)
