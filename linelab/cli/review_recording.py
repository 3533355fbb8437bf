"""linelab review: a recording compared with the computed lap."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linelab.cli.common import (
    FourNumbers,
    default_folder,
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
    also_option,
    column_options,
    corridor_options,
    grip_option,
    out_option,
    parse_pairs,
    position_error_option,
    print_option,
    reverse_option,
    setup_options,
    units_option,
)

if TYPE_CHECKING:
    from linelab.coaching.results import Review
    from linelab.diagnosis.kinds import TargetKind
    from linelab.model.track import Track
    from linelab.optimum.minimum_time import Solution
    from linelab.output.display import Units
    from linelab.output.page.content import Beside
    from linelab.study.setups.setup_verdict import SetupDifference


#: What laps are compared with, as typed, to its kind.
AGAINST: dict[str, TargetKind] = {
    "computed": "computed",
    "grip-shown": "shown_grip",
    "own-best": "own_best",
    "own-parts": "own_parts",
}


#: How notes begin that say how a file was read.
AS_READ = ("columns: ", "time: ", "units: ", "NMEA 0183 from ")


@click.command(
    short_help="Where a recorded session loses time, and what to work on.",
    epilog="""\b
Examples:
  linelab review session.csv --track ostrelle_sprint --kart senior-single-speed
  linelab review session.gpx --track my_track.geojson --kart my_kart.toml --lap 4 --lap 7
  linelab review session.csv --track ostrelle_sprint --kart my_kart.toml --against own-best --print
  linelab review morning.csv afternoon.csv --track my_track.geojson --kart my_kart.toml      side by side
  linelab review part1.csv part2.csv --joined --kart senior-single-speed
  linelab review day1.csv day2.csv --kart senior-single-speed      one estimated track where both were driven
  linelab review mine.csv --beside mate.csv --beside-name "your team mate" --kart senior-single-speed
  linelab review new.csv --other-setup old1.csv --other-setup old2.csv --setup-order ABA --kart senior-single-speed
  linelab review mine.csv --against-lap 7 --track ostrelle_sprint --kart senior-single-speed
  linelab review session.csv                                  track and kart from the laps
  linelab review session.csv --column time=t --column speed=v --unit speed=km/h

Roles of columns: time; lon and lat, or x and y; speed; and course, ax, ay, yaw_rate, engine_speed, ...
Units: time s, ms, us, ns; speed m/s, km/h, mph, knots, ft/s; positions deg, or m, ft.
""",
)
@click.argument("recordings", type=PATH, nargs=-1, required=True, metavar="RECORDING...")
@click.option(
    "--kart", "kart", type=PATH, help="Kart file or bundled name; without it a kart is fitted to the recording."
)
@click.option(
    "--track", "track", type=PATH, help="Track file or bundled name; without it the track is estimated from the laps."
)
@click.option("--joined", is_flag=True, help="The recordings continue one session: join them before cutting laps.")
@click.option(
    "--lap",
    "numbers",
    type=int,
    multiple=True,
    metavar="NUMBER",
    help="Lap to review; may be repeated (otherwise all complete laps).",
)
@click.option(
    "--against",
    type=click.Choice(list(AGAINST)),
    help="Compare the laps with: the computed lap; the same at the grip the driver showed; the driver's own best lap; "
    "the driver's best corners joined.  [default: computed; own-parts where the edges were not surveyed or the "
    "kart file does not fit]",
)
@click.option("--against-lap", type=int, metavar="NUMBER", help="Compare the laps with this one of the recording.")
@click.option(
    "--beside",
    type=PATH,
    metavar="OTHER",
    help="Another recording on the same track (a team mate's, another kart's): its best lap is what the laps are "
    "compared with, and its usual passes are held against the driver's.",
)
@click.option("--beside-lap", type=int, metavar="NUMBER", help="With --beside: its lap to compare with.")
@click.option("--beside-name", metavar="WORDS", help="With --beside: whose it is, such as 'your team mate'.")
@click.option(
    "--other-setup",
    "other_setup",
    type=PATH,
    multiple=True,
    metavar="FILE",
    help="An outing with another setup: says whether this session's setup is really faster; repeat.",
)
@click.option(
    "--same-setup",
    "same_setup",
    type=PATH,
    multiple=True,
    metavar="FILE",
    help="With --other-setup: a further outing with this session's setup; repeat.",
)
@click.option(
    "--setup-order",
    metavar="LETTERS",
    help="With --other-setup: the outings as they were driven, B with this session's setup and A with the other one, "
    "such as ABA; otherwise by the recordings' dates.",
)
@setup_options
@column_options
@reverse_option
@corridor_options("Without --track")
@position_error_option()
@grip_option
@out_option
@print_option(False)
@also_option("geojson", "gpx", "kml", "csv", "parquet")
@click.option("--pictures", is_flag=True, help="Also draw pictures of the best lap (PNG); the page has them all.")
@units_option
def review(
    recordings: tuple[str, ...],
    kart: str | None,
    track: str | None,
    joined: bool,
    numbers: tuple[int, ...],
    against: str | None,
    against_lap: int | None,
    beside: str | None,
    beside_lap: int | None,
    beside_name: str | None,
    other_setup: tuple[str, ...],
    same_setup: tuple[str, ...],
    setup_order: str | None,
    matters: float | None,
    outing_change: float | None,
    columns: tuple[str, ...],
    quantities: tuple[str, ...],
    reverse: bool,
    start_line: FourNumbers | None,
    width: float | None,
    position_error: float | None,
    grip: float | str,
    tyres: str | None,
    out: str | None,
    print_file: bool,
    formats: tuple[str, ...],
    pictures: bool,
    units: str,
) -> None:
    """Show where a RECORDING loses time and what to work on: a page to open in any browser, offline, with tables.

    A recording is CSV or other delimited text, GPX, an NMEA 0183 log, or GeoJSON with times.  Several are sessions of
    one driver, the earliest first: each after the first also says what became of what was to be worked on before.
    """
    from linelab.coaching.from_recording import choose_laps, fitted_notes, grounds_kart, review_recording
    from linelab.files.kart_file import load_kart
    from linelab.files.recordings.load_recording import load_session
    from linelab.output.lap_files import check_formats
    from linelab.output.review_report import beside_earlier, beside_other, beside_setups, save_review
    from linelab.output.track_facts import day_words
    from linelab.study.other_sessions import other_driver
    from linelab.study.setups.two_setups import compare_cut

    if sum(item is not None for item in (against, against_lap, beside_lap)) > 1:
        raise click.UsageError("--against, --against-lap and --beside-lap each say what laps are compared with")
    if beside is None and (beside_lap is not None or beside_name is not None):
        raise click.UsageError("--beside-lap and --beside-name are for --beside")
    if len(recordings) > 1 and not joined and (beside is not None or against_lap is not None):
        raise click.UsageError("--beside and --against-lap are for one session")
    if not other_setup and (same_setup or setup_order or matters is not None or outing_change is not None):
        raise click.UsageError("--same-setup, --setup-order, --matters and --outing-change are for --other-setup")
    if len(recordings) > 1 and not joined and other_setup:
        raise click.UsageError("--other-setup is for one session; further outings with its setup are --same-setup FILE")
    titles, declared = parse_pairs(columns, "--column"), parse_pairs(quantities, "--unit")
    if track is not None:
        refuse_corridor_options(start_line, width, "without --track")
    elif reverse:
        raise click.UsageError("--reverse needs --track")
    shown = units_named(units)
    driven = None if kart is None else load_kart(kart)
    ground_track = None if track is None else named_track(track, reverse)
    factor = 1.0
    if grip != "dry" or tyres is not None:
        if ground_track is not None and driven is not None:
            with progress("the track in its conditions") as step:
                ground_track, factor = on_day(ground_track, driven, grip, tyres, progress=step)
        elif isinstance(grip, str) or tyres is not None:
            raise click.UsageError(
                "--grip in words and --tyres need --track and --kart; a kart fitted to the laps has that day's grip "
                "already"
            )
        else:
            factor = grip
    sessions = [recordings] if joined else [(recording,) for recording in recordings]
    folders = [results_place(folder) for folder in _folders([paths[0] for paths in sessions], track, out)]
    read = []
    for paths in [
        *sessions,
        *([] if beside is None else [(beside,)]),
        *((path,) for path in (*other_setup, *same_setup)),
    ]:  # all of them first: where one cannot be used nothing is written
        with progress(f"reading {Path(paths[0]).name}") as step:
            read.append(load_session(paths, columns=titles or None, units=declared or None, progress=step))
    with progress("cutting the laps"):
        grounds = recorded_grounds(
            read, ground_track, start_line=start_line, width=width, position_error=position_error
        )
    for ground in grounds:
        check_formats(formats, ground.track)
    chosen = [choose_laps(ground.laps, numbers) for ground in grounds[: len(sessions)]]
    said: tuple[str, ...] = ()
    if driven is None:
        with progress("fitting the kart"):
            fitted = grounds_kart(grounds[: len(sessions) + (beside is not None)])  # another setup is another kart
        driven, said = fitted.kart, fitted_notes(fitted)
    if ground_track is not None:
        said = (*said, *day_words(ground_track))
    kind: TargetKind | None = AGAINST[against] if against else None if against_lap is None else "other_lap"
    own_lap = None if against_lap is None else choose_laps(grounds[0].laps, [against_lap])[0].label
    mate = None
    if beside is not None:
        with progress(f"reviewing {Path(beside).name}") as step:
            who = beside_name or Path(beside).name
            place = len(sessions)
            mate = other_driver(read[place], grounds[place], driven, who, lap=beside_lap, grip=factor, progress=step)
    setups: SetupDifference | None = None
    if other_setup:
        ours = [0, *range(len(read) - len(same_setup), len(read))]
        theirs = range(len(read) - len(same_setup) - len(other_setup), len(read) - len(same_setup))
        with progress("comparing the setups") as step:
            setups = compare_cut(
                [(read[k], grounds[k]) for k in theirs], [(read[k], grounds[k]) for k in ours], order=setup_order,
                matters=matters, outing_change=None if outing_change is None else outing_change / 100.0, progress=step,
            )  # fmt: skip
    solved: Solution | None = None if mate is None else mate.review.solution
    track_before: Track | None = None if mate is None else mate.review.track
    earlier: Review | None = None
    for folder, recording, ground, laps in zip(folders, read, grounds, chosen):
        if mate is not None and ground.track is not mate.review.track:
            raise click.UsageError(f"{recording.source} and {beside} are not of one track driven the same way round")
        if ground.track is not track_before:
            solved, earlier, track_before = None, None, ground.track
        with progress("computing the fastest lap") as step:
            result = review_recording(
                recording,
                ground,
                driven,
                laps,
                against="other_lap" if mate is not None and kind is None else kind,
                other=mate.lap if mate is not None and kind is None else own_lap,
                grip=factor,
                reference=solved,
                notes=said,
                progress=step,
            )
            solved = result.solution
            held = None if earlier is None else beside_earlier(earlier, result)
            held = held if mate is None else beside_other(mate.review, result, mate.name)
            held = held if setups is None else beside_setups(held, setups)
            files = save_review(
                result,
                folder,
                shown,
                print_file=print_file,
                formats=formats,
                pictures=pictures,
                beside=held,
                progress=step,
            )
        show_review(result, shown, held)
        earlier = result
        list_files(folder, files)


def show_review(result: Review, shown: Units, beside: Beside | None = None) -> None:
    """What became of the things to work on, the verdict and the laps on the terminal; then what this session is held
    against, and what was assumed and cleaned.  How columns were read stands on the page unless it was assumed."""
    from linelab.output.review_text import beside_lines, review_lines, setup_lines, since_lines

    other = None if beside is None else beside.difference
    since = [] if beside is None or other is None else since_lines(beside.source, other, shown)
    say(*since, *review_lines(result, result.recorded, shown))
    if beside is not None and other is not None:
        say("", *beside_lines(beside.source, other, shown))
    if beside is not None and beside.setups is not None:
        say("", *setup_lines(beside.setups))
    notes((text for text in result.cleaning if not text.startswith(AS_READ) or "assumed" in text), shown)


def _folders(sources: list[str], track: str | None, out: str | None) -> list[Path]:
    """Where each recording's results go; each of several has a folder of its own, those of one name are numbered."""
    if out is not None and len(sources) == 1:
        return [Path(out)]
    found: list[Path] = []
    for source in sources:
        stem = Path(source).stem
        track_name = "" if track is None else Path(track).stem
        plain = default_folder("review", stem, track_name) if out is None else Path(out) / default_folder(stem).name
        folder, number = plain, 1
        while folder in found:
            number += 1
            folder = plain.with_name(f"{plain.name}_no_{number}")
        found.append(folder)
    return found
