"""The grid of times: laps down the page, corners, sectors and the lap across, with the best of each column marked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from linelab.coaching.results import LapReview, Review
from linelab.coaching.side_by_side import unusual_laps
from linelab.diagnosis.losses import SegmentLosses, segment_edges, segment_losses
from linelab.diagnosis.stretches import Segment
from linelab.measured import TO_95, plus_minus
from linelab.model.timed import time_at
from linelab.model.track import lap_ends
from linelab.motion.estimate import track_heading
from linelab.output.display import lap_time_text, number_text, typeset
from linelab.units import Array


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """One time: as it is, as a difference to the column's best, and whether that is more than measuring explains."""

    time: str
    apart: str
    best: bool
    clear: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class GridRow:
    """One lap; ``place`` among the laps that can be chosen, -1 otherwise."""

    label: str
    place: int
    usual: bool
    cells: tuple[Cell, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """A corner, a sector or the whole lap: its best time, and the 95 % interval of a difference between two laps."""

    name: str
    corner: int  #: 0 where it is none
    best: str
    within: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Grid:
    """Columns and rows of the table."""

    columns: tuple[Column, ...]
    rows: tuple[GridRow, ...]
    sectors: int


def time_grid(review: Review, chosen: Sequence[LapReview]) -> Grid:
    """The grid of all laps of a review in the order driven.

    Parameters
    ----------
    review : Review
    chosen : sequence of LapReview
        Those that can be chosen on the page.
    """
    corners = [part.corner for part in review.laps[0].corners]
    sectors = len(review.track.timing_stations) + 1 if review.track.timing_stations else 0
    parts = [_corner_passes(lap) for lap in review.laps]
    times, errors = (np.array(values) for values in zip(*parts))
    if sectors:
        more = [_sector_passes(review, lap) for lap in review.laps]
        times, errors = (np.hstack([a, np.array(b)]) for a, b in zip((times, errors), zip(*more)))
    laps = [lap.lap_time for lap in review.laps]
    times = np.column_stack([times, [lap.value or 0.0 for lap in laps]])
    errors = np.column_stack([errors, [lap.sigma or 0.0 for lap in laps]])
    best, between = times.argmin(axis=0), math.sqrt(2.0) * TO_95 * np.sqrt((errors**2).mean(axis=0))
    names = [(corner.label, corner.number) for corner in corners]
    names += [(f"sector {k + 1}", 0) for k in range(sectors)] + [("lap", 0)]
    places, unusual = {id(lap): k for k, lap in enumerate(chosen)}, unusual_laps(review.laps)
    return Grid(
        columns=tuple(
            Column(name=name, corner=number, best=_clock(time), within=plus_minus(error / TO_95, 2))
            for (name, number), time, error in zip(names, times.min(axis=0).tolist(), between.tolist())
        ),
        rows=tuple(
            GridRow(
                label=lap.label, place=places.get(id(lap), -1), usual=lap.label not in unusual,
                cells=tuple(
                    _cell(float(time), float(least), k == row, float(error))
                    for time, least, k, error in zip(times[row], times.min(axis=0), best.tolist(), between)
                ),
            )
            for row, lap in enumerate(review.laps)
        ),
        sectors=sectors,
    )  # fmt: skip


def _cell(time: float, least: float, best: bool, error: float) -> Cell:
    apart = time - least
    return Cell(
        time=_clock(time), apart="best" if best else typeset(number_text(apart, signed=True)), best=best,
        clear=best or apart > error,
    )  # fmt: skip


def _clock(time: float) -> str:
    """To hundredths, as the ± of a pass has them."""
    return number_text(time) if time < 60.0 else lap_time_text(time)[:-1]


def _corner_passes(lap: LapReview) -> tuple[Array, Array]:
    """Time of a lap in each corner's stretch, and what of it measuring makes uncertain from lap to lap (C,) [s]."""
    losses = lap.comparison.losses
    numbers = [part.corner.number for part in lap.corners]
    chosen = [np.array([segment.corner == number for segment in losses.segments]) for number in numbers]
    return _passes(lap, losses, chosen)


def _sector_passes(review: Review, lap: LapReview) -> tuple[Array, Array]:
    """The same between the track's timing lines (S,) [s]."""
    begin, end = lap_ends(review.track)
    edges = [begin, *review.track.timing_stations, end]
    sectors = tuple(Segment(corner=k, phase="straight", s_start=a, s_end=b) for k, (a, b) in enumerate(pairwise(edges)))
    heading = track_heading(review.track, np.minimum(edges, review.track.length - 1e-9))
    losses = segment_losses(sectors, review.target.lap, lap.comparison.driven, heading)
    return _passes(lap, losses, list(np.eye(len(sectors), dtype=bool)))


def _passes(lap: LapReview, losses: SegmentLosses, columns: Sequence[Array]) -> tuple[Array, Array]:
    """Times and errors of sums over segments: an error that all laps share moves no difference between them.

    A position bias lets the ends be passed earlier or later by what it has changed since the other lap.
    """
    driven = lap.comparison.driven
    spent = np.diff(time_at(driven.lap.line.s, driven.lap.t, segment_edges(losses.segments)))
    change = driven.bias.change(driven.lap.lap_time)
    errors = []
    for chosen in columns:
        noise = float(np.std(losses.draws[:, chosen].sum(axis=1))) if losses.draws.size else 0.0
        turned = change * float(np.hypot(*losses.shift[chosen].sum(axis=0)))
        errors.append(math.sqrt(noise**2 + float((losses.drift[chosen] ** 2).sum()) + turned**2))
    return np.array([spent[chosen].sum() for chosen in columns]), np.array(errors)
