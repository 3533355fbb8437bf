"""Whatever kind of session: a corner that costs more than one with a card has a card, is named behind the last, or says
where its time goes."""

from __future__ import annotations

import re

import matplotlib.text
import numpy as np
import pytest
from shared import demo_review, solved

import linelab
from linelab.coaching.advice import LEAST
from linelab.coaching.from_recording import choose_laps, find_ground, review_recording
from linelab.coaching.results import Review
from linelab.drive.driver import drive_session
from linelab.drive.faults import BrakesEarly, Habits
from linelab.drive.receiver import Receiver, record
from linelab.output.display import METRIC, evidence_text
from linelab.output.page.corner_rows import corner_parts
from linelab.output.page.html_file import review_page
from linelab.output.review_print import review_pages
from linelab.study.other_sessions import other_driver

NAMES = ("tinmarsh_rental", "rental-four-stroke")


def beside(recording, mate) -> Review:
    """A session against a team mate's best lap."""
    track, kart = linelab.load_track(NAMES[0]), linelab.load_kart(NAMES[1])
    theirs, mine = (find_ground(each, track, position_error=0.25) for each in (mate, recording))
    other = other_driver(mate, theirs, kart, "your team mate")
    laps = choose_laps(mine.laps)
    return review_recording(
        recording, mine, kart, laps, against="other_lap", other=other.lap, reference=other.review.solution
    )


@pytest.fixture(scope="module", params=["demo", "surveyed", "unsurveyed", "beside"])
def session(request, small_session):
    if request.param == "demo":
        return demo_review()
    if request.param == "unsurveyed":
        return linelab.review(small_session, NAMES[1])
    if request.param == "surveyed":
        return linelab.review(small_session, NAMES[1], NAMES[0], position_error=0.25)
    habits = Habits(faults=(BrakesEarly(corner=1, metres=6.0),))
    track, kart = linelab.load_track(NAMES[0]), linelab.load_kart(NAMES[1])
    driven = drive_session(track, kart, solved(*NAMES).lap, habits, laps=3, seed=8)
    mate = record(driven, Receiver(rate=10.0, white=0.08, bias=0.25), seed=8)
    return beside(linelab.load_recording(small_session), mate)


def test_every_dear_corner_says_why(session):
    cost = {corner.number: figure.value for corner, figure in session.corners}
    carded = {number for card in session.priorities for number in card.corners}
    assert carded
    behind = " ".join(line.text for card in session.priorities for line in card.close)
    named = carded | {int(number) for number in re.findall(r"in corner (\d+)", behind)}
    said = {int(re.match(r"Corner (\d+) costs", line.text).group(1)): line for line in session.without_card}
    dear = {number for number, value in cost.items() if value > max(min(cost[k] for k in carded), LEAST)}
    assert dear <= named | set(said)
    assert not set(said) & named
    assert [cost[number] for number in said] == sorted((cost[number] for number in said), reverse=True)
    heads = {part.number: part.mean_lost.lstrip("+") for part in corner_parts(session, METRIC)}
    for number, line in said.items():
        assert f"costs {heads[number]} s a lap" in line.text  # the figure that heads the corner on the page
        assert "Most of it is" in line.text or "does not show the cause" in line.text


def test_page_and_print_say_all_of_it(session):
    page = re.sub(r"\s+", " ", review_page(session))
    printed = " ".join(text.get_text() for text in review_pages(session)[0].findobj(matplotlib.text.Text))
    for line in session.without_card:
        assert evidence_text(line, METRIC) in page
        assert evidence_text(line, METRIC) in " ".join(printed.split())


def test_every_dear_corner_of_a_surveyed_session_is_named(small_session):
    session = linelab.review(small_session, NAMES[1], NAMES[0], position_error=0.25)
    carded = {number for card in session.priorities for number in card.corners}
    least = min(figure.value for corner, figure in session.corners if corner.number in carded)
    more = np.sum([figure.value > least for corner, figure in session.corners if corner.number not in carded])
    assert len(session.without_card) == more > 0
