"""linelab reference: the minimum-time lap of a kart on a track."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli.common import (
    default_folder,
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
    also_option,
    grip_option,
    kerbs_option,
    out_option,
    pictures_option,
    reverse_option,
    units_option,
)


@click.command(
    short_help="The fastest lap of a kart on a track.",
    epilog="""\b
Examples:
  linelab reference ostrelle_sprint senior-single-speed
  linelab reference my_track.geojson my_kart.toml --grip wet --tyres wets --out "wet lap"
  linelab reference tinmarsh_rental rental-four-stroke --reverse --corner 3 --corner 4
  linelab reference my_track.geojson my_kart.toml --also gpx --also kml
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@grip_option
@reverse_option
@kerbs_option
@click.option(
    "--corner", "corners", type=int, multiple=True, metavar="NUMBER", help="Draw a close-up; may be repeated."
)
@also_option("geojson", "gpx", "kml", "parquet")
@click.option("--all-corners", is_flag=True, help="Draw a close-up of every corner.")
@out_option
@pictures_option
@units_option
def reference(
    track: str,
    kart: str,
    grip: float | str,
    tyres: str | None,
    reverse: bool,
    kerbs: bool,
    corners: tuple[int, ...],
    formats: tuple[str, ...],
    all_corners: bool,
    out: str | None,
    pictures: bool,
    units: str,
) -> None:
    """Compute the fastest lap of a KART on a TRACK: where to brake, turn in and accelerate, and how fast."""
    from linelab.files.kart_file import load_kart
    from linelab.optimum.minimum_time import solve_min_time
    from linelab.output.display import CAUTIONS
    from linelab.output.lap_files import check_formats
    from linelab.output.reference_report import (
        gear_words,
        groove_words,
        reference_table,
        reference_words,
        save_reference,
        table_words,
        two_apex_words,
    )
    from linelab.output.track_facts import survey_sentence

    shown = units_named(units)
    with progress("reading the track and the kart") as step:
        driven = load_kart(kart)
        ground = named_track(track, reverse)
        chosen = check_corners([corner.number for corner in ground.corners], corners, all_corners)
        check_formats(formats, ground)
        folder = results_place(out or default_folder(Path(track).stem, Path(kart).stem))
        notes(ground.notes, shown)
        ground, factor = on_day(ground, driven, grip, tyres, kerbs=kerbs, progress=step)
        solution = solve_min_time(ground, driven, grip=factor, use_kerbs=kerbs, progress=step)
        step("what it costs to leave the groove")
        beside = groove_words(ground, driven, solution, shown, use_kerbs=kerbs)
        files = save_reference(
            folder,
            ground,
            driven,
            solution,
            shown,
            pictures=pictures,
            corners=chosen,
            formats=formats,
            use_kerbs=kerbs,
            progress=step,
        )
    say(*reference_words(ground, driven, solution, shown, use_kerbs=kerbs), survey_sentence(ground.survey, shown), "")
    both = two_apex_words(ground, solution.lap, driven, shown)
    say(reference_table(ground, solution.lap, driven, shown), "", *table_words(ground, shown), *both, *beside)
    geared = gear_words(ground, solution.lap, driven, shown)
    if geared:
        say("", *geared)
    list_files(folder, files)
    say("", CAUTIONS)


def check_corners(known: list[int], wanted: tuple[int, ...], every: bool) -> list[int]:
    """Numbers of the corners to draw; a number the track does not have is an error."""
    missing = [number for number in wanted if number not in known]
    if missing:
        span = f"1 to {max(known)}" if known else "none"
        raise click.BadParameter(f"there is no corner {missing[0]} (corners: {span})", param_hint="--corner")
    return known if every else list(wanted)
