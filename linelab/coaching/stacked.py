"""Rows of laps one after the other, with the ground under them, and the best possible laps on them."""

from __future__ import annotations

import numpy as np

from linelab.coaching.grid import Rows, Sheet
from linelab.coaching.profiles import best_laps, without_ripple
from linelab.grip import Surface
from linelab.lap import Lap

#: Draws of each lap that go through the whole split; noise is the receiver's, so all laps' draws serve every corner.
SPLIT_DRAWS = 2


def with_draws(sheet: Sheet) -> tuple[Rows, Surface]:
    """Laps and the draws that go through the split, with the ground under them."""
    kept = min(SPLIT_DRAWS, sheet.per_lap)
    chosen = np.concatenate([np.arange(kept) + lap * sheet.per_lap for lap in range(sheet.count)]).astype(np.intp)
    source = np.concatenate([np.arange(sheet.count), np.repeat(np.arange(sheet.count), kept)])
    surface = Surface(*(np.asarray(values)[source] for values in sheet.surface))
    if not chosen.size:
        return sheet.laps, surface
    return stacked(sheet.laps, sheet.draws.pick(chosen)), surface


def stacked(first: Rows, second: Rows) -> Rows:
    """Rows one after the other."""
    return Rows(*(np.concatenate(pair) for pair in zip(first, second)))


def rippled(sheet: Sheet, rows: Rows) -> Rows:
    """Rows whose curvature has lost an estimate's ripple; exact laps as they are."""
    exact = not np.isfinite(sheet.driven[0].rate)
    return rows if exact else rows._replace(kappa=without_ripple(rows.kappa, float(sheet.s[1] - sheet.s[0])))


def joined(first: Surface, second: Surface) -> Surface:
    """The ground under rows one after the other."""
    return Surface(*(np.concatenate([np.asarray(a), np.asarray(b)]) for a, b in zip(first, second)))


def best_of(sheet: Sheet, rows: Rows, ground: Surface, entry: float) -> list[Lap]:
    """Best possible laps of rows on a ground."""
    return best_laps(sheet, rippled(sheet, rows).kappa, ground, rows.stretch, entry=entry)
