"""Habits that cost time: what each corner's losses say the driver does, with what it costs and how sure that is.

A corner's line loss and causes (:mod:`linelab.coaching.causes`) say how much; its signs (:mod:`linelab.coaching.signs`)
say what the driver did.  The mean over the laps is the habit; its uncertainty comes from the laps' own scatter, from
what the receiver's noise is worth, and from the few receptions of a faultless lap that it is held against.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.marked import SessionMarks
from linelab.coaching.pedals import Index
from linelab.coaching.shown import not_early
from linelab.coaching.signs import Signs, read_signs, session_means
from linelab.coaching.typical import typical_laps
from linelab.coaching.values import Cause, FaultKind
from linelab.comparison.measured import Measured
from linelab.units import Array

#: The line swings inside early by this much more than a position bias would make it [m], and costs at least this [s],
#: and this share of what the corner costs in speed [-].
SWUNG, COSTS, COSTS_SHARE = 0.15, 0.03, 0.3
#: A smaller swing than that [m] shows it where the line costs this share of its speed before the apex [-].
HOOKED, MOSTLY_AHEAD = 0.05, 0.7
#: An apex is missed by this much more than the position is certain [m].
MISSED = 0.2
#: Strength of the braking over the faultless lap's that is soft, and share of the missing speed lost by rolling that is
#: coasting [-].
SOFT, MOSTLY_ROLLED = 0.8, 0.5
#: What the habit is called from the slowest point on.
LOST: dict[str, FaultKind] = {"slid": "slide", "dipped": "power_abrupt"}
#: Least that a habit costs in a corner to be told [s], and in how many standard deviations it must be clear of none.
LEAST_CORNER, CLEAR = 0.045, 3.0
#: What sound drivers' feet and hands may differ by in a corner [s]: a habit must be clearly above it.
PLAIN = 0.025
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


def find_habits(analysis: Analysis, marked: SessionMarks) -> list[Finding]:
    """Every habit of every corner, significant or not, dearest first; from the typical laps."""
    typical = typical_laps(analysis.sheet.t[:, -1])
    corners = len(analysis.marks)
    ledger = analysis.ledger
    line = ledger.by_corner(analysis.human, corners)
    causes = {name: ledger.by_corner(values, corners) for name, values in ledger.causes.items()}
    means = session_means(analysis)
    every = [read_signs(analysis, means, k) for k in range(corners)]
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
            for kind, amount in _shared(
                signs, line[:, k], parts, means.laps, late=not_early(marked, typical, k)
            ).items()
        ]
    return sorted(found, key=lambda finding: -(finding.cost.value or 0.0))


def _gathered(analysis: Analysis, every: list[Signs], line: Array) -> Array:
    """Line losses (R, C) with those that belong to a neighbour given to it.

    One deviation runs on into corners close by: the corner where the line is most clearly off has caused it.
    """
    apex = [mark.apex for mark in analysis.marks]
    length = float(analysis.sheet.s[-1] - analysis.sheet.s[0]) if analysis.sheet.track.closed else math.inf
    off = [np.nan_to_num(max(_swung(signs), abs(signs.miss) / (MISSED + signs.place_sigma))) for signs in every]
    found = line.copy()
    for k in range(len(every)):
        near = [j % len(every) for j in (k - 1, k + 1)]
        near = [j for j in near if j != k and min(abs(apex[j] - apex[k]), length - abs(apex[j] - apex[k])) < CLOSE]
        worst = max(near, key=lambda j: off[j], default=k)
        if off[worst] > max(CAUSED * off[k], 1.0):
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


def _swung(signs: Signs) -> float:
    """How far the line swings inside early, over what is clearly more than a position bias would make of it [-].

    A constant bias turns with the corner and looks like a swing.
    """
    return signs.swing / (SWUNG + signs.place_sigma * signs.turned)


def _shared(
    signs: Signs, line: Array, causes: dict[Cause, Array], laps: Index, *, late: bool
) -> dict[FaultKind, Array]:
    """Line loss and causes of one corner (R,) given to what the signs say the driver did.

    ``late`` is whether the marks speak against an early turn-in: a line a hand's breadth off both edges swings inside
    as well.
    """
    found: dict[FaultKind, Array] = {}

    def add(kind: FaultKind, *amounts: Array) -> None:
        found[kind] = np.sum([found.get(kind, np.zeros_like(line)), *amounts], axis=0)

    low, power, braking = causes["minimum_speed"], causes["power"], causes["braking"]
    prepared = causes["coasting"] + braking
    on_line, in_speed = float(line[laps].mean()), float((low + power)[laps].mean())
    missed = signs.miss > MISSED + signs.place_sigma
    # The apex is hit, and the line has cost speed before it: steered in too soon, then too sharply.
    hooked = not missed and signs.swing > HOOKED and signs.ahead > MOSTLY_AHEAD
    early = not late and (_swung(signs) > 1.0 or hooked) and on_line > max(COSTS, COSTS_SHARE * in_speed)
    if early or (missed and on_line > in_speed):
        # What a line clearly off costs in speed, a second turn of the wheel and a slow way out, comes with it.
        add("turns_in_early" if early else "apex_missed", line, low, power)
        low = power = 0.0 * low
    else:
        add("apex_missed" if missed else "line_other", line)
    on_the_way_in = _on_the_way_in(signs)
    if on_the_way_in == "coasts" and signs.braking < SOFT:
        # Nothing slows the kart but rolling, and so does the speed it is left with at the slowest point.
        add("coasts", prepared, low)
        add("power_late", power)
    elif signs.middle in LOST and float((low + power)[laps].mean()) > float(prepared[laps].mean()):
        # A kart that slides slows before the slowest point of its line, or is slower there than it need have been.
        add(LOST[signs.middle], low, power, prepared)
    elif float(low[laps].mean()) < float(prepared[laps].mean()):
        # Whoever slows too early or too gently rolls on into the corner: what that costs there is the same habit's.
        add(on_the_way_in, prepared, low)
        add(LOST.get(signs.middle, "power_late"), power)
    elif signs.middle == "waited":
        add(on_the_way_in, prepared)
        add("power_late", low, power)
    else:
        add(on_the_way_in, prepared)
        add("too_slow_in_corner", low)
        add(LOST.get(signs.middle, "power_late"), power)
    return found


def _on_the_way_in(signs: Signs) -> FaultKind:
    """What the driver does wrong before the slowest point."""
    if signs.rolled > MOSTLY_ROLLED:
        return "coasts"
    # Gentle braking begins early by itself: where it is clearly gentle, that is the cause.
    return "brakes_softly" if signs.braking < SOFT else "brakes_early"
