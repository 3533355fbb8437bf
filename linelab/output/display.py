"""The one place where values become text: SI figures, their ± and whole sentences in the units a reader asked for.

Reasons and notes are worded in SI where they arise, and restated here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from linelab.coaching.results import Evidence
from linelab.diagnosis.kinds import Quantity
from linelab.errors import InputError
from linelab.measured import Apart, Measured, plus_minus
from linelab.units import FOOT, KMH, MPH, POUND, STANDARD_GRAVITY

#: The usual cautions; every page, picture and table carries them.
CAUTIONS = (
    "Computed limits are not targets: build up to them gradually. Marshals, track and class rules and licensed "
    "instruction come first. Do not look at this while driving."
)

#: One pound-force [N] and one horsepower of 550 foot-pounds a second [W], from the above and standard gravity.
POUND_FORCE = POUND * STANDARD_GRAVITY
HORSEPOWER = 550.0 * FOOT * POUND_FORCE


@dataclass(frozen=True, kw_only=True, slots=True)
class Units:
    """Factors and names of the units shown: a value in SI divided by the factor is the value shown.

    Parameters
    ----------
    name : str
        "metric" or "imperial".
    speed, length, mass, force, power : float
        Size of one shown unit [m/s], [m], [kg], [N], [W].
    speed_unit, length_unit, mass_unit, force_unit, power_unit : str
        Their names.
    """

    name: str
    speed: float
    speed_unit: str
    length: float
    length_unit: str
    mass: float
    mass_unit: str
    force: float
    force_unit: str
    power: float
    power_unit: str

    def speed_text(self, value: float, digits: int = 1) -> str:
        """A speed [m/s] with its unit."""
        return f"{value / self.speed:.{digits}f} {self.speed_unit}"

    def length_text(self, value: float, digits: int = 0) -> str:
        """A length [m] with its unit."""
        return f"{value / self.length:.{digits}f} {self.length_unit}"

    def power_text(self, value: float, digits: int = 1) -> str:
        """A power [W] with its unit."""
        return f"{value / self.power:.{digits}f} {self.power_unit}"

    def mass_text(self, value: float, digits: int = 0) -> str:
        """A mass [kg] with its unit."""
        return f"{value / self.mass:.{digits}f} {self.mass_unit}"


METRIC = Units(
    name="metric",
    speed=KMH,
    speed_unit="km/h",
    length=1.0,
    length_unit="m",
    mass=1.0,
    mass_unit="kg",
    force=1.0,
    force_unit="N",
    power=1000.0,
    power_unit="kW",
)
IMPERIAL = Units(
    name="imperial",
    speed=MPH,
    speed_unit="mph",
    length=FOOT,
    length_unit="ft",
    mass=POUND,
    mass_unit="lb",
    force=POUND_FORCE,
    force_unit="lbf",
    power=HORSEPOWER,
    power_unit="hp",
)

UnitsName = Literal["metric", "imperial"]


def units_named(name: Units | str) -> Units:
    """Display units by name; units themselves as they are.

    Raises
    ------
    InputError
        Another name.
    """
    if isinstance(name, Units):
        return name
    known = {units.name: units for units in (METRIC, IMPERIAL)}
    if name not in known:
        raise InputError(f"no such units: {name}", where="units", remedy=f"Choose among {', '.join(known)}")
    return known[name]


def lap_time_text(seconds: float) -> str:
    """A lap time to the millisecond: 54.321 or 1:04.321."""
    thousandths = round(seconds * 1000.0)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes}:{rest / 1000.0:06.3f}" if minutes else f"{rest / 1000.0:.3f}"


def lap_time_words(seconds: float) -> str:
    """A lap time with its unit: 54.321 s or 1:04.321 (min:s)."""
    text = lap_time_text(seconds)
    return f"{text} (min:s)" if ":" in text else f"{text} s"


def lap_time_within(figure: Measured) -> str:
    """A lap time with its ±, where it is not exact: 54.321 ±0.004; "-" where withheld."""
    if figure.value is None:
        return "-"
    text = lap_time_text(figure.value)
    return f"{text} {plus_minus(figure.sigma, 3)}" if figure.sigma else text


#: A difference is clear where it is more than this many standard deviations from none [-].
CLEARLY_OFF = 2.0


def measured_text(
    figure: Measured, size: float = 1.0, digits: int = 2, *, signed: bool = False, sigma: bool = True
) -> str:
    """Value ± 95 % interval in units of ``size``, or "-" where withheld."""
    figure = figure.shown(size, digits) if isinstance(figure, Apart) else figure
    if figure.value is None:
        return "-"
    text = number_text(figure.value / size, digits, signed=signed)
    return f"{text} {plus_minus(figure.sigma, digits, size)}" if sigma and figure.sigma else text


def number_text(value: float, digits: int = 2, *, signed: bool = False) -> str:
    """A number without a negative zero, and with a plus sign where wanted."""
    shown = round(value, digits) + 0.0
    return f"{shown:+.{digits}f}" if signed and shown != 0.0 else f"{shown:.{digits}f}"


def typeset(text: str) -> str:
    """The same text with minus signs and dashes for the page and for print."""
    return "–" if text == "-" else text.replace("-", "−")


def clear(figure: Measured, least: float = 0.0, *, both: bool = False) -> bool:
    """Whether a figure is known and clearly above ``least``; ``both``: or as clearly below minus that."""
    if figure.value is None:
        return False
    value = abs(figure.value) if both else figure.value
    return value > max(least, CLEARLY_OFF * (figure.sigma or 0.0))


def shown_in(quantity: Quantity, units: Units) -> tuple[float, str, int]:
    """Size of a quantity's unit in SI, its name, and decimals."""
    return {
        "place": (units.length, units.length_unit, 0),
        "speed": (units.speed, units.speed_unit, 1),
        "length": (units.length, units.length_unit, 1),
        "time": (1.0, "s", 2),
        "deceleration": (STANDARD_GRAVITY, "g", 2),
        "number": (1.0, "", 2),
    }[quantity]


def shown_with(quantity: Quantity, units: Units, sigma: float | None) -> tuple[float, str, int]:
    """The same for a figure with this standard deviation: one more decimal where less than the last is uncertain."""
    size, unit, digits = shown_in(quantity, units)
    return size, unit, digits + 1 if sigma and sigma / size < 0.5 * 10.0**-digits else digits


def with_unit(figure: Measured, quantity: Quantity, units: Units) -> str:
    """A figure with its ± and unit; of a difference its size, words say which way."""
    size, unit, digits = shown_with(quantity, units, figure.sigma)
    if isinstance(figure, Apart) and figure.value is not None:
        figure = Measured(abs(figure.shown(size, digits).value or 0.0), figure.sigma)
    return f"{measured_text(figure, size, digits)} {unit}".strip()


def evidence_text(evidence: Evidence, units: Units = METRIC) -> str:
    """What the recording shows, its figures in the units shown."""
    return evidence.text.format(*(with_unit(figure, quantity, units) for figure, quantity in evidence.figures))


def rounded_parts(total: float, parts: Sequence[float], digits: int = 2) -> tuple[float, list[float]]:
    """A sum and its parts rounded so that the rounded parts add up to the rounded sum.

    Each part is rounded down, and the units that are missing go to the parts with the largest remainders (the largest
    remainder method of apportionment).  The sum may itself have been rounded within a larger one, and then differ from
    its parts by as much: the units are shared out all the same.

    Returns
    -------
    (float, list of float)
        The sum and the parts, in order, rounded to ``digits`` decimals.
    """
    unit = 10.0**-digits
    whole = round(total / unit)
    scaled = np.asarray(parts, dtype=np.float64) / unit
    down = np.floor(scaled + 1e-9)
    if scaled.size:
        share, left = divmod(whole - int(down.sum()), scaled.size)
        down += share
        down[np.argsort(-(scaled - down), kind="stable")[:left]] += 1.0
    return round(whole * unit, digits), [round(float(value) * unit, digits) + 0.0 for value in down]


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
