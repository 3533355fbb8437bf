"""Does a verified lap stay between the edges as given, and does its stated error of the lap time cover?

``python benchmarks/engine_word.py edges 60 1`` solves the bundled circuits with every kart and 60 random ones from seed
1 on (random_tracks.py), every third with a kart 2.1 m wide.  Both ends of the kart's width, square to its path, are
held every 0.1 m against the polygon between the edges as given, kerbs' usable strips added, by shapely.

``python benchmarks/engine_word.py times 20 1`` solves each circuit as given, in the mirror and begun at three other
vertices of its edges, at both tolerances: the lap time must not change by more than its stated error.

A third number is of worker processes.  Shares no code with linelab beyond loading a track file, a kart, and the solve.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from random_tracks import KINDS, Circuit, begun_elsewhere, circuit, load, mirrored, save, usable
from scipy.interpolate import CubicHermiteSpline, CubicSpline
from surroundings import surroundings

import linelab

Array = NDArray[np.float64]

#: Distance between the places looked at [m].
EVERY = 0.1
#: What counts as outside, for the metres over an edge [m].
OUTSIDE = 0.01
WIDE = 2.1  #: width of the wide kart [m]
TOLERANCES = (2.0e-3, 2.0e-4)  #: of the lap time [s]
KARTS = ("senior-single-speed", "rental-four-stroke", "junior-single-speed", "gearbox")


@dataclass(frozen=True, kw_only=True)
class Word:
    """One lap beside the edges: what the check states, what the judge sees [m]."""

    case: str
    kind: str
    stated: float = np.nan
    worst: float = np.nan  #: farthest an end of the kart's width lies over an edge or its kerb's strip
    station: float = np.nan  #: where, along the track
    where: tuple[float, float] = (np.nan, np.nan)
    over: float = np.nan  #: path with an end more than OUTSIDE out
    plain: float = np.nan  #: farthest out where no kerb is within 1 m
    doubt: float = np.nan  #: distance between the judge's two ways of interpolating the path
    refused: str = ""
    seconds: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Times:
    """Lap times and stated errors of a circuit [s]: as given, mirrored, begun elsewhere three times."""

    case: str
    kind: str
    tolerance: float
    times: tuple[float, ...] = ()
    errors: tuple[float, ...] = ()
    refused: str = ""
    seconds: float = 0.0


def loaded(given: Circuit) -> Any:
    """The circuit through its file into linelab."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "circuit.geojson"
        save(given, path)
        return linelab.load_track(path)


def driver_of(seed: int) -> tuple[str, Any]:
    """Kart of a seed and its name: the bundled ones in turn, each third seed's as wide as WIDE."""
    name = KARTS[seed // 3 % len(KARTS)]
    kart = linelab.load_kart(name)
    return (f"{name} 2.1 m", replace(kart, width=WIDE)) if seed % 3 == 0 else (name, kart)


def ends(line: Any, width: float) -> tuple[Array, Array, float]:
    """Distances along the path every EVERY, both ends of the width there (2, N, 2), and the doubt in the path [m]."""
    xy = np.column_stack([line.x, line.y])
    d = np.asarray(line.distance)
    path = CubicHermiteSpline(d, xy, np.column_stack([np.cos(line.psi), np.sin(line.psi)]))
    chord = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    xy[-1] = xy[0]
    other = CubicSpline(chord, xy, bc_type="periodic")
    at = np.linspace(0.0, d[-1], int(d[-1] / EVERY), endpoint=False)
    doubt = np.hypot(*(path(at) - other(np.interp(at, d, chord))).T).max()
    ahead = path(at, 1)
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    return at, np.stack([path(at) + side * width / 2.0 * left for side in (1.0, -1.0)]), float(doubt)


def judge_edges(case: str, given: Circuit, track: Any, kart: Any) -> Word:
    """Solve one case and hold it against the edges as given."""
    began = time.process_time()
    try:
        solution = linelab.solve_min_time(track, kart)
    except linelab.LinelabError as error:
        return Word(case=case, kind=given.kind, refused=f"{type(error).__name__}: {error}")
    except Exception as error:  # what must never happen is what a judge is for
        return Word(case=case, kind=given.kind, refused=f"FAULT {type(error).__name__}: {error}")
    seconds = time.process_time() - began
    line = solution.lap.line
    at, both, doubt = ends(line, kart.width)
    area = usable(given)
    shapely.prepare(area)
    points = shapely.points(both)
    out = np.where(shapely.contains_properly(area, points), 0.0, shapely.distance(area, points))
    side, k = np.unravel_index(int(np.argmax(out)), out.shape)
    kerbs = shapely.union_all([shapely.LineString(kerb.line) for kerb in given.kerbs])
    far = np.ones(out.shape, dtype=bool) if not given.kerbs else shapely.distance(kerbs, points) > 1.0
    return Word(
        case=case,
        kind=given.kind,
        stated=solution.verification.edge_excess,
        worst=float(out[side, k]),
        station=float(np.interp(at[k], line.distance, line.s) % track.length),
        where=(float(both[side, k, 0]), float(both[side, k, 1])),
        over=float((out.max(axis=0) > OUTSIDE).sum() * at[1]),
        plain=float(out[far].max(initial=0.0)),
        doubt=doubt,
        seconds=seconds,
    )


def edges_of_seed(seed: int) -> list[Word]:
    """Judge A on a random circuit."""
    given = circuit(seed)
    name, kart = driver_of(seed)
    case = f"{given.name}, {name}"
    try:
        track = loaded(given)
    except linelab.LinelabError as error:
        return [Word(case=case, kind=given.kind, refused=f"{type(error).__name__}: {error}")]
    except Exception as error:
        return [Word(case=case, kind=given.kind, refused=f"FAULT {type(error).__name__}: {error}")]
    return [judge_edges(case, given, track, kart)]


def edges_of_bundled(name: str) -> list[Word]:
    """Judge A on a bundled circuit with every bundled kart."""
    path = linelab.bundled_tracks()[name]
    given, track = load(path), linelab.load_track(path)
    return [judge_edges(f"{name}, {kart}", given, track, linelab.load_kart(kart)) for kart in KARTS]


def times_of_seed(seed: int, tolerances: tuple[float, ...]) -> list[Times]:
    """Judge B on a random circuit."""
    given = circuit(seed)
    name, kart = driver_of(seed)
    case = f"{given.name}, {name}"
    forms = [given, mirrored(given), *(begun_elsewhere(given, 10 * seed + k) for k in range(3))]
    found = []
    began = time.process_time()
    for tolerance in tolerances:
        try:
            laps = [linelab.solve_min_time(loaded(form), kart, tolerance=tolerance) for form in forms]
        except Exception as error:  # refusals and faults alike: told, counted, not judged
            trouble = f"{type(error).__name__}: {error}"
            found.append(Times(case=case, kind=given.kind, tolerance=tolerance, refused=trouble))
            continue
        found.append(
            Times(
                case=case,
                kind=given.kind,
                tolerance=tolerance,
                times=tuple(lap.lap_time for lap in laps),
                errors=tuple(lap.time_error for lap in laps),
                seconds=time.process_time() - began,
            )
        )
        began = time.process_time()
    return found


def told(word: Word | Times) -> str:
    """One case on one line."""
    if word.refused:
        return f"{word.case}: {word.refused}"
    if isinstance(word, Word):
        place = f"station {word.station:.1f} m, ({word.where[0]:.1f}, {word.where[1]:.1f})"
        return (
            f"{word.case}: {1e3 * word.worst:.1f} mm out at {place}, {word.over:.1f} m beyond 1 cm, away from kerbs "
            f"{1e3 * word.plain:.1f} mm, stated {1e3 * word.stated:.1f} mm; {word.seconds:.2f} s"
        )
    changes = " ".join(f"{1e3 * (t - word.times[0]):+.2f}" for t in word.times[1:])
    errors = " ".join(f"{1e3 * e:.2f}" for e in word.errors)
    return (
        f"{word.case}, tolerance {1e3 * word.tolerance:g} ms: {word.times[0]:.4f} s; mirror, others {changes} ms; "
        f"stated {errors} ms; {word.seconds:.1f} s"
    )


def report_edges(words: list[Word]) -> None:
    """Judge A's tables."""
    print(f"\n{'':14} solved  stated  median    95 %   worst  off a  >1 cm  >2 cm  >3 cm  metres")
    print(f"{'':14}          worst      mm      mm      mm   kerb   laps   laps   laps   >1 cm")
    wide = [w for w in words if w.case.endswith("2.1 m")]
    random = [w for w in words if w.kind != "bundled"]
    groups = [(kind, [w for w in words if w.kind == kind]) for kind in ("bundled", *KINDS)]
    for name, group in [*groups, ("wide kart", wide), ("all random", random)]:
        good = [w for w in group if not w.refused]
        if not good:
            continue
        worst = np.array([w.worst for w in good])
        figures = (max(w.stated for w in good), *np.percentile(worst, [50, 95, 100]), max(w.plain for w in good))
        laps = (f"{(worst > limit).sum():6d}" for limit in (0.01, 0.02, 0.03))
        print(
            f"{name:14}{f'{len(good)}/{len(group)}':>7}", *(f"{1e3 * figure:7.1f}" for figure in figures[:-1]), end=" "
        )
        print(f"{1e3 * figures[-1]:6.1f}", *laps, f"{sum(w.over for w in good):7.1f}")
    good = [w for w in words if not w.refused]
    apart = [1e3 * abs(w.stated - w.worst) for w in good] or [0.0]
    print(f"stated beside seen: {np.median(apart):.1f} mm apart in the median, {max(apart):.1f} mm at most")
    print(f"doubt in the path between nodes: at most {1e3 * max((w.doubt for w in good), default=0.0):.2f} mm")
    print(f"processor time of a solve: {np.mean([w.seconds for w in good] or [0.0]):.2f} s on average")
    _worst(sorted(good, key=lambda w: -w.worst), [w for w in words if w.refused])


def report_times(words: list[Times]) -> None:
    """Judge B's tables, a tolerance at a time."""
    for tolerance in sorted({w.tolerance for w in words}, reverse=True):
        group = [w for w in words if w.tolerance == tolerance]
        good = [w for w in group if not w.refused]
        print(f"\ntolerance {1e3 * tolerance:g} ms: {len(good)} of {len(group)} circuits solved in all five forms")
        if not good:
            continue
        print(f"{'':14} pairs  within  within  within 2  median    95 %   worst  stated")
        print(f"{'':14}         rss %   sum %   tol.s %      ms      ms      ms  median")
        forms = [("mirror", good, slice(1, 2)), ("other starts", good, slice(2, None))]
        kinds = [(kind, [w for w in good if w.kind == kind], slice(1, None)) for kind in KINDS]
        for name, rows, part in [*forms, *kinds, ("all", good, slice(1, None))]:
            if not rows:
                continue
            change = np.abs(np.concatenate([np.array(w.times[part]) - w.times[0] for w in rows]))
            pairs = np.concatenate([[(w.errors[0], error) for error in w.errors[part]] for w in rows])
            shares = (
                change <= np.hypot(*pairs.T),
                change <= pairs.sum(axis=1),
                np.concatenate([_met(w, part) for w in rows]),
            )
            figures = (np.median(change), np.percentile(change, 95), change.max(), np.median(pairs))
            print(f"{name:14}{change.size:6d}", *(f"{100 * share.mean():7.1f}" for share in shares), end="   ")
            print(*(f"{1e3 * figure:7.2f}" for figure in figures))
        above = np.mean([e > _allowed(w) for w in good for e in w.errors])
        print(f"stated errors above the tolerance: {100 * above:.1f} %")
        _worst(sorted(good, key=_largest, reverse=True), [w for w in group if w.refused])


def _allowed(word: Times) -> float:
    """Tolerance of a lap, which grows beyond a minute [s]."""
    return word.tolerance * max(1.0, word.times[0] / 60.0)


def _met(word: Times, part: slice) -> NDArray[np.bool_]:
    """Whether each change is within what two laps inside the tolerance may differ by, its double."""
    return np.abs(np.array(word.times[part]) - word.times[0]) <= 2.0 * _allowed(word)


def _largest(word: Times) -> float:
    return float(np.abs(np.array(word.times) - word.times[0]).max())


def _worst(ranked: list[Any], refused: list[Any]) -> None:
    print("worst:", *(f"  {told(word)}" for word in ranked[:8]), sep="\n")
    if refused:
        print("refused:", *(f"  {told(word)}" for word in refused), sep="\n")


def _run(job: Callable[[], list[Any]]) -> list[Any]:
    return job()


def results(jobs: Iterable[Callable[[], list[Any]]], workers: int) -> list[Any]:
    """Do the jobs, print each outcome as it comes."""
    found: list[Any] = []
    with get_context("spawn").Pool(workers) as pool:
        for words in pool.imap(_run, jobs) if workers > 1 else map(_run, jobs):
            print(*map(told, words), sep="\n", flush=True)
            found += words
    return found


def main() -> None:
    """Arguments in, tables out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("judge", choices=["edges", "times"])
    parser.add_argument("count", type=int, help="random circuits")
    parser.add_argument("first", type=int, nargs="?", default=1, help="first seed")
    parser.add_argument("workers", type=int, nargs="?", default=1)
    parser.add_argument("--no-bundled", action="store_true", help="edges: random circuits only")
    parser.add_argument("--tolerances", type=float, nargs="+", default=list(TOLERANCES), help="times: [s]")
    options = parser.parse_args()
    print(surroundings("scipy", "shapely"))
    seeds = range(options.first, options.first + options.count)
    if options.judge == "edges":
        bundled = [] if options.no_bundled else [partial(edges_of_bundled, name) for name in linelab.bundled_tracks()]
        report_edges(results([*bundled, *(partial(edges_of_seed, seed) for seed in seeds)], options.workers))
    else:
        report_times(results([partial(times_of_seed, s, tuple(options.tolerances)) for s in seeds], options.workers))


if __name__ == "__main__":
    main()
