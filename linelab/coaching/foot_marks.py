"""What the feet did at one corner: braking, coasting, power and slides, for all laps and their draws at once."""

from __future__ import annotations

import numpy as np

from linelab.coaching.pedals import main_run, push
from linelab.coaching.window import Window, at_index, between, clock_of
from linelab.comparison.marks import CornerMarks
from linelab.comparison.onsets import (
    BRAKE_ONSET,
    ONSET_TIME,
    Index,
    Mask,
    brake_onset,
    crossing,
    first_true,
    last_true,
    power_onset,
)
from linelab.comparison.rolling import BRAKED
from linelab.units import Array

#: Shares of a peak between which pedal work is timed [-]: the foot on the brake, and nearly all of a peak.
BRAKE_FOOT, NEARLY, POWER_NEARLY = 0.2, 0.9, 0.8
#: A dip counts after an acceleration of at least this [m/s²].
DIP_AFTER = 0.3
#: A slide asks for more than this share of the cornering grip, and slows more than rolling does by this [m/s²].
SLIDING_SHARE, SLIDING = 0.5, 0.5
#: How far before the slowest point a slide may begin [m].
SLIDE_AHEAD = 5.0


def braking(part: Window, slowest: Index) -> dict[str, Array]:
    """The main braking before the lowest speed."""
    index, row = np.arange(part.s.size), np.arange(slowest.size)
    slowing = np.maximum(-part.foot, 0.0)
    start, end, any_braked = main_run(part.braked & (index <= slowest[:, None]), slowing * part.steps)
    during = (index >= start[:, None]) & (index <= end[:, None])
    strength = np.where(during, slowing, 0.0)
    peak = strength.max(axis=1)
    hardest, clock = strength.argmax(axis=1), clock_of(part)
    first_hard = first_true(during & (slowing >= NEARLY * peak[:, None]), 0)
    last_hard = np.maximum(last_true(during & (slowing >= NEARLY * peak[:, None])), 0)
    onset = crossing(slowing, BRAKE_ONSET * peak, hardest, -1)
    foot, nearly = crossing(slowing, BRAKE_FOOT * peak, hardest, -1), crossing(slowing, NEARLY * peak, first_hard, -1)
    off, still = crossing(slowing, BRAKE_FOOT * peak, hardest, 1), crossing(slowing, NEARLY * peak, last_hard, 1)
    half = crossing(slowing, BRAKE_ONSET * peak, last_hard, 1)
    path = np.concatenate([np.zeros((row.size, 1)), np.cumsum(part.steps[:, :-1], axis=1)], axis=1)
    way = at_index(path, half) - at_index(path, onset)
    lost = at_index(part.rows.v, onset) ** 2 - at_index(part.rows.v, half) ** 2
    figures = {
        "brake_point": at_index(part.s, brake_onset(part.foot, hardest, ONSET_TIME * part.rows.v / part.steps)),
        "brake_peak": peak,
        "brake_mean": lost / (2.0 * np.maximum(way, 1e-6)),
        "brake_build": at_index(clock, nearly) - at_index(clock, foot),
        "brake_release": at_index(clock, off) - at_index(clock, still),
    }
    clear = any_braked & (peak > BRAKED)
    figures = {name: np.where(clear, values, np.nan) for name, values in figures.items()}
    beyond = np.where(during & clear[:, None], part.rows.roll - part.foot, 0.0)
    figures["brake_over"] = beyond.max(axis=1)  # also told of draws without a braking, for the spread
    return figures | {"start": np.where(clear, start, slowest), "end": np.where(clear, end, slowest)}


def coasting(part: Window, slowest: Index, start: Array, end: Array) -> dict[str, Array]:
    """Time with neither pedal down, before the braking and after it [s]; where nothing is braked, ``start`` (R,) is the
    slowest point."""
    index = np.arange(part.s.size)
    times = part.steps / part.rows.v
    neither = ~part.driven & ~part.braked
    # Who does not brake lifts, rolls, and is back on the power a little before the kart is slowest: that is no lift.
    driving_on = part.driven & ((part.foot >= 0.0) | (start != slowest)[:, None])
    lift = last_true(driving_on & (index < start[:, None]))
    driving = first_true(part.driven & (index >= slowest[:, None]), part.s.size)
    before = neither & (index > lift[:, None]) & (index < start[:, None])
    after = neither & (index > end[:, None]) & (index < driving[:, None])
    return {
        "coasting_before": np.where(before, times, 0.0).sum(axis=1),
        "coasting_after": np.where(after, times, 0.0).sum(axis=1),
    }


def power(part: Window, slowest: Index, lifted: Mask) -> dict[str, Array]:
    """Where the power comes in after the lowest speed, and how long it takes; nowhere where it stays on."""
    index = np.arange(part.s.size)
    gain = np.where(index >= slowest[:, None], part.foot, -np.inf)
    peak = gain.max(axis=1)
    clear = (peak > BRAKED) & lifted
    clock = clock_of(part)
    onset = power_onset(part.foot, slowest, peak)
    from_onset = np.where(np.isfinite(onset), onset, slowest).astype(np.intp)
    nearly = crossing(-part.foot, -POWER_NEARLY * peak, from_onset, 1)
    return {
        "drive_point": np.where(clear, at_index(part.s, onset), np.nan),
        "power_take_up": np.where(clear, at_index(clock, nearly) - at_index(clock, onset), np.nan),
    }


def power_dip(part: Window, mark: CornerMarks) -> Array:
    """Largest fall of the acceleration between two rises on the way out (R,) [m/s²]."""
    leaving = np.flatnonzero(between(part, min(mark.minimum_speed, mark.apex) - 4.0, mark.track_out + 10.0))
    gain = part.rows.ax[:, leaving]
    before = np.maximum.accumulate(gain, axis=1)
    after = np.maximum.accumulate(gain[:, ::-1], axis=1)[:, ::-1]
    dip = (np.minimum(before, after) - gain).max(axis=1)
    at = (np.minimum(before, after) - gain).argmax(axis=1)
    # Without power before it, a dip is braking or rolling on into the corner.
    return np.where(before[np.arange(at.size), at] > DIP_AFTER, dip, 0.0)


def slide(part: Window, mark: CornerMarks, end: Array) -> Array:
    """Speed lost after the main braking, from the slowest point on, beyond rolling, with the cornering grip asked for
    (R,) [m/s]."""
    index = np.arange(part.s.size)
    begin = max(min(mark.apex, mark.minimum_speed) - SLIDE_AHEAD, mark.turn_in)
    near = between(part, begin, mark.track_out + 10.0)
    side = np.abs(part.rows.kappa) * part.rows.v**2
    # Full cornering grip as this lap shows it: its own hardest cornering about here.
    most = np.where(near, side, 0.0).max(axis=1, keepdims=True)
    force = push(part.rows)
    sliding = near & (side > SLIDING_SHARE * most) & (force < -SLIDING)
    lost = np.where(sliding, -force * part.steps / part.rows.v, 0.0)
    return np.asarray(np.where(index > end[:, None], lost, 0.0).sum(axis=1))
