"""The command line: what it loads, how it ends, and how it takes paths."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import click
import pytest

# Loaded before a test puts something else in the solver's place: who takes it by name would keep that.
import linelab.output.sheet.track_sheet
import linelab.study.habit_costs  # noqa: F401
from linelab.cli import main as cli
from linelab.cli.common import default_folder
from linelab.cli.demo import demo_recording
from linelab.cli.options import GripOrWeather, PathText, parse_pairs
from linelab.errors import InputError, SolveError, legible
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_file import load_track
from linelab.files.writing import claimed_folder
from linelab.model.conditions import GRIP_RANGE
from linelab.optimum.minimum_time import solve_min_time

ROOT = Path(__file__).resolve().parents[2]
COMMANDS = ("compare-setups", "cost", "demo", "kart", "pays", "reference", "review", "track")


def _run(capsys, *arguments):
    """Exit code, standard output and standard error of a command run in this process."""
    code = cli.run([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


@pytest.mark.parametrize("arguments", [["--help"], *([name, "--help"] for name in COMMANDS)])
def test_help_loads_nothing_heavy_and_shows_examples(arguments):
    code = (
        "import sys\nfrom linelab.cli.main import run\n"
        f"code = run({arguments!r})\n"
        "print([m for m in ('scipy', 'matplotlib', 'casadi', 'numpy', 'shapely', 'rich') if m in sys.modules], code)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().endswith("[] 0")
    assert "Example" in done.stdout
    assert "linelab " + ("demo" if arguments == ["--help"] else arguments[0]) in done.stdout


def test_the_command_lists_its_subcommands(capsys):
    code, out, _ = _run(capsys, "--help")
    assert code == 0
    assert all(f"  {name} " in out for name in COMMANDS)
    assert "Computed limits are not targets" in out


@pytest.mark.parametrize(
    "arguments",
    [
        ["nonsense"],
        ["kart", "--nonsense"],
        ["reference", "only-a-track"],
        ["reference", "a", "b", "--grip", "moist"],
        ["reference", "a", "b", "--grip", "9"],
        ["kart", "no such kart.toml"],
        ["kart", ""],
        ["track", "no such track.geojson"],
        ["review", "x.csv"],
        ["review", "x.csv", "--kart", "gearbox", "--track", "ostrelle_sprint", "--width", "7"],
        ["review", "x.csv", "--kart", "gearbox", "--reverse"],
        ["review", "no such recording.csv", "--kart", "gearbox"],
        ["review", "x.csv", "--kart", "gearbox", "--column", "speed"],
        ["reference", "ostrelle_sprint", "gearbox", "--corner", "99"],
        ["track", "survey.csv", "--column", "nonsense=x"],
    ],
)
def test_bad_input_ends_with_2_and_without_a_traceback(capsys, monkeypatch, tmp_path, arguments):
    monkeypatch.chdir(tmp_path)
    code, out, err = _run(capsys, *arguments)
    assert code == 2
    assert err.strip()
    assert "Traceback" not in err + out
    assert list(tmp_path.iterdir()) == []


def test_library_errors_are_one_line(capsys, tmp_path):
    bad = tmp_path / "bad kart.toml"
    bad.write_text('name = "x"\nmass_kg = -5\nspeed = 3\n')
    code, _, err = _run(capsys, "kart", bad)
    assert code == 2
    assert err.count("\n") == 1
    assert "mass_kg" in err
    assert "speed: unknown field" in err


def test_solver_failure_ends_with_1(capsys, monkeypatch, tmp_path):
    def failing(*_args, **_kwargs):
        raise SolveError("no minimum-time line found", remedy="Check the track")

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("linelab.optimum.minimum_time.solve_min_time", failing)
    code, out, err = _run(capsys, "reference", "tinmarsh_rental", "rental-four-stroke")
    assert code == 1
    assert err == "linelab: no minimum-time line found. Check the track.\n"
    assert out == ""
    assert list(tmp_path.iterdir()) == []


def test_interruption_ends_with_130_and_writes_nothing(capsys, monkeypatch, tmp_path):
    def interrupted(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("linelab.optimum.minimum_time.solve_min_time", interrupted)
    code, _, err = _run(capsys, "reference", "tinmarsh_rental", "rental-four-stroke")
    assert code == 130
    assert "interrupted" in err
    assert list(tmp_path.iterdir()) == []


def test_unexpected_faults_are_one_line_too(capsys, monkeypatch):
    def broken(*_args, **_kwargs):
        raise ZeroDivisionError("oh")

    monkeypatch.delenv("LINELAB_DEBUG", raising=False)
    monkeypatch.setattr("linelab.output.kart_facts.kart_words", broken)
    code, _, err = _run(capsys, "kart", "gearbox")
    assert code == 1
    assert err.count("\n") == 1
    assert "ZeroDivisionError" in err


def test_kart_without_a_name_lists_the_bundled_ones(capsys):
    code, out, _ = _run(capsys, "kart")
    assert code == 0
    assert "senior-single-speed" in out


def test_track_without_a_name_lists_the_bundled_ones(capsys):
    code, out, _ = _run(capsys, "track")
    assert code == 0
    assert "ostrelle_sprint" in out


def test_kart_facts_picture_and_copy(capsys, tmp_path):
    copy = tmp_path / "my karts" / "mine.toml"
    sheet = tmp_path / "kart sheet"
    code, out, _ = _run(capsys, "kart", "gearbox", "--units", "imperial", "--save", copy, "--out", sheet)
    assert code == 0
    assert "mph" in out
    assert "km/h" not in out
    assert "Computed limits are not targets" in out
    assert (sheet / "kart.png").read_bytes().startswith(b"\x89PNG")
    assert load_kart(copy).mass == load_kart("gearbox").mass


def test_units_can_come_from_the_environment(capsys, monkeypatch):
    monkeypatch.setenv("LINELAB_UNITS", "imperial")
    assert "mph" in _run(capsys, "kart", "gearbox")[1]


def test_track_facts_reverse_and_save(capsys, tmp_path):
    first, second = tmp_path / "one.geojson", tmp_path / "two.geojson"
    assert _run(capsys, "track", "tinmarsh_rental", "--save", first)[0] == 0
    code, out, _ = _run(capsys, "track", first, "--reverse", "--save", second, "--out", tmp_path / "sheet")
    assert code == 0
    assert "anticlockwise" in out
    assert "440 m along the middle; places are distances along the reference line, 402 m long." in out
    assert "French motor sport federation" in out
    assert second.exists()
    assert (tmp_path / "sheet" / "track.png").exists()


@pytest.mark.parametrize(("command", "source"), [("track", "tinmarsh_rental"), ("kart", "gearbox")])
def test_files_do_not_depend_on_who_reads_the_output(monkeypatch, tmp_path, command, source):
    """A reader who has had enough (``| head -2``) makes printing end the command."""

    def gone(*_lines):
        raise SystemExit(1)

    monkeypatch.setattr(f"linelab.cli.show_{command}.say", gone)
    saved = tmp_path / f"saved.{'geojson' if command == 'track' else 'toml'}"
    assert cli.run([command, source, "--save", str(saved), "--out", str(tmp_path / "out")]) == 0
    assert saved.stat().st_size > 0
    assert (tmp_path / "out" / f"{command}.png").exists()


def test_a_centre_line_with_widths_is_imported(capsys, tmp_path):
    """A circle of 30 m radius, 8 m wide: its length along the middle is 2·pi·30 = 188.5 m."""
    import numpy as np

    angle = np.linspace(0.0, 2 * np.pi, 121)[:-1]
    rows = [f"{30 * np.cos(a):.4f};{30 * np.sin(a):.4f};4.0;4.0" for a in angle]
    source = tmp_path / "my survey.csv"
    source.write_text("\n".join(["east;north;l;r", *rows]) + "\n")
    columns = [
        f"--column={role}={title}" for role, title in zip(("x", "y", "w_left", "w_right"), ("east", "north", "l", "r"))
    ]
    code, out, err = _run(capsys, "track", source, *columns, "--closed", "--save", tmp_path / "ring.geojson")
    assert code == 0, err
    assert "188 m along the middle" in out or "189 m along the middle" in out
    assert (tmp_path / "ring.geojson").exists()


@pytest.mark.skipif(os.sep != "/", reason="backslashes are the native separator here")
def test_backslashes_and_quotes_in_paths(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert _run(capsys, "kart", "gearbox", "--save", "my karts\\mine.toml")[0] == 0
    assert (tmp_path / "my karts" / "mine.toml").exists()
    assert _run(capsys, "kart", '"my karts\\mine.toml"')[0] == 0


def test_a_file_whose_name_holds_a_backslash_is_still_found(tmp_path, monkeypatch):
    if os.sep != "/":
        pytest.skip("such names cannot exist here")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "odd\\name.toml").write_text("x")
    assert PathText().convert("odd\\name.toml", None, None) == "odd\\name.toml"


@pytest.mark.parametrize(("text", "found"), [("dry", "dry"), ("Damp", "damp"), ("DRYING", "drying"), ("0,8", 0.8)])
def test_grip_words(text, found):
    assert GripOrWeather().convert(text, None, None) == found


def test_every_command_takes_the_same_range_of_grip_as_the_solver():
    """Below and above it no command gets as far as a solve, and at its ends the solver says nothing against it."""
    kinds = {
        name: option.type
        for name, command in cli.cli.commands.items()
        for option in command.params
        if option.name == "grip"
    }
    assert {"cost", "margin", "pays", "reference", "review", "sheet", "sweep"} <= set(kinds)
    track, kart = load_track("tinmarsh_rental"), load_kart("rental-four-stroke")
    for kind in kinds.values():
        assert [kind.convert(str(end), None, None) for end in GRIP_RANGE] == list(GRIP_RANGE)
        for beyond in (0.99 * GRIP_RANGE[0], 1.01 * GRIP_RANGE[1]):
            with pytest.raises(click.BadParameter, match=r"0\.05 to 3"):
                kind.convert(str(beyond), None, None)
            with pytest.raises(InputError, match=r"0\.05 to 3"):
                solve_min_time(track, kart, grip=beyond)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (
            ("reference", "tinmarsh_rental", "rental-four-stroke", "--grip", "0.5", "--tyres", "wets"),
            "a number is the whole",
        ),
        (("review", "ostrelle_practice", "--track", "ostrelle_sprint", "--grip", "wet"), "need --track and --kart"),
        (("sheet", "tinmarsh_rental", "rental-four-stroke", "--grip", "wet", "--tyres", "rain"), "slicks"),
    ],
)
def test_tyres_and_weather_that_do_not_go_together(capsys, tmp_path, arguments, said):
    code, _, err = _run(capsys, *arguments, "--out", tmp_path / "out")
    assert code == 2
    assert said in err


def test_default_folders_are_plain_names():
    assert default_folder("My Track (wet)", "kart") == Path("linelab_results") / "my_track__wet_kart"


def test_pairs():
    assert parse_pairs(("x=East = 1", " y = n "), "--column") == {"x": "East = 1", "y": "n"}
    with pytest.raises(click.BadParameter, match="not of the form"):
        parse_pairs(("q",), "--column")


def test_the_module_runs_as_a_program():
    done = subprocess.run(
        [sys.executable, "-m", "linelab.cli.main", "kart", "no-such"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=60,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("linelab: no-such: no such kart file")


def test_the_command_keeps_linear_algebra_to_one_thread_unless_told(monkeypatch):
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    with pytest.raises(SystemExit):
        cli.main(["--version"])
    assert os.environ["OPENBLAS_NUM_THREADS"] == "1"
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "2")
    with pytest.raises(SystemExit):
        cli.main(["--version"])
    assert os.environ["OPENBLAS_NUM_THREADS"] == "2"


@pytest.mark.parametrize("text", ["nan", "inf", "51,x"])
def test_ends_of_a_start_line_that_are_no_numbers(capsys, tmp_path, text):
    ends = ["7.0", text, "7.0001", "51.0"]
    code, _, err = _run(capsys, "review", tmp_path / "s.csv", "--kart", "gearbox", "--start-line", *ends)
    assert code == 2
    assert err.startswith("linelab: Invalid value for '--start-line'")


@pytest.mark.skipif(os.name != "posix" or sys.platform == "darwin", reason="names are Unicode there")
def test_names_that_are_no_unicode_are_printed(capsys, tmp_path):
    folder = os.fsdecode(os.path.join(os.fsencode(tmp_path), b"Gel\xe4nde"))
    os.mkdir(folder)
    code, out, err = _run(capsys, "kart", "gearbox", "--save", os.path.join(folder, "mine.toml"))
    assert code == 0, err
    assert "Gel\ufffdnde" in out


#: Ways to take over a terminal (window title, colours by C1, writing direction), a formula of the drawing library, and
#: letters that its font lacks.
NASTY = "=1+1\x1b]0;owned\x07\x9b31m\u202eevil\u2066\u2028 $\\foo$ 赛道"


@pytest.fixture
def nasty(tmp_path, monkeypatch):
    """A track, a kart and a recording in whose every name there is something for the terminal."""
    monkeypatch.chdir(tmp_path)
    ground = json.loads((ROOT / "tracks" / "tinmarsh_rental.geojson").read_text(encoding="utf-8"))
    for feature in ground["features"]:
        named = {"name", "survey_note"} if feature["properties"]["role"] == "track" else {"name"}
        feature["properties"] |= dict.fromkeys(named, NASTY)
    Path("t.geojson").write_text(json.dumps(ground), encoding="utf-8")
    lines = (ROOT / "linelab" / "data" / "karts" / "rental-four-stroke.toml").read_text(encoding="utf-8").split("\n")
    for i, line in enumerate(lines):
        if line.startswith(("name =", "description =")):
            lines[i] = f"{line.split('=')[0]}= {json.dumps(NASTY)}"
    Path("k.toml").write_text("\n".join(lines), encoding="utf-8")
    Path("r\x1b[31m.csv").write_text(
        "time [s],lon,x\x9b\u202e speed [furlongs\x9b31m]\n0,1,2\n1,2,3\n", encoding="utf-8"
    )
    return tmp_path


@pytest.mark.parametrize(
    "arguments",
    [
        ["track", "t.geojson", "--out", "out"],
        ["kart", "k.toml", "--out", "out"],
        ["reference", "t.geojson", "k.toml", "--out", "out", "--corner", "1"],
        ["review", "r\x1b[31m.csv", "--kart", "k.toml"],
        ["kart", "no such\x9b31m\u202e"],
    ],
)
def test_what_is_printed_is_text_whatever_the_files_hold(capsys, nasty, arguments):
    code, out, err = _run(capsys, *arguments)
    assert code == (0 if "--out" in arguments else 2), err
    acted_on = {"Cc", "Cf", "Cs", "Zl", "Zp"}
    assert [c for c in out + err if unicodedata.category(c) in acted_on and c not in "\n\t"] == []
    assert "\ufffd" in out + err
    assert err.count("\n") <= 1
    assert (nasty / "out").exists() == ("--out" in arguments)


def test_letters_that_scripts_need_are_printed():
    told = "Zoë\u200d, می\u200cخواهم, 赛道, a\tb\nc, 5.5\u00a0m, 🏁"
    assert legible(told) == told


def test_libraries_warn_nobody_at_the_terminal(nasty):
    """Of letters that no font here has, and of numbers that overflow."""
    program = (
        "import sys\nimport numpy as np\nfrom linelab.output.draw import kart_diagrams\n"
        "drawn = kart_diagrams.plot_kart\n"
        "kart_diagrams.plot_kart = lambda *a: (np.float64(1e308) * 10.0, drawn(*a))[1]\n"
        "sys.argv = ['linelab', 'kart', 'k.toml', '--out', 'out']\n"
        "from linelab.__main__ import main\nmain()\n"
    )
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    environment["PYTHONPATH"] = str(ROOT)
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, cwd=nasty, timeout=60, env=environment
    )
    assert done.returncode == 0
    assert done.stderr == ""


def test_a_folder_in_use_is_told_before_anything_is_computed(capsys, monkeypatch, tmp_path):
    monkeypatch.setattr("linelab.optimum.minimum_time.solve_min_time", pytest.fail)
    with claimed_folder(tmp_path / "out") as held:
        for command in (
            ["reference", "tinmarsh_rental", "rental-four-stroke"],
            ["sheet", "tinmarsh_rental", "rental-four-stroke"],
            ["review", demo_recording(), "--kart", "gearbox"],
            ["track", "tinmarsh_rental"],
            ["kart", "gearbox"],
        ):
            code, out, err = _run(capsys, *command, "--out", held.path)
            assert (code, out) == (2, "")
            assert "another linelab command is at work here. Wait until it has ended, or choose another place." in err
    assert list(tmp_path.iterdir()) == []


def test_a_kart_is_fitted_to_recordings_and_saved(capsys, small_session, tmp_path):
    """Two sessions count together; what is printed and saved is the fitted kart, from the nearest class."""
    path = tmp_path / "fitted.toml"
    track = ("--track", "tinmarsh_rental")
    second = tmp_path / "second.csv"
    second.write_bytes(small_session.read_bytes())
    code, out, _ = _run(capsys, "kart", "--from", small_session, "--from", second, *track, "--save", path)
    assert code == 0
    assert "Fitted to 6 laps of" in out
    assert "Nearest bundled class: rental-four-stroke" in out
    assert all(word in out for word in ("Cornering: ", "at least", "±", "Misfit at full throttle"))
    assert load_kart(path).name == "Rental four-stroke, fitted"
    assert f"of {small_session.name}, second.csv" in path.read_text(encoding="utf-8")
    code, _, said = _run(capsys, "kart", "rental-four-stroke", *track)
    assert code == 2
    assert "--track needs --from" in said
    code, _, said = _run(capsys, "kart", "--from", second, "--from", second, *track)
    assert code == 2
    assert "twice" in said
    code, _, said = _run(capsys, "kart", "--from", tmp_path / "none.csv")
    assert code != 0
    assert "none.csv" in said
