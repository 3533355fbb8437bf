"""What all commands share: paths, units, grip, progress and the way errors end."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from linelab.report.display import Units

F = TypeVar("F", bound=Callable[..., Any])

#: Grip by condition, as a factor on the kart file's (dry slicks 1.3-2.0, damp 0.8-1.0, wet tyres 0.6-0.9: from memory).
GRIP = {"dry": 1.0, "damp": 0.6, "wet": 0.45}


class PathText(click.ParamType):
    """A path or a bundled name as typed: quotes, a leading ~ and, away from Windows, backslashes are understood."""

    name = "path"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The path as text."""
        text = str(value).strip()
        if len(text) > 1 and text[0] == text[-1] and text[0] in "\"'":
            text = text[1:-1]
        if not text:
            self.fail("the path is empty", param, ctx)
        text = os.path.expanduser(text)
        if os.sep == "/" and "\\" in text and not Path(text).exists():
            text = PureWindowsPath(text).as_posix()
        return text


class GripFactor(click.ParamType):
    """dry, damp, wet or a number."""

    name = "dry|damp|wet|number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The factor."""
        if isinstance(value, float):
            return value
        text = str(value).strip().lower()
        if text in GRIP:
            return GRIP[text]
        try:
            factor = float(text)
        except ValueError:
            self.fail(f"{value!r} is neither dry, damp, wet nor a number", param, ctx)
        if not 0.1 <= factor <= 2.0:
            self.fail(f"{factor:g} is outside 0.1 to 2 (1 is the kart file's own grip)", param, ctx)
        return factor


PATH = PathText()


def units_option(command: F) -> F:
    """--units"""
    return click.option(
        "--units",
        type=click.Choice(["metric", "imperial"]),
        default="metric",
        show_default=True,
        envvar="LINELAB_UNITS",
        help="Units shown (files always hold SI units). The variable LINELAB_UNITS sets the default.",
    )(command)


def out_option(command: F) -> F:
    """--out"""
    return click.option(
        "--out",
        type=PATH,
        metavar="FOLDER",
        help="Folder for the results; a second run replaces its own files only.",
    )(command)


def pictures_option(command: F) -> F:
    """--pictures / --no-pictures"""
    return click.option("--pictures/--no-pictures", default=True, show_default=True, help="Draw pictures.")(command)


def grip_option(command: F) -> F:
    """--grip"""
    return click.option(
        "--grip",
        type=GripFactor(),
        default="dry",
        show_default=True,
        help="Condition of the track: dry, damp (0.6 of the kart file's grip), wet (0.45), or a factor.",
    )(command)


def units_named(name: str) -> Units:
    """Display units by name."""
    from linelab.report.display import IMPERIAL, METRIC

    return IMPERIAL if name == "imperial" else METRIC


def default_folder(*parts: str) -> Path:
    """Where results go when no folder is named: linelab_results, then a name made of the parts."""
    kept = ["".join(c if c.isalnum() else "_" for c in part).strip("_").lower() for part in parts]
    return Path("linelab_results") / "_".join(part for part in kept if part)


def say(*lines: str) -> None:
    """Print lines to standard output."""
    for line in lines:
        click.echo(line)


def notice(text: str) -> None:
    """Print a remark to standard error."""
    click.echo(text, err=True)


def list_files(folder: Path, files: list[str]) -> None:
    """Say what was written."""
    say("", f"Written to {folder}:", *(f"  {name}" for name in files))


@contextmanager
def progress(first: str) -> Iterator[Callable[[str], None]]:
    """Show what is being done, on standard error and only on a terminal; yields a function that changes the text."""
    if not sys.stderr.isatty():
        yield lambda text: None
        return
    from rich.console import Console

    with Console(stderr=True).status(first) as status:
        yield lambda text: status.update(text)
