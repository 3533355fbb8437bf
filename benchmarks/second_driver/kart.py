"""A quasi-steady kart: engine, drag, rear-axle brakes and a combined-grip envelope."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

GRAVITY = 9.806  # [m/s^2]
AIR = 1.2  # [kg/m^3]


@dataclass(frozen=True)
class Kart:
    """A kart with its driver.

    The grip numbers are those of one tyre at its static load; load_sense is the share of grip a tyre loses when its
    load doubles. The envelope is a superellipse in longitudinal and lateral tyre force with the given exponent.
    """

    name: str
    mass: float  # [kg]
    power: float  # [W]
    force_max: float  # [N]
    rev_speed: float  # [m/s] above it the power falls
    rev_fall: float  # how fast it falls
    cda: float  # [m^2]
    crr: float
    scrub: float  # [s^2/m] deceleration = scrub * lateral acceleration^2
    engine_brake: float  # [N] with closed throttle
    mu_side: float
    mu_along: float
    load_sense: float = 0.12
    exponent: float = 1.8
    height: float = 0.25  # [m] centre of mass
    wheelbase: float = 1.05  # [m]
    track: float = 1.15  # [m]
    rear_share: float = 0.59
    half_width: float = 0.65  # [m]

    def _mu_fade(self, g_n: np.ndarray | float) -> np.ndarray | float:
        return 1 - self.load_sense * (g_n / GRAVITY - 1)

    def side_peak(self, g_n: np.ndarray | float = GRAVITY) -> np.ndarray | float:
        """Return the largest lateral tyre acceleration [m/s^2] at an effective gravity [m/s^2].

        The outer wheels carry more and hold less in proportion, so the kart's grip falls with the load transfer.
        """
        plain = self.mu_side * g_n * self._mu_fade(g_n)
        loss = self.load_sense * (2 * self.height / (self.track * g_n)) ** 2
        return (np.sqrt(1 + 4 * loss * plain**2) - 1) / (2 * loss * plain)

    def brake_peak(self, g_n: np.ndarray | float = GRAVITY) -> np.ndarray | float:
        """Return the largest braking acceleration [m/s^2]: the rear axle alone, which gets lighter as it brakes."""
        mu = self.mu_along * self._mu_fade(g_n)
        return mu * self.rear_share * g_n / (1 + mu * self.height / self.wheelbase)

    def drive_peak(self, g_n: np.ndarray | float = GRAVITY) -> np.ndarray | float:
        """Return the largest driving acceleration [m/s^2] of the rear tyres."""
        mu = self.mu_along * self._mu_fade(g_n)
        return mu * self.rear_share * g_n / (1 - mu * self.height / self.wheelbase)

    def engine(self, v: np.ndarray | float) -> np.ndarray | float:
        """Return the full-throttle force [N] at a speed [m/s]."""
        fade = 1 - self.rev_fall * np.maximum(0, v / self.rev_speed - 1) ** 2
        return np.minimum(self.force_max, self.power * np.maximum(fade, 0.1) / np.maximum(v, 1.0))

    def drag(self, v: np.ndarray | float, side: np.ndarray | float, g_n: np.ndarray | float) -> np.ndarray | float:
        """Return the deceleration [m/s^2] by air, rolling and scrub at a lateral tyre acceleration [m/s^2]."""
        return 0.5 * AIR * self.cda / self.mass * v * v + self.crr * g_n + self.scrub * side * side

    def usage(self, along: np.ndarray, side: np.ndarray, g_n: np.ndarray | float = GRAVITY) -> np.ndarray:
        """Return the used share of the envelope by tyre accelerations [m/s^2]: 1 is the limit."""
        peak = np.where(along >= 0, self.drive_peak(g_n), self.brake_peak(g_n))
        p = self.exponent
        return ((np.abs(along) / peak) ** p + (np.abs(side) / self.side_peak(g_n)) ** p) ** (1 / p)


FAST = Kart("fast single-speed", 160, 21e3, 1150, 26.0, 1.2, 0.72, 0.018, 0.0035, 110, 1.82, 1.70)
JUNIOR = Kart("junior single-speed", 145, 12e3, 780, 23.0, 1.2, 0.66, 0.017, 0.0042, 80, 1.66, 1.55)
RENTAL = Kart("rental", 240, 6.2e3, 620, 17.0, 1.0, 0.85, 0.022, 0.0060, 90, 1.31, 1.22, rear_share=0.60)
KARTS = {"fast": FAST, "junior": JUNIOR, "rental": RENTAL}


def with_exponent(kart: Kart, exponent: float) -> Kart:
    """Return the kart with another roundness of its envelope."""
    return replace(kart, exponent=exponent)


def kart_file_values(kart: Kart) -> dict[str, float | str]:
    """Return the plain physical numbers of a kart on a level road, for writing a kart file elsewhere."""
    speeds = np.linspace(5, 60, 2000)
    surplus = kart.engine(speeds) - kart.mass * kart.drag(speeds, 0.0, GRAVITY)
    return {
        "name": kart.name,
        "mass_kg": kart.mass,
        "power_kw": kart.power / 1e3,
        "force_max_n": kart.force_max,
        "power_falls_above_m_s": kart.rev_speed,
        "top_speed_m_s": round(float(speeds[np.argmax(surplus < 0)]), 2),
        "cda_m2": kart.cda,
        "air_density_kg_m3": AIR,
        "crr": kart.crr,
        "scrub_s2_m": kart.scrub,
        "engine_brake_n": kart.engine_brake,
        "mu_lateral": round(float(kart.side_peak()) / GRAVITY, 4),
        "mu_drive": round(float(kart.drive_peak()) / GRAVITY, 4),
        "mu_brake_total_decel": round(float(kart.brake_peak()) / GRAVITY, 4),
        "envelope_exponent": kart.exponent,
        "load_sense": kart.load_sense,
        "cg_height_m": kart.height,
        "wheelbase_m": kart.wheelbase,
        "track_m": kart.track,
        "rear_share": kart.rear_share,
        "width_m": 2 * kart.half_width,
    }
