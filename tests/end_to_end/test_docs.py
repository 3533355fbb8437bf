"""What README and the documentation show: every shell and Python block runs, and prints what stands below it.

A block that cannot run has ``<!-- not run: why -->`` on the line before; ``<!-- file: NAME -->`` there saves a block as
a file for the blocks below it.
"""

from __future__ import annotations

import contextlib
import io
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from widely import widely

import linelab
from linelab.cli.main import cli
from linelab.files.kart_fields import TABLES
from linelab.files.tracks.track_features import ROLES

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
PAGES = [README, *sorted((ROOT / "docs").glob("*.md"))]
TEXTS = {page: page.read_text(encoding="utf-8") for page in PAGES}
BLOCK = re.compile(r"^(?:<!-- (.+?) -->\n)?```([^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
FIGURE = re.compile(r"[-+−]?\d+(?:\.\d+)?")
#: Blocks that are not run: what commands print, and files.
OTHERS = {"text", "json", "toml", "{toctree}", "{include} ../CHANGELOG.md"}


def _parts(line: str) -> tuple[str, list[str]]:
    """A line with every figure as # and every gap and rule as one sign; and the figures."""
    words = re.sub(r"-{2,}", "--", re.sub(r"\s+", " ", line.strip()))
    return FIGURE.sub("#", words), FIGURE.findall(words)


def _close(shown: str, printed: str) -> bool:
    a, b = (float(figure.replace("−", "-")) for figure in (shown, printed))
    return math.isclose(a, b, rel_tol=0.03, abs_tol=2.0 * 10.0 ** -len(shown.partition(".")[2]))


def _alike(shown: str, printed: str) -> bool:
    """The same words, and figures that differ in the last digit or by some per cent: machines and fits do."""
    (words, figures), (others, theirs) = _parts(shown), _parts(printed)
    if words != others:
        return False
    return all(map(_close, figures, theirs))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder of its own, with linelab as a command."""
    command = tmp_path / "bin" / "linelab"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -P -m linelab "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    for name, first in (("PATH", command.parent), ("PYTHONPATH", ROOT)):
        monkeypatch.setenv(name, os.pathsep.join([str(first), os.environ.get(name, "")]).rstrip(os.pathsep))
    monkeypatch.chdir(tmp_path)
    return tmp_path


#: The pages of whole jobs, each half a minute to a minute.
LONG = {"README", "chassis_tuner", "coach", "driver", "recordings"}


@pytest.mark.parametrize(
    "page", widely(PAGES, [page for page in PAGES if page.stem not in LONG]), ids=lambda page: page.stem
)
def test_every_block_runs_and_prints_what_is_shown(page, folder):
    names: dict[str, object] = {}
    printed = None
    for note, kind, text in BLOCK.findall(TEXTS[page]):
        what, _, said = note.partition(": ")
        if what == "file":
            (folder / said).write_text(text, encoding="utf-8")
        elif what == "not run":
            assert len(said) > 10, f"say why:\n{text}"
            printed = None
        elif kind == "sh":
            done = subprocess.run(["bash", "-euo", "pipefail", "-c", text], capture_output=True, text=True, timeout=120)
            assert done.returncode == 0, f"{text}\n{done.stderr}"
            printed = done.stdout
        elif kind == "python":
            with contextlib.redirect_stdout(io.StringIO()) as out:
                exec(compile(text, page.name, "exec"), names)
            printed = out.getvalue()
        else:
            assert kind in OTHERS, f"neither run nor marked: {kind}"
            if kind == "text" and printed is not None:
                lines = [line for line in text.splitlines() if line.strip() and line.strip() != "..."]
                theirs = printed.splitlines()
                assert [line for line in lines if not any(_alike(line, other) for other in theirs)] == []


def test_no_block_escapes_the_pattern():
    """Blocks are fenced; the two commands that the check reads are the only indented ones."""
    for text in TEXTS.values():
        assert len(re.findall(r"^\s*```", text, re.MULTILINE)) == 2 * len(BLOCK.findall(text))
    assert len(re.findall(r"^ {4}\S", BLOCK.sub("", TEXTS[README]), re.MULTILINE)) == 2


def test_links_of_the_readme_lead_somewhere():
    """Links between the pages are checked as the site is built."""
    linked = re.findall(r"\]\(([^)]+)\)|src=\"([^\"]+)", TEXTS[README])
    assert len(linked) > 10
    assert [name for pair in linked for name in pair if name and not (ROOT / name).exists()] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_option_named_is_one(page):
    """Each --word belongs to a command."""
    items = [item for command in cli.commands.values() for item in command.params]
    known = {option for item in items for option in (*item.opts, *item.secondary_opts)} | {"--help", "--version"}
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", TEXTS[page]))
    assert {"--track", "--metres"} <= known
    assert named - known == set()


def _all(*needed: str, page: str) -> list[str]:
    text = (ROOT / "docs" / page).read_text(encoding="utf-8")
    return [name for name in needed if f"`{name}`" not in text]


def test_every_role_and_every_field_is_described():
    assert _all(*ROLES, page="track_file.md") == []
    assert _all(*(name for table in TABLES.values() for name in table.model_fields), page="kart_file.md") == []


def test_the_reference_has_every_public_name_once():
    text = (ROOT / "docs" / "api.rst").read_text(encoding="utf-8")
    named = re.findall(r"^\.\. auto(?:function|class|exception):: linelab\.(\w+)$", text, re.MULTILINE)
    assert sorted(named) == sorted(linelab.__all__)
