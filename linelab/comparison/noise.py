"""What the recording's own scatter says about its sensors."""

from __future__ import annotations

import math

import numpy as np

from linelab.comparison.samples import Samples
from linelab.units import Array

#: Standard deviation of normal noise kept by trimming the largest 5 % of magnitudes (two-sided truncation at 1.96).
_TRIM = 0.8706

#: Of long recordings the scatter is taken from so many blocks of so many samples.
_BLOCKS, _BLOCK = 40, 2500

#: Least standard deviations taken for granted: receivers filter their output, so that its fine scatter hides slower
#: errors.  Those of positions are told apart as drift.  Speed: nine in ten Doppler readings within 0.1 m/s (Townshend,
#: Worringham & Stewart, Med. Sci. Sports Exerc. 40:124, 2008).
LEAST_POSITION = 0.02
LEAST_SPEED = 0.06
LEAST_COURSE = 0.003

#: Taken where the sampling is too slow to tell scatter from motion.
ASSUMED_POSITION = 0.5
ASSUMED_SPEED = 0.15


def scatter(t: Array, values: Array) -> float | None:
    """Standard deviation of the white part of a signal, from its differences of order 3 to 5; None if too few.

    The n-th difference of white noise has the variance ``sigma²·C(2n, n)``, while that of a smooth motion shrinks with
    the step; the smallest estimate is the least spoilt by motion.
    """
    step = float(np.median(np.diff(t)))
    if t.size > 2 * _BLOCKS * _BLOCK:
        # A long recording: blocks spread over it; differences across their ends are left out like gaps.
        chosen = (np.linspace(0, t.size - _BLOCK, _BLOCKS).astype(int)[:, None] + np.arange(_BLOCK)).ravel()
        t, values = t[chosen], values[chosen]
    found = []
    for order in (3, 4, 5):
        if t.size < 10 * order:
            continue
        spans = t[order:] - t[:-order]
        regular = spans < (order + 0.5) * step
        differences = np.diff(values, order)[regular & np.isfinite(np.diff(values, order))]
        if differences.size < 30:
            continue
        size = np.abs(differences)
        kept = size[size <= np.quantile(size, 0.95)]
        found.append(float(np.sqrt(np.mean(kept**2))) / _TRIM / math.sqrt(math.comb(2 * order, order)))
    return min(found) if found else None


def position_noise(samples: Samples) -> tuple[float, bool]:
    """White position noise per axis [m], and whether it was estimated (True) or assumed."""
    pair = scatter(samples.t, samples.x), scatter(samples.t, samples.y)
    if samples.rate < 4.0 or pair[0] is None or pair[1] is None:
        return ASSUMED_POSITION, False
    return max(math.sqrt(0.5 * (pair[0] ** 2 + pair[1] ** 2)), LEAST_POSITION), True


def speed_noise(samples: Samples) -> tuple[float, bool]:
    """White noise of the speed channel [m/s], and whether it was estimated (True) or assumed."""
    found = scatter(samples.t, samples.speed) if samples.has_speed else None
    if samples.rate < 4.0 or found is None:
        return ASSUMED_SPEED, False
    return max(found, LEAST_SPEED), True


def course_noise(samples: Samples) -> float | None:
    """White noise of the course on the move [rad]; None without a course or with too few samples to tell."""
    course = samples.channels.get("course")
    if course is None or samples.rate < 4.0:
        return None
    step = max(round(0.5 * samples.rate), 1)
    moved = np.hypot(samples.x[step:] - samples.x[:-step], samples.y[step:] - samples.y[:-step])
    fast = np.isfinite(course)
    fast[:-step] &= moved > 5.0 * (samples.t[step:] - samples.t[:-step])
    fast[-step:] = False
    if fast.sum() < 100:
        return None
    found = scatter(samples.t[fast], np.unwrap(course[fast]))
    return None if found is None else max(found, LEAST_COURSE)


def drift(sigma: float, correlation_time: float, span: float) -> float:
    """Standard deviation of the change of a drifting bias over a time span: ``sigma·sqrt(2(1 - exp(-T/tau)))``.

    First-order Gauss-Markov (Ornstein-Uhlenbeck) process; ``sigma`` [m], ``correlation_time`` and ``span`` [s].
    """
    return sigma * math.sqrt(2.0 * -math.expm1(-abs(span) / correlation_time))
