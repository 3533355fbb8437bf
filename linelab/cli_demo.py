"""linelab demo: the main job on a bundled, fictional demo."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli_common import list_files, out_option, pictures_option, progress, say, units_named, units_option


@click.command(
    short_help="Run the main job on bundled fictional data.",
    epilog="\b\nExample:\n  linelab demo --out demo --units imperial\n",
)
@out_option
@pictures_option
@units_option
def demo(out: str | None, pictures: bool, units: str) -> None:
    """Run the main job on bundled fictional data: the fastest lap, and a driver's recording held against it."""
    from linelab.cli_review import show_review
    from linelab.io.kart_files import load_kart
    from linelab.io.recordings import load_recording
    from linelab.io.track_files import load_track
    from linelab.report.demo_data import DEMO_KART, DEMO_POSITION_ERROR, DEMO_TRACK, demo_recording
    from linelab.report.reference_facts import reference_table, reference_words
    from linelab.report.reference_report import save_reference
    from linelab.report.review_report import choose_laps, find_ground, review_recording, save_review
    from linelab.solve.mintime import solve_min_time

    shown = units_named(units)
    folder = Path(out) if out is not None else Path("linelab_results")
    with progress("reading the demo") as step:
        track, kart = load_track(DEMO_TRACK), load_kart(DEMO_KART)
        solution = solve_min_time(track, kart, progress=step)
        reference_folder, review_folder = folder / "demo_reference", folder / "demo_review"
        reference_files = save_reference(
            reference_folder, track, kart, solution, shown, pictures=pictures, progress=step
        )
        recording = load_recording(demo_recording())
        ground = find_ground(recording, track, position_error=DEMO_POSITION_ERROR)
        result = review_recording(recording, ground, kart, choose_laps(ground.laps), reference=solution, progress=step)
        review_files = save_review(review_folder, result, shown, pictures=pictures, progress=step)
    say(*reference_words(track, kart, solution, shown), "", reference_table(track, solution.lap, shown), "")
    show_review(result, shown)
    list_files(reference_folder, reference_files)
    list_files(review_folder, review_files)
