"""The line for a driver who scatters: its chance of leaving by an independent simulation, its prices, its order."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from shared import demo_review

import linelab
from linelab.cli import main as cli
from linelab.diagnosis.marks import find_marks
from linelab.diagnosis.stretches import corner_stretches
from linelab.study.held_line import base_of, held_lap, time_lost
from linelab.study.scattering import margins
from linelab.study.scattering.driver_scatter import Scatter
from linelab.study.scattering.leaving import Bend, chance_of_leaving, passes_of

TRACK, KART = "tinmarsh_rental", "rental-four-stroke"


@cache
def _place(name, vehicle):
    track, kart = linelab.load_track(name), linelab.load_kart(vehicle)
    return track, kart, linelab.solve_min_time(track, kart, use_kerbs=False)


@pytest.fixture(scope="module")
def rental():
    return _place(TRACK, KART)


def careful(rental, scatter, chance=0.01, **more):
    track, kart, solution = rental
    return linelab.margin_lap(track, kart, scatter, chance, solution=solution, use_kerbs=False, **more)


@pytest.fixture(scope="module")
def usual(rental):
    return careful(rental, Scatter(lateral=0.3, speed=0.3), 0.05, cost=0.0)


def departures(rng, count, length, along, step=0.5):
    """Round a ring: white noise shaped by the square root of the spectrum of a Gaussian correlation."""
    size = round(length / step)
    wave = 2.0 * np.pi * np.fft.rfftfreq(size, length / size)
    shape = np.exp(-0.25 * (along * wave) ** 2)
    z = np.fft.irfft(np.fft.rfft(rng.standard_normal((count, size))) * shape, size)
    return np.arange(size) * length / size, z / z.std()


def share_of_passes_that_leave(track, kart, lap, computed, scatter, shares, rng, count=6000):
    """Noisy passes of a lap, driven: nothing here is the package's but the track, the laps and the corner's marks."""
    s, z = departures(rng, count, track.length, scatter.along)
    planned = np.interp(s, lap.line.s, lap.line.n)
    place = planned + scatter.lateral[0] * z
    grip = 1.0 + scatter.grip * rng.standard_normal(count)
    for mark, share in zip(find_marks(track, computed), shares):
        way = (computed.line.s - mark.turn_in) % track.length
        within = way < mark.track_out - mark.turn_in
        hardest = np.abs(computed.ay[within]).argmax()
        v, ay = computed.v[within][hardest], computed.ay[within][hardest]
        asked = share * (1.0 + scatter.speed[0] / v * rng.standard_normal(count)) ** 2
        pushed = -np.sign(ay) * 0.5 * 0.5**2 * np.abs(ay) * np.maximum(asked - grip, 0.0)
        after = (s - mark.turn_in + 0.5 * track.length) % track.length - 0.5 * track.length
        apex, out = mark.apex - mark.turn_in, mark.track_out - mark.turn_in
        shape = np.interp(after, [0.0, apex, max(out, apex) + 8.0, max(out, apex) + 23.0], [0.0, 1.0, 1.0, 0.0])
        place += pushed[:, None] * shape
    left, right = (np.interp(s, track.s, width) - 0.5 * kart.width for width in (track.w_left, track.w_right))
    return float(((place > left) | (place < -right)).any(axis=1).mean())


def share_that_leaves(track, kart, lap, computed, scatter, shares, seed, count):
    """The same for many passes, some at a time."""
    rng, some = np.random.default_rng(seed), 4000
    parts = [
        share_of_passes_that_leave(track, kart, lap, computed, scatter, shares, rng, some) for _ in range(count // some)
    ]
    return float(np.mean(parts))


WHERE = [
    ("tinmarsh_rental", "rental-four-stroke"),
    ("marrowdown_club", "junior-single-speed"),
    ("ostrelle_sprint", "senior-single-speed"),
]


@pytest.mark.slow
@pytest.mark.parametrize("chance", [0.05, 0.01])
@pytest.mark.parametrize(
    "scatter", [Scatter(lateral=0.3, speed=0.3), Scatter(lateral=0.15, speed=0.8, grip=0.05)], ids=["beside", "fast"]
)
@pytest.mark.parametrize(("name", "vehicle"), WHERE)
def test_on_every_bundled_track_the_stated_chance_is_that_of_simulated_passes(name, vehicle, scatter, chance):
    track, kart, solution = _place(name, vehicle)
    found = linelab.margin_lap(track, kart, scatter, chance, cost=0.0, solution=solution, use_kerbs=False)
    shares, count = [corner.grip_share for corner in found.corners], 40_000
    driven = share_that_leaves(track, kart, found.lap, solution.lap, scatter, shares, 81, count)
    error = np.sqrt(chance * (1.0 - chance) / count)
    assert 0.9 * chance < found.chance <= chance  # the limit decides
    assert driven < chance + 3.0 * error
    assert driven > 0.8 * found.chance - 3.0 * error  # crossings in clumps: the stated chance is on the safe side


@pytest.mark.slow
@pytest.mark.parametrize("limit", [0.5, 0.01])
@pytest.mark.parametrize(("name", "vehicle"), WHERE)
def test_on_every_bundled_track_the_expected_time_is_less_than_with_one_margin_all_round(name, vehicle, limit):
    """Times of laps and chances of simulated passes, for the plan and for the computed line moved in everywhere."""
    track, kart, solution = _place(name, vehicle)
    scatter, count, cost = Scatter(lateral=0.3, speed=0.3), 24_000, 3.0
    found = linelab.margin_lap(track, kart, scatter, limit, cost=cost, solution=solution, use_kerbs=False)
    shares = [corner.grip_share for corner in found.corners]
    leaves = share_that_leaves(track, kart, found.lap, solution.lap, scatter, shares, 82, count)
    expected = found.lap.lap_time + cost * leaves
    base = base_of(track, kart, solution, use_kerbs=False)
    marks = find_marks(track, solution.lap)
    setting = margins._setting(base, scatter, marks, corner_stretches(track))
    plan = margins._Plan(np.zeros(3 * len(marks)), np.ones(len(marks)))
    state, same = margins._solved(setting, plan, plan, base.iterate), []
    for margin in (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2):
        moved = plan._replace(margins=np.minimum(margin, setting.most))
        state = margins._solved(setting, moved, state.plan, state.iterate)
        lap = held_lap(base, state.iterate)
        chance = share_that_leaves(track, kart, lap, solution.lap, scatter, np.ones(len(marks)), 83, count)
        if chance <= 1.1 * limit:
            same.append(lap.lap_time + cost * chance)
    error = cost * np.sqrt(leaves / count)
    assert same
    assert expected < min(same) - 2.0 * error


def test_no_scatter_leaves_the_computed_lap(rental):
    found = careful(rental, Scatter(lateral=0.0, speed=0.0, grip=0.0))
    assert found.lap is rental[2].lap
    assert (found.time_lost, found.chance) == (0.0, 0.0)


def test_little_scatter_costs_little(rental):
    found = careful(rental, Scatter(lateral=1e-4, speed=0.0, grip=0.0))
    assert 0.0 <= found.time_lost < 1e-3
    assert np.abs(found.lap.lap_time - rental[2].lap.lap_time) < 1.5e-3


def test_passes_driven_after_the_plan_leave_as_often_as_stated(rental, usual):
    track, kart, solution = rental
    rng, count = np.random.default_rng(71), 6000
    shares = [corner.grip_share for corner in usual.corners]
    driven = share_of_passes_that_leave(track, kart, usual.lap, solution.lap, usual.scatter, shares, rng, count)
    error = np.sqrt(0.05 * 0.95 / count)
    assert usual.chance <= 0.05
    assert driven < 0.05 + 3.0 * error
    assert (
        driven > usual.chance - 3.0 * error - 0.2 * 0.05
    )  # crossings in clumps: the stated chance is on the safe side


@pytest.mark.slow
def test_with_speed_and_grip_that_scatter_much_it_holds_as_well(rental):
    track, kart, solution = rental
    found = careful(rental, Scatter(lateral=0.15, speed=0.8, grip=0.05), 0.05, cost=0.0)
    rng, count = np.random.default_rng(72), 6000
    shares = [corner.grip_share for corner in found.corners]
    driven = share_of_passes_that_leave(track, kart, found.lap, solution.lap, found.scatter, shares, rng, count)
    error = np.sqrt(0.05 * 0.95 / count)
    assert 0.6 * 0.05 < driven < 0.05 + 3.0 * error


@pytest.mark.slow
def test_more_scatter_takes_more_margin_and_time(rental, usual):
    laps = [careful(rental, Scatter(lateral=size, speed=0.3), 0.05, cost=0.0) for size in (0.1, 0.2)] + [usual]
    lost = [lap.time_lost for lap in laps]
    apexes = np.array([[corner.apex for corner in lap.corners] for lap in laps])
    assert 0.0 < lost[0] < lost[1] < lost[2]
    assert (np.diff(apexes.mean(axis=1)) > 0.0).all()


@pytest.mark.slow
def test_a_smaller_chance_takes_more_time(rental, usual):
    strict = careful(rental, usual.scatter, 0.001, cost=0.0)
    assert strict.chance <= 0.001
    assert strict.time_lost > usual.time_lost


@pytest.mark.slow
def test_where_leaving_is_dear_the_plan_is_more_careful_than_asked(rental):
    cheap, dear = (careful(rental, Scatter(lateral=0.3, speed=0.3), 0.2, cost=cost) for cost in (0.0, 30.0))
    assert (cheap.binding, dear.binding) == (True, False)
    assert dear.chance < 0.5 * cheap.chance
    # each is the better plan by its own measure
    assert dear.time_lost + 30.0 * dear.chance < cheap.time_lost + 30.0 * cheap.chance
    assert cheap.time_lost < dear.time_lost


def test_margins_by_corner_are_no_worse_than_the_same_margin_everywhere(rental, usual):
    track, kart, solution = rental
    base = base_of(track, kart, solution, use_kerbs=False)
    marks = find_marks(track, solution.lap)
    setting = margins._setting(base, usual.scatter, marks, corner_stretches(track))
    none = margins._Plan(np.zeros(3 * len(marks)), np.ones(len(marks)))
    state = margins._solved(setting, none, none, base.iterate)
    times, chances = [], []
    for margin in (0.7, 0.75, 0.8, 0.85, 0.9):
        state = margins._solved(
            setting, none._replace(margins=np.full(none.margins.size, margin)), state.plan, state.iterate
        )
        times.append(time_lost(base, state.iterate))
        chances.append(margins._chance(setting, state).lap)
    same = np.interp(np.log(usual.chance), np.log(chances[::-1]), times[::-1])
    assert chances[0] > usual.chance > chances[-1]
    assert usual.time_lost < same


def test_prices_are_what_a_little_more_margin_and_grip_cost(rental):
    track, kart, solution = rental
    base = base_of(track, kart, solution, use_kerbs=False)
    marks = find_marks(track, solution.lap)
    setting = margins._setting(base, Scatter(lateral=0.3, speed=0.3), marks, corner_stretches(track))
    plan = margins._Plan(np.full(3 * len(marks), 0.5), np.full(len(marks), 0.97))
    none = margins._Plan(np.zeros(3 * len(marks)), np.ones(len(marks)))
    state = margins._solved(setting, plan, none, base.iterate)

    def time(changed):
        return time_lost(base, margins._solved(setting, changed, plan, state.iterate).iterate)

    for index in np.argsort(-state.price)[:3]:
        by = np.eye(state.price.size)[index] * 0.01
        slope = (time(plan._replace(margins=plan.margins + by)) - time(plan._replace(margins=plan.margins - by))) / 0.02
        assert slope == pytest.approx(state.price[index], rel=0.05)
    for corner in np.argsort(state.price_of_share)[:2]:
        by = np.eye(len(marks))[corner] * 0.005
        slope = (time(plan._replace(shares=plan.shares + by)) - time(plan._replace(shares=plan.shares - by))) / 0.01
        assert slope == pytest.approx(state.price_of_share[corner], rel=0.05)


def test_the_chance_changes_as_its_derivatives_say(rental):
    track, _, solution = rental
    marks, stretches = find_marks(track, solution.lap), corner_stretches(track)
    scatter = Scatter(lateral=0.3, speed=0.8, grip=0.05)
    s = np.arange(0.0, track.length, 0.5)
    passes = passes_of(s, track.length, stretches, marks, [Bend(1.0, 11.0, 1.0, 9.0)] * len(marks), scatter)
    rng = np.random.default_rng(5)
    wave = np.sin(2.0 * np.pi * 7 * s / track.length)
    left, right, shares = 0.9 + 0.2 * wave, 1.0 - 0.2 * wave, np.full(len(marks), 0.98)
    here = chance_of_leaving(passes, left, right, shares)
    by, small = np.cos(2.0 * np.pi * rng.integers(1, 9) * s / track.length), 1e-5
    for given, slope in (((by, 0.0, 0.0), here.by_left @ by), ((0.0, by, 0.0), here.by_right @ by)):
        ends = [
            chance_of_leaving(passes, left + sign * small * given[0], right + sign * small * given[1], shares).lap
            for sign in (1.0, -1.0)
        ]
        assert (ends[0] - ends[1]) / (2.0 * small) == pytest.approx(slope, rel=1e-4)
    ends = [chance_of_leaving(passes, left, right, shares + sign * 1e-6).lap for sign in (1.0, -1.0)]
    assert (ends[0] - ends[1]) / 2e-6 == pytest.approx(here.by_share.sum(), rel=1e-3)


@pytest.mark.slow
def test_a_reviewed_driver_has_a_scatter_by_corner():
    review = demo_review()
    scatter = linelab.scatter_of(review)
    assert scatter.lateral.size == len(review.track.corners)
    assert ((scatter.lateral > 0.02) & (scatter.lateral < 1.5)).all()
    assert (np.minimum(scatter.lateral_sigma, scatter.speed_sigma) > 0.0).all()
    found = linelab.margin_lap(review.track, review.kart, scatter, 0.05, solution=review.solution)
    assert found.chance <= 0.05
    known = linelab.Scatter(lateral=scatter.lateral, speed=scatter.speed)
    bold = linelab.margin_lap(review.track, review.kart, known, 0.05, solution=review.solution)
    assert bold.time_lost < found.time_lost  # few laps need more room


def test_what_is_not_possible_is_refused(rental):
    with pytest.raises(linelab.InputError, match="a chance of 0"):
        careful(rental, None, 0.0)
    with pytest.raises(linelab.InputError, match="no margin on this road"):
        careful(rental, Scatter(lateral=2.0, speed=0.3), 0.01)
    with pytest.raises(linelab.InputError, match="2 figures for"):
        careful(rental, Scatter(lateral=[0.2, 0.3], speed=0.3))
    with pytest.raises(linelab.InputError, match="0 or more"):
        Scatter(lateral=-0.1, speed=0.3)


def test_the_command_writes_table_lap_and_picture(tmp_path, capsys):
    arguments = ["--lateral", "0.2", "--chance", "0.05", "--cost", "0", "--out", str(tmp_path / "out")]
    assert cli.run(["margin", TRACK, KART, *arguments]) == 0
    assert re.search("leaves the track on 1 in 2[01] laps", capsys.readouterr().out)
    assert {path.name for path in (tmp_path / "out").glob("margin*")} == {
        "margin.png", "margin_corners.csv", "margin_lap.csv",
    }  # fmt: skip
    rows = np.genfromtxt(tmp_path / "out" / "margin_corners.csv", delimiter=",", names=True)
    assert rows.size == len(linelab.load_track(TRACK).corners)
    assert (rows["apex_margin_m"] > 0.2).all()


def test_measured_and_stated_scatter_do_not_mix(capsys):
    assert cli.run(["margin", TRACK, KART, "--driven", "laps.csv", "--lateral", "0.2"]) == 2
    assert "leave them out" in capsys.readouterr().err
