"""linelab margin: the line and margins for a driver who scatters."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli.common import default_folder, list_files, named_track, notes, progress, results_place, say, units_named
from linelab.cli.options import (
    PATH,
    Number,
    kerbs_option,
    out_option,
    position_error_option,
    reverse_option,
    units_option,
)


@click.command(
    short_help="A line with room to the edges for a driver who scatters.",
    epilog="""\b
Examples:
  linelab margin tinmarsh_rental rental-four-stroke
  linelab margin tinmarsh_rental rental-four-stroke --lateral 0.5 --speed 0.6 --chance 0.05
  linelab margin my_track.geojson my_kart.toml --from session.csv --position-error 0.25
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@click.option(
    "--from", "recording", type=PATH, metavar="RECORDING", help="Take the scatter from this recording's laps."
)
@position_error_option("With --from")
@click.option(
    "--lateral",
    type=Number(0.0, 3.0, "metres"),
    metavar="METRES",
    help="Scatter beside the line, as a standard deviation (0.3).",
)
@click.option(
    "--speed",
    type=Number(0.0, 5.0, "metres a second"),
    metavar="M/S",
    help="Scatter of the speed at the slowest point, as a standard deviation (0.3).",
)
@click.option(
    "--chance",
    type=Number(1e-6, 0.5),
    default=0.01,
    show_default=True,
    help="Greatest chance of leaving the track on a lap.",
)
@click.option(
    "--cost",
    type=Number(0.0, 300.0, "seconds"),
    metavar="SECONDS",
    help="Time lost on a lap that leaves the track (3).",
)
@reverse_option
@kerbs_option
@out_option
@units_option
def margin(
    track: str,
    kart: str,
    recording: str | None,
    position_error: float | None,
    lateral: float | None,
    speed: float | None,
    chance: float,
    cost: float | None,
    reverse: bool,
    kerbs: bool,
    out: str | None,
    units: str,
) -> None:
    """Find how far a driver of a KART should stay from the edges of a TRACK for the least expected lap time."""
    import numpy as np

    from linelab.coaching.from_recording import review
    from linelab.files.kart_file import load_kart
    from linelab.output.display import CAUTIONS
    from linelab.output.margins.margin_report import margin_table, margin_words, save_margin
    from linelab.output.track_facts import survey_sentence
    from linelab.study.leaving import Scatter
    from linelab.study.margins import COST, margin_lap, scatter_of, typical_scatter

    if recording is None and position_error is not None:
        raise click.UsageError("--position-error needs --from")
    if recording is not None and (lateral is not None or speed is not None):
        raise click.UsageError("--lateral and --speed are measured with --from; leave them out")
    shown = units_named(units)
    with progress("reading the track and the kart") as step:
        driven = load_kart(kart)
        ground = named_track(track, reverse)
        folder = results_place(out or default_folder("margin", Path(track).stem, Path(kart).stem))
        notes(ground.notes, shown)
        scatter, solution = typical_scatter(), None
        if recording is not None:
            step("reading the laps")
            found = review(recording, driven, ground, position_error=position_error)
            scatter, solution = scatter_of(found), found.solution if kerbs else None
        elif lateral is not None or speed is not None:
            scatter = Scatter(
                lateral=scatter.lateral if lateral is None else np.array([lateral]),
                speed=scatter.speed if speed is None else np.array([speed]),
            )
        careful = margin_lap(
            ground, driven, scatter, chance, cost=COST if cost is None else cost, solution=solution, use_kerbs=kerbs,
            progress=step,
        )  # fmt: skip
        files = save_margin(folder, ground, careful, shown)
    say(f"Room for scatter on {ground.name} with {driven.name}.", survey_sentence(ground.survey, shown), "")
    say(margin_table(careful, shown), "", *margin_words(careful, shown))
    list_files(folder, files)
    say("", CAUTIONS)
