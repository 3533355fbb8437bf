"""A recording in the track's plane, with the samples that cannot be placed left out and counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.errors import RecordingError
from linelab.io.projection import LocalPlane, to_plane
from linelab.lap import Recording
from linelab.track import Track
from linelab.units import Array
from linelab.values import freeze_fields, frozen_array, require_increasing, set_field


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Samples:
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
    """

    t: Array
    x: Array
    y: Array
    speed: Array
    source: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        set_field(self, "t", frozen_array("Samples", "t", self.t, shape=(None,)))
        require_increasing("Samples", "t", self.t)
        freeze_fields(self, ("x", "y"), self.t.size)
        speed = np.array(self.speed, dtype=np.float64)
        speed.flags.writeable = False
        set_field(self, "speed", speed)

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
        return Samples(t=self.t[part], x=self.x[part], y=self.y[part], speed=self.speed[part], source=self.source)


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
        raise RecordingError("no sample has a position", where=recording.source)
    return LocalPlane(
        origin_lon=float(np.median(recording.lon[real])), origin_lat=float(np.median(recording.lat[real]))
    )


def place_samples(recording: Recording, plane: LocalPlane | None) -> Samples:
    """Project a recording to a plane; leave out gaps, zero positions and times that do not advance.

    Parameters
    ----------
    recording : Recording
    plane : LocalPlane or None
        Used for longitude and latitude; local metres are taken as they are.

    Raises
    ------
    RecordingError
        Fewer than four samples are left, or longitude and latitude have no plane.
    """
    if recording.x is not None and recording.y is not None:
        x, y = np.asarray(recording.x), np.asarray(recording.y)
        placed = np.isfinite(x) & np.isfinite(y)
    elif recording.lon is not None and recording.lat is not None and plane is not None:
        placed = np.isfinite(recording.lon) & np.isfinite(recording.lat)
        placed &= (recording.lon != 0.0) | (recording.lat != 0.0)
        x, y = np.full(recording.t.size, np.nan), np.full(recording.t.size, np.nan)
        x[placed], y[placed] = to_plane(plane, recording.lon[placed], recording.lat[placed])
    else:
        raise RecordingError(
            "longitude and latitude cannot be put on a track drawn in local metres",
            where=recording.source,
            remedy="Use a track with longitude and latitude, or record local metres",
        )
    latest = np.maximum.accumulate(np.where(placed, recording.t, -np.inf))
    advancing = placed & (recording.t > np.concatenate([[-np.inf], latest[:-1]]))
    notes = []
    if not placed.all():
        notes.append(f"{int((~placed).sum())} samples without a position left out")
    if (placed & ~advancing).any():
        notes.append(f"{int((placed & ~advancing).sum())} samples whose time does not advance left out")
    if advancing.sum() < 4:
        raise RecordingError(
            f"only {int(advancing.sum())} usable samples", where=recording.source, remedy="Record a longer session"
        )
    speed = np.full(recording.t.size, np.nan) if recording.speed is None else recording.speed
    return Samples(
        t=recording.t[advancing],
        x=x[advancing],
        y=y[advancing],
        speed=speed[advancing],
        source=recording.source,
        notes=tuple(notes),
    )


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
    _check_distance(track, samples)
    return samples


def _check_place(track: Track, recording: Recording, plane: LocalPlane) -> None:
    """Refuse a recording of another place before projecting it (the plane is no good far away)."""
    own = own_plane(recording)
    away = _degrees_apart(own.origin_lon, own.origin_lat, plane.origin_lon, plane.origin_lat)
    if away <= 0.5:
        return
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


def _degrees_apart(lon1: float, lat1: float, lon2: float, lat2: float) -> float:
    """Angle between two places, rough [deg]."""
    east = (lon2 - lon1 + 180.0) % 360.0 - 180.0
    return float(np.hypot(east * np.cos(np.radians(0.5 * (lat1 + lat2))), lat2 - lat1))


def _check_distance(track: Track, samples: Samples) -> None:
    """Refuse a recording none of whose samples is near the track."""
    x, y = track.reference.x[:: max(track.s.size // 2000, 1)], track.reference.y[:: max(track.s.size // 2000, 1)]
    some = slice(None, None, max(samples.t.size // 500, 1))
    gaps = np.hypot(samples.x[some, None] - x, samples.y[some, None] - y).min(axis=1)
    if float(gaps.min()) > 200.0 or (float(np.median(gaps)) > 1000.0):
        centre = np.hypot(np.median(samples.x) - x.mean(), np.median(samples.y) - y.mean())
        raise RecordingError(
            f"recording of another place: its centre is {centre / 1000.0:.1f} km from the track '{track.name}'",
            where=samples.source,
            remedy="Choose the track that was driven",
        )
