"""What pays, and where: how the lap time and each corner's time change with every number of the kart.

The optimal lap time changes with a number as the Lagrangian does at the solution, line and speed re-optimised (the
envelope theorem: A. V. Fiacco, *Introduction to Sensitivity and Stability Analysis in Nonlinear Programming*, 1983,
theorem 3.4.1), so it follows from the solver's multipliers.  They do not say where on the lap the time is won: the lap
is solved again with one per cent more and less of each number.  Half the difference of those laps is what the corners
gain, and must add up to what the multipliers say; where it does not, the corners are withheld.  Two lines through a
corner, or through two in a row, may be as fast as each other; which of them the solver finds then moves time from one
corner to the next, and the sum does not show it.  The laps are therefore solved once more with half of the change:
how far a corner's figure moves is how well it is known.

(The first-order change of the line, by one Newton step at the solution, was tried in their place.  Where limits only
just hold, or only just do not, it depends on how near the solver came to them, and a corner's share of a trade with the
next was wrong by a quarter.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from linelab.arrays import ByValue, Table, set_field
from linelab.diagnosis.stretches import corner_stretches
from linelab.errors import check_kinds
from linelab.model.grip import SIZE, KartNumbers, brake_friction, kart_numbers, pack
from linelab.model.kart import Driver, Gearing, Kart, TorqueEngine
from linelab.model.timed import time_at
from linelab.model.track import Track
from linelab.optimum.assembly import stages_of
from linelab.optimum.minimum_time import FREE, Solution, ground_of, solve_min_time
from linelab.optimum.path import coordinates, line_at, solved_path, squared_speed, stretch
from linelab.optimum.runs import Iterate, solve_again, unpacked
from linelab.optimum.stage import RATE_SIZE, Z_SCALE
from linelab.optimum.task import TYPICAL_TIME, Task, rates_of
from linelab.optimum.transcription import parameter_sizes
from linelab.speed.grid import between, integrated
from linelab.units import Array

#: Laps are solved again with this much more and less of each number, and with half as much [-].
STEP = 0.01
#: The lap time by the multipliers and by those laps may differ by this share, or by this [s].
ALIKE, ALIKE_TIME = 0.02, 2.0e-4
#: Distance of the stations at which the time along the lap is told [m].
TOLD = 2.0


class Field(NamedTuple):
    """A number of the kart."""

    name: str  #: in a kart file
    words: str
    value: float
    unit: str
    scaled: Callable[[Kart, KartNumbers, float], tuple[KartNumbers, Driver]]  #: the kart with it times a factor


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Worth(ByValue):
    """What one number of the kart is worth.

    Parameters
    ----------
    field : str
        Its name in a kart file.
    words : str
        What it is called.
    value : float
        What it is now, in its unit.
    unit : str
        Of the value; "" where it has none.
    lap : float
        Change of the lap time if it grows by one per cent [s].
    numbers : tuple of int
        Of the corners.
    corners : (C,) array
        Change of the time in each corner's stretch for one per cent more [s]; NaN where it is withheld.
    moved : (C,) array
        How far that differs from what half the change says [s]: how well the corner's figure is known.
    s, gained : (N,) array
        Stations [m], and change of the time from the start to there for one per cent more [s].
    reason : str
        Why the corners are withheld, where they are.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> worths = linelab.what_pays(track, linelab.load_kart("rental-four-stroke"))
    >>> mass = next(worth for worth in worths if worth.field == "mass_kg")
    >>> 0.0 < mass.per_unit < 0.05
    True
    """

    field: str
    words: str
    value: float
    unit: str
    lap: float
    numbers: tuple[int, ...]
    corners: Array
    moved: Array
    s: Array
    gained: Array
    reason: str = ""

    def __post_init__(self) -> None:
        for name in ("corners", "moved", "s", "gained"):
            values = np.array(getattr(self, name), dtype=np.float64)
            values.flags.writeable = False
            set_field(self, name, values)

    @property
    def per_unit(self) -> float:
        """Change of the lap time if it grows by one of its unit [s]."""
        return 100.0 * self.lap / self.value

    def row(self) -> dict[str, float | str]:
        """The figures as a row of a table."""
        by_corner: dict[str, float] = {}
        for number, time, moved in zip(self.numbers, self.corners, self.moved):
            by_corner |= {f"corner_{number}_s": float(time), f"corner_{number}_moved_s": float(moved)}
        return {
            "field": self.field, "words": self.words, "value": self.value, "unit": self.unit,
            "lap_s_for_one_per_cent": self.lap, "lap_s_for_one_unit": self.per_unit, **by_corner,
            "reason": self.reason,
        }  # fmt: skip


def what_pays(
    track: Track,
    kart: Kart,
    solution: Solution | None = None,
    *,
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> Table[Worth]:
    """What one per cent of every number of the kart is worth, on the lap and in each corner.

    Parameters
    ----------
    track : Track
    kart : Kart
    solution : Solution, optional
        The computed lap of this kart on this track; solved when left out.
    use_kerbs : bool
        As in the solution.
    progress : callable
        Called with a short text at each number.

    Returns
    -------
    Table of Worth
        What changes the lap time most comes first.  Grip along the tyres is told for braking and for driving apart;
        the axle sprocket, or the gearing where no sprockets are known, stands for all ratios together.  Of an open
        track the lap is the whole road.

    Raises
    ------
    InputError
        The solution is of another track, or arguments are of another type.
    SolveError
        Without a solution, none was found; or none with one per cent more or less of a number.

    References
    ----------
    A. V. Fiacco, *Introduction to Sensitivity and Stability Analysis in Nonlinear Programming*, 1983, theorem 3.4.1.

    Examples
    --------
    >>> import linelab
    >>> track = linelab.load_track("tinmarsh_rental")
    >>> kart = linelab.load_kart("rental-four-stroke")
    >>> first = linelab.what_pays(track, kart)[0]
    >>> first.words, first.lap < 0.0
    ('cornering grip', True)
    """
    check_kinds("what_pays", track=(track, Track), kart=(kart, Kart), solution=(solution, (Solution, type(None))))
    found = solve_min_time(track, kart, use_kerbs=use_kerbs) if solution is None else solution
    task = Task(ground_of(track, use_kerbs), kart, kart_numbers(kart), found.grip, FREE, FREE)
    s = np.linspace(0.0, track.length, max(round(track.length / TOLD), 8) + 1)
    iterate = solve_again(task, None, found.iterate, found.iterate.moved, own_speed=False)
    worths = []
    for field in fields_of(kart):
        progress(field.words)
        worths.append(_worth(task, iterate, field, s))
    return Table(sorted(worths, key=lambda worth: -abs(worth.lap)))


def _of_kart(name: str) -> Callable[[Kart, KartNumbers, float], tuple[KartNumbers, Driver]]:
    def scaled(kart: Kart, numbers: KartNumbers, factor: float) -> tuple[KartNumbers, Driver]:
        changed = kart_numbers(replace(kart, **{name: factor * getattr(kart, name)}))
        # The engine is the same one: its curve is not fitted anew.
        own = {field: getattr(numbers, field) for field in _ENGINE}
        return changed._replace(**own), kart.driver

    return scaled


#: Numbers that describe the engine.
_ENGINE = ("top_speed", "power_at_zero", "force_at_zero", "knots", "slope_changes")


def _forced(kart: Kart, numbers: KartNumbers, factor: float) -> tuple[KartNumbers, Driver]:
    """More force at every speed: :func:`linelab.model.engine.with_force`."""
    own = {name: factor * getattr(numbers, name) for name in ("power_at_zero", "force_at_zero", "slope_changes")}
    return numbers._replace(**own), kart.driver


def geared(numbers: KartNumbers, factor: float) -> KartNumbers:
    """All ratios times a factor: at each speed the engine turns as it did at a speed higher by as much."""
    return numbers._replace(
        top_speed=numbers.top_speed / factor, force_at_zero=numbers.force_at_zero * factor,
        knots=numbers.knots / factor, slope_changes=numbers.slope_changes * factor,
    )  # fmt: skip


def _geared(kart: Kart, numbers: KartNumbers, factor: float) -> tuple[KartNumbers, Driver]:
    return geared(numbers, factor), kart.driver


def _of_driver(name: str) -> Callable[[Kart, KartNumbers, float], tuple[KartNumbers, Driver]]:
    def scaled(kart: Kart, numbers: KartNumbers, factor: float) -> tuple[KartNumbers, Driver]:
        return numbers, replace(kart.driver, **{name: factor * getattr(kart.driver, name)})

    return scaled


def _braking(kart: Kart, numbers: KartNumbers, factor: float) -> tuple[KartNumbers, Driver]:
    """Grip along the tyres where they brake."""
    more, _ = _of_kart("mu_longitudinal")(kart, numbers, factor)
    return numbers._replace(
        braking=numbers.braking * brake_friction(more, 1.0) / brake_friction(numbers, 1.0)
    ), kart.driver


def _driving(kart: Kart, numbers: KartNumbers, factor: float) -> tuple[KartNumbers, Driver]:
    """Grip along the tyres where they drive."""
    more, _ = _of_kart("mu_longitudinal")(kart, numbers, factor)
    return more._replace(braking=more.braking * brake_friction(numbers, 1.0) / brake_friction(more, 1.0)), kart.driver


def fields_of(kart: Kart) -> list[Field]:
    """The numbers of a kart that its lap time depends on, with their values."""
    plain = (
        ("mass_kg", "mass with driver", "mass", "kg"),
        ("tyres.mu_lateral", "cornering grip", "mu_lateral", ""),
        ("rear_weight_share", "weight on the rear axle", "rear_share", ""),
        ("cg_height_m", "height of the centre of gravity", "cg_height", "m"),
        ("wheelbase_m", "wheelbase", "wheelbase", "m"),
        ("air.cda_m2", "drag area", "cda", "m²"),
        ("tyres.rolling_resistance", "rolling resistance", "rolling_resistance", ""),
        ("tyres.scrub", "scrub", "scrub", ""),
        ("rotating_mass_factor", "rotating mass", "rotating_mass_factor", ""),
    )
    found = [Field(name, words, float(getattr(kart, own)), unit, _of_kart(own)) for name, words, own, unit in plain]
    found += [
        Field("tyres.mu_longitudinal", "braking grip", kart.mu_longitudinal, "", _braking),
        Field("tyres.mu_longitudinal", "driving grip", kart.mu_longitudinal, "", _driving),
    ]
    if isinstance(kart.engine, TorqueEngine):
        ratios, rolled = kart.engine.ratios, kart.engine.tyre_circumference
        if isinstance(ratios, Gearing):
            gears = Field("engine.axle_sprocket_teeth", "axle sprocket", float(ratios.axle_teeth), "teeth", _geared)
        else:
            gears = Field("engine.overall_ratios", "gearing", ratios[-1], "", _geared)
        found += [
            Field("engine.torque_nm", "engine torque", float(kart.engine.torque.max()), "N·m", _forced), gears,
            Field(
                "engine.tyre_circumference_m", "tyre circumference", rolled, "m",
                lambda one, own, by: _geared(one, own, 1.0 / by),
            ),
        ]  # fmt: skip
    else:
        found.append(Field("simple_drive.power_kw", "power and force", kart.engine.power / 1e3, "kW", _forced))
    rates = (
        ("brake_build_rate", "how fast the brake comes on", "m/s³"),
        ("brake_release_rate", "how fast the brake is let go", "m/s³"),
        ("drive_build_rate", "how fast the power comes in", "m/s³"),
        ("curvature_rate", "how fast the wheel is turned", "1/(m·s)"),
    )
    for name, words, unit in rates:
        if getattr(kart.driver, name) is not None:
            file = f"driver.{name}_{'per_m_s' if name == 'curvature_rate' else 'mps3'}"
            found.append(Field(file, words, getattr(kart.driver, name), unit, _of_driver(name)))
    return [field for field in found if field.value > 0.0]


def _worth(task: Task, iterate: Iterate, field: Field, s: Array) -> Worth:
    """What a number is worth, by the multipliers and by the laps with more and less of it."""
    lap, reason = 0.01 * _slope(task, iterate, field), ""
    gained, half = (_gained(task, iterate, field, s, step) for step in (STEP, 0.5 * STEP))
    if abs(gained[-1] - lap) > max(ALIKE * abs(lap), ALIKE_TIME):
        gained, reason = np.full(s.size, np.nan), "one per cent already makes other limits hold"
    stretches = corner_stretches(task.track)

    def split(clock: Array) -> Array:
        ends = np.interp([[each.s_start, each.s_end] for each in stretches], s, clock)
        wrapped = [task.track.closed and each.s_end <= each.s_start for each in stretches]
        round_the_start = np.where(wrapped, clock[-1], 0.0)
        return np.asarray(ends[:, 1] - ends[:, 0] + round_the_start)

    corners = split(gained)
    return Worth(
        field=field.name, words=field.words, value=field.value, unit=field.unit, lap=lap,
        numbers=tuple(each.corner for each in stretches), corners=corners, moved=np.abs(corners - split(half)), s=s,
        gained=gained, reason=reason,
    )  # fmt: skip


def _gained(task: Task, iterate: Iterate, field: Field, s: Array, step: float) -> Array:
    """Change of the time from the start to stations (N,) for one per cent more [s], by laps ``step`` apart each way."""
    clocks = []
    for factor in (1.0 + step, 1.0 - step):
        numbers, driver = field.scaled(task.kart, task.numbers, factor)
        changed = task._replace(numbers=numbers, kart=replace(task.kart, driver=driver))
        again = solve_again(changed, None, iterate, iterate.moved, own_speed=False)
        clocks.append(_clock(task, again, s))
    return np.asarray((clocks[0] - clocks[1]) * (0.01 / (2.0 * step)))


def _slope(task: Task, iterate: Iterate, field: Field) -> float:
    """Derivative of the lap time by the logarithm of a number, by the multipliers [s]."""
    structure, rows, tops = iterate.structure, [], []
    stages = stages_of(structure)
    nodes, gauss, _ = parameter_sizes(structure)
    first, small = nodes + gauss, 1.0e-5
    with stages.lock:
        for factor in (1.0 + small, 1.0 - small):
            numbers, driver = field.scaled(task.kart, task.numbers, factor)
            rates = rates_of(task._replace(kart=replace(task.kart, driver=driver)))
            parameters = iterate.parameters.copy()
            parameters[first : first + SIZE] = pack(numbers)
            parameters[first + SIZE : first + SIZE + RATE_SIZE] = [0.0 if rate is None else rate for rate in rates]
            stages.load(parameters)
            rows.append(stages.value(iterate.x[stages.order])[1])
            tops.append(float(numbers.top_speed) ** 2 / Z_SCALE)
    # The top speed is the upper bound of each coefficient of v², and a bound moved a little is worth its multiplier.
    speeds = structure.intervals if structure.closed else structure.intervals + 2
    by_top = float(np.maximum(iterate.lam_x[-speeds:], 0.0).sum()) * (tops[0] - tops[1])
    return (float(iterate.lam_g @ (rows[0] - rows[1])) - by_top) / (2.0 * small) * TYPICAL_TIME / structure.intervals


def _clock(task: Task, iterate: Iterate, s: Array) -> Array:
    """Time from the start to stations, by the optimiser's own speed [s]."""
    solved = solved_path(task.track, iterate.mesh, *unpacked(iterate))
    xi = coordinates(task.track, solved, 1)
    line = line_at(task.track, solved, xi, half_width=task.half_width, grip=task.grip)
    at = between(xi)
    return time_at(line.s, integrated(xi, stretch(solved, at) / np.sqrt(squared_speed(solved, at)[0])), s)
