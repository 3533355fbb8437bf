"""What each kind of habit costs in each corner: the model driven with and without it, shared by Shapley values.

Which habit is taken away first changes what it seems to cost, since two habits in one corner share what both cost.  The
value of Shapley (A value for n-person games, 1953) is the mean over all orders: it adds up exactly and prefers none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import (
    BRAKE,
    BUILD,
    COAST,
    EARLY,
    FOOT,
    GRIP,
    HABITS,
    LASTS,
    LATE,
    LIFTS,
    LOST,
    PEDAL,
    PLAIN,
    SHARE,
    SLIDES,
    SLOW,
    SOFT,
    WHEN,
    drive_laps,
    ideal_places,
    interval_times,
)
from linelab.diagnosis.fitting import Scene
from linelab.diagnosis.habits import Explained, fit_session
from linelab.diagnosis.kinds import CAUSES, Cause, FaultKind
from linelab.measured import Measured, withheld
from linelab.units import Array

#: Habits by the cause they are counted under.
OF_FEET: dict[Cause, tuple[int, ...]] = {
    "braking": (EARLY, SOFT),
    "coasting": (COAST,),
    "minimum_speed": (SLOW,),
    "power": (LATE, LOST),
}
#: Laps that are driven abreast: a bound for memory.
_LAPS = 16


def shared_causes(found: Explained, laps: Array, edges: Array) -> dict[Cause, Array]:
    """What the habits of laps cost between stations, by cause (L, M) [s].

    Parameters
    ----------
    found : Explained
    laps : (L, K, SIZE) array
        Habits of the laps.
    edges : (M + 1,) array
        Stations from the start to the finish [m].

    Returns
    -------
    dict
        One cause each; "all_round" is what the session's own grip, braking and feet cost, no corner's habit.
    """
    groups = [cause for cause, habits in OF_FEET.items() if (laps[:, :, list(habits)] > 0.0).any()]
    blocks = [_shared(found, laps[first : first + _LAPS], edges, groups) for first in range(0, len(laps), _LAPS)]
    none = np.zeros((len(laps), edges.size - 1))
    return {
        cause: np.concatenate([block[cause] for block in blocks]) if cause in (*groups, "all_round") else none
        for cause in (*OF_FEET, "all_round")
    }


def _shared(found: Explained, laps: Array, edges: Array, groups: Sequence[Cause]) -> dict[Cause, Array]:
    """As :func:`shared_causes`, for the causes that are there."""
    names: tuple[Cause, ...] = (*groups, "all_round")
    count, size = len(names), len(laps)
    subsets = (np.arange(1 << count)[:, None] >> np.arange(count)) & 1 > 0
    sizes = np.repeat(laps[None], len(subsets), axis=0)
    session = np.repeat(found.session[None], len(subsets) * size, axis=0).reshape(len(subsets), size, -1)
    for k, cause in enumerate(groups):
        without = np.flatnonzero(~subsets[:, k])
        for habit in OF_FEET[cause]:
            sizes[without, :, :, habit] = 0.0
    plain = ~subsets[:, -1]
    sizes[plain, :, :, GRIP] = 0.0
    session[plain] = PLAIN
    clock = _clocks(found, sizes.reshape(-1, *laps.shape[1:]), session.reshape(-1, found.session.size), edges)
    spent = np.diff(clock, axis=1).reshape(len(subsets), size, -1)
    shares: dict[Cause, Array] = {}
    for k, cause in enumerate(names):
        with_it = np.flatnonzero(subsets[:, k])
        others = subsets[with_it].sum(axis=1) - 1
        weight = np.array([math.factorial(n) * math.factorial(count - 1 - n) / math.factorial(count) for n in others])
        shares[cause] = np.tensordot(weight, spent[with_it] - spent[with_it ^ (1 << k)], 1)
    return shares


def _clocks(found: Explained, sizes: Array, session: Array, edges: Array) -> Array:
    """Times of passing stations (M,) in laps with these habits and numbers (L, M) [s]."""
    given = found.driven
    course, model, entry = given.course, given.model, given.entry
    numbers = found.session[None]
    ideal = ideal_places(model, [course], found.places, numbers, entry=entry).at(session, numbers, sizes)
    v = drive_laps(model, [course], found.places, sizes, session, entry=entry, ideal=ideal)
    steps = interval_times(course.h[:, None], v, closed=course.closed)
    clock = np.concatenate([np.zeros((1, v.shape[1])), np.cumsum(steps, axis=0)])
    s = np.append(course.s, edges[-1]) if course.closed else course.s
    return np.array([np.interp(edges, s, column) for column in clock.T])


def told_causes(speed: Measured, values: Mapping[Cause, float]) -> tuple[tuple[Cause, Measured], ...]:
    """The causes of a corner's speed loss, in the order of CAUSES; the rest is what no cause explains.

    ``values`` are all causes but the rest [s].  All are withheld where the speed loss is.
    """
    if speed.value is None or not values:
        return tuple((cause, withheld(speed.reason or "not explained")) for cause in CAUSES)
    errors = {cause: math.hypot(priors.MODEL_SHARE * x, priors.MODEL_TIME * (x != 0.0)) for cause, x in values.items()}
    told = {cause: Measured(x, errors[cause]) for cause, x in values.items()}
    rest = Measured(speed.value - sum(values.values()), math.hypot(speed.sigma or 0.0, *errors.values()))
    return tuple((cause, told.get(cause, rest)) for cause in CAUSES)


class AllRound(NamedTuple):
    """One of the session's numbers, and what it costs a lap."""

    name: str  #: "grip", "braking" or "feet"
    number: Measured  #: share of the grip or of the braking capacity [-]; time of a change of pedals [s]
    cost: Measured  #: [s]


def all_round(found: Explained) -> tuple[AllRound, ...]:
    """What the session's grip, braking and feet cost a lap, each left out alone, the dearest first."""
    numbers = {"grip": (SHARE,), "braking": (BRAKE,), "feet": (PEDAL, BUILD)}
    rows = np.repeat(found.session[None], len(numbers) + 1, axis=0)
    for row, changed in zip(rows[1:], numbers.values()):
        row[list(changed)] = PLAIN[list(changed)]
    course = found.driven.course
    v = found.laps(np.repeat(found.sizes[None], len(rows), axis=0), rows)
    spent = interval_times(course.h[:, None], v, closed=course.closed).sum(axis=0)
    errors = np.sqrt(np.diag(found.covariance) + priors.SESSION_ERROR**2)
    told = []
    for k, (name, changed) in enumerate(numbers.items(), start=1):
        first = changed[0]
        value, cost = float(found.session[first]), float(spent[0] - spent[k])
        error, off = float(errors[first]), abs(value - float(PLAIN[first]))
        share = min(error / max(off, 1e-3), 1.0)
        number = Measured(value, error) if name != "feet" else Measured(2.0 * value, 2.0 * error)
        told.append(AllRound(name, number, Measured(cost, abs(cost) * math.hypot(share, priors.MODEL_SHARE))))
    return tuple(sorted(told, key=lambda item: -(item.cost.value or 0.0)))


#: Habits that are looked for by themselves, and the manner they are planted in to see how small ones would show.
PLANTED: dict[FaultKind, tuple[int, dict[int, float]]] = {
    "brakes_early": (EARLY, {}),
    "brakes_softly": (SOFT, {}),
    "coasts": (COAST, {}),
    "power_late": (LATE, {}),
    "power_abrupt": (LOST, {WHEN: 0.8, LASTS: 0.3, FOOT: LIFTS}),
    "slide": (LOST, {WHEN: 0.0, LASTS: 0.3, FOOT: SLIDES}),
}


def least_shown(found: Explained) -> dict[FaultKind, float]:
    """What a habit has to cost a lap in a usual corner for this recording to show it [s]; infinite where none would.

    Each habit is planted at every slow place in turn of the driver's own lap without habits, fitted together with the
    session's numbers, the corners' grip and the ground, and its stake is held against its error as a finding's is: from
    where stake = CLEAR·sqrt(fit² + (share·stake)² + time²) on it is said.  The median over the places.
    """
    given, count = found.driven, found.places.size
    bare = found.sizes.copy()
    bare[:, : len(HABITS)] = 0.0
    least: dict[FaultKind, float] = {}
    for kind, (habit, manners) in PLANTED.items():
        planted = bare.copy()
        planted[:, habit] = priors.BEGIN[habit]
        for manner, value in manners.items():
            planted[:, manner] = value
        rows = np.repeat(planted[None], count + 1, axis=0)
        rows[np.arange(count), np.arange(count), habit] = 0.0
        v = found.laps(rows)
        spent = interval_times(given.course.h[:, None], v, closed=given.course.closed).sum(axis=0)
        stakes = spent[-1] - spent[:-1]
        there = replace(given, v=v[:, -1])
        errors = fit_session(
            there, found.places, planted, found.session, Scene(there, found.places, planted, found.session)
        ).errors[:, habit]
        share, time = given.model_error(slides=kind == "slide")
        each = priors.CLEAR * np.hypot(errors, time) / math.sqrt(1.0 - (priors.CLEAR * share) ** 2)
        # Where the habit changes nothing, because the corner is not braked for, it cannot be seen.
        able = stakes > priors.MODEL_TIME
        least[kind] = float(np.median(each[able])) if able.any() else math.inf
    return least
