"""Display units: the one place where SI values become the units a reader asked for."""

from __future__ import annotations

from dataclasses import dataclass

from linelab.units import FOOT, KMH, MPH, POUND, STANDARD_GRAVITY

#: The usual cautions; every page, picture and table carries them.
CAUTIONS = (
    "Computed limits are not targets: build up to them gradually. Marshals, track and class rules and licensed "
    "instruction come first. Nothing here is to be looked at while driving."
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


def lap_time_text(seconds: float) -> str:
    """A lap time to the millisecond: 54.321 or 1:04.321."""
    thousandths = round(seconds * 1000.0)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes}:{rest / 1000.0:06.3f}" if minutes else f"{rest / 1000.0:.3f}"


def lap_time_words(seconds: float) -> str:
    """A lap time with its unit: 54.321 s or 1:04.321 (min:s)."""
    text = lap_time_text(seconds)
    return f"{text} (min:s)" if ":" in text else f"{text} s"
