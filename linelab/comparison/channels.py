"""The channels of a recording by one clock, each with its noise, and the motion smoothed from them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from linelab.comparison.inertial import Mounting
from linelab.comparison.laps import ASSUMED_BIAS, BIAS_TIME
from linelab.comparison.samples import Samples
from linelab.comparison.smoother import Model, Motion, smooth
from linelab.comparison.streams import ESTIMATED, TIMING, Channel, Streams
from linelab.units import Array


@dataclass(frozen=True, kw_only=True, slots=True)
class Sensors:
    """Noise and lag of a recording's channels.

    Parameters
    ----------
    rate : float
        Samples a second [1/s].
    position_sigma : float
        White noise of positions per axis, rounding included [m].
    speed_sigma : float or None
        White noise of the speed channel [m/s]; None without a usable channel.
    speed_wander : float
        Standard deviation of the speed channel's error that lasts for a second or two [m/s].
    speed_lag, course_lag, inertial_lag : float
        How far the speed channel, the course, and accelerations with yaw rate run behind the positions [s].
    speed_blur : float
        How the speed is smoothed beside the positions, see :class:`linelab.comparison.streams.Channel` [s²].
    timing : tuple of tuple of float
        Root ``R`` of the covariance ``R·Rᵀ`` of :data:`linelab.comparison.streams.TIMING`; empty where it is known.
    course_sigma : float or None
        White noise of the course [rad]; None without a usable channel.
    mounting : Mounting
        Of an accelerometer and a yaw-rate sensor.
    jerk : float
        Spectral density of the jerk under which the samples are most likely [m²/s⁵].
    drift_time : float
        Correlation time of a position bias of ASSUMED_BIAS that drifts as fast as this recording's does [s].
    drift_rounding : float
        Time over which the receiver's own filter rounds that drift [s].
    antenna : (float, float)
        Where the antenna sits, ahead and to the left of the point whose line is wanted [m].
    notes : tuple of str
    """

    rate: float
    position_sigma: float
    speed_sigma: float | None
    speed_wander: float = 0.0
    speed_lag: float = 0.0
    speed_blur: float = 0.0
    course_lag: float = 0.0
    inertial_lag: float = 0.0
    timing: tuple[tuple[float, ...], ...] = ()
    course_sigma: float | None = None
    mounting: Mounting = field(default_factory=Mounting)
    jerk: float
    drift_time: float = BIAS_TIME
    drift_rounding: float = 0.0
    antenna: tuple[float, float] = (0.0, 0.0)
    notes: tuple[str, ...] = ()

    @property
    def model(self) -> Model:
        """The smoother's model of motion and bias."""
        return Model(
            jerk=self.jerk, bias_sigma=ASSUMED_BIAS, bias_time=self.drift_time, bias_rounding=self.drift_rounding,
            speed_wander=self.speed_wander,
        )  # fmt: skip

    @property
    def channels(self) -> dict[str, str]:
        """The channels in use beside the positions, by the names that their timing goes by, and their titles."""
        inertial = math.isfinite(self.mounting.accel_sigma) or math.isfinite(self.mounting.yaw_sigma)
        used = {
            "speed": (self.speed_sigma is not None, "speed channel"),
            "course": (self.course_sigma is not None, "course"),
            "inertial": (inertial, "accelerometer"),
        }
        return {name: title for name, (used_here, title) in used.items() if used_here}

    def timed(self, values: Array, covariance: Array | None = None) -> Sensors:
        """With what is estimated of the channels' timing, and the covariance (P, P) of TIMING."""
        timing: tuple[tuple[float, ...], ...] = ()
        if covariance is not None:
            size, axes = np.linalg.eigh(covariance)
            timing = tuple(map(tuple, (axes * np.sqrt(np.maximum(size, 0.0))).tolist()))
        return replace(self, timing=timing, **dict(zip(ESTIMATED, values.tolist())))

    def exactly_timed(self) -> Sensors:
        """The same channels without lag, smoothing or doubt of them."""
        return self.timed(np.zeros(len(ESTIMATED)))

    def timing_sigma(self, name: str) -> float:
        """Standard deviation of one of TIMING [s or s²]."""
        return math.hypot(*self.timing[TIMING.index(name)]) if self.timing else 0.0


def streams_of(samples: Samples, sensors: Sensors, start: float = -math.inf, end: float = math.inf) -> Streams:
    """What was measured between two times [s], by the same clock and with each channel's noise."""
    part = slice(*(int(i) for i in np.searchsorted(samples.t, [start, end])))
    t = samples.t[part]

    def channel(values: Array, sigma: float | None, lag: float, blur: float = 0.0) -> Channel | None:
        if sigma is None or not math.isfinite(sigma):
            return None
        when = t - lag
        good = np.isfinite(values[part]) & (when >= t[0]) & (when <= t[-1])
        return Channel(when[good], values[part][good], sigma, blur) if good.any() else None

    more, mounting = samples.channels, sensors.mounting
    speed = channel(samples.speed, sensors.speed_sigma, sensors.speed_lag, sensors.speed_blur)
    course = None
    if "course" in more:
        course = channel(0.5 * math.pi - more["course"], sensors.course_sigma, sensors.course_lag)
    ahead = aside = yaw = None
    if "ax" in more and "ay" in more:
        both = mounting.accelerations(more["ax"], more["ay"])
        ahead, aside = (channel(values, mounting.accel_sigma, sensors.inertial_lag) for values in both)
    if "yaw_rate" in more:
        yaw = channel(more["yaw_rate"] - mounting.yaw, mounting.yaw_sigma, sensors.inertial_lag)
    return Streams(
        t=t, x=samples.x[part], y=samples.y[part], position_sigma=sensors.position_sigma,
        speed=speed, course=course, ahead=ahead, aside=aside, yaw_rate=yaw,
    )  # fmt: skip


def smooth_session(
    samples: Samples,
    sensors: Sensors,
    start: float = -math.inf,
    end: float = math.inf,
    *,
    draws: int = 0,
    seed: int = 1,
    iterations: int = 3,
) -> Motion:
    """The smoothed motion between two times [s]; see :func:`linelab.comparison.smoother.smooth`."""
    streams = streams_of(samples, sensors, start, end)
    timing = np.array(sensors.timing) if sensors.timing else None
    return smooth(
        streams, sensors.model, draws=draws, seed=seed, iterations=iterations, antenna=sensors.antenna, timing=timing
    )
