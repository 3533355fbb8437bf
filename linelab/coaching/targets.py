"""What the driver is held against, and the ledger against it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.causes import Ledger, against
from linelab.coaching.values import Target, TargetKind
from linelab.comparison.narrowed import narrowed
from linelab.comparison.segments import time_at
from linelab.comparison.timed import timed_lap
from linelab.errors import InputError
from linelab.solve.mintime import solve_min_time
from linelab.solve.speed import speed_profiles
from linelab.units import Array

#: Least width of a corridor that is drawn in, in widths of the kart [-], and how well its lap time must be known [s].
LEAST_ROOM, ROUGH = 1.5, 0.05

TITLES: dict[TargetKind, str] = {
    "ideal": "the ideal lap",
    "shown_grip": "the ideal line at the grip you had",
    "own_best": "your own best lap",
    "own_parts": "the best of your own corners",
}
#: Targets that are made of the driver's own laps.
OWN: tuple[TargetKind, ...] = ("own_best", "own_parts")
WORDS: dict[TargetKind, str] = {
    "ideal": "the fastest lap that can be computed for this track, this kart and this grip; nobody drives all of it",
    "shown_grip": "the ideal line, driven with the grip that your own corner speeds show you had that day",
    "own_best": "your fastest sound lap of this session: what you have already done once",
    "own_parts": "for each corner the sound lap of this session on which you were quickest there, put together; "
    "measuring error makes it look a little better than it is",
}


def choose_target(analysis: Analysis, kind: TargetKind) -> tuple[Target, Ledger]:
    """A target, and every row's ledger against it.

    Raises
    ------
    InputError
        An unknown kind.
    """
    if kind not in TITLES:
        raise InputError(f"there is no target {kind!r}", where="target", remedy=f"Choose among {', '.join(TITLES)}")
    ledger, sheet = analysis.ledger, analysis.sheet
    best = int(np.argmin(sheet.t[:, -1]))
    own = sheet.driven[best]
    if kind == "ideal":
        return _target(kind, analysis.reference.lap_time, analysis, edge_error(analysis)), ledger
    if kind == "shown_grip":
        return _at_shown_grip(analysis)
    if kind == "own_best":
        row = ledger.pick(slice(best, best + 1))
        target = _target(kind, float(sheet.t[best, -1]), analysis, own.lap_time_sigma)
        return replace(target, lap=own.lap, title=f"{TITLES[kind]} ({own.lap.label})"), against(ledger, row)
    row = _parts(analysis, best)
    lap_time = analysis.reference.lap_time + float(row.total.sum())
    return replace(_target(kind, lap_time, analysis, own.lap_time_sigma), lap=own.lap), against(ledger, row)


def _target(kind: TargetKind, lap_time: float, analysis: Analysis, sigma: float = 0.0) -> Target:
    """A target on the reference lap."""
    return Target(
        kind=kind, title=TITLES[kind], words=WORDS[kind], lap=analysis.reference, lap_time=lap_time, sigma=sigma
    )


def grip_error(analysis: Analysis, less: float = 0.01) -> float:
    """How much longer the reference line takes with so much less grip than the kart file says [s]."""
    line, sheet = analysis.reference.line, analysis.sheet
    slower = speed_profiles([replace(line, grip=line.grip * (1.0 - less))], sheet.kart, label="less grip")[0]
    return float(max(slower.lap_time - analysis.reference.lap_time, 0.0))


def edge_error(analysis: Analysis) -> float:
    """What the reference lap's time may be off by because the edges of its corridor are only estimated [s].

    The corridor is drawn in as far as its edges are uncertain, and solved again.  Where in the road the laps ran, about
    which it was drawn, is unknown: anywhere that left room for the kart.  Surveyed edges are taken at their word.
    """
    sheet = analysis.sheet
    survey, width = sheet.track.survey, sheet.kart.width
    if survey.kind != "estimated":
        return 0.0
    # standard deviation of a place evenly likely between two limits: their distance over the root of twelve
    place = max((survey.assumed_width or 0.0) - width, 0.0) / math.sqrt(12.0)
    off = math.hypot(survey.uncertainty or 0.0, place)
    narrow = narrowed(sheet.track, off, LEAST_ROOM * width)
    slower = solve_min_time(narrow, sheet.kart, grip=sheet.grip, tolerance=ROUGH, verify=False)
    return max(timed_lap(narrow, slower.lap).lap_time - analysis.reference.lap_time, 0.0)


def _at_shown_grip(analysis: Analysis) -> tuple[Target, Ledger]:
    """The reference line at the shown grip; how far that grip is certain is the target's uncertainty."""
    factor, reference, sheet = analysis.grip.factor, analysis.reference, analysis.sheet
    if factor.value is None:
        plain = _target("shown_grip", reference.lap_time, analysis, edge_error(analysis))
        return replace(plain, words=factor.reason), analysis.ledger
    share = factor.sigma or 0.0
    line, title = reference.line, TITLES["shown_grip"]
    shown, less = (
        speed_profiles([replace(line, grip=line.grip * grip)], sheet.kart, label=title)
        for grip in (factor.value, max(factor.value - max(share, 1e-3), 0.1))
    )
    lap = shown[0]
    error = math.hypot((less[0].lap_time - lap.lap_time) * (share / max(share, 1e-3)), edge_error(analysis))
    steps = np.diff(time_at(lap.line.s, lap.t, sheet.s)) - np.diff(time_at(reference.line.s, reference.t, sheet.s))
    ledger = analysis.ledger
    causes = dict(ledger.causes)
    causes["pace"] = causes["pace"] - steps
    target = replace(_target("shown_grip", lap.lap_time, analysis, error), lap=lap)
    return target, replace(ledger, total=ledger.total - steps, causes=causes)


def _parts(analysis: Analysis, best: int) -> Ledger:
    """The ledger of a lap put together from the laps that were quickest corner by corner (one row)."""
    ledger, count = analysis.ledger, analysis.count
    owner = ledger.corner[best]
    chosen = np.full(owner.size, best)
    for k in np.unique(owner):
        inside = owner == k
        chosen[inside] = int(ledger.total[:count][:, inside].sum(axis=1).argmin())
    place = np.arange(owner.size)

    def pick(values: Array) -> Array:
        return np.asarray(values[chosen, place][None])

    causes = {name: pick(values) for name, values in ledger.causes.items()}
    corner, phase = owner[None], ledger.phase[best][None]
    return Ledger(corner=corner, phase=phase, total=pick(ledger.total), line=pick(ledger.line), causes=causes)
