"""Marks of the corners as they were driven, for all laps and their draws at once."""

from __future__ import annotations

import numpy as np

from linelab.coaching.foot_marks import braking, coasting, power, power_dip, slide
from linelab.coaching.grid import Rows, Sheet
from linelab.coaching.pedals import FOOT_TIME, averaged, pedals
from linelab.coaching.window import Feet, Window, at_index, between, corner_window, value_at
from linelab.comparison.marks import APEX_PLATEAU, TURNING_SHARE, CornerMarks, by_hand
from linelab.comparison.onsets import Index, Mask, crossing
from linelab.geometry.curve import curve_at
from linelab.gripfield import kerb_width
from linelab.track import along
from linelab.units import Array

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
    """Marks of every corner: name to (R, C); ``foot_time`` as in :func:`linelab.coaching.pedals.averaged` [s]."""
    step = float(sheet.s[1] - sheet.s[0])
    ax = averaged(rows, step, foot_time)
    feet = Feet(ax, *pedals(rows._replace(ax=ax), step))
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
    gap = np.where(corner, inside, np.inf)
    near = gap < gap.min(axis=1, keepdims=True) + APEX_PLATEAU
    place = np.where(near, part.s, 0.0).sum(axis=1) / near.sum(axis=1)
    leaving = between(part, mark.apex, mark.track_out + PAST_TRACK_OUT)
    local = sheet.s[0] + np.mod(part.s - sheet.s[0], sheet.s[-1] - sheet.s[0]) if track.closed else part.s
    kerbs = [kerb_width(track, side, local) > 0.0 for side in ("left", "right")]
    over = np.where(kerbs[0], half - (left - n), -np.inf), np.where(kerbs[1], half - (right + n), -np.inf)
    used = np.where(corner | leaving, np.maximum(*over), -np.inf).max(axis=1)
    return {
        "turn_in": at_index(part.s, turn_in),
        "apex_place": place,
        "apex_distance": value_at(part, inside, mark.apex),
        "apex_miss": -part.side * value_at(part, n, mark.apex),
        "track_out_room": np.where(leaving, outside, np.inf).min(axis=1) - half,
        "kerb_used": np.where(np.isfinite(used), np.maximum(used, 0.0), np.nan),
    }


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
