"""The review of a session: everything a coach would say, from driven laps and a computed lap."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from linelab.arrays import Table
from linelab.coaching.advice import priorities, strengths, verdict, without_card
from linelab.coaching.analysis import Analysis, analyse
from linelab.coaching.coach_words import shown_text
from linelab.coaching.compare import compare
from linelab.coaching.consistency import consistency
from linelab.coaching.envelope import driver_numbers, fit_offer, shown_grip
from linelab.coaching.mark_figures import SessionMarks, driven_marks, with_target_marks
from linelab.coaching.results import DrivenMarks, LapReview, Review, ShownGrip, Target
from linelab.coaching.side_by_side import session_sheet
from linelab.coaching.targets import OWN, Held, OtherLap, choose_target, usual_target
from linelab.diagnosis.causes import least_shown, told_causes
from linelab.diagnosis.kinds import TargetKind
from linelab.diagnosis.losses import rates_note
from linelab.diagnosis.marks import Index
from linelab.errors import InputError
from linelab.measured import Measured, plus_minus
from linelab.model.kart import Kart
from linelab.model.lap import Lap
from linelab.model.timed import timed_lap, timed_track
from linelab.model.track import Corner, Track
from linelab.motion.estimate import DrivenLap
from linelab.optimum.minimum_time import Solution


def review_session(
    track: Track,
    kart: Kart,
    driven: Sequence[DrivenLap],
    reference: Solution | Lap,
    *,
    target: TargetKind | None = "computed",
    other: str | OtherLap | None = None,
    grip: float | None = None,
    others: Sequence[DrivenLap] = (),
    quickest: bool = True,
    cleaning: Sequence[str] = (),
    notes: Sequence[str] = (),
    progress: Callable[[str], None] = lambda text: None,
) -> Review:
    """Review a session.

    Parameters
    ----------
    track : Track
    kart : Kart
    driven : sequence of DrivenLap
        Complete laps in order of time, from :func:`linelab.motion.estimate.estimate_laps`.
    reference : Solution or Lap
        The minimum-time lap of this track, kart and grip; of an open track the part between its timing lines counts.
    target : str or None
        "computed", "shown_grip", "own_best", "own_parts" or "other_lap": what times are compared with; None for the
        one that :func:`linelab.coaching.targets.usual_target` says.  Priorities do not depend on it: they are what is
        lost at the grip the driver had.
    other : str or OtherLap, optional
        The other lap: the label of one of the driver's own, or a lap of another recording.
    grip : float or None
        Factor on mu that a reference given as a Lap was solved for [-]; 1 when not given.
    others : sequence of DrivenLap
        Further sound laps of the session: not reviewed, but the own best lap and parts may be theirs.
    quickest : bool
        Whether the session's quickest lap is among ``driven``, for the words.
    cleaning, notes : sequences of str
        What was cleaned or left out, and what else belongs on the page.
    progress : callable
        Called with a short text at each step.

    Raises
    ------
    InputError
        No lap, laps of another track, no corner that is timed, or an unknown target.
    """
    lap = timed_lap(track, reference.lap if isinstance(reference, Solution) else reference)
    track, every = timed_track(track), track
    if not track.corners:
        raise InputError(
            "no corner lies between the timing lines" if every.corners else "the track has no corners",
            where="review",
            remedy="Check the start and finish line, or draw corners in the track file",
        )
    factor = grip if grip is not None else reference.grip if isinstance(reference, Solution) else 1.0
    more = others if target is None or target in OWN or isinstance(other, str) else ()
    analysis = analyse(track, kart, driven, lap, grip=factor, others=more, progress=progress)
    shown = shown_grip(analysis.diagnosis, analysis.marks, analysis.reason)
    held = choose_target(analysis, shown, target or usual_target(analysis), other)
    goal = held.target
    progress("finding marks")
    marked = driven_marks(analysis.sheet, analysis.seen, analysis.marks)
    findings = [] if analysis.diagnosis is None else list(analysis.diagnosis.findings)
    repeat = consistency(analysis, marked)
    laps = Table(_lap_review(analysis, held, marked, index) for index in range(analysis.count))

    @cache
    def own() -> tuple[DrivenMarks, ...]:
        """Marks of the driver's quickest pass of each corner, where somebody asks for them."""
        return _own_marks(analysis, analysis.passes.best, marked)

    first = priorities(analysis, marked, findings, own)
    times, lost = analysis.sheet.t[:, -1], _by_corner(analysis, laps, goal)
    review = Review(
        track=track,
        kart=kart,
        target=goal,
        grip=shown,
        reference=lap,
        reference_marks=analysis.marks,
        laps=laps,
        best=int(times.argmin()),
        typical=int(np.abs(times - np.median(times)).argmin()),
        corners=lost,
        consistency=repeat,
        priorities=first,
        without_card=without_card(analysis, laps, first, findings, lost),
        strengths=strengths(analysis, findings, repeat),
        verdict=verdict(laps[int(times.argmin())], goal, first, analysis, quickest=quickest),
        withheld=analysis.withheld,
        cleaning=tuple(cleaning),
        notes=_notes(analysis, shown, laps, (*notes, *_untimed(every, track))),
        passes=analysis.passes,
        driver=driver_numbers(analysis.diagnosis, shown, analysis.engine.power, int(analysis.usual.sum())),
    )
    if isinstance(other, OtherLap):
        return with_target_marks(review, other.marks, [""] * len(analysis.marks))
    if not held.best.size:
        return with_target_marks(review)
    of = [analysis.every[k].lap.label for k in held.best]
    quickest_marks = own() if goal.kind == "own_parts" else _own_marks(analysis, held.best, marked)
    return with_target_marks(review, quickest_marks, of)


def _own_marks(analysis: Analysis, best: Index, marked: SessionMarks) -> tuple[DrivenMarks, ...]:
    """Marks of the driver's own pass of each corner, on the laps with these indices (C,)."""
    found = marked.laps
    if (best >= analysis.count).any():  # a lap of the session that is not reviewed
        sheet = analysis.sheet
        whole = session_sheet(sheet.track, sheet.kart, analysis.every, grip=sheet.grip, stations=sheet.s)
        found = driven_marks(whole, analysis.seen, analysis.marks).laps
    return tuple(found[lap][k] for k, lap in enumerate(best.tolist()))


def _lap_review(analysis: Analysis, held: Held, marked: SessionMarks, index: int) -> LapReview:
    """One lap, put together."""
    drive, goal = analysis.sheet.driven[index], held.target
    comparison = compare(
        analysis.sheet.track, goal.lap, drive, analysis.sheet.kart, frames=analysis.marks, marks=marked.laps[index],
        cost=held.cost(analysis, index), reason=analysis.unrated, reference_sigma=goal.sigma, reference_bias=held.bias,
    )  # fmt: skip
    parts = {
        cause: analysis.by_corner(values[index]) - held.causes.get(cause, 0.0)
        for cause, values in analysis.causes.items()
    }
    corners = Table(
        replace(
            corner, causes=told_causes(corner.speed_loss, {cause: float(values[k]) for cause, values in parts.items()})
        )
        for k, corner in enumerate(comparison.corners)
    )
    return LapReview(
        label=drive.lap.label,
        lap_time=Measured(drive.lap.lap_time, drive.lap_time_sigma),
        comparison=replace(comparison, corners=corners),
    )


def _by_corner(analysis: Analysis, laps: Sequence[LapReview], goal: Target) -> tuple[tuple[Corner, Measured], ...]:
    """Mean time lost over the typical laps by corner; the target's uncertainty shared out by time."""
    passes = analysis.passes
    spent, errors = np.median(passes.measured[: analysis.count], axis=0), passes.sigma
    lost = np.array([[part.time_lost.value or 0.0 for part in lap.corners] for lap in laps])[analysis.usual]
    found = []
    for k, mark in enumerate(analysis.marks):
        scatter = np.std(lost[:, k], ddof=1) if lost.shape[0] > 1 else 0.0
        own = float(max(errors[k], scatter)) / float(np.sqrt(lost.shape[0]))
        sigma = float(np.hypot(own, goal.sigma * spent[k] / goal.lap_time))
        found.append((mark.corner, Measured(float(lost[:, k].mean()), sigma)))
    return tuple(found)


def _untimed(every: Track, track: Track) -> list[str]:
    """What to say of corners that are not reviewed, because the clock does not run there."""
    out = [corner.label for corner in every.corners if corner not in track.corners]
    return [f"outside the timing lines, not reviewed: corner {', '.join(out)}"] if out else []


def _notes(analysis: Analysis, grip: ShownGrip, laps: tuple[LapReview, ...], notes: Sequence[str]) -> tuple[str, ...]:
    """Every note once, in order."""
    said = list(notes)
    for lap in laps:
        said += [note for note in lap.comparison.notes if not note.startswith("line and speed not separated")]
    said.append(f"grip shown: {grip.note}" if grip.factor.known else f"grip shown: {grip.factor.reason}")
    power = analysis.engine.power
    if power.value is not None:
        said.append(f"engine shown: {power.value:.2f} {plus_minus(power.sigma, 2)} of the kart file's drive force")
    said += [text for text in fit_offer(power, analysis.engine.nearest) if text]
    if analysis.unrated:
        said += [f"{what} not rated: {reason}" for what, reason in analysis.withheld]
        if analysis.diagnosis is not None and analysis.diagnosis.explained.places.size:
            said += shown_text(least_shown(analysis.diagnosis.explained))
    elif rates_note(analysis.sheet.kart):
        said.append(rates_note(analysis.sheet.kart))
    return tuple(dict.fromkeys(said))
