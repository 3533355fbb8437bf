"""Results of a sweep in one SQLite file, each written as it comes: a sweep that was ended goes on from it.

A result is one transaction, so a kill leaves it there as a whole or not at all; a power failure may cost the last few.
The file also holds the plan, so that results of two plans never get into one table.  While a sweep runs the file is its
own: a second one is refused.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal, NamedTuple

from linelab.arrays import Table
from linelab.errors import FileFormatError, InputError
from linelab.files.text import csv_text
from linelab.files.writing import check_writable, replacing, write_text
from linelab.study.sweeping.sweep_plan import CornerResult, Plan, SweptCase

_SCHEMA = """
CREATE TABLE plan (part TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE results (number INTEGER PRIMARY KEY, outcome TEXT NOT NULL, lap_time_s REAL, time_error_s REAL,
                      corners TEXT NOT NULL, reason TEXT NOT NULL, field TEXT NOT NULL);
"""


class Outcome(NamedTuple):
    """What became of a case; fields as of :class:`SweptCase`."""

    outcome: Literal["verified", "not checked", "failed"]
    lap_time: float | None = None
    time_error: float | None = None
    corners: tuple[CornerResult, ...] = ()
    reason: str = ""
    field: str = ""


class Store:
    """Results by number, in a file that is open."""

    def __init__(self, connection: sqlite3.Connection, plan: Plan) -> None:
        self._connection, self._plan = connection, plan

    def done(self) -> set[int]:
        """Numbers of the cases that have a result."""
        return {number for (number,) in self._connection.execute("SELECT number FROM results")}

    def add(self, number: int, found: Outcome) -> None:
        """Keep a result; a number that has one already is an error."""
        row = (number, *found[:3], json.dumps(found.corners), found.reason, found.field)
        self._connection.execute("INSERT INTO results VALUES (?, ?, ?, ?, ?, ?, ?)", row)

    def cases(self) -> Table[SweptCase]:
        """All cases that have a result, by number."""
        return Table(map(self._case, self._connection.execute("SELECT * FROM results ORDER BY number")))

    def _case(self, row: tuple[Any, ...]) -> SweptCase:
        number, outcome, lap_time, time_error, corners, reason, field = row
        at = self._plan.case(number)
        return SweptCase(
            number=number,
            track=self._plan.tracks[at.track].name,
            kart=self._plan.karts[at.kart]["name"],
            values=self._plan.points[at.point],
            outcome=outcome,
            lap_time=lap_time,
            time_error=time_error,
            corners=tuple(CornerResult(*corner) for corner in json.loads(corners)),
            reason=reason,
            field=field,
        )


@contextmanager
def opened(path: str | Path | None, plan: Plan) -> Iterator[Store]:
    """The results of a plan in a file, which is made where it is not there; in memory without a path.

    Raises
    ------
    FileFormatError
        It is not a file of a sweep's results.
    InputError
        It holds another plan's, another process has it open, or it cannot be written.
    """
    where = ":memory:" if path is None else str(path)
    if path is not None:
        check_writable(Path(path).parent, Path(path))
        Path(path).parent.mkdir(parents=True, exist_ok=True)
    try:
        with closing(sqlite3.connect(where, timeout=0.5, isolation_level=None)) as connection:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            _prepare(connection, plan, where)
            yield Store(connection, plan)
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise InputError(
                "another sweep is writing this file", where=where, remedy="Wait until it has ended, or choose another"
            ) from error
        raise InputError(
            f"cannot be read or written ({error})", where=where, remedy="Check the place and its free space"
        ) from error
    except sqlite3.DatabaseError as error:
        raise FileFormatError(
            f"not a file of a sweep's results ({error})", path=where, remedy="Choose another name"
        ) from error


def _prepare(connection: sqlite3.Connection, plan: Plan, where: str) -> None:
    """Take the file, and see that its plan is this one."""
    connection.execute("BEGIN EXCLUSIVE")
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    parts = {"version of linelab": _version(), **plan.parts()}
    if not tables:
        for statement in _SCHEMA.strip().split(";\n"):
            connection.execute(statement)
        connection.executemany("INSERT INTO plan VALUES (?, ?)", parts.items())
    elif tables != {"plan", "results"}:
        raise FileFormatError("this database holds no sweep's results", path=where, remedy="Choose another name")
    kept = dict(connection.execute("SELECT part, value FROM plan"))
    connection.execute("COMMIT")
    # A log ahead of the file: what is written survives this process's end without waiting for the disk each time.
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    changed = [name for name in parts if kept.get(name) != parts[name]]
    if changed:
        raise InputError(
            f"the results here are of another plan (not the same: {', '.join(changed)})",
            where=where,
            remedy="Give what was given before to go on with it, or choose another place for a new sweep",
        )


def _version() -> str:
    try:
        return version("linelab")
    except PackageNotFoundError:  # run from a checkout that is not installed
        return "not installed"


def check_parquet() -> None:
    """Refuse to write Parquet where its libraries are missing (InputError)."""
    if find_spec("pandas") is None or find_spec("pyarrow") is None:
        raise InputError(
            "pandas and pyarrow are not installed",
            where="parquet",
            remedy="Install them: pip install 'linelab[tables]'",
        )


def save_cases(cases: Sequence[SweptCase], path: str | Path) -> None:
    """Write results as CSV or Parquet, by the file's ending: a row a case, units in the titles.

    Raises
    ------
    InputError
        Another ending, missing libraries for Parquet, or a place that cannot be written.
    """
    target = Path(path)
    rows = [case.row() for case in cases]
    if target.suffix == ".parquet":
        check_parquet()
        with replacing(target) as temporary:
            Table(cases).to_dataframe().to_parquet(temporary)
    elif target.suffix == ".csv":
        titles = list(dict.fromkeys(title for row in rows for title in row))
        shown = [["" if row.get(title) is None else row[title] for title in titles] for row in rows]
        write_text(target, csv_text([titles, *shown], line_end="\n"))
    else:
        raise InputError("this is neither .csv nor .parquet", where=str(path), remedy="Choose one of these endings")
