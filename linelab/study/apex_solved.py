"""What a missed apex costs, exactly: the minimum-time problem solved again with the line held away from the apex.

The usable inside edge is drawn in at the apex, by narrowing the kerb there and then the road over a few metres; the
rest of the line, and the speed, are free to make the best of it.  It takes some tenths of a second a corner
and miss; :mod:`linelab.study.apex_cost` has an upper bound of all corners in a second or two.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from linelab.comparison.marks import CornerMarks
from linelab.errors import SolveError, TrackError
from linelab.geometry.frenet import sn_to_xy
from linelab.gripfield import is_uniform, kerb_width
from linelab.kart import Kart
from linelab.solve.mintime import Solution, solve_min_time
from linelab.study.apex_cost import ApexCost, check_misses, chosen_marks, inside_room
from linelab.track import Kerb, Track, along, length_along
from linelab.units import Array

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
        As for :func:`linelab.study.apex_cost.apex_costs`.
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
