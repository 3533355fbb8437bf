"""Result folders appear whole, keep strangers' files, and drop their own stale ones."""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest

from linelab.errors import InputError
from linelab.files.writing import (
    MANIFEST,
    WORKSHOP,
    claimed_folder,
    clear_left,
    replacing,
    results_folder,
    write_text,
    written_before,
)


def _run(target, **files):
    with results_folder(target) as stage:
        for name, text in files.items():
            (stage / f"{name}.txt").write_text(text)


def _names(folder):
    return sorted(item.name for item in folder.iterdir())


def test_files_appear_together(tmp_path):
    target = tmp_path / "my results" / "lap"
    _run(target, a="1", b="2")
    assert _names(target) == ["a.txt", "b.txt", MANIFEST]
    assert written_before(target) == ["a.txt", "b.txt"]
    assert _names(target.parent) == ["lap"]


def test_second_run_replaces_its_own_files_only(tmp_path):
    target = tmp_path / "lap"
    target.mkdir()
    (target / "mine.txt").write_text("keep")
    _run(target, a="1", b="2")
    _run(target, a="3")
    assert _names(target) == ["a.txt", MANIFEST, "mine.txt"]
    assert (target / "a.txt").read_text() == "3"
    assert (target / "mine.txt").read_text() == "keep"


def test_a_file_of_the_users_own_is_not_replaced(tmp_path):
    target = tmp_path / "lap"
    target.mkdir()
    (target / "a.txt").write_text("my notes")
    with pytest.raises(InputError, match=r"a\.txt is here already, and not from an earlier run"):
        _run(target, a="1", b="2")
    assert _names(target) == ["a.txt"]
    assert (target / "a.txt").read_text() == "my notes"


@pytest.mark.parametrize("exception", [KeyboardInterrupt, RuntimeError])
def test_an_interrupted_run_changes_nothing(tmp_path, exception):
    target = tmp_path / "lap"
    _run(target, a="1")

    def interrupted():
        with results_folder(target) as stage:
            (stage / "a.txt").write_text("half")
            raise exception

    with pytest.raises(exception):
        interrupted()
    assert (target / "a.txt").read_text() == "1"
    assert _names(tmp_path) == ["lap"]


def test_an_interrupted_first_run_leaves_no_folder(tmp_path):
    def interrupted():
        with results_folder(tmp_path / "lap"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert _names(tmp_path) == []


def test_a_forged_list_cannot_reach_outside(tmp_path):
    target = tmp_path / "lap"
    target.mkdir()
    (tmp_path / "precious.txt").write_text("keep")
    (target / MANIFEST).write_text('{"files": ["../precious.txt", "/etc/passwd", 3]}')
    _run(target, a="1")
    assert (tmp_path / "precious.txt").read_text() == "keep"


@pytest.mark.parametrize("name", ["..", ".", "sub", "sub/mine.txt", "/etc", "a\0b", "\udc80", "x" * 5000])
def test_a_list_that_names_what_is_no_file_of_the_folder_is_no_obstacle(tmp_path, name):
    target = tmp_path / "lap"
    _run(target, a="1", b="2")
    (target / "sub").mkdir()
    (target / "sub" / "mine.txt").write_text("keep")
    (target / MANIFEST).write_text(json.dumps({"files": [name, "a.txt", "b.txt"]}))
    _run(target, a="3")
    assert _names(target) == ["a.txt", MANIFEST, "sub"]
    assert _names(target / "sub") == ["mine.txt"]
    assert (target / "a.txt").read_text() == "3"


@pytest.mark.parametrize("text", ["[" * 100_000, "{}", '{"files": 3}', "\xff"])
def test_a_list_that_is_none_counts_as_none(tmp_path, text):
    (tmp_path / MANIFEST).write_bytes(text.encode("latin-1"))
    assert written_before(tmp_path) == []


@pytest.mark.parametrize("name", ["b.txt", MANIFEST])
def test_a_folder_in_the_way_is_noticed_before_a_file_moves(tmp_path, name):
    target = tmp_path / "lap"
    _run(target, a="1", b="2")
    (target / name).unlink()
    (target / name).mkdir()
    with pytest.raises(InputError):
        _run(target, a="3", b="4", c="5")
    assert (target / "a.txt").read_text() == "1"
    assert WORKSHOP not in _names(target)


#: Writes two files into the folder "lap" and is stopped by what stands for {moment}.
KILLED = """
import os, signal
from linelab.files import writing as atomic
from linelab.files import writing as outputs
{moment}
with outputs.results_folder("lap") as stage:
    (stage / "a.txt").write_text("new")
    (stage / "b.txt").write_text("new")
    {inside}
"""
DEATH = "os.kill(os.getpid(), signal.SIGKILL)"
MOMENTS = {
    "writing": ("", DEATH),
    "moving": (f"replace, moved = os.replace, []\ndef dying(*a):\n  moved.append(a)\n  if len(moved) == 3: {DEATH}\n"
               "  replace(*a)\nos.replace = dying", ""),
    "a single file": ("", f"with atomic.replacing('single.txt') as part:\n      part.write_text('half'); {DEATH}"),
}  # fmt: skip


@pytest.mark.skipif(os.name == "nt", reason="signals differ")
@pytest.mark.parametrize("when", MOMENTS)
def test_what_a_kill_leaves_is_cleared_away_by_the_next_run(tmp_path, when):
    _run(tmp_path / "lap", a="1", b="2", c="3")
    moment, inside = MOMENTS[when]
    done = _child(KILLED.format(moment=moment, inside=inside), tmp_path)
    assert done.wait(60) == -signal.SIGKILL
    _run(tmp_path / "lap", a="4", b="5")
    write_text(tmp_path / "single.txt", "whole")
    assert _names(tmp_path / "lap") == ["a.txt", "b.txt", MANIFEST]
    assert _names(tmp_path) == ["lap", "single.txt"]
    assert (tmp_path / "lap" / "b.txt").read_text() == "5"


@pytest.mark.skipif(os.name == "nt", reason="signals differ")
def test_a_second_run_meanwhile_is_refused_and_a_dead_one_is_not_waited_for(tmp_path):
    holding = (
        "import sys, time\nfrom linelab.files.writing import claimed_folder\n"
        "with claimed_folder('lap'):\n  print('held', flush=True)\n  time.sleep(60)"
    )
    first = _child(holding, tmp_path)
    assert first.stdout.readline() == "held\n"
    with pytest.raises(InputError, match="another linelab command is at work here"):
        _run(tmp_path / "lap", a="1")
    _run(tmp_path / "other", a="1")
    first.kill()
    first.wait(60)
    _run(tmp_path / "lap", a="2")
    assert _names(tmp_path / "lap") == ["a.txt", MANIFEST]


def test_one_claim_holds_for_all_that_is_written_under_it(tmp_path):
    with claimed_folder(tmp_path / "new" / "lap") as folder:
        _run(folder, a="1")
        with pytest.raises(InputError, match="another linelab command"), claimed_folder(tmp_path / "new" / "lap"):
            pass
        assert written_before(tmp_path / "new" / "lap") == ["a.txt"]
    assert _names(tmp_path / "new" / "lap") == ["a.txt", MANIFEST]


@pytest.mark.skipif(os.name == "nt", reason="signals differ")
def test_runs_side_by_side_end_as_one_of_them(tmp_path):
    """Each writes files of its own names over and over; while it holds the folder its own are all there is."""
    racing = (
        "import sys\nfrom pathlib import Path\nfrom linelab.errors import InputError\n"
        "from linelab.files.writing import claimed_folder, results_folder\n"
        "me, target, won = sys.argv[1], Path('lap'), 0\n"
        "while won < 15:\n"
        "  try:\n"
        "    with claimed_folder(target) as folder:\n"
        "      with results_folder(folder) as stage:\n"
        "        for k in range(4): (stage / f'{me}{k}.txt').write_text(me)\n"
        "      found = sorted(item.name for item in target.iterdir() if item.suffix == '.txt')\n"
        "      assert found == [f'{me}{k}.txt' for k in range(4)], found\n"
        "      won += 1\n"
        "  except InputError as error:\n"
        "    assert 'at work' in str(error), error\n"
    )
    running = [_child(racing, tmp_path, me) for me in "pqr"]
    assert [child.wait(120) for child in running] == [0, 0, 0]
    left = _names(tmp_path / "lap")
    assert left in [[MANIFEST, *(f"{me}{k}.txt" for k in range(4))] for me in "pqr"]


def _child(program, folder, *arguments):
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    command = [sys.executable, "-c", program, *arguments]
    return subprocess.Popen(command, cwd=folder, env=environment, stdout=subprocess.PIPE, text=True)


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "lap").write_text("x")
    with pytest.raises(InputError, match="this is a file, not a folder"):
        _run(tmp_path / "lap", a="1")
    assert (tmp_path / "lap").read_text() == "x"


def test_an_interrupted_first_run_leaves_no_folder_on_the_way(tmp_path):
    def interrupted():
        with results_folder(tmp_path / "new" / "lap"), replacing(tmp_path / "other" / "a.txt"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert _names(tmp_path) == []


@pytest.mark.skipif(os.name == "nt", reason="permissions are another matter there")
def test_a_folder_of_the_users_in_one_that_is_not_takes_results(tmp_path):
    """A disk mounted at the folder looks like this: nothing can be made beside it."""
    target = tmp_path / "lap"
    target.mkdir()
    with read_only(tmp_path):
        _run(target, a="1")
    assert _names(target) == ["a.txt", MANIFEST]


@pytest.mark.skipif(os.name == "nt", reason="permissions are another matter there")
@pytest.mark.parametrize("name", ["lap", "new/lap"])
def test_a_read_only_place_is_told(tmp_path, name):
    with read_only(tmp_path):
        with pytest.raises(InputError, match="cannot write here"):
            _run(tmp_path / name, a="1")
        with pytest.raises(InputError, match="cannot write here"):
            write_text(tmp_path / name, "text")
    assert _names(tmp_path) == []


@contextmanager
def read_only(folder):
    """A folder nobody may write to; the administrator, whom permissions do not bind, acts as somebody else."""
    administrator = os.geteuid() == 0
    if administrator:
        for path in (folder, *folder.rglob("*")):
            path.chmod(0o777)
        for parent in itertools.takewhile(lambda path: path != Path(tempfile.gettempdir()), folder.parents):
            parent.chmod(0o755)
    folder.chmod(0o555)
    try:
        if administrator:
            os.seteuid(65534)
        yield
    finally:
        if administrator:
            os.seteuid(0)
        folder.chmod(0o755)


def test_single_files_are_replaced_whole(tmp_path):
    path = tmp_path / "new folder" / "a.txt"
    write_text(path, "é\n")
    assert path.read_bytes() == "é\n".encode()

    def failing():
        with replacing(path) as temporary:
            temporary.write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        failing()
    assert path.read_bytes() == "é\n".encode()
    assert _names(path.parent) == ["a.txt"]


def test_a_place_under_a_file_is_told(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="this is a file, not a folder"):
        write_text(tmp_path / "file" / "a.txt", "text")


@pytest.mark.skipif(os.name == "nt", reason="signals differ")
@pytest.mark.usefixtures("interruptible")
def test_an_interruption_waits_until_all_files_are_in_place(tmp_path, monkeypatch):
    """Ctrl-C between two moves: it counts afterwards, and all files are there."""
    moved, replace = [], os.replace

    def slow(source, target):
        replace(source, target)
        moved.append(target)
        if len(moved) == 2:
            signal.raise_signal(signal.SIGINT)

    def write() -> None:
        with results_folder(tmp_path / "out") as folder:
            for name in ("a.txt", "b.txt", "c.txt"):
                (folder / name).write_text(name)

    monkeypatch.setattr(os, "replace", slow)
    with pytest.raises(KeyboardInterrupt):
        write()
    assert sorted(item.name for item in (tmp_path / "out").iterdir()) == [
        "a.txt", "b.txt", "c.txt", "linelab_files.json",
    ]  # fmt: skip


def test_work_of_somebody_else_is_waited_for_as_long_as_asked(tmp_path):
    target = tmp_path / "notes.txt"
    hold = (
        "import sys, time; from linelab.files.writing import replacing\n"
        "with replacing(sys.argv[1]) as temporary:\n"
        "    temporary.write_text('first'); print('at work', flush=True); time.sleep(float(sys.argv[2]))"
    )
    for seconds, patience in (("0.4", 30.0), ("30", 0.2)):
        other = subprocess.Popen([sys.executable, "-c", hold, str(target), seconds], stdout=subprocess.PIPE, text=True)
        assert other.stdout.readline() == "at work\n"
        if patience > 1.0:
            with replacing(target, patience) as temporary:
                assert target.read_text() == "first"
                temporary.write_text("second")
            assert target.read_text() == "second"
        else:
            with pytest.raises(InputError, match="at work here"), replacing(target, patience):
                pass
        other.kill()
        other.communicate()


def test_what_a_killed_process_left_is_cleared_and_what_another_does_is_not(tmp_path):
    left = tmp_path / ".linelab-old.txt" / "work"
    left.mkdir(parents=True)
    (left / "half").write_text("x")
    (tmp_path / ".linelab-file").write_text("a file of that name is the user's")
    with replacing(tmp_path / "busy.txt") as temporary:
        clear_left(tmp_path)
        assert temporary.parent.is_dir()
        temporary.write_text("done")
    assert _names(tmp_path) == [".linelab-file", "busy.txt"]
