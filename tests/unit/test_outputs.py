"""Result folders appear whole, keep strangers' files, and drop their own stale ones."""

from __future__ import annotations

import os

import pytest

from linelab.errors import InputError
from linelab.io.atomic import replacing, write_text
from linelab.io.outputs import MANIFEST, results_folder, written_before


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


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "lap").write_text("x")
    with pytest.raises(InputError, match="this is a file, not a folder"):
        _run(tmp_path / "lap", a="1")
    assert (tmp_path / "lap").read_text() == "x"


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="permissions do not bind the administrator")
def test_a_read_only_place_is_told(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(InputError, match="cannot write here"):
        _run(tmp_path / "lap", a="1")


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
    with pytest.raises(InputError, match="cannot write here"):
        write_text(tmp_path / "file" / "a.txt", "text")
