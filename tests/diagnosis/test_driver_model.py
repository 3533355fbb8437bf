"""The driver model against closed forms and the exact speed profile; habits cost what driving without them gains."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shared import solved

from linelab.diagnosis import priors
from linelab.diagnosis.driver_model import (
    COAST,
    DRIVE,
    EARLY,
    FOOT,
    HABITS,
    HOLDS,
    LASTS,
    LATE,
    LIFTS,
    LOST,
    PLAIN,
    ROLLS,
    SIZE,
    SLIDES,
    SLOW,
    SOFT,
    WHEN,
    Course,
    Model,
    drive_laps,
    interval_times,
)
from linelab.diagnosis.findings import _humps, _Off
from linelab.diagnosis.fitting import Driven, kind_of, pushes_at, waves_of
from linelab.diagnosis.habits import explain, fit_session, slow_places
from linelab.diagnosis.own_line import course_on, own_line
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.model.engine import with_force
from linelab.model.grip import FLAT, Surface, kart_numbers, roll_down
from linelab.model.kart import Kart, PowerEngine
from linelab.motion.estimate import without_uncertainty
from linelab.speed.column_passes import Feet, both_passes
from linelab.speed.step import Node, cornering_limit, nodes_on
from linelab.units import STANDARD_GRAVITY

NONE = np.zeros(0, dtype=np.intp)
#: A size of each habit that a coach would speak of.
SIZES = {EARLY: 6.0, SOFT: 0.4, COAST: 0.6, SLOW: 1.0, LATE: 0.5, LOST: 1.5}


@pytest.fixture(
    scope="module", params=[("ostrelle_sprint", "senior-single-speed"), ("tinmarsh_rental", "rental-four-stroke")]
)
def place(request):
    return load_track(request.param[0]), load_kart(request.param[1]), solved(*request.param).lap


def model_of(kart):
    return Model(kart=kart_numbers(kart), engine_braking=kart.engine_braking)


def on_reference(place):
    """The computed lap's own line as a course."""
    track, kart, lap = place
    exact = without_uncertainty(replace(lap, line=replace(lap.line, closed=False)))
    own = own_line(track, kart, [exact], lap)
    return own, course_on(own, own.reference)


def lap_times(course, v):
    return interval_times(course.h[:, None], v, closed=course.closed).sum(axis=0)


def test_without_habits_it_takes_the_time_of_the_exact_profile(place):
    """Nodes of the model are a metre or two apart, the exact profile's 15 cm: their lap times agree to a thousandth."""
    _, kart, lap = place
    _, course = on_reference(place)
    v = drive_laps(model_of(kart), [course], NONE, np.zeros((1, 0, SIZE)), PLAIN[None])
    assert lap_times(course, v)[0] == pytest.approx(lap.lap_time, rel=1.5e-3)


def test_many_columns_abreast_go_as_a_few_do():
    """Rows of all columns in NumPy against CasADi's scan, column after column; the engine's table is off by 1e-4."""
    rng, shape = np.random.default_rng(3), (60, 240)
    kart = kart_numbers(load_kart("senior-single-speed"))
    h = np.where(np.arange(1, 60)[:, None] <= rng.integers(0, 60, 240), rng.uniform(0.8, 2.5, (59, 240)), 0.0)
    slope, bank, grip = (np.broadcast_to(rng.uniform(a, b, 240), shape) for a, b in ((-0.05, 0.05), (0, 0.1), (0.8, 1)))
    surface = Surface(slope=slope, bank=bank, vertical_curvature=np.zeros(shape), grip=grip)
    node = nodes_on(kart, 0.08 * np.sin(np.arange(60)[:, None] / 9.0 + rng.uniform(0.0, 6.0, 240)), surface)
    part, cap = rng.uniform(0.0, 1.0, shape), cornering_limit(node, float(kart.top_speed))
    feet = Feet(np.where(part > 0.5, 1.0, part), 0.5 + part, 0.02 * part, (part > 0.8).astype(float))
    end, drag = rng.uniform(20.0, 900.0, 240), np.maximum(rng.uniform(-8.0, 4.0, shape), 0.0)
    many = both_passes(kart, h, node, 0.9 * node.brake, drag, cap, feet, end)

    def few(begin):
        some = slice(begin, begin + 40)
        cut = [Node(*(x[:, some] for x in node)), 0.9 * node.brake[:, some], drag[:, some], cap[:, some]]
        return both_passes(kart, h[:, some], *cut, Feet(*(x[:, some] for x in feet)), end[some])

    one_by_one = np.concatenate([few(begin) for begin in range(0, 240, 40)], axis=1)
    assert np.ptp(np.sqrt(many)) > 5.0
    assert np.sqrt(many) == pytest.approx(np.sqrt(one_by_one), abs=1e-4)


def test_on_a_circle_it_goes_at_the_grip_limit():
    """v² = mu·g·R on level ground (force balance), at a share of the grip v² = share·mu·g·R; drag takes a little."""
    kart = Kart(name="strong", mass=160.0, engine=PowerEngine(power=60e3), mu_lateral=1.5, mu_longitudinal=1.5)
    radius, count = 20.0, 84
    one = np.ones(count)
    course = Course(
        s=np.arange(count) * 2.0 * math.pi * radius / count, h=one * 2.0 * math.pi * radius / count, kappa=one / radius,
        surface=Surface(*(value * one for value in FLAT)), closed=True,
    )  # fmt: skip
    session = np.array([PLAIN, PLAIN])
    session[1, 0] = 0.9
    v = drive_laps(model_of(kart), [course], NONE, np.zeros((2, 0, SIZE)), session)
    assert v[:, 0] == pytest.approx(math.sqrt(1.5 * STANDARD_GRAVITY * radius), rel=4e-3)
    assert v[:, 1] == pytest.approx(math.sqrt(0.9 * 1.5 * STANDARD_GRAVITY * radius), rel=4e-3)


@pytest.mark.parametrize("factor", [0.8, 1.2])
def test_a_factor_on_engine_force_is_an_engine_of_that_force(place, factor):
    """What a session's number means is what :func:`linelab.model.engine.with_force` makes of the kart."""
    _, kart, _ = place
    _, course = on_reference(place)
    session = PLAIN.copy()
    session[DRIVE] = factor
    other = replace(kart, engine=with_force(kart.engine, factor))
    by_number, by_engine = (
        drive_laps(model_of(one), [course], NONE, np.zeros((1, 0, SIZE)), numbers[None])
        for one, numbers in ((kart, session), (other, PLAIN))
    )
    assert by_number == pytest.approx(by_engine, rel=1e-3)


def test_with_both_pedals_up_it_rolls_down(place):
    """Coasting for long before the slowest corner: the speed falls as the kart's own roll-down says."""
    _, kart, _ = place
    _, course = on_reference(place)
    model = model_of(kart)
    plain = drive_laps(model, [course], NONE, np.zeros((1, 0, SIZE)), PLAIN[None])[:, 0]
    places = slow_places(course, plain)
    way = np.array([(course.s[node] - course.s[places[k - 1]]) % course.h.sum() for k, node in enumerate(places)])
    k = int(way.argmax())
    sizes = np.zeros((1, places.size, SIZE))
    sizes[0, k, COAST] = 0.8
    v = drive_laps(model, [course], places, sizes, PLAIN[None])[:, 0]
    # Where it is slower than without, and not braking yet.
    rolling = np.flatnonzero((v < plain - 0.3) & (np.gradient(0.5 * v**2, course.s) > -2.5))
    rolling = rolling[(rolling > 1) & (rolling < v.size - 2)]
    assert rolling.size >= 3
    seen = (v[rolling + 1] ** 2 - v[rolling - 1] ** 2) / (2.0 * (course.h[rolling - 1] + course.h[rolling]))
    ground = Surface(*(np.asarray(field)[rolling] for field in course.surface))
    assert np.median(seen + roll_down(kart, v[rolling], course.kappa[rolling], ground)) == pytest.approx(0.0, abs=0.15)


@pytest.mark.parametrize("habit", range(len(HABITS)))
def test_a_habit_costs_nothing_at_nothing_and_more_the_larger_it_is(place, habit):
    _, kart, _ = place
    _, course = on_reference(place)
    model = model_of(kart)
    plain = drive_laps(model, [course], NONE, np.zeros((1, 0, SIZE)), PLAIN[None])
    places = slow_places(course, plain[:, 0])
    k = int(np.argmin(plain[places, 0]))
    sizes = np.zeros((6, places.size, SIZE))
    sizes[:, :, [WHEN, LASTS, ROLLS]] = 0.25, 0.3, 0.5
    sizes[:, k, habit] = SIZES[habit] * np.linspace(0.0, 1.25, 6)
    session = np.repeat(PLAIN[None], 6, axis=0)
    times = lap_times(course, drive_laps(model, [course], places, sizes, session))
    assert times[0] == pytest.approx(lap_times(course, plain)[0], abs=2e-4)
    assert (np.diff(times) > -1e-4).all()
    assert times[-1] > times[0] + 0.01


#: Numbers of a sound driver's session.
SOUND = np.array([[0.95, 0.97, 1.0, 1.0, 0.1, 0.1]])


def slowest_of(place):
    """The model and the course of a sound driver on the reference line, its slow places and the slowest of them."""
    _, kart, _ = place
    _, course = on_reference(place)
    model = model_of(kart)
    plain = drive_laps(model, [course], NONE, np.zeros((1, 0, SIZE)), SOUND)
    places = slow_places(course, plain[:, 0])
    return model, course, places, int(np.argmin(plain[places, 0]))


@pytest.mark.parametrize("habit", [EARLY, SOFT, COAST, SLOW, LATE])
def test_a_planted_habit_is_found_with_its_cost(place, habit):
    """What the model drives it explains: nothing else is named, and the stake is the time it costs."""
    model, course, places, k = slowest_of(place)
    sizes = np.zeros((1, places.size, SIZE))
    sizes[0, :, ROLLS] = 0.5
    sizes[0, k, habit] = SIZES[habit]
    v = drive_laps(model, [course], places, sizes, SOUND)[:, 0]
    found = explain(Driven(model=model, course=course, v=v, sigma=np.full(v.size, priors.SPEED)))
    own = int(np.abs(found.places - places[k]).argmin())
    bare = found.sizes.copy()
    bare[own, : len(HABITS)] = 0.0
    spent = lap_times(course, found.laps(np.array([found.sizes, bare])))
    both = np.concatenate([sizes, np.zeros_like(sizes)])
    sound = drive_laps(model, [course], places, both, np.repeat(SOUND, 2, axis=0))[:, 1]
    truth = lap_times(course, np.column_stack([v, sound]))
    # Late power that is explained by a lift leaves some of it to the engine.
    assert spent[0] - spent[1] == pytest.approx(truth[0] - truth[1], abs=0.035)
    # A weak kart that waits for the power and one that loses it again drive nearly alike.
    named = [LATE, LOST] if habit == LATE else [habit]
    assert (found.sizes[own, named] > 0.3 * np.array([SIZES[one] for one in named])).any()
    assert found.session[0] == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(
    ("when", "foot", "kinds"),
    [
        (0.0, SLIDES, {"slide"}),
        (0.8, SLIDES, {"power_abrupt"}),
        (0.8, LIFTS, {"power_abrupt"}),
        (0.25, HOLDS, {"power_late"}),
    ],
)
def test_a_loss_of_speed_is_called_by_how_and_when_it_begins(place, when, foot, kinds):
    """A slide begins before the power is in; after it, power was too much; who holds the speed waits with the power."""
    model, course, places, k = slowest_of(place)
    sizes = np.zeros((1, places.size, SIZE))
    sizes[0, k, [LOST, WHEN, LASTS, FOOT]] = 2.5, when, 0.35, foot
    v = drive_laps(model, [course], places, sizes, SOUND)[:, 0]
    found = explain(Driven(model=model, course=course, v=v, sigma=np.full(v.size, priors.SPEED)))
    own = int(np.abs(found.places - places[k]).argmin())
    pushes = pushes_at(found.driven, found.places, found.session)[own]
    named = {kind_of(habit, found.sizes[own], pushes) for habit in np.flatnonzero(found.sizes[own, : len(HABITS)])}
    assert named & kinds


def test_a_hump_that_reaches_into_the_next_corner_is_one():
    """Corners are told together that are named for the same hump of the line, and apart where it comes back between."""
    s = np.arange(400.0)
    one = 1.5 * np.exp(-0.5 * ((s - 200.0) / 20.0) ** 2)
    two = one + 0.8 * np.exp(-0.5 * ((s - 320.0) / 12.0) ** 2)
    named = [_Off("exit_unused", 1.2, 185), _Off("turns_in_early", 1.1, 216), _Off("apex_missed", 0.7, 317)]
    assert sorted(_humps(two, named).items()) == [(200, [0, 1]), (320, [2])]
    assert len(_humps(np.where(s < 205.0, one, -one), named[:2])) == 2


def test_a_driver_on_the_reference_line_loses_nothing_by_it(place):
    """What a receiver and the estimate round is not the driver's line: 0.00 ± 0.03 s."""
    from linelab.diagnosis.received import as_seen

    track, kart, lap = place
    rough = without_uncertainty(replace(lap, line=replace(lap.line, closed=False)))
    sensors = replace(rough.sensors, rate=18.0, position_sigma=0.1, speed_sigma=0.06, jerk=300.0)
    driven = replace(rough, sensors=sensors)
    seen = [replace(without_uncertainty(one), sensors=sensors) for one in [as_seen(track, lap, driven)] * 3]
    own = own_line(track, kart, seen, lap)
    courses = [course_on(own, n) for n in (own.driven, own.target)]
    v = drive_laps(model_of(kart), courses, NONE, np.zeros((2, 0, SIZE)), np.repeat(PLAIN[None], 2, axis=0))
    spent = interval_times(np.array([course.h for course in courses]).T, v, closed=True).sum(axis=0)
    assert spent[0] - spent[1] == pytest.approx(0.0, abs=0.03)


def test_ground_that_nobody_has_measured_is_fitted(place):
    """Hills show in a sound driver's speed, and explain more of it than level ground does."""
    model, course, places, _ = slowest_of(place)
    way = np.cumsum(course.h) / course.h.sum()
    rise = sum(0.012 * np.sin(2.0 * np.pi * wave * way + wave) for wave in (1, 2, 3, 5))
    hilly = course._replace(surface=course.surface._replace(slope=course.surface.slope + rise))
    none = np.zeros((places.size, SIZE))
    v = drive_laps(model, [hilly], places, none[None], SOUND)[:, 0]
    given = Driven(
        model=model, course=course, v=v, sigma=np.full(v.size, priors.SPEED), sure=False, waves=waves_of(course)
    )
    level = fit_session(given, places, none, given.middle)
    found = fit_session(given.unlevelled(), places, none, level.session)
    assert np.corrcoef(found.given.course.surface.slope - course.surface.slope, rise)[0, 1] > 0.5
    left = [
        np.std(drive_laps(model, [one.given.course], places, none[None], one.session[None])[:, 0] - v)
        for one in (found, level)
    ]
    assert left[0] < 0.7 * left[1]
