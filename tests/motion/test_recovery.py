"""Recovery of simulated laps from what a receiver logs: good conditions, rate and noise, calibration, tight bends.

The truth is the simulated driver's exact motion (tests/drive/test_simulation.py holds it against closed forms).  Bounds
are those a coach needs: an apex missed by half a metre and a hundredth of a second must show.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from recovered import joined, recover, tight
from shared import solved

from linelab.drive.driver import careful_lap, drive_session
from linelab.drive.faults import ApexMissed, BrakesEarly, BrakesSoftly, Coasts, Habits, LatePower, Slides
from linelab.drive.receiver import Receiver, record
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.motion.channels import stated_bias
from linelab.motion.estimate import estimate_laps
from linelab.motion.sensors import read_sensors
from linelab.recorded.laps import complete_laps, split_laps

KARTS = {"ostrelle_sprint": "senior-single-speed", "tinmarsh_rental": "rental-four-stroke"}
FAULTS = {
    "ostrelle_sprint": (
        ApexMissed(corner=8, metres=0.8), BrakesSoftly(corner=12, share=0.65), LatePower(corner=3, metres=8.0),
        Coasts(corner=13, metres=15.0),
    ),
    "tinmarsh_rental": (
        ApexMissed(corner=2, metres=0.6), BrakesEarly(corner=7, metres=5.0), Slides(corner=8, speed_lost=0.6),
    ),
}  # fmt: skip


@cache
def circuit(name):
    track, kart = load_track(name), load_kart(KARTS[name])
    return track, kart, solved(name, KARTS[name]).lap, careful_lap(track, kart, 0.2)


@cache
def session(name, seed=3, laps=4):
    track, kart, reference, followed = circuit(name)
    habits = Habits(faults=FAULTS[name])
    return drive_session(track, kart, reference, habits, followed=followed, laps=laps, ends=(0.3, 0.2), seed=seed)


def recovered(name, receiver, seeds=(1, 2)):
    _, kart, reference, _ = circuit(name)
    return joined([recover(session(name, seed=seed), kart, reference, receiver, seed=seed) for seed in seeds])


GOOD = {"white": 0.3, "bias": 0.0, "speed_noise": 0.15, "latency": 0.15}


@cache
def good(rate):
    return joined([recovered(name, Receiver(rate=rate, **GOOD)) for name in KARTS])


@pytest.mark.parametrize("rate", [18.18, pytest.param(25.0, marks=pytest.mark.slow)])
def test_good_conditions(rate):
    """0.3 m of white noise and no bias: bounds, and at least twice as good as the raw samples."""
    errors = good(rate)
    rms = errors.rms()
    for name, bound in {"speed": 0.15, "apex": 0.2, "brake": 2.0, "drive": 2.5, "lap time": 0.005}.items():
        assert rms[name][0] < bound, name
        assert rms[name][0] < 0.5 * rms[name][1], name
    assert errors.estimated["brake"].size > 60  # and they are not withheld
    assert errors.estimated["drive"].size > 90


@pytest.mark.slow
def test_more_samples_and_less_noise_recover_more():
    """Errors fall along the curve, by about the square root of the number of samples for the line."""
    name = "ostrelle_sprint"
    rows = [
        recovered(name, Receiver(rate=rate, white=white, bias=0.0, speed_noise=0.15), seeds=(1,)).rms()
        for rate, white in ((5.0, 0.6), (10.0, 0.3), (25.0, 0.1))
    ]
    for figure in ("speed", "apex", "lap time"):
        worst, middle, best = (row[figure][0] for row in rows)
        assert worst > middle > best, figure


@pytest.mark.slow
def test_drift_is_in_the_stated_lap_time():
    """A bias of 1 m over 5 minutes: lap times are off by more than the noise would have it, and the ± says so."""
    drive = session("ostrelle_sprint", laps=4)
    scores = []
    for seed in range(4):
        recording = record(drive, Receiver(rate=10.0, white=0.1, bias=1.0, bias_time=300.0), seed=seed)
        laps = complete_laps(split_laps(recording, drive.track, bias=1.0))
        sensors = read_sensors(laps[0].samples)
        for lap, split in zip(estimate_laps(drive.track, laps, sensors=sensors, bias=stated_bias(1.0, sensors)), laps):
            scores.append((lap.lap.lap_time - drive.laps[split.number - 1].lap_time) / lap.lap_time_sigma)
    assert 0.5 < float(np.sqrt(np.mean(np.square(scores)))) < 1.6
    assert np.mean(np.abs(scores) < 1.96) > 0.8


# --- tight bends


@pytest.mark.parametrize("rate", [5.0, 20.0])
def test_speed_from_positions_reads_low_on_tight_bends_and_the_estimate_does_not(rate):
    """A speed that a receiver works out from positions underestimates on tight radii.

    Observed by Witte & Wilson, J. Biomech. 37:1891 (2004).  Over a second the shortfall on bends below 8 m radius is
    that of the chord, some 5 % (plane geometry; the radius changes meanwhile, hence a quarter); the estimate, which
    knows how the path bends from the positions, has a tenth of it at most.
    """
    receiver = Receiver(rate=rate, white=0.05, bias=0.0, derived_over=1.0, with_course=False)
    off = tight(session("tinmarsh_rental"), receiver)
    assert off.logged.mean() < -0.3
    assert off.logged.mean() == pytest.approx(off.expected.mean(), rel=0.25)
    assert abs(off.estimated.mean()) < 0.1 * abs(off.logged.mean())


@pytest.mark.slow
@pytest.mark.parametrize("rate", [5.0, 10.0, 18.18, 25.0])
@pytest.mark.parametrize("white", [0.05, 0.15, 0.3, 0.6])
def test_estimate_beats_raw_samples_everywhere(rate, white):
    errors = joined([recovered(name, Receiver(rate=rate, white=white, bias=0.0, speed_noise=0.15)) for name in KARTS])
    for name, (own, raw) in errors.typical().items():
        assert own < raw, name


@pytest.mark.slow
def test_stated_intervals_hold_the_truth(monkeypatch):
    """A small run of benchmarks/calibration.py: 42 sessions know a coverage of 95 % within about 2.5 % (one sigma)."""
    monkeypatch.syspath_prepend(str(Path(__file__).resolve().parents[2] / "benchmarks"))
    calibration = import_module("calibration")
    made = import_module("simulated_sessions").circuits(0)
    rows = [row for number in range(42) for row in calibration.session_rows(made[number % len(made)], number)]
    losses = ("time lost", "time lost by the line", "time lost by the speed")
    for figure in ("lap time", "minimum speed", "apex miss", "brake point", "drive point", *losses):
        told = [row for row in rows if row.figure == figure and np.isfinite(row.value)]
        inside = np.mean([abs(row.value - row.truth) <= 1.96 * row.sigma for row in told])
        assert 0.88 < inside <= 1.0, f"{figure}: {inside:.3f}"
        assert len(told) > 100, figure
