"""Causes of lost time by driving again: they add up whatever the order, and what a session cannot carry is withheld."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shared import solved

from linelab.coaching.analysis import analyse
from linelab.coaching.coach_words import shown_text
from linelab.coaching.envelope import shown_engine
from linelab.coaching.from_recording import choose_laps, find_ground, review_recording
from linelab.coaching.side_by_side import session_sheet
from linelab.diagnosis.causes import all_round, least_shown, shared_causes
from linelab.diagnosis.driver_model import COAST, LATE, PLAIN, ROLLS, SIZE, SOFT, Model, drive_laps, interval_times
from linelab.diagnosis.fitting import Driven
from linelab.diagnosis.habits import Explained, slow_places
from linelab.diagnosis.own_line import course_on, own_line
from linelab.drive.driver import drive_session
from linelab.drive.faults import BrakesEarly, BrakesSoftly, Habits
from linelab.drive.receiver import Receiver, record
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.geometry.frenet import xy_to_sn
from linelab.model.grip import kart_numbers
from linelab.motion.channels import PositionBias
from linelab.motion.estimate import estimate_laps, without_uncertainty
from linelab.recorded.laps import complete_laps, split_laps
from linelab.speed.step import push_at

TRACK, KART = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
SESSION = np.array([0.95, 0.97, 1.0, 1.0, 0.1, 0.1])


@pytest.fixture(scope="module")
def reference():
    return solved("tinmarsh_rental", "rental-four-stroke").lap


@pytest.fixture(scope="module")
def explained(reference):
    """A lap with soft braking, coasting and late power, two of them at one place."""
    own = own_line(TRACK, KART, [without_uncertainty(replace(reference, line=replace(reference.line, closed=False)))],
                   reference)  # fmt: skip
    course = course_on(own, own.reference)
    model = Model(kart=kart_numbers(KART), engine_braking=KART.engine_braking)
    none = np.zeros(0, dtype=np.intp)
    plain = drive_laps(model, [course], none, np.zeros((1, 0, SIZE)), SESSION[None])[:, 0]
    places = slow_places(course, plain)
    sizes = np.zeros((places.size, SIZE))
    sizes[:, ROLLS] = 0.5
    k = int(np.argmin(plain[places]))
    sizes[k, [SOFT, LATE]] = 0.4, 0.5
    sizes[(k + 2) % places.size, COAST] = 0.6
    v = drive_laps(model, [course], places, sizes[None], SESSION[None])[:, 0]
    driven = Driven(model=model, course=course, v=v, sigma=np.full(v.size, 0.1))
    return Explained(
        driven=driven,
        places=places,
        sizes=sizes,
        session=SESSION,
        covariance=np.diag(SESSION * 1e-4),
        errors=0.0 * sizes,
    )


def lap_time(found, sizes, session):
    v = found.laps(sizes[None], session[None])
    return float(interval_times(found.driven.course.h[:, None], v, closed=True).sum())


def test_causes_add_up_to_what_the_habits_cost(explained):
    """Efficiency of the Shapley value: all of it is shared out, by stretch as well; what is not there costs nothing."""
    edges = np.linspace(0.0, TRACK.length, 7)
    shares = shared_causes(explained, explained.sizes[None], edges)
    whole = lap_time(explained, explained.sizes, SESSION) - lap_time(explained, 0.0 * explained.sizes, PLAIN)
    assert whole > 0.3
    assert sum(values.sum() for values in shares.values()) == pytest.approx(whole, abs=1e-6)
    assert all(values.shape == (1, 6) for values in shares.values())
    assert not shares["minimum_speed"].any()
    for cause in ("braking", "coasting", "power", "all_round"):
        assert shares[cause].sum() > 0.02


def test_a_cause_by_itself_costs_what_driving_without_it_gains(explained):
    """With one habit and a plain session there is nothing to be shared."""
    alone = np.zeros_like(explained.sizes)
    alone[:, COAST] = explained.sizes[:, COAST]
    one = replace(explained, sizes=alone, session=PLAIN)
    shares = shared_causes(one, alone[None], np.array([0.0, TRACK.length]))
    gain = lap_time(one, alone, PLAIN) - lap_time(one, 0.0 * alone, PLAIN)
    assert shares["coasting"].sum() == pytest.approx(gain, abs=1e-6)
    assert shares["all_round"].sum() == pytest.approx(0.0, abs=1e-6)


def test_what_is_lost_all_round_is_named(explained):
    told = {item.name: item for item in all_round(explained)}
    assert told["grip"].number.value == pytest.approx(0.95)
    assert told["feet"].number.value == pytest.approx(0.2)  # twice half a change of pedals
    assert all(item.cost.value > 0.0 for item in told.values())
    stakes = [item.cost.value for item in all_round(explained)]
    assert stakes == sorted(stakes, reverse=True)


def logged(reference, *faults, receiver, **habits):
    driven = drive_session(TRACK, KART, reference, Habits(faults=faults, power_build=1.5, **habits), laps=8, seed=5)
    return record(driven, receiver, seed=3)


def test_another_karts_engine_is_read_off_the_laps(reference):
    """With a file of half the torque, the force that the laps show by speed is the true engine's."""
    receiver = Receiver(rate=20.0, white=0.05, bias=0.1)
    recording = logged(reference, receiver=receiver)
    laps = estimate_laps(TRACK, complete_laps(split_laps(recording, TRACK)), bias=PositionBias(sigma=0.1, note="known"))
    weak = replace(KART, engine=replace(KART.engine, torque=0.5 * KART.engine.torque))
    shown = shown_engine(session_sheet(TRACK, weak, laps)).kart
    v = np.linspace(0.5, 0.95, 6) * max(float(lap.lap.v.max()) for lap in laps)
    true, found = (push_at(kart_numbers(kart), v) for kart in (KART, shown))
    assert found == pytest.approx(true, rel=0.12)
    analysis = analyse(TRACK, weak, laps, reference)
    assert {what for what, _ in analysis.withheld} == {"line", "corner speed"}
    misfit = analysis.diagnosis.explained.laps(analysis.diagnosis.explained.sizes[None])[:, 0]
    assert np.sqrt(np.mean((misfit - analysis.diagnosis.explained.driven.v) ** 2)) < 0.35


@pytest.mark.parametrize(
    "fault",
    [BrakesEarly(corner=1, metres=9.0), pytest.param(BrakesSoftly(corner=1, share=0.5), marks=pytest.mark.slow)],
)
def test_without_a_track_the_feet_are_judged(reference, fault):
    """From the recording alone, on a corridor made of the laps: the habit is found where it was planted."""
    kind = {BrakesEarly: "brakes_early", BrakesSoftly: "brakes_softly"}[type(fault)]
    recording = logged(reference, fault, receiver=Receiver(rate=20.0, white=0.05, bias=0.3))
    ground = find_ground(recording, None)
    review = review_recording(recording, ground, KART, choose_laps(ground.laps))
    first = review.priorities[0]
    assert first.kind == kind
    # The corner that is named lies where the surveyed track has corner 1.
    corner = next(corner for corner in review.track.corners if corner.number == first.corners[0])
    x, y = (np.interp(corner.s_apex, review.track.reference.s, getattr(review.track.reference, name)) for name in "xy")
    east, north = (x, y) if review.track.origin == TRACK.origin else _moved(review.track, x, y)
    s, _ = xy_to_sn(TRACK.reference, np.array([east]), np.array([north]))
    wanted = next(one for one in TRACK.corners if one.number == 1).s_apex
    away = (float(s[0]) - wanted + 0.5 * TRACK.length) % TRACK.length - 0.5 * TRACK.length
    assert abs(away) < 15.0


def _moved(track, x, y):
    """A place of another track's plane in TRACK's plane [m]."""
    from linelab.files.projection import LocalPlane, to_lonlat, to_plane

    lon, lat = to_lonlat(
        LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1]), np.array([x]), np.array([y])
    )
    east, north = to_plane(LocalPlane(origin_lon=TRACK.origin[0], origin_lat=TRACK.origin[1]), lon, lat)
    return float(east[0]), float(north[0])


def test_what_a_recording_would_show_grows_with_what_it_may_be_off_by(explained):
    """A habit needs to cost more to be shown where speeds are known less; a slide most where grip is not known."""
    sharp = least_shown(explained)
    rough = least_shown(replace(explained, driven=replace(explained.driven, sigma=4.0 * explained.driven.sigma)))
    assert all(rough[kind] > sharp[kind] > 0.0 for kind in sharp)
    unsure = least_shown(replace(explained, driven=replace(explained.driven, sure=False)))
    assert unsure["slide"] > sharp["slide"]


def test_what_a_recording_shows_is_said_with_what_it_cannot():
    said = shown_text({"coasts": 0.06, "brakes_softly": math.inf, "power_late": 0.07})
    assert said[0].endswith("would show coasting of 0.06 s a lap and late power of 0.07 s a lap")
    assert "cannot show soft braking" in said[1]
