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
    from types import FrameType

    from linelab.report.display import Units

    TextType = click.ParamType[str]
    FloatType = click.ParamType[float]
else:  # older versions of click do not take a type argument
    TextType = FloatType = click.ParamType

F = TypeVar("F", bound=Callable[..., Any])

#: Grip by condition, as a factor on the kart file's (dry slicks 1.3-2.0, damp 0.8-1.0, wet tyres 0.6-0.9: from memory).
GRIP = {"dry": 1.0, "damp": 0.6, "wet": 0.45}


class PathText(TextType):
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


class GripFactor(FloatType):
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


def print_option(default: bool) -> Callable[[F], F]:
    """--print / --no-print"""
    return click.option(
        "--print/--no-print",
        "print_file",
        default=default,
        show_default=True,
        help="Also write it for print (PDF, A4).",
    )


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


#: What is said at Ctrl-C.
INTERRUPTED = "interrupted; nothing was written"


class Interruptions:
    """Ends the command at Ctrl-C, also inside the solver.

    CasADi turns the KeyboardInterrupt into a failed function evaluation, from which the interior-point method recovers
    and carries on.  Nothing has been written at that time, so the process simply ends there.
    """

    def __init__(self) -> None:
        self.seen = False

    def __enter__(self) -> Interruptions:
        import signal
        import threading

        self.seen = False
        self._before: Any = None
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self._handle)
        return self

    def __exit__(self, *_: object) -> None:
        import signal

        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _handle(self, _number: int, frame: FrameType | None) -> None:
        self.seen = True
        if frame is not None and str(frame.f_globals.get("__name__", "")).startswith("casadi"):
            show_cursor = "\x1b[?25h\r\x1b[2K" if sys.stderr.isatty() else ""
            sys.stderr.write(f"{show_cursor}linelab: {INTERRUPTED}\n")
            sys.stderr.flush()
            os._exit(130)
        raise KeyboardInterrupt

    def check(self) -> None:
        """Raise KeyboardInterrupt if Ctrl-C was pressed."""
        if self.seen:
            raise KeyboardInterrupt


#: Of the running command.
interruptions = Interruptions()


@contextmanager
def progress(first: str) -> Iterator[Callable[[str], None]]:
    """Show what is being done, on standard error and only on a terminal; yields a function that changes the text."""
    if not sys.stderr.isatty():
        yield lambda text: interruptions.check()
        return
    from rich.console import Console

    with Console(stderr=True).status(first) as status:

        def show(text: str) -> None:
            interruptions.check()
            status.update(text)

        yield show
