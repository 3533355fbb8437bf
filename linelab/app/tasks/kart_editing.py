"""A kart opened, changed and saved: its fields checked one by one, and what they make of it."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from linelab.app.library import Library, StaleError
from linelab.app.tasks.kart_form import kart_form
from linelab.errors import InputError
from linelab.files.bundled import bundled_karts
from linelab.files.kart_file import kart_or_faults, kart_table, kart_text, parse_kart
from linelab.model.kart import Kart
from linelab.output.display import Units, units_named
from linelab.output.kart_facts import drive_lines, gg_outlines, kart_words
from linelab.units import STANDARD_GRAVITY, Array

Step = Callable[[str], None]

#: Points of a curve of force by speed.
POINTS = 160
#: A kart's tables of which it has one or none, filled in where one is asked for.
STARTS: dict[str, dict[str, Any]] = {"simple_drive": {"power_kw": 15.0}, "axles": {}}


def open_kart(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """A kart of the library for a page: its fields, the form, and what it can do.

    Raises
    ------
    InputError, FileFormatError
        There is none of that name, or its file is no TOML.
    """
    library, units = Library(folder), units_named(given["units"])
    stored = library.read("kart", given["kart"])
    table = plain_fields(parse_kart(stored.text, library.path("kart", stored.name)))
    engine = kart_table(bundled_karts()["senior-single-speed"])["engine"]
    return {
        "name": stored.name,
        "bundled": stored.bundled,
        "revision": stored.revision,
        "text": stored.text,
        "table": table,
        "form": kart_form(units),
        "starts": STARTS | {"engine": engine},
        **look_at_kart(folder, {"table": table, "units": units.name}, step),
    }


def look_at_kart(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """What a kart of these fields can do; or which fields are wrong, and how."""
    units = units_named(given["units"])
    kart, faults = kart_or_faults(_table_of(given))
    if kart is None:
        return {"faults": _in_units(faults, _table_of(given), units), "picture": None, "words": []}
    return {"faults": [], "picture": kart_picture(kart, units), "words": kart_words(kart, units)[1:]}


def save_kart(folder: Path, given: dict[str, Any], step: Step) -> dict[str, Any]:
    """Save a kart of the library, checked; its file says beside each value where it comes from.

    Returns
    -------
    dict
        ``saved`` with the file's name and revision; or ``faults``; or ``stale`` with the revision that stands there.
    """
    library, table = Library(folder), _table_of(given)
    kart, faults = kart_or_faults(table)
    if kart is None:
        return {"faults": [{"field": field, "what": what} for field, what in faults]}
    text = kart_text(kart, _origins(str(given.get("text", "")), table))
    try:
        stored = library.save("kart", given["title"], text, began_from=given["revision"])
    except StaleError as error:
        return {"stale": {"revision": error.revision, "name": error.where}}
    return {"saved": {"name": stored.name, "revision": stored.revision, "text": text}}


def _in_units(faults: list[tuple[str, str]], table: dict[str, Any], units: Units) -> list[dict[str, str]]:
    """Faults of fields; a number outside of its range is told in the unit that the form shows."""
    form = {about["field"]: about for group in kart_form(units) for about in group["fields"]}
    found = []
    for field, what in faults:
        about, value = form.get(field), _dotted(table).get(field)
        if about and about["size"] != 1.0 and isinstance(value, int | float) and "outside the allowed range" in what:
            shown, low, high = (f"{number / about['size']:.4g}" for number in (value, about["low"], about["high"]))
            what = f"{shown} {about['unit']} is outside the allowed range {low} to {high} {about['unit']}"
        found.append({"field": field, "what": what})
    return found


def _dotted(table: Mapping[str, Any]) -> dict[str, Any]:
    """All fields by their dotted names."""
    found: dict[str, Any] = {}
    for name, value in table.items():
        found |= {f"{name}.{key}": one for key, one in value.items()} if isinstance(value, Mapping) else {name: value}
    return found


def _table_of(given: dict[str, Any]) -> dict[str, Any]:
    table = given["table"]
    if not isinstance(table, dict):
        raise InputError("these are no fields of a kart", where="table", remedy="Load the page again")
    return table


def plain_fields(table: Mapping[str, Any]) -> dict[str, Any]:
    """Fields as JSON holds them; what it cannot hold becomes text, which its field then refuses by name."""

    def held(value: Any) -> Any:
        if isinstance(value, Mapping):
            return {str(name): held(one) for name, one in value.items()}
        if isinstance(value, list):
            return [held(one) for one in value]
        fits = isinstance(value, str | bool | int) or (isinstance(value, float) and np.isfinite(value))
        return value if fits else str(value)

    found: dict[str, Any] = json.loads(json.dumps(held(table)))
    return found


#: A line of a kart file that holds one value other than a text, and a comment.
_LINE = re.compile(r"^\s*(\w+)\s*=\s*[^\"'#]*#\s*(.+?)\s*$")


def _origins(text: str, table: Mapping[str, Any]) -> dict[str, str]:
    """Comments of a kart's file as it was, for the values that have not changed since, and what the others were."""
    lines = text.splitlines()
    said = {found[1]: found[2] for found in map(_LINE.match, lines) if found}
    before, now = _dotted(parse_kart(text, Path("kart"))) if text else {}, _dotted(table)
    for field, value in now.items():
        name = field.rpartition(".")[2]  # no two tables share a field's name
        was = before.get(field)
        if was is None:
            said.pop(name, None)
        elif value != was and not isinstance(was, str):
            number = isinstance(was, int | float) and not isinstance(was, bool)
            said[name] = f"changed in the app; was {was:g}" if number else "changed in the app"
    head = [line.lstrip("# ") for line in lines[: next((k for k, line in enumerate(lines) if line[:1] != "#"), 0)]]
    return said | {"": "\n".join(head)} if head else said


def kart_picture(kart: Kart, units: Units) -> dict[str, Any]:
    """The g-g diagram [g] and the forces by speed, in the units shown."""
    lines = drive_lines(kart, POINTS)

    def force(values: Array) -> list[float | None]:
        return [round(one, 1) if np.isfinite(one) else None for one in (values / units.force).tolist()]

    return {
        "gg": [
            {
                "speed": speed,
                "points": np.round(
                    np.concatenate([bound[0], bound[1][:, ::-1]], axis=1).T[::2] / STANDARD_GRAVITY, 3
                ).tolist(),
            }
            for speed, bound in gg_outlines(kart, units)
        ],
        "drive": {
            "speed": np.round(lines.v / units.speed, 2).tolist(),
            "drive": force(lines.drive),
            "resistance": force(lines.resistance),
            "grip": round(lines.grip / units.force, 1),
            "gears": [force(gear) for gear in lines.gears],
            "top": round(lines.top.v / units.speed, 2),
            "top_says": f"{units.speed_text(lines.top.v, 0)}, "
            + ("rev limit" if lines.top.limited_by == "revs" else "drive equals drag"),
            "speed_unit": units.speed_unit,
            "force_unit": units.force_unit,
        },
    }
