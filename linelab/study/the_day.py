"""A track in the conditions of the day, its rubbered groove, and what it costs to run beside that groove.

Where a track file draws no groove, it is taken along the computed lap in the dry: that is where karts drive, and so
where the rubber is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from linelab.arrays import smoothstep
from linelab.diagnosis.marks import CornerMarks, find_marks
from linelab.errors import InputError, SolveError, check_kinds
from linelab.model.conditions import conditions
from linelab.model.grip_field import grip_at
from linelab.model.kart import Kart
from linelab.model.lap import Line
from linelab.model.track import Groove, Track, since
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.speed.profile import speed_profiles
from linelab.study.held_line import LEAST_ROOM, Base, Bounds, base_of, held_lap, solve_held, time_lost
from linelab.units import Array

#: Spacing of a groove's points that is taken from a lap [m].
GROOVE_STEP = 1.0
#: Accepted error of the dry lap that only says where the groove lies [s].
ROUGH = 5.0e-3
#: What a groove is called that nobody has drawn.
FROM_DRY_LAP = "along the computed dry lap"


def on_the_day(
    track: Track,
    kart: Kart,
    weather: str,
    tyres: str = "slicks",
    *,
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> Track:
    """A track in the conditions of a day, with the groove that they make good or slippery.

    Where the track has no groove it is taken along the computed lap in the dry.  On a track estimated from laps, whose
    edges are an assumption, nobody knows where it lies: there all of the road has the asphalt's grip.

    Parameters
    ----------
    track : Track
    kart : Kart
        Whose computed lap in the dry the groove is taken along, where the track has none.
    weather : str
        "dry", "damp", "drying" or "wet"; what each does to the grip is in :mod:`linelab.model.conditions`.
    tyres : str
        "slicks" or "wets".
    use_kerbs : bool
        Whether the dry lap may use the kerbs.
    progress : callable
        Called with a short text at each step.

    Returns
    -------
    Track
        The same with its conditions, for :func:`linelab.solve_min_time` and all else.

    Raises
    ------
    InputError
        Words that are not known.
    SolveError, TrackError, KartError
        As :func:`linelab.solve_min_time`.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> wet = linelab.on_the_day(track, kart, "wet", "wets")
    >>> wet.groove
    Groove along the computed dry lap, 2.2 m wide
    >>> linelab.solve_min_time(wet, kart).lap_time > linelab.solve_min_time(track, kart).lap_time + 2.0
    True
    """
    check_kinds("on_the_day", track=(track, Track), kart=(kart, Kart), weather=(weather, str), tyres=(tyres, str))
    found = conditions(weather, tyres)
    if found is not None and track.survey.estimated:
        found = replace(found, groove=found.asphalt)
    day = replace(track, conditions=found)
    if not groove_missing(track, weather, tyres):
        return day
    return replace(day, groove=dry_groove(track, kart, use_kerbs=use_kerbs, progress=progress))


def groove_missing(track: Track, weather: str, tyres: str) -> bool:
    """Whether the conditions of a day make a groove good or slippery that the track has not drawn."""
    found = conditions(weather, tyres)
    return found is not None and found.needs_groove and track.groove is None and not track.survey.estimated


def dry_groove(
    track: Track, kart: Kart, *, use_kerbs: bool = True, progress: Callable[[str], None] = lambda text: None
) -> Groove:
    """The groove along the computed lap in the dry.

    Raises
    ------
    SolveError, TrackError, KartError
        As :func:`linelab.solve_min_time`.
    """
    progress("the lap in the dry, for the groove")
    dry = solve_min_time(
        replace(track, conditions=None), kart, use_kerbs=use_kerbs, tolerance=ROUGH, verify=False, progress=progress
    )
    return groove_along(track, dry.lap.line, name=FROM_DRY_LAP)


def groove_along(track: Track, line: Line, *, name: str = "") -> Groove:
    """The groove along a line: of a computed lap, of a driven one, or of one that is drawn.

    Parameters
    ----------
    track : Track
    line : Line
        Once round a circuit, or a road from end to end.
    name : str

    Returns
    -------
    Groove
        With the usual width and factors; ``dataclasses.replace(groove, width=3.0)`` for others.

    Raises
    ------
    InputError
        A line that does not go all the way.

    Examples
    --------
    >>> import dataclasses, linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> groove = linelab.groove_along(track, linelab.solve_min_time(track, kart).lap.line)
    >>> linelab.save_track(dataclasses.replace(track, groove=groove), "rubbered.geojson")
    """
    check_kinds("groove_along", track=(track, Track), line=(line, Line))
    first, last = float(line.s[0]), float(line.s[-1])
    if track.closed:
        if abs(last - first - track.length) > 1.0e-3 * track.length:
            raise InputError(
                f"the line covers {last - first:.0f} m of {track.length:.0f} m",
                where="groove_along",
                remedy="Give a whole lap",
            )
        # A driven lap need not end where it began: what is between its ends is shared out over the whole lap.
        s = first + np.linspace(0.0, track.length, int(np.ceil(track.length / GROOVE_STEP)) + 1)
        at = first + (s - first) * (last - first) / track.length
        n = np.interp(at, line.s, line.n)
        n += (n[0] - n[-1]) * (np.linspace(0.0, 1.0, n.size) - 0.5)
    else:
        s = np.linspace(first, last, int(np.ceil((last - first) / GROOVE_STEP)) + 1)
        n = np.interp(s, line.s, line.n)
    return Groove(s=s, n=n, name=name)


class OffGroove(NamedTuple):
    """What a corner costs when its line lies beside the groove.

    ``time_lost`` over the lap, and how much of it is the lower grip beside the groove [s], the rest being the other
    line; None where there is no such lap, with the reason.
    """

    corner: int
    off: float  #: how far from the groove's middle at the apex, towards the outside of the corner [m]
    time_lost: float | None
    by_grip: float | None
    reason: str = ""


def off_groove_costs(
    track: Track, kart: Kart, solution: Solution, *, off: float | None = None, use_kerbs: bool = True
) -> list[OffGroove]:
    """What it costs in each corner to run outside the groove.

    The lap is solved again with its line held at least so far outside the groove's middle at the apex, and from the
    turn-in and to the track-out by less and less; line and speed are free elsewhere.  That is the least it can cost.

    Parameters
    ----------
    track : Track
        With a groove.
    kart : Kart
    solution : Solution
        The computed lap of this kart on this track.
    off : float or None
        How far [m]; half the kart's width unless given.
    use_kerbs : bool
        As in the solution.

    Returns
    -------
    list of OffGroove
        One a corner.

    Raises
    ------
    InputError
        A track without a groove, a distance that is not positive.
    SolveError
        The solution cannot be solved again.

    Examples
    --------
    >>> import dataclasses, linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> groove = linelab.groove_along(track, linelab.solve_min_time(track, kart).lap.line)
    >>> rubbered = dataclasses.replace(track, groove=groove)
    >>> costs = linelab.off_groove_costs(rubbered, kart, linelab.solve_min_time(rubbered, kart))
    >>> all(cost.time_lost >= cost.by_grip >= 0.0 for cost in costs)
    True
    """
    check_kinds("off_groove_costs", track=(track, Track), kart=(kart, Kart), solution=(solution, Solution))
    if track.groove is None:
        raise InputError(
            "the track has no groove",
            where="off_groove_costs",
            remedy="Draw one in the track file, or take it from a lap: linelab.groove_along(track, lap.line)",
        )
    by = 0.5 * kart.width if off is None else off
    if not by > 0.0:
        raise InputError(f"{by} m off the groove is no distance", where="off_groove_costs.off")
    base = base_of(track, kart, solution, use_kerbs=use_kerbs)
    return [_off(base, track.groove, marks, by) for marks in find_marks(track, solution.lap, kart)]


def _off(base: Base, groove: Groove, marks: CornerMarks, off: float) -> OffGroove:
    number, left = marks.corner.number, marks.corner.left
    share = _share(base, marks)
    aim = groove.middle(base.s, base.track.length, base.track.closed) + (-off if left else off)
    wanted = base.line() + share * (aim - base.line())
    drawn = np.maximum(base.high - wanted if left else wanted - base.low, 0.0) * (share > 0.0)
    drawn = np.minimum(drawn, np.maximum(base.high - base.low - LEAST_ROOM, 0.0))  # as far as the road is wide enough
    none = np.zeros_like(drawn)
    try:
        iterate = solve_held(base, Bounds(none, drawn) if left else Bounds(drawn, none)).iterate
    except SolveError:
        return OffGroove(number, off, None, None, "no lap was found")
    lost, held = max(time_lost(base, iterate), 0.0), held_lap(base, iterate)
    # The same line on ground as rubbered as the computed lap's at that station.
    bare, here, usual = replace(base.task.track, groove=None), held.line, base.solution.lap.line
    rubber, given = (
        line.grip / grip_at(bare, _local(base.track, line.s), line.n, base.task.half_width) for line in (here, usual)
    )
    given = np.interp(_local(base.track, here.s), usual.s, given)
    rubbered = replace(here, grip=here.grip * np.maximum(given / rubber, 1.0))
    times = [lap.lap_time for lap in speed_profiles([here, rubbered], base.task.kart)]
    return OffGroove(number, off, lost, min(max(times[0] - times[1], 0.0), lost))


def _local(track: Track, s: Array) -> Array:
    return np.mod(s, track.length) if track.closed else s


def _share(base: Base, marks: CornerMarks) -> Array:
    """1 at the apex, falling smoothly to 0 at turn-in and track-out, at the stations of the bounds (stages, 2)."""
    track, past = base.track, since(base.track, marks.apex, base.s)
    before, after = since(track, marks.turn_in, marks.apex), since(track, marks.apex, marks.track_out)
    return smoothstep(1.0 - np.where(past < 0.0, -past / np.maximum(before, 1.0), past / np.maximum(after, 1.0)))
