"""The kart: a point mass with tyres, brakes, an engine and a driver.

Only numbers and their checks live here; what they mean for acceleration is in :mod:`linelab.model.grip`, what
the engine delivers at the wheels in :mod:`linelab.model.engine`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import overload

import numpy as np

from linelab.arrays import ByValue, frozen_array, set_field
from linelab.errors import KartError, on_one_line
from linelab.units import DEGREE, KMH, POUND, RPM, Array


@dataclass(frozen=True, slots=True)
class Bound:
    """Allowed range of a field, with its unit ("-": none) and why; ``optional``: the field may be None."""

    low: float
    high: float
    unit: str
    optional: bool = False
    why: str = ""


def meant_mass(value: float, low: float, high: float) -> str:
    """What a mass outside a range [kg] may have been meant as: pounds, or a slipped digit; empty for neither."""
    if low <= value * POUND <= high:
        return f"{value:g} lb would be {value * POUND:.0f} kg"
    slipped = next((value * factor for factor in (0.1, 10.0) if low <= value * factor <= high), None)
    return "" if slipped is None else f"{slipped:g} kg would be usual: is a digit wrong?"


def check_bounds(owner: str, bounds: dict[str, Bound], instance: object) -> None:
    """Raise KartError for the first field that is no number, outside its bound or not finite."""
    for name, bound in bounds.items():
        value = getattr(instance, name)
        if value is None and bound.optional:
            continue
        if not isinstance(value, (float, int, np.floating, np.integer)):
            raise KartError(f"{value!r} is not a number", field=f"{owner}.{name}", remedy="Give a plain number in SI")
        if not math.isfinite(value) or not bound.low <= value <= bound.high:
            unit = "" if bound.unit == "-" else f" {bound.unit}"
            meant = meant_mass(float(value), bound.low, bound.high) if bound.unit == "kg" else ""
            raise KartError(
                f"{value!r}{unit} is outside the allowed range {bound.low:g} to {bound.high:g}{unit}",
                field=f"{owner}.{name}",
                remedy=f"Check the value and its unit{meant and f' ({meant})'}",
            )


def check_entries(owner: str, bound: Bound, values: Iterable[float]) -> None:
    """Raise KartError for the first entry of a list that is outside its bound or not finite."""
    for index, value in enumerate(values, start=1):
        if not bound.low <= value <= bound.high:
            unit = "" if bound.unit == "-" else f" {bound.unit}"
            raise KartError(
                f"entry {index}, {float(value):g}{unit}, is outside {bound.low:g} to {bound.high:g}{unit}",
                field=owner,
                remedy="Check the value and its unit",
            )


DRIVER_BOUNDS = {
    "grip_share": Bound(0.3, 1.0, "-", why="beginners use about half of the grip"),
    "braking_share": Bound(0.3, 1.0, "-", why="careful drivers brake with about half of it"),
    "brake_build_rate": Bound(
        10.0, 500.0, "m/s³", optional=True, why="full braking within a second; drivers reach 20 to 100"
    ),
    "brake_release_rate": Bound(10.0, 500.0, "m/s³", optional=True, why="the brake off within a second"),
    "drive_build_rate": Bound(
        4.0, 500.0, "m/s³", optional=True, why="full drive within a second, also of a slow engine"
    ),
    "curvature_rate": Bound(0.1, 50.0, "1/(m·s)", optional=True, why="a hairpin of 5 m radius turned into within 2 s"),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Driver:
    """What the driver adds to the kart's own limits; the default is the ideal driver.

    Parameters
    ----------
    grip_share : float
        Share of the grip used [-].
    braking_share : float
        Share used of the braking that this grip allows [-].
    brake_build_rate, brake_release_rate : float or None
        Fastest rise and fall of braking deceleration [m/s³]; None for no limit.
    drive_build_rate : float or None
        Fastest rise of driving acceleration [m/s³].
    curvature_rate : float or None
        Fastest change of path curvature in time [1/(m·s)].
    """

    grip_share: float = 1.0
    braking_share: float = 1.0
    brake_build_rate: float | None = None
    brake_release_rate: float | None = None
    drive_build_rate: float | None = None
    curvature_rate: float | None = None

    def __post_init__(self) -> None:
        check_bounds("driver", DRIVER_BOUNDS, self)

    @property
    def limits_force_rates(self) -> bool:
        """True when braking or drive build-up is limited."""
        return any(rate is not None for rate in (self.brake_build_rate, self.brake_release_rate, self.drive_build_rate))


#: Slowest and fastest top speed, by limiter or gearing.
TOP_SPEED = Bound(
    10 * KMH,
    540 * KMH,
    "m/s",
    optional=True,
    why="a child's kart does 30 km/h, a superkart 250 km/h",
)
POWER_BOUNDS = {
    "power": Bound(100.0, 2.0e5, "W", why="a toy has 0.2 kW, the strongest karts 75 to 110 kW"),
    "max_force": Bound(10.0, 1.0e4, "N", optional=True, why="tyres with 3 g of grip transmit 9400 N on a 320 kg kart"),
    "top_speed": TOP_SPEED,
}
TORQUE_BOUNDS = {
    "tyre_circumference": Bound(0.4, 2.5, "m", why="kart tyres roll 0.8 to 0.9 m, a car's 2 m"),
    "rev_limit": Bound(
        50.0, 2500.0, "rad/s", why="a four-stroke ends at 4000 rpm, a two-stroke at 16000, motors at 20000"
    ),
    "clutch_engagement": Bound(0.0, 2000.0, "rad/s", why="0 without a clutch; it is below the rev limit"),
    "efficiency": Bound(0.5, 1.0, "-", why="a chain transmits 0.93, gears and a chain 0.9"),
}
#: Each entry of a torque curve and of the ratios.
SPEED_ENTRY = Bound(0.0, 3000.0, "rad/s", why="up to a little beyond the highest rev limit")
TORQUE_ENTRY = Bound(0.1, 500.0, "N·m", why="kart engines have 5 to 40 N·m, electric motors up to 150")
RATIO_ENTRY = Bound(0.5, 60.0, "-", why="single-speed karts have 5 to 8, low gears up to 20")
#: A sprocket, and what the gears between crankshaft and engine sprocket have.
TEETH = Bound(5, 200, "teeth", why="usual: 9 to 12 on the engine, 60 to 90 on the axle")
GEAR_ENTRY = Bound(0.2, 10.0, "-", why="first gears have 2.5 to 3, last ones 1, primary drives 2 to 4")


@dataclass(frozen=True, kw_only=True, slots=True)
class Gearing(Sequence[float]):
    """Overall ratios, crankshaft to axle, that follow from the teeth of the sprockets: a sequence, lowest gear first.

    Parameters
    ----------
    engine_teeth, axle_teeth : int
        Of the sprocket on the engine or gearbox, and of the one on the axle.
    gearbox_ratios : tuple of float
        Of a gearbox, lowest gear first [-].
    primary_ratio : float
        From the crankshaft to the gearbox [-].

    Raises
    ------
    KartError
        Teeth that are no whole number, or a value outside its allowed range.

    Examples
    --------
    >>> import dataclasses
    >>> gearing = Gearing(engine_teeth=12, axle_teeth=78)
    >>> tuple(gearing)
    (6.5,)
    >>> tuple(dataclasses.replace(gearing, axle_teeth=81))
    (6.75,)
    """

    engine_teeth: int
    axle_teeth: int
    gearbox_ratios: tuple[float, ...] = (1.0,)
    primary_ratio: float = 1.0

    def __post_init__(self) -> None:
        check_bounds("engine", {"engine_teeth": TEETH, "axle_teeth": TEETH, "primary_ratio": GEAR_ENTRY}, self)
        for name in ("engine_teeth", "axle_teeth"):
            if getattr(self, name) != (whole := int(getattr(self, name))):
                raise KartError(
                    f"{getattr(self, name)!r} is no whole number", field=f"engine.{name}", remedy="Count the teeth"
                )
            set_field(self, name, whole)
        set_field(self, "gearbox_ratios", tuple(self.gearbox_ratios))
        check_entries("engine.gearbox_ratios", GEAR_ENTRY, self.gearbox_ratios)

    @overload
    def __getitem__(self, index: int) -> float: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[float, ...]: ...
    def __getitem__(self, index: int | slice) -> float | tuple[float, ...]:
        return tuple(self)[index]

    def __iter__(self) -> Iterator[float]:
        final = self.primary_ratio * self.axle_teeth / self.engine_teeth
        return (final * ratio for ratio in self.gearbox_ratios)

    def __len__(self) -> int:
        return len(self.gearbox_ratios)


@dataclass(frozen=True, kw_only=True, slots=True)
class PowerEngine:
    """A drive described by its power at the wheels and a force cap.

    ``power`` [W]; ``max_force`` [N], None for no cap; ``top_speed`` [m/s] where revs end, None for no limit.
    """

    power: float
    max_force: float | None = None
    top_speed: float | None = None

    def __post_init__(self) -> None:
        check_bounds("engine", POWER_BOUNDS, self)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TorqueEngine(ByValue):
    """An engine's full-throttle torque curve with gearing.

    Parameters
    ----------
    speed : (N,) array
        Crankshaft speeds of the torque curve, increasing [rad/s].
    torque : (N,) array
        Full-throttle torque [N·m].
    ratios : tuple of float, or Gearing
        Overall ratios crankshaft to axle, lowest gear first [-]; of a :class:`Gearing` they follow from its teeth.
    tyre_circumference : float
        Rolling circumference of the rear tyre [m].
    rev_limit : float
        [rad/s].
    clutch_engagement : float
        Below this crankshaft speed a centrifugal clutch slips [rad/s]; 0 for none.
    efficiency : float
        Driveline efficiency [-].

    Examples
    --------
    >>> import dataclasses, linelab
    >>> engine = linelab.load_kart("senior-single-speed").engine
    >>> engine.ratios
    Gearing(engine_teeth=12, axle_teeth=76, gearbox_ratios=(1.0,), primary_ratio=1.0)
    >>> longer = dataclasses.replace(engine, ratios=dataclasses.replace(engine.ratios, axle_teeth=75))
    >>> longer.ratios[-1]
    6.25
    """

    speed: Array
    torque: Array
    ratios: tuple[float, ...] | Gearing
    tyre_circumference: float
    rev_limit: float
    clutch_engagement: float = 0.0
    efficiency: float = 0.95

    def __post_init__(self) -> None:
        set_field(self, "speed", frozen_array("TorqueEngine", "speed", self.speed, shape=(None,)))
        set_field(self, "torque", frozen_array("TorqueEngine", "torque", self.torque, shape=(self.speed.size,)))
        check_bounds("engine", TORQUE_BOUNDS, self)
        if self.speed.size < 2 or (self.speed[1:] <= self.speed[:-1]).any():
            raise KartError("needs at least two increasing crankshaft speeds", field="engine.speed")
        check_entries("engine.speed", SPEED_ENTRY, self.speed)
        check_entries("engine.torque", TORQUE_ENTRY, self.torque)
        if not isinstance(self.ratios, Gearing):
            set_field(self, "ratios", tuple(self.ratios))
        if not self.ratios:
            raise KartError("needs one ratio or more", field="engine.ratios")
        check_entries("engine.ratios", RATIO_ENTRY, self.ratios)
        if any(later >= earlier for earlier, later in zip(self.ratios, self.ratios[1:])):
            raise KartError("ratios must fall from the lowest gear to the highest", field="engine.ratios")

        top = self.rev_limit / self.ratios[-1] * self.tyre_circumference / (2.0 * np.pi)
        if not TOP_SPEED.low <= top <= TOP_SPEED.high:
            raise KartError(
                f"the highest gear reaches {top / KMH:.3g} km/h at the rev limit, outside {TOP_SPEED.low / KMH:.0f} to "
                f"{TOP_SPEED.high / KMH:.0f} km/h ({TOP_SPEED.why})",
                field="engine.ratios",
                remedy="Check the ratios or sprockets, the tyre's circumference and the rev limit",
            )
        power, most = float(np.max(self.speed * self.torque)), POWER_BOUNDS["power"]
        if power > most.high:
            at = int(np.argmax(self.speed * self.torque))
            raise KartError(
                f"{self.torque[at]:.4g} N·m at {self.speed[at] / RPM:.0f} rpm are {power / 1000.0:.4g} kW, more than "
                f"{most.high / 1000.0:.0f} kW ({most.why})",
                field="engine.torque",
                remedy="Check the torque and its unit (N·m)",
            )


AXLE_BOUNDS = {
    "track_width_front": Bound(0.4, 2.2, "m", why="karts have 1.0 to 1.2 m, middle to middle of the tyres"),
    "track_width_rear": Bound(0.4, 2.2, "m", why="as the front"),
    "front_roll_share": Bound(0.0, 1.0, "-", why="an assumption: a kart's stiff rear axle carries more than half"),
    "jacking": Bound(0.0, 500.0 / DEGREE, "N/rad", why="0 without; a standing kart lifts a wheel at 8 to 25 degrees"),
    "load_sensitivity": Bound(0.0, 0.5, "-", why="tyres lose 0.03 to 0.2 of their friction as their load doubles"),
    "front_tyre_load": Bound(50.0, 5.0e3, "N", why="a front tyre of a kart carries 200 to 500 N at rest"),
    "rear_tyre_load": Bound(50.0, 5.0e3, "N", why="a rear tyre carries 300 to 700 N at rest"),
    "sliding_slip": Bound(1.0 * DEGREE, 25.0 * DEGREE, "rad", why="tyres slide from 5 to 12 degrees on"),
    "max_steer": Bound(5.0 * DEGREE, 70.0 * DEGREE, "rad", optional=True, why="front wheels turn by 20 to 45 degrees"),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Axles:
    """Front and rear axle, from which :mod:`linelab.model.axles` works out the limits of the point mass.

    The kart's frictions are then those of one tyre at the loads given here, and not of the kart as a whole.

    Parameters
    ----------
    track_width_front, track_width_rear : float
        Between the middles of the tyres [m].
    front_roll_share : float
        Share of the front axle in the roll stiffness, so in the load transfer across [-].
    jacking : float
        Load that steering takes off the inside rear wheel, per road-wheel angle [N/rad].
    load_sensitivity : float
        Share of the friction that a tyre loses where its load is twice that given [-].
    front_tyre_load, rear_tyre_load : float
        Load of one tyre at which it has the kart's friction; the wider tyre's is larger [N].
    sliding_slip : float
        Slip from which all of a tyre slides, as an angle [rad].
    max_steer : float or None
        Greatest angle of the front wheels [rad]; None for no limit.

    Raises
    ------
    KartError
        A value that is no number or is outside its allowed range.
    """

    track_width_front: float = 1.08
    track_width_rear: float = 1.16
    front_roll_share: float = 0.35
    jacking: float = 25.0 / DEGREE
    load_sensitivity: float = 0.05
    front_tyre_load: float = 310.0
    rear_tyre_load: float = 490.0
    sliding_slip: float = 8.0 * DEGREE
    max_steer: float | None = None

    def __post_init__(self) -> None:
        check_bounds("axles", AXLE_BOUNDS, self)


#: Published by :func:`linelab.files.kart_fields.range_words`.
KART_BOUNDS = {
    # Classes fix about 100 to 190 kg together.  Wider, and pounds or a slipped digit would go unnoticed.
    "mass": Bound(
        60.0, 320.0, "kg", why="a kart has 40 to 220 kg and a driver 20 to 120 kg; rental karts reach 260 kg"
    ),
    "mu_lateral": Bound(0.2, 3.0, "-", why="ice has 0.2, rain 0.7, rental tyres 1.2, slicks 1.3 to 2"),
    "mu_longitudinal": Bound(0.2, 3.0, "-", why="as mu_lateral"),
    "rear_share": Bound(0.3, 0.8, "-", why="karts have 0.55 to 0.6"),
    "cg_height": Bound(0.0, 0.8, "m", why="karts have 0.2 to 0.3 m, a standing person has 1 m"),
    "wheelbase": Bound(0.6, 4.0, "m", why="a child's kart has 0.9 m, a kart 1.05 m, a car 2.6 m"),
    "width": Bound(0.5, 2.5, "m", why="karts are 1.2 to 1.4 m wide, a car 1.9 m"),
    "cda": Bound(0.0, 3.0, "m²", why="karts have 0.45 to 0.65"),
    "air_density": Bound(0.5, 1.6, "kg/m³", why="0.74 at 5000 m, 1.45 at -30 °C"),
    "rolling_resistance": Bound(0.0, 0.1, "-", why="0.02 on asphalt, 0.1 on sand"),
    "scrub": Bound(0.0, 0.1, "-", why="0.03 for a locked axle; 0.1 is a slip of 11 degrees at 2 g"),
    "rotating_mass_factor": Bound(0.0, 0.5, "-", why="0.05 usual, low gears up to 0.3"),
    "engine_braking": Bound(0.0, 10.0, "m/s²", why="a closed throttle gives 0.5 to 2"),
}
#: How far apart friction across and along the tyres may be: one rubber, measured within a quarter [-].
MOST_UNLIKE = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Kart:
    """A kart with its driver.

    Parameters
    ----------
    name : str
    mass : float
        With driver, ready to race [kg].
    mu_lateral, mu_longitudinal : float
        Friction coefficients across and along the tyres [-].
    rear_share : float
        Share of the static weight on the rear axle [-].
    cg_height, wheelbase : float
        Centre of gravity's height, wheelbase [m].
    width : float
        Overall width, the part that must stay on the track [m].
    cda : float
        Drag area [m²].
    air_density : float
        [kg/m³].
    rolling_resistance : float
        Rolling resistance coefficient [-].
    scrub : float
        Drag deceleration per lateral acceleration squared, ``scrub·ay²/g``: what the locked rear axle costs [-].
    rotating_mass_factor : float
        Share of extra inertia in wheels, axle and engine [-].
    engine_braking : float
        Deceleration from the closed throttle at the top of the rev range, falling linearly to zero with
        speed; used for the roll-down, not a grip limit [m/s²].
    four_wheel_brakes : bool
        True where the front wheels brake too.
    engine : PowerEngine or TorqueEngine
    driver : Driver
    axles : Axles or None
        Where given, grip is worked out from the loads of the wheels (:mod:`linelab.model.axles`).

    Raises
    ------
    KartError
        A value that is no number or is outside its allowed range.

    References
    ----------
    R. N. Jazar, *Vehicle Dynamics: Theory and Application*, 3rd ed., Springer, 2017, ch. 2, and J. C. Dixon, *Tires,
    Suspension and Handling*, 2nd ed., SAE, 1996, ch. 2: what the values mean for grip, see :mod:`linelab.model.grip`.

    Examples
    --------
    >>> import dataclasses, linelab
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> heavier = dataclasses.replace(kart, mass=kart.mass + 5.0)
    >>> heavier == kart
    False
    """

    name: str
    mass: float
    engine: PowerEngine | TorqueEngine
    mu_lateral: float
    mu_longitudinal: float
    rear_share: float = 0.58
    cg_height: float = 0.25
    wheelbase: float = 1.05
    width: float = 1.35
    cda: float = 0.55
    air_density: float = 1.2
    rolling_resistance: float = 0.02
    scrub: float = 0.03
    rotating_mass_factor: float = 0.05
    engine_braking: float = 0.0
    four_wheel_brakes: bool = False
    driver: Driver = field(default_factory=Driver)
    description: str = ""
    axles: Axles | None = None

    def __repr__(self) -> str:
        engine = self.engine
        power = engine.power if isinstance(engine, PowerEngine) else float((engine.speed * engine.torque).max())
        grip = f"grip {self.mu_lateral:.2f} across, {self.mu_longitudinal:.2f} along"
        return f"Kart {on_one_line(self.name)!r}, {self.mass:.0f} kg, {power / 1e3:.1f} kW, {grip}"

    def __post_init__(self) -> None:
        check_bounds("kart", KART_BOUNDS, self)
        for name, kinds in (
            ("engine", (PowerEngine, TorqueEngine)),
            ("driver", (Driver,)),
            ("axles", (Axles, type(None))),
        ):
            if not isinstance(value := getattr(self, name), kinds):
                expected = " or ".join(kind.__name__ for kind in kinds if kind is not type(None))
                raise KartError(f"{value!r} is no {expected}", field=f"kart.{name}", remedy=f"Give a {expected}")
