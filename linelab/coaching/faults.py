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
from linelab.coaching.marked import SessionMarks, common, edge_reason
from linelab.coaching.values import FaultKind
from linelab.comparison.measured import Measured
from linelab.units import Array

#: What a mark must differ by to say what the driver did, in the mark's unit.
EARLY_TURN, MISSED, SLID = 1.5, 0.2, 0.3  #: [m], [m], [m/s]
ROLLED, WAITED, LATE = 0.25, 0.15, 2.5  #: coasting before [s], coasting after [s], drive point [m]
SOFT = 0.88  #: share of the mean braking that the reference lap has at the shown grip [-]
#: Least that a habit costs in a corner to be told [s], and in how many standard deviations it must be clear of none.
LEAST_CORNER, CLEAR = 0.03, 3.0
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
        return value > max(LEAST_CORNER, CLEAR * sigma)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Signs:
    """What the marks of one corner say, as medians over the laps against the reference lap as seen; NaN if unknown."""

    early_turn: float  #: how far ahead the line turns on the way in [m]
    early_turn_sigma: float
    miss: float
    miss_sigma: float
    slide: float
    coasting_before: float
    coasting_after: float
    drive_point: float
    min_speed_place: float
    braking: float  #: mean braking over the reference lap's at the shown grip [-]
    powered: float  #: how far after the drive point the slide comes; NaN without one [m]


def find_habits(analysis: Analysis, marked: SessionMarks) -> list[Finding]:
    """Every habit of every corner, significant or not, dearest first."""
    corners = len(analysis.marks)
    ledger = analysis.ledger
    line = ledger.by_corner(ledger.line, corners)
    causes = {name: ledger.by_corner(values, corners) for name, values in ledger.causes.items()}
    early = advance(analysis)
    found = []
    for k in range(corners):
        signs = read_signs(analysis, marked, early, k)
        parts = {name: values[:, k] for name, values in causes.items()}
        found += [
            Finding(kind=kind, corner=k, cost=habit_cost(analysis, amount), laps=amount[: analysis.count])
            for kind, amount in _shared(signs, line[:, k], parts, _soft_cost(analysis, marked, signs, k)).items()
        ]
    return sorted(found, key=lambda finding: -(finding.cost.value or 0.0))


def habit_cost(analysis: Analysis, amount: Array) -> Measured:
    """Mean over the laps of a cost known for all rows (R,), with its standard deviation."""
    laps = amount[: analysis.count]
    noise = float(analysis.noise(amount[:, None])[0])
    scatter = float(np.std(laps, ddof=1)) if laps.size > 2 else 0.0
    own = max(noise, scatter) / math.sqrt(laps.size)
    against = noise / math.sqrt(max(analysis.receptions, 1)) if analysis.receptions > 1 else 0.0
    return Measured(float(np.mean(laps)), math.sqrt(own**2 + against**2 + MODEL**2))


def advance(analysis: Analysis) -> Array:
    """How far ahead of the faultless lap each row's line turns on the way into each corner (R, C) [m].

    With psi the direction of travel, a line that does everything ``a`` metres earlier has
    ``psi(s) = psi_0(s + a)``: the integral of their difference over the entry is ``a`` times the turn made in it.  A
    constant position bias drops out.
    """
    sheet, psi = analysis.sheet, analysis.rows.psi
    step, count = float(sheet.s[1] - sheet.s[0]), sheet.s.size - 1
    usual = psi[-analysis.receptions :].mean(axis=0)
    off = np.arctan2(np.sin(psi - usual), np.cos(psi - usual))
    found = np.zeros((psi.shape[0], len(analysis.marks)))
    for k, mark in enumerate(analysis.marks):
        first, last = ((place - float(sheet.s[0])) / step for place in (mark.turn_in - 15.0, mark.apex))
        span = np.arange(int(first), max(int(last), int(first) + 5) + 1)
        local = span % count if sheet.track.closed else np.clip(span, 0, count)
        turned = np.unwrap(usual[local])
        turn = turned[-1] - turned[0]
        if abs(turn) > 0.1:
            found[:, k] = off[:, local].sum(axis=1) * step / turn
    return found


def read_signs(analysis: Analysis, marked: SessionMarks, early: Array, k: int) -> Signs:
    """What the marks of corner ``k`` say."""
    figures, reference = marked.figures, marked.reference
    count, grip = analysis.count, analysis.grip.factor.value or 1.0

    def gap(name: str) -> float:
        return common(figures[name][:, k]) - float(reference[name][k])

    blind = any(edge_reason(analysis.sheet, drive) for drive in analysis.sheet.driven)
    noise = float(analysis.noise(early[:, k : k + 1])[0])
    share = common(figures["brake_mean"][:, k]) / max(float(reference["brake_mean"][k]) * grip, 1e-6)
    return Signs(
        early_turn=float(np.median(early[:count, k])),
        early_turn_sigma=noise * math.sqrt(1.0 / count + 1.0 / max(analysis.receptions, 1)),
        miss=math.nan if blind else common(figures["apex_miss"][:, k]),
        miss_sigma=common(marked.sigma["apex_miss"][:, k]),
        slide=gap("slide"),
        coasting_before=gap("coasting_before"),
        coasting_after=gap("coasting_after"),
        drive_point=gap("drive_point"),
        min_speed_place=gap("min_speed_place"),
        braking=share,
        powered=math.nan,
    )


def _shared(signs: Signs, line: Array, causes: dict[str, Array], soft: Array) -> dict[FaultKind, Array]:
    """Line loss and causes of one corner (R,) given to what the signs say the driver did."""
    found: dict[FaultKind, Array] = {}

    def add(kind: FaultKind, amount: Array) -> None:
        found[kind] = found.get(kind, 0.0) + amount

    low, power, braking = causes["minimum_speed"], causes["power"], causes["braking"]
    turned_early = signs.early_turn > EARLY_TURN + 2.0 * signs.early_turn_sigma
    if turned_early:
        add("turns_in_early", line + low + power)
    else:
        missed = signs.miss > MISSED + signs.miss_sigma
        add("apex_missed" if missed else "line_other", line)
        if signs.slide > SLID:
            add("slide", low + power)
        else:
            waited = signs.coasting_after > WAITED or signs.drive_point > LATE
            add("power_late", power + (low if waited and signs.min_speed_place > 0.0 else 0.0))
            if not (waited and signs.min_speed_place > 0.0):
                add("too_slow_in_corner", low)
    if signs.coasting_before > ROLLED:
        add("coasts", causes["coasting"] + braking)
    else:
        add("coasts", causes["coasting"])
        if signs.braking < SOFT:
            add("brakes_softly", soft)
            add("brakes_early", braking - soft)
        else:
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
    usual = float(marked.reference["brake_mean"][k]) * (analysis.grip.factor.value or 1.0)
    own = common(marked.figures["brake_mean"][:, k])
    if not (math.isfinite(usual) and math.isfinite(own)) or own >= usual:
        return np.zeros_like(braking)
    windows, v = analysis.windows, analysis.rows.v
    row = np.arange(v.shape[0])
    fast = v[row, windows.brake[:, k] % windows.count]
    slow = v[row, np.minimum(windows.release[:, k], windows.low[:, k]) % windows.count]
    cost = (1.0 / own - 1.0 / usual) * np.maximum(fast - slow, 0.0) ** 2 / (2.0 * fast)
    return np.clip(cost, 0.0, np.maximum(braking, 0.0))
