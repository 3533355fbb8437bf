"""Compare a driven lap with the computed lap: where time is lost, and what the driver did there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linelab.arrays import Table
from linelab.coaching.analysis import too_coarse
from linelab.coaching.mark_figures import driven_marks
from linelab.coaching.results import Comparison, CornerReview, DrivenMarks
from linelab.coaching.side_by_side import computed_rows, session_sheet
from linelab.diagnosis.losses import (
    LEAST_RATE,
    LineCost,
    SegmentLosses,
    line_costs,
    rates_note,
    segment_edges,
    segment_losses,
)
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.diagnosis.own_line import own_line
from linelab.diagnosis.received import as_seen
from linelab.diagnosis.stretches import PHASES, segments_of
from linelab.errors import InputError, check_kinds
from linelab.measured import Measured, plus_minus, withheld
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import time_at, timed_lap, timed_track
from linelab.model.track import Track, lap_ends
from linelab.motion.estimate import DrivenLap, track_heading, without_uncertainty
from linelab.optimum.minimum_time import Solution
from linelab.units import Array


def compare(
    track: Track,
    reference: Lap | Solution,
    driven: Lap | DrivenLap | Solution,
    kart: Kart,
    *,
    grip: float = 1.0,
    frames: tuple[CornerMarks, ...] | None = None,
    marks: tuple[DrivenMarks, ...] | None = None,
    cost: LineCost | None = None,
    reason: str = "",
    reference_sigma: float = 0.0,
    reference_bias: float = 0.0,
) -> Comparison:
    """Compare a driven lap with the computed lap.

    Parameters
    ----------
    track : Track
    reference : Lap or Solution
        The computed minimum-time lap of this track (or any lap on it); on an open track the part of it between the
        timing lines counts, and so do the corners there.
    driven : DrivenLap, Lap or Solution
        From :func:`linelab.estimate_lap` or :func:`linelab.read_laps`; any other is taken as exact.
    kart : Kart
        For the split into line loss and speed loss, and to see what the feet do.
    grip : float
        Factor on mu that the computed lap was solved for; the best possible on the driven line has the same [-].
    frames : tuple of CornerMarks, optional
        Where the corners' phases begin and end; those of the computed lap when not given.
    marks : tuple of DrivenMarks, optional
        What the driver did in each corner, where that is known already.
    cost : LineCost, optional
        What the driven line costs, where that is known already.
    reason : str
        Why that cannot be known.
    reference_sigma : float
        Standard deviation of the reference's lap time; 0 for a computed lap [s].
    reference_bias : float
        Standard deviation per axis of the position error of a reference from another recording [m].

    Returns
    -------
    Comparison
        ``.to_dataframe()`` gives the time lost along the lap, ``.corners.to_dataframe()`` a row a corner.

    Raises
    ------
    InputError
        A lap that does not run from the start to the finish of this track, or arguments of another type.

    References
    ----------
    What a line costs and what the speed on it costs: :mod:`linelab.diagnosis.losses`.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> best = linelab.solve_min_time(track, kart)
    >>> careful = linelab.solve_min_time(track, kart, grip=0.9, warm=best)
    >>> found = linelab.compare(track, best, careful, kart)
    >>> lost = [corner.time_lost.value for corner in found.corners]
    >>> abs(sum(lost) - (careful.lap_time - best.lap_time)) < 0.001
    True
    """
    check_kinds("compare", track=(track, Track), reference=(reference, (Lap, Solution)), kart=(kart, Kart))
    check_kinds("compare", driven=(driven, (Lap, DrivenLap, Solution)))
    reference = reference.lap if isinstance(reference, Solution) else reference
    driven = driven.lap if isinstance(driven, Solution) else driven
    drive = driven if isinstance(driven, DrivenLap) else without_uncertainty(driven)
    begin, end = lap_ends(track)
    itself = drive.lap is reference
    reference, track = timed_lap(track, reference), timed_track(track)
    ends = _ended(reference, begin, end, "reference"), _ended(drive.lap, begin, end, "driven")
    reference, drive = ends[0], replace(drive, lap=ends[1])
    frames = find_marks(track, reference, kart) if frames is None else frames
    segments = segments_of(track, frames)
    edges = segment_edges(segments)
    if cost is None and not reason:
        reason = too_coarse([drive])
        if not reason:
            own = own_line(track, kart, [drive], reference)
            entry = 100.0 if track.closed else float(max(reference.v[0], drive.lap.v[0]))
            cost = line_costs(own, [drive], grip=grip, entry=entry).of(0, edges)
    if marks is None:
        sheet = session_sheet(track, kart, [drive], grip=grip)
        marks = driven_marks(sheet, computed_rows(sheet, [as_seen(track, reference, drive)]), frames).laps[0]
    # A lap against itself is known exactly.
    timed, reference_sigma = (without_uncertainty(drive.lap), 0.0) if itself else (drive, reference_sigma)
    losses = segment_losses(
        segments, reference, timed, track_heading(track, edges), reference_sigma=reference_sigma,
        reference_bias=reference_bias, cost=cost, reason=reason,
    )  # fmt: skip
    owner = np.array([segment.corner for segment in segments])
    phase = np.array([segment.phase for segment in segments])
    corners = Table(
        _corner(track, drive.rate, losses, frame, own, owner == frame.corner.number, phase)
        for frame, own in zip(frames, marks)
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


def _corner(
    track: Track, rate: float, losses: SegmentLosses, frame: CornerMarks, marks: DrivenMarks, own: Array, phase: Array
) -> CornerReview:
    """Everything about one corner; ``own`` and ``phase`` tell its segments (M,), ``rate`` is the recording's [1/s]."""
    line_loss, speed_loss = losses.split(own)
    slow = f"{rate:.1f} samples a second are too few to separate a corner's phases"
    return CornerReview(
        corner=frame.corner,
        frame=frame,
        marks=marks,
        time_lost=losses.total(own),
        phases=tuple(
            (name, losses.total(own & (phase == name)) if rate >= LEAST_RATE else withheld(slow)) for name in PHASES
        ),
        line_loss=line_loss,
        speed_loss=speed_loss,
        line_overspeed=_line_overspeed(losses, marks.entry_speed.driven, frame.turn_in % track.length),
    )


def _line_overspeed(losses: SegmentLosses, speed: Measured, station: float) -> Measured:
    """Driven speed minus the best possible on the driven line at a station."""
    if speed.value is None:
        return speed
    if losses.cost is None:
        return withheld(losses.split_reason)
    return Measured(speed.value - float(np.interp(station, losses.cost.s, losses.cost.v)), speed.sigma)


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
            f"the {what} lap covers {s[0]:.1f} to {s[-1]:.1f} m of the track, which is {begin:.1f} to {end:.1f} m long",
            where=lap.label,
            remedy="Compare laps of the same track",
        )
    if s[0] == begin and s[-1] == end:
        return lap
    stations = s.copy()
    stations[0], stations[-1] = begin, end
    return replace(lap, line=replace(lap.line, s=stations))


def _notes(
    track: Track, reference: Lap, drive: DrivenLap, kart: Kart, line: Measured, speed: Measured
) -> tuple[str, ...]:
    """What a reader of the figures must know."""
    notes = list(drive.notes)
    bias = drive.bias
    if bias.sigma > 0.0:
        kind = "position error between the laps of this recording" if bias.relative else "position error"
        notes.append(f"{kind} {plus_minus(bias.sigma, 1)} m per axis ({bias.note})")
    if track.survey.estimated:
        notes.append(track.survey.note)
        notes.append("the edges come from laps, so only differences between laps are measured")
    if drive.lap.lap_time < reference.lap_time - 2.0 * drive.lap_time_sigma - 1e-3:
        notes.append(
            "driven faster than the computed lap: the kart file or the grip is too low, or the track too narrow"
        )
    if speed.value is not None and speed.sigma is not None and speed.value < -2.0 * speed.sigma:
        notes.append("faster than this kart could be on the driven line: raise the grip or the power in the kart file")
    if line.value is None:
        notes.append(f"line and speed not separated over the lap: {line.reason}")
    elif rates_note(kart):
        notes.append(rates_note(kart))
    return tuple(notes)
