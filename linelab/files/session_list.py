"""A list of sessions, sessions.csv beside the recordings: what no recording knows of itself, its kart, weather and
tyres."""

from __future__ import annotations

import csv
from collections.abc import Collection
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from linelab.errors import FileFormatError, LinelabError
from linelab.files.kart_file import load_kart
from linelab.files.text import read_text
from linelab.model.kart import Kart

#: Columns of the list: the first must be there.
COLUMNS = ("file", "kart", "weather", "tyres", "note")


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionNote:
    """What somebody wrote down of a session; ``kart`` None where none was named, the others as given."""

    kart: Kart | None = None
    weather: str = ""
    tyres: str = ""
    note: str = ""


def read_session_list(path: Path, recordings: Collection[str]) -> dict[str, SessionNote]:
    """Notes by the name of the recording's file.

    Parameters
    ----------
    path : Path
        Comma-separated text in UTF-8 with a line of titles; semicolons do as well.  A kart is a bundled name or a kart
        file, looked for in the list's folder first.
    recordings : collection of str
        Names of the files there are.

    Raises
    ------
    FileFormatError
        Not such a list: the line, what stands there and what may.
    """
    text = read_text(path, "CSV")
    separator = ";" if ";" in text.splitlines()[0] else ","
    reader = csv.reader(text.splitlines(), delimiter=separator)
    try:
        rows = [(reader.line_num, [cell.strip() for cell in row]) for row in reader if any(map(str.strip, row))]
    except csv.Error as error:
        raise FileFormatError(
            f"no table ({error})", path=path, line=reader.line_num, remedy="Save it as CSV"
        ) from error
    (line, head), *rest = rows
    titles = [title.lower() for title in head]
    for title in titles:
        if title not in COLUMNS or titles.count(title) > 1:
            raise _fault(path, line, title, "each of these columns once: " + ", ".join(COLUMNS), "Rename the column")
    if "file" not in titles:
        raise _fault(path, line, ", ".join(head), "a column named file", "Name the recordings in a column 'file'")
    found: dict[str, SessionNote] = {}
    karts: dict[str, Kart] = {}
    for line, row in rest:
        if len(row) != len(titles):
            raise _fault(
                path,
                line,
                f"{len(row)} cells",
                f"{len(titles)}, as in the first line",
                "Put texts with commas in double quotes",
            )
        cells = dict(zip(titles, row))
        name = cells.pop("file")
        if name in found or name not in recordings:
            near = get_close_matches(name, [*recordings], n=1)
            remedy = "Keep one line a recording" if name in found else f"Did you mean {near[0]}?" if near else ""
            raise _fault(path, line, name, "the name of a recording here, once", remedy or "Check the name of the file")
        named = cells.pop("kart", "")
        if named and named not in karts:
            karts[named] = _kart(path, line, named)
        found[name] = SessionNote(kart=karts.get(named), **cells)
    return found


def _kart(path: Path, line: int, named: str) -> Kart:
    """A kart by its file beside the list, or by its name."""
    beside = path.parent / named
    try:
        return load_kart(beside if beside.is_file() else named)
    except LinelabError as error:
        raise FileFormatError(
            f"the kart cannot be used: {error.what}", path=path, line=line, found=named, remedy=error.remedy
        ) from error


def _fault(path: Path, line: int, found: str, expected: str, remedy: str) -> FileFormatError:
    return FileFormatError(
        "the list of sessions cannot be used", path=path, line=line, found=found or "nothing", expected=expected,
        remedy=remedy,
    )  # fmt: skip
