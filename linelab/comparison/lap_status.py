"""Whether a lap is complete: gaps, length, stops, spins, and laps held up, each with when and how much."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np

from linelab.comparison.samples import Samples
from linelab.units import Array

Status = Literal["complete", "aborted", "incomplete", "out", "in"]

#: Standing still: slower than this [m/s] for at least this long [s].
STANDING, STANDING_TIME = 1.0, 1.5
#: Places along a lap at which laps are held against each other.
_PLACES = 200
#: Going backwards for this far is a spin [m]; so is less than this share of the usual speed.
_BACKWARDS, _SPUN = 1.5, 0.3
#: Held up: at least this much slower than the usual lap [s] and as a share of it, this much of it in a quarter lap.
_HELD, _HELD_SHARE, _HELD_WITHIN = 2.0, 0.05, 0.6

Verdict = tuple[Status, str]


class _Course(NamedTuple):
    """One lap's samples: time since its start (N,) [s], positions and mean speed about each sample [m, m/s]."""

    t: Array
    x: Array
    y: Array
    v: Array
    share: Array  #: of the lap's path, 0 to 1


def judge(
    samples: Samples, spans: Sequence[tuple[float, float]], length: float | None, longest_gap: float
) -> list[Verdict]:
    """Status and reason of each lap.

    Parameters
    ----------
    samples : Samples
    spans : sequence of (float, float)
        When each lap starts and ends [s].
    length : float or None
        Of a lap [m]; that of the median lap where unknown.
    longest_gap : float
        A lap with a longer gap between samples is incomplete [s].
    """
    speed = speed_by_positions(samples)
    cuts = np.searchsorted(samples.t, np.array(spans).reshape(-1, 2))
    way = _way(samples)
    paths = way[np.minimum(cuts[:, 1], way.size) - 1] - way[np.minimum(cuts[:, 0], way.size - 1)]
    expected = length if length is not None else (float(np.median(paths)) if len(paths) > 2 else None)
    verdicts: list[Verdict] = []
    measured = samples.speed if samples.has_speed else speed
    for (start, _), (a, b), path in zip(spans, cuts, paths):
        verdicts.append(_fault(samples, measured, slice(int(a), int(b)), start, float(path), expected, longest_gap))
    courses = [_course(samples, speed, way, slice(int(a), int(b)), start) for (start, _), (a, b) in zip(spans, cuts)]
    return _against_each_other(courses, [end - start for start, end in spans], verdicts)


def _way(samples: Samples) -> Array:
    """Way driven up to each sample [m]: chords of half a second, for noise makes those between samples longer."""
    chosen = np.unique(np.append(np.arange(0, samples.t.size, max(round(0.5 * samples.rate), 1)), samples.t.size - 1))
    steps = np.hypot(np.diff(samples.x[chosen]), np.diff(samples.y[chosen]))
    steps[steps < STANDING * np.diff(samples.t[chosen])] = 0.0  # jitter of a standing kart is no way driven
    return np.asarray(np.interp(samples.t, samples.t[chosen], np.concatenate([[0.0], np.cumsum(steps)])))


def _fault(
    samples: Samples,
    speed: Array,
    part: slice,
    start: float,
    path: float,
    expected: float | None,
    longest_gap: float,
) -> Verdict:
    """What is wrong with a lap by itself."""
    t = samples.t[part]
    if t.size < 4:
        return "incomplete", f"only {t.size} samples"
    steps = np.diff(t)
    worst = int(np.argmax(steps))
    if steps[worst] > longest_gap:
        return "incomplete", f"no samples for {steps[worst]:.1f} s, {t[worst] - start:.1f} s into the lap"
    if expected is not None and not 0.75 * expected < path < 1.35 * expected:
        return "incomplete", f"{path:.0f} m driven where a lap has {expected:.0f} m"
    began, lasted = _standstill(samples, speed, part)
    if lasted >= STANDING_TIME:
        return "aborted", f"stood still for {lasted:.1f} s, {began - start:.1f} s into the lap"
    return "complete", ""


def _standstill(samples: Samples, speed: Array, part: slice) -> tuple[float, float]:
    """Longest stretch slower than STANDING: when it begins and how long it lasts [s]."""
    t = samples.t[part]
    slow = np.concatenate([[False], np.nan_to_num(speed[part], nan=np.inf) < STANDING, [False]])
    edges = np.flatnonzero(np.diff(slow.astype(np.int8)))
    if edges.size == 0:
        return math.nan, 0.0
    first, last = edges[0::2], np.minimum(edges[1::2], t.size - 1)
    spans = t[last] - t[first]
    longest = int(np.argmax(spans))
    return float(t[first[longest]]), float(spans[longest])


def speed_by_positions(samples: Samples) -> Array:
    """Mean speed over about one second around each sample, from positions [m/s]."""
    t, x, y = samples.t, samples.x, samples.y
    half = max(round(0.5 * samples.rate), 1)
    i = np.arange(t.size)
    a, b = np.maximum(i - half, 0), np.minimum(i + half, t.size - 1)
    return np.asarray(np.hypot(x[b] - x[a], y[b] - y[a]) / np.maximum(t[b] - t[a], 1e-9))


def _course(samples: Samples, speed: Array, way: Array, part: slice, start: float) -> _Course:
    own = way[part] - way[part.start] if part.stop > part.start else np.empty(0)
    share = own / max(float(own[-1]), 1e-9) if own.size else own
    return _Course(samples.t[part] - start, samples.x[part], samples.y[part], speed[part], share)


def _against_each_other(courses: list[_Course], durations: list[float], verdicts: list[Verdict]) -> list[Verdict]:
    """Spins and laps held up, seen against the session's usual lap; that takes three laps."""
    whole = [k for k, (status, _) in enumerate(verdicts) if status == "complete"]
    if len(whole) < 3:
        return verdicts
    places = (np.arange(_PLACES) + 0.5) / _PLACES
    clocks = np.array([np.interp(places, courses[k].share, courses[k].t) for k in whole])
    speeds = np.array([np.interp(places, courses[k].share, courses[k].v) for k in whole])
    usual = np.median(speeds, axis=0)
    middle = min(whole, key=lambda k: abs(durations[k] - float(np.median([durations[j] for j in whole]))))
    heading = _headings(courses[middle], places)
    found = list(verdicts)
    paces = np.diff(clocks, axis=1)
    for k, clock, speed, pace in zip(whole, clocks, speeds, paces - np.median(paces, axis=0)):
        spin = _spin(courses[k], places, speed, usual, heading)
        found[k] = spin or _held_up(clock, pace, durations[k] - durations[middle], durations[middle]) or verdicts[k]
    return found


def _headings(course: _Course, places: Array) -> Array:
    """Unit vectors of travel (P, 2) at shares of a lap's path."""
    reach = 1.5 / places.size
    before, after = (
        np.column_stack([np.interp(places + moved, course.share, values) for values in (course.x, course.y)])
        for moved in (-reach, reach)
    )
    step = after - before
    return np.asarray(step / np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-9)[:, None])


def _spin(course: _Course, places: Array, speed: Array, usual: Array, heading: Array) -> Verdict | None:
    """A lap on which the kart went backwards, or nearly stopped where laps usually do not."""
    dx, dy = np.diff(course.x), np.diff(course.y)
    at = np.searchsorted(places, course.share[1:]).clip(0, places.size - 1)
    ahead = dx * heading[at, 0] + dy * heading[at, 1]
    # The way gone in about half a second: noise of single positions goes either way.
    reach = max(round(0.5 / max(float(np.median(np.diff(course.t))), 1e-6)), 1)
    back = -np.convolve(ahead, np.ones(reach), "same")
    if back.size and back.max() > _BACKWARDS:
        return "aborted", f"spun: went backwards {course.t[1:][int(np.argmax(back))]:.1f} s into the lap"
    share = speed / np.maximum(usual, 1.0)
    worst = int(np.argmin(share))
    if share[worst] < _SPUN and usual[worst] > 5.0:
        when = float(np.interp(places[worst], course.share, course.t))
        return "aborted", (
            f"spun or nearly stopped: {speed[worst]:.1f} m/s where the session's laps do {usual[worst]:.1f} m/s, "
            f"{when:.1f} s into the lap"
        )
    return None


def _held_up(clock: Array, late: Array, loss: float, usual: float) -> Verdict | None:
    """A lap much slower than the usual one, most of it in one place."""
    if loss < max(_HELD, _HELD_SHARE * usual):
        return None
    quarter = _PLACES // 4
    total = np.concatenate([[0.0], np.cumsum(late)])
    within = total[quarter:] - total[:-quarter]
    worst = int(np.argmax(within))
    if within[worst] < _HELD_WITHIN * loss:
        return None
    return "aborted", (
        f"held up: {within[worst]:.1f} s lost between {clock[worst]:.0f} and "
        f"{clock[min(worst + quarter, clock.size - 1)]:.0f} s into the lap"
    )
