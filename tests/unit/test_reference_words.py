"""What the reference lap is said to be good to."""

from __future__ import annotations

import dataclasses

import pytest

from linelab.io.kart_files import load_kart
from linelab.io.track_build import reversed_track
from linelab.io.track_files import load_track
from linelab.report.reference_facts import computed_to
from linelab.solve.mintime import solve_min_time


def test_a_lap_is_stated_no_closer_than_two_methods_agree():
    """On a wet, tight track the optimiser's time and the passes' are some milliseconds apart: the ± says so."""
    track = reversed_track(load_track("tinmarsh_rental"))
    solution = solve_min_time(track, load_kart("rental-four-stroke"), grip=0.45)
    apart = abs(solution.verification.solver_time - solution.lap.lap_time)
    assert computed_to(solution) >= max(apart, solution.time_error)
    check = dataclasses.replace(solution.verification, solver_time=solution.lap.lap_time - 0.5)
    assert computed_to(dataclasses.replace(solution, verification=check)) == pytest.approx(0.5)
