"""What all commands share: places for results, progress, what is printed, and the track of a recording."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from linelab.cli.interrupt import interruptions
from linelab.errors import legible, on_one_line

if TYPE_CHECKING:
    from linelab.coaching.from_recording import Ground
    from linelab.files.writing import ResultsFolder
    from linelab.model.kart import Kart
    from linelab.model.lap import Recording
    from linelab.model.track import Track
    from linelab.optimum.minimum_time import Solution
    from linelab.output.display import Units
    from linelab.study.scattering.margins import MarginLap


def units_named(name: str) -> Units:
    """Display units by name."""
    from linelab.output import display

    return display.units_named(name)


def default_folder(*parts: str) -> Path:
    """Where results go when no folder is named: linelab_results, then a name made of the parts."""
    kept = ["".join(c if c.isalnum() else "_" for c in part).strip("_").lower() for part in parts]
    return Path("linelab_results") / "_".join(part for part in kept if part)


def results_place(folder: str | Path) -> ResultsFolder:
    """The folder for the results, seen to take files before anything is computed; the command's own until it ends."""
    from linelab.files.writing import claimed_folder

    return interruptions.held.enter_context(claimed_folder(folder))


def check_tyres(grip: float | str, tyres: str | None) -> None:
    """Refuse --tyres beside a number."""
    if tyres is not None and not isinstance(grip, str):
        raise click.UsageError("--tyres goes with --grip dry, damp, drying or wet; a number is the whole factor")


def on_day(
    track: Track,
    kart: Kart,
    grip: float | str,
    tyres: str | None,
    *,
    kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> tuple[Track, float]:
    """The track in the conditions asked for by --grip and --tyres, and the factor that remains for the solve."""
    check_tyres(grip, tyres)
    if not isinstance(grip, str):
        return track, grip
    from linelab.study.the_day import on_the_day

    return on_the_day(track, kart, grip, tyres or "slicks", use_kerbs=kerbs, progress=progress), 1.0


class Scattering(NamedTuple):
    """What is asked for by the options about a driver's scatter; None where an option is left out."""

    driven: str | None
    position_error: float | None
    lateral: float | None
    speed: float | None
    chance: float | None
    cost: float | None

    def check(self) -> None:
        """Refuse options that do not go together."""
        if self.driven is None and self.position_error is not None:
            raise click.UsageError("--position-error needs --driven")
        if self.driven is not None and (self.lateral is not None or self.speed is not None):
            raise click.UsageError("--lateral and --speed are measured with --driven; leave them out")


def line_with_room(
    track: Track,
    kart: Kart,
    asked: Scattering,
    *,
    day: tuple[Track, float],
    kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> tuple[MarginLap, Solution]:
    """The line for a driver who scatters as asked for, and the computed lap; ``day`` is the track in the conditions it
    is wanted for and the factor for the solve.  A recording is read on the track as it is in its file."""
    import numpy as np

    from linelab.optimum.minimum_time import solve_min_time
    from linelab.study.scattering.driver_scatter import Scatter, scatter_of, typical_scatter
    from linelab.study.scattering.margins import CHANCE, COST, margin_lap

    scatter, solution = typical_scatter(), None
    if asked.driven is not None:
        from linelab.coaching.from_recording import review

        progress("reading the laps")
        found = review(asked.driven, kart, track, position_error=asked.position_error)
        scatter = scatter_of(found)
        solution = found.solution if kerbs and day == (track, 1.0) else None
    elif asked.lateral is not None or asked.speed is not None:
        scatter = Scatter(
            lateral=scatter.lateral if asked.lateral is None else np.array([asked.lateral]),
            speed=scatter.speed if asked.speed is None else np.array([asked.speed]),
        )
    if solution is None:
        solution = solve_min_time(day[0], kart, grip=day[1], use_kerbs=kerbs, progress=progress)
    chance, cost = (usual if given is None else given for given, usual in ((asked.chance, CHANCE), (asked.cost, COST)))
    careful = margin_lap(
        day[0], kart, scatter, chance, cost=cost, solution=solution, use_kerbs=kerbs, progress=progress
    )
    return careful, solution


def check_save(save: str | None, replace: bool) -> None:
    """See that a file can be saved before anything is said, and that no file is lost by it."""
    if save is None:
        if replace:
            raise click.UsageError("--replace needs --save")
        return
    from linelab.errors import InputError
    from linelab.files.writing import check_writable

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
    from linelab.output.display import in_units

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


#: Ends of a start line, left first: longitude, latitude [deg] twice, or x, y [m] twice.
FourNumbers = tuple[float, float, float, float]


def named_track(name: str, reverse: bool) -> Track:
    """A track file or bundled track, driven the other way round if so wished."""
    from linelab.files.tracks.track_file import load_track, reversed_track

    track = load_track(name)
    return reversed_track(track) if reverse else track


def refuse_corridor_options(start_line: FourNumbers | None, width: float | None, instead: str) -> None:
    """Wrong usage where options of an estimated track are given without one."""
    if start_line is not None or width is not None:
        raise click.UsageError(f"--start-line and --width are for a track estimated from the laps, {instead}")


def recorded_grounds(
    recordings: Sequence[Recording],
    track: Track | None,
    *,
    start_line: FourNumbers | None = None,
    width: float | None = None,
    position_error: float | None = None,
) -> list[Ground]:
    """The track and the laps of recordings on it; without a track one estimated from the laps of each place."""
    from linelab.coaching.from_recording import find_ground, find_grounds
    from linelab.motion.track_from_laps import ASSUMED_WIDTH

    if track is not None:
        return [find_ground(recording, track, position_error=position_error) for recording in recordings]
    return find_grounds(
        recordings,
        start_line=None if start_line is None else (start_line[:2], start_line[2:]),
        assumed_width=ASSUMED_WIDTH if width is None else width,
        position_error=position_error,
    )
