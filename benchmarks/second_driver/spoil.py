"""Bad samples in a recording, and the truth about them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .circuit import Array
from .receiver import Log

METRES = 111_200.0  # [m] of a degree of latitude
MOST = 0.02  # share of one channel's samples that may be arbitrary
CHANNELS = {
    "overflow": ("speed",), "negative": ("speed",), "huge": ("speed",), "stuck": ("speed", "course", "position"),
    "zero": ("speed", "course", "position"), "flip": ("course",), "outlier": ("position",), "swap": ("lat",),
    "arbitrary": ("speed", "course", "lon", "lat"),
}  # fmt: skip


@dataclass(frozen=True)
class Spoiled:
    """Samples from first to last (exclusive) of a channel (speed, course, lon, lat, position: both) and the kind."""

    kind: str
    channel: str
    first: int
    last: int
    t: float  # [s] of the first


def spoil(
    record: Log,
    rng: np.random.Generator,
    wishes: Mapping[str, int],
    *,
    at: Sequence[float] = (),
    channel: str | None = None,
    size: float | None = None,
) -> tuple[Log, list[Spoiled]]:
    """Return a copy of a recording with bad samples, and what was spoiled, in the order of time.

    `wishes` gives how many of each kind (single samples if not said otherwise): overflow (655.35 m/s), negative
    (speed), huge (1e9 m/s), stuck (one value for 1-2 s), zero, flip (course + 180 degrees), outlier (position off by
    4-15 m or by `size` [m], one to three samples), swap (latitudes of two neighbours), arbitrary (anything, at most 2 %
    of the samples; all in one channel). `at` are times [s] that the first ones lie nearest to; the others lie anywhere
    the kart moves. No two of them touch. `channel` says which channel stuck, zero and arbitrary spoil; otherwise each
    draws one that the recording has.

    Raises ValueError for kinds, channels or numbers that are not possible.
    """
    arrays = {k: v.copy() for k in ("speed", "course", "lon", "lat") if (v := getattr(record, k)) is not None}
    have = {*arrays, "position"}
    count, places, done = len(record.t), list(at), []
    free = np.ones(count, bool)
    free[:2] = free[-2:] = False
    moving = free & ((record.speed > 2) if record.speed is not None else True)
    if wishes.get("arbitrary", 0) > MOST * count:
        raise ValueError(f"{wishes['arbitrary']} arbitrary samples are more than {MOST:.0%} of {count}")
    lasting: str | None = None
    for kind, number in wishes.items():
        if kind not in CHANNELS:
            raise ValueError(f"{kind!r} is none of {', '.join(CHANNELS)}")
        possible = [
            c for c in CHANNELS[kind] if c in have and (channel is None or len(CHANNELS[kind]) == 1 or c == channel)
        ]
        if number and not possible:
            raise ValueError(f"the recording has no channel for {kind!r} (channel {channel!r})")
        for _ in range(number):
            hit = str(rng.choice(possible))
            if kind == "arbitrary":
                hit = lasting = lasting or hit
            long = _length(kind, count / (record.t[-1] - record.t[0]), rng)
            if places:
                first = int(np.clip(np.searchsorted(record.t, places[0]), 2, count - 2 - long))
                if abs(record.t[first - 1] - places[0]) < abs(record.t[first] - places[0]) and first > 2:
                    first -= 1
                places.pop(0)
                if not free[first : first + long].all():
                    raise ValueError(f"something is spoiled at {record.t[first]:.2f} s already")
            else:
                first = _room(free & moving, free, long, rng)
            span = slice(first, first + long)
            free[max(first - 1, 0) : first + long + 1] = False
            _change(arrays, kind, hit, span, size, rng)
            done.append(Spoiled(kind, hit, first, first + long, float(record.t[first])))
    return replace(record, **arrays), sorted(done, key=lambda one: one.first)


def _length(kind: str, rate: float, rng: np.random.Generator) -> int:
    if kind == "stuck":
        return max(2, round(rng.uniform(1, 2) * rate))
    return {"outlier": int(rng.integers(1, 4)), "swap": 2}.get(kind, 1)


def _room(begins: Array, free: Array, long: int, rng: np.random.Generator) -> int:
    """Return where so many free samples begin."""
    total = np.append(0, np.cumsum(free))
    whole = np.flatnonzero(begins[: len(free) - long + 1] & (total[long:] - total[:-long] == long))
    if len(whole) == 0:
        raise ValueError("no room is left for another bad sample: ask for fewer")
    return int(rng.choice(whole))


def _change(
    arrays: dict[str, Array], kind: str, hit: str, span: slice, size: float | None, rng: np.random.Generator
) -> None:
    """Spoil the samples of a span."""
    names = ("lon", "lat") if hit == "position" else (hit,)
    first = span.start
    if kind == "overflow":
        arrays[hit][span] = 655.35
    elif kind == "negative":
        arrays[hit][span] = -rng.uniform(0.5, 60)
    elif kind == "huge":
        arrays[hit][span] = 1e9
    elif kind == "flip":
        arrays[hit][span] = np.mod(arrays[hit][span] + np.pi, 2 * np.pi)
    elif kind == "swap":
        arrays[hit][span] = arrays[hit][span][::-1].copy()
    elif kind in ("stuck", "zero"):
        for name in names:
            arrays[name][span] = arrays[name][first - 1] if kind == "stuck" else 0.0
    elif kind == "outlier":
        away, angle = size if size is not None else rng.uniform(4, 15), rng.uniform(0, 2 * np.pi)
        shake = 1 + 0.05 * np.clip(rng.normal(size=span.stop - first), -2, 2) if size is None else 1.0
        north = away * np.sin(angle) / METRES
        east = away * np.cos(angle) / (METRES * np.cos(np.radians(arrays["lat"][first])))
        arrays["lat"][span] += north * shake
        arrays["lon"][span] += east * shake
    elif hit in ("lon", "lat"):
        near = arrays[hit][span] + rng.choice([-1, 1]) * 10 ** rng.uniform(-4.5, 1)  # some 3 m to 1000 km off
        arrays[hit][span] = rng.choice([float(near[0]), 0.0, 180.0, rng.uniform(-90, 90)])
    else:
        wild = [10 ** rng.uniform(-6, 9), -(10 ** rng.uniform(-2, 6)), rng.uniform(0, 60), 655.35, 0.0]
        arrays[hit][span] = rng.choice(wild)
