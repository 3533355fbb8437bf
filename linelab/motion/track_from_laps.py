"""A corridor worked out from the laps of recordings, where nobody has surveyed the edges.

The middle of the corridor is the median of the good laps, so one that went astray does not move it; its width is an
assumption, and every output says so.  Such a track shows where laps differ from
each other and where speed is missing, but not how far the kart was from the real edge.  Recordings of one place make
one corridor: their laps lie apart by the receiver's error of the day, which the mean of several days lessens.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import Table, distance_along
from linelab.errors import InputError, LinelabError, RecordingError
from linelab.files.projection import LocalPlane
from linelab.files.tracks.survey_import import LonLat2
from linelab.files.tracks.track_build import numbered, track_from_edges
from linelab.geometry.curve import Curve, curve_at
from linelab.geometry.edges import edges_from_centre
from linelab.geometry.frenet import sn_to_xy
from linelab.geometry.likely_corners import likely_corners
from linelab.geometry.median_path import median_path
from linelab.geometry.room_beside import edge_sigma
from linelab.measured import plus_minus
from linelab.model.lap import Recording
from linelab.model.track import Survey, Track
from linelab.motion.channels import PositionBias, Sensors, likely_bias, stated_bias
from linelab.motion.estimate import smoothed_windows
from linelab.motion.sensors import read_sensors
from linelab.motion.smoother import Motion
from linelab.recorded.laps import RecordedLap, complete_laps, split_laps
from linelab.recorded.samples import BESIDE, Samples, near, own_plane, place_samples
from linelab.recorded.start_line import StartLine, propose_start_line, start_line_at
from linelab.units import Array

#: What a track from laps is called where nobody has named it.
UNNAMED = "Circuit from laps"
#: Kart circuits are 7 to 9 m wide (national norms for kart circuits); the lower end is the prudent assumption, since
#: the driven line is not the middle of the track.
ASSUMED_WIDTH = 7.0
#: How much wider a road may be than one of that width [m].
_WIDER = 2.0
#: Standard deviation of the true width about an assumed one: that of anything between 7 and 9 m [m].
WIDTH_SIGMA = _WIDER / 12.0**0.5
#: A path is another circuit's where more than this share of it is not near [-]: who cuts across the grass or runs wide
#: stays below, another layout does not.
ELSEWHERE_SHARE = 0.05
#: Places for which the edges' uncertainty is worked out are about this far apart [m].
_APART = 4.0
#: Room kept between the laps' spread and the assumed edges: half a kart [m].
_ROOM = 0.7


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LapCorridor:
    """A track estimated from laps, and what it rests on.

    Parameters
    ----------
    track : Track
        ``survey.kind`` is "estimated", ``survey.assumed_width`` and ``survey.middle_sigma`` are set; ``survey.note``
        says how it came about.
    laps : tuple of RecordedLap
        The first recording's laps, cut at the same start line.
    used : tuple of int
        Numbers of those laps that the corridor is made of.
    spread : (N,) array
        Half the range of the used laps across the track at ``track.s``, offsets between laps taken off [m].
    middle_sigma : (N,) array
        Standard deviation of the corridor's middle at ``track.s``, from the scatter of the laps it is the median of;
        what the receiver's mean error moved all of them by is not in it [m].
    bias : PositionBias
        How far whole laps of the first recording lie from the corridor's middle: the drift of the receiver between
        laps, and how uncertain that middle is.
    sensors : Sensors
        Of the first recording.
    recordings : int
        How many recordings it is made of.
    notes : tuple of str
    """

    track: Track
    laps: tuple[RecordedLap, ...]
    used: tuple[int, ...]
    spread: Array
    middle_sigma: Array
    bias: PositionBias
    sensors: Sensors
    recordings: int = 1
    notes: tuple[str, ...] = ()


def recording_start_line(recording: Recording, left: tuple[float, float], right: tuple[float, float]) -> StartLine:
    """A start line in the recording's own plane, from its ends in the recording's own coordinates.

    Longitude and latitude [deg], or x and y [m] for a recording in local metres.

    Raises
    ------
    InputError
        The line is too short or too long.
    """
    if recording.lon is not None:
        return start_line_at(own_plane(recording), left, right)
    return StartLine(left=np.array(left), right=np.array(right))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Session:
    """One recording's laps in the plane of a corridor: those that count, and their paths."""

    laps: tuple[RecordedLap, ...]
    good: tuple[RecordedLap, ...]
    paths: list[Array]
    sensors: Sensors
    notes: tuple[str, ...]
    start_utc: float | None

    @property
    def times(self) -> Array:
        """When its laps were driven, each by its middle [s]."""
        return np.array([0.5 * (lap.t_start + lap.t_end) for lap in self.good])


def _session(recording: Recording, samples: Samples, line: StartLine) -> _Session:
    laps = split_laps(samples, line)
    good, sensors = good_laps(laps), read_sensors(samples)
    paths = smooth_paths(good, sensors)
    return _Session(
        laps=laps, good=good, paths=paths, sensors=sensors, notes=samples.notes, start_utc=recording.start_utc
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """Recordings of one place (by their numbers) in the plane of the first, cut at one start line."""

    plane: LocalPlane | None
    line: StartLine
    numbers: list[int]
    sessions: list[_Session]


def corridor_from_laps(
    recording: Recording,
    *,
    start_line: StartLine | None = None,
    assumed_width: float = ASSUMED_WIDTH,
    name: str = UNNAMED,
    position_error: float | None = None,
) -> LapCorridor:
    """Estimate a closed track from a recording's own laps.

    Parameters
    ----------
    recording : Recording
    start_line : StartLine, optional
        In the recording's own plane (:func:`linelab.recorded.samples.own_plane`); one is proposed across the longest
        straight when none is given.
    assumed_width : float
        Width of the track [m]; widened where the laps spread wider.
    name : str
    position_error : float, optional
        Known standard deviation of the receiver's slowly drifting position error per axis [m]; a consumer receiver's is
        assumed otherwise.

    Raises
    ------
    RecordingError
        No complete lap.
    InputError
        A width outside 2 to 30 m.
    TrackError
        The laps give no usable pair of edges.
    """
    _check_width(assumed_width)
    return _corridor(_place(0, recording, start_line), assumed_width, name, position_error)


def corridors_from_recordings(
    recordings: Sequence[Recording],
    *,
    start_line: LonLat2 | None = None,
    assumed_width: float = ASSUMED_WIDTH,
    name: str = "",
    position_error: float | None = None,
    refused: Callable[[int, LinelabError], None] | None = None,
) -> list[tuple[tuple[int, ...], LapCorridor]]:
    """Estimate one closed track for each place that recordings are of.

    A recording belongs to a place where it crosses that place's start line and its laps run where the others do.

    Parameters
    ----------
    recordings : sequence of Recording
    start_line : ((float, float), (float, float)), optional
        Its left and right end in the recordings' own coordinates; one is proposed for each place when none is given.
    assumed_width : float
        Width of the tracks [m].
    name : str
        The file's name of each place's first recording when empty.
    position_error : float, optional
        As for :func:`corridor_from_laps`.
    refused : callable, optional
        Called with the number of a recording that makes no track and with the reason; otherwise that is raised.

    Returns
    -------
    list of (tuple of int, LapCorridor)
        Which recordings, counted from 0, and what they make.

    Raises
    ------
    RecordingError, InputError, TrackError
        As :func:`corridor_from_laps`.
    """
    _check_width(assumed_width)
    places: list[_Place] = []
    for number, recording in enumerate(recordings):
        with _told(refused, [number]):
            if not any(_joins(place, number, recording) for place in places):
                line = None if start_line is None else recording_start_line(recording, *start_line)
                places.append(_place(number, recording, line))
    found = []
    for place in places:
        own = Path(recordings[place.numbers[0]].source).stem if len(place.numbers) == 1 else ""
        title = name or own or UNNAMED
        with _told(refused, place.numbers):
            found.append((tuple(place.numbers), _corridor(place, assumed_width, title, position_error)))
    return found


def middle_of_laps(
    recordings: Sequence[Recording], plane: LocalPlane | None, line: StartLine, position_error: float | None
) -> tuple[Array, float, int]:
    """Middle of the laps of recordings in a plane, cut at a start line in it.

    Returns
    -------
    (N, 2) array
        A closed path [m].
    float
        Standard deviation per axis of where it lies on the ground [m].
    int
        How many laps it is made of.

    Raises
    ------
    RecordingError
        No complete lap.
    """
    sessions = [_session(one, place_samples(one, plane), line) for one in recordings]
    made = _corridor(_Place(plane, line, list(range(len(sessions))), sessions), ASSUMED_WIDTH, "", position_error).track
    half = 0.5 * (made.w_left - made.w_right)
    x, y = sn_to_xy(made.reference, made.reference.s, half)
    return np.column_stack([x, y]), made.survey.middle_sigma or 0.0, sum(len(session.good) for session in sessions)


@contextmanager
def _told(refused: Callable[[int, LinelabError], None] | None, numbers: Sequence[int]) -> Iterator[None]:
    """Errors of some recordings handed over instead of raised, where somebody takes them."""
    try:
        yield
    except LinelabError as error:
        if refused is None:
            raise
        for number in numbers:
            refused(number, error)


def bias_on(track: Track, laps: Sequence[RecordedLap], sensors: Sensors) -> PositionBias:
    """How far whole laps of a recording lie from the middle of a track that was estimated from laps.

    Parameters
    ----------
    track : Track
        With ``survey.shape_sigma``.
    laps : sequence of RecordedLap
        Of one recording on this track.
    sensors : Sensors
    """
    _, _, shifts = median_path(smooth_paths(good_laps(tuple(laps)), sensors))
    return _about_middle(_lap_bias(shifts, sensors), track.survey.shape_sigma or 0.0)


def _check_width(assumed_width: float) -> None:
    if not 2.0 <= assumed_width <= 30.0:
        raise InputError(
            f"a width of {assumed_width} m is outside 2 to 30 m", where="assumed_width", remedy="Give it in metres"
        )


def _place(number: int, recording: Recording, start_line: StartLine | None) -> _Place:
    """The place of a recording that begins one."""
    plane = own_plane(recording) if recording.lon is not None else None
    samples = place_samples(recording, plane)
    line = start_line or propose_start_line(samples)
    return _Place(plane, line, [number], [_session(recording, samples, line)])


def _joins(place: _Place, number: int, recording: Recording) -> bool:
    """Take a recording into a place where it is one of the same circuit, driven the same way round."""
    plane = place.plane
    if (plane is None) != (recording.lon is None):
        return False
    if plane is not None and not near(own_plane(recording), plane):
        return False
    try:
        session = _session(recording, place_samples(recording, plane), place.line)
    except RecordingError:  # the start line is missed or crossed the other way: said of it where it stands by itself
        return False
    here, there = place.sessions[0].paths[0], session.paths[0]
    if max(_share_beside(here, there), _share_beside(there, here)) > ELSEWHERE_SHARE:
        return False
    place.numbers.append(number)
    place.sessions.append(session)
    return True


def _share_beside(path: Array, other: Array) -> float:
    """Share of a path (N, 2) that is not near another (M, 2) [-]."""
    from scipy.spatial import cKDTree

    gaps, _ = cKDTree(other).query(path[::10])
    return float((gaps > BESIDE).mean())


def _corridor(place: _Place, assumed_width: float, name: str, position_error: float | None) -> LapCorridor:
    """The corridor about all laps of a place.

    Each recording's laps lie displaced by its receiver's error of that time.  They are weighed as the bias model says
    how much their mean errors vary: the best linear unbiased mean (A. C. Aitken, On Least Squares and Linear
    Combination of Observations, 1935).
    """
    sessions, first = place.sessions, place.sessions[0]
    middle, offsets, shifts = median_path([path for session in sessions for path in session.paths])
    spread = 0.5 * np.ptp(offsets, axis=0)
    member = np.repeat(np.arange(len(sessions)), [len(session.paths) for session in sessions])
    means = np.array([shifts[member == k].mean(axis=0) for k in range(len(sessions))])
    bias = _lap_bias(shifts - means[member], first.sensors, len(sessions))
    middle_sigma = _middle_sigma(offsets, bias, first.sensors)
    sigma = float(np.sqrt(np.mean(middle_sigma**2)))
    weights, ground_sigma = _weights(sessions, member, means, position_error)
    moved = weights @ means
    middle = replace(middle, x=middle.x + moved[0], y=middle.y + moved[1])
    scatter = float(np.sqrt(np.mean(_middle_sigma(offsets, PositionBias(sigma=0.0), first.sensors) ** 2)))
    ground_sigma = float(np.hypot(ground_sigma, scatter))
    complete = sum(lap.status in ("complete", "aborted") for session in sessions for lap in session.laps)
    of = "" if len(sessions) == 1 else f" of {len(sessions)} recordings"
    notes = [f"track estimated from {len(shifts)} of {complete} laps{of}"]
    if place.line.origin == "proposed":
        notes.append("start line placed across the longest straight; its real place is not known")
    notes.append(
        f"the middle of the track is known within {plus_minus(sigma, 2)} m as the receiver saw it and within "
        f"{plus_minus(ground_sigma, 1)} m on the ground, its width within {plus_minus(WIDTH_SIGMA, 1)} m"
    )
    noise = float(np.hypot(first.sensors.position_sigma, bias.sigma))
    track = _track(name, middle, offsets, place, assumed_width, notes, sigma, ground_sigma, noise)
    share = track.s / track.length
    places = np.linspace(0.0, 1.0, spread.size)
    own = shifts[member == 0] - means[0]
    return LapCorridor(
        track=track, laps=first.laps, used=tuple(lap.number for lap in first.good),
        spread=np.interp(share, places, spread), middle_sigma=np.interp(share, places, middle_sigma),
        bias=_about_middle(_lap_bias(own, first.sensors), sigma), sensors=first.sensors, recordings=len(sessions),
        notes=(*first.notes, *notes),
    )  # fmt: skip


def _about_middle(bias: PositionBias, sigma: float) -> PositionBias:
    """The bias between laps with the uncertainty of the middle they are held against [m]."""
    return replace(bias, sigma=float(np.hypot(bias.sigma, sigma)))


def _weights(
    sessions: Sequence[_Session], member: NDArray[np.intp], means: Array, position_error: float | None
) -> tuple[Array, float]:
    """Weights (K,) of recordings by the bias model, and the standard deviation per axis of the mean bias left [m].

    Recordings that say when they were made are as alike in their errors as the time between them allows; others are
    taken for independent.  How far the recordings lie apart (``means``, (K, 2) [m]) says how large this receiver's
    error is: the assumed size is scaled by the root of the mean square over the expected one (R. T. Birge, The
    Calculation of Errors by the Method of Least Squares, Phys. Rev. 40:207, 1932), the assumption itself counting as
    one recording more.
    """
    biases = [likely_bias(session.sensors, position_error) for session in sessions]
    time = float(np.median([bias.time for bias in biases]))
    clocks = np.concatenate([session.times + (session.start_utc or 0.0) for session in sessions])
    dated = np.array([session.start_utc is not None for session in sessions])[member]
    together = (member[:, None] == member) | (dated[:, None] & dated)
    spans = np.where(together, np.abs(clocks[:, None] - clocks), np.inf)
    covariance = biases[0].sigma ** 2 * np.exp(-spans / time)
    mean = (member == np.arange(len(sessions))[:, None]) / np.bincount(member)[:, None]
    information = np.linalg.inv(mean @ covariance @ mean.T + 1e-9 * np.eye(len(sessions)))
    total = float(information.sum())
    weights = information.sum(axis=0) / total
    scale = 1.0
    if position_error is None:
        off = means - weights @ means
        squares = float(np.einsum("ik,ij,jk", off, information, off))
        scale = math.sqrt((2.0 + squares) / (2.0 * len(sessions)))
    return weights, scale * total**-0.5


def _middle_sigma(offsets: Array, bias: PositionBias, sensors: Sensors) -> Array:
    """Standard deviation of the median of laps (L, N) along the corridor (N,) [m]: 1.25 times a mean's."""
    count = len(offsets)
    scatter = np.std(offsets, axis=0, ddof=1) if count > 1 else np.full(offsets.shape[1], sensors.position_sigma)
    return np.asarray(1.25 * np.hypot(scatter, bias.sigma) / np.sqrt(count))


def good_laps(laps: tuple[RecordedLap, ...]) -> tuple[RecordedLap, ...]:
    """Complete laps within 10 % of the fastest (a lap held up or spun takes other lines)."""
    complete = complete_laps(laps)
    if not complete:
        reasons = "; ".join(f"{lap.label}: {lap.reason}" for lap in laps if lap.status == "aborted")
        raise RecordingError(
            f"no complete lap to estimate the track from ({reasons})", remedy="Record at least one clean lap"
        )
    fastest = min(lap.duration for lap in complete)
    return tuple(lap for lap in complete if lap.duration <= 1.10 * fastest)


def smooth_paths(laps: Sequence[RecordedLap], sensors: Sensors) -> list[Array]:
    """Smoothed paths of laps of one recording."""
    return [lap_path(lap, motion) for window, motion in smoothed_windows(laps, sensors) for lap in window]


def lap_path(lap: RecordedLap, motion: Motion) -> Array:
    """Smoothed positions of a lap at even times (N, 2), closed by spreading the gap between its ends evenly."""
    clock = np.linspace(lap.t_start, lap.t_end, max(int(lap.duration / 0.02), 100))
    points = motion.states(clock)[:, [0, 3]]
    way = distance_along(*points.T)
    return np.asarray(points - np.outer(way / way[-1], points[-1] - points[0]))


def _lap_bias(shifts: Array, sensors: Sensors, recordings: int = 1) -> PositionBias:
    """The part of the position bias in which laps differ, from the displacements between them (L, 2), about the mean of
    each recording."""
    free = len(shifts) - recordings
    if free < 1:
        return PositionBias(relative=True, note="assumed: one lap does not show its own error")
    apart = float(np.sqrt((shifts**2).sum() / (2 * free)))
    # A standard deviation from so few laps is itself uncertain by 1/sqrt(2·degrees of freedom): take the upper side.
    sigma = apart * float(1.0 + 1.0 / np.sqrt(2.0 * 2.0 * free))
    note = f"whole laps scatter by {apart:.2f} m per axis, from {len(shifts)} laps"
    return replace(stated_bias(max(sigma, 0.05), sensors), relative=True, note=note)


def _track(
    name: str,
    middle: Curve,
    offsets: Array,
    place: _Place,
    assumed_width: float,
    notes: list[str],
    sigma: float,
    ground_sigma: float,
    noise: float,
) -> Track:
    """Edges on both sides of the median path, wide enough for every used lap."""
    half, plane = 0.5 * assumed_width, place.plane
    left = np.maximum(half, _eased(offsets.max(axis=0)) + _ROOM)
    right = np.maximum(half, _eased(-offsets.min(axis=0)) + _ROOM)
    if max(left.max(), right.max()) > half + 0.01:
        notes.append(f"widened to {float((left + right).max()):.1f} m where the laps spread wider than assumed")
    every = slice(None, None, max(round(_APART / middle.step), 1))
    # Laps repeat each other: their outermost tenth speaks for all.
    outer = np.quantile(offsets[:, every], 0.9, axis=0), -np.quantile(offsets[:, every], 0.1, axis=0)
    # An assumption at the lower end, or a width that somebody stated.
    narrowest = assumed_width - (0.0 if assumed_width == ASSUMED_WIDTH else 0.5 * _WIDER)
    edges_sigma, room_sigma = (
        edge_sigma(
            left[every], right[every], *outer, widths=(narrowest, narrowest + _WIDER), noise=noise, ground=ground
        )
        for ground in (ground_sigma, 0.0)
    )
    notes.append(
        f"the real edges are known within {plus_minus(edges_sigma, 1)} m; {plus_minus(room_sigma, 1)} m of that is "
        "where in the road the laps ran, which more sessions do not show"
    )
    centre = np.column_stack([middle.x, middle.y])[:-1]
    edges = edges_from_centre(centre, left[:-1], right[:-1], closed=True)
    of = "" if len(place.sessions) == 1 else f" of {len(place.sessions)} recordings"
    note = (
        f"estimated from {len(offsets)} recorded laps{of}: an assumed width of {assumed_width:g} m about their median. "
        "The real edges are not known; the computed lap is for this assumed track"
    )
    track = track_from_edges(
        name,
        edges[0],
        edges[1],
        closed=True,
        corners=(),
        start=_start_across(middle, place.line, float(left.max()), float(right.max())),
        origin=(plane.origin_lon, plane.origin_lat) if plane is not None else (0.0, 0.0),
        georeferenced=plane is not None,
        survey=Survey(
            kind="estimated",
            note=note,
            assumed_width=assumed_width,
            uncertainty=round(edges_sigma, 6),
            middle_sigma=round(ground_sigma, 6),
            shape_sigma=round(sigma, 6),
        ),
    )
    draws = _draws(offsets)
    share, places = track.s / track.length, np.linspace(0.0, 1.0, draws.shape[1])
    found = likely_corners(
        track.reference, track.w_left, track.w_right, np.array([np.interp(share, places, draw) for draw in draws]),
        driven=True,
    )  # fmt: skip
    return replace(track, corners=Table(numbered(found)), notes=(*track.notes, *notes))


#: Draws of the middle by which corners are decided.
_DRAWS = 40


def _draws(offsets: Array) -> Array:
    """Draws of how far the laps' median may be off (K, N) [m]: medians of as many laps drawn from them again.

    B. Efron, Bootstrap Methods: Another Look at the Jackknife, Ann. Statist. 7:1, 1979.
    """
    rng, count = np.random.default_rng(1), len(offsets)
    middle = np.median(offsets, axis=0)
    return np.array([np.median(offsets[rng.integers(0, count, count)], axis=0) - middle for _ in range(_DRAWS)])


def place_sigma(road: float, kart: float) -> float:
    """Standard deviation of where in a road [m] laps ran that left room for a kart of a width [m].

    Evenly likely between two limits: their distance over the root of twelve.
    """
    return max(road - kart, 0.0) / math.sqrt(12.0)


def _start_across(
    middle: Curve, line: StartLine, left: float, right: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """The start line of the corridor: square to the median path where that crosses the given line, edge to edge.

    The given line may be shorter than the corridor or cross it at a slant.

    Raises
    ------
    RecordingError
        The median path does not cross the line forwards.
    """
    ahead, across = line.axes(middle.x, middle.y)
    forward = np.flatnonzero((ahead[:-1] < 0.0) & (ahead[1:] >= 0.0))
    if forward.size == 0:
        raise RecordingError(
            "the median of the laps does not cross the start line",
            remedy="Put the start line elsewhere: --start-line with its left and right end (in Python: start_line)",
        )
    i = int(forward[np.argmin(np.abs(across[forward]))])
    at = curve_at(middle, middle.s[i] - ahead[i] / (ahead[i + 1] - ahead[i]) * middle.step)
    x, y, cos, sin = float(at.x), float(at.y), float(np.cos(at.psi)), float(np.sin(at.psi))
    # A little beyond the edges, so that the reference line crosses it wherever it runs.
    left, right = left + 1.0, right + 1.0
    return (x - left * sin, y + left * cos), (x + right * sin, y - right * cos)


def _eased(values: Array, reach: int = 20) -> Array:
    """Greatest value within ``reach`` nodes, then averaged, so that widths change gently."""
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    size = 2 * reach + 1
    return np.asarray(uniform_filter1d(maximum_filter1d(values, size, mode="wrap"), size, mode="wrap"))
