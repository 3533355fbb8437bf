"""A kart as one driver drives it: the numbers that his reviewed sessions show, in the kart and in the driver model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from linelab.coaching.results import DriverNumbers
from linelab.diagnosis.driver_model import BRAKE, DRIVE, SHARE
from linelab.errors import InputError
from linelab.model.engine import with_force
from linelab.model.kart import Kart
from linelab.units import Array


def joint_numbers(sessions: Sequence[DriverNumbers]) -> DriverNumbers:
    """The numbers of one driver from several sessions.

    Each counts by the inverse of its fit's variance.  The error of the mean is what these leave, or what the sessions
    differ by, whichever is larger; what the model is off by is the same in all of them and stays.

    Raises
    ------
    InputError
        None, or one that is not to be used.
    """
    if not sessions:
        raise InputError("no session shows the driver", where="joint_numbers")
    for each in sessions:
        if each.reason:
            raise InputError(
                f"the driver's numbers cannot be used: {each.reason}", where="joint_numbers",
                remedy="Take another recording, or leave it out",
            )  # fmt: skip
    values, errors = (np.array([getattr(each, name) for each in sessions]) for name in ("values", "errors"))
    weights = 1.0 / np.maximum(errors, 1e-6) ** 2
    total = weights.sum(axis=0)
    mean = (weights * values).sum(axis=0) / total
    apart = (weights * (values - mean) ** 2).sum(axis=0) / total / max(len(sessions) - 1, 1)
    return DriverNumbers(
        values=mean, errors=np.sqrt(np.maximum(1.0 / total, apart)), lasting=sessions[0].lasting,
        laps=sum(each.laps for each in sessions),
    )  # fmt: skip


def own_kart(kart: Kart, numbers: DriverNumbers) -> Kart:
    """The kart with the driver's braking and the engine that his laps show; for laps at his share of the grip."""
    return replace(
        kart,
        mu_longitudinal=float(numbers.values[BRAKE]) * kart.mu_longitudinal,
        engine=with_force(kart.engine, float(numbers.values[DRIVE])),
    )


def feet_on_own_line(numbers: DriverNumbers) -> Array:
    """The driver model's numbers (6,) for a line whose grip has the driver's share in it already."""
    session = numbers.values.copy()
    session[SHARE] = 1.0
    return session
