"""The simulated driver: a session on a circuit with habits, faults and scatter of known size, exact at every moment."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linelab.drive.faults import ApexMissed, Habits, TurnsInEarly
from linelab.drive.motion import Plan, SimulatedSession, corner_of, cut_laps, extent, plan_session, smooth_noise
from linelab.drive.pace import driven_speed, times
from linelab.errors import TrackError
from linelab.model.kart import Kart
from linelab.model.lap import Lap, Line
from linelab.model.track import Track, along
from linelab.speed.lines import Offsets, line_from_offsets
from linelab.units import Array

#: A driver's steering follows the line no more sharply than this [m]: standard deviation of a Gaussian kernel.
STEERING = 1.5
#: Half-width of the stretch over which an apex is missed: standard deviation of a Gaussian bump [m].
MISS_WIDTH = 10.0
#: A simulated driver may put a wheel this far over the edge [m]; lines beyond it are refused.
OVERSTEP = 0.7


def driven_line(
    track: Track, kart: Kart, laps: tuple[Lap, Lap], habits: Habits, plan: Plan, rng: np.random.Generator
) -> Line:
    """The whole session's path (N nodes of ``plan``); ``laps`` are the computed lap and the one followed."""
    from scipy.interpolate import CubicSpline
    from scipy.ndimage import gaussian_filter1d

    reference, followed = laps
    own = _own_offset(track, followed, plan)
    nodes = np.rint(plan.s / plan.step).astype(np.intp) % (own.size - 1)
    usual = own[nodes]
    n = _turned_in(track, own, plan, usual)
    n = n + _misses(track, reference, plan, n)
    scatter = smooth_noise(n.size, plan.step, habits.line_scatter_length, rng)
    n = n + habits.line_scatter * 2.0 * np.tanh(0.5 * scatter)  # never farther than twice the standard deviation
    n = gaussian_filter1d(n, STEERING / plan.step, mode="nearest")
    _check_on_track(track, kart, usual, plan.s, n)
    smooth = CubicSpline(plan.s, n)
    offsets = Offsets(plan.s, n, smooth(plan.s, 1), smooth(plan.s, 2))
    return line_from_offsets(track, offsets, half_width=0.5 * kart.width, grip=1.0)


def apex_station(track: Track, reference: Lap, number: int) -> float:
    """Where the computed lap comes closest to a corner's inside edge [m], unwrapped about the corner's own apex."""
    corner = corner_of(track, number)
    s = np.arange(*extent(track, corner), 0.25)
    n = np.interp(np.mod(s, track.length), reference.line.s, reference.line.n)
    gap = along(track, track.w_left, s) - n if corner.left else along(track, track.w_right, s) + n
    near = np.flatnonzero(gap < gap.min() + 0.05)
    return float(s[near].mean())


def _own_offset(track: Track, followed: Lap, plan: Plan) -> Array:
    """One lap of the driver's own line at the plan's spacing, first node repeated at the end."""
    from scipy.interpolate import CubicSpline

    line = followed.line
    closing = np.append(line.n[:-1], line.n[0])
    s = np.arange(round(track.length / plan.step)) * plan.step
    n = CubicSpline(line.s, closing, bc_type="periodic")(s)
    return np.append(n, n[0])


def _turned_in(track: Track, own: Array, plan: Plan, n: Array) -> Array:
    """Offsets with the entries of some corners moved earlier."""
    found = n.copy()
    table = np.arange(own.size) * plan.step
    for lap, fault in plan.faults:
        if not isinstance(fault, TurnsInEarly):
            continue
        start, end = extent(track, corner_of(track, fault.corner))
        base = (lap - 1) * track.length
        width = max(0.5 * (end - start), 8.0, 1.5 * abs(fault.metres))
        part = plan.between(base + start - 4.0 * width, base + start + 4.0 * width)
        s = plan.s[part]
        ahead = fault.metres * np.exp(-0.5 * ((s - base - start) / width) ** 2)
        found[part] += np.interp(np.mod(s + ahead, track.length), table, own) - n[part]
    return found


def _misses(track: Track, reference: Lap, plan: Plan, n: Array) -> Array:
    """What is added to the offsets so that each missed apex is missed by its size exactly."""
    change = np.zeros_like(n)
    for lap in range(1, plan.laps + 1):
        missed = [fault for on, fault in plan.faults if on == lap and isinstance(fault, ApexMissed)]
        if not missed:
            continue
        base = (lap - 1) * track.length
        places = [base + apex_station(track, reference, fault.corner) for fault in missed]
        wanted = []
        for fault, place in zip(missed, places):
            inside = 1.0 if corner_of(track, fault.corner).left else -1.0
            best = float(np.interp(np.mod(place, track.length), reference.line.s, reference.line.n))
            wanted.append(best - inside * fault.metres - float(n[plan.index(place)]))
        at = np.array(places)
        # Bumps of neighbouring corners overlap: solved together, each corner gets what it was given.
        weights = np.linalg.solve(np.exp(-0.5 * ((at[:, None] - at) / MISS_WIDTH) ** 2), np.array(wanted))
        for place, weight in zip(places, weights):
            part = plan.between(place - 6.0 * MISS_WIDTH, place + 6.0 * MISS_WIDTH)
            change[part] += weight * np.exp(-0.5 * ((plan.s[part] - place) / MISS_WIDTH) ** 2)
    return change


def _check_on_track(track: Track, kart: Kart, usual: Array, s: Array, n: Array) -> None:
    """Refuse a line that leaves the track by more than OVERSTEP, and by more than the driver's own line does."""
    local = np.mod(s, track.length)
    for side, width in ((1.0, track.w_left), (-1.0, track.w_right)):
        bound = np.maximum(along(track, width, local) - 0.5 * kart.width, side * usual)
        over = side * n - bound
        if over.max() > OVERSTEP:
            raise TrackError(
                f"the driven line leaves the track by {over.max():.1f} m",
                station=float(local[np.argmax(over)]),
                remedy="Make the faults or the scatter smaller",
            )


def careful_lap(track: Track, kart: Kart, margin: float) -> Lap:
    """The fastest lap that stays ``margin`` [m] farther from the edges than it must: that of a wider kart."""
    from linelab.optimum.minimum_time import solve_min_time

    return solve_min_time(track, replace(kart, width=kart.width + 2.0 * margin)).lap


def drive_session(
    track: Track,
    kart: Kart,
    reference: Lap,
    habits: Habits | None = None,
    *,
    followed: Lap | None = None,
    laps: int = 8,
    ends: tuple[float, float] = (0.5, 0.3),
    seed: int = 0,
) -> SimulatedSession:
    """Drive a session.

    Parameters
    ----------
    track : Track
        A circuit.
    kart : Kart
        Its driver's rates of braking and power are not used; ``habits`` say how this driver works the pedals.
    reference : Lap
        A closed lap of this track, against which apexes are missed: ``solve_min_time(track, kart).lap``.
    habits : Habits, optional
    followed : Lap, optional
        The closed lap whose line the driver means to take; the computed lap when not given.  ``careful_lap`` gives
        one that keeps off the edges.
    laps : int
        Flying laps; an out lap and an in lap are added.
    ends : (float, float)
        Shares of a lap driven before the first and after the last crossing of the start line.
    seed : int
        The same seed gives the same session.

    Returns
    -------
    SimulatedSession

    Raises
    ------
    InputError
        An open track, no lap, or a fault at a corner the track does not have.
    """
    rng = np.random.default_rng(seed)
    manner = habits or Habits()
    plan = plan_session(track, manner, laps, ends, rng)
    line = driven_line(track, kart, (reference, followed or reference), manner, plan, rng)
    v, slip = driven_speed(track, kart, line, manner, plan, rng)
    t = times(line.distance, v)
    ax = np.diff(v) / np.diff(t)
    return SimulatedSession(
        track=track,
        line=line,
        t=t,
        v=v,
        ax=np.append(ax, ax[-1]),
        slip=slip,
        habits=manner,
        faults=plan.faults,
        laps=cut_laps(track, line, t, v, laps),
    )
