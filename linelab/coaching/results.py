"""The nouns of a coached session: every figure from a recording is a Measured, every text is plain words.

SI inside; texts name places as "corner 3" and leave units to the report where a figure goes with them, except for
seconds, which every reader of a lap knows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from linelab.arrays import ByValue, Table, counted, data_frame, frozen_array, set_field
from linelab.coaching.coach_words import MARK_KEYS
from linelab.diagnosis.kinds import Cause, FaultKind, Quantity, TargetKind
from linelab.diagnosis.losses import SegmentLosses
from linelab.diagnosis.marks import CornerMarks
from linelab.diagnosis.stretches import Phase
from linelab.errors import on_one_line
from linelab.measured import Apart, Measured
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Recording
from linelab.model.track import Corner, Survey, Track
from linelab.motion.estimate import DrivenLap
from linelab.motion.own_passes import OwnPasses
from linelab.optimum.minimum_time import Solution
from linelab.recorded.laps import RecordedLap
from linelab.units import Array

if TYPE_CHECKING:
    from linelab.arrays import DataFrame


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the recording shows, in words; each ``{}`` stands for one of the figures, in SI until it is reported."""

    text: str
    figures: tuple[tuple[Measured, Quantity], ...] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """One mark or figure of a driven corner beside the same on the target's lap.

    ``reference`` is None where the target has no such thing, and ``absent`` says why (it does not brake there, say);
    ``reference_sigma`` is not zero where the target was recorded itself.
    """

    driven: Measured
    reference: float | None = None
    reference_sigma: float = 0.0
    absent: str = ""

    @property
    def gap(self) -> Measured:
        """Driven minus reference."""
        if self.driven.value is None:
            return self.driven
        if self.reference is None:
            return Measured(None, None, self.absent or "the target has none")
        return self.from_place(0.0)

    def from_place(self, place: float) -> Apart:
        """``gap`` of a mark whose figures are shown as they count from a place; both are known."""
        driven, reference = self.driven.value or 0.0, self.reference or 0.0
        sigma = math.hypot(self.driven.sigma or 0.0, self.reference_sigma)
        return Apart(driven - reference, sigma, target=reference - place)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DrivenMarks(ByValue):
    """The marks of one corner on one driven lap; names, units and rules are in :mod:`linelab.coaching.coach_words`.

    Stations are unwrapped about the corner's reference apex, as in :class:`~linelab.diagnosis.marks.CornerMarks`.
    """

    corner: Corner
    brake_point: Mark  #: [m]
    brake_peak: Mark  #: [m/s²], positive
    brake_mean: Mark  #: [m/s²], positive
    brake_build: Mark  #: [s]
    brake_release: Mark  #: [s]
    coasting_before: Mark  #: [s]
    coasting_after: Mark  #: [s]
    turn_in: Mark  #: [m]
    apex_place: Mark  #: station of the closest approach to the inside edge [m]
    apex_distance: Mark  #: to the inside edge, at the reference apex [m]
    apex_miss: Mark  #: [m]; the reference is 0
    other_apex_place: Mark  #: the same three about the other apex of a corner that has two
    other_apex_distance: Mark
    other_apex_miss: Mark
    min_speed: Mark  #: [m/s]
    min_speed_place: Mark  #: after the reference apex [m]
    drive_point: Mark  #: [m]
    power_take_up: Mark  #: [s]
    power_dip: Mark  #: fall of the acceleration once the power is in [m/s²]
    track_out_room: Mark  #: road left free on the outside at the track-out [m]
    kerb_used: Mark  #: farthest beyond an edge where there is a kerb [m]
    reversals: Mark  #: changes of steering direction [-]
    steering_effort: Mark  #: total variation of curvature over that of the straightest line [-]
    slide: Mark  #: speed lost in a slide [m/s]; the reference is 0
    entry_speed: Mark  #: at the reference turn-in [m/s]
    exit_speed: Mark  #: at the reference track-out [m/s]

    def named(self) -> dict[str, Mark]:
        """Name to mark, in the order above."""
        return {item.name: getattr(self, item.name) for item in fields(self) if item.name != "corner"}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CornerReview(ByValue):
    """One corner on one lap.

    Parameters
    ----------
    corner : Corner
    frame : CornerMarks
        The corner on the computed lap: what its phases go by.
    marks : DrivenMarks
        What the driver did, beside the same on the computed lap.
    time_lost : Measured
        Driven minus reference over the corner's stretch, from half-way after the corner before [s].
    phases : tuple of (phase, Measured)
        The same by phase, in driving order [s].
    line_loss, speed_loss : Measured
        ``time_lost`` split: what the driven line costs at best, and what the speed on it costs [s].
    line_overspeed : Measured
        Driven speed minus what the driven line can hold at the reference turn-in [m/s].
    causes : tuple of (cause, Measured)
        ``speed_loss`` by what caused it, in the order of CAUSES; they add up to it exactly [s].  Empty where a lap is
        compared without its session.
    target_lap : str
        Label of the driver's own lap that the corner is compared with; empty where the target is computed.
    """

    corner: Corner
    frame: CornerMarks
    marks: DrivenMarks
    time_lost: Measured
    phases: tuple[tuple[Phase, Measured], ...]
    line_loss: Measured
    speed_loss: Measured
    line_overspeed: Measured
    causes: tuple[tuple[Cause, Measured], ...] = ()
    target_lap: str = ""

    def row(self) -> dict[str, Any]:
        """The corner as a row of a table: every figure with its standard deviation and, where withheld, the reason."""
        figures = {"time_lost_s": self.time_lost, "line_loss_s": self.line_loss, "speed_loss_s": self.speed_loss}
        figures |= {f"{phase}_lost_s": lost for phase, lost in self.phases}
        figures |= {f"{cause}_cost_s": lost for cause, lost in self.causes}
        marks = self.marks.named()
        figures |= {key: marks[name].driven for name, key in MARK_KEYS.items()}
        row = {
            "corner": self.corner.number,
            "name": self.corner.name,
            "direction": "left" if self.corner.left else "right",
            **_cells(figures),
        }
        return row | {f"{key}_reference": marks[name].reference for name, key in MARK_KEYS.items()}

    @property
    def entry_overspeed(self) -> Measured:
        """Driven minus reference speed at the reference turn-in [m/s]."""
        return self.marks.entry_speed.gap


def _cells(figures: Mapping[str, Measured]) -> dict[str, Any]:
    """Cells of a row: each figure with its standard deviation and the reason why it is withheld."""
    cells = [(name, f"{name}_sigma", f"{name}_reason") for name in figures]
    values = [(figure.value, figure.sigma, figure.reason) for figure in figures.values()]
    return {title: cell for row in zip(cells, values) for title, cell in zip(*row)}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Comparison(ByValue):
    """A driven lap against the computed lap.

    Parameters
    ----------
    track_name : str
    survey : Survey
        Where the edges come from; belongs on every output.
    reference : Lap
    driven : DrivenLap
    lap_gap : Measured
        Driven minus computed lap time [s]; the sum over ``losses.segments``.
    line_loss, speed_loss : Measured
        ``lap_gap`` split [s].
    corners : tuple of CornerReview
        In driving order.  ``corners.to_dataframe()`` gives a row a corner.
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
    corners: Table[CornerReview]
    elsewhere: Measured
    losses: SegmentLosses
    s: Array
    gap: Array
    gap_sigma: Array
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        set_field(self, "corners", Table(self.corners))

    def __repr__(self) -> str:
        pair = f"{on_one_line(self.driven.lap.label)!r} with {on_one_line(self.reference.label)!r}"
        return f"Comparison of {pair}, {self.lap_gap.value:+.3f} s, {counted(len(self.corners), 'corner')}"

    def to_dataframe(self) -> DataFrame:
        """The cumulative time difference as a table, one row a node, units in the column names.

        Raises
        ------
        InputError
            pandas is not installed.
        """
        lap, at = self.driven.lap, self.reference.line.s
        return data_frame(
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LapReview(ByValue):
    """One lap of the session.

    Parameters
    ----------
    label : str
    lap_time : Measured
        [s].
    comparison : Comparison
        Against the target's lap: the gap and its parts, corner by corner; curves along the lap, notes.
    """

    label: str
    lap_time: Measured
    comparison: Comparison

    def row(self) -> dict[str, Any]:
        """The lap as a row of a table: every figure with its standard deviation and, where withheld, the reason."""
        figures = {"lap_time_s": self.lap_time, "gap_s": self.gap, "line_loss_s": self.line_loss}
        return {"lap": self.label, **_cells(figures | {"speed_loss_s": self.speed_loss})}

    @property
    def corners(self) -> Table[CornerReview]:
        """In driving order; they add up to ``gap`` exactly."""
        return self.comparison.corners

    @property
    def gap(self) -> Measured:
        """Driven minus target [s]."""
        return self.comparison.lap_gap

    @property
    def line_loss(self) -> Measured:
        """What of the gap the driven line costs at best [s]."""
        return self.comparison.line_loss

    @property
    def speed_loss(self) -> Measured:
        """What of the gap the speed on that line costs [s]."""
        return self.comparison.speed_loss


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownGrip:
    """The grip the driver demonstrably had that day, as a factor on the kart's.

    Parameters
    ----------
    factor : Measured
        [-].
    low, high : float
        Range of the corners' own figures (10 % and 90 %) [-].
    corners : tuple of (corner number, factor)
        Each corner's own figure, from the median lap [-].
    note : str
        How it was found, in words.
    """

    factor: Measured
    low: float
    high: float
    corners: tuple[tuple[int, float], ...] = ()
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class DriverNumbers(ByValue):
    """What the laps show of the driver all round, as the driver model has it: his habits come on top.

    Parameters
    ----------
    values : (6,) array
        In the order of :data:`linelab.diagnosis.driver_model.SESSION`: share of the kart file's grip, factors on its
        braking, engine force and roll-down [-], half the time of a change of pedals and the time in which power is
        built up [s].
    errors : (6,) array
        Standard deviations of the fit.
    lasting : (6,) array
        Standard deviations of what the model may be off by, the same on all laps.
    laps : int
        How many showed them.
    reason : str
        Why they are not to be used; empty where they are.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("ostrelle_sprint"), linelab.load_kart("senior-single-speed")
    >>> found = linelab.review("ostrelle_practice", kart, track, laps=(4, 6), position_error=0.25)
    >>> costs = linelab.habit_costs(track, kart, habit="coasts", corners=[1], session=found.driver.values)
    >>> 0.9 < found.driver.values[0] < 1.05 and costs[0].at(0.3) > 0.0
    True
    """

    values: Array
    errors: Array
    lasting: Array
    laps: int
    reason: str = ""

    def __post_init__(self) -> None:
        for name in ("values", "errors", "lasting"):
            set_field(self, name, frozen_array("DriverNumbers", name, getattr(self, name), shape=(None,)))

    @property
    def sigma(self) -> Array:
        """Standard deviations, all in all (6,)."""
        return np.hypot(self.errors, self.lasting)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Target(ByValue):
    """The lap that the driver's laps are compared with.

    Parameters
    ----------
    kind : TargetKind
    title, words : str
        What to call it, and what it means, for the page.
    lap : Lap
        To draw beside the driven laps.  For "own_parts" put together from several laps.
    lap_time : float
        [s].
    sigma : float
        Standard deviation of ``lap_time``; 0 for a computed lap on surveyed edges [s].
    """

    kind: TargetKind
    title: str
    words: str
    lap: Lap
    lap_time: float
    sigma: float = 0.0

    @property
    def computed(self) -> bool:
        """Whether it is a computed lap, and not the driver's own."""
        return self.kind in ("computed", "shown_grip")


@dataclass(frozen=True, kw_only=True, slots=True)
class CornerSpread:
    """How repeatable one corner is over the laps.

    Parameters
    ----------
    corner : Corner
    time : Measured
        Standard deviation of the time lost there, what the receiver adds taken off [s].
    cost : Measured
        Mean time lost against the driver's own good laps (the fastest quarter) there [s].
    marks : tuple of (name, Measured)
        Standard deviation of each mark over the laps, by its name in DrivenMarks, in the mark's unit.
    """

    corner: Corner
    time: Measured
    cost: Measured
    marks: tuple[tuple[str, Measured], ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineBand(ByValue):
    """Where the laps ran: mean offset and its standard deviation over the laps, at stations (N,) [m].

    ``noise`` is what the receiver alone would scatter (N,) [m], ``laps`` how many laps these are.
    """

    s: Array
    n: Array
    spread: Array
    noise: Array
    laps: int


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Consistency(ByValue):
    """Repeatability over the session.

    Parameters
    ----------
    laps : int
        Laps it is made of.
    within_best, within_median : tuple of str
        Labels of the laps within 0.1 s of the best, and of the median.
    median : float
        Median lap time [s].
    spread : Measured
        Standard deviation of the lap times [s].
    trend : Measured
        Change of the lap time by lap, positive when getting slower [s/lap].
    trend_words : str
        What it may mean.
    corners : tuple of CornerSpread
    least_repeatable : int or None
        Number of the corner whose time varies most; None where none stands out of the noise.
    band : LineBand
    """

    laps: int
    within_best: tuple[str, ...]
    within_median: tuple[str, ...]
    median: float
    spread: Measured
    trend: Measured
    trend_words: str
    corners: tuple[CornerSpread, ...]
    least_repeatable: int | None
    band: LineBand


@dataclass(frozen=True, kw_only=True, slots=True)
class Priority:
    """One thing to work on.

    Parameters
    ----------
    rank : int
        From 1.
    kind : FaultKind
    title : str
        In plain words, an instruction.
    corners : tuple of int
        Corner numbers, the costliest first.
    at_stake : Measured
        Time a lap [s].
    evidence : tuple of Evidence
        What the recording shows: laps, marks.
    feel : str
        What to feel or look for.
    exercise : str
        One exercise.
    laps : tuple of str
        Labels of laps that show it best.
    close : tuple of Evidence
        What had no room behind it, in words with what is at stake; of the last one only.
    """

    rank: int
    kind: FaultKind
    title: str
    corners: tuple[int, ...]
    at_stake: Measured
    evidence: tuple[Evidence, ...]
    feel: str
    exercise: str
    laps: tuple[str, ...] = ()
    close: tuple[Evidence, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Strength:
    """Something the driver does well, with the evidence."""

    title: str
    corners: tuple[int, ...]
    evidence: tuple[Evidence, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Review(ByValue):
    """Everything a coach would say about one session; :func:`linelab.review` returns it.

    Parameters
    ----------
    track, kart : Track, Kart
    target : Target
    grip : ShownGrip
    reference : Lap
        The computed lap.
    reference_marks : tuple of CornerMarks
        Its marks, in driving order.
    laps : tuple of LapReview
        In order of time.
    best : int
        Index of the fastest lap.
    typical : int
        Index of the lap nearest the median lap time.
    corners : tuple of (corner, Measured)
        Mean time lost to the target by corner over the laps [s].
    consistency : Consistency
    priorities : tuple of Priority
        At most three; empty where nothing is significant.
    without_card : tuple of Evidence
        Corners that cost more than one with a priority and have none, and what their time goes into.
    strengths : tuple of Strength
    verdict : str
        One or two sentences: the gap, and what it is made of; says so where nothing is significant.
    withheld : tuple of (what, reason)
        What the recording cannot carry: "line", "corner speed" (at the slowest point), "feet" (brake and power).
    cleaning : tuple of str
        What was cleaned, left out or assumed in the recording.
    notes : tuple of str
        What a reader must know about the figures.
    recording : Recording or None
        What was reviewed; None where driven laps were handed in.
    recorded : tuple of RecordedLap
        All laps of the recording with their status and, where they are not reviewed, the reason.
    solution : Solution or None
        What the computed lap is from.
    passes : OwnPasses or None
        How long each sound lap took in each corner: what sessions are compared by.
    driver : DriverNumbers or None
        The driver's grip, braking and feet all round; None where the laps were not explained.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("ostrelle_sprint"), linelab.load_kart("senior-single-speed")
    >>> found = linelab.review("ostrelle_practice", kart, track, laps=(4, 6), position_error=0.25)
    >>> found.laps[found.best].label
    'lap 6'
    >>> found.to_dataframe().shape[0] == 2 * len(track.corners)
    True
    """

    track: Track
    kart: Kart
    target: Target
    grip: ShownGrip
    reference: Lap
    reference_marks: tuple[CornerMarks, ...]
    laps: Table[LapReview]
    best: int
    typical: int
    corners: tuple[tuple[Corner, Measured], ...]
    consistency: Consistency
    priorities: tuple[Priority, ...]
    without_card: tuple[Evidence, ...]
    strengths: tuple[Strength, ...]
    verdict: str
    withheld: tuple[tuple[str, str], ...] = ()
    cleaning: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    recording: Recording | None = None
    recorded: Table[RecordedLap] = field(default_factory=Table)
    solution: Solution | None = None
    passes: OwnPasses | None = None
    driver: DriverNumbers | None = None

    def __post_init__(self) -> None:
        set_field(self, "laps", Table(self.laps))
        set_field(self, "recorded", Table(self.recorded))

    @property
    def opening(self) -> int:
        """Index of the lap that outputs show first: the best, or, where laps are held against the driver's own, the
        usual one: a lap beside itself shows nothing."""
        best = self.laps[self.best]
        apart = self.target.kind == "other_lap" and best.corners[0].target_lap != best.label
        if self.target.computed or len(self.laps) == 1 or apart:
            return self.best
        others = [k for k in range(len(self.laps)) if k != self.best]
        return (
            self.typical if self.typical != self.best else min(others, key=lambda k: self.laps[k].lap_time.value or 0.0)
        )

    def __repr__(self) -> str:
        best, target = self.laps[self.best], self.target
        laps, advice = counted(len(self.laps), "lap"), counted(len(self.priorities), "thing")
        return (
            f"Review of {laps} on {on_one_line(self.track.name)!r}: best {best.lap_time.value:.2f} s, "
            f"{best.gap.value:+.2f} s to {target.title}, {advice} to work on"
        )

    def rows(self) -> list[dict[str, Any]]:
        """A row a lap and corner: every figure with its standard deviation and, where withheld, the reason."""
        return [{"lap": lap.label, **part.row()} for lap in self.laps for part in lap.corners]

    def to_dataframe(self) -> DataFrame:
        """The corners of all laps as a table, one row a lap and corner; ``laps.to_dataframe()`` gives a row a lap.

        Raises
        ------
        InputError
            pandas is not installed (``pip install linelab[tables]``).
        """
        return data_frame(self.rows())
