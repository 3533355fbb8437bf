"""Whether a lap is complete: gaps, length, stops, spins, and laps held up, each with when and how much.

The way driven is that of a path that no single position decides.  A lap counts as spun where path and speed channel
both say so against what most of the session's laps do there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np

from linelab.recorded.robust_series import Path, robust_path
from linelab.recorded.samples import Samples
from linelab.units import Array

Status = Literal["complete", "aborted", "incomplete", "out", "in"]

#: Standing still: slower than this [m/s] for at least this long [s].
STANDING, STANDING_TIME = 1.0, 1.5
#: Places along a lap at which laps are held against each other.
_PLACES = 200
#: Going backwards for this far is a spin [m], if the speed falls to this share of the usual one meanwhile (who turns
#: round is slow at some time); so is less than that share of the usual speed alone.
_BACKWARDS, _TURNED, _SPUN = 1.5, 0.5, 0.3
#: Held up: at least this much slower than the usual lap [s] and as a share of it, this much of it in a quarter lap.
_HELD, _HELD_SHARE, _HELD_WITHIN = 2.0, 0.05, 0.6

_AT = (np.arange(_PLACES) + 0.5) / _PLACES

Verdict = tuple[Status, str]


class _Course(NamedTuple):
    """One lap's samples: time since its start (N,) [s], path and mean speed about each sample [m, m/s]."""

    t: Array
    path: Path
    v: Array
    told: Array  #: speed channel, or the path's speed where there is none [m/s]
    share: Array  #: of the lap's path, 0 to 1

    def lowest(self, values: Array) -> Array:
        """Lowest of some values (N,) at each place (_PLACES,), between samples interpolated."""
        found = np.interp(_AT, self.share, values)
        np.minimum.at(found, np.searchsorted(_AT, self.share).clip(0, _PLACES - 1), values)
        return found


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
    path = robust_path(samples.t, samples.x, samples.y)
    speed = _mean_speed(samples, path)
    cuts = np.searchsorted(samples.t, np.array(spans).reshape(-1, 2))
    way = _way(samples, path)
    paths = way[np.minimum(cuts[:, 1], way.size) - 1] - way[np.minimum(cuts[:, 0], way.size - 1)]
    expected = length if length is not None else (float(np.median(paths)) if len(paths) > 2 else None)
    verdicts: list[Verdict] = []
    told = np.where(np.isfinite(samples.speed), samples.speed, speed) if samples.has_speed else speed
    courses = []
    for (start, _), (a, b), driven in zip(spans, cuts, paths):
        part = slice(int(a), int(b))
        verdicts.append(_fault(samples, told, part, start, float(driven), expected, longest_gap))
        own = way[part] - way[part][:1]
        share = own / max(float(own[-1]), 1e-9) if own.size else own
        courses.append(_Course(samples.t[part] - start, path.part(part), speed[part], told[part], share))
    return _against_each_other(courses, [end - start for start, end in spans], verdicts)


def _way(samples: Samples, path: Path) -> Array:
    """Way driven up to each sample [m]: chords of half a second, for noise makes those between samples longer."""
    chosen = np.unique(np.append(np.arange(0, samples.t.size, max(round(0.5 * samples.rate), 1)), samples.t.size - 1))
    steps = np.hypot(*np.diff(path.places[chosen], axis=0).T)
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


def _mean_speed(samples: Samples, path: Path) -> Array:
    """Mean speed over about one second around each sample, along the path [m/s]."""
    half = max(round(0.5 * samples.rate), 1)
    i = np.arange(samples.t.size)
    a, b = np.maximum(i - half, 0), np.minimum(i + half, i.size - 1)
    steps = path.places[b] - path.places[a]
    return np.asarray(np.hypot(steps[:, 0], steps[:, 1]) / np.maximum(samples.t[b] - samples.t[a], 1e-9))


def _against_each_other(courses: list[_Course], durations: list[float], verdicts: list[Verdict]) -> list[Verdict]:
    """Spins and laps held up, seen against the session's usual lap; that takes three laps."""
    whole = [k for k, (status, _) in enumerate(verdicts) if status == "complete"]
    if len(whole) < 3:
        return verdicts
    clocks = np.array([np.interp(_AT, courses[k].share, courses[k].t) for k in whole])
    usual = np.median([np.interp(_AT, courses[k].share, courses[k].v) for k in whole], axis=0)
    middle = min(whole, key=lambda k: abs(durations[k] - float(np.median([durations[j] for j in whole]))))
    heading = _unit(np.median([_headings(courses[k]) for k in whole], axis=0))
    found = list(verdicts)
    paces = np.diff(clocks, axis=1)
    for k, clock, pace in zip(whole, clocks, paces - np.median(paces, axis=0)):
        spin = _spin(courses[k], usual, heading)
        found[k] = spin or _held_up(clock, pace, durations[k] - durations[middle], durations[middle]) or verdicts[k]
    return found


def _unit(vectors: Array) -> Array:
    """Vectors (P, 2) at length one."""
    return np.asarray(vectors / np.maximum(np.hypot(vectors[:, 0], vectors[:, 1]), 1e-9)[:, None])


def _headings(course: _Course) -> Array:
    """Unit vectors of travel (_PLACES, 2) along a lap."""
    reach = 1.5 / _PLACES
    before, after = (
        np.column_stack([np.interp(_AT + moved, course.share, values) for values in course.path.places.T])
        for moved in (-reach, reach)
    )
    return _unit(after - before)


def _spin(course: _Course, usual: Array, heading: Array) -> Verdict | None:
    """A lap on which the kart went backwards, or nearly stopped where laps usually do not."""
    t, at = course.t, np.searchsorted(_AT, course.share).clip(0, _PLACES - 1)
    ahead = np.gradient(t) * (course.path.velocity * heading[at]).sum(axis=1)
    # The way gone in about half a second: noise of single positions goes either way.
    reach = max(round(0.5 / max(float(np.median(np.diff(t))), 1e-6)), 1)
    back = -np.convolve(ahead, np.ones(reach), "same")[: t.size]
    turned = int(np.argmax(back))
    about = course.told[max(turned - 2 * reach, 0) : turned + 2 * reach + 1]
    if back[turned] > _BACKWARDS and about.min() < _TURNED * usual[at[turned]]:
        return "aborted", f"spun: went backwards {t[turned]:.1f} s into the lap"
    lowest = np.maximum(course.lowest(course.v), course.lowest(course.told))
    worst = int(np.argmin(np.where(usual > 5.0, lowest / np.maximum(usual, 1.0), np.inf)))
    if lowest[worst] < _SPUN * usual[worst] and usual[worst] > 5.0:
        when = float(np.interp(_AT[worst], course.share, t))
        return "aborted", (
            f"spun or nearly stopped: {lowest[worst]:.1f} m/s where the other laps do {usual[worst]:.1f} m/s, "
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
