"""Check the second driver against itself: python -m second_driver.check [--pictures FOLDER]."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes

from .circuit import Circuit, make_circuit
from .incident import KINDS, Incident, with_incidents
from .kart import GRAVITY, KARTS
from .line import SAFETY, _basis, best_line, lap_times
from .receiver import Filter, Log, any_receiver, good_receiver, log, mixed_receiver, poor_receiver
from .session import HABITS, Session, exact_brake_points, exact_drive_points, exact_minimum_speeds, plan_session
from .spoil import CHANNELS, spoil


def line_is_best(seed: int, kart_name: str, cache: Path | None) -> float:
    """Return the largest gain [s per metre] any bump of the line within the edges would still bring."""
    circuit, kart = make_circuit(seed), KARTS[kart_name]
    road, line = circuit.road, best_line(circuit, kart, cache=cache)
    number = int(road.length / 5)
    bumps = _basis(number, road.length, road.s, 0).toarray() * 0.02
    low, high = road.bounds(kart.half_width + SAFETY)
    lines = np.column_stack([line, line[:, None] + bumps, line[:, None] - bumps])
    allowed = np.all((lines >= low[:, None] - 0.0005) & (lines <= high[:, None] + 0.0005), axis=0)
    times = lap_times(circuit, kart, lines)
    return float(np.max(np.where(allowed, times[0] - times, 0.0)) / (0.02 * 2 / 3))


def examine(session: Session, clean: bool) -> list[str]:
    """Return what is wrong with a session."""
    wrong = []
    gap = session.circuit.edge_gap(session.x, session.y)
    lap = session.clean_lap
    clean_gap = session.circuit.edge_gap(lap["x"], lap["y"]).min()
    if clean_gap < session.kart.half_width + SAFETY - 0.02:
        wrong.append(f"the clean lap comes within {clean_gap:.2f} m of an edge")
    if gap.min() < session.kart.half_width - 0.03:
        wrong.append(f"the drive comes within {gap.min():.2f} m of an edge")
    if session.drive.usage.max() > 1.01:
        wrong.append(f"the tyres give {session.drive.usage.max():.3f} of the grip")
    if lap["usage"].max() > session.grip_share + 0.02:
        wrong.append(f"the clean lap uses {lap['usage'].max():.3f} of the grip, meant {session.grip_share:.3f}")
    if np.abs(np.diff(session.v)).max() > 0.2 or np.abs(np.diff(session.ax)).max() > 4.0:
        wrong.append(f"speed or acceleration jumps: {np.abs(np.diff(session.ax)).max():.1f} m/s2")
    moved = np.hypot(np.gradient(session.x, session.t), np.gradient(session.y, session.t))
    if np.abs(moved - session.v)[3:-3].max() > 0.06:
        wrong.append(f"position and speed differ by {np.abs(moved - session.v)[3:-3].max():.3f} m/s")
    costs = [f.true_cost for f in session.faults]
    if any(not 0.07 < c < 0.63 for c in costs) or any(c > 0.8 * costs[0] for c in costs[1:]):
        wrong.append(f"costs {np.round(costs, 3)}")
    if clean and session.faults:
        wrong.append("faults in a clean session")
    return wrong


def filters_hold() -> list[str]:
    """Return which filters do not do what they say: late by `delay` on a ramp, even on a constant, steady in gain."""
    wrong, step = [], 0.01
    t = np.arange(0, 20, step)
    for kind in ("mean", "triangle", "low_pass", "two_pole", "tracker"):
        one = Filter(kind, 0.12)
        late = float((5 + 3 * t - one.follow(5 + 3 * t, step))[-1] / 3)
        if abs(late - one.delay) > 1e-6:
            wrong.append(f"{kind} is {late:.3f} s late on a ramp, meant {one.delay:.3f} s")
        if np.abs(one.follow(np.full(len(t), 7.0), step) - 7).max() > 1e-9:
            wrong.append(f"{kind} changes a constant")
        wobble = one.follow(np.sin(2 * np.pi * 0.05 * t), step)
        if np.abs(wobble - np.sin(2 * np.pi * 0.05 * (t - one.delay)))[t > 1].max() > 0.002:
            wrong.append(f"{kind} is not late by {one.delay:.3f} s in a slow change")
    bend = Filter("tracker", 0.1).follow(0.5 * 12 * t * t, step)[-1] - 0.5 * 12 * t[-1] ** 2
    if abs(abs(bend) - 12 * 0.1**2) > 0.01:
        wrong.append(f"the tracker is {bend:.3f} m off under 12 m/s2")
    return wrong


def changed(before: Log, after: Log, name: str) -> list[int]:
    """Return which samples of a channel differ."""
    return np.flatnonzero(getattr(before, name) != getattr(after, name)).tolist()


def spoiled_right(record: Log, seed: int, at: float) -> list[str]:
    """Return where what was spoiled is not what was reported, in numbers and in places."""
    rng, wrong = np.random.default_rng([seed, 3]), []
    channels = [k for k in ("speed", "course", "lon", "lat") if getattr(record, k) is not None]
    kinds = [k for k, where in CHANNELS.items() if {"position", "lat", *channels} & set(where)]
    wishes = {k: int(rng.integers(1, 6)) for k in kinds} | {"arbitrary": int(0.02 * len(record.t))}
    bad, truth = spoil(record, rng, wishes, at=[at])
    if {k: sum(one.kind == k for one in truth) for k in kinds} != wishes:
        wrong.append("the numbers of bad samples are not those asked for")
    if min(abs(one.t - at) for one in truth) > np.diff(record.t).max():
        wrong.append("no bad sample at the place asked for")
    for name in channels:
        own = (name, "position") if name in ("lon", "lat") else (name,)
        meant = [k for one in truth if one.channel in own for k in range(one.first, one.last)]
        if changed(record, bad, name) != meant:
            wrong.append(f"{name} differs at {len(changed(record, bad, name))} samples, reported {len(meant)}")
    return wrong


def incidents_right(plain: Session, session: Session, planted: list[Incident]) -> list[str]:
    """Return what is wrong with a session in which incidents were planted."""
    wrong, free = [], np.ones(len(session.t), bool)
    for one in planted:
        free[round(one.begin * 100) : round(one.end * 100)] = False
        inside = ~free & (session.t >= one.begin) & (session.t < one.end)
        name = f"{one.kind} in lap {one.lap}"
        if not np.isclose(session.v[inside].min(), one.slowest) or one.lost <= 0:
            wrong.append(f"{name}: slowest {session.v[inside].min():.2f} m/s, lost {one.lost:.2f} s")
        if (one.kind == "spin" and not 3.9 < one.lost < 20) or (one.kind == "stop" and one.lost < 5):
            wrong.append(f"{name}: lost {one.lost:.2f} s")
        if (one.kind == "excursion") != (one.off_road > 0.3) and one.kind != "spin":
            wrong.append(f"{name}: {one.off_road:.2f} m off the road")
    touched = {k for one in planted for k in one.laps}
    for old, new in zip(plain.laps, session.laps, strict=True):
        gain = new["time"] - old["time"]
        if old["number"] not in touched and abs(gain) > 1e-9:
            wrong.append(f"lap {old['number']} holds nothing but differs by {gain:.6f} s")
    if abs(session.t[-1] - plain.t[-1] - sum(one.lost for one in planted)) > 1e-6:
        wrong.append("the times lost do not add up")
    kept = np.isin(plain.x, session.x[free])  # every sample outside is one of the plain session, in its order
    if not np.array_equal(plain.v[kept], session.v[free]):
        wrong.append("samples outside the incidents differ")
    moved = np.hypot(np.gradient(session.x, session.t), np.gradient(session.y, session.t))
    if np.abs(moved - session.v)[3:-3].max() > 0.06:
        wrong.append(f"position and speed differ by {np.abs(moved - session.v)[3:-3].max():.3f} m/s")
    if np.abs(np.diff(session.v)).max() > 0.3:
        wrong.append(f"the speed jumps by {np.abs(np.diff(session.v)).max():.2f} m/s")
    return wrong


def main() -> None:
    """Print what the driver does for a few seeds and stop at anything that is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=len(HABITS) + 3)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--pictures", type=Path)
    args = parser.parse_args()
    for seed, kart in ((1, "fast"), (6, "rental")):
        print(
            f"line {seed} {kart}: a bump within the edges gains at most {line_is_best(seed, kart, args.cache):.4f} s/m"
        )
    problems = filters_hold()
    names = [*HABITS, None, None, None]
    for k in range(args.seeds):
        seed, habit = args.first + k, names[k % len(names)]
        extra = {"hilly": k % 4 == 3, "laps_only": k % 5 == 4, "clean": habit is None and k % 2 == 0}
        begin = time.perf_counter()
        try:
            first = plan_session(seed, habit=habit, cache=args.cache, **extra)
        except ValueError as error:
            print(f"seed {seed}: {error}")
            continue
        middle = time.perf_counter()
        session = plan_session(seed, habit=habit, cache=args.cache, circuit=first.circuit, **extra)
        end = time.perf_counter()
        wrong = examine(session, extra["clean"])
        if not (np.array_equal(first.x, session.x) and np.array_equal(first.v, session.v)):
            wrong.append("not reproducible")
        times = np.array([lap["time"] for lap in session.laps])
        side = session.kappa * session.v**2
        print(
            f"seed {seed} {session.circuit.name}: {session.circuit.road.length:.0f} m, {session.kart.name}, exponent "
            f"{session.kart.exponent}, share {session.grip_share:.3f}, hands {session.hands_length}, "
            f"room {session.driver.extra_room}\n  clean {session.clean_time:.3f} s, laps {times.mean():.3f} +- "
            f"{times.std(ddof=1):.3f} s, peaks "
            f"{session.ax.min() / GRAVITY:.2f}/{session.ax.max() / GRAVITY:.2f} g along, "
            f"{np.abs(side).max() / GRAVITY:.2f} g across, usage {session.drive.usage.max():.3f}, edge "
            f"{session.circuit.edge_gap(session.x, session.y).min():.2f} m, "
            f"{middle - begin:.1f} s first, {end - middle:.1f} s again"
        )
        for fault in session.faults:
            print(
                f"  {fault.habit} at corner {fault.corner} ({fault.place_s:.0f} m): {fault.size:.2f} {fault.unit}, "
                f"costs {fault.true_cost:.3f} s on laps {','.join(map(str, fault.laps))}"
            )
        rng = np.random.default_rng(seed)
        logs = [log(session, kind(rng), seed) for kind in (good_receiver, poor_receiver)]
        figures = [len(f(session)) for f in (exact_minimum_speeds, exact_brake_points, exact_drive_points)]
        print(f"  recordings of {[len(one.t) for one in logs]} points; exact minima, brake and drive points: {figures}")
        wishes = [(kind, j + 2) for kind, j in zip(KINDS, rng.permutation(len(session.laps) - 2).tolist())]
        eventful, planted = with_incidents(session, wishes, seed)
        wrong += incidents_right(session, eventful, planted)
        records = [log(eventful, kind(rng), seed) for kind in (mixed_receiver, mixed_receiver, any_receiver)]
        wrong += [text for one in records for text in spoiled_right(one, seed, eventful.laps[3]["start"])]
        for one in planted:
            print(
                f"  {one.kind} in laps {','.join(map(str, one.laps))} at {one.place_s:.0f} m: loses {one.lost:.2f} s, "
                f"slowest {one.slowest:.1f} m/s, {one.off_road:.1f} m off the road"
            )
        for text in wrong:
            print(f"  WRONG: {text}")
        problems += [f"seed {seed}: {text}" for text in wrong]
        if args.pictures:
            picture(session, args.pictures / f"session_{seed}.png")
            bad, _ = spoil(
                records[0], rng, {"overflow": 1, "stuck": 1, "outlier": 4, "swap": 2}, at=[eventful.laps[3]["start"]]
            )
            picture_events(eventful, planted, (records[0], bad), args.pictures / f"events_{seed}.png")
    assert not problems, problems
    print("all in order")


def road(circuit: Circuit, axes: Axes) -> None:
    """Draw edges and start line."""
    for edge in (circuit.left, circuit.right):
        axes.plot(*np.vstack([edge, edge[:1]])[:, :2].T, "k", lw=0.8)
    axes.plot(*circuit.start_line.T, "g")
    axes.set_aspect("equal")


def picture(session: Session, path: Path) -> None:
    """Draw the circuit with the clean lap and one driven lap, and both speeds."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    path.parent.mkdir(parents=True, exist_ok=True)
    shown = session.faults[0].laps[len(session.faults[0].laps) // 2] if session.faults else 2
    start = session.laps[shown - 1]["start"]
    lap = (session.t >= start) & (session.t <= session.laps[shown - 1]["end"])
    figure, (plan, trace) = pyplot.subplots(2, 1, figsize=(13, 16), height_ratios=(2, 1))
    road(session.circuit, plan)
    plan.plot(session.clean_lap["x"], session.clean_lap["y"], "b", lw=0.9)
    plan.plot(session.x[lap], session.y[lap], "r", lw=0.9)
    for fault in session.faults:
        plan.annotate(f"{fault.habit} {fault.true_cost:.2f} s", fault.place_xy)
    s = session.drive.s[lap] - (shown - 1) * session.circuit.road.length
    trace.plot(session.clean_lap["s"], session.clean_lap["v"], "b", s, session.v[lap], "r")
    trace.set_xlabel("along the centre line [m]")
    for fault in session.faults:
        trace.axvline(fault.place_s, color="k", lw=0.6)
    trace.set_ylabel("speed [m/s]")
    figure.savefig(path, dpi=60)
    pyplot.close(figure)


def picture_events(session: Session, planted: list[Incident], records: tuple[Log, Log], path: Path) -> None:
    """Draw each incident, plan over speed, with the recording and below it the spoiled one."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    path.parent.mkdir(parents=True, exist_ok=True)
    figure, axes = pyplot.subplots(3, len(planted), figsize=(6 * len(planted), 16), squeeze=False)
    for one, (plan, trace, spoiled) in zip(planted, axes.T, strict=True):
        shown = (session.t > one.begin - 2) & (session.t < one.end + 2)
        road(session.circuit, plan)
        plan.plot(session.x[shown], session.y[shown], "r", lw=0.9)
        trace.plot(session.t[shown], session.v[shown], "r")
        for record, panel in zip(records, (trace, spoiled), strict=True):
            near = (record.t > one.begin - 2) & (record.t < one.end + 2)
            if record.speed is not None:
                panel.plot(record.t[near], record.speed[near], "b.", ms=3)
        x, y = session.circuit.to_metres(records[1].lon, records[1].lat)
        plan.plot(x[near], y[near], "b.", ms=3)
        reach = 150 if one.kind == "slow_lap" else 45
        plan.set_xlim(one.place_xy[0] - reach, one.place_xy[0] + reach)
        plan.set_ylim(one.place_xy[1] - reach, one.place_xy[1] + reach)
        plan.set_title(f"{one.kind}, {one.lost:.1f} s")
    figure.savefig(path, dpi=50)
    pyplot.close(figure)


if __name__ == "__main__":
    main()
