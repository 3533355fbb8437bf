"""Faults of a kart file in plain words: every field at once, with value, unit, allowed range and near misses."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from linelab.kart import meant_mass

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

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
    from linelab.io.kart_schema import limits_of, unit_of

    kind, unit = error["type"], unit_of(table, name)
    suffix = f" {unit}" if unit else ""
    low, high = limits_of(table, name)
    allowed = f"{low:.4g} to {high:.4g}{suffix}" if low is not None and high is not None else ""
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
    from linelab.io.kart_schema import TABLES

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
