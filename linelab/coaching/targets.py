"""The target that laps are compared with: its lap, and what its own line and habits cost against the computed lap."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from linelab.coaching.analysis import Analysis
from linelab.coaching.results import DrivenMarks, LapReview, ShownGrip, Target
from linelab.diagnosis.kinds import Cause, TargetKind
from linelab.diagnosis.losses import LineCost, segment_edges
from linelab.diagnosis.marks import Index
from linelab.errors import InputError
from linelab.files.tracks.track_build import track_from_edges
from linelab.geometry.frenet import sn_to_xy
from linelab.model.lap import Lap, Limit
from linelab.model.timed import time_at, timed_lap
from linelab.model.track import Track
from linelab.motion.track_from_laps import WIDTH_SIGMA, place_sigma
from linelab.optimum.minimum_time import solve_min_time
from linelab.speed.lines import line_on_track
from linelab.speed.profile import speed_profiles
from linelab.units import Array


def narrowed(track: Track, by: float, least: float) -> Track:
    """The corridor with both edges ``by`` nearer its middle, but never narrower than ``least`` [m].

    Raises
    ------
    TrackError
        The narrower edges make no track.
    """
    middle = 0.5 * (track.w_left - track.w_right)
    half = np.maximum(0.5 * track.width - by, 0.5 * least)
    left, right = (_edge(track, middle + side * half) for side in (1.0, -1.0))
    return track_from_edges(track.name, left, right, closed=True)


def _edge(track: Track, n: Array) -> Array:
    """A line at offsets (N,) from the reference line, its first point not repeated (N-1, 2)."""
    return np.column_stack(sn_to_xy(track.reference, track.s, n))[:-1]


#: Least width of a corridor that is drawn in, in widths of the kart [-], and how well its lap time must be known [s].
LEAST_ROOM, ROUGH = 1.5, 0.05
#: Where one of the own laps is handed over to the next over so much [m], so that a picture has no steps.
JOINED = 8.0

TITLES: dict[TargetKind, str] = {
    "computed": "the computed lap",
    "shown_grip": "the computed lap at your grip",
    "own_best": "your own best lap",
    "own_parts": "your best corners joined",
    "other_lap": "another lap",
}
#: Targets that are made of the driver's own laps.
OWN: tuple[TargetKind, ...] = ("own_best", "own_parts")
WORDS: dict[TargetKind, str] = {
    "computed": "the fastest lap that can be computed for this track, this kart and this grip; nobody drives all of it",
    "shown_grip": "the line of the computed lap, driven with the grip that your own corner speeds show",
    "own_best": "your fastest sound lap of this session: you have done it once already",
    "own_parts": "each corner as on the sound lap of this session on which you were quickest there, in the time that "
    "this pass most likely took",
    "other_lap": "a lap that somebody drove on this track: you, on another lap, or another driver",
}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class OtherLap:
    """A lap of another recording on the same track, as the target.

    Parameters
    ----------
    title : str
        Whose lap, in words: "your team mate's best lap (lap 4)".
    lap : LapReview
        From the other recording's review against the computed lap.
    """

    title: str
    lap: LapReview

    @property
    def marks(self) -> tuple[DrivenMarks, ...]:
        """Its marks by corner."""
        return tuple(part.marks for part in self.lap.corners)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Held:
    """A target, and what of the computed lap's gap is its own.

    Parameters
    ----------
    target : Target
    line : (M,) array
        What its line costs by segment [s].
    causes : dict of Cause to (C,) array
        What its habits cost by corner [s].
    best : (C,) array of int
        Of the driver's own laps the one that each corner is compared with; empty for any other target.
    bias : float
        Standard deviation per axis of the position error of another recording's lap [m].
    """

    target: Target
    line: Array
    causes: dict[Cause, Array]
    best: Index
    bias: float = 0.0

    def cost(self, analysis: Analysis, lap: int) -> LineCost | None:
        """What a lap's line costs against the target's; None where lines are not judged."""
        if analysis.costs is None or analysis.unrated:
            return None
        cost = analysis.costs.of(lap, segment_edges(analysis.segments))
        return cost._replace(line=cost.line - self.line)


def usual_target(analysis: Analysis) -> TargetKind:
    """What laps are compared with unless somebody chooses: the computed lap, or the driver's best corners joined where
    that lap says little, because the edges were not surveyed or the kart file is another kart's."""
    return "own_parts" if analysis.unrated and len(analysis.every) > 1 else "computed"


def choose_target(analysis: Analysis, shown: ShownGrip, kind: TargetKind, other: str | OtherLap | None = None) -> Held:
    """A target, and what of the lost time is its own.

    Parameters
    ----------
    other : str or OtherLap, optional
        For "other_lap": the label of one of the driver's own laps, or a lap of another recording.

    Raises
    ------
    InputError
        An unknown kind, or no such lap.
    """
    if kind not in TITLES:
        raise InputError(f"there is no target {kind!r}", where="target", remedy=f"Choose among {', '.join(TITLES)}")
    none = np.zeros(len(analysis.segments))
    nobody = np.zeros(0, dtype=np.intp)
    if kind == "computed":
        target = _target(kind, analysis.reference, edge_error(analysis))
        return Held(target=target, line=none, causes={}, best=nobody)
    if kind == "shown_grip":
        target, steps = _at_shown_grip(analysis, shown)
        return Held(target=target, line=none, causes={"all_round": analysis.by_corner(steps)}, best=nobody)
    if isinstance(other, OtherLap):
        return _of_other(other)
    times = np.array([drive.lap.lap_time for drive in analysis.every])
    best = int(times.argmin()) if kind != "other_lap" else _labelled(analysis, other)
    chosen = np.full(len(analysis.marks), best)
    if kind != "own_parts":
        own = analysis.every[best].lap
        title = f"{TITLES[kind]} ({own.label})" if kind == "own_best" else f"your {own.label}"
        target = replace(_target(kind, own, analysis.every[best].lap_time_sigma), title=title)
    else:
        chosen = analysis.passes.best
        target = _target(kind, _joined(analysis, best), float(analysis.passes.joined.sum(axis=1).std()))
    owner, at = chosen[analysis.owners], np.arange(none.size)
    causes = {cause: analysis.by_corner(values[owner, at]) for cause, values in analysis.causes.items()}
    line = none
    if analysis.costs is not None:
        edges = segment_edges(analysis.segments)
        line = np.array([analysis.costs.of(lap, edges).line for lap in range(len(times))])[owner, at]
    return Held(target=target, line=line, causes=causes, best=chosen)


def _labelled(analysis: Analysis, label: str | None) -> int:
    """Which of the driver's own laps has this label."""
    labels = [drive.lap.label for drive in analysis.every]
    if label not in labels:
        raise InputError(f"{label or 'no lap'} cannot be compared with", where="target",
                         remedy=f"Choose among {', '.join(labels)}")  # fmt: skip
    return labels.index(label)


def _of_other(other: OtherLap) -> Held:
    """A lap of another recording as the target, with what its own line and habits cost where they were rated."""
    comparison = other.lap.comparison
    drive, cost = comparison.driven, comparison.losses.cost
    causes: dict[Cause, Array] = {}
    for k, part in enumerate(other.lap.corners):
        for cause, lost in part.causes:
            if cause != "rest" and lost.value is not None:
                causes.setdefault(cause, np.zeros(len(other.lap.corners)))[k] = lost.value
    return Held(
        target=replace(_target("other_lap", drive.lap, drive.lap_time_sigma), title=other.title),
        line=np.zeros(comparison.losses.loss.size) if cost is None else cost.line, causes=causes,
        best=np.zeros(0, dtype=np.intp), bias=drive.bias.sigma,
    )  # fmt: skip


def _target(kind: TargetKind, lap: Lap, sigma: float) -> Target:
    return Target(kind=kind, title=TITLES[kind], words=WORDS[kind], lap=lap, lap_time=lap.lap_time, sigma=sigma)


def grip_error(analysis: Analysis, less: float = 0.01) -> float:
    """How much longer the reference line takes with so much less grip than the kart file says [s]."""
    line, sheet = analysis.reference.line, analysis.sheet
    slower = speed_profiles([replace(line, grip=line.grip * (1.0 - less))], sheet.kart, label="less grip")[0]
    return float(max(slower.lap_time - analysis.reference.lap_time, 0.0))


def edge_error(analysis: Analysis) -> float:
    """What the computed lap's time may be off by because the edges of its corridor are only estimated [s].

    The corridor is drawn in as far as its edges are uncertain, and solved again.  Where in the road the laps ran, about
    which it was drawn, is unknown: anywhere that left room for the kart.  Surveyed edges are taken at their word.
    """
    sheet = analysis.sheet
    survey, width = sheet.track.survey, sheet.kart.width
    if not survey.estimated:
        return 0.0
    # What moves the whole track costs no time: only its shape, its width and where in it the laps ran.
    shape = 0.0 if survey.shape_sigma is None else math.hypot(survey.shape_sigma, 0.5 * WIDTH_SIGMA)
    off = math.hypot(shape, place_sigma(survey.assumed_width or 0.0, width))
    narrow = narrowed(sheet.track, off, LEAST_ROOM * width)
    slower = solve_min_time(narrow, sheet.kart, grip=sheet.grip, tolerance=ROUGH, verify=False)
    return max(timed_lap(narrow, slower.lap).lap_time - analysis.reference.lap_time, 0.0)


def _at_shown_grip(analysis: Analysis, shown: ShownGrip) -> tuple[Target, Array]:
    """The reference line at the shown grip, and what it loses to the computed lap by segment (M,) [s].

    How far that grip is certain is the target's uncertainty.
    """
    factor, reference, sheet = shown.factor, analysis.reference, analysis.sheet
    if factor.value is None:
        plain = _target("shown_grip", reference, edge_error(analysis))
        return replace(plain, words=factor.reason), np.zeros(len(analysis.segments))
    share = factor.sigma or 0.0
    line, title = reference.line, TITLES["shown_grip"]
    lap, less = (
        speed_profiles([replace(line, grip=line.grip * grip)], sheet.kart, label=title)[0]
        for grip in (factor.value, max(factor.value - max(share, 1e-3), 0.1))
    )
    error = math.hypot((less.lap_time - lap.lap_time) * (share / max(share, 1e-3)), edge_error(analysis))
    edges = segment_edges(analysis.segments)
    steps = np.diff(time_at(lap.line.s, lap.t, edges)) - np.diff(time_at(reference.line.s, reference.t, edges))
    return _target("shown_grip", lap, error), steps


def _joined(analysis: Analysis, best: int) -> Lap:
    """One lap put together from the laps that were quickest corner by corner.

    It takes in each corner what that pass most likely took: the smallest of several measured times is too small.
    """
    passes = analysis.passes
    chosen = passes.best
    likely = passes.joined.mean(axis=0) / passes.measured[chosen, np.arange(chosen.size)]
    sheet, laps = analysis.sheet, [drive.lap for drive in analysis.every]
    edges = segment_edges(analysis.segments)
    s = np.union1d(sheet.s, edges)
    s = s[np.concatenate([[True], np.diff(s) > 1e-6])]
    segment = np.clip(np.searchsorted(edges, 0.5 * (s[1:] + s[:-1]), side="right") - 1, 0, edges.size - 2)
    owner = chosen[analysis.owners][segment]
    steps = np.array([np.diff(time_at(lap.line.s, lap.t, s)) for lap in laps])[owner, np.arange(owner.size)]
    steps = steps * likely[analysis.owners][segment]
    share = np.array([np.append(owner == k, owner[-1] == k) for k in range(len(laps))], dtype=np.float64)
    from scipy.ndimage import uniform_filter1d

    step = float(np.median(np.diff(s)))
    share = uniform_filter1d(
        share, max(round(JOINED / step), 1), axis=1, mode="wrap" if sheet.track.closed else "nearest"
    )
    n, v, ax = (
        (share * np.array([np.interp(s, lap.line.s, values) for lap, values in zip(laps, rows)])).sum(axis=0)
        for rows in ([lap.line.n for lap in laps], [lap.v for lap in laps], [lap.ax for lap in laps])
    )
    line = line_on_track(sheet.track, s, n, half_width=0.5 * sheet.kart.width, grip=sheet.grip)
    return Lap(
        line=replace(line, closed=laps[best].line.closed), t=np.concatenate([[0.0], np.cumsum(steps)]), v=v, ax=ax,
        limited_by=np.full(s.size, Limit.NONE), label="best corners",
    )  # fmt: skip
