"""Time lost against the computed lap, by segment, with its uncertainty, and its split into line and speed.

What a driven line costs at best is the lap without habits on it, less the same on the reference line.  Both are driven
by the one driver model, with all of the grip and feet that take no time, so what the model's nodes are off by cancels.
What the driver does with the pedals is no part of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.arrays import ByValue
from linelab.diagnosis.driver_model import PLAIN, SIZE, Model, drive_laps, interval_times
from linelab.diagnosis.own_line import OwnLine, course_on, lap_offsets
from linelab.diagnosis.stretches import Segment
from linelab.measured import Measured, for_few, plus_minus, withheld
from linelab.model.grip import kart_numbers
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import time_at
from linelab.motion.estimate import DrivenLap
from linelab.units import Array

#: Lines drawn again for a session, least number, and of one lap at most: noise is the receiver's, so all serve all.
_DRAWN, _OF_ONE = 16, 8
#: Distance of nodes [m]: the tightest point of a hairpin is a few metres long.
NODES = 0.5


class LineCost(NamedTuple):
    """What one lap's line costs by segment (M,) [s]; K departures of it (K, M), as noise draws the line again [s]."""

    line: Array
    draws: Array
    s: Array  #: stations (N,) of the best possible speed [m]
    v: Array  #: and that speed (N,) [m/s]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineCosts:
    """What the lines of laps cost.

    Parameters
    ----------
    s : (N,) array
        Stations from the start to the finish [m].
    behind : (L, N) array
        Time since the start at best on each lap's line, behind the same on the reference line [s].
    drawn : (K, N) array
        Departures of such a time when noise draws the line again [s].
    v : (L, N) array
        Speeds at best on each lap's line [m/s].
    lap_times : (L,) array
        Lap times at best [s].
    """

    s: Array
    behind: Array
    drawn: Array
    v: Array
    lap_times: Array

    def of(self, lap: int, edges: Array) -> LineCost:
        """One lap's cost between successive stations (M + 1,) [m]."""
        return LineCost(self._between(self.behind, edges)[lap], self._between(self.drawn, edges), self.s, self.v[lap])

    def _between(self, clock: Array, edges: Array) -> Array:
        """What clocks (R, N) add between stations (R, M)."""
        read = np.array([np.interp(edges, self.s, row) for row in clock]).reshape(-1, edges.size)
        return np.asarray(np.diff(read, axis=1))


def line_costs(own: OwnLine, laps: Sequence[DrivenLap], *, grip: float = 1.0, entry: float = 100.0) -> LineCosts:
    """What the lines of laps cost against the reference line.

    Parameters
    ----------
    own : OwnLine
        Of the session that the laps belong to.
    laps : sequence of DrivenLap
    grip : float
        Factor on mu that the computed lap was solved for [-].
    entry : float
        Speed at the start of an open line at most [m/s].
    """
    track, kart = own.track, own.kart
    each = min(_OF_ONE, math.ceil(_DRAWN / len(laps)))
    lines, drawn = lap_offsets(own, laps, each)
    offsets = (own.reference, *lines, *drawn.reshape(-1, own.s.size))
    courses = [course_on(own, n, grip=grip, step=NODES) for n in offsets]
    model = Model(kart=kart_numbers(kart), engine_braking=kart.engine_braking)
    count, none = len(courses), np.zeros(0, dtype=np.intp)
    v = drive_laps(model, courses, none, np.zeros((count, 0, SIZE)), np.repeat(PLAIN[None], count, axis=0), entry=entry)
    h = np.array([course.h for course in courses]).T
    steps = interval_times(h, v, closed=track.closed)
    clock = np.concatenate([np.zeros((1, count)), np.cumsum(steps, axis=0)]).T
    s = courses[0].s
    if track.closed:
        s, v = np.append(s, s[0] + track.length), np.concatenate([v, v[:1]])
    behind = clock[1:] - clock[0]
    own_lines = behind[: len(laps)]
    again = behind[len(laps) :].reshape(len(laps), -1, s.size) - own_lines[:, None]
    return LineCosts(
        s=s, behind=own_lines, drawn=again.reshape(-1, s.size), v=v.T[1 : 1 + len(laps)],
        lap_times=clock[1 : 1 + len(laps), -1],
    )  # fmt: skip


#: Below this sampling rate a line has no curvature worth driving on, and a corner's phases are not separated [1/s].
LEAST_RATE = 4.0
#: A line part is withheld where it is less certain than this [s] and than this share of the larger part [-].
LARGEST, LARGEST_SHARE = 0.15, 0.75
#: What the driver model and the line it drives may be off by in one corner [s], as a share of what a corner's line
#: costs, and as a share that all corners have in common [-]: a receiver does not show a line's shortest waves, and how
#: much they cost differs from driver to driver.  Simulated drivers of two kinds show it.
LINE_ERROR, LINE_SHARE, LINE_COMMON = 0.012, 0.15, 0.12


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SegmentLosses(ByValue):
    """Losses of every segment (M,) [s] and what their uncertainties are made of.

    Parameters
    ----------
    segments : tuple of Segment
    loss : (M,) array
        Driven minus reference.
    draws : (K, M) array
        Departures of the loss in laps as likely as this one.
    shift : (M, 2) array
        Change of the loss for each metre of position bias east and north [s/m].
    drift : (M,) array
        Standard deviation from the drift of the bias during the segment [s].
    bias_sigma : float
        Standard deviation of the position bias per axis [m].
    of_reference : (M,) array
        Standard deviation of the reference's time, where that is not known exactly; one error for all of them [s].
    cost : LineCost or None
        What the line costs.
    split_reason : str
        Why there is no split.
    """

    segments: tuple[Segment, ...]
    loss: Array
    draws: Array
    shift: Array
    drift: Array
    bias_sigma: float
    of_reference: Array
    cost: LineCost | None = None
    split_reason: str = ""

    def total(self, chosen: Array) -> Measured:
        """Sum of the loss over the chosen segments (M,) bool."""
        if not chosen.any():
            return Measured(0.0, 0.0)
        return Measured(float(self.loss[chosen].sum()), float(np.hypot(self._noise(chosen), self._moved(chosen))))

    def _noise(self, chosen: Array) -> float:
        """Standard deviation of a sum from noise and from the reference's own error."""
        spread = float(np.std(self.draws[:, chosen].sum(axis=1))) if self.draws.size else 0.0
        return float(np.hypot(spread, self.of_reference[chosen].sum()))

    def _moved(self, chosen: Array) -> float:
        """The same from the bias: a displaced lap passes the ends of a stretch earlier or later."""
        constant = self.bias_sigma * float(np.hypot(*self.shift[chosen].sum(axis=0)))
        return float(np.sqrt(constant**2 + np.sum(self.drift[chosen] ** 2)))

    def split(self, chosen: Array) -> tuple[Measured, Measured]:
        """Line part and speed part over the chosen segments; both withheld where there is no split.

        A displaced line passes the ends of the stretch earlier or later, driven and at best alike: that is in the line
        part and not in the speed part.
        """
        if self.cost is None:
            return withheld(self.split_reason), withheld(self.split_reason)
        if not chosen.any():
            return Measured(0.0, 0.0), Measured(0.0, 0.0)
        line = float(self.cost.line[chosen].sum())
        speed = float(self.loss[chosen].sum()) - line
        owners = np.array([segment.corner for segment in self.segments])
        each = np.array([self.cost.line[chosen & (owners == corner)].sum() for corner in np.unique(owners[chosen])])
        noise = self.cost.draws[:, chosen].sum(axis=1)
        few = for_few(noise.size - 1) if noise.size > 1 else 1.0
        # The estimated line is itself one noisy line: what noise does on average may already be in it.
        drawn = few * float(np.hypot(np.std(noise), np.mean(noise))) if noise.size else 0.0
        apart, together = (LINE_ERROR**2 + (LINE_SHARE * each) ** 2).sum(), (LINE_COMMON * np.abs(each).sum()) ** 2
        model = float(np.sqrt(apart + together))
        own = float(np.hypot(drawn, model)) if each.any() else 0.0
        sigma = float(np.hypot(own, self._moved(chosen)))
        if sigma > max(LARGEST * each.size**0.5, LARGEST_SHARE * max(abs(line), abs(speed))):
            reason = f"line uncertain: line and speed part only known within {plus_minus(sigma, 2)} s"
            return withheld(reason), withheld(reason)
        return Measured(line, sigma), Measured(speed, float(np.hypot(own, self._noise(chosen))))


def rates_note(kart: Kart) -> str:
    """What a driver's limited rates do to the split; empty where there are none.

    A profile within the rates, with the line given, is known to some hundredths of a second only, and takes longer than
    everything else of a review: the best possible on the driven line is without them.
    """
    if not kart.driver.limits_force_rates:
        return ""
    return (
        "the kart file limits how quickly the driver builds up brake or power: the computed lap keeps to these limits, "
        "the best speed on the driven line is computed without them, so what they cost counts as speed, not as line"
    )


def segment_edges(segments: tuple[Segment, ...]) -> Array:
    """Stations where adjoining segments begin and the last one ends (M + 1,) [m]."""
    return np.array([segment.s_start for segment in segments] + [segments[-1].s_end])


def segment_losses(
    segments: tuple[Segment, ...],
    reference: Lap,
    driven: DrivenLap,
    heading: Array,
    *,
    reference_sigma: float = 0.0,
    reference_bias: float = 0.0,
    cost: LineCost | None = None,
    reason: str = "",
) -> SegmentLosses:
    """Time lost in each segment.

    Parameters
    ----------
    segments : tuple of Segment
        Adjoining, from the first to the last station of both laps.
    reference : Lap
    driven : DrivenLap
    heading : (M + 1,) array
        Yaw angle of the reference line at the segments' ends [rad].
    reference_sigma : float
        Standard deviation of the reference's lap time, shared out by time [s].
    reference_bias : float
        Standard deviation per axis of the position error of a reference from another recording [m].
    cost : LineCost, optional
        What the line costs; ``reason`` says why it is not given.
    """
    edges = segment_edges(segments)
    lap = driven.lap
    clock, own = time_at(reference.line.s, reference.t, edges), time_at(lap.line.s, lap.t, edges)
    drawn = np.array([np.interp(edges, lap.line.s, row) for row in driven.draws_t]).reshape(-1, edges.size)
    v = np.maximum(np.interp(edges, lap.line.s, lap.v), 1.0)
    pace = np.column_stack([np.cos(heading), np.sin(heading)]) / v[:, None]
    mean = np.diff(edges) / np.maximum(np.diff(own), 1e-9)
    drift = np.array([driven.bias.change(span) for span in np.diff(own)]) / np.maximum(mean, 1.0)
    return SegmentLosses(
        segments=segments, loss=np.diff(own) - np.diff(clock), draws=np.diff(drawn, axis=1),
        shift=np.diff(pace, axis=0), drift=drift,
        bias_sigma=math.hypot(driven.bias.sigma, reference_bias),
        of_reference=reference_sigma * np.diff(clock) / max(reference.lap_time, 1e-9), cost=cost, split_reason=reason,
    )  # fmt: skip
