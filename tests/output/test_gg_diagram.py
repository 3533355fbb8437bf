"""The g-g diagram: accelerations that make up the lap's own speed and turning, drawn where they are."""

from __future__ import annotations

import re
from dataclasses import replace

import matplotlib.text
import numpy as np
import pytest
from shapely import MultiPoint, Polygon
from shared import demo_review

from linelab.output.display import METRIC
from linelab.output.kart_facts import gg_boundary, gg_outlines
from linelab.output.page.foot_work import foot_work
from linelab.output.page.gg_diagram import PER_ACCELERATION, gg_diagram
from linelab.output.page.html_file import review_page
from linelab.output.review_print import review_pages


@pytest.fixture(scope="module")
def review():
    return demo_review()


@pytest.fixture(scope="module")
def work(review):
    return foot_work(review)


def points(path):
    """Where the signs of a path stand (N, 2) [m/s²]: every sign ends where it began."""
    place, found = np.zeros(2), []
    for dx, dy in re.findall(r"m(-?\d+) (-?\d+)h0", path):
        place = place + np.array([int(dx), int(dy)])
        found.append(place)
    return -np.array(found) / PER_ACCELERATION


def test_accelerations_add_up_to_the_laps_speeds_and_to_one_turn(review, work):
    """Along the lap: what is gained is the change of speed.  Across it: a closed lap turns once round."""
    for k, lap in enumerate(review.laps):
        own = lap.comparison.driven.lap
        v = np.interp(work.s, own.line.s, own.v)
        steps = np.diff(np.interp(work.s, own.line.s, own.t - own.t[0]))
        gained = np.concatenate([[0.0], np.cumsum(0.5 * (work.ax[k, 1:] + work.ax[k, :-1]) * steps)])
        assert np.abs(gained - (v - v[0])).max() < 0.5, lap.label  # a foot's mean rounds the ends of a braking
        rate = work.ay[k] / v
        turned = float((0.5 * (rate[1:] + rate[:-1]) * steps).sum())
        assert abs(turned) == pytest.approx(2.0 * np.pi, abs=0.05), lap.label


def test_a_computed_lap_stays_inside_what_the_kart_can_do_at_its_speed(review, work):
    v = np.interp(work.s, review.reference.line.s, review.reference.v)
    outside = []
    for k in range(0, v.size, 20):
        bound = gg_boundary(review.kart, float(v[k]))
        ring = Polygon(np.column_stack([[*bound.ay, *bound.ay[::-1]], [*bound.driving, *bound.braking[::-1]]]))
        outside.append(ring.distance(MultiPoint([(work.target_ay[k], work.target_ax[k])])))
    assert np.quantile(outside, 0.95) < 0.4  # rounded as the receiver would
    assert max(outside) < 1.5


def test_every_point_is_drawn_once_by_its_pedal(review, work):
    drawn = gg_diagram(review, METRIC, work)
    step = next(n for n in range(1, 20) if len(points(drawn.power[0])) <= len(work.s[::n]) < 460)
    for k in range(len(review.laps)):
        at = [points(path[k]) for path in (drawn.power, drawn.brake)]
        neither = drawn.neither[k].count("h")
        assert sum(map(len, at)) + neither == len(work.s[::step])
        assert at[1][:, 1].max() < -0.5  # braked points lie below
        every = np.column_stack([work.ay[k, ::step], work.ax[k, ::step]])
        for spot in (*at[0][::15], *at[1][::15]):
            assert np.abs(every - spot).max(axis=1).min() < 0.006
    assert len({*drawn.power}) == len(review.laps)
    x, y, wide, high = drawn.box
    assert x < PER_ACCELERATION * -np.abs(work.ay).max()
    assert y < -PER_ACCELERATION * work.ax.max() < -PER_ACCELERATION * work.ax.min() < y + high
    assert wide == -2 * x


def test_less_grip_draws_the_limits_smaller(review):
    full, low = (gg_outlines(review.kart, METRIC, grip) for grip in (1.0, 0.8))
    for (speed, wide), (same, narrow) in zip(full, low):
        assert speed == same
        assert narrow[:, 0].max() == pytest.approx(0.8 * wide[:, 0].max())


@pytest.mark.slow
def test_what_the_recording_does_not_carry_is_not_drawn(review, work):
    """No limits where corner speed is not rated, no diagram without pedals; both with the reason, on page and paper."""
    reason = "the positions are too coarse for it"
    partly, not_at_all = (
        replace(review, withheld=tuple((what, reason) for what in said))
        for said in (("corner speed",), ("corner speed", "feet"))
    )
    page = review_page(partly)
    assert 'id="gg"' in page
    assert f"What the kart can do is not drawn: {reason}." in page
    assert 'class="outline' not in page
    said = " ".join(text.get_text() for text in review_pages(partly)[-1].findobj(matplotlib.text.Text))
    assert f"not drawn: {reason}" in said
    page = review_page(not_at_all)
    assert 'id="gg"' not in page
    assert f"Not shown: g-g diagram: {reason}." in page
    assert len(review_pages(not_at_all)) == len(review_pages(partly)) - 1
