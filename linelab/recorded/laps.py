"""Laps: the recording cut at the start line, each lap with its status and the reason."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from linelab.arrays import ByValue, Table, distance_along
from linelab.errors import InputError, RecordingError, check_kinds
from linelab.measured import Measured, withheld
from linelab.model.lap import Recording
from linelab.model.track import Track, lap_ends
from linelab.recorded.lap_status import Status, judge
from linelab.recorded.samples import Samples, drift, own_plane, place_samples, position_noise, samples_on
from linelab.recorded.start_line import StartLine, track_line

#: A position this far beyond an end of the line still counts: a consumer receiver is off by a metre or two [m].
MARGIN = 4.0
#: A line farther than this from the whole recording is of another place, or its coordinates are swapped [m].
ELSEWHERE = 5000.0
#: The kart must get this far from the line before it can cross it again [m].
LEFT_LINE = 12.0
#: Longest gap between samples that a lap may hold, and over which a crossing may be interpolated [s].
LONGEST_GAP = 2.0

#: What to do about a track that is driven the other way round.
TURN_ROUND = "Turn the track round: add --reverse, or leave it out where it is given (in Python: reversed_track)"
_STATE = "State the line: --start-line with its left and right end (in Python: start_line)"
#: What to do about a line that is crossed the wrong way, and about one that is missed, by the line's origin.
_AGAINST = {"track": TURN_ROUND, "given": "Swap the two ends of the start line", "proposed": _STATE}
_MISSED = {
    "track": "Check that this track was driven, and where its file has the start line",
    "given": "Move or widen the start line",
    "proposed": _STATE,
}


@dataclass(frozen=True, slots=True)
class Crossing:
    """One crossing of a line: when [s], where across it (positive left of its middle) [m], how fast [m/s].

    ``share`` is the share of the sample step that lies before it, ``reach`` half the line's length [m].
    """

    t: float
    across: float
    speed: float
    forward: bool
    index: int  #: sample before the crossing
    share: float
    reach: float


def find_crossings(samples: Samples, line: StartLine, *, longest_gap: float = LONGEST_GAP) -> list[Crossing]:
    """Every crossing of the line stretched by MARGIN at both ends, forwards and backwards, in order of time."""
    ahead, across = line.axes(samples.x, samples.y)
    before, after = ahead[:-1], ahead[1:]
    turn = np.flatnonzero((before < 0.0) != (after < 0.0))
    turn = turn[np.diff(samples.t)[turn] <= longest_gap]
    found = []
    for i in map(int, turn):
        share = _share_before(-ahead[i] / (ahead[i + 1] - ahead[i]), samples.speed[i], samples.speed[i + 1])
        offset = float(across[i] + share * (across[i + 1] - across[i]))
        if abs(offset) <= 0.5 * line.width + MARGIN:
            step = float(samples.t[i + 1] - samples.t[i])
            speed = math.hypot(samples.x[i + 1] - samples.x[i], samples.y[i + 1] - samples.y[i]) / step
            forward = bool(ahead[i + 1] > ahead[i])
            found.append(
                Crossing(float(samples.t[i]) + share * step, offset, speed, forward, i, share, 0.5 * line.width)
            )
    return found


def _share_before(distance_share: float, speed0: float, speed1: float) -> float:
    """Share of the time step at which a share of its distance is covered, under even acceleration.

    Solves ``u·v0 + u²·(v1 - v0)/2 = share·(v0 + v1)/2``.  Without usable speeds: linear.
    """
    if not (math.isfinite(speed0) and math.isfinite(speed1)) or speed0 + speed1 < 2.0:
        return distance_share
    target = distance_share * 0.5 * (speed0 + speed1)
    change = speed1 - speed0
    return 2.0 * target / (speed0 + math.sqrt(max(speed0 * speed0 + 2.0 * change * target, 0.0)))


def passages(samples: Samples, line: StartLine, length: float | None, longest_gap: float) -> list[Crossing]:
    """The passages over the line in the driving direction: crossings without getting clear of it count as one."""
    crossings = find_crossings(samples, line, longest_gap=longest_gap)
    if not crossings:
        raise _missed(samples, line)
    clear = np.hypot(samples.x - line.centre[0], samples.y - line.centre[1]) > 0.5 * line.width + LEFT_LINE
    cleared = np.cumsum(clear)
    groups: list[list[Crossing]] = []
    for crossing in crossings:
        near = bool(groups) and cleared[crossing.index] == cleared[groups[-1][-1].index]
        if near:
            groups[-1].append(crossing)
        else:
            groups.append([crossing])
    net = [sum(1 if crossing.forward else -1 for crossing in group) for group in groups]
    passes = [[c for c in group if c.forward][-1] for group, sign in zip(groups, net) if sign > 0]
    if not passes and any(sign < 0 for sign in net):
        raise RecordingError(
            f"the start line is crossed {sum(sign < 0 for sign in net)} times, always against its direction",
            where=samples.source,
            remedy=_AGAINST[line.origin],
        )
    if not passes:
        raise _missed(samples, line)
    return passes if length is None else _drop_neighbours(samples, passes, length)


def _drop_neighbours(samples: Samples, passes: list[Crossing], length: float) -> list[Crossing]:
    """Leave out passages of a neighbouring stretch: of two within half a lap, the one farther off the middle."""
    distance = distance_along(samples.x, samples.y)
    kept: list[Crossing] = []
    for crossing in passes:
        if kept and distance[crossing.index] - distance[kept[-1].index] < 0.5 * length:
            if abs(crossing.across) < abs(kept[-1].across):
                kept[-1] = crossing
            continue
        kept.append(crossing)
    return kept


def _missed(samples: Samples, line: StartLine) -> RecordingError:
    """The error for a recording that never crosses the line."""
    ahead, across = line.axes(samples.x, samples.y)
    turn = np.flatnonzero((ahead[:-1] < 0.0) != (ahead[1:] < 0.0))
    beside = np.abs(0.5 * (across[turn] + across[turn + 1])) - 0.5 * line.width
    remedy = _MISSED[line.origin]
    if turn.size and beside.min() < 500.0:
        what = f"start line missed: the recording passes {max(beside.min(), 0.0):.1f} m from its end"
    else:
        nearest = np.hypot(samples.x - line.centre[0], samples.y - line.centre[1]).min()
        what = f"start line missed: the recording comes no nearer than {nearest:.0f} m"
        if nearest > ELSEWHERE and line.origin == "given":
            remedy = "Check both ends of the line: longitude before latitude, or x before y in metres, at this place"
    return RecordingError(what, where=samples.source, remedy=remedy)


#: Position bias of a consumer receiver, assumed where nothing better is known [m per axis]; its correlation time [s].
#: Open data show a median error of 2.2 m, nearly all of it bias; errors stay alike for minutes
#: (Soundy et al., Sensors 20:6050, 2020).
ASSUMED_BIAS, BIAS_TIME = 1.5, 300.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class RecordedLap(ByValue):
    """One lap of a recording.

    Parameters
    ----------
    number : int
        Counted from 1 at the first crossing; an out lap is 0.
    t_start, t_end : float
        In the recording's time [s].
    status : str
        "complete"; "aborted" (a stop, a spin, held up on the way); "incomplete" (samples missing, part of the circuit
        not driven); "out" and "in" (before the first and after the last crossing).
    reason : str
        Why it is not complete.
    sigma_scatter, sigma_drift : float
        Standard deviations of the lap time from the scatter of positions and from the drift of their bias [s].
    samples : Samples
        The whole session, so that an estimate can reach beyond the lap's ends.
    splits : tuple of Measured
        Time from the start of the lap to each of the track's timing lines [s].
    """

    number: int
    t_start: float
    t_end: float
    status: Status
    samples: Samples
    reason: str = ""
    sigma_scatter: float = 0.0
    sigma_drift: float = 0.0
    splits: tuple[Measured, ...] = ()

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

    def __repr__(self) -> str:
        return f"RecordedLap {self.number}, {self.duration:.3f} s, {self.status}{self.reason and f': {self.reason}'}"

    def row(self) -> dict[str, Any]:
        """The lap as a row of a table."""
        return {
            "lap": self.number,
            "status": self.status,
            "reason": self.reason,
            "t_start_s": self.t_start,
            "t_end_s": self.t_end,
            "lap_time_s": self.lap_time.value,
            "lap_time_sigma_s": self.lap_time.sigma,
        }

    @property
    def sectors(self) -> tuple[Measured, ...]:
        """Times between the timing lines, from the start line on and back to it [s]; empty without timing lines."""
        if not self.splits:
            return ()
        return tuple(_between(a, b) for a, b in pairwise((Measured(0.0, 0.0), *self.splits, self.lap_time)))

    @property
    def label(self) -> str:
        """What to call it."""
        return f"lap {self.number}" if self.status not in ("out", "in") else f"{self.status} lap"


def _between(a: Measured, b: Measured) -> Measured:
    """Time from one line to the next."""
    if a.value is None or b.value is None or a.sigma is None or b.sigma is None:
        return withheld(a.reason or b.reason)
    return Measured(b.value - a.value, math.hypot(a.sigma, b.sigma))


def split_laps(
    recording: Recording | Samples,
    where: Track | StartLine,
    *,
    bias: float = ASSUMED_BIAS,
    bias_time: float = BIAS_TIME,
    longest_gap: float = LONGEST_GAP,
) -> Table[RecordedLap]:
    """Cut a recording into laps at the start line.

    A crossing is interpolated between two samples with the speed taken as changing evenly between them; the error
    of plain linear interpolation, ``a·dt²/(8v)``, is thereby removed.  Only crossings in the driving direction
    count; a kart that jitters on the line crosses once, at the last forward crossing before it leaves.

    Parameters
    ----------
    recording : Recording or Samples
    where : Track or StartLine
        A circuit is cut at station 0; an open track from ``start_station`` to ``finish_station``.  A StartLine is
        in the plane of :func:`linelab.recorded.samples.own_plane` for a recording with longitude and latitude.
    bias, bias_time : float
        Assumed position bias of the receiver per axis [m] and its correlation time [s], for the lap time's uncertainty.
    longest_gap : float
        A lap with a longer gap between samples is incomplete [s].

    Returns
    -------
    tuple of RecordedLap
        In order of time; with at least one complete or aborted lap.  ``.to_dataframe()`` gives a row a lap.

    Raises
    ------
    RecordingError
        Another place, the line is missed, crossed the wrong way only, or no lap is complete.
    InputError
        Arguments of another type.

    Examples
    --------
    >>> import linelab
    >>> recording = linelab.load_recording("ostrelle_practice")
    >>> laps = linelab.split_laps(recording, linelab.load_track("ostrelle_sprint"))
    >>> laps[1]
    RecordedLap 1, 49.977 s, complete
    >>> [lap.reason for lap in laps if lap.status == "aborted"]
    ['stood still for 7.1 s, 11.9 s into the lap']
    """
    check_kinds("split_laps", recording=(recording, (Recording, Samples)), where=(where, (Track, StartLine)))
    samples = _placed(recording, where)
    if isinstance(where, Track):
        start = track_line(where, where.start_station if not where.closed else 0.0)
        if not where.closed:
            return Table(_open_runs(samples, where, start, bias, bias_time, longest_gap))
        length: float | None = where.length
    else:
        start, length = where, None
    passes = passages(samples, start, length, longest_gap)
    noise, _ = position_noise(samples)
    laps = [_lap(samples, i + 1, a, b, noise, bias, bias_time) for i, (a, b) in enumerate(pairwise(passes))]
    laps = _judged(samples, laps, length, longest_gap)
    if not any(lap.status in ("complete", "aborted") for lap in laps):
        raise _no_lap(samples, passes, laps)
    if isinstance(where, Track):
        laps = _with_splits(where, laps, noise, bias, bias_time, longest_gap)
    return Table((_out_lap(samples, passes[0]), *laps, _in_lap(samples, passes[-1], len(laps) + 1)))


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


def _lap(
    samples: Samples, number: int, a: Crossing, b: Crossing, noise: float, bias: float, bias_time: float
) -> RecordedLap:
    """A lap between two passages, with its uncertainty."""
    slow = max(min(a.speed, b.speed), 1.0)
    return RecordedLap(
        number=number,
        t_start=a.t,
        t_end=b.t,
        status="complete",
        samples=samples,
        sigma_scatter=math.hypot(_scatter(a, noise), _scatter(b, noise)),
        sigma_drift=drift(bias, bias_time, b.t - a.t) / slow,
    )


def _scatter(crossing: Crossing, noise: float) -> float:
    """Standard deviation of a crossing's time: it is interpolated between two positions with independent noise [s]."""
    return noise * math.hypot(crossing.share, 1.0 - crossing.share) / max(crossing.speed, 1.0)


def _judged(samples: Samples, laps: list[RecordedLap], length: float | None, longest_gap: float) -> list[RecordedLap]:
    """Laps with their status and reason."""
    verdicts = judge(samples, [(lap.t_start, lap.t_end) for lap in laps], length, longest_gap)
    return [replace(lap, status=status, reason=reason) for lap, (status, reason) in zip(laps, verdicts)]


def _with_splits(
    track: Track, laps: list[RecordedLap], noise: float, bias: float, bias_time: float, longest_gap: float
) -> list[RecordedLap]:
    """Laps with the times of passing the track's timing lines, each at the crossing nearest to where it belongs."""
    if not track.timing_stations or not laps:
        return laps
    crossings = [
        [c for c in find_crossings(laps[0].samples, track_line(track, s), longest_gap=longest_gap) if c.forward]
        for s in track.timing_stations
    ]
    begin, end = lap_ends(track)
    found = []
    for lap in laps:
        splits = []
        for station, passes in zip(track.timing_stations, crossings):
            near = lap.t_start + (station - begin) / (end - begin) * lap.duration
            inside = [c for c in passes if lap.t_start < c.t < lap.t_end]
            if not inside or lap.status not in ("complete", "aborted"):
                splits.append(withheld(lap.reason or f"the timing line at {station:.0f} m is not crossed"))
                continue
            crossing = min(inside, key=lambda c: (abs(c.across) > c.reach, abs(c.t - near)))
            moved = drift(bias, bias_time, crossing.t - lap.t_start) / max(crossing.speed, 1.0)
            splits.append(Measured(crossing.t - lap.t_start, math.hypot(_scatter(crossing, noise), moved)))
        found.append(replace(lap, splits=tuple(splits)))
    return found


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
    noise, _ = position_noise(samples)
    for i, begin in enumerate(begins):
        limit = begins[i + 1].t if i + 1 < len(begins) else math.inf
        end = next((c for c in ends if begin.t < c.t < limit), None)
        if end is not None:
            runs.append(_lap(samples, len(runs) + 1, begin, end, noise, bias, bias_time))
    runs = _judged(samples, runs, finish - track.start_station, longest_gap)
    if not any(run.status in ("complete", "aborted") for run in runs):
        raise _no_lap(samples, begins, runs)
    return tuple(_with_splits(track, runs, noise, bias, bias_time, longest_gap))
