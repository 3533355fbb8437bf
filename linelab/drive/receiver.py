"""A virtual receiver: what a satellite receiver on a kart would log of a simulated session, errors included."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.drive.motion import Motion, SimulatedSession
from linelab.errors import InputError
from linelab.files.projection import LocalPlane, to_lonlat
from linelab.model.lap import Recording
from linelab.units import STANDARD_GRAVITY, Array

#: Courses are no better than the speed noise across over this least speed [m/s].
SLOW = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Inertial:
    """An accelerometer and a yaw-rate sensor, logged with the positions.

    Parameters
    ----------
    mounting : float
        Angle from the kart's axis to the sensor's, anticlockwise [rad].
    accel_noise, yaw_noise : float
        White noise [m/s²], [rad/s].
    accel_offset : (float, float)
        Constant error of the forward and the left acceleration, in the sensor's axes [m/s²].
    yaw_offset : float
        [rad/s].
    """

    mounting: float = 0.0
    accel_noise: float = 0.3
    yaw_noise: float = 0.02
    accel_offset: tuple[float, float] = (0.0, 0.0)
    yaw_offset: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Receiver:
    """How a receiver sees the motion.

    Parameters
    ----------
    rate : float
        Samples a second [1/s].
    white : float
        White noise of positions per axis [m].
    bias, bias_time : float
        Standard deviation per axis [m] and correlation time [s] of the slowly drifting error (Ornstein-Uhlenbeck).
    speed_noise : float
        White noise of the Doppler speed [m/s].
    course_noise : float
        White noise of the course [rad]; at low speed it grows as ``speed_noise``/v.
    latency : float
        How far speed and course run behind the positions [s].
    derived_over : float
        Time over which speed and course are worked out from the logged positions [s], at least one sample; 0 for a
        Doppler speed.  Such a speed runs half that time late, and its chords cut bends short.
    with_speed, with_course : bool
        Whether those channels are logged.
    dropouts, dropout_time : float
        Gaps per second [1/s] and their mean length [s].
    position_step, speed_step, time_step : float
        Rounding of what is logged [m], [m/s], [s]; 0 for none.
    antenna : (float, float)
        Where the antenna sits, ahead and to the left of the point whose line is driven [m].
    inertial : Inertial or None
    """

    rate: float = 10.0
    white: float = 0.1
    bias: float = 1.0
    bias_time: float = 300.0
    speed_noise: float = 0.06
    course_noise: float = 0.01
    latency: float = 0.0
    derived_over: float = 0.0
    with_speed: bool = True
    with_course: bool = True
    dropouts: float = 0.0
    dropout_time: float = 0.5
    position_step: float = 0.0
    speed_step: float = 0.0
    time_step: float = 0.0
    antenna: tuple[float, float] = (0.0, 0.0)
    inertial: Inertial | None = None

    def __post_init__(self) -> None:
        if not 0.5 <= self.rate <= 1000.0:
            raise InputError(f"{self.rate} samples a second is outside 0.5 to 1000", where="Receiver.rate")
        if not self.bias_time > 0.0:
            raise InputError(f"a correlation time of {self.bias_time} s is not positive", where="Receiver.bias_time")
        names = ("white", "bias", "speed_noise", "course_noise", "latency", "derived_over", "dropouts", "dropout_time")
        for name in (*names, "position_step", "speed_step", "time_step"):
            if not getattr(self, name) >= 0.0:
                raise InputError(f"{getattr(self, name)} is negative", where=f"Receiver.{name}")


def record(session: SimulatedSession, receiver: Receiver, *, seed: int = 0) -> Recording:
    """Log a session.

    The recording has longitude and latitude where the track is georeferenced, else local metres, and SI units.  The
    clock starts at the session's beginning, at a random fraction of a sample.

    Parameters
    ----------
    session : SimulatedSession
    receiver : Receiver
    seed : int
        The same seed gives the same errors.
    """
    rng = np.random.default_rng(seed)
    step = 1.0 / receiver.rate
    t = np.arange(receiver.latency + rng.uniform(0.0, step), session.duration, step)
    motion = session.at(t)
    x, y = _positions(motion, receiver, t, rng)
    speed, course = _velocity(session.at(t - receiver.latency), receiver, rng)
    if receiver.derived_over > 0.0:
        speed, course = _by_positions(x, y, receiver)
    channels: dict[str, Array] = {}
    if receiver.with_course:
        channels["course"] = np.mod(0.5 * math.pi - course, 2.0 * math.pi)
    if receiver.inertial is not None:
        channels |= _inertial(motion, receiver.inertial, rng)
    kept = _kept(t, receiver, rng)
    clock = _stepped(t - t[0], receiver.time_step)[kept]
    lon, lat, east, north = _places(session, x[kept], y[kept])
    return Recording(
        t=clock - clock[0],
        speed=_stepped(np.maximum(speed, 0.0), receiver.speed_step)[kept] if receiver.with_speed else None,
        channels={name: values[kept] for name, values in channels.items()},
        source="simulated session",
        notes=("simulated: an invented driver and an invented receiver",),
        lon=lon,
        lat=lat,
        x=east,
        y=north,
    )


def drifting(t: Array, sigma: float, time: float, rng: np.random.Generator) -> Array:
    """Ornstein-Uhlenbeck process at even times (N,): stationary, exact at the samples whatever their step."""
    from scipy.signal import lfilter

    if t.size < 2:
        return sigma * rng.standard_normal(t.size)
    keep = math.exp(-float(t[1] - t[0]) / time)
    kicks = sigma * math.sqrt(1.0 - keep * keep) * rng.standard_normal(t.size)
    kicks[0] = sigma * rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], kicks))


def _positions(motion: Motion, receiver: Receiver, t: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Logged positions of the antenna."""
    ahead, left = receiver.antenna
    yaw = motion.psi + motion.slip
    x = motion.x + ahead * np.cos(yaw) - left * np.sin(yaw)
    y = motion.y + ahead * np.sin(yaw) + left * np.cos(yaw)
    found = []
    for axis in (x, y):
        error = drifting(t, receiver.bias, receiver.bias_time, rng) + receiver.white * rng.standard_normal(t.size)
        found.append(_stepped(axis + error, receiver.position_step))
    return found[0], found[1]


def _velocity(motion: Motion, receiver: Receiver, rng: np.random.Generator) -> tuple[Array, Array]:
    """Doppler speed and direction of travel of the antenna, which a turning kart carries round."""
    ahead, left = receiver.antenna
    yaw = motion.psi + motion.slip
    vx = motion.v * np.cos(motion.psi) + motion.yaw_rate * (-ahead * np.sin(yaw) - left * np.cos(yaw))
    vy = motion.v * np.sin(motion.psi) + motion.yaw_rate * (ahead * np.cos(yaw) - left * np.sin(yaw))
    v = np.hypot(vx, vy)
    across = np.hypot(receiver.course_noise, receiver.speed_noise / np.maximum(v, SLOW))
    speed = v + receiver.speed_noise * rng.standard_normal(v.size)
    return speed, np.arctan2(vy, vx) + across * rng.standard_normal(v.size)


def _by_positions(x: Array, y: Array, receiver: Receiver) -> tuple[Array, Array]:
    """Speed and direction from an earlier logged position to each one."""
    back = max(round(receiver.derived_over * receiver.rate), 1)
    index = np.arange(x.size)
    since = np.maximum(index - back, 0)
    since[0], index[0] = 0, 1  # the first sample has none before it
    dx, dy = x[index] - x[since], y[index] - y[since]
    return np.hypot(dx, dy) * receiver.rate / (index - since), np.arctan2(dy, dx)


def _inertial(motion: Motion, sensor: Inertial, rng: np.random.Generator) -> dict[str, Array]:
    """Specific force in the sensor's axes, and yaw rate; gravity shows where the track slopes."""
    g = STANDARD_GRAVITY
    along = motion.ax + g * np.sin(motion.slope)
    across = motion.v**2 * motion.kappa * np.cos(motion.bank) - g * np.sin(motion.bank)
    turn = motion.slip + sensor.mounting
    ax = along * np.cos(turn) + across * np.sin(turn) + sensor.accel_offset[0]
    ay = -along * np.sin(turn) + across * np.cos(turn) + sensor.accel_offset[1]
    noise = rng.standard_normal((3, motion.v.size))
    return {
        "ax": ax + sensor.accel_noise * noise[0],
        "ay": ay + sensor.accel_noise * noise[1],
        "yaw_rate": motion.yaw_rate + sensor.yaw_offset + sensor.yaw_noise * noise[2],
    }


def _kept(t: Array, receiver: Receiver, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Which samples are logged: gaps begin at random, and last an exponentially distributed time."""
    kept = np.ones(t.size, dtype=bool)
    for _ in range(rng.poisson(receiver.dropouts * (t[-1] - t[0]))):
        start = rng.uniform(t[0], t[-1])
        kept &= (t < start) | (t > start + rng.exponential(receiver.dropout_time))
    return kept


def _stepped(values: Array, step: float) -> Array:
    """Values rounded to a step."""
    return np.asarray(np.round(values / step) * step) if step > 0.0 else values


def _places(session: SimulatedSession, x: Array, y: Array) -> tuple[Array | None, ...]:
    """Longitude and latitude, or x and y, as the track has them; None for the others."""
    track = session.track
    if not track.georeferenced:
        return None, None, x, y
    lon, lat = to_lonlat(LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1]), x, y)
    return lon, lat, None, None
