"""A cleaned recording in the track's plane."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from linelab.comparison.cleaning import clean_recording, rough_metres
from linelab.comparison.cleaning_places import grid_step
from linelab.errors import RecordingError
from linelab.io.projection import LocalPlane, to_plane
from linelab.lap import Recording
from linelab.track import Track
from linelab.units import Array
from linelab.values import counted, freeze, freeze_fields, frozen_array, frozen_with_gaps, require_increasing, set_field

#: Rounding of positions beyond which laps cannot be told from spins, nor lines from each other [m].
COARSEST = 3.0


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
    channels : mapping of str to (N,) array
        Further channels of the recording, see :class:`linelab.lap.Recording`; gaps are NaN.
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
    """Clean a recording (:func:`linelab.comparison.cleaning.clean_recording`) and project it to a plane.

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


#: Samples in metres farther than this from the middle of the track count as beside it [m].
_BESIDE = 12.0


def _check_distance(track: Track, samples: Samples, *, own_metres: bool) -> None:
    """Refuse a recording none of whose samples is near the track.

    With ``own_metres``, positions in metres beside a track by longitude and latitude, half of them must be on it: the
    origin of such metres is anybody's guess, and near the track's own by chance.
    """
    x, y = track.reference.x[:: max(track.s.size // 2000, 1)], track.reference.y[:: max(track.s.size // 2000, 1)]
    some = slice(None, None, max(samples.t.size // 500, 1))
    gaps = np.hypot(samples.x[some, None] - x, samples.y[some, None] - y).min(axis=1)
    if own_metres and float(np.median(gaps)) > _BESIDE:
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
