"""What session.json holds: each field's kind, and its value in a new session.

The file may have been edited by hand, be of an earlier version or be cut short: it is read with care, fields that are
missing get the values of a new session, and fields that are not known stay as they are.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from linelab.errors import InputError, LinelabError, legible

#: A session.json or found.json larger than this is something else [bytes].
LARGEST_NOTE = 1_000_000
#: Longest text of a field, and of the notes [characters].
LONGEST, LONGEST_NOTES = 200, 20_000
#: Endings that a recording keeps; the readers look at what a file holds and not at its name.
ENDINGS = (".csv", ".txt", ".tsv", ".gpx", ".nmea", ".log", ".geojson", ".json")

#: What a session may be changed in, and its value in a new one.
FRESH: dict[str, Any] = {
    "title": "",
    "driver": "",
    "day": "",
    "day_typed": False,
    "track": "",
    "reverse": False,
    "kart": "",
    "weather": "",
    "tyres": "",
    "notes": "",
    "joined": False,
    "columns": {},
    "units": {},
    "start_line": None,
    "width": None,
    "position_error": None,
    "laps": [],
    "against": "",
    "against_lap": None,
    "beside": "",
    "beside_name": "",
    "shown_units": "metric",
}


class DamagedError(LinelabError):
    """A file of the library is not what it should be."""


def _text(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST


def _notes(value: Any) -> bool:
    return isinstance(value, str) and len(value) <= LONGEST_NOTES


def _whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 10**6


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9


def _tick(value: Any) -> bool:
    return isinstance(value, bool)


def _day(value: Any) -> bool:
    try:
        return value == "" or (isinstance(value, str) and date.fromisoformat(value).isoformat() == value)
    except ValueError:
        return False


def _names(value: Any) -> bool:
    return isinstance(value, dict) and all(_text(key) and (_text(one) or _whole(one)) for key, one in value.items())


def _list_of(kind: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: isinstance(value, list) and len(value) <= 10_000 and all(map(kind, value))


def _ends(value: Any) -> bool:
    return _list_of(_list_of(_number))(value) and [len(point) for point in value] == [2, 2]


def _or_nothing(kind: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: value is None or kind(value)


def _recording(value: Any) -> bool:
    return isinstance(value, dict) and _text(value.get("file")) and _text(value.get("name"))


_KINDS: dict[str, tuple[Callable[[Any], bool], str]] = {
    **dict.fromkeys(
        ("title", "driver", "track", "kart", "weather", "tyres", "against", "beside", "beside_name"),
        (_text, f"a text of at most {LONGEST} characters"),
    ),
    **dict.fromkeys(("joined", "reverse", "demo", "day_typed"), (_tick, "true or false")),
    **dict.fromkeys(("columns", "units"), (_names, "a table of names")),
    **dict.fromkeys(("width", "position_error"), (_or_nothing(_number), "a number or null")),
    "notes": (_notes, f"a text of at most {LONGEST_NOTES} characters"),
    "day": (_day, "a date such as 2026-05-31"),
    "start_line": (_or_nothing(_ends), "null or two points of two numbers"),
    "laps": (_list_of(_whole), "a list of lap numbers"),
    "against_lap": (_or_nothing(_whole), "a lap number or null"),
    "shown_units": (lambda value: value in ("metric", "imperial"), '"metric" or "imperial"'),
    "recordings": (_list_of(_recording), "a list of files with their names"),
}


def fault_in(values: dict[str, Any]) -> tuple[str, str] | None:
    """The first field that is not of its kind, and what it should be."""
    for name, value in values.items():
        if name in _KINDS and not _KINDS[name][0](value):
            return name, _KINDS[name][1]
    return None


def checked_changes(changes: dict[str, Any]) -> dict[str, Any]:
    """What a session is to be changed in, its texts made legible.

    Raises
    ------
    InputError
        A field is of another kind.
    """
    if fault := fault_in(changes):
        raise InputError(f"this must be {fault[1]}", where=fault[0], remedy="Correct it")
    return {name: legible(value) if isinstance(value, str) else value for name, value in changes.items()}


def known_of(folder: Path) -> tuple[dict[str, Any], bytes]:
    """What a session's folder says of it, and the file's content.

    Raises
    ------
    DamagedError
        What is wrong with session.json, or which recording is missing.
    FileNotFoundError
        There is no such folder, or no session.json in it.
    """
    path = folder / "session.json"
    where = f"sessions/{folder.name}/session.json"
    content = _bounded(path, where)
    try:
        known = _plain_json(content)
    except ValueError as error:
        raise DamagedError(
            f"this file is damaged ({error})",
            where=where,
            remedy="Mend it in a text editor, or start it anew from the list of sessions",
        ) from error
    if not isinstance(known, dict):
        raise DamagedError("this file holds no session", where=where, remedy="Start the session anew")
    if fault := fault_in(known):
        raise DamagedError(
            f"the field {fault[0]!r} must be {fault[1]}", where=where,
            remedy="Mend it in a text editor, or start it anew from the list of sessions",
        )  # fmt: skip
    recordings = known.get("recordings", [])
    with os.scandir(folder) as items:
        there = {item.name for item in items if not item.is_dir()}
    for item in recordings:  # a name is looked up among the folder's own files: it never leads out of it
        if item["file"] not in there:
            raise DamagedError(
                "a recording of this session is missing", where=f"sessions/{folder.name}/{legible(item['file'])}",
                remedy="Put the file back, or start the session anew with the recordings that are there",
            )  # fmt: skip
    if not recordings:
        raise DamagedError(
            "this session names no recording", where=where, remedy="Start the session anew, or remove it"
        )
    return {**FRESH, **known}, content


def salvaged(folder: Path) -> dict[str, Any]:
    """The fields of a damaged session.json that can still be used."""
    try:
        known = _plain_json(_bounded(folder / "session.json", "session.json"))
    except (OSError, ValueError, DamagedError):
        return {}
    fields = known.items() if isinstance(known, dict) else ()
    return {name: value for name, value in fields if name in _KINDS and fault_in({name: value}) is None}


def found_of(folder: Path) -> dict[str, Any] | None:
    """What a list shows of a session's review; None where there is none, or it cannot be read."""
    path = folder / "found.json"
    try:
        found = _plain_json(_bounded(path, path.name))
    except (OSError, ValueError, DamagedError):
        return None
    kinds: dict[str, Callable[[Any], bool]] = {"title": _text, "laps": _whole, "best": _number}
    if not isinstance(found, dict) or not all(kind(found.get(name)) for name, kind in kinds.items()):
        return None
    fits = _text(found.get("track", "")) and _list_of(_notes)(found.get("work_on", []))
    return found if fits else None


def recordings_in(folder: Path) -> list[Path]:
    """Files of a folder that may be recordings."""
    ours = ("session.json", "found.json", "linelab_files.json", "sessions.csv", DAMAGED)
    found = (item for item in folder.iterdir() if item.suffix.lower() in ENDINGS and item.name[0] != ".")
    return sorted(item for item in found if item.name not in ours and item.is_file())


#: What a damaged session.json is kept as when its session is started anew.
DAMAGED = "session-damaged.json"


def as_json(value: Any) -> bytes:
    """A file's content from plain values."""
    return (json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode("utf-8", "replace")


def _bounded(path: Path, where: str) -> bytes:
    """A small file's content."""
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_NOTE + 1)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise DamagedError(
            f"this file cannot be read ({error.strerror})", where=where, remedy="Check its access rights"
        ) from error
    if len(content) > LARGEST_NOTE:
        raise DamagedError(
            f"this file is larger than {LARGEST_NOTE // 1000} kB", where=where, remedy="Start the session anew"
        )
    return content


def _plain_json(content: bytes) -> Any:
    """Values of a JSON file, which can be sent on as JSON.

    Raises
    ------
    ValueError
        In words.
    """

    def refused(word: str) -> float:
        raise ValueError(f"{word} is no number of JSON")

    try:
        found = json.loads(content.decode("utf-8-sig"), parse_constant=refused)
        json.dumps(found, ensure_ascii=False, allow_nan=False).encode("utf-8")
    except UnicodeError as error:
        raise ValueError("it is no UTF-8 text") from error
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error
    except json.JSONDecodeError as error:
        raise ValueError(f"no JSON any more in line {error.lineno}") from error
    return found
