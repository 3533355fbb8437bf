"""Check the second driver against itself: python -m second_driver.check [--pictures FOLDER]."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np

from .circuit import make_circuit
from .kart import GRAVITY, KARTS
from .line import SAFETY, _basis, best_line, lap_times
from .receiver import good_receiver, log, poor_receiver
from .session import HABITS, Session, exact_brake_points, exact_drive_points, exact_minimum_speeds, plan_session


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
    problems = []
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
        for text in wrong:
            print(f"  WRONG: {text}")
        problems += [f"seed {seed}: {text}" for text in wrong]
        if args.pictures:
            picture(session, args.pictures / f"session_{seed}.png")
    assert not problems, problems
    print("all in order")


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
    for edge in (session.circuit.left, session.circuit.right):
        plan.plot(*np.vstack([edge, edge[:1]])[:, :2].T, "k", lw=0.8)
    plan.plot(*session.circuit.start_line.T, "g")
    plan.plot(session.clean_lap["x"], session.clean_lap["y"], "b", lw=0.9)
    plan.plot(session.x[lap], session.y[lap], "r", lw=0.9)
    for fault in session.faults:
        plan.annotate(f"{fault.habit} {fault.true_cost:.2f} s", fault.place_xy)
    plan.set_aspect("equal")
    s = session.drive.s[lap] - (shown - 1) * session.circuit.road.length
    trace.plot(session.clean_lap["s"], session.clean_lap["v"], "b", s, session.v[lap], "r")
    trace.set_xlabel("along the centre line [m]")
    for fault in session.faults:
        trace.axvline(fault.place_s, color="k", lw=0.6)
    trace.set_ylabel("speed [m/s]")
    figure.savefig(path, dpi=60)
    pyplot.close(figure)


if __name__ == "__main__":
    main()
