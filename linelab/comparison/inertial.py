"""How an accelerometer and a yaw-rate sensor sit in the kart: angle, offsets and noise, from the motion itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linelab.comparison.align import kinematics
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
