"""The slowly drifting error of a receiver's positions: assumed, or of a stated size."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linelab.comparison.channels import Sensors
from linelab.comparison.laps import ASSUMED_BIAS, BIAS_TIME
from linelab.comparison.noise import drift
from linelab.units import Array

#: Correlation time of an assumed bias at most [s]: errors stay alike for minutes, not for hours.
_SLOWEST_DRIFT = 4.0 * BIAS_TIME


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
    wander : float, optional
        Standard deviation per axis of the whole drifting error [m], where ``sigma`` is only what remains unknown of it
        on a lap that was placed on the track.
    """

    sigma: float = ASSUMED_BIAS
    time: float = BIAS_TIME
    relative: bool = False
    note: str = "assumed for a consumer receiver"
    wander: float | None = None

    def change(self, span: float) -> float:
        """Standard deviation of its change over a time span [s], per axis [m]."""
        return drift(self._whole, self.time, span)

    def changes(self, spans: Array) -> Array:
        """The same for many time spans (N,) [s]."""
        return np.asarray(self._whole * np.sqrt(-2.0 * np.expm1(-np.abs(spans) / self.time)))

    def about_mean(self, span: float) -> float:
        """Standard deviation of its wander about its mean over a time span short beside ``time`` [s], per axis [m].

        Derived: a random walk of variance ``2·sigma²·t/time`` strays from its own mean over T by a sixth of its
        variance at T, on average.
        """
        return self._whole * math.sqrt(span / (3.0 * self.time))

    @property
    def _whole(self) -> float:
        return self.sigma if self.wander is None else self.wander


def assumed_bias(sensors: Sensors) -> PositionBias:
    """The bias of a consumer receiver, drifting as fast as this recording's positions do.

    Not slower than _SLOWEST_DRIFT though: a filtered receiver's drift is too smooth for short stretches to show it.
    """
    time = min(sensors.drift_time, _SLOWEST_DRIFT)
    return PositionBias(time=time, note="size assumed for a consumer receiver, drift from the recording")


def stated_bias(sigma: float, sensors: Sensors) -> PositionBias:
    """A bias of a known size per axis [m], drifting as fast as this recording's positions do.

    Positions without a speed channel do not tell: then as receivers' do on average, whose correlation times lie between
    one minute and twenty; the mean of their rates is that of about half of BIAS_TIME.
    """
    time = 0.5 * BIAS_TIME if sensors.speed_sigma is None else sensors.drift_time * (sigma / ASSUMED_BIAS) ** 2
    return PositionBias(sigma=sigma, time=max(time, 1.0), note="size as stated for this receiver")
