"""linelab kart: a kart's facts and pictures."""

from __future__ import annotations

from pathlib import Path

import click

from linelab.cli_common import PATH, list_files, out_option, say, units_named, units_option


@click.command(
    short_help="A kart: braking, cornering, top speed, pictures.",
    epilog="""\b
Examples:
  linelab kart                                    list the bundled karts
  linelab kart senior-single-speed
  linelab kart my_kart.toml --out "kart sheet" --units imperial
  linelab kart senior-single-speed --save my_kart.toml    a file to start from
""",
)
@click.argument("kart", type=PATH, required=False)
@click.option("--save", type=PATH, metavar="FILE", help="Write the kart to a new TOML file.")
@out_option
@units_option
def kart(kart: str | None, save: str | None, out: str | None, units: str) -> None:
    """Show a KART (a file or a bundled name): braking, cornering and top speed, and its g-g diagram as a picture."""
    from linelab.io.kart_files import bundled_karts, load_kart, save_kart
    from linelab.report.display import CAUTIONS
    from linelab.report.kart_facts import kart_words

    if kart is None:
        say("Bundled karts:", *(f"  {name:24}{load_kart(name).description}" for name in bundled_karts()))
        return
    shown = units_named(units)
    loaded = load_kart(kart)
    if save is not None:
        save_kart(loaded, save)
    say(*kart_words(loaded, shown))
    if out is not None:
        from linelab.io.outputs import results_folder
        from linelab.report.kart_figures import plot_kart
        from linelab.report.style import save_figure

        with results_folder(out) as folder:
            save_figure(plot_kart(loaded, shown), folder / "kart.png")
        list_files(Path(out), ["kart.png"])
    if save is not None:
        say(f"Saved to {save}.")
    say("", CAUTIONS)
