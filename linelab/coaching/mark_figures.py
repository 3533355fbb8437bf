"""The marks of driven laps beside the target's, each with its uncertainty or the reason why it is withheld."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from linelab.arrays import Table
from linelab.coaching.coach_words import MARKS
from linelab.coaching.driven_marks import Figures, all_figures
from linelab.coaching.results import CornerReview, DrivenMarks, LapReview, Mark, Review
from linelab.coaching.side_by_side import Rows, Sheet, computed_rows, session_sheet
from linelab.diagnosis.losses import LEAST_RATE
from linelab.diagnosis.marks import CornerMarks, Mask, find_marks, minimum_rooms
from linelab.diagnosis.received import as_seen
from linelab.measured import Measured, for_few, plus_minus, withheld
from linelab.model.track import Track
from linelab.motion.estimate import DrivenLap
from linelab.units import Array

#: Distances to an edge are withheld where the position bias or the survey's error is larger: the miss that matters is
#: half a metre [m].
LARGEST_BIAS = 0.5
#: A place along the track is withheld where it is less certain than this [m].
LARGEST_PLACE = 10.0
#: Of a lap's draws, this share must have a mark for it to be reported [-].
MOST_DRAWS = 0.7
#: Marks of a braking, which is one where it slows by more than this many standard deviations beyond rolling down [-].
BRAKING, CLEARLY_BRAKED = ("brake_point", "brake_peak", "brake_mean", "brake_build", "brake_release"), 2.0
#: A time less certain than this, and than half of itself, is withheld: pedals are worked in tenths of a second [s].
LARGEST_TIME = 0.5
LIGHT = "too light to distinguish from a lift with this recording"
TOO_SLOW = "too few for marks"
#: Why a target that slows for a corner without the brake has none of them.
LIFTED = "the target only lifts"
#: Marks that lean on the kart's distance from an edge.
EDGES = (
    "apex_distance",
    "apex_miss",
    "other_apex_distance",
    "other_apex_miss",
    "track_out_room",
    "kerb_used",
)
#: How far apexes are missed, by the distance from where the computed lap runs.
MISSES = ("apex_miss", "other_apex_miss")
#: Speeds read at a place of the computed lap, and how they change along the way there.
AT_A_STATION = {"entry_speed": "entry_slope", "exit_speed": "exit_slope"}
ONE_APEX = "the computed lap has one apex here"
ABSENT = {
    "brake_point": "no braking here",
    "brake_peak": "no braking here",
    "brake_mean": "no braking here",
    "brake_build": "no braking here",
    "brake_release": "no braking here",
    "other_apex_place": ONE_APEX,
    "other_apex_distance": ONE_APEX,
    "other_apex_miss": ONE_APEX,
    "min_speed_place": "the speed has no lowest point here",
    "drive_point": "on power all through the corner",
    "power_take_up": "on power all through the corner",
    "kerb_used": "no kerb here",
}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SessionMarks:
    """Marks of a session: the figures of all laps, and the same with uncertainty lap by lap.

    Parameters
    ----------
    figures, reference : mapping of name to (L, C) and (C,) array
        As found on the laps, and on the computed lap as this receiver would have shown it.
    sigma : mapping of name to (L, C) array
        Standard deviations; the position bias in them.
    laps : tuple of tuple of DrivenMarks
        By lap and corner.
    """

    figures: Figures
    reference: Figures
    sigma: Figures
    laps: tuple[tuple[DrivenMarks, ...], ...]


def driven_marks(sheet: Sheet, seen: Rows, marks: tuple[CornerMarks, ...]) -> SessionMarks:
    """Marks of every corner on every lap.

    Parameters
    ----------
    sheet : Sheet
    seen : Rows
        The computed lap as the receiver would have shown it, (1, N).
    marks : tuple of CornerMarks
        Of the computed lap.
    """
    rooms = minimum_rooms(sheet.track, marks)
    stacked = Rows(*(np.concatenate(fields) for fields in zip(sheet.laps, sheet.draws, seen)))
    found = all_figures(sheet, stacked, marks, rooms)
    if not found:
        empty: Figures = {}
        return SessionMarks(
            figures=empty,
            reference=empty,
            sigma=empty,
            laps=tuple(() for _ in sheet.driven),
        )
    found |= {name: found[name] - found[name][-1] for name in MISSES}
    count, drawn = sheet.count, sheet.per_lap
    figures = {name: values[:count] for name, values in found.items()}
    reference = {name: values[-1] for name, values in found.items()}
    reference |= {name: np.where([mark.brakes for mark in marks], reference[name], np.nan) for name in BRAKING}
    spread: Figures = {}
    share: Figures = {}
    for name, values in found.items():
        draws = values[count : count * (1 + drawn)].reshape(count, drawn, len(marks))
        spread[name], share[name] = _spread(draws, figures[name])
    sigma = {name: np.hypot(spread[name], _other_errors(sheet, name, figures)) for name in MARKS}
    light = figures["brake_over"] <= CLEARLY_BRAKED * spread["brake_over"]
    laps = tuple(
        tuple(_corner_marks(sheet, found, reference, sigma, share, light, lap, mark, k) for k, mark in enumerate(marks))
        for lap in range(count)
    )
    return SessionMarks(
        figures=figures,
        reference=reference,
        sigma=sigma,
        laps=laps,
    )


def _corner_marks(
    sheet: Sheet,
    figures: Figures,
    reference: Figures,
    sigma: Figures,
    share: Figures,
    light: Mask,
    lap: int,
    mark: CornerMarks,
    k: int,
) -> DrivenMarks:  # fmt: skip
    """The marks of one corner on one lap."""
    drive = sheet.driven[lap]
    pairs = {}
    for name in MARKS:
        found = _figure(
            drive, sheet, name, float(figures[name][lap, k]), float(sigma[name][lap, k]), float(share[name][lap, k])
        )
        if found.known and name in BRAKING and light[lap, k]:
            found = withheld(f"{MARKS[name].name}: {LIGHT}")
        absent = LIFTED if name in BRAKING and mark.lifts else ""
        pairs[name] = Mark(found, _known(float(reference[name][k])), absent=absent)
    return DrivenMarks(corner=mark.corner, **pairs)


def _known(value: float) -> float | None:
    """A reference figure, None where there is none."""
    return float(value) if math.isfinite(value) else None


def _spread(draws: Array, figures: Array) -> tuple[Array, Array]:
    """Standard deviation of draws (L, K, C) about the figures, and the share of them that have the mark.

    A handful of draws knows a spread only roughly; it is widened for that.
    """
    if draws.shape[1] == 0:
        return np.zeros(figures.shape), np.ones(figures.shape)
    known = np.isfinite(draws)
    off = np.where(known, draws - figures[:, None], 0.0)
    count = np.maximum(known.sum(axis=1), 1)
    return for_few(draws.shape[1]) * np.sqrt((off**2).sum(axis=1) / count), known.mean(axis=1)


def _other_errors(sheet: Sheet, name: str, figures: Figures) -> Array:
    """Standard deviation from what the draws do not hold: position bias, survey and errors of the channels."""
    quantity = MARKS[name].quantity
    fixed = np.array([_other_error(sheet, drive, name, quantity) for drive in sheet.driven])[:, None]
    if name in AT_A_STATION:  # a displaced lap's speed is read where it changes
        bias = np.array([drive.bias.sigma for drive in sheet.driven])[:, None]
        return np.asarray(np.hypot(fixed, bias * figures[AT_A_STATION[name]]))
    return np.broadcast_to(fixed, figures["min_speed"].shape)


def _other_error(sheet: Sheet, drive: DrivenLap, name: str, quantity: str) -> float:
    """What is the same all through a lap."""
    if not math.isfinite(drive.rate):
        return 0.0
    if name in EDGES:
        return math.hypot(drive.bias.sigma, sheet.track.survey.uncertainty or 0.0)
    if quantity == "place":
        return drive.bias.sigma
    if quantity == "time":
        return 0.3 / drive.rate  # instants between samples
    return (drive.sensors.speed_sigma or 0.0) if quantity == "speed" and name != "slide" else 0.0


def _figure(drive: DrivenLap, sheet: Sheet, name: str, value: float, sigma: float, share: float) -> Measured:
    """One mark of one lap, or why not."""
    if drive.rate < LEAST_RATE:
        return withheld(f"{drive.rate:.1f} samples a second are {TOO_SLOW}")
    if name in EDGES:
        reason = edge_reason(sheet.track, drive)
        if reason:
            return withheld(f"{reason}: {MARKS[name].name} not reported")
    if not math.isfinite(value):
        return withheld(ABSENT.get(name, f"no {MARKS[name].name} found here"))
    if share < MOST_DRAWS:
        return withheld(f"{MARKS[name].name} not clear in this recording")
    if MARKS[name].quantity == "place" and sigma > LARGEST_PLACE:
        return withheld(f"{MARKS[name].name} only known within {plus_minus(sigma, 0)} m")
    if MARKS[name].quantity == "time" and sigma > max(LARGEST_TIME, 0.5 * value):
        return withheld(f"{MARKS[name].name} only known within {plus_minus(sigma, 1)} s")
    return Measured(float(value), float(sigma))


def spread_over_laps(values: Array, sigma: Array) -> tuple[float, float]:
    """Standard deviation of a mark over laps (L,), measurement noise taken off, and its own standard deviation."""
    known = np.isfinite(values)
    if known.sum() < 3:
        return math.nan, math.nan
    some = values[known]
    whole = float(np.std(some, ddof=1))
    noise = float(np.sqrt(np.mean(sigma[known] ** 2)))
    left = math.sqrt(max(whole**2 - noise**2, 0.0))
    return left, math.hypot(whole, noise) / math.sqrt(2.0 * (some.size - 1))


def usual_mark(laps: Sequence[DrivenMarks], name: str) -> Mark:
    """A corner's mark on the usual lap beside the target's: the median of those laps that have it, of half of all at
    least."""
    marks = [lap.named()[name] for lap in laps]
    known = [(mark.driven.value, mark.driven.sigma or 0.0) for mark in marks if mark.driven.value is not None]
    if not known or 2 * len(known) < len(marks):
        return replace(marks[0], driven=withheld("not seen on most laps"))
    value, sigma = np.median(known, axis=0).tolist()
    return replace(marks[0], driven=Measured(value, sigma))


def counted_from(name: str, frame: CornerMarks) -> float:
    """Where a mark's place counts from as it is shown: the computed lap's apex, whatever the target [m]; 0 where it is
    no place, or counts from there by itself."""
    return frame.apex if MARKS[name].quantity == "place" and name != "min_speed_place" else 0.0


def edge_reason(track: Track, drive: DrivenLap) -> str:
    """Why distances to an edge are not reported on a lap; empty where they are.

    The miss that matters is half a metre: neither the position bias nor the survey may be worse than that.
    """
    if track.survey.estimated:
        return "no surveyed edge"
    if drive.bias.sigma > LARGEST_BIAS:
        return f"position error {plus_minus(drive.bias.sigma, 1)} m"
    survey = track.survey.uncertainty or 0.0
    return f"edges only known within {plus_minus(survey, 1)} m" if survey > LARGEST_BIAS else ""


#: Why a mark of a recorded target is not there where it might be.
NOT_KNOWN = "not known for the target"

TargetFigures = dict[str, Measured]


def with_target_marks(review: Review, own: Sequence[DrivenMarks] = (), of: Sequence[str] = ()) -> Review:
    """The review with its target's marks as each mark's reference; reviews come with the computed lap's.

    The computed lap at the shown grip is read as the receiver would have shown it; ``own`` are the marks of the
    driver's own pass that each corner is compared with, and their uncertainties, ``of`` the label of
    its lap.  Places still count from the computed lap's apex; apex misses alone are measured against the target.
    """
    kind = review.target.kind
    if kind == "computed" or not review.reference_marks:
        return review
    if own:
        return _replaced(review, [_found(marks) for marks in own], of)
    return _replaced(review, _of_computed_lap(review), [""] * len(review.reference_marks))


def _found(marks: DrivenMarks) -> TargetFigures:
    """The marks of a corner of a recorded target."""
    figures = {name: mark.driven for name, mark in marks.named().items()}
    return {
        name: figure if figure.known or figure.reason == ABSENT.get(name) else withheld(NOT_KNOWN)
        for name, figure in figures.items()
    }


def _of_computed_lap(review: Review) -> list[TargetFigures]:
    """Marks of a computed target, corner by corner, without uncertainty."""
    track, marks = review.track, review.reference_marks
    driven = [lap.comparison.driven for lap in review.laps]
    sheet = session_sheet(track, review.kart, driven)
    rows = computed_rows(sheet, [as_seen(track, review.target.lap, driven[0])])
    found = all_figures(sheet, rows, marks, minimum_rooms(track, marks))
    own = find_marks(track, review.target.lap, review.kart)
    found |= {name: np.where([mark.brakes for mark in own], found[name], np.nan) for name in BRAKING}
    found |= {name: 0.0 * found[name] for name in MISSES}  # on the computed line
    return [
        {name: _exact(name, float(found[name][0, k]), lifted=mark.lifts) for name in MARKS}
        for k, mark in enumerate(own)
    ]


def _exact(name: str, value: float, *, lifted: bool) -> Measured:
    if math.isfinite(value):
        return Measured(value)
    return withheld(LIFTED if lifted and name in BRAKING else ABSENT.get(name, NOT_KNOWN))


def _replaced(review: Review, target: list[TargetFigures], of: Sequence[str]) -> Review:
    """The review with every mark of every lap beside the target's of that corner."""

    def lap(one: LapReview) -> LapReview:
        corners = Table(
            replace(_corner(part, figures), target_lap=label) for part, figures, label in zip(one.corners, target, of)
        )
        return replace(one, comparison=replace(one.comparison, corners=corners))

    return replace(review, laps=Table(lap(one) for one in review.laps))


def _corner(part: CornerReview, target: TargetFigures) -> CornerReview:
    """One corner of one lap beside the target's marks."""
    pairs = {name: _mark_beside(name, mark.driven, target[name]) for name, mark in part.marks.named().items()}
    pairs |= {name: _miss(pairs[name].driven, target[name]) for name in MISSES}
    return replace(part, marks=DrivenMarks(corner=part.corner, **pairs))


def _mark_beside(name: str, driven: Measured, target: Measured) -> Mark:
    """A mark beside the target's, or the reason why the target has none where that is not that it has no such thing."""
    absent = "" if target.reason == ABSENT.get(name) else target.reason
    return Mark(driven, target.value, target.sigma or 0.0, absent)


def _miss(driven: Measured, target: Measured) -> Mark:
    """The apex miss against the target's line instead of the computed one."""
    if target.value is None:
        return Mark(target, absent=target.reason)
    if driven.value is None:
        return Mark(driven, 0.0)
    return Mark(Measured(driven.value - target.value, math.hypot(driven.sigma or 0.0, target.sigma or 0.0)), 0.0)
