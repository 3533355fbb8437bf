"""linelab kart: a kart's facts and pictures."""

from __future__ import annotations

import click

from linelab.cli.common import check_save, list_files, results_place, say, units_named
from linelab.cli.options import PATH, out_option, save_option, units_option


@click.command(
    short_help="A kart: braking, cornering, top speed, pictures.",
    epilog="""\b
Examples:
  linelab kart                                    list the bundled karts
  linelab kart --fields                           what a kart file may hold
  linelab kart senior-single-speed
  linelab kart my_kart.toml --out "kart sheet" --units imperial
  linelab kart senior-single-speed --save my_kart.toml    a file to start from
""",
)
@click.argument("kart", type=PATH, required=False)
@click.option("--fields", is_flag=True, help="Print every field of a kart file: allowed range, unit, what is usual.")
@save_option("kart (TOML)")
@out_option
@units_option
def kart(kart: str | None, fields: bool, save: str | None, replace: bool, out: str | None, units: str) -> None:
    """Show a KART (a file or a bundled name): braking, cornering and top speed, and its g-g diagram as a picture."""
    from linelab.files.bundled import bundled_karts
    from linelab.files.kart_file import check_name, copy_kart, load_kart
    from linelab.output.display import CAUTIONS
    from linelab.output.kart_facts import kart_words

    if fields:
        from linelab.files.kart_fields import range_words

        say(*range_words())
        return
    if kart is None:
        say("Bundled karts:", *(f"  {name:24}{load_kart(name).description}" for name in bundled_karts()))
        return
    shown = units_named(units)
    loaded = load_kart(kart)
    check_save(save, replace)
    if save is not None:
        check_name(save)
    folder = None if out is None else results_place(out)
    # Files first: a reader of the output who leaves early (| head) must not cost the user a file.
    if save is not None:
        copy_kart(kart, save)
    if folder is not None:
        from linelab.files.writing import results_folder
        from linelab.output.draw.kart_diagrams import plot_kart
        from linelab.output.draw.style import save_figure

        with results_folder(folder) as stage:
            save_figure(plot_kart(loaded, shown), stage / "kart.png")
    say(*kart_words(loaded, shown))
    if folder is not None:
        list_files(folder, ["kart.png"])
    if save is not None:
        say(f"Saved to {save}.")
    say("", CAUTIONS)
