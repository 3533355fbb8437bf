"""Measured figures as text: value ± standard deviation in the units shown."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from linelab.coaching.kinds import Quantity
from linelab.coaching.values import Evidence
from linelab.comparison.measured import Measured
from linelab.report.display import METRIC, Units
from linelab.units import STANDARD_GRAVITY

#: A figure is spoken of where it is this many standard deviations from none.
CLEAR = 2.0


def measured_text(
    figure: Measured, size: float = 1.0, digits: int = 2, *, signed: bool = False, sigma: bool = True
) -> str:
    """Value ± sigma in units of ``size``, or "-" where withheld."""
    if figure.value is None:
        return "-"
    text = number_text(figure.value / size, digits, signed=signed)
    if not sigma or not figure.sigma:
        return text
    # A standard deviation is never shown as zero: it would claim certainty.
    return f"{text} ±{max(figure.sigma / size, 10.0**-digits):.{digits}f}"


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
    return value > max(least, CLEAR * (figure.sigma or 0.0))


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


def with_unit(figure: Measured, quantity: Quantity, units: Units) -> str:
    """A figure with its standard deviation and unit; one more decimal where less than the last one is uncertain."""
    size, unit, digits = shown_in(quantity, units)
    if figure.sigma and figure.sigma / size < 0.5 * 10.0**-digits:
        digits += 1
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
