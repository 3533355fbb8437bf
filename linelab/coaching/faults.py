"""Habits that cost time: what each corner's losses say the driver does, with what it costs and how sure that is.

A corner's line loss and causes (:mod:`linelab.coaching.causes`) say how much; its marks say what the driver did.  The
mean over the laps is the habit; its uncertainty comes from the laps' own scatter, from what the receiver's noise is
worth, and from the few receptions of a faultless lap that it is held against.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.marked import SessionMarks, common
from linelab.coaching.marks import EXCESS
from linelab.coaching.typical import typical_laps
from linelab.coaching.values import Cause, FaultKind
from linelab.comparison.corner_review import edge_reason
from linelab.comparison.measured import Measured
from linelab.units import Array

#: What a mark must differ by to say what the driver did, in the mark's unit.
INSIDE, MISSED, SLID, DIPPED = 0.15, 0.2, 0.3, 0.7  #: [m], [m], [m/s], [m/s²]
ROLLED, WAITED, LATE, EARLY = 0.25, 0.15, 2.5, 3.0  #: coasting before and after [s], drive and brake point [m]
SLID_FROM = 10.0  #: a slide begins no farther before the apex than this [m]
SOFT = 0.88  #: share of the mean braking that the reference lap has at the shown grip [-]
#: Least that a habit costs in a corner to be told [s], and in how many standard deviations it must be clear of none.
LEAST_CORNER, CLEAR = 0.05, 3.0
#: What sound drivers' feet and hands may differ by in a corner [s]: a habit must be clearly above it.
PLAIN = 0.035
#: The stretch before an apex where an early turn-in shows, and over how much of it the place is averaged [m].
ENTRY, ENTRY_MEAN = 25.0, 8.0
#: Apexes this close belong to one movement [m], which the corner has caused whose line is off by this much more [-].
CLOSE, CAUSED = 35.0, 1.3
#: Habits whose cost is held against another line: where the corner begins and ends on it matters.
BY_LINE = ("apex_missed", "turns_in_early", "line_other")
#: What a model of a kart and a driver may be wrong by in a corner [s].
MODEL = 0.006


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Finding:
    """One habit in one corner.

    Parameters
    ----------
    kind : FaultKind
    corner : int
        Index into the corners in driving order.
    cost : Measured
        Mean over the laps [s].
    laps : (L,) array
        The same lap by lap [s].
    """

    kind: FaultKind
    corner: int
    cost: Measured
    laps: Array

    @property
    def significant(self) -> bool:
        """Whether it is told."""
        value, sigma = self.cost.value or 0.0, self.cost.sigma or 0.0
        return value > max(LEAST_CORNER, CLEAR * sigma, PLAIN + 2.0 * sigma)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Signs:
    """What the marks of one corner say, as medians over the laps against the reference lap as seen; NaN if unknown."""

    inside: float  #: how far inside the faultless line on the way in [m]
    miss: float  #: apex miss [m]
    place_sigma: float  #: standard deviation of both [m]
    slide: float  #: speed lost about the slowest point beyond rolling [m/s]
    brake_point: float
    brake_place: float  #: of the brake point after the apex [m]
    coasting_before: float
    coasting_after: float
    drive_point: float
    min_speed_place: float
    braking: float  #: mean braking over the reference lap's at the shown grip [-]
    power_dip: float
    braked: bool  #: whether a braking is seen on most laps


def find_habits(analysis: Analysis, marked: SessionMarks) -> list[Finding]:
    """Every habit of every corner, significant or not, dearest first; from the typical laps."""
    corners = len(analysis.marks)
    ledger = analysis.ledger
    line = ledger.by_corner(analysis.human, corners)
    causes = {name: ledger.by_corner(values, corners) for name, values in ledger.causes.items()}
    inside = entry_inside(analysis)
    every = [read_signs(analysis, marked, inside, k) for k in range(corners)]
    line = _gathered(analysis, every, line)
    found = []
    for k, signs in enumerate(every):
        parts = {name: values[:, k] for name, values in causes.items()}
        shift = moved_time(analysis, k)
        found += [
            Finding(
                kind=kind,
                corner=k,
                cost=habit_cost(analysis, amount, shift if kind in BY_LINE else 0.0),
                laps=amount[: analysis.count],
            )
            for kind, amount in _shared(signs, line[:, k], parts, _soft_cost(analysis, marked, signs, k)).items()
        ]
    return sorted(found, key=lambda finding: -(finding.cost.value or 0.0))


def _gathered(analysis: Analysis, every: list[Signs], line: Array) -> Array:
    """Line losses (R, C) with those that belong to a neighbour given to it.

    One deviation runs on into corners close by: the corner where the line is farthest off has caused it.
    """
    apex = [mark.apex for mark in analysis.marks]
    length = float(analysis.sheet.s[-1] - analysis.sheet.s[0]) if analysis.sheet.track.closed else math.inf
    off = [max(np.nan_to_num(abs(signs.miss)), np.nan_to_num(abs(signs.inside))) for signs in every]
    found = line.copy()
    for k in range(len(every)):
        near = [j % len(every) for j in (k - 1, k + 1)]
        near = [j for j in near if j != k and min(abs(apex[j] - apex[k]), length - abs(apex[j] - apex[k])) < CLOSE]
        worst = max(near, key=lambda j: off[j], default=k)
        if off[worst] > max(CAUSED * off[k], 2.0 * MISSED):
            found[:, worst] += line[:, k]
            found[:, k] -= line[:, k]
    return found


def moved_time(analysis: Analysis, k: int) -> float:
    """Standard deviation that a constant position bias gives the time in a corner [s]: its ends lie elsewhere.

    A bias moves each end by its part along the travel there, which is worth that way over the speed.
    """
    windows, rows, corners = analysis.windows, analysis.rows, len(analysis.marks)
    row = int(np.abs(analysis.sheet.t[:, -1] - np.median(analysis.sheet.t[:, -1])).argmin())
    ends = windows.begin[row, k], windows.begin[row, (k + 1) % corners]
    if not windows.closed and k == corners - 1:
        ends = windows.begin[row, k], windows.count
    psi, v = ((field[row, [int(end) % windows.count for end in ends]]) for field in (rows.psi, rows.v))
    change = np.diff([np.cos(psi) / v, np.sin(psi) / v], axis=1)
    bias = float(np.mean([drive.bias.sigma for drive in analysis.sheet.driven]))
    return bias * float(np.hypot(*change[:, 0]))


def habit_cost(analysis: Analysis, amount: Array, also: float = 0.0) -> Measured:
    """Mean over the laps of a cost known for all rows (R,), with its standard deviation; ``also`` is part of that."""
    laps = amount[: analysis.count][typical_laps(analysis.sheet.t[:, -1])]
    noise = float(analysis.noise(amount[:, None])[0])
    scatter = float(np.std(laps, ddof=1)) if laps.size > 2 else 0.0
    own = max(noise, scatter) / math.sqrt(laps.size)
    against = noise / math.sqrt(max(analysis.receptions, 1)) if analysis.receptions > 1 else 0.0
    return Measured(float(np.mean(laps)), math.sqrt(own**2 + against**2 + MODEL**2 + also**2))


def entry_inside(analysis: Analysis) -> Array:
    """How far inside the faultless lap's line each row runs shortly before each apex (R, C) [m].

    The largest mean over ENTRY_MEAN within the last ENTRY before the reference lap's apex, turn-in to just before it.
    """
    sheet, n = analysis.sheet, analysis.rows.n
    step, count = float(sheet.s[1] - sheet.s[0]), sheet.s.size - 1
    off = n - n[-analysis.receptions :].mean(axis=0)
    found = np.zeros((n.shape[0], len(analysis.marks)))
    for k, mark in enumerate(analysis.marks):
        begin = max(mark.turn_in, mark.apex - ENTRY)
        first, last = (int((place - float(sheet.s[0])) / step) for place in (begin, mark.apex - 3.0))
        width = max(round(ENTRY_MEAN / step), 1)
        span = np.arange(first, max(last, first + width) + 1)
        local = span % count if sheet.track.closed else np.clip(span, 0, count)
        total = np.cumsum(np.pad(off[:, local], ((0, 0), (1, 0))), axis=1)
        means = (total[:, width:] - total[:, :-width]) / width
        found[:, k] = (means if mark.corner.left else -means).max(axis=1)
    return np.asarray(found - found[-analysis.receptions :].mean(axis=0))


def read_signs(analysis: Analysis, marked: SessionMarks, inside: Array, k: int) -> Signs:
    """What the marks of corner ``k`` say."""
    typical = typical_laps(analysis.sheet.t[:, -1])
    figures = {name: values[typical] for name, values in marked.figures.items()}
    faultless, count = marked.faultless, int(typical.sum())

    def gap(name: str) -> float:
        return common(figures[name][:, k]) - float(faultless[name][k])

    def clear(name: str) -> float:
        """The gap less what noise alone might make of it."""
        return gap(name) - 2.0 * float(marked.ripple[name][k]) / math.sqrt(count)

    blind = any(edge_reason(analysis.sheet.track, drive) for drive in analysis.sheet.driven)
    return Signs(
        inside=math.nan if blind else float(np.median(inside[: analysis.count][typical, k])),
        miss=math.nan if blind else common(figures["apex_miss"][:, k]),
        place_sigma=common(marked.sigma["apex_miss"][:, k]),
        slide=clear(EXCESS),
        brake_point=gap("brake_point"),
        brake_place=common(figures["brake_point"][:, k]) - analysis.marks[k].apex,
        coasting_before=clear("coasting_before"),
        coasting_after=clear("coasting_after"),
        drive_point=clear("drive_point"),
        min_speed_place=gap("min_speed_place"),
        braking=common(figures["brake_mean"][:, k]) / max(float(faultless["brake_mean"][k]), 1e-6),
        power_dip=clear("power_dip"),
        braked=bool(np.isfinite(figures["brake_mean"][:, k]).mean() > 0.5),
    )


def _shared(signs: Signs, line: Array, causes: dict[Cause, Array], soft: Array) -> dict[FaultKind, Array]:
    """Line loss and causes of one corner (R,) given to what the signs say the driver did."""
    found: dict[FaultKind, Array] = {}

    def add(kind: FaultKind, amount: Array) -> None:
        found[kind] = found.get(kind, 0.0) + amount

    low, power, braking = causes["minimum_speed"], causes["power"], causes["braking"]
    rolled = signs.coasting_before > ROLLED
    if signs.inside > INSIDE + 0.5 * signs.place_sigma and signs.inside > 0.5 * INSIDE - signs.miss:
        add("turns_in_early", line + low + power)
    else:
        add("apex_missed" if signs.miss > MISSED + signs.place_sigma else "line_other", line)
        waited = signs.coasting_after > WAITED or signs.drive_point > LATE
        lost_it: FaultKind | None = None
        if signs.power_dip > DIPPED and not rolled:
            lost_it = "power_abrupt"
        elif signs.slide > SLID:
            lost_it = "slide"
        if lost_it is not None:
            add(lost_it, low + power)
            braked_early = signs.brake_point < -EARLY and signs.brake_place < -SLID_FROM
            if not (rolled or braked_early or signs.braking < SOFT):
                add(lost_it, braking)  # a slide on the way in looks like braking
                braking = 0.0 * braking
        elif rolled and not signs.braked:
            add("coasts", low)
            add("power_late", power)
        elif waited and signs.min_speed_place > 0.0:
            add("power_late", low + power)
        else:
            add("power_late", power)
            add("too_slow_in_corner", low)
    if rolled:
        add("coasts", causes["coasting"] + braking)
    elif signs.braking < SOFT:
        # Gentle braking begins early by itself: where it explains a good part of the loss, it is the cause of it.
        mostly = float(np.mean(soft)) > 0.35 * float(np.mean(braking))
        add("brakes_softly" if mostly else "brakes_early", causes["coasting"] + braking)
    else:
        add("coasts", causes["coasting"])
        add("brakes_early", braking)
    return found


def _soft_cost(analysis: Analysis, marked: SessionMarks, signs: Signs, k: int) -> Array:
    """What gentle braking alone costs on each row (R,) [s].

    Slowing from v1 to v0 at the deceleration a instead of b takes ``(v1 - v0)(1/a - 1/b)`` longer, on a way longer by
    ``(v1² - v0²)(1/a - 1/b)/2`` that would have been driven at v1: the difference is
    ``(1/a - 1/b)(v1 - v0)²/(2 v1)``.
    """
    ledger, corners = analysis.ledger, len(analysis.marks)
    braking = ledger.by_corner(ledger.causes["braking"], corners)[:, k]
    usual = float(marked.faultless["brake_mean"][k])
    own = common(marked.figures["brake_mean"][:, k])
    if not (math.isfinite(usual) and math.isfinite(own)) or own >= usual:
        return np.zeros_like(braking)
    windows, v = analysis.windows, analysis.rows.v
    row = np.arange(v.shape[0])
    fast = v[row, windows.brake[:, k] % windows.count]
    slow = v[row, np.minimum(windows.release[:, k], windows.low[:, k]) % windows.count]
    cost = (1.0 / own - 1.0 / usual) * np.maximum(fast - slow, 0.0) ** 2 / (2.0 * fast)
    return np.asarray(np.clip(cost, 0.0, np.maximum(braking, 0.0)))
