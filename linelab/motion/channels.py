"""The channels of a recording on one clock, each with its noise, and the motion smoothed from them.

Also how the inertial sensors sit in the kart, and the slowly drifting error of the receiver's positions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from linelab.motion.align import kinematics
from linelab.motion.smoother import Model, Motion, Solved, smooth, solve
from linelab.motion.streams import ESTIMATED, TIMING, Channel, Streams
from linelab.recorded.laps import ASSUMED_BIAS, BIAS_TIME
from linelab.recorded.samples import Samples, drift
from linelab.units import Array

#: Only faster stretches are used [m/s], and at least this many samples.
_FAST, _LEAST = 5.0, 200
#: Errors that last about this long (slopes, a leaning frame) are what limits the sensor [s].
_LASTING = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class Mounting:
    """Where an inertial sensor points and what it adds.

    Parameters
    ----------
    angle : float
        From the kart's axis to the sensor's, anticlockwise [rad].
    ahead, left, yaw : float
        Constant errors in the sensor's axes [m/s²], [rad/s].
    accel_sigma, yaw_sigma : float
        Standard deviation of one sample, weighed for how long its errors last [m/s²], [rad/s]; infinite where
        the channel is missing or does not follow the motion.
    """

    angle: float = 0.0
    ahead: float = 0.0
    left: float = 0.0
    yaw: float = 0.0
    accel_sigma: float = math.inf
    yaw_sigma: float = math.inf

    def accelerations(self, ahead: Array, left: Array) -> tuple[Array, Array]:
        """Accelerations along and to the left of the kart's axis from the sensor's own (M,) [m/s²]."""
        u, w = ahead - self.ahead, left - self.left
        cos, sin = math.cos(self.angle), math.sin(self.angle)
        return u * cos - w * sin, u * sin + w * cos


def find_mounting(
    states: Array, step: float, ahead: Array | None, left: Array | None, yaw_rate: Array | None
) -> Mounting:
    """Hold an inertial sensor against a smoothed motion.

    Parameters
    ----------
    states : (M, 6) array
        The motion at the sensor's sample times.
    step : float
        Time between samples [s].
    ahead, left, yaw_rate : (M,) array or None
        The sensor's channels, gaps as NaN [m/s²], [rad/s].
    """
    v, _, along, kappa = kinematics(states)
    block = max(round(_LASTING / step), 1)
    fast = v > _FAST
    found: dict[str, float] = {}
    if ahead is not None and left is not None:
        own, true = ahead + 1j * left, along + 1j * v * v * kappa
        good = fast & np.isfinite(own)
        if good.sum() >= _LEAST:
            centred = true[good] - true[good].mean()
            gain = np.vdot(centred, own[good] - own[good].mean()) / np.vdot(centred, centred).real
            # A sensor that shows less than half or more than twice the motion's accelerations is something else.
            if 0.5 < abs(gain) < 2.0:
                turn = gain / abs(gain)
                offset = own[good].mean() - turn * true[good].mean()
                off = own[good] - turn * true[good] - offset
                found |= {"angle": -float(np.angle(gain)), "ahead": float(offset.real), "left": float(offset.imag)}
                found["accel_sigma"] = max(_lasting(off.real, block), _lasting(off.imag, block), 0.05)
    if yaw_rate is not None:
        good = fast & np.isfinite(yaw_rate)
        turning = (v * kappa)[good]
        if good.sum() >= _LEAST and np.corrcoef(turning, yaw_rate[good])[0, 1] > 0.5:
            offset = float(np.median(yaw_rate[good] - turning))
            found |= {"yaw": offset, "yaw_sigma": max(_lasting(yaw_rate[good] - turning - offset, block), 0.005)}
    return Mounting(**found)


def _lasting(off: Array, block: int) -> float:
    """Standard deviation of one sample of white noise as harmful as these residuals: that of block means, scaled up."""
    means = off[: off.size // block * block].reshape(-1, block).mean(axis=1)
    size = np.sqrt(block) * 1.4826 * float(np.median(np.abs(means - np.median(means))))
    return float(max(size, np.std(off) if block == 1 else 0.0))


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
        How the speed is smoothed beside the positions, see :class:`linelab.motion.streams.Channel` [s²].
    timing : tuple of tuple of float
        Root ``R`` of the covariance ``R·Rᵀ`` of :data:`linelab.motion.streams.TIMING`; empty where it is known.
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


#: What was solved with some sensors, by samples, times and iterations.
Known = dict[tuple[object, ...], Solved]


def smooth_session(
    samples: Samples,
    sensors: Sensors,
    start: float = -math.inf,
    end: float = math.inf,
    *,
    draws: int = 0,
    seed: int = 1,
    iterations: int = 3,
    known: Known | None = None,
) -> Motion:
    """The smoothed motion between two times [s]; see :func:`linelab.motion.smoother.smooth`.

    ``known`` keeps what was solved with these sensors, for the same stretch to be drawn from later.
    """
    streams = streams_of(samples, sensors, start, end)
    timing = np.array(sensors.timing) if sensors.timing else None
    key, solved = (id(samples), start, end, iterations), None
    if known is not None:
        solved = known[key] = known.get(key) or solve(streams, sensors.model, iterations=iterations)
    return smooth(
        streams, sensors.model, draws=draws, seed=seed, iterations=iterations, antenna=sensors.antenna, timing=timing,
        solved=solved,
    )  # fmt: skip


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
    shared : float
        Standard deviation per axis of the part of ``sigma`` that all laps of a recording have in common, once they were
        placed [m].
    """

    sigma: float = ASSUMED_BIAS
    time: float = BIAS_TIME
    relative: bool = False
    note: str = "assumed for a consumer receiver"
    wander: float | None = None
    shared: float = 0.0

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


def likely_bias(sensors: Sensors, stated: float | None) -> PositionBias:
    """The bias of a stated size per axis [m], or of a consumer receiver where none is stated."""
    return assumed_bias(sensors) if stated is None else stated_bias(stated, sensors)


def stated_bias(sigma: float, sensors: Sensors) -> PositionBias:
    """A bias of a known size per axis [m], drifting as fast as this recording's positions do.

    Positions without a speed channel do not show that: then as receivers' do on average.  Their correlation times lie
    between one minute and twenty; the mean of their rates is that of about half of BIAS_TIME.
    """
    time = 0.5 * BIAS_TIME if sensors.speed_sigma is None else sensors.drift_time * (sigma / ASSUMED_BIAS) ** 2
    return PositionBias(sigma=sigma, time=max(time, 1.0), note="size as stated for this receiver")
