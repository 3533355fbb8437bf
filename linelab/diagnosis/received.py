"""A computed lap as the driver's receiver would have shown it.

An estimate rounds what is sharp, an onset of braking or the tightest point of a corner.  Comparing a driven lap with a
computed one would read that as the driver's doing.  So the computed lap is sampled as the receiver samples, and
estimated like a driven one: what the estimate does to both cancels in their difference.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from linelab.errors import LinelabError
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.motion.channels import Mounting, Sensors
from linelab.motion.estimate import DrivenLap, estimate_laps
from linelab.recorded.laps import RecordedLap
from linelab.recorded.samples import Samples
from linelab.units import Array

#: Time on either side of the lap that is sampled with it [s].
PAD = 4.0


def as_seen(track: Track, lap: Lap, driven: DrivenLap) -> Lap:
    """A computed lap as it would come out of the recording that ``driven`` comes from, its receiver without noise.

    The lap itself where the driven one is exact, or where the estimate cannot follow it.
    """
    return _as_seen(track, lap, driven.rate, driven.sensors) if math.isfinite(driven.rate) else lap


@lru_cache(maxsize=2)
def _as_seen(track: Track, lap: Lap, rate: float, sensors: Sensors) -> Lap:
    """As :func:`as_seen`, which a review asks for twice."""
    own = sensors.exactly_timed()
    sensors = replace(own, notes=(), antenna=(0.0, 0.0), mounting=_level(own.mounting))
    t = np.arange(-PAD, lap.lap_time + PAD, 1.0 / rate)
    line = lap.line
    x, y, v, kappa, ax = (_beyond(track, lap, values, t) for values in (line.x, line.y, lap.v, line.kappa, lap.ax))
    course = 0.5 * math.pi - np.arctan2(*(_beyond(track, lap, way(line.psi), t) for way in (np.sin, np.cos)))
    if not track.closed:
        x, y = _straight_on(lap, t, x, y)
    speed = v if sensors.speed_sigma is not None else np.full(t.size, np.nan)
    channels = {"course": course, "ax": ax, "ay": v * v * kappa, "yaw_rate": v * kappa}
    samples = Samples(t=t, x=x, y=y, speed=speed, source=lap.label, channels=channels)
    whole = RecordedLap(number=1, t_start=0.0, t_end=lap.lap_time, status="complete", samples=samples)
    try:
        found = estimate_laps(track, [whole], sensors=sensors, draws=1)
    except LinelabError:
        return lap
    return replace(found[0].lap, label=lap.label)


def _level(mounting: Mounting) -> Mounting:
    """A mounting as noisy, without its angle and constant errors."""
    return Mounting(accel_sigma=mounting.accel_sigma, yaw_sigma=mounting.yaw_sigma)


def _beyond(track: Track, lap: Lap, values: Array, t: Array) -> Array:
    """Values at times before, during and after the lap: of the laps before and after on a circuit, else of its ends."""
    own = np.mod(t, lap.lap_time) if track.closed else np.clip(t, 0.0, lap.lap_time)
    return np.asarray(np.interp(own, lap.t - lap.t[0], values))  # nodes are close: a millimetre or two in a hairpin


def _straight_on(lap: Lap, t: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Positions of a lap on an open track, carried on straight at its end speeds."""
    beyond = np.where(t < 0.0, t, np.maximum(t - lap.lap_time, 0.0))
    end = np.where(t < 0.0, 0, -1)
    way = beyond * lap.v[end]
    return x + way * np.cos(lap.line.psi[end]), y + way * np.sin(lap.line.psi[end])
