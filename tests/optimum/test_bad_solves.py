"""What cannot be solved raises: no lap comes back in place of a solution."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from staged import bare_kart, flat_line, plain_track

from linelab.errors import InputError, SolveError, TrackError, VerificationError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track, reversed_track
from linelab.model.kart import Driver
from linelab.optimum import minimum_time as mintime
from linelab.optimum import verify
from linelab.optimum.line_profile import speed_profile
from linelab.optimum.minimum_time import End, solve_min_time
from linelab.speed.lines import line_on_track
from linelab.speed.profile import speed_profiles

KART = bare_kart(1.5)


def hairpin(width: float = 6.0):
    """Half a turn of 5 m radius."""
    return plain_track(lambda s: 0.0 * s + 0.2, 5.0 * np.pi, left=0.5 * width, right=0.5 * width)


def ring():
    """A circle of 20 m radius, 8 m wide."""
    return plain_track(lambda s: 0.0 * s + 0.05, 40.0 * np.pi, left=4.0, right=4.0, closed=True)


@pytest.mark.parametrize("speed", [25.0, 40.0])
def test_arriving_too_fast_has_no_solution(speed):
    """The grip holds 10.8 m/s on the widest circle of this hairpin; from 25 m/s on, no pedal and no steering helps."""
    assert np.sqrt(1.5 * 9.80665 * 8.0) < 10.9
    with pytest.raises(SolveError, match="no minimum-time line found") as caught:
        solve_min_time(hairpin(), KART, start=End(n=0.0, xi=0.0, v=speed))
    error = caught.value
    assert error.status
    assert error.iterations > 0
    assert error.violation > 0.01
    assert error.remedy
    assert "\n" not in str(error)


def test_the_same_hairpin_has_a_solution_at_a_possible_speed():
    solution = solve_min_time(hairpin(), KART, start=End(n=0.0, xi=0.0, v=8.0))
    assert solution.lap.v[0] == pytest.approx(8.0, abs=1e-6)


def test_a_lap_that_fails_its_check_is_not_returned(monkeypatch):
    monkeypatch.setattr(verify, "ACCEPT_TIME", -1.0)
    with pytest.raises(VerificationError, match="failed its check") as caught:
        solve_min_time(ring(), KART)
    assert caught.value.status == "not verified"


def test_a_mesh_that_never_settles_is_given_up(monkeypatch):
    monkeypatch.setattr(mintime, "MOST_INTERVALS", 600)
    with pytest.raises(SolveError, match="still changes"):
        solve_min_time(ring(), KART, tolerance=1e-12)


def test_a_kart_wider_than_the_track():
    with pytest.raises(TrackError, match=r"the track is 1\.20 m wide, the kart 1\.40 m") as caught:
        solve_min_time(hairpin(1.2), dataclasses.replace(KART, width=1.4))
    assert 0.0 <= caught.value.station <= 5.0 * np.pi


@pytest.mark.parametrize(
    ("arguments", "cause"),
    [
        ({"grip": 0.0}, "grip factor"),
        ({"grip": np.nan}, "grip factor"),
        ({"grip": "wet"}, "grip factor 'wet' is not a number"),
        ({"tolerance": 0.0}, "tolerance"),
        ({"start": End(v=10.0)}, "no ends"),
        ({"end": End(n=0.0)}, "no ends"),
    ],
)
def test_impossible_arguments(arguments, cause):
    with pytest.raises(InputError, match=cause):
        solve_min_time(ring(), KART, **arguments)


@pytest.mark.parametrize("state", [{"xi": 0.1}, {"v": -1.0}, {"v": np.nan}])
def test_impossible_end_states(state):
    with pytest.raises(InputError):
        End(**state)


def road():
    x = np.linspace(0.0, 100.0, 51)
    left, right = np.column_stack([x, 0.0 * x + 4.0]), np.column_stack([x, 0.0 * x - 4.0])
    return track_from_edges("road", left, right, closed=False)


@pytest.mark.parametrize("offset", [3.6, -3.4, 40.0])
def test_an_end_beyond_the_edge_is_refused(offset):
    with pytest.raises(InputError, match=r"middle of the kart fits from -3\.31 to 3\.31 m"):
        solve_min_time(road(), load_kart("senior-single-speed"), start=End(n=offset))


def test_a_standing_start_is_taken_from_walking_pace():
    kart = load_kart("senior-single-speed")
    slow, standing = (solve_min_time(road(), kart, start=End(v=v), verify=False).lap_time for v in (1.0, 0.0))
    assert standing == pytest.approx(slow, abs=1e-9)


def test_a_warm_start_from_another_kind_of_problem():
    solution = solve_min_time(ring(), KART)
    limited = dataclasses.replace(KART, driver=Driver(curvature_rate=1.0))
    with pytest.raises(InputError, match="another kind"):
        solve_min_time(ring(), limited, warm=solution)


def test_a_line_beyond_the_centre_of_curvature():
    s = np.linspace(0.0, 5.0 * np.pi, 50)
    with pytest.raises(TrackError, match="centre of curvature"):
        line_on_track(hairpin(), s, np.full(50, 5.5))


def test_speed_profile_refuses_what_has_no_meaning():
    distance = np.linspace(0.0, 50.0, 51)
    straight, closed = flat_line(distance, 0.0 * distance), flat_line(distance, 0.0 * distance, closed=True)
    with pytest.raises(InputError, match="no ends"):
        speed_profile(closed, KART, v_start=10.0)
    with pytest.raises(InputError, match="not a speed"):
        speed_profile(straight, KART, v_start=-1.0)
    with pytest.raises(InputError, match="not a speed"):
        speed_profile(straight, KART, v_end=np.nan)
    with pytest.raises(InputError, match="mixed"):
        speed_profiles([straight, closed], KART)
    assert speed_profiles([], KART) == []


def test_a_warm_start_from_another_track_is_refused():
    """The same circuit the other way round has the same length and shape of problem."""
    track, kart = load_track("tinmarsh_rental"), load_kart("junior-single-speed")
    before = solve_min_time(track, kart, tolerance=0.05)
    again = solve_min_time(load_track("tinmarsh_rental"), kart, warm=before)
    assert again.lap_time == pytest.approx(before.lap_time, abs=1e-4), "the same file read twice is the same track"
    with pytest.raises(InputError, match="another track"):
        solve_min_time(reversed_track(track), kart, warm=before)
