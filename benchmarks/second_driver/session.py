"""Plan and drive a session: a driver with habits on a circuit, with everything that really happened."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from .circuit import Array, Circuit, Road, make_circuit
from .driver import Drive, Feet, Intent, drive, practise
from .kart import KARTS, Kart, with_exponent
from .line import best_line

EXPONENTS = (1.6, 1.8, 2.3, 2.6)
CLOSEST = 0.02  # [m] the kart's side may come this near to an edge when a lap is not a perfect one


@dataclass(frozen=True)
class Driver:
    """A driver: share of the grip used, smoothness of the hands [m], room kept from the edges [m], feet, and the
    scatter from lap to lap of the line [m] and of the lap time [s]."""

    grip_share: float
    hands_length: float
    extra_room: float
    feet: Feet
    line_scatter: float
    lap_spread: float


@dataclass(frozen=True)
class Corner:
    """A corner as the clean driver takes it. Stations [m] count along the lap and may run over its ends.

    side is 1 for a left-hander. apex, turn and exit are where the line is nearest the inside, and furthest out before
    and after; slow is the place of the lowest speed, brake that of the onset of braking, power that of the power.
    """

    number: int
    side: float
    apex: float
    turn: float
    exit: float
    slow: float
    brake: float
    brake_length: float
    power: float
    power_length: float
    v_slow: float
    before: float  # [m] distance back to the previous apex
    after: float  # [m] distance on to the next apex
    inside_at_turn: float  # [m] room towards the inside where the line is furthest out
    inside_at_exit: float
    outside_at_apex: float
    free_before: float  # [m] from the previous corner's exit to this corner's turning-in
    free_after: float  # [m] from this corner's exit to the next corner's turning-in


@dataclass(frozen=True)
class Fault:
    """A planted habit; place is the apex on the clean line, size is in the unit given in HABITS, cost is in s a lap."""

    habit: str
    place_xy: tuple[float, float]
    place_s: float
    corner: int
    size: float
    unit: str
    true_cost: float
    laps: tuple[int, ...]


@dataclass(frozen=True)
class Session:
    """A whole drive at 100 Hz and the truth about it. Arrays as in `Drive`; laps are numbered from 1."""

    circuit: Circuit
    kart: Kart
    driver: Driver
    faults: list[Fault]
    corners: list[Corner]
    drive: Drive
    laps: list[dict[str, float]]
    clean_lap: dict[str, Array]
    clean_time: float
    cost_of_all: float = field(default=0.0)

    t = property(lambda self: self.drive.t)
    x = property(lambda self: self.drive.x)
    y = property(lambda self: self.drive.y)
    z = property(lambda self: self.drive.z)
    v = property(lambda self: self.drive.v)
    ax = property(lambda self: self.drive.ax)
    kappa = property(lambda self: self.drive.kappa)
    psi = property(lambda self: self.drive.psi)
    grip_share = property(lambda self: self.driver.grip_share)
    hands_length = property(lambda self: self.driver.hands_length)


# ------------------------------------------------------------------------------------------------------- habits


def _bump(away: Array, back: float, ahead: float) -> Array:
    """Return a smooth hump of height 1 at 0 that ends `back` before and `ahead` after."""
    reach = np.where(away < 0, -away / back, away / ahead)
    return np.where(reach < 1, (1 - np.minimum(reach, 1) ** 2) ** 3, 0.0)


def _rise(u: Array) -> Array:
    """Return a smooth step from 0 at 0 to 1 at 1."""
    u = np.clip(u, 0, 1)
    return u * u * u * (10 - 15 * u + 6 * u * u)


@dataclass(frozen=True)
class Scene:
    """What a habit is played on: the intent, the station of the lap's beginning [m], the corner and the clean speed."""

    want: Intent
    lap: float
    corner: Corner
    speed: Callable[[Array], Array]

    def away(self, place: float) -> Array:
        """Return the distance [m] of the stations from a place on this lap."""
        return self.want.s - self.lap - place

    def hump(self, place: float, back: float, ahead: float) -> Array:
        """Return a hump at a place whose two flanks run into each other without a step in curvature."""
        return gaussian_filter1d(_bump(self.away(place), back, ahead), 2.5 / (self.want.s[1] - self.want.s[0]))

    def slower(self, begin: float, end: float, cap: Array) -> None:
        """Keep the speed under a cap [m/s] between two places."""
        inside = (self.away(begin) >= 0) & (self.away(end) <= 0)
        self.want.cap[inside] = np.minimum(self.want.cap[inside], cap[inside])


def _apex_wide(scene: Scene, size: float) -> None:
    c = scene.corner
    # spread over the whole corner: the driver turns the same way in, only never quite gets there
    back, ahead = (
        np.clip(1.2 * (c.apex - c.turn), 10, 0.85 * c.before),
        np.clip(1.2 * (c.exit - c.apex), 10, 0.85 * c.after),
    )
    scene.want.n -= c.side * size * scene.hump(c.apex, back, ahead)


def _entry_inside(scene: Scene, size: float) -> None:
    c = scene.corner
    back = np.clip(0.9 * c.free_before, 10, 80)  # drifts there all the way along the straight
    scene.want.n += c.side * size * scene.hump(c.turn, back, max(1.1 * (c.apex - c.turn), 8.0))


def _exit_unused(scene: Scene, size: float) -> None:
    c = scene.corner
    ahead = np.clip(0.9 * c.free_after, 10, 80)
    scene.want.n += c.side * size * scene.hump(c.exit, max(1.1 * (c.exit - c.apex), 8.0), ahead)


def _brake_early(scene: Scene, size: float) -> None:
    # The same foot, `size` metres too soon: the speed of the clean lap arrives early and is stretched out at the end.
    c = scene.corner
    whole = c.slow - c.brake + size
    left = -scene.away(c.slow)
    clean_left = left - size * _rise(left / (0.85 * whole))
    dull = 1 - 0.02 * _rise((whole - left) / (0.6 * whole))
    scene.slower(c.slow - whole - 2, c.slow, scene.speed(c.slow - clean_left) * dull)


def _brake_soft(scene: Scene, size: float) -> None:
    c = scene.corner
    begin = c.brake - min(60.0, 0.9 * c.before)
    scene.want.brake[(scene.away(begin) > 0) & (scene.away(c.slow) < 0)] = 1 - size


def _coast(scene: Scene, size: float) -> None:
    c = scene.corner
    behind = np.arange(0.5, 80.0, 0.5)
    ahead = np.arange(0.0, c.slow - c.brake, 0.5)
    braking = scene.speed(c.brake + ahead)
    for back in behind:
        v0 = float(scene.speed(np.array(c.brake - back)))
        roll = np.sqrt(np.maximum(v0**2 - 2 * 1.6 * (back + ahead), 1.0))
        crossing = np.flatnonzero(roll >= braking)
        meet = ahead[crossing[0]] if len(crossing) else ahead[-1]
        if 2 * (back + meet) / (v0 + roll[np.searchsorted(ahead, meet)]) >= size:
            break
    scene.want.gas[(scene.away(c.brake - back) > 0) & (scene.away(c.brake + meet + 3) < 0)] = 0.0


def _overslow(scene: Scene, size: float) -> None:
    c = scene.corner
    clean = scene.speed(scene.away(0.0))
    dip = _bump(scene.away(c.slow), c.slow - c.brake + 6, 7.0)
    scene.slower(c.brake - 3, c.slow + 4, clean - size * dip)


def _late_minimum(scene: Scene, size: float) -> None:
    # Goes on slowing past the apex, as one does who carries the brake too long into the corner.
    c = scene.corner
    end = max(c.apex, c.slow) + size
    low = 0.965 * c.v_slow
    slope = (c.v_slow**2 - low**2) / (2 * (end - c.slow + 2))
    scene.slower(c.slow - 4, end, np.sqrt(low**2 + 2 * slope * np.maximum(-scene.away(end), 0)))


def _power_late(scene: Scene, size: float) -> None:
    c = scene.corner
    scene.slower(c.slow, c.power + size * c.v_slow, np.full(len(scene.want.s), 1.004 * c.v_slow))


def _power_rushed(scene: Scene, size: float) -> None:
    # The right foot goes down at once; the kart runs wide, the foot has to come off and go down again.
    c = scene.corner
    lift = c.power + 0.35 * c.v_slow + 2
    end = lift + 1.08 * size * c.v_slow
    rush = (scene.away(c.power - 5) > 0) & (scene.away(lift) < 0)
    scene.want.share[rush] = np.minimum(scene.want.share[rush] + 0.025, 0.99)
    scene.want.gas[(scene.away(lift) > 0) & (scene.away(end) < 0)] = 0.0
    scene.want.scrub += 0.8 * _bump(scene.away(lift + 0.2 * c.v_slow), 0.3 * c.v_slow, 0.5 * c.v_slow)
    scene.want.n -= c.side * 0.15 * scene.hump(lift + 2, 20.0, 26.0)


def _slide(scene: Scene, size: float) -> None:
    c = scene.corner
    long = size * c.v_slow
    middle = c.apex + 0.2 * long
    scene.want.scrub += 4.0 * _bump(scene.away(middle), 0.55 * long, 0.65 * long)
    scene.want.gas[np.abs(scene.away(middle)) < 0.45 * long] = 0.15
    scene.want.n -= c.side * 0.15 * scene.hump(middle + 0.5 * long, 16.0, 22.0)


HABITS: dict[str, tuple[Callable[[Scene, float], None], str, tuple[float, float]]] = {
    "apex_wide": (_apex_wide, "m", (0.45, 1.2)),
    "entry_inside": (_entry_inside, "m", (0.8, 4.5)),
    "exit_unused": (_exit_unused, "m", (0.8, 4.5)),
    "brake_early": (_brake_early, "m", (3.0, 18.0)),
    "brake_soft": (_brake_soft, "share of the braking missing", (0.2, 0.65)),
    "coast": (_coast, "s", (0.5, 2.0)),
    "overslow": (_overslow, "m/s", (0.4, 3.5)),
    "late_minimum": (_late_minimum, "m", (4.0, 14.0)),
    "power_late": (_power_late, "s", (0.2, 1.0)),
    "power_rushed": (_power_rushed, "s", (0.18, 0.8)),
    "slide": (_slide, "s", (0.3, 1.3)),
}


def _makes_sense(habit: str, c: Corner) -> tuple[float, float] | None:
    """Return the sizes that are possible at a corner, or None where the habit makes no sense."""
    low, high = HABITS[habit][2]
    if habit in ("brake_early", "brake_soft", "coast", "overslow", "late_minimum") and c.brake_length < 8:
        return None
    if habit in ("power_late", "power_rushed", "late_minimum") and c.power_length < 15:
        return None
    # Where one corner's exit is the next one's entry nobody could say to which of them the fault belongs.
    if (habit == "entry_inside" and c.free_before < 18) or (habit == "exit_unused" and c.free_after < 18):
        return None
    if habit == "apex_wide":
        high = min(high, c.outside_at_apex - 0.5)
    if habit == "entry_inside":
        high = min(high, c.inside_at_turn - 0.3)
    if habit == "exit_unused":
        high = min(high, c.inside_at_exit - 0.3)
    if habit == "brake_early":
        high = min(high, 0.6 * (c.slow - c.brake))
    if habit == "coast":  # only between the corners
        high = min(high, 0.8 * (c.before - (c.apex - c.brake)) / (1.3 * c.v_slow))
    if habit == "overslow":
        high = min(high, 0.2 * c.v_slow)
    if habit in ("late_minimum", "power_late", "power_rushed"):
        high = min(high, (0.35 if habit == "late_minimum" else 0.5 / c.v_slow) * c.power_length)
    return (low, high) if high > low else None


# ------------------------------------------------------------------------------------------------------ planning


@dataclass(frozen=True)
class _Stage:
    """One driver on one circuit: everything needed to drive laps with or without habits."""

    road: Road
    kart: Kart
    driver: Driver
    line: Array
    learnt: Array

    @cached_property
    def step(self) -> float:
        return self.road.length / len(self.road.s)

    def intent(self, begin: float, end: float) -> tuple[Intent, Array]:
        """Return a neutral intent from one station [m] to another, and the index of each station within a lap."""
        index = np.arange(int(begin / self.step), int(end / self.step))
        lap = index % len(self.road.s)
        return Intent.neutral(index * self.step, self.line[lap], self.learnt[lap]), lap

    def keep_inside(self, want: Intent, lap: Array) -> None:
        """Ease the line back where it would leave the road."""
        low, high = (b[lap] for b in self.road.bounds(self.kart.half_width + CLOSEST))
        for reach, soft in ((10, 4), (8, 3), (6, 3), (4, 2), (3, 1.5)):
            over = np.maximum(want.n - high, 0) - np.maximum(low - want.n, 0)
            if not over.any():
                return
            wide = maximum_filter1d(over, int(reach / self.step)) - maximum_filter1d(-over, int(reach / self.step))
            want.n -= 1.05 * gaussian_filter1d(wide, soft / self.step)

    def lap(
        self, habits: list[tuple[Corner, str, float]], speed: Callable[[Array], Array] | None
    ) -> tuple[float, Drive]:
        """Return the lap time [s] and the drive of a lap without scatter, the habits being there on every lap."""
        length = self.road.length
        want, lap = self.intent(-0.45 * length, 1.25 * length)
        for corner, habit, size in habits:
            for k in (-1, 0, 1):
                HABITS[habit][0](Scene(want, k * length, corner, speed), size)
        if habits:
            self.keep_inside(want, lap)
        done = self.run(want)
        return done.when(length) - done.when(0.0), done

    def run(self, want: Intent) -> Drive:
        """Drive; where a changed line asks for more than the tyres can hold at the planned speed, go slower there."""
        for _ in range(4):
            done, _, _ = drive(self.road, self.kart, self.driver.feet, want, 10.0)
            over = np.maximum(np.interp(want.s, done.s, done.usage) - 1.0, 0)
            if over.max() < 0.003:
                break
            reach = maximum_filter1d(over, int(12 / self.step), mode="nearest")
            want.share = want.share - 1.5 * gaussian_filter1d(reach, 2.5 / self.step)
        return done


def _furthest(out: Array, apex: int, end: int) -> int:
    """Return where, going from the apex, a line first gets (nearly) as far out as it does up to the end."""
    way = np.arange(apex, end, 1 if end > apex else -1)
    return int(way[np.argmax(out[way] > out[way].max() - 0.15)])


def _corners(stage: _Stage, done: Drive) -> list[Corner]:
    """Describe the corners as the clean driver takes them."""
    road, step, count = stage.road, stage.step, len(stage.road.s)
    lap = (done.s > -5) & (done.s < road.length + 5)
    kappa, v, gas, brake = (
        np.tile(np.interp(road.s, done.s[lap], a[lap]), 3) for a in (done.kappa, done.v, done.gas, done.brake)
    )
    line, ax = np.tile(stage.line, 3), np.tile(np.interp(road.s, done.s[lap], done.ax[lap]), 3)
    low, high = (np.tile(b, 3) for b in road.bounds(stage.kart.half_width))
    turn = np.where(np.abs(kappa) > 0.022, np.sign(kappa), 0)
    edges = np.flatnonzero(np.diff(turn)) + 1
    spans = [(a, b) for a, b in itertools.pairwise(edges) if turn[a] != 0]
    joined: list[tuple[int, int]] = []
    for a, b in spans:  # two parts of one bend
        if joined and turn[joined[-1][0]] == turn[a] and (a - joined[-1][1]) * step < 9:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    spans = [(a, b) for a, b in joined if abs(kappa[a:b].sum()) * step > np.radians(28)]
    apexes = []
    for a, b in spans:
        side = turn[a]
        gap = (high - line if side > 0 else line - low)[a:b]
        near = np.flatnonzero(gap < gap.min() + 0.03)
        apexes.append((a + int(near[len(near) // 2]), side))
    found = []
    for k in range(1, len(apexes) - 1):
        apex, side = apexes[k]
        if not count <= apex < 2 * count:
            continue
        last, following = apexes[k - 1][0], apexes[k + 1][0]
        out = -side * line
        front = max(last, apex - int(45 / step))
        back = min(following, apex + int(45 / step))
        turn_in, leave = _furthest(out, apex, front), _furthest(out, apex, back)
        last_out = _furthest(-apexes[k - 1][1] * line, last, min(apex, last + int(45 / step)))
        next_side = apexes[k + 1][1]
        next_in = _furthest(-next_side * line, following, max(apex, following - int(45 / step)))
        a, b = max(apex - int(25 / step), (last + apex) // 2), min(apex + int(20 / step), (apex + following) // 2)
        slow = a + int(np.argmin(v[a:b]))
        # at the end of the stretch it is no lowest speed of this corner: the next one is already being braked for
        own = a + 1 < slow < b - 2
        onset = slow
        while onset > last and ax[onset - 1] < 0.3 and slow - onset < 120 / step:
            onset -= 1
        on = np.flatnonzero(brake[onset : slow + 1] > 0.12)
        on = on if brake[onset : slow + 1].max() > 0.3 and own else on[:0]  # a dab is not braking
        start = onset + int(on[0]) if len(on) else slow
        power = slow
        while power < following and v[power] < v[slow] + 0.15:
            power += 1
        end = power
        while end < following + 40 / step and gas[end] > 0.15 and end - power < 120 / step:
            end += 1
        drive_out = float((end - power) * step) if own and (power - slow) * step < 15 else 0.0
        room = high - line if side > 0 else line - low
        found.append(
            Corner(
                len(found) + 1, float(side), *(float((j - count) * step) for j in (apex, turn_in, leave, slow, start)),
                float(len(on) * step), float((power - count) * step), drive_out, float(v[slow]),
                float((apex - last) * step), float((following - apex) * step), float(room[turn_in]), float(room[leave]),
                float((high - low)[apex] - room[apex]), float((turn_in - last_out) * step),
                float((next_in - leave) * step),
            )
        )  # fmt: skip
    return found


def _find_size(
    stage: _Stage, corner: Corner, habit: str, target: float, clean_time: float, speed: Callable[[Array], Array]
) -> tuple[float, float] | None:
    """Return a size that costs about the target [s], and that cost; None if the habit cannot cost enough there."""
    sizes = _makes_sense(habit, corner)
    if sizes is None:
        return None

    def cost(size: float) -> float:
        return stage.lap([(corner, habit, size)], speed)[0] - clean_time

    low, high = sizes
    at_high = cost(high)
    if at_high < max(0.09, 0.5 * target):
        return None
    if at_high <= target:
        return (high, at_high) if at_high < 0.6 else None
    at_low = cost(low)
    if at_low >= target:
        return (low, at_low) if 0.09 < at_low < min(0.58, 1.6 * target) else None
    size, value = high, at_high
    for _ in range(5):
        share = np.clip((target - at_low) / (at_high - at_low), 0.12, 0.88)
        size = low + share * (high - low)
        value = cost(size)
        if abs(value - target) < 0.08 * target:
            break
        if value > target:
            high, at_high = size, value
        else:
            low, at_low = size, value
    return (size, value) if 0.085 < value < 0.6 else None


def plan_session(
    seed: int,
    *,
    circuit: Circuit | None = None,
    kart: Kart | str | None = None,
    habit: str | None = None,
    clean: bool = False,
    laps_only: bool = False,
    hilly: bool = False,
    cache: str | Path | None = None,
) -> Session:
    """Plan and drive a session; the same arguments give the same session.

    Without a circuit one is invented from the seed (`hilly` only counts then); the kart may be a kart, a key of KARTS
    or None for any. `habit` names the main fault (None: any), `clean` plants nothing, `laps_only` plants the faults
    on about half of the laps. `cache` is a folder for the lines that have been found.
    """
    rng = np.random.default_rng([seed, 52361])
    circuit = circuit if circuit is not None else make_circuit(seed, hilly=hilly)
    if not isinstance(kart, Kart):
        name = kart if kart is not None else str(rng.choice(sorted(KARTS)))
        kart = with_exponent(KARTS[name], float(rng.choice(EXPONENTS)))
    driver = Driver(
        grip_share=float(rng.uniform(0.92, 0.98)),
        hands_length=float(rng.choice([0.0, 1.0, 2.5, 4.0])),
        extra_room=float(rng.choice([0.0, 0.1, 0.2, 0.3])),
        feet=Feet.draw(rng),
        line_scatter=float(rng.uniform(0.03, 0.09)),
        lap_spread=float(rng.uniform(0.05, 0.12)),
    )
    line = best_line(circuit, kart, extra=driver.extra_room, hands=driver.hands_length, cache=cache)
    road = circuit.road
    stage = _Stage(road, kart, driver, line, practise(road, kart, driver.feet, line, driver.grip_share))
    clean_time, clean_drive = stage.lap([], None)
    corners = _corners(stage, clean_drive)
    lap = (clean_drive.s > -2) & (clean_drive.s < road.length + 2)
    v_clean = road.periodic(np.interp(road.s, clean_drive.s[lap], clean_drive.v[lap]))

    def speed(s: Array) -> Array:
        return v_clean(np.mod(s, road.length))

    chosen = [] if clean else _choose(stage, corners, habit, clean_time, speed, rng)
    whole, costs = _costs(stage, chosen, clean_time, speed)
    while len(chosen) > 1 and (max(costs[1:]) >= 0.78 * costs[0] or min(costs[1:]) < 0.08):
        # together they cost something else than one by one: leave out the minor one that does not fit
        out = max(range(1, len(chosen)), key=lambda k: (costs[k] >= 0.78 * costs[0] or costs[k] < 0.08, costs[k]))
        chosen = [c for k, c in enumerate(chosen) if k != out]
        whole, costs = _costs(stage, chosen, clean_time, speed)
    number = int(rng.integers(8, 13))
    on_laps = [
        tuple(sorted((rng.permutation(number)[: (number + 1) // 2] + 1).tolist()))
        if laps_only
        else tuple(range(1, number + 1))
        for _ in chosen
    ]
    done = _drive_all(stage, chosen, on_laps, number, laps_only, clean_time, speed, rng)
    faults = []
    for (corner, name, size), cost, laps in zip(chosen, costs, on_laps, strict=True):
        k = round(corner.apex / stage.step) % len(road.s)
        place = (float(road.x[k] - road.ty[k] * line[k]), float(road.y[k] + road.tx[k] * line[k]))
        faults.append(
            Fault(
                name, place, corner.apex % road.length, corner.number, float(size), HABITS[name][1], float(cost), laps
            )
        )
    times = [_crossing(circuit, done, k * road.length) for k in range(number + 1)]
    laps_list = [
        {"number": k + 1, "start": times[k], "end": times[k + 1], "time": times[k + 1] - times[k]}
        for k in range(number)
    ]
    one = (clean_drive.s >= 0) & (clean_drive.s <= road.length)
    names = ("x", "y", "v", "t", "kappa", "ax", "psi", "s", "gas", "brake", "usage")
    clean_lap = {k: getattr(clean_drive, k)[one] for k in names}
    clean_lap["t"] = clean_lap["t"] - clean_drive.when(0.0)
    return Session(circuit, kart, driver, faults, corners, done, laps_list, clean_lap, clean_time, whole - clean_time)


def _costs(
    stage: _Stage, chosen: list[tuple[Corner, str, float]], clean_time: float, speed: Callable[[Array], Array]
) -> tuple[float, list[float]]:
    """Return the lap time [s] with all habits, and what each costs [s]: the lap with it less the lap without it."""
    if not chosen:
        return clean_time, []
    whole = stage.lap(chosen, speed)[0]
    if len(chosen) == 1:
        return whole, [whole - clean_time]
    return whole, [whole - stage.lap([c for c in chosen if c is not one], speed)[0] for one in chosen]


def _choose(
    stage: _Stage,
    corners: list[Corner],
    habit: str | None,
    clean_time: float,
    speed: Callable[[Array], Array],
    rng: np.random.Generator,
) -> list[tuple[Corner, str, float]]:
    """Choose a main fault and up to two smaller ones at corners that are not neighbours."""
    target = float(np.exp(rng.uniform(np.log(0.14), np.log(0.52))))
    names = [habit] if habit else rng.permutation(sorted(HABITS)).tolist()
    main: tuple[Corner, str, float] | None = None
    cost = 0.0
    for wish in (target, 0.12):  # some corners only allow a small fault
        for name in names:
            for k in rng.permutation(len(corners)):
                found = _find_size(stage, corners[k], name, wish, clean_time, speed)
                if found:
                    main, cost = (corners[k], name, found[0]), found[1]
                    break
            if main:
                break
        if main:
            break
    if main is None:
        raise ValueError(f"the habit {habit!r} makes no sense anywhere on this circuit")
    chosen = [main]
    wanted = int(rng.choice([0, 1, 2], p=[0.3, 0.4, 0.3])) if cost > 0.14 else 0
    tries = 0
    while len(chosen) <= wanted and tries < 8:
        tries += 1
        corner = corners[int(rng.integers(len(corners)))]
        near = [abs(corner.number - c.number) for c, _, _ in chosen]
        if any(d < 2 or d > len(corners) - 2 for d in near):
            continue
        name = str(rng.choice(sorted(HABITS)))
        if name in [n for _, n, _ in chosen] or _makes_sense(name, corner) is None:
            continue
        found = _find_size(stage, corner, name, float(rng.uniform(0.095, 0.68 * cost)), clean_time, speed)
        if found and found[1] < 0.74 * cost:
            chosen.append((corner, name, found[0]))
    return chosen


def _drive_all(
    stage: _Stage,
    chosen: list[tuple[Corner, str, float]],
    on_laps: list[tuple[int, ...]],
    number: int,
    laps_only: bool,
    clean_time: float,
    speed: Callable[[Array], Array],
    rng: np.random.Generator,
) -> Drive:
    """Drive from somewhere before the line through all laps and a little further, with a person's scatter."""
    road, driver, step = stage.road, stage.driver, stage.step
    begin, end = -rng.uniform(0.25, 0.6) * road.length, (number + rng.uniform(0.12, 0.3)) * road.length
    want, lap = stage.intent(begin, end)
    size = len(want.s)
    weaker, _, _ = drive(road, stage.kart, driver.feet, _lessened(stage, 0.99), 10.0)
    per_share = (weaker.when(road.length) - weaker.when(0.0) - clean_time) / 0.01
    per_lap = np.clip(rng.normal(size=number + 2), -1.8, 1.8)[
        np.clip((want.s // road.length).astype(int) + 1, 0, number + 1)
    ]
    wave = gaussian_filter1d(rng.normal(size=size), 35 / step)
    mood = 0.85 * gaussian_filter1d(per_lap, 12 / step) + 0.5 * wave / np.std(wave)
    want.share *= 1 + np.clip(driver.lap_spread / per_share * mood, -0.03, 0.03)
    want.share = np.minimum(want.share, 0.99)
    warm = np.clip((want.s - begin) / (-begin * 0.9), 0, 1)
    want.share *= 0.9 + 0.1 * warm
    want.share *= 1 - 0.15 * _rise((want.s - number * road.length - 15) / 60)
    wave = gaussian_filter1d(rng.normal(size=size), 20 / step)
    want.n += np.clip(driver.line_scatter * wave / np.std(wave), -0.22, 0.22)
    for (corner, name, nominal), laps in zip(chosen, on_laps, strict=True):
        for k in range(-1, number + 1):
            factor = float(np.clip(rng.normal(1, 0.06), 0.85, 1.15))
            if k + 1 in laps or (not laps_only and (k < 0 or k == number)):
                HABITS[name][0](Scene(want, k * road.length, corner, speed), nominal * factor)
    stage.keep_inside(want, lap)
    return stage.run(want)


def _lessened(stage: _Stage, factor: float) -> Intent:
    want, _ = stage.intent(-0.45 * stage.road.length, 1.25 * stage.road.length)
    want.share *= factor
    return want


def _crossing(circuit: Circuit, done: Drive, station: float) -> float:
    """Return the time [s] at which the start line is crossed near a station [m]."""
    near = np.flatnonzero(np.abs(done.s - station) < 15)
    (ax, ay), (bx, by) = circuit.start_line
    beyond = (bx - ax) * (done.y[near] - ay) - (by - ay) * (done.x[near] - ax)
    beyond = beyond if beyond[-1] > 0 else -beyond
    k = int(np.flatnonzero((beyond[:-1] < 0) & (beyond[1:] >= 0))[0])
    share = -beyond[k] / (beyond[k + 1] - beyond[k])
    return float(done.t[near[k]] + share * (done.t[near[k + 1]] - done.t[near[k]]))


# ------------------------------------------------------------------------------------------------- exact figures


def _windows(session: Session) -> list[tuple[int, Corner, Array]]:
    """Return lap, corner and the indices of the drive from half-way before to half-way after the apex."""
    rows, length = [], session.circuit.road.length
    for k in range(len(session.laps)):
        for c in session.corners:
            at = k * length + c.apex
            inside = (session.drive.s > at - max(0.6 * c.before, at - k * length - c.brake + 35)) & (
                session.drive.s < at + 0.5 * c.after
            )
            rows.append((k + 1, c, np.flatnonzero(inside)))
    return rows


def exact_minimum_speeds(session: Session) -> list[dict[str, float]]:
    """Return lap, corner, lowest speed v [m/s] and its place s [m] along the centre line for every lap and corner."""
    rows = []
    for lap, c, where in _windows(session):
        s = session.drive.s[where]
        where = where[(s > s[-1] - 0.5 * c.after - 0.5 * c.before)]
        low = where[np.argmin(session.v[where])]
        place = float(session.drive.s[low] - (lap - 1) * session.circuit.road.length)
        rows.append({"lap": lap, "corner": c.number, "v": float(session.v[low]), "s": place})
    return rows


def exact_brake_points(session: Session) -> list[dict[str, float]]:
    """Return where [m along the centre line] braking is half built up, for the corners with real braking."""
    rows = []
    length = session.circuit.road.length
    corners = {c.number: c for c in session.corners}
    for low in exact_minimum_speeds(session):
        c, base = corners[int(low["corner"])], (low["lap"] - 1) * length
        where = np.flatnonzero((session.drive.s > base + c.apex - c.before) & (session.drive.s <= base + low["s"]))
        if c.brake_length < 8 or len(where) == 0:
            continue
        where = where[int(np.argmax(session.v[where])) :]  # the braking lies between the highest and the lowest speed
        pedal = session.drive.brake[where]
        if pedal.max() < 0.2:
            continue
        k = int(np.argmax(pedal))
        while k > 0 and pedal[k] > 0.5 * pedal.max():
            k -= 1
        place = float(session.drive.s[where[k]] - base)
        rows.append({"lap": low["lap"], "corner": low["corner"], "s": place, "t": float(session.t[where[k]])})
    return rows


def exact_drive_points(session: Session) -> list[dict[str, float]]:
    """Return where [m along the centre line] the accelerator passes half after the lowest speed."""
    rows = []
    for low in exact_minimum_speeds(session):
        at = low["s"] + (low["lap"] - 1) * session.circuit.road.length
        ahead = np.flatnonzero((session.drive.s > at - 6) & (session.drive.s < at + 40))
        down = np.flatnonzero((session.drive.gas[ahead][:-1] < 0.5) & (session.drive.gas[ahead][1:] >= 0.5))
        if len(down):
            place = float(session.drive.s[ahead[down[0]]] - (low["lap"] - 1) * session.circuit.road.length)
            rows.append({"lap": low["lap"], "corner": low["corner"], "s": place})
    return rows
