"""What the driver is held against, and the ledger against it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.causes import Ledger, against
from linelab.coaching.values import Target, TargetKind
from linelab.comparison.segments import time_at
from linelab.errors import InputError
from linelab.solve.lines import line_on_track
from linelab.solve.speed import speed_profiles
from linelab.track import along
from linelab.units import Array

TITLES: dict[TargetKind, str] = {
    "ideal": "the ideal lap",
    "shown_grip": "the ideal line at the grip you had",
    "own_best": "your own best lap",
    "own_parts": "the best of your own corners",
}
WORDS: dict[TargetKind, str] = {
    "ideal": "the fastest lap that can be computed for this track, this kart and this grip; nobody drives all of it",
    "shown_grip": "the ideal line, driven with the grip that your own corner speeds show you had that day",
    "own_best": "your fastest lap of this session: what you have already done once",
    "own_parts": "for each corner the lap on which you were quickest there, put together; measuring error makes it "
    "look a little better than it is",
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
        return replace(target, lap=own.lap, title=f"{TITLES[kind]}, {own.lap.label}"), against(ledger, row)
    row = _parts(analysis, best)
    lap_time = analysis.reference.lap_time + float(row.total.sum())
    return replace(_target(kind, lap_time, analysis, own.lap_time_sigma), lap=own.lap), against(ledger, row)


def _target(kind: TargetKind, lap_time: float, analysis: Analysis, sigma: float = 0.0) -> Target:
    """A target on the reference lap."""
    return Target(
        kind=kind, title=TITLES[kind], words=WORDS[kind], lap=analysis.reference, lap_time=lap_time, sigma=sigma
    )


def edge_error(analysis: Analysis) -> float:
    """What the reference lap's time may be off by because the edges of its corridor are only estimated [s].

    The reference line is drawn in as far as the edges are uncertain, and driven: the best line of the narrower corridor
    would be a little faster, so this errs on the large side.  Surveyed edges are taken at their word.
    """
    sheet, lap = analysis.sheet, analysis.reference
    track, line, off = sheet.track, lap.line, sheet.track.survey.uncertainty or 0.0
    if track.survey.kind != "estimated" or off <= 0.0:
        return 0.0
    room = np.maximum(np.where(line.n > 0.0, *(along(track, w, line.s) for w in (track.w_left, track.w_right))), 1e-3)
    share = np.clip(1.0 - off / np.maximum(room - 0.5 * sheet.kart.width, off), 0.0, 1.0)
    n = line.n * float(np.median(share))
    drawn_in = line_on_track(track, line.s, n, half_width=0.5 * sheet.kart.width, grip=sheet.grip)
    slower = speed_profiles([replace(drawn_in, closed=line.closed)], sheet.kart, label="drawn in")[0]
    return float(max(slower.lap_time - lap.lap_time, 0.0))


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
