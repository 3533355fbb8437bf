"""What a recording says about its own sensors: noise, lag of the speed channel, liveliness of the motion."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linelab.comparison.noise import ASSUMED_POSITION, position_noise, speed_noise
from linelab.comparison.samples import Samples
from linelab.comparison.smoother import likely_jerk, smooth
from linelab.units import Array

#: Jerk density for the positions-only motion that the speed channel is held against [m²/s⁵].
_TRIAL_JERK = 40.0
_LAGS = np.arange(-0.6, 1.0001, 0.02)


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
        Disagreement of the speed channel with the positions after its lag is taken off [m/s]; None without a channel.
    speed_lag : float
        How far the speed channel runs behind the positions [s].
    speed_lag_sigma : float
        Its standard deviation [s].
    jerk : float
        Spectral density of the jerk under which the samples are most likely [m²/s⁵].
    notes : tuple of str
    """

    rate: float
    position_sigma: float
    speed_sigma: float | None
    speed_lag: float = 0.0
    speed_lag_sigma: float = 0.0
    jerk: float
    notes: tuple[str, ...] = ()


def read_sensors(samples: Samples) -> Sensors:
    """Estimate noise and lag from the whole session, from stretches of up to a minute on the move."""
    position, estimated = position_noise(samples)
    notes = [
        f"position noise {position:.2f} m per axis " + ("from the recording's own scatter" if estimated else "assumed")
    ]
    chunks = _chunks(samples)
    if not samples.has_speed:
        notes.append("no speed channel: speed comes from positions and is less certain")
        jerk = _jerk([_without_speed(chunk) for chunk in chunks], position, 1.0)
        return Sensors(rate=samples.rate, position_sigma=position, speed_sigma=None, jerk=jerk, notes=tuple(notes))
    lags, spreads = _lags(chunks, position) if samples.rate >= 4.0 and chunks else (np.empty(0), np.empty(0))
    white, _ = speed_noise(samples)
    lag, lag_sigma, speed = 0.0, 0.1, max(white, 0.2)
    if lags.size:
        lag = float(np.median(lags))
        lag_sigma = max(float(np.std(lags)) / math.sqrt(lags.size), 0.01)
        speed = max(white, float(np.median(spreads)))
        if abs(lag) < 2.0 * lag_sigma:
            notes.append(f"no lag of the speed channel found (± {lag_sigma:.2f} s)")
        else:
            notes.append(f"speed channel {lag:+.2f} s ± {lag_sigma:.2f} s behind the positions, taken off")
        notes.append(f"speed channel and positions agree within {speed:.2f} m/s")
    else:
        notes.append(f"speed noise {speed:.2f} m/s and a lag of 0 ± 0.1 s assumed")
    if abs(lag) < 2.0 * lag_sigma:
        lag = 0.0
    jerk = _jerk([shift_speed(chunk, lag) for chunk in chunks], position, speed)
    return Sensors(
        rate=samples.rate, position_sigma=position, speed_sigma=speed, speed_lag=lag, speed_lag_sigma=lag_sigma,
        jerk=jerk, notes=tuple(notes),
    )  # fmt: skip


def shift_speed(samples: Samples, lag: float) -> Samples:
    """The samples with the speed channel moved earlier by ``lag`` [s]."""
    if lag == 0.0 or not samples.has_speed:
        return samples
    known = np.isfinite(samples.speed)
    speed = np.interp(samples.t + lag, samples.t[known], samples.speed[known], left=np.nan, right=np.nan)
    return Samples(t=samples.t, x=samples.x, y=samples.y, speed=speed, source=samples.source, notes=samples.notes)


def _without_speed(samples: Samples) -> Samples:
    """The positions alone."""
    return Samples(t=samples.t, x=samples.x, y=samples.y, speed=np.full(samples.t.size, np.nan), source=samples.source)


def _chunks(samples: Samples, *, most: int = 8) -> list[Samples]:
    """Up to ``most`` stretches of 1000 samples or a minute, evenly spread, on the move and without long gaps."""
    size = int(min(max(60.0 * samples.rate, 40), 1000, samples.t.size))
    starts = np.unique(np.linspace(0, samples.t.size - size, most).astype(int))
    found = []
    for start in map(int, starts):
        part = slice(start, start + size)
        t, x, y = samples.t[part], samples.x[part], samples.y[part]
        moved = float(np.hypot(np.diff(x), np.diff(y)).sum()) / (t[-1] - t[0])
        if np.diff(t).max() < 3.0 and 3.0 < moved < 150.0:
            found.append(Samples(t=t, x=x, y=y, speed=samples.speed[part], source=samples.source))
    return found


def _jerk(chunks: list[Samples], position: float, speed: float) -> float:
    """Median of the likeliest jerk densities; without a usable stretch, a middling one."""
    found = [likely_jerk(chunk, position_sigma=position, speed_sigma=speed) for chunk in chunks[::2]]
    return float(np.median(found)) if found else _TRIAL_JERK


def _lags(chunks: list[Samples], position: float) -> tuple[Array, Array]:
    """Lag of the speed channel behind the speed of the positions [s], and what disagreement is left [m/s], by chunk."""
    lags, spreads = [], []
    for chunk in chunks:
        motion = smooth(
            _without_speed(chunk),
            position_sigma=min(position, ASSUMED_POSITION),
            speed_sigma=1.0,
            jerk=_TRIAL_JERK,
            draws=0,
        )
        speed = np.hypot(motion.states[:, 1], motion.states[:, 4])
        inside = (chunk.t > chunk.t[0] + 1.5) & (chunk.t < chunk.t[-1] - 1.5) & (speed > 3.0)
        known = np.isfinite(chunk.speed)
        if inside.sum() < 50 or known.sum() < 50 or np.std(speed[inside]) < 0.5:
            continue
        off = [
            float(np.std((np.interp(chunk.t + lag, chunk.t[known], chunk.speed[known]) - speed)[inside]))
            for lag in _LAGS
        ]
        k = int(np.argmin(off))
        if 0 < k < _LAGS.size - 1:
            bend = off[k - 1] - 2.0 * off[k] + off[k + 1]
            shift = 0.5 * (off[k - 1] - off[k + 1]) / bend if bend > 0.0 else 0.0
            lags.append(float(_LAGS[k] + shift * (_LAGS[1] - _LAGS[0])))
            spreads.append(off[k])
    return np.array(lags), np.array(spreads)
