"""linelab cost: what a habit costs at each corner, and why."""

from __future__ import annotations

from contextlib import nullcontext
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
from linelab.cli.solve_reference import check_corners


@click.command(
    short_help="What a habit costs at each corner, and why.",
    epilog="""\b
Examples:
  linelab cost ostrelle_sprint senior-single-speed
  linelab cost my_track.geojson my_kart.toml --habit apex_missed --size 0.5 --corner 2 --corner 7
  linelab cost tinmarsh_rental rental-four-stroke --habit coasts
  linelab cost ostrelle_sprint senior-single-speed --habit all --jobs 2

\b
Habits of the line: apex_missed, apex_early, apex_late, turns_in_early, line_defended, exit_unused (metres),
arrives_fast (m/s).  Habits of the feet: brakes_early (metres), brakes_softly (share of the braking not used),
coasts, power_late (seconds), too_slow_in_corner, power_abrupt, slide (m/s).
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@click.option(
    "--habit",
    "habits",
    multiple=True,
    metavar="NAME",
    help="The habit (apex_missed); may be repeated; all: every one at its usual size.",
)
@click.option(
    "--size", "sizes", type=float, multiple=True, metavar="SIZE", help="A size of the habit; may be repeated."
)
@click.option(
    "--corner", "corners", type=int, multiple=True, metavar="NUMBER", help="Only this corner; may be repeated."
)
@grip_option
@reverse_option
@kerbs_option
@click.option("--jobs", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes that share the work.")
@out_option
@pictures_option
@units_option
def cost(
    track: str,
    kart: str,
    habits: tuple[str, ...],
    sizes: tuple[float, ...],
    corners: tuple[int, ...],
    grip: float | str,
    tyres: str | None,
    reverse: bool,
    kerbs: bool,
    jobs: int,
    out: str | None,
    pictures: bool,
    units: str,
) -> None:
    """Say what a habit costs at each corner of a TRACK with a KART, by its size, and why it costs so much there."""
    from linelab.files.kart_file import load_kart
    from linelab.optimum.minimum_time import solve_min_time
    from linelab.output.costs.cost_report import save_costs
    from linelab.output.costs.cost_words import cost_lines, study_costs
    from linelab.output.display import CAUTIONS
    from linelab.output.track_facts import survey_sentence
    from linelab.study.habit_costs import SCALES, check_sizes
    from linelab.study.sweeping.processes import new_processes

    shown = units_named(units)
    named = list(SCALES) if "all" in habits else list(dict.fromkeys(habits)) or ["apex_missed"]
    if sizes and len(named) > 1:
        raise click.UsageError("--size needs a single --habit")
    wanted = sorted(set(sizes)) or None
    for name in named:
        check_sizes(name, wanted)
    with progress("reading the track and the kart") as step:
        driven, ground = load_kart(kart), named_track(track, reverse)
        chosen = check_corners([corner.number for corner in ground.corners], corners, False)
        folder = results_place(out or default_folder("cost", Path(track).stem, Path(kart).stem))
        notes(ground.notes, shown)
        ground, factor = on_day(ground, driven, grip, tyres, kerbs=kerbs, progress=step)
        solution = solve_min_time(ground, driven, grip=factor, use_kerbs=kerbs, progress=step)
        with new_processes(jobs) if jobs > 1 else nullcontext() as executor:
            study = study_costs(
                ground, driven, solution, [name for name in SCALES if name in named],
                sizes=wanted, corners=chosen, use_kerbs=kerbs, executor=executor, progress=step,
            )  # fmt: skip
        files = save_costs(folder, study, shown, pictures=pictures, progress=step)
    say(*cost_lines(study, shown), "", survey_sentence(ground.survey, shown))
    list_files(folder, files)
    say("", CAUTIONS)
