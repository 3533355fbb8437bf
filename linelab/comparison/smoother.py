"""A batch smoother: position, velocity and acceleration from positions and the speed channel.

The motion in each coordinate is a triple integral of white noise (the acceleration wanders), which is the classical
constant-acceleration model of tracking.  All samples are used at once: the most likely motion is the solution of a
banded, positive definite system, solved by Cholesky factors in a time linear in the number of samples.  The speed
channel enters through the direction of travel, so the system is solved a few times; large residuals weigh less.

References
----------
.. [1] Y. Bar-Shalom, X. R. Li & T. Kirubarajan, *Estimation with Applications to Tracking and Navigation*, Wiley, 2001,
   sec. 6.2.3: the model and its covariance (from memory).
.. [2] B. M. Bell, "The iterated Kalman smoother as a Gauss-Newton method", SIAM J. Optim. 4:626, 1994 (from memory).
.. [3] P. J. Huber, *Robust Statistics*, Wiley, 1981, ch. 7: weights (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.comparison.samples import Samples
from linelab.units import Array

#: Order of the state in each row: x, vx, ax, y, vy, ay [m, m/s, m/s²].
STATES = 6
_BAND = 2 * STATES - 1

#: Spectral densities of the jerk tried against each other [m²/s⁵].  Braking or turning a kart in changes its
#: acceleration by about 20 m/s² within 0.3 s, some 40 m/s³ for 0.2 s: ``2·40²·0.2`` = 640 at the sharpest.
JERKS = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0)

_HUBER = 2.5
_ITERATIONS = 5


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Motion:
    """A smoothed motion at the sample times, with draws from its distribution.

    Parameters
    ----------
    t : (N,) array
        [s].
    states : (N, 6) array
        x, vx, ax, y, vy, ay.
    draws : (K, N, 6) array
        Departures from ``states``, each as likely as the samples allow.
    outliers : int
        Position samples that lie more than 5 standard deviations off.
    """

    t: Array
    states: Array
    draws: Array
    outliers: int = 0


def smooth(
    samples: Samples,
    *,
    position_sigma: float,
    speed_sigma: float,
    jerk: float,
    draws: int = 40,
    seed: int = 1,
) -> Motion:
    """Most likely motion through the samples.

    Parameters
    ----------
    samples : Samples
    position_sigma, speed_sigma : float
        White noise of a position per axis [m] and of the speed channel [m/s].
    jerk : float
        Spectral density of the jerk per axis [m²/s⁵].
    draws : int
        Draws from the distribution of the motion (deterministic for a seed).
    """
    solved = _fit(samples, position_sigma, speed_sigma, jerk, _ITERATIONS if samples.has_speed else 3)
    states = solved.states.copy()
    states[:, [0, 3]] += solved.offset
    spread = _draw(solved.factor, draws, seed)
    return Motion(t=samples.t, states=states, draws=spread, outliers=int((solved.gaps > 5.0).sum()))


def likely_jerk(samples: Samples, *, position_sigma: float, speed_sigma: float) -> float:
    """The jerk density among JERKS under which the samples are most likely [m²/s⁵].

    With ``A`` the matrix of the system and ``b`` its right-hand side, twice the logarithm of the likelihood is, up to
    a constant, ``bᵀA⁻¹b - log det A - 6 (N - 1)/2 · log q`` plus the log-weights.
    """
    scores = []
    for jerk in JERKS:
        solved = _fit(samples, position_sigma, speed_sigma, jerk, 2)
        scores.append(solved.score - 6.0 * (samples.t.size - 1) * np.log(jerk))
    return JERKS[int(np.argmax(scores))]


class _Fit(NamedTuple):
    """A solved system: states about ``offset``, factor, position residuals in standard deviations, evidence."""

    states: Array
    offset: Array
    factor: Array
    gaps: Array
    score: float


def _fit(samples: Samples, position_sigma: float, speed_sigma: float, jerk: float, iterations: int) -> _Fit:
    """Solve the system ``iterations`` times, renewing directions and weights in between."""
    prior = _prior(samples.t, jerk)
    offset = np.array([np.mean(samples.x), np.mean(samples.y)])
    positions = np.column_stack([samples.x, samples.y]) - offset
    weights = np.ones(samples.t.size)
    measured = np.isfinite(samples.speed)
    speed_weights = np.where(measured, 1.0, 0.0)
    states = np.zeros((0, STATES))
    for _ in range(iterations):
        data = weights / position_sigma**2, speed_weights / speed_sigma**2
        matrix, right, square = _normal_equations(prior, positions, samples.speed, states, *data)
        factor, states = _solve(matrix, right)
        gaps = np.hypot(*(positions - states[:, [0, 3]]).T) / position_sigma
        weights = np.minimum(1.0, _HUBER / np.maximum(gaps, 1e-9))
        off = np.abs(np.nan_to_num(samples.speed - np.hypot(states[:, 1], states[:, 4]))) / speed_sigma
        speed_weights = np.where(measured, np.minimum(1.0, _HUBER / np.maximum(off, 1e-9)), 0.0)
    score = float(right @ states.ravel() - square - 2.0 * np.log(factor[_BAND]).sum() + 2.0 * np.log(factor[-1]).sum())
    return _Fit(states, offset, factor, gaps, score)


def _prior(t: Array, jerk: float) -> Array:
    """Banded information of the motion model, upper form (12, 6N): ``sum of (z' - F z)ᵀ Q⁻¹ (z' - F z)``."""
    from scipy import linalg

    step = np.diff(t)
    one, zero = np.ones_like(step), np.zeros_like(step)
    transition = np.array([[one, step, 0.5 * step**2], [zero, one, step], [zero, zero, one]]).transpose(2, 0, 1)
    # Whitened: with T = diag(h², h, 1)·sqrt(q h), Q = T C T and C the covariance for h = 1.
    unit = np.array([[1 / 20, 1 / 8, 1 / 6], [1 / 8, 1 / 3, 1 / 2], [1 / 6, 1 / 2, 1.0]])
    white = linalg.solve_triangular(linalg.cholesky(unit, lower=True), np.eye(3), lower=True)
    scale = 1.0 / (np.sqrt(jerk * step)[:, None] * np.column_stack([step**2, step, one]))
    after = white * scale[:, None, :]
    before = -after @ transition
    blocks = np.concatenate([before, after], axis=2)
    gram = blocks.transpose(0, 2, 1) @ blocks
    band = np.zeros((_BAND + 1, STATES * t.size))
    for axis in (0, 3):
        for i in range(6):
            for j in range(i, 6):
                row, column = axis + i % 3 + STATES * (i // 3), axis + j % 3 + STATES * (j // 3)
                target = band[_BAND + row - column]
                target[column : column + STATES * step.size : STATES] += gram[:, i, j]
    return band


def _normal_equations(
    prior: Array, positions: Array, speed: Array, states: Array, weights: Array, speed_weights: Array
) -> tuple[Array, Array, float]:
    """Banded matrix, right-hand side and weighted square of the measurements."""
    matrix = prior.copy()
    right = np.zeros(prior.shape[1])
    square = float(weights @ (positions**2).sum(axis=1))
    for axis, column in ((0, 0), (3, 1)):
        matrix[_BAND, axis::STATES] += weights
        right[axis::STATES] += weights * positions[:, column]
    # A whisper of information keeps the system definite where few samples leave speed and acceleration open.
    matrix[_BAND, 1::3] += 1e-6
    matrix[_BAND, 2::3] += 1e-6
    if len(states) and speed_weights.any():
        vx, vy = states[:, 1], states[:, 4]
        size = np.hypot(vx, vy)
        # Below walking pace the direction of travel is not known and the speed says little about it.
        weight = speed_weights * np.minimum(1.0, size**2 / 4.0)
        ux, uy = vx / np.maximum(size, 1e-6), vy / np.maximum(size, 1e-6)
        value = np.nan_to_num(speed)
        matrix[_BAND, 1::STATES] += weight * ux * ux
        matrix[_BAND, 4::STATES] += weight * uy * uy
        matrix[_BAND - 3, 4::STATES] += weight * ux * uy
        right[1::STATES] += weight * ux * value
        right[4::STATES] += weight * uy * value
        square += float(weight @ value**2)
    return matrix, right, square


def _solve(matrix: Array, right: Array) -> tuple[Array, Array]:
    """Scaled banded Cholesky factor (with the scale in its last row) and the states (N, 6)."""
    from scipy import linalg

    scale = 1.0 / np.sqrt(matrix[_BAND])
    scaled = np.zeros_like(matrix)
    for k in range(_BAND + 1):
        shift = _BAND - k
        scaled[k, shift:] = matrix[k, shift:] * scale[shift:] * scale[: scale.size - shift]
    factor = linalg.cholesky_banded(scaled, check_finite=False)
    solution = linalg.cho_solve_banded((factor, False), right * scale, check_finite=False) * scale
    return np.vstack([factor, scale]), solution.reshape(-1, STATES)


def _draw(factor: Array, count: int, seed: int) -> Array:
    """Draws (K, N, 6) with the inverse of the factored matrix as their covariance: solve U·d = white noise."""
    from scipy import linalg

    scale = factor[-1]
    if count == 0:
        return np.empty((0, scale.size // STATES, STATES))
    white = np.random.default_rng(seed).standard_normal((scale.size, count))
    spread = linalg.solve_banded((0, _BAND), factor[:-1], white, check_finite=False) * scale[:, None]
    return np.asarray(spread.T.reshape(count, -1, STATES))


def motion_at(t: Array, states: Array, when: Array) -> Array:
    """States between the samples, by the quintic that meets position, velocity and acceleration on both sides.

    Parameters
    ----------
    t : (N,) array
        Sample times [s].
    states : (..., N, 6) array
    when : (M,) array
        Times within ``t`` [s].

    Returns
    -------
    (..., M, 6) array
    """
    i = np.clip(np.searchsorted(t, when, side="right") - 1, 0, t.size - 2)
    h = t[i + 1] - t[i]
    u = (when - t[i]) / h
    out = np.empty((*states.shape[:-2], when.size, STATES))
    for axis in (0, 3):
        p0, v0, a0 = (states[..., i, axis + k] for k in range(3))
        p1, v1, a1 = (states[..., i + 1, axis + k] for k in range(3))
        rest_p = p1 - p0 - v0 * h - 0.5 * a0 * h * h
        rest_v = (v1 - v0 - a0 * h) * h
        rest_a = (a1 - a0) * h * h
        c3 = 10.0 * rest_p - 4.0 * rest_v + 0.5 * rest_a
        c4 = -15.0 * rest_p + 7.0 * rest_v - rest_a
        c5 = 6.0 * rest_p - 3.0 * rest_v + 0.5 * rest_a
        out[..., axis] = p0 + u * (h * v0 + u * (0.5 * h * h * a0 + u * (c3 + u * (c4 + u * c5))))
        out[..., axis + 1] = v0 + h * a0 * u + u * u * (3.0 * c3 + u * (4.0 * c4 + u * 5.0 * c5)) / h
        out[..., axis + 2] = a0 + u * (6.0 * c3 + u * (12.0 * c4 + u * 20.0 * c5)) / (h * h)
    return out
