"""One corner of a comparison: what the driver did there, each figure with its uncertainty or a reason for none."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.comparison.estimate import DrivenLap
from linelab.comparison.losses import LEAST_RATE, SegmentLosses
from linelab.comparison.marks import CornerMarks
from linelab.comparison.measured import Measured, from_draws, withheld
from linelab.comparison.segments import PHASES, Phase
from linelab.lap import Lap
from linelab.track import Corner, Track, along
from linelab.units import Array

#: Distances to an edge are withheld where the position bias or the survey's error is larger: the miss that matters is
#: half a metre [m].
LARGEST_BIAS = 0.5
#: A place along the track is withheld where it is less certain than this [m].
LARGEST_PLACE = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerReview:
    """One corner of a comparison.

    Parameters
    ----------
    corner : Corner
    marks : CornerMarks
        On the reference lap.
    time_lost : Measured
        Driven minus reference over the corner's stretch, from half-way after the corner before [s].
    phases : tuple of (phase, Measured)
        The same by phase, in driving order [s].
    line_loss, speed_loss : Measured
        ``time_lost`` split: what the driven line costs at best, and what the speed on it costs [s].
    min_speed, min_speed_reference : Measured, float
        [m/s].
    min_speed_place : Measured
        Where the minimum speed sits relative to the reference apex, positive after it [m].
    min_speed_place_reference : float
        The same on the reference lap [m].
    turn_in_speed, turn_in_speed_reference : Measured, float
        Speed at the reference turn-in [m/s].
    entry_overspeed : Measured
        Driven minus reference speed at the reference turn-in [m/s].
    line_overspeed : Measured
        Driven speed minus what the driven line can hold at the reference turn-in [m/s].
    apex_distance : Measured
        From the driven line to the inside edge at the reference apex [m].
    apex_miss : Measured
        How much farther from the inside edge than the reference line there [m].
    """

    corner: Corner
    marks: CornerMarks
    time_lost: Measured
    phases: tuple[tuple[Phase, Measured], ...]
    line_loss: Measured
    speed_loss: Measured
    min_speed: Measured
    min_speed_reference: float
    min_speed_place: Measured
    min_speed_place_reference: float
    turn_in_speed: Measured
    turn_in_speed_reference: float
    entry_overspeed: Measured
    line_overspeed: Measured
    apex_distance: Measured
    apex_miss: Measured


def minimum_rooms(track: Track, marks: tuple[CornerMarks, ...]) -> list[tuple[float, float]]:
    """Where each corner's minimum speed is sought: from its approach to a little past its track-out, short of its
    neighbours' own turning."""
    rooms = []
    for k, mark in enumerate(marks):
        lap = track.length if track.closed else 0.0
        before = marks[k - 1].track_out - (lap if k == 0 else 0.0) if k or track.closed else -math.inf
        following = marks[(k + 1) % len(marks)].turn_in + (lap if k == len(marks) - 1 else 0.0)
        after = following if k < len(marks) - 1 or track.closed else math.inf
        low = max(before, mark.turn_in - 25.0)
        high = min(after, mark.track_out + 15.0)
        rooms.append((min(low, mark.turn_in), max(high, mark.track_out)))
    return rooms


def review_corner(
    track: Track,
    reference: Lap,
    drive: DrivenLap,
    losses: SegmentLosses,
    marks: CornerMarks,
    room: tuple[float, float],
    own: Array,
    phase: Array,
) -> CornerReview:
    """Everything about one corner; ``own`` and ``phase`` tell its segments (M,)."""
    line_loss, speed_loss = losses.split(own)
    slow = f"{drive.rate:.1f} samples a second: corner phases not told apart"
    told = drive.rate >= LEAST_RATE
    minimum, place = _minimum_speed(drive, track, marks, room)
    turn_in = _local(track, marks.turn_in)
    speed = _speed_at(drive, turn_in)
    wanted = float(np.interp(turn_in, reference.line.s, reference.v))
    slowest = float(np.interp(_local(track, marks.minimum_speed), reference.line.s, reference.v))
    distance, miss = _apex(track, reference, drive, marks)
    return CornerReview(
        corner=marks.corner,
        marks=marks,
        time_lost=losses.total(own),
        phases=tuple((name, losses.total(own & (phase == name)) if told else withheld(slow)) for name in PHASES),
        line_loss=line_loss,
        speed_loss=speed_loss,
        min_speed=minimum,
        min_speed_reference=slowest,
        min_speed_place=place,
        min_speed_place_reference=marks.minimum_speed - marks.apex,
        turn_in_speed=speed,
        turn_in_speed_reference=wanted,
        entry_overspeed=_minus(speed, wanted),
        line_overspeed=_line_overspeed(losses, speed, turn_in),
        apex_distance=distance,
        apex_miss=miss,
    )


def _local(track: Track, station: float) -> float:
    """A station within the lap."""
    return station % track.length if track.closed else station


def _minus(figure: Measured, value: float) -> Measured:
    """A figure less a known value."""
    return figure if figure.value is None else Measured(figure.value - value, figure.sigma)


def _window(track: Track, s: Array, low: float, high: float) -> tuple[NDArray[np.intp], Array]:
    """Indices of the nodes between two unwrapped stations, and their unwrapped stations, in driving order."""
    if not track.closed:
        inside = np.flatnonzero((s >= low) & (s <= high))
        return inside, s[inside]
    unwrapped = low + np.mod(s[:-1] - low, track.length)
    inside = np.flatnonzero(unwrapped <= high)
    order = inside[np.argsort(unwrapped[inside])]
    return order, unwrapped[order]


def _minimum_speed(
    drive: DrivenLap, track: Track, marks: CornerMarks, room: tuple[float, float]
) -> tuple[Measured, Measured]:
    """Minimum speed about the corner, within ``room`` (unwrapped stations), and its place after the reference apex."""
    if drive.rate < LEAST_RATE:
        reason = f"{drive.rate:.1f} samples a second: too slow for a minimum speed"
        return withheld(reason), withheld(reason)
    index, stations = _window(track, drive.lap.line.s, *room)
    if index.size < 3:
        return withheld("the corner is too short"), withheld("the corner is too short")
    v = drive.lap.v[index]
    at = _lowest_dip(v)
    flat = at is None
    if at is None:
        turning = np.flatnonzero((stations >= marks.turn_in) & (stations <= marks.track_out))
        at = int(turning[np.argmin(v[turning])]) if turning.size else int(np.argmin(v))
    drawn = v + drive.draws_v[:, index]
    sensor = float(drive.sigma_v[index[at]]) if drawn.size else 0.0
    near = np.abs(stations - stations[at]) < (1.5 if flat else 15.0)
    minimum = from_draws(float(v[at]), drawn[:, near].min(axis=1) if drawn.size else np.empty(0), also=sensor)
    if flat:
        return minimum, withheld("the driver goes through without a minimum of speed")
    places = stations[drawn.argmin(axis=1)] if drawn.size else np.empty(0)
    along_track = math.hypot(drive.bias.sigma, float(v[at]) * drive.sensors.speed_lag_sigma)
    place = from_draws(float(stations[at]) - marks.apex, places, also=along_track)
    if place.sigma is not None and place.sigma > LARGEST_PLACE:
        place = withheld(f"the speed is flat through the corner: its minimum is only known within ±{place.sigma:.0f} m")
    return minimum, place


def _lowest_dip(v: Array) -> int | None:
    """Index of the lowest interior local minimum; None where there is none."""
    dips = np.flatnonzero((v[1:-1] <= v[:-2]) & (v[1:-1] <= v[2:])) + 1
    return int(dips[np.argmin(v[dips])]) if dips.size else None


def _speed_at(drive: DrivenLap, station: float) -> Measured:
    """Driven speed at a station, the position bias carried by the slope of the speed."""
    lap = drive.lap
    if drive.rate < LEAST_RATE:
        return withheld(f"{drive.rate:.1f} samples a second: too slow for the speed at a point")
    slope = float(np.interp(station, lap.line.s, np.gradient(lap.v, lap.line.s)))
    sigma = float(np.interp(station, lap.line.s, drive.sigma_v))
    return Measured(float(np.interp(station, lap.line.s, lap.v)), math.hypot(sigma, slope * drive.bias.sigma))


def _line_overspeed(losses: SegmentLosses, speed: Measured, station: float) -> Measured:
    """Driven speed minus the best possible on the driven line at a station."""
    if speed.value is None:
        return speed
    if losses.cost is None:
        return withheld(losses.split_reason)
    return _minus(speed, float(np.interp(station, losses.cost.s, losses.cost.v)))


def _apex(track: Track, reference: Lap, drive: DrivenLap, marks: CornerMarks) -> tuple[Measured, Measured]:
    """Distance to the inside edge at the reference apex, and how much farther than the reference line."""
    station = _local(track, marks.apex)
    side = 1.0 if marks.corner.left else -1.0
    n = float(np.interp(station, drive.lap.line.s, drive.lap.line.n))
    wanted = float(np.interp(station, reference.line.s, reference.line.n))
    scatter = float(np.interp(station, drive.lap.line.s, drive.sigma_n))
    sigma = math.hypot(scatter, drive.bias.sigma)
    reason = edge_reason(track, drive)
    if reason:
        reason = f"{reason}: apex distance not reported"
        return withheld(reason), withheld(reason)
    edge = float(along(track, track.w_left if side > 0.0 else track.w_right, np.array(station)))
    # An edge surveyed a little off moves the reference line with it: the survey's error is in both.
    whole = math.hypot(sigma, track.survey.uncertainty or 0.0)
    return Measured(edge - side * n, whole), Measured(side * (wanted - n), whole)


def edge_reason(track: Track, drive: DrivenLap) -> str:
    """Why distances to an edge are not told on a lap; empty where they are.

    The miss that matters is half a metre: neither the position bias nor the survey may be worse than that.
    """
    if track.survey.kind == "estimated":
        return "no surveyed edge"
    if drive.bias.sigma > LARGEST_BIAS:
        return f"position bias ±{drive.bias.sigma:.1f} m"
    survey = track.survey.uncertainty or 0.0
    return f"edges only known within ±{survey:.1f} m" if survey > LARGEST_BIAS else ""
