"""linelab kart: a kart's facts and pictures, and a kart fitted to recordings."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linelab.cli.common import (
    FourNumbers,
    check_save,
    list_files,
    named_track,
    progress,
    recorded_grounds,
    refuse_corridor_options,
    results_place,
    say,
    units_named,
)
from linelab.cli.options import PATH, corridor_options, out_option, reverse_option, save_option, units_option

if TYPE_CHECKING:
    from linelab.fitted.fitted_kart import FittedKart
    from linelab.motion.estimate import DrivenLap


@click.command(
    short_help="A kart: braking, cornering, top speed, pictures; or one fitted to recordings.",
    epilog="""\b
Examples:
  linelab kart                                    list the bundled karts
  linelab kart --fields                           what a kart file may hold
  linelab kart senior-single-speed
  linelab kart my_kart.toml --out "kart sheet" --units imperial
  linelab kart senior-single-speed --save my_kart.toml    a file to start from
  linelab kart --from session.csv --save my_kart.toml     fitted from the nearest class
  linelab kart my_kart.toml --from morning.csv --from noon.csv --track my_track.geojson --save fitted.toml
""",
)
@click.argument("kart", type=PATH, required=False)
@click.option("--fields", is_flag=True, help="Print every field of a kart file: allowed range, unit, what is usual.")
@click.option(
    "--from",
    "recordings",
    type=PATH,
    multiple=True,
    metavar="RECORDING",
    help="Fit the kart to this recording; may be repeated. Mass and size are KART's, or the nearest bundled class's.",
)
@click.option(
    "--track", "track", type=PATH, help="With --from: track of the recordings; estimated from the laps otherwise."
)
@reverse_option
@corridor_options("With --from, without --track")
@save_option("kart (TOML)")
@out_option
@units_option
def kart(
    kart: str | None,
    fields: bool,
    recordings: tuple[str, ...],
    track: str | None,
    reverse: bool,
    start_line: FourNumbers | None,
    width: float | None,
    save: str | None,
    replace: bool,
    out: str | None,
    units: str,
) -> None:
    """Show a KART (a file or a bundled name): braking, cornering and top speed, and its g-g diagram as a picture.

    With --from the kart is fitted to recorded laps first: grip, brakes, engine and drag as far as they show.
    """
    from linelab.files.bundled import bundled_karts
    from linelab.files.kart_file import check_name, copy_kart, load_kart, save_kart
    from linelab.output.display import CAUTIONS
    from linelab.output.kart_facts import fitted_words, kart_words

    if fields:
        from linelab.files.kart_fields import range_words

        say(*range_words())
        return
    if not recordings:
        if track is not None:
            raise click.UsageError("--track needs --from")
        refuse_corridor_options(start_line, width, "with --from")
    if track is not None:
        refuse_corridor_options(start_line, width, "without --track")
    elif reverse:
        raise click.UsageError("--reverse needs --track")
    if kart is None and not recordings:
        say("Bundled karts:", *(f"  {name:24}{load_kart(name).description}" for name in bundled_karts()))
        return
    shown = units_named(units)
    check_save(save, replace)
    if save is not None:
        check_name(save)
    if len({str(Path(name).resolve()) for name in recordings}) < len(recordings):
        raise click.UsageError("--from names a recording twice: it tells no more than once")
    names = ", ".join(Path(name).name for name in recordings)
    fitted = _fitted(kart, recordings, track, reverse, start_line, width) if recordings else None
    loaded = fitted.kart if fitted is not None else load_kart(kart or "")
    folder = None if out is None else results_place(out)
    # Files first: a reader of the output who leaves early (| head) must not cost the user a file.
    if save is not None and fitted is not None:
        save_kart(loaded, save, origins=fitted.origins(names))
    elif save is not None:
        copy_kart(kart or "", save)
    if folder is not None:
        from linelab.files.writing import results_folder
        from linelab.output.draw.kart_diagrams import plot_kart
        from linelab.output.draw.style import save_figure

        with results_folder(folder) as stage:
            save_figure(plot_kart(loaded, shown), stage / "kart.png")
    if fitted is not None:
        say(*fitted_words(fitted, names, shown), "")
    say(*kart_words(loaded, shown))
    if folder is not None:
        list_files(folder, ["kart.png"])
    if save is not None:
        say(f"Saved to {save}.")
    say("", CAUTIONS)


def _fitted(
    kart: str | None,
    recordings: tuple[str, ...],
    track: str | None,
    reverse: bool,
    start_line: FourNumbers | None,
    width: float | None,
) -> FittedKart:
    """The kart fitted to the laps of all recordings."""
    from linelab.coaching.from_recording import ground_laps
    from linelab.files.kart_file import load_kart
    from linelab.files.recordings.load_recording import load_recording
    from linelab.fitted.kart_fit import fit_kart

    base = None if kart is None else load_kart(kart)
    known = None if track is None else named_track(track, reverse)
    read = []
    for name in recordings:
        with progress(f"reading {Path(name).name}"):
            read.append(load_recording(name))
    laps: list[DrivenLap] = []
    with progress("reading the laps"):
        for ground in recorded_grounds(read, known, start_line=start_line, width=width):
            laps += ground_laps(ground)
    return fit_kart(laps, base)
