"""Arguments and options that several commands share: paths, numbers, units, grip, columns of a recording."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path, PureWindowsPath
from typing import TYPE_CHECKING, Any, TypeVar

import click

from linelab.model.conditions import GRIP_RANGE, TYRES, WEATHERS

if TYPE_CHECKING:
    TextType = click.ParamType[str]
    FloatType = click.ParamType[float]
    GripType = click.ParamType[float | str]
else:  # older versions of click do not take a type argument
    TextType = FloatType = GripType = click.ParamType

F = TypeVar("F", bound=Callable[..., Any])

#: Least and greatest width of the road a user may state [m]: a hall's, and well above any kart track's.
WIDTHS = (2.0, 20.0)


class PathText(TextType):
    """A path or a bundled name as typed: quotes, a leading ~ and, away from Windows, backslashes are understood."""

    name = "path"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The path as text."""
        text = str(value).strip()
        if len(text) > 1 and text[0] == text[-1] and text[0] in "\"'":
            text = text[1:-1]
        if not text:
            self.fail("the path is empty", param, ctx)
        text = os.path.expanduser(text)
        if os.sep == "/" and "\\" in text and not Path(text).exists():
            text = PureWindowsPath(text).as_posix()
        return text


class Number(FloatType):
    """A number within bounds; a decimal comma is understood."""

    name = "number"

    def __init__(self, low: float, high: float, unit: str = "") -> None:
        self.low, self.high, self.unit = low, high, unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number."""
        try:
            number = float(str(value).strip().replace(",", "."))
        except ValueError:
            what = f" of {self.unit}" if self.unit else ""
            self.fail(f"{value!r} is not a number{what}, such as {(self.low + self.high) / 2:g}", param, ctx)
        if not self.low <= number <= self.high:
            self.fail(f"{value} is outside {self.low:g} to {self.high:g} {self.unit}".rstrip(), param, ctx)
        return number


class GripOrWeather(GripType):
    """dry, damp, drying, wet or a number."""

    name = "|".join((*WEATHERS, "number"))

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float | str:
        """The factor, or the weather's word."""
        if isinstance(value, float):
            return value
        text = str(value).strip().lower()
        if text in WEATHERS:
            return text
        try:
            factor = float(text.replace(",", "."))
        except ValueError:
            self.fail(f"{value!r} is neither dry, damp, drying, wet nor a number", param, ctx)
        low, high = GRIP_RANGE
        if not low <= factor <= high:
            self.fail(f"{factor:g} is outside {low:g} to {high:g} (1 is the kart file's own grip)", param, ctx)
        return factor


PATH = PathText()


def units_option(command: F) -> F:
    """--units"""
    return click.option(
        "--units",
        type=click.Choice(["metric", "imperial"]),
        default="metric",
        show_default=True,
        envvar="LINELAB_UNITS",
        help="Units shown (files always hold SI units). The variable LINELAB_UNITS sets the default.",
    )(command)


def out_option(command: F) -> F:
    """--out"""
    return click.option(
        "--out",
        type=PATH,
        metavar="FOLDER",
        help="Folder for the results; a second run replaces only its own files.",
    )(command)


def save_option(what: str) -> Callable[[F], F]:
    """--save FILE and --replace"""

    def added(command: F) -> F:
        command = click.option("--replace", is_flag=True, help="Let --save replace a file that is there.")(command)
        return click.option("--save", type=PATH, metavar="FILE", help=f"Write the {what} to a new file.")(command)

    return added


def pictures_option(command: F) -> F:
    """--pictures / --no-pictures"""
    return click.option("--pictures/--no-pictures", default=True, show_default=True, help="Draw pictures.")(command)


def print_option(default: bool) -> Callable[[F], F]:
    """--print / --no-print"""
    return click.option(
        "--print/--no-print",
        "print_file",
        default=default,
        show_default=True,
        help="Also write a PDF for print (A4).",
    )


def also_option(*formats: str, what: str = "lines and marks for other programs") -> Callable[[F], F]:
    """--also FORMAT"""
    return click.option(
        "--also",
        "formats",
        type=click.Choice(formats),
        multiple=True,
        help=f"Also write {what} in this format; may be repeated.",
    )


def grip_option(command: F) -> F:
    """--grip and --tyres"""
    command = click.option(
        "--tyres",
        type=click.Choice(TYRES),
        help="With --grip in words: slicks (the default) or wet tyres.",
    )(command)
    return click.option(
        "--grip",
        type=GripOrWeather(),
        default="dry",
        show_default=True,
        help="Condition of the track: dry, damp, drying or wet (asphalt, rubbered groove and kerbs each have their own "
        "grip then); or a number, a plain factor on the kart file's grip.",
    )(command)


def position_error_option(where: str = "") -> Callable[[F], F]:
    """--position-error; ``where`` is when it may be given, "With --from" for one."""
    what = "Known drifting error of the receiver's positions, as a standard deviation (1.5 m is assumed)."
    return click.option(
        "--position-error",
        type=Number(0.0, 50.0, "metres"),
        metavar="METRES",
        help=f"{where}: {what[:1].lower()}{what[1:]}" if where else what,
    )


def scatter_options(when: str = "") -> Callable[[F], F]:
    """How much a driver scatters and what leaving the track is to him; ``when`` is when these may be given."""

    def said(what: str) -> str:
        return f"{when}: {what[:1].lower()}{what[1:]}" if when else what

    given = (
        click.option(
            "--driven", type=PATH, metavar="RECORDING", help=said("Take the scatter from this recording's laps.")
        ),
        position_error_option("With --driven"),
        click.option(
            "--lateral",
            type=Number(0.0, 3.0, "metres"),
            metavar="METRES",
            help=said("Scatter beside the line, as a standard deviation (0.3)."),
        ),
        click.option(
            "--speed",
            type=Number(0.0, 5.0, "metres a second"),
            metavar="M/S",
            help=said("Scatter of the speed at the slowest point, as a standard deviation (0.3)."),
        ),
        click.option(
            "--chance", type=Number(1e-6, 0.5), help=said("Greatest chance of leaving the track on a lap (0.01).")
        ),
        click.option(
            "--cost",
            type=Number(0.0, 300.0, "seconds"),
            metavar="SECONDS",
            help=said("Time lost on a lap that leaves the track (3)."),
        ),
    )

    def added(command: F) -> F:
        for option in reversed(given):
            command = option(command)
        return command

    return added


def reverse_option(command: F) -> F:
    """--reverse"""
    return click.option("--reverse", is_flag=True, help="Drive the track the other way round.")(command)


def kerbs_option(command: F) -> F:
    """--kerbs / --no-kerbs"""
    return click.option("--kerbs/--no-kerbs", default=True, show_default=True, help="Let the kart use the kerbs.")(
        command
    )


def column_options(command: F) -> F:
    """--column and --unit"""
    command = click.option(
        "--unit", "quantities", multiple=True, metavar="ROLE=UNIT", help="Unit of a column; repeatable."
    )(command)
    return click.option(
        "--column", "columns", multiple=True, metavar="ROLE=TITLE", help="Which column is what; repeatable."
    )(command)


def corridor_options(when: str) -> Callable[[F], F]:
    """--start-line and --width; ``when`` says when they count: "With --from-laps"."""

    def added(command: F) -> F:
        command = click.option(
            "--width",
            type=Number(*WIDTHS, "metres"),
            metavar="METRES",
            help=f"{when}: assumed width of the road (7 m).",
        )(command)
        return click.option(
            "--start-line",
            type=Number(-1e7, 1e7, "degrees or metres"),
            nargs=4,
            metavar="LON LAT LON LAT",
            help=f"{when}: left and right end of the start line (x y x y for a recording in metres).",
        )(command)

    return added


def parse_pairs(pairs: tuple[str, ...], option: str) -> dict[str, str]:
    """ROLE=TITLE pairs."""
    found = {}
    for pair in pairs:
        role, separator, title = pair.partition("=")
        if not separator or not role.strip() or not title.strip():
            raise click.BadParameter(f"{pair!r} is not of the form ROLE=TITLE", param_hint=option)
        found[role.strip()] = title.strip()
    return found


def setup_options(command: F) -> F:
    """--matters and --outing-change"""
    command = click.option(
        "--outing-change",
        type=Number(0.001, 10.0, "per cent"),
        metavar="PERCENT",
        help="What a lap time changes by from one outing to the next with nothing changed (standard deviation), if you "
        "know it; otherwise the outings have to show it.",
    )(command)
    return click.option(
        "--matters",
        type=Number(0.0001, 60.0, "seconds"),
        metavar="SECONDS",
        help="The smallest difference between setups that matters (a thousandth of the lap time).",
    )(command)
