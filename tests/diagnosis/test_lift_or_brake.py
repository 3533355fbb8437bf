"""A brake point is braking: with both pedals up the kart would have come to the corner faster.

What lifting alone does is integrated here in its own right: dv/dt by Newton's second law with no pedal, along the lap's
line, from the mark on.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from shared import solved

from linelab.diagnosis.marks import BRAKED, UNKNOWN_ROLLING, find_marks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.grip import Surface, kart_numbers, loads
from linelab.optimum.minimum_time import solve_min_time
from linelab.output.display import METRIC
from linelab.output.sheet.corner_facts import sheet_corners
from linelab.output.sheet.sheet_words import brake_words, slowing_words

PLACES = [
    ("ostrelle_sprint", "senior-single-speed", None),
    ("ostrelle_sprint", "gearbox", 2.5),
    ("marrowdown_club", "junior-single-speed", None),
    ("tinmarsh_rental", "rental-four-stroke", None),
]


@pytest.fixture(scope="module", params=PLACES, ids=lambda place: "-".join(str(part) for part in place[:2]))
def place(request):
    name, kart_name, engine_braking = request.param
    track, kart = load_track(name), load_kart(kart_name)
    if engine_braking is None:
        return track, kart, solved(name, kart_name).lap
    kart = dataclasses.replace(kart, engine_braking=engine_braking)
    return track, kart, solve_min_time(track, kart, verify=False).lap


def rolled(track, kart, lap, start, stop):
    """Speed at ``stop`` of a kart that rolls from ``start`` with both pedals up [m/s]."""
    numbers, line = kart_numbers(kart), lap.line
    top = min(float(numbers.top_speed), 60.0)

    def at(station, values):
        return float(np.interp(station % track.length, line.s, values))

    def slope(station, v):
        speed = float(v[0])
        ground = Surface(*(at(station, getattr(line, name)) for name in Surface._fields))
        load = loads(numbers, speed * speed, at(station, line.kappa), ground)
        force = load.resistance + load.climb + kart.engine_braking * min(speed / top, 1.0)
        return [-force / numbers.inertia / speed * at(station, np.gradient(line.distance, line.s))]

    return float(solve_ivp(slope, (start, stop), [at(start, lap.v)], max_step=1.0, rtol=1e-6).y[0, -1])


def test_a_brake_point_is_where_lifting_would_not_do(place):
    track, kart, lap = place
    marks = find_marks(track, lap, kart)
    assert any(mark.brakes for mark in marks)
    for mark in marks:
        if mark.brakes:
            stop = mark.minimum_speed if mark.minimum_speed > mark.brake_point + 2.0 else mark.track_out
            s = np.arange(mark.brake_point, stop, 0.5)
            v = np.interp(s % track.length, lap.line.s, lap.v)
            rolling = [rolled(track, kart, lap, mark.brake_point, place) for place in s[4::8]]
            # a braking of LEAST_BRAKING at BRAKED takes off 0.15 m/s; a full one some metres a second
            assert max(rolling - v[4::8]) > 0.1, mark.corner.number


def test_where_the_lap_only_lifts_rolling_does_as_much(place):
    track, kart, lap = place
    for mark in find_marks(track, lap, kart):
        assert not (mark.brakes and mark.lifts)
        assert mark.slows_from <= mark.brake_point or not mark.brakes
        if mark.lifts and mark.minimum_speed > mark.slows_from + 2.0:
            slowest = float(np.interp(mark.minimum_speed % track.length, lap.line.s, lap.v))
            # a touch of less than LEAST_BRAKING may have helped: at most about 1 m/s at a full braking's 7 m/s²
            assert rolled(track, kart, lap, mark.slows_from, mark.minimum_speed) < slowest + 1.2, mark.corner.number


def test_the_sheet_says_lift_where_nothing_is_braked():
    track, kart = load_track("ostrelle_sprint"), load_kart("senior-single-speed")
    lap = solved("ostrelle_sprint", "senior-single-speed").lap
    corners = sheet_corners(track, lap, kart)
    lifted = [corner for corner in corners if corner.marks.lifts]
    assert lifted
    for corner in corners:
        if corner.brake is not None:
            assert corner.brake.name == ("brake" if corner.marks.brakes else "lift")
    for corner in lifted:
        told = slowing_words(corner) if corner.brake else brake_words(corner, METRIC)[0]
        assert told.startswith(("lift", "part power", "no braking"))


def test_without_a_kart_only_what_no_kart_does_by_rolling_is_braking(place):
    track, kart, lap = place
    alone, known = find_marks(track, lap), find_marks(track, lap, kart)
    for one, other in zip(alone, known):
        assert (one.turn_in, one.apex, one.minimum_speed, one.track_out) == (
            other.turn_in, other.apex, other.minimum_speed, other.track_out)  # fmt: skip
        if one.brakes:
            near = (lap.line.s - one.brake_point) % track.length < 3.0
            assert lap.ax[near].min() < -UNKNOWN_ROLLING - 0.9 * BRAKED
