"""Every track with every kart, dry, damp and wet, both ways round: does everything solve and pass its check?

Run ``python benchmarks/sweep.py``; it goes on where it stopped.  Tracks are the bundled ones, shapes made on the spot
(benchmarks/odd_shapes.py) and, where ../shared/data is present, 20 real circuits with widths.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from odd_shapes import SHAPES
from surroundings import shared_circuits, surroundings

from linelab.errors import LinelabError
from linelab.files.kart_file import bundled_karts, load_kart
from linelab.files.tracks.survey_import import load_centre_line
from linelab.files.tracks.track_file import bundled_tracks, load_track, reversed_track
from linelab.model.track import Track
from linelab.optimum.minimum_time import solve_min_time

GRIPS = {"dry": 1.0, "damp": 0.6, "wet": 0.45}
Source = tuple[str, Callable[[], Track]]


def sources(kinds: list[str]) -> list[Source]:
    """Names and loaders of the tracks."""
    found: list[Source] = []
    if "demo" in kinds:
        found += [(name, partial(load_track, name)) for name in bundled_tracks()]
    if "shapes" in kinds:
        found += [(make.__name__, make) for make in SHAPES]
    if "circuits" in kinds:
        found += [(path.stem, partial(load_centre_line, path, closed=True)) for path in shared_circuits()]
    return found


def cases(tracks: list[Source], karts: list[str], grips: list[str]) -> Iterator[tuple[Source, str, str, str]]:
    """Every combination: track, direction, kart, condition."""
    for source in tracks:
        for way in ("forwards", "backwards"):
            for kart in karts:
                for grip in grips:
                    yield source, way, kart, grip


def run_case(track: Track, kart: str, grip: str) -> dict[str, object]:
    """Solve and verify one case."""
    started = time.perf_counter()
    try:
        solution = solve_min_time(track, load_kart(kart), grip=GRIPS[grip])
    except LinelabError as error:
        outcome: dict[str, object] = {"ok": False, "message": f"{type(error).__name__}: {error}"}
    except Exception as error:  # what must never happen is what a sweep is for
        outcome = {"ok": False, "message": f"FAULT {type(error).__name__}: {error}"}
    else:
        check = solution.verification
        assert check is not None
        outcome = {
            "ok": True,
            "lap_time": solution.lap_time,
            "time_error": solution.time_error,
            "iterations": solution.iterations,
            "method": solution.iterate.method,
            "intervals": solution.iterate.structure.intervals,
            "edge_excess": check.edge_excess,
            "grip_excess": check.grip_excess,
            "engine_excess": check.engine_excess,
            "speed_defect": check.speed_defect,
            "solver": check.solver_time - solution.lap.lap_time,
        }
    return outcome | {"seconds": time.perf_counter() - started}


def sweep(options: argparse.Namespace) -> dict[str, dict[str, object]]:
    """Run what is missing, at most for the seconds allowed; returns all results by case."""
    results = _read(options.results)
    todo = list(cases(_chosen(options), options.karts or list(bundled_karts()), options.grips))
    stop, loaded = time.monotonic() + options.seconds, ("", "")
    track: Track | None = None
    with options.results.open("a", encoding="utf-8") as file:
        for count, ((name, load), way, kart, grip) in enumerate(todo, start=1):
            key = " ".join((name, way, kart, grip))
            if key in results:
                continue
            if time.monotonic() > stop:
                print(f"\nstopped after {options.seconds:.0f} s; run again to go on")
                break
            if loaded != (name, way):
                track, trouble, loaded = *_load(load, way), (name, way)
            outcome = {"ok": False, "message": trouble} if track is None else run_case(track, kart, grip)
            results[key] = outcome
            file.write(json.dumps({"case": key} | outcome) + "\n")
            file.flush()
            _progress(count, len(todo), key, outcome)
    return {key: value for key, value in results.items() if key in {" ".join((s[0], w, k, g)) for s, w, k, g in todo}}


def _load(load: Callable[[], Track], way: str) -> tuple[Track | None, str]:
    try:
        track = load()
        return (track if way == "forwards" else reversed_track(track)), ""
    except LinelabError as error:
        return None, f"{type(error).__name__}: {error}"
    except Exception as error:
        return None, f"FAULT {type(error).__name__}: {error}"


def _chosen(options: argparse.Namespace) -> list[Source]:
    """Tracks asked for: a number takes that many of each kind, names take those."""
    found = [source for kind in options.kinds for source in sources([kind])[: options.tracks]]
    return [source for source in found if not options.names or source[0] in options.names]


def _read(path: Path) -> dict[str, dict[str, object]]:
    if not path.exists():
        return {}
    rows = (json.loads(line) for line in path.read_text(encoding="utf-8").splitlines())
    return {row.pop("case"): row for row in rows}


def _progress(count: int, total: int, key: str, outcome: dict[str, object]) -> None:
    if not outcome["ok"]:
        print(f"\r{key}: {outcome['message']}", flush=True)
    elif sys.stderr.isatty():
        print(f"\r{count}/{total} {key:70.70}", end="", file=sys.stderr, flush=True)


def report(results: dict[str, dict[str, object]]) -> None:
    """Counts and worst figures."""
    good = {key: row for key, row in results.items() if row["ok"]}
    print(f"\n{len(good)} of {len(results)} cases solved and verified")
    asked = sum(row["method"] == "ipopt" for row in good.values())
    print(f"  of these, IPOPT was asked at the end for {asked}")
    for key, row in results.items():
        if not row["ok"]:
            print(f"  failed: {key}: {row['message']}")
    for figure, unit, scale in (
        ("seconds", "s", 1.0),
        ("iterations", "", 1.0),
        ("intervals", "", 1.0),
        ("time_error", "ms", 1e3),
        ("edge_excess", "mm", 1e3),
        ("grip_excess", "%", 100.0),
        ("engine_excess", "%", 100.0),
        ("speed_defect", "mm/s", 1e3),
        ("solver", "ms", 1e3),
    ):
        ranked = sorted((abs(float(str(row[figure]))), key) for key, row in good.items())
        if ranked:
            middle = ranked[len(ranked) // 2][0]
            worst, key = ranked[-1]
            print(f"  {figure:12} median {middle * scale:9.3f} {unit:2}  worst {worst * scale:9.3f} {unit:2} ({key})")


def main() -> None:
    """Arguments in, report out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--kinds", nargs="+", default=["demo", "circuits", "shapes"], choices=["demo", "circuits", "shapes"]
    )
    parser.add_argument("--tracks", type=int, metavar="N", help="only the first N tracks of each kind")
    parser.add_argument("--names", nargs="+", default=[], metavar="TRACK", help="only these tracks")
    parser.add_argument("--karts", nargs="+", metavar="KART", help="bundled names or files; all bundled ones otherwise")
    parser.add_argument("--grips", nargs="+", default=list(GRIPS), choices=list(GRIPS))
    parser.add_argument(
        "--seconds", type=float, default=float("inf"), help="stop after this long; the next run goes on"
    )
    parser.add_argument("--results", type=Path, default=Path("sweep_results.jsonl"), help="where results are kept")
    options = parser.parse_args()
    print(surroundings("scipy"))
    report(sweep(options))


if __name__ == "__main__":
    main()
