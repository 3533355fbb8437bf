"""What a recording says about its own sensors: noise, lags, drift of the positions, liveliness of the motion."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from linelab.comparison.align import kinematics
from linelab.comparison.channels import Sensors, smooth_session, streams_of
from linelab.comparison.inertial import find_mounting
from linelab.comparison.laps import ASSUMED_BIAS, BIAS_TIME
from linelab.comparison.noise import ASSUMED_POSITION, course_noise, position_noise, speed_noise
from linelab.comparison.samples import Samples
from linelab.comparison.smoother import Model, solve
from linelab.units import Array

#: Jerk density for the positions-only motion that the speed channel is held against [m²/s⁵].
_TRIAL_JERK = 40.0
_LAGS = np.arange(-0.6, 1.0001, 0.02)
_LAG_STEP = 0.03
#: Lasting errors of the speed channel tried against each other, and what no receiver is taken to be better than [m/s].
#: That one hides a slow drift, so drift is sought beside the least of them.
SPEED_WANDERS = (0.005, 0.02, 0.04, 0.08, 0.16, 0.32)
#: Natural logarithms of the factors by which drift times, and lasting errors of speeds, differ between receivers.
_DRIFT_PRIOR, _WANDER_PRIOR = 1.2, 0.8
_LEAST_WANDER = 0.02
_COURSE_LAGS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)

#: Spectral densities of the jerk tried against each other [m²/s⁵].  Braking or turning a kart in changes its
#: acceleration by about 20 m/s² within 0.3 s, some 40 m/s³ for 0.2 s: ``2·40²·0.2`` = 640 at the sharpest.
JERKS = (2.5, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0)

#: Correlation times tried against each other for a bias of that size [s].
BIAS_TIMES = (20.0, 40.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 5120.0, 10240.0, 20480.0, 81920.0)


def read_sensors(samples: Samples, *, antenna: tuple[float, float] = (0.0, 0.0)) -> Sensors:
    """Estimate noise, lag, drift and mounting from the whole session, from stretches of up to a minute on the move.

    Parameters
    ----------
    samples : Samples
    antenna : (float, float)
        Where the antenna sits, ahead and to the left of the point whose line is wanted [m].
    """
    position, estimated = position_noise(samples)
    notes = [
        f"position noise {position:.2f} m per axis " + ("from the recording's own scatter" if estimated else "assumed")
    ]
    chunks = _chunks(samples)
    facts = Sensors(
        rate=samples.rate, position_sigma=position, speed_sigma=None, jerk=_TRIAL_JERK, antenna=antenna,
    )  # fmt: skip
    if samples.has_speed:
        facts = _with_speed(samples, chunks, facts, notes)
    else:
        notes.append("no speed channel: speed comes from positions and is less certain")
    facts = _with_course(samples, facts, notes)
    facts = _with_mounting(samples, chunks, facts, notes)
    if facts.speed_sigma is None and facts.course_sigma is not None:
        scores = [(_score(chunks, replace(facts, speed_lag=lag)), lag) for lag in _COURSE_LAGS]
        facts = replace(facts, speed_lag=max(scores)[1])
    facts = _likeliest(chunks, facts)
    if facts.speed_sigma is not None or facts.course_sigma is not None:
        facts = _with_lag(chunks, facts, notes)
    return replace(facts, notes=tuple(notes))


def _chunks(samples: Samples, *, most: int = 6) -> list[Samples]:
    """Up to ``most`` stretches of 1000 samples or a minute, evenly spread, on the move and without long gaps."""
    size = int(min(max(60.0 * samples.rate, 40), 1000, samples.t.size))
    starts = np.unique(np.linspace(0, samples.t.size - size, most).astype(int))
    found = []
    for start in map(int, starts):
        t = samples.t[start : start + size]
        way = np.hypot(np.diff(samples.x[start : start + size]), np.diff(samples.y[start : start + size])).sum()
        if np.diff(t).max() < 3.0 and 3.0 < way / (t[-1] - t[0]) < 150.0:
            found.append(samples.between(float(t[0]), float(t[-1])))
    return found


def _with_speed(samples: Samples, chunks: list[Samples], facts: Sensors, notes: list[str]) -> Sensors:
    """Noise and lag of the speed channel."""
    white, _ = speed_noise(samples)
    if _from_positions(samples, facts.position_sigma):
        notes.append("the speed channel is worked out from the positions: it says nothing new and is not used")
        return facts
    lags = [lag for chunk in chunks if (lag := _rough_lag(chunk, facts)) is not None] if facts.rate >= 4.0 else []
    if not lags:
        return replace(facts, speed_sigma=max(white, 0.2), speed_lag_sigma=0.1)
    return replace(facts, speed_sigma=white, speed_lag=float(np.median(lags)))


def _with_lag(chunks: list[Samples], facts: Sensors, notes: list[str]) -> Sensors:
    """The lag of the speed channel by likelihood, and what disagreement with the positions neither noise explains."""
    if facts.speed_lag_sigma > 0.0:
        notes.append("the lag of the speed channel cannot be told from this recording")
        return facts
    # An error that lasts, or a fast drift, would swallow the lag: it is sought without them.
    plain = replace(facts, speed_wander=SPEED_WANDERS[0], drift_time=max(facts.drift_time, BIAS_TIME))
    lag = facts.speed_lag
    for _ in range(4):
        tried = [replace(plain, speed_lag=lag + moved) for moved in (-_LAG_STEP, 0.0, _LAG_STEP)]
        scores = np.array([[_score([chunk], one) for one in tried] for chunk in chunks])
        moved, sigma = _peak(scores)
        lag += moved
        if abs(moved) < _LAG_STEP:
            break
    facts = replace(facts, speed_lag=lag)
    name = "course" if facts.speed_sigma is None else "speed channel"
    if abs(facts.speed_lag) < 2.0 * sigma:
        notes.append(f"no lag of the {name} found (±{sigma:.3f} s)")
    else:
        notes.append(f"the {name} runs {facts.speed_lag:.3f} ±{sigma:.3f} s behind the positions; taken off")
    if facts.speed_sigma is None:
        return replace(facts, speed_lag_sigma=sigma)
    lasting = f"{facts.speed_wander:.2f} m/s that lasts for a second or two"
    notes.append(f"speed noise {facts.speed_sigma:.2f} m/s, and an error of {lasting}")
    return replace(facts, speed_lag_sigma=sigma)


def _peak(scores: Array) -> tuple[float, float]:
    """Step to the highest likelihood from scores (chunks, 3) at -_LAG_STEP, 0 and _LAG_STEP; its standard deviation.

    Twice the log-likelihood bends by -2/variance; the scatter of the chunks' own peaks tells where the model is wrong.
    """
    slope, bend = 0.5 * (scores[:, 0] - scores[:, 2]), scores[:, 0] - 2.0 * scores[:, 1] + scores[:, 2]
    if bend.sum() >= 0.0:
        return 0.0, 0.1
    good = bend < 0.0
    moved = _LAG_STEP * float(np.clip(slope.sum() / bend.sum(), -2.0, 2.0))
    own = _LAG_STEP * np.clip(slope[good] / bend[good], -3.0, 3.0)
    scatter_sigma = 1.25 * float(np.std(own)) / math.sqrt(own.size)
    return moved, float(min(max(_LAG_STEP * math.sqrt(-2.0 / bend.sum()), scatter_sigma, 0.001), 0.1))


def _from_positions(samples: Samples, noise: float) -> bool:
    """True when the speed channel is a distance between logged positions over its time, of up to 1.5 s.

    It says nothing new then, runs late by half of that time, and reads low in bends, which a chord cuts short.
    """
    middle = slice(max(samples.t.size // 2 - 5000, 0), samples.t.size // 2 + 5000)
    t, x, y, speed = samples.t[middle], samples.x[middle], samples.y[middle], samples.speed[middle]
    for back in range(1, min(round(1.5 * samples.rate), t.size // 4) + 1):
        span = t[back:] - t[:-back]
        chord = np.hypot(x[back:] - x[:-back], y[back:] - y[:-back]) / span
        off = np.abs(speed[back:] - chord)[chord > 3.0]
        off = off[np.isfinite(off)]
        # Beside a speed of its own, chords differ by their noise; beside itself by rounding.
        own = 0.2 * math.sqrt(2.0) * noise / float(np.median(span))
        if off.size > 50 and float(np.median(off)) < min(own, max(0.02, 0.05 * own)):
            return True
    return False


def _rough_lag(chunk: Samples, facts: Sensors) -> float | None:
    """Lag at which the speed channel goes best with the speed of the positions [s]; None where that says nothing."""
    trial = replace(facts, position_sigma=min(facts.position_sigma, ASSUMED_POSITION), antenna=(0.0, 0.0))
    motion = smooth_session(chunk, trial)
    clock = np.arange(motion.grid.start, motion.grid.end, 0.02)
    speed, _, _, _ = kinematics(motion.states(clock))
    inside = (chunk.t > chunk.t[0] + 1.5) & (chunk.t < chunk.t[-1] - 1.5) & np.isfinite(chunk.speed)
    inside &= np.interp(chunk.t, clock, speed) > 3.0
    if inside.sum() < 50 or np.std(chunk.speed[inside]) < 0.5:
        return None
    off = [_trimmed(chunk.speed[inside] - np.interp(chunk.t[inside] - lag, clock, speed)) for lag in _LAGS]
    k = int(np.argmin(off))
    return float(_LAGS[k]) if 0 < k < _LAGS.size - 1 else None


def _trimmed(off: Array) -> float:
    """Variance about the mean without the largest hundredth of magnitudes."""
    size = np.abs(off - np.median(off))
    return float(np.var(off[size <= np.quantile(size, 0.99)]))


def _with_course(samples: Samples, facts: Sensors, notes: list[str]) -> Sensors:
    """Noise of the course, where it goes with the positions."""
    sigma = course_noise(samples)
    if sigma is None:
        return facts
    half = max(round(0.5 * samples.rate), 1)
    x, y = samples.x[2 * half :] - samples.x[: -2 * half], samples.y[2 * half :] - samples.y[: -2 * half]
    fast = np.hypot(x, y) / (samples.t[2 * half :] - samples.t[: -2 * half]) > 5.0
    off = np.arctan2(y, x)[fast] - (0.5 * math.pi - samples.channels["course"][half:-half][fast])
    off = np.abs(np.angle(np.exp(1j * off[np.isfinite(off)])))
    if off.size < 50 or float(np.median(off)) > 0.2 + 2.0 * sigma:
        notes.append("the course does not go with the positions and is not used")
        return facts
    notes.append(f"course noise {math.degrees(sigma):.1f} degrees")
    return replace(facts, course_sigma=sigma)


def _with_mounting(samples: Samples, chunks: list[Samples], facts: Sensors, notes: list[str]) -> Sensors:
    """How an accelerometer and a yaw-rate sensor sit in the kart."""
    names = ("ax", "ay", "yaw_rate")
    if not chunks or not any(name in samples.channels for name in names):
        return facts
    states: list[Array] = []
    values: dict[str, list[Array]] = {name: [] for name in names if name in samples.channels}
    for chunk in chunks:
        states.append(smooth_session(chunk, facts).states(chunk.t))
        for name, rows in values.items():
            rows.append(chunk.channels[name])
    told = {name: np.concatenate(rows) for name, rows in values.items()}
    found = find_mounting(
        np.concatenate(states), 1.0 / samples.rate, told.get("ax"), told.get("ay"), told.get("yaw_rate")
    )
    if math.isfinite(found.accel_sigma):
        notes.append(
            f"accelerometer turned by {math.degrees(found.angle):.1f} degrees from the kart's axis, offsets "
            f"{found.ahead:.2f} and {found.left:.2f} m/s²; taken off"
        )
    if math.isfinite(found.yaw_sigma):
        notes.append(f"yaw rate offset by {math.degrees(found.yaw):.2f} degrees a second; taken off")
    return replace(facts, mounting=found)


def _score(chunks: list[Samples], facts: Sensors, model: Model | None = None) -> float:
    """Twice the logarithm of the likelihood of some stretches, up to a constant."""
    return sum(solve(streams_of(chunk, facts), model or facts.model, iterations=2).score for chunk in chunks)


def _likeliest(chunks: list[Samples], facts: Sensors) -> Sensors:
    """With the jerk density and the drift time under which the samples are most likely."""
    if not chunks:
        return facts
    told = facts.speed_sigma is not None  # positions alone do not tell their drift from the motion

    def score(**change: float) -> float:
        model = replace(start, **change)  # type: ignore[arg-type]
        odd = (math.log(model.bias_time / BIAS_TIME) / _DRIFT_PRIOR) ** 2
        odd += (math.log(max(model.speed_wander, _LEAST_WANDER) / _LEAST_WANDER) / _WANDER_PRIOR) ** 2
        return _score(chunks, facts, model) - odd

    start = Model(jerk=facts.jerk, bias_sigma=ASSUMED_BIAS, speed_wander=SPEED_WANDERS[0], lively=False)
    spread = 0.0
    for _ in range(2 if told else 1):
        start = replace(start, jerk=_climb(lambda value: score(jerk=value), JERKS, start.jerk)[0])
        if told:
            # Drift first: a lasting error of the speeds explains some of it too, and is the less usual one.
            time, spread = _climb(lambda value: score(bias_time=value), BIAS_TIMES, start.bias_time)
            start = replace(start, bias_time=time)
            wander, _ = _climb(lambda value: score(speed_wander=value), SPEED_WANDERS, start.speed_wander)
            start = replace(start, speed_wander=wander)
    # The mean of the drift's variance over what its rate may be, not the variance at its likeliest rate.
    time = start.bias_time * math.exp(-0.5 * spread)
    wander = max(start.speed_wander, _LEAST_WANDER) if told else 0.0
    return replace(facts, jerk=start.jerk, drift_time=time, speed_wander=wander)


def _climb(score: Callable[[float], float], values: tuple[float, ...], start: float) -> tuple[float, float]:
    """The value of the highest score, found from ``start`` step by step, then by a parabola over logarithms, and the
    variance of its logarithm."""
    best = int(np.argmin(np.abs(np.log(np.array(values) / start))))
    known = {best: score(values[best])}
    while True:
        for k in (best - 1, best + 1):
            if 0 <= k < len(values) and k not in known:
                known[k] = score(values[k])
        top = max(known, key=lambda k: known[k])
        if top == best:
            break
        best = top
    if not 0 < best < len(values) - 1:
        return values[best], 0.0
    near = np.log([values[k] for k in (best - 1, best, best + 1)])
    bend = np.polyfit(near - near[1], [known[k] - known[best] for k in (best - 1, best, best + 1)], 2)
    if bend[0] >= 0.0:
        return values[best], 0.0
    return float(np.exp(near[1] - 0.5 * bend[1] / bend[0])), min(-1.0 / float(bend[0]), 1.0)
