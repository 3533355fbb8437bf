"""linelab margin: the line and margins for a driver who scatters."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli.common import (
    Scattering,
    default_folder,
    line_with_room,
    list_files,
    named_track,
    notes,
    on_day,
    progress,
    results_place,
    say,
    units_named,
)
from linelab.cli.options import (
    PATH,
    grip_option,
    kerbs_option,
    out_option,
    reverse_option,
    scatter_options,
    units_option,
)


@click.command(
    short_help="A line with room to the edges for a driver who scatters.",
    epilog="""\b
Examples:
  linelab margin tinmarsh_rental rental-four-stroke
  linelab margin tinmarsh_rental rental-four-stroke --lateral 0.5 --speed 0.6 --chance 0.05
  linelab margin my_track.geojson my_kart.toml --driven session.csv --position-error 0.25
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@scatter_options()
@grip_option
@reverse_option
@kerbs_option
@out_option
@units_option
def margin(
    track: str,
    kart: str,
    driven: str | None,
    position_error: float | None,
    lateral: float | None,
    speed: float | None,
    chance: float | None,
    cost: float | None,
    grip: float | str,
    tyres: str | None,
    reverse: bool,
    kerbs: bool,
    out: str | None,
    units: str,
) -> None:
    """Find how far a driver of a KART should stay from the edges of a TRACK for the least expected lap time."""
    from linelab.files.kart_file import load_kart
    from linelab.output.display import CAUTIONS
    from linelab.output.margins.margin_report import margin_table, margin_words, save_margin
    from linelab.output.reference_report import conditions
    from linelab.output.track_facts import survey_sentence

    asked = Scattering(driven, position_error, lateral, speed, chance, cost)
    asked.check()
    shown = units_named(units)
    with progress("reading the track and the kart") as step:
        vehicle, ground = load_kart(kart), named_track(track, reverse)
        folder = results_place(out or default_folder("margin", Path(track).stem, Path(kart).stem))
        notes(ground.notes, shown)
        day = on_day(ground, vehicle, grip, tyres, kerbs=kerbs, progress=step)
        careful, solution = line_with_room(ground, vehicle, asked, day=day, kerbs=kerbs, progress=step)
        files = save_margin(folder, day[0], careful, shown)
    say(f"Room for scatter on {ground.name} with {vehicle.name}.", survey_sentence(ground.survey, shown))
    say(*conditions(day[0], solution, kerbs), "")
    say(margin_table(careful, shown), "", *margin_words(careful, shown))
    list_files(folder, files)
    say("", CAUTIONS)
