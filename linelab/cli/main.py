"""The command ``linelab``: arguments in, results out; everything else lives in the library.

Exit codes: 0 done, 1 the solver failed, 2 wrong usage or input, 130 interrupted.
"""

from __future__ import annotations

import errno
import gc
import logging
import os
import signal
import sys
import warnings
from collections.abc import Sequence
from contextlib import suppress

import click

from linelab.cli.demo import demo
from linelab.cli.draw_sheet import sheet
from linelab.cli.interrupt import INTERRUPTED, exit_code, interruptions
from linelab.cli.review_recording import review
from linelab.cli.run_app import app_command
from linelab.cli.show_kart import kart
from linelab.cli.show_progress import progress_command
from linelab.cli.show_track import track
from linelab.cli.solve_reference import reference
from linelab.cli.what_if.compare_setups import compare_setups_command
from linelab.cli.what_if.plan_costs import cost
from linelab.cli.what_if.plan_margin import margin
from linelab.cli.what_if.rank_numbers import pays
from linelab.cli.what_if.run_sweep import sweep_command
from linelab.errors import LinelabError, SolveError, on_one_line

EXAMPLES = """\b
Examples:
  linelab demo
  linelab app
  linelab track ostrelle_sprint
  linelab kart senior-single-speed --units imperial
  linelab reference ostrelle_sprint senior-single-speed
  linelab sheet ostrelle_sprint senior-single-speed
  linelab sweep ostrelle_sprint senior-single-speed --vary mass_kg=150:170:5
  linelab cost ostrelle_sprint senior-single-speed
  linelab review "my session.csv"
  linelab review "my session.csv" --track my_track.geojson --kart my_kart.toml

Name a track or a kart by its file, or by its bundled name; 'linelab track' and 'linelab kart' list those.
"""


@click.group(epilog=EXAMPLES, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="linelab", message="linelab %(version)s")
def cli() -> None:
    """Compute a kart's fastest lap of a track, and show where recorded laps lose time against it.

    Computed limits are not targets: build up to them gradually. Marshals, track and class rules and licensed
    instruction come first. Do not look at this while driving.
    """


for _command in (
    demo,
    reference,
    review,
    progress_command,
    sheet,
    cost,
    sweep_command,
    track,
    kart,
    compare_setups_command,
    pays,
    margin,
    app_command,
):
    cli.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code."""
    # Linear algebra here is a great many small products, for which threads cost more than they bring.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # One command and the process ends: looking for cycles to free as often as usual costs a twentieth of a review.
    gc.set_threshold(500_000, 50, 50)
    # What libraries have to say (a letter no font has, a number out of range) is for those who work on the program.
    if not sys.warnoptions and not os.environ.get("LINELAB_DEBUG"):
        warnings.simplefilter("ignore")
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; every error becomes one line on standard error and an exit code."""
    # What the drawing library says of its own cache folder is no concern of the user's.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with interruptions:
        code, text = _outcome(arguments)
        if code != 0 and interruptions.seen:  # whatever the solver made of it
            code, text = exit_code(interruptions.seen), INTERRUPTED
    if text:
        with suppress(OSError):  # the terminal may have gone
            click.echo(f"linelab: {on_one_line(text)}", err=True)
    return code


def _outcome(arguments: Sequence[str] | None) -> tuple[int, str]:
    """Exit code of the command and the line that explains it, empty where there is none (left) to write."""
    try:
        result = cli.main(
            args=None if arguments is None else list(arguments), prog_name="linelab", standalone_mode=False
        )
        return (result if isinstance(result, int) else 0), ""
    except (click.Abort, KeyboardInterrupt):
        return exit_code(interruptions.seen or signal.SIGINT), INTERRUPTED
    except click.UsageError as error:
        if type(error).__name__ == "NoArgsIsHelpError":  # newer versions of click raise the help text itself
            error.show()
            return 2, ""
        return 2, _usage(error)
    except click.ClickException as error:
        return 2, error.format_message()
    except SolveError as error:
        return 1, str(error)
    except LinelabError as error:
        return 2, str(error)
    except SystemExit:  # click's way out when whoever read the output, such as head, has gone; results are written
        return 0, ""
    except OSError as error:  # a full disk, a drive that has gone; what files say of themselves is an InputError
        at = f"{error.filename}: " if error.filename else ""
        full = error.errno == errno.ENOSPC
        remedy = "Free space there, or choose another folder" if full else "Check the place, or choose another"
        return 2, f"{at}cannot read or write ({error.strerror or error}). {remedy}."
    except MemoryError:
        return 2, "not enough memory for this input. Try a shorter recording or a coarser track."
    except Exception as error:
        if os.environ.get("LINELAB_DEBUG"):
            raise
        return 1, (
            f"unexpected fault ({type(error).__name__}: {error}). Please report it with the command you gave; "
            "LINELAB_DEBUG=1 shows where it happened."
        )


def _usage(error: click.UsageError) -> str:
    """Wrong usage on one line, with where to read more."""
    text = error.format_message().rstrip(".")
    if isinstance(error, click.NoSuchOption) and (typed := _dashed_file(error.option_name)):
        return f"{text}. If the file {typed} is meant, write ./{typed}."
    return (
        f"{text}{'' if text.endswith('?') else '.'} See '{error.ctx.command_path if error.ctx else 'linelab'} --help'."
    )


def _dashed_file(option: str) -> str:
    """A file given as an argument whose name looks like this option; empty where there is none."""
    dashed = (argument for argument in sys.argv[1:] if argument.startswith(option))
    return next((argument for argument in dashed if os.path.exists(argument)), "")


if __name__ == "__main__":
    main()
