"""What all commands share while they run: places for results, progress, what is said, and how Ctrl-C ends them."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from types import FrameType

    from linelab.report.display import Units


def units_named(name: str) -> Units:
    """Display units by name."""
    from linelab.report.display import IMPERIAL, METRIC

    return IMPERIAL if name == "imperial" else METRIC


def default_folder(*parts: str) -> Path:
    """Where results go when no folder is named: linelab_results, then a name made of the parts."""
    kept = ["".join(c if c.isalnum() else "_" for c in part).strip("_").lower() for part in parts]
    return Path("linelab_results") / "_".join(part for part in kept if part)


def results_place(out: str | None, *parts: str) -> Path:
    """The folder for the results, seen to take files before anything is computed."""
    from linelab.io.atomic import check_writable

    folder = default_folder(*parts) if out is None else Path(out)
    check_writable(folder)
    return folder


def check_save(save: str | None, replace: bool) -> None:
    """See that a file can be saved before anything is said, and that no file is lost by it."""
    if save is None:
        if replace:
            raise click.UsageError("--replace needs --save")
        return
    from linelab.errors import InputError
    from linelab.io.atomic import check_writable

    path = Path(save)
    check_writable(path.parent, path)
    if path.is_dir():
        raise InputError("this is a folder, not a file", where=save, remedy="Name a file in it")
    if path.exists() and not replace:
        raise InputError("this file is there already", where=save, remedy="Choose another name, or add --replace")


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
INTERRUPTED = "interrupted; nothing half done is left"


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
