"""Sweeps: laps as solved one by one, whatever solves them; nothing lost or repeated when one is killed."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shared import solved

import linelab
from linelab.optimum.minimum_time import TIME_TOLERANCE
from linelab.study.sweeping import sweep as sweeps
from linelab.study.sweeping.sweep_plan import plan_of
from linelab.study.sweeping.sweep_store import save_cases

ROOT = Path(__file__).resolve().parents[2]
TRACK, KART = "tinmarsh_rental", "rental-four-stroke"
MASSES = [225.0, 235.0, 245.0, 255.0]


@pytest.fixture(scope="module")
def track():
    return linelab.load_track(TRACK)


@pytest.fixture(scope="module")
def cases(track):
    return linelab.sweep(track, KART, {"mass_kg": MASSES, "grip": [0.6, 1.0]}, jobs=1)


def test_every_combination_once_and_each_lap_as_it_is_solved_alone(track, cases):
    assert [(case.number, case.values) for case in cases] == [
        (k + 1, {"mass_kg": MASSES[k // 2], "grip": (0.6, 1.0)[k % 2]}) for k in range(8)
    ]
    kart = linelab.load_kart(KART)
    for case in cases:
        assert case.outcome == "verified"
        alone = linelab.solve_min_time(track, replace(kart, mass=case.values["mass_kg"]), grip=case.values["grip"])
        assert case.lap_time == pytest.approx(alone.lap_time, abs=case.time_error + alone.time_error)
        marks = linelab.corner_marks(track, alone, kart)
        assert [corner.number for corner in case.corners] == [row.marks.corner.number for row in marks]
        assert sum(corner.time for corner in case.corners) == pytest.approx(case.lap_time, abs=1e-6)
        for corner, row in zip(case.corners, marks):
            assert corner.time == pytest.approx(row.time, abs=0.01)
            assert corner.min_speed == pytest.approx(row.min_speed, abs=0.15)


def test_a_lap_far_from_the_middle_is_as_accurate_as_one_solved_alone():
    """On the mesh of the middle lap it would not be."""
    track, kart = linelab.load_track("ostrelle_sprint"), linelab.load_kart("senior-single-speed")
    middle = solved("ostrelle_sprint", "senior-single-speed")
    wanted = TIME_TOLERANCE * 62.0 / 60.0
    assert linelab.solve_min_time(track, kart, grip=0.5, warm=middle).time_error > wanted
    found = linelab.sweep(track, kart, {"grip": [0.5, 1.0, 1.1]}, jobs=1)
    assert found[1].lap_time == pytest.approx(middle.lap_time, abs=1e-6)
    assert found[0].lap_time < 62.0
    assert found[0].time_error <= wanted


def test_figures_hang_on_the_plan_alone(track, cases, tmp_path):
    """Not on who solves what in which order, nor on what was there already."""
    vary, store = {"mass_kg": MASSES, "grip": [0.6, 1.0]}, tmp_path / "new" / "some.sqlite"
    with ThreadPoolExecutor(3) as threads:
        assert linelab.sweep(track, KART, vary, executor=threads) == cases
    said = []

    def stopping(text):
        said.append(text)
        if text.startswith("3 of 8"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        linelab.sweep(track, KART, vary, store=store, jobs=1, progress=stopping)
    sweeps._middle.cache_clear()
    assert linelab.sweep(track, KART, vary, store=store, jobs=1, progress=said.append) == cases
    assert [text.split(" laps")[0] for text in said] == [
        f"{k} of 8" for k in (0, 1, 2, 3, 3, 4, 5, 6, 7, 8)
    ]  # the three that were kept are not solved again
    assert "left" in said[2]
    assert "left" not in said[-1]


@pytest.mark.slow
def test_new_processes_do_the_same(track, cases):
    assert linelab.sweep(track, KART, {"mass_kg": MASSES, "grip": [0.6, 1.0]}, jobs=2) == cases


KILLED = """
import sys, linelab
if __name__ == "__main__":
    vary = {"mass_kg": [220.0 + k for k in range(24)]}
    track = linelab.load_track("tinmarsh_rental")
    say = lambda text: print(text, flush=True)
    linelab.sweep(track, "rental-four-stroke", vary, store=sys.argv[1], jobs=2, progress=say)
"""


def _rows(path):
    connection = sqlite3.connect(path)
    try:
        return connection.execute("SELECT * FROM results ORDER BY number").fetchall()
    finally:
        connection.close()


def _ended(group):
    """Whether all processes of a group end by themselves soon."""
    for _ in range(100):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.1)
    return False


@pytest.mark.skipif(os.name != "posix", reason="processes are looked up as POSIX has them")
def test_killed_it_goes_on_without_losing_or_repeating_a_lap(tmp_path):
    script, store = tmp_path / "run.py", tmp_path / "sweep.sqlite"
    script.write_text(KILLED, encoding="utf-8")
    command = [sys.executable, str(script), str(store)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    first = subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env=environment, start_new_session=True
    )  # a group of its own, by which its processes are found
    said = ""
    while not said.startswith("5 of 24"):
        said = first.stdout.readline()
        assert said, "it ended by itself"
    first.kill()
    first.wait()
    kept = _rows(store)
    assert 5 <= len(kept) < 24
    assert _ended(first.pid), "processes were left behind"
    first.stdout.close()
    again = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=300)
    assert again.returncode == 0, again.stderr
    lines = again.stdout.splitlines()
    assert [line.split(" laps")[0] for line in lines] == [f"{k} of 24" for k in range(len(kept), 25)]
    everything = _rows(store)
    assert [row[0] for row in everything] == list(range(1, 25))
    assert {row[0]: row for row in everything}.items() >= {row[0]: row for row in kept}.items()


def test_what_cannot_be_solved_is_kept_with_its_reason_and_field(track):
    found = linelab.sweep(track, KART, {"tyres.mu_lateral": [0.55, 1.15], "mass_kg": [240.0]}, jobs=1)
    assert [case.outcome for case in found] == ["failed", "verified"]
    assert found[0].field == "tyres.mu_longitudinal"
    assert "same rubber" in found[0].reason
    assert found[0].lap_time is None
    assert found.to_dataframe()["reason"][0] == found[0].reason


def test_a_fault_of_one_lap_is_its_reason_and_costs_no_other(track, monkeypatch):
    real = sweeps.solve_min_time

    def faulty(track, kart, **more):
        if kart.mass == 235.0:
            raise ZeroDivisionError("division by zero")
        return real(track, kart, **more)

    monkeypatch.setattr(sweeps, "solve_min_time", faulty)
    sweeps._middle.cache_clear()
    found = linelab.sweep(track, KART, {"mass_kg": [225.0, 230.0, 235.0]}, jobs=1)
    assert [case.outcome for case in found] == ["verified", "verified", "failed"]
    assert "ZeroDivisionError" in found[2].reason


def test_without_checks_it_says_so(track):
    (case,) = linelab.sweep(track, KART, {"mass_kg": [240.0]}, verify=False, jobs=1)
    assert case.outcome == "not checked"


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"vary": {"mass_kg": [1.0e2, 1.6e2]}}, "varied values"),
        ({"kart": "junior-single-speed"}, "karts"),
        ({"grip": 0.9}, "options"),
        ({"track": "reversed"}, "tracks"),
    ],
)
def test_another_plan_is_refused_and_nothing_is_changed(track, tmp_path, monkeypatch, changed, named):
    monkeypatch.setattr(sweeps, "solve_case", lambda *_: sweeps.Outcome("failed", reason="not asked"))
    given = {"track": track, "kart": KART, "vary": {"mass_kg": [200.0, 210.0]}, "grip": 1.0}
    store = tmp_path / "sweep.sqlite"

    def run(track, kart, vary, grip):
        return linelab.sweep(track, kart, vary, grip=grip, store=store, jobs=1)

    run(**given)
    kept = _rows(store)
    assert run(**{**given, "track": linelab.load_track(TRACK)}).to_dataframe().shape[0] == 2  # the same, read anew
    if "track" in changed:
        changed = {"track": linelab.reversed_track(track)}
    with pytest.raises(linelab.InputError, match=f"another plan .*{named}") as refused:
        run(**given | changed)
    assert "another place" in refused.value.remedy
    assert _rows(store) == kept


def test_a_file_that_is_written_by_another_sweep_is_refused(track, tmp_path):
    store = tmp_path / "sweep.sqlite"
    refused = []

    def second(_text):
        if not refused:
            with pytest.raises(linelab.InputError, match="another sweep is writing") as found:
                linelab.sweep(track, KART, {"mass_kg": [240.0]}, store=store, jobs=1)
            refused.append(found)

    linelab.sweep(track, KART, {"mass_kg": [240.0]}, store=store, jobs=1, progress=second)
    assert refused


def test_a_file_of_another_kind_is_left_alone(track, tmp_path):
    text, other = tmp_path / "notes.sqlite", tmp_path / "other.sqlite"
    text.write_text("my notes, which are no database\n" * 40, encoding="utf-8")
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE mine (a)")
    connection.close()
    for path in (text, other):
        before = path.read_bytes()
        with pytest.raises(linelab.FileFormatError):
            linelab.sweep(track, KART, {"mass_kg": [240.0]}, store=path, jobs=1)
        assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("vary", "said"),
    [
        ({"mas_kg": [240.0]}, "did you mean mass_kg"),
        ({"mu_lateral": [1.2]}, r"belongs in \[tyres\]"),
        ({"mass_kg": [240.0, 2400.0]}, "outside the allowed range"),
        ({"mass_kg": []}, "no list of values"),
        ({"mass_kg": 240.0}, "no list of values"),
        ({"mass_kg": [240.0, 240.0]}, "twice"),
        ({"grip": [None]}, "neither a number nor a word"),
        ({"name.first": [1.0]}, "name is no table"),
        ({}, "nothing is varied"),
        ([{"mass_kg": 240.0}, {"grip": 1.0}], "does not give the fields"),
        ({"simple_drive.power_kw": [6.0, 7.0]}, "both are given"),
        ("mass_kg", "gives no fields"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_before_anything_is_solved(track, tmp_path, vary, said):
    with pytest.raises(linelab.InputError, match=said):
        linelab.sweep(track, KART, vary, store=tmp_path / "sweep.sqlite", jobs=1)
    assert list(tmp_path.iterdir()) == []


def test_tracks_and_karts_of_the_same_name_are_refused(track):
    for tracks, karts in (([track, track], KART), (track, [KART, KART]), ([], KART), (track, [])):
        with pytest.raises(linelab.InputError, match=r"two|no (tracks|karts)"):
            linelab.sweep(tracks, karts, {"grip": [1.0]})
    with pytest.raises(linelab.InputError, match="not a Track"):
        linelab.sweep(TRACK, KART, {"grip": [1.0]})


def test_sprockets_of_a_file_and_ratios_of_a_kart_are_the_same_gearing(track):
    teeth = linelab.sweep(track, "senior-single-speed", {"engine.axle_sprocket_teeth": [80]}, jobs=1)
    read = linelab.load_kart("senior-single-speed")
    kart = replace(read, engine=replace(read.engine, ratios=tuple(read.engine.ratios)))
    ratio = linelab.sweep(track, kart, {"engine.overall_ratios": [[80 / 12]]}, jobs=1)
    assert ratio[0].lap_time == pytest.approx(teeth[0].lap_time, abs=1e-6)
    assert teeth[0].lap_time < solved(TRACK, "senior-single-speed").lap_time - 0.05


def test_a_process_that_is_gone_is_told(track):
    class Gone(ThreadPoolExecutor):
        def submit(self, *_args, **_more):
            raise BrokenProcessPool("killed")

    with Gone(1) as pool, pytest.raises(linelab.SolveError, match="process that solves laps has ended") as found:
        linelab.sweep(track, KART, {"mass_kg": [240.0]}, executor=pool)
    assert "again to go on" in found.value.remedy


def test_points_of_a_hypercube_fill_each_range_evenly():
    points = linelab.latin_hypercube({"mass_kg": (150, 170), "grip": (0.8, 1.0)}, 40, seed=3)
    for name, low, high in (("mass_kg", 150.0, 170.0), ("grip", 0.8, 1.0)):
        share = (np.array([point[name] for point in points]) - low) / (high - low)
        assert sorted(np.floor(40 * share - 1e-9).astype(int)) == list(range(40))
    assert points == linelab.latin_hypercube({"mass_kg": (150, 170), "grip": (0.8, 1.0)}, 40, seed=3)
    assert points != linelab.latin_hypercube({"mass_kg": (150, 170), "grip": (0.8, 1.0)}, 40, seed=4)
    both = np.array([list(point.values()) for point in points])
    assert abs(np.corrcoef(both.T)[0, 1]) < 0.5
    for between, count in (({}, 3), ({"grip": (1.0, 0.8)}, 3), ({"grip": (0.8, 1.0)}, 0), ({"grip": 1.0}, 3)):
        with pytest.raises(linelab.InputError):
            linelab.latin_hypercube(between, count)


def test_the_middle_is_a_point_of_the_plan(track):
    points = [{"mass_kg": m, "grip": g} for m in (220.0, 250.0, 280.0) for g in (0.8, 0.95, 1.0)]
    plan = plan_of(track, KART, points, grip=1.0, tyres="slicks", use_kerbs=True, verify=True)
    assert plan.middles() == {(None, ""): {"mass_kg": 250.0, "grip": 0.95}}


DAYS = {"mass_kg": [235.0, 245.0], "grip": ["dry", "wet"], "tyres": ["slicks", "wets"]}


@pytest.fixture(scope="module")
def days(track):
    return linelab.sweep(track, KART, DAYS, jobs=1)


@pytest.mark.slow
def test_conditions_of_a_day_are_swept_as_words_and_each_lap_is_that_of_its_day(track, days):
    assert [tuple(case.values.values()) for case in days] == [
        (mass, grip, tyres) for mass in (235.0, 245.0) for grip in ("dry", "wet") for tyres in ("slicks", "wets")
    ]
    kart = linelab.load_kart(KART)
    for case in days:
        assert case.outcome == "verified"
        # the groove lies where karts of this class drive, whatever is varied
        day = linelab.on_the_day(track, kart, case.values["grip"], case.values["tyres"])
        own = replace(kart, mass=case.values["mass_kg"])
        alone = linelab.solve_min_time(day, own)
        assert case.lap_time == pytest.approx(alone.lap_time, abs=2e-3 + case.time_error + alone.time_error)
    by = {(case.values["grip"], case.values["tyres"]): case.lap_time for case in days}
    assert by["dry", "slicks"] < by["dry", "wets"] < by["wet", "wets"] < by["wet", "slicks"]


@pytest.mark.slow
def test_conditions_over_tracks_and_karts(track):
    other = replace(track, name="the other way", groove=None)
    karts = [KART, "junior-single-speed"]
    cases = linelab.sweep([track, other], karts, {"grip": ["damp"]}, tyres="wets", verify=False, jobs=1)
    assert [(case.track, case.kart) for case in cases] == [
        (ground.name, linelab.load_kart(kart).name) for ground in (track, other) for kart in karts
    ]
    for case, name in zip(cases, karts):
        kart = linelab.load_kart(name)
        day = linelab.on_the_day(track, kart, "damp", "wets")
        assert case.lap_time == pytest.approx(linelab.solve_min_time(day, kart, verify=False).lap_time, abs=2e-3)


@pytest.mark.slow
def test_a_sweep_of_conditions_goes_on_and_knows_another_ones_results(track, days, tmp_path):
    store = tmp_path / "days.sqlite"

    def stopping(text):
        if text.startswith("3 of 8"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        linelab.sweep(track, KART, DAYS, store=store, jobs=1, progress=stopping)
    for cache in (sweeps._middle, sweeps._ground, sweeps._groove):
        cache.cache_clear()
    said = []
    assert linelab.sweep(track, KART, DAYS, store=store, jobs=1, progress=said.append) == days
    assert said[0].startswith("3 of 8")
    with pytest.raises(linelab.InputError, match="varied values"):
        linelab.sweep(track, KART, DAYS | {"grip": ["dry", "damp"]}, store=store, jobs=1)
    one = tmp_path / "one.sqlite"
    linelab.sweep(track, KART, {"mass_kg": [245.0]}, grip="damp", tyres="wets", store=one, jobs=1, verify=False)
    for grip, tyres in (("wet", "wets"), ("damp", "slicks"), (1.0, "slicks")):
        with pytest.raises(linelab.InputError, match="not the same: options"):
            linelab.sweep(track, KART, {"mass_kg": [245.0]}, grip=grip, tyres=tyres, store=one, jobs=1, verify=False)


@pytest.mark.parametrize(
    ("vary", "given", "said"),
    [
        ({"grip": ["wet", 0.8]}, {}, "in words and in numbers"),
        ({"grip": ["moist"]}, {}, "weather 'moist' is not known"),
        ({"grip": ["wet"], "tyres": ["semis"]}, {}, "tyres 'semis' is not known"),
        ({"tyres": ["slicks", "wets"]}, {}, "tyres go with a condition in words"),
        ({"mass_kg": [240.0]}, {"grip": "wet", "tyres": "semis"}, "tyres 'semis' is not known"),
        ({"grip": [[1.0]]}, {}, "neither a number nor a word"),
    ],
)
def test_conditions_that_cannot_be_are_refused(track, vary, given, said):
    with pytest.raises(linelab.InputError, match=said):
        linelab.sweep(track, KART, vary, jobs=1, **given)


def test_each_condition_has_a_middle_of_its_own(track):
    points = [{"mass_kg": m, "grip": g} for g in ("dry", "wet") for m in (220.0, 250.0, 280.0)]
    plan = plan_of(track, KART, points, grip=1.0, tyres="wets", use_kerbs=True, verify=True)
    assert plan.middles() == {(g, "wets"): {"mass_kg": 250.0, "grip": g} for g in ("dry", "wet")}


def test_tables_hold_every_case_and_read_back(cases, tmp_path):
    import pandas

    failed = replace(cases[0], number=9, outcome="failed", lap_time=None, time_error=None, corners=(), reason="=1+1")
    rows = [*cases, failed]
    for name in ("sweep.csv", "sweep.parquet"):
        save_cases(rows, tmp_path / name)
    frames = pandas.read_csv(tmp_path / "sweep.csv"), pandas.read_parquet(tmp_path / "sweep.parquet")
    for frame in frames:
        assert list(frame["case"]) == list(range(1, 10))
        assert frame["lap_time_s"].isna().sum() == 1
        assert list(frame["lap_time_s"][:8]) == [case.lap_time for case in cases]
        assert frame.filter(like="corner_").filter(like="time_s").shape[1] == len(cases[0].corners)
    assert list(frames[0].columns) == list(frames[1].columns)
    assert frames[0]["reason"][8] == "'=1+1"  # no spreadsheet takes it for a formula
    with pytest.raises(linelab.InputError, match="neither"):
        save_cases(rows, tmp_path / "sweep.xlsx")


@pytest.mark.skipif(os.name != "posix", reason="signals are sent here as POSIX has them")
@pytest.mark.parametrize("when", ["workers begin", "laps come"])
def test_ctrl_c_ends_a_command_cleanly_and_says_that_it_can_go_on(tmp_path, interruptible, when):
    """Pressed in a terminal it reaches the workers too."""
    command = [sys.executable, "-m", "linelab", "sweep", TRACK, KART, "--vary", "mass_kg=200:279:1", "--jobs", "2"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        [*command, "--out", str(tmp_path / "out")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=environment, start_new_session=True,
    )  # fmt: skip
    store = tmp_path / "out" / "sweep.sqlite"
    # The plan is in the file itself, results first come into the log beside it.
    watched, size = (store.with_name("sweep.sqlite-wal"), 30_000) if when == "laps come" else (store, 1)
    while not watched.exists() or watched.stat().st_size < size:
        assert process.poll() is None
        time.sleep(0.02)
    if when == "workers begin":
        time.sleep(0.3)
    os.killpg(process.pid, signal.SIGINT)
    out, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert out == ""
    *kept, last = (line for line in said.splitlines() if line)
    assert last == "linelab: interrupted; nothing half done is left"
    count = len(_rows(store))
    assert count > 0 or when == "workers begin"
    if kept or count:
        assert kept == [f"{count} of 80 laps are kept; the same command goes on"]
    assert [item.name for item in (tmp_path / "out").iterdir()] == ["sweep.sqlite"]
    assert _ended(process.pid), "processes were left behind"
