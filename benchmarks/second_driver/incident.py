"""Incidents in a session: a spin, a stop, a slow lap, a trip off the road. The rest of the drive stays as it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.interpolate import Akima1DInterpolator
from scipy.ndimage import gaussian_filter1d

from .circuit import Array
from .driver import TICK, Drive
from .kart import GRAVITY, Kart
from .session import Session, _bump, _crossing, _rise

KINDS = ("spin", "stop", "slow_lap", "excursion")
SOFTNESS = 0.07  # [s] over which a change of acceleration is spread
MARGIN = 30  # samples on either side in which the change of acceleration is spread
STILL = 0.05  # [m/s] slower than this a direction of motion means nothing
MOST_SLIDE = 28.0  # [m] a spinning kart comes to rest within this


class IncidentError(Exception):
    """An incident does not fit where it was asked for."""


@dataclass(frozen=True)
class Incident:
    """What happened: begin and end [s] of the drive that differs from the one without it, the laps this touches
    (0 and one beyond the last: outside the timed laps), the station [m] in the lap and the place [m] of the lowest
    speed or, off the road, of the point furthest from the line, the time lost [s], the lowest speed [m/s] and how far
    the kart's middle gets beyond an edge [m] (0: stays on)."""

    kind: str
    lap: int
    laps: tuple[int, ...]
    begin: float
    end: float
    place_s: float
    place_xy: tuple[float, float]
    lost: float
    slowest: float
    off_road: float


@dataclass(frozen=True)
class _Course:
    """Another way through samples `first` to `last` of a drive: to the left by `left` [m], under the speeds `cap`
    [m/s], turned by `yaw` [rad] against the direction of motion about a point `arm` [m] behind the aerial; with a loop
    of a radius [m] (left positive, 0: none) at sample `rest`, and a target [s] for the time lost by waiting there."""

    first: int
    left: Array
    cap: Array
    yaw: Array
    rest: int  # counted from first
    loop: float = 0.0
    wait: float = 0.0
    lose: float | None = None
    arm: float = 0.0
    brake: float = 6.0  # [m/s^2]


def _speeds(kart: Kart, step: Array, free: Array, cap: Array, brake: float) -> Array:
    """Return the speeds [m/s] under a cap: `free` where possible, braking and driving off as a kart can."""
    v = np.minimum(free, cap)
    gain = free[:-1] ** 2 - free[1:] ** 2  # where the kart brakes anyway it may brake as hard as that
    for k in range(len(v) - 2, -1, -1):
        if v[k + 1] < free[k + 1] - 1e-9:
            v[k] = min(v[k], np.sqrt(v[k + 1] ** 2 + max(2 * brake * step[k], gain[k])))
    strongest = 0.8 * float(kart.drive_peak())
    for k in range(len(v) - 1):
        if v[k] < free[k] - 1e-9:
            push = min(0.92 * float(kart.engine(v[k])) / kart.mass, strongest)
            push -= float(kart.drag(v[k], 0.0, GRAVITY))
            v[k + 1] = min(v[k + 1], np.sqrt(v[k] ** 2 + 2 * max(push, 0.2) * step[k]))
    return v


def _detour(drive: Drive, kart: Kart, way: _Course) -> tuple[int, int, dict[str, Array], float]:
    """Return the first and the last sample replaced (exclusive), the new samples, and the time lost [s]."""
    span = slice(way.first, way.first + len(way.left))
    psi, free = drive.psi[span], drive.v[span]
    x, y = drive.x[span] - way.left * np.sin(psi), drive.y[span] + way.left * np.cos(psi)
    columns = np.column_stack([x, y, drive.s[span], drive.n[span] + way.left, drive.z[span], psi, psi + way.yaw])
    cap, r = way.cap.copy(), way.rest
    if way.loop:  # facing backwards, drives a half circle towards the road
        turn = np.linspace(0, np.pi, 60)[1:-1]
        back, side = -abs(way.loop) * np.sin(turn), way.loop * (1 - np.cos(turn))
        c, d = np.cos(psi[r]), np.sin(psi[r])
        facing = psi[r] + way.yaw[r] - np.sign(way.loop) * turn
        one = np.ones(len(turn))
        arc = np.column_stack([
            x[r] + back * c - side * d, y[r] + back * d + side * c, drive.s[span][r] + back,
            columns[r, 3] + side, columns[r, 4] * one, psi[r] * one, facing,
        ])  # fmt: skip
        columns = np.vstack([columns[: r + 1], arc, columns[r + 1 :]])
        cap = np.concatenate([cap[: r + 1], np.full(len(turn), 2.6), cap[r + 1 :]])
        free = np.concatenate([free[: r + 1], np.full(len(turn), 99.0), free[r + 1 :]])
    step = np.maximum(np.hypot(*np.diff(columns[:, :2], axis=0).T), 1e-6)
    cap = np.minimum(cap, _holding(columns, way, step, kart))
    v = _speeds(kart, step, free, cap, way.brake)
    other = np.flatnonzero((v < free - 1e-9) | (np.hypot(*(columns[:, :2] - _old(drive, span, columns, r)).T) > 1e-6))
    if len(other) == 0 or other[0] < MARGIN or other[-1] > len(v) - 2 - MARGIN:
        raise IncidentError("the kart is not back on its way before the stretch ends: choose another place or lap")
    a, b = int(other[0]) - MARGIN, int(other[-1]) + MARGIN
    columns, v, step = columns[a : b + 1], v[a : b + 1], step[a:b]
    first, last = way.first + a, way.first + len(way.left) - (len(free) - b)
    took = 2 * step / np.maximum(v[:-1] + v[1:], 1e-3)
    usual = (last - first) * TICK
    wait = way.wait if way.lose is None else max(0.2, way.lose - (took.sum() - usual))
    moment = np.append(0.0, np.cumsum(took))
    halt = r - a
    moment, at_halt = np.insert(moment, halt, moment[halt]), np.insert(v, halt, v[halt])
    moment[halt + 1 :] += wait if way.wait or way.lose is not None else 0.0
    count = int(np.ceil(moment[-1] / TICK))
    grid = np.arange(count + 1) * TICK
    pad = 60
    fast = np.interp(grid, moment * (count * TICK / moment[-1]), at_halt)
    fast = np.concatenate([drive.v[first - pad : first], fast, drive.v[last + 1 : last + 1 + pad]])
    fast = gaussian_filter1d(fast, SOFTNESS / TICK)[pad : pad + count + 1]
    along = np.append(0.0, np.cumsum((fast[1:] + fast[:-1]) / 2))
    far = np.append(0.0, np.cumsum(step))
    values = Akima1DInterpolator(far, columns)(np.minimum(along * (far[-1] / along[-1]), far[-1]))
    if way.loop:  # at the turning point the two facings are half a turn apart by the path, not by the kart
        values[:, 6] = np.interp(along * (far[-1] / along[-1]), far, columns[:, 6])
    px = values[:, 0] + way.arm * (np.cos(values[:, 6]) - np.cos(values[:, 5]))
    py = values[:, 1] + way.arm * (np.sin(values[:, 6]) - np.sin(values[:, 5]))
    new = _moved(px[:-1], py[:-1], drive, kart, first, last)
    return first, last, new | {"s": values[:-1, 2], "n": values[:-1, 3], "z": values[:-1, 4]}, count * TICK - usual


def _holding(columns: Array, way: _Course, step: Array, kart: Kart) -> Array:
    """Return the speeds [m/s] at which the tyres hold the kart on the part of another line that it steers along."""
    far = np.append(0.0, np.cumsum(step))
    even = np.arange(0, far[-1], 0.25)
    x, y = (gaussian_filter1d(np.interp(even, far, columns[:, k]), 4) for k in (0, 1))
    bend = np.abs(np.gradient(np.unwrap(np.arctan2(np.gradient(y), np.gradient(x))), 0.25))
    fast = np.sqrt(float(kart.side_peak()) / np.maximum(np.interp(far, even, bend), 1e-6))
    extra = len(columns) - len(way.left)
    aside = np.insert(np.abs(way.left), way.rest, np.full(extra, 1.0)) > 0.02
    if way.arm:  # nobody steers before the rest
        aside[: way.rest + extra + 8] = False
    return np.where(aside, fast, 99.0)


def _old(drive: Drive, span: slice, columns: Array, r: int) -> Array:
    """Return the places [m] without the incident, one for every row of the new way."""
    old = np.column_stack([drive.x[span], drive.y[span]])
    extra = len(columns) - len(old)
    return np.vstack([old[: r + 1], np.repeat(old[r : r + 1], extra, axis=0), old[r + 1 :]])


def _moved(x: Array, y: Array, drive: Drive, kart: Kart, first: int, last: int) -> dict[str, Array]:
    """Return place, speed, acceleration, course and curvature of a stretch between two kept ones."""
    wide = [
        np.concatenate([old[first - 5 : first], own, old[last : last + 5]]) for old, own in ((drive.x, x), (drive.y, y))
    ]
    vx, vy = (np.gradient(w, TICK) for w in wide)
    v = np.hypot(vx, vy)
    psi = np.arctan2(vy, vx)
    known = np.maximum.accumulate(np.where(v > STILL, np.arange(len(v)), 0))  # held while the kart stands
    psi = np.unwrap(psi[known])
    psi += 2 * np.pi * np.round((drive.psi[first - 5] - psi[0]) / (2 * np.pi))
    ax = np.gradient(v, TICK)
    kappa = np.clip(np.gradient(psi, TICK) / np.maximum(v, 0.5), -3, 3)
    inner = slice(5, -5)
    usage = np.minimum(kart.usage(ax, kappa * v * v), 1.0)[inner]
    gas, brake = np.clip(ax / 3, 0, 1)[inner], np.clip(-ax / 6, 0, 1)[inner]
    return {
        "x": x, "y": y, "v": v[inner], "ax": ax[inner], "psi": psi[inner], "kappa": kappa[inner], "gas": gas,
        "brake": brake, "usage": usage, "wished": usage,
    }  # fmt: skip


def _spliced(drive: Drive, first: int, last: int, new: dict[str, Array]) -> Drive:
    """Return the drive with samples from first to last (exclusive) replaced; the clock runs on evenly."""
    arrays = {}
    for f in fields(Drive):
        if f.name != "t":
            old = getattr(drive, f.name)
            arrays[f.name] = np.concatenate([old[:first], new[f.name], old[last:]])
    turns = np.round((arrays["psi"][first + len(new["x"])] - new["psi"][-1]) / (2 * np.pi))
    arrays["psi"][first + len(new["x"]) :] -= 2 * np.pi * turns
    return Drive(t=np.arange(len(arrays["x"])) * TICK, **arrays)


def _stretch(drive: Drive, centre: float, back: float, ahead: float) -> tuple[slice, Array]:
    """Return the samples about a station [m] and their distance from it [m]; the ends of a drive stay out."""
    inside = np.flatnonzero((drive.s > centre - back) & (drive.s < centre + ahead))
    span = slice(max(int(inside[0]), 100), min(int(inside[-1]), len(drive.s) - 100))
    return span, drive.s[span] - centre


def _outward(session: Session, at: int, side: float | None = None) -> tuple[float, float]:
    """Return the side (1: left) that lies outside of the bend at a sample, and the room [m] to the edge there."""
    side = side or (-1.0 if session.kappa[at] > 0 else 1.0)
    reach = np.arange(0, 15, 0.05)
    x = session.x[at] - side * reach * np.sin(session.psi[at])
    y = session.y[at] + side * reach * np.cos(session.psi[at])
    beyond = np.flatnonzero(session.circuit.edge_gap(x, y) < 0)
    return side, float(reach[beyond[0]]) if len(beyond) else 4.0


def _way(session: Session, kind: str, centre: float, rng: np.random.Generator) -> _Course:
    """Draw an incident of a kind at a station [m] counted from the first lap's beginning."""
    drive, length = session.drive, session.circuit.road.length
    if kind == "slow_lap":
        begin = np.floor(centre / length) * length + rng.uniform(0.11, 0.15) * length
        span, away = _stretch(drive, begin, 250, 1.2 * length)
        size = len(away)
        wave = gaussian_filter1d(rng.normal(size=size), 150)
        limit = rng.uniform(0.42, 0.6) * np.quantile(drive.v, 0.95) * (1 + 0.06 * wave / np.std(wave))
        slow = (away > 0) & (away < 0.65 * length)
        cap = np.where(slow, np.minimum(limit, rng.uniform(0.7, 0.85) * drive.v[span]), 99.0)
        zero = np.zeros(size)
        return _Course(span.start, zero, cap, zero, int(np.argmin(cap)), brake=rng.uniform(2, 4))
    span, away = _stretch(drive, centre, 150, 500)
    zero, cap, r = np.zeros(len(away)), np.full(len(away), 99.0), int(np.argmin(np.abs(away)))
    if kind == "stop":
        cap[r] = 0.0
        aside = rng.uniform(0.3, 1.2) * np.sign(rng.normal())  # a kart that stops does not stop on the line
        low, high = session.circuit.road.bounds(session.kart.half_width)
        k = round(centre % length / length * len(low)) % len(low)
        aside = float(np.clip(drive.n[span][r] + aside, low[k], high[k]) - drive.n[span][r])
        left = aside * _bump(away, 30.0, 25.0)
        return _Course(span.start, left, cap, zero, r, wait=rng.uniform(5, 30), brake=rng.uniform(2.5, 5.5))
    side, room = _outward(session, span.start + r)
    if kind == "excursion":
        beyond = rng.uniform(1.0, 4.0)
        shape, out = side * _bump(away - 8.0, rng.uniform(22, 32), rng.uniform(35, 55)), room + beyond
        for _ in range(4):
            x, y = (
                drive.x[span] - out * shape * np.sin(drive.psi[span]),
                drive.y[span] + out * shape * np.cos(drive.psi[span]),
            )
            off = -float(session.circuit.edge_gap(x[shape != 0], y[shape != 0]).min())
            out = float(np.clip(out + beyond - off, 0.5, room + 5))
        left = out * shape
        slow = np.abs(left) > room - session.kart.half_width
        if off < 0.5 or not slow.any():
            raise IncidentError("there is no room to drive off the road here, another piece of it lies beyond")
        cap[slow] = rng.uniform(0.55, 0.8) * float(drive.v[span][slow].min())  # grass: off the power
        return _Course(span.start, left, cap, zero, int(np.argmax(np.abs(left))), brake=rng.uniform(3, 5))
    # The spin begins at the centre; the kart slides on, more straight ahead than the bend, until it (nearly) rests.
    scrub = rng.uniform(3.5, 6.0)
    v0, bend = float(drive.v[span][r]), float(abs(drive.kappa[span][r]))
    slide = min(v0**2 / (2 * scrub), MOST_SLIDE)
    rest = int(np.searchsorted(away, slide))
    _, room = _outward(session, span.start + rest, side)
    out = min(max(0.5 * rng.uniform(0.35, 0.7) * bend * slide**2, 1.2), room + rng.uniform(0, 3.5))
    half = rng.random() < 0.5 or v0 < 1.8 * scrub  # ends backwards, or turns all the way round where there is time
    radius = rng.uniform(1.7, 2.4) if half else 0.0
    left = side * out * _rise(away / slide)
    home = rng.uniform(28, 45)
    left[rest + 1 :] = side * (out - 2 * radius) * (1 - _rise((away[rest + 1 :] - slide) / home))
    cap[rest] = 0.0
    turned = np.pi if half else 2 * np.pi
    yaw = -side * turned * _rise(1 - np.sqrt(np.clip(1 - away / away[rest], 0, 1)))  # evenly in time
    yaw[rest + 1 :] = 0.0 if half else yaw[rest]
    return _Course(
        span.start, left, cap, yaw, rest, loop=-side * radius, lose=rng.uniform(4, 15),
        arm=rng.uniform(0.2, 0.5), brake=v0**2 / (2 * slide),
    )  # fmt: skip


def _places(session: Session, kind: str, lap: int, rng: np.random.Generator) -> list[float]:
    """Return stations [m] to try in turn, in a lap."""
    length = session.circuit.road.length
    begin = (lap - 1) * length
    if kind == "slow_lap":
        return [begin + 1.0]
    if kind == "stop":
        return [begin + length * u for u in rng.uniform(0.08, 0.75, size=12)]
    # a spin begins on the way in, at the apex or as the power comes; one drives off where one is carried wide
    spots = [(c.apex, c.power + 3 if kind == "spin" else c.exit) for c in session.corners]
    some = [float(rng.uniform(*sorted(spot))) for spot in 3 * spots]
    fit = [p for p in some if 40 < p < 0.85 * length] or some
    return [begin + fit[int(k)] for k in rng.permutation(len(fit))]


def with_incidents(
    session: Session, wishes: Sequence[tuple[str, int] | tuple[str, int, float]], seed: int
) -> tuple[Session, list[Incident]]:
    """Return the session with incidents planted, and the truth about them in the order of the wishes.

    A wish is a kind (one of KINDS), a lap (from 1) and, if wanted, the station [m] in that lap. Without a station the
    incident lies within its lap wherever there is such a place. Outside an incident the samples are those of the
    session given, only later. Habits stay planted in all laps; figures of laps with an incident mean nothing.

    Raises IncidentError when an incident does not fit.
    """
    rng = np.random.default_rng([seed, 77003])
    road, done, planted = session.circuit.road, session, []
    for wish in wishes:
        kind, lap = wish[0], wish[1]
        if kind not in KINDS or not 1 <= lap <= len(session.laps):
            raise IncidentError(f"{wish}: the kinds are {', '.join(KINDS)}, the laps 1 to {len(session.laps)}")
        places = _places(session, kind, lap, rng) if len(wish) == 2 else [(lap - 1) * road.length + wish[2]]
        found = None
        for within in (True, False):  # rather within the lap
            for place in places:
                try:
                    found = _plant(done, planted, kind, lap, place, within, rng)
                    break
                except IncidentError as error:
                    why = error
            if found or len(wish) == 3:
                break
        if found is None and len(wish) == 3:
            found = _plant(done, planted, kind, lap, places[0], False, rng)
        if found is None:
            raise IncidentError(f"{kind} in lap {lap}: {why}")
        done, planted = found
    return done, planted


def _plant(
    session: Session, planted: list[Incident], kind: str, lap: int, place: float, within: bool, rng: np.random.Generator
) -> tuple[Session, list[Incident]]:
    """Return the session with one more incident, and all incidents with their times as they are now."""
    road = session.circuit.road
    way = _way(session, kind, place, rng)
    first, last, new, lost = _detour(session.drive, session.kart, way)
    begin, until = first * TICK, last * TICK
    if any(begin < one.end + 1 and until > one.begin - 1 for one in planted):
        raise IncidentError("it would run into another incident")
    drive = _spliced(session.drive, first, last, new)
    count = len(session.laps)
    times = [_crossing(session.circuit, drive, k * road.length) for k in range(count + 1)]
    end = (first + len(new["x"])) * TICK
    touched = tuple(int(k) for k in np.unique(np.searchsorted(times, [begin, end], side="right")))
    touched = tuple(range(touched[0], touched[-1] + 1))
    if within and touched != (lap,):
        raise IncidentError("it reaches into another lap")
    laps = [
        {"number": k + 1, "start": times[k], "end": times[k + 1], "time": times[k + 1] - times[k]} for k in range(count)
    ]
    spot = int(
        np.argmax(
            np.abs(new["n"] - np.interp(new["s"], session.drive.s[first : last + 1], session.drive.n[first : last + 1]))
        )
    )
    if kind != "excursion":
        spot = int(np.argmin(new["v"]))
    gap = session.circuit.edge_gap(new["x"], new["y"])
    own = Incident(
        kind, lap, touched, begin, end, float(new["s"][spot] - (lap - 1) * road.length),
        (float(new["x"][spot]), float(new["y"][spot])), lost, float(new["v"].min()), float(max(-gap.min(), 0.0)),
    )  # fmt: skip
    shifted = []
    for one in planted:
        later = lost if one.begin >= until else 0.0
        shifted.append(replace(one, begin=one.begin + later, end=one.end + later))
    return replace(session, drive=drive, laps=laps), [*shifted, own]
