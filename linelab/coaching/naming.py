"""What the habits of the driver model are called."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.coaching import priors
from linelab.coaching.fitting import Driven
from linelab.coaching.kinds import FaultKind
from linelab.comparison.driving import (
    COAST,
    DRIVE,
    EARLY,
    FOOT,
    HOLDS,
    LASTS,
    LATE,
    LOST,
    ROLL,
    SLIDES,
    SLOW,
    SOFT,
    WHEN,
    Index,
)
from linelab.grip import Surface
from linelab.solve.push import push_at
from linelab.solve.reach import nodes_on
from linelab.units import Array

#: What habits are called; a loss of speed by when it comes.
KINDS: dict[int, FaultKind] = {
    EARLY: "brakes_early",
    SOFT: "brakes_softly",
    COAST: "coasts",
    SLOW: "too_slow_in_corner",
    LATE: "power_late",
}


class Pushes(NamedTuple):
    """Acceleration that the engine gives at a slow place, and what is left of it to gain speed with [m/s²]."""

    push: float
    gain: float


def pushes_at(given: Driven, places: Index, session: Array) -> list[Pushes]:
    """The same at every slow place (K,)."""
    ground = Surface(*(np.asarray(field)[places] for field in given.course.surface))
    nodes, v = nodes_on(given.model.kart, given.course.kappa[places], ground), given.v[places]
    push = session[DRIVE] * push_at(given.model.kart, v)
    rolling = session[ROLL] * (nodes.r0 + v**2 * (nodes.r1 + v**2 * nodes.r2))
    return [Pushes(float(one), float(one - other)) for one, other in zip(push, np.broadcast_to(rolling, push.shape))]


def kind_of(habit: int, sizes: Array, pushes: Pushes) -> FaultKind:
    """What a habit is called that a place has with these numbers (SIZE,).

    Whoever holds the speed waits with the power.  A loss that begins before any speed is gained is a slide, or, by the
    foot, a wait too; later it is abrupt power, whether the kart slides or the foot comes off.  A slide that takes less
    than the engine gives is the same drive as a lift, and a loss that never lets the speed fall the same as holding it.
    """
    if habit != LOST:
        return KINDS[habit]
    peak, gained = sizes[LOST] / sizes[LASTS], pushes.gain * (sizes[WHEN] - sizes[LASTS])
    under_power = gained > priors.LEAST_PROMINENCE
    if sizes[FOOT] == HOLDS or (under_power and peak <= pushes.gain):
        return "power_late"
    if under_power:
        return "power_abrupt"
    return "slide" if sizes[FOOT] == SLIDES and peak > pushes.push else "power_late"


def kinds_of(habits: tuple[int, ...], sizes: Array, pushes: Pushes) -> frozenset[FaultKind]:
    """What all habits of a place are called."""
    return frozenset(kind_of(habit, sizes, pushes) for habit in habits)
