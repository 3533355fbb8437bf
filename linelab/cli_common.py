"""What all commands share while they run: places for results, progress, and what is said."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linelab.cli_interrupt import interruptions
from linelab.errors import legible, on_one_line

if TYPE_CHECKING:
    from linelab.io.outputs import ResultsFolder
    from linelab.report.display import Units


def units_named(name: str) -> Units:
    """Display units by name."""
    from linelab.report.display import IMPERIAL, METRIC

    return IMPERIAL if name == "imperial" else METRIC


def default_folder(*parts: str) -> Path:
    """Where results go when no folder is named: linelab_results, then a name made of the parts."""
    kept = ["".join(c if c.isalnum() else "_" for c in part).strip("_").lower() for part in parts]
    return Path("linelab_results") / "_".join(part for part in kept if part)


def results_place(folder: str | Path) -> ResultsFolder:
    """The folder for the results, seen to take files before anything is computed; the command's own until it ends."""
    from linelab.io.outputs import claimed_folder

    return interruptions.held.enter_context(claimed_folder(folder))


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
        click.echo(legible(line))


def notes(texts: Iterable[str], units: Units) -> None:
    """Print remarks to standard error, each once, in the units shown."""
    from linelab.report.restated import in_units

    for text in dict.fromkeys(texts):
        click.echo(on_one_line(f"note: {in_units(text, units)}"), err=True)


def list_files(folder: ResultsFolder, files: list[str]) -> None:
    """Say what was written."""
    say("", f"Written to {folder.path}:", *(f"  {name}" for name in files))


@contextmanager
def progress(first: str) -> Iterator[Callable[[str], None]]:
    """Show what is being done, on standard error and only on a terminal; yields a function that changes the text."""
    if not sys.stderr.isatty():
        yield lambda text: interruptions.check()
        return
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True).status(Text(on_one_line(first))) as status:  # as Text: names may hold [brackets]

        def show(text: str) -> None:
            interruptions.check()
            status.update(Text(on_one_line(text)))

        yield show
