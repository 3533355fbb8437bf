"""Marks of the corners as they were driven, for all laps and their draws at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.coaching.grid import Rows, Sheet
from linelab.coaching.pedals import BRAKED, Index, Mask, averaged, first_true, last_true, main_run, pedals, push
from linelab.comparison.marks import APEX_PLATEAU, TURNING_SHARE, CornerMarks
from linelab.geometry.curve import curve_at
from linelab.gripfield import kerb_width
from linelab.track import along
from linelab.units import Array

#: Shares of a peak between which pedal work is timed [-]: onset, and nearly all of it.
BRAKE_ONSET, BRAKE_FOOT, NEARLY = 0.5, 0.2, 0.9
POWER_ONSET, POWER_NEARLY = 0.25, 0.8
#: How long before a braking's onset its beginning is looked for, and how long after it its first peak [s].
ONSET_TIME = 0.6
#: A dip counts after an acceleration of at least this [m/s²].
DIP_AFTER = 0.3
#: How far past the track-out the room at the exit is looked at [m].
PAST_TRACK_OUT = 15.0
#: Standard deviation of the kernel that takes ripple off a curvature before steering is read from it [m].
HANDS = 2.5
#: A change of curvature of this share of the sharpest counts as steering [-].
STEERED = 0.125
#: A slide asks for more than this share of the cornering grip, and slows more than rolling does by this [m/s²].
SLIDING_SHARE, SLIDING = 0.5, 0.5
#: How far before the slowest point a slide may begin [m].
SLIDE_AHEAD = 5.0
#: Name of the figure that holds the speed lost about the slowest point, braked or slid; no mark of its own.
EXCESS = "excess"


class Feet(NamedTuple):
    """What the feet do on each row (R, N)."""

    ax: Array  #: [m/s²]
    driven: Mask
    braked: Mask


class Window(NamedTuple):
    """Rows cut out about one corner: unwrapped stations (W,), everything else (R, W)."""

    s: Array
    local: Index
    steps: Array  #: path length to the next node [m]
    rows: Rows
    foot: Array  #: acceleration as a foot makes it, see ``averaged`` [m/s²]
    driven: Mask
    braked: Mask
    side: float  #: 1 in a left-hand corner, -1 in a right-hand one


def corner_window(sheet: Sheet, rows: Rows, marks: tuple[CornerMarks, ...], k: int, feet: Feet) -> Window:
    """From the corner before to the corner after."""
    lap, closed = float(sheet.s[-1] - sheet.s[0]), sheet.track.closed
    step, count = float(sheet.s[1] - sheet.s[0]), sheet.s.size - 1
    mark, after = marks[k], marks[(k + 1) % len(marks)]
    low = marks[k - 1].apex - (lap if k == 0 else 0.0) if k or closed else float(sheet.s[0])
    high = after.apex + (lap if k == len(marks) - 1 else 0.0) if k < len(marks) - 1 or closed else float(sheet.s[-1])
    span = np.arange(int(np.ceil((low - sheet.s[0]) / step)), int((high - sheet.s[0]) / step) + 1)
    local = span % count if closed else np.clip(span, 0, count)
    cut = Rows(*(field[:, local] for field in rows))
    return Window(
        s=np.asarray(float(sheet.s[0]) + span * step, dtype=np.float64), local=local, steps=cut.stretch * step,
        rows=cut, foot=feet.ax[:, local], driven=feet.driven[:, local], braked=feet.braked[:, local],
        side=1.0 if mark.corner.left else -1.0,
    )  # fmt: skip


def corner_figures(
    sheet: Sheet, rows: Rows, marks: tuple[CornerMarks, ...], k: int, feet: Feet, room: tuple[float, float]
) -> dict[str, Array]:
    """Every mark of one corner by name (R,); NaN where a row has none.

    ``room`` are the unwrapped stations between which the lowest speed is looked for.
    """
    part, mark = corner_window(sheet, rows, marks, k, feet), marks[k]
    slowest, dip, lifted = _slowest(part, room)
    found = _braking(part, slowest)
    found |= _coasting(part, slowest, found.pop("start"), found["end"])
    found |= _power(part, slowest, lifted)
    found["power_dip"] = _power_dip(part, mark)
    found |= _line(sheet, part, mark)
    found |= _steering(sheet, part, mark)
    found["slide"], found[EXCESS] = _slide(part, mark, found.pop("end"))
    at = np.arange(rows.v.shape[0])
    found["min_speed"] = part.rows.v[at, slowest]
    found["min_speed_place"] = np.where(dip, part.s[slowest] - mark.apex, np.nan)
    found["entry_speed"] = _at(part, part.rows.v, mark.turn_in)
    found["exit_speed"] = _at(part, part.rows.v, mark.track_out)
    return found


def all_figures(sheet: Sheet, rows: Rows, marks: tuple[CornerMarks, ...], rooms: list[tuple[float, float]]) -> Figures:
    """Marks of every corner: name to (R, C)."""
    step = float(sheet.s[1] - sheet.s[0])
    ax = averaged(rows, step)
    feet = Feet(ax, *pedals(rows._replace(ax=ax), step))
    rows = rows._replace(kappa=_by_hand(rows.kappa, step))
    each = [corner_figures(sheet, rows, marks, k, feet, rooms[k]) for k in range(len(marks))]
    return {name: np.array([figures[name] for figures in each]).T for name in each[0]} if each else {}


Figures = dict[str, Array]


def _by_hand(kappa: Array, step: float) -> Array:
    """Curvature (R, N) as hands can steer it."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(kappa, HANDS / step, axis=1, mode="nearest"))


def _at(part: Window, values: Array, station: float) -> Array:
    """Values (R,) at a station."""
    place = np.clip((station - part.s[0]) / (part.s[1] - part.s[0]), 0.0, part.s.size - 1.001)
    i = int(place)
    return np.asarray(values[:, i] + (place - i) * (values[:, i + 1] - values[:, i]))


def _between(part: Window, low: float, high: float) -> Mask:
    """Nodes between two stations (W,)."""
    return np.asarray((part.s >= low) & (part.s <= high))


def _slowest(part: Window, room: tuple[float, float]) -> tuple[Index, Mask, Mask]:
    """Index of the lowest speed in the room (R,), whether the speed rises on both sides of it, and whether it falls
    towards it: where it does not, the kart comes into the room faster and faster."""
    inside = _between(part, *room)
    v = np.where(inside, part.rows.v, np.inf)
    at = v.argmin(axis=1)
    first, last = int(inside.argmax()), inside.size - 1 - int(inside[::-1].argmax())
    return np.asarray(at), np.asarray((at > first) & (at < last)), np.asarray(at > first)


def _clock(part: Window) -> Array:
    """Time since the window's first node (R, W) [s]."""
    v = part.rows.v
    steps = 2.0 * part.steps[:, :-1] / (v[:, 1:] + v[:, :-1])
    return np.concatenate([np.zeros((v.shape[0], 1)), np.cumsum(steps, axis=1)], axis=1)


def _crossing(values: Array, level: Array, start: Index, way: int) -> Array:
    """Fractional index where values (R, W) fall below a level (R,), going ``way`` (1 or -1) from ``start``; NaN if
    never."""
    width = values.shape[1]
    index = np.arange(width)
    ahead = (index >= start[:, None]) if way > 0 else (index <= start[:, None])
    below = ahead & (values < level[:, None])
    i = first_true(below, -1) if way > 0 else last_true(below)
    row = np.arange(values.shape[0])
    j = np.clip(i - way, 0, width - 1)
    inside, outside = values[row, j], values[row, np.maximum(i, 0)]
    share = np.where(inside != outside, (inside - level) / np.where(inside != outside, inside - outside, 1.0), 0.0)
    return np.where(i < 0, np.nan, j + way * np.clip(share, 0.0, 1.0))


def _value(table: Array, place: Array) -> Array:
    """Values of (W,) or (R, W) at fractional indices (R,); NaN stays NaN."""
    known = np.isfinite(place)
    at = np.where(known, place, 0.0)
    i = np.clip(at.astype(np.intp), 0, table.shape[-1] - 2)
    row = np.arange(place.size)
    a, b = (table[i], table[i + 1]) if table.ndim == 1 else (table[row, i], table[row, i + 1])
    return np.where(known, a + (at - i) * (b - a), np.nan)


def _braking(part: Window, slowest: Index) -> dict[str, Array]:
    """The main braking before the lowest speed."""
    index, row = np.arange(part.s.size), np.arange(slowest.size)
    slowing = np.maximum(-part.foot, 0.0)
    start, end, any_braked = main_run(part.braked & (index <= slowest[:, None]), slowing * part.steps)
    during = (index >= start[:, None]) & (index <= end[:, None])
    strength = np.where(during, slowing, 0.0)
    peak = strength.max(axis=1)
    hardest, clock = strength.argmax(axis=1), _clock(part)
    first_hard = first_true(during & (slowing >= NEARLY * peak[:, None]), 0)
    last_hard = np.maximum(last_true(during & (slowing >= NEARLY * peak[:, None])), 0)
    onset = _crossing(slowing, BRAKE_ONSET * peak, hardest, -1)
    foot, nearly = _crossing(slowing, BRAKE_FOOT * peak, hardest, -1), _crossing(slowing, NEARLY * peak, first_hard, -1)
    off, still = _crossing(slowing, BRAKE_FOOT * peak, hardest, 1), _crossing(slowing, NEARLY * peak, last_hard, 1)
    half = _crossing(slowing, BRAKE_ONSET * peak, last_hard, 1)
    path = np.concatenate([np.zeros((row.size, 1)), np.cumsum(part.steps[:, :-1], axis=1)], axis=1)
    way = _value(path, half) - _value(path, onset)
    lost = _value(part.rows.v, onset) ** 2 - _value(part.rows.v, half) ** 2
    figures = {
        "brake_point": _value(part.s, _brake_onset(part, onset)),
        "brake_peak": peak,
        "brake_mean": lost / (2.0 * np.maximum(way, 1e-6)),
        "brake_build": _value(clock, nearly) - _value(clock, foot),
        "brake_release": _value(clock, off) - _value(clock, still),
    }
    clear = any_braked & (peak > BRAKED)
    figures = {name: np.where(clear, values, np.nan) for name, values in figures.items()}
    return figures | {"start": np.where(clear, start, slowest), "end": np.where(clear, end, slowest)}


def _brake_onset(part: Window, near: Array) -> Array:
    """Fractional index (R,) at which a braking begins, ``near`` (R,) lying on its first rise.

    Half-way between the highest acceleration before and the lowest after: whatever rounds the step evenly, a receiver,
    an estimate or a foot, leaves that place where it is; a level counted from rest would move with the rounding.
    """
    row, index = np.arange(near.size), np.arange(part.s.size)
    at = np.where(np.isfinite(near), near, 0.0)
    reach = ONSET_TIME * part.rows.v[row, at.astype(np.intp)] / part.steps[row, at.astype(np.intp)]
    before = (index <= at[:, None]) & (index >= (at - reach)[:, None])
    after = (index >= at[:, None]) & (index <= (at + reach)[:, None])
    highest = np.where(before, part.foot, -np.inf).max(axis=1)
    lowest = np.where(after, part.foot, np.inf)
    level = 0.5 * (highest + lowest.min(axis=1))
    onset = _crossing(-part.foot, -level, np.asarray(lowest.argmin(axis=1)), -1)
    return np.where(np.isfinite(near), onset, np.nan)


def _coasting(part: Window, slowest: Index, start: Array, end: Array) -> dict[str, Array]:
    """Time with neither pedal down, before the braking and after it [s]."""
    index = np.arange(part.s.size)
    times = part.steps / part.rows.v
    neither = ~part.driven & ~part.braked
    lift = last_true(part.driven & (index < start[:, None]))
    driving = first_true(part.driven & (index >= slowest[:, None]), part.s.size)
    before = neither & (index > lift[:, None]) & (index < start[:, None])
    after = neither & (index > end[:, None]) & (index < driving[:, None])
    return {
        "coasting_before": np.where(before, times, 0.0).sum(axis=1),
        "coasting_after": np.where(after, times, 0.0).sum(axis=1),
    }


def _power(part: Window, slowest: Index, lifted: Mask) -> dict[str, Array]:
    """Where the power comes in after the lowest speed, and how long it takes; nowhere where it stays on."""
    index = np.arange(part.s.size)
    gain = np.where(index >= slowest[:, None], part.foot, -np.inf)
    peak = gain.max(axis=1)
    clear = (peak > BRAKED) & lifted
    clock = _clock(part)
    weak = -part.foot  # below a level where the acceleration is above it
    onset = _crossing(weak, -POWER_ONSET * peak, slowest, 1)
    from_onset = np.where(np.isfinite(onset), onset, slowest).astype(np.intp)
    nearly = _crossing(weak, -POWER_NEARLY * peak, from_onset, 1)
    return {
        "drive_point": np.where(clear, _value(part.s, onset), np.nan),
        "power_take_up": np.where(clear, _value(clock, nearly) - _value(clock, onset), np.nan),
    }


def _power_dip(part: Window, mark: CornerMarks) -> Array:
    """Largest fall of the acceleration between two rises on the way out (R,) [m/s²]."""
    leaving = np.flatnonzero(_between(part, min(mark.minimum_speed, mark.apex) - 4.0, mark.track_out + 10.0))
    gain = part.rows.ax[:, leaving]
    before = np.maximum.accumulate(gain, axis=1)
    after = np.maximum.accumulate(gain[:, ::-1], axis=1)[:, ::-1]
    dip = (np.minimum(before, after) - gain).max(axis=1)
    at = (np.minimum(before, after) - gain).argmax(axis=1)
    # Without power before it, a dip is braking or rolling on into the corner.
    return np.where(before[np.arange(at.size), at] > DIP_AFTER, dip, 0.0)


def _line(sheet: Sheet, part: Window, mark: CornerMarks) -> dict[str, Array]:
    """Turn-in, apex and the use of the road."""
    track, n, half = sheet.track, part.rows.n, 0.5 * sheet.kart.width
    left, right = along(track, track.w_left, part.s), along(track, track.w_right, part.s)
    inner, outer = (left, right) if part.side > 0.0 else (right, left)
    inside, outside = inner - part.side * n, outer + part.side * n
    bend = part.side * part.rows.kappa
    turning = _between(part, mark.turn_in - 10.0, mark.apex + 10.0)
    sharpest = np.where(turning, bend, -np.inf).argmax(axis=1)
    peak = bend[np.arange(sharpest.size), sharpest]
    turn_in = _crossing(bend, TURNING_SHARE * peak, sharpest, -1)
    corner = _between(part, mark.turn_in, mark.track_out)
    gap = np.where(corner, inside, np.inf)
    near = gap < gap.min(axis=1, keepdims=True) + APEX_PLATEAU
    place = np.where(near, part.s, 0.0).sum(axis=1) / near.sum(axis=1)
    leaving = _between(part, mark.apex, mark.track_out + PAST_TRACK_OUT)
    local = sheet.s[0] + np.mod(part.s - sheet.s[0], sheet.s[-1] - sheet.s[0]) if track.closed else part.s
    kerbs = [kerb_width(track, side, local) > 0.0 for side in ("left", "right")]
    over = np.where(kerbs[0], half - (left - n), -np.inf), np.where(kerbs[1], half - (right + n), -np.inf)
    used = np.where(corner | leaving, np.maximum(*over), -np.inf).max(axis=1)
    return {
        "turn_in": _value(part.s, turn_in),
        "apex_place": place,
        "apex_distance": _at(part, inside, mark.apex),
        "apex_miss": -part.side * _at(part, n, mark.apex),
        "track_out_room": np.where(leaving, outside, np.inf).min(axis=1) - half,
        "kerb_used": np.where(np.isfinite(used), np.maximum(used, 0.0), np.nan),
    }


def _steering(sheet: Sheet, part: Window, mark: CornerMarks) -> dict[str, Array]:
    """Steering through the corner: reversals, and the effort against the straightest line."""
    corner = np.flatnonzero(_between(part, mark.turn_in - 10.0, mark.track_out + 10.0))
    kappa = part.rows.kappa[:, corner]
    straightest = curve_at(sheet.track.reference, np.mod(part.s[corner], sheet.track.length)).kappa
    turns = _reversals(kappa, STEERED * np.abs(kappa).max(axis=1))
    least = np.abs(np.diff(straightest)).sum()
    return {
        "reversals": turns,
        "steering_effort": np.abs(np.diff(kappa, axis=1)).sum(axis=1) / max(float(least), 1e-6),
    }


def _reversals(values: Array, least: Array) -> Array:
    """Changes of direction of each row (R, W) that go on for more than ``least`` (R,)."""
    high, low = values[:, 0].copy(), values[:, 0].copy()
    way, count = np.zeros(high.size), np.zeros(high.size)
    for column in values.T:
        high, low = np.maximum(high, column), np.minimum(low, column)
        down, up = (way >= 0.0) & (column < high - least), (way <= 0.0) & (column > low + least)
        count += (down & (way > 0.0)) | (up & (way < 0.0))
        way = np.where(down, -1.0, np.where(up, 1.0, way))
        turned = down | up
        high, low = np.where(turned, column, high), np.where(turned, column, low)
    return count


def _slide(part: Window, mark: CornerMarks, end: Array) -> tuple[Array, Array]:
    """Speed lost from the slowest point on beyond rolling, with the cornering grip asked for (R,) [m/s].

    After the main braking; and whatever it is, because a slide on the way in cannot be told from braking by itself.
    """
    index = np.arange(part.s.size)
    begin = max(min(mark.apex, mark.minimum_speed) - SLIDE_AHEAD, mark.turn_in)
    near = _between(part, begin, mark.track_out + 10.0)
    side = np.abs(part.rows.kappa) * part.rows.v**2
    # Full cornering grip as this lap shows it: its own hardest cornering about here.
    most = np.where(near, side, 0.0).max(axis=1, keepdims=True)
    force = push(part.rows)
    sliding = near & (side > SLIDING_SHARE * most) & (force < -SLIDING)
    lost = np.where(sliding, -force * part.steps / part.rows.v, 0.0)
    return np.where(index > end[:, None], lost, 0.0).sum(axis=1), lost.sum(axis=1)
