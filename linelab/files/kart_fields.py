"""Shape of a kart file: field names with their units, types and allowed ranges (pydantic models).

Imported only when a kart file is read: pydantic is slow to import.  Faults are reported for every field at once, with
value, unit, allowed range and near misses.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from linelab.model.kart import (
    AXLE_BOUNDS,
    DRIVER_BOUNDS,
    GEAR_ENTRY,
    KART_BOUNDS,
    POWER_BOUNDS,
    RATIO_ENTRY,
    SPEED_ENTRY,
    TEETH,
    TORQUE_BOUNDS,
    TORQUE_ENTRY,
    Axles,
    Bound,
    meant_mass,
)
from linelab.units import DEGREE, KMH, RPM

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

TORQUE_ROWS = 200  #: most points of a torque curve


def _number(bound: Bound, default: Any = ..., *, size: float = 1.0, unit: str | None = None) -> Any:
    """A number in a range given in SI; ``size`` is one unit of the file in SI."""
    return Field(
        default,
        ge=round(bound.low / size, 9),
        le=round(bound.high / size, 9),
        json_schema_extra={"unit": unit if unit is not None else bound.unit, "why": bound.why},
    )


def _entry(bound: Bound, size: float = 1.0) -> Any:
    """The range of a list's numbers, given in SI."""
    return Field(ge=round(bound.low / size, 9), le=round(bound.high / size, 9))


def _list(bound: Bound, least: int, most: int, default: Any = ..., *, unit: str | None = None) -> Any:
    """A list of numbers."""
    size = RPM if unit == "rpm" else 1.0
    extra: Any = {"unit": unit or bound.unit, "why": bound.why, "entry": [bound.low / size, bound.high / size]}
    return Field(default, min_length=least, max_length=most, json_schema_extra=extra)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class TyresTable(_Table):
    """[tyres]"""

    mu_lateral: float = _number(KART_BOUNDS["mu_lateral"])
    mu_longitudinal: float = _number(KART_BOUNDS["mu_longitudinal"])
    rolling_resistance: float = _number(KART_BOUNDS["rolling_resistance"], 0.02)
    scrub: float = _number(KART_BOUNDS["scrub"], 0.03)


class AirTable(_Table):
    """[air]"""

    cda_m2: float = _number(KART_BOUNDS["cda"], 0.55)
    density_kg_per_m3: float = _number(KART_BOUNDS["air_density"], 1.2)


CrankSpeed = Annotated[float, _entry(SPEED_ENTRY, RPM)]
Torque = Annotated[float, _entry(TORQUE_ENTRY)]
GearRatio = Annotated[float, _entry(GEAR_ENTRY)]
Ratio = Annotated[float, _entry(RATIO_ENTRY)]


class EngineTable(_Table):
    """[engine]: a full-throttle torque curve with gearing."""

    crank_rpm: list[CrankSpeed] = _list(SPEED_ENTRY, 2, TORQUE_ROWS, unit="rpm")
    torque_nm: list[Torque] = _list(TORQUE_ENTRY, 2, TORQUE_ROWS)
    rev_limit_rpm: float = _number(TORQUE_BOUNDS["rev_limit"], size=RPM, unit="rpm")
    tyre_circumference_m: float = _number(TORQUE_BOUNDS["tyre_circumference"])
    axle_sprocket_teeth: int | None = _number(TEETH, None)
    engine_sprocket_teeth: int | None = _number(TEETH, None)
    gearbox_ratios: list[GearRatio] | None = _list(GEAR_ENTRY, 1, 10, None)
    primary_ratio: float = _number(GEAR_ENTRY, 1.0)
    overall_ratios: list[Ratio] | None = _list(RATIO_ENTRY, 1, 10, None)
    clutch_engagement_rpm: float = _number(TORQUE_BOUNDS["clutch_engagement"], 0.0, size=RPM, unit="rpm")
    driveline_efficiency: float = _number(TORQUE_BOUNDS["efficiency"], 0.95)


class SimpleDriveTable(_Table):
    """[simple_drive]: a power at the wheels, with or without a force cap."""

    power_kw: float = _number(POWER_BOUNDS["power"], size=1000.0, unit="kW")
    max_force_n: float | None = _number(POWER_BOUNDS["max_force"], None)
    top_speed_kmh: float | None = _number(POWER_BOUNDS["top_speed"], None, size=KMH, unit="km/h")


class DriverTable(_Table):
    """[driver]"""

    grip_share: float = _number(DRIVER_BOUNDS["grip_share"], 1.0)
    braking_share: float = _number(DRIVER_BOUNDS["braking_share"], 1.0)
    brake_build_rate_mps3: float | None = _number(DRIVER_BOUNDS["brake_build_rate"], None)
    brake_release_rate_mps3: float | None = _number(DRIVER_BOUNDS["brake_release_rate"], None)
    drive_build_rate_mps3: float | None = _number(DRIVER_BOUNDS["drive_build_rate"], None)
    curvature_rate_per_m_s: float | None = _number(DRIVER_BOUNDS["curvature_rate"], None)


_AXLES = Axles()


class AxlesTable(_Table):
    """[axles]"""

    front_track_width_m: float = _number(AXLE_BOUNDS["track_width_front"], _AXLES.track_width_front)
    rear_track_width_m: float = _number(AXLE_BOUNDS["track_width_rear"], _AXLES.track_width_rear)
    front_roll_share: float = _number(AXLE_BOUNDS["front_roll_share"], _AXLES.front_roll_share)
    jacking_n_per_degree: float = _number(
        AXLE_BOUNDS["jacking"], _AXLES.jacking * DEGREE, size=1.0 / DEGREE, unit="N/degree"
    )
    load_sensitivity: float = _number(AXLE_BOUNDS["load_sensitivity"], _AXLES.load_sensitivity)
    front_tyre_load_n: float = _number(AXLE_BOUNDS["front_tyre_load"], _AXLES.front_tyre_load)
    rear_tyre_load_n: float = _number(AXLE_BOUNDS["rear_tyre_load"], _AXLES.rear_tyre_load)
    sliding_slip_degrees: float = _number(
        AXLE_BOUNDS["sliding_slip"], _AXLES.sliding_slip / DEGREE, size=DEGREE, unit="degrees"
    )
    max_steer_degrees: float | None = _number(AXLE_BOUNDS["max_steer"], None, size=DEGREE, unit="degrees")


class KartFile(_Table):
    """The whole file."""

    name: str = Field(min_length=1, max_length=80)
    description: str = Field("", max_length=500)
    mass_kg: float = _number(KART_BOUNDS["mass"])
    wheelbase_m: float = _number(KART_BOUNDS["wheelbase"], 1.05)
    overall_width_m: float = _number(KART_BOUNDS["width"], 1.35)
    cg_height_m: float = _number(KART_BOUNDS["cg_height"], 0.25)
    rear_weight_share: float = _number(KART_BOUNDS["rear_share"], 0.58)
    rotating_mass_factor: float = _number(KART_BOUNDS["rotating_mass_factor"], 0.05)
    closed_throttle_decel_mps2: float = _number(KART_BOUNDS["engine_braking"], 0.0)
    four_wheel_brakes: bool = False
    tyres: TyresTable
    air: AirTable = Field(default_factory=lambda: AirTable.model_validate({}))
    engine: EngineTable | None = None
    simple_drive: SimpleDriveTable | None = None
    driver: DriverTable = Field(default_factory=lambda: DriverTable.model_validate({}))
    axles: AxlesTable | None = None


#: Table of each section, by its name in the file; the empty name is the top of the file.
TABLES: dict[str, type[BaseModel]] = {
    "": KartFile,
    "tyres": TyresTable,
    "air": AirTable,
    "engine": EngineTable,
    "simple_drive": SimpleDriveTable,
    "driver": DriverTable,
    "axles": AxlesTable,
}


def unit_of(table: str, name: str) -> str:
    """Unit of a field as shown in messages, empty for a pure number or an unknown field."""
    field = TABLES[table].model_fields.get(name) if table in TABLES else None
    extra = field.json_schema_extra if field is not None else None
    unit = str(extra.get("unit", "")) if isinstance(extra, dict) else ""
    return "" if unit == "-" else unit


def limits_of(table: str, name: str) -> tuple[float | None, float | None]:
    """Allowed range of a field, of each entry where it is a list; None where a side is open."""
    low: float | None = None
    high: float | None = None
    field = TABLES[table].model_fields.get(name) if table in TABLES else None
    extra = field.json_schema_extra if field is not None else None
    if isinstance(extra, dict) and isinstance(entry := extra.get("entry"), list):
        return float(str(entry[0])), float(str(entry[1]))
    for item in field.metadata if field is not None else ():
        low = getattr(item, "ge", low)
        high = getattr(item, "le", high)
    return low, high


def range_words() -> list[str]:
    """Every field with its allowed range, unit and the reason, one line each, by table."""
    lines = []
    for table, model in TABLES.items():
        lines.append(f"[{table}]" if table else "at the top of the file")
        for name, field in model.model_fields.items():
            low, high = limits_of(table, name)
            extra = field.json_schema_extra
            if low is not None and high is not None and isinstance(extra, dict):
                unit = unit_of(table, name)
                lines.append(f"  {name}: {_short(low)} to {_short(high)}{unit and ' ' + unit} ({extra['why']})")
    return lines


_TYPES = {
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "a text in quotes",
    "bool_type": "true or false",
    "list_type": "a list such as [1.0, 2.0]",
    "model_type": "a table of its own",
    "model_attributes_type": "a table of its own",
    "dict_type": "a table of its own",
    "finite_number": "a finite number",
}


def fault_text(error: ErrorDetails) -> tuple[str, str]:
    """Dotted field name and the fault in words, for one entry of a validation error."""
    location = [part if isinstance(part, int) else part[:40] for part in error["loc"]]
    table = str(location[0]) if len(location) > 1 else ""
    name = str(location[1] if len(location) > 1 else location[0])
    item = location[2] if len(location) > 2 else None
    label = ".".join(part for part in (table, name) if part)
    if item is not None:
        label += f" entry {int(item) + 1}"
    return label, _words(error, table, name)


def _words(error: ErrorDetails, table: str, name: str) -> str:
    """What is wrong with the field, its value and what is allowed."""
    from linelab.files.kart_fields import limits_of, unit_of

    kind, unit = error["type"], unit_of(table, name)
    suffix = f" {unit}" if unit else ""
    low, high = limits_of(table, name)
    allowed = f"{_short(low)} to {_short(high)}{suffix}" if low is not None and high is not None else ""
    if kind == "extra_forbidden":
        return f"unknown field{near_miss(name, table)}"
    if kind == "missing":
        return f"missing (allowed: {allowed})" if allowed else "missing"
    shown = _shown(error["input"])
    if kind in ("greater_than_equal", "less_than_equal") and low is not None and high is not None:
        meant = meant_mass(float(error["input"]), low, high) if unit == "kg" else ""
        return f"{shown}{suffix} is outside the allowed range {allowed}{meant and f' ({meant})'}"
    if kind in _TYPES:
        return f"{shown} is not {_TYPES[kind]}" + (f" (allowed: {allowed})" if allowed else "")
    return f"{shown}: {error['msg'][0].lower()}{error['msg'][1:]}"


def _shown(value: Any) -> str:
    """A value as the user wrote it, shortened."""
    if isinstance(value, int) and abs(value) > 10**18:  # Python writes out no number of thousands of digits
        return "a number beyond 1e18"
    text = repr(value) if not isinstance(value, Mapping) else "a table"
    return text if len(text) <= 40 else text[:37] + "..."


def near_miss(name: str, table: str) -> str:
    """A suggestion for an unknown field: a similar name here, or the table in which the name belongs; or empty."""
    from linelab.files.kart_fields import TABLES

    here = sorted(TABLES[table].model_fields) if table in TABLES else []
    similar = difflib.get_close_matches(name, here, n=1, cutoff=0.6) or _same_stem(name, here)
    if similar:
        return f", did you mean {similar[0]}?"
    for other, model in TABLES.items():
        match = name if name in model.model_fields else None
        if match is None:
            found = difflib.get_close_matches(name, sorted(model.model_fields), n=1, cutoff=0.75)
            match = found[0] if found else None
        if match is not None and other != table:
            place = f"in [{other}]" if other else "at the top of the file, before the first [table]"
            return f", {match} belongs {place}"
    return ""


def _same_stem(name: str, known: Sequence[str]) -> list[str]:
    """Names that differ only in the unit at their end (mass_lb and mass_kg)."""
    stem = name.split("_")[0]
    return [other for other in known if other.split("_")[0] == stem and len(stem) > 2]


def joined(faults: Iterable[tuple[str, str]]) -> str:
    """All faults on one line."""
    return "; ".join(f"{label}: {words}" for label, words in faults)


def _short(value: float) -> str:
    """Four digits, large numbers written out: 28650, not 2.865e+04."""
    return f"{float(f'{value:.4g}'):.0f}" if abs(value) >= 1e4 else f"{value:.4g}"
