"""linelab sheet: a track on paper, for the track walk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linelab.cli.common import (
    FourNumbers,
    Scattering,
    default_folder,
    line_with_room,
    list_files,
    named_track,
    notes,
    on_day,
    progress,
    recorded_grounds,
    refuse_corridor_options,
    results_place,
    say,
    units_named,
)
from linelab.cli.options import (
    PATH,
    Number,
    column_options,
    corridor_options,
    grip_option,
    kerbs_option,
    out_option,
    parse_pairs,
    reverse_option,
    scatter_options,
    units_option,
)

if TYPE_CHECKING:
    from linelab.model.track import Track


@click.command(
    short_help="A track on paper, to carry on the track walk.",
    epilog="""\b
Examples:
  linelab sheet ostrelle_sprint senior-single-speed
  linelab sheet my_track.geojson my_kart.toml --grip wet --tyres wets --pace 0.8 --units imperial
  linelab sheet ostrelle_sprint senior-single-speed --begin-with --lateral 0.25
  linelab sheet session.csv rental-four-stroke --from-laps --start-line 63.40959 51.2308 63.40964 51.23073
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@grip_option
@reverse_option
@kerbs_option
@click.option(
    "--pace",
    type=Number(0.4, 1.5, "metres"),
    default=0.75,
    show_default=True,
    metavar="METRES",
    help="Length of your pace.",
)
@click.option(
    "--begin-with",
    is_flag=True,
    help="Show marks to begin with, of a line with room for a driver who scatters (typical values unless given), and "
    "the computed lap's beside them for later.",
)
@scatter_options("With --begin-with")
@click.option("--from-laps", is_flag=True, help="TRACK is a recording: the track is estimated from its laps.")
@corridor_options("With --from-laps")
@column_options
@out_option
@units_option
def sheet(
    track: str,
    kart: str,
    grip: float | str,
    tyres: str | None,
    reverse: bool,
    kerbs: bool,
    pace: float,
    begin_with: bool,
    driven: str | None,
    position_error: float | None,
    lateral: float | None,
    speed: float | None,
    chance: float | None,
    cost: float | None,
    from_laps: bool,
    start_line: FourNumbers | None,
    width: float | None,
    columns: tuple[str, ...],
    quantities: tuple[str, ...],
    out: str | None,
    units: str,
) -> None:
    """Put a TRACK on A4 pages for the driver of a KART: map, where to brake, turn in and aim, paces to count."""
    from linelab.files.kart_file import load_kart
    from linelab.output.display import CAUTIONS
    from linelab.output.sheet.track_sheet import track_sheet
    from linelab.output.track_facts import survey_sentence

    asked = Scattering(driven, position_error, lateral, speed, chance, cost)
    asked.check()
    if not begin_with and any(value is not None for value in asked):
        raise click.UsageError("--driven, --lateral, --speed, --chance and --cost need --begin-with")
    if begin_with and from_laps:
        raise click.UsageError("--begin-with needs a track: how much room there is to estimated edges nobody knows")
    titles, declared = parse_pairs(columns, "--column"), parse_pairs(quantities, "--unit")
    if not from_laps:
        refuse_corridor_options(start_line, width, "with --from-laps")
        if titles or declared:
            raise click.UsageError("--column and --unit are for a recording, with --from-laps")
    elif reverse:
        raise click.UsageError("--reverse needs a track; laps are driven the way they were recorded")
    shown = units_named(units)
    with progress("reading the track and the kart") as step:
        vehicle = load_kart(kart)
        folder = results_place(out or default_folder("sheet", Path(track).stem, Path(kart).stem))
        ground = _from_laps(track, titles, declared, start_line, width) if from_laps else named_track(track, reverse)
        notes(ground.notes, shown)
        begin, solution = None, None
        day = on_day(ground, vehicle, grip, tyres, kerbs=kerbs, progress=step)
        if begin_with:
            begin, solution = line_with_room(ground, vehicle, asked, day=day, kerbs=kerbs, progress=step)
        files = track_sheet(
            day[0], vehicle, folder, solution=solution, grip=day[1], units=shown, pace=pace, use_kerbs=kerbs,
            begin=begin, progress=step,
        )  # fmt: skip
    say(
        f"Track sheet of {ground.name} for {vehicle.name}, {len(files) - 1} pages.",
        survey_sentence(ground.survey, shown),
    )
    list_files(folder, files)
    say("", CAUTIONS)


def _from_laps(
    name: str,
    titles: dict[str, str],
    declared: dict[str, str],
    start_line: FourNumbers | None,
    width: float | None,
) -> Track:
    from linelab.files.recordings.load_recording import load_recording

    recording = load_recording(name, columns=titles or None, units=declared or None)
    return recorded_grounds([recording], None, start_line=start_line, width=width)[0].track
