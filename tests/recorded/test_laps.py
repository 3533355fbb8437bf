"""Cutting laps: interpolation with speed, direction, jitter, neighbours, and what a lap that is none is told."""

from __future__ import annotations

import dataclasses
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from simulated import drive, make_track, record

from linelab.errors import InputError, RecordingError
from linelab.files.tracks.track_build import reversed_track
from linelab.model.lap import Recording
from linelab.recorded.laps import complete_laps, find_crossings, split_laps
from linelab.recorded.samples import Samples, own_plane, place_samples
from linelab.recorded.start_line import StartLine, propose_start_line, start_line_at, track_line

TRACK = make_track()
LINE = StartLine(left=np.array([0.0, 5.0]), right=np.array([0.0, -5.0]))


def straight(t, x, y=None, speed=None):
    """Samples along x."""
    y = np.zeros_like(x) if y is None else y
    return Samples(t=t, x=x, y=y, speed=np.full(t.size, np.nan) if speed is None else speed)


def test_heading_of_a_line_has_left_on_the_left():
    np.testing.assert_allclose(LINE.heading, [1.0, 0.0], atol=1e-15)


@pytest.mark.parametrize("phase", [0.1, 0.3, 0.5, 0.8])
def test_crossing_under_even_acceleration_is_exact_with_speed(phase):
    """Derived: the error of linear interpolation is at most a·dt²/(8v); 10 Hz, 5 m/s², 20 m/s give 0.3 ms."""
    v, a, dt = 20.0, 5.0, 0.1
    t = np.arange(-10, 11) * dt + phase * dt
    x, speed = v * t + 0.5 * a * t**2, v + a * t
    plain = find_crossings(straight(t, x), LINE)[0].t
    better = find_crossings(straight(t, x, speed=speed), LINE)[0].t
    assert abs(plain) <= a * dt**2 / (8.0 * v) * 1.05
    assert better == pytest.approx(0.0, abs=1e-12)


def test_linear_interpolation_reaches_its_bound_half_way():
    v, a, dt = 20.0, 5.0, 0.1
    t = (np.arange(-10, 11) + 0.5) * dt
    plain = find_crossings(straight(t, v * t + 0.5 * a * t**2), LINE)[0].t
    assert abs(plain) == pytest.approx(0.3125e-3, rel=0.02)


@pytest.mark.parametrize("rate", [5.0, 10.0, 18.18, 25.0])
def test_lap_times_of_a_known_motion(rate):
    laps = [
        drive(TRACK, speed=lambda s, k=k: 16.0 + k + 4.0 * np.sin(8.0 * np.pi * s / TRACK.length)) for k in (0.0, 0.5)
    ]
    found = complete_laps(split_laps(record(laps, rate=rate, noise=0.0, speed_noise=0.0), TRACK))
    assert len(found) == 2
    # Exact positions and speeds: what is left is the bend of the path and of the speed between two samples.
    for lap, truth in zip(found, laps):
        assert lap.duration == pytest.approx(truth.lap_time, abs=2e-3)


def test_noise_is_in_the_stated_uncertainty():
    truth = drive(TRACK)
    errors, sigmas = [], []
    for seed in range(20):
        for lap in complete_laps(split_laps(record([truth] * 3, noise=0.3, seed=seed), TRACK)):
            errors.append(lap.duration - truth.lap_time)
            sigmas.append(lap.sigma_scatter)
    assert len(errors) == 60
    # 60 normal errors: their root mean square is within 30 % of the true one in more than 99.9 % of cases.
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.mean(sigmas), rel=0.30)


def test_out_and_in_laps_frame_the_complete_ones():
    laps = split_laps(record([drive(TRACK)] * 2), TRACK)
    assert [lap.status for lap in laps] == ["out", "complete", "complete", "in"]
    assert [lap.number for lap in laps] == [0, 1, 2, 3]
    assert laps[0].lap_time.value is None
    assert "before the first crossing" in laps[0].lap_time.reason
    for before, after in pairwise(laps):
        assert after.t_start == before.t_end


def test_a_kart_jittering_on_the_line_crosses_once():
    t = np.arange(0.0, 60.0, 0.1)
    x = np.interp(t, [0.0, 5.0, 25.0, 30.0, 60.0], [-50.0, 0.0, 0.0, 50.0, 400.0])
    rng = np.random.default_rng(3)
    x = x + 0.4 * rng.standard_normal(t.size) * ((t > 5.0) & (t < 25.0))
    jittered = straight(t, x)
    assert len(find_crossings(jittered, LINE)) > 5
    with pytest.raises(RecordingError, match=r"the start line is crossed once, at 2[45]\.\d s"):
        split_laps(jittered, LINE)


def test_turning_back_over_the_line_is_no_crossing():
    t = np.arange(0.0, 30.0, 0.1)
    x = np.interp(t, [0.0, 10.0, 20.0, 30.0], [-50.0, 4.0, -50.0, -200.0])
    with pytest.raises(RecordingError, match="start line missed"):
        split_laps(straight(t, x), LINE)


def test_a_neighbouring_stretch_past_the_end_of_the_line_makes_no_lap():
    """The neighbour runs the same way 3 m beyond the end of the line, half a lap later."""
    line = track_line(TRACK, 0.0)
    truth = drive(TRACK)
    recording = record([truth] * 2, noise=0.0)
    away = 0.5 * truth.lap_time
    t = np.asarray(recording.t)
    x, y = np.array(recording.x), np.array(recording.y)
    begin = 0.3 * truth.lap_time + 0.3 * away
    near = (t > begin) & (t < begin + 2.0)
    side = line.centre - line.across * (0.5 * line.width + 3.0)
    run = (t[near] - begin - 1.0) * 15.0
    x[near], y[near] = side[0] + line.heading[0] * run, side[1] + line.heading[1] * run
    laps = complete_laps(split_laps(Recording(t=t, x=x, y=y, speed=recording.speed), TRACK))
    assert all(lap.duration == pytest.approx(truth.lap_time, abs=0.02) for lap in laps)


def test_gap_standstill_and_short_cut_are_told_apart():
    truth = drive(TRACK)
    recording = record([truth] * 3)
    t, begin = np.asarray(recording.t), 0.3 * truth.lap_time
    kept = ~((t > begin + 10.0) & (t < begin + 14.0))
    gap = Recording(t=t[kept], x=recording.x[kept], y=recording.y[kept], speed=recording.speed[kept])
    lap = split_laps(gap, TRACK)[1]
    assert (lap.status, lap.reason[:16]) == ("incomplete", "no samples for 4")
    hold = int(np.searchsorted(t, begin + truth.lap_time + 20.0))
    pause = np.arange(90)
    index = np.concatenate([np.arange(hold), np.full(pause.size, hold), np.arange(hold, t.size)])
    speed = np.array(recording.speed)[index]
    speed[hold : hold + pause.size] = 0.05
    still = Recording(t=np.arange(index.size) / 18.0, x=recording.x[index], y=recording.y[index], speed=speed)
    lap = split_laps(still, TRACK)[2]
    assert lap.status == "aborted"
    # The kart stops and starts at once, which none does: some speeds beside that may be set aside.
    assert re.search(r"stood still for (4\.[5-9]|5\.0) s, 20\.[0-3] s into the lap", lap.reason)
    assert lap.lap_time.value is not None


def test_wrong_direction_and_missed_line_are_said():
    recording = record([drive(TRACK)] * 2)
    with pytest.raises(RecordingError, match=r"always against its direction.*--reverse"):
        split_laps(recording, reversed_track(TRACK))
    samples = place_samples(recording, None)
    line = track_line(TRACK, 0.0)
    beside = StartLine(left=line.left + 30.0 * line.across, right=line.right + 30.0 * line.across)
    with pytest.raises(RecordingError, match="from its end") as caught:
        split_laps(samples, beside)
    # Driven along the reference line, which lies w_right from the line's right end before it was moved by 30 m.
    said = float(re.search(r"passes ([\d.]+) m", str(caught.value)).group(1))
    assert said == pytest.approx(30.0 - TRACK.w_right[0], abs=0.5)


def test_another_place_is_said_with_the_distance():
    recording = record([drive(TRACK)] * 2)
    moved = Recording(t=recording.t, x=recording.x + 30_000.0, y=recording.y, speed=recording.speed)
    with pytest.raises(RecordingError, match=r"another place: its centre is 30\.\d km.*Windmere"):
        split_laps(moved, TRACK)


def test_metres_of_an_unknown_origin_are_said_to_be():
    """On a track by longitude and latitude metres are counted from its origin, unless they clearly are not."""
    recording = record([drive(TRACK)] * 2)
    placed = dataclasses.replace(TRACK, georeferenced=True)
    assert len(split_laps(recording, placed)) == len(split_laps(recording, TRACK))
    for away in (60.0, 30_000.0):
        moved = Recording(t=recording.t, x=recording.x + away, y=recording.y, speed=recording.speed)
        with pytest.raises(RecordingError, match=r"positions are in metres.*origin of the track 'Windmere"):
            split_laps(moved, placed)


def test_no_complete_lap():
    truth = drive(TRACK)
    recording = record([truth])
    kept = np.asarray(recording.t) < 0.9 * truth.lap_time
    short = Recording(t=recording.t[kept], x=recording.x[kept], y=recording.y[kept])
    with pytest.raises(RecordingError, match="no complete lap: the start line is crossed once"):
        split_laps(short, TRACK)


def test_lines_by_longitude_and_proposed():
    recording = Recording(t=[0.0, 1.0, 2.0, 3.0], lon=[7.0] * 4, lat=[45.0, 45.0001, 45.0002, 45.0003])
    line = start_line_at(own_plane(recording), (6.9999, 45.0001), (7.0001, 45.0001))
    assert line.heading[1] == pytest.approx(1.0, abs=1e-6)  # left in the west: driving north
    proposed = propose_start_line(place_samples(record([drive(TRACK)] * 3), None))
    assert len(complete_laps(split_laps(record([drive(TRACK)] * 3), proposed))) >= 2
    with pytest.raises(InputError, match="not between"):
        StartLine(left=np.zeros(2), right=np.zeros(2))


def spliced(recording, k, pause, *, turned=False):
    """The recording with the kart staying ``pause`` seconds about sample ``k``; ``turned``: it rolls back and forth."""
    rate = 1.0 / float(np.median(np.diff(recording.t)))
    held = np.full(round(pause * rate), k)
    if turned:
        held = k - np.round(0.4 * rate * np.sin(np.linspace(0.0, np.pi, held.size))).astype(int)
    index = np.concatenate([np.arange(k), held, np.arange(k, np.asarray(recording.t).size)])
    return Recording(t=np.arange(index.size) / rate, x=recording.x[index], y=recording.y[index])


def test_going_backwards_for_a_moment_is_a_spin():
    truth = drive(TRACK)
    recording = record([truth] * 5, noise=0.05)
    k = int(np.searchsorted(recording.t, 1.3 * truth.lap_time + 20.0))
    laps = split_laps(spliced(recording, k, 1.2, turned=True), TRACK)
    assert [lap.status for lap in laps] == ["out", "complete", "aborted", "complete", "complete", "complete", "in"]
    assert re.match(r"spun: went backwards (19|2[01])\.\d s into the lap", laps[2].reason)


def test_a_lap_behind_slower_traffic_is_held_up_a_slow_lap_is_not():
    """5 s lost within 80 m, against 5 s lost all round the lap."""
    usual = drive(TRACK)
    held = drive(TRACK, speed=lambda s: 15.0 - 7.0 * np.exp(-(((s - 300.0) / 40.0) ** 4)))
    slow = drive(TRACK, speed=lambda s: 13.6 + 0.0 * s)
    assert held.lap_time - usual.lap_time > 3.0
    assert slow.lap_time - usual.lap_time > 3.0
    laps = split_laps(record([usual, usual, held, usual, slow, usual], noise=0.1), TRACK)
    assert [lap.status for lap in laps[1:-1]] == ["complete", "complete", "aborted", "complete", "complete", "complete"]
    assert laps[3].reason.startswith("held up: ")
    lost = float(re.search(r"held up: ([\d.]+) s", laps[3].reason).group(1))
    assert lost == pytest.approx(held.lap_time - usual.lap_time, abs=0.5)


def test_white_noise_does_not_lengthen_laps():
    """0.5 m at 25 Hz and 8 m/s: the sum of the steps between samples is nearly three times the lap."""
    slow = drive(TRACK, speed=lambda s: 8.0 + 0.0 * s)
    laps = complete_laps(split_laps(record([slow] * 2, rate=25.0, noise=0.5), TRACK))
    assert len(laps) == 2


def test_sector_times_of_a_known_motion():
    stations = (200.0, 450.0)
    track = replace(TRACK, timing_stations=stations)
    truth = drive(TRACK, speed=lambda s: 15.0 + 4.0 * np.sin(6.0 * np.pi * s / TRACK.length))
    lap = complete_laps(split_laps(record([truth] * 3, noise=0.05, speed_noise=0.02), track))[1]
    edges = np.interp([0.0, *stations, TRACK.length], truth.s, truth.t)
    assert len(lap.sectors) == 3
    for sector, wanted in zip(lap.sectors, np.diff(edges)):
        assert sector.value == pytest.approx(wanted, abs=0.015)
        assert sector.sigma > 0.0
    assert sum(sector.value for sector in lap.sectors) == pytest.approx(lap.duration, abs=1e-9)
    assert split_laps(record([truth] * 2), TRACK)[1].sectors == ()


def test_the_proposed_line_does_not_change_with_the_noise():
    """Two straights of 100 and 94 m: every recording has its line on the longer one."""
    places = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        lap = np.concatenate([
            np.linspace([0.0, 0.0], [100.0, 0.0], 100, endpoint=False),
            np.linspace([100.0, 0.0], [97.0, 50.0], 50, endpoint=False),
            np.linspace([97.0, 50.0], [3.0, 50.0], 94, endpoint=False),
            np.linspace([3.0, 50.0], [0.0, 0.0], 50, endpoint=False),
        ])  # fmt: skip
        path = np.tile(lap, (8, 1))
        path = path + 0.35 * rng.normal(size=path.shape)
        line = propose_start_line(Samples(t=0.1 * np.arange(len(path)), x=path[:, 0], y=path[:, 1], speed=path[:, 0]))
        places.append(line.centre)
    assert np.abs(np.array(places) - [50.0, 0.0]).max() < 8.0
