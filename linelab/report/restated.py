"""Finished sentences in the units a reader asked for: reasons and notes are worded in SI where they arise."""

from __future__ import annotations

import re

from linelab.report.display import METRIC, Units
from linelab.units import KMH

#: What is in quotes is a title or a name from the user's file; a number may stand before its fellow: "5.5 to 7.0 m".
_FIGURES = re.compile(
    r"(?<!\w)'[^']*'|(?<![\w.])(?P<first>\d+(?:\.\d+)?)(?:(?P<word> to | and |-)(?P<second>\d+(?:\.\d+)?))?"
    r"[ \u00a0](?P<unit>m/s²|m/s|km/h|m)(?![\w/²])"
)


def in_units(text: str, units: Units) -> str:
    """A sentence with its lengths, speeds and accelerations in ``units``, as many decimals as they had.

    Quoted text, and units other than m, m/s, km/h and m/s², stay as they are.
    """
    if units.name == METRIC.name:
        return text
    return _FIGURES.sub(lambda found: _restated(found, units), text)


def _restated(found: re.Match[str], units: Units) -> str:
    if found["unit"] is None:
        return found[0]
    factor, unit = {
        "m": (1.0 / units.length, units.length_unit),
        "m/s": (1.0 / units.speed, units.speed_unit),
        "km/h": (KMH / units.speed, units.speed_unit),
        "m/s²": (1.0 / units.length, f"{units.length_unit}/s²"),
    }[found["unit"]]
    figures = [_figure(figure, factor) for figure in (found["first"], found["second"]) if figure]
    return f"{(found['word'] or '').join(figures)} {unit}"


def _figure(text: str, factor: float) -> str:
    """The number in the other unit, of the same decimals; never zero where it was not."""
    decimals = len(text.partition(".")[2])
    value = float(text) * factor
    shown = f"{value:.{decimals}f}"
    return shown if float(shown) != 0.0 or value == 0.0 else f"{value:.1g}"
