"""A session worked through once: speeds the lines allowed, grip shown, lost time by interval, corner and cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from linelab.coaching.causes import Ledger, Windows, credited, find_windows, owners, technique
from linelab.coaching.faultless import ideal_lap, receptions_of
from linelab.coaching.grid import Rows, Sheet, computed_rows, session_sheet, with_speed
from linelab.coaching.pedals import Index
from linelab.coaching.profiles import (
    Low,
    able_speed,
    held_speed,
    interval_times,
    lowest_points,
    path_length,
    scaled,
)
from linelab.coaching.shown_grip import demonstrated_grip
from linelab.coaching.shown_power import demonstrated_power
from linelab.coaching.stacked import best_of, joined, rippled, stacked, with_draws
from linelab.coaching.unjudged import lines_unjudged, too_coarse
from linelab.coaching.values import ShownGrip
from linelab.comparison.corner_review import minimum_rooms
from linelab.comparison.estimate import DrivenLap
from linelab.comparison.marks import CornerMarks, find_marks
from linelab.comparison.measured import Measured
from linelab.comparison.seen import as_seen
from linelab.comparison.segments import time_at
from linelab.grip import Surface
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.track import Track
from linelab.units import Array

#: Share of the rows that must show a corner to be slowed for, for it to count as that in all [-].
SETTLED = 0.3
#: A corner's own minimum speed lies within this of the place where it is slowest at best [m].
NEAR = 8.0


class Speeds(NamedTuple):
    """Speeds on each row's own line at the shown grip (R, N) [m/s]; see :mod:`linelab.coaching.profiles`."""

    best: Array
    able: Array
    held: Array


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Analysis:
    """What the reviews of a session are made from.

    Rows (R) are the laps, then SPLIT_DRAWS draws of each, then RECEPTIONS noisy receptions of a faultless lap: the
    ideal line at the shown grip as a good driver's hands and feet would drive it.

    Parameters
    ----------
    sheet : Sheet
    reference : Lap
    marks : tuple of CornerMarks
        Of the reference lap.
    seen : Rows
        The reference lap as this receiver would have shown it, without noise, (1, N).
    grip : ShownGrip
    power : Measured
        Drive force shown, as a factor on the kart's [-].
    rows : Rows
        (R, N).
    speeds : Speeds
    best : list of Lap
        Best possible on each row's own line at the shown grip.
    low : Low
    windows : Windows
    ledger : Ledger
        Against the reference lap, all rows.  Causes are what exceeds the faultless lap's.
    receptions : int
        How many of the last rows are receptions.
    reason : str
        Why nothing within a corner is told apart; empty where it is.
    line_reason : str
        Why lines are not judged, and with them not what the speed on them costs; empty where they are.
    """

    sheet: Sheet
    reference: Lap
    marks: tuple[CornerMarks, ...]
    seen: Rows
    grip: ShownGrip
    power: Measured
    rows: Rows
    speeds: Speeds
    best: list[Lap]
    low: Low
    windows: Windows
    ledger: Ledger
    receptions: int
    reason: str = ""
    line_reason: str = ""

    @property
    def untold(self) -> str:
        """Why line and causes are not told apart; empty where they are."""
        return self.reason or self.line_reason

    @property
    def count(self) -> int:
        """Laps; the rows after them are draws and receptions."""
        return self.sheet.count

    def noise(self, values: Array) -> Array:
        """Standard deviation that the receiver's noise gives figures of all rows (R, ...), for one lap (...).

        Pooled over the laps' draws and the receptions of the faultless lap, whichever is larger: draws show how the
        estimate may be off, receptions how it comes out for the same lap driven again.
        """
        laps = values[: self.count]
        draws = values[self.count : values.shape[0] - self.receptions]
        again = values[values.shape[0] - self.receptions :]
        by_draws, by_receptions = np.zeros(values.shape[1:]), np.zeros(values.shape[1:])
        if draws.shape[0]:
            off = draws.reshape(self.count, -1, *values.shape[1:]) - laps[:, None]
            by_draws = np.nanstd(off, axis=(0, 1))
        if again.shape[0] > 1:
            by_receptions = np.nanstd(again, axis=0, ddof=1)
        return np.asarray(np.maximum(by_draws, by_receptions))


def analyse(
    track: Track,
    kart: Kart,
    driven: Sequence[DrivenLap],
    reference: Lap,
    *,
    grip: float = 1.0,
    stations: Array | None = None,
) -> Analysis:
    """Work through a session.

    Parameters
    ----------
    driven : sequence of DrivenLap
        In order of time.
    reference : Lap
        The minimum-time lap of this track, kart and grip.
    grip : float
        The factor on mu that the reference lap was solved for [-].
    stations : (N,) array, optional
        The common stations [m]; spaced like the laps' own nodes when not given.

    Raises
    ------
    InputError
        No lap, or laps of another track.
    """
    sheet = session_sheet(track, kart, driven, grip=grip, stations=stations)
    marks = find_marks(track, reference, kart)
    rooms = [_room(sheet, room) for room in minimum_rooms(track, marks)]
    entry = float(max(reference.v[0], np.median(sheet.laps.v[:, 0])))
    ideal = ideal_lap(sheet, reference, 1.0)
    again = receptions_of(sheet, ideal)
    rows, surface = with_draws(sheet)
    at_once = best_of(sheet, stacked(sheet.laps, again.laps), joined(sheet.surface, again.surface), entry)
    numbers = tuple(mark.corner.number for mark in marks)
    shown = demonstrated_grip(stacked(sheet.laps, again.laps).v, at_once, sheet.count, rooms, numbers)
    factor = shown.factor.value or 1.0
    faultless = again.laps
    if factor != 1.0:
        slower = ideal_lap(sheet, reference, factor)
        faultless = with_speed(again, faultless.v * np.interp(sheet.s, slower.line.s, slower.v / ideal.v))
    rows, surface = stacked(rows, faultless), scaled(joined(surface, again.surface), factor)
    best = best_of(sheet, rows, surface, entry)
    hands = _hands(sheet, reference, ideal, factor, entry)
    speeds, low = _speeds(sheet, rows, surface, best, rooms)
    windows = find_windows(rows, marks, low, sheet.s, closed=track.closed)
    apexes = np.array([round((mark.apex - sheet.s[0]) / (sheet.s[1] - sheet.s[0])) for mark in marks], dtype=np.intp)
    windows = credited(windows, low, rows, speeds.able, apexes)
    seen = computed_rows(sheet, as_seen(track, reference, driven[0]))
    power = demonstrated_power(sheet)
    return Analysis(
        sheet=sheet, reference=reference, marks=marks, seen=seen, grip=shown, power=power, rows=rows, speeds=speeds,
        best=best, low=low, windows=windows, receptions=again.count,
        ledger=_ledger(sheet, rows, marks, reference, best, speeds, windows, again.count, hands),
        reason=too_coarse(driven), line_reason=lines_unjudged(sheet, best, power),
    )  # fmt: skip


def _hands(sheet: Sheet, reference: Lap, ideal: Lap, factor: float, entry: float) -> Array:
    """What the faultless line costs at best against the reference line, by interval (M,) [s]."""
    both = computed_rows(sheet, [ideal, reference])
    ground = Surface(
        *(
            np.array([np.interp(sheet.s, lap.line.s, getattr(lap.line, name)) for lap in (reference, reference)])
            for name in Surface._fields
        )
    )
    faultless, plain = best_of(sheet, both, scaled(ground, factor), entry)
    return np.asarray(np.diff(faultless.t - plain.t))


def _speeds(sheet: Sheet, rows: Rows, surface: Surface, best: list[Lap], rooms: list[Index]) -> tuple[Speeds, Low]:
    """What each row's own line allowed, and where that is slowest in each corner."""
    fast = np.array([lap.v for lap in best])
    low = _settled(lowest_points(fast, rooms), sheet.s.size - 1)
    distance = path_length(sheet, rows)
    held = held_speed(sheet, rippled(sheet, rows), surface, fast, low, _about(sheet, low, rooms))
    return Speeds(fast, able_speed(distance, fast), able_speed(distance, held)), low


def _settled(low: Low, count: int) -> Low:
    """The same for all rows where it is the same corner: rows that show no slowest point get the others' middle one.

    Where a corner is long and hardly faster at its ends, ripple decides in which laps it seems to be slowed for.
    """
    index, real = low.index.copy(), low.real.copy()
    for k in range(index.shape[1]):
        shown = real[:, k]
        if SETTLED <= shown.mean() < 1.0:
            first = index[shown, k][0]
            off = (index[shown, k] - first + count // 2) % count - count // 2
            index[~shown, k] = (first + int(np.median(off))) % count
            real[:, k] = True
    return Low(index=index, real=real)


def _about(sheet: Sheet, low: Low, rooms: list[Index]) -> list[Index]:
    """The part of each room within NEAR of the corner's slowest point at best.

    Farther away the kart may be slower for another reason: already slowing for the next corner, or after a slide.
    """
    reach, count = NEAR / float(sheet.s[1] - sheet.s[0]), sheet.s.size - 1
    found = []
    for k, room in enumerate(rooms):
        off = (low.index[:, k] - low.index[0, k] + count // 2) % count - count // 2
        away = np.abs(room - low.index[0, k] - np.median(off))
        kept = room[np.minimum(away, count - away) <= reach]
        found.append(kept if kept.size else room)
    return found


def _room(sheet: Sheet, room: tuple[float, float]) -> Index:
    """Indices of the nodes between two unwrapped stations, in driving order."""
    step, count = float(sheet.s[1] - sheet.s[0]), sheet.s.size - 1
    low, high = ((np.clip(end, sheet.s[0] - 1e4, sheet.s[-1] + 1e4) - float(sheet.s[0])) / step for end in room)
    index = np.arange(int(np.ceil(low)), int(np.floor(high)) + 1)
    return index % count if sheet.track.closed else index[(index >= 0) & (index <= count)]


def _ledger(
    sheet: Sheet, rows: Rows, marks: tuple[CornerMarks, ...], reference: Lap, best: list[Lap], speeds: Speeds,
    windows: Windows, receptions: int, hands: Array,
) -> Ledger:  # fmt: skip
    """Every interval's time against the reference lap, by owner and cause."""
    distance = path_length(sheet, rows)
    corner, phase = owners(windows, marks, sheet.s)
    step = float(sheet.s[1] - sheet.s[0])
    parts = technique(rows, windows, corner, distance, speeds.held, step)
    parts["minimum_speed"] = interval_times(distance, speeds.held) - interval_times(distance, speeds.able)
    line = np.diff(np.array([lap.t for lap in best]), axis=1)
    # What the estimate makes of a lap, and human feet of the pedals, is nobody's fault.
    line = line - line[-receptions:].mean(axis=0) + hands
    parts = {name: values - values[-receptions:].mean(axis=0) for name, values in parts.items()}
    steps = interval_times(distance, rows.v)  # of draws and receptions; a lap has its own clock
    own = np.diff(sheet.t, axis=1)
    kept = (rows.v.shape[0] - receptions) // sheet.count - 1
    steps[sheet.count : steps.shape[0] - receptions] += np.repeat(own - steps[: sheet.count], kept, axis=0)
    steps[: sheet.count] = own
    total = steps - np.diff(time_at(reference.line.s, reference.t, sheet.s))
    parts["pace"] = total - line - sum(parts.values())
    return Ledger(corner=corner, phase=phase, total=total, line=line, causes=parts)
