"""What a recording says about its own sensors: noise, timing, drift of the positions, liveliness of the motion."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import zip_longest

import numpy as np

from linelab.measured import plus_minus
from linelab.motion.align import kinematics
from linelab.motion.channels import Sensors, find_mounting, smooth_session, streams_of
from linelab.motion.smoother import Model, Solved, solve, timing_information, under
from linelab.motion.streams import ESTIMATED, evaluate
from linelab.recorded.laps import ASSUMED_BIAS, BIAS_TIME
from linelab.recorded.samples import ASSUMED_POSITION, Samples, course_noise, position_noise, scatter, speed_noise
from linelab.units import Array

#: Jerk density for the positions-only motion that the channels are held against [m²/s⁵].
_TRIAL_JERK = 40.0
_LAGS = np.arange(-0.6, 1.0001, 0.05)
#: Lasting errors of the speed channel tried against each other, and what no receiver is taken to be better than [m/s].
#: That one hides a slow drift, so drift is sought beside the least of them.
SPEED_WANDERS = (0.005, 0.02, 0.04, 0.08, 0.16, 0.32)
#: Natural logarithms of the factors by which drift times, and lasting errors of speeds, differ between receivers.
_DRIFT_PRIOR, _WANDER_PRIOR = 1.2, 0.8
_LEAST_WANDER = 0.02

#: Spectral densities of the jerk tried against each other [m²/s⁵].  Braking or turning a kart in changes its
#: acceleration by about 20 m/s² within 0.3 s, some 40 m/s³ for 0.2 s: ``2·40²·0.2`` = 640 at the sharpest.
JERKS = (2.5, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0)

#: Correlation times tried against each other for a bias of that size [s].
BIAS_TIMES = (20.0, 40.0, 80.0, 160.0, 320.0, 640.0, 1280.0, 2560.0, 5120.0, 10240.0, 20480.0, 81920.0)
#: Times over which a receiver's filter rounds its drift, tried against each other [s].
ROUNDINGS = (0.0, 0.2, 0.4, 0.8)
#: And what they are like on average beforehand [s].
_ROUNDED = 0.2

#: What lags [s] and blurs [s²] of receivers are like beforehand, by ESTIMATED: standard deviations about zero.  A blur
#: of 0.02 s² is a low-pass filter of a time constant of 0.2 s.
_TIMING_PRIOR = np.array([0.2, 0.02, 0.2, 0.2])
#: Smoothing that cannot be told: a lag may be half of a mean's length, ``lag²/6`` of rounding, or none; this at least
#: [s²].
_LEAST_ROUNDING = 0.001
#: Spacing at which lowest speeds are looked for [s]; a difference that a display of tenths of a km/h shows [m/s].
_DIP, _SHOWN = 0.05, 0.1 / 3.6
#: Steps to the likeliest timing at most, and the largest in a lag [s].
_STEPS, _LARGEST = 5, 0.15
#: Factors on the jerk's density under which the timing is sought again: how far it moves is part of its doubt.
_TRIALS = (0.3, 3.0)


def read_sensors(samples: Samples, *, antenna: tuple[float, float] = (0.0, 0.0)) -> Sensors:
    """Estimate noise, timing, drift and mounting from the whole session, from stretches spread over it on the move.

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
        facts = _with_speed(samples, facts, notes)
    else:
        notes.append("no speed channel: speed comes from positions and is less certain")
    facts = _with_course(samples, facts, notes)
    facts = _roughly_timed(chunks, facts)
    facts = _with_mounting(samples, chunks, facts)
    facts, solved = _timed(chunks, facts, [])
    for first in (True, False):  # jerk and drift hang a little on each other
        facts, solved = _likeliest(chunks, facts, solved, first=first)
    facts, solved = _timed(chunks, facts, solved)
    if facts.channels:
        facts = _doubted(facts, solved)
    notes += _words(samples, facts, solved)
    return replace(facts, notes=tuple(notes))


def _chunks(samples: Samples, *, most: int = 10) -> list[Samples]:
    """Up to ``most`` stretches of 600 samples or a minute, evenly spread, on the move and without long gaps."""
    size = int(min(max(60.0 * samples.rate, 40), 600, samples.t.size))
    starts = np.unique(np.linspace(0, samples.t.size - size, most).astype(int))
    found = []
    for start in map(int, starts):
        t = samples.t[start : start + size]
        way = np.hypot(np.diff(samples.x[start : start + size]), np.diff(samples.y[start : start + size])).sum()
        if np.diff(t).max() < 3.0 and 3.0 < way / (t[-1] - t[0]) < 150.0:
            found.append(samples.between(float(t[0]), float(t[-1])))
    return found


def _with_speed(samples: Samples, facts: Sensors, notes: list[str]) -> Sensors:
    """Noise of the speed channel."""
    white, _ = speed_noise(samples)
    if _from_positions(samples, facts.position_sigma):
        notes.append("the speed channel was computed from the positions: it adds nothing and is not used")
        return facts
    return replace(facts, speed_sigma=white if facts.rate >= 4.0 else max(white, 0.2))


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


def _roughly_timed(chunks: Sequence[Samples], facts: Sensors) -> Sensors:
    """With the lags at which speed and course go best with the positions alone, to begin from."""
    trial = replace(facts, position_sigma=min(facts.position_sigma, ASSUMED_POSITION), antenna=(0.0, 0.0))
    trial = replace(trial, speed_sigma=None, course_sigma=None)
    found: dict[str, list[float]] = {"speed": [], "course": []}
    for chunk in chunks[:: max(len(chunks) // 4, 1)]:
        motion = smooth_session(chunk, trial)
        clock = np.arange(motion.grid.start, motion.grid.end, 0.02)
        v, psi, _, _ = kinematics(motion.states(clock))
        inside = (chunk.t > chunk.t[0] + 1.5) & (chunk.t < chunk.t[-1] - 1.5) & (np.interp(chunk.t, clock, v) > 3.0)
        shown = {"speed": (chunk.speed, v)} if facts.speed_sigma is not None else {}
        if facts.course_sigma is not None:
            shown["course"] = 0.5 * math.pi - chunk.channels["course"], np.unwrap(psi)
        for name, (values, true) in shown.items():
            good = inside & np.isfinite(values)
            if facts.rate >= 4.0 and good.sum() >= 50 and np.std(true) >= 0.3:
                off = values[good] - np.interp(chunk.t[good] - _LAGS[:, None], clock, true)
                off = np.angle(np.exp(1j * off)) if name == "course" else off
                spread = np.abs(off - np.median(off, axis=1, keepdims=True)).mean(axis=1)
                found[name].append(float(_LAGS[int(np.argmin(spread))]))
    lag = {name: float(np.median(lags)) if lags else 0.0 for name, lags in found.items()}
    return replace(facts, speed_lag=lag["speed"], course_lag=lag["course"])


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
        notes.append("the course does not fit the positions and is not used")
        return facts
    notes.append(f"course noise {math.degrees(sigma):.1f} degrees")
    return replace(facts, course_sigma=sigma)


def _with_mounting(samples: Samples, chunks: list[Samples], facts: Sensors) -> Sensors:
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
    return replace(facts, mounting=found)


def _likeliest(
    chunks: list[Samples], facts: Sensors, solved: list[Solved], *, first: bool
) -> tuple[Sensors, list[Solved]]:
    """With the jerk density, the drift and the lasting error of speeds under which the samples are most likely.

    What was measured is put together once, about the motion found before; each trial adds its model.
    """
    if not chunks:
        return facts, solved
    told = facts.speed_sigma is not None  # positions alone do not tell their drift from the motion
    start = replace(facts.model, lively=False)
    if first:
        start = Model(jerk=facts.jerk, bias_sigma=ASSUMED_BIAS, speed_wander=SPEED_WANDERS[0], lively=False)
    solved = _solved(chunks, facts, start, solved, turns=1)

    def score(**change: float) -> float:
        model = replace(start, **change)  # type: ignore[arg-type]
        odd = (math.log(model.bias_time / BIAS_TIME) / _DRIFT_PRIOR) ** 2
        odd += 2.0 * model.bias_rounding / _ROUNDED
        odd += (math.log(max(model.speed_wander, _LEAST_WANDER) / _LEAST_WANDER) / _WANDER_PRIOR) ** 2
        return sum(under(one.measured, model)[2] for one in solved) - odd

    start = replace(start, jerk=_climb(lambda value: score(jerk=value), JERKS, start.jerk)[0])
    spread = 0.0
    if told:
        best = -math.inf
        for rounding in ROUNDINGS if first else (start.bias_rounding,):
            before, start = start, replace(start, bias_rounding=rounding)
            height, wide = -math.inf, 0.0
            for _ in range(2):
                # Drift first: a lasting error of the speeds explains some of it too, and is the less usual one.
                time, wide, _ = _climb(lambda value: score(bias_time=value), BIAS_TIMES, start.bias_time)
                start = replace(start, bias_time=time)
                wander, _, height = _climb(lambda value: score(speed_wander=value), SPEED_WANDERS, start.speed_wander)
                settled = wander <= _LEAST_WANDER
                start = replace(start, speed_wander=wander)
                if settled:
                    break
            if height < best:
                start = before
                break
            best, spread = height, wide
    # The mean of the drift's variance over what its rate may be, not the variance at its likeliest rate.
    time = start.bias_time * math.exp(-0.5 * spread)
    wander = max(start.speed_wander, _LEAST_WANDER) if told else 0.0
    facts = replace(
        facts, jerk=start.jerk, drift_time=time, drift_rounding=start.bias_rounding, speed_wander=wander
    )  # fmt: skip
    return facts, solved


def _climb(score: Callable[[float], float], values: tuple[float, ...], start: float) -> tuple[float, float, float]:
    """The value of the highest score, found from ``start`` step by step, then by a parabola over logarithms, the
    variance of its logarithm, and the score."""
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
        return values[best], 0.0, known[best]
    near = np.log([values[k] for k in (best - 1, best, best + 1)])
    bend = np.polyfit(near - near[1], [known[k] - known[best] for k in (best - 1, best, best + 1)], 2)
    if bend[0] >= 0.0:
        return values[best], 0.0, known[best]
    return float(np.exp(near[1] - 0.5 * bend[1] / bend[0])), min(-1.0 / float(bend[0]), 1.0), known[best]


def _timed(chunks: list[Samples], facts: Sensors, solved: list[Solved]) -> tuple[Sensors, list[Solved]]:
    """With the timing of each channel under which the samples are most likely: unknowns beside the motion's, by
    Gauss-Newton steps; and the stretches as they are then."""
    model = _plain(facts)
    for _ in range(_STEPS if chunks and facts.channels else 0):
        solved = _solved(chunks, facts, model, solved)
        slopes, known = _told(solved, model)
        values = _timing(facts)
        step = _step(slopes.sum(axis=0), known, values)
        facts = facts.timed(values + step)
        if (np.abs(step) < 0.2 / np.sqrt(np.diag(known)[: step.size])).all():
            break
    return facts, solved


def _doubted(facts: Sensors, solved: list[Solved]) -> Sensors:
    """With the covariance of the timing, from stretches solved at it.

    It is the likelihood's, no less than the scatter of what the stretches say on their own (the sandwich of [1]_); how
    far other models move the timing, and smoothing that cannot be told, are added.

    References
    ----------
    .. [1] H. White, "Maximum likelihood estimation of misspecified models", Econometrica 50:1, 1982 (from memory).
    """
    model, values, some = _plain(facts), _timing(facts), len(ESTIMATED)
    if not solved:
        return facts.timed(values, np.diag([*_TIMING_PRIOR, _LEAST_ROUNDING, _LEAST_ROUNDING]) ** 2)
    slopes, known = _told(solved, model)
    covariance = np.linalg.inv(known[:some, :some])
    pieces = (slopes - slopes.mean(axis=0)) @ covariance
    scatter = pieces.T @ pieces * len(solved) / max(len(solved) - 1, 1)
    wider = np.sqrt(np.maximum(np.diag(scatter) / np.diag(covariance), 1.0))
    covariance = covariance * np.outer(wider, wider)
    trials = [*(replace(model, jerk=factor * model.jerk) for factor in _TRIALS), replace(facts.model, lively=False)]
    for trial in trials:
        others, among = _told(solved, trial)
        moved = _step(others.sum(axis=0), among, values) - _step(slopes.sum(axis=0), known, values)
        covariance += np.outer(moved, moved) / len(trials)
    rounding = [math.hypot(_LEAST_ROUNDING, lag * lag / 6.0) for lag in (facts.speed_lag, facts.course_lag)]
    # What is rounded without being known moves what is estimated too.
    follows = np.concatenate([-np.linalg.solve(known[:some, :some], known[:some, some:]), np.eye(2)]) * rounding
    whole = follows @ follows.T
    whole[:some, :some] += covariance
    return facts.timed(values, whole)


def _plain(facts: Sensors) -> Model:
    """The model under which timing is sought: a fast drift, or a lasting error of the speeds, is confounded with it."""
    slow = max(facts.drift_time, BIAS_TIME)
    return replace(facts.model, bias_time=slow, bias_rounding=0.0, speed_wander=SPEED_WANDERS[0], lively=False)


def _solved(
    chunks: list[Samples], facts: Sensors, model: Model, before: list[Solved], *, turns: int = 2
) -> list[Solved]:
    """The stretches under a model, from the motions found before.

    Twice where the timing has changed: robust weights that a motion of other lags left would draw the lags off.
    """
    return [
        solve(streams_of(chunk, facts), model, iterations=turns if start else 2, start=start)
        for chunk, start in zip_longest(chunks, before)
    ]


def _timing(facts: Sensors) -> Array:
    """ESTIMATED of a recording (P,)."""
    return np.array([getattr(facts, name) for name in ESTIMATED])


def _told(solved: list[Solved], model: Model) -> tuple[Array, Array]:
    """Slopes (K, P) of what each stretch says of ESTIMATED, and the curvature of all over TIMING, with what is likely
    beforehand."""
    each = [timing_information(one, model) for one in solved]
    known = np.sum([known for _, known in each], axis=0)
    known[np.diag_indices(len(ESTIMATED))] += _TIMING_PRIOR**-2.0
    return np.array([slope[: len(ESTIMATED)] for slope, _ in each]), known


def _step(slope: Array, known: Array, values: Array) -> Array:
    """Step (P,) of ESTIMATED to the highest likelihood without a negative blur; each by no more than _LARGEST."""
    slope = slope - _TIMING_PRIOR**-2.0 * values
    free = np.ones(values.size, dtype=bool)
    step = np.linalg.solve(known[: values.size, : values.size], slope)
    blur = ESTIMATED.index("speed_blur")
    if values[blur] + step[blur] < 0.0:
        free[blur], step[blur] = False, -values[blur]
        rest = slope[free] - known[: values.size, blur][free] * step[blur]
        step[free] = np.linalg.solve(known[: values.size, : values.size][np.ix_(free, free)], rest)
    return np.clip(step, -_LARGEST, _LARGEST)


def _words(samples: Samples, facts: Sensors, solved: list[Solved]) -> list[str]:
    """What to know of the channels: lags, noise."""
    notes = []
    for name, title in facts.channels.items():
        lag, sigma = getattr(facts, f"{name}_lag"), facts.timing_sigma(f"{name}_lag")
        if sigma > 0.1:
            notes.append(f"the lag of the {title} cannot be measured from this recording")
        elif abs(lag) < 2.0 * sigma:
            notes.append(f"no lag of the {title} found ({plus_minus(sigma, 3)} s)")
        else:
            notes.append(f"the {title} runs {lag:.3f} {plus_minus(sigma, 3)} s behind the positions; corrected")
    if facts.speed_sigma is not None:
        notes.append(
            f"speed noise {facts.speed_sigma:.2f} m/s, and {facts.speed_wander:.2f} m/s that lasts for a second or two "
            "(standard deviations)"
        )
        if facts.drift_rounding:
            notes.append(
                f"the receiver filters its positions over about {facts.drift_rounding:.1f} s: where the speed channel "
                "differs from them for a moment, the speed channel is used"
            )
        notes += _lowest_words(scatter(samples.t, samples.speed) or facts.speed_sigma, facts.rate, solved)
    mounting = facts.mounting
    if math.isfinite(mounting.accel_sigma):
        notes.append(
            f"accelerometer turned by {math.degrees(mounting.angle):.1f} degrees from the kart's axis, offsets "
            f"{mounting.ahead:.2f} and {mounting.left:.2f} m/s²; corrected"
        )
    if math.isfinite(mounting.yaw_sigma):
        notes.append(f"yaw rate offset by {math.degrees(mounting.yaw):.2f} degrees a second; corrected")
    return notes


def _lowest_words(sigma: float, rate: float, solved: list[Solved]) -> list[str]:
    """Why a display's lowest speed in a corner is not the minimum speed, where noise makes a difference that shows."""
    bends = []
    for one in solved:
        clock = np.arange(one.grid.start, one.grid.end, _DIP)
        (vx, vy), (ax, ay) = evaluate(one.grid, one.unknowns[:, :2], clock, (1, 2)).transpose(0, 2, 1)
        v, gain = np.hypot(vx, vy), vx * ax + vy * ay
        low = np.flatnonzero((gain[:-1] < 0.0) & (gain[1:] >= 0.0) & (v[1:] > 2.0))
        bends += ((gain[low + 1] / v[low + 1] - gain[low] / v[low]) / _DIP).tolist()
    below, count = lowest_sample(sigma, rate, float(np.median(bends))) if bends else (0.0, 0)
    if below < _SHOWN:
        return []
    return [
        f"the lowest single sample of a corner is about {below:.2f} m/s below its minimum speed: noise of {sigma:.2f} "
        f"m/s over about {count} samples does that"
    ]


def lowest_sample(sigma: float, rate: float, bend: float) -> tuple[float, int]:
    """How far the lowest of noisy samples lies below the lowest speed on average [m/s], and how many samples are in
    question: those within three standard deviations of noise of it.

    Parameters
    ----------
    sigma : float
        White noise of the speed channel [m/s].
    rate : float
        Samples a second [1/s].
    bend : float
        Second derivative of the speed at its lowest [m/s³].

    Notes
    -----
    The chance that no sample lies below ``x`` is the product of theirs (derived); its integral is the mean.
    """
    from scipy.special import ndtr

    reach = max(round(rate * math.sqrt(6.0 * sigma / max(bend, 0.1))), 0)
    above = 0.5 * max(bend, 0.1) * (np.arange(-reach, reach + 1) / rate) ** 2
    x = np.linspace(-6.0 * sigma, 6.0 * sigma, 601)
    none_below = ndtr((above - x[:, None]) / sigma).prod(axis=1)
    return float(6.0 * sigma - np.trapezoid(none_below, x)), above.size
