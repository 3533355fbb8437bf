"""A session worked through once: its laps side by side, what their lines and habits cost, what is not rated and why."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.envelope import ShownEngine, misfit, shown_engine
from linelab.coaching.side_by_side import Rows, Sheet, computed_rows, session_sheet, typical_laps
from linelab.diagnosis.causes import shared_causes
from linelab.diagnosis.findings import Diagnosis, careful_lap, diagnose
from linelab.diagnosis.kinds import Cause
from linelab.diagnosis.losses import LEAST_RATE, LineCosts, SegmentLosses, line_costs, segment_edges, segment_losses
from linelab.diagnosis.marks import CornerMarks, Mask, find_marks
from linelab.diagnosis.own_line import own_line
from linelab.diagnosis.received import as_seen
from linelab.diagnosis.stretches import Segment, segments_of
from linelab.measured import Measured
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.track import Track
from linelab.motion.estimate import DrivenLap, track_heading
from linelab.motion.own_passes import OwnPasses, own_passes
from linelab.units import Array

#: A lap faster than the best possible on its own line by this share of its time contradicts the line [-].
BEATEN = 0.005


def too_coarse(driven: Sequence[DrivenLap]) -> str:
    """Why there is no split."""
    slow = min(drive.rate for drive in driven)
    return f"{slow:.1f} samples a second are too few for the line's curvature" if slow < LEAST_RATE else ""


def lines_unjudged(track: Track, times: Array, best: Array, power: Measured) -> str:
    """Why the laps' lines are not rated.

    Nobody is faster than the best possible on his own line: where the laps are, either the line is not the driven one,
    ripples of coarse positions having been read as steering, or the kart is not the one of the kart file.

    Parameters
    ----------
    times, best : (L,) array
        Lap times, and those that were possible at best on the same lines [s].
    """
    if track.survey.estimated:
        return "the track's edges were not surveyed"
    other = misfit(power)
    if other:
        return other
    ahead = float(np.median(best - times))
    if ahead > BEATEN * float(np.median(times)):
        return (
            f"the laps are {ahead:.1f} s faster than this kart could be on the lines recorded: "
            "the positions are too coarse, or the kart file is another kart's"
        )
    return ""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Analysis:
    """What the reviews of a session are made from.

    Parameters
    ----------
    sheet : Sheet
        The laps that are reviewed (L).
    every : tuple of DrivenLap
        Those, then further sound laps of the session (E in all).
    reference : Lap
    marks : tuple of CornerMarks
        Of the computed lap.
    seen : Rows
        The computed lap as this receiver would have shown it (1, N).
    engine : ShownEngine
    usual : (L,) array of bool
        Which laps are the driver's usual ones.
    segments : tuple of Segment
        The lap divided by corners and phases (M).
    losses : tuple of SegmentLosses
        Time of every lap by segment against the computed lap (E).
    costs : LineCosts or None
        What the lines of all laps cost (E).
    diagnosis : Diagnosis or None
        The driver's habits.
    causes : dict of Cause to (E, M) array
        What they cost by segment on every lap [s].
    passes : OwnPasses
        How long each lap took in each corner (E).
    reason : str
        Why nothing within a corner is separated; empty where it is.
    line_reason : str
        Why lines, and what the speed on them costs, are not rated; empty where they are.
    """

    sheet: Sheet
    every: tuple[DrivenLap, ...]
    reference: Lap
    marks: tuple[CornerMarks, ...]
    seen: Rows
    engine: ShownEngine
    usual: Mask
    segments: tuple[Segment, ...]
    losses: tuple[SegmentLosses, ...]
    costs: LineCosts | None
    diagnosis: Diagnosis | None
    causes: dict[Cause, Array]
    passes: OwnPasses
    reason: str = ""
    line_reason: str = ""

    @property
    def unrated(self) -> str:
        """Why line and causes are not rated; empty where they are."""
        return self.reason or self.line_reason

    @property
    def withheld(self) -> tuple[tuple[str, str], ...]:
        """What is not rated, and why: "line", "corner speed" and "feet", each as far as it is not."""
        said = {"line": self.unrated, "corner speed": self.unrated, "feet": self.reason}
        return tuple((what, reason) for what, reason in said.items() if reason)

    @property
    def count(self) -> int:
        """Laps that are reviewed."""
        return self.sheet.count

    @property
    def owners(self) -> NDArray[np.intp]:
        """Which corner each segment belongs to, as an index into ``marks`` (M,)."""
        return _owners(self.segments, self.marks)

    def by_corner(self, values: Array) -> Array:
        """Sums of values by segment (..., M) over each corner's own (..., C)."""
        owners = self.owners
        return np.stack([values[..., owners == k].sum(axis=-1) for k in range(len(self.marks))], axis=-1)


def _owners(segments: Sequence[Segment], marks: Sequence[CornerMarks]) -> NDArray[np.intp]:
    """Which corner each segment belongs to, as an index into ``marks`` (M,)."""
    numbers = [mark.corner.number for mark in marks]
    return np.array([numbers.index(segment.corner) for segment in segments])


def analyse(
    track: Track,
    kart: Kart,
    driven: Sequence[DrivenLap],
    reference: Lap,
    *,
    grip: float = 1.0,
    others: Sequence[DrivenLap] = (),
    progress: Callable[[str], None] = lambda text: None,
) -> Analysis:
    """Work through a session.

    Parameters
    ----------
    driven : sequence of DrivenLap
        In order of time.
    reference : Lap
        The minimum-time lap of this track, kart and grip.
    grip : float
        The factor on mu that the computed lap was solved for [-].
    others : sequence of DrivenLap
        Further sound laps of the session, not reviewed.
    progress : callable
        Called with a short text at each step.

    Raises
    ------
    InputError
        No lap, or laps of another track.
    """
    sheet = session_sheet(track, kart, driven, grip=grip)
    every = (*driven, *others)
    marks = find_marks(track, reference, kart)
    segments = segments_of(track, marks)
    edges = segment_edges(segments)
    heading = track_heading(track, edges)
    usual = typical_laps(sheet.t[:, -1])
    engine, reason = shown_engine(sheet), too_coarse(driven)
    power = engine.power
    costs, found, causes, line_reason = None, None, {}, ""
    if not reason:
        progress("working out what the lines cost")
        surveyed = not track.survey.estimated
        careful = careful_lap(track, kart, grip) if surveyed else None
        own = own_line(track, kart, [drive for drive, keep in zip(driven, usual) if keep], reference, careful)
        entry = 100.0 if track.closed else float(max(reference.v[0], np.median(sheet.laps.v[:, 0])))
        costs = line_costs(own, every, grip=grip, entry=entry)
        line_reason = lines_unjudged(track, sheet.t[:, -1], costs.lap_times[: len(driven)], power)
        progress("explaining the laps by habits")
        kept = np.append(usual, np.zeros(len(others), dtype=bool))
        fits = not misfit(power)
        own_kart = own if fits else replace(own, kart=engine.kart)
        found = diagnose(
            own_kart, every, marks, grip=grip, usual=kept, power=power if fits else None, sure=not line_reason
        )
        causes = shared_causes(found.explained, found.laps, edges)
    return Analysis(
        sheet=sheet, every=every, reference=reference, marks=marks,
        seen=computed_rows(sheet, [as_seen(track, reference, driven[0])]), engine=engine, usual=usual,
        segments=segments, losses=tuple(segment_losses(segments, reference, drive, heading) for drive in every),
        costs=costs, diagnosis=found, causes=causes,
        passes=own_passes(every, edges, heading, _owners(segments, marks)), reason=reason, line_reason=line_reason,
    )  # fmt: skip
