"""A track from laps along its edges: driven, ridden or walked round with the receiver that records the session.

What such edges are worth is what the receiver is: the noise of its positions, which smoothing lessens, and its slowly
drifting error.  That shows where laps along one edge differ, where the road would be much wider in one place than in
the next, and where the racing laps would not lie between the edges.  All of it is weighed in one linear model with
normal errors; the edges' uncertainty is its posterior's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from linelab.errors import InputError, RecordingError
from linelab.files.projection import LocalPlane
from linelab.files.tracks.track_build import Line2, track_from_edges
from linelab.geometry.curve import Curve
from linelab.geometry.frenet import xy_to_sn
from linelab.geometry.median_path import median_path, passing
from linelab.geometry.room_beside import HALF_KART, LARGEST_SPARE
from linelab.measured import plus_minus
from linelab.model.lap import Recording
from linelab.model.track import Side, Survey, Track
from linelab.motion.channels import PositionBias, Sensors, likely_bias
from linelab.motion.estimate import smoothed_windows
from linelab.motion.sensors import read_sensors
from linelab.motion.smoother import Motion
from linelab.motion.track_from_laps import good_laps, lap_path, middle_of_laps, smooth_paths
from linelab.recorded.laps import LONGEST_GAP, RecordedLap, complete_laps, split_laps
from linelab.recorded.samples import own_plane, place_samples
from linelab.recorded.start_line import StartLine, propose_start_line
from linelab.units import Array

#: An edge's vertices are this many points of its path apart: 1 m.
_EVERY = 2
#: The start line reaches this far beyond the edges [m].
_BEYOND = 0.5
#: How far beside the receiver's path an edge may be [m].
LARGEST_OFFSET = 3.0


def track_from_edge_laps(
    recording: Recording,
    left: Sequence[int],
    right: Sequence[int],
    *,
    offset: float = 0.0,
    start_line: StartLine | None = None,
    position_error: float | None = None,
    name: str = "",
    others: Sequence[Recording] = (),
) -> Track:
    """Make a track from laps of a recording that went along its edges.

    Parameters
    ----------
    recording : Recording
        Its laps are cut at the start line and counted from 1, as everywhere; those along an edge may stop on the way.
    left, right : sequence of int
        Numbers of the laps along each edge, in driving direction; several are weighed, and where one strays from the
        others it counts less.
    offset : float
        How far the edge was beside the receiver's path: 0 when walked on it, half the vehicle's width when its wheels
        ran along it [m].
    start_line : StartLine, optional
        In the recording's own plane; one is proposed across the longest straight when none is given.
    position_error : float, optional
        Known standard deviation of the receiver's slowly drifting position error per axis [m]; a consumer receiver's is
        assumed otherwise.
    name : str
        The file's name when empty.
    others : sequence of Recording
        Further recordings of the place: their racing laps ran between the edges, with their receivers' own errors.  The
        recording's own racing laps count anyway.

    Returns
    -------
    Track
        ``survey.kind`` is "surveyed"; ``survey.uncertainty`` is what is left of the receiver's noise and drifting error
        together, and ``survey.note`` says what was assumed.

    Raises
    ------
    RecordingError
        There is no such lap, or samples are missing on it.
    InputError
        No lap for an edge, one lap for both, an offset out of range.
    TrackError
        The laps make no usable pair of edges.

    References
    ----------
    The drifting error is a first-order Gauss-Markov process, as in :func:`linelab.recorded.samples.drift`.  Unknown
    edges and its course are found together by generalised least squares (A. C. Aitken, On Least Squares and Linear
    Combination of Observations, 1935); who strays from an edge has an error of Student's t with four degrees of
    freedom, weighed again and again (K. L. Lange, R. J. A. Little, J. M. G. Taylor, Robust Statistical Modeling Using
    the t Distribution, J. Am. Stat. Assoc. 84:881, 1989).
    """
    if not left or not right or set(left) & set(right):
        raise InputError(
            "each edge needs laps of its own", where="edge laps", remedy="Give a lap along the left edge and another "
            "along the right one: --left-lap NUMBER --right-lap NUMBER",
        )  # fmt: skip
    if not 0.0 <= offset <= LARGEST_OFFSET:
        raise InputError(f"an offset of {offset:g} m is outside 0 to {LARGEST_OFFSET:g} m", where="edge laps")
    plane = own_plane(recording) if recording.lon is not None else None
    samples = place_samples(recording, plane)
    line = start_line or propose_start_line(samples)
    sensors = read_sensors(samples)
    laps = split_laps(samples, line)
    bias = likely_bias(sensors, position_error)
    along = [_edge_lap(lap, motion, side) for side, numbers in enumerate((left, right))
             for window, motion in smoothed_windows(_chosen(laps, numbers), sensors, draws=_DRAWS)
             for lap in window]  # fmt: skip
    raw = [_points(median_path([lap.path for lap in along if lap.side == side])[0]) for side in (0, 1)]
    base = track_from_edges("edges", *raw, closed=True, corners=(), start=_start(line, *raw)).reference
    racing = _racing(laps, (*left, *right), sensors, base, plane, line, others, position_error)
    drawn = [passing(base, np.vstack([edge, edge[:1]]))[0] for edge in raw]
    found = _solved(base, along, racing, bias, drawn)
    edges = [_corrected(base, edge, *moved, sign * offset) for edge, moved, sign in zip(raw, found.moved, (1.0, -1.0))]
    beside = f", {offset:g} m inside them" if offset > 0.0 else ""
    note = (
        f"Edges from laps along them{beside}: {_named(left)} on the left, {_named(right)} on the right"
        f"{''.join(f'; {run.words}' for run in racing)}. Receiver's drifting error {plus_minus(bias.sigma, 1)} m per "
        f"axis ({bias.note}); the width is known within {plus_minus(found.width_sigma, 1)} m"
    )
    title = name or Path(recording.source).stem or "circuit"
    track = track_from_edges(
        title, edges[0], edges[1], closed=True, start=_start(line, edges[0], edges[1]),
        origin=(plane.origin_lon, plane.origin_lat) if plane is not None else (0.0, 0.0),
        georeferenced=plane is not None,
        survey=Survey(kind="surveyed", note=note, uncertainty=round(found.sigma, 6)),
    )  # fmt: skip
    notes = ["start line placed across the longest straight; its real place is not known"] * (start_line is None)
    return replace(track, notes=(*samples.notes, *track.notes, *notes))


#: Draws of each lap's path for what noise smoothing leaves.
_DRAWS = 20


#: Places where the edges are worked out are about this far apart [m].
_APART = 6.0
#: How closely somebody keeps to an edge, one standard deviation [m]: common practice.
_KEEPING = 0.1
#: Degrees of freedom of Student's t for who strays, and how often the weights are worked out anew.
_FREEDOM, _TURNS = 4.0, 6
#: Mean width of a kart circuit's road and its standard deviation; that of the width about its own mean, and over what
#: length it changes [m]: common practice.
_WIDTH, _WIDTH_SIGMA, _WIDER, _WIDTH_REACH = 8.0, 1.5, 0.6, 30.0
#: Where racing laps run in the road: standard deviation about its middle, and over what length that changes [m].  Laps
#: swing from edge to edge, half a kart and little room kept (:mod:`linelab.geometry.room_beside`).
_SWING, _SWING_REACH = (0.5 * _WIDTH - HALF_KART - 0.5 * LARGEST_SPARE) / 2.0**0.5, 25.0


@dataclass(frozen=True, slots=True, eq=False)
class _EdgeLap:
    """A lap along an edge: 0 is the left one; its closed path (M, 2) at even times, and its noise [m]."""

    side: int
    path: Array
    t_start: float
    t_end: float
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class _Racing:
    """Offsets of the middle of racing laps at all stations of the base (N,) [m], and how it may be displaced: with the
    receiver's error at these times, or by an error of its own of this size per axis [m]."""

    offsets: Array
    times: Array
    own_sigma: float
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """What each edge is moved by along the base's normal (distance along the base, values), left and right; standard
    deviations of the edges and of the width, in the mean square [m]."""

    moved: list[tuple[Array, Array]]
    sigma: float
    width_sigma: float


def _edge_lap(lap: RecordedLap, motion: Motion, side: int) -> _EdgeLap:
    draws = motion.departures(np.linspace(lap.t_start, lap.t_end, 200))[:, :, [0, 3]]
    return _EdgeLap(side, lap_path(lap, motion), lap.t_start, lap.t_end, float(np.sqrt(np.mean(draws**2))))


def _points(path: Curve) -> Array:
    return np.column_stack([path.x, path.y])[:-1:_EVERY]


def _racing(
    laps: tuple[RecordedLap, ...], along: Sequence[int], sensors: Sensors, base: Curve, plane: LocalPlane | None,
    line: StartLine, others: Sequence[Recording], position_error: float | None,
) -> list[_Racing]:  # fmt: skip
    """Racing laps of the recording itself and of others, placed on the base.

    Where a lap along an edge is as quick as the quickest there are none: the lap in which sides were changed is no
    racing lap, it kept to one edge and then to the other.
    """
    found = []
    free = tuple(lap for lap in laps if lap.number not in along)
    good = good_laps(free) if complete_laps(free) else ()
    pace = max((lap.duration for lap in good), default=math.inf)
    if all(lap.duration > pace for lap in laps if lap.number in along):
        middle = median_path(smooth_paths(good, sensors))[0]
        times = np.array([0.5 * (lap.t_start + lap.t_end) for lap in good])
        words = f"{len(good)} racing laps between them"
        found.append(_Racing(passing(base, np.column_stack([middle.x, middle.y]))[0], times, 0.0, words))
    if others:
        path, sigma, count = middle_of_laps(others, plane, line, position_error)
        words = f"{count} racing laps of other recordings between them"
        found.append(_Racing(passing(base, path)[0], np.empty(0), sigma, words))
    return found


def _solved(
    base: Curve, along: list[_EdgeLap], racing: list[_Racing], bias: PositionBias, drawn: list[Array]
) -> _Solved:
    """The edges' posterior: unknown are their offsets from the base at N stations (2N,) and the road's mean width.

    ``drawn`` are the offsets of the edges that are to be moved, at all stations of the base.
    """
    from scipy.linalg import cho_factor, cho_solve

    every = slice(0, -1, max(round(_APART / base.step), 1))
    s, psi = base.s[every], base.psi[every]
    count = s.size
    eye, none = np.eye(count), np.zeros((count, count))
    placed = [passing(base, lap.path) for lap in along]
    # Rows: what is seen is a combination of the unknowns, plus the drifting error across, plus an error of its own.
    seen = np.concatenate([n[every] for n, _ in placed] + [run.offsets[every] for run in racing] + [np.zeros(count)])
    design = np.vstack([
        *(np.hstack([none, eye] if lap.side else [eye, none]) for lap in along),
        *(0.5 * np.hstack([eye, eye]) for _ in racing),
        np.hstack([eye, -eye]),
    ])  # fmt: skip
    design = np.column_stack([design, np.r_[np.zeros(len(seen) - count), -np.ones(count)]])
    walked = len(along) * count
    drifting = walked + len(racing) * count
    across = np.column_stack([-np.sin(psi), np.cos(psi)])
    normal = np.tile(across, (len(along) + len(racing), 1))
    common = np.zeros((len(seen), len(seen)))
    common[:drifting, :drifting] = _drift(along, [row[every] for _, row in placed], racing, count, bias) * (
        normal @ normal.T
    )
    apart = np.abs(s[:, None] - s)
    apart = np.minimum(apart, base.length - apart)
    swing = _SWING**2 * np.exp(-apart / _SWING_REACH)
    for k, run in enumerate(racing):
        rows = slice(walked + k * count, walked + (k + 1) * count)
        common[rows, rows] += swing + run.own_sigma**2 * (across @ across.T)
    wider = _WIDER**2 * np.exp(-apart / _WIDTH_REACH)
    keeping = np.repeat([math.hypot(lap.noise, _KEEPING) ** 2 for lap in along], count)
    prior = np.zeros(2 * count + 1)
    prior[-1] = _WIDTH_SIGMA**-2
    weights, unusual = np.ones(walked), np.ones(count)
    for _ in range(_TURNS):
        full = common.copy()
        full[:walked, :walked] += np.diag(keeping / weights)
        full[drifting:, drifting:] = wider / np.sqrt(np.outer(unusual, unusual)) + 1e-6 * eye
        factor = cho_factor(full, lower=True)
        weighed = cho_solve(factor, design)
        covariance = np.linalg.inv(design.T @ weighed + np.diag(prior))
        edges = covariance @ (weighed.T @ seen + prior * _WIDTH)
        pull = cho_solve(factor, seen - design @ edges)
        own = keeping / weights * pull[:walked]
        weights = (_FREEDOM + 1.0) / (_FREEDOM + own**2 / keeping)
        width = edges[:count] - edges[count:-1] - edges[-1]
        unusual = (_FREEDOM + 1.0) / (_FREEDOM + width**2 / _WIDER**2)
    moved = [(s, edges[side * count : (side + 1) * count] - drawn[side][every]) for side in (0, 1)]
    spread = np.diag(covariance)[:-1]
    between = spread[:count] + spread[count:] - 2.0 * np.diag(covariance[:count, count:-1])
    return _Solved(moved, float(np.sqrt(spread.mean())), float(np.sqrt(max(between.mean(), 0.0))))


def _drift(along: list[_EdgeLap], rows: list[Array], racing: list[_Racing], count: int, bias: PositionBias) -> Array:
    """Covariance per axis of the drifting error in all offsets of laps [m²].

    A lap's path was closed by taking off the change from its beginning to its end, evenly along it; racing laps show
    the mean error over their times.
    """
    times: list[Array] = []
    takes_of: list[Array] = []  # what each offset takes of the error at each time
    for lap, row in zip(along, rows):
        share = row / (len(lap.path) - 1)
        times.append(np.r_[lap.t_start + share * (lap.t_end - lap.t_start), lap.t_start, lap.t_end])
        takes_of.append(np.column_stack([np.eye(count), share, -share]))
    for run in racing:
        times.append(run.times)
        takes_of.append(np.full((count, run.times.size), 1.0 / max(run.times.size, 1)))
    clock = np.concatenate(times)
    takes = np.zeros((count * len(takes_of), clock.size))
    column = 0
    for k, part in enumerate(takes_of):
        takes[k * count : (k + 1) * count, column : column + part.shape[1]] = part
        column += part.shape[1]
    return np.asarray(takes @ (bias.sigma**2 * np.exp(-np.abs(clock[:, None] - clock) / bias.time)) @ takes.T)


def _corrected(base: Curve, edge: Array, s: Array, moved: Array, outwards: float) -> Array:
    """An edge's points (M, 2) moved along the base's normals, and by this much to the left [m]."""
    at, _ = xy_to_sn(base, edge[:, 0], edge[:, 1])
    at = np.mod(at, base.length)
    psi = np.interp(at, base.s, base.psi)
    by = np.interp(at, s, moved, period=base.length) + outwards
    return np.asarray(edge + by[:, None] * np.column_stack([-np.sin(psi), np.cos(psi)]))


def _named(numbers: Sequence[int]) -> str:
    """ "lap 2", "laps 2 and 3"."""
    return f"lap{'s' if len(numbers) > 1 else ''} {' and '.join(map(str, numbers))}"


def _chosen(laps: Sequence[RecordedLap], numbers: Sequence[int]) -> list[RecordedLap]:
    """Laps by number; who goes along an edge may stand, and needs no usual lap's time or length."""
    by_number = {lap.number: lap for lap in laps if lap.status not in ("out", "in")}
    found = []
    for number in dict.fromkeys(sorted(numbers)):
        if number not in by_number:
            known = ", ".join(f"{k} ({lap.duration:.0f} s)" for k, lap in by_number.items()) or "none"
            raise RecordingError(f"there is no lap {number}", remedy=f"Choose among the laps: {known}")
        lap = by_number[number]
        longest = float(np.diff(lap.samples.between(lap.t_start, lap.t_end).t).max(initial=0.0))
        if longest > LONGEST_GAP:
            raise RecordingError(f"{lap.label}: no samples for {longest:.1f} s", remedy="Choose another lap")
        found.append(replace(lap, status="complete", reason=""))
    return found


def _start(line: StartLine, left: Array, right: Array) -> Line2:
    """The start line from a little beyond one edge to a little beyond the other.

    Raises
    ------
    RecordingError
        A lap along an edge does not cross it.
    """
    ends: dict[Side, Array] = {}
    for side, edge in (("left", left), ("right", right)):
        ring = np.vstack([edge, edge[:1]])
        ahead, across = line.axes(ring[:, 0], ring[:, 1])
        cuts = np.flatnonzero((ahead[:-1] < 0.0) & (ahead[1:] >= 0.0))
        if cuts.size == 0:
            raise RecordingError(
                f"the {side} edge does not cross the start line", remedy="Put it elsewhere: --start-line"
            )
        k = int(cuts[np.argmin(np.abs(across[cuts]))])
        share = -ahead[k] / (ahead[k + 1] - ahead[k])
        reach = float(across[k] + share * (across[k + 1] - across[k]))
        reach += _BEYOND if side == "left" else -_BEYOND
        ends["left" if side == "left" else "right"] = line.centre + reach * line.across
    (lx, ly), (rx, ry) = ends["left"].tolist(), ends["right"].tolist()
    return (lx, ly), (rx, ry)
