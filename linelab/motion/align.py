"""Smoothed motions on the track: stations and offsets by carrying on from the last station."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from linelab.arrays import distance_along
from linelab.errors import RecordingError
from linelab.geometry.curve import CurvePoint, curve_at
from linelab.geometry.frenet import near_stations, xy_to_sn
from linelab.model.track import Track, along, lap_ends
from linelab.motion.smoother import Motion
from linelab.recorded.laps import TURN_ROUND, RecordedLap
from linelab.units import Array

#: Time step at which the motion is followed along the track [s].
_STEP = 0.1
#: Least speed along the track, so that a standing kart has a heading and a curvature [m/s].
LEAST_SPEED = 0.3
#: How far from where an earlier lap was at the same share of its path another lap is looked for [m].
_WINDOW = 8.0


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
    draws_ax: Array
    draws_kappa: Array


@dataclass(frozen=True, slots=True, eq=False)
class Guide:
    """Where a lap that was followed round the track had come to at each share of its path: two increasing tables."""

    share: Array
    station: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Followed:
    """One lap's clock (M,) [s], its states (M, 6), and its way since the first crossing as a share of the lap's."""

    clock: Array
    states: Array
    share: Array


def place_laps(
    track: Track,
    motion: Motion,
    laps: Sequence[RecordedLap],
    spacing: float,
    guide: Guide | None = None,
    shifts: Array | None = None,
) -> tuple[list[Placement | RecordingError], Guide | None]:
    """Put laps on the track at uniform stations, at the first passage of each.

    The first lap is followed station by station; the others are looked for where that one was at the same share of
    their paths, and followed themselves where they are not found there.

    Parameters
    ----------
    track : Track
    motion : Motion
        Covers all of the laps.
    laps : sequence of RecordedLap
    spacing : float
        Distance between stations [m].
    guide : Guide, optional
        From an earlier call for the same track.
    shifts : (L, 2) array, optional
        Position bias to take off each lap, east and north [m].

    Returns
    -------
    list of Placement or RecordingError, Guide or None
        An error for a lap that runs against the track's direction, leaves it for long, or does not get round it.
    """
    begin, end = lap_ends(track)
    stations = np.linspace(begin, end, max(round((end - begin) / spacing), 8) + 1)
    found: list[Placement | RecordingError | None] = [None] * len(laps)
    moved = np.zeros((len(laps), 2)) if shifts is None else shifts
    runs = [_clocked(motion, lap, shift) for lap, shift in zip(laps, moved)]
    guessed = _by_guide(track, runs, guide) if guide is not None else [None] * len(laps)
    times: dict[int, Array] = {}
    for k, (lap, run) in enumerate(zip(laps, runs)):
        try:
            s = guessed[k]
            if s is None:
                s = _follow(track, run, lap)
            times[k] = _passing_times(track, run, lap, s, stations)
        except RecordingError as error:
            found[k] = error
            continue
        if guide is None and lap.status == "complete":
            guide = Guide(run.share, np.maximum.accumulate(s))
    if times:
        at = curve_at(track.reference, stations)
        own = moved[list(times)][:, None, :]
        polished = _polished(motion, at, np.array(list(times.values())), own)
        for k, placed in zip(times, _at_stations(motion, at, stations, polished, own)):
            found[k] = placed
    return [item for item in found if item is not None], guide


def _clocked(motion: Motion, lap: RecordedLap, shift: Array) -> _Followed:
    """A lap at even times, half a second more at either end."""
    first, last = max(motion.grid.start, lap.t_start - 0.5), min(motion.grid.end, lap.t_end + 0.5)
    clock = np.linspace(first, last, max(round((last - first) / _STEP), 2) + 1)
    states = motion.states(clock)
    states[:, [0, 3]] -= shift
    way = distance_along(states[:, 0], states[:, 3])
    ends = np.interp([lap.t_start, lap.t_end], clock, way)
    return _Followed(clock, states, (way - ends[0]) / max(ends[1] - ends[0], 1.0))


def _follow(track: Track, run: _Followed, lap: RecordedLap) -> Array:
    """Stations along a lap's clock, 0 (or the start of an open track) where the line was crossed."""
    check_direction(track, run.states, lap.samples.source)
    begin, _ = lap_ends(track)
    states = run.states
    start = begin - 0.5 * float(np.hypot(states[0, 1], states[0, 4]))
    s, n = xy_to_sn(track.reference, states[:, 0], states[:, 3], start=start)
    if track.closed:
        # The line was crossed at t_start: whichever lap the follower counts, that crossing is station 0.
        s = s - track.length * np.round((np.interp(lap.t_start, run.clock, s) - begin) / track.length)
    _check_on_track(track, s, n, lap)
    return s


def _by_guide(track: Track, runs: list[_Followed], guide: Guide) -> list[Array | None]:
    """Stations along each lap's clock where another lap was at the same share of its path; None where that fails."""
    x = np.concatenate([run.states[:, 0] for run in runs])
    y = np.concatenate([run.states[:, 3] for run in runs])
    guess = np.concatenate([np.interp(run.share, guide.share, guide.station) for run in runs])
    s, n = near_stations(track.reference, x, y, guess, window=_WINDOW)
    room = np.maximum(along(track, track.w_left, s), along(track, track.w_right, s)) + 5.0
    edges = np.cumsum([0, *(run.clock.size for run in runs)])
    found: list[Array | None] = []
    for run, a, b in zip(runs, edges[:-1], edges[1:]):
        moved = np.diff(s[a:b])
        way = np.hypot(np.diff(run.states[:, 0]), np.diff(run.states[:, 3]))
        # Rubbish shows as offsets beyond the track, or as stations that do not go with the way driven.
        good = (
            (np.abs(n[a:b]) < room[a:b]).all() and (moved > 0.4 * way - 0.3).all() and (moved < 2.5 * way + 0.3).all()
        )
        found.append(s[a:b] if good else None)
    return found


def _passing_times(track: Track, run: _Followed, lap: RecordedLap, s: Array, stations: Array) -> Array:
    """Times at which stations are first reached, increasing even where the kart stands or turns back."""
    reached = np.maximum.accumulate(s)
    if reached[-1] < stations[-1] or reached[0] > stations[0]:
        raise RecordingError(
            f"{lap.label} covers stations {reached[0]:.0f} to {reached[-1]:.0f} m of "
            f"{stations[0]:.0f} to {stations[-1]:.0f} m",
            where=lap.samples.source,
            remedy="Review other laps (--lap), or check that the track and its start line are the ones driven",
        )
    rising = np.concatenate([[True], np.diff(reached) > 1e-9])
    return np.asarray(np.interp(stations, reached[rising], run.clock[rising]))


def _polished(motion: Motion, at: CurvePoint, times: Array, shifts: Array) -> Array:
    """Passing times (L, N) made exact by Newton's method where the kart moves on."""
    cos, sin = np.cos(at.psi), np.sin(at.psi)
    low, high = motion.grid.start, motion.grid.end
    for _ in range(2):
        states = motion.states(times.ravel()).reshape(*times.shape, -1)
        states[..., [0, 3]] -= shifts
        ahead = cos * (states[..., 0] - at.x) + sin * (states[..., 3] - at.y)
        pace = cos * states[..., 1] + sin * states[..., 4]
        step = np.where(pace > 1.0, np.clip(-ahead / np.maximum(pace, 1.0), -_STEP, _STEP), 0.0)
        times = np.asarray(np.clip(times + step, low, high))
    # Beyond the centre of a tight bend stations are passed in the other order: they share a time there.
    return np.asarray(np.maximum.accumulate(times, axis=1) + 1e-9 * np.arange(times.shape[1]))


def _at_stations(motion: Motion, at: CurvePoint, stations: Array, times: Array, shifts: Array) -> list[Placement]:
    """Everything at the passing times (L, N), lap by lap."""
    states = motion.states(times.ravel()).reshape(*times.shape, -1)
    states[..., [0, 3]] -= shifts
    cos, sin = np.cos(at.psi), np.sin(at.psi)
    n = -sin * (states[..., 0] - at.x) + cos * (states[..., 3] - at.y)
    stretch = np.maximum(1.0 - n * at.kappa, 0.05)
    v, psi, ax, kappa = kinematics(states)
    # A spun kart points anywhere; its progress along the track stays forward.
    xi = np.clip(np.arctan2(np.sin(psi - at.psi), np.cos(psi - at.psi)), -1.2, 1.2)
    found = []
    for k in range(len(times)):
        spread = motion.departures(times[k])
        drawn_v, _, drawn_ax, drawn_kappa = kinematics(states[k] + spread)
        found.append(
            Placement(
                s=stations, n=n[k], t=times[k], x=states[k, :, 0], y=states[k, :, 3], v=v[k], ax=ax[k],
                psi=at.psi + xi[k], xi=xi[k], kappa=kappa[k], stretch=stretch[k],
                draws_s=(cos * spread[..., 0] + sin * spread[..., 3]) / stretch[k],
                draws_n=-sin * spread[..., 0] + cos * spread[..., 3],
                draws_v=drawn_v - v[k],
                draws_ax=drawn_ax - ax[k],
                draws_kappa=drawn_kappa - kappa[k],
            )
        )  # fmt: skip
    return found


def kinematics(states: Array) -> tuple[Array, Array, Array, Array]:
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
    some = moving[:: max(len(moving) // 100, 1)]
    if len(some) < 10:
        return
    thin = slice(None, None, max(track.s.size // 1000, 1))
    x, y, psi = track.reference.x[thin], track.reference.y[thin], track.reference.psi[thin]
    square = (some[:, 0, None] - x) ** 2 + (some[:, 3, None] - y) ** 2
    nearest = square.argmin(axis=1)
    along_track = some[:, 1] * np.cos(psi[nearest]) + some[:, 4] * np.sin(psi[nearest])
    close = square.min(axis=1) < 30.0**2
    if close.sum() >= 10 and (along_track[close] < 0.0).mean() > 0.6:
        raise RecordingError(
            "the recording runs against the track's direction",
            where=source,
            remedy=f"{TURN_ROUND}; or check that this is the layout driven",
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
            remedy="Review other laps (--lap), or check that this layout of the track was driven",
        )
