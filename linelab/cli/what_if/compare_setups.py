"""linelab compare-setups: two setups, tyres or drivers on one track."""

from __future__ import annotations

import click

from linelab.cli.common import default_folder, list_files, named_track, progress, results_place, say
from linelab.cli.options import PATH, out_option, position_error_option, reverse_option, setup_options


@click.command(
    name="compare-setups",
    short_help="Whether one setup is faster than another, or it is noise.",
    epilog="""\b
Examples:
  linelab compare-setups --a run1.csv --b run2.csv --track ostrelle_sprint
  linelab compare-setups --a run1.csv --b run2.csv --a run3.csv --order ABA --track my_track.geojson
""",
)
@click.option("--a", "first", type=PATH, multiple=True, required=True, metavar="FILE", help="An outing with A; repeat.")
@click.option(
    "--b", "second", type=PATH, multiple=True, required=True, metavar="FILE", help="An outing with B; repeat."
)
@click.option(
    "--order",
    metavar="LETTERS",
    help="Setups of the outings as they were driven, such as ABA; otherwise by the recordings' dates.",
)
@click.option(
    "--track",
    "track",
    type=PATH,
    help="Track file or bundled name; without it the track is estimated from all recordings.",
)
@reverse_option
@setup_options
@position_error_option()
@out_option
def compare_setups_command(
    first: tuple[str, ...],
    second: tuple[str, ...],
    order: str | None,
    track: str | None,
    reverse: bool,
    matters: float | None,
    outing_change: float | None,
    position_error: float | None,
    out: str | None,
) -> None:
    """Compare two setups, tyres or drivers, A and B: the difference per lap and in each corner, and whether it is real.

    Give one recording per outing.  An outing differs from the next one though nothing was changed, so drive A again
    after B, and B after that: A-B-A-B tells more than many laps of each.
    """
    from linelab.output.setups.setups_report import save_setups, setups_lines
    from linelab.study.setups.two_setups import compare_setups

    if reverse and track is None:
        raise click.UsageError("--reverse needs --track")
    ground = None if track is None else named_track(track, reverse)
    folder = results_place(default_folder("setups") if out is None else out)
    with progress("reading") as step:
        found = compare_setups(
            first,
            second,
            ground,
            order=order,
            matters=matters,
            outing_change=None if outing_change is None else outing_change / 100.0,
            position_error=position_error,
            progress=step,
        )
    say(*setups_lines(found))
    list_files(folder, save_setups(found, folder))
