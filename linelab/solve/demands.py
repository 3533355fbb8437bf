"""What a lap asks of kart and driver between its nodes, worked out from how its speed changes along it."""

from __future__ import annotations

import numpy as np

from linelab.grip import Surface, kart_numbers, loads, tyre_longitudinal
from linelab.kart import Driver, Kart
from linelab.lap import Lap, Line, mapped_line
from linelab.units import Array

#: Over how long a change of speed, of the pedals or of the steering is looked at [s].
WINDOW = 0.1


def middles(lap: Lap) -> tuple[Line, Array, Array]:
    """The line (M-1 nodes), speed (M-1,) [m/s] and acceleration (M-1,) [m/s²] in the middle of every step of M nodes.

    The acceleration is the one by which the speed changes, whatever the lap states.
    """
    line = lap.line
    middle = mapped_line(line, lambda values: 0.5 * (values[1:] + values[:-1]), closed=False)
    z = lap.v**2
    return middle, np.sqrt(0.5 * (z[1:] + z[:-1])), np.diff(z) / (2.0 * np.diff(line.distance))


def unaccounted_speed(lap: Lap, ax: Array) -> float:
    """Largest change of speed over WINDOW that the stated acceleration does not account for [m/s].

    In every step the acceleration ``ax`` (M-1,) [m/s²] by which the speed changes belongs between those stated at the
    step's ends, wherever in the step a pedal changes.
    """
    first, last = lap.ax[:-1], lap.ax[1:]
    aside = ax - np.clip(ax, np.minimum(first, last), np.maximum(first, last))
    return float(np.abs(mean_over_window(lap.t, aside)).max()) * WINDOW


def mean_over_window(t: Array, rates: Array) -> Array:
    """Mean over the WINDOW that begins at each step of values (M-1,) in steps between times ``t`` (M,) [s]; (M-1,).

    Beyond the end values count as zero.
    """
    summed = np.append(0.0, np.cumsum(rates * np.diff(t)))
    return np.asarray((np.interp(t + WINDOW, t, summed) - summed)[:-1] / WINDOW)


def largest_rise(t: Array, value: Array) -> float:
    """Largest rise over WINDOW of a value (M,) at times ``t`` (M,) [s], in the value's own unit."""
    return float(np.max(np.interp(t + WINDOW, t, value) - value))


def beyond_force_rates(kart: Kart, lap: Lap) -> float:
    """Largest change of braking or of drive over WINDOW beyond the driver's rates, 0 without any [m/s²]."""
    driver = kart.driver
    if not driver.limits_force_rates:
        return 0.0
    line, v, ax = middles(lap)
    surface = Surface(line.slope, line.bank, line.vertical_curvature, line.grip)
    numbers = kart_numbers(kart)
    force = np.asarray(tyre_longitudinal(numbers, loads(numbers, v * v, line.kappa, surface), ax))
    brake, drive = np.maximum(-force, 0.0), np.maximum(force, 0.0)
    t = 0.5 * (lap.t[1:] + lap.t[:-1])
    limited = (
        (brake, driver.brake_build_rate),
        (-brake, driver.brake_release_rate),
        (drive, driver.drive_build_rate),
    )
    return max([largest_rise(t, pedal) - rate * WINDOW for pedal, rate in limited if rate is not None] + [0.0])


def beyond_curvature_rate(driver: Driver, lap: Lap) -> float:
    """Largest change of curvature over WINDOW beyond the driver's rate, 0 without one [1/m]."""
    if driver.curvature_rate is None:
        return 0.0
    most = max(largest_rise(lap.t, sign * lap.line.kappa) for sign in (1.0, -1.0))
    return max(most - driver.curvature_rate * WINDOW, 0.0)
