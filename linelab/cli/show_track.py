"""linelab track: a track's facts and drawing; import, estimate from laps, reverse, edit corners, check and save."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from linelab.cli.common import FourNumbers, check_save, list_files, notes, progress, results_place, say, units_named
from linelab.cli.options import (
    PATH,
    WIDTHS,
    Number,
    out_option,
    parse_pairs,
    position_error_option,
    reverse_option,
    save_option,
    units_option,
)

if TYPE_CHECKING:
    from linelab.files.writing import ResultsFolder
    from linelab.model.track import Track


@click.command(
    short_help="A track: check, facts, drawing, import, from laps, corners.",
    epilog="""\b
Examples:
  linelab track                                        list the bundled tracks
  linelab track ostrelle_sprint --out "track sheet"
  linelab track survey.csv --column x=east --column y=north --column w_left=left --column w_right=right \\
      --save my_track.geojson
  linelab track left_walk.gpx --right-edge right_walk.gpx --save my_track.geojson
  linelab track my_track.geojson --reverse --save my_track_reversed.geojson
  linelab track day1.csv day2.csv --from-laps --save my_track.geojson      estimated, for later reviews
  linelab track session.csv --from-laps --left-lap 2 --right-lap 3 --position-error 0.2 --save edges.geojson
  linelab track my_track.geojson --name-corner 3=Hairpin --merge-corners 4 5 --split-corner 6 --save new.geojson

Columns of a CSV centre line: x and y, or lon and lat; w_left and w_right, or width; z. Columns with
these or similar titles are recognised.
""",
)
@click.argument("sources", type=PATH, nargs=-1, metavar="[SOURCE]...")
@click.option("--ranges", is_flag=True, help="Print the limits a track must keep to, with the reasons.")
@click.option("--right-edge", type=PATH, metavar="FILE", help="SOURCE is the walked left edge, FILE the right one.")
@click.option("--walked", is_flag=True, help="SOURCE holds both walked edges (GPX or GeoJSON lines).")
@click.option("--centre-line", is_flag=True, help="SOURCE is a centre line (a CSV always is).")
@click.option(
    "--from-laps",
    is_flag=True,
    help="The sources are recordings of one place: the track is estimated from their laps, the more the better.",
)
@click.option(
    "--start-line",
    type=Number(-1e7, 1e7, "degrees or metres"),
    nargs=4,
    metavar="LON LAT LON LAT",
    help="With --from-laps: left and right end of the start line (x y x y for recordings in metres).",
)
@click.option(
    "--left-lap",
    "left_laps",
    type=int,
    multiple=True,
    metavar="NUMBER",
    help="With --from-laps: a lap driven, ridden or walked along the left edge; repeatable.",
)
@click.option(
    "--right-lap",
    "right_laps",
    type=int,
    multiple=True,
    metavar="NUMBER",
    help="With --from-laps: a lap along the right edge; repeatable.",
)
@click.option(
    "--edge-offset",
    type=Number(0.0, 3.0, "metres"),
    metavar="METRES",
    help="How far inside the edge the receiver was on such laps: 0 when walked on it (the default), half the vehicle's "
    "width when its wheels ran along it.",
)
@position_error_option("With --from-laps")
@click.option(
    "--name-corner",
    "corner_names",
    multiple=True,
    metavar="NUMBER=NAME",
    help="Give a corner a name (none after the = takes it away); repeatable.",
)
@click.option(
    "--merge-corners",
    "merged",
    type=int,
    nargs=2,
    multiple=True,
    metavar="NUMBER NUMBER",
    help="Make one corner of two that follow each other; repeatable.",
)
@click.option(
    "--split-corner",
    "split",
    multiple=True,
    metavar="NUMBER[=METRES]",
    help="Make two corners of one, between its two tight parts or at a distance from the start; repeatable. Numbers "
    "are those before any change.",
)
@click.option("--column", "columns", multiple=True, metavar="ROLE=TITLE", help="Which CSV column is what; repeatable.")
@click.option(
    "--unit", "quantities", multiple=True, metavar="ROLE=UNIT", help="With --from-laps: unit of a column; repeatable."
)
@click.option(
    "--width",
    type=Number(*WIDTHS, "metres"),
    metavar="METRES",
    help="Assumed width where a centre line has none, or of a track estimated from laps (7 m there).",
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
    sources: tuple[str, ...],
    ranges: bool,
    right_edge: str | None,
    walked: bool,
    centre_line: bool,
    from_laps: bool,
    start_line: FourNumbers | None,
    left_laps: tuple[int, ...],
    right_laps: tuple[int, ...],
    edge_offset: float | None,
    position_error: float | None,
    corner_names: tuple[str, ...],
    merged: tuple[tuple[int, int], ...],
    split: tuple[str, ...],
    columns: tuple[str, ...],
    quantities: tuple[str, ...],
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

    SOURCE is a track file, a bundled name, a centre line (CSV, GPX, GeoJSON) or a walked edge; with --from-laps one
    recording or several.
    """
    from linelab.files.bundled import bundled_tracks
    from linelab.files.tracks.track_file import check_name, reversed_track, save_track
    from linelab.output.display import CAUTIONS

    if ranges:
        from linelab.files.tracks.track_ranges import range_words

        say(*range_words())
        return
    if not sources:
        say("Bundled tracks (fictional):", *(f"  {name}" for name in bundled_tracks()))
        return
    options = {
        "--start-line": start_line, "--left-lap": left_laps, "--right-lap": right_laps, "--edge-offset": edge_offset,
        "--position-error": position_error, "--unit": quantities,
    }  # fmt: skip
    given = right_edge is not None or walked or centre_line
    if from_laps and (given or feet is not None or closed is not None):
        raise click.UsageError("--from-laps makes a circuit of recordings; it goes with no option of other sources")
    edits = _edits(corner_names, split)
    check_save(save, replace)
    if save is not None:
        check_name(save)
    folder = None if out is None else results_place(out)
    source = sources[0]
    if from_laps:
        loaded = _from_laps(
            sources, parse_pairs(columns, "--column"), parse_pairs(quantities, "--unit"), start_line, width, left_laps,
            right_laps, edge_offset, position_error, name,
        )  # fmt: skip
    elif unused := [option for option, value in options.items() if value not in (None, ())]:
        raise click.UsageError(f"{' and '.join(unused)}: only with --from-laps, for recordings")
    elif len(sources) > 1:
        raise click.UsageError("several sources are for recordings, with --from-laps")
    elif given or source.lower().endswith((".csv", ".txt", ".gpx")):
        from linelab.motion.track_import import import_track
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
    if edits[0] or merged or edits[1]:
        from linelab.model.corner_edits import edit_corners

        loaded = edit_corners(loaded, names=edits[0], merge=merged, split=edits[1])
    if reverse:
        loaded = reversed_track(loaded)
    # Files first: a reader of the output who leaves early (| head) must not cost the user a file.
    if save is not None:
        save_track(loaded, save)
    if folder is not None:
        _draw(loaded, folder, units)
    show_facts(loaded, units)
    _show_corners(loaded, units)
    if folder is not None:
        list_files(folder, ["track.png"])
    if save is not None:
        say(f"Saved to {save}.")
    say("", CAUTIONS)


def _edits(names: tuple[str, ...], split: tuple[str, ...]) -> tuple[dict[int, str], dict[int, float | None]]:
    """Names by corner number, and stations to split at, None where none is given."""
    named: dict[int, str] = {}
    for pair in names:
        number, separator, text = pair.partition("=")
        if not separator or not number.strip().isdigit():
            raise click.BadParameter(f"{pair!r} is not of the form NUMBER=NAME", param_hint="--name-corner")
        named[int(number)] = text
    cuts: dict[int, float | None] = {}
    for item in split:
        number, separator, text = item.partition("=")
        if not number.strip().isdigit():
            raise click.BadParameter(
                f"{item!r} is not of the form NUMBER or NUMBER=METRES", param_hint="--split-corner"
            )
        cuts[int(number)] = Number(0.0, 1e6, "metres").convert(text, None, None) if separator else None
    return named, cuts


def _from_laps(
    sources: tuple[str, ...],
    titles: dict[str, str],
    declared: dict[str, str],
    start_line: FourNumbers | None,
    width: float | None,
    left_laps: tuple[int, ...],
    right_laps: tuple[int, ...],
    edge_offset: float | None,
    position_error: float | None,
    name: str,
) -> Track:
    """A track from laps along its edges where they are named, else estimated from all laps."""
    from linelab.errors import InputError
    from linelab.files.recordings.load_recording import load_recording
    from linelab.motion.edge_laps import track_from_edge_laps
    from linelab.motion.track_from_laps import ASSUMED_WIDTH, corridors_from_recordings, recording_start_line

    along_edges = bool(left_laps or right_laps)
    if along_edges and width is not None:
        raise click.UsageError("--left-lap and --right-lap need no --width")
    if not along_edges and edge_offset is not None:
        raise click.UsageError("--edge-offset is for laps along the edges: --left-lap and --right-lap")
    recordings = []
    for source in sources:
        with progress(f"reading {source}") as step:
            recordings.append(load_recording(source, columns=titles or None, units=declared or None, progress=step))
    ends = None if start_line is None else (start_line[:2], start_line[2:])
    with progress("working out the track"):
        if along_edges:
            line = None if ends is None else recording_start_line(recordings[0], *ends)
            return track_from_edge_laps(
                recordings[0], left_laps, right_laps, offset=edge_offset or 0.0, start_line=line,
                position_error=position_error, name=name, others=recordings[1:],
            )  # fmt: skip
        found = corridors_from_recordings(
            recordings, start_line=ends, assumed_width=ASSUMED_WIDTH if width is None else width, name=name,
            position_error=position_error,
        )  # fmt: skip
    if len(found) > 1:
        places = "; ".join(", ".join(sources[k] for k in numbers) for numbers, _ in found)
        raise InputError(
            f"the recordings are of {len(found)} places, layouts or directions: {places}", where="--from-laps",
            remedy="Make a track of each",
        )  # fmt: skip
    return found[0][1].track


def _show_corners(loaded: Track, units: str) -> None:
    """Corners by number where they have names, and those with two tight parts."""
    from linelab.model.corner_edits import tight_parts

    shown = units_named(units)
    if any(corner.name for corner in loaded.corners):
        say(f"Corners: {', '.join(corner.label for corner in loaded.corners)}.")
    for number, (first, second) in tight_parts(loaded).items():
        say(
            f"Corner {number} has two tight parts, at {shown.length_text(first)} and {shown.length_text(second)}: "
            f"--split-corner {number} makes two corners of it."
        )


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
