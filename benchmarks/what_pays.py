"""What one per cent is worth: the multipliers and the corners of ``what_pays`` beside laps of karts made anew.

Run ``python benchmarks/what_pays.py``; ``--tracks`` and ``--karts`` take a subset.  For every number a kart with 0.4
per cent more and one with 0.4 per cent less are made by ``dataclasses.replace`` alone, their engines fitted anew, and
solved by ``solve_min_time``; half the difference is what the number is worth.  Of the lap the optimiser's own time is
compared, which is what multipliers are the derivative of.  The corners are compared on the clock of the lap that is
handed out, which is another method's.  Braking and driving grip are one number of a kart and are compared together.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from surroundings import surroundings

from linelab.diagnosis.stretches import corner_stretches
from linelab.files.bundled import bundled_karts, bundled_tracks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.kart import Kart
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.optimum.path import solved_path, solved_time
from linelab.optimum.runs import unpacked
from linelab.study.what_pays import what_pays
from linelab.units import Array

STEP = 0.004
#: Alike: within this share, or this [s].
SHARE, TIME = 0.02, 2.0e-4


def own(name: str) -> Callable[[Kart, float], Kart]:
    """The kart with one of its own numbers times a factor."""
    return lambda kart, by: replace(kart, **{name: by * getattr(kart, name)})


def engine(name: str) -> Callable[[Kart, float], Kart]:
    """The kart with a number of its engine times a factor; ratios one by one."""

    def changed(kart: Kart, by: float) -> Kart:
        value = getattr(kart.engine, name)
        more = tuple(by * ratio for ratio in value) if name == "ratios" else by * value
        return replace(kart, engine=replace(kart.engine, **{name: more}))

    return changed


MADE = {
    "mass with driver": own("mass"),
    "cornering grip": own("mu_lateral"),
    "braking grip": own("mu_longitudinal"),
    "weight on the rear axle": own("rear_share"),
    "height of the centre of gravity": own("cg_height"),
    "wheelbase": own("wheelbase"),
    "drag area": own("cda"),
    "rolling resistance": own("rolling_resistance"),
    "scrub": own("scrub"),
    "rotating mass": own("rotating_mass_factor"),
    "engine torque": engine("torque"),
    "axle sprocket": engine("ratios"),
    "tyre circumference": engine("tyre_circumference"),
}


def times(track: Track, solution: Solution) -> tuple[float, Array]:
    """Time of the optimiser's own speed [s], and time in each corner's stretch of the lap handed out (C,) [s]."""
    solved = solved_time(solved_path(track, solution.iterate.mesh, *unpacked(solution.iterate)))
    lap, taken = solution.lap, []
    for each in corner_stretches(track):
        begin, end = np.interp([each.s_start, each.s_end], lap.line.s, lap.t)
        taken.append(end - begin + (lap.lap_time if each.s_end < each.s_start else 0.0))
    return solved, np.array(taken)


def alike(told: Array, found: Array) -> Array:
    """How far two figures are apart, in what is allowed (any shape) [-]."""
    return np.abs(told - found) / np.maximum(SHARE * np.abs(found), TIME)


def main() -> None:
    """Arguments in, table out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tracks", nargs="+", default=sorted(bundled_tracks()))
    parser.add_argument("--karts", nargs="+", default=sorted(bundled_karts()))
    options = parser.parse_args()
    print(surroundings())
    laps: list[tuple[float, str]] = []
    corners: list[tuple[float, str]] = []
    beyond: list[tuple[float, str]] = []
    withheld, count, spent = [], 0, []
    for place in options.tracks:
        for name in options.karts:
            track, kart = load_track(place), load_kart(name)
            base = solve_min_time(track, kart)
            begin = time.process_time()
            worths = {worth.words: worth for worth in what_pays(track, kart, base)}
            spent.append(time.process_time() - begin)
            numbers = [each.corner for each in corner_stretches(track)]
            lost, missed = [], []
            for words, made in MADE.items():
                if words not in worths:
                    continue
                told, parts, moved = worths[words].lap, worths[words].corners, worths[words].moved
                if words == "braking grip":
                    told, parts = told + worths["driving grip"].lap, parts + worths["driving grip"].corners
                    moved = moved + worths["driving grip"].moved
                    words = "grip along"
                karts = [made(kart, 1.0 + way) for way in (STEP, -STEP)]
                solved = [times(track, solve_min_time(track, one, warm=base, verify=False)) for one in karts]
                lap, split = ((a - b) * 0.01 / (2.0 * STEP) for a, b in zip(*solved))
                where, count = f"{place}, {name}, {words}", count + 1
                missed.append(float(alike(told, lap)))
                laps.append((missed[-1], f"{where}: {1e3 * told:+.2f} ms told, {1e3 * lap:+.2f} found"))
                if np.isnan(parts).any():
                    withheld.append(where)
                    continue
                off = alike(parts, split)
                corners += [
                    (float(one), f"{where}, corner {number}: {1e3 * a:+.2f} ms told, {1e3 * b:+.2f} found")
                    for one, number, a, b in zip(off, numbers, parts, split)
                ]
                lost.append(float(off.max()))
                less = np.maximum(np.abs(parts - split) - moved, 0.0) / np.maximum(SHARE * np.abs(split), TIME)
                beyond += [(float(one), said) for one, (_, said) in zip(less, corners[-less.size :])]
            print(
                f"{place:18} {name:22} what_pays {spent[-1]:5.1f} s of processor time, worst corner "
                f"{max(lost, default=np.nan):5.1f} times what is allowed, worst lap "
                f"{max(missed):5.1f}",
                flush=True,
            )
    print(f"\n{count} numbers; corners withheld for {len(withheld)}: {'; '.join(withheld) or 'none'}")
    print(f"processor time of what_pays: {min(spent):.1f} to {max(spent):.1f} s, {np.mean(spent):.1f} s on average")
    for title, found in (("lap", laps), ("corners", corners)):
        share = np.mean([off <= 1.0 for off, _ in found])
        print(f"\n{title}: {share:.1%} of {len(found)} within {SHARE:.0%} or {1e3 * TIME:.1f} ms; the worst:")
        print("\n".join(f"  {off:5.1f} times what is allowed: {where}" for off, where in sorted(found)[:-9:-1]))
    share = np.mean([off <= 1.0 for off, _ in beyond])
    print(f"\ncorners, allowed as far as they move if the change is halved as well: {share:.1%}; the worst:")
    print("\n".join(f"  {off:5.1f} times what is allowed: {where}" for off, where in sorted(beyond)[:-5:-1]))


if __name__ == "__main__":
    main()
