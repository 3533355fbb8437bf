"""A driven lap: the recorded lap as a line with a speed on the track, each with its standard deviation.

The motion is smoothed in windows of whole laps, placed on the track, and given the track's surface.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from linelab.arrays import ByValue, data_frame, freeze, freeze_fields, frozen_array, set_field
from linelab.errors import RecordingError, check_kinds, on_one_line
from linelab.geometry.curve import curve_at
from linelab.measured import plus_minus
from linelab.model.lap import Lap, Limit, Line, lap_columns
from linelab.model.track import Track
from linelab.motion.align import Guide, Placement, place_laps
from linelab.motion.channels import Known, PositionBias, Sensors, assumed_bias, smooth_session
from linelab.motion.sensors import read_sensors
from linelab.motion.smoother import Motion
from linelab.recorded.laps import RecordedLap
from linelab.speed.lines import path_beside, surface_with
from linelab.units import Array

if TYPE_CHECKING:
    from linelab.arrays import DataFrame

#: Time on either side of the laps that is smoothed with them [s].
PAD = 4.0
#: Laps within such a span are smoothed together [s].
_SPAN = 900.0


def smoothed_windows(
    laps: Sequence[RecordedLap], sensors: Sensors, *, draws: int = 0, seed: int = 1, iterations: int = 3,
    known: Known | None = None,
) -> Iterator[tuple[list[RecordedLap], Motion]]:  # fmt: skip
    """Runs of laps with the motion that covers them; time and memory grow with the number of laps.

    ``known`` as of :func:`linelab.motion.channels.smooth_session`.

    Raises
    ------
    RecordingError
        An out, in or incomplete lap.
    """
    for window in _windows(laps):
        span = window[0].t_start - PAD, window[-1].t_end + PAD
        yield (
            window,
            smooth_session(
                window[0].samples, sensors, *span, draws=draws, seed=seed, iterations=iterations, known=known
            ),
        )


def _windows(laps: Sequence[RecordedLap]) -> Iterator[list[RecordedLap]]:
    """Runs of laps that are smoothed together."""
    window: list[RecordedLap] = []
    for lap in laps:
        if lap.status not in ("complete", "aborted"):
            raise RecordingError(
                f"{lap.label} is {lap.status}: {lap.reason}", where=lap.samples.source, remedy="Choose a complete lap"
            )
        apart = window and (
            lap.samples is not window[0].samples
            or lap.t_start < window[-1].t_start
            or lap.t_end - window[0].t_start > _SPAN
            or lap.t_start - window[-1].t_end > 10.0 * PAD
        )
        if apart:
            yield window
            window = []
        window.append(lap)
    if window:
        yield window


def placed_lap(track: Track, placed: Placement, label: str) -> Lap:
    """The line with the track's surface under it, and the clock."""
    turn = np.diff(placed.psi)
    chord = np.hypot(np.diff(placed.x), np.diff(placed.y))
    # An arc is longer than its chord by (turn/2)/sin(turn/2).
    distance = np.concatenate(
        [[0.0], np.cumsum(np.maximum(chord, 1e-6) / np.sinc(np.clip(turn, -3.0, 3.0) / (2.0 * np.pi)))]
    )
    beside = path_beside(placed.kappa, placed.xi, placed.n, curve_at(track.reference, placed.s).kappa)
    surface = surface_with(track, placed.s, beside, np.ones_like(distance))
    line = Line(
        distance=distance,
        x=placed.x,
        y=placed.y,
        psi=placed.psi,
        kappa=placed.kappa,
        s=placed.s,
        n=placed.n,
        **surface._asdict(),
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


#: Spacing of a driven lap's nodes [m].
SPACING = 1.0
#: Up to this many laps each get draws of their own; of more, this many spread over the session do, and stand for all.
_MANY, _TYPICAL, _DRAWS = 40, 8, 40
_SIGMAS = ("sigma_t", "sigma_v", "sigma_ax", "sigma_n", "sigma_s", "sigma_kappa")
_DRAWN = ("draws_t", "draws_v", "draws_n", "draws_kappa")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DrivenLap(ByValue):
    """A driven lap with its uncertainty.

    The nodes lie at stations about SPACING apart, from the start line to the finish.  ``draws_*`` are laps as likely as
    the samples allow, as departures from ``lap``: the spread of any figure over them is its standard deviation.  The
    position bias is not in them; it is the same for a whole corner and enters each figure by its own rule.

    Parameters
    ----------
    lap : Lap
    sigma_t : (N,) array
        Time since the start of the lap, drift of the bias included [s].
    sigma_v, sigma_ax : (N,) array
        Speed [m/s]; longitudinal acceleration [m/s²].
    sigma_n, sigma_s : (N,) array
        Across and along the track, without bias [m].
    sigma_kappa : (N,) array
        Curvature [1/m].
    draws_t, draws_v, draws_n, draws_kappa : (K, N) array
        Departures of the time of passing, speed, offset and curvature at the nodes' stations.
    sensors : Sensors
    bias : PositionBias
    notes : tuple of str
    t_start : float
        When the lap started, in the recording's time [s].
    """

    lap: Lap
    sigma_t: Array
    sigma_v: Array
    sigma_ax: Array
    sigma_n: Array
    sigma_s: Array
    sigma_kappa: Array
    draws_t: Array
    draws_v: Array
    draws_n: Array
    draws_kappa: Array
    sensors: Sensors
    bias: PositionBias
    notes: tuple[str, ...] = ()
    t_start: float = 0.0

    def __post_init__(self) -> None:
        size = self.lap.t.size
        freeze_fields(self, _SIGMAS, size)
        for name in _DRAWN:
            set_field(self, name, frozen_array("DrivenLap", name, getattr(self, name), shape=(None, size)))

    @property
    def rate(self) -> float:
        """Samples a second of the recording [1/s]."""
        return self.sensors.rate

    def __repr__(self) -> str:
        name = on_one_line(self.lap.label)
        return f"DrivenLap {name!r}, {self.lap.lap_time:.3f} {plus_minus(self.lap_time_sigma, 3)} s"

    def row(self) -> dict[str, Any]:
        """The lap as a row of a table."""
        return {
            "lap": self.lap.label,
            "t_start_s": self.t_start,
            "lap_time_s": self.lap.lap_time,
            "lap_time_sigma_s": self.lap_time_sigma,
            "distance_m": self.lap.line.length,
            "v_min_mps": float(self.lap.v.min()),
            "v_max_mps": float(self.lap.v.max()),
        }

    def to_dataframe(self) -> DataFrame:
        """The lap as a table, one row a node, with standard deviations, units in the column names.

        Raises
        ------
        InputError
            pandas is not installed (``pip install linelab[tables]``).
        """
        sigmas = {"t_sigma_s": self.sigma_t, "v_sigma_mps": self.sigma_v, "n_sigma_m": self.sigma_n}
        return data_frame(lap_columns(self.lap) | sigmas)

    @property
    def lap_time_sigma(self) -> float:
        """Standard deviation of the lap time, drift of the bias included [s]."""
        return float(self.sigma_t[-1])


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
        A complete or aborted lap of :func:`linelab.split_laps`.
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

    Returns
    -------
    DrivenLap
        ``.lap`` is the lap, ``.sigma_v`` and its like are standard deviations.

    Raises
    ------
    RecordingError
        An out, in or incomplete lap; a lap that cannot be followed round the track.
    InputError
        Arguments of another type.

    References
    ----------
    Y. Bar-Shalom, X. R. Li & T. Kirubarajan, *Estimation with Applications to Tracking and Navigation*, Wiley, 2001,
    as in :mod:`linelab.motion.smoother`.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("ostrelle_sprint")
    >>> laps = linelab.split_laps(linelab.load_recording("ostrelle_practice"), track)
    >>> driven = linelab.estimate_lap(track, laps[3])
    >>> print(f"{driven.lap.lap_time:.1f} s, {3.6 * driven.lap.v.max():.0f} km/h at most")
    51.9 s, 114 km/h at most
    """
    check_kinds("estimate_lap", track=(track, Track), lap=(lap, RecordedLap))
    return estimate_laps(track, [lap], sensors=sensors, bias=bias, spacing=spacing, draws=draws, seed=seed)[0]


def estimate_laps(
    track: Track,
    laps: Sequence[RecordedLap],
    *,
    sensors: Sensors | None = None,
    bias: PositionBias | None = None,
    spacing: float = SPACING,
    draws: int | None = None,
    seed: int = 1,
    shifts: Array | None = None,
    known: Known | None = None,
    refused: Callable[[RecordedLap, RecordingError], None] | None = None,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[DrivenLap, ...]:
    """Estimate the lines and speeds of many laps of one session.

    The session is smoothed in windows of a quarter of an hour, whole laps each, so that time and memory grow with the
    number of laps.

    Parameters
    ----------
    track : Track
    laps : sequence of RecordedLap
        Complete or aborted laps of :func:`linelab.split_laps`.
    sensors : Sensors, optional
        Of the session; read from the first lap's samples when not given.
    bias : PositionBias, optional
        Assumed for a consumer receiver when not given.
    spacing : float
        Distance between nodes [m].
    draws : int, optional
        Number of draws for the uncertainties of each lap.  When not given, up to 40 laps get 40 draws each; of more
        laps eight do, and their standard deviations and draws stand for all.
    seed : int
        The draws are the same for the same seed.
    shifts : (L, 2) array, optional
        Position bias to take off each lap, east and north [m]; see :mod:`linelab.motion.placing`.
    known : dict, optional
        Keeps what is solved, for another estimate of these laps with these sensors; not of more than 40 laps.
    refused : callable, optional
        Called with a lap that cannot be estimated and why, and the lap is left out; without it that is an error.
    progress : callable
        Called with the number of laps done and their total; an exception it raises ends the work.

    Raises
    ------
    RecordingError
        An out, in or incomplete lap; a lap that cannot be followed round the track.
    """
    if not laps:
        return ()
    facts = sensors or read_sensors(laps[0].samples)
    error = bias or assumed_bias(facts)
    typical: tuple[dict[str, Any], ...] = ()
    if draws is None and len(laps) > _MANY:
        some = [laps[int(k)] for k in np.linspace(0, len(laps) - 1, _TYPICAL)]
        typical = _typical(
            estimate_laps(
                track, some, sensors=facts, bias=error, spacing=spacing, draws=_DRAWS, refused=lambda *_: None
            )
        )
    count = 0 if typical else _DRAWS if draws is None else draws
    found: list[DrivenLap] = []
    guide: Guide | None = None
    done = 0
    turns, known = 2 if typical else 3, known if len(laps) <= _MANY else None
    for window, motion in smoothed_windows(laps, facts, draws=count, seed=seed, iterations=turns, known=known):
        taken = None if shifts is None else shifts[done : done + len(window)]
        placed, guide = place_laps(track, motion, window, spacing, guide, taken)
        for lap, placement in zip(window, placed):
            if not isinstance(placement, RecordingError):
                driven = _driven(track, lap, placement, facts, error, _notes(lap, facts, motion.outliers))
                found.append(replace(driven, **typical[len(found) % len(typical)]) if typical else driven)
            elif refused is None:
                raise placement
            else:
                refused(lap, placement)
        done += len(window)
        progress(done, len(laps))
    return tuple(found)


def _notes(lap: RecordedLap, facts: Sensors, outliers: Array) -> tuple[str, ...]:
    """What to know of one lap."""
    notes = list(facts.notes)
    count = int(((outliers >= lap.t_start) & (outliers <= lap.t_end)).sum())
    if count:
        those = "1 position" if count == 1 else f"{count} positions"
        notes.append(f"{lap.label}: {those} far off the smoothed line, given less weight")
    if lap.status == "aborted":
        notes.append(f"{lap.label}: {lap.reason}")
    return tuple(notes)


def _typical(laps: Sequence[DrivenLap]) -> tuple[dict[str, Any], ...]:
    """What stands for other laps: the root mean squares of some laps' standard deviations, with each lap's draws."""
    if not laps:
        raise RecordingError("none of the session's laps can be followed round the track")

    means = {name: freeze(np.sqrt(np.mean([getattr(lap, name) ** 2 for lap in laps], axis=0))) for name in _SIGMAS}
    return tuple(means | {name: getattr(lap, name) for name in _DRAWN} for lap in laps)


def _driven(
    track: Track,
    lap: RecordedLap,
    placed: Placement,
    facts: Sensors,
    bias: PositionBias,
    notes: tuple[str, ...],
) -> DrivenLap:
    """Assemble the lap and its uncertainties."""
    driven = placed_lap(track, placed, lap.label)
    pace = placed.v * np.cos(placed.xi) / placed.stretch
    time = -placed.draws_s / pace
    v = placed.draws_v + placed.ax * time
    n = placed.draws_n + placed.v * np.sin(placed.xi) * time
    return DrivenLap(
        lap=driven,
        sigma_t=_time_sigma(driven, time, bias),
        sigma_v=_spread(v),
        sigma_ax=_spread(placed.draws_ax),
        sigma_n=_spread(n),
        sigma_s=_spread(placed.draws_s),
        sigma_kappa=_spread(placed.draws_kappa),
        draws_t=time,
        draws_v=v,
        draws_n=n,
        draws_kappa=placed.draws_kappa,
        sensors=facts,
        bias=bias,
        notes=notes,
        t_start=float(placed.t[0]),
    )


def _spread(draws: Array) -> Array:
    """Standard deviation of draws (K, N); zeros without any."""
    return np.asarray(np.std(draws, axis=0)) if len(draws) else np.zeros(draws.shape[1])


def _time_sigma(lap: Lap, draws_t: Array, bias: PositionBias) -> Array:
    """Standard deviation of the time since the start: draws, and the drift of the bias at the speed there (N,) [s]."""
    drifted = bias.changes(lap.t - lap.t[0]) / np.maximum(lap.v, 1.0)
    return np.asarray(np.hypot(drifted, _spread(draws_t - draws_t[:, :1])))


def without_uncertainty(lap: Lap) -> DrivenLap:
    """A computed lap in place of a driven one: every standard deviation is zero."""
    zero, none = np.zeros(lap.t.size), np.empty((0, lap.t.size))
    return DrivenLap(
        lap=lap, sigma_t=zero, sigma_v=zero, sigma_ax=zero, sigma_n=zero, sigma_s=zero, sigma_kappa=zero, draws_t=none,
        draws_v=none, draws_n=none, draws_kappa=none,
        sensors=Sensors(rate=math.inf, position_sigma=0.0, speed_sigma=0.0, jerk=0.0),
        bias=PositionBias(sigma=0.0, note="none: a computed lap"),
        notes=("the lap is computed, not recorded: no uncertainty",),
    )  # fmt: skip


def with_bias(lap: DrivenLap, bias: PositionBias) -> DrivenLap:
    """The same lap under another position bias."""
    return replace(lap, bias=bias, sigma_t=_time_sigma(lap.lap, lap.draws_t, bias))


def track_heading(track: Track, s: Array) -> Array:
    """Yaw angle of the reference line at stations (N,) [rad]."""
    return np.asarray(curve_at(track.reference, s).psi)
