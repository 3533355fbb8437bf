"""Laps: the recording cut at the start line, each lap with its status and the reason."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from linelab.comparison.crossings import LONGEST_GAP, Crossing, passages
from linelab.comparison.measured import Measured
from linelab.comparison.noise import drift, position_noise
from linelab.comparison.samples import Samples, own_plane, place_samples, samples_on
from linelab.comparison.start_line import StartLine, track_line
from linelab.errors import InputError, RecordingError
from linelab.lap import Recording
from linelab.track import Track
from linelab.units import Array

Status = Literal["complete", "aborted", "incomplete", "out", "in"]

#: Standing still: slower than this [m/s] for at least this long [s].
STANDING, STANDING_TIME = 1.0, 1.5

#: Position bias of a consumer receiver, assumed where nothing better is known [m per axis]; its correlation time [s].
#: Open data show a median error of 2.2 m, nearly all of it bias; errors stay alike for minutes
#: (Soundy et al., Sensors 20:6050, 2020).
ASSUMED_BIAS, BIAS_TIME = 1.5, 300.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RecordedLap:
    """One lap of a recording.

    Parameters
    ----------
    number : int
        Counted from 1 at the first crossing; an out lap is 0.
    t_start, t_end : float
        In the recording's time [s].
    status : str
        "complete"; "aborted" (stood still on the way); "incomplete" (samples missing, part of the circuit not driven);
        "out" and "in" (before the first and after the last crossing).
    reason : str
        Why it is not complete.
    sigma_scatter, sigma_drift : float
        Standard deviations of the lap time from the scatter of positions and from the drift of their bias [s].
    samples : Samples
        The whole session, so that an estimate can reach beyond the lap's ends.
    """

    number: int
    t_start: float
    t_end: float
    status: Status
    samples: Samples
    reason: str = ""
    sigma_scatter: float = 0.0
    sigma_drift: float = 0.0

    @property
    def duration(self) -> float:
        """Time from start to end [s]."""
        return self.t_end - self.t_start

    @property
    def lap_time(self) -> Measured:
        """Lap time of a complete or aborted lap, withheld otherwise [s]."""
        if self.status not in ("complete", "aborted"):
            return Measured(None, None, self.reason or f"{self.status} lap")
        return Measured(self.duration, math.hypot(self.sigma_scatter, self.sigma_drift))

    @property
    def label(self) -> str:
        """What to call it."""
        return f"lap {self.number}" if self.status not in ("out", "in") else f"{self.status} lap"


def split_laps(
    recording: Recording | Samples,
    where: Track | StartLine,
    *,
    bias: float = ASSUMED_BIAS,
    bias_time: float = BIAS_TIME,
    longest_gap: float = LONGEST_GAP,
) -> tuple[RecordedLap, ...]:
    """Cut a recording into laps at the start line.

    A crossing is interpolated between two samples with the speed taken as changing evenly between them; the error
    of plain linear interpolation, ``a·dt²/(8v)``, is thereby removed.  Only crossings in the driving direction
    count; a kart that jitters on the line crosses once, at the last forward crossing before it leaves.

    Parameters
    ----------
    recording : Recording or Samples
    where : Track or StartLine
        A circuit is cut at station 0; an open track from ``start_station`` to ``finish_station``.  A StartLine is
        in the plane of :func:`linelab.comparison.samples.own_plane` for a recording with longitude and latitude.
    bias, bias_time : float
        Assumed position bias of the receiver per axis [m] and its correlation time [s], for the lap time's uncertainty.
    longest_gap : float
        A lap with a longer gap between samples is incomplete [s].

    Returns
    -------
    tuple of RecordedLap
        In order of time; with at least one complete or aborted lap.

    Raises
    ------
    RecordingError
        Another place, the line is missed, crossed the wrong way only, or no lap is complete.
    """
    samples = _placed(recording, where)
    if isinstance(where, Track):
        start = track_line(where, where.start_station if not where.closed else 0.0)
        if not where.closed:
            return _open_runs(samples, where, start, bias, bias_time, longest_gap)
        length: float | None = where.length
    else:
        start, length = where, None
    passes = passages(samples, start, length, longest_gap)
    laps = [_lap(samples, i + 1, a, b, bias, bias_time) for i, (a, b) in enumerate(pairwise(passes))]
    laps = _judge(laps, length, longest_gap)
    if not any(lap.status in ("complete", "aborted") for lap in laps):
        raise _no_lap(samples, passes, laps)
    return (_out_lap(samples, passes[0]), *laps, _in_lap(samples, passes[-1], len(laps) + 1))


def complete_laps(laps: tuple[RecordedLap, ...]) -> tuple[RecordedLap, ...]:
    """The complete laps, in order."""
    return tuple(lap for lap in laps if lap.status == "complete")


def _placed(recording: Recording | Samples, where: Track | StartLine) -> Samples:
    """The samples in the plane of the line."""
    if isinstance(recording, Samples):
        return recording
    if isinstance(where, Track):
        return samples_on(where, recording)
    return place_samples(recording, own_plane(recording) if recording.lon is not None else None)


def _no_lap(samples: Samples, passes: list[Crossing], laps: list[RecordedLap]) -> RecordingError:
    """The error for a recording without a complete lap."""
    if len(passes) < 2:
        what = f"no complete lap: the start line is crossed once, at {passes[0].t:.1f} s of {samples.t[-1]:.1f} s"
    else:
        what = "no complete lap: " + "; ".join(f"lap {lap.number}: {lap.reason}" for lap in laps[:5])
    return RecordingError(what, where=samples.source, remedy="Record at least one whole lap from line to line")


def _lap(samples: Samples, number: int, a: Crossing, b: Crossing, bias: float, bias_time: float) -> RecordedLap:
    """A lap between two passages, with its uncertainty."""
    noise, _ = position_noise(samples)
    slow = max(min(a.speed, b.speed), 1.0)
    return RecordedLap(
        number=number,
        t_start=a.t,
        t_end=b.t,
        status="complete",
        samples=samples,
        sigma_scatter=noise * math.hypot(1.0 / max(a.speed, 1.0), 1.0 / max(b.speed, 1.0)),
        sigma_drift=drift(bias, bias_time, b.t - a.t) / slow,
    )


def _judge(laps: list[RecordedLap], length: float | None, longest_gap: float) -> list[RecordedLap]:
    """Set status and reason of each lap by gaps, standing still and path length."""
    paths = [_path_length(lap) for lap in laps]
    expected = length if length is not None else (float(np.median(paths)) if len(paths) > 2 else None)
    judged = []
    for lap, path in zip(laps, paths):
        status, reason = _fault(lap, path, expected, longest_gap)
        judged.append(replace(lap, status=status, reason=reason))
    return judged


def _fault(lap: RecordedLap, path: float, expected: float | None, longest_gap: float) -> tuple[Status, str]:
    """Status and reason of one lap."""
    part = lap.samples.between(lap.t_start, lap.t_end)
    if part.t.size < 4:
        return "incomplete", f"only {part.t.size} samples"
    steps = np.diff(part.t)
    worst = int(np.argmax(steps))
    if steps[worst] > longest_gap:
        return "incomplete", f"no samples for {steps[worst]:.1f} s, {part.t[worst] - lap.t_start:.1f} s into the lap"
    if expected is not None and not 0.75 * expected < path < 1.35 * expected:
        return "incomplete", f"{path:.0f} m driven where a lap has {expected:.0f} m"
    began, lasted = standstill(part)
    if lasted >= STANDING_TIME:
        return "aborted", f"stood still for {lasted:.1f} s, {began - lap.t_start:.1f} s into the lap"
    return "complete", ""


def _path_length(lap: RecordedLap) -> float:
    """Sum of the steps between samples of a lap [m], jitter of a standing kart left out."""
    part = lap.samples.between(lap.t_start, lap.t_end)
    steps = np.hypot(np.diff(part.x), np.diff(part.y))
    return float(steps[steps / np.diff(part.t) > STANDING].sum()) if part.t.size > 1 else 0.0


def standstill(samples: Samples) -> tuple[float, float]:
    """Longest stretch slower than STANDING: when it begins and how long it lasts [s]."""
    speed = samples.speed if samples.has_speed else _speed_by_positions(samples)
    slow = np.concatenate([[False], np.nan_to_num(speed, nan=np.inf) < STANDING, [False]])
    edges = np.flatnonzero(np.diff(slow.astype(np.int8)))
    if edges.size == 0:
        return math.nan, 0.0
    first, last = edges[0::2], np.minimum(edges[1::2], samples.t.size - 1)
    spans = samples.t[last] - samples.t[first]
    longest = int(np.argmax(spans))
    return float(samples.t[first[longest]]), float(spans[longest])


def _speed_by_positions(samples: Samples) -> Array:
    """Mean speed over about one second around each sample, from positions [m/s]."""
    half = max(round(0.5 * samples.rate), 1)
    i = np.arange(samples.t.size)
    a, b = np.maximum(i - half, 0), np.minimum(i + half, samples.t.size - 1)
    way = np.hypot(samples.x[b] - samples.x[a], samples.y[b] - samples.y[a])
    return np.asarray(way / np.maximum(samples.t[b] - samples.t[a], 1e-9))


def _out_lap(samples: Samples, first: Crossing) -> RecordedLap:
    """What comes before the first passage."""
    return RecordedLap(
        number=0, t_start=float(samples.t[0]), t_end=first.t, status="out", samples=samples,
        reason="before the first crossing of the start line",
    )  # fmt: skip


def _in_lap(samples: Samples, last: Crossing, number: int) -> RecordedLap:
    """What comes after the last passage."""
    return RecordedLap(
        number=number, t_start=last.t, t_end=float(samples.t[-1]), status="in", samples=samples,
        reason="after the last crossing of the start line",
    )  # fmt: skip


def _open_runs(
    samples: Samples, track: Track, start: StartLine, bias: float, bias_time: float, longest_gap: float
) -> tuple[RecordedLap, ...]:
    """Runs from the start to the finish of an open track."""
    finish = track.finish_station if track.finish_station is not None else track.length
    if finish <= track.start_station:
        raise InputError("the finish lies before the start", where=f"track {track.name}")
    begins = passages(samples, start, None, longest_gap)
    ends = passages(samples, track_line(track, finish), None, longest_gap)
    runs: list[RecordedLap] = []
    for i, begin in enumerate(begins):
        limit = begins[i + 1].t if i + 1 < len(begins) else math.inf
        end = next((c for c in ends if begin.t < c.t < limit), None)
        if end is not None:
            runs.append(_lap(samples, len(runs) + 1, begin, end, bias, bias_time))
    runs = _judge(runs, finish - track.start_station, longest_gap)
    if not any(run.status in ("complete", "aborted") for run in runs):
        raise _no_lap(samples, begins, runs)
    return tuple(runs)
