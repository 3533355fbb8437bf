"""linelab demo: the main jobs on a bundled, fictional session."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli_common import default_folder, list_files, progress, results_place, units_named
from linelab.cli_options import out_option, print_option, units_option


@click.command(
    short_help="Run the main jobs on bundled fictional data.",
    epilog="\b\nExample:\n  linelab demo --out demo --units imperial\n",
)
@out_option
@print_option(True)
@units_option
def demo(out: str | None, print_file: bool, units: str) -> None:
    """Run the main jobs on bundled fictional data: a driver's session reviewed, and the sheet for the track walk."""
    from linelab.cli_review import show_review
    from linelab.coaching.recorded import choose_laps, find_ground, review_recording
    from linelab.io.kart_files import load_kart
    from linelab.io.outputs import results_folder
    from linelab.io.recordings import load_recording
    from linelab.io.track_files import load_track
    from linelab.report.demo_data import DEMO_KART, DEMO_POSITION_ERROR, DEMO_TRACK, demo_recording
    from linelab.report.review_report import save_review
    from linelab.report.sheet import save_sheet, sheet_pages
    from linelab.solve.mintime import solve_min_time

    shown = units_named(units)
    folder = Path(out or default_folder())
    review_folder, sheet_folder = results_place(folder / "demo_review"), results_place(folder / "demo_sheet")
    with progress("reading the demo") as step:
        track, kart = load_track(DEMO_TRACK), load_kart(DEMO_KART)
        solution = solve_min_time(track, kart, progress=step)
        recording = load_recording(demo_recording())
        ground = find_ground(recording, track, position_error=DEMO_POSITION_ERROR)
        result = review_recording(recording, ground, kart, choose_laps(ground.laps), reference=solution, progress=step)
        review_files = save_review(review_folder, result, shown, print_file=print_file, progress=step)
        with results_folder(sheet_folder) as stage:
            sheet_files = save_sheet(stage, sheet_pages(track, kart, solution, shown, progress=step))
    show_review(result, shown)
    list_files(review_folder, review_files)
    list_files(sheet_folder, sheet_files)
