"""linelab sheet: a track on paper, for the track walk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linelab.cli_common import (
    PATH,
    default_folder,
    grip_option,
    list_files,
    notice,
    out_option,
    progress,
    say,
    units_named,
    units_option,
)

if TYPE_CHECKING:
    from linelab.track import Track


@click.command(
    short_help="A track on paper, to carry on the track walk.",
    epilog="""\b
Examples:
  linelab sheet ostrelle_sprint senior-single-speed
  linelab sheet my_track.geojson my_kart.toml --grip damp --pace 0.8 --units imperial
  linelab sheet session.csv rental-four-stroke --from-laps --start-line 63.40959 51.2308 63.40964 51.23073
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@grip_option
@click.option("--reverse", is_flag=True, help="The track is driven the other way round.")
@click.option("--kerbs/--no-kerbs", default=True, show_default=True, help="Let the kart use the kerbs.")
@click.option(
    "--pace",
    type=click.FloatRange(0.4, 1.5),
    default=0.75,
    show_default=True,
    metavar="METRES",
    help="Length of your pace.",
)
@click.option(
    "--exact",
    is_flag=True,
    help="Solve the lap again for each missed apex (about a second a corner) instead of bounding what it costs.",
)
@click.option("--from-laps", is_flag=True, help="TRACK is a recording: the corridor is estimated from its laps.")
@click.option(
    "--start-line",
    type=float,
    nargs=4,
    metavar="LON LAT LON LAT",
    help="With --from-laps: left and right end of the start line.",
)
@click.option("--width", type=float, metavar="METRES", help="With --from-laps: assumed width of the track (7 m).")
@out_option
@units_option
def sheet(
    track: str,
    kart: str,
    grip: float,
    reverse: bool,
    kerbs: bool,
    pace: float,
    exact: bool,
    from_laps: bool,
    start_line: tuple[float, float, float, float] | None,
    width: float | None,
    out: str | None,
    units: str,
) -> None:
    """Put a TRACK on A4 pages for the driver of a KART: map, where to brake, turn in and aim, paces to count."""
    from linelab.io.kart_files import load_kart
    from linelab.io.outputs import results_folder
    from linelab.report.display import CAUTIONS
    from linelab.report.sheet import save_sheet, sheet_pages
    from linelab.report.track_facts import survey_sentence
    from linelab.solve.mintime import solve_min_time

    if not from_laps and (start_line is not None or width is not None):
        raise click.UsageError("--start-line and --width are for a corridor estimated from laps, with --from-laps")
    if from_laps and reverse:
        raise click.UsageError("--reverse needs a track; laps are driven the way they were recorded")
    shown = units_named(units)
    with progress("reading the track and the kart") as step:
        driven = load_kart(kart)
        ground = _from_laps(track, start_line, width) if from_laps else _from_file(track, reverse)
        for note in ground.notes:
            notice(f"note: {note}")
        solution = solve_min_time(ground, driven, grip=grip, use_kerbs=kerbs, progress=step)
        pages = sheet_pages(ground, driven, solution, shown, pace=pace, use_kerbs=kerbs, exact=exact, progress=step)
        folder = Path(out) if out is not None else default_folder("sheet", Path(track).stem, Path(kart).stem)
        with results_folder(folder) as stage:
            files = save_sheet(stage, pages)
    say(f"Track sheet of {ground.name} for {driven.name}, {len(pages)} pages.", survey_sentence(ground.survey))
    list_files(folder, files)
    say("", CAUTIONS)


def _from_file(name: str, reverse: bool) -> Track:
    from linelab.io.track_files import load_track, reversed_track

    ground = load_track(name)
    return reversed_track(ground) if reverse else ground


def _from_laps(name: str, start_line: tuple[float, float, float, float] | None, width: float | None) -> Track:
    from linelab.io.recordings import load_recording
    from linelab.report.review_report import find_ground, recording_start_line

    recording = load_recording(name)
    line = None if start_line is None else recording_start_line(recording, start_line[:2], start_line[2:])
    extra = {} if width is None else {"assumed_width": width}
    return find_ground(recording, None, start_line=line, name=Path(name).stem, **extra).track
