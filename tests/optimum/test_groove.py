"""A rubbered groove and the conditions of a day: the grip across the road, and the lines that are driven on it."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from test_invariants import mirrored

from linelab.errors import InputError
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import reversed_track, track_from_edges
from linelab.files.tracks.track_file import load_track
from linelab.model.conditions import Conditions, conditions
from linelab.model.grip_field import grip_at
from linelab.model.track import GripZone, Groove, Kerb, Track
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.optimum.task import End
from linelab.speed.lines import line_on_track
from linelab.speed.profile import speed_profiles
from linelab.study.the_day import groove_along, off_groove_costs, on_the_day

RENTAL = load_kart("rental-four-stroke")
TINMARSH = load_track("tinmarsh_rental")
SAME = 1.0e-4


def round_it(track: Track, n: float = 0.0, **properties: float) -> Groove:
    """A groove so far from the reference line all round."""
    return Groove(s=np.array([0.0, track.length]), n=np.array([n, n]), **properties)


def road(**properties) -> Track:
    x = np.linspace(0.0, 160.0, 81)
    left, right = (np.column_stack([x, np.full(x.size, y)]) for y in (5.0, -5.0))
    return replace(track_from_edges("straight", left, right, closed=False), **properties)


@pytest.fixture(scope="module")
def wet() -> Track:
    return on_the_day(TINMARSH, RENTAL, "wet")


@pytest.fixture(scope="module")
def wet_lap(wet) -> Solution:
    return solve_min_time(wet, RENTAL)


def aside(track: Track, solution: Solution):
    """Distance of a lap from the groove's middle at its nodes [m]."""
    line = solution.lap.line
    return np.abs(line.n - track.groove.middle(line.s, track.length, track.closed))


def test_the_profile_across_the_groove():
    """Full grip until one side's wheels are out, the asphalt's when both are, the marbles' from there outwards."""
    groove = Groove(
        s=np.array([0.0, 160.0]), n=np.array([1.0, 1.0]), width=2.4, fade=1.0, grip=1.1, beside=0.9, marbles=0.7
    )
    track, half = road(groove=groove), 0.7
    off = np.array([0.0, 0.5 - 0.3, 1.2, 1.9, 2.4, 2.9 + 0.3, 3.5])
    wanted = [1.1, 1.1, 1.0, 0.9, 0.8, 0.7, 0.7]
    for side in (1.0, -1.0):
        found = grip_at(track, np.full(off.size, 80.0), 1.0 + side * off, half)
        assert found == pytest.approx(wanted, abs=0.012)


def test_kerbs_zones_and_groove_multiply():
    groove = round_it(road(), width=6.0, grip=0.9, beside=0.9, marbles=0.9)
    zone = GripZone(s_start=40.0, s_end=120.0, n_right=-9.0, n_left=9.0, factor=0.8)
    kerb = Kerb(side="left", s_start=40.0, s_end=120.0, width=1.0, grip=0.6)
    track = road(groove=groove, grip_zones=(zone,), kerbs=(kerb,))
    at = np.array([80.0, 80.0])
    assert grip_at(track, at, np.array([0.0, 5.0]), 0.7) == pytest.approx([0.72, 0.72 * 0.8], abs=3e-3)


@pytest.mark.parametrize("how", ["groove", "conditions"])
def test_a_uniform_field_is_the_scalar_grip(how):
    """The same factor in the groove, beside it and on the marbles; and the same on asphalt and groove of a day."""
    bare = replace(TINMARSH, kerbs=())
    if how == "groove":
        track = replace(bare, groove=round_it(bare, grip=0.8, beside=0.8, marbles=0.8))
    else:
        day = Conditions(weather="wet", tyres="wets", asphalt=0.8, groove=0.8, kerb=0.5)
        track = replace(bare, groove=round_it(bare), conditions=day)
    plain = solve_min_time(bare, RENTAL, grip=0.8)
    assert solve_min_time(track, RENTAL).lap_time == pytest.approx(plain.lap_time, abs=SAME)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_groove_draws_the_line_to_it(side):
    """On a straight only the groove decides where to brake for the end; it is a fifth of the road's width."""
    track = road(groove=round_it(road(), n=2.0 * side, beside=0.8, marbles=0.6))
    kart = load_kart("senior-single-speed")
    found = solve_min_time(track, kart, start=End(n=0.3 * side, v=8.0), end=End(v=10.0))
    braking = found.lap.ax < -3.0
    assert braking.sum() > 5
    assert aside(track, found)[braking].max() < 0.5
    assert found.lap.line.grip[braking] == pytest.approx(1.0, abs=0.02)


def test_wet_laps_keep_off_kerbs_and_groove(wet, wet_lap):
    """Half of the time that the dry line takes on the groove; no wheel over an edge."""
    line, half = wet_lap.lap.line, 0.5 * RENTAL.width
    s = np.mod(line.s, wet.length)
    assert (line.n + half - np.interp(s, wet.s, wet.w_left)).max() < 0.01
    assert (-line.n + half - np.interp(s, wet.s, wet.w_right)).max() < 0.01
    share = float(np.average(aside(wet, wet_lap)[:-1] < 0.5 * wet.groove.width, weights=np.diff(wet_lap.lap.t)))
    assert share < 0.7
    dry_line = solve_min_time(replace(wet, conditions=None, groove=None), RENTAL, use_kerbs=False).lap.line
    driven_wet = line_on_track(
        wet,
        *(
            np.interp(np.linspace(0.0, 1.0, 800), np.linspace(0.0, 1.0, dry_line.s.size), each)
            for each in (dry_line.s, dry_line.n)
        ),
        half_width=half,
    )
    assert speed_profiles([driven_wet], RENTAL)[0].lap_time > wet_lap.lap_time + 0.3


def test_a_wet_lap_is_slower_than_asphalt_without_a_groove_and_faster_than_rubber_all_over(wet, wet_lap):
    day = wet.conditions
    best, worst = (solve_min_time(TINMARSH, RENTAL, grip=f, use_kerbs=False) for f in (day.asphalt, day.groove))
    assert best.lap_time + 0.1 < wet_lap.lap_time < worst.lap_time - 0.5


def test_a_drying_line_is_driven_on(wet):
    drying = replace(wet, conditions=conditions("drying"))
    found = solve_min_time(drying, RENTAL)
    assert np.median(aside(drying, found)) < 0.5 < np.median(aside(wet, solve_min_time(wet, RENTAL)))


def test_mirrored_wet_tracks_agree(wet, wet_lap):
    assert solve_min_time(mirrored(wet), RENTAL).lap_time == pytest.approx(wet_lap.lap_time, abs=SAME)


def test_a_groove_lies_where_it_was_on_the_reversed_track(wet):
    other = reversed_track(wet)
    s = np.linspace(0.0, wet.length, 50)
    there = other.groove.middle(wet.length - s, wet.length, True)
    assert there == pytest.approx(-wet.groove.middle(s, wet.length, True), abs=1e-9)


def test_wets_on_a_wet_track_and_slicks_on_a_dry_one():
    """What is common practice: in the wet wet tyres win, in the dry slicks; more water is less grip."""
    grip = {
        (weather, tyres): conditions(weather, tyres)
        for weather in ("damp", "drying", "wet")
        for tyres in ("slicks", "wets")
    }
    assert conditions("dry") is None
    assert conditions("dry", "wets").asphalt < 1.0
    for (weather, tyres), day in grip.items():
        assert not day.use_kerbs
        assert (day.groove > day.asphalt) == (weather == "drying")
        assert day.asphalt < grip[weather, "wets"].asphalt or tyres == "wets"
    assert grip["wet", "slicks"].asphalt < grip["damp", "slicks"].asphalt


def test_the_documentation_says_the_same():
    """The table of the driver's page beside the factors in the model."""
    page = Path(__file__).resolve().parents[2] / "docs" / "driver.md"
    rows = re.findall(
        r"^\| `(\w+)`[^|]*\| (\S+) \| ([^|]+) \| (\S+) \| (\S+) \|$", page.read_text("utf-8"), re.MULTILINE
    )
    assert [row[0] for row in rows] == ["dry", "damp", "drying", "wet"]
    for weather, *cells in rows:
        slicks, wets = conditions(weather), conditions(weather, "wets")
        shown = [float(cell) for cell in (cells if slicks else cells[2:])]
        assert shown == [f for day in (slicks, wets) if day for f in (day.asphalt, day.groove)]


@pytest.mark.slow
def test_beside_the_groove_costs(wet):
    """In the dry on a groove along the computed line; farther out costs more; it is never a gain."""
    track = replace(wet, conditions=None)
    solution = solve_min_time(track, RENTAL)
    near, far = (off_groove_costs(track, RENTAL, solution, off=off) for off in (0.35, 0.7))
    assert [cost.corner for cost in near] == [corner.number for corner in track.corners]
    for one, other in zip(near, far):
        assert 0.0 <= one.by_grip <= one.time_lost <= other.time_lost + SAME
    assert max(cost.time_lost for cost in far) > 0.02
    assert max(cost.by_grip for cost in far) > 0.001
    alike = replace(track, groove=replace(track.groove, beside=1.0, marbles=1.0))
    level = off_groove_costs(alike, RENTAL, solve_min_time(alike, RENTAL), off=0.7)
    assert max(cost.by_grip for cost in level) < 1e-9


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: conditions("moist"), "'moist' is not known.*dry, damp, drying, wet"),
        (lambda: conditions("wet", "rain"), "'rain' is not known.*slicks, wets"),
        (lambda: replace(TINMARSH, groove=Groove(s=[0.0, 90.0], n=[0.0, 0.0])), "covers 90 m of 40.*all the way round"),
        (lambda: Groove(s=[0.0], n=[0.0]), "at least two points"),
        (lambda: Groove(s=[0.0, 9.0], n=[0.0, 0.0], width=0.1), "width 0.1 m"),
        (lambda: Groove(s=[0.0, 9.0], n=[0.0, 0.0], marbles=3.0), "marbles factor 3.0"),
        (lambda: off_groove_costs(TINMARSH, RENTAL, solve_min_time(TINMARSH, RENTAL)), "no groove.*groove_along"),
        (lambda: solve_min_time(TINMARSH, RENTAL, grip="wet"), "on_the_day"),
    ],
)
def test_what_is_wrong_is_said(call, says):
    with pytest.raises(InputError, match=f"(?s){says}"):
        call()


def test_an_estimated_track_has_no_groove():
    """Where the edges are an assumption nobody knows where the dry line lies: all of the road is asphalt."""
    track = replace(TINMARSH, survey=replace(TINMARSH.survey, kind="estimated"))
    day = on_the_day(track, RENTAL, "wet", "wets")
    assert day.groove is None
    found = solve_min_time(day, RENTAL)
    plain = solve_min_time(TINMARSH, RENTAL, grip=day.conditions.asphalt, use_kerbs=False)
    assert found.lap_time == pytest.approx(plain.lap_time, abs=SAME)


def test_a_driven_lap_need_not_close():
    """A lap from a recording ends some decimetres beside where it began; its groove is round all the same."""
    s = np.linspace(0.0, TINMARSH.length, 300)
    line = line_on_track(TINMARSH, s, 0.5 + 0.4 * s / TINMARSH.length)
    groove = groove_along(TINMARSH, line)
    assert replace(TINMARSH, groove=groove).groove == groove
    assert groove.n[0] == pytest.approx(groove.n[-1], abs=1e-9)
    assert np.abs(groove.middle(s, TINMARSH.length, True) - np.interp(s, line.s, line.n)).max() < 0.21
