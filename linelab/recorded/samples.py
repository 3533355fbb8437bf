"""A cleaned recording in the track's plane, and what its own scatter says about its sensors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from linelab.arrays import (
    ByValue,
    counted,
    freeze,
    freeze_fields,
    frozen_array,
    frozen_with_gaps,
    require_increasing,
    set_field,
)
from linelab.errors import RecordingError
from linelab.files.projection import LocalPlane, to_plane
from linelab.model.lap import Recording
from linelab.model.track import Track
from linelab.recorded.cleaning import clean_recording, rough_metres
from linelab.recorded.impossible_values import grid_step
from linelab.units import Array

#: Rounding of positions beyond which neither spins nor different lines are seen [m].
COARSEST = 3.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Samples(ByValue):
    """Positions by increasing time in a plane.

    Parameters
    ----------
    t : (N,) array
        Time, increasing [s].
    x, y : (N,) array
        East and north [m].
    speed : (N,) array
        Speed channel [m/s]; NaN where there is none.
    source : str
    notes : tuple of str
        What was left out and why.
    channels : mapping of str to (N,) array
        Further channels of the recording, see :class:`linelab.Recording`; gaps are NaN.
    """

    t: Array
    x: Array
    y: Array
    speed: Array
    source: str = ""
    notes: tuple[str, ...] = ()
    channels: Mapping[str, Array] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        set_field(self, "t", frozen_array("Samples", "t", self.t, shape=(None,)))
        require_increasing("Samples", "t", self.t)
        freeze_fields(self, ("x", "y"), self.t.size)
        set_field(self, "speed", frozen_with_gaps("Samples.speed", self.speed, self.t.size))
        channels = {
            name: frozen_with_gaps(f"Samples.{name}", value, self.t.size) for name, value in self.channels.items()
        }
        set_field(self, "channels", MappingProxyType(channels))

    @property
    def has_speed(self) -> bool:
        """True when at least nine samples in ten carry a speed."""
        return bool(np.isfinite(self.speed).mean() > 0.9)

    @property
    def rate(self) -> float:
        """Samples a second, by the median step [1/s]."""
        return float(1.0 / np.median(np.diff(self.t)))

    def between(self, start: float, end: float) -> Samples:
        """The samples of a stretch of time, ends included."""
        a, b = np.searchsorted(self.t, [start, end], side="left")
        b = b + int(b < self.t.size and self.t[b] == end)
        part = slice(int(a), int(b))
        return Samples(
            t=self.t[part],
            x=self.x[part],
            y=self.y[part],
            speed=self.speed[part],
            source=self.source,
            channels={name: values[part] for name, values in self.channels.items()},
        )


def own_plane(recording: Recording) -> LocalPlane:
    """A plane about the median position of a recording with longitude and latitude.

    Raises
    ------
    RecordingError
        The recording has local metres only.
    """
    if recording.lon is None or recording.lat is None:
        raise RecordingError("the recording has local metres, no longitude and latitude", where=recording.source)
    real = np.isfinite(recording.lon) & np.isfinite(recording.lat) & ((recording.lon != 0.0) | (recording.lat != 0.0))
    if not real.any():
        raise RecordingError(
            "no sample has a position", where=recording.source, remedy="Record again where the receiver sees the sky"
        )
    return LocalPlane(
        origin_lon=float(np.median(recording.lon[real])), origin_lat=float(np.median(recording.lat[real]))
    )


def place_samples(recording: Recording, plane: LocalPlane | None) -> Samples:
    """Clean a recording (:func:`linelab.clean_recording`) and project it to a plane.

    Parameters
    ----------
    recording : Recording
    plane : LocalPlane or None
        Used for longitude and latitude; local metres are taken as they are.

    Returns
    -------
    Samples
        Its notes say what cleaning did.

    Raises
    ------
    RecordingError
        Fewer than four samples are left, their positions are rounded to more than COARSEST, or longitude and latitude
        have no plane.
    """
    cleaned, report = clean_recording(recording)
    if cleaned.t.size < 4:
        done = "; ".join(report.sentences)
        raise RecordingError(
            f"only {counted(cleaned.t.size, 'usable sample')}" + (f" ({done})" if done else ""),
            where=recording.source,
            remedy="Record a longer session",
        )
    if cleaned.x is not None and cleaned.y is not None:
        x, y = cleaned.x, cleaned.y
    else:
        x, y = _projected(cleaned, plane)
    _require_fine(cleaned)
    return Samples(
        t=cleaned.t,
        x=x,
        y=y,
        speed=np.full(cleaned.t.size, np.nan) if cleaned.speed is None else cleaned.speed,
        source=recording.source,
        notes=report.sentences,
        channels=cleaned.channels,
    )


def _require_fine(cleaned: Recording) -> None:
    """Refuse positions on a grid so coarse that no line can be read between its points."""
    steps = [grid_step(values) for values in rough_metres(cleaned, np.arange(cleaned.t.size))]
    if min(steps) > 0.0 and max(steps) > COARSEST:  # along one axis an even speed makes even steps too
        raise RecordingError(
            f"positions come in steps of {steps[0]:.1f} by {steps[1]:.1f} m: too coarse for a line",
            where=cleaned.source,
            remedy="Export them with more decimals, of a degree six or more",
        )


def _projected(recording: Recording, plane: LocalPlane | None) -> tuple[Array, Array]:
    """Positions by longitude and latitude on a plane [m]."""
    if recording.lon is None or recording.lat is None or plane is None:
        raise RecordingError(
            "longitude and latitude cannot be put on a track drawn in local metres",
            where=recording.source,
            remedy="Use a track with longitude and latitude, or record local metres",
        )
    x, y = to_plane(plane, recording.lon, recording.lat)
    return freeze(x), freeze(y)


def samples_on(track: Track, recording: Recording) -> Samples:
    """A recording in a track's plane.

    Raises
    ------
    RecordingError
        As :func:`place_samples`, or the recording is of another place.
    """
    plane = LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1]) if track.georeferenced else None
    if plane is not None and recording.lon is not None and recording.lat is not None:
        _check_place(track, recording, plane)
    samples = place_samples(recording, plane)
    _check_distance(track, samples, own_metres=plane is not None and recording.lon is None)
    return samples


def _check_place(track: Track, recording: Recording, plane: LocalPlane) -> None:
    """Refuse a recording of another place before projecting it (the plane is no good far away)."""
    own = own_plane(recording)
    if near(own, plane):
        return
    away = _degrees_apart(own.origin_lon, own.origin_lat, plane.origin_lon, plane.origin_lat)
    swapped = abs(own.origin_lon) <= 90.0
    if swapped and _degrees_apart(own.origin_lat, own.origin_lon, plane.origin_lon, plane.origin_lat) < 0.5:
        raise RecordingError(
            "longitude and latitude are swapped: the other way round the recording is at the track",
            where=recording.source,
            remedy="Name the columns of lat and lon the other way round",
        )
    raise RecordingError(
        f"recording of another place: its centre is {111.2 * away:.0f} km from the track '{track.name}'",
        where=recording.source,
        remedy="Choose the track that was driven",
    )


def near(plane: LocalPlane, other: LocalPlane) -> bool:
    """Whether positions about one plane's origin may be projected to another."""
    return _degrees_apart(plane.origin_lon, plane.origin_lat, other.origin_lon, other.origin_lat) <= 0.5


def _degrees_apart(lon1: float, lat1: float, lon2: float, lat2: float) -> float:
    """Angle between two places, rough [deg]."""
    east = (lon2 - lon1 + 180.0) % 360.0 - 180.0
    return float(np.hypot(east * np.cos(np.radians(0.5 * (lat1 + lat2))), lat2 - lat1))


#: Samples in metres farther than this from the middle of the track count as beside it [m].
BESIDE = 12.0


def _check_distance(track: Track, samples: Samples, *, own_metres: bool) -> None:
    """Refuse a recording none of whose samples is near the track.

    With ``own_metres``, positions in metres beside a track by longitude and latitude, half of them must be on it: the
    origin of such metres is anybody's guess, and near the track's own by chance.
    """
    x, y = track.reference.x[:: max(track.s.size // 2000, 1)], track.reference.y[:: max(track.s.size // 2000, 1)]
    some = slice(None, None, max(samples.t.size // 500, 1))
    gaps = np.sqrt(((samples.x[some, None] - x) ** 2 + (samples.y[some, None] - y) ** 2).min(axis=1))
    if own_metres and float(np.median(gaps)) > BESIDE:
        raise RecordingError(
            f"its positions are in metres, and from the origin of the track '{track.name}' half of them are more"
            f" than {np.median(gaps):.0f} m from it",
            where=samples.source,
            remedy="Record longitude and latitude, or use a track drawn in the metres of the recording",
        )
    if float(gaps.min()) > 200.0 or (float(np.median(gaps)) > 1000.0):
        centre = np.hypot(np.median(samples.x) - x.mean(), np.median(samples.y) - y.mean())
        raise RecordingError(
            f"recording of another place: its centre is {centre / 1000.0:.1f} km from the track '{track.name}'",
            where=samples.source,
            remedy="Choose the track that was driven",
        )


#: Standard deviation of normal noise kept by trimming the largest 5 % of magnitudes (two-sided truncation at 1.96).
_TRIM = 0.8706

#: Of long recordings the scatter is taken from so many blocks of so many samples.
_BLOCKS, _BLOCK = 40, 2500

#: Least standard deviations taken for granted: receivers filter their output, so that its fine scatter hides slower
#: errors.  Those of positions are counted as drift.  Speed: nine in ten Doppler readings within 0.1 m/s (Townshend,
#: Worringham & Stewart, Med. Sci. Sports Exerc. 40:124, 2008).
LEAST_POSITION = 0.02
LEAST_SPEED = 0.06
LEAST_COURSE = 0.003

#: Taken where the sampling is too slow to separate scatter from motion.
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
    """White noise of the course on the move [rad]; None without a course or with too few samples."""
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
