"""linelab cost: what a habit costs at each corner, and why."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

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
    position_error_option,
    reverse_option,
    units_option,
)
from linelab.cli.solve_reference import check_corners

if TYPE_CHECKING:
    from linelab.coaching.results import DriverNumbers
    from linelab.model.kart import Kart
    from linelab.model.track import Track


@click.command(
    short_help="What a habit costs at each corner, and why.",
    epilog="""\b
Examples:
  linelab cost ostrelle_sprint senior-single-speed
  linelab cost my_track.geojson my_kart.toml --habit apex_missed --size 0.5 --corner 2 --corner 7
  linelab cost tinmarsh_rental rental-four-stroke --habit coasts
  linelab cost ostrelle_sprint senior-single-speed --habit all --jobs 2
  linelab cost my_track.geojson my_kart.toml --driven session.csv --position-error 0.25

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
@click.option(
    "--driven",
    multiple=True,
    type=PATH,
    metavar="RECORDING",
    help="For the driver of this recording: with the grip, braking, engine force and feet that his laps show; may be "
    "repeated.",
)
@position_error_option("With --driven")
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
    driven: tuple[str, ...],
    position_error: float | None,
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
    from linelab.diagnosis.driver_model import SHARE
    from linelab.files.kart_file import load_kart
    from linelab.optimum.minimum_time import solve_min_time
    from linelab.output.costs.cost_report import save_costs
    from linelab.output.costs.cost_words import cost_lines, study_costs
    from linelab.output.display import CAUTIONS
    from linelab.output.track_facts import survey_sentence
    from linelab.study.as_driven import own_kart
    from linelab.study.habit_costs import SCALES, check_sizes
    from linelab.study.sweeping.processes import new_processes

    shown = units_named(units)
    if position_error is not None and not driven:
        raise click.UsageError("--position-error needs --driven")
    named = list(SCALES) if "all" in habits else list(dict.fromkeys(habits)) or ["apex_missed"]
    if sizes and len(named) > 1:
        raise click.UsageError("--size needs a single --habit")
    wanted = sorted(set(sizes)) or None
    for name in named:
        check_sizes(name, wanted)
    with progress("reading the track and the kart") as step:
        vehicle, ground = load_kart(kart), named_track(track, reverse)
        chosen = check_corners([corner.number for corner in ground.corners], corners, False)
        folder = results_place(out or default_folder("cost", Path(track).stem, Path(kart).stem))
        notes(ground.notes, shown)
        numbers = _driver_of(driven, vehicle, ground, position_error, step) if driven else None
        own = vehicle if numbers is None else own_kart(vehicle, numbers)
        ground, factor = on_day(ground, vehicle, grip, tyres, kerbs=kerbs, progress=step)
        share = 1.0 if numbers is None else float(numbers.values[SHARE])
        solution = solve_min_time(ground, own, grip=factor * share, use_kerbs=kerbs, progress=step)
        with new_processes(jobs) if jobs > 1 else nullcontext() as executor:
            study = study_costs(
                ground, vehicle, solution, [name for name in SCALES if name in named],
                sizes=wanted, corners=chosen, use_kerbs=kerbs, driver=numbers,
                recordings=[Path(name).name for name in driven], executor=executor, progress=step,
            )  # fmt: skip
        files = save_costs(folder, study, shown, pictures=pictures, progress=step)
    say(*cost_lines(study, shown), "", survey_sentence(ground.survey, shown))
    list_files(folder, files)
    say("", CAUTIONS)


def _driver_of(
    names: tuple[str, ...], kart: Kart, track: Track, position_error: float | None, progress: Callable[[str], None]
) -> DriverNumbers:
    """The driver's numbers that recordings show, each a session of its own."""
    from linelab.coaching.from_recording import review
    from linelab.errors import InputError
    from linelab.study.as_driven import joint_numbers

    found = []
    for name in names:
        progress(f"reading the laps of {Path(name).name}")
        shown = review(name, kart, track, position_error=position_error)
        numbers = shown.driver
        reason = numbers.reason if numbers is not None else shown.grip.factor.reason or "the laps were not explained"
        if numbers is None or reason:
            raise InputError(
                f"it does not show the driver's own numbers: {reason}", where=name,
                remedy="Take another recording, or leave --driven out",
            )  # fmt: skip
        found.append(numbers)
    return joint_numbers(found)
