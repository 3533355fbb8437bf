"""Placing laps on the track: what is known of the receiver's position bias on each lap, from all of them together.

The bias drifts slowly, so laps near each other in time share most of it; a driver who repeats himself shows how laps
lie to each other; a kart is on the track, which bounds what all laps share; and an anchor, a spot known on the ground,
pins it.  What remains unknown goes into every lateral figure as the lap's bias.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linelab.errors import InputError, RecordingError
from linelab.geometry.curve import curve_at
from linelab.measured import plus_minus
from linelab.model.grip_field import kerb_width
from linelab.model.track import Track, along
from linelab.motion.channels import Known, PositionBias, Sensors, assumed_bias
from linelab.motion.estimate import DrivenLap, estimate_laps, with_bias
from linelab.motion.sensors import read_sensors
from linelab.recorded.laps import RecordedLap
from linelab.units import Array

#: Lines of two laps are alike over about this length [m]: so many independent looks at how they lie to each other.
_ALIKE = 40.0
#: Stations at which laps are held against the edges [m], and how far such looks must lie apart to count in full [m].
_STEP, _APART = 5.0, 20.0
#: The middle of a kart is at least this far inside what it may use [m], give or take.
_INSIDE, _GIVE = 0.4, 0.3
#: Laps this far beyond the edges, at this share of the stations, whatever the bias: another layout [m], [-].
_BEYOND, _SHARE = 2.5, 0.08
#: A standing kart's mean position is known no better than this [m].
_LEAST_ANCHOR = 0.1
_GRID = 41


@dataclass(frozen=True, kw_only=True, slots=True)
class Anchor:
    """A spot known on the ground at which the kart stood: east and north in the track's plane [m], from when to when
    [s] by the recording's clock."""

    x: float
    y: float
    start: float
    end: float

    def __post_init__(self) -> None:
        if not self.end > self.start:
            raise InputError(f"the kart stands from {self.start} to {self.end} s", where="Anchor")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Placing:
    """Position bias of each lap.

    Parameters
    ----------
    shifts : (L, 2) array
        Most likely bias on each lap, east and north: to be taken off [m].
    sigmas : (L,) array
        What remains unknown of it, per axis [m].
    shared : float
        What of that all laps have in common, per axis [m].
    notes : tuple of str
    """

    shifts: Array
    sigmas: Array
    shared: float = 0.0
    notes: tuple[str, ...] = ()


def estimate_placed_laps(
    track: Track,
    laps: Sequence[RecordedLap],
    *,
    among: Sequence[RecordedLap] = (),
    sensors: Sensors | None = None,
    bias: PositionBias | None = None,
    anchor: Anchor | None = None,
    refused: Callable[[RecordedLap, RecordingError], None] | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[DrivenLap, ...]:
    """Estimate laps with their position bias taken off as far as it is known; the rest is each lap's ``bias``.

    Parameters
    ----------
    track : Track
        On a corridor estimated from laps the edges are no evidence: laps are placed to each other only.
    laps : sequence of RecordedLap
        As for :func:`linelab.motion.estimate.estimate_laps`.
    among : sequence of RecordedLap
        Further laps of the same session to learn the bias from.
    sensors, bias, refused, progress
        As there.
    anchor : Anchor, optional

    Raises
    ------
    RecordingError
        As there, or the laps do not fit between the track's edges.
    """
    if not laps:
        return ()
    facts = sensors or read_sensors(laps[0].samples)
    error = bias or assumed_bias(facts)
    every = sorted({id(lap): lap for lap in (*laps, *among)}.values(), key=lambda lap: lap.t_start)
    lost: dict[int, RecordingError] = {}
    known: Known = {}
    rough = estimate_laps(
        track, every, sensors=facts, bias=error, draws=0, known=known,
        refused=lambda lap, why: lost.update({id(lap): why}),
    )  # fmt: skip
    for lap in laps:
        if id(lap) in lost and refused is None:
            raise lost[id(lap)]
        if id(lap) in lost and refused is not None:
            refused(lap, lost[id(lap)])
    if not rough:
        return ()
    placing = find_placing(track, rough, bias=error, anchor=_anchored(laps[0], anchor, facts))
    rows = {id(lap): k for k, lap in enumerate(lap for lap in every if id(lap) not in lost)}
    kept = [lap for lap in laps if id(lap) in rows]
    chosen = [rows[id(lap)] for lap in kept]
    found = estimate_laps(
        track, kept, sensors=facts, bias=error, shifts=placing.shifts[chosen], known=known, progress=progress
    )
    return tuple(
        replace(
            with_bias(lap, _remaining(lap, error, float(placing.sigmas[k]), placing.shared)),
            notes=(*lap.notes, *placing.notes),
        )
        for lap, k in zip(found, chosen)
    )


def _remaining(lap: DrivenLap, bias: PositionBias, sigma: float, shared: float) -> PositionBias:
    """What is unknown of the bias at any place of a placed lap: its mean over the lap, and its wander about that."""
    local = math.hypot(sigma, bias.about_mean(lap.lap.lap_time))
    note = "remaining after all laps were placed on the track"
    return replace(bias, sigma=min(local, bias.sigma), note=note, wander=bias.sigma, shared=shared)


def _anchored(lap: RecordedLap, anchor: Anchor | None, sensors: Sensors) -> tuple[float, Array, float] | None:
    """Time of an anchor, the bias seen there (2,), and its standard deviation."""
    if anchor is None:
        return None
    part = lap.samples.between(anchor.start, anchor.end)
    if part.t.size < 3:
        raise RecordingError(
            f"only {part.t.size} samples from {anchor.start:.1f} to {anchor.end:.1f} s", where=lap.samples.source,
            remedy="Give the time at which the kart stood on the known spot",
        )  # fmt: skip
    seen = np.array([np.median(part.x) - anchor.x, np.median(part.y) - anchor.y])
    own = sensors.position_sigma * 1.25 / np.sqrt(part.t.size)
    return 0.5 * (anchor.start + anchor.end), seen, float(np.hypot(own, _LEAST_ANCHOR))


def find_placing(
    track: Track,
    laps: Sequence[DrivenLap],
    *,
    bias: PositionBias,
    anchor: tuple[float, Array, float] | None = None,
) -> Placing:
    """The position bias of each lap, and what remains unknown of it.

    Parameters
    ----------
    track : Track
    laps : sequence of DrivenLap
        Estimated on this track, with nothing taken off.
    bias : PositionBias
        What is known of the receiver beforehand.
    anchor : (float, (2,) array, float), optional
        When the bias was seen [s], what it was, and its standard deviation [m].

    Raises
    ------
    RecordingError
        Whatever the bias, much of the laps lies beyond the edges.
    """
    times = np.array([lap.t_start + 0.5 * lap.lap.lap_time for lap in laps])
    offsets = np.array([lap.lap.line.n for lap in laps])
    stations = laps[0].lap.line.s
    psi = curve_at(track.reference, stations).psi
    normal = np.column_stack([-np.sin(psi), np.cos(psi)])
    apart, apart_sigma = _apart(offsets, normal, float(stations[-1] - stations[0]))
    mean, spread = _by_time(times, apart, apart_sigma, bias, anchor)
    if track.survey.middle_sigma is not None:
        middle = 0.5 * (along(track, track.w_left, stations) - along(track, track.w_right, stations))
        return _onto_middle(offsets - middle, normal, float(stations[-1] - stations[0]), mean, spread)
    if track.survey.estimated:
        return _to_each_other(mean, spread)
    return _within_edges(track, stations, normal, offsets, mean, spread, bias)


def _to_each_other(mean: Array, spread: Array) -> Placing:
    """Only how laps lie to their mean: what they share is part of a corridor made from them."""
    own = np.eye(len(mean)) - 1.0 / len(mean)
    variance = np.diag(own @ spread @ own)
    sigmas = np.sqrt(np.maximum(variance, 0.05**2))
    note = f"laps placed to each other within {plus_minus(float(np.median(sigmas)), 2)} m per axis"
    return Placing(shifts=own @ mean, sigmas=sigmas, notes=(note,) if len(mean) > 1 else ())


def _onto_middle(offsets: Array, normal: Array, length: float, mean: Array, spread: Array) -> Placing:
    """How laps lie to their mean, and their mean to the middle of a corridor that was made from laps too.

    What moves all laps of a session alike is its receiver's error, not the driver: what remains of their median after
    the displacement that fits best is how the line has changed, and the displacement is known no better than that.
    """
    placed = _to_each_other(mean, spread)
    usual = np.median(offsets - placed.shifts @ normal.T, axis=0)
    moved, changed = displacement(usual, normal, length)
    size = float(np.hypot(*moved))
    note = f"laps moved together onto the middle of the track, by {size:.2f} m, known within {plus_minus(changed, 2)} m"
    return Placing(
        shifts=placed.shifts + moved, sigmas=np.hypot(placed.sigmas, changed), shared=changed,
        notes=(*placed.notes, note),
    )  # fmt: skip


def displacement(between: Array, normal: Array, length: float) -> tuple[Array, float]:
    """By what displacement (2,) a line lies beside another, and its standard deviation per axis, by how much the lines
    themselves differ [m].

    Parameters
    ----------
    between : (N,) array
        Offset of the one minus that of the other at common stations [m].
    normal : (N, 2) array
        Unit normals there, to the left.
    length : float
        Of the way along them [m].
    """
    moved, _, _, _ = np.linalg.lstsq(normal, between, rcond=None)
    # Each axis is seen by about half of the looks.
    changed = float(np.std(between - normal @ moved)) / math.sqrt(0.5 * max(length / _ALIKE, 3.0))
    return np.asarray(moved), changed


def _apart(offsets: Array, normal: Array, length: float) -> tuple[Array, float]:
    """How laps are displaced to each other (L, 2), and the standard deviation of that, by the driver's scatter [m]."""
    relative = offsets - np.median(offsets, axis=0)
    fitted, _, _, _ = np.linalg.lstsq(normal, relative.T, rcond=None)
    left = relative.T - normal @ fitted
    looks = max(length / _ALIKE, 3.0)
    # Each axis is seen by about half of the looks.
    scatter = float(np.sqrt(np.median(np.mean(left**2, axis=0)))) if len(offsets) > 1 else 1.0
    return np.asarray(fitted.T), max(scatter, 0.05) / np.sqrt(0.5 * looks)


def _by_time(
    times: Array,
    apart: Array,
    apart_sigma: float,
    bias: PositionBias,
    anchor: tuple[float, Array, float] | None,
) -> tuple[Array, Array]:
    """Mean (L, 2) and covariance per axis (L, L) of the laps' biases: a drifting process, how laps lie to each other
    (their common line is unknown), and an anchor."""
    count = times.size
    when = times if anchor is None else np.append(times, anchor[0])
    prior = bias.sigma**2 * np.exp(-np.abs(when[:, None] - when[None, :]) / bias.time)
    prior += 1e-9 * np.eye(when.size)
    information = np.linalg.inv(prior)
    right = np.zeros((when.size, 2))
    if count > 1:
        # Displacements about an unknown common one: the projection takes it out.
        weight = (np.eye(count) - 1.0 / count) / apart_sigma**2
        information[:count, :count] += weight
        right[:count] += weight @ apart
    if anchor is not None:
        information[-1, -1] += 1.0 / anchor[2] ** 2
        right[-1] += anchor[1] / anchor[2] ** 2
    covariance = np.linalg.inv(information)
    return (covariance @ right)[:count], covariance[:count, :count]


def _within_edges(
    track: Track, stations: Array, normal: Array, offsets: Array, mean: Array, spread: Array, bias: PositionBias
) -> Placing:
    """Weigh what all laps share by how much of them would lie beyond the edges."""
    count = len(mean)
    shared = float(spread.mean())  # variance of the laps' mean bias
    follows = spread.mean(axis=1) / max(shared, 1e-12)  # how each lap's bias goes with that mean
    reach = 4.0 * np.sqrt(shared) * np.linspace(-1.0, 1.0, _GRID)
    grid = np.stack(np.meshgrid(reach, reach, indexing="ij"), axis=-1).reshape(-1, 2)
    pick = slice(None, None, max(round(_STEP / (stations[1] - stations[0])), 1))
    s, across = stations[pick], normal[pick]
    placed = offsets[:, pick] - mean @ across.T
    # Laps repeat each other: their outermost tenth speaks for all.
    outer = np.quantile(placed, 0.9, axis=0), np.quantile(placed, 0.1, axis=0)
    left, right = _usable(track, s, "left"), _usable(track, s, "right")
    moved = grid @ across.T
    give = float(np.hypot(_GIVE, track.survey.uncertainty or 0.0))
    slack = np.minimum(left - (outer[0] - moved), (outer[1] - moved) + right)
    log = _STEP / _APART * _log_normal(slack / give).sum(axis=1) - (grid**2).sum(axis=1) / (2.0 * max(shared, 1e-12))
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    best = weight @ grid
    beyond = float(
        (np.minimum(left - (outer[0] - across @ best), (outer[1] - across @ best) + right) < -_BEYOND).mean()
    )
    if beyond > _SHARE:
        raise RecordingError(
            f"the laps lie more than {_BEYOND:g} m beyond the edges of '{track.name}' on {100 * beyond:.0f} % of its "
            "length, wherever they are moved within the receiver's error",
            remedy="Check that this layout of the circuit was driven, or state a larger position error",
        )
    rest = weight @ (grid - best) ** 2
    variance = np.diag(spread) - follows**2 * shared + follows**2 * float(rest.mean())
    shifts = mean + follows[:, None] * best
    sigmas = np.sqrt(np.maximum(variance, 0.05**2))
    typical, moved_by = float(np.median(sigmas)), float(np.median(np.hypot(shifts[:, 0], shifts[:, 1])))
    notes = (
        f"{count} laps moved together onto the track, by {moved_by:.1f} m (median): position error now "
        f"{plus_minus(typical, 2)} m per axis, before {plus_minus(bias.sigma, 2)} m",
    )
    return Placing(shifts=shifts, sigmas=sigmas, shared=math.sqrt(float(rest.mean())), notes=notes)


def _usable(track: Track, s: Array, side: str) -> Array:
    """How far to one side of the reference line the middle of a kart may be, kerbs included (M,) [m]."""
    road = along(track, track.w_left if side == "left" else track.w_right, s)
    return np.asarray(road + kerb_width(track, side, s) - _INSIDE)


def _log_normal(z: Array) -> Array:
    """Logarithm of the normal distribution function, by its tail far out."""
    from scipy.special import log_ndtr

    return np.asarray(log_ndtr(z))
