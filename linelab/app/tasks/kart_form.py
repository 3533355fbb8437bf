"""The form of a kart: its fields in groups, with what each means in plain words, its unit and its allowed range."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, get_args

from linelab.files.kart_fields import TABLES, limits_of, unit_of
from linelab.output.display import Units
from linelab.units import KMH


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Fields that belong together; ``table`` is one that a kart may be without, ``lines`` (field, label, meaning)."""

    title: str
    says: str
    lines: tuple[tuple[str, str, str], ...]
    table: str = ""


GROUPS = (
    Group(
        title="Name and size",
        says="Weigh the kart with the driver in race trim: the weight matters for every corner and straight.",
        lines=(
            ("name", "Name", "Shown on all pages and prints."),
            ("description", "Description", "A sentence for yourself."),
            ("mass_kg", "Weight with driver", "Kart, driver and fuel, ready to race."),
            ("overall_width_m", "Overall width", "The widest part. It must stay on the track."),
        ),
    ),
    Group(
        title="Grip and brakes",
        says="Grip matters most and is known least. Fit a kart to a session to find it, then change it here by little.",
        lines=(
            ("tyres.mu_lateral", "Grip across", "The hardest cornering on flat, dry ground, in g."),
            ("tyres.mu_longitudinal", "Grip along", "For braking and driving. Near the grip across."),
            ("four_wheel_brakes", "Brakes on all four wheels", "Without the tick, brakes act on the rear axle only."),
            ("driver.grip_share", "Share of the grip used", "1 is all of it. A beginner uses about half."),
            ("driver.braking_share", "Share of the braking used", "Of what grip allows; 1 is all of it."),
        ),
    ),
    Group(
        title="Engine: torque curve",
        table="engine",
        says="The torque at full throttle by crankshaft speed, and the way to the road.",
        lines=(
            ("engine.crank_rpm", "Crankshaft speed", "Speeds of the torque curve, rising."),
            ("engine.torque_nm", "Torque", "At full throttle, at each of these speeds."),
            ("engine.rev_limit_rpm", "Rev limit", "Where the engine stops pulling."),
            ("engine.clutch_engagement_rpm", "Clutch grips from", "Below it the clutch slips. 0 without one."),
            ("engine.axle_sprocket_teeth", "Teeth on the axle", "One more: stronger out of corners, less top speed."),
            ("engine.engine_sprocket_teeth", "Teeth on the engine", "Of the small sprocket."),
            ("engine.tyre_circumference_m", "Way of one turn of the rear wheel", "Roll it one turn, driver seated."),
            ("engine.gearbox_ratios", "Gearbox ratios", "Lowest gear first, commas between. Empty with one speed."),
            ("engine.primary_ratio", "Primary ratio", "From the crankshaft to the gearbox."),
            ("engine.overall_ratios", "Overall ratios", "Crankshaft to axle, in place of sprockets and gearbox."),
            ("engine.driveline_efficiency", "Share of power at the axle", "What chain and gears let through."),
        ),
    ),
    Group(
        title="Engine: power only",
        table="simple_drive",
        says="For an electric kart, or where no torque curve is known.",
        lines=(
            ("simple_drive.power_kw", "Power at the wheels", "The most it gives."),
            ("simple_drive.max_force_n", "Greatest force at the wheels", "Empty: no limit but the tyres."),
            ("simple_drive.top_speed_kmh", "Speed of the limiter", "Empty: no limit but the air."),
        ),
    ),
    Group(
        title="What slows the kart",
        says="These decide the top speed and how the kart rolls with both feet up.",
        lines=(
            ("air.cda_m2", "Drag area", "Larger for an upright driver and wide bodywork."),
            ("air.density_kg_per_m3", "Air density", "Lower at altitude and in heat."),
            ("tyres.rolling_resistance", "Rolling resistance", "As a share of the weight."),
            ("tyres.scrub", "Scrub of the locked axle", "What cornering costs: this, times cornering in g squared."),
            ("closed_throttle_decel_mps2", "Closed throttle", "How much the engine slows the kart at top revs."),
        ),
    ),
    Group(
        title="Weight and balance",
        says="Weight on the rear axle brakes and drives. These may stay as they are at first.",
        lines=(
            ("wheelbase_m", "Wheelbase", "Between the axles."),
            ("cg_height_m", "Height of the centre of gravity", "With the driver seated."),
            ("rear_weight_share", "Share of the weight on the rear axle", "At rest, with the driver seated."),
            ("rotating_mass_factor", "Inertia of what turns", "Wheels, axle and engine, as a share of the weight."),
        ),
    ),
    Group(
        title="How quickly the driver acts",
        says="Empty: at once. With numbers here the computed lap keeps to them, and takes longer to compute.",
        lines=(
            ("driver.brake_build_rate_mps3", "Brake on", "Fastest rise of the braking."),
            ("driver.brake_release_rate_mps3", "Brake off", "Fastest fall of the braking."),
            ("driver.drive_build_rate_mps3", "Throttle", "Fastest rise of the drive."),
            ("driver.curvature_rate_per_m_s", "Steering", "Fastest change of the path's curvature."),
        ),
    ),
    Group(
        title="Both axles",
        table="axles",
        says="With this, grip follows from the loads of four wheels. The two grip values above are then one tyre's.",
        lines=(
            ("axles.front_track_width_m", "Front track width", "Between the middles of the tyres."),
            ("axles.rear_track_width_m", "Rear track width", "Between the middles of the tyres."),
            ("axles.front_roll_share", "Front share of the load transfer", "In corners. An assumption for most karts."),
            ("axles.jacking_n_per_degree", "Lift of the inside rear wheel", "Load taken off by a degree of steering."),
            ("axles.load_sensitivity", "Grip lost at twice the load", "As a share of the tyre's grip."),
            ("axles.front_tyre_load_n", "Front tyre's load", "At which it has the grip above."),
            ("axles.rear_tyre_load_n", "Rear tyre's load", "At which it has the grip above."),
            ("axles.sliding_slip_degrees", "Slip of a sliding tyre", "From this angle on all of it slides."),
            ("axles.max_steer_degrees", "Greatest steering angle", "Of the front wheels. Empty: no limit."),
        ),
    ),
)  # fmt: skip


def kart_form(units: Units) -> list[dict[str, Any]]:
    """All groups for a page; ranges and defaults in the file's units, ``size`` is one shown unit in those."""
    return [
        {
            "title": group.title,
            "says": group.says,
            "table": group.table,
            "fields": [_described(field, label, says, units) for field, label, says in group.lines],
        }
        for group in GROUPS
    ]


def _described(field: str, label: str, says: str, units: Units) -> dict[str, Any]:
    table, _, name = field.rpartition(".")
    about = TABLES[table].model_fields[name]
    extra = about.json_schema_extra
    low, high = limits_of(table, name)
    size, unit = _shown_unit(unit_of(table, name), units)
    return {
        "field": field,
        "label": label,
        "says": says,
        "kind": _kind(about.annotation),
        "unit": unit,
        "size": size,
        "low": low,
        "high": high,
        "usual": _usual(extra, size),
        "needed": about.is_required(),
        "default": None if about.is_required() else about.default,
    }


def _usual(extra: Any, size: float) -> str:
    """What is usual, where that is said in the unit shown and not by another field's name in the file."""
    why = str(extra.get("why", "")) if isinstance(extra, dict) and size == 1.0 else ""
    return "" if "_" in why else why


def _kind(annotation: Any) -> str:
    """What is typed into a field: "text", "tick", "whole", "number" or "numbers"."""
    kinds = {str: "text", bool: "tick", int: "whole", float: "number"}
    parts = [part for part in (annotation, *get_args(annotation)) if part is not type(None)]
    return next((kinds[part] for part in parts if part in kinds), "numbers")


def _shown_unit(unit: str, units: Units) -> tuple[float, str]:
    """One unit that is shown, in the file's units, and its name."""
    if units.name == "metric":
        return 1.0, unit
    return {
        "kg": (units.mass, units.mass_unit),
        "m": (units.length, units.length_unit),
        "km/h": (units.speed / KMH, units.speed_unit),
        "kW": (units.power / 1000.0, units.power_unit),
        "N": (units.force, units.force_unit),
        "N/degree": (units.force, f"{units.force_unit}/degree"),
        "m²": (units.length**2, f"{units.length_unit}²"),
    }.get(unit, (1.0, unit))
