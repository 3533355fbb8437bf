"""A figure from a recording: a value with its standard deviation, or withheld with the reason."""

from __future__ import annotations

from dataclasses import dataclass

from linelab.errors import InputError


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


def withheld(reason: str) -> Measured:
    """A figure the recording cannot support."""
    return Measured(None, None, reason)


def for_few(count: int) -> float:
    """Factor on a standard deviation known from ``count`` departures only, so that 1.96 of it hold 95 %.

    Student's t over the normal quantile: 1.18 for 8 departures, 1.03 for 40.
    """
    from scipy.special import stdtrit

    return float(stdtrit(max(count, 1), 0.975)) / 1.96
