"""linelab pays: what one per cent of every number of a kart is worth, and where on the lap."""

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
    grip_option,
    kerbs_option,
    out_option,
    pictures_option,
    reverse_option,
    units_option,
)


@click.command(
    short_help="What each number of a kart is worth on a track, and where.",
    epilog="""\b
Examples:
  linelab pays ostrelle_sprint senior-single-speed
  linelab pays my_track.geojson my_kart.toml --grip damp --out "damp"
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@grip_option
@reverse_option
@kerbs_option
@click.option(
    "--teeth",
    type=click.IntRange(0, 20),
    default=3,
    show_default=True,
    help="Also solve axle sprockets of up to this many teeth fewer and more, where the kart file names sprockets.",
)
@out_option
@pictures_option
@units_option
def pays(
    track: str,
    kart: str,
    grip: float | str,
    tyres: str | None,
    reverse: bool,
    kerbs: bool,
    teeth: int,
    out: str | None,
    pictures: bool,
    units: str,
) -> None:
    """Compute what one per cent of every number of a KART is worth on a TRACK, on the lap and in each corner.

    One number is changed at a time, and the fastest line and speed are found anew.
    """
    from linelab.files.kart_file import load_kart
    from linelab.model.kart import Gearing, TorqueEngine
    from linelab.optimum.minimum_time import solve_min_time
    from linelab.output.display import CAUTIONS
    from linelab.output.pays.pays_files import save_pays
    from linelab.output.pays.pays_report import pays_table, pays_words, sprocket_table, table_notes
    from linelab.output.reference_report import conditions
    from linelab.output.track_facts import survey_sentence
    from linelab.study.sprockets import sprocket_laps
    from linelab.study.what_pays import what_pays

    shown = units_named(units)
    with progress("reading the track and the kart") as step:
        driven = load_kart(kart)
        ground = named_track(track, reverse)
        folder = results_place(out or default_folder(Path(track).stem, Path(kart).stem, "pays"))
        notes(ground.notes, shown)
        ground, factor = on_day(ground, driven, grip, tyres, kerbs=kerbs, progress=step)
        solution = solve_min_time(ground, driven, grip=factor, use_kerbs=kerbs, progress=step)
        worths = what_pays(ground, driven, solution, use_kerbs=kerbs, progress=step)
        sprockets = sprocket_laps(ground, driven, solution, around=teeth, use_kerbs=kerbs, progress=step)
        files = save_pays(
            folder,
            ground,
            driven,
            solution,
            worths,
            sprockets,
            shown,
            pictures=pictures,
            use_kerbs=kerbs,
            progress=step,
        )
    engine = driven.engine
    gears = engine.ratios if isinstance(engine, TorqueEngine) else ()
    own = gears.axle_teeth if isinstance(gears, Gearing) else None
    say(*pays_words(worths, sprockets, own, shown), *conditions(ground, solution, kerbs), "")
    say(pays_table(worths, shown), "", *table_notes(worths, ground, solution), survey_sentence(ground.survey, shown))
    if sprockets:
        say("", sprocket_table(sprockets, shown), "Each of these laps is solved.")
    list_files(folder, files)
    say("", CAUTIONS)
