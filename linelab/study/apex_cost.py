"""What a missed apex costs: time lost by how far from the inside edge the line is held at each corner.

The true answer is the minimum-time problem solved again with the line held away from the apex.  Here the reference
line is moved aside instead, smoothly, by the miss at the apex and by less before and after it, and each moved line is
driven as fast as its grip allows (:mod:`linelab.solve.speed`).  Of several lengths of the move the quickest counts.
Every moved line is one that the re-optimised problem could have chosen, so its cost is an upper bound of the true one,
which :mod:`linelab.study.apex_solved` computes: for half a metre 1.03 to 4 times as much on the bundled circuits, 1.6
times at the median.  Where the reference line does not reach the inside edge, as in a corner that is driven as the end
of the one before, the true cost is nothing and the bound says nothing: ``room`` tells.

All corners, misses and lengths are timed side by side in a few batches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.comparison.marks import CornerMarks, find_marks
from linelab.errors import InputError
from linelab.kart import Kart
from linelab.lap import Line
from linelab.solve.mesh import corridor
from linelab.solve.mintime import Solution
from linelab.solve.speed import profile_times
from linelab.study.moved_line import NO_MOVE, Base, base_of, fits, moved, shapes
from linelab.track import Track
from linelab.units import Array
from linelab.values import frozen_array, set_field

#: Misses looked at unless others are asked for [m].
MISSES = (0.25, 0.5, 1.0, 2.0)
#: Lines timed in one go: bounds the memory.
BATCH = 256


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ApexCost:
    """Time lost over a lap by missing one corner's apex.

    Parameters
    ----------
    corner : int
        The corner's number.
    misses : (M,) array
        How much farther from the inside edge than the reference lap's closest approach, at its apex [m].
    time_lost : (M,) array
        Never falling with the miss [s]; NaN where the track leaves no room for such a miss.
    room : float
        Between the kart and the road's inside edge at the reference lap's apex, 0 on a kerb [m]; near 0 as a rule.
    method : str
        "moved line": an upper bound, the reference line moved aside; "solved again": line and speed re-optimised
        (:mod:`linelab.study.apex_solved`).
    """

    corner: int
    misses: Array
    time_lost: Array
    room: float
    method: Literal["moved line", "solved again"] = "moved line"

    def __post_init__(self) -> None:
        set_field(self, "misses", frozen_array("ApexCost", "misses", self.misses, shape=(None,)))
        lost = np.array(self.time_lost, dtype=np.float64)
        if lost.shape != self.misses.shape:
            raise InputError(f"time_lost has shape {lost.shape}, not {self.misses.shape}", where="ApexCost.time_lost")
        lost.flags.writeable = False
        set_field(self, "time_lost", lost)

    def at(self, miss: float) -> float | None:
        """Time lost by a miss within the range looked at [m], None where it is not known [s]."""
        value = float(np.interp(miss, np.append(0.0, self.misses), np.append(0.0, self.time_lost), right=np.nan))
        return value if np.isfinite(value) else None


def apex_costs(
    track: Track,
    kart: Kart,
    solution: Solution,
    *,
    misses: Sequence[float] = MISSES,
    corners: Sequence[int] | None = None,
    use_kerbs: bool = True,
) -> tuple[ApexCost, ...]:
    """Cost of a missed apex at each corner of a track: an upper bound, see the module's text.

    Parameters
    ----------
    track : Track
    kart : Kart
        Its driver's rates of braking and drive are left aside on both lines.
    solution : Solution
        The reference lap of this kart on this track.
    misses : sequence of float
        Increasing, above 0 and at most 5 [m].
    corners : sequence of int, optional
        Numbers of the corners looked at; all of them when left out.
    use_kerbs : bool
        As in the solution: whether the kerbs' usable width counts as room.

    Returns
    -------
    tuple of ApexCost
        In driving order.

    Raises
    ------
    InputError
        Misses out of range or not increasing, or a corner the track does not have.
    """
    wanted = check_misses(misses)
    chosen = chosen_marks(track, solution, corners)
    base = base_of(track, kart, solution, use_kerbs)
    trials = _trials(track, kart, solution, base, chosen, wanted)
    lost = _time_lost(kart, [line for _, _, line in trials], moved(track, kart, solution, base, NO_MOVE))
    least = np.full((len(chosen), wanted.size), np.inf)
    for (row, column, _), time in zip(trials, lost):
        least[row, column] = min(least[row, column], time)
    return tuple(
        ApexCost(
            corner=mark.corner.number,
            misses=wanted,
            time_lost=_bound(row),
            room=inside_room(track, kart, solution, mark),
        )
        for mark, row in zip(chosen, least)
    )


def missed_apex_line(
    track: Track, kart: Kart, solution: Solution, corner: int, miss: float, *, use_kerbs: bool = True
) -> Line:
    """The reference line moved off one corner's apex: of the lines tried by :func:`apex_costs` the quickest.

    Parameters
    ----------
    track, kart, solution, use_kerbs
        As for :func:`apex_costs`.
    corner : int
        The corner's number.
    miss : float
        [m]

    Raises
    ------
    InputError
        No such corner, a miss out of range, or no room for it.
    """
    base = base_of(track, kart, solution, use_kerbs)
    trials = _trials(track, kart, solution, base, chosen_marks(track, solution, [corner]), check_misses([miss]))
    if not trials:
        raise InputError(
            f"no room for a miss of {miss:g} m in corner {corner}", where="miss", remedy="Take a smaller miss"
        )
    lines = [line for _, _, line in trials]
    return lines[int(np.argmin(_time_lost(kart, lines, lines[0])))]


def chosen_marks(track: Track, solution: Solution, corners: Sequence[int] | None) -> list[CornerMarks]:
    """Marks of the corners asked for."""
    marks = find_marks(track, solution.lap)
    known = {mark.corner.number for mark in marks}
    for number in corners or ():
        if number not in known:
            raise InputError(f"there is no corner {number}", where="corners", remedy="Name corners of this track")
    return [mark for mark in marks if corners is None or mark.corner.number in corners]


def _trials(
    track: Track, kart: Kart, solution: Solution, base: Base, chosen: Sequence[CornerMarks], misses: Array
) -> list[tuple[int, int, Line]]:
    """Every moved line that stays on the track, with its place among the corners and among the misses."""
    trials = []
    for row, mark in enumerate(chosen):
        for shape in shapes(track, base, mark):
            for column, miss in enumerate(misses):
                move = (miss * shape[0], miss * shape[1], miss * shape[2])
                if fits(base, move[0]):
                    trials.append((row, column, moved(track, kart, solution, base, move)))
    return trials


def _time_lost(kart: Kart, lines: Sequence[Line], reference: Line) -> Array:
    """Lap times beyond that of another line, all by the same passes [s]."""
    every = [reference, *lines]
    times = np.concatenate([profile_times(every[k : k + BATCH], kart) for k in range(0, len(every), BATCH)])
    return np.asarray(times[1:] - times[0])


def inside_room(track: Track, kart: Kart, solution: Solution, mark: CornerMarks) -> float:
    """Room between the kart and the road's edge on the inside at a corner's apex, none on a kerb [m]."""
    local = mark.apex % track.length if track.closed else mark.apex
    low, high = corridor(track, np.array([local]), 0.5 * kart.width, use_kerbs=False)
    n = float(np.interp(local, solution.lap.line.s, solution.lap.line.n))
    return max(float(high[0]) - n if mark.corner.left else n - float(low[0]), 0.0)


def check_misses(misses: Sequence[float]) -> Array:
    """Misses as an array; InputError unless they increase within 0 to 5 m."""
    wanted = frozen_array("apex_costs", "misses", np.asarray(misses, dtype=np.float64), shape=(None,))
    if wanted.size == 0 or wanted[0] <= 0.0 or wanted[-1] > 5.0 or (np.diff(wanted) <= 0.0).any():
        raise InputError(
            f"misses {list(misses)} are not increasing within 0 to 5 m", where="misses", remedy="Give 0.25, 0.5, 1"
        )
    return wanted


def _bound(least: Array) -> Array:
    """The tightest bound: a line held farther away is also held less far away, and none beats the reference lap."""
    lost = np.maximum(np.minimum.accumulate(least[::-1])[::-1], 0.0)
    return np.where(np.isfinite(lost), lost, np.nan)
