"""The kinds of things a review names: targets, causes of lost time, habits, and how a figure is shown in units."""

from __future__ import annotations

from typing import Literal

#: What lap or time the driver is held against.
TargetKind = Literal["computed", "shown_grip", "own_best", "own_parts", "other_lap"]

#: What a corner's speed loss is made of, in driving order; see :mod:`linelab.coaching.coach_words`.
Cause = Literal["braking", "coasting", "minimum_speed", "power", "all_round", "rest"]
CAUSES: tuple[Cause, ...] = ("braking", "coasting", "minimum_speed", "power", "all_round", "rest")

#: Habits that cost time, as the coach names them; see :mod:`linelab.coaching.coach_words`.
FaultKind = Literal[
    "apex_missed",
    "turns_in_early",
    "exit_unused",
    "line_other",
    "brakes_early",
    "brakes_softly",
    "coasts",
    "too_slow_in_corner",
    "power_late",
    "power_abrupt",
    "slide",
    "own_pass",
    "scatter",
]

#: How a figure is shown in units: a place along the lap, a length across it, a speed, a time, a deceleration, a number.
Quantity = Literal["place", "length", "speed", "time", "deceleration", "number"]
