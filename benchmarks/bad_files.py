"""Files nobody would wish for: damaged track and kart files of every format, and karts from all over the ranges.

Damaged files must be read or refused in linelab's own words; a kart inside the published ranges must be solved, or
refused naming the field, within the time allowed.  Prints counts, types of exceptions, the worst time and memory.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import resource
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from surroundings import ROOT, peak_memory, surroundings

from linelab.errors import InputError, KartError, LinelabError
from linelab.files.kart_fields import TABLES, limits_of
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.kart import MOST_UNLIKE, POWER_BOUNDS, RATIO_ENTRY, TOP_SPEED, TORQUE_ENTRY
from linelab.model.track import Track
from linelab.optimum.minimum_time import solve_min_time
from linelab.units import RPM

sys.path.insert(0, str(ROOT / "tests" / "helpers"))
from mutations import damaged, track_and_kart_seeds, use_track_or_kart

Kart = dict[str, Any]
#: Fields that :func:`random_kart` chooses so that they fit each other.
JOINT = ("mu_longitudinal", "crank_rpm", "torque_nm", "gearbox_ratios", "primary_ratio", "overall_ratios")
JOINT += ("axle_sprocket_teeth", "engine_sprocket_teeth", "clutch_engagement_rpm")


def damaged_files(count: int, seed: int, limit: float) -> None:
    """Read ``count`` damaged files, formats in turn."""
    rng, seeds = random.Random(seed), track_and_kart_seeds()
    names, files = list(seeds), list(seeds.values())
    outcome: Counter[str] = Counter()
    worst, slow = 0.0, ""
    with tempfile.TemporaryDirectory() as folder:
        for i in range(count):
            name = names[i % len(names)]
            path = Path(folder) / name
            path.write_bytes(damaged(rng, seeds[name], files))
            begin = time.process_time()
            try:
                outcome["read" if use_track_or_kart(path) else "refused"] += 1
            except Exception as error:  # what must never happen is what this is for
                outcome[f"FAULT {type(error).__name__}"] += 1
                kept = Path(tempfile.gettempdir()) / f"culprit_{i}_{name}"
                kept.write_bytes(path.read_bytes())
                print(f"file {i} of seed {seed}: {type(error).__name__}: {error!s:.200} (kept as {kept})")
            if (taken := time.process_time() - begin) > worst:
                worst, slow = taken, f"file {i}, {name}"
            if sys.stderr.isatty():
                print(f"\r{i + 1}/{count}", end="", file=sys.stderr)
    print(f"{count} damaged files of {len(names)} kinds (seed {seed}):", dict(outcome))
    print(f"  slowest {worst:.2f} s of processor time ({slow}), allowed {limit:g}; peak {peak_memory() / 2**20:.0f} MB")


def _pick(rng: random.Random, low: float, high: float, extreme: float) -> float:
    """A value in a range: with chance ``extreme`` one of its ends, else any, by ratio where it spans decades."""
    if rng.random() < extreme:
        return rng.choice((low, high))
    wide = low > 0.0 and high / low > 20.0
    return math.exp(rng.uniform(math.log(low), math.log(high))) if wide else rng.uniform(low, high)


def _table(rng: random.Random, table: str, extreme: float, left_out: float) -> Kart:
    """Fields of a table that has ranges; optional ones are left out with some chance."""
    found: Kart = {}
    for name, field in TABLES[table].model_fields.items():
        low, high = limits_of(table, name)
        if low is None or high is None or name in JOINT or (not field.is_required() and rng.random() < left_out):
            continue
        found[name] = _pick(rng, low, high, extreme)
    return found


def random_kart(seed: int) -> Kart:
    """Tables of a kart file inside the published ranges; a third of the karts lie in corners of them."""
    rng = random.Random(seed)
    extreme = rng.choice((0.05, 0.1, 0.5))
    kart: Kart = {"name": f"kart {seed}", "four_wheel_brakes": rng.random() < 0.5, **_table(rng, "", extreme, 0.4)}
    tyres = kart["tyres"] = _table(rng, "tyres", extreme, 0.4)
    low, high = limits_of("tyres", "mu_longitudinal")
    assert low is not None
    assert high is not None
    wanted = tyres["mu_lateral"] * _pick(rng, 1.0 / MOST_UNLIKE, MOST_UNLIKE, extreme)
    tyres["mu_longitudinal"] = min(max(wanted, low), high)
    kart["air"] = _table(rng, "air", extreme, 0.4)
    if rng.random() < 0.5:
        kart["driver"] = _table(rng, "driver", extreme, 0.5)
    if rng.random() < 0.5:
        kart["simple_drive"] = _table(rng, "simple_drive", extreme, 0.4)
    else:
        kart["engine"] = _engine(rng, extreme)
    return kart


def _engine(rng: random.Random, extreme: float) -> Kart:
    """A torque engine whose curve, gearing and clutch go together."""
    engine = _table(rng, "engine", extreme, 0.4)
    limit = engine["rev_limit_rpm"]
    per_speed = engine["tyre_circumference_m"] * limit * RPM / (2.0 * math.pi)
    low = max(RATIO_ENTRY.low, 1.001 * per_speed / TOP_SPEED.high)
    high = min(RATIO_ENTRY.high, 0.999 * per_speed / TOP_SPEED.low)
    last = _pick(rng, low, max(low, high), extreme)
    lower = [last * _pick(rng, 1.05, max(1.06, RATIO_ENTRY.high / last), 0.0) for _ in range(rng.randint(0, 5))]
    engine["overall_ratios"] = sorted({last, *(min(ratio, RATIO_ENTRY.high) for ratio in lower)}, reverse=True)
    speeds = sorted(rng.uniform(0.05, 1.2) * limit for _ in range(rng.randint(2, 8)))
    engine["crank_rpm"] = speeds
    most = [min(TORQUE_ENTRY.high, 0.999 * POWER_BOUNDS["power"].high / (rpm * RPM)) for rpm in speeds]
    level = _pick(rng, 1.0, min(most), extreme)
    engine["torque_nm"] = [max(TORQUE_ENTRY.low, min(level * rng.uniform(0.3, 1.0), top)) for top in most]
    if rng.random() < 0.5:
        engine["clutch_engagement_rpm"] = rng.uniform(0.0, 0.8) * limit
    return engine


def kart_toml(kart: Kart) -> str:
    """The kart as a kart file."""
    head = [f"{name} = {json.dumps(value)}" for name, value in kart.items() if not isinstance(value, dict)]
    for table, values in kart.items():
        if isinstance(values, dict):
            head += [f"[{table}]", *(f"{name} = {json.dumps(value)}" for name, value in values.items())]
    return "\n".join(head) + "\n"


def solved(track: Track, path: Path) -> tuple[str, str, float]:
    """What became of a kart: "solved", "refused" or the fault; its words, and processor time [s]."""
    begin = time.process_time()
    try:
        solution = solve_min_time(track, load_kart(path))
        found = "solved", f"{solution.lap_time:.2f} s, {solution.iterate.method}, {solution.iterations} iterations"
    except KartError as error:
        found = "refused", f"{error.field}: {error!s}"
    except InputError as error:
        found = "refused", f"{type(error).__name__}: {error!s}"
    except LinelabError as error:
        found = "UNNAMED", f"{type(error).__name__}: {error!s}"
    except Exception as error:  # as above
        found = f"FAULT {type(error).__name__}", str(error)
    return *found, time.process_time() - begin


def in_a_child(run: Callable[[], tuple[str, str, float]], limit: float) -> tuple[str, str, float]:
    """Run in a process of its own, which ends after ``limit`` seconds of processor time."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(limit), math.ceil(limit)))
        try:
            os.write(writing, json.dumps(run()).encode()[:60_000])
        finally:
            os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        data = pipe.read()
    os.waitpid(child, 0)
    if not data:
        return "TOO LONG", "", limit
    kind, words, taken = json.loads(data)
    return str(kind), str(words), float(taken)


def karts(count: int, seed: int, name: str, limit: float, folder: Path | None) -> None:
    """Solve ``count`` random karts on a bundled track."""
    track = load_track(name)
    solve_min_time(track, load_kart("senior-single-speed"))  # what is built once is built
    outcome: Counter[str] = Counter()
    fields: Counter[str] = Counter()
    times: list[float] = []
    with tempfile.TemporaryDirectory() as scratch:
        for i in range(seed, seed + count):
            path = (folder or Path(scratch)) / f"kart_{i}.toml"
            path.write_text(kart_toml(random_kart(i)), encoding="utf-8")
            kind, words, taken = in_a_child(lambda at=path: solved(track, at), 2.0 * limit)  # type: ignore[misc]
            outcome[kind] += 1
            times.append(taken)
            if kind == "refused":
                fields[words.partition(": ")[0]] += 1
            if kind not in ("solved", "refused") or taken > limit or folder is not None:
                print(f"kart {i}: {kind}, {taken:.1f} s: {words}", flush=True)
    times.sort()
    print(f"{count} karts inside the ranges on {name} (from seed {seed}):", dict(outcome))
    print(f"  refused for {dict(fields)}")
    print(f"  processor time: median {times[len(times) // 2]:.2f} s, worst {times[-1]:.2f} s, allowed {limit:g}")


def main() -> None:
    """Arguments in, report out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=5000, help="damaged files (default 5000)")
    parser.add_argument("--karts", type=int, default=100, help="random karts (default 100)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--track", default="tinmarsh_rental", help="bundled track for the karts")
    parser.add_argument("--limit", type=float, default=20.0, help="processor time allowed each [s]")
    parser.add_argument("--keep", type=Path, help="keep the karts in this folder and print every one")
    options = parser.parse_args()
    print(surroundings("pydantic", "shapely"))
    warnings.simplefilter("error", RuntimeWarning)
    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))  # so that a fault is a MemoryError, not a full machine
    if options.count:
        damaged_files(options.count, options.seed, options.limit)
    if options.karts:
        warnings.simplefilter("default", RuntimeWarning)
        karts(options.karts, options.seed, options.track, options.limit, options.keep)


if __name__ == "__main__":
    main()
