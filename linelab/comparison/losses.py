"""Time lost against the reference lap, by segment, with its uncertainty, and its split into line and speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linelab.comparison.estimate import DrivenLap
from linelab.comparison.measured import Measured, withheld
from linelab.comparison.segments import Segment, time_at
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.solve.speed import speed_profiles
from linelab.units import Array

#: Below this sampling rate a line has no curvature worth driving on, and a corner's phases are not told apart [1/s].
LEAST_RATE = 4.0
#: Draws of the driven line whose best possible times are compared.
_LINES = 12


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SegmentLosses:
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
    line, speed : (M,) array or None
        The split: best possible on the driven line minus reference; driven minus best possible.
    line_draws : (K, M) array or None
        Departures of the line part when the line is drawn again within its uncertainty.
    split_reason : str
        Why there is no split.
    best : Lap or None
        The best possible on the driven line.
    """

    segments: tuple[Segment, ...]
    loss: Array
    draws: Array
    shift: Array
    drift: Array
    bias_sigma: float
    line: Array | None = None
    speed: Array | None = None
    line_draws: Array | None = None
    split_reason: str = ""
    best: Lap | None = None

    def total(self, chosen: Array) -> Measured:
        """Sum of the loss over the chosen segments (M,) bool."""
        if not chosen.any():
            return Measured(0.0, 0.0)
        return Measured(float(self.loss[chosen].sum()), self._sigma(chosen, self.draws))

    def _sigma(self, chosen: Array, draws: Array) -> float:
        """Standard deviation of a sum: draws, constant bias and drift are independent."""
        spread = float(np.std(draws[:, chosen].sum(axis=1))) if draws.size else 0.0
        constant = self.bias_sigma * float(np.hypot(*self.shift[chosen].sum(axis=0)))
        return float(np.sqrt(spread**2 + constant**2 + np.sum(self.drift[chosen] ** 2)))

    def split(self, chosen: Array) -> tuple[Measured, Measured]:
        """Line part and speed part over the chosen segments; both withheld where there is no split."""
        if self.line is None or self.speed is None or self.line_draws is None:
            return withheld(self.split_reason), withheld(self.split_reason)
        if not chosen.any():
            return Measured(0.0, 0.0), Measured(0.0, 0.0)
        noise = self.line_draws[:, chosen].sum(axis=1)
        # The estimated line is itself one noisy line: what noise does on average may already be in it.
        own = float(np.hypot(np.std(noise), np.mean(noise))) if noise.size else 0.0
        # A displaced line passes the ends of the stretch earlier or later, driven and at best: in the line part only.
        sigma = float(np.hypot(own, self._sigma(chosen, self.draws[:0])))
        spread = float(np.std(self.draws[:, chosen].sum(axis=1))) if self.draws.size else 0.0
        line, speed = float(self.line[chosen].sum()), float(self.speed[chosen].sum())
        corners = len({segment.corner for segment, taken in zip(self.segments, chosen) if taken})
        limit = max(0.15 * corners**0.5, 0.75 * max(abs(line), abs(speed)))
        if sigma > limit:
            reason = f"line uncertain: line and speed part only known within ±{sigma:.2f} s"
            return withheld(reason), withheld(reason)
        return Measured(line, sigma), Measured(speed, float(np.hypot(own, spread)))


def rates_note(kart: Kart) -> str:
    """What a driver's limited rates do to the split; empty where there are none.

    A profile within the rates, with the line given, is known to some hundredths of a second only, and takes longer than
    everything else of a review: the best possible on a driven line is without them.
    """
    if not kart.driver.limits_force_rates:
        return ""
    return (
        "the kart file limits how quickly the driver builds up brake or power: the ideal lap keeps to that, the best "
        "possible on the driven line does not, so what these rates cost there counts as speed and not as line"
    )


def segment_losses(
    segments: tuple[Segment, ...],
    reference: Lap,
    driven: DrivenLap,
    heading: Array,
    kart: Kart | None,
    *,
    grip: float = 1.0,
    best: Sequence[Lap] = (),
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
    kart : Kart or None
        For the split; None for no split.
    grip : float
        Factor on mu that the reference lap was solved for [-].
    best : sequence of Lap
        Best possible on the driven line, then on some of its draws, where they are known already.
    """
    edges = np.array([segment.s_start for segment in segments] + [segments[-1].s_end])
    lap = driven.lap
    clock, own = time_at(reference.line.s, reference.t, edges), time_at(lap.line.s, lap.t, edges)
    loss = np.diff(own) - np.diff(clock)
    drawn = np.array([np.interp(edges, lap.line.s, row) for row in driven.draws_t]).reshape(-1, edges.size)
    v = np.maximum(np.interp(edges, lap.line.s, lap.v), 1.0)
    pace = np.column_stack([np.cos(heading), np.sin(heading)]) / v[:, None]
    mean = np.diff(edges) / np.maximum(np.diff(own), 1e-9)
    drift = np.array([driven.bias.change(span) for span in np.diff(own)]) / np.maximum(mean, 1.0)
    losses = SegmentLosses(
        segments=segments, loss=loss, draws=np.diff(drawn, axis=1), shift=np.diff(pace, axis=0), drift=drift,
        bias_sigma=driven.bias.sigma,
    )  # fmt: skip
    if driven.rate < LEAST_RATE:
        return replace(losses, split_reason=f"{driven.rate:.1f} samples a second: the line has no usable curvature")
    if best:
        return _with_split(losses, edges, clock, own, best)
    if kart is None:
        return replace(losses, split_reason="no kart given")
    return _with_split(losses, edges, clock, own, _best_possible(reference, driven, kart, grip))


def _best_possible(reference: Lap, driven: DrivenLap, kart: Kart, grip: float) -> Sequence[Lap]:
    """The best possible on the driven line, and on some of its draws."""
    # Entered at a given speed, a computed lap's closed line too.
    line = replace(driven.lap.line, closed=False, grip=driven.lap.line.grip * grip)
    lines = [line] + [replace(line, kappa=line.kappa + row) for row in driven.draws_kappa[:_LINES]]
    # Entering the lap no faster than the reference does (or the driver did) keeps the best possible lap a flying lap.
    entry = float(max(reference.v[0], driven.lap.v[0]))
    return speed_profiles(lines, kart, v_start=entry, label=f"best on {driven.lap.label}")


def _with_split(losses: SegmentLosses, edges: Array, clock: Array, own: Array, laps: Sequence[Lap]) -> SegmentLosses:
    """Add the line and speed parts: ``driven - reference = (best - reference) + (driven - best)``."""
    times = np.array([time_at(lap.line.s, lap.t, edges) for lap in laps])
    best = times[0]
    return replace(
        losses,
        line=np.diff(best) - np.diff(clock),
        speed=np.diff(own) - np.diff(best),
        line_draws=np.diff(times[1:] - best, axis=1),
        best=laps[0],
    )
