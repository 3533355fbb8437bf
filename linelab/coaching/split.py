"""The split of each lap's gap by corner, phase and cause, with uncertainties; and figures that add up as displayed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.causes import Ledger
from linelab.coaching.pedals import Index
from linelab.coaching.values import CAUSES, Cause
from linelab.comparison.estimate import DrivenLap
from linelab.comparison.measured import Measured, for_few, withheld
from linelab.comparison.segments import PHASES, Phase
from linelab.units import Array

#: A part of a corner is withheld where it is less certain than this [s] and than this share of the larger part [-].
LARGEST, LARGEST_SHARE = 0.15, 0.75


class CornerSplit(NamedTuple):
    """One corner's time on one lap: parts add up to ``time_lost`` exactly."""

    time_lost: Measured
    phases: tuple[tuple[Phase, Measured], ...]
    line_loss: Measured
    speed_loss: Measured
    causes: tuple[tuple[Cause, Measured], ...]


class LapSplit(NamedTuple):
    """One lap's gap: corners and ``elsewhere`` add up to ``gap`` exactly."""

    gap: Measured
    line_loss: Measured
    speed_loss: Measured
    elsewhere: Measured
    corners: tuple[CornerSplit, ...]


def split_losses(analysis: Analysis, ledger: Ledger, target_sigma: float = 0.0) -> list[LapSplit]:
    """Every lap's gap to the target, split.

    Parameters
    ----------
    analysis : Analysis
    ledger : Ledger
        All rows against the target, from :func:`linelab.coaching.targets.choose_target`.
    target_sigma : float
        Standard deviation of the target's lap time, shared out by time [s].
    """
    corners = len(analysis.marks)
    drawn = ledger.line.shape[0] - analysis.receptions - analysis.count
    few = for_few(drawn - 1) if drawn > 1 else 1.0
    parts: list[tuple[str, Array]] = [("total", ledger.total), ("line", ledger.line), *ledger.causes.items()]
    parts += [(name, np.where(ledger.phase == code, ledger.total, 0.0)) for code, name in enumerate(PHASES)]
    noise = {name: few * analysis.noise(ledger.by_corner(values, corners)) for name, values in parts}
    return [_lap(analysis, ledger, noise, lap, target_sigma) for lap in range(analysis.count)]


def _lap(analysis: Analysis, ledger: Ledger, noise: dict[str, Array], lap: int, target_sigma: float) -> LapSplit:
    """One lap."""
    clock = _Clock(analysis, lap, target_sigma)
    owner, phase = ledger.corner[lap], ledger.phase[lap]
    total, line = ledger.total[lap], ledger.line[lap]
    causes = {name: values[lap] for name, values in ledger.causes.items()}
    found = []
    for k in range(len(analysis.marks)):
        own = owner == k
        sigma = {name: float(values[k]) for name, values in noise.items()}
        phases = tuple(
            (name, withheld(analysis.reason) if analysis.reason else clock.lost(total, part, sigma[name]).told)
            for name, part in ((name, own & (phase == code)) for code, name in enumerate(PHASES))
        )
        lost = clock.lost(total, own, sigma["total"])
        parts = {name: float(values[own].sum()) for name, values in causes.items()}
        on_line = float(line[own].sum())
        line_loss, speed_loss = _pair(analysis, on_line, sum(parts.values()), sigma["line"], lost)
        told = tuple((name, _part(analysis, parts[name], sigma[name], line_loss)) for name in CAUSES)
        found.append(CornerSplit(lost.told, phases, line_loss, speed_loss, told))
    gap = clock.lost(total, np.ones_like(owner, dtype=bool))
    gap_sigma = float(np.hypot(analysis.sheet.driven[lap].lap_time_sigma, target_sigma))
    line_sigma = float(np.sqrt(np.sum(noise["line"] ** 2)))
    line_loss, speed_loss = _pair(
        analysis, float(line.sum()), float(sum(values.sum() for values in causes.values())), line_sigma, gap,
        corners=max(len(found), 1),
    )  # fmt: skip
    elsewhere = clock.lost(total, owner < 0)
    return LapSplit(Measured(gap.value, gap_sigma), line_loss, speed_loss, elsewhere.told, tuple(found))


def against_itself(split: LapSplit) -> LapSplit:
    """The split of the lap that the others are held against: no time is lost, and nothing is uncertain about that."""

    def sure(figure: Measured) -> Measured:
        return replace(figure, sigma=0.0) if figure.known else figure

    corners = tuple(
        CornerSplit(
            sure(part.time_lost),
            tuple((name, sure(figure)) for name, figure in part.phases),
            sure(part.line_loss),
            sure(part.speed_loss),
            tuple((name, sure(figure)) for name, figure in part.causes),
        )
        for part in split.corners
    )
    return LapSplit(sure(split.gap), sure(split.line_loss), sure(split.speed_loss), sure(split.elsewhere), corners)


class _Lost(NamedTuple):
    """Time lost over a stretch [s], with its standard deviations by noise and by the position bias.

    A displaced line passes the ends of the stretch earlier or later, by the displacement along the track there: in the
    time driven and in the best possible one alike, hence in the line part and not in the speed part.
    """

    value: float
    noise: float
    bias: float

    @property
    def told(self) -> Measured:
        """As a figure."""
        return Measured(self.value, float(np.hypot(self.noise, self.bias)))


class _Clock:
    """How certain the time of a stretch of one lap is."""

    def __init__(self, analysis: Analysis, lap: int, target_sigma: float) -> None:
        sheet = analysis.sheet
        self.drive: DrivenLap = sheet.driven[lap]
        at = self.drive.lap.line.s
        self.draws = np.array([np.interp(sheet.s, at, row) for row in self.drive.draws_t]).reshape(-1, sheet.s.size)
        self.t, psi = sheet.t[lap], sheet.laps.psi[lap]
        self.slowness = 1.0 / np.maximum(sheet.laps.v[lap], 1.0)
        self.pace = np.column_stack([np.cos(psi), np.sin(psi)]) * self.slowness[:, None]
        self.share = target_sigma / max(float(self.t[-1]), 1e-9)

    def lost(self, total: Array, chosen: Index, moving: float = 0.0) -> _Lost:
        """Time lost over chosen intervals (M,): by draws and the target, and by the position bias and its drift.

        ``moving`` is the standard deviation over rows that each have ends of their own [s]: where a corner begins is
        read off the driving, and noise moves it.
        """
        edges = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]]).astype(np.int8)))
        starts, ends = edges[0::2], edges[1::2]
        spread = (self.draws[:, ends] - self.draws[:, starts]).sum(axis=1)
        shift = (self.pace[ends] - self.pace[starts]).sum(axis=0)
        span = float((self.t[ends] - self.t[starts]).sum())
        bias = self.drive.bias
        drift = bias.change(span) * float(np.mean(self.slowness[edges])) if edges.size else 0.0
        noise = float(np.std(spread)) if spread.size else 0.0
        return _Lost(
            float(total[chosen].sum()),
            float(np.hypot(max(noise, moving), self.share * span)),
            float(np.hypot(bias.sigma * np.hypot(*shift), drift)),
        )


def _pair(
    analysis: Analysis, line: float, speed: float, noise: float, total: _Lost, *, corners: int = 1
) -> tuple[Measured, Measured]:
    """Line and speed part, ``noise`` the line's own; both withheld where there is no telling them apart."""
    if analysis.untold:
        return withheld(analysis.untold), withheld(analysis.untold)
    line_sigma = float(np.hypot(noise, total.bias))
    if line_sigma > max(LARGEST * corners**0.5, LARGEST_SHARE * max(abs(line), abs(speed))):
        reason = f"line uncertain: line and speed part only known within ±{line_sigma:.2f} s"
        return withheld(reason), withheld(reason)
    return Measured(line, line_sigma), Measured(speed, float(np.hypot(noise, total.noise)))


def _part(analysis: Analysis, value: float, sigma: float, line: Measured) -> Measured:
    """One cause; withheld with the line part."""
    return Measured(value, sigma) if line.known else line


def rounded_parts(total: float, parts: Sequence[float], digits: int = 2) -> tuple[float, list[float]]:
    """A sum and its parts rounded so that the rounded parts add up to the rounded sum.

    Each part is rounded down, and the units that are missing go to the parts with the largest remainders (the largest
    remainder method of apportionment).  The sum may itself have been rounded within a larger one, and then differ from
    its parts by as much: the units are shared out all the same.

    Returns
    -------
    (float, list of float)
        The sum and the parts, in order, rounded to ``digits`` decimals.
    """
    unit = 10.0**-digits
    whole = round(total / unit)
    scaled = np.asarray(parts, dtype=np.float64) / unit
    down = np.floor(scaled + 1e-9)
    if scaled.size:
        share, left = divmod(whole - int(down.sum()), scaled.size)
        down += share
        down[np.argsort(-(scaled - down), kind="stable")[:left]] += 1.0
    return round(whole * unit, digits), [round(float(value) * unit, digits) + 0.0 for value in down]
