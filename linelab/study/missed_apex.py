"""What a missed apex costs: time lost by how far from the inside edge the line is held at each corner.

The true answer is the minimum-time problem solved again with the line held away from the apex.  Here the reference
line is moved aside instead, smoothly, by the miss at the apex and by less before and after it, and each moved line is
driven as fast as its grip allows (:mod:`linelab.speed.profile`).  Of several lengths of the move the quickest counts.
Every moved line is one that the re-optimised problem could have chosen, so its cost is an upper bound of the true one,
which :func:`apex_costs_solved` computes: for half a metre 1.03 to 4 times as much on the bundled circuits, 1.6
times at the median.  Where the reference line does not reach the inside edge, as in a corner that is driven as the end
of the one before, the true cost is nothing and the bound says nothing: ``room`` shows that.
All corners, misses and lengths are timed side by side in a few batches, in a second or two.

For the true cost the usable inside edge is drawn in at the apex, by narrowing the kerb there and then the road over a
few metres; the rest of the line, and the speed, are free.  It takes some tenths of a second a corner and miss.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from linelab.arrays import frozen_array, set_field
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.errors import InputError, SolveError, TrackError
from linelab.geometry.curve import curve_at
from linelab.geometry.frenet import sn_to_xy
from linelab.model.grip_field import is_uniform, kerb_width
from linelab.model.kart import Kart
from linelab.model.lap import Line
from linelab.model.track import Kerb, Track, along, length_along
from linelab.optimum.mesh import corridor
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.speed.lines import Offsets, line_from_offsets
from linelab.speed.profile import profile_times
from linelab.units import Array

#: Lengths of the move tried, as shares of the way from the apex to where the line next meets the outside edge.
REACHES = (0.4, 0.6, 0.8, 1.0, 1.2)
#: Smaller exponent of the move's shape x^a (1 - x)^b; above 2 its curvature starts and ends without a jump.
SHAPES = (2.5, 3.5)
#: A move reaches at most this far from the apex [m], and counts as the other side of the track from this gap on [m].
LONGEST, TOUCHING = 80.0, 0.1
#: A moved line may lie this far over the outside edge [m]; solved lines are accepted with a little more.
OVER_EDGE = 0.02
#: Nothing moved.
NO_MOVE = (np.zeros(1), np.zeros(1), np.zeros(1))


class Base(NamedTuple):
    """The reference line as an offset function with its derivatives, and the room on either side of it (N,) [m]."""

    offsets: Offsets
    left_room: Array
    right_room: Array


def base_of(track: Track, kart: Kart, solution: Solution, use_kerbs: bool) -> Base:
    """Derivatives of the solved offset from its heading and curvature: :func:`linelab.speed.lines.path_state`."""
    line = solution.lap.line
    at = curve_at(track.reference, line.s)
    q = 1.0 - line.n * at.kappa
    n1 = q * np.tan(line.psi - at.psi)
    stretch = np.hypot(q, n1)
    q1 = -(n1 * at.kappa + line.n * at.dkappa)
    n2 = ((line.kappa * stretch - at.kappa) * stretch**2 + n1 * q1) / q
    low, high = corridor(track, line.s, 0.5 * kart.width, use_kerbs)
    return Base(Offsets(line.s, line.n, n1, n2), high - line.n, line.n - low)


def moved(track: Track, kart: Kart, solution: Solution, base: Base, move: tuple[Array, Array, Array]) -> Line:
    """The reference line moved by offsets with their first and second derivatives by station, each (N,)."""
    s, n, n1, n2 = base.offsets
    offsets = Offsets(s, n + move[0], n1 + move[1], n2 + move[2])
    return line_from_offsets(track, offsets, half_width=0.5 * kart.width, grip=solution.grip)


def fits(base: Base, move: Array) -> bool:
    """Whether a moved line stays on the track; where the reference itself lies over the edge it need not come back."""
    room = np.where(move > 0.0, base.left_room, base.right_room)
    touched = np.abs(move) > 1e-3
    return bool((np.abs(move) <= np.maximum(room, 0.0) + OVER_EDGE)[touched].all())


def shapes(track: Track, base: Base, mark: CornerMarks) -> list[tuple[Array, Array, Array]]:
    """Moves by one metre away from the inside edge at the apex, with derivatives; one a length and shape."""
    s = base.offsets.s
    u = s - mark.apex
    if track.closed:
        u = np.mod(u + 0.5 * track.length, track.length) - 0.5 * track.length
    away = -1.0 if mark.corner.left else 1.0
    room = base.right_room if mark.corner.left else base.left_room
    before, after = _reach(u, room < TOUCHING)
    found = []
    for share in REACHES:
        for least in SHAPES:
            value, slope, bend = _hump(u, share * before, share * after, least)
            found.append((away * value, away * slope, away * bend))
    return found


def _reach(u: Array, touching: NDArray[np.bool_]) -> tuple[float, float]:
    """How far before and after the apex the line meets the outside edge, or the line or the search ends [m]."""
    limits = []
    for side in (-u, u):
        met = side[touching & (side > 1.0)]
        limits.append(min([LONGEST, float(side.max()), *([float(met.min())] if met.size else [])]))
    return max(limits[0], 2.0), max(limits[1], 2.0)


def _hump(u: Array, before: float, after: float, least: float) -> tuple[Array, Array, Array]:
    """x^a (1 - x)^b scaled to 1 at its top, which lies at u = 0, with derivatives by u; zero outside its ends.

    A single smooth function whose top may lie off its middle: a/(a + b) is the top's place, the smaller exponent
    ``least``.
    """
    width = before + after
    top = float(np.clip(before / width, 0.15, 0.85))
    x = np.clip((u + top * width) / width, 0.0, 1.0)
    a, b = (least * top / min(top, 1.0 - top), least * (1.0 - top) / min(top, 1.0 - top))
    scale = top**a * (1.0 - top) ** b
    y = 1.0 - x
    value = x**a * y**b
    slope = a * x ** (a - 1.0) * y**b - b * x**a * y ** (b - 1.0)
    bend = (
        a * (a - 1.0) * x ** (a - 2.0) * y**b
        - 2.0 * a * b * x ** (a - 1.0) * y ** (b - 1.0)
        + b * (b - 1.0) * x**a * y ** (b - 2.0)
    )
    return value / scale, slope / (scale * width), bend / (scale * width**2)


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
        How much farther from the inside edge than the computed lap's closest approach, at its apex [m].
    time_lost : (M,) array
        Never falling with the miss [s]; NaN where the track leaves no room for such a miss.
    room : float
        Between the kart and the road's inside edge at the computed lap's apex, 0 on a kerb [m]; near 0 as a rule.
    method : str
        "moved line": an upper bound, the reference line moved aside; "solved again": line and speed re-optimised
        (:mod:`linelab.study.missed_apex`).
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
        The computed lap of this kart on this track.
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
    """The tightest bound: a line held farther away is also held less far away, and none beats the computed lap."""
    lost = np.maximum(np.minimum.accumulate(least[::-1])[::-1], 0.0)
    return np.where(np.isfinite(lost), lost, np.nan)


#: The road is narrowed fully this far around the apex, and by less and less over the next metres [m].
HELD, RAMP = 1.0, 5.0
#: Kerbs no wider than this are taken away [m].
NO_KERB = 0.02
#: A kerb is narrowed this far around the apex; shorter ones are so altogether, and no part of one is shorter than the
#: least [m].
AROUND, LEAST_PART = 20.0, 5.0


def apex_costs_solved(
    track: Track,
    kart: Kart,
    solution: Solution,
    *,
    misses: Sequence[float] = (0.5,),
    corners: Sequence[int] | None = None,
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> tuple[ApexCost, ...]:
    """Cost of a missed apex at each corner, line and speed re-optimised.

    Parameters
    ----------
    track, kart, solution, misses, corners, use_kerbs
        As for :func:`linelab.study.missed_apex.apex_costs`.
    progress : callable
        Called with a short text at each corner.

    Returns
    -------
    tuple of ApexCost
        In driving order; NaN where the track leaves no room or the solver found no line.

    Raises
    ------
    InputError
        Misses out of range or not increasing, or a corner the track does not have.
    """
    wanted = check_misses(misses)
    found = []
    for mark in chosen_marks(track, solution, corners):
        progress(f"corner {mark.corner.number} missed")
        lost = np.full(wanted.size, np.nan)
        for k, miss in enumerate(wanted):
            ground = _held(track, kart, solution, mark, float(miss), use_kerbs)
            try:
                again = solve_min_time(
                    ground, kart, grip=solution.grip, use_kerbs=use_kerbs, warm=solution, verify=False
                )
            except (SolveError, TrackError):
                continue
            lost[k] = max(again.lap.lap_time - solution.lap.lap_time, 0.0)
        room = inside_room(track, kart, solution, mark)
        found.append(
            ApexCost(corner=mark.corner.number, misses=wanted, time_lost=lost, room=room, method="solved again")
        )
    return tuple(found)


def _held(track: Track, kart: Kart, solution: Solution, mark: CornerMarks, miss: float, use_kerbs: bool) -> Track:
    """The track with its usable inside edge at an apex where the missed line's inside would be."""
    side = "left" if mark.corner.left else "right"
    widths = track.w_left if mark.corner.left else track.w_right
    apex = mark.apex % track.length if track.closed else mark.apex
    at = np.array([apex])
    n = float(np.interp(apex, solution.lap.line.s, solution.lap.line.n)) * (1.0 if mark.corner.left else -1.0)
    road = float(along(track, widths, at)[0])
    beyond = n + 0.5 * kart.width - miss - road  # of the missed line's body over the road's edge
    usable = float(kerb_width(track, side, at)[0]) if use_kerbs else 0.0
    kerbs = _narrowed(track, side, apex, min(max(beyond, 0.0), usable)) if use_kerbs else track.kerbs
    away = _away(track, apex)
    u = np.clip(1.0 - np.maximum(away - HELD, 0.0) / RAMP, 0.0, 1.0)
    drawn_in = np.maximum(widths + min(beyond, 0.0) * u * u * (3.0 - 2.0 * u), 0.0)
    edge = np.column_stack(sn_to_xy(track.reference, track.s, drawn_in if mark.corner.left else -drawn_in))
    edge = edge[:-1] if track.closed else edge
    if mark.corner.left:
        return replace(track, kerbs=kerbs, w_left=drawn_in, left_edge=edge, left_z=None, right_z=None)
    return replace(track, kerbs=kerbs, w_right=drawn_in, right_edge=edge, left_z=None, right_z=None)


def _away(track: Track, apex: float) -> Array:
    """Distance of the track's stations from an apex, the shorter way round (N,) [m]."""
    if not track.closed:
        return np.abs(track.s - apex)
    return np.abs(np.mod(track.s - apex + 0.5 * track.length, track.length) - 0.5 * track.length)


def _parted(track: Track, kerb: Kerb, apex: float, width: float) -> list[Kerb]:
    """A kerb of the given width around an apex, and as it is beyond, where it reaches as far [m]."""
    length, begin = length_along(track, kerb), kerb.s_start
    if track.closed and length >= track.length:  # it has no ends: let them be opposite
        begin = apex - 0.5 * length
    into = (apex - begin) % track.length if track.closed else apex - begin
    cuts = (0.0, max(into - AROUND, 0.0), min(into + AROUND, length), length)
    parts = []
    for (first, last), wide in zip(pairwise(cuts), (kerb.width, width, kerb.width)):
        if last - first > LEAST_PART:
            ends = (begin + first, begin + last)
            s_start, s_end = (s % track.length for s in ends) if track.closed else ends
            parts.append(replace(kerb, s_start=s_start, s_end=s_end, width=wide))
    return parts


def _narrowed(track: Track, side: str, apex: float, width: float) -> tuple[Kerb, ...]:
    """Kerbs with those at the apex no wider than ``width`` around it [m]."""
    kerbs = []
    for kerb in track.kerbs:
        into = (apex - kerb.s_start) % track.length if track.closed else apex - kerb.s_start
        if kerb.side == side and 0.0 <= into <= length_along(track, kerb):
            kerbs += _parted(track, kerb, apex, min(kerb.width, max(width, NO_KERB)))
        else:
            kerbs.append(kerb)
    kept = tuple(kerb for kerb in kerbs if kerb.width > NO_KERB)
    # With its last kerb gone a track is of a simpler kind, and an earlier solution no start for it.
    return tuple(kerbs) if is_uniform(replace(track, kerbs=kept)) else kept
