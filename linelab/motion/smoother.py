"""A batch smoother: the most likely motion, and its spread, from all channels of a recording at once.

The motion is a quintic spline whose jerk is white noise; positions are the motion plus a drifting bias (first-order
Gauss-Markov) plus white noise, and speeds have a shorter-lived error of that kind.  The speed channel, course,
accelerations and yaw rate enter through the direction of travel, so the normal equations are solved a few times; large
residuals weigh less, as under errors of Student's distribution.  One solution is a banded Cholesky factor: time and
memory grow with the length of the recording.

References
----------
.. [1] Y. Bar-Shalom, X. R. Li & T. Kirubarajan, *Estimation with Applications to Tracking and Navigation*, Wiley, 2001,
   sec. 6.2.3: white jerk and its likelihood (from memory).
.. [2] B. M. Bell, "The iterated Kalman smoother as a Gauss-Newton method", SIAM J. Optim. 4:626, 1994 (from memory).
.. [3] K. L. Lange, R. J. A. Little & J. M. G. Taylor, J. Amer. Statist. Assoc. 84:881, 1989: weights (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.errors import RecordingError
from linelab.geometry import banded
from linelab.geometry.banded import Factor
from linelab.motion.normal_equations import (
    UNKNOWNS,
    Information,
    add_components,
    add_error,
    add_jerk,
    add_positions,
    add_slowness,
    error_log,
    error_values,
    no_information,
    right_side,
)
from linelab.motion.streams import (
    BIAS,
    SPEED_ERROR,
    TIMING,
    Grid,
    Row,
    Streams,
    evaluate,
    grid_over,
    linear,
    linear_rows,
)
from linelab.recorded.robust_series import cost, weight
from linelab.units import Array

#: Order of the state in each row: x, vx, ax, y, vy, ay [m, m/s, m/s²].
STATES = 6

#: Time between the knots of the motion [s].
KNOTS = 0.15

#: How long errors of Doppler speeds last: receivers filter them over about a second or two [s].
SPEED_TIME = 2.0

#: Speed below which a turn is not told from jitter [m/s].
_SLOWEST = 2.0
#: Share of the mean density that is left where nothing happens.
_LEAST_LIVELY = 0.15


@dataclass(frozen=True, kw_only=True, slots=True)
class Model:
    """How a kart moves and a receiver errs.

    Parameters
    ----------
    jerk : float
        Spectral density of the jerk per axis [m²/s⁵].
    bias_sigma, bias_time : float
        Standard deviation per axis [m] and correlation time [s] of the position bias; no bias with 0 m.
    bias_rounding : float
        Time over which the receiver's own filter rounds that bias [s].
    speed_wander : float
        Standard deviation of the speed channel's error that lasts, with a correlation time of SPEED_TIME [m/s].
    lively : bool
        Let the density follow the motion: more where it turns in or brakes, less where nothing happens.
    """

    jerk: float
    bias_sigma: float = 0.0
    bias_time: float = 300.0
    bias_rounding: float = 0.0
    speed_wander: float = 0.0
    lively: bool = True


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Motion:
    """A smoothed motion: splines over a grid of knots, with draws from their distribution.

    Parameters
    ----------
    grid : Grid
    path : (n, 2) array
        Coefficients of the motion, east and north, about ``origin`` [m].
    bias : (count + 1, 2) array
        Position bias at the knots [m].
    origin : (2,) array
        [m].
    draws : (n, 2 K) and (count + 1, 2 K) array
        Departures of both, as likely as the samples allow: K times east, then K times north.
    outliers : (J,) array
        Times of positions that lie more than 5 standard deviations off [s].
    antenna : (float, float)
        Where the antenna sits, ahead and to the left of the point whose motion is wanted [m].
    """

    grid: Grid
    path: Array
    bias: Array
    origin: Array
    draws: tuple[Array, Array]
    outliers: Array
    antenna: tuple[float, float] = (0.0, 0.0)

    def states(self, t: Array) -> Array:
        """x, vx, ax, y, vy, ay at times within the grid (M, 6), positions as the receiver has them: with their bias."""
        found = evaluate(self.grid, self.path, t, (0, 1, 2) if self.antenna == (0.0, 0.0) else (0, 1, 2, 3))
        found[0] += self.origin + linear(self.grid, self.bias, t)
        if len(found) == 4:
            found = _off_antenna(found, self.antenna)
        return np.ascontiguousarray(found.transpose(1, 2, 0).reshape(t.size, STATES))

    def departures(self, t: Array) -> Array:
        """Draws of the states less the states (K, M, 6)."""
        path, bias = self.draws
        count = path.shape[1] // 2
        if count == 0:
            return np.empty((0, t.size, STATES))
        found = evaluate(self.grid, path, t, (0, 1, 2))
        found[0] += linear(self.grid, bias, t)
        return np.ascontiguousarray(found.reshape(3, t.size, 2, count).transpose(3, 1, 2, 0).reshape(count, -1, STATES))


def _off_antenna(found: Array, antenna: tuple[float, float]) -> Array:
    """Motion (3, M, 2) of a kart's point from its antenna's motion and jerk (4, M, 2).

    The antenna is carried round: with yaw rate r it moves ``r`` times its distance, across that distance, faster than
    the point, whose own direction of travel is the kart's yaw angle (no slide).
    """
    (vx, vy), (ax, ay), (jx, jy) = found[1].T, found[2].T, found[3].T
    square = np.maximum(vx * vx + vy * vy, _SLOWEST**2)
    rate = (vx * ay - vy * ax) / square
    change = (vx * jy - vy * jx) / square - 2.0 * rate * (vx * ax + vy * ay) / square
    ahead, left = antenna
    yaw = np.arctan2(vy, vx) - np.arctan2(ahead * rate, np.sqrt(square) + left * rate)
    arm = np.column_stack([ahead * np.cos(yaw) - left * np.sin(yaw), ahead * np.sin(yaw) + left * np.cos(yaw)])
    across = np.column_stack([-arm[:, 1], arm[:, 0]])
    moved = found[:3].copy()
    moved[0] -= arm
    moved[1] -= rate[:, None] * across
    moved[2] -= change[:, None] * across - (rate**2)[:, None] * arm
    return moved


def smooth(
    streams: Streams,
    model: Model,
    *,
    draws: int = 40,
    seed: int = 1,
    knots: float = KNOTS,
    iterations: int = 3,
    antenna: tuple[float, float] = (0.0, 0.0),
    timing: Array | None = None,
    solved: Solved | None = None,
) -> Motion:
    """Most likely motion through what was measured.

    Parameters
    ----------
    streams : Streams
    model : Model
    draws : int
        Draws from the distribution of the motion (deterministic for a seed).
    seed : int
    knots : float
        Time between knots [s].
    iterations : int
        Solutions, with directions and weights renewed in between.
    antenna : (float, float)
        Where the antenna sits, ahead and to the left of the point whose motion is wanted [m].
    timing : (len(TIMING), len(TIMING)) array, optional
        Root ``R`` of the covariance ``R·Rᵀ`` of the channels' timing.  Draws hold it too, the same of all motions that
        are drawn with a seed.
    solved : Solved, optional
        What :func:`solve` finds, where it is known.

    Raises
    ------
    RecordingError
        Fewer than four positions.
    """
    solved = solved or solve(streams, model, knots=knots, iterations=iterations)
    spread = _draw(solved.factor, draws, seed)
    if timing is not None and draws:
        moved = timing @ np.random.default_rng([seed, 1]).standard_normal((len(TIMING), draws))
        spread = spread - backward(solved.factor, timing_sides(solved)) @ moved
    grid, unknowns = solved.grid, solved.unknowns
    bias = np.ascontiguousarray(error_values(grid, spread, BIAS).reshape(grid.count + 1, -1))
    return Motion(
        grid=grid,
        path=unknowns[:, :2],
        bias=error_values(grid, unknowns, BIAS),
        origin=solved.origin,
        draws=(np.ascontiguousarray(spread[:, :2].reshape(grid.size, -1)), bias),
        outliers=streams.t[solved.gaps > 5.0],
        antenna=antenna,
    )


class Solved(NamedTuple):
    """A solved stretch: unknowns (n, 5) about ``origin``, factor, position residuals, log evidence (twice).

    ``measured`` is what was measured as linearised last, without the ``model``; ``rows`` its channels with robust
    weights.
    """

    model: Model
    grid: Grid
    unknowns: Array
    origin: Array
    factor: Factor
    gaps: Array
    score: float
    measured: Information
    rows: list[Row]


def solve(
    streams: Streams, model: Model, *, knots: float = KNOTS, iterations: int = 3, start: Solved | None = None
) -> Solved:
    """Solve the normal equations ``iterations`` times, from a solution of the same positions; see :func:`smooth`."""
    if streams.t.size < 4:
        raise RecordingError(f"only {streams.t.size} positions to smooth", remedy="Record a longer session")
    grid = grid_over(float(streams.t[0]), float(streams.t[-1]), knots)
    origin = np.array([np.mean(streams.x), np.mean(streams.y)])
    x, y = streams.x - origin[0], streams.y - origin[1]
    density: Array | float = model.jerk
    share, rows = np.ones(streams.t.size), linear_rows(streams, grid) if start is None else []
    found, spared = start, 0.0
    for _ in range(iterations):
        if found is not None:
            path, share = found.unknowns[:, :2], weight(found.gaps, 2)
            rows = linear_rows(streams, grid, path)
            off = [_row_gaps(grid, found.unknowns, row) for row in rows]
            robust = [weight(gap) for gap in off]
            rows = [row._replace(weight=own * row.weight) for row, own in zip(rows, robust)]
            # What the weights take off the squares beyond Student's likelihood, which touches them here from above.
            spared = float(share @ found.gaps**2) - cost(found.gaps, 2)
            spared += sum(float(own @ gap**2) - cost(gap) for own, gap in zip(robust, off))
            if model.lively:
                density = lively_density(grid, path, model.jerk)
        measured = no_information(grid)
        add_slowness(measured)
        add_positions(measured, streams.t, x, y, share / streams.position_sigma**2)
        for row in rows:
            add_components(
                measured, row.t, row.order, row.direction, row.value, row.weight, blur=row.blur, error=row.error
            )
        factor, unknowns, score = under(measured, model, density)
        gaps = _position_gaps(streams, grid, unknowns, x, y)
        found = Solved(model, grid, unknowns, origin, factor, gaps, score + spared, measured, rows)
    if found is None:
        raise ValueError("no iteration and no start")
    return found


def under(measured: Information, model: Model, density: Array | float | None = None) -> tuple[Factor, Array, float]:
    """Factor, unknowns (n, 5) and log evidence (twice) of what was measured, under a model; ``density`` of the jerk
    (count,) or for all [m²/s⁵]."""
    grid, jerk = measured.grid, model.jerk if density is None else density
    total = Information(grid, measured.band.copy(), measured.right, measured.square)
    add_jerk(total, jerk)
    add_error(total, BIAS, model.bias_sigma, model.bias_time, model.bias_rounding)
    add_error(total, SPEED_ERROR, model.speed_wander, SPEED_TIME)
    factor = banded.factorised(total.columns(), ring=False)
    if factor is None:
        raise RecordingError("the samples do not determine a motion", remedy="Record positions more often")
    unknowns = backward(factor, total.right.reshape(-1, 1))[:, :, 0]
    determinant = 2.0 * float(np.log(factor.band[0]).sum())
    prior = -2.0 * (grid.size - 3) * float(np.mean(np.log(jerk)))
    prior += 2.0 * error_log(grid, model.bias_sigma, model.bias_time, model.bias_rounding)
    prior += error_log(grid, model.speed_wander, SPEED_TIME)
    evidence = float((total.right * unknowns).sum()) - total.square
    return factor, unknowns, evidence - determinant + prior


def timing_sides(solved: Solved) -> Array:
    """Right sides (5 n, len(TIMING)) that a unit of each of TIMING makes: what moves is what the channels show."""
    sides = np.zeros((len(TIMING), solved.grid.size, UNKNOWNS))
    for row in solved.rows:
        place = solved.grid.locate(row.t)
        for name, change in row.changes.items():
            sides[TIMING.index(name)] += right_side(
                solved.grid, place, row.order, row.direction, row.weight * change, blur=row.blur, error=row.error
            )
    return sides.reshape(len(TIMING), -1).T


def backward(factor: Factor, sides: Array) -> Array:
    """Solutions (n, 5, K) of a factored system for right sides (5 n, K)."""
    return banded.solved(factor, sides).reshape(-1, UNKNOWNS, sides.shape[1])


def timing_information(solved: Solved, model: Model) -> tuple[Array, Array]:
    """What a stretch says of the channels' timing, under a model: slope (P,) and curvature (P, P) of its log-likelihood
    over TIMING.

    The timing is one more set of unknowns beside the motion's, which is eliminated: ``C = D - Bᵀ·A⁻¹·B``.
    """
    sides, factor, unknowns = timing_sides(solved), solved.factor, solved.unknowns
    if model != solved.model or model.lively:
        factor, unknowns, _ = under(solved.measured, model)
    known = np.zeros((len(TIMING), len(TIMING)))
    slope = -(sides.T @ unknowns.ravel())
    for row in solved.rows:
        names = [TIMING.index(name) for name in row.changes]
        changes = np.array(list(row.changes.values()))
        known[np.ix_(names, names)] += (changes * row.weight) @ changes.T
        slope[names] += (changes * row.weight) @ row.value
    return slope, known - sides.T @ backward(factor, sides).reshape(len(sides), -1)


def _draw(factor: Factor, count: int, seed: int) -> Array:
    """Draws (n, 5, K) with the inverse of the factored matrix as their covariance: solve Lᵀ·d = white noise."""
    from scipy.linalg import lapack

    size = factor.band.shape[1]
    white = np.asfortranarray(np.random.default_rng(seed).standard_normal((count, size)).T)
    spread = lapack.dtbtrs(factor.band, white, uplo="L", trans="T", overwrite_b=1)[0] if count else white
    return np.asarray(spread).reshape(size // UNKNOWNS, UNKNOWNS, count)


def _position_gaps(streams: Streams, grid: Grid, unknowns: Array, x: Array, y: Array) -> Array:
    """Distance of each position from motion and bias, in standard deviations (N,)."""
    found = evaluate(grid, unknowns[:, :2], streams.t)[0] + linear(grid, error_values(grid, unknowns, BIAS), streams.t)
    return np.asarray(np.hypot(x - found[:, 0], y - found[:, 1]) / streams.position_sigma)


def _row_gaps(grid: Grid, unknowns: Array, row: Row) -> Array:
    """How far the values of one channel lie off, its own lasting error taken off, in standard deviations (M,)."""
    orders = (row.order, row.order + 2) if row.blur else (row.order,)
    found = evaluate(grid, unknowns[:, :2], row.t, orders)
    moved = found[0] + row.blur * found[1] if row.blur else found[0]
    off = moved[:, 0] * row.direction[0] + moved[:, 1] * row.direction[1] - row.value
    if row.error is not None:
        off += linear(grid, error_values(grid, unknowns, SPEED_ERROR), row.t)[:, 0]
    return np.asarray(np.abs(off) * np.sqrt(row.weight))


def lively_density(grid: Grid, path: Array, jerk: float) -> Array:
    """Density of the jerk (count,) that follows the jerk found, averaged over about half a second, about ``jerk``."""
    middle = np.asarray(grid.start + grid.step * (np.arange(grid.count) + 0.5), dtype=np.float64)
    energy = (evaluate(grid, path, middle, (3,))[0] ** 2).sum(axis=1)
    half = max(round(0.25 / grid.step), 1)
    kernel = np.hanning(2 * half + 3)[1:-1]
    local = np.convolve(energy, kernel / kernel.sum(), "same")
    return np.asarray(jerk * np.clip(_LEAST_LIVELY + (1.0 - _LEAST_LIVELY) * local / local.mean(), 0.1, 10.0))
