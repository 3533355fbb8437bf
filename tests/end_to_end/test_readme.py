"""What the README shows of the program is what the program prints, figures apart: they may differ in a last digit."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from linelab.cli import main as cli

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
COMMAND = "linelab reference tinmarsh_rental rental-four-stroke --corner 7 --out sheet"


def _words(line: str) -> str:
    """A line with every figure as # and every gap and rule as one sign."""
    return re.sub(r"-{2,}", "--", re.sub(r"[-+]?\d+(?:\.\d+)?", "#", re.sub(r"\s+", " ", line.strip())))


def test_the_reference_lap_shown(capsys, monkeypatch, tmp_path):
    shown = README[README.index(COMMAND) :]
    shown = shown[shown.index("```text") + 8 :]
    lines = [line for line in shown[: shown.index("```")].splitlines() if line.strip()]
    assert len(lines) >= 8
    monkeypatch.chdir(tmp_path)
    assert cli.run(shlex.split(COMMAND)[1:]) == 0
    printed = [_words(line) for line in capsys.readouterr().out.splitlines()]
    assert [line for line in lines if _words(line) not in printed] == []


def test_every_option_named_is_one():
    """Each --word of the README belongs to a command."""
    items = [item for command in cli.cli.commands.values() for item in command.params]
    known = {option for item in items for option in (*item.opts, *item.secondary_opts)}
    assert {"--track", "--metres"} <= known
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    assert len(named) > 15
    assert named - known == set()
