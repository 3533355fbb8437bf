"""linelab progress: a driver's sessions in order of date."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli.common import default_folder, list_files, named_track, progress, results_place, say
from linelab.cli.options import PATH, out_option, parse_pairs, position_error_option, reverse_option

#: The list of sessions in a folder is no recording.
LIST = "sessions.csv"
#: Endings of files that are taken for recordings in a folder.
ENDINGS = (".csv", ".txt", ".tsv", ".gpx", ".nmea", ".log", ".geojson", ".json")


@click.command(
    name="progress",
    short_help="A driver's sessions in order of date.",
    epilog="""\b
Examples:
  linelab progress "my recordings" --kart senior-single-speed
  linelab progress march.csv april.csv --track my_track.geojson --kart my_kart.toml --weather march.csv=damp
""",
)
@click.argument("recordings", type=PATH, nargs=-1, required=True, metavar="FOLDER_OR_FILE...")
@click.option(
    "--track", "track", type=PATH, help="Track file or bundled name; without it one is estimated for each venue."
)
@reverse_option
@click.option(
    "--kart", "kart", type=PATH, help="Kart file or bundled name; without it a kart is fitted to each recording."
)
@click.option("--weather", multiple=True, metavar="FILE=WORDS", help="Weather of a session; repeatable.")
@position_error_option()
@out_option
def progress_command(
    recordings: tuple[str, ...],
    track: str | None,
    reverse: bool,
    kart: str | None,
    weather: tuple[str, ...],
    position_error: float | None,
    out: str | None,
) -> None:
    """Put a driver's sessions in order of date: best lap, usual lap, spread, and what is still to be worked on.

    Of a folder every recording in it is taken.  A file that cannot be used is named and skipped.  A list sessions.csv
    in the folder, with the columns file, kart, weather, tyres and note, says what no recording knows of itself; only
    the column file is needed, and a kart named there is taken for that session.
    """
    from dataclasses import replace

    from linelab.errors import RecordingError
    from linelab.files.kart_file import load_kart
    from linelab.files.session_list import SessionNote, read_session_list
    from linelab.output.progress_report import progress_lines, save_progress
    from linelab.study.progress import progress_of

    if reverse and track is None:
        raise click.UsageError("--reverse needs --track")
    ground = None if track is None else named_track(track, reverse)
    driven = None if kart is None else load_kart(kart)
    files = list(dict.fromkeys(file for given in recordings for file in _files(Path(given))))
    said, names = parse_pairs(weather, "--weather"), [file.name for file in files]
    unknown = sorted(set(said) - set(names))
    if unknown:
        raise click.BadParameter(f"no recording is named {unknown[0]}", param_hint="--weather")
    told: dict[str, SessionNote] = {}
    for given in map(Path, recordings):
        if (given / LIST).is_file():
            told |= read_session_list(given / LIST, [file.name for file in _files(given)])
    told |= {name: replace(told.get(name, SessionNote()), weather=words) for name, words in said.items()}
    folder = results_place(default_folder("progress") if out is None else out)
    with progress("reading") as step:
        found = progress_of(files, track=ground, kart=driven, told=told, position_error=position_error, step=step)
    if not found.venues:
        reasons = "; ".join(f"{name}: {reason}" for name, reason in found.skipped)
        raise RecordingError(f"no recording can be used ({reasons or 'none was found'})")
    say(*progress_lines(found))
    list_files(folder, save_progress(found, folder))


def _files(given: Path) -> list[Path]:
    """The file itself, or what may be recordings in a folder."""
    if not given.is_dir():
        return [given]
    found = (item for item in given.iterdir() if item.is_file() and item.suffix.lower() in ENDINGS)
    return sorted(item for item in found if item.name != LIST)
