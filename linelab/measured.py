"""A figure from a recording: a value with its standard deviation, or withheld with the reason; its ± as text."""

from __future__ import annotations

from dataclasses import dataclass

from linelab.errors import InputError

#: Standard deviations of a normal distribution to either end of its 95 % interval: what every "±" that is shown means.
TO_95 = 1.96
#: The same in words, said once on every output.
PLUS_MINUS = "± is the 95 % interval: 19 times in 20 the true value lies within it."


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and its standard deviation; both None when withheld, and then ``reason`` says why.

    ``sigma`` is zero only for figures that come from a computed lap, not from a recording.
    """

    value: float | None
    sigma: float | None = 0.0
    reason: str = ""

    def __post_init__(self) -> None:
        if self.value is None and not self.reason:
            raise InputError("a withheld figure needs a reason", where="Measured")
        if self.value is not None and (self.sigma is None or not self.sigma >= 0.0):
            raise InputError("a figure needs its standard deviation", where="Measured")

    @property
    def known(self) -> bool:
        """True when there is a value."""
        return self.value is not None


@dataclass(frozen=True, slots=True)
class Apart(Measured):
    """A difference between two figures that are shown as well: it is shown as a reader takes one from the other.

    ``target`` is the figure that was taken off, counted as it is shown.
    """

    target: float = 0.0

    def shown(self, size: float, digits: int) -> Measured:
        """The difference between both figures rounded to ``digits`` in units of ``size``."""
        if self.value is None:
            return self
        ends = (round((self.target + self.value) / size, digits), round(self.target / size, digits))
        return Measured((ends[0] - ends[1]) * size, self.sigma)


def plus_minus(sigma: float | None, digits: int, size: float = 1.0) -> str:
    """ "±0.12": the 95 % interval of a standard deviation, in units of ``size``; never zero, which would claim
    certainty."""
    return f"±{max(TO_95 * (sigma or 0.0) / size, 10.0**-digits):.{digits}f}"


def withheld(reason: str) -> Measured:
    """A figure the recording cannot support."""
    return Measured(None, None, reason)


def for_few(count: int) -> float:
    """Factor on a standard deviation known from ``count`` departures only, so that TO_95 of it hold 95 %.

    Student's t over the normal quantile: 1.18 for 8 departures, 1.03 for 40.
    """
    from scipy.special import stdtrit

    return float(stdtrit(max(count, 1), 0.975)) / TO_95
