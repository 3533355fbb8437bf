"""linelab track: a track's facts and drawing; import, reverse, check and save."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from linelab.cli.common import check_save, list_files, notes, results_place, say, units_named
from linelab.cli.options import (
    PATH,
    WIDTHS,
    Number,
    out_option,
    parse_pairs,
    reverse_option,
    save_option,
    units_option,
)

if TYPE_CHECKING:
    from linelab.files.writing import ResultsFolder
    from linelab.model.track import Track


@click.command(
    short_help="A track: check, facts, drawing, import, reverse.",
    epilog="""\b
Examples:
  linelab track                                        list the bundled tracks
  linelab track ostrelle_sprint --out "track sheet"
  linelab track survey.csv --column x=east --column y=north --column w_left=left --column w_right=right \\
      --save my_track.geojson
  linelab track left_walk.gpx --right-edge right_walk.gpx --save my_track.geojson
  linelab track my_track.geojson --reverse --save my_track_reversed.geojson

Columns of a CSV centre line: x and y, or lon and lat; w_left and w_right, or width; z. Columns with
these or similar titles are recognised.
""",
)
@click.argument("source", type=PATH, required=False)
@click.option("--ranges", is_flag=True, help="Print the limits a track must keep to, with the reasons.")
@click.option("--right-edge", type=PATH, metavar="FILE", help="SOURCE is the walked left edge, FILE the right one.")
@click.option("--walked", is_flag=True, help="SOURCE holds both walked edges (GPX or GeoJSON lines).")
@click.option("--centre-line", is_flag=True, help="SOURCE is a centre line (a CSV always is).")
@click.option("--column", "columns", multiple=True, metavar="ROLE=TITLE", help="Which CSV column is what; repeatable.")
@click.option(
    "--width",
    type=Number(*WIDTHS, "metres"),
    metavar="METRES",
    help="Assumed width where a centre line has none.",
)
@click.option(
    "--feet/--metres",
    "feet",
    default=None,
    help="Unit of the lengths in a CSV whose titles do not name one; otherwise metres, if plausible.",
)
@click.option("--closed/--open", "closed", default=None, help="A circuit, or a road from start to finish.")
@click.option("--name", default="", help="Name of an imported track.")
@reverse_option
@save_option("track (GeoJSON)")
@out_option
@units_option
def track(
    source: str | None,
    ranges: bool,
    right_edge: str | None,
    walked: bool,
    centre_line: bool,
    columns: tuple[str, ...],
    width: float | None,
    feet: bool | None,
    closed: bool | None,
    name: str,
    reverse: bool,
    save: str | None,
    replace: bool,
    out: str | None,
    units: str,
) -> None:
    """Check a track and show its facts: length, width, corners, slope, beside published norms for kart circuits.

    SOURCE is a track file, a bundled name, a centre line (CSV, GPX, GeoJSON) or a walked edge.
    """
    from linelab.files.bundled import bundled_tracks
    from linelab.files.tracks.track_file import check_name, reversed_track, save_track
    from linelab.output.display import CAUTIONS

    if ranges:
        from linelab.files.tracks.track_ranges import range_words

        say(*range_words())
        return
    if source is None:
        say("Bundled tracks (fictional):", *(f"  {name}" for name in bundled_tracks()))
        return
    check_save(save, replace)
    if save is not None:
        check_name(save)
    folder = None if out is None else results_place(out)
    given = right_edge is not None or walked or centre_line
    if given or source.lower().endswith((".csv", ".txt", ".gpx")):
        from linelab.motion.track_from_laps import import_track
        from linelab.units import FOOT

        loaded = import_track(
            source,
            right_edge,
            width=width,
            columns=parse_pairs(columns, "--column") or None,
            metres_per_unit=None if feet is None else FOOT if feet else 1.0,
            closed=closed,
            name=name,
        )
    else:
        from linelab.files.tracks.track_file import load_track

        loaded = load_track(source)
    if reverse:
        loaded = reversed_track(loaded)
    # Files first: a reader of the output who leaves early (| head) must not cost the user a file.
    if save is not None:
        save_track(loaded, save)
    if folder is not None:
        _draw(loaded, folder, units)
    show_facts(loaded, units)
    if folder is not None:
        list_files(folder, ["track.png"])
    if save is not None:
        say(f"Saved to {save}.")
    say("", CAUTIONS)


def _draw(loaded: Track, folder: ResultsFolder, units: str) -> None:
    from linelab.files.writing import results_folder
    from linelab.output.draw.ground_map import plot_ground
    from linelab.output.draw.style import save_figure

    with results_folder(folder) as stage:
        save_figure(plot_ground(loaded, units_named(units)), stage / "track.png")


def show_facts(loaded: Track, units: str) -> None:
    """Notes and facts of a track."""
    from linelab.model.facts import track_facts
    from linelab.output.track_facts import track_words

    notes(loaded.notes, units_named(units))
    say(*track_words(track_facts(loaded), units_named(units)))
