"""Hold a driven lap against the reference lap: where time is lost, and what the driver did there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from linelab.comparison.corner_review import CornerReview, minimum_rooms, review_corner
from linelab.comparison.estimate import DrivenLap, track_heading, without_uncertainty
from linelab.comparison.line_costs import LineCost, line_costs
from linelab.comparison.losses import LEAST_RATE, SegmentLosses, rates_note, segment_edges, segment_losses
from linelab.comparison.marks import CornerMarks, find_marks
from linelab.comparison.measured import Measured
from linelab.comparison.own_line import own_line
from linelab.comparison.segments import segments_of
from linelab.comparison.timed import time_at, timed_lap, timed_track
from linelab.errors import InputError
from linelab.kart import Kart
from linelab.lap import Lap, import_pandas
from linelab.track import Survey, Track, lap_ends
from linelab.units import Array

if TYPE_CHECKING:
    import pandas


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Comparison:
    """A driven lap against the reference lap.

    Parameters
    ----------
    track_name : str
    survey : Survey
        Where the edges come from; belongs on every output.
    reference : Lap
    driven : DrivenLap
    lap_gap : Measured
        Driven minus reference lap time [s]; the sum over ``losses.segments``.
    line_loss, speed_loss : Measured
        ``lap_gap`` split [s].
    corners : tuple of CornerReview
        In driving order.
    elsewhere : Measured
        Time lost outside every corner's own stretch: all of it on a track without corners [s].
    losses : SegmentLosses
    s, gap, gap_sigma : (N,) array
        Stations [m], cumulative time difference driven minus reference and its standard deviation [s].
    notes : tuple of str
    """

    track_name: str
    survey: Survey
    reference: Lap
    driven: DrivenLap
    lap_gap: Measured
    line_loss: Measured
    speed_loss: Measured
    corners: tuple[CornerReview, ...]
    elsewhere: Measured
    losses: SegmentLosses
    s: Array
    gap: Array
    gap_sigma: Array
    notes: tuple[str, ...] = ()

    def to_dataframe(self) -> pandas.DataFrame:
        """The cumulative time difference as a table, one row a node, units in the column names.

        Raises
        ------
        InputError
            pandas is not installed.
        """
        pd = import_pandas()
        lap, at = self.driven.lap, self.reference.line.s
        table: pandas.DataFrame = pd.DataFrame(
            {
                "s_m": self.s,
                "gap_s": self.gap,
                "gap_sigma_s": self.gap_sigma,
                "v_mps": lap.v,
                "v_reference_mps": np.interp(self.s, at, self.reference.v),
                "n_m": lap.line.n,
                "n_reference_m": np.interp(self.s, at, self.reference.line.n),
            }
        )
        return table


def compare(
    track: Track,
    reference: Lap,
    driven: Lap | DrivenLap,
    kart: Kart | None = None,
    *,
    grip: float = 1.0,
    marks: tuple[CornerMarks, ...] | None = None,
    cost: LineCost | None = None,
    reason: str = "",
    reference_sigma: float = 0.0,
) -> Comparison:
    """Compare a driven lap with the reference lap.

    Parameters
    ----------
    track : Track
    reference : Lap
        The computed minimum-time lap of this track (or any lap on it); on an open track the part of it between the
        timing lines counts, and so do the corners there.
    driven : DrivenLap or Lap
        From :func:`linelab.comparison.estimate.estimate_lap`; a plain Lap is taken as exact.
    kart : Kart, optional
        For the split into line loss and speed loss, and for telling braking from a lift.
    grip : float
        Factor on mu that the reference lap was solved for; the best possible on the driven line has the same [-].
    marks : tuple of CornerMarks, optional
        Where the corners' phases begin and end; those of the reference lap when not given.
    cost : LineCost, optional
        What the driven line costs, where that is known already; ``reason`` why it cannot be told.
    reference_sigma : float
        Standard deviation of the reference's lap time; 0 for a computed lap [s].

    Raises
    ------
    InputError
        A lap that does not run from the start to the finish of this track.
    """
    drive = driven if isinstance(driven, DrivenLap) else without_uncertainty(driven)
    begin, end = lap_ends(track)
    itself = drive.lap is reference
    reference, track = timed_lap(track, reference), timed_track(track)
    ends = _ended(reference, begin, end, "reference"), _ended(drive.lap, begin, end, "driven")
    reference, drive = ends[0], replace(drive, lap=ends[1])
    marks = find_marks(track, reference, kart) if marks is None else marks
    segments = segments_of(track, marks)
    edges = segment_edges(segments)
    if cost is None and not reason:
        reason = _no_split(drive, kart)
        if not reason and kart is not None:
            own = own_line(track, kart, [drive], reference)
            entry = 100.0 if track.closed else float(max(reference.v[0], drive.lap.v[0]))
            cost = line_costs(own, [drive], grip=grip, entry=entry).of(0, edges)
    # A lap against itself is known exactly.
    timed, reference_sigma = (without_uncertainty(drive.lap), 0.0) if itself else (drive, reference_sigma)
    losses = segment_losses(
        segments, reference, timed, track_heading(track, edges), reference_sigma=reference_sigma, cost=cost,
        reason=reason,
    )  # fmt: skip
    owner = np.array([segment.corner for segment in segments])
    phase = np.array([segment.phase for segment in segments])
    corners = tuple(
        review_corner(track, reference, drive, losses, mark, room, owner == mark.corner.number, phase)
        for mark, room in zip(marks, minimum_rooms(track, marks))
    )
    s = drive.lap.line.s
    gap = drive.lap.t - drive.lap.t[0] - (time_at(reference.line.s, reference.t, s) - reference.t[0])
    line, speed = losses.split(np.ones(owner.size, dtype=bool))
    return Comparison(
        track_name=track.name,
        survey=track.survey,
        reference=reference,
        driven=drive,
        lap_gap=Measured(float(losses.loss.sum()), float(np.hypot(timed.lap_time_sigma, reference_sigma))),
        line_loss=line,
        speed_loss=speed,
        corners=corners,
        elsewhere=losses.total(owner == 0),
        losses=losses,
        s=s,
        gap=gap,
        gap_sigma=drive.sigma_t,
        notes=_notes(track, reference, drive, kart, line, speed),
    )


def _no_split(drive: DrivenLap, kart: Kart | None) -> str:
    """Why a lap's line is not told from its speed; empty where it is."""
    if drive.rate < LEAST_RATE:
        return f"{drive.rate:.1f} samples a second: the line has no usable curvature"
    return "no kart given" if kart is None else ""


def rank_corners(comparison: Comparison) -> tuple[CornerReview, ...]:
    """Corners by time lost, most first."""
    return tuple(sorted(comparison.corners, key=lambda review: -(review.time_lost.value or 0.0)))


def _ended(lap: Lap, begin: float, end: float, what: str) -> Lap:
    """The lap with its stations checked: they increase, and run from the start to the finish within a metre."""
    s = lap.line.s
    if (np.diff(s) <= 0.0).any():
        raise InputError(
            f"the {what} lap's stations do not increase", where=lap.label, remedy="Place the lap on the track"
        )
    if abs(s[0] - begin) > 1.0 or abs(s[-1] - end) > 1.0:
        raise InputError(
            f"the {what} lap runs from station {s[0]:.1f} to {s[-1]:.1f} m, the track from {begin:.1f} to {end:.1f} m",
            where=lap.label,
            remedy="Compare laps of the same track",
        )
    if s[0] == begin and s[-1] == end:
        return lap
    stations = s.copy()
    stations[0], stations[-1] = begin, end
    return replace(lap, line=replace(lap.line, s=stations))


def _notes(
    track: Track, reference: Lap, drive: DrivenLap, kart: Kart | None, line: Measured, speed: Measured
) -> tuple[str, ...]:
    """What a reader of the figures must know."""
    notes = list(drive.notes)
    bias = drive.bias
    if bias.sigma > 0.0:
        kind = "laps of this recording differ by a drifting position bias of" if bias.relative else "position bias"
        notes.append(f"{kind} ±{bias.sigma:.1f} m per axis ({bias.note})")
    if track.survey.kind == "estimated":
        notes.append(track.survey.note)
        notes.append("what all laps share is part of the corridor: only differences between laps can be told")
    if drive.lap.lap_time < reference.lap_time - 2.0 * drive.lap_time_sigma - 1e-3:
        notes.append(
            "driven faster than the reference lap: the kart or grip assumed is too slow, or the corridor too narrow"
        )
    if speed.value is not None and speed.sigma is not None and speed.value < -2.0 * speed.sigma:
        notes.append("on its own line the lap is faster than this kart allows: raise the grip or power assumed")
    if line.value is None:
        notes.append(f"line and speed part not told apart over the lap: {line.reason}")
    elif kart is not None and rates_note(kart):
        notes.append(rates_note(kart))
    return tuple(notes)
