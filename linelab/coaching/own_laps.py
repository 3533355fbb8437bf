"""The driver's own best among all sound laps of a session, where only some of them are reviewed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linelab.coaching.analysis import Analysis, analyse
from linelab.coaching.causes import Ledger
from linelab.coaching.marked import driven_marks
from linelab.coaching.values import DrivenMarks, Target
from linelab.comparison.estimate import DrivenLap


def with_others(analysis: Analysis, others: Sequence[DrivenLap]) -> Analysis:
    """The session worked through with further laps behind those of an analysis, on the same stations."""
    if not others:
        return analysis
    sheet = analysis.sheet
    laps = [*sheet.driven, *others]
    return analyse(sheet.track, sheet.kart, laps, analysis.reference, grip=sheet.grip, stations=sheet.s)


def of_first(whole: Analysis, ledger: Ledger, count: int) -> Ledger:
    """The rows of the first ``count`` laps of a ledger, of their draws and of the receptions."""
    laps, rows = whole.count, ledger.total.shape[0]
    per_lap = (rows - whole.receptions - laps) // laps
    kept = (np.arange(count), laps + np.arange(count * per_lap), np.arange(rows - whole.receptions, rows))
    return ledger.pick(np.concatenate(kept).astype(np.intp))


def own_marks(whole: Analysis, target: Target) -> tuple[DrivenMarks, ...]:
    """Marks of the lap that is the target, corner by corner; empty where it is none of the laps."""
    again = whole.rows.pick(slice(-whole.receptions, None))
    found = driven_marks(whole.sheet, whole.seen, again, whole.marks).laps
    return next((marks for drive, marks in zip(whole.sheet.driven, found) if drive.lap is target.lap), ())
