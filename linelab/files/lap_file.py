"""Laps and solutions in files: a lap as CSV for spreadsheets and programs, a solution as JSON.

Both hold SI values with the unit in every name, and every digit: what is read again equals what was saved.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from dataclasses import asdict
from io import StringIO
from os import PathLike
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np

from linelab.arrays import freeze, frozen_array
from linelab.errors import FileFormatError, InputError, LinelabError, check_kinds
from linelab.files.text import csv_text, read_text
from linelab.files.writing import write_text
from linelab.geometry.curve import Curve
from linelab.model.lap import LINE_FIELDS, Lap, Limit, Line, lap_columns
from linelab.optimum.mesh import Mesh
from linelab.optimum.minimum_time import Solution
from linelab.optimum.runs import Iterate
from linelab.optimum.stage import Structure
from linelab.optimum.transcription import layout, parameter_sizes
from linelab.optimum.verify import Verification
from linelab.units import Array

#: Name and version of the solutions' layout: the version is raised when a key changes its meaning or goes.
FORMAT, VERSION = "linelab solution", 1

#: Column of each array of a lap and of its line, as :func:`linelab.model.lap.lap_columns` names them.
_LAP_COLUMNS = {"t": "t_s", "v": "v_mps", "ax": "ax_mps2"}
_LINE_COLUMNS = {
    "distance": "distance_m", "x": "x_m", "y": "y_m", "psi": "psi_rad", "kappa": "kappa_1pm", "s": "s_m", "n": "n_m",
    "slope": "slope_rad", "bank": "bank_rad", "vertical_curvature": "vertical_curvature_1pm", "grip": "grip",
}  # fmt: skip
#: Unit of a verification's figure where it is not a share, as the end of its key.
_ENDS = {"time": "_s", "station": "_m", "position_defect": "_m", "edge_excess": "_m", "time_defect": "_s",
         "speed_defect": "_mps", "force_rate_excess": "_mps2", "curvature_rate_excess": "_1pm"}  # fmt: skip


def lap_csv(lap: Lap, digits: int = 0) -> str:
    """A lap as CSV, one row a node, under comment lines that :func:`load_lap` reads; every digit, or so many."""
    shown = [
        values if isinstance(values, list) else [f"{v:.{digits}g}" if digits else repr(v) for v in values.tolist()]
        for values in lap_columns(lap).values()
    ]
    label = json.dumps(lap.label)
    for mark in "=+-@,;|":  # as an escape, so that no spreadsheet takes a label for a formula
        label = label.replace(mark, f"\\u{ord(mark):04x}")
    about = ("linelab lap", f"label: {label}", f"closed: {json.dumps(lap.line.closed)}")
    return csv_text([list(lap_columns(lap)), *zip(*shown)], about, line_end="\n")


def save_lap(lap: Lap, path: str | Path) -> None:
    """Write a lap as CSV: one row a node, units in the titles, every digit.

    The file is complete or not there at all: it is written beside and moved into place.

    Parameters
    ----------
    lap : Lap
    path : str or Path
        Ends in .csv.  An earlier file is replaced.

    Raises
    ------
    InputError
        A name with another ending, a folder that cannot be written, or arguments of another type.

    References
    ----------
    RFC 4180, Common Format and MIME Type for Comma-Separated Values; lines that start with ``#`` come first.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> lap = linelab.solve_min_time(track, kart).lap
    >>> linelab.save_lap(lap, "lap.csv")
    >>> linelab.load_lap("lap.csv") == lap
    True
    """
    check_kinds("save_lap", lap=(lap, Lap))
    _check_name(path, ".csv", "a lap is saved as CSV")
    write_text(path, lap_csv(lap))


def load_lap(path: str | Path) -> Lap:
    """Read a lap that :func:`linelab.save_lap` wrote, or ``reference_lap.csv`` of ``linelab reference``.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Lap
        Equal to the one saved.

    Raises
    ------
    FileFormatError
        The file holds no such lap.
    InputError
        ``path`` is neither text nor a path.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> linelab.save_lap(linelab.solve_min_time(track, kart).lap, "lap.csv")
    >>> print(f"{linelab.load_lap('lap.csv').lap_time:.2f} s")
    32.98 s
    """
    check_kinds("load_lap", path=(path, (str, PathLike)))
    lines = read_text(path, "CSV").splitlines()
    about = dict(line[1:].strip().partition(": ")[::2] for line in lines if line.startswith("#"))
    rows = list(csv.reader(StringIO("\n".join(line for line in lines if not line.startswith("#")))))
    try:
        head, cells = rows[0], rows[1:]
        columns: dict[str, Any] = dict(zip(head, zip(*cells, strict=True), strict=True))
        return _lap(columns, json.loads(about["label"]), json.loads(about["closed"]))
    except (KeyError, IndexError, ValueError, TypeError, LinelabError) as error:
        raise _unusable(path, "a lap that linelab saved", error) from error


def _lap(columns: Mapping[str, Any], label: str, closed: bool) -> Lap:
    """The lap of columns of numbers or of their texts."""
    line = Line(**{name: _numbers(columns[_LINE_COLUMNS[name]]) for name in ("distance", *LINE_FIELDS)}, closed=closed)
    codes = np.array([Limit[word.upper()] for word in columns["limited_by"]])
    return Lap(
        line=line,
        **{name: _numbers(columns[title]) for name, title in _LAP_COLUMNS.items()},
        limited_by=codes,
        label=label,
    )


def save_solution(solution: Solution, path: str | Path) -> None:
    """Write a solution as JSON: the lap with its check, and the solver's state for warm starts.

    The file is complete or not there at all: it is written beside and moved into place.  It takes some megabytes.

    Parameters
    ----------
    solution : Solution
    path : str or Path
        Ends in .json.  An earlier file is replaced.

    Raises
    ------
    InputError
        A name with another ending, a folder that cannot be written, or arguments of another type.

    References
    ----------
    RFC 8259, The JavaScript Object Notation (JSON) Data Interchange Format.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> solution = linelab.solve_min_time(track, kart)
    >>> linelab.save_solution(solution, "solution.json")
    >>> linelab.load_solution("solution.json") == solution
    True
    """
    check_kinds("save_solution", solution=(solution, Solution))
    _check_name(path, ".json", "a solution is saved as JSON")
    check, lap = solution.verification, solution.lap
    data = {
        "format": FORMAT,
        "version": VERSION,
        "lap_time_s": solution.lap_time,
        "time_error_s": solution.time_error,
        "grip_factor": solution.grip,
        "iterations": solution.iterations,
        "checked": None if check is None else {_key(name): value for name, value in asdict(check).items()},
        "lap": {"label": lap.label, "closed": lap.line.closed, **lap_columns(lap)},
        "iterate": solution.iterate._asdict(),
    }
    write_text(path, json.dumps(data, default=_plain, ensure_ascii=False, allow_nan=False) + "\n")


def load_solution(path: str | Path) -> Solution:
    """Read a solution that :func:`linelab.save_solution` wrote.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Solution
        Equal to the one saved; ``linelab.solve_min_time`` can start from it (``warm``).

    Raises
    ------
    FileFormatError
        The file holds no such solution.
    InputError
        ``path`` is neither text nor a path.

    Examples
    --------
    >>> import linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> linelab.save_solution(linelab.solve_min_time(track, kart), "solution.json")
    >>> again = linelab.solve_min_time(track, kart, warm=linelab.load_solution("solution.json"))
    >>> print(f"{again.lap_time:.2f} s")
    32.98 s
    """
    check_kinds("load_solution", path=(path, (str, PathLike)))
    text = read_text(path, "JSON")
    try:
        data = json.loads(text)
        if data["format"] != FORMAT or data["version"] != VERSION:
            raise ValueError("another format or version")
        check, lap = data["checked"], data["lap"]
        names = get_type_hints(Verification)
        return Solution(
            lap=_lap(lap, str(lap["label"]), bool(lap["closed"])),
            lap_time=float(data["lap_time_s"]),
            time_error=float(data["time_error_s"]),
            iterations=int(data["iterations"]),
            verification=None if check is None else Verification(**{name: check[_key(name)] for name in names}),
            iterate=_iterate(data["iterate"]),
            grip=float(data["grip_factor"]),
        )
    except (KeyError, ValueError, TypeError, RecursionError, OverflowError, LinelabError) as error:
        raise _unusable(path, "a solution that linelab saved", error) from error


def _iterate(data: Mapping[str, Any]) -> Iterate:
    """The solver's state, for warm starts."""

    def filled(values: Mapping[str, Any]) -> dict[str, Any]:
        return {name: _numbers(value) if isinstance(value, list) else value for name, value in values.items()}

    parts = {"mesh": Mesh, "reference": Curve, "structure": Structure}
    found = {name: kind(**filled(data[name])) for name, kind in parts.items()}
    iterate = Iterate(**filled({name: data[name] for name in Iterate._fields if name not in parts}), **found)
    structure = iterate.structure
    if structure.intervals != iterate.mesh.intervals:
        raise ValueError("mesh and structure have different intervals")
    place = layout(structure)
    shapes = {
        "x": (place.path + place.speed,),
        "lam_x": (place.path + place.speed,),
        "lam_g": (place.stage_rows + place.end_rows,),
        "parameters": (sum(parameter_sizes(structure)),),
        "moved": (2, structure.stages, 2),
    }
    for name, shape in shapes.items():
        if getattr(iterate, name) is not None or name != "moved":
            frozen_array("iterate", name, getattr(iterate, name), shape=shape)
    return iterate


def _numbers(values: Any) -> Array:
    """Numbers or their texts as an array."""
    array = np.array(values, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError("a number is missing")
    return freeze(array)


def _plain(value: Any) -> Any:
    """Arrays and value types as lists and dictionaries."""
    return value.tolist() if isinstance(value, np.ndarray) else {name: getattr(value, name) for name in value.__slots__}


def _key(name: str) -> str:
    """Key of a verification's figure, its unit in it."""
    return name + _ENDS.get(name, _ENDS.get(name.rpartition("_")[2], ""))


def _check_name(path: str | Path, suffix: str, what: str) -> None:
    """Refuse a name that does not end as files of that kind do."""
    check_kinds("save", path=(path, (str, PathLike)))
    found = Path(path).suffix.lower()
    if found != suffix:
        given = found or "a file without suffix"
        raise InputError(f"{what}, not as {given}", where=str(path), remedy=f"Use a name ending in {suffix}")


def _unusable(path: str | Path, expected: str, error: Exception) -> FileFormatError:
    """The error for a file that holds something else."""
    found = error.one_line() if isinstance(error, LinelabError) else f"{type(error).__name__}: {error}"
    return FileFormatError(
        "cannot be read", path=path, found=found, expected=expected, remedy="Save it again from the lap itself"
    )
