"""Cleaning a recording: each fault is put into a clean one by hand, so that what must be found is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linelab.errors import RecordingError
from linelab.model.lap import Recording
from linelab.recorded.cleaning import SEAM, Cleaning, clean_recording
from linelab.recorded.laps import LONGEST_GAP
from linelab.recorded.samples import own_plane, place_samples

RATE, SPEED, RADIUS = 10.0, 15.0, 60.0


def clean(count=600):
    """A circle driven at an even speed: arrays t, x, y, speed."""
    t = np.arange(count) / RATE
    angle = SPEED * t / RADIUS
    return t, RADIUS * np.cos(angle), RADIUS * np.sin(angle), np.full(count, SPEED)


def recording(t, x, y, speed=None, **channels):
    return Recording(t=t, x=x, y=y, speed=speed, channels=channels, source="made by hand")


def codes_of(report):
    return {code.name: count for code, count in report.counts.items()}


def test_a_clean_recording_stays_as_it_is():
    t, x, y, speed = clean()
    before = recording(t, x, y, speed)
    after, report = clean_recording(before)
    np.testing.assert_array_equal(after.t, before.t)
    assert after.x is before.x  # read-only, so it is shared
    assert report.sentences == ()
    assert report.kept == t.size
    assert report.missing == 0
    assert report.speed_ratio == pytest.approx(1.0, abs=0.01)


def test_repeated_and_backward_times_are_left_out_and_counted():
    samples = place_samples(Recording(t=[0, 1, 1, 3, 2, 4, 5], x=np.arange(7.0), y=np.zeros(7)), None)
    np.testing.assert_array_equal(samples.t, [0, 1, 3, 4, 5])
    assert samples.notes[:2] == (
        "1 sample whose time does not advance left out",
        "1 sample that go back in time left out",
    )


def test_duplicates_are_told_from_repeated_times():
    t, x, y, speed = clean(100)
    pick = np.sort(np.append(np.arange(100), [7, 7, 50]))
    later = x[pick]
    later[pick.tolist().index(50) + 1] += 1.0  # the same time at another place
    after, report = clean_recording(recording(t[pick], later, y[pick], speed[pick]))
    assert codes_of(report) == {"KEPT": 100, "DUPLICATE": 2, "REPEATED_TIME": 1}
    np.testing.assert_array_equal(after.t, t)
    assert list(np.flatnonzero(report.codes)) == [8, 9, 53]


def test_a_block_written_twice_is_recognised():
    t, x, y, _ = clean(300)
    pick = np.concatenate([np.arange(200), np.arange(100, 300)])
    after, report = clean_recording(recording(t[pick], x[pick], y[pick]))
    np.testing.assert_array_equal(after.t, t)
    assert codes_of(report) == {"KEPT": 300, "DUPLICATE": 100}


def test_a_recording_that_runs_backwards_is_turned_and_says_so():
    t, x, y, speed = clean()
    after, report = clean_recording(recording(t[::-1], x[::-1], y[::-1], speed))
    assert report.turned_round
    assert "the recording runs backwards in time: reversed" in report.sentences
    np.testing.assert_array_equal(after.t, t)
    np.testing.assert_array_equal(after.x, x)


def test_samples_out_of_order_are_put_in_order():
    t, x, y, _ = clean()
    order = np.arange(t.size)
    order[100:110], order[110:120] = np.arange(110, 120), np.arange(100, 110)  # two packets swapped
    after, report = clean_recording(recording(t[order], x[order], y[order]))
    np.testing.assert_array_equal(after.t, t)
    np.testing.assert_array_equal(after.x, x)
    assert codes_of(report) == {"KEPT": 590, "REORDERED": 10}
    assert any("out of order" in sentence for sentence in report.sentences)


def test_a_clock_set_back_is_moved_on_with_a_pause_that_no_timed_lap_spans():
    t, x, y, _ = clean()
    t[300:] -= 18.0
    after, report = clean_recording(recording(t, x, y))
    assert after.t.size == t.size
    steps = np.diff(after.t)
    assert steps[299] == pytest.approx(SEAM)
    assert np.delete(steps, 299) == pytest.approx(1.0 / RATE)
    assert codes_of(report) == {"KEPT": 300, "CLOCK_SHIFTED": 300}
    assert SEAM > LONGEST_GAP
    assert any("the clock is set back by 17.9 s" in sentence for sentence in report.sentences)


@pytest.mark.parametrize("count", [1, 3])
def test_a_stray_time_far_ahead_does_not_cost_what_follows(count):
    t, x, y, _ = clean()
    t[200 : 200 + count] += 1000.0
    after, report = clean_recording(recording(t, x, y))
    assert codes_of(report) == {"KEPT": 600 - count, "NO_TIME": count}
    np.testing.assert_array_equal(np.flatnonzero(report.codes), np.arange(200, 200 + count))
    assert after.t[-1] == t[-1]


def test_a_clock_that_leaps_ahead_is_told_from_a_gap():
    t, x, y, _ = clean()
    leapt = t.copy()
    leapt[300:] += 3600.0
    _, report = clean_recording(recording(leapt, x, y))
    assert any("the clock leaps ahead by 3600.1 s at 29.9 s" in sentence for sentence in report.sentences)
    kept = np.r_[0:300, 340:600]  # four seconds really missing
    _, report = clean_recording(recording(t[kept], x[kept], y[kept]))
    assert not any("leaps ahead" in sentence for sentence in report.sentences)
    assert report.missing == 40


def test_gaps_are_counted_and_the_longest_is_named():
    t, x, y, _ = clean()
    kept = np.ones(t.size, dtype=bool)
    kept[[50, 51, 300]] = False
    _, report = clean_recording(recording(t[kept], x[kept], y[kept]))
    assert report.missing == 3
    np.testing.assert_allclose(report.gaps, [[4.9, 5.2], [29.9, 30.1]])
    assert "3 samples missing in 2 gaps, the longest of 0.3 s at 4.9 s" in report.sentences


def test_no_fix_no_position_and_zero_positions():
    t, x, y, speed = clean()
    lon, lat = 7.0 + x / 80e3, 45.0 + y / 111e3
    lon[:30], lat[:30] = 0.0, 0.0
    lon[100] = np.nan
    fix = np.ones(t.size)
    fix[200:205] = 0.0
    after, report = clean_recording(Recording(t=t, lon=lon, lat=lat, speed=speed, channels={"fix": fix}))
    assert codes_of(report) == {"KEPT": 564, "NO_POSITION": 1, "NO_FIX": 5, "ZERO_POSITION": 30}
    assert after.channels["fix"].size == after.lon.size == 564
    assert "30 samples at longitude and latitude zero left out" in report.sentences


def test_a_fix_column_that_means_nothing_is_not_used():
    t, x, y, _ = clean()
    after, report = clean_recording(recording(t, x, y, fix=np.zeros(t.size)))
    assert after.t.size == t.size
    assert any("fix column says 'none' throughout" in sentence for sentence in report.sentences)


@pytest.mark.parametrize(("first", "last"), [(0, 1), (200, 201), (200, 260), (590, 600)])
def test_teleports(first, last):
    t, x, y, _ = clean()
    far = x.copy()
    far[first:last] += 40e3
    after, report = clean_recording(recording(t, far, y))
    assert codes_of(report) == {"KEPT": t.size - (last - first), "TELEPORT": last - first}
    np.testing.assert_array_equal(np.flatnonzero(report.codes), np.arange(first, last))
    assert np.abs(after.x).max() < 100.0


def test_a_receiver_that_settles_elsewhere_loses_only_what_was_out_of_reach():
    t, x, y, _ = clean()
    x[300:] += 200.0  # 200 m within 0.1 s: within reach at 100 m/s after 1.9 s
    _, report = clean_recording(recording(t, x, y))
    assert set(codes_of(report)) == {"KEPT", "TELEPORT"}
    assert 15 <= report.counts[Cleaning.TELEPORT] <= 25


def test_noise_of_a_poor_receiver_is_no_teleport():
    t, x, y, _ = clean()
    rng = np.random.default_rng(3)
    _, report = clean_recording(recording(t, x + 2.5 * rng.standard_normal(t.size), y))
    assert report.kept == t.size


def test_units_gone_wrong_are_said_instead_of_dropping_most_samples():
    t, x, y, _ = clean()
    after, report = clean_recording(recording(t / 1000.0, 20 * x, 20 * y))
    assert after.t.size == t.size
    assert any("check the units of time and positions" in sentence for sentence in report.sentences)


def test_positions_held_while_moving_are_left_out_but_not_those_of_a_standing_kart():
    t, _, _, speed = clean()
    speed[380:400], speed[400:] = np.linspace(SPEED, 0.0, 20), 0.0  # brakes and stands
    angle = np.append(0.0, np.cumsum(0.5 * (speed[1:] + speed[:-1]))) / RATE / RADIUS
    x, y = RADIUS * np.cos(angle), RADIUS * np.sin(angle)
    x[200:211], y[200:211] = x[200], y[200]  # held for a second at 15 m/s
    _, report = clean_recording(recording(t, x, y, speed))
    assert codes_of(report) == {"KEPT": 590, "FROZEN": 10}
    np.testing.assert_array_equal(np.flatnonzero(report.codes), np.arange(201, 211))
    _, blind = clean_recording(recording(t, x, y))
    assert codes_of(blind) == {"KEPT": 590, "FROZEN": 10}


def test_rows_faster_than_the_receiver_keep_each_position_once():
    t, x, y, _ = clean()
    rows = np.arange(1200) / 20.0
    after, _ = clean_recording(recording(rows, np.repeat(x, 2), np.repeat(y, 2)))
    np.testing.assert_allclose(after.t, t)


def test_rows_faster_than_a_coarse_receiver_keep_each_position_once():
    t = clean()[0]
    x = np.round((10.0 * t + 5.0 * np.sin(t)) / 0.3) * 0.3  # 5 to 15 m/s, rounded to 0.3 m
    after, _ = clean_recording(recording(np.arange(1200) / 20.0, np.repeat(x, 2), np.zeros(1200)))
    assert after.t.size == pytest.approx(600, abs=12)
    assert np.median(np.diff(after.t)) == pytest.approx(0.1)


def test_coarse_rounding_is_not_a_held_position():
    t = clean()[0]
    slow = 2.25  # [m/s], in steps of 0.3 m at 10 Hz: positions often repeat
    coarse = np.round(slow * t / 0.3) * 0.3
    _, report = clean_recording(recording(t, coarse, 0.0 * t, np.full(t.size, slow)))
    assert report.kept == t.size


@pytest.mark.parametrize(("decimals", "taken"), [(4, False), (5, True)])
def test_positions_of_four_decimals_are_refused(decimals, taken):
    """A ten-thousandth of a degree of latitude is 11.1 m: laps on such a grid look like spins."""
    t, x, y, speed = clean()
    degree = 6_371_009.0 * np.pi / 180.0  # mean radius of the Earth, IUGG 1980
    lat = 51.0 + y / degree
    lon = 3.0 + x / (degree * np.cos(np.radians(51.0)))
    coarse = Recording(t=t, lon=lon.round(decimals), lat=lat.round(decimals), speed=speed, source="made by hand")
    if taken:
        assert place_samples(coarse, own_plane(coarse)).t.size > 0.9 * t.size
        return
    with pytest.raises(RecordingError, match=r"in steps of 7\.0 by 11\.1 m") as caught:
        place_samples(coarse, own_plane(coarse))
    assert "more decimals" in caught.value.remedy


# One knot is 1852 m in 3600 s and one mile 1609.344 m, both by definition; a foot is 0.3048 m.
@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (3.6, "km/h read as m/s"),
        (1 / 3.6, "m/s read as km/h"),
        (3600 / 1609.344, "mph read as m/s"),
        (1.609344, "km/h read as mph"),
        (3600 / 1852, "knots read as m/s"),
        (1 / 0.3048, "ft/s read as m/s"),
    ],
)
def test_speed_in_the_wrong_unit_is_reported_and_set_aside_not_converted(factor, words):
    t, x, y, speed = clean()
    after, report = clean_recording(recording(t, x, y, factor * speed))
    assert report.speed_set_aside
    assert after.speed is None
    assert report.speed_ratio == pytest.approx(factor, rel=0.01)
    assert any(words in sentence for sentence in report.sentences)
    assert any(f"--unit speed={words.partition(' ')[0]}" in sentence for sentence in report.sentences)


@pytest.mark.parametrize("factor", [0.0, 1.25, -1.0])
def test_a_speed_no_unit_explains_is_set_aside_too(factor):
    t, x, y, speed = clean()
    after, report = clean_recording(recording(t, x, y, factor * speed))
    assert after.speed is None
    assert any("No mistaken unit explains" in sentence for sentence in report.sentences)


def test_a_speed_that_fits_stays():
    t, x, y, speed = clean()
    after, report = clean_recording(recording(t, x, y, 1.05 * speed))
    assert after.speed is not None
    assert not report.speed_set_aside


def test_too_few_samples_say_why():
    with pytest.raises(RecordingError, match=r"only 1 usable sample \(.*does not advance"):
        place_samples(recording(np.zeros(50), np.arange(50.0), np.zeros(50)), None)


def test_channels_follow_their_samples():
    t, x, y, _ = clean()
    x[10] += 1e6
    samples = place_samples(recording(t, x, y, engine_speed=np.arange(600.0)), None)
    np.testing.assert_array_equal(samples.channels["engine_speed"], np.delete(np.arange(600.0), 10))
    np.testing.assert_array_equal(samples.between(2.0, 3.0).channels["engine_speed"], np.arange(20.0, 31.0))


numbers = st.floats(-1e6, 1e6) | st.sampled_from([0.0, 1.0, 1e308, -1e308, 5e-324])


@settings(max_examples=300, deadline=None)
@given(data=st.data(), size=st.integers(0, 40))
def test_whatever_comes_out_increases_and_every_sample_is_accounted_for(data, size):
    def draw(source):
        return np.array(data.draw(st.lists(source, min_size=size, max_size=size)), dtype=float)

    t, x, y = draw(numbers), draw(numbers | st.just(np.nan)), draw(numbers | st.just(np.nan))
    before = recording(t, x, y, draw(numbers | st.just(np.nan)))
    after, report = clean_recording(before)
    assert report.codes.shape == (size,)
    assert report.kept == after.t.size
    assert sum(report.counts.values()) == size
    assert (np.diff(after.t) > 0.0).all()
    assert np.isfinite(after.x).all()
