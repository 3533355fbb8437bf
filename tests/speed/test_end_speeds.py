"""Speeds demanded at the ends of an open line: held, or refused with the most that is possible, or lowered to that."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from staged import MASS, bare_kart, flat_line

from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.model.kart import Driver, PowerEngine
from linelab.model.lap import Line
from linelab.optimum.line_profile import speed_profile
from linelab.speed.passes import MANY
from linelab.speed.profile import SAME_SPEED, speed_profiles
from linelab.units import STANDARD_GRAVITY

GRIP, DRIVE = 15.0, 3.0  #: what the tyres and the drive of a kart without drag can do [m/s²]
KART = bare_kart(GRIP / STANDARD_GRAVITY, engine=PowerEngine(power=2e5, max_force=MASS * DRIVE))


def straight(length: float) -> Line:
    distance = np.linspace(0.0, length, round(length) + 1)
    return dataclasses.replace(flat_line(distance, 0.0 * distance), x=distance)


def arc(radius: float) -> Line:
    distance = np.linspace(0.0, 40.0, 81)
    turn, line = distance / radius, flat_line(distance, np.full(81, 1.0 / radius))
    return dataclasses.replace(line, x=radius * np.sin(turn), y=radius * (1.0 - np.cos(turn)), psi=turn)


#: Line, end speeds, the one that is too fast, and the most that is possible by energy (v² = v0² + 2as) or ay = v²/R.
TOO_FAST = [
    pytest.param(straight(20.0), 30.0, 5.0, "v_start", np.sqrt(25.0 + 2.0 * GRIP * 20.0), id="no way to slow down"),
    pytest.param(straight(20.0), 5.0, 30.0, "v_end", np.sqrt(25.0 + 2.0 * DRIVE * 20.0), id="no way to speed up"),
    pytest.param(arc(30.0), 30.0, None, "v_start", np.sqrt(GRIP * 30.0), id="begins too fast for the bend"),
    pytest.param(arc(30.0), None, 30.0, "v_end", np.sqrt(GRIP * 30.0), id="ends too fast for the bend"),
]


@pytest.mark.parametrize(("line", "start", "end", "which", "most"), TOO_FAST)
def test_an_end_speed_that_cannot_be_is_refused_with_the_most_that_can(line, start, end, which, most):
    with pytest.raises(InputError, match="the most possible is") as caught:
        speed_profile(line, KART, v_start=start, v_end=end)
    assert caught.value.where == which
    said = float(re.search(r"possible is ([\d.]+) m/s", str(caught.value))[1])
    assert said == pytest.approx(most, rel=2e-3)
    asked = {"v_start": start, "v_end": end} | {which: said}
    lap = speed_profile(line, KART, **asked)  # what the message says is possible is
    assert (lap.v[0] if which == "v_start" else lap.v[-1]) == pytest.approx(said, rel=SAME_SPEED)


@pytest.mark.parametrize(("line", "start", "end", "which", "most"), TOO_FAST)
def test_or_lowered_to_that_where_it_may_be(line, start, end, which, most):
    lap = speed_profile(line, KART, v_start=start, v_end=end, lower_ends=True)
    assert (lap.v[0] if which == "v_start" else lap.v[-1]) == pytest.approx(most, rel=2e-3)
    many = speed_profiles([line] * MANY, KART, v_start=start, v_end=end)
    assert many[-1].v == pytest.approx(lap.v, rel=1e-5)


def test_speeds_of_a_lap_are_held_on_a_part_of_it():
    """A line cut anywhere is driven as the whole was, if each part begins and ends as fast as the whole did there."""
    distance = np.linspace(0.0, 400.0, 401)
    line = flat_line(distance, 0.06 * np.sin(distance / 17.0) ** 3)
    kart = load_kart("senior-single-speed")
    whole = speed_profile(line, kart)
    for first, last in ((37, 120), (90, 300), (211, 400)):
        part = {name: getattr(line, name)[first : last + 1] for name in line.__dataclass_fields__ if name != "closed"}
        part["distance"] = part["distance"] - part["distance"][0]
        lap = speed_profile(Line(**part, closed=False), kart, v_start=whole.v[first], v_end=whole.v[last])
        assert lap.lap_time == pytest.approx(whole.t[last] - whole.t[first], abs=2e-3)


def test_with_a_driver_whose_rates_are_limited():
    kart = dataclasses.replace(load_kart("senior-single-speed"), driver=Driver(brake_build_rate=40.0))
    with pytest.raises(InputError, match="v_start"):
        speed_profile(arc(20.0), kart, v_start=30.0)
    most = speed_profile(arc(20.0), dataclasses.replace(kart, driver=Driver())).v[0]
    assert speed_profile(arc(20.0), kart, v_start=30.0, lower_ends=True).v[0] <= most * (1.0 + 1e-3)


def test_standing_starts_and_ends_with_a_driver_whose_rates_are_limited():
    """A drive of 3 m/s² is far within the grip: the rate of braking alone makes it slower than without rates."""
    line, slow = straight(100.0), dataclasses.replace(KART, driver=Driver(brake_build_rate=40.0))
    free, limited = (speed_profile(line, kart, v_start=1.0, v_end=1.0) for kart in (KART, slow))
    assert free.lap_time < limited.lap_time < free.lap_time + 0.5
    stood = speed_profile(line, slow, v_start=0.0, v_end=0.0)  # the last metre is not driven slower than walking
    assert stood.v[[0, -1]] == pytest.approx([1.0, 1.0], rel=1e-3)
    assert stood.lap_time == pytest.approx(limited.lap_time, abs=1e-6)
    with pytest.raises(InputError, match="not a speed"):
        speed_profile(line, slow, v_start=-1.0)


def test_an_end_that_was_lowered_is_free_within_the_rates():
    line, kart = (
        straight(5.0),
        dataclasses.replace(load_kart("senior-single-speed"), driver=Driver(drive_build_rate=30.0)),
    )
    lap = speed_profile(line, kart, v_start=5.0, v_end=20.0, lower_ends=True)
    most = speed_profile(line, dataclasses.replace(kart, driver=Driver()), v_start=5.0).v[-1]
    assert 5.0 < lap.v[-1] <= most * (1.0 + 1e-3)


@pytest.mark.parametrize(("slope", "grip"), [(0.5, 1.0), (0.3, 0.2), (0.0, 0.01)])
def test_a_kart_that_cannot_go_on_is_told_where(slope, grip):
    """Too steep for the engine, too steep for the grip, and no grip at all; up to 40 m the road is level and dry."""
    kart, line = load_kart("senior-single-speed"), straight(1500.0)
    beyond = line.distance > 40.0
    line = dataclasses.replace(line, slope=slope * beyond, grip=np.where(beyond, grip, 1.0))
    with pytest.raises(InputError, match="the kart stops") as caught:
        speed_profile(line, kart, v_start=1.0)
    assert 40.0 <= float(re.search(r"stops (\d+) m", str(caught.value))[1]) < 1400.0


def test_a_kart_that_just_climbs_is_no_such_kart():
    line = dataclasses.replace(straight(100.0), slope=np.full(101, 0.25))
    assert speed_profile(line, load_kart("senior-single-speed"), v_start=0.0).v[-1] > 5.0
