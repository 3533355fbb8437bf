"""Tracks and karts nobody would wish for: read, solved or refused in words, in bounded time and memory."""

from __future__ import annotations

import random
import time
import tracemalloc
from contextlib import suppress
from dataclasses import replace

import numpy as np
import pytest
from mutations import damaged, track_and_kart_seeds, use_track_or_kart

from linelab.cli.main import run
from linelab.errors import FileFormatError, InputError, KartError, SolveError, TrackError
from linelab.files.kart_fields import TABLES, limits_of, range_words
from linelab.files.kart_file import LARGEST_FILE, MOST_FAULTS, load_kart
from linelab.files.tracks.survey_import import load_centre_line
from linelab.files.tracks.track_build import track_from_centre
from linelab.files.tracks.track_file import load_track
from linelab.files.tracks.track_ranges import TRACK_RANGES
from linelab.model.grip import pull, require_going
from linelab.model.kart import Driver, PowerEngine, TorqueEngine
from linelab.optimum.minimum_time import blamed, solve_min_time
from linelab.optimum.task import End
from linelab.units import KMH, RPM


@pytest.mark.parametrize("name", track_and_kart_seeds())
def test_sound_seeds_are_read(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(track_and_kart_seeds()[name])
    assert use_track_or_kart(path)


def fuzz(folder, count, seed):
    """Read ``count`` damaged files; returns how many were read and the longest time [s]."""
    rng, files = random.Random(seed), track_and_kart_seeds()
    read, slowest = 0, 0.0
    for i in range(count):
        name = list(files)[i % len(files)]
        path = folder / name
        path.write_bytes(damaged(rng, files[name], list(files.values())))
        begin = time.process_time()
        read += use_track_or_kart(path)  # whatever else is raised fails the test; the file stays in the folder
        slowest = max(slowest, time.process_time() - begin)
    return read, slowest


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_damaged_files_raise_nothing_else(tmp_path):
    read, slowest = fuzz(tmp_path, 300, seed=1)
    assert 10 < read < 200
    assert slowest < 20.0


@pytest.mark.slow
def test_memory_of_damaged_files_is_bounded(tmp_path):
    tracemalloc.start()
    try:
        fuzz(tmp_path, 200, seed=3)
        assert tracemalloc.get_traced_memory()[1] < 100e6
    finally:
        tracemalloc.stop()


@pytest.mark.slow
@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_thousands_of_damaged_files(tmp_path):
    read, slowest = fuzz(tmp_path, 4_000, seed=2)
    assert 100 < read < 2_000
    assert slowest < 20.0


ANGLE = np.linspace(0.0, 2.0 * np.pi, 61, endpoint=False)
OVAL = np.column_stack([70.0 * np.cos(ANGLE), 40.0 * np.sin(ANGLE)])


@pytest.mark.parametrize("width", [1e2, 1e4, 1e8, 1e300])
def test_one_absurd_width_is_refused_with_its_place(width):
    left = np.full(61, 4.0)
    left[17] = width
    tracemalloc.start()
    try:
        with pytest.raises(TrackError, match=r"centre line, vertex 18: width .* outside 1.5 to 60 m"):
            track_from_centre("oval", OVAL, left, 4.0, closed=True)
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    ("scale", "words"), [(1e3, "length .* vertex"), (1e8, "coordinate"), (1e300, "coordinate"), (1e-3, "only")]
)
def test_absurd_sizes_are_refused_at_once(scale, words):
    begin = time.process_time()
    with pytest.raises(TrackError, match=words):
        track_from_centre("oval", scale * OVAL, 4.0 * min(scale, 1.0) + 0.5, 4.0, closed=True)
    assert time.process_time() - begin < 5.0


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("value", ["1e308", "-1e308", "1e200"])
def test_a_coordinate_beyond_arithmetic_is_refused_without_a_warning(tmp_path, value):
    path = tmp_path / "centre.csv"
    path.write_bytes(track_and_kart_seeds()["centre.csv"].replace(b"31.18", value.encode()).replace(b"34.77", b"1e308"))
    assert value.encode() in path.read_bytes()
    with pytest.raises(FileFormatError, match=r"line \d+: column 'y_m' holds no usable number"):
        load_centre_line(path)


def test_an_elevation_that_makes_a_wall_is_refused_with_its_station():
    z = np.zeros(61)
    z[30] = 40.0
    with pytest.raises(TrackError, match=r"station 1\d\d\.\d m: slope, bank .* rad") as caught:
        track_from_centre("oval", np.column_stack([OVAL, z]), 4.0, 4.0, closed=True)
    assert 120.0 < caught.value.station < 220.0
    z[30] = 1e5
    with pytest.raises(TrackError, match=r"centre line, vertex 31: elevation"):
        track_from_centre("oval", np.column_stack([OVAL, z]), 4.0, 4.0, closed=True)


def test_too_many_rows_and_features_are_refused_before_they_are_worked_on(tmp_path):
    rows = tmp_path / "rows.csv"
    rows.write_text("x,y,width\n" + "1,2,3\n" * 200_001)
    with pytest.raises(FileFormatError, match=r"200002 rows .expected 200000 at most"):
        load_centre_line(rows)
    features = tmp_path / "features.geojson"
    features.write_text('{"type": "FeatureCollection", "features": [' + "{}," * 20_000 + "{}]}")
    with pytest.raises(FileFormatError, match="holds 20001 features"):
        load_track(features)
    point = (
        '{"type": "Feature", "properties": {"role": "corner"}, "geometry": {"type": "Point", "coordinates": [7, 45]}}'
    )
    features.write_text('{"type": "FeatureCollection", "features": [' + ",".join([point] * 301) + "]}")
    with pytest.raises(FileFormatError, match="301 kerbs, zones, corners and timing lines"):
        load_track(features)


@pytest.mark.parametrize("word", ["[" * 500 + "]" * 500, '{"a":' * 400 + "1" + "}" * 400])
def test_what_is_nested_in_a_property_is_not_followed(tmp_path, word):
    path = tmp_path / "track.geojson"
    text = track_and_kart_seeds()["track.geojson"].decode()
    for place in ('"Ring"', '"surveyed"', "0.6", '"left_edge"', "0.8", '"Hook"'):
        path.write_text(text.replace(place, word, 1))
        with suppress(InputError):
            load_track(path)


KART = track_and_kart_seeds()["torque.toml"].decode()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("160", "1" + "0" * 5000), "line 2: a number of 5001 digits"),
        (("160", "0x" + "f" * 5000), "mass_kg: a number beyond 1e18 is not a number"),
        (("160", "[" * 5000), "nested too deeply"),
        (("160", "{a=" * 3000 + "1" + "}" * 3000), "nested too deeply"),
        (("19.5", "995"), r"torque_nm entry 2: 995 N·m is outside the allowed range 0.1 to 500 N·m"),
        (("19.5", "1e308"), "torque_nm entry 2"),
        (("19.5", "400"), r"400 N·m at 8000 rpm are 335.1 kW, more than 200 kW"),
        (("4000", "-1e300"), "crank_rpm entry 1"),
        (("[2.5,", "[1e308,"), "gearbox_ratios entry 1"),
        (("0.86", "0.86\n" + "\n".join(f"x{i} = 1" for i in range(900))), "900 faults, the first 20"),
        (("0.86", "0.86 # " + "x" * LARGEST_FILE), "larger than 100 kB"),
        (("mu_longitudinal = 1.4", "mu_longitudinal = 0.4"), "does not go with mu_lateral = 1.5"),
        (("2.5, 1.8, 1.2", "0.9, 0.8, 0.2"), r"the highest gear reaches .* outside 10 to 540 km/h"),
    ],
)
def test_absurd_kart_files_are_refused_in_words(tmp_path, change, words):
    path = tmp_path / "kart.toml"
    assert change[0] in KART
    path.write_text(KART.replace(*change, 1))
    with pytest.raises(InputError, match=words) as caught:
        load_kart(path)
    assert str(path) in str(caught.value)
    assert len(str(caught.value)) < 200 * (MOST_FAULTS + 2)


def test_every_number_of_a_kart_file_has_a_range_with_a_reason():
    told = "\n".join(range_words())
    for table, model in TABLES.items():
        for name, field in model.model_fields.items():
            if any(kind in str(field.annotation) for kind in ("float", "int")):
                low, high = limits_of(table, name)
                assert low is not None
                assert high is not None
                assert np.isfinite([low, high]).all()
                assert field.json_schema_extra["why"]
                assert f"  {name}: " in told
    assert all(one.why and one.low < one.high for one in TRACK_RANGES.values())


PLAIN = replace(load_kart("senior-single-speed"), engine=PowerEngine(power=20e3))


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"engine": PowerEngine(power=20e3, max_force=20.0)}, "simple_drive.max_force_n"),
        ({"engine": PowerEngine(power=100.0), "rolling_resistance": 0.08}, "simple_drive.power_kw"),
        ({"mu_longitudinal": 0.2, "rear_share": 0.3, "rolling_resistance": 0.1}, "tyres.mu_longitudinal"),
        (
            {
                "engine": TorqueEngine(
                    speed=np.array([1000.0, 3000.0]) * RPM,
                    torque=np.array([0.5, 0.5]),
                    ratios=(5.0,),
                    tyre_circumference=0.86,
                    rev_limit=4000.0 * RPM,
                )
            },
            "engine.torque_nm",
        ),
    ],
)
def test_a_kart_that_does_not_get_going_is_told_which_field(change, field):
    kart = replace(PLAIN, **change)
    with pytest.raises(KartError, match="does not get going") as caught:
        require_going(kart)
    assert caught.value.field == field
    v = np.linspace(0.5, 10.0 * KMH, 200)
    one = pull(kart, v)
    assert ((np.minimum(one.engine, one.tyres) - one.resistance) < 0.1).any()
    require_going(PLAIN)


def test_a_kart_that_a_hill_stops_is_refused_with_the_station():
    s = np.arange(0.0, 300.0, 5.0)
    hill = np.column_stack([s, np.zeros_like(s), 0.25 * np.clip(s - 150.0, 0.0, 100.0)])
    track = track_from_centre("hill", hill, 4.0, 4.0, closed=False)
    weak = replace(PLAIN, engine=PowerEngine(power=20e3, max_force=120.0))
    require_going(weak)
    with pytest.raises(KartError, match=r"station \d+\.\d m, simple_drive.max_force_n: the kart does not get going"):
        solve_min_time(track, weak, start=End(v=10.0))


def test_a_solve_ends_when_its_time_is_up(monkeypatch):
    monkeypatch.setattr("linelab.optimum.minimum_time.TIME_ALLOWED", 0.0)
    monkeypatch.setattr("linelab.optimum.minimum_time.TIME_TRIED", 0.0)
    begin = time.process_time()
    with pytest.raises(SolveError, match="in the time allowed"):
        solve_min_time(load_track("tinmarsh_rental"), PLAIN)
    assert time.process_time() - begin < 5.0


def test_the_field_is_named_without_which_a_lap_is_found():
    kart = replace(PLAIN, scrub=0.1, cda=2.0, driver=Driver(curvature_rate=0.2))
    asked = []

    def solves(other):
        asked.append(other)
        return other.driver.curvature_rate is None

    error = blamed(SolveError("no line found"), kart, solves, np.inf)
    assert isinstance(error, KartError)
    assert error.field == "driver.curvature_rate_per_m_s"
    assert "scrub" not in str(error)
    assert asked[0].scrub == 0.025  # first all that is unusual at once: else the kart is not to blame
    assert all(other.mass == kart.mass for other in asked)


def test_a_kart_is_not_blamed_for_what_a_usual_one_fails_at_too():
    error = SolveError("no line found")
    assert blamed(error, replace(PLAIN, scrub=0.1), lambda other: False, np.inf) is error
    usual = replace(PLAIN, driver=Driver())
    assert blamed(error, usual, lambda other: True, np.inf) is error


@pytest.mark.slow
def test_a_hard_kart_is_solved_or_refused_by_a_field_in_twenty_seconds():
    track = load_track("tinmarsh_rental")
    solve_min_time(track, PLAIN)
    engine = TorqueEngine(
        speed=np.array([119.0, 668.0]) * RPM,
        torque=np.array([99.5, 70.6]),
        ratios=(8.89, 8.28, 4.99, 2.03, 1.34),
        tyre_circumference=1.31,
        rev_limit=1880.0 * RPM,
        clutch_engagement=335.0 * RPM,
        efficiency=0.667,
    )
    kart = replace(
        PLAIN, mass=82.5, width=2.48, mu_lateral=2.04, mu_longitudinal=2.81, four_wheel_brakes=True, engine=engine,
        driver=Driver(brake_build_rate=25.9, brake_release_rate=16.8), rolling_resistance=0.058,
    )  # fmt: skip
    begin = time.process_time()
    with suppress(KartError):
        assert 15.0 < solve_min_time(track, kart).lap_time < 60.0
    assert time.process_time() - begin < 20.0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["kart", "--fields"], "torque_nm: 0.1 to 500 N·m (kart engines"),
        (["track", "--ranges"], "length: 10 to 25000 m"),
    ],
)
def test_the_ranges_are_printed(capsys, words, told):
    assert run(words) == 0
    assert told in capsys.readouterr().out
