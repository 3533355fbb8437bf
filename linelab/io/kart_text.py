"""A kart as the text of a kart file."""

from __future__ import annotations

import json
from collections.abc import Iterable

from linelab.kart import Driver, Kart, PowerEngine, TorqueEngine
from linelab.units import KMH, RPM


def kart_text(kart: Kart) -> str:
    """Text of a kart file (TOML), 12 significant digits."""
    lines = [
        _text("name", kart.name),
        _text("description", kart.description),
        _number("mass_kg", kart.mass),
        _number("wheelbase_m", kart.wheelbase),
        _number("overall_width_m", kart.width),
        _number("cg_height_m", kart.cg_height),
        _number("rear_weight_share", kart.rear_share),
        _number("rotating_mass_factor", kart.rotating_mass_factor),
        _number("closed_throttle_decel_mps2", kart.engine_braking),
        f"four_wheel_brakes = {str(kart.four_wheel_brakes).lower()}",
        "",
        "[tyres]",
        _number("mu_lateral", kart.mu_lateral),
        _number("mu_longitudinal", kart.mu_longitudinal),
        _number("rolling_resistance", kart.rolling_resistance),
        _number("scrub", kart.scrub),
        "",
        "[air]",
        _number("cda_m2", kart.cda),
        _number("density_kg_per_m3", kart.air_density),
        "",
        *(_torque(kart.engine) if isinstance(kart.engine, TorqueEngine) else _power(kart.engine)),
        "",
        *_driver(kart.driver),
    ]
    return "\n".join(lines) + "\n"


def _torque(engine: TorqueEngine) -> list[str]:
    return [
        "[engine]",
        _numbers("crank_rpm", engine.speed / RPM),
        _numbers("torque_nm", engine.torque),
        _number("rev_limit_rpm", engine.rev_limit / RPM),
        _number("clutch_engagement_rpm", engine.clutch_engagement / RPM),
        _numbers("overall_ratios", engine.ratios),
        _number("tyre_circumference_m", engine.tyre_circumference),
        _number("driveline_efficiency", engine.efficiency),
    ]


def _power(engine: PowerEngine) -> list[str]:
    lines = ["[simple_drive]", _number("power_kw", engine.power / 1000.0)]
    if engine.max_force is not None:
        lines.append(_number("max_force_n", engine.max_force))
    if engine.top_speed is not None:
        lines.append(_number("top_speed_kmh", engine.top_speed / KMH))
    return lines


def _driver(driver: Driver) -> list[str]:
    rates = {
        "brake_build_rate_mps3": driver.brake_build_rate,
        "brake_release_rate_mps3": driver.brake_release_rate,
        "drive_build_rate_mps3": driver.drive_build_rate,
        "curvature_rate_per_m_s": driver.curvature_rate,
    }
    lines = ["[driver]", _number("grip_share", driver.grip_share)]
    return lines + [_number(name, value) for name, value in rates.items() if value is not None]


def _number(name: str, value: float) -> str:
    return f"{name} = {_digits(value)}"


def _numbers(name: str, values: Iterable[float]) -> str:
    return f"{name} = [{', '.join(_digits(value) for value in values)}]"


def _digits(value: float) -> str:
    """A TOML number of 12 significant digits."""
    text = f"{value:.12g}"
    mantissa, e, exponent = text.partition("e")
    if "." not in mantissa:
        mantissa += ".0"
    return mantissa + e + exponent


def _text(name: str, value: str) -> str:
    """A TOML basic string; JSON's escapes are a subset of TOML's, apart from DEL."""
    return f"{name} = {json.dumps(value, ensure_ascii=False)}".replace("\x7f", "\\u007f")
