"""linelab sweep: many laps at once, with fields of the kart or the conditions varied."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linelab.cli.common import check_tyres, default_folder, list_files, named_track, progress, results_place, say
from linelab.cli.options import (
    PATH,
    also_option,
    grip_option,
    kerbs_option,
    out_option,
    pictures_option,
    reverse_option,
)
from linelab.model.conditions import TYRES, WEATHERS

if TYPE_CHECKING:
    from linelab.study.sweeping.sweep_plan import SweptCase

#: File of the results in their folder.
RESULTS = "sweep.sqlite"
#: Rows of the table printed, reasons of failures that are listed, and values of one field, at most.
ROWS, FAILURES, VALUES = 20, 5, 100_000


@click.command(
    name="sweep",
    short_help="Many laps: fields of the kart or the conditions varied.",
    epilog="""\b
Examples:
  linelab sweep ostrelle_sprint senior-single-speed --vary mass_kg=150:170:5
  linelab sweep ostrelle_sprint senior-single-speed --vary mass_kg=150:170:5 --vary tyres.mu_lateral=1.5,1.6,1.7
  linelab sweep my_track.geojson my_kart.toml --vary engine.axle_sprocket_teeth=72:80:1 --vary grip=0.8,0.9,1
  linelab sweep my_track.geojson my_kart.toml --vary grip=dry,damp,wet --vary tyres=slicks,wets
  linelab sweep my_track.geojson my_kart.toml --hypercube 200 --between mass_kg=150:170 --between grip=0.8:1 --jobs 4

'linelab kart --fields' prints the fields. A sweep that was ended goes on with the same command.
""",
)
@click.argument("track", type=PATH)
@click.argument("kart", type=PATH)
@click.option("--other-track", "tracks", type=PATH, multiple=True, help="On this track too; repeatable.")
@click.option("--other-kart", "karts", type=PATH, multiple=True, help="With this kart too; repeatable.")
@click.option(
    "--vary",
    "varied",
    multiple=True,
    metavar="FIELD=VALUES",
    help="Values of a field of the kart file, or of grip or tyres as below: FROM:TO:STEP, or values with commas "
    "between. Repeated, every combination is computed.",
)
@click.option("--hypercube", type=click.IntRange(1), metavar="N", help="Draw N points within --between instead.")
@click.option(
    "--between", multiple=True, metavar="FIELD=LOW:HIGH", help="With --hypercube: range of a field; repeatable."
)
@click.option("--seed", type=int, default=0, show_default=True, help="With --hypercube: another seed, other points.")
@grip_option
@reverse_option
@kerbs_option
@click.option("--check/--no-check", default=True, show_default=True, help="Check every lap independently.")
@click.option("--jobs", type=click.IntRange(1), metavar="N", help="Processes; one for each processor otherwise.")
@also_option("parquet", what="the table")
@out_option
@pictures_option
def sweep_command(
    track: str,
    kart: str,
    tracks: tuple[str, ...],
    karts: tuple[str, ...],
    varied: tuple[str, ...],
    hypercube: int | None,
    between: tuple[str, ...],
    seed: int,
    grip: float | str,
    tyres: str | None,
    reverse: bool,
    kerbs: bool,
    check: bool,
    jobs: int | None,
    formats: tuple[str, ...],
    out: str | None,
    pictures: bool,
) -> None:
    """Compute the fastest laps of a KART on a TRACK with fields of its file varied: what is a change worth?

    Results are kept as they come. Ended by Ctrl-C or otherwise, the same command goes on.
    """
    from linelab.output.display import CAUTIONS
    from linelab.study.sweeping.sweep import sweep
    from linelab.study.sweeping.sweep_plan import GRIP, Vary, latin_hypercube
    from linelab.study.sweeping.sweep_store import check_parquet

    if (hypercube is None) != (not between) or (hypercube is None) != bool(varied):
        raise click.UsageError("give --vary, or --hypercube with --between")
    values = dict(_values(text, "--vary") for text in varied)
    vary: Vary = values
    grips = values.get(GRIP, [grip])
    if hypercube is not None:
        vary = points = latin_hypercube(dict(_range(text) for text in between), hypercube, seed=seed)
        grips = [point.get(GRIP, grip) for point in points]
    for given in grips:
        check_tyres(given, tyres)
    if formats:
        check_parquet()
    folder = results_place(out or default_folder("sweep", Path(track).stem, Path(kart).stem))
    with progress("reading the tracks and the karts") as step:
        last = ""

        def said(text: str) -> None:
            nonlocal last
            last = text
            step(text)

        grounds = [named_track(name, reverse) for name in (track, *tracks)]
        try:
            cases = sweep(
                grounds, [kart, *karts], vary, grip=grip, tyres=tyres or "slicks", use_kerbs=kerbs, verify=check,
                store=folder.path / RESULTS, jobs=jobs, progress=said,
            )  # fmt: skip
        except KeyboardInterrupt:
            if last:
                click.echo(f"{last.partition(', about')[0]} are kept; the same command goes on", err=True)
            raise
    files = _saved(cases, folder, formats, pictures)
    say(*_lines(cases))
    list_files(folder, [RESULTS, *files])
    say("", CAUTIONS)


def _number(text: str, what: str, option: str) -> Decimal:
    try:
        number = Decimal(text.strip())
    except InvalidOperation:
        number = Decimal("nan")
    if not number.is_finite():
        raise click.BadParameter(f"{text!r} in {what!r} is not a number", param_hint=option)
    return number


def _plain(number: Decimal) -> int | float:
    """A whole number where it is written as one."""
    exponent = number.as_tuple().exponent
    return int(number) if isinstance(exponent, int) and exponent >= 0 else float(number)


def _values(text: str, option: str) -> tuple[str, list[Any]]:
    """FIELD=FROM:TO:STEP or FIELD=VALUE,VALUE: the field and its values."""
    field, _, listed = text.partition("=")
    words: dict[str, Any] = {"true": True, "false": False}
    if field.strip() in ("grip", "tyres"):
        words = {word: word for word in (*WEATHERS, *TYRES)}
    if listed.count(":") == 2:
        low, high, step = (_number(part, text, option) for part in listed.split(":"))
        if step <= 0 or high < low or (high - low) / step > VALUES:
            raise click.BadParameter(f"{text!r} is no range: give FROM:TO:STEP, upwards", param_hint=option)
        found: list[Any] = [_plain(low + k * step) for k in range(int((high - low) / step) + 1)]
    else:
        parts = [part.strip() for part in listed.split(",")]
        found = [words[part] if part in words else _plain(_number(part, text, option)) for part in parts]
    return field.strip(), found


def _range(text: str) -> tuple[str, tuple[float, float]]:
    """FIELD=LOW:HIGH."""
    field, _, listed = text.partition("=")
    if listed.count(":") != 1:
        raise click.BadParameter(f"{text!r} is not of the form FIELD=LOW:HIGH", param_hint="--between")
    low, high = (float(_number(part, text, "--between")) for part in listed.split(":"))
    return field.strip(), (low, high)


def _saved(cases: Sequence[SweptCase], folder: Any, formats: tuple[str, ...], pictures: bool) -> list[str]:
    """Write the tables and the picture; their names."""
    from linelab.files.writing import results_folder
    from linelab.study.sweeping.sweep_store import save_cases

    with results_folder(folder) as stage:
        for ending in ("csv", *formats):
            save_cases(cases, stage / f"sweep.{ending}")
        if pictures:
            from linelab.output.draw.style import save_figure
            from linelab.output.draw.sweep_picture import drawn_fields, plot_sweep

            if 1 <= len(fields := drawn_fields(cases)) <= 2:
                save_figure(plot_sweep(cases, fields), stage / "sweep.png")
        return sorted(item.name for item in stage.iterdir())


def _lines(cases: Sequence[SweptCase]) -> list[str]:
    """The laps as a table, the quickest where there are many, and what failed."""
    from linelab.output.display import lap_time_text
    from linelab.output.tables import text_table

    solved = [case for case in cases if case.lap_time is not None]
    failed = [case for case in cases if case.lap_time is None]
    lines = [f"{len(solved)} of {len(cases)} laps computed."]
    if solved:
        best = min(case.lap_time or 0.0 for case in solved)
        shown = solved if len(solved) <= ROWS else sorted(solved, key=lambda case: case.lap_time or 0.0)[:ROWS]
        several = [name for name in ("track", "kart") if len({getattr(case, name) for case in cases}) > 1]
        headers = [*several, *cases[0].values, "lap time\n[s]", "behind the\nquickest [s]"]
        rows = [
            [*(getattr(case, name) for name in several), *map(_shown, case.values.values()),
             lap_time_text(case.lap_time or 0.0), f"{(case.lap_time or 0.0) - best:.3f}"]
            for case in shown
        ]  # fmt: skip
        lines[0] += "" if len(shown) == len(solved) else f" The quickest {ROWS}:"
        worst = max(case.time_error or 0.0 for case in solved)
        checked = " and checked independently" if solved[0].outcome == "verified" else ", not checked"
        lines += ["", text_table(headers, rows, left=range(len(several)))]
        lines += ["", f"Lap times are accurate to {max(worst, 0.0005):.3f} s{checked}."]
    alike: dict[str, list[SweptCase]] = {}
    for case in failed:
        alike.setdefault(case.reason, []).append(case)
    for reason, cases in list(alike.items())[:FAILURES]:
        values = ", ".join(f"{name} = {_shown(value)}" for name, value in cases[0].values.items())
        lines.append(f"No lap with {values}{f' ({len(cases) - 1} more alike)' if len(cases) > 1 else ''}: {reason}")
    if len(alike) > FAILURES:
        lines.append(f"{len(alike) - FAILURES} other reasons are in the tables.")
    return lines


def _shown(value: Any) -> str:
    return f"{value:g}" if type(value) in (int, float) else str(value)
