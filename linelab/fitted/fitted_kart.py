"""A fitted kart: the kart itself, its figures with their intervals, and where each value of its file comes from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from linelab.arrays import ByValue, frozen_array, set_field
from linelab.measured import TO_95, Measured
from linelab.model.engine import engine_of_force
from linelab.model.grip import FLAT, kart_numbers, loads
from linelab.model.kart import Kart
from linelab.units import Array

#: What a figure rests on: the recordings, or mostly the kart file that the fit started from.
Origin = Literal["recordings", "kart file"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Shown:
    """A figure of a fitted kart.

    Parameters
    ----------
    value : Measured
    at_least : bool
        The driver was never at this limit: the kart can do as much, and perhaps more.
    origin : {"recordings", "kart file"}
        What most of the knowledge is from.
    """

    value: Measured
    at_least: bool = False
    origin: Origin = "recordings"

    def holds(self, truth: float) -> bool:
        """Whether a true value lies in the 95 % interval, or above its lower end where it is "at least"."""
        if self.value.value is None or self.value.sigma is None:
            return False
        off = truth - self.value.value
        return off >= -TO_95 * self.value.sigma and (self.at_least or off <= TO_95 * self.value.sigma)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FittedKart(ByValue):
    """A kart fitted to driven laps; see :func:`linelab.fit_kart`.

    Parameters
    ----------
    kart : Kart
        Ready to drive and to save.
    base : Kart
        What the fit started from.
    laps : int
        Laps fitted to.
    lateral : Shown
        Greatest cornering acceleration on the flat [g].
    braking, driving : Shown
        Greatest tyre force along, per weight, in a straight line on the flat: without the help of air and rolling [g].
    top_speed : Shown
        On the flat [m/s].
    power : Measured
        Full-throttle force as a factor on the base's (:func:`linelab.model.engine.with_force`), over the speeds at
        which the laps show it, were its drag the base's [-].
    resistance, scrub : Shown
        Rolling and air, which change alike, and scrub, as factors on the base's [-].
    speeds : (K,) array
        Speeds of the tables below [m/s].
    full, full_sigma : (K,) array
        Acceleration at full throttle straight ahead on the flat, and its standard deviation [m/s²].
    force, force_sigma : (K,) array
        Full-throttle force at the tyres, for the base's mass [N].
    roll, roll_sigma : (K,) array
        Deceleration with both feet up, straight ahead on the flat [m/s²].
    full_seen : (K,) array
        Share of the time driven at about each speed that is at full throttle [-].
    full_known, roll_known : (K,) array
        Share of what was unknown of full throttle and of the roll-down that the laps have settled [-].
    slowest, fastest : float
        Speeds driven [m/s].
    misfit_ax : float
        Root mean square of acceleration less the fitted one, where the laps are at full throttle [m/s²].
    noise_ax : float
        The same as expected of the laps' own errors [m/s²].
    misfit_v : float
        Root mean square of speed less that of the fitted kart along each run at full throttle [m/s].
    distances : tuple of (str, float)
        Bundled classes, the nearest first: twice the negative logarithm of how likely each makes the fitted force and
        grip, but for a constant.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("ostrelle_sprint")
    >>> fitted = linelab.fit_kart(linelab.read_laps("ostrelle_practice", track, position_error=0.25))
    >>> shown = fitted.full_throttle(25.0)
    >>> 2.0 < shown.value.value < 4.0, shown.at_least
    (True, False)
    >>> linelab.save_kart(fitted.kart, "fitted.toml", origins=fitted.origins("practice.csv"))
    >>> linelab.load_kart("fitted.toml").name
    'Senior single-speed, fitted'
    """

    kart: Kart
    base: Kart
    laps: int
    lateral: Shown
    braking: Shown
    driving: Shown
    top_speed: Shown
    power: Measured
    resistance: Shown
    scrub: Shown
    speeds: Array
    full: Array
    full_sigma: Array
    force: Array
    force_sigma: Array
    roll: Array
    roll_sigma: Array
    full_seen: Array
    full_known: Array
    roll_known: Array
    slowest: float
    fastest: float
    misfit_ax: float
    noise_ax: float
    misfit_v: float
    distances: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        size = np.size(self.speeds)
        for name in _TABLES:
            set_field(self, name, frozen_array("FittedKart", name, getattr(self, name), shape=(size,)))

    @property
    def nearest(self) -> str:
        """Name of the nearest bundled class."""
        return self.distances[0][0]

    def pulled(self) -> Kart:
        """The base with an engine that accelerates it as the laps show, its drag being what it is."""
        numbers = kart_numbers(self.base)
        resistance = loads(numbers, self.speeds**2, 0.0, FLAT).resistance
        force = np.maximum((self.full * float(numbers.inertia) + resistance) * self.base.mass, 1.0)
        return replace(self.base, engine=engine_of_force(np.append(0.0, self.speeds), np.append(force[0], force)))

    def full_throttle(self, v: float) -> Shown:
        """Acceleration at full throttle straight ahead on the flat at a speed [m/s] within the table [m/s²].

        "At least" where the driver is probably not at full throttle at such a speed: a corner holds him back.
        """
        shown = self._at(v, self.full, self.full_sigma, self.full_known)
        return replace(shown, at_least=float(np.interp(v, self.speeds, self.full_seen)) < 0.5)

    def roll_down(self, v: float) -> Shown:
        """Deceleration with both feet up, straight ahead on the flat, at a speed [m/s] within the table [m/s²]."""
        return self._at(v, self.roll, self.roll_sigma, self.roll_known)

    def _at(self, v: float, values: Array, sigmas: Array, known: Array) -> Shown:
        value, sigma, share = (float(np.interp(v, self.speeds, row)) for row in (values, sigmas, known))
        return Shown(value=Measured(value, sigma), origin="recordings" if share >= 0.5 else "kart file")

    def origins(self, recordings: str = "") -> dict[str, str]:
        """Where each value of the saved file comes from, by the name of its field; "" has the file's first lines."""
        kept = f"kept from {self.base.name!r}"
        found = dict.fromkeys(_KEPT, kept)
        found["overall_ratios"] = found["tyre_circumference_m"] = "the table is force at the tyres: no gears"
        found["driveline_efficiency"] = found["clutch_engagement_rpm"] = "the table is force at the tyres"
        mu, sigma = self.lateral.value.value or 0.0, self.lateral.value.sigma or 0.0
        found["mu_lateral"] = f"fitted: {mu:.2f} ±{TO_95 * sigma:.2f}, with what drivers keep in hand"
        said = f"{self.braking.value.value or 0.0:.2f} ±{TO_95 * (self.braking.value.sigma or 0.0):.2f} g braking"
        if self.braking.at_least:
            said = f"{kept}, as a share of mu_lateral: this driver shows {said} and never brakes to the limit"
        else:
            said = f"fitted: {said}"
        found["mu_longitudinal"] = said
        roll = self.roll_down(0.5 * (self.slowest + self.fastest))
        rolled = (
            f"roll-down {roll.value.value or 0.0:.2f} ±{TO_95 * (roll.value.sigma or 0.0):.2f} m/s² at "
            f"{0.5 * (self.slowest + self.fastest):.0f} m/s"
        )
        alike = f"{_factor(self.resistance)} the base's, rolling and air alike; with the closed throttle {rolled}"
        found |= dict.fromkeys(("cda_m2", "rolling_resistance"), alike)
        found["scrub"] = f"{_factor(self.scrub)} the base's"
        worst = [
            f"{self.force[k]:.0f} ±{TO_95 * self.force_sigma[k]:.0f} N at {self.speeds[k]:.0f} m/s"
            for k in np.flatnonzero((self.speeds >= self.slowest) & (self.speeds <= self.fastest))
        ]
        picked = worst[:: max(len(worst) // 3, 1)]
        found["crank_rpm"] = "wheel of a metre's circumference: 60 rpm are 1 m/s"
        found["torque_nm"] = f"fitted: {', '.join(picked)}; outside the speeds driven by the base's shape"
        top = self.top_speed.value.value or 0.0
        found["rev_limit_rpm"] = "as far as the table goes; " + (
            f"the laps reach {top:.1f} m/s" if self.top_speed.at_least else f"top speed {top:.1f} m/s"
        )
        laps = "1 lap" if self.laps == 1 else f"{self.laps} laps"
        found[""] = (
            f"Fitted to {laps}{recordings and ' of ' + recordings}, from {self.base.name!r}. ± is the 95 % interval.\n"
            f"Nearest bundled class: {self.nearest}. The mass is the base's: forces go with it."
        )
        return found


def _factor(shown: Shown) -> str:
    """What a factor on a value of the base is, and what it rests on."""
    source = "fitted" if shown.origin == "recordings" else "mostly the file's"
    value, sigma = shown.value.value or 0.0, shown.value.sigma or 0.0
    return f"{source}: {value:.2f} ±{TO_95 * sigma:.2f} times"


_TABLES = (
    "speeds", "full", "full_sigma", "force", "force_sigma", "roll", "roll_sigma", "full_seen", "full_known",
    "roll_known",
)  # fmt: skip
_KEPT = (
    "mass_kg", "wheelbase_m", "overall_width_m", "cg_height_m", "rear_weight_share", "rotating_mass_factor",
    "closed_throttle_decel_mps2", "four_wheel_brakes", "density_kg_per_m3", "grip_share", "braking_share",
)  # fmt: skip
