"""Marks of the corners as they were driven: line, speed, braking, coasting, power and slides.

All laps of a session and their draws are read at once, cut out about each corner from the one before to the one after.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.coaching.side_by_side import Rows, Sheet
from linelab.diagnosis.marks import (
    APEX_PLATEAU,
    BRAKE_ONSET,
    BRAKED,
    ONSET_TIME,
    TURNING_SHARE,
    CornerMarks,
    Index,
    Mask,
    brake_onset,
    by_hand,
    crossing,
    first_true,
    last_true,
    power_onset,
)
from linelab.geometry.curve import curve_at
from linelab.model.grip_field import kerb_width
from linelab.model.track import along
from linelab.units import Array

#: The kart is driven where it gains this share of what full power gives it [-], and at least this much [m/s²], on
#: what it does with both pedals up; it is braked where it loses BRAKED more.  Between the two it coasts.
DRIVEN_SHARE, DRIVEN = 0.25, 0.3
#: A pedal is down or up for at least this many metres; shorter is ripple.
LEAST_RUN = 4.0
#: Half the width of the triangular mean over which a foot's work is read from the speed [s]: about the time a pedal
#: takes, and what receivers resolve.
FOOT_TIME = 0.1


def averaged(rows: Rows, step: float, time: float = FOOT_TIME) -> Array:
    """Acceleration (R, N) averaged over ``time`` [s] to either side, by a triangle; stations ``step`` apart [m/s²].

    An estimate of a recorded lap rounds an onset over some tenths of a second, and has ripples of that length; a
    computed lap has neither.  Read through the same mean their marks agree, and noise weighs less.
    """
    if time == 0.0:
        return rows.ax
    way = np.cumsum(0.5 * (rows.stretch[:, 1:] + rows.stretch[:, :-1]) * step, axis=1)
    way = np.concatenate([np.zeros((len(rows.v), 1)), way], axis=1)
    half = np.minimum(rows.v * time, np.maximum(np.minimum(way, way[:, -1:] - way), step))
    once = _slopes(0.5 * rows.v**2, way, half)
    gained = np.cumsum(0.5 * (once[:, 1:] + once[:, :-1]) * np.diff(way, axis=1), axis=1)
    return _slopes(np.concatenate([np.zeros((len(once), 1)), gained], axis=1), way, half)


def _slopes(values: Array, way: Array, half: Array) -> Array:
    """Mean slope of values (R, N) over ``half`` (R, N) of the way (R, N) to either side, short of the ends."""
    low, high = np.maximum(way - half, way[:, :1]), np.minimum(way + half, way[:, -1:])
    gains = [np.interp(b, w, v) - np.interp(a, w, v) for a, b, w, v in zip(low, high, way, values)]
    return np.asarray(np.array(gains).reshape(values.shape) / (high - low))


def push(rows: Rows) -> Array:
    """Acceleration beyond that with both pedals up (R, N) [m/s²]."""
    return np.asarray(rows.ax - rows.roll)


def pedals(force: Array, full: Array, step: float = LEAST_RUN) -> tuple[Mask, Mask]:
    """Where the kart is driven and where it is braked (R, N), ripple taken out.

    Parameters
    ----------
    force, full : (R, N) array
        Acceleration beyond that with both pedals up, and what full power makes of it [m/s²].
    step : float
        Spacing of the stations [m]; not given for a computed lap, which has no ripple.
    """
    least = max(round(LEAST_RUN / step), 1)
    return runs(force > np.maximum(DRIVEN_SHARE * full, DRIVEN), least), runs(force < -BRAKED, least)


def runs(mask: Mask, least: int) -> Mask:
    """The mask (R, N) without its runs shorter than ``least`` nodes; the ends of the lap are taken as joined."""
    wide = np.concatenate([mask[:, -least:], mask, mask[:, :least]], axis=1)
    kept = wide.copy()
    for shift in range(1, least):  # what survives an erosion ...
        kept[:, :-shift] &= wide[:, shift:]
    grown = kept.copy()
    for shift in range(1, least):  # ... grown again
        grown[:, shift:] |= kept[:, :-shift]
    return grown[:, least:-least]


def main_run(mask: Mask, weight: Array) -> tuple[Index, Index, Mask]:
    """First and last index of each row's weightiest run of True (R,), and whether there is one.

    ``weight`` (R, W) is added up over each run.
    """
    rows, width = mask.shape
    first = mask & ~np.concatenate([np.zeros((rows, 1), dtype=bool), mask[:, :-1]], axis=1)
    label = np.cumsum(first, axis=1) - 1
    most = int(label.max(initial=-1)) + 1
    if most <= 0:
        none = np.zeros(rows, dtype=np.intp)
        return none, none, np.zeros(rows, dtype=bool)
    flat = np.arange(rows)[:, None] * most + np.maximum(label, 0)
    sums = np.bincount(flat[mask], weights=weight[mask], minlength=rows * most).reshape(rows, most)
    chosen = mask & (label == sums.argmax(axis=1)[:, None])
    start = chosen.argmax(axis=1)
    end = width - 1 - chosen[:, ::-1].argmax(axis=1)
    return np.asarray(start), np.asarray(end), np.asarray(mask.any(axis=1))


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


def value_at(part: Window, values: Array, station: float) -> Array:
    """Values (R,) at a station."""
    place = np.clip((station - part.s[0]) / (part.s[1] - part.s[0]), 0.0, part.s.size - 1.001)
    i = int(place)
    return np.asarray(values[:, i] + (place - i) * (values[:, i + 1] - values[:, i]))


def between(part: Window, low: float, high: float) -> Mask:
    """Nodes between two stations (W,)."""
    return np.asarray((part.s >= low) & (part.s <= high))


def clock_of(part: Window) -> Array:
    """Time since the window's first node (R, W) [s]."""
    v = part.rows.v
    steps = 2.0 * part.steps[:, :-1] / (v[:, 1:] + v[:, :-1])
    return np.concatenate([np.zeros((v.shape[0], 1)), np.cumsum(steps, axis=1)], axis=1)


def at_index(table: Array, place: Array) -> Array:
    """Values of (W,) or (R, W) at fractional indices (R,); NaN stays NaN."""
    known = np.isfinite(place)
    at = np.where(known, place, 0.0)
    i = np.clip(at.astype(np.intp), 0, table.shape[-1] - 2)
    row = np.arange(place.size)
    a, b = (table[i], table[i + 1]) if table.ndim == 1 else (table[row, i], table[row, i + 1])
    return np.where(known, a + (at - i) * (b - a), np.nan)


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
    figures["brake_over"] = beyond.max(axis=1)  # also given for draws without a braking, for the spread
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


#: How far past the track-out the room at the exit is looked at [m].
PAST_TRACK_OUT = 15.0
#: A change of curvature of this share of the sharpest counts as steering [-].
STEERED = 0.125

Figures = dict[str, Array]


def corner_figures(
    sheet: Sheet, rows: Rows, marks: tuple[CornerMarks, ...], k: int, feet: Feet, room: tuple[float, float]
) -> dict[str, Array]:
    """Every mark of one corner by name (R,); NaN where a row has none.

    ``room`` are the unwrapped stations between which the lowest speed is looked for.
    """
    part, mark = corner_window(sheet, rows, marks, k, feet), marks[k]
    slowest, dip, lifted = _slowest(part, room)
    found = braking(part, slowest)
    found |= coasting(part, slowest, found.pop("start"), found["end"])
    found |= power(part, slowest, lifted)
    found["power_dip"] = power_dip(part, mark)
    found |= _line(sheet, part, mark)
    found |= _steering(sheet, part, mark)
    found["slide"] = slide(part, mark, found.pop("end"))
    at = np.arange(rows.v.shape[0])
    # Who comes into the room faster and faster, or leaves it slower and slower, is slowest at an end of the corner.
    turned = np.where(between(part, mark.turn_in, mark.track_out), part.rows.v, np.inf)
    found["min_speed"] = np.where(dip, part.rows.v[at, slowest], turned.min(axis=1))
    found["min_speed_place"] = np.where(dip, part.s[slowest] - mark.apex, np.nan)
    found["entry_speed"] = value_at(part, part.rows.v, mark.turn_in)
    found["entry_slope"], found["exit_slope"] = (
        value_at(part, part.rows.ax / part.rows.v, station) for station in (mark.turn_in, mark.track_out)
    )  # [1/s]
    found["exit_speed"] = value_at(part, part.rows.v, mark.track_out)
    return found


def all_figures(
    sheet: Sheet,
    rows: Rows,
    marks: tuple[CornerMarks, ...],
    rooms: list[tuple[float, float]],
    *,
    foot_time: float = FOOT_TIME,
) -> Figures:
    """Marks of every corner: name to (R, C); ``foot_time`` as in :func:`linelab.coaching.driven_marks.averaged` [s]."""
    step = float(sheet.s[1] - sheet.s[0])
    ax = averaged(rows, step, foot_time)
    feet = Feet(ax, *pedals(ax - rows.roll, rows.full, step))
    rows = rows._replace(kappa=by_hand(rows.kappa, step))
    each = [corner_figures(sheet, rows, marks, k, feet, rooms[k]) for k in range(len(marks))]
    return {name: np.array([figures[name] for figures in each]).T for name in each[0]} if each else {}


def _slowest(part: Window, room: tuple[float, float]) -> tuple[Index, Mask, Mask]:
    """Index of the lowest speed in the room (R,), whether the speed rises on both sides of it, and whether it falls
    towards it: where it does not, the kart comes into the room faster and faster."""
    inside = between(part, *room)
    v = np.where(inside, part.rows.v, np.inf)
    at = v.argmin(axis=1)
    first, last = int(inside.argmax()), inside.size - 1 - int(inside[::-1].argmax())
    return np.asarray(at), np.asarray((at > first) & (at < last)), np.asarray(at > first)


def _line(sheet: Sheet, part: Window, mark: CornerMarks) -> dict[str, Array]:
    """Turn-in, apex and the use of the road."""
    track, n, half = sheet.track, part.rows.n, 0.5 * sheet.kart.width
    left, right = along(track, track.w_left, part.s), along(track, track.w_right, part.s)
    inner, outer = (left, right) if part.side > 0.0 else (right, left)
    inside, outside = inner - part.side * n, outer + part.side * n
    bend = part.side * part.rows.kappa
    turning = between(part, mark.turn_in - 10.0, mark.apex + 10.0)
    sharpest = np.where(turning, bend, -np.inf).argmax(axis=1)
    peak = bend[np.arange(sharpest.size), sharpest]
    turn_in = crossing(bend, TURNING_SHARE * peak, sharpest, -1)
    corner = between(part, mark.turn_in, mark.track_out)
    leaving = between(part, mark.apex, mark.track_out + PAST_TRACK_OUT)
    local = sheet.s[0] + np.mod(part.s - sheet.s[0], sheet.s[-1] - sheet.s[0]) if track.closed else part.s
    kerbs = [kerb_width(track, side, local) > 0.0 for side in ("left", "right")]
    over = np.where(kerbs[0], half - (left - n), -np.inf), np.where(kerbs[1], half - (right + n), -np.inf)
    used = np.where(corner | leaving, np.maximum(*over), -np.inf).max(axis=1)
    return {
        "turn_in": at_index(part.s, turn_in),
        **_at_apexes(part, mark, inside, corner),
        "track_out_room": np.where(leaving, outside, np.inf).min(axis=1) - half,
        "kerb_used": np.where(np.isfinite(used), np.maximum(used, 0.0), np.nan),
    }


def _at_apexes(part: Window, mark: CornerMarks, inside: Array, corner: Mask) -> Figures:
    """The line (R, W) about each apex: where it is closest to the inside edge, how close it is at the computed lap's
    apex, and the offset there away from that edge; NaN where there is no other apex.

    Between two apexes half-way is where the one's side ends and the other's begins.
    """
    found: Figures = {}
    middle = 0.5 * sum(mark.apexes) if mark.other_apex is not None else np.inf
    for name, station in (("apex", mark.apex), ("other_apex", mark.other_apex)):
        if station is None:
            found |= {f"{name}_{what}": np.full(len(inside), np.nan) for what in ("place", "distance", "miss")}
            continue
        gap = np.where(corner & ((part.s < middle) == (station < middle)), inside, np.inf)
        near = gap < gap.min(axis=1, keepdims=True) + APEX_PLATEAU
        found[f"{name}_place"] = np.where(near, part.s, 0.0).sum(axis=1) / near.sum(axis=1)
        found[f"{name}_distance"] = value_at(part, inside, station)
        found[f"{name}_miss"] = -part.side * value_at(part, part.rows.n, station)
    return found


def _steering(sheet: Sheet, part: Window, mark: CornerMarks) -> dict[str, Array]:
    """Steering through the corner: reversals, and the effort against the straightest line."""
    corner = np.flatnonzero(between(part, mark.turn_in - 10.0, mark.track_out + 10.0))
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
