"""The simulated driver: a session at a circuit with habits and faults of known size, exact at every moment."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from linelab.kart import Kart
from linelab.lap import Lap
from linelab.simulation.habits import Habits
from linelab.simulation.pace import driven_speed, times
from linelab.simulation.path import driven_line
from linelab.simulation.plan import plan_session
from linelab.simulation.session import SimulatedSession, cut_laps
from linelab.track import Track


def careful_lap(track: Track, kart: Kart, margin: float) -> Lap:
    """The fastest lap that stays ``margin`` [m] farther from the edges than it must: that of a wider kart."""
    from linelab.solve.mintime import solve_min_time

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
        The closed lap whose line the driver means to take; the reference lap when not given.  ``careful_lap`` gives
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
