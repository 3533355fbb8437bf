"""Which laps are reviewed, what is said of the others, and what may be said of a few chosen ones."""

from __future__ import annotations

import math
import re
from types import SimpleNamespace

import numpy as np
import pytest
from shared import demo_ground, demo_review, solved

from linelab.cli.demo import DEMO_KART
from linelab.coaching.coach_words import laps_text
from linelab.coaching.from_recording import choose_laps, find_ground, review_recording
from linelab.coaching.side_by_side import unusual_laps
from linelab.errors import InputError, RecordingError
from linelab.files.kart_file import load_kart
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track
from linelab.measured import Measured
from linelab.output.display import evidence_text
from linelab.output.page.html_file import review_page
from linelab.output.review_data import review_as_dict
from linelab.output.review_text import is_fastest, lap_table


@pytest.fixture(scope="module")
def recording():
    return demo_ground()[0]


@pytest.fixture(scope="module")
def ground():
    return demo_ground()[1]


@pytest.fixture(scope="module")
def whole():
    return demo_review()


@pytest.fixture(scope="module")
def chosen(recording, ground, whole):
    """One sound lap that is not the best, and the one with a standstill."""
    laps = choose_laps(ground.laps, [4, 8])
    return review_recording(recording, ground, load_kart(DEMO_KART), laps, reference=whole.solution)


def test_a_lap_with_a_standstill_is_not_coached(recording, ground):
    with pytest.raises(RecordingError, match=r"lap 8: stood still for 7\.1 s, 11\.9 s into the lap"):
        choose_laps(ground.laps, [8])
    stopped = [lap for lap in ground.laps if lap.number == 8]
    with pytest.raises(InputError, match="no complete lap"):
        review_recording(recording, ground, load_kart(DEMO_KART), stopped)
    with pytest.raises(RecordingError, match="no lap is complete; lap 8: stood still"):
        choose_laps(stopped)
    with pytest.raises(RecordingError, match="complete laps: 1, 2, 3, 4, 5, 6, 7, 9, 10"):
        choose_laps(ground.laps, [99])


def test_beside_another_lap_it_is_left_out_with_a_note(chosen):
    assert [lap.label for lap in chosen.laps] == ["lap 4"]
    note = "lap 8 left out: stood still for 7.1 s, 11.9 s into the lap"
    assert note in chosen.cleaning
    assert note in review_page(chosen, recorded=chosen.recorded)


def test_of_a_chosen_lap_nothing_is_said_that_needs_the_others(chosen, whole):
    session, laps = chosen, chosen.recorded
    assert is_fastest(whole, whole.recorded)
    assert not is_fastest(session, laps)
    page = review_page(session, recorded=laps)
    assert ">lap 4: 49.989</option>" in page
    assert "(best)</option>" in review_page(whole, recorded=whole.recorded)
    said = " ".join(evidence_text(line) for item in session.priorities for line in item.evidence)
    assert "On this lap" in said
    assert "every lap" not in said + page
    remarks = [re.split(r" {2,}", row)[-1] for row in lap_table(session, laps).split("\n")[2:]]
    assert remarks.count("not chosen") == 8
    assert "complete" not in remarks
    assert "not chosen" in page
    assert all(not lap.reason for lap in whole.recorded if lap.status == "complete")


def test_a_slide_is_named_only_where_it_is_measured_or_with_its_rival(chosen, whole):
    """In corner 3 the driver waits with the power; a lap by itself seems to slide there, by no more than its noise."""
    first = whole.priorities[0]
    assert (first.kind, first.corners[0]) == ("power_late", 3)
    alone = chosen.priorities[0]
    assert alone.corners[0] == 3
    said = " ".join(line.text for line in alone.evidence)
    assert alone.kind == "power_late" or "goes back to the power late" in said
    mark = next(part.marks.slide for part in chosen.laps[0].corners if part.corner.number == 3)
    assert mark.gap.value < 2.0 * mark.gap.sigma


def test_a_lap_in_traffic_is_told_and_is_no_example(whole):
    session, laps = whole, whole.recorded
    reason = "not one of the usual laps: 2.0 s slower, most of it in corners 6 to 10"
    assert reason in next(row for row in lap_table(session, laps).split("\n") if row.startswith("lap 3 "))
    page = review_page(session, recorded=laps)
    assert reason in page
    assert "(not a usual lap)</option>" in page
    assert next(lap for lap in review_as_dict(session)["laps"] if lap["label"] == "lap 3")["notes"][0] == reason
    assert all("lap 3" not in item.laps for item in session.priorities)
    assert any(item.laps for item in session.priorities)
    assert any("It shows on every usual lap." in line.text for item in session.priorities for line in item.evidence)


def laps_of(times, lost):
    """Reviewed laps by their times and what they lose corner by corner [s]."""
    return [
        SimpleNamespace(
            label=f"lap {k + 1}",
            lap_time=Measured(time, 0.01),
            corners=[
                SimpleNamespace(corner=SimpleNamespace(number=n + 1), time_lost=Measured(part, 0.01))
                for n, part in enumerate(parts)
            ],
        )
        for k, (time, parts) in enumerate(zip(times, lost))
    ]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ((0.0, 1.5, 0.0, 0.0, 0.0, 0.1), "1.6 s slower, most of it in corner 2"),
        ((0.0, 0.0, 0.5, 0.6, 0.5, 0.0), "1.6 s slower, most of it in corners 3 to 5"),
        ((0.3, 0.2, 0.3, 0.2, 0.3, 0.3), "1.6 s slower"),
    ],
)
def test_where_an_unusual_lap_lost_its_time(more, said):
    lost = np.full((6, 6), 0.1)
    lost[4] += more
    assert unusual_laps(laps_of(50.0 + lost.sum(axis=1), lost)) == {"lap 5": f"not one of the usual laps: {said}"}


def test_how_many_laps_show_it():
    assert laps_text(1, 1) == "on this lap"
    assert laps_text(8, 8) == "on every lap"
    assert laps_text(3, 8, "usual lap") == "on 3 of 8 usual laps"


@pytest.mark.parametrize("kind", ["own_best", "own_parts"])
@pytest.mark.slow
def test_the_own_best_is_that_of_the_session_whichever_laps_are_chosen(small_session, kind):
    """Two laps held against the driver's own best: the same target, and the same figures, as among all laps."""
    names, recording = ("tinmarsh_rental", "rental-four-stroke"), load_recording(small_session)
    ground, kart = find_ground(recording, load_track(names[0]), position_error=0.25), load_kart(names[1])
    quickest = min(ground.laps, key=lambda lap: lap.duration if lap.status == "complete" else math.inf)
    others = [lap.number for lap in ground.laps if lap.status == "complete" and lap is not quickest]
    some, every = (
        review_recording(recording, ground, kart, choose_laps(ground.laps, wanted), against=kind,
                         reference=solved(*names))
        for wanted in (others, [])
    )  # fmt: skip
    assert [lap.label for lap in some.laps] == [f"lap {number}" for number in others]
    best = every.laps[every.best].label
    assert best not in {lap.label for lap in some.laps}
    assert some.target.lap.label == every.target.lap.label
    assert every.target.lap.label == (best if kind == "own_best" else "best corners")
    assert some.target.lap_time == pytest.approx(every.target.lap_time, abs=0.005)
    assert some.target.words == every.target.words
    for lap in some.laps:
        same = next(other for other in every.laps if other.label == lap.label)
        assert lap.gap.value == pytest.approx(same.gap.value, abs=0.005)
        assert sum(part.time_lost.value for part in lap.corners) == pytest.approx(lap.gap.value)
        for part, other in zip(lap.corners, same.corners):
            assert part.time_lost.value == pytest.approx(other.time_lost.value, abs=0.01)
            if other.marks.brake_point.reference is not None:
                assert part.marks.brake_point.reference == pytest.approx(other.marks.brake_point.reference, abs=0.3)
    assert f"The best of the laps chosen, {some.laps[some.best].label}, is" in some.verdict
    page, data = review_page(some, recorded=ground.laps), review_as_dict(some)
    assert data["target"]["title"] == every.target.title
    assert every.target.title in page
    assert some.target.words[1:] in page


def test_chosen_laps_are_not_called_the_drivers_best(chosen, whole):
    assert chosen.verdict.startswith("Lap 4 ")
    assert whole.verdict.startswith("Your best lap, lap 10, is")
