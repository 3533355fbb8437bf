"""Ctrl-C: one line, exit code 130 and no traceback, whenever it comes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from linelab.cli import main as cli
from linelab.cli.interrupt import INTERRUPTED, answer_from_now_on, interruptions
from linelab.files.writing import undisturbed

ROOT = Path(__file__).resolve().parents[2]
pytestmark = [
    pytest.mark.skipif(os.name != "posix", reason="signals are sent here as POSIX has them"),
    pytest.mark.usefixtures("interruptible"),
]

#: Runs the program as its script does, and presses Ctrl-C when a module is looked for the first time.
PROGRAM = """
import signal, sys

class Pressing:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            sys.meta_path.remove(self)
            signal.raise_signal(signal.SIGINT)

sys.meta_path.insert(0, Pressing())
sys.argv = ["linelab", "kart", "gearbox"]
from {home} import {function}
{function}()
"""


def _script() -> tuple[str, str]:
    """Module and function that the installed command calls."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    home, function = project["project"]["scripts"]["linelab"].split(":")
    return home, function


@pytest.mark.parametrize(
    "module", ["linelab.cli.main", "click", "linelab.cli.show_track", "linelab.files.kart_file", "pydantic"]
)
def test_while_the_program_is_still_loading(module):
    home, function = _script()
    program = PROGRAM.format(module=module, home=home, function=function)
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert done.stderr.split("\n") in ([f"linelab: {INTERRUPTED}", ""], ["", f"linelab: {INTERRUPTED}", ""])
    assert done.returncode == 130
    assert done.stdout == ""


def test_after_the_command_has_run():
    """Between the command's end and the process's, the interpreter's own answer is a KeyboardInterrupt."""
    program = (
        "import atexit, signal, sys\n"
        "atexit.register(signal.raise_signal, signal.SIGINT)\n"
        "sys.argv = ['linelab', '--version']\n"
        "from linelab.__main__ import main\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert done.stdout.startswith("linelab ")
    assert done.stderr == f"linelab: {INTERRUPTED}\n"
    assert done.returncode == 130


def test_where_the_shell_has_it_ignored_it_stays_so():
    """A command in the background of a script is not ended by Ctrl-C in front of it."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        answer_from_now_on()
        with interruptions:
            signal.raise_signal(signal.SIGINT)
            assert not interruptions.seen
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize("where", ["", "/media/stick/lap.json"])
def test_a_full_disk_is_told_in_plain_words(capsys, monkeypatch, where):
    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device", where or None)

    monkeypatch.delenv("LINELAB_DEBUG", raising=False)
    monkeypatch.setattr("linelab.output.kart_facts.kart_words", full)
    assert cli.run(["kart", "gearbox"]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "No space left on device" in said
    assert "choose another folder" in said
    assert "unexpected" not in said
    assert where in said


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_kill_and_a_closed_window_leave_nothing_behind_either(tmp_path, name):
    """While results are being written, which is when a folder for them stands beside the target."""
    number = getattr(signal, name)
    program = (
        "import signal, sys\n"
        f"signal.signal({int(number)}, signal.SIG_DFL)\n"  # under nohup it would be ignored, and stay so
        "from linelab.files import writing\n"
        "from linelab.output.draw import kart_diagrams\n"
        "def drawing(*_):\n"
        f"    signal.raise_signal({int(number)})\n"
        "kart_diagrams.plot_kart = drawing\n"
        "sys.argv = ['linelab', 'kart', 'gearbox', '--out', 'results']\n"
        "from linelab.__main__ import main\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=tmp_path, timeout=60)
    assert done.returncode == 128 + number
    assert done.stderr.strip() == f"linelab: {INTERRUPTED}"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_they_wait_while_files_are_moved_into_place(name):
    number, done = getattr(signal, name), []

    def moving():
        with interruptions, undisturbed():
            signal.raise_signal(number)
            done.append("moved")

    before = signal.signal(number, signal.default_int_handler)  # whatever started the tests may ignore it
    try:
        with pytest.raises(KeyboardInterrupt):
            moving()
    finally:
        signal.signal(number, before)
    assert done == ["moved"]
    assert interruptions.seen == number
