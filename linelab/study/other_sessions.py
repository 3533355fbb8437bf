"""Two sessions on one track: another day's, another kart's or another driver's usual passes beside the driver's own.

What is said of a corner is said after measuring errors, the scatter of a few laps and the number of corners looked at:
:mod:`linelab.motion.pass_difference`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from linelab.arrays import ByValue, Table, set_field
from linelab.coaching.advice import OWN_MARK
from linelab.coaching.coach_words import MARK_KEYS, MARKS, OVER
from linelab.coaching.consistency import LEAST_LAPS, WHERE, clear_marks
from linelab.coaching.from_recording import Ground, choose_laps, review_recording
from linelab.coaching.mark_figures import usual_mark
from linelab.coaching.results import Evidence, Priority, Review
from linelab.coaching.side_by_side import typical_laps
from linelab.coaching.targets import OtherLap
from linelab.diagnosis.kinds import Quantity
from linelab.diagnosis.losses import segment_edges
from linelab.errors import InputError, check_kinds
from linelab.measured import TO_95, Measured, for_few, plus_minus
from linelab.model.kart import Kart
from linelab.model.lap import Recording
from linelab.model.timed import time_at
from linelab.motion.estimate import DrivenLap, track_heading
from linelab.motion.pass_difference import PassDifference, usual_difference
from linelab.units import Array

#: Standard deviation of a median over that of a mean, of a normal distribution [-].
MEDIAN = 1.2533


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OtherDriver:
    """Somebody else's session: whose, in words, its review against the computed lap, and the lap to compare with."""

    name: str
    review: Review
    lap: OtherLap


def other_driver(
    recording: Recording,
    ground: Ground,
    kart: Kart,
    name: str,
    *,
    lap: int | None = None,
    grip: float = 1.0,
    progress: Callable[[str], None] = lambda text: None,
) -> OtherDriver:
    """Review somebody else's session, so that a driver's can be held against it.

    Parameters
    ----------
    recording, ground, kart, grip, progress
        As for :func:`linelab.coaching.from_recording.review_recording`.
    name : str
        Whose it is: "your team mate".
    lap : int, optional
        Number of the lap to compare with; the best one when not given.

    Raises
    ------
    SolveError, RecordingError, InputError
    """
    wanted = None if lap is None else choose_laps(ground.laps, [lap])[0].label
    review = review_recording(
        recording, ground, kart, choose_laps(ground.laps), against="computed", grip=grip, progress=progress
    )
    chosen = next((one for one in review.laps if one.label == wanted), review.laps[review.best])
    title = f"{chosen.label} of {name}" if wanted else f"the best lap of {name} ({chosen.label})"
    return OtherDriver(name=name, review=review, lap=OtherLap(title=title, lap=chosen))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CornerDifference(ByValue):
    """The usual passes of one corner.

    Parameters
    ----------
    number : int
    time : Measured
        The driver's time minus the other's [s].
    clear : bool
        Whether that is clear although so many corners were looked at.
    gaps : mapping of str to Measured
        The driver's marks minus the other's, by the names of :data:`linelab.coaching.coach_words.OVER`.
    where : str
        Where most of it is, in words.
    """

    number: int
    time: Measured
    clear: bool
    gaps: dict[str, Measured]
    where: str

    def row(self) -> dict[str, Any]:
        """The corner as a row of a table."""
        marks = {MARK_KEYS[name]: gap for name, gap in self.gaps.items()}
        cells = {
            f"{key}{end}": value
            for key, gap in marks.items()
            for end, value in (("", gap.value), ("_sigma", gap.sigma))
        }
        time = {"time_s": self.time.value, "time_s_sigma": self.time.sigma}
        return {"corner": self.number, **time, "clear": self.clear, "where": self.where, **cells}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SessionDifference(ByValue):
    """The driver's session beside another one, the driver's minus the other.

    Parameters
    ----------
    lap_time : Measured
        Usual lap: the sum of the usual passes of all corners [s].
    best : Measured
        Best lap [s].
    spread : (Measured, Measured)
        Standard deviation of the lap times of the other and of the driver [s].
    corners : tuple of CornerDifference
        They add up to ``lap_time``.  ``corners.to_dataframe()`` gives a row a corner.
    moved, moved_sigma : (2,) array, float
        By what the driver's recording lies beside the other, which is taken off, and its standard deviation [m].
    words : str
        What may be said of the usual lap.
    shown : tuple of Evidence
        The clear corners, with the marks that show it.
    since : tuple of Evidence
        Whether what was to be worked on has changed; empty where nothing was asked.
    """

    lap_time: Measured
    best: Measured
    spread: tuple[Measured, Measured]
    corners: Table[CornerDifference]
    moved: Array
    moved_sigma: float
    words: str
    shown: tuple[Evidence, ...]
    since: tuple[Evidence, ...] = ()

    def __post_init__(self) -> None:
        set_field(self, "corners", Table(self.corners))

    def __repr__(self) -> str:
        lap, clear = self.lap_time, ", ".join(map(str, self.clear)) or "none"
        return (
            f"SessionDifference: {lap.value:+.3f} {plus_minus(lap.sigma, 3)} s on the usual lap, clear corners: {clear}"
        )

    @property
    def clear(self) -> tuple[int, ...]:
        """Numbers of the corners whose difference is clear."""
        return tuple(corner.number for corner in self.corners if corner.clear)


def compare_sessions(
    mine: Review, other: Review, *, name: str = "the other session", cards: bool = False
) -> SessionDifference:
    """The driver's session beside another one on the same track: another day's, another kart's or another driver's.

    Parameters
    ----------
    mine, other : Review
        Of one track and against one computed lap: made with the same track, kart and grip.
    name : str
        Whose the other session is, in words: "your team mate".
    cards : bool
        Whether the other session is an earlier one of the same driver: say what became of its priorities.

    Returns
    -------
    SessionDifference
        ``mine`` minus ``other``: the usual lap and every corner, each with its uncertainty.

    Raises
    ------
    InputError
        The sessions are of different tracks, reviews without their passes, or arguments of another type.

    References
    ----------
    :mod:`linelab.motion.pass_difference`.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("ostrelle_sprint"), linelab.load_kart("senior-single-speed")
    >>> first, second = (
    ...     linelab.review("ostrelle_practice", kart, track, laps=laps, position_error=0.25)
    ...     for laps in ((1, 2, 4), (5, 6, 7))
    ... )
    >>> found = linelab.compare_sessions(second, first, name="the first laps")
    >>> found.clear
    ()
    >>> found.corners.to_dataframe().shape[0] == len(track.corners)
    True
    """
    check_kinds("compare_sessions", mine=(mine, Review), other=(other, Review), name=(name, str))
    found, edges = _passes(other, mine)
    best = _minus(mine.laps[mine.best].lap_time, other.laps[other.best].lap_time)
    late = _segments(mine, edges) - _segments(other, edges)
    segments = mine.laps[0].comparison.losses.segments
    few = min(sum(_mask(review)) for review in (other, mine)) < LEAST_LAPS
    clear = [False] * len(mine.reference_marks) if few else found.clear(range(len(mine.reference_marks)))
    corners = []
    for k, mark in enumerate(mine.reference_marks):
        number, sign = mark.corner.number, math.copysign(1.0, found.corners[k].value or 0.0)
        parts = {
            phase: sign
            * sum(late[m] for m, part in enumerate(segments) if (part.corner, part.phase) == (number, phase))
            for phase in WHERE
        }
        corners.append(
            CornerDifference(
                number=number, time=found.corners[k], clear=clear[k], gaps=_gaps(other, mine, k, found),
                where=WHERE[max(parts, key=lambda phase: parts[phase])],
            )
        )  # fmt: skip
    plain = name.replace("{", "{{").replace("}", "}}")  # braces in evidence stand for figures
    by_size = sorted((corner for corner in corners if corner.clear), key=lambda corner: -abs(corner.time.value or 0.0))
    return SessionDifference(
        lap_time=found.lap, best=best, spread=(other.consistency.spread, mine.consistency.spread),
        corners=Table(corners), moved=found.moved, moved_sigma=found.moved_sigma, words=_words(found.lap, name, few),
        shown=tuple(_shown(corner, plain) for corner in by_size),
        since=_since(other, mine, corners, found) if cards and not few else (),
    )  # fmt: skip


def _passes(other: Review, mine: Review) -> tuple[PassDifference, Array]:
    """The difference of the usual passes, and the stations of the segments' ends."""
    segments = mine.laps[0].comparison.losses.segments
    edges = segment_edges(segments)
    theirs = segment_edges(other.laps[0].comparison.losses.segments)
    if mine.track != other.track or edges.shape != theirs.shape or not np.allclose(edges, theirs):
        raise InputError(
            f"the sessions are of '{other.track.name}' and '{mine.track.name}', or not of the same computed lap",
            where="compare_sessions",
            remedy="Review both with the same track, kart and grip",
        )
    if other.passes is None or mine.passes is None:
        raise InputError("a review holds no passes", where="compare_sessions", remedy="Make both with linelab.review")
    numbers = [mark.corner.number for mark in mine.reference_marks]
    owners = np.array([numbers.index(segment.corner) for segment in segments])
    heading = track_heading(mine.track, edges)
    return (
        usual_difference((other.passes, mine.passes), _usual(other), _usual(mine), mine.track, edges, heading, owners),
        edges,
    )


def _mask(review: Review) -> list[bool]:
    """Which of the reviewed laps are usual ones."""
    return [bool(kept) for kept in typical_laps(np.array([lap.lap_time.value or 0.0 for lap in review.laps]))]


def _usual(review: Review) -> list[DrivenLap]:
    return [lap.comparison.driven for lap, kept in zip(review.laps, _mask(review)) if kept]


def _segments(review: Review, edges: Array) -> Array:
    """Usual time in each segment (M,) [s]."""
    laps = [drive.lap for drive in _usual(review)]
    return np.asarray(np.median([np.diff(time_at(lap.line.s, lap.t, edges)) for lap in laps], axis=0))


def _gaps(other: Review, mine: Review, k: int, found: PassDifference) -> dict[str, Measured]:
    """How the usual marks of a corner differ, as far as most laps of both sessions show them."""
    gaps = {}
    for name in OVER:
        there, here = _usual_mark(other, name, k), _usual_mark(mine, name, k)
        if there is None or here is None:
            continue
        (first, first_sigma, first_error), (second, second_sigma, second_error) = there, here
        gap, same = second - first, math.hypot(first_error, second_error)
        if MARKS[name].quantity == "place":  # of a receiver's error the part that the lines show is taken off
            heading = float(track_heading(mine.track, np.array([second % mine.track.length]))[0])
            gap -= float(found.moved @ [math.cos(heading), math.sin(heading)])
            same = found.moved_sigma
        gaps[name] = Measured(gap, math.hypot(first_sigma, second_sigma, same))
    return gaps


def _usual_mark(review: Review, name: str, k: int) -> tuple[float, float, float] | None:
    """A corner's usual mark, what its scatter over the laps makes uncertain, and what each lap's error is."""
    laps = [lap.corners[k].marks for lap, kept in zip(review.laps, _mask(review)) if kept]
    usual = usual_mark(laps, name).driven
    if usual.value is None:
        return None
    values = [value for value in (lap.named()[name].driven.value for lap in laps) if value is not None]
    each = scatter = usual.sigma or 0.0
    if len(values) > 1:
        scatter = MEDIAN * for_few(len(values) - 1) * float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return usual.value, scatter, each


def _words(lap: Measured, name: str, few: bool) -> str:
    """What may be said of the usual lap; of a lap or two nothing."""
    change, error = lap.value or 0.0, f"{plus_minus(lap.sigma, 2)} s"
    if few:
        return f"fewer than {LEAST_LAPS} usual laps in one of the sessions are too few to compare usual passes"
    if abs(change) <= TO_95 * (lap.sigma or 0.0):
        return f"no clear difference: {change:+.2f} {error} on the usual lap"
    return f"your usual lap is {abs(change):.2f} {error} {'slower' if change > 0.0 else 'faster'} than that of {name}"


def _shown(corner: CornerDifference, name: str) -> Evidence:
    """A clear corner: what the quicker one does, and how much quicker that is."""
    time = corner.time.value or 0.0
    mine = time < 0.0
    gaps = corner.gaps if mine else {key: Measured(-(gap.value or 0.0), gap.sigma) for key, gap in corner.gaps.items()}
    done, figures = clear_marks(gaps, "do" if mine else "does")
    quicker: tuple[Measured, Quantity] = (Measured(abs(time), corner.time.sigma), "time")
    who, is_, than = ("You", "are", f" than {name}") if mine else (name[:1].upper() + name[1:], "is", "")
    if done:
        said = f"{who} {done} in corner {corner.number}: {{}} quicker there{than}."
        return Evidence(said, (*figures, quicker))
    said = f"{who} {is_} {{}} quicker in corner {corner.number}{than}, most of it {corner.where}."
    return Evidence(f"{said} No single mark shows how.", (quicker,))


def _since(
    other: Review, mine: Review, corners: Sequence[CornerDifference], found: PassDifference
) -> tuple[Evidence, ...]:
    """What became of the earlier session's priorities; of all corners only theirs are looked at."""
    habits = [card for card in other.priorities if card.kind != "scatter"]
    asked = [k for k, corner in enumerate(corners) if any(corner.number in card.corners for card in habits)]
    clear = dict(zip(asked, found.clear(asked)))
    said = []
    for card in other.priorities:
        if card.kind == "scatter":
            said.append(_scatter(other.consistency.spread, mine.consistency.spread))
        else:
            said += [_change(card, corners[k], clear[k]) for k in asked if corners[k].number in card.corners]
    return tuple(said)


def _change(card: Priority, corner: CornerDifference, clear: bool) -> Evidence:
    """Whether a thing to work on has changed in a corner."""
    time, sigma = corner.time.value or 0.0, corner.time.sigma or 0.0
    size, how = Measured(abs(time), sigma), "better" if time < 0.0 else "worse"
    change = f"{{}} {how} than last time"
    if not clear:
        likely = abs(time) > TO_95 * sigma
        change = f"perhaps {{}} {how} than last time, not clear" if likely else f"no clear change ({{}} {how})"
    own = {key: gap for key, gap in corner.gaps.items() if key in OWN_MARK.get(card.kind, ())}
    done, figures = clear_marks(own, "do")
    if not done and clear:
        done, figures = clear_marks(corner.gaps, "do")
    also = f"; you {done}" if done else ""
    return Evidence(f"Corner {corner.number} (\u201c{card.title}\u201d): {change}{also}.", ((size, "time"), *figures))


def _scatter(before: Measured, now: Measured) -> Evidence:
    """Whether laps repeat better."""
    if before.value is None or now.value is None:
        return Evidence(f"Whether your laps repeat better is not known: {before.reason or now.reason}.")
    change = _minus(now, before)
    clear = abs(change.value or 0.0) > 2.0 * (change.sigma or 0.0)
    how = ("better" if (change.value or 0.0) < 0.0 else "worse") if clear else "no clear change"
    return Evidence(
        f"How your laps repeat: {how}. Their standard deviation was {{}} and is {{}} now.",
        ((before, "time"), (now, "time")),
    )


def _minus(a: Measured, b: Measured) -> Measured:
    """Difference of two independent figures."""
    return Measured((a.value or 0.0) - (b.value or 0.0), math.hypot(a.sigma or 0.0, b.sigma or 0.0))
