"""linelab demo: the main jobs on a bundled session of an invented driver on an invented circuit."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli.common import default_folder, list_files, progress, results_place, units_named
from linelab.cli.options import out_option, print_option, units_option
from linelab.files.bundled import DEMO_KART, DEMO_POSITION_ERROR, DEMO_RECORDING, DEMO_TRACK, bundled_recordings


def demo_recording() -> Path:
    """A simulated session of ten laps (CSV, 10 Hz, with the errors of a consumer receiver)."""
    return bundled_recordings()[DEMO_RECORDING]


@click.command(
    short_help="Run the main jobs on bundled fictional data.",
    epilog="\b\nExample:\n  linelab demo --out demo --units imperial\n",
)
@out_option
@print_option(True)
@units_option
def demo(out: str | None, print_file: bool, units: str) -> None:
    """Run the main jobs on bundled fictional data: the review of a session, and the sheet for the track walk."""
    from linelab.cli.review_recording import show_review
    from linelab.coaching.from_recording import choose_laps, find_ground, review_recording
    from linelab.files.kart_file import load_kart
    from linelab.files.recordings.load_recording import load_recording
    from linelab.files.tracks.track_file import load_track
    from linelab.optimum.minimum_time import solve_min_time
    from linelab.output.review_report import save_review
    from linelab.output.sheet.track_sheet import track_sheet

    shown = units_named(units)
    folder = Path(out or default_folder())
    review_folder, sheet_folder = results_place(folder / "demo_review"), results_place(folder / "demo_sheet")
    with progress("reading the demo") as step:
        track, kart = load_track(DEMO_TRACK), load_kart(DEMO_KART)
        solution = solve_min_time(track, kart, progress=step)
        recording = load_recording(demo_recording())
        ground = find_ground(recording, track, position_error=DEMO_POSITION_ERROR)
        result = review_recording(recording, ground, kart, choose_laps(ground.laps), reference=solution, progress=step)
        review_files = save_review(result, review_folder, shown, print_file=print_file, progress=step)
        sheet_files = track_sheet(track, kart, sheet_folder, solution=solution, units=shown, progress=step)
    show_review(result, shown)
    list_files(review_folder, review_files)
    list_files(sheet_folder, sheet_files)
