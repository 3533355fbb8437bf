"""A driven lap: the recorded lap as a line with a speed, each with its standard deviation, on the track."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from linelab.comparison.align import Placement, place_motion
from linelab.comparison.laps import ASSUMED_BIAS, BIAS_TIME, RecordedLap
from linelab.comparison.noise import drift
from linelab.comparison.sensors import Sensors, read_sensors, shift_speed
from linelab.comparison.smoother import smooth
from linelab.errors import RecordingError
from linelab.geometry.curve import curve_at
from linelab.lap import Lap, Limit, Line
from linelab.track import Track, along
from linelab.units import Array
from linelab.values import freeze_fields, frozen_array, set_field

#: Spacing of a driven lap's nodes [m].
SPACING = 1.0
#: Time on either side of the lap that is smoothed with it [s].
PAD = 4.0


@dataclass(frozen=True, kw_only=True, slots=True)
class PositionBias:
    """The slowly drifting error of a receiver's positions.

    Parameters
    ----------
    sigma : float
        Standard deviation per axis [m].
    time : float
        Correlation time [s].
    relative : bool
        True where the corridor was made from the same recording: what all laps share cancels, and ``sigma`` is the part
        in which laps differ.
    note : str
        Where the figure comes from.
    """

    sigma: float = ASSUMED_BIAS
    time: float = BIAS_TIME
    relative: bool = False
    note: str = "assumed for a consumer receiver"

    def change(self, span: float) -> float:
        """Standard deviation of its change over a time span [s], per axis [m]."""
        return drift(self.sigma, self.time, span)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DrivenLap:
    """A driven lap with its uncertainty.

    The nodes lie at stations about SPACING apart, from the start line to the finish.  ``draws_*`` are laps as likely as
    the samples allow, as departures from ``lap``: the spread of any figure over them is its standard deviation.  The
    position bias is not in them; it is the same for a whole corner and enters each figure by its own rule.

    Parameters
    ----------
    lap : Lap
    sigma_v : (N,) array
        Speed [m/s], with the disagreement of the speed channel.
    sigma_n, sigma_s : (N,) array
        Across and along the track, without bias [m].
    sigma_kappa : (N,) array
        Curvature [1/m].
    draws_t, draws_v, draws_n, draws_kappa : (K, N) array
        Departures of the time of passing, speed, offset and curvature at the nodes' stations.
    sensors : Sensors
    bias : PositionBias
    lap_time_sigma : float
        Of the lap time, drift of the bias included [s].
    notes : tuple of str
    """

    lap: Lap
    sigma_v: Array
    sigma_n: Array
    sigma_s: Array
    sigma_kappa: Array
    draws_t: Array
    draws_v: Array
    draws_n: Array
    draws_kappa: Array
    sensors: Sensors
    bias: PositionBias
    lap_time_sigma: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        size = self.lap.t.size
        freeze_fields(self, ("sigma_v", "sigma_n", "sigma_s", "sigma_kappa"), size)
        for name in ("draws_t", "draws_v", "draws_n", "draws_kappa"):
            set_field(self, name, frozen_array("DrivenLap", name, getattr(self, name), shape=(None, size)))

    @property
    def rate(self) -> float:
        """Samples a second of the recording [1/s]."""
        return self.sensors.rate


def estimate_lap(
    track: Track,
    lap: RecordedLap,
    *,
    sensors: Sensors | None = None,
    bias: PositionBias | None = None,
    spacing: float = SPACING,
    draws: int = 40,
    seed: int = 1,
) -> DrivenLap:
    """Estimate the line and the speed of a recorded lap.

    Parameters
    ----------
    track : Track
    lap : RecordedLap
        A complete or aborted lap of :func:`linelab.comparison.laps.split_laps`.
    sensors : Sensors, optional
        Of the session (``read_sensors(lap.samples)``): give them when several laps are estimated.
    bias : PositionBias, optional
        Assumed for a consumer receiver when not given.
    spacing : float
        Distance between nodes [m].
    draws : int
        Number of draws for the uncertainties.
    seed : int
        The draws are the same for the same seed.

    Raises
    ------
    RecordingError
        An out, in or incomplete lap; a lap that cannot be followed round the track.
    """
    if lap.status not in ("complete", "aborted"):
        raise RecordingError(
            f"{lap.label} is {lap.status}: {lap.reason}", where=lap.samples.source, remedy="Choose a complete lap"
        )
    facts = sensors or read_sensors(lap.samples)
    error = bias or PositionBias()
    part = shift_speed(lap.samples.between(lap.t_start - PAD, lap.t_end + PAD), facts.speed_lag)
    motion = smooth(
        part,
        position_sigma=facts.position_sigma,
        speed_sigma=facts.speed_sigma or 1.0,
        jerk=facts.jerk,
        draws=draws,
        seed=seed,
    )
    placed = place_motion(track, motion, lap, spacing)
    notes = list(facts.notes)
    if motion.outliers:
        notes.append(f"{motion.outliers} positions far off the smoothed line weigh less")
    if lap.status == "aborted":
        notes.append(f"{lap.label}: {lap.reason}")
    return _driven(track, lap, placed, facts, error, tuple(notes))


def _driven(
    track: Track, lap: RecordedLap, placed: Placement, facts: Sensors, bias: PositionBias, notes: tuple[str, ...]
) -> DrivenLap:
    """Assemble the lap and its uncertainties."""
    driven = _lap(track, placed, lap.label)
    pace = placed.v * np.cos(placed.xi) / placed.stretch
    time = -placed.draws_s / pace
    v = placed.draws_v + placed.ax * time
    n = placed.draws_n + placed.v * np.sin(placed.xi) * time
    # The speed channel's own error does not average out over a corner, so it is added to the spread of the draws.
    floor = facts.speed_sigma or 0.0
    ends = np.std(time[:, -1] - time[:, 0]) if time.size else 0.0
    slow = max(float(min(placed.v[0], placed.v[-1])), 1.0)
    return DrivenLap(
        lap=driven,
        sigma_v=np.hypot(np.std(v, axis=0), np.hypot(floor, placed.ax * facts.speed_lag_sigma)),
        sigma_n=np.std(n, axis=0),
        sigma_s=np.std(placed.draws_s, axis=0),
        sigma_kappa=np.std(placed.draws_kappa, axis=0),
        draws_t=time,
        draws_v=v,
        draws_n=n,
        draws_kappa=placed.draws_kappa,
        sensors=facts,
        bias=bias,
        lap_time_sigma=math.hypot(float(ends), bias.change(driven.lap_time) / slow),
        notes=notes,
    )


def _lap(track: Track, placed: Placement, label: str) -> Lap:
    """The line with the track's surface under it, and the clock."""
    turn = np.diff(placed.psi)
    chord = np.hypot(np.diff(placed.x), np.diff(placed.y))
    # An arc is longer than its chord by (turn/2)/sin(turn/2).
    distance = np.concatenate(
        [[0.0], np.cumsum(np.maximum(chord, 1e-6) / np.sinc(np.clip(turn, -3.0, 3.0) / (2.0 * np.pi)))]
    )
    slope, bank = along(track, track.slope, placed.s), along(track, track.bank, placed.s)
    cos, sin = np.cos(placed.xi), np.sin(placed.xi)
    path_slope = slope * cos - bank * sin
    line = Line(
        distance=distance,
        x=placed.x,
        y=placed.y,
        psi=placed.psi,
        kappa=placed.kappa,
        s=placed.s,
        n=placed.n,
        slope=path_slope,
        bank=bank * cos + slope * sin,
        vertical_curvature=np.gradient(path_slope, distance),
        grip=np.ones_like(distance),
        closed=False,
    )
    return Lap(
        line=line,
        t=placed.t - placed.t[0],
        v=placed.v,
        ax=placed.ax,
        limited_by=np.full(distance.size, Limit.NONE),
        label=label,
    )


def without_uncertainty(lap: Lap) -> DrivenLap:
    """A computed lap in place of a driven one: every standard deviation is zero."""
    zero, none = np.zeros(lap.t.size), np.empty((0, lap.t.size))
    return DrivenLap(
        lap=lap, sigma_v=zero, sigma_n=zero, sigma_s=zero, sigma_kappa=zero, draws_t=none, draws_v=none, draws_n=none,
        draws_kappa=none, sensors=Sensors(rate=math.inf, position_sigma=0.0, speed_sigma=0.0, jerk=0.0),
        bias=PositionBias(sigma=0.0, note="none: a computed lap"), lap_time_sigma=0.0,
        notes=("the lap is computed, not recorded: no uncertainty",),
    )  # fmt: skip


def with_bias(lap: DrivenLap, bias: PositionBias) -> DrivenLap:
    """The same lap under another position bias."""
    slow = max(float(min(lap.lap.v[0], lap.lap.v[-1])), 1.0)
    ends = float(np.std(lap.draws_t[:, -1] - lap.draws_t[:, 0])) if lap.draws_t.size else 0.0
    return replace(lap, bias=bias, lap_time_sigma=math.hypot(ends, bias.change(lap.lap.lap_time) / slow))


def track_heading(track: Track, s: Array) -> Array:
    """Yaw angle of the reference line at stations (N,) [rad]."""
    return np.asarray(curve_at(track.reference, s).psi)
