"""Kart files: TOML with the unit in each field's name, checked as a whole.

The format is described field by field in :mod:`linelab.files.kart_fields`; the bundled files in ``linelab/data/karts``
are commented examples.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from linelab.errors import FileFormatError, InputError, KartError, check_kinds, on_one_line
from linelab.files.bundled import bundled, bundled_karts, bundled_tracks, suggestion
from linelab.files.kart_fields import fault_text, joined
from linelab.files.writing import write_text
from linelab.model.grip import require_going
from linelab.model.kart import MOST_UNLIKE, Axles, Driver, Gearing, Kart, PowerEngine, TorqueEngine
from linelab.units import DEGREE, KMH, RPM

if TYPE_CHECKING:
    from linelab.files.kart_fields import AxlesTable, DriverTable, EngineTable, KartFile, SimpleDriveTable


def kart_text(kart: Kart, origins: Mapping[str, str] | None = None) -> str:
    """Text of a kart file (TOML), 12 significant digits; ``origins`` as for :func:`save_kart`."""
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
        *_driver_lines(kart.driver),
        *([] if kart.axles is None else ["", *_axle_lines(kart.axles)]),
    ]
    said = dict(origins or {})
    head = [f"# {line}" for line in said.pop("", "").splitlines()]
    for row, line in enumerate(lines):
        if origin := said.get(line.partition(" = ")[0]):
            lines[row] = f"{line}  # {on_one_line(origin)}"
    return "\n".join([*head, *lines]) + "\n"


def _torque(engine: TorqueEngine) -> list[str]:
    return [
        "[engine]",
        _numbers("crank_rpm", engine.speed / RPM),
        _numbers("torque_nm", engine.torque),
        _number("rev_limit_rpm", engine.rev_limit / RPM),
        _number("clutch_engagement_rpm", engine.clutch_engagement / RPM),
        *_gears(engine.ratios),
        _number("tyre_circumference_m", engine.tyre_circumference),
        _number("driveline_efficiency", engine.efficiency),
    ]


def _gears(ratios: tuple[float, ...] | Gearing) -> list[str]:
    """Sprockets, and a gearbox where there is one; overall ratios where no sprockets are known."""
    if not isinstance(ratios, Gearing):
        return [_numbers("overall_ratios", ratios)]
    lines = [
        f"axle_sprocket_teeth = {ratios.axle_teeth}",
        f"engine_sprocket_teeth = {ratios.engine_teeth}",
    ]
    if ratios.gearbox_ratios != (1.0,):
        lines.append(_numbers("gearbox_ratios", ratios.gearbox_ratios))
    if ratios.primary_ratio != 1.0:
        lines.append(_number("primary_ratio", ratios.primary_ratio))
    return lines


def _power(engine: PowerEngine) -> list[str]:
    lines = ["[simple_drive]", _number("power_kw", engine.power / 1000.0)]
    if engine.max_force is not None:
        lines.append(_number("max_force_n", engine.max_force))
    if engine.top_speed is not None:
        lines.append(_number("top_speed_kmh", engine.top_speed / KMH))
    return lines


def _driver_lines(driver: Driver) -> list[str]:
    rates = {
        "brake_build_rate_mps3": driver.brake_build_rate,
        "brake_release_rate_mps3": driver.brake_release_rate,
        "drive_build_rate_mps3": driver.drive_build_rate,
        "curvature_rate_per_m_s": driver.curvature_rate,
    }
    shares = [_number(name, getattr(driver, name)) for name in ("grip_share", "braking_share")]
    lines = ["[driver]", *shares]
    return lines + [_number(name, value) for name, value in rates.items() if value is not None]


def _axle_lines(axles: Axles) -> list[str]:
    lines = [
        "[axles]",
        _number("front_track_width_m", axles.track_width_front),
        _number("rear_track_width_m", axles.track_width_rear),
        _number("front_roll_share", axles.front_roll_share),
        _number("jacking_n_per_degree", axles.jacking * DEGREE),
        _number("load_sensitivity", axles.load_sensitivity),
        _number("front_tyre_load_n", axles.front_tyre_load),
        _number("rear_tyre_load_n", axles.rear_tyre_load),
        _number("sliding_slip_degrees", axles.sliding_slip / DEGREE),
    ]
    return lines if axles.max_steer is None else [*lines, _number("max_steer_degrees", axles.max_steer / DEGREE)]


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


#: A kart file larger than this is something else [bytes].
LARGEST_FILE = 100_000


#: Faults of a file that one message lists.
MOST_FAULTS = 20


def load_kart(path: str | Path) -> Kart:
    """Read a kart file, or a bundled kart by its name.

    Parameters
    ----------
    path : str or Path
        A TOML file, or a name from :func:`bundled_karts`.

    Returns
    -------
    Kart

    Raises
    ------
    FileFormatError
        Not a text file, or not valid TOML (with the line).
    KartError
        A field is missing, unknown or out of range; the message lists every fault of the file.
    InputError
        There is no such file or bundled kart, or ``path`` is neither text nor a path.

    References
    ----------
    TOML 1.0.0.

    Examples
    --------
    >>> import linelab
    >>> linelab.load_kart("rental-four-stroke")
    Kart 'Rental four-stroke', 245 kg, 6.5 kW, grip 1.15 across, 1.15 along
    """
    check_kinds("load_kart", path=(path, (str, PathLike)))
    source = _existing(path)
    return kart_from(parse_kart(_text_of(source), source), str(source))


def copy_kart(path: str | Path, target: str | Path) -> None:
    """Write a copy of a kart file, or of a bundled kart by its name, as it stands: with its comments.

    Parameters and errors as :func:`load_kart`, which checks the file; ``target`` is replaced as a whole or not at all.

    Raises
    ------
    InputError
        The copy cannot be written, or its name does not end in .toml.
    """
    check_name(target)
    load_kart(path)
    write_text(target, _text_of(_existing(path)))


def check_name(path: str | Path) -> None:
    """Refuse a name that does not end as kart files do (InputError)."""
    suffix = Path(path).suffix.lower()
    if suffix != ".toml":
        raise InputError(
            f"a kart is saved as TOML, not as {suffix or 'a file without suffix'}",
            where=str(path),
            remedy="Use a name ending in .toml",
        )


def _existing(path: str | Path) -> Path:
    """The file meant by a path or a bundled name."""
    source = Path(path)
    if source.is_dir():
        raise InputError("this is a folder, not a kart file", where=str(path), remedy="Name the .toml file in it")
    if not source.exists():
        known = bundled_karts()
        found = bundled(path, known)
        if found is not None:
            return found
        if bundled(path, bundled_tracks()) is None:
            raise InputError(
                "no such kart file or bundled kart", where=str(path), remedy=suggestion(path, known, "karts")
            )
    if source.suffix.lower() == ".json":
        remedy = "Start from a bundled one: 'linelab kart NAME --save my_kart.toml'; a track is named before the kart"
        raise InputError("a kart file is TOML, not JSON", where=str(path), remedy=remedy)
    if source.suffix.lower() == ".geojson" or not source.exists():
        raise InputError(
            "this is a track, not a kart",
            where=str(path),
            remedy="Swap them: commands name the track first, then the kart",
        )
    return source


def _text_of(source: Path) -> str:
    """The text of a file, refused where it is none."""
    try:
        with source.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except OSError as error:
        raise FileFormatError(
            f"cannot be read ({error.strerror})", path=source, remedy="Check its access rights"
        ) from error
    if len(data) > LARGEST_FILE:
        raise FileFormatError(
            f"larger than {LARGEST_FILE // 1000} kB, which no kart file is", path=source, remedy="Name a .toml file"
        )
    if not data.strip():
        raise FileFormatError("the file is empty", path=source, remedy="Start from a copy of a bundled kart")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FileFormatError("not a UTF-8 text file", path=source, line=line, remedy="Save it as UTF-8") from error
    if "\0" in text:
        raise FileFormatError("not a kart file but binary data", path=source, remedy="Name a .toml file")
    return text


def parse_kart(text: str, source: Path) -> dict[str, Any]:
    """The fields of a kart file's text as they stand, by table; ``source`` is named in errors.

    Raises
    ------
    FileFormatError
        It is no TOML: the line, and what is wrong there.
    """
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = re.search(r"\(at line (\d+), column \d+\)", message)
        line = int(found.group(1)) if found else len(text.splitlines())
        cause = re.sub(r"\s*\(at .*\)$", "", message)
        remedy = "Write name = value, text in double quotes"
        faulty = text.splitlines()[line - 1 : line]
        if faulty and re.match(r"[^#\"']*=\s*-?\d+,\d", faulty[0]):
            remedy = "Write decimals with a point, not a comma"
        raise FileFormatError(f"not valid TOML: {cause}", path=source, line=line, remedy=remedy) from error
    except ValueError as error:  # Python converts no whole number of thousands of digits, nor reads a 30th of February
        longest = max(re.finditer(r"[0-9A-Fa-f_]+", text), key=lambda found: len(found[0]))
        line = text.count("\n", 0, longest.start()) + 1
        raise FileFormatError(
            f"a number of {len(longest[0])} digits", path=source, line=line, remedy="Write numbers in plain digits"
        ) from error
    except RecursionError as error:
        raise FileFormatError(
            "nested too deeply", path=source, expected="tables such as [tyres]", remedy="Copy a bundled kart"
        ) from error


def kart_table(kart: Kart | str | Path) -> dict[str, Any]:
    """A kart's fields as its file holds them, by table; those that :func:`load_kart` reads, or would read of a kart."""
    if isinstance(kart, Kart):
        return parse_kart(kart_text(kart), Path(kart.name))
    load_kart(kart)
    source = _existing(kart)
    return parse_kart(_text_of(source), source)


def with_fields(table: Mapping[str, Any], values: Mapping[str, Any]) -> dict[str, Any]:
    """A kart's fields with others in place, by their dotted names: "mass_kg", "tyres.mu_lateral"."""
    changed = {name: dict(value) if isinstance(value, Mapping) else value for name, value in table.items()}
    for field, value in values.items():
        section, _, name = field.rpartition(".")
        place = changed.setdefault(section, {}) if section else changed
        if not isinstance(place, dict):
            raise KartError(f"unknown field: {section} is no table", field=field, remedy="See 'linelab kart --fields'")
        place[name] = value
    return changed


def check_fields(table: dict[str, Any], where: str) -> KartFile:
    """Check each field by itself: its name, type and range.

    Raises
    ------
    KartError
        Listing every fault.
    """
    checked, faults = _read_fields(table)
    if checked is None:
        raise _kart_error(faults, where)
    return checked


def _read_fields(table: dict[str, Any]) -> tuple[KartFile | None, list[tuple[str, str]]]:
    """The fields, each right by itself; or None, and what is wrong with which."""
    from pydantic import ValidationError

    from linelab.files.kart_fields import KartFile

    try:
        return KartFile.model_validate(table), []
    except ValidationError as error:
        return None, [fault_text(entry) for entry in error.errors(include_url=False, include_context=False)]


def kart_from(table: dict[str, Any], where: str) -> Kart:
    """Check a parsed file as a whole and build the kart; ``where`` is named in errors.

    Raises
    ------
    KartError
        As :func:`load_kart`.
    """
    checked = check_fields(table, where)
    faults = _faults_between_fields(checked)
    if faults:
        raise _kart_error(faults, where)
    try:
        kart = _build(checked)
        require_going(kart)
        return kart
    except KartError as error:
        raise KartError(error.what, field=error.field, where=where, remedy=error.remedy) from error


def kart_or_faults(table: dict[str, Any]) -> tuple[Kart | None, list[tuple[str, str]]]:
    """The kart of a file's fields; or None, and each fault with the dotted name of the field it concerns.

    A fault of the kart as a whole may name a field by the library's name for it: "engine.ratios".
    """
    checked, faults = _read_fields(table)
    if checked is None:
        return None, faults
    faults = _faults_between_fields(checked)
    if faults:
        return None, faults
    try:
        return kart_from(table, ""), []
    except KartError as error:
        return None, [(error.field, error.what)]


def _kart_error(faults: Sequence[tuple[str, str]], source: str) -> KartError:
    """One error that lists the faults."""
    count = len(faults)
    label, words = faults[0]
    if count == 1:
        return KartError(words, field=label, where=source, remedy="Correct the field and its unit")
    where = f"{source}, {count} faults" + (f", the first {MOST_FAULTS}" if count > MOST_FAULTS else "")
    listed = joined(faults[:MOST_FAULTS])
    error = KartError(listed, field=label, where="", remedy="Correct these fields and their units")
    error.where = where
    error.args = (error.one_line(),)
    return error


def _faults_between_fields(checked: KartFile) -> list[tuple[str, str]]:
    """Faults that no field shows alone."""
    faults = []
    if (checked.engine is None) == (checked.simple_drive is None):
        found = "neither is given" if checked.engine is None else "both are given"
        faults.append(("engine, simple_drive", f"exactly one of these tables is needed, {found}"))
    if checked.engine is not None:
        faults += _engine_faults(checked.engine)
    along, across = checked.tyres.mu_longitudinal, checked.tyres.mu_lateral
    if not 1.0 / MOST_UNLIKE <= along / across <= MOST_UNLIKE:
        allowed = f"{across / MOST_UNLIKE:.3g} to {across * MOST_UNLIKE:.3g}"
        words = f"{along:g} does not go with mu_lateral = {across:g}: it is the same rubber (allowed: {allowed})"
        faults.append(("tyres.mu_longitudinal", words))
    return faults


def _engine_faults(engine: EngineTable) -> list[tuple[str, str]]:
    """Faults between the fields of a torque engine."""
    faults = []
    speeds, torques = engine.crank_rpm, engine.torque_nm
    if len(speeds) != len(torques):
        faults.append(("engine.torque_nm", f"has {len(torques)} values, but crank_rpm has {len(speeds)}"))
    for index, (before, after) in enumerate(pairwise(speeds)):
        if after <= before:
            faults.append(
                (f"engine.crank_rpm entry {index + 2}", f"{after:g} rpm does not follow {before:g} rpm upwards")
            )
    if engine.clutch_engagement_rpm >= engine.rev_limit_rpm:
        faults.append(("engine.clutch_engagement_rpm", "must be below rev_limit_rpm"))
    sprockets = (engine.axle_sprocket_teeth, engine.engine_sprocket_teeth)
    if engine.overall_ratios is not None and any(teeth is not None for teeth in sprockets):
        faults.append(("engine.overall_ratios", "give either overall_ratios or the sprockets, not both"))
    elif engine.overall_ratios is None and None in sprockets:
        faults.append(("engine", "needs axle_sprocket_teeth and engine_sprocket_teeth, or overall_ratios"))
    return faults


def _build(checked: KartFile) -> Kart:
    """The kart in SI units."""
    if checked.engine is not None:
        engine: PowerEngine | TorqueEngine = _torque_engine(checked.engine)
    else:
        assert checked.simple_drive is not None
        engine = _power_engine(checked.simple_drive)
    return Kart(
        name=checked.name,
        description=checked.description,
        mass=checked.mass_kg,
        engine=engine,
        mu_lateral=checked.tyres.mu_lateral,
        mu_longitudinal=checked.tyres.mu_longitudinal,
        rear_share=checked.rear_weight_share,
        cg_height=checked.cg_height_m,
        wheelbase=checked.wheelbase_m,
        width=checked.overall_width_m,
        cda=checked.air.cda_m2,
        air_density=checked.air.density_kg_per_m3,
        rolling_resistance=checked.tyres.rolling_resistance,
        scrub=checked.tyres.scrub,
        rotating_mass_factor=checked.rotating_mass_factor,
        engine_braking=checked.closed_throttle_decel_mps2,
        four_wheel_brakes=checked.four_wheel_brakes,
        driver=_driver(checked.driver),
        axles=None if checked.axles is None else _axles(checked.axles),
    )


def _torque_engine(table: EngineTable) -> TorqueEngine:
    if table.overall_ratios is not None:
        ratios: tuple[float, ...] | Gearing = tuple(table.overall_ratios)
    else:
        assert table.axle_sprocket_teeth is not None
        assert table.engine_sprocket_teeth is not None
        ratios = Gearing(
            engine_teeth=table.engine_sprocket_teeth, axle_teeth=table.axle_sprocket_teeth,
            gearbox_ratios=tuple(table.gearbox_ratios or [1.0]), primary_ratio=table.primary_ratio,
        )  # fmt: skip
    return TorqueEngine(
        speed=np.asarray(table.crank_rpm) * RPM,
        torque=np.asarray(table.torque_nm),
        ratios=ratios,
        tyre_circumference=table.tyre_circumference_m,
        rev_limit=table.rev_limit_rpm * RPM,
        clutch_engagement=table.clutch_engagement_rpm * RPM,
        efficiency=table.driveline_efficiency,
    )


def _power_engine(table: SimpleDriveTable) -> PowerEngine:
    top = None if table.top_speed_kmh is None else table.top_speed_kmh * KMH
    return PowerEngine(power=table.power_kw * 1000.0, max_force=table.max_force_n, top_speed=top)


def _driver(table: DriverTable) -> Driver:
    return Driver(
        grip_share=table.grip_share,
        braking_share=table.braking_share,
        brake_build_rate=table.brake_build_rate_mps3,
        brake_release_rate=table.brake_release_rate_mps3,
        drive_build_rate=table.drive_build_rate_mps3,
        curvature_rate=table.curvature_rate_per_m_s,
    )


def _axles(table: AxlesTable) -> Axles:
    steer = table.max_steer_degrees
    return Axles(
        track_width_front=table.front_track_width_m,
        track_width_rear=table.rear_track_width_m,
        front_roll_share=table.front_roll_share,
        jacking=table.jacking_n_per_degree / DEGREE,
        load_sensitivity=table.load_sensitivity,
        front_tyre_load=table.front_tyre_load_n,
        rear_tyre_load=table.rear_tyre_load_n,
        sliding_slip=table.sliding_slip_degrees * DEGREE,
        max_steer=None if steer is None else steer * DEGREE,
    )


def save_kart(kart: Kart, path: str | Path, *, origins: Mapping[str, str] | None = None) -> None:
    """Write a kart file that :func:`load_kart` reads back to the same kart (12 significant digits).

    The file is replaced as a whole or not at all.

    Parameters
    ----------
    kart : Kart
    path : str or Path
        Ends in .toml.
    origins : mapping of str to str, optional
        Where values come from, by the name of their field in the file: written beside them as a comment; "" is for the
        file's first lines.  A fitted kart's are :meth:`linelab.FittedKart.origins`.

    Raises
    ------
    InputError
        The file cannot be written, its name does not end in .toml, or arguments are of another type.

    Examples
    --------
    >>> import dataclasses, linelab
    >>> kart = dataclasses.replace(linelab.load_kart("rental-four-stroke"), mass=250.0)
    >>> linelab.save_kart(kart, "heavier.toml")
    >>> linelab.load_kart("heavier.toml") == kart
    True
    """
    check_kinds("save_kart", kart=(kart, Kart), path=(path, (str, PathLike)))
    check_name(path)
    write_text(path, kart_text(kart, origins))
