"""A smoothed motion on the track: stations and offsets by carrying on from the last station."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linelab.comparison.laps import RecordedLap
from linelab.comparison.samples import Samples
from linelab.comparison.smoother import Motion, motion_at
from linelab.errors import RecordingError
from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import xy_to_sn
from linelab.track import Track, along
from linelab.units import Array

#: Time step at which the motion is followed along the track [s].
_STEP = 0.02
#: Least speed along the track, so that a standing kart has a heading and a curvature [m/s].
LEAST_SPEED = 0.3


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Placement:
    """A motion at uniform stations (N,); ``draws_*`` (K, N) are departures at the same *times*.

    s, n, x, y [m]; t [s]; v [m/s]; ax [m/s²]; psi, xi [rad]; kappa [1/m]; ``stretch`` is ``1 - n·kappa_reference`` [-].
    """

    s: Array
    n: Array
    t: Array
    x: Array
    y: Array
    v: Array
    ax: Array
    psi: Array
    xi: Array
    kappa: Array
    stretch: Array
    draws_s: Array
    draws_n: Array
    draws_v: Array
    draws_kappa: Array


def place_motion(track: Track, motion: Motion, lap: RecordedLap, spacing: float) -> Placement:
    """Put a lap on the track at uniform stations, at the first passage of each.

    Raises
    ------
    RecordingError
        The lap runs against the track's direction, leaves the track for long, or does not get round it.
    """
    begin, end = _limits(track)
    near = (motion.t >= lap.t_start) & (motion.t <= lap.t_end)
    check_direction(track, motion.states[near], lap.samples.source)
    first, last = max(motion.t[0], lap.t_start - 0.5), min(motion.t[-1], lap.t_end + 0.5)
    clock = np.arange(first, last, _STEP)
    states = motion_at(motion.t, motion.states, clock)
    start = begin - 0.5 * float(np.hypot(states[0, 1], states[0, 4]))
    s, n = xy_to_sn(track.reference, states[:, 0], states[:, 3], start=start)
    if track.closed:
        # The line was crossed at t_start: whichever lap the follower counts, that crossing is station 0.
        s = s - track.length * np.round((np.interp(lap.t_start, clock, s) - begin) / track.length)
    _check_on_track(track, s, n, lap)
    reached = np.maximum.accumulate(s)
    if reached[-1] < end or reached[0] > begin:
        raise RecordingError(
            f"{lap.label} covers stations {reached[0]:.0f} to {reached[-1]:.0f} m of {begin:.0f} to {end:.0f} m",
            where=lap.samples.source,
            remedy="Check that the track and its start line are the ones driven",
        )
    stations = np.linspace(begin, end, max(round((end - begin) / spacing), 8) + 1)
    return _at_stations(track, motion, stations, _passing_times(clock, reached, stations))


def _limits(track: Track) -> tuple[float, float]:
    """First and last station of a lap [m]."""
    if track.closed:
        return 0.0, track.length
    return track.start_station, track.finish_station if track.finish_station is not None else track.length


def _passing_times(clock: Array, reached: Array, stations: Array) -> Array:
    """Times at which stations are first reached, increasing even where the kart stands or turns back."""
    rising = np.concatenate([[True], np.diff(reached) > 1e-9])
    times = np.interp(stations, reached[rising], clock[rising])
    return np.asarray(np.maximum.accumulate(times + 1e-9 * np.arange(times.size)))


def _at_stations(track: Track, motion: Motion, stations: Array, times: Array) -> Placement:
    """Everything at the passing times."""
    states = motion_at(motion.t, motion.states, times)
    spread = motion_at(motion.t, motion.draws, times)
    at = curve_at(track.reference, stations)
    cos, sin = np.cos(at.psi), np.sin(at.psi)
    n = -sin * (states[:, 0] - at.x) + cos * (states[:, 3] - at.y)
    stretch = np.maximum(1.0 - n * at.kappa, 0.05)
    v, psi, ax, kappa = _kinematics(states)
    xi = np.arctan2(np.sin(psi - at.psi), np.cos(psi - at.psi))
    xi = np.clip(xi, -1.2, 1.2)  # a spun kart points anywhere; its progress along the track stays forward
    drawn_v, _, _, drawn_kappa = _kinematics(states + spread)
    return Placement(
        s=stations, n=n, t=times, x=states[:, 0], y=states[:, 3], v=v, ax=ax, psi=at.psi + xi, xi=xi, kappa=kappa,
        stretch=stretch,
        draws_s=(cos * spread[..., 0] + sin * spread[..., 3]) / stretch,
        draws_n=-sin * spread[..., 0] + cos * spread[..., 3],
        draws_v=drawn_v - v,
        draws_kappa=drawn_kappa - kappa,
    )  # fmt: skip


def _kinematics(states: Array) -> tuple[Array, Array, Array, Array]:
    """Speed, yaw angle of travel, longitudinal acceleration and curvature of states (..., 6)."""
    vx, ax, vy, ay = states[..., 1], states[..., 2], states[..., 4], states[..., 5]
    v = np.maximum(np.hypot(vx, vy), LEAST_SPEED)
    psi = np.arctan2(vy, vx)
    # Below walking pace the acceleration across the travel is noise, so the curvature fades out there.
    slow = np.maximum(v, 2.0)
    return v, psi, (vx * ax + vy * ay) / v, (vx * ay - vy * ax) / slow**3


def check_direction(track: Track, states: Array, source: str) -> None:
    """Refuse a motion against the track's direction.

    Raises
    ------
    RecordingError
        At most of the places it passes, travel points against the reference line.
    """
    moving = states[np.hypot(states[:, 1], states[:, 4]) > 2.0]
    some = moving[:: max(len(moving) // 300, 1)]
    if len(some) < 10:
        return
    thin = slice(None, None, max(track.s.size // 3000, 1))
    x, y, psi = track.reference.x[thin], track.reference.y[thin], track.reference.psi[thin]
    gap = np.hypot(some[:, 0, None] - x, some[:, 3, None] - y)
    nearest = gap.argmin(axis=1)
    along_track = some[:, 1] * np.cos(psi[nearest]) + some[:, 4] * np.sin(psi[nearest])
    close = gap.min(axis=1) < 30.0
    if close.sum() >= 10 and (along_track[close] < 0.0).mean() > 0.6:
        raise RecordingError(
            "the recording runs against the track's direction",
            where=source,
            remedy="Use the reversed track, or check that this is the layout driven",
        )


def _check_on_track(track: Track, s: Array, n: Array, lap: RecordedLap) -> None:
    """Refuse a lap much of which is nowhere near the track."""
    beyond = np.maximum(n - along(track, track.w_left, s), -n - along(track, track.w_right, s))
    far = beyond > 15.0
    if far.mean() > 0.1:
        worst = int(np.argmax(beyond))
        raise RecordingError(
            f"{lap.label} is more than 15 m off the track for {100 * far.mean():.0f} % of its time, "
            f"the farthest {beyond[worst]:.0f} m near station {s[worst] % track.length:.0f} m",
            where=lap.samples.source,
            remedy="Check that this layout of the track was driven",
        )


def stations_of(track: Track, samples: Samples, start: float | None = None) -> tuple[Array, Array]:
    """Stations (unwrapped) and offsets of raw samples (N,) [m]; see :func:`linelab.geometry.frenet.xy_to_sn`."""
    return xy_to_sn(track.reference, samples.x, samples.y, start=start)
