"""The grid of times: laps down the page, corners, sectors and the lap across, with the best of each column marked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linelab.coaching.results import LapReview, Review
from linelab.coaching.side_by_side import unusual_laps
from linelab.diagnosis.losses import segment_edges
from linelab.measured import TO_95, plus_minus
from linelab.model.track import lap_ends
from linelab.motion.estimate import track_heading
from linelab.motion.own_passes import measured_times, pass_covariance
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
    segments, ends = review.laps[0].comparison.losses.segments, _sectors(review)
    numbers = [corner.number for corner in corners]
    owners = np.array([numbers.index(segment.corner) for segment in segments])
    times, errors = _passes(review, segment_edges(segments), owners)
    sectors = max(ends.size - 1, 0)
    if sectors:
        more = _passes(review, ends, np.arange(sectors))
        times, errors = (np.concatenate(pair, axis=-1) for pair in zip((times, errors), more))
    laps = [lap.lap_time for lap in review.laps]
    times = np.column_stack([times, [lap.value or 0.0 for lap in laps]])
    errors = np.append(errors, np.sqrt(np.mean([(lap.sigma or 0.0) ** 2 for lap in laps])))
    best, between = times.argmin(axis=0), math.sqrt(2.0) * TO_95 * errors
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


def _sectors(review: Review) -> Array:
    """Stations of the ends of the sectors between the track's timing lines; none without such lines [m]."""
    begin, end = lap_ends(review.track)
    stations = review.track.timing_stations
    return np.array([begin, *stations, end]) if stations else np.zeros(0)


def _passes(review: Review, edges: Array, owners: NDArray[np.intp]) -> tuple[Array, Array]:
    """Times of all laps (L, C), and what measuring makes uncertain in one of them from lap to lap (C,) [s]."""
    driven = [lap.comparison.driven for lap in review.laps]
    heading = track_heading(review.track, np.minimum(edges, review.track.length - 1e-9))
    errors = np.sqrt(np.diag(pass_covariance(driven, edges, heading, owners)))
    return measured_times(driven, edges, owners), errors
